//! Sentences that say what the numbers say, and no more; the terminal and the page share them.

use crate::quantity::{ConfidenceLevel, Estimate, Fraction, IntervalMethod, Known, Variance};
use crate::result::{
    AnnualFailure, AnnualFormula, EndpointReview, FactorReview, GroupReview, HorizonReview, Review, TestReview,
};
use crate::stats::SurvivalRange;
use crate::wording::{
    Readers, count, counted, interval_text, known, p_value, percent, percent_interval, rate_interval, rate_number, span,
    why_not_known,
};

/// The confidence level in words: `95 % interval`.
pub fn interval_word(level: ConfidenceLevel) -> String {
    let percent = level.value() * 100.0;
    if (percent - percent.round()).abs() < 1e-9 {
        format!("{percent:.0} % interval")
    } else {
        format!("{percent} % interval")
    }
}

/// The headline of a group at the review's horizon: `After 5 years 90.2 % were retained (95 % interval 86.9 to 92.7 %).`
pub fn headline(review: &Review, endpoint: &EndpointReview) -> String {
    let after = span(review.headline_day);
    let word = endpoint.survival_title.to_lowercase();
    let horizon = endpoint.all.horizon(review.headline_day);
    if let (Some(horizon), Some(earlier)) =
        (horizon.filter(|horizon| horizon.few_at_risk), earlier_headline(review, endpoint))
        && horizon.survival.known().is_some()
    {
        let followed = if horizon.at_risk == 1 {
            "1 is followed".to_owned()
        } else {
            format!("{} are followed", count(horizon.at_risk))
        };
        return format!("To {after} only {followed}, fewer than the protocol asks for.{earlier}");
    }
    match horizon.map(|horizon| &horizon.survival) {
        Some(Known::Known(survival)) => {
            let interval = interval_text(&survival.interval, |interval| {
                format!("{} {}", interval_word(review.confidence_level), percent_interval(interval))
            });
            let parted = endpoint.all.readings_part.filter(|part| part.day >= review.headline_day);
            let between = horizon.filter(|_| parted.is_some()).map(between_visits).filter(|text| !text.is_empty());
            let between = between.map_or_else(String::new, |text| format!(" If failures came between visits, {text} were."));
            format!("After {after}, {} {word} ({interval}).{between}", percent(survival.value))
        }
        Some(Known::NotKnown(why)) => {
            let earlier = earlier_headline(review, endpoint).unwrap_or_default();
            format!("Survival after {after} is not known: {}.{earlier}", why_not_known(*why))
        }
        None => format!("Survival after {after} was not asked for."),
    }
}

/// Survival at a horizon by the reading between visits: `86.1 to 87.0 %`.
pub fn between_visits(horizon: &HorizonReview) -> String {
    let Some(range) = horizon.between_visits else { return String::new() };
    range_text(range).replacen(" % to ", " to ", 1)
}

/// A survival that is known only to lie between two: `86.1 % to 87.0 %`, or the one where both read alike.
pub fn range_text(range: SurvivalRange) -> String {
    let (least, largest) = (percent(range.least), percent(range.largest));
    if least == largest { least } else { format!("{least} to {largest}") }
}

/// What can be read before the headline's day: the last horizon at which enough are followed.
fn earlier_headline(review: &Review, endpoint: &EndpointReview) -> Option<String> {
    let horizons = endpoint.all.horizons.iter().rev().filter(|horizon| horizon.day < review.headline_day);
    let (day, survival) = horizons
        .filter(|horizon| !horizon.few_at_risk)
        .find_map(|horizon| Some((horizon.day, horizon.survival.known()?)))?;
    let interval = interval_text(&survival.interval, |interval| {
        format!("{} {}", interval_word(review.confidence_level), percent_interval(interval))
    });
    Some(format!(
        " After {}, {} {} ({interval}). What is read here stands in the protocol (headline_months).",
        span(day),
        percent(survival.value),
        endpoint.survival_title.to_lowercase()
    ))
}

/// The headline in natural numbers: `Of 100 such fillings, about 10 would fail on average within 5 years if nothing else ended them (95 %
/// interval of that average 7 to 13).` The condition belongs to it: 1 − S is not the share that fails where other endings come first.
pub fn natural_frequency(review: &Review, endpoint: &EndpointReview) -> Option<String> {
    let horizon = endpoint.all.horizon(review.headline_day)?;
    if horizon.few_at_risk && earlier_headline(review, endpoint).is_some() {
        return None;
    }
    let survival: &Estimate<Fraction> = horizon.survival.known()?;
    let of_hundred = |fraction: Fraction| format!("{:.0}", fraction.complement().value() * 100.0);
    let interval = survival.interval.known()?;
    Some(format!(
        "Of 100 such fillings, about {} would fail on average within {} if nothing else ended them ({} of that average {} to {}).",
        of_hundred(survival.value),
        span(review.headline_day),
        interval_word(review.confidence_level),
        of_hundred(interval.upper),
        of_hundred(interval.lower)
    ))
}

/// A formula's name with its years: `geometric, 5 years`.
pub const fn formula_word(formula: AnnualFormula) -> &'static str {
    match formula {
        AnnualFormula::Geometric => "geometric",
        AnnualFormula::Linear => "linear",
        AnnualFormula::PersonTime => "person-time",
    }
}

/// How the limits of a person-time rate were made, to stand behind them.
pub fn person_time_limits(annual: &AnnualFailure) -> &'static str {
    match annual.rate.interval {
        Known::Known(limits) if limits.method == IntervalMethod::ExactPoisson => "; exact Poisson",
        Known::Known(_) => "; by patient",
        Known::NotKnown(_) => "",
    }
}

/// A group's annual failure rate at the review's horizon under the default formula, in words.
pub fn annual_failure(review: &Review, group: &GroupReview) -> String {
    let Some(horizon) = group.horizon(review.headline_day) else { return "not asked for".to_owned() };
    known(&horizon.geometric, |annual| {
        let interval = interval_text(&annual.rate.interval, rate_interval);
        format!("{} % a year ({interval}; geometric, over {})", rate_number(annual.rate.value), span(review.headline_day))
    })
}

/// The same without formula and years, for a list whose heading says them.
pub fn annual_failure_short(review: &Review, group: &GroupReview) -> String {
    let Some(horizon) = group.horizon(review.headline_day) else { return "not asked for".to_owned() };
    known(&horizon.geometric, |annual| {
        format!("{} % a year ({})", rate_number(annual.rate.value), interval_text(&annual.rate.interval, rate_interval))
    })
}

/// How many stand behind a group: `120 restorations, 64 patients, 12 failures`.
pub fn behind(group: &GroupReview) -> String {
    format!(
        "{}, {}, {}",
        counted(group.behind.observations, "restoration", "restorations"),
        counted(group.behind.clusters, "patient", "patients"),
        counted(group.behind.failures, "failure", "failures")
    )
}

/// How intervals were made, for footnotes.
pub fn interval_note(review: &Review) -> String {
    interval_note_of(review.confidence_level, review.interval_method, review.variance)
}

/// The same where levels stand beside each other as they are.
pub fn by_level_note(review: &Review) -> String {
    format!("{} Not adjusted.", interval_note(review))
}

/// How intervals of survival were made, by level, method and variance.
pub fn interval_note_of(level: ConfidenceLevel, method: IntervalMethod, variance: Variance) -> String {
    let method = match method {
        IntervalMethod::Log => "log",
        IntervalMethod::Plain => "plain",
        _ => "complementary log–log",
    };
    let variance = match variance {
        Variance::ClusterRobust => "patient-clustered standard errors (infinitesimal jackknife)",
        Variance::ModelBased => "standard errors that take every filling as independent (Greenwood)",
    };
    format!("Product-limit (Kaplan–Meier) estimate; {} {method}, {variance}.", interval_word(level))
}

/// A test in words.
pub fn test(test: &TestReview) -> String {
    let kind = match test.variance {
        Variance::ClusterRobust => "fillings of one mouth may share their fate",
        Variance::ModelBased => "every filling taken as independent",
    };
    format!(
        "Are the levels alike? {} (log-rank, χ² {:.2}, {}; {kind})",
        p_value(test.p_value),
        test.chi_square,
        counted(u64::from(test.degrees_of_freedom), "degree of freedom", "degrees of freedom")
    )
}

/// What a factor's curves say at the review's horizon, to end a heading: `: after 5 years from 88.1 % (two-step) to 93.2 % (mild); test of
/// the 3 whole curves, p = 0.03`. Nothing where fewer than two levels have a number.
pub fn factor_finding(review: &Review, factor: &FactorReview) -> String {
    let mut known: Vec<(Fraction, &str)> = factor
        .groups
        .iter()
        .filter_map(|group| Some((group.horizon(review.headline_day)?.survival.known()?.value, group.label.as_str())))
        .collect();
    known.sort_by(|one, other| one.0.value().total_cmp(&other.0.value()));
    let (Some(least), Some(most), true) = (known.first(), known.last(), known.len() > 1) else { return String::new() };
    let test = factor.tests.iter().find(|test| test.variance == Variance::ClusterRobust);
    let test = test.map_or_else(String::new, |test| {
        let curves = test.degrees_of_freedom + 1;
        format!("; test of the {curves} whole curves, {}", p_value(test.p_value))
    });
    let after = span(review.headline_day);
    format!(": after {after} from {} ({}) to {} ({}){test}", percent(least.0), least.1, percent(most.0), most.1)
}

/// How many of those due were seen at the recall of the headline day, or the last before it: `178 of 239 due were seen at 60 months`.
pub fn recall_finding(review: &Review) -> String {
    let months = (review.headline_day.years().count() * 12.0).round();
    let last = review.recalls.iter().rev().find(|recall| recall.due > 0 && f64::from(recall.months) <= months);
    last.map_or_else(
        || "nobody was due yet".to_owned(),
        |recall| format!("{} of {} due were seen at {} months", count(recall.seen), count(recall.due), recall.months),
    )
}

/// The totals of a review: `590 restorations in 328 patients, 2410 visits, 61 failures (loss of retention)`.
pub fn totals(review: &Review, readers: Readers) -> String {
    let failure =
        review.endpoints.first().map_or_else(String::new, |endpoint| format!(" ({})", endpoint.title.to_lowercase()));
    format!(
        "{} in {}, {}, {} {}{failure}",
        readers.counted(review.totals.restorations, "restoration", "restorations"),
        readers.counted(review.totals.patients, "patient", "patients"),
        readers.counted(review.totals.visits, "visit", "visits"),
        readers.count(review.totals.failures),
        if review.totals.failures == 1 { "failure" } else { "failures" }
    )
}
