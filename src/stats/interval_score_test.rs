//! Do groups fail at the same pace, when failures are known only to lie in intervals? Generalised log-rank tests.
//!
//! Definition.  U_g = Σ w·c over group g, c the scores by the curve of all groups together (see `interval_scores`); the statistic is
//!              (U − E)ᵀ V⁻ (U − E), χ² with as many degrees of freedom as V has rank. With strata, each has a curve of its own, and U,
//!              E and V are sums over strata.
//! Variance.    Permutation: units change groups at random within their stratum. Of n units with mean score c̄, E_g = n_g·c̄ and
//!              V_gh = Σ(c − c̄)²/(n − 1) · (n_g·[g = h] − n_g·n_h/n).
//!              Cluster-robust: u_g = Σ w·(c − c̄)·([in g] − n_g/n) summed by cluster, V = Σ over clusters of u·uᵀ.
//! Source.      Fay MP, Shaw PA. J Stat Softw 2010;36(2):1–34, section 4.2 (values checked); permutation variance: Fay MP, Shih JH.
//!              J Am Stat Assoc 1998;93:387–396; whole clusters: same, and Liang KY, Zeger SL. Biometrika 1986;73:13–22 (from memory).
//! Decided.     Two verdicts: `observations` takes each record as independent. `clusters` doesn't: where each cluster lies in one group,
//!              whole clusters are permuted, with the sums of c − c̄ of their records; where groups vary within clusters, the
//!              variance is cluster-robust. A case weight of 2 is two records in the first, twice the score in the others.
//!              Records past the place where those at risk were exhausted have no score and take no part.
//! Assumes.     Visits are planned alike in all groups: else a permutation would change the intervals too.
//! Cost.        A curve for each stratum, then O(records + clusters·groups²); a permutation O(units).
//! Not for.     Curves that cross.

use std::collections::BTreeMap;
use std::ops::Range;

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::covariance::Covariance;
use super::distribution::chi_square_upper_tail;
use super::grouping::{Grouping, NO_GROUP};
use super::interval_classes::{IntervalClasses, left_place};
use super::interval_scores::{IntervalScores, Scorer};
use super::interval_survival::Fit;
use super::intervals::Intervals;
use super::observation::count_clusters;
use crate::quantity::{Behind, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// Statistics nearer than this part of themselves are equal.
const EQUAL: f64 = 1e-9;

/// What is exchangeable if there is no difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScoreBasis {
    /// Each record may change its group.
    PermutedObservations,
    /// Whole clusters may.
    PermutedClusters,
    /// Records of a cluster may change groups among themselves.
    PermutedWithinClusters,
    /// No permutation: the scores of clusters are independent.
    ClusterRobust,
}

/// The score sum of one group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoredGroup {
    /// Records with a score.
    pub observations: u64,
    /// Σ w·c: above 0, more failed, or earlier, than in all groups together.
    pub score_sum: f64,
    /// What it would be expected to be without a difference, by permutation of records.
    pub expected: f64,
}

/// A statistic and its probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoreStatistic {
    /// What is taken as exchangeable.
    pub basis: ScoreBasis,
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of a statistic this large or larger if all groups fail at the same pace; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

/// The result of a test of interval-censored failures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalScoreTest {
    /// Which scores.
    pub scores: IntervalScores,
    /// Each group, in the order of the levels.
    pub groups: Vec<ScoredGroup>,
    /// With each record independent.
    pub observations: Known<ScoreStatistic>,
    /// With clusters independent.
    pub clusters: Known<ScoreStatistic>,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// A test by groups drawn at random.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalPermutationTest {
    /// Which scores.
    pub scores: IntervalScores,
    /// What was permuted.
    pub basis: ScoreBasis,
    /// The statistic of the data, with the variance of these permutations.
    pub chi_square: f64,
    /// How many permutations were drawn.
    pub draws: u32,
    /// How many of them gave a statistic as large or larger.
    pub as_large: u64,
    /// (1 + as large)/(1 + draws).
    pub p_value: f64,
    /// Standard error of that for chance in drawing.
    pub monte_carlo_error: f64,
    /// What the draws started from.
    pub seed: u64,
    /// How many stand behind it.
    pub behind: Behind,
}

/// Compares the levels of a grouping, within the levels of `strata` if given. Records without a group or stratum take no part.
///
/// Not known without records in two groups, or when a curve doesn't settle.
pub fn interval_score_test(
    intervals: &Intervals,
    grouping: &Grouping,
    strata: Option<&Grouping>,
    scores: IntervalScores,
) -> Known<IntervalScoreTest> {
    let scored = match Scored::of(intervals, grouping, strata, scores) {
        Known::Known(scored) => scored,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let by_observation = Units::observations(&scored);
    let mut groups = vec![ScoredGroup::default(); scored.levels];
    for record in &scored.records {
        let group = &mut groups[record.group];
        group.observations += 1;
        group.score_sum += record.weight * record.score;
        group.expected += record.weight * (record.score - record.centred);
    }
    Known::Known(IntervalScoreTest {
        scores,
        groups,
        observations: by_observation.statistic(),
        clusters: match scored.basis_of_clusters() {
            ScoreBasis::PermutedClusters => Units::clusters(&scored).statistic(),
            _ => scored.robust(),
        },
        behind: scored.behind,
    })
}

/// The same by drawing permutations: of records, or (`whole_clusters`) of clusters where each lies in one group, and of the records
/// within each cluster where not.
///
/// Not known where the test isn't, or where nothing can be exchanged.
pub fn interval_permutation_test(
    intervals: &Intervals,
    grouping: &Grouping,
    strata: Option<&Grouping>,
    scores: IntervalScores,
    whole_clusters: bool,
    draws: u32,
    seed: u64,
) -> Known<IntervalPermutationTest> {
    let scored = match Scored::of(intervals, grouping, strata, scores) {
        Known::Known(scored) => scored,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let basis = if whole_clusters { scored.basis_of_clusters() } else { ScoreBasis::PermutedObservations };
    let units = match basis {
        ScoreBasis::PermutedObservations => Units::observations(&scored),
        ScoreBasis::PermutedClusters => Units::clusters(&scored),
        _ => Units::within_clusters(&scored),
    };
    units.statistic().map(|statistic| {
        let as_large = units.as_large(statistic.chi_square, draws, seed, available());
        let p_value = (as_large + 1) as f64 / (f64::from(draws) + 1.0);
        IntervalPermutationTest {
            scores,
            basis: statistic.basis,
            chi_square: statistic.chi_square,
            draws,
            as_large,
            p_value,
            monte_carlo_error: libm::sqrt(p_value * (1.0 - p_value) / f64::from(draws.max(1))),
            seed,
            behind: scored.behind,
        }
    })
}

/// A record that takes part.
#[derive(Clone, Copy, Debug)]
struct Record {
    group: usize,
    stratum: usize,
    cluster: u32,
    weight: f64,
    score: f64,
    /// The score less the mean of its stratum.
    centred: f64,
}

/// Records by stratum.
struct Scored {
    records: Vec<Record>,
    levels: usize,
    behind: Behind,
}

impl Scored {
    fn of(intervals: &Intervals, grouping: &Grouping, strata: Option<&Grouping>, scores: IntervalScores) -> Known<Self> {
        let levels = usize::from(grouping.levels());
        let stratum_of = |i: usize| strata.map_or(0, |strata| strata.codes().get(i).copied().unwrap_or(NO_GROUP));
        let taking_part = |i: &usize| grouping.codes()[*i] != NO_GROUP && stratum_of(*i) != NO_GROUP;
        let mut members: BTreeMap<u16, Vec<usize>> = BTreeMap::new();
        for i in (0..intervals.len().min(grouping.codes().len())).filter(taking_part) {
            members.entry(stratum_of(i)).or_default().push(i);
        }
        let mut records = Vec::with_capacity(intervals.len());
        let mut failures = 0;
        for (&stratum, members) in &members {
            let part = intervals.only(members);
            let (classes, weights) = IntervalClasses::of(&part);
            let fit = Fit::of(&classes, &weights, None);
            if !fit.converged() {
                return Known::NotKnown(WhyNotKnown::NotConverged);
            }
            let scorer = Scorer::of(&fit, scores);
            let end = fit.innermost.len();
            let start = records.len();
            for (k, &i) in members.iter().enumerate() {
                let (left, right) = (part.left()[k], part.right()[k]);
                let (lo, hi) = fit.runs.of(left_place(left, right), right);
                if lo as usize >= end {
                    continue;
                }
                let entry = if part.entry_of(k) > 0 { fit.runs.until(part.entry_of(k)) as usize } else { 0 };
                failures += u64::from(right != super::intervals::NOT_SEEN_TO_FAIL);
                records.push(Record {
                    group: usize::from(grouping.codes()[i]),
                    stratum: usize::from(stratum),
                    cluster: part.cluster()[k],
                    weight: part.weight_of(k),
                    score: scorer.score(lo as usize, (hi as usize).min(end), entry),
                    centred: 0.0,
                });
            }
            let here = &mut records[start..];
            let total: f64 = here.iter().map(|record| record.weight).sum();
            let mean = here.iter().map(|record| record.weight * record.score).sum::<f64>() / total;
            here.iter_mut().for_each(|record| record.centred = record.score - mean);
        }
        if records.is_empty() {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        if records.iter().all(|record| record.group == records[0].group) {
            return Known::NotKnown(WhyNotKnown::TooFewGroups);
        }
        let clusters = count_clusters(records.iter().map(|record| record.cluster), intervals.clusters() as usize);
        let behind = Behind { observations: records.len() as u64, clusters, failures };
        Known::Known(Self { records, levels, behind })
    }

    /// Whether whole clusters can be permuted: each lies in one group and one stratum.
    fn basis_of_clusters(&self) -> ScoreBasis {
        let mut of = BTreeMap::new();
        let one = |record: &Record| {
            let here = (record.stratum, record.group);
            *of.entry(record.cluster).or_insert(here) == here
        };
        if self.records.iter().all(one) { ScoreBasis::PermutedClusters } else { ScoreBasis::PermutedWithinClusters }
    }

    fn robust(&self) -> Known<ScoreStatistic> {
        let mut shares: BTreeMap<usize, (f64, Vec<f64>)> = BTreeMap::new();
        for record in &self.records {
            let (total, groups) = shares.entry(record.stratum).or_insert_with(|| (0.0, vec![0.0; self.levels]));
            *total += record.weight;
            groups[record.group] += record.weight;
        }
        let mut clusters: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
        let mut sums = vec![0.0; self.levels];
        for record in &self.records {
            let cluster = clusters.entry(record.cluster).or_insert_with(|| vec![0.0; self.levels]);
            let term = record.weight * record.centred;
            let (total, groups) = &shares[&record.stratum];
            for (g, (place, weight)) in cluster.iter_mut().zip(groups).enumerate() {
                *place += term * (f64::from(u8::from(g == record.group)) - weight / total);
            }
            sums[record.group] += term;
        }
        let mut variance = Covariance::zero(self.levels);
        clusters.values().for_each(|cluster| variance.add_square(1.0, cluster));
        let wanted = Units::observations(self).rank();
        let statistic = verdict(&sums, &variance, ScoreBasis::ClusterRobust);
        match statistic {
            Known::Known(statistic)
                if statistic.degrees_of_freedom < wanted || clusters.len() as u64 <= u64::from(wanted) =>
            {
                Known::NotKnown(WhyNotKnown::TooFewClusters)
            }
            statistic => statistic,
        }
    }
}

/// The quadratic form, one group being left out.
fn verdict(sums: &[f64], variance: &Covariance, basis: ScoreBasis) -> Known<ScoreStatistic> {
    let kept = variance.all_but_the_largest();
    let sums: Vec<f64> = kept.iter().map(|&g| sums[g]).collect();
    let (chi_square, rank) = variance.only(&kept).quadratic_form(&sums);
    if rank == 0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let tail = chi_square_upper_tail(chi_square, rank);
    Known::Known(ScoreStatistic {
        basis,
        chi_square,
        degrees_of_freedom: rank,
        p_value: tail.p_value,
        ln_p_value: tail.ln_p_value,
    })
}

/// What changes groups at random, block by block.
struct Units {
    basis: ScoreBasis,
    levels: usize,
    /// Weight times centred score of each, and its group.
    score: Vec<f64>,
    group: Vec<u16>,
    /// Where each block begins, and the end of the last.
    starts: Vec<usize>,
    /// U − E of the data.
    sums: Vec<f64>,
    variance: Covariance,
}

impl Units {
    fn observations(scored: &Scored) -> Self {
        let keyed = scored.records.iter().map(|record| (record.stratum, *record));
        Self::of(scored.levels, ScoreBasis::PermutedObservations, keyed.collect())
    }

    fn clusters(scored: &Scored) -> Self {
        let mut clusters: BTreeMap<(usize, u32), Record> = BTreeMap::new();
        for record in &scored.records {
            let of = || Record { weight: 1.0, centred: 0.0, ..*record };
            clusters.entry((record.stratum, record.cluster)).or_insert_with(of).centred += record.weight * record.centred;
        }
        let keyed = clusters.into_values().map(|record| (record.stratum, record)).collect();
        Self::of(scored.levels, ScoreBasis::PermutedClusters, keyed)
    }

    fn within_clusters(scored: &Scored) -> Self {
        let keyed = scored.records.iter().map(|record| ((record.stratum, record.cluster), *record));
        Self::of(scored.levels, ScoreBasis::PermutedWithinClusters, keyed.collect())
    }

    #[expect(clippy::cast_possible_truncation, reason = "groups are codes of 16 bits")]
    fn of<K: Ord>(levels: usize, basis: ScoreBasis, keyed: Vec<(K, Record)>) -> Self {
        let mut blocks: BTreeMap<K, Vec<Record>> = BTreeMap::new();
        for (key, record) in keyed {
            blocks.entry(key).or_default().push(record);
        }
        let mut units = Self {
            basis,
            levels,
            score: Vec::new(),
            group: Vec::new(),
            starts: vec![0],
            sums: vec![0.0; levels],
            variance: Covariance::zero(levels),
        };
        for block in blocks.values() {
            let total: f64 = block.iter().map(|record| record.weight).sum();
            let mean = block.iter().map(|record| record.weight * record.centred).sum::<f64>() / total;
            let mut groups = vec![0.0; levels];
            let mut squares = 0.0;
            for record in block {
                let rest = record.centred - mean;
                groups[record.group] += record.weight;
                squares += record.weight * rest * rest;
                units.sums[record.group] += record.weight * rest;
                units.score.push(record.weight * rest);
                units.group.push(record.group as u16);
            }
            units.starts.push(units.score.len());
            if total > 1.0 {
                let factor = squares / (total - 1.0);
                for (g, &weight) in groups.iter().enumerate() {
                    units.variance.add(g, g, factor * weight);
                }
                units.variance.add_square(-factor / total, &groups);
            }
        }
        units
    }

    /// The rank of a comparison of these groups.
    fn rank(&self) -> u32 {
        self.statistic().known().map_or(1, |statistic| statistic.degrees_of_freedom)
    }

    fn statistic(&self) -> Known<ScoreStatistic> {
        if self.basis == ScoreBasis::PermutedClusters && self.score.len() < 2 {
            return Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        verdict(&self.sums, &self.variance, self.basis)
    }

    /// How many random permutations give a statistic at least as large.
    fn as_large(&self, chi_square: f64, draws: u32, seed: u64, threads: usize) -> u64 {
        let (all, among) = (u64::from(draws), threads as u64);
        let shares: Vec<Range<u64>> = (0..among).map(|k| all * k / among..all * (k + 1) / among).collect();
        let some = |range: Range<u64>| {
            let mut groups = self.group.clone();
            let mut count = 0;
            for draw in range {
                groups.copy_from_slice(&self.group);
                let mut random = ChaCha12Rng::seed_from_u64(seed);
                random.set_stream(draw);
                for bounds in self.starts.windows(2) {
                    shuffle(&mut random, &mut groups[bounds[0]..bounds[1]]);
                }
                let mut sums = vec![0.0; self.levels];
                groups.iter().zip(&self.score).for_each(|(&group, score)| sums[usize::from(group)] += score);
                let drawn = verdict(&sums, &self.variance, self.basis);
                count += u64::from(drawn.known().is_some_and(|drawn| drawn.chi_square >= chi_square * (1.0 - EQUAL)));
            }
            count
        };
        on_threads(shares, threads, some).into_iter().sum()
    }
}

/// Puts these in random order, each order with the same chance but for one part in 2^32 of the number of places.
fn shuffle(random: &mut ChaCha12Rng, groups: &mut [u16]) {
    for last in (1..groups.len()).rev() {
        let place = (u64::from(random.next_u32()) * (last as u64 + 1)) >> 32;
        groups.swap(last, place as usize);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    fn of(records: &[(i32, Option<i32>, u32, u16)]) -> (Intervals, Grouping) {
        let mut intervals = Intervals::default();
        for &(left, right, cluster, _) in records {
            intervals.push(Days::new(0), Days::new(left), right.map(Days::new), cluster).expect("in order");
        }
        let codes = records.iter().map(|record| record.3).collect();
        (intervals, Grouping::new(codes, 3).expect("levels"))
    }

    #[test]
    fn one_group_or_no_spread_is_said() {
        let (intervals, grouping) = of(&[(1, Some(2), 0, 1), (1, None, 1, 1)]);
        let test = interval_score_test(&intervals, &grouping, None, IntervalScores::LogRank);
        assert_eq!(test, Known::NotKnown(WhyNotKnown::TooFewGroups));
        let (intervals, grouping) = of(&[(1, Some(2), 0, 1), (1, Some(2), 1, 2)]);
        let test = interval_score_test(&intervals, &grouping, None, IntervalScores::LogRank);
        assert_eq!(test.known().map(|test| test.observations), Some(Known::NotKnown(WhyNotKnown::NoFailures)));
    }

    #[test]
    fn the_basis_follows_the_clusters() {
        let apart = [(1, Some(2), 0, 1), (2, Some(5), 0, 1), (1, Some(4), 1, 2), (3, None, 2, 2), (0, Some(1), 3, 1)];
        let basis = |records: &[(i32, Option<i32>, u32, u16)], whole| {
            let (intervals, grouping) = of(records);
            let test = interval_score_test(&intervals, &grouping, None, IntervalScores::Wilcoxon);
            let drawn = interval_permutation_test(&intervals, &grouping, None, IntervalScores::Wilcoxon, whole, 99, 4);
            (
                test.known().and_then(|test| test.clusters.known().map(|statistic| statistic.basis)),
                drawn.known().map(|drawn| drawn.basis),
            )
        };
        let (permuted, observations) = (ScoreBasis::PermutedClusters, ScoreBasis::PermutedObservations);
        assert_eq!(basis(&apart, true), (Some(permuted), Some(permuted)));
        assert_eq!(basis(&apart, false), (Some(permuted), Some(observations)));
        let mut mixed = apart;
        mixed[0].3 = 2;
        assert_eq!(basis(&mixed, true), (Some(ScoreBasis::ClusterRobust), Some(ScoreBasis::PermutedWithinClusters)));
    }
}
