//! One group of restorations under one endpoint: curve, counts, horizons, rates.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{AnnualRate, Behind, ConfidenceInterval, Days, Estimate, Fraction, Known, Variance, Years};
use crate::stats::SurvivalRange;

/// Where a factor comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FactorOrigin {
    /// What was done or used: a choice at the chair.
    ChosenAtChair,
    /// What the patient, the tooth, the lesion or the operator brought.
    Given,
    /// A column of the practice's own, which may be either.
    Own,
}

/// All levels of one factor under one endpoint, with the comparison.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FactorReview {
    /// The factor's column name.
    pub factor: String,
    /// What people read.
    pub label: String,
    /// Where the factor comes from.
    pub origin: FactorOrigin,
    /// Restorations without a value for this factor, left out of the comparison.
    pub missing: u64,
    /// Restorations of levels with fewer patients than the protocol's smallest cell, left out of the comparison.
    pub hidden: u64,
    /// The levels, in the order of the vocabulary.
    pub groups: Vec<GroupReview>,
    /// The log-rank test of all levels, patient-clustered first, then the model-based one; none where the protocol's guards forbid it.
    pub tests: Vec<TestReview>,
    /// Why there is no test, where there is none.
    pub not_tested: Option<String>,
}

/// One log-rank test of no difference between the levels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TestReview {
    /// Whether restorations of one patient count as independent.
    pub variance: Variance,
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of as large a statistic if there were no difference.
    pub p_value: f64,
    /// Its natural logarithm, for when the probability is too small for a number.
    pub ln_p_value: f64,
}

/// One group of restorations under one endpoint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupReview {
    /// The level's code; `all` for everybody.
    pub level: String,
    /// What people read.
    pub label: String,
    /// Restorations, patients, failures over the whole follow-up.
    pub behind: Behind,
    /// Competing events.
    pub competing: u64,
    /// Censored.
    pub censored: u64,
    /// Time at risk, in restoration-years.
    pub exposure_years: Years,
    /// Median follow-up in days by the reverse product-limit estimate (censoring as the event), where reached.
    pub median_follow_up_days: Known<Days>,
    /// The product-limit curve: a point at each day with failures; survival is 1 before the first.
    pub curve: Vec<CurvePoint>,
    /// The last day on which at least the protocol's minimum is at risk; the curve is drawn to here and no further. Day 0 where
    /// so many never were. Earlier where up to there the curve and the reading between visits part.
    pub drawn_to_day: Days,
    /// The last day on which at least the protocol's minimum is at risk, whatever the readings say.
    #[serde(default = "day_zero")]
    pub enough_until: Days,
    /// Where the curve and the reading between visits part, if they do.
    #[serde(default)]
    pub readings_part: Option<ReadingsPart>,
    /// The counts at the protocol's horizons and at day 0; they add up.
    pub counts: Vec<Counts>,
    /// Survival and annual failure at each horizon.
    pub horizons: Vec<HorizonReview>,
    /// Days by which a tenth, a quarter and a half have failed.
    pub quantiles: Vec<QuantileReview>,
    /// The mean time in place up to the protocol's horizon.
    pub restricted_mean: RestrictedMeanReview,
    /// Failures per restoration-year over the whole follow-up. Limits are exact Poisson limits or those by patient, symmetric on the
    /// logarithm, whichever lie farther out; exact Poisson limits alone where the protocol takes every filling as independent.
    pub person_time: Known<AnnualFailure>,
}

const fn day_zero() -> Days {
    Days::new(0)
}

/// The reading between visits rests on so many restorations of a group at most; of larger ones on every second, third and so on: its error
/// is a few in a thousand then.
pub const BETWEEN_VISITS_ROWS: usize = 50_000;

/// A day on which the curve, with failures on the day they were found, lies farther from the reading between visits than either bears.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingsPart {
    /// Days since placement.
    pub day: Days,
    /// Survival by the day found.
    pub day_found: Fraction,
    /// Survival between visits.
    pub between_visits: SurvivalRange,
}

/// A point of a survival curve: what holds from this day on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurvePoint {
    /// Days since placement.
    pub day: Days,
    /// Survival from this day on.
    pub survival: Fraction,
    /// Pointwise interval; unknown before the first failure.
    pub interval: Known<ConfidenceInterval<Fraction>>,
    /// At risk just before.
    pub at_risk: u64,
    /// Failed on this day.
    pub failed: u64,
}

/// The counts just before a day. at_risk + failed + competing + censored + not_yet_entered = all of the group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Counts {
    /// Days since placement.
    pub day: Days,
    /// Still followed just before this day.
    pub at_risk: u64,
    /// Failed before this day.
    pub failed: u64,
    /// Ended by a competing event before this day.
    pub competing: u64,
    /// Censored before this day.
    pub censored: u64,
    /// Came under observation only later.
    pub not_yet_entered: u64,
}

/// Survival and annual failure at one horizon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HorizonReview {
    /// Months since placement, as the protocol says; annual rates take months / 12 as their years.
    pub months: u16,
    /// The same as whole days.
    pub day: Days,
    /// At risk just before.
    pub at_risk: u64,
    /// Patients among them.
    pub patients_at_risk: u64,
    /// Whether fewer are at risk than the protocol asks for, so that the number rests on few.
    pub few_at_risk: bool,
    /// Survival with the protocol's variance.
    pub survival: Known<Estimate<Fraction>>,
    /// Survival if failures came at any time between the visits on either side of them (Turnbull), as far as it is known.
    #[serde(default)]
    pub between_visits: Option<SurvivalRange>,
    /// Standard error of survival if every restoration were independent (Greenwood), for comparison.
    pub model_based_standard_error: Option<f64>,
    /// Annual failure rate, geometric, from survival at this horizon.
    pub geometric: Known<AnnualFailure>,
    /// Annual failure rate, linear, from survival at this horizon.
    pub linear: Known<AnnualFailure>,
}

/// The three formulas of the annual failure rate, all in print; each number names its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AnnualFormula {
    /// 1 − S^(1/z).
    Geometric,
    /// (1 − S) / z.
    Linear,
    /// Failures / restoration-years.
    PersonTime,
}

/// An annual failure rate with its formula and its years.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AnnualFailure {
    /// The formula.
    pub formula: AnnualFormula,
    /// The years z of the formula; for person-time the restoration-years.
    pub years: Years,
    /// The rate.
    pub rate: Estimate<AnnualRate>,
}

/// The day by which a share has failed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct QuantileReview {
    /// The share failed.
    pub failed: Fraction,
    /// First day with survival at or below 1 − share.
    pub day: Known<Days>,
    /// Lower limit.
    pub lower: Known<Days>,
    /// Upper limit.
    pub upper: Known<Days>,
}

/// The mean time in place up to a horizon: the area under the curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestrictedMeanReview {
    /// The horizon.
    pub horizon: Days,
    /// The mean in years, with the protocol's variance.
    pub mean: Known<Estimate<Years>>,
}

impl GroupReview {
    /// The review at one horizon.
    pub fn horizon(&self, day: Days) -> Option<&HorizonReview> {
        self.horizons.iter().find(|horizon| horizon.day == day)
    }

    /// Survival on a day, read from the curve (drawn part only).
    pub fn survival_on(&self, day: Days) -> Fraction {
        self.curve.iter().take_while(|point| point.day <= day).last().map_or(Fraction::new(1.0), |point| point.survival)
    }
}
