//! An estimate with its interval and with how many stand behind it; or the reason why there is none.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The probability that an interval is built to cover, strictly between 0 and 1; 0.95 unless the protocol says otherwise.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "f64", into = "f64")]
#[schemars(with = "f64")]
pub struct ConfidenceLevel(f64);

impl ConfidenceLevel {
    /// 0.95, the custom of the clinical literature (common practice).
    pub const USUAL: Self = Self(0.95);

    /// The level `value`; none unless it lies strictly between 0 and 1.
    pub fn new(value: f64) -> Option<Self> {
        (value > 0.0 && value < 1.0).then_some(Self(value))
    }

    /// The level as a number between 0 and 1.
    pub const fn value(self) -> f64 {
        self.0
    }

    /// The probability left to each side: (1 − level) / 2.
    pub fn tail(self) -> f64 {
        (1.0 - self.0) / 2.0
    }
}

impl Default for ConfidenceLevel {
    fn default() -> Self {
        Self::USUAL
    }
}

impl TryFrom<f64> for ConfidenceLevel {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        Self::new(value).ok_or_else(|| format!("a confidence level lies between 0 and 1, such as 0.95; this is {value}"))
    }
}

impl From<ConfidenceLevel> for f64 {
    fn from(level: ConfidenceLevel) -> Self {
        level.0
    }
}

/// How an interval was built.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IntervalMethod {
    /// Symmetric on ln(−ln S).
    ComplementaryLogLog,
    /// Symmetric on ln S.
    Log,
    /// Symmetric on the estimate itself, cut at its natural bounds.
    Plain,
    /// Symmetric on the logit of S, ln(S / (1 − S)).
    Logit,
    /// Symmetric on the arcsine of the square root of S.
    ArcsineSquareRoot,
    /// Wilson's score interval for a share.
    Wilson,
    /// Exact limits of a share, from the binomial distribution.
    ClopperPearson,
    /// Put together from score limits of two shares (Newcombe).
    HybridScore,
    /// Put together from the limits of two estimates and their correlation (Zou & Donner).
    FromBothLimits,
    /// Exact (Garwood) limits for a Poisson count.
    ExactPoisson,
    /// Those days at which the pointwise interval of the curve crosses the level asked for (Brookmeyer & Crowley).
    CurveInversion,
    /// Limits of a Poisson count by the mid-p probability.
    MidPPoisson,
    /// Exact limits of a ratio of two counts, given their sum.
    ExactConditional,
    /// Those values that a likelihood-ratio test doesn't reject.
    ProfileLikelihood,
    /// Quantiles of the estimates from resampled clusters.
    BootstrapPercentile,
    /// Such quantiles, corrected for bias and acceleration.
    BootstrapBiasCorrected,
}

/// Which variance stands behind a standard error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Variance {
    /// Restorations of one patient may share their fate: influences are summed by cluster.
    ClusterRobust,
    /// Every observation counts as independent.
    ModelBased,
}

/// A confidence interval: two limits in the unit of the estimate, with the level and method that made them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConfidenceInterval<T> {
    /// Lower limit.
    pub lower: T,
    /// Upper limit.
    pub upper: T,
    /// The coverage that it is built for.
    pub level: ConfidenceLevel,
    /// How it was built.
    pub method: IntervalMethod,
}

/// How many stand behind a number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Behind {
    /// Observations (in the registry: restorations).
    pub observations: u64,
    /// Independent pieces (in the registry: patients).
    pub clusters: u64,
    /// Failures.
    pub failures: u64,
}

/// A value, its standard error and interval, which variance was used, and how many stand behind it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate<T> {
    /// The point estimate.
    pub value: T,
    /// Standard error in the unit of the value; absent where the method has none (exact limits).
    pub standard_error: Option<f64>,
    /// The variance behind standard error and interval.
    pub variance: Variance,
    /// Confidence interval, or why there is none.
    pub interval: Known<ConfidenceInterval<T>>,
    /// How many stand behind it.
    pub behind: Behind,
}

/// A value, or the reason why it is not known. In JSON a value is `{"known": …}` and a reason `{"not_known": "…"}`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub enum Known<T> {
    /// The value.
    #[serde(rename = "known")]
    Known(T),
    /// Why there is none.
    #[serde(rename = "not_known")]
    NotKnown(WhyNotKnown),
}

impl<T> Known<T> {
    /// The value, if there is one.
    pub const fn known(&self) -> Option<&T> {
        match self {
            Self::Known(value) => Some(value),
            Self::NotKnown(_) => None,
        }
    }

    /// The value turned into another; a reason stays as it is.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> Known<U> {
        match self {
            Self::Known(value) => Known::Known(change(value)),
            Self::NotKnown(why) => Known::NotKnown(why),
        }
    }
}

/// Why a number is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WhyNotKnown {
    /// The curve does not come down that far.
    NotReached,
    /// Nobody was followed that long.
    PastLastFollowUp,
    /// There is nothing to estimate from.
    NoObservations,
    /// Fewer independent pieces than a robust variance needs (two).
    TooFewClusters,
    /// The observations of each independent piece make up for each other, so that a robust variance vanishes.
    NoSpread,
    /// Fewer groups with observations than a comparison needs (two).
    TooFewGroups,
    /// No failure so far, so this quantity has no spread to estimate.
    NoFailures,
    /// The estimate sits at an end of its range, where this interval method has no limits.
    AtBoundary,
    /// Fewer stand behind it than the protocol lets be shown.
    TooFewToShow,
    /// All of them failed on or before this day, so the variance is not defined.
    AllFailed,
    /// A combination of the covariates tells who fails without error, so a coefficient has no finite value.
    Separated,
    /// A covariate doesn't vary, or is made up of the others.
    Collinear,
    /// The iterations did not settle.
    NotConverged,
    /// A covariate, or a time, is not a number.
    NotANumber,
    /// Only one level occurs, or all are tied, so there is nothing to compare.
    NoVariation,
    /// The exact calculation would take more work than it is allowed.
    BeyondExactWork,
    /// No number does what was asked, however large or small.
    OutOfReach,
    /// Something given to reckon with lies outside its range.
    OutsideItsRange,
}
