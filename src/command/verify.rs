//! `verify`: checks every byte of a registry.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::reading::{Stop, ended};
use super::say_line;
use crate::registry::verify;
use crate::wording::{counted, escape_terminal};

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArguments {
    /// Folder of the registry.
    registry: PathBuf,
}

/// Runs `verify`.
pub fn run(arguments: &VerifyArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &VerifyArguments) -> Result<Exit, Stop> {
    let verdict = verify(&arguments.registry)?;
    if !verdict.damages.is_empty() {
        let mut text = String::new();
        for damage in &verdict.damages {
            let _ = writeln!(text, "{}\n", escape_terminal(&damage.what));
        }
        let found = counted(verdict.damages.len() as u64, "file is damaged", "files are damaged");
        let whole = counted(verdict.files, "batch file is whole", "batch files are whole");
        return Err(Stop(Exit::Damaged, format!("{text}{found}; {whole}.\n")));
    }
    say_line!("{} is whole.", arguments.registry.display());
    say_line!(
        "  {}, {} ({}), {}: every SHA-256 and every count is right",
        counted(u64::from(verdict.batches), "batch", "batches"),
        counted(verdict.files, "file", "files"),
        counted(verdict.bytes, "byte", "bytes"),
        counted(verdict.manifests, "manifest", "manifests"),
    );
    say_line!(
        "  {} and {} in them, superseded ones too",
        counted(verdict.placements, "placement", "placements"),
        counted(verdict.visits, "visit", "visits")
    );
    if verdict.leftovers > 0 {
        say_line!(
            "  {} of an interrupted run; the next ingest sees to it",
            counted(verdict.leftovers, "leftover", "leftovers")
        );
    }
    Ok(Exit::Done)
}
