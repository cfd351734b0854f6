//! A plan as text: the answer, tables, what is taken for granted, what to be careful about.

use std::fmt::Write as _;

use super::answer::{PlanAnswers, SharesPlan, Simulated, TimesPlan};
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::{ConfidenceLevel, Known, Variance};
use crate::stats::{EventsFormula, PowerTest, SharesFormula};
use crate::wording::{count, percent, percent_interval};

/// All of it.
pub fn table(answers: &PlanAnswers) -> String {
    let mut text = format!("{}\n", answers.answer);
    for section in sections(answers) {
        let _ = write!(text, "\n{}", section.text());
    }
    for (title, lines) in [("Taken for granted", &answers.assumptions), ("Mind", &answers.cautions)] {
        let _ = writeln!(text, "\n{title}");
        for line in lines {
            let _ = writeln!(text, "  - {line}");
        }
    }
    text
}

fn sections(answers: &PlanAnswers) -> Vec<Section> {
    let mut all = Vec::new();
    if let Some(times) = &answers.times {
        all.push(if answers.asked.restorations.is_none() { times_needed(times) } else { times_found(answers, times) });
    }
    if let Some(shares) = &answers.shares {
        all.push(if answers.asked.restorations.is_none() { shares_needed(shares) } else { shares_found(shares) });
    }
    if let Some(simulated) = &answers.simulated {
        all.push(drawn(simulated, answers.asked.seed));
    }
    all
}

const fn events_formula(formula: EventsFormula) -> &'static str {
    match formula {
        EventsFormula::Schoenfeld => "Schoenfeld",
        EventsFormula::Freedman => "Freedman",
    }
}

const fn shares_formula(formula: SharesFormula) -> &'static str {
    match formula {
        SharesFormula::Pooled => "pooled variance",
        SharesFormula::Unpooled => "own variances",
        SharesFormula::ContinuityCorrected => "pooled, corrected for continuity",
    }
}

fn known<T: Copy>(value: Known<T>, text: impl Fn(T) -> String) -> String {
    match value {
        Known::Known(value) => text(value),
        Known::NotKnown(why) => why_not_known(why).to_owned(),
    }
}

fn times_needed(times: &TimesPlan) -> Section {
    let mut section = Section::new(
        "Needed, by formula",
        &["formula", "failures if independent", "times for patients", "failures", "first group", "second group", "patients"],
    );
    let mut seen = None;
    for one in &times.by_formula {
        let formula = events_formula(one.formula).to_owned();
        match one.needed {
            Some(Known::Known(needed)) => {
                seen = Some(needed.failing_share);
                section.row(vec![
                    formula,
                    digits(needed.events_if_independent, 5),
                    digits(needed.design_effect, 4),
                    digits(needed.events, 5),
                    count(needed.observations[0]),
                    count(needed.observations[1]),
                    count(needed.clusters),
                ]);
            }
            Some(Known::NotKnown(why)) => section.row(vec![formula, why_not_known(why).to_owned()]),
            None => {}
        }
    }
    if let Some([first, second]) = seen {
        section.note(format!(
            "Seen to fail within the follow-up: {} of the first group, {} of the second.",
            percent(first),
            percent(second)
        ));
    }
    section
}

fn times_found(answers: &PlanAnswers, times: &TimesPlan) -> Section {
    let chance = percent(answers.asked.power);
    let heads = ["formula", "chance to find the difference", "least ratio above 1", "least ratio below 1"];
    let mut section = Section::new("What so many restorations find, by formula", &heads);
    for one in &times.by_formula {
        let least = |above: bool| {
            let ratio = one.least_ratio.map(|least| if above { least.above_one } else { least.below_one });
            ratio.map_or_else(String::new, |ratio| known(ratio, |ratio| digits(ratio, 4)))
        };
        let power = one.power.map_or_else(|| "not asked".to_owned(), |power| known(power, percent));
        section.row(vec![events_formula(one.formula).to_owned(), power, least(true), least(false)]);
    }
    section.note(format!("The least ratios are those found with a chance of {chance}."));
    section
}

fn shares_needed(shares: &SharesPlan) -> Section {
    let mut section = Section::new(
        "Needed, by formula",
        &["variance", "first group if independent, none lost", "first group", "second group", "patients"],
    );
    for one in &shares.by_formula {
        let whole = |value: Option<Known<u64>>| value.map_or_else(String::new, |value| known(value, count));
        let group = |place: usize| whole(one.needed.map(|needed| needed.map(|needed| needed[place])));
        section.row(vec![
            shares_formula(one.formula).to_owned(),
            one.if_independent.map_or_else(String::new, |value| known(value, |value| digits(value, 5))),
            group(0),
            group(1),
            whole(one.patients),
        ]);
    }
    section.note(format!("{} are still followed at the end.", percent(shares.still_followed)));
    section
}

fn shares_found(shares: &SharesPlan) -> Section {
    let mut section =
        Section::new("What so many restorations find, by formula", &["variance", "chance to find the difference"]);
    for one in &shares.by_formula {
        let power = one.power.map_or_else(String::new, |power| known(power, percent));
        section.row(vec![shares_formula(one.formula).to_owned(), power]);
    }
    section.note(format!("{} are still followed at the end.", percent(shares.still_followed)));
    section
}

fn test_name(test: PowerTest) -> &'static str {
    match test {
        PowerTest::LogRank { variance: Variance::ClusterRobust, .. } => "log-rank, patients allowed for",
        PowerTest::LogRank { variance: Variance::ModelBased, .. } => "log-rank, every restoration as independent",
        PowerTest::FewClustersLogRank { .. } => "log-rank, also for few patients",
        PowerTest::SurvivalAt { variance: Variance::ClusterRobust, .. } => "survival at the end, patients allowed for",
        PowerTest::SurvivalAt { variance: Variance::ModelBased, .. } => {
            "survival at the end, every restoration as independent"
        }
    }
}

fn drawn(simulated: &Simulated, seed: u64) -> Section {
    let (with, without) = (&simulated.with_difference, &simulated.without_difference);
    let limits = interval_head(ConfidenceLevel::USUAL);
    let mut section = Section::new(
        format!("{} drawn trials, analysed as the real one will be", count(with.trials)),
        &["test", "difference found", &limits, "wrong way", "not judged", "found without any", &limits],
    );
    let second_sooner = simulated.ratio_within_patients > 1.0;
    for (one, none) in with.tests.iter().zip(&without.tests) {
        let wrong = if second_sooner { one.rejected - one.second_sooner } else { one.second_sooner };
        section.row(vec![
            test_name(one.test).to_owned(),
            percent(one.power),
            percent_interval(&one.interval),
            count(wrong),
            count(one.not_judged),
            percent(none.power),
            percent_interval(&none.interval),
        ]);
    }
    section.note(format!(
        "A trial has {} restorations in {} patients, and {} failures, on average; within a patient the ratio is {}.",
        digits(with.mean_observations, 5),
        digits(with.mean_clusters, 5),
        digits(with.mean_failures, 4),
        digits(simulated.ratio_within_patients, 4)
    ));
    section.note(format!(
        "The intervals tell how far the number of trials leaves these shares open (Monte Carlo error). Seed {seed}."
    ));
    section
}
