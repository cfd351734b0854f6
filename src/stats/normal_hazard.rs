//! The hazard of the standard normal distribution and the logarithm of its upper tail, right however far out.
//!
//! Formula.     λ(z) = φ(z)/(1 − Φ(z)); ln(1 − Φ(z)) = ln φ(z) − ln λ(z). Far out λ(z) = z + 1/(z + 2/(z + 3/(z + …))), whose part
//!              after z, the excess λ(z) − z, is found without taking one large number from another.
//! Source.      Abramowitz M, Stegun IA. Handbook of Mathematical Functions, 1964, 26.2.14 (from memory).
//! Decided.     The fraction is used beyond z = 5, where 24 of its terms give all digits.

use super::distribution::LN_SQRT_TWO_PI;

/// From here on the continued fraction is used.
const FAR: f64 = 5.0;
const TERMS: u32 = 24;

/// The upper tail of the standard normal distribution at one place.
#[derive(Clone, Copy, Debug)]
pub(super) struct NormalTail {
    /// ln(1 − Φ(z)).
    pub(super) ln_survival: f64,
    /// λ(z).
    pub(super) hazard: f64,
    /// λ(z) − z.
    pub(super) excess: f64,
}

/// ln φ(z).
pub(super) fn ln_normal_density(z: f64) -> f64 {
    -0.5 * z * z - LN_SQRT_TWO_PI
}

/// The upper tail at z.
pub(super) fn normal_tail(z: f64) -> NormalTail {
    if z > FAR {
        let mut excess = 0.0;
        for k in (1..=TERMS).rev() {
            excess = f64::from(k) / (z + excess);
        }
        let hazard = z + excess;
        return NormalTail { ln_survival: ln_normal_density(z) - libm::log(hazard), hazard, excess };
    }
    let lower = if z < -1.0 { Some(0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)) } else { None };
    let (upper, ln_survival) = match lower {
        Some(lower) => (1.0 - lower, libm::log1p(-lower)),
        None => {
            let upper = 0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2);
            (upper, libm::log(upper))
        }
    };
    let hazard = libm::exp(ln_normal_density(z)) / upper;
    NormalTail { ln_survival, hazard, excess: hazard - z }
}

#[cfg(test)]
mod tests {
    use super::*;

    // 50-digit values computed with mpmath 1.3.0: log(erfc(z/sqrt(2))/2), npdf(z)/(erfc(z/sqrt(2))/2), and that minus z.
    #[test]
    fn tail_hazard_and_excess_agree_with_fifty_digit_values() {
        for (z, ln_survival, hazard, excess) in [
            (-30.0, -4.906713927148187e-198, 1.4736461348785476e-196, 30.0),
            (-8.0, -6.220960574271786e-16, 5.052271083536895e-15, 8.000000000000005),
            (-1.5, -0.06914345561223398, 0.13878975045885075, 1.6387897504588507),
            (-0.5, -0.3689464152886564, 0.5091604338370335, 1.0091604338370335),
            (0.0, -std::f64::consts::LN_2, 0.7978845608028654, 0.7978845608028654),
            (1.0, -1.8410216450092636, 1.525135276160981, 0.5251352761609812),
            (3.0, -6.607726221510349, 3.2830986549304364, 0.2830986549304365),
            (4.9, -14.551182689355313, 5.089828600129883, 0.18982860012988328),
            (5.1, -15.588487091871466, 5.283287616909157, 0.18328761690915737),
            (6.0, -20.736768949974707, 6.158482604544599, 0.15848260454459892),
            (10.0, -53.23128515051247, 10.098093233962512, 0.09809323396251196),
            (37.0, -689.0305855768906, 37.02698768612699, 0.026987686126990096),
            (200.0, -20006.21728089819, 200.00499975003123, 0.00499975003124422),
            (1e6, -500000000014.73444, 1000000.000001, 9.99999999998e-07),
        ] {
            let tail = normal_tail(z);
            // 2e-14; below the middle the rounding of z²/2 is in the density, and so in what is nearly 0.
            let within = 2e-16 * f64::max(100.0, if z < 0.0 { z * z } else { 0.0 });
            for (value, reference) in [(tail.ln_survival, ln_survival), (tail.hazard, hazard), (tail.excess, excess)] {
                assert!((value / reference - 1.0).abs() < within, "relative, z {z}: {value:e} against {reference:e}");
            }
        }
    }
}
