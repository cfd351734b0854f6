//! `history`: what a registry accepted, batch by batch.

use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::keeping::balance;
use super::reading::{Stop, ended};
use super::say_line;
use crate::registry::{Batch, BatchKind, Identity, Registry};
use crate::wording::{counted, escape_terminal};

/// Arguments of `history`.
#[derive(Debug, Args)]
pub struct HistoryArguments {
    /// Folder of the registry.
    registry: PathBuf,
}

/// Runs `history`.
pub fn run(arguments: &HistoryArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &HistoryArguments) -> Result<Exit, Stop> {
    let registry = Registry::open(&arguments.registry)?;
    let manifest = registry.manifest();
    let named = match manifest.identity {
        Identity::Keyed { .. } => "patients by pseudonyms made with a key",
        Identity::Plain {} => "patient ids as given",
    };
    say_line!("{}: {named}.", arguments.registry.display());
    if manifest.batches.is_empty() {
        say_line!("No batch yet; manebit ingest adds one.");
    }
    for batch in &manifest.batches {
        say_line!("");
        say(batch);
    }
    Ok(Exit::Done)
}

fn say(batch: &Batch) {
    let (placements, visits) = (batch.placements, batch.visits);
    if batch.kind == BatchKind::Withdrawal {
        say_line!(
            "Batch {}, {}: a patient withdrew; {} and {} were removed",
            batch.number,
            batch.day,
            counted(placements.withdrawn, "placement", "placements"),
            counted(visits.withdrawn, "visit", "visits"),
        );
        return;
    }
    let kind = if batch.kind == BatchKind::Correction { "correction" } else { "accepted" };
    say_line!("Batch {}, {}: {kind}", batch.number, batch.day);
    say_line!("  placements: {}", balance(placements));
    say_line!("  visits: {}", balance(visits));
    for source in &batch.sources {
        say_line!("  from {} (SHA-256 {}…)", escape_terminal(&source.name), source.sha256.get(..12).unwrap_or(""));
    }
}
