//! The likelihood of the baseline-category logit model, its slope and its curvature; with two levels, of logistic regression.
//!
//! Legend.      Level 0 is the reference, η_0 = 0; η_a = xβ_a for the others; p_a = exp(η_a)/Σ_b exp(η_b).
//! Formula.     ln L = Σ w·ln p_y;  U_a = Σ w·([y = a] − p_a)·x;  I_ab = Σ w·p_a·([a = b] − p_b)·x·xᵀ.
//! Decided.     1 − p_a is the sum of the other probabilities, so nothing is lost where p_a is next to 1.
//! Cost.        O(rows·columns²·levels²). Blocks of rows are fixed, so sums are the same bytes whatever the number of threads.

use super::cox_risk_sets::threads_for;
use super::lanes::{dot, sum};
use super::logit_rows::LogitRows;
use super::symmetric::Symmetric;
use crate::threads::on_threads;

/// Rows at a time: what is worked on stays in the cache.
pub(super) const STRETCH: usize = 1024;
/// Stretches of a block that one thread sums, at most: what a block comes to takes room by itself.
const MOST_STRETCHES: usize = 16;
/// Into so many blocks rows are parted if they are enough for that.
const BLOCKS: usize = 32;

/// Products of two columns beyond which a row counts as several when threads are given out.
const WORK_OF_A_ROW: usize = 64;

/// The likelihood at one β.
#[derive(Clone, Debug)]
pub(super) struct LogitEvaluation {
    pub(super) ln_likelihood: f64,
    /// Block after block, a level each.
    pub(super) score: Vec<f64>,
    pub(super) information: Symmetric,
    /// The largest |η|.
    pub(super) furthest: f64,
}

/// The probabilities of a stretch of rows, level after level, the reference first.
pub(super) struct Stretch {
    pub(super) first: usize,
    pub(super) len: usize,
    /// p_a, `STRETCH` places for each level.
    chance: Vec<f64>,
    pub(super) furthest: f64,
}

impl Stretch {
    pub(super) fn of(rows: &LogitRows, beta: &[f64], first: usize, len: usize) -> Self {
        let levels = rows.levels.len();
        let mut chance = vec![0.0; levels * STRETCH];
        for (a, block) in beta.chunks_exact(rows.width()).enumerate() {
            let eta = &mut chance[(a + 1) * STRETCH..(a + 1) * STRETCH + len];
            for (column, &beta) in rows.columns.iter().zip(block) {
                eta.iter_mut().zip(&column[first..first + len]).for_each(|(eta, x)| *eta += beta * x);
            }
        }
        let mut furthest = 0.0_f64;
        for i in 0..len {
            let mut most = 0.0_f64;
            for a in 1..levels {
                let eta = chance[a * STRETCH + i];
                most = most.max(eta);
                furthest = furthest.max(eta.abs());
            }
            let mut total = 0.0;
            for a in 0..levels {
                let place = &mut chance[a * STRETCH + i];
                let below = *place - most;
                *place = if below < 0.0 { libm::exp(below) } else { 1.0 };
                total += *place;
            }
            let part = 1.0 / total;
            for a in 0..levels {
                chance[a * STRETCH + i] *= part;
            }
        }
        Self { first, len, chance, furthest }
    }

    /// The probabilities of one level.
    pub(super) fn of_level(&self, a: usize) -> &[f64] {
        &self.chance[a * STRETCH..a * STRETCH + self.len]
    }

    /// 1 − p_a of one row.
    pub(super) fn of_others(&self, levels: usize, a: usize, i: usize) -> f64 {
        (0..levels).filter(|&b| b != a).map(|b| self.chance[b * STRETCH + i]).sum()
    }

    /// [y = a] − p_a of one row.
    pub(super) fn residual(&self, rows: &LogitRows, a: usize, i: usize) -> f64 {
        if usize::from(rows.level[self.first + i]) == a {
            self.of_others(rows.levels.len(), a, i)
        } else {
            -self.chance[a * STRETCH + i]
        }
    }
}

/// Goes through all rows, stretch by stretch, and puts together what each block gives, in their order.
pub(super) fn in_blocks<T: Send>(
    rows: &LogitRows,
    beta: &[f64],
    of_block: impl Fn(&mut dyn Iterator<Item = Stretch>) -> T + Sync,
) -> Vec<T> {
    let count = rows.level.len();
    // By the number of rows alone, so that sums are the same on any number of threads.
    let block = count.div_ceil(BLOCKS * STRETCH).clamp(1, MOST_STRETCHES) * STRETCH;
    let starts: Vec<usize> = (0..count).step_by(block).collect();
    // A row takes the longer the more parameters there are.
    let work = count.saturating_mul(rows.parameters().max(1).pow(2)) / WORK_OF_A_ROW;
    on_threads(starts, threads_for(work.max(count)), |start| {
        let end = (start + block).min(count);
        let stretches = (start..end).step_by(STRETCH).map(|first| Stretch::of(rows, beta, first, STRETCH.min(end - first)));
        of_block(&mut { stretches })
    })
}

/// The likelihood, slope and curvature.
pub(super) fn evaluate(rows: &LogitRows, beta: &[f64]) -> LogitEvaluation {
    let (width, levels) = (rows.width(), rows.levels.len());
    let parts = in_blocks(rows, beta, |stretches| {
        let mut part = LogitEvaluation {
            ln_likelihood: 0.0,
            score: vec![0.0; rows.parameters()],
            information: Symmetric::zero(rows.parameters()),
            furthest: 0.0,
        };
        let (mut factor, mut product) = (vec![0.0; STRETCH], vec![0.0; STRETCH]);
        for stretch in stretches {
            let (first, len) = (stretch.first, stretch.len);
            let weights = rows.weight.get(first..first + len);
            let weight = |i: usize| weights.map_or(1.0, |weights| weights[i]);
            part.furthest = part.furthest.max(stretch.furthest);
            for i in 0..len {
                let level = usize::from(rows.level[first + i]);
                part.ln_likelihood += weight(i) * libm::log(stretch.of_level(level)[i]);
            }
            let x = |k: usize| &rows.columns[k][first..first + len];
            for a in 1..levels {
                let (factor, product) = (&mut factor[..len], &mut product[..len]);
                factor.iter_mut().enumerate().for_each(|(i, f)| *f = weight(i) * stretch.residual(rows, a, i));
                let base = (a - 1) * width;
                part.score[base] += sum(factor);
                for k in 1..width {
                    part.score[base + k] += dot(factor, x(k));
                }
                for b in 1..=a {
                    let (p_a, p_b) = (stretch.of_level(a), stretch.of_level(b));
                    if a == b {
                        factor
                            .iter_mut()
                            .enumerate()
                            .for_each(|(i, f)| *f = weight(i) * p_a[i] * stretch.of_others(levels, a, i));
                    } else {
                        factor.iter_mut().enumerate().for_each(|(i, f)| *f = -weight(i) * p_a[i] * p_b[i]);
                    }
                    let other = (b - 1) * width;
                    for j in 0..width {
                        product.iter_mut().zip(&*factor).zip(x(j)).for_each(|((product, f), x)| *product = f * x);
                        for k in 0..=j {
                            let cell = if k == 0 { sum(product) } else { dot(product, x(k)) };
                            part.information.add(base + j, other + k, cell);
                            if a != b && k != j {
                                part.information.add(base + k, other + j, cell);
                            }
                        }
                    }
                }
            }
        }
        part
    });
    let mut parts = parts.into_iter();
    let mut whole = parts.next().unwrap_or_else(|| LogitEvaluation {
        ln_likelihood: 0.0,
        score: vec![0.0; rows.parameters()],
        information: Symmetric::zero(rows.parameters()),
        furthest: 0.0,
    });
    for part in parts {
        whole.ln_likelihood += part.ln_likelihood;
        whole.score.iter_mut().zip(&part.score).for_each(|(sum, term)| *sum += term);
        whole.information.add_all(&part.information);
        whole.furthest = whole.furthest.max(part.furthest);
    }
    whole
}

/// The sums over each cluster of w·([y = a] − p_a)·x, a row of parameters for each cluster index.
pub(super) fn scores_by_cluster(rows: &LogitRows, beta: &[f64], clusters: &[u32]) -> Vec<f64> {
    let (width, size) = (rows.width(), rows.parameters());
    let places = rows.observation.iter().map(|&row| clusters[row as usize] as usize + 1).max().unwrap_or(0);
    let mut sums = vec![0.0; places * size];
    for first in (0..rows.level.len()).step_by(STRETCH) {
        let stretch = Stretch::of(rows, beta, first, STRETCH.min(rows.level.len() - first));
        for i in 0..stretch.len {
            let row = first + i;
            let home = clusters[rows.observation[row] as usize] as usize * size;
            for a in 1..rows.levels.len() {
                let residual = rows.weight_of(row) * stretch.residual(rows, a, i);
                let block = &mut sums[home + (a - 1) * width..home + a * width];
                block.iter_mut().zip(&rows.columns).for_each(|(sum, column)| *sum += residual * column[row]);
            }
        }
    }
    sums
}

/// Σ w·x·xᵀ: whether columns are made up of one another is read from it.
pub(super) fn moments(rows: &LogitRows) -> Symmetric {
    let width = rows.width();
    let count = rows.level.len();
    let starts: Vec<usize> = (0..count).step_by(STRETCH).collect();
    let parts = on_threads(starts, threads_for(count), |first| {
        let len = STRETCH.min(count - first);
        let mut part = Symmetric::zero(width);
        let mut product = vec![0.0; len];
        for j in 0..width {
            product.copy_from_slice(&rows.columns[j][first..first + len]);
            if let Some(weights) = rows.weight.get(first..first + len) {
                product.iter_mut().zip(weights).for_each(|(product, weight)| *product *= weight);
            }
            for k in 0..=j {
                part.add(j, k, dot(&product, &rows.columns[k][first..first + len]));
            }
        }
        part
    });
    let mut whole = Symmetric::zero(width);
    parts.iter().for_each(|part| whole.add_all(part));
    whole
}
