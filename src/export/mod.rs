//! Checked records as record files that are read in again without loss: for other programs, another registry, another form.
//!
//! Codes are written as their terms, scores in the sign of their scheme, days as days, teeth in ISO 3950 notation, numbers with all
//! their digits. Columns without any value are left out. The same records make the same bytes.
//!
//! Of texts, one kind is written with a sign more than it has: intake takes off the apostrophe that keeps a spreadsheet from
//! running `'=1+1`, in every form, since a defused CSV may have been saved as a workbook since; so what begins with such an apostrophe
//! of its own is written with another ([`escape_spreadsheet`](crate::wording::escape_spreadsheet)). What begins like a formula is
//! defused in CSV alone: the other forms say that it is text.
//!
//! - [`source`]: where records come from
//! - [`overview`]: what must be known of all of them before the first is written
//! - [`form`]: which files a form has
//! - [`mod@column`]: the values of a column
//! - [`csv_file`], [`workbook`], [`parquet_file`], [`json_lines`]: the forms
//! - [`folder`]: whole files or none, never over others

pub mod column;
pub mod csv_file;
pub mod folder;
pub mod form;
pub mod json_lines;
pub mod overview;
pub mod parquet_file;
pub mod source;
pub mod workbook;

use std::fmt;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::record::RecordKind;
use crate::table::{RecordTable, TableError};
use column::ExportTable;
use folder::{NewFolder, put_in_place, write_beside};
pub use form::Form;
use overview::{OddTexts, Overview, overview};
use parquet_file::ParquetFile;
pub use source::{Source, Tables};
use workbook::Book;

/// Why nothing was exported.
#[derive(Debug)]
pub enum ExportError {
    /// A file of this name is there already.
    There(PathBuf),
    /// There are no records.
    NoRecords,
    /// A workbook's sheet doesn't hold so many rows.
    TooManyRows {
        /// The sheet.
        sheet: &'static str,
        /// Its rows.
        rows: usize,
    },
    /// A workbook's cell doesn't hold so long a text.
    TextTooLong {
        /// The sheet.
        sheet: &'static str,
        /// Its column.
        column: String,
    },
    /// The system refused.
    NotWritten(PathBuf, String),
    /// A fault of the program.
    Fault(String),
}

impl fmt::Display for ExportError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::There(path) => write!(
                f,
                "{} is there already and is not written over. Nothing was written. Mend: choose another folder with --out.",
                path.display()
            ),
            Self::NoRecords => f.write_str("There are no records, so nothing was written."),
            Self::TooManyRows { sheet, rows } => write!(
                f,
                "A sheet of a workbook holds {} rows below its header, and there are {rows} {sheet}. Nothing was written. Mend: choose --form csv or --form parquet.",
                workbook::MOST_ROWS
            ),
            Self::TextTooLong { sheet, column } => write!(
                f,
                "A cell of a workbook holds 32767 characters, and a text among the {sheet}, column {column}, is longer. Nothing was written. Mend: choose --form csv or --form parquet."
            ),
            Self::NotWritten(path, error) => write!(
                f,
                "{} can't be written: {error}. Nothing was left there. Mend: check free space and rights, or choose another folder with --out.",
                path.display()
            ),
            Self::Fault(error) => write!(f, "This is a fault of the program, not of your records: {error}"),
        }
    }
}

impl std::error::Error for ExportError {}

impl From<TableError> for ExportError {
    fn from(error: TableError) -> Self {
        Self::Fault(error.to_string())
    }
}

/// One file that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Where it is.
    pub path: PathBuf,
    /// How many placements it holds.
    pub placements: usize,
    /// How many visits it holds.
    pub visits: usize,
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The files.
    pub files: Vec<Exported>,
    /// Texts that would not be read in again.
    pub odd: OddTexts,
}

/// How far an export is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// So many rows of a kind were looked at.
    Seen(RecordKind, usize),
    /// So many rows of a kind are written.
    Written(RecordKind, usize),
}

/// Writes records into a folder, which is made where it is missing. A kind without rows gets no file, since a file without rows is
/// no record file. All files are written or none. A text is told as odd in a column where `is_odd` says so.
///
/// Rows are gone through twice, once to see what there is and once to write, so that but for a few pieces none of them are in memory
/// (a workbook is made there).
///
/// # Errors
/// When a file of such a name is there, there are no records, a workbook can't hold the rows, or the system refuses.
pub fn write_export<S: Source>(
    folder: &Path,
    form: Form,
    source: &S,
    is_odd: impl Fn(&str, &str) -> bool + Sync,
    progress: &dyn Fn(Step),
) -> Result<Written, S::Error> {
    if let Some(there) = form.file_names().iter().map(|name| folder.join(name)).find(|path| path.symlink_metadata().is_ok())
    {
        return Err(ExportError::There(there).into());
    }
    let look = |kind| overview(source, kind, &is_odd, |rows| progress(Step::Seen(kind, rows)));
    let seen = [look(RecordKind::Placement)?, look(RecordKind::Visit)?];
    let kinds: Vec<&Overview> = seen.iter().filter(|kind| kind.rows > 0).collect();
    if kinds.is_empty() {
        return Err(ExportError::NoRecords.into());
    }
    if form == Form::Workbook {
        workbook::hold(&kinds)?;
    }
    let holding: Vec<(PathBuf, Vec<&Overview>)> = match form {
        Form::Workbook => vec![(folder.join(form.file_names()[0]), kinds)],
        _ => {
            let names = form.file_names().iter().zip(&seen).filter(|(_, kind)| kind.rows > 0);
            names.map(|(name, kind)| (folder.join(name), vec![kind])).collect()
        }
    };
    let mut made = NewFolder::make(folder)?;
    let mut files = Vec::new();
    for (path, kinds) in &holding {
        let filling = Filling { path, source, progress };
        files.push(write_beside(path, |file| filling.fill(file, form, kinds))?);
    }
    put_in_place(folder, files)?;
    made.keep();
    let exported = |(path, kinds): (PathBuf, Vec<&Overview>)| {
        let rows = |wanted| kinds.iter().filter(|kind| kind.kind == wanted).map(|kind| kind.rows).sum();
        Exported { placements: rows(RecordKind::Placement), visits: rows(RecordKind::Visit), path }
    };
    let files = holding.into_iter().map(exported).collect();
    let [placements, visits] = seen.map(|kind| kind.odd);
    Ok(Written { files, odd: placements.and(visits) })
}

/// A file that is being filled.
struct Filling<'a, S> {
    path: &'a Path,
    source: &'a S,
    progress: &'a dyn Fn(Step),
}

impl<S: Source> Filling<'_, S> {
    fn fill(&self, file: &mut BufWriter<&mut File>, form: Form, kinds: &[&Overview]) -> Result<(), S::Error> {
        if form == Form::Workbook {
            return self.workbook(file, kinds);
        }
        kinds.iter().try_for_each(|kind| match form {
            Form::Csv => {
                let header = csv_file::header(&kind.shown).map_err(ExportError::Fault)?;
                file.write_all(&header).map_err(|error| self.refused(error.to_string()))?;
                self.lines(file, kind, csv_file::lines)
            }
            Form::JsonLines | Form::Workbook => self.lines(file, kind, json_lines::lines),
            Form::Parquet => {
                let mut out = ParquetFile::begin(&mut *file, &kind.shown).map_err(|error| self.refused(error))?;
                let frame = |piece: RecordTable| made_of(&piece, kind, parquet_file::frame);
                self.each(kind, frame, |rows| out.add(rows).map_err(|error| self.refused(error)))?;
                Ok(out.end().map_err(|error| self.refused(error))?)
            }
        })
    }

    fn lines(
        &self,
        file: &mut dyn Write,
        kind: &Overview,
        lines: impl Fn(&ExportTable<'_>) -> Result<Vec<u8>, String> + Sync,
    ) -> Result<(), S::Error> {
        let write = |lines: Vec<u8>| file.write_all(&lines).map_err(|error| self.refused(error.to_string()));
        self.each(kind, |piece| made_of(&piece, kind, &lines), write)
    }

    /// Makes something of each piece on any thread, takes that in the order of the rows, and tells how many are written.
    fn each<T: Send>(
        &self,
        kind: &Overview,
        make: impl Fn(RecordTable) -> Result<T, ExportError> + Sync,
        mut take: impl FnMut(T) -> Result<(), ExportError>,
    ) -> Result<(), S::Error> {
        let make = |piece: RecordTable| Ok((piece.len(), make(piece)?));
        let mut written = 0;
        self.source.pieces(kind.kind, make, |(rows, made)| {
            take(made)?;
            written += rows;
            (self.progress)(Step::Written(kind.kind, written));
            Ok(())
        })
    }

    fn workbook(&self, file: &mut BufWriter<&mut File>, kinds: &[&Overview]) -> Result<(), S::Error> {
        let mut book = Book::begin()?;
        for kind in kinds {
            let mut sheet = book.sheet(kind.kind, &kind.shown)?;
            self.each(kind, Ok, |piece| sheet.add(&ExportTable::of(&piece, &kind.shown)?))?;
        }
        Ok(book.end(file).map_err(|error| self.refused(error))?)
    }

    fn refused(&self, error: String) -> ExportError {
        ExportError::NotWritten(self.path.to_owned(), error)
    }
}

/// What a form makes of a piece.
fn made_of<T>(
    piece: &RecordTable,
    kind: &Overview,
    make: impl Fn(&ExportTable<'_>) -> Result<T, String>,
) -> Result<T, ExportError> {
    make(&ExportTable::of(piece, &kind.shown)?).map_err(ExportError::Fault)
}
