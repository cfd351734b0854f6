//! Rare levels of a factor put together. By how many restorations they have and nothing else: choosing by failures would choose the
//! result.

use crate::stats::NO_GROUP;

/// Which levels stand apart, and which are put together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pooled {
    /// The new place of each level; that of the levels put together comes last. [`NO_GROUP`] for a level that nobody has.
    pub place: Vec<u16>,
    /// The levels that stand apart, in their order.
    pub apart: Vec<usize>,
    /// The levels that are put together.
    pub together: Vec<usize>,
}

/// Puts levels together, of each of which there are so many: those with fewer than `least`, and all but the most frequent where more
/// than `most` places would be needed, the place of those put together counted. Of equal ones the first stand apart, and `always` does
/// whatever its number.
pub fn pooled(counts: &[u64], least: u64, most: usize, always: Option<usize>) -> Pooled {
    let mut present: Vec<usize> = (0..counts.len()).filter(|level| counts[*level] > 0).collect();
    present.sort_by_key(|level| (always != Some(*level), std::cmp::Reverse(counts[*level])));
    let frequent = present.iter().filter(|level| always == Some(**level) || counts[**level] >= least).count();
    let all_fit = frequent == present.len() && frequent <= most;
    let room = if all_fit { most } else { most.saturating_sub(1) };
    let together = present.split_off(frequent.min(room));
    let mut pooled = Pooled { place: vec![NO_GROUP; counts.len()], apart: present, together };
    pooled.apart.sort_unstable();
    pooled.together.sort_unstable();
    for (place, &level) in (0_u16..).zip(&pooled.apart) {
        pooled.place[level] = place;
    }
    let others = u16::try_from(pooled.apart.len()).unwrap_or(NO_GROUP);
    for &level in &pooled.together {
        pooled.place[level] = others;
    }
    pooled
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_most_frequent_stand_apart_and_the_rest_come_last() {
        let found = pooled(&[5, 40, 0, 30, 5, 20], 1, 4, None);
        assert_eq!((found.apart, found.together), (vec![1, 3, 5], vec![0, 4]));
        assert_eq!(found.place, [3, 0, NO_GROUP, 1, 3, 2]);
    }

    #[test]
    fn nothing_is_put_together_where_all_fit() {
        let found = pooled(&[5, 40, 0, 30], 1, 3, None);
        assert_eq!((found.apart, found.together), (vec![0, 1, 3], Vec::new()));
        assert_eq!(pooled(&[], 10, 3, None).place, [] as [u16; 0]);
    }

    #[test]
    fn what_is_held_against_stands_apart_whatever_its_number() {
        let found = pooled(&[2, 40, 30, 20], 10, 3, Some(0));
        assert_eq!((found.apart, found.together), (vec![0, 1], vec![2, 3]));
    }

    #[test]
    fn equal_ones_are_kept_in_their_order() {
        let found = pooled(&[7; 6], 1, 3, None);
        assert_eq!((found.apart, found.together), (vec![0, 1], vec![2, 3, 4, 5]));
    }

    #[test]
    fn fewer_than_the_least_are_put_together_though_there_is_room() {
        let found = pooled(&[9, 10, 3], 10, 20, None);
        assert_eq!((found.apart, found.together), (vec![1], vec![0, 2]));
        // The room for those put together is kept free, even where the frequent ones alone would fill all places.
        let found = pooled(&[12, 10, 3], 10, 2, None);
        assert_eq!((found.apart, found.together), (vec![0], vec![1, 2]));
    }
}
