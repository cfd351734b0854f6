//! Records on their way into a registry: read piece by piece and staged, then judged part by part, so that the memory taken doesn't
//! grow with the files. One thread reads and checks cells while another one writes; parts are judged two at a time.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::sync::{Mutex, PoisonError};
use std::thread;

use polars::prelude::DataFrame;

use super::exit::Exit;
use super::reading::{ReadRecords, Stop, last_day};
use crate::cohort::meaning::{OverAll, check_part};
use crate::cohort::select;
use crate::cohort::spelling::Spellings;
use crate::finding::{FindingKind, Findings, Place};
use crate::intake::folder::{PiecesRead, read_pieces};
use crate::intake::{IntakeRequest, RecordKind, TableRead};
use crate::protocol::Protocol;
use crate::registry::identity::is_pseudonym;
use crate::registry::{Holds, Parts, RegistryError, SourceFile, Staged, Staging, Weighed, WeighedPart};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{RecordTable, TableError};
use crate::wording::counted;

/// Rows of a part: few enough that two parts take little memory, many enough that there are few parts.
const PART_ROWS: usize = 750_000;

/// Rows of a part. Builds for tests take `MANEBIT_PART_ROWS` in its place, so that few rows make many parts.
pub fn part_rows() -> usize {
    #[cfg(debug_assertions)]
    if let Some(rows) = std::env::var("MANEBIT_PART_ROWS").ok().and_then(|rows| rows.parse().ok()) {
        return rows;
    }
    PART_ROWS
}

/// Records that were read and staged.
pub struct StagedRecords {
    /// Their rows.
    pub staged: Staged,
    /// What their files gave besides.
    pub read: PiecesRead,
    /// Patient ids as given; none where they stay as they are.
    given: Option<GivenIds>,
}

/// What is seen of patient ids before they are renamed, since pseudonyms tell no spellings apart.
#[derive(Default)]
struct GivenIds {
    spellings: Spellings,
    pseudonyms: u64,
}

impl GivenIds {
    /// Looks at some placements, but for those that are set aside.
    fn look(&mut self, frame: &DataFrame, set_aside: &dyn Fn((u32, u32)) -> bool) -> Result<(), TableError> {
        let table = RecordTable::new(frame.select(["patient_id", FILE_COLUMN, ROW_COLUMN])?, Vec::new());
        let origins = table.origins()?;
        for (row, id) in table.text("patient_id")?.iter().enumerate() {
            if let Some(id) = id
                && !set_aside(origins.place(row))
            {
                self.spellings.add(id, origins.place(row));
                self.pseudonyms += u64::from(is_pseudonym(id));
            }
        }
        Ok(())
    }
}

/// Reads all record files into a staging; none if there is nothing to read. `renamed` says that patients are renamed.
///
/// # Errors
/// When the system refuses to write, or the program is at fault.
pub fn stage(
    request: IntakeRequest<'_>,
    staging: Staging,
    renamed: bool,
    findings: &mut Findings,
) -> Result<Option<StagedRecords>, Stop> {
    let mut given = renamed.then(GivenIds::default);
    let (send, pieces) = sync_channel::<(RecordKind, DataFrame)>(1);
    let (read, staging) = thread::scope(|scope| {
        let writing = scope.spawn(move || -> Result<Staging, RegistryError> {
            let mut staging = staging;
            for (kind, frame) in pieces {
                staging.take(if kind == RecordKind::Visit { Holds::Visits } else { Holds::Placements }, &frame)?;
            }
            Ok(staging)
        });
        let read = read_pieces(request, findings, &mut |kind, frame| {
            if let Some(given) = given.as_mut().filter(|_| kind == RecordKind::Placement) {
                given.look(&frame, &|_| false)?;
            }
            send.send((kind, frame)).map_err(|_| TableError::not_taken())
        });
        drop(send);
        (read, writing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    // Where writing failed, reading stopped for that reason.
    let staging = staging?;
    let Some(read) = read? else { return Ok(None) };
    let source =
        |source: &crate::intake::folder::Source| SourceFile { name: source.name.clone(), sha256: source.digest.clone() };
    let staged = staging.end(read.sources.iter().map(source).collect())?;
    Ok(Some(StagedRecords { staged, read, given }))
}

impl ReadRecords for StagedRecords {
    fn rows(&self) -> (u64, u64) {
        let [placements, visits] = self.staged.rows();
        (placements, visits)
    }

    fn tables(&self) -> &[TableRead] {
        &self.read.tables
    }

    fn file_unread(&self) -> bool {
        self.read.file_unread
    }

    fn remove(&mut self, rows: &BTreeMap<String, BTreeSet<u64>>, request: IntakeRequest<'_>) -> Result<(), Stop> {
        self.staged.remove(rows)?;
        if self.given.is_some() {
            // Ids as given are on no disk but in the files themselves.
            let (mut given, mut findings) = (GivenIds::default(), Findings::default());
            let staged = &self.staged;
            let read = read_pieces(IntakeRequest { progress: None, ..request }, &mut findings, &mut |kind, frame| {
                if kind == RecordKind::Placement { given.look(&frame, &|place| staged.is_removed(place)) } else { Ok(()) }
            })?;
            if read.is_none_or(|read| read.fingerprint != self.read.fingerprint) {
                return Err(Stop(
                    Exit::NotWritten,
                    "The record files changed while they were read. Nothing was kept. Mend: run it again when no one is writing them.\n"
                        .to_owned(),
                ));
            }
            self.given = Some(given);
        }
        Ok(())
    }
}

impl StagedRecords {
    /// Names what is odd in patient ids as given.
    pub fn note_given(&self, findings: &mut Findings) {
        let Some(given) = &self.given else { return };
        let files: Vec<String> = self.read.sources.iter().map(|source| source.name.clone()).collect();
        given.spellings.close(&files, "patient_id", "patients", findings);
        if given.pseudonyms > 0 {
            findings.note(
                FindingKind::PseudonymGiven,
                Place::file(files.first().map_or("", String::as_str)),
                None,
                format!(
                    "{} are pseudonyms of a registry already; they are kept as they are.",
                    counted(given.pseudonyms, "id", "ids")
                ),
                "Nothing to mend if this registry was started with the key that made them.",
            );
        }
    }
}

/// What came of the parts that were judged so far, in whatever order.
struct Sum {
    weighed: Weighed,
    over_all: OverAll,
    findings: Findings,
    /// The first part that failed, and why.
    failed: Option<(usize, Stop)>,
}

/// Weighs and checks all parts, two at a time; what is found and what they come to is the same in any order.
///
/// # Errors
/// When a kept file is damaged, the system refuses, or the program is at fault.
pub fn judge(parts: &Parts<'_>, protocol: &Protocol, findings: &mut Findings) -> Result<Weighed, Stop> {
    let sum = Sum { weighed: parts.nothing(), over_all: OverAll::default(), findings: findings.none_like(), failed: None };
    let (next, sum) = (AtomicUsize::new(0), Mutex::new(sum));
    let none = findings.none_like();
    let work = || {
        loop {
            let part = next.fetch_add(1, Ordering::Relaxed);
            if part >= parts.count() {
                break;
            }
            let mut found = none.none_like();
            let judged = judge_part(parts, part, protocol, &mut found);
            let sum = &mut *sum.lock().unwrap_or_else(PoisonError::into_inner);
            match judged {
                Ok((weighed, over_all)) => {
                    sum.weighed.take_over(&weighed);
                    sum.over_all.take_over(&over_all);
                    sum.findings.take_over(found);
                }
                Err(stop) => {
                    next.store(parts.count(), Ordering::Relaxed);
                    if sum.failed.as_ref().is_none_or(|(first, _)| part < *first) {
                        sum.failed = Some((part, stop));
                    }
                }
            }
        }
    };
    let threads = thread::available_parallelism().map_or(1, usize::from).min(2).min(parts.count());
    thread::scope(|scope| (0..threads).for_each(|_| drop(scope.spawn(work))));
    let sum = sum.into_inner().unwrap_or_else(PoisonError::into_inner);
    if let Some((_, stop)) = sum.failed {
        return Err(stop);
    }
    findings.take_over(sum.findings);
    let files = parts.files();
    sum.over_all.close(&files, &files, findings);
    Ok(sum.weighed)
}

/// A part: weighed, then kept and new rows checked together, since a visit may belong to a restoration of an earlier batch.
fn judge_part(
    parts: &Parts<'_>,
    part: usize,
    protocol: &Protocol,
    findings: &mut Findings,
) -> Result<(WeighedPart, OverAll), Stop> {
    let weighed = parts.weigh(part, findings)?;
    // Nothing lies after the last day of a part, so this leaves nothing out.
    let last = last_day(&weighed.placements, &weighed.visits)?;
    let mut histories = select(&weighed.placements, &weighed.visits, last)?;
    let known = |restoration: &str| parts.knows(restoration);
    check_part(&weighed.placements, &weighed.visits, &mut histories, protocol, &known, findings)?;
    let mut over_all = OverAll::default();
    over_all.add(&weighed.placements, &weighed.visits)?;
    Ok((weighed, over_all))
}
