//! When following ended, as columns say it: at a time, or with a failure known only to lie between two bounds.

use super::data::Ends;
use crate::quantity::Days;
use crate::stats::{Axis, Ending, IntervalError, Intervals, Observations};

impl Ends {
    /// Whether failures lie between bounds.
    pub const fn are_bounds(&self) -> bool {
        matches!(self, Self::Bounds { .. })
    }

    /// What is missing of a row's ends, if anything.
    pub fn lacks(&self, row: usize) -> Option<&'static str> {
        match self {
            Self::Times(time) => time[row].is_nan().then_some("no time"),
            Self::Bounds { after, by } => (after[row].is_nan() && !seen(by[row])).then_some("no bound of the time"),
        }
    }

    /// Last seen in place; when that is not said, since `started`.
    pub fn left(&self, row: usize, started: f64) -> f64 {
        match self {
            Self::Times(time) => time[row],
            Self::Bounds { after, .. } if after[row].is_nan() => started,
            Self::Bounds { after, .. } => after[row],
        }
    }

    /// First seen to have failed, where only bounds are known; infinite if never.
    pub fn right(&self, row: usize) -> f64 {
        match self {
            Self::Bounds { by, .. } if seen(by[row]) => by[row],
            _ => f64::INFINITY,
        }
    }

    /// The last time of a row.
    pub fn last(&self, row: usize, started: f64) -> f64 {
        let (left, right) = (self.left(row, started), self.right(row));
        if right.is_finite() { right } else { left }
    }

    /// All times that occur.
    pub fn occur(&self) -> impl Iterator<Item = f64> {
        let (first, second) = match self {
            Self::Times(time) => (time, None),
            Self::Bounds { after, by } => (after, Some(by)),
        };
        first.iter().chain(second.into_iter().flatten()).copied().filter(|time| time.is_finite())
    }

    /// A row's ends, for a message.
    pub fn said(&self, row: usize, started: f64) -> String {
        match self {
            Self::Times(time) => format!("{started} to {}", time[row]),
            Self::Bounds { .. } => {
                let (left, right) = (self.left(row, started), self.right(row));
                let by = if right.is_finite() { format!("failed by {right}") } else { "not seen to fail".to_owned() };
                let entered = if started > 0.0 { format!("entered at {started}, ") } else { String::new() };
                format!("{entered}in place at {left}, {by}")
            }
        }
    }
}

const fn seen(by: f64) -> bool {
    by.is_finite()
}

/// What a row says besides its ends.
#[derive(Clone, Copy)]
pub struct Row {
    /// The tick of entry.
    pub entry: i32,
    /// Whom it may share its fate with.
    pub cluster: u32,
    /// Its case weight.
    pub weight: f64,
}

/// Adds a failure between bounds to the intervals; and to the observations, which only count it, with its last time.
///
/// # Errors
/// What is wrong with it, in words.
pub fn push_bounds(
    (intervals, observations): (&mut Intervals, &mut Observations),
    axis: &Axis,
    row: Row,
    (left, right): (f64, f64),
) -> Result<(), &'static str> {
    let tick = |time: f64| axis.tick_at(time).map(Days::new).ok_or("a time below 0");
    let (entry, left) = (Days::new(row.entry), tick(left)?);
    let right = if right.is_finite() { Some(tick(right)?) } else { None };
    if right.is_none() && left == entry && row.entry > 0 {
        return Err("entry and end at the same time, so never at risk");
    }
    intervals.push_weighted(entry, left, right, row.cluster, row.weight).map_err(|error| match error {
        IntervalError::RightBeforeLeft { .. } => "been seen to have failed before being last seen in place",
        IntervalError::LeftBeforeEntry { .. } => "been last seen in place before entry",
        IntervalError::NoTimeAtRisk(_) => "entry and end at the same time, so never at risk",
        IntervalError::WeightNotAboveZero => "a weight that is not above 0",
        _ => "a time below 0",
    })?;
    let ending = if right.is_some() { Ending::Failed } else { Ending::Censored };
    observations
        .push_weighted(entry, right.unwrap_or(left), ending, row.cluster, row.weight)
        .map_err(|_| "an end before its entry")
}
