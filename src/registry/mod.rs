//! Keeping accepted records safe for decades: a folder of immutable batches and one manifest that names them.
//!
//! A batch is accepted whole or not at all. Batch files are Parquet, named by the SHA-256 of their bytes and never changed; what
//! counts is `manifest.json`, replaced in one step once everything it names is on the disk. Readers take the manifest as it is and
//! never wait; one writer at a time holds a lock that ends with its process.
//!
//! - [`registry`]: creating, opening, reading as of a batch
//! - [`manifest`]: what the registry says of itself, sealed with its own digest
//! - [`writer`]: the one who may change it: sweeping, committing
//! - [`staging`]: new rows as they come in, on the disk where they are many
//! - [`parting`]: new and kept rows by part, so that those that may meet are together
//! - `part_index`: which part a restoration belongs to
//! - `pair_sorter`: pairs of hashes put in order, on the disk where they are many
//! - `part_file`: the rows of a table, put down by part
//! - [`weighing`]: new rows against kept ones: new, identical, superseding, contradicting
//! - [`withdrawal`]: a patient's records leave every batch
//! - [`verification`]: every digest, every count, every earlier manifest
//! - [`reading`]: batches to the two tables, with supersession
//! - `row_key`: what makes two rows speak of the same thing
//! - [`identity`]: the key that turns patient ids into pseudonyms
//! - `stated_columns`: the coded columns of visits as the one that batch files have
//! - [`vocabulary`]: kept codes to today's codes
//! - [`batch_file`]: a table as the bytes of a file, and back
//! - [`durable`]: writing so that a power cut leaves the old or the new
//! - [`paths`]: where things lie in the folder
//! - [`stop_point`]: named points at which a test may end the process
//! - [`error`]: what can go wrong, in sentences

pub mod batch_file;
pub mod durable;
pub mod error;
mod group_writer;
pub mod identity;
pub mod manifest;
mod pair_sorter;
mod part_file;
mod part_index;
pub mod parting;
pub mod paths;
pub mod reading;
#[expect(clippy::module_inception, reason = "the folder is the part, the file is its main type")]
pub mod registry;
mod row_key;
mod runs;
pub mod staging;
mod stated_columns;
pub mod stop_point;
pub mod verification;
pub mod vocabulary;
pub mod weighing;
pub mod withdrawal;
pub mod writer;

pub use error::{LastGood, RegistryError};
pub use identity::{Key, Pseudonyms};
pub use manifest::{Batch, BatchKind, Counts, Holds, Identity, Manifest, SourceFile};
pub use pair_sorter::PairSorter;
pub use parting::Parts;
pub use reading::Kept;
pub use registry::Registry;
pub use staging::{Staged, Staging};
pub use verification::{Damage, Verdict, verify};
pub use weighing::{Weighed, WeighedPart};
pub use withdrawal::Withdrawn;
pub use writer::Writer;
