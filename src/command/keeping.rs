//! What the commands around a registry share: how its errors end a run, and the key.

use std::path::Path;

use super::exit::Exit;
use super::reading::Stop;
use crate::registry::{Counts, Identity, Key, Pseudonyms, RegistryError};
use crate::wording::{count, counted, escape_terminal};

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

/// How the registry names patients, with the key from a file if it takes one.
pub fn pseudonyms(identity: &Identity, key_file: Option<&Path>, registry: &Path) -> Result<Pseudonyms, RegistryError> {
    let key = match (identity, key_file) {
        (Identity::Keyed { .. }, Some(path)) => Some(Key::read(path, registry)?),
        (Identity::Plain {}, Some(_)) => return Err(RegistryError::KeyNotTaken),
        (_, None) => None,
    };
    Pseudonyms::of(identity, key)
}

/// What became of the rows of a batch that were received.
pub fn balance(counts: Counts) -> String {
    let identical = counted(counts.identical, "identical repeat", "identical repeats");
    let received = count(counts.received + counts.set_aside);
    let mut text = format!("{received} received = {} kept + {identical}", count(counts.kept));
    for (rows, what) in [(counts.set_aside, "set aside"), (counts.withdrawn, "withdrawn since")] {
        if rows > 0 {
            text = format!("{text} + {} {what}", count(rows));
        }
    }
    if counts.superseding > 0 {
        text = format!("{text}; {} of the kept supersede earlier rows", count(counts.superseding));
    }
    text
}
