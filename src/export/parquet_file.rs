//! Records as Parquet (zstd): days as dates, numbers as 64-bit floats, teeth and grades as 32-bit integers, codes and scores as
//! their texts, so that any program can use them. Written in pieces.

use std::io::Write;

use polars::prelude::{
    Column as FrameColumn, DataFrame, Float64Chunked, Int32Chunked, IntoColumn, IntoSeries, NewChunkedArray, PlSmallStr,
    PolarsError, StringChunkedBuilder,
};
use polars_io::parquet::write::{ParquetCompression, ParquetWriter};

use super::ExportTable;
use super::column::{ExportColumn, Value, plain_text};
use crate::record::Cell;

/// Rows of a piece.
const PIECE: usize = 250_000;

/// Writes a table.
///
/// # Errors
/// What the system says.
pub fn write<W: Write>(file: W, table: &ExportTable<'_>) -> Result<(), String> {
    write_pieces(file, table).map_err(|error| error.to_string())
}

fn write_pieces<W: Write>(file: W, table: &ExportTable<'_>) -> Result<(), PolarsError> {
    let piece = |from: usize| -> Result<DataFrame, PolarsError> {
        let rows = from..table.rows.min(from + PIECE);
        let height = rows.len();
        DataFrame::new(height, table.columns.iter().map(|one| column(one, rows.clone())).collect())
    };
    let writer = ParquetWriter::new(file).with_compression(ParquetCompression::Zstd(None));
    let mut writer = writer.batched(piece(table.rows)?.schema())?;
    for from in (0..table.rows).step_by(PIECE) {
        writer.write_batch(&piece(from)?)?;
    }
    writer.finish()?;
    Ok(())
}

fn column(column: &ExportColumn<'_>, rows: std::ops::Range<usize>) -> FrameColumn {
    let name = PlSmallStr::from_str(column.name);
    match column.cell {
        Cell::Day => {
            let day = |row| if let Value::Day(day) = column.value(row) { Some(day.since_epoch()) } else { None };
            Int32Chunked::from_iter_options(name, rows.map(day)).into_date().into_series().into_column()
        }
        Cell::Number { .. } => {
            let number = |row| if let Value::Number(number) = column.value(row) { Some(number) } else { None };
            Float64Chunked::from_iter_options(name, rows.map(number)).into_series().into_column()
        }
        Cell::Tooth | Cell::Grade { .. } => {
            let whole = |row| if let Value::Whole(number) = column.value(row) { Some(i32::from(number)) } else { None };
            Int32Chunked::from_iter_options(name, rows.map(whole)).into_series().into_column()
        }
        Cell::Text | Cell::Term(_) | Cell::Score(_) => {
            let mut texts = StringChunkedBuilder::new(name, rows.len());
            for row in rows {
                match column.value(row) {
                    Value::Text(text) => texts.append_value(plain_text(text)),
                    Value::Code(code) => texts.append_value(code),
                    _ => texts.append_null(),
                }
            }
            texts.finish().into_series().into_column()
        }
    }
}
