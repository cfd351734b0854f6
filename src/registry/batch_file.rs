//! A table as a Parquet file (zstd), and back; nothing is decoded before its digest is known to be right.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use polars::prelude::{DataFrame, PolarsError, Schema};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use sha2::{Digest, Sha256};
use tempfile::{NamedTempFile, TempPath};

use super::durable::sync_folder;
use super::error::RegistryError;
use super::group_writer::{Cells, GroupWriter};
use super::manifest::{Batch, Holds, StoredFile};
use super::paths::{Paths, TEMPORARY};
use super::stated_columns::{apart, cells, together};
use super::stop_point::{BATCH_FILE, reach};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ParquetPieces, Piece, TableError};
use crate::threads::as_they_come;
use crate::wording::hexadecimal;

/// Rows of a row group.
pub const GROUP: usize = 262_144;

/// Where a batch file's bytes go; they are digested on the way.
struct Digesting {
    file: BufWriter<File>,
    hasher: Sha256,
    bytes: u64,
    /// What the system refused, if it did.
    refused: Option<String>,
}

/// The same from two sides: the Parquet writer's, and the one who asks for the digest.
#[derive(Clone)]
struct Shared(Arc<Mutex<Digesting>>);

impl Shared {
    fn inside(&self) -> MutexGuard<'_, Digesting> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Write for Shared {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let inside = &mut *self.inside();
        match inside.file.write(bytes) {
            Ok(written) => {
                inside.hasher.update(&bytes[..written]);
                inside.bytes += written as u64;
                Ok(written)
            }
            Err(error) => {
                inside.refused = Some(error.to_string());
                Err(error)
            }
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        let inside = &mut *self.inside();
        inside.file.flush().inspect_err(|error| inside.refused = Some(error.to_string()))
    }
}

/// A batch file under construction: rows are added piece by piece.
pub struct Unfinished {
    holds: Holds,
    /// Whether coded columns of visits become what each visit states.
    states: bool,
    path: TempPath,
    out: Shared,
    writer: GroupWriter<Shared>,
    rows: u64,
}

impl Unfinished {
    /// Begins a file for frames of a shape, with the codes of this version.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn begin(paths: &Paths, holds: Holds, schema: &Schema) -> Result<Self, RegistryError> {
        match holds {
            Holds::Placements => Self::begin_file(paths, holds, false, schema),
            Holds::Visits => Self::begin_file(paths, holds, true, &together(schema)),
        }
    }

    fn begin_file(paths: &Paths, holds: Holds, states: bool, schema: &Schema) -> Result<Self, RegistryError> {
        let (file, path) = temporary(paths)?.into_parts();
        let inside = Digesting { file: BufWriter::new(file), hasher: Sha256::new(), bytes: 0, refused: None };
        let out = Shared(Arc::new(Mutex::new(inside)));
        let writer = GroupWriter::begin(out.clone(), schema).map_err(|error| said(&path, &out, error))?;
        Ok(Self { holds, states, path, out, writer, rows: 0 })
    }

    /// Adds rows, as row groups of their own.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn add(&mut self, frame: &DataFrame) -> Result<(), RegistryError> {
        let mut from = 0;
        while from < frame.height() {
            let rows = GROUP.min(frame.height() - from);
            let group = frame.slice(i64::try_from(from).unwrap_or(i64::MAX), rows);
            let columns =
                if self.states { cells(&group)? } else { group.columns().iter().cloned().map(Cells::Column).collect() };
            self.writer.add(rows, columns).map_err(|error| said(&self.path, &self.out, error))?;
            from += rows;
        }
        self.rows += frame.height() as u64;
        Ok(())
    }

    /// Ends the file, still under its temporary name.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn end(mut self) -> Result<Ended, RegistryError> {
        self.writer.catch_up().map_err(|error| said(&self.path, &self.out, error))?;
        self.out.flush().map_err(|error| not_written(&self.path, &error))?;
        reach(BATCH_FILE.half_written);
        self.writer.finish().map_err(|error| said(&self.path, &self.out, error))?;
        self.out.flush().map_err(|error| not_written(&self.path, &error))?;
        let (sha256, bytes) = {
            let inside = self.out.inside();
            (hexadecimal(&inside.hasher.clone().finalize()), inside.bytes)
        };
        let stored = StoredFile { holds: self.holds, name: format!("{sha256}.parquet"), sha256, bytes, rows: self.rows };
        Ok(Ended { path: self.path, stored })
    }
}

/// The system's own word where it refused, else what the table engine said.
fn said(path: &Path, out: &Shared, error: PolarsError) -> RegistryError {
    match out.inside().refused.take() {
        Some(refused) => not_written(path, &refused),
        None => error.into(),
    }
}

/// A temporary file tells nobody anything, so its folder is named.
pub(super) fn not_written(path: &Path, refused: &impl std::fmt::Display) -> RegistryError {
    RegistryError::NotWritten(path.parent().unwrap_or(path).to_owned(), refused.to_string())
}

/// Stands for the batch that a run is about to add, of which nothing can be unknown.
const THIS_RUN: u32 = 0;

/// A batch file that is whole and has no name yet; it goes with this value unless it is given one.
#[derive(Debug)]
pub struct Ended {
    path: TempPath,
    stored: StoredFile,
}

impl Ended {
    /// Its rows.
    pub const fn rows(&self) -> u64 {
        self.stored.rows
    }

    /// Reads some columns piece by piece, as the file has them.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn pieces_of(&self, columns: &[&str]) -> Result<ParquetPieces, RegistryError> {
        Ok(self.open()?.only(columns))
    }

    /// Reads it piece by piece.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn pieces(&self) -> Result<impl Iterator<Item = Result<DataFrame, RegistryError>>, RegistryError> {
        let (mut pieces, holds) = (self.open()?, self.stored.holds);
        let mut next = move || pieces.next_piece()?.map(|frame| apart(frame, holds, THIS_RUN)).transpose();
        Ok(std::iter::from_fn(move || next().transpose()))
    }

    /// Reads so many rows from a place on.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn rows_from(&self, from: usize, rows: usize) -> Result<DataFrame, RegistryError> {
        apart(self.open()?.rows(from, rows)?, self.stored.holds, THIS_RUN)
    }

    fn open(&self) -> Result<ParquetPieces, RegistryError> {
        let file = File::open(&self.path).map_err(|error| RegistryError::not_read(&self.path, &error))?;
        Ok(ParquetPieces::open(file, GROUP)?)
    }

    /// Gives it its name, once all of it is on the disk.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn name(self, paths: &Paths) -> Result<StoredFile, RegistryError> {
        let path = paths.batch_file(&self.stored.name);
        let name = || -> std::io::Result<()> {
            File::open(&self.path)?.sync_all()?;
            reach(BATCH_FILE.synced);
            self.path.persist(&path).map_err(|refused| refused.error)?;
            reach(BATCH_FILE.named);
            sync_folder(&paths.batches())?;
            reach(BATCH_FILE.folder_synced);
            Ok(())
        };
        name().map_err(|error| RegistryError::not_written(&path, &error))?;
        Ok(self.stored)
    }
}

/// Writes rows of a batch file as one of their own: codes and columns stay as they were kept.
///
/// # Errors
/// When the system refuses.
pub fn store(paths: &Paths, holds: Holds, frame: &DataFrame) -> Result<StoredFile, RegistryError> {
    let mut file = Unfinished::begin_file(paths, holds, false, frame.schema())?;
    file.add(frame)?;
    file.end()?.name(paths)
}

/// Reads a batch file: size, digest, decoding, rows.
///
/// # Errors
/// When it is missing or not as it was written.
pub fn load(paths: &Paths, batch: &Batch, file: &StoredFile) -> Result<DataFrame, RegistryError> {
    let kept = KeptFile { path: paths.batch_file(&file.name), batch: batch.number, file };
    let frame = ParquetReader::new(check(paths, batch, file)?).finish().map_err(|error| kept.undecoded(&error))?;
    kept.count(frame.height())?;
    Ok(frame)
}

/// The same with some columns only, those of origin among them; the file's columns that nobody asks for are not decoded.
///
/// # Errors
/// As [`load`].
pub fn load_columns(paths: &Paths, batch: &Batch, file: &StoredFile, wanted: &[String]) -> Result<DataFrame, RegistryError> {
    Ok(load_with_numbered(paths, batch, file, wanted, &[])?.frame)
}

/// The same with the columns of texts that are named apart.
///
/// # Errors
/// As [`load`].
pub fn load_with_numbered(
    paths: &Paths,
    batch: &Batch,
    file: &StoredFile,
    wanted: &[String],
    numbered: &[&str],
) -> Result<Piece, RegistryError> {
    let Opened { kept, pieces } = Opened::of(paths, batch, file, check(paths, batch, file)?)?;
    let whole = || {
        let names = pieces.names()?;
        let is_wanted =
            |name: &&str| [FILE_COLUMN, ROW_COLUMN].contains(name) || wanted.iter().any(|wanted| wanted.as_str() == *name);
        let chosen: Vec<&str> = names.iter().map(String::as_str).filter(is_wanted).collect();
        pieces.only(&chosen).whole_with_numbered(numbered)
    };
    let piece = whole().map_err(|error: TableError| kept.undecoded(&error.what()))?;
    kept.count(piece.frame.height())?;
    Ok(piece)
}

/// Holds a batch file against its size and digest, without holding it in memory.
///
/// # Errors
/// When it is missing or not as it was written.
pub fn check(paths: &Paths, batch: &Batch, file: &StoredFile) -> Result<File, RegistryError> {
    let kept = KeptFile { path: paths.batch_file(&file.name), batch: batch.number, file };
    let mut opened = kept.open()?;
    let (mut hasher, mut length, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 18]);
    loop {
        let read = opened.read(&mut buffer).map_err(|error| kept.unread(&error))?;
        if read == 0 {
            break;
        }
        hasher.update(&buffer[..read]);
        length += read as u64;
    }
    kept.hold_against(length, || hexadecimal(&hasher.finalize()))?;
    opened.rewind().map_err(|error| kept.unread(&error))?;
    Ok(opened)
}

/// Batch files that were held against size and digest ahead of their reading, the first of those that are read.
#[derive(Debug, Default)]
pub struct CheckedAhead(VecDeque<(String, File)>);

impl CheckedAhead {
    /// The most that stay open.
    const MOST: usize = 16;

    /// Checks the first of these files.
    ///
    /// # Errors
    /// When one is missing or not as it was written.
    pub fn of(paths: &Paths, files: &[(&Batch, &StoredFile)]) -> Result<Self, RegistryError> {
        let checked = |(batch, file): &(&Batch, &StoredFile)| Ok((file.name.clone(), check(paths, batch, file)?));
        files.iter().take(Self::MOST).map(checked).collect::<Result<_, RegistryError>>().map(Self)
    }
}

/// Reads batch files piece by piece, each once its size and digest are known to be right: so many threads decode, `make` makes something
/// of each piece there (the place of its file comes with it), and `take` takes that in the order of the files and their rows. The columns
/// named by `numbered` may stand apart in a piece.
///
/// # Errors
/// When one is missing or not as it was written, or what `make` or `take` says.
pub fn load_pieces<T: Send, E: From<RegistryError> + Send>(
    paths: &Paths,
    files: &[(&Batch, &StoredFile)],
    CheckedAhead(mut checked): CheckedAhead,
    threads: usize,
    numbered: &[&str],
    make: impl Fn(usize, Piece) -> Result<T, E> + Sync,
    mut take: impl FnMut(T) -> Result<(), E>,
) -> Result<(), E> {
    // A single piece is decoded column beside column, by one who has nothing else to do meanwhile.
    let pieces: u64 = files.iter().map(|(_, file)| file.rows.div_ceil(GROUP as u64)).sum();
    let beside = threads > 1 && pieces > 1;
    let (mut to_open, mut ahead) = (files.iter().enumerate(), VecDeque::new());
    let next = || {
        while ahead.is_empty() {
            let (place, (batch, file)) = to_open.next()?;
            // Files are named by their digest.
            let checked_file = checked.pop_front_if(|(name, _)| *name == file.name);
            let file_checked = checked_file.map_or_else(|| check(paths, batch, file), |(_, opened)| Ok(opened));
            match file_checked.and_then(|opened| Opened::of(paths, batch, file, opened)) {
                Ok(opened) => {
                    let opened = Arc::new(opened);
                    ahead.extend(opened.pieces.spans().map(|span| Ahead { place, span, opened: Arc::clone(&opened) }));
                }
                Err(error) => return Some(Err(error)),
            }
        }
        ahead.pop_front().map(Ok)
    };
    let made = |(): &mut (), piece: Result<Ahead<'_>, RegistryError>| {
        let Ahead { place, span, opened } = piece?;
        make(place, opened.decoded(span, beside, numbered)?)
    };
    as_they_come(threads, next, || (), made, |made| take(made?))
}

/// A piece that is to be decoded: the place of its file, and where it begins there and how many rows it has.
struct Ahead<'a> {
    place: usize,
    span: (usize, usize),
    opened: Arc<Opened<'a>>,
}

/// A batch file whose size, digest and count of rows are right.
struct Opened<'a> {
    kept: KeptFile<'a>,
    pieces: ParquetPieces,
}

impl<'a> Opened<'a> {
    /// One that was held against size and digest.
    fn of(paths: &Paths, batch: &Batch, file: &'a StoredFile, opened: File) -> Result<Self, RegistryError> {
        let kept = KeptFile { path: paths.batch_file(&file.name), batch: batch.number, file };
        let pieces = ParquetPieces::open(opened, GROUP).map_err(|error| kept.undecoded(&error.what()))?;
        kept.count(pieces.height())?;
        Ok(Self { kept, pieces })
    }

    /// A piece, decoded beside others or column beside column; columns that may stand apart come with their texts by number.
    fn decoded(&self, (from, rows): (usize, usize), beside: bool, numbered: &[&str]) -> Result<Piece, RegistryError> {
        let piece = if beside || !numbered.is_empty() {
            self.pieces.rows_with_numbered(from, rows, numbered)
        } else {
            self.pieces.rows_by_columns(from, rows).map(Piece::whole)
        };
        piece.map_err(|error| self.kept.undecoded(&error.what()))
    }
}

/// A batch file as the manifest names it.
struct KeptFile<'a> {
    path: PathBuf,
    batch: u32,
    file: &'a StoredFile,
}

impl KeptFile<'_> {
    fn damaged(&self, what: String) -> RegistryError {
        RegistryError::BatchDamaged { batch: self.batch, path: self.path.clone(), what }
    }

    fn unread(&self, error: &std::io::Error) -> RegistryError {
        self.damaged(format!("can't be read ({error})"))
    }

    fn undecoded(&self, error: &impl std::fmt::Display) -> RegistryError {
        self.damaged(format!("can't be decoded ({error})"))
    }

    fn open(&self) -> Result<File, RegistryError> {
        File::open(&self.path).map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound => self.damaged("is missing".to_owned()),
            _ => self.unread(&error),
        })
    }

    fn hold_against(&self, bytes: u64, sha256: impl FnOnce() -> String) -> Result<(), RegistryError> {
        if bytes != self.file.bytes {
            return Err(self.damaged(format!("has {bytes} bytes instead of {}", self.file.bytes)));
        }
        if sha256() != self.file.sha256 {
            return Err(self.damaged("has other contents than when it was written (its SHA-256 differs)".to_owned()));
        }
        Ok(())
    }

    fn count(&self, rows: usize) -> Result<(), RegistryError> {
        if rows as u64 != self.file.rows {
            return Err(self.damaged(format!("has {rows} rows instead of {}", self.file.rows)));
        }
        Ok(())
    }
}

/// Opens a file for rows that are put down for the length of a run.
pub(super) fn temporary(paths: &Paths) -> Result<NamedTempFile, RegistryError> {
    let folder = paths.batches();
    let file = tempfile::Builder::new().prefix(TEMPORARY).tempfile_in(&folder);
    file.map_err(|error| RegistryError::not_written(&folder, &error))
}

#[cfg(test)]
mod tests {
    use polars::prelude::{IntoColumn, NewChunkedArray, UInt32Chunked};

    use super::*;
    use crate::quantity::Day;
    use crate::registry::manifest::{BatchKind, Counts};

    fn rows(range: std::ops::Range<u32>) -> DataFrame {
        let numbers: Vec<u32> = range.collect();
        let column = UInt32Chunked::from_slice("from_row".into(), &numbers).into_column();
        DataFrame::new(numbers.len(), vec![column]).expect("a frame")
    }

    fn first(piece: &DataFrame) -> u32 {
        piece.column("from_row").and_then(|rows| rows.u32().map(|rows| rows.get(0))).expect("numbers").expect("a row")
    }

    /// Three batches of a file each, in row groups of ten rows: 40, 10 and 30 rows, numbered through.
    fn written(paths: &Paths) -> Vec<Batch> {
        std::fs::create_dir(paths.batches()).expect("a folder");
        let file = |from: u32, to: u32| {
            let mut file = Unfinished::begin_file(paths, Holds::Visits, false, rows(0..0).schema()).expect("begun");
            (from..to).step_by(10).for_each(|group| file.add(&rows(group..group + 10)).expect("added"));
            file.end().and_then(|ended| ended.name(paths)).expect("named")
        };
        let batch = |(number, (from, to))| Batch {
            number,
            kind: BatchKind::Accepted,
            day: Day::from_epoch(20_000),
            sources: Vec::new(),
            own_columns: Vec::new(),
            vocabulary: None,
            files: vec![file(from, to)],
            placements: Counts::default(),
            visits: Counts::default(),
        };
        (1..).zip([(0, 40), (40, 50), (50, 80)]).map(batch).collect()
    }

    #[test]
    fn pieces_of_several_files_come_in_their_order_until_one_ends_it() {
        let folder = tempfile::tempdir().expect("a folder");
        let paths = Paths::new(folder.path());
        let batches = written(&paths);
        let files: Vec<(&Batch, &StoredFile)> = batches.iter().map(|batch| (batch, &batch.files[0])).collect();
        let all: Vec<(usize, u32)> = (0..8).map(|group| ([0, 0, 0, 0, 1, 2, 2, 2][group as usize], group * 10)).collect();
        for threads in [1, 2, 5] {
            // What is made of a piece, and after how many it is enough.
            let read = |files: &[(&Batch, &StoredFile)], bad: u32, enough: usize| {
                let mut taken = Vec::new();
                let make = |place, piece: Piece| match first(&piece.frame) {
                    row if row == bad => Err(RegistryError::Unsteady),
                    row => Ok((place, row)),
                };
                // Some are checked ahead, or none.
                let checked = CheckedAhead::of(&paths, &files[..files.len().min(threads - 1)]).expect("whole");
                let ended = load_pieces(&paths, files, checked, threads, &[], make, |made| {
                    taken.push(made);
                    if taken.len() == enough { Err(RegistryError::NoSuchBatch { asked: 0, newest: 0 }) } else { Ok(()) }
                });
                (ended.map_err(|error| error.to_string()), taken)
            };
            assert_eq!(read(&files, 99, 99), (Ok(()), all.clone()));
            assert_eq!(read(&files[1..2], 99, 99), (Ok(()), vec![(0, 40)]), "a single piece");
            assert_eq!(read(&[], 99, 99), (Ok(()), Vec::new()));
            assert_eq!(read(&files, 50, 99), (Err(RegistryError::Unsteady.to_string()), all[..5].to_vec()));
            let (ended, taken) = read(&files, 99, 5);
            assert_eq!((ended.is_err(), taken), (true, all[..5].to_vec()));
        }
        std::fs::remove_file(paths.batch_file(&files[2].1.name)).expect("removed");
        for threads in [1, 2, 5] {
            let mut taken = Vec::new();
            let make = |place, piece: Piece| Ok((place, first(&piece.frame)));
            let ended = load_pieces(&paths, &files, CheckedAhead::default(), threads, &[], make, |made| {
                taken.push(made);
                Ok(())
            });
            let said = ended.map_err(|error: RegistryError| error.to_string()).expect_err("the last file is gone");
            assert!(said.contains("Batch 3 is damaged") && said.contains("is missing"), "{said}");
            assert_eq!(taken, all[..5]);
        }
    }
}
