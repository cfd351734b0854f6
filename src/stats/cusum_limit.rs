//! How high a cumulative sum may go before it signals: limits by simulating what chance alone does.
//!
//! Definition.  False alarm: with the benchmark true, the sum exceeds its limit at least once within the period watched. The limit
//!              for a stated probability is the matching quantile of the simulated highest sums: at most that share of the replicates
//!              lie beyond it.
//! Formula.     Independent failures: read by the number expected instead of by the calendar, failures that follow the benchmark are a
//!              Poisson process of rate 1, whoever is under observation; it is watched until so many are expected.
//!              Clusters: each keeps its follow-up; one that failed would have been followed to the end of the period. Its
//!              members share a gamma frailty Z of mean 1 and variance θ, and fail when Z·A reaches an exponential number,
//!              A = (e^(θH) − 1)/θ, so that averaged over clusters each fails by the benchmark H itself. Of a cluster with late entries,
//!              only what has survived to them: Z has shape 1/θ and rate 1/θ + Σ A(entry).
//! Source.      Time transformation: Brémaud P. Point Processes and Queues, 1981, II.6; for cumulative sums of times to failure: Gandy A,
//!              Kvaløy JT, Bottle A, Zhou F. Biometrika 2010;97:375–388; frailty: Clayton DG. Biometrika 1978;65:141–151 (all from
//!              memory).
//! Decided.     Clusters inflate false alarms: failures come in bursts that no benchmark knows of. The variance θ is the caller's, as
//!              from `frailty`; with θ = 0 the second way is the first but for what the calendar adds: whole days, and a number expected
//!              by the end that falls as members fail. Replicate i draws from stream i of the seed: the same limit for any number
//!              of threads. The interval of the false alarms is Wilson's for the share beyond.
//! Cost.        Independent: replicates · expected failures. Clusters: replicates · (observations + days).
//! Not for.     A benchmark estimated from the same failures: it fits them better than any true one, so alarms are rarer than said.

use std::ops::Range;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cusum::RunningSum;
use super::random_draws::Draws;
use super::share::wilson_interval;
use super::watched::{Row, Watched};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Days, Fraction, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// How many replicates are drawn, and from where.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Replicates {
    /// How many.
    pub count: u32,
    /// What the draws start from.
    pub seed: u64,
}

impl Default for Replicates {
    /// 10 000: a false-alarm probability of 5 % is then open by 0.4 % to each side.
    fn default() -> Self {
        Self { count: 10_000, seed: 1 }
    }
}

/// A limit, and how often chance alone exceeds it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FalseAlarmLimit {
    /// The ratio of hazards that is looked for.
    pub ratio: f64,
    /// The limit: a sum beyond it signals.
    pub limit: f64,
    /// The share of replicates beyond it.
    pub false_alarms: Fraction,
    /// How far the number of replicates leaves that probability open.
    pub interval: ConfidenceInterval<Fraction>,
    /// Failures expected over the period watched; the mean over the replicates.
    pub expected_failures: f64,
    /// Variance of the frailty that clusters share; 0 for independent failures.
    pub frailty_variance: f64,
    /// What was drawn.
    pub replicates: Replicates,
}

/// What chance alone does to a cumulative sum: the highest it gets, in each of many replicates.
#[derive(Clone, Debug, PartialEq)]
pub struct HighestSums {
    ratio: f64,
    /// From the highest down.
    highest: Vec<f64>,
    expected_failures: f64,
    frailty_variance: f64,
    replicates: Replicates,
}

impl HighestSums {
    /// Of independent failures, watched until so many are expected.
    ///
    /// Not known unless the ratio is above 0 and not 1, some are expected, and there are replicates.
    pub fn of_independent(ratio: f64, expected_failures: f64, replicates: Replicates) -> Known<Self> {
        let sound = expected_failures > 0.0 && expected_failures < 1e9 && replicates.count > 0;
        let (Some(start), true) = (RunningSum::new(ratio), sound) else {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        };
        let one = |replicate| {
            let mut draws = Draws::new(replicates.seed, replicate);
            let (mut sum, mut left, mut highest) = (start, expected_failures, 0.0_f64);
            loop {
                let wait = draws.exponential();
                if wait >= left {
                    return highest.max(sum.day(left, 0));
                }
                highest = highest.max(sum.day(wait, 1));
                left -= wait;
            }
        };
        let highest = in_order(replicates, |range| range.map(one).collect());
        Known::Known(Self::of_replicates(ratio, highest, expected_failures, replicates))
    }

    /// Of failures of clusters whose members share a gamma frailty of this variance, followed as those watched were.
    ///
    /// Not known unless the ratio is above 0 and not 1, the variance 0 or above, and there are replicates.
    pub fn of_clusters(watched: &Watched, ratio: f64, frailty_variance: f64, replicates: Replicates) -> Known<Self> {
        let sound = (0.0..1e3).contains(&frailty_variance) && replicates.count > 0;
        let (Some(start), true) = (RunningSum::new(ratio), sound) else {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        };
        let plan = Plan::of(watched, frailty_variance);
        let both: Vec<(f64, f64)> = in_order(replicates, |range| {
            let mut room = Room::default();
            range.map(|replicate| plan.replicate(start, &mut Draws::new(replicates.seed, replicate), &mut room)).collect()
        });
        let expected_failures = both.iter().map(|one| one.1).sum::<f64>() / f64::from(replicates.count);
        let highest = descending(both.into_iter().map(|one| one.0).collect());
        Known::Known(Self { ratio, highest, expected_failures, frailty_variance, replicates })
    }

    /// Of replicates drawn elsewhere, each without clusters.
    pub(super) fn of_replicates(ratio: f64, highest: Vec<f64>, expected_failures: f64, replicates: Replicates) -> Self {
        Self { ratio, highest: descending(highest), expected_failures, frailty_variance: 0.0, replicates }
    }

    /// The limit for a probability of false alarms within the period watched.
    ///
    /// Not known unless the probability is below 1, and large enough that at least one replicate may lie beyond.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of the replicates")]
    pub fn limit(&self, false_alarms: Fraction) -> Known<FalseAlarmLimit> {
        // A product that is whole but for rounding is whole.
        let beyond = libm::floor(false_alarms.value() * self.highest.len() as f64 * (1.0 + 1e-12)) as usize;
        if beyond == 0 || beyond >= self.highest.len() {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        self.at(self.highest[beyond])
    }

    /// How often chance alone exceeds a limit that is given.
    ///
    /// Not known unless the limit is 0 or above.
    pub fn at(&self, limit: f64) -> Known<FalseAlarmLimit> {
        if limit.is_nan() || limit < 0.0 {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let beyond = self.highest.partition_point(|&highest| highest > limit);
        wilson_interval(beyond as u64, self.highest.len() as u64, ConfidenceLevel::USUAL).map(|interval| FalseAlarmLimit {
            ratio: self.ratio,
            limit,
            false_alarms: Fraction::new(beyond as f64 / self.highest.len() as f64),
            interval,
            expected_failures: self.expected_failures,
            frailty_variance: self.frailty_variance,
            replicates: self.replicates,
        })
    }
}

/// Below so many replicates a second thread costs more than it saves.
const WORTH_A_THREAD: u32 = 200;

/// What each range of replicates gives, one after the other.
pub(super) fn in_order<T: Send>(replicates: Replicates, part: impl Fn(Range<u64>) -> Vec<T> + Sync) -> Vec<T> {
    let count = u64::from(replicates.count);
    let among = if replicates.count < WORTH_A_THREAD { 1 } else { available() as u64 };
    let ranges = (0..among).map(|thread| count * thread / among..count * (thread + 1) / among).collect();
    on_threads(ranges, usize::try_from(among).unwrap_or(1), part).into_iter().flatten().collect()
}

fn descending(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_unstable_by(|one, other| other.total_cmp(one));
    values
}

/// Those watched, as they would be followed if they did not fail, cluster by cluster.
struct Plan<'a> {
    watched: &'a Watched,
    theta: f64,
    members: Vec<Member>,
    /// For each cluster, where its members end.
    ends: Vec<usize>,
    /// For each cluster, the rate of its frailty.
    rates: Vec<f64>,
    /// Changes of the daily expectation, while nobody fails.
    change: Vec<f64>,
}

struct Member {
    row: Row,
    /// A at the start and at the end.
    entry: f64,
    exit: f64,
}

/// Scratch of one thread.
#[derive(Default)]
struct Room {
    change: Vec<f64>,
    failed: Vec<u32>,
}

impl<'a> Plan<'a> {
    fn of(watched: &'a Watched, theta: f64) -> Self {
        let reach = watched.benchmark.last_day().map_or(i32::MAX, Days::count);
        let shared = |age: i32| {
            let hazard = watched.benchmark.cumulative_hazard(Days::new(age));
            if theta > 0.0 { libm::expm1(theta * hazard) / theta } else { hazard }
        };
        let mut rows = watched.rows.clone();
        rows.sort_by_key(|row| row.cluster);
        let mut plan = Self {
            watched,
            theta,
            members: Vec::with_capacity(rows.len()),
            ends: Vec::new(),
            rates: Vec::new(),
            change: vec![0.0; watched.days() + 1],
        };
        for cluster in rows.chunk_by(|one, other| one.cluster == other.cluster) {
            let mut rate = if theta > 0.0 { 1.0 / theta } else { 0.0 };
            for row in cluster {
                let exit = if row.failed { reach.min(watched.last - row.origin) } else { row.exit };
                watched.add_hazard(row.origin, row.entry, exit, 1.0, &mut plan.change);
                let (entry, at_exit) = (shared(row.entry), shared(exit));
                rate += entry;
                plan.members.push(Member { row: Row { exit, ..*row }, entry, exit: at_exit });
            }
            plan.ends.push(plan.members.len());
            plan.rates.push(rate);
        }
        plan
    }

    /// The highest sum of one replicate, and how many failures were expected.
    fn replicate(&self, mut sum: RunningSum, draws: &mut Draws, room: &mut Room) -> (f64, f64) {
        room.change.clone_from(&self.change);
        room.failed.clear();
        room.failed.resize(self.watched.days(), 0);
        let mut start = 0;
        for (&end, &rate) in self.ends.iter().zip(&self.rates) {
            let frailty = if self.theta > 0.0 { draws.gamma(1.0 / self.theta) / rate } else { 1.0 };
            for member in &self.members[start..end] {
                let reached = member.entry + draws.exponential() / frailty;
                // Also false where a frailty of 0 made it infinite.
                if reached <= member.exit {
                    self.fail(member, reached, room);
                }
            }
            start = end;
        }
        let (mut highest, mut expected, mut now) = (0.0_f64, 0.0, 0.0);
        for (change, &failed) in room.change.iter().zip(&room.failed) {
            now += change;
            expected += now;
            highest = highest.max(sum.day(now, failed));
        }
        (highest, expected)
    }

    fn fail(&self, member: &Member, reached: f64, room: &mut Room) {
        let hazard = if self.theta > 0.0 { libm::log1p(self.theta * reached) / self.theta } else { reached };
        let row = &member.row;
        // Rounding may put the day just outside the time at risk.
        let day = self.watched.benchmark.day_reaching(hazard).unwrap_or(row.exit).clamp(row.entry + 1, row.exit);
        room.failed[self.watched.place(row.origin + day)] += 1;
        if day < row.exit {
            self.watched.add_hazard(row.origin, day, row.exit, -1.0, &mut room.change);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::benchmark_hazard::BenchmarkHazard;
    use super::super::observation::{Ending, Observations};
    use super::super::watched::PeriodWatched;
    use super::*;
    use crate::quantity::{AnnualRate, Day};

    /// By hand: with so few expected that two failures hardly come, the sum gets to ln 2 with probability 1 − e^(−E).
    #[test]
    fn one_failure_by_hand() {
        let sums = HighestSums::of_independent(2.0, 0.05, Replicates { count: 20_000, seed: 4 });
        let at = *sums.known().expect("in range").at(0.69).known().expect("in range");
        // Four standard errors.
        assert!((at.false_alarms.value() - (1.0 - (-0.05_f64).exp())).abs() < 4.0 * 0.0016, "{:?}", at.false_alarms);
        // Fewer failures: the sum rises to half of what is expected, and no replicate exceeds that.
        let fewer = HighestSums::of_independent(0.5, 4.0, Replicates { count: 2000, seed: 4 });
        assert!(fewer.known().expect("in range").at(2.0).known().expect("in range").false_alarms <= Fraction::new(0.0));
    }

    #[test]
    fn what_cannot_be_simulated_is_refused() {
        let outside = Known::NotKnown(WhyNotKnown::OutsideItsRange);
        let some = Replicates { count: 50, seed: 1 };
        assert_eq!(HighestSums::of_independent(1.0, 5.0, some), outside);
        assert_eq!(HighestSums::of_independent(2.0, 0.0, some), outside);
        assert_eq!(HighestSums::of_independent(2.0, 5.0, Replicates { count: 0, seed: 1 }), outside);
        let sums = HighestSums::of_independent(2.0, 5.0, some);
        let sums = sums.known().expect("in range");
        for share in [0.0, 0.01, 1.0] {
            assert_eq!(sums.limit(Fraction::new(share)), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        }
        assert_eq!(sums.at(-1.0), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        let limit = sums.limit(Fraction::new(0.1));
        assert!(limit.known().expect("in range").false_alarms.value() <= 0.1);
    }

    /// One observation followed for 1000 days at a cumulative hazard of 1: it fails with probability 1 − 1/e whatever the frailty, and
    /// 1 − 1/e failures are expected.
    #[test]
    fn a_frailty_leaves_each_observation_its_benchmark() {
        let mut observations = Observations::default();
        observations.push(Days::new(0), Days::new(1000), Ending::Censored, 0).expect("in order");
        observations.push(Days::new(300), Days::new(1000), Ending::Failed, 1).expect("in order");
        let benchmark = BenchmarkHazard::of_rate(AnnualRate::new(0.365_25));
        let origins = [Day::from_epoch(0), Day::from_epoch(0)];
        for period in [PeriodWatched::default(), PeriodWatched { first: Some(Day::from_epoch(100)), last: None }] {
            let watched = Watched::new(&observations, &origins, benchmark.known().expect("above 0"), period);
            for theta in [0.0, 0.7, 3.0] {
                let sums = HighestSums::of_clusters(
                    watched.known().expect("time"),
                    0.5,
                    theta,
                    Replicates { count: 8000, seed: 9 },
                );
                let sums = sums.known().expect("in range");
                let late: f64 = if period.first.is_some() { 0.901 } else { 1.0 };
                let expected = 2.0 - (-late).exp() - (-0.7_f64).exp();
                // The two cumulative hazards have standard deviations below 0.5 each: four standard errors of the mean.
                assert!((sums.expected_failures - expected).abs() < 0.032, "{theta}: {} {expected}", sums.expected_failures);
            }
        }
    }
}
