//! Checked records in columns: what intake hands on, what the registry will keep, what the cohort reads.
//!
//! - [`columns`]: one builder a column, typed by the record's own list of columns
//! - [`filled`]: how far columns are filled
//! - [`numbered_texts`]: a column of texts of which few differ
//! - [`parquet_pieces`]: a Parquet file, read piece by piece
//! - [`records`]: the two tables, with where each row came from
//! - [`stated`]: what a visit states as one cell
//! - `text_hash`: sixty-four bits of a text

pub mod columns;
pub mod filled;
pub mod numbered_texts;
pub mod parquet_pieces;
pub mod records;
pub mod stated;
pub(crate) mod text_hash;
pub(crate) mod text_order;
pub(crate) mod text_runs;

pub use columns::{ColumnBuilder, NO_CODE, NO_DAY};
pub use filled::Filled;
pub use numbered_texts::NumberedTexts;
pub use parquet_pieces::{ParquetPieces, Piece, decoding_threads};
pub use records::{PlacementTable, RecordTable, TableError, VisitTable};
pub use stated::{STATED_COLUMN, StatedRows};
