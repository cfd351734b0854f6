//! Two levels of a factor compared in adjusted survival: had everybody the one, or everybody the other.
//!
//! Definition.  As in `cox_adjusted`: the mean over all observations i of S(t | x_i with the factor at a level). The restricted mean
//!              is the area under that curve up to a horizon, from the steps of each stratum's baseline.
//! Formula.     Both are means of V_i = k + Σ_m c_m·exp(−r_i·Λ0(m)) over places m of the stratum: for survival one place with c = 1, for
//!              the restricted mean each place up to the horizon with the length to the next, and k the length to the first.
//! Variance.    Delta method; the influence of j: w_j·(V_j − V̄)/W − (1/W)·Σ strata (Σ_m c_m·G(m)·φ_j(m) + (Σ_m c_m·B(m))ᵀ·I⁻¹·u_j), the
//!              letters as in `cox_adjusted`. Σ_m c_m·G(m)·φ_j(m) sums each place's part of φ times Σ of c·G over the places from it on.
//!              A contrast has the difference of influences of both levels, summed by cluster and squared. The difference of survivals has
//!              its limits from those of both with the correlation of these influences, see `survival_difference`.
//! Source.      As in `cox_adjusted`; restricted mean: Chen PY, Tsiatis AA. Biometrics 2001;57:1030–1038 (from memory).
//! Decided.     The results have the shape of the unadjusted contrasts. Past the last follow-up of a stratum nothing is known. Where the only
//!              failure lies at the very horizon, a restricted mean has no failure behind it.
//! Cost.        O(observations·columns) for each level and horizon; for the restricted mean, with some dozen nodes of `risk_nodes` between
//!              risks and places of failure, O(nodes·(observations + places)) besides.
//! Not for.     Effects of what was not recorded; hazards that aren't proportional.

use super::axis::Axis;
use super::cox::{CoxModel, TiesHandling};
use super::cox_adjusted::Sample;
use super::cox_design::{Column, CovariateValues};
use super::cox_influence::Influence;
use super::cox_mean_survival::{Means, Reading, Sums};
use super::cox_risk_sets::threads_for;
use super::restricted_mean_contrast::RestrictedMeanContrast;
use super::survival_contrast::{Contrast, SurvivalContrast};
use super::survival_difference::{Difference, Side, Spread};
use crate::quantity::{ConfidenceInterval, Days, Fraction, IntervalMethod, Known, Variance, WhyNotKnown};
use crate::threads::in_turn;

/// A level's mean V, and its influence by home.
struct Standardised {
    mean: f64,
    influence: Known<Vec<f64>>,
}

/// A factor of a fitted model, with all that contrasts of its levels are read from.
pub struct AdjustedContrasts<'a> {
    model: &'a CoxModel<'a>,
    /// Its place among the covariates, and its reference.
    factor: Option<(usize, u16)>,
    sample: Sample,
    influence: Option<Influence<'a>>,
}

impl CoxModel<'_> {
    /// A factor whose levels are to be compared in adjusted survival. The variance is that of the fit; none with exact ties.
    pub fn adjusted_contrasts(&self, factor: &str) -> AdjustedContrasts<'_> {
        let covariates = self.design.covariates().iter().enumerate();
        let factor = covariates.filter(|(_, covariate)| covariate.name == factor).find_map(|(term, covariate)| {
            match &covariate.values {
                CovariateValues::Factor { reference, .. } => Some((term, *reference)),
                CovariateValues::Number { .. } => None,
            }
        });
        let influence = (self.options.ties != TiesHandling::ExactDiscrete).then(|| Influence::of(self));
        AdjustedContrasts { model: self, factor, sample: Sample::of(self), influence }
    }
}

impl AdjustedContrasts<'_> {
    /// Adjusted survival of two levels at each horizon, compared.
    ///
    /// Not known for a factor that isn't there, a level that nobody has, and past the last follow-up of a stratum.
    pub fn survival(&self, first: u16, second: u16, horizons: &[Days]) -> Vec<Known<SurvivalContrast>> {
        let one = |&horizon: &Days| {
            let followed = |exit: i32| exit >= horizon.count();
            let reading = |first: usize, end: usize| {
                let up_to = self.model.sets.places[first..end].partition_point(|place| place.tick <= horizon.count());
                let last = up_to.checked_sub(1);
                let constant = if last.is_none() { 1.0 } else { 0.0 };
                Reading { first, constant, places: last.map(|last| (last, 1.0)).into_iter().collect() }
            };
            let sides = self.two_levels([first, second], followed, reading);
            sides.map(|[one, two]| self.survival_contrast_of(horizon, &one, &two))
        };
        in_turn(horizons, threads_for(self.sample.rows.len()), one)
    }

    /// Adjusted mean time in place up to a horizon of two levels, compared; times in the unit of the axis.
    ///
    /// Not known as [`survival`](Self::survival).
    pub fn restricted_mean(&self, first: u16, second: u16, axis: &Axis, horizon: f64) -> Known<RestrictedMeanContrast> {
        if horizon.is_nan() {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        let end_time = horizon.max(0.0);
        let followed = |exit: i32| axis.time(exit) >= horizon;
        let reading = |first: usize, end: usize| {
            let times: Vec<f64> = self.model.sets.places[first..end]
                .iter()
                .map(|place| axis.time(place.tick))
                .take_while(|&time| time <= end_time)
                .collect();
            let ends = times.iter().skip(1).copied().chain([end_time]);
            let lengths = times.iter().zip(ends).map(|(start, end)| end - start).enumerate();
            let constant = times.first().copied().unwrap_or(end_time);
            Reading { first, constant, places: lengths.filter(|(_, length)| *length > 0.0).collect() }
        };
        let sides = self.two_levels([first, second], followed, reading);
        sides.map(|[one, two]| {
            let (m1, m2) = (one.mean, two.mean);
            let (variance, level, behind) = (self.model.options.variance, self.model.options.level, self.model.sets.behind);
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

    fn survival_contrast_of(&self, horizon: Days, one: &Standardised, two: &Standardised) -> SurvivalContrast {
        let (s1, s2) = (one.mean, two.mean);
        let (variance, level, behind) = (self.model.options.variance, self.model.options.level, self.model.sets.behind);
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
        let error = error_of(one, two, 1.0, 1.0);
        SurvivalContrast {
            horizon,
            first: Fraction::new(s1),
            second: Fraction::new(s2),
            difference: Contrast::of_survivals(difference_of(one, two), s2 - s1, error, variance, level, behind),
            ratio,
            complementary_log_log,
        }
    }

    fn two_levels(
        &self,
        levels: [u16; 2],
        followed: impl Fn(i32) -> bool,
        reading: impl Fn(usize, usize) -> Reading,
    ) -> Known<[Standardised; 2]> {
        let (sample, Some((term, reference))) = (&self.sample, self.factor) else {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        };
        let has_column =
            |level: u16| level == reference || self.model.sets.design_columns.contains(&Column { term, level: Some(level) });
        if !levels.into_iter().all(has_column) {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        // Each stratum must have somebody followed as long.
        let mut longest = vec![false; self.model.sets.stratum_starts.len() - 1];
        for (&row, &stratum) in sample.rows.iter().zip(&sample.stratum) {
            let place = &mut longest[usize::from(stratum)];
            *place = *place || followed(self.model.observations.exit()[row as usize]);
        }
        if !sample.present.iter().all(|&stratum| longest[usize::from(stratum)]) {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let readings: Vec<Reading> =
            self.model.sets.stratum_starts.windows(2).map(|bounds| reading(bounds[0], bounds[1])).collect();
        let sums: Vec<Sums> = readings.iter().map(|reading| self.sums(reading)).collect();
        Known::Known(levels.map(|level| self.standardised_level(term, level, &readings, &sums)))
    }

    /// Λ0 and A after each place of a reading.
    fn sums(&self, reading: &Reading) -> Sums {
        let width = self.model.sets.width();
        let (mut hazard, mut means) = (0.0, vec![0.0; width]);
        let mut sums = Sums { hazard: Vec::new(), means: Vec::new() };
        let mut at = reading.first;
        for &(place, _) in &reading.places {
            let end = reading.first + place + 1;
            for place in at..end {
                let terms = self.model.at.terms[place];
                hazard += terms.hazard;
                let (_, s1, _, f1) = self.model.at.sums_of(place, width);
                for (k, mean) in means.iter_mut().enumerate() {
                    *mean += terms.q0 * s1[k] - terms.q1 * f1[k];
                }
            }
            at = end;
            sums.hazard.push(hazard);
            sums.means.extend_from_slice(&means);
        }
        sums
    }

    fn standardised_level(&self, term: usize, level: u16, readings: &[Reading], sums: &[Sums]) -> Standardised {
        let sample = &self.sample;
        let columns = self.at_level(term, level);
        let risks = self.risks(&columns);
        let weight = |row: &u32| self.model.observations.weight_of(*row as usize);
        let mut means: Vec<Means<'_>> = readings.iter().zip(sums).map(|(reading, sums)| Means::of(reading, sums)).collect();
        means.iter_mut().zip(bounds(&risks, sample, readings.len())).for_each(|(means, bounds)| means.choose_nodes(bounds));
        let (mut weights, mut sum) = (0.0, 0.0);
        let mut values = Vec::with_capacity(risks.len());
        let mut slopes = Vec::with_capacity(risks.len());
        for ((row, &stratum), &risk) in sample.rows.iter().zip(&sample.stratum).zip(&risks) {
            let weight = weight(row);
            let (value, by_hazard) = means[usize::from(stratum)].at(risk, weight);
            weights += weight;
            sum += weight * value;
            values.push(value);
            slopes.push(weight * risk * by_hazard);
        }
        let mean = sum / weights;
        let g: Vec<Vec<f64>> = means.into_iter().map(Means::into_sums).collect();
        let by_cluster = self.model.options.variance == Variance::ClusterRobust;
        let influence = match &self.influence {
            None => Known::NotKnown(WhyNotKnown::NotANumber),
            Some(_) if by_cluster && self.model.sets.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
            Some(_) if readings.iter().all(|reading| reading.places.is_empty()) => Known::NotKnown(WhyNotKnown::NoFailures),
            Some(influence) => {
                let b = self.slope_by_column(&columns, &slopes, readings, sums, &g);
                let mut of_home = influence.by_coefficients(&self.model.inverse.times(&b));
                for (reading, g) in readings.iter().zip(g) {
                    influence.add_baseline(reading.first, &reading.summed_from_each_place(&g), &mut of_home);
                }
                of_home.iter_mut().for_each(|of_home| *of_home *= -1.0 / weights);
                for (row, value) in sample.rows.iter().zip(&values) {
                    of_home[influence.home(*row)] += weight(row) * (value - mean) / weights;
                }
                Known::Known(of_home)
            }
        };
        Standardised { mean, influence }
    }

    /// The columns of the sample with a factor at a level.
    fn at_level(&self, term: usize, level: u16) -> Vec<AtLevel<'_>> {
        let columns = self.model.sets.design_columns.iter().zip(self.model.sets.centre.iter().zip(&self.model.sets.scale));
        columns
            .zip(&self.sample.columns)
            .map(|((column, (centre, scale)), as_it_is)| {
                let value = f64::from(u8::from(column.level == Some(level)));
                if column.term == term { AtLevel::Same((value - centre) / scale) } else { AtLevel::AsItIs(as_it_is) }
            })
            .collect()
    }

    /// r of each of the sample.
    fn risks(&self, columns: &[AtLevel<'_>]) -> Vec<f64> {
        let mut risks = vec![0.0; self.sample.rows.len()];
        for (column, beta) in columns.iter().zip(&self.model.beta) {
            match column {
                AtLevel::Same(x) => risks.iter_mut().for_each(|risk| *risk += x * beta),
                AtLevel::AsItIs(x) => risks.iter_mut().zip(*x).for_each(|(risk, x)| *risk += x * beta),
            }
        }
        risks.iter_mut().for_each(|risk| *risk = libm::exp(*risk));
        risks
    }

    /// Σ_m c_m·B(m) over all strata: by column, the slopes times x, less c·G·A.
    fn slope_by_column(
        &self,
        columns: &[AtLevel<'_>],
        slopes: &[f64],
        readings: &[Reading],
        sums: &[Sums],
        g: &[Vec<f64>],
    ) -> Vec<f64> {
        let by_column = |column: &AtLevel<'_>| match column {
            AtLevel::Same(x) => slopes.iter().map(|slope| slope * x).sum(),
            AtLevel::AsItIs(x) => slopes.iter().zip(*x).map(|(slope, x)| slope * x).sum(),
        };
        let mut b: Vec<f64> = columns.iter().map(by_column).collect();
        for ((reading, sums), g) in readings.iter().zip(sums).zip(g) {
            for (((_, factor), g), means) in reading.places.iter().zip(g).zip(sums.means.chunks_exact(b.len().max(1))) {
                b.iter_mut().zip(means).for_each(|(b, mean)| *b -= factor * g * mean);
            }
        }
        b
    }
}

/// A column of the sample had everybody the same level of a factor.
enum AtLevel<'a> {
    /// It tells of the factor, so it is the same for everybody.
    Same(f64),
    AsItIs(&'a [f64]),
}

/// How many of the sample are in each stratum, and their least and greatest r.
fn bounds(risks: &[f64], sample: &Sample, strata: usize) -> Vec<(usize, f64, f64)> {
    let mut bounds = vec![(0, f64::INFINITY, 0.0_f64); strata];
    for (&risk, &stratum) in risks.iter().zip(&sample.stratum) {
        let (count, least, greatest) = &mut bounds[usize::from(stratum)];
        (*count, *least, *greatest) = (*count + 1, least.min(risk), greatest.max(risk));
    }
    bounds
}

/// Two mean survivals as a difference.
fn difference_of(one: &Standardised, two: &Standardised) -> Known<Difference> {
    let (first, second) = match (&one.influence, &two.influence) {
        (Known::Known(first), Known::Known(second)) => (first, second),
        (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => return Known::NotKnown(*why),
    };
    if ![one.mean, two.mean].iter().all(|&survival| survival > 0.0 && survival < 1.0) {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    let sum_of_products = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let (v1, v2) = (sum_of_products(first, first), sum_of_products(second, second));
    if !(v1 > 0.0 && v2 > 0.0) {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    let side = |survival: f64, v: f64| Side { survival, spread: Spread::OfLogarithm(libm::sqrt(v) / survival) };
    let correlation = (sum_of_products(first, second) / libm::sqrt(v1 * v2)).clamp(-1.0, 1.0);
    Known::Known(Difference { sides: [side(one.mean, v1), side(two.mean, v2)], correlation })
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
