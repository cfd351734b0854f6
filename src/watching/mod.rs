//! Watching failures against a benchmark: over the calendar by a cumulative sum, and side by side in a funnel.
//!
//! - [`asked`]: which columns hold what, the benchmark, and what is asked
//! - [`data`]: rows made ready, or what is wrong with them
//! - [`answer`]: all that is asked, answered; the document written as JSON
//! - [`judged`]: each restoration judged once, failed by then or not
//! - [`sentence`], [`text`]: the same in sentences and as text
//!
//! The estimators are in [`stats`](crate::stats): `watched`, `benchmark_hazard`, `cusum`, `cusum_limit`, `cusum_run_length`, `funnel`.

pub mod answer;
pub mod asked;
pub mod data;
pub mod judged;
pub mod sentence;
pub mod text;
