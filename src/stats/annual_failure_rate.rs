//! The yearly failure rate, by the three formulas that are in print.
//!
//! Formula.     From the survival S at z years: geometric 1 − S^(1/z); linear (1 − S)/z. From counts: person-time, failures /
//!              years under observation.
//!              From a cumulative incidence F, which lets other endings compete: the same with S = 1 − F.
//! Interval.    Geometric and linear: the limits of S put through the same formula (both fall as S rises, so the limits change
//!              places). Person-time: exact Poisson limits of the failures / years; or those of [`rate`](super::rate()), by mid-p or
//!              cluster-robust.
//! Spread.      Standard errors by the delta method: se(S)·S^(1/z − 1)/z and se(S)/z.
//! Source.      Common practice in dental reports; limits: Garwood F. Biometrika 1936;28:437–442.
//! Decided.     No rate without its formula and years: 94.7 % lost at 13 years is 7.3 % a year by the linear formula and 20.2 %
//!              by the geometric one. Without failures the value is 0; its limits are those of the survival, if it has any.
//! Not for.     Rates that change over the years: one number hides the shape of the curve.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::clustered::Clustered;
use super::person_time::PersonTime;
use super::poisson::poisson_interval;
use super::rate::{RateIntervalMethod, limits_by_cluster, ln_rate_variance_of, rate};
use crate::quantity::{
    AnnualRate, Behind, ConfidenceInterval, ConfidenceLevel, DAYS_PER_YEAR, Estimate, Fraction, Known, Variance,
    WhyNotKnown, Years,
};

/// How a yearly failure rate is worked out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AnnualFailureFormula {
    /// The same part of those still there fails each year: 1 − S^(1/z).
    Geometric,
    /// The same part of those placed fails each year: (1 − S)/z.
    Linear,
    /// Failures per year under observation.
    PersonTime,
}

/// A yearly failure rate with the formula and the years that it needs to be read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AnnualFailureRate {
    /// How it was worked out.
    pub formula: AnnualFailureFormula,
    /// Geometric and linear: z, the years after which survival was read. Person-time: all years under observation, summed.
    pub years: Years,
    /// The rate for one observation in one year.
    pub estimate: Estimate<AnnualRate>,
}

/// 1 − S^(1/z), from the survival at z `years`; not known unless z is above 0.
pub fn geometric_annual_failure_rate(survival: &Estimate<Fraction>, years: Years) -> Known<AnnualFailureRate> {
    let z = years.count();
    // 1 − S^(1/z) = −expm1(ln S / z), which keeps its digits where S is near 1.
    let rate = |s: f64| if s > 0.0 { -libm::expm1(libm::log(s) / z) } else { 1.0 };
    let slope = |s: f64| libm::pow(s, 1.0 / z - 1.0) / z;
    from_share(AnnualFailureFormula::Geometric, survival, survival.value.value() >= 1.0, years, rate, slope)
}

/// (1 − S)/z, from the survival at z `years`; not known unless z is above 0.
pub fn linear_annual_failure_rate(survival: &Estimate<Fraction>, years: Years) -> Known<AnnualFailureRate> {
    let z = years.count();
    from_share(AnnualFailureFormula::Linear, survival, survival.value.value() >= 1.0, years, |s| (1.0 - s) / z, |_| 1.0 / z)
}

/// Failures per year under observation. `behind` holds the failures; `exposure_days` is the time under observation of all
/// together, in days. Not known when that is nothing.
pub fn person_time_annual_failure_rate(
    behind: Behind,
    exposure_days: u64,
    level: ConfidenceLevel,
) -> Known<AnnualFailureRate> {
    if exposure_days == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    person_time_over_years(behind, Years::new(exposure_days as f64 / DAYS_PER_YEAR), level)
}

/// Failures per year under observation of a group followed in days. Limits are exact Poisson limits; and if the variance is to be
/// cluster-robust, each is that limit or the cluster-robust one (see [`rate`](super::rate())), whichever lies farther out. Clusters can only
/// take certainty away: where few of them happen to be alike, their spread alone would make limits of next to no width. Without failures,
/// and with fewer than two clusters, exact Poisson limits are all there is.
///
/// Not known without time under observation.
pub fn person_time_annual_failure_rate_of(
    group: &Clustered,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<AnnualFailureRate> {
    let table = group.table();
    let behind = Behind { observations: table.total(), clusters: group.clusters(), failures: table.failures() };
    let exact = person_time_annual_failure_rate(behind, table.exposure(), level);
    let by_cluster = match variance {
        Variance::ClusterRobust => ln_rate_variance_of(group).known().copied().map(libm::sqrt),
        Variance::ModelBased => None,
    };
    let Some(deviation) = by_cluster else { return exact };
    exact.map(|exact| {
        let value = exact.estimate.value.per_year();
        let limits = limits_by_cluster(value, deviation, behind.clusters, level);
        let interval = exact.estimate.interval.map(|poisson| {
            let (lower, upper) = (poisson.lower.per_year(), poisson.upper.per_year());
            let farther = limits.lower < lower || limits.upper > upper;
            ConfidenceInterval {
                lower: AnnualRate::new(lower.min(limits.lower)),
                upper: AnnualRate::new(upper.max(limits.upper)),
                level,
                method: if farther { limits.method } else { poisson.method },
            }
        });
        let estimate = Estimate { standard_error: Some(value * deviation), variance, interval, ..exact.estimate };
        AnnualFailureRate { estimate, ..exact }
    })
}

/// As [`person_time_annual_failure_rate`], for exposure that is known in years. Not known unless it is above 0.
pub fn person_time_over_years(behind: Behind, exposure: Years, level: ConfidenceLevel) -> Known<AnnualFailureRate> {
    let years = exposure.count();
    if !is_above_zero(years) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let limits = poisson_interval(behind.failures, level);
    let per_year = |count: f64| AnnualRate::new(count / years);
    Known::Known(AnnualFailureRate {
        formula: AnnualFailureFormula::PersonTime,
        years: exposure,
        estimate: Estimate {
            value: per_year(behind.failures as f64),
            standard_error: None,
            variance: Variance::ModelBased,
            interval: Known::Known(ConfidenceInterval {
                lower: per_year(limits.lower),
                upper: per_year(limits.upper),
                level,
                method: limits.method,
            }),
            behind,
        },
    })
}

/// 1 − (1 − F)^(1/z), from the cumulative incidence F at z `years`; not known unless z is above 0.
pub fn geometric_annual_rate_of_incidence(incidence: &Estimate<Fraction>, years: Years) -> Known<AnnualFailureRate> {
    let z = years.count();
    let rate = |f: f64| if f < 1.0 { -libm::expm1(libm::log1p(-f) / z) } else { 1.0 };
    let slope = |f: f64| libm::exp(libm::log1p(-f) * (1.0 / z - 1.0)) / z;
    from_share(AnnualFailureFormula::Geometric, incidence, incidence.value.value() <= 0.0, years, rate, slope)
}

/// F/z, from the cumulative incidence F at z `years`; not known unless z is above 0.
pub fn linear_annual_rate_of_incidence(incidence: &Estimate<Fraction>, years: Years) -> Known<AnnualFailureRate> {
    let z = years.count();
    from_share(AnnualFailureFormula::Linear, incidence, incidence.value.value() <= 0.0, years, |f| f / z, |_| 1.0 / z)
}

/// Failures per year under observation, with the interval asked for. `year` is the length of a year as the axis of the person-time
/// counts it: [`DAYS_PER_YEAR`] on the axis of days. Not known without time under observation.
pub fn person_time_annual_failure_rate_by(
    counted: &PersonTime,
    year: f64,
    method: RateIntervalMethod,
    level: ConfidenceLevel,
) -> Known<AnnualFailureRate> {
    rate(counted, year, method, level).map(|rate| AnnualFailureRate {
        formula: AnnualFailureFormula::PersonTime,
        years: Years::new(rate.person_time),
        estimate: Estimate {
            value: AnnualRate::new(rate.estimate.value),
            standard_error: rate.estimate.standard_error,
            variance: rate.estimate.variance,
            interval: rate.estimate.interval.map(|limits| ConfidenceInterval {
                lower: AnnualRate::new(limits.lower),
                upper: AnnualRate::new(limits.upper),
                level: limits.level,
                method: limits.method,
            }),
            behind: rate.estimate.behind,
        },
    })
}

/// The rate that a survival or an incidence gives: it falls with the one and rises with the other.
fn from_share(
    formula: AnnualFailureFormula,
    share: &Estimate<Fraction>,
    none_failed: bool,
    years: Years,
    rate: impl Fn(f64) -> f64,
    slope: impl Fn(f64) -> f64,
) -> Known<AnnualFailureRate> {
    if !is_above_zero(years.count()) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let value = share.value.value();
    // Without failures formulas give an interval of no width, which says nothing.
    let is_point = |limits: &ConfidenceInterval<Fraction>| limits.lower >= limits.upper;
    let given = match share.interval {
        Known::Known(limits) if none_failed && is_point(&limits) => Known::NotKnown(WhyNotKnown::NoFailures),
        given => given,
    };
    let interval = given.map(|limits| {
        let (lower, upper) = (rate(limits.lower.value()), rate(limits.upper.value()));
        ConfidenceInterval {
            // Which of −0 and 0 is the larger differs from build to build; 0 added makes it 0.
            lower: AnnualRate::new(lower.min(upper) + 0.0),
            upper: AnnualRate::new(lower.max(upper)),
            level: limits.level,
            method: limits.method,
        }
    });
    Known::Known(AnnualFailureRate {
        formula,
        years,
        estimate: Estimate {
            value: AnnualRate::new(if none_failed { 0.0 } else { rate(value) }),
            standard_error: share.standard_error.map(|error| error * slope(value)).filter(|error| error.is_finite()),
            variance: share.variance,
            interval,
            behind: share.behind,
        },
    })
}

/// Whether a length of time is a number above 0.
fn is_above_zero(years: f64) -> bool {
    years.is_finite() && years > 0.0
}

#[cfg(test)]
mod tests {
    use super::super::survival_interval::{SurvivalIntervalMethod, survival_interval};
    use super::*;
    use crate::quantity::IntervalMethod;

    fn survival(value: f64, error: f64) -> Estimate<Fraction> {
        let value = Fraction::new(value);
        let interval =
            survival_interval(value, error / value.value(), SurvivalIntervalMethod::Plain, ConfidenceLevel::USUAL);
        let behind = Behind { observations: 100, clusters: 60, failures: 10 };
        Estimate { value, standard_error: Some(error), variance: Variance::ClusterRobust, interval, behind }
    }

    #[test]
    fn limits_change_places_and_the_spread_follows_the_slope() {
        let years = Years::new(5.0);
        let rate = *geometric_annual_failure_rate(&survival(0.9, 0.03), years).known().expect("a rate");
        let value = rate.estimate.value.per_year();
        // 0.1 cumulative failure at 5 years: 1 − 0.9^(1/5) = 0.02085163764 (formula).
        assert!((value - 0.020_851_637_64).abs() < 5e-12, "absolute, half a unit in the last place: {value}");
        let limits = *rate.estimate.interval.known().expect("limits");
        assert!(limits.lower.per_year() < value && value < limits.upper.per_year());
        let shifted = *geometric_annual_failure_rate(&survival(0.9 + 1e-6, 0.03), years).known().expect("a rate");
        let slope = (value - shifted.estimate.value.per_year()) / 1e-6;
        assert!((rate.estimate.standard_error.expect("known") / (0.03 * slope) - 1.0).abs() < 1e-5, "relative");
    }

    #[test]
    fn without_failures_the_rate_is_nought_and_its_limits_are_those_of_the_survival() {
        let bounded = Estimate {
            interval: super::super::horizon::interval_where_none_failed(17, ConfidenceLevel::USUAL),
            ..survival(1.0, 0.0)
        };
        for rate in [geometric_annual_failure_rate, linear_annual_failure_rate] {
            let none = *rate(&survival(1.0, 0.0), Years::new(3.0)).known().expect("a rate");
            assert_eq!(none.estimate.value.per_year().to_bits(), 0.0_f64.to_bits());
            assert_eq!(none.estimate.interval, Known::NotKnown(WhyNotKnown::NoFailures));
            let bounded = *rate(&bounded, Years::new(3.0)).known().expect("a rate");
            let limits = bounded.estimate.interval.known().expect("limits");
            assert_eq!((bounded.estimate.value.per_year().to_bits(), limits.lower.per_year().to_bits()), (0, 0));
            // By hand: 0.8049 in place after three years are 6.98 % a year, or 6.50 % of those placed.
            let upper = if bounded.formula == AnnualFailureFormula::Geometric { 0.0698 } else { 0.0650 };
            assert!((limits.upper.per_year() - upper).abs() < 5e-5, "absolute: {}", limits.upper.per_year());
        }
    }

    #[test]
    fn without_time_there_is_no_rate() {
        assert_eq!(
            linear_annual_failure_rate(&survival(0.9, 0.1), Years::new(0.0)),
            Known::NotKnown(WhyNotKnown::NoObservations)
        );
        assert_eq!(
            person_time_annual_failure_rate(Behind::default(), 0, ConfidenceLevel::USUAL),
            Known::NotKnown(WhyNotKnown::NoObservations)
        );
    }

    #[test]
    fn an_incidence_gives_the_rates_of_its_complement() {
        let (years, survival) = (Years::new(7.0), survival(0.8, 0.05));
        let limits = *survival.interval.known().expect("limits");
        let incidence = Estimate {
            value: survival.value.complement(),
            interval: Known::Known(ConfidenceInterval {
                lower: limits.upper.complement(),
                upper: limits.lower.complement(),
                ..limits
            }),
            ..survival
        };
        for (of_survival, of_incidence) in [
            (geometric_annual_failure_rate(&survival, years), geometric_annual_rate_of_incidence(&incidence, years)),
            (linear_annual_failure_rate(&survival, years), linear_annual_rate_of_incidence(&incidence, years)),
        ] {
            let numbers = |rate: Known<AnnualFailureRate>| {
                let estimate = rate.known().expect("a rate").estimate;
                let limits = *estimate.interval.known().expect("limits");
                let [value, lower, upper] = [estimate.value, limits.lower, limits.upper].map(AnnualRate::per_year);
                [value, lower, upper, estimate.standard_error.expect("known")]
            };
            for (a, b) in numbers(of_survival).into_iter().zip(numbers(of_incidence)) {
                assert!((a / b - 1.0).abs() < 1e-13, "relative: {a} against {b}");
            }
        }
    }

    #[test]
    fn exact_limits_from_person_time_by_cluster_are_those_of_the_count() {
        use super::super::axis::Axis;
        let counted = PersonTime::count(&super::super::ten_rows::pooled(), &Axis::Days);
        let level = ConfidenceLevel::USUAL;
        let by = person_time_annual_failure_rate_by(&counted, DAYS_PER_YEAR, RateIntervalMethod::Exact, level);
        assert_eq!(by, person_time_annual_failure_rate(counted.behind(), 56, level));
        let robust = person_time_annual_failure_rate_by(&counted, DAYS_PER_YEAR, RateIntervalMethod::ClusterRobust, level);
        let robust = robust.known().expect("a rate").estimate;
        assert!(robust.variance == Variance::ClusterRobust && robust.interval.known().is_some());
    }

    #[test]
    fn clusters_that_happen_to_be_alike_give_no_false_certainty() {
        use super::super::observation::{Ending, Observations};
        use crate::quantity::Days;
        let of = |rows: &[(i32, Ending)]| {
            let mut observations = Observations::default();
            for (cluster, &(day, ending)) in (0..).zip(rows) {
                observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
            }
            let group = Clustered::of(&observations);
            let rate = |variance| {
                let rate = person_time_annual_failure_rate_of(&group, variance, ConfidenceLevel::USUAL);
                *rate.known().expect("time").estimate.interval.known().expect("limits")
            };
            (rate(Variance::ClusterRobust), rate(Variance::ModelBased))
        };
        // All fail on one day; two fail within a week; one of two fails after a hundred years.
        for rows in [
            &[(365, Ending::Failed); 5][..],
            &[(365, Ending::Failed), (372, Ending::Failed)],
            &[(36_525, Ending::Failed), (365, Ending::Censored)],
        ] {
            let (by_cluster, exact) = of(rows);
            assert!(by_cluster.lower <= exact.lower && by_cluster.upper >= exact.upper, "{by_cluster:?} {exact:?}");
            assert!(by_cluster.upper.per_year() > 2.0 * by_cluster.lower.per_year());
        }
        assert_eq!(of(&[(365, Ending::Failed); 5]).0.method, IntervalMethod::ExactPoisson);
    }
}
