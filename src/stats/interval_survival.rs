//! The nonparametric survival curve of interval-censored failures (Turnbull's estimate).
//!
//! Definition.  The masses on the innermost intervals (see `innermost`) that make ℓ = Σ w·ln P(left < T ≤ right) − Σ w·ln P(T > entry)
//!              largest.
//! Optimum.     Kuhn–Tucker: with g_j the derivative of ℓ in a mass, g_j ≤ Σ w everywhere. The gap, max g_j/n − 1, is reported, and below
//!              1e-9; ℓ is then within n·1e-9 of the largest. See `interval_ascent`.
//! Source.      Peto R. J R Stat Soc C 1973;22:86–91; Turnbull BW. J R Stat Soc B 1976;38:290–295; the optimum: Gentleman R, Geyer CJ.
//!              Biometrika 1994;81:618–623; with late entries: Frydman H. J R Stat Soc B 1994;56:71–74 (all from memory).
//! Decided.     Inside an innermost interval the data don't tell where the mass lies: survival there has a least and a largest value.
//!              Where the masses themselves aren't unique the least and the largest over all maxima are told; see `interval_unique`.
//!              In an open last interval that holds mass, and past it, survival is past the last follow-up.
//!              Exact and right-censored times give the product limit, delayed entries included.
//!              Delayed entries: the likelihood is conditional on not having failed by the entry, and may have several local maxima; the
//!              one climbed from a product limit is told. Survival is that of those in place at the smallest entry, if nobody is
//!              followed from the origin. Where all who could fail later entered later, survival is 0 from there on, or not
//!              known if those before were lost, and they take no part; the result says from where (`exhausted_at`), and how many.
//!              Intervals of confidence: see `interval_bootstrap`; there is no formula for the variance that holds in general.
//! Assumes.     Visits don't depend on the time of failure.
//! Cost.        O(records + ticks) to count, then some ten to thirty passes over the different intervals.
//! Not for.     Failures whose day is known: the product limit says the same with a variance. Causes that compete.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::innermost::Innermost;
use super::interval_ascent::{Ascent, GAP};
use super::interval_classes::{ClassWeights, IntervalClasses};
use super::interval_unique::determined;
use super::intervals::{Intervals, NOT_SEEN_TO_FAIL};
use crate::quantity::{Behind, Days, Fraction, Known, WhyNotKnown};

/// An innermost interval that holds mass.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InnermostInterval {
    /// Failure lies after this tick; exactly on it where `right` is the same.
    pub left: Days,
    /// Failure lies at or before this tick; none where the interval is open.
    pub right: Option<Days>,
    /// The part that fails in it.
    pub mass: f64,
    /// Whether every maximum of the likelihood gives it the same mass.
    pub determined: bool,
    /// Survival after it, the least in any maximum.
    pub least_after: Fraction,
    /// Survival after it, in the maximum that was found.
    pub survival_after: Fraction,
    /// Survival after it, the largest in any maximum.
    pub largest_after: Fraction,
}

/// A survival that is known only to lie between two values, both included.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurvivalRange {
    /// The least.
    pub least: Fraction,
    /// The largest.
    pub largest: Fraction,
}

/// The survival curve of interval-censored failures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalSurvival {
    /// The innermost intervals that hold mass in some maximum of the likelihood, in order.
    pub intervals: Vec<InnermostInterval>,
    /// How many innermost intervals there are.
    pub innermost_intervals: u64,
    /// Whether all masses are determined; with delayed entries, whether there is no other maximum near by.
    pub unique: bool,
    /// The largest log-likelihood.
    pub ln_likelihood: f64,
    /// The Kuhn–Tucker gap.
    pub gap: f64,
    /// Whether the gap is below 1e-9.
    pub converged: bool,
    /// Steps taken.
    pub iterations: u32,
    /// Where nobody who entered by then is left, so that survival is 0, or not known if they were lost, and what came later takes no
    /// part.
    pub exhausted_at: Option<Days>,
    /// The sum of the weights of those that take no part for that reason.
    pub past_exhaustion: f64,
    /// How many stand behind it; failures are all that are known to have happened.
    pub behind: Behind,
}

/// The survival curve of these records. Not known without any.
///
/// ```
/// use manebit::quantity::{Days, Known};
/// use manebit::stats::{Intervals, interval_survival};
///
/// // Three fillings: failed between days 1 and 3, between 2 and 5, and still in place on day 4.
/// let mut intervals = Intervals::default();
/// for (left, right) in [(1, Some(3)), (2, Some(5)), (4, None)] {
///     intervals.push(Days::new(0), Days::new(left), right.map(Days::new), 0)?;
/// }
/// let Known::Known(curve) = interval_survival(&intervals) else { panic!("three records") };
/// // Half fail in (2, 3], half in (4, 5].
/// assert!(curve.converged && curve.unique);
/// let survival = curve.survival_at(Days::new(3));
/// let range = survival.known().expect("followed");
/// assert!((range.least.value() - 0.5).abs() < 1e-9 && (range.largest.value() - 0.5).abs() < 1e-9);
/// # Ok::<(), manebit::stats::IntervalError>(())
/// ```
pub fn interval_survival(intervals: &Intervals) -> Known<IntervalSurvival> {
    if intervals.is_empty() {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let (classes, weights) = IntervalClasses::of(intervals);
    let fit = Fit::of(&classes, &weights, None);
    let behind = Behind {
        observations: intervals.len() as u64,
        clusters: intervals.clusters_present(),
        failures: intervals.failures(),
    };
    Known::Known(fit.result(behind))
}

/// Masses on the innermost intervals of some weighted classes.
pub(super) struct Fit {
    pub innermost: Innermost,
    pub runs: super::innermost::Runs,
    pub ascent: Ascent,
}

impl Fit {
    /// Of classes with a weight above 0, from a fit near by if there is one.
    pub(super) fn of(classes: &IntervalClasses, weights: &ClassWeights, near: Option<&Self>) -> Self {
        let (innermost, runs) = Innermost::of(classes, weights);
        let near = near.map(|near| near.carried_to(&innermost));
        let ascent = Ascent::of(&innermost, near.as_deref());
        Self { innermost, runs, ascent }
    }

    /// Its masses on other innermost intervals: each to the first that ends at or after its right end.
    fn carried_to(&self, other: &Innermost) -> Vec<f64> {
        let mut carried = vec![0.0; other.len()];
        let mut place = 0;
        for (&mass, &right) in self.ascent.mass.iter().zip(&self.innermost.right) {
            while place + 1 < other.len() && other.right[place] < right {
                place += 1;
            }
            if let Some(carried) = carried.get_mut(place) {
                *carried += mass;
            }
        }
        carried
    }

    /// Whether the gap is small enough.
    pub(super) fn converged(&self) -> bool {
        self.ascent.gap <= GAP
    }

    /// The curve, with how many stand behind it.
    pub(super) fn result(&self, behind: Behind) -> IntervalSurvival {
        let determined = determined(&self.innermost, &self.ascent);
        let tick = |place: u32| Days::new(i32::try_from(place / 2).unwrap_or(i32::MAX));
        let interval = |(k, &place): (usize, &usize)| {
            let right = self.innermost.right[place];
            let (least, largest) = (&determined.least, &determined.largest);
            let after = determined.places.get(k + 1).map_or(0.0, |&next| self.ascent.survival[next]);
            let moves = (largest[k] - least[k]).max(largest[k + 1] - least[k + 1]);
            InnermostInterval {
                left: tick(self.innermost.left[place]),
                right: (right != NOT_SEEN_TO_FAIL).then_some(Days::new(right)),
                mass: self.ascent.mass[place],
                determined: moves < 1e-8,
                least_after: Fraction::new(least[k + 1]),
                survival_after: Fraction::new(after),
                largest_after: Fraction::new(largest[k + 1]),
            }
        };
        let cut = self.innermost.past_exhaustion > 0.0;
        IntervalSurvival {
            intervals: determined.places.iter().enumerate().map(interval).collect(),
            innermost_intervals: self.innermost.len() as u64,
            unique: determined.unique,
            ln_likelihood: self.ascent.ln_likelihood(&self.innermost.edges),
            gap: self.ascent.gap,
            converged: self.converged(),
            iterations: self.ascent.iterations,
            exhausted_at: determined.places.last().filter(|_| cut).map(|&last| match self.innermost.right[last] {
                NOT_SEEN_TO_FAIL => tick(self.innermost.left[last]),
                right => Days::new(right),
            }),
            past_exhaustion: self.innermost.past_exhaustion,
            behind,
        }
    }
}

impl IntervalSurvival {
    /// Survival after a tick: the part that fails later than it.
    ///
    /// Not known in or past an open last interval that holds mass, and where the iterations didn't settle.
    pub fn survival_at(&self, tick: Days) -> Known<SurvivalRange> {
        if !self.converged {
            return Known::NotKnown(WhyNotKnown::NotConverged);
        }
        if self.open_from().is_some_and(|open| tick > open) {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        Known::Known(self.range_at(tick))
    }

    /// From where on survival is not known, if it is not 0 there.
    pub(super) fn open_from(&self) -> Option<Days> {
        self.intervals.last().filter(|last| last.right.is_none() && last.largest_mass() > 0.0).map(|last| last.left)
    }

    /// The same, also where it is not known.
    pub(super) fn range_at(&self, tick: Days) -> SurvivalRange {
        let ended = self.intervals.partition_point(|interval| interval.right.is_some_and(|right| right <= tick));
        let begun = self.intervals.partition_point(|interval| interval.begins_by(tick));
        let after = |count: usize| count.checked_sub(1).map(|last| self.intervals[last]);
        SurvivalRange {
            least: after(begun).map_or(Fraction::new(1.0), |interval| interval.least_after),
            largest: after(ended).map_or(Fraction::new(1.0), |interval| interval.largest_after),
        }
    }
}

impl InnermostInterval {
    /// Whether mass in it may lie at or before a tick.
    fn begins_by(&self, tick: Days) -> bool {
        self.left < tick || (self.left == tick && self.right == Some(self.left))
    }

    /// A mass that it holds in some maximum, or more.
    fn largest_mass(&self) -> f64 {
        if self.determined { self.mass } else { 1.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(records: &[(i32, i32, Option<i32>)]) -> IntervalSurvival {
        let mut intervals = Intervals::default();
        for &(entry, left, right) in records {
            intervals.push(Days::new(entry), Days::new(left), right.map(Days::new), 0).expect("in order");
        }
        match interval_survival(&intervals) {
            Known::Known(curve) => curve,
            Known::NotKnown(why) => panic!("{why:?}"),
        }
    }

    fn masses(curve: &IntervalSurvival) -> Vec<(i32, Option<i32>, f64)> {
        let of = |interval: &InnermostInterval| {
            (interval.left.count(), interval.right.map(Days::count), (interval.mass * 1e8).round() / 1e8)
        };
        curve.intervals.iter().map(of).collect()
    }

    #[test]
    fn one_record_holds_all_mass() {
        assert_eq!(masses(&curve(&[(0, 3, Some(9))])), [(3, Some(9), 1.0)]);
        assert_eq!(masses(&curve(&[(0, 0, Some(0))])), [(0, Some(0), 1.0)]);
        let open = curve(&[(0, 4, None)]);
        assert_eq!(masses(&open), [(4, None, 1.0)]);
        assert!(open.survival_at(Days::new(4)).known().is_some_and(|range| range.least == Fraction::new(1.0)));
        assert_eq!(open.survival_at(Days::new(5)), Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let (least, largest) = (Fraction::new(0.0), Fraction::new(1.0));
        let inside = curve(&[(0, 3, Some(9))]).survival_at(Days::new(5));
        assert_eq!(inside, Known::Known(SurvivalRange { least, largest }));
    }

    #[test]
    fn all_left_censored_and_all_right_censored_collapse_to_the_smallest() {
        assert_eq!(masses(&curve(&[(0, 0, Some(5)), (0, 0, Some(3)), (0, 0, Some(9))])), [(0, Some(3), 1.0)]);
        assert_eq!(masses(&curve(&[(0, 5, None), (0, 3, None), (0, 9, None)])), [(9, None, 1.0)]);
    }

    #[test]
    fn identical_nested_and_touching_intervals_by_hand() {
        assert_eq!(masses(&curve(&[(0, 2, Some(4)); 3])), [(2, Some(4), 1.0)]);
        assert_eq!(masses(&curve(&[(0, 1, Some(9)), (0, 2, Some(8)), (0, 4, Some(5))])), [(4, Some(5), 1.0)]);
        assert_eq!(
            masses(&curve(&[(0, 1, Some(3)), (0, 3, Some(5)), (0, 3, Some(5))])),
            [(1, Some(3), 0.333_333_33), (3, Some(5), 0.666_666_67),]
        );
        // An exact failure at the end of an interval draws its mass; one at its open left end doesn't.
        assert_eq!(masses(&curve(&[(0, 1, Some(3)), (0, 3, Some(3))])), [(3, Some(3), 1.0)]);
        assert_eq!(masses(&curve(&[(0, 3, Some(5)), (0, 3, Some(3))])), [(3, Some(3), 0.5), (3, Some(5), 0.5)]);
    }

    #[test]
    fn a_failure_on_tick_0_is_a_step_there() {
        let curve = curve(&[(0, 0, Some(0)), (0, 0, Some(4)), (0, 2, None), (0, 0, None)]);
        assert!(curve.survival_at(Days::new(0)).known().is_some_and(|range| (range.least.value() - 0.75).abs() < 1e-9));
    }
}
