//! `plan`: how many restorations a comparison needs, or what so many can find.

use clap::Args;

use super::answering::{Telling, misused, tell};
use super::exit::Exit;
use super::plan_asked::asked;
use super::reading::{Stop, ended, progress};
use crate::planning::{answer, text};

/// A formula for times, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum EventsFormulaAsked {
    /// From the variance of the log-rank score at small differences.
    #[default]
    Schoenfeld,
    /// From the expected split of the failures; more cautious for equal groups.
    Freedman,
}

/// A formula for shares, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum SharesFormulaAsked {
    /// With the variance of the pooled share.
    #[default]
    Pooled,
    /// With that of each group's own share.
    Unpooled,
    /// The pooled one, corrected for continuity: for exact tests.
    ContinuityCorrected,
}

/// To what a group is given, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum UnitAsked {
    /// All restorations of a patient are in one group.
    #[default]
    WholePatients,
    /// Each patient has restorations in both groups.
    WithinPatients,
    /// Each restoration by lot, whoever the patient is.
    Restorations,
}

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArguments {
    /// Share of the first group still in place after --after-years, such as 0.9.
    #[arg(long, value_name = "SHARE", help_heading = "The difference")]
    pub(super) kept: Option<f64>,
    /// The years after which --kept and --kept-second are in place.
    #[arg(long, value_name = "YEARS", help_heading = "The difference")]
    pub(super) after_years: Option<f64>,
    /// Instead of --kept: the share of the first group's restorations in place that fail in a year, such as 0.03.
    #[arg(long, value_name = "SHARE", conflicts_with_all = ["kept", "after_years"], help_heading = "The difference")]
    pub(super) fail_yearly: Option<f64>,
    /// How many times as fast the second group fails: the ratio of hazards that is to be found.
    #[arg(long, value_name = "RATIO", help_heading = "The difference")]
    pub(super) ratio: Option<f64>,
    /// Instead of --ratio: the share of the second group still in place after --after-years.
    #[arg(long, value_name = "SHARE", requires = "kept", conflicts_with = "ratio", help_heading = "The difference")]
    pub(super) kept_second: Option<f64>,
    /// Instead of times to failure: the shares of the two groups that fail within --follow, such as 0.1,0.05.
    #[arg(
        long,
        value_name = "SHARE,SHARE",
        value_delimiter = ',',
        conflicts_with_all = ["kept", "after_years", "fail_yearly", "ratio", "kept_second"],
        help_heading = "The difference"
    )]
    pub(super) failed_shares: Vec<f64>,
    /// How many restorations there are, over both groups: tells what these find instead of how many are needed.
    #[arg(long, value_name = "NUMBER", help_heading = "The comparison")]
    pub(super) restorations: Option<u64>,
    /// The chance wanted to find the difference.
    #[arg(long, value_name = "CHANCE", default_value_t = 0.8, help_heading = "The comparison")]
    pub(super) power: f64,
    /// 1 less the two-sided significance level.
    #[arg(long, value_name = "LEVEL", default_value_t = 0.95, help_heading = "The comparison")]
    pub(super) confidence: f64,
    /// Restorations in the second group for each one in the first.
    #[arg(long, value_name = "NUMBER", default_value_t = 1.0, help_heading = "The comparison")]
    pub(super) allocation: f64,
    /// How failures are counted that times need; both ways are shown, and this one is the answer [default: schoenfeld].
    #[arg(long, value_enum, value_name = "FORMULA", help_heading = "The comparison")]
    pub(super) formula: Option<EventsFormulaAsked>,
    /// The same for shares [default: pooled].
    #[arg(long, value_enum, value_name = "FORMULA", help_heading = "The comparison")]
    pub(super) shares_formula: Option<SharesFormulaAsked>,
    /// For how many years the last patient to come is followed.
    #[arg(long, value_name = "YEARS", help_heading = "Coming and following")]
    pub(super) follow: f64,
    /// Over how many years patients come, evenly; 0 if all at once.
    #[arg(long, value_name = "YEARS", default_value_t = 1.0, help_heading = "Coming and following")]
    pub(super) coming: f64,
    /// Share of those still followed who are lost to recall in a year.
    #[arg(long, value_name = "SHARE", default_value_t = 0.05, help_heading = "Coming and following")]
    pub(super) lost_yearly: f64,
    /// Numbers or shares of the patients with 1, 2, 3, … restorations: 50,30,20 means half have one [default: each has one].
    #[arg(long, value_name = "NUMBER", value_delimiter = ',', help_heading = "Patients")]
    pub(super) sizes: Vec<f64>,
    /// How alike two restorations of a patient fare: the correlation of having failed, 0 if not at all.
    #[arg(long, value_name = "NUMBER", conflicts_with = "frailty_variance", help_heading = "Patients")]
    pub(super) correlation: Option<f64>,
    /// Instead of --correlation: the variance of the frailty that restorations of a patient share, as `estimate --want frailty` finds it.
    #[arg(long, value_name = "NUMBER", help_heading = "Patients")]
    pub(super) frailty_variance: Option<f64>,
    /// To what a group is given.
    #[arg(long, value_enum, value_name = "UNIT", default_value_t = UnitAsked::WholePatients, help_heading = "Patients")]
    pub(super) given_to: UnitAsked,
    /// How many trials are drawn to check the formulas; 0 for none.
    #[arg(long, value_name = "NUMBER", default_value_t = 1000, help_heading = "Drawn trials")]
    pub(super) trials: u64,
    /// Where the random numbers start; the same number gives the same results.
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "Drawn trials")]
    pub(super) seed: u64,
    /// Weibull shape of the times to failure: above 1 the rate of failure rises with time.
    #[arg(long, value_name = "NUMBER", default_value_t = 1.0, help_heading = "Drawn trials")]
    pub(super) shape: f64,
    /// Failures are found only at recalls so many months apart [default: on their day].
    #[arg(long, value_name = "MONTHS", value_parser = clap::value_parser!(u16).range(1..=600), help_heading = "Drawn trials")]
    pub(super) recall_months: Option<u16>,
    #[command(flatten)]
    telling: Telling,
}

/// Runs `plan`.
pub fn run(arguments: &PlanArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &PlanArguments) -> Result<(), Stop> {
    let asked = asked(arguments)?;
    if asked.trials > 0 {
        progress("drawing trials");
    }
    let answers = answer::answer(&asked).map_err(misused)?;
    tell(&arguments.telling, &answers, || text::table(&answers))
}
