//! What the commands that answer questions about a table share: reading it, saying what is wrong, telling the answers.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::exit::Exit;
use super::reading::{Stop, progress};
use crate::estimate::columns::{Columns, Reading, Trouble, read_columns};
use crate::estimate::text::unreadable;
use crate::intake::empty_forms::EmptyForms;
use crate::wording::escape_terminal;

/// How answers are told.
#[derive(Debug, Args)]
pub struct Telling {
    /// Print the results as JSON, at full precision.
    #[arg(long, help_heading = "Results")]
    pub(super) json: bool,
    /// Write the JSON into this file, and the tables to standard output.
    #[arg(long, value_name = "FILE", conflicts_with = "json", help_heading = "Results")]
    pub(super) out: Option<PathBuf>,
}

/// How cells are read.
#[derive(Debug, Args)]
pub struct Cells {
    /// What stands in cells where nothing was written, such as NA; several with commas between.
    #[arg(long, value_name = "TEXT", value_delimiter = ',', allow_hyphen_values = true, help_heading = "Columns")]
    pub(super) empty: Vec<String>,
}

/// Tells what may be meant otherwise, beside the results.
pub(super) fn mind(doubt: &str) {
    eprintln!("Mind: {}", escape_terminal(doubt));
}

/// That the command can't be meant so.
pub(super) fn misused(why: impl std::fmt::Display) -> Stop {
    Stop(Exit::Usage, escaped(&why.to_string()))
}

/// That the table is in disorder.
pub(super) fn disordered(why: impl std::fmt::Display) -> Stop {
    Stop(Exit::Findings, escaped(&why.to_string()))
}

/// What came from the table or the command may hold anything; line breaks are ours.
fn escaped(text: &str) -> String {
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}

/// Reads columns of a table.
pub(super) fn read(path: &Path, wanted: &[(String, Reading)], cells: &Cells) -> Result<Columns, Stop> {
    progress("reading the table");
    let empty = EmptyForms::new(&cells.empty, |_| false);
    let read = read_columns(path, wanted, &empty).map_err(|trouble| match trouble {
        Trouble::Command(why) => misused(why),
        Trouble::Table(why) => disordered(why),
    })?;
    if read.unreadable_count > 0 {
        return Err(Stop(Exit::Findings, unreadable(&read)));
    }
    read.doubts.iter().for_each(|doubt| mind(doubt));
    Ok(read)
}

/// Tells the answers: as JSON, or as tables and, where a file is named, as JSON in it.
pub(super) fn tell<T: Serialize>(telling: &Telling, answers: &T, tables: impl FnOnce() -> String) -> Result<(), Stop> {
    let json = || {
        let mut text = serde_json::to_string_pretty(answers).unwrap_or_default();
        text.push('\n');
        text
    };
    if telling.json {
        return say(&json());
    }
    if let Some(path) = &telling.out {
        std::fs::write(path, json())
            .map_err(|error| Stop(Exit::NotWritten, format!("{} can't be written: {error}.\n", path.display())))?;
    }
    say(&tables())
}

/// Writes to standard output. A reader that has gone away is no error; a full disk is.
fn say(text: &str) -> Result<(), Stop> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Stop(Exit::NotWritten, format!("The result can't be written: {error}.\n")))
        }
        _ => Ok(()),
    }
}
