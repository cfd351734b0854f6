//! Regression of the subdistribution hazard of one cause on covariates (Fine–Gray).
//!
//! Definition.  λ(t; z) = λ₀(t)·exp(βᵀz), where 1 − F(t; z) = exp(−Λ₀(t)·exp(βᵀz)) and F is the cumulative incidence of the cause.
//!              Partial likelihood with Breslow's ties; whoever ended by another cause on a tick T stays in the risk set of every
//!              later tick t with weight Ĝ(t−)/Ĝ(T−), Ĝ the product-limit estimate of not yet being censored.
//! Late entry.  With Ĥ the product-limit estimate of having entered, weights are Ĝ(t−)Ĥ(t−)/(Ĝ(T−)Ĥ(T−)).
//! Variance.    I⁻¹·(Σ u uᵀ)·I⁻¹, with u = ∫ (z − z̄)·w(t)·dM(t) and, added to it, what the observation does to the score through Ĝ
//!              (and Ĥ). Cluster-robust: u summed by cluster; model-based: each observation by itself.
//! Prediction.  F = 1 − exp(−Λ̂₀(t)·exp(β̂ᵀz)), Λ̂₀ by Breslow; the variance of ln(−ln(1 − F)) from the influences of each observation
//!              on Λ̂₀(t) and β̂ together.
//! Source.      Fine JP, Gray RJ. J Am Stat Assoc 1999;94:496–509; late entry: Geskus RB. Biometrics 2011;67:39–49; clusters: Zhou
//!              B, Fine J, Latouche A, Labopin M. Biostatistics 2012;13:371–383 (all from memory).
//! Decided.     Which observations of a tick are at risk of being censored on it is a choice, [`CensoringReading`]; so is how the
//!              estimated weights enter the variance, [`WeightInfluence`]. Where the risk set of a censoring stratum has been
//!              emptied by endings and fills again by late entries, Ĥ says nothing across the gap, and those who ended by another
//!              cause before it leave.
//!              Covariates are centred and scaled for the iteration, Newton's with halved steps, which ends when the score is below
//!              1e-10 of its deviation. A combination of covariates that goes on rising by itself while the likelihood stands still
//!              is separation. No small-sample factor.
//! Cost.        Each iteration one pass over the observations, O(p²) each, and one over the ticks with endings by the cause: the
//!              weights are a quotient, so the sums over those who ended by another cause only run forward.
//! Not for.     Why the incidence differs: a covariate may act on the cause, or on its competitors. Covariates that change.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::causes::ObservationsByCause;
use super::cox_tests::RegressionTest;
use super::distribution::normal_quantile_upper;
use super::fine_gray_influence::{AtCoefficients, Pieces};
use super::fine_gray_likelihood::{Likelihood, Optimum};
use super::fine_gray_weights::{Records, SubdistributionWeights};
use super::grouping::Grouping;
use super::incidence_interval::incidence_interval;
use super::survival_interval::SurvivalIntervalMethod;
use super::symmetric::Symmetric;
use crate::quantity::{
    Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, IntervalMethod, Known, Variance, WhyNotKnown,
};

/// Who is at risk of being censored on a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CensoringReading {
    /// All who are at risk on it, also those that end on it by a cause (as in the paper of 1999).
    #[default]
    EndingsAtRisk,
    /// Only those that don't end on it by a cause: endings come before censorings.
    EndingsFirst,
}

/// How the estimated weights enter the variance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeightInfluence {
    /// By the censoring martingale over everybody at risk (as in the paper of 1999). With late entries, for which the paper has
    /// nothing, as `Derivative`.
    #[default]
    Martingale,
    /// By the exact derivative of the weights in the case weight. A record split at a tick then changes nothing.
    Derivative,
}

/// Options of the regression.
#[derive(Clone, Debug)]
pub struct FineGrayOptions<'a> {
    /// Who is at risk of being censored on a tick.
    pub censoring: CensoringReading,
    /// Within what the censoring distribution is estimated; one for all when absent. Whoever has no level here takes no part.
    pub censoring_strata: Option<&'a Grouping>,
    /// The variance.
    pub variance: Variance,
    /// How the estimated weights enter it.
    pub weight_influence: WeightInfluence,
    /// The coverage that intervals are built for.
    pub level: ConfidenceLevel,
    /// The scale of the intervals of predicted incidences.
    pub method: SurvivalIntervalMethod,
    /// Where incidences will be predicted.
    pub horizons: &'a [Days],
}

impl Default for FineGrayOptions<'_> {
    /// Censoring as in the paper of 1999, pooled; cluster-robust; 0.95, complementary log–log; no horizons.
    fn default() -> Self {
        Self {
            censoring: CensoringReading::default(),
            censoring_strata: None,
            variance: Variance::ClusterRobust,
            weight_influence: WeightInfluence::default(),
            level: ConfidenceLevel::USUAL,
            method: SurvivalIntervalMethod::default(),
            horizons: &[],
        }
    }
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FineGrayFailure {
    /// The reason.
    pub why: WhyNotKnown,
    /// The covariate that it shows on, from 0; none when it is not one alone.
    pub covariate: Option<usize>,
    /// Iterations until then.
    pub iterations: u32,
}

/// What the model says of one covariate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionCoefficient {
    /// β: ln of the subdistribution hazard ratio for one unit more.
    pub coefficient: f64,
    /// Its standard error.
    pub standard_error: Known<f64>,
    /// Its interval, symmetric on β.
    pub interval: Known<ConfidenceInterval<f64>>,
    /// exp(β): the subdistribution hazard ratio.
    pub hazard_ratio: f64,
    /// The interval of the ratio, symmetric on its logarithm.
    pub hazard_ratio_interval: Known<ConfidenceInterval<f64>>,
    /// Wald's test of β = 0.
    pub test: Known<RegressionTest>,
}

/// A tick on which the baseline goes up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionStep {
    /// The tick.
    pub day: Days,
    /// Cumulative subdistribution hazard of one whose covariates are at the centre.
    pub cumulative_hazard: f64,
}

/// The baseline at a horizon, with what the interval of a prediction needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionBaseline {
    /// The horizon.
    pub day: Days,
    /// Cumulative subdistribution hazard Λ of one whose covariates are at the centre.
    pub cumulative_hazard: f64,
    /// Variance of ln Λ; not known while Λ is 0.
    pub ln_variance: Known<f64>,
    /// Covariance of ln Λ with each coefficient.
    pub ln_covariance: Vec<f64>,
    /// Endings by the cause up to and including the horizon.
    pub failures: u64,
}

/// A fitted model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FineGrayFit {
    /// The code of the cause.
    pub cause: u8,
    /// The coefficients, in the order of the columns.
    pub coefficients: Vec<SubdistributionCoefficient>,
    /// Their covariance, row by row.
    pub covariance: Known<Vec<Vec<f64>>>,
    /// The inverse of the information, row by row: the variance if the weights were known and the model held exactly.
    pub inverse_information: Vec<Vec<f64>>,
    /// ln of the partial likelihood at the coefficients.
    pub log_likelihood: f64,
    /// The same where all coefficients are 0.
    pub log_likelihood_at_zero: f64,
    /// Wald's test of all coefficients.
    pub wald: Known<RegressionTest>,
    /// The score test of all coefficients, with the variance of the score at 0 that is asked for.
    pub score: Known<RegressionTest>,
    /// How many iterations it took.
    pub iterations: u32,
    /// The score left at the end, in parts of its deviation.
    pub gap: f64,
    /// The (weighted) mean of each covariate.
    pub centre: Vec<f64>,
    /// The baseline, on each tick with an ending by the cause.
    pub baseline: Vec<SubdistributionStep>,
    /// The baseline at each horizon asked for.
    pub at_horizons: Vec<Known<SubdistributionBaseline>>,
    /// Which variance stands here.
    pub variance: Variance,
    /// The coverage that intervals are built for.
    pub level: ConfidenceLevel,
    /// The scale of the intervals of predicted incidences.
    pub method: SurvivalIntervalMethod,
    /// How many stand behind it; the failures are those by the cause.
    pub behind: Behind,
}

impl FineGrayFit {
    /// The cumulative incidence of one with these covariates, at each horizon that the model was fitted with.
    ///
    /// Not known past the last follow-up, and when the covariates are not as many numbers as the model has.
    pub fn predicted_incidence(&self, covariates: &[f64]) -> Vec<Known<Estimate<Fraction>>> {
        let usable = covariates.len() == self.centre.len() && covariates.iter().all(|value| value.is_finite());
        let away: Vec<f64> = covariates.iter().zip(&self.centre).map(|(value, centre)| value - centre).collect();
        let predict = |baseline: &Known<SubdistributionBaseline>| match baseline {
            _ if !usable => Known::NotKnown(WhyNotKnown::NotANumber),
            Known::NotKnown(why) => Known::NotKnown(*why),
            Known::Known(baseline) => self.predict(baseline, &away),
        };
        self.at_horizons.iter().map(predict).collect()
    }

    fn predict(&self, baseline: &SubdistributionBaseline, away: &[f64]) -> Known<Estimate<Fraction>> {
        let predictor: f64 = self.coefficients.iter().zip(away).map(|(beta, away)| beta.coefficient * away).sum();
        let hazard = baseline.cumulative_hazard * libm::exp(predictor);
        if !hazard.is_finite() {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        let value = Fraction::new(-libm::expm1(-hazard));
        let ln_variance = match (baseline.ln_variance, &self.covariance) {
            (Known::Known(own), Known::Known(covariance)) => {
                let both: f64 = baseline.ln_covariance.iter().zip(away).map(|(both, away)| both * away).sum();
                let line = |row: &Vec<f64>| row.iter().zip(away).map(|(cell, away)| cell * away).sum::<f64>();
                let square: f64 = covariance.iter().zip(away).map(|(row, away)| away * line(row)).sum();
                Known::Known((own + 2.0 * both + square).max(0.0))
            }
            (Known::NotKnown(why), _) => Known::NotKnown(why),
            (_, Known::NotKnown(why)) => Known::NotKnown(*why),
        };
        let error = ln_variance.map(|variance| libm::exp(-hazard) * hazard * libm::sqrt(variance));
        let interval = match error {
            Known::Known(error) => incidence_interval(value, error, self.method, self.level),
            Known::NotKnown(why) => Known::NotKnown(why),
        };
        Known::Known(Estimate {
            value,
            standard_error: interval.known().and_then(|_| error.known().copied()),
            variance: self.variance,
            interval,
            behind: Behind { failures: baseline.failures, ..self.behind },
        })
    }
}

/// Fits the model. Each column of `covariates` holds one number for each observation.
///
/// # Errors
///
/// [`FineGrayFailure`] with [`WhyNotKnown::NoObservations`] or [`WhyNotKnown::NoFailures`]; `NotANumber` for a value that is none, or
/// a column not as long as the observations; `Collinear` for a covariate that doesn't vary where the cause is at work, or is made
/// up of those before it; `Separated` when a coefficient runs away; `NotConverged` else. Without covariates it is the baseline alone.
pub fn fine_gray(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    covariates: &[Vec<f64>],
    options: &FineGrayOptions<'_>,
) -> Result<FineGrayFit, FineGrayFailure> {
    let fail = |why, covariate| FineGrayFailure { why, covariate, iterations: 0 };
    let bad =
        |column: &Vec<f64>| column.len() != by_cause.observations().len() || column.iter().any(|value| !value.is_finite());
    if let Some(index) = covariates.iter().position(bad) {
        return Err(fail(WhyNotKnown::NotANumber, Some(index)));
    }
    let records = Records::of(by_cause, cause, covariates, options.censoring_strata);
    if records.exit.is_empty() {
        return Err(fail(WhyNotKnown::NoObservations, None));
    }
    if records.failures() == 0 {
        return Err(fail(WhyNotKnown::NoFailures, None));
    }
    if let Some(index) = records.scale.iter().position(|&scale| scale <= 0.0) {
        return Err(fail(WhyNotKnown::Collinear, Some(index)));
    }
    let weights = SubdistributionWeights::of(&records, options.censoring, options.weight_influence);
    let likelihood = Likelihood::of(&records, &weights);
    let optimum = likelihood.maximise(&records)?;
    Ok(report(&records, &weights, &optimum, cause, options))
}

fn report(
    records: &Records,
    weights: &SubdistributionWeights,
    optimum: &Optimum,
    cause: u8,
    options: &FineGrayOptions<'_>,
) -> FineGrayFit {
    let size = records.columns.len();
    let per_scale: Vec<f64> = records.scale.iter().map(|scale| 1.0 / scale).collect();
    let pieces = Pieces::of(records, options.variance);
    let enough = pieces.count >= 2;
    let at = AtCoefficients::of(records, weights, &optimum.beta);
    let scores: Vec<Vec<f64>> = (0..size).map(|k| pieces.sum(records, at.score_influence(k))).collect();
    let scaled = meat(&scores).between(&optimum.inverse);
    let covariance = scaled.scaled(&per_scale);
    let at_zero = AtCoefficients::of(records, weights, &vec![0.0; size]);
    let zero_scores: Vec<Vec<f64>> = (0..size).map(|k| pieces.sum(records, at_zero.score_influence(k))).collect();
    let beta: Vec<f64> = optimum.beta.iter().zip(&per_scale).map(|(beta, factor)| beta * factor).collect();
    let test = |vector: &[f64], covariance: &Symmetric| {
        if enough && size > 0 {
            RegressionTest::quadratic(vector, covariance)
        } else {
            Known::NotKnown(WhyNotKnown::TooFewClusters)
        }
    };
    let coefficient = |k: usize| {
        let error = if enough {
            Known::Known(libm::sqrt(covariance.at(k, k)))
        } else {
            Known::NotKnown(WhyNotKnown::TooFewClusters)
        };
        let reach = |error: f64| normal_quantile_upper(options.level.tail()) * error;
        let interval = |error: f64| ConfidenceInterval {
            lower: beta[k] - reach(error),
            upper: beta[k] + reach(error),
            level: options.level,
            method: IntervalMethod::Plain,
        };
        SubdistributionCoefficient {
            coefficient: beta[k],
            standard_error: error,
            interval: error.map(interval),
            hazard_ratio: libm::exp(beta[k]),
            hazard_ratio_interval: error.map(interval).map(|interval| ConfidenceInterval {
                lower: libm::exp(interval.lower),
                upper: libm::exp(interval.upper),
                method: IntervalMethod::Log,
                ..interval
            }),
            test: test(&beta[k..=k], &covariance.only(&[k])),
        }
    };
    let mut hazard = 0.0;
    let baseline = (0..).zip(&at.hazard).filter(|(_, rise)| **rise > 0.0).map(|(day, rise)| {
        hazard += rise;
        SubdistributionStep { day: Days::new(day), cumulative_hazard: hazard }
    });
    let horizon = |&day: &Days| {
        if day.count() > records.last_tick() {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let part = Horizon { at: &at, pieces: &pieces, scores: &scores, inverse: &optimum.inverse, covariance: &scaled };
        Known::Known(part.baseline(records, day, &per_scale))
    };
    FineGrayFit {
        cause,
        coefficients: (0..size).map(coefficient).collect(),
        covariance: if enough { Known::Known(covariance.rows()) } else { Known::NotKnown(WhyNotKnown::TooFewClusters) },
        inverse_information: optimum.inverse.scaled(&per_scale).rows(),
        log_likelihood: optimum.log_likelihood,
        log_likelihood_at_zero: optimum.log_likelihood_at_zero,
        wald: test(&beta, &covariance),
        score: test(&optimum.score_at_zero, &meat(&zero_scores)),
        iterations: optimum.iterations,
        gap: optimum.gap,
        centre: records.centre.clone(),
        baseline: baseline.collect(),
        at_horizons: options.horizons.iter().map(horizon).collect(),
        variance: options.variance,
        level: options.level,
        method: options.method,
        behind: Behind {
            observations: records.exit.len() as u64,
            clusters: records.clusters_present(),
            failures: records.failures(),
        },
    }
}

/// Σ over pieces of u uᵀ.
fn meat(scores: &[Vec<f64>]) -> Symmetric {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let triangle: Vec<f64> =
        (0..scores.len()).flat_map(|k| (0..=k).map(move |l| (k, l))).map(|(k, l)| dot(&scores[k], &scores[l])).collect();
    Symmetric::of_triangle(scores.len(), triangle)
}

/// What the baseline at a horizon is made from, in units of the scaled covariates.
struct Horizon<'a> {
    at: &'a AtCoefficients<'a>,
    pieces: &'a Pieces,
    scores: &'a [Vec<f64>],
    inverse: &'a Symmetric,
    covariance: &'a Symmetric,
}

impl Horizon<'_> {
    fn baseline(&self, records: &Records, day: Days, per_scale: &[f64]) -> SubdistributionBaseline {
        let size = self.scores.len();
        let (hazard, drift) = self.at.baseline(day.count());
        let failures = records.failures_to(day.count());
        if hazard <= 0.0 {
            return SubdistributionBaseline {
                day,
                cumulative_hazard: 0.0,
                ln_variance: Known::NotKnown(WhyNotKnown::NoFailures),
                ln_covariance: vec![0.0; size],
                failures,
            };
        }
        // ln Λ moves by (a − drift·δβ)/Λ, with δβ = I⁻¹ u.
        let a = self.pieces.sum(records, self.at.baseline_influence(day.count()));
        let dot = |b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let with_beta = self.inverse.times(&self.scores.iter().map(|score| dot(score)).collect::<Vec<_>>());
        let of_drift = self.covariance.times(&drift);
        let cross: f64 = drift.iter().zip(&with_beta).map(|(drift, both)| drift * both).sum();
        let square: f64 = drift.iter().zip(&of_drift).map(|(drift, cell)| drift * cell).sum();
        let variance = (dot(&a) - 2.0 * cross + square).max(0.0) / (hazard * hazard);
        SubdistributionBaseline {
            day,
            cumulative_hazard: hazard,
            ln_variance: if self.pieces.count >= 2 {
                Known::Known(variance)
            } else {
                Known::NotKnown(WhyNotKnown::TooFewClusters)
            },
            ln_covariance: (0..size).map(|k| (with_beta[k] - of_drift[k]) / hazard * per_scale[k]).collect(),
            failures,
        }
    }
}
