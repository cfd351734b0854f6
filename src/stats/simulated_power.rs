//! The power of a plan by simulation: trials drawn from a stated truth, each analysed as the real one will be.
//!
//! Definition.  Trial number i is what the caller draws for i; each test looks at each trial. Power is the share of trials that a test
//!              rejects at the two-sided level: with a true difference the power, without one the size of the test.
//! Interval.    Wilson's for that share: it tells how far the number of trials leaves the power open, not how sure the plan is.
//! Decided.     A trial that a test can't judge (no failure, too few clusters) counts as not rejected and is counted. Rejections are
//!              also told by direction: one in the wrong direction is a rejection, but no finding. What is drawn may depend on the
//!              trial's number alone, so the result is the same for any number of threads.
//! Cost.        That of the draws and tests, shared among threads.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::grouping::Grouping;
use super::observation::{Ending, Observations};
use super::share::wilson_interval;
use super::survival_contrast::survival_contrast;
use super::weighted_log_rank::weighted_log_rank;
use super::weighting::Weighting;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Days, Fraction, Known, Variance, WhyNotKnown};
use crate::threads::{available, on_threads};

/// One simulated trial: observations in two groups.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedTrial {
    /// Those that are followed.
    pub observations: Observations,
    /// The group of each, 0 or 1.
    pub grouping: Grouping,
}

/// A test whose power is asked.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PowerTest {
    /// The weighted log-rank test by the χ² distribution.
    LogRank {
        /// Which failures weigh most.
        weighting: Weighting,
        /// The variance behind the statistic.
        variance: Variance,
    },
    /// The cluster-robust one by the distribution that knows the number of clusters.
    FewClustersLogRank {
        /// Which failures weigh most.
        weighting: Weighting,
    },
    /// Survival at one day, compared on the complementary log–log scale.
    SurvivalAt {
        /// The day.
        day: Days,
        /// The variance behind the statistic.
        variance: Variance,
    },
}

/// How often one test rejected.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SimulatedPower {
    /// The test.
    pub test: PowerTest,
    /// How many trials it rejected.
    pub rejected: u64,
    /// How many of these said that the second group fails sooner.
    pub second_sooner: u64,
    /// How many trials it could not judge; they count as not rejected.
    pub not_judged: u64,
    /// The share rejected.
    pub power: Fraction,
    /// How far the number of trials leaves that share open.
    pub interval: ConfidenceInterval<Fraction>,
}

/// The result of simulated trials.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SimulatedPlan {
    /// How many trials were drawn.
    pub trials: u64,
    /// 1 less the two-sided significance level of the tests.
    pub level: ConfidenceLevel,
    /// Mean number of observations in a trial.
    pub mean_observations: f64,
    /// Mean number of clusters.
    pub mean_clusters: f64,
    /// Mean number of failures.
    pub mean_failures: f64,
    /// Each test, in the order asked.
    pub tests: Vec<SimulatedPower>,
}

/// Draws so many trials and looks at each by each of the tests; `draw` gives trial number i and must depend on i alone (and on what
/// it holds, such as a seed).
///
/// Not known without trials.
///
/// ```
/// use manebit::quantity::{ConfidenceLevel, Days, Variance};
/// use manebit::stats::{Ending, Grouping, Observations, PowerTest, SimulatedTrial, Weighting, simulated_power};
/// // Trials without any chance in them: the second group always fails first.
/// let draw = |_| {
///     let mut observations = Observations::default();
///     for i in 0..20 {
///         observations.push(Days::new(0), Days::new(if i < 10 { 100 + i } else { i }), Ending::Failed, i as u32).expect("in order");
///     }
///     SimulatedTrial { observations, grouping: Grouping::new((0..20).map(|i| i / 10).collect(), 2).expect("levels") }
/// };
/// let test = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ModelBased };
/// let plan = simulated_power(5, ConfidenceLevel::USUAL, &[test], draw);
/// assert_eq!(plan.known().expect("trials").tests[0].second_sooner, 5);
/// ```
pub fn simulated_power(
    trials: u64,
    level: ConfidenceLevel,
    tests: &[PowerTest],
    draw: impl Fn(u64) -> SimulatedTrial + Sync,
) -> Known<SimulatedPlan> {
    let threads = available();
    let among = threads as u64;
    let ranges = (0..among).map(|thread| trials * thread / among..trials * (thread + 1) / among).collect();
    let part = |range: std::ops::Range<u64>| {
        let mut sums = Sums::of(tests.len());
        range.for_each(|index| sums.add(&draw(index), level, tests));
        sums
    };
    let mut sums = Sums::of(tests.len());
    on_threads(ranges, threads, part).iter().for_each(|part| sums.join(part));
    let wilson = |rejected| wilson_interval(rejected, trials, ConfidenceLevel::USUAL);
    let mut results = Vec::with_capacity(tests.len());
    for (&test, counts) in tests.iter().zip(&sums.tests) {
        let interval = match wilson(counts.rejected) {
            Known::Known(interval) => interval,
            Known::NotKnown(why) => return Known::NotKnown(why),
        };
        let Counts { rejected, second_sooner, not_judged } = *counts;
        let power = Fraction::new(rejected as f64 / trials as f64);
        results.push(SimulatedPower { test, rejected, second_sooner, not_judged, power, interval });
    }
    if trials == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let mean = |sum: u64| sum as f64 / trials as f64;
    Known::Known(SimulatedPlan {
        trials,
        level,
        mean_observations: mean(sums.observations),
        mean_clusters: mean(sums.clusters),
        mean_failures: mean(sums.failures),
        tests: results,
    })
}

#[derive(Clone, Copy, Default)]
struct Counts {
    rejected: u64,
    second_sooner: u64,
    not_judged: u64,
}

struct Sums {
    observations: u64,
    clusters: u64,
    failures: u64,
    tests: Vec<Counts>,
}

impl Sums {
    fn of(tests: usize) -> Self {
        Self { observations: 0, clusters: 0, failures: 0, tests: vec![Counts::default(); tests] }
    }

    fn add(&mut self, trial: &SimulatedTrial, level: ConfidenceLevel, tests: &[PowerTest]) {
        self.observations += trial.observations.len() as u64;
        self.clusters += trial.observations.clusters_present();
        self.failures += trial.observations.ending().iter().filter(|&&ending| ending == Ending::Failed).count() as u64;
        for (test, counts) in tests.iter().zip(&mut self.tests) {
            match judge(trial, test) {
                Some((p_value, second_sooner)) => {
                    let rejected = p_value <= 2.0 * level.tail();
                    counts.rejected += u64::from(rejected);
                    counts.second_sooner += u64::from(rejected && second_sooner);
                }
                None => counts.not_judged += 1,
            }
        }
    }

    fn join(&mut self, other: &Self) {
        self.observations += other.observations;
        self.clusters += other.clusters;
        self.failures += other.failures;
        for (sum, part) in self.tests.iter_mut().zip(&other.tests) {
            sum.rejected += part.rejected;
            sum.second_sooner += part.second_sooner;
            sum.not_judged += part.not_judged;
        }
    }
}

/// The two-sided probability, and whether the second group fails sooner.
fn judge(trial: &SimulatedTrial, test: &PowerTest) -> Option<(f64, bool)> {
    if trial.grouping.levels() < 2 {
        return None;
    }
    let log_rank =
        |weighting, variance| weighted_log_rank(&Compared::new(&trial.observations, &trial.grouping), weighting, variance);
    match *test {
        PowerTest::LogRank { weighting, variance } => {
            let result = log_rank(weighting, variance);
            result.known().map(|test| (test.p_value, test.z.is_some_and(|z| z > 0.0)))
        }
        PowerTest::FewClustersLogRank { weighting } => {
            let result = log_rank(weighting, Variance::ClusterRobust);
            let test = result.known()?;
            let finite = test.finite_clusters?;
            finite.known().map(|finite| (finite.p_value, test.z.is_some_and(|z| z > 0.0)))
        }
        PowerTest::SurvivalAt { day, variance } => {
            let groups = trial.observations.by_group(&trial.grouping);
            let [first, second] = &groups[..] else { return None };
            let contrasts = survival_contrast(first, second, &[day], variance, ConfidenceLevel::USUAL);
            let contrast = contrasts.first()?.known()?.complementary_log_log.known()?;
            contrast.test.known().map(|test| (test.p_value, contrast.estimate.value > 0.0))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nobody(_: u64) -> SimulatedTrial {
        SimulatedTrial { observations: Observations::default(), grouping: Grouping::default() }
    }

    #[test]
    fn trials_that_cannot_be_judged_are_counted() {
        let tests = [
            PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ModelBased },
            PowerTest::FewClustersLogRank { weighting: Weighting::Gehan },
            PowerTest::SurvivalAt { day: Days::new(3), variance: Variance::ModelBased },
        ];
        let plan = simulated_power(7, ConfidenceLevel::USUAL, &tests, nobody);
        for test in &plan.known().expect("trials").tests {
            assert_eq!((test.rejected, test.not_judged), (0, 7));
        }
        assert_eq!(simulated_power(0, ConfidenceLevel::USUAL, &[], nobody), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
