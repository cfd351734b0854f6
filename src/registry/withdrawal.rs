//! A patient's records leave every batch; that something was removed stays.
//!
//! Files that hold them are written anew without them, the new manifest is made to count, then the old files are removed. Earlier
//! manifests name files that are gone, so they bring nothing back. Copies outside the folder (backups, exports) are not reached.

use std::collections::BTreeSet;

use polars::prelude::{BooleanChunked, DataFrame, NewChunkedArray};

use super::batch_file::{load, store};
use super::durable::{remove, sync_folder};
use super::error::RegistryError;
use super::manifest::{Batch, BatchKind, Counts, Holds, Manifest};
use super::stop_point::{self, reach};
use super::writer::Writer;
use crate::quantity::Day;

/// What left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Withdrawn {
    /// Number of the entry that says so.
    pub batch: u32,
    /// Rows of placements.
    pub placements: u64,
    /// Rows of visits.
    pub visits: u64,
}

impl Writer {
    /// Takes every record of a patient out of every batch. `patient` is the name in the registry, so a pseudonym if it has a key.
    ///
    /// All versions of the restorations that are the patient's now leave, and every row that ever named the patient.
    ///
    /// # Errors
    /// When nothing is kept of this patient, a file is damaged, or the system refuses; then all stays as it was.
    pub fn withdraw(&mut self, patient: &str, day: Day) -> Result<Withdrawn, RegistryError> {
        let restorations = self.restorations_of(patient)?;
        let mut next = self.manifest().clone();
        let done = self.rewrite(&mut next, patient, &restorations).and_then(|(placements, visits)| {
            if placements + visits == 0 {
                return Err(RegistryError::NoSuchPatient);
            }
            reach(stop_point::FILES_READY);
            let batch = next.revision + 1;
            let left = |withdrawn| Counts { withdrawn, ..Counts::default() };
            let entry = Batch {
                number: batch,
                kind: BatchKind::Withdrawal,
                day,
                sources: Vec::new(),
                own_columns: Vec::new(),
                vocabulary: None,
                files: Vec::new(),
                placements: left(placements),
                visits: left(visits),
            };
            let before: BTreeSet<String> = names(self.manifest());
            self.publish(next.with(&self.registry.sealed().sha256, entry))?;
            Ok((before, Withdrawn { batch, placements, visits }))
        });
        match done {
            Ok((before, withdrawn)) => {
                self.remove_replaced(&before)?;
                Ok(withdrawn)
            }
            Err(error) => {
                self.tidy_up();
                Err(error)
            }
        }
    }

    /// The restorations that are the patient's now.
    fn restorations_of(&self, patient: &str) -> Result<BTreeSet<String>, RegistryError> {
        let kept = self.read()?;
        let (patients, ids) = (kept.placements.0.text("patient_id")?, kept.placements.0.text("restoration_id")?);
        let of_patient = patients.iter().zip(ids.iter()).filter(|(name, _)| *name == Some(patient));
        Ok(of_patient.filter_map(|(_, id)| id.map(str::to_owned)).collect())
    }

    /// Writes every file that holds the patient's rows anew without them, and says so in the manifest. Gives how many rows left.
    fn rewrite(
        &self,
        next: &mut Manifest,
        patient: &str,
        restorations: &BTreeSet<String>,
    ) -> Result<(u64, u64), RegistryError> {
        let (mut placements, mut visits) = (0, 0);
        for batch in &mut next.batches {
            let mut files = Vec::new();
            for file in &batch.files {
                let frame = load(self.registry.paths(), batch, file)?;
                let stays = staying(&frame, file.holds, patient, restorations)?;
                let staying = stays.iter().filter(|stays| **stays).count();
                let leaving = (stays.len() - staying) as u64;
                if leaving == 0 {
                    files.push(file.clone());
                    continue;
                }
                if staying > 0 {
                    let rest = frame.filter(&BooleanChunked::from_slice("stays".into(), &stays))?;
                    files.push(store(self.registry.paths(), file.holds, &rest)?);
                }
                let (counts, total) = match file.holds {
                    Holds::Placements => (&mut batch.placements, &mut placements),
                    Holds::Visits => (&mut batch.visits, &mut visits),
                };
                counts.kept -= leaving;
                counts.withdrawn += leaving;
                *total += leaving;
            }
            batch.files = files;
        }
        Ok((placements, visits))
    }

    /// Removes the files that the new manifest no longer names. The records have left already; if a file can't be removed now, the
    /// error says so and the next writer removes it.
    fn remove_replaced(&self, before: &BTreeSet<String>) -> Result<(), RegistryError> {
        let now = names(self.manifest());
        let paths = self.registry.paths();
        for name in before.difference(&now) {
            let path = paths.batch_file(name);
            remove(&path).map_err(|error| match error {
                RegistryError::NotWritten(path, error) => RegistryError::NotRemoved(path, error),
                error => error,
            })?;
            reach(stop_point::ONE_REMOVED);
        }
        sync_folder(&paths.batches()).map_err(|error| RegistryError::not_written(&paths.batches(), &error))?;
        reach(stop_point::ALL_REMOVED);
        Ok(())
    }
}

fn names(manifest: &Manifest) -> BTreeSet<String> {
    manifest.files().map(|(_, file)| file.name.clone()).collect()
}

/// Which rows of a file stay.
fn staying(
    frame: &DataFrame,
    holds: Holds,
    patient: &str,
    restorations: &BTreeSet<String>,
) -> Result<Vec<bool>, RegistryError> {
    let ids = frame.column("restoration_id")?.as_materialized_series().str()?;
    let of_patient = ids.iter().map(|id| id.is_some_and(|id| restorations.contains(id)));
    Ok(match holds {
        Holds::Visits => of_patient.map(|leaves| !leaves).collect(),
        Holds::Placements => {
            let names = frame.column("patient_id")?.as_materialized_series().str()?;
            of_patient.zip(names.iter()).map(|(leaves, name)| !leaves && name != Some(patient)).collect()
        }
    })
}
