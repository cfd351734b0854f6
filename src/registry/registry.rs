//! A registry: creating, opening, reading. Readers never wait for a writer.

use std::fs::{File, TryLockError};
use std::io;
use std::path::Path;

use polars::prelude::DataFrame;

use super::batch_file::CheckedAhead;
use super::durable::{make_folder, open_lock, put};
use super::error::{LastGood, RegistryError};
use super::identity::Pseudonyms;
use super::manifest::{Holds, Manifest, Sealed, Unsealed};
use super::paths::{Paths, revision_of};
use super::reading::{Kept, StandingPiece, checked_ahead, files, own_columns, read, read_placements, standing_pieces};
use super::stop_point::{MANIFEST, NUMBERED_MANIFEST};
use crate::table::{Piece, STATED_COLUMN, StatedRows};

/// How often a reader starts again when a withdrawal replaces files under it.
const TRIES: u32 = 50;

/// A registry as it stood when it was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Registry {
    paths: Paths,
    sealed: Sealed,
}

impl Registry {
    /// Whether a folder is a registry, whole or damaged: it holds a manifest or the folder of earlier ones.
    pub fn is_one(folder: &Path) -> bool {
        let paths = Paths::new(folder);
        paths.manifests().is_dir() && paths.batches().is_dir()
    }

    /// Starts a registry in a new or empty folder.
    ///
    /// # Errors
    /// When the folder holds other things, or the system refuses.
    pub fn create(folder: &Path, pseudonyms: &Pseudonyms) -> Result<Self, RegistryError> {
        let paths = Paths::new(folder);
        Self::check_startable(folder)?;
        make_folder(paths.folder())?;
        let _lock = Lock::take(&paths)?;
        if paths.manifest().exists() {
            return Err(RegistryError::NotEmpty(folder.to_owned()));
        }
        for folder in [paths.manifests(), paths.batches()] {
            make_folder(&folder)?;
        }
        let sealed = sealed(Manifest::empty(pseudonyms.identity()))?;
        put(paths.folder(), "manifest.json", sealed.text.as_bytes(), &MANIFEST)?;
        put(&paths.manifests(), &Paths::numbered_name(0), sealed.text.as_bytes(), &NUMBERED_MANIFEST)?;
        Ok(Self { paths, sealed })
    }

    /// Whether a registry can be started in a folder: it is not there, is empty, or holds what an interrupted start left.
    ///
    /// # Errors
    /// When it holds other things, or can't be read.
    pub fn check_startable(folder: &Path) -> Result<(), RegistryError> {
        let entries = match std::fs::read_dir(folder) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) if error.kind() == io::ErrorKind::NotADirectory => {
                return Err(RegistryError::NotEmpty(folder.to_owned()));
            }
            Err(error) => return Err(RegistryError::not_read(folder, &error)),
        };
        for entry in entries {
            let entry = entry.map_err(|error| RegistryError::not_read(folder, &error))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let empty_folder = || std::fs::read_dir(entry.path()).is_ok_and(|mut inside| inside.next().is_none());
            let left = name.starts_with(super::paths::TEMPORARY)
                || name == "lock"
                || (["manifests", "batches"].contains(&name.as_str()) && empty_folder());
            if !left {
                return Err(RegistryError::NotEmpty(folder.to_owned()));
            }
        }
        Ok(())
    }

    /// Opens a registry: reads the manifest, no records.
    ///
    /// # Errors
    /// When there is none, it is damaged or an earlier one than the newest, or a later version wrote it.
    pub fn open(folder: &Path) -> Result<Self, RegistryError> {
        let mut last: Option<Self> = None;
        for _ in 0..TRIES {
            let registry = Self::open_manifest(folder)?;
            // The numbered copy is written last, so a later one means that an earlier manifest was put back by hand. Unless a
            // writer was at work between the two looks.
            let Some(later) = later_manifest(&registry.paths, registry.manifest().revision) else { return Ok(registry) };
            if last.as_ref() == Some(&registry) {
                return Err(RegistryError::ManifestDamaged {
                    path: registry.paths.manifest(),
                    what: format!("it is an earlier one than {}", registry.paths.numbered(later).display()),
                    last_good: last_good(&registry.paths),
                });
            }
            last = Some(registry);
        }
        Err(RegistryError::Unsteady)
    }

    fn open_manifest(folder: &Path) -> Result<Self, RegistryError> {
        let paths = Paths::new(folder);
        let path = paths.manifest();
        let damaged =
            |what: String| RegistryError::ManifestDamaged { path: path.clone(), what, last_good: last_good(&paths) };
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if [io::ErrorKind::NotFound, io::ErrorKind::NotADirectory].contains(&error.kind()) => {
                return Err(if numbered(&paths).is_empty() {
                    RegistryError::NotARegistry(folder.to_owned())
                } else {
                    damaged("it is missing".to_owned())
                });
            }
            Err(error) => return Err(RegistryError::not_read(&path, &error)),
        };
        match Sealed::open(bytes) {
            Ok(sealed) => Ok(Self { paths, sealed }),
            Err(Unsealed::Newer(found)) => Err(RegistryError::Newer { found, known: super::manifest::FORMAT }),
            Err(Unsealed::Damaged(what)) => Err(damaged(what)),
        }
    }

    /// What the registry says of itself.
    pub const fn manifest(&self) -> &Manifest {
        &self.sealed.manifest
    }

    /// Its folder.
    pub fn folder(&self) -> &Path {
        self.paths.folder()
    }

    pub(super) const fn paths(&self) -> &Paths {
        &self.paths
    }

    pub(super) const fn sealed(&self) -> &Sealed {
        &self.sealed
    }

    /// Reads placements and visits as they stood after a batch; without one, after the newest.
    ///
    /// Every byte is held against its digest before it is used. When a withdrawal replaces a file meanwhile, reading starts again
    /// from the new manifest.
    ///
    /// # Errors
    /// When there is no such batch, a file is damaged, or the registry changed too often.
    pub fn read(&self, as_of: Option<u32>) -> Result<Kept, RegistryError> {
        self.steadily(as_of, |now, batch| read(&now.paths, now.manifest(), batch))
    }

    /// Placements alone as they stood after a batch, with these columns, or all.
    ///
    /// # Errors
    /// When a file is damaged.
    pub fn placements(&self, as_of: u32, columns: Option<&[String]>) -> Result<Kept, RegistryError> {
        read_placements(&self.paths, self.manifest(), as_of, columns)
    }

    /// Goes through the rows of a kind piece by piece as they stood after a batch: `make` makes something of each on any thread, and
    /// `take` takes that in the order of the rows. Placements come with the practice's own columns.
    ///
    /// # Errors
    /// When a file is damaged, or what `make` or `take` says.
    pub fn pieces<T: Send, E: From<RegistryError> + Send>(
        &self,
        as_of: u32,
        holds: Holds,
        make: impl Fn(DataFrame) -> Result<T, E> + Sync,
        take: impl FnMut(T) -> Result<(), E>,
    ) -> Result<(), E> {
        let checked = CheckedAhead::default();
        standing_pieces(&self.paths, self.manifest(), as_of, (holds, &[]), checked, |piece| make(piece.whole()?), take)
    }

    /// Holds files of visits against their digests, for one who will read them and has something else to do until then.
    ///
    /// # Errors
    /// When a file is damaged.
    pub fn check_visits_ahead(&self, as_of: u32) -> Result<CheckedAhead, RegistryError> {
        checked_ahead(&self.paths, self.manifest(), as_of, Holds::Visits)
    }

    /// The same of visits, each piece with what they state beside their other columns, of which those of texts may stand apart; `checked` are
    /// those of [`Self::check_visits_ahead`] as of the same batch, or none.
    ///
    /// # Errors
    /// As [`Self::pieces`].
    pub fn visit_pieces<T: Send, E: From<RegistryError> + Send>(
        &self,
        as_of: u32,
        checked: CheckedAhead,
        make: impl Fn(Piece, StatedRows) -> Result<T, E> + Sync,
        take: impl FnMut(T) -> Result<(), E>,
    ) -> Result<(), E> {
        let make = |piece: StandingPiece| {
            let (piece, stated) = piece.parts();
            make(piece, stated)
        };
        let numbered = ["restoration_id", "examiner", STATED_COLUMN];
        standing_pieces(&self.paths, self.manifest(), as_of, (Holds::Visits, &numbered), checked, make, take)
    }

    /// How many rows of visits all batches up to one have, those that were superseded among them.
    pub fn visits_received(&self, as_of: u32) -> usize {
        let files = self.manifest().files().filter(|(batch, file)| batch.number <= as_of && file.holds == Holds::Visits);
        usize::try_from(files.map(|(_, file)| file.rows).sum::<u64>()).unwrap_or(usize::MAX)
    }

    /// The practice's own columns of all batches up to one, in order of appearance.
    pub fn own_columns(&self, as_of: u32) -> Vec<String> {
        own_columns(self.manifest(), as_of)
    }

    /// The names of the files that kept rows came from, in the order that rows count them.
    pub fn files(&self, as_of: u32) -> Vec<String> {
        files(self.manifest(), as_of)
    }

    /// Reads as of a batch, or the newest one. When a withdrawal replaces a file meanwhile, reading starts again from the new manifest.
    ///
    /// # Errors
    /// When there is no such batch, a file is damaged, or the registry changed too often.
    pub fn steadily<T>(
        &self,
        as_of: Option<u32>,
        read: impl Fn(&Self, u32) -> Result<T, RegistryError>,
    ) -> Result<T, RegistryError> {
        let mut now = self.clone();
        for _ in 0..TRIES {
            let newest = now.manifest().revision;
            let batch = as_of.unwrap_or(newest);
            if batch > newest {
                return Err(RegistryError::NoSuchBatch { asked: batch, newest });
            }
            match read(&now, batch) {
                Err(error) if error.is_damage() => {
                    let again = Self::open(self.folder())?;
                    if again == now {
                        return Err(error);
                    }
                    now = again;
                }
                done => return done,
            }
        }
        Err(RegistryError::Unsteady)
    }
}

/// The writer's lock. It is the system's: it ends with the process, however that ends.
#[derive(Debug)]
pub(super) struct Lock(File);

impl Lock {
    /// Takes the lock.
    pub(super) fn take(paths: &Paths) -> Result<Self, RegistryError> {
        let path = paths.lock();
        let lock = open_lock(&path).map_err(|error| RegistryError::not_written(&path, &error))?;
        match lock.try_lock() {
            Ok(()) => Ok(Self(lock)),
            Err(TryLockError::WouldBlock) => Err(RegistryError::Busy(paths.folder().to_owned())),
            Err(TryLockError::Error(error)) => Err(RegistryError::not_written(&path, &error)),
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Closing alone would leave it to a child process that is just being started and still shares the file.
        let _ = self.0.unlock();
    }
}

/// Seals a manifest.
pub(super) fn sealed(manifest: Manifest) -> Result<Sealed, RegistryError> {
    Sealed::seal(manifest).map_err(|error| {
        RegistryError::NotWritten("manifest.json".into(), format!("this is a fault of the program ({error})"))
    })
}

/// The revisions of all numbered manifests, in order.
pub(super) fn numbered(paths: &Paths) -> Vec<u32> {
    let entries = std::fs::read_dir(paths.manifests()).into_iter().flatten().flatten();
    let mut all: Vec<u32> = entries.filter_map(|entry| revision_of(&entry.file_name().to_string_lossy())).collect();
    all.sort_unstable();
    all
}

/// The numbered manifest of a revision, if it is whole.
fn whole(paths: &Paths, revision: u32) -> Option<Sealed> {
    Sealed::open(std::fs::read(paths.numbered(revision)).ok()?).ok()
}

/// The newest whole manifest after a revision.
fn later_manifest(paths: &Paths, revision: u32) -> Option<u32> {
    numbered(paths).into_iter().rev().filter(|later| *later > revision).find(|later| whole(paths, *later).is_some())
}

/// The newest numbered manifest that is whole; one that is not the newest of all only if its files are there.
fn last_good(paths: &Paths) -> Option<LastGood> {
    let all = numbered(paths);
    let there = |name: &str, bytes: u64| std::fs::metadata(paths.batch_file(name)).is_ok_and(|found| found.len() == bytes);
    all.iter().rev().find_map(|&revision| {
        let sealed = whole(paths, revision)?;
        let files_there = sealed.manifest.files().all(|(_, file)| there(&file.name, file.bytes));
        let newest = Some(&revision) == all.last();
        let good = LastGood { path: paths.numbered(revision), batch: revision, newest, files_there };
        (newest || files_there).then_some(good)
    })
}
