//! Answers by regression: proportional hazards with its checks.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, TiesAsked};
use super::columns::MISSING;
use super::data::{Covariate, Data, Levels};
use super::section::{Section, digits, p_value, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::{ConfidenceInterval, Days, Estimate, Fraction, Known, Variance};
use crate::stats::{
    self, ColumnName, Concordance, CoxDesign, CoxOptions, CoxRegression, FrailtyRegression, Grouping, NO_GROUP,
    Observations, PenalisedRegression, ProfileValue, ProportionalityTest, ReferenceDistribution, RegressionTest,
    TiesHandling, TimeScale, cox_regression, frailty_regression, penalised_cox_regression, proportionality,
};

use crate::wording::counted;

/// Covariates as plain columns, factors as indicators, for the rows that have all of them.
pub struct Terms {
    /// Names of the columns.
    pub names: Vec<String>,
    /// The columns.
    pub columns: Vec<Vec<f64>>,
    /// The rows.
    pub observations: Observations,
    /// Their causes.
    pub causes: Vec<u8>,
    /// How many rows lack a covariate.
    pub left_out: u64,
}

/// Something fitted, or why there is no fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fitted<T> {
    /// The fit.
    Fit(T),
    /// Why there is none, in words.
    NoFit(String),
}

/// Adjusted survival of a level of a factor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Adjusted {
    /// The factor.
    pub factor: String,
    /// The level.
    pub level: String,
    /// The time.
    pub time: f64,
    /// Survival if all had this level, the other covariates as they are.
    pub survival: Known<Estimate<Fraction>>,
}

/// A step of the baseline.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BaselinePoint {
    /// The time.
    pub time: f64,
    /// Cumulative hazard of one whose covariates are 0 and whose factors are at their reference.
    pub cumulative_hazard: f64,
    /// Survival of such a one.
    pub survival: Fraction,
}

/// The baseline of a stratum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StratumBaseline {
    /// The stratum; none without strata.
    pub stratum: Option<String>,
    /// Its steps.
    pub steps: Vec<BaselinePoint>,
}

/// What each row says of the fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RowResiduals {
    /// Martingale residual of each row used, in their order; none where a covariate is missing.
    pub martingale: Vec<Option<f64>>,
    /// For each coefficient the influence of each row on it.
    pub influence: Vec<Vec<f64>>,
    /// Times of the failures, stratum by stratum.
    pub failure_times: Vec<f64>,
    /// For each failure a scaled Schoenfeld residual for each coefficient.
    pub scaled_schoenfeld: Vec<Vec<f64>>,
}

/// Survival predicted for a profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Predicted {
    /// The stratum; none without strata.
    pub stratum: Option<String>,
    /// The time.
    pub time: f64,
    /// Survival.
    pub survival: Known<Estimate<Fraction>>,
}

/// Proportional-hazards regression with its checks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProportionalHazards {
    /// Coefficients and tests.
    pub regression: CoxRegression,
    /// How well the model orders failures.
    pub concordance: Known<Concordance>,
    /// Whether hazards are proportional, on each scale of time.
    pub proportionality: Vec<Known<ProportionalityTest>>,
    /// Survival adjusted for the other covariates, for each level of each factor.
    pub adjusted: Vec<Adjusted>,
    /// Survival predicted for the profile, if one is given.
    pub predicted: Vec<Predicted>,
    /// Baselines, if curves are asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub baselines: Option<Vec<StratumBaseline>>,
    /// Residuals, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residuals: Option<RowResiduals>,
}

/// Covariates as plain columns.
///
/// # Errors
/// When there are none, or a reference level that doesn't occur.
pub fn terms(asked: &Asked, data: &Data) -> Result<Terms, String> {
    some_covariates(data)?;
    let rows = data.observations.len();
    let mut complete = vec![true; rows];
    for (_, covariate) in &data.covariates {
        match covariate {
            Covariate::Numbers(numbers) => {
                complete.iter_mut().zip(numbers).for_each(|(complete, number)| *complete &= !number.is_nan());
            }
            Covariate::Levels(levels) => {
                complete.iter_mut().zip(&levels.codes).for_each(|(complete, code)| *complete &= *code != MISSING);
            }
        }
    }
    let kept: Vec<usize> = (0..rows).filter(|&row| complete[row]).collect();
    let (mut names, mut columns) = (Vec::new(), Vec::new());
    for (name, covariate) in &data.covariates {
        match covariate {
            Covariate::Numbers(numbers) => {
                names.push(name.clone());
                columns.push(kept.iter().map(|&row| numbers[row]).collect());
            }
            Covariate::Levels(levels) => {
                let reference = reference(asked, name, levels)?;
                for (level, label) in (0_u32..).zip(&levels.labels).filter(|(level, _)| *level != reference) {
                    names.push(format!("{name}: {label}"));
                    columns.push(kept.iter().map(|&row| f64::from(u8::from(levels.codes[row] == level))).collect());
                }
            }
        }
    }
    let all = &data.observations;
    let mut observations = Observations::with_capacity(kept.len());
    for &row in &kept {
        let (entry, exit) = (Days::new(all.entry()[row]), Days::new(all.exit()[row]));
        observations
            .push_weighted(entry, exit, all.ending()[row], all.cluster()[row], all.weight_of(row))
            .map_err(|error| error.to_string())?;
    }
    Ok(Terms {
        names,
        columns,
        observations,
        causes: kept.iter().map(|&row| data.causes[row]).collect(),
        left_out: (rows - kept.len()) as u64,
    })
}

fn some_covariates(data: &Data) -> Result<(), String> {
    if data.covariates.is_empty() {
        return Err("A regression needs covariates.\nMend: name their columns with --covariate and --factor.".to_owned());
    }
    Ok(())
}

/// The code of a factor's reference level.
fn reference(asked: &Asked, name: &str, levels: &Levels) -> Result<u32, String> {
    let wanted = asked.roles.factors.iter().find(|(factor, _)| factor == name).and_then(|(_, level)| level.as_ref());
    let Some(wanted) = wanted else { return Ok(0) };
    let place = levels.labels.iter().position(|label| label == wanted);
    place.and_then(|place| u32::try_from(place).ok()).ok_or_else(|| {
        format!(
            "{name} has no level {wanted}. It has: {}.\nMend: correct the level behind the colon of --factor.",
            levels.labels.join(", ")
        )
    })
}

/// The covariates as a design.
///
/// # Errors
/// When there are none, a reference level doesn't occur, or a factor has too many levels.
pub fn design(asked: &Asked, data: &Data) -> Result<CoxDesign, String> {
    some_covariates(data)?;
    let mut covariates = Vec::new();
    for (name, covariate) in &data.covariates {
        covariates.push(match covariate {
            Covariate::Numbers(numbers) if numbers.iter().any(|number| number.is_nan()) => {
                let values = numbers.iter().map(|&number| (!number.is_nan()).then_some(number)).collect();
                stats::Covariate::number_with_gaps(name.clone(), values)
            }
            Covariate::Numbers(numbers) => stats::Covariate::number(name.clone(), numbers.clone()),
            Covariate::Levels(levels) => {
                let reference = u16::try_from(reference(asked, name, levels)?).unwrap_or(NO_GROUP);
                let codes = levels.codes.iter().map(|&code| u16::try_from(code).unwrap_or(NO_GROUP)).collect();
                let count = u16::try_from(levels.labels.len()).unwrap_or(NO_GROUP);
                let grouping = Grouping::new(codes, count).map_err(|error| error.to_string())?;
                stats::Covariate::factor(name.clone(), grouping, levels.labels.clone(), reference)
            }
        });
    }
    CoxDesign::new(covariates).map_err(|error| error.to_string())
}

/// How the regression is to be done.
pub fn options(asked: &Asked) -> CoxOptions {
    let ties = match asked.ties {
        TiesAsked::Efron => TiesHandling::Efron,
        TiesAsked::Breslow => TiesHandling::Breslow,
        TiesAsked::Exact => TiesHandling::ExactDiscrete,
    };
    let variance = if ties == TiesHandling::ExactDiscrete { Variance::ModelBased } else { asked.variance };
    CoxOptions { ties, variance, level: asked.level, reference: ReferenceDistribution::default() }
}

fn strata(data: &Data) -> Option<&Grouping> {
    data.strata.as_ref().map(|(_, strata)| strata)
}

/// Proportional-hazards regression with its checks.
///
/// # Errors
/// When there are no covariates, or the profile doesn't fit them.
pub fn proportional_hazards(asked: &Asked, data: &Data) -> Result<Fitted<ProportionalHazards>, String> {
    let design = design(asked, data)?;
    let options = options(asked);
    let profile = profile(asked, data)?;
    let model = match cox_regression(&data.observations, &design, strata(data), options) {
        Ok(model) => model,
        Err(problem) => return Ok(Fitted::NoFit(problem.to_string())),
    };
    let ticks = data.ticks(asked);
    let mut adjusted = Vec::new();
    for (factor, _) in &asked.roles.factors {
        for curve in model.adjusted_survival(factor, &ticks, asked.scale) {
            for (&time, survival) in asked.at.iter().zip(curve.survival) {
                adjusted.push(Adjusted { factor: factor.clone(), level: curve.level.clone(), time, survival });
            }
        }
    }
    let names: Vec<Option<String>> = match &data.strata {
        None => vec![None],
        Some((levels, _)) => levels.labels.iter().cloned().map(Some).collect(),
    };
    let mut predicted = Vec::new();
    if let Some(profile) = &profile {
        for (place, stratum) in (0_u16..).zip(&names) {
            for (&time, survival) in asked.at.iter().zip(model.predicted_survival(profile, place, &ticks, asked.scale)) {
                predicted.push(Predicted { stratum: stratum.clone(), time, survival });
            }
        }
    }
    let baselines = asked.curves.then(|| {
        let steps = |place| {
            let steps = model.baseline(place).into_iter();
            let point = |step: stats::BaselineStep| BaselinePoint {
                time: data.axis.time(step.tick.count()),
                cumulative_hazard: step.cumulative_hazard,
                survival: step.survival,
            };
            steps.map(point).collect()
        };
        (0_u16..).zip(names).map(|(place, stratum)| StratumBaseline { stratum, steps: steps(place) }).collect()
    });
    let residuals = asked.residuals.then(|| {
        let schoenfeld = model.scaled_schoenfeld_residuals();
        RowResiduals {
            martingale: model.martingale_residuals(),
            influence: model.influence_on_coefficients(),
            failure_times: schoenfeld.iter().map(|one| data.axis.time(one.tick.count())).collect(),
            scaled_schoenfeld: schoenfeld.into_iter().map(|one| one.scaled).collect(),
        }
    });
    let scales = [TimeScale::Failed, TimeScale::Time, TimeScale::LnTime, TimeScale::Rank];
    Ok(Fitted::Fit(ProportionalHazards {
        concordance: model.concordance(),
        proportionality: scales.map(|scale| proportionality(&model, &data.axis, scale, options.variance)).to_vec(),
        adjusted,
        predicted,
        baselines,
        residuals,
        regression: model.regression,
    }))
}

/// The profile that a prediction is asked for; none if there is none.
fn profile(asked: &Asked, data: &Data) -> Result<Option<Vec<ProfileValue>>, String> {
    if asked.profile.is_empty() {
        return Ok(None);
    }
    if let Some((name, _)) =
        asked.profile.iter().find(|(name, _)| !data.covariates.iter().any(|(covariate, _)| covariate == name))
    {
        return Err(format!(
            "--profile names {name}, which is no covariate.\nMend: name the columns given with --covariate and --factor."
        ));
    }
    let mut values = Vec::new();
    for (name, covariate) in &data.covariates {
        let given = asked.profile.iter().find(|(given, _)| given == name).map(|(_, value)| value);
        let Some(given) = given else {
            return Err(format!("--profile says nothing of {name}.\nMend: give a value for each covariate."));
        };
        values.push(match covariate {
            Covariate::Numbers(_) => {
                let number =
                    given.parse().map_err(|_| format!("“{given}” is no number for {name}.\nMend: correct --profile."))?;
                ProfileValue::Number(number)
            }
            Covariate::Levels(levels) => {
                let place =
                    levels.labels.iter().position(|label| label == given).and_then(|place| u16::try_from(place).ok());
                ProfileValue::Level(place.ok_or_else(|| {
                    format!("{name} has no level {given}. It has: {}.\nMend: correct --profile.", levels.labels.join(", "))
                })?)
            }
        });
    }
    Ok(Some(values))
}

/// The same covariates with Firth's penalty.
///
/// # Errors
/// When there are no covariates.
pub fn penalised(asked: &Asked, data: &Data) -> Result<Fitted<PenalisedRegression>, String> {
    let design = design(asked, data)?;
    let fit = penalised_cox_regression(&data.observations, &design, strata(data), options(asked).ties, asked.level);
    Ok(fit.map_or_else(|problem| Fitted::NoFit(problem.to_string()), Fitted::Fit))
}

/// The same covariates with a frailty shared by cluster.
///
/// # Errors
/// When there are no covariates, or no clusters.
pub fn frailty(asked: &Asked, data: &Data) -> Result<Fitted<FrailtyRegression>, String> {
    if !data.clustered {
        return Err("A shared frailty needs clusters.\nMend: name their column with --cluster.".to_owned());
    }
    let design = design(asked, data)?;
    let fit = frailty_regression(&data.observations, &design, strata(data), options(asked).ties, asked.level);
    Ok(fit.map_or_else(|problem| Fitted::NoFit(problem.to_string()), Fitted::Fit))
}

/// A column's name in words.
pub fn column_name(column: &ColumnName) -> String {
    match &column.level {
        Some(level) => format!("{}: {level}", column.covariate),
        None => column.covariate.clone(),
    }
}

fn known_text<T>(value: &Known<T>, text: impl FnOnce(&T) -> String) -> String {
    match value {
        Known::Known(value) => text(value),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    }
}

fn limits_text(limits: &Known<ConfidenceInterval<f64>>) -> String {
    known_text(limits, |limits| format!("{} to {}", digits(limits.lower, 5), digits(limits.upper, 5)))
}

/// A coefficient with its hazard ratio, as a row.
fn ratio_row(column: &ColumnName, coefficient: &Estimate<f64>, ratio: &Estimate<f64>, p: String) -> Vec<String> {
    let error = coefficient.standard_error.map_or_else(String::new, |error| digits(error, 5));
    let (value, ratio_value) = (digits(coefficient.value, 6), digits(ratio.value, 5));
    vec![column_name(column), value, error, ratio_value, limits_text(&ratio.interval), p]
}

fn test_cells(test: &RegressionTest) -> [String; 3] {
    [digits(test.chi_square, 6), test.degrees_of_freedom.to_string(), p_value(test.p_value, test.ln_p_value)]
}

/// Why there is no fit, as a section.
fn no_fit(title: &str, why: &str) -> Vec<Section> {
    let mut section = Section::new(title, &[]);
    section.note(format!("No fit: {why}"));
    vec![section]
}

/// The regression as readable tables.
pub fn regression_sections(asked: &Asked, fitted: &Fitted<ProportionalHazards>) -> Vec<Section> {
    let title = "Proportional-hazards regression (Cox)";
    let all = match fitted {
        Fitted::Fit(all) => all,
        Fitted::NoFit(why) => return no_fit(title, why),
    };
    let level = digits(asked.level.value() * 100.0, 4);
    let head = format!("{level} % interval of the ratio");
    let fit = &all.regression;
    let mut section = Section::new(title, &["covariate", "coefficient", "s.e.", "hazard ratio", &head, "p"]);
    for one in &fit.coefficients {
        let p = known_text(&one.test, |test| p_value(test.p_value, test.ln_p_value));
        section.row(ratio_row(&one.column, &one.coefficient, &one.hazard_ratio, p));
    }
    section.note(format!(
        "{}, {}; {} left out because a covariate or the stratum is missing; {}.",
        counted(fit.behind.observations, "row", "rows"),
        counted(fit.behind.failures, "failure", "failures"),
        fit.left_out,
        counted(u64::from(fit.convergence.iterations), "iteration", "iterations")
    ));
    let concordance = known_text(&all.concordance, |found| {
        let error =
            found.concordance.standard_error.map_or_else(String::new, |error| format!(" (s.e. {})", digits(error, 3)));
        format!("{}{error}", digits(found.concordance.value, 4))
    });
    section.note(format!("Concordance: {concordance}."));
    let mut tests = Section::new("Tests of all coefficients", &["test", "χ²", "df", "p"]);
    let mut add = |name: &str, test: &RegressionTest| {
        let [statistic, df, p] = test_cells(test);
        tests.row(vec![name.to_owned(), statistic, df, p]);
    };
    add("likelihood ratio", &fit.likelihood_ratio_test);
    add("score", &fit.score_test);
    add("Wald", &fit.wald_test);
    if let Some(robust) = &fit.cluster_robust {
        for (name, test) in [("score, by clusters", &robust.score_test), ("Wald, by clusters", &robust.wald_test)] {
            if let Known::Known(test) = test {
                add(name, test);
            }
        }
    }
    let mut proportional = Section::new("Are hazards proportional?", &["time as", "covariate", "χ²", "df", "p"]);
    for test in &all.proportionality {
        let Known::Known(test) = test else { continue };
        let scale = match test.time_scale {
            TimeScale::Time => "time",
            TimeScale::LnTime => "logarithm",
            TimeScale::Rank => "rank",
            TimeScale::Failed => "part failed",
        };
        let global = ("all".to_owned(), test.global);
        for (name, term) in test.terms.iter().chain([&global]) {
            let mut cells = vec![scale.to_owned(), name.clone()];
            match term {
                Known::Known(term) => cells.extend(test_cells(term)),
                Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            }
            proportional.row(cells);
        }
    }
    proportional.note(match fit.cluster_robust {
        Some(_) => "Exact form of the score test, variance by clusters; ranks are those among failures.",
        None => "Exact form of the score test; ranks are those among failures.",
    });
    proportional.note("A small p says that a ratio changes with time; one number for it then hides that.");
    let interval = format!("{level} % interval");
    let mut adjusted = Section::new(
        "Survival if all had the level, the other covariates as they are",
        &["level", "time", "survival", "s.e.", &interval],
    );
    for one in &all.adjusted {
        let mut cells = vec![format!("{}: {}", one.factor, one.level), digits(one.time, 6)];
        cells.extend(estimate_cells(&one.survival, Fraction::value));
        adjusted.row(cells);
    }
    let mut predicted =
        Section::new("Survival predicted for the profile", &["stratum", "time", "survival", "s.e.", &interval]);
    for one in &all.predicted {
        let mut cells = vec![one.stratum.clone().unwrap_or_else(|| "all".to_owned()), digits(one.time, 6)];
        cells.extend(estimate_cells(&one.survival, Fraction::value));
        predicted.row(cells);
    }
    let mut sections = vec![section, tests, proportional];
    sections.extend([adjusted, predicted].into_iter().filter(|section| !section.rows.is_empty()));
    sections
}

/// The penalised regression as a readable table.
pub fn penalised_sections(asked: &Asked, fitted: &Fitted<PenalisedRegression>) -> Vec<Section> {
    let title = "Proportional-hazards regression with Firth's penalty";
    let fit = match fitted {
        Fitted::Fit(fit) => fit,
        Fitted::NoFit(why) => return no_fit(title, why),
    };
    let head = format!("{} % profile interval of the ratio", digits(asked.level.value() * 100.0, 4));
    let mut section = Section::new(title, &["covariate", "coefficient", "s.e.", "hazard ratio", &head, "p"]);
    for one in &fit.coefficients {
        let p = known_text(&one.test, |test| p_value(test.p_value, test.ln_p_value));
        section.row(ratio_row(&one.column, &one.coefficient, &one.hazard_ratio, p));
    }
    section.note(format!(
        "Penalised likelihood ratio of all: p {}.",
        p_value(fit.likelihood_ratio_test.p_value, fit.likelihood_ratio_test.ln_p_value)
    ));
    section.note("Limits and p-values by penalised likelihood; every row taken as independent.");
    vec![section]
}

/// The regression with frailty as a readable table.
pub fn frailty_sections(asked: &Asked, fitted: &Fitted<FrailtyRegression>) -> Vec<Section> {
    let title = "Proportional-hazards regression with a frailty shared by cluster";
    let fit = match fitted {
        Fitted::Fit(fit) => fit,
        Fitted::NoFit(why) => return no_fit(title, why),
    };
    let head = format!("{} % interval", digits(asked.level.value() * 100.0, 4));
    let mut section = Section::new(title, &["covariate", "coefficient", "s.e.", &head, "p"]);
    for one in &fit.coefficients {
        section.row(vec![
            column_name(&one.column),
            digits(one.coefficient.value, 6),
            one.coefficient.standard_error.map_or_else(String::new, |error| digits(error, 5)),
            limits_text(&one.coefficient.interval),
            p_value(one.test.p_value, one.test.ln_p_value),
        ]);
    }
    section.note(format!(
        "Variance of the frailty {} (Kendall's τ {}); that it is 0: p {}.",
        digits(fit.frailty_variance, 5),
        digits(fit.kendall_tau, 4),
        p_value(fit.test.p_value, fit.test.ln_p_value)
    ));
    section.note("Coefficients compare two of the same cluster, given its frailty.");
    vec![section]
}
