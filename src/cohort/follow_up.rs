//! One endpoint's observation of each restoration: when it came under observation, when it was last known good, when first
//! known failed, and how the follow-up ended.

use std::convert::Infallible;
use std::ops::Range;

use crate::protocol::{Consequence, Endpoint, FailureDayReading};
use crate::quantity::Days;
use crate::record::{Criterion, Extent, Scheme};
use crate::result::Exclusion;
use crate::stats::{Grouping, Intervals, ObservationError, Observations};
use crate::threads::as_they_come;

use super::event::Event;
use super::history::{Histories, threads_for};
use super::statement::Statement;
use super::visit_rows::Look;

pub use crate::stats::Ending;

/// One endpoint's observations.
#[derive(Clone, Debug)]
pub struct EndpointFollowUp {
    /// Each analysed restoration's place in the histories, in the order of `observations`.
    pub restoration: Vec<u32>,
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
        let (mut groups, mut met) = (vec![Intervals::default(); levels], vec![0_usize; levels]);
        self.each_interval(|place, entry, left, right| {
            let Some(group) = grouping.codes().get(place).map(|code| usize::from(*code)).filter(|code| *code < levels)
            else {
                return;
            };
            if met[group].is_multiple_of(strides[group]) {
                push_between(&mut groups[group], entry, left, right, self.observations.exit()[place], 0);
            }
            met[group] += 1;
        });
        groups
    }

    /// The same of all.
    pub fn intervals(&self, most: usize) -> Intervals {
        let stride = self.observations.len().div_ceil(most).max(1);
        let mut all = Intervals::with_capacity(self.observations.len() / stride + 1);
        self.each_interval(|place, entry, left, right| {
            if place.is_multiple_of(stride) {
                push_between(&mut all, entry, left, right, self.observations.exit()[place], 0);
            }
        });
        all
    }

    /// Entry, last visit without the failure, and first with it, of each observation in order.
    fn each_interval(&self, mut take: impl FnMut(usize, i32, i32, Option<i32>)) {
        let mut between = self.between.iter().peekable();
        for (place, (&entry, &exit)) in self.observations.entry().iter().zip(self.observations.exit()).enumerate() {
            match between.next_if(|between| between.place as usize == place) {
                Some(between) => take(place, entry, between.last_known_good, between.first_known_failed),
                None => take(place, entry, exit, None),
            }
        }
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
        Self { endpoint, reading, histories, weighed: histories.statements.iter().map(weighed).collect() }
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
    fn dated(&self, look: &Look, placed: i32, last_known_good: i32) -> i32 {
        let (statement, what) = (self.histories.said(look), self.of(look).what);
        let found = look.day - placed;
        let Some(happened) = self.histories.happened(look).map(|day| day - placed) else { return found };
        let by_outcome = statement.outcome_event.is_some_and(|event| of_event(event, self.endpoint) == what);
        let day_found = self.reading == FailureDayReading::DayFound;
        if !(statement.closes || by_outcome) || (what == Consequence::Failure && day_found) {
            return found;
        }
        if statement.closes { happened.max(last_known_good) } else { happened }
    }

    /// Follows one restoration through its visits, in days since placement. All that is said of one day is weighed together, and
    /// the gravest counts, whatever the order of the rows.
    fn follow(&self, looks: &[Look], placed: i32, entry: i32) -> Followed {
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
                let gravity = |look: &&Look| {
                    let statement = self.histories.said(look);
                    (self.of(look).what, !statement.closes, statement.stated.reported)
                };
                let Some(look) = day.iter().min_by_key(gravity) else { continue };
                let what = self.of(look).what;
                let exit = self.dated(look, placed, followed.last_known_good);
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
        }
        followed
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
    follow_under_all(histories, endpoint, reading).pop().unwrap_or_else(|| PutTogether::new(histories).end())
}

/// Restorations that are followed before what became of them is put together.
const RUN: usize = 1 << 15;

/// The same under several endpoints: visits are gone through once for all of them.
pub fn follow_under_all(histories: &Histories, endpoints: &[Endpoint], reading: FailureDayReading) -> Vec<EndpointFollowUp> {
    let mut all: Vec<PutTogether> = endpoints.iter().map(|_| PutTogether::new(histories)).collect();
    let weighings: Vec<Weighing<'_>> =
        endpoints.iter().map(|endpoint| Weighing::new(histories, endpoint, reading)).collect();
    let mut runs = (0..histories.len()).step_by(RUN).map(|from| from..histories.len().min(from + RUN));
    let work = |(): &mut (), run: Range<usize>| -> (usize, Vec<Vec<Followed>>) {
        let mut followed: Vec<Vec<Followed>> = endpoints.iter().map(|_| Vec::with_capacity(run.len())).collect();
        for restoration in run.clone() {
            let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
            let looks = histories.looks(restoration);
            for (weighing, followed) in weighings.iter().zip(&mut followed) {
                followed.push(weighing.follow(looks, placed, entry));
            }
        }
        (run.start, followed)
    };
    let take = |(from, run): (usize, Vec<Vec<Followed>>)| -> Result<(), Infallible> {
        all.iter_mut().zip(run).for_each(|(all, followed)| all.take(histories, from, followed));
        Ok(())
    };
    let Ok(()) = as_they_come(threads_for(histories.looks.len()), || runs.next(), || (), work, take);
    all.into_iter().map(PutTogether::end).collect()
}

/// What becomes of restorations under an endpoint, in their order, as observations.
struct PutTogether {
    result: EndpointFollowUp,
    /// The number of each patient among those followed; `u32::MAX` where none was.
    number: Vec<u32>,
    never_at_risk: u64,
    too_long: u64,
}

impl PutTogether {
    fn new(histories: &Histories) -> Self {
        let result = EndpointFollowUp {
            restoration: Vec::with_capacity(histories.len()),
            observations: Observations::with_capacity(histories.len()),
            between: Vec::new(),
            excluded: Vec::new(),
            never_seen: 0,
            delayed: 0,
            reported_failures: 0,
            patients: 0,
        };
        Self { result, number: vec![u32::MAX; histories.patients as usize], never_at_risk: 0, too_long: 0 }
    }

    /// Takes the restorations from a place on.
    #[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
    fn take(&mut self, histories: &Histories, from: usize, followed: Vec<Followed>) {
        let Self { result, number, never_at_risk, too_long } = self;
        for (restoration, followed) in (from..).zip(followed) {
            let entry = histories.entry[restoration];
            let patient = histories.patient[restoration] as usize;
            let cluster = if number[patient] == u32::MAX { result.patients } else { number[patient] };
            let pushed = result.observations.push(Days::new(entry), Days::new(followed.exit), followed.ending, cluster);
            match pushed {
                Ok(()) => {}
                Err(ObservationError::TooLong(_)) => {
                    *too_long += 1;
                    continue;
                }
                Err(_) => {
                    *never_at_risk += 1;
                    continue;
                }
            }
            if number[patient] == u32::MAX {
                number[patient] = cluster;
                result.patients += 1;
            }
            let Followed { exit, last_known_good, first_known_failed, .. } = followed;
            if last_known_good != exit || first_known_failed.is_some() {
                let place = result.restoration.len() as u32;
                result.between.push(Between { place, last_known_good, first_known_failed });
            }
            result.restoration.push(restoration as u32);
            result.never_seen += u64::from(!followed.seen);
            result.delayed += u64::from(entry > 0);
            result.reported_failures += u64::from(followed.reported && followed.ending == Ending::Failed);
        }
    }

    fn end(self) -> EndpointFollowUp {
        let mut result = self.result;
        let late = "had ended, or was not seen in place again, when it came under observation";
        let long = "followed for longer than any filling lasts: check its days";
        for (count, reason) in [(self.never_at_risk, late), (self.too_long, long)] {
            if count > 0 {
                result.excluded.push(Exclusion { reason: reason.to_owned(), count });
            }
        }
        result
    }
}
