//! Regression of the subdistribution hazard of the failure, other causes competing.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::causes::causes_of;
use super::covariates::{Terms, profile, profile_numbers, terms};
use super::data::Data;
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::{Estimate, Fraction, Known, Variance, WhyNotKnown};
use crate::stats::{
    CensoringReading, FineGrayFailure, FineGrayOptions, ObservationsByCause, RegressionTest, SubdistributionCoefficient,
    SubdistributionStep, WeightInfluence, fine_gray,
};
use crate::wording::counted;

/// Cumulative incidence predicted for the profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PredictedIncidence {
    /// The time.
    pub time: f64,
    /// Cumulative incidence of the cause.
    pub incidence: Known<Estimate<Fraction>>,
}

/// A step of the baseline.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionPoint {
    /// The time.
    pub time: f64,
    /// Cumulative subdistribution hazard of one whose covariates are at the centre.
    pub cumulative_hazard: f64,
}

/// How the fit was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionFit {
    /// Who can be censored at a time at which others end.
    pub censoring_reading: CensoringReading,
    /// How the estimated weights enter the variance.
    pub weight_influence: WeightInfluence,
    /// How many iterations it took.
    pub iterations: u32,
    /// The score left at the end, in parts of its deviation.
    pub gap: f64,
    /// The (weighted) mean of each column, which is the centre.
    pub centre: Vec<f64>,
    /// The inverse of the information: the covariance if the weights were known and the model held exactly.
    pub inverse_information: Vec<Vec<f64>>,
}

/// A fitted regression of the subdistribution hazard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubdistributionRegression {
    /// The cause.
    pub cause: String,
    /// Rows with all covariates.
    pub rows: u64,
    /// Rows left out because a covariate is missing.
    pub left_out: u64,
    /// Names of the coefficients.
    pub names: Vec<String>,
    /// The coefficients, or why there are none.
    pub coefficients: Known<Vec<SubdistributionCoefficient>>,
    /// Their covariance.
    pub covariance: Known<Vec<Vec<f64>>>,
    /// Logarithm of the partial likelihood at the coefficients, and with none.
    pub log_likelihood: Known<[f64; 2]>,
    /// Wald's test of all.
    pub wald: Known<RegressionTest>,
    /// The score test of all.
    pub score: Known<RegressionTest>,
    /// The covariate that stands in the way, where there is no fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_the_way: Option<String>,
    /// The variance behind it.
    pub variance: Variance,
    /// How the fit was found, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit: Option<SubdistributionFit>,
    /// Incidence predicted for the profile, if one is given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub predicted: Vec<PredictedIncidence>,
    /// The steps of the baseline, if curves are asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub baseline: Option<Vec<SubdistributionPoint>>,
}

/// Regression of the subdistribution hazard of the failure.
///
/// # Errors
/// When there are no covariates, or the profile doesn't fit them.
pub fn subdistribution(asked: &Asked, data: &Data) -> Result<SubdistributionRegression, String> {
    let Terms { names, columns, observations, causes, censoring_strata, left_out } = terms(asked, data)?;
    let profile = profile(asked, data)?.map(|profile| profile_numbers(asked, data, &profile)).transpose()?;
    let by_cause = ObservationsByCause::new(&observations, &causes, causes_of(data)).map_err(|error| error.to_string())?;
    let horizons = if profile.is_some() { data.ticks(asked) } else { Vec::new() };
    let options = FineGrayOptions {
        censoring: asked.censoring_reading,
        censoring_strata: censoring_strata.as_ref(),
        variance: asked.variance,
        weight_influence: asked.weight_influence,
        level: asked.level,
        method: asked.scale,
        horizons: &horizons,
    };
    let mut answer = SubdistributionRegression {
        cause: data.cause_labels.first().cloned().unwrap_or_default(),
        rows: observations.len() as u64,
        left_out,
        names,
        coefficients: Known::NotKnown(WhyNotKnown::NotConverged),
        covariance: Known::NotKnown(WhyNotKnown::NotConverged),
        log_likelihood: Known::NotKnown(WhyNotKnown::NotConverged),
        wald: Known::NotKnown(WhyNotKnown::NotConverged),
        score: Known::NotKnown(WhyNotKnown::NotConverged),
        in_the_way: None,
        variance: asked.variance,
        fit: None,
        predicted: Vec::new(),
        baseline: None,
    };
    match fine_gray(&by_cause, 1, &columns, &options) {
        Err(FineGrayFailure { why, covariate, .. }) => {
            (answer.coefficients, answer.covariance) = (Known::NotKnown(why), Known::NotKnown(why));
            answer.log_likelihood = Known::NotKnown(why);
            (answer.wald, answer.score) = (Known::NotKnown(why), Known::NotKnown(why));
            answer.in_the_way = covariate.and_then(|place| answer.names.get(place).cloned());
        }
        Ok(fit) => {
            if let Some(profile) = &profile {
                let each = asked.at.iter().zip(fit.predicted_incidence(profile));
                answer.predicted = each.map(|(&time, incidence)| PredictedIncidence { time, incidence }).collect();
            }
            answer.baseline = asked.curves.then(|| {
                let point = |step: &SubdistributionStep| SubdistributionPoint {
                    time: data.axis.time(step.day.count()),
                    cumulative_hazard: step.cumulative_hazard,
                };
                fit.baseline.iter().map(point).collect()
            });
            answer.log_likelihood = Known::Known([fit.log_likelihood, fit.log_likelihood_at_zero]);
            (answer.wald, answer.score) = (fit.wald, fit.score);
            answer.fit = Some(SubdistributionFit {
                censoring_reading: asked.censoring_reading,
                weight_influence: asked.weight_influence,
                iterations: fit.iterations,
                gap: fit.gap,
                centre: fit.centre,
                inverse_information: fit.inverse_information,
            });
            answer.coefficients = Known::Known(fit.coefficients);
            answer.covariance = fit.covariance;
        }
    }
    Ok(answer)
}

/// The regression as readable tables.
pub fn subdistribution_sections(asked: &Asked, fit: &SubdistributionRegression) -> Vec<Section> {
    let head = format!("{} % interval of the ratio", digits(asked.level.value() * 100.0, 4));
    let mut section = Section::new(
        format!("Regression of the subdistribution hazard of {} (Fine–Gray)", fit.cause),
        &["covariate", "coefficient", "s.e.", "hazard ratio", &head, "p"],
    );
    match &fit.coefficients {
        Known::NotKnown(why) => {
            let which = fit.in_the_way.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
            section.note(format!("No fit: {}{which}.", why_not_known(*why)));
        }
        Known::Known(coefficients) => {
            for (name, one) in fit.names.iter().zip(coefficients) {
                section.row(vec![
                    name.clone(),
                    digits(one.coefficient, 6),
                    one.standard_error.known().map_or_else(String::new, |error| digits(*error, 5)),
                    digits(one.hazard_ratio, 5),
                    match one.hazard_ratio_interval {
                        Known::Known(limits) => format!("{} to {}", digits(limits.lower, 5), digits(limits.upper, 5)),
                        Known::NotKnown(why) => why_not_known(why).to_owned(),
                    },
                    match one.test {
                        Known::Known(test) => p_value(test.p_value, test.ln_p_value),
                        Known::NotKnown(why) => why_not_known(why).to_owned(),
                    },
                ]);
            }
        }
    }
    section.note(format!("{}; {} left out because a covariate is missing.", counted(fit.rows, "row", "rows"), fit.left_out));
    if asked.censoring_reading == CensoringReading::EndingsFirst {
        section.note("At one time endings come before censorings: those that end can't be censored then.");
    }
    if let Some(column) = &asked.roles.censoring_stratum {
        section.note(format!("Censoring estimated within each {column}."));
    }
    let mut sections = vec![section];
    if !fit.predicted.is_empty() {
        let head = interval_head(asked.level);
        let title = format!("Cumulative incidence of {} predicted for the profile", fit.cause);
        let mut predicted = Section::new(title, &["time", "incidence", "s.e.", &head]);
        for one in &fit.predicted {
            let mut cells = vec![digits(one.time, 6)];
            cells.extend(estimate_cells(&one.incidence, Fraction::value));
            predicted.row(cells);
        }
        sections.push(predicted);
    }
    sections
}
