//! Findings as text for a terminal or a pipe: worst first, at most so many of a kind and file in full, the rest counted.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::finding_page_text::explaining_command;
use crate::finding::{Finding, Findings, Severity};
use crate::wording::{count, counted, escape_terminal, shorten};

/// How many findings of one kind and file are printed in full.
const SHOWN_OF_A_KIND: u64 = 5;

/// All findings of a severity as text.
pub fn findings_text(findings: &Findings, severity: Severity) -> String {
    let mut text = String::new();
    let mut explained = BTreeSet::new();
    let mut run: (Option<&Finding>, u64) = (None, 0);
    for finding in findings.sorted().into_iter().filter(|finding| finding.kind.severity() == severity) {
        let same = run.0.is_some_and(|last| last.kind == finding.kind && last.place.file == finding.place.file);
        if !same {
            close(&mut text, run, findings);
            run = (Some(finding), 0);
        }
        run.1 += 1;
        if run.1 <= SHOWN_OF_A_KIND {
            one(&mut text, finding, !explained.contains(&finding.kind));
            explained.insert(finding.kind);
        }
    }
    close(&mut text, run, findings);
    text
}

/// One finding; the first of its kind says where to read more.
fn one(text: &mut String, finding: &Finding, first: bool) {
    let place = &finding.place;
    let mut head = escape_terminal(&place.file).into_owned();
    if let Some(row) = place.row {
        let _ = write!(head, ", row {row}");
    }
    if let Some(column) = &place.column {
        let _ = write!(head, ", column {}", escape_terminal(column));
    }
    if let Some(value) = &finding.value {
        let _ = write!(head, ": {}", shorten(&escape_terminal(value), 60));
    }
    let more = if first { format!(" · to read more: {}", explaining_command(finding.kind)) } else { String::new() };
    let _ = writeln!(
        text,
        "{head}\n  {}\n  Mend: {}\n  {}{more}",
        escape_terminal(&finding.what),
        escape_terminal(&finding.mend),
        finding.kind.code()
    );
}

/// Ends a run of findings of one kind and file: says how many more there are.
fn close(text: &mut String, (first, met): (Option<&Finding>, u64), findings: &Findings) {
    let Some(first) = first else { return };
    let all = findings.count(first.kind, &first.place.file).max(met);
    if all > SHOWN_OF_A_KIND {
        let _ = writeln!(text, "  … and {} more like it in this file", count(all - SHOWN_OF_A_KIND));
    }
    text.push('\n');
}

/// A line that counts: `7 errors (not-a-day 5, cell-missing 2)`.
pub fn findings_count(findings: &Findings, severity: Severity) -> String {
    let kinds: Vec<String> = findings
        .by_kind()
        .into_iter()
        .filter(|(kind, _)| kind.severity() == severity)
        .map(|(kind, times)| format!("{} {}", kind.code(), count(times)))
        .collect();
    let (one, many) = if severity == Severity::Error { ("error", "errors") } else { ("caution", "cautions") };
    format!("{} ({})", counted(findings.total(severity), one, many), kinds.join(", "))
}
