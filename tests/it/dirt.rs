//! The folder of deliberately dirty files gives exactly the findings that its README lists.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use manebit::report::findings_file::FindingsDocument;

type Row = (String, String, String, String);

fn listed() -> BTreeSet<Row> {
    let readme = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/dirty/README.md")).expect("a README");
    let rows = readme.lines().filter(|line| line.starts_with("| ")).skip(2);
    rows.map(|line| {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        assert_eq!(cells.len(), 5, "{line}");
        assert!(!cells[4].is_empty(), "the dirt of each row is named: {line}");
        (cells[0].to_owned(), cells[1].to_owned(), cells[2].to_owned(), cells[3].to_owned())
    })
    .collect()
}

#[test]
fn dirty_files_give_exactly_the_findings_that_their_readme_lists() {
    let ground = tempfile::tempdir().expect("a folder");
    let list = ground.path().join("findings.json");
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
        .args(["check", "tests/dirty/records", "--findings"])
        .arg(&list)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("it runs");
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let document: FindingsDocument = serde_json::from_str(&fs::read_to_string(list).expect("a list")).expect("it reads");
    let mut found = BTreeSet::new();
    for finding in &document.findings {
        let place = &finding.place;
        let row = place.row.map(|row| row.to_string()).unwrap_or_default();
        let column = place.column.clone().unwrap_or_default();
        assert!(found.insert((place.file.clone(), row, column, finding.kind.code().to_owned())), "once each: {finding:?}");
    }
    let expected = listed();
    let missing: Vec<_> = expected.difference(&found).collect();
    let unexpected: Vec<_> = found.difference(&expected).collect();
    assert!(missing.is_empty() && unexpected.is_empty(), "missing {missing:#?}\nunexpected {unexpected:#?}");
    println!("{} findings in {} kinds, as listed", found.len(), document.kinds.len());
}
