//! Observations on the calendar, held against a benchmark: failures and expected failures, day by day.
//!
//! Definition.  An observation that started on calendar day c and is at risk at ages a+1..=b adds the benchmark's hazard of age u to the
//!              expected failures of day c + u, and, if it failed, 1 to the failures of day c + b.
//! Source.      Biswas P, Kalbfleisch JD. Stat Med 2008;27:3382–3406 (from memory).
//! Decided.     Only what lies in the period watched counts: time and failures before its first day or after its last are left out.
//!              Follow-up past the benchmark's last day is left out too, and how many that concerns is told. Each observation counts
//!              once, whatever its case weight. The axis is that of days.
//! Cost.        O(observations · pieces of the benchmark + days).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::benchmark_hazard::BenchmarkHazard;
use super::compensated_sum::CompensatedSum;
use super::observation::{Ending, LONGEST_FOLLOW_UP, Observations, count_clusters};
use crate::quantity::{Behind, Day, Days, Known, WhyNotKnown};

/// The period watched, both days included; from the first follow-up, or to the last, where none is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PeriodWatched {
    /// Its first day.
    pub first: Option<Day>,
    /// Its last day.
    pub last: Option<Day>,
}

/// Observations on the calendar with their benchmark.
#[derive(Clone, Debug, PartialEq)]
pub struct Watched {
    pub(super) rows: Vec<Row>,
    pub(super) benchmark: BenchmarkHazard,
    /// First and last calendar day.
    pub(super) first: i32,
    pub(super) last: i32,
    behind: Behind,
    past_benchmark: u64,
}

/// At risk at ages `entry` + 1..=`exit`; an `entry` of −1 is from the origin, its day included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    pub(super) origin: i32,
    pub(super) entry: i32,
    pub(super) exit: i32,
    pub(super) failed: bool,
    pub(super) cluster: u32,
}

/// Failures and expected failures, day by day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FailureSeries {
    /// The calendar day of the first of each list.
    pub first_day: Day,
    /// Failures of each day.
    pub observed: Vec<u32>,
    /// Failures expected on each day, of those then under observation.
    pub expected: Vec<f64>,
    /// How many stand behind it.
    pub behind: Behind,
    /// How many were followed longer than the benchmark reaches; they count up to its last day.
    pub past_benchmark: u64,
}

impl FailureSeries {
    /// Failures of all days.
    pub fn failures(&self) -> u64 {
        self.observed.iter().map(|&failed| u64::from(failed)).sum()
    }

    /// Failures expected on all days.
    pub fn expected_failures(&self) -> f64 {
        self.expected.iter().sum()
    }
}

impl Watched {
    /// Observations whose time origins are these calendar days, one for each.
    ///
    /// Not known when the period holds no time at risk, nor unless there is an origin for each observation and all lie within twice
    /// the longest follow-up taken.
    pub fn new(
        observations: &Observations,
        origins: &[Day],
        benchmark: &BenchmarkHazard,
        period: PeriodWatched,
    ) -> Known<Self> {
        if origins.len() != observations.len() {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let reach = benchmark.last_day().map(Days::count);
        let mut rows = Vec::with_capacity(origins.len());
        let mut past_benchmark = 0;
        for (i, origin) in origins.iter().map(|day| day.since_epoch()).enumerate() {
            let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
            let before = period.first.map_or(i32::MIN, |first| first.since_epoch().saturating_sub(origin).saturating_sub(1));
            let entry = if entry > 0 { entry } else { -1 }.max(before);
            let end = period.last.map_or(exit, |last| exit.min(last.since_epoch().saturating_sub(origin)));
            if end <= entry {
                continue;
            }
            past_benchmark += u64::from(reach.is_some_and(|reach| end > reach));
            let end = reach.map_or(end, |reach| end.min(reach));
            if end <= entry {
                continue;
            }
            let failed = observations.ending()[i] == Ending::Failed && end == exit;
            rows.push(Row { origin, entry, exit: end, failed, cluster: observations.cluster()[i] });
        }
        let first = rows.iter().map(|row| row.origin.saturating_add(row.entry + 1)).min();
        let last = rows.iter().map(|row| row.origin.saturating_add(row.exit)).max();
        let (Some(first), Some(mut last)) = (first, last) else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        // A period that ends later is watched to its end.
        last = period.last.map_or(last, |day| day.since_epoch().max(last));
        if i64::from(last) - i64::from(first) > 2 * i64::from(LONGEST_FOLLOW_UP.count()) {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let behind = Behind {
            observations: rows.len() as u64,
            clusters: count_clusters(rows.iter().map(|row| row.cluster), observations.clusters() as usize),
            failures: rows.iter().filter(|row| row.failed).count() as u64,
        };
        Known::Known(Self { rows, benchmark: benchmark.clone(), first, last, behind, past_benchmark })
    }

    /// Failures and expected failures, day by day.
    pub fn series(&self) -> FailureSeries {
        let days = self.days();
        let (mut observed, mut change) = (vec![0; days], vec![0.0; days + 1]);
        for row in &self.rows {
            if row.failed {
                observed[self.place(row.origin + row.exit)] += 1;
            }
            self.add_hazard(row.origin, row.entry, row.exit, 1.0, &mut change);
        }
        let mut expected = vec![0.0; days];
        let mut now = CompensatedSum::default();
        for (expected, change) in expected.iter_mut().zip(&change) {
            now.add(*change);
            *expected = now.value().max(0.0);
        }
        FailureSeries {
            first_day: Day::from_epoch(self.first),
            observed,
            expected,
            behind: self.behind,
            past_benchmark: self.past_benchmark,
        }
    }

    /// How many stand behind it.
    pub fn behind(&self) -> Behind {
        self.behind
    }

    /// How many days the series has.
    pub(super) fn days(&self) -> usize {
        usize::try_from(self.last - self.first + 1).unwrap_or(0)
    }

    /// The place of a calendar day in the series.
    pub(super) fn place(&self, day: i32) -> usize {
        usize::try_from(day - self.first).unwrap_or(0)
    }

    /// Adds, `times`, the hazard of ages `entry` + 1..=`exit` to the changes of the daily expectation.
    pub(super) fn add_hazard(&self, origin: i32, entry: i32, exit: i32, times: f64, change: &mut [f64]) {
        let pieces = &self.benchmark.pieces;
        let start = pieces.partition_point(|piece| piece.to <= entry);
        for piece in pieces[start..].iter().take_while(|piece| piece.from < exit) {
            let (from, to) = (piece.from.max(entry), piece.to.min(exit));
            change[self.place(origin + from + 1)] += times * piece.daily;
            change[self.place(origin + to + 1)] -= times * piece.daily;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::AnnualRate;

    fn two() -> (Observations, Vec<Day>) {
        let mut observations = Observations::default();
        observations.push(Days::new(0), Days::new(4), Ending::Failed, 0).expect("in order");
        observations.push(Days::new(2), Days::new(5), Ending::Censored, 1).expect("in order");
        (observations, vec![Day::from_epoch(100), Day::from_epoch(101)])
    }

    fn tenth() -> BenchmarkHazard {
        BenchmarkHazard::of_rate(AnnualRate::new(36.525)).known().expect("above 0").clone()
    }

    fn close(found: &[f64], expected: &[f64]) {
        assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-14, "absolute: {found} against {expected}");
        }
    }

    #[test]
    fn two_observations_by_hand() {
        // By hand: the first is at risk on days 101–104 and fails on 104; the second, entered at age 2, on days 104–106. Day 100 is
        // that of the first one's origin: it could be seen to fail, with no time at risk yet.
        let (observations, origins) = two();
        let watched = Watched::new(&observations, &origins, &tenth(), PeriodWatched::default());
        let series = watched.known().expect("time").series();
        assert_eq!((series.first_day, &series.observed[..]), (Day::from_epoch(100), &[0, 0, 0, 0, 1, 0, 0][..]));
        close(&series.expected, &[0.0, 0.1, 0.1, 0.1, 0.2, 0.1, 0.1]);
        assert_eq!(series.behind, Behind { observations: 2, clusters: 2, failures: 1 });
    }

    #[test]
    fn only_the_period_counts() {
        let (observations, origins) = two();
        let period = PeriodWatched { first: Some(Day::from_epoch(103)), last: Some(Day::from_epoch(105)) };
        let watched = Watched::new(&observations, &origins, &tenth(), period);
        let series = watched.known().expect("time").series();
        assert_eq!((series.first_day, series.failures()), (Day::from_epoch(103), 1));
        close(&series.expected, &[0.1, 0.2, 0.1]);
        let before = PeriodWatched { first: None, last: Some(Day::from_epoch(103)) };
        let watched = Watched::new(&observations, &origins, &tenth(), before);
        assert_eq!(watched.known().expect("time").series().failures(), 0);
        let nothing = PeriodWatched { first: Some(Day::from_epoch(107)), last: None };
        assert_eq!(Watched::new(&observations, &origins, &tenth(), nothing), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(
            Watched::new(&observations, &origins[..1], &tenth(), before),
            Known::NotKnown(WhyNotKnown::OutsideItsRange)
        );
    }

    #[test]
    fn past_the_benchmark_nothing_counts() {
        let (observations, origins) = two();
        let curve = BenchmarkHazard::of_survival(&[(Days::new(3), crate::quantity::Fraction::new((-0.3_f64).exp()))]);
        let watched = Watched::new(&observations, &origins, curve.known().expect("falls"), PeriodWatched::default());
        let series = watched.known().expect("time").series();
        assert_eq!((series.failures(), series.past_benchmark), (0, 2));
        close(&series.expected, &[0.0, 0.1, 0.1, 0.1, 0.1]);
    }
}
