//! Survival at the days that a report reads, each with its interval and with how many stand behind it.
//!
//! Decided.     Behind a survival at a horizon stand all observations and clusters of the group, and the failures up to and
//!              including that day (the later ones say nothing about it).
//!              Before the first failure neither a standard error nor an interval is known, though the formulas give 0.

use super::cluster_influence::with_cluster_robust_variance;
use super::group_survival::survival_of_all;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::Inference;
use crate::quantity::{Behind, Days, Estimate, Fraction, Known, Variance};

/// The survival curve of these observations with the variance asked for.
pub fn survival_curve(observations: &Observations, variance: Variance) -> ProductLimit {
    let curve = ProductLimit::of(observations);
    match variance {
        Variance::ModelBased => curve,
        Variance::ClusterRobust => with_cluster_robust_variance(curve, observations),
    }
}

/// Survival at each horizon, in the order of the horizons.
///
/// Not known without observations, nor past the last day at risk (unless all have failed by then). The interval has a reason of
/// its own where there is none: no failures, all failed, too few clusters.
pub fn survival_at_horizons(
    observations: &Observations,
    horizons: &[Days],
    inference: Inference,
) -> Vec<Known<Estimate<Fraction>>> {
    survival_of_all(observations, horizons, inference).map_or_else(Vec::new, |all| all.at_horizons)
}

/// As [`survival_at_horizons`], from a curve that is there already with its life table and its number of clusters. The variance
/// is that of the curve; `inference` gives method and level.
pub fn read_at_horizons(
    curve: &ProductLimit,
    table: &LifeTable,
    clusters: u64,
    horizons: &[Days],
    inference: Inference,
) -> Vec<Known<Estimate<Fraction>>> {
    let estimate = |&horizon: &Days| {
        curve.survival_at(horizon).map(|value| {
            let interval = curve.interval_at(horizon, inference.method, inference.level);
            let failures = table.counts_at(Days::new(horizon.count().saturating_add(1))).failed_so_far;
            Estimate {
                value,
                standard_error: interval.known().and_then(|_| curve.standard_error_at(horizon).known().copied()),
                variance: curve.variance(),
                interval,
                behind: Behind { observations: table.total(), clusters, failures },
            }
        })
    };
    horizons.iter().map(estimate).collect()
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::WhyNotKnown;

    #[test]
    fn a_horizon_tells_what_stands_behind_it() {
        let days = [1, 4, 11].map(Days::new);
        let estimates = survival_at_horizons(&ten_rows::pooled(), &days, Inference::default());
        let early = *estimates[0].known().expect("followed");
        assert_eq!((early.value, early.standard_error), (Fraction::new(1.0), None));
        assert_eq!(early.interval, Known::NotKnown(WhyNotKnown::NoFailures));
        let later = *estimates[1].known().expect("followed");
        assert_eq!(later.behind, Behind { observations: 10, clusters: 10, failures: 3 });
        // By hand: S = 27/40, variance of S 0.024046875 (Greenwood; each its own cluster).
        assert!((later.standard_error.expect("known") - 0.024_046_875_f64.sqrt()).abs() < 1e-14, "absolute");
        assert_eq!(estimates[2], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    }
}
