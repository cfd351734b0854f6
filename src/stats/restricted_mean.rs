//! The restricted mean: mean time in place up to a horizon, the area under the survival curve.
//!
//! Definition.  ∫ S(u) du from 0 to the horizon, in days.
//! Variance.    With A_i the area from failure day i to the horizon, Σ A_i²·d_i/(n_i(n_i − d_i)); cluster-robust: influences
//!              with the weights A_i, summed by cluster.
//! Source.      Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457–481 (mean lifetime); Irwin JO. J Hyg 1949;47:188–189 (both from
//!              memory).
//! Decided.     Not known for a horizon past the last day at risk, unless S has reached 0 by then. The interval is symmetric,
//!              cut to 0..horizon.

use schemars::JsonSchema;
use serde::Serialize;

use super::cluster_influence::area_variance;
use super::distribution::normal_quantile_upper;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::Inference;
use crate::quantity::{Behind, ConfidenceInterval, Days, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};

/// Mean time in place up to a horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RestrictedMean {
    /// The day up to which time is counted.
    pub horizon: Days,
    /// The mean, in days.
    pub days: Estimate<f64>,
}

/// The restricted mean of these observations; the interval is always the plain one, at the level of `inference`.
pub fn restricted_mean(observations: &Observations, horizon: Days, inference: Inference) -> Known<RestrictedMean> {
    let table = LifeTable::count(observations);
    let curve = ProductLimit::estimate(&table);
    let (value, areas) = match areas_to(&curve, horizon) {
        Known::Known(found) => found,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let failures = table.counts_at(Days::new(horizon.count().saturating_add(1))).failed_so_far;
    let variance = match inference.variance {
        _ if failures == 0 => Known::NotKnown(WhyNotKnown::NoFailures),
        Variance::ModelBased => Known::Known(greenwood_area_variance(&curve, &areas)),
        Variance::ClusterRobust => area_variance(&curve, &areas, observations),
    };
    let error = variance.map(libm::sqrt);
    let reach = normal_quantile_upper(inference.level.tail());
    let days = Estimate {
        value,
        standard_error: error.known().copied(),
        variance: inference.variance,
        interval: error.map(|error| ConfidenceInterval {
            lower: (value - reach * error).max(0.0),
            upper: (value + reach * error).min(f64::from(horizon.count().max(0))),
            level: inference.level,
            method: IntervalMethod::Plain,
        }),
        behind: Behind { observations: table.total(), clusters: observations.clusters_present(), failures },
    };
    Known::Known(RestrictedMean { horizon, days })
}

/// The area under a curve up to a horizon, in days, for those who have the life table only.
pub fn area_under_curve(curve: &ProductLimit, horizon: Days) -> Known<f64> {
    areas_to(curve, horizon).map(|(area, _)| area)
}

/// The whole area, and that from each step up to the horizon on.
fn areas_to(curve: &ProductLimit, horizon: Days) -> Known<(f64, Vec<f64>)> {
    if let Known::NotKnown(why) = curve.survival_at(horizon) {
        return Known::NotKnown(why);
    }
    let end = f64::from(horizon.count().max(0));
    let steps = &curve.steps()[..curve.steps().partition_point(|step| step.day <= horizon)];
    let mut areas = vec![0.0; steps.len()];
    let (mut area, mut right) = (0.0, end);
    for (step, place) in steps.iter().zip(&mut areas).rev() {
        let left = f64::from(step.day.count());
        area += step.survival.value() * (right - left);
        *place = area;
        right = left;
    }
    Known::Known((area + right, areas))
}

fn greenwood_area_variance(curve: &ProductLimit, areas: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (step, area) in curve.steps().iter().zip(areas) {
        let (n, d) = (step.at_risk as f64, step.failed as f64);
        // Where all have failed there is no area to come, and no spread.
        if n > d {
            sum += area * area * d / (n * (n - d));
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_by_hand() {
        // By hand: to day 8: 2·1 + 2·0.9 + 2·0.675 + 1·0.54 + 1·0.27 = 5.96; to day 10: 6.5. Errors 0.6478194193, 0.8853812738
        // (computed with general-purpose software), half a unit in the last printed place.
        for (day, mean, error) in [(8, 5.96, 0.647_819_419_3), (10, 6.5, 0.885_381_273_8)] {
            for variance in [Variance::ModelBased, Variance::ClusterRobust] {
                let inference = Inference { variance, ..Inference::default() };
                let result = restricted_mean(&ten_rows::pooled(), Days::new(day), inference);
                let result = result.known().expect("followed").days;
                assert!((result.value - mean).abs() < 1e-14, "absolute");
                assert!((result.standard_error.expect("known") - error).abs() < 5.1e-11, "absolute");
            }
        }
    }

    #[test]
    fn past_the_last_day_at_risk_only_a_curve_at_zero_has_a_mean() {
        let pooled = restricted_mean(&ten_rows::pooled(), Days::new(11), Inference::default());
        assert_eq!(pooled, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        // By hand: failures on days 1, 2, 3: 1 + 2/3 + 1/3 = 2, whatever the horizon.
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::all_fail()));
        for day in [3, 50] {
            assert!((area_under_curve(&curve, Days::new(day)).known().expect("known") - 2.0).abs() < 1e-15, "absolute");
        }
    }
}
