//! What the arguments of `watch` mean, or why they can't be meant so.

use super::answering::misused;
use super::reading::Stop;
use super::watch::{SpreadAsked, WatchArguments};
use crate::quantity::{AnnualRate, ConfidenceLevel, DAYS_PER_YEAR, Days, Fraction, Years};
use crate::stats::{AfterSignal, FunnelOptions, FunnelSpread, Replicates};
use crate::watching::asked::{Benchmark, LimitAsked, WatchAsked, WatchRoles};

/// Units with fewer restorations are described only, unless told otherwise.
const SMALLEST: u64 = 20;

fn level(option: &str, value: Option<f64>, usual: ConfidenceLevel) -> Result<ConfidenceLevel, Stop> {
    let Some(value) = value else { return Ok(usual) };
    ConfidenceLevel::new(value).ok_or_else(|| {
        misused(format!("--{option} {value} does not lie between 0 and 1.\nMend: give a level such as --{option} 0.95."))
    })
}

/// What is asked.
///
/// # Errors
/// A sentence with how to mend it, when options contradict each other.
pub(super) fn asked(arguments: &WatchArguments) -> Result<WatchAsked, Stop> {
    let ratio = arguments.look_for;
    if !(ratio > 0.0 && ratio <= 1000.0 && (ratio - 1.0).abs() > 1e-9) {
        return Err(misused(format!(
            "--look-for {ratio} is no ratio that can be looked for: it lies above 0 and is not 1.\nMend: give one such as --look-for 2 for twice the failures."
        )));
    }
    if arguments.failure == arguments.censored {
        return Err(misused(format!(
            "“{}” can't mean both.\nMend: give --failure and --censored different values.",
            arguments.failure
        )));
    }
    if let (Some(first), Some(last)) = (arguments.from_day, arguments.to_day)
        && first > last
    {
        return Err(misused(format!("--from-day {first} lies after --to-day {last}.\nMend: give the earlier day first.")));
    }
    if arguments.frailty_variance.is_some_and(|variance| !(0.0..=100.0).contains(&variance)) {
        return Err(misused(
            "--frailty-variance takes a number from 0 to 100.\nMend: give one such as --frailty-variance 0.8.",
        ));
    }
    let usual = FunnelOptions::usual(arguments.smallest.unwrap_or(SMALLEST));
    let (inner, outer) = (level("inner", arguments.inner, usual.inner)?, level("outer", arguments.outer, usual.outer)?);
    if inner.value() >= outer.value() {
        return Err(misused(
            "The inner limits must lie inside the outer ones.\nMend: give --inner a lower level than --outer.",
        ));
    }
    let spread = match arguments.spread.unwrap_or_default() {
        SpreadAsked::Chance => FunnelSpread::Chance,
        SpreadAsked::WithinPatients => FunnelSpread::WithinClusters,
        SpreadAsked::BetweenUnits => FunnelSpread::BetweenUnits,
        SpreadAsked::Larger => FunnelSpread::Larger,
    };
    Ok(WatchAsked {
        roles: WatchRoles {
            placed: arguments.placed.clone(),
            ended: arguments.ended.clone(),
            days: arguments.days.clone(),
            followed_from: arguments.followed_from.clone(),
            cause: arguments.cause.clone(),
            failure: arguments.failure.clone(),
            censored: arguments.censored.clone(),
            cluster: arguments.cluster.clone(),
            unit: arguments.unit.clone(),
        },
        benchmark: benchmark(arguments)?,
        ratio,
        limit: limit(arguments)?,
        after_signal: if arguments.go_on { AfterSignal::GoOn } else { AfterSignal::StartAgain },
        first: arguments.from_day,
        last: arguments.to_day,
        frailty_variance: arguments.frailty_variance,
        replicates: Replicates { count: arguments.replicates, seed: arguments.seed },
        funnel: FunnelOptions { spread, inner, outer, ..usual },
        judged_after: judged_after(arguments.judged_after)?,
    })
}

fn judged_after(years: Option<f64>) -> Result<Option<Days>, Stop> {
    let Some(years) = years else { return Ok(None) };
    let days = years * DAYS_PER_YEAR;
    if !(days >= 1.0 && years <= 100.0) {
        return Err(misused(format!(
            "--judged-after {years} is no time that a restoration can be judged after.\nMend: give years such as --judged-after 2."
        )));
    }
    #[expect(clippy::cast_possible_truncation, reason = "at most a hundred years")]
    let days = days.round() as i32;
    Ok(Some(Days::new(days)))
}

fn benchmark(arguments: &WatchArguments) -> Result<Benchmark, Stop> {
    if let Some(rate) = arguments.benchmark_rate {
        if !(rate > 0.0 && rate <= 10.0) {
            return Err(misused(format!(
                "--benchmark-rate {rate} is no yearly rate of failure: it lies above 0 and up to 10.\nMend: give 3 % a year as --benchmark-rate 0.03."
            )));
        }
        return Ok(Benchmark::YearlyRate(AnnualRate::new(rate)));
    }
    let mut points: Vec<(Days, Fraction)> = Vec::new();
    for text in &arguments.benchmark_kept {
        let pair = text
            .split_once('=')
            .and_then(|(years, share)| Some((years.trim().parse::<f64>().ok()?, share.trim().parse::<f64>().ok()?)));
        let pair = pair.filter(|(years, share)| *years > 0.0 && *years <= 100.0 && *share > 0.0 && *share <= 1.0);
        let Some((years, share)) = pair else {
            return Err(misused(format!(
                "“{text}” is no share in place after years.\nMend: give years and shares such as --benchmark-kept 1=0.97,5=0.85."
            )));
        };
        let point = (Years::new(years).days(), Fraction::new(share));
        if points.last().is_some_and(|before| point.0 <= before.0 || point.1.value() > before.1.value()) {
            return Err(misused(format!(
                "At “{text}” the benchmark goes back in time, or more are in place than before.\nMend: give rising years with shares that fall or stay."
            )));
        }
        points.push(point);
    }
    if points.last().is_none_or(|last| last.1.value() >= 1.0) {
        return Err(misused(
            "Under this benchmark nobody would ever fail.\nMend: give a share below 1, such as --benchmark-kept 5=0.85.",
        ));
    }
    Ok(Benchmark::Kept(points))
}

fn limit(arguments: &WatchArguments) -> Result<LimitAsked, Stop> {
    if let Some(limit) = arguments.limit {
        if !(0.0..1e6).contains(&limit) {
            return Err(misused(format!(
                "--limit {limit} is no height of the sum.\nMend: give a number from 0 on, such as --limit 3."
            )));
        }
        return Ok(LimitAsked::At(limit));
    }
    if let Some(length) = arguments.run_length {
        if !(length > 0.0 && length <= 10_000.0) {
            return Err(misused(format!(
                "--run-length {length} does not lie above 0 and up to 10000.\nMend: give a number of failures such as --run-length 100."
            )));
        }
        return Ok(LimitAsked::RunLength(length));
    }
    let chance = arguments.false_alarms.unwrap_or(0.05);
    if !(chance > 0.0 && chance < 1.0) {
        return Err(misused(format!(
            "--false-alarms {chance} does not lie between 0 and 1.\nMend: give a chance such as --false-alarms 0.05."
        )));
    }
    Ok(LimitAsked::FalseAlarms(Fraction::new(chance)))
}
