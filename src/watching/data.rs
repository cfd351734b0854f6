//! Rows made ready to be watched, or what is wrong with them: row, column, value, why.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::asked::WatchRoles;
use crate::estimate::columns::{Column, Columns, MISSING, Reading, SHOWN};
use crate::estimate::data::LeftOut;
use crate::estimate::levels::{Levels, cause_places, grouping_of, in_order, pick};
use crate::quantity::{Day, Days};
use crate::stats::{Ending, Grouping, LONGEST_FOLLOW_UP, Observations};
use crate::wording::{count, counted};

/// Rows made ready.
#[derive(Clone, Debug)]
pub struct WatchData {
    /// Rows received.
    pub received: u64,
    /// Rows left out.
    pub left_out: Vec<LeftOut>,
    /// Those used, in days since they were placed.
    pub observations: Observations,
    /// The day placed of each.
    pub origins: Vec<Day>,
    /// What the funnel puts side by side, in the order of their names.
    pub units: Option<(Vec<String>, Grouping)>,
}

/// Columns to read, in a fixed order. Days are read as text.
pub fn wanted_columns(roles: &WatchRoles) -> Vec<(String, Reading)> {
    let mut wanted = vec![(roles.placed.clone(), Reading::Categories)];
    let mut add = |name: &Option<String>, reading| wanted.extend(name.iter().map(|name| (name.clone(), reading)));
    add(&roles.ended, Reading::Categories);
    add(&roles.days, Reading::Numbers);
    add(&roles.followed_from, Reading::Categories);
    add(&Some(roles.cause.clone()), Reading::Categories);
    add(&roles.cluster, Reading::Categories);
    add(&roles.unit, Reading::Categories);
    wanted
}

/// Something wrong with a row.
struct Wrong<'a> {
    row: u64,
    column: &'a str,
    value: String,
    why: &'static str,
}

/// A column of days: each distinct text read once.
struct DayColumn {
    levels: Levels,
    days: Vec<Option<Day>>,
}

impl DayColumn {
    fn of(levels: Levels) -> Self {
        let days = levels.labels.iter().map(|label| label.parse().ok()).collect();
        Self { levels, days }
    }

    fn text(&self, row: usize) -> String {
        self.levels.labels.get(self.levels.codes[row] as usize).cloned().unwrap_or_default()
    }

    fn is_missing(&self, row: usize) -> bool {
        self.levels.codes[row] == MISSING
    }

    fn day(&self, row: usize) -> Option<Day> {
        self.days.get(self.levels.codes[row] as usize).copied().flatten()
    }
}

fn next_levels(columns: &mut impl Iterator<Item = Column>, there: bool) -> Option<Levels> {
    match there.then(|| columns.next()).flatten() {
        Some(Column::Categories { codes, labels }) => Some(Levels { labels, codes }),
        _ => None,
    }
}

const NO_DAY: &str = "is not a day written as year-month-day, such as 2024-03-31";

/// Makes a table ready. With `leave_out`, rows that lack a value are left out and counted; without, they stop the run.
///
/// # Errors
/// What is wrong, row by row, with how to mend it.
pub fn make_ready(roles: &WatchRoles, read: Columns, leave_out: bool) -> Result<WatchData, String> {
    if read.rows == 0 {
        return Err("The table has no rows.\nMend: export it again.".to_owned());
    }
    let (rows, numbers) = (read.rows, read.numbers);
    let mut columns = read.columns.into_iter();
    let empty = || DayColumn::of(Levels { labels: Vec::new(), codes: vec![MISSING; rows] });
    let placed = next_levels(&mut columns, true).map_or_else(empty, DayColumn::of);
    let ended = next_levels(&mut columns, roles.ended.is_some()).map(DayColumn::of);
    let lengths = match roles.days.as_ref().and_then(|_| columns.next()) {
        Some(Column::Numbers(numbers)) => Some(numbers),
        _ => None,
    };
    let from = next_levels(&mut columns, roles.followed_from.is_some()).map(DayColumn::of);
    let cause = next_levels(&mut columns, true).unwrap_or(Levels { labels: Vec::new(), codes: vec![MISSING; rows] });
    let cluster = next_levels(&mut columns, roles.cluster.is_some());
    let unit = next_levels(&mut columns, roles.unit.is_some());
    let (cause_of, _) = cause_places(Some(&cause), &roles.failure, &[&roles.censored])?;

    let mut lacking: BTreeMap<&str, Vec<u64>> = BTreeMap::new();
    let mut wrong = Vec::new();
    let (mut observations, mut origins, mut kept) = (Observations::with_capacity(rows), Vec::new(), Vec::new());
    for row in 0..rows {
        let number = numbers[row];
        let given = [
            (Some(&*roles.placed), placed.is_missing(row)),
            (roles.ended.as_deref(), ended.as_ref().is_some_and(|column| column.is_missing(row))),
            (roles.days.as_deref(), lengths.as_ref().is_some_and(|lengths| lengths[row].is_nan())),
            (roles.followed_from.as_deref(), from.as_ref().is_some_and(|column| column.is_missing(row))),
            (Some(&*roles.cause), cause.codes[row] == MISSING),
            (roles.cluster.as_deref(), cluster.as_ref().is_some_and(|levels| levels.codes[row] == MISSING)),
            (roles.unit.as_deref(), unit.as_ref().is_some_and(|levels| levels.codes[row] == MISSING)),
        ];
        if let Some((Some(column), _)) = given.into_iter().find(|(_, missing)| *missing) {
            lacking.entry(column).or_default().push(number);
            continue;
        }
        let Some(origin) = placed.day(row) else {
            wrong.push(Wrong { row: number, column: &roles.placed, value: placed.text(row), why: NO_DAY });
            continue;
        };
        let exit = match exit(origin, row, ended.as_ref(), lengths.as_deref()) {
            Ok(exit) => exit,
            Err(why) => {
                let column = roles.ended.as_deref().or(roles.days.as_deref()).unwrap_or_default();
                let value = match (&ended, &lengths) {
                    (Some(column), _) => column.text(row),
                    (_, Some(lengths)) => format!("{}", lengths[row]),
                    _ => String::new(),
                };
                wrong.push(Wrong { row: number, column, value, why });
                continue;
            }
        };
        let entry = match &from {
            None => 0,
            Some(column) => {
                let why = match column.day(row).map(|day| (day - origin).count()) {
                    None => Err(NO_DAY),
                    Some(entry) if entry < 0 => Err("lies before the day placed"),
                    Some(entry) if entry > 0 && entry >= exit => {
                        Err("is no earlier than the end of following, so it was never watched")
                    }
                    Some(entry) => Ok(entry),
                };
                match why {
                    Ok(entry) => entry,
                    Err(why) => {
                        let name = roles.followed_from.as_deref().unwrap_or_default();
                        wrong.push(Wrong { row: number, column: name, value: column.text(row), why });
                        continue;
                    }
                }
            }
        };
        let ending = match cause_of[cause.codes[row] as usize] {
            0 => Ending::Censored,
            1 => Ending::Failed,
            _ => Ending::Competing,
        };
        let member = cluster.as_ref().map_or_else(|| u32::try_from(row).unwrap_or(u32::MAX), |levels| levels.codes[row]);
        // In order, as they were checked above.
        if observations.push(Days::new(entry), Days::new(exit), ending, member).is_ok() {
            origins.push(origin);
            kept.push(u32::try_from(row).unwrap_or(u32::MAX));
        }
    }
    if !wrong.is_empty() {
        return Err(said(&wrong));
    }
    if !lacking.is_empty() && !leave_out {
        let mut text = String::new();
        for (column, rows) in &lacking {
            let _ = writeln!(
                text,
                "{} nothing in column {column}, the first in row {}.",
                counted(rows.len() as u64, "row has", "rows have"),
                rows[0]
            );
        }
        text.push_str(
            "Nothing was answered.\nMend: fill in what is known, or give --leave-out-incomplete to leave such rows out.",
        );
        return Err(text);
    }
    if observations.is_empty() {
        return Err("No row is complete.\nMend: fill in what is known.".to_owned());
    }
    let units = match unit {
        None => None,
        Some(levels) => {
            let levels = in_order(pick(levels, Some(&kept)));
            let grouping = grouping_of(&levels, "units")?;
            Some((levels.labels, grouping))
        }
    };
    let left_out = lacking
        .into_iter()
        .map(|(column, rows)| LeftOut { reason: format!("nothing in column {column}"), rows: rows.len() as u64 });
    Ok(WatchData { received: rows as u64, left_out: left_out.collect(), observations, origins, units })
}

/// Days from the day placed to the end of following.
#[expect(clippy::cast_possible_truncation, reason = "whole, and bounded before the cast")]
fn exit(origin: Day, row: usize, ended: Option<&DayColumn>, lengths: Option<&[f64]>) -> Result<i32, &'static str> {
    let days = match (ended, lengths) {
        (Some(column), _) => f64::from((column.day(row).ok_or(NO_DAY)? - origin).count()),
        (_, Some(lengths)) => lengths[row],
        _ => 0.0,
    };
    if days < 0.0 {
        return Err(if ended.is_some() { "lies before the day placed" } else { "is a length below 0" });
    }
    if (days - libm::floor(days)).abs() > 0.0 {
        return Err("is not a whole number of days");
    }
    if days > f64::from(LONGEST_FOLLOW_UP.count()) {
        return Err("is longer after the day placed than anybody is followed");
    }
    Ok(days as i32)
}

fn said(wrong: &[Wrong]) -> String {
    let mut text = String::new();
    for one in wrong.iter().take(SHOWN) {
        let _ = writeln!(text, "row {}, column {}: “{}” {}.", one.row, one.column, one.value, one.why);
    }
    if wrong.len() > SHOWN {
        let _ = writeln!(text, "… and {} more.", count((wrong.len() - SHOWN) as u64));
    }
    let _ = write!(
        text,
        "{} wrong. Nothing was answered.\nMend: correct these cells in the table, or name other columns.",
        counted(wrong.len() as u64, "row is", "rows are")
    );
    text
}
