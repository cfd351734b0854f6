//! Tests of coefficients: χ² statistics with their probabilities, and single ones by a normal or a Student distribution.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{student_quantile_upper, student_two_sided};
use super::distribution::{chi_square_upper_tail, normal_quantile_upper};
use super::symmetric::{NOTHING_LEFT, Symmetric};
use crate::quantity::{ConfidenceLevel, Known, WhyNotKnown};

/// A χ² test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RegressionTest {
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of a statistic this large or larger if there is no effect; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

impl RegressionTest {
    pub(super) fn of(chi_square: f64, degrees_of_freedom: usize) -> Self {
        let degrees_of_freedom = u32::try_from(degrees_of_freedom).unwrap_or(u32::MAX);
        let tail = chi_square_upper_tail(chi_square, degrees_of_freedom);
        Self { chi_square, degrees_of_freedom, p_value: tail.p_value, ln_p_value: tail.ln_p_value }
    }

    /// vᵀ·C⁻¹·v for the covariance C of v; not known when C has not its full rank.
    pub(super) fn quadratic(vector: &[f64], covariance: &Symmetric) -> Known<Self> {
        match covariance.root(NOTHING_LEFT, &covariance.diagonal()) {
            Ok(root) => Known::Known(Self::of(root.quadratic_form(vector), vector.len())),
            Err(_) => Known::NotKnown(WhyNotKnown::TooFewClusters),
        }
    }
}

/// What a standardised coefficient is compared with.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReferenceDistribution {
    /// The normal distribution: right for many clusters.
    #[default]
    Normal,
    /// Student's distribution with one degree of freedom less than clusters: more careful with few clusters. With a model-based
    /// variance the normal distribution is used all the same.
    StudentByClusters,
}

/// The test of one coefficient.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoefficientTest {
    /// Coefficient over standard error.
    pub statistic: f64,
    /// Degrees of freedom of Student's distribution; none for the normal one.
    pub degrees_of_freedom: Option<f64>,
    /// Probability of one this far from 0 or farther, to both sides, if there is no effect.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

/// The test of a coefficient against 0.
pub(super) fn coefficient_test(coefficient: f64, error: f64, degrees_of_freedom: Option<f64>) -> CoefficientTest {
    let statistic = coefficient / error;
    let tail = match degrees_of_freedom {
        None => chi_square_upper_tail(statistic * statistic, 1),
        Some(freedom) => student_two_sided(statistic, freedom),
    };
    CoefficientTest { statistic, degrees_of_freedom, p_value: tail.p_value, ln_p_value: tail.ln_p_value }
}

/// How many standard errors an interval reaches to either side.
pub(super) fn reach(level: ConfidenceLevel, degrees_of_freedom: Option<f64>) -> f64 {
    match degrees_of_freedom {
        None => normal_quantile_upper(level.tail()),
        Some(freedom) => student_quantile_upper(level.tail(), freedom),
    }
}
