//! Families of parametric models fitted to the same rows and compared.
//!
//! Formula.     The weight of a family is e^{−Δ/2} over the sum of the same of all, Δ its AIC above the least. σ = 1 in the Weibull family
//!              is the exponential one: twice the gain of ln L is χ² with one degree of freedom.
//! Source.      Akaike H. IEEE Trans Automat Contr 1974;19:716–723; weights: Burnham KP, Anderson DR. Model Selection and Multimodel
//!              Inference, 2002, 2.9 (both from memory).
//! Decided.     A family without a fit has its reason and no weight; the others share all of it. Where families tie, the one named first
//!              is told as the best.
//! Not for.     Saying that the best family is good: hold it against a curve without a family (`curve_distance`). Observations that share
//!              a mouth carry less than the criteria take them for.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox_design::CoxDesign;
use super::cox_tests::RegressionTest;
use super::log_time_family::LogTimeFamily;
use super::parametric::{InformationCriteria, ParametricOptions, ParametricProblem, Spread, parametric_regression};
use super::timed_bounds::TimedBounds;
use crate::quantity::{Fraction, Known, WhyNotKnown};

/// How well one family fits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FittedFamily {
    /// The log-likelihood.
    pub ln_likelihood: f64,
    /// Its criteria.
    pub criteria: InformationCriteria,
    /// AIC above that of the best family.
    pub aic_above_best: f64,
    /// Its weight among the families.
    pub weight: Fraction,
}

/// A family, and how well it fits or why it doesn't.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ComparedFamily {
    /// The family.
    pub family: LogTimeFamily,
    /// Its fit.
    pub fit: Known<FittedFamily>,
}

/// Families fitted to the same rows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FamilyComparison {
    /// The families in their usual order.
    pub families: Vec<ComparedFamily>,
    /// The one with the least AIC.
    pub best: Known<LogTimeFamily>,
    /// Likelihood-ratio test that the hazard is constant (σ = 1) within the Weibull family.
    pub constant_hazard_test: Known<RegressionTest>,
}

/// Fits every family to the same rows, with σ estimated.
pub fn compare_families(bounds: &TimedBounds, design: &CoxDesign, options: ParametricOptions) -> FamilyComparison {
    let options = ParametricOptions { spread: Spread::Estimated, ..options };
    let fits = LogTimeFamily::ALL.map(|family| {
        let fit = parametric_regression(bounds, design, ParametricOptions { family, ..options });
        (family, fit.map(|model| (model.regression.ln_likelihood, model.regression.criteria)))
    });
    let best = fits
        .iter()
        .filter_map(|(family, fit)| fit.as_ref().ok().map(|(_, criteria)| (*family, criteria.aic)))
        .reduce(|best, other| if other.1 < best.1 { other } else { best });
    let why_none = fits.iter().find_map(|(_, fit)| fit.as_ref().err().map(ParametricProblem::why));
    let above = |aic: f64| aic - best.map_or(0.0, |(_, least)| least);
    let share = |aic: f64| libm::exp(-0.5 * above(aic));
    let total: f64 = fits.iter().filter_map(|(_, fit)| fit.as_ref().ok()).map(|(_, criteria)| share(criteria.aic)).sum();
    let ln_likelihood = |of: LogTimeFamily| match fits.iter().find(|(family, _)| *family == of) {
        Some((_, Ok((ln_likelihood, _)))) => Known::Known(*ln_likelihood),
        Some((_, Err(why))) => Known::NotKnown(why.why()),
        None => Known::NotKnown(WhyNotKnown::NoObservations),
    };
    let constant_hazard_test = match (ln_likelihood(LogTimeFamily::Weibull), ln_likelihood(LogTimeFamily::Exponential)) {
        (Known::Known(weibull), Known::Known(exponential)) => {
            Known::Known(RegressionTest::of((2.0 * (weibull - exponential)).max(0.0), 1))
        }
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
    };
    FamilyComparison {
        families: fits
            .iter()
            .map(|(family, fit)| ComparedFamily {
                family: *family,
                fit: match fit {
                    Ok((ln_likelihood, criteria)) => Known::Known(FittedFamily {
                        ln_likelihood: *ln_likelihood,
                        criteria: *criteria,
                        aic_above_best: above(criteria.aic),
                        weight: Fraction::new(share(criteria.aic) / total),
                    }),
                    Err(why) => Known::NotKnown(why.why()),
                },
            })
            .collect(),
        best: match best {
            Some((family, _)) => Known::Known(family),
            None => Known::NotKnown(why_none.unwrap_or(WhyNotKnown::NoObservations)),
        },
        constant_hazard_test,
    }
}
