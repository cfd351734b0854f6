//! What is asked of a table of scores: which columns hold what, and what is to be told from them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::ConfidenceLevel;
use crate::stats::{AdjustmentMethod, ZeroDifferences};

/// Which columns hold what.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ScoreRoles {
    /// The score: a code or a number.
    pub score: String,
    /// Groups to compare.
    pub group: Option<String>,
    /// What may share its fate; without it, the subject where one is named.
    pub cluster: Option<String>,
    /// What is scored several times.
    pub subject: Option<String>,
    /// Who scored it, or on which occasion.
    pub examiner: Option<String>,
}

/// Something that can be told from scores.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum ScoreWant {
    /// How often each score occurs in each group, and tests that it doesn't depend on the group: chi-squared and exact.
    Table,
    /// The share of some scores in each group, with its limits, and differences and ratios between groups.
    Shares,
    /// Which group has the higher scores: rank sum, probability of superiority, all groups at once (Kruskal–Wallis).
    Ranks,
    /// Whether the share of some scores rises or falls over ordered groups (Cochran–Armitage).
    Trend,
    /// Scores of the same subjects compared: McNemar, signed rank, Friedman, Cochran's Q.
    Paired,
    /// How far examiners agree: per cent, kappa, Fleiss' kappa, Krippendorff's alpha.
    Agreement,
}

impl ScoreWant {
    /// Whether it compares groups.
    pub const fn needs_groups(self) -> bool {
        matches!(self, Self::Ranks | Self::Trend)
    }

    /// Whether it compares several scores of the same subject.
    pub const fn needs_subjects(self) -> bool {
        matches!(self, Self::Paired | Self::Agreement)
    }
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoresAsked {
    /// Which columns hold what.
    pub roles: ScoreRoles,
    /// What to tell.
    pub want: Vec<ScoreWant>,
    /// The scores in ascending order; without them, numbers by size and texts by letter.
    pub levels: Vec<String>,
    /// The scores whose share is asked; without them, the last where there are only two.
    pub share_of: Vec<String>,
    /// Numbers of the groups, in order, for the trend; without them 1, 2, 3 and so on.
    pub group_scores: Vec<f64>,
    /// How probabilities are adjusted for the number of pairs.
    pub adjustment: AdjustmentMethod,
    /// What becomes of pairs without a difference in a test of signed ranks.
    pub zero_differences: ZeroDifferences,
    /// Coverage of intervals.
    pub level: ConfidenceLevel,
    /// Whether those of a cluster may share their fate.
    pub clustered: bool,
    /// How many steps the exact test of a table may take.
    pub exact_steps: u64,
    /// How many tables are drawn where it would take more.
    pub sampled_tables: u32,
    /// How many times subjects or clusters are resampled for the limits of alpha.
    pub resamples: u32,
    /// Where the random numbers start.
    pub seed: u64,
}
