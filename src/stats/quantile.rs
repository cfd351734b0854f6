//! The day by which a given part has failed; for one half, the median.
//!
//! Definition.  The first day t with S(t) ≤ 1 − p.
//! Interval.    Those days at which the pointwise interval of the curve still holds 1 − p: from the first day on which the
//!              lower limit is at or below 1 − p to the first on which the upper limit is.
//! Source.      Brookmeyer R, Crowley J. Biometrics 1982;38:29–41 (from memory).
//! Decided.     S is a product of rounded numbers and may miss 1 − p by a hair where it equals it exactly (3 of 6). Two sides
//!              are taken as equal when they differ by less than 1e-11 of their size: more than the rounding of ten thousand
//!              steps, less than one failure in a thousand million. Where S equals 1 − p on a stretch, every day of it is as
//!              good a quantile; the first is the value and the end of the stretch stands beside it.
//!              From the day on which all have failed there are no pointwise limits, so a limit sought there is not reached.

use schemars::JsonSchema;
use serde::Serialize;

use super::product_limit::{ProductLimit, Step};
use super::survival_interval::{Inference, survival_interval};
use crate::quantity::{ConfidenceLevel, Days, Fraction, IntervalMethod, Known, Variance, WhyNotKnown};

/// Relative difference below which two survivals count as equal.
pub(super) const EQUAL_WITHIN: f64 = 1e-11;

/// A quantile of the time to failure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct QuantileEstimate {
    /// The part that has failed.
    pub failed_part: Fraction,
    /// The first day by which that part has failed.
    pub value: Known<Days>,
    /// Where the curve lies exactly at this level for a while: the day on which it goes on down, or the last day at risk.
    pub flat_until: Option<Days>,
    /// Lower limit.
    pub lower: Known<Days>,
    /// Upper limit.
    pub upper: Known<Days>,
    /// The coverage that the limits are built for.
    pub level: ConfidenceLevel,
    /// The method of the pointwise limits that were inverted.
    pub method: IntervalMethod,
    /// The variance behind the limits.
    pub variance: Variance,
}

/// The day by which the part `failed_part` has failed on this curve.
///
/// The value and each limit are not known where the curve, or its pointwise limit, does not come down that far, and the limits
/// have the reason of the variance where it has one (too few clusters). The variance is that of the curve.
pub fn quantile(
    curve: &ProductLimit,
    failed_part: Fraction,
    method: super::SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> QuantileEstimate {
    let target = failed_part.complement().value();
    let nothing = Known::NotKnown(WhyNotKnown::NoObservations);
    let mut estimate = QuantileEstimate {
        failed_part,
        value: nothing,
        flat_until: None,
        lower: nothing,
        upper: nothing,
        level,
        method: method.into(),
        variance: curve.variance(),
    };
    let Some(last_day) = curve.last_day_at_risk() else { return estimate };
    let steps = curve.steps();
    let found = steps.iter().position(|step| at_or_below(step.survival.value(), target));
    estimate.value = day_or_not_reached(found.map(|i| steps[i].day));
    estimate.flat_until = found
        .filter(|&i| target > 0.0 && at_or_below(target, steps[i].survival.value()))
        .map(|i| steps.get(i + 1).map_or(last_day, |next| next.day));
    let limits = |step: &Step| match step.ln_survival_variance {
        Known::Known(variance) => survival_interval(step.survival, libm::sqrt(variance), method, level),
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    if let Some(WhyNotKnown::TooFewClusters) = steps.first().and_then(|step| reason(&step.ln_survival_variance)) {
        estimate.lower = Known::NotKnown(WhyNotKnown::TooFewClusters);
        estimate.upper = Known::NotKnown(WhyNotKnown::TooFewClusters);
        return estimate;
    }
    let first = |below: &dyn Fn(&crate::quantity::ConfidenceInterval<Fraction>) -> bool| {
        steps.iter().find(|step| limits(step).known().is_some_and(below)).map(|step| step.day)
    };
    estimate.lower = day_or_not_reached(first(&|limits| at_or_below(limits.lower.value(), target)));
    estimate.upper = day_or_not_reached(first(&|limits| at_or_below(limits.upper.value(), target)));
    estimate
}

/// The day by which one half has failed.
pub fn median(curve: &ProductLimit, inference: Inference) -> QuantileEstimate {
    quantile(curve, Fraction::new(0.5), inference.method, inference.level)
}

fn at_or_below(value: f64, target: f64) -> bool {
    value <= target * (1.0 + EQUAL_WITHIN)
}

fn day_or_not_reached(day: Option<Days>) -> Known<Days> {
    day.map_or(Known::NotKnown(WhyNotKnown::NotReached), Known::Known)
}

fn reason(known: &Known<f64>) -> Option<WhyNotKnown> {
    match known {
        Known::Known(_) => None,
        Known::NotKnown(why) => Some(*why),
    }
}

#[cfg(test)]
mod tests {
    use super::super::life_table::LifeTable;
    use super::super::observation::{Ending, Observations};
    use super::super::survival_interval::SurvivalIntervalMethod;
    use super::super::ten_rows;
    use super::*;

    fn curve_of(days: &[(i32, Ending)]) -> ProductLimit {
        let mut observations = Observations::default();
        for (&(day, ending), cluster) in days.iter().zip(0..) {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        ProductLimit::estimate(&LifeTable::count(&observations))
    }

    #[test]
    fn the_median_of_ten_rows_is_day_seven() {
        // By hand: S falls from 27/50 to 27/100 on day 7.
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::pooled()));
        let median = median(&curve, Inference::default());
        assert_eq!((median.value, median.flat_until), (Known::Known(Days::new(7)), None));
    }

    #[test]
    fn where_half_is_left_on_a_stretch_both_its_ends_are_told() {
        // By hand: of 20 or of 24 at risk one fails each day until half have; the next fails 5 days later. The product of the
        // rounded fractions is a hair below 1/2 for 20, a hair above it for 24.
        for half in [10, 12] {
            let early = (1..=half).map(|day| (day, Ending::Failed));
            let late = (0..half).map(|more| (half + 5 + more, Ending::Failed));
            let median = median(&curve_of(&early.chain(late).collect::<Vec<_>>()), Inference::default());
            assert_eq!((median.value, median.flat_until), (Known::Known(Days::new(half)), Some(Days::new(half + 5))));
        }
    }

    #[test]
    fn a_stretch_that_never_ends_reaches_to_the_last_day_at_risk() {
        let curve = curve_of(&[(1, Ending::Failed), (2, Ending::Failed), (9, Ending::Censored), (11, Ending::Censored)]);
        let median = median(&curve, Inference::default());
        assert_eq!((median.value, median.flat_until), (Known::Known(Days::new(2)), Some(Days::new(11))));
        assert_eq!(median.upper, Known::NotKnown(WhyNotKnown::NotReached));
    }

    #[test]
    fn the_day_by_which_all_have_failed_is_no_stretch() {
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::all_fail()));
        let all = quantile(&curve, Fraction::new(1.0), SurvivalIntervalMethod::Plain, ConfidenceLevel::USUAL);
        assert_eq!((all.value, all.flat_until), (Known::Known(Days::new(3)), None));
    }

    #[test]
    fn a_level_that_the_curve_does_not_reach_is_not_reached() {
        let curve = curve_of(&[(5, Ending::Failed), (9, Ending::Censored), (9, Ending::Censored)]);
        let estimate = quantile(&curve, Fraction::new(0.5), SurvivalIntervalMethod::Log, ConfidenceLevel::USUAL);
        assert_eq!(estimate.value, Known::NotKnown(WhyNotKnown::NotReached));
        let none = quantile(&curve_of(&[]), Fraction::new(0.5), SurvivalIntervalMethod::Log, ConfidenceLevel::USUAL);
        assert_eq!(none.value, Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
