//! Equal intervals taken together, by counting on the grid of ticks.
//!
//! Definition.  The place of a left end on the grid: 2l + 1 just after tick l, or 2t for an exact failure on t, which its interval
//!              holds. A class is all records with one left place and one right end. Delayed entries are counted apart, for
//!              each enters the likelihood as a factor of its own.
//! Decided.     Classes come by left place, then by right end. Sums of unit weights are exact, so the order of records changes
//!              nothing; other weights are summed in the order of the records.
//! Cost.        O(records + ticks), and a sort of the different right ends of each left place.

use super::bucket::Buckets;
use super::intervals::{Intervals, NOT_SEEN_TO_FAIL};

/// The classes of some records, without their weights.
#[derive(Clone, Debug, Default)]
pub(super) struct IntervalClasses {
    /// The place of the left end of each class.
    pub left: Vec<u32>,
    /// The right end of each class.
    pub right: Vec<i32>,
    /// The different entries after the origin, rising.
    pub entry: Vec<i32>,
    /// The largest tick.
    pub last: i32,
}

/// The weights of classes and of entries.
#[derive(Clone, Debug, Default)]
pub(super) struct ClassWeights {
    /// Of each class.
    pub class: Vec<f64>,
    /// Of each entry.
    pub entry: Vec<f64>,
}

/// The class and the entry of each record.
pub(super) struct Membership {
    /// The class of each record.
    pub class: Vec<u32>,
    /// One more than the place of its entry among the different ones; 0 for the origin. Empty when none entered late.
    pub entry: Vec<u32>,
}

/// The place of the left end of a record.
pub(super) fn left_place(left: i32, right: i32) -> u32 {
    2 * left.unsigned_abs() + u32::from(right != left)
}

impl IntervalClasses {
    /// Those of these records, with the sums of their weights.
    pub(super) fn of(intervals: &Intervals) -> (Self, ClassWeights) {
        if intervals.weights().is_some() {
            let (classes, members) = Self::with_members(intervals);
            let weights = classes.weights(intervals, &members);
            return (classes, weights);
        }
        let last = intervals.last_day().map_or(0, crate::quantity::Days::count);
        let mut classes = Self { last, ..Self::default() };
        let mut weights = ClassWeights::default();
        let keyed = intervals.left().iter().zip(intervals.right()).map(|(&left, &right)| (left_place(left, right), right));
        let buckets = Buckets::fill(keyed, places(last));
        let mut counts = vec![0_u32; right_slots(last)];
        let mut met = Vec::new();
        for place in 0..places(last) {
            for &right in buckets.items(place) {
                let slot = slot(right, last);
                if counts[slot] == 0 {
                    met.push(slot);
                }
                counts[slot] += 1;
            }
            met.sort_unstable();
            for slot in met.drain(..) {
                classes.push(place, slot);
                weights.class.push(f64::from(std::mem::take(&mut counts[slot])));
            }
        }
        if let Some(entries) = intervals.entries() {
            let mut late = vec![0_u32; right_slots(last)];
            entries.iter().for_each(|&entry| late[slot(entry, last)] += 1);
            for (entry, &count) in (0..).zip(&late).skip(1).filter(|(_, count)| **count > 0) {
                classes.entry.push(entry);
                weights.entry.push(f64::from(count));
            }
        }
        (classes, weights)
    }

    /// Those of these records, and which record is in which.
    #[expect(clippy::cast_possible_truncation, reason = "there are fewer than 2^32 records")]
    pub(super) fn with_members(intervals: &Intervals) -> (Self, Membership) {
        let last = intervals.last_day().map_or(0, crate::quantity::Days::count);
        let mut classes = Self { last, ..Self::default() };
        let keyed =
            intervals.left().iter().zip(intervals.right()).zip(0..).map(|((&left, &right), i)| (left_place(left, right), i));
        let buckets: Buckets<u32> = Buckets::fill(keyed, places(last));
        let mut class_of_slot = vec![0_u32; right_slots(last)];
        let mut members = Membership { class: vec![0; intervals.len()], entry: Vec::new() };
        let mut met = Vec::new();
        for place in 0..places(last) {
            let records = buckets.items(place);
            met.extend(records.iter().map(|&i| slot(intervals.right()[i as usize], last)));
            met.sort_unstable();
            met.dedup();
            for slot in met.drain(..) {
                class_of_slot[slot] = classes.left.len() as u32;
                classes.push(place, slot);
            }
            for &i in records {
                members.class[i as usize] = class_of_slot[slot(intervals.right()[i as usize], last)];
            }
        }
        if let Some(entries) = intervals.entries() {
            let mut late = vec![0_u32; right_slots(last)];
            entries.iter().filter(|&&entry| entry > 0).for_each(|&entry| late[slot(entry, last)] = 1);
            for (entry, place) in (0..).zip(&mut late).filter(|(_, place)| **place > 0) {
                classes.entry.push(entry);
                *place = classes.entry.len() as u32;
            }
            members.entry = entries.iter().map(|&entry| late[slot(entry, last)]).collect();
        }
        (classes, members)
    }

    /// The sums of the weights of the members.
    pub(super) fn weights(&self, intervals: &Intervals, members: &Membership) -> ClassWeights {
        let mut weights = ClassWeights { class: vec![0.0; self.left.len()], entry: vec![0.0; self.entry.len()] };
        for (i, &class) in members.class.iter().enumerate() {
            let weight = intervals.weight_of(i);
            weights.class[class as usize] += weight;
            if let Some(&entry) = members.entry.get(i).filter(|&&entry| entry > 0) {
                weights.entry[entry as usize - 1] += weight;
            }
        }
        weights
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "places of the grid of ticks")]
    fn push(&mut self, place: usize, slot: usize) {
        self.left.push(place as u32);
        self.right.push(if slot == right_slots(self.last) - 1 { NOT_SEEN_TO_FAIL } else { slot as i32 });
    }
}

/// How many places of left ends there are.
fn places(last: i32) -> usize {
    2 * last.unsigned_abs() as usize + 2
}

/// How many different right ends there can be, the open one last.
fn right_slots(last: i32) -> usize {
    last.unsigned_abs() as usize + 2
}

fn slot(right: i32, last: i32) -> usize {
    right.min(last.saturating_add(1)).unsigned_abs() as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn both_ways_give_the_same_classes() {
        let mut intervals = Intervals::default();
        for (entry, left, right) in [
            (0, 3, Some(3)),
            (2, 3, Some(5)),
            (0, 3, None),
            (2, 3, Some(5)),
            (1, 1, Some(9)),
            (0, 0, Some(0)),
            (0, 3, Some(3)),
        ] {
            intervals.push(Days::new(entry), Days::new(left), right.map(Days::new), 0).expect("in order");
        }
        let (classes, weights) = IntervalClasses::of(&intervals);
        let (again, members) = IntervalClasses::with_members(&intervals);
        let sums = again.weights(&intervals, &members);
        assert_eq!((&classes.left, &classes.right), (&vec![0, 3, 6, 7, 7], &vec![0, 9, 3, 5, NOT_SEEN_TO_FAIL]));
        assert_eq!((&classes.left, &classes.right, &classes.entry), (&again.left, &again.right, &again.entry));
        assert_eq!((&weights.class, &weights.entry), (&vec![1.0, 1.0, 2.0, 2.0, 1.0], &vec![1.0, 2.0]));
        assert_eq!((weights.class, weights.entry), (sums.class, sums.entry));
    }
}
