//! `estimate`: times to failure from any field, through the same engine.

use std::io::Write as _;

pub use super::estimate_arguments::EstimateArguments;
use super::estimate_asked::asked;
use super::exit::Exit;
use super::reading::{Stop, ended, progress};
use crate::estimate::columns::{Trouble, read_columns};
use crate::estimate::data::{make_ready, wanted_columns};
use crate::estimate::{answer, text};
use crate::wording::escape_terminal;

/// Runs `estimate`.
pub fn run(arguments: &EstimateArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

/// That the command can't be meant so.
pub(super) fn usage(why: impl std::fmt::Display) -> Stop {
    Stop(Exit::Usage, escaped(&why.to_string()))
}

/// What came from the table or the command may hold anything; line breaks are ours.
fn escaped(text: &str) -> String {
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}

fn try_run(arguments: &EstimateArguments) -> Result<(), Stop> {
    let mut asked = asked(arguments)?;
    progress("reading the table");
    let read = read_columns(&arguments.table, &wanted_columns(&asked)).map_err(|trouble| match trouble {
        Trouble::Command(why) => usage(why),
        Trouble::Table(why) => Stop(Exit::Findings, escaped(&why)),
    })?;
    if read.unreadable_count > 0 {
        return Err(Stop(Exit::Findings, text::unreadable(&read)));
    }
    progress("estimating");
    let data =
        make_ready(&mut asked, read, arguments.leave_out_incomplete).map_err(|why| Stop(Exit::Findings, escaped(&why)))?;
    let answers = answer::answer(&mut asked, &data).map_err(usage)?;
    if arguments.json {
        return tell(&answer::json(&answers));
    }
    if let Some(path) = &arguments.out {
        std::fs::write(path, answer::json(&answers))
            .map_err(|error| Stop(Exit::NotWritten, format!("{} can't be written: {error}.\n", path.display())))?;
    }
    tell(&text::table(&answers))
}

/// Writes to standard output. A reader that has gone away is no error; a full disk is.
fn tell(text: &str) -> Result<(), Stop> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Stop(Exit::NotWritten, format!("The result can't be written: {error}.\n")))
        }
        _ => Ok(()),
    }
}
