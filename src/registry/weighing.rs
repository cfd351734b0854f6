//! New rows against kept ones: new, identical, superseding, contradicting.
//!
//! It is done part by part, the rows of a part being all that may meet. Only the keys of the new rows are held; kept rows are walked
//! once.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    BooleanChunked, DataFrame, DataType, Float64Chunked, Int32Chunked, NewChunkedArray, StringChunked, UInt8Chunked,
};

use super::error::RegistryError;
use super::manifest::{Counts, Holds, Manifest};
use super::reading::columns;
use super::row_key::{FirstRows, RowKey, RowKeys};
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::Cell;
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, Origins};
use crate::table::{NO_DAY, PlacementTable, RecordTable, VisitTable};

/// What new rows are weighed by, the same for every part.
#[derive(Clone, Debug)]
pub(super) struct Scale {
    /// The batch of each file that is passed over.
    pub(super) known: Vec<Option<u32>>,
    /// The practice's own columns: kept so far, then those that new rows fill.
    pub(super) own: Vec<String>,
    /// Those of them that no new row fills. They say nothing, so they contradict nothing.
    pub(super) silent: BTreeSet<String>,
    /// Whether new rows supersede kept ones.
    pub(super) correction: bool,
    /// The files that kept rows came from.
    pub(super) kept_files: Vec<String>,
    /// The files of the new rows.
    pub(super) new_files: Vec<String>,
}

/// New and kept rows that may meet.
pub(super) struct Part {
    /// Kept placements and visits that stand.
    pub(super) kept: [DataFrame; 2],
    /// New ones, in the order received.
    pub(super) new: [DataFrame; 2],
    /// The place of each new row among all of its kind.
    pub(super) at: [Vec<u32>; 2],
}

/// A part of the records, held against what is kept.
#[derive(Clone, Debug)]
pub struct WeighedPart {
    /// Kept and new placements together, as they would stand.
    pub placements: PlacementTable,
    /// Kept and new visits together.
    pub visits: VisitTable,
    counts: [Counts; 2],
    emptied: BTreeMap<String, u64>,
    /// Files with new placements, and those of them of which one is of a kept restoration.
    placed: [BTreeSet<u32>; 2],
    /// Places of the new rows that are to be kept.
    staying: [Vec<u32>; 2],
}

/// All records, held against what is kept.
#[derive(Clone, Debug, Default)]
pub struct Weighed {
    /// Files that were accepted before and are passed over, each with its batch.
    pub passed_over: Vec<(String, u32)>,
    /// Counts of placements and of visits.
    pub counts: [Counts; 2],
    /// In a correction, cells that were filled and are empty in the row that supersedes theirs, by column.
    pub emptied: BTreeMap<String, u64>,
    /// Files with new placements, and those of them of which one is of a kept restoration, by their places.
    pub(super) placed: [BTreeSet<u32>; 2],
    pub(super) staying: [Rows; 2],
    pub(super) own: Vec<String>,
    pub(super) correction: bool,
}

/// One bit a row.
#[derive(Clone, Debug, Default)]
pub(super) struct Rows(Vec<u64>);

impl Rows {
    fn insert(&mut self, row: u32) {
        let word = row as usize / 64;
        if word >= self.0.len() {
            self.0.resize(word + 1, 0);
        }
        self.0[word] |= 1 << (row % 64);
    }

    /// Whether a row is among them.
    pub(super) fn contains(&self, row: usize) -> bool {
        self.0.get(row / 64).is_some_and(|word| word >> (row % 64) & 1 == 1)
    }
}

impl Weighed {
    /// Takes over what a part came to. The order of parts tells nothing.
    pub fn take_over(&mut self, part: &WeighedPart) {
        for kind in 0..2 {
            self.counts[kind].add(part.counts[kind]);
            part.staying[kind].iter().for_each(|row| self.staying[kind].insert(*row));
        }
        self.placed.iter_mut().zip(&part.placed).for_each(|(all, part)| all.extend(part));
        for (column, cells) in &part.emptied {
            *self.emptied.entry(column.clone()).or_default() += cells;
        }
    }

    /// The same with how many rows of each kind were set aside before.
    #[must_use]
    pub const fn beside(mut self, set_aside: [u64; 2]) -> Self {
        self.counts[0].set_aside = set_aside[0];
        self.counts[1].set_aside = set_aside[1];
        self
    }

    /// Whether there is nothing that isn't kept already.
    pub const fn is_empty(&self) -> bool {
        self.counts[0].kept == 0 && self.counts[1].kept == 0
    }
}

impl Scale {
    /// What nothing came to yet.
    pub(super) fn nothing(&self) -> Weighed {
        let passed_over = self.new_files.iter().zip(&self.known);
        let passed_over = passed_over.filter_map(|(name, batch)| batch.map(|batch| (name.clone(), batch))).collect();
        Weighed { passed_over, own: self.own.clone(), correction: self.correction, ..Weighed::default() }
    }

    /// Holds a part against what is kept. Contradictions become findings; in a correction, new rows supersede kept ones instead.
    pub(super) fn weigh(&self, part: Part, findings: &mut Findings) -> Result<WeighedPart, RegistryError> {
        let mut weighing = Weighing { scale: self, emptied: BTreeMap::new(), findings };
        let ([kept_placements, kept_visits], [new_placements, new_visits]) = (part.kept, part.new);
        let placements = weighing.table(&kept_placements, new_placements, &part.at[0], Holds::Placements, &self.own)?;
        let visits = weighing.table(&kept_visits, new_visits, &part.at[1], Holds::Visits, &[])?;
        Ok(WeighedPart {
            placements: PlacementTable(placements.whole),
            visits: VisitTable(visits.whole),
            counts: [placements.counts, visits.counts],
            emptied: weighing.emptied,
            placed: placements.files,
            staying: [placements.staying, visits.staying],
        })
    }
}

/// The batch that a file was accepted in, if its rows are to be passed over: that is a file from before a withdrawal, which may
/// hold the rows that left. Any other file is looked at again, row by row, since what was declared of it, or set aside, may differ.
pub(super) fn passed_over(manifest: &Manifest, sha256: &str) -> Option<u32> {
    use super::manifest::BatchKind::Withdrawal;
    let batch = manifest.batch_of_source(sha256)?;
    let left_since = manifest.batches.iter().any(|later| later.kind == Withdrawal && later.number > batch);
    left_since.then_some(batch)
}

/// One table weighed.
struct WeighedTable {
    whole: RecordTable,
    staying: Vec<u32>,
    counts: Counts,
    /// Files with new rows, and those of them of which one has a kept row's key.
    files: [BTreeSet<u32>; 2],
}

struct Weighing<'a> {
    scale: &'a Scale,
    emptied: BTreeMap<String, u64>,
    findings: &'a mut Findings,
}

impl Weighing<'_> {
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn table(
        &mut self,
        kept_frame: &DataFrame,
        mut frame: DataFrame,
        at: &[u32],
        holds: Holds,
        own: &[String],
    ) -> Result<WeighedTable, RegistryError> {
        frame.rechunk_mut();
        let (new_keys, kept_keys) = (RowKeys::new(&frame, holds)?, RowKeys::new(kept_frame, holds)?);
        let (silent, none) = (&self.scale.silent, BTreeSet::new());
        let (new_cells, kept_cells) = (Cells::all(&frame, holds, own, silent)?, Cells::all(kept_frame, holds, own, &none)?);
        let origins = |frame: &DataFrame, files: &[String]| RecordTable::new(frame.clone(), files.to_vec());
        let (incoming, kept) = (origins(&frame, &self.scale.new_files), origins(kept_frame, &self.scale.kept_files));
        let (new_origins, kept_origins) = (incoming.origins()?, kept.origins()?);
        let file_places = incoming.whole_numbers(FILE_COLUMN)?;

        let mut counts = Counts { received: frame.height() as u64, ..Counts::default() };
        let mut stays = vec![false; frame.height()];
        let mut first = FirstRows::new(&new_keys, frame.height());
        let [mut files, mut met] = [BTreeSet::new(), BTreeSet::new()];
        files.extend(file_places.chunk_by(|one, other| one == other).filter_map(|run| run.first()));
        for row in 0..frame.height() {
            if self.scale.known.get(file_places[row] as usize).copied().flatten().is_some() {
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
            if met.len() < files.len() {
                met.insert(file_places[new as usize]);
            }
            let differing = differing(&kept_cells, row, &new_cells, new as usize);
            if differing.is_empty() {
                counts.identical += 1;
                stays[new as usize] = false;
            } else if self.scale.correction && !is_another(&differing) {
                counts.superseding += 1;
                for (kept, new_cells) in kept_cells.iter().zip(&new_cells) {
                    if kept.cells.filled(row) && !new_cells.cells.filled(new as usize) {
                        *self.emptied.entry(kept.name.to_owned()).or_default() += 1;
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
        counts.kept = stays.iter().filter(|stays| **stays).count() as u64;
        let staying = at.iter().zip(&stays).filter(|(_, stays)| **stays).map(|(row, _)| *row).collect();
        let new = frame.filter(&mask(&stays))?;
        let whole = together(kept_frame, &live, &new, &self.scale.kept_files, &self.scale.new_files)?;
        Ok(WeighedTable { whole, staying, counts, files: [files, met] })
    }

    /// Two different rows of one key among the new ones.
    fn twice(
        &mut self,
        holds: Holds,
        origins: &Origins<'_>,
        row: usize,
        key: RowKey<'_>,
        first: &str,
        differing: &[Differing<'_>],
    ) {
        let (kind, what) = match holds {
            Holds::Placements => (FindingKind::PlacementRepeated, "This restoration is placed already"),
            Holds::Visits => (FindingKind::VisitsDiffer, "The same restoration, day and examiner stand already"),
        };
        self.findings.note(
            kind,
            Place::row(origins.file(row), origins.row(row)),
            Some(&key_text(key)),
            format!("{what} in {first}, with another {}.", listed(differing)),
            "Keep the row that is right; give a re-treatment an id of its own.",
        );
    }

    /// A new row that says something else than a kept one, or that is another filling with its id.
    fn contradicts(&mut self, origins: &Origins<'_>, row: usize, key: RowKey<'_>, kept: &str, differing: &[Differing<'_>]) {
        let columns = listed(differing);
        let (kind, what, mend) = if is_another(differing) {
            (
                FindingKind::OtherFilling,
                format!("Another filling is kept with this id ({kept}): with another {columns}."),
                "Where two sources number alike, declare what ids begin with (ids_begin_with in records.toml). If it is the same filling, correct \
                 patient, tooth and day one at a time, with --correct.",
            )
        } else {
            (
                FindingKind::KeptRowDiffers,
                format!("It is kept already ({kept}), with another {columns}."),
                "If this row is right, run it again with --correct; if the kept one is right, take this row out.",
            )
        };
        self.findings.note(kind, Place::row(origins.file(row), origins.row(row)), Some(&key_text(key)), what, mend);
    }
}

/// Whether a placement is hardly the filling that an earlier one with its id is: two or more of patient, tooth and day differ. Visits have
/// none of these columns.
fn is_another(differing: &[Differing<'_>]) -> bool {
    differing.iter().filter(|one| ["patient_id", "tooth", "placed_on"].contains(&one.name)).count() > 1
}

/// A column in which two rows differ, with what they say.
struct Differing<'a> {
    name: &'a str,
    there: String,
    here: String,
}

/// How many columns are told with what they say.
const TOLD: usize = 4;

/// Columns that differ: `tooth (13 here, 12 there), operator (nothing here, A there)`. Pseudonyms tell nobody anything.
fn listed(differing: &[Differing<'_>]) -> String {
    let one = |(place, one): (usize, &Differing<'_>)| {
        if place >= TOLD || one.name == "patient_id" {
            one.name.to_owned()
        } else {
            format!("{} ({} here, {} there)", one.name, one.here, one.there)
        }
    };
    differing.iter().enumerate().map(one).collect::<Vec<_>>().join(", ")
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
    kept_frame: &DataFrame,
    live: &[bool],
    new: &DataFrame,
    kept_files: &[String],
    new_files: &[String],
) -> Result<RecordTable, RegistryError> {
    let files = [kept_files, new_files].concat();
    let before = u32::try_from(kept_files.len()).unwrap_or(u32::MAX);
    let mut moved = new.clone();
    let places = new.column(FILE_COLUMN)?.as_materialized_series().u32()?;
    let places = places.iter().map(|place| place.unwrap_or(0).saturating_add(before)).collect();
    moved.with_column(whole_numbers(FILE_COLUMN, places))?;
    let mut whole = if live.iter().all(|live| *live) { kept_frame.clone() } else { kept_frame.filter(&mask(live))? };
    whole.vstack_mut(&moved)?;
    whole.rechunk_mut();
    Ok(RecordTable::new(whole, files))
}

/// A column, to be compared.
struct Compared<'a> {
    name: &'a str,
    cell: Cell,
    cells: Cells<'a>,
}

/// The cells of a column.
enum Cells<'a> {
    Text(&'a StringChunked),
    Number(&'a Float64Chunked),
    Day(&'a Int32Chunked),
    Code(&'a UInt8Chunked),
    /// Says nothing, so contradicts nothing: a column of the practice's own without any value.
    Silent,
}

impl<'a> Cells<'a> {
    fn all(
        frame: &'a DataFrame,
        holds: Holds,
        own: &[String],
        silent: &BTreeSet<String>,
    ) -> Result<Vec<Compared<'a>>, RegistryError> {
        let mut all = Vec::new();
        for column in columns(holds) {
            all.push(Compared { name: column.name, cell: column.cell, cells: Self::new(frame, column.name)? });
        }
        for name in own {
            let text = frame.column(name)?.as_materialized_series().str()?;
            let cells = if silent.contains(name) { Self::Silent } else { Self::Text(text) };
            all.push(Compared { name: frame.column(name)?.name().as_str(), cell: Cell::Text, cells });
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

impl Compared<'_> {
    /// What a cell says.
    fn says(&self, row: usize) -> String {
        let said = match &self.cells {
            Cells::Text(cells) => cells.get(row).map(str::to_owned),
            Cells::Number(cells) => cells.get(row).map(|number| number.to_string()),
            Cells::Day(cells) => cells.get(row).map(|day| Day::from_epoch(day).to_string()),
            Cells::Code(cells) => cells.get(row).map(|code| match self.cell {
                Cell::Term(terms) => terms.get(usize::from(code)).map_or_else(String::new, |term| term.code.to_owned()),
                Cell::Score(_) => char::from(code).to_string(),
                _ => code.to_string(),
            }),
            Cells::Silent => None,
        };
        said.unwrap_or_else(|| "nothing".to_owned())
    }
}

/// The columns in which a new row differs from an earlier one.
fn differing<'a>(earlier: &[Compared<'a>], row: usize, new: &[Compared<'a>], new_row: usize) -> Vec<Differing<'a>> {
    let pairs = earlier.iter().zip(new);
    pairs
        .filter(|(earlier, new)| match (&earlier.cells, &new.cells) {
            (_, Cells::Silent) => false,
            (Cells::Text(earlier), Cells::Text(new)) => earlier.get(row) != new.get(new_row),
            (Cells::Number(earlier), Cells::Number(new)) => {
                earlier.get(row).map(f64::to_bits) != new.get(new_row).map(f64::to_bits)
            }
            (Cells::Day(earlier), Cells::Day(new)) => earlier.get(row) != new.get(new_row),
            (Cells::Code(earlier), Cells::Code(new)) => earlier.get(row) != new.get(new_row),
            _ => true,
        })
        .map(|(earlier, new)| Differing { name: earlier.name, there: earlier.says(row), here: new.says(new_row) })
        .collect()
}
