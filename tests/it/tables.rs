//! The tables of the committed review and comparison: the workbook and the Markdown say what the CSV says.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use calamine::{Data, Reader as _, Xlsx};

const FOLDERS: [&str; 2] = ["reports", "reports/comparison"];
/// Longer tables are left to the CSV; the sample data have one.
const MOST_ON_A_SHEET: usize = 5_000;
const MOST_IN_A_TEXT: usize = 2_500;

fn folder(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name).join("tables")
}

/// The CSV tables of a folder by name: header and rows.
fn csv_tables(name: &str) -> BTreeMap<String, Vec<Vec<String>>> {
    let mut tables: BTreeMap<String, Vec<Vec<String>>> = BTreeMap::new();
    for entry in fs::read_dir(folder(name)).expect("tables").flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|ending| ending == "csv") {
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(&path).expect("a table");
            let rows = reader.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect();
            tables.insert(path.file_stem().expect("a name").to_string_lossy().into_owned(), rows);
        }
    }
    assert!(tables.len() > 5, "{name}");
    let long = tables.values().filter(|rows| rows.len() - 1 > MOST_ON_A_SHEET).count();
    assert_eq!(long, usize::from(name == "reports"), "{name}");
    tables
}

#[test]
fn the_workbook_holds_every_cell_and_numbers_as_numbers() {
    for name in FOLDERS {
        let mut book: Xlsx<_> = calamine::open_workbook(folder(name).join("tables.xlsx")).expect("a workbook");
        let mut numbers = 0;
        for (title, rows) in csv_tables(name) {
            if rows.len() - 1 > MOST_ON_A_SHEET {
                assert!(!book.sheet_names().contains(&title), "{title} is left to the CSV");
                continue;
            }
            let sheet = book.worksheet_range(&title).unwrap_or_else(|error| panic!("{title}: {error}"));
            assert_eq!(sheet.height(), rows.len(), "{title}");
            for (line, row) in rows.iter().enumerate() {
                for (place, cell) in row.iter().enumerate() {
                    let found = sheet.get((line, place)).unwrap_or(&Data::Empty);
                    let same = match found {
                        Data::Float(number) => {
                            numbers += 1;
                            cell.parse::<f64>().is_ok_and(|given| given.to_bits() == number.to_bits())
                        }
                        Data::Empty => cell.is_empty(),
                        other => other.to_string() == *cell,
                    };
                    assert!(same, "{title}, row {line}, column {place}: {found:?} for {cell}");
                    let counted = matches!(rows[0][place].as_str(), "survival" | "restorations" | "share" | "p");
                    assert!(line == 0 || !counted || cell.is_empty() || matches!(found, Data::Float(_)), "{title}: {cell}");
                }
            }
        }
        assert!(numbers > 100, "{name}: only {numbers} numbers");
    }
}

/// Every column says what it holds.
#[test]
fn the_last_sheet_says_what_every_column_holds() {
    for name in FOLDERS {
        let mut book: Xlsx<_> = calamine::open_workbook(folder(name).join("tables.xlsx")).expect("a workbook");
        let about = book.worksheet_range("about").expect("a sheet");
        let text = |row: &[Data], place: usize| row.get(place).map(ToString::to_string).unwrap_or_default();
        for (title, rows) in csv_tables(name) {
            if rows.len() - 1 > MOST_ON_A_SHEET {
                let said = about.rows().find(|row| text(row, 0) == title).map(|row| text(row, 2)).unwrap_or_default();
                assert!(said.ends_with(&format!("they are in {title}.csv.")), "{title}: {said}");
                continue;
            }
            for column in &rows[0] {
                let said = about.rows().find(|row| text(row, 0) == title && text(row, 1) == *column);
                assert!(said.is_some_and(|row| text(row, 2).len() > 4), "{title}: {column} is not explained");
            }
        }
    }
}

#[test]
fn the_markdown_holds_every_row() {
    for name in FOLDERS {
        let text = fs::read_to_string(folder(name).join("tables.md")).expect("Markdown");
        for (title, rows) in csv_tables(name) {
            let part = text.split(&format!("\n## {title}\n\n")).nth(1).unwrap_or_else(|| panic!("{title} is missing"));
            if rows.len() - 1 > MOST_IN_A_TEXT {
                let said = part.lines().next().unwrap_or_default();
                assert!(said.ends_with(&format!("they are in {title}.csv.")), "{title}: {said}");
                continue;
            }
            let lines: Vec<&str> = part.lines().take_while(|line| line.starts_with('|')).collect();
            assert_eq!(lines.len(), rows.len() + 1, "{title}: a line for each row, and one below the header");
            for line in lines {
                let bars = line.replace("\\|", "").matches('|').count();
                assert_eq!(bars, rows[0].len() + 1, "{title}: {line}");
            }
        }
    }
}
