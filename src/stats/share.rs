//! The interval of a share: so many of so many.
//!
//! Formula.     Wilson, with p = part/whole, n = whole: (p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n).
//! Source.      Wilson EB. J Am Stat Assoc 1927;22:209–212. Chosen after Newcombe RG. Stat Med 1998;17:857–872: it holds its
//!              level near 0 and 1, where the plain interval collapses (both from memory).
//!              Clopper and Pearson: those shares p at which P(X ≥ part; p) and P(X ≤ part; p) are (1 − level)/2: beta quantiles.
//!              Clopper CJ, Pearson ES. Biometrika 1934;26:404–413 (from memory).
//! Decided.     The limit is exactly 0 where the part is 0 and exactly 1 where it is the whole, whatever the rounding.
//! Not for.     Shares of things that come in clusters, unless read as if each were independent.

use super::beta::beta_quantile;
use super::distribution::{Side, normal_quantile_upper};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, WhyNotKnown};

/// Wilson's interval for `part` of `whole`; not known when the whole is nothing. A part beyond the whole counts as the whole.
pub fn wilson_interval(part: u64, whole: u64, level: ConfidenceLevel) -> Known<ConfidenceInterval<Fraction>> {
    if whole == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let part = part.min(whole);
    let z = normal_quantile_upper(level.tail());
    let (lower, upper) = wilson_limits(part as f64 / whole as f64, whole as f64, z);
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(lower),
        upper: Fraction::new(upper),
        level,
        method: IntervalMethod::Wilson,
    })
}

/// Exact limits for `part` of `whole`; not known when the whole is nothing. A part beyond the whole counts as the whole.
pub fn clopper_pearson_interval(part: u64, whole: u64, level: ConfidenceLevel) -> Known<ConfidenceInterval<Fraction>> {
    if whole == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let (x, rest) = (part.min(whole) as f64, whole.saturating_sub(part) as f64);
    let (lower, upper) = clopper_pearson_limits(x, rest, level.tail());
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(lower),
        upper: Fraction::new(upper),
        level,
        method: IntervalMethod::ClopperPearson,
    })
}

/// Exact limits of a share, with so many in it and so many not, which need not be whole.
pub(super) fn clopper_pearson_limits(part: f64, rest: f64, tail: f64) -> (f64, f64) {
    let lower = if part > 0.0 { beta_quantile(part, rest + 1.0, tail, Side::Lower) } else { 0.0 };
    let upper = if rest > 0.0 { beta_quantile(part + 1.0, rest, tail, Side::Upper) } else { 1.0 };
    (lower, upper)
}

/// Wilson's limits of the share `p` of `n`, which need not be whole, with the quantile `z`.
pub(super) fn wilson_limits(p: f64, n: f64, z: f64) -> (f64, f64) {
    let z_squared = z * z;
    let centre = p + z_squared / (2.0 * n);
    let reach = z * libm::sqrt(p * (1.0 - p) / n + z_squared / (4.0 * n * n));
    let scale = 1.0 + z_squared / n;
    let lower = if p <= 0.0 { 0.0 } else { ((centre - reach) / scale).max(0.0) };
    let upper = if p >= 1.0 { 1.0 } else { ((centre + reach) / scale).min(1.0) };
    (lower, upper)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_are_exact() {
        let limits = |part, whole| *wilson_interval(part, whole, ConfidenceLevel::USUAL).known().expect("some");
        for whole in [1, 3, 7, 20, 1_000_003] {
            assert_eq!(limits(0, whole).lower, Fraction::new(0.0));
            assert_eq!(limits(whole, whole).upper, Fraction::new(1.0));
            // By definition: (1 − upper)^n = 0.025.
            let exact = *clopper_pearson_interval(0, whole, ConfidenceLevel::USUAL).known().expect("some");
            assert_eq!(exact.lower, Fraction::new(0.0));
            let reached = libm::exp(whole as f64 * libm::log1p(-exact.upper.value()));
            assert!((reached / 0.025 - 1.0).abs() < 1e-9, "relative: {reached}");
        }
        assert_eq!(wilson_interval(0, 0, ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
