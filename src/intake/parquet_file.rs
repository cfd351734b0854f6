//! A Parquet file as a grid of text. Row numbers count from 1 for the first row, since there is no header row.

use std::fs::File;

use polars::prelude::{AnyValue, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;

use super::grid::Grid;
use crate::quantity::Day;

/// Reads a Parquet file.
///
/// # Errors
/// A sentence when the file can't be read, or a column holds what is no plain value.
pub fn read_parquet(file: File) -> Result<Grid, String> {
    let frame = ParquetReader::new(file).finish().map_err(|error| error.to_string())?;
    let header = frame.get_column_names().iter().map(|name| name.to_string()).collect::<Vec<_>>();
    let mut rows: Vec<(u64, Vec<String>)> =
        (1..=frame.height() as u64).map(|number| (number, Vec::with_capacity(header.len()))).collect();
    for column in frame.columns() {
        let series = column.as_materialized_series();
        if matches!(series.dtype(), DataType::List(_)) {
            return Err(format!("the column {} holds lists, where one value is expected", column.name()));
        }
        for (row, value) in rows.iter_mut().zip(series.iter()) {
            row.1.push(text(&value));
        }
    }
    Ok(Grid { sheet: None, header_row: 0, header, rows, merged: false })
}

fn text(value: &AnyValue<'_>) -> String {
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
