//! Score residuals of a proportional hazards model: what each row adds to the slope of the partial likelihood.
//!
//! Definition.  The derivative of the slope U in the case weight of row i, times that weight:
//!              w_i·[failed]·(x_i − x̄̄) − e_i·(x_i·H_i − A_i), where x̄̄ is the mean of the x̄_l on the place of its failure, H_i sums
//!              w̄/S0_l and A_i sums w̄·x̄_l/S0_l over the places on which it is at risk; on that of its own failure each term has
//!              the factor 1 − f_l. The legend is in `cox_likelihood`.
//! Formula.     Σ_l w̄·x̄_l/S0_l = q0·S1 − q1·F1; for the failed Σ_l w̄·(1 − f_l)·x̄_l/S0_l = (q0 − q1)·S1 − (q1 − q2)·F1.
//! Source.      Therneau TM, Grambsch PM, Fleming TR. Biometrika 1990;77:147–160; robust variance: Lin DY, Wei LJ. J Am Stat Assoc
//!              1989;84:1074–1078; Efron's ties: Therneau & Grambsch 2000, ch. 4 and appendix E (all from memory).
//! Decided.     With Efron's ties the residuals are Efron's too: those of Breslow around Efron's estimate don't sum to 0.
//! Cost.        O(rows·columns).

use super::cox_likelihood::{Evaluation, RowHazard, with_slices};
use super::cox_risk_sets::{RiskSets, threads_for};
use super::symmetric::Symmetric;
use crate::threads::on_threads;

/// Score residuals times case weights, row after row, with each place's part multiplied by g(place).
pub(super) fn weighted_scores(sets: &RiskSets, at: &Evaluation, g: impl Fn(usize) -> f64 + Sync) -> Vec<f64> {
    let width = sets.width();
    if width == 0 {
        return Vec::new();
    }
    let hazard = RowHazard::weighted(sets, at, &g);
    let shares: Vec<RowHazard> = (0..width)
        .map(|k| {
            let of_place = |place: usize| {
                let (terms, (_, s1, _, f1)) = (at.terms[place], at.sums_of(place, width));
                let all = g(place) * (terms.q0 * s1[k] - terms.q1 * f1[k]);
                let failed = g(place) * ((terms.q0 - terms.q1) * s1[k] - (terms.q1 - terms.q2) * f1[k]);
                (all, failed)
            };
            let (all, failed) = (0..sets.places.len()).map(of_place).unzip();
            RowHazard::of(sets, all, failed)
        })
        .collect();
    let mut all = vec![0.0; sets.rows() * width];
    on_threads(with_slices(&sets.blocks, width, &mut all), threads_for(sets.rows()), |(block, part)| {
        let mut scores = part.chunks_exact_mut(width);
        let mut mean = vec![0.0; width];
        let mut share = vec![0.0; width];
        for place in block.first_place..block.end_place {
            let rows = &sets.places[place];
            let (g, failed) = (g(place), at.terms[place].failed);
            mean.iter_mut().zip(at.means(place, width)).for_each(|(mean, sum)| *mean = sum / failed);
            let mut h = 0.0;
            for (row, scores) in (rows.start..rows.end).zip(&mut scores) {
                // Without late rows, those of a place differ only in whether they failed there.
                if !sets.first_place.is_empty() || row == rows.start || row == rows.failures_end {
                    h = hazard.of_row(sets, place, row);
                    share.iter_mut().zip(&shares).for_each(|(share, k)| *share = k.of_row(sets, place, row));
                }
                let risk = at.risk[row];
                let terms = scores.iter_mut().zip(sets.row(row)).zip(&share);
                if row < rows.failures_end {
                    let w = g * sets.weight_of(row);
                    for (((score, x), share), mean) in terms.zip(&mean) {
                        *score = w * (x - mean) - risk * (x * h - share);
                    }
                } else {
                    terms.for_each(|((score, x), share)| *score = -risk * (x * h - share));
                }
            }
        }
    });
    all
}

/// Rows of so many numbers summed by cluster.
pub(super) fn by_cluster(sets: &RiskSets, cluster: &[u32], clusters: u32, scores: &[f64], width: usize) -> Vec<f64> {
    let mut sums = vec![0.0; clusters as usize * width];
    if width > 0 {
        for (scores, &observation) in scores.chunks_exact(width).zip(&sets.observation) {
            let first = cluster[observation as usize] as usize * width;
            sums[first..first + width].iter_mut().zip(scores).for_each(|(sum, score)| *sum += score);
        }
    }
    sums
}

/// Σ v·vᵀ over vectors of this width, one after the other.
pub(super) fn sum_of_squares(vectors: &[f64], width: usize) -> Symmetric {
    let mut squares = Symmetric::zero(width);
    if width > 0 {
        vectors.chunks_exact(width).for_each(|vector| squares.add_square(1.0, vector));
    }
    squares
}
