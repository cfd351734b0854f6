//! What those lost to follow-up could change: the best and the worst case, and how many of them would tip a survival.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, why_not_known};
use crate::quantity::{Days, Fraction, Known};
use crate::stats::{CaseBounds, TippingPoint, lost_before, lost_bounds, tipping_point};

/// What those lost could do to the results of a group at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupBounds {
    /// The group.
    pub group: String,
    /// The time.
    pub time: f64,
    /// How many were last seen before the time, and were lost.
    pub lost: Known<u64>,
    /// Survival in the best case, as observed, and in the worst case.
    pub survival: Known<CaseBounds>,
    /// Cumulative failure, likewise.
    pub cumulative_failure: Known<CaseBounds>,
}

/// How many of those lost would have to fail for the survival of a group at a time to fall below a value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupTipping {
    /// The group.
    pub group: String,
    /// The time.
    pub time: f64,
    /// The value.
    pub below: Fraction,
    /// How many were last seen before the time, and were lost.
    pub lost: Known<u64>,
    /// How many of them must fail right after they were last seen when those last seen latest fail first; 0 when it lies below
    /// whatever becomes of them, not reached when even all don't suffice.
    pub latest_first: Known<u64>,
    /// How many must when those last seen earliest fail first.
    pub earliest_first: Known<u64>,
}

/// Who was lost, in each group: those that the column of causes says, else those censored before following closed.
pub struct Lost(Vec<Vec<bool>>);

impl Lost {
    /// Finds them.
    pub fn of(asked: &Asked, data: &Data, groups: &Groups) -> Self {
        let last = || data.observations.last_day().unwrap_or(Days::new(0));
        let closing = asked.closing.map_or_else(last, |time| data.tick(time));
        let of_group = |(place, _, observations)| match &data.lost {
            None => lost_before(observations, closing),
            Some(lost) => {
                let all = data.groups.codes.iter().zip(lost);
                all.filter(|(code, _)| **code as usize == place).map(|(_, lost)| *lost).collect()
            }
        };
        Self(groups.each().map(of_group).collect())
    }
}

/// Best and worst case of each group at each time.
pub fn bounds(asked: &Asked, data: &Data, groups: &Groups, lost: &Lost) -> Vec<GroupBounds> {
    let ticks = data.ticks(asked);
    let mut all = Vec::new();
    for ((_, label, observations), lost) in groups.each().zip(&lost.0) {
        for (&time, found) in asked.at.iter().zip(lost_bounds(observations, lost, &ticks)) {
            all.push(GroupBounds {
                group: label.clone(),
                time,
                lost: found.map(|found| found.lost),
                survival: found.map(|found| found.survival),
                cumulative_failure: found.map(|found| found.cumulative_failure),
            });
        }
    }
    all
}

/// How many of those lost would tip the survival of each group, at each time and for each value.
pub fn tipping(asked: &Asked, data: &Data, groups: &Groups, lost: &Lost) -> Vec<GroupTipping> {
    let mut all = Vec::new();
    for ((_, label, observations), lost) in groups.each().zip(&lost.0) {
        for &time in &asked.at {
            for below in asked.tip_below.iter().map(|&below| Fraction::new(below)) {
                let found = tipping_point(observations, lost, data.tick(time), below);
                let part = |take: fn(&TippingPoint) -> Known<u64>| match &found {
                    Known::Known(found) => take(found),
                    Known::NotKnown(why) => Known::NotKnown(*why),
                };
                all.push(GroupTipping {
                    group: label.clone(),
                    time,
                    below,
                    lost: part(|found| Known::Known(found.lost)),
                    latest_first: part(|found| found.latest_first),
                    earliest_first: part(|found| found.earliest_first),
                });
            }
        }
    }
    all
}

/// Bounds as a readable table.
pub fn bounds_section(asked: &Asked, all: &[GroupBounds]) -> Section {
    let mut section =
        Section::new("What those lost could change", &["group", "time", "lost", "survival, worst", "as observed", "best"]);
    for one in all {
        let mut cells = vec![one.group.clone(), digits(one.time, 6)];
        match (&one.lost, &one.survival) {
            (Known::Known(lost), Known::Known(survival)) => cells.extend([
                lost.to_string(),
                digits(survival.worst.value(), 5),
                match survival.observed {
                    Known::Known(observed) => digits(observed.value(), 5),
                    Known::NotKnown(why) => why_not_known(why).to_owned(),
                },
                digits(survival.best.value(), 5),
            ]),
            (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => cells.push(why_not_known(*why).to_owned()),
        }
        section.row(cells);
    }
    let lost = match (&asked.roles.lost, asked.closing) {
        (Some(lost), _) => format!("ended as {lost}"),
        (None, Some(closing)) => format!("censored before {}", digits(closing, 6)),
        (None, None) => "censored before the last time of all".to_owned(),
    };
    section.note(format!("Lost: {lost}. Worst: they fail at once; best: they never fail."));
    section
}

/// Tipping points as a readable table.
pub fn tipping_section(all: &[GroupTipping]) -> Section {
    let mut section = Section::new(
        "How many of those lost would have to fail for survival to fall below a value",
        &["group", "time", "below", "lost", "latest seen first", "earliest seen first"],
    );
    let shown = |number: &Known<u64>| match number {
        Known::Known(number) => number.to_string(),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    };
    for one in all {
        let mut cells = vec![one.group.clone(), digits(one.time, 6), digits(one.below.value(), 6)];
        cells.extend([&one.lost, &one.latest_first, &one.earliest_first].map(shown));
        section.row(cells);
    }
    section.note("0: it lies below whatever becomes of them; not reached: not even if all of them failed.");
    section
}
