//! Cohort to estimators to plain results. Neither a command nor a page computes anything.
//!
//! - [`group`]: everything about one group of restorations under one endpoint
//! - [`comparison`]: the levels of a factor, and whether they are tested
//! - `patient_by_patient`: who was due at recalls, for those who count restorations and patients
//! - [`recall`]: recalls and criteria scores
//! - [`score_tally`]: scores at one recall counted
//! - [`course`]: tooth by tooth, year by year, restoration by restoration
//! - [`benchmark`]: published rates, as data with sources
//! - [`caution`]: what weakens these results
//! - [`readings`]: failures on the day found, held against failures between visits
//! - [`mod@recall_cut`]: a day of reading inside the window of a recall
//! - [`mod@review`]: the whole review

pub mod benchmark;
mod bit_counts;
pub mod caution;
mod combinations;
pub mod comparison;
pub mod course;
pub mod group;
mod patient_by_patient;
pub mod readings;
pub mod recall;
pub mod recall_cut;
pub mod review;
pub mod score_tally;

pub use review::{AnalysisError, ReviewRequest, review};
