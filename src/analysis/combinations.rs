//! The combinations of factor levels that restorations have: what is counted once for a combination need not be counted for each factor.

use std::collections::HashMap;

use crate::cohort::FactorLevels;
use crate::stats::NO_GROUP;

/// A combination that no restoration had so far.
const NOT_MET: u32 = u32::MAX;

/// So many numbers are looked up by their place; more of them would take more memory than they are worth.
const BY_PLACE: usize = 1 << 20;

/// The number of each combination of one before and a level; [`NOT_MET`] if no restoration had it so far.
enum Numbers {
    /// By combination, then level, the last place for an unknown one; and how many places a combination has.
    ByPlace(Vec<u32>, usize),
    Met(HashMap<(u32, u16), u32>),
}

impl Numbers {
    fn new(combinations: usize, levels: usize) -> Self {
        let places = combinations * (levels + 1);
        if places > BY_PLACE { Self::Met(HashMap::new()) } else { Self::ByPlace(vec![NOT_MET; places], levels + 1) }
    }

    fn of(&mut self, combination: u32, level: u16) -> &mut u32 {
        match self {
            Self::ByPlace(numbers, width) => {
                &mut numbers[combination as usize * *width + usize::from(level).min(*width - 1)]
            }
            Self::Met(numbers) => numbers.entry((combination, level)).or_insert(NOT_MET),
        }
    }
}

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
            let mut numbers = Numbers::new(groups.len(), factor.levels.len());
            for (combination, &level) in of.iter_mut().zip(&factor.codes) {
                let before = *combination;
                let number = numbers.of(before, level);
                if *number == NOT_MET {
                    *number = finer.len() as u32;
                    let mut of_these = groups[before as usize].clone();
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn combinations_are_numbered_alike_by_place_and_by_key() {
        let keys: Vec<(u32, u16)> = (0..500_u32).map(|n| (n * 7 % 5, (n / 3 % 4) as u16)).map(with_unknown).collect();
        let numbered = |mut numbers: Numbers| -> Vec<u32> {
            let mut next = 0;
            let mut number = |&(combination, level): &(u32, u16)| {
                let number = numbers.of(combination, level);
                if *number == NOT_MET {
                    *number = next;
                    next += 1;
                }
                *number
            };
            keys.iter().map(&mut number).collect()
        };
        let by_place = numbered(Numbers::new(5, 3));
        assert_eq!(by_place, numbered(Numbers::Met(HashMap::new())));
        assert!(by_place.iter().max() > Some(&5), "{by_place:?}");
        assert!(matches!(Numbers::new(BY_PLACE, 1), Numbers::Met(_)));
    }

    /// The last level stands for one that is not known.
    const fn with_unknown((combination, level): (u32, u16)) -> (u32, u16) {
        (combination, if level == 3 { NO_GROUP } else { level })
    }
}
