//! Innermost intervals: where a nonparametric estimate can put mass at all.
//!
//! Definition.  An innermost interval starts at a left end and ends at a right end with neither kind of end between. Each interval
//!              then holds a run of whole innermost intervals and meets no other. With delayed entries, an entry counts as a right
//!              end too: mass up to it does as much for whom it could concern and is outside of what the late ones are measured by.
//! Source.      Peto R. J R Stat Soc C 1973;22:86–91; Turnbull BW. J R Stat Soc B 1976;38:290–295; entries as right ends:
//!              Frydman H. J R Stat Soc B 1994;56:71–74 (all from memory).
//! Decided.     Edges: with S_j the survival before innermost interval j (S_0 = 1, S_m = 0), a class with the run lo..hi has the
//!              probability S_lo − S_hi, and a delayed entry the factor 1/(S_e − S_m): an edge of negative weight. So a likelihood is
//!              a weighted graph on the places between innermost intervals.
//!              Exhausted: where all who could fail after a place entered after it too, nobody holds the curve up there; the
//!              likelihood is largest with S = 0, and what came later tells nothing about it (as of a product limit whose risk
//!              set runs out). The graph is cut at the first such place. If nobody's interval ends there, those who were left were lost,
//!              not failed: the last innermost interval is open then, for its mass might lie later as well.
//! Cost.        O(classes + ticks), and a sort of the different ends of each run.

use super::interval_classes::{ClassWeights, IntervalClasses};
use super::intervals::NOT_SEEN_TO_FAIL;

/// A factor (S_lo − S_hi)^weight of a likelihood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Edge {
    pub lo: u32,
    pub hi: u32,
    pub weight: f64,
}

/// The innermost intervals of some classes, and their likelihood.
#[derive(Clone, Debug, Default)]
pub(super) struct Innermost {
    /// The place of each one's left end.
    pub left: Vec<u32>,
    /// Each one's right end.
    pub right: Vec<i32>,
    /// The factors that are not constant, those of entries last.
    pub edges: Vec<Edge>,
    /// The sum of the weights of the classes that take part.
    pub total: f64,
    /// The sum of the weights of the edges, those of entries being negative.
    pub net: f64,
    /// The sum of the weights of the classes past the place where those at risk were exhausted.
    pub past_exhaustion: f64,
}

/// For each place of a left end the first innermost interval from there on; for each right end how many end by it.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    from: Vec<u32>,
    until: Vec<u32>,
}

impl Runs {
    /// The run of a class, as places between innermost intervals.
    pub(super) fn of(&self, left: u32, right: i32) -> (u32, u32) {
        (self.from[left as usize], self.until(right))
    }

    /// How many innermost intervals end by this tick.
    pub(super) fn until(&self, right: i32) -> u32 {
        let slot = (right.unsigned_abs() as usize).min(self.until.len() - 1);
        self.until[slot]
    }
}

impl Innermost {
    /// Of the classes with a weight above 0.
    pub(super) fn of(classes: &IntervalClasses, weights: &ClassWeights) -> (Self, Runs) {
        let ticks = classes.last.unsigned_abs() as usize + 1;
        let (mut starts, mut ends) = (vec![false; 2 * ticks], vec![false; ticks + 1]);
        let slot = |right: i32| (right.unsigned_abs() as usize).min(ticks);
        for ((&left, &right), &weight) in classes.left.iter().zip(&classes.right).zip(&weights.class) {
            if weight > 0.0 {
                starts[left as usize] = true;
                ends[slot(right)] = true;
            }
        }
        for (&entry, &weight) in classes.entry.iter().zip(&weights.entry) {
            if weight > 0.0 {
                ends[slot(entry)] = true;
            }
        }
        let mut innermost = Self::default();
        let runs = innermost.scan(&starts, &ends);
        innermost.join(classes, weights, &runs);
        (innermost, runs)
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "places of the grid of ticks")]
    fn scan(&mut self, starts: &[bool], ends: &[bool]) -> Runs {
        let ticks = ends.len() - 1;
        let mut runs = Runs { from: vec![0; 2 * ticks], until: vec![0; ticks + 1] };
        let mut open = None;
        for tick in 0..=ticks {
            if tick < ticks && starts[2 * tick] {
                open = Some(2 * tick);
            }
            if tick < ticks {
                runs.from[2 * tick] = self.left.len() as u32;
            }
            if let Some(left) = open.filter(|_| ends[tick]) {
                self.left.push(left as u32);
                self.right.push(if tick == ticks { NOT_SEEN_TO_FAIL } else { tick as i32 });
                open = None;
            }
            runs.until[tick] = self.left.len() as u32;
            if tick < ticks {
                if starts[2 * tick + 1] {
                    open = Some(2 * tick + 1);
                }
                runs.from[2 * tick + 1] = self.left.len() as u32;
            }
        }
        runs
    }

    /// Makes the edges, classes with one run taken together.
    #[expect(clippy::cast_possible_truncation, reason = "there are fewer than 2^32 innermost intervals")]
    fn join(&mut self, classes: &IntervalClasses, weights: &ClassWeights, runs: &Runs) {
        let all = self.left.len();
        let mut end = all;
        let late: Vec<(usize, f64)> = (classes.entry.iter().zip(&weights.entry))
            .filter(|(_, weight)| **weight > 0.0)
            .map(|(&entry, &weight)| (runs.until(entry) as usize, weight))
            .collect();
        if !late.is_empty() {
            let mut held = vec![0.0; all + 1];
            for (&left, &weight) in classes.left.iter().zip(&weights.class) {
                held[runs.from[left as usize] as usize] += weight;
            }
            let scale: f64 = held.iter().sum();
            late.iter().for_each(|&(place, weight)| held[place] -= weight);
            let mut above = 0.0;
            for place in (1..all).rev() {
                above += held[place];
                if above <= 1e-12 * scale {
                    end = place;
                }
            }
        }
        let mut bounded = end == all;
        let mut sums = vec![0.0; all + 1];
        let mut met: Vec<usize> = Vec::new();
        let mut lo = 0;
        let flush = |edges: &mut Vec<Edge>, lo: usize, met: &mut Vec<usize>, sums: &mut [f64]| {
            met.sort_unstable();
            for hi in met.drain(..) {
                let weight = std::mem::take(&mut sums[hi]);
                if lo > 0 || hi < end {
                    edges.push(Edge { lo: lo as u32, hi: hi as u32, weight });
                }
            }
        };
        for ((&left, &right), &weight) in classes.left.iter().zip(&classes.right).zip(&weights.class) {
            if weight <= 0.0 {
                continue;
            }
            let (from, until) = runs.of(left, right);
            if from as usize >= end {
                self.past_exhaustion += weight;
                continue;
            }
            if from as usize != lo {
                flush(&mut self.edges, lo, &mut met, &mut sums);
                lo = from as usize;
            }
            bounded |= until as usize == end;
            let hi = (until as usize).min(end);
            if sums[hi] <= 0.0 {
                met.push(hi);
            }
            sums[hi] += weight;
            self.total += weight;
        }
        flush(&mut self.edges, lo, &mut met, &mut sums);
        // Entries at one place, taken together. Where all that can fail does so after the entry, its factor is constant.
        for (place, weight) in late.into_iter().filter(|&(place, _)| place > 0 && place < end) {
            match self.edges.last_mut() {
                Some(edge) if edge.weight < 0.0 && edge.lo as usize == place => edge.weight -= weight,
                _ => self.edges.push(Edge { lo: place as u32, hi: end as u32, weight: -weight }),
            }
        }
        self.net = self.edges.iter().map(|edge| edge.weight).sum();
        self.left.truncate(end);
        self.right.truncate(end);
        if let Some(last) = self.right.last_mut().filter(|_| !bounded) {
            *last = NOT_SEEN_TO_FAIL;
        }
    }

    /// How many there are.
    pub(super) fn len(&self) -> usize {
        self.left.len()
    }
}

#[cfg(test)]
mod tests {
    use super::super::intervals::Intervals;
    use super::*;
    use crate::quantity::Days;

    pub(super) fn of(records: &[(i32, i32, Option<i32>)]) -> Innermost {
        let mut intervals = Intervals::default();
        for &(entry, left, right) in records {
            intervals.push(Days::new(entry), Days::new(left), right.map(Days::new), 0).expect("in order");
        }
        let (classes, weights) = IntervalClasses::of(&intervals);
        Innermost::of(&classes, &weights).0
    }

    #[test]
    fn ends_that_touch_make_two_and_a_point_makes_its_own() {
        // (1, 3] and (3, 5] touch; 3 itself lies in the first; (3, ∞) starts after 3.
        let found = of(&[(0, 1, Some(3)), (0, 3, Some(5)), (0, 3, Some(3)), (0, 3, None)]);
        assert_eq!((found.left, found.right), (vec![6, 7], vec![3, 5]));
        let edge = |lo, hi, weight| Edge { lo, hi, weight };
        assert_eq!(found.edges, [edge(0, 1, 2.0), edge(1, 2, 2.0)]);
    }

    #[test]
    fn an_entry_ends_an_innermost_interval() {
        // (1, 5] with an entry at 3 into (4, 6]: mass in (1, 3] is outside of what the late one is measured by.
        let found = of(&[(0, 1, Some(5)), (3, 4, Some(6)), (0, 5, Some(7))]);
        assert_eq!((found.left, found.right), (vec![3, 9, 11], vec![3, 5, 6]));
    }

    #[test]
    fn where_nobody_is_left_the_rest_is_cut_off() {
        // Exact failure on 2; the others enter on 3.
        let found = of(&[(0, 2, Some(2)), (3, 4, Some(6)), (3, 9, None)]);
        assert_eq!((found.left, found.right), (vec![4], vec![2]));
        assert!((found.total - 1.0).abs() < 1e-15 && (found.past_exhaustion - 2.0).abs() < 1e-15, "absolute");
        assert!(found.edges.is_empty());
    }

    #[test]
    fn where_the_last_was_lost_before_others_came_the_end_is_open() {
        // Failed on 1, lost on 2; the other enters on 3: after 2 nothing is known.
        let found = of(&[(0, 1, Some(1)), (0, 2, None), (3, 4, Some(6))]);
        assert_eq!((found.left, found.right), (vec![2, 5], vec![1, NOT_SEEN_TO_FAIL]));
    }
}
