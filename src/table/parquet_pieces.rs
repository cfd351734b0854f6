//! A Parquet file read piece by piece, no piece over more than one of its row groups, so that each group is decoded once.

use std::fs::File;
use std::sync::Arc;

use polars::frame::builder::DataFrameBuilder;
use polars::prelude::DataFrame;
use polars_arrow::array::builder::ShareStrategy;
use polars_io::SerReader;
use polars_io::parquet::metadata::{FileMetadata, FileMetadataRef};
use polars_io::parquet::read::{ParallelStrategy, ParquetReader};

use super::records::TableError;
use crate::threads::{as_they_come, available};

/// On more threads than this, decoding only waits for memory.
const MOST_THREADS: usize = 4;

/// On how many threads a file is decoded.
pub fn decoding_threads() -> usize {
    available().min(MOST_THREADS)
}

/// Rows are numbered in 32 bits.
const MOST_ROWS: usize = u32::MAX as usize;

/// A Parquet file with how far it was read.
pub struct ParquetPieces {
    file: File,
    metadata: FileMetadataRef,
    /// The same without its row groups.
    bare: Box<FileMetadata>,
    /// Where each row group begins, and where the last one ends.
    begins: Vec<usize>,
    /// Where pieces begin and how many rows they have, the next one last.
    ahead: Vec<(usize, usize)>,
    columns: Option<Vec<String>>,
}

impl ParquetPieces {
    /// Opens a file whose pieces are to have at most so many rows.
    ///
    /// # Errors
    /// When it is no Parquet file.
    pub fn open(file: File, most: usize) -> Result<Self, TableError> {
        let mut reader = ParquetReader::new(file.try_clone().map_err(TableError::of_file)?);
        let metadata = reader.get_metadata()?.clone();
        let (mut ahead, mut begins) = (Vec::new(), vec![0]);
        let mut from = 0_usize;
        for group in &metadata.row_groups {
            let end = from.checked_add(group.num_rows()).filter(|end| *end <= MOST_ROWS);
            let end = end.ok_or_else(|| TableError::no_table("it says that it has more rows than a table can hold"))?;
            while from < end {
                let rows = most.min(end - from);
                ahead.push((from, rows));
                from += rows;
            }
            begins.push(end);
        }
        ahead.reverse();
        let mut bare = Box::new((*metadata).clone());
        bare.row_groups = Vec::new();
        Ok(Self { file, metadata, bare, begins, ahead, columns: None })
    }

    /// The same, with these columns alone.
    #[must_use]
    pub fn only(mut self, columns: &[&str]) -> Self {
        self.columns = Some(columns.iter().map(|&name| name.to_owned()).collect());
        self
    }

    /// How many rows the file says it has.
    pub fn height(&self) -> usize {
        self.metadata.num_rows
    }

    /// So many rows from a place on, decoded on the thread that asks.
    ///
    /// # Errors
    /// When the file can't be decoded.
    pub fn rows(&self, from: usize, rows: usize) -> Result<DataFrame, TableError> {
        self.decoded(from, rows, ParallelStrategy::None)
    }

    /// The same, column beside column on all threads, for one who has nothing else to do meanwhile.
    ///
    /// # Errors
    /// As [`Self::rows`].
    pub fn rows_by_columns(&self, from: usize, rows: usize) -> Result<DataFrame, TableError> {
        self.decoded(from, rows, ParallelStrategy::Columns)
    }

    /// Where the pieces that are left begin, and how many rows they have.
    pub fn spans(&self) -> impl Iterator<Item = (usize, usize)> {
        self.ahead.iter().rev().copied()
    }

    fn decoded(&self, from: usize, rows: usize, parallel: ParallelStrategy) -> Result<DataFrame, TableError> {
        let (around, from) = self.around(from, rows);
        let mut reader = ParquetReader::new(self.file.try_clone().map_err(TableError::of_file)?)
            .with_slice(Some((from, rows)))
            .with_columns(self.columns.clone())
            .read_parallel(parallel);
        reader.set_metadata(around);
        Ok(reader.finish()?)
    }

    /// What is said of the row groups that hold these rows alone, so that no other is looked at; and where the rows begin among theirs.
    fn around(&self, from: usize, rows: usize) -> (FileMetadataRef, usize) {
        let groups = self.metadata.row_groups.iter().zip(self.begins.windows(2));
        let (first, last) = (self.begins.partition_point(|begin| *begin <= from), from.saturating_add(rows));
        let first = first.saturating_sub(1);
        let here = groups
            .skip(first)
            .take_while(|(_, span)| span[0] < last)
            .filter(|(_, span)| span[0] < span[1] && from < span[1]);
        let mut around = FileMetadata { num_rows: 0, ..(*self.bare).clone() };
        let mut before = None;
        for (group, span) in here {
            before.get_or_insert(span[0]);
            around.num_rows += span[1] - span[0];
            around.row_groups.push(group.clone());
        }
        (Arc::new(around), from - before.unwrap_or(from))
    }

    /// The names of its columns.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn names(&self) -> Result<Vec<String>, TableError> {
        let mut reader = ParquetReader::new(self.file.try_clone().map_err(TableError::of_file)?);
        reader.set_metadata(self.metadata.clone());
        Ok(reader.schema()?.iter_names().map(|name| name.to_string()).collect())
    }

    /// All rows at once. They are laid side by side as they are decoded, so that but for a few pieces under way no row is there twice.
    ///
    /// # Errors
    /// When the file can't be decoded.
    pub fn whole(self) -> Result<DataFrame, TableError> {
        let rows = self.ahead.iter().map(|(_, rows)| rows).sum();
        if self.ahead.len() < 2 {
            return self.rows_by_columns(0, rows);
        }
        let mut all = DataFrameBuilder::new(self.rows(0, 0)?.schema().clone());
        all.reserve(rows);
        let mut take = |piece: DataFrame| {
            if piece.columns().iter().any(|column| column.len() != piece.height()) {
                return Err(TableError::no_table("some of its columns have fewer rows than others"));
            }
            all.extend(&piece, ShareStrategy::Always);
            Ok(())
        };
        let mut spans = self.spans();
        let decoded = |(): &mut (), (from, rows)| self.rows(from, rows);
        as_they_come(decoding_threads(), || spans.next(), || (), decoded, |piece| take(piece?))?;
        Ok(all.freeze())
    }

    /// The next rows; none at the end.
    ///
    /// # Errors
    /// When the file can't be decoded any further.
    pub fn next_piece(&mut self) -> Result<Option<DataFrame>, TableError> {
        let Some((from, rows)) = self.ahead.pop() else { return Ok(None) };
        self.rows_by_columns(from, rows).map(Some)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Cell, PLACEMENT_COLUMNS};
    use crate::table::ColumnBuilder;
    use polars_io::parquet::write::ParquetWriter;

    /// Texts short and long, days, codes and numbers, with empty cells among them, in row groups of some 50.
    fn file(rows: u32) -> (DataFrame, File) {
        let number = PLACEMENT_COLUMNS.iter().find(|column| column.name == "cure_s").expect("a number").cell;
        let columns =
            [("id", Cell::Text), ("note", Cell::Text), ("day", Cell::Day), ("tooth", Cell::Tooth), ("cure_s", number)];
        let columns = columns.map(|(name, cell)| {
            let mut builder = ColumnBuilder::new(name, cell);
            for row in 0..rows {
                match &mut builder {
                    _ if row % 7 == 3 => builder.push_none(),
                    ColumnBuilder::Text(texts) if name == "id" => texts.append_value(format!("R{row}")),
                    ColumnBuilder::Text(texts) => {
                        texts.append_value(format!("a text that is too long to be held in its place, {row}"))
                    }
                    ColumnBuilder::Day(days) => days.append_value(i32::try_from(row).expect("a day")),
                    ColumnBuilder::Number(numbers) => numbers.append_value(f64::from(row) / 4.0),
                    ColumnBuilder::Code(codes) => codes.append_value(u8::try_from(row % 200).expect("a code")),
                }
            }
            builder.finish()
        });
        let mut frame = DataFrame::new_infer_height(columns.to_vec()).expect("columns");
        let mut file = tempfile::tempfile().expect("a file");
        ParquetWriter::new(&mut file).with_row_group_size(Some(50)).finish(&mut frame).expect("written");
        (frame, file)
    }

    #[test]
    fn all_pieces_together_are_the_whole() {
        for rows in [0, 1, 50, 51, 430] {
            let (frame, file) = file(rows);
            for most in [7, 50, 1000] {
                let open = || ParquetPieces::open(file.try_clone().expect("a handle"), most).expect("a file");
                let whole = open().whole().expect("all of it");
                assert_eq!(whole.schema(), frame.schema());
                assert!(whole.equals_missing(&frame), "{rows} rows in pieces of {most}: {whole}");
                assert!(whole.columns().iter().all(|column| column.as_materialized_series().n_chunks() == 1));
                let mut one_by_one = frame.clear();
                let mut pieces = open();
                while let Some(piece) = pieces.next_piece().expect("a piece") {
                    assert!(piece.height() <= most);
                    one_by_one.vstack_mut_owned(piece).expect("the same columns");
                }
                assert!(one_by_one.equals_missing(&frame));
                for (from, some) in [(0, 0), (0, rows), (30, 40), (49, 2), (50, 50), (120, 130), (rows, 5), (rows / 2, rows)]
                {
                    let found = open().rows(from as usize, some as usize).expect("rows");
                    assert!(found.equals_missing(&frame.slice(i64::from(from), some as usize)), "{some} rows from {from}");
                }
                let some = open().only(&["day", "note"]);
                assert_eq!(some.names().expect("names").len(), 5, "names are those of the file");
                let some = some.whole().expect("two columns");
                assert!(some.equals_missing(&frame.select(some.get_column_names()).expect("these")));
            }
        }
    }
}
