//! Rows set aside, as written, with the reasons: a workbook with a sheet for each table, or CSV. Mended, they are read again like
//! any record file; the two columns behind each row are passed over then.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Workbook, XlsxError};

use crate::finding::{SET_ASIDE_BECAUSE, SET_ASIDE_FROM};
use crate::wording::escape_spreadsheet;

/// The rows of one table that were set aside.
pub struct SetAsideTable {
    /// The file's name, with the sheet's behind it.
    pub name: String,
    /// Column names as written.
    pub header: Vec<String>,
    /// What stands between cells where it is written as CSV.
    pub separator: u8,
    /// Row number, cells as written, and why.
    pub rows: Vec<(u64, Vec<String>, String)>,
}

impl SetAsideTable {
    fn records(&self) -> impl Iterator<Item = Vec<String>> + '_ {
        let header = self
            .header
            .iter()
            .cloned()
            .chain([format!("{SET_ASIDE_FROM} {}", self.name), SET_ASIDE_BECAUSE.to_owned()])
            .collect();
        let width = self.header.len();
        let rows = self.rows.iter().map(move |(number, cells, why)| {
            let mut cells = cells.clone();
            cells.resize(width.max(cells.len()), String::new());
            cells.extend([format!("row {number}"), why.clone()]);
            cells
        });
        std::iter::once(header).chain(rows)
    }
}

/// Writes the tables and says into which files. A .csv holds one table; where there are more, each gets a file of its own.
///
/// # Errors
/// A sentence when the ending is neither .xlsx nor .csv, or the system refuses.
pub fn write_set_aside(path: &Path, tables: &[SetAsideTable]) -> Result<Vec<PathBuf>, String> {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("xlsx") => {
            workbook(path, tables).map_err(|error| error.to_string())?;
            Ok(vec![path.to_owned()])
        }
        Some("csv") => {
            let mut files = Vec::new();
            for table in tables {
                let own = if tables.len() == 1 {
                    path.to_owned()
                } else {
                    let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
                    let of = table.name.strip_suffix(".csv").unwrap_or(&table.name).replace([':', '/', '\\'], "-");
                    path.with_file_name(format!("{stem}-{of}.csv"))
                };
                if own.exists() {
                    return Err(format!("{} is there already", own.display()));
                }
                std::fs::write(&own, csv_text(table)?).map_err(|error| error.to_string())?;
                files.push(own);
            }
            Ok(files)
        }
        _ => Err("its name must end in .xlsx or .csv".to_owned()),
    }
}

fn csv_text(table: &SetAsideTable) -> Result<Vec<u8>, String> {
    // The mark in front tells spreadsheets that this is UTF-8.
    let mut writer =
        csv::WriterBuilder::new().flexible(true).delimiter(table.separator).from_writer("\u{feff}".as_bytes().to_vec());
    for record in table.records() {
        // Cells stand as they were written; one that was defused already is left alone.
        let safe = record
            .iter()
            .map(|cell| if cell.starts_with('\'') { Cow::Borrowed(cell.as_str()) } else { escape_spreadsheet(cell) });
        let safe: Vec<_> = safe.collect();
        writer.write_record(safe.iter().map(|cell| cell.as_bytes())).map_err(|error| error.to_string())?;
    }
    writer.into_inner().map_err(|error| error.to_string())
}

fn workbook(path: &Path, tables: &[SetAsideTable]) -> Result<(), XlsxError> {
    let mut book = Workbook::new();
    book.set_properties(&DocProperties::new().set_creation_datetime(&ExcelDateTime::from_ymd(2020, 1, 1)?));
    let bold = Format::new().set_bold();
    for (place, table) in tables.iter().enumerate() {
        let sheet = book.add_worksheet();
        // Sheet names may not hold these signs, and are short.
        let plain: String = table.name.chars().filter(|c| !"[]:*?/\\'".contains(*c)).take(26).collect();
        sheet.set_name(format!("{} {plain}", place + 1))?;
        sheet.set_freeze_panes(1, 0)?;
        for (row, record) in (0..).zip(table.records()) {
            for (column, cell) in (0..).zip(&record) {
                if row == 0 {
                    sheet.write_string_with_format(row, column, cell, &bold)?;
                } else {
                    sheet.write_string(row, column, cell)?;
                }
            }
        }
        sheet.autofit();
    }
    book.save(path)
}
