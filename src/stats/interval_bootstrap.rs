//! Intervals of confidence for interval-censored failures, from clusters resampled with replacement.
//!
//! Definition.  A replicate draws as many clusters as there are, with replacement, each with all its records, and estimates the curve
//!              anew, with innermost intervals of its own.
//! Interval.    Percentile. Each replicate has a least and a largest value, for what lies inside its innermost intervals isn't
//!              determined: the lower limit is the quantile of the least values, the upper limit that of the largest.
//! Source.      Efron B, Tibshirani RJ. An Introduction to the Bootstrap, 1993, chapters 6 and 13 (from memory).
//! Decided.     Quantiles of replicates, replicates without an estimate and streams of random numbers are those of
//!              `cluster_bootstrap`. No interval corrected for acceleration: it would fit the curve once more for each cluster.
//!              Taken over both ends the limits cover at least as often as those of either.
//! Cost.        A replicate adds up classes counted once, and starts from the curve of all.
//! Not for.     A curve at a single day where visits fall on any day: it settles with the cube root of the number of records, where
//!              the plain bootstrap isn't consistent (Sen B, Xu G. Bernoulli 2015;21:1–27; from memory), so limits are then a
//!              guide. With visits on a fixed plan, or for means, they hold.

use std::num::NonZeroUsize;
use std::ops::Range;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::bootstrap_replicates::Sorted;
use super::bucket::Buckets;
use super::cluster_bootstrap::{BootstrapInterval, FEW_CLUSTERS, NotEstimated, Resampling, draw, not_estimated, stream};
use super::interval_classes::{ClassWeights, IntervalClasses};
use super::interval_survival::{Fit, IntervalSurvival};
use super::intervals::Intervals;
use crate::quantity::{Behind, Days, Fraction, IntervalMethod, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// What is read from each curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IntervalQuantity {
    /// Survival at a tick.
    Survival(Days),
    /// Mean time without failure up to a tick, in the unit of the axis.
    RestrictedMean(Days),
    /// The time by which this part has failed, in the unit of the axis.
    FailureTime(Fraction),
}

/// What the bootstrap says of one quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalBootstrapEstimate {
    /// The quantity.
    pub quantity: IntervalQuantity,
    /// The least value that agrees with the data.
    pub least: Known<f64>,
    /// The largest.
    pub largest: Known<f64>,
    /// Standard deviation of the least values of the replicates.
    pub standard_error_of_least: Known<f64>,
    /// Standard deviation of the largest.
    pub standard_error_of_largest: Known<f64>,
    /// Percentile limits: of the least values below, of the largest above.
    pub percentile: BootstrapInterval,
    /// How many replicates were drawn.
    pub replicates: u64,
    /// Those whose largest value has no estimate, by reason.
    pub not_estimated: Vec<NotEstimated>,
    /// Whether there are fewer than 20 clusters.
    pub few_clusters: bool,
    /// How many stand behind it.
    pub behind: Behind,
}

/// The least and the largest value of a quantity.
type Ends = (Known<f64>, Known<f64>);

/// The bootstrap of these quantities.
pub fn interval_bootstrap(
    intervals: &Intervals,
    axis: &Axis,
    quantities: &[IntervalQuantity],
    resampling: Resampling,
) -> Vec<IntervalBootstrapEstimate> {
    let behind = Behind {
        observations: intervals.len() as u64,
        clusters: intervals.clusters_present(),
        failures: intervals.failures(),
    };
    let cells = Cells::of(intervals);
    let whole = (!intervals.is_empty()).then(|| Fit::of(&cells.classes, &cells.all, None));
    let read =
        |curve: &IntervalSurvival| quantities.iter().map(|quantity| ends(curve, axis, *quantity)).collect::<Vec<Ends>>();
    let nothing = Known::NotKnown(WhyNotKnown::NoObservations);
    let estimates =
        whole.as_ref().map_or_else(|| vec![(nothing, nothing); quantities.len()], |whole| read(&whole.result(behind)));
    let replicates = match &whole {
        Some(whole) if behind.clusters >= 2 => cells.replicates(whole, behind, resampling, &read),
        _ => Vec::new(),
    };
    let summary = |(place, (&quantity, &estimate)): (usize, (&IntervalQuantity, &Ends))| {
        let column = |end: fn(&Ends) -> Known<f64>| replicates.iter().map(|row| end(&row[place])).collect::<Vec<_>>();
        summarise(quantity, estimate, [column(|ends| ends.0), column(|ends| ends.1)], behind, resampling)
    };
    quantities.iter().zip(&estimates).enumerate().map(summary).collect()
}

fn summarise(
    quantity: IntervalQuantity,
    (least, largest): Ends,
    [least_values, largest_values]: [Vec<Known<f64>>; 2],
    behind: Behind,
    resampling: Resampling,
) -> IntervalBootstrapEstimate {
    let too_few = Known::NotKnown(WhyNotKnown::TooFewClusters);
    let (level, method) = (resampling.level, IntervalMethod::BootstrapPercentile);
    let mut estimate = IntervalBootstrapEstimate {
        quantity,
        least,
        largest,
        standard_error_of_least: too_few,
        standard_error_of_largest: too_few,
        percentile: BootstrapInterval { lower: too_few, upper: too_few, level, method },
        replicates: least_values.len() as u64,
        not_estimated: not_estimated(&largest_values),
        few_clusters: behind.clusters < FEW_CLUSTERS,
        behind,
    };
    if behind.clusters >= 2 {
        let below = Sorted::of(&least_values, &not_estimated(&least_values), level);
        let above = Sorted::of(&largest_values, &estimate.not_estimated, level);
        (estimate.standard_error_of_least, _) = below.spread(least);
        (estimate.standard_error_of_largest, _) = above.spread(largest);
        estimate.percentile.lower = below.at(level.tail());
        estimate.percentile.upper = above.at(1.0 - level.tail());
    }
    estimate
}

/// The ends of a quantity on a curve.
fn ends(curve: &IntervalSurvival, axis: &Axis, quantity: IntervalQuantity) -> Ends {
    let split = |least: Known<f64>, largest: Known<f64>| (least, largest);
    match quantity {
        IntervalQuantity::Survival(tick) => match curve.survival_at(tick) {
            Known::Known(range) => split(Known::Known(range.least.value()), Known::Known(range.largest.value())),
            Known::NotKnown(why) => split(Known::NotKnown(why), Known::NotKnown(why)),
        },
        IntervalQuantity::RestrictedMean(tick) => match curve.restricted_mean_on(axis, axis.time(tick.count())) {
            Known::Known(range) => split(Known::Known(range.least), Known::Known(range.largest)),
            Known::NotKnown(why) => split(Known::NotKnown(why), Known::NotKnown(why)),
        },
        IntervalQuantity::FailureTime(part) => {
            let quantile = curve.quantile(part);
            let time = |tick: Days| axis.time(tick.count());
            split(quantile.after.map(time), quantile.by.map(time))
        }
    }
}

/// Classes of each cluster.
struct Cells {
    classes: IntervalClasses,
    all: ClassWeights,
    /// Class, entry and weight of each record, one cluster after the other.
    records: Vec<(u32, u32, f64)>,
    /// Where each cluster that is present begins, and the end of the last.
    starts: Vec<usize>,
}

impl Cells {
    fn of(intervals: &Intervals) -> Self {
        let (classes, members) = IntervalClasses::with_members(intervals);
        let all = classes.weights(intervals, &members);
        let keyed = (0..intervals.len()).map(|i| {
            let entry = members.entry.get(i).copied().unwrap_or(0);
            (intervals.cluster()[i], (members.class[i], entry, intervals.weight_of(i)))
        });
        let buckets = Buckets::fill(keyed, intervals.clusters() as usize);
        let mut starts = buckets.starts().to_vec();
        starts.dedup();
        Self { classes, all, records: buckets.into_items(), starts }
    }

    fn replicates(
        &self,
        whole: &Fit,
        behind: Behind,
        resampling: Resampling,
        read: &(dyn Fn(&IntervalSurvival) -> Vec<Ends> + Sync),
    ) -> Vec<Vec<Ends>> {
        let threads = resampling.threads.map_or_else(available, NonZeroUsize::get).min(64);
        let (all, among) = (u64::from(resampling.replicates), threads as u64);
        let shares: Vec<Range<u64>> = (0..among).map(|k| all * k / among..all * (k + 1) / among).collect();
        let some = |range: Range<u64>| {
            let mut times = vec![0_u16; self.starts.len() - 1];
            let mut rows = Vec::new();
            for index in range {
                times.fill(0);
                draw(&mut stream(resampling.seed, index), &mut times);
                let weights = self.weights(&times);
                rows.push(read(&Fit::of(&self.classes, &weights, Some(whole)).result(behind)));
            }
            rows
        };
        on_threads(shares, threads, some).concat()
    }

    fn weights(&self, times: &[u16]) -> ClassWeights {
        let mut weights = ClassWeights { class: vec![0.0; self.all.class.len()], entry: vec![0.0; self.all.entry.len()] };
        for (bounds, &times) in self.starts.windows(2).zip(times).filter(|(_, times)| **times > 0) {
            for &(class, entry, weight) in &self.records[bounds[0]..bounds[1]] {
                let weight = weight * f64::from(times);
                weights.class[class as usize] += weight;
                if entry > 0 {
                    weights.entry[entry as usize - 1] += weight;
                }
            }
        }
        weights
    }
}
