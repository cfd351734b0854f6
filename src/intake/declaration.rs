//! What a folder says of its files: `records.toml`.
//!
//! ```toml
//! [[files]]
//! name = "placements.csv"
//! tooth_notation = "universal"   # or "iso_3950", the default
//! ```

use serde::Deserialize;

use crate::record::ToothNotation;

/// The file name of a folder's declaration.
pub const DECLARATION_FILE: &str = "records.toml";

/// What a folder says of its files.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Declaration {
    /// One entry a file.
    #[serde(default)]
    pub files: Vec<FileDeclaration>,
}

/// What is said of one file.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileDeclaration {
    /// The file's name.
    pub name: String,
    /// How it writes teeth.
    pub tooth_notation: Option<ToothNotation>,
}

impl Declaration {
    /// Reads a declaration from TOML.
    ///
    /// # Errors
    /// A sentence with the line when the text is no TOML or names unknown keys.
    pub fn read(text: &str) -> Result<Self, (Option<u64>, String)> {
        toml::from_str(text).map_err(|error| {
            let line = error.span().map(|span| text[..span.start.min(text.len())].matches('\n').count() as u64 + 1);
            (line, error.message().to_owned())
        })
    }

    /// The notation of a file; ISO 3950 unless it declares another.
    pub fn notation(&self, file: &str) -> ToothNotation {
        self.files
            .iter()
            .find(|entry| entry.name == file)
            .and_then(|entry| entry.tooth_notation)
            .unwrap_or(ToothNotation::Iso3950)
    }
}
