//! What weakens a result, as a closed list with the numbers that raised it; the words come where it is printed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::group::{FactorOrigin, ReadingsPart};
use super::recall::RecallCut;
use crate::quantity::{Days, Fraction};

/// Something that weakens a result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "caution")]
pub enum Caution {
    /// Few failures stand behind the headline.
    FewFailures {
        /// How many.
        failures: u64,
    },
    /// Few patients stand behind the headline.
    FewPatients {
        /// How many.
        patients: u64,
    },
    /// Follow-up is shorter than the headline's horizon.
    ShortFollowUp {
        /// Median of how long restorations were or could have been followed, where known.
        median: Option<Days>,
        /// The headline's horizon.
        horizon: Days,
        /// Restorations still followed at the horizon.
        at_risk: u64,
    },
    /// The headline's day lies inside the window of a recall, and failures were found at that recall after it.
    RecallCut(RecallCut),
    /// Curves that part from the reading between visits: of all, or of some levels of a factor.
    ReadingsPart {
        /// The factor; none for all.
        factor: Option<String>,
        /// Levels, with where and how far.
        levels: Vec<(String, ReadingsPart)>,
    },
    /// A recall saw fewer than it should.
    LowRecall {
        /// The recall, in months.
        months: u16,
        /// Share seen.
        share: Fraction,
    },
    /// Not randomised: groups may differ in what was not compared.
    NotRandomised {
        /// The factor.
        factor: String,
        /// Where it comes from.
        origin: FactorOrigin,
    },
    /// Levels with few patients are hidden.
    HiddenLevels {
        /// The factor.
        factor: String,
        /// Restorations in them.
        hidden: u64,
    },
    /// Some restorations have no value for the factor.
    MissingLevels {
        /// The factor.
        factor: String,
        /// How many.
        missing: u64,
    },
    /// A level too small to be tested.
    SmallLevel {
        /// The factor.
        factor: String,
        /// The level.
        level: String,
        /// Its failures.
        failures: u64,
        /// Its patients.
        patients: u64,
    },
    /// Competing events are not rare beside failures.
    ManyCompeting {
        /// The endpoint.
        endpoint: String,
        /// Competing events.
        competing: u64,
        /// Failures.
        failures: u64,
    },
    /// Restorations that were already there when observation began.
    DelayedEntries {
        /// How many.
        count: u64,
    },
    /// Losses known from reports only.
    ReportedLosses {
        /// How many.
        count: u64,
    },
    /// Visits at which operators scored their own work.
    OwnWorkScored {
        /// How many.
        count: u64,
    },
    /// Failures found at recalls, so dated later than they happened.
    FoundAtRecall,
}
