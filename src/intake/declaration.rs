//! What is declared of record files: `records.toml`, beside them or given by name.
//!
//! A file that has the records' own columns and terms needs no entry. Everything else is declared here, and nothing is guessed:
//!
//! ```toml
//! [[files]]
//! name = "export.csv"               # the file, or several: "export-*.csv"; for one sheet of a workbook also: sheet = "Recalls"
//! holds = "placements"              # or "visits"; told by the columns if left out
//! encoding = "windows_1252"         # utf_8, utf_16_le, utf_16_be; told by the bytes if left out
//! separator = ";"                   # "," ";" "tab" "|"; told by the header if left out
//! decimal = "comma"                 # or "point"
//! days = "day_month_year"           # year_month_day (always read), day_month_year, month_day_year
//! tooth_notation = "universal"      # or "iso_3950"
//! digits_from = 1                   # digits that stand for letter scores count from 0 or from 1
//! empty = ["NA", "-"]               # what stands where nothing was written
//! ids_begin_with = "north-"         # put before its ids and people, where another file counts alike
//!
//! [files.columns]                   # their column = the records' column, or "leave_out"
//! "Tooth no" = "tooth"
//! "Depth" = { column = "lesion_depth_mm", unit = "cm" }
//! "Notes" = "leave_out"
//!
//! [files.values.etch_strategy]      # their value = the records' term, or "" for an empty cell
//! "total" = "etch_and_rinse"
//!
//! [files.constants]                 # the same for every row
//! scheme = "usphs_3"
//!
//! [[files.visits]]                  # one visit of a row that has several: the records' column = their column
//! visited_on = "6m date"            # or months_after_placement = 6
//! retention = "6m retention"
//! ```

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::record::{PLACEMENT_COLUMNS, ToothNotation, VISIT_COLUMNS};
use crate::wording::settings_trouble;

/// The file name of a folder's declaration.
pub const DECLARATION_FILE: &str = "records.toml";
/// Says that a column is not to enter.
pub const LEAVE_OUT: &str = "leave_out";
/// How many letters may be put before ids.
const LONGEST_BEGINNING: usize = 16;

/// What is declared of the files of a folder.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Declaration {
    /// One entry a file or sheet.
    #[serde(default)]
    pub files: Vec<FileDeclaration>,
}

/// What is declared of one file, or of one sheet of a workbook.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileDeclaration {
    /// The file's name, in which an asterisk stands for anything.
    pub name: String,
    /// The sheet, if the entry is for one sheet only; an asterisk stands for anything here, too.
    pub sheet: Option<String>,
    /// Which records it holds; told by the columns if left out.
    pub holds: Option<Holds>,
    /// How its text is encoded; told by the bytes if left out.
    pub encoding: Option<Encoding>,
    /// What stands between its columns; told by the header if left out.
    pub separator: Option<Separator>,
    /// How it writes decimals; told by the cells if left out, where the separator is no comma.
    pub decimal: Option<Decimal>,
    /// How it writes days; year-month-day is always read.
    pub days: Option<DayOrder>,
    /// How it writes teeth.
    pub tooth_notation: Option<ToothNotation>,
    /// Where digits that stand for letter scores begin: 0 or 1.
    pub digits_from: Option<u8>,
    /// What stands in its cells where nothing was written; capitals don't matter.
    #[serde(default)]
    pub empty: Vec<String>,
    /// What is put before the ids that it writes: of restorations, patients, operators and examiners.
    pub ids_begin_with: Option<String>,
    /// Its columns, by the name in the file.
    #[serde(default)]
    pub columns: BTreeMap<String, Destination>,
    /// Its values, by the records' column, then by the value in the file.
    #[serde(default)]
    pub values: BTreeMap<String, BTreeMap<String, String>>,
    /// The same for every row, by the records' column.
    #[serde(default)]
    pub constants: BTreeMap<String, String>,
    /// Visits that stand beside each other in one row.
    #[serde(default)]
    pub visits: Vec<RowVisit>,
}

/// Which records a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Holds {
    /// Placements.
    Placements,
    /// Visits.
    Visits,
}

/// How text is encoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Encoding {
    /// UTF-8.
    #[serde(rename = "utf_8")]
    Utf8,
    /// UTF-16, low byte first.
    #[serde(rename = "utf_16_le")]
    Utf16Le,
    /// UTF-16, high byte first.
    #[serde(rename = "utf_16_be")]
    Utf16Be,
    /// Windows-1252, the old western European encoding.
    #[serde(rename = "windows_1252")]
    Windows1252,
}

impl Encoding {
    /// What people call it.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Utf8 => "UTF-8",
            Self::Utf16Le | Self::Utf16Be => "UTF-16",
            Self::Windows1252 => "Windows-1252",
        }
    }
}

/// What stands between columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Separator {
    /// A comma.
    #[serde(rename = ",")]
    Comma,
    /// A semicolon.
    #[serde(rename = ";")]
    Semicolon,
    /// A tab.
    #[serde(rename = "tab")]
    Tab,
    /// An upright bar.
    #[serde(rename = "|")]
    Bar,
}

impl Separator {
    /// All of them, the likeliest first.
    pub const ALL: [Self; 4] = [Self::Comma, Self::Semicolon, Self::Tab, Self::Bar];

    /// Its byte.
    pub const fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Bar => b'|',
        }
    }

    /// What people call it.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Comma => "commas",
            Self::Semicolon => "semicolons",
            Self::Tab => "tabs",
            Self::Bar => "bars",
        }
    }
}

/// How decimals are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decimal {
    /// 1.5
    Point,
    /// 1,5
    Comma,
}

/// How days are written, besides year-month-day, which is always read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DayOrder {
    /// 2024-03-31 only.
    YearMonthDay,
    /// 31/03/2024, 31.3.2024.
    DayMonthYear,
    /// 03/31/2024.
    MonthDayYear,
}

/// What a column of a file becomes.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(
    untagged,
    expecting = "a column leads to the name of one of the records' columns in quotation marks, or to { column = …, unit = … } with one of the units mm, cm, s, min"
)]
pub enum Destination {
    /// The records' column, or [`LEAVE_OUT`].
    Name(String),
    /// The records' column, with the unit that the file uses.
    Measured {
        /// The records' column.
        column: String,
        /// The file's unit.
        unit: Unit,
    },
}

impl Destination {
    /// The records' column.
    pub fn column(&self) -> &str {
        match self {
            Self::Name(column) | Self::Measured { column, .. } => column,
        }
    }

    /// By how much a number of the file is multiplied.
    pub const fn factor(&self) -> f64 {
        match self {
            Self::Measured { unit: Unit::Cm, .. } => 10.0,
            Self::Measured { unit: Unit::Min, .. } => 60.0,
            _ => 1.0,
        }
    }
}

/// A unit that a file may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Millimetres, the records' own.
    Mm,
    /// Centimetres.
    Cm,
    /// Seconds, the records' own.
    S,
    /// Minutes.
    Min,
}

/// One visit of a row that has several.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct RowVisit {
    /// Where the row has no day of the visit: months after the placement at which it is taken to have been.
    pub months_after_placement: Option<u16>,
    /// The records' column = the file's column.
    #[serde(flatten)]
    pub columns: BTreeMap<String, String>,
}

impl Declaration {
    /// Reads a declaration from TOML and checks that it speaks of columns that the records have.
    ///
    /// # Errors
    /// A sentence, with the line where there is one.
    pub fn read(text: &str, own_columns: &[String]) -> Result<Self, (Option<u64>, String)> {
        let declaration: Self = toml::from_str(text).map_err(|error| {
            let (line, what) = settings_trouble(text, &error);
            (line.map(|line| line as u64), what)
        })?;
        for (place, entry) in declaration.files.iter().enumerate() {
            if declaration.files[..place].iter().any(|other| other.name == entry.name && other.sheet == entry.sheet) {
                return Err((None, format!("{} is declared twice; write one entry", entry.name)));
            }
            entry.check(own_columns).map_err(|what| (None, format!("{}: {what}", entry.name)))?;
        }
        Ok(declaration)
    }

    /// The entry of a file, or of one of its sheets: that of the sheet before that of the whole file, and one with the very name before one
    /// with an asterisk.
    pub fn of(&self, file: &str, sheet: Option<&str>) -> FileDeclaration {
        self.entries_of(file, sheet).first().map(|entry| (*entry).clone()).unwrap_or_default()
    }

    /// The entries that hold for a file or a sheet; where there are several, it can't be told which of them is meant.
    pub fn entries_of(&self, file: &str, sheet: Option<&str>) -> Vec<&FileDeclaration> {
        // The narrower, the lower.
        let width = |entry: &FileDeclaration| -> Option<u8> {
            let name = u8::from(entry.name != file);
            match (&entry.sheet, sheet) {
                _ if !fits(&entry.name, file) => None,
                (None, _) => Some(4 + name),
                (Some(wanted), Some(sheet)) if fits(wanted, sheet) => Some(2 * u8::from(wanted != sheet) + name),
                (Some(_), _) => None,
            }
        };
        let narrowest = self.files.iter().filter_map(width).min();
        self.files.iter().filter(|entry| narrowest.is_some() && width(entry) == narrowest).collect()
    }

    /// Whether any entry speaks of a file.
    pub fn speaks_of(&self, file: &str) -> bool {
        self.files.iter().any(|entry| entry.fits(file))
    }
}

/// Whether a name is the one written, in which asterisks stand for anything.
pub fn fits(written: &str, name: &str) -> bool {
    let mut parts = written.split('*');
    let Some(mut rest) = parts.next().and_then(|first| name.strip_prefix(first)) else { return false };
    let mut parts = parts.peekable();
    if parts.peek().is_none() {
        return rest.is_empty();
    }
    while let Some(part) = parts.next() {
        if parts.peek().is_none() {
            return rest.ends_with(part);
        }
        let Some(at) = rest.find(part) else { return false };
        rest = &rest[at + part.len()..];
    }
    true
}

fn is_column(name: &str) -> bool {
    PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS).any(|column| column.name == name)
}

impl FileDeclaration {
    /// Whether it speaks of a file: by its very name, or with asterisks that stand for anything.
    pub fn fits(&self, file: &str) -> bool {
        fits(&self.name, file)
    }

    fn check(&self, own_columns: &[String]) -> Result<(), String> {
        let known = |name: &str| is_column(name) || own_columns.iter().any(|own| own == name);
        for (written, destination) in &self.columns {
            let column = destination.column();
            if column != LEAVE_OUT && !known(column) {
                return Err(format!(
                    "“{written}” is to become {column:?}, and the records have no such column; write {LEAVE_OUT:?} to leave it out, or name {column} under own_factors in the protocol"
                ));
            }
            if let Destination::Measured { unit, .. } = destination {
                let fits = match unit {
                    Unit::Mm | Unit::Cm => column.ends_with("_mm"),
                    Unit::S | Unit::Min => column.ends_with("_s"),
                };
                if !fits {
                    return Err(format!("“{written}”: {column} is not measured in this unit"));
                }
            }
        }
        let named = self.values.keys().chain(self.constants.keys());
        for column in named.chain(self.visits.iter().flat_map(|visit| visit.columns.keys())) {
            if !known(column) {
                return Err(format!(
                    "{column:?} is no column of the records; one of your own is named under own_factors in a protocol, which is given with --protocol"
                ));
            }
        }
        for (column, values) in &self.values {
            let mut folded: BTreeMap<String, &str> = BTreeMap::new();
            for (theirs, ours) in values {
                if folded.insert(theirs.trim().to_lowercase(), ours).is_some_and(|other| other != ours) {
                    return Err(format!(
                        "values of {column}: “{theirs}” and another one differ only in capitals, and are to become different terms"
                    ));
                }
            }
        }
        for column in self.visits.iter().flat_map(|visit| visit.columns.keys()) {
            if !VISIT_COLUMNS.iter().any(|known| known.name == column) {
                return Err(format!("[[files.visits]]: {column} is no column of a visit"));
            }
        }
        for visit in &self.visits {
            if visit.columns.contains_key("visited_on") == visit.months_after_placement.is_some() {
                return Err(
                    "each [[files.visits]] needs either visited_on, the column with its day, or months_after_placement"
                        .to_owned(),
                );
            }
        }
        if let Some(begin) = &self.ids_begin_with {
            let plain = |letter: char| letter.is_alphanumeric() || matches!(letter, '-' | '_' | '.');
            let ends = begin.is_empty() || begin.ends_with(['-', '_', '.']);
            if begin.chars().count() > LONGEST_BEGINNING || !begin.chars().all(plain) || !ends {
                return Err(format!(
                    "ids_begin_with = {begin:?}: up to {LONGEST_BEGINNING} letters, digits, hyphens, points or underscores, and one of these three signs at its end, so that it doesn't run into the ids"
                ));
            }
        }
        match self.digits_from {
            Some(base) if base > 1 => Err(format!("digits_from = {base}: digits count from 0 or from 1")),
            _ => Ok(()),
        }
    }
}
