//! Multinomial logistic regression: how covariates change the odds of each of several levels against one of them.
//!
//! Definition.  ln(p_a/p_0) = constant_a + xβ_a for each level a but the reference 0 (baseline-category logits); the β maximise
//!              Σ w·ln p_y. With two levels it is logistic regression.
//! Variance.    As in `logistic`, of all parameters at once: for each level but the reference the constant, then the coefficients.
//! Source.      Theil H. Int Econ Rev 1969;10:251–259; Agresti A. Categorical Data Analysis, 2002, ch. 7 (both from memory).
//! Decided.     Levels that nobody has take no part; the reference must be there. Which level is the reference changes no probability.
//!              Separation, collinearity, penalty, weights and missing covariates as in `logistic`.
//! Cost.        Some seven passes of O(rows·columns²·levels²).
//! Not for.     Ordered levels where one effect for all steps is wanted.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::{Convergence, TermTest};
use super::cox_design::{ColumnName, Covariate, CoxDesign};
use super::cox_tests::RegressionTest;
use super::grouping::Grouping;
use super::logistic::{LogisticCoefficient, LogisticOptions, LogisticProblem};
use super::logit_fit::{Coefficients, LogitFit};
use super::logit_rows::{Constants, LogitRows};
use crate::quantity::{Behind, Estimate, Known, Variance};

/// The coefficients of one level against the reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MultinomialLevel {
    /// The code of the level.
    pub level: u16,
    /// The constant: the logarithm of its odds against the reference with numbers at 0 and factors at their reference.
    pub constant: Estimate<f64>,
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<LogisticCoefficient>,
}

/// The result of a multinomial regression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MultinomialRegression {
    /// The code of the level that the others are compared with.
    pub reference: u16,
    /// The other levels that somebody has, in order.
    pub levels: Vec<MultinomialLevel>,
    /// Wald's test for each covariate, over all levels.
    pub terms: Vec<TermTest>,
    /// The model-based covariance: level after level, the constant, then the coefficients.
    pub covariance: Vec<Vec<f64>>,
    /// The cluster-robust covariance, where asked for.
    pub robust_covariance: Option<Known<Vec<Vec<f64>>>>,
    /// The log-likelihood of the constants alone; penalised if the fit is.
    pub ln_likelihood_of_constants: f64,
    /// The log-likelihood at the estimate; penalised if the fit is.
    pub ln_likelihood: f64,
    /// Likelihood-ratio test of all coefficients.
    pub likelihood_ratio_test: RegressionTest,
    /// Whether Firth's penalty was put on the likelihood.
    pub penalised: bool,
    /// How the iterations went.
    pub convergence: Convergence,
    /// Levels of covariates that nobody has, which have no coefficient.
    pub absent_levels: Vec<ColumnName>,
    /// Columns that don't vary and were left out, where that was asked for.
    pub constant_columns: Vec<ColumnName>,
    /// Observations left out because the level or a covariate was missing.
    pub left_out: u64,
    /// How many stand behind it; the failures are those at another level than the reference.
    pub behind: Behind,
}

impl MultinomialRegression {
    pub(super) fn of(
        rows: &LogitRows,
        fit: &LogitFit,
        design: &CoxDesign,
        clusters: &[u32],
        options: LogisticOptions,
    ) -> Self {
        let parts = Coefficients::of(rows, fit, options, clusters);
        let level = |(a, &level): (usize, &u16)| MultinomialLevel {
            level,
            constant: parts.estimate(a * rows.width()),
            coefficients: parts.of_level(a),
        };
        let term = |(term, covariate): (usize, &Covariate)| TermTest {
            covariate: covariate.name.clone(),
            test: parts.test_of_term(term),
        };
        Self {
            reference: rows.levels[0],
            levels: rows.levels[1..].iter().enumerate().map(level).collect(),
            terms: design.covariates().iter().enumerate().map(term).collect(),
            covariance: parts.model_based.rows(),
            robust_covariance: (parts.variance() == Variance::ClusterRobust)
                .then(|| parts.used.clone().map(|used| used.rows())),
            ln_likelihood_of_constants: fit.ln_likelihood_of_shares,
            ln_likelihood: fit.ln_likelihood,
            likelihood_ratio_test: fit.likelihood_ratio_test(rows),
            penalised: fit.penalised.is_some(),
            convergence: fit.convergence,
            absent_levels: rows.absent.clone(),
            constant_columns: rows.constant.clone(),
            left_out: rows.left_out,
            behind: rows.behind,
        }
    }
}

/// Fits the odds of each level against the reference.
///
/// # Errors
///
/// When there is nothing to fit, a number is none, columns are collinear or separated, or the iterations don't settle.
pub fn multinomial_regression(
    levels: &Grouping,
    reference: u16,
    clusters: &[u32],
    weights: Option<&[f64]>,
    design: &CoxDesign,
    options: LogisticOptions,
) -> Result<MultinomialRegression, LogisticProblem> {
    let rows = LogitRows::build(levels.codes(), reference, clusters, weights, design, Constants::Refused)?;
    let fit = LogitFit::of(&rows, options.penalty, None)?;
    Ok(MultinomialRegression::of(&rows, &fit, design, clusters, options))
}
