//! Limits for the expected value of a Poisson count: exact, and by mid-p.
//!
//! Formula.     For a count x and α = 1 − level. Exact: lower the α/2 quantile of a gamma distribution of shape x (0 when
//!              x = 0); upper its 1 − α/2 quantile at shape x + 1 (−ln(α/2) when x = 0).
//!              Mid-p: that μ at which P(X > x) + ½·P(X = x) = α/2 (lower; 0 when x = 0), and that at which
//!              P(X < x) + ½·P(X = x) = α/2 (upper; −ln α when x = 0).
//! Source.      Garwood F. Biometrika 1936;28:437–442. Mid-p: Cohen GR, Yang SY. Stat Med 1994;13:2189–2203 (from memory).
//! Assumes.     Events come one by one, independent of each other; several failures in one mouth make the limits too narrow.
//! Decided.     A sum of case weights need not be whole; the same formulas hold for it, by the gamma function.
//!              Exact limits cover at least as often as they say, for every μ; mid-p limits are shorter and do so on average.
//! Accuracy.    1e-12 relative against 50-digit values.
use super::distribution::{Side, gamma_quantile, incomplete_gamma};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, IntervalMethod};

/// Exact limits of the number of events expected, when `count` were seen.
pub fn poisson_interval(count: u64, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    exact_limits(count as f64, level)
}

/// Limits by the mid-p probability of the number of events expected, when `count` were seen.
pub fn mid_p_poisson_interval(count: u64, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    mid_p_limits(count as f64, level)
}

/// As [`poisson_interval`], for a sum of case weights.
pub(super) fn exact_limits(count: f64, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    let tail = level.tail();
    let (lower, upper) = if count <= 0.0 {
        (0.0, -libm::log(tail))
    } else {
        (gamma_quantile(count, tail, Side::Lower), gamma_quantile(count + 1.0, tail, Side::Upper))
    };
    ConfidenceInterval { lower, upper, level, method: IntervalMethod::ExactPoisson }
}

/// As [`mid_p_poisson_interval`], for a sum of case weights.
pub(super) fn mid_p_limits(count: f64, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    let tail = level.tail();
    let (lower, upper) = if count <= 0.0 {
        (0.0, -libm::log(2.0 * tail))
    } else {
        let exact = exact_limits(count, level);
        (mid_p_limit(count, tail, exact.lower, Side::Lower), mid_p_limit(count, tail, exact.upper, Side::Upper))
    };
    ConfidenceInterval { lower, upper, level, method: IntervalMethod::MidPPoisson }
}

/// The expected value at which the mid-p probability beyond `count` is `tail`, sought from the exact limit inwards.
fn mid_p_limit(count: f64, tail: f64, exact: f64, side: Side) -> f64 {
    let mut mu = exact;
    for _ in 0..60 {
        let above = incomplete_gamma(count + 1.0, mu);
        // ln P(X = count), and ln of the tail without the count itself.
        let ln_itself = above.ln_prefix - libm::log(mu);
        let (ln_beyond, sign) = match side {
            Side::Lower => (above.ln_lower, -1.0),
            Side::Upper => (incomplete_gamma(count, mu).ln_upper, 1.0),
        };
        let ln_tail = ln_beyond + libm::log1p(0.5 * libm::exp(ln_itself - ln_beyond));
        // The derivative of either tail in ln μ is ±½·P(X = count)·(μ + count).
        let elasticity = 0.5 * (mu + count) * libm::exp(ln_itself - ln_tail);
        let step = sign * (ln_tail - libm::log(tail)) / elasticity;
        mu *= libm::exp(step.clamp(-2.0, 2.0));
        if step.abs() < 1e-15 {
            break;
        }
    }
    mu
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

    #[test]
    fn mid_p_limits_of_none_and_one_by_hand() {
        let none = mid_p_poisson_interval(0, ConfidenceLevel::USUAL);
        // Closed form: ½·e^(−μ) = 0.025.
        assert!(none.lower.abs() < 1e-300 && (none.upper + 0.05_f64.ln()).abs() < 1e-14, "absolute");
        let one = mid_p_poisson_interval(1, ConfidenceLevel::USUAL);
        // By the definition: P(X = 0) = e^(−μ), P(X = 1) = μ·e^(−μ).
        let upper = (1.0 + 0.5 * one.upper) * (-one.upper).exp();
        let lower = 1.0 - (1.0 + 0.5 * one.lower) * (-one.lower).exp();
        assert!((upper / 0.025 - 1.0).abs() < 1e-13 && (lower / 0.025 - 1.0).abs() < 1e-13, "relative");
    }

    #[test]
    fn mid_p_limits_lie_within_the_exact_ones() {
        for count in [1, 2, 7, 60, 3000] {
            for level in [0.5, 0.9, 0.999] {
                let level = ConfidenceLevel::new(level).expect("a level");
                let (exact, mid_p) = (poisson_interval(count, level), mid_p_poisson_interval(count, level));
                assert!(exact.lower < mid_p.lower && mid_p.lower < count as f64 && (count as f64) < mid_p.upper);
                assert!(mid_p.upper < exact.upper);
            }
        }
    }
}
