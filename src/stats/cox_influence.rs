//! What each cluster adds to an estimate that is read from a proportional hazards model: by way of the coefficients and of the baseline.
//!
//! Definition.  Of a row i, u_i is its score residual (`cox_scores`), and φ_i its own effect on the baseline Λ0 at fixed coefficients (as in
//!              `cox_baseline`): what sums over places, each place's part times a factor of that place. Both are summed by home, which is the
//!              cluster, or with a model-based variance the observation itself.
//! Source.      As in `cox_baseline`.
//! Cost.        Score residuals are summed by home once, O(rows·columns); then an estimate takes O(homes·columns + rows).

use std::borrow::Cow;

use super::cox::CoxModel;
use super::cox_likelihood::RowHazard;
use super::cox_scores::{by_cluster, weighted_scores};
use crate::quantity::Variance;

/// Score residuals by home.
pub(super) struct Influence<'a> {
    model: &'a CoxModel<'a>,
    homes: usize,
    /// Of each observation.
    home: Cow<'a, [u32]>,
    /// Of each row of the risk sets.
    home_of_row: Vec<u32>,
    /// Σ u of each home, one after the other.
    scores: Vec<f64>,
}

impl<'a> Influence<'a> {
    /// Of a fitted model, by the homes of its variance.
    pub(super) fn of(model: &'a CoxModel<'a>) -> Self {
        let (sets, observations) = (&model.sets, model.observations);
        let (home, homes): (Cow<'_, [u32]>, u32) = match model.options.variance {
            Variance::ClusterRobust => (observations.cluster().into(), observations.clusters()),
            Variance::ModelBased => {
                let itself: Vec<u32> = (0..).zip(observations.exit()).map(|(observation, _)| observation).collect();
                let homes = itself.last().map_or(0, |last| last + 1);
                (itself.into(), homes)
            }
        };
        let scores = by_cluster(sets, &home, homes, &weighted_scores(sets, &model.at, |_| 1.0), sets.width());
        let home_of_row = sets.observation.iter().map(|&observation| home[observation as usize]).collect();
        Self { model, homes: homes as usize, home, home_of_row, scores }
    }

    /// Where an observation is at home.
    pub(super) fn home(&self, observation: u32) -> usize {
        self.home[observation as usize] as usize
    }

    /// cᵀ·u of each home.
    pub(super) fn by_coefficients(&self, carried: &[f64]) -> Vec<f64> {
        if carried.is_empty() {
            return vec![0.0; self.homes];
        }
        let of_home = |scores: &[f64]| scores.iter().zip(carried).map(|(score, c)| score * c).sum();
        self.scores.chunks_exact(carried.len()).map(of_home).collect()
    }

    /// Adds, for each row of the stratum that begins at place `first`, what φ sums of each place times a factor of that place: the first
    /// factor is that of the first place, and past the last one it is 0.
    pub(super) fn add_baseline(&self, first: usize, factors: &[f64], influence: &mut [f64]) {
        let (sets, at) = (&self.model.sets, &self.model.at);
        let starts = sets.stratum_starts.windows(2).find(|stratum| stratum[0] == first && stratum[1] > first);
        let Some(&[first, end]) = starts else { return };
        let factor = |place: usize| factors.get(place - first).copied().unwrap_or(0.0);
        let of_places = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
            let mut all = vec![0.0; sets.places.len()];
            (first..end).for_each(|place| all[place] = factor(place) * value(place));
            all
        };
        let squares = RowHazard::of(
            sets,
            of_places(&|place| at.terms[place].q0),
            of_places(&|place| at.terms[place].q0 - at.terms[place].q1),
        );
        for index in first..end {
            let (place, terms) = (&sets.places[index], &at.terms[index]);
            let own = factor(index);
            for row in place.start..place.end {
                let mut effect = -at.risk[row] * squares.of_row(sets, index, row);
                if row < place.failures_end {
                    effect += own * sets.weight_of(row) * terms.hazard / terms.failed;
                }
                influence[self.home_of_row[row] as usize] += effect;
            }
        }
    }
}
