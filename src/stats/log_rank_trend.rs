//! The log-rank test for a trend over ordered groups.
//!
//! Definition.  With a score s_g for each group, z = Σ s_g·U_g / √(sᵀ V s), U and V of the weighted log-rank test; standard normal.
//! Variance.    As that of `weighted_log_rank`: model-based or cluster-robust, within strata.
//! Source.      Tarone RE. Biometrika 1975;62:679–682 (from memory); Klein JP, Moeschberger ML, 2003, section 7.4.
//! Decided.     Scores are shifted to their middle first, which changes no result but keeps digits (years of the calendar as scores).
//!              Groups with the same score everywhere can't show a trend.
//! Cost.        As `weighted_log_rank`.
//! Not for.     Groups without an order; orders chosen after seeing the curves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::covariance::Covariance;
use super::distribution::chi_square_upper_tail;
use super::finite_clusters::{FiniteClusters, finite_clusters};
use super::risk_counts::RiskCounts;
use super::score_sums::ScoreSums;
use super::symmetric::NOTHING_LEFT;
use super::weighting::Weighting;
use crate::quantity::{Behind, Known, Variance, WhyNotKnown};

/// The result of a test for trend.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendTest {
    /// Which failures weigh most.
    pub weighting: Weighting,
    /// The score of each group, in the order of the levels.
    pub scores: Vec<f64>,
    /// The weighted differences, each times its score, summed.
    pub difference: f64,
    /// The variance of that sum.
    pub difference_variance: f64,
    /// The statistic, above 0 when groups with a higher score fail sooner.
    pub z: f64,
    /// Its square, χ² with one degree of freedom.
    pub chi_square: f64,
    /// Probability of a statistic this far from 0 or farther if all groups fail at the same pace; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
    /// The variance behind the statistic.
    pub variance: Variance,
    /// With the robust variance: the test that knows how many clusters there are.
    pub finite_clusters: Option<Known<FiniteClusters>>,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// The scores 1, 2, … of so many groups.
pub fn equally_spaced_scores(levels: u16) -> Vec<f64> {
    (1..=levels).map(f64::from).collect()
}

/// Tests whether groups fail the sooner, or the later, the higher their score. `scores` holds one for each level.
///
/// Not known when a score is missing or not a number; without failures that weigh anything; when all at risk together have the
/// same score; and, for the robust variance, with fewer than two clusters.
pub fn log_rank_trend(
    compared: &Compared<'_>,
    weighting: Weighting,
    scores: &[f64],
    variance: Variance,
) -> Known<TrendTest> {
    trends(compared, &[weighting], scores, variance).map(|trends| {
        let (z, chi_square) = (trends.z(0), trends.z(0) * trends.z(0));
        let tail = chi_square_upper_tail(chi_square, 1);
        TrendTest {
            weighting,
            scores: scores.to_vec(),
            difference: trends.difference[0],
            difference_variance: trends.covariance.at(0, 0),
            z,
            chi_square,
            p_value: tail.p_value,
            ln_p_value: tail.ln_p_value,
            variance,
            finite_clusters: trends.informative_clusters.map(|clusters| finite_clusters(chi_square, 1, clusters)),
            behind: trends.behind,
        }
    })
}

/// Differences by score, for several weightings, and their covariance.
pub(super) struct Trends {
    pub difference: Vec<f64>,
    pub covariance: Covariance,
    pub informative_clusters: Option<u64>,
    pub behind: Behind,
}

impl Trends {
    /// The statistic of one weighting.
    pub(super) fn z(&self, m: usize) -> f64 {
        self.difference[m] / self.covariance.at(m, m).sqrt()
    }
}

/// The trends by several weightings; each has a variance above 0.
pub(super) fn trends(
    compared: &Compared<'_>,
    weightings: &[Weighting],
    scores: &[f64],
    variance: Variance,
) -> Known<Trends> {
    let size = usize::from(compared.grouping.levels());
    if scores.len() != size || scores.iter().any(|score| !score.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let column = compared.columns(&compared.all_groups());
    let sums = ScoreSums::of(RiskCounts::of(compared), weightings);
    if sums.failures() == 0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let middle = {
        let (low, high) =
            scores.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &s| (low.min(s), high.max(s)));
        0.5 * low + 0.5 * high
    };
    let scores: Vec<f64> = scores.iter().map(|score| score - middle).collect();
    let dot = |part: &[f64]| part.iter().zip(&scores).map(|(part, score)| part * score).sum::<f64>();
    let mut model_based = Covariance::zero(weightings.len());
    for a in 0..weightings.len() {
        for b in 0..weightings.len() {
            model_based.add(a, b, sums.covariance.block(a * size, b * size, size).contrast(&scores));
        }
        let bound: f64 = (0..size).map(|g| scores[g] * scores[g] * sums.covariance.at(a * size + g, a * size + g)).sum();
        if model_based.at(a, a) <= NOTHING_LEFT * bound {
            let own = sums.covariance.block(a * size, a * size, size);
            let some = own.largest_variance().is_some_and(|g| own.at(g, g) > 0.0);
            return Known::NotKnown(if some { WhyNotKnown::TooFewGroups } else { sums.why_nothing_to_compare() });
        }
    }
    let difference: Vec<f64> = sums.difference.chunks(size).map(dot).collect();
    let behind = |clusters| Behind { observations: sums.observations(), clusters, failures: sums.failures() };
    if variance == Variance::ModelBased {
        let behind = behind(compared.clusters_present(&column));
        return Known::Known(Trends { difference, covariance: model_based, informative_clusters: None, behind });
    }
    let clusters = sums.by_cluster(compared, &column);
    let (mut robust, mut by_weighting) = (Covariance::zero(weightings.len()), vec![0.0; weightings.len()]);
    for score in clusters.each() {
        for (total, part) in by_weighting.iter_mut().zip(score.chunks(size)) {
            *total = dot(part);
        }
        robust.add_square(1.0, &by_weighting);
    }
    let lost = |m: usize| robust.at(m, m) <= NOTHING_LEFT * NOTHING_LEFT * model_based.at(m, m);
    if clusters.present() < 2 || (0..weightings.len()).any(lost) {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    Known::Known(Trends {
        difference,
        covariance: robust,
        informative_clusters: Some(clusters.informative(size)),
        behind: behind(clusters.present()),
    })
}
