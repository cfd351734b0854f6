//! Exact limits for the expected value of a Poisson count.
//!
//! Formula.     For a count x and α = 1 − level: lower the α/2 quantile of a gamma distribution of shape x (0 when x = 0);
//!              upper its 1 − α/2 quantile at shape x + 1 (−ln(α/2) when x = 0).
//! Source.      Garwood F. Biometrika 1936;28:437–442.
//! Assumes.     Events come one by one, independent of each other; several failures in one mouth make the limits too narrow.

use super::distribution::{Side, gamma_quantile};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, IntervalMethod};

/// Limits of the number of events expected, when `count` were seen.
pub fn poisson_interval(count: u64, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    let (x, tail) = (count as f64, level.tail());
    let (lower, upper) = if count == 0 {
        (0.0, -libm::log(tail))
    } else {
        (gamma_quantile(x, tail, Side::Lower), gamma_quantile(x + 1.0, tail, Side::Upper))
    };
    ConfidenceInterval { lower, upper, level, method: IntervalMethod::ExactPoisson }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_event_and_one_event_have_closed_forms() {
        // Closed forms: upper at 0 is −ln 0.025; lower at 1 is −ln 0.975.
        let (none, one) = (poisson_interval(0, ConfidenceLevel::USUAL), poisson_interval(1, ConfidenceLevel::USUAL));
        assert_eq!(none.lower.to_bits(), 0.0_f64.to_bits());
        assert!((none.upper + 0.025_f64.ln()).abs() < 1e-14, "absolute");
        assert!((one.lower / -0.975_f64.ln() - 1.0).abs() < 1e-13, "relative");
    }

    #[test]
    fn a_level_close_to_one_still_has_limits() {
        let level = ConfidenceLevel::new(1.0 - 1e-12).expect("a level");
        let limits = poisson_interval(4, level);
        // By hand: to first order the lower limit of 4 at tail q is (24·q)^(1/4).
        assert!((limits.lower / (24.0 * level.tail()).powf(0.25) - 1.0).abs() < 1e-2, "relative");
        assert!(limits.upper > 40.0 && limits.upper < 60.0, "{}", limits.upper);
    }
}
