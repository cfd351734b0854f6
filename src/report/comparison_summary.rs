//! A comparison for the terminal: what may be said, what weakens it, where to look.

use std::path::Path;

use super::caution_text::STANDING_CAUTION;
use super::folder::COMPARISON_PAGE;
use super::guard_text::guard_texts;
use super::verdict_text::verdict_text;
use crate::result::Comparison;
use crate::wording::{Readers, counted, escape_terminal};

/// What `compare` says; `out` is the folder that it wrote.
pub fn comparison_summary(comparison: &Comparison, out: &Path) -> String {
    let mut text = format!("{}\nRecords as they stood on {}.\n", escape_terminal(&comparison.title), comparison.as_of);
    for level in &comparison.levels {
        text.push_str(&format!(
            "  {}: {} in {}, {}\n",
            escape_terminal(&level.group.label),
            counted(level.group.behind.observations, "restoration", "restorations"),
            counted(level.group.behind.clusters, "patient", "patients"),
            counted(level.group.behind.failures, "failure", "failures")
        ));
    }
    if comparison.verdicts.is_empty() {
        text.push_str("\nThere is only one level: nothing to compare.\n");
    }
    for verdict in &comparison.verdicts {
        let said = verdict_text(comparison, verdict);
        text.push('\n');
        for part in said.sentences() {
            text.push_str(&format!("{}\n", escape_terminal(part)));
        }
        for part in said.published {
            text.push_str(&format!("  {}\n", escape_terminal(&part)));
        }
    }
    text.push_str("\nMind:\n");
    for guard in guard_texts(comparison.guards.iter(), &comparison.factor.label, Readers::Practice) {
        text.push_str(&format!("  - {}\n", escape_terminal(&guard)));
    }
    text.push_str(&format!("  - {STANDING_CAUTION}\n\n"));
    text.push_str(&format!("The comparison is in {}; open {}.\n", out.display(), out.join(COMPARISON_PAGE).display()));
    text
}
