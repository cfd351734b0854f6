//! The robust log-rank test with a reference made from the clusters themselves: their signs drawn at random.
//!
//! Definition.  Without a difference, each cluster's sum of residuals u is as likely to be −u. The statistic X² = Uᵀ V⁻ U, U = Σ u and
//!              V = Σ u·uᵀ, is set against those of Σ ±u with signs drawn at random (V stays as it is). p = (1 + how many are as
//!              large or larger)/(1 + how many are drawn).
//! Source.      Wu CFJ. Ann Stat 1986;14:1261–1295; Rademacher signs for scores of clusters: Kline P, Santos A. J Econom Methods
//!              2012;1:23–41 (both from memory).
//! Decided.     When there are no more different patterns of signs than draws asked for, each is taken once, and p is exact: its
//!              share of as large ones (the data's own among them). Statistics that differ by less than 1e-9 of themselves count
//!              as equal. Draw number i comes from stream i of the generator, so the result is the same for any number of threads.
//!              Clusters whose residuals are rounding have no sign.
//! Cost.        O(draws·clusters·groups). 64 signs come from one number.
//! Not for.     Clusters so few that no pattern can be rare: with C of them p is at least 2^(1 − C).

use std::ops::Range;

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::covariance::Covariance;
use super::risk_counts::RiskCounts;
use super::score_sums::ScoreSums;
use super::weighted_log_rank::statistic;
use super::weighting::Weighting;
use crate::quantity::{Behind, Known};
use crate::threads::{available, on_threads};

/// Statistics nearer than this part of themselves are equal.
const EQUAL: f64 = 1e-9;
/// Below so many sums of signs a second thread costs more than it saves.
const WORTH_A_THREAD: u64 = 1_000_000;

/// The result of a test by signs of clusters.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WildBootstrapTest {
    /// Which failures weigh most.
    pub weighting: Weighting,
    /// The robust statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// How many clusters carry information about the difference.
    pub informative_clusters: u64,
    /// How many patterns of signs were looked at.
    pub draws: u64,
    /// Whether these were all there are, each once, rather than drawn at random.
    pub all_patterns: bool,
    /// How many gave a statistic as large or larger.
    pub as_large: u64,
    /// Probability of a statistic this large or larger if all groups fail at the same pace.
    pub p_value: f64,
    /// What the draws started from.
    pub seed: u64,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// Compares the levels of a grouping by the robust statistic, with so many patterns of signs of the clusters.
///
/// Not known as the robust `weighted_log_rank` is.
pub fn wild_bootstrap_log_rank(
    compared: &Compared<'_>,
    weighting: Weighting,
    draws: u32,
    seed: u64,
) -> Known<WildBootstrapTest> {
    let column = compared.columns(&compared.all_groups());
    let sums = ScoreSums::of(RiskCounts::of(compared), &[weighting]);
    let size = sums.observed.len();
    let scores = sums.by_cluster(compared, &column);
    let robust = scores.covariance();
    statistic(&sums, Some(&robust), scores.present()).map(|(chi_square, rank)| {
        let clusters = Clusters::whiten(scores.informing(size), &robust, &sums.covariance.all_but_the_largest());
        let patterns = u32::try_from(clusters.count.saturating_sub(1)).ok().and_then(|bits| 1_u64.checked_shl(bits));
        let all_patterns = patterns.filter(|&patterns| patterns <= u64::from(draws));
        let draws = all_patterns.unwrap_or(u64::from(draws));
        let as_large = clusters.as_large(chi_square, draws, all_patterns.is_none().then_some(seed), available());
        let p_value = match all_patterns {
            Some(patterns) => as_large as f64 / patterns as f64,
            None => (as_large + 1) as f64 / (draws + 1) as f64,
        };
        WildBootstrapTest {
            weighting,
            chi_square,
            degrees_of_freedom: rank,
            informative_clusters: clusters.count as u64,
            draws,
            all_patterns: all_patterns.is_some(),
            as_large,
            p_value,
            seed,
            behind: Behind { observations: sums.observations(), clusters: scores.present(), failures: sums.failures() },
        }
    })
}

/// The residuals of clusters, turned so that their squares sum to one in each direction and to nothing across.
struct Clusters {
    count: usize,
    width: usize,
    turned: Vec<f64>,
}

impl Clusters {
    /// Solves V = L·Lᵀ down the rows of the groups kept, passing over directions without variance.
    fn whiten<'a>(informing: impl Iterator<Item = &'a [f64]>, robust: &Covariance, kept: &[usize]) -> Self {
        let steps = robust.only(kept).elimination();
        let mut clusters = Self { count: 0, width: steps.len(), turned: Vec::new() };
        for score in informing {
            let mut rest: Vec<f64> = kept.iter().map(|&g| score[g]).collect();
            for step in &steps {
                let value = rest[step.row];
                for (rest, factor) in rest.iter_mut().zip(&step.factors) {
                    *rest -= factor * value;
                }
                clusters.turned.push(value / step.pivot.sqrt());
            }
            clusters.count += 1;
        }
        clusters
    }

    /// How many patterns of signs give at least this statistic: random ones from a seed, or else the first `draws` of all.
    fn as_large(&self, chi_square: f64, draws: u64, seed: Option<u64>, threads: usize) -> u64 {
        let work = draws.saturating_mul(self.count as u64);
        let threads = if work < WORTH_A_THREAD { 1 } else { threads };
        let among = threads as u64;
        let ranges = (0..among).map(|thread| draws * thread / among..draws * (thread + 1) / among).collect();
        let part = |range: Range<u64>| {
            range.map(|draw| u64::from(self.statistic(draw, seed) >= chi_square * (1.0 - EQUAL))).sum::<u64>()
        };
        on_threads(ranges, threads, part).into_iter().sum()
    }

    /// The statistic of one pattern of signs.
    fn statistic(&self, draw: u64, seed: Option<u64>) -> f64 {
        let mut generator = seed.map(|seed| {
            let mut generator = ChaCha12Rng::seed_from_u64(seed);
            generator.set_stream(draw);
            generator
        });
        let mut sums = vec![0.0; self.width];
        for clusters in self.turned.chunks(64 * self.width.max(1)) {
            let mut signs = generator.as_mut().map_or(draw, Rng::next_u64);
            for cluster in clusters.chunks_exact(self.width.max(1)) {
                for (sum, value) in sums.iter_mut().zip(cluster) {
                    *sum += if signs & 1 == 1 { -value } else { *value };
                }
                signs >>= 1;
            }
        }
        sums.iter().map(|sum| sum * sum).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_are_the_same_on_any_number_of_threads() {
        let residuals: Vec<[f64; 3]> =
            (0..40_u8).map(|c| [f64::from(c % 7) - 2.5, f64::from(c % 5) - 2.0]).map(|[a, b]| [a, b, -a - b]).collect();
        let mut robust = Covariance::zero(3);
        residuals.iter().for_each(|residual| robust.add_square(1.0, residual));
        let clusters = Clusters::whiten(residuals.iter().map(|residual| &residual[..]), &robust, &[0, 1]);
        assert_eq!((clusters.count, clusters.width), (40, 2));
        // The statistic of the data themselves is that of the quadratic form.
        let total = |g: usize| residuals.iter().map(|residual| residual[g]).sum::<f64>();
        let (form, _) = robust.only(&[0, 1]).quadratic_form(&[total(0), total(1)]);
        assert!((clusters.statistic(0, None) / form - 1.0).abs() < 1e-12, "relative: {form}");
        let as_large = clusters.as_large(2.0, 30_000, Some(5), 1);
        for threads in [2, 3, 8] {
            assert_eq!(clusters.as_large(2.0, 30_000, Some(5), threads), as_large);
        }
        // Near the χ² probability of 2 on two degrees of freedom, e^−1 (five standard errors of the draws, and 0.02).
        let share = as_large as f64 / 30_000.0;
        assert!((share - libm::exp(-1.0)).abs() < 0.034, "absolute: {share}");
    }
}
