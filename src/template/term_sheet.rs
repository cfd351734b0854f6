//! The sheet of terms: every term of every coded column, one table.
//!
//! Drop-down lists refer to it by name, since a list inside a cell's own rule may not be longer than 255 characters.

use rust_xlsxwriter::{Format, Worksheet, XlsxError};

use super::workbook::{finish, header_format};
use crate::record::{Cell, PLACEMENT_COLUMNS, Term, VISIT_COLUMNS};

/// The list of all signs that a score may have, in any scheme.
pub const SCORES: &str = "terms_score";

/// A list of terms and where it stands on the sheet.
pub struct TermList {
    /// The name under which drop-down lists refer to it.
    pub name: String,
    /// The column that takes these terms.
    pub column: &'static str,
    /// What people read for it.
    pub label: &'static str,
    /// Its terms; none for scores.
    pub terms: &'static [Term],
    /// First row, as the spreadsheet counts.
    pub first_row: usize,
    /// Last row.
    pub last_row: usize,
}

/// The name of a column's list: `terms_surface`.
pub fn list_name(column: &str) -> String {
    format!("terms_{column}")
}

const SCORE_SIGNS: [&str; 9] = ["A", "B", "C", "D", "1", "2", "3", "4", "5"];

/// The lists of all coded columns in the order of the records' columns, then the scores.
pub fn lists() -> Vec<TermList> {
    let mut lists: Vec<TermList> = Vec::new();
    let mut next = 2;
    for column in PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS) {
        if let Cell::Term(terms) = column.cell {
            let last_row = next + terms.len() - 1;
            lists.push(TermList {
                name: list_name(column.name),
                column: column.name,
                label: column.label,
                terms,
                first_row: next,
                last_row,
            });
            next = last_row + 1;
        }
    }
    let last_row = next + SCORE_SIGNS.len() - 1;
    lists.push(TermList { name: SCORES.to_owned(), column: "score", label: "Score", terms: &[], first_row: next, last_row });
    lists
}

/// Fills the sheet.
///
/// # Errors
/// When the library refuses, which would be a fault of the program.
pub fn fill(sheet: &mut Worksheet, lists: &[TermList]) -> Result<(), XlsxError> {
    let header = [("column", 22.0), ("write", 30.0), ("read as", 38.0), ("other spellings that are taken for it", 70.0)];
    let bold = header_format(true);
    for (column, (name, width)) in (0..).zip(header) {
        sheet.set_column_width(column, width)?;
        sheet.write_string_with_format(0, column, name, &bold)?;
    }
    let left = Format::new().set_align(rust_xlsxwriter::FormatAlign::Left);
    let mut row = 1;
    for list in lists {
        for term in list.terms {
            let spellings = term.synonyms.join(", ");
            for (column, text) in (0..).zip([list.column, term.code, term.label, &spellings]) {
                sheet.write_string(row, column, text)?;
            }
            row += 1;
        }
        if list.terms.is_empty() {
            for sign in SCORE_SIGNS {
                sheet.write_string(row, 0, list.column)?;
                // A digit typed into a cell is a number, so it stands as a number here too.
                match sign.parse::<u8>() {
                    Ok(digit) => sheet.write_number_with_format(row, 1, digit, &left)?,
                    Err(_) => sheet.write_string(row, 1, sign)?,
                };
                sheet.write_string(row, 2, "what it means depends on scheme and criterion: see the sheet Criteria")?;
                row += 1;
            }
        }
    }
    // Sorted anew, the lists would hold other terms; so no filter, and a lock without a password.
    sheet.protect();
    finish(sheet)
}
