//! One factor compared under one endpoint: the levels, how they differ, what was found crude and adjusted, and what may be said.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::group::{FactorOrigin, GroupReview};
use super::guard::Guard;
use super::recall::RecallReview;
use super::review::{EndpointFlow, Exclusion, Flow};
use super::verdict::{PublishedFinding, Verdict};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Day, Days, Estimate, Fraction, IntervalMethod, Known, Variance};
use crate::record::{Criterion, Standing};
use crate::stats::distribution::TailProbability;
use crate::stats::{
    ClusteredShare, ClusteredShareContrast, ColumnBalance, CoxCoefficient, EValue, GrayTest, InnermostInterval,
    IntervalBootstrapEstimate, IntervalScoreTest, LevelWeights, LogTimeFamily, PairwiseTests, PropensityOverlap,
    RegressionTest, RestrictedMeanContrast, SurvivalContrast, SurvivalRange, TimeScale, WeightedComparison,
    WeightedLogRankTest, WeightedPopulation,
};

/// Something that was computed, or the sentence that says why it could not be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Computed<T> {
    /// What was found.
    Computed(T),
    /// Why there is nothing.
    NotComputed(String),
}

impl<T> Computed<T> {
    /// What was found, if anything.
    pub const fn computed(&self) -> Option<&T> {
        match self {
            Self::Computed(value) => Some(value),
            Self::NotComputed(_) => None,
        }
    }
}

/// Everything that a comparison found. Levels are named by their place in `levels`; the reference is always one of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// Version of this layout.
    pub format: u32,
    /// Version of the program.
    pub program_version: String,
    /// What is compared, as a title: `Loss of retention by etch strategy`.
    pub title: String,
    /// The records as they stood on this day.
    pub as_of: Day,
    /// First day in the records used.
    pub first_day: Option<Day>,
    /// Last day in the records used.
    pub last_day: Option<Day>,
    /// SHA-256 of the protocol's canonical text.
    pub protocol_fingerprint: String,
    /// SHA-256 over the record files' names and bytes.
    pub data_fingerprint: String,
    /// Level of every interval.
    pub confidence_level: ConfidenceLevel,
    /// Interval method of survival.
    pub interval_method: IntervalMethod,
    /// Variance behind the standard errors of survival.
    pub variance: Variance,
    /// Which day a failure is dated to.
    pub failure_day: crate::protocol::FailureDayReading,
    /// The horizon at which the verdict is read.
    pub headline_day: Days,
    /// To where mean time in place is taken.
    pub restricted_mean_day: Days,
    /// Fewest at risk for a curve to be drawn.
    pub least_at_risk: u32,
    /// The smallest difference in survival at the horizon that would matter, as the protocol says.
    pub relevant_difference: Fraction,
    /// What is compared.
    pub factor: ComparedFactor,
    /// What counts as failure.
    pub endpoint: ComparedEndpoint,
    /// From the records received to those of the review.
    pub flow: Flow,
    /// From those to the ones that the endpoint analyses.
    pub endpoint_flow: EndpointFlow,
    /// From those to the ones that are compared, by reason.
    pub not_compared: Vec<Exclusion>,
    /// The levels compared.
    pub levels: Vec<ComparedLevel>,
    /// The place of the reference among the levels.
    pub reference: u16,
    /// Patients with restorations in more than one level.
    pub shared: SharedPatients,
    /// How levels differ in what the protocol names, before weighting and after; after is the same as before where there are no weights.
    pub balance: Vec<ColumnBalance>,
    /// Without adjustment.
    pub crude: Crude,
    /// With adjustment for what the protocol names.
    pub adjusted: Computed<Adjusted>,
    /// Within patients who have both.
    pub within_patients: Computed<WithinPatients>,
    /// Criteria by level at each recall.
    pub criteria: Vec<CriterionComparison>,
    /// What goes with failure when all are looked at together.
    pub together: Computed<Together>,
    /// What was published about these levels.
    pub published: Vec<PublishedFinding>,
    /// What weakens the comparison.
    pub guards: Vec<Guard>,
    /// What may be said, of each level against the reference.
    pub verdicts: Vec<Verdict>,
}

impl Comparison {
    /// What people read of the level at a place.
    pub fn label(&self, level: u16) -> &str {
        self.levels.get(usize::from(level)).map_or("", |level| level.group.label.as_str())
    }

    /// What people read of a level by its code; the code itself where nobody has it.
    pub fn label_of<'a>(&'a self, code: &'a str) -> &'a str {
        let level = self.levels.iter().find(|level| level.group.level == code);
        level.map_or(code, |level| level.group.label.as_str())
    }
}

/// What is compared.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ComparedFactor {
    /// The factor's column name.
    pub name: String,
    /// What people read.
    pub label: String,
    /// Where the factor comes from.
    pub origin: FactorOrigin,
}

/// What counts as failure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ComparedEndpoint {
    /// Its name in files.
    pub name: String,
    /// What the failure is called.
    pub title: String,
    /// What the opposite is called.
    pub survival_title: String,
    /// Its definition.
    pub definition: String,
}

/// One level of the factor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ComparedLevel {
    /// The group's curve, counts, horizons and rates.
    pub group: GroupReview,
    /// Operators who placed them, of those that are named.
    pub operators: u64,
    /// First day placed.
    pub first_placed: Day,
    /// Last day placed.
    pub last_placed: Day,
    /// A quarter of them was placed by this day.
    pub early_quarter: Day,
    /// Three quarters of them were placed by this day.
    pub late_quarter: Day,
    /// The recalls.
    pub recalls: Vec<RecallReview>,
}

/// Patients with restorations in more than one level.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SharedPatients {
    /// Patients compared.
    pub patients: u64,
    /// Those with restorations in two or more levels.
    pub in_several: u64,
    /// Restorations of those.
    pub restorations: u64,
}

/// A level against the reference. Differences are the level less the reference, mean times in days, ratios level over reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrudePair {
    /// The place of the level.
    pub level: u16,
    /// Survival at each horizon, mean time in place, hazard ratio.
    pub comparison: WeightedComparison,
}

/// Without adjustment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Crude {
    /// Are the levels alike? The log-rank test, patient-clustered; none where the protocol's guards forbid it.
    pub test: Computed<WeightedLogRankTest>,
    /// The same for every pair, corrected for their number.
    pub pairs: Option<PairwiseTests>,
    /// Each level against the reference.
    pub contrasts: Vec<CrudePair>,
    /// Whether hazards are proportional.
    pub proportionality: Known<RegressionTest>,
    /// How time enters that test.
    pub proportionality_scale: TimeScale,
    /// Survival by level with failures known only to lie between two visits.
    pub between_visits: Vec<BetweenVisits>,
    /// Are the levels alike by that reading? The generalised log-rank (score) test.
    pub between_visits_test: Computed<IntervalScoreTest>,
    /// The whole curves by that reading.
    #[serde(default)]
    pub between_visits_curves: Vec<BetweenVisitsCurve>,
    /// Cumulative incidence by level, where competing events are not rare.
    pub incidence: Option<IncidenceByLevel>,
}

/// With fewer failures than this, limits from resampled patients are left out: of so few failures resamples hold too few more, so that the
/// lower limit lies too high.
pub const LEAST_RESAMPLED_FAILURES: u64 = 5;

/// A level's survival with failures known only to lie between two visits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BetweenVisits {
    /// The place of the level.
    pub level: u16,
    /// The day.
    pub day: Days,
    /// Survival; a range where the data say no more.
    pub survival: Known<SurvivalRange>,
    /// Its interval from resampled patients; none where restorations are so many that it would be too narrow to matter, or failures fewer
    /// than [`LEAST_RESAMPLED_FAILURES`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resampled: Option<IntervalBootstrapEstimate>,
}

/// A level's whole curve with failures known only to lie between two visits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BetweenVisitsCurve {
    /// The place of the level.
    pub level: u16,
    /// The innermost intervals that hold mass, in order.
    pub intervals: Vec<InnermostInterval>,
}

/// Cumulative incidence by level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidenceByLevel {
    /// Gray's test of the failures, patient-clustered.
    pub test: Known<GrayTest>,
    /// At each level and horizon.
    pub at: Vec<IncidenceAt>,
    /// Each level's whole curves.
    #[serde(default)]
    pub curves: Vec<IncidenceCurve>,
}

/// A level's curves of cumulative incidence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidenceCurve {
    /// The place of the level.
    pub level: u16,
    /// Failure: a point at each day with failures; 0 before the first.
    pub failed: Vec<IncidencePoint>,
    /// Ended otherwise.
    pub otherwise: Vec<IncidencePoint>,
}

/// A point of a curve of cumulative incidence: what holds from this day on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidencePoint {
    /// Days since placement.
    pub day: Days,
    /// The part that has ended so.
    pub incidence: Fraction,
    /// Its pointwise interval.
    pub interval: Known<ConfidenceInterval<Fraction>>,
}

/// Cumulative incidence at a horizon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidenceAt {
    /// The place of the level.
    pub level: u16,
    /// The horizon.
    pub day: Days,
    /// Failed by then.
    pub failed: Known<Estimate<Fraction>>,
    /// Ended otherwise by then.
    pub otherwise: Known<Estimate<Fraction>>,
}

/// With adjustment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Adjusted {
    /// What is adjusted for, as people read it.
    pub adjusted_for: Vec<String>,
    /// What the protocol names and can't be adjusted for here, with the reason.
    pub set_aside: Vec<CovariateSetAside>,
    /// Restorations with all of it, on which the adjusted numbers and the crude ones beside them rest.
    pub restorations: u64,
    /// Left out because something is not recorded.
    pub left_out: u64,
    /// For whom the weights speak.
    pub population: WeightedPopulation,
    /// The weights of each level.
    pub weights: Vec<LevelWeights>,
    /// How far propensities overlap.
    pub overlap: Vec<PropensityOverlap>,
    /// Whether propensities were penalised, since something separates the levels.
    pub penalised: bool,
    /// Each level against the reference.
    pub pairs: Vec<AdjustedPair>,
}

/// A covariate that is not adjusted for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CovariateSetAside {
    /// What people read.
    pub label: String,
    /// Why.
    pub why: String,
}

/// A level against the reference, adjusted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AdjustedPair {
    /// The place of the level.
    pub level: u16,
    /// Survival and mean without adjustment, on the restorations that have all that is adjusted for.
    pub crude: WeightedComparison,
    /// By weighting.
    pub weighted: WeightedComparison,
    /// By regression.
    pub regression: Computed<RegressionPair>,
    /// How strong an unmeasured difference would have to be to explain the weighted hazard ratio away.
    pub e_value: Known<EValue>,
}

/// A level against the reference by regression, as if all restorations had been of the one level and then of the other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RegressionPair {
    /// Survival at each horizon.
    pub survival: Vec<Known<SurvivalContrast>>,
    /// Mean time in place, in days.
    pub restricted_mean: Known<RestrictedMeanContrast>,
    /// Hazard ratio.
    pub hazard_ratio: CoxCoefficient,
}

/// Within patients who have both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WithinPatients {
    /// Patients with restorations in two or more levels.
    pub patients: u64,
    /// Their restorations.
    pub restorations: u64,
    /// Their failures.
    pub failures: u64,
    /// Patients in whom one level failed while another was at risk: only they inform.
    pub informative_patients: u64,
    /// Hazard ratio of each level over the reference, patient by patient.
    pub hazard_ratios: Vec<CoxCoefficient>,
    /// The log-rank test within patients.
    pub test: Known<WeightedLogRankTest>,
}

/// One criterion at one recall, by level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CriterionComparison {
    /// The criterion.
    pub criterion: Criterion,
    /// The recall, in months.
    pub months: u16,
    /// At least this standing: ideal, or acceptable and better.
    pub standing: Standing,
    /// The share of each level.
    pub shares: Vec<Known<ClusteredShare>>,
    /// Each level against the reference.
    pub contrasts: Vec<CriterionContrast>,
    /// Are the levels alike?
    pub probability: Known<TailProbability>,
    /// The same, corrected for the number of criteria and recalls.
    pub corrected: Known<f64>,
}

/// A criterion's share of a level against that of the reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CriterionContrast {
    /// The place of the level.
    pub level: u16,
    /// Shares and their difference.
    pub contrast: Known<ClusteredShareContrast>,
}

/// What goes with failure when all are looked at together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Together {
    /// What was looked at.
    pub covariates: Vec<String>,
    /// Restorations with all of it.
    pub restorations: u64,
    /// Their failures.
    pub failures: u64,
    /// Coefficients.
    pub coefficients: u64,
    /// Whether Firth's penalty was laid on the proportional-hazards model, since failures are few.
    pub penalised: bool,
    /// Hazard ratios of the proportional-hazards model.
    pub hazards: Vec<TogetherLine>,
    /// Why there are none.
    pub no_hazards: Option<String>,
    /// The family of the interval-censored model.
    pub family: LogTimeFamily,
    /// Hazard ratios (of a Weibull fit) with failures known only to lie between two visits.
    pub between_visits: Vec<TogetherLine>,
    /// Restorations that came under observation late and ended otherwise before they were seen in place: they tell this model nothing.
    #[serde(default)]
    pub silent_between_visits: u64,
    /// Why there are none.
    pub no_between_visits: Option<String>,
}

/// One line of a model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TogetherLine {
    /// What it is about.
    pub covariate: String,
    /// The level, where it has levels; against `reference`.
    pub level: Option<String>,
    /// The level that it is held against.
    pub reference: Option<String>,
    /// How many restorations are of this level; all, for a number.
    pub restorations: u64,
    /// Hazard ratio; of a number, for one unit more.
    pub hazard_ratio: Estimate<f64>,
    /// p of no difference.
    pub p_value: Known<f64>,
}
