//! Counts by two factors: rows by columns.
//!
//! Decided.     Empty rows and columns are kept here and left out by each test, which counts its degrees of freedom from what is
//!              there. The total is at most 2^53, so that every count is exact as a number of double precision.
//! Cost.        A dense table: rows × columns numbers, also for samples without ties.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::grouping::NO_GROUP;
use crate::quantity::{Known, WhyNotKnown};

/// The most that a table holds.
const LARGEST_TOTAL: u64 = 1 << 53;

/// Counts by row and column.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "Vec<Vec<u64>>", into = "Vec<Vec<u64>>")]
#[schemars(with = "Vec<Vec<u64>>")]
pub struct ContingencyTable {
    rows: usize,
    columns: usize,
    counts: Vec<u64>,
}

/// Why counts make no table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableError {
    /// This row is not as long as the first.
    Ragged {
        /// Place of the row, from 0.
        row: usize,
    },
    /// The counts add up to more than 2^53.
    TooLarge,
    /// This code is at or beyond the number of levels.
    NoSuchLevel {
        /// The code.
        code: u16,
        /// How many levels there are.
        levels: u16,
    },
    /// Columns of codes of different lengths.
    UnequalLengths,
}

impl fmt::Display for TableError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ragged { row } => write!(f, "row {row} (counted from 0) is not as long as the first"),
            Self::TooLarge => f.write_str("the counts add up to more than 2^53"),
            Self::NoSuchLevel { code, levels } => write!(f, "code {code} names none of the {levels} levels"),
            Self::UnequalLengths => f.write_str("the columns are of different lengths"),
        }
    }
}

impl std::error::Error for TableError {}

impl ContingencyTable {
    /// From rows of counts.
    ///
    /// # Errors
    ///
    /// When rows differ in length, or the counts add up to more than 2^53.
    pub fn new<R: AsRef<[u64]>>(rows: &[R]) -> Result<Self, TableError> {
        let columns = rows.first().map_or(0, |row| row.as_ref().len());
        if let Some(row) = rows.iter().position(|row| row.as_ref().len() != columns) {
            return Err(TableError::Ragged { row });
        }
        let counts: Vec<u64> = rows.iter().flat_map(|row| row.as_ref().iter().copied()).collect();
        let total = counts.iter().try_fold(0_u64, |sum, &count| sum.checked_add(count));
        if total.is_none_or(|total| total > LARGEST_TOTAL) {
            return Err(TableError::TooLarge);
        }
        Ok(Self { rows: rows.len(), columns, counts })
    }

    /// Counted from two columns of codes below `rows` and `columns`; a record with [`NO_GROUP`] in either is left out.
    ///
    /// # Errors
    ///
    /// When a code names no level, or the columns are of different lengths.
    pub fn of_codes(row_codes: &[u16], rows: u16, column_codes: &[u16], columns: u16) -> Result<Self, TableError> {
        if row_codes.len() != column_codes.len() {
            return Err(TableError::UnequalLengths);
        }
        let mut counts = vec![0; usize::from(rows) * usize::from(columns)];
        for (&row, &column) in row_codes.iter().zip(column_codes) {
            for (code, levels) in [(row, rows), (column, columns)] {
                if code >= levels && code != NO_GROUP {
                    return Err(TableError::NoSuchLevel { code, levels });
                }
            }
            if row != NO_GROUP && column != NO_GROUP {
                counts[usize::from(row) * usize::from(columns) + usize::from(column)] += 1;
            }
        }
        Ok(Self { rows: usize::from(rows), columns: usize::from(columns), counts })
    }

    /// Samples as rows and their different values, in ascending order, as columns; with those values. Ties are exact equality.
    ///
    /// Not known when a value is not a number.
    pub fn of_samples<S: AsRef<[f64]>>(samples: &[S]) -> Known<(Self, Vec<f64>)> {
        // Minus zero is zero.
        let mut values: Vec<f64> =
            samples.iter().flat_map(|sample| sample.as_ref().iter().map(|value| value + 0.0)).collect();
        if values.iter().any(|value| value.is_nan()) {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        values.sort_unstable_by(f64::total_cmp);
        values.dedup_by(|a, b| a.total_cmp(b).is_eq());
        let columns = values.len();
        let mut counts = vec![0; samples.len() * columns];
        for (row, sample) in samples.iter().enumerate() {
            for value in sample.as_ref() {
                counts[row * columns + values.partition_point(|level| level < value)] += 1;
            }
        }
        Known::Known((Self { rows: samples.len(), columns, counts }, values))
    }

    /// How many rows, also empty ones.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// How many columns, also empty ones.
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// One count.
    pub fn at(&self, row: usize, column: usize) -> u64 {
        self.counts[row * self.columns + column]
    }

    /// The counts of a row.
    pub fn row(&self, row: usize) -> &[u64] {
        &self.counts[row * self.columns..(row + 1) * self.columns]
    }

    /// Sum of each row.
    pub fn row_totals(&self) -> Vec<u64> {
        (0..self.rows).map(|row| self.row(row).iter().sum()).collect()
    }

    /// Sum of each column.
    pub fn column_totals(&self) -> Vec<u64> {
        (0..self.columns).map(|column| (0..self.rows).map(|row| self.at(row, column)).sum()).collect()
    }

    /// Sum of all.
    pub fn total(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// Columns as rows.
    pub fn transposed(&self) -> Self {
        let counts = (0..self.columns).flat_map(|column| (0..self.rows).map(move |row| self.at(row, column))).collect();
        Self { rows: self.columns, columns: self.rows, counts }
    }

    /// Without the rows and columns that hold nothing.
    pub fn without_empty(&self) -> Self {
        let used = |totals: Vec<u64>| -> Vec<usize> { (0..totals.len()).filter(|&place| totals[place] > 0).collect() };
        let (rows, columns) = (used(self.row_totals()), used(self.column_totals()));
        let counts = rows.iter().flat_map(|&row| columns.iter().map(move |&column| self.at(row, column))).collect();
        Self { rows: rows.len(), columns: columns.len(), counts }
    }

    /// Without empty rows and columns; not known when nothing is left, or one row or one column only.
    pub(super) fn varying(&self) -> Known<Self> {
        let used = self.without_empty();
        if used.counts.is_empty() {
            Known::NotKnown(WhyNotKnown::NoObservations)
        } else if used.rows < 2 || used.columns < 2 {
            Known::NotKnown(WhyNotKnown::NoVariation)
        } else {
            Known::Known(used)
        }
    }
}

impl TryFrom<Vec<Vec<u64>>> for ContingencyTable {
    type Error = TableError;

    fn try_from(rows: Vec<Vec<u64>>) -> Result<Self, TableError> {
        Self::new(&rows)
    }
}

impl From<ContingencyTable> for Vec<Vec<u64>> {
    fn from(table: ContingencyTable) -> Self {
        (0..table.rows).map(|row| table.row(row).to_vec()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_become_rows_and_their_values_columns() {
        let (table, values) =
            ContingencyTable::of_samples(&[vec![2.0, -0.0, 2.0], vec![], vec![5.0, 0.0]]).known().cloned().expect("numbers");
        assert_eq!(values, [0.0, 2.0, 5.0]);
        assert_eq!(Vec::from(table.clone()), [[1, 2, 0], [0, 0, 0], [1, 0, 1]]);
        assert_eq!(table.without_empty().rows(), 2);
        assert_eq!(table.transposed().transposed(), table);
        assert_eq!(ContingencyTable::of_samples(&[[f64::NAN]]), Known::NotKnown(WhyNotKnown::NotANumber));
    }

    #[test]
    fn what_is_no_table_is_refused() {
        assert_eq!(ContingencyTable::new(&[vec![1, 2], vec![3]]), Err(TableError::Ragged { row: 1 }));
        assert_eq!(ContingencyTable::new(&[[u64::MAX, 1]]), Err(TableError::TooLarge));
        assert_eq!(ContingencyTable::of_codes(&[0, 3], 2, &[0, 0], 1), Err(TableError::NoSuchLevel { code: 3, levels: 2 }));
        assert_eq!(ContingencyTable::of_codes(&[0], 2, &[], 1), Err(TableError::UnequalLengths));
        let table = ContingencyTable::of_codes(&[0, NO_GROUP, 1], 2, &[1, 0, NO_GROUP], 2).expect("codes");
        assert_eq!(Vec::from(table), [[0, 1], [0, 0]]);
    }

    #[test]
    fn a_table_without_variation_says_so() {
        let why = |rows: &[Vec<u64>]| ContingencyTable::new(rows).expect("a table").varying();
        assert_eq!(why(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(why(&[vec![0, 0], vec![0, 0]]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(why(&[vec![3, 0], vec![4, 0]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(why(&[vec![3, 4]]), Known::NotKnown(WhyNotKnown::NoVariation));
    }
}
