//! One file a command: parse, call, print.
//!
//! - [`review`]: record files to a review
//! - [`invent`]: an invented practice as record files
//! - [`exit`]: the exit codes

pub mod exit;
pub mod invent;
pub mod review;

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
}

/// Runs the command that the arguments ask for.
pub fn run() -> Exit {
    match Arguments::try_parse() {
        Ok(Arguments { command: Command::Review(arguments) }) => review::run(&arguments),
        Ok(Arguments { command: Command::Invent(arguments) }) => invent::run(&arguments),
        Err(error) => {
            let _ = error.print();
            if error.use_stderr() { Exit::Usage } else { Exit::Done }
        }
    }
}
