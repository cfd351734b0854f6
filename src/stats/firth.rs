//! Proportional hazards regression with Firth's penalty: finite estimates where data are sparse or separated.
//!
//! Definition.  β maximises ln L*(β) = ln L(β) + ½·ln|I(β)|, the partial likelihood times Jeffreys' prior; this takes the first order
//!              off the bias of the maximum-likelihood estimate.
//! Formula.     U*_k = U_k + ½·Σ places Σ_l w̄·E_l[(yᵀ·I⁻¹·y)·y_k], y = x − x̄_l, E_l over the risk set with the weights e of term l. With
//!              q = xᵀ·I⁻¹·x that needs running sums of e, e·x, e·q, e·q·x and e·x·xᵀ only.
//! Inference.   Penalised likelihood ratio: 2·(ln L*(β̂) − max ln L* with β_k = 0), χ² with one degree of freedom. Limits: those β_k
//!              that this test doesn't reject (profile). |I| is that of all coefficients, the fixed one among them.
//! Source.      Firth D. Biometrika 1993;80:27–38; Heinze G, Schemper M. Biometrics 2001;57:114–119 (both from memory).
//! Decided.     Newton's steps use the information of the unpenalised likelihood, halved until they climb. Wald's interval is not
//!              offered: near separation it is wrong.
//! Cost.        O(rows·columns² + failures·columns²) a step, some tens of steps for each limit.
//! Not for.     Exact ties; clusters (there is no robust variance); collinear columns, which stay collinear.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compensated_sum::CompensatedSum;
use super::cox::{Convergence, CoxProblem, TiesHandling};
use super::cox_climb::{FARTHEST, root_or_collinear};
use super::cox_design::{ColumnName, CoxDesign};
use super::cox_likelihood::{Evaluation, evaluate};
use super::cox_risk_sets::{RiskSets, threads_for};
use super::cox_tests::RegressionTest;
use super::distribution::normal_quantile_upper;
use super::grouping::Grouping;
use super::observation::Observations;
use super::symmetric::{Root, Symmetric};
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};
use crate::threads::{available, in_turn};

const MOST_ITERATIONS: u32 = 1000;
/// Squared slope, in the metric of the information, at which the iterations end.
const SETTLED: f64 = 1e-21;
/// No step moves a coefficient farther than this (in about one standard deviation of its column).
const LONGEST_STEP: f64 = 2.0;

/// One coefficient of a penalised fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PenalisedCoefficient {
    /// What it belongs to.
    pub column: ColumnName,
    /// The coefficient, with its profile limits.
    pub coefficient: Estimate<f64>,
    /// The hazard ratio, with the same limits as ratios; its standard error is that of the coefficient.
    pub hazard_ratio: Estimate<f64>,
    /// The penalised likelihood-ratio test of no effect.
    pub test: Known<RegressionTest>,
}

/// The result of a penalised regression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PenalisedRegression {
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<PenalisedCoefficient>,
    /// The inverse information at the estimate.
    pub covariance: Vec<Vec<f64>>,
    /// The penalised log-likelihood at 0.
    pub ln_likelihood_at_zero: f64,
    /// The penalised log-likelihood at the estimate.
    pub ln_likelihood: f64,
    /// Penalised likelihood-ratio test of all coefficients.
    pub likelihood_ratio_test: RegressionTest,
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

/// Fits a regression with Firth's penalty.
///
/// # Errors
///
/// When there is nothing to fit, a covariate is not a finite number, columns are collinear, the iterations don't settle, or exact
/// ties are asked for.
pub fn penalised_cox_regression(
    observations: &Observations,
    design: &CoxDesign,
    strata: Option<&Grouping>,
    ties: TiesHandling,
    level: ConfidenceLevel,
) -> Result<PenalisedRegression, CoxProblem> {
    if ties == TiesHandling::ExactDiscrete {
        return Err(CoxProblem::ExactTiesNotOffered);
    }
    let sets = RiskSets::build(observations, design, strata)?;
    let width = sets.width();
    let at_zero = Penalised::at(&sets, ties, vec![0.0; width])?;
    // In the units inside; ln|I| in those given differs by a constant.
    let units: f64 = sets.scale.iter().map(|&scale| libm::log(scale)).sum();
    let zero_ln_likelihood = at_zero.ln_likelihood;
    let (best, convergence) = climb(&sets, ties, at_zero, None)?;
    let inverse = best.root.inverse();
    let reach = normal_quantile_upper(level.tail());
    // Large tables are parted for threads by their rows already.
    let threads = if threads_for(sets.observation.len()) == 1 { available() } else { 1 };
    let places: Vec<usize> = (0..width).collect();
    let coefficients = in_turn(&places, threads, |&k| {
        let scale = sets.scale[k];
        let error = libm::sqrt(inverse.at(k, k));
        let without = profile(&sets, ties, &best, k, 0.0);
        let test = match &without {
            Ok(without) => {
                Known::Known(RegressionTest::of((2.0 * (best.ln_likelihood - without.ln_likelihood)).max(0.0), 1))
            }
            Err(problem) => Known::NotKnown(problem.why()),
        };
        let limit = |sign: f64| limit(&sets, ties, &best, k, sign, reach, error).map(|limit| limit / scale);
        let interval = match (limit(-1.0), limit(1.0)) {
            (Ok(lower), Ok(upper)) => {
                Known::Known(ConfidenceInterval { lower, upper, level, method: IntervalMethod::ProfileLikelihood })
            }
            (Err(problem), _) | (_, Err(problem)) => Known::NotKnown(problem.why()),
        };
        let estimate = Estimate {
            value: best.beta[k] / scale,
            standard_error: Some(error / scale),
            variance: Variance::ModelBased,
            interval,
            behind: sets.behind,
        };
        let ratios = match interval {
            Known::Known(interval) if libm::exp(interval.upper).is_finite() => Known::Known(ConfidenceInterval {
                lower: libm::exp(interval.lower),
                upper: libm::exp(interval.upper),
                ..interval
            }),
            Known::Known(_) => Known::NotKnown(WhyNotKnown::AtBoundary),
            Known::NotKnown(why) => Known::NotKnown(why),
        };
        PenalisedCoefficient {
            column: sets.names[k].clone(),
            coefficient: estimate,
            hazard_ratio: Estimate { value: libm::exp(estimate.value), interval: ratios, ..estimate },
            test,
        }
    });
    let to_units: Vec<f64> = sets.scale.iter().map(|scale| 1.0 / scale).collect();
    Ok(PenalisedRegression {
        coefficients,
        covariance: inverse.scaled(&to_units).rows(),
        ln_likelihood_at_zero: zero_ln_likelihood + units,
        ln_likelihood: best.ln_likelihood + units,
        likelihood_ratio_test: RegressionTest::of((2.0 * (best.ln_likelihood - zero_ln_likelihood)).max(0.0), width),
        convergence,
        ties,
        absent_levels: sets.absent.clone(),
        left_out: sets.left_out,
        behind: sets.behind,
    })
}

/// The penalised likelihood at one β.
#[derive(Clone)]
struct Penalised {
    beta: Vec<f64>,
    ln_likelihood: f64,
    score: Vec<f64>,
    information: Symmetric,
    root: Root,
}

impl Penalised {
    fn at(sets: &RiskSets, ties: TiesHandling, beta: Vec<f64>) -> Result<Self, CoxProblem> {
        let at = evaluate(sets, ties, &beta, None);
        if at.furthest > FARTHEST {
            return Err(CoxProblem::NotConverged { columns: sets.names.clone(), iterations: 0 });
        }
        let root = if beta.iter().all(|beta| beta.abs() <= 0.0) {
            root_or_collinear(sets, &at)?
        } else {
            let failed = |bad: usize| CoxProblem::NotConverged { columns: vec![sets.names[bad].clone()], iterations: 0 };
            at.information.root(0.0, &at.moments).map_err(failed)?
        };
        let mut score = at.score.clone();
        score.iter_mut().zip(slope_of_penalty(sets, ties, &at, &root.inverse())).for_each(|(score, slope)| *score += slope);
        let ln_likelihood = at.ln_likelihood + 0.5 * root.ln_determinant();
        Ok(Self { beta, ln_likelihood, score, information: at.information, root })
    }
}

/// Climbs from a point, with one coefficient held if named.
fn climb(
    sets: &RiskSets,
    ties: TiesHandling,
    from: Penalised,
    held: Option<usize>,
) -> Result<(Penalised, Convergence), CoxProblem> {
    let free: Vec<usize> = (0..sets.width()).filter(|&k| Some(k) != held).collect();
    let mut now = from;
    let mut convergence = Convergence { iterations: 0, slope_in_standard_errors: 0.0, relative_change: 0.0, halvings: 0 };
    loop {
        let information = now.information.only(&free);
        let not_settled = |iterations| CoxProblem::NotConverged { columns: sets.names.clone(), iterations };
        let Ok(root) = information.root(0.0, &information.diagonal()) else {
            return Err(not_settled(convergence.iterations));
        };
        let slope: Vec<f64> = free.iter().map(|&k| now.score[k]).collect();
        let length = root.quadratic_form(&slope);
        convergence.slope_in_standard_errors = libm::sqrt(length);
        if length <= SETTLED {
            return Ok((now, convergence));
        }
        if convergence.iterations >= MOST_ITERATIONS {
            return Err(not_settled(convergence.iterations));
        }
        convergence.iterations += 1;
        let step = root.solve(&slope);
        let longest = step.iter().fold(0.0_f64, |longest, step| longest.max(step.abs()));
        let mut part = (LONGEST_STEP / longest).min(1.0);
        let next = loop {
            let mut beta = now.beta.clone();
            free.iter().zip(&step).for_each(|(&k, step)| beta[k] += part * step);
            let lowest = now.ln_likelihood - 1e-12 * (1.0 + now.ln_likelihood.abs());
            match Penalised::at(sets, ties, beta) {
                Ok(next) if next.ln_likelihood >= lowest => break next,
                _ if part * longest < 1e-13 => {
                    // Rounding hides whatever is left to climb; that is the end only if next to nothing is left.
                    if length <= 1e-12 {
                        return Ok((now, convergence));
                    }
                    return Err(not_settled(convergence.iterations));
                }
                _ => {
                    convergence.halvings += 1;
                    part *= 0.5;
                }
            }
        };
        let change = (next.ln_likelihood - now.ln_likelihood).abs();
        convergence.relative_change = change / next.ln_likelihood.abs().max(f64::MIN_POSITIVE);
        now = next;
    }
}

/// The best with coefficient k held at a value, from a point nearby.
fn profile(sets: &RiskSets, ties: TiesHandling, near: &Penalised, k: usize, value: f64) -> Result<Penalised, CoxProblem> {
    let mut beta = near.beta.clone();
    beta[k] = value;
    Ok(climb(sets, ties, Penalised::at(sets, ties, beta)?, Some(k))?.0)
}

/// Where the profile has come down by half the squared reach, to one side.
fn limit(
    sets: &RiskSets,
    ties: TiesHandling,
    best: &Penalised,
    k: usize,
    sign: f64,
    reach: f64,
    error: f64,
) -> Result<f64, CoxProblem> {
    let target = best.ln_likelihood - 0.5 * reach * reach;
    let (mut inside, mut outside) = (best.beta[k], None);
    let mut value = inside + sign * reach * error;
    let mut near = best.clone();
    for _ in 0..100 {
        let at = profile(sets, ties, &near, k, value)?;
        let above = at.ln_likelihood - target;
        if above > 0.0 {
            inside = value
        } else {
            outside = Some(value)
        }
        // Newton on the profile, whose slope is that of its own coefficient; kept within what encloses the root.
        let step = -above / at.score[k];
        let next = value + step;
        if step.abs() <= 1e-11 * (1.0 + value.abs()) {
            return Ok(next);
        }
        let enclosed = (next - inside) * sign > 0.0 && outside.is_none_or(|outside| (outside - next) * sign > 0.0);
        value = match outside {
            _ if enclosed && (outside.is_some() || (next - inside).abs() <= 4.0 * reach * error) => next,
            Some(outside) => 0.5 * (inside + outside),
            None => inside + sign * reach * error,
        };
        near = at;
    }
    Err(CoxProblem::NotConverged { columns: vec![sets.names[k].clone()], iterations: 100 })
}

/// ½·Σ places Σ_l w̄·E_l[(yᵀ·B·y)·y] for B = I⁻¹.
fn slope_of_penalty(sets: &RiskSets, ties: TiesHandling, at: &Evaluation, b: &Symmetric) -> Vec<f64> {
    let width = sets.width();
    let size = 2 + 2 * width + width * (width + 1) / 2;
    let forms = forms_of_rows(sets, b);
    let mut x = Vec::with_capacity(width);
    let mut of_row = |row: usize, moments: &mut Vec<f64>| {
        x.clear();
        x.extend(sets.row(row));
        let (q, e) = (forms[row], at.risk[row]);
        moments.clear();
        moments.push(e);
        moments.push(e * q);
        moments.extend(x.iter().map(|x| e * x));
        moments.extend(x.iter().map(|x| e * q * x));
        for j in 0..width {
            let of_j = e * x[j];
            moments.extend(x[..=j].iter().map(|x| of_j * x));
        }
    };
    let mut slope = vec![0.0; width];
    let mut one = Vec::with_capacity(size);
    for stratum in sets.stratum_starts.windows(2) {
        let mut running = vec![CompensatedSum::default(); size];
        for index in (stratum[0]..stratum[1]).rev() {
            let place = &sets.places[index];
            let mut failed = vec![0.0; size];
            for row in place.start..place.end {
                of_row(row, &mut one);
                running.iter_mut().zip(&one).for_each(|(sum, one)| sum.add(*one));
                if row < place.failures_end {
                    failed.iter_mut().zip(&one).for_each(|(sum, one)| *sum += one);
                }
            }
            let failures = place.failures_end - place.start;
            let mean_weight = sets.weight_failed(place) / failures as f64;
            for l in 0..failures {
                let f = if ties == TiesHandling::Efron { l as f64 / failures as f64 } else { 0.0 };
                let sums: Vec<f64> = running.iter().zip(&failed).map(|(all, failed)| all.value() - f * failed).collect();
                add_third_moments(width, &sums, b, 0.5 * mean_weight, &mut slope);
            }
            if let Some(late) = &sets.late {
                for &row in late.items(index) {
                    of_row(row as usize, &mut one);
                    running.iter_mut().zip(&one).for_each(|(sum, one)| sum.add(-one));
                }
            }
        }
    }
    slope
}

/// Rows at a time: what is worked on stays in the cache.
const STRETCH: usize = 1024;

/// q = xᵀ·B·x of each row, summed over columns for many rows at once.
fn forms_of_rows(sets: &RiskSets, b: &Symmetric) -> Vec<f64> {
    let rows = sets.observation.len();
    let mut forms = vec![0.0; rows];
    let mut inner = vec![0.0; STRETCH.min(rows)];
    for first in (0..rows).step_by(STRETCH) {
        let last = (first + STRETCH).min(rows);
        let (forms, inner) = (&mut forms[first..last], &mut inner[..last - first]);
        for j in 0..sets.width() {
            inner.fill(0.0);
            for k in 0..=j {
                // Each pair of columns stands for both of its orders.
                let term = if k == j { b.at(j, j) } else { 2.0 * b.at(j, k) };
                inner.iter_mut().zip(&sets.columns[k][first..last]).for_each(|(inner, x)| *inner += term * x);
            }
            forms.iter_mut().zip(&*inner).zip(&sets.columns[j][first..last]).for_each(|((q, inner), x)| *q += inner * x);
        }
    }
    forms
}

fn add_third_moments(width: usize, sums: &[f64], b: &Symmetric, factor: f64, slope: &mut [f64]) {
    let (s0, sq) = (sums[0], sums[1]);
    let mean: Vec<f64> = sums[2..2 + width].iter().map(|s| s / s0).collect();
    let (sqx, sxx) = sums[2 + width..].split_at(width);
    let b_mean = b.times(&mean);
    for k in 0..width {
        let mut third = sqx[k] / s0 - sq / s0 * mean[k];
        for (j, b_mean) in b_mean.iter().enumerate() {
            let (row, column) = (j.max(k), j.min(k));
            third -= 2.0 * b_mean * (sxx[row * (row + 1) / 2 + column] / s0 - mean[j] * mean[k]);
        }
        slope[k] += factor * third;
    }
}
