//! Parts of one, and rates per year. People read percentages; machines read these.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A part of one, 0 to 1: a survival, a share, a cumulative failure.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Fraction(f64);

impl Fraction {
    /// The fraction `value`; anything outside 0 to 1 is moved to the nearer end.
    pub fn new(value: f64) -> Self {
        Self(value.clamp(0.0, 1.0))
    }

    /// The part as a number from 0 to 1.
    pub const fn value(self) -> f64 {
        self.0
    }

    /// What is missing to one.
    pub fn complement(self) -> Self {
        Self(1.0 - self.0)
    }
}

/// A yearly rate: 0.025 is 2.5 failures per 100 restoration-years, or 2.5 % a year, as its formula says.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct AnnualRate(f64);

impl AnnualRate {
    /// A rate of `per_year` for one restoration in one year.
    pub const fn new(per_year: f64) -> Self {
        Self(per_year)
    }

    /// For one restoration in one year.
    pub const fn per_year(self) -> f64 {
        self.0
    }

    /// For 100 restorations in one year, or as a percentage a year.
    pub fn per_hundred_years(self) -> f64 {
        self.0 * 100.0
    }
}
