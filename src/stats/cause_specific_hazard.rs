//! The cumulative hazard of one cause while the others are at work (Nelson–Aalen by cause).
//!
//! Definition.  Λ_k(t) = Σ over ticks u ≤ t of d_k/n: d_k ended by cause k of n at risk. Summed over causes it is the cumulative
//!              hazard of any ending.
//! Variance.    Model-based: Σ d_k/n² (Aalen, the default) or Σ d_k(n − d_k)/n³ (binomial). Cluster-robust: influence
//!              Σ (dN_ik − Y_i·d_k/n)/n, summed by cluster; without late entries and each observation its own cluster, the
//!              binomial form exactly.
//! Interval.    Symmetric on ln Λ, or on Λ cut at 0.
//! Source.      Nelson W. J Qual Technol 1969;1:27–52; Aalen OO. Ann Stat 1978;6:701–726 (both from memory).
//! Decided.     Past the last tick at risk Λ is not known. Before the first ending by the cause it is 0 without an interval.
//! Cost.        O(observations + ticks).
//! Not for.     Probabilities: exp(−Λ_k) is no survival where other causes compete. See
//!              [`cumulative_incidence`](super::cumulative_incidence()). A comparison of cause-specific hazards between groups is
//!              the log-rank test with endings by other causes counted as censored.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::causes::{EndingTable, ObservationsByCause, ticks_of};
use super::distribution::normal_quantile_upper;
use super::incidence_influence::{SweepStep, sweep};
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// Which variance of a cause-specific cumulative hazard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CauseHazardVariance {
    /// Influences summed by cluster.
    #[default]
    ClusterRobust,
    /// Σ d/n²: endings come one at a time.
    Aalen,
    /// Σ d(n − d)/n³: endings of a tick are tied in truth.
    Binomial,
}

impl From<CauseHazardVariance> for Variance {
    fn from(variance: CauseHazardVariance) -> Self {
        match variance {
            CauseHazardVariance::ClusterRobust => Self::ClusterRobust,
            CauseHazardVariance::Aalen | CauseHazardVariance::Binomial => Self::ModelBased,
        }
    }
}

/// On which scale the interval of a cumulative hazard is symmetric.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CauseHazardIntervalMethod {
    /// Symmetric on ln Λ.
    #[default]
    Log,
    /// Symmetric on Λ, cut at 0.
    Plain,
}

/// A tick on which somebody ended by the cause.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CauseHazardStep {
    /// The tick, from the time origin.
    pub day: Days,
    /// Sum of the weights at risk.
    pub at_risk: f64,
    /// Sum of the weights that ended by the cause.
    pub ended: f64,
    /// Λ with the endings of this tick.
    pub cumulative_hazard: f64,
    /// Its variance.
    pub variance: Known<f64>,
}

/// The cumulative hazard of one cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CauseSpecificHazard {
    /// The code of the cause.
    pub cause: u8,
    /// The ticks on which it goes up.
    pub steps: Vec<CauseHazardStep>,
    /// The last tick on which anybody was at risk; none without observations.
    pub last_day: Option<Days>,
    /// Which variance stands in the steps.
    pub variance: CauseHazardVariance,
}

/// The cumulative hazard of one cause.
///
/// With fewer than two clusters each cluster-robust variance is not known for that reason.
pub fn cause_specific_hazard(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    variance: CauseHazardVariance,
) -> CauseSpecificHazard {
    let table = EndingTable::of_one_cause(by_cause, cause);
    let observations = by_cause.observations();
    let (mut hazard, mut aalen, mut binomial) = (0.0, 0.0, 0.0);
    let (mut steps, mut sweep_steps) = (Vec::new(), Vec::new());
    for (day, (&n, &d)) in (0..).zip(table.at_risk.iter().zip(table.ended(1))) {
        if d <= 0.0 {
            continue;
        }
        hazard += d / n;
        aalen += d / (n * n);
        binomial += d * (n - d) / (n * n * n);
        sweep_steps.push(SweepStep {
            tick: day as usize,
            level: 0.0,
            kappa: aalen,
            alpha: 0.0,
            own_jump: 1.0 / n,
            other_jump: 0.0,
            alpha_jump: 0.0,
            read: true,
        });
        steps.push(CauseHazardStep {
            day: Days::new(day),
            at_risk: n,
            ended: d,
            cumulative_hazard: hazard,
            variance: match variance {
                CauseHazardVariance::ClusterRobust => Known::NotKnown(WhyNotKnown::TooFewClusters),
                CauseHazardVariance::Aalen => Known::Known(aalen),
                CauseHazardVariance::Binomial => Known::Known(binomial),
            },
        });
    }
    if variance == CauseHazardVariance::ClusterRobust && observations.clusters_present() >= 2 {
        for (step, variance) in steps.iter_mut().zip(sweep(by_cause, cause, &sweep_steps)) {
            step.variance = Known::Known(variance);
        }
    }
    let last_day = ticks_of(observations).checked_sub(1).and_then(|tick| i32::try_from(tick).ok()).map(Days::new);
    CauseSpecificHazard { cause, steps, last_day, variance }
}

/// The cumulative hazard at each horizon, in the order of the horizons.
///
/// Not known without observations and past the last tick at risk; the interval not before the first ending by the cause, nor with
/// too few clusters.
pub fn cause_specific_hazard_at_horizons(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    horizons: &[Days],
    variance: CauseHazardVariance,
    method: CauseHazardIntervalMethod,
    level: ConfidenceLevel,
) -> Vec<Known<Estimate<f64>>> {
    let curve = cause_specific_hazard(by_cause, cause, variance);
    let observations = by_cause.observations();
    let clusters = observations.clusters_present();
    let estimate = |&horizon: &Days| {
        let Some(last_day) = curve.last_day else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        if horizon > last_day {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let after = curve.steps.partition_point(|step| step.day <= horizon);
        let step = after.checked_sub(1).map(|i| &curve.steps[i]);
        let value = step.map_or(0.0, |step| step.cumulative_hazard);
        let variance = step.map_or(Known::NotKnown(WhyNotKnown::NoFailures), |step| step.variance);
        Known::Known(Estimate {
            value,
            standard_error: variance.known().copied().map(libm::sqrt),
            variance: curve.variance.into(),
            interval: variance.map(|variance| limits(value, libm::sqrt(variance), method, level)),
            behind: Behind {
                observations: observations.len() as u64,
                clusters,
                failures: by_cause.ended_by(cause, horizon.count()),
            },
        })
    };
    horizons.iter().map(estimate).collect()
}

fn limits(
    value: f64,
    standard_error: f64,
    method: CauseHazardIntervalMethod,
    level: ConfidenceLevel,
) -> ConfidenceInterval<f64> {
    let reach = normal_quantile_upper(level.tail()) * standard_error;
    let (lower, upper, method) = match method {
        CauseHazardIntervalMethod::Log => {
            let spread = libm::exp(reach / value);
            (value / spread, value * spread, IntervalMethod::Log)
        }
        CauseHazardIntervalMethod::Plain => (f64::max(value - reach, 0.0), value + reach, IntervalMethod::Plain),
    };
    ConfidenceInterval { lower, upper, level, method }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_by_hand() {
        // By hand: 1/10 + 2/8 + 1/5 + 2/4; Aalen 1/100 + 2/64 + 1/25 + 2/16; binomial 9/1000 + 12/512 + 4/125 + 4/64.
        let observations = ten_rows::pooled();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let last = |variance| {
            let curve = cause_specific_hazard(&by_cause, 1, variance);
            let step = *curve.steps.last().expect("steps");
            (step.cumulative_hazard, *step.variance.known().expect("defined"))
        };
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-14, "relative: {a} {b}");
        let binomial = 9.0 / 1000.0 + 12.0 / 512.0 + 4.0 / 125.0 + 4.0 / 64.0;
        close(last(CauseHazardVariance::Aalen).0, 0.1 + 0.25 + 0.2 + 0.5);
        close(last(CauseHazardVariance::Aalen).1, 0.01 + 2.0 / 64.0 + 0.04 + 0.125);
        close(last(CauseHazardVariance::Binomial).1, binomial);
        close(last(CauseHazardVariance::ClusterRobust).1, binomial);
    }

    #[test]
    fn horizons_know_their_limits() {
        let observations = ten_rows::pooled();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let days = [1, 4, 11].map(Days::new);
        let at = cause_specific_hazard_at_horizons(
            &by_cause,
            1,
            &days,
            CauseHazardVariance::Aalen,
            CauseHazardIntervalMethod::Log,
            ConfidenceLevel::USUAL,
        );
        let early = at[0].known().expect("followed");
        assert_eq!(early.interval, Known::NotKnown(WhyNotKnown::NoFailures));
        let later = at[1].known().expect("followed");
        let interval = later.interval.known().expect("defined");
        // By hand: Λ = 0.35, variance 0.04125; symmetric on ln Λ.
        assert!((interval.lower * interval.upper - 0.35 * 0.35).abs() < 1e-15, "absolute");
        let half_width = libm::log(interval.upper / 0.35);
        assert!((half_width - 1.959_963_984_540_054 * libm::sqrt(0.04125) / 0.35).abs() < 1e-14, "absolute");
        assert_eq!(later.behind.failures, 3);
        assert_eq!(at[2], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    }
}
