//! What the commands around a registry share: how they stop, the day, the key.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::path::Path;

use chrono::Local;

use super::exit::Exit;
use crate::finding::{Findings, Severity};
use crate::quantity::Day;
use crate::registry::{Identity, Key, Pseudonyms, RegistryError};
use crate::report::findings_text::{findings_count, findings_text};
use crate::table::TableError;
use crate::wording::escape_terminal;

/// Why a run stops, said once.
pub struct Stop(pub Exit, pub String);

impl From<RegistryError> for Stop {
    fn from(error: RegistryError) -> Self {
        let exit = match error {
            RegistryError::ManifestDamaged { .. } | RegistryError::BatchDamaged { .. } => Exit::Damaged,
            RegistryError::NotWritten(..)
            | RegistryError::NotRemoved(..)
            | RegistryError::Busy(_)
            | RegistryError::Unsteady
            | RegistryError::Table(_) => Exit::NotWritten,
            _ => Exit::Usage,
        };
        Self(exit, format!("{}\n", escape_terminal(&error.to_string())))
    }
}

impl From<TableError> for Stop {
    fn from(error: TableError) -> Self {
        RegistryError::from(error).into()
    }
}

/// The exit code of a run; says why it stopped.
pub fn ended(run: Result<Exit, Stop>) -> Exit {
    run.unwrap_or_else(|Stop(exit, message)| {
        eprint!("{message}");
        exit
    })
}

/// A stop for findings.
pub fn stopped(findings: &Findings) -> Stop {
    let text = findings_text(findings, Severity::Error);
    let count = findings_count(findings, Severity::Error);
    Stop(Exit::Findings, format!("{text}{count}. Nothing was kept; mend these and run it again.\n"))
}

/// Today. Builds for tests take `MANEBIT_TODAY` in its place, so that a clock can be wrong.
pub fn today() -> Day {
    #[cfg(debug_assertions)]
    if let Some(day) = std::env::var("MANEBIT_TODAY").ok().and_then(|day| Day::from_iso_bytes(day.as_bytes())) {
        return day;
    }
    Day::from(Local::now().date_naive())
}

/// How the registry names patients, with the key from a file if it takes one.
pub fn pseudonyms(identity: &Identity, key_file: Option<&Path>, registry: &Path) -> Result<Pseudonyms, RegistryError> {
    let key = match (identity, key_file) {
        (Identity::Keyed { .. }, Some(path)) => Some(Key::read(path, registry)?),
        (Identity::Plain {}, Some(_)) => return Err(RegistryError::KeyNotTaken),
        (_, None) => None,
    };
    Pseudonyms::of(identity, key)
}
