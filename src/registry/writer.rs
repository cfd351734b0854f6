//! The one who may change a registry: holds the lock, sweeps what an interrupted run left, commits.

use std::path::Path;

use super::batch_file::{Ended, GROUP, Unfinished, check};
use super::durable::{put, remove, sync_folder};
use super::error::RegistryError;
use super::identity::Pseudonyms;
use super::manifest::{Batch, BatchKind, Holds, Manifest, SourceFile, StoredFile};
use super::pair_sorter::PairSorter;
use super::paths::{Paths, TEMPORARY, is_batch_file, revision_of};
use super::reading::{Kept, columns, empty_frame, shaped};
use super::registry::{Lock, Registry, sealed};
use super::staging::{KINDS, Rows, Staged, Staging, only};
use super::stop_point::{self, MANIFEST, NUMBERED_MANIFEST, reach};
use super::vocabulary::todays_terms;
use super::weighing::Weighed;
use crate::quantity::Day;

/// A registry held for writing, until this is dropped.
#[derive(Debug)]
pub struct Writer {
    pub(super) registry: Registry,
    _lock: Lock,
}

impl Writer {
    /// Takes the lock, reads the manifest as it is now, and sweeps what an interrupted run left.
    ///
    /// # Errors
    /// When another run is writing, the registry is damaged, or the system refuses.
    pub fn take(folder: &Path) -> Result<Self, RegistryError> {
        Registry::open(folder)?;
        let lock = Lock::take(&Paths::new(folder))?;
        reach(stop_point::LOCKED);
        let writer = Self { registry: Registry::open(folder)?, _lock: lock };
        writer.sweep()?;
        reach(stop_point::SWEPT);
        Ok(writer)
    }

    /// What the registry says of itself.
    pub const fn manifest(&self) -> &Manifest {
        self.registry.manifest()
    }

    /// Reads the newest state.
    ///
    /// # Errors
    /// When a file is damaged.
    pub fn read(&self) -> Result<Kept, RegistryError> {
        self.registry.read(None)
    }

    /// Holds every file against its digest.
    ///
    /// # Errors
    /// When a file is damaged.
    pub fn check_files(&self) -> Result<(), RegistryError> {
        self.manifest().files().try_for_each(|(batch, file)| check(self.registry.paths(), batch, file).map(|_| ()))
    }

    /// Begins to take in new rows, at most so many of a kind in memory.
    pub fn stage(&self, pseudonyms: &Pseudonyms, own: &[String], most_in_memory: usize) -> Staging {
        Staging::begin(self.registry.paths(), self.manifest(), pseudonyms, own, most_in_memory)
    }

    /// Puts pairs of hashes in order, at most so many of them in memory.
    pub fn pair_sorter(&self, most_in_memory: usize) -> PairSorter {
        PairSorter::new(self.registry.paths(), most_in_memory)
    }

    /// A file that was accepted before, and its batch, though none of its placements is of a kept restoration: then its ids are read
    /// differently now. Where rows of that batch were set aside, its placements may never have been kept.
    pub fn ids_changed_since(&self, staged: &Staged, weighed: &Weighed) -> Option<(String, u32)> {
        let [with_placements, known] = &weighed.placed;
        let changed = |(place, source): (u32, &SourceFile)| {
            let number = self.manifest().batch_of_source(&source.sha256)?;
            let batch = self.manifest().batches.iter().find(|batch| batch.number == number)?;
            let passed_over = weighed.passed_over.iter().any(|(name, _)| *name == source.name);
            let unknown = with_placements.contains(&place) && !known.contains(&place);
            (unknown && !passed_over && batch.placements.set_aside == 0).then(|| (source.name.clone(), number))
        };
        (0..).zip(&staged.sources).find_map(changed)
    }

    /// Accepts weighed records as a batch, whole or not at all; none if all of them are kept already.
    ///
    /// # Errors
    /// When the system refuses; what was kept before stays as it was.
    pub fn commit(&mut self, staged: Staged, weighed: &Weighed, day: Day) -> Result<Option<Batch>, RegistryError> {
        if weighed.is_empty() {
            return Ok(None);
        }
        let mut manifest = self.manifest().clone();
        let todays = todays_terms();
        let vocabulary = manifest.vocabularies.iter().position(|terms| *terms == todays).unwrap_or_else(|| {
            manifest.vocabularies.push(todays);
            manifest.vocabularies.len() - 1
        });
        let sources = staged.sources.clone();
        let done = self.store_all(staged, weighed).and_then(|files| {
            let batch = Batch {
                number: manifest.revision + 1,
                kind: if weighed.correction { BatchKind::Correction } else { BatchKind::Accepted },
                day,
                sources,
                own_columns: weighed.own.clone(),
                vocabulary: u32::try_from(vocabulary).ok(),
                files,
                placements: weighed.counts[0],
                visits: weighed.counts[1],
            };
            self.publish(manifest.with(&self.registry.sealed().sha256, batch.clone()))?;
            Ok(batch)
        });
        if done.is_err() {
            self.tidy_up();
        }
        done.map(Some)
    }

    fn store_all(&self, mut staged: Staged, weighed: &Weighed) -> Result<Vec<StoredFile>, RegistryError> {
        let paths = self.registry.paths();
        let mut files = Vec::new();
        for (place, holds) in KINDS.into_iter().enumerate() {
            // Where every row stays, what was staged is the batch file.
            let as_it_is = match &staged.tables[place] {
                Rows::OnDisk(file) => {
                    file.rows() == weighed.counts[place].kept && (holds == Holds::Visits || staged.own == weighed.own)
                }
                Rows::Held(_) => false,
            };
            let rewritten = match weighed.counts[place].kept {
                0 => Rows::Held(Vec::new()),
                _ if as_it_is => std::mem::replace(&mut staged.tables[place], Rows::Held(Vec::new())),
                _ => Rows::OnDisk(self.store_staying(&staged, weighed, place)?),
            };
            staged.tables[place] = Rows::Held(Vec::new());
            if let Rows::OnDisk(file) = rewritten {
                files.push(file.name(paths)?);
            }
        }
        reach(stop_point::FILES_READY);
        Ok(files)
    }

    /// Writes the rows that stay of a table, in the order received.
    fn store_staying(&self, staged: &Staged, weighed: &Weighed, place: usize) -> Result<Ended, RegistryError> {
        let holds = KINDS[place];
        let own = if holds == Holds::Placements { weighed.own.as_slice() } else { &[] };
        let mut held = empty_frame(columns(holds), own)?;
        let mut file = Unfinished::begin(self.registry.paths(), holds, held.schema())?;
        let mut row = 0;
        staged.pieces(holds, &mut |frame, _| {
            let stays: Vec<bool> = (row..row + frame.height()).map(|row| weighed.staying[place].contains(row)).collect();
            row += frame.height();
            held.vstack_mut_owned(only(&shaped(&frame, columns(holds), own)?, Some(&stays))?)?;
            if held.height() >= GROUP {
                file.add(&held)?;
                held = held.clear();
            }
            Ok(())
        })?;
        file.add(&held)?;
        file.end()
    }

    /// Makes a manifest the one that counts. Everything that it names must be on the disk.
    pub(super) fn publish(&mut self, manifest: Manifest) -> Result<(), RegistryError> {
        let sealed = sealed(manifest)?;
        let paths = self.registry.paths();
        let numbered = Paths::numbered_name(sealed.manifest.revision);
        put(paths.folder(), "manifest.json", sealed.text.as_bytes(), &MANIFEST)?;
        // From here on the change holds. A numbered copy that can't be written now is put back by the next writer.
        let _ = put(&paths.manifests(), &numbered, sealed.text.as_bytes(), &NUMBERED_MANIFEST);
        self.registry = Registry::open(self.registry.folder())?;
        Ok(())
    }

    /// Takes back what a refused change left, as far as the system lets it; the next writer would do so too.
    pub(super) fn tidy_up(&mut self) {
        if let Ok(registry) = Registry::open(self.registry.folder()) {
            self.registry = registry;
            let _ = self.sweep();
        }
    }

    /// Removes unfinished files, files that the manifest doesn't name, and damaged numbered manifests after it (whole ones keep a
    /// registry from being opened); puts back the manifest's own numbered copy.
    fn sweep(&self) -> Result<(), RegistryError> {
        let (paths, manifest) = (self.registry.paths(), self.manifest());
        let named: std::collections::BTreeSet<&str> = manifest.files().map(|(_, file)| file.name.as_str()).collect();
        let unfinished = |name: &str| name.starts_with(TEMPORARY);
        sweep_folder(paths.folder(), &unfinished)?;
        sweep_folder(&paths.batches(), &|name| unfinished(name) || (is_batch_file(name) && !named.contains(name)))?;
        let later = |name: &str| revision_of(name).is_some_and(|revision| revision > manifest.revision);
        sweep_folder(&paths.manifests(), &|name| unfinished(name) || later(name))?;
        let text = self.registry.sealed().text.as_bytes();
        if std::fs::read(paths.numbered(manifest.revision)).ok().as_deref() != Some(text) {
            put(&paths.manifests(), &Paths::numbered_name(manifest.revision), text, &NUMBERED_MANIFEST)?;
        }
        Ok(())
    }
}

/// Removes the files of a folder that are to go.
fn sweep_folder(folder: &Path, goes: &dyn Fn(&str) -> bool) -> Result<(), RegistryError> {
    let entries = std::fs::read_dir(folder).map_err(|error| RegistryError::not_read(folder, &error))?;
    let mut any = false;
    for entry in entries {
        let entry = entry.map_err(|error| RegistryError::not_read(folder, &error))?;
        if goes(&entry.file_name().to_string_lossy()) {
            remove(&entry.path())?;
            any = true;
        }
    }
    if any {
        sync_folder(folder).map_err(|error| RegistryError::not_written(folder, &error))?;
    }
    Ok(())
}
