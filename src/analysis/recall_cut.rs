//! A day at which survival is read that lies inside the window of a recall: what was found at that recall after the day doesn't count
//! there, so survival looks better than the recall was.

use crate::quantity::Days;
use crate::result::{CurvePoint, RecallCut, RecallReview};

/// Failures found after the day that matter: as many at least, and at least this part of all up to the end of the window (judgement).
const LEAST: u64 = 3;
const PART: f64 = 0.1;

/// The recall that the day cuts, if enough failures were found at it after the day. Each curve is that of some of the restorations.
pub fn recall_cut<'a>(
    curves: impl Iterator<Item = &'a [CurvePoint]>,
    recalls: &[RecallReview],
    day: Days,
) -> Option<RecallCut> {
    let recall = recalls.iter().find(|recall| recall.opens <= day && day < recall.closes)?;
    let (mut before, mut after) = (0, 0);
    for point in curves.flatten().filter(|point| point.day <= recall.closes) {
        *(if point.day <= day { &mut before } else { &mut after }) += point.failed;
    }
    (after >= LEAST && after as f64 >= PART * (before + after) as f64).then_some(RecallCut {
        months: recall.months,
        day,
        before,
        after,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Fraction, Known, WhyNotKnown};

    fn curve(failures: &[(i32, u64)]) -> Vec<CurvePoint> {
        let point = |&(day, failed): &(i32, u64)| CurvePoint {
            day: Days::new(day),
            survival: Fraction::new(1.0),
            interval: Known::NotKnown(WhyNotKnown::NoFailures),
            at_risk: 100,
            failed,
        };
        failures.iter().map(point).collect()
    }

    fn recall(months: u16) -> RecallReview {
        let due = Days::of_months(months).count();
        RecallReview {
            months,
            opens: Days::new(due - 60),
            closes: Days::new(due + 60),
            due: 50,
            seen: 40,
            scored: 40,
            patients_due: 30,
            patients_seen: 25,
            share_seen: Known::NotKnown(WhyNotKnown::NoFailures),
        }
    }

    #[test]
    fn failures_found_after_the_day_at_the_recall_that_it_cuts_are_counted() {
        let recalls = [recall(24), recall(36)];
        let cut = |failures: &[&[(i32, u64)]], day: i32| {
            let curves: Vec<Vec<CurvePoint>> = failures.iter().map(|failures| curve(failures)).collect();
            recall_cut(curves.iter().map(Vec::as_slice), &recalls, Days::new(day))
        };
        let day = Days::of_months(36).count();
        let some: &[&[(i32, u64)]] = &[&[(700, 4), (day, 2), (day + 1, 2)], &[(day + 60, 1), (day + 61, 9)]];
        let expected = RecallCut { months: 36, day: Days::new(day), before: 6, after: 3 };
        assert_eq!(cut(some, day), Some(expected));
        // Between recalls, on the last day of one, and where next to nothing was found after it.
        assert_eq!((cut(some, day - 100), cut(some, day + 60)), (None, None));
        assert_eq!(cut(&[&[(700, 4), (day + 1, 2)]], day), None);
        assert_eq!(cut(&[&[(700, 28), (day + 1, 3)]], day), None);
    }
}
