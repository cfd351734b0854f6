//! Which part each restoration belongs to, where rows are too many to be held at once.
//!
//! Rows that meet must meet in one part: all rows of a restoration, and all restorations of a patient. A restoration that is given
//! with two patients brings both into one part. Parts are told by hashes, so that nothing hangs on the order of rows; two texts that
//! share a hash only share a part.
//!
//! Few placements are held in memory; more are on the disk, in the order of their hashes, and are gone through from end to end once
//! for many restorations that are looked up together.
//!
//! Cost.  Memory: 16 bytes for each placement that may be held, however many there are. Disk: 32 bytes a placement while it is made,
//!        then 16 a restoration.

use std::collections::HashMap;
use std::hash::{BuildHasher, BuildHasherDefault, DefaultHasher};

use super::error::RegistryError;
use super::pair_sorter::{Pair, PairFile, PairSorter};
use super::paths::Paths;
use crate::wording::folded;

/// The most parts there are.
pub const MOST_PARTS: usize = 4096;

/// Placements met so far.
pub struct PartIndexBuilder {
    paths: Paths,
    /// Hashes of restoration and patient.
    met: PairSorter,
}

/// The part of each restoration.
pub struct PartIndex {
    placed: Placed,
    /// Patients who share a part with another one that they would not share it with by their own hash.
    joined: HashMap<u64, u64>,
    parts: usize,
}

/// Hashes of restoration and patient, one a restoration, in order.
enum Placed {
    Held(Vec<Pair>),
    OnDisk(PairFile),
}

impl PartIndexBuilder {
    /// None yet, and at most so many of them in memory.
    pub fn new(paths: &Paths, most_held: usize) -> Self {
        Self { paths: paths.clone(), met: PairSorter::new(paths, most_held) }
    }

    /// Adds a placement. Two spellings of a patient come into one part, so that they are found there.
    ///
    /// # Errors
    /// When the system refuses to write.
    pub fn add(&mut self, restoration: &str, patient: &str) -> Result<(), RegistryError> {
        self.met.add((hash(restoration), hash(&folded(patient))))
    }

    /// The index for so many parts.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn finish(self, parts: usize) -> Result<PartIndex, RegistryError> {
        let mut joined = HashMap::new();
        let mut placed =
            if self.met.all_held() { Placed::Held(Vec::new()) } else { Placed::OnDisk(PairFile::begin(&self.paths)?) };
        self.met.finish(&mut |mut some| {
            join(&some, &mut joined);
            some.dedup_by_key(|(restoration, _)| *restoration);
            match &mut placed {
                Placed::Held(placed) => *placed = some,
                Placed::OnDisk(file) => file.write(&some)?,
            }
            Ok(())
        })?;
        Ok(PartIndex { placed, joined, parts })
    }
}

/// Joins the patients who share a restoration.
fn join(placed: &[Pair], joined: &mut HashMap<u64, u64>) {
    for pair in placed.windows(2).filter(|pair| pair[0].0 == pair[1].0 && pair[0].1 != pair[1].1) {
        let (one, other) = (root(joined, pair[0].1), root(joined, pair[1].1));
        if one != other {
            joined.insert(one.max(other), one.min(other));
        }
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

    /// Which of some restorations were placed, as far as their hashes tell.
    ///
    /// # Errors
    /// When the system refuses to read.
    pub fn known<'a>(&self, restorations: impl Iterator<Item = &'a str>) -> Result<Vec<bool>, RegistryError> {
        Ok(self.look_up(restorations)?.iter().map(|(_, patient)| patient.is_some()).collect())
    }

    /// The part of each of some restorations; one that was never placed has one too.
    ///
    /// # Errors
    /// When the system refuses to read.
    #[expect(clippy::cast_possible_truncation, reason = "there are few parts")]
    pub fn parts_of<'a>(&self, restorations: impl Iterator<Item = &'a str>) -> Result<Vec<usize>, RegistryError> {
        let parts = self.parts as u64;
        let found = self.look_up(restorations)?;
        let part = |&(restoration, patient): &(u64, Option<u64>)| {
            patient.map_or(restoration, |patient| root(&self.joined, patient)) % parts
        };
        Ok(found.iter().map(|one| part(one) as usize).collect())
    }

    /// The hash of each of some restorations, and that of its patient if it was placed.
    fn look_up<'a>(&self, restorations: impl Iterator<Item = &'a str>) -> Result<Vec<(u64, Option<u64>)>, RegistryError> {
        let mut found: Vec<(u64, Option<u64>)> = restorations.map(|restoration| (hash(restoration), None)).collect();
        let mut wanted: Vec<(u64, usize)> = found.iter().enumerate().map(|(at, (hash, _))| (*hash, at)).collect();
        wanted.sort_unstable();
        let mut left = wanted.as_slice();
        let mut take = |placed: &[Pair]| {
            for &(restoration, patient) in placed {
                while let Some((&(hash, at), others)) = left.split_first()
                    && hash <= restoration
                {
                    if hash == restoration {
                        found[at].1 = Some(patient);
                    }
                    left = others;
                }
            }
            !left.is_empty()
        };
        match &self.placed {
            Placed::Held(placed) => {
                take(placed);
            }
            Placed::OnDisk(file) => file.each(0, file.pairs(), &mut take)?,
        }
        Ok(found)
    }
}

fn hash(text: &str) -> u64 {
    BuildHasherDefault::<DefaultHasher>::default().hash_one(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What belongs together, held in memory or not.
    fn meets(most_held: usize) -> Vec<usize> {
        let folder = tempfile::tempdir().expect("a folder");
        let paths = Paths::new(folder.path());
        std::fs::create_dir_all(paths.batches()).expect("a folder");
        let mut builder = PartIndexBuilder::new(&paths, most_held);
        let mut add = |restoration: &str, patient: &str| builder.add(restoration, patient).expect("added");
        for n in 0..5_000 {
            add(&format!("R{n}"), &format!("P{}", n / 3));
        }
        // One restoration with two patients, and a chain of them.
        add("R0", "P900");
        add("R2700", "P1500");
        // Two spellings of a patient.
        add("other", "p 77");
        let index = builder.finish(40).expect("an index");
        assert_eq!(matches!(index.placed, Placed::OnDisk(_)), most_held < 5_000);
        let names: Vec<String> = (0..5_000).map(|n| format!("R{n}")).chain(["other".into(), "R5000".into()]).collect();
        let parts = index.parts_of(names.iter().map(String::as_str)).expect("parts");
        for n in 0..5_000 {
            assert_eq!(parts[n], parts[n / 3 * 3]);
        }
        assert_eq!((parts[1], parts[1]), (parts[2701], parts[4501]));
        assert_eq!(parts[5_000], parts[231]);
        assert!(parts.iter().all(|part| *part < 40));
        let known = index.known(names.iter().map(String::as_str)).expect("known");
        assert!(known[..=5_000].iter().all(|known| *known) && !known[5_001]);
        let mut used = parts.clone();
        used.sort_unstable();
        used.dedup();
        assert_eq!(used.len(), 40);
        drop(index);
        assert_eq!(std::fs::read_dir(paths.batches()).expect("a folder").count(), 0, "nothing is left behind");
        parts
    }

    #[test]
    fn what_meets_is_in_one_part() {
        let held = meets(1_000_000);
        for most_held in [4_000, 300, 7] {
            assert_eq!(meets(most_held), held, "{most_held} held");
        }
    }

    #[test]
    fn nothing_placed_knows_nothing() {
        let folder = tempfile::tempdir().expect("a folder");
        let index = PartIndexBuilder::new(&Paths::new(folder.path()), 10).finish(3).expect("an index");
        assert_eq!(index.known(["R1"].into_iter()).expect("known"), [false]);
        assert!(index.parts_of(["R1"].into_iter()).expect("parts")[0] < 3);
    }
}
