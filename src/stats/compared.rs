//! What a comparison of groups is made of: observations, their groups, and the strata within which they are compared.
//!
//! Decided.     An observation without a group or without a stratum takes no part. Those past the end of either list of codes
//!              have none.

use super::grouping::{Grouping, NO_GROUP};
use super::observation::Observations;

/// Observations in groups, compared within strata where there are any.
#[derive(Clone, Copy, Debug)]
pub struct Compared<'a> {
    /// Those that are followed. Case weights count.
    pub observations: &'a Observations,
    /// The group of each.
    pub grouping: &'a Grouping,
    /// The stratum of each; none when all are compared with all.
    pub strata: Option<&'a Grouping>,
}

impl<'a> Compared<'a> {
    /// All compared with all.
    pub fn new(observations: &'a Observations, grouping: &'a Grouping) -> Self {
        Self { observations, grouping, strata: None }
    }

    /// Compared only with those of the same stratum.
    #[must_use]
    pub fn within(self, strata: &'a Grouping) -> Self {
        Self { strata: Some(strata), ..self }
    }

    /// Calls with index, group and stratum of each that takes part, in the order of the observations.
    #[inline]
    pub(super) fn each(&self, mut call: impl FnMut(usize, usize, usize)) {
        let groups = self.grouping.codes().iter().take(self.observations.len()).enumerate();
        match self.strata {
            None => {
                for (i, &group) in groups {
                    if group != NO_GROUP {
                        call(i, usize::from(group), 0);
                    }
                }
            }
            Some(strata) => {
                for ((i, &group), &stratum) in groups.zip(strata.codes()) {
                    if group != NO_GROUP && stratum != NO_GROUP {
                        call(i, usize::from(group), usize::from(stratum));
                    }
                }
            }
        }
    }

    /// For each level, its place among these groups, if it has one.
    pub(super) fn columns(&self, groups: &[usize]) -> Vec<Option<usize>> {
        (0..usize::from(self.grouping.levels())).map(|level| groups.iter().position(|&g| g == level)).collect()
    }

    /// All levels.
    pub(super) fn all_groups(&self) -> Vec<usize> {
        (0..usize::from(self.grouping.levels())).collect()
    }

    /// How many clusters of these groups take part.
    pub(super) fn clusters_present(&self, column: &[Option<usize>]) -> u64 {
        let cluster = self.observations.cluster();
        let mut seen = vec![false; self.observations.clusters() as usize];
        self.each(|i, group, _| {
            if column[group].is_some() {
                seen[cluster[i] as usize] = true;
            }
        });
        seen.iter().map(|&seen| u64::from(seen)).sum()
    }
}
