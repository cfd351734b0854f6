//! Survival of two groups at given ticks, compared: difference, ratio, and on the complementary log–log scale.
//!
//! Definition.  Second against first: S₂ − S₁; S₂/S₁; ln(−ln S₂) − ln(−ln S₁), the ln of the ratio of cumulative hazards.
//! Variance.    Each contrast is, to first order, c₂·(error of ln S₂) − c₁·(error of ln S₁) with c = S for the difference, 1 for
//!              ln of the ratio, 1/ln S for the complementary log–log. Model-based: c₁²σ₁² + c₂²σ₂² (Greenwood). Cluster-robust:
//!              that combination of influences summed by cluster over both groups and squared, so patients in both count once.
//! Test.        χ² = (contrast / standard error)² on one degree of freedom.
//! Source.      Klein JP, Logan B, Harhoff M, Andersen PK. Stat Med 2007;26:4505–4519 (from memory).
//! Decided.     Where nobody has failed in a group, or all have, it adds no spread that could be estimated: no interval, no test.
//!              The ratio is tested and its interval built on the log scale. A cluster-robust variance of exactly 0 (a handful of
//!              clusters whose influences cancel) counts as too few clusters.
//! Cost.        O(observations + ticks + clusters · ticks asked).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cluster_influence::{influences, survival_jumps};
use super::distribution::{chi_square_upper_tail, normal_quantile_upper};
use super::life_table::LifeTable;
use super::observation::{Observations, count_clusters};
use super::product_limit::ProductLimit;
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// A test of one contrast against none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ContrastTest {
    /// (contrast / standard error)², on one degree of freedom.
    pub chi_square: f64,
    /// P(χ² ≥ that).
    pub p_value: f64,
    /// Its natural logarithm.
    pub ln_p_value: f64,
}

impl ContrastTest {
    /// Of a contrast with its standard error.
    pub(super) fn of(contrast: f64, standard_error: f64) -> Self {
        let ratio = contrast / standard_error;
        let tail = chi_square_upper_tail(ratio * ratio, 1);
        Self { chi_square: ratio * ratio, p_value: tail.p_value, ln_p_value: tail.ln_p_value }
    }
}

/// A contrast and its test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Contrast {
    /// The contrast; for the ratio, the standard error is that of its logarithm.
    pub estimate: Estimate<f64>,
    /// The test, or why there is none.
    pub test: Known<ContrastTest>,
}

impl Contrast {
    /// A contrast that is symmetric as it stands, within `bounds`.
    pub(super) fn plain(
        value: f64,
        error: Known<f64>,
        bounds: (f64, f64),
        variance: Variance,
        level: ConfidenceLevel,
        behind: Behind,
    ) -> Self {
        let reach = normal_quantile_upper(level.tail());
        let interval = error.map(|error| ConfidenceInterval {
            lower: (value - reach * error).max(bounds.0),
            upper: (value + reach * error).min(bounds.1),
            level,
            method: IntervalMethod::Plain,
        });
        let estimate = Estimate { value, standard_error: error.known().copied(), variance, interval, behind };
        Self { estimate, test: error.map(|error| ContrastTest::of(value, error)) }
    }

    /// A ratio, symmetric on the log scale; `error` is that of its logarithm.
    pub(super) fn ratio(value: f64, error: Known<f64>, variance: Variance, level: ConfidenceLevel, behind: Behind) -> Self {
        let reach = normal_quantile_upper(level.tail());
        let interval = error.map(|error| ConfidenceInterval {
            lower: value * libm::exp(-reach * error),
            upper: value * libm::exp(reach * error),
            level,
            method: IntervalMethod::Log,
        });
        let estimate = Estimate { value, standard_error: error.known().copied(), variance, interval, behind };
        Self { estimate, test: error.map(|error| ContrastTest::of(libm::log(value), error)) }
    }
}

/// Two survivals at one tick, compared.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurvivalContrast {
    /// The tick.
    pub horizon: Days,
    /// Survival of the first group.
    pub first: Fraction,
    /// Survival of the second group.
    pub second: Fraction,
    /// Second less first.
    pub difference: Contrast,
    /// Second over first; not known where the first is 0.
    pub ratio: Known<Contrast>,
    /// ln(−ln) of the second less that of the first; not known where either is 0 or 1.
    pub complementary_log_log: Known<Contrast>,
}

/// Survival of two groups at each horizon, compared. Both number their clusters alike (as groups of one set of observations do).
///
/// Not known where either survival isn't.
pub fn survival_contrast(
    first: &Observations,
    second: &Observations,
    horizons: &[Days],
    variance: Variance,
    level: ConfidenceLevel,
) -> Vec<Known<SurvivalContrast>> {
    let sides = [Side::new(first, horizons, variance), Side::new(second, horizons, variance)];
    let clusters = clusters_in_either(first, second);
    (0..horizons.len()).map(|h| contrast_at(&sides, h, horizons, clusters, variance, level)).collect()
}

/// One group: its curve and what its clusters add to the error.
struct Side {
    curve: ProductLimit,
    table: LifeTable,
    /// A_c at each horizon, cluster by cluster; empty for model-based variances.
    influences: Vec<f64>,
}

impl Side {
    fn new(observations: &Observations, horizons: &[Days], variance: Variance) -> Self {
        let curve = ProductLimit::of(observations);
        let days: Vec<i32> = horizons.iter().map(|day| day.count()).collect();
        let influences = match variance {
            Variance::ModelBased => Vec::new(),
            Variance::ClusterRobust => influences(&survival_jumps(&curve), &days, observations),
        };
        Self { curve, table: LifeTable::count(observations), influences }
    }
}

fn contrast_at(
    sides: &[Side; 2],
    h: usize,
    horizons: &[Days],
    clusters: u64,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<SurvivalContrast> {
    let day = horizons[h];
    let (first, second) = match (sides[0].curve.survival_at(day), sides[1].curve.survival_at(day)) {
        (Known::Known(first), Known::Known(second)) => (first, second),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(why),
    };
    let failures = |side: &Side| side.table.counts_at(Days::new(day.count().saturating_add(1))).failed_so_far;
    let failed = [failures(&sides[0]), failures(&sides[1])];
    let observations = sides[0].table.total() + sides[1].table.total();
    let behind = Behind { observations, clusters, failures: failed[0] + failed[1] };
    // The error of c₂·ln S₂ − c₁·ln S₁.
    let error = |c1: f64, c2: f64| -> Known<f64> {
        if failed.contains(&0) {
            return Known::NotKnown(WhyNotKnown::NoFailures);
        }
        let greenwood = [&sides[0].curve, &sides[1].curve].map(|curve| curve.ln_survival_variance_at(day));
        let ([Known::Known(v1), Known::Known(v2)], count) = (greenwood, horizons.len()) else {
            return Known::NotKnown(WhyNotKnown::AllFailed);
        };
        let sum = match variance {
            Variance::ModelBased => c1 * c1 * v1 + c2 * c2 * v2,
            Variance::ClusterRobust if clusters < 2 => return Known::NotKnown(WhyNotKnown::TooFewClusters),
            Variance::ClusterRobust => {
                let of = |side: &Side, c: usize| side.influences.get(c * count + h).copied().unwrap_or(0.0);
                let longer = sides[0].influences.len().max(sides[1].influences.len()) / count;
                (0..longer).map(|c| c2 * of(&sides[1], c) - c1 * of(&sides[0], c)).map(|a| a * a).sum()
            }
        };
        if sum > 0.0 { Known::Known(libm::sqrt(sum)) } else { Known::NotKnown(WhyNotKnown::TooFewClusters) }
    };
    let (s1, s2) = (first.value(), second.value());
    let difference = Contrast::plain(s2 - s1, error(s1, s2), (-1.0, 1.0), variance, level, behind);
    let ratio = if s1 > 0.0 {
        Known::Known(Contrast::ratio(s2 / s1, error(1.0, 1.0), variance, level, behind))
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    };
    let (l1, l2) = (libm::log(s1), libm::log(s2));
    let inside = |s: f64| s > 0.0 && s < 1.0;
    let complementary_log_log = if inside(s1) && inside(s2) {
        let bounds = (f64::NEG_INFINITY, f64::INFINITY);
        let value = libm::log(-l2) - libm::log(-l1);
        let mut contrast = Contrast::plain(value, error(1.0 / l1, 1.0 / l2), bounds, variance, level, behind);
        contrast.estimate.interval = contrast
            .estimate
            .interval
            .map(|interval| ConfidenceInterval { method: IntervalMethod::ComplementaryLogLog, ..interval });
        Known::Known(contrast)
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    };
    Known::Known(SurvivalContrast { horizon: day, first, second, difference, ratio, complementary_log_log })
}

/// How many clusters have an observation in either group.
pub(super) fn clusters_in_either(first: &Observations, second: &Observations) -> u64 {
    count_clusters(first.cluster().iter().chain(second.cluster()).copied(), first.clusters().max(second.clusters()) as usize)
}

#[cfg(test)]
mod tests {
    use super::super::observation::Ending;
    use super::super::ten_rows;
    use super::*;

    fn groups() -> (Observations, Observations) {
        let (observations, grouping) = ten_rows::grouped();
        let mut groups = observations.by_group(&grouping).into_iter();
        (groups.next().expect("A"), groups.next().expect("B"))
    }

    #[test]
    fn groups_of_the_ten_rows_by_hand() {
        // By hand on day 5: A 4/5 · 3/4 = 3/5, σ² = 1/20 + 1/12 = 2/15; B 3/4, σ² = 1/12 (day 4, 4 at risk).
        let (a, b) = groups();
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let found = survival_contrast(&a, &b, &[Days::new(5)], variance, ConfidenceLevel::USUAL);
            let found = found[0].known().expect("known");
            let near = |value: f64, reference: f64| assert!((value - reference).abs() < 1e-14, "absolute: {value}");
            let difference = found.difference.estimate;
            near(difference.value, 0.15);
            let error = libm::sqrt(0.36 * 2.0 / 15.0 + 0.5625 / 12.0);
            near(difference.standard_error.expect("known"), error);
            near(found.difference.test.known().expect("known").chi_square, 0.0225 / (error * error));
            let ratio = found.ratio.known().expect("known").estimate;
            near(ratio.value, 1.25);
            near(ratio.standard_error.expect("known"), libm::sqrt(2.0 / 15.0 + 1.0 / 12.0));
            let loglog = found.complementary_log_log.known().expect("known").estimate;
            let (l1, l2) = (libm::log(0.6), libm::log(0.75));
            near(loglog.value, libm::log(l2 / l1));
            near(loglog.standard_error.expect("known"), libm::sqrt(2.0 / 15.0 / (l1 * l1) + 1.0 / 12.0 / (l2 * l2)));
            assert_eq!(difference.behind, Behind { observations: 10, clusters: 10, failures: 3 });
        }
    }

    #[test]
    fn a_group_without_failures_and_one_mouth_have_no_interval() {
        let (a, _) = groups();
        let mut calm = Observations::default();
        calm.push(Days::new(0), Days::new(9), Ending::Censored, 3).expect("in order");
        let found =
            survival_contrast(&a, &calm, &[Days::new(5), Days::new(99)], Variance::ModelBased, ConfidenceLevel::USUAL);
        let early = found[0].known().expect("known");
        assert_eq!(early.difference.estimate.interval, Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(early.complementary_log_log, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(found[1], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let one = ten_rows::all_fail();
        let found = survival_contrast(&one, &one, &[Days::new(1)], Variance::ClusterRobust, ConfidenceLevel::USUAL);
        assert_eq!(found[0].known().expect("known").difference.test, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
