//! Survival of every group at a few horizons, in one pass over the observations.
//!
//! Formula.     As [`cluster_influence`](super::cluster_influence): A_i(t) = [failed by t]/(n − d at its exit) − H(min(t, exit)) +
//!              H(entry). For a given group, tick of exit and whether it failed, the first two terms are a number in a table, so an
//!              observation costs a look-up and an addition to the sum of its cluster.
//! Decided.     Clusters are worked through in parts that depend on the data alone; each part sums its squares in order, and parts
//!              are summed in order. So the result has the same bytes whatever the number of threads. Sums are kept for a block
//!              of clusters at a time, so that they stay in the nearest memory; observations that don't come cluster after
//!              cluster are first put in the order of the blocks, by counting.
//! Cost.        O(observations · horizons / 3 + groups · (ticks + clusters)).

use super::bucket::Buckets;
use super::cluster_influence::{RunningJumps, survival_jumps, vanishes};
use super::grouping::{Grouping, NO_GROUP};
use super::life_table::LifeTable;
use super::observation::{Ending, Observations};
use super::product_limit::ProductLimit;
use super::survival_interval::{Inference, survival_interval};
use super::weighted_life_table::WeightedLifeTable;
use crate::quantity::{Behind, Days, Estimate, Fraction, Known, Variance, WhyNotKnown};
use crate::threads::{available, on_threads};

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
    let threads = available();
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
                    (Known::Known(greenwood), Variance::ClusterRobust) => match squares.at(level, h) {
                        none if failures > 0 && vanishes(none, greenwood) => Known::NotKnown(WhyNotKnown::NoSpread),
                        robust => Known::Known(robust),
                    },
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

/// Clusters are worked through in so many parts; the threads share them.
const PARTS: usize = 8;

/// How many cells a block of clusters has.
const BLOCK_CELLS: usize = 4096;

/// The most threads that are used: more of them mostly wait for memory.
const MOST_THREADS: usize = 2;

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
    if observations.weights().is_none() && !observations.any_entered_late() {
        let item = |i: usize| tables.plain_item(observations, code(i), i);
        parts_of_items(observations, tables, threads, &item, |item| tables.rows[item.row as usize])
    } else {
        let item = |i: usize| tables.full_item(observations, code(i), i);
        parts_of_items(observations, tables, threads, &item, |item| tables.full_influence(item))
    }
}

/// An observation that takes part: its cluster and group, where its influence stands, and what else its kind of data has.
#[derive(Clone, Copy, Default)]
struct Item<Extra> {
    cluster: u32,
    level: u16,
    row: u32,
    extra: Extra,
}

/// What an item needs where there are weights or late entries.
#[derive(Clone, Copy, Default)]
struct LateAndWeighted {
    /// Where what was summed up to the entry stands; none from the origin.
    before: Option<u32>,
    weight: f64,
}

fn parts_of_items<Extra: Copy + Default + Send + Sync>(
    observations: &Observations,
    tables: &InfluenceTables,
    threads: usize,
    item: &(impl Fn(usize) -> Option<Item<Extra>> + Sync),
    influence: impl Fn(&Item<Extra>) -> Cell + Sync,
) -> Vec<Vec<PartSum>> {
    let (n, all) = (observations.len(), observations.cluster());
    let clusters = observations.clusters() as usize;
    let block = (BLOCK_CELLS / tables.levels.max(1)).max(1);
    let blocks = clusters.div_ceil(block);
    let threads = if n < WORTH_A_THREAD { 1 } else { threads.min(MOST_THREADS) };
    // Two halves of the records, each in the order of the blocks; none where the records are in that order as they come.
    let halves: Vec<Buckets<Item<Extra>>> = if observations.in_order_of_clusters() {
        Vec::new()
    } else {
        let half = |k: usize| {
            let block_of = move |item: &Item<Extra>| item.cluster as usize / block;
            let keyed = (n * k / 2..n * (k + 1) / 2).filter_map(item);
            Buckets::fill(keyed.map(|item| (index(block_of(&item)), item)), blocks)
        };
        on_threads(vec![0, 1], threads, half)
    };
    let part = |k: usize| {
        let mut sums = vec![PartSum::default(); tables.levels];
        let mut cells = vec![Cell::default(); block * tables.levels];
        for this in blocks * k / PARTS..blocks * (k + 1) / PARTS {
            cells.fill(Cell::default());
            let mut add = |item: &Item<Extra>| {
                let place = (item.cluster as usize - this * block) * tables.levels + usize::from(item.level);
                for (sum, term) in cells[place].iter_mut().zip(influence(item)) {
                    *sum += term;
                }
            };
            if halves.is_empty() {
                let first = all.partition_point(|&cluster| (cluster as usize) < this * block);
                let count = all[first..].partition_point(|&cluster| (cluster as usize) < (this + 1) * block);
                (first..first + count).filter_map(item).for_each(|item| add(&item));
            }
            for half in &halves {
                half.items(this).iter().for_each(&mut add);
            }
            for group in cells.chunks_exact(tables.levels.max(1)) {
                for (sum, cell) in sums.iter_mut().zip(group) {
                    for (square, a) in sum.squares.iter_mut().zip(cell) {
                        *square += a * a;
                    }
                    sum.clusters += u64::from(cell[AT_A_TIME] > 0.0);
                }
            }
        }
        sums
    };
    on_threads((0..PARTS).collect(), threads, part)
}

/// A place in a table; there are fewer than 2^32, or they would not fit into memory.
#[expect(clippy::cast_possible_truncation, reason = "a table of 2^32 cells of 32 bytes is never made")]
fn index(place: usize) -> u32 {
    place as u32
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

    /// An observation followed from the origin, without a weight; none if its code names no group.
    #[inline]
    fn plain_item(&self, observations: &Observations, code: u16, i: usize) -> Option<Item<()>> {
        let level = usize::from(code);
        if level >= self.levels {
            return None;
        }
        let failed = usize::from(observations.ending()[i] == Ending::Failed);
        let row = (level * 2 + failed) * self.ticks + self.tick(observations.exit()[i]);
        Some(Item { cluster: observations.cluster()[i], level: code, row: index(row), extra: () })
    }

    /// Any observation; none if its code names no group.
    fn full_item(&self, observations: &Observations, code: u16, i: usize) -> Option<Item<LateAndWeighted>> {
        let Item { cluster, level, row, .. } = self.plain_item(observations, code, i)?;
        let entry = observations.entry()[i];
        let before = (entry > 0).then(|| index(usize::from(level) * self.ticks + self.tick(entry)));
        Some(Item { cluster, level, row, extra: LateAndWeighted { before, weight: observations.weight_of(i) } })
    }

    /// The influence of an observation that may have entered late or have a weight.
    fn full_influence(&self, item: &Item<LateAndWeighted>) -> Cell {
        let mut influence = self.rows[item.row as usize];
        let before = item.extra.before.map_or(Cell::default(), |before| self.before[before as usize]);
        for (place, before) in influence[..AT_A_TIME].iter_mut().zip(before) {
            *place = item.extra.weight * (before + *place);
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
        let mut next = |below: u32| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            u32::try_from(state >> 33).expect("31 bits") % below
        };
        let mut observations = Observations::default();
        let mut codes = Vec::new();
        for i in 0..150_000_u32 {
            let cluster = if ordered { i / 4 } else { next(40_000) };
            let ending = [Ending::Failed, Ending::Competing, Ending::Censored, Ending::Censored][next(4) as usize];
            let exit = i32::try_from(1 + next(900)).expect("small");
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
