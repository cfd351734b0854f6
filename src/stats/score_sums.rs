//! The sums behind the tests that compare groups: weighted differences, their covariance, and each cluster's part in them.
//!
//! Definition.  With weight W on a row, U_g = Σ W·(d_g − d·n_g/n). Model-based covariance of weightings a and b:
//!              Σ W_a·W_b · d·(n − d)/(n − 1) · n_g/n · ([g = h] − n_h/n). Score residual of observation i of group j with case weight
//!              w: w·Σ W·(dN_i − Y_i·d/n)·([g = j] − n_g/n); they sum to U_g. The robust covariance is the sum, over clusters, of
//!              the squares of each cluster's sum of residuals.
//! Decided.     Where the failures of a row weigh less than 1 together, the factor (n − d)/(n − 1), which would exceed 1, is left out.
//!              A cluster informs if its residuals are more than rounding: above 1e-12 of the largest.
//! Cost.        O(rows·groups²·weightings²) and O(observations·groups·weightings). The clusters are dealt out to threads, and each
//!              thread adds up its own in the order of the observations: the sums are the same for any number of threads.

use std::ops::Range;

use super::compared::Compared;
use super::covariance::Covariance;
use super::observation::Ending;
use super::risk_counts::RiskCounts;
use super::weighting::Weighting;
use crate::quantity::WhyNotKnown;
use crate::threads::{available, on_threads};

/// Below so many observations a second thread costs more than it saves.
const WORTH_A_THREAD: usize = 100_000;
/// How many observations are picked out at a time.
const BATCH: usize = 256;
/// A cluster whose residuals are below this part of the largest tells nothing.
const ROUNDING: f64 = 1e-12;

/// Sums over all rows, for one or several weightings at once.
pub(super) struct ScoreSums {
    counts: RiskCounts,
    weightings: usize,
    /// Failures of each group.
    pub observed: Vec<f64>,
    /// Failures of each group if all failed at the same pace.
    pub expected: Vec<f64>,
    /// The weighted difference, for each weighting and group.
    pub difference: Vec<f64>,
    /// Model-based covariance of the weighted differences.
    pub covariance: Covariance,
    /// Covariance of the unweighted differences.
    pub unweighted: Covariance,
    /// How many strata have failures in a row with two groups at risk.
    pub informative_strata: u32,
    /// For each row and group, n_g/n.
    share: Vec<f64>,
    /// For each row and weighting, W.
    weight: Vec<f64>,
    /// What the residuals need of each row and weighting, side by side: Σ W·d/n over the earlier rows of the stratum; for each
    /// group Σ W·d/n·n_g/n over them; W; for each group W·n_g/n.
    steps: Vec<f64>,
}

impl ScoreSums {
    pub(super) fn of(counts: RiskCounts, weightings: &[Weighting]) -> Self {
        let (size, several) = (counts.size, weightings.len());
        let rows = counts.starts.last().copied().unwrap_or(0);
        let mut sums = Self {
            weightings: several,
            observed: vec![0.0; size],
            expected: vec![0.0; size],
            difference: vec![0.0; several * size],
            covariance: Covariance::zero(several * size),
            unweighted: Covariance::zero(size),
            informative_strata: 0,
            share: vec![0.0; rows * size],
            weight: vec![0.0; rows * several],
            steps: vec![0.0; rows * several * step_length(size)],
            counts,
        };
        for stratum in 0..sums.counts.starts.len().saturating_sub(1) {
            sums.add_stratum(sums.counts.starts[stratum]..sums.counts.starts[stratum + 1], weightings);
        }
        // The unweighted sums of one group differ from its weighted ones only by rounding; the same rounding is kept.
        for (m, weighting) in weightings.iter().enumerate() {
            if *weighting == Weighting::LogRank {
                for g in 0..size {
                    sums.difference[m * size + g] = sums.observed[g] - sums.expected[g];
                }
            }
        }
        sums
    }

    /// How many observations take part.
    pub(super) fn observations(&self) -> u64 {
        self.counts.observations.iter().sum()
    }

    /// How many of them fail.
    pub(super) fn failures(&self) -> u64 {
        self.counts.failures.iter().sum()
    }

    /// Why a weighting has no variance: fewer than two groups were at risk when some failed, or no failure that weighs anything.
    pub(super) fn why_nothing_to_compare(&self) -> WhyNotKnown {
        let compared = self.unweighted.largest_variance().is_some_and(|g| self.unweighted.at(g, g) > 0.0);
        if compared { WhyNotKnown::NoFailures } else { WhyNotKnown::TooFewGroups }
    }

    /// n, d and n − d of a row.
    fn totals(&self, row: usize) -> (f64, f64, f64) {
        let cells = row * self.counts.size..(row + 1) * self.counts.size;
        let (at_risk, failed) = (&self.counts.at_risk[cells.clone()], &self.counts.failed[cells]);
        let left = at_risk.iter().zip(failed).map(|(n, d)| n - d).sum();
        (at_risk.iter().sum(), failed.iter().sum(), left)
    }

    fn add_stratum(&mut self, rows: Range<usize>, weightings: &[Weighting]) {
        let (size, several) = (self.counts.size, self.weightings);
        let totals: Vec<_> = rows.clone().map(|row| self.totals(row)).collect();
        for (m, weighting) in weightings.iter().enumerate() {
            let mut row = rows.start;
            weighting.of_rows(totals.iter().copied(), |weight| {
                self.weight[row * several + m] = weight;
                row += 1;
            });
        }
        let mut informs = false;
        // The last row of a stratum has nobody at risk; it holds the sums over all the others.
        for (row, &(n, d, left)) in rows.clone().zip(&totals).take(rows.len().saturating_sub(1)) {
            let hazard = if d > 0.0 { d / n } else { 0.0 };
            for g in 0..size {
                let at_risk = self.counts.at_risk[row * size + g];
                self.share[row * size + g] = if at_risk > 0.0 { at_risk / n } else { 0.0 };
            }
            if d > 0.0 {
                informs |= self.add_row(row, d, left, n);
            }
            let length = step_length(size);
            for m in 0..several {
                let weight = self.weight[row * several + m];
                let weighted = weight * hazard;
                let (from, to) = ((row * several + m) * length, ((row + 1) * several + m) * length);
                self.steps[to] = self.steps[from] + weighted;
                self.steps[from + 1 + size] = weight;
                for g in 0..size {
                    let share = self.share[row * size + g];
                    self.steps[to + 1 + g] = self.steps[from + 1 + g] + weighted * share;
                    self.steps[from + 2 + size + g] = weight * share;
                }
            }
        }
        self.informative_strata += u32::from(informs);
    }

    /// Adds a row with failures to the differences and the covariance; says whether two groups were at risk.
    fn add_row(&mut self, row: usize, d: f64, left: f64, n: f64) -> bool {
        let (size, several) = (self.counts.size, self.weightings);
        let spread = if left <= 0.0 {
            0.0
        } else if d >= 1.0 {
            d * left / (n - 1.0)
        } else {
            d
        };
        let share = &self.share[row * size..(row + 1) * size];
        let weight = &self.weight[row * several..(row + 1) * several];
        for g in 0..size {
            let failed = self.counts.failed[row * size + g];
            self.observed[g] += failed;
            self.expected[g] += d * share[g];
            for (m, weight) in weight.iter().enumerate() {
                self.difference[m * size + g] += weight * (failed - d * share[g]);
            }
            if share[g] > 0.0 {
                for h in 0..size {
                    let own = if g == h { 1.0 } else { 0.0 };
                    let term = spread * share[g] * (own - share[h]);
                    self.unweighted.add(g, h, term);
                    for (a, weight_a) in weight.iter().enumerate() {
                        for (b, weight_b) in weight.iter().enumerate() {
                            self.covariance.add(a * size + g, b * size + h, weight_a * weight_b * term);
                        }
                    }
                }
            }
        }
        share.iter().filter(|&&share| share > 0.0).count() > 1
    }

    /// Each cluster's sum of residuals. `column` tells, for each level of the grouping, which of the groups here it is, if any.
    pub(super) fn by_cluster(&self, compared: &Compared<'_>, column: &[Option<usize>]) -> ClusterScores {
        let threads = available().min(compared.observations.len() / WORTH_A_THREAD).max(1);
        self.by_cluster_on(compared, column, threads)
    }

    fn by_cluster_on(&self, compared: &Compared<'_>, column: &[Option<usize>], threads: usize) -> ClusterScores {
        let clusters = compared.observations.clusters() as usize;
        let width = self.weightings * self.counts.size;
        let mut scores = ClusterScores { width, scores: vec![0.0; clusters * (width + 1)] };
        let each = clusters.div_ceil(threads).max(1);
        let parts = scores.scores.chunks_mut(each * (width + 1)).enumerate().collect();
        on_threads(parts, threads, |(number, scores)| self.add_clusters(compared, column, number * each, scores));
        scores
    }

    /// Adds the residuals of the clusters from `first` on, as many as there is room for.
    fn add_clusters(&self, compared: &Compared<'_>, column: &[Option<usize>], first: usize, scores: &mut [f64]) {
        // The usual sizes get loops of known length.
        match (self.weightings, self.counts.size) {
            (1, 2) => self.add_clusters_sized(compared, column, first, scores, 1, 2),
            (1, 3) => self.add_clusters_sized(compared, column, first, scores, 1, 3),
            (1, 4) => self.add_clusters_sized(compared, column, first, scores, 1, 4),
            (1, 5) => self.add_clusters_sized(compared, column, first, scores, 1, 5),
            (1, 6) => self.add_clusters_sized(compared, column, first, scores, 1, 6),
            (1, 7) => self.add_clusters_sized(compared, column, first, scores, 1, 7),
            (several, size) => self.add_clusters_sized(compared, column, first, scores, several, size),
        }
    }

    #[inline(always)]
    fn add_clusters_sized(
        &self,
        compared: &Compared<'_>,
        column: &[Option<usize>],
        first: usize,
        scores: &mut [f64],
        several: usize,
        size: usize,
    ) {
        let (width, length) = (several * size, step_length(size));
        let room = scores.len() / (width + 1);
        let observations = compared.observations;
        let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
        let (cluster, weights) = (observations.cluster(), observations.weights());
        let step = |row: usize, m: usize| &self.steps[(row * several + m) * length..(row * several + m + 1) * length];
        let mut add = |&(i, stratum, own, place): &(usize, usize, usize, usize)| {
            let cells = &mut scores[place * (width + 1)..(place + 1) * (width + 1)];
            cells[width] += 1.0;
            let case = weights.map_or(1.0, |weights| weights[i]);
            let (before, after) = (self.counts.first(stratum, entry[i]), self.counts.after(stratum, exit[i]));
            // No branch on the ending: it can't be foreseen, and nothing times a number is soon added.
            let fails = if ending[i] == Ending::Failed { case } else { 0.0 };
            for (m, score) in cells[..width].chunks_exact_mut(size).enumerate() {
                let (from, to, at) = (step(before, m), step(after, m), step(after.saturating_sub(1), m));
                score[own] -= case * (to[0] - from[0]);
                for g in 0..size {
                    score[g] += case * (to[1 + g] - from[1 + g]);
                }
                score[own] += fails * at[1 + size];
                for g in 0..size {
                    score[g] -= fails * at[2 + size + g];
                }
            }
        };
        // The clusters of this thread are picked out first, a batch at a time, so that what is fetched for one overlaps the next.
        let own_of: Vec<usize> = column.iter().map(|column| column.unwrap_or(size)).collect();
        let (mut batch, mut filled) = ([(0, 0, 0, 0); BATCH], 0);
        compared.each(|i, level, stratum| {
            let (own, place) = (own_of[level], (cluster[i] as usize).wrapping_sub(first));
            batch[filled] = (i, stratum, own, place);
            filled += usize::from((place < room) & (own < size));
            if filled == BATCH {
                batch.iter().for_each(&mut add);
                filled = 0;
            }
        });
        batch[..filled].iter().for_each(&mut add);
    }
}

/// How many numbers a row and weighting has for the residuals.
fn step_length(size: usize) -> usize {
    2 * (size + 1)
}

/// The residuals of each cluster, summed.
pub(super) struct ClusterScores {
    width: usize,
    /// For each cluster its residuals, and how many observations of it take part.
    scores: Vec<f64>,
}

impl ClusterScores {
    /// The residuals of each cluster, for each weighting and group.
    pub(super) fn each(&self) -> impl Iterator<Item = &[f64]> {
        self.scores.chunks_exact(self.width + 1).map(|score| &score[..self.width])
    }

    /// Their squares, summed over clusters.
    pub(super) fn covariance(&self) -> Covariance {
        let mut covariance = Covariance::zero(self.width);
        for score in self.each() {
            covariance.add_square(1.0, score);
        }
        covariance
    }

    /// How many clusters take part.
    pub(super) fn present(&self) -> u64 {
        self.scores.chunks_exact(self.width + 1).map(|score| u64::from(score[self.width] > 0.0)).sum()
    }

    /// The residuals of those clusters that have more than rounding, by the first weighting's `size` groups.
    pub(super) fn informing(&self, size: usize) -> impl Iterator<Item = &[f64]> {
        let largest = move |score: &[f64]| score[..size].iter().fold(0.0_f64, |largest, score| largest.max(score.abs()));
        let threshold = ROUNDING * self.each().map(largest).fold(0.0_f64, f64::max);
        self.each().filter(move |score| largest(score) > threshold)
    }

    /// How many these are.
    pub(super) fn informative(&self, size: usize) -> u64 {
        self.informing(size).map(|_| 1).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::super::grouping::Grouping;
    use super::super::observation::Observations;
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn the_residuals_are_the_same_bytes_on_any_number_of_threads_and_sum_to_the_difference() {
        let (mut observations, mut codes, mut strata) = (Observations::default(), Vec::new(), Vec::new());
        for i in 0..1_500_u16 {
            let scattered = i.wrapping_mul(40_503) >> 4;
            let entry = if scattered % 3 == 0 { i32::from(scattered % 7) } else { 0 };
            let ending = if scattered % 5 < 2 { Ending::Failed } else { Ending::Censored };
            let exit = Days::new(entry + 1 + i32::from(scattered % 41));
            let weight = 0.5 + f64::from(i % 9);
            observations
                .push_weighted(Days::new(entry), exit, ending, u32::from(scattered % 101), weight)
                .expect("in order");
            codes.push(scattered % 3);
            strata.push(i % 4);
        }
        let grouping = Grouping::new(codes, 3).expect("levels");
        let strata = Grouping::new(strata, 4).expect("levels");
        let compared = Compared::new(&observations, &grouping).within(&strata);
        for weightings in [&[Weighting::LogRank][..], &[Weighting::Gehan, Weighting::PetoPeto]] {
            let sums = ScoreSums::of(RiskCounts::of(&compared), weightings);
            let column = compared.columns(&compared.all_groups());
            let one = sums.by_cluster_on(&compared, &column, 1);
            for threads in [2, 3, 7, 101, 500] {
                let several = sums.by_cluster_on(&compared, &column, threads);
                assert!(
                    one.scores.iter().zip(&several.scores).all(|(a, b)| a.to_bits() == b.to_bits()),
                    "{threads} threads"
                );
            }
            assert_eq!((one.present(), one.informative(3)), (101, 101));
            for (k, difference) in sums.difference.iter().enumerate() {
                let sum: f64 = one.each().map(|score| score[k]).sum();
                let scale = sums.covariance.at(k, k).sqrt();
                assert!((sum - difference).abs() < 1e-11 * scale, "of the deviation: {sum} against {difference}");
            }
        }
    }
}
