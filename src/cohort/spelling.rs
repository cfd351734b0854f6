//! Two spellings of what may be one operator, patient or examiner: they would be counted apart without being seen.
//!
//! Decided.  The spelling that stands first in the files is the one that the others are held against.
//! Cost.     About 30 bytes a spelling and its letters, so that the patients of a long file fit.

use std::num::NonZeroU32;

use crate::finding::{FindingKind, Findings, Place};
use crate::table::text_hash::text_hash;
use crate::table::text_runs::Texts;
use crate::table::{RecordTable, TableError};
use crate::wording::folded;

/// Each spelling met in a column, with where it stands first.
#[derive(Clone, Debug, Default)]
pub struct Spellings {
    /// The letters of all spellings, one behind the other.
    letters: String,
    /// Where each ends, and its first place: file by its place in the list of files, and row.
    met: Vec<Met>,
    /// Spelling by hash; 0 is free, else one more than its place in `met`.
    slots: Vec<u32>,
    /// The one met last, by its place in `met`.
    last: Option<usize>,
    /// Some of those met lately, by their letters, with their places in `met`.
    recent: Vec<(u128, usize)>,
}

#[derive(Clone, Copy, Debug)]
struct Met {
    end: usize,
    first: (u32, u32),
}

impl Spellings {
    /// None yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds the texts of a column.
    ///
    /// # Errors
    /// When the table lacks the column, which would be a fault of the program.
    pub fn add_column(&mut self, table: &RecordTable, column: &str) -> Result<(), TableError> {
        let origins = table.origins()?;
        if let Texts::Numbered(texts) = table.texts(column)? {
            // By number the first place, and the texts in the order of their first row.
            let mut first = vec![None; texts.listed().len()];
            let mut met = Vec::new();
            for (row, number) in texts.numbers().iter().enumerate() {
                let Some(first) = first.get_mut(*number as usize) else { continue };
                let place = origins.place(row);
                if first.is_none() {
                    met.push(*number);
                }
                *first = Some(first.map_or(place, |first: (u32, u32)| first.min(place)));
            }
            for number in met {
                if let (Some(text), Some(place)) = (texts.text(number), first[number as usize]) {
                    self.add(text, place);
                }
            }
            return Ok(());
        }
        let mut row = 0;
        // A text that follows itself is met first at its least place.
        table.texts(column)?.runs(|run| {
            let places = (row..row + run.rows).map(|row| origins.place(row));
            row += run.rows;
            if let (Some(text), Some(first)) = (run.text, places.min()) {
                self.add(text, first);
            }
        });
        Ok(())
    }

    /// Adds a text with its place; hands back its number among all spellings, in the order of their first appearance.
    pub fn add(&mut self, text: &str, place: (u32, u32)) -> usize {
        // Rows of one operator or patient often follow each other, and a few spellings of many rows are found again by their letters,
        // packed into a number.
        let number = match self.last.filter(|last| self.text(*last) == text) {
            Some(last) => last,
            None => match packed(text) {
                Some(packed) => self.recent(packed).unwrap_or_else(|| {
                    let number = self.find_or_insert(text, place);
                    self.recent[slot_of(packed)] = (packed, number);
                    number
                }),
                None => self.find_or_insert(text, place),
            },
        };
        self.last = Some(number);
        let first = &mut self.met[number].first;
        *first = place.min(*first);
        number
    }

    fn recent(&mut self, packed: u128) -> Option<usize> {
        if self.recent.is_empty() {
            self.recent = vec![(0, 0); RECENT];
        }
        let (known, number) = self.recent[slot_of(packed)];
        (known == packed).then_some(number)
    }

    fn find_or_insert(&mut self, text: &str, place: (u32, u32)) -> usize {
        if (self.met.len() + 1) * 4 > self.slots.len() * 3 {
            self.grow();
        }
        let slot = self.slot(text);
        match self.slots[slot] {
            0 => {
                self.letters.push_str(text);
                self.met.push(Met { end: self.letters.len(), first: place });
                // Spellings are fewer than rows, and rows fewer than 2^32.
                self.slots[slot] = u32::try_from(self.met.len()).unwrap_or(u32::MAX);
                self.met.len() - 1
            }
            known => known as usize - 1,
        }
    }

    /// Takes over what was met elsewhere in the same files; hands back the number here of each spelling there.
    #[expect(clippy::cast_possible_truncation, reason = "spellings are fewer than rows, and rows fewer than 2^32")]
    pub fn take_over(&mut self, other: &Self) -> Vec<u32> {
        other.met.iter().enumerate().map(|(at, met)| self.add(other.text(at), met.first) as u32).collect()
    }

    /// Names the spellings that differ only in capitals, spaces or the form of their letters and digits.
    pub fn close(&self, files: &[String], column: &str, who: &str, findings: &mut Findings) {
        let mut alike: Vec<(u64, u32)> =
            (0..).zip(&self.met).map(|(at, _)| (text_hash(&folded(self.text(at as usize))), at)).collect();
        alike.sort_unstable_by_key(|(hash, _)| *hash);
        for group in alike.chunk_by(|one, other| one.0 == other.0).filter(|group| group.len() > 1) {
            let texts = group.iter().map(|&(_, at)| (self.text(at as usize), self.met[at as usize].first)).collect();
            name_alike(texts, files, (column, who), findings);
        }
    }

    /// A spelling by its number.
    pub(super) fn text(&self, at: usize) -> &str {
        let from = if at == 0 { 0 } else { self.met[at - 1].end };
        &self.letters[from..self.met[at].end]
    }

    /// The number of a spelling that was met.
    pub(super) fn find(&self, text: &str) -> Option<u32> {
        let met = if self.slots.is_empty() { 0 } else { self.slots[self.slot(text)] };
        met.checked_sub(1)
    }

    /// The slot of a text, or the free one where it belongs.
    fn slot(&self, text: &str) -> usize {
        let last = self.slots.len() - 1;
        #[expect(clippy::cast_possible_truncation, reason = "any bits of the hash will do")]
        let mut slot = text_hash(text) as usize & last;
        while self.slots[slot] != 0 && self.text(self.slots[slot] as usize - 1) != text {
            slot = (slot + 1) & last;
        }
        slot
    }

    fn grow(&mut self) {
        self.slots = vec![0; (self.slots.len() * 2).max(16)];
        for (at, number) in (1..).zip(0..self.met.len()) {
            let slot = self.slot(self.text(number));
            self.slots[slot] = at;
        }
    }
}

/// How many spellings are remembered by their letters.
const RECENT: usize = 256;

/// A short text as a number other than 0: its letters, and how many.
fn packed(text: &str) -> Option<u128> {
    let letters = text.as_bytes();
    let mut all = [0; 16];
    all.get_mut(..letters.len()).filter(|_| letters.len() < 15)?.copy_from_slice(letters);
    all[15] = u8::try_from(letters.len() + 1).ok()?;
    Some(u128::from_le_bytes(all))
}

#[expect(clippy::cast_possible_truncation, reason = "any bits will do")]
fn slot_of(packed: u128) -> usize {
    let both = (packed as u64 ^ (packed >> 64) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    (both >> 56) as usize % RECENT
}

/// Names texts of a column that differ only in capitals, spaces or the form of their letters and digits; `rows` are the first ones of each
/// text.
///
/// # Errors
/// When the table lacks the column, which would be a fault of the program.
pub fn check_spellings(
    table: &RecordTable,
    column: &str,
    rows: &[u32],
    who: &str,
    findings: &mut Findings,
) -> Result<(), TableError> {
    let (texts, origins) = (table.text(column)?, table.origins()?);
    let text = |row: u32| texts.get(row as usize);
    let mut alike = perhaps_twice(rows, |row| text(row).map(folded_hash));
    alike.sort_unstable();
    for group in alike.chunk_by(|one, other| one.0 == other.0).filter(|group| group.len() > 1) {
        let texts = group.iter().filter_map(|&(_, row)| Some((text(row)?, origins.place(row as usize)))).collect();
        name_alike(texts, table.files(), (column, who), findings);
    }
    Ok(())
}

/// The hash of a folded text, which is not put down for it where it is short.
fn folded_hash(text: &str) -> u64 {
    let mut short = [0; 64];
    if !text.is_ascii() || text.len() > short.len() {
        return text_hash(&folded(text));
    }
    if !text.bytes().any(|byte| byte <= b' ') {
        // Nothing to leave out.
        let own = &mut short[..text.len()];
        own.copy_from_slice(text.as_bytes());
        own.make_ascii_lowercase();
        return text_hash(std::str::from_utf8(own).unwrap_or_default());
    }
    let letters = text.bytes().filter(|byte| !char::from(*byte).is_whitespace());
    let mut length = 0;
    for (place, letter) in short.iter_mut().zip(letters) {
        *place = letter.to_ascii_lowercase();
        length += 1;
    }
    text_hash(std::str::from_utf8(&short[..length]).unwrap_or_default())
}

/// Rows whose hash may be another's too, with it; few others are among them. Of all rows no more than half of each hash is put down, and the
/// few that may be another's are hashed again.
fn perhaps_twice(rows: &[u32], hash: impl Fn(u32) -> Option<u64>) -> Vec<(u64, u32)> {
    let words = (rows.len() / 4).next_power_of_two().max(1);
    let (mut once, mut twice) = (vec![0_u64; words], vec![0_u64; words]);
    let at = |half: u32| (half as usize >> 6 & (words - 1), 1_u64 << (half & 63));
    // A row without a text has the hash of none.
    let halves: Vec<Option<NonZeroU32>> = rows.iter().map(|row| hash(*row).map(half)).collect();
    for (word, bit) in halves.iter().flatten().map(|half| at(half.get())) {
        twice[word] |= once[word] & bit;
        once[word] |= bit;
    }
    let is_twice = |half: &NonZeroU32| {
        let (word, bit) = at(half.get());
        twice[word] & bit != 0
    };
    let rows = rows.iter().zip(&halves).filter(|(_, half)| half.as_ref().is_some_and(is_twice));
    rows.filter_map(|(row, _)| Some((hash(*row)?, *row))).collect()
}

/// Half of a hash.
#[expect(clippy::cast_possible_truncation, reason = "any bits of the hash will do")]
const fn half(hash: u64) -> NonZeroU32 {
    NonZeroU32::MIN.saturating_add(hash as u32)
}

/// Names those of some texts, each with its first place, that are another's spelling; the earliest is the one held against. Told are the
/// column, and who is counted.
fn name_alike(mut texts: Vec<(&str, (u32, u32))>, files: &[String], (column, who): (&str, &str), findings: &mut Findings) {
    texts.sort_unstable_by_key(|&(text, place)| (place, text));
    let file = |place: u32| files.get(place as usize).map_or("", String::as_str);
    // What shares a hash by chance is parted here.
    let mut firsts: Vec<(&str, (u32, u32))> = Vec::new();
    for (text, place) in texts {
        let Some(&(other, other_place)) = firsts.iter().find(|(first, _)| folded(first) == folded(text)) else {
            firsts.push((text, place));
            continue;
        };
        findings.note(
            FindingKind::SpellingsDiffer,
            Place::cell(file(place.0), u64::from(place.1), column),
            Some(text),
            format!(
                "In {} row {} it is written {other}; the two are counted as two {who}.",
                file(other_place.0),
                other_place.1,
            ),
            "If they are the same, write both alike; leave them if they are not.",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_that_of_the_folded_text() {
        let long = "Op A ".repeat(20);
        for text in ["", "op-a", " Op\tA\u{b}", "Ärztin  B", "Ｏp-a", long.as_str()] {
            assert_eq!(folded_hash(text), text_hash(&folded(text)), "{text}");
        }
    }

    #[test]
    fn none_that_comes_twice_is_passed_over() {
        let hashed: Vec<(u64, u32)> = (0..5_000_u32)
            .map(|row| (u64::from(if row % 10 == 7 { row - 3 } else { row }).wrapping_mul(0x9e37_79b9_7f4a_7c15), row))
            .collect();
        let (rows, empty): (Vec<u32>, u32) = ((0..5_001).collect(), 5_000);
        let hash = |row: u32| (row != empty).then(|| hashed[row as usize].0);
        let kept = perhaps_twice(&rows, hash);
        for one in &hashed {
            let times = hashed.iter().filter(|other| other.0 == one.0).count();
            assert!(times == 1 || kept.contains(one));
        }
        assert!(kept.len() < 2_000, "{} of 1000 that come twice", kept.len());
    }

    /// Four thousand names, each in two spellings, one of them given again earlier by another part.
    #[test]
    fn parts_give_the_same_as_the_whole() {
        let rows: Vec<(String, (u32, u32))> = (0..12_000_u32)
            .map(|row| {
                let name = if row % 3 == 1 { format!("P {}", row / 3) } else { format!("p{}", row / 3) };
                (name, (row % 2, 20_000 - row))
            })
            .collect();
        let files = ["a.csv".to_owned(), "b.csv".to_owned()];
        let mut whole = Spellings::new();
        let add_all = |spellings: &mut Spellings, rows: &[(String, (u32, u32))]| {
            for (text, place) in rows {
                spellings.add(text, *place);
            }
        };
        add_all(&mut whole, &rows);
        let mut parts = Spellings::new();
        for some in rows.chunks(1_000).rev() {
            let mut part = Spellings::new();
            add_all(&mut part, some);
            parts.take_over(&part);
        }
        let said = |spellings: &Spellings| {
            let mut findings = Findings::keeping_all_errors();
            spellings.close(&files, "operator", "operators", &mut findings);
            findings
        };
        let found = said(&whole);
        assert_eq!(
            found.count(FindingKind::SpellingsDiffer, "a.csv") + found.count(FindingKind::SpellingsDiffer, "b.csv"),
            4_000
        );
        assert_eq!(said(&parts).sorted(), found.sorted());
        // Row 8002 of a.csv and rows 8001 and 8003 of b.csv are one name; a.csv comes first.
        let last = found.sorted().into_iter().find(|finding| finding.value.as_deref() == Some("p3999"));
        assert_eq!(
            last.map(|finding| (finding.place.row, finding.what.as_str())),
            Some((Some(8_001), "In a.csv row 8002 it is written P 3999; the two are counted as two operators."))
        );
    }
}
