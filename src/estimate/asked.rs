//! What is asked of a table of times: which columns hold what, and what is to be estimated from them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{ConfidenceLevel, Variance};
use crate::stats::{
    AdjustmentMethod, CensoringReading, HazardIntervalMethod, HazardVarianceFormula, IncidenceVariance, LogTimeFamily,
    ReferenceDistribution, SurvivalIntervalMethod, WeightInfluence, WeightTrimming, Weighting,
};

/// Which columns hold what.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Roles {
    /// Time at which following ended; none where only bounds are known.
    pub time: Option<String>,
    /// Last seen in place; the failure came after that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<String>,
    /// First seen to have failed; empty for those not seen to fail.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Time at which following began; without it, 0 for all.
    pub entry: Option<String>,
    /// How it ended; without it, all failed.
    pub cause: Option<String>,
    /// What stands there for a failure.
    pub failure: String,
    /// What stands there for one still followed when it was last seen. Anything else is a competing cause.
    pub censored: String,
    /// What stands there for one that was lost to follow-up, which is censored, too.
    pub lost: Option<String>,
    /// Groups to compare.
    pub group: Option<String>,
    /// Strata within which groups are compared.
    pub stratum: Option<String>,
    /// What may share its fate.
    pub cluster: Option<String>,
    /// Strata within which clusters are resampled.
    pub resample_within: Option<String>,
    /// Strata within each of which censoring is estimated, for the regression of the subdistribution hazard.
    pub censoring_stratum: Option<String>,
    /// Case weights.
    pub weight: Option<String>,
    /// Covariates that are numbers.
    pub covariates: Vec<String>,
    /// Covariates that are categories, each with its reference level; without one, the first in order.
    pub factors: Vec<(String, Option<String>)>,
}

/// Something that can be estimated or tested.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Want {
    /// Product-limit survival of each group.
    Survival,
    /// Bands that hold the whole curve at once.
    Bands,
    /// Cumulative hazard (Nelson–Aalen) of each group.
    Hazard,
    /// Times by which a part has failed.
    Quantiles,
    /// Restricted mean of each group, and differences between groups.
    Mean,
    /// Differences and ratios of survival between groups.
    Contrasts,
    /// Survival to a time, given survival to an earlier one.
    Conditional,
    /// The actuarial life table.
    LifeTable,
    /// Weighted log-rank tests, their maximum, and the trend over ordered groups.
    Tests,
    /// Tests of every pair of groups, adjusted for their number.
    Pairs,
    /// Cumulative incidence of each cause (Aalen–Johansen), Gray's tests, and bounds for those lost.
    Incidence,
    /// Regression of the subdistribution hazard (Fine–Gray).
    FineGray,
    /// How well each covariate that is a number orders the failures by itself (Harrell's C).
    Concordance,
    /// Proportional-hazards regression (Cox), with its checks.
    Cox,
    /// The same with Firth's penalty.
    Firth,
    /// The same with a gamma frailty shared by cluster.
    Frailty,
    /// Regression of the time itself, by a family of distributions.
    Parametric,
    /// Groups compared with weights from propensities, and adjusted by regression.
    Weighted,
    /// Failures per time under observation, their ratios, and yearly failure rates.
    Rates,
    /// Survival of each group where failures are known only to lie between two times (Turnbull), and score tests.
    Intervals,
    /// Intervals from resampled clusters.
    Bootstrap,
}

/// Which population the weighted groups are to look like.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PopulationAsked {
    /// All: each group stands for everybody.
    Plain,
    /// All, and each group keeps its size.
    #[default]
    Stabilised,
    /// Those who might have been in any group.
    Overlap,
    /// Those of this group.
    Level(String),
}

/// How ties are handled in regression.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum TiesAsked {
    /// Efron's approximation.
    #[default]
    Efron,
    /// Breslow's approximation.
    Breslow,
    /// The discrete conditional likelihood.
    Exact,
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Asked {
    /// Which columns hold what.
    pub roles: Roles,
    /// What to estimate.
    pub want: Vec<Want>,
    /// Times at which survival and the like are read.
    pub at: Vec<f64>,
    /// The earlier time of conditional survival.
    pub given: f64,
    /// How far restricted means reach; without it, the smallest last time of any group.
    pub until: Option<f64>,
    /// Cut points of the actuarial life table.
    pub cuts: Vec<f64>,
    /// Where the bands start; without it, at the first failure.
    pub band_from: Option<f64>,
    /// Where the bands end; without it, at the last failure that leaves somebody.
    pub band_to: Option<f64>,
    /// When following closed: those censored before were lost, unless a value says who was; without it, the last time of all.
    pub closing: Option<f64>,
    /// Values of survival below which the failures of those lost could bring it.
    pub tip_below: Vec<f64>,
    /// Parts that have failed, for the quantiles.
    pub failed_parts: Vec<f64>,
    /// Scores of the groups, in order, for the trend; without them 1, 2, 3 and so on.
    pub scores: Vec<f64>,
    /// How tests weigh failures.
    pub weightings: Vec<Weighting>,
    /// How probabilities are adjusted for the number of pairs.
    pub adjustment: AdjustmentMethod,
    /// Coverage of intervals.
    pub level: ConfidenceLevel,
    /// The scale on which intervals are symmetric.
    pub scale: SurvivalIntervalMethod,
    /// Whether those of a cluster may share their fate.
    pub variance: Variance,
    /// The variance of cumulative hazards.
    pub hazard_variance: HazardVarianceFormula,
    /// The scale on which intervals of cumulative hazards are symmetric.
    pub hazard_scale: HazardIntervalMethod,
    /// The variance of cumulative incidences.
    pub incidence_variance: IncidenceVariance,
    /// ρ of Gray's test: above 0 early differences weigh more.
    pub gray_exponent: f64,
    /// Who can be censored at a time at which others end, in the regression of the subdistribution hazard.
    pub censoring_reading: CensoringReading,
    /// How its estimated weights enter its variance.
    pub weight_influence: WeightInfluence,
    /// What a coefficient of proportional hazards is compared with.
    pub reference_distribution: ReferenceDistribution,
    /// How ties are handled in regression.
    pub ties: TiesAsked,
    /// Covariates that may have decided the group; without any, all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub adjust_for: Vec<String>,
    /// Which population the weighted groups are to look like.
    #[serde(default)]
    pub population: PopulationAsked,
    /// What is done about large weights.
    #[serde(default)]
    pub trimming: WeightTrimming,
    /// Whether propensities are penalised where they separate the groups.
    #[serde(default)]
    pub penalise_separated: bool,
    /// The family of distributions of a parametric regression; without one, all are compared and the best is fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub family: Option<LogTimeFamily>,
    /// Units of time in a year.
    pub year: f64,
    /// A published yearly failure rate to hold the failures against.
    pub published_rate: Option<f64>,
    /// How many resamples.
    pub resamples: u32,
    /// How many permutations the score tests of intervals draw, if any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permutations: Option<u32>,
    /// Whether ratios of the groups are resampled, too.
    pub ratios: bool,
    /// Whether the test by signs of clusters is drawn where clusters are many, too.
    pub draw_signs: bool,
    /// Where the random numbers start.
    pub seed: u64,
    /// What a prediction is for: a value for each covariate.
    pub profile: Vec<(String, String)>,
    /// Whether residuals of the regression are listed.
    pub residuals: bool,
    /// Whether the steps of the curves are listed.
    pub curves: bool,
}

impl Asked {
    /// Fills in the times that were not given: eight evenly spread up to the last, whole where the last is.
    pub fn fill_in_times(&mut self, last: impl FnOnce() -> f64) {
        if self.at.is_empty() {
            let last = last();
            let whole = last.fract().abs() < f64::MIN_POSITIVE && last >= 8.0;
            let part = |part: i32| if whole { (f64::from(part) * last / 8.0).floor() } else { f64::from(part) * last / 8.0 };
            self.at = (1..8).map(part).chain([last]).collect();
            self.at.dedup();
        }
        if self.cuts.is_empty() {
            self.cuts.clone_from(&self.at);
        }
    }

    /// Whether an answer lists something for each cluster, which then has to be named.
    pub fn lists_clusters(&self) -> bool {
        self.roles.cluster.is_some() && (self.residuals || self.want.contains(&Want::Frailty))
    }

    /// All times that are asked for.
    pub fn times(&self) -> Vec<f64> {
        let single = [&self.until, &self.band_from, &self.band_to, &self.closing].into_iter().flatten();
        self.at.iter().chain(&self.cuts).chain(single).chain([&self.given]).copied().collect()
    }
}
