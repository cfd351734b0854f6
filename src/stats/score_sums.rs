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
use super::grouping::NO_GROUP;
use super::observation::Ending;
use super::risk_counts::RiskCounts;
use super::weighting::Weighting;
use crate::quantity::WhyNotKnown;
use crate::threads::{available, in_turn, on_threads};

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

    /// The robust covariance of one weighting, and how many clusters take part. `column` tells, for each level of the grouping, which of
    /// the groups here it is, if any.
    ///
    /// Where clusters come one after the other nothing is kept of each, and clusters of one are counted on the grid of days: what they
    /// add depends on group, exit and ending alone.
    pub(super) fn over_clusters(&self, compared: &Compared<'_>, column: &[Option<usize>]) -> (Covariance, u64) {
        let observations = compared.observations;
        let simple = observations.in_order_of_clusters() && observations.weights().is_none() && compared.strata.is_none();
        let days = observations.days();
        if !simple || self.weightings != 1 || days * self.counts.size > PART {
            let clusters = self.by_cluster(compared, column);
            return (clusters.covariance(), clusters.present());
        }
        let parts = cut_between_clusters(observations.cluster());
        let threads = available().min(parts.len());
        let summed = in_turn(&parts, threads, |rows| self.over_clusters_of(compared, column, rows.clone()));
        let mut all = OverClusters::none(self.counts.size, 0);
        summed.iter().for_each(|part| all.add(part));
        let size = self.counts.size;
        for (cell, count) in all.alone.iter().enumerate().filter(|(_, count)| **count > 0) {
            let (exit, own, failed) = (cell / 2 / size, cell / 2 % size, cell % 2 == 1);
            let mut scores = vec![0.0; size];
            self.add_residual(&mut scores, own, (0, i32::try_from(exit).unwrap_or(i32::MAX)), failed);
            all.covariance.add_square(f64::from(*count), &scores);
            all.clusters += u64::from(*count);
        }
        (all.covariance, all.clusters)
    }

    fn over_clusters_of(&self, compared: &Compared<'_>, column: &[Option<usize>], rows: Range<usize>) -> OverClusters {
        let size = self.counts.size;
        let observations = compared.observations;
        let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
        let days = observations.days();
        let mut sums = OverClusters::none(size, days);
        let mut scores = vec![0.0; size];
        let codes = compared.grouping.codes();
        let own_of = |i: usize| {
            let code = codes.get(i).copied().filter(|code| *code != NO_GROUP)?;
            column.get(usize::from(code)).copied().flatten()
        };
        let mut from = rows.start;
        for cluster in observations.cluster()[rows].chunk_by(|one, other| one == other) {
            let these = from..from + cluster.len();
            from = these.end;
            if these.len() == 1 && entry[these.start] == 0 {
                let i = these.start;
                if let Some(own) = own_of(i) {
                    let cell = (exit[i] as usize * size + own) * 2 + usize::from(ending[i] == Ending::Failed);
                    sums.alone[cell] += 1;
                }
                continue;
            }
            let mut members = 0;
            scores.fill(0.0);
            for (i, own) in these.filter_map(|i| Some((i, own_of(i)?))) {
                self.add_residual(&mut scores, own, (entry[i], exit[i]), ending[i] == Ending::Failed);
                members += 1;
            }
            if members > 0 {
                sums.covariance.add_square(1.0, &scores);
                sums.clusters += 1;
            }
        }
        sums
    }

    /// Adds the residuals of an observation under the only weighting, in the only stratum.
    #[inline]
    fn add_residual(&self, scores: &mut [f64], own: usize, (entry, exit): (i32, i32), failed: bool) {
        let (size, length) = (scores.len(), step_length(scores.len()));
        let step = |row: usize| &self.steps[row * length..(row + 1) * length];
        let (before, after) = (self.counts.first(0, entry), self.counts.after(0, exit));
        let (from, to) = (step(before), step(after));
        scores[own] -= to[0] - from[0];
        for (score, (to, from)) in scores.iter_mut().zip(to[1..=size].iter().zip(&from[1..=size])) {
            *score += to - from;
        }
        if failed {
            let at = step(after.saturating_sub(1));
            scores[own] += at[1 + size];
            for (score, at) in scores.iter_mut().zip(&at[2 + size..]) {
                *score -= at;
            }
        }
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

/// Observations of a part of which clusters are summed, more or less: parts are the same on any number of threads.
const PART: usize = 1 << 18;

/// Rows cut into parts, none of them within a cluster.
fn cut_between_clusters(cluster: &[u32]) -> Vec<Range<usize>> {
    let mut parts = Vec::new();
    let mut from = 0;
    while from < cluster.len() {
        let wanted = cluster.len().min(from + PART);
        let of_last = cluster[wanted - 1];
        let to = wanted + cluster[wanted..].iter().take_while(|other| **other == of_last).count();
        parts.push(from..to);
        from = to;
    }
    parts
}

/// What clusters add up to.
struct OverClusters {
    covariance: Covariance,
    clusters: u64,
    /// How many clusters of one there are, by exit, group and whether it failed.
    alone: Vec<u32>,
}

impl OverClusters {
    fn none(size: usize, days: usize) -> Self {
        Self { covariance: Covariance::zero(size), clusters: 0, alone: vec![0; days * size * 2] }
    }

    fn add(&mut self, part: &Self) {
        self.covariance.add_all(&part.covariance);
        self.clusters += part.clusters;
        self.alone.resize(self.alone.len().max(part.alone.len()), 0);
        self.alone.iter_mut().zip(&part.alone).for_each(|(all, part)| *all += part);
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

    fn assert_near(one: &Covariance, other: &Covariance) {
        for (a, b) in one.rows().concat().into_iter().zip(other.rows().concat()) {
            let scale = other.largest_variance().map_or(1.0, |g| other.at(g, g));
            assert!((a - b).abs() <= 1e-13 * scale, "of the largest variance: {a} against {b}");
        }
    }

    #[test]
    fn clusters_one_after_the_other_are_summed_as_by_themselves() {
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for i in 0..2_000_u16 {
            let scattered = i.wrapping_mul(40_503) >> 4;
            let entry = if scattered % 7 == 0 { 2 } else { 0 };
            let ending = if scattered % 5 < 2 { Ending::Failed } else { Ending::Censored };
            let exit = Days::new(entry + 1 + i32::from(scattered % 41));
            // Clusters of one, two and three.
            let cluster = u32::from(i / 6 * 3) + [0, 1, 1, 2, 2, 2][usize::from(i % 6)];
            observations.push(Days::new(entry), exit, ending, cluster).expect("in order");
            codes.push([0, 1, 2, NO_GROUP][usize::from(scattered % 4)]);
        }
        let grouping = Grouping::new(codes, 3).expect("levels");
        let compared = Compared::new(&observations, &grouping);
        let sums = ScoreSums::of(RiskCounts::of(&compared), &[Weighting::LogRank]);
        let column = compared.columns(&compared.all_groups());
        let (over, clusters) = sums.over_clusters(&compared, &column);
        let each = sums.by_cluster(&compared, &column);
        assert_eq!(clusters, each.present());
        assert_near(&over, &each.covariance());
        let cut = cut_between_clusters(&[0, 0, 1, 1, 1]);
        assert_eq!((cut.len(), &cut[0]), (1, &(0..5)), "fewer than a part");
        let long: Vec<u32> = (0_u32..).map(|i| i / 5).take(3 * PART).collect();
        let cut = cut_between_clusters(&long);
        assert_eq!((cut[0].start, cut.last().map(|part| part.end)), (0, Some(long.len())));
        assert!(cut.windows(2).all(|pair| pair[0].end == pair[1].start && long[pair[0].end - 1] != long[pair[0].end]));
    }

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
            if weightings.len() == 1 {
                let (over, clusters) = sums.over_clusters(&compared, &column);
                assert_eq!(clusters, one.present());
                assert_near(&over, &one.covariance());
            }
            for (k, difference) in sums.difference.iter().enumerate() {
                let sum: f64 = one.each().map(|score| score[k]).sum();
                let scale = sums.covariance.at(k, k).sqrt();
                assert!((sum - difference).abs() < 1e-11 * scale, "of the deviation: {sum} against {difference}");
            }
        }
    }
}
