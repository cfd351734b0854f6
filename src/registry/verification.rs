//! Every digest, every count, every earlier manifest; what is damaged is named with the way to restore it.

use std::path::{Path, PathBuf};

use super::error::RegistryError;
use super::manifest::{Manifest, Sealed, Unsealed};
use super::paths::{TEMPORARY, is_batch_file, revision_of};
use super::reading::decoded;
use super::registry::Registry;

/// One thing that is not as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// Batch that it concerns, if it concerns one's records.
    pub batch: Option<u32>,
    /// The file.
    pub path: PathBuf,
    /// What is wrong, and how to mend it.
    pub what: String,
}

/// What was checked, and what was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verdict {
    /// Number of the last batch.
    pub batches: u32,
    /// Batch files checked.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Rows of placements in them, superseded ones too.
    pub placements: u64,
    /// Rows of visits.
    pub visits: u64,
    /// Numbered manifests checked.
    pub manifests: u64,
    /// Files that an interrupted run left or did not get to; the next writer sees to them.
    pub leftovers: u64,
    /// What is damaged.
    pub damages: Vec<Damage>,
}

/// Checks a whole registry. A writer may be at work meanwhile; then the check starts again from the new manifest.
///
/// # Errors
/// When the manifest itself is damaged or can't be read.
pub fn verify(folder: &Path) -> Result<Verdict, RegistryError> {
    let mut registry = Registry::open(folder)?;
    for _ in 0..50 {
        let verdict = verify_once(&registry)?;
        let again = Registry::open(folder)?;
        if verdict.damages.is_empty() || again == registry {
            return Ok(verdict);
        }
        registry = again;
    }
    Err(RegistryError::Unsteady)
}

fn verify_once(registry: &Registry) -> Result<Verdict, RegistryError> {
    let (paths, manifest) = (registry.paths(), registry.manifest());
    let mut verdict = Verdict { batches: manifest.revision, ..Verdict::default() };
    for (batch, file) in manifest.files() {
        match decoded(paths, manifest, batch, file) {
            Ok(_) => {
                verdict.files += 1;
                verdict.bytes += file.bytes;
            }
            Err(error) if error.is_damage() => verdict.damages.push(Damage {
                batch: Some(batch.number),
                path: paths.batch_file(&file.name),
                what: error.to_string(),
            }),
            Err(error) => return Err(error),
        }
    }
    verdict.placements = manifest.batches.iter().map(|batch| batch.placements.kept).sum();
    verdict.visits = manifest.batches.iter().map(|batch| batch.visits.kept).sum();
    check_chain(registry, &mut verdict);
    verdict.leftovers += leftovers(registry, manifest);
    Ok(verdict)
}

/// Each numbered manifest is whole and follows the one before it.
fn check_chain(registry: &Registry, verdict: &mut Verdict) {
    let (paths, current) = (registry.paths(), registry.sealed());
    let mut wanted = Some(current.sha256.clone());
    for revision in (0..=current.manifest.revision).rev() {
        let path = paths.numbered(revision);
        let found = match std::fs::read(&path) {
            Ok(bytes) => Sealed::open(bytes).map_err(|error| match error {
                Unsealed::Damaged(what) => what,
                Unsealed::Newer(format) => format!("it has format {format}"),
            }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err("it is missing".to_owned()),
            Err(error) => Err(format!("it can't be read ({error})")),
        };
        let found = found.and_then(|sealed| match &wanted {
            Some(wanted) if *wanted != sealed.sha256 => Err("it is another than the one that the next refers to".to_owned()),
            _ => Ok(sealed),
        });
        if revision == current.manifest.revision && !path.exists() {
            // A run that was interrupted just before its end; the next writer puts it back.
            verdict.leftovers += 1;
            wanted = current.manifest.previous_sha256.clone();
            continue;
        }
        match found {
            Ok(sealed) => {
                verdict.manifests += 1;
                wanted = sealed.manifest.previous_sha256;
            }
            Err(what) => {
                let mend = if revision == current.manifest.revision {
                    format!("copy {} to this name", paths.manifest().display())
                } else {
                    "copy this file back from a backup".to_owned()
                };
                verdict.damages.push(Damage {
                    batch: None,
                    what: format!(
                        "{} is damaged: {what}. No records are lost by that; it is an earlier list of batches. Mend: {mend}.",
                        path.display()
                    ),
                    path,
                });
                // The manifest that counts says what should come before its own damaged copy.
                let own = revision == current.manifest.revision;
                wanted = current.manifest.previous_sha256.clone().filter(|_| own);
            }
        }
    }
}

/// Counts files that an interrupted run left.
fn leftovers(registry: &Registry, manifest: &Manifest) -> u64 {
    let paths = registry.paths();
    let named = |name: &str| manifest.files().any(|(_, file)| file.name == name);
    let left = |folder: &Path, goes: &dyn Fn(&str) -> bool| -> u64 {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        entries.filter(|entry| goes(&entry.file_name().to_string_lossy())).count() as u64
    };
    let unfinished = |name: &str| name.starts_with(TEMPORARY);
    left(paths.folder(), &unfinished)
        + left(&paths.batches(), &|name| unfinished(name) || (is_batch_file(name) && !named(name)))
        + left(&paths.manifests(), &|name| {
            unfinished(name) || revision_of(name).is_some_and(|revision| revision > manifest.revision)
        })
}
