//! Two levels of a factor compared in adjusted survival: had everybody the one, or everybody the other.
//!
//! Definition.  As in `cox_adjusted`: the mean over all observations i of S(t | x_i with the factor at a level). The restricted mean
//!              is the area under that curve up to a horizon, from the steps of each stratum's baseline.
//! Formula.     Both are means of V_i = k + Σ_m c_m·exp(−r_i·Λ0(m)) over places m of the stratum: for survival one place with c = 1, for
//!              the restricted mean each place up to the horizon with the length to the next, and k the length to the first.
//! Variance.    Delta method; the influence of j: w_j·(V_j − V̄)/W − (1/W)·Σ strata (Σ_m c_m·G(m)·φ_j(m) + (Σ_m c_m·B(m))ᵀ·I⁻¹·u_j), the
//!              letters as in `cox_adjusted`. Σ_m c_m·G(m)·φ_j(m) sums each place's part of φ times Σ of c·G over the places from it on.
//!              A contrast has the difference of influences of both levels, summed by cluster and squared.
//! Source.      As in `cox_adjusted`; restricted mean: Chen PY, Tsiatis AA. Biometrics 2001;57:1030–1038 (from memory).
//! Decided.     The results have the shape of the unadjusted contrasts. Past the last follow-up of a stratum nothing is known.
//! Cost.        Survival: O(observations·columns) a level and horizon; restricted mean: O(observations·places of failure).
//! Not for.     Effects of what was not recorded; hazards that aren't proportional.

use super::axis::Axis;
use super::cox::{CoxModel, TiesHandling};
use super::cox_adjusted::Sample;
use super::cox_design::{Column, CovariateValues};
use super::cox_scores::weighted_scores;
use super::restricted_mean_contrast::RestrictedMeanContrast;
use super::survival_contrast::{Contrast, SurvivalContrast};
use crate::quantity::{ConfidenceInterval, Days, Fraction, IntervalMethod, Known, Variance, WhyNotKnown};

/// How V is read in one stratum.
struct Reading {
    /// The first place of the stratum.
    first: usize,
    /// k.
    constant: f64,
    /// c of each place from the first on.
    factors: Vec<f64>,
}

/// A level's mean V, and its influence by home.
struct Standardised {
    mean: f64,
    influence: Known<Vec<f64>>,
}

impl CoxModel<'_> {
    /// Adjusted survival of two levels of a factor at each horizon, compared. The variance is that of the fit; none with exact ties.
    ///
    /// Not known for a factor that isn't there, a level that nobody has, and past the last follow-up of a stratum.
    pub fn adjusted_survival_contrast(
        &self,
        factor: &str,
        first: u16,
        second: u16,
        horizons: &[Days],
    ) -> Vec<Known<SurvivalContrast>> {
        let sample = Sample::of(self);
        let scores = self.scores_if_any();
        let one = |&horizon: &Days| {
            let followed = |exit: i32| exit >= horizon.count();
            let reading = |first: usize, end: usize| {
                let up_to = self.sets.places[first..end].partition_point(|place| place.tick <= horizon.count());
                let mut factors = vec![0.0; up_to];
                factors.last_mut().iter_mut().for_each(|last| **last = 1.0);
                Reading { first, constant: if up_to == 0 { 1.0 } else { 0.0 }, factors }
            };
            let sides = self.two_levels(factor, [first, second], &sample, scores.as_deref(), followed, reading);
            sides.map(|[one, two]| self.survival_contrast_of(horizon, &one, &two))
        };
        horizons.iter().map(one).collect()
    }

    /// Adjusted mean time in place up to a horizon of two levels of a factor, compared; times in the unit of the axis.
    ///
    /// Not known as [`adjusted_survival_contrast`](Self::adjusted_survival_contrast).
    pub fn adjusted_restricted_mean_contrast(
        &self,
        factor: &str,
        first: u16,
        second: u16,
        axis: &Axis,
        horizon: f64,
    ) -> Known<RestrictedMeanContrast> {
        if horizon.is_nan() {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        let end_time = horizon.max(0.0);
        let followed = |exit: i32| axis.time(exit) >= horizon;
        let reading = |first: usize, end: usize| {
            let times: Vec<f64> = self.sets.places[first..end]
                .iter()
                .map(|place| axis.time(place.tick))
                .take_while(|&time| time <= end_time)
                .collect();
            let ends = times.iter().skip(1).copied().chain([end_time]);
            let factors = times.iter().zip(ends).map(|(start, end)| end - start).collect();
            Reading { first, constant: times.first().copied().unwrap_or(end_time), factors }
        };
        let (sample, scores) = (Sample::of(self), self.scores_if_any());
        let sides = self.two_levels(factor, [first, second], &sample, scores.as_deref(), followed, reading);
        sides.map(|[one, two]| {
            let (m1, m2) = (one.mean, two.mean);
            let (variance, level, behind) = (self.options.variance, self.options.level, self.sets.behind);
            let ratio = if m1 > 0.0 && m2 > 0.0 {
                let error = error_of(&one, &two, 1.0 / m1, 1.0 / m2);
                Known::Known(Contrast::ratio(m2 / m1, error, variance, level, behind))
            } else {
                Known::NotKnown(WhyNotKnown::AtBoundary)
            };
            let bounds = (-end_time, end_time);
            let difference = Contrast::plain(m2 - m1, error_of(&one, &two, 1.0, 1.0), bounds, variance, level, behind);
            RestrictedMeanContrast { horizon, first: m1, second: m2, difference, ratio }
        })
    }

    fn scores_if_any(&self) -> Option<Vec<f64>> {
        (self.options.ties != TiesHandling::ExactDiscrete).then(|| weighted_scores(&self.sets, &self.at, |_| 1.0))
    }

    fn survival_contrast_of(&self, horizon: Days, one: &Standardised, two: &Standardised) -> SurvivalContrast {
        let (s1, s2) = (one.mean, two.mean);
        let (variance, level, behind) = (self.options.variance, self.options.level, self.sets.behind);
        let ratio = if s1 > 0.0 {
            Known::Known(Contrast::ratio(s2 / s1, error_of(one, two, 1.0 / s1, 1.0 / s2), variance, level, behind))
        } else {
            Known::NotKnown(WhyNotKnown::AtBoundary)
        };
        let inside = |s: f64| s > 0.0 && s < 1.0;
        let complementary_log_log = if inside(s1) && inside(s2) {
            let (l1, l2) = (libm::log(s1), libm::log(s2));
            let error = error_of(one, two, 1.0 / (s1 * l1), 1.0 / (s2 * l2));
            let bounds = (f64::NEG_INFINITY, f64::INFINITY);
            let mut contrast = Contrast::plain(libm::log(-l2) - libm::log(-l1), error, bounds, variance, level, behind);
            contrast.estimate.interval = contrast
                .estimate
                .interval
                .map(|interval| ConfidenceInterval { method: IntervalMethod::ComplementaryLogLog, ..interval });
            Known::Known(contrast)
        } else {
            Known::NotKnown(WhyNotKnown::AtBoundary)
        };
        let difference = error_of(one, two, 1.0, 1.0);
        SurvivalContrast {
            horizon,
            first: Fraction::new(s1),
            second: Fraction::new(s2),
            difference: Contrast::plain(s2 - s1, difference, (-1.0, 1.0), variance, level, behind),
            ratio,
            complementary_log_log,
        }
    }

    fn two_levels(
        &self,
        factor: &str,
        levels: [u16; 2],
        sample: &Sample,
        scores: Option<&[f64]>,
        followed: impl Fn(i32) -> bool,
        reading: impl Fn(usize, usize) -> Reading,
    ) -> Known<[Standardised; 2]> {
        let covariates = self.design.covariates().iter().enumerate();
        let found = covariates.filter(|(_, covariate)| covariate.name == factor).find_map(|(term, covariate)| {
            match &covariate.values {
                CovariateValues::Factor { reference, .. } => Some((term, *reference)),
                CovariateValues::Number { .. } => None,
            }
        });
        let Some((term, reference)) = found else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        let has_column =
            |level: u16| level == reference || self.sets.design_columns.contains(&Column { term, level: Some(level) });
        if !levels.into_iter().all(has_column) {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        // Each stratum must have somebody followed as long.
        let mut longest = vec![false; self.sets.stratum_starts.len() - 1];
        for (&row, &stratum) in sample.rows.iter().zip(&sample.stratum) {
            let place = &mut longest[usize::from(stratum)];
            *place = *place || followed(self.observations.exit()[row as usize]);
        }
        if !sample.present.iter().all(|&stratum| longest[usize::from(stratum)]) {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let readings: Vec<Reading> =
            self.sets.stratum_starts.windows(2).map(|bounds| reading(bounds[0], bounds[1])).collect();
        let sums: Vec<Sums> = readings.iter().map(|reading| self.sums(reading)).collect();
        Known::Known(levels.map(|level| self.standardised_level(term, level, sample, scores, &readings, &sums)))
    }

    /// Λ0 and A after each place of a reading.
    fn sums(&self, reading: &Reading) -> Sums {
        let width = self.sets.width();
        let (mut hazard, mut means) = (0.0, vec![0.0; width]);
        let mut sums = Sums { hazard: Vec::new(), means: Vec::new() };
        for place in reading.first..reading.first + reading.factors.len() {
            let terms = self.at.terms[place];
            hazard += terms.hazard;
            let (_, s1, _, f1) = self.at.sums_of(place, width);
            for (k, mean) in means.iter_mut().enumerate() {
                *mean += terms.q0 * s1[k] - terms.q1 * f1[k];
            }
            sums.hazard.push(hazard);
            sums.means.extend_from_slice(&means);
        }
        sums
    }

    fn standardised_level(
        &self,
        term: usize,
        level: u16,
        sample: &Sample,
        scores: Option<&[f64]>,
        readings: &[Reading],
        sums: &[Sums],
    ) -> Standardised {
        let width = self.sets.width();
        let columns = self.sets.design_columns.iter().zip(self.sets.centre.iter().zip(&self.sets.scale));
        let changed: Vec<Option<f64>> = columns
            .map(|(column, (centre, scale))| {
                let value = f64::from(u8::from(column.level == Some(level)));
                (column.term == term).then_some((value - centre) / scale)
            })
            .collect();
        let mut x = vec![0.0; width];
        let (mut weights, mut sum) = (0.0, 0.0);
        let mut values = Vec::with_capacity(sample.rows.len());
        let mut g: Vec<Vec<f64>> = readings.iter().map(|reading| vec![0.0; reading.factors.len()]).collect();
        let mut b = vec![0.0; width];
        for (i, (&row, &stratum)) in sample.rows.iter().zip(&sample.stratum).enumerate() {
            let (reading, sums, g) =
                (&readings[usize::from(stratum)], &sums[usize::from(stratum)], &mut g[usize::from(stratum)]);
            for (k, x) in x.iter_mut().enumerate() {
                *x = changed[k].unwrap_or(sample.columns[k][i]);
            }
            let risk = libm::exp(x.iter().zip(&self.beta).map(|(x, beta)| x * beta).sum());
            let weight = self.observations.weight_of(row as usize);
            let (mut value, mut by_hazard) = (reading.constant, 0.0);
            for ((&factor, &hazard), g) in reading.factors.iter().zip(&sums.hazard).zip(g) {
                if factor > 0.0 {
                    let survival = libm::exp(-risk * hazard);
                    value += factor * survival;
                    by_hazard += factor * survival * hazard;
                    *g += weight * survival * risk;
                }
            }
            weights += weight;
            sum += weight * value;
            values.push(value);
            b.iter_mut().zip(&x).for_each(|(b, x)| *b += weight * risk * by_hazard * x);
        }
        let mean = sum / weights;
        for ((reading, sums), g) in readings.iter().zip(sums).zip(&g) {
            for ((factor, g), means) in reading.factors.iter().zip(g).zip(sums.means.chunks_exact(width.max(1))) {
                b.iter_mut().zip(means).for_each(|(b, mean)| *b -= factor * g * mean);
            }
        }
        let by_cluster = self.options.variance == Variance::ClusterRobust;
        let influence = match scores {
            None => Known::NotKnown(WhyNotKnown::NotANumber),
            Some(_) if by_cluster && self.sets.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
            Some(_) if readings.iter().all(|reading| reading.factors.is_empty()) => Known::NotKnown(WhyNotKnown::NoFailures),
            Some(scores) => {
                let places = if by_cluster { self.observations.clusters() as usize } else { self.observations.len() };
                let home =
                    |row: u32| if by_cluster { self.observations.cluster()[row as usize] as usize } else { row as usize };
                let mut influence = vec![0.0; places];
                self.add_scores(scores, &self.inverse.times(&b), home, &mut influence);
                for (reading, mut g) in readings.iter().zip(g) {
                    // Of each place, c·G of it and of those that come after.
                    let mut from_here = 0.0;
                    for (g, factor) in g.iter_mut().zip(&reading.factors).rev() {
                        from_here += factor * *g;
                        *g = from_here;
                    }
                    let factor = |place: usize| g.get(place - reading.first).copied().unwrap_or(0.0);
                    self.add_weighted_hazard(reading.first, factor, 1.0, home, &mut influence);
                }
                influence.iter_mut().for_each(|influence| *influence *= -1.0 / weights);
                for (&row, value) in sample.rows.iter().zip(&values) {
                    influence[home(row)] += self.observations.weight_of(row as usize) * (value - mean) / weights;
                }
                Known::Known(influence)
            }
        };
        Standardised { mean, influence }
    }
}

/// Λ0 and A after each place.
struct Sums {
    hazard: Vec<f64>,
    means: Vec<f64>,
}

/// The error of c₂·V₂ − c₁·V₁.
fn error_of(one: &Standardised, two: &Standardised, c1: f64, c2: f64) -> Known<f64> {
    match (&one.influence, &two.influence) {
        (Known::Known(one), Known::Known(two)) => {
            let squares: f64 = one.iter().zip(two).map(|(one, two)| c2 * two - c1 * one).map(|a| a * a).sum();
            if squares > 0.0 { Known::Known(libm::sqrt(squares)) } else { Known::NotKnown(WhyNotKnown::TooFewClusters) }
        }
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(*why),
    }
}
