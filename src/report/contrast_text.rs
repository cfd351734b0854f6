//! Differences and ratios of two levels as texts of tables.

use crate::quantity::{ConfidenceInterval, DAYS_PER_YEAR, Estimate, Known, WhyNotKnown};
use crate::stats::{Contrast, RestrictedMeanContrast};
use crate::wording::{interval_text, known};

/// A number with its sign, unless it rounds to nought.
fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    if text.bytes().all(|byte| matches!(byte, b'0' | b'.')) {
        text
    } else {
        format!("{}{text}", if value < 0.0 { "−" } else { "+" })
    }
}

/// A difference in per cent points with its limits.
pub fn difference_text(contrast: &Contrast) -> String {
    let points = |value: f64| signed(value * 100.0, 1);
    let interval = &contrast.estimate.interval;
    let limits = limits_text(interval, |limits| format!("{} to {}", points(limits.lower), points(limits.upper)));
    format!("{} ({limits})", points(contrast.estimate.value))
}

/// The limits of a difference; where one side has no failures there are none.
fn limits_text(interval: &Known<ConfidenceInterval<f64>>, text: impl FnOnce(&ConfidenceInterval<f64>) -> String) -> String {
    match interval {
        Known::NotKnown(WhyNotKnown::NoFailures) => "no limits: no failure by then on one side".to_owned(),
        interval => known(interval, text),
    }
}

/// A ratio with its limits.
pub fn ratio_text(ratio: &Estimate<f64>) -> String {
    let limits = interval_text(&ratio.interval, |limits| format!("{:.2} to {:.2}", limits.lower, limits.upper));
    format!("{:.2} ({limits})", ratio.value)
}

/// A difference of mean times in years with its limits.
pub fn mean_difference_text(mean: &Known<RestrictedMeanContrast>) -> String {
    let years = |days: f64| signed(days / DAYS_PER_YEAR, 2);
    known(mean, |mean| {
        let interval = &mean.difference.estimate.interval;
        let limits = limits_text(interval, |limits| format!("{} to {}", years(limits.lower), years(limits.upper)));
        format!("{} ({limits})", years(mean.difference.estimate.value))
    })
}
