//! The pages of findings as text for a terminal: one page, and the list of all.

use std::fmt::Write as _;

use crate::finding::{FindingKind, Severity};
use crate::finding_page::finding_page;

/// Lines are no longer than this.
const WIDTH: usize = 88;

/// The command that prints a kind's page: `manebit explain not-a-day`.
pub fn explaining_command(kind: FindingKind) -> String {
    format!("manebit explain {}", kind.code())
}

/// The page of a kind.
pub fn finding_page_text(kind: FindingKind) -> String {
    let page = finding_page(kind);
    let effect = match kind.severity() {
        Severity::Error => "an error: the review stops until it is mended.",
        Severity::Caution => "a caution: the review goes on and counts it.",
    };
    let mut text = String::new();
    let _ = writeln!(text, "{}\n{}, {effect}", kind.title(), kind.code());
    for (heading, part) in [("What it is", page.about), ("Why it matters", page.matters), ("How to mend it", page.mend)] {
        let _ = writeln!(text, "\n{heading}");
        for line in lines(part, WIDTH - 2) {
            let _ = writeln!(text, "  {line}");
        }
    }
    if let Some((found, mended)) = page.example {
        let _ = writeln!(text, "\nExample\n  found:   {found}\n  mended:  {mended}");
    }
    text
}

/// All kinds with their titles, errors first, then cautions.
pub fn finding_list_text() -> String {
    let widest = FindingKind::ALL.iter().map(|kind| kind.code().len()).max().unwrap_or(0);
    let mut text = String::new();
    for (severity, heading) in [
        (Severity::Error, "Errors: a review stops until they are mended."),
        (Severity::Caution, "Cautions: a review goes on and counts them."),
    ] {
        let _ = writeln!(text, "{heading}");
        for kind in FindingKind::ALL.iter().filter(|kind| kind.severity() == severity) {
            let _ = writeln!(text, "  {:widest$}  {}", kind.code(), kind.title());
        }
        text.push('\n');
    }
    text.push_str("“manebit explain CODE” says more of one of them.\n");
    text
}

/// A text in lines of at most so many characters, broken between words.
fn lines(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_and_lose_none() {
        let text = "one two three four five six seven";
        let broken = lines(text, 10);
        assert_eq!(broken, ["one two", "three four", "five six", "seven"]);
        assert_eq!(broken.join(" "), text);
        assert_eq!(lines("", 10), [""; 0]);
        assert_eq!(lines("incomprehensibilities", 5), ["incomprehensibilities"]);
    }

    #[test]
    fn no_line_of_a_page_is_too_long() {
        for &kind in FindingKind::ALL {
            let text = finding_page_text(kind);
            assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        }
    }
}
