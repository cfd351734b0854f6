//! For logistic regression: climbing to the maximum of the likelihood, and why there may be none.
//!
//! Method.      Newton's method from the model of shares alone, or from a maximum nearby, halving a step that does not climb. It has
//!              settled when the slope, in the metric of the information, is below 3e-7 standard errors (so that the step still
//!              taken leaves some 1e-13), and the step is small.
//! Separation.  Along a direction δ the likelihood never falls if each row's own level has the largest xδ_a (0 for the reference),
//!              and it has no maximum if one is strictly larger. The direction asked about is the last step, which runs along such
//!              a direction if there is one; it has converged to it only nearly, so differences of one part in 10 000 of the widest
//!              are taken for none.
//! Source.      Albert A, Anderson JA. Biometrika 1984;71:1–10 (from memory).
//! Decided.     A fit that leaves hardly any of the information at the start, or next to no doubt in the likelihood, is separated
//!              too: rounding can bring a coefficient that runs away to a stand.
//! Cost.        A few passes of O(rows·columns²·levels²).

use super::cox::Convergence;
use super::logistic::LogisticProblem;
use super::logit_likelihood::{LogitEvaluation, evaluate, moments};
use super::logit_rows::LogitRows;
use super::symmetric::{NOTHING_LEFT, Root, Symmetric};

const MOST_ITERATIONS: u32 = 100;
/// The squared slope, in the metric of the information, at which the last step is taken.
const SETTLED: f64 = 1e-13;
/// A last step larger than this (in about one standard deviation of a column) means that a coefficient still runs.
const LARGE_STEP: f64 = 1e-3;
/// Squared slopes below this with a large step are looked into.
const SUSPICIOUS: f64 = 1e-8;
/// Where less than this part of a coefficient's information at the start is left, it ran away.
const RUN_AWAY: f64 = 1e-5;
/// Where less than this part of the log-likelihood of shares alone is left, levels are told without error.
const NO_DOUBT_LEFT: f64 = 1e-5;
/// Differences smaller than this part of the widest are none.
const NEARLY: f64 = 1e-4;
/// Linear predictors farther than this from 0 are not tried.
pub(super) const FARTHEST: f64 = 600.0;

/// Where the iterations ended.
pub(super) struct LogitSettled {
    pub(super) beta: Vec<f64>,
    pub(super) at: LogitEvaluation,
    pub(super) root: Root,
    pub(super) convergence: Convergence,
}

/// Refuses columns that are made up of one another, by name.
pub(super) fn refuse_collinear(rows: &LogitRows) -> Result<(), LogisticProblem> {
    let moments = moments(rows);
    let diagonal = moments.diagonal();
    let Err(bad) = moments.root(NOTHING_LEFT, &diagonal) else { return Ok(()) };
    let before: Vec<usize> = (0..bad).collect();
    let mut columns: Vec<_> = bad.checked_sub(1).map(|k| rows.names[k].clone()).into_iter().collect();
    if let Ok(root) = moments.only(&before).root(0.0, &diagonal) {
        let shared: Vec<f64> = before.iter().map(|&k| moments.at(bad, k)).collect();
        for (&k, part) in before.iter().zip(root.solve(&shared)).skip(1) {
            if part.abs() * libm::sqrt(diagonal[k] / diagonal[bad].max(f64::MIN_POSITIVE)) > 1e-5 {
                columns.push(rows.names[k - 1].clone());
            }
        }
    }
    columns.sort();
    Err(LogisticProblem::Collinear { columns })
}

/// The root of an information. There was some at the start; where it is used up, a maximum is too far to be told from none.
pub(super) fn root_of(information: &Symmetric) -> Result<Root, usize> {
    information.root(0.0, &information.diagonal())
}

/// Climbs from β.
pub(super) fn climb(
    rows: &LogitRows,
    start: Vec<f64>,
    ln_likelihood_of_shares: f64,
) -> Result<LogitSettled, LogisticProblem> {
    let separated_along = |step: &[f64]| {
        let (columns, levels) = rows.moving(step, 0.01);
        LogisticProblem::Separated { columns, levels }
    };
    let mut convergence = Convergence { iterations: 0, slope_in_standard_errors: 0.0, relative_change: 0.0, halvings: 0 };
    let mut at = evaluate(rows, &start);
    let mut beta = start;
    let mut root = root_of(&at.information).map_err(|_| separated_along(&beta))?;
    let variances_at_start = root.inverse().diagonal();
    let ran_away =
        |root: &Root| variances_at_start.iter().zip(root.inverse().diagonal()).any(|(before, now)| *before < RUN_AWAY * now);
    loop {
        let mut step = root.solve(&at.score);
        let slope = root.quadratic_form(&at.score);
        let largest = step.iter().fold(0.0_f64, |largest, step| largest.max(step.abs()));
        convergence.slope_in_standard_errors = libm::sqrt(slope);
        let settled = slope <= SETTLED && largest <= LARGE_STEP;
        let last = convergence.iterations >= MOST_ITERATIONS;
        if !settled && (last || (slope <= SUSPICIOUS && largest > LARGE_STEP)) {
            if separated(rows, &step) {
                return Err(separated_along(&step));
            }
            if last && ran_away(&root) {
                return Err(separated_along(&beta));
            }
            if last {
                let (columns, _) = rows.moving(&step, 0.1);
                return Err(LogisticProblem::NotConverged { columns, iterations: convergence.iterations });
            }
        }
        convergence.iterations += 1;
        let (next_beta, next) = loop {
            let next_beta: Vec<f64> = beta.iter().zip(&step).map(|(beta, step)| beta + step).collect();
            let next = evaluate(rows, &next_beta);
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
        root = root_of(&at.information).map_err(|_| separated_along(&step))?;
        if settled {
            if ran_away(&root) || at.ln_likelihood > NO_DOUBT_LEFT * ln_likelihood_of_shares {
                return Err(separated_along(&beta));
            }
            return Ok(LogitSettled { beta, at, root, convergence });
        }
    }
}

/// Whether the likelihood only climbs along a direction.
fn separated(rows: &LogitRows, direction: &[f64]) -> bool {
    let (count, levels) = (rows.level.len(), rows.levels.len());
    let mut values = vec![0.0; count * levels];
    for (a, block) in direction.chunks_exact(rows.width()).enumerate() {
        for (column, &direction) in rows.columns.iter().zip(block) {
            for (value, x) in values.iter_mut().skip(a + 1).step_by(levels).zip(column) {
                *value += direction * x;
            }
        }
    }
    let widest = values.iter().fold(0.0_f64, |widest, value| widest.max(value.abs()));
    let none = NEARLY * widest;
    if !none.is_finite() || none <= 0.0 {
        return false;
    }
    let mut strictly = false;
    for (values, &level) in values.chunks_exact(levels).zip(&rows.level) {
        let own = values[usize::from(level)];
        if values.iter().any(|&other| other > own + none) {
            return false;
        }
        strictly = strictly || values.iter().any(|&other| other < own - none);
    }
    strictly
}
