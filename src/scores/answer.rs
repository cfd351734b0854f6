//! All that is asked of scores, answered. The document that is written as JSON; its schema is schemas/scores.schema.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::agreements::{self, AgreementAnswer};
use super::asked::{ScoreWant, ScoresAsked};
use super::data::{RowsLeftOut, ScoreData};
use super::paired::{self, PairedAnswer};
use super::ranks::{self, RanksAnswer};
use super::shares::{self, SharesAnswer};
use super::tables::{self, TableAnswer};
use super::trends::{self, TrendAnswer};
use crate::estimate::columns::Trouble;
use crate::estimate::section::Section;

/// What was used of the table of scores.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ScoresUsed {
    /// Rows received.
    pub rows: u64,
    /// Rows used.
    pub used: u64,
    /// Rows left out, by reason.
    pub left_out: Vec<RowsLeftOut>,
    /// How many clusters; as many as rows where none are named.
    pub clusters: u64,
    /// The scores in ascending order.
    pub levels: Vec<String>,
    /// The groups in order.
    pub groups: Vec<String>,
}

/// The answers. What was not asked for is not there.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScoreAnswers {
    /// The version of the program.
    pub version: String,
    /// What was asked, with what was filled in where nothing was said.
    pub asked: ScoresAsked,
    /// What was used of the table.
    pub table_used: ScoresUsed,
    /// Groups by scores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<TableAnswer>,
    /// Shares of the scores named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares: Option<SharesAnswer>,
    /// Which group has the higher scores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ranks: Option<RanksAnswer>,
    /// The trend of a share over ordered groups.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trend: Option<TrendAnswer>,
    /// Scores of the same subjects compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub paired: Option<PairedAnswer>,
    /// How examiners agree.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub agreement: Option<AgreementAnswer>,
}

/// Answers; fills in what was left open.
///
/// # Errors
/// What is wrong with how to mend it, when something asked for lacks what it needs.
pub fn answer(asked: &mut ScoresAsked, data: &ScoreData) -> Result<ScoreAnswers, Trouble> {
    let want = asked.want.clone();
    let wants = |one: ScoreWant| want.contains(&one);
    if data.groups.len() < 2 && want.iter().any(|want| want.needs_groups()) {
        return Err(Trouble::Command(format!(
            "All rows are of one group, {}, so there is nothing to compare.\nMend: name another column with --group.",
            data.groups.join(", ")
        )));
    }
    let mut clusters = data.clusters.clone();
    clusters.sort_unstable();
    clusters.dedup();
    Ok(ScoreAnswers {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        table_used: ScoresUsed {
            rows: data.received,
            used: data.rows() as u64,
            left_out: data.left_out.clone(),
            clusters: clusters.len() as u64,
            levels: data.levels.clone(),
            groups: data.groups.clone(),
        },
        table: wants(ScoreWant::Table).then(|| tables::table_answer(asked, data).map_err(Trouble::Command)).transpose()?,
        shares: wants(ScoreWant::Shares)
            .then(|| shares::shares_answer(asked, data).map_err(Trouble::Command))
            .transpose()?,
        ranks: wants(ScoreWant::Ranks).then(|| ranks::ranks_answer(asked, data).map_err(Trouble::Command)).transpose()?,
        trend: wants(ScoreWant::Trend).then(|| trends::trend_answer(asked, data).map_err(Trouble::Command)).transpose()?,
        paired: wants(ScoreWant::Paired).then(|| paired::paired_answer(asked, data)).transpose()?,
        agreement: wants(ScoreWant::Agreement).then(|| agreements::agreement_answer(asked, data)).transpose()?,
        asked: asked.clone(),
    })
}

/// The answers as readable tables.
pub fn sections(answers: &ScoreAnswers) -> Vec<Section> {
    let (asked, used) = (&answers.asked, &answers.table_used);
    let mut sections = Vec::new();
    if let Some(table) = &answers.table {
        sections.extend(tables::table_sections(table, &used.groups, &used.levels, used.groups.len() < 2));
    }
    if let Some(found) = &answers.shares {
        sections.extend(shares::share_sections(asked, found));
    }
    if let Some(found) = &answers.ranks {
        sections.extend(ranks::rank_sections(asked, found));
    }
    if let Some(found) = &answers.trend {
        sections.extend(trends::trend_sections(asked, found, &used.groups));
    }
    if let Some(found) = &answers.paired {
        sections.extend(paired::paired_sections(asked, found));
    }
    if let Some(found) = &answers.agreement {
        sections.extend(agreements::agreement_sections(asked, found, &used.levels));
    }
    sections
}
