//! The robust test between groups where clusters are few: a reference distribution (F) that knows their number.
//!
//! Definition.  X² = Uᵀ V⁻ U with V = Σ over clusters of u·uᵀ and U = Σ u can't exceed the number of clusters C (Cauchy–Schwarz), so
//!              the χ² distribution, which has no end, is wrong for few of them: with three clusters the smallest p it can give
//!              for one degree of freedom is 0.083. If the u are independent and normal about 0 with one variance, X²/C follows a
//!              beta distribution with (q/2, (C − q)/2), q the rank: F = (C − q)/q · X²/(C − X²) has (q, C − q) degrees of freedom.
//!              That is Hotelling's one-sample test of the clusters' residuals; for q = 1, Student's t with C − 1.
//! Source.      Hotelling H. Ann Math Stat 1931;2:360–378 (from memory); the form in X² follows by algebra.
//! Decided.     C counts the clusters with residuals that are more than rounding: a cluster that was never at risk beside another
//!              group can't inform. Up to 40 of them count as few (a custom of the methods literature; from memory).
//! Not for.     Clusters of very unequal size, for which C is too many: see `wild_bootstrap`. The interval of a survival: see
//!              `few_clusters`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::beta_upper_tail;
use crate::quantity::{Known, WhyNotKnown};

/// Up to so many clusters with information, the χ² reference of a robust test is not to be relied on.
pub const FEW_CLUSTERS: u64 = 40;

/// A robust score test with a reference distribution for this number of clusters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FiniteClusters {
    /// How many clusters carry information about the difference.
    pub informative_clusters: u64,
    /// Whether these are few, at most [`FEW_CLUSTERS`]: rely on this test, or on signs drawn at random, rather than on χ².
    pub few: bool,
    /// The statistic.
    pub f_statistic: f64,
    /// Degrees of freedom above the line: the rank.
    pub numerator_degrees_of_freedom: u32,
    /// Degrees of freedom below the line: clusters less rank.
    pub denominator_degrees_of_freedom: u64,
    /// Probability of a statistic this large or larger if all groups fail at the same pace.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

/// The reference for `clusters` that inform. Not known unless there are more of them than the rank.
pub(super) fn finite_clusters(chi_square: f64, rank: u32, clusters: u64) -> Known<FiniteClusters> {
    if rank == 0 || clusters <= u64::from(rank) {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    let (c, q) = (clusters as f64, f64::from(rank));
    let part = (chi_square / c).clamp(0.0, 1.0);
    // Where all clusters have the same residuals nothing is left but rounding.
    let rest = ((c - chi_square) / c).clamp(f64::EPSILON, 1.0);
    let tail = beta_upper_tail(0.5 * q, 0.5 * (c - q), part, rest);
    Known::Known(FiniteClusters {
        informative_clusters: clusters,
        few: clusters <= FEW_CLUSTERS,
        f_statistic: (c - q) / q * part / rest,
        numerator_degrees_of_freedom: rank,
        denominator_degrees_of_freedom: clusters - u64::from(rank),
        p_value: tail.p_value,
        ln_p_value: tail.ln_p_value,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_degree_of_freedom_is_students_t_of_the_clusters_residuals() {
        // By hand: residuals 1, 2, 3, 4, 5. U 15, V 55, X² = 225/55. Mean 3, variance 2.5: t = 3/√(2.5/5) = 4.2426, t² = 18 on 4.
        // Two-sided p of t = √18 on 4 degrees of freedom, in closed form: 1 − s·(1 + c²/2), s = √(18/22), c² = 4/22.
        let test = finite_clusters(225.0 / 55.0, 1, 5);
        let test = test.known().expect("five clusters");
        assert!((test.f_statistic - 18.0).abs() < 1e-12, "absolute: {}", test.f_statistic);
        assert_eq!((test.numerator_degrees_of_freedom, test.denominator_degrees_of_freedom, test.few), (1, 4, true));
        let p = 1.0 - (18.0_f64 / 22.0).sqrt() * (1.0 + 0.5 * 4.0 / 22.0);
        assert!((test.p_value / p - 1.0).abs() < 1e-12, "relative: {} against {p}", test.p_value);
    }

    #[test]
    fn with_no_more_clusters_than_rank_there_is_no_reference() {
        assert_eq!(finite_clusters(2.0, 2, 2), Known::NotKnown(WhyNotKnown::TooFewClusters));
        assert!(finite_clusters(3.0, 2, 3).known().is_some_and(|test| test.p_value > 0.0 && test.ln_p_value.is_finite()));
    }
}
