//! One invented trial in a practice, straight as observations in two groups: no records, no tables, and so thousands of them.
//!
//! Definition.  Patients come evenly over the accrual, each with several restorations in one session, until there are enough. A
//!              patient has a gamma frailty, which his restorations share, and leaves after an exponential time. A restoration of
//!              group g is lost with hazard frailty · ratio_g · h₀(t), h₀ the Weibull hazard of [`Truth`]; ratio 1 in the first
//!              group and the stated one in the second.
//! Decided.     The stated ratio is that within a mouth. A test that doesn't pair the restorations of a mouth sees one nearer to 1, the
//!              more so the frailer some mouths are, however groups are given out: [`marginal_ratio`](PlannedPractice::marginal_ratio)
//!              tells it, and the formulas are to be given that.
//!              Within mouths, groups take turns in the stated proportion from a random start, so that one of two goes to each.
//!              Numbers of restorations by patient are those of [`simulate`](crate::simulate::SimulatedPractice).
//! Cost.        Some 0.2 microseconds a restoration.
//! Not for.     Teeth lost for other reasons, gaps in attendance, replacements: see `simulate`, which makes whole records.

use crate::quantity::{AnnualRate, ConfidenceLevel, DAYS_PER_YEAR, Days, Known, WhyNotKnown, Years};
use crate::simulate::random::Stream;
use crate::simulate::truth::Truth;
use crate::stats::{
    AssignmentUnit, Clustering, Ending, Grouping, Observations, PowerTest, SimulatedPlan, SimulatedTrial, simulated_power,
};

/// The purpose that these random numbers are drawn for.
const PURPOSE: u8 = 2;

/// When a loss is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FailureFound {
    /// On its day.
    #[default]
    OnItsDay,
    /// At the next of recalls that come this far apart; who leaves was last seen at the last of them.
    AtRecalls(Days),
}

/// A trial that is planned.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedPractice {
    /// Seed of everything.
    pub seed: u64,
    /// At least so many restorations; the last patient may bring more.
    pub restorations: u64,
    /// Weight of the patients with 1, 2, 3, … restorations.
    pub sizes: Vec<f64>,
    /// How restorations of the first group are lost.
    pub truth: Truth,
    /// Hazard of the second group by that of the first, within a mouth.
    pub hazard_ratio: f64,
    /// Restorations in the second group for each one in the first.
    pub allocation: f64,
    /// To what a group is given.
    pub unit: AssignmentUnit,
    /// Over how long patients come.
    pub accrual: Years,
    /// For how long the last to come is followed.
    pub further: Years,
    /// At what rate patients leave, as a hazard for one year.
    pub loss: AnnualRate,
    /// When a loss is known.
    pub found: FailureFound,
}

impl Default for PlannedPractice {
    fn default() -> Self {
        Self {
            seed: 20_140_106,
            restorations: 500,
            sizes: vec![59.0, 25.0, 9.5, 4.0, 1.7, 0.8],
            truth: Truth::default(),
            hazard_ratio: 1.5,
            allocation: 1.0,
            unit: AssignmentUnit::WholeCluster,
            accrual: Years::new(3.0),
            further: Years::new(5.0),
            loss: AnnualRate::new(0.04),
            found: FailureFound::OnItsDay,
        }
    }
}

impl PlannedPractice {
    /// Trial number `index`: the same whatever else is drawn.
    ///
    /// Without a weight above 0 among the sizes there are no restorations.
    #[expect(clippy::cast_possible_truncation, reason = "an index of a patient, and days bounded by a follow-up")]
    pub fn trial(&self, index: u64) -> SimulatedTrial {
        let room = usize::try_from(self.restorations).unwrap_or(0).min(1 << 24) + self.sizes.len();
        let mut observations = Observations::with_capacity(room);
        let mut codes = Vec::with_capacity(room);
        let mut stream = Stream::new(self.seed, PURPOSE, index);
        let sizes: Vec<(u32, f64)> = (1..).zip(self.sizes.iter().copied()).collect();
        let second = self.allocation / (1.0 + self.allocation);
        let enough = sizes.iter().any(|size| size.1 > 0.0);
        let mut patient = 0;
        while enough && (observations.len() as u64) < self.restorations {
            let frailty = stream.gamma_with_mean_one(self.truth.frailty_variance);
            let size = stream.choose(&sizes).unwrap_or(1);
            let available = self.further.count() + stream.uniform() * self.accrual.count();
            // A rate of 0, or of −0 as a logarithm gives it, is no loss at all.
            let leaves = stream.exponential() / self.loss.per_year().abs();
            let last = (available.min(leaves).min(100.0) * DAYS_PER_YEAR) as i32;
            let mut turn = stream.uniform();
            let whole = u16::from(turn < second);
            for _ in 0..size {
                turn += second;
                let code = match self.unit {
                    AssignmentUnit::WholeCluster => whole,
                    AssignmentUnit::WithinCluster => u16::from(turn >= 1.0),
                    AssignmentUnit::Observation => u16::from(stream.happens(second)),
                };
                if turn >= 1.0 {
                    turn -= 1.0;
                }
                let ratio = if code == 1 { self.hazard_ratio } else { 1.0 };
                let lost = self.truth.day_of_loss(frailty, ratio, stream.exponential());
                let (exit, ending) = self.found.reading(lost, last);
                // Days 0 and above, as they are made here, are always in order.
                if observations.push(Days::new(0), Days::new(exit), ending, patient as u32).is_ok() {
                    codes.push(code);
                }
            }
            patient += 1_u64;
        }
        SimulatedTrial { observations, grouping: Grouping::new(codes, 2).unwrap_or_default() }
    }

    /// The power of these tests, by so many trials.
    ///
    /// Not known without trials, nor where a number of the plan lies outside its range.
    pub fn power(&self, trials: u64, level: ConfidenceLevel, tests: &[PowerTest]) -> Known<SimulatedPlan> {
        if !self.is_sound() {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        simulated_power(trials, level, tests, |index| self.trial(index))
    }

    /// The ratio of the cumulative hazards of the two groups, averaged over mouths, at the end of a follow-up: what the formulas are
    /// to be given.
    pub fn marginal_ratio(&self, horizon: Days) -> f64 {
        let theta = self.truth.frailty_variance;
        let averaged = |ratio: f64| {
            let hazard = ratio * self.truth.cumulative_hazard(horizon);
            if theta > 0.0 { libm::log1p(theta * hazard) / theta } else { hazard }
        };
        averaged(self.hazard_ratio) / averaged(1.0)
    }

    /// The sizes of the patients' clusters, with a correlation; none without sizes.
    pub fn clustering(&self, correlation: f64) -> Option<Clustering> {
        let weight: f64 = self.sizes.iter().sum();
        if weight <= 0.0 || !weight.is_finite() {
            return None;
        }
        let moment = |power: i32| -> f64 {
            (1..).zip(&self.sizes).map(|(size, part)| part / weight * f64::from(size).powi(power)).sum()
        };
        let (mean_size, squares) = (moment(1), moment(2));
        let size_variation = libm::sqrt((squares - mean_size * mean_size).max(0.0)) / mean_size;
        Some(Clustering { mean_size, size_variation, correlation })
    }

    fn is_sound(&self) -> bool {
        let sound = |value: f64| value >= 0.0 && value.is_finite();
        let above = |value: f64| value > 0.0 && value.is_finite();
        let recalls = match self.found {
            FailureFound::OnItsDay => true,
            FailureFound::AtRecalls(apart) => apart.count() > 0,
        };
        recalls
            && above(self.truth.shape)
            && above(self.truth.rate)
            && sound(self.truth.frailty_variance)
            && above(self.hazard_ratio)
            && above(self.allocation)
            && self.sizes.iter().all(|&weight| sound(weight))
            && sound(self.accrual.count())
            && sound(self.further.count())
            && sound(self.loss.per_year())
    }
}

impl FailureFound {
    /// The day on which an observation ends, and how, when it is followed to day `last`.
    fn reading(self, lost: Option<Days>, last: i32) -> (i32, Ending) {
        let (lost, last) = match self {
            Self::OnItsDay => (lost.map(Days::count), last),
            Self::AtRecalls(apart) => {
                let apart = apart.count().max(1);
                let found = |lost: Days| (lost.count() + apart - 1) / apart * apart;
                (lost.map(found), last / apart * apart)
            }
        };
        match lost {
            Some(lost) if lost <= last => (lost, Ending::Failed),
            _ => (last, Ending::Censored),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Variance;
    use crate::stats::{
        FollowUpPlan, PlannedComparison, PlannedFollowUp, Weighting, correlation_of_frailty, hazard_of_survival,
        power_of_observations,
    };

    #[test]
    fn a_trial_is_the_same_whatever_else_is_drawn() {
        let plan = PlannedPractice::default();
        let third = plan.trial(3);
        assert_ne!(plan.trial(2), third);
        assert_eq!(plan.trial(3), third);
        assert!((500..506).contains(&third.observations.len()));
        assert_eq!(third.observations.len(), third.grouping.codes().len());
    }

    /// Two of a mouth: one in each group when they take turns, both in one when whole patients are given a group.
    #[test]
    fn groups_are_given_as_planned() {
        let of = |unit| {
            let sizes = vec![0.0, 1.0];
            let trial = PlannedPractice { unit, sizes, restorations: 200, ..PlannedPractice::default() }.trial(0);
            trial.grouping.codes().chunks(2).map(|pair| pair[0] + pair[1]).collect::<Vec<_>>()
        };
        assert!(of(AssignmentUnit::WithinCluster).iter().all(|&sum| sum == 1));
        assert!(of(AssignmentUnit::WholeCluster).iter().all(|&sum| sum != 1));
        assert!([0, 1, 2].iter().all(|sum| of(AssignmentUnit::Observation).contains(sum)));
        let plan = PlannedPractice { allocation: 3.0, restorations: 8000, ..PlannedPractice::default() };
        for unit in [AssignmentUnit::WholeCluster, AssignmentUnit::WithinCluster, AssignmentUnit::Observation] {
            let trial = PlannedPractice { unit, ..plan.clone() }.trial(1);
            let share = trial.grouping.codes().iter().filter(|&&code| code == 1).count() as f64 / 8000.0;
            // Some 4800 patients of unequal size: four standard errors are below 0.04.
            assert!((share - 0.75).abs() < 0.04, "{unit:?}: {share}");
        }
    }

    /// Kept at three years against the closed form of `Truth`, each mouth one contribution; tolerance four standard errors.
    #[test]
    fn losses_follow_the_truth() {
        let plan = PlannedPractice { restorations: 20_000, loss: AnnualRate::new(0.0), ..PlannedPractice::default() };
        let trial = plan.trial(7);
        let day = Days::new(3 * 365);
        let observations = &trial.observations;
        for group in [0, 1] {
            let expected = plan.truth.survival(day, if group == 1 { plan.hazard_ratio } else { 1.0 }).value();
            let mut by_mouth = vec![0.0; observations.clusters() as usize];
            for i in 0..observations.len() {
                if trial.grouping.codes()[i] == group {
                    let kept = observations.ending()[i] == Ending::Censored || observations.exit()[i] > day.count();
                    by_mouth[observations.cluster()[i] as usize] += f64::from(u8::from(kept)) - expected;
                }
            }
            let error = by_mouth.iter().map(|sum| sum * sum).sum::<f64>().sqrt();
            let departure = by_mouth.iter().sum::<f64>() / error;
            assert!(departure.abs() < 4.0, "group {group}: {departure} standard errors");
        }
    }

    #[test]
    fn at_recalls_a_loss_is_found_at_the_next() {
        let read = |lost, last| FailureFound::AtRecalls(Days::new(180)).reading(lost, last);
        assert_eq!(read(Some(Days::new(181)), 400), (360, Ending::Failed));
        assert_eq!(read(Some(Days::new(180)), 400), (180, Ending::Failed));
        assert_eq!(read(Some(Days::new(361)), 400), (360, Ending::Censored));
        assert_eq!(read(None, 100), (0, Ending::Censored));
    }

    /// The formula, given the marginal ratio and the correlation of the frailty, tells the power of the robust log-rank test. With 500
    /// trials a power has a standard error below 0.022: four of them, and 0.02 for what the formula leaves out.
    #[test]
    fn the_formula_tells_the_power() {
        let usual = PlannedPractice {
            hazard_ratio: 1.7,
            truth: Truth { shape: 1.0, rate: 0.05, frailty_variance: 0.8 },
            ..PlannedPractice::default()
        };
        let pairs = PlannedPractice { unit: AssignmentUnit::WithinCluster, sizes: vec![0.0, 1.0], ..usual.clone() };
        for plan in [usual, pairs] {
            // The middle of the follow-up of those who come over three years and are followed five more.
            let horizon = Years::new(6.5).days();
            let survival = [1.0, plan.hazard_ratio].map(|ratio| plan.truth.survival(horizon, ratio));
            let correlation = survival
                .map(|survival| *correlation_of_frailty(survival, plan.truth.frailty_variance).known().expect("inside"));
            let formula = PlannedFollowUp {
                comparison: PlannedComparison::default(),
                hazard: *hazard_of_survival(survival[0], horizon.years()).known().expect("inside"),
                hazard_ratio: plan.marginal_ratio(horizon),
                follow_up: FollowUpPlan { accrual: plan.accrual, further: plan.further, loss: plan.loss },
                clustering: plan.clustering(0.5 * (correlation[0] + correlation[1])).expect("sizes"),
                unit: plan.unit,
            };
            let told = power_of_observations(&formula, 250.0).known().expect("a plan").value();
            let test = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ClusterRobust };
            let simulated = plan.power(500, ConfidenceLevel::USUAL, &[test]);
            let simulated = simulated.known().expect("trials").tests[0].power.value();
            assert!((simulated - told).abs() < 4.0 * 0.022 + 0.02, "{:?}: {simulated} against {told}", plan.unit);
        }
    }

    /// −ln 1 is −0: nobody leaves before everybody comes.
    #[test]
    fn a_loss_of_minus_nothing_is_none() {
        let of =
            |loss| PlannedPractice { loss: AnnualRate::new(loss), restorations: 50, ..PlannedPractice::default() }.trial(0);
        assert_eq!(of(-0.0), of(0.0));
        assert!(of(-0.0).observations.len() >= 50);
    }

    #[test]
    fn what_is_out_of_range_is_refused() {
        let plan = PlannedPractice { hazard_ratio: 0.0, ..PlannedPractice::default() };
        assert_eq!(plan.power(3, ConfidenceLevel::USUAL, &[]), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        let nobody = PlannedPractice { sizes: Vec::new(), ..PlannedPractice::default() };
        assert!(nobody.trial(0).observations.is_empty());
    }

    /// By hand: without frailty the ratio itself; with θ = 1, H = 1, ratio 3: ln 4/ln 2 = 2.
    #[test]
    fn the_marginal_ratio_is_nearer_to_one() {
        let truth = Truth { shape: 1.0, rate: 1.0, frailty_variance: 0.0 };
        let plan = PlannedPractice { truth, hazard_ratio: 3.0, ..PlannedPractice::default() };
        let year = Days::new(1461);
        assert!((plan.marginal_ratio(year) - 3.0).abs() < 1e-14);
        let frail = PlannedPractice { truth: Truth { rate: 0.25, frailty_variance: 1.0, ..truth }, ..plan };
        assert!((frail.marginal_ratio(year) - 2.0).abs() < 1e-14);
    }
}
