//! Records on their way into a registry: read piece by piece and staged, then judged part by part, so that the memory taken doesn't
//! grow with the files. Rows are encoded for the disk while cells of others are checked; parts are judged two at a time.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::hash::{BuildHasher, RandomState};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::sync::{Mutex, PoisonError};
use std::thread;

use polars::prelude::DataFrame;

use super::exit::Exit;
use super::reading::{ReadRecords, Stop, last_day};
use crate::cohort::meaning::{OverAll, check_part, replaced_elsewhere};
use crate::cohort::spelling::Spellings;
use crate::cohort::{Looks, VisitRows, lay_out};
use crate::finding::{FindingKind, Findings, Place};
use crate::intake::folder::{PiecesRead, read_pieces};
use crate::intake::{IntakeRequest, Piece, TableRead};
use crate::protocol::Protocol;
use crate::record::RecordKind;
use crate::registry::identity::is_pseudonym;
use crate::registry::{Holds, PairSorter, Parts, RegistryError, SourceFile, Staged, Staging, Weighed, WeighedPart};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{RecordTable, TableError};
use crate::wording::{counted, folded};

/// Rows of a part: few enough that two parts take little memory, many enough that there are few parts.
const PART_ROWS: usize = 750_000;

/// Pieces that may wait to be written, so that cells are checked meanwhile.
const WAITING: usize = 6;

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

/// What is odd in patient ids as given, since pseudonyms tell no spellings apart.
struct GivenIds {
    met: MetIds,
    /// Those that are written in more than one way.
    spellings: Spellings,
    pseudonyms: u64,
}

/// How patient ids are written, as hashes that mean nothing outside this run: ids as given are on no disk but in the files themselves.
struct MetIds {
    hash: RandomState,
    /// Ids that are written in more than one way: hashes of what all ways have in common.
    alike: HashSet<u64>,
    any_pseudonym: bool,
}

impl MetIds {
    fn alike(&self, id: &str) -> u64 {
        self.hash.hash_one(folded(id))
    }

    /// Looks at some placements.
    fn look(&mut self, frame: &DataFrame, ways: &mut PairSorter) -> Result<(), Stop> {
        let ids = frame.column("patient_id").map_err(TableError::from)?.as_materialized_series();
        for id in ids.str().map_err(TableError::from)?.iter().flatten() {
            ways.add((self.alike(id), self.hash.hash_one(id)))?;
            self.any_pseudonym |= is_pseudonym(id);
        }
        Ok(())
    }

    /// Ends looking.
    fn end(&mut self, ways: PairSorter) -> Result<(), RegistryError> {
        ways.finish(&mut |ways| {
            let pairs = ways.windows(2).filter(|pair| pair[0].0 == pair[1].0 && pair[0].1 != pair[1].1);
            self.alike.extend(pairs.map(|pair| pair[0].0));
            Ok(())
        })
    }
}

impl GivenIds {
    /// Reads the files once more, if any id is odd, but for rows that are set aside.
    fn read(
        met: MetIds,
        request: IntakeRequest<'_>,
        fingerprint: &str,
        set_aside: &dyn Fn((u32, u32)) -> bool,
    ) -> Result<Self, Stop> {
        let mut given = Self { met, spellings: Spellings::new(), pseudonyms: 0 };
        if given.met.alike.is_empty() && !given.met.any_pseudonym {
            return Ok(given);
        }
        let mut findings = Findings::default();
        let read = read_pieces(
            IntakeRequest { progress: None, ..request },
            &mut findings,
            &mut |Piece { kind, frame, .. }| {
                if kind == RecordKind::Placement { given.look(&frame, set_aside) } else { Ok(()) }
            },
        )?;
        if read.is_none_or(|read| read.fingerprint != fingerprint) {
            return Err(Stop(
                Exit::NotWritten,
                "The record files changed while they were read. Nothing was kept. Mend: run it again when no one is writing them.\n"
                    .to_owned(),
            ));
        }
        Ok(given)
    }

    fn look(&mut self, frame: &DataFrame, set_aside: &dyn Fn((u32, u32)) -> bool) -> Result<(), TableError> {
        let table = RecordTable::new(frame.select(["patient_id", FILE_COLUMN, ROW_COLUMN])?, Vec::new());
        let origins = table.origins()?;
        for (row, id) in table.text("patient_id")?.iter().enumerate() {
            if let Some(id) = id
                && !set_aside(origins.place(row))
            {
                self.pseudonyms += u64::from(is_pseudonym(id));
                if self.met.alike.contains(&self.met.alike(id)) {
                    self.spellings.add(id, origins.place(row));
                }
            }
        }
        Ok(())
    }
}

/// Reads all record files into a staging; none if there is nothing to read. `ways` is given where patients are renamed.
///
/// # Errors
/// When the system refuses to write, files change while they are read, or the program is at fault.
pub fn stage(
    request: IntakeRequest<'_>,
    staging: Staging,
    mut ways: Option<PairSorter>,
    findings: &mut Findings,
) -> Result<Option<StagedRecords>, Stop> {
    let mut met = MetIds { hash: RandomState::new(), alike: HashSet::new(), any_pseudonym: false };
    let mut stopped = None;
    let (send, pieces) = sync_channel::<(RecordKind, DataFrame)>(WAITING);
    let (read, staging) = thread::scope(|scope| {
        let writing = scope.spawn(move || -> Result<Staging, RegistryError> {
            let mut staging = staging;
            for (kind, frame) in pieces {
                staging.take(if kind == RecordKind::Visit { Holds::Visits } else { Holds::Placements }, &frame)?;
            }
            Ok(staging)
        });
        let read = read_pieces(request, findings, &mut |Piece { kind, frame, .. }| {
            if let Some(ways) = ways.as_mut().filter(|_| kind == RecordKind::Placement)
                && let Err(stop) = met.look(&frame, ways)
            {
                stopped = Some(stop);
                return Err(TableError::not_taken());
            }
            send.send((kind, frame)).map_err(|_| TableError::not_taken())
        });
        drop(send);
        (read, writing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    // Where writing failed, reading stopped for that reason.
    let staging = staging?;
    if let Some(stop) = stopped {
        return Err(stop);
    }
    let Some(read) = read? else { return Ok(None) };
    let given = match ways {
        None => None,
        Some(ways) => {
            met.end(ways)?;
            Some(GivenIds::read(met, request, &read.fingerprint, &|_| false)?)
        }
    };
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
        if let Some(given) = self.given.take() {
            let staged = &self.staged;
            let set_aside = |place| staged.is_removed(place);
            self.given = Some(GivenIds::read(given.met, request, &self.read.fingerprint, &set_aside)?);
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
    let mut visits = VisitRows::of(&weighed.placements, &weighed.visits)?;
    let last = last_day(&weighed.placements, &visits)?;
    let mut histories = lay_out(&weighed.placements, &mut visits, last, Looks::Taken)?;
    let elsewhere: Vec<&str> = replaced_elsewhere(&weighed.placements)?.into_iter().collect();
    let known = if elsewhere.is_empty() { Vec::new() } else { parts.known(elsewhere.iter().copied())? };
    let unknown = elsewhere.into_iter().zip(known).filter(|(_, known)| !known).map(|(restoration, _)| restoration).collect();
    check_part(&weighed.placements, &visits, &mut histories, protocol, Some(&unknown), findings)?;
    let mut over_all = OverAll::default();
    over_all.add(&weighed.placements, &visits)?;
    Ok((weighed, over_all))
}
