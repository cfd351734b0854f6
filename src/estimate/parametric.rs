//! Parametric regression of times to failure, from exact times or from bounds of them.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::covariates::{design, profile};
use super::data::Data;
use super::regression::Fitted;
use crate::quantity::{Days, Estimate, Fraction, Known, WhyNotKnown};
use crate::stats::{
    CoxDesign, CurveDistance, FamilyComparison, IntervalSurvival, LogTimeFamily, NOT_SEEN_TO_FAIL, ParametricModel,
    ParametricOptions, ParametricRegression, PredictedQuantile, ProductLimit, ProfileValue, SurvivalBetween, TimedBounds,
    compare_families, curve_distance, interval_survival, parametric_regression,
};

/// Survival predicted at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PredictedAt {
    /// The time.
    pub time: f64,
    /// Survival.
    pub survival: Known<Estimate<Fraction>>,
}

/// A parametric regression, and what it predicts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricFit {
    /// Coefficients, tests, criteria.
    pub regression: ParametricRegression,
    /// Survival for the profile, or without covariates, at each time asked for.
    pub predicted: Vec<PredictedAt>,
    /// Times by which parts have failed, for the same.
    pub quantiles: Vec<PredictedQuantile>,
    /// How far the curve lies from one without a family; only without covariates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance: Option<Known<CurveDistance>>,
}

/// What families of distributions say of the times.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParametricAnswers {
    /// The families compared, where none was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comparison: Option<FamilyComparison>,
    /// The family that was fitted: the one asked for, or the one that fits best for its parameters.
    pub family: Known<LogTimeFamily>,
    /// Its fit.
    pub fit: Fitted<ParametricFit>,
}

/// The bounds of the rows in units of time.
fn timed_bounds(data: &Data) -> Result<TimedBounds, String> {
    let intervals = data.intervals();
    let mut bounds = TimedBounds::default();
    for row in 0..intervals.len() {
        let (left, right) = (intervals.left()[row], intervals.right()[row]);
        let time = |tick: i32| data.axis.time(tick);
        let upper = if right == NOT_SEEN_TO_FAIL { f64::INFINITY } else { time(right) };
        let entry = time(intervals.entry_of(row));
        let pushed = bounds.push_weighted(entry, time(left), upper, intervals.cluster()[row], intervals.weight_of(row));
        pushed.map_err(|why| {
            format!(
                "A row used, from {} to {upper}, has no place among the families: {why}.\nMend: give a failure at time 0 as one between bounds, --after empty and --by a time above 0; or leave parametric out.",
                time(left)
            )
        })?;
    }
    Ok(bounds)
}

/// Fits the family asked for; without one, compares all and fits the best.
///
/// # Errors
/// When a reference level doesn't occur, the profile doesn't fit the covariates, or a row failed at time 0.
pub fn parametric(asked: &Asked, data: &Data) -> Result<ParametricAnswers, String> {
    let design = if data.covariates.is_empty() { CoxDesign::default() } else { design(asked, data)? };
    let profile = match profile(asked, data)? {
        None if data.covariates.is_empty() => Some(Vec::new()),
        given => given,
    };
    let bounds = timed_bounds(data)?;
    let options = |family| ParametricOptions {
        family,
        variance: asked.variance,
        level: asked.level,
        reference: asked.reference_distribution,
        ..ParametricOptions::default()
    };
    let (comparison, family) = match asked.family {
        Some(family) => (None, Known::Known(family)),
        None => {
            let compared = compare_families(&bounds, &design, options(LogTimeFamily::default()));
            let best = compared.best;
            (Some(compared), best)
        }
    };
    // Where no family can be fitted, one of them says in words why.
    let fitted = family.known().copied().unwrap_or_default();
    let fit = match parametric_regression(&bounds, &design, options(fitted)) {
        Err(problem) => Fitted::NoFit(problem.to_string()),
        Ok(model) => Fitted::Fit(read(model, asked, data, profile.as_deref())),
    };
    Ok(ParametricAnswers { comparison, family, fit })
}

fn read(model: ParametricModel<'_>, asked: &Asked, data: &Data, profile: Option<&[ProfileValue]>) -> ParametricFit {
    let predicted = profile.map_or_else(Vec::new, |profile| {
        let survival = model.predicted_survival(profile, &asked.at, asked.scale);
        asked.at.iter().zip(survival).map(|(&time, survival)| PredictedAt { time, survival }).collect()
    });
    let quantiles = profile.map_or_else(Vec::new, |profile| {
        let parts = asked.failed_parts.iter();
        parts.map(|&part| model.predicted_quantile(profile, Fraction::new(part))).collect()
    });
    let distance = data.covariates.is_empty().then(|| match without_family(data) {
        Known::Known(points) => curve_distance(&model, &points),
        Known::NotKnown(why) => Known::NotKnown(why),
    });
    ParametricFit { regression: model.regression, predicted, quantiles, distance }
}

/// What a curve without a family says of all rows: the product limit of exact times, else Turnbull's.
fn without_family(data: &Data) -> Known<Vec<SurvivalBetween>> {
    match data.intervals() {
        Cow::Owned(_) => {
            let curve = ProductLimit::of(&data.observations);
            Known::Known(SurvivalBetween::of_product_limit(&curve, &data.axis))
        }
        Cow::Borrowed(intervals) => match interval_survival(intervals) {
            Known::NotKnown(why) => Known::NotKnown(why),
            Known::Known(curve) if !curve.converged => Known::NotKnown(WhyNotKnown::NotConverged),
            Known::Known(curve) => Known::Known(ends_of(&curve, data)),
        },
    }
}

/// What the curve of intervals says at both ends of each: within, it says less, so no distance there is larger.
fn ends_of(curve: &IntervalSurvival, data: &Data) -> Vec<SurvivalBetween> {
    let mut points = Vec::with_capacity(2 * curve.intervals.len());
    let (mut lower, mut upper) = (Fraction::new(1.0), Fraction::new(1.0));
    let time = |tick: Days| data.axis.time(tick.count());
    for interval in &curve.intervals {
        points.push(SurvivalBetween { time: time(interval.left), lower, upper });
        (lower, upper) = (interval.least_after, interval.largest_after);
        if let Some(right) = interval.right {
            points.push(SurvivalBetween { time: time(right), lower, upper });
        }
    }
    points
}
