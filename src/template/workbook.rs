//! The workbook: two sheets to fill in, two that explain, one of terms.

use rust_xlsxwriter::{Color, DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError};

use super::TemplateError;
use super::{guide_sheet, record_sheet, term_sheet};
use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};

/// The workbook's sheets, in their order.
pub const SHEETS: [&str; 5] = ["Placements", "Visits", "Columns", "Criteria", "Terms"];

/// The bytes of the workbook.
///
/// # Errors
/// When the workbook can't be made, which would be a fault of the program.
pub fn workbook() -> Result<Vec<u8>, TemplateError> {
    let mut book = Workbook::new();
    // A fixed day, so that the same version makes the same bytes.
    let made = ExcelDateTime::from_ymd(2020, 1, 1)?;
    book.set_properties(
        &DocProperties::new().set_title("Records of cervical restorations (blank)").set_creation_datetime(&made),
    );
    let [placements, visits, columns, criteria, terms] = SHEETS;
    record_sheet::fill(book.add_worksheet().set_name(placements)?, PLACEMENT_COLUMNS)?;
    record_sheet::fill(book.add_worksheet().set_name(visits)?, VISIT_COLUMNS)?;
    guide_sheet::fill_columns(book.add_worksheet().set_name(columns)?)?;
    guide_sheet::fill_criteria(book.add_worksheet().set_name(criteria)?)?;
    let lists = term_sheet::lists();
    term_sheet::fill(book.add_worksheet().set_name(terms)?, &lists)?;
    for list in &lists {
        book.define_name(list.name.clone(), &format!("={terms}!$B${}:$B${}", list.first_row, list.last_row))?;
    }
    Ok(book.save_to_buffer()?)
}

/// The look of a header cell; what is needed in every row is darker.
pub(super) fn header_format(needed: bool) -> Format {
    let shade = if needed { Color::RGB(0x00D0_D7DE) } else { Color::RGB(0x00EE_F1F4) };
    Format::new().set_bold().set_background_color(shade)
}

/// Writes a table of text: a bold, frozen header, a filter, wrapped cells, columns of these widths; made to print on wide pages.
pub(super) fn write_table(
    sheet: &mut Worksheet,
    header: &[(&str, f64)],
    rows: impl Iterator<Item = Vec<String>>,
) -> Result<(), XlsxError> {
    let wrapped = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    for (column, (name, width)) in (0..).zip(header) {
        sheet.set_column_width(column, *width)?;
        sheet.write_string_with_format(0, column, *name, &header_format(true))?;
    }
    let mut last = 0;
    for (row, cells) in (1..).zip(rows) {
        for (column, cell) in (0..).zip(&cells) {
            sheet.write_string_with_format(row, column, cell, &wrapped)?;
        }
        last = row;
    }
    let columns = u16::try_from(header.len()).unwrap_or(1);
    sheet.autofilter(0, 0, last, columns.saturating_sub(1))?;
    finish(sheet)
}

/// Freezes the header, and sets the sheet for wide pages with the header on each.
pub(super) fn finish(sheet: &mut Worksheet) -> Result<(), XlsxError> {
    sheet.set_freeze_panes(1, 0)?;
    sheet.set_landscape().set_print_fit_to_pages(1, 0).set_repeat_rows(0, 0)?;
    Ok(())
}
