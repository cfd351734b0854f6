//! How far several examiners agree, scores missing or not: Krippendorff's alpha.
//!
//! Formula.     Of thing u with m_u ≥ 2 scores, m_uc of them in category c: coincidences o_cd = Σ_u m_uc·(m_ud − 1(c = d))/(m_u − 1), n_c = Σ_d o_cd,
//!              n = Σ n_c. α = 1 − (n − 1)·Σ o_cd·δ²_cd / Σ n_c·n_d·δ²_cd.
//!              δ² nominal: 1(c ≠ d); interval: (v_c − v_d)² of the categories' values; ordinal: (n_c/2 + Σ of n between + n_d/2)².
//! Interval.    Clusters of things drawn with replacement; quantiles of the α of 1999 or so such draws, as in `cluster_bootstrap`.
//! Source.      Krippendorff K. Content Analysis, 2nd ed. 2004, 11.3; Hayes AF, Krippendorff K. Commun Methods Meas 2007;1:77–89 (the idea
//!              of an interval by resampling; here whole things are resampled, not single disagreements) (both from memory).
//! Decided.     Things scored once or not at all tell nothing and take no part, also not in resampling. One category used: α is not
//!              defined. Draws in which it is not defined are counted by reason. No draw changes with the number of threads.
//! Cost.        A draw: the cells that occur in things, and the square of the categories.
//! Not for.     Cells of so few things that draws without variation abound.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::bootstrap_replicates::Sorted;
use super::cluster_bootstrap::{BootstrapInterval, NotEstimated, Resampling, draw, stream};
use super::ratings::Ratings;
use crate::quantity::{Behind, IntervalMethod, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// How far apart two categories are.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Disagreement {
    /// Any two alike.
    #[default]
    Nominal,
    /// By how many scores lie between them.
    Ordinal,
    /// By the distance of their places.
    Interval,
    /// By the distance of these values, one for each category.
    IntervalOf(Vec<f64>),
}

/// Krippendorff's alpha with its interval.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KrippendorffAlpha {
    /// Agreement beyond chance: 1 complete, 0 as by chance.
    pub value: f64,
    /// How far apart categories were taken to be.
    pub disagreement: Disagreement,
    /// Scores that can be paired with another of the same thing.
    pub pairable: u64,
    /// Things scored at least twice, and their clusters.
    pub behind: Behind,
    /// Limits from resampled clusters.
    pub interval: BootstrapInterval,
    /// How many draws.
    pub replicates: u32,
    /// Draws without a value.
    pub not_estimated: Vec<NotEstimated>,
}

/// Alpha of these ratings; thing i belongs to cluster `clusters[i]`, or each is its own.
///
/// Not known without a thing scored twice, with one category used, when values are not as many numbers as categories, or clusters not as
/// many as things.
pub fn krippendorff_alpha(
    ratings: &Ratings,
    disagreement: &Disagreement,
    clusters: Option<&[u32]>,
    resampling: Resampling,
) -> Known<KrippendorffAlpha> {
    let things = ratings.things().len();
    if let Disagreement::IntervalOf(values) = disagreement
        && (values.len() != ratings.categories() || values.iter().any(|value| !value.is_finite()))
    {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    if clusters.is_some_and(|clusters| clusters.len() != things) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let coincidences = Coincidences::of(ratings, clusters);
    let whole = vec![1; coincidences.clusters()];
    let value = match coincidences.alpha(&whole, disagreement) {
        Known::Known(value) => value,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let (interval, not_estimated) = coincidences.interval(disagreement, resampling);
    Known::Known(KrippendorffAlpha {
        value,
        disagreement: disagreement.clone(),
        pairable: coincidences.pairable,
        behind: Behind { observations: coincidences.things, clusters: coincidences.clusters() as u64, failures: 0 },
        interval,
        replicates: resampling.replicates,
        not_estimated,
    })
}

/// Coincidences of the things of each cluster.
struct Coincidences {
    categories: usize,
    /// Cell and coincidences, cluster after cluster; cells (c, d) and (d, c) together at c·categories + d, c ≤ d.
    cells: Vec<(u32, f64)>,
    /// Where the cells of each cluster end.
    ends: Vec<usize>,
    things: u64,
    pairable: u64,
}

impl Coincidences {
    #[expect(clippy::cast_possible_truncation, reason = "the square of at most 2^16 categories")]
    fn of(ratings: &Ratings, clusters: Option<&[u32]>) -> Self {
        let categories = ratings.categories();
        let mut cells: Vec<(usize, u32, f64)> = Vec::new();
        let (mut things, mut pairable) = (0, 0);
        for (thing, counts) in ratings.things().enumerate() {
            let scores: u64 = counts.iter().map(|&count| u64::from(count)).sum();
            if scores < 2 {
                continue;
            }
            things += 1;
            pairable += scores;
            let cluster = clusters.map_or(thing, |clusters| clusters[thing] as usize);
            let others = (scores - 1) as f64;
            let used: Vec<(usize, f64)> =
                counts.iter().enumerate().filter(|count| *count.1 > 0).map(|(c, &count)| (c, f64::from(count))).collect();
            for (place, &(c, count)) in used.iter().enumerate() {
                // Both orders of a pair together.
                cells.push((cluster, (c * categories + c) as u32, count * (count - 1.0) / others));
                for &(d, other) in &used[place + 1..] {
                    cells.push((cluster, (c * categories + d) as u32, 2.0 * count * other / others));
                }
            }
        }
        cells.sort_by_key(|&(cluster, cell, _)| (cluster, cell));
        cells.dedup_by(|later, kept| {
            let same = (later.0, later.1) == (kept.0, kept.1);
            if same {
                kept.2 += later.2;
            }
            same
        });
        let mut ends = Vec::new();
        for cluster in cells.chunk_by(|one, next| one.0 == next.0) {
            ends.push(ends.last().copied().unwrap_or(0) + cluster.len());
        }
        let cells = cells.into_iter().map(|(_, cell, sum)| (cell, sum)).collect();
        Self { categories, cells, ends, things, pairable }
    }

    fn clusters(&self) -> usize {
        self.ends.len()
    }

    /// Alpha when each cluster is taken so many times.
    fn alpha(&self, times: &[u16], disagreement: &Disagreement) -> Known<f64> {
        let k = self.categories;
        let mut sums = vec![0.0; k * k];
        let mut start = 0;
        for (&end, &times) in self.ends.iter().zip(times) {
            if times > 0 {
                for &(cell, sum) in &self.cells[start..end] {
                    sums[cell as usize] += f64::from(times) * sum;
                }
            }
            start = end;
        }
        let mut totals = vec![0.0; k];
        for c in 0..k {
            for d in c..k {
                totals[c] += 0.5 * sums[c * k + d];
                totals[d] += 0.5 * sums[c * k + d];
            }
        }
        let n: f64 = totals.iter().sum();
        if n <= 0.0 {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        let (mut observed, mut expected) = (0.0, 0.0);
        for c in 0..k {
            let mut between = 0.5 * totals[c];
            for d in c + 1..k {
                let apart = match disagreement {
                    Disagreement::Nominal => 1.0,
                    Disagreement::Ordinal => between + 0.5 * totals[d],
                    Disagreement::Interval => (d - c) as f64,
                    Disagreement::IntervalOf(values) => values[d] - values[c],
                };
                between += totals[d];
                observed += sums[c * k + d] * apart * apart;
                expected += 2.0 * totals[c] * totals[d] * apart * apart;
            }
        }
        if expected > 0.0 {
            Known::Known(1.0 - (n - 1.0) * observed / expected)
        } else {
            Known::NotKnown(WhyNotKnown::NoVariation)
        }
    }

    fn interval(&self, disagreement: &Disagreement, resampling: Resampling) -> (BootstrapInterval, Vec<NotEstimated>) {
        let level = resampling.level;
        let limits = |lower, upper| BootstrapInterval { lower, upper, level, method: IntervalMethod::BootstrapPercentile };
        if self.clusters() < 2 {
            let why = Known::NotKnown(WhyNotKnown::TooFewClusters);
            return (limits(why, why), Vec::new());
        }
        let threads = resampling.threads.map_or_else(available, usize::from);
        let replicates = on_threads((0..u64::from(resampling.replicates)).collect(), threads, |index| {
            let mut times = vec![0; self.clusters()];
            draw(&mut stream(resampling.seed, index), &mut times);
            self.alpha(&times, disagreement)
        });
        let mut missing: Vec<NotEstimated> = Vec::new();
        for replicate in &replicates {
            if let Known::NotKnown(why) = *replicate {
                match missing.iter_mut().find(|missing| missing.why == why) {
                    Some(missing) => missing.replicates += 1,
                    None => missing.push(NotEstimated { why, replicates: 1 }),
                }
            }
        }
        missing.sort_by_key(|missing| missing.why);
        let sorted = Sorted::of(&replicates, &missing, level);
        (limits(sorted.at(level.tail()), sorted.at(1.0 - level.tail())), missing)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::ratings::NO_SCORE;
    use std::num::NonZeroUsize;

    /// Krippendorff K. Computing Krippendorff's alpha-reliability, 2011: four observers, twelve units, scores 1 to 5 less one.
    fn published() -> Ratings {
        let no = NO_SCORE;
        let examiners = [
            [0, 1, 2, 2, 1, 0, 3, 0, 1, no, no, no],
            [0, 1, 2, 2, 1, 1, 3, 0, 1, 4, no, 2],
            [no, 2, 2, 2, 1, 2, 3, 1, 1, 4, 0, no],
            [0, 1, 2, 2, 1, 3, 3, 0, 1, 4, 0, no],
        ];
        Ratings::new(&examiners, 5).expect("scores")
    }

    fn alpha(ratings: &Ratings, disagreement: Disagreement, threads: usize) -> KrippendorffAlpha {
        let resampling = Resampling { replicates: 999, threads: NonZeroUsize::new(threads), ..Resampling::default() };
        krippendorff_alpha(ratings, &disagreement, None, resampling).known().cloned().expect("defined")
    }

    #[test]
    fn four_observers_in_print() {
        // The same paper, from memory: nominal 0.743, ordinal 0.815, interval 0.849.
        for (disagreement, printed) in
            [(Disagreement::Nominal, 0.743), (Disagreement::Ordinal, 0.815), (Disagreement::Interval, 0.849)]
        {
            let alpha = alpha(&published(), disagreement, 1);
            assert!((alpha.value - printed).abs() < 5e-4, "printed: {}", alpha.value);
            assert_eq!((alpha.pairable, alpha.behind.observations), (40, 11));
            let (lower, upper) =
                (*alpha.interval.lower.known().expect("draws"), *alpha.interval.upper.known().expect("draws"));
            assert!(lower < alpha.value && alpha.value < upper, "{lower} {upper}");
        }
    }

    #[test]
    fn threads_change_nothing_and_values_only_by_their_distances() {
        let one = alpha(&published(), Disagreement::Interval, 1);
        assert_eq!(one, alpha(&published(), Disagreement::Interval, 3));
        let values = vec![2.0, 5.0, 8.0, 11.0, 14.0];
        assert!((one.value - alpha(&published(), Disagreement::IntervalOf(values), 1).value).abs() < 1e-14, "absolute");
    }

    #[test]
    fn nothing_to_tell() {
        let of = |examiners: &[Vec<u16>]| {
            krippendorff_alpha(
                &Ratings::new(examiners, 3).expect("scores"),
                &Disagreement::Ordinal,
                None,
                Resampling::default(),
            )
        };
        assert_eq!(of(&[vec![1, 1], vec![1, 1]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(of(&[vec![1, 2]]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(of(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
        let one = of(&[vec![0, NO_SCORE], vec![1, 2]]).known().cloned().expect("defined");
        assert_eq!(one.interval.lower, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
