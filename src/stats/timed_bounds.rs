//! Bounds on times to failure, in real units: known exactly, between two looks, not yet at the last look, or before the first one.
//!
//! Definition.  A row says that its time T lies in (lower, upper]. Both equal: it failed at exactly that time. Upper infinite: it was
//!              in place at `lower` when last seen (right-censored). Lower 0: it had failed by `upper` (left-censored). An entry above
//!              0: it came under observation only then, so T is known to be later, and rows like it that failed before were never
//!              seen (delayed entry).
//! Decided.     A failure at exactly 0 is refused by name: models of ln T have no place for it. It is read as a failure within the
//!              first tick only where that is asked for. A lower bound before the entry is raised to it, which says the same. A row
//!              that ends at its late entry was never at risk and is refused; one censored at 0 says nothing and is taken.
//!              A case weight says how many like it a row stands for; weights are kept only where one differs from 1.
//! Cost.        Columns; 28 bytes a row, 36 with weights.
//! Not for.     Rank statistics, which need the order of times alone: see `observation`.

use std::fmt;

use super::axis::Axis;
use super::observation::{Ending, Observations};

/// Why bounds were refused.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TimedBoundsError {
    /// A bound or the entry is not a number, or the lower bound or the entry is infinite.
    NotANumber,
    /// A bound or the entry lies before the time origin.
    BeforeOrigin(f64),
    /// The upper bound lies before the lower one.
    UpperBeforeLower {
        /// The lower bound.
        lower: f64,
        /// The upper bound.
        upper: f64,
    },
    /// It failed at exactly 0, whose logarithm is no number; a failure early in the first day is one between 0 and 1.
    FailedAtOrigin,
    /// It ends at or before its late entry at this time, so it was never at risk.
    NoTimeAtRisk(f64),
    /// Its case weight is not a finite number above 0.
    WeightNotAboveZero,
    /// Columns differ in length.
    LengthsDiffer,
}

impl fmt::Display for TimedBoundsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotANumber => write!(f, "a bound of a time is no finite number"),
            Self::BeforeOrigin(time) => write!(f, "a bound of a time, {time}, lies before the time origin"),
            Self::UpperBeforeLower { lower, upper } => {
                write!(f, "the upper bound of a time, {upper}, lies before the lower one, {lower}")
            }
            Self::FailedAtOrigin => {
                write!(
                    f,
                    "a failure at exactly 0 has no logarithm of time; give it as one between 0 and the first time known"
                )
            }
            Self::NoTimeAtRisk(entry) => write!(f, "an observation ends at or before its entry at {entry}"),
            Self::WeightNotAboveZero => write!(f, "a case weight is not a number above 0"),
            Self::LengthsDiffer => write!(f, "columns of bounds differ in length"),
        }
    }
}

impl std::error::Error for TimedBoundsError {}

/// Bounds that were refused, and where.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RefusedBounds {
    /// The row, from 0.
    pub row: usize,
    /// Why.
    pub why: TimedBoundsError,
}

impl fmt::Display for RefusedBounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "row {}: {}", self.row, self.why)
    }
}

impl std::error::Error for RefusedBounds {}

/// How a failure on tick 0 is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OriginFailures {
    /// It is refused.
    #[default]
    Refused,
    /// It failed between the origin and the first tick after it.
    WithinFirstTick,
}

/// Bounds on times to failure, row by row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TimedBounds {
    entry: Vec<f64>,
    lower: Vec<f64>,
    upper: Vec<f64>,
    cluster: Vec<u32>,
    weights: Vec<f64>,
}

impl TimedBounds {
    /// Adds a row that was under observation from the origin.
    ///
    /// # Errors
    ///
    /// When the bounds are no times in order, or it failed at exactly 0.
    pub fn push(&mut self, lower: f64, upper: f64, cluster: u32) -> Result<(), TimedBoundsError> {
        self.push_weighted(0.0, lower, upper, cluster, 1.0)
    }

    /// Adds a row that came under observation at `entry` (0 for the origin), with a case weight.
    ///
    /// # Errors
    ///
    /// When the bounds are no times in order, it failed at exactly 0, was never at risk, or its weight is not above 0.
    pub fn push_weighted(
        &mut self,
        entry: f64,
        lower: f64,
        upper: f64,
        cluster: u32,
        weight: f64,
    ) -> Result<(), TimedBoundsError> {
        if !entry.is_finite() || !lower.is_finite() || upper.is_nan() {
            return Err(TimedBoundsError::NotANumber);
        }
        let least = entry.min(lower).min(upper);
        if least < 0.0 {
            return Err(TimedBoundsError::BeforeOrigin(least));
        }
        if upper < lower {
            return Err(TimedBoundsError::UpperBeforeLower { lower, upper });
        }
        if upper <= 0.0 {
            return Err(TimedBoundsError::FailedAtOrigin);
        }
        if entry > 0.0 && (upper <= entry || (upper.is_infinite() && lower <= entry)) {
            return Err(TimedBoundsError::NoTimeAtRisk(entry));
        }
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(TimedBoundsError::WeightNotAboveZero);
        }
        let is_one = (weight - 1.0).abs() <= 0.0;
        if !is_one && self.weights.is_empty() {
            self.weights = vec![1.0; self.lower.len()];
        }
        if !is_one || !self.weights.is_empty() {
            self.weights.push(weight);
        }
        self.entry.push(entry.abs());
        self.lower.push(lower.max(entry).abs());
        self.upper.push(upper);
        self.cluster.push(cluster);
        Ok(())
    }

    /// Rows from columns; without `entry` all were under observation from the origin, without `weights` all weigh 1.
    ///
    /// # Errors
    ///
    /// When columns differ in length, and as [`push_weighted`](Self::push_weighted), with the row.
    pub fn of_columns(
        entry: Option<&[f64]>,
        lower: &[f64],
        upper: &[f64],
        cluster: &[u32],
        weights: Option<&[f64]>,
    ) -> Result<Self, RefusedBounds> {
        let n = lower.len();
        let fits = |length: Option<usize>| length.is_none_or(|length| length == n);
        if upper.len() != n || cluster.len() != n || !fits(entry.map(<[f64]>::len)) || !fits(weights.map(<[f64]>::len)) {
            return Err(RefusedBounds { row: 0, why: TimedBoundsError::LengthsDiffer });
        }
        let mut bounds = Self::default();
        for row in 0..n {
            let (entry, weight) = (entry.map_or(0.0, |entry| entry[row]), weights.map_or(1.0, |weights| weights[row]));
            bounds
                .push_weighted(entry, lower[row], upper[row], cluster[row], weight)
                .map_err(|why| RefusedBounds { row, why })?;
        }
        Ok(bounds)
    }

    /// The rows of observations: failures as exact times, all other endings as right-censored, in the unit of the axis.
    ///
    /// # Errors
    ///
    /// For a failure on tick 0, unless it may be read as one within the first tick; the row is that of the observations.
    pub fn of_observations(observations: &Observations, axis: &Axis, origin: OriginFailures) -> Result<Self, RefusedBounds> {
        let mut bounds = Self::default();
        for row in 0..observations.len() {
            let (entry, exit) = (axis.time(observations.entry()[row]), axis.time(observations.exit()[row]));
            let (lower, upper) = match observations.ending()[row] {
                Ending::Failed if exit <= 0.0 && origin == OriginFailures::WithinFirstTick => (0.0, axis.time(1)),
                Ending::Failed => (exit, exit),
                Ending::Competing | Ending::Censored => (exit, f64::INFINITY),
            };
            bounds
                .push_weighted(entry, lower, upper, observations.cluster()[row], observations.weight_of(row))
                .map_err(|why| RefusedBounds { row, why })?;
        }
        Ok(bounds)
    }

    /// Times of entry; 0 where under observation from the origin.
    pub fn entry(&self) -> &[f64] {
        &self.entry
    }

    /// Lower bounds.
    pub fn lower(&self) -> &[f64] {
        &self.lower
    }

    /// Upper bounds; infinite where right-censored.
    pub fn upper(&self) -> &[f64] {
        &self.upper
    }

    /// Clusters.
    pub fn cluster(&self) -> &[u32] {
        &self.cluster
    }

    /// Case weights, where one differs from 1.
    pub fn weights(&self) -> Option<&[f64]> {
        (!self.weights.is_empty()).then_some(&self.weights)
    }

    /// The case weight of a row.
    pub fn weight_of(&self, row: usize) -> f64 {
        self.weights.get(row).copied().unwrap_or(1.0)
    }

    /// How many rows there are.
    pub fn len(&self) -> usize {
        self.lower.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.lower.is_empty()
    }

    /// One more than the highest cluster.
    pub fn clusters(&self) -> u32 {
        self.cluster.iter().max().map_or(0, |&cluster| cluster + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    const NEVER: f64 = f64::INFINITY;

    #[test]
    fn what_is_no_bound_is_refused_by_name() {
        let refused = |entry, lower, upper| TimedBounds::default().push_weighted(entry, lower, upper, 0, 1.0);
        assert_eq!(refused(0.0, 0.0, 0.0), Err(TimedBoundsError::FailedAtOrigin));
        assert_eq!(refused(0.0, 2.0, 1.0), Err(TimedBoundsError::UpperBeforeLower { lower: 2.0, upper: 1.0 }));
        assert_eq!(refused(0.0, -1.0, 1.0), Err(TimedBoundsError::BeforeOrigin(-1.0)));
        assert_eq!(refused(3.0, 3.0, NEVER), Err(TimedBoundsError::NoTimeAtRisk(3.0)));
        assert_eq!(refused(3.0, 3.0, 3.0), Err(TimedBoundsError::NoTimeAtRisk(3.0)));
        assert_eq!(refused(0.0, f64::NAN, 3.0), Err(TimedBoundsError::NotANumber));
        assert_eq!(refused(0.0, NEVER, NEVER), Err(TimedBoundsError::NotANumber));
        assert_eq!(TimedBounds::default().push_weighted(0.0, 1.0, 1.0, 0, 0.0), Err(TimedBoundsError::WeightNotAboveZero));
        assert_eq!(refused(0.0, 0.0, NEVER), Ok(()));
        let uneven = TimedBounds::of_columns(None, &[1.0], &[1.0, 2.0], &[0], None);
        assert_eq!(uneven, Err(RefusedBounds { row: 0, why: TimedBoundsError::LengthsDiffer }));
    }

    #[test]
    fn a_lower_bound_before_the_entry_is_raised_and_weights_are_kept_where_one_differs() {
        let mut bounds = TimedBounds::default();
        bounds.push(1.0, 1.0, 0).expect("a failure");
        assert_eq!(bounds.weights(), None);
        bounds.push_weighted(2.0, 0.0, 5.0, 3, 2.0).expect("an interval");
        assert_eq!((bounds.lower(), bounds.upper()), ([1.0, 2.0].as_slice(), [1.0, 5.0].as_slice()));
        assert_eq!((bounds.weights(), bounds.clusters()), (Some([1.0, 2.0].as_slice()), 4));
    }

    #[test]
    fn observations_are_read_on_their_axis() {
        let mut observations = Observations::default();
        for (entry, exit, ending) in [(0, 0, Ending::Failed), (0, 2, Ending::Competing), (1, 2, Ending::Failed)] {
            observations.push(Days::new(entry), Days::new(exit), ending, 0).expect("in order");
        }
        let axis = Axis::listing([0.5, 1.5]);
        let refused = TimedBounds::of_observations(&observations, &axis, OriginFailures::Refused);
        assert_eq!(refused, Err(RefusedBounds { row: 0, why: TimedBoundsError::FailedAtOrigin }));
        let bounds =
            TimedBounds::of_observations(&observations, &axis, OriginFailures::WithinFirstTick).expect("all have a place");
        assert_eq!(bounds.entry(), [0.0, 0.0, 0.5]);
        assert_eq!(bounds.lower(), [0.0, 1.5, 1.5]);
        assert_eq!(bounds.upper(), [0.5, NEVER, 1.5]);
    }
}
