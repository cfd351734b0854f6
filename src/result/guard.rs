//! What weakens a comparison, with the numbers that raised it; the words come where it is printed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::group::{FactorOrigin, ReadingsPart};
use super::recall::RecallCut;
use crate::quantity::{Day, Days, Fraction};

/// Which number a guard stands beside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weakens {
    /// The verdict and everything under it.
    Everything,
    /// Tests.
    Tests,
    /// Survival and its differences.
    Survival,
    /// Hazard ratios.
    HazardRatios,
    /// Adjusted numbers.
    Adjusted,
    /// Criteria at recalls.
    Criteria,
}

/// Something that weakens a comparison.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "guard")]
pub enum Guard {
    /// Not randomised: levels may differ in what was not recorded.
    NotRandomised {
        /// Where the factor comes from.
        origin: FactorOrigin,
    },
    /// Too small to be tested.
    TooFew {
        /// The level.
        level: String,
        /// Its failures.
        failures: u64,
        /// Its patients.
        patients: u64,
        /// What the protocol asks for.
        least_failures: u32,
        /// What the protocol asks for.
        least_patients: u32,
    },
    /// Several levels were compared with the reference.
    ManyComparisons {
        /// How many.
        comparisons: u64,
    },
    /// Hazards are not proportional: a hazard ratio averages over what changes.
    NotProportional {
        /// p of proportional hazards.
        p_value: f64,
    },
    /// The day at which survival is read lies inside the window of a recall, and failures were found at that recall after it.
    RecallCut(RecallCut),
    /// The curve of a level parts from the reading between visits.
    ReadingsPart {
        /// The level.
        level: String,
        /// Where and how far.
        part: ReadingsPart,
    },
    /// Fewer than three in five were seen at the recall of the horizon.
    LowRecall {
        /// The level.
        level: String,
        /// The recall, in months.
        months: u16,
        /// Seen of due.
        share: Fraction,
    },
    /// Levels were followed for very different times.
    UnevenFollowUp {
        /// Followed longest.
        longest: String,
        /// Its median follow-up.
        longest_median: Days,
        /// Followed shortest.
        shortest: String,
        /// Its median follow-up.
        shortest_median: Days,
    },
    /// The level was used at another time than the reference: then it may be the calendar and not the technique.
    OnePeriod {
        /// The level.
        level: String,
        /// From.
        from: Day,
        /// To.
        to: Day,
        /// The share of the level's restorations that were placed while the reference was in use.
        shared: Fraction,
    },
    /// One operator placed all restorations of a level, and others are compared with it.
    OneOperator {
        /// The level.
        level: String,
    },
    /// Operators are compared: their patients and lesions differ, and they are not ranked.
    OperatorsNotRanked,
    /// Some restorations have no value of the factor.
    MissingLevels {
        /// How many.
        missing: u64,
    },
    /// Levels with fewer restorations than those that stand apart are put together.
    LevelsTogether {
        /// How many.
        levels: u64,
    },
    /// Levels with few patients are hidden.
    HiddenLevels {
        /// Restorations in them.
        hidden: u64,
    },
    /// Something that is adjusted for is not recorded everywhere.
    MissingCovariates {
        /// Restorations left out.
        left_out: u64,
        /// Of all compared.
        of: u64,
    },
    /// Nothing was adjusted for.
    NotAdjusted {
        /// Why.
        why: String,
    },
    /// Some restorations had next to no chance of the level that they are compared with.
    LittleOverlap {
        /// The level.
        level: String,
    },
    /// Weighting and regression differ by as much as would matter.
    WaysDisagree {
        /// The level.
        level: String,
        /// At this horizon.
        day: Days,
        /// The difference of survival to the reference by weighting.
        weighting: f64,
        /// The same by regression.
        regression: f64,
    },
    /// Weighting left a difference.
    StillDifferent {
        /// In what.
        covariate: String,
        /// Standardised difference after weighting.
        difference: f64,
    },
    /// Few failures for each coefficient of the model.
    FewFailuresPerCoefficient {
        /// Failures.
        failures: u64,
        /// Coefficients.
        coefficients: u64,
    },
    /// Competing events are not rare beside failures.
    ManyCompeting {
        /// Competing events.
        competing: u64,
        /// Failures.
        failures: u64,
    },
    /// Few patients carry information about the difference.
    FewClusters {
        /// How many.
        clusters: u64,
    },
    /// Failures found at recalls, so dated later than they happened.
    FoundAtRecall,
    /// Restorations that were already there when observation began.
    DelayedEntries {
        /// How many.
        count: u64,
    },
}

impl Guard {
    /// Which numbers it weakens.
    pub const fn weakens(&self) -> Weakens {
        match self {
            Self::NotRandomised { .. }
            | Self::OnePeriod { .. }
            | Self::OneOperator { .. }
            | Self::OperatorsNotRanked
            | Self::MissingLevels { .. }
            | Self::LevelsTogether { .. }
            | Self::HiddenLevels { .. } => Weakens::Everything,
            Self::TooFew { .. } | Self::ManyComparisons { .. } | Self::FewClusters { .. } => Weakens::Tests,
            Self::RecallCut(_)
            | Self::ReadingsPart { .. }
            | Self::LowRecall { .. }
            | Self::UnevenFollowUp { .. }
            | Self::ManyCompeting { .. }
            | Self::FoundAtRecall
            | Self::DelayedEntries { .. } => Weakens::Survival,
            Self::NotProportional { .. } | Self::FewFailuresPerCoefficient { .. } => Weakens::HazardRatios,
            Self::MissingCovariates { .. }
            | Self::NotAdjusted { .. }
            | Self::LittleOverlap { .. }
            | Self::WaysDisagree { .. }
            | Self::StillDifferent { .. } => Weakens::Adjusted,
        }
    }
}
