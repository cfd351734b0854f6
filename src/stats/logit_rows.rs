//! For logistic regression: the observations that take part, their levels, and covariates as contiguous columns.
//!
//! Decided.     The first column is the constant 1; covariates are moved by their mean and divided by a power of two. A row of weight
//!              0 takes no part (a resample didn't draw it) and isn't counted as left out.
//! Cost.        O(observations · columns).

use super::cox_design::{Column, ColumnName, CoxDesign};
use super::cox_risk_sets::threads_for;
use super::grouping::NO_GROUP;
use super::logistic::LogisticProblem;
use super::observation::count_clusters;
use crate::quantity::Behind;
use crate::threads::on_threads;

/// What to do with a covariate that doesn't vary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Constants {
    /// It has no coefficient: refuse.
    Refused,
    /// It tells nothing of the levels: leave it out.
    LeftOut,
}

/// The rows of a regression.
#[derive(Clone, Debug)]
pub(super) struct LogitRows {
    /// The constant, then the covariates, moved and scaled.
    pub(super) columns: Vec<Vec<f64>>,
    /// Of each covariate's column.
    pub(super) centre: Vec<f64>,
    pub(super) scale: Vec<f64>,
    pub(super) design_columns: Vec<Column>,
    pub(super) names: Vec<ColumnName>,
    /// Levels of covariates that nobody has.
    pub(super) absent: Vec<ColumnName>,
    /// Columns left out because they don't vary.
    pub(super) constant: Vec<ColumnName>,
    /// The place of each row's level among those present; 0 is the reference.
    pub(super) level: Vec<u16>,
    /// The codes of the levels present, the reference first.
    pub(super) levels: Vec<u16>,
    /// Case weights; empty when all are 1.
    pub(super) weight: Vec<f64>,
    /// Which observation each row is.
    pub(super) observation: Vec<u32>,
    pub(super) left_out: u64,
    /// The failures are those at another level than the reference.
    pub(super) behind: Behind,
}

impl LogitRows {
    pub(super) fn build(
        codes: &[u16],
        reference: u16,
        clusters: &[u32],
        weights: Option<&[f64]>,
        design: &CoxDesign,
        constants: Constants,
    ) -> Result<Self, LogisticProblem> {
        let n = codes.len();
        if !design.fits(n) || clusters.len() != n || weights.is_some_and(|weights| weights.len() != n) {
            return Err(LogisticProblem::LengthsDiffer);
        }
        let mut complete = vec![true; n];
        if let Some(weights) = weights {
            if weights.iter().any(|weight| !(*weight >= 0.0 && weight.is_finite())) {
                return Err(LogisticProblem::WeightNotANumber);
            }
            complete.iter_mut().zip(weights).for_each(|(complete, &weight)| *complete = weight > 0.0);
        }
        let drawn = complete.iter().filter(|&&drawn| drawn).count() as u64;
        design.leave_out_incomplete(&mut complete);
        complete.iter_mut().zip(codes).for_each(|(complete, &code)| *complete &= code != NO_GROUP);
        if let Some(covariate) = design.not_a_number(&complete) {
            return Err(LogisticProblem::NotANumber { covariate: covariate.to_owned() });
        }
        let observation: Vec<u32> =
            (0_u32..).zip(&complete).filter(|&(_, &complete)| complete).map(|(row, _)| row).collect();
        if observation.is_empty() {
            return Err(LogisticProblem::NoObservations);
        }
        let levels = levels_present(codes, &observation, reference);
        if levels.len() < 2 || !levels.contains(&reference) {
            return Err(LogisticProblem::TooFewLevels);
        }
        let (mut design_columns, absent) = design.columns(&complete);
        let (mut centre, mut scale): (Vec<f64>, Vec<f64>) =
            on_threads(design_columns.clone(), threads_for(n), |column| design.centre_and_scale(column, &complete))
                .into_iter()
                .unzip();
        let varies: Vec<bool> = scale.iter().map(|&scale| scale > 0.0).collect();
        let constant: Vec<ColumnName> = design_columns
            .iter()
            .zip(&varies)
            .filter(|&(_, &varies)| !varies)
            .map(|(&column, _)| design.name(column))
            .collect();
        if !constant.is_empty() {
            if constants == Constants::Refused {
                return Err(LogisticProblem::Collinear { columns: constant });
            }
            let mut kept = varies.iter();
            design_columns.retain(|_| kept.next().copied().unwrap_or(false));
            let mut kept = varies.iter();
            centre.retain(|_| kept.next().copied().unwrap_or(false));
            scale.retain(|scale| *scale > 0.0);
        }
        let gathered = design_columns.iter().zip(&centre).zip(&scale).collect();
        let mut columns = vec![vec![1.0; observation.len()]];
        columns.extend(on_threads(gathered, threads_for(n), |((&column, &centre), &scale)| {
            design.gather(column, &observation, centre, scale)
        }));
        let mut place = vec![0; levels.iter().max().map_or(0, |&last| usize::from(last) + 1)];
        (0_u16..).zip(&levels).for_each(|(index, &code)| place[usize::from(code)] = index);
        let level: Vec<u16> = observation.iter().map(|&row| place[usize::from(codes[row as usize])]).collect();
        let here = observation.iter().map(|&row| clusters[row as usize]);
        let end = here.clone().max().map_or(0, |last| last as usize + 1);
        let behind = Behind {
            observations: observation.len() as u64,
            clusters: count_clusters(here, end),
            failures: level.iter().filter(|&&level| level > 0).count() as u64,
        };
        let weight: Vec<f64> =
            weights.map_or_else(Vec::new, |weights| observation.iter().map(|&row| weights[row as usize]).collect());
        Ok(Self {
            columns,
            centre,
            scale,
            names: design_columns.iter().map(|&column| design.name(column)).collect(),
            design_columns,
            absent,
            constant,
            level,
            levels,
            weight,
            left_out: drawn - observation.len() as u64,
            observation,
            behind,
        })
    }

    /// The number of columns, the constant among them.
    pub(super) fn width(&self) -> usize {
        self.columns.len()
    }

    /// The number of levels but the reference.
    pub(super) fn contrasts(&self) -> usize {
        self.levels.len() - 1
    }

    /// The number of parameters: a block of columns for each level but the reference.
    pub(super) fn parameters(&self) -> usize {
        self.width() * self.contrasts()
    }

    /// The case weight of a row.
    pub(super) fn weight_of(&self, row: usize) -> f64 {
        self.weight.get(row).copied().unwrap_or(1.0)
    }

    /// The parameters of the model without covariates: each level's share.
    pub(super) fn shares_alone(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.levels.len()];
        for (row, &level) in self.level.iter().enumerate() {
            sums[usize::from(level)] += self.weight_of(row);
        }
        let mut beta = vec![0.0; self.parameters()];
        for (block, sum) in beta.chunks_exact_mut(self.width()).zip(&sums[1..]) {
            block[0] = libm::log(sum / sums[0]);
        }
        beta
    }

    /// Parameters in the units given, as they are inside.
    pub(super) fn inside(&self, units: &[f64]) -> Vec<f64> {
        let mut beta = units.to_vec();
        for block in beta.chunks_exact_mut(self.width()) {
            for k in 1..self.width() {
                block[0] += block[k] * self.centre[k - 1];
                block[k] *= self.scale[k - 1];
            }
        }
        beta
    }

    /// The columns that move by at least this part of the one that moves most, the constant apart; and the levels whose do.
    pub(super) fn moving(&self, step: &[f64], part: f64) -> (Vec<ColumnName>, Vec<u16>) {
        let blocks = || step.chunks_exact(self.width()).map(|block| &block[1..]);
        let largest = blocks().flatten().fold(0.0_f64, |largest, step| largest.max(step.abs()));
        let moves = |step: &f64| step.abs() >= part * largest && largest > 0.0;
        let named = self.names.iter().enumerate().filter(|&(k, _)| blocks().any(|block| moves(&block[k])));
        let levels = self.levels[1..].iter().zip(blocks()).filter(|(_, block)| block.iter().any(moves));
        (named.map(|(_, name)| name.clone()).collect(), levels.map(|(&level, _)| level).collect())
    }
}

/// The codes that occur, the reference first.
fn levels_present(codes: &[u16], rows: &[u32], reference: u16) -> Vec<u16> {
    let mut seen = vec![false; usize::from(NO_GROUP)];
    rows.iter().for_each(|&row| seen[usize::from(codes[row as usize])] = true);
    let present = |code: &u16| seen[usize::from(*code)];
    let others = (0..NO_GROUP).filter(|&code| code != reference);
    [reference].into_iter().filter(|code| *code < NO_GROUP).chain(others).filter(present).collect()
}
