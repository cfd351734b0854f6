//! Answers where failures are known only to lie between two times: Turnbull's curve of each group, and score tests.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, Want};
use super::data::Data;
use super::resampling::Resampled;
use crate::quantity::{Behind, Fraction, Known, Variance};
use crate::stats::{
    BootstrapInterval, IntervalBootstrapEstimate, IntervalPermutationTest, IntervalQuantity, IntervalScoreTest,
    IntervalScores, IntervalSurvival, Intervals, NotEstimated, Resampling, RestrictedMeanRange, SurvivalRange,
    interval_bootstrap, interval_permutation_test, interval_score_test, interval_survival,
};

/// A time between which and another a part fails, with the survival after it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MassBetween {
    /// Failure lies after this time; exactly at it where `by` is the same.
    pub after: f64,
    /// Failure lies at or before this time; none where the interval is open.
    pub by: Option<f64>,
    /// The part that fails in it.
    pub mass: f64,
    /// Whether every maximum of the likelihood gives it the same mass.
    pub determined: bool,
    /// Survival after it, the least in any maximum.
    pub least_after: Fraction,
    /// Survival after it, in the maximum that was found.
    pub survival_after: Fraction,
    /// Survival after it, the largest in any maximum.
    pub largest_after: Fraction,
}

/// What is known of survival at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RangeAt {
    /// The time.
    pub time: f64,
    /// The least and the largest that survival may be.
    pub survival: Known<SurvivalRange>,
}

/// Two times between which a part has failed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct QuantileBetween {
    /// The part that has failed.
    pub failed_part: Fraction,
    /// It had not failed yet at this time, or before it; exactly at it where `by` is the same.
    pub after: Known<f64>,
    /// It has failed by this time.
    pub by: Known<f64>,
    /// Where survival stays exactly at this level for a while: the earliest time after which it can go on down.
    pub flat_until: Option<f64>,
}

/// The curve of a group, and what is read from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalCurve {
    /// The intervals that hold the mass, in order.
    pub masses: Vec<MassBetween>,
    /// How many innermost intervals there are, also those without mass.
    pub innermost_intervals: u64,
    /// Whether all masses are determined.
    pub unique: bool,
    /// The largest log-likelihood.
    pub ln_likelihood: f64,
    /// The Kuhn–Tucker gap: 0 at the maximum.
    pub gap: f64,
    /// Whether the gap is below 1e-9.
    pub converged: bool,
    /// Steps taken.
    pub iterations: u32,
    /// Where nobody who entered by then is left, so that what came later takes no part.
    pub exhausted_at: Option<f64>,
    /// The sum of the weights of those that take no part for that reason.
    pub past_exhaustion: f64,
    /// How many stand behind it.
    pub behind: Behind,
    /// Survival at each time asked for.
    pub at: Vec<RangeAt>,
    /// Times by which parts have failed.
    pub quantiles: Vec<QuantileBetween>,
    /// The restricted mean.
    pub restricted_mean: Option<Known<RestrictedMeanRange>>,
}

/// What resampled clusters say of a quantity that is known only between two values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResampledRange {
    /// What it is.
    pub quantity: Resampled,
    /// The time at which it is read, or the part that has failed.
    pub at: f64,
    /// The least value that agrees with the data.
    pub least: Known<f64>,
    /// The largest.
    pub largest: Known<f64>,
    /// Standard deviation of the least values of the resamples.
    pub standard_error_of_least: Known<f64>,
    /// Standard deviation of the largest.
    pub standard_error_of_largest: Known<f64>,
    /// Percentile limits: of the least values below, of the largest above.
    pub percentile: BootstrapInterval,
    /// How many resamples were drawn.
    pub replicates: u64,
    /// Those whose largest value has no estimate, by reason.
    pub not_estimated: Vec<NotEstimated>,
    /// Whether there are fewer than 20 clusters.
    pub few_clusters: bool,
}

/// A group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupIntervals {
    /// The group.
    pub group: String,
    /// Its curve.
    pub curve: Known<IntervalCurve>,
    /// The same from resampled clusters, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resampled: Option<Vec<ResampledRange>>,
}

/// A score test of all groups at once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoredTest {
    /// What scores failures.
    pub scores: IntervalScores,
    /// The test by its formula.
    pub test: Known<IntervalScoreTest>,
    /// The same from permutations drawn, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permuted: Option<Known<IntervalPermutationTest>>,
}

/// What is known of failures between two times.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalAnswers {
    /// Each group.
    pub groups: Vec<GroupIntervals>,
    /// Tests of all groups at once; none without groups.
    pub tests: Vec<ScoredTest>,
}

/// Curves and tests.
pub fn intervals(asked: &Asked, data: &Data) -> IntervalAnswers {
    let all = data.intervals();
    let one_group = data.groups.labels.len() == 1;
    let parts = if one_group { vec![all.as_ref().clone()] } else { all.by_group(&data.grouping) };
    let groups = data.groups.labels.iter().zip(&parts).map(|(label, part)| GroupIntervals {
        group: label.clone(),
        curve: interval_survival(part).map(|curve| read(&curve, asked, data)),
        resampled: asked.want.contains(&Want::Bootstrap).then(|| resampled(part, asked, data)),
    });
    let kinds = [IntervalScores::LogRank, IntervalScores::ProportionalHazards, IntervalScores::Wilcoxon];
    let strata = data.strata.as_ref().map(|(_, strata)| strata);
    let tests = kinds.into_iter().filter(|_| !one_group).map(|scores| ScoredTest {
        scores,
        test: interval_score_test(&all, &data.grouping, strata, scores),
        permuted: asked.permutations.map(|draws| {
            let whole_clusters = asked.variance == Variance::ClusterRobust;
            interval_permutation_test(&all, &data.grouping, strata, scores, whole_clusters, draws, asked.seed)
        }),
    });
    IntervalAnswers { groups: groups.collect(), tests: tests.collect() }
}

fn read(curve: &IntervalSurvival, asked: &Asked, data: &Data) -> IntervalCurve {
    let time = |tick: crate::quantity::Days| data.axis.time(tick.count());
    let masses = curve.intervals.iter().map(|interval| MassBetween {
        after: time(interval.left),
        by: interval.right.map(time),
        mass: interval.mass,
        determined: interval.determined,
        least_after: interval.least_after,
        survival_after: interval.survival_after,
        largest_after: interval.largest_after,
    });
    let quantile = |part: &f64| {
        let found = curve.quantile(Fraction::new(*part));
        QuantileBetween {
            failed_part: found.failed_part,
            after: found.after.map(time),
            by: found.by.map(time),
            flat_until: found.flat_until.map(time),
        }
    };
    IntervalCurve {
        masses: masses.collect(),
        innermost_intervals: curve.innermost_intervals,
        unique: curve.unique,
        ln_likelihood: curve.ln_likelihood,
        gap: curve.gap,
        converged: curve.converged,
        iterations: curve.iterations,
        exhausted_at: curve.exhausted_at.map(time),
        past_exhaustion: curve.past_exhaustion,
        behind: curve.behind,
        at: asked.at.iter().map(|&time| RangeAt { time, survival: curve.survival_at(data.tick(time)) }).collect(),
        quantiles: asked.failed_parts.iter().map(quantile).collect(),
        restricted_mean: asked.until.map(|until| curve.restricted_mean_on(&data.axis, until)),
    }
}

fn resampled(part: &Intervals, asked: &Asked, data: &Data) -> Vec<ResampledRange> {
    let mut wanted: Vec<(Resampled, f64, IntervalQuantity)> = Vec::new();
    for &time in &asked.at {
        wanted.push((Resampled::Survival, time, IntervalQuantity::Survival(data.tick(time))));
    }
    if let Some(until) = asked.until {
        wanted.push((Resampled::RestrictedMean, until, IntervalQuantity::RestrictedMean(data.tick(until))));
    }
    for &part in &asked.failed_parts {
        wanted.push((Resampled::FailureTime, part, IntervalQuantity::FailureTime(Fraction::new(part))));
    }
    let quantities: Vec<IntervalQuantity> = wanted.iter().map(|wanted| wanted.2).collect();
    let resampling =
        Resampling { replicates: asked.resamples, seed: asked.seed, level: asked.level, ..Resampling::default() };
    let found = interval_bootstrap(part, &data.axis, &quantities, resampling);
    let range = |((quantity, at, _), found): ((Resampled, f64, _), IntervalBootstrapEstimate)| ResampledRange {
        quantity,
        at,
        least: found.least,
        largest: found.largest,
        standard_error_of_least: found.standard_error_of_least,
        standard_error_of_largest: found.standard_error_of_largest,
        percentile: found.percentile,
        replicates: found.replicates,
        not_estimated: found.not_estimated,
        few_clusters: found.few_clusters,
    };
    wanted.into_iter().zip(found).map(range).collect()
}
