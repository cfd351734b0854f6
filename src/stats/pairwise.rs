//! Each group against each other, with probabilities adjusted for the number of tests.
//!
//! Definition.  For each pair the weighted log-rank test of those two groups alone: risk sets, weights and strata without the others.
//! Decided.     Pairs that can't be compared count as no test. A pair's test never looks at a third group, so adding a group
//!              changes only the adjustment.
//! Cost.        One count for all pairs; for each pair O(rows + clusters), robust also O(observations).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::multiple_comparisons::{AdjustmentMethod, adjusted_ln_p_values};
use super::risk_counts::RiskCounts;
use super::weighted_log_rank::{WeightedLogRankTest, test_of};
use super::weighting::Weighting;
use crate::quantity::{Known, Variance, WhyNotKnown};

/// Two groups compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairwiseTest {
    /// The level of the one.
    pub first: u16,
    /// The level of the other, later one.
    pub second: u16,
    /// Their test; its groups are these two, in this order.
    pub test: Known<WeightedLogRankTest>,
    /// The probability, adjusted for the number of pairs.
    pub adjusted_p_value: Known<f64>,
    /// Natural logarithm of that probability.
    pub adjusted_ln_p_value: Known<f64>,
}

/// All pairs of groups compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairwiseTests {
    /// How the probabilities are adjusted.
    pub adjustment: AdjustmentMethod,
    /// For how many tests they are: as many as pairs could be compared.
    pub compared: u64,
    /// The pairs, by first and then by second level.
    pub pairs: Vec<PairwiseTest>,
}

/// Compares each pair of levels.
pub fn pairwise_log_rank(
    compared: &Compared<'_>,
    weighting: Weighting,
    variance: Variance,
    adjustment: AdjustmentMethod,
) -> PairwiseTests {
    let counts = RiskCounts::of(compared);
    let levels = compared.grouping.levels();
    let mut pairs = Vec::new();
    for first in 0..levels {
        for second in first + 1..levels {
            let groups = [usize::from(first), usize::from(second)];
            let test = test_of(compared, counts.only(&groups), &groups, weighting, variance);
            pairs.push((first, second, test));
        }
    }
    let ln_p_values: Vec<f64> = pairs.iter().filter_map(|(_, _, test)| test.known().map(|test| test.ln_p_value)).collect();
    let mut adjusted = adjusted_ln_p_values(&ln_p_values, adjustment).into_iter();
    let pairs = pairs.into_iter().map(|(first, second, test)| {
        let ln_p = match &test {
            Known::Known(_) => adjusted.next().map_or(Known::NotKnown(WhyNotKnown::NotANumber), Known::Known),
            Known::NotKnown(why) => Known::NotKnown(*why),
        };
        PairwiseTest { first, second, test, adjusted_p_value: ln_p.map(libm::exp), adjusted_ln_p_value: ln_p }
    });
    PairwiseTests { adjustment, compared: ln_p_values.len() as u64, pairs: pairs.collect() }
}
