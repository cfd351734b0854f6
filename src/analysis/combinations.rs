//! The combinations of factor levels that restorations have: what is counted once for a combination need not be counted for each factor.

use crate::cohort::FactorLevels;
use crate::stats::NO_GROUP;

/// A combination that no restoration had so far.
const NOT_MET: u32 = u32::MAX;

/// Combinations met, numbered in the order of their first restoration.
#[derive(Clone, Debug)]
pub(super) struct Combinations {
    /// The combination of each restoration.
    of: Vec<u32>,
    /// The groups of each: everybody (group 0), then a level of each factor, where it is known.
    groups: Vec<Vec<usize>>,
    /// How many groups there are.
    all_groups: usize,
}

impl Combinations {
    /// The combinations of so many restorations; `begins` tells where each factor's levels begin among the groups.
    #[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
    pub(super) fn new(factors: &[FactorLevels], begins: &[usize], all_groups: usize, restorations: usize) -> Self {
        let mut of = vec![0_u32; restorations];
        let mut groups = vec![vec![0]];
        for (factor, begin) in factors.iter().zip(begins) {
            let mut finer: Vec<Vec<usize>> = Vec::new();
            // By combination so far, then level; the last place is that of an unknown one.
            let width = factor.levels.len() + 1;
            let mut numbers = vec![NOT_MET; groups.len() * width];
            for (combination, &level) in of.iter_mut().zip(&factor.codes) {
                let before = *combination as usize;
                let number = &mut numbers[before * width + usize::from(level).min(width - 1)];
                if *number == NOT_MET {
                    *number = finer.len() as u32;
                    let mut of_these = groups[before].clone();
                    of_these.extend((level != NO_GROUP).then(|| begin + usize::from(level)));
                    finer.push(of_these);
                }
                *combination = *number;
            }
            groups = finer;
        }
        Self { of, groups, all_groups }
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.groups.len()
    }

    /// How many groups.
    pub(super) const fn all_groups(&self) -> usize {
        self.all_groups
    }

    /// The combination of a restoration.
    pub(super) fn of(&self, restoration: u32) -> usize {
        self.of[restoration as usize] as usize
    }

    /// The groups of a combination.
    pub(super) fn groups(&self, combination: usize) -> &[usize] {
        &self.groups[combination]
    }
}
