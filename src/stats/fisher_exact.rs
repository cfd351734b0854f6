//! Fisher's exact test of a 2×2 table, and its odds ratio given the margins.
//!
//! Definition.  Given both margins the first cell follows the hypergeometric distribution where the odds ratio is 1. Two-sided
//!              probabilities three ways: see `exact_test`.
//! Formula.     The conditional odds ratio solves E(X; ψ) = x. Exact limits: P(X ≥ x; ψ_low) = P(X ≤ x; ψ_high) = (1 − level)/2;
//!              mid-p limits take half of P(X = x) from either tail.
//! Source.      Fisher RA. Statistical Methods for Research Workers, 5th ed. 1934, 21.02; Cornfield J. Proc Third Berkeley Symp
//!              1956;4:135–148 (both from memory).
//! Decided.     Where the cell is as small as it can be, the odds ratio and its lower limit are 0; as large as it can be, neither the
//!              odds ratio nor an upper limit exists. Roots are sought in ln ψ to the last digits: an upper limit is not where the
//!              search happened to stop.
//! Cost.        A pass over the counts possible for each step of a root, some ten steps.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::TailProbability;
use super::exact_test::{CountDistribution, ExactProbabilities, exact_probabilities};
use super::hypergeometric::Hypergeometric;
use crate::quantity::{ConfidenceLevel, Known, WhyNotKnown};

/// What the first cell of a 2×2 table tells, given its margins.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FisherExactTest {
    /// Two-sided probabilities.
    pub two_sided: ExactProbabilities,
    /// Probability of a first cell this small or smaller.
    pub at_most: TailProbability,
    /// Probability of a first cell this large or larger.
    pub at_least: TailProbability,
    /// The former with half the probability of the cell itself taken off.
    pub mid_p_at_most: TailProbability,
    /// The latter likewise.
    pub mid_p_at_least: TailProbability,
    /// The odds ratio most likely given the margins (not the cross product).
    pub conditional_odds_ratio: Known<f64>,
    /// Its exact limits.
    pub exact_limits: OddsRatioLimits,
    /// Its mid-p limits, which are narrower and hold their level on average.
    pub mid_p_limits: OddsRatioLimits,
}

/// Limits of an odds ratio.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OddsRatioLimits {
    /// Lower limit; 0 where the cell is as small as it can be.
    pub lower: Known<f64>,
    /// Upper limit; at the boundary where the cell is as large as it can be.
    pub upper: Known<f64>,
    /// The coverage that they are built for.
    pub level: ConfidenceLevel,
}

/// The exact test of [[a, b], [c, d]].
///
/// Not known when a margin is 0: then the others fix every cell.
pub fn fisher_exact_test(table: [[u64; 2]; 2], level: ConfidenceLevel) -> Known<FisherExactTest> {
    let [[a, b], [c, d]] = table;
    if a + b + c + d == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if [a + b, c + d, a + c, b + d].contains(&0) {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let distribution = Hypergeometric::new(a + b, a + c, a + b + c + d);
    let place = distribution.place(a);
    let (ln_at_most, ln_at_least) = (distribution.ln_at_most(place), distribution.ln_at_least(place));
    let half_off =
        |ln_tail: f64| ln_tail + libm::log1p(-0.5 * libm::exp((distribution.ln_probability(place) - ln_tail).min(0.0)));
    let tail = |ln_p_value: f64| TailProbability { p_value: libm::exp(ln_p_value), ln_p_value };
    Known::Known(FisherExactTest {
        two_sided: exact_probabilities(&distribution, place),
        at_most: tail(ln_at_most),
        at_least: tail(ln_at_least),
        mid_p_at_most: tail(half_off(ln_at_most)),
        mid_p_at_least: tail(half_off(ln_at_least)),
        conditional_odds_ratio: conditional_odds_ratio(&distribution, place),
        exact_limits: limits(&distribution, place, false, level),
        mid_p_limits: limits(&distribution, place, true, level),
    })
}

fn conditional_odds_ratio(distribution: &Hypergeometric, place: f64) -> Known<f64> {
    if place <= 0.0 {
        return Known::Known(0.0);
    }
    if place >= distribution.highest() {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    Known::Known(libm::exp(increasing_root(|ln_ratio| {
        let (mean, variance) = distribution.moments(ln_ratio);
        (mean - place, variance)
    })))
}

#[expect(clippy::cast_possible_truncation, reason = "a place among those possible")]
fn limits(distribution: &Hypergeometric, place: f64, mid_p: bool, level: ConfidenceLevel) -> OddsRatioLimits {
    let ln_target = libm::log(level.tail());
    let (cell, possible) = (place as usize, distribution.possible());
    let half = mid_p.then_some(cell);
    let lower = if place <= 0.0 {
        0.0
    } else {
        libm::exp(increasing_root(|ln_ratio| {
            let (ln_p, slope) = distribution.ln_part(cell, possible, half, ln_ratio);
            (ln_p - ln_target, slope)
        }))
    };
    let upper = if place >= distribution.highest() {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    } else {
        Known::Known(libm::exp(increasing_root(|ln_ratio| {
            let (ln_p, slope) = distribution.ln_part(0, cell + 1, half, ln_ratio);
            (ln_target - ln_p, -slope)
        })))
    };
    OddsRatioLimits { lower: Known::Known(lower), upper, level }
}

/// Where an increasing function, given with its derivative, is 0: Newton's steps within a bracket that halves where they leave it.
fn increasing_root(function: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (-1.0, 1.0);
    while function(low).0 > 0.0 {
        low *= 2.0;
    }
    while function(high).0 < 0.0 {
        high *= 2.0;
    }
    let mut x = 0.5 * (low + high);
    for _ in 0..200 {
        let (value, slope) = function(x);
        *(if value < 0.0 { &mut low } else { &mut high }) = x;
        let newton = x - value / slope;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - x).abs() <= 1e-15 * x.abs().max(1.0) {
            return next;
        }
        x = next;
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tea_tasting_by_hand() {
        // Fisher 1935: of 70 ways, 1, 16, 36, 16, 1 give 0 to 4 right. Three right: 17/70; as improbable 34/70.
        let test = *fisher_exact_test([[3, 1], [1, 3]], ConfidenceLevel::USUAL).known().expect("margins");
        let near = |tail: TailProbability, exact: f64| assert!((tail.p_value / exact - 1.0).abs() < 1e-14, "relative");
        near(test.at_least, 17.0 / 70.0);
        near(test.at_most, 69.0 / 70.0);
        near(test.mid_p_at_least, 9.0 / 70.0);
        near(test.two_sided.sum_of_small.expect("a whole count"), 34.0 / 70.0);
        near(test.two_sided.mid_p, 18.0 / 70.0);
    }

    #[test]
    fn at_either_end_limits_are_open() {
        let none = *fisher_exact_test([[0, 4], [3, 2]], ConfidenceLevel::USUAL).known().expect("margins");
        assert_eq!((none.conditional_odds_ratio, none.exact_limits.lower), (Known::Known(0.0), Known::Known(0.0)));
        // By hand: with 4 in the row, 3 in the column and 9 in all, P(X = 0; ψ) = 10/(10 + 40ψ + 30ψ² + 4ψ³), 0.025 at the limit.
        let upper = *none.exact_limits.upper.known().expect("finite");
        let weights: [f64; 4] = [1.0 * 10.0, 4.0 * 10.0, 6.0 * 5.0, 4.0 * 1.0];
        let total = weights[0] + weights[1] * upper + weights[2] * upper.powi(2) + weights[3] * upper.powi(3);
        assert!((weights[0] / total / 0.025 - 1.0).abs() < 1e-12, "relative");
        let all = *fisher_exact_test([[4, 0], [2, 3]], ConfidenceLevel::USUAL).known().expect("margins");
        assert_eq!(all.conditional_odds_ratio, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(all.exact_limits.upper, Known::NotKnown(WhyNotKnown::AtBoundary));
        // Columns swapped turn the odds ratio over.
        assert!((all.exact_limits.lower.known().expect("finite") * upper - 1.0).abs() < 1e-12, "relative");
    }

    #[test]
    fn a_margin_of_zero_fixes_the_table() {
        assert_eq!(fisher_exact_test([[0, 0], [3, 2]], ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(
            fisher_exact_test([[0, 0], [0, 0]], ConfidenceLevel::USUAL),
            Known::NotKnown(WhyNotKnown::NoObservations)
        );
    }
}
