//! Recalls and criteria scores.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{ConfidenceInterval, Days, Fraction, Known};
use crate::record::{Criterion, Scheme, Standing};

/// One recall window: who was due, seen, scored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RecallReview {
    /// Months after placement at which it is due.
    pub months: u16,
    /// First and last day of the window.
    pub opens: Days,
    /// Last day of the window.
    pub closes: Days,
    /// Restorations due: the window has closed, and they had not ended before it opened.
    pub due: u64,
    /// Of these, seen or reported within the window.
    pub seen: u64,
    /// Of these, with at least one score.
    pub scored: u64,
    /// Patients with a restoration due.
    pub patients_due: u64,
    /// Patients seen.
    pub patients_seen: u64,
    /// Seen of due, with Wilson's interval.
    pub share_seen: Known<(Fraction, ConfidenceInterval<Fraction>)>,
}

/// A day at which survival is read that lies inside the window of a recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RecallCut {
    /// The recall, in months.
    pub months: u16,
    /// The day.
    pub day: Days,
    /// Failures found up to the day.
    pub before: u64,
    /// Failures found after it, up to the last day of the window.
    pub after: u64,
}

/// One criterion at one recall for one level of a factor and one scheme.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CriterionReview {
    /// The criterion.
    pub criterion: Criterion,
    /// The factor, or `all`.
    pub factor: String,
    /// The level's code.
    pub level: String,
    /// What people read.
    pub level_label: String,
    /// The scheme, or none where schemes are pooled on "acceptable or not".
    pub scheme: Option<Scheme>,
    /// The recall, in months.
    pub months: u16,
    /// Restorations scored (for colour, staining, adaptation: only retained ones can be).
    pub scored: u64,
    /// Patients among them.
    pub patients: u64,
    /// How many had each score, with shares; empty where schemes are pooled.
    pub scores: Vec<ScoreCount>,
    /// How many stood ideal, acceptable, unacceptable; the pooled reading.
    pub standings: Vec<LevelShare>,
}

/// One score of a scheme.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoreCount {
    /// The sign.
    pub score: String,
    /// How it stands.
    pub standing: Standing,
    /// How many had it.
    pub count: u64,
    /// Share of those scored.
    pub share: Known<Fraction>,
    /// Wilson's interval of the share (every restoration counted as independent).
    pub interval: Known<ConfidenceInterval<Fraction>>,
}

/// One standing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LevelShare {
    /// The standing.
    pub standing: Standing,
    /// How many.
    pub count: u64,
    /// Share of those scored.
    pub share: Known<Fraction>,
    /// Wilson's interval of the share (every restoration counted as independent).
    pub interval: Known<ConfidenceInterval<Fraction>>,
}
