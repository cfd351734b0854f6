//! Survival of two groups at given ticks, compared: difference, ratio, and on the complementary log–log scale.
//!
//! Definition.  Second against first: S₂ − S₁; S₂/S₁; ln(−ln S₂) − ln(−ln S₁), the ln of the ratio of cumulative hazards.
//! Variance.    Each contrast is, to first order, c₂·(error of ln S₂) − c₁·(error of ln S₁) with c = S for the difference, 1 for
//!              ln of the ratio, 1/ln S for the complementary log–log. Model-based: c₁²σ₁² + c₂²σ₂² (Greenwood). Cluster-robust:
//!              that combination of influences summed by cluster over both groups and squared, so patients in both count once.
//! Test.        χ² = (contrast / standard error)² on one degree of freedom. The difference has its limits and its test from the limits of
//!              both survivals, see `survival_difference`; their correlation is that of the influences of clusters in both groups.
//! Source.      Klein JP, Logan B, Harhoff M, Andersen PK. Stat Med 2007;26:4505–4519 (from memory).
//! Decided.     Where nobody has failed in a group, or all have, it adds no spread that could be estimated: no standard error, and of
//!              ratios no interval and no test. A difference has limits even where nobody has failed: those of so many units of which
//!              none failed, units being clusters (or observations) of which something was followed from the start to the tick; with
//!              case weights as many as these are worth, (Σw)²/Σw² of the mean weight w of each (Kish L. Survey Sampling, 1965, from
//!              memory). The ratio is tested and its interval built on the log scale. A group with failures and a single cluster has too few
//!              clusters; where influences cancel in each cluster, the variance is rounding, and there is no spread to tell.
//! Cost.        O(observations + ticks + clusters · ticks asked).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cluster_influence::{influences, survival_jumps, vanishes};
use super::distribution::{chi_square_upper_tail, normal_quantile_upper};
use super::life_table::LifeTable;
use super::observation::{Observations, count_clusters};
use super::product_limit::ProductLimit;
use super::survival_difference::{Difference, Side, Spread};
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// A test of one contrast against none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ContrastTest {
    /// (contrast / standard error)², on one degree of freedom; of a difference of survivals the square of the normal quantile at
    /// which its limits reach 0.
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
    let groups = [Group::new(first, horizons, variance), Group::new(second, horizons, variance)];
    let clusters = clusters_in_either(first, second);
    (0..horizons.len()).map(|h| contrast_at(&groups, h, horizons, clusters, variance, level)).collect()
}

/// One group: its curve and what its clusters add to the error.
struct Group<'a> {
    observations: &'a Observations,
    curve: ProductLimit,
    table: LifeTable,
    clusters: u64,
    /// A_c at each horizon, cluster by cluster; empty for model-based variances.
    influences: Vec<f64>,
}

impl<'a> Group<'a> {
    fn new(observations: &'a Observations, horizons: &[Days], variance: Variance) -> Self {
        let curve = ProductLimit::of(observations);
        let days: Vec<i32> = horizons.iter().map(|day| day.count()).collect();
        let influences = match variance {
            Variance::ModelBased => Vec::new(),
            Variance::ClusterRobust => influences(&survival_jumps(&curve), &days, observations),
        };
        let (table, clusters) = (LifeTable::count(observations), observations.clusters_present());
        Self { observations, curve, table, clusters, influences }
    }

    /// A_c at one horizon.
    fn influences_at(&self, h: usize, horizons: usize) -> impl Iterator<Item = f64> {
        self.influences.iter().skip(h).step_by(horizons).copied()
    }

    /// The variance of ln S.
    fn variance_at(&self, h: usize, horizons: &[Days], failed: u64, variance: Variance) -> Known<f64> {
        let Known::Known(greenwood) = self.curve.ln_survival_variance_at(horizons[h]) else {
            return Known::NotKnown(WhyNotKnown::AllFailed);
        };
        let found = match variance {
            _ if failed == 0 => return Known::NotKnown(WhyNotKnown::NoFailures),
            Variance::ModelBased => greenwood,
            Variance::ClusterRobust if self.clusters < 2 => return Known::NotKnown(WhyNotKnown::TooFewClusters),
            Variance::ClusterRobust => self.influences_at(h, horizons.len()).map(|a| a * a).sum(),
        };
        if vanishes(found, greenwood) { Known::NotKnown(WhyNotKnown::NoSpread) } else { Known::Known(found) }
    }

    /// As a side of a difference.
    fn side(&self, survival: Fraction, spread: Known<f64>, day: Days, variance: Variance) -> Known<Side> {
        let spread = match spread {
            Known::Known(found) => Spread::OfLogarithm(libm::sqrt(found)),
            Known::NotKnown(WhyNotKnown::NoFailures) => match units_followed(self.observations, day, variance) {
                units if units > 0.0 => Spread::NoneFailedOf(units),
                _ => return Known::NotKnown(WhyNotKnown::NoFailures),
            },
            Known::NotKnown(why) => return Known::NotKnown(why),
        };
        Known::Known(Side { survival: survival.value(), spread })
    }
}

/// How many clusters (or observations, for model-based variances) were followed from the start to a tick: (Σw)²/Σw² of the mean
/// weight w of what was followed of each.
fn units_followed(observations: &Observations, day: Days, variance: Variance) -> f64 {
    let followed = |i: &usize| observations.entry()[*i] == 0 && observations.exit()[*i] >= day.count();
    let followed = (0..observations.len()).filter(followed);
    let of_units = |weights: &mut dyn Iterator<Item = f64>| {
        let (sum, squares) = weights.fold((0.0, 0.0), |(sum, squares), w| (sum + w, squares + w * w));
        if squares > 0.0 { sum * sum / squares } else { 0.0 }
    };
    match variance {
        Variance::ModelBased => of_units(&mut followed.map(|i| observations.weight_of(i))),
        Variance::ClusterRobust => {
            let mut sums = vec![(0.0, 0.0); observations.clusters() as usize];
            for i in followed {
                let (weight, count) = &mut sums[observations.cluster()[i] as usize];
                (*weight, *count) = (*weight + observations.weight_of(i), *count + 1.0);
            }
            of_units(&mut sums.into_iter().filter(|(_, count)| *count > 0.0).map(|(weight, count)| weight / count))
        }
    }
}

fn contrast_at(
    groups: &[Group<'_>; 2],
    h: usize,
    horizons: &[Days],
    clusters: u64,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<SurvivalContrast> {
    let day = horizons[h];
    let (first, second) = match (groups[0].curve.survival_at(day), groups[1].curve.survival_at(day)) {
        (Known::Known(first), Known::Known(second)) => (first, second),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(why),
    };
    let failures = |group: &Group<'_>| group.table.counts_at(Days::new(day.count().saturating_add(1))).failed_so_far;
    let failed = [failures(&groups[0]), failures(&groups[1])];
    let observations = groups[0].table.total() + groups[1].table.total();
    let behind = Behind { observations, clusters, failures: failed[0] + failed[1] };
    let spreads = [0, 1].map(|side| groups[side].variance_at(h, horizons, failed[side], variance));
    // Σ A_c of the first · A_c of the second.
    let (one, two) = (groups[0].influences_at(h, horizons.len()), groups[1].influences_at(h, horizons.len()));
    let in_common: f64 = one.zip(two).map(|(one, two)| one * two).sum();
    // The error of c₂·ln S₂ − c₁·ln S₁.
    let error = |c1: f64, c2: f64| -> Known<f64> {
        let (v1, v2) = match spreads {
            [Known::Known(v1), Known::Known(v2)] => (v1, v2),
            [Known::NotKnown(why), _] | [_, Known::NotKnown(why)] => return Known::NotKnown(why),
        };
        let sum = match variance {
            Variance::ModelBased => c1 * c1 * v1 + c2 * c2 * v2,
            Variance::ClusterRobust => {
                let of = |group: &Group<'_>, c: usize| group.influences.get(c * horizons.len() + h).copied().unwrap_or(0.0);
                let longer = groups[0].influences.len().max(groups[1].influences.len()) / horizons.len();
                (0..longer).map(|c| c2 * of(&groups[1], c) - c1 * of(&groups[0], c)).map(|a| a * a).sum()
            }
        };
        let apart = c1 * c1 * v1 + c2 * c2 * v2;
        if vanishes(sum, apart) { Known::NotKnown(WhyNotKnown::NoSpread) } else { Known::Known(libm::sqrt(sum)) }
    };
    let sides = [groups[0].side(first, spreads[0], day, variance), groups[1].side(second, spreads[1], day, variance)];
    let difference = match sides {
        [Known::Known(one), Known::Known(two)] => {
            let correlation = match spreads {
                [Known::Known(v1), Known::Known(v2)] => (in_common / libm::sqrt(v1 * v2)).clamp(-1.0, 1.0),
                _ => 0.0,
            };
            Known::Known(Difference { sides: [one, two], correlation })
        }
        [Known::NotKnown(why), _] | [_, Known::NotKnown(why)] => Known::NotKnown(why),
    };
    let (s1, s2) = (first.value(), second.value());
    let difference = Contrast::of_survivals(difference, s2 - s1, error(s1, s2), variance, level, behind);
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
            // By scipy, as in `survival_difference`; the test below, by bisection there.
            let limits = difference.interval.known().expect("known");
            near(limits.lower, -0.562_415_683_933_44);
            near(limits.upper, 0.683_213_781_745_779);
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
        // By hand: one observation, followed to day 9, of which none failed: its lower limit is 0.025.
        let limits = early.difference.estimate.interval.known().expect("known");
        assert!((limits.lower - (0.4 - libm::hypot(0.975, 0.947_255_049_473_683 - 0.6))).abs() < 1e-12, "absolute");
        assert_eq!(early.difference.estimate.standard_error, None);
        assert!(early.difference.test.known().is_some());
        assert_eq!(early.complementary_log_log, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(found[1], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let one = ten_rows::all_fail();
        let found = survival_contrast(&one, &one, &[Days::new(1)], Variance::ClusterRobust, ConfidenceLevel::USUAL);
        assert_eq!(found[0].known().expect("known").difference.test, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
