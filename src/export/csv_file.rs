//! Records as CSV: commas, UTF-8 with the mark in front that tells spreadsheets so, formulas defused.

use std::io::Write;

use super::ExportTable;
use super::column::Value;
use crate::wording::escape_spreadsheet;

/// Writes a table.
///
/// # Errors
/// What the system says.
pub fn write(file: &mut dyn Write, table: &ExportTable<'_>) -> Result<(), String> {
    let said = |error: csv::Error| error.to_string();
    file.write_all("\u{feff}".as_bytes()).map_err(|error| error.to_string())?;
    let mut writer = csv::WriterBuilder::new().flexible(true).from_writer(file);
    writer.write_record(table.columns.iter().map(|column| column.name)).map_err(said)?;
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
    writer.flush().map_err(|error| error.to_string())
}
