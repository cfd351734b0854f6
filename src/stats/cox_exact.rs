//! The exact partial likelihood of a discrete time scale: given how many failed on a tick, which ones?
//!
//! Definition.  On a place with d failures among n at risk, the likelihood is Π failures e_i / E_d(e), where e_i = exp(x_iβ) and E_d sums
//!              the products of all sets of d of the n (conditional logistic regression).
//! Formula.     With p_i = c·e_i/(1 + c·e_i), E_d = P(K = d)·Π(1 + c·e_i)/c^d, where K counts successes of independent trials with
//!              chances p_i. Adding one trial at a time, P(K = k) and the first two moments of Σx over the successes follow from
//!              those for k and k − 1. Slope and curvature are the mean and the covariance of Σx given K = d.
//! Source.      Cox DR. J R Stat Soc B 1972;34:187–220 (discrete model); recursion: Gail MH, Lubin JH, Rubinstein LV. Biometrika
//!              1981;68:703–707 (both from memory); as chances: worked out here.
//! Decided.     c makes the chances sum to d, so that every number of the recursion lies between 0 and 1 and none overflows,
//!              whatever the size of the risk set. A whole-number case weight stands for as many rows; others are refused.
//! Cost.        O(n·d·columns²) for each tick with ties; ticks without go the usual way.
//! Not for.     Times that are tied because they were rounded: Efron's approximation is meant for those.

use super::cox::TiesHandling;
use super::cox_likelihood::{Evaluation, evaluate, weighted_information};
use super::cox_risk_sets::{Place, RiskSets};
use super::symmetric::Symmetric;

/// Evaluates the exact partial likelihood at `beta`. Hazards and sums are those of Breslow.
pub(super) fn evaluate_exact(sets: &RiskSets, beta: &[f64]) -> Evaluation {
    let width = sets.width();
    let mut at = evaluate(sets, TiesHandling::Breslow, beta, None);
    let lone: Vec<bool> = sets.places.iter().map(|place| at_once(sets, place) == 1).collect();
    let (mut ln_likelihood, mut score) = (0.0, vec![0.0; width]);
    let (mut information, mut moments) = weighted_information(sets, &at, |place| if lone[place] { 1.0 } else { 0.0 });
    for stratum in sets.stratum_starts.windows(2) {
        for (place, rows) in sets.places.iter().enumerate().take(stratum[1]).skip(stratum[0]) {
            let failed = rows.start..rows.failures_end;
            ln_likelihood += failed.clone().map(|row| sets.weight_of(row) * ln_risk(sets, &at, row)).sum::<f64>();
            for (score, column) in score.iter_mut().zip(&sets.columns) {
                *score += failed.clone().map(|row| sets.weight_of(row) * column[row]).sum::<f64>();
            }
            if lone[place] {
                ln_likelihood -= libm::log(at.sums_of(place, width).0);
                score.iter_mut().zip(at.means(place, width)).for_each(|(score, mean)| *score -= mean);
                continue;
            }
            let end = sets.places[stratum[1] - 1].end;
            let at_risk: Vec<(usize, u32)> = (rows.start..end)
                .filter(|&row| sets.first_place.get(row).is_none_or(|&first| first as usize <= place))
                .map(|row| (row, copies(sets, row)))
                .collect();
            let tied = Tied::of(sets, &at, &at_risk, at_once(sets, rows));
            ln_likelihood -= tied.ln_sum;
            score.iter_mut().zip(&tied.mean).for_each(|(score, mean)| *score -= mean);
            information.add_all(&tied.covariance);
            moments.iter_mut().zip(&tied.moments).for_each(|(sum, moment)| *sum += moment);
        }
    }
    at.ln_likelihood = ln_likelihood;
    at.score = score;
    at.information = information;
    at.moments = moments;
    at
}

/// Whether every case weight is a whole number (of at most nine digits).
pub(super) fn weights_are_whole(sets: &RiskSets) -> bool {
    sets.weight.iter().all(|&weight| weight < 1e9 && weight.fract().abs() <= 0.0)
}

#[expect(clippy::cast_possible_truncation, reason = "weights were found whole and below 1e9")]
fn copies(sets: &RiskSets, row: usize) -> u32 {
    sets.weight_of(row) as u32
}

fn at_once(sets: &RiskSets, place: &Place) -> usize {
    (place.start..place.failures_end).map(|row| copies(sets, row) as usize).sum()
}

/// xβ.
fn ln_risk(sets: &RiskSets, at: &Evaluation, row: usize) -> f64 {
    libm::log(at.risk[row] / sets.weight_of(row))
}

struct Tied {
    /// ln E_d.
    ln_sum: f64,
    mean: Vec<f64>,
    covariance: Symmetric,
    moments: Vec<f64>,
}

impl Tied {
    fn of(sets: &RiskSets, at: &Evaluation, at_risk: &[(usize, u32)], d: usize) -> Self {
        let width = sets.width();
        let risk = |row: usize| at.risk[row] / sets.weight_of(row);
        let n: usize = at_risk.iter().map(|&(_, copies)| copies as usize).sum();
        if n == d {
            // All fail: there is one way only.
            let mut mean = vec![0.0; width];
            let mut ln_sum = 0.0;
            for &(row, copies) in at_risk {
                ln_sum += f64::from(copies) * libm::log(risk(row));
                mean.iter_mut().zip(sets.row(row)).for_each(|(mean, x)| *mean += f64::from(copies) * x);
            }
            return Self { ln_sum, mean, covariance: Symmetric::zero(width), moments: vec![0.0; width] };
        }
        let c = odds_factor(at_risk, risk, d as f64);
        let chance = |row: usize| c * risk(row) / (1.0 + c * risk(row));
        let mut centre = vec![0.0; width];
        for &(row, copies) in at_risk {
            let share = f64::from(copies) * chance(row) / d as f64;
            centre.iter_mut().zip(sets.row(row)).for_each(|(centre, x)| *centre += share * x);
        }
        let mut states = States::new(d, width);
        let mut ln_factor = 0.0;
        let mut left = n;
        for &(row, copies) in at_risk {
            let x: Vec<f64> = sets.row(row).zip(&centre).map(|(x, centre)| x - centre).collect();
            let p = chance(row);
            for _ in 0..copies {
                left -= 1;
                states.add_trial(p, 1.0 / (1.0 + c * risk(row)), &x, d.saturating_sub(left));
                ln_factor += libm::log1p(c * risk(row));
            }
        }
        let (probability, first, second) = states.of(d);
        let from_centre: Vec<f64> = first.iter().map(|first| first / probability).collect();
        let mut covariance = Symmetric::zero(width);
        covariance.cells_mut().iter_mut().zip(second).for_each(|(cell, second)| *cell = second / probability);
        let moments = covariance.diagonal();
        covariance.add_square(-1.0, &from_centre);
        Self {
            ln_sum: ln_factor + libm::log(probability) - d as f64 * libm::log(c),
            mean: from_centre.iter().zip(&centre).map(|(mean, centre)| mean + d as f64 * centre).collect(),
            covariance,
            moments,
        }
    }
}

/// The c for which the chances sum to about `d`, which is below their number.
fn odds_factor(at_risk: &[(usize, u32)], risk: impl Fn(usize) -> f64, d: f64) -> f64 {
    let total: f64 = at_risk.iter().map(|&(row, copies)| f64::from(copies) * risk(row)).sum();
    let mut ln_c = libm::log(d / total);
    let (mut low, mut high) = (ln_c, f64::INFINITY);
    for _ in 0..60 {
        let (mut sum, mut spread) = (0.0, 0.0);
        for &(row, copies) in at_risk {
            let odds = libm::exp(ln_c) * risk(row);
            let p = odds / (1.0 + odds);
            sum += f64::from(copies) * p;
            spread += f64::from(copies) * p * (1.0 - p);
        }
        if (sum - d).abs() < 1e-3 {
            break;
        }
        if sum < d {
            low = ln_c
        } else {
            high = ln_c
        }
        let next = ln_c + (d - sum) / spread;
        ln_c = if next > low && next < high {
            next
        } else if high.is_finite() {
            0.5 * (low + high)
        } else {
            low + 2.0
        };
    }
    libm::exp(ln_c)
}

/// For each count of successes so far: its probability, and the first two moments of Σx times that probability.
struct States {
    stride: usize,
    width: usize,
    cells: Vec<f64>,
    reached: usize,
}

impl States {
    fn new(d: usize, width: usize) -> Self {
        let stride = 1 + width + width * (width + 1) / 2;
        let mut cells = vec![0.0; (d + 1) * stride];
        cells[0] = 1.0;
        Self { stride, width, cells, reached: 0 }
    }

    /// Adds a trial; states below `least` can't reach the end any more.
    fn add_trial(&mut self, p: f64, q: f64, x: &[f64], least: usize) {
        let last = self.cells.len() / self.stride - 1;
        self.reached = (self.reached + 1).min(last);
        for k in (least.max(1)..=self.reached).rev() {
            let (before, now) = self.cells.split_at_mut(k * self.stride);
            let before = &before[(k - 1) * self.stride..];
            let now = &mut now[..self.stride];
            now[0] = q * now[0] + p * before[0];
            let mut place = 1 + self.width;
            for j in 0..self.width {
                for i in 0..=j {
                    let with = before[place] + x[j] * before[1 + i] + x[i] * before[1 + j] + x[j] * x[i] * before[0];
                    now[place] = q * now[place] + p * with;
                    place += 1;
                }
            }
            for j in 0..self.width {
                now[1 + j] = q * now[1 + j] + p * (before[1 + j] + x[j] * before[0]);
            }
        }
        if least == 0 {
            self.cells[..self.stride].iter_mut().for_each(|cell| *cell *= q);
        }
    }

    fn of(&self, k: usize) -> (f64, &[f64], &[f64]) {
        let cells = &self.cells[k * self.stride..(k + 1) * self.stride];
        (cells[0], &cells[1..=self.width], &cells[1 + self.width..])
    }
}
