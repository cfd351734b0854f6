//! Tails and quantiles of the normal, gamma, χ² and Student distributions. The only file that calls the distribution library.
//!
//! Formula.     Normal tail P(Z > z) = erfc(z/√2)/2. Regularised incomplete gamma with prefix x^a·e^(−x)/Γ(a): below x = a + 1
//!              the power series of the lower part, above it the continued fraction of the upper part (Legendre; modified
//!              Lentz). χ² with k degrees of freedom beyond x: upper part at (k/2, x/2).
//! Source.      Abramowitz M, Stegun IA. Handbook of Mathematical Functions, 1964, 6.1.41, 6.5.29, 6.5.31 (from memory).
//! Decided.     Tails are worked out as logarithms, so a statistic of 4000 still has one. Quantiles start from the library
//!              (which is off by up to 6e-11 at some shapes), rounded to 24 bits, and are then iterated here: the result
//!              doesn't depend on how the platform rounds exponentials.
//! Accuracy.    1e-12 relative against 50-digit values; tails of p as ln p to 1e-13.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Gamma, Normal};

const LN_SQRT_TWO_PI: f64 = 0.918_938_533_204_672_8;
const LN_SQRT_PI: f64 = 0.572_364_942_924_700_1;

/// A tail probability and its logarithm, which stays finite when the probability is too small for a number of its own.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TailProbability {
    /// The probability; 0 when below about 1e-308.
    pub p_value: f64,
    /// Its natural logarithm.
    pub ln_p_value: f64,
}

/// P(Z > z) of the standard normal distribution.
pub fn normal_upper_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}

/// The z with P(Z > z) = `tail`; infinite unless the tail lies between 0 and 1.
pub fn normal_quantile_upper(tail: f64) -> f64 {
    if !(tail > 0.0 && tail < 1.0) {
        return if tail >= 1.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    let mut z = -rounded_start(Normal::standard().inverse_cdf(tail));
    for _ in 0..4 {
        let density = libm::exp(-0.5 * z * z - LN_SQRT_TWO_PI);
        z += (normal_upper_tail(z) - tail) / density;
    }
    z
}

/// P(χ² > statistic) with so many degrees of freedom.
pub fn chi_square_upper_tail(statistic: f64, degrees_of_freedom: u32) -> TailProbability {
    if statistic <= 0.0 || degrees_of_freedom == 0 {
        return TailProbability { p_value: 1.0, ln_p_value: 0.0 };
    }
    let ln_p_value = incomplete_gamma(0.5 * f64::from(degrees_of_freedom), 0.5 * statistic).ln_upper;
    TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
}

/// P(T > t) of Student's distribution with so many degrees of freedom (a number above 0, whole or not).
///
/// Half the regularised incomplete beta function at ν/(ν + t²) with ν/2 and 1/2.
pub fn student_upper_tail(t: f64, degrees_of_freedom: f64) -> TailProbability {
    let above = |t: f64| -> TailProbability {
        let nu = degrees_of_freedom;
        let (a, ratio) = (0.5 * nu, t * t / nu);
        let ln_factor = ln_gamma_ratio(a) - LN_SQRT_PI - a * libm::log1p(ratio);
        if ratio > 3.0 / (nu + 2.0) {
            let factor = 0.5 * libm::log1p(1.0 / ratio) + libm::log(far_fraction(a, ratio)) - libm::log(nu);
            let ln_p_value = ln_factor + factor;
            TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
        } else {
            let y = ratio / (1.0 + ratio);
            let p_value = 0.5 - libm::exp(ln_factor) * libm::sqrt(y) * beta_fraction(y, 0.5, a);
            TailProbability { p_value, ln_p_value: libm::log(p_value) }
        }
    };
    if t > 0.0 {
        above(t)
    } else if t < 0.0 {
        let below = above(-t);
        TailProbability { p_value: 1.0 - below.p_value, ln_p_value: libm::log1p(-below.p_value) }
    } else {
        TailProbability { p_value: 0.5, ln_p_value: -std::f64::consts::LN_2 }
    }
}

/// The t with P(T > t) = `tail` for Student's distribution; infinite unless the tail lies between 0 and 1.
pub fn student_quantile_upper(tail: f64, degrees_of_freedom: f64) -> f64 {
    if !(tail > 0.0 && tail < 1.0) {
        return if tail >= 1.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    if tail > 0.5 {
        return -student_quantile_upper(1.0 - tail, degrees_of_freedom);
    }
    let nu = degrees_of_freedom;
    let mut t = normal_quantile_upper(tail);
    if t <= 0.0 {
        return 0.0;
    }
    let ln_density_at_0 = ln_gamma_ratio(0.5 * nu) - LN_SQRT_PI - 0.5 * libm::log(nu);
    // ln of the tail is concave in ln t, as for the gamma distribution below.
    for _ in 0..60 {
        let upper = student_upper_tail(t, nu).ln_p_value;
        let elasticity = libm::exp(ln_density_at_0 - 0.5 * (nu + 1.0) * libm::log1p(t * t / nu) + libm::log(t) - upper);
        let step = (upper - libm::log(tail)) / elasticity;
        t *= libm::exp(step.clamp(-2.0, 2.0));
        if step.abs() < 1e-15 {
            break;
        }
    }
    t
}

/// ln of Γ(a + 1/2) / Γ(a). For large a by its asymptotic series, where the difference of two logarithms would cancel.
fn ln_gamma_ratio(a: f64) -> f64 {
    if a < 20.0 {
        return libm::lgamma(a + 0.5) - libm::lgamma(a);
    }
    let inverse = 1.0 / (a * a);
    let series = 1.0 / 8.0 - inverse * (1.0 / 192.0 - inverse * (1.0 / 640.0 - inverse * (17.0 / 14_336.0)));
    0.5 * libm::log(a) - series / a
}

/// Gauss's continued fraction of F(1, 1/2; a + 1; −1/ratio), all of whose terms are positive: I_x(a, 1/2) at x = 1/(1 + ratio)
/// is x^a·(1 − x)^(−1/2) / (a·B(a, 1/2)) times it. The usual fraction loses digits where x is close to 1.
fn far_fraction(a: f64, ratio: f64) -> f64 {
    let (mut c, mut d, mut fraction) = (1.0, 0.0, 1.0);
    for i in 1..100_000_u32 {
        let k = f64::from(i / 2);
        let (j, c0) = (f64::from(i), a + 1.0);
        let numerator = if i % 2 == 1 { (0.5 + k) * (c0 + k - 1.0) } else { k * (c0 - 0.5 + k - 1.0) };
        let term = numerator / ((c0 + j - 2.0) * (c0 + j - 1.0)) / ratio;
        d = 1.0 / (1.0 + term * d);
        c = 1.0 + term / c;
        fraction *= d * c;
        if (d * c - 1.0).abs() < 1e-16 {
            break;
        }
    }
    1.0 / fraction
}

/// The continued fraction of the incomplete beta function (Abramowitz & Stegun 26.5.8; modified Lentz).
fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0), TINY);
    let mut fraction = d;
    for m in 1..100_000_u32 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away_from_zero(1.0 + even * d, TINY);
        c = away_from_zero(1.0 + even / c, TINY);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away_from_zero(1.0 + odd * d, TINY);
        c = away_from_zero(1.0 + odd / c, TINY);
        fraction *= d * c;
        if (d * c - 1.0).abs() < 1e-16 {
            break;
        }
    }
    fraction
}

/// Which side of a quantile the given probability lies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Below the quantile.
    Lower,
    /// Above it.
    Upper,
}

/// The x at which a gamma distribution of this shape (at least 1) and scale 1 has the probability `tail` on the named side.
pub fn gamma_quantile(shape: f64, tail: f64, side: Side) -> f64 {
    let below = if side == Side::Lower { tail } else { 1.0 - tail };
    let library = Gamma::new(shape, 1.0).map_or(shape, |gamma| gamma.inverse_cdf(below));
    let mut x = if library.is_finite() && library > 0.0 { rounded_start(library) } else { shape };
    // ln of either tail is concave in ln x, so Newton's steps end up on one side of the root and close in from there.
    for _ in 0..50 {
        let gamma = incomplete_gamma(shape, x);
        let (ln_tail, sign) = match side {
            Side::Lower => (gamma.ln_lower, -1.0),
            Side::Upper => (gamma.ln_upper, 1.0),
        };
        let elasticity = libm::exp(gamma.ln_prefix - ln_tail);
        let step = sign * (ln_tail - libm::log(tail)) / elasticity;
        x *= libm::exp(step.clamp(-2.0, 2.0));
        if step.abs() < 1e-15 {
            break;
        }
    }
    x
}

/// The first 24 bits of a starting value.
#[expect(clippy::cast_possible_truncation, reason = "dropping the last bits is the point")]
fn rounded_start(value: f64) -> f64 {
    f64::from(value as f32)
}

/// Logarithms of both parts of the incomplete gamma function, and of x^a·e^(−x)/Γ(a).
pub(super) struct IncompleteGamma {
    pub(super) ln_lower: f64,
    pub(super) ln_upper: f64,
    pub(super) ln_prefix: f64,
}

pub(super) fn incomplete_gamma(a: f64, x: f64) -> IncompleteGamma {
    let ln_prefix = ln_prefix(a, x);
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        while term > sum * 1e-17 {
            n += 1.0;
            term *= x / n;
            sum += term;
        }
        let ln_lower = (ln_prefix + libm::log(sum)).min(0.0);
        IncompleteGamma { ln_lower, ln_upper: libm::log1p(-libm::exp(ln_lower)), ln_prefix }
    } else {
        const TINY: f64 = 1e-300;
        let mut b = x + 1.0 - a;
        let mut c = 1.0 / TINY;
        let mut d = 1.0 / b;
        let mut fraction = d;
        for i in 1..100_000_u32 {
            let i = f64::from(i);
            let numerator = -i * (i - a);
            b += 2.0;
            d = 1.0 / away_from_zero(numerator * d + b, TINY);
            c = away_from_zero(b + numerator / c, TINY);
            fraction *= d * c;
            if (d * c - 1.0).abs() < 1e-16 {
                break;
            }
        }
        let ln_upper = (ln_prefix + libm::log(fraction)).min(0.0);
        IncompleteGamma { ln_lower: libm::log1p(-libm::exp(ln_upper)), ln_upper, ln_prefix }
    }
}

fn away_from_zero(value: f64, tiny: f64) -> f64 {
    if value.abs() < tiny { tiny } else { value }
}

/// ln of x^a·e^(−x)/Γ(a). For large shapes by Stirling's series around x = a, where the plain sum would cancel.
fn ln_prefix(a: f64, x: f64) -> f64 {
    if a < 20.0 {
        return a * libm::log(x) - x - libm::lgamma(a);
    }
    let away = (x - a) / a;
    let inverse = 1.0 / (a * a);
    let series = (1.0 / 12.0 - inverse * (1.0 / 360.0 - inverse * (1.0 / 1260.0 - inverse / 1680.0))) / a;
    a * (libm::log1p(away) - away) + 0.5 * libm::log(a) - LN_SQRT_TWO_PI - series
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(value: f64, reference: f64, relative: f64) {
        assert!((value / reference - 1.0).abs() < relative, "{value:e} against {reference:e}");
    }

    // 50-digit values computed with mpmath: erfc, regularised incomplete gamma, roots of them.
    #[test]
    fn normal_tails_agree_with_fifty_digit_values() {
        for (z, tail) in [
            (-1.0, 0.8413447460685429),
            (0.5, 0.3085375387259869),
            (1.96, 0.024997895148220435),
            (5.0, 2.866515718791939e-07),
            (10.0, 7.619853024160525e-24),
            (37.0, 5.725571222524577e-300),
        ] {
            close(normal_upper_tail(z), tail, 1e-12);
        }
    }

    #[test]
    fn normal_quantiles_agree_with_fifty_digit_values() {
        for (tail, z) in [
            (0.4, 0.2533471031357997),
            (0.1, 1.2815515655446004),
            (0.05, 1.6448536269514726),
            (0.025, 1.9599639845400543),
            (0.005, 2.575829303548901),
            (1e-06, 4.753424308822899),
            (1e-20, 9.262340089798407),
            (1e-300, 37.0470962993612),
        ] {
            close(normal_quantile_upper(tail), z, 1e-14);
        }
    }

    #[test]
    fn chi_square_tails_agree_with_fifty_digit_values() {
        for (statistic, degrees_of_freedom, p, ln_p) in [
            (0.001, 1, 0.9747728793699604, -0.025550779355950622),
            (0.3, 1, 0.5838824207703652, -0.5380556507217004),
            (3.84, 1, 0.050043521248705106, -2.994862227180027),
            (50.0, 1, 1.537459794428035e-12, -27.200889545537436),
            (1400.0, 1, 2.1010145162642176e-306, -703.8486181251224),
            (4000.0, 1, 0.0, -2004.3730660166382),
            (0.5, 2, 0.7788007830714049, -2.5e-1),
            (700.0, 2, 9.92959039626498e-153, -3.5e+2),
            (1.5, 3, 0.6822703303362125, -0.3823293208838948),
            (22.76, 3, 4.531200654380901e-05, -10.001938515476342),
            (1400.0, 5, 1.3765875143943704e-300, -690.4559202771591),
            (4000.0, 7, 0.0, -1982.1974672975282),
            (60.0, 40, 0.021873468441390854, -3.822480863297408),
            (100.0, 60, 0.0009168288614560798, -6.994589731853493),
            (10000.0, 9000, 3.0318018385490987e-13, -28.824449099957366),
        ] {
            let tail = chi_square_upper_tail(statistic, degrees_of_freedom);
            close(tail.ln_p_value, ln_p, 1e-13);
            if p > 0.0 {
                close(tail.p_value, p, 1e-12);
            } else {
                assert_eq!(tail.p_value.to_bits(), 0.0_f64.to_bits());
            }
        }
    }

    #[test]
    fn student_tails_and_quantiles_agree_with_forty_digit_values() {
        // Computed with mpmath 1 at 40 digits: half the regularised incomplete beta function, and roots of it.
        for (t, degrees_of_freedom, p, ln_p) in [
            (0.1, 1.0, 0.4682744825694464, -0.7587006537723436),
            (1.0, 3.0, 0.19550110947788532, -1.6321892244941225),
            (1.5, 1000.0, 0.06696501941104309, -2.703584894274609),
            (2.0, 1.0, 0.14758361765043326, -1.9133603645040103),
            (2.5, 4.5, 0.029952843251100272, -3.508131025667782),
            (3.0, 30.0, 0.002694982032825973, -5.916363741498326),
            (12.0, 7.0, 3.17915518909255e-06, -12.658895060274443),
            (40.0, 50.0, 6.206211892186353e-40, -90.27785301120115),
            (1.8, 100000.0, 0.03593182548333066, -3.3261318724862985),
            (37.0, 10000000.0, 6.00060616131917e-300, -688.983667407202),
        ] {
            let tail = student_upper_tail(t, degrees_of_freedom);
            close(tail.ln_p_value, ln_p, 1e-12);
            close(tail.p_value, p, 1e-12 * f64::max(1.0, -ln_p));
            close(student_upper_tail(-t, degrees_of_freedom).p_value, 1.0 - p, 1e-12);
        }
        for (tail, degrees_of_freedom, t) in [
            (0.025, 1.0, 12.706204736174705),
            (0.025, 2.0, 4.302652729749464),
            (0.05, 3.0, 2.3533634348018238),
            (0.025, 9.0, 2.2621571627982053),
            (0.005, 19.0, 2.860934606464979),
            (0.025, 29.0, 2.0452296421327043),
            (0.45, 5.0, 0.13217517523168723),
            (0.025, 100.0, 1.9839715185235522),
            (1e-12, 6.0, 179.75335991079197),
            (0.025, 1000000.0, 1.959966356814107),
            (0.0005, 59.0, 3.463210304951942),
        ] {
            close(student_quantile_upper(tail, degrees_of_freedom), t, 1e-12);
            if tail > 1e-3 {
                // Nearer to 1 the complement itself has lost the digits.
                close(student_quantile_upper(1.0 - tail, degrees_of_freedom), -t, 1e-12);
            }
        }
    }

    #[test]
    fn gamma_quantiles_agree_with_fifty_digit_values() {
        for (shape, tail, lower, upper) in [
            (1.0, 0.025, 0.025317807984289876, 3.6888794541139363),
            (2.0, 0.025, 0.2422092785439649, 5.571643390938899),
            (3.0, 0.005, 0.3378633887277333, 9.273792089255545),
            (4.0, 0.025, 1.0898653736263249, 8.767273069742325),
            (5.0, 0.025, 1.6234863901184207, 10.241588675403698),
            (4.0, 1e-08, 0.02223223690217229, 26.58473910226962),
            (10.0, 0.05, 5.425405697091293, 15.705216422115463),
            (11.0, 0.025, 5.491160367236838, 18.39035604201778),
            (19.0, 0.025, 11.439241164366733, 28.44776026752799),
            (20.0, 0.025, 12.216519585403944, 29.6708535715856),
            (41.0, 0.025, 29.422307868455277, 54.46864696398408),
            (100.0, 0.025, 81.36399125092314, 120.52894775315546),
            (1000.0, 0.025, 938.9730184076952, 1062.9211512248878),
        ] {
            close(gamma_quantile(shape, tail, Side::Lower), lower, 1e-13);
            close(gamma_quantile(shape, tail, Side::Upper), upper, 1e-13);
        }
    }
}
