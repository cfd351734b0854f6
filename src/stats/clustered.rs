//! Observations parted for sums over clusters: a cluster of one observation is a count on the grid of days, and only those of clusters with
//! several stay row by row.
//!
//! Identity.    What a cluster of one adds to a sum depends on its exit and ending alone. So n of them that leave on one day with one ending
//!              add n times what one adds.
//! Decided.     Counted are those of weight 1 that were followed from the origin, where clusters come one after the other; all others stay
//!              rows, as do all where clusters are mixed.
//! Cost.        O(observations + days·groups), once for all groups, unless these are so many that each is parted by itself.

use super::grouping::{Grouping, NO_GROUP};
use super::life_table::LifeTable;
use super::observation::{Ending, Observations, Rows};
use crate::quantity::Days;

/// Days of all groups up to which they are counted side by side however few the observations are.
const MOST_CELLS: usize = 1 << 16;

/// The observations of one group.
#[derive(Clone, Debug, Default)]
pub struct Clustered {
    table: LifeTable,
    /// Clusters of one observation, by the day of its exit: those that didn't fail, and those that did.
    alone: Vec<[u32; 2]>,
    /// The observations of all other clusters; cluster indices stay what they were.
    several: Observations,
    clusters: u64,
}

impl Clustered {
    /// All of them as one group.
    pub fn of(observations: &Observations) -> Self {
        let table = LifeTable::count(observations);
        let parts = parted(observations, |_| 0, &[table.total()]);
        parts.into_iter().next().map_or_else(Self::default, |part| part.with(table))
    }

    /// Calls with the place and the observations of each level of a grouping that has any. Those without a group are in none, nor are those
    /// past the end of the grouping's codes.
    pub fn each_group(observations: &Observations, grouping: &Grouping, mut call: impl FnMut(usize, Self)) {
        let days = observations.days();
        if days * usize::from(grouping.levels()) > MOST_CELLS.max(observations.len() / 4) {
            // The grids of so many groups would take more room than their rows: one after the other.
            for (place, rows) in observations.by_group(grouping).into_iter().enumerate().filter(|(_, rows)| !rows.is_empty())
            {
                call(place, Self::of(&rows));
            }
            return;
        }
        let codes = grouping.codes();
        let tables = LifeTable::by_group(observations, grouping);
        let sizes: Vec<u64> = tables.iter().map(LifeTable::total).collect();
        let parts = if codes.len() >= observations.len() {
            parted(observations, |i| codes[i], &sizes)
        } else {
            parted(observations, |i| codes.get(i).copied().unwrap_or(NO_GROUP), &sizes)
        };
        for (place, (part, table)) in parts.into_iter().zip(tables).enumerate().filter(|(_, (_, table))| table.total() > 0) {
            call(place, part.with(table));
        }
    }

    fn with(self, table: LifeTable) -> Self {
        let alone: u64 = self.alone().map(|(_, _, count)| count).sum();
        let clusters = alone + self.several.clusters_present();
        Self { table, clusters, ..self }
    }

    /// Their life table.
    pub fn table(&self) -> &LifeTable {
        &self.table
    }

    /// How many clusters they are of.
    pub fn clusters(&self) -> u64 {
        self.clusters
    }

    /// Clusters of one observation: how many leave on a day, by failure or not; in the order of the days.
    pub fn alone(&self) -> impl Iterator<Item = (Days, bool, u64)> {
        let of_day = |(day, counts): (i32, &[u32; 2])| {
            [(Days::new(day), false, u64::from(counts[0])), (Days::new(day), true, u64::from(counts[1]))]
        };
        (0..).zip(&self.alone).flat_map(of_day).filter(|(_, _, count)| *count > 0)
    }

    /// The observations of all other clusters.
    pub fn several(&self) -> &Observations {
        &self.several
    }

    /// The last day of exit; day 0 where there are none.
    pub(super) fn last_day(&self) -> i32 {
        self.table.last_day().map_or(0, Days::count)
    }
}

/// The parts of each group, given how many each has, without their life tables.
fn parted(observations: &Observations, group_of: impl Fn(usize) -> u16, sizes: &[u64]) -> Vec<Clustered> {
    let groups = sizes.len();
    let group = |i: usize| Some(usize::from(group_of(i))).filter(|group| *group < groups);
    let size = |size: &u64| usize::try_from(*size).unwrap_or(0);
    if !observations.in_order_of_clusters() || observations.weights().is_some() {
        let room = |of: &u64| Clustered { several: Observations::with_capacity(size(of)), ..Clustered::default() };
        let mut parts: Vec<Clustered> = sizes.iter().map(room).collect();
        for i in 0..observations.len() {
            if let Some(group) = group(i) {
                parts[group].several.push_row(observations, i);
            }
        }
        return parts;
    }
    let days = observations.days();
    let mut parts: Vec<(Vec<[u32; 2]>, Rows)> =
        sizes.iter().map(|of| (vec![[0; 2]; days], Rows::with_capacity(size(of)))).collect();
    let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
    let cluster = observations.cluster();
    let mut add = |i: usize, group: usize, alone: bool| {
        let (counts, several) = &mut parts[group];
        if alone && entry[i] == 0 {
            counts[exit[i] as usize][usize::from(ending[i] == Ending::Failed)] += 1;
        } else {
            several.push((entry[i], exit[i], ending[i], cluster[i]));
        }
    };
    // How many of the cluster under way each group has.
    let mut members = vec![0_u32; groups];
    let mut from = 0;
    while from < cluster.len() {
        let to = (from + 1..cluster.len()).find(|i| cluster[*i] != cluster[from]).unwrap_or(cluster.len());
        match to - from {
            1 => {
                if let Some(group) = group(from) {
                    add(from, group, true);
                }
            }
            2 => {
                let (one, other) = (group(from), group(from + 1));
                [(from, one), (from + 1, other)]
                    .into_iter()
                    .filter_map(|(i, group)| Some((i, group?)))
                    .for_each(|(i, group)| add(i, group, one != other));
            }
            _ => {
                (from..to).filter_map(group).for_each(|group| members[group] += 1);
                for (i, group) in (from..to).filter_map(|i| Some((i, group(i)?))) {
                    add(i, group, members[group] == 1);
                }
                (from..to).filter_map(group).for_each(|group| members[group] = 0);
            }
        }
        from = to;
    }
    let clustered = |(alone, several): (Vec<[u32; 2]>, Rows)| Clustered {
        alone,
        several: several.into_observations(),
        ..Clustered::default()
    };
    parts.into_iter().map(clustered).collect()
}

#[cfg(test)]
mod tests {
    use super::super::cluster_influence::with_cluster_robust_variance_of;
    use super::super::product_limit::ProductLimit;
    use super::super::restricted_mean::restricted_mean_of;
    use super::super::survival_interval::Inference;
    use super::*;
    use crate::quantity::Variance;

    /// Clusters of one, two, three and four, or clusters that are mixed; some entered late, two groups and some without.
    fn rows(clusters_in_order: bool) -> (Observations, Grouping) {
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for i in 0..3_000_u32 {
            let scattered = i.wrapping_mul(2_654_435_761) >> 12;
            let entry = if scattered.is_multiple_of(11) { 3 } else { 0 };
            let exit = entry + 1 + (scattered % 40).cast_signed();
            let ending = [Ending::Failed, Ending::Competing, Ending::Censored, Ending::Failed][scattered as usize / 7 % 4];
            let in_order = i / 10 * 4 + [0, 1, 1, 2, 2, 2, 3, 3, 3, 3][i as usize % 10];
            let cluster = if clusters_in_order { in_order } else { scattered % 1_300 };
            observations.push(Days::new(entry), Days::new(exit), ending, cluster).expect("in order");
            codes.push([0, 1, 1, NO_GROUP, 0][scattered as usize / 3 % 5]);
        }
        (observations, Grouping::new(codes, 2).expect("levels"))
    }

    #[test]
    fn nobody_is_lost_and_those_alone_are_counted() {
        for in_order in [true, false] {
            let (observations, grouping) = rows(in_order);
            let mut groups = Vec::new();
            Clustered::each_group(&observations, &grouping, |_, clustered| groups.push(clustered));
            assert_eq!(groups.len(), 2);
            for (clustered, expected) in groups.iter().zip(observations.by_group(&grouping)) {
                let mut all: Vec<(i32, i32, bool)> = Vec::new();
                for (day, failed, count) in clustered.alone() {
                    all.extend((0..count).map(|_| (0, day.count(), failed)));
                }
                // Those alone in their group, and followed from the start, are counted where clusters come in order.
                let mut members = std::collections::BTreeMap::new();
                expected.cluster().iter().for_each(|cluster| *members.entry(*cluster).or_insert(0) += 1);
                assert!((1..=3).all(|size| members.values().any(|members| *members == size)), "of one, two and three");
                let is_alone = |i: &usize| members[&expected.cluster()[*i]] == 1 && expected.entry()[*i] == 0;
                let alone = (0..expected.len()).filter(is_alone).count();
                assert_eq!(all.len(), if in_order { alone } else { 0 });
                assert!(alone > 50, "{alone}");
                let of = |observations: &Observations| -> Vec<(i32, i32, bool)> {
                    let row = |i: usize| {
                        (observations.entry()[i], observations.exit()[i], observations.ending()[i] == Ending::Failed)
                    };
                    (0..observations.len()).map(row).collect()
                };
                all.extend(of(clustered.several()));
                let mut wanted = of(&expected);
                all.sort_unstable();
                wanted.sort_unstable();
                assert_eq!(all, wanted);
                assert_eq!(clustered.clusters(), expected.clusters_present());
                assert_eq!(*clustered.table(), LifeTable::count(&expected));
            }
            let whole = Clustered::of(&observations);
            assert_eq!(whole.clusters(), observations.clusters_present());
            assert_eq!(*whole.table(), LifeTable::count(&observations));
        }
    }

    #[test]
    fn many_groups_one_by_one_are_the_same_as_side_by_side() {
        let (observations, few) = rows(true);
        // The same two groups among so many that the rest are empty.
        let codes = few.codes().iter().map(|code| if *code == 1 { 40_000 } else { *code }).collect();
        let many = Grouping::new(codes, 50_000).expect("levels");
        let groups = |grouping: &Grouping| {
            let mut groups = Vec::new();
            Clustered::each_group(&observations, grouping, |place, clustered| groups.push((place, clustered)));
            groups
        };
        let (side_by_side, one_by_one) = (groups(&few), groups(&many));
        assert_eq!((side_by_side[1].0, one_by_one[1].0), (1, 40_000));
        for ((_, one), (_, other)) in side_by_side.iter().zip(&one_by_one) {
            let alone = |clustered: &Clustered| clustered.alone().collect::<Vec<_>>();
            assert_eq!((one.table(), one.clusters(), alone(one)), (other.table(), other.clusters(), alone(other)));
            assert_eq!(one.several().exit(), other.several().exit());
        }
    }

    #[test]
    fn counted_or_as_rows_clusters_have_the_same_variances() {
        let (in_order, _) = rows(true);
        // The same clusters under names that don't rise, so that all stay rows.
        let mut mixed = Observations::default();
        for i in 0..in_order.len() {
            let (entry, exit) = (Days::new(in_order.entry()[i]), Days::new(in_order.exit()[i]));
            mixed.push(entry, exit, in_order.ending()[i], in_order.cluster()[i] ^ 1).expect("in order");
        }
        assert!(in_order.in_order_of_clusters() && !mixed.in_order_of_clusters());
        let (counted, rows) = (Clustered::of(&in_order), Clustered::of(&mixed));
        assert!(counted.alone().count() > 50 && rows.alone().count() == 0);
        let curve = || ProductLimit::estimate(counted.table());
        let (one, other) =
            (with_cluster_robust_variance_of(curve(), &counted), with_cluster_robust_variance_of(curve(), &rows));
        for (one, other) in one.steps().iter().zip(other.steps()) {
            let [one, other] = [one, other].map(|step| step.ln_survival_variance.known().copied().expect("clusters"));
            assert!((one - other).abs() <= 1e-13 * other, "relative: {one} against {other}");
        }
        let mean = |clustered: &Clustered| {
            let inference = Inference { variance: Variance::ClusterRobust, ..Inference::default() };
            let mean = restricted_mean_of(curve(), clustered, Days::new(30), inference);
            mean.known().expect("followed").days.standard_error.expect("known")
        };
        let (one, other) = (mean(&counted), mean(&rows));
        assert!((one - other).abs() <= 1e-13 * other, "relative: {one} against {other}");
    }
}
