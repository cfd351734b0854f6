//! Which files hold records, and what they say together.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::{Path, PathBuf};

use polars::prelude::DataFrame;
use sha2::{Digest, Sha256};

use super::declaration::{DECLARATION_FILE, Decimal, Declaration, Encoding, FileDeclaration, LEAVE_OUT, Separator};
use super::plan::{column_name, holds_visits, plan, set_aside_column};
use super::probe::{Format, Probe, probe};
use super::rows::{Context, Piece, Progress, Sink, read_rows};
use super::sheet::{Sheet, open_sheets};
use crate::finding::{FINDING_COLUMNS, FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::{Cell, Column, PLACEMENT_COLUMNS, RecordKind, VISIT_COLUMNS};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, Filled, PlacementTable, RecordTable, TableError, VisitTable};
use crate::threads::{available, in_turn};
use crate::wording::{counted, hexadecimal, system_said};

/// What one table of a file gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableRead {
    /// The file's name, with the sheet's behind it.
    pub name: String,
    /// What kind of table: `CSV, UTF-8, semicolons, decimal comma`.
    pub said: String,
    /// What it holds; none if it was passed over.
    pub holds: Option<RecordKind>,
    /// Rows met.
    pub received: u64,
    /// Visits that stood beside each other in its rows.
    pub unfolded: u64,
}

/// One table that rows came from, as its file was when it was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// The file's name, with the sheet's behind it.
    pub name: String,
    /// SHA-256 of the file's bytes, in hexadecimal.
    pub digest: String,
}

/// What record files gave.
pub struct Intake {
    /// All placements.
    pub placements: PlacementTable,
    /// All visits; none where they were read another way.
    pub visits: VisitTable,
    /// How far the columns of placements and of visits are filled; those of placements may lack some that nobody asked for.
    pub filled: [Filled; 2],
    /// Each table of each file.
    pub tables: Vec<TableRead>,
    /// The tables that rows came from, in the order by which rows name them.
    pub sources: Vec<Source>,
    /// SHA-256 over names and bytes of the record files and of their declaration, in hexadecimal.
    pub fingerprint: String,
    /// Whether a file of placements may have been left unread, so that visits without a placement say nothing.
    pub file_unread: bool,
    /// Restorations named in rows that could not be told into cells.
    pub unread_restorations: HashSet<String>,
}

/// What to read, and how.
#[derive(Clone, Copy)]
pub struct IntakeRequest<'a> {
    /// A folder of record files, or one file.
    pub records: &'a Path,
    /// A declaration by name, instead of the folder's own.
    pub declaration: Option<&'a Path>,
    /// No day lies after this one.
    pub today: Day,
    /// The practice's own columns.
    pub own_columns: &'a [String],
    /// Told how many rows of a table were read, now and then.
    pub progress: Option<&'a Progress>,
}

/// Endings of file names that are looked into.
const RECORD_ENDINGS: &[&str] = &["csv", "tsv", "xlsx", "xlsm", "xls", "ods", "parquet", "jsonl", "ndjson"];

/// Reads all record files into tables.
///
/// What is wrong is added to `findings`; tables are complete only if no error was found.
///
/// # Errors
/// When columns don't make a table, which would be a fault of the program.
pub fn read_records(request: IntakeRequest<'_>, findings: &mut Findings) -> Result<Option<Intake>, TableError> {
    let mut pieces: [Option<DataFrame>; 2] = [None, None];
    let mut sink = |Piece { kind, frame, .. }: Piece| stack(&mut pieces[usize::from(kind == RecordKind::Visit)], frame);
    let Some(read) = read_pieces(request, findings, &mut sink)? else { return Ok(None) };
    let [placements, visits] = pieces;
    let placements = whole(placements, PLACEMENT_COLUMNS, request.own_columns)?;
    let visits = whole(visits, VISIT_COLUMNS, &[])?;
    Ok(Some(read.with(placements, visits)))
}

/// Puts a piece behind those that came before.
///
/// # Errors
/// When they have other columns, which would be a fault of the program.
pub fn stack(pieces: &mut Option<DataFrame>, piece: DataFrame) -> Result<(), TableError> {
    match pieces {
        Some(all) => {
            all.vstack_mut_owned(piece)?;
        }
        empty => *empty = Some(piece),
    }
    Ok(())
}

/// All pieces in one.
fn whole(pieces: Option<DataFrame>, columns: &[Column], own: &[String]) -> Result<DataFrame, TableError> {
    let mut frame = pieces.map_or_else(|| empty_frame(columns, own), Ok)?;
    frame.rechunk_mut();
    Ok(frame)
}

impl PiecesRead {
    /// The same with the rows.
    pub fn with(self, placements: DataFrame, visits: DataFrame) -> Intake {
        let table = |frame| RecordTable::new(frame, self.sources.iter().map(|source| source.name.clone()).collect());
        Intake {
            placements: PlacementTable(table(placements)),
            visits: VisitTable(table(visits)),
            filled: self.filled,
            tables: self.tables,
            sources: self.sources,
            fingerprint: self.fingerprint,
            file_unread: self.file_unread,
            unread_restorations: self.unread_restorations,
        }
    }
}

/// What record files gave, but for the rows themselves.
#[derive(Clone, Debug, Default)]
pub struct PiecesRead {
    /// How far the columns of placements and of visits are filled.
    pub filled: [Filled; 2],
    /// Each table of each file.
    pub tables: Vec<TableRead>,
    /// The tables that rows came from, in the order by which rows name them.
    pub sources: Vec<Source>,
    /// SHA-256 over names and bytes of the record files and of their declaration, in hexadecimal.
    pub fingerprint: String,
    /// Whether a file of placements may have been left unread.
    pub file_unread: bool,
    /// Restorations named in rows that could not be told into cells.
    pub unread_restorations: HashSet<String>,
}

/// Reads all record files and hands the rows on piece by piece, so that the memory taken doesn't grow with a file of text. Files that
/// hold nothing but visits are read after all others.
///
/// # Errors
/// When columns don't make a table, which would be a fault of the program, or what `sink` says.
pub fn read_pieces(
    request: IntakeRequest<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<Option<PiecesRead>, TableError> {
    read_in_order(request, false, findings, sink)
}

/// The same, all placements before any visit: visits that stand in the rows of placements, or in files that are read whole, wait in
/// memory until then.
///
/// # Errors
/// As [`read_pieces`].
pub fn read_placements_first(
    request: IntakeRequest<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<Option<PiecesRead>, TableError> {
    read_in_order(request, true, findings, sink)
}

fn read_in_order(
    request: IntakeRequest<'_>,
    placements_first: bool,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<Option<PiecesRead>, TableError> {
    let mut hasher = Sha256::new();
    let Some((listed, declaration)) = list_declared(&request, &mut hasher, findings) else { return Ok(None) };
    let known = known_columns(&declaration, request.own_columns);
    let mut read = PiecesRead {
        tables: listed.others.iter().map(|name| passed_over(name.clone(), "not a record file")).collect(),
        ..PiecesRead::default()
    };
    let mut own_present = Vec::new();
    let mut held = Vec::new();
    let mut all_placed = !placements_first;
    for (name, probe, visits_alone) in
        in_order_of_reading(probed(&listed, &declaration, &mut hasher, &mut read, findings), &listed, &declaration, &known)
    {
        let path = listed.folder.join(name);
        if visits_alone && !all_placed {
            all_placed = true;
            held.drain(..).try_for_each(&mut *sink)?;
        }
        let filled = &mut read.filled;
        let mut sink = |piece: Piece| {
            filled[usize::from(piece.kind == RecordKind::Visit)].add(&Filled::of(&piece.frame));
            if all_placed || piece.kind == RecordKind::Placement {
                return sink(piece);
            }
            held.push(piece);
            Ok(())
        };
        if !declaration.files.is_empty() && !declaration.speaks_of(name) && !request.records.is_dir() {
            findings.note(
                FindingKind::DeclarationUnused,
                Place::file(name),
                None,
                "What is declared beside this file speaks of other files, and holds for none of its columns.",
                "If it should hold for this file, name it in records.toml; else nothing needs to be done.",
            );
        }
        let sheets = open_sheets(&path, name, &probe, &declaration, &known, findings);
        read.file_unread |= sheets.is_empty();
        let declared_sheets =
            declaration.files.iter().filter(|entry| entry.fits(name)).filter_map(|entry| entry.sheet.as_ref());
        let is_here =
            |wanted: &&String| wanted.contains('*') || sheets.iter().any(|sheet| sheet.sheet.as_ref() == Some(wanted));
        for wanted in declared_sheets.filter(|wanted| !is_here(wanted)) {
            let there: Vec<&str> = sheets.iter().filter_map(|sheet| sheet.sheet.as_deref()).collect();
            findings.note(
                FindingKind::DeclarationUnread,
                Place::file(name),
                Some(wanted),
                "A sheet of this name is declared, and the file has none.",
                format!("Correct the name in records.toml; capitals count. Sheets here: {}.", there.join(", ")),
            );
        }
        let lone = sheets.len() == 1;
        for mut sheet in sheets {
            if !lone && passes_over(&sheet) {
                read.tables.push(passed_over(sheet.name.clone(), "a sheet without records"));
                continue;
            }
            if lists_findings(&sheet) {
                read.tables.push(passed_over(sheet.name.clone(), "a list of findings"));
                continue;
            }
            check_entry(&sheet, name, &declaration, findings);
            let Some(plan) = plan(&sheet, request.own_columns, findings) else {
                read.file_unread = true;
                read.tables.push(passed_over(sheet.name.clone(), "not checked any further, because of its columns"));
                continue;
            };
            own_present.extend(plan.own_present.iter().cloned());
            let kind = plan.kind;
            let place = u32::try_from(read.sources.len()).unwrap_or(u32::MAX);
            let rows = read_rows(
                &mut sheet,
                plan,
                Context { place, today: request.today, progress: request.progress },
                findings,
                &mut sink,
            )?;
            note_sheet(&sheet, rows.received, findings);
            read.file_unread |= rows.cut_short;
            read.unread_restorations.extend(rows.unread_restorations);
            let emptied = match rows.emptied {
                0 => String::new(),
                cells => format!(", {} read as empty", counted(cells, "cell", "cells")),
            };
            let decimal = if rows.decimal == Some(Decimal::Comma) { ", decimal commas" } else { "" };
            read.tables.push(TableRead {
                name: sheet.name.clone(),
                said: format!("{}{decimal}{emptied}", sheet.said),
                holds: Some(kind),
                received: rows.received,
                unfolded: rows.unfolded,
            });
            read.sources.push(Source { name: sheet.name, digest: hexadecimal(&probe.digest) });
        }
    }
    held.into_iter().try_for_each(&mut *sink)?;
    for own in request.own_columns.iter().filter(|own| !own_present.contains(own)) {
        findings.note(
            FindingKind::OwnColumnMissing,
            Place { file: "all files".to_owned(), row: None, column: Some(own.clone()) },
            None,
            "The protocol names this column under own_factors, and no file of placements has it.",
            "Correct the name in the protocol or in the files; capitals and spaces count.",
        );
    }
    read.tables.sort_by(|a, b| a.name.cmp(&b.name));
    read.fingerprint = hexadecimal(&hasher.finalize());
    Ok(Some(read))
}

/// A first look at all record files, on all threads; their names and hashes go into the fingerprint in their order.
fn probed<'a>(
    listed: &'a Listed,
    declaration: &Declaration,
    hasher: &mut Sha256,
    read: &mut PiecesRead,
    findings: &mut Findings,
) -> Vec<(&'a String, Probe)> {
    let look_at = |name: &String| probe(&listed.folder.join(name), &declaration.of(name, None));
    let looks = in_turn(&listed.records, available().min(listed.records.len()), look_at);
    let mut probed = Vec::new();
    for (name, look) in listed.records.iter().zip(looks) {
        match look {
            Ok(probe) => {
                hash_part(hasher, name, &probe.digest);
                probed.push((name, probe));
            }
            Err(error) => {
                read.file_unread = true;
                unread(name, &error, findings);
            }
        }
    }
    probed
}

/// Files with visits alone after all others, which is told of each.
fn in_order_of_reading<'a>(
    probed: Vec<(&'a String, Probe)>,
    listed: &Listed,
    declaration: &Declaration,
    known: &dyn Fn(&str) -> bool,
) -> Vec<(&'a String, Probe, bool)> {
    let visits_alone = |name: &str, probe: &Probe| {
        // What is read whole is in memory at once anyway, and isn't opened twice.
        let piecewise = matches!(probe.format, Format::Parquet)
            || matches!(probe.format, Format::Text { encoding: Encoding::Utf8, old_line_ends: false });
        piecewise && {
            let path = listed.folder.join(name);
            let sheets = open_sheets(&path, name, probe, declaration, known, &mut Findings::default());
            !sheets.is_empty() && sheets.iter().all(holds_visits)
        }
    };
    let with_kind = probed.into_iter().map(|(name, probe)| {
        let visits_alone = visits_alone(name, &probe);
        (name, probe, visits_alone)
    });
    let (visits, others): (Vec<_>, Vec<_>) = with_kind.partition(|(_, _, visits_alone)| *visits_alone);
    others.into_iter().chain(visits).collect()
}

/// Names what concerns a whole sheet.
fn note_sheet(sheet: &Sheet, received: u64, findings: &mut Findings) {
    if received == 0 {
        findings.note(
            FindingKind::FileEmpty,
            Place::file(&sheet.name),
            None,
            "There is a header and no rows.",
            "Fill in rows, export it again, or take it out of the folder.",
        );
    }
    for (row, column) in &sheet.unreckoned {
        findings.note(
            FindingKind::FormulaUnreckoned,
            Place::cell(&sheet.name, *row, column),
            None,
            "The cell holds a formula whose value was never reckoned, so what it stands for is not known.",
            "Open the workbook in a spreadsheet and save it, or write the value itself.",
        );
    }
    if sheet.merged {
        findings.note(
            FindingKind::MergedCells,
            Place::file(&sheet.name),
            None,
            "Cells are merged over several rows or columns; their value was taken for each of them.",
            "Split the cells, and fill the value into each row.",
        );
    }
}

/// The rows of one table as written.
pub struct RawTable {
    /// The file's name, with the sheet's behind it.
    pub name: String,
    /// The sheet's name, in a workbook.
    pub sheet: Option<String>,
    /// Column names as written.
    pub header: Vec<String>,
    /// What stands between cells where it is written as text again: the file's own separator, or one that decimals leave free.
    pub separator: u8,
    /// Rows with their numbers.
    pub rows: Vec<(u64, Vec<String>)>,
}

/// Reads again, as written, the rows that are wanted of each table.
pub fn raw_rows(request: IntakeRequest<'_>, wanted: &BTreeMap<String, BTreeSet<u64>>) -> Vec<RawTable> {
    let mut findings = Findings::default();
    let Some((listed, declaration)) = list_declared(&request, &mut Sha256::new(), &mut findings) else {
        return Vec::new();
    };
    let known = known_columns(&declaration, request.own_columns);
    let mut tables = Vec::new();
    for name in &listed.records {
        let path = listed.folder.join(name);
        let Some(probe) = look(&path, name, &declaration, &mut findings) else { continue };
        for mut sheet in open_sheets(&path, name, &probe, &declaration, &known, &mut findings) {
            let Some(rows) = wanted.get(&sheet.name) else { continue };
            // What is declared as left out stays out here too.
            let stays = |column: &String| sheet.declared.columns.get(column).is_none_or(|to| to.column() != LEAVE_OUT);
            let places: Vec<usize> =
                sheet.header.iter().enumerate().filter(|(_, column)| stays(column)).map(|(place, _)| place).collect();
            let header = places.iter().map(|&place| sheet.header[place].clone()).collect();
            let mut table = RawTable {
                name: sheet.name.clone(),
                sheet: sheet.sheet.clone(),
                header,
                separator: sheet.separator.map_or(b';', Separator::byte),
                rows: Vec::new(),
            };
            let width = sheet.header.len();
            while let Some(row) = sheet.next_row(&mut findings) {
                if rows.contains(&row.number) {
                    // A row that doesn't fit its header can't be told into columns, so it stays whole.
                    let whole = row.width() != width;
                    let cells = (0..row.width()).filter(|place| whole || places.contains(place));
                    let cells = cells.map(|place| row.text(place).to_owned()).collect();
                    table.rows.push((row.number, cells));
                }
            }
            tables.push(table);
        }
    }
    tables
}

/// Opens every table of every record file, for looking at.
pub fn all_sheets(request: IntakeRequest<'_>, findings: &mut Findings) -> Vec<Sheet> {
    let bare = IntakeRequest { declaration: None, ..request };
    let Some((listed, declaration)) = list_declared(&bare, &mut Sha256::new(), findings) else { return Vec::new() };
    let known = known_columns(&declaration, request.own_columns);
    let mut sheets = Vec::new();
    for name in &listed.records {
        let path = listed.folder.join(name);
        if let Some(probe) = look(&path, name, &declaration, findings) {
            sheets.extend(open_sheets(&path, name, &probe, &declaration, &known, findings));
        }
    }
    sheets
}

fn passed_over(name: String, said: &str) -> TableRead {
    TableRead { name, said: said.to_owned(), holds: None, received: 0, unfolded: 0 }
}

/// Whether a table is a list of findings that the program wrote beside the records.
fn lists_findings(sheet: &Sheet) -> bool {
    sheet.header.iter().map(String::as_str).eq(FINDING_COLUMNS)
}

/// Whether a sheet beside others holds no records: nothing is declared of it, and it has no column that all records have.
fn passes_over(sheet: &Sheet) -> bool {
    let declared = &sheet.declared;
    let named = match (&declared.sheet, &sheet.sheet) {
        (Some(written), Some(name)) => super::declaration::fits(written, name),
        (written, name) => written.is_none() && name.is_none(),
    };
    let of_sheet = declared.holds.is_some() || (!declared.name.is_empty() && named);
    let days = sheet.header.iter().filter(|column| {
        let to = declared.columns.get(*column).map_or_else(|| column_name(column), |to| to.column().to_owned());
        to == "placed_on" || to == "visited_on"
    });
    !of_sheet && days.count() == 0 && !sheet.header.iter().any(|column| column_name(column) == "restoration_id")
}

/// Tells whether a column name is the records' own, declared, or one of the practice's.
fn known_columns(declaration: &Declaration, own: &[String]) -> impl Fn(&str) -> bool + use<> {
    let declared: HashSet<String> = declaration
        .files
        .iter()
        .flat_map(|entry| entry.columns.keys().chain(entry.visits.iter().flat_map(|visit| visit.columns.values())))
        .chain(own)
        .cloned()
        .collect();
    move |written: &str| {
        let name = column_name(written);
        PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS).any(|column| column.name == name)
            || set_aside_column(&name)
            || declared.contains(written)
    }
}

fn look(path: &Path, name: &str, declaration: &Declaration, findings: &mut Findings) -> Option<Probe> {
    match probe(path, &declaration.of(name, None)) {
        Ok(probe) => Some(probe),
        Err(error) => {
            unread(name, &error, findings);
            None
        }
    }
}

fn unread(name: &str, error: &std::io::Error, findings: &mut Findings) {
    findings.note(
        FindingKind::FileUnread,
        Place::file(name),
        None,
        format!("The file can't be read: {}.", system_said(error)),
        "Close it elsewhere, or check its rights.",
    );
}

/// Adds a file's name and the hash of its bytes to a fingerprint, the name with its length before it.
fn hash_part(hasher: &mut Sha256, name: &str, digest: &[u8]) {
    hasher.update((name.len() as u64).to_le_bytes());
    hasher.update(name);
    hasher.update(digest);
}

fn display(path: &Path) -> String {
    path.display().to_string()
}

struct Listed {
    folder: PathBuf,
    records: Vec<String>,
    others: Vec<String>,
}

/// The names of record files and of other files, both sorted; none, with a finding, if the folder can't be read.
fn list(records: &Path, findings: &mut Findings) -> Option<Listed> {
    if records.is_file()
        && let Some(name) = records.file_name()
    {
        let folder = records.parent().map(Path::to_path_buf).unwrap_or_default();
        return Some(Listed { folder, records: vec![name.to_string_lossy().into_owned()], others: Vec::new() });
    }
    let entries = match std::fs::read_dir(records) {
        Ok(entries) => entries,
        Err(error) => {
            let (what, mend) = match error.kind() {
                std::io::ErrorKind::NotFound => (
                    "There is no such folder or file.".to_owned(),
                    "Check the spelling, or give the folder that holds your record files.",
                ),
                _ => (format!("The folder can't be read: {}.", system_said(&error)), "Check the rights of the folder."),
            };
            findings.note(FindingKind::FolderMissing, Place::file(&display(records)), None, what, mend);
            return None;
        }
    };
    let mut names = Vec::new();
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') || name.starts_with("~$") || entry.path().is_dir() || name == DECLARATION_FILE {
            continue;
        }
        names.push(name);
    }
    names.sort();
    Some(Listed { folder: records.to_path_buf(), records: names, others: Vec::new() })
}

/// The files and what is declared of them. Record files are known by their endings, or by being declared; none, with a finding,
/// if there are none.
fn list_declared(
    request: &IntakeRequest<'_>,
    hasher: &mut Sha256,
    findings: &mut Findings,
) -> Option<(Listed, Declaration)> {
    let mut listed = list(request.records, findings)?;
    let declaration = declaration(request, &listed, hasher, findings)?;
    if request.records.is_dir() {
        let is_record = |name: &String| {
            let ending = Path::new(name).extension().map(|ending| ending.to_string_lossy().to_lowercase());
            ending.is_some_and(|ending| RECORD_ENDINGS.contains(&ending.as_str())) || declaration.speaks_of(name)
        };
        (listed.records, listed.others) = listed.records.into_iter().partition(is_record);
    }
    if listed.records.is_empty() {
        findings.note(
            FindingKind::NoRecordFiles,
            Place::file(&display(request.records)),
            None,
            "The folder holds no record file (.csv, .xlsx, .parquet, .jsonl).",
            "Export placements and visits into this folder.",
        );
        return None;
    }
    Some((listed, declaration))
}

/// Which entry holds for a sheet must be told: two that fit it are an error, and so is none where ids of others begin with something.
fn check_entry(sheet: &Sheet, file: &str, declaration: &Declaration, findings: &mut Findings) {
    let mut note = |what: String, mend: &str| {
        findings.note(FindingKind::EntryUnsettled, Place::file(&sheet.name), None, what, mend);
    };
    let entries = declaration.entries_of(file, sheet.sheet.as_deref());
    if sheet.origin().is_none() && entries.len() > 1 {
        let names: Vec<&str> = entries.iter().map(|entry| entry.name.as_str()).collect();
        note(
            format!("Several entries in records.toml fit it: {}.", names.join(", ")),
            "Make one of them narrower, or write an entry with the file's very name.",
        );
    } else if sheet.declared.ids_begin_with.is_none() && declaration.files.iter().any(|entry| entry.ids_begin_with.is_some())
    {
        note(
            "For others records.toml says what ids begin with, and for this one it doesn't; so the ids of both may be confused.".to_owned(),
            "Write ids_begin_with into its entry (of rows set aside: into that of the file they came from), or write an entry; \"\" if its ids \
             are to stay as they are.",
        );
    }
}

/// What is declared; none, with a finding, where that can't be read: without it cells would be taken for what they are not.
fn declaration(
    request: &IntakeRequest<'_>,
    listed: &Listed,
    hasher: &mut Sha256,
    findings: &mut Findings,
) -> Option<Declaration> {
    let own = listed.folder.join(DECLARATION_FILE);
    let path = match request.declaration {
        Some(path) => path.to_path_buf(),
        None if own.exists() => own,
        None => return Some(Declaration::default()),
    };
    let name = path.file_name().map_or_else(|| DECLARATION_FILE.to_owned(), |name| name.to_string_lossy().into_owned());
    let read = std::fs::read_to_string(&path).map_err(|error| (None, system_said(&error))).and_then(|text| {
        hash_part(hasher, DECLARATION_FILE, &Sha256::digest(text.as_bytes()));
        Declaration::read(&text, request.own_columns)
    });
    let whole_folder = request.records.is_dir();
    match read {
        Ok(declaration) => {
            // A declaration given by name may speak of more files than are here.
            let own = request.declaration.is_none();
            let is_here = |entry: &FileDeclaration| listed.records.iter().any(|file| entry.fits(file));
            for entry in declaration.files.iter().filter(|entry| whole_folder && own && !is_here(entry)) {
                if entry.name.contains('*') {
                    findings.note(
                        FindingKind::DeclarationUnused,
                        Place::file(&name),
                        Some(&entry.name),
                        "It declares files, and none of the folder has such a name.",
                        "Nothing to mend if there are none this time; else correct the name (capitals count).",
                    );
                    continue;
                }
                findings.note(
                    FindingKind::DeclarationUnread,
                    Place::file(&name),
                    Some(&entry.name),
                    "It declares a file that is not among the record files of the folder.",
                    format!(
                        "Correct the name (capitals count), or take the entry out. Record files here: {}.",
                        listed.records.join(", ")
                    ),
                );
            }
            Some(declaration)
        }
        Err((row, what)) => {
            let place = Place { file: name, row, column: None };
            findings.note(
                FindingKind::DeclarationUnread,
                place,
                None,
                what,
                "Correct it; the README shows what it may say.",
            );
            None
        }
    }
}

/// Columns without rows.
///
/// # Errors
/// When they make no table, which would be a fault of the program.
pub fn empty_frame(columns: &[Column], own: &[String]) -> Result<DataFrame, TableError> {
    let mut all: Vec<_> = columns.iter().map(|column| ColumnBuilder::new(column.name, column.cell).finish()).collect();
    all.extend(own.iter().map(|name| ColumnBuilder::new(name, Cell::Text).finish()));
    all.push(whole_numbers(FILE_COLUMN, Vec::new()));
    all.push(whole_numbers(ROW_COLUMN, Vec::new()));
    Ok(DataFrame::new_infer_height(all)?)
}
