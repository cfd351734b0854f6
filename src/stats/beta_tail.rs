//! Upper tails of the beta and F distributions, as logarithms.
//!
//! Formula.     P(F > f) with (k, m) degrees of freedom = P(B > x), B beta(k/2, m/2), x = k·f/(k·f + m). Incomplete beta function by
//!              its continued fraction (modified Lentz), on the side where it closes in fast.
//! Source.      Abramowitz M, Stegun IA. Handbook of Mathematical Functions, 1964, 26.5.8, 26.6.2 (from memory).
//! Decided.     The caller gives x and 1 − x, so that neither loses digits. ln Γ(a + b) − ln Γ(b) for large b by Stirling's series,
//!              where the difference of two large logarithms would cancel.
//! Accuracy.    ln p to 1e-11 relative against 50-digit values.

use super::distribution::TailProbability;

/// P(B > x) of a beta distribution; `rest` is 1 − x.
pub(super) fn beta_upper_tail(a: f64, b: f64, x: f64, rest: f64) -> TailProbability {
    let ln_p_value = if x <= 0.0 {
        0.0
    } else if rest < (b + 1.0) / (a + b + 2.0) {
        ln_lower(b, a, rest, x)
    } else {
        libm::log1p(-libm::exp(ln_lower(a, b, x, rest)))
    };
    let ln_p_value = ln_p_value.min(0.0);
    TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
}

/// ln P(B < x), for x below about the mean.
fn ln_lower(a: f64, b: f64, x: f64, rest: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let away_from_zero = |value: f64| if value.abs() < TINY { TINY } else { value };
    let ln_rest = if x < 0.5 { libm::log1p(-x) } else { libm::log(rest) };
    let ln_x = if rest < 0.5 { libm::log1p(-rest) } else { libm::log(x) };
    let ln_prefix = a * ln_x + b * ln_rest - ln_beta(a, b) - libm::log(a);
    let (mut c, mut d) = (1.0, 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..10_000_u32 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut change = 1.0;
        for numerator in [even, odd] {
            d = 1.0 / away_from_zero(1.0 + numerator * d);
            c = away_from_zero(1.0 + numerator / c);
            change = c * d;
            fraction *= change;
        }
        if (change - 1.0).abs() < 1e-16 {
            break;
        }
    }
    ln_prefix + libm::log(fraction)
}

/// ln of the beta function.
fn ln_beta(a: f64, b: f64) -> f64 {
    let (small, large) = if a < b { (a, b) } else { (b, a) };
    if large < 30.0 {
        return libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b);
    }
    // ln Γ(large + small) − ln Γ(large).
    let rise = (large - 0.5) * libm::log1p(small / large) + small * libm::log(large + small) - small
        + stirling(large + small)
        - stirling(large);
    libm::lgamma(small) - rise
}

/// The series that Stirling's formula leaves out of ln Γ, for arguments from 30.
fn stirling(x: f64) -> f64 {
    let inverse = 1.0 / (x * x);
    (1.0 / 12.0 - inverse * (1.0 / 360.0 - inverse * (1.0 / 1260.0 - inverse / 1680.0))) / x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn f_tails_agree_with_fifty_digit_values() {
        // F, degrees of freedom, ln p; computed with mpmath 1.3 at 50 digits.
        for (f, k, m, ln_p) in [
            (0.5, 1.0, 1.0, -0.497_295_161_434_058_1),
            (18.0, 1.0, 4.0, -4.324_845_142_955_315),
            (3.0, 2.0, 7.0, -2.166637229421782),
            (1.0, 3.0, 39.0, -0.908635486748388),
            (0.01, 1.0, 5000.0, -0.08300305607126096),
            (12.5, 4.0, 100.0, -17.401575780524207),
            (1000.0, 1.0, 3.0, -9.574_357_217_313_117),
            (4000.0, 1.0, 1_000_000.0, -2_000.381_705_024_230_8),
            (1300.0, 3.0, 100_000.0, -1_909.045_896_840_624_2),
            (1e15, 1.0, 1.0, -17.720_970_902_744_8),
            (1.02, 40.0, 40.0, -0.744041551669581),
        ] {
            let below: f64 = k * f + m;
            let tail = beta_upper_tail(0.5 * k, 0.5 * m, k * f / below, m / below);
            assert!((tail.ln_p_value / ln_p - 1.0).abs() < 1e-11, "relative: {} against {ln_p}", tail.ln_p_value);
        }
    }
}
