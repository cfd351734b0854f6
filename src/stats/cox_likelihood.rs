//! The partial likelihood of the proportional hazards model, its slope and its curvature, with tied failures by Efron or Breslow.
//!
//! Legend.      e_i = w_i·exp(x_iβ); on a place with d failures of mean weight w̄: S0, S1 sums of e and e·x over the risk set, F0, F1
//!              the same over the failures; f_l = l/d, l = 0..d−1 (Efron) or f_l = 0 (Breslow); S0_l = S0 − f_l·F0,
//!              x̄_l = (S1 − f_l·F1)/S0_l.
//! Formula.     ln L = Σ failures w_i·x_iβ − Σ places Σ_l w̄·ln S0_l;  U = Σ failures w_i·x_i − Σ Σ_l w̄·x̄_l;
//!              I = Σ places Σ_l w̄·(S2_l/S0_l − x̄_l·x̄_lᵀ).
//!              The second moments need no running sums: Σ Σ_l w̄·S2_l/S0_l = Σ_i e_i·H_i·x_i·x_iᵀ, where H_i sums w̄/S0_l over the
//!              places on which i is at risk, on that of its own failure with the factor 1 − f_l. The rest is
//!              Σ_l w̄·x̄_l·x̄_lᵀ = q0·S1·S1ᵀ − q1·(S1·F1ᵀ + F1·S1ᵀ) + q2·F1·F1ᵀ with q_k = Σ_l w̄·f_l^k/S0_l².
//! Source.      Cox DR. J R Stat Soc B 1972;34:187–220; Breslow NE. Biometrics 1974;30:89–99; Efron B. J Am Stat Assoc
//!              1977;72:557–565; weights: Therneau TM, Grambsch PM. Modeling Survival Data, 2000, ch. 3 (all from memory).
//! Decided.     With case weights, each of Efron's d terms of a place has the mean weight of its failures. Late rows enter and
//!              leave running sums that remember what rounding takes from them (two-fold sums), so a large risk that has gone
//!              leaves nothing behind.
//! Cost.        Two passes over the rows, one over the places: O(rows·columns² + failures). Blocks of rows are fixed, so sums are
//!              the same bytes whatever the number of threads.

use super::compensated_sum::CompensatedSum;
use super::cox::TiesHandling;
use super::cox_risk_sets::{Block, RiskSets, threads_for};
use super::lanes::{dot, sum};
use super::symmetric::Symmetric;
use crate::threads::on_threads;

/// Rows at a time in the second pass: what is worked on stays in the cache.
const STRETCH: usize = 1024;

/// What the terms of one place add up to; see the legend.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct PlaceTerms {
    /// Σ_l w̄/S0_l: the increment of the baseline's cumulative hazard.
    pub(super) hazard: f64,
    /// Σ_l w̄·(1 − f_l)/S0_l: the same for one who fails there.
    pub(super) hazard_of_failed: f64,
    /// Σ_l w̄/S0_l².
    pub(super) q0: f64,
    /// Σ_l w̄·f_l/S0_l².
    pub(super) q1: f64,
    /// Σ_l w̄·f_l²/S0_l².
    pub(super) q2: f64,
    /// d·w̄: the weight that failed.
    pub(super) failed: f64,
}

impl PlaceTerms {
    /// Σ_l w̄·f_l/S0_l.
    pub(super) fn hazard_shared(&self) -> f64 {
        self.hazard - self.hazard_of_failed
    }
}

/// The likelihood at one β, with what it was made of.
#[derive(Clone, Debug)]
pub(super) struct Evaluation {
    pub(super) ln_likelihood: f64,
    pub(super) score: Vec<f64>,
    pub(super) information: Symmetric,
    /// The diagonal of Σ Σ_l w̄·S2_l/S0_l: what rounding of the information is to be measured against.
    pub(super) moments: Vec<f64>,
    /// e of each row.
    pub(super) risk: Vec<f64>,
    /// For each place: S0, S1, F0, F1.
    pub(super) sums: Vec<f64>,
    pub(super) terms: Vec<PlaceTerms>,
    /// The largest |xβ|.
    pub(super) furthest: f64,
}

impl Evaluation {
    /// S0, S1, F0 and F1 of a place.
    pub(super) fn sums_of(&self, place: usize, width: usize) -> (f64, &[f64], f64, &[f64]) {
        let stride = 2 * (width + 1);
        let (all, failed) = self.sums[place * stride..(place + 1) * stride].split_at(width + 1);
        (all[0], &all[1..], failed[0], &failed[1..])
    }

    /// Σ_l w̄·x̄_l of a place.
    pub(super) fn means(&self, place: usize, width: usize) -> impl Iterator<Item = f64> + '_ {
        let terms = self.terms[place];
        let (_, s1, _, f1) = self.sums_of(place, width);
        let shared = terms.hazard_shared();
        s1.iter().zip(f1).map(move |(s1, f1)| terms.hazard * s1 - shared * f1)
    }
}

/// Evaluates the partial likelihood at `beta`, with `offset` added to each row's linear predictor.
pub(super) fn evaluate(sets: &RiskSets, ties: TiesHandling, beta: &[f64], offset: Option<&[f64]>) -> Evaluation {
    let width = sets.width();
    let threads = threads_for(sets.rows());
    let mut risk = vec![0.0; sets.rows()];
    let parts = on_threads(with_slices(&sets.blocks, 1, &mut risk), threads, |(block, risk)| {
        first_pass(sets, block, beta, offset, risk)
    });
    let mut sums = Vec::with_capacity(sets.places.len() * 2 * (width + 1));
    let (mut ln_likelihood, mut furthest) = (0.0, 0.0_f64);
    for part in parts {
        sums.extend_from_slice(&part.sums);
        ln_likelihood += part.ln_risk_of_failed;
        furthest = furthest.max(part.furthest);
    }
    run_sums(sets, &risk, &mut sums);
    let mut terms = Vec::with_capacity(sets.places.len());
    for (place, sums) in sets.places.iter().zip(sums.chunks_exact(2 * (width + 1))) {
        let failures = place.failures_end - place.start;
        let (place_terms, ln_risks) = terms_of(ties, failures, sets.weight_failed(place), sums[0], sums[width + 1]);
        terms.push(place_terms);
        ln_likelihood -= ln_risks;
    }
    let mut evaluation = Evaluation {
        ln_likelihood,
        score: score(sets),
        information: Symmetric::zero(width),
        moments: Vec::new(),
        risk,
        sums,
        terms,
        furthest,
    };
    for place in 0..sets.places.len() {
        let mut score = std::mem::take(&mut evaluation.score);
        score.iter_mut().zip(evaluation.means(place, width)).for_each(|(score, mean)| *score -= mean);
        evaluation.score = score;
    }
    (evaluation.information, evaluation.moments) = weighted_information(sets, &evaluation, |_| 1.0);
    evaluation
}

/// Σ places g(place)·V(place), where V is a place's share of the information; and the diagonal of its first part.
pub(super) fn weighted_information(sets: &RiskSets, at: &Evaluation, g: impl Fn(usize) -> f64) -> (Symmetric, Vec<f64>) {
    let width = sets.width();
    let hazard = RowHazard::weighted(sets, at, &g);
    let parts =
        on_threads(sets.blocks.clone(), threads_for(sets.rows()), |block| second_pass(sets, &hazard, &at.risk, block));
    let mut information = Symmetric::zero(width);
    for part in &parts {
        information.add_all(part);
    }
    let moments = information.diagonal();
    for (place, terms) in at.terms.iter().enumerate() {
        let (_, s1, _, f1) = at.sums_of(place, width);
        let g = g(place);
        information.add_square(-g * terms.q0, s1);
        if terms.q1 > 0.0 {
            information.add_cross(g * terms.q1, s1, f1);
            information.add_square(-g * terms.q2, f1);
        }
    }
    (information, moments)
}

/// Sums over the places on which a row is at risk.
///
/// Running sums from the first place of each stratum, kept two-fold, so that differences of them are as good as sums.
pub(super) struct RowHazard {
    before: Vec<CompensatedSum>,
    increment: Vec<f64>,
    increment_of_failed: Vec<f64>,
}

impl RowHazard {
    /// Sums g(place) times the increments of the baseline's cumulative hazard.
    pub(super) fn weighted(sets: &RiskSets, at: &Evaluation, g: impl Fn(usize) -> f64) -> Self {
        let terms = at.terms.iter().enumerate();
        Self::of(
            sets,
            terms.clone().map(|(place, terms)| g(place) * terms.hazard).collect(),
            terms.map(|(place, terms)| g(place) * terms.hazard_of_failed).collect(),
        )
    }

    /// Sums these increments of the places; those who fail on one have another.
    pub(super) fn of(sets: &RiskSets, increment: Vec<f64>, increment_of_failed: Vec<f64>) -> Self {
        let mut before = Vec::with_capacity(increment.len());
        for stratum in sets.stratum_starts.windows(2) {
            let mut sum = CompensatedSum::default();
            for &increment in &increment[stratum[0]..stratum[1]] {
                before.push(sum);
                sum.add(increment);
            }
        }
        Self { before, increment, increment_of_failed }
    }

    /// The sum of a row whose last place is `place`.
    #[inline]
    pub(super) fn of_row(&self, sets: &RiskSets, place: usize, row: usize) -> f64 {
        let failed = row < sets.places[place].failures_end;
        let last = if failed { self.increment_of_failed[place] } else { self.increment[place] };
        match sets.first_place.get(row) {
            None => self.before[place].value() + last,
            Some(&first) => self.before[place].minus(self.before[first as usize]) + last,
        }
    }

    /// The sum up to and including a place, from the first of its stratum.
    pub(super) fn to(&self, place: usize) -> f64 {
        self.before[place].value() + self.increment[place]
    }
}

/// Each block with its part of so many numbers a row.
pub(super) fn with_slices<'a>(blocks: &[Block], width: usize, mut rows: &'a mut [f64]) -> Vec<(Block, &'a mut [f64])> {
    let mut pairs = Vec::with_capacity(blocks.len());
    for &block in blocks {
        let (own, rest) = rows.split_at_mut((block.end_row - block.first_row) * width);
        pairs.push((block, own));
        rows = rest;
    }
    pairs
}

struct FirstPass {
    sums: Vec<f64>,
    ln_risk_of_failed: f64,
    furthest: f64,
}

fn first_pass(sets: &RiskSets, block: Block, beta: &[f64], offset: Option<&[f64]>, risk: &mut [f64]) -> FirstPass {
    let rows = block.first_row..block.end_row;
    if let Some(offset) = offset {
        risk.copy_from_slice(&offset[rows.clone()]);
    }
    for (column, &beta) in sets.columns.iter().zip(beta) {
        for (risk, x) in risk.iter_mut().zip(&column[rows.clone()]) {
            *risk += beta * x;
        }
    }
    let places = &sets.places[block.first_place..block.end_place];
    let mut ln_risk_of_failed = 0.0;
    for place in places {
        let failed = &risk[place.start - block.first_row..place.failures_end - block.first_row];
        ln_risk_of_failed +=
            if sets.weight.is_empty() { sum(failed) } else { dot(failed, &sets.weight[place.start..place.failures_end]) };
    }
    let mut furthest = 0.0_f64;
    for risk in risk.iter_mut() {
        furthest = if risk.abs() > furthest { risk.abs() } else { furthest };
        *risk = libm::exp(*risk);
    }
    if !sets.weight.is_empty() {
        for (risk, weight) in risk.iter_mut().zip(&sets.weight[rows]) {
            *risk *= weight;
        }
    }
    let mut sums = Vec::with_capacity(places.len() * 2 * (sets.columns.len() + 1));
    for place in places {
        for (start, end) in [(place.early_start, place.early_end), (place.start, place.failures_end)] {
            let risk = &risk[start - block.first_row..end - block.first_row];
            sums.push(sum(risk));
            sums.extend(sets.columns.iter().map(|column| dot(risk, &column[start..end])));
        }
    }
    FirstPass { sums, ln_risk_of_failed, furthest }
}

/// Turns the sums of each place's own rows into those of its risk set.
fn run_sums(sets: &RiskSets, risk: &[f64], sums: &mut [f64]) {
    let half = sets.width() + 1;
    let stride = 2 * half;
    for stratum in sets.stratum_starts.windows(2) {
        for place in (stratum[0]..stratum[1].saturating_sub(1)).rev() {
            let (own, next) = sums.split_at_mut((place + 1) * stride);
            for (own, next) in own[place * stride..place * stride + half].iter_mut().zip(&next[..half]) {
                *own += next;
            }
        }
        let Some(late) = &sets.late else { continue };
        let mut running = vec![CompensatedSum::default(); half];
        let change = |running: &mut [CompensatedSum], row: usize, sign: f64| {
            running[0].add(sign * risk[row]);
            for (running, x) in running[1..].iter_mut().zip(sets.row(row)) {
                running.add(sign * risk[row] * x);
            }
        };
        for place in (stratum[0]..stratum[1]).rev() {
            let rows = &sets.places[place];
            (rows.start..rows.early_start).chain(rows.early_end..rows.end).for_each(|row| change(&mut running, row, 1.0));
            for (sum, late) in sums[place * stride..place * stride + half].iter_mut().zip(&running) {
                *sum += late.value();
            }
            late.items(place).iter().for_each(|&row| change(&mut running, row as usize, -1.0));
        }
    }
}

/// The terms of one place, and Σ_l w̄·ln S0_l.
fn terms_of(ties: TiesHandling, failures: usize, failed: f64, s0: f64, f0: f64) -> (PlaceTerms, f64) {
    let mut terms = PlaceTerms { failed, ..PlaceTerms::default() };
    if failures < 2 || ties != TiesHandling::Efron {
        terms.hazard = failed / s0;
        terms.hazard_of_failed = terms.hazard;
        terms.q0 = terms.hazard / s0;
        return (terms, failed * libm::log(s0));
    }
    let d = failures as f64;
    let mean_weight = failed / d;
    let mut ln_risks = 0.0;
    for l in 0..failures {
        let left = (failures - l) as f64 / d;
        let f = l as f64 / d;
        let s0_l = s0 - f * f0;
        let hazard = mean_weight / s0_l;
        terms.hazard += hazard;
        terms.hazard_of_failed += left * hazard;
        let q = hazard / s0_l;
        terms.q0 += q;
        terms.q1 += f * q;
        terms.q2 += f * f * q;
        ln_risks += mean_weight * libm::log(s0_l);
    }
    (terms, ln_risks)
}

/// Σ failures w_i·x_i.
fn score(sets: &RiskSets) -> Vec<f64> {
    let of_column = |column: &Vec<f64>| {
        sets.places
            .iter()
            .map(|place| {
                let rows = place.start..place.failures_end;
                if sets.weight.is_empty() { sum(&column[rows]) } else { dot(&column[rows.clone()], &sets.weight[rows]) }
            })
            .sum()
    };
    sets.columns.iter().map(of_column).collect()
}

/// Σ e_i·H_i·x_i·x_iᵀ over the rows of a block.
fn second_pass(sets: &RiskSets, hazard: &RowHazard, risk: &[f64], block: Block) -> Symmetric {
    let mut factor = Vec::with_capacity(block.end_row - block.first_row);
    for place in block.first_place..block.end_place {
        let rows = &sets.places[place];
        if sets.first_place.is_empty() {
            let (failed, other) = (hazard.of_row(sets, place, rows.start), hazard.to(place));
            factor.extend(risk[rows.start..rows.failures_end].iter().map(|risk| risk * failed));
            factor.extend(risk[rows.failures_end..rows.end].iter().map(|risk| risk * other));
        } else {
            factor.extend((rows.start..rows.end).map(|row| risk[row] * hazard.of_row(sets, place, row)));
        }
    }
    let mut moments = Symmetric::zero(sets.width());
    let mut weighted = Vec::with_capacity(STRETCH);
    for (stretch, factor) in factor.chunks(STRETCH).enumerate() {
        let rows = block.first_row + stretch * STRETCH..block.first_row + stretch * STRETCH + factor.len();
        let mut cells = moments.cells_mut().iter_mut();
        for (j, column) in sets.columns.iter().enumerate() {
            weighted.clear();
            weighted.extend(factor.iter().zip(&column[rows.clone()]).map(|(factor, x)| factor * x));
            for (other, cell) in sets.columns[..=j].iter().zip(cells.by_ref()) {
                *cell += dot(&weighted, &other[rows.clone()]);
            }
        }
    }
    moments
}
