//! Times to failure from any field, through the same engine: a table in, estimates out, no dental records in between.
//!
//! - [`asked`]: which columns hold what, and what is asked
//! - [`columns`]: the columns of the table
//! - [`levels`]: columns of categories, and the causes among them
//! - [`data`]: rows made ready for the estimators
//! - [`ends`]: when following ended, at a time or between bounds
//! - [`covariates`]: covariates made ready for regression
//! - [`groups`]: the rows of each group, counted once
//! - [`answer`]: all that is asked, answered; the document written as JSON
//! - [`survival`], [`bands`], [`hazards`], [`contrasts`], [`curves`], [`life_tables`], [`comparison`], [`causes`],
//!   [`lost`], [`subdistribution`], [`ordering`], [`regression`], [`parametric`], [`weighted`], [`rates`], [`intervals`],
//!   [`resampling`]: one kind of question each
//! - [`section`], [`regression_text`], [`parametric_text`], [`weighted_text`], [`intervals_text`], [`text`]: the answers as
//!   readable tables

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
pub mod ends;
pub mod groups;
pub mod hazards;
pub mod intervals;
pub mod intervals_text;
pub mod levels;
pub mod life_tables;
pub mod lost;
pub mod ordering;
pub mod parametric;
pub mod parametric_text;
pub mod rates;
pub mod regression;
pub mod regression_text;
pub mod resampling;
pub mod section;
pub mod subdistribution;
pub mod survival;
pub mod text;
pub mod weighted;
pub mod weighted_text;
