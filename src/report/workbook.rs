//! The tables as a workbook: a sheet for each, numbers as numbers with their formats, and a sheet that says what the columns hold.

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError};

use super::table_columns::{Look, look, meaning};
use super::tables::Table;
use crate::wording::{counted, shorten};

/// Most characters of a text in a cell; a cell holds 32,767 halves of them.
const MOST_LETTERS: usize = 16_000;

/// Longer tables, such as each step of the curves of a large practice, are left to the CSV: to pack them took longer than all the rest.
const MOST_ROWS: usize = 5_000;

/// How hard sheets are packed, of 1 to 9.
const PACKED: u8 = 2;

/// What a workbook says about itself, line by line.
pub(super) type About = [(&'static str, String)];

/// Writes tables as sheets, and what they are about with the meaning of every column as the last one.
///
/// # Errors
/// When a text or a table is larger than a workbook takes.
pub(super) fn workbook(title: &str, tables: &[Table], about: &About) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    book.set_zip_compression_level(PACKED);
    // A fixed day, so that the same results make the same bytes.
    let made = ExcelDateTime::from_ymd(2020, 1, 1)?;
    book.set_properties(&DocProperties::new().set_title(title).set_creation_datetime(&made));
    for table in tables.iter().filter(|table| !table.longer_than(MOST_ROWS)) {
        fill(book.add_worksheet().set_name(table.title())?, table)?;
    }
    explain(book.add_worksheet().set_name("about")?, tables, about)?;
    book.save_to_buffer()
}

/// Where a table is that is too long to stand here.
pub(super) fn too_long(table: &Table) -> String {
    let rows = counted(table.rows.len().saturating_sub(1) as u64, "row", "rows");
    format!("{rows}, too many to be read here; they are in {}.", table.name)
}

fn format_of(look: Look) -> Format {
    let format = Format::new();
    match look {
        Look::Text => format.set_num_format("@").set_align(FormatAlign::Left),
        Look::Count => format.set_num_format("#,##0"),
        Look::Share => format.set_num_format("0.0%"),
        Look::Rate => format.set_num_format("0.00%"),
        Look::Number => format.set_num_format("0.000"),
        Look::Probability => format.set_num_format("0.0000"),
    }
}

fn fill(sheet: &mut Worksheet, table: &Table) -> Result<(), XlsxError> {
    let (bold, text) = (Format::new().set_bold().set_text_wrap().set_align(FormatAlign::Top), format_of(Look::Text));
    let Some((head, rows)) = table.rows.split_first() else { return Ok(()) };
    for (place, name) in (0_u16..).zip(head) {
        let look = look(table.name, name);
        // Cells without a format of their own have that of their column; to tell it of each would take longer than all the rest.
        sheet.set_column_format(place, &format_of(look))?;
        let longest = rows.iter().filter_map(|row| row.get(usize::from(place))).map(|cell| cell.chars().count()).max();
        let letters =
            if look == Look::Text { longest.unwrap_or(0).max(name.len()).clamp(8, 48) } else { name.len().clamp(9, 30) };
        sheet.set_column_width(place, f64::from(u8::try_from(letters + 2).unwrap_or(50)))?;
        sheet.write_string_with_format(0, place, name, &bold)?;
        for (line, row) in (1_u32..).zip(rows) {
            let Some(cell) = row.get(usize::from(place)).filter(|cell| !cell.is_empty()) else { continue };
            match cell.parse::<f64>() {
                Ok(number) if look != Look::Text && number.is_finite() => sheet.write_number(line, place, number)?,
                _ if look == Look::Text => sheet.write_string(line, place, shorten(cell, MOST_LETTERS).as_ref())?,
                _ => sheet.write_string_with_format(line, place, shorten(cell, MOST_LETTERS).as_ref(), &text)?,
            };
        }
    }
    let last_row = u32::try_from(rows.len()).unwrap_or(u32::MAX);
    let last_column = u16::try_from(head.len().saturating_sub(1)).unwrap_or(u16::MAX);
    if !rows.is_empty() {
        sheet.autofilter(0, 0, last_row, last_column)?;
    }
    sheet.set_freeze_panes(1, 0)?;
    sheet.set_landscape();
    sheet.set_print_fit_to_pages(1, 0);
    sheet.set_repeat_rows(0, 0)?;
    Ok(())
}

fn explain(sheet: &mut Worksheet, tables: &[Table], about: &About) -> Result<(), XlsxError> {
    let (bold, wrapped) = (Format::new().set_bold(), Format::new().set_text_wrap().set_align(FormatAlign::Top));
    for (place, width) in [(0, 26.0), (1, 30.0), (2, 90.0)] {
        sheet.set_column_width(place, width)?;
    }
    let mut line = 0;
    for (what, text) in about {
        sheet.write_string_with_format(line, 0, *what, &bold)?;
        sheet.write_string_with_format(line, 2, text, &wrapped)?;
        line += 1;
    }
    for table in tables.iter().filter(|table| table.longer_than(MOST_ROWS)) {
        sheet.write_string_with_format(line, 0, table.title(), &bold)?;
        sheet.write_string_with_format(line, 2, too_long(table), &wrapped)?;
        line += 1;
    }
    line += 1;
    for (place, name) in (0..).zip(["sheet", "column", "meaning"]) {
        sheet.write_string_with_format(line, place, name, &bold)?;
    }
    for table in tables.iter().filter(|table| !table.longer_than(MOST_ROWS)) {
        for name in table.rows.first().into_iter().flatten() {
            line += 1;
            sheet.write_string(line, 0, table.title())?;
            sheet.write_string(line, 1, name)?;
            sheet.write_string_with_format(line, 2, meaning(name).unwrap_or_default(), &wrapped)?;
        }
    }
    sheet.set_landscape();
    sheet.set_print_fit_to_pages(1, 0);
    Ok(())
}
