//! Records as a workbook: a sheet for each kind, days as dates, numbers as numbers, ids, lots and scores as text.

use std::io::{Seek, Write};

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError};

use super::column::{Value, plain_text};
use super::{ExportError, ExportTable};
use crate::quantity::Day;
use crate::record::Cell;

/// The most rows that a sheet holds below its header.
pub const MOST_ROWS: usize = 1_048_575;
/// The sheets, in their order.
pub const SHEETS: [&str; 2] = ["placements", "visits"];
/// The most characters that a cell holds.
const MOST_LETTERS: usize = 32_767;
/// The day that spreadsheets count from, as days since 1970-01-01 (1899-12-30; right from March 1900 on).
const SPREADSHEET_EPOCH: i32 = -25_569;

/// Writes tables as sheets.
///
/// # Errors
/// When a text is too long for a cell, or what the system says.
pub fn write<W: Write + Seek + Send>(file: W, tables: &[&ExportTable<'_>]) -> Result<(), WorkbookError> {
    let mut book = Workbook::new();
    // A fixed day, so that the same records make the same bytes.
    let made = ExcelDateTime::from_ymd(2020, 1, 1)?;
    book.set_properties(&DocProperties::new().set_title("Records of cervical restorations").set_creation_datetime(&made));
    for table in tables {
        fill(book.add_worksheet().set_name(table.name)?, table)?;
    }
    Ok(book.save_to_writer(file)?)
}

/// Why a workbook was not written.
#[derive(Debug)]
pub enum WorkbookError {
    /// A text is too long for a cell.
    Export(ExportError),
    /// The system refused.
    Refused(String),
}

impl From<XlsxError> for WorkbookError {
    fn from(error: XlsxError) -> Self {
        Self::Refused(error.to_string())
    }
}

fn fill(sheet: &mut Worksheet, table: &ExportTable<'_>) -> Result<(), WorkbookError> {
    let left = Format::new().set_align(FormatAlign::Left);
    let (date, text) = (left.clone().set_num_format("yyyy-mm-dd"), left.clone().set_num_format("@"));
    let bold = Format::new().set_bold();
    for (place, column) in (0..).zip(&table.columns) {
        let format = match column.cell {
            Cell::Day => &date,
            Cell::Text | Cell::Term(_) | Cell::Score(_) => &text,
            Cell::Tooth | Cell::Number { .. } | Cell::Grade { .. } => &left,
        };
        let letters = u16::try_from(column.name.len().max(10) + 3).unwrap_or(u16::MAX);
        sheet.set_column_width(place, f64::from(letters))?;
        sheet.set_column_format(place, format)?;
        sheet.write_string_with_format(0, place, column.name, &bold)?;
        for (line, row) in (1..).zip(0..table.rows) {
            match column.value(row) {
                Value::Empty => continue,
                Value::Text(given) => {
                    let written = plain_text(given);
                    if written.len() > MOST_LETTERS && written.encode_utf16().count() > MOST_LETTERS {
                        let column = column.name.to_owned();
                        return Err(WorkbookError::Export(ExportError::TextTooLong { sheet: table.name, column }));
                    }
                    sheet.write_string_with_format(line, place, written.as_ref(), &text)?
                }
                Value::Code(code) => sheet.write_string_with_format(line, place, code, &text)?,
                Value::Day(day) => sheet.write_number_with_format(line, place, serial(day), &date)?,
                Value::Number(number) => sheet.write_number_with_format(line, place, number, &left)?,
                Value::Whole(number) => sheet.write_number_with_format(line, place, f64::from(number), &left)?,
            };
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    Ok(())
}

/// A day as spreadsheets count it.
fn serial(day: Day) -> f64 {
    f64::from(day.since_epoch() - SPREADSHEET_EPOCH)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2024-03-31 is 45382 in spreadsheets that count from 1900 (common practice).
    #[test]
    fn days_are_counted_as_spreadsheets_do() {
        let day = Day::from_calendar(2024, 3, 31).expect("a day");
        assert!((serial(day) - 45_382.0).abs() < f64::EPSILON);
    }
}
