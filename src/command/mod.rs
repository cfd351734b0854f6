//! One file a command: parse, call, print.
//!
//! - [`review`]: record files to a review
//! - [`compare`]: record files to a comparison of the levels of one factor
//! - [`invent`]: an invented practice as record files
//! - [`protocol`]: the built-in protocol, to copy and change
//! - [`check`]: record files read and checked, nothing kept
//! - [`draft`]: a declaration of record files, drafted from what they show
//! - [`reading`]: what every command that takes records does first
//! - [`template`]: blank record files
//! - [`explain`]: what a finding is, why it matters, how to mend it
//! - [`init`], [`ingest`], [`history`], [`verify`], [`withdraw`]: keeping records in a registry
//! - `staging`: records on their way into a registry, with memory that doesn't grow with them
//! - `keeping`: what the commands around a registry share
//! - [`export`]: what a registry keeps, as record files
//! - [`estimate`]: times to failure from any field, through the same engine; [`estimate_arguments`]: what it can be told
//! - [`scores`]: scores from any field, compared and held against each other
//! - `answering`: what commands that answer questions about a table share
//! - [`plan`]: how many restorations a comparison needs; `plan_asked`: what its arguments mean
//! - [`watch`]: failures against a benchmark, over the calendar and unit by unit; `watch_asked`: what its arguments mean
//! - [`figures`]: charts for a talk or a paper from a finished result; `figures_asked`: what is asked for
//! - [`exit`]: the exit codes

mod answering;
pub mod check;
pub mod compare;
pub mod draft;
pub mod estimate;
pub mod estimate_arguments;
mod estimate_asked;
mod estimate_ends;
mod estimate_weights;
pub mod exit;
pub mod explain;
pub mod export;
pub mod figures;
mod figures_asked;
mod follow_up_file;
pub mod history;
pub mod ingest;
pub mod init;
pub mod invent;
mod keeping;
pub mod plan;
mod plan_asked;
pub mod protocol;
pub mod reading;
pub mod review;
pub mod scores;
mod staging;
pub mod template;
pub mod verify;
pub mod watch;
mod watch_asked;
pub mod withdraw;

use std::error::Error as _;
use std::io::Write as _;
use std::num::{IntErrorKind, ParseFloatError, ParseIntError};

use clap::error::{ContextKind, ContextValue};
use clap::{Parser, Subcommand};

use exit::Exit;

use crate::wording::escape_terminal;

/// How long do cervical fillings last, and does what was done at the chair go with it? Reads placement and recall records,
/// checks them, and writes a review with honest uncertainty.
#[derive(Debug, Parser)]
#[command(name = "manebit", version, after_help = exit::HELP)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Read record files, check them, and write a review.
    Review(review::ReviewArguments),
    /// Hold the levels of one factor against each other: what may be said, crude and adjusted.
    Compare(compare::CompareArguments),
    /// Read record files and check them; nothing is kept.
    Check(check::CheckArguments),
    /// Draft records.toml, which says how your files are written, from the files themselves.
    Draft(draft::DraftArguments),
    /// Start a registry, which keeps records for years.
    Init(init::InitArguments),
    /// Check record files and keep them in a registry.
    Ingest(ingest::IngestArguments),
    /// List what a registry accepted, batch by batch.
    History(history::HistoryArguments),
    /// Check every byte of a registry.
    Verify(verify::VerifyArguments),
    /// Take all records of a patient out of a registry.
    Withdraw(withdraw::WithdrawArguments),
    /// Write what a registry keeps as record files, for other programs or another registry.
    Export(export::ExportArguments),
    /// Make the record files of an invented practice, to try things out.
    Invent(invent::InventArguments),
    /// Print the built-in protocol: what counts as failure, and how results are computed; to copy and change.
    Protocol,
    /// Make blank record files, as CSV and as a workbook with lists to choose from.
    Template(template::TemplateArguments),
    /// Estimate from a table of times of any field: survival, tests, regression, with the same engine.
    Estimate(Box<estimate::EstimateArguments>),
    /// Compare scores from a table of any field: shares, ranks, pairs, agreement of examiners.
    Scores(Box<scores::ScoresArguments>),
    /// Tell how many restorations a comparison needs, or what so many can find; no table is needed.
    Plan(Box<plan::PlanArguments>),
    /// Watch failures against a benchmark: when they got too many, and which operators or lots lie outside what chance explains.
    Watch(Box<watch::WatchArguments>),
    /// Draw figures for a talk or a paper from a finished review or comparison.
    Figures(Box<figures::FiguresArguments>),
    /// Say what a finding is, why it matters and how to mend it; without a code, list all of them.
    Explain(explain::ExplainArguments),
}

/// Prints to standard output. A reader that has gone away, such as a pager that was closed, is no error.
pub(crate) fn say(text: &str) {
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
}

/// Prints a line to standard output, as [`say`] does.
macro_rules! say_line {
    ($($part:tt)*) => { $crate::command::say(&format!("{}\n", format_args!($($part)*))) };
}
pub(crate) use say_line;

/// Runs the command that the arguments ask for.
pub fn run() -> Exit {
    match Arguments::try_parse() {
        Ok(Arguments { command: Command::Review(arguments) }) => review::run(&arguments),
        Ok(Arguments { command: Command::Compare(arguments) }) => compare::run(&arguments),
        Ok(Arguments { command: Command::Check(arguments) }) => check::run(&arguments),
        Ok(Arguments { command: Command::Draft(arguments) }) => draft::run(&arguments),
        Ok(Arguments { command: Command::Invent(arguments) }) => invent::run(&arguments),
        Ok(Arguments { command: Command::Protocol }) => protocol::run(),
        Ok(Arguments { command: Command::Template(arguments) }) => template::run(&arguments),
        Ok(Arguments { command: Command::Explain(arguments) }) => explain::run(&arguments),
        Ok(Arguments { command: Command::Init(arguments) }) => init::run(&arguments),
        Ok(Arguments { command: Command::Ingest(arguments) }) => ingest::run(&arguments),
        Ok(Arguments { command: Command::History(arguments) }) => history::run(&arguments),
        Ok(Arguments { command: Command::Verify(arguments) }) => verify::run(&arguments),
        Ok(Arguments { command: Command::Withdraw(arguments) }) => withdraw::run(&arguments),
        Ok(Arguments { command: Command::Export(arguments) }) => export::run(&arguments),
        Ok(Arguments { command: Command::Estimate(arguments) }) => estimate::run(&arguments),
        Ok(Arguments { command: Command::Scores(arguments) }) => scores::run(&arguments),
        Ok(Arguments { command: Command::Plan(arguments) }) => plan::run(&arguments),
        Ok(Arguments { command: Command::Watch(arguments) }) => watch::run(&arguments),
        Ok(Arguments { command: Command::Figures(arguments) }) => figures::run(&arguments),
        Err(error) => {
            if let Some(said) = no_number(&error) {
                let _ = std::io::stderr().lock().write_all(said.as_bytes());
                return Exit::Usage;
            }
            let _ = error.print();
            if error.use_stderr() { Exit::Usage } else { Exit::Done }
        }
    }
}

/// What is wrong with a value that is no number, in words for people.
fn no_number(error: &clap::Error) -> Option<String> {
    let cause = error.source()?;
    if !cause.is::<ParseFloatError>() && !cause.is::<ParseIntError>() {
        return None;
    }
    let told = |kind: ContextKind| match error.get(kind)? {
        ContextValue::String(text) => Some(escape_terminal(text)),
        _ => None,
    };
    let (value, option) = (told(ContextKind::InvalidValue)?, told(ContextKind::InvalidArg)?);
    let whole = cause.downcast_ref::<ParseIntError>();
    if whole.is_some_and(|error| *error.kind() == IntErrorKind::PosOverflow) {
        return Some(format!("{value} is too large a number for {option}.\nMend: give a smaller one.\n"));
    }
    let way = if whole.is_some() { "in digits alone, such as 12" } else { "in digits with a point: 0.05, not 0,05 or 5 %" };
    Some(format!("“{value}” is not a number, and {option} takes one.\nMend: write it {way}.\n"))
}
