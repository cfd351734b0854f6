//! How many observations a comparison of two shares needs: failed, or in place, at a horizon.
//!
//! Formula.     With shares p₁ and p₂, k observations in the second group for each in the first, Δ = p₁ − p₂:
//!              pooled: n₁ = (z_level·√((1 + 1/k)·p̄·(1 − p̄)) + z_power·√V)² / Δ², p̄ = (p₁ + k·p₂)/(1 + k),
//!              V = p₁(1 − p₁) + p₂(1 − p₂)/k; unpooled: (z_level + z_power)²·V/Δ²; corrected for continuity, from the pooled n:
//!              n/4·(1 + √(1 + 2(1 + k)/(n·k·|Δ|)))².
//! Source.      Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed. 1981, 3.2 and 3.3; correction: Fleiss JL, Tytun A,
//!              Ury HK. Biometrics 1980;36:343–346 (both from memory).
//! Assumes.     Everybody is followed to the horizon; independent observations (else multiply by `design_effect`).
//! Decided.     Not rounded. Power is that of finding the difference in its true direction. Corrected for continuity is the size at
//!              which a test with that correction, or the exact one, has the power. Turned round, √n = √n' −
//!              (1 + k)/(2k·|Δ|·√n') gives back the size before it was corrected.
//! Not for.     Shares of those who were followed, where many are lost before the horizon: see `observations_needed`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::{normal_quantile_upper, normal_upper_tail};
use super::events_needed::{PlannedComparison, quantiles};
use crate::quantity::{ConfidenceLevel, Fraction, Known, WhyNotKnown};

/// Which variance the test of two shares uses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SharesFormula {
    /// That of the pooled share, as the χ² test without a correction has it.
    #[default]
    Pooled,
    /// That of each group's own share.
    Unpooled,
    /// The pooled one, corrected for continuity.
    ContinuityCorrected,
}

/// A comparison of two shares that is planned.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedShares {
    /// The share in the first group.
    pub first: Fraction,
    /// The share in the second.
    pub second: Fraction,
    /// Observations in the second group for each one in the first.
    pub allocation: f64,
    /// 1 less the two-sided significance level of the test.
    pub level: ConfidenceLevel,
    /// Which variance is used.
    pub formula: SharesFormula,
}

/// Observations needed in the first group for this power, not rounded; in the second, as many times more as the allocation says.
///
/// Not known for equal shares, nor unless the allocation is above 0 and the power lies strictly between the part of the level on one
/// side and 1.
pub fn shares_needed(planned: &PlannedShares, power: Fraction) -> Known<f64> {
    let comparison =
        PlannedComparison { allocation: planned.allocation, level: planned.level, ..PlannedComparison::default() };
    let z = match (quantiles(comparison, power), planned.is_sound()) {
        (Known::NotKnown(why), _) | (_, Err(why)) => return Known::NotKnown(why),
        (Known::Known(z), Ok(())) => z,
    };
    let z_level = normal_quantile_upper(planned.level.tail());
    let z_power = z - z_level;
    let (pooled, own, difference) = planned.spread();
    let root = match planned.formula {
        SharesFormula::Unpooled => z * own,
        SharesFormula::Pooled | SharesFormula::ContinuityCorrected => z_level * pooled + z_power * own,
    };
    if root <= 0.0 {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    let n = (root / difference) * (root / difference);
    Known::Known(match planned.formula {
        SharesFormula::Pooled | SharesFormula::Unpooled => n,
        SharesFormula::ContinuityCorrected => {
            let k = planned.allocation;
            let half = 0.5 * (1.0 + libm::sqrt(1.0 + 2.0 * (1.0 + k) / (n * k * difference)));
            n * half * half
        }
    })
}

/// The power of so many observations in the first group.
///
/// Not known for equal shares or without observations.
pub fn power_of_shares(planned: &PlannedShares, first: f64) -> Known<Fraction> {
    if !(first > 0.0 && first.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if let Err(why) = planned.is_sound() {
        return Known::NotKnown(why);
    }
    let (pooled, own, difference) = planned.spread();
    let k = planned.allocation;
    // n' = n/4·(1 + √(1 + 4c/n))², c = (1 + k)/(2k·|Δ|), is √n' = (√n + √(n + 4c))/2, so √n = √n' − c/√n'.
    let root = match planned.formula {
        SharesFormula::Pooled | SharesFormula::Unpooled => libm::sqrt(first),
        SharesFormula::ContinuityCorrected => libm::sqrt(first) - 0.5 * (1.0 + k) / (k * difference) / libm::sqrt(first),
    };
    let z_level = normal_quantile_upper(planned.level.tail());
    let spread = if planned.formula == SharesFormula::Unpooled { own } else { pooled };
    Known::Known(if own > 0.0 {
        Fraction::new(normal_upper_tail((z_level * spread - difference * root) / own))
    } else {
        // Shares of 0 and 1: the outcome is certain.
        Fraction::new(f64::from(u8::from(difference * root > z_level * spread)))
    })
}

impl PlannedShares {
    fn is_sound(&self) -> Result<(), WhyNotKnown> {
        let (p, q) = (self.first.value(), self.second.value());
        if !(self.allocation > 0.0 && self.allocation.is_finite()) || p.is_nan() || q.is_nan() {
            Err(WhyNotKnown::OutsideItsRange)
        } else if (p - q).abs() > 0.0 {
            Ok(())
        } else {
            Err(WhyNotKnown::OutOfReach)
        }
    }

    /// Standard deviations for one observation in the first group: pooled, and own; and the difference.
    fn spread(&self) -> (f64, f64, f64) {
        let (p, q, k) = (self.first.value(), self.second.value(), self.allocation);
        let mean = (p + k * q) / (1.0 + k);
        let pooled = libm::sqrt((1.0 + 1.0 / k) * mean * (1.0 - mean));
        (pooled, libm::sqrt(p * (1.0 - p) + q * (1.0 - q) / k), (p - q).abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(first: f64, second: f64, formula: SharesFormula) -> PlannedShares {
        let (first, second) = (Fraction::new(first), Fraction::new(second));
        PlannedShares { first, second, allocation: 1.5, level: ConfidenceLevel::USUAL, formula }
    }

    #[test]
    fn power_turns_the_size_round() {
        for formula in [SharesFormula::Pooled, SharesFormula::Unpooled, SharesFormula::ContinuityCorrected] {
            for (first, second, power) in [(0.9, 0.8, 0.8), (0.05, 0.1, 0.95), (0.0, 0.2, 0.6), (0.4, 0.41, 0.1)] {
                let plan = plan(first, second, formula);
                let size = *shares_needed(&plan, Fraction::new(power)).known().expect("a plan");
                let back = power_of_shares(&plan, size).known().expect("a plan").value();
                assert!((back / power - 1.0).abs() < 1e-11, "relative: {formula:?} {back} against {power}");
            }
        }
    }

    #[test]
    fn what_no_number_does_is_said() {
        let power = Fraction::new(0.8);
        let same = plan(0.9, 0.9, SharesFormula::Pooled);
        assert_eq!(shares_needed(&same, power), Known::NotKnown(WhyNotKnown::OutOfReach));
        assert_eq!(power_of_shares(&same, 10.0), Known::NotKnown(WhyNotKnown::OutOfReach));
        let none = PlannedShares { allocation: 0.0, ..plan(0.9, 0.8, SharesFormula::Pooled) };
        assert_eq!(shares_needed(&none, power), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(
            power_of_shares(&plan(0.9, 0.8, SharesFormula::Pooled), 0.0),
            Known::NotKnown(WhyNotKnown::NoObservations)
        );
    }

    #[test]
    fn all_against_none_is_certain_once_there_are_enough() {
        let plan = plan(0.0, 1.0, SharesFormula::Pooled);
        assert_eq!(power_of_shares(&plan, 1.0), Known::Known(Fraction::new(0.0)));
        assert_eq!(power_of_shares(&plan, 10.0), Known::Known(Fraction::new(1.0)));
    }
}
