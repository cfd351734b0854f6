//! Cumulative incidence of each of several competing causes (Aalen–Johansen).
//!
//! Definition.  On a tick u, n at risk, d_k ended by cause k, d = Σ d_k. S(t) = Π over u ≤ t of (1 − d/n) is the part that has met
//!              no cause; F_k(t) = Σ over u ≤ t of S(u−)·d_k/n. All F_k and S sum to one.
//! Variance.    Each is a sum over ticks v ≤ t, with D = F_k(t) − F_k(v) and S the survival just before v:
//!              multinomial (what d_1..d_K have, given n, by the delta method):
//!                Σ D²·d/(n(n − d)) − 2·Σ D·S·d_k/n² + Σ S²·d_k(n − d_k)/n³;
//!              Aalen's (independent martingales of the causes, with e_j = d_j(n − d_j)/(n − 1) for the cause and for all others):
//!                Σ (S/n − D/(n − d))²·e_k + Σ (D/(n − d))²·e_others.
//!              Cluster-robust: influences on F_k(t) summed by cluster, squared and summed.
//! Source.      Aalen OO, Johansen S. Scand J Stat 1978;5:141–150; Aalen OO. Ann Stat 1978;6:534–545; small-sample factor
//!              1/(n − 1): Gray RJ. Ann Stat 1988;16:1141–1154 (all from memory).
//! Check.       Without late entries the multinomial form is the infinitesimal jackknife (each observation its own cluster)
//!              exactly; without competing endings it is Greenwood's. With late entries the jackknife differs a little.
//! Decided.     Causes of one tick share its risk set; censorings come after them. Past the last tick at risk F is not known,
//!              unless all have ended. Where the risk set is emptied by endings before late entries, S is 0 from there on and
//!              later endings make no step. A variance is a sum of running sums that only grow with F, so nothing cancels but
//!              what cancels in the formula. A case weight of 2 counts as two observations. Aalen's form is not known
//!              where a risk set with a spread holds no more than one observation (weights below 1).
//! Cost.        O(observations + ticks·causes); cluster-robust steps O(observations) more for each cause.
//! Not for.     What would happen if the other causes were removed; causes that are not known.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::causes::{EndingTable, EventTick, ObservationsByCause, ticks_of};
use super::incidence_influence::{variance_at_horizon, variances_at_steps};
use super::incidence_interval::{IncidenceInference, IncidenceVariance, incidence_interval};
use super::survival_interval::SurvivalIntervalMethod;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, Known, WhyNotKnown};

/// A tick on which the incidence of a cause goes up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidenceStep {
    /// The tick, from the time origin.
    pub day: Days,
    /// Sum of the weights at risk.
    pub at_risk: f64,
    /// Sum of the weights that ended by this cause.
    pub ended: f64,
    /// Cumulative incidence with the endings of this tick.
    pub incidence: Fraction,
    /// Variance of the cumulative incidence.
    pub variance: Known<f64>,
}

/// The incidence of one cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CauseIncidence {
    /// The code of the cause.
    pub cause: u8,
    /// The ticks on which somebody ended by it.
    pub steps: Vec<IncidenceStep>,
}

/// A tick on which somebody ended by any cause.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EventFreeStep {
    /// The tick, from the time origin.
    pub day: Days,
    /// The part that has met no cause so far.
    pub event_free: Fraction,
}

/// Cumulative incidences, and the part that has met none of the causes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CumulativeIncidence {
    /// One for each cause asked for, in the order of the codes.
    pub causes: Vec<CauseIncidence>,
    /// The part that has met no cause, on each tick with an ending.
    pub event_free: Vec<EventFreeStep>,
    /// The last tick on which anybody was at risk; none without observations.
    pub last_day: Option<Days>,
    /// Which variance stands in the steps.
    pub variance: IncidenceVariance,
}

impl CumulativeIncidence {
    fn step_at(&self, cause: u8, day: Days) -> Known<Option<&IncidenceStep>> {
        let Some(last_day) = self.last_day else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        let all_ended = self.event_free.last().is_some_and(|step| step.event_free.value() <= 0.0);
        if day > last_day && !all_ended {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        let Some(incidence) = self.causes.iter().find(|incidence| incidence.cause == cause) else {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        };
        let after = incidence.steps.partition_point(|step| step.day <= day);
        Known::Known(after.checked_sub(1).map(|i| &incidence.steps[i]))
    }

    /// F of this cause at `day`, endings of that day included; 0 before the first.
    ///
    /// Not known past the last tick at risk unless all have ended, and for a cause that is not in here.
    pub fn incidence_at(&self, cause: u8, day: Days) -> Known<Fraction> {
        self.step_at(cause, day).map(|step| step.map_or(Fraction::new(0.0), |step| step.incidence))
    }

    /// The part that has met no cause by `day`; 1 before the first ending.
    pub fn event_free_at(&self, day: Days) -> Known<Fraction> {
        let Some(last_day) = self.last_day else { return Known::NotKnown(WhyNotKnown::NoObservations) };
        let after = self.event_free.partition_point(|step| step.day <= day);
        let part = after.checked_sub(1).map_or(Fraction::new(1.0), |i| self.event_free[i].event_free);
        if day > last_day && part.value() > 0.0 {
            return Known::NotKnown(WhyNotKnown::PastLastFollowUp);
        }
        Known::Known(part)
    }

    /// The variance of F at `day`; 0 before the first ending by the cause.
    pub fn variance_at(&self, cause: u8, day: Days) -> Known<f64> {
        match self.step_at(cause, day) {
            Known::Known(step) => step.map_or(Known::Known(0.0), |step| step.variance),
            Known::NotKnown(why) => Known::NotKnown(why),
        }
    }

    /// The pointwise interval of F at `day`.
    ///
    /// Not known where F or its variance is not, where F is 0 and where it is 1.
    pub fn interval_at(
        &self,
        cause: u8,
        day: Days,
        method: SurvivalIntervalMethod,
        level: ConfidenceLevel,
    ) -> Known<ConfidenceInterval<Fraction>> {
        match (self.incidence_at(cause, day), self.variance_at(cause, day)) {
            (Known::Known(incidence), Known::Known(variance)) => {
                incidence_interval(incidence, libm::sqrt(variance), method, level)
            }
            (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
        }
    }
}

/// The cumulative incidence of every cause.
pub fn cumulative_incidence(by_cause: &ObservationsByCause<'_>, variance: IncidenceVariance) -> CumulativeIncidence {
    let table = EndingTable::of_all_causes(by_cause);
    let classes: Vec<(u8, usize)> = (1..=by_cause.causes()).map(|cause| (cause, usize::from(cause))).collect();
    incidences(by_cause, &table, &classes, variance)
}

/// The cumulative incidence of one cause, all others competing.
pub fn cumulative_incidence_of_cause(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    variance: IncidenceVariance,
) -> CumulativeIncidence {
    incidences(by_cause, &EndingTable::of_one_cause(by_cause, cause), &[(cause, 1)], variance)
}

/// The cumulative incidence of one cause at each horizon, in the order of the horizons. Behind it stand all observations and
/// clusters, and the endings by the cause up to and including the horizon.
///
/// Not known without observations, nor past the last tick at risk unless all have ended. The interval has a reason of its own
/// where there is none: nobody or everybody ended by the cause, too few clusters.
pub fn incidence_at_horizons(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    horizons: &[Days],
    inference: IncidenceInference,
) -> Vec<Known<Estimate<Fraction>>> {
    let table = EndingTable::of_one_cause(by_cause, cause);
    // The steps' own variances are only needed where they are cheap; the robust one is worked out for the horizons alone.
    let in_steps = match inference.variance {
        IncidenceVariance::ClusterRobust => IncidenceVariance::Multinomial,
        model_based => model_based,
    };
    let curve = incidences(by_cause, &table, &[(cause, 1)], in_steps);
    let (events, observations) = (table.event_ticks(), by_cause.observations());
    let clusters = observations.clusters_present();
    let estimate = |&horizon: &Days| {
        curve.incidence_at(cause, horizon).map(|value| {
            let variance = match inference.variance {
                IncidenceVariance::ClusterRobust if clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
                IncidenceVariance::ClusterRobust => {
                    Known::Known(variance_at_horizon(by_cause, cause, &events, table.ended(1), horizon.count()))
                }
                _ => curve.variance_at(cause, horizon),
            };
            let interval = match variance {
                Known::Known(variance) => incidence_interval(value, libm::sqrt(variance), inference.method, inference.level),
                Known::NotKnown(why) => Known::NotKnown(why),
            };
            Estimate {
                value,
                standard_error: interval.known().and_then(|_| variance.known().copied().map(libm::sqrt)),
                variance: inference.variance.into(),
                interval,
                behind: Behind {
                    observations: observations.len() as u64,
                    clusters,
                    failures: by_cause.ended_by(cause, horizon.count()),
                },
            }
        })
    };
    horizons.iter().map(estimate).collect()
}

fn incidences(
    by_cause: &ObservationsByCause<'_>,
    table: &EndingTable,
    causes: &[(u8, usize)],
    variance: IncidenceVariance,
) -> CumulativeIncidence {
    let (events, observations) = (table.event_ticks(), by_cause.observations());
    let robust = variance == IncidenceVariance::ClusterRobust;
    let enough_clusters = !robust || observations.clusters_present() >= 2;
    let incidence = |&(cause, class): &(u8, usize)| {
        let ended = table.ended(class);
        let mut steps = steps_of(&events, ended, variance);
        if robust && enough_clusters && !steps.is_empty() {
            let variances = variances_at_steps(by_cause, cause, &events, ended);
            for (step, variance) in steps.iter_mut().zip(variances) {
                step.variance = Known::Known(variance);
            }
        }
        CauseIncidence { cause, steps }
    };
    CumulativeIncidence {
        causes: causes.iter().map(incidence).collect(),
        event_free: events
            .iter()
            .map(|event| EventFreeStep { day: day(event.tick), event_free: Fraction::new(event.survival()) })
            .collect(),
        last_day: ticks_of(observations).checked_sub(1).map(day),
        variance,
    }
}

fn day(tick: usize) -> Days {
    Days::new(i32::try_from(tick).unwrap_or(i32::MAX))
}

/// The steps of a cause of which `ended` ended on each tick, with a model-based variance; where that is not asked for, the
/// variance waits as not known for want of clusters.
fn steps_of(events: &[EventTick], ended: &[f64], variance: IncidenceVariance) -> Vec<IncidenceStep> {
    let mut incidence = 0.0;
    let mut sums = VarianceSums::default();
    let mut steps = Vec::new();
    for event in events {
        let here = ended[event.tick];
        let rise = event.survival_before * here / event.at_risk;
        incidence += rise;
        sums.rise(rise);
        sums.add(event, here, variance);
        if here > 0.0 {
            steps.push(IncidenceStep {
                day: day(event.tick),
                at_risk: event.at_risk,
                ended: here,
                incidence: Fraction::new(incidence),
                variance: if variance == IncidenceVariance::ClusterRobust {
                    Known::NotKnown(WhyNotKnown::TooFewClusters)
                } else {
                    sums.variance()
                },
            });
        }
    }
    steps
}

/// Σ g·D², Σ h·D and Σ a over the ticks so far, where D is by how much the incidence has risen since each.
#[derive(Default)]
struct VarianceSums {
    g: f64,
    g_times_d: f64,
    g_times_d_squared: f64,
    h: f64,
    h_times_d: f64,
    a: f64,
    undefined: bool,
}

impl VarianceSums {
    /// The incidence rises: every D so far grows by this much.
    fn rise(&mut self, rise: f64) {
        self.g_times_d_squared += rise * (2.0 * self.g_times_d + rise * self.g);
        self.g_times_d += rise * self.g;
        self.h_times_d += rise * self.h;
    }

    /// Adds a tick, with D = 0 so far. After a tick on which all ended no D will grow any more.
    fn add(&mut self, event: &EventTick, ended: f64, variance: IncidenceVariance) {
        let (n, d, left) = (event.at_risk, event.events, event.left);
        let share = event.survival_before / n;
        if variance == IncidenceVariance::Aalen {
            let others = d - ended;
            let (own_spread, others_spread) = (ended * (n - ended), others * (n - others));
            if n <= 1.0 {
                self.undefined |= own_spread > 1e-12 || others_spread > 1e-12;
                return;
            }
            let own_spread = own_spread / (n - 1.0);
            self.a += share * share * own_spread;
            if left > 0.0 {
                self.g += (own_spread + others_spread / (n - 1.0)) / (left * left);
                self.h += share * own_spread / left;
            }
        } else {
            self.a += share * share * ended * (n - ended) / n;
            if left > 0.0 {
                self.g += d / (n * left);
                self.h += share * ended / n;
            }
        }
    }

    fn variance(&self) -> Known<f64> {
        if self.undefined {
            return Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        Known::Known((self.g_times_d_squared - 2.0 * self.h_times_d + self.a).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::super::causes::{CAUSE_COMPETING, CAUSE_FAILED};
    use super::super::life_table::LifeTable;
    use super::super::observation::{Ending, Observations};
    use super::super::product_limit::ProductLimit;
    use super::super::ten_rows::{self, each_alone};
    use super::*;

    #[test]
    fn four_rows_by_hand() {
        // By hand: 1 failed, 2 competing, 3 censored, 4 failed. S: 3/4, 1/2, 1/2, 0. F_failed: 1/4, 1/4, 1/4, 3/4.
        // F_competing: 1/4 from 2 on. Multinomial variance at 4 of F_competing with nobody censored before: 1/4·3/4/4 = 3/64.
        let observations =
            each_alone(&[(1, Ending::Failed), (2, Ending::Competing), (3, Ending::Censored), (4, Ending::Failed)]);
        let by_cause = ObservationsByCause::of_endings(&observations);
        let curve = cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
        let at = |cause, day| curve.incidence_at(cause, Days::new(day));
        for (day, exact) in [0, 1, 2, 3, 4, 9].into_iter().zip([0.0, 0.25, 0.25, 0.25, 0.75, 0.75]) {
            assert_eq!(at(CAUSE_FAILED, day), Known::Known(Fraction::new(exact)));
        }
        for (day, exact) in [0, 1, 2, 3, 4, 9].into_iter().zip([0.0, 0.0, 0.25, 0.25, 0.25, 0.25]) {
            assert_eq!(at(CAUSE_COMPETING, day), Known::Known(Fraction::new(exact)));
        }
        let variance = *curve.variance_at(CAUSE_COMPETING, Days::new(4)).known().expect("defined");
        assert!((variance - 3.0 / 64.0).abs() < 1e-16, "absolute: {variance}");
    }

    #[test]
    fn without_competing_endings_it_is_one_less_the_product_limit_with_greenwoods_variance() {
        let observations = ten_rows::pooled();
        let product_limit = ProductLimit::estimate(&LifeTable::count(&observations));
        let by_cause = ObservationsByCause::of_endings(&observations);
        let curve = cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
        for day in (0..=10).map(Days::new) {
            let f = curve.incidence_at(CAUSE_FAILED, day).known().expect("followed").value();
            let s = product_limit.survival_at(day).known().expect("followed").value();
            assert!((f + s - 1.0).abs() < 1e-15, "absolute");
            let variance = *curve.variance_at(CAUSE_FAILED, day).known().expect("defined");
            let error = *product_limit.standard_error_at(day).known().expect("defined");
            assert!((variance - error * error).abs() < 1e-16, "absolute: {variance} {}", error * error);
        }
    }

    #[test]
    fn what_is_not_known_says_why() {
        let none = Observations::default();
        let nothing = incidence_at_horizons(&ObservationsByCause::of_endings(&none), 1, &[Days::new(1)], Default::default());
        assert_eq!(nothing[0], Known::NotKnown(WhyNotKnown::NoObservations));
        let observations = each_alone(&[(3, Ending::Censored), (2, Ending::Competing)]);
        let by_cause = ObservationsByCause::of_endings(&observations);
        let at = incidence_at_horizons(&by_cause, 1, &[Days::new(3), Days::new(4)], Default::default());
        assert_eq!(at[1], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let known = at[0].known().expect("followed");
        assert_eq!((known.value, known.standard_error), (Fraction::new(0.0), None));
        assert_eq!(known.interval, Known::NotKnown(WhyNotKnown::NoFailures));
    }

    #[test]
    fn one_cluster_has_no_robust_variance() {
        let observations = ten_rows::all_fail();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let curve = cumulative_incidence(&by_cause, IncidenceVariance::ClusterRobust);
        let too_few = Known::NotKnown(WhyNotKnown::TooFewClusters);
        assert_eq!(curve.variance_at(CAUSE_FAILED, Days::new(1)), too_few);
        let at = incidence_at_horizons(&by_cause, CAUSE_FAILED, &[Days::new(1)], Default::default());
        assert_eq!(at[0].known().expect("followed").interval, Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
