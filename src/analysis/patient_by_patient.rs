//! Who was due at the recalls of a protocol, patient by patient, for those who count both.
//!
//! Cost.  One pass over the visits on all threads, for all recalls; nothing is kept of it but what is counted.

use std::ops::Range;

use crate::cohort::history::threads_for;
use crate::cohort::recall::{Due, Recalls};
use crate::cohort::{Histories, Look};
use crate::protocol::RecallWindow;
use crate::threads::gathered;

/// Stretches of patients for each thread, so that all are busy to the end.
const STRETCHES: usize = 16;

/// Hands each restoration that was due at a recall to `take`, with the place of the recall, its patient, and its visits within the window,
/// patient by patient, on all threads; each counts in a state of its own, and which patients are in which is left to chance.
pub(super) fn patient_by_patient<S: Send>(
    histories: &Histories,
    windows: &[RecallWindow],
    state: impl Fn() -> S + Sync,
    take: impl Fn(&mut S, usize, u32, Due, &[Look]) + Sync,
) -> Vec<S> {
    let recalls = Recalls::new(histories, windows);
    let threads = threads_for(histories.looks.len());
    let order = order(histories);
    let at = |place: usize| order.as_ref().map_or(place, |order| order[place] as usize);
    let patient = |place: usize| histories.patient[at(place)];
    let stretches = stretches(histories.len(), threads * STRETCHES, |place| patient(place) != patient(place - 1));
    gathered(&stretches, threads, state, |own, _, stretch: &Range<usize>| {
        let mut found = recalls.nothing_found();
        for place in stretch.clone() {
            let restoration = at(place);
            let patient = histories.patient[restoration];
            recalls.due(restoration, &mut found, |recall, due, visits| take(own, recall, patient, due, visits));
        }
    })
}

/// Restorations in the order of their patients, then their own; none if they come so.
#[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
fn order(histories: &Histories) -> Option<Vec<u32>> {
    if histories.patient.is_sorted() {
        return None;
    }
    let mut next = vec![0_u32; histories.patients as usize + 1];
    histories.patient.iter().for_each(|patient| next[*patient as usize + 1] += 1);
    for patient in 1..next.len() {
        next[patient] += next[patient - 1];
    }
    let mut order = vec![0; histories.len()];
    for (restoration, patient) in histories.patient.iter().enumerate() {
        let place = &mut next[*patient as usize];
        order[*place as usize] = restoration as u32;
        *place += 1;
    }
    Some(order)
}

/// Places cut into so many stretches or fewer, each of which but the first begins at a border.
fn stretches(places: usize, most: usize, is_border: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut stretches = Vec::new();
    let mut from = 0;
    for stretch in 1..=most {
        let wanted = places * stretch / most;
        let to = (wanted.max(from)..places).find(|place| *place > from && is_border(*place)).unwrap_or(places);
        if from < to {
            stretches.push(from..to);
        }
        from = to;
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_part_no_patient() {
        let patients = [0, 0, 0, 1, 2, 2, 2, 2, 2, 3, 4, 4];
        for most in 1..15 {
            let cut = stretches(patients.len(), most, |place| patients[place] != patients[place - 1]);
            assert!(cut.len() <= most);
            assert_eq!(cut.iter().flat_map(Clone::clone).collect::<Vec<_>>(), (0..patients.len()).collect::<Vec<_>>());
            assert!(cut.iter().skip(1).all(|stretch| patients[stretch.start] != patients[stretch.start - 1]), "{cut:?}");
        }
        assert!(stretches(0, 4, |_| true).is_empty());
    }
}
