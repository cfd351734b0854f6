//! For proportional hazards regression: climbing to the maximum of the partial likelihood, and why there may be none.
//!
//! Method.      Newton's method from β = 0, halving a step that does not climb. It has settled when the slope, in the metric of the
//!              information, is below 3e-7 standard errors (so that the step still taken leaves some 1e-13), and the step is small.
//! Decided.     A pivot of the information is compared with the raw second moment of its column. Separation is found by looking
//!              along the last step, or at the latest when hardly any of a coefficient's information at 0 is left: rounding can
//!              bring a coefficient that runs away to a stand.
//! Cost.        A few passes of O(observations·columns²).

use super::cox::{Convergence, CoxProblem, TiesHandling};
use super::cox_design::ColumnName;
use super::cox_exact::evaluate_exact;
use super::cox_likelihood::{Evaluation, evaluate};
use super::cox_risk_sets::RiskSets;
use super::cox_separation::separated;
use super::symmetric::{NOTHING_LEFT, Root};

/// The most iterations.
const MOST_ITERATIONS: u32 = 100;
/// The squared slope, in the metric of the information, at which the last step is taken.
const SETTLED: f64 = 1e-13;
/// A last step larger than this (in about one standard deviation of a column) means that a coefficient still runs.
const LARGE_STEP: f64 = 1e-3;
/// Squared slopes below this with a large step are looked into: does the likelihood only climb?
const SUSPICIOUS: f64 = 1e-8;
/// Where less than this part of a coefficient's information at 0 is left, its error is hundreds of times what it was: it ran away.
const RUN_AWAY: f64 = 1e-5;
/// Where less than this part of the log-likelihood at 0 is left, who fails first is told without error: no maximum comes so near 0.
const NO_DOUBT_LEFT: f64 = 1e-5;
/// Linear predictors farther than this from 0 are not tried.
pub(super) const FARTHEST: f64 = 600.0;

/// The likelihood by any treatment of ties.
pub(super) fn evaluate_any(sets: &RiskSets, ties: TiesHandling, beta: &[f64]) -> Evaluation {
    match ties {
        TiesHandling::ExactDiscrete => evaluate_exact(sets, beta),
        TiesHandling::Efron | TiesHandling::Breslow => evaluate(sets, ties, beta, None),
    }
}

/// The root of the information, or the names of the columns that have none of their own.
pub(super) fn root_or_collinear(sets: &RiskSets, at: &Evaluation) -> Result<Root, CoxProblem> {
    at.information.root(NOTHING_LEFT, &at.moments).map_err(|bad| {
        let before: Vec<usize> = (0..bad).collect();
        let mut columns = vec![sets.names[bad].clone()];
        if let Ok(root) = at.information.only(&before).root(0.0, &at.moments) {
            let shared: Vec<f64> = before.iter().map(|&k| at.information.at(bad, k)).collect();
            for (&k, part) in before.iter().zip(root.solve(&shared)) {
                let size = part.abs() * libm::sqrt(at.information.at(k, k) / at.moments[bad].max(f64::MIN_POSITIVE));
                if size > 1e-5 {
                    columns.push(sets.names[k].clone());
                }
            }
        }
        columns.sort();
        CoxProblem::Collinear { columns }
    })
}

/// Where the iterations ended.
pub(super) struct Settled {
    pub(super) beta: Vec<f64>,
    pub(super) at: Evaluation,
    pub(super) root: Root,
    pub(super) convergence: Convergence,
}

/// Newton's method from β = 0, where the likelihood and the root of the information are known.
pub(super) fn climb(sets: &RiskSets, ties: TiesHandling, at_zero: Evaluation, root: Root) -> Result<Settled, CoxProblem> {
    let mut convergence = Convergence { iterations: 0, slope_in_standard_errors: 0.0, relative_change: 0.0, halvings: 0 };
    let variances_at_zero = root.inverse().diagonal();
    let all_told = NO_DOUBT_LEFT * at_zero.ln_likelihood;
    let (mut beta, mut at, mut root) = (vec![0.0; sets.width()], at_zero, root);
    loop {
        let mut step = root.solve(&at.score);
        let slope = root.quadratic_form(&at.score);
        let largest = step.iter().fold(0.0_f64, |largest, step| largest.max(step.abs()));
        convergence.slope_in_standard_errors = libm::sqrt(slope);
        let settled = slope <= SETTLED && largest <= LARGE_STEP;
        let last = convergence.iterations >= MOST_ITERATIONS;
        if !settled && (last || (slope <= SUSPICIOUS && largest > LARGE_STEP)) {
            if separated(sets, &step, ties) {
                return Err(CoxProblem::Separated { columns: moving(sets, &step, 0.01) });
            }
            if last && ran_away(&variances_at_zero, &root) {
                return Err(CoxProblem::Separated { columns: moving(sets, &beta, 0.01) });
            }
            if last {
                let iterations = convergence.iterations;
                return Err(CoxProblem::NotConverged { columns: moving(sets, &step, 0.1), iterations });
            }
        }
        convergence.iterations += 1;
        let (next_beta, next) = loop {
            let next_beta: Vec<f64> = beta.iter().zip(&step).map(|(beta, step)| beta + step).collect();
            let next = evaluate_any(sets, ties, &next_beta);
            let lowest = at.ln_likelihood - 1e-12 * (1.0 + at.ln_likelihood.abs());
            if settled || (next.furthest <= FARTHEST && next.ln_likelihood >= lowest) {
                break (next_beta, next);
            }
            convergence.halvings += 1;
            step.iter_mut().for_each(|step| *step *= 0.5);
            if step.iter().all(|step| step.abs() < 1e-12) {
                break (beta.clone(), at.clone());
            }
        };
        let change = (next.ln_likelihood - at.ln_likelihood).abs();
        convergence.relative_change =
            if change > 0.0 { change / next.ln_likelihood.abs().max(f64::MIN_POSITIVE) } else { 0.0 };
        (beta, at) = (next_beta, next);
        // There was information at 0, and climbing has used it up: a maximum, if there is one, is too far to be told from none.
        root = match at.information.root(NOTHING_LEFT, &at.moments) {
            Ok(root) => root,
            Err(_) => return Err(CoxProblem::Separated { columns: moving(sets, &step, 0.01) }),
        };
        if settled {
            if ran_away(&variances_at_zero, &root) || at.ln_likelihood > all_told {
                return Err(CoxProblem::Separated { columns: moving(sets, &beta, 0.01) });
            }
            return Ok(Settled { beta, at, root, convergence });
        }
    }
}

/// Whether a coefficient's variance has grown from what it was at 0 as no maximum would make it.
fn ran_away(at_zero: &[f64], root: &Root) -> bool {
    at_zero.iter().zip(root.inverse().diagonal()).any(|(before, now)| *before < RUN_AWAY * now)
}

/// The columns that move by at least this part of the one that moves most.
fn moving(sets: &RiskSets, step: &[f64], part: f64) -> Vec<ColumnName> {
    let largest = step.iter().fold(0.0_f64, |largest, step| largest.max(step.abs()));
    step.iter().zip(&sets.names).filter(|(step, _)| step.abs() >= part * largest).map(|(_, name)| name.clone()).collect()
}
