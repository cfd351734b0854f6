//! The exit codes, a sentence each.

use std::process::{ExitCode, Termination};

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// All went well.
    Done = 0,
    /// The records hold errors; nothing was written.
    Findings = 1,
    /// The command was not understood, or names something that doesn't exist.
    Usage = 2,
    /// The result could not be written.
    NotWritten = 3,
    /// The registry is damaged.
    Damaged = 4,
}

/// The exit codes for the help.
pub const HELP: &str = "Exit codes:
  0  all went well
  1  the records hold errors; nothing was written
  2  the command was not understood, or names something that doesn't exist
  3  the result could not be written
  4  the registry is damaged";

impl Termination for Exit {
    fn report(self) -> ExitCode {
        ExitCode::from(self as u8)
    }
}
