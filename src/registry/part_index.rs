//! Which part each restoration belongs to, where rows are too many to be held at once.
//!
//! Rows that meet must meet in one part: all rows of a restoration, and all restorations of a patient. A restoration that is given
//! with two patients brings both into one part. Parts are told by hashes, so that nothing hangs on the order of rows; two texts that
//! share a hash only share a part.
//!
//! Cost.  16 bytes a row of placements while it is made, 26 a restoration at its end, then 10.

use std::collections::HashMap;
use std::hash::{BuildHasher, BuildHasherDefault, DefaultHasher};

use crate::wording::folded;

/// The most parts there are.
pub const MOST_PARTS: usize = 4096;

/// Placements met so far.
#[derive(Debug, Default)]
pub struct PartIndexBuilder {
    /// Hashes of restoration and patient.
    met: Vec<(u64, u64)>,
}

/// The part of each restoration.
#[derive(Debug)]
pub struct PartIndex {
    /// Hashes of restorations, in order.
    restorations: Vec<u64>,
    part: Vec<u16>,
    parts: usize,
    /// Where hashes with the same first bits begin.
    starts: Vec<u32>,
    shift: u32,
}

impl PartIndexBuilder {
    /// None yet, with room for so many.
    pub fn with_capacity(rows: usize) -> Self {
        Self { met: Vec::with_capacity(rows) }
    }

    /// Adds a placement. Two spellings of a patient come into one part, so that they are found there.
    pub fn add(&mut self, restoration: &str, patient: &str) {
        self.met.push((hash(restoration), hash(&folded(patient))));
    }

    /// The index for so many parts.
    #[expect(clippy::cast_possible_truncation, reason = "there are fewer parts than 2^16 and fewer rows than 2^32")]
    pub fn finish(mut self, parts: usize) -> PartIndex {
        self.met.sort_unstable();
        let mut joined: HashMap<u64, u64> = HashMap::new();
        for pair in self.met.windows(2).filter(|pair| pair[0].0 == pair[1].0 && pair[0].1 != pair[1].1) {
            let (one, other) = (root(&joined, pair[0].1), root(&joined, pair[1].1));
            if one != other {
                joined.insert(one.max(other), one.min(other));
            }
        }
        self.met.dedup_by_key(|(restoration, _)| *restoration);
        let part = self.met.iter().map(|&(_, patient)| (root(&joined, patient) % parts as u64) as u16).collect();
        let restorations: Vec<u64> = self.met.iter().map(|&(restoration, _)| restoration).collect();
        drop(self.met);
        let bits = (restorations.len() / 8).max(2).ilog2();
        let shift = u64::BITS - bits;
        let mut starts = vec![0_u32; (1 << bits) + 1];
        for restoration in &restorations {
            starts[(restoration >> shift) as usize + 1] += 1;
        }
        for at in 1..starts.len() {
            starts[at] += starts[at - 1];
        }
        PartIndex { restorations, part, parts, starts, shift }
    }
}

fn root(joined: &HashMap<u64, u64>, mut patient: u64) -> u64 {
    while let Some(&next) = joined.get(&patient) {
        patient = next;
    }
    patient
}

impl PartIndex {
    /// How many parts there are.
    pub const fn parts(&self) -> usize {
        self.parts
    }

    /// Whether a restoration was placed, as far as its hash tells.
    pub fn knows(&self, restoration: &str) -> bool {
        self.find(hash(restoration)).is_some()
    }

    /// The part of a restoration; one that was never placed has one too.
    #[expect(clippy::cast_possible_truncation, reason = "there are few parts")]
    pub fn part(&self, restoration: &str) -> usize {
        let hash = hash(restoration);
        self.find(hash).map_or_else(|| (hash % self.parts as u64) as usize, |at| usize::from(self.part[at]))
    }

    #[expect(clippy::cast_possible_truncation, reason = "the first bits are fewer than those of a place")]
    fn find(&self, hash: u64) -> Option<usize> {
        let first_bits = (hash >> self.shift) as usize;
        let (from, to) = (self.starts[first_bits] as usize, self.starts[first_bits + 1] as usize);
        self.restorations[from..to].binary_search(&hash).ok().map(|at| from + at)
    }
}

fn hash(text: &str) -> u64 {
    BuildHasherDefault::<DefaultHasher>::default().hash_one(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_meets_is_in_one_part() {
        let mut builder = PartIndexBuilder::default();
        for n in 0..5_000 {
            builder.add(&format!("R{n}"), &format!("P{}", n / 3));
        }
        // One restoration with two patients, and a chain of them.
        builder.add("R0", "P900");
        builder.add("R2700", "P1500");
        // Two spellings of a patient.
        builder.add("other", "p 77");
        let index = builder.finish(40);
        for n in 0..5_000 {
            assert_eq!(index.part(&format!("R{n}")), index.part(&format!("R{}", n / 3 * 3)));
            assert!(index.knows(&format!("R{n}")));
        }
        assert_eq!(index.part("R1"), index.part("R2701"));
        assert_eq!(index.part("R1"), index.part("R4501"));
        assert_eq!(index.part("other"), index.part("R231"));
        assert!(!index.knows("R5000") && index.part("R5000") < 40);
        let mut used: Vec<usize> = (0..5_000).map(|n| index.part(&format!("R{n}"))).collect();
        used.sort_unstable();
        used.dedup();
        assert_eq!(used.len(), 40);
    }

    #[test]
    fn nothing_placed_knows_nothing() {
        let index = PartIndexBuilder::default().finish(3);
        assert!(!index.knows("R1") && index.part("R1") < 3);
    }
}
