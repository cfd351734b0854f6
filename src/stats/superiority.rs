//! How often is one of the first sample higher than one of the second? The probability of superiority.
//!
//! Definition.  θ = P(X > Y) + ½·P(X = Y), X of the first sample, Y of the second; U/(n₁n₂).
//! Formula.     Placement of x: share of the second sample below it, ties by half; of y: share of the first above it.
//!              Variance s₁²/n₁ + s₂²/n₂, s² being the variances of the placements (divisors n − 1).
//! Interval.    logit θ ± z·σ/(θ(1 − θ)).
//! Test.        Of θ = ½ without supposing the same spread: (θ − ½)/σ by Student's distribution with
//!              (s₁²/n₁ + s₂²/n₂)² / Σ (s²/n)²/(n − 1) degrees of freedom.
//! Source.      Variance: Sen PK. Calcutta Stat Assoc Bull 1960;10:1–18; DeLong ER et al. Biometrics 1988;44:837–845. Test: Brunner E,
//!              Munzel U. Biom J 2000;42:17–25 (all from memory).
//! Decided.     Where every one of the first is higher (or none) there is neither limit nor test; nor with fewer than two in a sample.
//! Cost.        One pass over the levels.
//! Not for.     Restorations of one patient: see `clustered_rank_sum`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_two_sided;
use super::contingency_table::ContingencyTable;
use super::distribution::{TailProbability, normal_quantile_upper};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, WhyNotKnown};

/// The probability of superiority of the first sample.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Superiority {
    /// How often the first is higher, ties by half.
    pub value: Fraction,
    /// Standard error.
    pub standard_error: Known<f64>,
    /// Limits.
    pub interval: Known<ConfidenceInterval<Fraction>>,
    /// Degrees of freedom of the test.
    pub degrees_of_freedom: Known<f64>,
    /// Two-sided probability of one as far from one half.
    pub probability: Known<TailProbability>,
}

/// Compares two samples of values; ties are exact equality.
///
/// Not known when a sample is empty or a value is not a number.
pub fn superiority(first: &[f64], second: &[f64], level: ConfidenceLevel) -> Known<Superiority> {
    match ContingencyTable::of_samples(&[first, second]) {
        Known::Known((table, _)) => superiority_of_counts(table.row(0), table.row(1), level),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The same by how many of each sample are on each level, levels in ascending order.
pub fn superiority_of_counts(first: &[u64], second: &[u64], level: ConfidenceLevel) -> Known<Superiority> {
    let [n1, n2] = [first, second].map(|counts| counts.iter().sum::<u64>() as f64);
    if n1 + n2 <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if n1 <= 0.0 || n2 <= 0.0 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    let at = |counts: &[u64], level: usize| counts.get(level).map_or(0.0, |&count| count as f64);
    let levels = first.len().max(second.len());
    // Pairs won by those on a level: of the first against those below, of the second against those above; ties by half.
    let (mut below, mut above) = ([0.0, 0.0], [n1, n2]);
    let (mut pairs, mut placements) = (0.0, Vec::with_capacity(levels));
    for level in 0..levels {
        let (a, b) = (at(first, level), at(second, level));
        above[0] -= a;
        let (won_by_first, lost_by_second) = (below[1] + 0.5 * b, above[0] + 0.5 * a);
        pairs += a * won_by_first;
        placements.push((a, won_by_first / n2, b, lost_by_second / n1));
        below[1] += b;
    }
    let theta = pairs / (n1 * n2);
    let (mut first_squares, mut second_squares) = (0.0, 0.0);
    for (a, of_first, b, of_second) in placements {
        first_squares += a * (of_first - theta) * (of_first - theta);
        second_squares += b * (of_second - theta) * (of_second - theta);
    }
    let (v1, v2) = (first_squares / (n1 - 1.0) / n1, second_squares / (n2 - 1.0) / n2);
    let unknown = |why| Superiority {
        value: Fraction::new(theta),
        standard_error: Known::NotKnown(why),
        interval: Known::NotKnown(why),
        degrees_of_freedom: Known::NotKnown(why),
        probability: Known::NotKnown(why),
    };
    if n1 < 2.0 || n2 < 2.0 {
        return Known::Known(unknown(WhyNotKnown::TooFewClusters));
    }
    if v1 + v2 <= 0.0 {
        return Known::Known(unknown(WhyNotKnown::AtBoundary));
    }
    let error = libm::sqrt(v1 + v2);
    let freedom = (v1 + v2) * (v1 + v2) / (v1 * v1 / (n1 - 1.0) + v2 * v2 / (n2 - 1.0));
    Known::Known(Superiority {
        value: Fraction::new(theta),
        standard_error: Known::Known(error),
        interval: logit_interval(theta, error, normal_quantile_upper(level.tail()), level),
        degrees_of_freedom: Known::Known(freedom),
        probability: Known::Known(student_two_sided((theta - 0.5) / error, freedom)),
    })
}

/// Limits symmetric on the logit.
pub(super) fn logit_interval(
    value: f64,
    standard_error: f64,
    quantile: f64,
    level: ConfidenceLevel,
) -> Known<ConfidenceInterval<Fraction>> {
    let spread = value * (1.0 - value);
    if spread <= 0.0 {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    let factor = libm::exp(quantile * standard_error / spread);
    let odds = value / (1.0 - value);
    let share = |odds: f64| if odds.is_finite() { odds / (1.0 + odds) } else { 1.0 };
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(share(odds / factor)),
        upper: Fraction::new(share(odds * factor)),
        level,
        method: IntervalMethod::Logit,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // First 3, 4; second 1, 2, 5: placements 2/3, 2/3 and 1, 1, 0; θ = 2/3, s₁² = 0, s₂² = 1/3.
        let theta = *superiority(&[3.0, 4.0], &[1.0, 2.0, 5.0], ConfidenceLevel::USUAL).known().expect("two samples");
        assert!((theta.value.value() - 2.0 / 3.0).abs() < 1e-15, "absolute");
        assert!((theta.standard_error.known().expect("spread") - 1.0 / 3.0).abs() < 1e-15, "absolute");
        assert!((theta.degrees_of_freedom.known().expect("spread") - 2.0).abs() < 1e-14, "absolute");
    }

    #[test]
    fn at_either_end_there_are_no_limits() {
        let all = *superiority(&[3.0, 4.0], &[1.0, 2.0], ConfidenceLevel::USUAL).known().expect("two samples");
        assert_eq!(all.value, Fraction::new(1.0));
        assert_eq!(all.interval, Known::NotKnown(WhyNotKnown::AtBoundary));
        let tied = *superiority(&[3.0, 3.0], &[3.0, 3.0], ConfidenceLevel::USUAL).known().expect("two samples");
        assert_eq!((tied.value, tied.probability), (Fraction::new(0.5), Known::NotKnown(WhyNotKnown::AtBoundary)));
        let one = *superiority(&[3.0], &[3.0, 4.0], ConfidenceLevel::USUAL).known().expect("two samples");
        assert_eq!(one.interval, Known::NotKnown(WhyNotKnown::TooFewClusters));
        assert_eq!(superiority(&[3.0], &[], ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::TooFewGroups));
    }
}
