//! Findings as a file: JSON for machines, CSV to lay beside the records in a spreadsheet.
//!
//! Both hold the findings kept in full and count the rest. In the CSV, text from the records is defused for spreadsheets, and a
//! byte order mark in front tells them that the text is UTF-8.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::{fs, io};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::finding::{Finding, FindingKind, Findings, Severity};
use crate::wording::csv_cell;

/// How each form begins; only a file that begins so is replaced.
const CSV_HEAD: &str = "\u{feff}file,row,column,value,severity,code,what,mend\n";
const JSON_HEAD: &str = "{\n  \"finding_counts\":";

/// All findings of a run, for machines.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FindingsDocument {
    /// How many there are, by severity.
    pub finding_counts: SeverityCounts,
    /// How many there are of each kind, gravest first.
    pub kinds: Vec<KindCount>,
    /// The findings kept in full, gravest kind first, then by file and row. Of a kind and file only so many are kept.
    pub findings: Vec<Finding>,
}

/// Findings counted by severity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SeverityCounts {
    /// Those that stop a review.
    pub error: u64,
    /// Those that don't.
    pub caution: u64,
}

/// Findings of one kind, counted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KindCount {
    /// The kind.
    pub kind: FindingKind,
    /// How grave it is.
    pub severity: Severity,
    /// What it is, in a few words.
    pub title: String,
    /// How many there are.
    pub count: u64,
    /// How many of them are listed in full.
    pub listed: u64,
}

/// Why findings were not written.
#[derive(Debug)]
pub enum FindingsFileError {
    /// The name ends neither in .json nor in .csv.
    UnknownForm(PathBuf),
    /// Something else is there.
    Foreign(PathBuf),
    /// The system refused.
    Refused(PathBuf, io::Error),
}

impl std::fmt::Display for FindingsFileError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::UnknownForm(path) => {
                write!(
                    f,
                    "{}: findings are written as .json or .csv. Mend: end the file's name in one of these.",
                    path.display()
                )
            }
            Self::Foreign(path) => write!(
                f,
                "{} is there already and is no list of findings, so it is not written over. Mend: choose another name.",
                path.display()
            ),
            Self::Refused(path, error) => {
                write!(f, "{} can't be written: {error}. Mend: choose another name or folder.", path.display())
            }
        }
    }
}

impl std::error::Error for FindingsFileError {}

/// The findings as a document.
pub fn findings_document(findings: &Findings) -> FindingsDocument {
    let sorted = findings.sorted();
    let listed = |kind| sorted.iter().filter(|finding| finding.kind == kind).count() as u64;
    let kinds = findings
        .by_kind()
        .into_iter()
        .map(|(kind, count)| KindCount {
            kind,
            severity: kind.severity(),
            title: kind.title().to_owned(),
            count,
            listed: listed(kind),
        })
        .collect();
    FindingsDocument {
        finding_counts: SeverityCounts {
            error: findings.total(Severity::Error),
            caution: findings.total(Severity::Caution),
        },
        kinds,
        findings: sorted.into_iter().cloned().collect(),
    }
}

/// The findings as JSON, after `schemas/findings.schema.json`.
pub fn findings_json(findings: &Findings) -> String {
    let mut text = serde_json::to_string_pretty(&findings_document(findings)).unwrap_or_default();
    text.push('\n');
    text
}

/// The findings as CSV with a byte order mark. Where not all of a kind and file are listed, a last row says how many more there
/// are.
pub fn findings_csv(findings: &Findings) -> String {
    let sorted = findings.sorted();
    let mut text = CSV_HEAD.to_owned();
    let mut told = BTreeSet::new();
    for (place, finding) in sorted.iter().enumerate() {
        let at = &finding.place;
        let row = at.row.map(|row| row.to_string()).unwrap_or_default();
        let (column, value) = (at.column.as_deref().unwrap_or(""), finding.value.as_deref().unwrap_or(""));
        push_row(&mut text, finding.kind, [&at.file, &row, column, value], &finding.what, &finding.mend);
        let alike = |other: &&Finding| other.kind == finding.kind && other.place.file == at.file;
        if !sorted.get(place + 1).is_some_and(&alike) && told.insert((finding.kind, &at.file)) {
            let listed = sorted.iter().filter(|other| alike(other)).count() as u64;
            let more = findings.count(finding.kind, &at.file).saturating_sub(listed);
            if more > 0 {
                let what = format!("There are {more} more like it in this file, counted and not listed.");
                push_row(&mut text, finding.kind, [&at.file, "", "", ""], &what, "Mend those listed, and run it again.");
            }
        }
    }
    text
}

fn push_row(text: &mut String, kind: FindingKind, place: [&str; 4], what: &str, mend: &str) {
    let severity = match kind.severity() {
        Severity::Error => "error",
        Severity::Caution => "caution",
    };
    let [file, row, column, value] = place;
    let cells = [file, row, column, value, severity, kind.code(), what, mend].map(csv_cell);
    text.push_str(&cells.join(","));
    text.push('\n');
}

/// Writes findings to a file, in the form that its name ends in: `.json` or `.csv`. An earlier list of findings there is
/// replaced, and nothing else is.
///
/// # Errors
/// When the name ends in something else, when another file is there, or when the system refuses.
pub fn write_findings(path: &Path, findings: &Findings) -> Result<(), FindingsFileError> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    let (head, text) = match ending.as_deref() {
        Some("json") => (JSON_HEAD, findings_json(findings)),
        Some("csv") => (CSV_HEAD, findings_csv(findings)),
        _ => return Err(FindingsFileError::UnknownForm(path.to_owned())),
    };
    match fs::read(path) {
        Ok(there) if !there.is_empty() && !there.starts_with(head.as_bytes()) => {
            return Err(FindingsFileError::Foreign(path.to_owned()));
        }
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            return Err(FindingsFileError::Refused(path.to_owned(), error));
        }
        _ => {}
    }
    fs::write(path, text).map_err(|error| FindingsFileError::Refused(path.to_owned(), error))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::{KEPT_OF_A_KIND, Place};

    fn some() -> Findings {
        let mut findings = Findings::default();
        let at = Place::cell("visits.csv", 3, "visited_on");
        findings.note(FindingKind::NotADay, at, Some("=1+1,\n\"x\""), "No day.", "Write one.");
        findings.note(FindingKind::PrimaryTooth, Place::row("a.csv", 2), None, "A primary tooth.", "Leave it.");
        findings
    }

    #[test]
    fn the_heads_are_those_of_what_is_written() {
        assert!(findings_json(&Findings::default()).starts_with(JSON_HEAD));
        let columns = crate::finding::FINDING_COLUMNS.join(",");
        assert_eq!(findings_csv(&Findings::default()), format!("\u{feff}{columns}\n"));
    }

    #[test]
    fn a_csv_reader_gets_every_cell_back_and_formulas_are_defused() {
        let text = findings_csv(&some());
        let mut reader = csv::Reader::from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
        assert_eq!(rows.len(), 2);
        assert_eq!(
            rows[0].iter().collect::<Vec<_>>(),
            ["visits.csv", "3", "visited_on", "'=1+1,\n\"x\"", "error", "not-a-day", "No day.", "Write one."]
        );
        assert_eq!(&rows[1][4], "caution");
    }

    #[test]
    fn json_reads_back_as_the_same_document() {
        let document = findings_document(&some());
        assert_eq!(document.finding_counts, SeverityCounts { error: 1, caution: 1 });
        assert_eq!(serde_json::from_str::<FindingsDocument>(&findings_json(&some())).expect("it reads"), document);
    }

    #[test]
    fn what_is_not_listed_is_counted() {
        let mut findings = some();
        for row in 0..KEPT_OF_A_KIND + 7 {
            findings.note(FindingKind::NotADay, Place::row("b.csv", row), Some("x"), "No day.", "Write one.");
        }
        let csv = findings_csv(&findings);
        assert!(csv.contains("b.csv,,,,error,not-a-day,\"There are 7 more like it in this file, counted and not listed.\""));
        assert_eq!(csv.matches("more like it").count(), 1);
        let kind = findings_document(&findings).kinds.swap_remove(0);
        assert_eq!((kind.count, kind.listed), (KEPT_OF_A_KIND + 8, KEPT_OF_A_KIND + 1));
    }

    #[test]
    fn only_an_earlier_list_is_written_over() {
        let folder = tempfile::tempdir().expect("a folder");
        for name in ["f.csv", "f.JSON"] {
            let path = folder.path().join(name);
            write_findings(&path, &some()).expect("written");
            write_findings(&path, &Findings::default()).expect("replaced");
            fs::write(&path, "restoration_id,visited_on\n").expect("written");
            let error = write_findings(&path, &some()).expect_err("foreign").to_string();
            assert!(error.contains("is no list of findings"), "{error}");
            assert!(fs::read_to_string(&path).expect("there").starts_with("restoration_id"), "it is untouched");
        }
        let error = write_findings(&folder.path().join("f.txt"), &some()).expect_err("no such form").to_string();
        assert!(
            error.ends_with("findings are written as .json or .csv. Mend: end the file's name in one of these."),
            "{error}"
        );
        let error = write_findings(&folder.path().join("no/such/f.csv"), &some()).expect_err("no folder").to_string();
        assert!(error.contains("can't be written"), "{error}");
    }
}
