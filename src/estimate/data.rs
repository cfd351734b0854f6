//! A table of times made ready for the estimators: rows with all they need, on an axis of ticks, in groups, strata and clusters.

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::columns::{Column, Columns, MISSING, Reading};
use super::ends::{Row, push_bounds};
use super::levels::{Levels, cause_places, grouping_of, in_order, pick, same_value};
use crate::quantity::Days;
use crate::stats::{Axis, Ending, Grouping, Intervals, LONGEST_FOLLOW_UP, Observations};

/// Rows left out, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// Why.
    pub reason: String,
    /// How many.
    pub rows: u64,
}

/// A covariate with the values of the rows used.
#[derive(Clone, Debug, PartialEq)]
pub enum Covariate {
    /// Numbers; a missing one is NaN.
    Numbers(Vec<f64>),
    /// Levels; a missing one is [`MISSING`].
    Levels(Levels),
}

/// When following of each row ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Ends {
    /// At a time.
    Times(Vec<f64>),
    /// With a failure after a time (NaN: since it began) and at or before another (NaN: not seen to fail).
    Bounds {
        /// Last seen in place.
        after: Vec<f64>,
        /// First seen to have failed.
        by: Vec<f64>,
    },
}

/// A table of times made ready.
#[derive(Clone, Debug)]
pub struct Data {
    /// Rows received.
    pub received: u64,
    /// Rows left out.
    pub left_out: Vec<LeftOut>,
    /// Rows used; where only bounds are known, with their last times, for counting.
    pub observations: Observations,
    /// The same between bounds, where only these are known.
    pub bounds: Option<Intervals>,
    /// What the ticks stand for.
    pub axis: Axis,
    /// Groups; one level for all where none are asked for.
    pub groups: Levels,
    /// The same for the estimators.
    pub grouping: Grouping,
    /// Strata, if asked for.
    pub strata: Option<(Levels, Grouping)>,
    /// Whether clusters were named; without, each row is its own.
    pub clustered: bool,
    /// The names of the clusters by their index, where an answer lists clusters.
    pub cluster_labels: Vec<String>,
    /// The stratum of each cluster index within which it is resampled, if asked for.
    pub resample_strata: Option<Vec<u32>>,
    /// Strata within each of which censoring is estimated, if asked for.
    pub censoring_strata: Option<Grouping>,
    /// For each row whether the column of causes says that it was lost, if a value means that.
    pub lost: Option<Vec<bool>>,
    /// For each row 0 if censored, else one more than the place of its cause.
    pub causes: Vec<u8>,
    /// Causes, the failure first.
    pub cause_labels: Vec<String>,
    /// Covariates, in the order in which they were asked for: numbers, then factors.
    pub covariates: Vec<(String, Covariate)>,
}

impl Data {
    /// The tick at or before a time; before the origin, one below it.
    pub fn tick(&self, time: f64) -> Days {
        Days::new(self.axis.tick_at(time).unwrap_or(-1))
    }

    /// The rows as intervals: between their bounds, or exact where times are known.
    pub fn intervals(&self) -> Cow<'_, Intervals> {
        let exact = || Cow::Owned(Intervals::of_observations(&self.observations));
        self.bounds.as_ref().map_or_else(exact, Cow::Borrowed)
    }

    /// The ticks of the times asked for.
    pub fn ticks(&self, asked: &Asked) -> Vec<Days> {
        asked.at.iter().map(|&time| self.tick(time)).collect()
    }
}

/// Columns to read for what is asked, in a fixed order.
pub fn wanted_columns(asked: &Asked) -> Vec<(String, Reading)> {
    let roles = &asked.roles;
    let mut wanted = Vec::new();
    let mut add = |name: &Option<String>, reading| wanted.extend(name.iter().map(|name| (name.clone(), reading)));
    add(&roles.time, Reading::Numbers);
    add(&roles.after, Reading::Numbers);
    add(&roles.by, Reading::Numbers);
    add(&roles.entry, Reading::Numbers);
    add(&roles.cause, Reading::Categories);
    add(&roles.group, Reading::Categories);
    add(&roles.stratum, Reading::Categories);
    add(&roles.cluster, Reading::Categories);
    add(&roles.weight, Reading::Numbers);
    add(&roles.resample_within, Reading::Categories);
    add(&roles.censoring_stratum, Reading::Categories);
    wanted.extend(roles.covariates.iter().map(|name| (name.clone(), Reading::Numbers)));
    wanted.extend(roles.factors.iter().map(|(name, _)| (name.clone(), Reading::Categories)));
    wanted
}

fn next_numbers(columns: &mut impl Iterator<Item = Column>, there: bool) -> Option<Vec<f64>> {
    match there.then(|| columns.next()).flatten() {
        Some(Column::Numbers(numbers)) => Some(numbers),
        _ => None,
    }
}

fn next_levels(columns: &mut impl Iterator<Item = Column>, there: bool) -> Option<Levels> {
    match there.then(|| columns.next()).flatten() {
        Some(Column::Categories { codes, labels }) => Some(Levels { labels, codes }),
        _ => None,
    }
}

/// A row that can't be used as it stands: its number and what is wrong.
struct Trouble {
    count: u64,
    first: Option<String>,
}

/// Makes a table ready. With `leave_out`, rows without a time, cause, group, stratum, cluster or weight are left out and counted;
/// without, they stop the run.
///
/// # Errors
/// A sentence with how to mend it, when rows are incomplete or contradict themselves.
pub fn make_ready(asked: &mut Asked, read: Columns, leave_out: bool) -> Result<Data, String> {
    let roles = asked.roles.clone();
    let rows = read.rows;
    if rows == 0 {
        return Err("The table has no rows.\nMend: export it again.".to_owned());
    }
    let numbers = read.numbers;
    let mut columns = read.columns.into_iter();
    let time = next_numbers(&mut columns, roles.time.is_some());
    let after = next_numbers(&mut columns, roles.after.is_some());
    let by = next_numbers(&mut columns, roles.by.is_some());
    let ends = match (time, after, by) {
        (None, Some(after), Some(by)) => Ends::Bounds { after, by },
        (time, ..) => Ends::Times(time.unwrap_or_default()),
    };
    let entry = next_numbers(&mut columns, roles.entry.is_some());
    let cause = next_levels(&mut columns, roles.cause.is_some());
    let group = next_levels(&mut columns, roles.group.is_some());
    let stratum = next_levels(&mut columns, roles.stratum.is_some());
    let cluster = next_levels(&mut columns, roles.cluster.is_some());
    let weight = next_numbers(&mut columns, roles.weight.is_some());
    let resample_within = next_levels(&mut columns, roles.resample_within.is_some());
    let censoring_stratum = next_levels(&mut columns, roles.censoring_stratum.is_some());
    let covariate_columns: Vec<Column> = columns.collect();

    let mut incomplete: BTreeMap<&'static str, Trouble> = BTreeMap::new();
    let mut wrong: BTreeMap<&'static str, Trouble> = BTreeMap::new();
    let mut observations = Observations::with_capacity(rows);
    let mut kept: Vec<u32> = Vec::with_capacity(if leave_out { rows } else { 0 });
    let mut causes = Vec::with_capacity(rows);
    let meanings: Vec<&str> = [&*roles.censored].into_iter().chain(roles.lost.as_deref()).collect();
    let (cause_of, cause_labels) = cause_places(cause.as_ref(), &roles.failure, &meanings)?;
    let missing = |levels: &Option<Levels>, row: usize| levels.as_ref().is_some_and(|levels| levels.codes[row] == MISSING);
    let started_at = |row: usize| entry.as_ref().map_or(0.0, |entry| entry[row]);
    let weight_of = |row: usize| weight.as_ref().map_or(1.0, |weight| weight[row]);
    let lacks = |row: usize| {
        if let Some(lacks) = ends.lacks(row) {
            Some(lacks)
        } else if started_at(row).is_nan() {
            Some("no time of entry")
        } else if missing(&cause, row) {
            Some("no cause")
        } else if missing(&group, row) {
            Some("no group")
        } else if missing(&stratum, row) {
            Some("no stratum")
        } else if missing(&cluster, row) {
            Some("no cluster")
        } else if weight_of(row).is_nan() {
            Some("no weight")
        } else if missing(&resample_within, row) {
            Some("no stratum for resampling")
        } else if missing(&censoring_stratum, row) {
            Some("no stratum of censoring")
        } else {
            None
        }
    };
    asked.fill_in_times(|| {
        (0..rows).filter(|&row| lacks(row).is_none()).map(|row| ends.last(row, started_at(row))).fold(0.0, f64::max)
    });
    let axis = axis_of(&ends, entry.as_deref(), &asked.times());
    let mut bounds = ends.are_bounds().then(|| Intervals::with_capacity(rows));
    let mut all_kept = true;
    for row in 0..rows {
        let (started, weighs) = (started_at(row), weight_of(row));
        if let Some(lacks) = lacks(row) {
            note(&mut incomplete, lacks, || format!("row {}", numbers[row]));
            all_kept = false;
            continue;
        }
        let (left, right) = (ends.left(row, started), ends.right(row));
        let place = match (&cause, &bounds) {
            (Some(cause), _) => cause_of[cause.codes[row] as usize],
            (None, Some(_)) => u8::from(right.is_finite()),
            (None, None) => 1,
        };
        let ending = match place {
            0 => Ending::Censored,
            1 => Ending::Failed,
            _ => Ending::Competing,
        };
        let member =
            cluster.as_ref().map_or_else(|| u32::try_from(observations.len()).unwrap_or(0), |cluster| cluster.codes[row]);
        let pushed = match (axis.tick_at(started), axis.tick_at(left), &mut bounds) {
            (Some(entry), Some(_), Some(bounds)) => {
                let row = Row { entry, cluster: member, weight: weighs };
                push_bounds((bounds, &mut observations), &axis, row, (left, right))
            }
            (Some(began), Some(ended), None) => observations
                .push_weighted(Days::new(began), Days::new(ended), ending, member, weighs)
                .map_err(|error| match error {
                    crate::stats::ObservationError::WeightNotAboveZero => "a weight that is not above 0",
                    crate::stats::ObservationError::NoTimeAtRisk(_) => "entry and end at the same time, so never at risk",
                    _ => "an end before its entry",
                }),
            _ => Err("a time below 0"),
        };
        match pushed {
            Ok(()) => {
                causes.push(place);
                if leave_out {
                    kept.push(u32::try_from(row).unwrap_or(u32::MAX));
                }
            }
            Err(why) => {
                all_kept = false;
                note(&mut wrong, why, || format!("row {} ({})", numbers[row], ends.said(row, started)));
            }
        }
    }
    if let Some((why, trouble)) = wrong.iter().next() {
        return Err(format!(
            "{} {} {why}, first {}.\nMend: correct these rows, or take them out.",
            trouble.count,
            if trouble.count == 1 { "row has" } else { "rows have" },
            trouble.first.as_deref().unwrap_or("")
        ));
    }
    if let (Some((why, trouble)), false) = (incomplete.iter().next(), leave_out) {
        return Err(format!(
            "{} {} {why}, first {}.\nMend: fill them in, or run again with --leave-out-incomplete.",
            trouble.count,
            if trouble.count == 1 { "row has" } else { "rows have" },
            trouble.first.as_deref().unwrap_or("")
        ));
    }
    let kept = (!all_kept).then_some(kept);
    let groups = match group {
        Some(levels) => in_order(pick(levels, kept.as_deref())),
        None => Levels { labels: vec!["all".to_owned()], codes: vec![0; observations.len()] },
    };
    let grouping = grouping_of(&groups, "group")?;
    let strata = match stratum {
        Some(levels) => {
            let levels = in_order(pick(levels, kept.as_deref()));
            let grouping = grouping_of(&levels, "stratum")?;
            Some((levels, grouping))
        }
        None => None,
    };
    let censoring_strata = match censoring_stratum {
        Some(levels) => Some(grouping_of(&in_order(pick(levels, kept.as_deref())), "stratum of censoring")?),
        None => None,
    };
    let lost = match (&cause, &roles.lost) {
        (Some(cause), Some(lost)) => {
            let is_lost: Vec<bool> = cause.labels.iter().map(|label| same_value(label, lost)).collect();
            let of = |row: usize| is_lost.get(cause.codes[row] as usize).copied().unwrap_or(false);
            Some(match &kept {
                None => (0..rows).map(of).collect(),
                Some(kept) => kept.iter().map(|&row| of(row as usize)).collect(),
            })
        }
        _ => None,
    };
    let mut cluster_labels = cluster.map_or_else(Vec::new, |levels| levels.labels);
    cluster_labels.truncate(observations.clusters() as usize);
    let resample_strata = match resample_within {
        Some(levels) => Some(strata_of_clusters(&observations, &pick(levels, kept.as_deref()), &cluster_labels)?),
        None => None,
    };
    if !asked.lists_clusters() {
        cluster_labels = Vec::new();
    }
    let names = roles.covariates.iter().chain(roles.factors.iter().map(|(name, _)| name));
    let covariates = names
        .zip(covariate_columns)
        .map(|(name, column)| {
            let covariate = match column {
                Column::Numbers(numbers) => Covariate::Numbers(match &kept {
                    None => numbers,
                    Some(kept) => kept.iter().map(|&row| numbers[row as usize]).collect(),
                }),
                Column::Categories { codes, labels } => {
                    Covariate::Levels(in_order(pick(Levels { labels, codes }, kept.as_deref())))
                }
            };
            (name.clone(), covariate)
        })
        .collect();
    Ok(Data {
        received: rows as u64,
        left_out: incomplete
            .into_iter()
            .map(|(reason, trouble)| LeftOut { reason: reason.to_owned(), rows: trouble.count })
            .collect(),
        observations,
        bounds,
        axis,
        groups,
        grouping,
        strata,
        clustered: roles.cluster.is_some(),
        cluster_labels,
        resample_strata,
        censoring_strata,
        lost,
        causes,
        cause_labels,
        covariates,
    })
}

/// The stratum of each cluster index.
fn strata_of_clusters(observations: &Observations, strata: &Levels, clusters: &[String]) -> Result<Vec<u32>, String> {
    let mut of_cluster = vec![MISSING; observations.clusters() as usize];
    for (&cluster, &stratum) in observations.cluster().iter().zip(&strata.codes) {
        let known = &mut of_cluster[cluster as usize];
        if *known == MISSING {
            *known = stratum;
        }
        if *known != stratum {
            let label = |code: u32| strata.labels.get(code as usize).map_or("", String::as_str);
            return Err(format!(
                "Cluster {} has rows in {} and in {}, so it can't be resampled within one of them.\nMend: name a column with --resample-within that is the same for all rows of a cluster.",
                clusters.get(cluster as usize).map_or("", String::as_str),
                label(*known),
                label(stratum)
            ));
        }
    }
    // An index without rows draws nothing, whichever stratum it is in.
    of_cluster.iter_mut().filter(|stratum| **stratum == MISSING).for_each(|stratum| *stratum = 0);
    Ok(of_cluster)
}

/// Whole times keep an axis of their own numbers; others are listed. Each time asked for has a tick of its own: what holds then is
/// not always what held at the last time before it that occurs.
fn axis_of(ends: &Ends, entry: Option<&[f64]>, asked: &[f64]) -> Axis {
    let is_whole = |time: f64| time.fract().abs() < f64::MIN_POSITIVE;
    let occur = || ends.occur().chain(entry.into_iter().flatten().copied().filter(|time| !time.is_nan()));
    if !occur().all(|time| is_whole(time) && time <= f64::from(LONGEST_FOLLOW_UP.count())) {
        return Axis::listing(occur().chain(asked.iter().copied()));
    }
    if asked.iter().all(|&time| is_whole(time)) {
        return Axis::Days;
    }
    #[expect(clippy::cast_possible_truncation, reason = "whole and no longer than the longest follow-up")]
    let last = occur().fold(0.0, f64::max) as i32;
    Axis::listing((0..=last).map(f64::from).chain(asked.iter().copied()))
}

fn note(troubles: &mut BTreeMap<&'static str, Trouble>, why: &'static str, place: impl FnOnce() -> String) {
    let trouble = troubles.entry(why).or_insert(Trouble { count: 0, first: None });
    trouble.count += 1;
    if trouble.first.is_none() {
        trouble.first = Some(place());
    }
}
