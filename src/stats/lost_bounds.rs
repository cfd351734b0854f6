//! How far those lost to follow-up could move a survival: best case, worst case, and how many of them would tip it.
//!
//! Definition.  Best case: whoever was lost stays in place, at risk and without failing, up to the horizon. Worst case: whoever was
//!              lost fails on the tick after the one on which it was last seen. Everybody else is as observed. With l(u) lost on tick
//!              u, a product-limit estimate of each: best, n + Σ l before u at risk and d failed; worst, n + l(u−1) at risk and
//!              d + l(u−1) failed. The incidence of failure with competing endings likewise (Aalen–Johansen).
//! Tipping.     How many of the lost must fail right after they were last seen, the others staying in place, for S at the horizon to
//!              fall below a value: once when those last seen latest fail first, and once when those last seen earliest do. Without
//!              late entries a failure later in the course of the curve takes no less from it, so the first number is the fewest that
//!              can tip it, and the second is enough whichever of them fail. Late entries may turn the two around.
//! Assumes.     Nothing of those lost. Those censored but not lost (their follow-up was complete) tell nothing about failure.
//! Source.      Worst-case analysis is common practice in follow-up studies; the counts are worked out here.
//! Decided.     One is lost when it was censored before the closing tick, unless the caller says who was lost: where follow-up
//!              closes on one calendar day, each has a closing tick of its own. An observation that failed or met a competing
//!              ending is never lost, whatever the caller says. Past the last tick at risk in the best case nothing is known; one
//!              that was lost counts as at risk up to the horizon there. A case weight counts as so many.
//!              The cases bound what is estimated: in every course that those lost could have taken, each fails no earlier than in the
//!              worst case. The product-limit estimate of some other course may lie a little below that of the worst case, where
//!              few are at risk late: an estimate, not its target, is out of order there.
//! Cost.        O(observations + ticks) for all horizons; tipping O(observations + ticks·ln(lost)).
//! Not for.     Intervals: bounds say nothing of chance. Survival in the presence of competing endings treats those as censorings.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::causes::{left_of, ticks_of};
use super::observation::{Ending, Observations};
use crate::quantity::{Days, Fraction, Known, WhyNotKnown};

/// A number in the best case, as observed, and in the worst case.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaseBounds {
    /// Those lost stay in place.
    pub best: Fraction,
    /// Those lost count as censored.
    pub observed: Known<Fraction>,
    /// Those lost fail at once.
    pub worst: Fraction,
}

/// What those lost could do to the results at one horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LostBounds {
    /// The horizon.
    pub horizon: Days,
    /// The part that has not failed (product limit; competing endings censor).
    pub survival: CaseBounds,
    /// The part that has failed, with competing endings taking others away (Aalen–Johansen).
    pub cumulative_failure: CaseBounds,
    /// How many were last seen before the horizon and were lost.
    pub lost: u64,
    /// How many observations there are.
    pub observations: u64,
}

/// How many of the lost would tip a survival.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TippingPoint {
    /// The horizon.
    pub horizon: Days,
    /// The value that the survival would fall below.
    pub threshold: Fraction,
    /// How many were last seen before the horizon and were lost.
    pub lost: u64,
    /// How many of them must fail when those last seen latest fail first: 0 when the best case lies below the value. Not reached
    /// when even all don't suffice.
    pub latest_first: Known<u64>,
    /// How many must when those last seen earliest fail first.
    pub earliest_first: Known<u64>,
}

/// Who was lost: censored before the closing tick.
pub fn lost_before(observations: &Observations, closing: Days) -> Vec<bool> {
    let lost = |(&ending, &exit): (&Ending, &i32)| ending == Ending::Censored && exit < closing.count();
    observations.ending().iter().zip(observations.exit()).map(lost).collect()
}

/// Best and worst case at each horizon. `lost` says of each observation whether it was lost; those past its end were not.
///
/// Not known without observations, and where nobody is at risk any more even in the best case.
pub fn lost_bounds(observations: &Observations, lost: &[bool], horizons: &[Days]) -> Vec<Known<LostBounds>> {
    let course = Course::of(observations, lost);
    let bounds = |&horizon: &Days| {
        if observations.is_empty() {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        let lost = course.lost_before(horizon);
        let best = course.estimate(horizon, Fate::Stay);
        let observed = course.estimate(horizon, Fate::Censored);
        let worst = course.estimate(horizon, Fate::Fail);
        let beyond = horizon.count() > course.last_tick;
        // Past the last tick the curves stand only where somebody lost is taken to be there still, or where nobody is left.
        if beyond && lost == 0 && !observed.all_failed() {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let as_observed = |value: f64| {
            if beyond && !observed.all_failed() {
                Known::NotKnown(WhyNotKnown::PastLastFollowUp)
            } else {
                Known::Known(Fraction::new(value))
            }
        };
        Known::Known(LostBounds {
            horizon,
            survival: CaseBounds {
                best: Fraction::new(best.survival),
                observed: as_observed(observed.survival),
                worst: Fraction::new(worst.survival),
            },
            cumulative_failure: CaseBounds {
                best: Fraction::new(best.incidence),
                observed: as_observed(observed.incidence),
                worst: Fraction::new(worst.incidence),
            },
            lost,
            observations: observations.len() as u64,
        })
    };
    horizons.iter().map(bounds).collect()
}

/// How many of the lost would have to fail by the horizon for the survival to fall below `threshold`.
///
/// Not known without observations, nor past the last tick at risk when nobody was lost and not all have failed.
pub fn tipping_point(observations: &Observations, lost: &[bool], horizon: Days, threshold: Fraction) -> Known<TippingPoint> {
    if observations.is_empty() {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let course = Course::of(observations, lost);
    let total = course.lost_before(horizon);
    let beyond = horizon.count() > course.last_tick && total == 0;
    if beyond && !course.estimate(horizon, Fate::Censored).all_failed() {
        return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
    }
    let search = |first: First| {
        let below = |failing: u64| course.with_some_failing(horizon, failing, first) < threshold.value();
        if !below(total) {
            return Known::NotKnown(WhyNotKnown::NotReached);
        }
        let (mut enough, mut unknown_from) = (total, 0);
        while unknown_from < enough {
            let middle = unknown_from + (enough - unknown_from) / 2;
            if below(middle) {
                enough = middle;
            } else {
                unknown_from = middle + 1;
            }
        }
        Known::Known(enough)
    };
    Known::Known(TippingPoint {
        horizon,
        threshold,
        lost: total,
        latest_first: search(First::LastSeenLatest),
        earliest_first: search(First::LastSeenEarliest),
    })
}

/// What becomes of those lost.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Fate {
    Stay,
    Censored,
    Fail,
}

/// Which of the lost fail first.
#[derive(Clone, Copy, PartialEq, Eq)]
enum First {
    LastSeenLatest,
    LastSeenEarliest,
}

/// Sums of weights by tick.
struct Course {
    failed: Vec<f64>,
    competing: Vec<f64>,
    /// Neither failed nor competing nor lost.
    completed: Vec<f64>,
    entered: Vec<f64>,
    origin: f64,
    /// The weights of those lost on each tick, in the order of the records.
    lost: Vec<Vec<f64>>,
    last_tick: i32,
}

/// Survival and incidence at a horizon.
struct CaseEstimate {
    survival: f64,
    incidence: f64,
    event_free: f64,
}

impl CaseEstimate {
    fn all_failed(&self) -> bool {
        self.survival <= 0.0 || self.event_free <= 0.0
    }
}

impl Course {
    fn of(observations: &Observations, lost: &[bool]) -> Self {
        let ticks = ticks_of(observations);
        let blank = vec![0.0; ticks];
        let mut course = Self {
            failed: blank.clone(),
            competing: blank.clone(),
            completed: blank.clone(),
            entered: blank,
            origin: 0.0,
            lost: vec![Vec::new(); ticks],
            last_tick: observations.last_day().map_or(-1, Days::count),
        };
        for i in 0..observations.len() {
            let (entry, exit) = (observations.entry()[i] as usize, observations.exit()[i] as usize);
            let weight = observations.weight_of(i);
            if entry == 0 {
                course.origin += weight;
            } else {
                course.entered[entry] += weight;
            }
            match observations.ending()[i] {
                Ending::Failed => course.failed[exit] += weight,
                Ending::Competing => course.competing[exit] += weight,
                Ending::Censored if lost.get(i).copied().unwrap_or(false) => course.lost[exit].push(weight),
                Ending::Censored => course.completed[exit] += weight,
            }
        }
        course
    }

    /// How many were lost before a tick.
    fn lost_before(&self, horizon: Days) -> u64 {
        let before = usize::try_from(horizon.count()).unwrap_or(0).min(self.lost.len());
        self.lost[..before].iter().map(|lost| lost.len() as u64).sum()
    }

    fn estimate(&self, horizon: Days, fate: Fate) -> CaseEstimate {
        let lost = |tick: usize| self.lost[tick].iter().sum::<f64>();
        match fate {
            Fate::Fail => self.run(horizon, |tick| (lost(tick), 0.0)),
            Fate::Stay => self.run(horizon, |tick| (0.0, lost(tick))),
            Fate::Censored => self.run(horizon, |_| (0.0, 0.0)),
        }
    }

    /// S when so many of those lost before the horizon fail and the others stay.
    fn with_some_failing(&self, horizon: Days, failing: u64, first: First) -> f64 {
        let total = self.lost_before(horizon);
        let failing = failing.min(total);
        let mut seen = 0;
        let fates = |tick: usize| {
            let here = &self.lost[tick];
            let (before, after) = (seen, seen + here.len() as u64);
            seen = after;
            let fail_here = match first {
                First::LastSeenEarliest => failing.clamp(before, after) - before,
                First::LastSeenLatest => {
                    after.clamp(total - failing, total.max(after)).saturating_sub(before.max(total - failing))
                }
            };
            let split = usize::try_from(fail_here).unwrap_or(usize::MAX).min(here.len());
            let (fail, stay) = match first {
                First::LastSeenEarliest => here.split_at(split),
                First::LastSeenLatest => {
                    let (stay, fail) = here.split_at(here.len() - split);
                    (fail, stay)
                }
            };
            (fail.iter().sum(), stay.iter().sum())
        };
        self.run(horizon, fates).survival
    }

    /// Both estimates when, of those lost on each tick, some fail on the next and some stay; the rest is censored.
    fn run(&self, horizon: Days, mut fates: impl FnMut(usize) -> (f64, f64)) -> CaseEstimate {
        let mut estimate = CaseEstimate { survival: 1.0, incidence: 0.0, event_free: 1.0 };
        let last = usize::try_from(horizon.count()).unwrap_or(0);
        let (mut at_risk, mut fail_next) = (self.origin, 0.0);
        for tick in 0..=last.min(self.failed.len()) {
            let at = |column: &[f64]| column.get(tick).copied().unwrap_or(0.0);
            let (failed, competing) = (at(&self.failed) + fail_next, at(&self.competing));
            // Rounding of weights may leave fewer at risk than end.
            let n = f64::max(at_risk, failed + competing);
            if n > 0.0 {
                estimate.survival *= left_of(n, n - failed) / n;
                estimate.incidence += estimate.event_free * failed / n;
                estimate.event_free *= left_of(n, n - (failed + competing)) / n;
            }
            at_risk = n - failed - competing;
            fail_next = 0.0;
            if tick < self.failed.len() {
                let lost: f64 = self.lost[tick].iter().sum();
                let (fail, stay) = fates(tick);
                at_risk += at(&self.entered) - at(&self.completed) - (lost - fail - stay);
                fail_next = fail;
            }
        }
        estimate
    }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows::{self, each_alone};
    use super::*;

    #[test]
    fn five_rows_by_hand() {
        // By hand: failed on 2, lost on 3 and 5, failed on 6, in place on 8. Best at 8: 4/5 · 3/4 = 3/5. As observed: 4/5 · 1/2 = 2/5.
        // Worst: lost fail on 4 and 6: 4/5, 3/5, on 6 two of three: 1/5.
        let (failed, censored) = (Ending::Failed, Ending::Censored);
        let observations = each_alone(&[(2, failed), (3, censored), (5, censored), (6, failed), (8, censored)]);
        let lost = lost_before(&observations, Days::new(8));
        assert_eq!(lost, [false, true, true, false, false]);
        let bounds = lost_bounds(&observations, &lost, &[Days::new(8), Days::new(9)]);
        let at = bounds[0].known().expect("followed");
        let close = |value: Fraction, exact: f64| assert!((value.value() - exact).abs() < 1e-15, "absolute: {value:?}");
        close(at.survival.best, 0.6);
        close(*at.survival.observed.known().expect("followed"), 0.4);
        close(at.survival.worst, 0.2);
        close(at.cumulative_failure.best, 0.4);
        close(at.cumulative_failure.worst, 0.8);
        assert_eq!((at.lost, at.observations), (2, 5));
        let later = bounds[1].known().expect("two may still be there");
        assert_eq!(later.survival.observed, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    }

    #[test]
    fn tipping_by_hand() {
        // The same five. One more failing: the later one fails on 6, 4/5 · 2/4 = 2/5; the earlier one on 4: 4/5 · 3/4 · 2/3 = 2/5. Both: 1/5.
        let (failed, censored) = (Ending::Failed, Ending::Censored);
        let observations = each_alone(&[(2, failed), (3, censored), (5, censored), (6, failed), (8, censored)]);
        let lost = lost_before(&observations, Days::new(8));
        let tip = |threshold| {
            let tip = tipping_point(&observations, &lost, Days::new(8), Fraction::new(threshold));
            let tip = *tip.known().expect("followed");
            (tip.latest_first, tip.earliest_first)
        };
        assert_eq!(tip(0.7), (Known::Known(0), Known::Known(0)));
        assert_eq!(tip(0.5), (Known::Known(1), Known::Known(1)));
        assert_eq!(tip(0.3), (Known::Known(2), Known::Known(2)));
        assert_eq!(tip(0.1), (Known::NotKnown(WhyNotKnown::NotReached), Known::NotKnown(WhyNotKnown::NotReached)));
    }

    #[test]
    fn those_last_seen_latest_tip_first() {
        // By hand: lost on 1 and on 4, six whose follow-up was complete on 2, two in place on 9. One failing on 2 of ten: 9/10, the rest
        // stay. One failing on 5 of four: 3/4.
        let rows = [1, 4, 2, 2, 2, 2, 2, 2, 9, 9].map(|day| (day, Ending::Censored));
        let observations = each_alone(&rows);
        let mut lost = vec![false; 10];
        (lost[0], lost[1]) = (true, true);
        let tip = tipping_point(&observations, &lost, Days::new(9), Fraction::new(0.8));
        let tip = tip.known().expect("followed");
        assert_eq!((tip.latest_first, tip.earliest_first), (Known::Known(1), Known::Known(2)));
    }

    #[test]
    fn without_anybody_lost_the_bounds_meet() {
        let observations = ten_rows::pooled();
        for bounds in lost_bounds(&observations, &[], &[4, 7, 10].map(Days::new)) {
            let bounds = *bounds.known().expect("followed");
            assert_eq!(bounds.survival.best, bounds.survival.worst);
            assert_eq!(bounds.survival.observed, Known::Known(bounds.survival.worst));
            let both = bounds.survival.best.value() + bounds.cumulative_failure.best.value();
            assert!((both - 1.0).abs() < 1e-15, "absolute: no competing endings");
        }
        let beyond = lost_bounds(&observations, &[], &[Days::new(11)]);
        assert_eq!(beyond[0], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let none = Observations::default();
        assert_eq!(lost_bounds(&none, &[], &[Days::new(0)])[0], Known::NotKnown(WhyNotKnown::NoObservations));
        let tip = tipping_point(&none, &[], Days::new(0), Fraction::new(0.5));
        assert_eq!(tip, Known::NotKnown(WhyNotKnown::NoObservations));
    }

    #[test]
    fn whoever_failed_was_not_lost() {
        let observations = ten_rows::all_fail();
        let bounds = lost_bounds(&observations, &[true; 3], &[Days::new(2)]);
        let bounds = bounds[0].known().expect("followed");
        assert_eq!((bounds.lost, bounds.survival.best), (0, bounds.survival.worst));
    }
}
