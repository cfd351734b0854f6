//! Levels compared as if the same kind of restorations had been in each: by weighting and by regression, side by side.
//!
//! Weights are inverse propensities for all restorations (stabilised), propensities by a logistic or multinomial model of what the
//! protocol names. Regression is the proportional-hazards model with the same covariates, standardised to all restorations. Both, and
//! the crude numbers beside them, rest on the restorations that have all of it.

use super::asked::Questions;
use super::compared::Compared;
use super::crude::{is_tested, pair, too_small, without_tests_of_contrasts};
use crate::quantity::{Known, WhyNotKnown};
use crate::result::{Adjusted, AdjustedPair, Computed, RegressionPair};
use crate::stats::{
    AdjustedContrasts, Axis, ColumnBalance, Covariate, CovariateValues, CoxDesign, CoxModel, CoxOptions, EValue,
    EffectScale, Ending, FirthPenalty, NO_GROUP, WeightTrimming, WeightedComparison, WeightedPopulation, balance,
    cox_regression, e_value, propensities, propensity_weights,
};
use crate::wording::counted;

/// Below this part of failures an outcome is rare, and ratios of hazards are nearly those of risks.
const RARE: f64 = 0.15;
/// What the compared factor is called in a regression.
const FACTOR: &str = "\u{1}compared";

/// Adjusted comparison, and how levels differ before and after weighting.
pub struct AdjustedAndBalance {
    /// The comparison.
    pub adjusted: Computed<Adjusted>,
    /// The balance of everything that is described.
    pub balance: Vec<ColumnBalance>,
}

/// Compares the levels with adjustment.
pub fn adjusted(rows: &Compared, asked: &Questions) -> AdjustedAndBalance {
    let (covariates, set_aside) = rows.to_adjust_for();
    let mut weights_of_all = vec![1.0; rows.observations.len()];
    let adjusted = if rows.levels.levels() < 2 {
        Computed::NotComputed("there are fewer than two levels".to_owned())
    } else if !rows.covariates.iter().any(|covariate| covariate.adjusted) {
        Computed::NotComputed("the protocol names nothing to adjust for".to_owned())
    } else if covariates.is_empty() {
        Computed::NotComputed("nothing that the protocol adjusts for is recorded often enough and differs".to_owned())
    } else {
        let complete = rows.complete(&covariates);
        let kept: Vec<u32> = (0..).zip(&complete).filter(|(_, complete)| **complete).map(|(row, _)| row).collect();
        let (some, covariates) = rows.only(&kept, &covariates);
        match weigh(&some, &covariates) {
            Err(why) => Computed::NotComputed(why),
            Ok(weighed) => {
                weights_of_all = vec![0.0; rows.observations.len()];
                for (&row, &weight) in kept.iter().zip(&weighed.weights.values) {
                    weights_of_all[row as usize] = weight;
                }
                let small = too_small(rows, asked);
                let tested = |level: u16| is_tested(&small, rows, level);
                let pairs = pairs(&some, &covariates, &weighed.weights.values, &tested, asked);
                Computed::Computed(Adjusted {
                    adjusted_for: covariates.iter().map(|covariate| covariate.name.clone()).collect(),
                    set_aside,
                    restorations: kept.len() as u64,
                    left_out: (rows.observations.len() - kept.len()) as u64,
                    population: weighed.weights.population,
                    weights: weighed.weights.levels,
                    overlap: weighed.overlap,
                    penalised: weighed.penalised,
                    pairs,
                })
            }
        }
    };
    let described: Vec<Covariate> = rows.covariates.iter().map(|covariate| covariate.values.clone()).collect();
    let balance = match CoxDesign::new(described) {
        Ok(design) if rows.levels.levels() > 1 => balance(&design, &rows.levels, None, &weights_of_all),
        _ => Vec::new(),
    };
    AdjustedAndBalance { adjusted, balance }
}

struct Weighed {
    weights: crate::stats::PropensityWeights,
    overlap: Vec<crate::stats::PropensityOverlap>,
    penalised: bool,
}

/// How many coefficients these covariates have in a model.
fn coefficients(covariates: &[Covariate]) -> usize {
    let of = |covariate: &Covariate| match &covariate.values {
        CovariateValues::Number { .. } => 1,
        CovariateValues::Factor { levels, .. } => levels.len().saturating_sub(1),
    };
    covariates.iter().map(of).sum()
}

fn weigh(rows: &Compared, covariates: &[Covariate]) -> Result<Weighed, String> {
    let present = |level: u16| rows.levels.codes().contains(&level);
    if let Some(level) = (0..rows.levels.levels()).find(|level| !present(*level)) {
        return Err(format!(
            "no restoration of the level {} has everything recorded that is adjusted for",
            rows.labels[usize::from(level)]
        ));
    }
    let design = CoxDesign::new(covariates.to_vec()).map_err(|error| error.to_string())?;
    let coefficients = coefficients(covariates);
    let rarest = (0..rows.levels.levels())
        .map(|level| (rows.levels.codes().iter().filter(|code| **code == level).count(), level))
        .min();
    // So few can nearly always be told from the others without error, whatever they have in common with them.
    if let Some((count, level)) = rarest.filter(|(count, _)| *count <= coefficients) {
        return Err(format!(
            "{} has {} with everything recorded that is adjusted for, no more than what is adjusted for has coefficients ({coefficients}): too few to tell which of the others are like them",
            rows.labels[usize::from(level)],
            counted(count as u64, "restoration", "restorations")
        ));
    }
    let clusters = rows.observations.cluster();
    let found = propensities(&rows.levels, clusters, None, &design, FirthPenalty::IfSeparated)
        .map_err(|problem| problem.to_string())?;
    let weights = propensity_weights(&found, &rows.levels, None, WeightedPopulation::Stabilised, WeightTrimming::None)
        .map_err(|problem| problem.to_string())?;
    Ok(Weighed { weights, penalised: found.penalised, overlap: found.overlap })
}

fn pairs(
    rows: &Compared,
    covariates: &[Covariate],
    weights: &[f64],
    tested: &dyn Fn(u16) -> bool,
    asked: &Questions,
) -> Vec<AdjustedPair> {
    let ones = vec![1.0; rows.observations.len()];
    let mut columns = vec![Covariate::factor(FACTOR, rows.levels.clone(), rows.labels.clone(), rows.reference)];
    columns.extend(covariates.iter().cloned());
    let design = CoxDesign::new(columns).map_err(|error| error.to_string());
    let options = CoxOptions { level: asked.level, ..CoxOptions::default() };
    let model = design.as_ref().map_err(String::clone).and_then(|design| {
        cox_regression(&rows.observations, design, None, options)
            .map_err(|problem| problem.to_string().replace(FACTOR, "the level"))
    });
    let contrasts = model.as_ref().map(|model| (model, model.adjusted_contrasts(FACTOR)));
    rows.others()
        .map(|level| {
            let weighted = pair(rows, weights, level, tested(level), asked);
            AdjustedPair {
                level,
                crude: pair(rows, &ones, level, tested(level), asked),
                e_value: e_value_of(rows, &weighted),
                regression: match &contrasts {
                    Ok((model, contrasts)) => by_regression(model, contrasts, rows, level, tested(level), asked),
                    Err(why) => Computed::NotComputed((*why).clone()),
                },
                weighted,
            }
        })
        .collect()
}

fn by_regression(
    model: &CoxModel<'_>,
    contrasts: &AdjustedContrasts<'_>,
    rows: &Compared,
    level: u16,
    tested: bool,
    asked: &Questions,
) -> Computed<RegressionPair> {
    let label = &rows.labels[usize::from(level)];
    let of_level = |column: &crate::stats::ColumnName| column.covariate == FACTOR && column.level.as_ref() == Some(label);
    let Some(hazard_ratio) = model.regression.coefficients.iter().find(|one| of_level(&one.column)).cloned() else {
        return Computed::NotComputed(format!("no restoration of the level {label} is left"));
    };
    let mut hazard_ratio = hazard_ratio;
    hazard_ratio.column.covariate = "level".to_owned();
    let [until] = asked.mean_horizons();
    let mut survival = contrasts.survival(rows.reference, level, &asked.horizons);
    let mut restricted_mean = contrasts.restricted_mean(rows.reference, level, &Axis::Days, until);
    if !tested {
        without_tests_of_contrasts(&mut survival, std::slice::from_mut(&mut restricted_mean));
        hazard_ratio.test = Known::NotKnown(WhyNotKnown::TooFewToShow);
    }
    Computed::Computed(RegressionPair { survival, restricted_mean, hazard_ratio })
}

fn e_value_of(rows: &Compared, weighted: &WeightedComparison) -> Known<EValue> {
    let failed = rows.observations.ending().iter().filter(|ending| **ending == Ending::Failed).count();
    let compared = rows.levels.codes().iter().filter(|code| **code != NO_GROUP).count();
    let scale = if (failed as f64) < RARE * compared as f64 {
        EffectScale::HazardRatioOfRareOutcome
    } else {
        EffectScale::HazardRatioOfCommonOutcome
    };
    match &weighted.hazard_ratio {
        Known::Known(ratio) => {
            let ratio = &ratio.coefficient.hazard_ratio;
            let limits = ratio.interval.known().map(|limits| (limits.lower, limits.upper));
            e_value(scale, ratio.value, limits)
        }
        Known::NotKnown(why) => Known::NotKnown(*why),
    }
}
