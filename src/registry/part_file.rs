//! The rows of a table put down by part, for the length of a run: one file, in which each part has its stretches.
//!
//! Rows keep their order within a part. What is written is removed with this value, and swept by the next writer if the run is killed.

use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom, Write};

use polars::prelude::{DataFrame, IdxCa, IdxSize};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use polars_io::parquet::write::{ParquetCompression, ParquetWriter};
use tempfile::TempPath;

use super::batch_file::{not_written, temporary};
use super::error::RegistryError;
use super::part_index::PartIndex;
use super::paths::Paths;

/// Rows held until they are put down, so that stretches are long.
const HELD: usize = 500_000;

/// A table by part.
pub struct PartFile {
    file: File,
    path: TempPath,
    end: u64,
    held: Option<DataFrame>,
    /// Where the stretches of each part lie, and how long they are.
    stretches: Vec<Vec<(u64, usize)>>,
}

impl PartFile {
    /// An empty one for so many parts.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn begin(paths: &Paths, parts: usize) -> Result<Self, RegistryError> {
        let (file, path) = temporary(paths)?.into_parts();
        Ok(Self { file, path, end: 0, held: None, stretches: vec![Vec::new(); parts] })
    }

    /// Adds rows; the part of each is that of its restoration.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn add(&mut self, frame: DataFrame, index: &PartIndex) -> Result<(), RegistryError> {
        let held = match self.held.take() {
            Some(mut held) => {
                held.vstack_mut_owned(frame)?;
                held
            }
            None => frame,
        };
        if held.height() >= HELD {
            return self.put_down(&held, index);
        }
        self.held = Some(held);
        Ok(())
    }

    /// Puts down what is still held.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn end(&mut self, index: &PartIndex) -> Result<(), RegistryError> {
        self.held.take().map_or(Ok(()), |held| self.put_down(&held, index))
    }

    fn put_down(&mut self, held: &DataFrame, index: &PartIndex) -> Result<(), RegistryError> {
        let ids = held.column("restoration_id")?.as_materialized_series().str()?;
        let part_of = index.parts_of(ids.iter().map(|id| id.unwrap_or("")))?;
        let mut starts = vec![0_usize; self.stretches.len() + 1];
        for &part in &part_of {
            starts[part + 1] += 1;
        }
        for part in 1..starts.len() {
            starts[part] += starts[part - 1];
        }
        let mut next = starts.clone();
        let mut order: Vec<IdxSize> = vec![0; part_of.len()];
        for (row, &part) in (0..).zip(&part_of) {
            order[next[part]] = row;
            next[part] += 1;
        }
        let by_part = held.take(&IdxCa::from_vec("order".into(), order))?;
        for part in 0..self.stretches.len() {
            let rows = starts[part + 1] - starts[part];
            if rows > 0 {
                let mut stretch = by_part.slice(i64::try_from(starts[part]).unwrap_or(i64::MAX), rows);
                stretch.rechunk_mut();
                let mut bytes = Vec::new();
                ParquetWriter::new(&mut bytes).with_compression(ParquetCompression::Lz4Raw).finish(&mut stretch)?;
                self.file.write_all(&bytes).map_err(|error| not_written(&self.path, &error))?;
                self.stretches[part].push((self.end, bytes.len()));
                self.end += bytes.len() as u64;
            }
        }
        Ok(())
    }

    /// The rows of a part; none if there are none.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn part(&self, part: usize) -> Result<Option<DataFrame>, RegistryError> {
        let unread = |error: std::io::Error| RegistryError::not_read(&self.path, &error);
        let mut file = File::open(&self.path).map_err(unread)?;
        let mut all: Option<DataFrame> = None;
        for &(from, length) in &self.stretches[part] {
            file.seek(SeekFrom::Start(from)).map_err(unread)?;
            let mut bytes = vec![0; length];
            file.read_exact(&mut bytes).map_err(unread)?;
            let frame = ParquetReader::new(Cursor::new(bytes)).finish()?;
            match &mut all {
                Some(all) => {
                    all.vstack_mut_owned(frame)?;
                }
                none => *none = Some(frame),
            }
        }
        if let Some(all) = &mut all {
            all.rechunk_mut();
        }
        Ok(all)
    }
}
