//! Two shares compared where observations come in clusters, which may be in both groups.
//!
//! Formula.     Influence of an observation: (y − p₁)/n₁ in the first group, −(y − p₂)/n₂ in the second, summed by cluster; variance as in
//!              `clustered_codes`. Difference ± t·σ. Ratio: with influences by p₁ and p₂, ln ratio ± t·σ.
//!              Hybrid: as Newcombe's, from the limits l, u of both shares with their correlation ρ:
//!              lower d − √(δ₁² − 2ρ·δ₁·ε₂ + ε₂²), δ = p − l, ε = u − p; Wilson's limits by effective sizes, see `clustered_share`.
//! Source.      Donner A, Klar N. Design and Analysis of Cluster Randomization Trials, 2000; hybrid with correlation: Zou GY, Donner A. Stat
//!              Med 2008;27:1693–1702 (both from memory).
//! Decided.     Student's degrees of freedom are one less than the clusters of that group which has fewer, as in `rate_ratio`. Where a share
//!              is 0 or 1 its part of the variance can't be seen; the hybrid limits remain, the others are not known if both are.
//! Cost.        A few passes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{student_quantile_upper, student_two_sided};
use super::clustered_codes::{ClusteredCodes, covariance, vanishes, variance};
use super::clustered_share::{ClusteredShare, clustered_share};
use super::distribution::TailProbability;
use super::share_contrast::ShareRatio;
use super::survival_difference::squared_and_added;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// A contrast of two shares with clusters taken into account.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredShareContrast {
    /// Both shares.
    pub shares: [ClusteredShare; 2],
    /// First less second.
    pub difference: f64,
    /// Its standard error.
    pub standard_error: Known<f64>,
    /// Its variance by that of as many independent observations.
    pub design_effect: Known<f64>,
    /// Correlation of both shares, from the clusters that are in both groups; 0 where it can't be seen.
    pub correlation: f64,
    /// Limits by the standard error.
    pub plain: Known<ConfidenceInterval<f64>>,
    /// Limits put together from those of both shares.
    pub hybrid: Known<ConfidenceInterval<f64>>,
    /// Two-sided probability of a difference as large.
    pub probability: Known<TailProbability>,
    /// First by second.
    pub risk_ratio: ShareRatio,
    /// Student's degrees of freedom.
    pub degrees_of_freedom: Option<u64>,
    /// Clusters that are in both groups.
    pub clusters_in_both: u64,
    /// How many stand behind it; failures are those with the feature.
    pub behind: Behind,
}

/// Compares the share with column `feature` in the first of `rows` with that in the second.
///
/// Not known when either row is empty.
pub fn clustered_share_contrast(
    codes: &ClusteredCodes<'_>,
    rows: [u16; 2],
    feature: u16,
    level: ConfidenceLevel,
) -> Known<ClusteredShareContrast> {
    let shares = rows.map(|row| clustered_share(codes, row, feature, level));
    contrast_of_clustered_shares(codes, rows, shares, feature, level)
}

/// The same where both shares are known already.
pub fn contrast_of_clustered_shares(
    codes: &ClusteredCodes<'_>,
    rows: [u16; 2],
    shares: [Known<ClusteredShare>; 2],
    feature: u16,
    level: ConfidenceLevel,
) -> Known<ClusteredShareContrast> {
    let shares = match shares {
        [Known::Known(first), Known::Known(second)] => [first, second],
        [Known::NotKnown(_), Known::NotKnown(why)] => return Known::NotKnown(why),
        _ => return Known::NotKnown(WhyNotKnown::TooFewGroups),
    };
    let [x1, x2] = shares.map(|share| share.behind.failures as f64);
    let [n1, n2] = shares.map(|share| share.behind.observations as f64);
    let (first, second, feature) = (usize::from(rows[0]), usize::from(rows[1]), usize::from(feature));
    let residual = |at: usize, column: usize, row: usize, x: f64, n: f64| {
        if at != row {
            0.0
        } else if column == feature {
            (n - x) / n / n
        } else {
            -x / n / n
        }
    };
    let kept = |row: usize| row == first || row == second;
    let one = codes.sums(kept, |row, column| residual(row, column, first, x1, n1));
    let two = codes.sums(kept, |row, column| residual(row, column, second, x2, n2));
    let (v1, v2, both) = (variance(&one), variance(&two), covariance(&one, &two));
    let in_groups = shares[0].behind.clusters + shares[1].behind.clusters;
    let correlation = if v1 > 0.0 && v2 > 0.0 { (both / libm::sqrt(v1 * v2)).clamp(-1.0, 1.0) } else { 0.0 };
    let fewest = shares[0].behind.clusters.min(shares[1].behind.clusters);
    let difference = (x1 * n2 - x2 * n1) / (n1 * n2);
    let unknown = WhyNotKnown::TooFewClusters;
    let value = if x2 > 0.0 { Known::Known(x1 * n2 / (x2 * n1)) } else { Known::NotKnown(WhyNotKnown::AtBoundary) };
    let mut contrast = ClusteredShareContrast {
        shares,
        difference,
        standard_error: Known::NotKnown(unknown),
        design_effect: Known::NotKnown(unknown),
        correlation,
        plain: Known::NotKnown(unknown),
        hybrid: Known::NotKnown(unknown),
        probability: Known::NotKnown(unknown),
        risk_ratio: ShareRatio { value, ln_standard_error: Known::NotKnown(unknown), interval: Known::NotKnown(unknown) },
        degrees_of_freedom: None,
        clusters_in_both: in_groups - one.len() as u64,
        behind: Behind {
            observations: shares[0].behind.observations + shares[1].behind.observations,
            clusters: one.len() as u64,
            failures: shares[0].behind.failures + shares[1].behind.failures,
        },
    };
    if fewest < 2 {
        return Known::Known(contrast);
    }
    let freedom = fewest as f64 - 1.0;
    contrast.degrees_of_freedom = Some(fewest - 1);
    let t = student_quantile_upper(level.tail(), freedom);
    let limits = |lower: f64, upper: f64, method| Known::Known(ConfidenceInterval { lower, upper, level, method });
    let v = variance(&one.iter().zip(&two).map(|(u, w)| u - w).collect::<Vec<f64>>());
    if vanishes(v, 1.0) {
        let why = Known::NotKnown(WhyNotKnown::AtBoundary);
        (contrast.standard_error, contrast.design_effect) = (why, why);
        contrast.plain = Known::NotKnown(WhyNotKnown::AtBoundary);
        contrast.probability = Known::NotKnown(WhyNotKnown::AtBoundary);
    } else {
        let error = libm::sqrt(v);
        let independent = x1 / n1 * ((n1 - x1) / n1) / n1 + x2 / n2 * ((n2 - x2) / n2) / n2;
        contrast.standard_error = Known::Known(error);
        contrast.design_effect = Known::Known(v / independent);
        contrast.plain =
            limits((difference - t * error).max(-1.0), (difference + t * error).min(1.0), IntervalMethod::Plain);
        contrast.probability = Known::Known(student_two_sided(difference / error, freedom));
    }
    if let (Some(wilson1), Some(wilson2)) = (shares[0].wilson.known(), shares[1].wilson.known()) {
        let (p1, p2) = (x1 / n1, x2 / n2);
        let reach = |a: f64, b: f64| squared_and_added(a, b, correlation);
        contrast.hybrid = limits(
            (difference - reach(p1 - wilson1.lower.value(), wilson2.upper.value() - p2)).max(-1.0),
            (difference + reach(wilson1.upper.value() - p1, p2 - wilson2.lower.value())).min(1.0),
            IntervalMethod::HybridScore,
        );
    }
    contrast.risk_ratio = risk_ratio(contrast.risk_ratio, &one, &two, (x1 / n1, x2 / n2), t, level);
    Known::Known(contrast)
}

fn risk_ratio(
    mut ratio: ShareRatio,
    one: &[f64],
    two: &[f64],
    (p1, p2): (f64, f64),
    t: f64,
    level: ConfidenceLevel,
) -> ShareRatio {
    let boundary = WhyNotKnown::AtBoundary;
    (ratio.ln_standard_error, ratio.interval) = (Known::NotKnown(boundary), Known::NotKnown(boundary));
    if !(p1 > 0.0 && p2 > 0.0) {
        return ratio;
    }
    let v = variance(&one.iter().zip(two).map(|(u, w)| u / p1 - w / p2).collect::<Vec<f64>>());
    if vanishes(v, 1.0) {
        return ratio;
    }
    let (value, error) = (p1 / p2, libm::sqrt(v));
    ratio.ln_standard_error = Known::Known(error);
    ratio.interval = Known::Known(ConfidenceInterval {
        lower: value * libm::exp(-t * error),
        upper: value * libm::exp(t * error),
        level,
        method: IntervalMethod::Log,
    });
    ratio
}
