//! Failures known only to lie between two ticks: last seen in place, and first seen to have failed.
//!
//! Definition.  A failure with left end l and right end r happened in (l, r]: after l and at or before r. With l = r it happened
//!              exactly on that tick. Without a right end it was never seen: right-censored at l, that is in (l, ∞). Left-censored
//!              means l = 0. With a delayed entry e > 0, one comes under observation only because it had not failed by e: its
//!              failure lies in (e, ∞) to begin with (left truncation).
//! Decided.     On a tick, failures come before censorings, as everywhere here: censored on a tick is in place after it. A failure on
//!              the tick of the origin itself is exact, l = r = 0; (0, r] does not hold it. An exact failure on t and one in
//!              (t − 1, t] are not the same, for on a listed [`Axis`](super::Axis) time passes between two ticks.
//!              An ending that makes failure impossible has no place here: enter it as right-censored if that is meant.
//! Cost.        Columns; 12 bytes a record, 4 more with delayed entries and 8 more with weights.

use std::fmt;

use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, LONGEST_FOLLOW_UP, Observations, count_clusters};
use crate::quantity::Days;

/// In the column of right ends: not seen to fail.
pub const NOT_SEEN_TO_FAIL: i32 = i32::MAX;

/// Why a record was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IntervalError {
    /// Its left end lies before the time origin, on this day.
    LeftBeforeOrigin(Days),
    /// It enters before the time origin, on this day.
    EntryBeforeOrigin(Days),
    /// Its right end lies before its left end.
    RightBeforeLeft {
        /// Last seen in place.
        left: Days,
        /// First seen to have failed.
        right: Days,
    },
    /// It could have failed before it came under observation.
    LeftBeforeEntry {
        /// Day of entry.
        entry: Days,
        /// Last seen in place.
        left: Days,
    },
    /// It came under observation late and failed exactly on that day, so it was never at risk.
    NoTimeAtRisk(Days),
    /// It ends later than [`LONGEST_FOLLOW_UP`], on this day.
    TooLong(Days),
    /// Its case weight is not a number above 0.
    WeightNotAboveZero,
}

impl fmt::Display for IntervalError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LeftBeforeOrigin(day) => write!(f, "a record starts on day {}, before the time origin", day.count()),
            Self::EntryBeforeOrigin(day) => write!(f, "a record enters on day {}, before the time origin", day.count()),
            Self::RightBeforeLeft { left, right } => {
                write!(f, "a record failed by day {}, but was in place on day {}", right.count(), left.count())
            }
            Self::LeftBeforeEntry { entry, left } => {
                write!(f, "a record last seen in place on day {} entered later, on day {}", left.count(), entry.count())
            }
            Self::NoTimeAtRisk(day) => {
                write!(f, "a record enters and fails on day {}, so it was never at risk", day.count())
            }
            Self::TooLong(day) => {
                let longest = LONGEST_FOLLOW_UP.count();
                write!(f, "a record ends on day {}; the longest follow-up taken is {longest} days", day.count())
            }
            Self::WeightNotAboveZero => write!(f, "a case weight is not a number above 0"),
        }
    }
}

impl std::error::Error for IntervalError {}

/// Interval-censored failures in columns, in the order in which they were added.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Intervals {
    left: Vec<i32>,
    right: Vec<i32>,
    /// Empty while all are followed from the origin.
    entry: Vec<i32>,
    cluster: Vec<u32>,
    clusters: u32,
    /// Empty while every weight is 1.
    weight: Vec<f64>,
    /// The largest tick that occurs; 0 without records.
    last: i32,
}

impl Intervals {
    /// No records yet, with room for `capacity` of them.
    pub fn with_capacity(capacity: usize) -> Self {
        Self {
            left: Vec::with_capacity(capacity),
            right: Vec::with_capacity(capacity),
            cluster: Vec::with_capacity(capacity),
            ..Self::default()
        }
    }

    /// Adds a record: entered on `entry` (0 for the origin), last seen in place on `left`, first seen to have failed on `right`, if
    /// ever. `cluster` numbers the independent pieces densely from 0.
    ///
    /// # Errors
    ///
    /// When an end or the entry lies before the origin, the right end before the left, the left before the entry, an end past
    /// [`LONGEST_FOLLOW_UP`], or when one that entered late failed exactly on its day of entry. Nothing is added then.
    pub fn push(&mut self, entry: Days, left: Days, right: Option<Days>, cluster: u32) -> Result<(), IntervalError> {
        let last = right.map_or(left, |right| right.max(left));
        if last > LONGEST_FOLLOW_UP {
            return Err(IntervalError::TooLong(last));
        }
        self.push_weighted(entry, left, right, cluster, 1.0)
    }

    /// Every `stride`th record, from the first on.
    #[must_use]
    pub fn every(&self, stride: usize) -> Self {
        fn thinned<T: Copy>(column: &[T], stride: usize) -> Vec<T> {
            column.iter().step_by(stride).copied().collect()
        }
        let stride = stride.max(1);
        let (left, right) = (thinned(&self.left, stride), thinned(&self.right, stride));
        let last = left.iter().chain(right.iter().filter(|right| **right != NOT_SEEN_TO_FAIL)).copied().max().unwrap_or(0);
        Self {
            left,
            right,
            entry: thinned(&self.entry, stride),
            cluster: thinned(&self.cluster, stride),
            clusters: self.clusters,
            weight: thinned(&self.weight, stride),
            last,
        }
    }

    /// As [`push`](Self::push), with a case weight, and with ticks of any axis: however long.
    ///
    /// # Errors
    ///
    /// As those of [`push`](Self::push), but for the longest follow-up, which is a tick short of [`NOT_SEEN_TO_FAIL`]; and when the
    /// weight is not a number above 0.
    pub fn push_weighted(
        &mut self,
        entry: Days,
        left: Days,
        right: Option<Days>,
        cluster: u32,
        weight: f64,
    ) -> Result<(), IntervalError> {
        if left.count() < 0 {
            return Err(IntervalError::LeftBeforeOrigin(left));
        }
        if entry.count() < 0 {
            return Err(IntervalError::EntryBeforeOrigin(entry));
        }
        if left < entry {
            return Err(IntervalError::LeftBeforeEntry { entry, left });
        }
        if let Some(right) = right {
            if right < left {
                return Err(IntervalError::RightBeforeLeft { left, right });
            }
            if right == left && left == entry && entry.count() > 0 {
                return Err(IntervalError::NoTimeAtRisk(right));
            }
        }
        let last = right.unwrap_or(left);
        if last.count() == NOT_SEEN_TO_FAIL {
            return Err(IntervalError::TooLong(last));
        }
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(IntervalError::WeightNotAboveZero);
        }
        let right = right.map_or(NOT_SEEN_TO_FAIL, Days::count);
        self.push_checked(entry.count(), left.count(), right, cluster, weight);
        Ok(())
    }

    fn push_checked(&mut self, entry: i32, left: i32, right: i32, cluster: u32, weight: f64) {
        if entry > 0 && self.entry.is_empty() {
            self.entry.resize(self.left.len(), 0);
        }
        if entry > 0 || !self.entry.is_empty() {
            self.entry.push(entry);
        }
        let plain = weight.to_bits() == 1.0_f64.to_bits();
        if !plain && self.weight.is_empty() {
            self.weight.resize(self.left.len(), 1.0);
        }
        if !plain || !self.weight.is_empty() {
            self.weight.push(weight);
        }
        self.last = self.last.max(if right == NOT_SEEN_TO_FAIL { left } else { right });
        self.left.push(left);
        self.right.push(right);
        self.cluster.push(cluster);
        self.clusters = self.clusters.max(cluster.saturating_add(1));
    }

    /// Observations whose days of failure are known: exact where they failed, right-censored where they did not.
    pub fn of_observations(observations: &Observations) -> Self {
        let mut intervals = Self::with_capacity(observations.len());
        for i in 0..observations.len() {
            let (exit, failed) = (observations.exit()[i], observations.ending()[i] == Ending::Failed);
            let right = if failed { exit } else { NOT_SEEN_TO_FAIL };
            let (entry, cluster) = (observations.entry()[i], observations.cluster()[i]);
            intervals.push_checked(entry, exit, right, cluster, observations.weight_of(i));
        }
        intervals
    }

    /// The records of each level of a grouping, in their order; cluster indices stay what they are. Those without a group are left
    /// out, and so are those past the end of the grouping's codes.
    pub fn by_group(&self, grouping: &Grouping) -> Vec<Self> {
        let mut groups = vec![Self::default(); usize::from(grouping.levels())];
        for (i, &code) in grouping.codes().iter().take(self.len()).enumerate() {
            if code != NO_GROUP {
                let (entry, weight) = (self.entry_of(i), self.weight_of(i));
                groups[usize::from(code)].push_checked(entry, self.left[i], self.right[i], self.cluster[i], weight);
            }
        }
        groups
    }

    /// These of the records, in this order.
    pub(super) fn only(&self, kept: &[usize]) -> Self {
        let mut part = Self::with_capacity(kept.len());
        for &i in kept {
            part.push_checked(self.entry_of(i), self.left[i], self.right[i], self.cluster[i], self.weight_of(i));
        }
        part
    }

    /// When each was last seen in place; for an exact failure, its tick.
    pub fn left(&self) -> &[i32] {
        &self.left
    }

    /// When each was first seen to have failed, or [`NOT_SEEN_TO_FAIL`].
    pub fn right(&self) -> &[i32] {
        &self.right
    }

    /// Ticks of entry; none when all are followed from the origin.
    pub fn entries(&self) -> Option<&[i32]> {
        (!self.entry.is_empty()).then_some(&self.entry)
    }

    /// The tick of entry of one record; 0 for the origin.
    pub fn entry_of(&self, index: usize) -> i32 {
        self.entry.get(index).copied().unwrap_or(0)
    }

    /// The index of each one's cluster.
    pub fn cluster(&self) -> &[u32] {
        &self.cluster
    }

    /// One more than the largest cluster index.
    pub fn clusters(&self) -> u32 {
        self.clusters
    }

    /// How many different clusters have at least one record here.
    pub fn clusters_present(&self) -> u64 {
        count_clusters(self.cluster.iter().copied(), self.clusters as usize)
    }

    /// Case weights; none when every one is 1.
    pub fn weights(&self) -> Option<&[f64]> {
        (!self.weight.is_empty()).then_some(&self.weight)
    }

    /// The case weight of one record.
    pub fn weight_of(&self, index: usize) -> f64 {
        self.weight.get(index).copied().unwrap_or(1.0)
    }

    /// How many are known to have failed.
    pub fn failures(&self) -> u64 {
        self.right.iter().filter(|&&right| right != NOT_SEEN_TO_FAIL).count() as u64
    }

    /// How many records.
    pub fn len(&self) -> usize {
        self.left.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.left.is_empty()
    }

    /// The largest tick that occurs; none when there are no records.
    pub fn last_day(&self) -> Option<Days> {
        (!self.is_empty()).then_some(Days::new(self.last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_records_are_refused_and_add_nothing() {
        let mut intervals = Intervals::default();
        let mut push =
            |entry, left, right: Option<i32>| intervals.push(Days::new(entry), Days::new(left), right.map(Days::new), 0);
        let day = Days::new;
        assert_eq!(push(0, -1, None), Err(IntervalError::LeftBeforeOrigin(day(-1))));
        assert_eq!(push(-2, 1, None), Err(IntervalError::EntryBeforeOrigin(day(-2))));
        assert_eq!(push(0, 4, Some(3)), Err(IntervalError::RightBeforeLeft { left: day(4), right: day(3) }));
        assert_eq!(push(5, 4, None), Err(IntervalError::LeftBeforeEntry { entry: day(5), left: day(4) }));
        assert_eq!(push(5, 5, Some(5)), Err(IntervalError::NoTimeAtRisk(day(5))));
        assert_eq!(push(0, 5, Some(100_001)), Err(IntervalError::TooLong(day(100_001))));
        assert_eq!((push(0, 0, Some(0)), push(5, 5, Some(6)), push(0, 9, None)), (Ok(()), Ok(()), Ok(())));
        assert_eq!((intervals.len(), intervals.failures(), intervals.last_day()), (3, 2, Some(day(9))));
        assert_eq!((intervals.entries(), intervals.right()[2]), (Some(&[0, 5, 0][..]), NOT_SEEN_TO_FAIL));
    }

    #[test]
    fn every_third_record_is_what_was_pushed_third() {
        let (mut all, mut third) = (Intervals::default(), Intervals::default());
        for n in 0..10_u32 {
            let (entry, left) = (Days::new(i32::try_from(n / 4).unwrap_or(0)), Days::new(i32::try_from(n + 5).unwrap_or(0)));
            let right = (n % 2 == 0).then_some(Days::new(30 - i32::try_from(n).unwrap_or(0)));
            all.push(entry, left, right, n % 3).expect("in order");
            if n % 3 == 0 {
                third.push(entry, left, right, n % 3).expect("in order");
            }
        }
        let found = all.every(3);
        assert_eq!((found.left(), found.right(), found.entries()), (third.left(), third.right(), third.entries()));
        assert_eq!((found.last_day(), found.len()), (third.last_day(), 4));
        assert_eq!(all.every(1), all);
        assert_eq!(all.every(0), all);
    }

    #[test]
    fn observations_become_exact_failures_and_open_ends() {
        let mut observations = Observations::default();
        observations.push_weighted(day(2), day(7), Ending::Failed, 3, 2.0).expect("in order");
        observations.push(day(0), day(9), Ending::Competing, 1).expect("in order");
        let intervals = Intervals::of_observations(&observations);
        assert_eq!((intervals.left(), intervals.right()), (&[7, 9][..], &[7, NOT_SEEN_TO_FAIL][..]));
        assert_eq!((intervals.entries(), intervals.weights()), (Some(&[2, 0][..]), Some(&[2.0, 1.0][..])));
        assert_eq!((intervals.clusters(), intervals.clusters_present()), (4, 2));
    }

    fn day(count: i32) -> Days {
        Days::new(count)
    }
}
