//! Before a comparison: invented trials with a stated effect and clustering, analysed as the real one will be.
//!
//! - [`practice`]: one invented trial, straight as observations
//! - [`asked`]: what a plan is asked, and what follows from it
//! - [`answer`]: what it needs or can find, by formula and by drawn trials
//! - `least_reached`: the least number at which something is reached
//! - [`sentence`], [`text`]: the same in sentences and as text
//!
//! The formulas (failures and restorations needed) are in [`stats`](crate::stats): `events_needed`, `observations_needed`,
//! `design_effect`.
//!
//! ```
//! use manebit::planning::PlannedPractice;
//! use manebit::quantity::{ConfidenceLevel, Variance};
//! use manebit::stats::{PowerTest, Weighting};
//!
//! // Twice the hazard in half the patients: some 400 restorations find it more often than not.
//! let plan = PlannedPractice { restorations: 400, hazard_ratio: 2.0, ..PlannedPractice::default() };
//! let test = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ClusterRobust };
//! let found = plan.power(40, ConfidenceLevel::USUAL, &[test]);
//! assert!(found.known().expect("trials").tests[0].power.value() > 0.5);
//! ```

pub mod answer;
pub mod asked;
mod least_reached;
pub mod practice;
pub mod sentence;
pub mod text;

pub use practice::{FailureFound, PlannedPractice};
