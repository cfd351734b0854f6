//! Failures and time under observation, counted for each cluster: what rates are made of.
//!
//! Definition.  An observation adds time(exit) − time(entry) to the person-time of its cluster, and 1 to its failures if it
//!              failed; both times its case weight. Times are those of the axis.
//! Decided.     One that ends on tick 0 adds no time, but its failure counts. A competing ending is no failure; it ends the time at
//!              risk.
//! Cost.        O(observations + clusters).

use super::axis::Axis;
use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, Observations};
use crate::quantity::Behind;

/// Failures and person-time of each cluster, by the index of the cluster.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PersonTime {
    failures: Vec<f64>,
    time: Vec<f64>,
    present: Vec<bool>,
    behind: Behind,
}

impl PersonTime {
    /// That of all observations.
    pub fn count(observations: &Observations, axis: &Axis) -> Self {
        let mut whole = Self::blank(observations.clusters());
        for i in 0..observations.len() {
            whole.add(observations, i, axis);
        }
        whole
    }

    /// That of each level of a grouping. Observations without a group are in none, nor are those past the end of its codes.
    pub fn by_group(observations: &Observations, grouping: &Grouping, axis: &Axis) -> Vec<Self> {
        let mut groups = vec![Self::blank(observations.clusters()); usize::from(grouping.levels())];
        for (i, &code) in grouping.codes().iter().take(observations.len()).enumerate() {
            if code != NO_GROUP {
                groups[usize::from(code)].add(observations, i, axis);
            }
        }
        groups
    }

    fn blank(clusters: u32) -> Self {
        let clusters = clusters as usize;
        Self {
            failures: vec![0.0; clusters],
            time: vec![0.0; clusters],
            present: vec![false; clusters],
            behind: Behind::default(),
        }
    }

    #[inline]
    fn add(&mut self, observations: &Observations, i: usize, axis: &Axis) {
        let cluster = observations.cluster()[i] as usize;
        let weight = observations.weight_of(i);
        self.time[cluster] += weight * (axis.time(observations.exit()[i]) - axis.time(observations.entry()[i]));
        if observations.ending()[i] == Ending::Failed {
            self.failures[cluster] += weight;
            self.behind.failures += 1;
        }
        self.behind.observations += 1;
        self.behind.clusters += u64::from(!std::mem::replace(&mut self.present[cluster], true));
    }

    /// Failures of all, by their case weights.
    pub fn failures(&self) -> f64 {
        self.failures.iter().sum()
    }

    /// Time under observation of all, by their case weights, in the unit of the axis.
    pub fn time(&self) -> f64 {
        self.time.iter().sum()
    }

    /// How many stand behind it; here each observation counts once, whatever its weight.
    pub fn behind(&self) -> Behind {
        self.behind
    }

    /// What cluster `index` has more failures than `rate` and its time let expect.
    pub(super) fn residual(&self, index: usize, rate: f64) -> f64 {
        let of = |column: &[f64]| column.get(index).copied().unwrap_or(0.0);
        of(&self.failures) - rate * of(&self.time)
    }

    /// One more than the largest cluster index.
    pub(super) fn indices(&self) -> usize {
        self.present.len()
    }

    /// Whether a cluster has an observation here.
    pub(super) fn has(&self, index: usize) -> bool {
        self.present.get(index).copied().unwrap_or(false)
    }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn ten_rows_by_hand() {
        // By hand: 2 + 4 + 4 + 6 + 9 and 3 + 4 + 7 + 7 + 10 days; three failures in each.
        let (observations, grouping) = ten_rows::grouped();
        let groups = PersonTime::by_group(&observations, &grouping, &Axis::Days);
        let totals: Vec<_> = groups.iter().map(|group| (group.failures(), group.time(), group.behind().clusters)).collect();
        assert_eq!(totals, [(3.0, 25.0, 5), (3.0, 31.0, 5)]);
        let whole = PersonTime::count(&observations, &Axis::Days);
        assert_eq!((whole.failures(), whole.time(), whole.behind().observations), (6.0, 56.0, 10));
    }

    #[test]
    fn a_listed_axis_gives_lengths_and_weights_multiply() {
        let mut observations = Observations::default();
        observations.push_weighted(Days::new(1), Days::new(3), Ending::Failed, 2, 2.0).expect("in order");
        observations.push_weighted(Days::new(0), Days::new(0), Ending::Failed, 2, 1.0).expect("in order");
        let axis = Axis::listing([0.5, 2.0, 4.25]);
        let whole = PersonTime::count(&observations, &axis);
        assert_eq!((whole.failures(), whole.time(), whole.behind().clusters), (3.0, 7.5, 1));
    }
}
