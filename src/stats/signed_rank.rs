//! Do pairs differ, more one way than the other? The signed rank test (Wilcoxon).
//!
//! Definition.  W⁺ = Σ of the ranks of |difference| over the pairs whose difference is above 0, ties by mean ranks.
//! Formula.     Given the ranks r, signs being equally likely: mean Σr/2, variance Σr²/4, which takes ties into account. Continuity
//!              correction: |W⁺ − mean| less one half.
//!              Exact: each sign by half, as many sums as there are; ties and zeros as they are.
//! Source.      Wilcoxon F. Biometrics Bull 1945;1:80–83; zeros ranked: Pratt JW. J Am Stat Assoc 1959;54:655–667 (both from memory).
//! Decided.     Pairs without difference are either dropped before ranking (Wilcoxon) or ranked with the others and then dropped
//!              (Pratt); the caller says which. The correction never takes the difference past zero.
//! Cost.        One sort; exact: pairs times the sum of ranks, up to some 500 pairs.
//! Not for.     Pairs that come in clusters.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::{TailProbability, chi_square_upper_tail};
use super::exact_permutation::{PermutationProbabilities, of_weights};
use crate::quantity::{Known, WhyNotKnown};

/// The most pairs for exact probabilities.
const MOST_PAIRS: usize = 500;

/// What becomes of pairs without difference.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ZeroDifferences {
    /// Dropped before the others are ranked.
    #[default]
    Dropped,
    /// Ranked as the smallest, then dropped.
    RankedThenDropped,
}

/// The signed rank test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SignedRankTest {
    /// Pairs with a difference.
    pub pairs: u64,
    /// Pairs without.
    pub without_difference: u64,
    /// Sum of the ranks of differences above 0.
    pub positive_ranks: f64,
    /// What is expected of it where there is nothing to find.
    pub expected: f64,
    /// Its variance.
    pub variance: f64,
    /// Distance from what is expected, in standard errors.
    pub z: f64,
    /// Two-sided probability by the normal distribution.
    pub probability: TailProbability,
    /// The same with continuity correction.
    pub continuity_corrected: TailProbability,
    /// Exact probabilities; not known beyond 500 pairs.
    pub exact: Known<PermutationProbabilities>,
}

/// Tests whether differences lie about 0.
///
/// Not known without a difference, or when one is not a number.
pub fn signed_rank_test(differences: &[f64], zeros: ZeroDifferences) -> Known<SignedRankTest> {
    if differences.iter().any(|difference| difference.is_nan()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let mut sizes: Vec<(f64, bool)> =
        differences.iter().filter(|&&difference| difference.abs() > 0.0).map(|d| (d.abs(), *d > 0.0)).collect();
    if sizes.is_empty() {
        let why = if differences.is_empty() { WhyNotKnown::NoObservations } else { WhyNotKnown::NoVariation };
        return Known::NotKnown(why);
    }
    sizes.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let without = (differences.len() - sizes.len()) as u64;
    let mut below = if zeros == ZeroDifferences::RankedThenDropped { without } else { 0 };
    // Twice the rank of each, and whether its difference is above 0.
    let mut ranks: Vec<(u64, bool)> = Vec::with_capacity(sizes.len());
    for tied in sizes.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq()) {
        let count = tied.len() as u64;
        ranks.extend(tied.iter().map(|&(_, positive)| (2 * below + count + 1, positive)));
        below += count;
    }
    let all: u64 = ranks.iter().map(|rank| rank.0).sum();
    let positive: u64 = ranks.iter().filter(|rank| rank.1).map(|rank| rank.0).sum();
    let squares: f64 = ranks.iter().map(|rank| rank.0 as f64 * rank.0 as f64).sum();
    let (positive_ranks, expected, variance) = (0.5 * positive as f64, 0.25 * all as f64, squares / 16.0);
    let distance = positive_ranks - expected;
    let z = distance / libm::sqrt(variance);
    let corrected = (distance.abs() - 0.5).max(0.0);
    Known::Known(SignedRankTest {
        pairs: sizes.len() as u64,
        without_difference: without,
        positive_ranks,
        expected,
        variance,
        z,
        probability: chi_square_upper_tail(z * z, 1),
        continuity_corrected: chi_square_upper_tail(corrected * corrected / variance, 1),
        exact: exact(&ranks, positive, all),
    })
}

/// By the sums of all choices of signs.
#[expect(clippy::cast_possible_truncation, reason = "at most 500 pairs")]
fn exact(ranks: &[(u64, bool)], positive: u64, all: u64) -> Known<PermutationProbabilities> {
    // Ranks of zeros count too, but a million of them would make the sums too many.
    if ranks.len() > MOST_PAIRS || all > 4 * (MOST_PAIRS * MOST_PAIRS) as u64 {
        return Known::NotKnown(WhyNotKnown::BeyondExactWork);
    }
    let mut weights = vec![0.0; all as usize + 1];
    weights[0] = 1.0;
    let mut highest = 0;
    for &(rank, _) in ranks {
        let rank = rank as usize;
        highest += rank;
        for sum in (0..=highest).rev() {
            let with = if sum >= rank { weights[sum - rank] } else { 0.0 };
            weights[sum] = 0.5 * (weights[sum] + with);
        }
    }
    of_weights(&weights, positive, i128::from(all), 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // Differences 1, −2, 3: ranks 1 and 3 are positive, W⁺ = 4 of 6, mean 3, variance 14/4. Of 8 sums 0, 1, 2, 3, 3, 4, 5, 6 three
        // are at least 4, and all but the two of 3 as far from the mean.
        let test = *signed_rank_test(&[1.0, -2.0, 3.0], ZeroDifferences::Dropped).known().expect("pairs");
        assert!((test.positive_ranks - 4.0).abs() < 1e-15 && (test.variance - 3.5).abs() < 1e-15, "absolute");
        let exact = *test.exact.known().expect("few");
        assert!((exact.at_least.p_value - 0.375).abs() < 1e-15, "absolute");
        assert!((exact.as_far_from_mean.p_value - 0.75).abs() < 1e-15, "absolute");
    }

    #[test]
    fn zeros_are_dropped_before_or_after_ranking() {
        // 0, 0, 1, −1, 2. Dropped: ranks 1½, 1½, 3, W⁺ 4½. Ranked: 3½, 3½, 5, W⁺ 8½.
        let differences = [0.0, 0.0, 1.0, -1.0, 2.0];
        let dropped = *signed_rank_test(&differences, ZeroDifferences::Dropped).known().expect("pairs");
        let ranked = *signed_rank_test(&differences, ZeroDifferences::RankedThenDropped).known().expect("pairs");
        assert!((dropped.positive_ranks - 4.5).abs() < 1e-15 && (ranked.positive_ranks - 8.5).abs() < 1e-15, "absolute");
        assert!((dropped.variance - 13.5 / 4.0).abs() < 1e-15 && (ranked.variance - 49.5 / 4.0).abs() < 1e-15, "absolute");
        assert_eq!((dropped.pairs, dropped.without_difference), (3, 2));
        assert_eq!(signed_rank_test(&[0.0, -0.0], ZeroDifferences::Dropped), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(signed_rank_test(&[], ZeroDifferences::Dropped), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(signed_rank_test(&[f64::NAN], ZeroDifferences::Dropped), Known::NotKnown(WhyNotKnown::NotANumber));
    }
}
