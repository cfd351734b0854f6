//! `explain`: what a finding is, why it matters, how to mend it.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use clap::Args;

use super::exit::Exit;
use super::say;
use crate::finding::FindingKind;
use crate::report::finding_page_text::{finding_list_text, finding_page_text};
use crate::wording::{escape_terminal, shorten};

/// Arguments of `explain`.
#[derive(Debug, Args)]
pub struct ExplainArguments {
    /// Code of a finding, as printed with it, such as not-a-day; without it all codes are listed.
    code: Option<String>,
}

/// Runs `explain`.
pub fn run(arguments: &ExplainArguments) -> Exit {
    let Some(written) = &arguments.code else {
        say(&finding_list_text());
        return Exit::Done;
    };
    let code = plain(written);
    if let Some(kind) = FindingKind::ALL.iter().find(|kind| kind.code() == code) {
        say(&finding_page_text(*kind));
        return Exit::Done;
    }
    let near = nearest(&code);
    let near = if near.is_empty() { String::new() } else { format!(" Nearest: {}.", near.join(", ")) };
    eprintln!(
        "No finding has the code {}.{near}\nMend: correct the code; “manebit explain” lists them all.",
        shorten(&escape_terminal(written), 60),
    );
    Exit::Usage
}

/// A code as people may write it, in the shape of codes.
fn plain(written: &str) -> String {
    written.trim().trim_matches(['(', ')', ':', '.']).to_lowercase().replace(['_', ' '], "-")
}

/// At most three codes that are most like this one: those that share a word first, then by how many letters would have to
/// change. What is like none gets none.
fn nearest(code: &str) -> Vec<&'static str> {
    let words = |text: &str| text.split('-').filter(|word| word.len() > 3).map(str::to_owned).collect::<Vec<_>>();
    let own = words(code);
    let mut codes: Vec<(bool, usize, &'static str)> = FindingKind::ALL
        .iter()
        .map(|kind| {
            let shares = words(kind.code()).iter().any(|word| own.contains(word));
            (!shares, changes(code, kind.code()), kind.code())
        })
        .filter(|&(apart, changes, found)| !apart || changes * 2 <= code.len().max(found.len()))
        .collect();
    // A slip of a letter or two weighs more than a shared word.
    codes.sort_by_key(|&(apart, changes, code)| (changes > 2, apart, changes, code));
    codes.into_iter().take(3).map(|(_, _, code)| code).collect()
}

/// How many letters must be put in, left out or exchanged to make one text the other (Levenshtein 1966), of at most 60 letters.
fn changes(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (place, letter) in one.chars().take(60).enumerate() {
        let mut before = row[0];
        row[0] = place + 1;
        for column in 0..other.len() {
            let exchange = before + usize::from(letter != other[column]);
            before = row[column + 1];
            row[column + 1] = exchange.min(before + 1).min(row[column] + 1);
        }
    }
    row[other.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_changed_are_counted() {
        assert_eq!(changes("", "abc"), 3);
        assert_eq!(changes("not-a-day", "not-a-day"), 0);
        assert_eq!(changes("kitten", "sitting"), 3);
        assert_eq!(changes("flaw", "lawn"), 2);
    }

    #[test]
    fn slips_and_half_remembered_codes_are_led_to_theirs() {
        assert_eq!(nearest("not-a-dya")[0], "not-a-day");
        assert!(nearest("death").contains(&"seen-after-death"));
        assert_eq!(nearest("columns-missing")[0], "column-missing");
        assert!(nearest("glue").is_empty() && nearest("").is_empty());
        assert_eq!(plain(" (Not_A day:"), "not-a-day");
    }
}
