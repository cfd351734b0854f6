//! The exact distribution of a sum of scores when so many are drawn at random, ties and all.
//!
//! Definition.  Of t_j things with score s_j, level by level, n are drawn without replacement, every choice being as likely as any
//!              other; the statistic is the sum of their scores. Rank sums (scores are ranks) and trends (scores are those of the
//!              groups, drawn are the successes) are of this kind.
//! Method.      Level by level: ways to draw m with the sum v from the levels so far; weights are binomial probabilities of the x_j
//!              with chance n/N, which given Σ x_j = n have the wanted distribution and neither overflow nor lose small ones.
//! Source.      Streitberg B, Röhmel J. Stat Softw Newsl 1986;12:10–17 (the shift idea, from memory).
//! Decided.     The distribution isn't symmetric in general. Two-sided: at least as far from the mean as seen, by whole numbers; and
//!              twice the smaller tail.
//!              Work (sums of rows of the table of ways) is counted beforehand; beyond the allowance, or where a tail is below 1e-290
//!              and rounding may have lost of it, it is not known, with that reason.
//! Cost.        Measured, processor time: two samples of 50 different values 0.004 s, of 100 scores on five levels 0.005 s. Two samples of
//!              100 different values are beyond the allowance.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::TailProbability;
use crate::quantity::{Known, WhyNotKnown};

/// Additions and multiplications at most.
const ALLOWED_WORK: f64 = 3e8;
/// Below this a sum of weights may have lost some to rounding.
const SMALLEST_TAIL: f64 = 1e-290;

/// Probabilities of a statistic under all permutations.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PermutationProbabilities {
    /// Of one at most as large as seen.
    pub at_most: TailProbability,
    /// Of one at least as large.
    pub at_least: TailProbability,
    /// Of one at least as far from the mean, on either side.
    pub as_far_from_mean: TailProbability,
    /// Twice the smaller of the first two, at most 1.
    pub twice_smaller_tail: TailProbability,
    /// The same with half the probability of what was seen taken off the tail.
    pub mid_p: TailProbability,
}

/// Probabilities of Σ x_j·s_j for `seen` = x_j drawn of `totals` = t_j with ascending or any other whole `scores`.
///
/// Not known when the work would be too much.
pub(super) fn permutation_probabilities(totals: &[u64], scores: &[u64], seen: &[u64]) -> Known<PermutationProbabilities> {
    let (drawn, total) = (seen.iter().sum::<u64>(), totals.iter().sum::<u64>());
    // The fewer are drawn, the smaller the table; what is left has the sum of all less that of the drawn.
    if 2 * drawn > total {
        let rest: Vec<u64> = totals.iter().zip(seen).map(|(total, seen)| total - seen).collect();
        return permutation_probabilities(totals, scores, &rest).map(|turned| PermutationProbabilities {
            at_most: turned.at_least,
            at_least: turned.at_most,
            ..turned
        });
    }
    let used: Vec<(u64, u64)> = totals.iter().copied().zip(scores.iter().copied()).filter(|level| level.0 > 0).collect();
    let (Some(least), Some(most)) = (used.iter().map(|level| level.1).min(), used.iter().map(|level| level.1).max()) else {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    };
    if least == most || drawn == 0 || drawn == total {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let step = used.iter().fold(0, |divisor, level| common_divisor(divisor, level.1 - least));
    let levels: Vec<(u64, u64)> = used.iter().map(|&(count, score)| (count, (score - least) / step)).collect();
    let sum: u64 = scores.iter().zip(seen).map(|(score, &seen)| seen * (score.max(&least) - least) / step).sum();
    let weights = match ways(&levels, drawn, total) {
        Some(weights) => weights,
        None => return Known::NotKnown(WhyNotKnown::BeyondExactWork),
    };
    let all: i128 = levels.iter().map(|&(count, score)| i128::from(count) * i128::from(score)).sum();
    of_weights(&weights, sum, i128::from(drawn) * all, i128::from(total))
}

/// Probabilities of the place `seen` among weighted ones whose mean is `mean_above`/`mean_below`.
#[expect(clippy::cast_possible_truncation, reason = "a place in a table in memory")]
pub(super) fn of_weights(weights: &[f64], seen: u64, mean_above: i128, mean_below: i128) -> Known<PermutationProbabilities> {
    let seen = seen as usize;
    let lower: f64 = weights[..seen].iter().sum();
    let upper: f64 = weights[seen + 1..].iter().rev().sum();
    let here = weights[seen];
    let total = lower + here + upper;
    let from_mean = |place: usize| (place as i128 * mean_below - mean_above).abs();
    let far: f64 =
        weights.iter().enumerate().filter(|&(place, _)| from_mean(place) >= from_mean(seen)).map(|(_, weight)| weight).sum();
    let smaller = lower.min(upper) + here;
    if smaller <= SMALLEST_TAIL * total {
        return Known::NotKnown(WhyNotKnown::BeyondExactWork);
    }
    let probability = |weight: f64, rest: f64| {
        // From what is missing to 1 where that is less.
        let ln_p_value = if rest < weight { libm::log1p(-rest / total) } else { libm::log(weight / total) }.min(0.0);
        TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
    };
    let doubled = |weight: f64| {
        let ln_p_value = libm::log(2.0 * weight / total).min(0.0);
        TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
    };
    let near: f64 =
        weights.iter().enumerate().filter(|&(place, _)| from_mean(place) < from_mean(seen)).map(|(_, weight)| weight).sum();
    Known::Known(PermutationProbabilities {
        at_most: probability(lower + here, upper),
        at_least: probability(here + upper, lower),
        as_far_from_mean: probability(far, near),
        twice_smaller_tail: doubled(smaller),
        mid_p: doubled(smaller - 0.5 * here),
    })
}

/// Weight of each sum when `drawn` of the `total` are; levels are counts and scores. None when the work would be too much.
#[expect(clippy::cast_possible_truncation, reason = "bounded by the allowed work")]
fn ways(levels: &[(u64, u64)], drawn: u64, total: u64) -> Option<Vec<f64>> {
    // The highest sum of `drawn`: the highest scores.
    let mut descending = levels.to_vec();
    descending.sort_unstable_by_key(|level| std::cmp::Reverse(level.1));
    let mut left = drawn;
    let mut highest = 0.0;
    for &(count, score) in &descending {
        let taken = count.min(left);
        highest += taken as f64 * score as f64;
        left -= taken;
    }
    let width = highest + 1.0;
    let additions: f64 =
        levels.iter().map(|&(count, _)| (count.min(drawn) + 1) as f64).sum::<f64>() * (drawn + 1) as f64 * width * 0.5;
    if additions > ALLOWED_WORK || (drawn + 1) as f64 * width > ALLOWED_WORK / 8.0 {
        return None;
    }
    let (rows, width) = (drawn as usize + 1, width as usize);
    // Low scores first, so that sums stay low as long as they can.
    descending.reverse();
    let mut table = vec![0.0; rows * width];
    table[0] = 1.0;
    // For each number drawn, the highest sum so far.
    let mut reach = vec![0_usize; rows];
    let chance = drawn as f64 / total as f64;
    let (mut seen, mut total_left) = (0, total);
    for &(count, score) in &descending {
        let binomial = binomial_weights(count, drawn, chance);
        let score = score as usize;
        total_left -= count;
        let fewest = drawn.saturating_sub(total_left) as usize;
        let most = (seen + count).min(drawn) as usize;
        for m in (fewest..=most).rev() {
            let (before, row) = table.split_at_mut(m * width);
            let row = &mut row[..width];
            let old = seen.min(drawn) as usize;
            if m <= old {
                row[..=reach[m]].iter_mut().for_each(|weight| *weight *= binomial[0]);
            }
            let mut furthest = if m <= old { reach[m] } else { 0 };
            for (x, &chance) in binomial.iter().enumerate().take(m + 1).skip(1) {
                let from = m - x;
                if from > old {
                    continue;
                }
                let shift = x * score;
                let length = (reach[from] + 1).min(width.saturating_sub(shift));
                furthest = furthest.max((reach[from] + shift).min(width - 1));
                let source = &before[from * width..from * width + length];
                for (to, weight) in row[shift..].iter_mut().zip(source) {
                    *to += chance * weight;
                }
            }
            reach[m] = furthest;
        }
        seen += count;
    }
    Some(table.split_off((rows - 1) * width))
}

/// Binomial probabilities of 0 to `most` of `count`.
fn binomial_weights(count: u64, most: u64, chance: f64) -> Vec<f64> {
    let ln_odds = libm::log(chance / (1.0 - chance));
    let mut ln = count as f64 * libm::log1p(-chance);
    let mut weights = Vec::new();
    for x in 0..=count.min(most) {
        weights.push(libm::exp(ln));
        ln += ln_odds + libm::log((count - x) as f64 / (x + 1) as f64);
    }
    weights
}

fn common_divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { common_divisor(b, a % b) }
}
