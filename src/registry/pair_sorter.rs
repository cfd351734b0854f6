//! Pairs of hashes put in order, however many there are: a few in memory, the others on the disk for the length of a run.
//!
//! Pairs are parted by the first bits of their first hash into buckets, and each bucket is put in order by itself.
//!
//! Cost.  Memory: 16 bytes for each pair that may be held, and a bucket; disk: 16 bytes a pair.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};

use tempfile::TempPath;

use super::batch_file::{not_written, temporary};
use super::error::RegistryError;
use super::paths::Paths;

/// Two hashes.
pub type Pair = (u64, u64);

/// Buckets, as a power of two: of a hundred million pairs, each has some four hundred thousand.
const BUCKET_BITS: u32 = 8;

/// Bytes of a pair on the disk.
const BYTES: usize = 16;

/// Pairs read from the disk at a time.
const AT_ONCE: usize = 65_536;

/// From where to where the pairs of each bucket lie.
type Stretches = Vec<Vec<(u64, u64)>>;

/// Pairs met so far.
pub struct PairSorter {
    paths: Paths,
    most_held: usize,
    held: Vec<Pair>,
    /// The others, and where those of each bucket lie; none as long as all are held.
    put_down: Option<(PairFile, Stretches)>,
}

/// A file of pairs, removed with this value.
pub struct PairFile {
    file: File,
    path: TempPath,
    pairs: u64,
}

impl PairSorter {
    /// None yet, and at most so many of them in memory.
    pub(super) fn new(paths: &Paths, most_held: usize) -> Self {
        Self { paths: paths.clone(), most_held, held: Vec::new(), put_down: None }
    }

    /// Adds a pair.
    ///
    /// # Errors
    /// When the system refuses to write.
    pub fn add(&mut self, pair: Pair) -> Result<(), RegistryError> {
        if self.held.len() >= self.most_held.max(1) {
            self.put_down()?;
        }
        self.held.push(pair);
        Ok(())
    }

    fn put_down(&mut self) -> Result<(), RegistryError> {
        let (file, stretches) = match &mut self.put_down {
            Some(put_down) => put_down,
            none => none.insert((PairFile::begin(&self.paths)?, vec![Vec::new(); 1 << BUCKET_BITS])),
        };
        self.held.sort_unstable();
        for run in self.held.chunk_by(|one, next| bucket(*one) == bucket(*next)) {
            stretches[bucket(run[0])].push((file.pairs, file.pairs + run.len() as u64));
            file.write(run)?;
        }
        self.held.clear();
        Ok(())
    }

    /// Whether all of them are in memory.
    pub fn all_held(&self) -> bool {
        self.put_down.is_none()
    }

    /// Hands them over in order, some at a time; pairs that share their first hash come together.
    ///
    /// # Errors
    /// When the system refuses, or what `take` says.
    pub fn finish(mut self, take: &mut dyn FnMut(Vec<Pair>) -> Result<(), RegistryError>) -> Result<(), RegistryError> {
        if self.put_down.is_some() {
            self.put_down()?;
        }
        let Some((file, stretches)) = self.put_down else {
            self.held.sort_unstable();
            return take(self.held);
        };
        drop(self.held);
        for stretches in stretches {
            let mut pairs = Vec::new();
            for (from, to) in stretches {
                file.each(from, to, &mut |some| {
                    pairs.extend_from_slice(some);
                    true
                })?;
            }
            pairs.sort_unstable();
            take(pairs)?;
        }
        Ok(())
    }
}

const fn bucket((first, _): Pair) -> usize {
    (first >> (u64::BITS - BUCKET_BITS)) as usize
}

impl PairFile {
    /// An empty one.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn begin(paths: &Paths) -> Result<Self, RegistryError> {
        let (file, path) = temporary(paths)?.into_parts();
        Ok(Self { file, path, pairs: 0 })
    }

    /// How many there are.
    pub const fn pairs(&self) -> u64 {
        self.pairs
    }

    /// Writes some behind those that are there.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn write(&mut self, pairs: &[Pair]) -> Result<(), RegistryError> {
        for some in pairs.chunks(AT_ONCE) {
            let bytes: Vec<u8> =
                some.iter().flat_map(|(one, other)| [one.to_le_bytes(), other.to_le_bytes()]).flatten().collect();
            self.file.write_all(&bytes).map_err(|error| not_written(&self.path, &error))?;
        }
        self.pairs += pairs.len() as u64;
        Ok(())
    }

    /// Goes through them from one place to another, some at a time, as long as more are wanted. The file is opened anew, so that two
    /// threads may go through it at once.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn each(&self, from: u64, to: u64, take: &mut dyn FnMut(&[Pair]) -> bool) -> Result<(), RegistryError> {
        let unread = |error: std::io::Error| RegistryError::not_read(&self.path, &error);
        let mut file = File::open(&self.path).map_err(unread)?;
        file.seek(SeekFrom::Start(from * BYTES as u64)).map_err(unread)?;
        let most = usize::try_from(to - from).unwrap_or(usize::MAX).min(AT_ONCE);
        let (mut bytes, mut some) = (vec![0; most * BYTES], Vec::with_capacity(most));
        let mut at = from;
        while at < to {
            let pairs = usize::try_from(to - at).unwrap_or(usize::MAX).min(most);
            let bytes = &mut bytes[..pairs * BYTES];
            file.read_exact(bytes).map_err(unread)?;
            some.clear();
            some.extend(bytes.as_chunks::<BYTES>().0.iter().map(|both| {
                let both = u128::from_le_bytes(*both);
                #[expect(clippy::cast_possible_truncation, reason = "the lower half, then the upper one")]
                (both as u64, (both >> u64::BITS) as u64)
            }));
            if !take(&some) {
                break;
            }
            at += pairs as u64;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_come_in_order_however_few_are_held() {
        let folder = tempfile::tempdir().expect("a folder");
        let paths = Paths::new(folder.path());
        std::fs::create_dir_all(paths.batches()).expect("a folder");
        let pairs = || (0..3_000_u64).map(|n| (n.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1, n));
        let mut expected: Vec<Pair> = pairs().collect();
        expected.sort_unstable();
        for most_held in [0, 7, 1_000, 2_999, 3_000, 1_000_000] {
            let mut sorter = PairSorter::new(&paths, most_held);
            pairs().for_each(|pair| sorter.add(pair).expect("added"));
            assert_eq!(sorter.all_held(), most_held >= 3_000);
            let mut all = Vec::new();
            let taken = sorter.finish(&mut |some| {
                all.extend(some);
                Ok(())
            });
            taken.expect("read again");
            assert_eq!(all, expected, "{most_held} held");
        }
        assert_eq!(std::fs::read_dir(paths.batches()).expect("a folder").count(), 0, "nothing is left behind");
    }
}
