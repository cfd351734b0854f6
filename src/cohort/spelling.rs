//! Two spellings of what may be one operator, patient or examiner: they would be counted apart without being seen.

use std::collections::HashMap;

use unicode_normalization::UnicodeNormalization;

use crate::finding::{FindingKind, Findings, Place};
use crate::table::{RecordTable, TableError};

/// Names texts of a column that differ only in capitals, spaces or the form of their letters and digits.
///
/// # Errors
/// When the table lacks the column, which would be a fault of the program.
pub fn check_spellings(table: &RecordTable, column: &str, who: &str, findings: &mut Findings) -> Result<(), TableError> {
    let origins = table.origins()?;
    let mut rows: HashMap<&str, usize> = HashMap::new();
    for (row, text) in table.text(column)?.iter().enumerate() {
        if let Some(text) = text {
            rows.entry(text).or_insert(row);
        }
    }
    let mut spellings: Vec<(&str, usize)> = rows.into_iter().collect();
    spellings.sort_unstable_by_key(|&(_, row)| row);
    let mut first: HashMap<String, (&str, usize)> = HashMap::with_capacity(spellings.len());
    for (text, row) in spellings {
        let folded: String = text.nfkc().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect();
        if let Some((other, other_row)) = first.get(&folded) {
            findings.note(
                FindingKind::SpellingsDiffer,
                Place::cell(origins.file(row), origins.row(row), column),
                Some(text),
                format!(
                    "In {} row {} it is written {other}; the two are counted as two {who}.",
                    origins.file(*other_row),
                    origins.row(*other_row)
                ),
                "If they are the same, write both alike; leave them if they are not.",
            );
        } else {
            first.insert(folded, (text, row));
        }
    }
    Ok(())
}
