//! Mean time in place up to a horizon, compared between two groups: difference and ratio.
//!
//! Definition.  Second against first: μ₂ − μ₁; μ₂/μ₁, with μ the restricted mean up to one horizon.
//! Variance.    Model-based: Var μ₁ + Var μ₂; of ln of the ratio Var μ₁/μ₁² + Var μ₂/μ₂². Cluster-robust: with a_c the influence
//!              of cluster c on each mean, Σ_c (a₂ − a₁)² and Σ_c (a₂/μ₂ − a₁/μ₁)²: a patient with observations in both groups
//!              brings the covariance along.
//! Test.        χ² = (contrast / standard error)² on one degree of freedom; the ratio on the log scale.
//! Source.      Royston P, Parmar MKB. BMC Med Res Methodol 2013;13:152 (from memory).
//! Decided.     Where a group has no failure up to the horizon its mean has no spread to go by: no interval, no test.
//! Cost.        O(observations + ticks + clusters).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::observation::Observations;
use super::restricted_mean::AreaToHorizon;
use super::survival_contrast::{Contrast, clusters_in_either};
use crate::quantity::{Behind, ConfidenceLevel, Known, Variance, WhyNotKnown};

/// Two restricted means, compared; all times in the unit of the axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestrictedMeanContrast {
    /// The time up to which time is counted.
    pub horizon: f64,
    /// The mean of the first group.
    pub first: f64,
    /// The mean of the second group.
    pub second: f64,
    /// Second less first.
    pub difference: Contrast,
    /// Second over first; not known where the first is 0.
    pub ratio: Known<Contrast>,
}

/// The restricted means of two groups, compared. Both number their clusters alike (as groups of one set of observations do).
///
/// Not known where either mean isn't.
pub fn restricted_mean_contrast(
    first: &Observations,
    second: &Observations,
    axis: &Axis,
    horizon: f64,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<RestrictedMeanContrast> {
    let areas = [first, second].map(|observations| AreaToHorizon::of(observations, axis, horizon));
    let [one, two] = match areas {
        [Known::Known(one), Known::Known(two)] => [one, two],
        [Known::NotKnown(why), _] | [_, Known::NotKnown(why)] => return Known::NotKnown(why),
    };
    let clusters = clusters_in_either(first, second);
    let influences = match variance {
        Variance::ModelBased => [Vec::new(), Vec::new()],
        Variance::ClusterRobust => [one.influences(first), two.influences(second)],
    };
    // The error of c₂·μ₂ − c₁·μ₁.
    let error = |c1: f64, c2: f64| {
        if one.behind.failures == 0 || two.behind.failures == 0 {
            return Known::NotKnown(WhyNotKnown::NoFailures);
        }
        let sum = match variance {
            Variance::ModelBased => c1 * c1 * one.greenwood + c2 * c2 * two.greenwood,
            Variance::ClusterRobust if clusters < 2 => return Known::NotKnown(WhyNotKnown::TooFewClusters),
            Variance::ClusterRobust => {
                let of = |side: usize, c: usize| influences[side].get(c).copied().unwrap_or(0.0);
                let longer = influences[0].len().max(influences[1].len());
                (0..longer).map(|c| c2 * of(1, c) - c1 * of(0, c)).map(|a| a * a).sum()
            }
        };
        if sum > 0.0 { Known::Known(libm::sqrt(sum)) } else { Known::NotKnown(WhyNotKnown::TooFewClusters) }
    };
    let behind = Behind {
        observations: one.behind.observations + two.behind.observations,
        clusters,
        failures: one.behind.failures + two.behind.failures,
    };
    let bounds = (-horizon.max(0.0), horizon.max(0.0));
    let difference = Contrast::plain(two.area - one.area, error(1.0, 1.0), bounds, variance, level, behind);
    let ratio = if one.area > 0.0 && two.area > 0.0 {
        let error = error(1.0 / one.area, 1.0 / two.area);
        Known::Known(Contrast::ratio(two.area / one.area, error, variance, level, behind))
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    };
    Known::Known(RestrictedMeanContrast { horizon, first: one.area, second: two.area, difference, ratio })
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn groups_of_the_ten_rows_by_hand() {
        // By hand to day 5: A 2 + 2·0.8 + 1·0.6 = 4.2, areas 2.2 and 0.6: 2.2²/20 + 0.6²/12 = 0.272.
        // B 4 + 0.75 = 4.75, area 0.75: 0.75²/12 = 0.046875.
        let (observations, grouping) = ten_rows::grouped();
        let groups = observations.by_group(&grouping);
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let level = ConfidenceLevel::USUAL;
            let found = restricted_mean_contrast(&groups[0], &groups[1], &Axis::Days, 5.0, variance, level);
            let found = *found.known().expect("known");
            let near = |value: f64, reference: f64| assert!((value - reference).abs() < 1e-14, "absolute: {value}");
            near(found.difference.estimate.value, 0.55);
            near(found.difference.estimate.standard_error.expect("known"), libm::sqrt(0.272 + 0.046_875));
            let ratio = found.ratio.known().expect("known").estimate;
            near(ratio.value, 4.75 / 4.2);
            let error = libm::sqrt(0.272 / (4.2 * 4.2) + 0.046_875 / (4.75 * 4.75));
            near(ratio.standard_error.expect("known"), error);
        }
    }

    #[test]
    fn a_group_against_itself_differs_by_nothing_and_knows_no_spread() {
        // The same patients on both sides: influences cancel, which independent groups would not notice.
        let pooled = ten_rows::pooled();
        let level = ConfidenceLevel::USUAL;
        let of = |variance| restricted_mean_contrast(&pooled, &pooled, &Axis::Days, 8.0, variance, level);
        let robust = *of(Variance::ClusterRobust).known().expect("known");
        assert_eq!(robust.difference.test, Known::NotKnown(WhyNotKnown::TooFewClusters));
        assert!(of(Variance::ModelBased).known().expect("known").difference.test.known().is_some());
        let late = restricted_mean_contrast(&pooled, &pooled, &Axis::Days, 11.0, Variance::ModelBased, level);
        assert_eq!(late, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        assert_eq!(pooled.last_day(), Some(Days::new(10)));
    }
}
