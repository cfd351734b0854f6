//! A Parquet file read piece by piece, no piece over more than one of its row groups, so that each group is decoded once.

use std::fs::File;

use polars::prelude::DataFrame;
use polars_io::SerReader;
use polars_io::parquet::metadata::FileMetadataRef;
use polars_io::parquet::read::ParquetReader;

use super::records::TableError;

/// A Parquet file with how far it was read.
pub struct ParquetPieces {
    file: File,
    metadata: FileMetadataRef,
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
        let mut ahead = Vec::new();
        let mut from = 0;
        for group in &metadata.row_groups {
            let end = from + group.num_rows();
            while from < end {
                let rows = most.min(end - from);
                ahead.push((from, rows));
                from += rows;
            }
        }
        ahead.reverse();
        Ok(Self { file, metadata, ahead, columns: None })
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

    /// So many rows from a place on.
    ///
    /// # Errors
    /// When the file can't be decoded.
    pub fn rows(&self, from: usize, rows: usize) -> Result<DataFrame, TableError> {
        let mut reader = ParquetReader::new(self.file.try_clone().map_err(TableError::of_file)?)
            .with_slice(Some((from, rows)))
            .with_columns(self.columns.clone());
        reader.set_metadata(self.metadata.clone());
        Ok(reader.finish()?)
    }

    /// The next rows; none at the end.
    ///
    /// # Errors
    /// When the file can't be decoded any further.
    pub fn next_piece(&mut self) -> Result<Option<DataFrame>, TableError> {
        let Some((from, rows)) = self.ahead.pop() else { return Ok(None) };
        self.rows(from, rows).map(Some)
    }
}
