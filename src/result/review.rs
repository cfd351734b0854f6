//! The whole review.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::caution::Caution;
use super::course::{Course, FailedRestoration, ToothCount, YearReview};
use super::group::{AnnualFormula, FactorReview, GroupReview};
use super::recall::{CriterionReview, RecallReview};
use crate::quantity::{ConfidenceLevel, Day, Days, IntervalMethod, Variance, Years};

/// Everything that a review found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Review {
    /// Version of this layout.
    pub format: u32,
    /// Version of the program.
    pub program_version: String,
    /// The protocol's title.
    pub title: String,
    /// The records as they stood on this day.
    pub as_of: Day,
    /// First and last day in the records used.
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
    /// The horizon of the headline.
    pub headline_day: Days,
    /// Fewest at risk for a curve to be drawn.
    pub least_at_risk: u32,
    /// How many of what.
    pub totals: Totals,
    /// Received, excluded and why, analysed.
    pub flow: Flow,
    /// The endpoints, headline first.
    pub endpoints: Vec<EndpointReview>,
    /// The recall windows.
    pub recalls: Vec<RecallReview>,
    /// Criteria scores per recall.
    pub criteria: Vec<CriterionReview>,
    /// Published rates to stand beside the practice's own.
    pub benchmarks: Vec<Benchmark>,
    /// What weakens these results.
    pub cautions: Vec<Caution>,
    /// Odd but allowed things in the records, counted by kind.
    pub notices: Vec<NoticeCount>,
}

/// How many of what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Totals {
    /// Restorations analysed.
    pub restorations: u64,
    /// Patients among them.
    pub patients: u64,
    /// Visits used.
    pub visits: u64,
    /// Failures of the headline endpoint.
    pub failures: u64,
}

/// From what came in to what was analysed. received = excluded + analysed, in restorations; visits likewise.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Flow {
    /// Placements received.
    pub received: u64,
    /// Placements excluded under the first endpoint, by reason; each endpoint has its own list besides.
    pub excluded: Vec<Exclusion>,
    /// Restorations analysed: in a review under the first endpoint; in a comparison those that its endpoint may still leave out, too.
    pub analysed: u64,
    /// Visits received.
    pub visits_received: u64,
    /// Visits left out, by reason.
    pub visits_excluded: Vec<Exclusion>,
    /// Visits used.
    pub visits_used: u64,
}

/// A reason to leave rows out, and how many.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Exclusion {
    /// The reason, in words.
    pub reason: String,
    /// How many.
    pub count: u64,
}

/// One endpoint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EndpointReview {
    /// Its name in files.
    pub name: String,
    /// What the failure is called.
    pub title: String,
    /// What the opposite is called.
    pub survival_title: String,
    /// Its definition.
    pub definition: String,
    /// All restorations.
    pub all: GroupReview,
    /// By factor.
    pub factors: Vec<FactorReview>,
    /// Which restorations it analyses.
    pub flow: EndpointFlow,
    /// Tooth by tooth.
    #[serde(default)]
    pub teeth: Vec<ToothCount>,
    /// Restorations on teeth with fewer patients than the protocol shows, in none of those numbers.
    #[serde(default)]
    pub teeth_hidden: u64,
    /// Year by year.
    #[serde(default)]
    pub years: Vec<YearReview>,
    /// The failures, the latest first; no more than a thousand of them.
    #[serde(default)]
    pub failed: Vec<FailedRestoration>,
    /// Restoration by restoration, in a small cohort.
    #[serde(default)]
    pub courses: Vec<Course>,
}

/// From the restorations of a review to those that one endpoint analyses: all of them = excluded + analysed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct EndpointFlow {
    /// Left out, by reason.
    pub excluded: Vec<Exclusion>,
    /// Analysed.
    pub analysed: u64,
    /// Of these, never seen after placement or entry (censored on the day they were last known good).
    pub never_seen: u64,
    /// Of these, under observation only from a later day on.
    pub delayed_entries: u64,
    /// Failures known from a report only.
    pub reported_failures: u64,
}

/// A published annual failure rate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Benchmark {
    /// The factor whose level it belongs to.
    pub factor: String,
    /// The level's code.
    pub level: String,
    /// Where it was published.
    pub source: String,
    /// Its formula, where the source tells it.
    pub formula: Option<AnnualFormula>,
    /// Its years, where the source tells them.
    pub years: Option<Years>,
    /// Mean annual failure, per cent a year.
    pub percent_per_year: f64,
    /// Standard deviation between studies, per cent a year, where given.
    pub standard_deviation: Option<f64>,
    /// What else one must know to compare.
    pub note: String,
}

/// How often a kind of finding that doesn't stop a review was met.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct NoticeCount {
    /// The kind's code.
    pub code: String,
    /// What it is.
    pub title: String,
    /// How often.
    pub count: u64,
    /// Whether records later than the day of the review are counted too.
    pub over_all_records: bool,
}
