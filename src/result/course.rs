//! Where restorations sit, how they fared year by year, and the course of each in a small cohort.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::group::AnnualFailure;
use crate::quantity::{Day, Days, Known, Years};

/// A tooth's restorations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ToothCount {
    /// Its two-digit number by ISO 3950.
    pub tooth: u8,
    /// Restorations analysed.
    pub placed: u64,
    /// Those that failed.
    pub failed: u64,
}

/// A calendar year.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct YearReview {
    /// The year.
    pub year: i32,
    /// Failures found in it.
    pub failures: u64,
    /// Time at risk in it, in restoration-years.
    pub exposure_years: Years,
    /// Failures per restoration-year, with exact Poisson limits.
    pub rate: Known<AnnualFailure>,
}

/// How a course ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CourseEnd {
    /// It failed.
    Failed,
    /// Something else ended it.
    Competing,
    /// In place when last seen.
    InPlace,
}

/// One restoration's course, without a name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Course {
    /// From placement to its end.
    pub length: Days,
    /// When it was examined, from placement on.
    pub seen: Vec<Days>,
    /// How it ended.
    pub end: CourseEnd,
}

/// A restoration that failed, so that it can be looked up in the records.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FailedRestoration {
    /// Its name in the records.
    pub restoration: String,
    /// Its tooth, by ISO 3950.
    pub tooth: u8,
    /// The day it was placed.
    pub placed_on: Day,
    /// The last day it was known without the failure.
    pub last_good_on: Day,
    /// The day that counts as that of the failure.
    pub failed_on: Day,
    /// From placement to that day.
    pub after: Days,
    /// Its level of each factor of the review, as people read it; empty where not recorded.
    pub levels: Vec<String>,
}
