//! What makes two rows speak of the same thing: a placement's restoration; a visit's restoration, day and examiner.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use polars::prelude::{DataFrame, StringChunked};
use polars_arrow::array::Utf8ViewArray;

use super::error::RegistryError;
use super::manifest::Holds;
use crate::table::NO_DAY;
use crate::table::text_hash::{folded_product, text_hash};
use crate::table::text_order::{TextOrder, rising};

/// Restoration, day, examiner; of a placement the restoration alone.
pub type RowKey<'a> = (&'a str, i32, Option<&'a str>);

/// The columns that keys are made of; placements have the first of them alone.
pub const KEY_COLUMNS: [&str; 3] = ["restoration_id", "visited_on", "examiner"];

/// The last correction that has each key; what earlier batches say of it is superseded.
#[derive(Default)]
pub struct Corrected(HashMap<String, Vec<(i32, Option<String>, u32)>>);

impl Corrected {
    /// Adds a key of a correction; batches come in their order.
    pub fn add(&mut self, (restoration, day, examiner): RowKey<'_>, batch: u32) {
        let of_one = match self.0.get_mut(restoration) {
            Some(of_one) => of_one,
            None => self.0.entry(restoration.to_owned()).or_default(),
        };
        match of_one.iter_mut().find(|(other, who, _)| (*other, who.as_deref()) == (day, examiner)) {
            Some((.., last)) => *last = batch,
            None => of_one.push((day, examiner.map(str::to_owned), batch)),
        }
    }

    /// The last correction that has a key.
    pub fn last(&self, (restoration, day, examiner): RowKey<'_>) -> Option<u32> {
        let mut of_one = self.0.get(restoration)?.iter();
        of_one.find(|(other, who, _)| (*other, who.as_deref()) == (day, examiner)).map(|(.., last)| *last)
    }
}

/// The keys of a table's rows.
pub struct RowKeys<'a> {
    restoration: Texts<'a>,
    visit: Option<(Vec<i32>, Texts<'a>)>,
}

/// A column of texts, in which a row is found at once where it is in one piece.
struct Texts<'a> {
    column: &'a StringChunked,
    in_one: Option<&'a Utf8ViewArray>,
}

impl<'a> Texts<'a> {
    fn of(column: &'a StringChunked) -> Self {
        let mut pieces = column.downcast_iter();
        let in_one = pieces.next().filter(|_| pieces.next().is_none());
        Self { column, in_one }
    }

    #[inline]
    fn get(&self, row: usize) -> Option<&'a str> {
        match self.in_one {
            Some(piece) => piece.get(row),
            None => self.column.get(row),
        }
    }
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
                Some((days.physical().iter().map(|day| day.unwrap_or(NO_DAY)).collect(), Texts::of(text("examiner")?)))
            }
        };
        Ok(Self { restoration: Texts::of(text("restoration_id")?), visit })
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

/// What is known of rows whose restorations rise.
struct InOrder<'a> {
    order: TextOrder,
    /// The first rows of the keys of one restoration, the one met last.
    of_one: Vec<(u32, RowKey<'a>)>,
    /// Which rows are the first of their key.
    first: Vec<bool>,
}

/// The first row of each key, found by a hash of the key: rows are many, and their keys stand in the table already. Where restorations
/// rise from row to row, nothing is remembered: the rows of one stand together.
pub struct FirstRows<'a> {
    keys: &'a RowKeys<'a>,
    in_order: Option<InOrder<'a>>,
    by_hash: HashMap<u64, u32, BuildHasherDefault<AsItIs>>,
    /// Rows whose key shares its hash with another one.
    collided: HashMap<RowKey<'a>, u32>,
}

impl<'a> FirstRows<'a> {
    /// None yet, with room for so many.
    pub fn new(keys: &'a RowKeys<'a>, rows: usize) -> Self {
        let in_order =
            rising(keys.restoration.column).map(|order| InOrder { order, of_one: Vec::new(), first: vec![false; rows] });
        let rows = if in_order.is_some() { 0 } else { rows };
        Self {
            keys,
            in_order,
            by_hash: HashMap::with_capacity_and_hasher(rows, BuildHasherDefault::default()),
            collided: HashMap::new(),
        }
    }

    /// Adds a row; hands back the earlier row of its key, if there is one.
    pub fn add(&mut self, row: u32) -> Option<u32> {
        let key = self.keys.key(row as usize);
        if let Some(InOrder { of_one, first, .. }) = &mut self.in_order {
            if of_one.last().is_some_and(|(_, last)| last.0 != key.0) {
                of_one.clear();
            }
            // All of them are of this restoration.
            let same = |(_, earlier): &&(u32, RowKey<'_>)| (earlier.1, earlier.2) == (key.1, key.2);
            let earlier = of_one.iter().find(same).map(|(earlier, _)| *earlier);
            if earlier.is_none() {
                of_one.push((row, key));
                first[row as usize] = true;
            }
            return earlier;
        }
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
        if let Some(in_order) = &self.in_order {
            return in_order.find(self.keys, key);
        }
        let row = *self.by_hash.get(&hash(key))?;
        if self.keys.key(row as usize) == key { Some(row) } else { self.collided.get(&key).copied() }
    }
}

impl InOrder<'_> {
    /// The first row of a key.
    fn find(&self, keys: &RowKeys<'_>, key: RowKey<'_>) -> Option<u32> {
        let from = self.order.first_not_before(self.first.len(), |row| keys.key(row).0, key.0);
        let of_restoration = (from..self.first.len()).take_while(|row| keys.key(*row).0 == key.0);
        let row = of_restoration.into_iter().find(|row| self.first[*row] && keys.key(*row) == key)?;
        u32::try_from(row).ok()
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

#[cfg(test)]
mod tests {
    use polars::prelude::{Column, NewChunkedArray};

    use super::*;
    use crate::record::Cell;
    use crate::table::ColumnBuilder;

    fn frame(rows: &[(String, i32, Option<&str>)]) -> DataFrame {
        let mut days = ColumnBuilder::new("visited_on", Cell::Day);
        for (_, day, _) in rows {
            if let ColumnBuilder::Day(days) = &mut days {
                days.append_value(*day);
            }
        }
        let text = |name: &str, texts: Vec<Option<&str>>| -> Column {
            use polars::prelude::IntoColumn;
            StringChunked::from_slice_options(name.into(), &texts).into_column()
        };
        let restorations = rows.iter().map(|row| Some(row.0.as_str())).collect();
        let examiners = rows.iter().map(|row| row.2).collect();
        DataFrame::new_infer_height(vec![text("restoration_id", restorations), days.finish(), text("examiner", examiners)])
            .expect("a frame")
    }

    #[test]
    fn the_last_correction_of_each_key_is_known() {
        let mut corrected = Corrected::default();
        for (key, batch) in
            [(("R1", 5, Some("a")), 2), (("R1", 5, None), 2), (("R1", 5, Some("a")), 4), (("R2", 5, None), 4)]
        {
            corrected.add(key, batch);
        }
        let last = |key| corrected.last(key);
        assert_eq!([last(("R1", 5, Some("a"))), last(("R1", 5, None)), last(("R2", 5, None))], [Some(4), Some(2), Some(4)]);
        assert_eq!([last(("R1", 6, None)), last(("R2", 5, Some("a"))), last(("R3", 5, None))], [None; 3]);
    }

    #[test]
    fn first_rows_are_the_same_in_any_order() {
        let row = |n: u32| (format!("R{}", n / 6), (n % 3).cast_signed(), [None, Some("a")][n as usize % 2]);
        let rising: Vec<_> = (0..300).map(row).collect();
        let mixed: Vec<_> = (0..300).map(|n| row(n * 77 % 300)).collect();
        for (rows, rises) in [(rising, true), (mixed, false)] {
            let frame = frame(&rows);
            let keys = RowKeys::new(&frame, Holds::Visits).expect("keys");
            let mut first = FirstRows::new(&keys, rows.len());
            assert_eq!(first.in_order.is_some(), rises);
            let mut known = std::collections::BTreeMap::new();
            // Some rows are passed over.
            for at in (0..300_u32).filter(|at| at % 7 != 2) {
                let expected = *known.entry(&rows[at as usize]).or_insert(at);
                assert_eq!(first.add(at), (expected != at).then_some(expected));
            }
            for (restoration, day, examiner) in &rows {
                let expected = known.get(&(restoration.clone(), *day, *examiner)).copied();
                assert_eq!(first.find((restoration, *day, *examiner)), expected);
            }
            assert_eq!(first.find(("R9", 7, None)), None);
            assert_eq!(first.find(("S", 1, None)), None);
        }
    }
}
