//! Records and protocol to one observation a restoration.
//!
//! - [`history`]: each restoration with its visits in order
//! - [`event`]: what can happen to a restoration: lost, repaired, removed …
//! - [`statement`]: what a visit states, each different statement once
//! - [`meaning`]: rows that contradict each other, found and named
//! - [`spelling`]: two spellings of what may be one operator or patient
//! - [`follow_up`]: one endpoint's observation of each restoration: entry, last known good, first known failed, ending
//! - [`factor`]: the levels by which restorations are grouped
//! - `same_text`: for each row the first one with the same text
//! - `text_rows`: where each text of a column stands first
//! - [`visit_rows`]: visits as they come, each with its placement
//! - [`recall`]: who was due, seen and scored at each recall

pub mod event;
pub mod factor;
pub mod follow_up;
pub mod from_files;
pub mod history;
pub mod meaning;
pub mod recall;
mod same_text;
pub mod spelling;
pub mod statement;
mod text_rows;
pub mod visit_rows;

pub use factor::{FactorLevels, factor_levels};
pub use follow_up::{Ending, EndpointFollowUp, push_between};
pub use history::{Histories, Looks, lay_out, patients_of, select};
pub use statement::{Statement, Statements};
pub use visit_rows::{Look, VisitPiece, VisitReader, VisitRows};
