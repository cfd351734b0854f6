//! Limits of a funnel: between which numbers of failures a unit lies by chance, the more closely the more it saw.
//!
//! Definition.  With E failures expected, the limit at a tail q is the count k at which the exact probability of as many or more (above),
//!              or as few or fewer (below), is q. Between whole numbers k the probability goes on by the incomplete gamma function:
//!              P(X ≥ k) = P(k, E), P(X ≤ k) = 1 − P(k + 1, E). For shares of n around π, by the incomplete beta function:
//!              P(X ≥ k) = I_π(k, n − k + 1), P(X ≤ k) = I_(1−π)(n − k, k + 1).
//! Dispersion.  A factor φ on the variance: k/φ of E/φ, or of n/φ, takes the place of k of E, or of n.
//! Source.      Spiegelhalter DJ. Stat Med 2005;24:1185–1202; incomplete functions: Abramowitz M, Stegun IA. Handbook of Mathematical
//!              Functions, 1964, 26.4.21 and 26.5.24 (all from memory).
//! Decided.     The smooth limits and the exact test agree at every whole count: a point lies on or beyond its limit exactly when its
//!              tail is q or less. Where even no failure (or failure of all) is likelier than q, there is no limit on that side.
//! Accuracy.    1e-12 relative against many-digit roots.
//! Cost.        Some 60 incomplete functions for each limit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::incomplete_beta;
use super::distribution::{TailProbability, incomplete_gamma};
use crate::quantity::{ConfidenceLevel, Fraction, Known, WhyNotKnown};

/// Limits on both sides; not known (`NotReached`) where no count is that unlikely.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FunnelLimits {
    /// 1 less the probability of lying outside by chance.
    pub level: ConfidenceLevel,
    /// Below this a unit has fewer than chance explains.
    pub lower: Known<f64>,
    /// Above this it has more.
    pub upper: Known<f64>,
}

/// A count of which the distribution by chance alone is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum ByChance {
    /// A count with this mean.
    Poisson {
        /// The mean.
        expected: f64,
    },
    /// A count of so many.
    Binomial {
        /// How many.
        whole: f64,
        /// The chance of each.
        share: f64,
    },
}

/// Limits of observed by expected failures.
///
/// Not known unless some are expected and the dispersion is 1 or above.
pub fn ratio_limits(expected: f64, dispersion: f64, level: ConfidenceLevel) -> Known<FunnelLimits> {
    if !(expected > 0.0 && expected.is_finite() && dispersion >= 1.0 && dispersion.is_finite()) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    Known::Known(ByChance::Poisson { expected }.limits(dispersion, level, expected))
}

/// Limits of a share of `whole` around the share that is expected.
///
/// Not known unless there are some, the share lies strictly between 0 and 1, and the dispersion is 1 or above.
pub fn share_limits(share: Fraction, whole: f64, dispersion: f64, level: ConfidenceLevel) -> Known<FunnelLimits> {
    let share = share.value();
    if !(whole > 0.0 && whole.is_finite() && dispersion >= 1.0 && dispersion.is_finite()) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    if !(share > 0.0 && share < 1.0) {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    Known::Known(ByChance::Binomial { whole, share }.limits(dispersion, level, whole))
}

impl ByChance {
    /// The probability of as few or fewer, and of as many or more.
    pub(super) fn tails(self, count: f64, dispersion: f64) -> [TailProbability; 2] {
        let scaled = self.scaled(dispersion);
        [scaled.ln_at_most(count / dispersion), scaled.ln_at_least(count / dispersion)]
            .map(|ln_p_value| TailProbability { p_value: libm::exp(ln_p_value), ln_p_value })
    }

    /// Limits of the count, by `unit`.
    pub(super) fn limits(self, dispersion: f64, level: ConfidenceLevel, unit: f64) -> FunnelLimits {
        let scaled = self.scaled(dispersion);
        let ln_tail = libm::log(level.tail());
        let (mean, most) = match scaled {
            Self::Poisson { expected } => (expected, f64::INFINITY),
            Self::Binomial { whole, share } => (whole * share, whole),
        };
        let count = |limit: Option<f64>| match limit {
            Some(limit) => Known::Known(limit * dispersion / unit),
            None => Known::NotKnown(WhyNotKnown::NotReached),
        };
        let lower = (scaled.ln_at_most(0.0) <= ln_tail).then(|| crossing(0.0, mean, |k| scaled.ln_at_most(k) <= ln_tail));
        let mut far = (mean + 1.0).min(most);
        while far < most && scaled.ln_at_least(far) > ln_tail {
            far = (2.0 * far).min(most);
        }
        let upper = (scaled.ln_at_least(far) <= ln_tail).then(|| crossing(far, 0.0, |k| scaled.ln_at_least(k) <= ln_tail));
        FunnelLimits { level, lower: count(lower), upper: count(upper) }
    }

    fn scaled(self, dispersion: f64) -> Self {
        match self {
            Self::Poisson { expected } => Self::Poisson { expected: expected / dispersion },
            Self::Binomial { whole, share } => Self::Binomial { whole: whole / dispersion, share },
        }
    }

    fn ln_at_most(self, count: f64) -> f64 {
        match self {
            Self::Poisson { expected } => incomplete_gamma(count + 1.0, expected).ln_upper,
            Self::Binomial { whole, share } if count < whole => {
                incomplete_beta(whole - count, count + 1.0, 1.0 - share, share).ln_lower
            }
            Self::Binomial { .. } => 0.0,
        }
    }

    fn ln_at_least(self, count: f64) -> f64 {
        match self {
            _ if count <= 0.0 => 0.0,
            Self::Poisson { expected } => incomplete_gamma(count, expected).ln_lower,
            Self::Binomial { whole, share } => {
                incomplete_beta(count, (whole - count).max(0.0) + 1.0, share, 1.0 - share).ln_lower
            }
        }
    }
}

/// The last count beyond the limit, from one that is beyond towards one that isn't, by halving.
fn crossing(mut beyond: f64, mut within: f64, is_beyond: impl Fn(f64) -> bool) -> f64 {
    loop {
        let middle = 0.5 * (beyond + within);
        if middle.total_cmp(&beyond).is_eq() || middle.total_cmp(&within).is_eq() {
            return beyond;
        }
        *(if is_beyond(middle) { &mut beyond } else { &mut within }) = middle;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // By hand: none of E has probability e^(−E), so at 95 % there is a lower limit from E = −ln 0.025 = 3.689 on, and there it is 0.
        let level = ConfidenceLevel::USUAL;
        let at = |expected| *ratio_limits(expected, 1.0, level).known().expect("in range");
        assert_eq!(at(3.68).lower, Known::NotKnown(WhyNotKnown::NotReached));
        assert!(*at(3.69).lower.known().expect("reached") < 0.001);
        // One or more of E: 1 − e^(−E) = 0.025 at E = 0.025318: the upper limit is 1 failure there.
        let expected = -0.975_f64.ln();
        assert!((at(expected).upper.known().expect("reached") * expected - 1.0).abs() < 1e-12, "relative");
        // A factor of 2 on the variance: the limits of half as many expected.
        let wide = *ratio_limits(20.0, 2.0, level).known().expect("in range");
        let half = at(10.0);
        assert!((wide.upper.known().expect("reached") / half.upper.known().expect("reached") - 1.0).abs() < 1e-14);
        // All of three at one half: 1/8, more than any tail.
        let three = *share_limits(Fraction::new(0.5), 3.0, 1.0, level).known().expect("in range");
        assert_eq!(
            (three.lower, three.upper),
            (Known::NotKnown(WhyNotKnown::NotReached), Known::NotKnown(WhyNotKnown::NotReached))
        );
    }

    #[test]
    fn what_has_no_limits_is_said() {
        let level = ConfidenceLevel::USUAL;
        assert_eq!(ratio_limits(0.0, 1.0, level), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(ratio_limits(1.0, 0.5, level), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(share_limits(Fraction::new(0.0), 5.0, 1.0, level), Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(share_limits(Fraction::new(0.5), 0.0, 1.0, level), Known::NotKnown(WhyNotKnown::OutsideItsRange));
    }
}
