//! `explain`: every kind of finding has its page, and who mistypes a code is led to it.

use manebit::finding::{FindingKind, Severity};

use crate::run::{Records, said};

fn explain(arguments: &[&str]) -> String {
    let records = Records::new(&[]);
    let output = records.run(&[&["explain"], arguments].concat());
    said(&records, &output)
}

#[test]
fn a_page_says_what_why_and_how() {
    insta::assert_snapshot!("help_of_explain", explain(&["--help"]));
    insta::assert_snapshot!("explain_ambiguous_date", explain(&["ambiguous-date"]));
    insta::assert_snapshot!("explain_legacy_undeclared", explain(&["Legacy_Undeclared"]));
}

#[test]
fn an_unknown_code_is_led_to_the_nearest() {
    insta::assert_snapshot!("explain_unknown_code", explain(&["not-a-dya"]));
    assert!(explain(&["\u{1b}[31m"]).contains("\\u{1b}"), "control characters are shown, not obeyed");
}

#[test]
fn the_list_names_every_code_errors_first() {
    let list = explain(&[]);
    assert!(list.starts_with("exit 0"), "{list}");
    let places: Vec<(Severity, usize)> = FindingKind::ALL
        .iter()
        .map(|kind| {
            let line = list.lines().position(|line| line.trim_start().starts_with(&format!("{} ", kind.code())));
            (kind.severity(), line.unwrap_or_else(|| panic!("{} is not listed", kind.code())))
        })
        .collect();
    let last_error = places.iter().filter(|(severity, _)| *severity == Severity::Error).map(|(_, line)| line).max();
    let first_caution = places.iter().filter(|(severity, _)| *severity == Severity::Caution).map(|(_, line)| line).min();
    assert!(last_error < first_caution);
    assert!(FindingKind::ALL.iter().all(|kind| list.contains(kind.title())));
}
