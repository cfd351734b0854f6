//! Invented practices of any size with a known truth, to try things out, to measure speed, and to hold estimates against.
//!
//! - [`random`]: numbers drawn by seed, purpose and place, never by order of arrival
//! - [`truth`]: the survival that the records are drawn from
//! - [`practice`]: patients with their placements and visits
//! - [`csv_text`]: the records as CSV
//!
//! Nobody in here exists.
//!
//! ```
//! use manebit::simulate::SimulatedPractice;
//! let practice = SimulatedPractice { restorations: 20, ..SimulatedPractice::default() };
//! let placed: usize = practice.patients().map(|patient| patient.placements.len()).sum();
//! assert!(placed >= 20);
//! ```

pub mod csv_text;
pub mod practice;
pub mod random;
pub mod truth;

pub use practice::{Course, Endings, Observation, PatientRecords, SimulatedPractice};
pub use truth::Truth;
