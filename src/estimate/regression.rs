//! Answers by regression: proportional hazards with its checks.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, TiesAsked};
use super::covariates::{design, profile};
use super::data::Data;
use crate::quantity::{Estimate, Fraction, Known, Variance};
use crate::stats::{
    self, Concordance, CoxOptions, CoxRegression, FrailtyRegression, Grouping, PenalisedRegression, ProportionalityTest,
    TiesHandling, TimeScale, cox_regression, frailty_regression, penalised_cox_regression, proportionality,
};

/// Something fitted, or why there is no fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fitted<T> {
    /// The fit.
    Fit(T),
    /// Why there is none, in words.
    NoFit(String),
}

/// Adjusted survival of a level of a factor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Adjusted {
    /// The factor.
    pub factor: String,
    /// The level.
    pub level: String,
    /// The time.
    pub time: f64,
    /// Survival if all had this level, the other covariates as they are.
    pub survival: Known<Estimate<Fraction>>,
}

/// A step of the baseline.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BaselinePoint {
    /// The time.
    pub time: f64,
    /// Cumulative hazard of one whose covariates are 0 and whose factors are at their reference.
    pub cumulative_hazard: f64,
    /// Survival of such a one.
    pub survival: Fraction,
}

/// The baseline of a stratum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StratumBaseline {
    /// The stratum; none without strata.
    pub stratum: Option<String>,
    /// Its steps.
    pub steps: Vec<BaselinePoint>,
}

/// What each row says of the fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RowResiduals {
    /// Martingale residual of each row used, in their order; none where a covariate is missing.
    pub martingale: Vec<Option<f64>>,
    /// For each coefficient the influence of each row on it.
    pub influence: Vec<Vec<f64>>,
    /// Times of the failures, stratum by stratum.
    pub failure_times: Vec<f64>,
    /// For each failure a scaled Schoenfeld residual for each coefficient.
    pub scaled_schoenfeld: Vec<Vec<f64>>,
    /// Which of the rows used each of those failures is, from 0.
    pub failed_rows: Vec<u32>,
    /// For each coefficient the score residual of each row.
    pub score: Vec<Vec<f64>>,
    /// For each coefficient the influence of each cluster on it, in the order of the list of clusters; where they are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub influence_of_clusters: Option<Vec<Vec<f64>>>,
}

/// Survival predicted for a profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Predicted {
    /// The stratum; none without strata.
    pub stratum: Option<String>,
    /// The time.
    pub time: f64,
    /// Survival.
    pub survival: Known<Estimate<Fraction>>,
}

/// Proportional-hazards regression with its checks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProportionalHazards {
    /// Coefficients and tests.
    pub regression: CoxRegression,
    /// How well the model orders failures.
    pub concordance: Known<Concordance>,
    /// Whether hazards are proportional, on each scale of time.
    pub proportionality: Vec<Known<ProportionalityTest>>,
    /// Survival adjusted for the other covariates, for each level of each factor.
    pub adjusted: Vec<Adjusted>,
    /// Survival predicted for the profile, if one is given.
    pub predicted: Vec<Predicted>,
    /// Baselines, if curves are asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub baselines: Option<Vec<StratumBaseline>>,
    /// Residuals, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residuals: Option<RowResiduals>,
}

/// How the regression is to be done.
pub fn options(asked: &Asked) -> CoxOptions {
    let ties = match asked.ties {
        TiesAsked::Efron => TiesHandling::Efron,
        TiesAsked::Breslow => TiesHandling::Breslow,
        TiesAsked::Exact => TiesHandling::ExactDiscrete,
    };
    let variance = if ties == TiesHandling::ExactDiscrete { Variance::ModelBased } else { asked.variance };
    CoxOptions { ties, variance, level: asked.level, reference: asked.reference_distribution }
}

/// The strata with baselines of their own.
pub(super) fn strata(data: &Data) -> Option<&Grouping> {
    data.strata.as_ref().map(|(_, strata)| strata)
}

/// Proportional-hazards regression with its checks.
///
/// # Errors
/// When there are no covariates, or the profile doesn't fit them.
pub fn proportional_hazards(asked: &Asked, data: &Data) -> Result<Fitted<ProportionalHazards>, String> {
    let design = design(asked, data)?;
    let options = options(asked);
    let profile = profile(asked, data)?;
    let model = match cox_regression(&data.observations, &design, strata(data), options) {
        Ok(model) => model,
        Err(problem) => return Ok(Fitted::NoFit(problem.to_string())),
    };
    let ticks = data.ticks(asked);
    let mut adjusted = Vec::new();
    for (factor, _) in &asked.roles.factors {
        for curve in model.adjusted_survival(factor, &ticks, asked.scale) {
            for (&time, survival) in asked.at.iter().zip(curve.survival) {
                adjusted.push(Adjusted { factor: factor.clone(), level: curve.level.clone(), time, survival });
            }
        }
    }
    let names: Vec<Option<String>> = match &data.strata {
        None => vec![None],
        Some((levels, _)) => levels.labels.iter().cloned().map(Some).collect(),
    };
    let mut predicted = Vec::new();
    if let Some(profile) = &profile {
        for (place, stratum) in (0_u16..).zip(&names) {
            for (&time, survival) in asked.at.iter().zip(model.predicted_survival(profile, place, &ticks, asked.scale)) {
                predicted.push(Predicted { stratum: stratum.clone(), time, survival });
            }
        }
    }
    let baselines = asked.curves.then(|| {
        let steps = |place| {
            let steps = model.baseline(place).into_iter();
            let point = |step: stats::BaselineStep| BaselinePoint {
                time: data.axis.time(step.tick.count()),
                cumulative_hazard: step.cumulative_hazard,
                survival: step.survival,
            };
            steps.map(point).collect()
        };
        (0_u16..).zip(names).map(|(place, stratum)| StratumBaseline { stratum, steps: steps(place) }).collect()
    });
    let residuals = asked.residuals.then(|| {
        let schoenfeld = model.scaled_schoenfeld_residuals();
        RowResiduals {
            martingale: model.martingale_residuals(),
            influence: model.influence_on_coefficients(),
            score: model.score_residuals(),
            influence_of_clusters: data.clustered.then(|| model.influence_of_clusters()),
            failed_rows: schoenfeld.iter().map(|one| one.observation).collect(),
            failure_times: schoenfeld.iter().map(|one| data.axis.time(one.tick.count())).collect(),
            scaled_schoenfeld: schoenfeld.into_iter().map(|one| one.scaled).collect(),
        }
    });
    let scales = [TimeScale::Failed, TimeScale::Time, TimeScale::LnTime, TimeScale::Rank];
    Ok(Fitted::Fit(ProportionalHazards {
        concordance: model.concordance(),
        proportionality: scales.map(|scale| proportionality(&model, &data.axis, scale, options.variance)).to_vec(),
        adjusted,
        predicted,
        baselines,
        residuals,
        regression: model.regression,
    }))
}

/// The same covariates with Firth's penalty.
///
/// # Errors
/// When there are no covariates.
pub fn penalised(asked: &Asked, data: &Data) -> Result<Fitted<PenalisedRegression>, String> {
    let design = design(asked, data)?;
    let fit = penalised_cox_regression(&data.observations, &design, strata(data), options(asked).ties, asked.level);
    Ok(fit.map_or_else(|problem| Fitted::NoFit(problem.to_string()), Fitted::Fit))
}

/// The same covariates with a frailty shared by cluster.
///
/// # Errors
/// When there are no covariates, or no clusters.
pub fn frailty(asked: &Asked, data: &Data) -> Result<Fitted<FrailtyRegression>, String> {
    if !data.clustered {
        return Err("A shared frailty needs clusters.\nMend: name their column with --cluster.".to_owned());
    }
    let design = design(asked, data)?;
    let fit = frailty_regression(&data.observations, &design, strata(data), options(asked).ties, asked.level);
    Ok(fit.map_or_else(|problem| Fitted::NoFit(problem.to_string()), Fitted::Fit))
}
