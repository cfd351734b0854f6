//! The answers as readable tables.

use std::fmt::Write as _;

use super::answer::{ScoreAnswers, sections};
use super::data::MOST_CODES;
use crate::wording::{count, counted, escape_terminal};

/// All answers.
pub fn table(answers: &ScoreAnswers) -> String {
    let (asked, used) = (&answers.asked, &answers.table_used);
    let mut text = String::new();
    let told = match (asked.clustered, &asked.roles.cluster, &asked.roles.subject) {
        (true, Some(_), _) => "those of a cluster may share their fate".to_owned(),
        (true, None, Some(subject)) => format!("the clusters are those of {subject}: scores of one may hang together"),
        (_, Some(_), _) => "all rows taken as independent, though clusters are named".to_owned(),
        _ => "no clusters named, all rows taken as independent".to_owned(),
    };
    let _ = writeln!(
        text,
        "{} received, {} used; {}; {told}.",
        counted(used.rows, "row", "rows"),
        count(used.used),
        counted(used.clusters, "cluster", "clusters")
    );
    for left in &used.left_out {
        let _ = writeln!(text, "Left out: {}, {}.", counted(left.rows, "row", "rows"), left.reason);
    }
    if used.levels.len() <= MOST_CODES {
        let _ = writeln!(text, "Scores in ascending order: {}.", used.levels.join(", "));
    }
    for section in sections(answers) {
        let _ = write!(text, "\n{}", section.text());
    }
    text.push_str("\nMind: these numbers describe the rows given.");
    if used.groups.len() > 1 {
        text.push_str(
            " Unless it was drawn by lot who is in which group, groups may differ in what else decides the score.",
        );
    }
    text.push_str(" Small numbers say little.\n");
    // What came from the table may hold anything; line breaks are ours.
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}
