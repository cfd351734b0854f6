//! What an analysis hands over: plain results, with the units in their types. Pages, charts and tables draw from here and
//! compute nothing; `results.json` is this, at full precision.
//!
//! - [`review`]: the whole review
//! - [`group`]: one group of restorations under one endpoint
//! - [`recall`]: recalls and criteria scores
//! - [`caution`]: what weakens a result

pub mod caution;
pub mod group;
pub mod recall;
pub mod review;

pub use caution::Caution;
pub use group::{
    AnnualFailure, AnnualFormula, Counts, CurvePoint, FactorOrigin, FactorReview, GroupReview, HorizonReview,
    QuantileReview, RestrictedMeanReview, TestReview,
};

pub use recall::{CriterionReview, LevelShare, RecallReview, ScoreCount};
pub use review::{Benchmark, EndpointFlow, EndpointReview, Exclusion, Flow, NoticeCount, Review, Totals};
