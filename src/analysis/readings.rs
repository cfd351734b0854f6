//! The two readings of when failures happened, held against each other: on the day that a visit found them, or at some time between that
//! visit and the one before.
//!
//! The curve by the day found is censored at the last visit. Where most of those still followed come to their last visit in the window of
//! one recall, they leave one by one while failures are found, and the curve falls far below what it should: with one failing of ten at the
//! only recall of 180 fillings, down to 75 %. The reading between visits doesn't.
//!
//! Decided.  They part on a day where the curve lies below the other by two in a hundred, and by its standard error, or more (judgement: a
//! standard error makes of 95 % coverage 83 %). That it lies above is usual, since failures are found late, and said by another caution.

use crate::quantity::{Days, Known};
use crate::result::ReadingsPart;
use crate::stats::{IntervalSurvival, Intervals, ProductLimit, SurvivalRange, interval_survival};

/// The least distance that matters.
const LEAST: f64 = 0.02;

/// A curve, and the reading between visits of the same observations.
pub struct Readings<'a> {
    curve: &'a ProductLimit,
    between: Known<IntervalSurvival>,
}

impl<'a> Readings<'a> {
    /// Of a curve and of what is known between visits.
    pub fn new(curve: &'a ProductLimit, intervals: &Intervals) -> Self {
        Self { curve, between: interval_survival(intervals) }
    }

    /// Survival between visits on a day, where it is known.
    pub fn between(&self, day: Days) -> Option<SurvivalRange> {
        self.between.known()?.survival_at(day).known().copied()
    }

    /// What both say on a day, if they part there.
    pub fn part_on(&self, day: Days) -> Option<ReadingsPart> {
        let (day_found, between_visits) = (*self.curve.survival_at(day).known()?, self.between(day)?);
        let distance = between_visits.least.value() - day_found.value();
        let error = *self.curve.standard_error_at(day).known()?;
        (distance >= LEAST.max(error)).then_some(ReadingsPart { day, day_found, between_visits })
    }

    /// The last day up to this one to which both agree; they may part before and come together again.
    pub fn agree_until(&self, last: Days) -> Days {
        if self.part_on(last).is_none() {
            return last;
        }
        let steps = self.curve.steps();
        let drawn = steps.partition_point(|step| step.day <= last);
        // The curve stays as it is from a step to the day before the next.
        let agrees = (0..drawn).rev().find(|step| self.part_on(steps[*step].day).is_none());
        let parts = steps.get(agrees.map_or(0, |step| step + 1));
        parts.map_or(last, |step| Days::new((step.day.count() - 1).max(0)).min(last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Variance;
    use crate::stats::{Ending, Observations, survival_curve};

    /// Fillings seen once, each on a day of its own, every tenth lost; those of another year were seen once more a year later.
    fn practice(again: bool) -> (ProductLimit, Intervals) {
        let (mut observations, mut intervals) = (Observations::default(), Intervals::default());
        for n in 0..180_u32 {
            let first = 325 + i32::try_from(n * 80 / 180).expect("a day");
            let lost = n % 10 == 5;
            let last = if again && !lost { first + 365 } else { first };
            let ending = if lost { Ending::Failed } else { Ending::Censored };
            observations.push(Days::new(0), Days::new(last), ending, n).expect("in order");
            let (left, right) = if lost { (0, Some(Days::new(first))) } else { (last, None) };
            intervals.push(Days::new(0), Days::new(left), right, n).expect("in order");
        }
        (survival_curve(&observations, Variance::ClusterRobust), intervals)
    }

    #[test]
    fn a_curve_of_fillings_at_their_only_recall_is_cut() {
        let (curve, intervals) = practice(false);
        let readings = Readings::new(&curve, &intervals);
        // Ten still followed; 18 of 180 were found lost, and the curve is at three quarters.
        let last = Days::new(400);
        let part = readings.part_on(last).expect("they part");
        assert!(part.day_found.value() < 0.8, "{part:?}");
        assert!((part.between_visits.least.value() - 0.9).abs() < 0.03, "{part:?}");
        let agreed = readings.agree_until(last);
        assert!(agreed < Days::new(390) && agreed > Days::new(325), "{agreed:?}");
        assert!(readings.part_on(agreed).is_none());
        assert!(curve.survival_at(agreed).known().expect("followed").value() > 0.85);
    }

    #[test]
    fn where_others_are_followed_on_both_agree() {
        let (curve, intervals) = practice(true);
        let readings = Readings::new(&curve, &intervals);
        assert_eq!(readings.part_on(Days::new(400)), None);
        assert_eq!(readings.agree_until(Days::new(600)), Days::new(600));
        assert!((curve.survival_at(Days::new(600)).known().expect("followed").value() - 0.9).abs() < 1e-12);
    }
}
