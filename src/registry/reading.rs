//! Batches to the two tables, as they stood after a batch; later rows of a correction stand for earlier ones of the same key.

use std::collections::HashSet;
use std::thread;

use polars::prelude::{BooleanChunked, Column as FrameColumn, DataFrame, NewChunkedArray};
use sha2::{Digest, Sha256};

use super::batch_file::{CheckedAhead, load, load_columns, load_pieces, load_with_numbered};
use super::error::RegistryError;
use super::manifest::{Batch, BatchKind, Holds, Manifest, StoredFile};
use super::paths::Paths;
use super::row_key::{Corrected, KEY_COLUMNS, RowKey, RowKeys};
use super::stated_columns::{apart, put_back, taken_out};
use super::vocabulary::{TermTables, translate};
use crate::record::{Cell, Column, PLACEMENT_COLUMNS, VISIT_COLUMNS};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::stated::{KnownStatements, is_coded};
use crate::table::{
    ColumnBuilder, NumberedTexts, Piece, PlacementTable, RecordTable, STATED_COLUMN, StatedRows, VisitTable,
    decoding_threads,
};
use crate::wording::hexadecimal;

/// Kept records, as they stood after a batch.
#[derive(Clone, Debug)]
pub struct Kept {
    /// Placements; files are named with their batch, rows are those of the record file.
    pub placements: PlacementTable,
    /// Visits.
    pub visits: VisitTable,
    /// The last batch that was read.
    pub batch: u32,
    /// The practice's own columns.
    pub own_columns: Vec<String>,
    /// SHA-256 over the digests of all files read, in hexadecimal.
    pub fingerprint: String,
}

/// Reads all batches up to one.
pub(super) fn read(paths: &Paths, manifest: &Manifest, as_of: u32) -> Result<Kept, RegistryError> {
    let own_columns = own_columns(manifest, as_of);
    let (placements, visits) = thread::scope(|scope| {
        let visits = scope.spawn(|| table(paths, manifest, as_of, Holds::Visits, &[]));
        let placements = table(paths, manifest, as_of, Holds::Placements, &own_columns);
        (placements, visits.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    Ok(Kept {
        placements: PlacementTable(placements?),
        visits: VisitTable(visits?),
        batch: as_of,
        own_columns,
        fingerprint: fingerprint(manifest, as_of),
    })
}

/// Reads placements of all batches up to one, with these columns, or all; there are no visits beside them.
pub(super) fn read_placements(
    paths: &Paths,
    manifest: &Manifest,
    as_of: u32,
    wanted: Option<&[String]>,
) -> Result<Kept, RegistryError> {
    let own_columns = own_columns(manifest, as_of);
    let placements = table_of(paths, manifest, as_of, Holds::Placements, &own_columns, wanted)?;
    let visits = RecordTable::new(empty_frame(columns(Holds::Visits), &[])?, files(manifest, as_of));
    Ok(Kept {
        placements: PlacementTable(placements),
        visits: VisitTable(visits),
        batch: as_of,
        own_columns,
        fingerprint: fingerprint(manifest, as_of),
    })
}

fn fingerprint(manifest: &Manifest, as_of: u32) -> String {
    let mut hasher = Sha256::new();
    for (batch, file) in manifest.files() {
        if batch.number <= as_of {
            hasher.update(file.sha256.as_bytes());
        }
    }
    hexadecimal(&hasher.finalize())
}

/// The practice's own columns of all batches up to one, in order of appearance.
pub(super) fn own_columns(manifest: &Manifest, as_of: u32) -> Vec<String> {
    let mut own: Vec<String> = Vec::new();
    for name in manifest.batches.iter().filter(|batch| batch.number <= as_of).flat_map(|batch| &batch.own_columns) {
        if !own.contains(name) {
            own.push(name.clone());
        }
    }
    own
}

/// The record's own columns of a kind.
pub(super) const fn columns(holds: Holds) -> &'static [Column] {
    match holds {
        Holds::Placements => PLACEMENT_COLUMNS,
        Holds::Visits => VISIT_COLUMNS,
    }
}

pub(super) fn table(
    paths: &Paths,
    manifest: &Manifest,
    as_of: u32,
    holds: Holds,
    own: &[String],
) -> Result<RecordTable, RegistryError> {
    table_of(paths, manifest, as_of, holds, own, None)
}

/// The same with some columns only, or all; those by which rows supersede others are among them. Of some columns, texts other than ids stand
/// beside the frame by number, unless rows supersede others.
fn table_of(
    paths: &Paths,
    manifest: &Manifest,
    as_of: u32,
    holds: Holds,
    own: &[String],
    wanted: Option<&[String]>,
) -> Result<RecordTable, RegistryError> {
    let is_wanted = |name: &str| wanted.is_none_or(|wanted| wanted.iter().any(|wanted| wanted == name));
    let batches = || manifest.batches.iter().filter(|batch| batch.number <= as_of);
    let any_beside = wanted.is_some() && batches().all(|batch| batch.kind != BatchKind::Correction);
    let is_beside = |column: &Column| {
        any_beside && matches!(column.cell, Cell::Text) && !["restoration_id", "patient_id"].contains(&column.name)
    };
    let (beside, shape): (Vec<Column>, Vec<Column>) =
        columns(holds).iter().filter(|column| is_wanted(column.name)).partition(|column| is_beside(column));
    let own = own.iter().filter(|name| is_wanted(name)).cloned();
    let (own_beside, own): (Vec<String>, Vec<String>) = own.partition(|_| any_beside);
    let names: Vec<&str> = beside.iter().map(|column| column.name).chain(own_beside.iter().map(String::as_str)).collect();
    let mut frames: Vec<(BatchKind, DataFrame)> = Vec::new();
    let mut gathered: Vec<Vec<NumberedTexts>> = names.iter().map(|_| Vec::new()).collect();
    let mut before = 0;
    for batch in batches() {
        for file in batch.files.iter().filter(|file| file.holds == holds) {
            let Piece { frame, numbered } = match wanted {
                None => Piece::whole(load(paths, batch, file)?),
                Some(wanted) => load_with_numbered(paths, batch, file, wanted, &names)?,
            };
            known_columns(numbered.iter().map(|(name, _)| name.as_str()), batch, holds)?;
            for (name, gathered) in names.iter().zip(&mut gathered) {
                let texts = numbered.iter().find(|(other, _)| other == name).map(|(_, texts)| texts.clone());
                gathered.push(texts.unwrap_or_else(|| NumberedTexts::none(frame.height())));
            }
            frames.push((batch.kind, renumbered(&todays(frame, manifest, batch, file)?, &shape, &own, before)?));
        }
        before += u32::try_from(batch.sources.len()).unwrap_or(u32::MAX);
    }
    let frame = standing_on(empty_frame(&shape, &own)?, frames, holds)?;
    let names = names.into_iter().map(str::to_owned);
    let numbered = names.zip(gathered.into_iter().map(NumberedTexts::concatenated)).collect();
    Ok(RecordTable::of_piece(Piece { frame, numbered }, files(manifest, as_of)))
}

/// Some neighbouring rows that stood after a batch. What visits state is told apart from their other columns.
pub(super) struct StandingPiece {
    piece: Piece,
    stated: Option<StatedRows>,
}

impl StandingPiece {
    /// With all columns of their kind.
    pub(super) fn whole(self) -> Result<DataFrame, RegistryError> {
        if self.stated.is_none() {
            return Ok(self.piece.frame);
        }
        shaped(&put_back(self.piece.frame, self.stated.as_ref())?, VISIT_COLUMNS, &[])
    }

    /// Visits without what they state, and that beside them.
    pub(super) fn parts(self) -> (Piece, StatedRows) {
        (self.piece, self.stated.unwrap_or_default())
    }
}

/// Goes through the rows of a kind that stood after a batch, piece by piece: `make` makes something of each on any thread, and `take`
/// takes that in the order of the rows. Placements come with the practice's own columns. The columns named by `numbered` may stand apart,
/// and then no piece is whole.
pub(super) fn standing_pieces<T: Send, E: From<RegistryError> + Send>(
    paths: &Paths,
    manifest: &Manifest,
    as_of: u32,
    (holds, numbered): (Holds, &[&str]),
    checked: CheckedAhead,
    make: impl Fn(StandingPiece) -> Result<T, E> + Sync,
    take: impl FnMut(T) -> Result<(), E>,
) -> Result<(), E> {
    let own = if holds == Holds::Placements { own_columns(manifest, as_of) } else { Vec::new() };
    let mut corrected = Corrected::default();
    let batches = || manifest.batches.iter().filter(|batch| batch.number <= as_of);
    let corrections = || batches().filter(|batch| batch.kind == BatchKind::Correction);
    let last_correction = corrections().map(|batch| batch.number).max();
    for batch in corrections() {
        for file in batch.files.iter().filter(|file| file.holds == holds) {
            let frame = load_columns(paths, batch, file, &KEY_COLUMNS.map(str::to_owned))?;
            let keys = RowKeys::new(&frame, holds)?;
            (0..frame.height()).for_each(|row| corrected.add(keys.key(row), batch.number));
        }
    }
    let (mut files, mut befores, mut before) = (Vec::new(), Vec::new(), 0);
    for batch in batches() {
        for file in batch.files.iter().filter(|file| file.holds == holds) {
            files.push((batch, file));
            befores.push(before);
        }
        before += u32::try_from(batch.sources.len()).unwrap_or(u32::MAX);
    }
    let beside: Vec<Column> =
        columns(holds).iter().filter(|column| holds == Holds::Placements || !is_coded(column)).copied().collect();
    // Keys are reckoned from cells.
    let numbered = if last_correction.is_some() { &[] } else { numbered };
    let known = KnownStatements::default();
    let standing = |place: usize, piece: Piece| -> Result<StandingPiece, RegistryError> {
        let (batch, file) = files[place];
        let frame = with_todays_terms(piece.frame, manifest, batch, file)?;
        known_columns(piece.numbered.iter().map(|(name, _)| name.as_str()), batch, holds)?;
        let (Piece { frame, numbered }, mut stated) = taken_out(Piece { frame, ..piece }, holds, batch.number, &known)?;
        if holds == Holds::Visits && stated.is_none() {
            stated = Some(StatedRows::of_frame(&shaped(&frame, VISIT_COLUMNS, &[])?)?);
        }
        let is_apart = |column: &Column| numbered.iter().any(|(name, _)| name == column.name);
        let beside: Vec<Column> = beside.iter().filter(|column| !is_apart(column)).copied().collect();
        let frame = renumbered(&frame, &beside, &own, befores[place])?;
        if last_correction <= Some(batch.number) {
            return Ok(StandingPiece { piece: Piece { frame, numbered }, stated });
        }
        let keys = RowKeys::new(&frame, holds)?;
        let stands = |row| corrected.last(keys.key(row)).is_none_or(|last| last <= batch.number);
        let mask: Vec<bool> = (0..frame.height()).map(stands).collect();
        Ok(StandingPiece {
            piece: Piece::whole(frame.filter(&BooleanChunked::from_slice("live".into(), &mask))?),
            stated: stated.map(|stated| stated.only(&mask)),
        })
    };
    let make = |place, piece| make(standing(place, piece)?);
    load_pieces(paths, &files, checked, decoding_threads(), numbered, make, take)
}

/// Holds the first files of a kind, of batches up to one, against their digests.
pub(super) fn checked_ahead(
    paths: &Paths,
    manifest: &Manifest,
    as_of: u32,
    holds: Holds,
) -> Result<CheckedAhead, RegistryError> {
    let files = manifest.files().filter(|(batch, file)| batch.number <= as_of && file.holds == holds);
    CheckedAhead::of(paths, &files.collect::<Vec<_>>())
}

/// The names of the files that kept rows came from, in the order that rows count them.
pub(super) fn files(manifest: &Manifest, as_of: u32) -> Vec<String> {
    let batches = manifest.batches.iter().filter(|batch| batch.number <= as_of);
    batches.flat_map(|batch| batch.sources.iter().map(|source| format!("batch {}: {}", batch.number, source.name))).collect()
}

/// Goes through all rows of a kind piece by piece, batch by batch, superseded rows too; the place of its batch goes with each piece.
pub(super) fn pieces(
    paths: &Paths,
    manifest: &Manifest,
    holds: Holds,
    own: &[String],
    take: &mut dyn FnMut(u32, DataFrame) -> Result<(), RegistryError>,
) -> Result<(), RegistryError> {
    let mut before = 0;
    for (place, batch) in (0..).zip(&manifest.batches) {
        for file in batch.files.iter().filter(|file| file.holds == holds) {
            let whole =
                |_, piece: Piece| renumbered(&todays(piece.frame, manifest, batch, file)?, columns(holds), own, before);
            // Rows in all their columns: one piece at a time is much already.
            load_pieces(paths, &[(batch, file)], CheckedAhead::default(), 1, &[], whole, |piece| take(place, piece))?;
        }
        before += u32::try_from(batch.sources.len()).unwrap_or(u32::MAX);
    }
    Ok(())
}

/// A frame of a batch in the shape of all, its files counted behind those of earlier batches.
fn renumbered(frame: &DataFrame, columns: &[Column], own: &[String], before: u32) -> Result<DataFrame, RegistryError> {
    let mut frame = shaped(frame, columns, own)?;
    if before == 0 {
        return Ok(frame);
    }
    let counted = frame.column(FILE_COLUMN)?.as_materialized_series().u32()?;
    let moved = counted.iter().map(|place| place.unwrap_or(0).saturating_add(before)).collect();
    frame.with_column(whole_numbers(FILE_COLUMN, moved))?;
    Ok(frame)
}

/// The rows that stand, of frames in the order of their batches.
pub(super) fn standing(
    frames: Vec<(BatchKind, DataFrame)>,
    holds: Holds,
    own: &[String],
) -> Result<DataFrame, RegistryError> {
    standing_on(empty_frame(columns(holds), own)?, frames, holds)
}

/// The same behind the rows of a frame of their shape.
fn standing_on(
    mut all: DataFrame,
    mut frames: Vec<(BatchKind, DataFrame)>,
    holds: Holds,
) -> Result<DataFrame, RegistryError> {
    if frames.iter().any(|(kind, _)| *kind == BatchKind::Correction) {
        // Single rows are looked at.
        frames.iter_mut().for_each(|(_, frame)| {
            frame.rechunk_mut();
        });
    }
    let masks = live(&frames, holds)?;
    for ((_, frame), mask) in frames.into_iter().zip(masks) {
        let frame = match mask {
            Some(mask) => frame.filter(&BooleanChunked::from_slice("live".into(), &mask))?,
            None => frame,
        };
        if all.height() == 0 {
            all = frame;
        } else {
            all.vstack_mut(&frame)?;
        }
    }
    all.rechunk_mut_par();
    Ok(all)
}

/// A file of a batch with today's codes.
pub(super) fn decoded(
    paths: &Paths,
    manifest: &Manifest,
    batch: &Batch,
    file: &StoredFile,
) -> Result<DataFrame, RegistryError> {
    todays(load(paths, batch, file)?, manifest, batch, file)
}

/// Rows of a file of a batch in the columns and codes of today.
fn todays(frame: DataFrame, manifest: &Manifest, batch: &Batch, file: &StoredFile) -> Result<DataFrame, RegistryError> {
    apart(with_todays_terms(frame, manifest, batch, file)?, file.holds, batch.number)
}

/// Rows of a file of a batch with today's codes in those columns that hold codes.
fn with_todays_terms(
    frame: DataFrame,
    manifest: &Manifest,
    batch: &Batch,
    file: &StoredFile,
) -> Result<DataFrame, RegistryError> {
    known_columns(frame.get_column_names().into_iter().map(|name| name.as_str()), batch, file.holds)?;
    let none = TermTables::new();
    let terms = batch.vocabulary.and_then(|place| manifest.vocabularies.get(place as usize)).unwrap_or(&none);
    translate(frame, columns(file.holds), terms, batch.number)
}

/// Refuses columns of a file of a batch that this version doesn't know.
fn known_columns<'a>(mut names: impl Iterator<Item = &'a str>, batch: &Batch, holds: Holds) -> Result<(), RegistryError> {
    let known = |name: &str| {
        columns(holds).iter().any(|column| column.name == name)
            || [FILE_COLUMN, ROW_COLUMN].contains(&name)
            || (holds == Holds::Visits && name == STATED_COLUMN)
            || (holds == Holds::Placements && batch.own_columns.iter().any(|own| own == name))
    };
    match names.find(|name| !known(name)) {
        None => Ok(()),
        Some(unknown) => Err(RegistryError::UnknownInBatch { batch: batch.number, what: format!("the column {unknown}") }),
    }
}

/// A table with all columns in order: record's, own, origin. What it lacks is empty.
pub(super) fn shaped(frame: &DataFrame, columns: &[Column], own: &[String]) -> Result<DataFrame, RegistryError> {
    let column = |name: &str, cell: Cell| -> FrameColumn {
        frame.column(name).cloned().unwrap_or_else(|_| {
            let mut empty = ColumnBuilder::new(name, cell);
            (0..frame.height()).for_each(|_| empty.push_none());
            empty.finish()
        })
    };
    let mut all: Vec<FrameColumn> = columns.iter().map(|one| column(one.name, one.cell)).collect();
    all.extend(own.iter().map(|name| column(name, Cell::Text)));
    for name in [FILE_COLUMN, ROW_COLUMN] {
        all.push(frame.column(name)?.clone());
    }
    Ok(DataFrame::new(frame.height(), all)?)
}

pub(super) fn empty_frame(columns: &[Column], own: &[String]) -> Result<DataFrame, RegistryError> {
    let origin = [FILE_COLUMN, ROW_COLUMN].map(|name| whole_numbers(name, Vec::new()));
    shaped(&DataFrame::new(0, origin.to_vec())?, columns, own)
}

/// Which rows stand, frame by frame; none where all do. Only the keys of corrections are held.
fn live(frames: &[(BatchKind, DataFrame)], holds: Holds) -> Result<Vec<Option<Vec<bool>>>, RegistryError> {
    let mut masks = vec![None; frames.len()];
    let mut superseded: HashSet<RowKey<'_>> = HashSet::new();
    for ((kind, frame), mask) in frames.iter().zip(&mut masks).rev() {
        if *kind != BatchKind::Correction && superseded.is_empty() {
            continue;
        }
        let keys = RowKeys::new(frame, holds)?;
        *mask = Some((0..frame.height()).map(|row| !superseded.contains(&keys.key(row))).collect());
        if *kind == BatchKind::Correction {
            superseded.extend((0..frame.height()).map(|row| keys.key(row)));
        }
    }
    Ok(masks)
}
