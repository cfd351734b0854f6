//! What is read from a curve of interval-censored failures: the time by which a part has failed, and the restricted mean.
//!
//! Definition.  Quantile: the first tick t with S(t) ≤ 1 − p lies after the left end of the first innermost interval after which the least
//!              survival is that low, and at or before the right end of the first after which the largest is.
//!              Restricted mean: ∫ S(u) du from 0 to the horizon. Least with all mass at the left ends of its intervals, largest at the
//!              right ends (cut at the horizon).
//! Decided.     Masses are known to some 1e-9, so two survivals count as equal when they differ by less than that. Where S is 1 − p on a
//!              stretch every tick of it is as good a quantile; its end stands beside the value. Not known where the curve is past the
//!              last follow-up. Where masses aren't unique the bounds are those over all maxima of the likelihood.
//! Cost.        One pass over the innermost intervals.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::interval_survival::{InnermostInterval, IntervalSurvival};
use crate::quantity::{Days, Fraction, Known, WhyNotKnown};

/// Survivals that differ by less are equal.
const EQUAL: f64 = 1e-9;

/// The time by which a part has failed, as far as intervals tell.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalQuantile {
    /// The part that has failed.
    pub failed_part: Fraction,
    /// It had not failed yet on this tick, or before it; exactly on it where `by` is the same.
    pub after: Known<Days>,
    /// It has failed by this tick.
    pub by: Known<Days>,
    /// Where survival stays exactly at this level for a while: the earliest tick after which it can go on down.
    pub flat_until: Option<Days>,
}

/// Mean time in place up to a horizon, as far as intervals tell, in the unit of an axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestrictedMeanRange {
    /// The time up to which time is counted.
    pub horizon: f64,
    /// The mean if each failed as early as its innermost interval lets it.
    pub least: f64,
    /// The mean if each failed as late.
    pub largest: f64,
}

impl IntervalSurvival {
    /// The time by which the part `failed_part` has failed.
    pub fn quantile(&self, failed_part: Fraction) -> IntervalQuantile {
        let target = failed_part.complement().value();
        let low = |survival: Fraction| survival.value() <= target + EQUAL;
        let none = Known::NotKnown(if self.converged { WhyNotKnown::NotReached } else { WhyNotKnown::NotConverged });
        let mut quantile = IntervalQuantile { failed_part, after: none, by: none, flat_until: None };
        if !self.converged {
            return quantile;
        }
        let first = |survival: &dyn Fn(&InnermostInterval) -> Fraction| {
            self.intervals.iter().position(|interval| low(survival(interval)))
        };
        let earliest = first(&|interval| interval.least_after);
        let latest = first(&|interval| interval.largest_after);
        if let Some(interval) = earliest.map(|k| self.intervals[k]) {
            quantile.after = Known::Known(interval.left);
        }
        if let Some(right) = latest.and_then(|k| self.intervals[k].right) {
            quantile.by = Known::Known(right);
        }
        quantile.flat_until = latest
            .filter(|&k| earliest == latest && target > 0.0 && self.intervals[k].least_after.value() >= target - EQUAL)
            .and_then(|k| self.intervals[k + 1..].iter().find(|next| next.mass > 0.0))
            .map(|next| next.left);
        quantile
    }

    /// Mean time in place up to a horizon, in days.
    pub fn restricted_mean(&self, horizon: Days) -> Known<RestrictedMeanRange> {
        self.restricted_mean_on(&Axis::Days, f64::from(horizon.count()))
    }

    /// Mean time in place up to a horizon, on any axis. Not known past the last follow-up, unless nobody is left by then.
    pub fn restricted_mean_on(&self, axis: &Axis, horizon: f64) -> Known<RestrictedMeanRange> {
        if horizon.is_nan() {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        if !self.converged {
            return Known::NotKnown(WhyNotKnown::NotConverged);
        }
        if self.open_from().is_some_and(|open| horizon > axis.time(open.count())) {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let end = horizon.max(0.0);
        let area = |step: &dyn Fn(&InnermostInterval) -> (Option<Days>, Fraction)| {
            let (mut area, mut from, mut survival) = (0.0, 0.0, 1.0);
            for interval in &self.intervals {
                let (tick, after) = step(interval);
                let to = tick.map_or(end, |tick| axis.time(tick.count()).min(end));
                area += survival * (to - from);
                (from, survival) = (to, after.value());
            }
            area + survival * (end - from)
        };
        let least = area(&|interval| (Some(interval.left), interval.least_after));
        let largest = area(&|interval| (interval.right, interval.largest_after));
        Known::Known(RestrictedMeanRange { horizon, least, largest })
    }
}

#[cfg(test)]
mod tests {
    use super::super::interval_survival::interval_survival;
    use super::super::intervals::Intervals;
    use super::*;

    /// By hand: half of the mass in (2, 4], half in (6, 9].
    fn halves() -> IntervalSurvival {
        let mut intervals = Intervals::default();
        for (left, right) in [(2, 4), (6, 9), (1, 4), (6, 10)] {
            intervals.push(Days::new(0), Days::new(left), Some(Days::new(right)), 0).expect("in order");
        }
        match interval_survival(&intervals) {
            Known::Known(curve) => curve,
            Known::NotKnown(why) => panic!("{why:?}"),
        }
    }

    #[test]
    fn quantiles_tell_both_ends_and_the_stretch() {
        let day = |day| Known::Known(Days::new(day));
        let quantile = |part| halves().quantile(Fraction::new(part));
        let (median, most) = (quantile(0.5), quantile(0.7));
        assert_eq!((median.after, median.by, median.flat_until), (day(2), day(4), Some(Days::new(6))));
        assert_eq!((most.after, most.by, most.flat_until), (day(6), day(9), None));
    }

    #[test]
    fn the_restricted_mean_by_hand() {
        // To 8: least 2 + 4/2 = 4; largest 4 + 4/2 = 6. To 20: 2 + 4/2 = 4 and 4 + 5/2 = 6.5.
        for (horizon, least, largest) in [(8, 4.0, 6.0), (20, 4.0, 6.5), (0, 0.0, 0.0), (3, 2.5, 3.0)] {
            let mean = halves().restricted_mean(Days::new(horizon));
            let mean = mean.known().expect("all failed");
            assert!((mean.least - least).abs() < 1e-8 && (mean.largest - largest).abs() < 1e-8, "absolute: {mean:?}");
        }
    }
}
