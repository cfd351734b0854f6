//! Parametric regression of times to failure (accelerated failure time): how covariates stretch the time in place.
//!
//! Definition.  ln T = μ + xβ + σW, with W as the family has it (`log_time_family`). One unit of a number, or a level against the
//!              reference, multiplies every quantile of T by the time ratio e^β. In the Weibull family it also multiplies the hazard by
//!              e^{−β/σ}, in the log-logistic one the odds of having failed.
//! Likelihood.  Of T, all kinds of bounds together (`timed_bounds`): densities of exact times, survival of those in place, differences of
//!              survival within intervals, each divided by the survival at a delayed entry.
//! Variance.    Model-based: the inverse of the observed information I of (μ, β, ln σ). Cluster-robust: I⁻¹·(Σ clusters u·uᵀ)·I⁻¹ with
//!              scores u summed by cluster, without a factor for their number.
//! Tests.       Likelihood ratio (of each term by fitting without it) and Wald, of each term, a factor as a whole, and of all. A
//!              likelihood ratio takes observations as independent.
//! Criteria.    With k parameters: AIC = 2k − 2·ln L; AICc = AIC + 2k(k + 1)/(n − k − 1) with n observations that say something, summed
//!              by weight; BIC = k·ln n − 2·ln L twice, once with that n and once with the number of failures in its place.
//! Source.      Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 1980, ch. 2–3; Lawless JF. Statistical Models
//!              and Methods for Lifetime Data, 1982, ch. 6; sandwich: White H. Econometrica 1982;50:1–25; BIC by failures: Volinsky CT,
//!              Raftery AE. Biometrics 2000;56:256–262; AICc: Hurvich CM, Tsai CL. Biometrika 1989;76:297–307 (all from memory).
//! Decided.     Columns are centred on their means and divided by powers of two inside; results are in the units given. Intervals of
//!              ratios and of σ are symmetric on the logarithm, and so are their standard errors, as of the ratios' logarithms. A row
//!              that lacks a covariate is left out and counted. Competing endings are censorings here, so survival is net of them.
//! Edge cases.  Refused by name: nobody failed; all had failed before anybody looked; a level whose members never failed; columns made up
//!              of others; times told without error (one failure alone, or all at one time: σ = 0); σ without bound. One cluster: the
//!              robust variance is not known.
//! Cost.        Some ten passes of O(rows·columns²), and a few more for each term.
//! Not for.     Hazards of a shape that the family hasn't: hold it against a curve without one (`curve_distance`).
//!
//! ```
//! use manebit::stats::{CoxDesign, LogTimeFamily, ParametricOptions, TimedBounds, parametric_regression};
//!
//! // By hand: two failures in 1 + 2 + 3 + 4 years are a hazard of 0.2, so μ = ln 5 in the exponential family.
//! let mut bounds = TimedBounds::default();
//! for (mouth, (lower, upper)) in (0..).zip([(1.0, 1.0), (2.0, f64::INFINITY), (3.0, 3.0), (4.0, f64::INFINITY)]) {
//!     bounds.push(lower, upper, mouth)?;
//! }
//! let design = CoxDesign::default();
//! let options = ParametricOptions { family: LogTimeFamily::Exponential, ..ParametricOptions::default() };
//! let model = parametric_regression(&bounds, &design, options)?;
//! assert!((model.regression.intercept.value - 5_f64.ln()).abs() < 1e-12);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::Convergence;
use super::cox_design::{Column, ColumnName, CoxDesign};
use super::cox_tests::{CoefficientTest, ReferenceDistribution, RegressionTest, coefficient_test, reach};
use super::log_time_family::LogTimeFamily;
use super::parametric_climb::{NoMaximum, Settled, climb, start};
use super::parametric_likelihood::{Covariates, Knowledge, LogTimes, scores_by_cluster};
use super::symmetric::{NOTHING_LEFT, Symmetric};
use super::timed_bounds::TimedBounds;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};
use crate::threads::available;

/// From this many rows on, threads pay.
const MANY_ROWS: usize = 10_000;
/// The most threads that are used.
const MOST_THREADS: usize = 8;

/// How wide the family spreads on the scale of ln T.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Spread {
    /// σ is estimated; in the exponential family it is 1 all the same.
    #[default]
    Estimated,
    /// σ is this, such as the reciprocal of a Weibull shape known beforehand; in the exponential family it is 1 all the same.
    Given(f64),
}

/// What to fit and how to judge it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricOptions {
    /// The family.
    pub family: LogTimeFamily,
    /// Whether σ is estimated.
    pub spread: Spread,
    /// The variance behind errors, intervals and tests of coefficients.
    pub variance: Variance,
    /// The coverage of intervals.
    pub level: ConfidenceLevel,
    /// What standardised coefficients are compared with.
    pub reference: ReferenceDistribution,
}

impl Default for ParametricOptions {
    /// Weibull, σ estimated; cluster-robust, because fillings share mouths; 0.95; the normal distribution.
    fn default() -> Self {
        Self {
            family: LogTimeFamily::Weibull,
            spread: Spread::Estimated,
            variance: Variance::ClusterRobust,
            level: ConfidenceLevel::USUAL,
            reference: ReferenceDistribution::Normal,
        }
    }
}

impl ParametricOptions {
    /// 1/σ, where σ isn't estimated.
    fn fixed_alpha(&self) -> Option<f64> {
        match (self.family, self.spread) {
            (LogTimeFamily::Exponential, _) => Some(1.0),
            (_, Spread::Given(sigma)) => Some(1.0 / sigma),
            (_, Spread::Estimated) => None,
        }
    }
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ParametricProblem {
    /// Covariates don't have a value for each row.
    LengthsDiffer,
    /// No row has all covariates.
    NoObservations,
    /// Nobody with all covariates failed.
    NoFailures,
    /// All had failed before anybody looked: nothing bounds the times from below.
    NeverSeenInPlace,
    /// A value of this covariate is no finite number.
    NotANumber {
        /// The covariate.
        covariate: String,
    },
    /// The σ given is not a finite number above 0.
    SpreadNotAboveZero,
    /// These columns are constant, or made up of one another.
    Collinear {
        /// The columns.
        columns: Vec<ColumnName>,
    },
    /// These columns tell without error who fails, so the likelihood climbs for ever along them: a level, say, that never failed.
    Separated {
        /// The columns.
        columns: Vec<ColumnName>,
    },
    /// The model tells the times without error, so σ falls to 0.
    SpreadVanishes,
    /// The likelihood climbs with σ for ever.
    SpreadUnbounded,
    /// The iterations did not settle.
    NotConverged {
        /// How many were made.
        iterations: u32,
    },
}

impl ParametricProblem {
    /// The nearest of the reasons that results know.
    pub fn why(&self) -> WhyNotKnown {
        match self {
            Self::LengthsDiffer | Self::NoObservations => WhyNotKnown::NoObservations,
            Self::NoFailures => WhyNotKnown::NoFailures,
            Self::NotANumber { .. } | Self::SpreadNotAboveZero => WhyNotKnown::NotANumber,
            Self::Collinear { .. } => WhyNotKnown::Collinear,
            Self::Separated { .. } => WhyNotKnown::Separated,
            Self::NeverSeenInPlace | Self::SpreadVanishes | Self::SpreadUnbounded => WhyNotKnown::AtBoundary,
            Self::NotConverged { .. } => WhyNotKnown::NotConverged,
        }
    }
}

impl fmt::Display for ParametricProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let listed = |columns: &[ColumnName]| columns.iter().map(ColumnName::to_string).collect::<Vec<_>>().join(", ");
        match self {
            Self::LengthsDiffer => write!(f, "covariates don't have a value for each row"),
            Self::NoObservations => write!(f, "no row has all covariates"),
            Self::NoFailures => write!(f, "nobody with all covariates failed"),
            Self::NeverSeenInPlace => {
                write!(f, "all had failed before anybody looked, so nothing bounds the times from below")
            }
            Self::NotANumber { covariate } => write!(f, "a value of {covariate} is no finite number"),
            Self::SpreadNotAboveZero => write!(f, "the spread given is not a finite number above 0"),
            Self::Collinear { columns } => write!(f, "constant, or made up of one another: {}", listed(columns)),
            Self::Separated { columns } => {
                write!(f, "these tell without error who fails, so their effect has no bound: {}", listed(columns))
            }
            Self::SpreadVanishes => write!(f, "the model tells the times without error, so the spread falls to 0"),
            Self::SpreadUnbounded => write!(f, "the likelihood climbs with the spread without end"),
            Self::NotConverged { iterations } => write!(f, "not settled after {iterations} iterations"),
        }
    }
}

impl std::error::Error for ParametricProblem {}

/// One coefficient.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricCoefficient {
    /// What it belongs to.
    pub column: ColumnName,
    /// The coefficient β: a logarithm of a time ratio.
    pub coefficient: Estimate<f64>,
    /// The time ratio e^β; its standard error is that of its logarithm.
    pub time_ratio: Estimate<f64>,
    /// The hazard ratio e^{−β/σ}, in the exponential and the Weibull family; its standard error is that of its logarithm.
    pub hazard_ratio: Option<Estimate<f64>>,
    /// The ratio of the odds of having failed, e^{−β/σ}, in the log-logistic family; its standard error is that of its logarithm.
    pub odds_ratio: Option<Estimate<f64>>,
    /// The standard error of β if observations were independent.
    pub model_based_error: f64,
    /// The standard error of β that allows for clusters.
    pub cluster_robust_error: Known<f64>,
    /// The test against no effect.
    pub test: Known<CoefficientTest>,
}

/// Tests of all columns of a term.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricTermTests {
    /// The covariate.
    pub covariate: String,
    /// By the likelihood of the model without it.
    pub likelihood_ratio: Known<RegressionTest>,
    /// Wald's test, model-based.
    pub wald: Known<RegressionTest>,
    /// Wald's test with the cluster-robust variance.
    pub cluster_robust_wald: Known<RegressionTest>,
}

/// How well a model fits for the number of its parameters; less is better, among models of the same rows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InformationCriteria {
    /// k, the number of parameters: μ, coefficients, and σ if it was estimated.
    pub parameters: u32,
    /// n, the number of observations that say something, summed by weight.
    pub observations: f64,
    /// The number of failures, summed by weight.
    pub failures: f64,
    /// AIC.
    pub aic: f64,
    /// AIC corrected for small n; not known unless n exceeds k + 1.
    pub aic_corrected: Known<f64>,
    /// BIC with n observations.
    pub bic_by_observations: f64,
    /// BIC with the number of failures for n.
    pub bic_by_failures: f64,
}

impl InformationCriteria {
    fn of(ln_likelihood: f64, parameters: usize, observations: f64, failures: f64) -> Self {
        let k = parameters as f64;
        let aic = 2.0 * (k - ln_likelihood);
        let left = observations - k - 1.0;
        Self {
            parameters: u32::try_from(parameters).unwrap_or(u32::MAX),
            observations,
            failures,
            aic,
            aic_corrected: if left > 0.0 {
                Known::Known(aic + 2.0 * k * (k + 1.0) / left)
            } else {
                Known::NotKnown(WhyNotKnown::NoObservations)
            },
            bic_by_observations: k * libm::log(observations) - 2.0 * ln_likelihood,
            bic_by_failures: k * libm::log(failures) - 2.0 * ln_likelihood,
        }
    }
}

/// The result of a parametric regression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricRegression {
    /// The family.
    pub family: LogTimeFamily,
    /// μ, where all numbers are 0 and all factors at their reference, in logarithms of the unit of time.
    pub intercept: Estimate<f64>,
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<ParametricCoefficient>,
    /// σ; 1/σ is the shape of a Weibull family.
    pub spread: f64,
    /// σ with its interval; none if it was given. Its standard error is that of its logarithm.
    pub estimated_spread: Option<Estimate<f64>>,
    /// ln σ; none if σ was given.
    pub ln_spread: Option<Estimate<f64>>,
    /// Tests for each covariate.
    pub terms: Vec<ParametricTermTests>,
    /// The model-based covariance of μ, the coefficients, and ln σ unless σ was given.
    pub covariance: Vec<Vec<f64>>,
    /// The cluster-robust covariance of the same.
    pub cluster_robust_covariance: Known<Vec<Vec<f64>>>,
    /// The log-likelihood of the model without covariates.
    pub ln_likelihood_without: f64,
    /// The log-likelihood.
    pub ln_likelihood: f64,
    /// Likelihood-ratio test of all coefficients.
    pub likelihood_ratio_test: RegressionTest,
    /// Wald's test of all coefficients, model-based.
    pub wald_test: Known<RegressionTest>,
    /// Wald's test of all coefficients with the cluster-robust variance.
    pub cluster_robust_wald_test: Known<RegressionTest>,
    /// How well it fits for its parameters.
    pub criteria: InformationCriteria,
    /// How the iterations went.
    pub convergence: Convergence,
    /// The last time that was looked at; predictions beyond it rest on the family alone.
    pub last_time: f64,
    /// Levels that nobody has, which have no coefficient.
    pub absent_levels: Vec<ColumnName>,
    /// Rows left out because a covariate was missing.
    pub left_out: u64,
    /// How many stand behind it.
    pub behind: Behind,
}

/// A fitted parametric regression, with what predictions need.
#[derive(Clone, Debug)]
pub struct ParametricModel<'a> {
    /// The result.
    pub regression: ParametricRegression,
    pub(super) options: ParametricOptions,
    pub(super) design: &'a CoxDesign,
    pub(super) columns: Columns,
    /// γ and α in the units inside.
    pub(super) point: Vec<f64>,
    /// What was taken from logarithms of times.
    pub(super) centre: f64,
    /// Of what was estimated of `point`, by the variance of the options.
    pub(super) covariance: Known<Symmetric>,
    /// xγ of each row that says something, and its weight.
    pub(super) predictors: Vec<(f64, f64)>,
}

/// Columns of the model: what they are, and how they were moved and divided.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    pub(super) of: Vec<Column>,
    pub(super) names: Vec<ColumnName>,
    pub(super) centre: Vec<f64>,
    pub(super) scale: Vec<f64>,
}

/// What the rows of a regression are made into.
struct Prepared {
    times: LogTimes,
    columns: Columns,
    /// Covariates row after row.
    values: Vec<f64>,
    absent: Vec<ColumnName>,
    left_out: u64,
    behind: Behind,
}

/// Fits a regression.
///
/// # Errors
///
/// When there is nothing to fit, a covariate is not a finite number, the σ given is not above 0, columns are collinear or separated, the
/// spread has no estimate, or the iterations don't settle.
pub fn parametric_regression<'a>(
    bounds: &TimedBounds,
    design: &'a CoxDesign,
    options: ParametricOptions,
) -> Result<ParametricModel<'a>, ParametricProblem> {
    let fixed_alpha = options.fixed_alpha();
    if fixed_alpha.is_some_and(|alpha| !(alpha > 0.0 && alpha.is_finite())) {
        return Err(ParametricProblem::SpreadNotAboveZero);
    }
    let prepared = Prepared::of(bounds, design, options.family)?;
    let Prepared { times, columns, values, .. } = &prepared;
    let x = Covariates { values, columns: columns.of.len() };
    let estimate_alpha = fixed_alpha.is_none();
    let told = |no_maximum: NoMaximum| match no_maximum {
        NoMaximum::Separated(which) => {
            ParametricProblem::Separated { columns: which.iter().map(|&k| columns.names[k].clone()).collect() }
        }
        NoMaximum::SpreadVanishes => ParametricProblem::SpreadVanishes,
        NoMaximum::SpreadUnbounded => ParametricProblem::SpreadUnbounded,
        NoMaximum::NotConverged(iterations) => ParametricProblem::NotConverged { iterations },
    };
    let without = climb(times, Covariates::NONE, start(times, fixed_alpha), estimate_alpha).map_err(told)?;
    let settled = if x.columns == 0 {
        without.clone()
    } else {
        let mut point = vec![0.0; x.columns + 2];
        (point[0], point[x.columns + 1]) = (without.point[0], without.point[1]);
        climb(times, x, point, estimate_alpha).map_err(told)?
    };
    let mut fit = Fit::of(&prepared, bounds, &settled, estimate_alpha);
    let drop_term = |term: usize| -> Known<RegressionTest> {
        let kept: Vec<usize> = (0..x.columns).filter(|&k| columns.of[k].term != term).collect();
        let lost = x.columns - kept.len();
        let reduced = if kept.is_empty() {
            Ok(without.clone())
        } else {
            let values: Vec<f64> = (0..times.len()).flat_map(|row| kept.iter().map(move |&k| x.of(row)[k])).collect();
            let mut point = vec![settled.point[0]];
            point.extend(kept.iter().map(|&k| settled.point[k + 1]));
            point.push(settled.point[x.columns + 1]);
            climb(times, Covariates { values: &values, columns: kept.len() }, point, estimate_alpha)
        };
        match reduced {
            Ok(reduced) => Known::Known(likelihood_ratio(&settled, &reduced, lost)),
            Err(why) => Known::NotKnown(told(why).why()),
        }
    };
    fit.term_ratios = (0..design.covariates().len()).map(drop_term).collect();
    let predictors = (0..times.len()).map(|row| (x.predictor(row, &settled.point), times.weight_of(row))).collect();
    let regression = fit.summarise(&prepared, design, options, &settled, &without);
    let covariance = match options.variance {
        Variance::ModelBased => Known::Known(fit.inside),
        Variance::ClusterRobust => fit.inside_robust,
    };
    Ok(ParametricModel {
        regression,
        options,
        design,
        covariance,
        predictors,
        point: settled.point,
        centre: prepared.times.centre,
        columns: prepared.columns,
    })
}

fn likelihood_ratio(full: &Settled, reduced: &Settled, lost: usize) -> RegressionTest {
    RegressionTest::of((2.0 * (full.at.ln_likelihood - reduced.at.ln_likelihood)).max(0.0), lost)
}

impl Prepared {
    fn of(bounds: &TimedBounds, design: &CoxDesign, family: LogTimeFamily) -> Result<Self, ParametricProblem> {
        let n = bounds.len();
        if !design.covariates().is_empty() && !design.fits(n) {
            return Err(ParametricProblem::LengthsDiffer);
        }
        let mut complete = vec![true; n];
        design.leave_out_incomplete(&mut complete);
        if let Some(covariate) = design.not_a_number(&complete) {
            return Err(ParametricProblem::NotANumber { covariate: covariate.to_owned() });
        }
        let behind = behind(bounds, &complete);
        if behind.observations == 0 {
            return Err(ParametricProblem::NoObservations);
        }
        if behind.failures == 0 {
            return Err(ParametricProblem::NoFailures);
        }
        if !bounds.lower().iter().zip(&complete).any(|(&lower, &complete)| complete && lower > 0.0) {
            return Err(ParametricProblem::NeverSeenInPlace);
        }
        let threads = if n < MANY_ROWS { 1 } else { available().min(MOST_THREADS) };
        let times = LogTimes::of(bounds, &complete, family.law(), threads);
        let mut says_something = vec![false; n];
        times.row.iter().for_each(|&row| says_something[row as usize] = true);
        let (of, absent) = design.columns(&says_something);
        let names: Vec<ColumnName> = of.iter().map(|&column| design.name(column)).collect();
        let (centre, scale): (Vec<f64>, Vec<f64>) =
            of.iter().map(|&column| design.centre_and_scale(column, &says_something)).unzip();
        let constant: Vec<ColumnName> =
            scale.iter().zip(&names).filter(|&(&scale, _)| scale <= 0.0).map(|(_, name)| name.clone()).collect();
        if !constant.is_empty() {
            return Err(ParametricProblem::Collinear { columns: constant });
        }
        let width = of.len();
        let mut values = vec![0.0; width * times.len()];
        for (k, &column) in of.iter().enumerate() {
            let gathered = design.gather(column, &times.row, centre[k], scale[k]);
            values.iter_mut().skip(k).step_by(width).zip(gathered).for_each(|(place, value)| *place = value);
        }
        let columns = Columns { of, names, centre, scale };
        columns.refuse_collinear(&values)?;
        Ok(Self { times, columns, values, absent, left_out: n as u64 - behind.observations, behind })
    }
}

impl Columns {
    /// Columns that are made up of those before them.
    fn refuse_collinear(&self, values: &[f64]) -> Result<(), ParametricProblem> {
        let width = self.of.len();
        let mut squares = Symmetric::zero(width);
        if width > 0 {
            values.chunks_exact(width).for_each(|row| squares.add_square(1.0, row));
        }
        let Err(bad) = squares.root(NOTHING_LEFT, &squares.diagonal()) else { return Ok(()) };
        let before: Vec<usize> = (0..bad).collect();
        let mut columns = vec![self.names[bad].clone()];
        if let Ok(root) = squares.only(&before).root(0.0, &squares.diagonal()) {
            let shared: Vec<f64> = before.iter().map(|&k| squares.at(bad, k)).collect();
            let parts = root.solve(&shared);
            let of_bad = squares.at(bad, bad);
            columns.extend(
                before
                    .iter()
                    .filter(|&&k| parts[k].abs() * libm::sqrt(squares.at(k, k) / of_bad) > 1e-5)
                    .map(|&k| self.names[k].clone()),
            );
        }
        columns.sort();
        Err(ParametricProblem::Collinear { columns })
    }
}

fn behind(bounds: &TimedBounds, complete: &[bool]) -> Behind {
    let mut seen = vec![false; bounds.clusters() as usize];
    let mut behind = Behind::default();
    for (row, _) in complete.iter().enumerate().filter(|&(_, &complete)| complete) {
        behind.observations += 1;
        behind.failures += u64::from(bounds.upper()[row].is_finite());
        let seen = &mut seen[bounds.cluster()[row] as usize];
        behind.clusters += u64::from(!*seen);
        *seen = true;
    }
    behind
}

/// Estimates and their covariances, inside and in the units given.
struct Fit {
    /// μ, β, and ln σ if it was estimated.
    estimates: Vec<f64>,
    sigma: f64,
    inside: Symmetric,
    inside_robust: Known<Symmetric>,
    model_based: Symmetric,
    robust: Known<Symmetric>,
    term_ratios: Vec<Known<RegressionTest>>,
}

impl Fit {
    fn of(prepared: &Prepared, bounds: &TimedBounds, settled: &Settled, estimate_alpha: bool) -> Self {
        let Prepared { times, columns, values, behind, .. } = prepared;
        let width = columns.of.len();
        let point = &settled.point;
        let sigma = 1.0 / point[width + 1];
        let beta: Vec<f64> = (0..width).map(|k| sigma * point[k + 1] / columns.scale[k]).collect();
        let from_centre: f64 = beta.iter().zip(&columns.centre).map(|(beta, centre)| beta * centre).sum();
        let moved = sigma * point[0] - from_centre;
        // The derivatives of (μ, β, ln σ) in (γ, α), a row each.
        let size = if estimate_alpha { width + 2 } else { width + 1 };
        let mut change = vec![vec![0.0; size]; size];
        change[0][0] = sigma;
        for k in 0..width {
            change[0][k + 1] = -sigma * columns.centre[k] / columns.scale[k];
            change[k + 1][k + 1] = sigma / columns.scale[k];
        }
        let mut estimates = vec![times.centre + moved];
        estimates.extend(&beta);
        if estimate_alpha {
            change[0][width + 1] = -sigma * moved;
            for k in 0..width {
                change[k + 1][width + 1] = -sigma * beta[k];
            }
            change[width + 1][width + 1] = -sigma;
            estimates.push(libm::log(sigma));
        }
        let inside = settled.root.inverse();
        let inside_robust = if behind.clusters < 2 {
            Known::NotKnown(WhyNotKnown::TooFewClusters)
        } else {
            let x = Covariates { values, columns: width };
            let sums = scores_by_cluster(times, x, point, bounds.cluster(), bounds.clusters());
            let mut squares = Symmetric::zero(size);
            sums.chunks_exact(width + 2).for_each(|sum| squares.add_square(1.0, &sum[..size]));
            Known::Known(squares.between(&inside))
        };
        Self {
            estimates,
            sigma,
            model_based: carried(&inside, &change),
            robust: inside_robust.clone().map(|inside| carried(&inside, &change)),
            inside,
            inside_robust,
            term_ratios: Vec::new(),
        }
    }

    fn summarise(
        &self,
        prepared: &Prepared,
        design: &CoxDesign,
        options: ParametricOptions,
        settled: &Settled,
        without: &Settled,
    ) -> ParametricRegression {
        let Prepared { times, columns, behind, .. } = prepared;
        let width = columns.of.len();
        let (used, used_inside) = match options.variance {
            Variance::ModelBased => (Known::Known(&self.model_based), Known::Known(&self.inside)),
            Variance::ClusterRobust => (as_ref(&self.robust), as_ref(&self.inside_robust)),
        };
        let degrees_of_freedom = (options.variance == Variance::ClusterRobust
            && options.reference == ReferenceDistribution::StudentByClusters)
            .then_some(behind.clusters as f64 - 1.0);
        let reading = Reading {
            variance: options.variance,
            level: options.level,
            reach: reach(options.level, degrees_of_freedom),
            behind: *behind,
        };
        let error_of = |matrix: &Known<&Symmetric>, k: usize| matrix.map(|matrix| libm::sqrt(matrix.at(k, k)));
        let ratio_kind = options.family;
        let coefficient = |k: usize| {
            let beta = self.estimates[k + 1];
            let error = error_of(&used, k + 1);
            let scale = columns.scale[k];
            let ln_ratio = -settled.point[k + 1] / scale;
            let ratio = reading.ratio(ln_ratio, error_of(&used_inside, k + 1).map(|error| error / scale));
            ParametricCoefficient {
                column: columns.names[k].clone(),
                coefficient: reading.plain(beta, error),
                time_ratio: reading.ratio(beta, error),
                hazard_ratio: matches!(ratio_kind, LogTimeFamily::Exponential | LogTimeFamily::Weibull).then_some(ratio),
                odds_ratio: (ratio_kind == LogTimeFamily::LogLogistic).then_some(ratio),
                model_based_error: libm::sqrt(self.model_based.at(k + 1, k + 1)),
                cluster_robust_error: error_of(&as_ref(&self.robust), k + 1),
                test: match error {
                    Known::Known(error) if error > 0.0 => Known::Known(coefficient_test(beta, error, degrees_of_freedom)),
                    Known::Known(_) => Known::NotKnown(WhyNotKnown::TooFewClusters),
                    Known::NotKnown(why) => Known::NotKnown(why),
                },
            }
        };
        let wald = |kept: &[usize], covariance: &Known<Symmetric>| match covariance {
            Known::Known(covariance) => {
                let part: Vec<f64> = kept.iter().map(|&k| self.estimates[k]).collect();
                RegressionTest::quadratic(&part, &covariance.only(kept))
            }
            Known::NotKnown(why) => Known::NotKnown(*why),
        };
        let model_based = Known::Known(self.model_based.clone());
        let terms = design.covariates().iter().zip(&self.term_ratios).enumerate().map(|(term, (covariate, ratio))| {
            let kept: Vec<usize> = (0..width).filter(|&k| columns.of[k].term == term).map(|k| k + 1).collect();
            ParametricTermTests {
                covariate: covariate.name.clone(),
                likelihood_ratio: *ratio,
                wald: wald(&kept, &model_based),
                cluster_robust_wald: wald(&kept, &self.robust),
            }
        });
        let all: Vec<usize> = (1..=width).collect();
        let ln_spread = self.estimates.get(width + 1).map(|&ln| (ln, error_of(&used, width + 1)));
        let ln_likelihood = |settled: &Settled| settled.at.ln_likelihood - times.ln_stretch;
        let failed = |row: &usize| times.knowledge[*row] != Knowledge::Later;
        let failures = (0..times.len()).filter(failed).map(|row| times.weight_of(row)).sum();
        let observations = (0..times.len()).map(|row| times.weight_of(row)).sum();
        ParametricRegression {
            family: options.family,
            intercept: reading.plain(self.estimates[0], error_of(&used, 0)),
            coefficients: (0..width).map(coefficient).collect(),
            spread: self.sigma,
            estimated_spread: ln_spread.map(|(ln, error)| reading.ratio(ln, error)),
            ln_spread: ln_spread.map(|(ln, error)| reading.plain(ln, error)),
            terms: terms.collect(),
            covariance: self.model_based.rows(),
            cluster_robust_covariance: self.robust.clone().map(|robust| robust.rows()),
            ln_likelihood_without: ln_likelihood(without),
            ln_likelihood: ln_likelihood(settled),
            likelihood_ratio_test: likelihood_ratio(settled, without, width),
            wald_test: wald(&all, &model_based),
            cluster_robust_wald_test: wald(&all, &self.robust),
            criteria: InformationCriteria::of(ln_likelihood(settled), self.estimates.len(), observations, failures),
            convergence: settled.convergence,
            last_time: times.last_time,
            absent_levels: prepared.absent.clone(),
            left_out: prepared.left_out,
            behind: *behind,
        }
    }
}

fn as_ref(known: &Known<Symmetric>) -> Known<&Symmetric> {
    match known {
        Known::Known(matrix) => Known::Known(matrix),
        Known::NotKnown(why) => Known::NotKnown(*why),
    }
}

/// C·M·Cᵀ for the derivatives C, a row each.
fn carried(matrix: &Symmetric, change: &[Vec<f64>]) -> Symmetric {
    let size = change.len();
    let half: Vec<Vec<f64>> = change.iter().map(|row| matrix.times(row)).collect();
    let mut result = Symmetric::zero(size);
    for (i, half) in half.iter().enumerate() {
        for (j, row) in change.iter().enumerate().take(i + 1) {
            result.add(i, j, half.iter().zip(row).map(|(a, b)| a * b).sum());
        }
    }
    result
}

/// What turns numbers and their errors into estimates.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reading {
    pub(super) variance: Variance,
    pub(super) level: ConfidenceLevel,
    pub(super) reach: f64,
    pub(super) behind: Behind,
}

impl Reading {
    pub(super) fn plain(&self, value: f64, error: Known<f64>) -> Estimate<f64> {
        let interval = error.map(|error| ConfidenceInterval {
            lower: value - self.reach * error,
            upper: value + self.reach * error,
            level: self.level,
            method: IntervalMethod::Plain,
        });
        let standard_error = error.known().copied();
        Estimate { value, standard_error, variance: self.variance, interval, behind: self.behind }
    }

    /// The exponential of a value, with its limits; the standard error stays that of the logarithm.
    pub(super) fn ratio(&self, ln_value: f64, error: Known<f64>) -> Estimate<f64> {
        let plain = self.plain(ln_value, error);
        let interval = match plain.interval {
            Known::Known(limits) => {
                let (lower, upper) = (libm::exp(limits.lower), libm::exp(limits.upper));
                if upper.is_finite() {
                    Known::Known(ConfidenceInterval { lower, upper, method: IntervalMethod::Log, ..limits })
                } else {
                    Known::NotKnown(WhyNotKnown::AtBoundary)
                }
            }
            Known::NotKnown(why) => Known::NotKnown(why),
        };
        Estimate { value: libm::exp(ln_value), interval, ..plain }
    }
}
