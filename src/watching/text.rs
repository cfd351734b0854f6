//! What was watched as text: the answer, the path, the funnel, what to be careful about.

use std::fmt::Write as _;

use super::answer::{NamedFunnel, WatchAnswers};
use super::judged::Judged;
use super::sentence;
use crate::estimate::section::{Section, digits, why_not_known};
use crate::quantity::{ConfidenceLevel, Fraction, Known};
use crate::stats::{FunnelLimits, FunnelPlace};
use crate::wording::{count, counted, escape_terminal, percent, span};

/// All of it.
pub fn table(answers: &WatchAnswers) -> String {
    let mut text = format!("{}\n\n", answers.answer);
    let whose = if answers.asked.roles.cluster.is_some() {
        format!(" in {}", counted(answers.behind.clusters, "patient", "patients"))
    } else {
        ", each taken as a patient of its own".to_owned()
    };
    let _ = writeln!(
        text,
        "{} received; {}{whose}, followed from {} to {}.",
        counted(answers.rows, "row", "rows"),
        counted(answers.behind.observations, "restoration", "restorations"),
        answers.first_day,
        answers.last_day
    );
    for left in &answers.left_out {
        let _ = writeln!(text, "Left out: {}, {}.", counted(left.rows, "row", "rows"), left.reason);
    }
    let _ = write!(text, "\n{}", path(answers).text());
    if let Some(named) = &answers.funnel {
        let _ = write!(
            text,
            "\n{}",
            funnel(named, "Units side by side: failures seen by those expected, 1 if as the benchmark", "ratio").text()
        );
    }
    if let Some(judged) = &answers.judged {
        let _ = write!(text, "\n{}", judged_section(judged).text());
        if let Some(named) = &judged.funnel {
            let _ =
                write!(text, "\n{}", funnel(named, "Units side by side: shares failed by the time judged", "share").text());
        }
    }
    text.push_str("\nMind\n");
    for line in &answers.cautions {
        let _ = writeln!(text, "  - {line}");
    }
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}

/// The path: its first and last day, the last failure of each year, and the signals. The JSON has every day with a failure.
fn path(answers: &WatchAnswers) -> Section {
    let path = &answers.path;
    let title = format!("Cumulative sum, looking for {} times the failures of the benchmark", digits(path.ratio, 4));
    let mut section = Section::new(title, &["day", "failures", "expected", "excess", "sum", ""]);
    for (place, point) in path.points.iter().enumerate() {
        let ends_year = path.points.get(place + 1).is_none_or(|next| next.day.year() > point.day.year());
        if place > 0 && !ends_year && !point.signal {
            continue;
        }
        section.row(vec![
            point.day.to_string(),
            count(point.observed),
            digits(point.expected, 4),
            digits(point.excess, 3),
            digits(point.sum, 4),
            if point.signal { "signal" } else { "" }.to_owned(),
        ]);
    }
    section.note(sentence::limit(answers));
    section
}

const fn place(place: FunnelPlace) -> &'static str {
    match place {
        FunnelPlace::DescribedOnly => "described only",
        FunnelPlace::FarBelow => "far fewer",
        FunnelPlace::Below => "fewer",
        FunnelPlace::Within => "as expected",
        FunnelPlace::Above => "more",
        FunnelPlace::FarAbove => "far more",
    }
}

fn limits(limits: Option<FunnelLimits>) -> String {
    let Some(limits) = limits else { return String::new() };
    let side = |side: Known<f64>| match side {
        Known::Known(value) => digits(value, 3),
        Known::NotKnown(_) => "none".to_owned(),
    };
    format!("{} to {}", side(limits.lower), side(limits.upper))
}

/// Restorations judged once: how many failed, and where the sum signalled.
fn judged_section(judged: &Judged) -> Section {
    let mut section = Section::new(
        format!("Each restoration judged once, {} after it was placed", span(judged.after)),
        &["judged", "failed", "expected", "share failed", "share expected", "highest sum", "limit", "signals"],
    );
    let days: Vec<String> = judged.signal_days.iter().map(ToString::to_string).collect();
    section.row(vec![
        count(judged.judged),
        count(judged.path.observed),
        digits(judged.path.expected, 4),
        percent(Fraction::new(judged.path.observed as f64 / judged.as_cases)),
        percent(judged.expected_share),
        digits(judged.path.highest, 4),
        digits(judged.limit.limit, 4),
        if days.is_empty() { "none".to_owned() } else { days.join(", ") },
    ]);
    section.note(format!(
        "Odds {} times the benchmark's are looked for, case by case in the order of the days judged; with the benchmark true, {} of {} drawn sequences exceed the limit.",
        digits(judged.path.odds_ratio, 4),
        percent(judged.limit.false_alarms),
        count(u64::from(judged.limit.replicates.count))
    ));
    if judged.in_part > 0 {
        section.note(format!(
            "{} followed for less, without a failure: each counts as the part of a case that the benchmark lets fail by its last day ({} cases in all). The share is right if those lost to sight would have fared like the others.",
            counted(judged.in_part, "restoration was", "restorations were"),
            digits(judged.as_cases, 4)
        ));
    }
    if judged.not_judged > 0 {
        section.note(format!(
            "Not judged: {}, placed early enough but followed only from a later day on, or too shortly to tell anything.",
            counted(judged.not_judged, "restoration", "restorations")
        ));
    }
    section
}

fn funnel(named: &NamedFunnel, title: &str, value: &str) -> Section {
    let head = |of: fn(&crate::stats::FunnelUnit) -> Option<FunnelLimits>, usual: &str| {
        let level = named.funnel.units.iter().find_map(of).map(|limits| limits.level);
        level.map_or_else(
            || usual.to_owned(),
            |level: ConfidenceLevel| format!("{} % limits", digits(level.value() * 100.0, 4)),
        )
    };
    let (inner, outer) = (head(|unit| unit.inner, "inner limits"), head(|unit| unit.outer, "outer limits"));
    let mut section = Section::new(
        title,
        &["unit", "restorations", "patients", "failures", "expected", value, &inner, &outer, "failures are"],
    );
    for (name, unit) in named.names.iter().zip(&named.funnel.units) {
        section.row(vec![
            name.clone(),
            count(unit.observations),
            count(unit.clusters),
            count(unit.observed),
            digits(unit.expected, 3),
            match unit.value {
                Known::Known(value) => digits(value, 3),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            },
            limits(unit.inner),
            limits(unit.outer),
            place(unit.place).to_owned(),
        ]);
    }
    section.note("By name, never by rank; “none” where chance alone explains even no failure.");
    section
}
