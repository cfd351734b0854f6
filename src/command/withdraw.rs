//! `withdraw`: takes all records of a patient out of a registry.

use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::keeping::pseudonyms;
use super::reading::{Stop, ended, today};
use super::say_line;
use crate::registry::identity::is_pseudonym;
use crate::registry::{Identity, Registry, Writer};
use crate::wording::counted;

/// Arguments of `withdraw`.
#[derive(Debug, Args)]
pub struct WithdrawArguments {
    /// The patient's id as the record files give it, or the pseudonym.
    patient: String,
    /// Folder of the registry.
    #[arg(long, value_name = "REGISTRY")]
    from: PathBuf,
    /// Key file of the registry, if it has one; not needed with a pseudonym.
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
}

/// Runs `withdraw`.
pub fn run(arguments: &WithdrawArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &WithdrawArguments) -> Result<Exit, Stop> {
    let registry = Registry::open(&arguments.from)?;
    let identity = &registry.manifest().identity;
    let patient = arguments.patient.trim();
    let pseudonym_given =
        matches!(identity, Identity::Keyed { .. }) && arguments.key_file.is_none() && is_pseudonym(patient);
    let name = if pseudonym_given {
        patient.to_owned()
    } else {
        pseudonyms(identity, arguments.key_file.as_deref(), &arguments.from)?.name(patient)
    };
    let withdrawn = Writer::take(&arguments.from)?.withdraw(&name, today())?;
    say_line!(
        "{} and {} left every batch of {}. That something was removed is noted as batch {}, without the id.",
        counted(withdrawn.placements, "placement", "placements"),
        counted(withdrawn.visits, "visit", "visits"),
        arguments.from.display(),
        withdrawn.batch,
    );
    say_line!("Backups and the record files themselves still hold them: take them out there too.");
    Ok(Exit::Done)
}
