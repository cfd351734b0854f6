//! New rows against kept ones: new, identical, superseding, contradicting.
//!
//! Only the keys of the new rows are held; kept rows are walked once. So a small batch into a large registry needs little memory.

use std::collections::BTreeMap;

use polars::prelude::{
    BooleanChunked, DataFrame, DataType, Float64Chunked, Int32Chunked, NewChunkedArray, StringChunked, UInt8Chunked,
};

use super::error::RegistryError;
use super::identity::Pseudonyms;
use super::manifest::{Counts, Holds, Manifest, SourceFile};
use super::reading::{Kept, columns, shaped};
use super::row_key::{FirstRows, RowKey, RowKeys};
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, Origins};
use crate::table::{NO_DAY, PlacementTable, RecordTable, VisitTable};

/// Checked records that are to be kept.
#[derive(Clone, Debug)]
pub struct Incoming {
    /// Placements; their files are those of `sources`, in that order.
    pub placements: PlacementTable,
    /// Visits, likewise.
    pub visits: VisitTable,
    /// The files that they came from.
    pub sources: Vec<SourceFile>,
    /// Columns of the practice's own.
    pub own_columns: Vec<String>,
}

/// Records held against what is kept.
#[derive(Clone, Debug)]
pub struct Weighed {
    /// Kept and new placements together, as they would stand.
    pub placements: PlacementTable,
    /// Kept and new visits together.
    pub visits: VisitTable,
    /// Files that were accepted before and are passed over, each with its batch.
    pub passed_over: Vec<(String, u32)>,
    /// Counts of placements.
    pub placement_counts: Counts,
    /// Counts of visits.
    pub visit_counts: Counts,
    /// In a correction, cells that were filled and are empty in the row that supersedes theirs, by column.
    pub emptied: BTreeMap<String, u64>,
    pub(super) new_placements: DataFrame,
    pub(super) new_visits: DataFrame,
    pub(super) sources: Vec<(String, String)>,
    pub(super) own_columns: Vec<String>,
    pub(super) correction: bool,
}

impl Weighed {
    /// Whether there is nothing that isn't kept already.
    pub fn is_empty(&self) -> bool {
        self.new_placements.height() == 0 && self.new_visits.height() == 0
    }
}

/// Holds records against what is kept. Contradictions become findings; in a correction, new rows supersede kept ones instead.
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
pub fn weigh(
    kept: &Kept,
    manifest: &Manifest,
    incoming: &Incoming,
    pseudonyms: &Pseudonyms,
    correction: bool,
    findings: &mut Findings,
) -> Result<Weighed, RegistryError> {
    let known: Vec<Option<u32>> = incoming.sources.iter().map(|source| passed_over(manifest, &source.sha256)).collect();
    let own = all_own_columns(kept, incoming)?;
    let mut weighing = Weighing { known: &known, correction, emptied: BTreeMap::new(), findings };
    let renamed = pseudonyms.rename(incoming.placements.0.frame())?;
    let placements = weighing.table(&kept.placements.0, &incoming.placements.0, &renamed, Holds::Placements, &own)?;
    let visits = weighing.table(&kept.visits.0, &incoming.visits.0, incoming.visits.0.frame(), Holds::Visits, &[])?;
    Ok(Weighed {
        placements: PlacementTable(placements.whole),
        visits: VisitTable(visits.whole),
        passed_over: incoming
            .sources
            .iter()
            .zip(&known)
            .filter_map(|(source, batch)| batch.map(|batch| (source.name.clone(), batch)))
            .collect(),
        placement_counts: placements.counts,
        visit_counts: visits.counts,
        emptied: weighing.emptied,
        new_placements: placements.new,
        new_visits: visits.new,
        sources: incoming.sources.iter().map(|source| (source.name.clone(), source.sha256.clone())).collect(),
        own_columns: own,
        correction,
    })
}

/// The batch that a file was accepted in, if its rows are to be passed over: that is a file from before a withdrawal, which may
/// hold the rows that left. Any other file is looked at again, row by row, since what was declared of it, or set aside, may differ.
fn passed_over(manifest: &Manifest, sha256: &str) -> Option<u32> {
    use super::manifest::BatchKind::Withdrawal;
    let batch = manifest.batch_of_source(sha256)?;
    let left_since = manifest.batches.iter().any(|later| later.kind == Withdrawal && later.number > batch);
    left_since.then_some(batch)
}

/// Own columns kept so far, then those that the new rows fill.
fn all_own_columns(kept: &Kept, incoming: &Incoming) -> Result<Vec<String>, RegistryError> {
    let mut own = kept.own_columns.clone();
    for name in &incoming.own_columns {
        let filled = incoming.placements.0.text(name)?.iter().any(|cell| cell.is_some());
        if filled && !own.contains(name) {
            own.push(name.clone());
        }
    }
    Ok(own)
}

/// One table weighed.
struct WeighedTable {
    whole: RecordTable,
    new: DataFrame,
    counts: Counts,
}

struct Weighing<'a> {
    known: &'a [Option<u32>],
    correction: bool,
    emptied: BTreeMap<String, u64>,
    findings: &'a mut Findings,
}

impl Weighing<'_> {
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn table(
        &mut self,
        kept: &RecordTable,
        incoming: &RecordTable,
        renamed: &DataFrame,
        holds: Holds,
        own: &[String],
    ) -> Result<WeighedTable, RegistryError> {
        let mut frame = shaped(renamed, columns(holds), own)?;
        frame.rechunk_mut();
        let kept_frame = shaped(kept.frame(), columns(holds), own)?;
        let (new_keys, kept_keys) = (RowKeys::new(&frame, holds)?, RowKeys::new(&kept_frame, holds)?);
        let (new_cells, kept_cells) = (Cells::all(&frame, holds, own)?, Cells::all(&kept_frame, holds, own)?);
        let (new_origins, kept_origins) = (incoming.origins()?, kept.origins()?);
        let file_places = incoming.whole_numbers(FILE_COLUMN)?;

        let mut counts = Counts { received: frame.height() as u64, ..Counts::default() };
        let mut stays = vec![false; frame.height()];
        let mut first = FirstRows::new(&new_keys, frame.height());
        for row in 0..frame.height() {
            if self.known.get(file_places[row] as usize).copied().flatten().is_some() {
                counts.identical += 1;
                continue;
            }
            match first.add(row as u32) {
                None => stays[row] = true,
                Some(earlier) => {
                    let earlier = earlier as usize;
                    let differing = differing(&new_cells, earlier, &new_cells, row);
                    if differing.is_empty() {
                        counts.identical += 1;
                    } else {
                        let said = said(&new_origins, earlier);
                        self.twice(holds, &new_origins, row, new_keys.key(row), &said, &differing);
                    }
                }
            }
        }
        let mut live = vec![true; kept_frame.height()];
        for (row, live) in live.iter_mut().enumerate() {
            let Some(new) = first.find(kept_keys.key(row)) else { continue };
            let differing = differing(&kept_cells, row, &new_cells, new as usize);
            if differing.is_empty() {
                counts.identical += 1;
                stays[new as usize] = false;
            } else if self.correction {
                counts.superseding += 1;
                for ((name, kept), (_, new_cells)) in kept_cells.iter().zip(&new_cells) {
                    if kept.filled(row) && !new_cells.filled(new as usize) {
                        *self.emptied.entry((*name).to_owned()).or_default() += 1;
                    }
                }
                *live = false;
            } else {
                stays[new as usize] = false;
                self.contradicts(
                    &new_origins,
                    new as usize,
                    new_keys.key(new as usize),
                    &said(&kept_origins, row),
                    &differing,
                );
            }
        }
        let mut new = frame.filter(&mask(&stays))?;
        new.rechunk_mut();
        counts.kept = new.height() as u64;
        let whole = together(kept, &kept_frame, &live, incoming, &new)?;
        Ok(WeighedTable { whole, new, counts })
    }

    /// Two different rows of one key among the new ones.
    fn twice(&mut self, holds: Holds, origins: &Origins<'_>, row: usize, key: RowKey<'_>, first: &str, differing: &[&str]) {
        let (kind, what) = match holds {
            Holds::Placements => (FindingKind::PlacementRepeated, "This restoration is placed already"),
            Holds::Visits => (FindingKind::VisitsDiffer, "The same restoration, day and examiner stand already"),
        };
        self.findings.note(
            kind,
            Place::row(origins.file(row), origins.row(row)),
            Some(&key_text(key)),
            format!("{what} in {first}, with another {}.", differing.join(", ")),
            "Keep the row that is right; give a re-treatment an id of its own.",
        );
    }

    /// A new row that says something else than a kept one.
    fn contradicts(&mut self, origins: &Origins<'_>, row: usize, key: RowKey<'_>, kept: &str, differing: &[&str]) {
        self.findings.note(
            FindingKind::KeptRowDiffers,
            Place::row(origins.file(row), origins.row(row)),
            Some(&key_text(key)),
            format!("It is kept already ({kept}), with another {}.", differing.join(", ")),
            "If this row is right, run it again with --correct; if the kept one is right, take this row out.",
        );
    }
}

fn key_text((restoration, day, examiner): RowKey<'_>) -> String {
    let mut text = restoration.to_owned();
    if day != NO_DAY {
        text = format!("{text}, {}", Day::from_epoch(day));
    }
    match examiner {
        Some(examiner) => format!("{text}, {examiner}"),
        None => text,
    }
}

fn said(origins: &Origins<'_>, row: usize) -> String {
    format!("{} row {}", origins.file(row), origins.row(row))
}

fn mask(rows: &[bool]) -> BooleanChunked {
    BooleanChunked::from_slice("stays".into(), rows)
}

/// Kept rows that still stand, then the new ones, with the names of both lists of files.
fn together(
    kept: &RecordTable,
    kept_frame: &DataFrame,
    live: &[bool],
    incoming: &RecordTable,
    new: &DataFrame,
) -> Result<RecordTable, RegistryError> {
    let mut files = kept.files().to_vec();
    let before = u32::try_from(files.len()).unwrap_or(u32::MAX);
    files.extend_from_slice(incoming.files());
    let mut moved = new.clone();
    let places = new.column(FILE_COLUMN)?.as_materialized_series().u32()?;
    let places = places.iter().map(|place| place.unwrap_or(0).saturating_add(before)).collect();
    moved.with_column(whole_numbers(FILE_COLUMN, places))?;
    let mut whole = if live.iter().all(|live| *live) { kept_frame.clone() } else { kept_frame.filter(&mask(live))? };
    whole.vstack_mut(&moved)?;
    whole.rechunk_mut();
    Ok(RecordTable::new(whole, files))
}

/// The cells of a column, to be compared.
enum Cells<'a> {
    Text(&'a StringChunked),
    Number(&'a Float64Chunked),
    Day(&'a Int32Chunked),
    Code(&'a UInt8Chunked),
    /// Says nothing, so contradicts nothing: a column of the practice's own without any value.
    Silent,
}

impl<'a> Cells<'a> {
    fn all(frame: &'a DataFrame, holds: Holds, own: &[String]) -> Result<Vec<(&'a str, Self)>, RegistryError> {
        let mut all = Vec::new();
        for column in columns(holds) {
            all.push((column.name, Self::new(frame, column.name)?));
        }
        for name in own {
            let text = frame.column(name)?.as_materialized_series().str()?;
            let silent = text.null_count() == text.len();
            all.push((frame.column(name)?.name().as_str(), if silent { Self::Silent } else { Self::Text(text) }));
        }
        Ok(all)
    }

    fn new(frame: &'a DataFrame, name: &str) -> Result<Self, RegistryError> {
        let series = frame.column(name)?.as_materialized_series();
        Ok(match series.dtype() {
            DataType::String => Self::Text(series.str()?),
            DataType::Float64 => Self::Number(series.f64()?),
            DataType::Date => Self::Day(series.date()?.physical()),
            _ => Self::Code(series.u8()?),
        })
    }
}

impl Cells<'_> {
    /// Whether a cell holds anything.
    fn filled(&self, row: usize) -> bool {
        match self {
            Self::Text(cells) => cells.get(row).is_some(),
            Self::Number(cells) => cells.get(row).is_some(),
            Self::Day(cells) => cells.get(row).is_some(),
            Self::Code(cells) => cells.get(row).is_some(),
            Self::Silent => false,
        }
    }
}

/// The columns in which a new row differs from an earlier one.
fn differing<'a>(
    earlier: &[(&'a str, Cells<'_>)],
    row: usize,
    new: &[(&'a str, Cells<'_>)],
    new_row: usize,
) -> Vec<&'a str> {
    let pairs = earlier.iter().zip(new);
    pairs
        .filter(|((_, earlier), (_, new))| match (earlier, new) {
            (_, Cells::Silent) => false,
            (Cells::Silent, Cells::Text(new)) => new.get(new_row).is_some(),
            (Cells::Text(earlier), Cells::Text(new)) => earlier.get(row) != new.get(new_row),
            (Cells::Number(earlier), Cells::Number(new)) => {
                earlier.get(row).map(f64::to_bits) != new.get(new_row).map(f64::to_bits)
            }
            (Cells::Day(earlier), Cells::Day(new)) => earlier.get(row) != new.get(new_row),
            (Cells::Code(earlier), Cells::Code(new)) => earlier.get(row) != new.get(new_row),
            _ => true,
        })
        .map(|((name, _), _)| *name)
        .collect()
}
