//! The methods of a comparison as a paragraph ready for a hand-out, and the items that a report of a cohort should have.

use super::caution_text::STANDING_CAUTION;
use super::comparison_charts::{flow_branches, flow_steps, interval_note};
use super::contrast_text::{difference_text, ratio_text};
use super::guard_text::guard_texts;
use super::sentence::interval_word;
use super::verdict_text::{listed, verdict_text};
use crate::protocol::FailureDayReading;
use crate::quantity::{Days, Known};
use crate::result::{Comparison, Computed, GroupReview};
use crate::stats::SurvivalContrast;
use crate::wording::{Readers, count, counted, interval_text, known, percent, percent_interval, span};

/// The methods in one paragraph.
pub fn methods(comparison: &Comparison, readers: Readers) -> String {
    let dated = match comparison.failure_day {
        FailureDayReading::DayFound => "failures were dated to the visit that found them",
        FailureDayReading::DayKnown => "failures were dated to the day that the patient remembered, where recorded",
    };
    let adjusted = match &comparison.adjusted {
        Computed::Computed(adjusted) => format!(
            "Differences were adjusted for {} by inverse-propensity weights (stabilised, taken as known; {} model of the level) and, beside it, by a proportional-hazards model (Efron's ties) standardised to all restorations; {} without all of it were left out of the adjusted numbers.",
            listed(&adjusted.adjusted_for),
            if comparison.levels.len() > 2 { "multinomial" } else { "logistic" },
            readers.counted(adjusted.left_out, "restoration", "restorations")
        ),
        // The reason may name how few there are.
        Computed::NotComputed(_) if readers == Readers::Others => "Nothing was adjusted.".to_owned(),
        Computed::NotComputed(why) => format!("Nothing was adjusted: {why}."),
    };
    let first = comparison.levels.iter().map(|level| level.first_placed).min();
    let period = match (readers, first) {
        (Readers::Practice, Some(first)) => format!(", placed from {first} on and followed to {},", comparison.as_of),
        (Readers::Practice, None) => format!(", followed to {},", comparison.as_of),
        (Readers::Others, _) => String::new(),
    };
    let compared: u64 = comparison.levels.iter().map(|level| level.group.behind.observations).sum();
    format!(
        "Records of {} restorations in {}{period} were compared by {}. {} {} Teeth lost and restorations removed for other reasons were censored in survival and counted as competing in incidence; {dated}. Differences, hazard ratios and tests let restorations of one patient share their fate (clustered by patient). Levels were compared by the log-rank test, by the difference of survival at {} (or the latest horizon before it to which at least {} were followed on both sides; its interval and test are put together from log–log and exact limits of both survivals, after Zou and Donner 2008) and by mean time without failure up to {}; hazard ratios are from proportional-hazards models whose proportionality was tested (score test of a change with the share that had failed). {adjusted} A difference of {:.0} in 100 is taken to matter, as the protocol says. Tests against the reference were corrected by Holm's method.",
        readers.count(compared),
        readers.counted(comparison.shared.patients, "patient", "patients"),
        comparison.factor.label.to_lowercase(),
        comparison.endpoint.definition,
        interval_note(comparison),
        span(comparison.headline_day),
        comparison.least_at_risk,
        span(comparison.restricted_mean_day),
        comparison.relevant_difference.value() * 100.0
    )
}

/// The items of STROBE for cohorts that this program can fill, with what stands for them here.
pub fn reporting_items(comparison: &Comparison) -> Vec<(&'static str, String)> {
    let days = |day: Option<crate::quantity::Day>| day.map_or_else(|| "not known".to_owned(), |day| day.to_string());
    let by_level = |text: &dyn Fn(&GroupReview) -> String| {
        let levels = comparison.levels.iter().map(|level| format!("{}: {}", level.group.label, text(&level.group)));
        format!("{}.", levels.collect::<Vec<_>>().join("; "))
    };
    let factor = comparison.factor.label.to_lowercase();
    let adjusted = comparison.adjusted.computed();
    let findings = comparison.verdicts.iter().map(|verdict| verdict_text(comparison, verdict).finding);
    vec![
        (
            "3 Objectives",
            format!(
                "Whether {} goes with {factor}; a difference of {:.1} % by {} is taken to matter, as the protocol says.",
                comparison.endpoint.title.to_lowercase(),
                comparison.relevant_difference.value() * 100.0,
                span(comparison.headline_day)
            ),
        ),
        (
            "4 Study design",
            "Cohort of restorations within patients, from routine records; not randomised, not matched.".to_owned(),
        ),
        (
            "5 Setting",
            format!("Records from {} to {}; places and people by hand.", days(comparison.first_day), days(comparison.last_day)),
        ),
        (
            "6 Participants",
            "Every restoration recorded; who was left out, and why, is in the flow diagram. Followed at recalls until failure, another ending, or the last visit.".to_owned(),
        ),
        (
            "7 Variables",
            format!(
                "Exposure: {factor}. {} What may confound: {}.",
                comparison.endpoint.definition,
                adjusted.map_or_else(|| "nothing was adjusted".to_owned(), |adjusted| listed(&adjusted.adjusted_for))
            ),
        ),
        (
            "8 Data sources",
            "As entered at placement and at recalls, on the scales of the records; whether examiners knew the level, by hand.".to_owned(),
        ),
        (
            "9 Bias",
            "How levels differ, recall by level, calendar and operators are shown; what weakens a number is named beside it.".to_owned(),
        ),
        ("10 Study size", "As many as there are; how many more would settle it is said with each verdict.".to_owned()),
        ("11 Quantitative variables", "Numbers as they are; grades and kinds by level, rare ones put together.".to_owned()),
        ("12a Statistical methods", "The paragraph above.".to_owned()),
        ("12b Subgroups", "None.".to_owned()),
        (
            "12c Missing data",
            adjusted.map_or_else(
                || "Counted in the balance table.".to_owned(),
                |adjusted| {
                    format!(
                        "{} without a covariate left out of adjusted numbers; missing values counted in the balance table.",
                        counted(adjusted.left_out, "restoration", "restorations")
                    )
                },
            ),
        ),
        (
            "12d Loss to follow-up",
            "Censored at the last visit that showed the filling; recall by level in the flow diagram.".to_owned(),
        ),
        (
            "12e Sensitivity",
            match adjusted {
                Some(_) => "Regression beside weighting; within patients; failures taken between visits; how strong an unmeasured difference would have to be.",
                None => "Within patients; failures taken between visits.",
            }
            .to_owned(),
        ),
        ("13 Participants at each stage", "The flow diagram.".to_owned()),
        ("14a, b Descriptive data", "“What is compared”, with missing values counted.".to_owned()),
        (
            "14c Follow-up",
            format!(
                "Median, by reverse Kaplan–Meier. {}",
                by_level(&|group| known(&group.median_follow_up_days, |day| span(*day)))
            ),
        ),
        (
            "15 Outcome data",
            by_level(&|group| {
                format!(
                    "{} in {:.0} years at risk",
                    counted(group.behind.failures, "failure", "failures"),
                    group.exposure_years.count()
                )
            }),
        ),
        (
            "16 Main results",
            match adjusted {
                Some(_) => "Crude and adjusted, absolute and relative, with intervals.",
                None => "Crude, absolute and relative, with intervals; nothing was adjusted.",
            }
            .to_owned(),
        ),
        ("17 Other analyses", "Within patients; between visits; criteria; all factors together.".to_owned()),
        ("18 Key results", findings.collect::<Vec<_>>().join(" ")),
        ("19 Limitations", "“What weakens it”, and the same beside each number on the page.".to_owned()),
        ("20 Interpretation", "“What may be said”, in words that fixed rules of the program choose.".to_owned()),
        ("To be filled in by hand", "1 title and abstract, 2 background, 21 generalisability, 22 funding.".to_owned()),
    ]
}

/// The hand-out in Markdown: verdicts, what weakens them, flow, methods, items.
pub fn hand_out(comparison: &Comparison) -> String {
    let mut text = format!(
        "# {}\n\nRecords as they stood on {}.\n\n## What may be said\n\n",
        plain(&comparison.title),
        comparison.as_of
    );
    for verdict in &comparison.verdicts {
        let said = verdict_text(comparison, verdict);
        text.push_str(&format!("**{}**", plain(&said.finding)));
        for part in said.sentences().skip(1) {
            text.push_str(&format!(" {}", plain(part)));
        }
        text.push_str("\n\n");
        for published in said.published {
            text.push_str(&format!("- {}\n", plain(&published)));
        }
        text.push('\n');
    }
    text.push_str(&format!("> {STANDING_CAUTION}\n\n## What weakens it\n\n"));
    for guard in guard_texts(comparison.guards.iter(), &comparison.factor.label, Readers::Practice) {
        text.push_str(&format!("- {}\n", plain(&guard)));
    }
    text.push_str(&levels_table(comparison));
    text.push_str(&adjusted_table(comparison));
    text.push_str("\n## From records to results\n\n");
    for step in flow_steps(comparison) {
        text.push_str(&format!("1. {}\n", plain(&step.text)));
        for out in step.left_out {
            text.push_str(&format!("   - left out: {}\n", plain(&out)));
        }
    }
    text.push('\n');
    for branch in flow_branches(comparison) {
        text.push_str(&format!("- **{}**\n", plain(&branch.title)));
        for line in branch.lines {
            text.push_str(&format!("   - {}\n", plain(&line)));
        }
    }
    text.push_str(&format!("\n## Methods\n\n{}\n\n## Items of a cohort report (STROBE; von Elm et al., Lancet 2007;370:1453–1457)\n\n| item | here |\n| --- | --- |\n", plain(&methods(comparison, Readers::Practice))));
    for (item, here) in reporting_items(comparison) {
        text.push_str(&format!("| {item} | {} |\n", plain(&here)));
    }
    text
}

/// The day at which the verdicts read survival; the headline's where they read none.
fn day_read(comparison: &Comparison) -> Days {
    comparison.verdicts.iter().filter_map(|verdict| verdict.day).max().unwrap_or(comparison.headline_day)
}

/// The levels with what stands behind them, as a table of Markdown.
fn levels_table(comparison: &Comparison) -> String {
    let mut text = format!(
        "\n## What is compared\n\n| level | restorations | patients | failures | years at risk | {} after {}, not adjusted ({}) |\n| --- | ---: | ---: | ---: | ---: | ---: |\n",
        comparison.endpoint.survival_title.to_lowercase(),
        span(day_read(comparison)),
        interval_word(comparison.confidence_level)
    );
    for level in &comparison.levels {
        let group = &level.group;
        let survival = group.horizon(day_read(comparison)).map_or_else(
            || "not asked for".to_owned(),
            |horizon| {
                if horizon.few_at_risk {
                    return "too few still followed".to_owned();
                }
                known(&horizon.survival, |survival| {
                    format!("{} ({})", percent(survival.value), interval_text(&survival.interval, percent_interval))
                })
            },
        );
        text.push_str(&format!(
            "| {} | {} | {} | {} | {:.0} | {survival} |\n",
            plain(&group.label),
            count(group.behind.observations),
            count(group.behind.clusters),
            count(group.behind.failures),
            group.exposure_years.count()
        ));
    }
    text
}

/// Each level against the reference with and without adjustment, on the same restorations, as a table of Markdown.
fn adjusted_table(comparison: &Comparison) -> String {
    let Some(adjusted) = comparison.adjusted.computed() else { return String::new() };
    let mut text = format!(
        "\n## Against {}\n\nDifference of survival at {} in per cent points, and hazard ratio, with {}s, on the {} with all that is adjusted for.\n\n| level | not adjusted | by weighting | by regression | hazard ratio, weighted | hazard ratio, regression |\n| --- | ---: | ---: | ---: | ---: | ---: |\n",
        plain(comparison.label(comparison.reference)),
        span(day_read(comparison)),
        interval_word(comparison.confidence_level),
        counted(adjusted.restorations, "restoration", "restorations")
    );
    for pair in &adjusted.pairs {
        let at_headline = |survival: &[Known<SurvivalContrast>]| {
            let at = |one: &&Known<SurvivalContrast>| one.known().is_some_and(|one| one.horizon == day_read(comparison));
            survival
                .iter()
                .find(at)
                .and_then(Known::known)
                .map_or_else(|| "too few still followed".to_owned(), |one| difference_text(&one.difference))
        };
        let regression = pair.regression.computed();
        text.push_str(&format!(
            "| {} | {} | {} | {} | {} | {} |\n",
            plain(comparison.label(pair.level)),
            at_headline(&pair.crude.survival),
            at_headline(&pair.weighted.survival),
            regression.map_or_else(|| "no estimate".to_owned(), |found| at_headline(&found.survival)),
            known(&pair.weighted.hazard_ratio, |ratio| ratio_text(&ratio.coefficient.hazard_ratio)),
            regression.map_or_else(|| "no estimate".to_owned(), |found| ratio_text(&found.hazard_ratio.hazard_ratio))
        ));
    }
    text
}

/// Text from records as plain text of Markdown: what could be markup is escaped.
pub(super) fn plain(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        if matches!(letter, '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '|' | '#') {
            escaped.push('\\');
        }
        escaped.push(if letter.is_control() { ' ' } else { letter });
    }
    escaped
}
