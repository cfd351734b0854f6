//! Each restoration with its visits in order, as the records stood on a day.
//!
//! Visits are laid out by counting: one array of visits and an offset for each restoration. Where they come in the order of the
//! placements, as they mostly do, they stay where they are; nothing is sorted but the visits of one restoration, and those only if they
//! don't come in order.

use std::ops::Range;
use std::sync::Arc;
use std::thread;

use super::same_text::first_rows;
use super::statement::{Statement, Statements};
use super::visit_rows::{Look, NEVER_PLACED, VisitRows};
use crate::quantity::Day;
use crate::result::{Exclusion, Flow};
use crate::table::{NO_DAY, PlacementTable, TableError, VisitTable};
use crate::threads::{available, even_parts, on_threads, wanted};

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
    pub entry: Arc<Vec<i32>>,
    /// Patient, counted from 0 in order of first appearance.
    pub patient: Arc<Vec<u32>>,
    /// How many patients.
    pub patients: u32,
    /// The first row of each patient in the table of placements, those that take no part among them.
    pub patient_rows: Vec<u32>,
    /// For each patient the day they died or left, since 1970-01-01; none if no record says so, or if they were seen later.
    pub gone: Vec<Option<i32>>,
    /// Where each restoration's visits begin in `looks`; one entry more than restorations.
    pub starts: Vec<u32>,
    /// Visits, by restoration, then day, then row.
    pub looks: Vec<Look>,
    /// The row of each in the table of visits; none where each stands at the place of its row.
    rows: Option<Vec<u32>>,
    /// What they state.
    pub statements: Statements,
    /// The day the outcome happened, of those visits that tell one.
    happened: Happened,
    /// Restorations of which a visit tells that the patient is gone.
    pub(super) telling: Vec<u32>,
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
        even_parts(self.len(), if threads < 2 { 1 } else { threads * 8 })
    }

    /// The visits of a restoration, in order.
    pub fn looks(&self, restoration: usize) -> &[Look] {
        &self.looks[self.places(restoration)]
    }

    /// Where they are in `looks`.
    pub fn places(&self, restoration: usize) -> Range<usize> {
        self.starts[restoration] as usize..self.starts[restoration + 1] as usize
    }

    /// The row of the visit at a place in `looks`.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn row(&self, place: usize) -> u32 {
        self.rows.as_ref().map_or(place as u32, |rows| rows[place])
    }

    /// Whether each visit stands at the place of its row.
    pub(super) fn stand_in_place(&self) -> bool {
        self.rows.is_none()
    }

    /// What a visit states.
    #[inline]
    pub fn said(&self, look: &Look) -> &Statement {
        self.statements.get(look.statement)
    }

    /// The day on which the outcome of the visit at a place in `looks` happened, where it tells one.
    pub fn happened(&self, place: usize) -> Option<i32> {
        if !self.said(&self.looks[place]).stated.dated {
            return None;
        }
        self.happened.of(self.row(place))
    }

    /// Takes visits out, given by their places in `looks`, which rise.
    pub(super) fn drop_looks(&mut self, places: &[usize]) {
        if places.is_empty() {
            return;
        }
        let rows: Vec<u32> = (0..self.looks.len()).map(|place| self.row(place)).collect();
        let mut gone = places.iter().peekable();
        let mut kept = Vec::with_capacity(self.looks.len() - places.len());
        for (place, row) in rows.into_iter().enumerate() {
            if gone.next_if_eq(&&place).is_none() {
                self.looks[kept.len()] = self.looks[place];
                kept.push(row);
            }
        }
        self.looks.truncate(kept.len());
        self.rows = Some(kept);
        for start in &mut self.starts {
            // Starts and places both rise, so those dropped before a start are counted by halving.
            *start -= u32::try_from(places.partition_point(|place| *place < *start as usize)).unwrap_or(0);
        }
    }
}

/// Days of some rows, which rise.
#[derive(Clone, Debug)]
struct Happened {
    days: Vec<(u32, i32)>,
    /// For each block of rows, how many days are of rows before it; so few rows a block that looking among its days stays near.
    before: Vec<u32>,
}

impl Happened {
    /// Rows of a block, as bits.
    const BLOCK: u32 = 7;

    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn new(days: Vec<(u32, i32)>) -> Self {
        let mut before = Vec::new();
        for (place, (row, _)) in days.iter().enumerate() {
            let block = (row >> Self::BLOCK) as usize;
            before.resize(before.len().max(block + 1), place as u32);
        }
        Self { days, before }
    }

    fn of(&self, row: u32) -> Option<i32> {
        let block = (row >> Self::BLOCK) as usize;
        let from = *self.before.get(block)? as usize;
        let to = self.before.get(block + 1).map_or(self.days.len(), |to| *to as usize);
        let of_block = &self.days[from..to];
        let at = of_block.binary_search_by_key(&row, |(row, _)| *row).ok()?;
        Some(of_block[at].1)
    }
}

/// Lays out restorations and visits as they stood on a day.
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
pub fn select(placements: &PlacementTable, visits: &VisitTable, as_of: Day) -> Result<Histories, TableError> {
    lay_out(placements, &mut VisitRows::of(placements, visits)?, as_of, Looks::Taken)
}

/// What becomes of the looks that visits came with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    /// They go into the histories.
    Taken,
    /// They are copied, since they will be laid out again as they stood on another day.
    Copied,
}

/// Lays out restorations and visits, read before, as they stood on a day.
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
pub fn lay_out(
    placements: &PlacementTable,
    visits: &mut VisitRows,
    as_of: Day,
    taking: Looks,
) -> Result<Histories, TableError> {
    let placement_table = &placements.0;
    let told = match taking {
        Looks::Taken => visits.patients.take(),
        Looks::Copied => visits.patients.clone(),
    };
    debug_assert!(told.as_ref().is_none_or(|told| told.len() == placement_table.len()), "a patient for each placement");
    // Patients are told apart meanwhile, if they weren't before.
    let (placed_rows, patient_first) = thread::scope(|scope| {
        let patients = scope.spawn(|| told.map_or_else(|| patients_of(placements), Ok));
        let placed_rows = PlacedRows::new(placements, visits, as_of);
        (placed_rows, patients.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    let PlacedRows { place_of_row, placement_row, placed, entry, excluded } = placed_rows?;
    let patient_first = patient_first?;
    let mut flow =
        Flow { received: placement_table.len() as u64, visits_received: visits.len() as u64, excluded, ..Flow::default() };
    let homes = Homes { visits, place_of_row: &place_of_row, as_of: as_of.since_epoch() };
    let counted = homes.count(placement_row.len(), threads_for(visits.len()));
    let (patient, patients) = numbered(&patient_first, &placement_row);
    let patient_rows = firsts(&patient_first);
    let Counted { mut starts, orphans, late, of_excluded, in_order, .. } = counted;
    for (count, reason) in
        [(late, "after the day of the review"), (of_excluded, "of a restoration placed after the day of the review")]
    {
        if count > 0 {
            flow.visits_excluded.push(Exclusion { reason: reason.to_owned(), count });
        }
    }
    let mut so_far = 0;
    for start in &mut starts {
        so_far += *start;
        *start = so_far;
    }
    let all = starts.last().is_some_and(|used| *used as usize == visits.len());
    let (mut looks, mut rows) = match (in_order && all, taking) {
        (true, Looks::Taken) => (std::mem::take(&mut visits.looks), None),
        (true, Looks::Copied) => (visits.looks.clone(), None),
        (false, _) => {
            let (looks, rows) = moved(&homes, &starts);
            (looks, Some(rows))
        }
    };
    if taking == Looks::Taken {
        visits.looks = Vec::new();
        visits.placements = Vec::new();
    }
    if rows.is_some() || !visits.days_rise {
        put_in_order(&mut looks, &mut rows, &starts);
    }
    let (statements, happened) = match taking {
        Looks::Taken => visits.take_statements(),
        Looks::Copied => (visits.statements.clone(), visits.happened.clone()),
    };
    let mut histories = Histories {
        as_of,
        placement_row,
        placed,
        entry: Arc::new(entry),
        patient: Arc::new(patient),
        patients,
        patient_rows,
        gone: Vec::new(),
        starts,
        looks,
        rows,
        statements,
        happened: Happened::new(happened),
        telling: Vec::new(),
        orphans,
        repeats: visits.repeats.clone(),
        placed_again: visits.placed_again.clone(),
        flow,
    };
    histories.telling = telling(&histories);
    histories.gone = departures(&histories);
    Ok(histories)
}

/// The rows that are the first of what they have.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn firsts(first_rows: &[u32]) -> Vec<u32> {
    let threads = threads_for(first_rows.len());
    let parts = on_threads(even_parts(first_rows.len(), threads), threads, |part| {
        let rows = || part.clone().map(|row| row as u32).filter(|row| first_rows[*row as usize] == *row);
        let mut own = Vec::with_capacity(rows().count());
        own.extend(rows());
        own
    });
    parts.concat()
}

/// The placements that take part.
struct PlacedRows {
    /// By row the place among those that take part; `u32::MAX` for the others.
    place_of_row: Vec<u32>,
    placement_row: Vec<u32>,
    placed: Vec<i32>,
    entry: Vec<i32>,
    excluded: Vec<Exclusion>,
}

/// What a thread fills in of neighbouring placements: by row, and of those that take part, the first of which has a place.
struct PlacedPart<'a> {
    rows: Range<usize>,
    first: u32,
    place_of_row: &'a mut [u32],
    placement_row: &'a mut [u32],
    placed: &'a mut [i32],
    entry: &'a mut [i32],
}

impl PlacedRows {
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn new(placements: &PlacementTable, visits: &VisitRows, as_of: Day) -> Result<Self, TableError> {
        let table = &placements.0;
        let (placed_on, entered_on) = (table.days_in_place("placed_on")?, table.days_in_place("entered_on")?);
        let threads = threads_for(table.len());
        // Rows that repeat an earlier one are told in their order.
        let repeats_in = |rows: &Range<usize>| {
            let from = visits.repeats.partition_point(|(row, _)| (*row as usize) < rows.start);
            visits.repeats[from..].iter().map(|(row, _)| *row as usize).peekable()
        };
        // A day that could not be read is a finding already; such rows take no further part.
        let takes_part = |day: i32| day != NO_DAY && day <= as_of.since_epoch();
        let parts = even_parts(table.len(), threads);
        let counted = on_threads(parts.clone(), threads, |rows| {
            let mut repeated = repeats_in(&rows);
            let (mut staying, mut later) = (0, 0);
            for row in rows {
                if repeated.next_if_eq(&row).is_none() {
                    let day = placed_on.get(row);
                    staying += usize::from(takes_part(day));
                    later += u64::from(day > as_of.since_epoch());
                }
            }
            (staying, later)
        });
        let (all, later) = counted.iter().fold((0, 0), |(all, later), of| (all + of.0, later + of.1));
        let mut place_of_row = vec![0; table.len()];
        let (mut placement_row, mut placed, mut entry) = (vec![0; all], vec![0; all], vec![0; all]);
        let mut work = Vec::new();
        let mut rest = (&mut place_of_row[..], &mut placement_row[..], &mut placed[..], &mut entry[..]);
        let mut first = 0;
        for (rows, (staying, _)) in parts.into_iter().zip(counted) {
            let by_row = rest.0.split_at_mut(rows.len());
            let (placement_row, placed, entry) =
                (rest.1.split_at_mut(staying), rest.2.split_at_mut(staying), rest.3.split_at_mut(staying));
            work.push(PlacedPart {
                rows,
                first,
                place_of_row: by_row.0,
                placement_row: placement_row.0,
                placed: placed.0,
                entry: entry.0,
            });
            rest = (by_row.1, placement_row.1, placed.1, entry.1);
            first += staying as u32;
        }
        on_threads(work, threads, |own| {
            let mut repeated = repeats_in(&own.rows);
            let mut at = 0;
            for (row, place) in own.rows.zip(own.place_of_row) {
                let day = placed_on.get(row);
                if repeated.next_if_eq(&row).is_some() || !takes_part(day) {
                    *place = u32::MAX;
                    continue;
                }
                let entered = entered_on.get(row);
                *place = own.first + at as u32;
                (own.placement_row[at], own.placed[at]) = (row as u32, day);
                // Most are 0 already.
                if entered != NO_DAY {
                    own.entry[at] = entered - day;
                }
                at += 1;
            }
        });
        let excluded = [(visits.repeats.len() as u64, "the same row again"), (later, "placed after the day of the review")];
        let excluded = excluded.into_iter().filter(|(count, _)| *count > 0);
        let excluded = excluded.map(|(count, reason)| Exclusion { reason: reason.to_owned(), count }).collect();
        Ok(Self { place_of_row, placement_row, placed, entry, excluded })
    }
}

/// Where a visit belongs.
enum Home {
    /// Its restoration was never placed.
    Orphan,
    /// It has no day: a finding already.
    NoDay,
    /// It is later than the day of the review.
    Late,
    /// Its restoration takes no part.
    OfExcluded,
    /// The place of its restoration.
    Place(u32),
}

/// What tells where a visit belongs.
struct Homes<'a> {
    visits: &'a VisitRows,
    place_of_row: &'a [u32],
    as_of: i32,
}

impl Homes<'_> {
    /// Tells of some rows, in their order, where they belong; neighbours of one restoration are told together where nothing else is to be
    /// known of them.
    fn each(&self, rows: Range<usize>, mut tell: impl FnMut(Range<usize>, Home)) {
        let VisitRows { placements, looks, .. } = self.visits;
        let all_by_then = self.visits.all_dated && self.visits.last_day().is_none_or(|last| last <= self.as_of);
        let mut of = placements.partition_point(|of| of.row as usize <= rows.start);
        let mut row = rows.start;
        while row < rows.end {
            let to = placements.get(of).map_or(rows.end, |next| rows.end.min(next.row as usize));
            let placement = of.checked_sub(1).map_or(NEVER_PLACED, |of| placements[of].placement);
            if all_by_then {
                tell(row..to, self.of(placement, self.as_of));
            } else {
                for (row, look) in (row..to).zip(&looks[row..to]) {
                    tell(row..row + 1, self.of(placement, look.day));
                }
            }
            (row, of) = (to, of + 1);
        }
    }

    fn of(&self, placement: u32, day: i32) -> Home {
        if placement == NEVER_PLACED {
            Home::Orphan
        } else if day == NO_DAY {
            Home::NoDay
        } else if day > self.as_of {
            Home::Late
        } else {
            match self.place_of_row[placement as usize] {
                u32::MAX => Home::OfExcluded,
                place => Home::Place(place),
            }
        }
    }
}

/// Where some visits belong, counted.
#[derive(Debug, PartialEq, Eq)]
struct Counted {
    /// How many belong to each restoration, one place behind it.
    starts: Vec<u32>,
    orphans: Vec<u32>,
    late: u64,
    of_excluded: u64,
    /// Whether those of a restoration stand together, in the order of the restorations.
    in_order: bool,
    /// The first and the last restoration that any belongs to.
    span: Option<(u32, u32)>,
}

impl Homes<'_> {
    /// Counts where all visits belong, on so many threads.
    fn count(&self, restorations: usize, threads: usize) -> Counted {
        let parts = even_parts(self.visits.len(), threads);
        let mut parts = on_threads(parts, threads, |rows| self.count_rows(rows, restorations)).into_iter();
        let mut all = parts.next().unwrap_or_else(|| self.count_rows(0..0, restorations));
        for part in parts {
            // Of visits in the order of the restorations, nothing but the part's own stretch is looked at.
            let (from, to) = match part.span {
                Some((first, last)) if part.in_order => (first as usize + 1, last as usize + 2),
                _ => (0, part.starts.len()),
            };
            all.starts[from..to].iter_mut().zip(&part.starts[from..to]).for_each(|(all, part)| *all += part);
            all.orphans.extend(part.orphans);
            all.late += part.late;
            all.of_excluded += part.of_excluded;
            let meet = all.span.zip(part.span).is_none_or(|((_, last), (first, _))| last <= first);
            all.in_order = all.in_order && part.in_order && meet;
            all.span = match (all.span, part.span) {
                (Some((first, _)), Some((_, last))) => Some((first, last)),
                (one, other) => one.or(other),
            };
        }
        all
    }

    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn count_rows(&self, rows: Range<usize>, restorations: usize) -> Counted {
        let mut starts = vec![0_u32; restorations + 1];
        let (mut orphans, mut late, mut of_excluded) = (Vec::new(), 0, 0);
        let (mut in_order, mut first, mut last) = (true, None, 0);
        self.each(rows, |rows, home| match home {
            Home::Orphan => orphans.extend(rows.map(|row| row as u32)),
            Home::NoDay => {}
            Home::Late => late += rows.len() as u64,
            Home::OfExcluded => of_excluded += rows.len() as u64,
            Home::Place(place) => {
                starts[place as usize + 1] += rows.len() as u32;
                in_order &= place >= last;
                first = first.or(Some(place));
                last = place;
            }
        });
        Counted { starts, orphans, late, of_excluded, in_order, span: first.map(|first| (first, last)) }
    }
}

/// Restorations of which a visit tells that the patient is gone.
#[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
fn telling(histories: &Histories) -> Vec<u32> {
    let gone = histories.statements.by_number(|statement| statement.patient_gone);
    if !gone.contains(&true) {
        return Vec::new();
    }
    let threads = threads_for(histories.looks.len());
    // Few visits tell it, so all are looked at one after the other, and the restorations of those few are found.
    let parts = on_threads(even_parts(histories.looks.len(), threads), threads, |places| {
        let looks = places.clone().zip(&histories.looks[places]);
        let told = looks.filter(|(_, look)| gone[look.statement as usize]);
        let restoration = |(place, _)| histories.starts.partition_point(|start| *start as usize <= place) as u32 - 1;
        told.map(restoration).collect::<Vec<u32>>()
    });
    let mut all = parts.concat();
    all.dedup();
    all
}

/// When each patient died or left: told at any of their restorations, it holds for all of them. Who is examined on a later day
/// came back.
fn departures(histories: &Histories) -> Vec<Option<i32>> {
    let Histories { patient, telling, .. } = histories;
    let mut gone = vec![None; histories.patients as usize];
    if telling.is_empty() {
        return gone;
    }
    let mut told = vec![false; gone.len()];
    for &restoration in telling {
        told[patient[restoration as usize] as usize] = true;
    }
    let examines = histories.statements.by_number(|statement| statement.examined);
    let tells = histories.statements.by_number(|statement| statement.patient_gone);
    let threads = threads_for(histories.looks.len());
    let of_told = on_threads(even_parts(histories.len(), threads), threads, |restorations: Range<usize>| {
        let examined = |restoration: usize| {
            let examined = histories.looks(restoration).iter().filter(|look| examines[look.statement as usize]);
            Some((patient[restoration], examined.map(|look| look.day).max()?))
        };
        restorations.filter(|restoration| told[patient[*restoration] as usize]).filter_map(examined).collect::<Vec<_>>()
    });
    let mut last_examined = vec![i32::MIN; gone.len()];
    for (patient, day) in of_told.into_iter().flatten() {
        let last = &mut last_examined[patient as usize];
        *last = day.max(*last);
    }
    let days = of_telling(histories, |look| tells[look.statement as usize]);
    for (patient, day, _) in days.into_iter().filter(|(patient, day, _)| *day >= last_examined[*patient as usize]) {
        let first: &mut Option<i32> = &mut gone[patient as usize];
        *first = Some(first.map_or(day, |first| first.min(day)));
    }
    gone
}

/// Of the visits that tell that a patient is gone those that say so: the patient, the day that it happened or is told, and the row.
pub(super) fn of_telling(histories: &Histories, says_so: impl Fn(&Look) -> bool + Sync) -> Vec<(u32, i32, u32)> {
    let threads = threads_for(histories.looks.len());
    let parts = on_threads(even_parts(histories.telling.len(), threads), threads, |part| {
        let mut told = Vec::new();
        for restoration in histories.telling[part].iter().map(|restoration| *restoration as usize) {
            for place in histories.places(restoration).filter(|place| says_so(&histories.looks[*place])) {
                let day = histories.happened(place).unwrap_or(histories.looks[place].day);
                told.push((histories.patient[restoration], day, histories.row(place)));
            }
        }
        told
    });
    parts.concat()
}

/// Below this many visits a second thread costs more than it saves.
const WORTH_A_THREAD: usize = 20_000;

/// How many threads share the work on so many visits.
pub fn threads_for(visits: usize) -> usize {
    if visits < WORTH_A_THREAD && wanted().is_none() { 1 } else { available().min(4) }
}

/// For each row of placements the first one of the same patient; those without a patient count as one.
///
/// # Errors
/// When the table lacks a column, which would be a fault of the program.
pub fn patients_of(placements: &PlacementTable) -> Result<Vec<u32>, TableError> {
    Ok(first_rows(placements.0.text("patient_id")?))
}

/// Numbers what some rows have from 0 in order of appearance; `first_rows` tells the first row that has the same, or any number below that of
/// all rows that stands for it.
pub(super) fn numbered(first_rows: &[u32], rows: &[u32]) -> (Vec<u32>, u32) {
    if first_rows.is_sorted() && rows.is_sorted() {
        return numbered_neighbours(first_rows, rows);
    }
    let mut number_of = vec![u32::MAX; first_rows.len()];
    let mut next = 0;
    let number = |&row: &u32| {
        let number = &mut number_of[first_rows[row as usize] as usize];
        if *number == u32::MAX {
            *number = next;
            next += 1;
        }
        *number
    };
    let numbers = rows.iter().map(number).collect();
    (numbers, next)
}

/// The same where those that have the same stand together.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn numbered_neighbours(first_rows: &[u32], rows: &[u32]) -> (Vec<u32>, u32) {
    let begins = |place: usize| {
        let first = |place: usize| first_rows[rows[place] as usize];
        place == 0 || first(place) != first(place - 1)
    };
    let threads = threads_for(rows.len());
    let parts = even_parts(rows.len(), threads);
    let counts = on_threads(parts.clone(), threads, |part| part.filter(|place| begins(*place)).count() as u32);
    let mut numbers = vec![0; rows.len()];
    let (mut rest, mut before, mut work) = (&mut numbers[..], 0, Vec::new());
    for (part, count) in parts.into_iter().zip(counts) {
        let (own, others) = rest.split_at_mut(part.len());
        work.push((part, before, own));
        (rest, before) = (others, before + count);
    }
    on_threads(work, threads, |(part, mut next, own)| {
        for (place, number) in part.zip(own) {
            next += u32::from(begins(place));
            *number = next - 1;
        }
    });
    (numbers, before)
}

/// Visits of neighbouring restorations.
struct OfNeighbours<'a> {
    /// Where those of each restoration begin, and where those of the last one end.
    starts: &'a [u32],
    /// The first restoration.
    from: usize,
    looks: &'a mut [Look],
    rows: &'a mut [u32],
}

/// Cuts looks and their rows for so many threads between restorations.
fn parted<'a>(looks: &'a mut [Look], rows: &'a mut [u32], starts: &'a [u32], threads: usize) -> Vec<OfNeighbours<'a>> {
    let total = looks.len();
    let mut parts = Vec::new();
    let (mut rest, mut rows, mut from) = (looks, rows, 0);
    for part in 1..=threads {
        let end = total * part / threads;
        let to = if part == threads {
            starts.len() - 1
        } else {
            starts.partition_point(|start| (*start as usize) < end).clamp(from, starts.len() - 1)
        };
        let (own, others) = rest.split_at_mut((starts[to] - starts[from]) as usize);
        let (own_rows, other_rows) = rows.split_at_mut(own.len());
        parts.push(OfNeighbours { starts: &starts[from..=to], from, looks: own, rows: own_rows });
        (rest, rows, from) = (others, other_rows, to);
    }
    parts
}

/// Visits by restoration, then row, with their rows: each thread lays out those of neighbouring restorations.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn moved(homes: &Homes<'_>, starts: &[u32]) -> (Vec<Look>, Vec<u32>) {
    let mut looks = vec![Look::EMPTY; starts.last().copied().unwrap_or(0) as usize];
    let mut rows = vec![0; looks.len()];
    let threads = threads_for(looks.len());
    on_threads(parted(&mut looks, &mut rows, starts, threads), threads, |own| {
        let (first, mut next) = (own.starts[0], own.starts[..own.starts.len() - 1].to_vec());
        homes.each(0..homes.visits.len(), |rows, home| {
            let Home::Place(place) = home else { return };
            if let Some(at) = (place as usize).checked_sub(own.from).and_then(|place| next.get_mut(place)) {
                for row in rows {
                    let to = (*at - first) as usize;
                    (own.looks[to], own.rows[to]) = (homes.visits.looks[row], row as u32);
                    *at += 1;
                }
            }
        });
    });
    (looks, rows)
}

/// Puts the visits of each restoration in the order of their days, then rows; they come in the order of their rows.
fn put_in_order(looks: &mut [Look], rows: &mut Option<Vec<u32>>, starts: &[u32]) {
    let threads = threads_for(looks.len());
    let of_one = |bounds: &[u32]| bounds[0] as usize..bounds[1] as usize;
    let in_order = |bounds: &[u32]| looks[of_one(bounds)].is_sorted_by_key(|look| look.day);
    let parts = even_parts(starts.len() - 1, threads);
    let all_are = on_threads(parts, threads, |part| starts[part.start..=part.end].windows(2).all(in_order));
    if all_are.into_iter().all(|are| are) {
        return;
    }
    let rows = rows.get_or_insert_with(|| (0..).take(looks.len()).collect());
    on_threads(parted(looks, rows, starts, threads), threads, |own| {
        let first = own.starts[0];
        for bounds in own.starts.windows(2) {
            let these = (bounds[0] - first) as usize..(bounds[1] - first) as usize;
            let (looks, rows) = (&mut own.looks[these.clone()], &mut own.rows[these]);
            if looks.is_sorted_by_key(|look| look.day) {
                continue;
            }
            let mut sorted: Vec<(Look, u32)> = looks.iter().copied().zip(rows.iter().copied()).collect();
            sorted.sort_by_key(|(look, row)| (look.day, *row));
            for ((look, row), sorted) in looks.iter_mut().zip(rows).zip(sorted) {
                (*look, *row) = sorted;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cohort::visit_rows::OfPlacement;

    #[test]
    fn each_row_finds_its_day() {
        for step in [1_u32, 7, 500, 1_024, 3_000] {
            let days: Vec<(u32, i32)> = (0..40_u32).map(|n| (n * step + n * n % 5 % step, n.cast_signed())).collect();
            let happened = Happened::new(days.clone());
            for row in 0..41 * step {
                let expected = days.iter().find(|(of, _)| *of == row).map(|(_, day)| *day);
                assert_eq!(happened.of(row), expected, "row {row} by {step}");
            }
        }
        assert_eq!(Happened::new(Vec::new()).of(5), None);
    }

    #[test]
    fn visits_are_counted_alike_in_any_number_of_parts() {
        // The fourth row of placements takes no part.
        let place_of_row = [0, 1, 2, u32::MAX, 3];
        let in_order: [u32; 9] = [0, 0, 1, 1, 3, NEVER_PLACED, 2, 4, 4];
        let mixed: [u32; 9] = [0, 0, 1, 1, 3, NEVER_PLACED, 0, 4, 2];
        // One visit is too late and one has no day, or all are by the day.
        let cases = [(in_order, true), (mixed, false)].map(|case| [(case, false), (case, true)]);
        for ((placement, rises), all_by_then) in cases.into_iter().flatten() {
            let day = |row: usize| if all_by_then { 9 } else { [8, 9, 9, 8, 9, 9, 9, 10, NO_DAY][row] };
            let looks: Vec<Look> = (0..9).map(|row| Look { day: day(row), ..Look::EMPTY }).collect();
            // Neighbours may be told together or one by one.
            let of = |(row, placement): (u32, &u32)| OfPlacement { row, placement: *placement };
            let mut placements: Vec<OfPlacement> = (0..).zip(&placement).map(of).collect();
            placements.dedup_by(|next, last| next.placement == last.placement && next.row != 1);
            let mut visits = VisitRows::default();
            visits.all_dated = all_by_then;
            visits.last = looks.iter().map(|look| look.day).fold(NO_DAY, i32::max);
            (visits.placements, visits.looks, visits.rows) = (placements, looks, 9);
            let homes = Homes { visits: &visits, place_of_row: &place_of_row, as_of: 9 };
            let all = homes.count(4, 1);
            let late = u64::from(!all_by_then);
            assert_eq!((all.late, all.of_excluded, all.in_order, &all.orphans[..]), (late, 1, rises, &[5][..]));
            let expected = match (rises, all_by_then) {
                (true, false) => [0, 2, 2, 1, 0],
                (true, true) => [0, 2, 2, 1, 2],
                (false, false) => [0, 3, 2, 0, 0],
                (false, true) => [0, 3, 2, 1, 1],
            };
            assert_eq!(all.starts, expected, "one place behind each restoration");
            for threads in 2..=9 {
                assert_eq!(homes.count(4, threads), all, "{threads} parts");
            }
        }
    }
}
