//! One endpoint's observation of each restoration: when it came under observation, when it was last known good, when first
//! known failed, and how the follow-up ended.

use std::convert::Infallible;
use std::ops::Range;

use crate::protocol::{Consequence, Endpoint, FailureDayReading};
use crate::quantity::Days;
use crate::record::{Criterion, Extent};
use crate::result::Exclusion;
use crate::stats::{ObservationError, Observations};
use crate::threads::as_they_come;

use super::event::{Event, Look};
use super::history::{Histories, threads_for};

pub use crate::stats::Ending;

/// One endpoint's observations.
#[derive(Clone, Debug)]
pub struct EndpointFollowUp {
    /// Each analysed restoration's place in the histories, in the order of `observations`.
    pub restoration: Vec<u32>,
    /// Observations for the estimators; the cluster is the patient, counted anew among those analysed.
    pub observations: Observations,
    /// Days from placement to the last visit that showed it without the failure.
    pub last_known_good: Vec<i32>,
    /// Days from placement to the visit that found the failure; none if it didn't fail.
    pub first_known_failed: Vec<Option<i32>>,
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
fn consequence(look: &Look, endpoint: &Endpoint, scores_count: bool) -> Consequence {
    let by_extent = match look.extent() {
        Some(Extent::Lost) => Some(endpoint.complete_loss),
        Some(Extent::Partial) => Some(endpoint.partial_loss),
        _ => None,
    };
    let by_outcome = look.outcome_event().map(|event| of_event(event, endpoint));
    let by_score = || {
        let scheme = look.scheme.filter(|_| scores_count)?;
        Criterion::ALL
            .into_iter()
            .any(|criterion| look.score(criterion).is_some_and(|score| endpoint.score_fails(criterion, scheme, score)))
            .then_some(Consequence::Failure)
    };
    by_extent.into_iter().chain(by_outcome).chain(by_score()).min().unwrap_or(Consequence::None)
}

/// The day a visit's consequence is dated to, in days since placement.
///
/// `outcome_on` tells when the outcome happened. An ending that is no failure is dated to it. A failure is dated to it only
/// where the protocol reads the day known, and only if the outcome (not a score seen at the visit) makes the failure. What ends
/// a restoration can't have happened before it was last seen in place; a repair can.
fn dated(
    look: &Look,
    what: Consequence,
    placed: i32,
    last_known_good: i32,
    endpoint: &Endpoint,
    reading: FailureDayReading,
) -> i32 {
    let found = look.day - placed;
    let Some(happened) = look.happened().map(|day| day - placed) else { return found };
    let made_by_outcome = look.closes() || look.outcome_event().is_some_and(|event| of_event(event, endpoint) == what);
    if !made_by_outcome || (what == Consequence::Failure && reading == FailureDayReading::DayFound) {
        return found;
    }
    if look.closes() { happened.max(last_known_good) } else { happened }
}

struct Followed {
    exit: i32,
    ending: Ending,
    last_known_good: i32,
    first_known_failed: Option<i32>,
    seen: bool,
    reported: bool,
}

/// Follows one restoration through its visits, in days since placement. All that is said of one day is weighed together, and
/// the gravest counts, whatever the order of the rows.
fn follow(looks: &[Look], placed: i32, entry: i32, endpoint: &Endpoint, reading: FailureDayReading) -> Followed {
    let mut followed = Followed {
        exit: entry,
        ending: Ending::Censored,
        last_known_good: entry,
        first_known_failed: None,
        seen: false,
        reported: false,
    };
    let scores_count = !endpoint.unacceptable.is_empty() || !endpoint.failing_scores.is_empty();
    for day in looks.chunk_by(|one, other| one.day == other.day) {
        let gravity = |look: &&Look| (consequence(look, endpoint, scores_count), !look.closes(), look.reported);
        let gravest = if let [only] = day { Some(only) } else { day.iter().min_by_key(gravity) };
        let Some(look) = gravest else { continue };
        let what = consequence(look, endpoint, scores_count);
        if what != Consequence::None || look.closes() {
            let exit = dated(look, what, placed, followed.last_known_good, endpoint, reading);
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
                reported: look.reported,
            };
        }
        let found = look.day - placed;
        if day.iter().any(Look::shows_in_place) && found >= followed.last_known_good {
            followed.last_known_good = found;
            followed.exit = found;
            followed.seen = true;
        }
    }
    followed
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
    let mut runs = (0..histories.len()).step_by(RUN).map(|from| from..histories.len().min(from + RUN));
    let work = |(): &mut (), run: Range<usize>| -> (usize, Vec<Vec<Followed>>) {
        let mut followed: Vec<Vec<Followed>> = endpoints.iter().map(|_| Vec::with_capacity(run.len())).collect();
        for restoration in run.clone() {
            let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
            for (endpoint, followed) in endpoints.iter().zip(&mut followed) {
                followed.push(follow(histories.looks(restoration), placed, entry, endpoint, reading));
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
            last_known_good: Vec::with_capacity(histories.len()),
            first_known_failed: Vec::with_capacity(histories.len()),
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
            result.restoration.push(restoration as u32);
            result.last_known_good.push(followed.last_known_good);
            result.first_known_failed.push(followed.first_known_failed);
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
