//! How long a cumulative sum runs before chance alone makes it signal: the in-control average run length, and the limit for it.
//!
//! Definition.  Run length: how much is expected (failures, or cases in a sequence of single outcomes) until the sum first exceeds its
//!              limit, with the benchmark true. The limit for a stated average is where the mean over simulated runs reaches it.
//! Source.      Page ES. Biometrika 1954;41:100–115; Poisson processes: Vardeman S, Ray D. Technometrics 1985;27:145–150 (from memory).
//! Decided.     Each replicate is one run that goes on until its sum has passed every limit looked at; what it needed to pass each is
//!              kept, so all limits are judged by the same runs, and the mean rises with the limit. Independent failures only: with
//!              clusters a practice of given size has no endless run; see `cusum_limit`.
//! Accuracy.    Runs spread about as their mean: 10 000 of them leave 1 % (the standard error is told).
//! Cost.        Replicates · average run length.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cusum::RunningSum;
use super::cusum_limit::Replicates;
use super::random_draws::Draws;
use crate::quantity::{Known, WhyNotKnown};

/// The longest average looked for.
const LONGEST: f64 = 1e5;

/// A limit and its average run length while the benchmark is true.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunLengthLimit {
    /// The ratio that is looked for.
    pub ratio: f64,
    /// The limit: a sum beyond it signals.
    pub limit: f64,
    /// The mean of the simulated runs.
    pub average_run_length: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// What was drawn.
    pub replicates: Replicates,
}

/// The average number of failures expected before a limit is exceeded, failures being independent.
///
/// Not known unless the ratio is above 0 and not 1, the limit 0 or above and so low that the average stays below 100 000, and there are
/// at least two replicates.
pub fn average_run_length(ratio: f64, limit: f64, replicates: Replicates) -> Known<RunLengthLimit> {
    if limit.is_nan() || limit < 0.0 {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    match runs_of_failures(ratio, replicates) {
        Known::Known(mut runs) => runs.at(limit).map(|(mean, error)| runs.result(ratio, limit, mean, error)),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The limit that is exceeded after so many expected failures on average, failures being independent.
///
/// Not known unless the ratio is above 0 and not 1, the average above 0 and at most 100 000, and there are at least two replicates;
/// `OutOfReach` where even a limit of 0 lets the sum run longer.
pub fn run_length_limit(ratio: f64, run_length: f64, replicates: Replicates) -> Known<RunLengthLimit> {
    match runs_of_failures(ratio, replicates) {
        Known::Known(mut runs) => runs.limit_for(ratio, run_length),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

fn runs_of_failures(ratio: f64, replicates: Replicates) -> Known<Runs<impl Fn(&mut Draws, f64) -> Step + Sync>> {
    let (Some(sum), true) = (RunningSum::new(ratio), replicates.count >= 2) else {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    };
    let step = move |draws: &mut Draws, value: f64| {
        let wait = draws.exponential();
        let mut sum = RunningSum { value, ..sum };
        let peak = sum.day(wait, 1);
        // Looking for fewer failures, the peak is where the wait ends, and the sum rises to it evenly.
        Step { taken: wait, value: sum.value, peak, slope: if sum.slope > 0.0 { sum.slope } else { f64::INFINITY } }
    };
    Known::Known(Runs::new(step, replicates))
}

/// One step of a run.
pub(super) struct Step {
    /// How much it takes.
    pub(super) taken: f64,
    /// The sum after it.
    pub(super) value: f64,
    /// The highest sum in it, at its end but for a fall at that moment.
    pub(super) peak: f64,
    /// How fast the sum rose to the peak; infinite for a jump.
    pub(super) slope: f64,
}

/// Runs under way.
pub(super) struct Runs<S> {
    step: S,
    replicates: Replicates,
    runs: Vec<Run>,
}

struct Run {
    draws: Draws,
    taken: f64,
    value: f64,
    records: Vec<Record>,
}

/// A new highest sum.
#[derive(Clone, Copy)]
struct Record {
    peak: f64,
    taken: f64,
    slope: f64,
}

impl Run {
    fn highest(&self) -> f64 {
        self.records.last().map_or(0.0, |record| record.peak)
    }

    /// What it took to exceed a limit that it has exceeded.
    fn until(&self, limit: f64) -> f64 {
        let place = self.records.partition_point(|record| record.peak <= limit);
        self.records.get(place).map_or(self.taken, |record| record.taken - (record.peak - limit) / record.slope)
    }
}

impl<S: Fn(&mut Draws, f64) -> Step + Sync> Runs<S> {
    pub(super) fn new(step: S, replicates: Replicates) -> Self {
        let run =
            |replicate| Run { draws: Draws::new(replicates.seed, replicate), taken: 0.0, value: 0.0, records: Vec::new() };
        let runs = (0..u64::from(replicates.count)).map(run).collect();
        Self { step, replicates, runs }
    }

    /// Mean and standard error of the run length at a limit; `OutOfReach` when the runs get longer than any that is looked for.
    pub(super) fn at(&mut self, limit: f64) -> Known<(f64, f64)> {
        self.run_past(limit);
        let count = self.runs.len() as f64;
        let lengths: Vec<f64> = self.runs.iter().map(|run| run.until(limit)).collect();
        let mean = lengths.iter().sum::<f64>() / count;
        // A run was given up when it got a hundred times as long as the longest average.
        if self.runs.iter().any(|run| run.highest() <= limit) || mean > LONGEST {
            return Known::NotKnown(WhyNotKnown::OutOfReach);
        }
        let squares: f64 = lengths.iter().map(|length| (length - mean) * (length - mean)).sum();
        Known::Known((mean, libm::sqrt(squares / (count - 1.0) / count)))
    }

    /// The limit with this mean.
    pub(super) fn limit_for(&mut self, ratio: f64, run_length: f64) -> Known<RunLengthLimit> {
        if !(run_length > 0.0 && run_length <= LONGEST) {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let mean_at = |runs: &mut Self, limit| runs.at(limit).known().map_or(f64::INFINITY, |found| found.0);
        if mean_at(self, 0.0) > run_length {
            return Known::NotKnown(WhyNotKnown::OutOfReach);
        }
        let (mut below, mut above) = (0.0, 0.25);
        while mean_at(self, above) < run_length {
            (below, above) = (above, above + 0.25);
        }
        // By halving to the last digits: the mean rises with the limit.
        for _ in 0..60 {
            let middle = 0.5 * (below + above);
            *(if mean_at(self, middle) < run_length { &mut below } else { &mut above }) = middle;
        }
        let limit = above;
        self.at(limit).map(|(mean, error)| self.result(ratio, limit, mean, error))
    }

    pub(super) fn result(&self, ratio: f64, limit: f64, mean: f64, error: f64) -> RunLengthLimit {
        RunLengthLimit { ratio, limit, average_run_length: mean, standard_error: error, replicates: self.replicates }
    }

    /// Lets each run go on until it has exceeded the limit.
    fn run_past(&mut self, limit: f64) {
        let step = &self.step;
        let threads = crate::threads::available();
        let share = self.runs.len().div_ceil(threads).max(1);
        let parts: Vec<&mut [Run]> = self.runs.chunks_mut(share).collect();
        crate::threads::on_threads(parts, threads, |part: &mut [Run]| {
            for run in part {
                let mut highest = run.highest();
                while highest <= limit && run.taken < 100.0 * LONGEST {
                    let next = step(&mut run.draws, run.value);
                    run.taken += next.taken;
                    run.value = next.value;
                    if next.peak > highest {
                        highest = next.peak;
                        run.records.push(Record { peak: next.peak, taken: run.taken, slope: next.slope });
                    }
                }
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOME: Replicates = Replicates { count: 4000, seed: 2 };

    #[test]
    fn a_limit_of_nothing_lasts_until_the_first_failure() {
        // By hand: ρ = 2, limit 0: one failure, expected after 1. ρ = 1/2: the sum rises at once.
        let more = *average_run_length(2.0, 0.0, SOME).known().expect("in range");
        assert!((more.average_run_length - 1.0).abs() < 4.0 * more.standard_error, "{more:?}");
        let fewer = *average_run_length(0.5, 0.0, SOME).known().expect("in range");
        assert!(fewer.average_run_length.abs() < 1e-15, "{fewer:?}");
        // By hand: ρ = 1/2 and a limit of 0.1: unless a failure comes first, it lasts 0.2; a failure sends the sum back to 0, which is
        // a renewal: L = (1 − e^(−0.2)) / e^(−0.2).
        let fewer = *average_run_length(0.5, 0.1, SOME).known().expect("in range");
        assert!((fewer.average_run_length - (0.2_f64.exp() - 1.0)).abs() < 4.0 * fewer.standard_error, "{fewer:?}");
    }

    #[test]
    fn the_limit_has_the_length_asked_for() {
        for (ratio, length) in [(2.0, 40.0), (0.5, 15.0)] {
            let found = *run_length_limit(ratio, length, SOME).known().expect("in range");
            assert!((found.average_run_length / length - 1.0).abs() < 0.01, "relative: {found:?}");
            let back = *average_run_length(ratio, found.limit, SOME).known().expect("in range");
            assert_eq!(back, found);
        }
        assert_eq!(run_length_limit(2.0, 0.5, SOME), Known::NotKnown(WhyNotKnown::OutOfReach));
        assert_eq!(run_length_limit(1.0, 5.0, SOME), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(run_length_limit(2.0, 0.0, SOME), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(
            average_run_length(2.0, 60.0, Replicates { count: 2, seed: 1 }),
            Known::NotKnown(WhyNotKnown::OutOfReach)
        );
    }
}
