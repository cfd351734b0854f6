//! What clusters do to a plan: how many times as many observations, or failures, they make necessary.
//!
//! Definition.  The design effect is the variance of the comparison by that of as many independent observations. With mean size m of
//!              a cluster, coefficient of variation v of the sizes, and intracluster correlation ρ:
//!              whole clusters in one group: 1 + ((1 + v²)·m − 1)·ρ;
//!              each cluster split between the groups in the same proportion: 1 − ρ, whatever its size;
//!              groups given out to each observation by chance: 1, to first order.
//! Formula.     ρ of being failed by a horizon, where a gamma frailty of variance f is shared and S is survival there:
//!              (S₁₂ − S²)/(S(1 − S)) with S₁₂ = (2·S^(−f) − 1)^(−1/f) the probability that two of one cluster are both in place.
//! Source.      Whole clusters: Donner A, Birkett N, Buck C. Am J Epidemiol 1981;114:906–914; unequal sizes: Eldridge SM, Ashby D,
//!              Kerry S. Int J Epidemiol 2006;35:1292–1300; within clusters: Hujoel PP, Loesche WJ. J Clin Periodontol
//!              1990;17:722–728; joint survival: Clayton DG. Biometrika 1978;65:141–151 (all from memory).
//! Decided.     Failures needed are multiplied by the design effect of being failed by the end of follow-up: the correlation of
//!              failure indicators stands in for that of log-rank residuals, which it nearly is while few fail; simulate to be sure.
//!              A cluster counts by the square of its size, hence 1 + v². A correlation below 0 is taken
//!              as long as the variance stays above 0.
//! Not for.     Clusters split unevenly between groups: in between the first two; simulate.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{Fraction, Known, WhyNotKnown};

/// To what a group is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AssignmentUnit {
    /// All observations of a cluster are in one group.
    #[default]
    WholeCluster,
    /// Each cluster has observations in both groups, in the proportion of the whole.
    WithinCluster,
    /// To each observation by chance, whatever its cluster.
    Observation,
}

/// How observations share clusters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clustering {
    /// Mean number of observations of a cluster; at least 1.
    pub mean_size: f64,
    /// Standard deviation of that number by its mean; 0 when all are of one size.
    pub size_variation: f64,
    /// How alike two of one cluster are: the correlation of their outcomes.
    pub correlation: f64,
}

impl Clustering {
    /// Each observation a cluster of its own.
    pub const NONE: Self = Self { mean_size: 1.0, size_variation: 0.0, correlation: 0.0 };

    /// Sizes as they are counted, with a correlation; none without clusters, or if one is empty.
    pub fn of_sizes(sizes: &[u32], correlation: f64) -> Option<Self> {
        if sizes.is_empty() || sizes.contains(&0) {
            return None;
        }
        let count = sizes.len() as f64;
        let mean_size = sizes.iter().map(|&size| f64::from(size)).sum::<f64>() / count;
        let squares = sizes.iter().map(|&size| (f64::from(size) - mean_size) * (f64::from(size) - mean_size)).sum::<f64>();
        Some(Self { mean_size, size_variation: libm::sqrt(squares / count) / mean_size, correlation })
    }
}

/// The variance of a comparison by that of as many independent observations.
///
/// Not known where a size is below 1, a variation below 0, the correlation beyond 1, or no variance would be left.
pub fn design_effect(clustering: Clustering, unit: AssignmentUnit) -> Known<f64> {
    let Clustering { mean_size: m, size_variation: v, correlation } = clustering;
    if !(m >= 1.0 && m.is_finite() && v >= 0.0 && v.is_finite() && (-1.0..=1.0).contains(&correlation)) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    let effect = match unit {
        AssignmentUnit::WholeCluster => 1.0 + ((1.0 + v * v) * m - 1.0) * correlation,
        AssignmentUnit::WithinCluster => 1.0 - correlation,
        AssignmentUnit::Observation => 1.0,
    };
    if effect > 0.0 { Known::Known(effect) } else { Known::NotKnown(WhyNotKnown::OutsideItsRange) }
}

/// The correlation between two of one cluster of being failed by a horizon, given survival to it and the variance of the gamma
/// frailty that they share.
///
/// Not known unless survival lies strictly between 0 and 1 and the variance is 0 or above.
pub fn correlation_of_frailty(survival: Fraction, frailty_variance: f64) -> Known<f64> {
    let s = survival.value();
    if !(s > 0.0 && s < 1.0) {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    if !(frailty_variance >= 0.0 && frailty_variance.is_finite()) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    if frailty_variance <= 0.0 {
        return Known::Known(0.0);
    }
    // With u = S^(−f) − 1: ln S₁₂ − 2·ln S = (2·ln(1 + u) − ln(1 + 2u))/f = ln(1 + u²/(1 + 2u))/f, so that nothing cancels; where
    // u² overflows, the logarithm is that of u/2 and S₁₂ is S to the digits that there are.
    let u = libm::expm1(-frailty_variance * libm::log(s));
    let excess = if u < 1e150 { libm::log1p(u * u / (1.0 + 2.0 * u)) } else { libm::log(0.5 * u) } / frailty_variance;
    let excess = if u.is_finite() { excess } else { -libm::log(s) - std::f64::consts::LN_2 / frailty_variance };
    Known::Known((s * libm::expm1(excess) / (1.0 - s)).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn effect(mean_size: f64, size_variation: f64, correlation: f64, unit: AssignmentUnit) -> Known<f64> {
        design_effect(Clustering { mean_size, size_variation, correlation }, unit)
    }

    #[test]
    fn by_hand() {
        // By hand: 1 + 3·0.1; 1 + (1.25·4 − 1)·0.1; 1 − 0.1.
        let close = |found: Known<f64>, expected: f64| assert!((found.known().expect("in range") - expected).abs() < 1e-15);
        close(effect(4.0, 0.0, 0.1, AssignmentUnit::WholeCluster), 1.3);
        close(effect(4.0, 0.5, 0.1, AssignmentUnit::WholeCluster), 1.4);
        close(effect(4.0, 0.5, 0.1, AssignmentUnit::WithinCluster), 0.9);
        close(effect(4.0, 0.5, 0.1, AssignmentUnit::Observation), 1.0);
        close(design_effect(Clustering::NONE, AssignmentUnit::WholeCluster), 1.0);
        // Sizes 1, 1, 4: mean 2, variance 2, v² = 1/2.
        let sizes = Clustering::of_sizes(&[1, 1, 4], 0.2).expect("clusters");
        close(design_effect(sizes, AssignmentUnit::WholeCluster), 1.0 + (1.5 * 2.0 - 1.0) * 0.2);
        assert_eq!(Clustering::of_sizes(&[], 0.2), None);
    }

    #[test]
    fn what_leaves_no_variance_is_refused() {
        for bad in [
            effect(0.5, 0.0, 0.1, AssignmentUnit::WholeCluster),
            effect(4.0, -1.0, 0.1, AssignmentUnit::WholeCluster),
            effect(4.0, 0.0, -0.5, AssignmentUnit::WholeCluster),
            effect(2.0, 0.0, 1.0, AssignmentUnit::WithinCluster),
            effect(f64::NAN, 0.0, 0.1, AssignmentUnit::Observation),
        ] {
            assert_eq!(bad, Known::NotKnown(WhyNotKnown::OutsideItsRange));
        }
    }

    #[test]
    fn correlation_of_a_shared_frailty_by_hand() {
        // By hand, f = 1, S = 1/2: S₁₂ = 1/(2·2 − 1) = 1/3; (1/3 − 1/4)/(1/4) = 1/3.
        let half = correlation_of_frailty(Fraction::new(0.5), 1.0);
        assert!((half.known().expect("known") - 1.0 / 3.0).abs() < 1e-15, "absolute");
        // Small variances: ln S₁₂/S² tends to f·(ln S)², so the correlation to f·S·(ln S)²/(1 − S).
        let small = *correlation_of_frailty(Fraction::new(0.8), 1e-9).known().expect("known");
        let limit = 1e-9 * 0.8 * 0.8_f64.ln().powi(2) / 0.2;
        assert!((small / limit - 1.0).abs() < 1e-7, "relative: {small}");
        assert_eq!(correlation_of_frailty(Fraction::new(0.8), 0.0), Known::Known(0.0));
        assert_eq!(correlation_of_frailty(Fraction::new(1.0), 0.5), Known::NotKnown(WhyNotKnown::AtBoundary));
        // A frailty so uneven that a mouth fails whole or not at all.
        let whole = *correlation_of_frailty(Fraction::new(0.5), 1e6).known().expect("known");
        assert!(whole > 0.999 && whole <= 1.0, "{whole}");
    }
}
