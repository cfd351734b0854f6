//! The sheets to fill in: a header, and a rule for the cells below it.
//!
//! What must be a day, a number or a term is held to it. Teeth and scores are only warned about: a tooth may be in the other
//! notation where that is declared, and which scores there are depends on the scheme of the row.

use rust_xlsxwriter::{
    DataValidation, DataValidationErrorStyle, DataValidationRule, Format, FormatAlign, Formula, Worksheet, XlsxError,
};

use super::guide_sheet::{filled, written_as};
use super::term_sheet::{SCORES, list_name};
use super::workbook::{finish, header_format};
use crate::record::{Cell, Column, Need};

/// The last row that a sheet has, counted from 0: rules hold down to it.
const LAST_ROW: u32 = 1_048_575;
/// Days before this one are slips.
const FIRST_DAY: &str = "=DATE(1950,1,1)";

/// Fills a sheet with the header of a record kind and the rules of its columns.
///
/// # Errors
/// When the library refuses, which would be a fault of the program.
pub fn fill(sheet: &mut Worksheet, columns: &[Column]) -> Result<(), XlsxError> {
    for (place, column) in (0..).zip(columns) {
        sheet.set_column_width(place, width(column))?;
        sheet.set_column_format(place, &cell_format(column.cell))?;
        sheet.write_string_with_format(0, place, column.name, &header_format(column.need == Need::Required))?;
        sheet.add_data_validation(0, place, 0, place, &explanation(column)?)?;
        if let Some(rule) = rule(column)? {
            sheet.add_data_validation(1, place, LAST_ROW, place, &rule)?;
        }
    }
    finish(sheet)
}

/// Wide enough for the header and for what is chosen below it.
fn width(column: &Column) -> f64 {
    let longest = match column.cell {
        Cell::Term(terms) => terms.iter().map(|term| term.code.len()).max().unwrap_or(0),
        Cell::Day => "2024-03-31".len(),
        _ => 0,
    };
    let letters = longest.max(column.name.len()) + 3;
    f64::from(u16::try_from(letters).unwrap_or(u16::MAX))
}

fn cell_format(cell: Cell) -> Format {
    let left = Format::new().set_align(FormatAlign::Left);
    match cell {
        Cell::Day => left.set_num_format("yyyy-mm-dd"),
        // As text, a pseudonym or a lot such as 007 keeps its zeros.
        Cell::Text => left.set_num_format("@"),
        _ => left,
    }
}

/// What is shown when the header cell is chosen.
fn explanation(column: &Column) -> Result<DataValidation, XlsxError> {
    let (first, rest) = filled(column).split_at(1);
    let written = match column.cell {
        Cell::Term(_) => "one of the terms in the list (sheet Terms)".to_owned(),
        _ => written_as(column),
    };
    DataValidation::new().allow_any_value().set_input_title(column.label)?.set_input_message(format!(
        "{}{rest}. Holds {}{written}.",
        first.to_uppercase(),
        article(column.cell)
    ))
}

const fn article(cell: Cell) -> &'static str {
    match cell {
        Cell::Day | Cell::Number { .. } | Cell::Grade { .. } | Cell::Score(_) => "a ",
        Cell::Text | Cell::Tooth | Cell::Term(_) => "",
    }
}

/// The rule of the cells below a header; none for free text.
fn rule(column: &Column) -> Result<Option<DataValidation>, XlsxError> {
    let rule = DataValidation::new();
    let stop = DataValidationErrorStyle::Stop;
    let warn = DataValidationErrorStyle::Warning;
    let (rule, style, message) = match column.cell {
        Cell::Text => return Ok(None),
        Cell::Tooth => (
            rule.allow_whole_number(DataValidationRule::Between(11, 85)),
            warn,
            "Teeth are written in ISO 3950 notation: 11–18, 21–28, 31–38, 41–48, primary 51–85. \
             Another notation has to be declared in records.toml."
                .to_owned(),
        ),
        Cell::Day => (
            rule.allow_date_formula(DataValidationRule::Between(Formula::new(FIRST_DAY), Formula::new("=TODAY()"))),
            stop,
            "Write a day as year-month-day, such as 2024-03-31. It can't lie in the future.".to_owned(),
        ),
        Cell::Number { possible, .. } => (
            rule.allow_decimal_number(DataValidationRule::Between(possible.least, possible.most)),
            stop,
            format!("Write a number from {} to {}, without its unit.", possible.least, possible.most),
        ),
        Cell::Grade { possible } => (
            // The ends of a grade's range are small whole numbers.
            rule.allow_whole_number_formula(DataValidationRule::Between(
                Formula::new(possible.least.to_string()),
                Formula::new(possible.most.to_string()),
            )),
            stop,
            format!("Write a whole number from {} to {}.", possible.least, possible.most),
        ),
        Cell::Term(_) => (
            rule.allow_list_formula(Formula::new(list_name(column.name))),
            stop,
            "Choose from the list. The sheet Terms shows all terms and how they are read.".to_owned(),
        ),
        Cell::Score(_) => (
            rule.allow_list_formula(Formula::new(SCORES)),
            warn,
            "Scores are letters A to D or digits 1 to 5, as the scheme of the row has them. \
             The sheet Criteria says what each means."
                .to_owned(),
        ),
    };
    rule.set_error_style(style).set_error_title(column.label)?.set_error_message(message).map(Some)
}
