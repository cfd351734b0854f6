//! The interval of a share: so many of so many.
//!
//! Formula.     With p = part/whole, n = whole: (p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n).
//! Source.      Wilson EB. J Am Stat Assoc 1927;22:209–212. Chosen after Newcombe RG. Stat Med 1998;17:857–872: it holds its
//!              level near 0 and 1, where the plain interval collapses (both from memory).
//! Decided.     The limit is exactly 0 where the part is 0 and exactly 1 where it is the whole, whatever the rounding.
//! Not for.     Shares of things that come in clusters, unless read as if each were independent.

use super::distribution::normal_quantile_upper;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, WhyNotKnown};

/// Wilson's interval for `part` of `whole`; not known when the whole is nothing. A part beyond the whole counts as the whole.
pub fn wilson_interval(part: u64, whole: u64, level: ConfidenceLevel) -> Known<ConfidenceInterval<Fraction>> {
    if whole == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let part = part.min(whole);
    let (n, p) = (whole as f64, part as f64 / whole as f64);
    let z = normal_quantile_upper(level.tail());
    let z_squared = z * z;
    let centre = p + z_squared / (2.0 * n);
    let reach = z * libm::sqrt(p * (1.0 - p) / n + z_squared / (4.0 * n * n));
    let scale = 1.0 + z_squared / n;
    let lower = if part == 0 { 0.0 } else { (centre - reach) / scale };
    let upper = if part == whole { 1.0 } else { (centre + reach) / scale };
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(lower),
        upper: Fraction::new(upper),
        level,
        method: IntervalMethod::Wilson,
    })
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
        }
        assert_eq!(wilson_interval(0, 0, ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
