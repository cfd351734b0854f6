//! A simultaneous confidence band of a survival curve: limits that hold over a whole range at once.
//!
//! Formula.     With σ²(t) Greenwood's variance of ln S, n the observations (their weights), e and h the critical values of
//!              [`band_critical_value`](super::band_critical_value) on a_L..a_U, a = nσ²/(1 + nσ²) at both ends of the range:
//!              equal precision (Nair) reaches e·σ(t) from ln S, Hall–Wellner h·(1 + nσ²(t))/√n. These take the place of z·σ in
//!              the formulas of [`survival_interval`](super::survival_interval()), on any of its scales.
//! Source.      Hall WJ, Wellner JA. Biometrika 1980;67:133–143; Nair VN. Technometrics 1984;26:265–275; transformed: Borgan Ø,
//!              Liestøl K. Scand J Stat 1990;17:35–41; Klein JP, Moeschberger ML. Survival Analysis, 2003, section 4.4 (all
//!              from memory).
//! Decided.     The range runs from the first failure to the last tick on which not all at risk fail, or within that as asked;
//!              limits stand at its first tick and at every step in it, and hold until the next.
//! Assumes.     Independent observations: both rest on Greenwood's variance growing like the time of a Brownian motion, so there
//!              is no cluster-robust version.
//! Cost.        Milliseconds for the critical value, then one pass over the steps.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::band_critical_value::{equal_precision_critical_value, hall_wellner_critical_value};
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::{SurvivalIntervalMethod, interval_with_reach};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Days, Fraction, Known, WhyNotKnown};

/// How the width of a band changes along the curve.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BandShape {
    /// In proportion to the pointwise limits (Nair).
    #[default]
    EqualPrecision,
    /// As the supremum of a Brownian bridge (Hall & Wellner); wider than the pointwise limits where they are narrow.
    HallWellner,
}

/// The limits from one tick until the next in the band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BandPoint {
    /// The tick.
    pub day: Days,
    /// Survival.
    pub survival: Fraction,
    /// The limits.
    pub limits: ConfidenceInterval<Fraction>,
}

/// A band over a range of ticks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConfidenceBand {
    /// How its width changes.
    pub shape: BandShape,
    /// First tick of the range.
    pub from: Days,
    /// Last tick of the range.
    pub to: Days,
    /// a at the first tick: nσ²/(1 + nσ²).
    pub time_from: f64,
    /// a at the last tick.
    pub time_to: f64,
    /// The critical value, e or h.
    pub critical_value: f64,
    /// The limits, at the first tick and at each step after it.
    pub points: Vec<BandPoint>,
}

/// The band of the curve of these observations on the scale of `method`, over `range` (first and last tick) or as far as it
/// can go.
///
/// Not known without observations or failures, where all fail at once, and where the range asked for holds no tick between
/// the first failure and the last follow-up.
pub fn confidence_band(
    observations: &Observations,
    shape: BandShape,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
    range: Option<(Days, Days)>,
) -> Known<ConfidenceBand> {
    let total = observations.weights().map_or(observations.len() as f64, |weights| weights.iter().sum());
    band_of_curve(&ProductLimit::of(observations), total, shape, method, level, range)
}

/// As [`confidence_band`], from a curve that is there already, its variances model-based. `total` is the sum of the weights of its
/// observations, their number where every one weighs 1.
pub fn band_of_curve(
    curve: &ProductLimit,
    total: f64,
    shape: BandShape,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
    range: Option<(Days, Days)>,
) -> Known<ConfidenceBand> {
    let Some(last_day) = curve.last_day_at_risk() else { return Known::NotKnown(WhyNotKnown::NoObservations) };
    let Some(first_step) = curve.steps().first() else { return Known::NotKnown(WhyNotKnown::NoFailures) };
    let defined = curve.steps().iter().take_while(|step| !step.all_failed()).count();
    let Some(last_step) = defined.checked_sub(1).map(|last| curve.steps()[last]) else {
        return Known::NotKnown(WhyNotKnown::AllFailed);
    };
    // Where all fail in the end, the band ends before that.
    let end = curve.steps().get(defined).map_or(last_day, |gone| Days::new(gone.day.count() - 1));
    let (from, to) = match range {
        None => (first_step.day, last_step.day),
        Some((from, to)) => (from.max(first_step.day), to.min(end)),
    };
    if from > to {
        let why = if from > end { WhyNotKnown::PastLastFollowUp } else { WhyNotKnown::NoFailures };
        return Known::NotKnown(why);
    }
    let n = total;
    let deviations = (curve.ln_survival_variance_at(from), curve.ln_survival_variance_at(to));
    let (variance_from, variance_to) = match deviations {
        (Known::Known(from), Known::Known(to)) => (from, to),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(why),
    };
    let bridge_time = |variance: f64| n * variance / (1.0 + n * variance);
    let (time_from, time_to) = (bridge_time(variance_from), bridge_time(variance_to));
    let critical_value = match shape {
        BandShape::EqualPrecision => equal_precision_critical_value(variance_to / variance_from, level),
        BandShape::HallWellner => hall_wellner_critical_value(time_from, time_to, level),
    };
    let mut points = Vec::new();
    let later = curve.steps()[..defined].iter().filter(|step| step.day > from && step.day <= to).map(|step| step.day);
    for day in std::iter::once(from).chain(later) {
        let (Known::Known(survival), Known::Known(variance)) = (curve.survival_at(day), curve.ln_survival_variance_at(day))
        else {
            continue;
        };
        let reach = critical_value
            * match shape {
                BandShape::EqualPrecision => libm::sqrt(variance),
                BandShape::HallWellner => (1.0 + n * variance) / libm::sqrt(n),
            };
        match interval_with_reach(survival, reach, method, level) {
            Known::Known(limits) => points.push(BandPoint { day, survival, limits }),
            Known::NotKnown(why) => return Known::NotKnown(why),
        }
    }
    Known::Known(ConfidenceBand { shape, from, to, time_from, time_to, critical_value, points })
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_have_a_band_from_the_first_failure_to_the_last() {
        let band = |shape, method| {
            confidence_band(&ten_rows::pooled(), shape, method, ConfidenceLevel::USUAL, None)
                .known()
                .cloned()
                .expect("known")
        };
        let plain = band(BandShape::HallWellner, SurvivalIntervalMethod::Plain);
        assert_eq!((plain.from, plain.to, plain.points.len()), (Days::new(2), Days::new(7), 4));
        // By hand: nσ² = 10/90 = 1/9 on day 2, a = 1/10; on day 7 10·127/360, a = 127/163.
        assert!((plain.time_from - 0.1).abs() < 1e-15 && (plain.time_to - 127.0 / 163.0).abs() < 1e-15, "absolute");
        // By hand: 0.675 − h·(1 + 10·19/360)/√10·0.675.
        let lower = 0.675 - plain.critical_value * (1.0 + 190.0 / 360.0) / libm::sqrt(10.0) * 0.675;
        assert!((plain.points[1].limits.lower.value() - lower).abs() < 1e-14, "absolute");
        let equal = band(BandShape::EqualPrecision, SurvivalIntervalMethod::Plain);
        let lower = 0.675 - equal.critical_value * libm::sqrt(0.024_046_875);
        assert!((equal.points[1].limits.lower.value() - lower).abs() < 1e-14, "absolute");
    }

    #[test]
    fn a_range_without_a_failure_before_its_end_has_no_band() {
        let band = |observations: &Observations, range: Option<(i32, i32)>| {
            let range = range.map(|(from, to)| (Days::new(from), Days::new(to)));
            let (shape, method) = (BandShape::EqualPrecision, SurvivalIntervalMethod::Log);
            confidence_band(observations, shape, method, ConfidenceLevel::USUAL, range).map(|band| (band.from, band.to))
        };
        assert_eq!(band(&ten_rows::pooled(), Some((0, 1))), Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(band(&ten_rows::pooled(), Some((11, 12))), Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        assert_eq!(band(&ten_rows::pooled(), Some((3, 50))), Known::Known((Days::new(3), Days::new(10))));
        assert_eq!(band(&ten_rows::all_fail(), Some((1, 3))), Known::Known((Days::new(1), Days::new(2))));
        assert_eq!(band(&Observations::default(), None), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
