//! Scores from any field, through the same engine: a table in, comparisons and agreement out.
//!
//! - [`asked`]: which columns hold what, and what is asked
//! - [`data`]: rows made ready for the estimators
//! - [`answer`]: all that is asked, answered; the document written as JSON
//! - [`tables`], [`shares`], [`ranks`], [`trends`], [`paired`], [`agreements`]: one kind of question each, with its readable tables
//! - [`cells`]: numbers and reasons as cells of readable tables
//! - [`text`]: the answers as readable tables

pub mod agreements;
pub mod answer;
pub mod asked;
pub mod cells;
pub mod data;
pub mod paired;
pub mod ranks;
pub mod shares;
pub mod tables;
pub mod text;
pub mod trends;
