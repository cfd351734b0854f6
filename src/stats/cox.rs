//! Proportional hazards regression (Cox): how covariates change the pace of failure.
//!
//! Definition.  The hazard of observation i in stratum s is h_s(t)·exp(x_iβ); β maximises the partial likelihood. Coefficients are
//!              logarithms of hazard ratios for one unit of a number, or of a level against the reference.
//! Method.      Newton's method from β = 0, halving a step that does not climb. It has settled when the slope, in the metric of the
//!              information, is below 3e-7 standard errors (so that the step still taken leaves some 1e-13), and the step is small.
//! Variance.    Model-based: the inverse information I⁻¹. Cluster-robust: I⁻¹·(Σ clusters u·uᵀ)·I⁻¹ with score residuals summed by
//!              cluster.
//! Tests.       Likelihood ratio; score U(0)ᵀ·I(0)⁻¹·U(0); Wald βᵀ·V⁻¹·β; with the robust variance of U(0) and of β, too.
//! Source.      Cox DR. J R Stat Soc B 1972;34:187–220; Lin DY, Wei LJ. J Am Stat Assoc 1989;84:1074–1078; monotone likelihood:
//!              Bryson MC, Johnson ME. Technometrics 1981;23:381–383 (all from memory).
//! Decided.     Efron's ties are the usual choice: nearly as good as exact, at Breslow's price. Columns are centred on their means
//!              and divided by powers of two inside; results are in the units given. A covariate along which the likelihood only
//!              climbs (it orders the failures without error) has no estimate, nor has one that is constant or made up of others:
//!              the fit is refused with the names, never returned with large numbers. Competing endings leave the risk set, so
//!              hazards are cause-specific.
//!              Separation is found by looking along the last step, or at the latest when less than 1e-11 of the information is left.
//! Edge cases.  Nobody failed, nobody left: refused by name. One cluster: the robust variance is not known. No covariates: a
//!              likelihood without coefficients. A failure on tick 0 counts.
//! Cost.        A few passes of O(observations·columns²).
//! Not for.     Effects that change with time (see `proportionality`), separated or very sparse data (see `firth`).

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox_climb::{Settled, climb, evaluate_any, root_or_collinear};
use super::cox_design::{ColumnName, CoxDesign};
use super::cox_exact::weights_are_whole;
use super::cox_likelihood::Evaluation;
use super::cox_risk_sets::RiskSets;
use super::cox_scores::{by_cluster, sum_of_squares, weighted_scores};
use super::cox_tests::{CoefficientTest, ReferenceDistribution, RegressionTest, coefficient_test, reach};
use super::grouping::Grouping;
use super::observation::Observations;
use super::symmetric::{Root, Symmetric};
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};

/// How tied failures are treated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TiesHandling {
    /// Efron's approximation: the tied fail one after the other, in unknown order.
    #[default]
    Efron,
    /// Breslow's approximation: each of the tied is compared with all at risk.
    Breslow,
    /// The exact conditional likelihood of a discrete time scale; it has no robust variance here.
    ExactDiscrete,
}

/// What to fit and how to judge it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoxOptions {
    /// Tied failures.
    pub ties: TiesHandling,
    /// The variance behind errors, intervals and tests of coefficients.
    pub variance: Variance,
    /// The coverage of intervals.
    pub level: ConfidenceLevel,
    /// What standardised coefficients are compared with.
    pub reference: ReferenceDistribution,
}

impl Default for CoxOptions {
    /// Efron; cluster-robust, because fillings share mouths; 0.95; the normal distribution.
    fn default() -> Self {
        Self {
            ties: TiesHandling::Efron,
            variance: Variance::ClusterRobust,
            level: ConfidenceLevel::USUAL,
            reference: ReferenceDistribution::Normal,
        }
    }
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CoxProblem {
    /// Covariates or strata don't have a value for each observation.
    LengthsDiffer,
    /// No observation has all covariates.
    NoObservations,
    /// Nobody with all covariates failed.
    NoFailures,
    /// A value of this covariate is no finite number.
    NotANumber {
        /// The covariate.
        covariate: String,
    },
    /// These columns are constant, or made up of one another, where somebody failed.
    Collinear {
        /// The columns.
        columns: Vec<ColumnName>,
    },
    /// These columns order the failures without error: the likelihood climbs for ever along them.
    Separated {
        /// The columns.
        columns: Vec<ColumnName>,
    },
    /// The iterations did not settle; these columns moved most.
    NotConverged {
        /// The columns.
        columns: Vec<ColumnName>,
        /// How many iterations were made.
        iterations: u32,
    },
    /// The exact likelihood takes whole-number case weights only.
    WeightsNotWhole,
    /// The exact likelihood has no cluster-robust variance.
    NoRobustVariance,
    /// This model does not take exact ties.
    ExactTiesNotOffered,
    /// The likelihood grows with the variance of the frailties without end.
    FrailtyUnbounded,
}

impl CoxProblem {
    /// The nearest of the reasons that results know.
    pub fn why(&self) -> WhyNotKnown {
        match self {
            Self::LengthsDiffer | Self::NoObservations => WhyNotKnown::NoObservations,
            Self::NoFailures => WhyNotKnown::NoFailures,
            Self::NotANumber { .. } | Self::WeightsNotWhole | Self::NoRobustVariance | Self::ExactTiesNotOffered => {
                WhyNotKnown::NotANumber
            }
            Self::FrailtyUnbounded => WhyNotKnown::NotConverged,
            Self::Collinear { .. } => WhyNotKnown::Collinear,
            Self::Separated { .. } => WhyNotKnown::Separated,
            Self::NotConverged { .. } => WhyNotKnown::NotConverged,
        }
    }
}

impl fmt::Display for CoxProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let listed = |columns: &[ColumnName]| columns.iter().map(ColumnName::to_string).collect::<Vec<_>>().join(", ");
        match self {
            Self::LengthsDiffer => write!(f, "covariates or strata don't have a value for each observation"),
            Self::NoObservations => write!(f, "no observation has all covariates"),
            Self::NoFailures => write!(f, "nobody with all covariates failed"),
            Self::NotANumber { covariate } => write!(f, "a value of {covariate} is no finite number"),
            Self::Collinear { columns } => {
                write!(f, "constant, or made up of one another, where somebody failed: {}", listed(columns))
            }
            Self::Separated { columns } => {
                write!(f, "these tell without error who fails first, so their effect has no bound: {}", listed(columns))
            }
            Self::NotConverged { columns, iterations } => {
                write!(f, "not settled after {iterations} iterations; these moved most: {}", listed(columns))
            }
            Self::WeightsNotWhole => write!(f, "this likelihood takes case weights only as whole numbers"),
            Self::NoRobustVariance => write!(f, "the exact treatment of ties has no cluster-robust variance"),
            Self::ExactTiesNotOffered => write!(f, "this model does not take exact ties"),
            Self::FrailtyUnbounded => write!(f, "the likelihood grows with the variance of the frailties without end"),
        }
    }
}

impl std::error::Error for CoxProblem {}

/// How the iterations went.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Convergence {
    /// Newton steps taken.
    pub iterations: u32,
    /// Length of the slope in standard errors before the last step, which squares it.
    pub slope_in_standard_errors: f64,
    /// Change of the log-likelihood by the last step, as a part of it.
    pub relative_change: f64,
    /// How many times a step was halved.
    pub halvings: u32,
}

/// One coefficient.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoxCoefficient {
    /// What it belongs to.
    pub column: ColumnName,
    /// The coefficient: a logarithm of a hazard ratio.
    pub coefficient: Estimate<f64>,
    /// The hazard ratio, and the interval of the coefficient as ratios; its standard error is that of the coefficient.
    pub hazard_ratio: Estimate<f64>,
    /// The standard error if observations were independent.
    pub model_based_error: f64,
    /// The test against no effect.
    pub test: Known<CoefficientTest>,
}

/// The Wald test of all columns of a term.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TermTest {
    /// The covariate.
    pub covariate: String,
    /// The test of all its columns at once.
    pub test: Known<RegressionTest>,
}

/// What allows for clusters.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusterRobust {
    /// The covariance of the coefficients.
    pub covariance: Known<Vec<Vec<f64>>>,
    /// Wald's test of all coefficients.
    pub wald_test: Known<RegressionTest>,
    /// The score test of all coefficients.
    pub score_test: Known<RegressionTest>,
}

/// The result of a regression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoxRegression {
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<CoxCoefficient>,
    /// A test for each covariate.
    pub terms: Vec<TermTest>,
    /// The model-based covariance of the coefficients.
    pub covariance: Vec<Vec<f64>>,
    /// What allows for clusters, where asked for.
    pub cluster_robust: Option<ClusterRobust>,
    /// The partial log-likelihood without covariates.
    pub ln_likelihood_at_zero: f64,
    /// The partial log-likelihood at the estimate.
    pub ln_likelihood: f64,
    /// Likelihood-ratio test of all coefficients.
    pub likelihood_ratio_test: RegressionTest,
    /// Score test of all coefficients.
    pub score_test: RegressionTest,
    /// Wald's test of all coefficients, model-based.
    pub wald_test: RegressionTest,
    /// How the iterations went.
    pub convergence: Convergence,
    /// How tied failures were treated.
    pub ties: TiesHandling,
    /// Levels that nobody has, which have no coefficient.
    pub absent_levels: Vec<ColumnName>,
    /// Observations left out because a covariate or the stratum was missing.
    pub left_out: u64,
    /// How many stand behind it.
    pub behind: Behind,
}

/// A fitted regression, with what residuals, baselines and predictions need.
#[derive(Clone, Debug)]
pub struct CoxModel<'a> {
    /// The result.
    pub regression: CoxRegression,
    pub(super) observations: &'a Observations,
    pub(super) design: &'a CoxDesign,
    pub(super) strata: Option<&'a Grouping>,
    pub(super) options: CoxOptions,
    pub(super) sets: RiskSets,
    /// In the units of the columns inside.
    pub(super) beta: Vec<f64>,
    pub(super) at: Evaluation,
    pub(super) inverse: Symmetric,
}

impl CoxModel<'_> {
    /// From here on, concordance and predictions have this variance; the regression keeps its own.
    pub fn set_variance(&mut self, variance: Variance) {
        self.options.variance = variance;
    }
}

/// Fits a regression.
///
/// # Errors
///
/// When there is nothing to fit, a covariate is not a finite number, columns are collinear or separated, the iterations don't
/// settle, or the exact treatment of ties meets weights that are no whole numbers or is asked for a robust variance.
pub fn cox_regression<'a>(
    observations: &'a Observations,
    design: &'a CoxDesign,
    strata: Option<&'a Grouping>,
    options: CoxOptions,
) -> Result<CoxModel<'a>, CoxProblem> {
    let exact = options.ties == TiesHandling::ExactDiscrete;
    if exact && options.variance == Variance::ClusterRobust {
        return Err(CoxProblem::NoRobustVariance);
    }
    let sets = RiskSets::build(observations, design, strata)?;
    if exact && !weights_are_whole(&sets) {
        return Err(CoxProblem::WeightsNotWhole);
    }
    let at_zero = evaluate_any(&sets, options.ties, &vec![0.0; sets.width()]);
    let root_at_zero = root_or_collinear(&sets, &at_zero)?;
    let settled = climb(&sets, options.ties, at_zero.clone(), root_at_zero.clone())?;
    let inverse = settled.root.inverse();
    let robust =
        (options.variance == Variance::ClusterRobust).then(|| Robust::of(&sets, observations, &at_zero, &settled, &inverse));
    let regression = summarise(&sets, design, options, &at_zero, &root_at_zero, &settled, &inverse, robust);
    Ok(CoxModel { regression, observations, design, strata, options, sets, beta: settled.beta, at: settled.at, inverse })
}

struct Robust {
    covariance: Known<Symmetric>,
    score_test: Known<RegressionTest>,
}

impl Robust {
    fn of(
        sets: &RiskSets,
        observations: &Observations,
        at_zero: &Evaluation,
        settled: &Settled,
        inverse: &Symmetric,
    ) -> Self {
        if sets.behind.clusters < 2 {
            let why = WhyNotKnown::TooFewClusters;
            return Self { covariance: Known::NotKnown(why), score_test: Known::NotKnown(why) };
        }
        let width = sets.width();
        let squares = |at: &Evaluation| {
            let scores = weighted_scores(sets, at, |_| 1.0);
            let sums = by_cluster(sets, observations.cluster(), observations.clusters(), &scores, width);
            sum_of_squares(&sums, width)
        };
        Self {
            covariance: Known::Known(squares(&settled.at).between(inverse)),
            score_test: RegressionTest::quadratic(&at_zero.score, &squares(at_zero)),
        }
    }
}

#[expect(clippy::too_many_arguments, reason = "one call; everything that a result is made of")]
fn summarise(
    sets: &RiskSets,
    design: &CoxDesign,
    options: CoxOptions,
    at_zero: &Evaluation,
    root_at_zero: &Root,
    settled: &Settled,
    inverse: &Symmetric,
    robust: Option<Robust>,
) -> CoxRegression {
    let width = sets.width();
    let to_units: Vec<f64> = sets.scale.iter().map(|scale| 1.0 / scale).collect();
    let beta: Vec<f64> = settled.beta.iter().zip(&to_units).map(|(beta, unit)| beta * unit).collect();
    let model_based = inverse.scaled(&to_units);
    let cluster_robust = robust.as_ref().map(|robust| robust.covariance.clone().map(|matrix| matrix.scaled(&to_units)));
    let used = cluster_robust.clone().unwrap_or_else(|| Known::Known(model_based.clone()));
    let degrees_of_freedom = (options.variance == Variance::ClusterRobust
        && options.reference == ReferenceDistribution::StudentByClusters)
        .then_some(sets.behind.clusters as f64 - 1.0);
    let coefficients = (0..width)
        .map(|k| {
            let error = used.clone().map(|used| libm::sqrt(used.at(k, k)));
            coefficient(sets, options, degrees_of_freedom, k, beta[k], error, libm::sqrt(model_based.at(k, k)))
        })
        .collect();
    let test_of = |kept: &[usize], covariance: &Known<Symmetric>| match covariance {
        Known::Known(covariance) => {
            let part: Vec<f64> = kept.iter().map(|&k| beta[k]).collect();
            RegressionTest::quadratic(&part, &covariance.only(kept))
        }
        Known::NotKnown(why) => Known::NotKnown(*why),
    };
    let all: Vec<usize> = (0..width).collect();
    let terms = design.covariates().iter().enumerate().map(|(term, covariate)| {
        let kept: Vec<usize> = all.iter().copied().filter(|&k| sets.design_columns[k].term == term).collect();
        TermTest { covariate: covariate.name.clone(), test: test_of(&kept, &used) }
    });
    CoxRegression {
        coefficients,
        terms: terms.collect(),
        covariance: model_based.rows(),
        cluster_robust: robust.zip(cluster_robust).map(|(robust, covariance)| ClusterRobust {
            wald_test: test_of(&all, &covariance),
            covariance: covariance.map(|covariance| covariance.rows()),
            score_test: robust.score_test,
        }),
        ln_likelihood_at_zero: at_zero.ln_likelihood,
        ln_likelihood: settled.at.ln_likelihood,
        likelihood_ratio_test: RegressionTest::of(
            (2.0 * (settled.at.ln_likelihood - at_zero.ln_likelihood)).max(0.0),
            width,
        ),
        score_test: RegressionTest::of(root_at_zero.quadratic_form(&at_zero.score), width),
        wald_test: RegressionTest::of(
            settled.beta.iter().zip(settled.at.information.times(&settled.beta)).map(|(beta, product)| beta * product).sum(),
            width,
        ),
        convergence: settled.convergence,
        ties: options.ties,
        absent_levels: sets.absent.clone(),
        left_out: sets.left_out,
        behind: sets.behind,
    }
}

fn coefficient(
    sets: &RiskSets,
    options: CoxOptions,
    degrees_of_freedom: Option<f64>,
    k: usize,
    beta: f64,
    error: Known<f64>,
    model_based_error: f64,
) -> CoxCoefficient {
    let reach = reach(options.level, degrees_of_freedom);
    let interval = error.map(|error| ConfidenceInterval {
        lower: beta - reach * error,
        upper: beta + reach * error,
        level: options.level,
        method: IntervalMethod::Plain,
    });
    let estimate = Estimate {
        value: beta,
        standard_error: error.known().copied(),
        variance: options.variance,
        interval,
        behind: sets.behind,
    };
    let ratios = match interval {
        Known::Known(interval) => {
            let (lower, upper) = (libm::exp(interval.lower), libm::exp(interval.upper));
            if upper.is_finite() {
                Known::Known(ConfidenceInterval { lower, upper, method: IntervalMethod::Log, ..interval })
            } else {
                Known::NotKnown(WhyNotKnown::AtBoundary)
            }
        }
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    CoxCoefficient {
        column: sets.names[k].clone(),
        coefficient: estimate,
        hazard_ratio: Estimate { value: libm::exp(beta), interval: ratios, ..estimate },
        model_based_error,
        test: match error {
            Known::Known(error) if error > 0.0 => Known::Known(coefficient_test(beta, error, degrees_of_freedom)),
            Known::Known(_) => Known::NotKnown(WhyNotKnown::TooFewClusters),
            Known::NotKnown(why) => Known::NotKnown(why),
        },
    }
}
