//! A Parquet file as columns. Row numbers count from 1 for the first row, since there is no header row.

use std::fs::File;

use polars::prelude::{AnyValue, Column, DataFrame, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use crate::quantity::Day;

/// Reads a Parquet file.
///
/// # Errors
/// A sentence when the file can't be read, or a column holds what is no plain value.
pub fn read_parquet(file: File) -> Result<DataFrame, String> {
    let frame = ParquetReader::new(file).finish().map_err(|error| error.to_string())?;
    for column in frame.columns() {
        if matches!(column.dtype(), DataType::List(_)) {
            return Err(format!("the column {} holds lists, where one value is expected", column.name()));
        }
    }
    Ok(frame)
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
