//! Answers by regression: proportional hazards with its checks.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, TiesAsked};
use super::columns::MISSING;
use super::data::{Covariate, Data, Levels};
use super::section::{Section, digits, p_value};
use crate::quantity::{Days, Known, Variance};
use crate::stats::{
    self, ColumnName, CoxDesign, CoxModel, CoxOptions, CoxRegression, Grouping, NO_GROUP, Observations,
    ReferenceDistribution, TiesHandling, cox_regression,
};
use crate::wording::why_not_known;

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

/// A regression, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Regression {
    /// The fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit: Option<CoxRegression>,
    /// Why there is none, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_fit: Option<String>,
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

/// Proportional-hazards regression.
///
/// # Errors
/// When there are no covariates.
pub fn proportional_hazards(asked: &Asked, data: &Data) -> Result<Regression, String> {
    let design = design(asked, data)?;
    let strata = data.strata.as_ref().map(|(_, strata)| strata);
    Ok(match cox_regression(&data.observations, &design, strata, options(asked)) {
        Ok(CoxModel { regression, .. }) => Regression { fit: Some(regression), no_fit: None },
        Err(problem) => Regression { fit: None, no_fit: Some(problem.to_string()) },
    })
}

/// A column's name in words.
pub fn column_name(column: &ColumnName) -> String {
    match &column.level {
        Some(level) => format!("{}: {level}", column.covariate),
        None => column.covariate.clone(),
    }
}

/// The regression as readable tables.
pub fn regression_sections(asked: &Asked, regression: &Regression, title: &str) -> Vec<Section> {
    let head = format!("{} % interval of the ratio", digits(asked.level.value() * 100.0, 4));
    let mut section = Section::new(title, &["covariate", "coefficient", "s.e.", "hazard ratio", &head, "p"]);
    let Some(fit) = &regression.fit else {
        section.note(format!("No fit: {}.", regression.no_fit.as_deref().unwrap_or("")));
        return vec![section];
    };
    for one in &fit.coefficients {
        section.row(vec![
            column_name(&one.column),
            digits(one.coefficient.value, 6),
            one.coefficient.standard_error.map_or_else(String::new, |error| digits(error, 5)),
            digits(one.hazard_ratio.value, 5),
            match one.hazard_ratio.interval {
                Known::Known(limits) => format!("{} to {}", digits(limits.lower, 5), digits(limits.upper, 5)),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            },
            match &one.test {
                Known::Known(test) => p_value(test.p_value, test.ln_p_value),
                Known::NotKnown(why) => why_not_known(*why).to_owned(),
            },
        ]);
    }
    let mut tests = Section::new("Tests of all coefficients", &["test", "χ²", "df", "p"]);
    let mut add = |name: &str, test: &stats::RegressionTest| {
        tests.row(vec![
            name.to_owned(),
            digits(test.chi_square, 6),
            test.degrees_of_freedom.to_string(),
            p_value(test.p_value, test.ln_p_value),
        ]);
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
    section.note(format!(
        "{} rows, {} failures; {} left out because a covariate or the stratum is missing; {} iterations.",
        fit.behind.observations, fit.behind.failures, fit.left_out, fit.convergence.iterations
    ));
    vec![section, tests]
}
