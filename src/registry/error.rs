//! What can go wrong with a registry: what, why, how to mend.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use crate::table::TableError;
use crate::wording::system_said;

/// A numbered manifest that can take the place of a damaged one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LastGood {
    /// The manifest.
    pub path: PathBuf,
    /// Its last batch.
    pub batch: u32,
    /// Whether it is the newest of all, so that nothing is lost by taking it.
    pub newest: bool,
    /// Whether all its batch files are there in their size.
    pub files_there: bool,
}

/// Why something could not be done with a registry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RegistryError {
    /// There is no registry in the folder.
    NotARegistry(PathBuf),
    /// The folder holds other things, or a registry already.
    NotEmpty(PathBuf),
    /// It was written by a later version.
    Newer {
        /// Format found.
        found: u64,
        /// Newest format that this version knows.
        known: u32,
    },
    /// The manifest can't be trusted.
    ManifestDamaged {
        /// The manifest.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
        /// Which numbered manifest can take its place, if one can.
        last_good: Option<LastGood>,
    },
    /// A batch file is missing or not as it was written.
    BatchDamaged {
        /// Number of the batch.
        batch: u32,
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
    /// A batch holds a term or column that this version doesn't know.
    UnknownInBatch {
        /// Number of the batch.
        batch: u32,
        /// What is not known.
        what: String,
    },
    /// Another run is writing.
    Busy(PathBuf),
    /// The system refused to write.
    NotWritten(PathBuf, String),
    /// Records left, but a file that held them is still there.
    NotRemoved(PathBuf, String),
    /// The system refused to read.
    NotRead(PathBuf, String),
    /// The registry holds pseudonyms, and no key was given.
    KeyNeeded,
    /// The key is not that of the registry.
    KeyWrong,
    /// The registry was started without a key, and one was given.
    KeyNotTaken,
    /// The key file can't be used.
    KeyFile(PathBuf, String),
    /// There is no such batch.
    NoSuchBatch {
        /// Batch asked for.
        asked: u32,
        /// Newest batch.
        newest: u32,
    },
    /// Nothing is kept of this patient.
    NoSuchPatient,
    /// The registry changed again and again while it was read.
    Unsteady,
    /// A fault of the program.
    Table(TableError),
}

impl RegistryError {
    /// The system refused to write.
    pub fn not_written(path: &Path, error: &io::Error) -> Self {
        Self::NotWritten(path.to_owned(), error.to_string())
    }

    /// The system refused to read.
    pub fn not_read(path: &Path, error: &io::Error) -> Self {
        Self::NotRead(path.to_owned(), system_said(error))
    }

    /// Whether the registry itself is damaged.
    pub const fn is_damage(&self) -> bool {
        matches!(self, Self::ManifestDamaged { .. } | Self::BatchDamaged { .. })
    }
}

impl fmt::Display for RegistryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotARegistry(path) => write!(
                f,
                "{} is not a registry: it has no manifest.json. Mend: check the path, or start a registry with manebit init.",
                path.display()
            ),
            Self::NotEmpty(path) => write!(
                f,
                "{} holds files already, so no registry is started in it. Mend: choose a new or empty folder.",
                path.display()
            ),
            Self::Newer { found, known } => write!(
                f,
                "The registry has format {found}; this version reads formats up to {known}. Mend: use the newer version that wrote it."
            ),
            Self::ManifestDamaged { path, what, last_good } => {
                write!(f, "{} is damaged: {what}. Nothing was read from it. Mend: ", path.display())?;
                restoring(f, path, last_good.as_ref())
            }
            Self::BatchDamaged { batch, path, what } => write!(
                f,
                "Batch {batch} is damaged: {} {what}. No records were read. Mend: copy this file back from a backup, then run manebit verify.",
                path.display()
            ),
            Self::UnknownInBatch { batch, what } => write!(
                f,
                "Batch {batch} holds {what}, which this version doesn't know. Mend: use the version that wrote it, or a newer one."
            ),
            Self::Busy(path) => write!(
                f,
                "Another run is writing into {}. Nothing was changed. Mend: wait until it has ended, then run it again.",
                path.display()
            ),
            Self::NotWritten(path, error) => write!(
                f,
                "{} can't be written: {error}. What was kept before is unharmed. Mend: check free space and rights, then run it again.",
                path.display()
            ),
            Self::NotRemoved(path, error) => write!(
                f,
                "The records have left the registry, but {}, which held them, can't be removed: {error}. Mend: remove this file, or run the next manebit ingest, which does so.",
                path.display()
            ),
            Self::NotRead(path, error) => {
                write!(f, "{} can't be read: {error}. Mend: check the path and its rights.", path.display())
            }
            Self::KeyNeeded => f.write_str(
                "The registry holds pseudonyms instead of patient ids, so its key is needed. Mend: give the key file with --key-file.",
            ),
            Self::KeyWrong => f.write_str(
                "This is not the key of the registry; the same patient would get another pseudonym. Mend: give the key file that was written when the registry was started.",
            ),
            Self::KeyNotTaken => f.write_str(
                "The registry was started without a key and holds patient ids as they were given. Mend: leave --key-file out.",
            ),
            Self::KeyFile(path, what) => write!(f, "{}: {what}", path.display()),
            Self::NoSuchBatch { asked, newest } => {
                write!(f, "There is no batch {asked}; the newest is {newest}. Mend: see manebit history.")
            }
            Self::NoSuchPatient => f.write_str(
                "Nothing is kept of this patient; nothing was changed. Mend: check the spelling of the patient's id; if records.toml said what ids begin with, it begins with that.",
            ),
            Self::Unsteady => f.write_str(
                "The registry changed again and again while it was read. Mend: run it again when no one is writing.",
            ),
            Self::Table(error) => write!(f, "This is a fault of the program, not of your records: {error}"),
        }
    }
}

/// How a damaged manifest is restored.
fn restoring(f: &mut fmt::Formatter<'_>, path: &Path, last_good: Option<&LastGood>) -> fmt::Result {
    match last_good {
        Some(LastGood { path: good, batch, newest: true, files_there: true }) => write!(
            f,
            "copy {} over it (it is whole, its files are there, and it knows everything up to batch {batch}), then run manebit verify.",
            good.display()
        ),
        Some(LastGood { path: good, newest: true, files_there: false, .. }) => write!(
            f,
            "copy {} over it, then run manebit verify, which names the batch files that are damaged too.",
            good.display()
        ),
        Some(LastGood { path: good, batch, newest: false, .. }) => write!(
            f,
            "copy {} back from a backup made after the last change. Only if there is none: copy {} over it; it knows nothing after batch {batch}, and the next change removes what came later.",
            path.display(),
            good.display()
        ),
        None => write!(f, "copy it back from a backup, then run manebit verify."),
    }
}

impl std::error::Error for RegistryError {}

impl From<TableError> for RegistryError {
    fn from(error: TableError) -> Self {
        Self::Table(error)
    }
}

impl From<polars::prelude::PolarsError> for RegistryError {
    fn from(error: polars::prelude::PolarsError) -> Self {
        Self::Table(error.into())
    }
}
