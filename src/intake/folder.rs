//! Which files of a folder hold records, and what they say together.

use std::path::Path;

use polars::prelude::DataFrame;
use sha2::{Digest, Sha256};

use super::declaration::{DECLARATION_FILE, Declaration};
use super::rows::{FileContext, RecordKind, RowsRead, read_rows};
use super::text_file::TextFile;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::{Cell, Column, PLACEMENT_COLUMNS, VISIT_COLUMNS};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, PlacementTable, RecordTable, TableError, VisitTable};
use crate::wording::hexadecimal;

/// What one file gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRead {
    /// Its name.
    pub name: String,
    /// `placements`, `visits`, or why it was not read.
    pub holds: String,
    /// Rows met.
    pub received: u64,
    /// Rows that repeat an earlier one to the letter.
    pub identical: u64,
}

/// What a folder gave.
pub struct Intake {
    /// All placements.
    pub placements: PlacementTable,
    /// All visits.
    pub visits: VisitTable,
    /// Each file.
    pub files: Vec<FileRead>,
    /// SHA-256 over names and bytes of the record files and of the folder's declaration, in hexadecimal.
    pub fingerprint: String,
    /// Whether a file of placements may have been left unread, so that visits without a placement say nothing.
    pub file_unread: bool,
    /// Restorations named in rows that could not be told into cells.
    pub unread_restorations: std::collections::HashSet<String>,
}

/// Reads all record files (`*.csv`) of a folder.
///
/// What is wrong is added to `findings`; tables are complete only if no error was found.
///
/// # Errors
/// When columns don't make a table, which would be a fault of the program.
pub fn read_folder(
    folder: &Path,
    today: Day,
    own_columns: &[String],
    findings: &mut Findings,
) -> Result<Option<Intake>, TableError> {
    let Some((names, others)) = list(folder, findings) else { return Ok(None) };
    let mut hasher = Sha256::new();
    let declaration = declaration(folder, &names, &mut hasher, findings);
    let (mut own_present, mut unread_restorations) = (Vec::new(), std::collections::HashSet::new());
    let mut files: Vec<FileRead> = others
        .into_iter()
        .map(|name| FileRead { name, holds: "not a record file".to_owned(), received: 0, identical: 0 })
        .collect();
    let mut files_read = 0;
    let mut frames: [Option<DataFrame>; 2] = [None, None];
    for (place, name) in names.iter().enumerate() {
        let bytes = match std::fs::read(folder.join(name)) {
            Ok(bytes) => bytes,
            Err(error) => {
                findings.note(
                    FindingKind::FileUnread,
                    Place::file(name),
                    None,
                    format!("The file can't be read: {error}."),
                    "Close it elsewhere, or check its rights.",
                );
                continue;
            }
        };
        hash_file(&mut hasher, name, &bytes);
        let Some(mut file) = TextFile::open(name, &bytes, findings) else { continue };
        for column in &mut file.header {
            *column = RecordKind::column_name(column);
        }
        let Some(kind) = RecordKind::of_header(&file.header) else {
            findings.note(
                FindingKind::UnknownKind,
                Place::row(name, 1),
                None,
                "The header is neither that of placements (with placed_on) nor that of visits (with visited_on).",
                "Name the columns as the records do, or take the file out of the folder.",
            );
            continue;
        };
        let context = FileContext {
            name,
            place: u32::try_from(place).unwrap_or(u32::MAX),
            notation: declaration.notation(name),
            today,
            own_columns,
        };
        let Some(read) = read_rows(kind, &mut file, &context, findings)? else { continue };
        let RowsRead { frame, received, identical, .. } = read;
        files_read += 1;
        own_present.extend(read.own_present);
        unread_restorations.extend(read.unread_restorations);
        if received == 0 {
            findings.note(
                FindingKind::FileEmpty,
                Place::file(name),
                None,
                "The file has a header and no rows.",
                "Export it again, or take it out of the folder.",
            );
        }
        let holds = if kind == RecordKind::Placement { "placements" } else { "visits" };
        files.push(FileRead { name: name.clone(), holds: holds.to_owned(), received, identical });
        match &mut frames[usize::from(kind == RecordKind::Visit)] {
            Some(all) => {
                all.vstack_mut(&frame)?;
            }
            empty => *empty = Some(frame),
        }
    }
    for own in own_columns.iter().filter(|own| !own_present.contains(own)) {
        findings.note(
            FindingKind::OwnColumnMissing,
            Place { file: "all files".to_owned(), row: None, column: Some(own.clone()) },
            None,
            "The protocol names this column under own_factors, and no file of placements has it.",
            "Correct the name in the protocol or in the files; capitals and spaces count.",
        );
    }
    let [placements, visits] = frames;
    if placements.is_none() && !findings.any_error() {
        findings.note(
            FindingKind::NoRecordFiles,
            Place::file(&folder_name(folder)),
            None,
            "There are no placements in the folder.",
            "Add a file of placements (with a column placed_on).",
        );
    }
    let table = |frame: Option<DataFrame>, columns: &[Column], own: &[String]| -> Result<RecordTable, TableError> {
        let mut frame = match frame {
            Some(frame) => frame,
            None => empty_frame(columns, own)?,
        };
        frame.rechunk_mut();
        Ok(RecordTable::new(frame, names.clone()))
    };
    files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(Some(Intake {
        placements: PlacementTable(table(placements, PLACEMENT_COLUMNS, own_columns)?),
        visits: VisitTable(table(visits, VISIT_COLUMNS, &[])?),
        files,
        fingerprint: hexadecimal(&hasher.finalize()),
        file_unread: files_read < names.len(),
        unread_restorations,
    }))
}

/// Adds a file's name and bytes to a fingerprint, each with its length before it.
fn hash_file(hasher: &mut Sha256, name: &str, bytes: &[u8]) {
    hasher.update((name.len() as u64).to_le_bytes());
    hasher.update(name);
    hasher.update((bytes.len() as u64).to_le_bytes());
    hasher.update(bytes);
}

fn folder_name(folder: &Path) -> String {
    folder.display().to_string()
}

/// The names of record files and of other files, both sorted; none, with a finding, if the folder can't be read.
fn list(folder: &Path, findings: &mut Findings) -> Option<(Vec<String>, Vec<String>)> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) => {
            let (what, mend) = match error.kind() {
                std::io::ErrorKind::NotFound => (
                    "There is no such folder.".to_owned(),
                    "Check the spelling, or give the folder that holds your record files.",
                ),
                std::io::ErrorKind::NotADirectory => {
                    ("This is a file, not a folder.".to_owned(), "Give the folder that holds your record files.")
                }
                _ => (format!("The folder can't be read: {error}."), "Check the rights of the folder."),
            };
            findings.note(FindingKind::FolderMissing, Place::file(&folder_name(folder)), None, what, mend);
            return None;
        }
    };
    let (mut records, mut others) = (Vec::new(), Vec::new());
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') || entry.path().is_dir() || name == DECLARATION_FILE {
            continue;
        }
        let is_csv = Path::new(&name).extension().is_some_and(|extension| extension.eq_ignore_ascii_case("csv"));
        if is_csv { records.push(name) } else { others.push(name) }
    }
    records.sort();
    others.sort();
    if records.is_empty() {
        findings.note(
            FindingKind::NoRecordFiles,
            Place::file(&folder_name(folder)),
            None,
            "The folder holds no .csv file.",
            "Export placements and visits as CSV into this folder.",
        );
        return None;
    }
    Some((records, others))
}

fn declaration(folder: &Path, files: &[String], hasher: &mut Sha256, findings: &mut Findings) -> Declaration {
    let path = folder.join(DECLARATION_FILE);
    if !path.exists() {
        return Declaration::default();
    }
    let read = std::fs::read_to_string(&path).map_err(|error| (None, error.to_string())).and_then(|text| {
        hash_file(hasher, DECLARATION_FILE, text.as_bytes());
        Declaration::read(&text)
    });
    match read {
        Ok(declaration) => {
            for entry in declaration.files.iter().filter(|entry| !files.contains(&entry.name)) {
                findings.note(
                    FindingKind::DeclarationUnread,
                    Place::file(DECLARATION_FILE),
                    Some(&entry.name),
                    "It declares a file that is not among the record files of the folder.",
                    format!(
                        "Correct the name (capitals count), or take the entry out. Record files here: {}.",
                        files.join(", ")
                    ),
                );
            }
            declaration
        }
        Err((row, what)) => {
            let place = Place { file: DECLARATION_FILE.to_owned(), row, column: None };
            findings.note(
                FindingKind::DeclarationUnread,
                place,
                None,
                what,
                "Correct it; the README shows what it may say.",
            );
            Declaration::default()
        }
    }
}

fn empty_frame(columns: &[Column], own: &[String]) -> Result<DataFrame, TableError> {
    let mut all: Vec<_> = columns.iter().map(|column| ColumnBuilder::new(column.name, column.cell).finish()).collect();
    all.extend(own.iter().map(|name| ColumnBuilder::new(name, Cell::Text).finish()));
    all.push(whole_numbers(FILE_COLUMN, Vec::new()));
    all.push(whole_numbers(ROW_COLUMN, Vec::new()));
    Ok(DataFrame::new_infer_height(all)?)
}
