//! What must be known of all rows before the first one is written: how many there are, which columns hold anything, and which texts
//! would not be read in again.

use super::column::Shown;
use super::{ExportError, Source};
use crate::record::{Cell, Need, RecordKind};
use crate::table::{Filled, RecordTable, TableError};

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
    let (mut shown, stays): (Vec<Shown>, Vec<bool>) =
        record.chain(own).map(|(name, cell, stays)| (Shown { name, cell }, stays)).unzip();
    let texts: Vec<&str> = shown.iter().filter(|one| matches!(one.cell, Cell::Text)).map(|one| one.name.as_str()).collect();
    let look = |piece: RecordTable| {
        let odd = texts.iter().map(|name| odd_texts(&piece, kind, name, is_odd)).collect::<Result<Vec<_>, TableError>>();
        Ok((Filled::of(piece.frame()), odd.map_err(ExportError::from)?))
    };
    let mut filled = Filled::default();
    let mut odd = vec![OddTexts::default(); texts.len()];
    source.pieces(kind, look, |(more, found)| {
        filled.add(&more);
        progress(rows_of(&filled));
        odd.iter_mut().zip(found).for_each(|(odd, found)| *odd = std::mem::take(odd).and(found));
        Ok(())
    })?;
    let odd = odd.into_iter().fold(OddTexts::default(), OddTexts::and);
    let mut stays = stays.into_iter();
    shown.retain(|one| stays.next() == Some(true) || filled.column(&one.name) > Some(0));
    Ok(Overview { kind, rows: rows_of(&filled), shown, odd })
}

fn rows_of(filled: &Filled) -> usize {
    usize::try_from(filled.rows()).unwrap_or(usize::MAX)
}

/// The odd texts of a column.
fn odd_texts(
    piece: &RecordTable,
    kind: RecordKind,
    name: &str,
    is_odd: impl Fn(&str, &str) -> bool,
) -> Result<OddTexts, TableError> {
    let mut odd = OddTexts::default();
    let texts = piece.text(name)?.iter().enumerate();
    for (row, _) in texts.filter(|(_, text)| text.is_some_and(|text| is_odd(text, name))) {
        odd.count += 1;
        if odd.first.is_none() {
            let restoration = piece.text("restoration_id")?.get(row).unwrap_or("").to_owned();
            odd.first = Some((name.to_owned(), restoration, kind));
        }
    }
    Ok(odd)
}
