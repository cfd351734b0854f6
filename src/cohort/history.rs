//! Each restoration with its visits in order, as the records stood on a day.
//!
//! Visits are joined to placements by the restoration's id in the table engine, then laid out by counting: one array of
//! visits and an offset for each restoration. No row is copied twice and nothing is sorted but the visits of one mouthful.

use polars::prelude::{BooleanChunked, DataFrame, DataFrameJoinOps, JoinArgs, JoinType, MaintainOrderJoin};

use super::event::{decoded, is_reported};
use crate::quantity::Day;
use crate::record::{Cell, Score, VISIT_COLUMNS};
use crate::result::{Exclusion, Flow};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{NO_DAY, PlacementTable, TableError, VisitTable};

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

    let (first_of_id, repeats) = rows_by_id(placement_table.frame())?;
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

    let (patient, patients) = number_patients(placement_table.text("patient_id")?, &placement_row);
    let joined = join(placements, &first_of_id, visits)?;
    let look_columns = LookColumns::new(visits)?;
    let mut counts = vec![0_u32; placement_row.len() + 1];
    let mut orphans = Vec::new();
    let (mut late, mut of_excluded) = (0_u64, 0_u64);
    let home: Vec<u32> = joined
        .iter()
        .enumerate()
        .map(|(row, placement)| {
            let Some(placement) = *placement else {
                orphans.push(row as u32);
                return u32::MAX;
            };
            if look_columns.day[row] == NO_DAY {
                return u32::MAX;
            }
            if look_columns.day[row] > as_of.since_epoch() {
                late += 1;
                return u32::MAX;
            }
            let place = place_of_row[placement as usize];
            if place == u32::MAX {
                of_excluded += 1;
            } else {
                counts[place as usize + 1] += 1;
            }
            place
        })
        .collect();
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
    let mut next = starts.clone();
    let total = starts.last().copied().unwrap_or(0) as usize;
    let mut order = vec![0_u32; total];
    for (row, &place) in home.iter().enumerate() {
        if place != u32::MAX {
            order[next[place as usize] as usize] = row as u32;
            next[place as usize] += 1;
        }
    }
    let mut looks: Vec<Look> = order.iter().map(|&row| look_columns.look(row)).collect();
    for bounds in starts.windows(2) {
        looks[bounds[0] as usize..bounds[1] as usize].sort_by_key(|look| (look.day, look.row));
    }
    let gone = departures(&patient, patients, &starts, &looks);
    Ok(Histories { as_of, placement_row, placed, entry, patient, patients, gone, starts, looks, orphans, repeats, flow })
}

/// When each patient died or left: told at any of their restorations, it holds for all of them. Who is examined on a later day
/// came back.
fn departures(patient: &[u32], patients: u32, starts: &[u32], looks: &[Look]) -> Vec<Option<i32>> {
    let of = |restoration: usize| &looks[starts[restoration] as usize..starts[restoration + 1] as usize];
    let mut last_examined = vec![i32::MIN; patients as usize];
    for (restoration, &patient) in patient.iter().enumerate() {
        let last = &mut last_examined[patient as usize];
        *last = of(restoration).iter().filter(|look| look.examined()).map(|look| look.day).fold(*last, i32::max);
    }
    let mut gone = vec![None; patients as usize];
    for (restoration, &patient) in patient.iter().enumerate() {
        for look in of(restoration).iter().filter(|look| look.patient_gone()) {
            let day = look.happened.unwrap_or(look.day);
            if day >= last_examined[patient as usize] {
                let first: &mut Option<i32> = &mut gone[patient as usize];
                *first = Some(first.map_or(day, |first| first.min(day)));
            }
        }
    }
    gone
}

/// Which placements are the first rows of their restoration, and which repeat that row in every column of the records.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn rows_by_id(frame: &DataFrame) -> Result<(BooleanChunked, Vec<(u32, u32)>), TableError> {
    let ids = frame.column("restoration_id")?.as_materialized_series().str()?;
    let mut first = std::collections::HashMap::with_capacity(frame.height());
    let mut repeats = Vec::new();
    let mut first_of_id = vec![true; frame.height()];
    let columns: Vec<_> =
        frame.columns().iter().filter(|column| !matches!(column.name().as_str(), FILE_COLUMN | ROW_COLUMN)).collect();
    for (row, id) in ids.iter().enumerate() {
        let Some(id) = id else { continue };
        let earlier = *first.entry(id).or_insert(row);
        if earlier == row {
            continue;
        }
        first_of_id[row] = false;
        let mut same = true;
        for column in &columns {
            same = same && column.get(earlier)? == column.get(row)?;
        }
        if same {
            repeats.push((row as u32, earlier as u32));
        }
    }
    Ok((first_of_id.into_iter().collect(), repeats))
}

/// For each visit the row of its placement, by the restoration's id.
fn join(
    placements: &PlacementTable,
    first_of_id: &BooleanChunked,
    visits: &VisitTable,
) -> Result<Vec<Option<u32>>, TableError> {
    let numbered = placements.0.frame().select(["restoration_id"])?.with_row_index("placement_row".into(), None)?;
    // The first row of each id, so that an id placed twice (an error that is named elsewhere) doubles no visit.
    let right = numbered.filter(first_of_id)?;
    let mut args = JoinArgs::new(JoinType::Left);
    args.maintain_order = MaintainOrderJoin::Left;
    let joined =
        visits.0.frame().select(["restoration_id"])?.join(&right, ["restoration_id"], ["restoration_id"], args, None)?;
    Ok(joined.column("placement_row")?.as_materialized_series().u32()?.iter().collect())
}

#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn number_patients(ids: &polars::prelude::StringChunked, rows: &[u32]) -> (Vec<u32>, u32) {
    let mut numbers = std::collections::HashMap::with_capacity(rows.len());
    let patient = rows
        .iter()
        .map(|&row| {
            let next = numbers.len() as u32;
            *numbers.entry(ids.get(row as usize).unwrap_or("")).or_insert(next)
        })
        .collect();
    (patient, numbers.len() as u32)
}

struct LookColumns {
    day: Vec<i32>,
    happened: Vec<i32>,
    scheme: Vec<u8>,
    scores: Vec<Vec<u8>>,
    outcome: Vec<u8>,
    reason: Vec<u8>,
    source: Vec<u8>,
}

impl LookColumns {
    fn new(visits: &VisitTable) -> Result<Self, TableError> {
        let table = &visits.0;
        let criteria = VISIT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Score(_)));
        Ok(Self {
            day: table.days("visited_on")?,
            happened: table.days("outcome_on")?,
            scheme: table.codes("scheme")?,
            scores: criteria.map(|column| table.codes(column.name)).collect::<Result<_, _>>()?,
            outcome: table.codes("outcome")?,
            reason: table.codes("reason")?,
            source: table.codes("source")?,
        })
    }

    fn look(&self, row: u32) -> Look {
        let at = row as usize;
        let mut scores = [None; 8];
        for (score, column) in scores.iter_mut().zip(&self.scores) {
            *score = Score::from_sign(column[at]);
        }
        Look {
            row,
            day: self.day[at],
            happened: (self.happened[at] != NO_DAY).then_some(self.happened[at]),
            scheme: decoded(self.scheme[at]),
            scores,
            outcome: decoded(self.outcome[at]),
            reason: decoded(self.reason[at]),
            reported: is_reported(self.source[at]),
        }
    }
}
