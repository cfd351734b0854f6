//! Do several measurements of the same subjects differ in height? Ranks within blocks (Friedman).
//!
//! Formula.     With n blocks of k values ranked within the block, ties by mean ranks, and rank sums R_j:
//!              χ² = (k − 1)·Σ (R_j − n(k + 1)/2)² / (Σ r² − n·k(k + 1)²/4), with k − 1 degrees of freedom; Kendall's W = χ²/(n(k − 1)).
//! Source.      Friedman M. J Am Stat Assoc 1937;32:675–701; ties: Conover WJ. Practical Nonparametric Statistics, 1980; W: Kendall MG,
//!              Babington Smith B. Ann Math Stat 1939;10:275–287 (all from memory).
//! Decided.     Blocks whose values are all tied count in n but change nothing in χ². All blocks tied: nothing to compare.
//! Cost.        A sort of each block.
//! Not for.     Blocks with missing values; two columns of shares (see `mcnemar`).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::chi_squared_test::ChiSquaredTest;
use crate::quantity::{Known, WhyNotKnown};

/// The test, and how much blocks agree on the order.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FriedmanTest {
    /// The statistic, ties taken into account.
    pub test: ChiSquaredTest,
    /// Kendall's coefficient of concordance: 0 when blocks have no order in common, 1 when all have the same.
    pub concordance: f64,
}

/// Compares the columns of blocks of values, each as long as the first.
///
/// Not known without blocks, with fewer than two columns, when blocks differ in length or a value is not a number (no number, that is,
/// in its place), or when every block is tied.
#[expect(clippy::cast_possible_truncation, reason = "degrees of freedom of columns in memory")]
pub fn friedman_test<B: AsRef<[f64]>>(blocks: &[B]) -> Known<FriedmanTest> {
    let Some(columns) = blocks.first().map(|block| block.as_ref().len()) else {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    };
    if columns < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    let mut sums = vec![0.0; columns];
    let mut squares = 0.0;
    let mut order: Vec<usize> = Vec::with_capacity(columns);
    for block in blocks {
        let block = block.as_ref();
        if block.len() != columns || block.iter().any(|value| value.is_nan()) {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        // Minus zero is zero.
        let compare = |a: usize, b: usize| (block[a] + 0.0).total_cmp(&(block[b] + 0.0));
        order.clear();
        order.extend(0..columns);
        order.sort_unstable_by(|&a, &b| compare(a, b));
        let mut below = 0.0;
        for tied in order.chunk_by(|&a, &b| compare(a, b).is_eq()) {
            let count = tied.len() as f64;
            // Mean rank less that of the block.
            let rank = below + 0.5 * (count + 1.0) - 0.5 * (columns as f64 + 1.0);
            tied.iter().for_each(|&column| sums[column] += rank);
            squares += count * rank * rank;
            below += count;
        }
    }
    if squares <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let freedom = columns as f64 - 1.0;
    let statistic = freedom * sums.iter().map(|sum| sum * sum).sum::<f64>() / squares;
    Known::Known(FriedmanTest {
        test: ChiSquaredTest::of(statistic, (columns - 1) as u32),
        concordance: (statistic / (blocks.len() as f64 * freedom)).min(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // Two blocks in the same order of three: rank sums 2, 4, 6; χ² = 2·8/4 = 4 = n(k − 1), W = 1.
        let test = *friedman_test(&[[1.0, 2.0, 3.0], [4.0, 5.0, 9.0]]).known().expect("blocks");
        assert!((test.test.statistic - 4.0).abs() < 1e-15 && (test.concordance - 1.0).abs() < 1e-15, "absolute");
        // A tied block halves the concordance and leaves the rest.
        let tied = *friedman_test(&[[1.0, 2.0, 3.0], [7.0, 7.0, 7.0]]).known().expect("blocks");
        assert!((tied.test.statistic - 2.0).abs() < 1e-15 && (tied.concordance - 0.5).abs() < 1e-15, "absolute");
    }

    #[test]
    fn nothing_to_compare() {
        assert_eq!(friedman_test(&[[1.0, 1.0]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(friedman_test(&[[1.0], [2.0]]), Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert_eq!(friedman_test::<[f64; 2]>(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(friedman_test(&[vec![1.0, 2.0], vec![1.0]]), Known::NotKnown(WhyNotKnown::NotANumber));
    }
}
