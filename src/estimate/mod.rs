//! Times to failure from any field, through the same engine: a table in, estimates out, no dental records in between.
//!
//! - [`asked`]: which columns hold what, and what is asked
//! - [`columns`]: the columns of the table
//! - [`data`]: rows made ready for the estimators
//! - [`answer`]: all that is asked, answered; the document written as JSON
//! - [`survival`], [`curves`], [`comparison`], [`causes`], [`regression`], [`rates`], [`resampling`]: one kind of question each
//! - [`section`], [`text`]: the answers as readable tables

pub mod answer;
pub mod asked;
pub mod causes;
pub mod columns;
pub mod comparison;
pub mod curves;
pub mod data;
pub mod rates;
pub mod regression;
pub mod resampling;
pub mod section;
pub mod survival;
pub mod text;
