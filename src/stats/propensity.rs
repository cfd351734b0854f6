//! Propensities: how likely each observation was to have each level, given what was known when the level was chosen.
//!
//! Definition.  e_a(x) = P(level a | covariates x), by multinomial logistic regression (logistic for two levels). Whatever decided
//!              both the level and the outcome is to be among the covariates; nothing that came after the choice may be.
//! Overlap.     Levels can be compared where each had a chance. For each propensity, its range among those of each level; the range
//!              that all have in common, and how many lie outside it; how many had a chance below 0.01 of some level.
//! Source.      Rosenbaum PR, Rubin DB. Biometrika 1983;70:41–55; several levels: Imbens GW. Biometrika 2000;87:706–710; overlap: Dehejia
//!              RH, Wahba S. J Am Stat Assoc 1999;94:1053–1062 (all from memory).
//! Decided.     An observation without its level or a covariate is a question for whoever asks (leave it out and count it, or fill it in),
//!              so the first such covariate is refused with how many lack it. A covariate that doesn't vary tells nothing and is left
//!              out by name. Covariates that tell a level without error break the assumption that each had a chance: refused by name,
//!              or fitted with Firth's penalty if asked for, which the result says. A level that nobody has has a propensity of 0.
//! Cost.        That of a fit; its coefficients are not tested, which with Firth's penalty would take a fit for each limit of each one.
//! Not for.     What was not recorded: see `e_value` for how strong that would have to be.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox_design::{ColumnName, CovariateValues, CoxDesign};
use super::grouping::{Grouping, NO_GROUP};
use super::logistic::{FirthPenalty, LogisticProblem};
use super::logit_fit::LogitFit;
use super::logit_likelihood::in_blocks;
use super::logit_rows::{Constants, LogitRows};

/// A propensity below this is next to no chance.
pub const NEXT_TO_NO_CHANCE: f64 = 0.01;

/// Why there are no propensities.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PropensityProblem {
    /// The level of so many observations is missing.
    MissingLevel {
        /// How many.
        observations: u64,
    },
    /// This covariate is missing for so many observations.
    MissingCovariate {
        /// The covariate.
        covariate: String,
        /// How many.
        observations: u64,
    },
    /// The regression has no estimate; separated is that a level had no chance where covariates take certain values.
    Regression(LogisticProblem),
}

impl fmt::Display for PropensityProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::MissingLevel { observations } => write!(f, "the level of {observations} observations is missing"),
            Self::MissingCovariate { covariate, observations } => {
                write!(f, "{covariate} is missing for {observations} observations")
            }
            Self::Regression(problem) => problem.fmt(f),
        }
    }
}

impl std::error::Error for PropensityProblem {}

/// The range of a propensity among those of one level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PropensityRange {
    /// The level that they have.
    pub level: u16,
    /// How many have it.
    pub observations: u64,
    /// The least propensity among them.
    pub least: f64,
    /// The greatest.
    pub greatest: f64,
}

/// How far the propensities for one level overlap between levels.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PropensityOverlap {
    /// The level whose propensity this is.
    pub level: u16,
    /// Its range among those of each level.
    pub ranges: Vec<PropensityRange>,
    /// The range that all levels have in common: from the greatest of the least to the least of the greatest; none if there is none.
    pub common: Option<(f64, f64)>,
    /// How many observations lie outside of that.
    pub outside: u64,
    /// How many observations have next to no chance of this level.
    pub next_to_no_chance: u64,
}

impl PropensityOverlap {
    /// Whether it is doubtful that each observation had a chance of this level.
    pub fn doubtful(&self) -> bool {
        self.common.is_none() || self.next_to_no_chance > 0
    }
}

/// Propensities, and how they were found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Propensities {
    /// How many levels, also those that nobody has.
    pub levels: u16,
    /// Observation after observation, a propensity for each level.
    pub values: Vec<f64>,
    /// Whether Firth's penalty was put on the likelihood of the regression.
    pub penalised: bool,
    /// Columns that don't vary and were left out of it.
    pub constant_columns: Vec<ColumnName>,
    /// How far they overlap, for each level that somebody has.
    pub overlap: Vec<PropensityOverlap>,
}

impl Propensities {
    /// The propensities of one observation for each level.
    pub fn of(&self, observation: usize) -> &[f64] {
        let levels = usize::from(self.levels);
        &self.values[observation * levels..(observation + 1) * levels]
    }
}

/// Estimates propensities.
///
/// # Errors
///
/// When a level or a covariate is missing, or the regression has no estimate.
pub fn propensities(
    levels: &Grouping,
    clusters: &[u32],
    weights: Option<&[f64]>,
    design: &CoxDesign,
    penalty: FirthPenalty,
) -> Result<Propensities, PropensityProblem> {
    refuse_missing(levels, design)?;
    let fitted = PropensityFit::of(levels, clusters, weights, design, penalty, None)?;
    let values = fitted.values(levels.codes().len(), usize::from(levels.levels()));
    let mut present = fitted.rows.levels.clone();
    present.sort_unstable();
    let overlap = present.iter().map(|&level| overlap(&values, levels, &fitted.rows.observation, &present, level)).collect();
    Ok(Propensities {
        levels: levels.levels(),
        values,
        penalised: fitted.fit.penalised.is_some(),
        constant_columns: fitted.rows.constant,
        overlap,
    })
}

/// A fitted propensity model, as it is inside.
pub(super) struct PropensityFit {
    pub(super) rows: LogitRows,
    pub(super) fit: LogitFit,
}

impl PropensityFit {
    /// With the most frequent level as reference; of equals, the first. `near`: a fit to start from, and whose reference to take, if it
    /// has the same parameters.
    pub(super) fn of(
        levels: &Grouping,
        clusters: &[u32],
        weights: Option<&[f64]>,
        design: &CoxDesign,
        penalty: FirthPenalty,
        near: Option<&Self>,
    ) -> Result<Self, PropensityProblem> {
        let mut counts = vec![0.0; usize::from(levels.levels()).max(1)];
        for (i, &code) in levels.codes().iter().enumerate().filter(|&(_, &code)| code != NO_GROUP) {
            counts[usize::from(code)] += weights.and_then(|weights| weights.get(i)).copied().unwrap_or(1.0);
        }
        let (most_frequent, _) = (0_u16..)
            .zip(&counts)
            .fold((0, 0.0), |(best, most), (level, &count)| if count > most { (level, count) } else { (best, most) });
        let same = near.map(|near| near.rows.levels[0]).filter(|&level| counts[usize::from(level)] > 0.0);
        let reference = same.unwrap_or(most_frequent);
        let rows = LogitRows::build(levels.codes(), reference, clusters, weights, design, Constants::LeftOut)
            .map_err(PropensityProblem::Regression)?;
        let alike = |near: &&Self| near.rows.levels == rows.levels && near.rows.names == rows.names;
        let start = near.filter(alike).map(|near| rows.inside(&near.fit.in_units(&near.rows)));
        let fit = LogitFit::of(&rows, penalty, start).map_err(PropensityProblem::Regression)?;
        Ok(Self { rows, fit })
    }

    /// A propensity for each observation and level; 0 for those that take no part.
    pub(super) fn values(&self, observations: usize, levels: usize) -> Vec<f64> {
        let mut values = vec![0.0; observations * levels];
        let rows = &self.rows;
        let parts = in_blocks(rows, &self.fit.beta, |stretches| {
            let mut part = Vec::new();
            for stretch in stretches {
                for i in 0..stretch.len {
                    part.extend((0..rows.levels.len()).map(|a| stretch.of_level(a)[i]));
                }
            }
            part
        });
        let chances = parts.iter().flat_map(|part| part.chunks_exact(rows.levels.len()));
        for (&row, chances) in rows.observation.iter().zip(chances) {
            for (&level, chance) in rows.levels.iter().zip(chances) {
                values[row as usize * levels + usize::from(level)] = *chance;
            }
        }
        values
    }
}

/// Refuses what lacks a level or a covariate.
pub(super) fn refuse_missing(levels: &Grouping, design: &CoxDesign) -> Result<(), PropensityProblem> {
    let missing = levels.codes().iter().filter(|&&code| code == NO_GROUP).count() as u64;
    if missing > 0 {
        return Err(PropensityProblem::MissingLevel { observations: missing });
    }
    for covariate in design.covariates() {
        let observations = match &covariate.values {
            CovariateValues::Number { missing, .. } => missing.iter().filter(|&&missing| missing).count(),
            CovariateValues::Factor { codes, .. } => codes.codes().iter().filter(|&&code| code == NO_GROUP).count(),
        } as u64;
        if observations > 0 {
            return Err(PropensityProblem::MissingCovariate { covariate: covariate.name.clone(), observations });
        }
    }
    Ok(())
}

fn overlap(values: &[f64], levels: &Grouping, rows: &[u32], present: &[u16], level: u16) -> PropensityOverlap {
    let width = usize::from(levels.levels());
    let chances = || {
        rows.iter().map(|&row| {
            let row = row as usize;
            (levels.codes()[row], values[row * width + usize::from(level)])
        })
    };
    let mut ranges: Vec<PropensityRange> = (0..levels.levels())
        .map(|level| PropensityRange { level, observations: 0, least: f64::INFINITY, greatest: f64::NEG_INFINITY })
        .collect();
    let mut next_to_no_chance = 0;
    for (own, chance) in chances() {
        let range = &mut ranges[usize::from(own)];
        range.observations += 1;
        range.least = range.least.min(chance);
        range.greatest = range.greatest.max(chance);
        next_to_no_chance += u64::from(chance < NEXT_TO_NO_CHANCE);
    }
    ranges.retain(|range| present.contains(&range.level));
    let least = ranges.iter().fold(f64::NEG_INFINITY, |most, range| most.max(range.least));
    let greatest = ranges.iter().fold(f64::INFINITY, |most, range| most.min(range.greatest));
    let common = (least <= greatest).then_some((least, greatest));
    let outside = chances().filter(|(_, chance)| !(least..=greatest).contains(chance)).count() as u64;
    PropensityOverlap { level, ranges, common, outside, next_to_no_chance }
}
