//! Adjusted survival curves: had everybody the same level of a factor, how many would survive?
//!
//! Definition.  For a level, the mean over all observations i (with case weights, W in all) of S(t | x_i with the factor at that level),
//!              each in its own stratum: direct standardisation to the mix of covariates of the whole sample (g-formula).
//! Variance.    The influence of j: w_j·(S_j − mean)/W − (1/W)·Σ strata (G_s·φ_j + Bᵀ·I⁻¹·u_j), with S_i = exp(−r_i·Λ0), r_i its relative
//!              risk at that level, G_s = Σ w_i·S_i·r_i over the stratum, B = Σ w_i·S_i·r_i·(x_i·Λ0 − A); φ and u as in
//!              `cox_baseline`. Summed by cluster and squared; model-based: each observation is a cluster of its own.
//! Source.      Makuch RW. J Chronic Dis 1982;35:437–443; Robins J. Math Model 1986;7:1393–1512 (both from memory); influence by the
//!              delta method, worked out here.
//! Decided.     The sample is that of the fit. The variance counts that the mix of covariates is a sample, too.
//! Cost.        O(observations·columns) for each level and horizon.
//! Not for.     Effects of what was not recorded: adjusted is not randomised.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::{CoxModel, TiesHandling};
use super::cox_baseline::UpTo;
use super::cox_design::CovariateValues;
use super::cox_influence::Influence;
use super::survival_interval::{SurvivalIntervalMethod, survival_interval};
use crate::quantity::{Days, Estimate, Fraction, Known, Variance, WhyNotKnown};

/// The curve of one level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AdjustedCurve {
    /// The level.
    pub level: String,
    /// Survival at each horizon, in their order.
    pub survival: Vec<Known<Estimate<Fraction>>>,
}

impl CoxModel<'_> {
    /// Adjusted survival for each level of a factor, at each horizon. The variance is that of the fit; none with exact ties.
    ///
    /// Empty when no factor has this name. Not known for a level that nobody has, and past the last follow-up of a stratum.
    pub fn adjusted_survival(&self, factor: &str, horizons: &[Days], method: SurvivalIntervalMethod) -> Vec<AdjustedCurve> {
        let Some((term, levels, reference)) =
            self.design.covariates().iter().enumerate().find_map(|(term, covariate)| match &covariate.values {
                CovariateValues::Factor { levels, reference, .. } if covariate.name == factor => {
                    Some((term, levels, *reference))
                }
                _ => None,
            })
        else {
            return Vec::new();
        };
        let sample = Sample::of(self);
        let influence = (self.options.ties != TiesHandling::ExactDiscrete).then(|| Influence::of(self));
        (0_u16..)
            .zip(levels)
            .map(|(level, name)| {
                let here = |column: &super::cox_design::Column| column.term == term && column.level == Some(level);
                let present = level == reference || self.sets.design_columns.iter().any(here);
                let changed: Vec<Option<f64>> = self
                    .sets
                    .design_columns
                    .iter()
                    .zip(self.sets.centre.iter().zip(&self.sets.scale))
                    .map(|(column, (centre, scale))| {
                        let value = f64::from(u8::from(here(column)));
                        (column.term == term).then_some((value - centre) / scale)
                    })
                    .collect();
                let read = |&horizon: &Days| {
                    if present {
                        self.standardised(&sample, &changed, horizon, influence.as_ref(), method)
                    } else {
                        Known::NotKnown(WhyNotKnown::NoObservations)
                    }
                };
                AdjustedCurve { level: name.clone(), survival: horizons.iter().map(read).collect() }
            })
            .collect()
    }

    fn standardised(
        &self,
        sample: &Sample,
        changed: &[Option<f64>],
        horizon: Days,
        influence: Option<&Influence<'_>>,
        method: SurvivalIntervalMethod,
    ) -> Known<Estimate<Fraction>> {
        let mut sums_of_strata: Vec<Option<UpTo>> = (0..self.sets.stratum_starts.len() - 1).map(|_| None).collect();
        for &stratum in &sample.present {
            match self.up_to(stratum, horizon) {
                Known::Known(up_to) => sums_of_strata[usize::from(stratum)] = Some(up_to),
                Known::NotKnown(why) => return Known::NotKnown(why),
            }
        }
        let width = self.sets.width();
        let mut x = vec![0.0; width];
        let (mut weights, mut sum) = (0.0, 0.0);
        let mut survivals = Vec::with_capacity(sample.rows.len());
        let mut g = vec![0.0; sums_of_strata.len()];
        let mut b = vec![0.0; width];
        for (i, (&row, &stratum)) in sample.rows.iter().zip(&sample.stratum).enumerate() {
            let Some(up_to) = &sums_of_strata[usize::from(stratum)] else { continue };
            for (k, x) in x.iter_mut().enumerate() {
                *x = changed[k].unwrap_or(sample.columns[k][i]);
            }
            let risk = libm::exp(x.iter().zip(&self.beta).map(|(x, beta)| x * beta).sum());
            let survival = libm::exp(-risk * up_to.hazard);
            let weight = self.observations.weight_of(row as usize);
            weights += weight;
            sum += weight * survival;
            survivals.push(survival);
            let factor = weight * survival * risk;
            g[usize::from(stratum)] += factor;
            for (b, (x, mean)) in b.iter_mut().zip(x.iter().zip(&up_to.means)) {
                *b += factor * (x * up_to.hazard - mean);
            }
        }
        let mean = sum / weights;
        let squares = match (influence, self.options.variance) {
            (None, _) => Known::NotKnown(WhyNotKnown::NotANumber),
            (_, Variance::ClusterRobust) if self.sets.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
            _ if sums_of_strata.iter().flatten().all(|up_to| up_to.end == up_to.first) => {
                Known::NotKnown(WhyNotKnown::NoFailures)
            }
            (Some(influence), _) => {
                let mut of_home = influence.by_coefficients(&self.inverse.times(&b));
                for (up_to, &g) in sums_of_strata.iter().zip(&g) {
                    if let Some(up_to) = up_to {
                        influence.add_baseline(up_to.first, &vec![g; up_to.end - up_to.first], &mut of_home);
                    }
                }
                of_home.iter_mut().for_each(|of_home| *of_home *= -1.0 / weights);
                for (&row, survival) in sample.rows.iter().zip(&survivals) {
                    let weight = self.observations.weight_of(row as usize);
                    of_home[influence.home(row)] += weight * (survival - mean) / weights;
                }
                Known::Known(of_home.iter().map(|of_home| of_home * of_home).sum())
            }
        };
        let survival = Fraction::new(mean);
        let error = squares.map(libm::sqrt);
        let interval = match error {
            Known::Known(error) => survival_interval(survival, error / mean, method, self.options.level),
            Known::NotKnown(why) => Known::NotKnown(why),
        };
        Known::Known(Estimate {
            value: survival,
            standard_error: error.known().copied(),
            variance: self.options.variance,
            interval,
            behind: self.sets.behind,
        })
    }
}

/// All observations of the fit, also those at risk on no place.
pub(super) struct Sample {
    pub(super) rows: Vec<u32>,
    pub(super) stratum: Vec<u16>,
    pub(super) columns: Vec<Vec<f64>>,
    /// The strata that somebody is in.
    pub(super) present: Vec<u16>,
}

impl Sample {
    pub(super) fn of(model: &CoxModel<'_>) -> Self {
        let sets = &model.sets;
        let rows: Vec<u32> = (0_u32..).zip(&sets.complete).filter(|&(_, &complete)| complete).map(|(row, _)| row).collect();
        let stratum: Vec<u16> =
            rows.iter().map(|&row| model.strata.map_or(0, |strata| strata.codes()[row as usize])).collect();
        let columns = sets.design_columns.iter().zip(sets.centre.iter().zip(&sets.scale));
        let columns =
            columns.map(|(&column, (&centre, &scale))| model.design.gather(column, &rows, centre, scale)).collect();
        let mut present = stratum.clone();
        present.sort_unstable();
        present.dedup();
        Self { rows, stratum, columns, present }
    }
}
