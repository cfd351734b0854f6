//! The baseline hazard of a proportional hazards model, and survival predicted for given covariates.
//!
//! Legend.      Λ0 cumulates the increments Σ_l w̄/S0_l of `cox_likelihood`, Q the sums q0 = Σ_l w̄/S0_l², A the sums Σ_l w̄·x̄_l/S0_l, over
//!              the places of a stratum up to a tick.
//! Formula.     S(t | x) = exp(−e^{xβ}·Λ0(t)).
//! Variance.    Of ln S(t | x), with a = x·Λ0(t) − A(t). Model-based: e^{2xβ}·(Q(t) + aᵀ·I⁻¹·a). Cluster-robust: the influence of row i
//!              is −e^{xβ}·(φ_i(t) + aᵀ·I⁻¹·u_i), with φ_i its own effect on Λ0(t) at fixed β, [failed by t]·w/S0 − e_i·Q over the
//!              places up to t on which it is at risk (Efron's ties with their factors), and u_i its score residual; summed by cluster.
//! Source.      Breslow NE. Biometrics 1974;30:89–99; Tsiatis AA. Ann Stat 1981;9:93–108; Efron's form: Therneau & Grambsch 2000,
//!              ch. 10; influence: Reid N, Crépeau H. Biometrika 1985;72:1–9 (all from memory).
//! Decided.     Hazards are consistent with the treatment of ties; with exact ties they are Breslow's. The baseline is that of
//!              covariates at 0 and factors at their reference, as far from the data as that may lie. Past the last follow-up of a
//!              stratum nothing is known.
//! Cost.        O(observations·columns) and O(rows of the stratum) for each horizon.
//! Not for.     Curves of groups in the mix of covariates that they have: see `cox_adjusted`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::CoxModel;
use super::cox_design::{Column, CovariateValues};
use super::cox_influence::Influence;
use super::survival_interval::{SurvivalIntervalMethod, survival_interval};
use crate::quantity::{Days, Estimate, Fraction, Known, Variance, WhyNotKnown};

/// A tick on which the baseline rises.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BaselineStep {
    /// The tick.
    pub tick: Days,
    /// The cumulative hazard after it.
    pub cumulative_hazard: f64,
    /// The survival after it.
    pub survival: Fraction,
}

/// The value of a covariate that a prediction is for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProfileValue {
    /// A number.
    Number(f64),
    /// The code of a level.
    Level(u16),
}

/// A place up to which sums are read, and the sums there.
pub(super) struct UpTo {
    /// The first place of the stratum.
    pub(super) first: usize,
    /// One more than the last place at or before the tick; `first` when there is none.
    pub(super) end: usize,
    pub(super) hazard: f64,
    pub(super) means: Vec<f64>,
}

impl CoxModel<'_> {
    /// The baseline of a stratum (0 without strata), for covariates at 0 and factors at their reference.
    ///
    /// Empty for a stratum without failures.
    pub fn baseline(&self, stratum: u16) -> Vec<BaselineStep> {
        let Some((first, end)) = self.places_of(stratum) else { return Vec::new() };
        let from_centre: f64 =
            self.beta.iter().zip(&self.sets.centre).zip(&self.sets.scale).map(|((b, c), s)| b * c / s).sum();
        let factor = libm::exp(-from_centre);
        let mut sum = 0.0;
        (first..end)
            .map(|place| {
                sum += self.at.terms[place].hazard;
                let cumulative_hazard = factor * sum;
                BaselineStep {
                    tick: Days::new(self.sets.places[place].tick),
                    cumulative_hazard,
                    survival: Fraction::new(libm::exp(-cumulative_hazard)),
                }
            })
            .collect()
    }

    /// Survival at each horizon predicted for a profile: a value for each covariate, in their order; in a stratum (0 without).
    ///
    /// Not known past the last follow-up in the stratum, for a profile that doesn't fit the covariates (not a number), and for a
    /// level without a coefficient. The variance is that of the fit.
    pub fn predicted_survival(
        &self,
        profile: &[ProfileValue],
        stratum: u16,
        horizons: &[Days],
        method: SurvivalIntervalMethod,
    ) -> Vec<Known<Estimate<Fraction>>> {
        let Some(x) = self.profile_columns(profile) else {
            return vec![Known::NotKnown(WhyNotKnown::NotANumber); horizons.len()];
        };
        let influence = (self.options.variance == Variance::ClusterRobust).then(|| Influence::of(self));
        let risk = libm::exp(x.iter().zip(&self.beta).map(|(x, beta)| x * beta).sum());
        let predict = |&horizon: &Days| {
            let up_to = match self.up_to(stratum, horizon) {
                Known::Known(up_to) => up_to,
                Known::NotKnown(why) => return Known::NotKnown(why),
            };
            let survival = Fraction::new(libm::exp(-risk * up_to.hazard));
            let a: Vec<f64> = x.iter().zip(&up_to.means).map(|(x, mean)| x * up_to.hazard - mean).collect();
            let carried = self.inverse.times(&a);
            let error = match &influence {
                _ if up_to.end == up_to.first => Known::NotKnown(WhyNotKnown::NoFailures),
                Some(_) if self.sets.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
                None => {
                    let q: f64 = self.at.terms[up_to.first..up_to.end].iter().map(|terms| terms.q0).sum();
                    let from_beta: f64 = a.iter().zip(&carried).map(|(a, c)| a * c).sum();
                    Known::Known(risk * libm::sqrt(q + from_beta))
                }
                Some(influence) => {
                    let mut sums = influence.by_coefficients(&carried);
                    influence.add_baseline(up_to.first, &vec![1.0; up_to.end - up_to.first], &mut sums);
                    Known::Known(risk * libm::sqrt(sums.iter().map(|sum| sum * sum).sum()))
                }
            };
            let interval = match error {
                Known::Known(error) => survival_interval(survival, error, method, self.options.level),
                Known::NotKnown(why) => Known::NotKnown(why),
            };
            Known::Known(Estimate {
                value: survival,
                standard_error: error.known().map(|error| survival.value() * error),
                variance: self.options.variance,
                interval,
                behind: self.sets.behind,
            })
        };
        horizons.iter().map(predict).collect()
    }

    pub(super) fn places_of(&self, stratum: u16) -> Option<(usize, usize)> {
        let starts = &self.sets.stratum_starts;
        let stratum = usize::from(stratum);
        (stratum + 1 < starts.len()).then(|| (starts[stratum], starts[stratum + 1]))
    }

    /// Sums of a stratum up to a horizon.
    pub(super) fn up_to(&self, stratum: u16, horizon: Days) -> Known<UpTo> {
        let (Some((first, end)), true) = (self.places_of(stratum), self.followed_to(stratum, horizon)) else {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        };
        let end = first + self.sets.places[first..end].partition_point(|place| place.tick <= horizon.count());
        let width = self.sets.width();
        let (mut hazard, mut means) = (0.0, vec![0.0; width]);
        for place in first..end {
            let terms = self.at.terms[place];
            hazard += terms.hazard;
            let (_, s1, _, f1) = self.at.sums_of(place, width);
            for (k, mean) in means.iter_mut().enumerate() {
                *mean += terms.q0 * s1[k] - terms.q1 * f1[k];
            }
        }
        Known::Known(UpTo { first, end, hazard, means })
    }

    fn followed_to(&self, stratum: u16, horizon: Days) -> bool {
        let exit = self.observations.exit();
        let here = |i: usize| self.sets.complete[i] && self.strata.is_none_or(|strata| strata.codes()[i] == stratum);
        (0..exit.len()).any(|i| exit[i] >= horizon.count() && here(i))
    }

    /// The columns of a profile, as they are inside.
    fn profile_columns(&self, profile: &[ProfileValue]) -> Option<Vec<f64>> {
        let covariates = self.design.covariates();
        let fits = profile.len() == covariates.len()
            && covariates.iter().zip(profile).enumerate().all(|(term, (covariate, value))| {
                match (&covariate.values, value) {
                    (CovariateValues::Number { .. }, ProfileValue::Number(number)) => number.is_finite(),
                    (CovariateValues::Factor { reference, .. }, ProfileValue::Level(level)) => {
                        let column = Column { term, level: Some(*level) };
                        level == reference || self.sets.design_columns.contains(&column)
                    }
                    _ => false,
                }
            });
        fits.then(|| {
            let columns = self.sets.design_columns.iter().zip(&self.sets.centre).zip(&self.sets.scale);
            columns
                .map(|((column, centre), scale)| {
                    let value = match profile[column.term] {
                        ProfileValue::Number(number) => number,
                        ProfileValue::Level(level) => f64::from(u8::from(column.level == Some(level))),
                    };
                    (value - centre) / scale
                })
                .collect()
        })
    }
}
