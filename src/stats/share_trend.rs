//! Does a share rise or fall along ordered groups? The test for trend of Cochran and Armitage.
//!
//! Formula.     With x_j of n_j in groups with scores s_j, p = Σx/N, s̄ = Σ n·s/N: T = Σ x_j·(s_j − s̄), z = T/√(p(1 − p)·Σ n_j(s_j − s̄)²);
//!              the version with (N − 1)/N times z² is that of the permutation variance (Mantel).
//!              Exact: T given both margins, see `exact_permutation`. Slope: T/Σ n_j(s_j − s̄)².
//! Source.      Cochran WG. Biometrics 1954;10:417–451; Armitage P. Biometrics 1955;11:375–386; Mantel N. J Am Stat Assoc
//!              1963;58:690–700 (all from memory).
//! Decided.     Both versions are given, none silently. Empty groups take no part. Exact probabilities need scores that are whole
//!              multiples of a common step with at most four decimals.
//! Not for.     Restorations of one patient: see `clustered_trend`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::chi_squared_test::ChiSquaredTest;
use super::exact_permutation::{PermutationProbabilities, permutation_probabilities};
use crate::quantity::{Known, WhyNotKnown};

/// A group of the trend.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoredShare {
    /// Those with the feature.
    pub part: u64,
    /// All in the group.
    pub whole: u64,
    /// Its score.
    pub score: f64,
}

/// The trend of a share.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ShareTrend {
    /// Change of the share for one more of the score.
    pub slope: f64,
    /// Distance from no trend in standard errors (N version); above 0 where the share rises with the score.
    pub z: f64,
    /// Its square, by χ².
    pub test: ChiSquaredTest,
    /// The (N − 1)/N version.
    pub permutation_variance_test: ChiSquaredTest,
}

/// Tests for a trend; each observation counts as independent.
///
/// Not known when a score is not a number, the groups have one score only, or all or none have the feature.
pub fn share_trend(groups: &[ScoredShare]) -> Known<ShareTrend> {
    if let Some(why) = why_not(groups) {
        return Known::NotKnown(why);
    }
    let total: f64 = groups.iter().map(|group| group.whole as f64).sum();
    let part: f64 = groups.iter().map(|group| group.part.min(group.whole) as f64).sum();
    let mean = groups.iter().map(|group| group.whole as f64 * group.score).sum::<f64>() / total;
    let share = part / total;
    let (mut trend, mut spread) = (0.0, 0.0);
    for group in groups {
        let (whole, away) = (group.whole as f64, group.score - mean);
        trend += (group.part.min(group.whole) as f64 - whole * share) * away;
        spread += whole * away * away;
    }
    let z = trend / libm::sqrt(share * (1.0 - share) * spread);
    Known::Known(ShareTrend {
        slope: trend / spread,
        z,
        test: ChiSquaredTest::of(z * z, 1),
        permutation_variance_test: ChiSquaredTest::of(z * z * (total - 1.0) / total, 1),
    })
}

/// Exact probabilities of the trend, given both margins.
///
/// Not known for the reasons of [`share_trend`], when scores are no multiples of a common step, or when it would take too much work.
pub fn exact_share_trend(groups: &[ScoredShare]) -> Known<PermutationProbabilities> {
    if let Some(why) = why_not(groups) {
        return Known::NotKnown(why);
    }
    let used: Vec<&ScoredShare> = groups.iter().filter(|group| group.whole > 0).collect();
    let Some(scores) = whole_scores(&used.iter().map(|group| group.score).collect::<Vec<f64>>()) else {
        return Known::NotKnown(WhyNotKnown::BeyondExactWork);
    };
    let totals: Vec<u64> = used.iter().map(|group| group.whole).collect();
    let parts: Vec<u64> = used.iter().map(|group| group.part.min(group.whole)).collect();
    permutation_probabilities(&totals, &scores, &parts)
}

/// Scores above the lowest as multiples of the largest step of 1, 1/2, 1/5 … 1/10 000 that they share.
#[expect(clippy::cast_possible_truncation, reason = "checked to be below 1e9")]
fn whole_scores(scores: &[f64]) -> Option<Vec<u64>> {
    let lowest = scores.iter().copied().fold(f64::INFINITY, f64::min);
    [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 100.0, 1000.0, 10_000.0].into_iter().find_map(|steps| {
        scores
            .iter()
            .map(|score| {
                let place = (score - lowest) * steps;
                let whole = libm::round(place);
                (whole < 1e9 && (place - whole).abs() < 1e-9 * whole.max(1.0)).then_some(whole as u64)
            })
            .collect()
    })
}

fn why_not(groups: &[ScoredShare]) -> Option<WhyNotKnown> {
    let used: Vec<&ScoredShare> = groups.iter().filter(|group| group.whole > 0).collect();
    let Some(first) = used.first() else { return Some(WhyNotKnown::NoObservations) };
    if used.iter().any(|group| !group.score.is_finite()) {
        return Some(WhyNotKnown::NotANumber);
    }
    if used.len() < 2 {
        return Some(WhyNotKnown::TooFewGroups);
    }
    let one_score = used.iter().all(|group| (group.score - first.score).abs() <= 0.0);
    let alike = used.iter().all(|group| group.part == 0) || used.iter().all(|group| group.part >= group.whole);
    (one_score || alike).then_some(WhyNotKnown::NoVariation)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn groups(rows: &[(u64, u64, f64)]) -> Vec<ScoredShare> {
        rows.iter().map(|&(part, whole, score)| ScoredShare { part, whole, score }).collect()
    }

    #[test]
    fn two_groups_are_the_two_by_two_table_by_hand() {
        // 3 of 4 and 1 of 4: χ² = 2, (N − 1)/N of it 1.75; slope −1/2; exact: the tea tasting.
        let groups = groups(&[(3, 4, 0.0), (0, 0, 7.0), (1, 4, 1.0)]);
        let trend = *share_trend(&groups).known().expect("a trend");
        assert!((trend.test.statistic - 2.0).abs() < 1e-14, "absolute");
        assert!((trend.permutation_variance_test.statistic - 1.75).abs() < 1e-14, "absolute");
        assert!((trend.slope + 0.5).abs() < 1e-15 && trend.z < 0.0, "absolute");
        let exact = *exact_share_trend(&groups).known().expect("small");
        assert!((exact.at_most.p_value * 70.0 / 17.0 - 1.0).abs() < 1e-14, "relative");
        assert!((exact.as_far_from_mean.p_value * 70.0 / 34.0 - 1.0).abs() < 1e-14, "relative");
    }

    #[test]
    fn nothing_to_compare() {
        let why = |rows: &[(u64, u64, f64)]| share_trend(&groups(rows));
        assert_eq!(why(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(why(&[(0, 4, 1.0), (0, 5, 2.0)]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(why(&[(4, 4, 1.0), (5, 5, 2.0)]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(why(&[(1, 4, 1.0), (3, 5, 1.0)]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(why(&[(1, 4, 1.0), (0, 0, 2.0)]), Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert_eq!(why(&[(1, 4, f64::NAN), (1, 3, 2.0)]), Known::NotKnown(WhyNotKnown::NotANumber));
    }

    #[test]
    fn scores_without_a_common_step_have_no_exact_probabilities() {
        let root = std::f64::consts::SQRT_2;
        let answer = exact_share_trend(&groups(&[(1, 4, 0.0), (3, 5, 1.0), (2, 4, root)]));
        assert_eq!(answer, Known::NotKnown(WhyNotKnown::BeyondExactWork));
    }
}
