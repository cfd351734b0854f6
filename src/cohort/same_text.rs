//! For each row of a column the first one with the same text.
//!
//! Runs of rows are dealt out by the hash of their text, so few to each hand that what is remembered of them stays near; hands are played on
//! all threads.
//!
//! Cost.  32 bytes a run of rows with the same text, and 4 bytes a row.

use hashbrown::HashTable;
use polars::prelude::StringChunked;

use crate::table::text_hash::text_hash;
use crate::table::text_runs::text_runs;
use crate::threads::{available, in_turn};

/// Rows in one run, which come from its first one on.
#[derive(Clone, Copy, Default)]
struct Run {
    hash: u64,
    row: u32,
    rows: u32,
}

/// About so many runs are dealt to one hand.
const HAND: usize = 1 << 14;
/// Rows that are told at a time, whatever hand they are of: so few that they stay near.
const TOLD: u32 = 1 << 16;

/// For each row the first one with the same text; no text counts as an empty one.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
pub(super) fn first_rows(texts: &StringChunked) -> Vec<u32> {
    let (mut count, mut row) = (0, 0);
    text_runs(texts, |_| count += 1);
    let mut runs = Vec::with_capacity(count);
    text_runs(texts, |run| {
        runs.push(Run { hash: text_hash(run.text.unwrap_or("")), row, rows: run.rows as u32 });
        row += run.rows as u32;
    });
    let bits = (runs.len() / HAND).next_power_of_two().trailing_zeros().min(12);
    let dealt = dealt(&runs, bits);
    drop(runs);
    let hands: Vec<&[Run]> = dealt.chunk_by(|one, other| one.hand(bits) == other.hand(bits)).collect();
    let text = |row: u32| texts.get(row as usize).unwrap_or("");
    let found = in_turn(&hands, available().min(hands.len()), |hand| {
        let mut met: HashTable<(u64, u32)> = HashTable::with_capacity(hand.len().min(2 * HAND));
        let first = |run: &Run| -> u32 {
            let same = |(hash, earlier): &(u64, u32)| *hash == run.hash && text(*earlier) == text(run.row);
            if let Some((_, earlier)) = met.find(run.hash, same) {
                return *earlier;
            }
            met.insert_unique(run.hash, (run.hash, run.row), |(hash, _)| *hash);
            run.row
        };
        hand.iter().map(first).collect::<Vec<u32>>()
    });
    let mut firsts = vec![0; texts.len()];
    // Runs of each hand rise, so each goes on where it stopped.
    let mut played: Vec<_> = hands.iter().zip(&found).map(|(hand, found)| hand.iter().zip(found).peekable()).collect();
    for from in (0..texts.len() as u32).step_by(TOLD as usize) {
        for hand in &mut played {
            while let Some((run, first)) = hand.next_if(|(run, _)| run.row - from < TOLD) {
                firsts[run.row as usize..(run.row + run.rows) as usize].fill(*first);
            }
        }
    }
    firsts
}

impl Run {
    /// The hand that it is dealt to, by so many bits of its hash; the tables of the hands go by others.
    const fn hand(&self, bits: u32) -> usize {
        (self.hash >> 40) as usize & ((1 << bits) - 1)
    }
}

/// All runs by hand, those of a hand in their order.
fn dealt(runs: &[Run], bits: u32) -> Vec<Run> {
    let mut next = vec![0_usize; (1 << bits) + 1];
    runs.iter().for_each(|run| next[run.hand(bits) + 1] += 1);
    for hand in 1..next.len() {
        next[hand] += next[hand - 1];
    }
    let mut dealt = vec![Run::default(); runs.len()];
    for run in runs {
        let place = &mut next[run.hand(bits)];
        dealt[*place] = *run;
        *place += 1;
    }
    dealt
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_row_of_each_text_is_told() {
        // Few rows, and so many that several hands are dealt; runs, texts that come again, long ones and none.
        for rows in [0, 1, 9, 5 * HAND] {
            let texts: Vec<Option<String>> = (0..rows)
                .map(|row| row / 3 * 7919 % 20_011)
                .map(|n| {
                    (n % 11 != 3).then(|| if n % 5 == 0 { format!("P-{n} with a long name") } else { format!("P-{n}") })
                })
                .collect();
            let column: StringChunked = texts.iter().map(Option::as_deref).collect();
            let mut first = std::collections::BTreeMap::new();
            let expected: Vec<u32> =
                (0..).zip(&texts).map(|(row, text)| *first.entry(text.as_deref().unwrap_or("")).or_insert(row)).collect();
            assert!(rows < HAND || (first.len() > HAND && first.len() < rows / 3 * 9 / 10), "some come again");
            assert_eq!(first_rows(&column), expected);
        }
    }
}
