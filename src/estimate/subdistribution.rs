//! Regression of the subdistribution hazard of the failure, other causes competing.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::causes::causes_of;
use super::covariates::{Terms, terms};
use super::data::Data;
use super::section::{Section, digits, p_value, why_not_known};
use crate::quantity::{Known, Variance, WhyNotKnown};
use crate::stats::{FineGrayOptions, ObservationsByCause, RegressionTest, SubdistributionCoefficient, fine_gray};
use crate::wording::counted;

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
}

/// Regression of the subdistribution hazard of the failure.
///
/// # Errors
/// When there are no covariates.
pub fn subdistribution(asked: &Asked, data: &Data) -> Result<SubdistributionRegression, String> {
    let Terms { names, columns, observations, causes, left_out, .. } = terms(asked, data)?;
    let by_cause = ObservationsByCause::new(&observations, &causes, causes_of(data)).map_err(|error| error.to_string())?;
    let options =
        FineGrayOptions { variance: asked.variance, level: asked.level, method: asked.scale, ..FineGrayOptions::default() };
    let fit = fine_gray(&by_cause, 1, &columns, &options);
    let why = |failure: &crate::stats::FineGrayFailure| failure.why;
    fn take<T>(
        fit: &Result<crate::stats::FineGrayFit, crate::stats::FineGrayFailure>,
        part: impl FnOnce(&crate::stats::FineGrayFit) -> Known<T>,
        why: impl Fn(&crate::stats::FineGrayFailure) -> WhyNotKnown,
    ) -> Known<T> {
        match fit {
            Ok(fit) => part(fit),
            Err(failure) => Known::NotKnown(why(failure)),
        }
    }
    Ok(SubdistributionRegression {
        cause: data.cause_labels.first().cloned().unwrap_or_default(),
        rows: observations.len() as u64,
        left_out,
        coefficients: take(&fit, |fit| Known::Known(fit.coefficients.clone()), why),
        covariance: take(&fit, |fit| fit.covariance.clone(), why),
        log_likelihood: take(&fit, |fit| Known::Known([fit.log_likelihood, fit.log_likelihood_at_zero]), why),
        wald: take(&fit, |fit| fit.wald, why),
        score: take(&fit, |fit| fit.score, why),
        in_the_way: fit.err().and_then(|failure| failure.covariate).and_then(|place| names.get(place).cloned()),
        names,
        variance: asked.variance,
    })
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
    vec![section]
}
