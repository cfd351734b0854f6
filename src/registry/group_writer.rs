//! A Parquet file written row group by row group: columns of a few groups at once are encoded and compressed on threads of their own, and
//! written in their order, so that the file has the same bytes on any number of threads.

use std::collections::VecDeque;
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use polars::prelude::{Column, CompatLevel, PolarsError, Schema, SchemaExt};
use polars_arrow::array::Array;
use polars_parquet::write::{
    CompressedPage, CompressionOptions, DynIter, DynStreamingIterator, Encoding, FileWriter, ParquetType, StatisticsOptions,
    Version, WriteOptions, array_to_columns, compress, fallible_streaming_iterator, get_dtype_encoding,
};

use crate::table::StatedRows;
use crate::table::records::ROW_COLUMN;
use crate::threads::available;

/// Threads, and groups under way, at most: each group takes memory.
const MOST_AT_ONCE: usize = 4;

/// A Parquet file (zstd) under construction.
pub(super) struct GroupWriter<W: Write> {
    file: FileWriter<W>,
    shape: Arc<Shape>,
    /// Where columns wait for a thread. Threads stay as long as this does, since what one gave back is memory for the next column.
    jobs: Sender<Job>,
    waiting: Arc<Mutex<Receiver<Job>>>,
    threads: usize,
    /// Groups that are not written yet, in their order.
    under_way: VecDeque<Group>,
    at_once: usize,
}

/// How columns are written.
struct Shape {
    types: Vec<ParquetType>,
    encodings: Vec<Vec<Encoding>>,
    options: WriteOptions,
}

/// The pages of a column as they go into the file, or the panic that there was.
type Encoded = thread::Result<Result<Vec<CompressedPage>, PolarsError>>;

/// The cells of a column of the file.
pub(super) enum Cells {
    /// Those of one column.
    Column(Column),
    /// The coded columns of visits, which become what each visit states.
    Stated(Vec<Column>),
}

/// A column to be encoded: its place, its rows, and where its pages go.
type Job = (usize, Cells, Sender<Encoded>);

/// A row group, and what becomes of each of its columns.
struct Group {
    rows: u64,
    columns: Vec<Receiver<Encoded>>,
}

impl<W: Write> GroupWriter<W> {
    /// Begins a file for frames of a shape.
    ///
    /// # Errors
    /// When a column is of a type that Parquet doesn't know.
    pub(super) fn begin(out: W, schema: &Schema) -> Result<Self, PolarsError> {
        let schema = schema.to_arrow(CompatLevel::newest());
        let options = WriteOptions {
            // Files are read whole, so nothing would ever ask for the least and greatest of a group.
            statistics: StatisticsOptions::empty(),
            version: Version::V1,
            compression: CompressionOptions::Zstd(None),
            data_page_size: None,
        };
        let encodings = schema.iter_values().map(|field| {
            // Rows mostly rise one by one, and what they rise by takes next to nothing.
            if field.name == ROW_COLUMN { vec![Encoding::DeltaBinaryPacked] } else { get_dtype_encoding(&field.dtype) }
        });
        let encodings = encodings.collect();
        let file = FileWriter::try_new(out, schema, options)?;
        let types = file.parquet_schema().fields().to_vec();
        let (jobs, waiting) = channel();
        Ok(Self {
            file,
            shape: Arc::new(Shape { types, encodings, options }),
            jobs,
            waiting: Arc::new(Mutex::new(waiting)),
            threads: 0,
            under_way: VecDeque::new(),
            at_once: available().min(MOST_AT_ONCE),
        })
    }

    /// Adds a row group of so many rows, at least one, column by column. It may be written later; what was refused then is said then.
    ///
    /// # Errors
    /// When rows can't be encoded, or the system refuses.
    pub(super) fn add(&mut self, rows: usize, group: impl IntoIterator<Item = Cells>) -> Result<(), PolarsError> {
        if self.under_way.len() >= self.at_once {
            self.write_next()?;
        }
        while self.threads < self.at_once {
            self.threads += 1;
            let (shape, waiting) = (Arc::clone(&self.shape), Arc::clone(&self.waiting));
            thread::spawn(move || encode_all(&shape, &waiting));
        }
        let mut columns = Vec::with_capacity(self.shape.types.len());
        for (place, cells) in group.into_iter().enumerate() {
            let (done, encoded) = channel();
            // This holds the other end, too.
            let _ = self.jobs.send((place, cells, done));
            columns.push(encoded);
        }
        self.under_way.push_back(Group { rows: rows as u64, columns });
        Ok(())
    }

    /// Writes what is under way.
    ///
    /// # Errors
    /// As [`Self::add`].
    pub(super) fn catch_up(&mut self) -> Result<(), PolarsError> {
        while !self.under_way.is_empty() {
            self.write_next()?;
        }
        Ok(())
    }

    /// Ends the file.
    ///
    /// # Errors
    /// As [`Self::add`].
    pub(super) fn finish(mut self) -> Result<(), PolarsError> {
        self.catch_up()?;
        self.file.end(None).map(|_| ())
    }

    fn write_next(&mut self) -> Result<(), PolarsError> {
        let Some(Group { rows, columns }) = self.under_way.pop_front() else { return Ok(()) };
        let columns = columns.into_iter().map(|encoded| {
            let encoded = encoded.recv().map_err(|_| PolarsError::ComputeError("a column was not encoded".into()))?;
            encoded.unwrap_or_else(|panic| resume_unwind(panic))
        });
        let columns = columns.collect::<Result<Vec<Vec<CompressedPage>>, PolarsError>>()?;
        let columns = columns.iter().map(|pages| {
            let pages = fallible_streaming_iterator::convert(pages.iter().map(Ok));
            Ok::<_, PolarsError>(DynStreamingIterator::new(pages))
        });
        self.file.write(rows, DynIter::new(columns))
    }
}

/// Encodes what waits, until nothing more can come.
fn encode_all(shape: &Shape, waiting: &Mutex<Receiver<Job>>) {
    loop {
        let job = waiting.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((place, cells, done)) = job else { break };
        let encoded = catch_unwind(AssertUnwindSafe(|| shape.encoded(place, &cells)));
        // Nobody waits for it any more where another column of its group was refused.
        let _ = done.send(encoded);
    }
}

impl Shape {
    /// Encodes the column at a place, as one chunk.
    fn encoded(&self, place: usize, cells: &Cells) -> Result<Vec<CompressedPage>, PolarsError> {
        let array: Box<dyn Array> = match cells {
            Cells::Column(column) => column.as_materialized_series().rechunk().to_arrow(0, CompatLevel::newest()),
            Cells::Stated(columns) => {
                let texts = StatedRows::of_columns(columns).and_then(|stated| stated.texts());
                Box::new(texts.map_err(|error| PolarsError::ComputeError(error.what().to_owned().into()))?)
            }
        };
        // A column that is no list is one column of the file, too.
        let leaves = array_to_columns(&array, self.types[place].clone(), self.options, &self.encodings[place])?;
        let pages = leaves.into_iter().flatten();
        pages.map(|page| Ok(compress(page?, Vec::new(), self.options.compression)?)).collect()
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::{
        DataFrame, Float64Chunked, Int32Chunked, IntoColumn, NewChunkedArray, StringChunked, UInt8Chunked, UInt32Chunked,
    };
    use polars_io::parquet::write::{ParquetCompression, ParquetWriter};

    use super::*;

    /// Texts long and short, codes, days and numbers, with empty cells among them, in two pieces.
    fn frame(rows: i32) -> DataFrame {
        let mut whole = piece(0..rows / 3);
        whole.vstack_mut(&piece(rows / 3..rows)).expect("the same columns");
        whole
    }

    fn cells(frame: &DataFrame) -> Vec<Cells> {
        frame.columns().iter().cloned().map(Cells::Column).collect()
    }

    fn piece(rows: std::ops::Range<i32>) -> DataFrame {
        let texts: Vec<Option<String>> = rows
            .clone()
            .map(|n| (n % 5 != 3).then(|| format!("R{n}-{}", "long ".repeat((n % 4).unsigned_abs() as usize))))
            .collect();
        let texts: Vec<Option<&str>> = texts.iter().map(Option::as_deref).collect();
        let codes: Vec<Option<u8>> =
            rows.clone().map(|n| (n % 11 != 0).then(|| n.unsigned_abs().to_le_bytes()[0] % 7)).collect();
        let days: Vec<Option<i32>> = rows.clone().map(|n| (n % 3 != 0).then_some(n * 7)).collect();
        let numbers: Vec<Option<f64>> = rows.clone().map(|n| (n % 4 != 0).then(|| f64::from(n) / 8.0)).collect();
        let places: Vec<u32> = rows.map(i32::unsigned_abs).collect();
        let columns = vec![
            StringChunked::from_slice_options("text".into(), &texts).into_column(),
            UInt8Chunked::from_slice_options("code".into(), &codes).into_column(),
            Int32Chunked::from_slice_options("day".into(), &days).into_date().into_column(),
            Float64Chunked::from_slice_options("number".into(), &numbers).into_column(),
            UInt32Chunked::from_slice("place".into(), &places).into_column(),
        ];
        DataFrame::new_infer_height(columns).expect("a frame")
    }

    /// A file of groups of so many rows, so many of them at once.
    fn written(frame: &DataFrame, rows: usize, at_once: usize) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut writer = GroupWriter::begin(&mut bytes, frame.schema()).expect("begun");
        writer.at_once = at_once;
        for from in (0..frame.height()).step_by(rows) {
            let group = frame.slice(i64::try_from(from).expect("a place"), rows);
            writer.add(group.height(), cells(&group)).expect("added");
            assert!(writer.under_way.len() <= at_once);
        }
        writer.finish().expect("finished");
        bytes
    }

    #[test]
    fn it_is_the_file_that_the_engine_writes_group_after_group() {
        let frame = frame(1_003);
        for rows in [100, 1_003, 2_000] {
            let mut expected = Vec::new();
            let writer = ParquetWriter::new(&mut expected)
                .with_compression(ParquetCompression::Zstd(None))
                .with_statistics(StatisticsOptions::empty());
            let mut writer = writer.batched(frame.schema()).expect("begun");
            for from in (0..frame.height()).step_by(rows) {
                let mut group = frame.slice(i64::try_from(from).expect("a place"), rows);
                group.rechunk_mut();
                writer.write_batch(&group).expect("written");
            }
            writer.finish().expect("finished");
            for at_once in [1, 2, 7] {
                assert_eq!(written(&frame, rows, at_once), expected, "{rows} rows, {at_once} at once");
            }
        }
    }

    #[test]
    fn what_the_system_refuses_is_said_by_the_end() {
        struct Full;
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::Error::other("no room"))
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let frame = frame(50);
        let mut writer = GroupWriter::begin(Full, frame.schema()).expect("begun");
        let refused =
            writer.add(frame.height(), cells(&frame)).and_then(|()| writer.catch_up()).expect_err("nothing can be written");
        assert!(refused.to_string().contains("no room"), "{refused}");
        // What is refused of a group is said when a later one is added.
        writer.at_once = 1;
        let again = (0..3).try_for_each(|_| writer.add(frame.height(), cells(&frame)));
        assert!(again.expect_err("nothing can be written").to_string().contains("no room"));
    }

    #[test]
    fn threads_end_with_the_file() {
        let frame = frame(500);
        let mut writer = GroupWriter::begin(Vec::new(), frame.schema()).expect("begun");
        writer.at_once = 3;
        (0..3).for_each(|_| writer.add(frame.height(), cells(&frame)).expect("added"));
        let shape = Arc::clone(&writer.shape);
        drop(writer);
        let ended = (0..1_000).any(|_| {
            thread::sleep(std::time::Duration::from_millis(10));
            Arc::strong_count(&shape) == 1
        });
        assert!(ended, "{} hold it still", Arc::strong_count(&shape));
    }
}
