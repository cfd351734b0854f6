//! The combinations of factor levels that restorations have: what is counted once for a combination need not be counted for each factor.

use std::collections::HashMap;

use crate::cohort::FactorLevels;
use crate::stats::NO_GROUP;

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
            let mut numbers: HashMap<(u32, u16), u32> = HashMap::new();
            let mut last = None;
            for (combination, &level) in of.iter_mut().zip(&factor.codes) {
                let key = (*combination, level);
                // Neighbours are often alike.
                *combination = match last {
                    Some((known, number)) if known == key => number,
                    _ => *numbers.entry(key).or_insert_with(|| {
                        let mut of_these = groups[key.0 as usize].clone();
                        of_these.extend((level != NO_GROUP).then(|| begin + usize::from(level)));
                        finer.push(of_these);
                        finer.len() as u32 - 1
                    }),
                };
                last = Some((key, *combination));
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
