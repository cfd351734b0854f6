//! `template`: blank files whose headers are the records' columns, and a workbook that lets nothing but records be filled in.

use std::fs;
use std::io::Cursor;

use calamine::{Data, Range, Reader, Xlsx};
use manebit::record::{Cell, Coded, Column, PLACEMENT_COLUMNS, Scheme, Term, VISIT_COLUMNS};
use manebit::template::{TEMPLATE_NAMES, template_files};

use crate::run::{Records, said};
use crate::unzip::unzipped;

const KINDS: [(&str, &str, &[Column]); 2] =
    [("Placements", "sheet1", PLACEMENT_COLUMNS), ("Visits", "sheet2", VISIT_COLUMNS)];

fn workbook() -> Vec<u8> {
    template_files().expect("files").pop().expect("the workbook").bytes
}

fn opened() -> Xlsx<Cursor<Vec<u8>>> {
    Xlsx::new(Cursor::new(workbook())).expect("a workbook")
}

fn sheet(name: &str) -> Range<Data> {
    opened().worksheet_range(name).expect("a sheet")
}

fn names(columns: &[Column]) -> Vec<String> {
    columns.iter().map(|column| column.name.to_owned()).collect()
}

fn texts(row: &[Data]) -> Vec<String> {
    row.iter().map(ToString::to_string).collect()
}

#[test]
fn the_same_bytes_are_made_again() {
    let first: Vec<Vec<u8>> = template_files().expect("files").into_iter().map(|file| file.bytes).collect();
    // Longer than the two seconds that a zip archive's clock ticks in.
    std::thread::sleep(std::time::Duration::from_millis(2100));
    let again: Vec<Vec<u8>> = template_files().expect("files").into_iter().map(|file| file.bytes).collect();
    assert!(first == again);
    assert!(unzipped(&first[2], "docProps/core.xml").contains("2020-01-01T00:00:00Z</dcterms:created>"));
}

#[test]
fn headers_are_the_columns_of_the_records() {
    let files = template_files().expect("files");
    for (file, (sheet_name, _, columns)) in files.iter().zip(KINDS) {
        let text = std::str::from_utf8(&file.bytes).expect("UTF-8").strip_prefix('\u{feff}').expect("a byte order mark");
        assert_eq!(text, format!("{}\n", names(columns).join(",")));
        let filled = sheet(sheet_name);
        assert_eq!(filled.height(), 1, "nothing stands below the header");
        assert_eq!(texts(filled.rows().next().expect("a row")), names(columns));
    }
}

#[test]
fn every_term_is_on_the_sheet_of_terms_where_its_list_says() {
    let terms = sheet("Terms");
    let lists = opened().defined_names().to_vec();
    let mut checked = 0;
    for column in PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS) {
        let Cell::Term(expected) = column.cell else { continue };
        let name = format!("terms_{}", column.name);
        let (_, place) = lists.iter().find(|(found, _)| *found == name).expect("a list");
        let rows: Vec<u32> = place
            .strip_prefix("Terms!$B$")
            .expect("a place on the sheet")
            .split(":$B$")
            .map(|row| row.parse().expect("a row"))
            .collect();
        let found: Vec<String> =
            (rows[0]..=rows[1]).map(|row| terms.get_value((row - 1, 1)).expect("a term").to_string()).collect();
        assert_eq!(found, expected.iter().map(|term: &Term| term.code.to_owned()).collect::<Vec<_>>(), "{name}");
        let column_cell = |row: u32| terms.get_value((row - 1, 0)).expect("a column").to_string();
        assert!((rows[0]..=rows[1]).all(|row| column_cell(row) == column.name));
        checked += 1;
    }
    let named = lists.iter().filter(|(name, _)| name.starts_with("terms_")).count();
    assert_eq!(named, checked + 1, "the terms of each coded column, and the scores");
    let scores: Vec<String> = terms.rows().filter(|row| row[0] == "score").map(|row| row[1].to_string()).collect();
    assert_eq!(scores, ["A", "B", "C", "D", "1", "2", "3", "4", "5"]);
    assert!(terms.rows().any(|row| matches!(row[1], Data::Float(five) if (five - 5.0).abs() < 1e-9)), "digits are numbers");
}

#[test]
fn columns_and_criteria_are_all_explained() {
    let columns = sheet("Columns");
    let explained: Vec<String> = columns.rows().skip(1).map(|row| row[1].to_string()).collect();
    assert_eq!(explained, [names(PLACEMENT_COLUMNS), names(VISIT_COLUMNS)].concat());
    assert!(columns.rows().all(|row| row.iter().all(|cell| !cell.to_string().is_empty())));
    let criteria = sheet("Criteria");
    let levels: usize = (0..).map_while(Scheme::from_index).flat_map(Scheme::criteria).map(|entry| entry.levels.len()).sum();
    assert_eq!(criteria.height(), levels + 1);
    assert!(criteria.rows().all(|row| row.iter().all(|cell| !cell.to_string().is_empty())));
}

/// Every column but free text has one rule, down to the last row.
#[test]
fn cells_are_held_to_what_their_column_holds() {
    let book = workbook();
    for (name, file, columns) in KINDS {
        let xml = unzipped(&book, &format!("xl/worksheets/{file}.xml"));
        assert!(xml.contains("state=\"frozen\""), "{name}: the header is frozen");
        let rules: Vec<&str> = xml.split("<dataValidation ").skip(1).filter(|rule| rule.contains("1048576\"")).collect();
        for (place, column) in columns.iter().enumerate() {
            let letters = if place < 26 {
                char::from(b'A' + place as u8).to_string()
            } else {
                format!("A{}", char::from(b'A' + (place - 26) as u8))
            };
            let range = format!("sqref=\"{letters}2:{letters}1048576\"");
            let rule: Vec<&&str> = rules.iter().filter(|rule| rule.contains(&range)).collect();
            let holds = match column.cell {
                Cell::Text => {
                    assert!(rule.is_empty(), "{}", column.name);
                    continue;
                }
                Cell::Day => "type=\"date\"".to_owned(),
                Cell::Tooth | Cell::Grade { .. } => "type=\"whole\"".to_owned(),
                Cell::Number { possible, .. } => {
                    format!("<formula1>{}</formula1><formula2>{}</formula2>", possible.least, possible.most)
                }
                Cell::Term(_) => format!("<formula1>terms_{}</formula1>", column.name),
                Cell::Score(_) => "<formula1>terms_score</formula1>".to_owned(),
            };
            assert!(rule.len() == 1 && rule[0].contains(&holds), "{}: {rule:?}", column.name);
            let loose = matches!(column.cell, Cell::Tooth | Cell::Score(_));
            assert_eq!(rule[0].contains("errorStyle=\"warning\""), loose, "{}", column.name);
        }
    }
    assert!(unzipped(&book, "xl/styles.xml").contains("formatCode=\"yyyy-mm-dd\""));
}

#[test]
fn blank_files_are_written_and_nothing_is_written_over() {
    let records = Records::new(&[]);
    insta::assert_snapshot!("help_of_template", said(&records, &records.run(&["template", "--help"])));
    let output = records.run(&["template", "blank"]);
    insta::assert_snapshot!("template_written", said(&records, &output));
    let folder = records.path().join("blank");
    for file in template_files().expect("files") {
        assert!(fs::read(folder.join(file.name)).expect("written") == file.bytes);
    }
    fs::write(folder.join("visits.csv"), "mine").expect("written");
    for name in ["placements.csv", "records.xlsx"] {
        fs::remove_file(folder.join(name)).expect("removed");
    }
    let output = records.run(&["template", "blank"]);
    insta::assert_snapshot!("template_not_written_over", said(&records, &output));
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(fs::read_to_string(folder.join("visits.csv")).expect("there"), "mine");
    assert!(!folder.join(TEMPLATE_NAMES[0]).exists(), "nothing is written at all");
}
