//! manebit: outcomes of cervical restorations, from record files to a review with honest uncertainty.
//!
//! Data flow one way: record files → [`intake`] → [`table`] → [`cohort`] → [`stats`] → [`result`] → report. Statisticians can use
//! [`stats`] alone.

pub mod analysis;
pub mod cohort;
pub mod command;
pub mod comparison;
pub mod estimate;
pub mod export;
pub mod figure;
pub mod finding;
pub mod finding_page;
pub mod intake;
pub mod planning;
pub mod protocol;
pub mod quantity;
pub mod record;
pub mod registry;
pub mod report;
pub mod result;
pub mod schema;
pub mod scores;
pub mod simulate;
pub mod stats;
pub mod table;
pub mod template;
mod threads;
pub mod watching;
pub mod wording;
