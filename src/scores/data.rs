//! A table of scores made ready for the estimators: rows with all they need, scores in order, groups, clusters, subjects, examiners.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{ScoreWant, ScoresAsked};
use crate::estimate::columns::{Column, Columns, MISSING, Reading};
use crate::estimate::levels::{Levels, grouping_of, in_order, pick, same_value};
use crate::stats::{Grouping, NO_GROUP};

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
/// A sentence with how to mend it, when rows are incomplete or the scores are not those that were named.
pub fn make_ready(asked: &mut ScoresAsked, read: Columns, leave_out: bool) -> Result<ScoreData, String> {
    if read.rows == 0 {
        return Err("The table has no rows.\nMend: export it again.".to_owned());
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
        all.iter().find(|(_, levels)| lacking(levels)).map(|(why, _)| *why)
    };
    let mut left_out: Vec<RowsLeftOut> = Vec::new();
    let mut first = None;
    let mut kept = Vec::with_capacity(rows);
    for row in 0..rows {
        match lacks(row) {
            None => kept.push(u32::try_from(row).unwrap_or(MISSING)),
            Some(why) => {
                first = first.or_else(|| read.numbers.get(row).copied());
                match left_out.iter_mut().find(|left| left.reason == why) {
                    Some(left) => left.rows += 1,
                    None => left_out.push(RowsLeftOut { reason: why.to_owned(), rows: 1 }),
                }
            }
        }
    }
    if let (Some(left), false) = (left_out.first(), leave_out) {
        return Err(format!(
            "{} {} {}, first row {}.\nMend: fill them in, or run again with --leave-out-incomplete.",
            left.rows,
            if left.rows == 1 { "row has" } else { "rows have" },
            left.reason,
            first.unwrap_or(0)
        ));
    }
    if kept.is_empty() {
        return Err("No row has all that is asked for.\nMend: name other columns, or fill the cells in.".to_owned());
    }
    let [score, group, cluster, subject, examiner] = all.map(|(_, levels)| levels.map(|levels| pick(levels, Some(&kept))));
    let scores = ordered(score.unwrap_or(Levels { labels: Vec::new(), codes: Vec::new() }), &asked.levels)?;
    let codes_wanted = asked.want.iter().any(|want| *want != ScoreWant::Ranks);
    if codes_wanted && scores.labels.len() > MOST_CODES {
        return Err(format!(
            "The column of scores has {} different values, which is too many for codes.\nMend: ask for ranks alone with --want ranks, or put them into classes.",
            scores.labels.len()
        ));
    }
    let groups = match group {
        Some(levels) => in_order(levels),
        None => Levels { labels: vec!["all".to_owned()], codes: vec![0; kept.len()] },
    };
    if groups.labels.len() > MOST_CODES {
        return Err(format!(
            "The column of the group has {} different values.\nMend: check that it is a column of categories.",
            groups.labels.len()
        ));
    }
    let clusters = match (&cluster, &subject, asked.clustered) {
        (Some(levels), _, true) | (None, Some(levels), true) => densely(&levels.codes),
        _ => (0..).take(kept.len()).collect(),
    };
    let numbers: Vec<Option<f64>> =
        scores.labels.iter().map(|label| label.parse().ok().filter(|value: &f64| value.is_finite())).collect();
    let numeric = numbers.iter().all(Option::is_some);
    let places = (1..=scores.labels.len()).map(|place| place as f64);
    let values = if numeric { numbers.into_iter().flatten().collect() } else { places.collect() };
    Ok(ScoreData {
        received: rows as u64,
        left_out,
        named: named(asked, &scores.labels)?,
        values,
        numeric,
        scores: grouping_of(&scores, "score")?,
        levels: scores.labels,
        grouping: grouping_of(&groups, "group")?,
        groups: groups.labels,
        clusters,
        subjects: subject.map(in_order),
        examiners: examiner.map(in_order),
    })
}

/// Codes counted from 0 in order of first appearance, without gaps.
fn densely(codes: &[u32]) -> Vec<u32> {
    let mut of = vec![MISSING; codes.iter().max().map_or(0, |most| *most as usize + 1)];
    let mut next = 0;
    let mut dense = |code: u32| {
        let place = &mut of[code as usize];
        if *place == MISSING {
            *place = next;
            next += 1;
        }
        *place
    };
    codes.iter().map(|&code| dense(code)).collect()
}

/// The scores in the order that was named; in their own where none was.
fn ordered(scores: Levels, named: &[String]) -> Result<Levels, String> {
    let scores = in_order(scores);
    if named.is_empty() {
        return Ok(scores);
    }
    if let Some((place, label)) =
        named.iter().enumerate().find(|(place, label)| named[..*place].iter().any(|other| same_value(other, label)))
    {
        return Err(format!("--levels names “{label}” twice, the second time in place {}.\nMend: name it once.", place + 1));
    }
    let place = |label: &String| named.iter().position(|known| same_value(known, label));
    if let Some(unknown) = scores.labels.iter().find(|label| place(label).is_none()) {
        return Err(format!(
            "The column of scores holds “{unknown}”, which --levels doesn't name. It names: {}.\nMend: add it where it belongs, in ascending order, or correct the cells.",
            named.join(", ")
        ));
    }
    let to: Vec<u32> = scores
        .labels
        .iter()
        .map(|label| place(label).and_then(|place| u32::try_from(place).ok()))
        .map(|place| place.unwrap_or(MISSING))
        .collect();
    Ok(Levels { codes: scores.codes.iter().map(|&code| to[code as usize]).collect(), labels: named.to_vec() })
}

/// For each level whether its share is asked; fills in the last where there are two and none was named.
fn named(asked: &mut ScoresAsked, levels: &[String]) -> Result<Vec<bool>, String> {
    if let Some(unknown) = asked.share_of.iter().find(|label| !levels.iter().any(|level| same_value(level, label))) {
        return Err(format!(
            "--share-of names “{unknown}”, which is none of the scores: {}.\nMend: name those that occur, or all with --levels.",
            levels.join(", ")
        ));
    }
    if asked.share_of.is_empty() {
        if let [_, last] = levels {
            asked.share_of.push(last.clone());
        } else if asked.want.iter().any(|want| matches!(want, ScoreWant::Shares | ScoreWant::Trend)) {
            return Err(format!(
                "Shares are those of some of the scores, and none are named. There are: {}.\nMend: name them with --share-of, with commas between.",
                levels.join(", ")
            ));
        }
    }
    Ok(levels.iter().map(|level| asked.share_of.iter().any(|label| same_value(level, label))).collect())
}
