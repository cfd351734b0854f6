//! Does a share rise or fall along ordered groups, where observations come in clusters?
//!
//! Formula.     Scores s, findings y (0 or 1), means s̄ and p over all; S = Σ(s − s̄)². Slope b = Σ(s − s̄)(y − p)/S. Wald: influence
//!              (s − s̄)(y − p − b(s − s̄))/S summed by cluster, variance as in `clustered_codes`; t with m − 1 degrees of freedom.
//!              Score test: u_c = Σ over the cluster of (s − s̄)(y − p), χ² = (Σu_c)²/Σu_c² with one degree of freedom.
//! Source.      Liang KY, Zeger SL. Biometrika 1986;73:13–22; score test: Boos DD. Am Stat 1992;46:327–333 (both from memory). For
//!              independent observations the numerator is that of Cochran and Armitage.
//! Decided.     The score test has no factor: it stays below m, and is on the safe side with few clusters.
//! Cost.        A few passes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{student_quantile_upper, student_two_sided};
use super::chi_squared_test::ChiSquaredTest;
use super::clustered_codes::{ClusteredCodes, vanishes, variance};
use super::distribution::TailProbability;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// The trend of a share with clusters taken into account.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredTrend {
    /// Change of the share for one more of the score.
    pub slope: f64,
    /// Its standard error.
    pub standard_error: Known<f64>,
    /// Its limits.
    pub interval: Known<ConfidenceInterval<f64>>,
    /// Two-sided probability by Student's distribution.
    pub probability: Known<TailProbability>,
    /// Student's degrees of freedom.
    pub degrees_of_freedom: Option<u64>,
    /// The score test.
    pub score_test: Known<ChiSquaredTest>,
    /// How many stand behind it; failures are those with the feature.
    pub behind: Behind,
}

/// The trend of the share with column `feature` over the rows with these scores.
///
/// Not known when there is not a score for each row or one is not a number, when all have one score, or all or none the feature.
pub fn clustered_trend(
    codes: &ClusteredCodes<'_>,
    scores: &[f64],
    feature: u16,
    level: ConfidenceLevel,
) -> Known<ClusteredTrend> {
    if scores.len() != usize::from(codes.rows()) || scores.iter().any(|score| !score.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let feature = usize::from(feature);
    // Of each row, those with the feature and all.
    let mut rows = vec![(0_u64, 0_u64); scores.len()];
    for (row, column, _) in codes.each() {
        rows[row].0 += u64::from(column == feature);
        rows[row].1 += 1;
    }
    let (part, whole) = rows.iter().fold((0, 0), |sum, row| (sum.0 + row.0, sum.1 + row.1));
    if whole == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let n = whole as f64;
    let mean = rows.iter().zip(scores).map(|(row, score)| row.1 as f64 * score).sum::<f64>() / n;
    let spread: f64 = rows.iter().zip(scores).map(|(row, score)| row.1 as f64 * (score - mean) * (score - mean)).sum();
    let mut used = rows.iter().zip(scores).filter(|(row, _)| row.1 > 0).map(|(_, score)| *score);
    let first = used.next().unwrap_or(0.0);
    if part == 0 || part == whole || used.all(|score| (score - first).abs() <= 0.0) {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let p = part as f64 / n;
    let trend: f64 = rows.iter().zip(scores).map(|(row, score)| (row.0 as f64 - row.1 as f64 * p) * (score - mean)).sum();
    let slope = trend / spread;
    let finding = |column: usize| if column == feature { 1.0 } else { 0.0 };
    let sums = codes.sums(
        |_| true,
        |row, column| {
            let away = scores[row] - mean;
            away * (finding(column) - p - slope * away) / spread
        },
    );
    let clusters = sums.len() as u64;
    let unknown = |why| ClusteredTrend {
        slope,
        standard_error: Known::NotKnown(why),
        interval: Known::NotKnown(why),
        probability: Known::NotKnown(why),
        degrees_of_freedom: None,
        score_test: Known::NotKnown(why),
        behind: Behind { observations: whole, clusters, failures: part },
    };
    if clusters < 2 {
        return Known::Known(unknown(WhyNotKnown::TooFewClusters));
    }
    let mut answer = unknown(WhyNotKnown::AtBoundary);
    let scored = codes.sums(|_| true, |row, column| (scores[row] - mean) * (finding(column) - p));
    let squares: f64 = scored.iter().map(|u| u * u).sum();
    if squares > 1e-26 * spread * spread {
        answer.score_test = Known::Known(ChiSquaredTest::of(trend * trend / squares, 1));
    }
    let v = variance(&sums);
    // The slope changes with the unit of the scores; its variance is nothing beside the square of the largest slope possible.
    if !vanishes(v, libm::sqrt(n / spread)) {
        let (error, freedom) = (libm::sqrt(v), clusters as f64 - 1.0);
        let t = student_quantile_upper(level.tail(), freedom);
        answer.standard_error = Known::Known(error);
        answer.degrees_of_freedom = Some(clusters - 1);
        answer.interval = Known::Known(ConfidenceInterval {
            lower: slope - t * error,
            upper: slope + t * error,
            level,
            method: IntervalMethod::Plain,
        });
        answer.probability = Known::Known(student_two_sided(slope / error, freedom));
    }
    Known::Known(answer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Grouping;

    #[test]
    fn by_hand() {
        // Scores 0, 0, 1, 1 with findings 0, 1, 1, 1: slope ½; p = ¾, u = −½·(−¾), −½·¼, ½·¼, ½·¼ = 3/8, −1/8, 1/8, 1/8: (½)²/(12/64) = 4/3.
        let rows = Grouping::new(vec![0, 0, 1, 1], 2).expect("levels");
        let found = Grouping::new(vec![0, 1, 1, 1], 2).expect("levels");
        let codes = ClusteredCodes::new(&rows, &found, &[0, 1, 2, 3]).expect("lengths");
        let trend = *clustered_trend(&codes, &[0.0, 1.0], 1, ConfidenceLevel::USUAL).known().expect("a trend");
        assert!((trend.slope - 0.5).abs() < 1e-15, "absolute");
        assert!((trend.score_test.known().expect("spread").statistic - 4.0 / 3.0).abs() < 1e-14, "absolute");
        // Residuals ∓½ in the first row: influence ∓½·(∓½)/1 = ±¼; variance 4/3·2/16.
        assert!((trend.standard_error.known().expect("spread") - libm::sqrt(1.0 / 6.0)).abs() < 1e-15, "absolute");
        assert_eq!(
            clustered_trend(&codes, &[1.0, 1.0], 1, ConfidenceLevel::USUAL),
            Known::NotKnown(WhyNotKnown::NoVariation)
        );
        assert_eq!(clustered_trend(&codes, &[1.0], 1, ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NotANumber));
        let one = ClusteredCodes::new(&rows, &found, &[2, 2, 2, 2]).expect("lengths");
        let trend = *clustered_trend(&one, &[0.0, 1.0], 1, ConfidenceLevel::USUAL).known().expect("a trend");
        assert_eq!(trend.score_test, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
