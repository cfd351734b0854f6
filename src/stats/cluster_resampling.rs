//! Statistics of resampled clusters, where each replicate is a whole analysis: how often each observation is drawn goes in as a factor.
//!
//! Definition.  As in `cluster_bootstrap`: as many clusters as there are, drawn with replacement, each with all its observations.
//! Decided.     Replicate i draws from its own stream of random numbers, so threads change nothing. Limits are quantiles of the
//!              replicates, as there; without a jackknife, none are corrected for acceleration.
//! Cost.        A replicate: whatever the analysis costs.

use std::num::NonZeroUsize;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::bootstrap_replicates::Sorted;
use super::cluster_bootstrap::{BootstrapInterval, FEW_CLUSTERS, NotEstimated, Resampling, draw, not_estimated, stream};
use crate::quantity::{Behind, IntervalMethod, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// What resampled clusters say of a statistic.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResampledEstimate {
    /// The estimate from all clusters.
    pub value: Known<f64>,
    /// Standard deviation of the replicates.
    pub standard_error: Known<f64>,
    /// Their mean less the estimate.
    pub bias: Known<f64>,
    /// Percentile limits.
    pub interval: BootstrapInterval,
    /// How many replicates were drawn.
    pub replicates: u64,
    /// Those that have no estimate, by reason.
    pub not_estimated: Vec<NotEstimated>,
    /// Whether a level concerned has fewer than 20 clusters.
    pub few_clusters: bool,
    /// How many stand behind it.
    pub behind: Behind,
}

/// Resamples the clusters of these observations. `evaluate` gives the statistics, always as many and in the same order, for how often
/// each observation is drawn. `smaller`: clusters of the smaller of the levels concerned.
pub(super) fn resample(
    clusters: &[u32],
    resampling: Resampling,
    behind: Behind,
    smaller: u64,
    evaluate: &(dyn Fn(&[f64]) -> Vec<Known<f64>> + Sync),
) -> Vec<ResampledEstimate> {
    let (place, count) = places(clusters);
    let values = evaluate(&vec![1.0; clusters.len()]);
    let replicates = if smaller < 2 { 0 } else { u64::from(resampling.replicates) };
    let threads = resampling.threads.map_or_else(available, NonZeroUsize::get).min(64);
    let shares: Vec<u64> = (0..threads as u64).collect();
    let rows = on_threads(shares, threads, |worker| {
        let (mut times, mut factors) = (vec![0_u16; count], vec![0.0; clusters.len()]);
        let range = replicates * worker / threads as u64..replicates * (worker + 1) / threads as u64;
        range
            .map(|index| {
                times.fill(0);
                draw(&mut stream(resampling.seed, index), &mut times);
                for (factor, &cluster) in factors.iter_mut().zip(clusters) {
                    *factor = f64::from(times[place[cluster as usize] as usize]);
                }
                evaluate(&factors)
            })
            .collect::<Vec<_>>()
    })
    .concat();
    let summary = |(k, &value): (usize, &Known<f64>)| {
        let replicates: Vec<Known<f64>> = rows.iter().map(|row| row[k]).collect();
        let missing = not_estimated(&replicates);
        let (mut standard_error, mut bias) =
            (Known::NotKnown(WhyNotKnown::TooFewClusters), Known::NotKnown(WhyNotKnown::TooFewClusters));
        let (mut lower, mut upper) = (standard_error, standard_error);
        if smaller >= 2 {
            let sorted = Sorted::of(&replicates, &missing, resampling.level);
            (standard_error, bias) = sorted.spread(value);
            let tail = resampling.level.tail();
            (lower, upper) = (sorted.at(tail), sorted.at(1.0 - tail));
        }
        ResampledEstimate {
            value,
            standard_error,
            bias,
            interval: BootstrapInterval {
                lower,
                upper,
                level: resampling.level,
                method: IntervalMethod::BootstrapPercentile,
            },
            replicates: replicates.len() as u64,
            not_estimated: missing,
            few_clusters: smaller < FEW_CLUSTERS,
            behind,
        }
    };
    values.iter().enumerate().map(summary).collect()
}

/// A place for each cluster index that occurs, in their order, and how many there are.
fn places(clusters: &[u32]) -> (Vec<u32>, usize) {
    let end = clusters.iter().max().map_or(0, |&last| last as usize + 1);
    let mut place = vec![0; end];
    clusters.iter().for_each(|&cluster| place[cluster as usize] = 1);
    let mut count = 0;
    for place in &mut place {
        let here = *place;
        *place = count;
        count += here;
    }
    (place, count as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_of_clusters_has_its_known_spread() {
        // By hand: 50 clusters with values 0 and 1 by turns: the mean of a draw has variance (1/4)/50.
        let clusters: Vec<u32> = (0..50).map(|i| 3 * i).collect();
        let mean = |factors: &[f64]| {
            let sum: f64 = factors.iter().enumerate().map(|(i, factor)| factor * (i % 2) as f64).sum();
            vec![Known::Known(sum / factors.iter().sum::<f64>())]
        };
        let resampling = Resampling { replicates: 4000, ..Resampling::default() };
        let found = resample(&clusters, resampling, Behind::default(), 50, &mean).remove(0);
        let error = found.standard_error.known().expect("spread");
        // Four Monte Carlo errors: 4/√(2·4000).
        assert!((error / libm::sqrt(0.005) - 1.0).abs() < 4.0 / libm::sqrt(8000.0), "relative: {error}");
        assert_eq!((found.value, found.few_clusters), (Known::Known(0.5), false));
        let one = resample(&clusters, resampling, Behind::default(), 1, &mean).remove(0);
        assert_eq!((one.interval.lower, one.replicates), (Known::NotKnown(WhyNotKnown::TooFewClusters), 0));
    }
}
