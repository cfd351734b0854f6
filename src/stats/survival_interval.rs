//! Pointwise confidence limits of a survival.
//!
//! Formula.     With L = ln S, σ the standard deviation of ln S and z the normal quantile of 1 − (1 − level)/2:
//!              complementary log–log S^exp(± z·σ/L); log S·exp(± z·σ); plain S ± z·S·σ; logit: ln(S/(1 − S)) ± z·σ/(1 − S);
//!              arcsine: sin²(arcsin √S ± ½·z·σ·√(S/(1 − S))), the angle cut to 0..π/2. All are cut to 0..1.
//! Source.      Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data, 1980 (complementary log–log);
//!              Borgan Ø, Liestøl K. Scand J Stat 1990;17:35–41 (arcsine); Meeker WQ, Escobar LA. Statistical Methods for
//!              Reliability Data, 1998, ch. 3 (logit); all from memory. The other two are common practice.
//! Decided.     The complementary log–log limits are the usual ones: they stay within 0..1 and hold their level best in
//!              small samples (Borgan Ø, Liestøl K. Scand J Stat 1990;17:35–41; from memory).
//!              At S = 1 nobody has failed, at S = 0 all have: no method has a spread to go by, and says so.
//! Not for.     A band that covers the whole curve at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_quantile_upper;
use super::distribution::normal_quantile_upper;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, Variance, WhyNotKnown};

/// On which scale the interval of a survival is symmetric; for an incidence F read F in place of S.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SurvivalIntervalMethod {
    /// Symmetric on ln(−ln S); for an incidence on ln(−ln(1 − F)), which is that of the survival.
    #[default]
    ComplementaryLogLog,
    /// Symmetric on ln S.
    Log,
    /// Symmetric on S.
    Plain,
    /// Symmetric on the logit, ln(S / (1 − S)).
    Logit,
    /// Symmetric on the arcsine of √S.
    ArcsineSquareRoot,
}

impl SurvivalIntervalMethod {
    /// Every method, for tables and tests that go through them all.
    pub const ALL: [Self; 5] = [Self::ComplementaryLogLog, Self::Log, Self::Plain, Self::Logit, Self::ArcsineSquareRoot];
}

impl From<SurvivalIntervalMethod> for IntervalMethod {
    fn from(method: SurvivalIntervalMethod) -> Self {
        match method {
            SurvivalIntervalMethod::ComplementaryLogLog => Self::ComplementaryLogLog,
            SurvivalIntervalMethod::Log => Self::Log,
            SurvivalIntervalMethod::Plain => Self::Plain,
            SurvivalIntervalMethod::Logit => Self::Logit,
            SurvivalIntervalMethod::ArcsineSquareRoot => Self::ArcsineSquareRoot,
        }
    }
}

/// How standard errors and intervals are built.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Inference {
    /// Whether observations of one cluster may share their fate.
    pub variance: Variance,
    /// The scale of a survival's interval.
    pub method: SurvivalIntervalMethod,
    /// The coverage that intervals are built for.
    pub level: ConfidenceLevel,
}

impl Default for Inference {
    /// Cluster-robust, because fillings share mouths; complementary log–log; 0.95.
    fn default() -> Self {
        Self {
            variance: Variance::ClusterRobust,
            method: SurvivalIntervalMethod::ComplementaryLogLog,
            level: ConfidenceLevel::USUAL,
        }
    }
}

/// The limits of `survival`, given σ (`ln_survival_deviation`), Greenwood's or a cluster-robust one.
///
/// Not known at S = 1 (no failures) and at S = 0 (at the boundary).
pub fn survival_interval(
    survival: Fraction,
    ln_survival_deviation: f64,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> Known<ConfidenceInterval<Fraction>> {
    let reach = normal_quantile_upper(level.tail()) * ln_survival_deviation;
    interval_with_reach(survival, reach, method, level)
}

/// As [`survival_interval`], with Student's t on so many degrees of freedom instead of the normal quantile.
pub fn survival_interval_by_student(
    survival: Fraction,
    ln_survival_deviation: f64,
    degrees_of_freedom: f64,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> Known<ConfidenceInterval<Fraction>> {
    let reach = student_quantile_upper(level.tail(), degrees_of_freedom) * ln_survival_deviation;
    interval_with_reach(survival, reach, method, level)
}

/// The limits that lie `reach` from ln S to either side to first order, on the scale of the method: a quantile times σ for
/// pointwise limits, something else for bands.
pub(super) fn interval_with_reach(
    survival: Fraction,
    reach: f64,
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> Known<ConfidenceInterval<Fraction>> {
    let s = survival.value();
    if s >= 1.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    if s <= 0.0 {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    let (lower, upper) = match method {
        SurvivalIntervalMethod::ComplementaryLogLog => {
            let ln_s = libm::log(s);
            let spread = libm::exp(-reach / ln_s);
            (libm::exp(ln_s * spread), libm::exp(ln_s / spread))
        }
        SurvivalIntervalMethod::Log => (s * libm::exp(-reach), s * libm::exp(reach)),
        SurvivalIntervalMethod::Plain => (s - s * reach, s + s * reach),
        SurvivalIntervalMethod::Logit => {
            let spread = libm::exp(reach / (1.0 - s));
            (s / (s + (1.0 - s) * spread), s / (s + (1.0 - s) / spread))
        }
        SurvivalIntervalMethod::ArcsineSquareRoot => {
            let angle = libm::asin(libm::sqrt(s));
            let spread = 0.5 * reach * libm::sqrt(s / (1.0 - s));
            let (low, high) = ((angle - spread).max(0.0), (angle + spread).min(std::f64::consts::FRAC_PI_2));
            (libm::sin(low) * libm::sin(low), libm::sin(high) * libm::sin(high))
        }
    };
    Known::Known(ConfidenceInterval {
        lower: Fraction::new(lower),
        upper: Fraction::new(upper),
        level,
        method: method.into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_an_end_of_the_range_there_are_no_limits() {
        for method in SurvivalIntervalMethod::ALL {
            let limits = |s| survival_interval(Fraction::new(s), 0.0, method, ConfidenceLevel::USUAL);
            assert_eq!(limits(1.0), Known::NotKnown(WhyNotKnown::NoFailures));
            assert_eq!(limits(0.0), Known::NotKnown(WhyNotKnown::AtBoundary));
        }
    }

    #[test]
    fn plain_limits_are_cut_to_the_range() {
        // By hand: S = 9/10, σ² = 1/90, so S·σ = √0.009 and 0.9 + 1.959963984540054 · √0.009 exceeds 1.
        let limits = survival_interval(
            Fraction::new(0.9),
            libm::sqrt(1.0 / 90.0),
            SurvivalIntervalMethod::Plain,
            ConfidenceLevel::USUAL,
        );
        let limits = limits.known().expect("defined");
        assert!((limits.lower.value() - (0.9 - 1.959_963_984_540_054 * libm::sqrt(0.009))).abs() < 1e-15, "absolute");
        assert_eq!(limits.upper, Fraction::new(1.0));
    }
}
