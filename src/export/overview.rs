//! What must be known of all rows before the first one is written: how many there are, which columns hold anything, and which texts
//! would not be read in again.

use polars::prelude::StringChunked;

use super::Source;
use super::column::Shown;
use crate::record::{Cell, Need, RecordKind};
use crate::table::{RecordTable, TableError};

/// The records of one kind as a whole.
#[derive(Clone, Debug)]
pub struct Overview {
    /// Which kind.
    pub kind: RecordKind,
    /// How many rows.
    pub rows: usize,
    /// The columns to write, in the records' order: those that hold anything or must be there; then the practice's own, all of them.
    pub shown: Vec<Shown>,
    /// Texts that are written as they stand, and would not be read in again.
    pub odd: OddTexts,
}

/// How many odd texts there are, and where the first one stands, by columns.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OddTexts {
    /// How many.
    pub count: u64,
    /// Column, restoration and kind of the first one; none where there is none.
    pub first: Option<(String, String, RecordKind)>,
}

impl OddTexts {
    /// Those of another kind behind these.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self { count: self.count + other.count, first: self.first.or(other.first) }
    }
}

/// What a column is known to hold so far.
#[derive(Clone, Default)]
struct Seen {
    holds_any: bool,
    odd: u64,
    /// The restoration of its first odd text.
    first: Option<String>,
}

/// Goes through the records of a kind. A text is odd in a column where `is_odd` says so.
pub(super) fn overview<S: Source>(
    source: &S,
    kind: RecordKind,
    is_odd: &(impl Fn(&str, &str) -> bool + Sync),
    mut progress: impl FnMut(usize),
) -> Result<Overview, S::Error> {
    let record = kind.columns().iter().map(|column| (column.name.to_owned(), column.cell, column.need == Need::Required));
    let own: &[String] = if kind == RecordKind::Placement { source.own_columns() } else { &[] };
    let own = own.iter().map(|name| (name.clone(), Cell::Text, true));
    let (all, stays): (Vec<Shown>, Vec<bool>) =
        record.chain(own).map(|(name, cell, stays)| (Shown { name, cell }, stays)).unzip();
    let mut seen = vec![Seen::default(); all.len()];
    let mut rows = 0;
    let look = |piece: RecordTable| {
        let looked = all.iter().map(|one| seen_of(&piece, one, is_odd)).collect::<Result<Vec<Seen>, TableError>>();
        Ok((piece.len(), looked.map_err(super::ExportError::from)?))
    };
    source.pieces(kind, look, |(more, pieces)| {
        rows += more;
        progress(rows);
        for (whole, piece) in seen.iter_mut().zip(pieces) {
            whole.holds_any |= piece.holds_any;
            whole.odd += piece.odd;
            whole.first = whole.first.take().or(piece.first);
        }
        Ok(())
    })?;
    let odd = all.iter().zip(&seen).fold(OddTexts::default(), |odd, (one, seen)| {
        let first = seen.first.clone().map(|restoration| (one.name.clone(), restoration, kind));
        odd.and(OddTexts { count: seen.odd, first })
    });
    let shown = all.into_iter().zip(stays).zip(seen);
    let shown = shown.filter(|((_, stays), seen)| *stays || seen.holds_any).map(|((one, _), _)| one).collect();
    Ok(Overview { kind, rows, shown, odd })
}

fn seen_of(piece: &RecordTable, one: &Shown, is_odd: impl Fn(&str, &str) -> bool) -> Result<Seen, TableError> {
    let holds_any = piece.frame().column(&one.name)?.null_count() < piece.len();
    let mut seen = Seen { holds_any, ..Seen::default() };
    if holds_any && matches!(one.cell, Cell::Text) {
        let odd = |texts: &StringChunked, row: usize| texts.get(row).is_some_and(|text| is_odd(text, &one.name));
        let texts = piece.text(&one.name)?;
        for row in (0..piece.len()).filter(|row| odd(texts, *row)) {
            seen.odd += 1;
            if seen.first.is_none() {
                seen.first = Some(piece.text("restoration_id")?.get(row).unwrap_or("").to_owned());
            }
        }
    }
    Ok(seen)
}
