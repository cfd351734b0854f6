//! A Parquet file as columns, read piece by piece. Row numbers count from 1 for the first row, since there is no header row.

use std::fs::File;
use std::path::Path;

use polars::prelude::{AnyValue, Column, DataFrame};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use crate::quantity::Day;
use crate::table::ParquetPieces;

/// Rows read at a time.
const PIECE: usize = 500_000;

/// A Parquet file, with how far it was read.
pub struct ParquetRows {
    pieces: ParquetPieces,
    /// Rows handed on.
    next: usize,
    /// The piece at hand, for reading row by row, and the row in it.
    piece: Option<(DataFrame, usize)>,
}

impl ParquetRows {
    /// Opens a file; tells its column names.
    ///
    /// # Errors
    /// A sentence when the file can't be read, or a column holds what is no plain value.
    pub fn open(path: &Path) -> Result<(Self, Vec<String>), String> {
        Self::open_those(path, &|_| true)
    }

    /// Opens a file for these columns alone; tells the names of those that it has, in its order. Other columns may hold
    /// anything. All names are told where none of these is there.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn open_those(path: &Path, wanted: &dyn Fn(&str) -> bool) -> Result<(Self, Vec<String>), String> {
        let mut reader = ParquetReader::new(File::open(path).map_err(|error| error.to_string())?);
        let schema = reader.schema().map_err(|error| error.to_string())?;
        for field in schema.iter_values().filter(|field| wanted(field.name.trim())) {
            let kind = format!("{:?}", field.dtype());
            const PLAIN: [&str; 16] = [
                "Null",
                "Boolean",
                "Int32",
                "Int64",
                "UInt8",
                "UInt16",
                "UInt32",
                "UInt64",
                "Float32",
                "Float64",
                "Utf8",
                "LargeUtf8",
                "Utf8View",
                "Date32",
                "Date64",
                "Timestamp",
            ];
            let name = kind.split(['(', ' ', '{']).next().unwrap_or("");
            if !PLAIN.contains(&name) || (name == "Timestamp" && !kind.ends_with("None)")) {
                return Err(format!(
                    "the column {} holds values of a kind that is not read ({kind}); write it as plain text, as numbers of 32 or 64 bits, or as days",
                    field.name
                ));
            }
        }
        let all: Vec<&str> = schema.iter_names().map(|name| name.as_str()).collect();
        let mut those: Vec<&str> = all.iter().copied().filter(|name| wanted(name.trim())).collect();
        if those.is_empty() {
            those.clone_from(&all);
        }
        let file = File::open(path).map_err(|error| error.to_string())?;
        let mut pieces = ParquetPieces::open(file, PIECE).map_err(|error| error.to_string())?;
        if those.len() < all.len() {
            pieces = pieces.only(&those);
        }
        Ok((Self { pieces, next: 0, piece: None }, those.into_iter().map(|name| name.trim().to_owned()).collect()))
    }

    /// How many rows there are.
    pub fn height(&self) -> usize {
        self.pieces.height()
    }

    /// Whether no row was read yet.
    pub const fn untouched(&self) -> bool {
        self.next == 0
    }

    /// The next rows as columns; none at the end.
    ///
    /// # Errors
    /// A sentence when the file can't be read any further.
    pub fn next_piece(&mut self) -> Result<Option<DataFrame>, String> {
        let piece = self.pieces.next_piece().map_err(|error| error.to_string())?;
        let Some(piece) = piece.filter(|piece| piece.height() > 0) else {
            let cut = self.next < self.pieces.height();
            return if cut { Err("it is shorter than it says".to_owned()) } else { Ok(None) };
        };
        self.next += piece.height();
        Ok(Some(piece))
    }

    /// The next row as text, with its number; none at the end.
    ///
    /// # Errors
    /// A sentence when the file can't be read any further.
    pub fn next_row(&mut self) -> Result<Option<(u64, Vec<String>)>, String> {
        if self.piece.as_ref().is_none_or(|(piece, row)| *row >= piece.height()) {
            let Some(piece) = self.next_piece()? else { return Ok(None) };
            self.piece = Some((piece, 0));
        }
        let Some((piece, row)) = &mut self.piece else { return Ok(None) };
        let cells = piece.columns().iter().map(|column| cell_text(column, *row)).collect();
        *row += 1;
        let before = self.next - piece.height();
        Ok(Some(((before + *row) as u64, cells)))
    }
}

/// A cell as text.
pub fn cell_text(column: &Column, row: usize) -> String {
    column.get(row).map_or_else(|_| String::new(), |value| value_text(&value))
}

/// A value as text: days as year-month-day, whole numbers without a point.
pub fn value_text(value: &AnyValue<'_>) -> String {
    match value {
        AnyValue::Null => String::new(),
        AnyValue::String(text) => (*text).to_owned(),
        AnyValue::StringOwned(text) => text.to_string(),
        AnyValue::Date(day) => Day::from_epoch(*day).to_string(),
        AnyValue::Boolean(value) => if *value { "yes" } else { "no" }.to_owned(),
        AnyValue::Float64(number) => format!("{number}"),
        AnyValue::Float32(number) => format!("{number}"),
        other => format!("{other}"),
    }
}
