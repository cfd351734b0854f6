//! Two shares compared: their difference, ratio and odds ratio.
//!
//! Formula.     Difference p₁ − p₂, by Wilson's limits l, u of each: lower d − √((p₁ − l₁)² + (u₂ − p₂)²),
//!              upper d + √((u₁ − p₁)² + (p₂ − l₂)²); standard error √(Σ p(1 − p)/n).
//!              Risk ratio p₁/p₂: ln ratio ± z·√(1/x₁ − 1/n₁ + 1/x₂ − 1/n₂).
//!              Odds ratio ad/(bc): ln ratio ± z·√(1/a + 1/b + 1/c + 1/d).
//! Source.      Newcombe RG. Stat Med 1998;17:873–890 (method 10); Katz D et al. Biometrics 1978;34:469–474; Woolf B. Ann Hum
//!              Genet 1955;19:251–253 (all from memory).
//! Decided.     Nothing is added to cells of 0: a ratio by nothing is not known, and where a logarithm has no variance the limits are
//!              not. The difference always has limits.
//! Not for.     Restorations of one patient: see `clustered_share_contrast`. Small counts: `fisher_exact` has exact limits.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::normal_quantile_upper;
use super::share::wilson_limits;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, WhyNotKnown};

/// A contrast of two shares.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ShareContrast {
    /// Both shares.
    pub shares: [Fraction; 2],
    /// First less second.
    pub difference: f64,
    /// Its standard error.
    pub difference_standard_error: f64,
    /// Its limits.
    pub difference_interval: ConfidenceInterval<f64>,
    /// First by second.
    pub risk_ratio: ShareRatio,
    /// Odds of the first by odds of the second.
    pub odds_ratio: ShareRatio,
}

/// A ratio and its limits, symmetric on its logarithm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ShareRatio {
    /// The ratio; not known where it would be by nothing.
    pub value: Known<f64>,
    /// Standard error of its logarithm.
    pub ln_standard_error: Known<f64>,
    /// Its limits.
    pub interval: Known<ConfidenceInterval<f64>>,
}

/// Compares the share with a feature in both rows of [[with, without], [with, without]].
///
/// Not known when a row is empty.
pub fn contrast_shares(table: [[u64; 2]; 2], level: ConfidenceLevel) -> Known<ShareContrast> {
    let wholes = table.map(|[with, without]| (with + without) as f64);
    if wholes.iter().all(|&whole| whole <= 0.0) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if wholes.iter().any(|&whole| whole <= 0.0) {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    let z = normal_quantile_upper(level.tail());
    let [[a, b], [c, d]] = table.map(|row| row.map(|count| count as f64));
    let [n1, n2] = wholes;
    let (p1, p2) = (a / n1, c / n2);
    let ((l1, u1), (l2, u2)) = (wilson_limits(p1, n1, z), wilson_limits(p2, n2, z));
    // Common denominator, so that equal shares differ by exactly nothing.
    let difference = (a * n2 - c * n1) / (n1 * n2);
    let difference_interval = ConfidenceInterval {
        lower: (difference - libm::hypot(p1 - l1, u2 - p2)).max(-1.0),
        upper: (difference + libm::hypot(u1 - p1, p2 - l2)).min(1.0),
        level,
        method: IntervalMethod::HybridScore,
    };
    Known::Known(ShareContrast {
        shares: [Fraction::new(p1), Fraction::new(p2)],
        difference,
        difference_standard_error: libm::sqrt(a / n1 * (b / n1) / n1 + c / n2 * (d / n2) / n2),
        difference_interval,
        risk_ratio: ratio(a * n2, c * n1, b / n1 / a + d / n2 / c, z, level),
        odds_ratio: ratio(a * d, b * c, 1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d, z, level),
    })
}

fn ratio(above: f64, below: f64, ln_variance: f64, z: f64, level: ConfidenceLevel) -> ShareRatio {
    let boundary = WhyNotKnown::AtBoundary;
    if below <= 0.0 {
        let (value, ln_standard_error) = (Known::NotKnown(boundary), Known::NotKnown(boundary));
        return ShareRatio { value, ln_standard_error, interval: Known::NotKnown(boundary) };
    }
    let value = above / below;
    if !(above > 0.0 && ln_variance.is_finite() && ln_variance > 0.0) {
        let ln_standard_error = Known::NotKnown(boundary);
        return ShareRatio { value: Known::Known(value), ln_standard_error, interval: Known::NotKnown(boundary) };
    }
    let error = libm::sqrt(ln_variance);
    ShareRatio {
        value: Known::Known(value),
        ln_standard_error: Known::Known(error),
        interval: Known::Known(ConfidenceInterval {
            lower: value * libm::exp(-z * error),
            upper: value * libm::exp(z * error),
            level,
            method: IntervalMethod::Log,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_in_print() {
        // Newcombe 1998, table II, 56/70 − 48/80, method 10: 0.0524–0.3339 (from memory).
        let contrast = *contrast_shares([[56, 14], [48, 32]], ConfidenceLevel::USUAL).known().expect("two rows");
        assert!((contrast.difference - 0.2).abs() < 1e-15, "absolute");
        assert!((contrast.difference_interval.lower - 0.0524).abs() < 5e-5, "printed");
        assert!((contrast.difference_interval.upper - 0.3339).abs() < 5e-5, "printed");
        // By hand: 0.8/0.6 and 56·32/(14·48).
        assert!((contrast.risk_ratio.value.known().expect("some") - 4.0 / 3.0).abs() < 1e-15, "absolute");
        assert!((contrast.odds_ratio.value.known().expect("some") - 8.0 / 3.0).abs() < 1e-15, "absolute");
        let exact = (14.0 / 70.0 / 56.0 + 32.0 / 80.0 / 48.0_f64).sqrt();
        assert!((contrast.risk_ratio.ln_standard_error.known().expect("some") - exact).abs() < 1e-15, "absolute");
    }

    #[test]
    fn zeros_leave_the_difference_and_take_the_ratios() {
        let contrast = *contrast_shares([[3, 7], [0, 10]], ConfidenceLevel::USUAL).known().expect("two rows");
        assert_eq!(contrast.risk_ratio.value, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert!(contrast.difference_interval.lower < 0.3 && contrast.difference_interval.upper > 0.3);
        let contrast = *contrast_shares([[5, 0], [4, 0]], ConfidenceLevel::USUAL).known().expect("two rows");
        assert_eq!(contrast.risk_ratio.value, Known::Known(1.0));
        assert_eq!(contrast.risk_ratio.interval, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(contrast_shares([[5, 0], [0, 0]], ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::TooFewGroups));
    }
}
