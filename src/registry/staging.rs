//! Checked rows on their way into a registry: patients renamed, rows in the order in which they were received.
//!
//! Few rows stay in memory. More go to the disk piece by piece, as the batch files that they become if all of them are kept, under a
//! temporary name until then. Plain ids never reach the disk where the registry has a key.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{BooleanChunked, DataFrame, NewChunkedArray};

use super::batch_file::{Ended, GROUP, Unfinished};
use super::error::RegistryError;
use super::identity::Pseudonyms;
use super::manifest::{Holds, Manifest, SourceFile};
use super::paths::Paths;
use super::reading::{columns, own_columns, shaped};
use super::stop_point::{STAGED, reach};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};

/// Rows that are to be kept, as they come in.
pub struct Staging {
    paths: Paths,
    pseudonyms: Pseudonyms,
    /// The practice's own columns: those that the registry has, then those of the protocol.
    own: Vec<String>,
    most_in_memory: usize,
    tables: [Table; 2],
}

/// One table as it comes in.
struct Table {
    holds: Holds,
    rows: usize,
    /// Rows that are not on the disk.
    held: Vec<DataFrame>,
    held_rows: usize,
    file: Option<Unfinished>,
}

/// Where a table's rows are once all of them came in.
#[derive(Debug)]
pub(super) enum Rows {
    Held(Vec<DataFrame>),
    OnDisk(Ended),
}

/// All rows that are to be kept.
#[derive(Debug)]
pub struct Staged {
    pub(super) tables: [Rows; 2],
    pub(super) sources: Vec<SourceFile>,
    /// The columns of the practice's own that its placements have.
    pub(super) own: Vec<String>,
    /// Rows that are set aside, by file and row.
    removed: BTreeMap<u32, BTreeSet<u32>>,
    /// Rows of each table, less those that are set aside.
    rows: [u64; 2],
    /// Which of the practice's own columns hold anything.
    pub(super) filled: BTreeSet<String>,
}

/// Both kinds, in the order of tables.
pub(super) const KINDS: [Holds; 2] = [Holds::Placements, Holds::Visits];

impl Staging {
    pub(super) fn begin(
        paths: &Paths,
        manifest: &Manifest,
        pseudonyms: &Pseudonyms,
        own: &[String],
        most_in_memory: usize,
    ) -> Self {
        let mut all_own = own_columns(manifest, manifest.revision);
        for name in own {
            if !all_own.contains(name) {
                all_own.push(name.clone());
            }
        }
        let table = |holds| Table { holds, rows: 0, held: Vec::new(), held_rows: 0, file: None };
        Self { paths: paths.clone(), pseudonyms: pseudonyms.clone(), own: all_own, most_in_memory, tables: KINDS.map(table) }
    }

    /// Takes some rows.
    ///
    /// # Errors
    /// When the system refuses to write them.
    pub fn take(&mut self, holds: Holds, frame: &DataFrame) -> Result<(), RegistryError> {
        let (renamed, own) = match holds {
            Holds::Placements => (self.pseudonyms.rename(frame)?, self.own.as_slice()),
            Holds::Visits => (frame.clone(), [].as_slice()),
        };
        let frame = shaped(&renamed, columns(holds), own)?;
        let table = &mut self.tables[usize::from(holds == Holds::Visits)];
        table.rows += frame.height();
        table.held_rows += frame.height();
        table.held.push(frame);
        // Pieces of many small files become row groups of some size.
        if table.held_rows >= GROUP && table.rows > self.most_in_memory {
            table.put_down(&self.paths, table.held_rows / GROUP * GROUP)?;
        }
        Ok(())
    }

    /// Ends it; rows name their files in the order of `sources`.
    ///
    /// # Errors
    /// When the system refuses to write the rest.
    pub fn end(self, sources: Vec<SourceFile>) -> Result<Staged, RegistryError> {
        let (paths, most) = (self.paths, self.most_in_memory);
        let ended = |mut table: Table| -> Result<Rows, RegistryError> {
            if table.rows > most {
                table.put_down(&paths, table.held_rows)?;
            }
            Ok(match table.file {
                Some(file) => Rows::OnDisk(file.end()?),
                None => Rows::Held(table.held),
            })
        };
        let [placements, visits] = self.tables;
        let tables = [ended(placements)?, ended(visits)?];
        reach(STAGED);
        let mut staged =
            Staged { tables, sources, own: self.own, removed: BTreeMap::new(), rows: [0; 2], filled: BTreeSet::new() };
        staged.count()?;
        Ok(staged)
    }
}

impl Table {
    /// Puts so many of the rows that are held onto the disk.
    fn put_down(&mut self, paths: &Paths, rows: usize) -> Result<(), RegistryError> {
        let mut held = self.held.drain(..);
        let Some(mut all) = held.next() else { return Ok(()) };
        for frame in held {
            all.vstack_mut_owned(frame)?;
        }
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(Unfinished::begin(paths, self.holds, all.schema())?),
        };
        file.add(&all.head(Some(rows)))?;
        self.held_rows -= rows;
        if self.held_rows > 0 {
            self.held.push(all.tail(Some(self.held_rows)));
        }
        Ok(())
    }
}

impl Staged {
    /// How many rows of placements and of visits there are, less those that are set aside.
    pub const fn rows(&self) -> [u64; 2] {
        self.rows
    }

    /// Sets rows aside, given by file and row number.
    ///
    /// # Errors
    /// When rows can't be read again.
    pub fn remove(&mut self, rows: &BTreeMap<String, BTreeSet<u64>>) -> Result<(), RegistryError> {
        for (file, source) in (0..).zip(&self.sources) {
            if let Some(rows) = rows.get(&source.name) {
                let numbers = rows.iter().filter_map(|&row| u32::try_from(row).ok());
                self.removed.entry(file).or_default().extend(numbers);
            }
        }
        self.count()
    }

    /// Whether a row is set aside, by the place of its file and its number.
    pub fn is_removed(&self, (file, row): (u32, u32)) -> bool {
        self.removed.get(&file).is_some_and(|rows| rows.contains(&row))
    }

    fn count(&mut self) -> Result<(), RegistryError> {
        let mut rows = [0; 2];
        let mut filled = BTreeSet::new();
        for (holds, rows) in KINDS.into_iter().zip(&mut rows) {
            if self.removed.is_empty() && (holds == Holds::Visits || self.own.is_empty()) {
                *rows = match &self.tables[usize::from(holds == Holds::Visits)] {
                    Rows::Held(frames) => frames.iter().map(|frame| frame.height() as u64).sum(),
                    Rows::OnDisk(file) => file.rows(),
                };
                continue;
            }
            self.pieces(holds, &mut |frame, stays| {
                *rows += stays.map_or(frame.height(), |stays| stays.iter().filter(|stays| **stays).count()) as u64;
                if holds == Holds::Placements {
                    for name in &self.own {
                        let text = frame.column(name)?.as_materialized_series().str()?;
                        let stays = |row: usize| stays.is_none_or(|stays| stays[row]);
                        if !filled.contains(name) && (0..text.len()).any(|row| text.get(row).is_some() && stays(row)) {
                            filled.insert(name.clone());
                        }
                    }
                }
                Ok(())
            })?;
        }
        (self.rows, self.filled) = (rows, filled);
        Ok(())
    }

    /// Goes through a table in the order received; with each piece goes which of its rows are not set aside, none where all are.
    pub(super) fn pieces(&self, holds: Holds, take: &mut TakePiece<'_>) -> Result<(), RegistryError> {
        let mut one = |frame: DataFrame| -> Result<(), RegistryError> {
            let stays = self.staying(&frame)?;
            take(frame, stays.as_deref())
        };
        match &self.tables[usize::from(holds == Holds::Visits)] {
            Rows::Held(frames) => frames.iter().try_for_each(|frame| one(frame.clone())),
            Rows::OnDisk(file) => file.pieces()?.try_for_each(|frame| one(frame?)),
        }
    }

    /// Goes through some columns of a table, set-aside rows among the others, as long as more is wanted.
    pub(super) fn pieces_of(
        &self,
        holds: Holds,
        columns: &[&str],
        take: &mut dyn FnMut(DataFrame) -> Result<bool, RegistryError>,
    ) -> Result<(), RegistryError> {
        match &self.tables[usize::from(holds == Holds::Visits)] {
            Rows::Held(frames) => {
                for frame in frames {
                    if !take(frame.select(columns.iter().copied())?)? {
                        break;
                    }
                }
            }
            Rows::OnDisk(file) => {
                let mut pieces = file.pieces_of(columns)?;
                while let Some(frame) = pieces.next_piece()? {
                    if !take(frame)? {
                        break;
                    }
                }
            }
        }
        Ok(())
    }

    /// The rows of a table from one place to another, set-aside ones among them.
    pub(super) fn rows_between(&self, holds: Holds, (from, to): (u64, u64)) -> Result<Option<DataFrame>, RegistryError> {
        let at = |place: u64| usize::try_from(place).unwrap_or(usize::MAX);
        let (from, to) = (at(from), at(to));
        match &self.tables[usize::from(holds == Holds::Visits)] {
            Rows::Held(frames) => {
                let (mut all, mut before): (Option<DataFrame>, _) = (None, 0);
                for frame in frames {
                    let (begin, end) = (from.max(before), to.min(before + frame.height()));
                    if begin < end {
                        let part = frame.slice(i64::try_from(begin - before).unwrap_or(i64::MAX), end - begin);
                        match &mut all {
                            Some(all) => drop(all.vstack_mut_owned(part)?),
                            none => *none = Some(part),
                        }
                    }
                    before += frame.height();
                }
                Ok(all)
            }
            Rows::OnDisk(file) if from < to => Ok(Some(file.rows_from(from, to - from)?)),
            Rows::OnDisk(_) => Ok(None),
        }
    }

    /// Whether any row is set aside.
    pub(super) fn any_removed(&self) -> bool {
        !self.removed.is_empty()
    }

    fn staying(&self, frame: &DataFrame) -> Result<Option<Vec<bool>>, RegistryError> {
        if self.removed.is_empty() {
            return Ok(None);
        }
        let files = frame.column(FILE_COLUMN)?.as_materialized_series().u32()?;
        let rows = frame.column(ROW_COLUMN)?.as_materialized_series().u32()?;
        let stays = files.iter().zip(rows.iter()).map(|(file, row)| match (file, row) {
            (Some(file), Some(row)) => !self.is_removed((file, row)),
            _ => true,
        });
        Ok(Some(stays.collect()))
    }
}

/// Takes a piece of a table, and which of its rows are not set aside.
pub(super) type TakePiece<'a> = dyn FnMut(DataFrame, Option<&[bool]>) -> Result<(), RegistryError> + 'a;

/// The rows of a frame that stay.
pub(super) fn only(frame: &DataFrame, stays: Option<&[bool]>) -> Result<DataFrame, RegistryError> {
    match stays {
        Some(stays) => Ok(frame.filter(&BooleanChunked::from_slice("stays".into(), stays))?),
        None => Ok(frame.clone()),
    }
}
