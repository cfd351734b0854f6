//! A table of scores made ready for the estimators: rows with all they need, scores in order, groups, clusters, subjects, examiners.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{ScoreRoles, ScoreWant, ScoresAsked};
use crate::estimate::columns::{Column, Columns, MISSING, Reading, Trouble};
use crate::estimate::levels::{Levels, grouping_of, in_order, pick, same_value};
use crate::stats::{Grouping, NO_GROUP};
use crate::wording::count;

/// More different scores than this are measurements, not codes: a table of them would say nothing.
pub const MOST_CODES: usize = 200;

/// Rows left out, and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RowsLeftOut {
    /// Why.
    pub reason: String,
    /// How many.
    pub rows: u64,
}

/// A table of scores made ready.
#[derive(Clone, Debug)]
pub struct ScoreData {
    /// Rows received.
    pub received: u64,
    /// Rows left out.
    pub left_out: Vec<RowsLeftOut>,
    /// The numbers of the rows used, as a spreadsheet shows them.
    pub numbers: Vec<u64>,
    /// The scores in ascending order, also those that were named and don't occur.
    pub levels: Vec<String>,
    /// What each stands for as a number; its place, counted from 1, unless all are numbers.
    pub values: Vec<f64>,
    /// Whether the scores are numbers.
    pub numeric: bool,
    /// The score of each row.
    pub scores: Grouping,
    /// For each level whether it is among those whose share is asked.
    pub named: Vec<bool>,
    /// The groups in order; one level for all where none are asked for.
    pub groups: Vec<String>,
    /// The group of each row.
    pub grouping: Grouping,
    /// The cluster of each row; the row itself where none are named.
    pub clusters: Vec<u32>,
    /// What clusters are called; empty where none are named.
    pub cluster_labels: Vec<String>,
    /// Subjects with the subject of each row, if they are named.
    pub subjects: Option<Levels>,
    /// Examiners with the examiner of each row, if they are named.
    pub examiners: Option<Levels>,
}

impl ScoreData {
    /// How many rows are used.
    pub fn rows(&self) -> usize {
        self.clusters.len()
    }

    /// For each row 1 if its score is among those whose share is asked, else 0.
    pub fn features(&self) -> Grouping {
        let of = |&code: &u16| self.named.get(usize::from(code)).map_or(NO_GROUP, |named| u16::from(*named));
        Grouping::new(self.scores.codes().iter().map(of).collect(), 2).unwrap_or_default()
    }
}

/// Columns to read for what is asked, in a fixed order.
pub fn wanted_columns(asked: &ScoresAsked) -> Vec<(String, Reading)> {
    let roles = &asked.roles;
    let others = [&roles.group, &roles.cluster, &roles.subject, &roles.examiner];
    std::iter::once(&roles.score)
        .chain(others.into_iter().flatten())
        .map(|name| (name.clone(), Reading::Categories))
        .collect()
}

/// Makes a table ready. With `leave_out`, rows that lack a cell are left out and counted; without, they stop the run.
///
/// # Errors
/// What is wrong with how to mend it, when rows are incomplete or the scores are not those that were named.
pub fn make_ready(asked: &mut ScoresAsked, read: Columns, leave_out: bool) -> Result<ScoreData, Trouble> {
    if read.rows == 0 {
        return Err(Trouble::Table("the table has no rows.\nMend: export it again.".to_owned()));
    }
    let rows = read.rows;
    let mut columns = read.columns.into_iter().map(|column| match column {
        Column::Categories { codes, labels } => Levels { labels, codes },
        Column::Numbers(_) => Levels { labels: Vec::new(), codes: vec![MISSING; rows] },
    });
    let roles = asked.roles.clone();
    let mut next = |there: bool| if there { columns.next() } else { None };
    let all = [
        ("no score", next(true)),
        ("no group", next(roles.group.is_some())),
        ("no cluster", next(roles.cluster.is_some())),
        ("no subject", next(roles.subject.is_some())),
        ("no examiner", next(roles.examiner.is_some())),
    ];
    let lacks = |row: usize| {
        let lacking = |levels: &Option<Levels>| levels.as_ref().is_some_and(|levels| levels.codes[row] == MISSING);
        all.iter().position(|(_, levels)| lacking(levels))
    };
    let mut lacking = [(0_u64, 0_u64); 5];
    let mut kept = Vec::with_capacity(rows);
    for row in 0..rows {
        match lacks(row) {
            None => kept.push(u32::try_from(row).unwrap_or(MISSING)),
            Some(place) => {
                let (rows, first) = &mut lacking[place];
                if *rows == 0 {
                    *first = read.numbers.get(row).copied().unwrap_or(0);
                }
                *rows += 1;
            }
        }
    }
    if !leave_out && kept.len() < rows {
        return Err(Trouble::Table(incomplete(&roles, &lacking)));
    }
    let left_out = all.iter().zip(&lacking).filter(|(_, (rows, _))| *rows > 0);
    let left_out = left_out.map(|((why, _), (rows, _))| RowsLeftOut { reason: (*why).to_owned(), rows: *rows }).collect();
    if kept.is_empty() {
        return Err(Trouble::Table(
            "no row has all that is asked for.\nMend: name other columns, or fill the cells in.".to_owned(),
        ));
    }
    let numbers: Vec<u64> = kept.iter().map(|&row| read.numbers.get(row as usize).copied().unwrap_or(0)).collect();
    let [score, group, cluster, subject, examiner] = all.map(|(_, levels)| levels.map(|levels| pick(levels, Some(&kept))));
    let score = score.unwrap_or(Levels { labels: Vec::new(), codes: Vec::new() });
    let scores = ordered(score, &asked.levels, &asked.roles.score, &numbers)?;
    let codes_wanted = asked.want.iter().any(|want| !matches!(want, ScoreWant::Ranks | ScoreWant::Paired));
    if codes_wanted && scores.labels.len() > MOST_CODES {
        return Err(Trouble::Command(format!(
            "Column {} has {} different scores, which is too many for codes.\nMend: ask for --want ranks or --want paired alone, or put the scores into classes.",
            asked.roles.score,
            count(scores.labels.len() as u64)
        )));
    }
    let groups = match group {
        Some(levels) => in_order(levels),
        None => Levels { labels: vec!["all".to_owned()], codes: vec![0; kept.len()] },
    };
    if groups.labels.len() > MOST_CODES {
        return Err(Trouble::Command(format!(
            "Column {} has {} different groups.\nMend: check that it is a column of categories.",
            asked.roles.group.as_deref().unwrap_or(""),
            count(groups.labels.len() as u64)
        )));
    }
    let (clusters, cluster_labels) = match (&cluster, &subject, asked.clustered) {
        (Some(levels), _, true) | (None, Some(levels), true) => densely(levels),
        _ => ((0..).take(kept.len()).collect(), Vec::new()),
    };
    let parsed: Vec<Option<f64>> =
        scores.labels.iter().map(|label| label.parse().ok().filter(|value: &f64| value.is_finite())).collect();
    let numeric = parsed.iter().all(Option::is_some);
    let places = (1..=scores.labels.len()).map(|place| place as f64);
    let values = if numeric { parsed.into_iter().flatten().collect() } else { places.collect() };
    Ok(ScoreData {
        received: rows as u64,
        left_out,
        numbers,
        named: named(asked, &scores.labels)?,
        values,
        numeric,
        scores: grouping_of(&scores, "score").map_err(Trouble::Command)?,
        levels: scores.labels,
        grouping: grouping_of(&groups, "group").map_err(Trouble::Command)?,
        groups: groups.labels,
        clusters,
        cluster_labels,
        subjects: subject.map(in_order),
        examiners: examiner.map(in_order),
    })
}

/// Which cells are empty: how many rows lack what, and the first of them.
fn incomplete(roles: &ScoreRoles, lacking: &[(u64, u64); 5]) -> String {
    let columns =
        [Some(&roles.score), roles.group.as_ref(), roles.cluster.as_ref(), roles.subject.as_ref(), roles.examiner.as_ref()];
    let said = |(column, (rows, first)): (Option<&String>, &(u64, u64))| {
        let column = column.filter(|_| *rows > 0)?;
        let others = if *rows > 1 { format!(" and {} more", count(rows - 1)) } else { String::new() };
        Some(format!("row {first}{others}, column {column}: the cell is empty.\n"))
    };
    let lines: String = columns.into_iter().zip(lacking).filter_map(said).collect();
    format!(
        "{lines}Nothing was compared. Mend: fill them in, or run again with --leave-out-incomplete, which leaves such rows out and counts them."
    )
}

/// Codes counted from 0 in order of first appearance, without gaps, and what they stand for.
fn densely(levels: &Levels) -> (Vec<u32>, Vec<String>) {
    let mut of = vec![MISSING; levels.labels.len()];
    let mut labels = Vec::new();
    let mut dense = |code: u32| {
        let place = &mut of[code as usize];
        if *place == MISSING {
            *place = u32::try_from(labels.len()).unwrap_or(MISSING);
            labels.push(levels.labels[code as usize].clone());
        }
        *place
    };
    let codes = levels.codes.iter().map(|&code| dense(code)).collect();
    (codes, labels)
}

/// The scores in the order that was named; in their own where none was.
fn ordered(scores: Levels, named: &[String], column: &str, numbers: &[u64]) -> Result<Levels, Trouble> {
    let scores = in_order(scores);
    if named.is_empty() {
        return Ok(scores);
    }
    let earlier = |place: usize, label: &str| named[..place].iter().any(|other| same_value(other, label));
    if let Some((place, label)) = named.iter().enumerate().find(|(place, label)| earlier(*place, label)) {
        return Err(Trouble::Command(format!(
            "--levels names “{label}” twice, the second time in place {}.\nMend: name it once.",
            place + 1
        )));
    }
    let place = |label: &String| named.iter().position(|known| same_value(known, label));
    let to: Vec<Option<u32>> =
        scores.labels.iter().map(|label| place(label).and_then(|place| u32::try_from(place).ok())).collect();
    if let Some(row) = scores.codes.iter().position(|&code| to[code as usize].is_none()) {
        let others = scores.codes.iter().filter(|code| to[**code as usize].is_none()).count() - 1;
        return Err(Trouble::Table(format!(
            "row {}{}, column {column}: “{}” is none of the scores that --levels names, which are {}.\nMend: add it to --levels where it belongs, in ascending order, or correct the cell.",
            numbers[row],
            if others > 0 { format!(" and {} more", count(others as u64)) } else { String::new() },
            scores.labels[scores.codes[row] as usize],
            named.join(", ")
        )));
    }
    let codes = scores.codes.iter().map(|&code| to[code as usize].unwrap_or(MISSING)).collect();
    Ok(Levels { codes, labels: named.to_vec() })
}

/// For each level whether its share is asked; fills in the last where there are two and none was named.
fn named(asked: &mut ScoresAsked, levels: &[String]) -> Result<Vec<bool>, Trouble> {
    if let Some(unknown) = asked.share_of.iter().find(|label| !levels.iter().any(|level| same_value(level, label))) {
        return Err(Trouble::Command(format!(
            "--share-of names “{unknown}”, which is none of the scores: {}.\nMend: name those that occur, or all with --levels.",
            levels.join(", ")
        )));
    }
    if asked.share_of.is_empty() {
        if let [_, last] = levels {
            asked.share_of.push(last.clone());
        } else if asked.want.iter().any(|want| matches!(want, ScoreWant::Shares | ScoreWant::Trend)) {
            return Err(Trouble::Command(format!(
                "Shares are those of some of the scores, and none are named. There are: {}.\nMend: name them with --share-of, with commas between.",
                levels.join(", ")
            )));
        }
    }
    Ok(levels.iter().map(|level| asked.share_of.iter().any(|label| same_value(level, label))).collect())
}
