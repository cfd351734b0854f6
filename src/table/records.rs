//! The two tables, with where each row came from.

use std::borrow::Cow;
use std::fmt;

use polars::prelude::{
    ChunkedArray, DataFrame, Int32Type, PolarsError, PolarsNumericType, StaticArray, StringChunked, UInt8Type,
};

use super::columns::{ColumnBuilder, NO_CODE, NO_DAY};
use super::filled::Filled;
use super::numbered_texts::NumberedTexts;
use super::parquet_pieces::Piece;
use super::text_runs::Texts;

/// Column that says which file a row came from, by place in the list of files.
pub const FILE_COLUMN: &str = "from_file";
/// Column that says which row of its file it was, as a spreadsheet counts.
pub const ROW_COLUMN: &str = "from_row";

/// A table that doesn't have the shape it should: a fault of the program, not of the records.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableError(String);

impl TableError {
    /// A file that says that it holds what no table can.
    pub fn no_table(what: &str) -> Self {
        Self(what.to_owned())
    }

    /// What is not as expected.
    pub fn what(&self) -> &str {
        &self.0
    }

    /// A table that doesn't come, since whoever takes its rows stopped.
    pub fn not_taken() -> Self {
        Self("its rows were not taken".to_owned())
    }
}

impl fmt::Display for TableError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the table of records is not as expected: {}", self.0)
    }
}

impl std::error::Error for TableError {}

impl From<PolarsError> for TableError {
    fn from(error: PolarsError) -> Self {
        Self(error.to_string())
    }
}

/// Records of one kind in columns.
#[derive(Clone, Debug)]
pub struct RecordTable {
    columns: Piece,
    files: Vec<String>,
}

/// Placements in columns; the columns of [`crate::record::PLACEMENT_COLUMNS`], then the practice's own.
#[derive(Clone, Debug)]
pub struct PlacementTable(pub RecordTable);

/// Visits in columns; the columns of [`crate::record::VISIT_COLUMNS`].
#[derive(Clone, Debug)]
pub struct VisitTable(pub RecordTable);

impl RecordTable {
    /// A table from a frame that has [`FILE_COLUMN`] and [`ROW_COLUMN`], and the names of the files they count.
    pub const fn new(frame: DataFrame, files: Vec<String>) -> Self {
        Self::of_piece(Piece::whole(frame), files)
    }

    /// The same, with columns of texts beside the frame.
    pub const fn of_piece(columns: Piece, files: Vec<String>) -> Self {
        Self { columns, files }
    }

    /// How far its columns are filled.
    pub fn filled(&self) -> Filled {
        self.columns.filled()
    }

    /// The columns of texts beside the frame, each with its name.
    pub fn numbered(&self) -> &[(String, NumberedTexts)] {
        &self.columns.numbered
    }

    /// Whether two rows have the same texts in the columns beside the frame.
    pub(crate) fn same_beside(&self, one: usize, other: usize) -> bool {
        self.numbered().iter().all(|(_, texts)| texts.get(one) == texts.get(other))
    }

    /// A table without rows or columns.
    pub fn empty() -> Self {
        Self::new(DataFrame::empty(), Vec::new())
    }

    /// How many rows.
    pub fn len(&self) -> usize {
        self.columns.frame.height()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The frame.
    pub const fn frame(&self) -> &DataFrame {
        &self.columns.frame
    }

    /// So many of its rows from one on, as far as there are such; of the columns in the frame.
    #[must_use]
    pub fn rows(&self, from: usize, rows: usize) -> Self {
        let frame = self.columns.frame.slice(i64::try_from(from).unwrap_or(i64::MAX), rows);
        Self::new(frame, self.files.clone())
    }

    /// The frame, without the names of its files.
    pub fn into_frame(self) -> DataFrame {
        self.columns.frame
    }

    /// The same with these text columns; those that are not there come empty.
    ///
    /// # Errors
    /// When the frame takes no more columns, which would be a fault of the program.
    pub fn with_text_columns(&self, names: &[String]) -> Result<Self, TableError> {
        let mut frame = self.columns.frame.clone();
        for name in names.iter().filter(|name| self.texts(name).is_err()) {
            let mut empty = ColumnBuilder::new(name, crate::record::Cell::Text);
            (0..self.len()).for_each(|_| empty.push_none());
            frame.with_column(empty.finish())?;
        }
        Ok(Self::of_piece(Piece { frame, numbered: self.columns.numbered.clone() }, self.files.clone()))
    }

    /// Takes a column out, if it is there.
    pub fn forget(&mut self, name: &str) {
        // It fails where there is none.
        let _ = self.columns.drop_column(name);
    }

    /// The same without some rows, given by file and row number.
    ///
    /// # Errors
    /// When the table lacks its columns of origin, or has columns beside its frame, which would be a fault of the program.
    pub fn without(
        &self,
        rows: &std::collections::BTreeMap<String, std::collections::BTreeSet<u64>>,
    ) -> Result<Self, TableError> {
        if rows.is_empty() {
            return Ok(self.clone());
        }
        if let Some((name, _)) = self.columns.numbered.first() {
            return Err(TableError::no_table(&format!("its column {name} stands beside the others")));
        }
        let origins = self.origins()?;
        let keep =
            (0..self.len()).map(|row| !rows.get(origins.file(row)).is_some_and(|set| set.contains(&origins.row(row))));
        let keep: polars::prelude::BooleanChunked = keep.collect();
        Ok(Self::new(self.columns.frame.filter(&keep)?, self.files.clone()))
    }

    /// The names of the files that rows came from, in the order that [`FILE_COLUMN`] counts them.
    pub fn files(&self) -> &[String] {
        &self.files
    }

    /// A text column, in the frame or beside it.
    ///
    /// # Errors
    /// When there is no such column or it holds no text.
    pub(crate) fn texts(&self, name: &str) -> Result<Texts<'_>, TableError> {
        self.columns.texts(name)
    }

    /// A text column of the frame.
    ///
    /// # Errors
    /// When there is no such column or it holds no text.
    pub fn text(&self, name: &str) -> Result<&StringChunked, TableError> {
        Ok(self.columns.frame.column(name)?.as_materialized_series().str()?)
    }

    /// A column of days since 1970-01-01; [`NO_DAY`] where empty.
    ///
    /// # Errors
    /// When there is no such column or it holds no days.
    pub fn days(&self, name: &str) -> Result<Vec<i32>, TableError> {
        let days = self.columns.frame.column(name)?.as_materialized_series().date()?;
        Ok(side_by_side(days.physical(), NO_DAY))
    }

    /// A column of codes; [`NO_CODE`] where empty.
    ///
    /// # Errors
    /// When there is no such column or it holds no codes.
    pub fn codes(&self, name: &str) -> Result<Vec<u8>, TableError> {
        let codes = self.columns.frame.column(name)?.as_materialized_series().u8()?;
        Ok(side_by_side(codes, NO_CODE))
    }

    /// A column of numbers in the column's unit; none where empty.
    ///
    /// # Errors
    /// When there is no such column or it holds no numbers.
    pub fn numbers(&self, name: &str) -> Result<Vec<Option<f64>>, TableError> {
        Ok(self.columns.frame.column(name)?.as_materialized_series().f64()?.iter().collect())
    }

    /// A column of whole numbers without gaps.
    ///
    /// # Errors
    /// When there is no such column or it holds no such numbers.
    pub fn whole_numbers(&self, name: &str) -> Result<Vec<u32>, TableError> {
        let numbers = self.columns.frame.column(name)?.as_materialized_series().u32()?;
        Ok(numbers.iter().map(|number| number.unwrap_or(u32::MAX)).collect())
    }

    /// Where each row came from.
    ///
    /// # Errors
    /// When the table lacks its columns of origin.
    pub fn origins(&self) -> Result<Origins<'_>, TableError> {
        let numbers = |name: &str| -> Result<Cow<'_, [u32]>, TableError> {
            let numbers = self.columns.frame.column(name)?.as_materialized_series().u32()?;
            // One piece without gaps is read where it stands.
            Ok(numbers.cont_slice().map_or_else(
                |_| Cow::Owned(numbers.iter().map(|number| number.unwrap_or(u32::MAX)).collect()),
                Cow::Borrowed,
            ))
        };
        Ok(Origins { files: &self.files, file: numbers(FILE_COLUMN)?, row: numbers(ROW_COLUMN)? })
    }

    /// A column of days since 1970-01-01, read where it stands; [`NO_DAY`] where empty.
    ///
    /// # Errors
    /// When there is no such column or it holds no days.
    pub fn days_in_place(&self, name: &str) -> Result<InPlace<'_, Int32Type>, TableError> {
        let days = self.columns.frame.column(name)?.as_materialized_series().date()?;
        Ok(InPlace { column: days.physical().rechunk(), none: NO_DAY })
    }

    /// A column of codes, read where it stands; [`NO_CODE`] where empty.
    ///
    /// # Errors
    /// When there is no such column or it holds no codes.
    pub fn codes_in_place(&self, name: &str) -> Result<InPlace<'_, UInt8Type>, TableError> {
        let codes = self.columns.frame.column(name)?.as_materialized_series().u8()?;
        Ok(InPlace { column: codes.rechunk(), none: NO_CODE })
    }
}

/// The numbers of a column, with one that stands for none where empty; what is filled and what is empty mostly comes in long runs.
fn side_by_side<T: PolarsNumericType>(column: &ChunkedArray<T>, none: T::Native) -> Vec<T::Native> {
    let mut numbers = Vec::with_capacity(column.len());
    for part in column.downcast_iter() {
        let values = part.values().as_slice();
        let Some(filled) = part.validity().filter(|filled| filled.unset_bits() > 0) else {
            numbers.extend_from_slice(values);
            continue;
        };
        let mut words = filled.chunks::<u64>();
        let (runs, rest) = values.as_chunks::<64>();
        for (run, word) in runs.iter().zip(&mut words) {
            match word {
                u64::MAX => numbers.extend_from_slice(run),
                0 => numbers.resize(numbers.len() + run.len(), none),
                _ => numbers.extend(filled_ones(run, word, none)),
            }
        }
        numbers.extend(filled_ones(rest, words.remainder(), none));
    }
    numbers
}

/// Up to 64 numbers, those whose bit is not set as none.
fn filled_ones<N: Copy>(numbers: &[N], filled: u64, none: N) -> impl Iterator<Item = N> {
    numbers.iter().zip(0..64).map(move |(number, place)| if filled >> place & 1 == 1 { *number } else { none })
}

/// A column of plain numbers that is read where it stands: no cell of it is copied but those asked for.
pub struct InPlace<'a, T: PolarsNumericType> {
    /// In one piece.
    column: Cow<'a, ChunkedArray<T>>,
    none: T::Native,
}

impl<T: PolarsNumericType> InPlace<'_, T> {
    /// The number in a row; that which stands for none where empty.
    #[inline]
    pub fn get(&self, row: usize) -> T::Native {
        self.column.downcast_as_array().get(row).unwrap_or(self.none)
    }
}

/// Where the rows of a table came from.
pub struct Origins<'a> {
    files: &'a [String],
    file: Cow<'a, [u32]>,
    row: Cow<'a, [u32]>,
}

impl Origins<'_> {
    /// The file of a row.
    pub fn file(&self, row: usize) -> &str {
        self.file.get(row).and_then(|&place| self.files.get(place as usize)).map_or("", String::as_str)
    }

    /// The place of a row's file in the list of files, and its number in it.
    pub fn place(&self, row: usize) -> (u32, u32) {
        (self.file.get(row).copied().unwrap_or(u32::MAX), self.row.get(row).copied().unwrap_or(0))
    }

    /// The first row after one that doesn't come from the row of the same file behind that of the one before it.
    pub fn run_end(&self, row: usize) -> usize {
        let (file, numbers) = (&self.file[..], &self.row[..]);
        let goes_on = |row: &usize| file[*row] == file[*row - 1] && numbers[*row] == numbers[*row - 1].wrapping_add(1);
        (row + 1..file.len().min(numbers.len())).find(|row| !goes_on(row)).unwrap_or(file.len())
    }

    /// The row's number in its file, as a spreadsheet counts.
    pub fn row(&self, row: usize) -> u64 {
        self.row.get(row).copied().map_or(0, u64::from)
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::{NewChunkedArray, UInt8Chunked};

    use super::*;

    #[test]
    fn empty_cells_come_as_the_number_for_none_in_runs_and_alone() {
        // Runs of every length around that of a word, filled and empty by turns, from different places on.
        let cells: Vec<Option<u8>> = (0..9_000_u32)
            .map(|row| {
                let run = row / 130;
                let filled = if run % 3 == 2 { row % 2 == 0 } else { run % 3 == 0 };
                filled.then_some((row % 250) as u8)
            })
            .collect();
        let column = UInt8Chunked::from_slice_options("c".into(), &cells);
        for (from, length) in [(0, 9_000), (0, 0), (3, 64), (63, 130), (129, 8_001), (257, 65)] {
            let expected: Vec<u8> = cells[from..from + length].iter().map(|cell| cell.unwrap_or(NO_CODE)).collect();
            assert_eq!(side_by_side(&column.slice(from as i64, length), NO_CODE), expected, "from {from}");
        }
    }
}
