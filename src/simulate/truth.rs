//! The survival that the invented records are drawn from.
//!
//! Definition.  Time to loss has hazard frailty × ratio × h₀(t): a Weibull baseline H₀(t) = (rate · t)^shape with t in years, a
//!              hazard ratio for the technique, and a gamma frailty with mean 1 and variance θ that one mouth shares.
//! Marginal.    Averaged over mouths, S(t) = (1 + θ · ratio · H₀(t))^(−1/θ); exp(−ratio · H₀(t)) when θ = 0 (Laplace transform of
//!              the gamma; Vaupel, Manton & Stallard 1979, from memory).
//! Shape.       1.52: pooled trials of cervical restorations fail at a rising rate (Mahn et al., J Adhes Dent 2015;17:391–403,
//!              clinical index 17.4 % at 5 and 32.3 % at 8 years). The rate is this project's choice.

use crate::quantity::{Days, Fraction};
use crate::record::{AdhesiveClass, EtchStrategy};

/// The truth behind an invented practice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Weibull shape.
    pub shape: f64,
    /// Weibull rate, per year.
    pub rate: f64,
    /// Variance of the frailty that one mouth shares.
    pub frailty_variance: f64,
}

impl Default for Truth {
    fn default() -> Self {
        Self { shape: 1.52, rate: 0.052, frailty_variance: 0.8 }
    }
}

impl Truth {
    /// Hazard ratio of a technique. Invented: it must not be read as evidence.
    pub const fn hazard_ratio(etch: EtchStrategy, class: AdhesiveClass) -> f64 {
        let by_etch = match etch {
            EtchStrategy::EtchAndRinse => 1.0,
            EtchStrategy::SelectiveEnamelEtch => 0.8,
            EtchStrategy::SelfEtch => 1.5,
        };
        let by_class = match class {
            AdhesiveClass::ThreeStepEtchAndRinse => 0.9,
            AdhesiveClass::TwoStepEtchAndRinse => 1.5,
            AdhesiveClass::OneStepSelfEtch => 1.6,
            AdhesiveClass::TwoStepSelfEtch | AdhesiveClass::Universal => 1.0,
            AdhesiveClass::ResinModifiedGlassIonomer | AdhesiveClass::ConventionalGlassIonomer => 0.8,
        };
        by_etch * by_class
    }

    /// Baseline cumulative hazard on a day.
    pub fn cumulative_hazard(&self, day: Days) -> f64 {
        libm::pow(self.rate * day.years().count().max(0.0), self.shape)
    }

    /// Survival of a technique on a day, averaged over mouths. Losses are dated to whole days, the day on or after the instant.
    pub fn survival(&self, day: Days, ratio: f64) -> Fraction {
        let hazard = ratio * self.cumulative_hazard(day);
        let theta = self.frailty_variance;
        Fraction::new(if theta > 0.0 { libm::pow(1.0 + theta * hazard, -1.0 / theta) } else { libm::exp(-hazard) })
    }

    /// The day of loss, given the frailty, the ratio and an exponential draw with mean 1; none if it lies past a century.
    #[expect(clippy::cast_possible_truncation, reason = "bounded before the cast")]
    pub fn day_of_loss(&self, frailty: f64, ratio: f64, exponential: f64) -> Option<Days> {
        let years = libm::pow(exponential / (frailty * ratio), 1.0 / self.shape) / self.rate;
        (years < 100.0).then(|| Days::new((years * crate::quantity::DAYS_PER_YEAR).ceil() as i32))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The day of loss is the first whole day by which frailty · ratio · H₀ has reached the draw, so that "lost after day d"
    /// is the same as "draw above the cumulative hazard of day d".
    #[test]
    fn the_day_of_loss_turns_the_cumulative_hazard_round() {
        let truth = Truth::default();
        for (frailty, ratio) in [(1.0, 1.0), (0.3, 1.5), (2.5, 0.8)] {
            for exponential in [0.001, 0.02, 0.15, 0.9] {
                let day = truth.day_of_loss(frailty, ratio, exponential).expect("a day");
                let hazard = |day| frailty * ratio * truth.cumulative_hazard(day);
                assert!(hazard(day) >= exponential, "{day:?}");
                assert!(hazard(Days::new(day.count() - 1)) < exponential, "{day:?}");
            }
        }
        assert_eq!(truth.day_of_loss(1.0, 1.0, 1e6), None);
    }

    /// By hand: with shape 1 and rate 0.1 a year the cumulative hazard of 4 years (1461 days) is 0.4; ratio 1.5 makes it 0.6.
    /// Without frailty S = e^(−0.6) = 0.548811636094026; with θ = 0.5, S = 1.3^(−2) = 100/169.
    #[test]
    fn the_marginal_survival_is_the_closed_form() {
        let truth = Truth { shape: 1.0, rate: 0.1, frailty_variance: 0.5 };
        let close = |found: Fraction, expected: f64| assert!((found.value() / expected - 1.0).abs() < 1e-14, "{found:?}");
        close(truth.survival(Days::new(1461), 1.5), 100.0 / 169.0);
        close(Truth { frailty_variance: 0.0, ..truth }.survival(Days::new(1461), 1.5), 0.548_811_636_094_026_4);
    }
}
