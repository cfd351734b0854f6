//! Each restoration judged once, so long after it was placed: failed by then or not, against the benchmark's share.
//!
//! Judged are those placed so long before the last day of the table that they could have been followed so far, from the day placed on. Of
//! these, one that failed by then failed; one followed so far did not; one whose following ended before, for another reason, can't be
//! judged and is counted.

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
    /// Placed early enough, but followed for less, without a failure; or followed only from a later day on.
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
    let mut cases: Vec<(Day, usize, bool)> = Vec::new();
    let mut not_judged = 0;
    for row in (0..rows.len()).filter(|&row| data.origins[row] + after <= last) {
        let exit = rows.exit()[row];
        let failed = rows.ending()[row] == Ending::Failed && exit <= after.count();
        if rows.entry()[row] == 0 && (failed || exit >= after.count()) {
            cases.push((data.origins[row] + after, row, failed));
        } else {
            not_judged += 1;
        }
    }
    if cases.is_empty() {
        return Err(NoAnswer::Table(
            "No restoration can be judged so long after it was placed.\nMend: judge earlier, with --judged-after."
                .to_owned(),
        ));
    }
    cases.sort_unstable();
    let outcomes: Vec<BinaryOutcome> =
        cases.iter().map(|case| BinaryOutcome { expected: expected_share, failed: case.2 }).collect();
    let chances = vec![expected_share; cases.len()];
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
    let signal_days = path.signals.iter().filter_map(|&place| Some(cases.get(usize::try_from(place).ok()?)?.0)).collect();
    let funnel = match &data.units {
        None => None,
        Some((names, grouping)) => {
            let codes = cases.iter().map(|case| grouping.codes()[case.1]).collect();
            let grouping = Grouping::new(codes, grouping.levels()).unwrap_or_default();
            let clusters: Vec<u32> = cases.iter().map(|case| rows.cluster()[case.1]).collect();
            let failed: Vec<bool> = cases.iter().map(|case| case.2).collect();
            match funnel_of_shares(&failed, &clusters, &grouping, Some(expected_share), asked.funnel) {
                Known::Known(funnel) => Some(NamedFunnel { names: names.clone(), funnel }),
                Known::NotKnown(_) => None,
            }
        }
    };
    Ok(Judged {
        after,
        expected_share,
        judged: cases.len() as u64,
        not_judged,
        limit,
        run_length,
        path,
        signal_days,
        funnel,
    })
}
