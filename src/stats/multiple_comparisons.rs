//! Probabilities adjusted for the number of tests that were made.
//!
//! Definition.  With p(1) ≤ … ≤ p(m) in order: Holm, the largest of (m − j + 1)·p(j) over j ≤ i; Hochberg, the smallest of
//!              (m − j + 1)·p(j) over j ≥ i; Benjamini–Hochberg, the smallest of m/j·p(j) over j ≥ i; each at most 1.
//! Source.      Holm S. Scand J Stat 1979;6:65–70; Hochberg Y. Biometrika 1988;75:800–802; Benjamini Y, Hochberg Y. J R Stat Soc B
//!              1995;57:289–300 (all from memory).
//! Assumes.     Holm: nothing. Hochberg and Benjamini–Hochberg: tests that are independent or hang together positively.
//! Decided.     Worked out on logarithms, so that exp(−1900) stays known. Equal probabilities get equal results.
//! Cost.        O(m ln m).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How probabilities are adjusted for the number of tests.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AdjustmentMethod {
    /// Keeps the chance of any false difference, whatever binds the tests.
    #[default]
    Holm,
    /// Keeps the same, a little less strictly, for tests that are independent or hang together positively.
    Hochberg,
    /// Keeps the share of false ones among the differences found.
    BenjaminiHochberg,
}

/// The logarithms of probabilities, adjusted, in the order given. Those that are no numbers stay so and count as no test.
pub fn adjusted_ln_p_values(ln_p_values: &[f64], method: AdjustmentMethod) -> Vec<f64> {
    let mut order: Vec<usize> = (0..ln_p_values.len()).filter(|&i| !ln_p_values[i].is_nan()).collect();
    order.sort_by(|&a, &b| ln_p_values[a].total_cmp(&ln_p_values[b]));
    let count = order.len();
    let raised = |rank: usize, i: usize| {
        let factor = match method {
            AdjustmentMethod::Holm | AdjustmentMethod::Hochberg => (count - rank) as f64,
            AdjustmentMethod::BenjaminiHochberg => count as f64 / (rank + 1) as f64,
        };
        (ln_p_values[i] + libm::log(factor)).min(0.0)
    };
    let mut adjusted = ln_p_values.to_vec();
    if method == AdjustmentMethod::Holm {
        let mut so_far = f64::NEG_INFINITY;
        for (rank, &i) in order.iter().enumerate() {
            so_far = raised(rank, i).max(so_far);
            adjusted[i] = so_far;
        }
    } else {
        let mut so_far = 0.0_f64;
        for (rank, &i) in order.iter().enumerate().rev() {
            so_far = raised(rank, i).min(so_far);
            adjusted[i] = so_far;
        }
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probability_below_all_numbers_stays_known() {
        // By hand: three tests, Holm: 3·e^−1900, 2·e^−800, 1·e^−800 raised to the one before.
        let adjusted = adjusted_ln_p_values(&[-800.0, -1900.0, -800.0], AdjustmentMethod::Holm);
        let expected = [-800.0 + 2.0_f64.ln(), -1900.0 + 3.0_f64.ln(), -800.0 + 2.0_f64.ln()];
        for (adjusted, expected) in adjusted.iter().zip(expected) {
            assert!((adjusted - expected).abs() < 1e-12, "absolute: {adjusted} against {expected}");
        }
    }

    #[test]
    fn no_tests_and_one_test_are_left_alone() {
        for method in [AdjustmentMethod::Holm, AdjustmentMethod::Hochberg, AdjustmentMethod::BenjaminiHochberg] {
            assert!(adjusted_ln_p_values(&[], method).is_empty());
            assert_eq!(adjusted_ln_p_values(&[-3.0], method), [-3.0]);
        }
    }
}
