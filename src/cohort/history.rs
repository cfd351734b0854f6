//! Each restoration with its visits in order, as the records stood on a day.
//!
//! Each visit finds its placement by the restoration's id, then visits are laid out by counting: one array of visits and an
//! offset for each restoration. Cells are read where they stand, no row is copied twice, and nothing is sorted but the visits of
//! one restoration, and those only if they don't come in order.

use std::ops::Range;

use polars::prelude::{DataFrame, Int32Type, StringChunked, UInt8Type};

use super::event::{decoded, is_reported};
use super::text_rows::FirstRows;
use crate::quantity::Day;
use crate::record::{Cell, Score, VISIT_COLUMNS};
use crate::result::{Exclusion, Flow};
use crate::stats::threads::{available, on_threads};
use crate::table::records::{FILE_COLUMN, InPlace, ROW_COLUMN};
use crate::table::{NO_DAY, PlacementTable, RecordTable, TableError, VisitTable};

pub use super::event::Look;

/// Restorations with their visits.
#[derive(Clone, Debug)]
pub struct Histories {
    /// Day of the review: what came later is left out.
    pub as_of: Day,
    /// Row of each restoration in the table of placements; only those placed by the day of the review.
    pub placement_row: Vec<u32>,
    /// Day placed, since 1970-01-01.
    pub placed: Vec<i32>,
    /// Days from placement to coming under observation; 0 if followed from placement.
    pub entry: Vec<i32>,
    /// Patient, counted from 0 in order of first appearance.
    pub patient: Vec<u32>,
    /// How many patients.
    pub patients: u32,
    /// For each patient the day they died or left, since 1970-01-01; none if no record says so, or if they were seen later.
    pub gone: Vec<Option<i32>>,
    /// Where each restoration's visits begin in `looks`; one entry more than restorations.
    pub starts: Vec<u32>,
    /// Visits, by restoration, then day, then row.
    pub looks: Vec<Look>,
    /// Rows of visits whose restoration was never placed.
    pub orphans: Vec<u32>,
    /// Rows of placements that repeat an earlier one in every column, with that one; they take no further part.
    pub repeats: Vec<(u32, u32)>,
    /// Rows of placements that have the id of an earlier one and differ from it, with the first of that id.
    pub placed_again: Vec<(u32, u32)>,
    /// Counts so far: received, excluded by day.
    pub flow: Flow,
}

impl Histories {
    /// How many restorations.
    pub fn len(&self) -> usize {
        self.placement_row.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The first and the last day of a placement or visit.
    pub fn span(&self) -> Option<(Day, Day)> {
        let days = (0..self.len()).flat_map(|restoration| {
            let looks = self.looks(restoration);
            // Visits are in order of their days.
            [Some(self.placed[restoration]), looks.first().map(|look| look.day), looks.last().map(|look| look.day)]
        });
        let (first, last) = days.flatten().fold((i32::MAX, i32::MIN), |(first, last), day| (first.min(day), last.max(day)));
        (!self.is_empty()).then_some((Day::from_epoch(first), Day::from_epoch(last)))
    }

    /// Restorations cut into runs of neighbours for so many threads; results of the runs are put together in their order.
    pub fn runs(&self, threads: usize) -> Vec<Range<usize>> {
        let parts = if threads < 2 { 1 } else { threads * 8 };
        (0..parts).map(|part| self.len() * part / parts..self.len() * (part + 1) / parts).collect()
    }

    /// The visits of a restoration, in order.
    pub fn looks(&self, restoration: usize) -> &[Look] {
        let (from, to) = (self.starts[restoration] as usize, self.starts[restoration + 1] as usize);
        &self.looks[from..to]
    }
}

/// Lays out restorations and visits as they stood on a day.
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
pub fn select(placements: &PlacementTable, visits: &VisitTable, as_of: Day) -> Result<Histories, TableError> {
    let (placement_table, visit_table) = (&placements.0, &visits.0);
    let placed_all = placement_table.days("placed_on")?;
    let entered_all = placement_table.days("entered_on")?;
    let mut flow =
        Flow { received: placement_table.len() as u64, visits_received: visit_table.len() as u64, ..Flow::default() };

    let RowsById { ids, first_of_id, repeats, placed_again } = RowsById::new(placement_table.frame())?;
    let mut repeated = vec![false; placed_all.len()];
    for &(row, _) in &repeats {
        repeated[row as usize] = true;
    }
    let mut place_of_row = vec![u32::MAX; placed_all.len()];
    let (mut placement_row, mut placed, mut entry) = (Vec::new(), Vec::new(), Vec::new());
    for (row, &day) in placed_all.iter().enumerate() {
        // A day that could not be read is a finding already; such rows take no further part.
        if day != NO_DAY && day <= as_of.since_epoch() && !repeated[row] {
            place_of_row[row] = placement_row.len() as u32;
            placement_row.push(row as u32);
            placed.push(day);
            entry.push(if entered_all[row] == NO_DAY { 0 } else { entered_all[row] - day });
        }
    }
    if !repeats.is_empty() {
        flow.excluded.push(Exclusion { reason: "the same row again".to_owned(), count: repeats.len() as u64 });
    }
    let later = placed_all.iter().zip(&repeated).filter(|&(&day, &repeated)| day > as_of.since_epoch() && !repeated).count();
    if later > 0 {
        flow.excluded.push(Exclusion { reason: "placed after the day of the review".to_owned(), count: later as u64 });
    }

    let (patient, patients) = number_patients(placement_table.text("patient_id")?, &placement_row, &place_of_row);
    let days = visit_table.days_in_place("visited_on")?;
    let home =
        Homes { ids, first_of_id: &first_of_id, place_of_row: &place_of_row, days: &days, as_of: as_of.since_epoch() }
            .of(visit_table.text("restoration_id")?);
    let mut counts = vec![0_u32; placement_row.len() + 1];
    let mut orphans = Vec::new();
    let (mut late, mut of_excluded) = (0_u64, 0_u64);
    for (row, &home) in (0_u32..).zip(&home) {
        match home {
            ORPHAN => orphans.push(row),
            NO_DAY_KNOWN => {}
            LATE => late += 1,
            OF_EXCLUDED => of_excluded += 1,
            place => counts[place as usize + 1] += 1,
        }
    }
    for (count, reason) in
        [(late, "after the day of the review"), (of_excluded, "of a restoration placed after the day of the review")]
    {
        if count > 0 {
            flow.visits_excluded.push(Exclusion { reason: reason.to_owned(), count });
        }
    }
    for place in 1..counts.len() {
        counts[place] += counts[place - 1];
    }
    let starts = counts;
    let looks = laid_out(&LookColumns::new(visit_table, days)?, &home, &starts);
    let gone = departures(&patient, patients, &starts, &looks);
    Ok(Histories {
        as_of,
        placement_row,
        placed,
        entry,
        patient,
        patients,
        gone,
        starts,
        looks,
        orphans,
        repeats,
        placed_again,
        flow,
    })
}

/// When each patient died or left: told at any of their restorations, it holds for all of them. Who is examined on a later day
/// came back.
fn departures(patient: &[u32], patients: u32, starts: &[u32], looks: &[Look]) -> Vec<Option<i32>> {
    let of = |restoration: usize| &looks[starts[restoration] as usize..starts[restoration + 1] as usize];
    let mut gone = vec![None; patients as usize];
    let mut told = vec![false; patients as usize];
    for (restoration, &patient) in patient.iter().enumerate() {
        if of(restoration).iter().any(Look::patient_gone) {
            told[patient as usize] = true;
        }
    }
    let of_told = || patient.iter().enumerate().filter(|(_, patient)| told[**patient as usize]);
    let mut last_examined = vec![i32::MIN; patients as usize];
    for (restoration, &patient) in of_told() {
        let last = &mut last_examined[patient as usize];
        *last = of(restoration).iter().filter(|look| look.examined()).map(|look| look.day).fold(*last, i32::max);
    }
    for (restoration, &patient) in of_told() {
        for look in of(restoration).iter().filter(|look| look.patient_gone()) {
            let day = look.happened().unwrap_or(look.day);
            if day >= last_examined[patient as usize] {
                let first: &mut Option<i32> = &mut gone[patient as usize];
                *first = Some(first.map_or(day, |first| first.min(day)));
            }
        }
    }
    gone
}

/// The rows of placements by their ids.
struct RowsById<'a> {
    ids: FirstRows<'a>,
    /// Whether a row is the first of its id, or has none.
    first_of_id: Vec<bool>,
    /// Rows that repeat the first of their id in every column of the records, with that one.
    repeats: Vec<(u32, u32)>,
    /// Rows that have the id of an earlier one and differ from it, with the first.
    placed_again: Vec<(u32, u32)>,
}

impl<'a> RowsById<'a> {
    fn new(frame: &'a DataFrame) -> Result<Self, TableError> {
        let texts = frame.column("restoration_id")?.as_materialized_series().str()?;
        let mut rows = Self {
            ids: FirstRows::new(texts),
            first_of_id: vec![true; frame.height()],
            repeats: Vec::new(),
            placed_again: Vec::new(),
        };
        let columns: Vec<_> =
            frame.columns().iter().filter(|column| !matches!(column.name().as_str(), FILE_COLUMN | ROW_COLUMN)).collect();
        for (row, id) in (0_u32..).zip(texts.iter()) {
            if id.is_none() {
                continue;
            }
            let earlier = rows.ids.meet(row);
            if earlier == row {
                continue;
            }
            rows.first_of_id[row as usize] = false;
            let mut same = true;
            for column in &columns {
                same = same && column.get(earlier as usize)? == column.get(row as usize)?;
            }
            let into = if same { &mut rows.repeats } else { &mut rows.placed_again };
            into.push((row, earlier));
        }
        Ok(rows)
    }
}

/// The visit's restoration was never placed.
const ORPHAN: u32 = u32::MAX;
/// The visit has no day: a finding already.
const NO_DAY_KNOWN: u32 = u32::MAX - 1;
/// The visit is later than the day of the review.
const LATE: u32 = u32::MAX - 2;
/// The visit's restoration takes no part.
const OF_EXCLUDED: u32 = u32::MAX - 3;

/// Below this many visits a second thread costs more than it saves.
const WORTH_A_THREAD: usize = 100_000;

/// How many threads share the work on so many visits.
pub fn threads_for(visits: usize) -> usize {
    if visits < WORTH_A_THREAD { 1 } else { available().min(4) }
}

/// What tells where a visit belongs.
struct Homes<'a> {
    ids: FirstRows<'a>,
    first_of_id: &'a [bool],
    place_of_row: &'a [u32],
    days: &'a InPlace<'a, Int32Type>,
    as_of: i32,
}

impl Homes<'_> {
    /// For each visit the place of its restoration, or why it has none.
    fn of(&self, texts: &StringChunked) -> Vec<u32> {
        let mut home = vec![ORPHAN; texts.len()];
        let threads = threads_for(texts.len());
        let share = texts.len().div_ceil(threads).max(1);
        let parts: Vec<(usize, &mut [u32])> = home.chunks_mut(share).enumerate().collect();
        on_threads(parts, threads, |(part, home)| self.of_part(texts, part * share, home));
        home
    }

    /// The same for neighbouring visits. Visits of a restoration mostly stand together, in the order of the placements: so the
    /// last one found and the one placed after it are tried before all others.
    fn of_part(&self, texts: &StringChunked, from: usize, home: &mut [u32]) {
        let mut last: Option<(&str, Option<u32>)> = None;
        let part = texts.slice(i64::try_from(from).unwrap_or(i64::MAX), home.len());
        for ((row, id), home) in (from..).zip(part.iter()).zip(home) {
            let Some(id) = id else { continue };
            let placement = match last {
                Some((known, placement)) if known == id => placement,
                _ => {
                    let next = last.and_then(|(_, placement)| placement).map(|placement| placement + 1);
                    let follows = |row: &u32| {
                        self.first_of_id.get(*row as usize) == Some(&true) && self.ids.text(*row) == id && !id.is_empty()
                    };
                    next.filter(follows).or_else(|| self.ids.find(id))
                }
            };
            last = Some((id, placement));
            let Some(placement) = placement else { continue };
            let day = self.days.get(row);
            *home = if day == NO_DAY {
                NO_DAY_KNOWN
            } else if day > self.as_of {
                LATE
            } else {
                match self.place_of_row[placement as usize] {
                    u32::MAX => OF_EXCLUDED,
                    place => place,
                }
            };
        }
    }
}

/// Numbers patients from 0 in order of first appearance.
fn number_patients(ids: &StringChunked, rows: &[u32], place_of_row: &[u32]) -> (Vec<u32>, u32) {
    let mut first_rows = FirstRows::new(ids);
    let mut patient: Vec<u32> = Vec::with_capacity(rows.len());
    let mut patients = 0;
    let mut last: Option<(&str, u32)> = None;
    for &row in rows {
        let id = first_rows.text(row);
        let number = match last {
            Some((known, number)) if known == id => number,
            _ => {
                let first = first_rows.meet(row);
                if first == row {
                    patients += 1;
                    patients - 1
                } else {
                    patient[place_of_row[first as usize] as usize]
                }
            }
        };
        last = Some((id, number));
        patient.push(number);
    }
    (patient, patients)
}

/// Visits by restoration, then day, then row: each thread lays out those of neighbouring restorations.
fn laid_out(columns: &LookColumns<'_>, home: &[u32], starts: &[u32]) -> Vec<Look> {
    let total = starts.last().copied().unwrap_or(0);
    let mut looks = vec![Look::EMPTY; total as usize];
    let threads = threads_for(total as usize);
    let mut parts = Vec::new();
    let (mut rest, mut from) = (&mut looks[..], 0);
    for part in 1..=threads {
        let end = total as usize * part / threads;
        let to = if part == threads {
            starts.len() - 1
        } else {
            starts.partition_point(|start| (*start as usize) < end).clamp(from, starts.len() - 1)
        };
        let (own, others) = rest.split_at_mut((starts[to] - starts[from]) as usize);
        parts.push((&starts[from..=to], from, own));
        (rest, from) = (others, to);
    }
    on_threads(parts, threads, |(starts, from, looks)| {
        let (first, mut next) = (starts[0], starts[..starts.len() - 1].to_vec());
        for (row, &home) in (0_u32..).zip(home) {
            let own = (home as usize).checked_sub(from).and_then(|place| next.get_mut(place));
            if let Some(at) = own {
                looks[(*at - first) as usize] = columns.look(row);
                *at += 1;
            }
        }
        for bounds in starts.windows(2) {
            let looks = &mut looks[(bounds[0] - first) as usize..(bounds[1] - first) as usize];
            // They come in the order of their rows.
            if !looks.is_sorted_by_key(|look| look.day) {
                looks.sort_by_key(|look| (look.day, look.row));
            }
        }
    });
    looks
}

struct LookColumns<'a> {
    day: InPlace<'a, Int32Type>,
    happened: InPlace<'a, Int32Type>,
    scheme: InPlace<'a, UInt8Type>,
    scores: Vec<InPlace<'a, UInt8Type>>,
    outcome: InPlace<'a, UInt8Type>,
    reason: InPlace<'a, UInt8Type>,
    source: InPlace<'a, UInt8Type>,
}

impl<'a> LookColumns<'a> {
    fn new(table: &'a RecordTable, day: InPlace<'a, Int32Type>) -> Result<Self, TableError> {
        let criteria = VISIT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Score(_)));
        Ok(Self {
            day,
            happened: table.days_in_place("outcome_on")?,
            scheme: table.codes_in_place("scheme")?,
            scores: criteria.map(|column| table.codes_in_place(column.name)).collect::<Result<_, _>>()?,
            outcome: table.codes_in_place("outcome")?,
            reason: table.codes_in_place("reason")?,
            source: table.codes_in_place("source")?,
        })
    }

    fn look(&self, row: u32) -> Look {
        let at = row as usize;
        let mut scores = [None; 8];
        for (score, column) in scores.iter_mut().zip(&self.scores) {
            *score = Score::from_sign(column.get(at));
        }
        Look {
            row,
            day: self.day.get(at),
            happened_on: self.happened.get(at),
            scheme: decoded(self.scheme.get(at)),
            scores,
            outcome: decoded(self.outcome.get(at)),
            reason: decoded(self.reason.get(at)),
            reported: is_reported(self.source.get(at)),
        }
    }
}
