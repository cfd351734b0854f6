//! Residuals of a proportional hazards model: where does it fit badly, and who moves its coefficients?
//!
//! Definition.  Martingale: failed or not, less the cumulative hazard while at risk. Score: see `cox_scores`. Influence on the
//!              coefficients (dfbeta): w_i·I⁻¹·score; by cluster its sum. Schoenfeld: x_i − x̄̄ for each failure; scaled:
//!              β + D·I⁻¹·(x_i − x̄̄) with D failures, whose smooth over time shows β(t).
//! Source.      Therneau TM, Grambsch PM, Fleming TR. Biometrika 1990;77:147–160; Schoenfeld D. Biometrika 1982;69:239–241; Grambsch
//!              PM, Therneau TM. Biometrika 1994;81:515–526 (all from memory).
//! Decided.     Values stand in the order of the observations; those left out of the fit have no martingale residual, and an
//!              influence of 0. Efron's ties have Efron's residuals. With exact ties, residuals use Breslow's hazard around the
//!              exact estimate; they are for looking, not for a variance.
//! Cost.        O(observations·columns).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::CoxModel;
use super::cox_likelihood::RowHazard;
use super::cox_scores::{by_cluster, weighted_scores};
use crate::quantity::Days;

/// The Schoenfeld residual of a failure, scaled.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SchoenfeldResidual {
    /// The tick of the failure.
    pub tick: Days,
    /// Which observation failed.
    pub observation: u32,
    /// β + D·I⁻¹·(x − x̄), a number for each coefficient.
    pub scaled: Vec<f64>,
}

impl CoxModel<'_> {
    /// Martingale residuals; none for an observation that was left out.
    pub fn martingale_residuals(&self) -> Vec<Option<f64>> {
        let mut residuals: Vec<Option<f64>> = self.sets.complete.iter().map(|&complete| complete.then_some(0.0)).collect();
        let hazard = RowHazard::weighted(&self.sets, &self.at, |_| 1.0);
        for (index, place) in self.sets.places.iter().enumerate() {
            for row in place.start..place.end {
                let failed = if row < place.failures_end { 1.0 } else { 0.0 };
                let expected = self.at.risk[row] / self.sets.weight_of(row) * hazard.of_row(&self.sets, index, row);
                residuals[self.sets.observation[row] as usize] = Some(failed - expected);
            }
        }
        residuals
    }

    /// Score residuals, not multiplied by case weights: for each coefficient a column over the observations.
    pub fn score_residuals(&self) -> Vec<Vec<f64>> {
        let scores = weighted_scores(&self.sets, &self.at, |_| 1.0);
        self.spread(&scores, |row, value, k| value * self.sets.scale[k] / self.sets.weight_of(row))
    }

    /// The influence of each observation on each coefficient (about what leaving it out takes away): a column for each
    /// coefficient.
    pub fn influence_on_coefficients(&self) -> Vec<Vec<f64>> {
        let width = self.sets.width();
        let mut scores = weighted_scores(&self.sets, &self.at, |_| 1.0);
        if width > 0 {
            for score in scores.chunks_exact_mut(width) {
                let moved = self.inverse.times(score);
                score.copy_from_slice(&moved);
            }
        }
        self.spread(&scores, |_, value, k| value / self.sets.scale[k])
    }

    /// The influence of each cluster on each coefficient: a column for each coefficient.
    pub fn influence_of_clusters(&self) -> Vec<Vec<f64>> {
        let width = self.sets.width();
        let clusters = self.observations.clusters();
        let scores = weighted_scores(&self.sets, &self.at, |_| 1.0);
        let sums = by_cluster(&self.sets, self.observations.cluster(), clusters, &scores, width);
        let mut columns = vec![Vec::with_capacity(clusters as usize); width];
        if width > 0 {
            for sum in sums.chunks_exact(width) {
                let moved = self.inverse.times(sum);
                for ((column, moved), scale) in columns.iter_mut().zip(moved).zip(&self.sets.scale) {
                    column.push(moved / scale);
                }
            }
        }
        columns
    }

    /// Scaled Schoenfeld residuals of all failures, stratum by stratum in order of time.
    pub fn scaled_schoenfeld_residuals(&self) -> Vec<SchoenfeldResidual> {
        let width = self.sets.width();
        let failures: usize = self.sets.places.iter().map(|place| place.failures_end - place.start).sum();
        let mut residuals = Vec::with_capacity(failures);
        for (index, place) in self.sets.places.iter().enumerate() {
            let failed = self.at.terms[index].failed;
            let mean: Vec<f64> = self.at.means(index, width).map(|sum| sum / failed).collect();
            for row in place.start..place.failures_end {
                let from_mean: Vec<f64> = self.sets.row(row).zip(&mean).map(|(x, mean)| x - mean).collect();
                let moved = self.inverse.times(&from_mean);
                let scaled = moved.iter().zip(&self.beta).zip(&self.sets.scale);
                residuals.push(SchoenfeldResidual {
                    tick: Days::new(place.tick),
                    observation: self.sets.observation[row],
                    scaled: scaled.map(|((moved, beta), scale)| (beta + failures as f64 * moved) / scale).collect(),
                });
            }
        }
        residuals
    }

    /// Rows of numbers turned into columns over the observations.
    fn spread(&self, rows: &[f64], value: impl Fn(usize, f64, usize) -> f64) -> Vec<Vec<f64>> {
        let width = self.sets.width();
        let mut columns = vec![vec![0.0; self.observations.len()]; width];
        if width > 0 {
            for (row, (numbers, &observation)) in rows.chunks_exact(width).zip(&self.sets.observation).enumerate() {
                for (k, &number) in numbers.iter().enumerate() {
                    columns[k][observation as usize] = value(row, number, k);
                }
            }
        }
        columns
    }
}
