//! The product-limit estimate of survival (Kaplan–Meier).
//!
//! Definition.  S(t) = product over days u ≤ t with failures of (1 − failed(u) / at_risk(u)).
//! Variance.    Of ln S(t), Greenwood: σ²(t) = Σ failed(u) / (at_risk(u) · (at_risk(u) − failed(u))) over u ≤ t; then the
//!              standard error of S(t) is S(t) · σ(t). Once S has come down to 0, σ² is not defined.
//! Source.      Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457–481. Greenwood M. Reports on Public Health and Medical
//!              Subjects 33, 1926 (both from memory).
//! Assumes.     Censoring tells nothing about failure.
//! Decided.     With case weights, sums of weights take the place of the counts in both formulas, and stand beside them.
//!              On one day, failures come before censorings. Past the last day at risk S is not known, unless it is 0.
//!              Where the risk set is empty for a while before late entries, the curve goes on at its level.
//! Cost.        One pass over the days of the life table.
//! Not for.     Cumulative incidence: a competing event takes an observation out of the risk set here as censoring does, so
//!              1 − S overstates how many fail where other endings compete. Nor failures known only to lie between two
//!              visits.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::life_table::LifeTable;
use super::observation::Observations;
use super::survival_interval::{SurvivalIntervalMethod, survival_interval};
use super::weighted_life_table::WeightedLifeTable;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Days, Fraction, Known, Variance, WhyNotKnown};

/// Sums of case weights on a day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightSums {
    /// Weight at risk.
    pub at_risk: f64,
    /// Weight that failed.
    pub failed: f64,
}

/// A day on which the curve comes down.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// The day, from the time origin.
    pub day: Days,
    /// How many were at risk.
    pub at_risk: u64,
    /// How many of them failed.
    pub failed: u64,
    /// The sums of their case weights; none where every one weighs 1, and the counts are the sums.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weights: Option<WeightSums>,
    /// Survival after the failures of this day.
    pub survival: Fraction,
    /// σ², the variance of ln S at this day.
    pub ln_survival_variance: Known<f64>,
}

impl Step {
    /// The step that takes a curve down from `survival`, with `sum` = Σ d/(n(n − d)) so far, both brought up to date.
    fn after(day: i32, counts: (u64, u64), weights: Option<WeightSums>, survival: &mut f64, sum: &mut f64) -> Self {
        let (at_risk, failed) = counts;
        let mut step = Self {
            day: Days::new(day),
            at_risk,
            failed,
            weights,
            survival: Fraction::new(0.0),
            ln_survival_variance: Known::NotKnown(WhyNotKnown::AllFailed),
        };
        if step.all_failed() {
            *survival = 0.0;
            return step;
        }
        let (n, d) = (step.weight_at_risk(), step.weight_failed());
        *survival *= (n - d) / n;
        *sum += d / (n * (n - d));
        step.survival = Fraction::new(*survival);
        if *survival > 0.0 {
            step.ln_survival_variance = Known::Known(*sum);
        }
        step
    }

    /// Whether nobody is left after the failures of this day, and the curve has come down to 0.
    pub fn all_failed(&self) -> bool {
        self.at_risk == self.failed || self.weight_at_risk() <= self.weight_failed()
    }

    /// The sum of case weights at risk: how many, where every one weighs 1.
    pub fn weight_at_risk(&self) -> f64 {
        self.weights.map_or(self.at_risk as f64, |weights| weights.at_risk)
    }

    /// The sum of case weights that failed: how many, where every one weighs 1.
    pub fn weight_failed(&self) -> f64 {
        self.weights.map_or(self.failed as f64, |weights| weights.failed)
    }
}

/// A survival curve: its steps, and how far it is known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProductLimit {
    pub(super) steps: Vec<Step>,
    pub(super) last_day: Option<Days>,
    pub(super) variance: Variance,
}

impl ProductLimit {
    /// The curve of a life table, with Greenwood's variance.
    pub fn estimate(table: &LifeTable) -> Self {
        let mut steps = Vec::new();
        let (mut survival, mut sum) = (1.0, 0.0);
        for ((day, at_risk), &failed) in (0..).zip(table.at_risk()).zip(table.failed()) {
            if failed == 0 {
                continue;
            }
            let step = Step::after(day, (at_risk, failed), None, &mut survival, &mut sum);
            steps.push(step);
            if step.all_failed() {
                break;
            }
        }
        Self { steps, last_day: table.last_day(), variance: Variance::ModelBased }
    }

    /// The curve of a weighted life table, with Greenwood's variance: a weight of 2 counts as two observations there too.
    pub fn estimate_weighted(table: &WeightedLifeTable) -> Self {
        let counts = table.counts();
        let mut steps = Vec::new();
        let (mut survival, mut sum) = (1.0, 0.0);
        let columns = counts.at_risk().zip(counts.failed()).zip(table.at_risk()).zip(table.failed());
        for (day, (((count_at_risk, &count_failed), at_risk), &failed)) in (0..).zip(columns) {
            if count_failed == 0 {
                continue;
            }
            let weights = Some(WeightSums { at_risk, failed });
            let step = Step::after(day, (count_at_risk, count_failed), weights, &mut survival, &mut sum);
            steps.push(step);
            if step.all_failed() {
                break;
            }
        }
        Self { steps, last_day: counts.last_day(), variance: Variance::ModelBased }
    }

    /// The curve of these observations with Greenwood's variance, by way of the table that suits them.
    pub fn of(observations: &Observations) -> Self {
        match observations.weights() {
            None => Self::estimate(&LifeTable::count(observations)),
            Some(_) => Self::estimate_weighted(&WeightedLifeTable::count(observations)),
        }
    }

    /// The days on which the curve comes down, in order. Failures after S has reached 0 (possible with late entries) make no
    /// step.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// The last day on which anybody was at risk; none when there were no observations.
    pub fn last_day_at_risk(&self) -> Option<Days> {
        self.last_day
    }

    /// Which variance stands in the steps.
    pub fn variance(&self) -> Variance {
        self.variance
    }

    /// The last step on or before `day`; `Known(None)` where none has failed yet.
    fn step_at(&self, day: Days) -> Known<Option<&Step>> {
        let Some(last_day) = self.last_day else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        let after = self.steps.partition_point(|step| step.day <= day);
        let step = after.checked_sub(1).map(|i| &self.steps[i]);
        let gone = step.is_some_and(Step::all_failed);
        if day > last_day && !gone { Known::NotKnown(WhyNotKnown::PastLastFollowUp) } else { Known::Known(step) }
    }

    /// S at `day`, which includes the failures of that day; 1 before the first failure.
    ///
    /// Not known past the last day at risk, unless S is 0 by then.
    pub fn survival_at(&self, day: Days) -> Known<Fraction> {
        self.step_at(day).map(|step| step.map_or(Fraction::new(1.0), |step| step.survival))
    }

    /// σ² at `day`, the variance of ln S; 0 before the first failure.
    pub fn ln_survival_variance_at(&self, day: Days) -> Known<f64> {
        match self.step_at(day) {
            Known::Known(step) => step.map_or(Known::Known(0.0), |step| step.ln_survival_variance),
            Known::NotKnown(why) => Known::NotKnown(why),
        }
    }

    /// The standard error of S at `day`, S · σ; 0 before the first failure.
    pub fn standard_error_at(&self, day: Days) -> Known<f64> {
        match (self.survival_at(day), self.ln_survival_variance_at(day)) {
            (Known::Known(survival), Known::Known(variance)) => Known::Known(survival.value() * libm::sqrt(variance)),
            (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
        }
    }

    /// The pointwise interval of S at `day`.
    ///
    /// Not known before the first failure, from the day on which all have failed, and past the last day at risk.
    pub fn interval_at(
        &self,
        day: Days,
        method: SurvivalIntervalMethod,
        level: ConfidenceLevel,
    ) -> Known<ConfidenceInterval<Fraction>> {
        match (self.survival_at(day), self.ln_survival_variance_at(day)) {
            (Known::Known(survival), Known::Known(variance)) => {
                survival_interval(survival, libm::sqrt(variance), method, level)
            }
            (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_give_the_exact_fractions() {
        // By hand, pooled: 9/10; · 6/8 = 27/40; · 4/5 = 27/50; · 2/4 = 27/100. Sums: 1/90; + 2/48; + 1/20; + 2/8.
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::pooled()));
        let exact = [
            (2, 10, 1, 9.0 / 10.0, 1.0 / 90.0),
            (4, 8, 2, 27.0 / 40.0, 1.0 / 90.0 + 2.0 / 48.0),
            (6, 5, 1, 27.0 / 50.0, 1.0 / 90.0 + 2.0 / 48.0 + 1.0 / 20.0),
            (7, 4, 2, 27.0 / 100.0, 1.0 / 90.0 + 2.0 / 48.0 + 1.0 / 20.0 + 2.0 / 8.0),
        ];
        assert_eq!(curve.steps().len(), exact.len());
        for (step, (day, at_risk, failed, survival, sum)) in curve.steps().iter().zip(exact) {
            assert_eq!((step.day, step.at_risk, step.failed), (Days::new(day), at_risk, failed));
            assert!((step.survival.value() / survival - 1.0).abs() < 1e-15, "relative, S at {day}");
            let variance = *step.ln_survival_variance.known().expect("defined");
            assert!((variance / sum - 1.0).abs() < 1e-15, "relative, σ² at {day}");
        }
    }

    #[test]
    fn past_the_last_day_at_risk_survival_is_not_known() {
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::pooled()));
        assert_eq!(curve.survival_at(Days::new(0)), Known::Known(Fraction::new(1.0)));
        assert!(curve.survival_at(Days::new(10)).known().is_some());
        assert_eq!(curve.survival_at(Days::new(11)), Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let none = ProductLimit::estimate(&LifeTable::default());
        assert_eq!(none.survival_at(Days::new(0)), Known::NotKnown(WhyNotKnown::NoObservations));
    }

    #[test]
    fn once_all_have_failed_survival_stays_zero_without_a_variance() {
        let curve = ProductLimit::estimate(&LifeTable::count(&ten_rows::all_fail()));
        assert_eq!(curve.survival_at(Days::new(500)), Known::Known(Fraction::new(0.0)));
        assert_eq!(curve.standard_error_at(Days::new(3)), Known::NotKnown(WhyNotKnown::AllFailed));
        assert_eq!(
            curve.interval_at(Days::new(3), SurvivalIntervalMethod::Plain, ConfidenceLevel::USUAL),
            Known::NotKnown(WhyNotKnown::AllFailed)
        );
    }
}
