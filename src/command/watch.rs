//! `watch`: failures against a benchmark, over the calendar and unit by unit.

use std::path::PathBuf;

use clap::Args;

use super::answering::{Cells, Telling, disordered, mind, misused, read, tell};
use super::exit::Exit;
use super::reading::{Stop, ended, progress};
use super::watch_asked::asked;
use crate::quantity::Day;
use crate::watching::answer::{NoAnswer, answer};
use crate::watching::data::{make_ready, wanted_columns};
use crate::watching::text;

/// What widens the limits of the funnel, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum SpreadAsked {
    /// Nothing: chance alone.
    Chance,
    /// That failures of a patient come together.
    WithinPatients,
    /// That units differ by more than chance anyhow; known from ten units on.
    BetweenUnits,
    /// Whichever of the two is known and larger.
    #[default]
    Larger,
}

/// Arguments of `watch`.
#[derive(Debug, Args)]
pub struct WatchArguments {
    /// Table with one row for each restoration: .csv, .parquet, .xlsx or .jsonl.
    table: PathBuf,
    /// Column with the day placed, written as year-month-day.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) placed: String,
    /// Column with the day on which it failed or was last seen.
    #[arg(long, value_name = "COLUMN", required_unless_present = "days", help_heading = "Columns")]
    pub(super) ended: Option<String>,
    /// Instead of --ended: column with the days from the day placed until then.
    #[arg(long, value_name = "COLUMN", conflicts_with = "ended", help_heading = "Columns")]
    pub(super) days: Option<String>,
    /// Column with the day from which it was followed [default: the day placed].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) followed_from: Option<String>,
    /// Column that says how it ended.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) cause: String,
    /// What stands in the column of causes for a failure.
    #[arg(long, value_name = "VALUE", default_value = "1", help_heading = "Columns")]
    pub(super) failure: String,
    /// What stands there for one still in place when last seen. Any other value ends following without a failure, too.
    #[arg(long, value_name = "VALUE", default_value = "0", help_heading = "Columns")]
    pub(super) censored: String,
    /// Column of the patients: their restorations may share their fate.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) cluster: Option<String>,
    /// Column of the operators, lots or the like to put side by side in a funnel.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) unit: Option<String>,
    #[command(flatten)]
    pub(super) cells: Cells,
    /// The benchmark as failures for one restoration-year, such as 0.03.
    #[arg(long, value_name = "RATE", required_unless_present = "benchmark_kept", help_heading = "Benchmark")]
    pub(super) benchmark_rate: Option<f64>,
    /// The benchmark as shares in place after years, such as 1=0.97,5=0.85.
    #[arg(
        long,
        value_name = "YEARS=SHARE",
        value_delimiter = ',',
        conflicts_with = "benchmark_rate",
        help_heading = "Benchmark"
    )]
    pub(super) benchmark_kept: Vec<String>,
    /// How many times the benchmark's failures to look for; below 1, fewer.
    #[arg(long, value_name = "RATIO", default_value_t = 2.0, help_heading = "Cumulative sum")]
    pub(super) look_for: f64,
    /// How likely a false alarm may be within the period watched; sets the limit [default: 0.05].
    #[arg(long, value_name = "CHANCE", help_heading = "Cumulative sum")]
    pub(super) false_alarms: Option<f64>,
    /// Instead: how many failures are to be expected, on average, until a false alarm.
    #[arg(long, value_name = "FAILURES", conflicts_with = "false_alarms", help_heading = "Cumulative sum")]
    pub(super) run_length: Option<f64>,
    /// Instead: the limit itself, fixed before.
    #[arg(long, value_name = "LIMIT", conflicts_with_all = ["false_alarms", "run_length"], help_heading = "Cumulative sum")]
    pub(super) limit: Option<f64>,
    /// After a signal the sum goes on instead of starting again at 0.
    #[arg(long, help_heading = "Cumulative sum")]
    pub(super) go_on: bool,
    /// First day watched [default: the first of all].
    #[arg(long, value_name = "DAY", help_heading = "Cumulative sum")]
    pub(super) from_day: Option<Day>,
    /// Last day watched [default: the last of all].
    #[arg(long, value_name = "DAY", help_heading = "Cumulative sum")]
    pub(super) to_day: Option<Day>,
    /// Variance of the frailty that restorations of a patient share, as `estimate --want frailty` finds it [default: all as
    /// independent].
    #[arg(long, value_name = "NUMBER", requires = "cluster", help_heading = "Cumulative sum")]
    pub(super) frailty_variance: Option<f64>,
    /// How many courses are drawn under the benchmark to set the limit.
    #[arg(long, value_name = "NUMBER", default_value_t = 10_000, value_parser = clap::value_parser!(u32).range(100..), help_heading = "Cumulative sum")]
    pub(super) replicates: u32,
    /// Where the random numbers start; the same number gives the same results.
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "Cumulative sum")]
    pub(super) seed: u64,
    /// Units with fewer restorations are described only [default: 20].
    #[arg(long, value_name = "NUMBER", requires = "unit", help_heading = "Funnel")]
    pub(super) smallest: Option<u64>,
    /// What widens the limits beyond chance [default: larger].
    #[arg(long, value_enum, value_name = "SPREAD", requires = "unit", help_heading = "Funnel")]
    pub(super) spread: Option<SpreadAsked>,
    /// Level of the inner limits [default: 0.95].
    #[arg(long, value_name = "LEVEL", requires = "unit", help_heading = "Funnel")]
    pub(super) inner: Option<f64>,
    /// Level of the outer limits [default: 0.998].
    #[arg(long, value_name = "LEVEL", requires = "unit", help_heading = "Funnel")]
    pub(super) outer: Option<f64>,
    /// Judge each restoration once, too, so many years after it was placed: failed by then or not, against the benchmark's share.
    #[arg(long, value_name = "YEARS", help_heading = "Benchmark")]
    pub(super) judged_after: Option<f64>,
    /// Leave rows out that lack a value, and count them.
    #[arg(long, help_heading = "Columns")]
    leave_out_incomplete: bool,
    #[command(flatten)]
    telling: Telling,
}

/// Runs `watch`.
pub fn run(arguments: &WatchArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &WatchArguments) -> Result<(), Stop> {
    let asked = asked(arguments)?;
    if let Some(rate) = arguments.benchmark_rate.filter(|rate| *rate >= 1.0) {
        let hundreds = 100.0 * rate;
        mind(&format!(
            "--benchmark-rate {rate} is {hundreds:.0} failures in 100 years of fillings; 3 % a year is --benchmark-rate 0.03."
        ));
    }
    let table = &arguments.table;
    let columns = read(table, &wanted_columns(&asked.roles), &arguments.cells)?;
    let in_table = |why: String| disordered(format!("{}: {why}", table.display()));
    let data = make_ready(&asked.roles, columns, arguments.leave_out_incomplete).map_err(in_table)?;
    progress("drawing courses under the benchmark");
    let answers = answer(&asked, &data).map_err(|no| match no {
        NoAnswer::Command(why) => misused(why),
        NoAnswer::Table(why) => in_table(why),
    })?;
    tell(&arguments.telling, &answers, || text::table(&answers))
}
