//! Each restoration judged once, so long after it was placed: failed by then or not, against the benchmark's share.
//!
//! Judged are those placed so long before the last day of the table that they could have been followed so far, from the day placed on. Of
//! these, one that failed by then failed, and one followed so far did not. One whose following ended before, for another reason, is judged
//! as far as it was followed: its chance of failure is that which the benchmark gives it up to its last day, and in a share it counts as
//! the part that this chance is of the whole one. Leaving it out would raise the share, since those who failed before they could be lost
//! are all in. What that takes for granted is that those lost would have fared like the others. Whoever would have been lost before the
//! day, had the filling not failed sooner, counts as whole: a few more failures are expected than should be, which is on the safe side.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::answer::{NamedFunnel, NoAnswer};
use super::asked::{LimitAsked, WatchAsked};
use super::data::WatchData;
use crate::quantity::{Day, Days, Fraction, Known};
use crate::stats::{
    BenchmarkHazard, BinaryCusum, BinaryOutcome, Ending, FalseAlarmLimit, Grouping, RunLengthLimit, binary_cusum,
    binary_highest_sums, binary_run_length_limit, funnel_of_shares,
};

/// Restorations judged once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Judged {
    /// How long after it was placed each is judged.
    pub after: Days,
    /// The share that the benchmark lets fail by then.
    pub expected_share: Fraction,
    /// How many are judged.
    pub judged: u64,
    /// Of these, how many were followed for less, without a failure; each counts in part.
    pub in_part: u64,
    /// All that are judged, each as the part that it counts: of so many is the share.
    pub as_cases: f64,
    /// Placed early enough, but followed only from a later day on, or so shortly that the benchmark lets none fail by then.
    pub not_judged: u64,
    /// The limit, and how often chance alone exceeds it over so many cases.
    pub limit: FalseAlarmLimit,
    /// How many cases come, on average, until chance alone exceeds it; where it was set by that.
    pub run_length: Option<RunLengthLimit>,
    /// The sum, case by case in the order of the days judged.
    pub path: BinaryCusum,
    /// The day judged of each signal.
    pub signal_days: Vec<Day>,
    /// Units side by side by their shares, where they were named.
    pub funnel: Option<NamedFunnel>,
}

/// One restoration judged.
struct Case {
    day: Day,
    row: usize,
    failed: bool,
    /// The chance that it failed as far as it was followed, with the benchmark true.
    chance: Fraction,
}

/// Judges each restoration once.
///
/// # Errors
/// A sentence with how to mend it.
pub fn judge(asked: &WatchAsked, after: Days, data: &WatchData, benchmark: &BenchmarkHazard) -> Result<Judged, NoAnswer> {
    let command = |text: &str| NoAnswer::Command(text.to_owned());
    if benchmark.last_day().is_some_and(|last| last < after) {
        return Err(command(
            "The benchmark doesn't reach as far as --judged-after.\nMend: give a benchmark that does, or judge earlier.",
        ));
    }
    let share = -libm::expm1(-benchmark.cumulative_hazard(after));
    if !(share > 0.0 && share < 1.0) {
        return Err(command("The benchmark lets none fail by --judged-after.\nMend: judge later."));
    }
    let expected_share = Fraction::new(share);
    let rows = &data.observations;
    let last = (0..rows.len()).map(|row| data.origins[row] + Days::new(rows.exit()[row])).max();
    let Some(last) = last else { return Err(NoAnswer::Table("The table has no rows.\nMend: export it again.".to_owned())) };
    let mut cases: Vec<Case> = Vec::new();
    let (mut in_part, mut not_judged) = (0, 0);
    for row in (0..rows.len()).filter(|&row| data.origins[row] + after <= last) {
        let exit = Days::new(rows.exit()[row]);
        let failed = rows.ending()[row] == Ending::Failed && exit <= after;
        let whole = failed || exit >= after;
        let chance = if whole { share } else { -libm::expm1(-benchmark.cumulative_hazard(exit)) };
        if rows.entry()[row] > 0 || chance <= 0.0 {
            not_judged += 1;
            continue;
        }
        in_part += u64::from(!whole);
        cases.push(Case { day: data.origins[row] + after, row, failed, chance: Fraction::new(chance) });
    }
    if cases.is_empty() {
        return Err(NoAnswer::Table(
            "No restoration can be judged so long after it was placed.\nMend: judge earlier, with --judged-after."
                .to_owned(),
        ));
    }
    cases.sort_unstable_by_key(|case| (case.day, case.row));
    let outcomes: Vec<BinaryOutcome> =
        cases.iter().map(|case| BinaryOutcome { expected: case.chance, failed: case.failed }).collect();
    let chances: Vec<Fraction> = cases.iter().map(|case| case.chance).collect();
    let parts: Vec<Fraction> = chances.iter().map(|chance| Fraction::new(chance.value() / share)).collect();
    let run_length = match asked.limit {
        LimitAsked::RunLength(length) => match binary_run_length_limit(&chances, asked.ratio, length, asked.replicates) {
            Known::Known(found) => Some(found),
            Known::NotKnown(_) => {
                return Err(command(
                    "No limit gives that run length to restorations judged once.\nMend: give another --run-length, such as 100.",
                ));
            }
        },
        _ => None,
    };
    let limit = match binary_highest_sums(&chances, asked.ratio, asked.replicates) {
        Known::Known(highest) => match (asked.limit, run_length) {
            (LimitAsked::FalseAlarms(probability), _) => highest.limit(probability),
            (LimitAsked::At(limit), _) => highest.at(limit),
            (LimitAsked::RunLength(_), found) => highest.at(found.map_or(0.0, |found| found.limit)),
        },
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    let path = limit.known().map(|limit| binary_cusum(&outcomes, asked.ratio, Some(limit.limit), asked.after_signal));
    let (Known::Known(limit), Some(Known::Known(path))) = (limit, path) else {
        return Err(command(
            "No limit can be drawn for restorations judged once.\nMend: give more --replicates, or more --false-alarms.",
        ));
    };
    let signal_days = path.signals.iter().filter_map(|&place| Some(cases.get(usize::try_from(place).ok()?)?.day)).collect();
    let funnel = match &data.units {
        None => None,
        Some((names, grouping)) => {
            let codes = cases.iter().map(|case| grouping.codes()[case.row]).collect();
            let grouping = Grouping::new(codes, grouping.levels()).unwrap_or_default();
            let clusters: Vec<u32> = cases.iter().map(|case| rows.cluster()[case.row]).collect();
            let failed: Vec<bool> = cases.iter().map(|case| case.failed).collect();
            match funnel_of_shares(&failed, Some(&parts), &clusters, &grouping, Some(expected_share), asked.funnel) {
                Known::Known(funnel) => Some(NamedFunnel { names: names.clone(), funnel }),
                Known::NotKnown(_) => None,
            }
        }
    };
    Ok(Judged {
        after,
        expected_share,
        judged: cases.len() as u64,
        in_part,
        as_cases: parts.iter().map(|part| part.value()).sum(),
        not_judged,
        limit,
        run_length,
        path,
        signal_days,
        funnel,
    })
}
