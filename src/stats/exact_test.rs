//! Two-sided probabilities of a count with a known distribution, three ways.
//!
//! Definition.  Sum of small: all counts that are no more probable than the one seen. Twice the smaller tail: twice the
//!              smaller of P(X ≤ x) and P(X ≥ x), at most 1. Mid-p: likewise, with half of P(X = x) taken from the tail.
//! Source.      Sum of small: Freeman GH, Halton JH. Biometrika 1951;38:141–149. Mid-p: Lancaster HO. J Am Stat Assoc
//!              1961;56:223–234 (both from memory).
//! Decided.     Two counts are equally probable when the logarithms of their probabilities differ by less than 1e-7, which is more
//!              than rounding does to counts in millions.
//! Cost.        A few tails; the bound of the other side is found by halving.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::TailProbability;

/// Two probabilities whose logarithms are nearer than this are equal.
const EQUALLY_PROBABLE: f64 = 1e-7;

/// Two-sided probabilities of a count at least as unusual as the one seen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ExactProbabilities {
    /// Sum over the counts that are no more probable than the one seen. None where case weights add up to no whole number.
    pub sum_of_small: Option<TailProbability>,
    /// Twice the smaller tail, at most 1.
    pub twice_smaller_tail: TailProbability,
    /// Twice the smaller tail with half the probability of the count itself taken off, at most 1. The least cautious.
    pub mid_p: TailProbability,
}

/// The distribution of a count, with one peak.
pub(super) trait CountDistribution {
    /// ln P(X = count).
    fn ln_probability(&self, count: f64) -> f64;
    /// ln P(X ≤ count).
    fn ln_at_most(&self, count: f64) -> f64;
    /// ln P(X ≥ count).
    fn ln_at_least(&self, count: f64) -> f64;
    /// A count with the highest probability.
    fn peak(&self) -> f64;
    /// The highest count possible; infinite if there is none.
    fn highest(&self) -> f64;
}

/// The probabilities of `count`, which is a sum of case weights and so need not be whole.
pub(super) fn exact_probabilities(distribution: &impl CountDistribution, count: f64) -> ExactProbabilities {
    let ln_tail = distribution.ln_at_most(count).min(distribution.ln_at_least(count));
    let ln_itself = distribution.ln_probability(count);
    let whole = count.fract().abs() <= 0.0;
    let half_off = libm::log1p(-0.5 * libm::exp(ln_itself - ln_tail).min(1.0));
    ExactProbabilities {
        sum_of_small: whole.then(|| sum_of_small(distribution, count)),
        twice_smaller_tail: capped(std::f64::consts::LN_2 + ln_tail),
        mid_p: capped(std::f64::consts::LN_2 + ln_tail + half_off),
    }
}

fn sum_of_small(distribution: &impl CountDistribution, count: f64) -> TailProbability {
    let bound = distribution.ln_probability(count) + EQUALLY_PROBABLE;
    let small = |count: f64| distribution.ln_probability(count) <= bound;
    let peak = distribution.peak();
    if small(peak) {
        return capped(0.0);
    }
    if count < peak {
        // The first count beyond the peak that is small.
        let (mut not_small, mut far, mut reach) = (peak, distribution.highest(), 1.0);
        if far.is_infinite() {
            while !small(peak + reach) {
                reach *= 2.0;
            }
            far = peak + reach;
        }
        if !small(far) {
            return capped(distribution.ln_at_most(count));
        }
        while far - not_small > 1.0 {
            let middle = libm::floor(0.5 * (far + not_small));
            *(if small(middle) { &mut far } else { &mut not_small }) = middle;
        }
        capped(ln_sum(distribution.ln_at_most(count), distribution.ln_at_least(far)))
    } else {
        if !small(0.0) {
            return capped(distribution.ln_at_least(count));
        }
        let (mut near, mut not_small) = (0.0, peak);
        while not_small - near > 1.0 {
            let middle = libm::floor(0.5 * (near + not_small));
            *(if small(middle) { &mut near } else { &mut not_small }) = middle;
        }
        capped(ln_sum(distribution.ln_at_least(count), distribution.ln_at_most(near)))
    }
}

/// ln(e^a + e^b).
fn ln_sum(a: f64, b: f64) -> f64 {
    let (larger, smaller) = (a.max(b), a.min(b));
    larger + libm::log1p(libm::exp(smaller - larger))
}

fn capped(ln_p: f64) -> TailProbability {
    let ln_p_value = ln_p.min(0.0);
    TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
}
