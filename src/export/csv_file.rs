//! Records as CSV: commas, UTF-8 with the mark in front that tells spreadsheets so, formulas defused.

use std::io::Write;

use super::column::{ExportTable, Shown, Value};
use crate::wording::escape_spreadsheet;

/// The first line.
///
/// # Errors
/// What the CSV writer says.
pub fn header(shown: &[Shown]) -> Result<Vec<u8>, String> {
    let mut writer = csv::Writer::from_writer(Vec::from("\u{feff}"));
    writer.write_record(shown.iter().map(|column| &column.name)).map_err(|error| error.to_string())?;
    writer.into_inner().map_err(|error| error.to_string())
}

/// The lines of a piece.
///
/// # Errors
/// What the CSV writer says.
pub fn lines(table: &ExportTable<'_>) -> Result<Vec<u8>, String> {
    let said = |error: csv::Error| error.to_string();
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut digits = Vec::with_capacity(32);
    for row in 0..table.rows {
        for column in &table.columns {
            digits.clear();
            match column.value(row) {
                Value::Empty => writer.write_field(b""),
                Value::Text(text) => writer.write_field(escape_spreadsheet(text).as_bytes()),
                Value::Code(code) => writer.write_field(code),
                value => {
                    let _ = match value {
                        Value::Day(day) => write!(digits, "{day}"),
                        Value::Number(number) => write!(digits, "{number}"),
                        Value::Whole(number) => write!(digits, "{number}"),
                        _ => Ok(()),
                    };
                    writer.write_field(&digits)
                }
            }
            .map_err(said)?;
        }
        writer.write_record(None::<&[u8]>).map_err(said)?;
    }
    writer.into_inner().map_err(|error| error.to_string())
}
