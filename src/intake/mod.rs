//! Record files to checked records and findings.
//!
//! - [`folder`]: which files hold records, their fingerprint, and what they say together
//! - [`probe`]: a first look at a file's bytes: its hash and its format
//! - [`declaration`]: what is declared of the files (`records.toml`): columns, terms, units, days, notation
//! - [`sheet`]: one table of a file, whatever its format
//! - [`text_rows`], [`workbook`], [`json_lines`], [`parquet_file`]: the formats
//! - [`grid`]: a table that is read whole
//! - [`mod@plan`]: which cell feeds which column
//! - [`cell`]: one cell to one value, or a finding
//! - [`empty_forms`]: what stands for an empty cell
//! - [`met`]: written forms met before, which need no second look
//! - `phrases`: neighbouring cells of a row met before, which need no second look either
//! - [`columns`]: the rows of a table that is columns already
//! - [`rows`]: all rows of a table into columns, with `gathering` (rows of one kind), `cell_column` (a cell into its column) and `tally`
//!   (what only the whole table tells)
//! - [`draft`]: a declaration drafted from what the files show, with `draft_names` (what columns may be called), `draft_sample`
//!   (what values prove), `draft_table` (which column is which) and `draft_text` (its lines)
//!
//! Everything is checked and all findings are gathered; nothing is guessed. One pass over the bytes, straight into columns.

pub mod cell;
mod cell_column;
pub mod columns;
pub mod declaration;
pub mod draft;
mod draft_names;
mod draft_sample;
mod draft_table;
mod draft_text;
pub mod empty_forms;
pub mod folder;
mod gathering;
pub mod grid;
pub mod json_lines;
pub mod met;
pub mod parquet_file;
mod phrases;
pub mod plan;
pub mod probe;
pub mod rows;
pub mod sheet;
mod tally;
pub mod text_rows;
pub mod workbook;

pub use folder::{Intake, IntakeRequest, TableRead, read_records};
pub use rows::Piece;
