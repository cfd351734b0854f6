//! Records as Parquet (zstd): days as dates, numbers as 64-bit floats, teeth and grades as 32-bit integers, codes and scores as
//! their texts, so that any program can use them. Row groups are the same however the rows come.

use std::io::Write;

use polars::prelude::{
    Column as FrameColumn, DataFrame, DataType, Field, Float64Chunked, Int32Chunked, IntoColumn, IntoSeries,
    NewChunkedArray, PlSmallStr, PolarsError, StringChunkedBuilder,
};
use polars_io::parquet::write::{BatchedWriter, ParquetCompression, ParquetWriter};

use super::column::{ExportColumn, ExportTable, Shown, Value, plain_text};
use crate::record::Cell;

/// Rows of a row group.
const GROUP: usize = 250_000;

/// A file under construction.
pub struct ParquetFile<W: Write> {
    writer: BatchedWriter<W>,
    /// Rows that don't fill a group yet.
    waiting: DataFrame,
    /// Rows of a group.
    group: usize,
}

impl<W: Write> ParquetFile<W> {
    /// Begins it.
    ///
    /// # Errors
    /// What the system says.
    pub fn begin(file: W, shown: &[Shown]) -> Result<Self, String> {
        let schema = shown.iter().map(|one| Field::new(PlSmallStr::from_str(&one.name), data_type(one.cell))).collect();
        let waiting = DataFrame::empty_with_schema(&schema);
        let writer = ParquetWriter::new(file).with_compression(ParquetCompression::Zstd(None)).batched(&schema);
        Ok(Self { writer: writer.map_err(|error| error.to_string())?, waiting, group: GROUP })
    }

    /// Adds rows.
    ///
    /// # Errors
    /// What the system says.
    pub fn add(&mut self, rows: DataFrame) -> Result<(), String> {
        self.take(rows).map_err(|error| error.to_string())
    }

    /// Ends it.
    ///
    /// # Errors
    /// What the system says.
    pub fn end(mut self) -> Result<(), String> {
        let last = std::mem::take(&mut self.waiting);
        self.write(last).and_then(|()| self.writer.finish()).map_err(|error| error.to_string())?;
        Ok(())
    }

    fn take(&mut self, rows: DataFrame) -> Result<(), PolarsError> {
        self.waiting.vstack_mut_owned(rows)?;
        while self.waiting.height() >= self.group {
            let group = self.waiting.slice(0, self.group);
            self.waiting = self.waiting.slice(i64::try_from(self.group).unwrap_or(i64::MAX), usize::MAX);
            self.write(group)?;
        }
        Ok(())
    }

    fn write(&mut self, mut group: DataFrame) -> Result<(), PolarsError> {
        if group.height() == 0 {
            return Ok(());
        }
        // Each chunk would become a group of its own.
        group.rechunk_mut();
        self.writer.write_batch(&group)
    }
}

const fn data_type(cell: Cell) -> DataType {
    match cell {
        Cell::Day => DataType::Date,
        Cell::Number { .. } => DataType::Float64,
        Cell::Tooth | Cell::Grade { .. } => DataType::Int32,
        Cell::Text | Cell::Term(_) | Cell::Score(_) => DataType::String,
    }
}

/// A piece as it is written.
///
/// # Errors
/// When its columns don't fit together, which would be a fault of the program.
pub fn frame(table: &ExportTable<'_>) -> Result<DataFrame, String> {
    let columns = table.columns.iter().map(|one| column(one, table.rows)).collect();
    DataFrame::new(table.rows, columns).map_err(|error| error.to_string())
}

fn column(column: &ExportColumn<'_>, rows: usize) -> FrameColumn {
    let name = PlSmallStr::from_str(column.name);
    match column.cell {
        Cell::Day => {
            let day = |row| if let Value::Day(day) = column.value(row) { Some(day.since_epoch()) } else { None };
            Int32Chunked::from_iter_options(name, (0..rows).map(day)).into_date().into_series().into_column()
        }
        Cell::Number { .. } => {
            let number = |row| if let Value::Number(number) = column.value(row) { Some(number) } else { None };
            Float64Chunked::from_iter_options(name, (0..rows).map(number)).into_series().into_column()
        }
        Cell::Tooth | Cell::Grade { .. } => {
            let whole = |row| if let Value::Whole(number) = column.value(row) { Some(i32::from(number)) } else { None };
            Int32Chunked::from_iter_options(name, (0..rows).map(whole)).into_series().into_column()
        }
        Cell::Text | Cell::Term(_) | Cell::Score(_) => {
            let mut texts = StringChunkedBuilder::new(name, rows);
            for row in 0..rows {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_are_the_same_however_the_rows_come() {
        let shown = [
            Shown { name: "tooth".to_owned(), cell: Cell::Tooth },
            Shown { name: "visited_on".to_owned(), cell: Cell::Day },
            Shown { name: "note".to_owned(), cell: Cell::Text },
        ];
        let rows = |range: std::ops::Range<i32>| {
            let tooth =
                Int32Chunked::from_iter_options("tooth".into(), range.clone().map(|row| (row % 5 != 0).then_some(row)));
            let day = Int32Chunked::from_iter_options("visited_on".into(), range.clone().map(Some)).into_date();
            let mut note = StringChunkedBuilder::new("note".into(), range.len());
            range.clone().for_each(|row| note.append_value(format!("a note too long to be held in place, {row}")));
            let columns = vec![tooth.into_column(), day.into_column(), note.finish().into_series().into_column()];
            DataFrame::new(range.len(), columns).expect("a frame")
        };
        let written = |pieces: &[i32]| {
            let mut bytes = Vec::new();
            let mut file = ParquetFile::begin(&mut bytes, &shown).expect("begun");
            file.group = 40;
            for ends in pieces.windows(2) {
                file.add(rows(ends[0]..ends[1])).expect("added");
                assert!(file.waiting.height() < 40);
            }
            file.end().expect("ended");
            bytes
        };
        let whole = written(&[0, 100]);
        for pieces in [&[0, 40, 80, 100][..], &[0, 1, 1, 39, 95, 100], &[0, 99, 100]] {
            assert_eq!(written(pieces), whole, "{pieces:?}");
        }
        assert_ne!(written(&[0, 99]), whole);
    }
}
