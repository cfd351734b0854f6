//! A header as CSV.

use crate::record::Column;

/// The names of columns as one line, behind a byte order mark: with it, spreadsheets read the file as UTF-8 and save it so again,
/// and accents survive.
pub fn csv_header(columns: &[Column]) -> Vec<u8> {
    let names: Vec<&str> = columns.iter().map(|column| column.name).collect();
    format!("\u{feff}{}\n", names.join(",")).into_bytes()
}
