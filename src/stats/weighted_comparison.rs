//! Two levels compared with weights from propensities: survival, mean time in place, hazard ratio.
//!
//! Definition.  Each level's weighted survival curve (product-limit with sums of weights); its contrasts at horizons and in the
//!              restricted mean; and the proportional hazards model of the second level against the first, weighted, whose score test
//!              takes the place of a log-rank test.
//! Variance.    Cluster-robust, with the weights taken as they are: influences times weights, summed by cluster. That estimated weights
//!              vary, too, makes it too large for those of all (plain, stabilised), as a rule; of other weights it may be either.
//! Source.      Xie J, Liu C. Stat Med 2005;24:3089–3110 (curves); Cole SR, Hernán MA. Comput Methods Programs Biomed 2004;75:45–49; robust:
//!              Binder DA. Biometrika 1992;79:139–147 (all from memory).
//! Decided.     An observation of weight 0 takes no part and is not behind the result. Only the two levels named take part.
//! Measured.    As in `reweighted_bootstrap`: robust limits held the truth in 95.2 % with 60 patients and with 200; without weights in 62 and
//!              12 %.
//! Cost.        That of the parts.
//! Not for.     Intervals that know that propensities were estimated: see `reweighted_bootstrap`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::cox::{CoxCoefficient, CoxModel, CoxOptions, CoxProblem, cox_regression};
use super::cox_design::{Covariate, CoxDesign};
use super::cox_tests::RegressionTest;
use super::grouping::Grouping;
use super::observation::Observations;
use super::restricted_mean_contrast::{RestrictedMeanContrast, restricted_mean_contrast};
use super::survival_contrast::{SurvivalContrast, survival_contrast};
use crate::quantity::{ConfidenceLevel, Days, Known, Variance, WhyNotKnown};

/// What is compared, and where it is read.
#[derive(Clone, Copy, Debug)]
pub struct LevelComparison<'a> {
    /// The level that is compared with.
    pub first: u16,
    /// The level that is compared.
    pub second: u16,
    /// The ticks at which survival is read.
    pub horizons: &'a [Days],
    /// What ticks stand for.
    pub axis: &'a Axis,
    /// The times up to which mean time in place is read, in the unit of the axis.
    pub mean_horizons: &'a [f64],
}

/// A weighted hazard ratio, second level over first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightedHazardRatio {
    /// The coefficient and its ratio.
    pub coefficient: CoxCoefficient,
    /// The robust score test.
    pub score_test: Known<RegressionTest>,
}

/// Two levels compared with weights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightedComparison {
    /// Survival at each horizon, second level less first.
    pub survival: Vec<Known<SurvivalContrast>>,
    /// Mean time in place up to each horizon.
    pub restricted_means: Vec<Known<RestrictedMeanContrast>>,
    /// The hazard ratio.
    pub hazard_ratio: Known<WeightedHazardRatio>,
}

/// The observations of each level, case weights times these weights; those of weight 0 are left out. Any estimator takes them.
pub fn weighted_by_level(observations: &Observations, levels: &Grouping, weights: &[f64]) -> Vec<Observations> {
    (0..levels.levels()).map(|level| of_level(observations, levels, weights, level)).collect()
}

/// The observations of one level with their weights.
pub(super) fn of_level(observations: &Observations, levels: &Grouping, weights: &[f64], level: u16) -> Observations {
    let here = |(&code, &weight): (&u16, &f64)| if code == level { weight } else { 0.0 };
    let factors: Vec<f64> = levels.codes().iter().zip(weights).map(here).collect();
    observations.weighted_by(&factors).0
}

/// Compares two levels.
pub fn weighted_comparison(
    observations: &Observations,
    levels: &Grouping,
    weights: &[f64],
    compared: LevelComparison<'_>,
    confidence: ConfidenceLevel,
) -> WeightedComparison {
    let first = of_level(observations, levels, weights, compared.first);
    let second = of_level(observations, levels, weights, compared.second);
    let robust = Variance::ClusterRobust;
    let mean = |&horizon: &f64| restricted_mean_contrast(&first, &second, compared.axis, horizon, robust, confidence);
    let options = CoxOptions { level: confidence, ..CoxOptions::default() };
    let of_model = |model: &CoxModel<'_>| {
        let coefficient = model.regression.coefficients.first().cloned();
        let robust = model.regression.cluster_robust.as_ref().map(|robust| robust.score_test);
        coefficient.zip(robust).map(|(coefficient, score_test)| WeightedHazardRatio { coefficient, score_test })
    };
    let hazard_ratio = match with_hazard_model(observations, levels, weights, compared, options, of_model) {
        Ok(Some(ratio)) => Known::Known(ratio),
        Ok(None) => Known::NotKnown(WhyNotKnown::TooFewGroups),
        Err(problem) => Known::NotKnown(problem.why()),
    };
    WeightedComparison {
        survival: survival_contrast(&first, &second, compared.horizons, robust, confidence),
        restricted_means: compared.mean_horizons.iter().map(mean).collect(),
        hazard_ratio,
    }
}

/// Reads the weighted hazard model of the second level against the first.
pub(super) fn with_hazard_model<T>(
    observations: &Observations,
    levels: &Grouping,
    weights: &[f64],
    compared: LevelComparison<'_>,
    options: CoxOptions,
    read: impl FnOnce(&CoxModel<'_>) -> T,
) -> Result<T, CoxProblem> {
    let taking_part = |(&code, &weight): (&u16, &f64)| {
        if code == compared.first || code == compared.second { weight } else { 0.0 }
    };
    let factors: Vec<f64> = levels.codes().iter().zip(weights).map(taking_part).collect();
    let (both, rows) = observations.weighted_by(&factors);
    let second = rows.iter().map(|&row| f64::from(u8::from(levels.codes()[row as usize] == compared.second))).collect();
    let design = CoxDesign::new(vec![Covariate::number("second level", second)]).map_err(|_| CoxProblem::LengthsDiffer)?;
    let model = cox_regression(&both, &design, None, options)?;
    Ok(read(&model))
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn weights_of_one_are_the_crude_comparison_and_a_level_alone_has_none() {
        let (observations, levels) = ten_rows::grouped();
        let compared =
            LevelComparison { first: 0, second: 1, horizons: &[Days::new(5)], axis: &Axis::Days, mean_horizons: &[5.0] };
        let found = weighted_comparison(&observations, &levels, &[1.0; 10], compared, ConfidenceLevel::USUAL);
        // By hand on day 5: A 3/5, B 3/4 (see `survival_contrast`); means 4.2 and 4.75.
        let survival = found.survival[0].known().expect("known").difference.estimate.value;
        assert!((survival - 0.15).abs() < 1e-14, "absolute: {survival}");
        let mean = found.restricted_means[0].known().expect("known").difference.estimate.value;
        assert!((mean - 0.55).abs() < 1e-14, "absolute: {mean}");
        assert!(found.hazard_ratio.known().expect("known").score_test.known().is_some());
        let only_first: Vec<f64> = levels.codes().iter().map(|&code| f64::from(u8::from(code == 0))).collect();
        let alone = weighted_comparison(&observations, &levels, &only_first, compared, ConfidenceLevel::USUAL);
        assert_eq!(alone.hazard_ratio, Known::NotKnown(WhyNotKnown::Collinear));
        assert_eq!(alone.survival[0], Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
