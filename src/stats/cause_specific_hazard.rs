//! The cumulative hazard of one cause while the others are at work (Nelson–Aalen by cause).
//!
//! Definition.  Λ_k(t) = Σ over ticks u ≤ t of d_k/n: d_k ended by cause k of n at risk. Summed over causes it is the cumulative
//!              hazard of any ending. It is the [`cumulative_hazard`](super::cumulative_hazard()) of the same observations with
//!              those that ended by another cause counted as censored; that file has the variances and the intervals.
//! Source.      Nelson W. J Qual Technol 1969;1:27–52; Aalen OO. Ann Stat 1978;6:701–726 (both from memory).
//! Cost.        O(observations + ticks), and a copy of the columns.
//! Not for.     Probabilities: exp(−Λ_k) is no survival where other causes compete. See
//!              [`cumulative_incidence`](super::cumulative_incidence()). A comparison of cause-specific hazards between groups is
//!              the log-rank test with endings by other causes counted as censored.

use super::causes::ObservationsByCause;
use super::cumulative_hazard::{CumulativeHazard, HazardIntervalMethod, HazardVarianceFormula, cumulative_hazard};
use crate::quantity::{ConfidenceLevel, Days, Estimate, Known};

/// The cumulative hazard of one cause; the failures of its steps are endings by that cause.
pub fn cause_specific_hazard(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    formula: HazardVarianceFormula,
) -> CumulativeHazard {
    cumulative_hazard(&by_cause.failing_by(cause), formula)
}

/// The cumulative hazard at each horizon, in the order of the horizons.
///
/// Not known without observations and past the last tick at risk; the interval not before the first ending by the cause, nor with
/// too few clusters.
pub fn cause_specific_hazard_at_horizons(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    horizons: &[Days],
    formula: HazardVarianceFormula,
    method: HazardIntervalMethod,
    level: ConfidenceLevel,
) -> Vec<Known<Estimate<f64>>> {
    let hazard = cause_specific_hazard(by_cause, cause, formula);
    horizons.iter().map(|&horizon| hazard.at(horizon, method, level)).collect()
}

#[cfg(test)]
mod tests {
    use super::super::causes::{CAUSE_COMPETING, CAUSE_FAILED};
    use super::super::observation::{Ending, Observations};
    use super::super::ten_rows::each_alone;
    use super::*;
    use crate::quantity::WhyNotKnown;

    /// Failed on days 2 and 4, ended otherwise on days 3 and 4, still there on day 5; each a cluster.
    fn five() -> Observations {
        each_alone(&[
            (2, Ending::Failed),
            (3, Ending::Competing),
            (4, Ending::Failed),
            (4, Ending::Competing),
            (5, Ending::Censored),
        ])
    }

    #[test]
    fn two_causes_by_hand() {
        // By hand: 5, 4 and 3 at risk on days 2, 3 and 4. Failed: 1/5 + 1/3. Ended otherwise: 1/4 + 1/3.
        // Poisson 1/25 + 1/9 and 1/16 + 1/9; binomial, and robust with each its own cluster: 4/125 + 2/27 and 3/64 + 2/27.
        let observations = five();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-14, "relative: {a} {b}");
        let (failed, competing) = ((1.0 / 5.0, 1.0 / 25.0, 4.0 / 125.0), (1.0 / 4.0, 1.0 / 16.0, 3.0 / 64.0));
        for (cause, (hazard, poisson, binomial)) in [(CAUSE_FAILED, failed), (CAUSE_COMPETING, competing)] {
            for (formula, variance) in [
                (HazardVarianceFormula::Poisson, poisson + 1.0 / 9.0),
                (HazardVarianceFormula::Binomial, binomial + 2.0 / 27.0),
                (HazardVarianceFormula::ClusterRobust, binomial + 2.0 / 27.0),
            ] {
                let curve = cause_specific_hazard(&by_cause, cause, formula);
                let step = curve.steps().last().expect("steps");
                close(step.cumulative_hazard, hazard + 1.0 / 3.0);
                close(*step.variance.known().expect("defined"), variance);
            }
        }
    }

    #[test]
    fn horizons_know_their_limits() {
        let observations = five();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let days = [2, 3, 6].map(Days::new);
        let (formula, method) = (HazardVarianceFormula::Poisson, HazardIntervalMethod::Log);
        let level = ConfidenceLevel::USUAL;
        let at = cause_specific_hazard_at_horizons(&by_cause, CAUSE_COMPETING, &days, formula, method, level);
        assert_eq!(at[0].known().expect("followed").interval, Known::NotKnown(WhyNotKnown::NoFailures));
        let later = at[1].known().expect("followed");
        let interval = later.interval.known().expect("defined");
        // By hand: Λ = 1/4, variance 1/16; symmetric on ln Λ.
        assert!((interval.lower * interval.upper - 1.0 / 16.0).abs() < 1e-15, "absolute");
        assert!((libm::log(interval.upper / 0.25) - 1.959_963_984_540_054).abs() < 1e-14, "absolute");
        assert_eq!(later.behind.failures, 1);
        assert_eq!(at[2], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    }
}
