//! One factor compared under one endpoint: records and protocol to plain results. Neither a command nor a page computes anything.
//!
//! - [`asked`]: what the estimators are asked for
//! - [`rows`]: cohort to the rows that are compared
//! - [`compared`]: those rows, as plain columns
//! - [`pooled`]: rare levels put together
//! - [`crude`]: levels compared as they are
//! - [`adjusted`]: levels compared as if the same kind of restorations had been in each
//! - [`within`]: patients who have restorations of several levels
//! - [`criteria`]: criteria by level at each recall
//! - [`together`]: what goes with failure when all are looked at together
//! - [`published`]: what was published about the levels
//! - [`guards`]: what weakens the comparison
//! - [`verdict`]: the rules that choose what may be said
//! - [`mod@compare`]: the whole comparison

pub mod adjusted;
pub mod asked;
pub mod compare;
pub mod compared;
pub mod criteria;
pub mod crude;
pub mod guards;
pub mod pooled;
pub mod published;
pub mod rows;
pub mod together;
pub mod verdict;
pub mod within;

pub use compare::{CompareError, CompareRequest, compare};
