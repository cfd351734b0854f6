//! What is watched, and against what.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{AnnualRate, Day, Days, Fraction, Known};
use crate::stats::{AfterSignal, BenchmarkHazard, FunnelOptions, Replicates};

/// Which columns hold what.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WatchRoles {
    /// The day placed.
    pub placed: String,
    /// The day on which following ended; none if its length is given.
    pub ended: Option<String>,
    /// Days from the day placed to the end of following; none if its day is given.
    pub days: Option<String>,
    /// The day from which it was followed; none if all were from the day placed.
    pub followed_from: Option<String>,
    /// How it ended.
    pub cause: String,
    /// What stands there for a failure.
    pub failure: String,
    /// What stands there for one still in place. Any other value ends following without a failure, too.
    pub censored: String,
    /// The patient, whose restorations may share their fate.
    pub cluster: Option<String>,
    /// The operator, the lot: what the funnel puts side by side.
    pub unit: Option<String>,
}

/// What failures are held against.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Benchmark {
    /// So many failures for one restoration-year, at any age.
    YearlyRate(AnnualRate),
    /// The share in place at days since placing, straight cumulative hazards in between.
    Kept(Vec<(Days, Fraction)>),
}

impl Benchmark {
    /// The hazard that it means; not known where a curve doesn't fall.
    pub fn hazard(&self) -> Known<BenchmarkHazard> {
        match self {
            Self::YearlyRate(rate) => BenchmarkHazard::of_rate(*rate),
            Self::Kept(points) => BenchmarkHazard::of_survival(points),
        }
    }
}

/// How the limit of the sum is set.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LimitAsked {
    /// By the probability that chance alone exceeds it within the period watched.
    FalseAlarms(Fraction),
    /// By how many failures are expected, on average, until chance alone exceeds it.
    RunLength(f64),
    /// As given.
    At(f64),
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WatchAsked {
    /// Which columns hold what.
    pub roles: WatchRoles,
    /// What failures are held against.
    pub benchmark: Benchmark,
    /// How many times the benchmark's failures are looked for: below 1, fewer.
    pub ratio: f64,
    /// How the limit is set.
    pub limit: LimitAsked,
    /// What becomes of the sum after a signal.
    pub after_signal: AfterSignal,
    /// First day watched; none for the first of all.
    pub first: Option<Day>,
    /// Last day watched; none for the last of all.
    pub last: Option<Day>,
    /// Variance of the frailty that restorations of a patient share; none if all are taken as independent.
    pub frailty_variance: Option<f64>,
    /// What is drawn.
    pub replicates: Replicates,
    /// How the funnel is built.
    pub funnel: FunnelOptions,
    /// How long after it was placed each restoration is judged once, too; none if not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged_after: Option<Days>,
}
