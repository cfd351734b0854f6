//! Parametric regressions as readable tables.

use super::asked::Asked;
use super::parametric::{ParametricAnswers, ParametricFit};
use super::regression::Fitted;
use super::regression_text::{column_name, known_text, limits_text, no_fit, test_cells};
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::{Estimate, Known};
use crate::stats::{FamilyComparison, LogTimeFamily, RegressionTest};
use crate::wording::counted;

const fn family_name(family: LogTimeFamily) -> &'static str {
    match family {
        LogTimeFamily::Exponential => "exponential",
        LogTimeFamily::Weibull => "Weibull",
        LogTimeFamily::LogLogistic => "log-logistic",
        LogTimeFamily::LogNormal => "log-normal",
    }
}

/// All of it as readable tables.
pub fn parametric_sections(asked: &Asked, all: &ParametricAnswers) -> Vec<Section> {
    let mut sections: Vec<Section> = all.comparison.iter().map(compared).collect();
    let title = match all.family {
        Known::Known(family) => format!("Parametric regression ({})", family_name(family)),
        Known::NotKnown(_) => "Parametric regression".to_owned(),
    };
    match &all.fit {
        Fitted::NoFit(why) => sections.extend(no_fit(&title, why)),
        Fitted::Fit(fit) => sections.extend(fit_sections(asked, &title, fit)),
    }
    sections
}

fn compared(all: &FamilyComparison) -> Section {
    let header = ["family", "log-likelihood", "parameters", "AIC", "above best", "weight", "AICc", "BIC", "BIC by failures"];
    let mut section = Section::new("Families compared", &header);
    for one in &all.families {
        let name = family_name(one.family).to_owned();
        match &one.fit {
            Known::NotKnown(why) => section.row(vec![name, why_not_known(*why).to_owned()]),
            Known::Known(fit) => {
                let criteria = &fit.criteria;
                section.row(vec![
                    name,
                    digits(fit.ln_likelihood, 9),
                    criteria.parameters.to_string(),
                    digits(criteria.aic, 7),
                    digits(fit.aic_above_best, 4),
                    digits(fit.weight.value(), 3),
                    known_text(&criteria.aic_corrected, |value| digits(*value, 7)),
                    digits(criteria.bic_by_observations, 7),
                    digits(criteria.bic_by_failures, 7),
                ]);
            }
        }
    }
    if let Known::Known(test) = &all.constant_hazard_test {
        let [statistic, df, p] = test_cells(test);
        section.note(format!("Is the hazard constant (within Weibull)? Likelihood ratio {statistic}, df {df}, p {p}."));
    }
    section
}

fn fit_sections(asked: &Asked, title: &str, all: &ParametricFit) -> Vec<Section> {
    let fit = &all.regression;
    let ratio_head = format!("{} of the ratio", interval_head(asked.level));
    let other = if fit.coefficients.iter().any(|one| one.odds_ratio.is_some()) { "odds ratio" } else { "hazard ratio" };
    let header = ["covariate", "coefficient", "s.e.", "time ratio", &ratio_head, other, "p"];
    let mut section = Section::new(title, &header);
    let error = |estimate: &Estimate<f64>| estimate.standard_error.map_or_else(String::new, |error| digits(error, 5));
    section.row(vec!["intercept".to_owned(), digits(fit.intercept.value, 6), error(&fit.intercept)]);
    for one in &fit.coefficients {
        section.row(vec![
            column_name(&one.column),
            digits(one.coefficient.value, 6),
            error(&one.coefficient),
            digits(one.time_ratio.value, 5),
            limits_text(&one.time_ratio.interval),
            one.hazard_ratio.or(one.odds_ratio).map_or_else(String::new, |ratio| digits(ratio.value, 5)),
            known_text(&one.test, |test| p_value(test.p_value, test.ln_p_value)),
        ]);
    }
    if let Some(spread) = &fit.ln_spread {
        section.row(vec!["ln σ".to_owned(), digits(spread.value, 6), error(spread)]);
    }
    section.note(format!(
        "{}, {}; {} left out because a covariate is missing; {}; log-likelihood {}; AIC {}.",
        counted(fit.behind.observations, "row", "rows"),
        counted(fit.behind.failures, "failure", "failures"),
        fit.left_out,
        counted(u64::from(fit.convergence.iterations), "iteration", "iterations"),
        digits(fit.ln_likelihood, 9),
        digits(fit.criteria.aic, 7)
    ));
    if let Some(spread) = &fit.estimated_spread {
        let limits = limits_text(&spread.interval);
        let head = interval_head(asked.level);
        section.note(format!(
            "σ {} ({head} {limits}); shape 1/σ {}.",
            digits(spread.value, 5),
            digits(1.0 / spread.value, 5)
        ));
    }
    section.note("A time ratio above 1 means longer times. Competing endings count as censored; strata are not used here.");
    if let Some(distance) = &all.distance {
        section.note(match distance {
            Known::Known(found) => format!(
                "Farthest from the curve without a family at {}: {} here, {} there, {} apart.",
                digits(found.at.time, 6),
                digits(found.parametric.value(), 4),
                match (digits(found.at.lower.value(), 4), digits(found.at.upper.value(), 4)) {
                    (lower, upper) if lower == upper => lower,
                    (lower, upper) => format!("{lower} to {upper}"),
                },
                digits(found.largest.value(), 3)
            ),
            Known::NotKnown(why) => format!("Distance from the curve without a family: {}.", why_not_known(*why)),
        });
    }
    let mut sections = vec![section];
    if !fit.coefficients.is_empty() {
        sections.push(tests(all));
    }
    sections.extend(predictions(asked, all));
    sections
}

fn tests(all: &ParametricFit) -> Section {
    let fit = &all.regression;
    let mut section = Section::new("Tests of the terms", &["term", "test", "χ²", "df", "p"]);
    let mut row = |term: &str, name: &str, test: &Known<RegressionTest>| {
        let cells = match test {
            Known::Known(test) => test_cells(test).to_vec(),
            Known::NotKnown(why) => vec![why_not_known(*why).to_owned()],
        };
        section.row([vec![term.to_owned(), name.to_owned()], cells].concat());
    };
    for term in &fit.terms {
        row(&term.covariate, "likelihood ratio", &term.likelihood_ratio);
        row(&term.covariate, "Wald", &term.wald);
        if term.cluster_robust_wald.known().is_some() {
            row(&term.covariate, "Wald, by clusters", &term.cluster_robust_wald);
        }
    }
    row("all", "likelihood ratio", &Known::Known(fit.likelihood_ratio_test));
    row("all", "Wald", &fit.wald_test);
    if fit.cluster_robust_wald_test.known().is_some() {
        row("all", "Wald, by clusters", &fit.cluster_robust_wald_test);
    }
    section
}

fn predictions(asked: &Asked, all: &ParametricFit) -> Vec<Section> {
    let head = interval_head(asked.level);
    let whom: Vec<String> = asked.profile.iter().map(|(name, value)| format!("{name} = {value}")).collect();
    let whom = if whom.is_empty() { String::new() } else { format!(" for {}", whom.join(", ")) };
    let mut survival = Section::new(format!("Survival by the family{whom}"), &["time", "survival", "s.e.", &head]);
    for one in &all.predicted {
        survival.row([vec![digits(one.time, 6)], estimate_cells(&one.survival, |value| value.value())].concat());
    }
    if all.predicted.iter().any(|one| one.time > all.regression.last_time) {
        survival.note(format!("After {}, survival rests on the family alone.", digits(all.regression.last_time, 6)));
    }
    let title = format!("Times by which a part has failed, by the family{whom}");
    let mut quantiles = Section::new(title, &["part", "time", "s.e.", &head]);
    for one in &all.quantiles {
        let part = digits(one.failed_part.value(), 4);
        quantiles.row([vec![part], estimate_cells(&one.time, |value| value)].concat());
    }
    [survival, quantiles].into_iter().filter(|section| !section.rows.is_empty()).collect()
}
