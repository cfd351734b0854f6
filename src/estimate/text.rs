//! The answers as readable tables.

use std::fmt::Write as _;

use super::answer::Answers;
use super::columns::{Columns, SHOWN};
use super::section::digits;
use crate::quantity::Variance;
use crate::stats::SurvivalIntervalMethod;
use crate::wording::{count, counted, escape_terminal};

/// On which scale an interval is symmetric.
pub const fn scale(method: SurvivalIntervalMethod) -> &'static str {
    match method {
        SurvivalIntervalMethod::ComplementaryLogLog => "ln(−ln S)",
        SurvivalIntervalMethod::Log => "ln S",
        SurvivalIntervalMethod::Plain => "S",
        SurvivalIntervalMethod::Logit => "ln(S/(1 − S))",
        SurvivalIntervalMethod::ArcsineSquareRoot => "the arcsine of √S",
    }
}

/// Cells that could not be read, with what to do.
pub fn unreadable(read: &Columns) -> String {
    let mut text = String::new();
    for cell in &read.unreadable {
        let _ = writeln!(
            text,
            "row {}, column {}: “{}” is not a number.",
            cell.row,
            escape_terminal(&cell.column),
            escape_terminal(&cell.value)
        );
    }
    if read.unreadable_count > SHOWN as u64 {
        let _ = writeln!(text, "… and {} more.", count(read.unreadable_count - SHOWN as u64));
    }
    let _ = writeln!(
        text,
        "{}. Nothing was estimated. Mend: write plain numbers such as 12 or 0.5; leave a cell empty if it is not known, or name with --empty what stands there.",
        counted(read.unreadable_count, "cell is no number", "cells are no numbers")
    );
    text
}

/// All answers.
pub fn table(answers: &Answers) -> String {
    let mut text = String::new();
    let used = &answers.table;
    let _ = writeln!(
        text,
        "{} received, {} used; {}; {}.",
        counted(used.rows, "row", "rows"),
        count(used.used),
        counted(used.clusters, "cluster", "clusters"),
        match (used.clusters_named, answers.asked.variance) {
            (true, Variance::ClusterRobust) => "those of a cluster may share their fate",
            (true, Variance::ModelBased) => "all rows taken as independent, though clusters are named",
            _ => "no clusters named, all rows taken as independent",
        }
    );
    for left in &used.left_out {
        let _ = writeln!(text, "Left out: {}, {}.", counted(left.rows, "row", "rows"), left.reason);
    }
    if let (Some(cause), Some((failure, competing))) = (&answers.asked.roles.cause, used.causes.split_first()) {
        let censored = &answers.asked.roles.censored;
        let others = if competing.is_empty() { String::new() } else { format!("; competing: {}", competing.join(", ")) };
        let lost = answers.asked.roles.lost.as_ref().map_or_else(String::new, |lost| format!(", {lost} is lost"));
        let _ = writeln!(text, "In {cause}, {failure} is a failure and {censored} is censored{lost}{others}.");
    }
    if let (Some(after), Some(by)) = (&answers.asked.roles.after, &answers.asked.roles.by) {
        let _ = writeln!(
            text,
            "A failure lies after {after} and at or before {by}; time followed ends when last seen in place."
        );
    }
    let mut groups = super::section::Section::new(
        "Rows",
        &["group", "rows", "clusters", "failures", "competing", "censored", "time followed", "last time"],
    );
    for group in &answers.groups {
        groups.row(vec![
            group.group.clone(),
            count(group.observations),
            count(group.clusters),
            count(group.failures),
            count(group.competing),
            count(group.censored),
            digits(group.followed, 7),
            group.last_time.map_or_else(String::new, |time| digits(time, 6)),
        ]);
    }
    let _ = write!(text, "\n{}", groups.text());
    for section in super::answer::sections(answers) {
        let _ = write!(text, "\n{}", section.text());
    }
    text.push_str(
        "\nMind: these numbers describe the rows given. Groups may differ in what else decides failure, and small numbers say little.\n",
    );
    escape_lines(&text)
}

/// What came from the table may hold anything; line breaks are ours.
fn escape_lines(text: &str) -> String {
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}
