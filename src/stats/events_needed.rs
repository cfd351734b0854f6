//! How many failures a comparison of two groups needs, and what so many can tell.
//!
//! Definition.  With k observations in the second group for each in the first, hazard ratio θ (second against first), and z for the
//!              two-sided level and the power, the failures needed, over both groups, are
//!              Schoenfeld: (z_level + z_power)² / (p·(1 − p)·(ln θ)²) with p = k/(1 + k);
//!              Freedman: (z_level + z_power)²·(1 + k·θ)² / (k·(1 − θ)²).
//!              Power and smallest ratio are those formulas turned round.
//! Source.      Schoenfeld DA. Biometrika 1981;68:316–319; Freedman LS. Stat Med 1982;1:121–129 (both from memory).
//! Assumes.     A log-rank test, proportional hazards, independent observations (see `design_effect` for clusters), failures few
//!              enough among those at risk that the groups keep their proportion (Schoenfeld) or that the ratio of those at risk is
//!              what it was at the start (Freedman).
//! Decided.     Power is that of finding the difference in its true direction; the other tail, below 2.5 % at the usual level
//!              whatever the truth and far smaller in practice, is left out, so that the formulas turn round exactly. A one-sided
//!              test at 2.5 % is a two-sided one at 5 %. Failures are not rounded: who needs whole ones rounds up. A ratio of 1 can't
//!              be found by any number of failures (`OutOfReach`), nor any ratio by too few of them under Freedman's formula.
//! Not for.     Hazards that cross; for those, and to check any plan, see `simulated_power`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::{normal_quantile_upper, normal_upper_tail};
use crate::quantity::{ConfidenceLevel, Fraction, Known, WhyNotKnown};

/// Which approximation counts the failures needed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventsFormula {
    /// From the variance of the log-rank score at small differences; symmetric in θ and 1/θ for equal groups.
    #[default]
    Schoenfeld,
    /// From the expected split of the failures under the difference; more cautious for equal groups.
    Freedman,
}

/// A comparison of two groups that is planned.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedComparison {
    /// Observations in the second group for each one in the first.
    pub allocation: f64,
    /// 1 less the two-sided significance level of the test.
    pub level: ConfidenceLevel,
    /// Which approximation is used.
    pub formula: EventsFormula,
}

impl Default for PlannedComparison {
    fn default() -> Self {
        Self { allocation: 1.0, level: ConfidenceLevel::USUAL, formula: EventsFormula::Schoenfeld }
    }
}

/// The hazard ratios nearest to 1 that a plan can tell from it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DetectableRatio {
    /// The second group fails more slowly.
    pub below_one: Known<f64>,
    /// The second group fails faster.
    pub above_one: Known<f64>,
}

/// Failures needed, over both groups, to find this hazard ratio with this power. Not rounded.
///
/// Not known for a ratio of 1, and unless ratio and allocation are above 0 and the power lies strictly between the part of the level
/// on one side and 1.
///
/// ```
/// use manebit::quantity::Fraction;
/// use manebit::stats::{PlannedComparison, events_needed};
/// let needed = events_needed(PlannedComparison::default(), 0.5, Fraction::new(0.8));
/// assert!((needed.known().expect("a plan") - 65.34565926).abs() < 1e-8);
/// ```
pub fn events_needed(planned: PlannedComparison, hazard_ratio: f64, power: Fraction) -> Known<f64> {
    let z = match quantiles(planned, power) {
        Known::Known(z) => z,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    match standardised_effect(planned, hazard_ratio) {
        Known::Known(effect) if effect > 0.0 => Known::Known((z / effect) * (z / effect)),
        Known::Known(_) => Known::NotKnown(WhyNotKnown::OutOfReach),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The probability that so many failures let this hazard ratio be found.
///
/// Not known unless ratio and allocation are above 0 and there are failures. For a ratio of 1 it is the level on one side.
pub fn power_of_events(planned: PlannedComparison, hazard_ratio: f64, events: f64) -> Known<Fraction> {
    if !(events > 0.0 && events.is_finite()) {
        return Known::NotKnown(if events == 0.0 { WhyNotKnown::NoFailures } else { WhyNotKnown::OutsideItsRange });
    }
    let z = normal_quantile_upper(planned.level.tail());
    standardised_effect(planned, hazard_ratio)
        .map(|effect| Fraction::new(normal_upper_tail(z - libm::sqrt(events) * effect)))
}

/// The hazard ratios on either side of 1 that so many failures let be found with this power.
pub fn detectable_ratio(planned: PlannedComparison, events: f64, power: Fraction) -> DetectableRatio {
    let none = |why| DetectableRatio { below_one: Known::NotKnown(why), above_one: Known::NotKnown(why) };
    if !(events > 0.0 && events.is_finite()) {
        return none(if events == 0.0 { WhyNotKnown::NoFailures } else { WhyNotKnown::OutsideItsRange });
    }
    let z = match (quantiles(planned, power), standardised_effect(planned, 1.0)) {
        (Known::Known(z), Known::Known(_)) => z,
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return none(why),
    };
    let k = planned.allocation;
    match planned.formula {
        EventsFormula::Schoenfeld => {
            let reach = z * (1.0 + k) / libm::sqrt(events * k);
            DetectableRatio { below_one: Known::Known(libm::exp(-reach)), above_one: Known::Known(libm::exp(reach)) }
        }
        EventsFormula::Freedman => {
            let root = libm::sqrt(events * k);
            let ratio = |above: f64, below: f64| {
                let ok = above > 0.0 && below > 0.0;
                if ok { Known::Known(above / below) } else { Known::NotKnown(WhyNotKnown::OutOfReach) }
            };
            DetectableRatio { below_one: ratio(root - z, root + k * z), above_one: ratio(root + z, root - k * z) }
        }
    }
}

/// z of the level and of the power, added.
pub(super) fn quantiles(planned: PlannedComparison, power: Fraction) -> Known<f64> {
    let power = power.value();
    if power > planned.level.tail() && power < 1.0 {
        Known::Known(normal_quantile_upper(planned.level.tail()) - normal_quantile_upper(power))
    } else {
        Known::NotKnown(WhyNotKnown::OutsideItsRange)
    }
}

/// How many standard errors of the test statistic one failure adds, in squares: the mean of z is √events times this.
fn standardised_effect(planned: PlannedComparison, hazard_ratio: f64) -> Known<f64> {
    let k = planned.allocation;
    let sound = |value: f64| value > 0.0 && value.is_finite();
    if !sound(k) || !sound(hazard_ratio) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    Known::Known(match planned.formula {
        EventsFormula::Schoenfeld => libm::sqrt(k) / (1.0 + k) * libm::log(hazard_ratio).abs(),
        EventsFormula::Freedman => libm::sqrt(k) * (hazard_ratio - 1.0).abs() / (1.0 + k * hazard_ratio),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(formula: EventsFormula, allocation: f64) -> PlannedComparison {
        PlannedComparison { formula, allocation, ..PlannedComparison::default() }
    }

    #[test]
    fn the_three_questions_have_one_answer() {
        let power = Fraction::new(0.9);
        for formula in [EventsFormula::Schoenfeld, EventsFormula::Freedman] {
            for allocation in [0.3, 1.0, 2.5] {
                let plan = plan(formula, allocation);
                for ratio in [0.4, 0.8, 1.3, 2.2] {
                    let events = *events_needed(plan, ratio, power).known().expect("events");
                    let back = power_of_events(plan, ratio, events).known().expect("power").value();
                    assert!((back / 0.9 - 1.0).abs() < 1e-12, "relative: {back}");
                    let found = detectable_ratio(plan, events, power);
                    let found = *if ratio < 1.0 { found.below_one } else { found.above_one }.known().expect("a ratio");
                    assert!((found / ratio - 1.0).abs() < 1e-12, "relative: {found} against {ratio}");
                }
            }
        }
    }

    #[test]
    fn what_no_number_does_is_said() {
        let (usual, freedman) = (plan(EventsFormula::Schoenfeld, 1.0), plan(EventsFormula::Freedman, 1.0));
        let power = Fraction::new(0.8);
        assert_eq!(events_needed(usual, 1.0, power), Known::NotKnown(WhyNotKnown::OutOfReach));
        assert_eq!(events_needed(usual, -1.0, power), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(events_needed(usual, 0.5, Fraction::new(1.0)), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(
            events_needed(plan(EventsFormula::Freedman, 0.0), 0.5, power),
            Known::NotKnown(WhyNotKnown::OutsideItsRange)
        );
        assert_eq!(power_of_events(usual, 0.5, 0.0), Known::NotKnown(WhyNotKnown::NoFailures));
        // By hand: (1.96 + 0.84)² = 7.85, so with seven failures Freedman's root stays below z.
        assert_eq!(detectable_ratio(freedman, 7.0, power).below_one, Known::NotKnown(WhyNotKnown::OutOfReach));
        assert!(detectable_ratio(usual, 7.0, power).below_one.known().is_some());
        // Without a difference, the power is one side of the level.
        let none = power_of_events(usual, 1.0, 50.0).known().expect("power").value();
        assert!((none - 0.025).abs() < 1e-15, "absolute: {none}");
    }
}
