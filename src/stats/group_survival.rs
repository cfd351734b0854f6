//! Survival of every group at a few horizons, in one pass over the observations.
//!
//! Formula.     As [`cluster_influence`](super::cluster_influence): A_i(t) = [failed by t]/(n − d at its exit) − H(min(t, exit)) +
//!              H(entry). For a given group, tick of exit and whether it failed, the first two terms are a number in a table, so an
//!              observation costs a look-up and an addition to the sum of its cluster.
//! Decided.     Clusters are worked through in parts that depend on the data alone; each part sums its squares in order, and parts
//!              are summed in order. So the result has the same bytes whatever the number of threads. Observations that come
//!              cluster after cluster need sums for a block of clusters at a time, others for all of them.
//! Cost.        O(observations · horizons / 3 + groups · (ticks + clusters)).

use super::cluster_influence::{RunningJumps, survival_jumps};
use super::grouping::{Grouping, NO_GROUP};
use super::life_table::LifeTable;
use super::observation::{Ending, Observations};
use super::product_limit::ProductLimit;
use super::survival_interval::{Inference, survival_interval};
use super::weighted_life_table::WeightedLifeTable;
use crate::quantity::{Behind, Days, Estimate, Fraction, Known, Variance, WhyNotKnown};

use std::ops::Range;

/// One group: its life table, its curve, and its survival at the horizons.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupSurvival {
    /// Counts for each day.
    pub table: LifeTable,
    /// The curve, with model-based variances at its steps.
    pub curve: ProductLimit,
    /// How many clusters have an observation in the group.
    pub clusters: u64,
    /// Survival at each horizon, with the variance asked for.
    pub at_horizons: Vec<Known<Estimate<Fraction>>>,
}

/// Each level of a grouping, with its survival at the horizons in their order.
///
/// What isn't known, and why, is as for [`survival_at_horizons`](super::survival_at_horizons).
pub fn survival_by_group(
    observations: &Observations,
    grouping: &Grouping,
    horizons: &[Days],
    inference: Inference,
) -> Vec<GroupSurvival> {
    let codes = grouping.codes();
    let (tables, curves) = match observations.weights() {
        None => {
            let tables = LifeTable::by_group(observations, grouping);
            let curves = tables.iter().map(ProductLimit::estimate).collect();
            (tables, curves)
        }
        Some(_) => {
            let weighted = WeightedLifeTable::by_group(observations, grouping);
            let curves = weighted.iter().map(ProductLimit::estimate_weighted).collect();
            (weighted.iter().map(|table| table.counts().clone()).collect(), curves)
        }
    };
    if codes.len() >= observations.len() {
        of_curves(observations, |i| codes[i], tables, curves, horizons, inference)
    } else {
        of_curves(observations, |i| codes.get(i).copied().unwrap_or(NO_GROUP), tables, curves, horizons, inference)
    }
}

/// All observations as one group.
pub(super) fn survival_of_all(
    observations: &Observations,
    horizons: &[Days],
    inference: Inference,
) -> Option<GroupSurvival> {
    let table = LifeTable::count(observations);
    let curve = match observations.weights() {
        None => ProductLimit::estimate(&table),
        Some(_) => ProductLimit::estimate_weighted(&WeightedLifeTable::count(observations)),
    };
    of_curves(observations, |_| 0, vec![table], vec![curve], horizons, inference).pop()
}

fn of_curves(
    observations: &Observations,
    code: impl Fn(usize) -> u16 + Sync,
    tables: Vec<LifeTable>,
    curves: Vec<ProductLimit>,
    horizons: &[Days],
    inference: Inference,
) -> Vec<GroupSurvival> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let squares = Squares::of(observations, &code, &curves, horizons, inference.variance, threads);
    let mut groups = Vec::with_capacity(tables.len());
    for (level, (table, curve)) in tables.into_iter().zip(curves).enumerate() {
        let clusters = squares.clusters[level];
        let at = |(h, &horizon): (usize, &Days)| {
            curve.survival_at(horizon).map(|value| {
                let failures = table.counts_at(Days::new(horizon.count().saturating_add(1))).failed_so_far;
                let variance = match (curve.ln_survival_variance_at(horizon), inference.variance) {
                    (Known::Known(_), Variance::ClusterRobust) if clusters < 2 && failures > 0 => {
                        Known::NotKnown(WhyNotKnown::TooFewClusters)
                    }
                    (Known::Known(_), Variance::ClusterRobust) => Known::Known(squares.at(level, h)),
                    (greenwood, _) => greenwood,
                };
                let interval = match variance.map(libm::sqrt) {
                    Known::Known(error) => survival_interval(value, error, inference.method, inference.level),
                    Known::NotKnown(why) => Known::NotKnown(why),
                };
                let error = variance.known().map(|&variance| value.value() * libm::sqrt(variance));
                Estimate {
                    value,
                    standard_error: interval.known().and(error),
                    variance: inference.variance,
                    interval,
                    behind: Behind { observations: table.total(), clusters, failures },
                }
            })
        };
        let at_horizons = horizons.iter().enumerate().map(at).collect();
        groups.push(GroupSurvival { table, curve, clusters, at_horizons });
    }
    groups
}

/// Horizons worked through at a time; with a count beside them, four numbers to a cluster.
const AT_A_TIME: usize = 3;

/// Sums for one cluster in one group: A_c at up to three horizons, and how many observations.
type Cell = [f64; AT_A_TIME + 1];

/// Parts when observations come cluster after cluster, and when they don't (each part then reads all of them).
const ORDERED_PARTS: usize = 8;
const MIXED_PARTS: usize = 2;

/// How many cells a block of clusters has when observations come cluster after cluster: they stay in the nearest memory.
const BLOCK_CELLS: usize = 4096;

/// Below this many observations a second thread costs more than it saves.
const WORTH_A_THREAD: usize = 100_000;

/// Σ A_c² of each group at each horizon, and the clusters of each group.
struct Squares {
    horizons: usize,
    sums: Vec<f64>,
    clusters: Vec<u64>,
}

impl Squares {
    fn at(&self, level: usize, horizon: usize) -> f64 {
        self.sums[level * self.horizons + horizon]
    }

    fn of(
        observations: &Observations,
        code: &(impl Fn(usize) -> u16 + Sync),
        curves: &[ProductLimit],
        horizons: &[Days],
        variance: Variance,
        threads: usize,
    ) -> Self {
        let mut squares = Self {
            horizons: horizons.len(),
            sums: vec![0.0; curves.len() * horizons.len()],
            clusters: vec![0; curves.len()],
        };
        let wanted = match variance {
            Variance::ModelBased => &[],
            Variance::ClusterRobust => horizons,
        };
        let days: Vec<i32> = wanted.iter().map(|day| day.count()).collect();
        // Clusters are counted even where no horizon asks for their sums.
        let passes: Vec<&[i32]> = if days.is_empty() { vec![&[]] } else { days.chunks(AT_A_TIME).collect() };
        for (pass, days) in passes.into_iter().enumerate() {
            let tables = InfluenceTables::new(observations, curves, days);
            let parts = sum_of_parts(observations, code, &tables, threads);
            for (level, place) in squares.clusters.iter_mut().enumerate() {
                *place = parts.iter().map(|part| part[level].clusters).sum();
            }
            for level in 0..curves.len() {
                for h in 0..days.len() {
                    let sum = parts.iter().map(|part| part[level].squares[h]).sum();
                    squares.sums[level * horizons.len() + pass * AT_A_TIME + h] = sum;
                }
            }
        }
        squares
    }
}

/// What one part of the clusters adds up to, for one group.
#[derive(Clone, Copy, Default)]
struct PartSum {
    squares: [f64; AT_A_TIME],
    clusters: u64,
}

/// The sums of each part, in the order of the clusters.
fn sum_of_parts(
    observations: &Observations,
    code: &(impl Fn(usize) -> u16 + Sync),
    tables: &InfluenceTables,
    threads: usize,
) -> Vec<Vec<PartSum>> {
    let clusters = observations.clusters() as usize;
    let parts = if observations.in_order_of_clusters() { ORDERED_PARTS } else { MIXED_PARTS };
    let part = |k: usize| sum_of_part(observations, code, tables, clusters * k / parts..clusters * (k + 1) / parts);
    if threads < 2 || observations.len() < WORTH_A_THREAD {
        return (0..parts).map(part).collect();
    }
    std::thread::scope(|scope| {
        let part = &part;
        let second = scope.spawn(move || (parts / 2..parts).map(part).collect::<Vec<_>>());
        let mut sums: Vec<_> = (0..parts / 2).map(part).collect();
        // Should the thread be lost, its parts are worked out here.
        sums.extend(second.join().unwrap_or_else(|_| (parts / 2..parts).map(part).collect()));
        sums
    })
}

fn sum_of_part(
    observations: &Observations,
    code: &impl Fn(usize) -> u16,
    tables: &InfluenceTables,
    clusters: Range<usize>,
) -> Vec<PartSum> {
    let mut sums = vec![PartSum::default(); tables.levels];
    let ordered = observations.in_order_of_clusters();
    // With many groups a block of mixed clusters stays within the size of the observations, for more passes over them.
    let most = if ordered { BLOCK_CELLS } else { BLOCK_CELLS + 4 * observations.len() };
    let block = (most / tables.levels.max(1)).clamp(1, clusters.len().max(1));
    let mut cells: Vec<Cell> = vec![Cell::default(); block * tables.levels];
    let all = observations.cluster();
    let mut first_record = if ordered { all.partition_point(|&c| (c as usize) < clusters.start) } else { 0 };
    let mut start = clusters.start;
    while start < clusters.end {
        let end = (start + block).min(clusters.end);
        let records = if ordered {
            let last = first_record + all[first_record..].partition_point(|&c| (c as usize) < end);
            first_record..last
        } else {
            0..all.len()
        };
        first_record = records.end;
        let cells = &mut cells[..(end - start) * tables.levels];
        cells.fill(Cell::default());
        match (observations.weights(), observations.any_entered_late()) {
            (None, false) => tables.add(observations, code, records, start..end, cells, |_, influence| influence),
            _ => tables.add(observations, code, records, start..end, cells, |i, influence| {
                tables.late_and_weighted(observations, code, i, influence)
            }),
        }
        for group in cells.chunks_exact(tables.levels.max(1)) {
            for (sum, cell) in sums.iter_mut().zip(group) {
                for (square, a) in sum.squares.iter_mut().zip(cell) {
                    *square += a * a;
                }
                sum.clusters += u64::from(cell[AT_A_TIME] > 0.0);
            }
        }
        start = end;
    }
    sums
}

/// The influence of each group, tick of exit and kind of ending at up to three horizons.
struct InfluenceTables {
    levels: usize,
    /// Ticks of exit told apart: those up to the last horizon, and one for all later.
    ticks: usize,
    /// By group, failed or not, and tick; the last number counts the observation.
    rows: Vec<Cell>,
    /// H(min(t, entry)) by group and tick of entry.
    before: Vec<Cell>,
}

impl InfluenceTables {
    fn new(observations: &Observations, curves: &[ProductLimit], horizons: &[i32]) -> Self {
        let last_horizon = horizons.iter().copied().max().unwrap_or(-1).max(-1);
        let last_day = observations.last_day().map_or(0, Days::count);
        let last_tick = last_day.min(last_horizon.saturating_add(1));
        let mut tables = Self { levels: curves.len(), ticks: last_tick as usize + 1, rows: Vec::new(), before: Vec::new() };
        for curve in curves {
            let running = RunningJumps::new(&survival_jumps(curve), last_day);
            let row = |tick: i32, failed: bool| {
                let mut cell = Cell::default();
                for (place, &horizon) in cell.iter_mut().zip(horizons) {
                    *place = running.influence(0, tick, failed, horizon);
                }
                cell[AT_A_TIME] = 1.0;
                cell
            };
            for failed in [false, true] {
                tables.rows.extend((0..=last_tick).map(|tick| row(tick, failed)));
            }
            if observations.any_entered_late() {
                tables.before.extend((0..=last_tick).map(|tick| {
                    // Neither failing nor counted: what was summed up to the entry, with the sign turned.
                    let row = row(tick, false);
                    let mut cell = Cell::default();
                    for (place, value) in cell.iter_mut().zip(&row[..AT_A_TIME]) {
                        *place = -value;
                    }
                    cell
                }));
            }
        }
        tables
    }

    fn tick(&self, day: i32) -> usize {
        (day as usize).min(self.ticks - 1)
    }

    /// Adds the records whose cluster lies in the block to its cells.
    #[inline]
    fn add(
        &self,
        observations: &Observations,
        code: &impl Fn(usize) -> u16,
        records: Range<usize>,
        block: Range<usize>,
        cells: &mut [Cell],
        change: impl Fn(usize, Cell) -> Cell,
    ) {
        let (exit, ending) = (&observations.exit()[records.clone()], &observations.ending()[records.clone()]);
        let cluster = &observations.cluster()[records.clone()];
        for (i, ((&exit, &ending), &cluster)) in records.zip(exit.iter().zip(ending).zip(cluster)) {
            let (level, place) = (usize::from(code(i)), (cluster as usize).wrapping_sub(block.start));
            if level >= self.levels || place >= block.len() {
                continue;
            }
            let row = (level * 2 + usize::from(ending == Ending::Failed)) * self.ticks + self.tick(exit);
            let influence = change(i, self.rows[row]);
            for (sum, term) in cells[place * self.levels + level].iter_mut().zip(influence) {
                *sum += term;
            }
        }
    }

    /// The influence of a record that may have entered late or have a weight.
    fn late_and_weighted(
        &self,
        observations: &Observations,
        code: &impl Fn(usize) -> u16,
        i: usize,
        mut influence: Cell,
    ) -> Cell {
        let (entry, weight) = (observations.entry()[i], observations.weight_of(i));
        let before =
            if entry > 0 { self.before[usize::from(code(i)) * self.ticks + self.tick(entry)] } else { Cell::default() };
        for (place, before) in influence[..AT_A_TIME].iter_mut().zip(before) {
            *place = weight * (before + *place);
        }
        influence
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 150 000 observations of two kinds of order, by a linear congruential sequence (Knuth's constants).
    fn many(ordered: bool) -> (Observations, Grouping) {
        let mut state = 20_240_101_u64;
        let mut next = |below: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % below
        };
        let mut observations = Observations::default();
        let mut codes = Vec::new();
        for i in 0..150_000_u64 {
            let cluster = if ordered { i / 4 } else { next(40_000) };
            let ending = [Ending::Failed, Ending::Competing, Ending::Censored, Ending::Censored][next(4) as usize];
            let exit = i32::try_from(1 + next(900)).expect("small");
            let cluster = u32::try_from(cluster).expect("small");
            observations.push(Days::new(0), Days::new(exit), ending, cluster).expect("in order");
            codes.push([0, 1, 2, NO_GROUP][next(4) as usize]);
        }
        (observations, Grouping::new(codes, 3).expect("levels"))
    }

    #[test]
    fn the_number_of_threads_changes_no_bit() {
        for ordered in [true, false] {
            let (observations, grouping) = many(ordered);
            let curves: Vec<_> = LifeTable::by_group(&observations, &grouping).iter().map(ProductLimit::estimate).collect();
            let horizons = [100, 300, 500, 700].map(Days::new);
            let code = |i: usize| grouping.codes()[i];
            let sums = [1, 2].map(|threads| {
                let variance = Variance::ClusterRobust;
                let squares = Squares::of(&observations, &code, &curves, &horizons, variance, threads);
                squares.sums.iter().map(|sum| sum.to_bits()).collect::<Vec<u64>>()
            });
            assert_eq!(sums[0], sums[1]);
        }
    }
}
