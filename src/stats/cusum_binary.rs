//! Watching outcomes that come one by one, each with its own expected chance of failure: lost within two years or not, say.
//!
//! Definition.  Case by case, in the order given, the sum of log likelihood ratios of odds R times the expected ones against the expected
//!              ones: + ln R − ln(1 − p + R·p) for a failure, − ln(1 − p + R·p) else; never below 0. It signals beyond the limit.
//! Source.      Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441–452 (from memory).
//! Decided.     False alarms over a sequence: outcomes drawn anew with the chances expected, in the same order. Run lengths: cases drawn
//!              with replacement from those given, so that their mix stays what it is. Outcomes are independent; a cluster whose members
//!              fail together inflates the false alarms.
//! Cost.        O(cases); limits: replicates · cases, or · average run length.
//! Not for.     Cases that have not been followed to the horizon: those belong to [`cusum`](mod@super::cusum), which needs no waiting.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cusum::AfterSignal;
use super::cusum_limit::{HighestSums, Replicates, in_order};
use super::cusum_run_length::{RunLengthLimit, Runs, Step};
use super::random_draws::Draws;
use crate::quantity::{Fraction, Known, WhyNotKnown};

/// One case.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BinaryOutcome {
    /// Its expected chance of failure.
    pub expected: Fraction,
    /// Whether it failed.
    pub failed: bool,
}

/// Outcomes against expected ones, case by case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BinaryCusum {
    /// The ratio of odds that is looked for.
    pub odds_ratio: f64,
    /// The limit; none if the path alone was asked.
    pub limit: Option<f64>,
    /// What becomes of the sum after a signal.
    pub after_signal: AfterSignal,
    /// The sum after each case, before it started again.
    pub sums: Vec<f64>,
    /// Places, from 0, of the cases at which the sum got beyond the limit.
    pub signals: Vec<u64>,
    /// The highest that the sum was.
    pub highest: f64,
    /// Failures.
    pub observed: u64,
    /// Failures expected.
    pub expected: f64,
}

/// Follows outcomes in their order.
///
/// Not known without outcomes, nor unless the ratio is above 0 and not 1, each chance below 1 and above 0, and the limit 0 or above.
pub fn binary_cusum(
    outcomes: &[BinaryOutcome],
    odds_ratio: f64,
    limit: Option<f64>,
    after_signal: AfterSignal,
) -> Known<BinaryCusum> {
    let cases = match cases(outcomes.iter().map(|outcome| outcome.expected), odds_ratio) {
        Known::Known(cases) => cases,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    if limit.is_some_and(|limit| limit.is_nan() || limit < 0.0) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    let (mut sum, mut highest, mut beyond) = (0.0_f64, 0.0_f64, false);
    let (mut sums, mut signals) = (Vec::with_capacity(cases.len()), Vec::new());
    for ((place, case), outcome) in (0..).zip(&cases).zip(outcomes) {
        sum = case.after(sum, outcome.failed);
        highest = highest.max(sum);
        sums.push(sum);
        let exceeds = limit.is_some_and(|limit| sum > limit);
        if exceeds && !beyond {
            signals.push(place);
            if after_signal == AfterSignal::StartAgain {
                sum = 0.0;
            }
        }
        beyond = exceeds && after_signal == AfterSignal::GoOn;
    }
    Known::Known(BinaryCusum {
        odds_ratio,
        limit,
        after_signal,
        sums,
        signals,
        highest,
        observed: outcomes.iter().map(|outcome| u64::from(outcome.failed)).sum(),
        expected: outcomes.iter().map(|outcome| outcome.expected.value()).sum(),
    })
}

/// What chance alone does to the sum over cases with these chances of failure.
///
/// Not known as [`binary_cusum`], nor without replicates.
pub fn binary_highest_sums(chances: &[Fraction], odds_ratio: f64, replicates: Replicates) -> Known<HighestSums> {
    if replicates.count == 0 {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    cases(chances.iter().copied(), odds_ratio).map(|cases| {
        let one = |replicate| {
            let mut draws = Draws::new(replicates.seed, replicate);
            let (mut sum, mut highest) = (0.0_f64, 0.0_f64);
            for case in &cases {
                sum = case.after(sum, draws.uniform() < case.chance);
                highest = highest.max(sum);
            }
            highest
        };
        let highest = in_order(replicates, |range| range.map(one).collect());
        HighestSums::of_replicates(odds_ratio, highest, cases.iter().map(|case| case.chance).sum(), replicates)
    })
}

/// The average number of cases before a limit is exceeded by chance.
///
/// Not known as [`binary_cusum`], with fewer than two replicates, or where the average would exceed 100 000.
pub fn binary_average_run_length(
    chances: &[Fraction],
    odds_ratio: f64,
    limit: f64,
    replicates: Replicates,
) -> Known<RunLengthLimit> {
    if limit.is_nan() || limit < 0.0 {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    match runs(chances, odds_ratio, replicates) {
        Known::Known(mut runs) => runs.at(limit).map(|(mean, error)| runs.result(odds_ratio, limit, mean, error)),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The lowest limit that chance alone exceeds only after so many cases on average.
///
/// Not known as [`binary_average_run_length`]; `OutOfReach` where even a limit of 0 lets the sum run longer.
pub fn binary_run_length_limit(
    chances: &[Fraction],
    odds_ratio: f64,
    run_length: f64,
    replicates: Replicates,
) -> Known<RunLengthLimit> {
    match runs(chances, odds_ratio, replicates) {
        Known::Known(mut runs) => runs.limit_for(odds_ratio, run_length),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

fn runs(
    chances: &[Fraction],
    odds_ratio: f64,
    replicates: Replicates,
) -> Known<Runs<impl Fn(&mut Draws, f64) -> Step + Sync>> {
    if replicates.count < 2 {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    cases(chances.iter().copied(), odds_ratio).map(|cases| {
        let step = move |draws: &mut Draws, sum: f64| {
            let case = cases[if cases.len() > 1 { draws.place(cases.len()) } else { 0 }];
            let value = case.after(sum, draws.uniform() < case.chance);
            Step { taken: 1.0, value, peak: value, slope: f64::INFINITY }
        };
        Runs::new(step, replicates)
    })
}

/// What a case adds to the sum.
#[derive(Clone, Copy)]
struct Case {
    chance: f64,
    failed: f64,
    kept: f64,
}

impl Case {
    fn after(self, sum: f64, failed: bool) -> f64 {
        (sum + if failed { self.failed } else { self.kept }).max(0.0)
    }
}

fn cases(chances: impl Iterator<Item = Fraction>, odds_ratio: f64) -> Known<Vec<Case>> {
    if !(odds_ratio > 0.0 && odds_ratio.is_finite() && (odds_ratio - 1.0).abs() > 0.0) {
        return Known::NotKnown(WhyNotKnown::OutsideItsRange);
    }
    let mut cases = Vec::with_capacity(chances.size_hint().0);
    for chance in chances.map(Fraction::value) {
        if !(chance > 0.0 && chance < 1.0) {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let kept = -libm::log1p((odds_ratio - 1.0) * chance);
        cases.push(Case { chance, failed: libm::log(odds_ratio) + kept, kept });
    }
    if cases.is_empty() { Known::NotKnown(WhyNotKnown::NoObservations) } else { Known::Known(cases) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(expected: f64, failed: bool) -> BinaryOutcome {
        BinaryOutcome { expected: Fraction::new(expected), failed }
    }

    #[test]
    fn by_hand() {
        // By hand, R = 3: p = 1/2: failure ln 3 − ln 2, kept −ln 2; p = 1/4: failure ln 2, kept −ln 1.5.
        let outcomes = [outcome(0.5, false), outcome(0.5, true), outcome(0.25, true), outcome(0.25, false)];
        let path = binary_cusum(&outcomes, 3.0, Some(1.0), AfterSignal::StartAgain);
        let path = path.known().expect("outcomes");
        for (found, expected) in path.sums.iter().zip([0.0, 1.5_f64.ln(), 3.0_f64.ln(), 0.0]) {
            assert!((found - expected).abs() < 1e-15, "absolute: {found} against {expected}");
        }
        assert_eq!((&path.signals[..], path.observed, path.expected), (&[2][..], 2, 1.5));
        let on = binary_cusum(&outcomes, 3.0, Some(1.0), AfterSignal::GoOn);
        assert!((on.known().expect("outcomes").sums[3] - 2.0_f64.ln()).abs() < 1e-15, "absolute");
    }

    #[test]
    fn what_cannot_be_watched_is_refused() {
        let outside = Known::NotKnown(WhyNotKnown::OutsideItsRange);
        assert_eq!(binary_cusum(&[], 2.0, None, AfterSignal::GoOn), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(binary_cusum(&[outcome(0.0, false)], 2.0, None, AfterSignal::GoOn), outside);
        assert_eq!(binary_cusum(&[outcome(0.1, false)], 1.0, None, AfterSignal::GoOn), outside);
        assert_eq!(binary_cusum(&[outcome(0.1, false)], 2.0, Some(-0.1), AfterSignal::GoOn), outside);
        let one = Replicates { count: 1, seed: 1 };
        let chances = [Fraction::new(0.1)];
        assert_eq!(binary_average_run_length(&chances, 2.0, 1.0, one), Known::NotKnown(WhyNotKnown::OutsideItsRange));
        assert_eq!(
            binary_run_length_limit(&chances, 2.0, 5.0, Replicates { count: 50, seed: 1 }),
            Known::NotKnown(WhyNotKnown::OutOfReach)
        );
    }

    /// By hand: one case with a chance of 1/4 gets beyond 0 when it fails; a limit of 0 lasts 4 cases on average.
    #[test]
    fn a_limit_of_nothing_lasts_until_the_first_failure() {
        let some = Replicates { count: 4000, seed: 6 };
        let chances = [Fraction::new(0.25)];
        let found = *binary_average_run_length(&chances, 2.0, 0.0, some).known().expect("in range");
        assert!((found.average_run_length - 4.0).abs() < 4.0 * found.standard_error, "{found:?}");
        let sums = binary_highest_sums(&chances, 2.0, some);
        let alarms = sums.known().expect("in range").at(0.0).known().expect("in range").false_alarms.value();
        assert!((alarms - 0.25).abs() < 4.0 * 0.0069, "{alarms}");
    }
}
