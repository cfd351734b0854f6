//! What makes two rows speak of the same thing: a placement's restoration; a visit's restoration, day and examiner.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use polars::prelude::{DataFrame, StringChunked};

use super::error::RegistryError;
use super::manifest::Holds;
use crate::table::NO_DAY;
use crate::table::text_hash::{folded_product, text_hash};

/// Restoration, day, examiner; of a placement the restoration alone.
pub type RowKey<'a> = (&'a str, i32, Option<&'a str>);

/// The keys of a table's rows.
pub struct RowKeys<'a> {
    restoration: &'a StringChunked,
    visit: Option<(Vec<i32>, &'a StringChunked)>,
}

impl<'a> RowKeys<'a> {
    /// The keys of a table.
    pub fn new(frame: &'a DataFrame, holds: Holds) -> Result<Self, RegistryError> {
        let text = |name: &str| -> Result<&'a StringChunked, RegistryError> {
            Ok(frame.column(name)?.as_materialized_series().str()?)
        };
        let visit = match holds {
            Holds::Placements => None,
            Holds::Visits => {
                let days = frame.column("visited_on")?.as_materialized_series().date()?;
                Some((days.physical().iter().map(|day| day.unwrap_or(NO_DAY)).collect(), text("examiner")?))
            }
        };
        Ok(Self { restoration: text("restoration_id")?, visit })
    }

    /// The key of a row.
    pub fn key(&self, row: usize) -> RowKey<'a> {
        let restoration = self.restoration.get(row).unwrap_or("");
        match &self.visit {
            None => (restoration, NO_DAY, None),
            Some((days, examiner)) => (restoration, days.get(row).copied().unwrap_or(NO_DAY), examiner.get(row)),
        }
    }
}

/// The first row of each key, found by a hash of the key: rows are many, and their keys stand in the table already.
pub struct FirstRows<'a> {
    keys: &'a RowKeys<'a>,
    by_hash: HashMap<u64, u32, BuildHasherDefault<AsItIs>>,
    /// Rows whose key shares its hash with another one.
    collided: HashMap<RowKey<'a>, u32>,
}

impl<'a> FirstRows<'a> {
    /// None yet, with room for so many.
    pub fn new(keys: &'a RowKeys<'a>, rows: usize) -> Self {
        Self {
            keys,
            by_hash: HashMap::with_capacity_and_hasher(rows, BuildHasherDefault::default()),
            collided: HashMap::new(),
        }
    }

    /// Adds a row; hands back the earlier row of its key, if there is one.
    pub fn add(&mut self, row: u32) -> Option<u32> {
        let key = self.keys.key(row as usize);
        let earlier = *self.by_hash.entry(hash(key)).or_insert(row);
        if earlier == row {
            return None;
        }
        if self.keys.key(earlier as usize) == key {
            return Some(earlier);
        }
        let earlier = *self.collided.entry(key).or_insert(row);
        (earlier != row).then_some(earlier)
    }

    /// The first row of a key.
    pub fn find(&self, key: RowKey<'_>) -> Option<u32> {
        let row = *self.by_hash.get(&hash(key))?;
        if self.keys.key(row as usize) == key { Some(row) } else { self.collided.get(&key).copied() }
    }
}

/// Bits that tell keys apart; two keys that share them are told apart by themselves.
fn hash((restoration, day, examiner): RowKey<'_>) -> u64 {
    let day = u64::from(day.cast_unsigned());
    folded_product(text_hash(restoration) ^ day, examiner.map_or(1, text_hash) | 1)
}

/// Takes a hash as the hash that it is.
#[derive(Default)]
struct AsItIs(u64);

impl Hasher for AsItIs {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        self.0 = bytes.iter().fold(self.0, |all, byte| (all << 8) | u64::from(*byte));
    }

    fn write_u64(&mut self, number: u64) {
        self.0 = number;
    }
}
