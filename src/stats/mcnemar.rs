//! Do two yes-or-no findings of the same subjects differ in their shares? McNemar's test.
//!
//! Definition.  Of the discordant pairs, b are yes/no and c no/yes; where there is nothing to find b is binomial with chance ½.
//! Formula.     χ² = (b − c)²/(b + c); with continuity correction max(|b − c| − 1, 0)²/(b + c). Exact: 2·P(X ≤ min(b, c)), at most 1;
//!              mid-p: less P(X = min(b, c)). Odds ratio b/c with exact limits by those of b of b + c (Clopper and Pearson).
//!              Difference of the shares (b − c)/n; its limits put together from Wilson's of both shares, with their correlation φ:
//!              lower d − √(δ₁² − 2φ·δ₁·ε₂ + ε₂²), δ = p − l, ε = u − p, and likewise upwards.
//! Source.      McNemar Q. Psychometrika 1947;12:153–157; mid-p: Lancaster HO. J Am Stat Assoc 1961;56:223–234; difference: Newcombe RG.
//!              Stat Med 1998;17:2635–2650 (method 8, without the correction of φ) (all from memory).
//! Decided.     Without discordant pairs there is no test and no odds ratio, but a difference, of 0.
//! Not for.     Pairs that come in clusters: see `clustered_share_contrast`, which allows a patient to have both.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{beta_quantile_ln_odds, incomplete_beta};
use super::chi_squared_test::ChiSquaredTest;
use super::distribution::{Side, TailProbability, normal_quantile_upper};
use super::share::wilson_limits;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// Two shares of the same subjects, compared.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairedShares {
    /// Share of the first finding less that of the second.
    pub difference: f64,
    /// Its limits.
    pub difference_interval: ConfidenceInterval<f64>,
    /// Tests by the discordant pairs; not known without any.
    pub tests: Known<McNemarTest>,
}

/// What the discordant pairs tell.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct McNemarTest {
    /// How many pairs are yes/no, and no/yes.
    pub discordant: [u64; 2],
    /// χ² with one degree of freedom.
    pub chi_squared: ChiSquaredTest,
    /// The same with continuity correction.
    pub continuity_corrected: ChiSquaredTest,
    /// Two-sided exact probability.
    pub exact: TailProbability,
    /// Two-sided mid-p probability.
    pub mid_p: TailProbability,
    /// Odds ratio: yes/no by no/yes; not known by none.
    pub odds_ratio: Known<f64>,
    /// Its exact lower limit.
    pub odds_ratio_lower: f64,
    /// Its exact upper limit; not known where there are none no/yes.
    pub odds_ratio_upper: Known<f64>,
    /// The coverage that the limits are built for.
    pub level: ConfidenceLevel,
}

/// Compares both findings of [[yes/yes, yes/no], [no/yes, no/no]].
///
/// Not known without pairs.
pub fn paired_shares(table: [[u64; 2]; 2], level: ConfidenceLevel) -> Known<PairedShares> {
    let [[a, b], [c, d]] = table.map(|row| row.map(|count| count as f64));
    let n = a + b + c + d;
    if n <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let z = normal_quantile_upper(level.tail());
    let (p1, p2, difference) = ((a + b) / n, (a + c) / n, (b - c) / n);
    let ((l1, u1), (l2, u2)) = (wilson_limits(p1, n, z), wilson_limits(p2, n, z));
    let margins = (a + b) * (c + d) * (a + c) * (b + d);
    let phi = if margins > 0.0 { (a * d - b * c) / libm::sqrt(margins) } else { 0.0 };
    let reach = |one: f64, other: f64| libm::sqrt((one * one - 2.0 * phi * one * other + other * other).max(0.0));
    let difference_interval = ConfidenceInterval {
        lower: (difference - reach(p1 - l1, u2 - p2)).max(-1.0),
        upper: (difference + reach(u1 - p1, p2 - l2)).min(1.0),
        level,
        method: IntervalMethod::HybridScore,
    };
    Known::Known(PairedShares { difference, difference_interval, tests: mcnemar_test([table[0][1], table[1][0]], level) })
}

/// Tests whether yes/no and no/yes are equally frequent.
///
/// Not known when there are none of either.
pub fn mcnemar_test(discordant: [u64; 2], level: ConfidenceLevel) -> Known<McNemarTest> {
    let [b, c] = discordant.map(|count| count as f64);
    if b + c <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let corrected = ((b - c).abs() - 1.0).max(0.0);
    let fewer = b.min(c);
    // P(X ≤ k) of n with chance ½ is I_½(n − k, k + 1).
    let ln_tail = incomplete_beta(b + c - fewer, fewer + 1.0, 0.5, 0.5).ln_lower;
    let ln_here = ln_equal_halves(b + c, fewer);
    let capped = |ln: f64| TailProbability { p_value: libm::exp(ln.min(0.0)), ln_p_value: ln.min(0.0) };
    let half_off = libm::log1p(-0.5 * libm::exp((ln_here - ln_tail).min(0.0)));
    let ln_odds = |above, below, side| beta_quantile_ln_odds(above, below, level.tail(), side);
    Known::Known(McNemarTest {
        discordant,
        chi_squared: ChiSquaredTest::of((b - c) * (b - c) / (b + c), 1),
        continuity_corrected: ChiSquaredTest::of(corrected * corrected / (b + c), 1),
        exact: if discordant[0] == discordant[1] { capped(0.0) } else { capped(std::f64::consts::LN_2 + ln_tail) },
        mid_p: if discordant[0] == discordant[1] {
            capped(0.0)
        } else {
            capped(std::f64::consts::LN_2 + ln_tail + half_off)
        },
        odds_ratio: if c > 0.0 { Known::Known(b / c) } else { Known::NotKnown(WhyNotKnown::AtBoundary) },
        odds_ratio_lower: if b > 0.0 { libm::exp(ln_odds(b, c + 1.0, Side::Lower)) } else { 0.0 },
        odds_ratio_upper: if c > 0.0 {
            Known::Known(libm::exp(ln_odds(b + 1.0, c, Side::Upper)))
        } else {
            Known::NotKnown(WhyNotKnown::AtBoundary)
        },
        level,
    })
}

/// ln of C(n, k)/2^n.
fn ln_equal_halves(n: f64, k: f64) -> f64 {
    // x^a·(1 − x)^b/B(a, b) at ½ with a = n − k + 1, b = k + 1 is C(n, k)·(n + 1)/2^(n + 2).
    incomplete_beta(n - k + 1.0, k + 1.0, 0.5, 0.5).ln_prefix + 2.0 * std::f64::consts::LN_2 - libm::log(n + 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // 4 and 1: of 32, P(X ≤ 1) = 6/32; exact 12/32, mid-p 7/32; χ² = 9/5, corrected 4/5.
        let test = *mcnemar_test([4, 1], ConfidenceLevel::USUAL).known().expect("discordant");
        assert!((test.exact.p_value - 0.375).abs() < 1e-14 && (test.mid_p.p_value - 7.0 / 32.0).abs() < 1e-14, "absolute");
        assert!((test.chi_squared.statistic - 1.8).abs() < 1e-15, "absolute");
        assert!((test.continuity_corrected.statistic - 0.8).abs() < 1e-15, "absolute");
        // As many of each: nothing to find; the correction doesn't pass zero.
        let even = *mcnemar_test([3, 3], ConfidenceLevel::USUAL).known().expect("discordant");
        assert!(even.exact.p_value >= 1.0 && even.mid_p.p_value >= 1.0 && even.continuity_corrected.statistic <= 0.0);
        // 5 and 0: 2/32, mid-p 1/32; lower limit of the odds: (0.025)^(1/5) as odds.
        let one_way = *mcnemar_test([5, 0], ConfidenceLevel::USUAL).known().expect("discordant");
        assert!(
            (one_way.exact.p_value - 0.0625).abs() < 1e-15 && (one_way.mid_p.p_value - 0.03125).abs() < 1e-15,
            "absolute"
        );
        let share = 0.025_f64.powf(0.2);
        assert!((one_way.odds_ratio_lower / (share / (1.0 - share)) - 1.0).abs() < 1e-12, "relative");
        assert_eq!(one_way.odds_ratio_upper, Known::NotKnown(WhyNotKnown::AtBoundary));
    }

    #[test]
    fn without_discordant_pairs_there_is_a_difference_but_no_test() {
        let paired = *paired_shares([[4, 0], [0, 6]], ConfidenceLevel::USUAL).known().expect("pairs");
        assert!(paired.difference.abs() <= 0.0);
        assert_eq!(paired.tests, Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(paired_shares([[0, 0], [0, 0]], ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
