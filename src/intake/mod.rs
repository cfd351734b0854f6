//! Record files to checked records and findings.
//!
//! - [`folder`]: which files of a folder hold records, and their fingerprint
//! - [`declaration`]: what the folder says of its files (`records.toml`)
//! - [`text_file`]: a file's bytes as rows of cells, each with its row number
//! - [`cell`]: one cell to one value, or a finding
//! - [`rows`]: all rows of a file into the columns of a table
//!
//! Everything is checked and all findings are gathered; nothing is guessed. One pass over the bytes, straight into columns.

pub mod cell;
pub mod declaration;
pub mod folder;
pub mod rows;
pub mod text_file;

pub use folder::{FileRead, Intake, read_folder};
