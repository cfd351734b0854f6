//! The columns of a table of times, whatever they are called: numbers as numbers, categories as codes with their labels.
//!
//! One pass over the file. A cell that is no number where a number is asked for stops the run, with its row and column; an empty
//! cell is a missing value, and what becomes of it is decided where it is used.

use std::collections::HashMap;
use std::path::Path;

use polars::prelude::{DataFrame, DataType};

use crate::finding::Findings;
use crate::intake::cell::may_be_empty;
use crate::intake::declaration::Declaration;
use crate::intake::empty_forms::EmptyForms;
use crate::intake::parquet_file::{ParquetRows, cell_text};
use crate::intake::probe::{Format, probe};
use crate::intake::sheet::{Sheet, open_sheets};
use crate::wording::{counted, system_said};

/// The code of a category cell that is empty.
pub const MISSING: u32 = u32::MAX;

/// What a column is read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// As numbers.
    Numbers,
    /// As categories.
    Categories,
}

/// A column as it was read.
#[derive(Clone, Debug, PartialEq)]
pub enum Column {
    /// Numbers; a missing one is NaN.
    Numbers(Vec<f64>),
    /// Codes that count the labels in order of first appearance; a missing one is [`MISSING`].
    Categories {
        /// A code for each row.
        codes: Vec<u32>,
        /// The text of each code.
        labels: Vec<String>,
    },
}

/// A cell that could not be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// The row, as a spreadsheet shows it.
    pub row: u64,
    /// The column.
    pub column: String,
    /// What stands there.
    pub value: String,
}

/// Columns of a file, in the order in which they were asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Columns {
    /// The columns.
    pub columns: Vec<Column>,
    /// How many rows.
    pub rows: usize,
    /// The number of the first row, as a spreadsheet shows it; later ones follow it where no row is blank.
    pub numbers: Vec<u64>,
    /// What kind of file it is, for people.
    pub said: String,
    /// The first cells that could not be read.
    pub unreadable: Vec<Unreadable>,
    /// How many could not be read in all.
    pub unreadable_count: u64,
    /// What was read as it stands and may be meant otherwise, in sentences with how to mend it.
    pub doubts: Vec<String>,
}

/// Why a table could not be read, with how to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The command names what isn't there.
    Command(String),
    /// The table itself is in disorder.
    Table(String),
}

/// Cells that could not be read are shown up to this many.
pub const SHOWN: usize = 20;

/// Reads columns of a table; of a workbook, of the first sheet that has them. What stands for empty cells is read as empty.
///
/// # Errors
/// When the file can't be read, lacks a column, or holds rows that don't fit its header.
pub fn read_columns(path: &Path, wanted: &[(String, Reading)], empty: &EmptyForms) -> Result<Columns, Trouble> {
    if path.is_dir() {
        let what = "is a folder, and a table is asked for";
        return Err(Trouble::Command(format!("{} {what}.\nMend: name the file.", path.display())));
    }
    let mut read = read_all(path, wanted, empty)?;
    let doubts = read.columns.iter().zip(wanted).flat_map(|(column, (name, _))| doubts(column, name)).collect::<Vec<_>>();
    read.doubts.extend(doubts);
    Ok(read)
}

/// What a column of categories holds that many programs write where nothing was entered.
fn doubts(column: &Column, name: &str) -> Vec<String> {
    let Column::Categories { codes, labels } = column else { return Vec::new() };
    let doubtful = (0_u32..).zip(labels).filter(|(_, label)| may_be_empty(label));
    let said = doubtful.map(|(code, label)| {
        let rows = codes.iter().filter(|other| **other == code).count() as u64;
        let quoted = if label.contains(' ') { format!("\"{label}\"") } else { label.clone() };
        format!(
            "“{label}” stands in {} of {name} and is taken as it stands. If nothing was entered there, give --empty {quoted}.",
            counted(rows, "row", "rows")
        )
    });
    said.collect()
}

fn read_all(path: &Path, wanted: &[(String, Reading)], empty: &EmptyForms) -> Result<Columns, Trouble> {
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let declaration = Declaration::default();
    let known = |column: &str| wanted.iter().any(|(name, _)| name == column);
    let looked = probe(path, &declaration.of(&name, None)).map_err(|error| {
        let mend = "check the path and the rights of the file";
        Trouble::Command(format!("{} can't be read: {}.\nMend: {mend}.", path.display(), system_said(&error)))
    })?;
    let mut read = Columns {
        columns: wanted.iter().map(|(_, reading)| Builder::new(*reading, empty).column).collect(),
        ..Columns::default()
    };
    if looked.format == Format::Parquet {
        let broken = |error: String| {
            Trouble::Table(format!(
                "{} can't be read: {error}.\nMend: write it again; it may have been cut short.",
                path.display()
            ))
        };
        let (rows, header) = ParquetRows::open_those(path, &known).map_err(broken)?;
        let found = places(path, &header, wanted).or_else(|why| {
            // Where one is missing, all that are there are named.
            let all = ParquetRows::open_those(path, &|_| false).map_err(|_| why.clone())?.1;
            places(path, &all, wanted).and(Err(why))
        });
        let places = found.map_err(Trouble::Command)?;
        read_parquet(rows, &places, wanted, empty, &mut read).map_err(broken)?;
        return Ok(read);
    }
    let mut findings = Findings::default();
    let sheets = open_sheets(path, &name, &looked, &declaration, &known, &mut findings);
    let mut lacking = None;
    for sheet in sheets {
        match places(path, &sheet.header, wanted) {
            Ok(places) => {
                read_sheet(sheet, &places, wanted, empty, &mut read, &mut findings);
                lacking = None;
                break;
            }
            Err(why) => lacking = lacking.or(Some(why)),
        }
    }
    if let Some(why) = lacking {
        return Err(Trouble::Command(why));
    }
    if let Some(found) = findings.sorted().into_iter().next() {
        let row = found.place.row.map_or_else(String::new, |row| format!(" row {row}"));
        return Err(Trouble::Table(format!("{}{row}: {}\nMend: {}", found.place.file, found.what, found.mend)));
    }
    Ok(read)
}

/// Where the wanted columns stand in the header.
fn places(path: &Path, header: &[String], wanted: &[(String, Reading)]) -> Result<Vec<usize>, String> {
    wanted
        .iter()
        .map(|(name, _)| {
            let mut found = header.iter().enumerate().filter(|(_, column)| *column == name);
            match (found.next(), found.next()) {
                (Some((place, _)), None) => Ok(place),
                (Some(_), Some(_)) => {
                    Err(format!("{} has two columns called {name}.\nMend: rename one of them.", path.display()))
                }
                _ => Err(format!(
                    "{} has no column {name}. It has: {}.\nMend: correct the name; capitals and spaces count.",
                    path.display(),
                    header.join(", ")
                )),
            }
        })
        .collect()
}

fn read_sheet(
    mut sheet: Sheet,
    places: &[usize],
    wanted: &[(String, Reading)],
    empty: &EmptyForms,
    read: &mut Columns,
    findings: &mut Findings,
) {
    read.said.clone_from(&sheet.said);
    let commas = sheet.commas_in_numbers;
    let width = sheet.header.len();
    let name = sheet.name.clone();
    let mut builders: Vec<Builder<'_>> = wanted.iter().map(|(_, reading)| Builder::new(*reading, empty)).collect();
    while let Some(row) = sheet.next_row(findings) {
        if row.width() != width {
            findings.note(
                crate::finding::FindingKind::RowLength,
                crate::finding::Place::row(&name, row.number),
                None,
                format!("The row has {}, the header {width}.", counted(row.width() as u64, "cell", "cells")),
                "correct the row; a stray separator or quotation mark is the usual cause.",
            );
            return;
        }
        for ((builder, &place), (column, _)) in builders.iter_mut().zip(places).zip(wanted) {
            let bytes = row.cell(place);
            if !builder.push(bytes, commas) {
                read.note(row.number, column, &String::from_utf8_lossy(bytes));
            }
        }
        read.numbers.push(row.number);
        read.rows += 1;
    }
    // Workbooks and JSON hold numbers, whose marks are their own.
    let written = sheet.separator.is_some();
    let doubts = builders.iter().zip(wanted).filter_map(|(builder, (column, _))| builder.marks.doubt(column));
    read.doubts.extend(doubts.filter(|_| written));
    read.columns = builders.into_iter().map(|builder| builder.column).collect();
}

/// What the decimal marks of a column show, where a comma can be one.
#[derive(Default)]
struct Marks {
    /// The first number with a point.
    point: Option<String>,
    /// Whether a point can't part thousands.
    refuted: bool,
    comma: bool,
}

impl Marks {
    fn take(&mut self, bytes: &[u8]) {
        self.comma = self.comma || bytes.contains(&b',');
        if bytes.contains(&b'.') {
            self.refuted = self.refuted || !may_part_thousands(bytes);
            self.point.get_or_insert_with(|| String::from_utf8_lossy(bytes).into_owned());
        }
    }

    /// What may be meant otherwise.
    fn doubt(&self, column: &str) -> Option<String> {
        let point = self.point.as_ref()?;
        let seen = match (self.comma, self.refuted) {
            (true, _) => format!(
                "Some numbers in {column} have a comma, some a point, as {point} has; both are read as the mark of a decimal"
            ),
            (false, false) => format!(
                "Every point in {column} has three digits behind it, as in {point}; it is read as the mark of a decimal"
            ),
            (false, true) => return None,
        };
        Some(format!("{seen}. If the point parts thousands, take it out."))
    }
}

/// Whether the point of a number could part thousands: one to three digits, then as many times as it may be a point and three digits.
fn may_part_thousands(bytes: &[u8]) -> bool {
    let mut parts = bytes.strip_prefix(b"-").unwrap_or(bytes).split(|byte| *byte == b'.');
    let digits = |part: &[u8]| part.iter().all(u8::is_ascii_digit);
    let first = parts.next().unwrap_or_default();
    (1..=3).contains(&first.len()) && digits(first) && first != b"0" && parts.all(|part| part.len() == 3 && digits(part))
}

impl Columns {
    fn note(&mut self, row: u64, column: &str, value: &str) {
        self.unreadable_count += 1;
        if self.unreadable.len() < SHOWN {
            self.unreadable.push(Unreadable { row, column: column.to_owned(), value: value.to_owned() });
        }
    }
}

fn read_parquet(
    mut rows: ParquetRows,
    places: &[usize],
    wanted: &[(String, Reading)],
    empty: &EmptyForms,
    read: &mut Columns,
) -> Result<(), String> {
    "Parquet".clone_into(&mut read.said);
    let mut builders: Vec<Builder<'_>> = wanted.iter().map(|(_, reading)| Builder::new(*reading, empty)).collect();
    while let Some(piece) = rows.next_piece()? {
        for ((builder, &place), (name, _)) in builders.iter_mut().zip(places).zip(wanted) {
            push_piece(builder, &piece, place, name, read).map_err(|error| error.to_string())?;
        }
        let first = read.rows as u64 + 1;
        read.numbers.extend(first..first + piece.height() as u64);
        read.rows += piece.height();
    }
    read.columns = builders.into_iter().map(|builder| builder.column).collect();
    Ok(())
}

fn push_piece(
    builder: &mut Builder<'_>,
    piece: &DataFrame,
    place: usize,
    name: &str,
    read: &mut Columns,
) -> Result<(), polars::prelude::PolarsError> {
    let Some(column) = piece.columns().get(place) else { return Ok(()) };
    let kind = column.dtype().clone();
    let plain = kind.is_primitive_numeric() || kind == DataType::Boolean || kind == DataType::Date;
    if let (Column::Numbers(numbers), true) = (&mut builder.column, plain) {
        let cast = column.as_materialized_series().cast(&DataType::Float64)?;
        let empty = builder.empty;
        let read = |number: Option<f64>| number.filter(|number| !empty.are_number(*number)).unwrap_or(f64::NAN);
        numbers.extend(cast.f64()?.iter().map(read));
        return Ok(());
    }
    if let (Column::Categories { .. }, DataType::String) = (&builder.column, &kind) {
        for text in column.as_materialized_series().str()?.iter() {
            builder.push(text.unwrap_or("").trim().as_bytes(), false);
        }
        return Ok(());
    }
    if matches!(builder.column, Column::Categories { .. }) && (kind.is_integer() || kind == DataType::Boolean) {
        let cast = column.as_materialized_series().cast(&DataType::Int64)?;
        for whole in cast.i64()?.iter() {
            #[expect(clippy::cast_precision_loss, reason = "a form that stands for nothing has few digits")]
            let filled = whole.filter(|whole| !builder.empty.are_number(*whole as f64));
            builder.push_whole(filled);
        }
        return Ok(());
    }
    for row in 0..column.len() {
        let text = cell_text(column, row);
        if !builder.push(text.trim().as_bytes(), false) {
            read.note((read.rows + row + 1) as u64, name, &text);
        }
    }
    Ok(())
}

/// A column in the making.
struct Builder<'a> {
    column: Column,
    empty: &'a EmptyForms,
    marks: Marks,
    code_of: HashMap<Box<[u8]>, u32>,
    code_of_whole: HashMap<i64, u32>,
    last: Option<(Box<[u8]>, u32)>,
}

impl<'a> Builder<'a> {
    fn new(reading: Reading, empty: &'a EmptyForms) -> Self {
        let column = match reading {
            Reading::Numbers => Column::Numbers(Vec::new()),
            Reading::Categories => Column::Categories { codes: Vec::new(), labels: Vec::new() },
        };
        Self { column, empty, marks: Marks::default(), code_of: HashMap::new(), code_of_whole: HashMap::new(), last: None }
    }

    /// Adds a cell; whether it could be read.
    fn push(&mut self, bytes: &[u8], commas: bool) -> bool {
        let bytes = if self.empty.hold(bytes) { b"" } else { bytes };
        match &mut self.column {
            Column::Numbers(numbers) => {
                let number = if bytes.is_empty() { Some(f64::NAN) } else { number(bytes, commas) };
                let number = number.map(|number| if self.empty.are_number(number) { f64::NAN } else { number });
                if commas {
                    self.marks.take(bytes);
                }
                numbers.push(number.unwrap_or(f64::NAN));
                number.is_some()
            }
            Column::Categories { codes, labels } => {
                if bytes.is_empty() {
                    codes.push(MISSING);
                    return true;
                }
                if let Some((text, code)) = &self.last
                    && **text == *bytes
                {
                    codes.push(*code);
                    return true;
                }
                let code = match self.code_of.get(bytes) {
                    Some(code) => *code,
                    None => {
                        let code = u32::try_from(labels.len()).unwrap_or(MISSING);
                        labels.push(String::from_utf8_lossy(bytes).into_owned());
                        self.code_of.insert(bytes.into(), code);
                        code
                    }
                };
                self.last = Some((bytes.into(), code));
                codes.push(code);
                true
            }
        }
    }

    fn push_whole(&mut self, whole: Option<i64>) {
        let Column::Categories { codes, labels } = &mut self.column else { return };
        codes.push(match whole {
            None => MISSING,
            Some(whole) => *self.code_of_whole.entry(whole).or_insert_with(|| {
                let code = u32::try_from(labels.len()).unwrap_or(MISSING);
                labels.push(whole.to_string());
                code
            }),
        });
    }
}

/// A number as written: a point, or a comma where that can't stand between columns. No thousands, no units, no `inf`.
fn number(bytes: &[u8], commas: bool) -> Option<f64> {
    if (1..=9).contains(&bytes.len()) && bytes.iter().all(u8::is_ascii_digit) {
        let whole = bytes.iter().fold(0_u32, |whole, digit| whole * 10 + u32::from(digit - b'0'));
        return Some(f64::from(whole));
    }
    if !bytes.iter().all(|byte| byte.is_ascii_digit() || b"+-.,eE".contains(byte)) {
        return None;
    }
    let text = std::str::from_utf8(bytes).ok()?;
    let parsed = if commas && text.contains(',') {
        if text.contains('.') || text.matches(',').count() > 1 {
            return None;
        }
        text.replace(',', ".").parse::<f64>()
    } else {
        text.parse::<f64>()
    };
    parsed.ok().filter(|number| number.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_written_or_not_at_all() {
        let read = |text: &str, commas| number(text.as_bytes(), commas);
        assert_eq!(read("1826", false), Some(1826.0));
        assert_eq!((read("0.25", false), read("-1e3", false), read("1,5", true)), (Some(0.25), Some(-1000.0), Some(1.5)));
        for text in ["1,5", "inf", "NaN", "1e999", "12 d", "1.234,5", ""] {
            assert_eq!(read(text, false), None, "{text}");
        }
        assert_eq!(read("1.234,5", true), None);
    }

    #[test]
    fn a_point_parts_thousands_only_before_three_digits() {
        for text in ["1.200", "12.345", "-1.200.000", "999.000"] {
            assert!(may_part_thousands(text.as_bytes()), "{text}");
        }
        for text in ["0.125", "1.5", "1.20", "1234.567", "1,200", ".200", "1.2e3"] {
            assert!(!may_part_thousands(text.as_bytes()), "{text}");
        }
    }

    #[test]
    fn categories_are_counted_in_order_of_appearance() {
        let empty = EmptyForms::default();
        let mut builder = Builder::new(Reading::Categories, &empty);
        for cell in ["b", "b", "", "a", "b"] {
            builder.push(cell.as_bytes(), false);
        }
        let labels = vec!["b".to_owned(), "a".to_owned()];
        assert_eq!(builder.column, Column::Categories { codes: vec![0, 0, MISSING, 1, 0], labels });
    }
}
