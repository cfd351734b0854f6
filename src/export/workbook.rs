//! Records as a workbook: a sheet for each kind, days as dates, numbers as numbers, ids, lots and scores as text.

use std::io::{Seek, Write};

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError};

use super::ExportError;
use super::column::{ExportTable, Shown, Value, plain_text};
use super::overview::Overview;
use crate::quantity::Day;
use crate::record::{Cell, RecordKind};

/// The most rows that a sheet holds below its header.
pub const MOST_ROWS: usize = 1_048_575;
/// The most characters that a cell holds.
const MOST_LETTERS: usize = 32_767;
/// The day that spreadsheets count from, as days since 1970-01-01 (1899-12-30; right from March 1900 on).
const SPREADSHEET_EPOCH: i32 = -25_569;

/// Whether sheets hold so many rows.
///
/// # Errors
/// When one doesn't.
pub fn hold(kinds: &[&Overview]) -> Result<(), ExportError> {
    let too_many = kinds.iter().find(|kind| kind.rows > MOST_ROWS);
    too_many.map_or(Ok(()), |kind| Err(ExportError::TooManyRows { sheet: kind.kind.label(), rows: kind.rows }))
}

/// A workbook under construction: a sheet for each kind, in their order.
pub struct Book {
    book: Workbook,
    formats: Formats,
}

/// How cells look.
struct Formats {
    left: Format,
    date: Format,
    text: Format,
}

impl Formats {
    const fn of(&self, cell: Cell) -> &Format {
        match cell {
            Cell::Day => &self.date,
            Cell::Text | Cell::Term(_) | Cell::Score(_) => &self.text,
            Cell::Tooth | Cell::Number { .. } | Cell::Grade { .. } => &self.left,
        }
    }
}

/// A sheet under construction.
pub struct Sheet<'a> {
    sheet: &'a mut Worksheet,
    formats: &'a Formats,
    kind: RecordKind,
    /// The line below the last one.
    line: u32,
}

impl Book {
    /// Begins it.
    ///
    /// # Errors
    /// What the workbook writer says.
    pub fn begin() -> Result<Self, ExportError> {
        let mut book = Workbook::new();
        // A fixed day, so that the same records make the same bytes.
        let made = ExcelDateTime::from_ymd(2020, 1, 1).map_err(fault)?;
        book.set_properties(
            &DocProperties::new().set_title("Records of cervical restorations").set_creation_datetime(&made),
        );
        let left = Format::new().set_align(FormatAlign::Left);
        let (date, text) = (left.clone().set_num_format("yyyy-mm-dd"), left.clone().set_num_format("@"));
        Ok(Self { book, formats: Formats { left, date, text } })
    }

    /// Begins a sheet with its header.
    ///
    /// # Errors
    /// What the workbook writer says.
    pub fn sheet(&mut self, kind: RecordKind, shown: &[Shown]) -> Result<Sheet<'_>, ExportError> {
        let sheet = self.book.add_worksheet();
        header(sheet, kind, shown, &self.formats).map_err(fault)?;
        Ok(Sheet { sheet, formats: &self.formats, kind, line: 1 })
    }

    /// Writes it.
    ///
    /// # Errors
    /// What the system says.
    pub fn end<W: Write + Seek + Send>(mut self, file: W) -> Result<(), String> {
        self.book.save_to_writer(file).map_err(|error| error.to_string())
    }
}

impl Sheet<'_> {
    /// Adds rows.
    ///
    /// # Errors
    /// When a text is too long for a cell.
    pub fn add(&mut self, table: &ExportTable<'_>) -> Result<(), ExportError> {
        for row in 0..table.rows {
            for (place, column) in (0..).zip(&table.columns) {
                let format = self.formats.of(column.cell);
                let sheet = &mut self.sheet;
                match column.value(row) {
                    Value::Empty => continue,
                    Value::Text(given) => {
                        let written = plain_text(given);
                        if written.len() > MOST_LETTERS && written.encode_utf16().count() > MOST_LETTERS {
                            let column = column.name.to_owned();
                            return Err(ExportError::TextTooLong { sheet: self.kind.label(), column });
                        }
                        sheet.write_string_with_format(self.line, place, written.as_ref(), format)
                    }
                    Value::Code(code) => sheet.write_string_with_format(self.line, place, code, format),
                    Value::Day(day) => sheet.write_number_with_format(self.line, place, serial(day), format),
                    Value::Number(number) => sheet.write_number_with_format(self.line, place, number, format),
                    Value::Whole(number) => sheet.write_number_with_format(self.line, place, f64::from(number), format),
                }
                .map_err(fault)?;
            }
            self.line += 1;
        }
        Ok(())
    }
}

fn fault(error: XlsxError) -> ExportError {
    ExportError::Fault(error.to_string())
}

fn header(sheet: &mut Worksheet, kind: RecordKind, shown: &[Shown], formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_name(kind.label())?;
    let bold = Format::new().set_bold();
    for (place, column) in (0..).zip(shown) {
        let letters = u16::try_from(column.name.len().max(10) + 3).unwrap_or(u16::MAX);
        sheet.set_column_width(place, f64::from(letters))?;
        sheet.set_column_format(place, formats.of(column.cell))?;
        sheet.write_string_with_format(0, place, &column.name, &bold)?;
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
