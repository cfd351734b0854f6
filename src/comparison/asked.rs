//! What a comparison is asked for, from the protocol.

use crate::protocol::Protocol;
use crate::protocol::settings::months;
use crate::quantity::{ConfidenceLevel, Days};
use crate::stats::Resampling;

/// Resamples of patients behind intervals that have no formula.
pub const RESAMPLES: u32 = 399;

/// What the estimators are asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Questions {
    /// Days at which survival is read, in order.
    pub horizons: Vec<Days>,
    /// The one of the headline.
    pub headline: Days,
    /// To where mean time in place is taken.
    pub mean_until: Days,
    /// Coverage of intervals.
    pub level: ConfidenceLevel,
    /// Fewest at risk for a horizon to be read in the verdict.
    pub least_at_risk: u64,
    /// Fewest failures of a level for a test.
    pub least_failures: u64,
    /// Fewest patients of a level for a test.
    pub least_patients: u64,
    /// The smallest difference in survival that would matter.
    pub relevant_difference: f64,
    /// How patients are resampled.
    pub resampling: Resampling,
}

impl Questions {
    /// As the protocol says.
    pub fn of(protocol: &Protocol) -> Self {
        Self {
            horizons: protocol.horizons().into_iter().map(months).collect(),
            headline: months(protocol.headline_months),
            mean_until: months(protocol.restricted_mean_months),
            level: protocol.confidence_level,
            least_at_risk: u64::from(protocol.least_at_risk),
            least_failures: u64::from(protocol.least_failures),
            least_patients: u64::from(protocol.least_patients),
            relevant_difference: protocol.relevant_difference,
            resampling: Resampling {
                replicates: RESAMPLES,
                seed: protocol.seed,
                level: protocol.confidence_level,
                threads: None,
            },
        }
    }

    /// The chance of a false alarm that a test is held to.
    pub fn alpha(&self) -> f64 {
        1.0 - self.level.value()
    }

    /// Mean time in place is taken to here, in days.
    pub fn mean_horizons(&self) -> [f64; 1] {
        [f64::from(self.mean_until.count())]
    }
}
