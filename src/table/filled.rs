//! How far the columns of a table are filled.

use std::collections::BTreeMap;

use polars::prelude::DataFrame;

/// How many rows there are, and in how many of them each column has a value.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filled {
    rows: u64,
    columns: BTreeMap<String, u64>,
}

impl Filled {
    /// Of a frame.
    pub fn of(frame: &DataFrame) -> Self {
        let filled = |column: &polars::prelude::Column| (column.len() - column.null_count()) as u64;
        let columns = frame.columns().iter().map(|column| (column.name().to_string(), filled(column))).collect();
        Self { rows: frame.height() as u64, columns }
    }

    /// Adds rows with their columns.
    pub fn add(&mut self, more: &Self) {
        self.rows += more.rows;
        for (name, filled) in &more.columns {
            match self.columns.get_mut(name) {
                Some(all) => *all += filled,
                None => {
                    self.columns.insert(name.clone(), *filled);
                }
            }
        }
    }

    /// Says in how many rows a column has a value.
    pub(super) fn set(&mut self, name: &str, filled: u64) {
        self.columns.insert(name.to_owned(), filled);
    }

    /// How many rows.
    pub const fn rows(&self) -> u64 {
        self.rows
    }

    /// In how many rows a column has a value; none where there is no such column.
    pub fn column(&self, name: &str) -> Option<u64> {
        self.columns.get(name).copied()
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::{IntoColumn, NewChunkedArray, UInt8Chunked};

    use super::*;

    #[test]
    fn pieces_add_up() {
        let frame = |cells: &[Option<u8>]| {
            let column = UInt8Chunked::from_slice_options("colour".into(), cells).into_column();
            DataFrame::new(cells.len(), vec![column]).expect("a frame")
        };
        let (one, other) = (frame(&[Some(1), None, Some(2)]), frame(&[None, None]));
        let mut all = Filled::default();
        assert_eq!((all.rows(), all.column("colour")), (0, None));
        all.add(&Filled::of(&one));
        all.add(&Filled::of(&other));
        assert_eq!((all.rows(), all.column("colour"), all.column("retention")), (5, Some(2), None));
        assert_eq!(all, Filled::of(&one.vstack(&other).expect("the same column")));
    }
}
