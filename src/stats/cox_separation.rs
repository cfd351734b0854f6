//! Monotone likelihood: does a combination of the covariates tell without error who fails first?
//!
//! Definition.  Along a direction δ the partial likelihood never falls if, on every place, each failure has the largest xδ of the
//!              risk set (with exact ties: none of those left over has a larger one), and it has no maximum if one is strictly larger.
//! Source.      Bryson MC, Johnson ME. Technometrics 1981;23:381–383; Heinze G, Schemper M. Biometrics 2001;57:114–119 (from memory).
//! Decided.     The direction asked about is the last step of Newton's method, which runs along such a direction if there is one; it
//!              has converged to it only nearly, so differences of one part in 10 000 of the widest are taken for none.
//! Cost.        O(rows·columns + late rows·ln rows).

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use super::cox::TiesHandling;
use super::cox_risk_sets::RiskSets;

const NEARLY: f64 = 1e-4;

/// A row in the heap, by its value.
struct Candidate {
    value: f64,
    first_place: u32,
}

impl Ord for Candidate {
    fn cmp(&self, other: &Self) -> Ordering {
        self.value.total_cmp(&other.value)
    }
}

impl PartialOrd for Candidate {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Candidate {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Candidate {}

/// Whether the likelihood only climbs along `direction`.
pub(super) fn separated(sets: &RiskSets, direction: &[f64], ties: TiesHandling) -> bool {
    let mut value = vec![0.0; sets.rows()];
    for (column, direction) in sets.columns.iter().zip(direction) {
        value.iter_mut().zip(column).for_each(|(value, x)| *value += direction * x);
    }
    let (low, high) =
        value.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &value| (low.min(value), high.max(value)));
    let none = NEARLY * (high - low);
    if !none.is_finite() || none <= 0.0 {
        return false;
    }
    let mut strictly = false;
    let mut heap = BinaryHeap::new();
    for stratum in sets.stratum_starts.windows(2) {
        heap.clear();
        for place in (stratum[0]..stratum[1]).rev() {
            let rows = &sets.places[place];
            let candidate =
                |row: usize| Candidate { value: value[row], first_place: sets.first_place.get(row).copied().unwrap_or(0) };
            heap.extend((rows.failures_end..rows.end).map(candidate));
            while heap.peek().is_some_and(|top| top.first_place as usize > place) {
                heap.pop();
            }
            let failed = &value[rows.start..rows.failures_end];
            let least = failed.iter().copied().fold(f64::INFINITY, f64::min);
            let most = failed.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let rival = heap.peek().map_or(f64::NEG_INFINITY, |top| top.value);
            let rival = if ties == TiesHandling::ExactDiscrete { rival } else { rival.max(most) };
            if least < rival - none {
                return false;
            }
            strictly =
                strictly || heap.iter().any(|other| other.first_place as usize <= place && other.value < least - none);
            heap.extend((rows.start..rows.failures_end).map(candidate));
        }
    }
    strictly
}
