//! Survival at the days that a report reads, each with its interval and with how many stand behind it.
//!
//! Decided.     Behind a survival at a horizon stand all observations and clusters of the group, and the failures up to and
//!              including that day (the later ones say nothing about it).
//!              Before the first failure neither a standard error nor an interval is known, though the formulas give 0; what can be
//!              said then is [`interval_where_none_failed`].

use super::cluster_influence::with_cluster_robust_variance;
use super::group_survival::survival_of_all;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::Inference;
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, IntervalMethod, Known, Variance, WhyNotKnown,
};

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

/// Limits of survival at a horizon by which nobody had failed. `clusters` is how many clusters have an observation that was followed from
/// the origin to the horizon.
///
/// One such observation of each cluster makes `clusters` independent ones, none of which failed: the exact limits of a share of m out of m
/// (Clopper CJ, Pearson ES. Biometrika 1934;26:404–413; for none out of m: Hanley JA, Lippman-Hand A. JAMA 1983;249:1743–1745; both from
/// memory), (α/2)^(1/m) to 1, hold whatever the others of a cluster share with it. Those followed for less are left aside, which is on the
/// safe side. Not known without any.
pub fn interval_where_none_failed(clusters: u64, level: ConfidenceLevel) -> Known<ConfidenceInterval<Fraction>> {
    if clusters == 0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let lower = Fraction::new(libm::exp(libm::log(level.tail()) / clusters as f64));
    Known::Known(ConfidenceInterval { lower, upper: Fraction::new(1.0), level, method: IntervalMethod::ClopperPearson })
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
    use super::super::clopper_pearson_interval;
    use super::super::ten_rows;
    use super::*;

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

    #[test]
    fn none_failed_is_all_of_so_many() {
        let level = ConfidenceLevel::USUAL;
        let of = |clusters| interval_where_none_failed(clusters, level);
        assert_eq!(of(0), Known::NotKnown(WhyNotKnown::NoFailures));
        for clusters in [1, 2, 17, 1_000] {
            let found = *of(clusters).known().expect("some");
            let exact = *clopper_pearson_interval(clusters, clusters, level).known().expect("some");
            assert!((found.lower.value() - exact.lower.value()).abs() < 1e-13, "absolute");
            assert_eq!(found.upper, exact.upper);
        }
        // By hand: the seventeenth root of 0.025 is 0.8049.
        assert!((of(17).known().expect("some").lower.value() - 0.8049).abs() < 5e-5, "absolute");
    }
}
