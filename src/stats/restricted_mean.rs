//! The restricted mean: mean time in place up to a horizon, the area under the survival curve.
//!
//! Definition.  ∫ S(u) du from 0 to the horizon, in the unit of the axis (days on the axis of days).
//! Variance.    With A_i the area from failure time i to the horizon, Σ A_i²·d_i/(n_i(n_i − d_i)); cluster-robust: influences
//!              with the weights A_i, summed by cluster.
//! Source.      Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457–481 (mean lifetime); Irwin JO. J Hyg 1949;47:188–189 (both from
//!              memory).
//! Decided.     Not known for a horizon past the last time at risk, unless S has reached 0 by then. The interval is symmetric,
//!              cut to 0..horizon.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::cluster_influence::{area_influences, area_variance};
use super::clustered::Clustered;
use super::distribution::normal_quantile_upper;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::Inference;
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// Mean time in place up to a horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestrictedMean {
    /// The day up to which time is counted.
    pub horizon: Days,
    /// The mean, in days.
    pub days: Estimate<f64>,
}

/// Mean time in place up to a horizon, both in the unit of an axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestrictedMeanTime {
    /// The time up to which time is counted.
    pub horizon: f64,
    /// The mean.
    pub mean: Estimate<f64>,
}

/// The restricted mean of these observations; the interval is always the plain one, at the level of `inference`.
pub fn restricted_mean(observations: &Observations, horizon: Days, inference: Inference) -> Known<RestrictedMean> {
    let mean =
        restricted_mean_on(observations, &Axis::Days, f64::from(horizon.count()), inference.variance, inference.level);
    mean.map(|mean| RestrictedMean { horizon, days: mean.mean })
}

/// The same of observations without case weights that are parted already, and whose curve was estimated before.
pub fn restricted_mean_of(
    curve: ProductLimit,
    clustered: &Clustered,
    horizon: Days,
    inference: Inference,
) -> Known<RestrictedMean> {
    let days = f64::from(horizon.count());
    let area = AreaToHorizon::under(curve, clustered.table(), clustered.clusters(), &Axis::Days, days);
    let robust = |area: &AreaToHorizon| area_variance(&area.curve, &area.areas, clustered);
    let mean = mean_of_area(area, robust, days, inference.variance, inference.level);
    mean.map(|mean| RestrictedMean { horizon, days: mean.mean })
}

/// The restricted mean of observations on any axis, with a plain interval.
pub fn restricted_mean_on(
    observations: &Observations,
    axis: &Axis,
    horizon: f64,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<RestrictedMeanTime> {
    let robust = |area: &AreaToHorizon| area.influences(observations).iter().map(|a| a * a).sum();
    mean_of_area(AreaToHorizon::of(observations, axis, horizon), robust, horizon, variance, level)
}

fn mean_of_area(
    area: Known<AreaToHorizon>,
    robust: impl FnOnce(&AreaToHorizon) -> f64,
    horizon: f64,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<RestrictedMeanTime> {
    let area = match area {
        Known::Known(area) => area,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let known = match variance {
        _ if area.behind.failures == 0 => Known::NotKnown(WhyNotKnown::NoFailures),
        Variance::ModelBased => Known::Known(area.greenwood),
        Variance::ClusterRobust if area.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
        Variance::ClusterRobust => Known::Known(robust(&area)),
    };
    let error = known.map(libm::sqrt);
    let reach = normal_quantile_upper(level.tail());
    let mean = Estimate {
        value: area.area,
        standard_error: error.known().copied(),
        variance,
        interval: error.map(|error| ConfidenceInterval {
            lower: (area.area - reach * error).max(0.0),
            upper: (area.area + reach * error).min(horizon.max(0.0)),
            level,
            method: IntervalMethod::Plain,
        }),
        behind: area.behind,
    };
    Known::Known(RestrictedMeanTime { horizon, mean })
}

/// The area under a curve up to a horizon, in days, for those who have the life table only.
pub fn area_under_curve(curve: &ProductLimit, horizon: Days) -> Known<f64> {
    areas_to(curve, &Axis::Days, f64::from(horizon.count())).map(|(area, _)| area)
}

/// The area under the curve of some observations, with all that its variances are made of.
pub(super) struct AreaToHorizon {
    curve: ProductLimit,
    /// From each step up to the horizon on.
    areas: Vec<f64>,
    /// The whole area.
    pub area: f64,
    /// Its model-based variance.
    pub greenwood: f64,
    /// All observations and clusters; failures up to the horizon.
    pub behind: Behind,
}

impl AreaToHorizon {
    /// Of these observations.
    pub fn of(observations: &Observations, axis: &Axis, horizon: f64) -> Known<Self> {
        let (curve, table) = (ProductLimit::of(observations), LifeTable::count(observations));
        Self::under(curve, &table, observations.clusters_present(), axis, horizon)
    }

    /// The same under their curve, with their life table and how many clusters they are of.
    fn under(curve: ProductLimit, table: &LifeTable, clusters: u64, axis: &Axis, horizon: f64) -> Known<Self> {
        let (area, areas) = match areas_to(&curve, axis, horizon) {
            Known::Known(found) => found,
            Known::NotKnown(why) => return Known::NotKnown(why),
        };
        let last = axis.tick_at(horizon).unwrap_or(-1);
        let failures = table.counts_at(Days::new(last.saturating_add(1))).failed_so_far;
        let behind = Behind { observations: table.total(), clusters, failures };
        let greenwood = greenwood_area_variance(&curve, &areas);
        Known::Known(Self { curve, areas, area, greenwood, behind })
    }

    /// What each cluster adds to the error of the area, with the sign turned; the observations are those of the area.
    pub fn influences(&self, observations: &Observations) -> Vec<f64> {
        area_influences(&self.curve, &self.areas, observations)
    }
}

/// The whole area, and that from each step up to the horizon on.
fn areas_to(curve: &ProductLimit, axis: &Axis, horizon: f64) -> Known<(f64, Vec<f64>)> {
    let Some(last) = curve.last_day_at_risk() else { return Known::NotKnown(WhyNotKnown::NoObservations) };
    if horizon.is_nan() {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let spent = curve.steps().last().is_some_and(super::product_limit::Step::all_failed);
    if horizon > axis.time(last.count()) && !spent {
        return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
    }
    let end = horizon.max(0.0);
    let steps = &curve.steps()[..curve.steps().partition_point(|step| axis.time(step.day.count()) <= horizon)];
    let mut areas = vec![0.0; steps.len()];
    let (mut area, mut right) = (0.0, end);
    for (step, place) in steps.iter().zip(&mut areas).rev() {
        let left = axis.time(step.day.count());
        area += step.survival.value() * (right - left);
        *place = area;
        right = left;
    }
    Known::Known((area + right, areas))
}

fn greenwood_area_variance(curve: &ProductLimit, areas: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (step, area) in curve.steps().iter().zip(areas) {
        let (n, d) = (step.weight_at_risk(), step.weight_failed());
        // Where all have failed there is no area to come, and no spread.
        if !step.all_failed() {
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
