//! Watching failures over calendar time: do more come than a benchmark lets expect?
//!
//! Definition.  Observed less expected: Σ (dN − dE) up to each day, N the failures, E those expected of the ones under observation.
//!              Cumulative sum of the log likelihood ratio (Page's) of hazards ρ times the benchmark against the benchmark: between
//!              failures it moves by −(ρ − 1)·dE, at each failure by ln ρ, and never goes below 0. It signals when it exceeds the
//!              limit. ρ above 1 looks for more failures, below 1 for fewer.
//! Source.      Page ES. Biometrika 1954;41:100–115; Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441–452; times
//!              to failure: Biswas P, Kalbfleisch JD. Stat Med 2008;27:3382–3406 (all from memory).
//! Decided.     On a day, what is expected comes first and failures after, as at the end of the day. After a signal the sum starts
//!              again at 0, or goes on, as asked; the first signal is the same. A point stands for each day with a failure or a
//!              signal, and for the first and last day; the sum is told as it stood before it started again.
//! Assumes.     The benchmark is known. Failures come independently of each other: where mouths share their fate, limits for
//!              independent failures signal falsely more often than they say; `cusum_limit` has limits that know of clusters.
//! Cost.        O(days).
//! Not for.     Telling when the change came, or why. A sum that has not signalled is no proof that all is well.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::watched::FailureSeries;
use crate::quantity::{Day, Days, Known, WhyNotKnown};

/// What becomes of the sum after a signal.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AfterSignal {
    /// It starts again at 0.
    #[default]
    StartAgain,
    /// It goes on.
    GoOn,
}

/// The state at the end of a day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CusumPoint {
    /// The day.
    pub day: Day,
    /// Failures so far.
    pub observed: u64,
    /// Failures expected so far.
    pub expected: f64,
    /// Observed less expected.
    pub excess: f64,
    /// The sum of the log likelihood ratio; where it signalled, the highest it was that day.
    pub sum: f64,
    /// Whether it exceeded the limit on that day.
    pub signal: bool,
}

/// Failures against expected ones over calendar time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Cusum {
    /// The ratio of hazards that is looked for.
    pub ratio: f64,
    /// The limit; none if the path alone was asked.
    pub limit: Option<f64>,
    /// What becomes of the sum after a signal.
    pub after_signal: AfterSignal,
    /// Days with failures or signals, and the first and last day.
    pub points: Vec<CusumPoint>,
    /// Days on which the sum exceeded the limit.
    pub signals: Vec<Day>,
    /// The highest that the sum was.
    pub highest: f64,
    /// Failures.
    pub observed: u64,
    /// Failures expected.
    pub expected: f64,
}

/// Follows a series. Without a limit there is no signal.
///
/// Not known without days, nor unless the ratio is above 0 and not 1, and the limit, where there is one, 0 or above.
///
/// ```
/// use manebit::quantity::{Behind, Day};
/// use manebit::stats::{AfterSignal, FailureSeries, cusum};
/// let series = FailureSeries {
///     first_day: Day::from_epoch(0), observed: vec![0, 2, 0, 1], expected: vec![0.25; 4],
///     behind: Behind::default(), past_benchmark: 0,
/// };
/// let path = cusum(&series, 2.0, Some(1.2), AfterSignal::StartAgain);
/// // 0; 2·ln 2 = 1.386 signals and starts again; 0; ln 2.
/// assert_eq!(path.known().expect("days").signals, [Day::from_epoch(1)]);
/// ```
pub fn cusum(series: &FailureSeries, ratio: f64, limit: Option<f64>, after_signal: AfterSignal) -> Known<Cusum> {
    let days = series.observed.len().min(series.expected.len());
    if days == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let (Some(mut sum), true) = (RunningSum::new(ratio), limit.is_none_or(|limit| limit >= 0.0)) else {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    };
    let mut result = Cusum {
        ratio,
        limit,
        after_signal,
        points: Vec::new(),
        signals: Vec::new(),
        highest: 0.0,
        observed: 0,
        expected: 0.0,
    };
    let mut beyond = false;
    for (place, (&failed, &expected)) in (0..).zip(series.observed.iter().zip(&series.expected)) {
        let day = series.first_day + Days::new(place);
        let highest = sum.day(expected, failed);
        result.observed += u64::from(failed);
        result.expected += expected;
        result.highest = result.highest.max(highest);
        let exceeds = limit.is_some_and(|limit| highest > limit);
        // A sum that goes on signals on the day on which it gets beyond the limit, not on each day that it stays there.
        let signal = exceeds && !beyond;
        beyond = exceeds && after_signal == AfterSignal::GoOn;
        if signal || failed > 0 || place == 0 || place as usize + 1 == days {
            let excess = result.observed as f64 - result.expected;
            let told = if signal { highest } else { sum.value };
            let (observed, expected) = (result.observed, result.expected);
            result.points.push(CusumPoint { day, observed, expected, excess, sum: told, signal });
        }
        if signal {
            result.signals.push(day);
            if after_signal == AfterSignal::StartAgain {
                sum.value = 0.0;
            }
        }
    }
    Known::Known(result)
}

/// A sum of log likelihood ratios that never goes below 0.
#[derive(Clone, Copy, Debug)]
pub(super) struct RunningSum {
    pub(super) value: f64,
    /// ln ρ, by which it moves at a failure.
    pub(super) jump: f64,
    /// 1 − ρ, by which it moves for each failure expected.
    pub(super) slope: f64,
}

impl RunningSum {
    /// At 0; none unless the ratio is above 0 and not 1.
    pub(super) fn new(ratio: f64) -> Option<Self> {
        let sound = ratio > 0.0 && ratio.is_finite() && (ratio - 1.0).abs() > 0.0;
        sound.then(|| Self { value: 0.0, jump: libm::log(ratio), slope: 1.0 - ratio })
    }

    /// Takes in so many expected, and then so many failures; gives the highest it was.
    #[inline]
    pub(super) fn day(&mut self, expected: f64, failed: u32) -> f64 {
        let waited = (self.value + self.slope * expected).max(0.0);
        self.value = if failed > 0 { (waited + self.jump * f64::from(failed)).max(0.0) } else { waited };
        waited.max(self.value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Behind;

    fn series(observed: &[u32], expected: &[f64]) -> FailureSeries {
        FailureSeries {
            first_day: Day::from_epoch(0),
            observed: observed.to_vec(),
            expected: expected.to_vec(),
            behind: Behind::default(),
            past_benchmark: 0,
        }
    }

    #[test]
    fn more_failures_by_hand() {
        // By hand, ρ = 2: 0 (held at 0); ln 2 − 0 …: day by day max(0, C − e) + ln 2·d.
        let series = series(&[0, 1, 0, 2, 0], &[0.2, 0.1, 0.3, 0.1, 0.5]);
        let path = cusum(&series, 2.0, None, AfterSignal::GoOn);
        let path = path.known().expect("days");
        let l = std::f64::consts::LN_2;
        let expected = [(0, 0.0, -0.2), (1, l, 0.7), (3, 3.0 * l - 0.4, 2.3), (4, 3.0 * l - 0.9, 1.8)];
        assert_eq!(path.points.len(), expected.len());
        for (point, (day, sum, excess)) in path.points.iter().zip(expected) {
            assert_eq!(point.day, Day::from_epoch(day));
            assert!((point.sum - sum).abs() < 1e-15 && (point.excess - excess).abs() < 1e-15, "absolute: {point:?}");
        }
        assert!((path.highest - (3.0 * l - 0.4)).abs() < 1e-15 && path.signals.is_empty());
    }

    #[test]
    fn fewer_failures_by_hand() {
        // By hand, ρ = 1/2: rises by e/2, falls by ln 2 at a failure: 0.5; 1.0 at its highest, then 0.307; 0.807.
        let series = series(&[0, 1, 0], &[1.0, 1.0, 1.0]);
        let path = cusum(&series, 0.5, Some(0.9), AfterSignal::StartAgain);
        let path = path.known().expect("days");
        assert_eq!(path.signals, [Day::from_epoch(1)]);
        assert!((path.points[1].sum - 1.0).abs() < 1e-15, "absolute: told as it signalled");
        // It started again at 0.
        assert!((path.points[2].sum - 0.5).abs() < 1e-15, "absolute");
        let on = cusum(&series, 0.5, Some(0.9), AfterSignal::GoOn);
        assert!((on.known().expect("days").points[2].sum - (1.5 - std::f64::consts::LN_2)).abs() < 1e-15, "absolute");
    }

    #[test]
    fn a_sum_that_stays_beyond_the_limit_signals_once() {
        let series = series(&[3, 0, 1, 0], &[0.1; 4]);
        let on = cusum(&series, 2.0, Some(1.0), AfterSignal::GoOn);
        assert_eq!(on.known().expect("days").signals, [Day::from_epoch(0)]);
        let again = cusum(&series, 2.0, Some(0.5), AfterSignal::StartAgain);
        assert_eq!(again.known().expect("days").signals, [Day::from_epoch(0), Day::from_epoch(2)]);
    }

    #[test]
    fn what_cannot_be_watched_is_refused() {
        let some = series(&[0, 0], &[0.1, 0.2]);
        for (ratio, limit) in
            [(1.0, None), (0.0, None), (-2.0, None), (f64::NAN, None), (2.0, Some(-1.0)), (2.0, Some(f64::NAN))]
        {
            assert_eq!(cusum(&some, ratio, limit, AfterSignal::GoOn), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        }
        let none = series(&[], &[]);
        assert_eq!(cusum(&none, 2.0, None, AfterSignal::GoOn), Known::NotKnown(WhyNotKnown::NoObservations));
        // No failures: the sum stays where it is.
        let path = cusum(&some, 2.0, Some(0.0), AfterSignal::GoOn);
        let path = path.known().expect("days");
        assert!(path.signals.is_empty() && path.highest <= 0.0 && (path.expected - 0.3).abs() < 1e-15);
    }
}
