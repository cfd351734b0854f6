//! Where each text of a column stands first, so that ids are told apart and found without copying one of them.
//!
//! Cost.  8 bytes a slot, and at most 2.7 slots a run of rows with the same text. A look-up reads a slot and, where 32 bits of the hash agree, one text. Nothing
//!        where the texts rise from row to row, as the ids of one export mostly do, by their letters or by the numbers in them;
//!        then a look-up halves.

use polars::prelude::StringChunked;
use polars_arrow::array::View;

use crate::table::text_hash::text_hash;
use crate::table::text_order::{TextOrder, rising_or_not};
use crate::table::text_runs::{TextRun, filled_views};

/// The first row of each text met so far.
pub(super) struct FirstRows<'a> {
    texts: &'a StringChunked,
    /// The same as they are held, where they are so in one piece and none is missing.
    views: Option<&'a [View]>,
    /// None where the texts rise from row to row: then nothing needs to be remembered.
    slots: Vec<Slot>,
    order: TextOrder,
    /// Whether each text is known to differ from all others.
    all_differ: bool,
}

/// A slot, free where the row is `u32::MAX`.
#[derive(Clone, Copy)]
struct Slot {
    mark: u32,
    row: u32,
}

impl<'a> FirstRows<'a> {
    /// None yet of a column.
    pub(super) fn new(texts: &'a StringChunked) -> Self {
        if let Some((order, all_differ)) = rising_or_not(texts) {
            return Self { all_differ, ..Self::of_rising(texts, order) };
        }
        // There are no more texts than runs of rows with the same one.
        let mut before = None;
        let runs = texts.iter().filter(|text| before.replace(*text) != Some(*text)).count();
        let slots = (runs + runs / 3 + 2).next_power_of_two();
        let slots = vec![Slot { mark: 0, row: u32::MAX }; slots];
        Self { texts, views: filled_views(texts), slots, order: TextOrder::Letters, all_differ: false }
    }

    /// Those of a column whose texts are known to come each after the one before it.
    pub(super) fn of_rising(texts: &'a StringChunked, order: TextOrder) -> Self {
        Self { texts, views: filled_views(texts), slots: Vec::new(), order, all_differ: true }
    }

    /// Whether each text is known to differ from all others: then each row is the first with its own.
    pub(super) const fn all_differ(&self) -> bool {
        self.all_differ
    }

    /// The first row with the text of this one, which is this one if the text wasn't met before. No text counts as an empty one.
    pub(super) fn meet(&mut self, row: u32) -> u32 {
        let text = self.text(row);
        if self.slots.is_empty() {
            let repeats = row > 0 && self.text(row - 1) == text;
            return if repeats { self.find(text).unwrap_or(row) } else { row };
        }
        let (slot, mark) = self.slot(text);
        let found = &mut self.slots[slot];
        if found.row == u32::MAX {
            *found = Slot { mark, row };
        }
        found.row
    }

    /// The first row with a text.
    pub(super) fn find(&self, text: &str) -> Option<u32> {
        if self.slots.is_empty() {
            let text_at = |row: usize| self.texts.get(row).unwrap_or("");
            let from = self.order.first_not_before(self.texts.len(), text_at, text);
            let found = from < self.texts.len() && self.texts.get(from) == Some(text);
            return u32::try_from(from).ok().filter(|_| found);
        }
        let row = self.slots[self.slot(text).0].row;
        (row != u32::MAX).then_some(row)
    }

    /// Whether a row has the text of a run, which mostly is told without a look at its letters.
    pub(super) fn has(&self, row: u32, run: &TextRun<'_>) -> bool {
        match (self.views.and_then(|views| views.get(row as usize)), run.mark) {
            (Some(view), Some(mark)) => view.as_u128() == mark,
            _ => run.text == Some(self.text(row)),
        }
    }

    /// The text of a row.
    pub(super) fn text(&self, row: u32) -> &'a str {
        self.texts.get(row as usize).unwrap_or("")
    }

    /// The slot of a text, or the free one where it belongs, and the mark of its hash.
    fn slot(&self, text: &str) -> (usize, u32) {
        let hash = text_hash(text);
        let (last, mark) = (self.slots.len() - 1, (hash >> 32) as u32);
        let mut slot = slot_of(hash, last);
        loop {
            let found = self.slots[slot];
            if found.row == u32::MAX || (found.mark == mark && self.text(found.row) == text) {
                return (slot, mark);
            }
            slot = (slot + 1) & last;
        }
    }
}

/// Where a text with a hash stands, if nothing else stands there.
#[expect(clippy::cast_possible_truncation, reason = "any bits of the hash will do")]
const fn slot_of(hash: u64, last: usize) -> usize {
    hash as usize & last
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::text_runs::text_runs;

    #[test]
    fn texts_that_rise_in_every_row_all_differ() {
        let column = |texts: &[&str]| -> StringChunked { texts.iter().map(|text| Some(*text)).collect() };
        assert!(FirstRows::new(&column(&["R2", "R9", "R10"])).all_differ());
        assert!(!FirstRows::new(&column(&["R2", "R10", "R10"])).all_differ());
        assert!(!FirstRows::new(&column(&["R2", "R10", "R9"])).all_differ());
        assert!(!FirstRows::new(&column(&["", "R10"])).all_differ());
    }

    #[test]
    fn the_first_row_of_each_text_is_found() {
        let mixed: Vec<Option<String>> = (0..5_000_u32)
            .map(|row| (row % 7 != 3).then(|| format!("R{:05}-{}", row * 31 % 1_700, row * 31 % 1_700 % 3)))
            .collect();
        let rising: Vec<Option<String>> = (0..5_000_u32).map(|row| Some(format!("R{:05}", row / 3 * 2))).collect();
        let numbers: Vec<Option<String>> = (0..5_000_u32).map(|row| Some(format!("R{}-2", row / 3 * 2))).collect();
        let long: Vec<Option<String>> =
            rising.iter().map(|text| text.as_ref().map(|text| format!("{text} of some length"))).collect();
        for (texts, is_rising) in [(mixed, false), (rising, true), (numbers, true), (long, true)] {
            let column: StringChunked = texts.iter().map(Option::as_deref).collect();
            let mut first = std::collections::BTreeMap::new();
            let mut rows = FirstRows::new(&column);
            assert_eq!(rows.slots.is_empty(), is_rising);
            assert!(!rows.all_differ());
            for (row, text) in (0..).zip(&texts) {
                let text = text.as_deref().unwrap_or("");
                assert_eq!(rows.meet(row), *first.entry(text).or_insert(row));
            }
            let mut row = 0;
            text_runs(&column, |run| {
                for other in [row, row + 1, row + 3].into_iter().filter(|other| (*other as usize) < texts.len()) {
                    let same = run.text.is_some() && run.text == column.get(other as usize).or(Some(""));
                    assert_eq!(rows.has(other, &run), same, "row {other}");
                }
                row += u32::try_from(run.rows).expect("few");
            });
            assert!(first.len() > 1_000);
            for (text, row) in first {
                assert_eq!(rows.find(text), Some(row));
            }
            for none in ["R00000-9", "R00001", "Q", "S"] {
                assert_eq!(rows.find(none), None);
            }
        }
    }
}
