//! Groups compared as if the same kind of rows had been in each: with weights from propensities, and by regression.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, PopulationAsked, Want};
use super::columns::MISSING;
use super::comparison::two_groups;
use super::contrasts::{MeanContrasts, SurvivalContrasts, mean_contrast_of, survival_contrasts_of};
use super::covariates::{covariate_of, grouping_of_rows, observations_of};
use super::data::{Covariate, Data};
use super::levels::{Levels, in_order};
use super::regression;
use crate::quantity::{Known, WhyNotKnown};
use crate::stats::{
    self, AdjustedContrasts, ColumnBalance, CoxCoefficient, CoxDesign, CoxModel, EValue, EffectScale, FirthPenalty,
    Grouping, LevelComparison, LevelWeights, Observations, PropensityOverlap, ResampledEstimate, Resampling,
    ReweightedComparison, WeightTrimming, WeightedHazardRatio, WeightedPopulation, WeightingModel, balance, cox_regression,
    e_value, propensities, propensity_weights, reweighted_bootstrap, weighted_comparison,
};

/// Below this part of failures an outcome is rare, and ratios of hazards are nearly those of risks.
const RARE: f64 = 0.15;

/// The weights of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupWeights {
    /// The group.
    pub group: String,
    /// What its weights come to.
    pub weights: LevelWeights,
    /// How far the propensities for it overlap between groups; none where they were not estimated for it.
    pub overlap: Option<PropensityOverlap>,
}

/// The first group against another one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightedPair {
    /// The one group.
    pub first: String,
    /// The other.
    pub second: String,
    /// Weighted survival at each time.
    pub survival: Vec<SurvivalContrasts>,
    /// Weighted restricted means.
    pub restricted_mean: MeanContrasts,
    /// The weighted hazard ratio, second over first.
    pub hazard_ratio: Known<WeightedHazardRatio>,
    /// How strong what was not measured would have to be to explain that ratio away.
    pub e_value: Known<EValue>,
    /// The same comparisons with all steps repeated on resampled clusters, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resampled: Option<ReweightedPair>,
    /// The same by regression instead of weights; none where it has no fit.
    pub by_regression: Option<AdjustedPair>,
}

/// What resampled clusters say at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReweightedAt {
    /// The time.
    pub time: f64,
    /// Of the one group.
    pub first: ResampledEstimate,
    /// Of the other.
    pub second: ResampledEstimate,
    /// Second less first.
    pub difference: ResampledEstimate,
}

/// Two groups compared on resampled clusters, with weights found anew for each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReweightedPair {
    /// Survival at each time.
    pub survival: Vec<ReweightedAt>,
    /// Restricted means.
    pub restricted_means: Vec<ReweightedAt>,
    /// The logarithm of the hazard ratio, second over first.
    pub ln_hazard_ratio: ResampledEstimate,
}

/// The first group against another one, adjusted by proportional-hazards regression: averaged over all rows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AdjustedPair {
    /// Adjusted survival at each time.
    pub survival: Vec<SurvivalContrasts>,
    /// Adjusted restricted means.
    pub restricted_mean: MeanContrasts,
    /// The hazard ratio given the covariates; none for a group without rows.
    pub hazard_ratio: Option<CoxCoefficient>,
    /// How strong what was not measured would have to be to explain that ratio away.
    pub e_value: Known<EValue>,
}

/// Groups compared with weights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Weighted {
    /// What decided the group.
    pub adjusted_for: Vec<String>,
    /// Rows left out because a covariate is missing.
    pub left_out: u64,
    /// Whether Firth's penalty was needed to estimate propensities.
    pub penalised: bool,
    /// Which population the weighted groups look like.
    pub population: WeightedPopulation,
    /// What was done about large weights.
    pub trimming: WeightTrimming,
    /// Rows whose weight was cut.
    pub weights_cut: u64,
    /// Rows left out because of a propensity.
    pub outside: u64,
    /// Each group.
    pub groups: Vec<GroupWeights>,
    /// How far each covariate is balanced, before and after.
    pub balance: Vec<ColumnBalance>,
    /// The first group against each other one.
    pub pairs: Vec<WeightedPair>,
    /// Why regression has no fit, if so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_regression: Option<String>,
}

/// The rows that have all covariates, with what decided their group.
struct Complete {
    observations: Observations,
    levels: Grouping,
    strata: Option<Grouping>,
    names: Vec<String>,
    covariates: Vec<stats::Covariate>,
    left_out: u64,
}

impl Complete {
    fn of(asked: &Asked, data: &Data) -> Result<Self, String> {
        let taken = taken(asked, data)?;
        let rows = data.observations.len();
        let has = |row: usize| {
            taken.iter().all(|(_, covariate)| match covariate {
                Covariate::Numbers(numbers) => !numbers[row].is_nan(),
                Covariate::Levels(levels) => levels.codes[row] != MISSING,
            })
        };
        let kept: Vec<usize> = (0..rows).filter(|&row| has(row)).collect();
        if kept.is_empty() {
            return Err("No row has all covariates.\nMend: adjust for fewer of them with --adjust-for.".to_owned());
        }
        let mut covariates = Vec::new();
        for (name, covariate) in &taken {
            let part = match covariate {
                Covariate::Numbers(numbers) => Covariate::Numbers(kept.iter().map(|&row| numbers[row]).collect()),
                Covariate::Levels(levels) => Covariate::Levels(in_order(Levels {
                    labels: levels.labels.clone(),
                    codes: kept.iter().map(|&row| levels.codes[row]).collect(),
                })),
            };
            covariates.push(covariate_of(asked, name, &part)?);
        }
        Ok(Self {
            observations: observations_of(&data.observations, &kept)?,
            levels: grouping_of_rows(&data.grouping, &kept)?,
            strata: data.strata.as_ref().map(|(_, strata)| grouping_of_rows(strata, &kept)).transpose()?,
            names: taken.iter().map(|(name, _)| (*name).clone()).collect(),
            covariates,
            left_out: (rows - kept.len()) as u64,
        })
    }

    fn scale(&self) -> EffectScale {
        let failed = self.observations.ending().iter().filter(|ending| **ending == stats::Ending::Failed).count();
        if (failed as f64) < RARE * self.observations.len() as f64 {
            EffectScale::HazardRatioOfRareOutcome
        } else {
            EffectScale::HazardRatioOfCommonOutcome
        }
    }

    fn e_value(&self, one: &CoxCoefficient) -> Known<EValue> {
        let limits = one.hazard_ratio.interval.known().map(|limits| (limits.lower, limits.upper));
        e_value(self.scale(), one.hazard_ratio.value, limits)
    }
}

/// The covariates to adjust for.
fn taken<'a>(asked: &Asked, data: &'a Data) -> Result<Vec<(&'a String, &'a Covariate)>, String> {
    if let Some(name) = asked.adjust_for.iter().find(|name| !data.covariates.iter().any(|(known, _)| known == *name)) {
        return Err(format!(
            "--adjust-for names {name}, which is no covariate.\nMend: name its column with --covariate if it holds numbers, with --factor if it holds categories, too."
        ));
    }
    let all = asked.adjust_for.is_empty();
    let taken: Vec<(&String, &Covariate)> = data
        .covariates
        .iter()
        .filter(|(name, _)| all || asked.adjust_for.contains(name))
        .map(|(name, covariate)| (name, covariate))
        .collect();
    if taken.is_empty() {
        return Err("Weights need covariates that may have decided the group.\nMend: name their columns with --covariate and --factor.".to_owned());
    }
    if let Some((name, _)) = taken.iter().find(|(name, _)| asked.roles.group.as_ref() == Some(name)) {
        return Err(format!("{name} is the group itself.\nMend: name with --adjust-for the covariates without it."));
    }
    Ok(taken)
}

fn population(asked: &Asked, data: &Data) -> Result<WeightedPopulation, String> {
    Ok(match &asked.population {
        PopulationAsked::Plain => WeightedPopulation::Plain,
        PopulationAsked::Stabilised => WeightedPopulation::Stabilised,
        PopulationAsked::Overlap => WeightedPopulation::Overlap,
        PopulationAsked::Level(label) => {
            let place = data.groups.labels.iter().position(|known| known == label);
            let place = place.and_then(|place| u16::try_from(place).ok()).ok_or_else(|| {
                format!(
                    "There is no group {label}. There are: {}.\nMend: correct --population.",
                    data.groups.labels.join(", ")
                )
            })?;
            WeightedPopulation::OfLevel(place)
        }
    })
}

/// Groups compared with weights, and by regression.
///
/// # Errors
/// When there are no two groups or no covariates, or propensities have no estimate.
pub fn weighted(asked: &Asked, data: &Data) -> Result<Weighted, String> {
    two_groups(data)?;
    let population = population(asked, data)?;
    let rows = Complete::of(asked, data)?;
    let design = CoxDesign::new(rows.covariates.clone()).map_err(|error| error.to_string())?;
    let penalty = if asked.penalise_separated { FirthPenalty::IfSeparated } else { FirthPenalty::Never };
    let case_weights = rows.observations.weights();
    let mend = |problem: stats::PropensityProblem| {
        format!(
            "The groups can't be weighted: {problem}.\nMend: adjust for fewer covariates with --adjust-for, put rare levels together, or, where the groups are told apart without error, add --penalise-separated."
        )
    };
    let found = propensities(&rows.levels, rows.observations.cluster(), case_weights, &design, penalty).map_err(mend)?;
    let weights = propensity_weights(&found, &rows.levels, case_weights, population, asked.trimming).map_err(mend)?;
    let ticks = data.ticks(asked);
    let until = asked.until.unwrap_or(0.0);
    let regression_design = regression_design(asked, data, &rows);
    let model = regression_design.as_ref().map_err(String::clone).and_then(|design| {
        cox_regression(&rows.observations, design, rows.strata.as_ref(), regression::options(asked))
            .map_err(|problem| problem.to_string())
    });
    let group = asked.roles.group.as_deref().unwrap_or_default();
    let contrasts = model.as_ref().ok().map(|model| (model, model.adjusted_contrasts(group)));
    let label = |level: u16| data.groups.labels.get(usize::from(level)).cloned().unwrap_or_default();
    let mut pairs = Vec::new();
    for second in 1..data.grouping.levels() {
        let means = [until];
        let compared = LevelComparison { first: 0, second, horizons: &ticks, axis: &data.axis, mean_horizons: &means };
        let resampled = if asked.want.contains(&Want::Bootstrap) {
            let model =
                WeightingModel { levels: &rows.levels, design: &design, penalty, population, trimming: asked.trimming };
            let resampling =
                Resampling { replicates: asked.resamples, seed: asked.seed, level: asked.level, ..Resampling::default() };
            let found = reweighted_bootstrap(&rows.observations, model, compared, resampling).map_err(mend)?;
            Some(resampled_pair(asked, found))
        } else {
            None
        };
        let compared = LevelComparison { first: 0, second, horizons: &ticks, axis: &data.axis, mean_horizons: &means };
        let one = weighted_comparison(&rows.observations, &rows.levels, &weights.values, compared, asked.level);
        let names = (label(0), label(second));
        let mean = one.restricted_means.into_iter().next().unwrap_or(Known::NotKnown(WhyNotKnown::NoObservations));
        pairs.push(WeightedPair {
            survival: survival_contrasts_of((&names.0, &names.1), &asked.at, one.survival),
            restricted_mean: mean_contrast_of((&names.0, &names.1), until, mean),
            e_value: match &one.hazard_ratio {
                Known::Known(ratio) => rows.e_value(&ratio.coefficient),
                Known::NotKnown(why) => Known::NotKnown(*why),
            },
            hazard_ratio: one.hazard_ratio,
            resampled,
            by_regression: contrasts
                .as_ref()
                .map(|(model, contrasts)| adjusted_pair(model, contrasts, asked, data, &rows, second)),
            first: names.0,
            second: names.1,
        });
    }
    let of_group = |weights: &LevelWeights| GroupWeights {
        group: label(weights.level),
        weights: *weights,
        overlap: found.overlap.iter().find(|overlap| overlap.level == weights.level).cloned(),
    };
    Ok(Weighted {
        adjusted_for: rows.names.clone(),
        left_out: rows.left_out,
        penalised: found.penalised,
        population,
        trimming: asked.trimming,
        weights_cut: weights.cut,
        outside: weights.left_out,
        groups: weights.levels.iter().map(of_group).collect(),
        balance: balance(&design, &rows.levels, case_weights, &weights.values),
        pairs,
        no_regression: model.err(),
    })
}

/// The group and the covariates in one regression.
fn regression_design(asked: &Asked, data: &Data, rows: &Complete) -> Result<CoxDesign, String> {
    let group = asked.roles.group.clone().unwrap_or_default();
    let factor = stats::Covariate::factor(group, rows.levels.clone(), data.groups.labels.clone(), 0);
    let all = rows.covariates.iter().cloned().chain([factor]).collect();
    CoxDesign::new(all).map_err(|error| error.to_string())
}

fn adjusted_pair(
    model: &CoxModel<'_>,
    contrasts: &AdjustedContrasts<'_>,
    asked: &Asked,
    data: &Data,
    rows: &Complete,
    second: u16,
) -> AdjustedPair {
    let group = asked.roles.group.as_deref().unwrap_or_default();
    let labels = (&*data.groups.labels[0], &*data.groups.labels[usize::from(second)]);
    let until = asked.until.unwrap_or(0.0);
    let survival = contrasts.survival(0, second, &data.ticks(asked));
    let mean = contrasts.restricted_mean(0, second, &data.axis, until);
    let of_second = |one: &&CoxCoefficient| one.column.covariate == group && one.column.level.as_deref() == Some(labels.1);
    let hazard_ratio = model.regression.coefficients.iter().find(of_second).cloned();
    let none = Known::NotKnown(WhyNotKnown::NoObservations);
    AdjustedPair {
        survival: survival_contrasts_of(labels, &asked.at, survival),
        restricted_mean: mean_contrast_of(labels, until, mean),
        e_value: hazard_ratio.as_ref().map_or(none, |one| rows.e_value(one)),
        hazard_ratio,
    }
}

fn resampled_pair(asked: &Asked, found: ReweightedComparison) -> ReweightedPair {
    let survival = asked.at.iter().zip(found.survival).map(|(&time, one)| ReweightedAt {
        time,
        first: one.first,
        second: one.second,
        difference: one.difference,
    });
    let means = found.restricted_means.into_iter().map(|one| ReweightedAt {
        time: one.horizon,
        first: one.first,
        second: one.second,
        difference: one.difference,
    });
    ReweightedPair {
        survival: survival.collect(),
        restricted_means: means.collect(),
        ln_hazard_ratio: found.ln_hazard_ratio,
    }
}
