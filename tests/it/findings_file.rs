//! Findings as files: what is written, and that the JSON keeps to its schema.

use manebit::finding::{FindingKind, Findings, Place};
use manebit::report::findings_file::{findings_csv, findings_json};

use crate::generated::valid;

/// A cell, a row, a file, a column of all files; a formula, a comma, a line break, an accent.
fn findings() -> Findings {
    let mut findings = Findings::default();
    let at = Place::cell("visits.csv", 118, "visited_on");
    findings.note(
        FindingKind::AmbiguousDate,
        at,
        Some("03/04/2022"),
        "Day and month can't be told apart: 2022-04-03 or 2022-03-04.",
        "Write it as year-month-day: 2022-04-03 or 2022-03-04.",
    );
    let at = Place::cell("Praxis Süd.csv", 7, "adhesive_class");
    findings.note(
        FindingKind::UnknownTerm,
        at,
        Some("=HYPERLINK(\"x\"),\nglue"),
        "This term is not in the table.",
        "Write one of: universal, …",
    );
    findings.note(
        FindingKind::IdenticalRow,
        Place::row("visits.csv", 9),
        None,
        "The row repeats an earlier one.",
        "Nothing to mend.",
    );
    findings.note(
        FindingKind::FileEmpty,
        Place::file("old.csv"),
        None,
        "The file holds no rows at all.",
        "Export it again.",
    );
    let at = Place { file: "all files".to_owned(), row: None, column: Some("room".to_owned()) };
    findings.note(FindingKind::OwnColumnMissing, at, None, "No file of placements has it.", "Correct the name.");
    findings
}

#[test]
fn findings_as_csv_and_as_json() {
    insta::assert_snapshot!("findings_csv", findings_csv(&findings()));
    insta::assert_snapshot!("findings_json", findings_json(&findings()));
}

#[test]
fn findings_keep_to_their_schema() {
    for findings in [findings(), Findings::default()] {
        let mut document: serde_json::Value = serde_json::from_str(&findings_json(&findings)).expect("JSON");
        valid("findings.schema.json", &document).expect("valid");
        document["finding_counts"]["error"] = serde_json::json!("many");
        assert!(valid("findings.schema.json", &document).is_err(), "a wrong type is noticed");
    }
}
