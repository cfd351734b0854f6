//! What a plan is asked, and what follows from it: hazards, the correlation within patients, and the truth to draw trials from.
//!
//! Formula.     The first group keeps S at a horizon h. With Weibull shape c its cumulative hazard at t is −ln S·(t/h)^c; the formulas
//!              take the constant hazard that gives the same in the middle of the follow-up, m = F + A/2.
//!              Drawn trials: H₀(h) = (S^(−θ) − 1)/θ, so that averaged over patients with frailty of variance θ the first group
//!              keeps S at h. A ratio μ of the averaged hazards is within a patient r = (S^(−θμ) − 1)/(S^(−θ) − 1).
//! Decided.     The ratio stated is that seen across patients at the horizon. Of correlation and frailty variance one is stated; the
//!              other is the one that makes both say the same of two of a patient in the middle of the follow-up, on average over the
//!              groups.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::least_reached::least_reached;
use super::practice::{FailureFound, PlannedPractice};
use crate::quantity::{AnnualRate, ConfidenceLevel, DAYS_PER_YEAR, Days, Fraction, Known, Years};
use crate::simulate::truth::Truth;
use crate::stats::{
    AssignmentUnit, Clustering, EventsFormula, FollowUpPlan, PlannedComparison, PlannedFollowUp, SharesFormula,
    correlation_of_frailty, hazard_of_survival,
};

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Compared {
    /// Times to failure, by the log-rank test.
    Times {
        /// The share of the first group in place at the horizon.
        kept: Fraction,
        /// When that is.
        horizon: Years,
        /// Hazard of the second group by that of the first, across patients; none if the least one that can be found is asked.
        ratio: Option<f64>,
        /// The formula behind the answer.
        formula: EventsFormula,
    },
    /// Shares that failed by the end of the follow-up.
    Shares {
        /// In the first group.
        first: Fraction,
        /// In the second.
        second: Fraction,
        /// The formula behind the answer.
        formula: SharesFormula,
    },
}

/// How alike two restorations of one patient are.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Likeness {
    /// The correlation of having failed.
    Correlation(f64),
    /// The variance of a gamma frailty that they share.
    FrailtyVariance(f64),
}

/// A plan, and what is asked of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlanAsked {
    /// What is compared.
    pub compared: Compared,
    /// How many restorations there are, over both groups; none if that is asked.
    pub restorations: Option<u64>,
    /// The chance to find the difference that is wanted.
    pub power: Fraction,
    /// 1 less the two-sided significance level.
    pub level: ConfidenceLevel,
    /// Restorations in the second group for each one in the first.
    pub allocation: f64,
    /// For how long those who come are followed.
    pub follow_up: FollowUpPlan,
    /// The yearly share of those followed who are lost to recall; the loss of the follow-up, as a share.
    pub lost_yearly: Fraction,
    /// Weights of the patients with 1, 2, 3, … restorations.
    pub sizes: Vec<f64>,
    /// How alike two restorations of one patient are.
    pub likeness: Likeness,
    /// To what a group is given.
    pub unit: AssignmentUnit,
    /// Weibull shape of the times to failure: 1 if they fail at a rate that never changes.
    pub shape: f64,
    /// How far recalls are apart, in months, where failures are found at these only.
    pub recall_months: Option<u16>,
    /// How many trials are drawn.
    pub trials: u64,
    /// Where the random numbers start.
    pub seed: u64,
}

/// What two restorations of a patient have in common, in both ways of saying it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WithinPatients {
    /// The correlation of having failed in the middle of the follow-up, on average over the groups.
    pub correlation: f64,
    /// The variance of the gamma frailty.
    pub frailty_variance: f64,
}

impl PlanAsked {
    /// The first group's share in place at a horizon, and the horizon.
    pub fn kept(&self) -> (Fraction, Years) {
        match self.compared {
            Compared::Times { kept, horizon, .. } => (kept, horizon),
            Compared::Shares { first, .. } => (first.complement(), self.follow_up.further),
        }
    }

    /// Hazard of the second group by that of the first, across patients; none if the least one is asked.
    pub fn ratio(&self) -> Option<f64> {
        match self.compared {
            Compared::Times { ratio, .. } => ratio,
            Compared::Shares { first, second, .. } => Some(libm::log1p(-second.value()) / libm::log1p(-first.value())),
        }
    }

    /// The middle of the follow-up of those not lost.
    pub fn middle(&self) -> Years {
        match self.compared {
            Compared::Times { .. } => Years::new(self.follow_up.further.count() + 0.5 * self.follow_up.accrual.count()),
            Compared::Shares { .. } => self.follow_up.further,
        }
    }

    /// The yearly hazard of the first group that the formulas take.
    pub fn hazard(&self) -> Known<AnnualRate> {
        let ((kept, horizon), middle) = (self.kept(), self.middle());
        let exactly_constant = (self.shape - 1.0).abs() <= 0.0 || middle.count() <= 0.0;
        hazard_of_survival(kept, horizon).map(|hazard| {
            if exactly_constant {
                return hazard;
            }
            let at_middle = -libm::log(kept.value()) * libm::pow(middle.count() / horizon.count(), self.shape);
            AnnualRate::new(at_middle / middle.count())
        })
    }

    /// Correlation and frailty variance within patients.
    ///
    /// Not known where no frailty gives the correlation, or nobody would fail.
    pub fn within_patients(&self) -> Known<WithinPatients> {
        let hazard = match self.hazard() {
            Known::Known(hazard) => hazard.per_year() * self.middle().count(),
            Known::NotKnown(why) => return Known::NotKnown(why),
        };
        let survivals = [1.0, self.ratio().unwrap_or(1.0)].map(|ratio| Fraction::new(libm::exp(-hazard * ratio)));
        let mean = |variance: f64| match survivals.map(|survival| correlation_of_frailty(survival, variance)) {
            [Known::Known(first), Known::Known(second)] => Known::Known(0.5 * (first + second)),
            [Known::NotKnown(why), _] | [_, Known::NotKnown(why)] => Known::NotKnown(why),
        };
        match self.likeness {
            Likeness::FrailtyVariance(frailty_variance) => {
                mean(frailty_variance).map(|correlation| WithinPatients { correlation, frailty_variance })
            }
            Likeness::Correlation(0.0) => Known::Known(WithinPatients { correlation: 0.0, frailty_variance: 0.0 }),
            Likeness::Correlation(correlation) => {
                let reached = |variance: f64| mean(variance).map(|found| found >= correlation);
                least_reached(MOST_FRAILTY, reached).map(|frailty_variance| WithinPatients { correlation, frailty_variance })
            }
        }
    }

    /// Sizes of the patients' clusters, with this correlation; none without sizes.
    pub fn clustering(&self, correlation: f64) -> Option<Clustering> {
        PlannedPractice { sizes: self.sizes.clone(), ..PlannedPractice::default() }.clustering(correlation)
    }

    /// The plan that the formulas for times are given, for this ratio.
    pub fn planned(
        &self,
        formula: EventsFormula,
        hazard: AnnualRate,
        ratio: f64,
        clustering: Clustering,
    ) -> PlannedFollowUp {
        PlannedFollowUp {
            comparison: PlannedComparison { allocation: self.allocation, level: self.level, formula },
            hazard,
            hazard_ratio: ratio,
            follow_up: self.follow_up,
            clustering,
            unit: self.unit,
        }
    }

    /// The practice to draw trials of so many restorations from, with this ratio across patients.
    pub fn practice(&self, restorations: u64, ratio: f64, frailty_variance: f64) -> PlannedPractice {
        let (kept, horizon) = self.kept();
        let (theta, hazard) = (frailty_variance, -libm::log(kept.value()));
        let (at_horizon, within) = if theta > 0.0 {
            let grown = libm::expm1(theta * hazard);
            (grown / theta, libm::expm1(theta * hazard * ratio) / grown)
        } else {
            (hazard, ratio)
        };
        let rate = libm::pow(at_horizon, 1.0 / self.shape) / horizon.count();
        PlannedPractice {
            seed: self.seed,
            restorations,
            sizes: self.sizes.clone(),
            truth: Truth { shape: self.shape, rate, frailty_variance },
            hazard_ratio: within,
            allocation: self.allocation,
            unit: self.unit,
            accrual: self.follow_up.accrual,
            further: self.follow_up.further,
            loss: self.follow_up.loss,
            found: self
                .recall_months
                .map_or(FailureFound::OnItsDay, |months| FailureFound::AtRecalls(Days::of_months(months))),
        }
    }

    /// The last day that all who come are followed to, if not lost.
    #[expect(clippy::cast_possible_truncation, reason = "saturates; a follow-up is far below 2^31 days")]
    pub fn last_common_day(&self) -> Days {
        Days::new(libm::floor(self.follow_up.further.count() * DAYS_PER_YEAR) as i32)
    }
}

/// The largest variance of a frailty that is looked for: with it two of a patient fare nearly the same.
const MOST_FRAILTY: f64 = 200.0;

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::quantity::WhyNotKnown;

    pub fn plan() -> PlanAsked {
        PlanAsked {
            compared: Compared::Times {
                kept: Fraction::new(0.8),
                horizon: Years::new(5.0),
                ratio: Some(2.0),
                formula: EventsFormula::Schoenfeld,
            },
            restorations: None,
            power: Fraction::new(0.8),
            level: ConfidenceLevel::USUAL,
            allocation: 1.0,
            follow_up: FollowUpPlan { accrual: Years::new(2.0), further: Years::new(4.0), loss: AnnualRate::new(0.05) },
            lost_yearly: Fraction::new(0.05),
            sizes: vec![1.0, 1.0],
            likeness: Likeness::FrailtyVariance(0.8),
            unit: AssignmentUnit::WholeCluster,
            shape: 1.3,
            recall_months: None,
            trials: 100,
            seed: 1,
        }
    }

    /// Averaged over patients, the practice keeps what was stated at the horizon, in both groups. A day's rounding of five years is
    /// all the difference.
    #[test]
    fn drawn_trials_keep_what_is_stated() {
        let asked = plan();
        let practice = asked.practice(100, 2.0, 0.8);
        let day = Years::new(5.0).days();
        assert!((practice.truth.survival(day, 1.0).value() - 0.8).abs() < 1e-4);
        assert!((practice.truth.survival(day, practice.hazard_ratio).value() - 0.64).abs() < 1e-4);
        assert!(practice.hazard_ratio > 2.0, "within a patient the ratio is further from 1");
        assert!((practice.marginal_ratio(day) - 2.0).abs() < 1e-3);
    }

    #[test]
    fn correlation_and_frailty_say_the_same() {
        let asked = plan();
        let by_frailty = *asked.within_patients().known().expect("known");
        let asked = PlanAsked { likeness: Likeness::Correlation(by_frailty.correlation), ..asked };
        let back = *asked.within_patients().known().expect("known");
        assert!((back.frailty_variance / 0.8 - 1.0).abs() < 1e-12, "relative: {back:?}");
        let asked = PlanAsked { likeness: Likeness::Correlation(0.9999), ..asked };
        assert_eq!(asked.within_patients(), Known::NotKnown(WhyNotKnown::OutOfReach));
    }

    /// By hand: −ln 0.8·(5/5)^c/5 at the middle 4 + 2/2 = 5, whatever the shape.
    #[test]
    fn the_hazard_goes_through_the_middle_of_the_follow_up() {
        let hazard = plan().hazard().known().expect("known").per_year();
        assert!((hazard + 0.8_f64.ln() / 5.0).abs() < 1e-15);
    }
}
