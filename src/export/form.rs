//! The forms of record files.

/// A form of record files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Text in columns, commas, UTF-8 with a mark in front.
    Csv,
    /// One workbook with a sheet for each kind.
    Workbook,
    /// Typed columns, compressed.
    Parquet,
    /// One JSON object a line.
    JsonLines,
}

impl Form {
    /// Every form.
    pub const ALL: [Self; 4] = [Self::Csv, Self::Workbook, Self::Parquet, Self::JsonLines];

    /// The names of its files.
    pub const fn file_names(self) -> &'static [&'static str] {
        match self {
            Self::Csv => &["placements.csv", "visits.csv"],
            Self::Workbook => &["records.xlsx"],
            Self::Parquet => &["placements.parquet", "visits.parquet"],
            Self::JsonLines => &["placements.jsonl", "visits.jsonl"],
        }
    }
}
