//! How many observations, and clusters, a comparison of two groups needs so that enough of them fail.
//!
//! Definition.  D failures are needed (`events_needed`), each of n₁ and n₂ = k·n₁ observations is seen to fail with probability π₁
//!              and π₂ (`failing_share`), and clusters multiply the need by δ (`design_effect`): n₁ = D·δ/(π₁ + k·π₂).
//!              Turned round: the power of n₁ is that of n₁·(π₁ + k·π₂)/δ failures.
//! Source.      Failures into observations: Lachin JM, Foulkes MA. Biometrics 1986;42:507–519 (from memory).
//! Decided.     Observations are rounded up in each group, clusters up for the whole. What is rounded stands beside what is not.
//! Not for.     Exactness: the failures that come are themselves a matter of chance. Check a plan by `simulated_power`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::design_effect::{AssignmentUnit, Clustering, design_effect};
use super::events_needed::{PlannedComparison, events_needed, power_of_events};
use super::failing_share::FollowUpPlan;
use crate::quantity::{AnnualRate, Fraction, Known, WhyNotKnown};

/// What is planned: the comparison, how those who enter fail and are followed, and how they share clusters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedFollowUp {
    /// The test.
    pub comparison: PlannedComparison,
    /// Hazard of failure in the first group, constant over time, for one year.
    pub hazard: AnnualRate,
    /// Hazard of the second group by that of the first.
    pub hazard_ratio: f64,
    /// For how long they are followed.
    pub follow_up: FollowUpPlan,
    /// How they share clusters.
    pub clustering: Clustering,
    /// To what a group is given.
    pub unit: AssignmentUnit,
}

/// What a plan needs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ObservationsNeeded {
    /// Failures, over both groups, were all observations independent.
    pub events_if_independent: f64,
    /// How many times as many clusters make necessary.
    pub design_effect: f64,
    /// Failures, over both groups.
    pub events: f64,
    /// The share of each group that is seen to fail.
    pub failing_share: [Fraction; 2],
    /// Observations of each group, not rounded.
    pub exact: [f64; 2],
    /// Observations of each group, rounded up.
    pub observations: [u64; 2],
    /// Clusters, over both groups, rounded up; those that lie in both groups count once.
    pub clusters: u64,
}

/// Observations and clusters needed for this power.
///
/// Not known where [`events_needed`], [`FollowUpPlan::failing_share`] or [`design_effect`] is not; nor when nobody is expected to
/// fail.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole and above 0; saturates")]
pub fn observations_needed(planned: &PlannedFollowUp, power: Fraction) -> Known<ObservationsNeeded> {
    let needed = events_needed(planned.comparison, planned.hazard_ratio, power);
    let (needed, yield_of) = match (needed, events_for_each(planned)) {
        (Known::Known(needed), Known::Known(yield_of)) => (needed, yield_of),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(why),
    };
    let events = needed * yield_of.design_effect;
    let first = events / yield_of.events;
    let exact = [first, planned.comparison.allocation * first];
    // A number that is whole but for rounding is whole.
    let up = |value: f64| libm::ceil(value * (1.0 - 1e-12)) as u64;
    let observations = exact.map(up);
    Known::Known(ObservationsNeeded {
        events_if_independent: needed,
        design_effect: yield_of.design_effect,
        events,
        failing_share: yield_of.failing_share,
        exact,
        observations,
        clusters: up((observations[0] + observations[1]) as f64 / planned.clustering.mean_size),
    })
}

/// The power of so many observations in the first group, and in the second as many times more as the allocation says.
///
/// Not known as [`observations_needed`]; nor unless there are observations.
pub fn power_of_observations(planned: &PlannedFollowUp, first: f64) -> Known<Fraction> {
    if !(first > 0.0 && first.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    match events_for_each(planned) {
        Known::Known(yield_of) => {
            power_of_events(planned.comparison, planned.hazard_ratio, first * yield_of.events / yield_of.design_effect)
        }
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// What one observation in the first group, and its counterpart in the second, bring.
struct Yield {
    failing_share: [Fraction; 2],
    events: f64,
    design_effect: f64,
}

fn events_for_each(planned: &PlannedFollowUp) -> Known<Yield> {
    let share = |ratio: f64| planned.follow_up.failing_share(AnnualRate::new(planned.hazard.per_year() * ratio));
    let effect = design_effect(planned.clustering, planned.unit);
    match (share(1.0), share(planned.hazard_ratio), effect) {
        (Known::Known(one), Known::Known(other), Known::Known(design_effect)) => {
            let events = one.value() + planned.comparison.allocation * other.value();
            if events > 0.0 {
                Known::Known(Yield { failing_share: [one, other], events, design_effect })
            } else {
                Known::NotKnown(WhyNotKnown::NoFailures)
            }
        }
        (Known::NotKnown(why), _, _) | (_, Known::NotKnown(why), _) | (_, _, Known::NotKnown(why)) => Known::NotKnown(why),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Years;

    fn plan() -> PlannedFollowUp {
        PlannedFollowUp {
            comparison: PlannedComparison::default(),
            hazard: AnnualRate::new(0.05),
            hazard_ratio: 2.0,
            follow_up: FollowUpPlan { accrual: Years::new(0.0), further: Years::new(5.0), loss: AnnualRate::new(0.0) },
            clustering: Clustering { mean_size: 2.0, size_variation: 0.0, correlation: 0.1 },
            unit: AssignmentUnit::WholeCluster,
        }
    }

    #[test]
    fn by_hand() {
        // By hand: 65.34565926 failures (as for 0.5), times 1.1; π = 1 − e^(−0.25) and 1 − e^(−0.5).
        let needed = *observations_needed(&plan(), Fraction::new(0.8)).known().expect("a plan");
        let shares = 2.0 - (-0.25_f64).exp() - (-0.5_f64).exp();
        let first = 65.345_659_26 * 1.1 / shares;
        assert!((needed.exact[0] / first - 1.0).abs() < 1e-9, "relative: {}", needed.exact[0]);
        assert_eq!((needed.observations, needed.clusters), ([117, 117], 117));
        let back = power_of_observations(&plan(), needed.exact[0]);
        assert!((back.known().expect("a plan").value() - 0.8).abs() < 1e-12, "absolute");
    }

    #[test]
    fn nobody_to_fail_is_said() {
        let none = PlannedFollowUp { hazard: AnnualRate::new(0.0), ..plan() };
        assert_eq!(observations_needed(&none, Fraction::new(0.8)), Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(power_of_observations(&plan(), 0.0), Known::NotKnown(WhyNotKnown::NoObservations));
        let alike = PlannedFollowUp { hazard_ratio: 1.0, ..plan() };
        assert_eq!(observations_needed(&alike, Fraction::new(0.8)), Known::NotKnown(WhyNotKnown::OutOfReach));
    }
}
