//! Survival up to a tick of those in place at an earlier one.
//!
//! Definition.  S(t | s) = S(t) / S(s), s ≤ t.
//! Variance.    Of ln S(t) − ln S(s), model-based the Greenwood terms of the ticks after s up to t; cluster-robust the squares of
//!              A_c(t) − A_c(s), summed over clusters. Intervals as those of a survival, on any of their scales.
//! Source.      Davis FG, McCarthy BJ, Freels S, Kupelian V, Bondy ML. Cancer 1999;85:485–491 (from memory).
//! Decided.     Not known where S(s) is 0: nobody is left to ask about. No interval where nobody fails after s.
//! Cost.        O(observations + ticks + clusters).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cluster_influence::{influences, survival_jumps};
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::{Inference, survival_interval};
use crate::quantity::{Behind, Days, Estimate, Fraction, Known, Variance, WhyNotKnown};

/// Survival to a tick, given survival to an earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConditionalSurvival {
    /// The earlier tick, s.
    pub given: Days,
    /// The later tick, t.
    pub horizon: Days,
    /// How many are still at risk after the events of the earlier tick.
    pub at_risk_after: u64,
    /// S(t)/S(s); behind it stand all observations and clusters, and the failures after s up to t.
    pub survival: Estimate<Fraction>,
}

/// S(horizon)/S(given) of these observations.
///
/// Not known where `given` is after `horizon` or S(given) is 0 (nothing is left to ask), and where either survival isn't known.
pub fn conditional_survival(
    observations: &Observations,
    given: Days,
    horizon: Days,
    inference: Inference,
) -> Known<ConditionalSurvival> {
    let curve = ProductLimit::of(observations);
    let (early, late) = match (curve.survival_at(given), curve.survival_at(horizon)) {
        (Known::Known(early), Known::Known(late)) => (early.value(), late.value()),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(why),
    };
    if early <= 0.0 {
        return Known::NotKnown(WhyNotKnown::AllFailed);
    }
    if given > horizon {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let table = LifeTable::count(observations);
    let after = |day: Days| table.counts_at(Days::new(day.count().saturating_add(1)));
    let failures = after(horizon).failed_so_far - after(given).failed_so_far;
    let clusters = observations.clusters_present();
    let value = Fraction::new(late / early);
    let variance = match inference.variance {
        _ if failures == 0 => Known::NotKnown(WhyNotKnown::NoFailures),
        _ if late <= 0.0 => Known::NotKnown(WhyNotKnown::AllFailed),
        Variance::ClusterRobust if clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
        Variance::ClusterRobust => {
            let both = influences(&survival_jumps(&curve), &[given.count(), horizon.count()], observations);
            Known::Known(both.chunks_exact(2).map(|pair| pair[1] - pair[0]).map(|a| a * a).sum())
        }
        Variance::ModelBased => {
            let jumps = survival_jumps(&curve);
            let between = jumps.iter().filter(|jump| jump.day > given.count() && jump.day <= horizon.count());
            Known::Known(between.map(|jump| jump.hazard).sum())
        }
    };
    let interval = match variance {
        Known::Known(variance) => survival_interval(value, libm::sqrt(variance), inference.method, inference.level),
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    let survival = Estimate {
        value,
        standard_error: variance.known().map(|&variance| value.value() * libm::sqrt(variance)),
        variance: inference.variance,
        interval,
        behind: Behind { observations: table.total(), clusters, failures },
    };
    Known::Known(ConditionalSurvival { given, horizon, at_risk_after: after(given).at_risk, survival })
}

#[cfg(test)]
mod tests {
    use super::super::survival_interval::SurvivalIntervalMethod;
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_by_hand() {
        // By hand: S(7)/S(4) = (27/100)/(27/40) = 2/5; σ² = 1/20 + 2/8 = 0.3.
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            for method in SurvivalIntervalMethod::ALL {
                let inference = Inference { variance, method, ..Inference::default() };
                let found = conditional_survival(&ten_rows::pooled(), Days::new(4), Days::new(7), inference);
                let found = *found.known().expect("known");
                assert!((found.survival.value.value() - 0.4).abs() < 1e-15, "absolute");
                let error = found.survival.standard_error.expect("known");
                assert!((error - 0.4 * libm::sqrt(0.3)).abs() < 1e-15, "absolute: {error}");
                assert_eq!((found.at_risk_after, found.survival.behind.failures), (5, 3));
                let reference = survival_interval(Fraction::new(0.4), libm::sqrt(0.3), method, inference.level);
                let (limits, reference) = (found.survival.interval, reference);
                let (limits, reference) = (limits.known().expect("known"), reference.known().expect("known"));
                assert!((limits.lower.value() - reference.lower.value()).abs() < 1e-14, "absolute");
            }
        }
    }

    #[test]
    fn nobody_left_and_nobody_failing_are_told_apart() {
        let of = |observations: &Observations, given, horizon| {
            conditional_survival(observations, Days::new(given), Days::new(horizon), Inference::default())
        };
        assert_eq!(of(&ten_rows::all_fail(), 3, 4), Known::NotKnown(WhyNotKnown::AllFailed));
        assert_eq!(of(&ten_rows::pooled(), 7, 4), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(of(&ten_rows::pooled(), 4, 11), Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let calm = *of(&ten_rows::pooled(), 7, 10).known().expect("known");
        assert_eq!((calm.survival.value, calm.survival.standard_error), (Fraction::new(1.0), None));
        assert_eq!(calm.survival.interval, Known::NotKnown(WhyNotKnown::NoFailures));
    }
}
