//! Times to failure from any field, through the same engine: a table in, estimates out, no dental records in between.
//!
//! - [`asked`]: which columns hold what, and what is asked
//! - [`columns`]: the columns of the table
//! - [`levels`]: columns of categories, and the causes among them
//! - [`data`]: rows made ready for the estimators
//! - [`covariates`]: covariates made ready for regression
//! - [`groups`]: the rows of each group, counted once
//! - [`answer`]: all that is asked, answered; the document written as JSON
//! - [`survival`], [`bands`], [`hazards`], [`contrasts`], [`curves`], [`life_tables`], [`comparison`], [`causes`],
//!   [`lost`], [`subdistribution`], [`ordering`], [`regression`], [`rates`], [`resampling`]: one kind of question each
//! - [`section`], [`regression_text`], [`text`]: the answers as readable tables

pub mod answer;
pub mod asked;
pub mod bands;
pub mod causes;
pub mod columns;
pub mod comparison;
pub mod contrasts;
pub mod covariates;
pub mod curves;
pub mod data;
pub mod groups;
pub mod hazards;
pub mod levels;
pub mod life_tables;
pub mod lost;
pub mod ordering;
pub mod rates;
pub mod regression;
pub mod regression_text;
pub mod resampling;
pub mod section;
pub mod subdistribution;
pub mod survival;
pub mod text;
