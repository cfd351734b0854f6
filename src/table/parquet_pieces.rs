//! A Parquet file read piece by piece, no piece over more than one of its row groups, so that each group is decoded once.

use std::fs::File;
use std::io::Cursor;
use std::sync::Arc;

use polars::frame::builder::DataFrameBuilder;
use polars::prelude::DataFrame;
use polars_arrow::array::DictionaryArray;
use polars_arrow::array::builder::ShareStrategy;
use polars_arrow::datatypes::{ArrowDataType, DTYPE_CATEGORICAL_NEW, Field, IntegerType, Metadata};
use polars_buffer::Buffer;
use polars_io::SerReader;
use polars_io::mmap::ReaderBytes;
use polars_io::parquet::metadata::{FileMetadata, FileMetadataRef};
use polars_io::parquet::read::{ParallelStrategy, ParquetReader};
use polars_parquet::read::{BasicDecompressor, ColumnChunkMetadata, PageReader, PhysicalType, column_iter_to_arrays};

use super::filled::Filled;
use super::numbered_texts::{NumberedTexts, TextGatherer};
use super::records::TableError;
use super::text_runs::Texts;
use crate::threads::{as_they_come, available};

/// On more threads than this, decoding only waits for memory.
const MOST_THREADS: usize = 4;

/// On how many threads a file is decoded.
pub fn decoding_threads() -> usize {
    available().min(MOST_THREADS)
}

/// Rows are numbered in 32 bits.
const MOST_ROWS: usize = u32::MAX as usize;

/// Some rows of a file. Columns of texts may stand apart from the others, each with its name: the texts that the rows have, each once, and
/// by row the place of its own among them.
#[derive(Clone, Debug)]
pub struct Piece {
    /// The other columns.
    pub frame: DataFrame,
    /// Those columns.
    pub numbered: Vec<(String, NumberedTexts)>,
}

impl Piece {
    /// One whose columns all stand together.
    pub const fn whole(frame: DataFrame) -> Self {
        Self { frame, numbered: Vec::new() }
    }

    /// A column of texts.
    ///
    /// # Errors
    /// When there is no such column or it holds no text.
    pub(crate) fn texts(&self, name: &str) -> Result<Texts<'_>, TableError> {
        match self.numbered.iter().find(|(other, _)| other == name) {
            Some((_, texts)) => Ok(Texts::Numbered(texts)),
            None => Ok(Texts::Cells(self.frame.column(name)?.as_materialized_series().str()?)),
        }
    }

    /// Takes a column out, wherever it stands.
    ///
    /// # Errors
    /// When there is no such column.
    pub(crate) fn drop_column(&mut self, name: &str) -> Result<(), TableError> {
        let before = self.numbered.len();
        self.numbered.retain(|(other, _)| other != name);
        if self.numbered.len() == before {
            self.frame.drop_in_place(name)?;
        }
        Ok(())
    }

    /// How far its columns are filled.
    pub fn filled(&self) -> Filled {
        let mut filled = Filled::of(&self.frame);
        for (name, texts) in &self.numbered {
            filled.set(name, texts.filled());
        }
        filled
    }
}

/// A Parquet file with how far it was read.
pub struct ParquetPieces {
    /// The file, mapped once: mapping it for each column of each piece would keep threads waiting for each other.
    bytes: Buffer<u8>,
    metadata: FileMetadataRef,
    /// The same without its row groups.
    bare: Box<FileMetadata>,
    /// Where each row group begins, and where the last one ends.
    begins: Vec<usize>,
    /// Where pieces begin and how many rows they have, the next one last.
    ahead: Vec<(usize, usize)>,
    columns: Option<Vec<String>>,
}

impl ParquetPieces {
    /// Opens a file whose pieces are to have at most so many rows.
    ///
    /// # Errors
    /// When it is no Parquet file.
    pub fn open(mut file: File, most: usize) -> Result<Self, TableError> {
        let metadata = ParquetReader::new(&mut file).get_metadata()?.clone();
        let ReaderBytes::Owned(bytes) = ReaderBytes::from(&mut file) else {
            return Err(TableError::no_table("it can't be mapped into memory"));
        };
        let (mut ahead, mut begins) = (Vec::new(), vec![0]);
        let mut from = 0_usize;
        for group in &metadata.row_groups {
            let end = from.checked_add(group.num_rows()).filter(|end| *end <= MOST_ROWS);
            let end = end.ok_or_else(|| TableError::no_table("it says that it has more rows than a table can hold"))?;
            while from < end {
                let rows = most.min(end - from);
                ahead.push((from, rows));
                from += rows;
            }
            begins.push(end);
        }
        ahead.reverse();
        let mut bare = Box::new((*metadata).clone());
        bare.row_groups = Vec::new();
        Ok(Self { bytes, metadata, bare, begins, ahead, columns: None })
    }

    /// The same, with these columns alone.
    #[must_use]
    pub fn only(mut self, columns: &[&str]) -> Self {
        self.columns = Some(columns.iter().map(|&name| name.to_owned()).collect());
        self
    }

    /// How many rows the file says it has.
    pub fn height(&self) -> usize {
        self.metadata.num_rows
    }

    /// So many rows from a place on, decoded on the thread that asks.
    ///
    /// # Errors
    /// When the file can't be decoded.
    pub fn rows(&self, from: usize, rows: usize) -> Result<DataFrame, TableError> {
        self.decoded(from, rows, ParallelStrategy::None)
    }

    /// The same, column beside column on all threads, for one who has nothing else to do meanwhile.
    ///
    /// # Errors
    /// As [`Self::rows`].
    pub fn rows_by_columns(&self, from: usize, rows: usize) -> Result<DataFrame, TableError> {
        self.decoded(from, rows, ParallelStrategy::Columns)
    }

    /// Where the pieces that are left begin, and how many rows they have.
    pub fn spans(&self) -> impl Iterator<Item = (usize, usize)> {
        self.ahead.iter().rev().copied()
    }

    fn decoded(&self, from: usize, rows: usize, parallel: ParallelStrategy) -> Result<DataFrame, TableError> {
        self.decoded_only(from, rows, parallel, self.columns.clone())
    }

    fn decoded_only(
        &self,
        from: usize,
        rows: usize,
        parallel: ParallelStrategy,
        columns: Option<Vec<String>>,
    ) -> Result<DataFrame, TableError> {
        let (around, from) = self.around(from, rows);
        let mut reader = ParquetReader::new(Cursor::new(self.bytes.clone()))
            .with_slice(Some((from, rows)))
            .with_columns(columns)
            .read_parallel(parallel);
        reader.set_metadata(around);
        Ok(reader.finish()?)
    }

    /// So many rows from a place on, as those of [`Self::rows`]. Of the columns named those stand apart whose texts the file has in a list:
    /// they take a quarter of the memory, and whoever reads them need look at each text once.
    ///
    /// # Errors
    /// As [`Self::rows`].
    pub fn rows_with_numbered(&self, from: usize, rows: usize, names: &[&str]) -> Result<Piece, TableError> {
        let of_column = |name: &&str| Some(((*name).to_owned(), self.numbered(from, rows, name)?));
        let numbered: Vec<_> = names.iter().filter_map(of_column).collect();
        if numbered.is_empty() {
            return Ok(Piece { frame: self.rows(from, rows)?, numbered });
        }
        let mut others = self.columns.clone().map_or_else(|| self.names(), Ok)?;
        others.retain(|other| !numbered.iter().any(|(name, _)| name == other));
        let frame = self.decoded_only(from, rows, ParallelStrategy::None, Some(others))?;
        if numbered.iter().any(|(_, texts)| texts.len() != frame.height()) {
            return Err(TableError::no_table("some of its columns have fewer rows than others"));
        }
        Ok(Piece { frame, numbered })
    }

    /// The texts of a whole row group by number; none if the rows are no such group, its texts are in no list, or it can't be read so, which
    /// is said where it is read otherwise.
    fn numbered(&self, from: usize, rows: usize, name: &str) -> Option<NumberedTexts> {
        let group = self.begins.partition_point(|begin| *begin <= from).checked_sub(1)?;
        if *self.begins.get(group + 1)? != from + rows || self.begins[group] != from {
            return None;
        }
        let group = self.metadata.row_groups.get(group)?;
        let &[column] = group.columns_idxs_under_root_iter(name)? else { return None };
        let column = group.parquet_columns().get(column)?;
        if column.dictionary_page_offset().is_none() || column.physical_type() != PhysicalType::ByteArray {
            return None;
        }
        self.numbered_chunk(column, name)
    }

    fn numbered_chunk(&self, column: &ColumnChunkMetadata, name: &str) -> Option<NumberedTexts> {
        let range = column.byte_range();
        let range = usize::try_from(range.start).ok()?..usize::try_from(range.end).ok()?;
        if range.start > range.end || range.end > self.bytes.len() {
            return None;
        }
        let bytes = self.bytes.clone().sliced(range);
        let pages = || PageReader::new(Cursor::new(bytes.clone()), column, Vec::new(), usize::MAX);
        // What is told of the file may promise a list that isn't there.
        pages().read_dict().ok()??;
        let texts = ArrowDataType::Dictionary(IntegerType::UInt32, Box::new(ArrowDataType::Utf8View), false);
        // So named, a list of texts stays one.
        let listed = Metadata::from_iter([(DTYPE_CATEGORICAL_NEW.into(), "".into())]);
        let field = Field::new(name.into(), texts, true).with_metadata(listed);
        let kind = &column.descriptor().descriptor.primitive_type;
        let (arrays, _) =
            column_iter_to_arrays(vec![BasicDecompressor::new(pages(), Vec::new())], vec![kind], field, None).ok()?;
        let [array] = &arrays[..] else { return None };
        let texts = array.as_any().downcast_ref::<DictionaryArray<u32>>()?.clone();
        // Its numbers are taken over where nobody else has them.
        drop(arrays);
        NumberedTexts::of_dictionary(texts)
    }

    /// What is said of the row groups that hold these rows alone, so that no other is looked at; and where the rows begin among theirs.
    fn around(&self, from: usize, rows: usize) -> (FileMetadataRef, usize) {
        let groups = self.metadata.row_groups.iter().zip(self.begins.windows(2));
        let (first, last) = (self.begins.partition_point(|begin| *begin <= from), from.saturating_add(rows));
        let first = first.saturating_sub(1);
        let here = groups
            .skip(first)
            .take_while(|(_, span)| span[0] < last)
            .filter(|(_, span)| span[0] < span[1] && from < span[1]);
        let mut around = FileMetadata { num_rows: 0, ..(*self.bare).clone() };
        let mut before = None;
        for (group, span) in here {
            before.get_or_insert(span[0]);
            around.num_rows += span[1] - span[0];
            around.row_groups.push(group.clone());
        }
        (Arc::new(around), from - before.unwrap_or(from))
    }

    /// The names of its columns.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn names(&self) -> Result<Vec<String>, TableError> {
        let mut reader = ParquetReader::new(Cursor::new(self.bytes.clone()));
        reader.set_metadata(self.metadata.clone());
        Ok(reader.schema()?.iter_names().map(|name| name.to_string()).collect())
    }

    /// All rows at once. They are laid side by side as they are decoded, so that but for a few pieces under way no row is there twice.
    ///
    /// # Errors
    /// When the file can't be decoded.
    pub fn whole(self) -> Result<DataFrame, TableError> {
        Ok(self.whole_with_numbered(&[])?.frame)
    }

    /// The same with the columns of texts that are named apart.
    ///
    /// # Errors
    /// As [`Self::whole`].
    pub fn whole_with_numbered(mut self, names: &[&str]) -> Result<Piece, TableError> {
        let rows = self.ahead.iter().map(|(_, rows)| rows).sum();
        if names.is_empty() && self.ahead.len() < 2 {
            return Ok(Piece::whole(self.rows_by_columns(0, rows)?));
        }
        let mut wanted = self.columns.clone().map_or_else(|| self.names(), Ok)?;
        let names: Vec<&str> = names.iter().copied().filter(|name| wanted.iter().any(|wanted| wanted == name)).collect();
        wanted.retain(|wanted| !names.contains(&wanted.as_str()));
        let mut gathered: Vec<TextGatherer> = names.iter().map(|_| TextGatherer::with_room(rows)).collect();
        let shape = self.rows(0, 0)?.select(&wanted)?.schema().clone();
        let mut all = DataFrameBuilder::new(shape);
        all.reserve(rows);
        let mut take = |mut piece: Piece| {
            if piece.frame.columns().iter().any(|column| column.len() != piece.frame.height()) {
                return Err(TableError::no_table("some of its columns have fewer rows than others"));
            }
            for (name, gathered) in names.iter().zip(&mut gathered) {
                gathered.add(piece.texts(name)?);
                piece.drop_column(name)?;
            }
            all.extend(&piece.frame, ShareStrategy::Always);
            Ok(())
        };
        let spans: Vec<(usize, usize)> = std::mem::take(&mut self.ahead).into_iter().rev().collect();
        let mut spans = spans.into_iter();
        let decoded = |(): &mut (), (from, rows)| self.rows_with_numbered(from, rows, &names);
        as_they_come(decoding_threads(), || spans.next(), || (), decoded, |piece| take(piece?))?;
        let numbered = names.iter().map(|name| (*name).to_owned()).zip(gathered.into_iter().map(TextGatherer::finish));
        let numbered = numbered.collect();
        Ok(Piece { frame: all.freeze(), numbered })
    }

    /// The next rows; none at the end.
    ///
    /// # Errors
    /// When the file can't be decoded any further.
    pub fn next_piece(&mut self) -> Result<Option<DataFrame>, TableError> {
        let Some((from, rows)) = self.ahead.pop() else { return Ok(None) };
        self.rows_by_columns(from, rows).map(Some)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Cell, PLACEMENT_COLUMNS};
    use crate::table::ColumnBuilder;
    use polars_io::parquet::write::ParquetWriter;

    /// Texts short and long, days, codes and numbers, with empty cells among them, in row groups of some 50.
    fn file(rows: u32) -> (DataFrame, File) {
        let number = PLACEMENT_COLUMNS.iter().find(|column| column.name == "cure_s").expect("a number").cell;
        let columns = [
            ("id", Cell::Text),
            ("note", Cell::Text),
            ("few", Cell::Text),
            ("none", Cell::Text),
            ("day", Cell::Day),
            ("tooth", Cell::Tooth),
            ("cure_s", number),
        ];
        let columns = columns.map(|(name, cell)| {
            let mut builder = ColumnBuilder::new(name, cell);
            for row in 0..rows {
                match &mut builder {
                    _ if row % 7 == 3 || name == "none" => builder.push_none(),
                    ColumnBuilder::Text(texts) if name == "few" => {
                        texts.append_value(["op-a", "op-b", "another one of a long name"][row as usize % 3])
                    }
                    ColumnBuilder::Text(texts) if name == "id" => texts.append_value(format!("R{row}")),
                    ColumnBuilder::Text(texts) => {
                        texts.append_value(format!("a text that is too long to be held in its place, {row}"))
                    }
                    ColumnBuilder::Day(days) => days.append_value(i32::try_from(row).expect("a day")),
                    ColumnBuilder::Number(numbers) => numbers.append_value(f64::from(row) / 4.0),
                    ColumnBuilder::Code(codes) => codes.append_value(u8::try_from(row % 200).expect("a code")),
                }
            }
            builder.finish()
        });
        let mut frame = DataFrame::new_infer_height(columns.to_vec()).expect("columns");
        let mut file = tempfile::tempfile().expect("a file");
        ParquetWriter::new(&mut file).with_row_group_size(Some(50)).finish(&mut frame).expect("written");
        (frame, file)
    }

    #[test]
    fn texts_by_number_are_those_of_their_cells() {
        for rows in [0, 1, 50, 51, 430] {
            let (frame, file) = file(rows);
            let cells = |name: &str| -> Vec<Option<String>> {
                let texts = frame.column(name).expect("a column").as_materialized_series().str().expect("texts").clone();
                texts.iter().map(|text| text.map(str::to_owned)).collect()
            };
            let of = |piece: &Piece, name: &str| -> Vec<Option<String>> {
                let texts = piece.texts(name).expect("a column");
                (0..piece.frame.height()).map(|row| texts.get(row).map(str::to_owned)).collect()
            };
            let open = || ParquetPieces::open(file.try_clone().expect("a handle"), 1000).expect("a file");
            let names = ["few", "id", "none", "day"];
            let mut apart = 0;
            for (from, some) in open().spans().chain([(3, 20), (40, 20)]).filter(|(from, some)| from + some <= rows as usize)
            {
                let mut piece = open().rows_with_numbered(from, some, &names).expect("rows");
                apart += piece.numbered.len();
                for name in ["few", "id", "none"] {
                    assert_eq!(of(&piece, name), cells(name)[from..from + some], "{name}: {some} rows from {from}");
                }
                let filled = cells("few")[from..from + some].iter().flatten().count() as u64;
                assert_eq!(piece.filled().column("few"), Some(filled));
                assert!(piece.texts("day").is_err(), "days are no texts");
                piece.drop_column("few").expect("there");
                assert!(piece.drop_column("few").is_err() && piece.frame.column("day").is_ok());
            }
            assert!(rows < 50 || apart > 0, "few texts stand apart in each group");
            let whole = open().only(&["few", "id", "day"]).whole_with_numbered(&["few", "none"]).expect("all rows");
            assert_eq!((of(&whole, "few"), whole.numbered.len()), (cells("few"), 1), "none is not asked for");
            assert!(whole.frame.equals_missing(&frame.select(["id", "day"]).expect("columns")));
        }
    }

    /// A number as the end of a Parquet file writes it: doubled, seven bits a byte, the lowest first.
    fn written(number: i64) -> Vec<u8> {
        let mut left = number.cast_unsigned() << 1;
        let mut bytes = Vec::new();
        loop {
            let low = u8::try_from(left & 0x7f).expect("seven bits");
            left >>= 7;
            bytes.push(if left == 0 { low } else { low | 0x80 });
            if left == 0 {
                return bytes;
            }
        }
    }

    /// A file whose end says of each list of texts that it stands where the cells begin: so no list is there.
    #[test]
    fn a_list_that_is_not_there_is_an_error_and_no_panic() {
        use std::io::{Read, Seek, SeekFrom, Write};
        let (_, mut file) = file(430);
        let mut bytes = Vec::new();
        file.seek(SeekFrom::Start(0)).expect("the start");
        file.read_to_end(&mut bytes).expect("read");
        let open = |file: &File| ParquetPieces::open(file.try_clone().expect("a handle"), 1000);
        let pieces = open(&file).expect("a file");
        let mut moved = 0;
        for column in pieces.metadata.row_groups.iter().flat_map(|group| group.parquet_columns()) {
            let Some(listed) = column.dictionary_page_offset() else { continue };
            // Both are the next field but one: places of cells and of the list follow each other.
            let [cells, list] = [column.data_page_offset(), listed].map(|place| [&[0x26][..], &written(place)].concat());
            let said = [&cells[..], &list].concat();
            // It is said behind the cells, too, where nobody reads it.
            let at = bytes.windows(said.len()).rposition(|window| window == said).expect("said at the end");
            if cells.len() == list.len() {
                bytes[at + cells.len()..at + said.len()].copy_from_slice(&cells);
                moved += 1;
            }
        }
        assert!(moved > 5, "{moved}");
        let mut file = tempfile::tempfile().expect("a file");
        file.write_all(&bytes).expect("written");
        let pieces = open(&file).expect("its end can be read");
        let mut refused = 0;
        for (from, some) in open(&file).expect("the same").spans() {
            refused += u32::from(pieces.rows_with_numbered(from, some, &["few", "id", "none"]).is_err());
        }
        assert!(refused > 0, "cells without their list can't be told");
    }

    #[test]
    fn all_pieces_together_are_the_whole() {
        for rows in [0, 1, 50, 51, 430] {
            let (frame, file) = file(rows);
            for most in [7, 50, 1000] {
                let open = || ParquetPieces::open(file.try_clone().expect("a handle"), most).expect("a file");
                let whole = open().whole().expect("all of it");
                assert_eq!(whole.schema(), frame.schema());
                assert!(whole.equals_missing(&frame), "{rows} rows in pieces of {most}: {whole}");
                assert!(whole.columns().iter().all(|column| column.as_materialized_series().n_chunks() == 1));
                let mut one_by_one = frame.clear();
                let mut pieces = open();
                while let Some(piece) = pieces.next_piece().expect("a piece") {
                    assert!(piece.height() <= most);
                    one_by_one.vstack_mut_owned(piece).expect("the same columns");
                }
                assert!(one_by_one.equals_missing(&frame));
                for (from, some) in [(0, 0), (0, rows), (30, 40), (49, 2), (50, 50), (120, 130), (rows, 5), (rows / 2, rows)]
                {
                    let found = open().rows(from as usize, some as usize).expect("rows");
                    assert!(found.equals_missing(&frame.slice(i64::from(from), some as usize)), "{some} rows from {from}");
                }
                let some = open().only(&["day", "note"]);
                assert_eq!(some.names().expect("names").len(), 7, "names are those of the file");
                let some = some.whole().expect("two columns");
                assert!(some.equals_missing(&frame.select(some.get_column_names()).expect("these")));
            }
        }
    }
}
