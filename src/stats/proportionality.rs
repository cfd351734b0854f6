//! Do hazards stay proportional? The score test for coefficients that change with time.
//!
//! Definition.  The model is widened by x·g(t) with coefficients θ; the test is the score test of θ = 0 with β at its estimate.
//! Formula.     U2 = Σ places g·(Σ failures w·x − Σ_l w̄·x̄_l); with V the information of a place, I11 = ΣV, I12 = Σ g·V, I22 = Σ g²·V:
//!              χ² = U2ᵀ·(I22 − I21·I11⁻¹·I12)⁻¹·U2. For one term, U2 and I22 are its own, I11 that of all.
//! Robust.      The variance of U2 is Σ clusters (Σ members u2 − I21·I11⁻¹·u1)², with score residuals u1, and u2 of the added columns.
//! Source.      Grambsch PM, Therneau TM. Biometrika 1994;81:515–526, in the exact form that keeps a V for each time; robust: Lin
//!              DY, Wei LJ. J Am Stat Assoc 1989;84:1074–1078 (all from memory).
//! Decided.     The exact form, not the approximation of 1994 that takes V for constant over time. Ranks and survival are over all
//!              strata, with case weights; ranks are among failures, tied ones have their mean; survival is that just before. g is centred on its mean over failures, which changes no statistic.
//! Cost.        Three passes of O(observations·columns²).
//! Not for.     The exact treatment of ties.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::cox::{CoxModel, TiesHandling};
use super::cox_likelihood::weighted_information;
use super::cox_scores::{by_cluster, sum_of_squares, weighted_scores};
use super::cox_tests::RegressionTest;
use super::observation::Ending;
use super::symmetric::Symmetric;
use crate::quantity::{Known, Variance, WhyNotKnown};

/// The function of time that coefficients may change with.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TimeScale {
    /// Time itself.
    Time,
    /// The logarithm of time; not known when somebody failed at time 0.
    LnTime,
    /// The rank of the failure.
    Rank,
    /// One minus the survival (Kaplan–Meier) just before: ranks that allow for censoring, so that a few late failures don't decide.
    #[default]
    Failed,
}

/// Tests of proportional hazards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProportionalityTest {
    /// The function of time.
    pub time_scale: TimeScale,
    /// A test for each covariate, with its name.
    pub terms: Vec<(String, Known<RegressionTest>)>,
    /// A test for each coefficient alone, in their order.
    pub coefficients: Vec<Known<RegressionTest>>,
    /// The test of all at once.
    pub global: Known<RegressionTest>,
    /// The variance behind the tests.
    pub variance: Variance,
}

/// Tests whether coefficients change with time. `axis` gives the lengths of time; ranks don't need it.
///
/// Not known for the exact treatment of ties, for logarithms where somebody failed at time 0, or, with the robust variance, for
/// fewer than two clusters.
pub fn proportionality(
    model: &CoxModel<'_>,
    axis: &Axis,
    time_scale: TimeScale,
    variance: Variance,
) -> Known<ProportionalityTest> {
    if model.options.ties == TiesHandling::ExactDiscrete {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let g = scale_of_places(model, axis, time_scale);
    if g.iter().any(|g| !g.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let clusters = model.regression.behind.clusters;
    if variance == Variance::ClusterRobust && clusters < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    let (sets, at) = (&model.sets, &model.at);
    let width = sets.width();
    let mut slope = vec![0.0; width];
    for (index, place) in sets.places.iter().enumerate() {
        for (k, mean) in at.means(index, width).enumerate() {
            let failed: f64 = (place.start..place.failures_end).map(|row| sets.weight_of(row) * sets.columns[k][row]).sum();
            slope[k] += g[index] * (failed - mean);
        }
    }
    // Rows of I12·I11⁻¹.
    let crossed = weighted_information(sets, at, |place| g[place]).0;
    let carried: Vec<Vec<f64>> = crossed.rows().iter().map(|row| model.inverse.times(row)).collect();
    let covariance = match variance {
        Variance::ModelBased => {
            let mut covariance = weighted_information(sets, at, |place| g[place] * g[place]).0;
            for (row, carried) in carried.iter().enumerate() {
                for column in 0..=row {
                    let part: f64 = carried.iter().enumerate().map(|(k, c)| c * crossed.at(k, column)).sum();
                    covariance.add(row, column, -part);
                }
            }
            covariance
        }
        Variance::ClusterRobust => robust(model, &g, &carried),
    };
    let test = |kept: &[usize]| {
        let part: Vec<f64> = kept.iter().map(|&k| slope[k]).collect();
        RegressionTest::quadratic(&part, &covariance.only(kept))
    };
    let all: Vec<usize> = (0..width).collect();
    let terms = model.design.covariates().iter().enumerate().map(|(term, covariate)| {
        let kept: Vec<usize> = all.iter().copied().filter(|&k| sets.design_columns[k].term == term).collect();
        (covariate.name.clone(), test(&kept))
    });
    Known::Known(ProportionalityTest {
        time_scale,
        terms: terms.collect(),
        coefficients: all.iter().map(|&k| test(&[k])).collect(),
        global: test(&all),
        variance,
    })
}

fn robust(model: &CoxModel<'_>, g: &[f64], carried: &[Vec<f64>]) -> Symmetric {
    let (sets, at) = (&model.sets, &model.at);
    let width = sets.width();
    let (cluster, clusters) = (model.observations.cluster(), model.observations.clusters());
    let sums = |scores: &[f64]| by_cluster(sets, cluster, clusters, scores, width);
    let own = sums(&weighted_scores(sets, at, |_| 1.0));
    let mut added = sums(&weighted_scores(sets, at, |place| g[place]));
    for (added, own) in added.chunks_exact_mut(width.max(1)).zip(own.chunks_exact(width.max(1))) {
        for (added, carried) in added.iter_mut().zip(carried) {
            *added -= carried.iter().zip(own).map(|(c, own)| c * own).sum::<f64>();
        }
    }
    sum_of_squares(&added, width)
}

/// g of each place, centred on its mean over failures.
fn scale_of_places(model: &CoxModel<'_>, axis: &Axis, time_scale: TimeScale) -> Vec<f64> {
    let sets = &model.sets;
    let mut g: Vec<f64> = match time_scale {
        TimeScale::Time => sets.places.iter().map(|place| axis.time(place.tick)).collect(),
        TimeScale::LnTime => sets.places.iter().map(|place| libm::log(axis.time(place.tick))).collect(),
        TimeScale::Rank | TimeScale::Failed => {
            let ticks = all_ticks(model);
            let (mut values, mut failed_before, mut survival) = (Vec::with_capacity(ticks.len()), 0.0, 1.0);
            for tick in &ticks {
                values.push(if time_scale == TimeScale::Rank { failed_before + 0.5 * tick.failed } else { 1.0 - survival });
                failed_before += tick.failed;
                survival *= 1.0 - tick.failed / tick.at_risk;
            }
            let place_of = |at: i32| ticks.partition_point(|tick| tick.tick < at);
            sets.places.iter().map(|place| values[place_of(place.tick)]).collect()
        }
    };
    let failed: f64 = model.at.terms.iter().map(|terms| terms.failed).sum();
    let mean = g.iter().zip(&model.at.terms).map(|(g, terms)| g * terms.failed).sum::<f64>() / failed;
    g.iter_mut().for_each(|g| *g -= mean);
    g
}

/// A tick with failures in any stratum.
struct Tick {
    tick: i32,
    failed: f64,
    at_risk: f64,
}

fn all_ticks(model: &CoxModel<'_>) -> Vec<Tick> {
    let observations = model.observations;
    let mut ticks: Vec<i32> = model.sets.places.iter().map(|place| place.tick).collect();
    ticks.sort_unstable();
    ticks.dedup();
    let mut table: Vec<Tick> = ticks.iter().map(|&tick| Tick { tick, failed: 0.0, at_risk: 0.0 }).collect();
    for i in (0..observations.len()).filter(|&i| model.sets.complete[i]) {
        let (entry, exit, weight) = (observations.entry()[i], observations.exit()[i], observations.weight_of(i));
        let first = if entry == 0 { 0 } else { ticks.partition_point(|&tick| tick <= entry) };
        let end = ticks.partition_point(|&tick| tick <= exit);
        // Differences, summed below.
        if first < end {
            table[first].at_risk += weight;
            if end < table.len() {
                table[end].at_risk -= weight;
            }
            if observations.ending()[i] == Ending::Failed {
                table[end - 1].failed += weight;
            }
        }
    }
    let mut at_risk = 0.0;
    for tick in &mut table {
        at_risk += tick.at_risk;
        tick.at_risk = at_risk;
    }
    table
}
