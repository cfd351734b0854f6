//! What a parametric model predicts: survival at given times, quantiles of the time to failure, and the mean curve of those behind it.
//!
//! Formula.     S(t | x) is the family's survival at z = α·ln t − xγ. The time by which a part p has failed is exp((xγ + q)/α), q the
//!              quantile of W.
//! Variance.    Delta method with the variance of the fit: of ln S, (d ln S/dz)²·dᵀ·V·d with d = (−x, ln t); of ln t, with d = (x, −ln t)/α.
//! Source.      Lawless JF. Statistical Models and Methods for Lifetime Data, 1982, ch. 6 (from memory).
//! Decided.     Limits of survival by the method asked for, those of a quantile symmetric on ln t; a quantile's standard error is in the
//!              unit of time. Survival at time 0 is 1 and has no limits. Predictions past the last time that was looked at rest on the
//!              family alone; `last_time` in the result says when that is, and nothing is refused.
//! Cost.        O(columns²) for each time; the mean curve one pass over the rows for each time.
//! Not for.     Survival where other endings compete.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox_baseline::ProfileValue;
use super::cox_design::{Column, CovariateValues};
use super::cox_tests::{ReferenceDistribution, reach};
use super::parametric::{ParametricModel, Reading};
use super::survival_interval::{SurvivalIntervalMethod, interval_with_reach};
use crate::quantity::{Estimate, Fraction, Known, Variance, WhyNotKnown};

/// A time by which a part has failed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PredictedQuantile {
    /// The part that has failed.
    pub failed_part: Fraction,
    /// The time, in the unit of the bounds.
    pub time: Known<Estimate<f64>>,
}

impl ParametricModel<'_> {
    /// Survival at each time predicted for a profile: a value for each covariate, in their order; none for a model without covariates.
    ///
    /// Not known for a profile that doesn't fit the covariates, for a time below 0 (not a number), and for a level without a coefficient.
    /// The variance is that of the fit.
    pub fn predicted_survival(
        &self,
        profile: &[ProfileValue],
        times: &[f64],
        method: SurvivalIntervalMethod,
    ) -> Vec<Known<Estimate<Fraction>>> {
        let Some(x) = self.profile_columns(profile) else {
            return vec![Known::NotKnown(WhyNotKnown::NotANumber); times.len()];
        };
        times.iter().map(|&time| self.survival_at(&x, time, method)).collect()
    }

    fn survival_at(&self, x: &[f64], time: f64, method: SurvivalIntervalMethod) -> Known<Estimate<Fraction>> {
        if !(time >= 0.0 && time.is_finite()) {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        let estimate = |value: f64, error: Option<f64>, interval| {
            let value = Fraction::new(value);
            let standard_error = error.map(|error| value.value() * error);
            let variance = self.options.variance;
            Known::Known(Estimate { value, standard_error, variance, interval, behind: self.regression.behind })
        };
        if time <= 0.0 {
            return estimate(1.0, None, Known::NotKnown(WhyNotKnown::AtBoundary));
        }
        let y = libm::log(time) - self.centre;
        let survival = self.options.family.law().survival(self.alpha() * y - self.predictor(x));
        let mut direction: Vec<f64> = x.iter().map(|x| -x).collect();
        direction.push(y);
        match self.error_along(&direction) {
            Known::Known(error) => {
                let (value, error) = (Fraction::new(libm::exp(survival.ln)), survival.first.abs() * error);
                let interval = if value.value() < 1.0 {
                    interval_with_reach(value, self.reading().reach * error, method, self.options.level)
                } else {
                    Known::NotKnown(WhyNotKnown::AtBoundary)
                };
                estimate(value.value(), Some(error), interval)
            }
            Known::NotKnown(why) => estimate(libm::exp(survival.ln), None, Known::NotKnown(why)),
        }
    }

    /// The time by which a part has failed, predicted for a profile; the median for one half.
    ///
    /// Not known for a profile that doesn't fit the covariates (not a number), and for nobody or all (at the boundary).
    pub fn predicted_quantile(&self, profile: &[ProfileValue], failed_part: Fraction) -> PredictedQuantile {
        let not_known = |why| PredictedQuantile { failed_part, time: Known::NotKnown(why) };
        let Some(x) = self.profile_columns(profile) else { return not_known(WhyNotKnown::NotANumber) };
        let p = failed_part.value();
        if !(p > 0.0 && p < 1.0) {
            return not_known(WhyNotKnown::AtBoundary);
        }
        let y = (self.predictor(&x) + self.options.family.law().quantile(p)) / self.alpha();
        let mut direction: Vec<f64> = x.iter().map(|x| x / self.alpha()).collect();
        direction.push(-y / self.alpha());
        let error = self.error_along(&direction);
        let ratio = self.reading().ratio(self.centre + y, error);
        let standard_error = error.known().map(|error| ratio.value * error);
        PredictedQuantile { failed_part, time: Known::Known(Estimate { standard_error, ..ratio }) }
    }

    /// The mean, over the rows behind the model with their weights, of the survival predicted for each.
    ///
    /// Without covariates it is the curve itself. 1 at times below 0 or that are no numbers.
    pub fn mean_survival(&self, time: f64) -> Fraction {
        if time.is_nan() || time <= 0.0 {
            return Fraction::new(1.0);
        }
        let law = self.options.family.law();
        let scaled = self.alpha() * (libm::log(time) - self.centre);
        if self.columns.of.is_empty() {
            return Fraction::new(libm::exp(law.survival(scaled - self.point[0]).ln));
        }
        let (mut sum, mut total) = (0.0, 0.0);
        for &(predictor, weight) in &self.predictors {
            sum += weight * libm::exp(law.survival(scaled - predictor).ln);
            total += weight;
        }
        Fraction::new(sum / total)
    }

    fn alpha(&self) -> f64 {
        self.point[self.columns.of.len() + 1]
    }

    fn predictor(&self, x: &[f64]) -> f64 {
        x.iter().zip(&self.point).map(|(x, gamma)| x * gamma).sum()
    }

    fn reading(&self) -> Reading {
        let behind = self.regression.behind;
        let degrees_of_freedom = (self.options.variance == Variance::ClusterRobust
            && self.options.reference == ReferenceDistribution::StudentByClusters)
            .then_some(behind.clusters as f64 - 1.0);
        Reading {
            variance: self.options.variance,
            level: self.options.level,
            reach: reach(self.options.level, degrees_of_freedom),
            behind,
        }
    }

    /// √(dᵀ·V·d), for derivatives in γ and in α; the last is left out where α was given.
    fn error_along(&self, direction: &[f64]) -> Known<f64> {
        let (columns, given) = (self.columns.of.len(), self.regression.ln_spread.is_none());
        let estimated = if given { &direction[..=columns] } else { direction };
        match &self.covariance {
            Known::Known(covariance) => {
                let carried = covariance.times(estimated);
                let variance: f64 = estimated.iter().zip(carried).map(|(d, c)| d * c).sum();
                Known::Known(libm::sqrt(variance.max(0.0)))
            }
            Known::NotKnown(why) => Known::NotKnown(*why),
        }
    }

    /// The columns of a profile as they are inside, after a 1.
    fn profile_columns(&self, profile: &[ProfileValue]) -> Option<Vec<f64>> {
        let covariates = self.design.covariates();
        let columns = &self.columns;
        let fits = profile.len() == covariates.len()
            && covariates.iter().zip(profile).enumerate().all(|(term, (covariate, value))| {
                match (&covariate.values, value) {
                    (CovariateValues::Number { .. }, ProfileValue::Number(number)) => number.is_finite(),
                    (CovariateValues::Factor { reference, .. }, ProfileValue::Level(level)) => {
                        level == reference || columns.of.contains(&Column { term, level: Some(*level) })
                    }
                    _ => false,
                }
            });
        fits.then(|| {
            let moved = columns.of.iter().zip(&columns.centre).zip(&columns.scale).map(|((column, centre), scale)| {
                let value = match profile[column.term] {
                    ProfileValue::Number(number) => number,
                    ProfileValue::Level(level) => f64::from(u8::from(column.level == Some(level))),
                };
                (value - centre) / scale
            });
            std::iter::once(1.0).chain(moved).collect()
        })
    }
}
