//! The values of a column, as its cells are written.

use std::borrow::Cow;

use polars::prelude::{Float64Chunked, StringChunked};

use crate::quantity::Day;
use crate::record::{Cell, Score, Term};
use crate::table::{NO_CODE, NO_DAY, RecordTable, TableError};
use crate::wording::escape_spreadsheet;

/// The value of one cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value<'a> {
    /// Nothing.
    Empty,
    /// Text as kept.
    Text(&'a str),
    /// The code of a term, or the sign of a score.
    Code(&'static str),
    /// A day.
    Day(Day),
    /// A number in the column's unit.
    Number(f64),
    /// A tooth's ISO number, or a grade.
    Whole(u8),
}

/// A column that is written.
#[derive(Clone, Debug)]
pub struct Shown {
    /// Its name.
    pub name: String,
    /// What its cells hold.
    pub cell: Cell,
}

/// A column of a piece.
pub struct ExportColumn<'a> {
    /// Its name.
    pub name: &'a str,
    /// What its cells hold.
    pub cell: Cell,
    values: Values<'a>,
}

enum Values<'a> {
    Text(&'a StringChunked),
    Days(Vec<i32>),
    Numbers(&'a Float64Chunked),
    Terms(&'static [Term], Vec<u8>),
    Scores(Vec<u8>),
    Whole(Vec<u8>),
}

impl ExportColumn<'_> {
    /// The value of a row.
    pub fn value(&self, row: usize) -> Value<'_> {
        match &self.values {
            Values::Text(texts) => texts.get(row).map_or(Value::Empty, Value::Text),
            Values::Numbers(numbers) => numbers.get(row).map_or(Value::Empty, Value::Number),
            Values::Days(days) => match days.get(row) {
                None | Some(&NO_DAY) => Value::Empty,
                Some(&day) => Value::Day(Day::from_epoch(day)),
            },
            Values::Terms(terms, codes) => codes
                .get(row)
                .and_then(|&code| terms.get(usize::from(code)))
                .map_or(Value::Empty, |term| Value::Code(term.code)),
            Values::Scores(signs) => signs.get(row).and_then(|&sign| score_text(sign)).map_or(Value::Empty, Value::Code),
            Values::Whole(numbers) => match numbers.get(row) {
                None | Some(&NO_CODE) => Value::Empty,
                Some(&number) => Value::Whole(number),
            },
        }
    }
}

fn score_text(sign: u8) -> Option<&'static str> {
    const SIGNS: &str = "ABCD12345";
    let score = Score::from_sign(sign)?;
    let place = SIGNS.bytes().position(|byte| byte == score.sign())?;
    SIGNS.get(place..=place)
}

/// A piece of the records of a kind.
pub struct ExportTable<'a> {
    /// How many rows.
    pub rows: usize,
    /// The columns that are written.
    pub columns: Vec<ExportColumn<'a>>,
}

impl<'a> ExportTable<'a> {
    /// The columns that are written, of a piece.
    ///
    /// # Errors
    /// When a column is missing or doesn't hold what it should, which would be a fault of the program.
    pub fn of(piece: &'a RecordTable, shown: &'a [Shown]) -> Result<Self, TableError> {
        let with_values = |Shown { name, cell }: &'a Shown| {
            let values = match *cell {
                Cell::Text => Values::Text(piece.text(name)?),
                Cell::Day => Values::Days(piece.days(name)?),
                Cell::Number { .. } => Values::Numbers(piece.frame().column(name)?.as_materialized_series().f64()?),
                Cell::Term(terms) => Values::Terms(terms, piece.codes(name)?),
                Cell::Score(_) => Values::Scores(piece.codes(name)?),
                Cell::Tooth | Cell::Grade { .. } => Values::Whole(piece.codes(name)?),
            };
            Ok(ExportColumn { name, cell: *cell, values })
        };
        Ok(Self { rows: piece.len(), columns: shown.iter().map(with_values).collect::<Result<_, TableError>>()? })
    }
}

/// A text for a form that says of itself what is text: as it is, unless intake would take its apostrophe off.
pub fn plain_text(text: &str) -> Cow<'_, str> {
    if text.starts_with('\'') { escape_spreadsheet(text) } else { Cow::Borrowed(text) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_score_has_its_text() {
        let texts: Vec<&str> = (0..=u8::MAX).filter_map(score_text).collect();
        assert_eq!(texts, ["1", "2", "3", "4", "5", "A", "B", "C", "D"]);
    }

    #[test]
    fn only_an_apostrophe_that_would_be_taken_off_is_doubled() {
        assert_eq!(plain_text("=1+1"), "=1+1");
        assert_eq!(plain_text("'=1+1"), "''=1+1");
        assert_eq!(plain_text("'007"), "'007");
    }
}
