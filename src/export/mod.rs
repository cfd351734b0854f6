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
//! - [`form`]: which files a form has
//! - [`mod@column`]: the values of a column
//! - [`csv_file`], [`workbook`], [`parquet_file`], [`json_lines`]: the forms
//! - [`folder`]: whole files or none, never over others

pub mod column;
pub mod csv_file;
pub mod folder;
pub mod form;
pub mod json_lines;
pub mod parquet_file;
pub mod workbook;

use std::fmt;
use std::path::{Path, PathBuf};

use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};
use crate::table::{PlacementTable, TableError, VisitTable};
use column::{ExportColumn, filled_columns};
use folder::{NewFolder, put_in_place};
pub use form::Form;

/// Why nothing was exported.
#[derive(Debug)]
pub enum ExportError {
    /// A file of this name is there already.
    There(PathBuf),
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

/// The records of one kind, as columns to write.
pub struct ExportTable<'a> {
    /// What such rows are called.
    pub name: &'static str,
    /// How many rows.
    pub rows: usize,
    /// Its columns.
    pub columns: Vec<ExportColumn<'a>>,
}

/// Writes placements, with these columns of the practice's own, and visits into a folder, which is made where it is missing. A kind
/// without rows gets no file, since a file without rows is no record file. All files are written or none.
///
/// # Errors
/// When a file of such a name is there, a workbook can't hold the rows, or the system refuses.
pub fn write_export(
    folder: &Path,
    form: Form,
    placements: &PlacementTable,
    visits: &VisitTable,
    own: &[String],
) -> Result<Vec<Exported>, ExportError> {
    if let Some(there) = form.file_names().iter().map(|name| folder.join(name)).find(|path| path.symlink_metadata().is_ok())
    {
        return Err(ExportError::There(there));
    }
    let counts = [placements.0.len(), visits.0.len()];
    if form == Form::Workbook {
        for (sheet, rows) in workbook::SHEETS.into_iter().zip(counts) {
            if rows > workbook::MOST_ROWS {
                return Err(ExportError::TooManyRows { sheet, rows });
            }
        }
    }
    let tables = [
        ExportTable { name: "placements", rows: counts[0], columns: filled_columns(&placements.0, PLACEMENT_COLUMNS, own)? },
        ExportTable { name: "visits", rows: counts[1], columns: filled_columns(&visits.0, VISIT_COLUMNS, &[])? },
    ];
    let filled: Vec<&ExportTable<'_>> = tables.iter().filter(|table| table.rows > 0).collect();
    let mut made = NewFolder::make(folder)?;
    let mut files = Vec::new();
    if form == Form::Workbook {
        let path = folder.join(form.file_names()[0]);
        files.push(folder::write_beside(&path, |file| workbook::write(file, &filled))?);
    } else {
        for table in &filled {
            let Some(name) = form.file_names().iter().find(|name| name.starts_with(table.name)) else { continue };
            files.push(folder::write_beside(&folder.join(name), |file| match form {
                Form::Csv => csv_file::write(file, table),
                Form::Parquet => parquet_file::write(file, table),
                Form::JsonLines | Form::Workbook => json_lines::write(file, table),
            })?);
        }
    }
    let paths = put_in_place(folder, files)?;
    made.keep();
    let of = |place: usize, path: &Path| {
        let holds = form == Form::Workbook || path.file_stem().is_some_and(|stem| stem == tables[place].name);
        if holds { counts[place] } else { 0 }
    };
    Ok(paths.into_iter().map(|path| Exported { placements: of(0, &path), visits: of(1, &path), path }).collect())
}
