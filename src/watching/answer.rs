//! Failures against the benchmark: over the calendar, and unit by unit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{LimitAsked, WatchAsked};
use super::data::WatchData;
use super::judged::{Judged, judge};
use super::sentence;
use crate::estimate::data::LeftOut;
use crate::quantity::{Behind, Day, Days, Known, WhyNotKnown};
use crate::stats::{
    Cusum, FalseAlarmLimit, Funnel, HighestSums, PeriodWatched, RunLengthLimit, Watched, cusum, funnel_of_ratios,
    run_length_limit,
};

/// All that is answered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WatchAnswers {
    /// The answer in a sentence.
    pub answer: String,
    /// What was asked, defaults filled in.
    pub asked: WatchAsked,
    /// Rows received.
    pub rows: u64,
    /// Rows left out.
    pub left_out: Vec<LeftOut>,
    /// How many stand behind it, within the period watched.
    pub behind: Behind,
    /// First day watched.
    pub first_day: Day,
    /// Last day watched.
    pub last_day: Day,
    /// How many were followed longer than the benchmark reaches; they count up to its last day.
    pub past_benchmark: u64,
    /// The limit, and how often chance alone exceeds it within the period watched.
    pub limit: FalseAlarmLimit,
    /// How many failures are expected, on average, until chance alone exceeds the limit; where it was set by that.
    pub run_length: Option<RunLengthLimit>,
    /// The path of the sum.
    pub path: Cusum,
    /// Units side by side, where they were named.
    pub funnel: Option<NamedFunnel>,
    /// Each restoration judged once, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged: Option<Judged>,
    /// What to be careful about.
    pub cautions: Vec<String>,
}

/// Units side by side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NamedFunnel {
    /// The names of the units, in their order.
    pub names: Vec<String>,
    /// The units, in the same order.
    pub funnel: Funnel,
}

/// Why there is no answer, with how to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoAnswer {
    /// The command can't be meant so.
    Command(String),
    /// The table gives nothing to answer from.
    Table(String),
}

/// The most replicates times what each of them takes, some minutes' work.
const MOST_DRAWN: f64 = 2e10;

/// Answers.
///
/// # Errors
/// A sentence with how to mend it.
pub fn answer(asked: &WatchAsked, data: &WatchData) -> Result<WatchAnswers, NoAnswer> {
    let command = |text: &str| NoAnswer::Command(text.to_owned());
    let Known::Known(benchmark) = asked.benchmark.hazard() else {
        return Err(command(
            "The benchmark is no curve that failures can be held against: its years must rise, its shares fall and end above 0 and below 1.\nMend: give it such as --benchmark-kept 1=0.97,5=0.85.",
        ));
    };
    let period = PeriodWatched { first: asked.first, last: asked.last };
    let watched = match Watched::new(&data.observations, &data.origins, &benchmark, period) {
        Known::Known(watched) => watched,
        Known::NotKnown(WhyNotKnown::NoObservations) => {
            return Err(NoAnswer::Table(
                "No restoration was followed within the period watched.\nMend: give another --from-day and --to-day, or a benchmark that reaches as far.".to_owned(),
            ));
        }
        Known::NotKnown(_) => {
            return Err(NoAnswer::Table(
                "The days lie further apart than any practice is watched.\nMend: look for a year that was mistyped."
                    .to_owned(),
            ));
        }
    };
    let series = watched.series();
    let expected = series.expected_failures();
    if expected <= 0.0 {
        return Err(NoAnswer::Table(
            "The benchmark lets no failure be expected in the time watched.\nMend: give a benchmark under which some fail."
                .to_owned(),
        ));
    }
    let work = f64::from(asked.replicates.count)
        * if asked.frailty_variance.is_some() { (series.observed.len() + data.observations.len()) as f64 } else { expected };
    if work > MOST_DRAWN {
        return Err(command("So many replicates would take too long to draw.\nMend: give fewer --replicates."));
    }
    let highest = match asked.frailty_variance {
        Some(variance) => HighestSums::of_clusters(&watched, asked.ratio, variance, asked.replicates),
        None => HighestSums::of_independent(asked.ratio, expected, asked.replicates),
    };
    let run_length = match asked.limit {
        LimitAsked::RunLength(length) => match run_length_limit(asked.ratio, length, asked.replicates) {
            Known::Known(found) => Some(found),
            Known::NotKnown(_) => {
                return Err(command(
                    "No limit gives that run length: even a limit of 0 lets the sum run longer, or it is too long to draw.\nMend: give another --run-length, such as 50.",
                ));
            }
        },
        _ => None,
    };
    let limit = match highest {
        Known::Known(highest) => match (asked.limit, run_length) {
            (LimitAsked::FalseAlarms(probability), _) => highest.limit(probability),
            (LimitAsked::At(limit), _) => highest.at(limit),
            (LimitAsked::RunLength(_), found) => highest.at(found.map_or(0.0, |found| found.limit)),
        },
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    let Known::Known(limit) = limit else {
        return Err(command(
            "No limit can be drawn so: at least one replicate must be allowed beyond it.\nMend: give more --replicates, or more --false-alarms.",
        ));
    };
    let Known::Known(path) = cusum(&series, asked.ratio, Some(limit.limit), asked.after_signal) else {
        return Err(command("The sum can't be followed with this ratio.\nMend: give one such as --look-for 2."));
    };
    let last = i32::try_from(series.observed.len()).unwrap_or(i32::MAX) - 1;
    let mut answers = WatchAnswers {
        answer: String::new(),
        asked: asked.clone(),
        rows: data.received,
        left_out: data.left_out.clone(),
        behind: series.behind,
        first_day: series.first_day,
        last_day: series.first_day + Days::new(last),
        past_benchmark: series.past_benchmark,
        limit,
        run_length,
        path,
        funnel: None,
        judged: asked.judged_after.map(|after| judge(asked, after, data, &benchmark)).transpose()?,
        cautions: Vec::new(),
    };
    if let Some((names, grouping)) = &data.units {
        let Known::Known(funnel) = funnel_of_ratios(&data.observations, grouping, &benchmark, asked.funnel) else {
            return Err(NoAnswer::Table(
                "No unit has a restoration.\nMend: name the column of the units with --unit.".to_owned(),
            ));
        };
        answers.funnel = Some(NamedFunnel { names: names.clone(), funnel });
    }
    answers.cautions = sentence::cautions(&answers);
    answers.answer = sentence::answer(&answers);
    Ok(answers)
}
