//! What was watched in sentences: the answer, and what to be careful about.

use super::answer::WatchAnswers;
use crate::estimate::section::digits;
use crate::quantity::Known;
use crate::stats::FunnelPlace;
use crate::wording::{count, counted, percent};

/// Below so many expected failures little can be told.
const FEW_FAILURES: f64 = 5.0;

/// The answer.
pub fn answer(answers: &WatchAnswers) -> String {
    let path = &answers.path;
    let what = if path.ratio > 1.0 { "more" } else { "fewer" };
    let period = format!("from {} to {}", answers.first_day, answers.last_day);
    let Some(first) = path.signals.first() else {
        return format!(
            "No signal {period}: {} against {} expected by the benchmark. That does not prove that all is well.",
            counted(path.observed, "failure", "failures"),
            digits(path.expected, 3)
        );
    };
    let then = path.points.iter().find(|point| point.day == *first);
    let by_then = then.map_or_else(String::new, |point| {
        format!(
            ": by then {} had come, and {} were expected",
            counted(point.observed, "failure", "failures"),
            digits(point.expected, 3)
        )
    });
    let again = match path.signals.len() {
        1 => String::new(),
        all => format!(" In all there were {} signals {period}.", count(all as u64)),
    };
    format!("On {first} the sum signalled {what} failures than the benchmark lets expect{by_then}.{again}")
}

/// What to be careful about.
pub fn cautions(answers: &WatchAnswers) -> Vec<String> {
    let mut all = Vec::new();
    if answers.path.expected < FEW_FAILURES {
        all.push(format!(
            "Only {} failures are expected in all: a sum this short rarely signals, whatever is the matter.",
            digits(answers.path.expected, 3)
        ));
    }
    if answers.asked.frailty_variance.is_none() {
        all.push(if answers.behind.clusters < answers.behind.observations {
            "The limit takes failures as independent, though patients have several restorations: false alarms are more frequent than said. Give --frailty-variance.".to_owned()
        } else {
            "Each restoration is taken as independent. Where patients have several, name them with --cluster and give --frailty-variance: else false alarms are more frequent than said.".to_owned()
        });
    }
    if answers.past_benchmark > 0 {
        all.push(format!(
            "{} followed longer than the benchmark reaches; what came after is left out.",
            counted(answers.past_benchmark, "restoration was", "restorations were")
        ));
    }
    all.push("The benchmark is taken as known, and its cases as like these. A signal says that failures came otherwise than it lets expect, not why.".to_owned());
    if let Some(named) = &answers.funnel {
        let funnel = &named.funnel;
        let described = funnel.units.iter().filter(|unit| unit.place == FunnelPlace::DescribedOnly).count() as u64;
        if described > 0 {
            all.push(format!(
                "{} too few restorations to be judged (fewer than {}): described only.",
                counted(described, "unit has", "units have"),
                answers.asked.funnel.smallest
            ));
        }
        all.push(format!(
            "Of {} judged, up to {} would lie outside the inner limits by chance alone, up to {} outside the outer ones.",
            counted(funnel.judged, "unit", "units"),
            digits(funnel.beyond_inner_by_chance, 3),
            digits(funnel.beyond_outer_by_chance, 2)
        ));
        all.push("Units stand in the order of their names. They are not to be ranked: most of what sets them apart is chance, and their cases may differ.".to_owned());
        if matches!(funnel.dispersion.between_units, Known::NotKnown(_)) {
            all.push(format!(
                "How much units differ anyhow can't be told from so few of them; limits are widened by a factor of {} on the variance.",
                digits(funnel.dispersion.used, 3)
            ));
        }
        if answers.asked.first.is_some() || answers.asked.last.is_some() {
            all.push("The funnel holds the whole follow-up, not only the period watched.".to_owned());
        }
    }
    all
}

/// How the limit was set, and how sure that is.
pub fn limit(answers: &WatchAnswers) -> String {
    let limit = &answers.limit;
    let run = answers.run_length.map_or_else(String::new, |run| {
        format!(
            " Chance alone exceeds it once in {} expected failures on average (standard error {}).",
            digits(run.average_run_length, 4),
            digits(run.standard_error, 2)
        )
    });
    format!(
        "Limit {}: with the benchmark true, {} of {} drawn courses exceed it within the period watched (false alarms; {} to {} by Monte Carlo error at 95 %; seed {}).{run}",
        digits(limit.limit, 4),
        percent(limit.false_alarms),
        count(u64::from(limit.replicates.count)),
        percent(limit.interval.lower),
        percent(limit.interval.upper),
        limit.replicates.seed
    )
}
