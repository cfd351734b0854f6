//! A table that is read whole: the sheets of a workbook, JSON lines, Parquet. Cells are text, whatever they were.

/// Rows of cells as text.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Grid {
    /// The sheet's name; none if the file has no sheets.
    pub sheet: Option<String>,
    /// The header's row number.
    pub header_row: u64,
    /// Column names.
    pub header: Vec<String>,
    /// Rows with their numbers, as the file's own program shows them.
    pub rows: Vec<(u64, Vec<String>)>,
    /// Cells with a formula that was never reckoned: row number and column name.
    pub unreckoned: Vec<(u64, String)>,
    /// Whether cells were merged over several rows, and the value was taken for each of them.
    pub merged: bool,
}
