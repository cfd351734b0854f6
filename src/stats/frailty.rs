//! Proportional hazards with a gamma frailty shared by each cluster: how alike are the fates of those in one mouth?
//!
//! Definition.  The hazard of i in cluster c is u_c·h(t)·exp(x_iβ); the u_c are independent, gamma with mean 1 and variance θ.
//! Legend.      ν = 1/θ; ω_c = ln u_c; d_c failures in c; ln L(β, ω) the partial log-likelihood with ω_c added to xβ.
//! Method.      For a given θ, (β, ω) maximise ln L(β, ω) + ν·Σ(ω_c − e^{ω_c}); that is the fixed point of the EM algorithm. The marginal
//!              likelihood is then ln L + Σ [ν·ω_c + d_c + Σ_{j<d_c} ln(ν + j) + ν·ln ν − (ν + d_c)·ln(ν + d_c)], with a constant left out
//!              so that it tends to the partial likelihood without frailty as θ → 0. Its derivative in ν is
//!              Σ [ω_c + Σ_{j<d_c} 1/(ν + j) − ln(1 + d_c/ν)], because all else is at a maximum; θ is the root.
//! Variance.    Of β at the estimated θ: its block of the inverse of the full second derivative in (β, ω).
//! Test.        θ = 0 lies at the edge: twice the gain of ln L is 0 with probability one half, else χ² with one degree of freedom.
//! Source.      Klein JP. Biometrics 1992;48:795–806; Therneau TM, Grambsch PM, Pankratz VS. J Comput Graph Stat 2003;12:156–175; edge:
//!              Self SG, Liang KY. J Am Stat Assoc 1987;82:605–610 (all from memory); the derivative: worked out here.
//! Decided.     Newton's equations are solved by conjugate gradients, whose products with the second derivative need one pass over the
//!              rows: no matrix over clusters is ever made, and none is cut down to its diagonal. A θ that would be below 0.0001 is
//!              reported as 0. Coefficients are for two observations with the same frailty. The uncertainty of θ is not in their errors.
//! Cost.        Some hundred to a thousand passes of O(observations·columns).
//! Not for.     Few clusters with failures; exact ties; case weights that are no whole numbers.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compensated_sum::CompensatedSum;
use super::cox::{CoxProblem, TiesHandling};
use super::cox_climb::root_or_collinear;
use super::cox_design::{ColumnName, CoxDesign};
use super::cox_exact::weights_are_whole;
use super::cox_likelihood::{Evaluation, RowHazard, evaluate};
use super::cox_risk_sets::RiskSets;
use super::cox_tests::{CoefficientTest, coefficient_test, reach};
use super::distribution::chi_square_upper_tail;
use super::grouping::Grouping;
use super::observation::Observations;
use super::symmetric::Root;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance};

/// The smallest variance that is told from 0.
const SMALLEST: f64 = 1e-4;
/// The largest variance that is tried.
const LARGEST: f64 = 1e3;
const MOST_STEPS: u32 = 60;
/// Squared slope, in the metric of the second derivative, at which Newton's steps end.
const SETTLED: f64 = 1e-20;

/// A coefficient given the frailty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FrailtyCoefficient {
    /// What it belongs to.
    pub column: ColumnName,
    /// The coefficient.
    pub coefficient: Estimate<f64>,
    /// The test of no effect.
    pub test: CoefficientTest,
}

/// The test that there is no frailty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoFrailtyTest {
    /// Twice the gain of the log-likelihood.
    pub likelihood_ratio: f64,
    /// Probability of one this large or larger without frailty: half that of χ² with one degree of freedom, 1 at 0.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

/// The result of a regression with shared frailty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FrailtyRegression {
    /// Coefficients in the order of the covariates and their levels.
    pub coefficients: Vec<FrailtyCoefficient>,
    /// The covariance of the coefficients.
    pub covariance: Vec<Vec<f64>>,
    /// θ, the variance of the frailties; 0 when the likelihood is largest without.
    pub frailty_variance: f64,
    /// Kendall's τ of two in one cluster, θ/(θ + 2).
    pub kendall_tau: f64,
    /// The marginal log-likelihood.
    pub ln_likelihood: f64,
    /// The partial log-likelihood without frailty.
    pub ln_likelihood_without: f64,
    /// The test that θ = 0.
    pub test: NoFrailtyTest,
    /// The estimated frailty of each cluster; 1 for those that nobody is in.
    pub frailties: Vec<f64>,
    /// How tied failures were treated.
    pub ties: TiesHandling,
    /// Levels that nobody has, which have no coefficient.
    pub absent_levels: Vec<ColumnName>,
    /// Observations left out because a covariate or the stratum was missing.
    pub left_out: u64,
    /// How many stand behind it.
    pub behind: Behind,
}

/// Fits a regression with a gamma frailty shared by each cluster.
///
/// # Errors
///
/// As those of [`cox_regression`](super::cox_regression); for exact ties; and for case weights that are no whole numbers.
pub fn frailty_regression(
    observations: &Observations,
    design: &CoxDesign,
    strata: Option<&Grouping>,
    ties: TiesHandling,
    level: ConfidenceLevel,
) -> Result<FrailtyRegression, CoxProblem> {
    if ties == TiesHandling::ExactDiscrete {
        return Err(CoxProblem::ExactTiesNotOffered);
    }
    let options = super::cox::CoxOptions { ties, variance: Variance::ModelBased, ..Default::default() };
    let without = super::cox::cox_regression(observations, design, strata, options)?;
    if !weights_are_whole(&without.sets) {
        return Err(CoxProblem::WeightsNotWhole);
    }
    let fit = Frailties::new(&without.sets, observations, ties);
    let start = State { beta: without.beta.clone(), ln_frailty: vec![0.0; fit.failed.len()] };
    let (theta, settled) = match fit.find(start)? {
        Some((theta, settled)) => (theta, Some(settled)),
        None => (0.0, None),
    };
    let sets = &without.sets;
    let width = sets.width();
    let ln_likelihood_without = without.regression.ln_likelihood;
    let (beta, covariance, ln_likelihood, frailties) = match &settled {
        None => (
            without.beta.clone(),
            (0..width).map(|k| (0..width).map(|j| without.inverse.at(k, j)).collect()).collect(),
            ln_likelihood_without,
            vec![1.0; fit.failed.len()],
        ),
        Some(settled) => (
            settled.state.beta.clone(),
            fit.covariance(settled)?,
            settled.marginal,
            settled.state.ln_frailty.iter().map(|&omega| libm::exp(omega)).collect::<Vec<f64>>(),
        ),
    };
    let covariance: Vec<Vec<f64>> =
        (0..width).map(|k| (0..width).map(|j| covariance[k][j] / (sets.scale[k] * sets.scale[j])).collect()).collect();
    let reach = reach(level, None);
    let coefficient = |k: usize| {
        let (value, error) = (beta[k] / sets.scale[k], libm::sqrt(covariance[k][k]));
        FrailtyCoefficient {
            column: sets.names[k].clone(),
            coefficient: Estimate {
                value,
                standard_error: Some(error),
                variance: Variance::ModelBased,
                interval: Known::Known(ConfidenceInterval {
                    lower: value - reach * error,
                    upper: value + reach * error,
                    level,
                    method: IntervalMethod::Plain,
                }),
                behind: sets.behind,
            },
            test: coefficient_test(value, error, None),
        }
    };
    let likelihood_ratio = (2.0 * (ln_likelihood - ln_likelihood_without)).max(0.0);
    let tail = chi_square_upper_tail(likelihood_ratio, 1);
    let test = if likelihood_ratio > 0.0 {
        let ln_p_value = tail.ln_p_value - std::f64::consts::LN_2;
        NoFrailtyTest { likelihood_ratio, p_value: 0.5 * tail.p_value, ln_p_value }
    } else {
        NoFrailtyTest { likelihood_ratio, p_value: 1.0, ln_p_value: 0.0 }
    };
    Ok(FrailtyRegression {
        coefficients: (0..width).map(coefficient).collect(),
        covariance: covariance.clone(),
        frailty_variance: theta,
        kendall_tau: theta / (theta + 2.0),
        ln_likelihood,
        ln_likelihood_without,
        test,
        frailties,
        ties,
        absent_levels: sets.absent.clone(),
        left_out: sets.left_out,
        behind: sets.behind,
    })
}

#[derive(Clone)]
struct State {
    beta: Vec<f64>,
    ln_frailty: Vec<f64>,
}

/// The maximum for one θ.
struct Settled {
    state: State,
    at: Evaluation,
    nu: f64,
    marginal: f64,
    /// Of the marginal log-likelihood in ln θ.
    slope: f64,
}

struct Frailties<'a> {
    sets: &'a RiskSets,
    ties: TiesHandling,
    /// The cluster of each row.
    cluster: Vec<u32>,
    /// d of each cluster.
    failed: Vec<f64>,
    /// Whether anybody is in each cluster; the others have no frailty.
    present: Vec<bool>,
}

impl<'a> Frailties<'a> {
    fn new(sets: &'a RiskSets, observations: &Observations, ties: TiesHandling) -> Self {
        let clusters = observations.clusters() as usize;
        let cluster: Vec<u32> = sets.observation.iter().map(|&row| observations.cluster()[row as usize]).collect();
        let mut present = vec![false; clusters];
        for (&cluster, _) in observations.cluster().iter().zip(&sets.complete).filter(|&(_, &complete)| complete) {
            present[cluster as usize] = true;
        }
        let mut failed = vec![0.0; clusters];
        for place in &sets.places {
            for row in place.start..place.failures_end {
                failed[cluster[row] as usize] += sets.weight_of(row);
            }
        }
        Self { sets, ties, cluster, failed, present }
    }

    /// The θ at which the marginal likelihood is largest; none when that is at 0.
    fn find(&self, start: State) -> Result<Option<(f64, Settled)>, CoxProblem> {
        let mut low = self.settle(SMALLEST, start)?;
        if low.slope <= 0.0 {
            return Ok(None);
        }
        let mut theta = (SMALLEST, 0.25);
        let mut high = self.settle(theta.1, low.state.clone())?;
        while high.slope > 0.0 {
            if theta.1 > LARGEST {
                return Err(CoxProblem::FrailtyUnbounded);
            }
            (theta.0, low) = (theta.1, high);
            theta.1 *= 4.0;
            high = self.settle(theta.1, low.state.clone())?;
        }
        // False position on ln θ, halving the older end's weight (Illinois).
        let (mut a, mut b) = (libm::log(theta.0), libm::log(theta.1));
        let (mut slope_a, mut slope_b) = (low.slope, high.slope);
        let mut state = high.state.clone();
        let mut side = 0;
        for _ in 0..100 {
            let mut middle = (a * slope_b - b * slope_a) / (slope_b - slope_a);
            if !(middle > a && middle < b) {
                middle = 0.5 * (a + b);
            }
            let settled = self.settle(libm::exp(middle), state)?;
            let width = if settled.slope > 0.0 { middle - a } else { b - middle };
            if settled.slope.abs() < 1e-11 || width < 1e-12 || b - a < 1e-11 {
                return Ok(Some((libm::exp(middle), settled)));
            }
            if settled.slope > 0.0 {
                (a, slope_a) = (middle, settled.slope);
                if side == 1 {
                    slope_b *= 0.5;
                }
                side = 1;
            } else {
                (b, slope_b) = (middle, settled.slope);
                if side == -1 {
                    slope_a *= 0.5;
                }
                side = -1;
            }
            state = settled.state;
        }
        Err(CoxProblem::NotConverged { columns: self.sets.names.clone(), iterations: 100 })
    }

    fn evaluate(&self, state: &State) -> Evaluation {
        let offset: Vec<f64> = self.cluster.iter().map(|&cluster| state.ln_frailty[cluster as usize]).collect();
        evaluate(self.sets, self.ties, &state.beta, Some(&offset))
    }

    fn penalised(&self, state: &State, at: &Evaluation, nu: f64) -> f64 {
        // e^ω − 1 − ω keeps its digits near 0.
        let penalty: f64 = state.ln_frailty.iter().map(|&omega| libm::expm1(omega) - omega).sum();
        at.ln_likelihood - nu * penalty
    }

    /// The maximum over (β, ω) for a θ.
    fn settle(&self, theta: f64, start: State) -> Result<Settled, CoxProblem> {
        let (nu, width) = (1.0 / theta, self.sets.width());
        let mut state = start;
        let mut at = self.evaluate(&state);
        for _ in 0..MOST_STEPS {
            let second = Second::at(self, &state, &at, nu)?;
            let slope = self.slope(&state, &at, &second, nu);
            let (step, length) = second.solve(&slope, 1e-11);
            let value = self.penalised(&state, &at, nu);
            let mut part = 1.0;
            let (next, next_at) = loop {
                let mut next = state.clone();
                next.beta.iter_mut().zip(&step[..width]).for_each(|(beta, step)| *beta += part * step);
                next.ln_frailty.iter_mut().zip(&step[width..]).for_each(|(omega, step)| *omega += part * step);
                let next_at = self.evaluate(&next);
                let lowest = value - 1e-12 * (1.0 + value.abs());
                if next_at.furthest < 600.0 && self.penalised(&next, &next_at, nu) >= lowest || part < 1e-9 {
                    break (next, next_at);
                }
                part *= 0.5;
            };
            (state, at) = (next, next_at);
            if length <= SETTLED {
                return Ok(self.finish(state, at, nu));
            }
        }
        Err(CoxProblem::NotConverged { columns: self.sets.names.clone(), iterations: MOST_STEPS })
    }

    fn finish(&self, state: State, at: Evaluation, nu: f64) -> Settled {
        let (mut marginal, mut derivative) = (at.ln_likelihood, 0.0);
        for ((&d, &omega), _) in
            self.failed.iter().zip(&state.ln_frailty).zip(&self.present).filter(|(_, present)| **present)
        {
            let (mut logs, mut inverses, mut j) = (0.0, 0.0, 0.0);
            while j < d {
                logs += libm::log1p(j / nu);
                inverses += 1.0 / (nu + j);
                j += 1.0;
            }
            // Σ ln(ν + j) + ν·ln ν − (ν + d)·ln(ν + d), with d·ln ν taken out of both.
            let ln_growth = libm::log1p(d / nu);
            marginal += nu * omega + d + logs - (nu + d) * ln_growth;
            derivative += omega + inverses - ln_growth;
        }
        Settled { state, at, nu, marginal, slope: -nu * derivative }
    }

    fn slope(&self, state: &State, at: &Evaluation, second: &Second<'_, '_>, nu: f64) -> Vec<f64> {
        let mut slope = at.score.clone();
        slope.extend(
            self.failed.iter().zip(&second.expected).zip(&state.ln_frailty).zip(&self.present).map(
                |(((d, expected), &omega), &present)| if present { d - expected - nu * libm::expm1(omega) } else { 0.0 },
            ),
        );
        slope
    }

    /// The block of β of the inverse second derivative.
    fn covariance(&self, settled: &Settled) -> Result<Vec<Vec<f64>>, CoxProblem> {
        let width = self.sets.width();
        let second = Second::at(self, &settled.state, &settled.at, settled.nu)?;
        let mut covariance = Vec::with_capacity(width);
        for k in 0..width {
            let mut unit = vec![0.0; width + self.failed.len()];
            unit[k] = 1.0;
            covariance.push(second.solve(&unit, 1e-13).0[..width].to_vec());
        }
        Ok(covariance)
    }
}

/// The second derivative in (β, ω), with its sign changed, as something to multiply with.
struct Second<'a, 'b> {
    frailties: &'b Frailties<'a>,
    at: &'b Evaluation,
    hazard: Vec<f64>,
    /// Σ e·H of each cluster.
    expected: Vec<f64>,
    /// ν·u of each cluster.
    penalty: Vec<f64>,
    root: Root,
}

impl<'a, 'b> Second<'a, 'b> {
    fn at(frailties: &'b Frailties<'a>, state: &State, at: &'b Evaluation, nu: f64) -> Result<Self, CoxProblem> {
        let sets = frailties.sets;
        let hazards = RowHazard::weighted(sets, at, |_| 1.0);
        let mut hazard = Vec::with_capacity(sets.rows());
        for (index, place) in sets.places.iter().enumerate() {
            hazard.extend((place.start..place.end).map(|row| hazards.of_row(sets, index, row)));
        }
        let mut expected = vec![0.0; frailties.failed.len()];
        for (row, &cluster) in frailties.cluster.iter().enumerate() {
            expected[cluster as usize] += at.risk[row] * hazard[row];
        }
        let penalty = state.ln_frailty.iter().map(|&omega| nu * libm::exp(omega)).collect();
        Ok(Self { frailties, at, hazard, expected, penalty, root: root_or_collinear(sets, at)? })
    }

    /// The product with a vector over (β, ω).
    fn times(&self, vector: &[f64]) -> Vec<f64> {
        let (sets, at) = (self.frailties.sets, self.at);
        let width = sets.width();
        let (of_beta, of_omega) = vector.split_at(width);
        let mut y: Vec<f64> = self.frailties.cluster.iter().map(|&cluster| of_omega[cluster as usize]).collect();
        for (column, v) in sets.columns.iter().zip(of_beta) {
            y.iter_mut().zip(column).for_each(|(y, x)| *y += v * x);
        }
        let (all, failed) = sums_of(sets, &at.risk, &y);
        let terms = at.terms.iter().zip(all.iter().zip(&failed));
        let shares = RowHazard::of(
            sets,
            terms.clone().map(|(terms, (s, f))| terms.q0 * s - terms.q1 * f).collect(),
            terms.map(|(terms, (s, f))| (terms.q0 - terms.q1) * s - (terms.q1 - terms.q2) * f).collect(),
        );
        let mut product: Vec<f64> = vec![0.0; width];
        product.extend(self.penalty.iter().zip(of_omega).map(|(penalty, v)| penalty * v));
        for (index, place) in sets.places.iter().enumerate() {
            for row in place.start..place.end {
                // The rest of the memory of y is not needed: it becomes what each row adds.
                y[row] = at.risk[row] * (y[row] * self.hazard[row] - shares.of_row(sets, index, row));
                product[width + self.frailties.cluster[row] as usize] += y[row];
            }
        }
        for (product, column) in product.iter_mut().zip(&sets.columns) {
            *product = super::lanes::dot(&y, column);
        }
        product
    }

    /// Solves for a right side by conjugate gradients; also gives the side times the solution.
    fn solve(&self, side: &[f64], within: f64) -> (Vec<f64>, f64) {
        let width = self.frailties.sets.width();
        let precondition = |residual: &[f64]| {
            let mut eased = self.root.solve(&residual[..width]);
            let diagonal = self.expected.iter().zip(&self.penalty);
            eased.extend(residual[width..].iter().zip(diagonal).map(|(r, (expected, penalty))| r / (expected + penalty)));
            eased
        };
        let inner = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut solution = vec![0.0; side.len()];
        let mut residual = side.to_vec();
        let mut eased = precondition(&residual);
        let mut direction = eased.clone();
        let mut size = inner(&residual, &eased);
        let first = size;
        for _ in 0..10 * (side.len() + 10) {
            if size <= within * within * first || size <= 0.0 {
                break;
            }
            let product = self.times(&direction);
            let along = size / inner(&direction, &product);
            solution.iter_mut().zip(&direction).for_each(|(s, d)| *s += along * d);
            residual.iter_mut().zip(&product).for_each(|(r, p)| *r -= along * p);
            eased = precondition(&residual);
            let next = inner(&residual, &eased);
            let keep = next / size;
            size = next;
            direction.iter_mut().zip(&eased).for_each(|(d, e)| *d = e + keep * *d);
        }
        let length = inner(side, &solution);
        (solution, length)
    }
}

/// Σ e·y over the risk set and over the failures of each place.
fn sums_of(sets: &RiskSets, risk: &[f64], y: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let term = |row: usize| risk[row] * y[row];
    let mut all = vec![0.0; sets.places.len()];
    let failed = sets.places.iter().map(|place| (place.start..place.failures_end).map(term).sum()).collect();
    for stratum in sets.stratum_starts.windows(2) {
        let mut running = CompensatedSum::default();
        for index in (stratum[0]..stratum[1]).rev() {
            let place = &sets.places[index];
            (place.start..place.end).for_each(|row| running.add(term(row)));
            all[index] = running.value();
            if let Some(late) = &sets.late {
                late.items(index).iter().for_each(|&row| running.add(-term(row as usize)));
            }
        }
    }
    (all, failed)
}
