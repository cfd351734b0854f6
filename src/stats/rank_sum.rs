//! Are values of one sample higher than those of another? The rank sum test (Wilcoxon; Mann–Whitney).
//!
//! Definition.  U = pairs of one of each sample in which the first is the higher, ties by half.
//! Formula.     Mean n₁n₂/2; variance n₁n₂/12 · (N + 1 − Σ(t³ − t)/(N(N − 1))), t being how many are tied at each value.
//!              z = (U − mean)/√variance, with continuity correction |U − mean| less one half.
//!              Exact: all choices of n₁ of the N values being equally likely, ties as they are; see `exact_permutation`.
//! Source.      Mann HB, Whitney DR. Ann Math Stat 1947;18:50–60; Wilcoxon F. Biometrics Bull 1945;1:80–83; ties: Kruskal WH, Wallis WA.
//!              J Am Stat Assoc 1952;47:583–621 (all from memory).
//! Decided.     The correction never takes the difference past zero. All tied: nothing to compare.
//! Cost.        One sort; by counts of levels, one pass over them. Exact: see `exact_permutation`.
//! Not for.     Restorations of one patient: see `clustered_rank_sum`. How much higher: see `superiority`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::contingency_table::ContingencyTable;
use super::distribution::{TailProbability, chi_square_upper_tail};
use super::exact_permutation::{PermutationProbabilities, permutation_probabilities};
use crate::quantity::{Known, WhyNotKnown};

/// The rank sum test by the normal distribution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RankSumTest {
    /// How many in each sample.
    pub sizes: [u64; 2],
    /// Pairs in which the first sample is the higher, ties by half.
    pub pairs_higher: f64,
    /// What is expected of it where neither is the higher.
    pub expected: f64,
    /// Its variance, ties taken into account.
    pub variance: f64,
    /// Distance from what is expected, in standard errors.
    pub z: f64,
    /// Two-sided probability.
    pub probability: TailProbability,
    /// Two-sided probability with continuity correction.
    pub continuity_corrected: TailProbability,
}

/// Compares two samples of values; ties are exact equality.
///
/// Not known when a sample is empty, a value is not a number, or all are tied.
pub fn rank_sum_test(first: &[f64], second: &[f64]) -> Known<RankSumTest> {
    match ContingencyTable::of_samples(&[first, second]) {
        Known::Known((table, _)) => rank_sum_test_of_counts(table.row(0), table.row(1)),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The same by how many of each sample are on each level, levels in ascending order; a shorter one has none on the levels beyond.
pub fn rank_sum_test_of_counts(first: &[u64], second: &[u64]) -> Known<RankSumTest> {
    let levels = match levels(first, second) {
        Known::Known(levels) => levels,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let sizes = [levels.iter().map(|level| level[0]).sum::<u64>(), levels.iter().map(|level| level[1]).sum::<u64>()];
    let [n1, n2] = sizes.map(|size| size as f64);
    let total = n1 + n2;
    let (mut twice_pairs, mut below) = (0.0, 0.0);
    let mut ties = 0.0;
    for &[a, b] in &levels {
        let (a, b) = (a as f64, b as f64);
        twice_pairs += a * (2.0 * below + b);
        below += b;
        let t = a + b;
        ties += t * (t - 1.0) * (t + 1.0);
    }
    let (pairs_higher, expected) = (0.5 * twice_pairs, 0.5 * n1 * n2);
    let variance = n1 * n2 / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
    let distance = pairs_higher - expected;
    let z = distance / libm::sqrt(variance);
    let corrected = (distance.abs() - 0.5).max(0.0);
    Known::Known(RankSumTest {
        sizes,
        pairs_higher,
        expected,
        variance,
        z,
        probability: chi_square_upper_tail(z * z, 1),
        continuity_corrected: chi_square_upper_tail(corrected * corrected / variance, 1),
    })
}

/// The exact probabilities of the first sample's rank sum, ties as they are.
///
/// Not known when a sample is empty, a value is not a number, all are tied, or it would take too much work.
pub fn exact_rank_sum_test(first: &[f64], second: &[f64]) -> Known<PermutationProbabilities> {
    match ContingencyTable::of_samples(&[first, second]) {
        Known::Known((table, _)) => exact_rank_sum_test_of_counts(table.row(0), table.row(1)),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The same by counts on levels in ascending order.
pub fn exact_rank_sum_test_of_counts(first: &[u64], second: &[u64]) -> Known<PermutationProbabilities> {
    let levels = match levels(first, second) {
        Known::Known(levels) => levels,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let totals: Vec<u64> = levels.iter().map(|level| level[0] + level[1]).collect();
    // Twice the mean rank of a level, less one: twice those below, and those on it.
    let mut below = 0;
    let mut scores = Vec::with_capacity(totals.len());
    for total in &totals {
        scores.push(2 * below + total);
        below += total;
    }
    permutation_probabilities(&totals, &scores, &levels.iter().map(|level| level[0]).collect::<Vec<u64>>())
}

/// Counts of both samples on the levels that occur; or why there is nothing to compare.
pub(super) fn levels(first: &[u64], second: &[u64]) -> Known<Vec<[u64; 2]>> {
    let at = |counts: &[u64], level: usize| counts.get(level).copied().unwrap_or(0);
    let levels: Vec<[u64; 2]> = (0..first.len().max(second.len()))
        .map(|level| [at(first, level), at(second, level)])
        .filter(|level| level[0] + level[1] > 0)
        .collect();
    let empty = |sample: usize| levels.iter().all(|level| level[sample] == 0);
    if levels.is_empty() {
        Known::NotKnown(WhyNotKnown::NoObservations)
    } else if empty(0) || empty(1) {
        Known::NotKnown(WhyNotKnown::TooFewGroups)
    } else if levels.len() < 2 {
        Known::NotKnown(WhyNotKnown::NoVariation)
    } else {
        Known::Known(levels)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_ties_by_hand() {
        // First 3, 4; second 1, 2, 5. U = 2 + 2 = 4 of 6 pairs; mean 3, variance 2·3·6/12 = 3. Of 10 choices of two ranks the sums
        // 3, 4, 5, 5, 6, 6, 7, 7, 8, 9: 7 or more in 4; 5 or 7 and beyond are as far from 6: 8 of 10.
        let test = *rank_sum_test(&[3.0, 4.0], &[1.0, 2.0, 5.0]).known().expect("two samples");
        assert!((test.pairs_higher - 4.0).abs() < 1e-15 && (test.expected - 3.0).abs() < 1e-15, "absolute");
        assert!((test.variance - 3.0).abs() < 1e-15, "absolute");
        let exact = *exact_rank_sum_test(&[3.0, 4.0], &[1.0, 2.0, 5.0]).known().expect("small");
        assert!((exact.at_least.p_value - 0.4).abs() < 1e-15, "absolute");
        assert!((exact.at_most.p_value - 0.8).abs() < 1e-15, "absolute");
        assert!((exact.as_far_from_mean.p_value - 0.8).abs() < 1e-15, "absolute");
        assert!((exact.mid_p.p_value - 0.6).abs() < 1e-15, "absolute");
    }

    #[test]
    fn with_ties_by_hand() {
        // First 1, 2; second 2, 3. Ranks 1, 2½, 2½, 4: sums of two of them 3½, 3½, 5, 5, 6½, 6½, so 2/6 are at most 3½.
        let exact = *exact_rank_sum_test(&[1.0, 2.0], &[2.0, 3.0]).known().expect("small");
        assert!((exact.at_most.p_value - 1.0 / 3.0).abs() < 1e-15, "absolute");
        assert!((exact.as_far_from_mean.p_value - 2.0 / 3.0).abs() < 1e-15, "absolute");
    }

    #[test]
    fn nothing_to_compare() {
        assert_eq!(rank_sum_test(&[1.0, 1.0], &[1.0]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(rank_sum_test(&[1.0, 1.0], &[]), Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert_eq!(rank_sum_test(&[], &[]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(exact_rank_sum_test(&[f64::NAN], &[1.0]), Known::NotKnown(WhyNotKnown::NotANumber));
        // In the middle the correction goes to zero and no further.
        let middle = *rank_sum_test(&[1.0, 4.0], &[2.0, 3.0]).known().expect("two samples");
        assert!(middle.continuity_corrected.p_value >= 1.0);
    }
}
