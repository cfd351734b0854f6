//! Pointwise confidence limits of a cumulative incidence.
//!
//! Formula.     With F the incidence, s its standard error and z the normal quantile of 1 − (1 − level)/2, limits symmetric on
//!              ln(−ln(1 − F)): deviation s / ((1 − F)·|ln(1 − F)|); ln F: s/F; F itself: s; logit ln(F/(1 − F)): s/(F(1 − F));
//!              arcsine √F: s / (2·√(F(1 − F))). All are cut to 0..1.
//! Source.      The delta method; complementary log–log: Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time
//!              Data, 1980 (from memory).
//! Decided.     The complementary log–log scale is that of 1 − F, as for a survival: without competing endings the limits are
//!              one less those of the product-limit estimate. Software often uses ln(−ln F) instead, which is another scale.
//!              The methods are those of a survival with F in place of S, so `Log` is symmetric on ln F, not on ln(1 − F).
//!              At F = 0 nobody has ended by the cause and at F = 1 all have: no method has a spread to go by, and says so.
//! Not for.     A band that covers the whole curve at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::distribution::normal_quantile_upper;
use super::survival_interval::{SurvivalIntervalMethod, interval_with_reach};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, Variance, WhyNotKnown};

/// Which variance of a cumulative incidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IncidenceVariance {
    /// Influences on F summed by cluster.
    ClusterRobust,
    /// Multinomial on each tick, carried on by the delta method; every observation counts as independent. Without competing
    /// endings it is Greenwood's.
    Multinomial,
    /// From the martingales of each cause (Aalen), a little larger in small samples; every observation counts as independent.
    Aalen,
}

impl From<IncidenceVariance> for Variance {
    fn from(variance: IncidenceVariance) -> Self {
        match variance {
            IncidenceVariance::ClusterRobust => Self::ClusterRobust,
            IncidenceVariance::Multinomial | IncidenceVariance::Aalen => Self::ModelBased,
        }
    }
}

/// How standard errors and intervals of an incidence are built.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidenceInference {
    /// The variance.
    pub variance: IncidenceVariance,
    /// The scale of the interval.
    pub method: SurvivalIntervalMethod,
    /// The coverage that intervals are built for.
    pub level: ConfidenceLevel,
}

impl Default for IncidenceInference {
    /// Cluster-robust, because fillings share mouths; complementary log–log; 0.95.
    fn default() -> Self {
        Self {
            variance: IncidenceVariance::ClusterRobust,
            method: SurvivalIntervalMethod::ComplementaryLogLog,
            level: ConfidenceLevel::USUAL,
        }
    }
}

/// The limits of `incidence`, given its standard error.
///
/// Not known at F = 0 (no failures) and at F = 1 (at the boundary).
pub fn incidence_interval(
    incidence: Fraction,
    standard_error: f64,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> Known<ConfidenceInterval<Fraction>> {
    let f = incidence.value();
    if f <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    if f >= 1.0 {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    let reach = normal_quantile_upper(level.tail()) * standard_error;
    if method != SurvivalIntervalMethod::ComplementaryLogLog {
        return interval_with_reach(incidence, reach / f, method, level);
    }
    // From F itself: 1 − F would lose the digits of a small one.
    let hazard = -libm::log1p(-f);
    let spread = libm::exp(reach / ((1.0 - f) * hazard));
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(-libm::expm1(-hazard / spread)),
        upper: Fraction::new(-libm::expm1(-hazard * spread)),
        level,
        method: method.into(),
    })
}

#[cfg(test)]
mod tests {
    use super::super::survival_interval::survival_interval;
    use super::*;

    #[test]
    fn at_an_end_of_the_range_there_are_no_limits() {
        for method in SurvivalIntervalMethod::ALL {
            let limits = |f| incidence_interval(Fraction::new(f), 0.1, method, ConfidenceLevel::USUAL);
            assert_eq!(limits(0.0), Known::NotKnown(WhyNotKnown::NoFailures));
            assert_eq!(limits(1.0), Known::NotKnown(WhyNotKnown::AtBoundary));
        }
    }

    #[test]
    fn limits_enclose_the_estimate_and_stay_in_range_however_wide() {
        for method in SurvivalIntervalMethod::ALL {
            for f in [1e-6, 0.02, 0.5, 0.97] {
                for error in [1e-9, 0.01, 0.3, 50.0] {
                    let limits = incidence_interval(Fraction::new(f), error, method, ConfidenceLevel::USUAL);
                    let limits = *limits.known().expect("inside");
                    assert!(limits.lower.value() < f && f < limits.upper.value(), "{method:?} {f} {error}: {limits:?}");
                }
            }
        }
    }

    #[test]
    fn on_the_complementary_log_log_scale_they_are_one_less_those_of_the_survival() {
        let (f, error) = (0.325, 0.12);
        let method = SurvivalIntervalMethod::ComplementaryLogLog;
        let ours = incidence_interval(Fraction::new(f), error, method, ConfidenceLevel::USUAL);
        let s = Fraction::new(1.0 - f);
        let its = survival_interval(s, error / s.value(), method, ConfidenceLevel::USUAL);
        let (ours, its) = (ours.known().expect("inside"), its.known().expect("inside"));
        assert!((ours.lower.value() + its.upper.value() - 1.0).abs() < 1e-15, "absolute");
        assert!((ours.upper.value() + its.lower.value() - 1.0).abs() < 1e-15, "absolute");
    }
}
