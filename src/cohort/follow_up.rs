//! One endpoint's observation of each restoration: when it came under observation, when it was last known good, when first
//! known failed, and how the follow-up ended.

use std::convert::Infallible;
use std::ops::Range;
use std::sync::Arc;

use crate::protocol::{Consequence, Endpoint, FailureDayReading};
use crate::quantity::Days;
use crate::record::{Criterion, Extent, Scheme};
use crate::result::Exclusion;
use crate::stats::{Grouping, Intervals, ObservationError, Observations};
use crate::threads::{as_they_come, on_threads};

use super::event::Event;
use super::history::{Histories, numbered, threads_for};
use super::statement::Statement;
use super::visit_rows::Look;

pub use crate::stats::Ending;

/// One endpoint's observations.
#[derive(Clone, Debug)]
pub struct EndpointFollowUp {
    /// Each analysed restoration's place in the histories, in the order of `observations`.
    pub restoration: Arc<Vec<u32>>,
    /// Observations for the estimators; the cluster is the patient, counted anew among those analysed.
    pub observations: Observations,
    /// Those that failed, or were last known good on another day than the last of their observation.
    between: Vec<Between>,
    /// Left out, by reason.
    pub excluded: Vec<Exclusion>,
    /// Analysed, but never seen after placement or entry.
    pub never_seen: u64,
    /// Under observation only from a later day on.
    pub delayed: u64,
    /// Failures known from a report only.
    pub reported_failures: u64,
    /// Patients among those analysed.
    pub patients: u32,
}

/// Between which visits an observation ended, in days from placement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Between {
    /// Its place among the observations.
    place: u32,
    last_known_good: i32,
    first_known_failed: Option<i32>,
}

impl EndpointFollowUp {
    fn between(&self, place: usize) -> Option<&Between> {
        let at = self.between.binary_search_by_key(&place, |between| between.place as usize).ok()?;
        self.between.get(at)
    }

    /// Days from placement to the last visit that showed it without the failure, by place among the observations.
    pub fn last_known_good(&self, place: usize) -> i32 {
        self.between(place).map_or_else(|| self.observations.exit()[place], |between| between.last_known_good)
    }

    /// What is known of when each failed, between two visits or not yet, of each level of a grouping. Of levels with more than so many, of
    /// every second, third and so on, so that no more are left.
    pub fn intervals_by_group(&self, grouping: &Grouping, most: usize) -> Vec<Intervals> {
        let levels = usize::from(grouping.levels());
        let mut sizes = vec![0_usize; levels];
        for code in grouping.codes() {
            if let Some(size) = sizes.get_mut(usize::from(*code)) {
                *size += 1;
            }
        }
        let strides: Vec<usize> = sizes.iter().map(|size| size.div_ceil(most).max(1)).collect();
        // How many of each level come before the next one that is taken.
        let (mut groups, mut before) = (vec![Intervals::default(); levels], vec![0_usize; levels]);
        let mut between = &self.between[..];
        for (place, code) in grouping.codes().iter().enumerate().take(self.observations.len()) {
            let group = usize::from(*code);
            match before.get_mut(group) {
                None => {}
                Some(0) => {
                    before[group] = strides[group] - 1;
                    self.push_interval(&mut groups[group], place, &mut between);
                }
                Some(before) => *before -= 1,
            }
        }
        groups
    }

    /// The same of all.
    pub fn intervals(&self, most: usize) -> Intervals {
        let stride = self.observations.len().div_ceil(most).max(1);
        let mut all = Intervals::with_capacity(self.observations.len() / stride + 1);
        let mut between = &self.between[..];
        for place in (0..self.observations.len()).step_by(stride) {
            self.push_interval(&mut all, place, &mut between);
        }
        all
    }

    /// Adds what is known of when the observation at a place failed. `between` are those from an earlier place on, and are cut to those from
    /// this one on.
    fn push_interval(&self, intervals: &mut Intervals, place: usize, between: &mut &[Between]) {
        let (entry, exit) = (self.observations.entry()[place], self.observations.exit()[place]);
        while let Some(rest) =
            between.split_first().filter(|(first, _)| (first.place as usize) < place).map(|(_, rest)| rest)
        {
            *between = rest;
        }
        let here = between.first().filter(|between| between.place as usize == place);
        let (left, right) = here.map_or((exit, None), |here| (here.last_known_good, here.first_known_failed));
        push_between(intervals, entry, left, right, exit, 0);
    }

    /// Days from placement to the visit that found the failure, by place among the observations; none if it didn't fail.
    pub fn first_known_failed(&self, place: usize) -> Option<i32> {
        self.between(place)?.first_known_failed
    }
}

/// Adds what is known of when one failed. One that entered late and whose failure has no room after its entry is dated to the day that
/// found it.
pub fn push_between(
    intervals: &mut Intervals,
    entry: i32,
    last_known_good: i32,
    first_known_failed: Option<i32>,
    exit: i32,
    cluster: u32,
) {
    let right = first_known_failed.map(Days::new);
    let left = Days::new(last_known_good.max(entry));
    let left = right.map_or(left, |right| left.min(right));
    if intervals.push(Days::new(entry), left, right, cluster).is_err() {
        let exit = Days::new(exit);
        // What was accepted as an observation is accepted here: it ends on the same day.
        let _ = intervals.push(Days::new(entry), exit, right.map(|_| exit), cluster);
    }
}

/// What an event does under an endpoint.
const fn of_event(event: Event, endpoint: &Endpoint) -> Consequence {
    match event {
        Event::CompleteLoss => endpoint.complete_loss,
        Event::PartialLoss => endpoint.partial_loss,
        Event::Repaired => endpoint.repaired,
        Event::Refurbished => endpoint.refurbished,
        Event::ReplacedForFailure => endpoint.replaced_for_failure,
        Event::RootFilled => endpoint.root_filled,
        Event::RemovedForOtherReasons => endpoint.removed_for_other_reasons,
        Event::Extracted => endpoint.extracted,
    }
}

/// What one visit does under an endpoint: the gravest consequence of all it says.
fn consequence(statement: &Statement, endpoint: &Endpoint) -> Consequence {
    let by_extent = match statement.extent {
        Some(Extent::Lost) => Some(endpoint.complete_loss),
        Some(Extent::Partial) => Some(endpoint.partial_loss),
        _ => None,
    };
    let by_outcome = statement.outcome_event.map(|event| of_event(event, endpoint));
    let fails = |scheme: Scheme| {
        let score = |criterion: Criterion| Some((criterion, statement.score(criterion)?));
        Criterion::ALL.into_iter().filter_map(score).any(|(criterion, score)| endpoint.score_fails(criterion, scheme, score))
    };
    let by_score = statement.stated.scheme.filter(|scheme| fails(*scheme)).map(|_| Consequence::Failure);
    by_extent.into_iter().chain(by_outcome).chain(by_score).min().unwrap_or(Consequence::None)
}

/// One statement under one endpoint.
#[derive(Clone, Copy)]
struct Weighed {
    what: Consequence,
    /// Whether nothing is followed after it.
    ends: bool,
    shows_in_place: bool,
}

/// An endpoint with what each statement of some visits does under it.
struct Weighing<'a> {
    endpoint: &'a Endpoint,
    reading: FailureDayReading,
    histories: &'a Histories,
    /// By the number of the statement.
    weighed: Vec<Weighed>,
}

impl<'a> Weighing<'a> {
    fn new(histories: &'a Histories, endpoint: &'a Endpoint, reading: FailureDayReading) -> Self {
        let weighed = |statement: &Statement| {
            let what = consequence(statement, endpoint);
            let ends = what != Consequence::None || statement.closes;
            Weighed { what, ends, shows_in_place: statement.shows_in_place }
        };
        Self { endpoint, reading, histories, weighed: histories.statements.by_number(weighed) }
    }

    #[inline]
    fn of(&self, look: &Look) -> Weighed {
        self.weighed[look.statement as usize]
    }

    /// The day a visit's consequence is dated to, in days since placement.
    ///
    /// `outcome_on` tells when the outcome happened. An ending that is no failure is dated to it. A failure is dated to it only
    /// where the protocol reads the day known, and only if the outcome (not a score seen at the visit) makes the failure. What ends
    /// a restoration can't have happened before it was last seen in place; a repair can.
    fn dated(&self, place: usize, placed: i32, last_known_good: i32) -> i32 {
        let look = &self.histories.looks[place];
        let (statement, what) = (self.histories.said(look), self.of(look).what);
        let found = look.day - placed;
        let Some(happened) = self.histories.happened(place).map(|day| day - placed) else { return found };
        let by_outcome = statement.outcome_event.is_some_and(|event| of_event(event, self.endpoint) == what);
        let day_found = self.reading == FailureDayReading::DayFound;
        if !(statement.closes || by_outcome) || (what == Consequence::Failure && day_found) {
            return found;
        }
        if statement.closes { happened.max(last_known_good) } else { happened }
    }

    /// Follows one restoration through its visits, in days since placement. All that is said of one day is weighed together, and
    /// the gravest counts, whatever the order of the rows.
    fn follow(&self, visits: Range<usize>, placed: i32, entry: i32) -> Followed {
        let (mut at, looks) = (visits.start, &self.histories.looks[visits]);
        let mut followed = Followed {
            exit: entry,
            ending: Ending::Censored,
            last_known_good: entry,
            first_known_failed: None,
            seen: false,
            reported: false,
        };
        for day in looks.chunk_by(|one, other| one.day == other.day) {
            if day.iter().any(|look| self.of(look).ends) {
                let gravity = |(_, look): &(usize, &Look)| {
                    let statement = self.histories.said(look);
                    (self.of(look).what, !statement.closes, statement.stated.reported)
                };
                let Some((place, look)) = (at..).zip(day).min_by_key(gravity) else { continue };
                let what = self.of(look).what;
                let exit = self.dated(place, placed, followed.last_known_good);
                let ending = match what {
                    Consequence::Failure => Ending::Failed,
                    Consequence::Competing => Ending::Competing,
                    Consequence::None => Ending::Censored,
                };
                return Followed {
                    exit,
                    ending,
                    last_known_good: followed.last_known_good.min(exit),
                    first_known_failed: (what == Consequence::Failure).then_some(look.day - placed),
                    seen: true,
                    reported: self.histories.said(look).stated.reported,
                };
            }
            let found = day[0].day - placed;
            if found >= followed.last_known_good && day.iter().any(|look| self.of(look).shows_in_place) {
                followed.last_known_good = found;
                followed.exit = found;
                followed.seen = true;
            }
            at += day.len();
        }
        followed
    }
}

/// Restorations that nothing ends, as most are: what becomes of them is the same under all endpoints.
struct Undisturbed {
    /// By the number of the statement, as bits.
    says: Vec<u8>,
}

impl Undisturbed {
    /// It ends what is followed under some endpoint.
    const ENDS: u8 = 1;
    const SHOWS_IN_PLACE: u8 = 2;

    fn new(histories: &Histories, weighings: &[Weighing<'_>]) -> Self {
        let says = |(number, statement): (usize, &Statement)| {
            let ends = weighings.iter().any(|weighing| weighing.weighed[number].ends);
            (if ends { Self::ENDS } else { 0 }) | if statement.shows_in_place { Self::SHOWS_IN_PLACE } else { 0 }
        };
        Self { says: histories.statements.iter().enumerate().map(says).collect() }
    }

    /// What becomes of one with these visits, in days since placement, as [`Weighing::follow`] tells it; none if any of them may end it.
    fn of(&self, looks: &[Look], placed: i32, entry: i32) -> Option<Followed> {
        let says = |look: &Look| self.says[look.statement as usize];
        if looks.iter().fold(0, |all, look| all | says(look)) & Self::ENDS != 0 {
            return None;
        }
        let in_place = |look: &&Look| says(look) & Self::SHOWS_IN_PLACE != 0;
        let last = looks.iter().rev().find(in_place).map(|look| look.day - placed).filter(|day| *day >= entry);
        let exit = last.unwrap_or(entry);
        Some(Followed {
            exit,
            ending: Ending::Censored,
            last_known_good: exit,
            first_known_failed: None,
            seen: last.is_some(),
            reported: false,
        })
    }
}

struct Followed {
    exit: i32,
    ending: Ending,
    last_known_good: i32,
    first_known_failed: Option<i32>,
    seen: bool,
    reported: bool,
}

/// Follows every restoration under an endpoint.
pub fn follow_all(histories: &Histories, endpoint: &Endpoint, reading: FailureDayReading) -> EndpointFollowUp {
    let endpoint = std::slice::from_ref(endpoint);
    follow_under_all(histories, endpoint, reading)
        .pop()
        .unwrap_or_else(|| Found::default().put_together(Staying::default(), (Vec::new(), Vec::new())))
}

/// The last days and the endings of some neighbouring restorations, to be written.
type Ends<'a> = (&'a mut [i32], &'a mut [Ending]);

/// Restorations that are followed before what became of them is put together.
const RUN: usize = 1 << 14;

/// The same under several endpoints: visits are gone through once for all of them.
pub fn follow_under_all(histories: &Histories, endpoints: &[Endpoint], reading: FailureDayReading) -> Vec<EndpointFollowUp> {
    let weighings: Vec<Weighing<'_>> =
        endpoints.iter().map(|endpoint| Weighing::new(histories, endpoint, reading)).collect();
    // Each thread writes the days and endings of its runs where they stay.
    let columns = || (vec![0_i32; histories.len()], vec![Ending::Failed; histories.len()]);
    let mut ends: Vec<(Vec<i32>, Vec<Ending>)> = endpoints.iter().map(|_| columns()).collect();
    let mut found: Vec<Vec<Found>> = endpoints.iter().map(|_| Vec::new()).collect();
    let mut cut: Vec<_> = ends.iter_mut().map(|(exit, ending)| exit.chunks_mut(RUN).zip(ending.chunks_mut(RUN))).collect();
    let course = Undisturbed::new(histories, &weighings);
    let mut starts = (0..histories.len()).step_by(RUN);
    let next = || starts.next().map(|from| (from, cut.iter_mut().filter_map(Iterator::next).collect()));
    let work = |(): &mut (), (from, mut ends): (usize, Vec<Ends<'_>>)| -> Vec<Found> {
        let mut found: Vec<Found> = ends.iter().map(|_| Found::default()).collect();
        let length = ends.first().map_or(0, |(exit, _)| exit.len());
        for place in 0..length {
            let restoration = from + place;
            let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
            let visits = histories.places(restoration);
            if let Some(followed) = course.of(&histories.looks[visits.clone()], placed, entry) {
                for (found, (exit, ending)) in found.iter_mut().zip(&mut ends) {
                    (exit[place], ending[place]) = (followed.exit, followed.ending);
                    found.add(restoration, entry, &followed);
                }
                continue;
            }
            for ((weighing, found), (exit, ending)) in weighings.iter().zip(&mut found).zip(&mut ends) {
                let followed = weighing.follow(visits.clone(), placed, entry);
                (exit[place], ending[place]) = (followed.exit, followed.ending);
                found.add(restoration, entry, &followed);
            }
        }
        found
    };
    let take = |run: Vec<Found>| -> Result<(), Infallible> {
        found.iter_mut().zip(run).for_each(|(runs, run)| runs.push(run));
        Ok(())
    };
    let threads = threads_for(histories.looks.len());
    let Ok(()) = as_they_come(threads, next, || (), work, take);
    let found = on_threads(found, threads, Found::together);
    // Endpoints mostly leave out the same restorations: those that stay are told once.
    let mut lists: Vec<Vec<u32>> = Vec::new();
    for found in &found {
        if !lists.contains(&found.left_out) {
            lists.push(found.left_out.clone());
        }
    }
    let stayings = on_threads(lists, threads, |left_out| {
        let staying = Staying::of(histories, &left_out);
        (left_out, staying)
    });
    let found: Vec<_> = found.into_iter().zip(ends).collect();
    on_threads(found, threads, |(found, ends)| {
        let staying = stayings.iter().find(|(left_out, _)| *left_out == found.left_out).map(|(_, staying)| staying.clone());
        found.put_together(staying.unwrap_or_default(), ends)
    })
}

/// The restorations that an endpoint follows, and what is known of them whatever their visits.
#[derive(Clone, Debug, Default)]
struct Staying {
    restoration: Arc<Vec<u32>>,
    entry: Arc<Vec<i32>>,
    /// Numbered anew among those that stay.
    patient: Arc<Vec<u32>>,
    patients: u32,
}

impl Staying {
    /// All restorations but those left out, whose places rise.
    fn of(histories: &Histories, left_out: &[u32]) -> Self {
        let mut restoration: Vec<u32> = (0..).take(histories.len()).collect();
        if left_out.is_empty() {
            let (entry, patient) = (Arc::clone(&histories.entry), Arc::clone(&histories.patient));
            return Self { restoration: Arc::new(restoration), entry, patient, patients: histories.patients };
        }
        drop_rows(&mut restoration, left_out);
        let mut entry = histories.entry.to_vec();
        drop_rows(&mut entry, left_out);
        let (patient, patients) = numbered(&histories.patient, &restoration);
        Self { restoration: Arc::new(restoration), entry: Arc::new(entry), patient: Arc::new(patient), patients }
    }
}

/// Takes rows out of a column, given by their places, which rise.
fn drop_rows<T: Copy>(column: &mut Vec<T>, rows: &[u32]) {
    let mut kept = rows.first().map_or(column.len(), |first| *first as usize);
    let ends = rows.iter().skip(1).map(|next| *next as usize).chain([column.len()]);
    for (from, end) in rows.iter().map(|row| *row as usize + 1).zip(ends) {
        column.copy_within(from..end, kept);
        kept += end - from;
    }
    column.truncate(kept);
}

/// What was found of restorations under an endpoint, but for the days and endings of their observations.
#[derive(Default)]
struct Found {
    /// Places are those of restorations.
    between: Vec<Between>,
    /// Restorations without an observation, in their order.
    left_out: Vec<u32>,
    never_at_risk: u64,
    too_long: u64,
    never_seen: u64,
    delayed: u64,
    reported_failures: u64,
}

impl Found {
    /// Adds the next restoration.
    #[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
    fn add(&mut self, restoration: usize, entry: i32, followed: &Followed) {
        let Followed { exit, last_known_good, first_known_failed, .. } = *followed;
        match Observations::check(Days::new(entry), Days::new(exit)) {
            Ok(()) => {}
            Err(error) => {
                let too_long = matches!(error, ObservationError::TooLong(_));
                *(if too_long { &mut self.too_long } else { &mut self.never_at_risk }) += 1;
                self.left_out.push(restoration as u32);
                return;
            }
        }
        if last_known_good != exit || first_known_failed.is_some() {
            self.between.push(Between { place: restoration as u32, last_known_good, first_known_failed });
        }
        self.never_seen += u64::from(!followed.seen);
        self.delayed += u64::from(entry > 0);
        self.reported_failures += u64::from(followed.reported && followed.ending == Ending::Failed);
    }

    /// What was found of neighbouring runs of restorations, in their order.
    fn together(runs: Vec<Self>) -> Self {
        let mut all = Self::default();
        all.between.reserve_exact(runs.iter().map(|run| run.between.len()).sum());
        for run in runs {
            all.between.extend(run.between);
            all.left_out.extend(run.left_out);
            all.never_at_risk += run.never_at_risk;
            all.too_long += run.too_long;
            all.never_seen += run.never_seen;
            all.delayed += run.delayed;
            all.reported_failures += run.reported_failures;
        }
        all
    }

    /// The follow-up, with the days and the endings of all restorations.
    #[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
    fn put_together(mut self, staying: Staying, (mut exit, mut ending): (Vec<i32>, Vec<Ending>)) -> EndpointFollowUp {
        drop_rows(&mut exit, &self.left_out);
        drop_rows(&mut ending, &self.left_out);
        // Both lists rise.
        let mut gone = 0;
        for between in &mut self.between {
            while self.left_out.get(gone).is_some_and(|left_out| *left_out < between.place) {
                gone += 1;
            }
            between.place -= gone as u32;
        }
        let Staying { restoration, entry, patient, patients } = staying;
        let late = "had ended, or was not seen in place again, when it came under observation";
        let long = "followed for longer than any filling lasts: check its days";
        let excluded = [(self.never_at_risk, late), (self.too_long, long)].into_iter().filter(|(count, _)| *count > 0);
        EndpointFollowUp {
            restoration,
            observations: Observations::of_checked(entry, exit, ending, patient),
            between: self.between,
            excluded: excluded.map(|(count, reason)| Exclusion { reason: reason.to_owned(), count }).collect(),
            never_seen: self.never_seen,
            delayed: self.delayed,
            reported_failures: self.reported_failures,
            patients,
        }
    }
}
