//! What is known of failures between two times, as readable tables.

use super::asked::Asked;
use super::intervals::{IntervalAnswers, IntervalCurve, ResampledRange};
use super::resampling::Resampled;
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use crate::quantity::{Known, WhyNotKnown};
use crate::stats::{IntervalScores, ScoreBasis, ScoreStatistic};
use crate::wording::counted;

const fn scores_name(scores: IntervalScores) -> &'static str {
    match scores {
        IntervalScores::LogRank => "log-rank",
        IntervalScores::ProportionalHazards => "proportional hazards",
        IntervalScores::Wilcoxon => "Wilcoxon",
    }
}

const fn basis_name(basis: ScoreBasis) -> &'static str {
    match basis {
        ScoreBasis::PermutedObservations => "rows permuted",
        ScoreBasis::PermutedClusters => "clusters permuted",
        ScoreBasis::PermutedWithinClusters => "rows permuted within clusters",
        ScoreBasis::ClusterRobust => "variance by clusters",
    }
}

/// One number where both are the same as far as shown, else both.
fn range(least: f64, largest: f64) -> String {
    let (least, largest) = (digits(least, 5), digits(largest, 5));
    if least == largest { least } else { format!("{least} to {largest}") }
}

fn number(value: &Known<f64>) -> String {
    match value {
        Known::Known(value) => digits(*value, 5),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    }
}

/// An interval of time in which a failure lies.
fn between(after: f64, by: Option<f64>) -> String {
    match by {
        None => format!("after {}", digits(after, 6)),
        Some(by) if by > after => format!("({}, {}]", digits(after, 6), digits(by, 6)),
        Some(by) => format!("at {}", digits(by, 6)),
    }
}

/// Curves and tests as readable tables.
pub fn interval_sections(asked: &Asked, all: &IntervalAnswers) -> Vec<Section> {
    let mut sections = vec![curves(all), at_times(all), quantiles(all)];
    if let Some(until) = asked.until {
        sections.push(means(all, until));
    }
    if all.groups.iter().any(|group| group.resampled.is_some()) {
        sections.push(resampled(asked, all));
    }
    if !all.tests.is_empty() {
        sections.push(tests(all));
    }
    sections
}

/// A table over the curves of all groups.
fn each_curve(
    title: &str,
    header: &[&str],
    all: &IntervalAnswers,
    rows: impl Fn(&IntervalCurve) -> Vec<Vec<String>>,
) -> Section {
    let mut section = Section::new(title, header);
    for group in &all.groups {
        match &group.curve {
            Known::NotKnown(why) => section.row(vec![group.group.clone(), why_not_known(*why).to_owned()]),
            Known::Known(curve) => {
                for cells in rows(curve) {
                    section.row([vec![group.group.clone()], cells].concat());
                }
            }
        }
    }
    section
}

fn curves(all: &IntervalAnswers) -> Section {
    let title = "Where the failures lie (Turnbull)";
    let mut section = each_curve(title, &["group", "between", "part that fails", "survival after"], all, |curve| {
        let row = |mass: &super::intervals::MassBetween| {
            let part = digits(mass.mass, 4);
            let part = if mass.determined { part } else { format!("{part} (not unique)") };
            vec![between(mass.after, mass.by), part, range(mass.least_after.value(), mass.largest_after.value())]
        };
        curve.masses.iter().map(row).collect()
    });
    for group in &all.groups {
        let Known::Known(curve) = &group.curve else { continue };
        let settled = if curve.converged { "" } else { " It did not settle, so nothing is read from it." };
        section.note(format!(
            "{}: {}, {}; log-likelihood {}, {}, gap {}.{settled}",
            group.group,
            counted(curve.behind.observations, "row", "rows"),
            counted(curve.behind.failures, "failure", "failures"),
            digits(curve.ln_likelihood, 10),
            counted(u64::from(curve.iterations), "step", "steps"),
            digits(curve.gap, 2)
        ));
        if let Some(time) = curve.exhausted_at {
            section.note(format!(
                "{}: by {} nobody who had entered was left; a weight of {} came later and takes no part.",
                group.group,
                digits(time, 6),
                digits(curve.past_exhaustion, 6)
            ));
        }
    }
    section.note("Within an interval the rows don't tell where its failures lie. Competing endings count as censored.");
    section
}

fn at_times(all: &IntervalAnswers) -> Section {
    each_curve("Survival, as far as the intervals tell", &["group", "time", "survival"], all, |curve| {
        let row = |at: &super::intervals::RangeAt| {
            let survival = match at.survival {
                Known::Known(found) => range(found.least.value(), found.largest.value()),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            };
            vec![digits(at.time, 6), survival]
        };
        curve.at.iter().map(row).collect()
    })
}

fn quantiles(all: &IntervalAnswers) -> Section {
    let title = "Times by which a part has failed, as far as the intervals tell";
    each_curve(title, &["group", "part", "time lies in", "flat until"], all, |curve| {
        let row = |one: &super::intervals::QuantileBetween| {
            let lies = match (one.after, one.by) {
                (Known::Known(after), Known::Known(by)) => between(after, Some(by)),
                (Known::Known(after), Known::NotKnown(_)) => between(after, None),
                (Known::NotKnown(why), _) => why_not_known(why).to_owned(),
            };
            let flat = one.flat_until.map_or_else(String::new, |time| digits(time, 6));
            vec![digits(one.failed_part.value(), 4), lies, flat]
        };
        curve.quantiles.iter().map(row).collect()
    })
}

fn means(all: &IntervalAnswers, until: f64) -> Section {
    let title = format!("Restricted mean until {}, as far as the intervals tell", digits(until, 6));
    each_curve(&title, &["group", "mean"], all, |curve| {
        let mean = match curve.restricted_mean {
            Some(Known::Known(found)) => range(found.least, found.largest),
            Some(Known::NotKnown(why)) => why_not_known(why).to_owned(),
            None => String::new(),
        };
        vec![vec![mean]]
    })
}

fn resampled(asked: &Asked, all: &IntervalAnswers) -> Section {
    let head = format!("{}, percentile", interval_head(asked.level));
    let title = format!("The curves of intervals from {} resamples of whole clusters", asked.resamples);
    let mut section = Section::new(title, &["what", "at", "group", "least", "largest", "s.e. of these", &head]);
    let each = all.groups.iter().flat_map(|group| group.resampled.iter().flatten().map(move |one| (&group.group, one)));
    let mut few = false;
    for (group, one) in each {
        section.row(resampled_row(group, one));
        few |= one.few_clusters;
        for lost in &one.not_estimated {
            let what = resampled_name(one.quantity);
            section.note(format!(
                "{what}, {group}, {}: {} no estimate ({}).",
                digits(one.at, 6),
                counted(lost.replicates, "resample has", "resamples have"),
                why_not_known(lost.why)
            ));
        }
    }
    section.note("Limits are those of the least values below and of the largest above. With fewer than some five failures percentiles lie too close: trust the upper limit of failures least.");
    if few {
        section.note("Fewer than 20 clusters in a group: take these intervals with care.");
    }
    section
}

const fn resampled_name(quantity: Resampled) -> &'static str {
    match quantity {
        Resampled::RestrictedMean => "restricted mean",
        Resampled::FailureTime => "time by which a part has failed",
        _ => "survival",
    }
}

fn resampled_row(group: &str, one: &ResampledRange) -> Vec<String> {
    let errors = format!("{}; {}", number(&one.standard_error_of_least), number(&one.standard_error_of_largest));
    vec![
        resampled_name(one.quantity).to_owned(),
        digits(one.at, 6),
        group.to_owned(),
        number(&one.least),
        number(&one.largest),
        errors,
        format!("{} to {}", number(&one.percentile.lower), number(&one.percentile.upper)),
    ]
}

fn tests(all: &IntervalAnswers) -> Section {
    let mut section = Section::new("Score tests of intervals", &["scores", "by", "χ²", "df", "p"]);
    let mut row = |scores, found: &Known<ScoreStatistic>| match found {
        Known::Known(found) => section.row(vec![
            scores_name(scores).to_owned(),
            basis_name(found.basis).to_owned(),
            digits(found.chi_square, 6),
            found.degrees_of_freedom.to_string(),
            p_value(found.p_value, found.ln_p_value),
        ]),
        Known::NotKnown(why) => {
            section.row(vec![scores_name(scores).to_owned(), why_not_known(*why).to_owned()]);
        }
    };
    for one in &all.tests {
        match &one.test {
            Known::NotKnown(why) => row(one.scores, &Known::NotKnown(*why)),
            Known::Known(test) => {
                row(one.scores, &test.observations);
                if test.behind.clusters < test.behind.observations {
                    row(one.scores, &test.clusters);
                }
            }
        }
    }
    for one in &all.tests {
        match &one.permuted {
            Some(Known::Known(found)) => section.row(vec![
                scores_name(one.scores).to_owned(),
                format!("{}, {} drawn", basis_name(found.basis), found.draws),
                digits(found.chi_square, 6),
                String::new(),
                format!("{} (s.e. {})", digits(found.p_value, 4), digits(found.monte_carlo_error, 2)),
            ]),
            Some(Known::NotKnown(why)) => {
                let why: WhyNotKnown = *why;
                section.row(vec![scores_name(one.scores).to_owned(), format!("drawn: {}", why_not_known(why))]);
            }
            None => {}
        }
    }
    section.note("Visits are taken to be planned alike in all groups.");
    section
}
