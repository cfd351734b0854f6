//! The cumulative hazard (Nelson–Aalen).
//!
//! Definition.  Λ(t) = Σ over ticks u ≤ t of failed(u) / at_risk(u).
//! Variance.    Poisson: Σ d/n². Binomial, which allows for ties: Σ d(n − d)/n³. Cluster-robust: the influence of observation i
//!              on Λ(t) is Σ over u ≤ t of (dN_i(u) − Y_i(u)·d(u)/n(u)) / n(u), summed by cluster and squared.
//! Interval.    Plain Λ ± z·s, cut at 0; log Λ·exp(± z·s/Λ).
//! Source.      Nelson W. J Qual Technol 1969;1:27–52; Aalen O. Ann Stat 1978;6:701–726; both variances: Klein JP. Scand J Stat
//!              1991;18:333–340 (all from memory).
//! Decided.     Where all at risk fail the hazard adds 1 and goes on: late entries may follow. Past the last tick at risk it is
//!              not known, also where all have failed: survival is 0 then, but no hazard follows from that.
//!              With case weights, sums of weights take the place of the counts.
//! Check.       Without late entries, and each observation its own cluster, the robust variance is the binomial one.
//! Cost.        One pass over the ticks; the robust variance O(observations + ticks + clusters).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cluster_influence::{Jump, variance_at_each_jump};
use super::clustered::Clustered;
use super::distribution::normal_quantile_upper;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::WeightSums;
use super::weighted_life_table::WeightedLifeTable;
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// Which variance of the cumulative hazard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HazardVarianceFormula {
    /// Model-based, failures of a tick as a Poisson count: Σ d/n².
    #[default]
    Poisson,
    /// Model-based, failures of a tick as a binomial count: Σ d(n − d)/n³.
    Binomial,
    /// Influences summed by cluster.
    ClusterRobust,
}

/// The scale on which an interval of the cumulative hazard is symmetric.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HazardIntervalMethod {
    /// Symmetric on ln Λ.
    #[default]
    Log,
    /// Symmetric on Λ, cut at 0.
    Plain,
}

/// A tick with failures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HazardStep {
    /// The tick.
    pub day: Days,
    /// How many were at risk.
    pub at_risk: u64,
    /// How many of them failed.
    pub failed: u64,
    /// The sums of their case weights; none where every one weighs 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weights: Option<WeightSums>,
    /// Λ with the failures of this tick.
    pub cumulative_hazard: f64,
    /// The variance of Λ.
    pub variance: Known<f64>,
}

/// The cumulative hazard: its steps, and how far it is known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CumulativeHazard {
    steps: Vec<HazardStep>,
    last_day: Option<Days>,
    formula: HazardVarianceFormula,
    observations: u64,
    clusters: u64,
}

/// The cumulative hazard of these observations.
///
/// With the cluster-robust formula and fewer than two clusters, each variance is not known for that reason.
pub fn cumulative_hazard(observations: &Observations, formula: HazardVarianceFormula) -> CumulativeHazard {
    let table = LifeTable::count(observations);
    let mut steps = Vec::new();
    let weighted = observations.weights().map(|_| WeightedLifeTable::count(observations));
    let weights = weighted.as_ref().map(|table| (table.at_risk(), table.failed()));
    let (mut sum, mut variance) = (0.0, 0.0);
    let mut jumps = Vec::new();
    for ((day, at_risk), &failed) in (0..).zip(table.at_risk()).zip(table.failed()) {
        if failed == 0 {
            continue;
        }
        let tick = day as usize;
        let weights = weights.as_ref().map(|(n, d)| WeightSums { at_risk: n[tick], failed: d[tick] });
        let (n, d) = weights.map_or((at_risk as f64, failed as f64), |sums| (sums.at_risk, sums.failed));
        sum += d / n;
        variance += match formula {
            HazardVarianceFormula::Poisson => d / (n * n),
            // A failure of all leaves no spread; said by the counts, so that rounded sums of weights don't say otherwise.
            HazardVarianceFormula::Binomial if at_risk == failed => 0.0,
            HazardVarianceFormula::Binomial | HazardVarianceFormula::ClusterRobust => d * (n - d) / (n * n * n),
        };
        jumps.push(Jump { day, hazard: d / (n * n), failure: 1.0 / n });
        let variance = Known::Known(variance);
        steps.push(HazardStep { day: Days::new(day), at_risk, failed, weights, cumulative_hazard: sum, variance });
    }
    let clusters = observations.clusters_present();
    if formula == HazardVarianceFormula::ClusterRobust {
        let enough = clusters >= 2;
        let robust =
            if enough { variance_at_each_jump(&jumps, &Clustered::of(observations)) } else { vec![0.0; jumps.len()] };
        for (step, variance) in steps.iter_mut().zip(robust) {
            step.variance = if enough { Known::Known(variance) } else { Known::NotKnown(WhyNotKnown::TooFewClusters) };
        }
    }
    CumulativeHazard { steps, last_day: table.last_day(), formula, observations: table.total(), clusters }
}

impl CumulativeHazard {
    /// The ticks with failures, in order.
    pub fn steps(&self) -> &[HazardStep] {
        &self.steps
    }

    /// The last tick at risk; none without observations.
    pub fn last_day_at_risk(&self) -> Option<Days> {
        self.last_day
    }

    /// Λ at a tick, its failures included.
    ///
    /// Not known without observations and past the last tick at risk; before the first failure Λ is 0, with neither a standard
    /// error nor an interval.
    pub fn at(&self, day: Days, method: HazardIntervalMethod, level: ConfidenceLevel) -> Known<Estimate<f64>> {
        let Some(last_day) = self.last_day else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        if day > last_day {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let steps = &self.steps[..self.steps.partition_point(|step| step.day <= day)];
        let failures = steps.iter().map(|step| step.failed).sum();
        let (value, variance) = match steps.last() {
            None => (0.0, Known::NotKnown(WhyNotKnown::NoFailures)),
            Some(step) => (step.cumulative_hazard, step.variance),
        };
        let error = variance.map(libm::sqrt);
        let variance = match self.formula {
            HazardVarianceFormula::ClusterRobust => Variance::ClusterRobust,
            HazardVarianceFormula::Poisson | HazardVarianceFormula::Binomial => Variance::ModelBased,
        };
        let behind = Behind { observations: self.observations, clusters: self.clusters, failures };
        let interval = error.map(|error| hazard_interval(value, error, method, level));
        Known::Known(Estimate { value, standard_error: error.known().copied(), variance, interval, behind })
    }
}

fn hazard_interval(value: f64, error: f64, method: HazardIntervalMethod, level: ConfidenceLevel) -> ConfidenceInterval<f64> {
    let reach = normal_quantile_upper(level.tail()) * error;
    let (lower, upper, method) = match method {
        HazardIntervalMethod::Plain => ((value - reach).max(0.0), value + reach, IntervalMethod::Plain),
        HazardIntervalMethod::Log => {
            let spread = libm::exp(reach / value);
            (value / spread, value * spread, IntervalMethod::Log)
        }
    };
    ConfidenceInterval { lower, upper, level, method }
}

#[cfg(test)]
mod tests {
    use super::super::observation::Ending;
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_by_hand() {
        // By hand: 1/10; + 2/8; + 1/5; + 2/4. Poisson: 1/100; + 2/64; + 1/25; + 2/16. Binomial: 9/1000; + 12/512; + 4/125; + 4/64.
        let hazards = [0.1, 0.35, 0.55, 1.05];
        let poisson = [0.01, 0.041_25, 0.081_25, 0.206_25];
        let binomial = [0.009, 0.032_437_5, 0.064_437_5, 0.126_937_5];
        for (formula, variances) in [
            (HazardVarianceFormula::Poisson, poisson),
            (HazardVarianceFormula::Binomial, binomial),
            (HazardVarianceFormula::ClusterRobust, binomial),
        ] {
            let found = cumulative_hazard(&ten_rows::pooled(), formula);
            assert_eq!(found.steps().len(), 4);
            for ((step, hazard), variance) in found.steps().iter().zip(hazards).zip(variances) {
                assert!((step.cumulative_hazard - hazard).abs() < 1e-15, "absolute");
                assert!((step.variance.known().expect("known") - variance).abs() < 1e-15, "absolute, {formula:?}");
            }
        }
    }

    #[test]
    fn the_hazard_goes_on_after_all_have_failed_but_not_past_the_last_at_risk() {
        let mut observations = ten_rows::all_fail();
        observations.push(Days::new(4), Days::new(6), Ending::Failed, 1).expect("in order");
        let found = cumulative_hazard(&observations, HazardVarianceFormula::Poisson);
        let at = |day| found.at(Days::new(day), HazardIntervalMethod::Log, ConfidenceLevel::USUAL);
        // By hand: 1/3 + 1/2 + 1 + 1.
        assert!((at(6).known().expect("known").value - 17.0 / 6.0).abs() < 1e-15, "absolute");
        assert_eq!(at(7), Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        assert_eq!(at(0).known().expect("known").interval, Known::NotKnown(WhyNotKnown::NoFailures));
    }
}
