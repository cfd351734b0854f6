//! One file a command: parse, call, print.
//!
//! - [`review`]: record files to a review
//! - [`invent`]: an invented practice as record files
//! - [`init`], [`ingest`], [`history`], [`verify`], [`withdraw`]: keeping records in a registry
//! - `keeping`: what these five share
//! - [`exit`]: the exit codes

pub mod exit;
pub mod history;
pub mod ingest;
pub mod init;
pub mod invent;
mod keeping;
pub mod review;
pub mod verify;
pub mod withdraw;

use clap::{Parser, Subcommand};

use exit::Exit;

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
    /// Make the record files of an invented practice, to try things out.
    Invent(invent::InventArguments),
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
}

/// Runs the command that the arguments ask for.
pub fn run() -> Exit {
    match Arguments::try_parse() {
        Ok(Arguments { command: Command::Review(arguments) }) => review::run(&arguments),
        Ok(Arguments { command: Command::Invent(arguments) }) => invent::run(&arguments),
        Ok(Arguments { command: Command::Init(arguments) }) => init::run(&arguments),
        Ok(Arguments { command: Command::Ingest(arguments) }) => ingest::run(&arguments),
        Ok(Arguments { command: Command::History(arguments) }) => history::run(&arguments),
        Ok(Arguments { command: Command::Verify(arguments) }) => verify::run(&arguments),
        Ok(Arguments { command: Command::Withdraw(arguments) }) => withdraw::run(&arguments),
        Err(error) => {
            let _ = error.print();
            if error.use_stderr() { Exit::Usage } else { Exit::Done }
        }
    }
}
