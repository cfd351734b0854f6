//! A table as the bytes of a Parquet file (zstd), and back; nothing is decoded before its digest is known to be right.

use std::io::Cursor;

use polars::prelude::DataFrame;
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use polars_io::parquet::write::{ParquetCompression, ParquetWriter};

use super::durable::{digest, put};
use super::error::RegistryError;
use super::manifest::{Batch, Holds, StoredFile};
use super::paths::Paths;
use super::stop_point::BATCH_FILE;

/// Writes a table as a batch file.
///
/// # Errors
/// When the system refuses.
pub fn store(paths: &Paths, holds: Holds, frame: &DataFrame) -> Result<StoredFile, RegistryError> {
    let mut frame = frame.clone();
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes).with_compression(ParquetCompression::Zstd(None)).finish(&mut frame)?;
    let sha256 = digest(&bytes);
    let name = format!("{sha256}.parquet");
    put(&paths.batches(), &name, &bytes, &BATCH_FILE)?;
    Ok(StoredFile { holds, name, sha256, bytes: bytes.len() as u64, rows: frame.height() as u64 })
}

/// Reads a batch file: size, digest, decoding, rows.
///
/// # Errors
/// When it is missing or not as it was written.
pub fn load(paths: &Paths, batch: &Batch, file: &StoredFile) -> Result<DataFrame, RegistryError> {
    let path = paths.batch_file(&file.name);
    let damaged = |what: String| RegistryError::BatchDamaged { batch: batch.number, path: path.clone(), what };
    let bytes = std::fs::read(&path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => damaged("is missing".to_owned()),
        _ => damaged(format!("can't be read ({error})")),
    })?;
    if bytes.len() as u64 != file.bytes {
        return Err(damaged(format!("has {} bytes instead of {}", bytes.len(), file.bytes)));
    }
    if digest(&bytes) != file.sha256 {
        return Err(damaged("has other contents than when it was written (its SHA-256 differs)".to_owned()));
    }
    let frame =
        ParquetReader::new(Cursor::new(bytes)).finish().map_err(|error| damaged(format!("can't be decoded ({error})")))?;
    if frame.height() as u64 != file.rows {
        return Err(damaged(format!("has {} rows instead of {}", frame.height(), file.rows)));
    }
    Ok(frame)
}
