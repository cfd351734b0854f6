//! A benchmark that failures are held against: how many a follow-up lets expect.
//!
//! Definition.  A cumulative hazard H(t) by days since the time origin, made of straight pieces. Followed from entry to exit, one
//!              observation is expected to fail H(exit) − H(entry) times.
//! Formula.     Of a yearly rate: H = rate · t / 365.25. Of survival at given days: H = −ln S, straight in between, 0 on day 0. Of
//!              observations (an internal benchmark): the Nelson–Aalen estimate, a piece of one day for each day with failures.
//! Source.      Indirect standardisation: Breslow NE, Day NE. Statistical Methods in Cancer Research II, 1987, 2.3; Nelson W.
//!              Technometrics 1972;14:945–966; Aalen O. Ann Stat 1978;6:701–726 (all from memory).
//! Decided.     A curve says nothing past its last day: whoever is followed longer counts up to that day only. A benchmark under
//!              which nobody would ever fail is none: held against it, one failure would prove anything. With an internal benchmark the
//!              expected failures of all sum to those seen (but for case weights, which do not count here).
//! Not for.     A benchmark that is itself uncertain: it is taken as known.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cumulative_hazard::CumulativeHazard;
use crate::quantity::{AnnualRate, DAYS_PER_YEAR, Days, Fraction, Known, WhyNotKnown};

/// The hazard of failure that is expected, by days since the time origin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchmarkHazard {
    pub(super) pieces: Vec<Piece>,
}

/// The same hazard on each of the days after `from` up to and with `to`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub(super) struct Piece {
    pub(super) from: i32,
    pub(super) to: i32,
    pub(super) daily: f64,
    /// The cumulative hazard at `from`.
    before: f64,
}

impl BenchmarkHazard {
    /// Of a yearly rate, the same at any age.
    ///
    /// Not known unless the rate is above 0.
    pub fn of_rate(rate: AnnualRate) -> Known<Self> {
        let daily = rate.per_year() / DAYS_PER_YEAR;
        if daily > 0.0 && daily.is_finite() {
            Known::Known(Self { pieces: vec![Piece { from: 0, to: i32::MAX, daily, before: 0.0 }] })
        } else {
            Known::NotKnown(WhyNotKnown::OutsideItsRange)
        }
    }

    /// Of survival at days that rise, above day 0.
    ///
    /// Not known unless the days rise, survival falls or stays, ends above 0 and below 1.
    pub fn of_survival(points: &[(Days, Fraction)]) -> Known<Self> {
        let mut pieces = Vec::with_capacity(points.len());
        let (mut from, mut before) = (0, 0.0);
        for (day, survival) in points {
            let hazard = -libm::log(survival.value());
            if day.count() <= from || !(hazard >= before && hazard.is_finite()) {
                return Known::NotKnown(WhyNotKnown::OutsideItsRange);
            }
            pieces.push(Piece { from, to: day.count(), daily: (hazard - before) / f64::from(day.count() - from), before });
            (from, before) = (day.count(), hazard);
        }
        if before > 0.0 { Known::Known(Self { pieces }) } else { Known::NotKnown(WhyNotKnown::OutsideItsRange) }
    }

    /// Of the cumulative hazard of observations: theirs, or others'.
    ///
    /// Not known without failures.
    pub fn of_observations(curve: &CumulativeHazard) -> Known<Self> {
        let Some(last) = curve.last_day_at_risk() else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        if curve.steps().is_empty() {
            return Known::NotKnown(WhyNotKnown::NoFailures);
        }
        let (mut pieces, mut end, mut before) = (Vec::new(), -1, 0.0);
        for step in curve.steps() {
            let day = step.day.count();
            if day - 1 > end {
                pieces.push(Piece { from: end, to: day - 1, daily: 0.0, before });
            }
            pieces.push(Piece { from: day - 1, to: day, daily: step.cumulative_hazard - before, before });
            (end, before) = (day, step.cumulative_hazard);
        }
        if last.count() > end {
            pieces.push(Piece { from: end, to: last.count(), daily: 0.0, before });
        }
        Known::Known(Self { pieces })
    }

    /// The last day that it speaks of; none if it goes on for ever.
    pub fn last_day(&self) -> Option<Days> {
        self.pieces.last().filter(|piece| piece.to < i32::MAX).map(|piece| Days::new(piece.to))
    }

    /// H at a day; past the last day, as on it.
    pub fn cumulative_hazard(&self, day: Days) -> f64 {
        let after = self.pieces.partition_point(|piece| piece.from < day.count());
        after.checked_sub(1).map_or(0.0, |place| {
            let piece = &self.pieces[place];
            piece.before + piece.daily * (f64::from(day.count().min(piece.to)) - f64::from(piece.from))
        })
    }

    /// The first day by which H has reached `hazard`; none if it never does.
    #[expect(clippy::cast_possible_truncation, reason = "bounded before the cast")]
    pub(super) fn day_reaching(&self, hazard: f64) -> Option<i32> {
        let after = self.pieces.partition_point(|piece| piece.before < hazard);
        let piece = &self.pieces[after.checked_sub(1)?];
        let days = libm::ceil((hazard - piece.before) / piece.daily);
        let length = f64::from(piece.to) - f64::from(piece.from);
        // Where rounding puts the end of a piece a hair short of the start of the next, the end it is.
        if after < self.pieces.len() && days > length {
            return Some(piece.to);
        }
        (days <= length).then(|| piece.from + days as i32)
    }
}

#[cfg(test)]
mod tests {
    use super::super::cumulative_hazard::{HazardVarianceFormula, cumulative_hazard};
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn pieces_by_hand() {
        let points = [(Days::new(10), Fraction::new((-0.1_f64).exp())), (Days::new(30), Fraction::new((-0.5_f64).exp()))];
        let benchmark = BenchmarkHazard::of_survival(&points);
        let benchmark = benchmark.known().expect("it falls");
        for (day, hazard) in [(-3, 0.0), (0, 0.0), (5, 0.05), (10, 0.1), (20, 0.3), (30, 0.5), (99, 0.5)] {
            assert!((benchmark.cumulative_hazard(Days::new(day)) - hazard).abs() < 1e-15, "absolute: {day}");
        }
        assert_eq!(
            (benchmark.day_reaching(0.05), benchmark.day_reaching(0.29), benchmark.day_reaching(0.51)),
            (Some(5), Some(20), None)
        );
        assert_eq!(benchmark.last_day(), Some(Days::new(30)));
        let rate = BenchmarkHazard::of_rate(AnnualRate::new(0.036_525));
        let rate = rate.known().expect("above 0");
        assert!((rate.cumulative_hazard(Days::new(1000)) - 0.1).abs() < 1e-15, "absolute");
        assert_eq!((rate.last_day(), rate.day_reaching(0.099_95)), (None, Some(1000)));
    }

    #[test]
    fn an_internal_benchmark_expects_what_was_seen() {
        let observations = ten_rows::pooled();
        let benchmark = BenchmarkHazard::of_observations(&cumulative_hazard(&observations, HazardVarianceFormula::Poisson));
        let benchmark = benchmark.known().expect("failures");
        let expected: f64 = observations.exit().iter().map(|&exit| benchmark.cumulative_hazard(Days::new(exit))).sum();
        assert!((expected - 6.0).abs() < 1e-13, "absolute: {expected}");
        assert_eq!(benchmark.last_day(), Some(Days::new(10)));
    }

    #[test]
    fn what_is_no_benchmark_is_refused() {
        let outside = Known::NotKnown(WhyNotKnown::OutsideItsRange);
        assert_eq!(BenchmarkHazard::of_rate(AnnualRate::new(0.0)), outside);
        let at = |day, survival| (Days::new(day), Fraction::new(survival));
        assert_eq!(BenchmarkHazard::of_survival(&[]), outside);
        assert_eq!(BenchmarkHazard::of_survival(&[at(10, 1.0)]), outside);
        assert_eq!(BenchmarkHazard::of_survival(&[at(10, 0.8), at(20, 0.9)]), outside);
        assert_eq!(BenchmarkHazard::of_survival(&[at(10, 0.8), at(10, 0.7)]), outside);
        assert_eq!(BenchmarkHazard::of_survival(&[at(10, 0.8), at(20, 0.0)]), outside);
    }
}
