//! What the commands around a registry share: how they stop, the day, the key.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::path::Path;

use super::exit::Exit;
use super::reading::Stop;
use crate::finding::{Findings, Severity};
use crate::registry::{Identity, Key, Pseudonyms, RegistryError};
use crate::report::findings_text::{findings_count, findings_text};
use crate::wording::escape_terminal;

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

/// How the registry names patients, with the key from a file if it takes one.
pub fn pseudonyms(identity: &Identity, key_file: Option<&Path>, registry: &Path) -> Result<Pseudonyms, RegistryError> {
    let key = match (identity, key_file) {
        (Identity::Keyed { .. }, Some(path)) => Some(Key::read(path, registry)?),
        (Identity::Plain {}, Some(_)) => return Err(RegistryError::KeyNotTaken),
        (_, None) => None,
    };
    Pseudonyms::of(identity, key)
}
