//! Where things lie in the folder of a registry.

use std::path::{Path, PathBuf};

/// How files under construction begin; readers pass them over, the next writer sweeps them.
pub const TEMPORARY: &str = ".unfinished-";

/// The places in a registry's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paths(PathBuf);

impl Paths {
    /// The places below a folder.
    pub fn new(folder: &Path) -> Self {
        Self(folder.to_owned())
    }

    /// The folder itself.
    pub fn folder(&self) -> &Path {
        &self.0
    }

    /// The manifest that counts.
    pub fn manifest(&self) -> PathBuf {
        self.0.join("manifest.json")
    }

    /// The folder of all manifests so far.
    pub fn manifests(&self) -> PathBuf {
        self.0.join("manifests")
    }

    /// The name of the manifest of a revision among all so far.
    pub fn numbered_name(revision: u32) -> String {
        format!("{revision:06}.json")
    }

    /// The manifest of a revision among all so far.
    pub fn numbered(&self, revision: u32) -> PathBuf {
        self.manifests().join(Self::numbered_name(revision))
    }

    /// The folder of batch files.
    pub fn batches(&self) -> PathBuf {
        self.0.join("batches")
    }

    /// A batch file.
    pub fn batch_file(&self, name: &str) -> PathBuf {
        self.batches().join(name)
    }

    /// The file that the one writer locks.
    pub fn lock(&self) -> PathBuf {
        self.0.join("lock")
    }
}

/// The revision that a file in [`Paths::manifests`] belongs to; none if it is no such file.
pub fn revision_of(name: &str) -> Option<u32> {
    let digits = name.strip_suffix(".json")?;
    (digits.len() >= 6 && digits.bytes().all(|b| b.is_ascii_digit())).then(|| digits.parse().ok()).flatten()
}

/// Whether a name is that of a batch file: a SHA-256 in hexadecimal and `.parquet`.
pub fn is_batch_file(name: &str) -> bool {
    name.strip_suffix(".parquet").is_some_and(is_digest)
}

/// Whether a text is a SHA-256 in lower-case hexadecimal.
pub fn is_digest(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}
