//! For the Fine–Gray regression: the partial likelihood over the ticks with endings by the cause, and where it is largest.
//!
//! Definition.  Σ over endings by the cause of w·(βᵀz − ln S0), S0 = Σ over the risk set of w·exp(βᵀz), with weight ω(t)/ω(T) for
//!              those that ended by another cause on T before t.
//! Decided.     Newton's steps are halved until the likelihood doesn't fall. What a covariate tells is compared with what one that
//!              varies by 1 at every ending would tell: less than 1e-11 of that is rounding.
//! Cost.        Each iteration one pass over the records and one over the ticks, O(p²) each.

use super::fine_gray::FineGrayFailure;
use super::fine_gray_weights::{Records, SubdistributionWeights};
use super::symmetric::{NOTHING_LEFT, Symmetric};
use crate::quantity::WhyNotKnown;

/// The iteration ends when the score is below this part of its deviation.
const SETTLED: f64 = 1e-10;
const MOST_ITERATIONS: u32 = 60;
const MOST_HALVINGS: u32 = 40;

/// The partial likelihood over the ticks with endings by the cause.
pub(super) struct Likelihood {
    size: usize,
    /// For each record, how many ticks with endings by the cause lie on its exit or before, and on its entry.
    after_exit: Vec<u32>,
    after_entry: Vec<u32>,
    /// For each record that ended by another cause, its epoch and 1/ω at its exit.
    competing: Vec<Option<(u32, f64)>>,
    /// For each such tick, the weight that ended.
    ended: Vec<f64>,
    /// For each epoch and each such tick, ω, or 0 outside the epoch.
    omega: Vec<f64>,
    epochs: usize,
    /// Σ over endings by the cause of w·z.
    total: Vec<f64>,
}

/// The likelihood at some coefficients.
struct Value {
    log_likelihood: f64,
    score: Vec<f64>,
    information: Symmetric,
}

/// Where the likelihood is largest, in units of the scaled covariates.
pub(super) struct Optimum {
    pub(super) beta: Vec<f64>,
    pub(super) log_likelihood: f64,
    pub(super) log_likelihood_at_zero: f64,
    pub(super) score_at_zero: Vec<f64>,
    pub(super) inverse: Symmetric,
    pub(super) iterations: u32,
    pub(super) gap: f64,
}

impl Likelihood {
    pub(super) fn of(records: &Records, weights: &SubdistributionWeights) -> Self {
        let (mut count, mut counts, mut ended, mut ticks) = (0_u32, Vec::new(), Vec::new(), Vec::new());
        for (tick, &weight) in records.ended_by_cause().iter().enumerate() {
            if weight > 0.0 {
                count += 1;
                ended.push(weight);
                ticks.push(tick);
            }
            counts.push(count);
        }
        let mut omega = vec![0.0; weights.epochs * ticks.len()];
        for (j, &tick) in ticks.iter().enumerate() {
            for stratum in 0..records.strata {
                let (epoch, value) = weights.at(stratum, tick);
                omega[epoch as usize * ticks.len() + j] = value;
            }
        }
        let size = records.columns.len();
        let failed = |i: &usize| records.class[*i] == 1;
        Self {
            size,
            after_exit: records.exit.iter().map(|&exit| counts[exit as usize]).collect(),
            after_entry: records.entry.iter().map(|&entry| if entry > 0 { counts[entry as usize] } else { 0 }).collect(),
            competing: (0..records.exit.len()).map(|i| weights.of_competing(records, i)).collect(),
            ended,
            omega,
            epochs: weights.epochs,
            total: (0..size)
                .map(|k| (0..records.exit.len()).filter(failed).map(|i| records.weight[i] * records.columns[k][i]).sum())
                .collect(),
        }
    }

    /// The likelihood with score and information.
    fn at(&self, records: &Records, beta: &[f64]) -> Value {
        let (size, steps) = (self.size, self.ended.len());
        let width = 1 + size + size * (size + 1) / 2;
        let mut at_risk = vec![0.0; (steps + 1) * width];
        let mut gone = vec![0.0; self.epochs * (steps + 1) * width];
        let mut row = vec![0.0; width];
        for i in 0..records.exit.len() {
            let predictor: f64 = (0..size).map(|k| beta[k] * records.columns[k][i]).sum();
            row[0] = records.weight[i] * libm::exp(predictor);
            let mut next = 1 + size;
            for k in 0..size {
                row[1 + k] = row[0] * records.columns[k][i];
                for l in 0..=k {
                    row[next] = row[1 + k] * records.columns[l][i];
                    next += 1;
                }
            }
            let place = self.after_exit[i] as usize * width;
            add(&mut at_risk[place..place + width], &row, 1.0);
            if records.entry[i] > 0 {
                let place = self.after_entry[i] as usize * width;
                add(&mut at_risk[place..place + width], &row, -1.0);
            }
            if let Some((epoch, per_omega)) = self.competing[i] {
                let place = (epoch as usize * (steps + 1) + self.after_exit[i] as usize) * width;
                add(&mut gone[place..place + width], &row, per_omega);
            }
        }
        self.sum_up(beta, at_risk, &mut gone, width)
    }

    /// Running sums: those at risk from the last tick back, those gone by another cause from the first forward.
    fn sum_up(&self, beta: &[f64], mut at_risk: Vec<f64>, gone: &mut [f64], width: usize) -> Value {
        let (size, steps) = (self.size, self.ended.len());
        for place in (0..steps * width).rev() {
            at_risk[place] += at_risk[place + width];
        }
        for epoch in gone.chunks_mut((steps + 1) * width) {
            for place in width..epoch.len() {
                epoch[place] += epoch[place - width];
            }
        }
        let mut log_likelihood: f64 = self.total.iter().zip(beta).map(|(total, beta)| total * beta).sum();
        let mut score = self.total.clone();
        let mut triangle = vec![0.0; size * (size + 1) / 2];
        for (j, &ended) in self.ended.iter().enumerate() {
            let sum = &mut at_risk[(j + 1) * width..(j + 2) * width];
            for epoch in 0..self.epochs {
                let omega = self.omega[epoch * steps + j];
                if omega > 0.0 {
                    let place = (epoch * (steps + 1) + j) * width;
                    add(sum, &gone[place..place + width], omega);
                }
            }
            log_likelihood -= ended * libm::log(sum[0]);
            let mut next = 0;
            for k in 0..size {
                let mean = sum[1 + k] / sum[0];
                score[k] -= ended * mean;
                for l in 0..=k {
                    triangle[next] += ended * (sum[1 + size + next] / sum[0] - mean * sum[1 + l] / sum[0]);
                    next += 1;
                }
            }
        }
        Value { log_likelihood, score, information: Symmetric::of_triangle(size, triangle) }
    }

    /// Newton's iteration with halved steps.
    ///
    /// # Errors
    ///
    /// Why there is no maximum, as in [`FineGrayFailure`].
    pub(super) fn maximise(&self, records: &Records) -> Result<Optimum, FineGrayFailure> {
        let mut beta = vec![0.0; self.size];
        let mut now = self.at(records, &beta);
        let (log_likelihood_at_zero, score_at_zero) = (now.log_likelihood, now.score.clone());
        let at_start = now.information.clone();
        // What a covariate that varies by 1 at every ending would have for information.
        let usual = vec![self.ended.iter().sum(); self.size];
        for iterations in 0..=MOST_ITERATIONS {
            let fail = |why, covariate| FineGrayFailure { why, covariate, iterations };
            // Scaled covariates vary by 1 over all; what varies by nothing where the cause is at work tells nothing.
            let root = now.information.root(NOTHING_LEFT, &usual).map_err(|index| {
                fail(if iterations == 0 { WhyNotKnown::Collinear } else { WhyNotKnown::Separated }, Some(index))
            })?;
            let step = root.solve(&now.score);
            let gap = libm::sqrt(root.quadratic_form(&now.score));
            if (SETTLED..1e-3).contains(&gap) && reach(records, &step) > 0.1 {
                return Err(fail(WhyNotKnown::Separated, largest(&step)));
            }
            if gap < SETTLED {
                // A coefficient may stand still only because its information has gone.
                let lost = (0..self.size).find(|&k| now.information.at(k, k) < 1e-9 * at_start.at(k, k));
                if let Some(index) = lost {
                    return Err(fail(WhyNotKnown::Separated, Some(index)));
                }
                let (log_likelihood, inverse) = (now.log_likelihood, root.inverse());
                let optimum =
                    Optimum { beta, log_likelihood, log_likelihood_at_zero, score_at_zero, inverse, iterations, gap };
                return Ok(optimum);
            }
            let mut part = 1.0;
            let accepted = (0..MOST_HALVINGS).find_map(|_| {
                let tried: Vec<f64> = beta.iter().zip(&step).map(|(beta, step)| beta + part * step).collect();
                part *= 0.5;
                let value = self.at(records, &tried);
                let allowed = 1e-11 * (1.0 + now.log_likelihood.abs());
                let better = value.log_likelihood.is_finite() && value.log_likelihood >= now.log_likelihood - allowed;
                better.then_some((tried, value))
            });
            let Some((tried, value)) = accepted else {
                // Where the likelihood only climbs, information goes until rounding lets no step be taken any more.
                let lost = (0..self.size).find(|&k| now.information.at(k, k) < 1e-6 * at_start.at(k, k));
                let why = if lost.is_some() { WhyNotKnown::Separated } else { WhyNotKnown::NotConverged };
                return Err(fail(why, lost));
            };
            (beta, now) = (tried, value);
        }
        Err(FineGrayFailure { why: WhyNotKnown::NotConverged, covariate: None, iterations: MOST_ITERATIONS })
    }
}

fn add(sum: &mut [f64], row: &[f64], factor: f64) {
    for (sum, cell) in sum.iter_mut().zip(row) {
        *sum += factor * cell;
    }
}

/// By how much a step moves the predictors of two observations apart.
fn reach(records: &Records, step: &[f64]) -> f64 {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for i in 0..records.exit.len() {
        let change: f64 = step.iter().zip(&records.columns).map(|(step, column)| step * column[i]).sum();
        low = low.min(change);
        high = high.max(change);
    }
    high - low
}

fn largest(step: &[f64]) -> Option<usize> {
    (0..step.len()).reduce(|a, b| if step[b].abs() > step[a].abs() { b } else { a })
}
