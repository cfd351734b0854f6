//! What is followed: when it came under observation, when that ended, how, and with whom it shares its fate.
//!
//! Definition.  An observation with entry day 0 is at risk on days 0..=exit; one with entry day e > 0 (delayed entry) is at
//!              risk on days e+1..=exit. Days are counted from the time origin, which is day 0.
//! Decided.     On one day, failures come before censorings, so whatever is censored on a day is still at risk on it.
//!              A delayed observation that ends on its entry day adds no time at risk and is refused.
//!              On a listed [`Axis`](super::Axis) the same columns hold ticks of that axis instead of days.
//!              A case weight says how many like it an observation stands for; weights are kept only where one differs from 1.
//! Cost.        Columns; 13 bytes an observation, 21 with weights.

use std::fmt;
use std::ops::Deref;
use std::sync::Arc;

use super::grouping::{Grouping, NO_GROUP};
use crate::quantity::Days;

/// The longest follow-up that is taken, in days: 100,000 (some 274 years). A longer one is a mistake in a date, and day tables
/// of its length would cost memory for nothing.
pub const LONGEST_FOLLOW_UP: Days = Days::new(100_000);

/// How an observation ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Ending {
    /// It failed on its last day.
    Failed = 0,
    /// Something else ended it, after which it can't fail any more.
    Competing = 1,
    /// It was in place when last seen.
    Censored = 2,
}

/// Whether an observation is at risk just before its day's endings: from its origin on if its entry is 0, else from the day after its entry.
pub const fn is_at_risk(entry: i32, exit: i32, day: i32) -> bool {
    (entry == 0 || entry < day) && day <= exit
}

/// Why an observation was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ObservationError {
    /// It ends before the time origin, on this day.
    ExitBeforeOrigin(Days),
    /// It enters before the time origin, on this day.
    EntryBeforeOrigin(Days),
    /// It ends before it enters.
    ExitBeforeEntry {
        /// Day of entry.
        entry: Days,
        /// Day of exit.
        exit: Days,
    },
    /// It came under observation late and ended on the same day, so it was never at risk.
    NoTimeAtRisk(Days),
    /// It ends later than [`LONGEST_FOLLOW_UP`], on this day.
    TooLong(Days),
    /// Its case weight is not a number above 0.
    WeightNotAboveZero,
}

impl fmt::Display for ObservationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ExitBeforeOrigin(day) => write!(f, "an observation ends on day {}, before the time origin", day.count()),
            Self::EntryBeforeOrigin(day) => {
                write!(f, "an observation enters on day {}, before the time origin", day.count())
            }
            Self::ExitBeforeEntry { entry, exit } => {
                write!(f, "an observation ends on day {}, before its entry on day {}", exit.count(), entry.count())
            }
            Self::NoTimeAtRisk(day) => {
                write!(f, "an observation enters and ends on day {}, so it was never at risk", day.count())
            }
            Self::TooLong(day) => {
                write!(
                    f,
                    "an observation ends on day {}; the longest follow-up taken is {} days",
                    day.count(),
                    LONGEST_FOLLOW_UP.count()
                )
            }
            Self::WeightNotAboveZero => write!(f, "a case weight is not a number above 0"),
        }
    }
}

impl std::error::Error for ObservationError {}

/// A column that is its owner's alone, or that others hold, too.
#[derive(Clone, Debug)]
enum MaybeShared<T> {
    Own(Vec<T>),
    Shared(Arc<Vec<T>>),
}

impl<T: Clone> MaybeShared<T> {
    fn push(&mut self, value: T) {
        match self {
            Self::Own(own) => own.push(value),
            Self::Shared(shared) => {
                let mut own = shared.to_vec();
                own.push(value);
                *self = Self::Own(own);
            }
        }
    }
}

impl<T> Default for MaybeShared<T> {
    fn default() -> Self {
        Self::Own(Vec::new())
    }
}

impl<T> Deref for MaybeShared<T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        match self {
            Self::Own(own) => own,
            Self::Shared(shared) => shared,
        }
    }
}

impl<T: PartialEq> PartialEq for MaybeShared<T> {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

/// Observations without weights that are gathered from others, so that they are in order already.
#[derive(Debug, Default)]
pub(super) struct Rows {
    entry: Vec<i32>,
    exit: Vec<i32>,
    ending: Vec<Ending>,
    cluster: Vec<u32>,
}

impl Rows {
    /// None yet, with room for so many.
    pub(super) fn with_capacity(capacity: usize) -> Self {
        Self {
            entry: Vec::with_capacity(capacity),
            exit: Vec::with_capacity(capacity),
            ending: Vec::with_capacity(capacity),
            cluster: Vec::with_capacity(capacity),
        }
    }

    /// Adds one: entry, exit, ending, cluster.
    #[inline]
    pub(super) fn push(&mut self, (entry, exit, ending, cluster): (i32, i32, Ending, u32)) {
        self.entry.push(entry);
        self.exit.push(exit);
        self.ending.push(ending);
        self.cluster.push(cluster);
    }

    /// All of them.
    pub(super) fn into_observations(self) -> Observations {
        Observations::of_columns(MaybeShared::Own(self.entry), self.exit, self.ending, MaybeShared::Own(self.cluster))
    }
}

/// Observations in columns, in the order in which they were added.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observations {
    entry: MaybeShared<i32>,
    exit: Vec<i32>,
    ending: Vec<Ending>,
    cluster: MaybeShared<u32>,
    clusters: u32,
    /// Empty while every weight is 1.
    weight: Vec<f64>,
    /// The largest exit; 0 without observations.
    last: i32,
    /// Whether any entered after the origin.
    late: bool,
    /// Whether a cluster ever came after one with a larger index.
    clusters_mixed: bool,
}

impl Observations {
    /// No observations yet, with room for `capacity` of them.
    pub fn with_capacity(capacity: usize) -> Self {
        Self {
            entry: MaybeShared::Own(Vec::with_capacity(capacity)),
            exit: Vec::with_capacity(capacity),
            ending: Vec::with_capacity(capacity),
            cluster: MaybeShared::Own(Vec::with_capacity(capacity)),
            clusters: 0,
            weight: Vec::new(),
            last: 0,
            late: false,
            clusters_mixed: false,
        }
    }

    /// Adds one observation. `entry` and `exit` are days since the time origin; `cluster` numbers the independent pieces
    /// densely from 0, because the estimators keep one number for each index up to the largest.
    ///
    /// # Errors
    ///
    /// When entry or exit lie before the origin, exit before entry, exit past [`LONGEST_FOLLOW_UP`], or when a delayed
    /// observation ends on its entry day. Nothing is added then.
    pub fn push(&mut self, entry: Days, exit: Days, ending: Ending, cluster: u32) -> Result<(), ObservationError> {
        Self::check(entry, exit)?;
        self.push_checked(entry.count(), exit.count(), ending, cluster, 1.0);
        Ok(())
    }

    /// Observations in columns, one row each, whose days were found to be in order by [`check`](Self::check). Entries and clusters may be
    /// those of other observations, too.
    pub fn of_checked(entry: Arc<Vec<i32>>, exit: Vec<i32>, ending: Vec<Ending>, cluster: Arc<Vec<u32>>) -> Self {
        Self::of_columns(MaybeShared::Shared(entry), exit, ending, MaybeShared::Shared(cluster))
    }

    fn of_columns(entry: MaybeShared<i32>, exit: Vec<i32>, ending: Vec<Ending>, cluster: MaybeShared<u32>) -> Self {
        debug_assert!([exit.len(), ending.len(), cluster.len()].iter().all(|length| *length == entry.len()), "columns");
        let mut all = Self::default();
        for ((&entry, &exit), &cluster) in entry.iter().zip(&exit).zip(cluster.iter()) {
            debug_assert_eq!(Self::check_ticks(Days::new(entry), Days::new(exit)), Ok(()), "checked before");
            all.last = all.last.max(exit);
            all.late |= entry > 0;
            all.clusters_mixed |= cluster.saturating_add(1) < all.clusters;
            all.clusters = all.clusters.max(cluster.saturating_add(1));
        }
        Self { entry, exit, ending, cluster, ..all }
    }

    /// Whether days are those of an observation that [`push`](Self::push) takes.
    ///
    /// # Errors
    ///
    /// As those of [`push`](Self::push).
    pub fn check(entry: Days, exit: Days) -> Result<(), ObservationError> {
        if exit > LONGEST_FOLLOW_UP {
            return Err(ObservationError::TooLong(exit));
        }
        Self::check_ticks(entry, exit)
    }

    fn check_ticks(entry: Days, exit: Days) -> Result<(), ObservationError> {
        if exit.count() < 0 {
            return Err(ObservationError::ExitBeforeOrigin(exit));
        }
        if entry.count() < 0 {
            return Err(ObservationError::EntryBeforeOrigin(entry));
        }
        if exit < entry {
            return Err(ObservationError::ExitBeforeEntry { entry, exit });
        }
        if entry.count() > 0 && exit == entry {
            return Err(ObservationError::NoTimeAtRisk(exit));
        }
        Ok(())
    }

    /// As [`push`](Self::push), with a case weight, and with ticks of any axis: however long.
    ///
    /// # Errors
    ///
    /// As those of [`push`](Self::push), but for the longest follow-up; and when the weight is not a number above 0.
    pub fn push_weighted(
        &mut self,
        entry: Days,
        exit: Days,
        ending: Ending,
        cluster: u32,
        weight: f64,
    ) -> Result<(), ObservationError> {
        Self::check_ticks(entry, exit)?;
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(ObservationError::WeightNotAboveZero);
        }
        self.push_checked(entry.count(), exit.count(), ending, cluster, weight);
        Ok(())
    }

    /// Adds what is known to be in order.
    fn push_checked(&mut self, entry: i32, exit: i32, ending: Ending, cluster: u32, weight: f64) {
        if weight.to_bits() != 1.0_f64.to_bits() && self.weight.is_empty() {
            self.weight.resize(self.exit.len(), 1.0);
        }
        if weight.to_bits() != 1.0_f64.to_bits() || !self.weight.is_empty() {
            self.weight.push(weight);
        }
        self.last = self.last.max(exit);
        self.late |= entry > 0;
        self.clusters_mixed |= cluster.saturating_add(1) < self.clusters;
        self.entry.push(entry);
        self.exit.push(exit);
        self.ending.push(ending);
        self.cluster.push(cluster);
        self.clusters = self.clusters.max(cluster.saturating_add(1));
    }

    /// Adds one of other observations as it is.
    pub(super) fn push_row(&mut self, others: &Self, i: usize) {
        self.push_checked(others.entry[i], others.exit[i], others.ending[i], others.cluster[i], others.weight_of(i));
    }

    /// The same observations with other endings, one for each.
    pub(super) fn with_endings(&self, ending: Vec<Ending>) -> Self {
        debug_assert_eq!(ending.len(), self.len(), "one ending for each observation");
        Self { ending, ..self.clone() }
    }

    /// The observations of each level of a grouping, in their order; cluster indices stay what they are. Those without a group
    /// are left out, and so are those past the end of the grouping's codes.
    pub fn by_group(&self, grouping: &Grouping) -> Vec<Self> {
        let codes = &grouping.codes()[..grouping.codes().len().min(self.len())];
        let mut sizes = vec![0; usize::from(grouping.levels())];
        codes.iter().filter(|code| **code != NO_GROUP).for_each(|code| sizes[usize::from(*code)] += 1);
        let mut groups: Vec<Self> = sizes.into_iter().map(Self::with_capacity).collect();
        for (i, &code) in codes.iter().enumerate() {
            if code != NO_GROUP {
                groups[usize::from(code)].push_row(self, i);
            }
        }
        groups
    }

    /// The observations with their case weights times a factor each, and which ones they are. Those whose factor is not above 0 (or
    /// no finite number, or not there) are left out; cluster indices stay what they are.
    pub fn weighted_by(&self, factors: &[f64]) -> (Self, Vec<u32>) {
        let (mut weighted, mut rows) = (Self::default(), Vec::new());
        for ((i, row), &factor) in (0..self.len()).zip(0_u32..).zip(factors) {
            let weight = factor * self.weight_of(i);
            if weight > 0.0 && weight.is_finite() {
                weighted.push_checked(self.entry[i], self.exit[i], self.ending[i], self.cluster[i], weight);
                rows.push(row);
            }
        }
        (weighted, rows)
    }

    /// Days of entry; 0 for those followed from the time origin.
    pub fn entry(&self) -> &[i32] {
        &self.entry
    }

    /// Days of exit.
    pub fn exit(&self) -> &[i32] {
        &self.exit
    }

    /// How each ended.
    pub fn ending(&self) -> &[Ending] {
        &self.ending
    }

    /// The index of each one's cluster.
    pub fn cluster(&self) -> &[u32] {
        &self.cluster
    }

    /// Case weights; none when every one is 1.
    pub fn weights(&self) -> Option<&[f64]> {
        (!self.weight.is_empty()).then_some(&self.weight)
    }

    /// The case weight of one observation.
    pub fn weight_of(&self, index: usize) -> f64 {
        self.weight.get(index).copied().unwrap_or(1.0)
    }

    /// How many observations.
    pub fn len(&self) -> usize {
        self.exit.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.exit.is_empty()
    }

    /// One more than the largest cluster index: the length of a table with a place for each cluster.
    pub fn clusters(&self) -> u32 {
        self.clusters
    }

    /// How many different clusters have at least one observation here.
    pub fn clusters_present(&self) -> u64 {
        if self.in_order_of_clusters() {
            return self.cluster.chunk_by(|one, other| one == other).count() as u64;
        }
        count_clusters(self.cluster.iter().copied(), self.clusters as usize)
    }

    /// The last day of exit; none when there are no observations.
    pub fn last_day(&self) -> Option<Days> {
        (!self.is_empty()).then_some(Days::new(self.last))
    }

    /// How many days there are from the origin to the last day of exit; none without observations.
    pub(super) fn days(&self) -> usize {
        self.last_day().map_or(0, |day| day.count() as usize + 1)
    }

    /// Whether any entered after the time origin.
    pub fn any_entered_late(&self) -> bool {
        self.late
    }

    /// Whether the observations come cluster after cluster, by rising index.
    pub fn in_order_of_clusters(&self) -> bool {
        !self.clusters_mixed
    }
}

/// How many different clusters these are; all lie below `end`.
pub(super) fn count_clusters(clusters: impl Iterator<Item = u32>, end: usize) -> u64 {
    let mut seen = vec![false; end];
    let mut count = 0;
    for cluster in clusters {
        count += u64::from(!std::mem::replace(&mut seen[cluster as usize], true));
    }
    count
}

#[cfg(test)]
mod tests {
    #[test]
    fn checked_columns_are_the_observations_that_were_pushed() {
        let rows: Vec<(i32, i32, Ending, u32)> = (0..200_u32)
            .map(|n| {
                let entry = if n % 7 == 3 { 5 } else { 0 };
                let ending = [Ending::Failed, Ending::Competing, Ending::Censored][n as usize % 3];
                (entry, entry + 1 + (n * 37 % 90).cast_signed(), ending, if n < 150 { n / 2 } else { n % 40 })
            })
            .collect();
        for length in [0, 1, 140, 200] {
            let rows = &rows[..length];
            let mut pushed = Observations::default();
            for &(entry, exit, ending, cluster) in rows {
                assert_eq!(Observations::check(Days::new(entry), Days::new(exit)), Ok(()));
                pushed.push(Days::new(entry), Days::new(exit), ending, cluster).expect("in order");
            }
            let (entry, cluster) = (rows.iter().map(|row| row.0).collect(), rows.iter().map(|row| row.3).collect());
            let (exit, ending) = (rows.iter().map(|row| row.1).collect(), rows.iter().map(|row| row.2).collect());
            let (entry, cluster) = (Arc::new(entry), Arc::new(cluster));
            let mut checked = Observations::of_checked(Arc::clone(&entry), exit, ending, Arc::clone(&cluster));
            assert_eq!(checked, pushed);
            // One more is no other's.
            for observations in [&mut checked, &mut pushed] {
                observations.push(Days::new(0), Days::new(400), Ending::Failed, 300).expect("in order");
            }
            assert_eq!((checked, entry.len(), cluster.len()), (pushed, length, length));
        }
        assert!(
            Observations::check(Days::new(5), Days::new(5)).is_err()
                && Observations::check(Days::new(5), Days::new(4)).is_err()
        );
    }

    use super::*;

    #[test]
    fn impossible_follow_up_is_refused_and_adds_nothing() {
        let mut observations = Observations::with_capacity(1);
        let mut push = |entry, exit| observations.push(Days::new(entry), Days::new(exit), Ending::Failed, 0);
        assert_eq!(push(0, -1), Err(ObservationError::ExitBeforeOrigin(Days::new(-1))));
        assert_eq!(push(-2, 5), Err(ObservationError::EntryBeforeOrigin(Days::new(-2))));
        assert_eq!(push(6, 5), Err(ObservationError::ExitBeforeEntry { entry: Days::new(6), exit: Days::new(5) }));
        assert_eq!(push(5, 5), Err(ObservationError::NoTimeAtRisk(Days::new(5))));
        assert_eq!(push(0, 100_001), Err(ObservationError::TooLong(Days::new(100_001))));
        assert_eq!(push(0, 0), Ok(()));
        assert_eq!(observations.len(), 1);
        assert_eq!((observations.last_day(), observations.any_entered_late()), (Some(Days::new(0)), false));
        observations.push(Days::new(2), Days::new(3), Ending::Failed, 0).expect("in order");
        assert_eq!((observations.last_day(), observations.any_entered_late()), (Some(Days::new(3)), true));
        assert!(observations.in_order_of_clusters());
    }

    #[test]
    fn weights_are_kept_only_where_one_is_not_1() {
        let mut observations = Observations::default();
        let mut push = |weight| observations.push_weighted(Days::new(0), Days::new(200_000), Ending::Failed, 0, weight);
        assert_eq!((push(1.0), push(1.0)), (Ok(()), Ok(())));
        for weight in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(push(weight), Err(ObservationError::WeightNotAboveZero));
        }
        assert_eq!(observations.weights(), None);
        let mut push = |weight| observations.push_weighted(Days::new(0), Days::new(1), Ending::Failed, 0, weight);
        assert_eq!((push(2.5), push(1.0)), (Ok(()), Ok(())));
        assert_eq!(observations.weights(), Some(&[1.0, 1.0, 2.5, 1.0][..]));
    }

    #[test]
    fn clusters_present_counts_only_those_with_an_observation() {
        let mut observations = Observations::default();
        for cluster in [4, 1, 4] {
            observations.push(Days::new(0), Days::new(1), Ending::Censored, cluster).expect("in order");
        }
        assert_eq!((observations.clusters(), observations.clusters_present()), (5, 2));
        assert!(!observations.in_order_of_clusters());
    }
}
