//! Logistic regression: how covariates change the odds of one of two outcomes.
//!
//! Definition.  ln(p/(1 − p)) = constant + xβ; β maximises Σ w·ln p_y. Coefficients are logarithms of odds ratios for one unit of a
//!              number, or of a level against the reference.
//! Method.      Newton's method (see `logit_climb`).
//! Variance.    Model-based: the inverse information I⁻¹. Cluster-robust: I⁻¹·(Σ clusters u·uᵀ)·I⁻¹, u the sums of w·(y − p)·x by
//!              cluster, without a small-sample factor.
//! Source.      Cox DR. J R Stat Soc B 1958;20:215–242; robust: Liang KY, Zeger SL. Biometrika 1986;73:13–22; separation: Albert A,
//!              Anderson JA. Biometrika 1984;71:1–10 (all from memory).
//! Decided.     Where covariates tell the outcome without error there is no estimate: the fit is refused with the names, or made with
//!              Firth's penalty if that was asked for, and the result says so. A penalised fit has the model-based variance alone, with
//!              profile limits and likelihood-ratio tests of coefficients (Wald's are wrong near separation; the constant keeps
//!              Wald's). Columns are centred and divided by powers of two inside; results are in the units given. A constant
//!              covariate is refused as collinear with the constant term. A case weight of 2 is two identical rows; one of 0 leaves a
//!              row out without counting it.
//! Edge cases.  One outcome only, nobody left: refused by name. One cluster: the robust variance is not known. No covariates: the
//!              constant alone.
//! Cost.        Some seven passes of O(rows·columns²).
//! Not for.     Times to failure: those followed for longer have had more time to fail.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::{Convergence, TermTest};
use super::cox_design::{ColumnName, CoxDesign};
use super::cox_tests::{CoefficientTest, RegressionTest};
use super::logit_fit::{Coefficients, LogitFit};
use super::logit_rows::{Constants, LogitRows};
use crate::quantity::{Behind, ConfidenceLevel, Estimate, Known, Variance, WhyNotKnown};

/// When Firth's penalty is put on the likelihood.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FirthPenalty {
    /// Never: a separated fit is refused.
    #[default]
    Never,
    /// Where covariates tell the outcome without error, so that there is no estimate without it.
    IfSeparated,
    /// Always.
    Always,
}

/// How to fit and to judge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LogisticOptions {
    /// The variance behind errors, intervals and tests of coefficients.
    pub variance: Variance,
    /// The coverage of intervals.
    pub level: ConfidenceLevel,
    /// Firth's penalty.
    pub penalty: FirthPenalty,
}

impl Default for LogisticOptions {
    /// Cluster-robust, because fillings share mouths; 0.95; no penalty.
    fn default() -> Self {
        Self { variance: Variance::ClusterRobust, level: ConfidenceLevel::USUAL, penalty: FirthPenalty::Never }
    }
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LogisticProblem {
    /// Covariates, clusters or weights don't have a value for each observation.
    LengthsDiffer,
    /// No observation has all covariates.
    NoObservations,
    /// Fewer than two levels (or outcomes) are there, or the reference is not.
    TooFewLevels,
    /// A case weight is negative or no finite number.
    WeightNotANumber,
    /// A value of this covariate is no finite number.
    NotANumber {
        /// The covariate.
        covariate: String,
    },
    /// These columns are constant, or made up of one another.
    Collinear {
        /// The columns.
        columns: Vec<ColumnName>,
    },
    /// These columns tell a level without error: the likelihood climbs for ever along them.
    Separated {
        /// The columns.
        columns: Vec<ColumnName>,
        /// The codes of the levels whose coefficients run away.
        levels: Vec<u16>,
    },
    /// The iterations did not settle; these columns moved most.
    NotConverged {
        /// The columns.
        columns: Vec<ColumnName>,
        /// How many iterations were made.
        iterations: u32,
    },
}

impl LogisticProblem {
    /// The nearest of the reasons that results know.
    pub fn why(&self) -> WhyNotKnown {
        match self {
            Self::LengthsDiffer | Self::NoObservations => WhyNotKnown::NoObservations,
            Self::TooFewLevels => WhyNotKnown::TooFewGroups,
            Self::WeightNotANumber | Self::NotANumber { .. } => WhyNotKnown::NotANumber,
            Self::Collinear { .. } => WhyNotKnown::Collinear,
            Self::Separated { .. } => WhyNotKnown::Separated,
            Self::NotConverged { .. } => WhyNotKnown::NotConverged,
        }
    }
}

impl fmt::Display for LogisticProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let listed = |columns: &[ColumnName]| columns.iter().map(ColumnName::to_string).collect::<Vec<_>>().join(", ");
        match self {
            Self::LengthsDiffer => write!(f, "covariates, clusters or weights don't have a value for each observation"),
            Self::NoObservations => write!(f, "no observation has all covariates"),
            Self::TooFewLevels => write!(f, "fewer than two levels are there, or the reference is not"),
            Self::WeightNotANumber => write!(f, "a case weight is negative or no finite number"),
            Self::NotANumber { covariate } => write!(f, "a value of {covariate} is no finite number"),
            Self::Collinear { columns } => write!(f, "constant, or made up of one another: {}", listed(columns)),
            Self::Separated { columns, .. } => {
                write!(f, "these tell a level without error, so their effect has no bound: {}", listed(columns))
            }
            Self::NotConverged { columns, iterations } => {
                write!(f, "not settled after {iterations} iterations; these moved most: {}", listed(columns))
            }
        }
    }
}

impl std::error::Error for LogisticProblem {}

/// One coefficient.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LogisticCoefficient {
    /// What it belongs to.
    pub column: ColumnName,
    /// The coefficient: a logarithm of an odds ratio.
    pub coefficient: Estimate<f64>,
    /// The odds ratio, and the interval of the coefficient as ratios; its standard error is that of the coefficient.
    pub odds_ratio: Estimate<f64>,
    /// The standard error if observations were independent.
    pub model_based_error: f64,
    /// The test against no effect; of a penalised fit the signed root of the likelihood ratio.
    pub test: Known<CoefficientTest>,
}

/// The result of a logistic regression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LogisticRegression {
    /// The constant: the logarithm of the odds with numbers at 0 and factors at their reference.
    pub constant: Estimate<f64>,
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<LogisticCoefficient>,
    /// Wald's test for each covariate.
    pub terms: Vec<TermTest>,
    /// The model-based covariance of the constant and the coefficients.
    pub covariance: Vec<Vec<f64>>,
    /// The cluster-robust covariance, where asked for.
    pub robust_covariance: Option<Known<Vec<Vec<f64>>>>,
    /// The log-likelihood of the constant alone; penalised if the fit is.
    pub ln_likelihood_of_constant: f64,
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
    /// Observations left out because a covariate was missing.
    pub left_out: u64,
    /// How many stand behind it; the failures are those with the outcome.
    pub behind: Behind,
}

/// Fits the odds of an outcome.
///
/// ```
/// use manebit::stats::{Covariate, CoxDesign, LogisticOptions, logistic_regression};
///
/// // 10 deep lesions, 8 of them etched in one way; 10 shallow ones, 4 of them so: odds of 4 and 2/3, an odds ratio of 6.
/// let etched: Vec<bool> = (0..20).map(|i| i < 8 || (10..14).contains(&i)).collect();
/// let deep = Covariate::number("deep", (0..20).map(|i| f64::from(u8::from(i < 10))).collect());
/// let clusters: Vec<u32> = (0..20).collect();
/// let fit = logistic_regression(&etched, &clusters, None, &CoxDesign::new(vec![deep])?, LogisticOptions::default())?;
/// assert!((fit.coefficients[0].odds_ratio.value - 6.0).abs() < 1e-12);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
///
/// When there is nothing to fit, a number is none, columns are collinear or separated, or the iterations don't settle.
pub fn logistic_regression(
    outcome: &[bool],
    clusters: &[u32],
    weights: Option<&[f64]>,
    design: &CoxDesign,
    options: LogisticOptions,
) -> Result<LogisticRegression, LogisticProblem> {
    let codes: Vec<u16> = outcome.iter().map(|&outcome| u16::from(outcome)).collect();
    let rows = LogitRows::build(&codes, 0, clusters, weights, design, Constants::Refused)?;
    let fit = LogitFit::of(&rows, options.penalty, None)?;
    let parts = Coefficients::of(&rows, &fit, options, clusters);
    let term = |(term, covariate): (usize, &super::cox_design::Covariate)| TermTest {
        covariate: covariate.name.clone(),
        test: parts.test_of_term(term),
    };
    Ok(LogisticRegression {
        constant: parts.estimate(0),
        coefficients: parts.of_level(0),
        terms: design.covariates().iter().enumerate().map(term).collect(),
        covariance: parts.model_based.rows(),
        robust_covariance: (parts.variance() == Variance::ClusterRobust).then(|| parts.used.clone().map(|used| used.rows())),
        ln_likelihood_of_constant: fit.ln_likelihood_of_shares,
        ln_likelihood: fit.ln_likelihood,
        likelihood_ratio_test: fit.likelihood_ratio_test(&rows),
        penalised: fit.penalised.is_some(),
        convergence: fit.convergence,
        absent_levels: rows.absent.clone(),
        left_out: rows.left_out,
        behind: rows.behind,
    })
}

#[cfg(test)]
mod tests {
    use super::super::cox_design::Covariate;
    use super::*;

    fn fit(rows: &[(bool, f64, u32)], options: LogisticOptions) -> Result<LogisticRegression, LogisticProblem> {
        let outcome: Vec<bool> = rows.iter().map(|row| row.0).collect();
        let clusters: Vec<u32> = rows.iter().map(|row| row.2).collect();
        let x = Covariate::number("x", rows.iter().map(|row| row.1).collect());
        logistic_regression(&outcome, &clusters, None, &CoxDesign::new(vec![x]).expect("fits"), options)
    }

    #[test]
    fn a_two_by_two_table_by_hand() {
        // By hand: with x = 0, 2 of 5; with x = 1, 3 of 4. ln odds ln(2/3) and ln 3; variance of the coefficient 1/2 + 1/3 + 1/3 + 1.
        // Each row a cluster of its own: the robust variance of the ln odds of a group of n is Σ(y − p)²/(n·p·(1 − p))² = 1/(n·p·(1 − p)),
        // the same as the model's.
        let counts = [(true, 0.0, 2), (false, 0.0, 3), (true, 1.0, 3), (false, 1.0, 1)];
        let mut rows = Vec::new();
        for (outcome, x, count) in counts {
            for _ in 0..count {
                rows.push((outcome, x, u32::try_from(rows.len()).expect("few")));
            }
        }
        let found = fit(&rows, LogisticOptions::default()).expect("a maximum");
        let near = |value: f64, exact: f64| assert!((value - exact).abs() < 1e-13, "absolute: {value} against {exact}");
        near(found.constant.value, libm::log(2.0 / 3.0));
        near(found.coefficients[0].odds_ratio.value, 4.5);
        near(found.covariance[0][0], 0.5 + 1.0 / 3.0);
        near(found.covariance[1][1], 0.5 + 1.0 / 3.0 + 1.0 / 3.0 + 1.0);
        near(found.covariance[0][1], -(0.5 + 1.0 / 3.0));
        near(found.coefficients[0].coefficient.standard_error.expect("known"), libm::sqrt(0.5 + 2.0 / 3.0 + 1.0));
        assert_eq!((found.behind.observations, found.behind.failures, found.penalised), (9, 5, false));
    }

    #[test]
    fn separation_is_named_and_firths_penalty_mends_it_if_asked() {
        // 3 of 3 with x = 1, 0 of 3 with x = 0. By Firth's penalty each cell of a saturated table gets one half: ln(3.5/0.5) twice.
        let rows: Vec<_> = (0..6).map(|i| (i < 3, f64::from(u8::from(i < 3)), i)).collect();
        let separated = fit(&rows, LogisticOptions::default()).expect_err("no maximum");
        assert!(matches!(separated, LogisticProblem::Separated { ref columns, .. } if columns[0].covariate == "x"));
        let options = LogisticOptions { penalty: FirthPenalty::IfSeparated, ..LogisticOptions::default() };
        let found = fit(&rows, options).expect("a penalised maximum");
        assert!(found.penalised);
        assert!((found.coefficients[0].coefficient.value - 2.0 * libm::log(7.0)).abs() < 1e-9, "absolute");
        assert!((found.constant.value + libm::log(7.0)).abs() < 1e-9, "absolute");
    }

    #[test]
    fn what_has_no_estimate_is_refused_by_name() {
        let options = LogisticOptions::default();
        assert_eq!(fit(&[], options).expect_err("none"), LogisticProblem::NoObservations);
        assert_eq!(fit(&[(true, 1.0, 0), (true, 2.0, 1)], options).expect_err("one"), LogisticProblem::TooFewLevels);
        let constant = fit(&[(true, 1.0, 0), (false, 1.0, 1)], options).expect_err("constant");
        assert!(matches!(constant, LogisticProblem::Collinear { .. }));
        let missing = fit(&[(true, f64::NAN, 0), (false, 1.0, 1)], options).expect_err("not a number");
        assert_eq!(missing, LogisticProblem::NotANumber { covariate: "x".into() });
        let one_mouth: Vec<_> = (0..8).map(|i| (i % 3 == 0, f64::from(i % 4), 0)).collect();
        let found = fit(&one_mouth, options).expect("a maximum");
        assert_eq!(found.coefficients[0].test, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
