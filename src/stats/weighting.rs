//! Which failures weigh most in a log-rank test: the early ones, the late ones, or all the same.
//!
//! Formula.     On a tick with d failures among n at risk, both over all groups of the stratum (sums of case weights):
//!              log-rank 1; Gehan n; Tarone–Ware √n; Peto–Peto S̃ = product of (1 − d/(n + 1)) up to and with the tick; modified
//!              Peto–Peto S̃·n/(n + 1); Fleming–Harrington S^ρ·(1 − S)^γ with S the product-limit estimate just before the tick.
//! Source.      Gehan EA. Biometrika 1965;52:203–223; Tarone RE, Ware J. Biometrika 1977;64:156–160; Peto R, Peto J. J R Stat Soc A
//!              1972;135:185–207; modified: Andersen PK et al. Int Stat Rev 1982;50:219–258; Fleming TR, Harrington DP. Commun Stat
//!              Theory Methods 1981;10:763–794 (all from memory); forms as in Klein JP, Moeschberger ML, 2003, table 7.3.
//! Decided.     0⁰ is 1, so that Fleming–Harrington(0, 0) is the log-rank test on every tick. Within strata each stratum has its
//!              own S, S̃ and n. Where all at risk have failed, S stays 0 for those who enter later.
//! Not for.     A weighting chosen after seeing the curves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An exponent of a Fleming–Harrington weight: a number of 0 or above.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "f64", into = "f64")]
#[schemars(with = "f64")]
pub struct Exponent(f64);

impl Exponent {
    /// 0: the factor is 1.
    pub const ZERO: Self = Self(0.0);
    /// 1: the factor is S, or 1 − S.
    pub const ONE: Self = Self(1.0);

    /// The exponent `value`; none unless it is a number of 0 or above.
    pub fn new(value: f64) -> Option<Self> {
        (value >= 0.0 && value.is_finite()).then_some(Self(value))
    }

    /// The exponent as a number.
    pub const fn value(self) -> f64 {
        self.0
    }
}

impl TryFrom<f64> for Exponent {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        Self::new(value).ok_or_else(|| format!("an exponent is a number of 0 or above; this is {value}"))
    }
}

impl From<Exponent> for f64 {
    fn from(exponent: Exponent) -> Self {
        exponent.0
    }
}

/// How a weighted log-rank test weighs the failures of a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weighting {
    /// All the same: most powerful when the hazards are proportional.
    #[default]
    LogRank,
    /// By the number at risk. How censoring fell decides the weights too.
    Gehan,
    /// By the square root of the number at risk.
    TaroneWare,
    /// By an estimate of survival; early failures weigh more, whatever the censoring.
    PetoPeto,
    /// As before, times n/(n + 1).
    ModifiedPetoPeto,
    /// S^ρ·(1 − S)^γ: (1, 0) for early differences, (0, 1) for late ones, (1, 1) for those in between.
    FlemingHarrington {
        /// The exponent of survival.
        rho: Exponent,
        /// The exponent of cumulative failure.
        gamma: Exponent,
    },
}

impl Weighting {
    /// The weight of each row of one stratum, of which are given the numbers at risk, failing, and at risk but not failing.
    pub(super) fn of_rows(self, rows: impl Iterator<Item = (f64, f64, f64)>, mut give: impl FnMut(f64)) {
        let (mut survival, mut shrunk) = (1.0, 1.0);
        for (n, d, left) in rows {
            shrunk *= (n + 1.0 - d) / (n + 1.0);
            give(match self {
                Self::LogRank => 1.0,
                Self::Gehan => n,
                Self::TaroneWare => n.sqrt(),
                Self::PetoPeto => shrunk,
                Self::ModifiedPetoPeto => shrunk * n / (n + 1.0),
                Self::FlemingHarrington { rho, gamma } => power(survival, rho) * power(1.0 - survival, gamma),
            });
            if d > 0.0 {
                survival *= left / n;
            }
        }
    }
}

fn power(base: f64, exponent: Exponent) -> f64 {
    libm::pow(base, exponent.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weights(weighting: Weighting) -> Vec<f64> {
        // The ten rows: at risk 10, 8, 5, 4; failing 1, 2, 1, 2.
        let rows = [(10.0, 1.0, 9.0), (8.0, 2.0, 6.0), (5.0, 1.0, 4.0), (4.0, 2.0, 2.0)];
        let mut weights = Vec::new();
        weighting.of_rows(rows.into_iter(), |weight| weights.push(weight));
        weights
    }

    #[test]
    fn ten_rows_by_hand() {
        // By hand: S just before 1, 9/10, 27/40, 27/50; S̃ 10/11, 70/99, 350/594, 1050/2970.
        let fleming_harrington = |rho, gamma| {
            let exponent = |value| Exponent::new(value).expect("not below 0");
            Weighting::FlemingHarrington { rho: exponent(rho), gamma: exponent(gamma) }
        };
        for (weighting, expected) in [
            (Weighting::LogRank, [1.0; 4]),
            (Weighting::Gehan, [10.0, 8.0, 5.0, 4.0]),
            (Weighting::TaroneWare, [10.0_f64.sqrt(), 8.0_f64.sqrt(), 5.0_f64.sqrt(), 2.0]),
            (Weighting::PetoPeto, [10.0 / 11.0, 70.0 / 99.0, 350.0 / 594.0, 1050.0 / 2970.0]),
            (Weighting::ModifiedPetoPeto, [100.0 / 121.0, 560.0 / 891.0, 1750.0 / 3564.0, 4200.0 / 14850.0]),
            (fleming_harrington(1.0, 0.0), [1.0, 0.9, 0.675, 0.54]),
            (fleming_harrington(0.0, 1.0), [0.0, 0.1, 0.325, 0.46]),
            (fleming_harrington(0.0, 0.0), [1.0; 4]),
            (fleming_harrington(2.0, 1.0), [0.0, 0.081, 0.675 * 0.675 * 0.325, 0.54 * 0.54 * 0.46]),
        ] {
            for (weight, expected) in weights(weighting).into_iter().zip(expected) {
                assert!((weight - expected).abs() < 1e-14, "absolute: {weighting:?} {weight} against {expected}");
            }
        }
    }

    #[test]
    fn an_exponent_below_zero_is_refused() {
        assert_eq!((Exponent::new(-0.1), Exponent::new(f64::NAN), Exponent::new(f64::INFINITY)), (None, None, None));
        assert_eq!(Exponent::new(0.5).map(Exponent::value), Some(0.5));
    }
}
