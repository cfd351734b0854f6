//! Regressions as readable tables.

use super::asked::Asked;
use super::regression::{Fitted, ProportionalHazards};
use super::section::{Section, digits, p_value, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::{ConfidenceInterval, Estimate, Fraction, Known};
use crate::stats::{ColumnName, FrailtyRegression, PenalisedRegression, ReferenceDistribution, RegressionTest, TimeScale};
use crate::wording::counted;

/// A column's name in words.
pub fn column_name(column: &ColumnName) -> String {
    match &column.level {
        Some(level) => format!("{}: {level}", column.covariate),
        None => column.covariate.clone(),
    }
}

pub(super) fn known_text<T>(value: &Known<T>, text: impl FnOnce(&T) -> String) -> String {
    match value {
        Known::Known(value) => text(value),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    }
}

pub(super) fn limits_text(limits: &Known<ConfidenceInterval<f64>>) -> String {
    known_text(limits, |limits| format!("{} to {}", digits(limits.lower, 5), digits(limits.upper, 5)))
}

/// A coefficient with its hazard ratio, as a row.
fn ratio_row(column: &ColumnName, coefficient: &Estimate<f64>, ratio: &Estimate<f64>, p: String) -> Vec<String> {
    let error = coefficient.standard_error.map_or_else(String::new, |error| digits(error, 5));
    let (value, ratio_value) = (digits(coefficient.value, 6), digits(ratio.value, 5));
    vec![column_name(column), value, error, ratio_value, limits_text(&ratio.interval), p]
}

pub(super) fn test_cells(test: &RegressionTest) -> [String; 3] {
    [digits(test.chi_square, 6), test.degrees_of_freedom.to_string(), p_value(test.p_value, test.ln_p_value)]
}

/// Why there is no fit, as a section.
pub(super) fn no_fit(title: &str, why: &str) -> Vec<Section> {
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
    if asked.reference_distribution == ReferenceDistribution::StudentByClusters {
        let freedom = fit.coefficients.iter().find_map(|one| one.test.known().and_then(|test| test.degrees_of_freedom));
        section.note(match freedom {
            Some(freedom) => format!("p and interval by Student's t with {} degrees of freedom.", digits(freedom, 7)),
            None => "p and interval by the normal distribution: Student's t needs a variance by clusters.".to_owned(),
        });
    }
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
