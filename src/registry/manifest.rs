//! What the registry says of itself: batches, files, digests, counts. A sealed JSON file.
//!
//! The file is `{"sha256": …, "registry": …}`; the digest is that of the bytes of the second value as they stand. So any changed
//! byte is noticed. The outer shape stays the same in every format, so that a later format can be refused plainly.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::durable::digest;
use super::paths::{is_batch_file, is_digest};
use super::vocabulary::TermTables;
use crate::quantity::Day;
use crate::record::RecordKind;

/// The format that this version writes.
///
/// - 1: visits with a column for each of their codes, as places in the vocabulary or as signs
/// - 2: visits with what they state written out in one column (`table::stated`); the other is read as well
pub const FORMAT: u32 = 2;

const OPENING: &str = "{\n\"sha256\": \"";
const MIDDLE: &str = "\",\n\"registry\": ";
const CLOSING: &str = "\n}\n";

/// `manifest.json`, and each numbered manifest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ManifestFile {
    /// SHA-256 of the bytes of `registry` as they stand in the file, in hexadecimal.
    pub sha256: String,
    /// The manifest.
    pub registry: Manifest,
}

/// What a registry holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Format of the registry.
    pub format: u32,
    /// Program that wrote it.
    pub made_by: String,
    /// Number of the last batch; 0 when there is none.
    pub revision: u32,
    /// The digest of the manifest before this one.
    pub previous_sha256: Option<String>,
    /// How patients are named.
    pub identity: Identity,
    /// Lists of terms that coded columns of batch files refer to by place.
    pub vocabularies: Vec<TermTables>,
    /// Batches and withdrawals, numbered from 1.
    pub batches: Vec<Batch>,
}

/// How patients are named in the registry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "kind", deny_unknown_fields)]
pub enum Identity {
    /// By pseudonyms made with a key.
    Keyed {
        /// Tells the key from others, without telling the key.
        key_fingerprint: String,
    },
    /// As in the files.
    Plain {},
}

/// One change of the registry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    /// Its number.
    pub number: u32,
    /// What kind of change.
    pub kind: BatchKind,
    /// Day accepted, by the clock of the computer.
    pub day: Day,
    /// Record files that it came from, in the order that rows refer to.
    pub sources: Vec<SourceFile>,
    /// Columns of the practice's own, behind those of a placement.
    pub own_columns: Vec<String>,
    /// Which of the manifest's vocabularies its codes refer to; none for a withdrawal.
    pub vocabulary: Option<u32>,
    /// Its files.
    pub files: Vec<StoredFile>,
    /// Counts of placements.
    pub placements: Counts,
    /// Counts of visits.
    pub visits: Counts,
}

/// What kind of change a batch is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BatchKind {
    /// New records.
    Accepted,
    /// Records that may supersede earlier ones.
    Correction,
    /// A patient's records left every batch.
    Withdrawal,
}

/// A record file that a batch came from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SourceFile {
    /// Its name.
    pub name: String,
    /// SHA-256 of its bytes, in hexadecimal.
    pub sha256: String,
}

/// What a stored file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Holds {
    /// Placements.
    Placements,
    /// Visits.
    Visits,
}

impl From<RecordKind> for Holds {
    fn from(kind: RecordKind) -> Self {
        match kind {
            RecordKind::Placement => Self::Placements,
            RecordKind::Visit => Self::Visits,
        }
    }
}

/// A file of a batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StoredFile {
    /// What it holds.
    pub holds: Holds,
    /// Its name in `batches/`: its SHA-256 and `.parquet`.
    pub name: String,
    /// SHA-256 of its bytes, in hexadecimal.
    pub sha256: String,
    /// How many bytes.
    pub bytes: u64,
    /// How many rows.
    pub rows: u64,
}

/// Counts of one kind of record in a batch: `received = kept + withdrawn + identical`. In a withdrawal only `withdrawn` counts. Rows set
/// aside are counted apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Counts {
    /// Rows met in the files.
    pub received: u64,
    /// Rows that the batch holds.
    pub kept: u64,
    /// Rows that repeat one already kept, in all columns.
    pub identical: u64,
    /// Rows that superseded an earlier one when they were accepted.
    pub superseding: u64,
    /// Rows that left since, on a patient's wish.
    pub withdrawn: u64,
    /// Rows of the files that were set aside, and so are not among those received.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub set_aside: u64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "so asks the serializer")]
const fn is_zero(count: &u64) -> bool {
    *count == 0
}

impl Counts {
    /// Adds those of another part.
    pub fn add(&mut self, other: Self) {
        self.received += other.received;
        self.kept += other.kept;
        self.identical += other.identical;
        self.superseding += other.superseding;
        self.withdrawn += other.withdrawn;
        self.set_aside += other.set_aside;
    }
}

/// A manifest that was read whole, with the digest it is sealed with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// The manifest.
    pub manifest: Manifest,
    /// Its digest.
    pub sha256: String,
    /// Its text.
    pub text: String,
}

/// Why a manifest's text is no manifest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unsealed {
    /// It is not as it was written.
    Damaged(String),
    /// It was written by a later version.
    Newer(u64),
}

impl Sealed {
    /// Seals a manifest.
    ///
    /// # Errors
    /// When it can't be written as JSON, which would be a fault of the program.
    pub fn seal(manifest: Manifest) -> Result<Self, serde_json::Error> {
        let body = serde_json::to_string_pretty(&manifest)?;
        let sha256 = digest(body.as_bytes());
        let text = format!("{OPENING}{sha256}{MIDDLE}{body}{CLOSING}");
        Ok(Self { manifest, sha256, text })
    }

    /// Reads a sealed manifest.
    ///
    /// # Errors
    /// When any byte of it is not as it was written, or a later version wrote it.
    pub fn open(bytes: Vec<u8>) -> Result<Self, Unsealed> {
        let damaged = |what: &str| Unsealed::Damaged(what.to_owned());
        let text = String::from_utf8(bytes).map_err(|_| damaged("it is not text"))?;
        let (sha256, body) = text
            .strip_prefix(OPENING)
            .and_then(|rest| rest.split_once(MIDDLE))
            .and_then(|(sha256, rest)| Some((sha256, rest.strip_suffix(CLOSING)?)))
            .ok_or_else(|| damaged("it is cut short or its frame is not as it was written"))?;
        if digest(body.as_bytes()) != sha256 {
            return Err(damaged("its contents don't match the SHA-256 it is sealed with"));
        }
        #[derive(Deserialize)]
        struct Format {
            format: u64,
        }
        let unreadable = |error: serde_json::Error| Unsealed::Damaged(format!("its contents are not a manifest ({error})"));
        let Format { format } = serde_json::from_str(body).map_err(unreadable)?;
        if format > u64::from(FORMAT) {
            return Err(Unsealed::Newer(format));
        }
        let manifest: Manifest = serde_json::from_str(body).map_err(unreadable)?;
        manifest.check().map_err(Unsealed::Damaged)?;
        let sha256 = sha256.to_owned();
        Ok(Self { manifest, sha256, text })
    }
}

impl Manifest {
    /// The manifest of a registry without records.
    pub fn empty(identity: Identity) -> Self {
        Self {
            format: FORMAT,
            made_by: made_by(),
            revision: 0,
            previous_sha256: None,
            identity,
            vocabularies: Vec::new(),
            batches: Vec::new(),
        }
    }

    /// The manifest after one more batch.
    pub fn with(&self, sha256: &str, batch: Batch) -> Self {
        let mut next = self.clone();
        next.format = FORMAT;
        next.made_by = made_by();
        next.previous_sha256 = Some(sha256.to_owned());
        next.revision = batch.number;
        next.batches.push(batch);
        next
    }

    /// Every stored file with the batch it belongs to.
    pub fn files(&self) -> impl Iterator<Item = (&Batch, &StoredFile)> {
        self.batches.iter().flat_map(|batch| batch.files.iter().map(move |file| (batch, file)))
    }

    /// The batch that a source file was accepted in first, if it was.
    pub fn batch_of_source(&self, sha256: &str) -> Option<u32> {
        self.batches
            .iter()
            .find(|batch| batch.sources.iter().any(|source| source.sha256 == sha256))
            .map(|batch| batch.number)
    }

    /// Whether the counts and names agree with each other.
    fn check(&self) -> Result<(), String> {
        let numbered = self.batches.iter().zip(1..).all(|(batch, number)| batch.number == number);
        if !numbered || self.batches.len() as u64 != u64::from(self.revision) {
            return Err("its batches are not numbered as they should be".to_owned());
        }
        let (mut left, mut said) = ([0_u64; 2], [0_u64; 2]);
        for batch in &self.batches {
            let rows = |holds| batch.files.iter().filter(|file| file.holds == holds).map(|file| file.rows).sum::<u64>();
            let kinds = [(Holds::Placements, batch.placements), (Holds::Visits, batch.visits)];
            for (place, (holds, counts)) in kinds.into_iter().enumerate() {
                let withdrawal = batch.kind == BatchKind::Withdrawal;
                *(if withdrawal { &mut said[place] } else { &mut left[place] }) += counts.withdrawn;
                let adds_up = counts.received == counts.kept + counts.withdrawn + counts.identical;
                if counts.kept != rows(holds) || (!withdrawal && !adds_up) {
                    return Err(format!("the counts of batch {} don't add up", batch.number));
                }
            }
            let named = |file: &StoredFile| {
                is_batch_file(&file.name) && is_digest(&file.sha256) && file.name.starts_with(&file.sha256)
            };
            if !batch.files.iter().all(named) {
                return Err(format!("batch {} names a file that is none of the registry's", batch.number));
            }
            let coded = batch.vocabulary.is_some_and(|place| (place as usize) < self.vocabularies.len());
            if !batch.files.is_empty() && !coded {
                return Err(format!("batch {} has no vocabulary", batch.number));
            }
        }
        if left != said {
            return Err("the counts of withdrawn records don't add up".to_owned());
        }
        Ok(())
    }
}

fn made_by() -> String {
    format!("manebit {}", env!("CARGO_PKG_VERSION"))
}
