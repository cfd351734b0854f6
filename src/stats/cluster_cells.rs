//! Observations summed by cluster into cells of tick tables, so that a set of clusters, each taken so many times, has its tables
//! without a look at the observations.
//!
//! Definition.  For each group, on a grid of ticks t(0) < t(1) < …: how many failed and how many met a competing event on t(k); how
//!              many joined the risk set, and how many left it otherwise, between t(k − 1) and t(k). With multiplicities m of the
//!              clusters, each count is Σ m·(that of the cluster).
//! Decided.     The grid holds the ticks with failures or competing events, and the horizons; curves change nowhere else. What
//!              ends beyond the last horizon is one number for each cluster and group. Clusters without an observation in any
//!              group take no part. Counts are numbers with fractions, exact up to 2^53 where every weight is whole.
//! Cost.        Building: O(observations + ticks). A set of multiplicities: O(cells of the clusters taken + ticks·groups).

use super::axis::Axis;
use super::bucket::Buckets;
use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, Observations};
use crate::quantity::{Behind, Days, Known, WhyNotKnown};

/// Part of a risk set that is nothing but rounding of case weights.
const ROUNDING: f64 = 1e-11;

/// Cells of all clusters that take part, ordered by stratum.
#[derive(Clone, Debug)]
pub struct ClusterCells {
    ticks: Vec<i32>,
    times: Vec<f64>,
    groups: Vec<Behind>,
    /// How many clusters each stratum has.
    strata: Vec<u32>,
    /// Cells that a cluster adds 1 to; those of cluster c end at `single_end[c]`.
    single: Vec<u32>,
    single_end: Vec<u32>,
    /// Cells that a cluster adds some other number to.
    counted: Vec<(u32, f64)>,
    counted_end: Vec<u32>,
    clusters: Behind,
    /// Places of the columns of those who met a competing event and of those who joined late, where there are any.
    competing: Option<usize>,
    joined: Option<usize>,
}

/// What tables have to hold. What nobody reads costs time in each of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TableContents {
    /// Ticks at which curves are read; each is on the grid. Without `whole_course` the tables reach to the last of them.
    pub horizons: Vec<Days>,
    /// Whether the tables reach to the last tick of all.
    pub whole_course: bool,
    /// Whether failures and time under observation of all are summed.
    pub person_time: bool,
}

/// Places of a group's table before its columns: followed from the origin, failures, person-time.
const HEAD: usize = 3;
/// The columns that are always there: failed, left.
const ALWAYS: usize = 2;

impl ClusterCells {
    /// The cells of these observations, fewer than 2^31 of them; without a grouping all are in group 0. `strata` gives each cluster index its stratum;
    /// clusters past its end are in stratum 0.
    #[expect(clippy::cast_possible_truncation, reason = "observations, cells and places in a table are below 2^32")]
    pub fn new(
        observations: &Observations,
        grouping: Option<&Grouping>,
        axis: &Axis,
        contents: &TableContents,
        strata: Option<&[u32]>,
    ) -> Self {
        let group_of = |i: usize| match grouping {
            None => Some(0),
            Some(grouping) => grouping.codes().get(i).copied().filter(|&code| code != NO_GROUP).map(usize::from),
        };
        let group_count = grouping.map_or(1, |grouping| usize::from(grouping.levels()));
        let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
        let horizons = &contents.horizons;
        let furthest = horizons.iter().map(|day| day.count()).max().unwrap_or(-1);
        let last = if contents.whole_course { i32::MAX } else { furthest };
        let (ticks, up_to) = grid(observations, horizons, last, &|i| group_of(i).is_some());
        let any = |is: &dyn Fn(usize) -> bool| (0..observations.len()).any(|i| is(i) && group_of(i).is_some());
        let competing = any(&|i| ending[i] == Ending::Competing).then_some(ALWAYS);
        let joined = any(&|i| entry[i] > 0).then_some(ALWAYS + usize::from(competing.is_some()));
        let stride = HEAD + columns(competing, joined) * (ticks.len() + 1);
        let column =
            |group: usize, column: usize, place: usize| (group * stride + HEAD + column * (ticks.len() + 1) + place) as u32;
        // How many ticks of the grid lie at or before a tick.
        let place = |tick: i32| up_to.get(tick as usize).map_or(ticks.len(), |&place| place as usize);

        let order = strata_order(observations, &|i| group_of(i).is_some(), strata);
        let position = {
            let mut position = vec![u32::MAX; observations.clusters() as usize];
            for (place, &(_, cluster)) in (0..).zip(&order) {
                position[cluster as usize] = place;
            }
            position
        };
        let members = (0..observations.len())
            .filter(|&i| group_of(i).is_some())
            .map(|i| (position[observations.cluster()[i] as usize], i as u32));
        let members = Buckets::fill(members, order.len());

        let mut cells = Self {
            times: ticks.iter().map(|&tick| axis.time(tick)).collect(),
            groups: vec![Behind::default(); group_count],
            strata: Vec::new(),
            single: Vec::with_capacity(observations.len()),
            single_end: Vec::with_capacity(order.len()),
            counted: Vec::with_capacity(order.len()),
            counted_end: Vec::with_capacity(order.len()),
            clusters: Behind { clusters: order.len() as u64, ..Behind::default() },
            competing,
            joined,
            ticks: Vec::new(),
        };
        let mut heads = vec![[0.0; HEAD]; group_count];
        let mut touched: Vec<usize> = Vec::new();
        let mut previous = None;
        for (cluster, &(stratum, _)) in order.iter().enumerate() {
            if previous != Some(stratum) {
                cells.strata.push(0);
                previous = Some(stratum);
            }
            if let Some(count) = cells.strata.last_mut() {
                *count += 1;
            }
            for &i in members.items(cluster) {
                let i = i as usize;
                let Some(group) = group_of(i) else { continue };
                let weight = observations.weight_of(i);
                if !touched.contains(&group) {
                    touched.push(group);
                    cells.groups[group].clusters += 1;
                }
                let mut add = |cell: u32| {
                    if weight.to_bits() == 1.0_f64.to_bits() {
                        cells.single.push(cell);
                    } else {
                        cells.counted.push((cell, weight));
                    }
                };
                let exits_at = place(exit[i]);
                match (ending[i], competing) {
                    (Ending::Failed, _) if exit[i] <= last => add(column(group, 0, exits_at - 1)),
                    (Ending::Competing, Some(competing)) if exit[i] <= last => add(column(group, competing, exits_at - 1)),
                    // Whoever leaves after the last tick of the grid is at risk on all of it.
                    _ if exits_at == ticks.len() => {}
                    _ => add(column(group, 1, exits_at)),
                }
                match joined {
                    Some(joined) if entry[i] > 0 => add(column(group, joined, place(entry[i]))),
                    _ => heads[group][0] += weight,
                }
                if ending[i] == Ending::Failed {
                    cells.groups[group].failures += 1;
                    cells.clusters.failures += 1;
                }
                if contents.person_time {
                    heads[group][1] += if ending[i] == Ending::Failed { weight } else { 0.0 };
                    heads[group][2] += weight * (axis.time(exit[i]) - axis.time(entry[i]));
                }
                cells.groups[group].observations += 1;
                cells.clusters.observations += 1;
            }
            for group in touched.drain(..) {
                for (place, amount) in heads[group].iter_mut().enumerate() {
                    if *amount > 0.0 {
                        cells.counted.push(((group * stride + place) as u32, std::mem::take(amount)));
                    }
                }
            }
            cells.single_end.push(cells.single.len() as u32);
            cells.counted_end.push(cells.counted.len() as u32);
        }
        cells.ticks = ticks;
        cells
    }

    /// How many clusters take part.
    pub fn clusters(&self) -> usize {
        self.single_end.len()
    }

    /// How many clusters each stratum has; the clusters are numbered stratum after stratum.
    pub fn strata(&self) -> &[u32] {
        &self.strata
    }

    /// How many stand behind all, by number of observations.
    pub fn behind(&self) -> Behind {
        self.clusters
    }

    /// How many stand behind one group; nobody behind a group that there is not.
    pub fn behind_group(&self, group: u16) -> Behind {
        self.groups.get(usize::from(group)).copied().unwrap_or_default()
    }

    /// An empty table.
    pub(super) fn blank(&self) -> Vec<f64> {
        vec![0.0; self.groups.len() * self.stride()]
    }

    fn stride(&self) -> usize {
        HEAD + columns(self.competing, self.joined) * (self.ticks.len() + 1)
    }

    /// Adds a cluster to a table so many times; takes it off when `times` is below 0.
    #[inline]
    pub(super) fn add(&self, table: &mut [f64], cluster: usize, times: f64) {
        let range = |ends: &[u32]| {
            let start = if cluster == 0 { 0 } else { ends[cluster - 1] };
            start as usize..ends[cluster] as usize
        };
        for &cell in &self.single[range(&self.single_end)] {
            table[cell as usize] += times;
        }
        for &(cell, amount) in &self.counted[range(&self.counted_end)] {
            table[cell as usize] += times * amount;
        }
    }

    /// Reads a table.
    pub(super) fn read<'a>(&'a self, table: &'a [f64]) -> TickTables<'a> {
        TickTables { cells: self, table }
    }
}

/// How many columns a group's table has.
fn columns(competing: Option<usize>, joined: Option<usize>) -> usize {
    ALWAYS + usize::from(competing.is_some()) + usize::from(joined.is_some())
}

/// The ticks of the grid, and how many of them lie at or before each tick up to the last one looked up.
#[expect(clippy::cast_possible_truncation, reason = "ticks are below 2^31")]
fn grid(
    observations: &Observations,
    horizons: &[Days],
    last: i32,
    takes_part: &dyn Fn(usize) -> bool,
) -> (Vec<i32>, Vec<u32>) {
    let longest = observations.last_day().map_or(-1, Days::count);
    // Past the last tick of all, one tick stands for each later one: nobody is followed so long.
    let capped = |day: &Days| day.count().min(longest.saturating_add(1));
    let furthest = horizons.iter().map(capped).max().unwrap_or(-1);
    let mut on_grid = vec![false; usize::try_from(longest.min(last).max(furthest) + 1).unwrap_or(0)];
    for i in 0..observations.len() {
        if observations.ending()[i] != Ending::Censored
            && takes_part(i)
            && let Some(place) = on_grid.get_mut(observations.exit()[i] as usize)
        {
            *place = true;
        }
    }
    for horizon in horizons {
        if let Some(place) = usize::try_from(capped(horizon)).ok().and_then(|tick| on_grid.get_mut(tick)) {
            *place = true;
        }
    }
    let (mut ticks, mut up_to) = (Vec::new(), Vec::with_capacity(on_grid.len()));
    for (tick, &on_grid) in (0..).zip(&on_grid) {
        if on_grid {
            ticks.push(tick);
        }
        up_to.push(ticks.len() as u32);
    }
    (ticks, up_to)
}

/// (stratum, cluster) of those that take part, in this order.
fn strata_order(observations: &Observations, takes_part: &dyn Fn(usize) -> bool, strata: Option<&[u32]>) -> Vec<(u32, u32)> {
    let mut present = vec![false; observations.clusters() as usize];
    for (i, &cluster) in observations.cluster().iter().enumerate() {
        present[cluster as usize] |= takes_part(i);
    }
    let stratum = |cluster: u32| strata.and_then(|strata| strata.get(cluster as usize)).copied().unwrap_or(0);
    let mut order: Vec<(u32, u32)> =
        (0..).zip(&present).filter(|&(_, &present)| present).map(|(cluster, _)| (stratum(cluster), cluster)).collect();
    if strata.is_some() {
        order.sort_unstable();
    }
    order
}

/// The tables of all groups for a set of clusters.
#[derive(Clone, Copy, Debug)]
pub struct TickTables<'a> {
    cells: &'a ClusterCells,
    table: &'a [f64],
}

impl<'a> TickTables<'a> {
    /// The table of one group; none if there is no such group.
    pub fn group(&self, group: u16) -> Option<TickTable<'a>> {
        let cells = self.cells;
        let group = usize::from(group);
        let whole = self.table.get(group * cells.stride()..(group + 1) * cells.stride())?;
        let (head, columns) = whole.split_at(HEAD);
        let column = |column: usize| &columns[column * (cells.ticks.len() + 1)..(column + 1) * (cells.ticks.len() + 1)];
        Some(TickTable {
            ticks: &cells.ticks,
            times: &cells.times,
            origin: head[0],
            failures: head[1],
            time: head[2],
            failed: &column(0)[..cells.ticks.len()],
            competing: cells.competing.map_or(&[], |place| &column(place)[..cells.ticks.len()]),
            left: column(1),
            joined: cells.joined.map_or(&[], column),
        })
    }
}

/// The table of one group: sums of case weights times multiplicities.
#[derive(Clone, Copy, Debug)]
pub struct TickTable<'a> {
    ticks: &'a [i32],
    times: &'a [f64],
    origin: f64,
    failures: f64,
    time: f64,
    failed: &'a [f64],
    competing: &'a [f64],
    left: &'a [f64],
    /// Empty where nobody joins late.
    joined: &'a [f64],
}

/// Curves on the ticks of the grid.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TickCurves {
    /// Survival after the failures of each tick; a competing event censors.
    pub survival: Vec<f64>,
    /// Cumulative incidence of failure, other endings competing.
    pub cumulative_incidence: Vec<f64>,
    /// On how many of the ticks survival is known: somebody is followed up to them, or all have failed.
    pub survival_known: usize,
    /// Likewise for the cumulative incidence: or all have come to an end.
    pub incidence_known: usize,
}

impl<'a> TickTable<'a> {
    /// The ticks of the grid.
    pub fn ticks(&self) -> &'a [i32] {
        self.ticks
    }

    /// Their times on the axis.
    pub fn times(&self) -> &'a [f64] {
        self.times
    }

    /// How many failed on each tick.
    pub fn failed(&self) -> &'a [f64] {
        self.failed
    }

    /// How many met a competing event on each tick; empty where nobody ever did.
    pub fn competing(&self) -> &'a [f64] {
        self.competing
    }

    /// All failures, also those beyond the grid; 0 unless person-time was asked for.
    pub fn failures(&self) -> f64 {
        self.failures
    }

    /// All time under observation, also that beyond the grid, in the unit of the axis; 0 unless person-time was asked for.
    pub fn time(&self) -> f64 {
        self.time
    }

    /// All who were ever under observation.
    pub fn total(&self) -> f64 {
        self.origin + self.joined.iter().sum::<f64>()
    }

    /// Calls for each tick with how many are at risk on it, and tells on how many ticks somebody is at risk or will yet join.
    #[inline]
    fn sweep(&self, mut each: impl FnMut(usize, f64)) -> usize {
        let nobody = ROUNDING * self.total();
        let (mut at_risk, mut later) = (self.origin, self.total() - self.origin);
        let mut followed = 0;
        let (failed, left) = (&self.failed[..self.ticks.len()], &self.left[..self.ticks.len()]);
        for k in 0..self.ticks.len() {
            at_risk -= left[k];
            if let Some(&joined) = self.joined.get(k) {
                at_risk += joined;
                later -= joined;
            }
            if at_risk + later > nobody {
                followed = k + 1;
            }
            each(k, at_risk);
            at_risk -= failed[k];
            if let Some(&competing) = self.competing.get(k) {
                at_risk -= competing;
            }
        }
        followed
    }

    /// The product-limit curve, and, if asked for, the cumulative incidence (Aalen–Johansen).
    pub fn curves(&self, with_incidence: bool) -> TickCurves {
        let size = self.ticks.len();
        let failed = &self.failed[..size];
        let mut survivals = vec![0.0; size];
        let (mut survival, mut gone) = (1.0, false);
        let followed = self.sweep(|k, at_risk| {
            if failed[k] > 0.0 && !gone {
                let left = at_risk - failed[k];
                gone = left <= ROUNDING * at_risk;
                survival = if gone { 0.0 } else { survival * (left / at_risk) };
            }
            survivals[k] = survival;
        });
        let survival_known = if gone { size } else { followed };
        let mut curves = TickCurves { survival: survivals, survival_known, ..TickCurves::default() };
        if with_incidence {
            let (mut incidence, mut still, mut ended) = (0.0, 1.0, false);
            curves.cumulative_incidence.reserve(size);
            self.sweep(|k, at_risk| {
                let endings = failed[k] + self.competing.get(k).copied().unwrap_or(0.0);
                if endings > 0.0 && !ended {
                    incidence += still * failed[k] / at_risk;
                    let left = at_risk - endings;
                    ended = left <= ROUNDING * at_risk;
                    still = if ended { 0.0 } else { still * (left / at_risk) };
                }
                curves.cumulative_incidence.push(incidence);
            });
            curves.incidence_known = if ended { size } else { followed };
        }
        curves
    }

    /// What a curve on the grid is at a tick; `before` where the tick lies before the grid.
    pub(super) fn at(&self, curve: &[f64], known: usize, tick: Days, before: f64) -> Known<f64> {
        if self.total() <= 0.0 {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        let after = self.ticks.partition_point(|&grid| grid <= tick.count());
        match after.checked_sub(1) {
            None => Known::Known(before),
            // The ticks asked for are on the grid, so this one is that tick.
            Some(k) if k < known => Known::Known(curve[k]),
            Some(_) => Known::NotKnown(WhyNotKnown::PastLastFollowUp),
        }
    }

    /// The area under the survival curve up to a tick on the grid, in the unit of the axis.
    pub(super) fn area(&self, curves: &TickCurves, tick: Days) -> Known<f64> {
        if let Known::NotKnown(why) = self.at(&curves.survival, curves.survival_known, tick, 1.0) {
            return Known::NotKnown(why);
        }
        let (mut area, mut left, mut height) = (0.0, 0.0, 1.0);
        for (k, &time) in self.times.iter().enumerate() {
            if self.ticks[k] > tick.count() {
                break;
            }
            area += height * (time - left);
            (left, height) = (time, curves.survival[k]);
        }
        Known::Known(area)
    }
}
