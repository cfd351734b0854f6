//! New and kept rows by part, so that those that may meet are together: all of a patient, and all of a restoration.
//!
//! Where all rows fit into memory there is one part, and nothing is put down. Where nothing is kept and new rows come in order, parts are
//! stretches of them. Else kept and new rows are gone through once for the patients of all restorations, then once to be put down by part.
//! The sum of what the parts come to is what the whole would come to.

use std::thread;

use polars::prelude::{Column, DataFrame};

use super::error::RegistryError;
use super::manifest::{BatchKind, Holds};
use super::part_file::PartFile;
use super::part_index::{MOST_PARTS, PartIndex, PartIndexBuilder};
use super::reading::{columns, empty_frame, files, own_columns, pieces, shaped, standing, table};
use super::runs::Runs;
use super::staging::{KINDS, Staged, only};
use super::stop_point::{PARTED, reach};
use super::weighing::{Part, Scale, Weighed, WeighedPart, passed_over};
use super::writer::Writer;
use crate::finding::Findings;
use crate::table::columns::whole_numbers;
use crate::table::records::FILE_COLUMN;

/// Column of rows put down: of new rows the place among all received, of kept rows the place of their batch.
const AT_COLUMN: &str = "at";

/// Placements that the index holds in memory for each row of a part: they take sixteen bytes, a row of a part ten times as many.
const INDEXED: usize = 16;

/// New rows and those of a registry, to be looked at part by part.
pub struct Parts<'a> {
    writer: &'a Writer,
    staged: &'a Staged,
    scale: Scale,
    index: PartIndex,
    cut: Cut,
}

/// How rows are cut into parts.
enum Cut {
    /// Into one.
    Whole,
    /// Into stretches of the new rows as they were staged; nothing is kept yet.
    Runs(Runs),
    /// Kept and new rows of both kinds are put down by part.
    PutDown(Box<[[PartFile; 2]; 2]>),
}

impl Writer {
    /// Lays out new rows beside the kept ones in parts of about so many rows.
    ///
    /// # Errors
    /// When a kept file is damaged, or the system refuses.
    pub fn part<'a>(&'a self, staged: &'a Staged, correction: bool, rows: usize) -> Result<Parts<'a>, RegistryError> {
        let manifest = self.manifest();
        let kept_own = own_columns(manifest, manifest.revision);
        let (own, silent) = (
            staged.own.iter().filter(|name| kept_own.contains(name) || staged.filled.contains(*name)),
            staged.own.iter().filter(|name| !staged.filled.contains(*name)),
        );
        let scale = Scale {
            known: staged.sources.iter().map(|source| passed_over(manifest, &source.sha256)).collect(),
            own: own.cloned().collect(),
            silent: silent.cloned().collect(),
            correction,
            kept_files: files(manifest, manifest.revision),
            new_files: staged.sources.iter().map(|source| source.name.clone()).collect(),
        };
        let kept: u64 = manifest.files().map(|(_, file)| file.rows).sum();
        let all = usize::try_from(kept + staged.rows().iter().sum::<u64>()).unwrap_or(usize::MAX);
        let parts = all.div_ceil(rows.max(1)).clamp(1, MOST_PARTS);
        // Rows that meet others only in their own files, none of which is passed over, may come in order.
        let alone = parts > 1 && kept == 0 && !staged.any_removed() && scale.known.iter().all(Option::is_none);
        let (index, runs) = thread::scope(|scope| {
            let runs = scope.spawn(|| if alone { Runs::find(staged, parts) } else { Ok(None) });
            let index = index(self, staged, &scale, parts, rows.saturating_mul(INDEXED));
            (index, runs.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
        });
        let (index, runs) = (index?, runs?);
        let cut = self.cut(staged, &scale, &index, runs)?;
        reach(PARTED);
        Ok(Parts { writer: self, staged, scale, index, cut })
    }

    fn cut(&self, staged: &Staged, scale: &Scale, index: &PartIndex, runs: Option<Runs>) -> Result<Cut, RegistryError> {
        if index.parts() == 1 {
            return Ok(Cut::Whole);
        }
        if let Some(runs) = runs {
            return Ok(Cut::Runs(runs));
        }
        let (paths, manifest) = (self.registry.paths(), self.manifest());
        let begin = || -> Result<[PartFile; 2], RegistryError> {
            Ok([PartFile::begin(paths, index.parts())?, PartFile::begin(paths, index.parts())?])
        };
        let mut put_down = [begin()?, begin()?];
        for (place, holds) in KINDS.into_iter().enumerate() {
            let own = scale.own_of(holds);
            let [kept, new] = &mut put_down;
            pieces(paths, manifest, holds, own, &mut |batch, mut frame| {
                frame.with_column(whole_numbers(AT_COLUMN, vec![batch; frame.height()]))?;
                kept[place].add(frame, index)
            })?;
            kept[place].end(index)?;
            new_rows(staged, holds, own, &mut |frame| new[place].add(frame, index))?;
            new[place].end(index)?;
        }
        Ok(Cut::PutDown(Box::new(put_down)))
    }
}

impl Scale {
    fn own_of(&self, holds: Holds) -> &[String] {
        if holds == Holds::Placements { &self.own } else { &[] }
    }
}

/// The part of every restoration that was placed, but for those of files that are passed over.
fn index(
    writer: &Writer,
    staged: &Staged,
    scale: &Scale,
    parts: usize,
    most_held: usize,
) -> Result<PartIndex, RegistryError> {
    let (paths, manifest) = (writer.registry.paths(), writer.manifest());
    let mut builder = PartIndexBuilder::new(paths, most_held);
    let mut add = |frame: &DataFrame, known: &[Option<u32>]| -> Result<(), RegistryError> {
        let ids = frame.column("restoration_id")?.as_materialized_series().str()?;
        let patients = frame.column("patient_id")?.as_materialized_series().str()?;
        let files = frame.column(FILE_COLUMN)?.as_materialized_series().u32()?;
        for ((id, patient), file) in ids.iter().zip(patients.iter()).zip(files.iter()) {
            if file.and_then(|file| known.get(file as usize).copied().flatten()).is_none() {
                builder.add(id.unwrap_or(""), patient.unwrap_or(""))?;
            }
        }
        Ok(())
    };
    pieces(paths, manifest, Holds::Placements, &[], &mut |_, frame| add(&frame, &[]))?;
    if staged.any_removed() {
        staged.pieces(Holds::Placements, &mut |frame, stays| add(&only(&frame, stays)?, &scale.known))?;
    } else {
        staged.pieces_of(Holds::Placements, &["restoration_id", "patient_id", FILE_COLUMN], &mut |frame| {
            add(&frame, &scale.known).map(|()| true)
        })?;
    }
    builder.finish(parts)
}

/// Goes through new rows that are not set aside, each with its place among all received.
fn new_rows(
    staged: &Staged,
    holds: Holds,
    own: &[String],
    take: &mut dyn FnMut(DataFrame) -> Result<(), RegistryError>,
) -> Result<(), RegistryError> {
    let mut before = 0_u32;
    staged.pieces(holds, &mut |frame, stays| {
        let rows = u32::try_from(frame.height()).unwrap_or(u32::MAX);
        let mut shaped = shaped(&frame, columns(holds), own)?;
        shaped.with_column(whole_numbers(AT_COLUMN, (before..before.saturating_add(rows)).collect()))?;
        before = before.saturating_add(rows);
        take(only(&shaped, stays)?)
    })
}

impl Parts<'_> {
    /// How many parts there are.
    pub const fn count(&self) -> usize {
        match &self.cut {
            Cut::Runs(runs) => runs.count(),
            Cut::Whole | Cut::PutDown(_) => self.index.parts(),
        }
    }

    /// For which of some restorations there is any placement, kept or new, as far as a hash of 64 bits tells.
    ///
    /// # Errors
    /// When the system refuses to read.
    pub fn known<'a>(&self, restorations: impl Iterator<Item = &'a str>) -> Result<Vec<bool>, RegistryError> {
        self.index.known(restorations)
    }

    /// What nothing came to yet, to take over what the parts come to.
    pub fn nothing(&self) -> Weighed {
        self.scale.nothing()
    }

    /// The files that rows of all parts name: kept ones with their batch, then the new ones.
    pub fn files(&self) -> Vec<String> {
        [self.scale.kept_files.as_slice(), self.scale.new_files.as_slice()].concat()
    }

    /// Holds the new rows of a part against what is kept. Contradictions become findings; in a correction, new rows supersede kept
    /// ones instead.
    ///
    /// # Errors
    /// When a kept file is damaged, or rows can't be read again.
    pub fn weigh(&self, part: usize, findings: &mut Findings) -> Result<WeighedPart, RegistryError> {
        self.scale.weigh(self.load(part)?, findings)
    }

    fn load(&self, part: usize) -> Result<Part, RegistryError> {
        let kept = |place: usize| -> Result<DataFrame, RegistryError> {
            let holds = KINDS[place];
            let own = self.scale.own_of(holds);
            let manifest = self.writer.manifest();
            let put_down = match &self.cut {
                Cut::Whole => {
                    let paths = self.writer.registry.paths();
                    return Ok(table(paths, manifest, manifest.revision, holds, own)?.frame().clone());
                }
                Cut::Runs(_) => return empty_frame(columns(holds), own),
                Cut::PutDown(put_down) => put_down,
            };
            let batches = match put_down[0][place].part(part)? {
                Some(frame) => by_batch(frame)?,
                None => Vec::new(),
            };
            let kind = |batch: u32| manifest.batches.get(batch as usize).map_or(BatchKind::Accepted, |batch| batch.kind);
            standing(batches.into_iter().map(|(batch, frame)| (kind(batch), frame)).collect(), holds, own)
        };
        let new = |place: usize| -> Result<(DataFrame, Vec<u32>), RegistryError> {
            let holds = KINDS[place];
            let own = self.scale.own_of(holds);
            let mut all = None;
            match &self.cut {
                Cut::PutDown(put_down) => all = put_down[1][place].part(part)?,
                Cut::Runs(runs) => {
                    let (from, to) = runs.of(part, holds);
                    if let Some(frame) = self.staged.rows_between(holds, (from, to))? {
                        let at = |row: u64| u32::try_from(row).unwrap_or(u32::MAX);
                        return Ok((shaped(&frame, columns(holds), own)?, (at(from)..at(to)).collect()));
                    }
                }
                Cut::Whole => new_rows(self.staged, holds, own, &mut |frame| match &mut all {
                    Some(all) => Ok(all.vstack_mut_owned(frame).map(|_| ())?),
                    none => {
                        *none = Some(frame);
                        Ok(())
                    }
                })?,
            }
            match all {
                Some(mut frame) => {
                    let at = places(&frame.drop_in_place(AT_COLUMN)?)?;
                    Ok((frame, at))
                }
                None => Ok((empty_frame(columns(holds), own)?, Vec::new())),
            }
        };
        let (placements, visits) = (new(0)?, new(1)?);
        Ok(Part { kept: [kept(0)?, kept(1)?], new: [placements.0, visits.0], at: [placements.1, visits.1] })
    }
}

fn places(column: &Column) -> Result<Vec<u32>, RegistryError> {
    Ok(column.as_materialized_series().u32()?.iter().map(|place| place.unwrap_or(0)).collect())
}

/// Rows in the order of their batches, batch by batch.
fn by_batch(mut frame: DataFrame) -> Result<Vec<(u32, DataFrame)>, RegistryError> {
    let batches = places(&frame.drop_in_place(AT_COLUMN)?)?;
    let mut parts = Vec::new();
    let mut from = 0;
    for run in batches.chunk_by(|one, next| one == next) {
        let mut part = frame.slice(i64::try_from(from).unwrap_or(i64::MAX), run.len());
        part.rechunk_mut();
        parts.push((run[0], part));
        from += run.len();
    }
    Ok(parts)
}
