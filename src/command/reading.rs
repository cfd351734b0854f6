//! What every command that takes records does first: read them, check them, and set rows aside where asked.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use chrono::Local;
use clap::Args;

use super::exit::Exit;
use crate::cohort::from_files::read_course;
use crate::cohort::{Histories, Looks, VisitPiece, VisitReader, VisitRows, lay_out, meaning, patients_of};
use crate::finding::{FindingKind, Findings, Severity};
use crate::intake::folder::raw_rows;
use crate::intake::{Intake, IntakeRequest, TableRead, read_records};
use crate::protocol::Protocol;
use crate::quantity::Day;
use crate::record::RecordKind;
use crate::registry::batch_file::CheckedAhead;
use crate::registry::{Holds, Kept, Registry, RegistryError};
use crate::report::findings_file::{FindingsFileError, write_findings};
use crate::report::findings_text::{findings_count, findings_text};
use crate::report::set_aside::{SetAsideTable, write_set_aside};
use crate::table::{Filled, NO_DAY, Piece, PlacementTable, StatedRows, TableError, VisitTable};
use crate::wording::{count, escape_terminal, system_said, without_error_numbers};

/// Arguments of every command that reads records.
#[derive(Debug, Args)]
pub struct ReadingArguments {
    /// Folder with the record files, or one such file (.csv, .xlsx, .parquet, .jsonl), or a registry.
    pub records: PathBuf,
    /// The registry as it stood when it had accepted this batch [default: the last one].
    #[arg(long, value_name = "NUMBER")]
    pub batch: Option<u32>,
    /// Protocol file; without it the built-in protocol holds.
    #[arg(long, value_name = "FILE")]
    pub protocol: Option<PathBuf>,
    /// What is declared of the files: columns, terms, units, notation [default: records.toml beside them].
    #[arg(long, value_name = "FILE")]
    pub declaration: Option<PathBuf>,
    /// Let the good rows through, and write the bad ones with the reasons into this file, .xlsx or .csv, to be mended and read
    /// again.
    #[arg(long, value_name = "FILE")]
    pub set_aside: Option<PathBuf>,
    /// List all findings in this file, too: .csv, to lay beside the records, or .json.
    #[arg(long, value_name = "FILE")]
    pub findings: Option<PathBuf>,
}

impl ReadingArguments {
    /// Writes the list of findings, where asked.
    fn list_findings(&self, parts: &[&Findings]) -> Result<(), Stop> {
        let Some(path) = &self.findings else { return Ok(()) };
        let mut all = Findings::default();
        for part in parts {
            all.take_over((*part).clone());
        }
        write_findings(path, &all).map_err(|error| {
            let exit = if matches!(error, FindingsFileError::UnknownForm(_)) { Exit::Usage } else { Exit::NotWritten };
            Stop(exit, format!("{error}\n"))
        })
    }
}

/// Why a run stops, said once.
pub struct Stop(pub Exit, pub String);

/// Records that were read, in memory or not, and from which rows may be taken out.
pub trait ReadRecords {
    /// How many placements and visits there are.
    fn rows(&self) -> (u64, u64);
    /// Each table of each file.
    fn tables(&self) -> &[TableRead];
    /// Whether a file may have been left unread.
    fn file_unread(&self) -> bool;
    /// Takes rows out, given by file and row number.
    ///
    /// # Errors
    /// When rows can't be read again.
    fn remove(&mut self, rows: &BTreeMap<String, BTreeSet<u64>>, request: IntakeRequest<'_>) -> Result<(), Stop>;
}

impl ReadRecords for Intake {
    fn rows(&self) -> (u64, u64) {
        (self.placements.0.len() as u64, self.visits.0.len() as u64)
    }

    fn tables(&self) -> &[TableRead] {
        &self.tables
    }

    fn file_unread(&self) -> bool {
        self.file_unread
    }

    fn remove(&mut self, rows: &BTreeMap<String, BTreeSet<u64>>, _: IntakeRequest<'_>) -> Result<(), Stop> {
        self.placements = PlacementTable(self.placements.0.without(rows)?);
        self.visits = VisitTable(self.visits.0.without(rows)?);
        self.filled = [&self.placements.0, &self.visits.0].map(|table| Filled::of(table.frame()));
        Ok(())
    }
}

/// Records that were read and found good, with what was made of them.
pub struct Judged<J, R = Intake> {
    /// The protocol.
    pub protocol: Protocol,
    /// What was read, less what was set aside.
    pub intake: R,
    /// What was made of it.
    pub made: J,
    /// What was found in single rows.
    pub of_rows: Findings,
    /// What was found where rows meet.
    pub of_meeting: Findings,
    /// Rows set aside.
    pub set_aside: SetAside,
}

/// The restorations with their visits, as of the last day in the records.
pub struct Course {
    /// The histories.
    pub histories: Histories,
    /// The last day in the records.
    pub last_day: Day,
    /// The visits as they came.
    pub visits: VisitRows,
}

/// Records that were read and checked by themselves.
pub type Checked = Judged<Course>;

/// Rows set aside, by kind, and where they are.
#[derive(Debug, Default)]
pub struct SetAside {
    /// Placements.
    pub placements: u64,
    /// Visits.
    pub visits: u64,
    /// Files with the rows and the reasons.
    pub files: Vec<PathBuf>,
    /// The errors in them.
    pub errors: Findings,
}

/// What errors stopped.
pub struct Stopped<R = Intake> {
    /// All that was found.
    pub findings: Findings,
    /// What was read, where anything could be.
    pub intake: Option<R>,
}

/// Today. Builds for tests take `MANEBIT_TODAY` in its place, so that a clock can be wrong.
pub fn today() -> Day {
    #[cfg(debug_assertions)]
    if let Some(day) = std::env::var("MANEBIT_TODAY").ok().and_then(|day| Day::from_iso_bytes(day.as_bytes())) {
        return day;
    }
    Day::from(Local::now().date_naive())
}

/// Says on a terminal what goes on; silent in a pipe.
pub fn progress(step: &str) {
    if std::io::stderr().is_terminal() {
        eprintln!("… {step}");
    }
}

impl From<TableError> for Stop {
    fn from(error: TableError) -> Self {
        fault(error)
    }
}

/// Says on a terminal how many rows of a table something was done with, always on the same line.
pub fn rows_done(table: &str, rows: u64) {
    if std::io::stderr().is_terminal() {
        eprint!("\r… {}: {} rows\u{1b}[K\r", escape_terminal(table), count(rows));
    }
}

/// A fault of the program itself.
pub fn fault(error: impl std::fmt::Display) -> Stop {
    Stop(Exit::NotWritten, format!("This is a fault of the program, not of your records: {error}\n"))
}

/// The exit code of a run; says why it stopped.
pub fn ended(run: Result<Exit, Stop>) -> Exit {
    run.unwrap_or_else(|Stop(exit, message)| {
        eprint!("{}", without_error_numbers(&message));
        exit
    })
}

/// Stops with all errors in words; `done` is what was not done: written, kept.
pub fn stop(findings: &Findings, done: &str) -> Stop {
    let text = findings_text(findings, Severity::Error);
    let count = findings_count(findings, Severity::Error);
    // What isn't there is a slip of the command, not of the records.
    let missing = findings.by_kind().iter().any(|(kind, _)| *kind == FindingKind::FolderMissing);
    Stop(
        if missing { Exit::Usage } else { Exit::Findings },
        format!("{text}{count}. Nothing was {done}; mend these and run it again.\n"),
    )
}

/// Reads the protocol of a command.
///
/// # Errors
/// When it can't be read or contradicts itself.
pub fn protocol(path: Option<&Path>) -> Result<Protocol, Stop> {
    let Some(path) = path else { return Ok(Protocol::built_in()) };
    let name = path.display().to_string();
    let name = escape_terminal(&name);
    let text = std::fs::read_to_string(path).map_err(|error| {
        Stop(
            Exit::Usage,
            format!(
                "{name}: the protocol can't be read: {}.\nMend: check the path given with --protocol, and the file.\n",
                system_said(&error)
            ),
        )
    })?;
    Protocol::read(&text).map_err(|error| {
        let said = escape_terminal(&error.to_string()).into_owned();
        Stop(
            Exit::Usage,
            format!(
                "{name}, {said}\nMend: correct it; “manebit protocol” prints the built-in one, with what each line may say.\n"
            ),
        )
    })
}

/// What will be asked of records that a registry keeps.
#[derive(Clone, Copy, Debug)]
pub enum Wanted<'a> {
    /// Whole tables.
    Tables,
    /// Placements with these factors beside what each review needs (none named: all columns), and what a review needs of each visit,
    /// which is to be laid out a second time or not.
    Course(Option<&'a [String]>, Looks),
    /// What is checked where rows meet, and how far all columns are filled.
    Check,
}

impl Wanted<'_> {
    /// The columns of placements that stay; none if all do.
    fn columns(self, protocol: &Protocol) -> Option<Vec<String>> {
        match self {
            Self::Tables => None,
            Self::Course(factors, _) => factors.map(|factors| needed_columns(factors, protocol)),
            Self::Check => Some(needed_columns(&[], protocol)),
        }
    }
}

/// Reads and checks records, or what a registry keeps; `Err` in the result holds the findings where errors stop the way.
///
/// # Errors
/// When the protocol can't be read, set-aside rows can't be written, the registry is damaged, or the program is at fault.
pub fn read_checked(arguments: &ReadingArguments, wanted: Wanted<'_>) -> Result<Result<Checked, Stopped>, Stop> {
    let looks = if let Wanted::Course(_, looks) = wanted { looks } else { Looks::Taken };
    // Rows can be set aside from tables only.
    let wanted = if arguments.set_aside.is_some() { Wanted::Tables } else { wanted };
    let in_pieces: Cell<Option<VisitRows>> = Cell::new(None);
    let read = |protocol: &Protocol, request: IntakeRequest<'_>, findings: &mut Findings| {
        Ok(match read_registry(arguments, protocol, wanted, findings)? {
            Some((intake, visits)) => {
                in_pieces.set(visits);
                Some(intake)
            }
            None => match wanted {
                Wanted::Tables => read_records(request, findings)?,
                Wanted::Course(..) | Wanted::Check => {
                    let needed = wanted.columns(protocol);
                    read_course(request, needed.as_deref(), findings)?.map(|(intake, visits)| {
                        in_pieces.set(Some(visits));
                        intake
                    })
                }
            },
        })
    };
    read_judged(arguments, read, |protocol, intake, findings| {
        let mut visits = match in_pieces.take() {
            Some(visits) => visits,
            None => VisitRows::of(&intake.placements, &intake.visits)?,
        };
        let last_day = last_day(&intake.placements, &visits)?;
        let mut histories = lay_out(&intake.placements, &mut visits, last_day, looks)?;
        if arguments.set_aside.is_none() {
            drop_unread(&mut histories, &visits, intake);
        }
        meaning::check(&intake.placements, &visits, &mut histories, protocol, findings)?;
        let none_placed = !intake.tables.iter().any(|table| table.holds == Some(RecordKind::Placement));
        if none_placed && !intake.file_unread && !findings.any_error() {
            findings.note(
                FindingKind::NoRecordFiles,
                crate::finding::Place::file(&arguments.records.display().to_string()),
                None,
                "There are no placements.",
                "Add a file of placements (with a column placed_on).",
            );
        }
        Ok(Course { histories, last_day, visits })
    })
}

/// Reads and checks records and lays them out as they stood on a day: the one given, which has come, or the last in the records.
///
/// # Errors
/// As [`read_checked`]; where errors stop the way; and when nothing had been placed by that day.
pub fn read_as_of(
    arguments: &ReadingArguments,
    as_of: Option<Day>,
    factors: Option<&[String]>,
) -> Result<(Checked, Day), Stop> {
    let today = today();
    if let Some(as_of) = as_of.filter(|as_of| *as_of > today) {
        return Err(Stop(
            Exit::Usage,
            format!("{as_of} has not come yet (today is {today}). Mend: give an earlier day with --as-of.\n"),
        ));
    }
    let looks = if as_of.is_some() { Looks::Copied } else { Looks::Taken };
    let wanted = Wanted::Course(factors, looks);
    let mut checked = read_checked(arguments, wanted)?.map_err(|stopped| stop(&stopped.findings, "written"))?;
    let mut visits = std::mem::take(&mut checked.made.visits);
    let as_of = as_of.unwrap_or(checked.made.last_day);
    if as_of != checked.made.last_day {
        let placements = &checked.intake.placements;
        let mut part = lay_out(placements, &mut visits, as_of, Looks::Taken).map_err(fault)?;
        checked.of_meeting = Findings::default();
        meaning::check(placements, &visits, &mut part, &checked.protocol, &mut checked.of_meeting).map_err(fault)?;
        checked.made.histories = part;
    }
    if checked.made.histories.is_empty() {
        return Err(Stop(
            Exit::Usage,
            format!("No restoration had been placed by {as_of}. Mend: give a later day with --as-of.\n"),
        ));
    }
    Ok((checked, as_of))
}

/// What a folder or file of records is called, to name results after it.
pub fn name_of(records: &Path) -> String {
    let full = records.canonicalize().unwrap_or_else(|_| records.to_owned());
    let stem = if full.is_file() { full.file_stem() } else { full.file_name() };
    stem.map_or_else(|| "records".to_owned(), |name| name.to_string_lossy().into_owned())
}

/// Reads records by way of `read`, hands them to `judge` (both add what they find), and, where asked, sets rows with errors aside
/// and judges the rest again, since a visit may have lost its placement.
///
/// # Errors
/// As `read_checked`, or what the reader or the judge says.
pub fn read_judged<R: ReadRecords, J>(
    arguments: &ReadingArguments,
    read: impl FnOnce(&Protocol, IntakeRequest<'_>, &mut Findings) -> Result<Option<R>, Stop>,
    mut judge: impl FnMut(&Protocol, &R, &mut Findings) -> Result<J, Stop>,
) -> Result<Result<Judged<J, R>, Stopped<R>>, Stop> {
    let protocol = protocol(arguments.protocol.as_deref())?;
    let aside = arguments.set_aside.as_deref();
    if let Some(path) = aside.filter(|path| path.exists()) {
        return Err(Stop(
            Exit::NotWritten,
            format!(
                "{} is there already and is not written over. Mend: give another name with --set-aside.\n",
                path.display()
            ),
        ));
    }
    let fresh = || if aside.is_some() { Findings::keeping_all_errors() } else { Findings::default() };
    let mut of_rows = fresh();
    progress("reading records");
    let request = IntakeRequest {
        records: &arguments.records,
        declaration: arguments.declaration.as_deref(),
        today: today(),
        own_columns: &protocol.own_factors,
        progress: Some(&rows_done),
    };
    let Some(mut intake) = read(&protocol, request, &mut of_rows)? else {
        arguments.list_findings(&[&of_rows])?;
        return Ok(Err(Stopped { findings: of_rows, intake: None }));
    };
    progress("checking");
    let whole = intake.rows();
    let mut errors = fresh();
    loop {
        let mut of_meeting = fresh();
        let made = judge(&protocol, &intake, &mut of_meeting)?;
        if !of_rows.any_error() && !of_meeting.any_error() {
            arguments.list_findings(&[&errors, &of_rows, &of_meeting])?;
            let mut set_aside = SetAside { errors, ..SetAside::default() };
            if let Some(path) = aside {
                let rest = intake.rows();
                (set_aside.placements, set_aside.visits) = (whole.0 - rest.0, whole.1 - rest.1);
                write_aside(&mut set_aside, path, request, intake.tables())?;
            }
            return Ok(Ok(Judged { protocol, intake, made, of_rows, of_meeting, set_aside }));
        }
        // Rows with errors go, and the rest is judged again. Errors in rows of a single file were found once and for all; those
        // where rows meet must name rows that are there.
        let mut bad: BTreeMap<String, BTreeSet<u64>> = BTreeMap::new();
        for findings in [&of_rows, &of_meeting] {
            for (file, rows) in findings.errors_by_row() {
                bad.entry(file.to_owned()).or_default().extend(rows.keys());
            }
        }
        let before = intake.rows();
        let stuck = intake.file_unread() || of_rows.any_of_whole_table() || of_meeting.any_of_whole_table();
        if aside.is_some() && !stuck {
            intake.remove(&bad, request)?;
        }
        let none_gone = before == intake.rows();
        if aside.is_none() || stuck || (none_gone && of_meeting.any_error()) {
            of_rows.take_over(of_meeting);
            of_rows.take_over(errors);
            arguments.list_findings(&[&of_rows])?;
            return Ok(Err(Stopped { findings: of_rows, intake: Some(intake) }));
        }
        let (row_errors, cautions) = of_rows.part();
        of_rows = cautions;
        errors.take_over(row_errors);
        errors.take_over(of_meeting.part().0);
    }
}

/// What a registry keeps, in the shape of an intake; none if the folder is no registry.
fn read_registry(
    arguments: &ReadingArguments,
    protocol: &Protocol,
    wanted: Wanted<'_>,
    findings: &mut Findings,
) -> Result<Option<(Intake, Option<VisitRows>)>, Stop> {
    if !Registry::is_one(&arguments.records) {
        return match arguments.batch {
            Some(_) => Err(Stop(
                Exit::Usage,
                format!("{} is no registry, so it has no batches. Mend: leave --batch out.\n", arguments.records.display()),
            )),
            None => Ok(None),
        };
    }
    let registry = Registry::open(&arguments.records)?;
    let (kept, visit_rows, filled) = match wanted {
        Wanted::Tables => {
            let kept = registry.read(arguments.batch)?;
            let filled = [&kept.placements.0, &kept.visits.0].map(|table| Filled::of(table.frame()));
            (kept, None, filled)
        }
        Wanted::Course(..) | Wanted::Check => {
            let needed = wanted.columns(protocol);
            registry.steadily(arguments.batch, |registry, batch| {
                let (placements, checked) = std::thread::scope(|scope| {
                    // The digest of the visits is reckoned meanwhile.
                    let checked = scope.spawn(|| registry.check_visits_ahead(batch));
                    let placements = || -> Result<(Kept, Filled), RegistryError> {
                        let kept = registry.placements(batch, needed.as_deref())?;
                        let filled = match wanted {
                            Wanted::Check => filled_placements(registry, batch)?,
                            _ => kept.placements.0.filled(),
                        };
                        Ok((kept, filled))
                    };
                    let placements = placements();
                    (placements, checked.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
                });
                let (kept, filled) = placements?;
                let (rows, visits) = visits_of(registry, &kept, checked?)?;
                Ok((kept, Some(rows), [filled, visits]))
            })?
        }
    };
    for own in protocol.own_factors.iter().filter(|own| !kept.own_columns.contains(own)) {
        findings.note(
            FindingKind::OwnColumnMissing,
            crate::finding::Place { file: "the registry".to_owned(), row: None, column: Some(own.clone()) },
            None,
            "The protocol names this column under own_factors, and no batch has it.",
            "Correct the name in the protocol; ingest with this protocol keeps the column.",
        );
    }
    let table = |kind: RecordKind, filled: &Filled| TableRead {
        name: arguments.records.display().to_string(),
        said: format!("registry, batch {}", kept.batch),
        holds: Some(kind),
        received: filled.rows(),
        unfolded: 0,
    };
    let tables = vec![table(RecordKind::Placement, &filled[0]), table(RecordKind::Visit, &filled[1])];
    let intake = Intake {
        placements: PlacementTable(kept.placements.0.with_text_columns(&protocol.own_factors)?),
        visits: kept.visits,
        filled,
        tables,
        sources: Vec::new(),
        fingerprint: kept.fingerprint,
        file_unread: false,
        unread_restorations: std::collections::HashSet::new(),
    };
    Ok(Some((intake, visit_rows)))
}

/// The columns of placements that a review needs, and those of its factors.
fn needed_columns(factors: &[String], protocol: &Protocol) -> Vec<String> {
    let factors = if factors.is_empty() { &protocol.factors } else { factors };
    let own = factors.iter().chain(&protocol.own_factors).map(String::as_str);
    NEEDED.iter().copied().chain(own).map(str::to_owned).collect()
}

/// What is checked, or told, of placements whatever the factors.
const NEEDED: &[&str] = &[
    "restoration_id",
    "patient_id",
    "tooth",
    "surface",
    "placed_on",
    "entered_on",
    "operator",
    "aetiology",
    "replaces_restoration",
];

/// How far all columns of placements are filled.
fn filled_placements(registry: &Registry, batch: u32) -> Result<Filled, RegistryError> {
    let mut filled = Filled::default();
    registry.pieces(
        batch,
        Holds::Placements,
        |piece| Ok::<_, RegistryError>(Filled::of(&piece)),
        |piece| {
            filled.add(&piece);
            Ok(())
        },
    )?;
    Ok(filled)
}

/// The visits that a registry keeps beside placements, and how far their columns are filled, read piece by piece; what each visit says
/// is told where it is decoded.
fn visits_of(registry: &Registry, kept: &Kept, checked: CheckedAhead) -> Result<(VisitRows, Filled), RegistryError> {
    std::thread::scope(|scope| {
        let patients = scope.spawn(|| patients_of(&kept.placements));
        let reader = VisitReader::new(&kept.placements)?;
        let mut visits = reader.begin();
        visits.make_room(registry.visits_received(kept.batch));
        visits.make_room_for_placements(kept.placements.0.len());
        let mut filled = Filled::default();
        let make = |piece: Piece, stated: StatedRows| {
            let mut columns = piece.filled();
            stated.fill(&mut columns);
            Ok::<_, RegistryError>((columns, reader.read_stated(&piece, &stated)?))
        };
        let take = |(columns, piece): (Filled, VisitPiece)| {
            filled.add(&columns);
            visits.take(piece);
            Ok(())
        };
        registry.visit_pieces(kept.batch, checked, make, take)?;
        let patients = patients.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
        Ok((visits.of_patients(patients).from_files(registry.files(kept.batch)), filled))
    })
}

/// Writes the rows set aside with their reasons, and counts those that never became rows of a table.
fn write_aside(
    set_aside: &mut SetAside,
    path: &Path,
    request: IntakeRequest<'_>,
    tables_read: &[TableRead],
) -> Result<(), Stop> {
    let by_row = set_aside.errors.errors_by_row();
    if by_row.is_empty() {
        return Ok(());
    }
    let wanted = by_row.iter().map(|(file, rows)| ((*file).to_owned(), rows.keys().copied().collect())).collect();
    let mut tables = Vec::new();
    for raw in raw_rows(request, &wanted) {
        let kind = tables_read.iter().find(|table| table.name == raw.name).and_then(|table| table.holds);
        let reasons = by_row.get(raw.name.as_str());
        let mut rows = Vec::new();
        for (number, cells) in raw.rows {
            let found = reasons.and_then(|reasons| reasons.get(&number));
            let misfit = found.is_some_and(|found| found.iter().any(|one| one.kind == FindingKind::RowLength));
            match kind {
                Some(RecordKind::Placement) => set_aside.placements += u64::from(misfit),
                Some(RecordKind::Visit) => set_aside.visits += u64::from(misfit),
                None => {}
            }
            let why: Vec<String> = found
                .into_iter()
                .flatten()
                .map(|finding| {
                    let column = finding.place.column.as_ref().map_or_else(String::new, |column| format!("{column}: "));
                    format!("{column}{} {}", finding.what, finding.mend)
                })
                .collect();
            rows.push((number, cells, why.join(" ")));
        }
        tables.push(SetAsideTable { name: raw.name, header: raw.header, separator: raw.separator, rows });
    }
    set_aside.files = write_set_aside(path, &tables).map_err(|error| {
        Stop(
            Exit::NotWritten,
            format!(
                "{}: the rows set aside can't be written: {error}. Mend: give another file with --set-aside.\n",
                path.display()
            ),
        )
    })?;
    Ok(())
}

/// Takes out visits whose placement may stand in a row or file that could not be read: that is a finding already, and they are
/// no orphans.
fn drop_unread(histories: &mut Histories, visits: &VisitRows, intake: &Intake) {
    if intake.file_unread {
        histories.orphans.clear();
    }
    let unread = |row: u32| visits.unplaced(row).is_some_and(|id| intake.unread_restorations.contains(id));
    histories.orphans.retain(|&row| !unread(row));
}

/// The last day in the records.
///
/// # Errors
/// When a table lacks its days, which would be a fault of the program.
pub fn last_day(placements: &PlacementTable, visits: &VisitRows) -> Result<Day, TableError> {
    let days = placements.0.days_in_place("placed_on")?;
    let last = (0..placements.0.len()).map(|row| days.get(row)).fold(visits.last_day().unwrap_or(NO_DAY), i32::max);
    Ok(if last == NO_DAY { Day::from_epoch(0) } else { Day::from_epoch(last) })
}
