//! Numbers and reasons as cells of readable tables.

use crate::estimate::section::{digits, p_value, why_not_known};
use crate::quantity::{ConfidenceInterval, Fraction, Known};
use crate::stats::distribution::TailProbability;
use crate::stats::{AdjustmentMethod, ChiSquaredTest, adjusted_ln_p_values};

/// A value by `text`, or why there is none.
pub fn known<T>(value: &Known<T>, text: impl FnOnce(&T) -> String) -> String {
    match value {
        Known::Known(value) => text(value),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    }
}

/// A number.
pub fn number(value: &Known<f64>) -> String {
    known(value, |value| digits(*value, 4))
}

/// A probability.
pub fn probability(p: &TailProbability) -> String {
    p_value(p.p_value, p.ln_p_value)
}

/// A probability, or why there is none.
pub fn known_probability(p: &Known<TailProbability>) -> String {
    known(p, probability)
}

/// Two limits.
pub fn limits(lower: f64, upper: f64) -> String {
    format!("{} to {}", digits(lower, 4), digits(upper, 4))
}

/// An interval.
pub fn interval(interval: &Known<ConfidenceInterval<f64>>) -> String {
    known(interval, |interval| limits(interval.lower, interval.upper))
}

/// An interval of a share.
pub fn share_interval(interval: &Known<ConfidenceInterval<Fraction>>) -> String {
    known(interval, |interval| limits(interval.lower.value(), interval.upper.value()))
}

/// A test's name, statistic, degrees of freedom and probability.
pub fn chi_squared_cells(name: &str, test: &ChiSquaredTest) -> Vec<String> {
    vec![name.to_owned(), digits(test.statistic, 6), test.degrees_of_freedom.to_string(), probability(&test.probability)]
}

/// Probabilities adjusted for their number; those that there are none of stay so and don't count.
pub fn adjusted(probabilities: &[Known<TailProbability>], method: AdjustmentMethod) -> Vec<Known<TailProbability>> {
    let ln: Vec<f64> = probabilities
        .iter()
        .map(|probability| probability.known().map_or(f64::NAN, |probability| probability.ln_p_value))
        .collect();
    let adjusted = adjusted_ln_p_values(&ln, method);
    let of = |ln_p_value: f64| TailProbability { p_value: libm::exp(ln_p_value), ln_p_value };
    probabilities.iter().zip(adjusted).map(|(probability, ln)| probability.map(|_| of(ln))).collect()
}

/// An adjustment in words.
pub const fn adjustment_name(method: AdjustmentMethod) -> &'static str {
    match method {
        AdjustmentMethod::Holm => "Holm",
        AdjustmentMethod::Hochberg => "Hochberg",
        AdjustmentMethod::BenjaminiHochberg => "Benjamini–Hochberg",
    }
}

/// Every pair of so many.
pub fn pairs(count: usize) -> impl Iterator<Item = [u16; 2]> {
    let count = u16::try_from(count).unwrap_or(u16::MAX);
    (0..count).flat_map(move |first| (first + 1..count).map(move |second| [first, second]))
}
