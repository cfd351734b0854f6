//! Where each text of a column stands first, so that ids are told apart and found without copying one of them.
//!
//! Cost.  8 bytes a slot, and at most 2.7 slots a row. A look-up reads a slot and, where 32 bits of the hash agree, one text.

use polars::prelude::StringChunked;

/// The first row of each text met so far.
pub(super) struct FirstRows<'a> {
    texts: &'a StringChunked,
    slots: Vec<Slot>,
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
        let slots = (texts.len() + texts.len() / 3 + 2).next_power_of_two();
        Self { texts, slots: vec![Slot { mark: 0, row: u32::MAX }; slots] }
    }

    /// The first row with the text of this one, which is this one if the text wasn't met before. No text counts as an empty one.
    pub(super) fn meet(&mut self, row: u32) -> u32 {
        let text = self.text(row);
        let (slot, mark) = self.slot(text);
        let found = &mut self.slots[slot];
        if found.row == u32::MAX {
            *found = Slot { mark, row };
        }
        found.row
    }

    /// The first row with a text.
    pub(super) fn find(&self, text: &str) -> Option<u32> {
        let row = self.slots[self.slot(text).0].row;
        (row != u32::MAX).then_some(row)
    }

    /// The text of a row.
    pub(super) fn text(&self, row: u32) -> &'a str {
        self.texts.get(row as usize).unwrap_or("")
    }

    /// The slot of a text, or the free one where it belongs, and the mark of its hash.
    #[expect(clippy::cast_possible_truncation, reason = "any bits of the hash will do")]
    fn slot(&self, text: &str) -> (usize, u32) {
        let hash = text_hash(text);
        let (last, mark) = (self.slots.len() - 1, (hash >> 32) as u32);
        let mut slot = hash as usize & last;
        loop {
            let found = self.slots[slot];
            if found.row == u32::MAX || (found.mark == mark && self.text(found.row) == text) {
                return (slot, mark);
            }
            slot = (slot + 1) & last;
        }
    }
}

/// Sixty-four bits that tell texts apart, eight letters at a time; no order that anybody sees may hang on them.
pub(super) fn text_hash(text: &str) -> u64 {
    // Odd constants without a pattern: the fractions of the golden ratio and of the square root of 2.
    const STEP: u64 = 0x9e37_79b9_7f4a_7c15;
    const START: u64 = 0x6a09_e667_f3bc_c909;
    let (eights, rest) = text.as_bytes().as_chunks::<8>();
    let mut state = START ^ text.len() as u64;
    for eight in eights {
        state = folded_product(state ^ u64::from_le_bytes(*eight), STEP);
    }
    let mut last = [0; 8];
    last[..rest.len()].copy_from_slice(rest);
    folded_product(folded_product(state ^ u64::from_le_bytes(last), STEP), START)
}

/// Both halves of a product, one laid over the other.
#[expect(clippy::cast_possible_truncation, reason = "the halves are what is wanted")]
fn folded_product(one: u64, other: u64) -> u64 {
    let product = u128::from(one) * u128::from(other);
    (product as u64) ^ ((product >> 64) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_row_of_each_text_is_found() {
        let texts: Vec<Option<String>> = (0..5_000_u32)
            .map(|row| (row % 7 != 3).then(|| format!("R{:05}-{}", row * 31 % 1_700, row * 31 % 1_700 % 3)))
            .collect();
        let column: StringChunked = texts.iter().map(Option::as_deref).collect();
        let mut first = std::collections::BTreeMap::new();
        let mut rows = FirstRows::new(&column);
        for (row, text) in (0..).zip(&texts) {
            let text = text.as_deref().unwrap_or("");
            assert_eq!(rows.meet(row), *first.entry(text).or_insert(row));
        }
        assert!(first.len() > 1_000);
        for (text, row) in first {
            assert_eq!(rows.find(text), Some(row));
        }
        assert_eq!(rows.find("R00000-9"), None);
    }

    #[test]
    fn texts_that_differ_little_have_other_hashes() {
        let mut hashes: Vec<u64> = (0..20_000)
            .flat_map(|n| [format!("{n}"), format!("R{n:08}-1"), format!("R{n:08}-2"), format!("{n} {n}")])
            .map(|text| text_hash(&text))
            .collect();
        hashes.extend(["", "\0", "\0\0", "\0\0\0\0\0\0\0\0"].map(text_hash));
        let all = hashes.len();
        hashes.sort_unstable();
        hashes.dedup();
        assert_eq!(hashes.len(), all);
    }
}
