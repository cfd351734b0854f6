//! One table of a file, whatever its format: a header and rows of cells, read one after the other.

use std::fs::File;
use std::io::{BufReader, Cursor, Read};
use std::path::Path;

use polars::prelude::DataFrame;

use super::declaration::{Declaration, Encoding, FileDeclaration, Separator};
use super::grid::Grid;
use super::json_lines::read_json_lines;
use super::parquet_file::ParquetRows;
use super::probe::{Format, Probe, separator_of};
use super::text_rows::{RowTrouble, TextRow, TextRows};
use super::workbook::read_workbook;
use crate::finding::{FindingKind, Findings, Place, SET_ASIDE_FROM};
use crate::wording::{system_said, without_error_numbers};

/// One table of a file.
pub struct Sheet {
    /// What findings call it: the file's name, with the sheet's behind it.
    pub name: String,
    /// The sheet's name, in a workbook.
    pub sheet: Option<String>,
    /// Column names, trimmed, as written.
    pub header: Vec<String>,
    /// The header's row.
    pub header_row: u64,
    /// What is declared of it.
    pub declared: FileDeclaration,
    /// What kind of table it is, for people: `CSV, UTF-8, semicolons`.
    pub said: String,
    /// What stands between columns, in a text.
    pub separator: Option<Separator>,
    /// Whether a comma can stand in a number, because it doesn't stand between columns.
    pub commas_in_numbers: bool,
    /// Whether cells were merged.
    pub merged: bool,
    /// Cells with a formula that was never reckoned: row number and column name.
    pub unreckoned: Vec<(u64, String)>,
    /// Whether reading it stopped before its end.
    pub cut_short: bool,
    rows: Rows,
}

enum Rows {
    Text(TextRows),
    Grid(std::vec::IntoIter<(u64, Vec<String>)>, Vec<String>),
    Parquet(ParquetRows, Vec<String>),
}

/// A row of cells.
#[derive(Clone, Copy)]
pub struct Row<'a> {
    /// Its number, as a spreadsheet shows it.
    pub number: u64,
    /// Whether a cell may hold a line break.
    pub may_break: bool,
    /// Whether a quotation mark left open seems to have swallowed the rows that follow.
    pub swallows: bool,
    /// Whether the file ends in it, without the end of a line.
    pub unended: bool,
    cells: Cells<'a>,
}

#[derive(Clone, Copy)]
enum Cells<'a> {
    Text(TextRow<'a>),
    Grid(&'a [String]),
}

impl<'a> Row<'a> {
    /// A row of a text.
    pub(super) fn of_text(row: TextRow<'a>) -> Self {
        let (number, may_break, unended) = (row.number, row.quoted, row.unended);
        Self { number, may_break, swallows: may_break && row.swallows(), unended, cells: Cells::Text(row) }
    }

    /// How many cells.
    pub const fn width(&self) -> usize {
        match &self.cells {
            Cells::Text(row) => row.width(),
            Cells::Grid(cells) => cells.len(),
        }
    }

    /// A cell's bytes without white space around; empty past the end.
    #[inline]
    pub fn cell(&self, place: usize) -> &'a [u8] {
        let bytes = match self.cells {
            Cells::Text(row) => row.cell(place),
            Cells::Grid(cells) => cells.get(place).map_or(&[][..], |text| text.as_bytes()),
        };
        bytes.trim_ascii()
    }

    /// The bytes from one cell to another, as a text has them; none in a row that is no text.
    #[inline]
    pub(super) fn as_written(&self, first: usize, last: usize) -> Option<&'a [u8]> {
        match self.cells {
            Cells::Text(row) => Some(row.as_written(first, last)),
            Cells::Grid(_) => None,
        }
    }

    /// A cell's text without white space around. Bytes that are no UTF-8 were refused when the file was opened.
    pub fn text(&self, place: usize) -> &'a str {
        as_text(self.cell(place))
    }
}

/// Names why no more rows of a text can be told apart.
pub(super) fn note_trouble(name: &str, trouble: &RowTrouble, findings: &mut Findings) {
    match trouble {
        RowTrouble::UnclosedQuote(row) => findings.note(
            FindingKind::UnclosedQuote,
            Place::row(name, *row),
            None,
            "A quotation mark opened in this row is never closed, so nothing that follows can be told apart.",
            "Close the quotation mark, or take it out.",
        ),
        RowTrouble::Unreadable(row, error) => findings.note(
            FindingKind::FileUnread,
            Place::row(name, *row),
            None,
            format!("The file can't be read any further: {}.", system_said(error)),
            "Check the disk; copy the file elsewhere and try again.",
        ),
    }
}

/// Trimmed bytes as text, less such white space as only Unicode knows.
pub fn as_text(bytes: &[u8]) -> &str {
    let text = std::str::from_utf8(bytes).unwrap_or("");
    // White space that isn't ASCII begins and ends with bytes that aren't either.
    let ends_in_ascii = [bytes.first(), bytes.last()].iter().flatten().all(|byte| byte.is_ascii());
    if ends_in_ascii { text.trim_ascii() } else { text.trim() }
}

impl Sheet {
    /// The next row; none at the end, or, with a finding, where no rows can be told apart any more.
    pub fn next_row(&mut self, findings: &mut Findings) -> Option<Row<'_>> {
        match &mut self.rows {
            Rows::Grid(rows, current) => {
                let (number, cells) = rows.next()?;
                *current = cells;
                Some(Row { number, may_break: true, swallows: false, unended: false, cells: Cells::Grid(current) })
            }
            Rows::Parquet(rows, current) => match rows.next_row() {
                Ok(row) => {
                    let (number, cells) = row?;
                    *current = cells;
                    Some(Row { number, may_break: true, swallows: false, unended: false, cells: Cells::Grid(current) })
                }
                Err(error) => {
                    self.cut_short = true;
                    unreadable(&self.name, &error, findings);
                    None
                }
            },
            Rows::Text(rows) => match rows.next_row() {
                Ok(row) => row.map(Row::of_text),
                Err(trouble) => {
                    self.cut_short = true;
                    note_trouble(&self.name, &trouble, findings);
                    None
                }
            },
        }
    }
}

impl Sheet {
    /// The file, and sheet, from which its rows were set aside.
    pub(super) fn origin(&self) -> Option<&str> {
        self.header.iter().find_map(|column| column.strip_prefix(SET_ASIDE_FROM)).map(str::trim)
    }

    /// Rows that were set aside are read as is declared of the file they came from, but for how that file's text is written; unless an
    /// entry names their own file.
    fn take_origin(&mut self, declaration: &Declaration) {
        let named = self.name == self.declared.name || self.name.starts_with(&format!("{}: ", self.declared.name));
        if let Some(origin) = self.origin().filter(|_| !named) {
            let origin = origin.to_owned();
            let origin = origin.as_str();
            let (file, sheet) = origin.split_once(": ").map_or((origin, None), |(file, sheet)| (file, Some(sheet)));
            if !declaration.entries_of(file, sheet).is_empty() {
                self.declared = FileDeclaration { encoding: None, separator: None, ..declaration.of(file, sheet) };
            }
        }
    }

    /// Its rows, if it is a text.
    pub(super) const fn text(&mut self) -> Option<&mut TextRows> {
        match &mut self.rows {
            Rows::Text(rows) => Some(rows),
            _ => None,
        }
    }

    /// Whether it is made of columns, of which none was read yet.
    pub(super) const fn in_columns(&self) -> bool {
        matches!(&self.rows, Rows::Parquet(rows, _) if rows.untouched())
    }

    /// Its next rows as columns; none at the end, or, with a finding, where it can't be read any further.
    pub(super) fn next_piece(&mut self, findings: &mut Findings) -> Option<DataFrame> {
        let Rows::Parquet(rows, _) = &mut self.rows else { return None };
        match rows.next_piece() {
            Ok(piece) => piece,
            Err(error) => {
                self.cut_short = true;
                unreadable(&self.name, &error, findings);
                None
            }
        }
    }
}

/// Opens the tables of a file; none, with a finding, if it holds no table.
pub fn open_sheets(
    path: &Path,
    name: &str,
    probe: &Probe,
    declaration: &Declaration,
    known: &dyn Fn(&str) -> bool,
    findings: &mut Findings,
) -> Vec<Sheet> {
    let mut refuse = |kind, row: Option<u64>, what: String, mend: &str| {
        findings.note(kind, Place { file: name.to_owned(), row, column: None }, None, what, mend);
        Vec::new()
    };
    let unread = "Close it elsewhere, or check its rights.";
    if probe.blank {
        let mend = "Export it again, or take it out of the folder.";
        return refuse(FindingKind::FileEmpty, None, "The file holds no rows at all.".to_owned(), mend);
    }
    let grid_sheet = |grid: Grid, said: &str| {
        let full = grid.sheet.as_ref().map_or_else(|| name.to_owned(), |sheet| format!("{name}: {sheet}"));
        Sheet {
            name: full,
            declared: declaration.of(name, grid.sheet.as_deref()),
            sheet: grid.sheet,
            header: grid.header.iter().map(|column| column.trim().to_owned()).collect(),
            header_row: grid.header_row,
            said: said.to_owned(),
            separator: None,
            commas_in_numbers: true,
            merged: grid.merged,
            unreckoned: grid.unreckoned,
            cut_short: false,
            rows: Rows::Grid(grid.rows.into_iter(), Vec::new()),
        }
    };
    match probe.format {
        Format::Misdeclared(encoding) => refuse(
            FindingKind::FileNotText,
            None,
            format!("The file is declared as {}, and its bytes are not.", encoding.label()),
            "Correct encoding in records.toml, or leave it out: the bytes mostly tell.",
        ),
        Format::Unknown => refuse(
            FindingKind::FileNotText,
            None,
            "The file is no table: it holds bytes that neither text nor a workbook has.".to_owned(),
            "Export it as CSV or as a workbook (.xlsx).",
        ),
        Format::Workbook => match std::fs::read(path) {
            Err(error) => {
                refuse(FindingKind::FileUnread, None, format!("The file can't be read: {}.", system_said(&error)), unread)
            }
            Ok(bytes) => match read_workbook(Cursor::new(bytes), known) {
                Ok(grids) if grids.is_empty() => refuse(
                    FindingKind::FileEmpty,
                    None,
                    "No sheet of the workbook holds a table.".to_owned(),
                    "Fill it in, or take it out of the folder.",
                ),
                Ok(grids) => {
                    let mut sheets: Vec<Sheet> = grids.into_iter().map(|grid| grid_sheet(grid, "workbook")).collect();
                    sheets.iter_mut().for_each(|sheet| sheet.take_origin(declaration));
                    sheets
                }
                Err(error) => refuse(
                    FindingKind::FileUnread,
                    None,
                    format!("The workbook can't be read: {error}."),
                    "Open it in a spreadsheet, save it again as .xlsx, without a password.",
                ),
            },
        },
        Format::Parquet => match ParquetRows::open(path) {
            Ok((rows, header)) => {
                let grid = Grid { header, ..Grid::default() };
                vec![Sheet { rows: Rows::Parquet(rows, Vec::new()), ..grid_sheet(grid, "Parquet") }]
            }
            Err(error) => refuse(
                FindingKind::FileUnread,
                None,
                format!("The Parquet file can't be read: {error}."),
                "Write it again; it may have been cut short.",
            ),
        },
        Format::JsonLines => {
            let text = match std::fs::read_to_string(path) {
                Ok(text) => text,
                Err(error) => {
                    return refuse(
                        FindingKind::FileUnread,
                        None,
                        format!("The file can't be read: {}.", system_said(&error)),
                        unread,
                    );
                }
            };
            match read_json_lines(text.strip_prefix('\u{feff}').unwrap_or(&text)) {
                Ok(grid) => vec![grid_sheet(grid, "JSON lines")],
                Err(wrong) => {
                    for (row, what) in wrong {
                        findings.note(
                            FindingKind::RowLength,
                            Place::row(name, row),
                            None,
                            what,
                            "Write one object a line, with a name and one value for each column.",
                        );
                    }
                    Vec::new()
                }
            }
        }
        Format::Text { encoding, old_line_ends } => {
            match open_text(path, name, encoding, old_line_ends, declaration, known, findings) {
                Some(sheet) => vec![sheet],
                None => Vec::new(),
            }
        }
    }
}

fn unreadable(name: &str, error: &str, findings: &mut Findings) {
    findings.note(
        FindingKind::FileUnread,
        Place::file(name),
        None,
        format!("The file can't be read any further: {}.", without_error_numbers(error)),
        "Write it again; it may have been cut short.",
    );
}

fn open_text(
    path: &Path,
    name: &str,
    encoding: Encoding,
    old_line_ends: bool,
    declaration: &Declaration,
    known: &dyn Fn(&str) -> bool,
    findings: &mut Findings,
) -> Option<Sheet> {
    let declared = declaration.of(name, None);
    let mut unread = |error: String| {
        findings.note(
            FindingKind::FileUnread,
            Place::file(name),
            None,
            format!("The file can't be read: {}.", without_error_numbers(&error)),
            "Close it elsewhere, or check its rights and the encoding that is declared.",
        );
    };
    let streamed = encoding == Encoding::Utf8 && !old_line_ends;
    let opened: Result<(Box<dyn Read + Send>, String), String> = if streamed {
        open_stream(path).map_err(|error| error.to_string())
    } else {
        std::fs::read(path).map_err(|error| error.to_string()).and_then(|bytes| {
            let text = decode(&bytes, encoding)?;
            let text = if old_line_ends { text.replace('\r', "\n") } else { text };
            let head = text.lines().next().unwrap_or("").to_owned();
            Ok((Box::new(Cursor::new(text.into_bytes())) as Box<dyn Read + Send>, head))
        })
    };
    let length = std::fs::metadata(path).map_or(0, |file| file.len());
    let (input, head) = match opened {
        Ok(opened) => opened,
        Err(error) => {
            unread(error);
            return None;
        }
    };
    let separator = declared.separator.unwrap_or_else(|| separator_of(&head, known));
    let mut sheet = Sheet {
        name: name.to_owned(),
        sheet: None,
        header: Vec::new(),
        header_row: 1,
        declared,
        said: format!("CSV, {}, {}", encoding.label(), separator.label()),
        separator: Some(separator),
        commas_in_numbers: separator != Separator::Comma,
        merged: false,
        unreckoned: Vec::new(),
        cut_short: false,
        rows: Rows::Text(TextRows::new(input, separator.byte()).of_length(length)),
    };
    let (header, row) = {
        let row = sheet.next_row(findings)?;
        ((0..row.width()).map(|place| row.text(place).to_owned()).collect(), row.number)
    };
    sheet.header = header;
    sheet.header_row = row;
    sheet.take_origin(declaration);
    Some(sheet)
}

/// Opens a text in UTF-8, without its mark, and looks at its first line.
fn open_stream(path: &Path) -> std::io::Result<(Box<dyn Read + Send>, String)> {
    let mut file = File::open(path)?;
    let mut start = vec![0; 1 << 16];
    let mut filled = 0;
    while filled < start.len() {
        let count = file.read(&mut start[filled..])?;
        if count == 0 {
            break;
        }
        filled += count;
    }
    start.truncate(filled);
    if start.starts_with(b"\xef\xbb\xbf") {
        start.drain(..3);
    }
    let line = start.split(|byte| *byte == b'\n').find(|line| !line.trim_ascii().is_empty()).unwrap_or(&[]);
    let head = String::from_utf8_lossy(line).into_owned();
    Ok((Box::new(Cursor::new(start).chain(BufReader::with_capacity(1 << 20, file))), head))
}

fn decode(bytes: &[u8], encoding: Encoding) -> Result<String, String> {
    let with = match encoding {
        Encoding::Utf8 => encoding_rs::UTF_8,
        Encoding::Utf16Le => encoding_rs::UTF_16LE,
        Encoding::Utf16Be => encoding_rs::UTF_16BE,
        Encoding::Windows1252 => encoding_rs::WINDOWS_1252,
    };
    let (text, broken) = with.decode_with_bom_removal(bytes);
    if broken {
        return Err(format!("it is not written in {}", encoding.label()));
    }
    Ok(text.into_owned())
}
