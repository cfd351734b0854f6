//! JSON Schemas (draft 2020-12) of the records, of `results.json`, of findings, of answers and of a registry's `manifest.json`, made from the Rust
//! types so that the two can't drift.

use schemars::{JsonSchema, Schema, generate::SchemaSettings};

use crate::estimate::answer::Answers;
use crate::planning::answer::PlanAnswers;
use crate::record::{Placement, Visit};
use crate::registry::manifest::ManifestFile;
use crate::report::findings_file::FindingsDocument;
use crate::result::{Comparison, Review};
use crate::scores::answer::ScoreAnswers;
use crate::watching::answer::WatchAnswers;

/// One schema: file name and text.
pub struct SchemaFile {
    /// File name without folder.
    pub name: &'static str,
    /// The schema as JSON, indented.
    pub text: String,
}

fn file<T: JsonSchema>(name: &'static str) -> SchemaFile {
    let schema: Schema = SchemaSettings::draft2020_12().into_generator().into_root_schema_for::<T>();
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    SchemaFile { name, text }
}

/// All schemas.
pub fn schema_files() -> Vec<SchemaFile> {
    vec![
        file::<Placement>("placement.schema.json"),
        file::<Visit>("visit.schema.json"),
        file::<Review>("results.schema.json"),
        file::<Comparison>("comparison.schema.json"),
        file::<FindingsDocument>("findings.schema.json"),
        file::<ManifestFile>("registry-manifest.schema.json"),
        file::<Answers>("estimate.schema.json"),
        file::<ScoreAnswers>("scores.schema.json"),
        file::<PlanAnswers>("plan.schema.json"),
        file::<WatchAnswers>("watch.schema.json"),
    ]
}
