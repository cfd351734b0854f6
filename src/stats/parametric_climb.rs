//! For parametric regression of ln T: climbing to the maximum of the likelihood, and why there may be none.
//!
//! Method.      Newton's method in (γ, α) = (β/σ, 1/σ), where the likelihood is concave, halving a step that does not climb; where delayed
//!              entries bend it the other way, the diagonal of the information is raised until it is positive. It has settled when the
//!              slope, in the metric of the information, is below 3e-7 standard errors and the step is small.
//! Definition.  The likelihood climbs for ever along a direction if in no row what is known becomes less likely: z stays where it failed,
//!              falls where it was in place, rises where it had failed, and either end of an interval moves outwards.
//! Source.      Silvapulle MJ, Burridge J. J R Stat Soc B 1986;48:100–106 (existence of maxima; from memory).
//! Decided.     The direction asked about is the last step, which runs along such a direction if there is one; differences of one part
//!              in 10 000 of the widest are taken for none. If σ falls or rises by a factor of a million, it has no estimate.
//! Cost.        A few passes of O(rows·columns²).

use super::cox::Convergence;
use super::parametric_likelihood::{Covariates, Evaluation, Knowledge, LogTimes, evaluate};
use super::symmetric::{NOTHING_LEFT, Root, Symmetric};

const MOST_ITERATIONS: u32 = 200;
/// The squared slope, in the metric of the information, at which the last step is taken.
const SETTLED: f64 = 1e-13;
/// A last step larger than this means that something still runs.
const LARGE_STEP: f64 = 1e-3;
/// Squared slopes below this with a large step are looked into: does the likelihood only climb?
const SUSPICIOUS: f64 = 1e-8;
/// Differences of a direction among rows below this part of the widest are none.
const NEARLY: f64 = 1e-4;
/// How far σ may go from where it began.
const FARTHEST_SPREAD: f64 = 1e6;

/// Why there is no maximum.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum NoMaximum {
    /// It lies infinitely far along these columns.
    Separated(Vec<usize>),
    /// The times are told without error: σ falls to 0.
    SpreadVanishes,
    /// σ grows without end.
    SpreadUnbounded,
    /// The iterations did not settle.
    NotConverged(u32),
}

/// Where the iterations ended.
#[derive(Clone, Debug)]
pub(super) struct Settled {
    /// γ of the column of ones, γ of each column, α.
    pub(super) point: Vec<f64>,
    pub(super) at: Evaluation,
    /// Of the information of what was estimated: without α where that is given.
    pub(super) root: Root,
    pub(super) convergence: Convergence,
}

/// A place to start from, without covariates.
pub(super) fn start(times: &LogTimes, fixed_alpha: Option<f64>) -> Vec<f64> {
    let highest = times.low.iter().copied().fold(0.0, f64::max);
    // No row so far out that its hazard would be beyond numbers.
    let alpha = match fixed_alpha {
        Some(alpha) => alpha,
        None if times.spread > 1e-12 => (1.0 / times.spread).min(10.0 / highest.max(f64::MIN_POSITIVE)),
        None => 1.0,
    };
    vec![(alpha * highest - 10.0).max(0.0), alpha]
}

/// Climbs from `point`; α stays where it is unless it is to be estimated.
pub(super) fn climb(times: &LogTimes, x: Covariates, point: Vec<f64>, estimate_alpha: bool) -> Result<Settled, NoMaximum> {
    let size = if estimate_alpha { x.columns + 2 } else { x.columns + 1 };
    let estimated: Vec<usize> = (0..size).collect();
    let alpha_at = x.columns + 1;
    let first_alpha = point[alpha_at];
    let mut convergence = Convergence { iterations: 0, slope_in_standard_errors: 0.0, relative_change: 0.0, halvings: 0 };
    let mut point = point;
    let mut at = evaluate(times, x, &point);
    loop {
        let information = at.information.only(&estimated);
        let Some((root, raised)) = positive_root(&information) else {
            return Err(NoMaximum::NotConverged(convergence.iterations));
        };
        let slope = &at.slope[..size];
        let mut step = root.solve(slope);
        let squared = root.quadratic_form(slope);
        convergence.slope_in_standard_errors = libm::sqrt(squared);
        let alpha = point[alpha_at];
        let largest = step.iter().fold(0.0_f64, |largest, step| largest.max(step.abs()));
        let settled = !raised && squared <= SETTLED && largest <= LARGE_STEP;
        if settled && convergence.iterations > 0 && largest <= 1e-12 {
            return Ok(Settled { point, at, root, convergence });
        }
        let last = convergence.iterations >= MOST_ITERATIONS;
        if !settled && (last || (squared <= SUSPICIOUS && largest > LARGE_STEP)) {
            if recedes(times, x, &step, estimate_alpha) {
                return Err(runs_along(times, x, &step, estimate_alpha));
            }
            if last {
                return Err(NoMaximum::NotConverged(convergence.iterations));
            }
        }
        if estimate_alpha {
            if alpha > FARTHEST_SPREAD * first_alpha {
                return Err(NoMaximum::SpreadVanishes);
            }
            if alpha * FARTHEST_SPREAD < first_alpha {
                return Err(NoMaximum::SpreadUnbounded);
            }
            let fall = -step[alpha_at] / alpha;
            if fall > 0.8 {
                step.iter_mut().for_each(|step| *step *= 0.8 / fall);
            }
        }
        convergence.iterations += 1;
        let (next_point, next) = loop {
            let mut next_point = point.clone();
            next_point.iter_mut().zip(&step).for_each(|(value, step)| *value += step);
            let next = evaluate(times, x, &next_point);
            let lowest = at.ln_likelihood - 1e-12 * (1.0 + at.ln_likelihood.abs());
            if settled || next.ln_likelihood >= lowest {
                break (next_point, next);
            }
            convergence.halvings += 1;
            step.iter_mut().for_each(|step| *step *= 0.5);
            if step.iter().all(|step| step.abs() < 1e-14) {
                return Err(NoMaximum::NotConverged(convergence.iterations));
            }
        };
        let change = (next.ln_likelihood - at.ln_likelihood).abs();
        convergence.relative_change =
            if change > 0.0 { change / next.ln_likelihood.abs().max(f64::MIN_POSITIVE) } else { 0.0 };
        (point, at) = (next_point, next);
        if settled {
            let information = at.information.only(&estimated);
            return match information.root(NOTHING_LEFT, &information.diagonal()) {
                Ok(root) => Ok(Settled { point, at, root, convergence }),
                Err(_) => Err(NoMaximum::NotConverged(convergence.iterations)),
            };
        }
    }
}

/// The root of the information, with its diagonal raised if need be, and whether it was.
fn positive_root(information: &Symmetric) -> Option<(Root, bool)> {
    let diagonal: Vec<f64> = information.diagonal().iter().map(|cell| cell.abs()).collect();
    let least = NOTHING_LEFT * 1e-3;
    if let Ok(root) = information.root(least, &diagonal) {
        return Some((root, false));
    }
    let widest = diagonal.iter().copied().fold(0.0, f64::max);
    let mut part = 1e-6;
    while part < 1e9 {
        let mut raised = information.clone();
        for (k, cell) in diagonal.iter().enumerate() {
            raised.add(k, k, part * (cell + 1e-6 * widest));
        }
        if let Ok(root) = raised.root(least, &diagonal) {
            return Some((root, true));
        }
        part *= 10.0;
    }
    None
}

/// Whether nothing known becomes less likely along `direction`, and something more.
fn recedes(times: &LogTimes, x: Covariates, direction: &[f64], estimate_alpha: bool) -> bool {
    let alpha = if estimate_alpha { direction[x.columns + 1] } else { 0.0 };
    let ends: Vec<(f64, f64)> = (0..times.len())
        .map(|row| {
            let low = alpha * times.low[row] - x.predictor(row, direction);
            (low, low + alpha * times.width[row])
        })
        .collect();
    let widest = ends.iter().fold(0.0_f64, |widest, (low, high)| widest.max(low.abs()).max(high.abs()));
    let none = NEARLY * widest;
    if !none.is_finite() || none <= 0.0 {
        return false;
    }
    let mut strictly = false;
    for (knowledge, &(low, high)) in times.knowledge.iter().zip(&ends) {
        let (worse, better) = match knowledge {
            Knowledge::Exact => (low.abs() > none || alpha < -none, alpha > none),
            Knowledge::Later => (low > none, low < -none),
            Knowledge::Before => (low < -none, low > none),
            Knowledge::Between => (low > none || high < -none, low < -none || high > none),
        };
        if worse {
            return false;
        }
        strictly |= better;
    }
    strictly
}

/// What a direction along which the likelihood climbs for ever is made of: columns, if it does so whatever σ is.
fn runs_along(times: &LogTimes, x: Covariates, direction: &[f64], estimate_alpha: bool) -> NoMaximum {
    let columns = &direction[1..=x.columns];
    let largest = columns.iter().fold(0.0_f64, |largest, part| largest.max(part.abs()));
    if largest > 0.0 && recedes(times, x, direction, false) {
        return NoMaximum::Separated((0..columns.len()).filter(|&k| columns[k].abs() >= 0.01 * largest).collect());
    }
    if estimate_alpha && direction[x.columns + 1] < 0.0 { NoMaximum::SpreadUnbounded } else { NoMaximum::SpreadVanishes }
}
