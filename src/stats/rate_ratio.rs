//! The ratio of two failure rates.
//!
//! Definition.  (D₁/T₁) / (D₂/T₂), failures by person-time.
//! Interval.    Exact conditional: given D₁ + D₂, D₁ is binomial with chance p = ratio·T₁/(ratio·T₁ + T₂); Clopper and Pearson's
//!              limits of p, as p/(1 − p)·T₂/T₁.
//!              Cluster-robust: ln ratio ± t·σ, σ² = Σ over clusters of
//!              ((d₁c − λ₁·T₁c)/D₁ − (d₂c − λ₂·T₂c)/D₂)², so a cluster in both groups counts with its covariance.
//! Test.        Of a ratio of 1. Exact: the binomial probability of D₁ with p = T₁/(T₁ + T₂), two-sided three ways.
//!              Cluster-robust: ln ratio/σ by Student's distribution.
//! Source.      Przyborowski J, Wilenski H. Biometrika 1940;31:313–323; Clopper CJ, Pearson ES. Biometrika 1934;26:404–413
//!              (both from memory).
//! Decided.     Student's degrees of freedom are one less than the clusters of that group which has fewer: right when every cluster
//!              is in both groups, and on the safe side when the clusters differ. No factor for small samples besides.
//!              Where only the second group has no failures, the ratio has no value and no upper limit, but a lower one. With
//!              failures in neither there is nothing to compare.
//! Cost.        One pass over the clusters.
//! Not for.     Rates that change with time since the origin while the groups were followed for different times.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{beta_quantile_ln_odds, incomplete_beta, student_quantile_upper, student_two_sided};
use super::distribution::{Side, TailProbability};
use super::exact_test::{CountDistribution, ExactProbabilities, exact_probabilities};
use super::person_time::PersonTime;
use crate::quantity::{Behind, ConfidenceLevel, IntervalMethod, Known, Variance, WhyNotKnown};

/// The ratio of two rates, first by second.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateRatio {
    /// Failures of the first and of the second group, by their case weights.
    pub failures: [f64; 2],
    /// Person-time of both, in the unit of the axis.
    pub person_time: [f64; 2],
    /// The ratio; not known where the second group has no failures.
    pub value: Known<f64>,
    /// Standard error of its logarithm, for the cluster-robust one.
    pub ln_standard_error: Option<f64>,
    /// Lower limit.
    pub lower: Known<f64>,
    /// Upper limit; at the boundary where there is none, because the second group has no failures.
    pub upper: Known<f64>,
    /// The coverage that the limits are built for.
    pub level: ConfidenceLevel,
    /// How they were built.
    pub method: IntervalMethod,
    /// The variance behind them.
    pub variance: Variance,
    /// How many stand behind it, over both groups.
    pub behind: Behind,
}

/// The ratio with exact limits, and the probabilities of such counts if both rates are the same.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ExactRateRatio {
    /// The ratio and its limits.
    pub ratio: RateRatio,
    /// Two-sided probabilities of a difference at least as large.
    pub probabilities: ExactProbabilities,
}

/// The ratio with cluster-robust limits, and its test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusterRobustRateRatio {
    /// The ratio and its limits.
    pub ratio: RateRatio,
    /// Student's degrees of freedom.
    pub degrees_of_freedom: Option<u64>,
    /// Two-sided probability of a ratio as far from 1.
    pub probability: Known<TailProbability>,
}

/// The exact conditional comparison. Each observation counts as independent.
///
/// Not known when either group has no time under observation, or neither has failures.
pub fn exact_rate_ratio(first: &PersonTime, second: &PersonTime, level: ConfidenceLevel) -> Known<ExactRateRatio> {
    let mut ratio = match blank(first, second, level, IntervalMethod::ExactConditional, Variance::ModelBased) {
        Known::Known(ratio) => ratio,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let ([d1, d2], [t1, t2]) = (ratio.failures, ratio.person_time);
    let odds_limit = |a, b, side| libm::exp(beta_quantile_ln_odds(a, b, level.tail(), side)) * (t2 / t1);
    ratio.lower = Known::Known(if d1 > 0.0 { odds_limit(d1, d2 + 1.0, Side::Lower) } else { 0.0 });
    ratio.upper = if d2 > 0.0 {
        Known::Known(odds_limit(d1 + 1.0, d2, Side::Upper))
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    };
    let binomial = Binomial { trials: d1 + d2, chance: t1 / (t1 + t2), complement: t2 / (t1 + t2) };
    Known::Known(ExactRateRatio { ratio, probabilities: exact_probabilities(&binomial, d1) })
}

/// The cluster-robust comparison. Both groups index their clusters alike.
///
/// Not known when either group has no time under observation, or neither has failures. Limits and test are not known when one
/// has none, or fewer than two clusters.
pub fn cluster_robust_rate_ratio(
    first: &PersonTime,
    second: &PersonTime,
    level: ConfidenceLevel,
) -> Known<ClusterRobustRateRatio> {
    let mut ratio = match blank(first, second, level, IntervalMethod::Log, Variance::ClusterRobust) {
        Known::Known(ratio) => ratio,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let fewest = first.behind().clusters.min(second.behind().clusters);
    let ([d1, d2], [t1, t2]) = (ratio.failures, ratio.person_time);
    let why_not = if fewest < 2 {
        Some(WhyNotKnown::TooFewClusters)
    } else if d1 <= 0.0 || d2 <= 0.0 {
        Some(WhyNotKnown::NoFailures)
    } else {
        None
    };
    if let Some(why) = why_not {
        (ratio.lower, ratio.upper) = (Known::NotKnown(why), Known::NotKnown(why));
        return Known::Known(ClusterRobustRateRatio { ratio, degrees_of_freedom: None, probability: Known::NotKnown(why) });
    }
    let influence = |cluster| first.residual(cluster, d1 / t1) / d1 - second.residual(cluster, d2 / t2) / d2;
    let clusters = 0..first.indices().max(second.indices());
    let deviation = libm::sqrt(clusters.map(influence).map(|influence| influence * influence).sum());
    let (value, freedom) = (d1 / t1 / (d2 / t2), fewest as f64 - 1.0);
    let reach = student_quantile_upper(level.tail(), freedom) * deviation;
    ratio.ln_standard_error = Some(deviation);
    (ratio.lower, ratio.upper) = (Known::Known(value * libm::exp(-reach)), Known::Known(value * libm::exp(reach)));
    let ln_ratio = libm::log(value);
    let probability = if deviation > 0.0 {
        Known::Known(student_two_sided(ln_ratio / deviation, freedom))
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    };
    Known::Known(ClusterRobustRateRatio { ratio, degrees_of_freedom: Some(fewest - 1), probability })
}

/// The ratio without limits.
fn blank(
    first: &PersonTime,
    second: &PersonTime,
    level: ConfidenceLevel,
    method: IntervalMethod,
    variance: Variance,
) -> Known<RateRatio> {
    let failures = [first.failures(), second.failures()];
    let person_time = [first.time(), second.time()];
    if person_time.iter().any(|&time| !(time > 0.0 && time.is_finite())) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if failures[0] + failures[1] <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let value = if failures[1] > 0.0 {
        Known::Known(failures[0] / person_time[0] / (failures[1] / person_time[1]))
    } else {
        Known::NotKnown(WhyNotKnown::NoFailures)
    };
    let nothing = Known::NotKnown(WhyNotKnown::NoObservations);
    let both = |index| u64::from(first.has(index) || second.has(index));
    let behind = Behind {
        observations: first.behind().observations + second.behind().observations,
        clusters: (0..first.indices().max(second.indices())).map(both).sum(),
        failures: first.behind().failures + second.behind().failures,
    };
    Known::Known(RateRatio {
        failures,
        person_time,
        value,
        ln_standard_error: None,
        lower: nothing,
        upper: nothing,
        level,
        method,
        variance,
        behind,
    })
}

/// So many trials with the same chance, which lies strictly between 0 and 1.
struct Binomial {
    trials: f64,
    chance: f64,
    complement: f64,
}

impl CountDistribution for Binomial {
    fn ln_probability(&self, count: f64) -> f64 {
        // C(n, k)·p^k·q^(n − k) = [p^(k+1)·q^(n−k+1)/B(k + 1, n − k + 1)] / ((n + 1)·p·q).
        let (a, b) = (count + 1.0, self.trials - count + 1.0);
        incomplete_beta(a, b, self.chance, self.complement).ln_prefix
            - libm::log((self.trials + 1.0) * self.chance * self.complement)
    }

    fn ln_at_most(&self, count: f64) -> f64 {
        let left = self.trials - count;
        if left > 0.0 { incomplete_beta(count + 1.0, left, self.chance, self.complement).ln_upper } else { 0.0 }
    }

    fn ln_at_least(&self, count: f64) -> f64 {
        if count <= 0.0 {
            return 0.0;
        }
        incomplete_beta(count, self.trials - count + 1.0, self.chance, self.complement).ln_lower
    }

    fn peak(&self) -> f64 {
        libm::floor((self.trials + 1.0) * self.chance).min(self.trials)
    }

    fn highest(&self) -> f64 {
        self.trials
    }
}

#[cfg(test)]
mod tests {
    use super::super::axis::Axis;
    use super::super::grouping::Grouping;
    use super::super::observation::{Ending, Observations};
    use super::*;
    use crate::quantity::Days;

    /// (day, ending, cluster, group).
    fn two(rows: &[(i32, Ending, u32, u16)]) -> Vec<PersonTime> {
        let mut observations = Observations::default();
        for &(day, ending, cluster, _) in rows {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        let grouping = Grouping::new(rows.iter().map(|row| row.3).collect(), 2).expect("two levels");
        PersonTime::by_group(&observations, &grouping, &Axis::Days)
    }

    #[test]
    fn mouths_in_both_groups_share_their_covariance() {
        // By hand: in each of two mouths both groups have the same course, so their differences cancel: σ = 0 and the ratio is 1.
        let groups = two(&[
            (4, Ending::Failed, 0, 0),
            (4, Ending::Failed, 0, 1),
            (9, Ending::Failed, 1, 0),
            (9, Ending::Failed, 1, 1),
        ]);
        let result = cluster_robust_rate_ratio(&groups[0], &groups[1], ConfidenceLevel::USUAL);
        let result = result.known().expect("a ratio");
        assert_eq!((result.ratio.value, result.ratio.ln_standard_error), (Known::Known(1.0), Some(0.0)));
        assert_eq!((result.ratio.behind.clusters, result.degrees_of_freedom), (2, Some(1)));
        assert_eq!(result.probability, Known::NotKnown(WhyNotKnown::AtBoundary));
    }

    #[test]
    fn all_failures_on_one_side_by_hand() {
        // By hand: 3 failures in 3 days against none in 3 days: P(D₁ = 3) = 1/8, and D₁ = 0 is as probable: 1/4; twice the tail 1/4.
        // Lower limit: p³ = 0.025.
        let rows = [1, 1, 1].map(|day| (day, Ending::Failed, 0, 0));
        let mut rows = rows.to_vec();
        rows.push((3, Ending::Censored, 1, 1));
        let groups = two(&rows);
        let result = *exact_rate_ratio(&groups[0], &groups[1], ConfidenceLevel::USUAL).known().expect("failures");
        assert_eq!(result.ratio.value, Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(result.ratio.upper, Known::NotKnown(WhyNotKnown::AtBoundary));
        let p = 0.025_f64.cbrt();
        assert!((result.ratio.lower.known().expect("a limit") / (p / (1.0 - p)) - 1.0).abs() < 1e-13, "relative");
        let small = result.probabilities.sum_of_small.expect("whole");
        assert!((small.p_value - 0.25).abs() < 1e-14 && (result.probabilities.mid_p.p_value - 0.125).abs() < 1e-14);
        let robust = cluster_robust_rate_ratio(&groups[0], &groups[1], ConfidenceLevel::USUAL);
        assert_eq!(robust.known().expect("failures").probability, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }

    #[test]
    fn nothing_to_compare_is_said() {
        let groups = two(&[(1, Ending::Censored, 0, 0), (2, Ending::Censored, 1, 1)]);
        let level = ConfidenceLevel::USUAL;
        assert_eq!(exact_rate_ratio(&groups[0], &groups[1], level), Known::NotKnown(WhyNotKnown::NoFailures));
        let empty = two(&[(1, Ending::Failed, 0, 0)]);
        assert_eq!(exact_rate_ratio(&empty[0], &empty[1], level), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
