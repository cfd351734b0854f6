//! Failures seen, by those that a published rate and one's own person-time let expect.
//!
//! Definition.  E = published rate · person-time; the ratio is D/E. Above 1, more failed than expected.
//! Interval.    Exact and mid-p: limits of the count D, by E. Cluster-robust: ln(D/E) ± t·σ, σ² = Σ (d_c − (D/E)·E_c)²/D² over
//!              clusters, which is that of the own rate.
//! Test.        Of a ratio of 1. D is Poisson with mean E: two-sided three ways. Cluster-robust: ln(D/E)/σ by Student's
//!              distribution with clusters − 1 degrees of freedom.
//! Source.      Garwood F. Biometrika 1936;28:437–442; Breslow NE, Day NE. Statistical Methods in Cancer Research II, 1987, 2.3
//!              (both from memory).
//! Decided.     As in [`rate`](super::rate()). Without failures the ratio is 0, with an exact upper limit and exact probabilities.
//! Not for.     A published rate that is itself uncertain: it is taken as known, so the interval tells the own spread only. A
//!              published rate from cases that were followed for other lengths of time, where the rate changes with it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_two_sided;
use super::distribution::{TailProbability, incomplete_gamma};
use super::exact_test::{CountDistribution, ExactProbabilities, exact_probabilities};
use super::person_time::PersonTime;
use super::rate::{RateIntervalMethod, rate};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Estimate, Known, WhyNotKnown};

/// Observed by expected failures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ObservedByExpected {
    /// Failures seen, by their case weights.
    pub observed: f64,
    /// Failures expected.
    pub expected: f64,
    /// Their ratio.
    pub ratio: Estimate<f64>,
    /// Two-sided probabilities of a count as far from the expected one, each observation independent.
    pub probabilities: ExactProbabilities,
    /// Two-sided probability by the cluster-robust spread.
    pub cluster_robust_probability: Known<TailProbability>,
}

/// Compares with a published rate `expected_rate` for one observation in one `unit`, a length of time as the axis counts it
/// (365.25 on the axis of days for a yearly rate).
///
/// Not known without time under observation, or unless the published rate is above 0.
pub fn observed_by_expected(
    counted: &PersonTime,
    expected_rate: f64,
    unit: f64,
    method: RateIntervalMethod,
    level: ConfidenceLevel,
) -> Known<ObservedByExpected> {
    let own = match rate(counted, unit, method, level) {
        Known::Known(own) => own,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    if !(expected_rate > 0.0 && expected_rate.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let expected = expected_rate * own.person_time;
    let ratio = Estimate {
        value: own.estimate.value / expected_rate,
        standard_error: own.estimate.standard_error.map(|error| error / expected_rate),
        interval: own.estimate.interval.map(|limits| ConfidenceInterval {
            lower: limits.lower / expected_rate,
            upper: limits.upper / expected_rate,
            ..limits
        }),
        ..own.estimate
    };
    let cluster_robust_probability = match super::rate::ln_rate_variance(counted) {
        Known::Known(variance) if variance > 0.0 => {
            let freedom = counted.behind().clusters as f64 - 1.0;
            Known::Known(student_two_sided(libm::log(ratio.value) / libm::sqrt(variance), freedom))
        }
        Known::Known(_) => Known::NotKnown(WhyNotKnown::AtBoundary),
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    Known::Known(ObservedByExpected {
        observed: own.failures,
        expected,
        ratio,
        probabilities: exact_probabilities(&Poisson { mean: expected }, own.failures),
        cluster_robust_probability,
    })
}

/// A count with this mean, which is above 0.
struct Poisson {
    mean: f64,
}

impl CountDistribution for Poisson {
    fn ln_probability(&self, count: f64) -> f64 {
        incomplete_gamma(count + 1.0, self.mean).ln_prefix - libm::log(self.mean)
    }

    fn ln_at_most(&self, count: f64) -> f64 {
        incomplete_gamma(count + 1.0, self.mean).ln_upper
    }

    fn ln_at_least(&self, count: f64) -> f64 {
        if count > 0.0 { incomplete_gamma(count, self.mean).ln_lower } else { 0.0 }
    }

    fn peak(&self) -> f64 {
        libm::floor(self.mean)
    }

    fn highest(&self) -> f64 {
        f64::INFINITY
    }
}

#[cfg(test)]
mod tests {
    use super::super::axis::Axis;
    use super::super::observation::{Ending, Observations};
    use super::*;
    use crate::quantity::Days;

    fn compared(rows: &[(i32, Ending)], expected: f64, method: RateIntervalMethod) -> Known<ObservedByExpected> {
        let mut observations = Observations::default();
        for (cluster, &(day, ending)) in (0..).zip(rows) {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        observed_by_expected(&PersonTime::count(&observations, &Axis::Days), expected, 1.0, method, ConfidenceLevel::USUAL)
    }

    #[test]
    fn none_of_two_expected_by_hand() {
        // By hand: 20 days at 0.1 a day: P(0) = e⁻². Small are the counts with 2^k/k! ≤ 1: 0 and all from 4 on;
        // P(X ≥ 4) = 1 − e⁻²(1 + 2 + 2 + 4/3).
        let rows = [(8, Ending::Censored), (12, Ending::Censored)];
        let result = *compared(&rows, 0.1, RateIntervalMethod::Exact).known().expect("time");
        let none = (-2.0_f64).exp();
        let small = result.probabilities.sum_of_small.expect("whole").p_value;
        assert!((small - (none + 1.0 - none * (5.0 + 4.0 / 3.0))).abs() < 1e-14, "absolute: {small}");
        assert!((result.probabilities.twice_smaller_tail.p_value - 2.0 * none).abs() < 1e-14, "absolute");
        assert!((result.probabilities.mid_p.p_value - none).abs() < 1e-14, "absolute");
        assert!((result.ratio.interval.known().expect("limits").upper + 0.025_f64.ln() / 2.0).abs() < 1e-14, "absolute");
        assert_eq!(result.cluster_robust_probability, Known::NotKnown(WhyNotKnown::NoFailures));
    }

    #[test]
    fn as_many_as_expected_are_nothing_unusual() {
        let rows = [(10, Ending::Failed), (10, Ending::Censored), (20, Ending::Failed)];
        let result = *compared(&rows, 0.05, RateIntervalMethod::ClusterRobust).known().expect("time");
        assert!((result.expected - 2.0).abs() < 1e-15 && (result.ratio.value - 1.0).abs() < 1e-15, "absolute");
        assert!(result.probabilities.sum_of_small.expect("whole").p_value >= 1.0);
        assert!(result.cluster_robust_probability.known().expect("spread").p_value > 1.0 - 1e-12);
    }

    #[test]
    fn without_a_rate_to_compare_with_there_is_no_ratio() {
        let result = compared(&[(5, Ending::Failed)], 0.0, RateIntervalMethod::Exact);
        assert_eq!(result, Known::NotKnown(WhyNotKnown::NotANumber));
    }
}
