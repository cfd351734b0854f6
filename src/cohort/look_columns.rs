//! The columns of visits that tell what each states, side by side.

use super::statement::{Stated, decoded, is_reported, mixed};
use super::visit_rows::{Look, VisitRows};
use crate::record::{Cell, Score, VISIT_COLUMNS};
use crate::table::{NO_DAY, RecordTable, TableError};

/// Codes of a visit.
const CODES: usize = 12;

pub(super) struct LookColumns {
    happened: Vec<i32>,
    /// Scheme, scores, outcome, reason and source.
    codes: [Vec<u8>; CODES],
}

impl LookColumns {
    /// The names of the columns of codes.
    pub(super) fn names() -> impl Iterator<Item = &'static str> {
        let criteria = VISIT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Score(_)));
        std::iter::once("scheme").chain(criteria.map(|column| column.name)).chain(["outcome", "reason", "source"])
    }

    pub(super) fn new(table: &RecordTable) -> Result<Self, TableError> {
        let mut codes: [Vec<u8>; CODES] = Default::default();
        for (codes, name) in codes.iter_mut().zip(Self::names()) {
            *codes = table.codes(name)?;
        }
        Ok(Self { happened: table.days("outcome_on")?, codes })
    }

    /// Each row as a look on its day.
    pub(super) fn read(&self, days: &[i32], rows: &mut VisitRows) {
        for (row, (at, day)) in (u32::try_from(rows.len()).unwrap_or(u32::MAX)..).zip(days.iter().enumerate()) {
            if let Some(happened) = self.happened(at) {
                rows.happened.push((row, happened));
            }
            let statement = self.statement(at, rows);
            rows.looks.push(Look { row, day: *day, statement });
        }
    }

    /// The day the outcome of a row happened, if it is told.
    pub(super) fn happened(&self, at: usize) -> Option<i32> {
        Some(self.happened[at]).filter(|day| *day != NO_DAY)
    }

    /// The number of what a row states.
    #[inline]
    pub(super) fn statement(&self, at: usize, rows: &mut VisitRows) -> u32 {
        #[expect(clippy::cast_possible_truncation, reason = "both halves are taken")]
        let hash = |key: u128| mixed((key >> 64) as u64, key as u64);
        let VisitRows { statements, known, .. } = rows;
        let packed = |from: usize, to: usize| {
            self.codes[from..to].iter().rev().fold(0_u64, |packed, codes| packed << 8 | u64::from(codes[at]))
        };
        let dated = self.happened[at] != NO_DAY;
        let (low, high) = (packed(0, 8), packed(8, CODES) | u64::from(dated) << 32);
        let key = u128::from(high) << 64 | u128::from(low);
        if let Some((_, number)) = known.find(hash(key), |(other, _)| *other == key) {
            return *number;
        }
        let number = statements.number(stated(self.codes.each_ref().map(|codes| codes[at]), dated));
        known.insert_unique(hash(key), (key, number), |(key, _)| hash(*key));
        number
    }
}

/// What the codes of a row state.
fn stated([scheme, scores @ .., outcome, reason, source]: [u8; CODES], dated: bool) -> Stated {
    Stated {
        scheme: decoded(scheme),
        scores: scores.map(Score::from_sign),
        outcome: decoded(outcome),
        reason: decoded(reason),
        reported: is_reported(source),
        dated,
    }
}
