//! The E-value: how strongly something not recorded would have to act to explain an effect away.
//!
//! Definition.  The least strength of association, as a risk ratio, that an unmeasured confounder would need with both the choice of a
//!              level and the outcome, beyond what was adjusted for, to move an observed ratio to 1.
//! Formula.     For a risk ratio R ≥ 1, E = R + √(R·(R − 1)); for R < 1 that of 1/R. For an interval, that of the limit nearest to
//!              1, and 1 if the interval holds 1.
//!              Turned into a risk ratio first: a hazard ratio or odds ratio of a rare outcome is one nearly; of a common outcome a hazard
//!              ratio H gives (1 − 0.5^√H)/(1 − 0.5^√(1/H)), an odds ratio its square root; two risks give their ratio.
//! Source.      VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268–274 (table 2 for the conversions); common hazard ratios: VanderWeele TJ.
//!              Stat Med 2017;36:4061–4062 and Biometrics 2020;76:746–752 (from memory).
//! Decided.     An outcome is rare where fewer than 15 % have it by the end of follow-up; whoever asks says which it is. The limits of a
//!              difference of risks are not those of a ratio, so the interval of the ratio is asked for.
//! Cost.        None to speak of.
//! Not for.     Saying that there is no confounding: a large value says that it would have to be strong.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{Known, WhyNotKnown};

/// The scale of an effect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EffectScale {
    /// A ratio of risks (or of rates).
    RiskRatio,
    /// A ratio of hazards, of an outcome that fewer than 15 % have by the end.
    HazardRatioOfRareOutcome,
    /// A ratio of hazards, of an outcome more common than that.
    HazardRatioOfCommonOutcome,
    /// A ratio of odds, of an outcome that fewer than 15 % have by the end.
    OddsRatioOfRareOutcome,
    /// A ratio of odds, of an outcome more common than that.
    OddsRatioOfCommonOutcome,
}

impl EffectScale {
    /// The ratio as one of risks, nearly.
    fn as_risk_ratio(self, ratio: f64) -> f64 {
        match self {
            Self::RiskRatio | Self::HazardRatioOfRareOutcome | Self::OddsRatioOfRareOutcome => ratio,
            Self::OddsRatioOfCommonOutcome => libm::sqrt(ratio),
            Self::HazardRatioOfCommonOutcome => {
                // 1 − 0.5^x, without loss for small x.
                let part = |x: f64| -libm::expm1(-x * std::f64::consts::LN_2);
                part(libm::sqrt(ratio)) / part(libm::sqrt(1.0 / ratio))
            }
        }
    }
}

/// An effect as a ratio of risks, and its E-values.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EValue {
    /// The scale on which the effect was given.
    pub scale: EffectScale,
    /// The effect as a ratio of risks.
    pub risk_ratio: f64,
    /// The E-value of the estimate, at least 1.
    pub of_estimate: f64,
    /// The E-value of the limit nearest to 1; 1 where the interval holds 1.
    pub of_limit: Known<f64>,
}

/// The E-value of a ratio with its interval, if it has one.
///
/// Not known for a ratio that is not above 0 or not finite.
///
/// ```
/// use manebit::stats::{EffectScale, e_value};
///
/// // Published (VanderWeele & Ding 2017): a risk ratio of 3.9 (1.8 to 8.7) has E-values of 7.26 and 3.0.
/// let found = *e_value(EffectScale::RiskRatio, 3.9, Some((1.8, 8.7))).known().expect("a ratio");
/// assert!((found.of_estimate - 7.26).abs() < 0.005);
/// assert!((found.of_limit.known().expect("an interval") - 3.0).abs() < 0.05);
/// ```
pub fn e_value(scale: EffectScale, ratio: f64, interval: Option<(f64, f64)>) -> Known<EValue> {
    if !(ratio > 0.0 && ratio.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let of_limit = match interval {
        None => Known::NotKnown(WhyNotKnown::NoObservations),
        Some((lower, upper)) if lower.is_nan() || upper.is_nan() || lower < 0.0 || lower > upper => {
            Known::NotKnown(WhyNotKnown::NotANumber)
        }
        Some((lower, _)) if lower > 1.0 => Known::Known(of_risk_ratio(scale.as_risk_ratio(lower))),
        Some((_, upper)) if upper < 1.0 => Known::Known(of_risk_ratio(scale.as_risk_ratio(upper))),
        Some(_) => Known::Known(1.0),
    };
    let risk_ratio = scale.as_risk_ratio(ratio);
    Known::Known(EValue { scale, risk_ratio, of_estimate: of_risk_ratio(risk_ratio), of_limit })
}

/// The E-value of a difference of two risks, by their ratio, second over first; with the interval of that ratio, if it has one.
///
/// Not known where a risk is 0 or not a share.
pub fn e_value_of_risks(first: f64, second: f64, interval_of_ratio: Option<(f64, f64)>) -> Known<EValue> {
    if [first, second].iter().all(|risk| *risk > 0.0 && *risk <= 1.0) {
        e_value(EffectScale::RiskRatio, second / first, interval_of_ratio)
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    }
}

fn of_risk_ratio(ratio: f64) -> f64 {
    let ratio = if ratio < 1.0 { 1.0 / ratio } else { ratio };
    ratio + libm::sqrt(ratio * (ratio - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(scale: EffectScale, ratio: f64, interval: (f64, f64)) -> EValue {
        *e_value(scale, ratio, Some(interval)).known().expect("a ratio")
    }

    #[test]
    fn published_examples() {
        // VanderWeele & Ding, Ann Intern Med 2017;167:268–274 (from memory): infant deaths by formula feeding, RR 3.9 (1.8 to 8.7): 7.26
        // and 3.0; leukaemia by breastfeeding, RR 0.80 (0.71 to 0.91): 1.8 and 1.4 (1.81 and 1.43).
        let found = of(EffectScale::RiskRatio, 3.9, (1.8, 8.7));
        assert!((found.of_estimate - 7.26).abs() < 0.005 && (found.of_limit.known().expect("known") - 3.0).abs() < 0.005);
        let found = of(EffectScale::RiskRatio, 0.80, (0.71, 0.91));
        assert!((found.of_estimate - 1.81).abs() < 0.005 && (found.of_limit.known().expect("known") - 1.43).abs() < 0.005);
    }

    #[test]
    fn conversions_by_hand() {
        // By hand: √4 = 2, E = 2 + √2. H = 4: (1 − 0.25)/(1 − 0.5^0.5) = 0.75/0.292893218813452.
        let odds = of(EffectScale::OddsRatioOfCommonOutcome, 4.0, (0.5, 9.0));
        assert!((odds.of_estimate - 2.0 - std::f64::consts::SQRT_2).abs() < 1e-15, "absolute");
        assert_eq!(odds.of_limit, Known::Known(1.0));
        let hazard = of(EffectScale::HazardRatioOfCommonOutcome, 4.0, (2.0, 9.0));
        assert!((hazard.risk_ratio - 0.75 / (1.0 - std::f64::consts::FRAC_1_SQRT_2)).abs() < 1e-14, "absolute");
        // A ratio and its reciprocal tell the same.
        let turned = of(EffectScale::HazardRatioOfCommonOutcome, 0.25, (1.0 / 9.0, 0.5));
        assert!((turned.of_estimate - hazard.of_estimate).abs() < 1e-13, "absolute");
        assert!((turned.of_limit.known().expect("known") - hazard.of_limit.known().expect("known")).abs() < 1e-13);
        let rare = of(EffectScale::HazardRatioOfRareOutcome, 2.0, (1.5, 3.0));
        assert!((rare.of_estimate - 2.0 - std::f64::consts::SQRT_2).abs() < 1e-15, "absolute");
        let risks = *e_value_of_risks(0.1, 0.2, None).known().expect("risks");
        assert!((risks.of_estimate - rare.of_estimate).abs() < 1e-14, "absolute");
        assert_eq!(risks.of_limit, Known::NotKnown(WhyNotKnown::NoObservations));
    }

    #[test]
    fn what_is_no_ratio_has_none() {
        for ratio in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(e_value(EffectScale::RiskRatio, ratio, None), Known::NotKnown(WhyNotKnown::NotANumber));
        }
        let no_effect = of(EffectScale::RiskRatio, 1.0, (0.9, 1.1));
        assert_eq!((no_effect.of_estimate.to_bits(), no_effect.of_limit), (1.0_f64.to_bits(), Known::Known(1.0)));
        let swapped = of(EffectScale::RiskRatio, 2.0, (3.0, 1.5));
        assert_eq!(swapped.of_limit, Known::NotKnown(WhyNotKnown::NotANumber));
        assert_eq!(e_value_of_risks(0.0, 0.2, None), Known::NotKnown(WhyNotKnown::AtBoundary));
    }
}
