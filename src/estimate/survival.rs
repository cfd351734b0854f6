//! Answers about the survival of each group: curves, quantiles, means.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::{Days, Estimate, Fraction, IntervalMethod, Known};
use crate::stats::{LifeTable, ProductLimit, Step, quantile, restricted_mean_on};

/// What holds at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct At<T> {
    /// The time.
    pub time: f64,
    /// How many are at risk then.
    pub at_risk: u64,
    /// The estimate.
    pub estimate: Known<T>,
}

/// A step of a curve.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurveStep {
    /// The time.
    pub time: f64,
    /// How many are at risk, and how many of them fail.
    pub at_risk: u64,
    /// How many of them fail.
    pub failed: u64,
    /// Sum of weights at risk, where weights are given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight_at_risk: Option<f64>,
    /// Sum of weights of those that fail, where weights are given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight_failed: Option<f64>,
    /// Survival after the failures.
    pub survival: Fraction,
    /// Its standard error.
    pub standard_error: Known<f64>,
    /// Lower limit.
    pub lower: Known<Fraction>,
    /// Upper limit.
    pub upper: Known<Fraction>,
}

/// Survival of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupSurvival {
    /// The group.
    pub group: String,
    /// Survival at each time asked for.
    pub at: Vec<At<Estimate<Fraction>>>,
    /// The steps of the curve, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steps: Option<Vec<CurveStep>>,
}

/// A time by which a part has failed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupQuantile {
    /// The group.
    pub group: String,
    /// The part that has failed.
    pub failed_part: Fraction,
    /// The first time by which it has.
    pub time: Known<f64>,
    /// Where the curve lies exactly at this level for a while: the time at which it goes on down, or the last time at risk.
    pub flat_until: Option<f64>,
    /// Lower limit.
    pub lower: Known<f64>,
    /// Upper limit.
    pub upper: Known<f64>,
    /// The pointwise limits that were inverted.
    pub method: IntervalMethod,
}

/// A restricted mean of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupMean {
    /// The group.
    pub group: String,
    /// How far it reaches.
    pub until: f64,
    /// The mean.
    pub mean: Known<Estimate<f64>>,
}

/// Survival of each group at the times asked for.
pub fn survival(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupSurvival> {
    let of_group = |(place, label): (usize, &String)| {
        let counted = &groups.counted[place];
        let at = asked.at.iter().zip(&counted.at_horizons).map(|(&time, estimate)| At {
            time,
            at_risk: at_risk(&counted.table, data, time),
            estimate: *estimate,
        });
        let steps = || {
            let curve = groups.curve(place);
            curve.steps().iter().map(|step| curve_step(curve, step, asked, data)).collect()
        };
        GroupSurvival { group: label.clone(), at: at.collect(), steps: asked.curves.then(steps) }
    };
    groups.labels.iter().enumerate().map(of_group).collect()
}

/// How many are at risk at a time.
pub(super) fn at_risk(table: &LifeTable, data: &Data, time: f64) -> u64 {
    table.counts_at(data.tick(time)).at_risk
}

fn curve_step(curve: &ProductLimit, step: &Step, asked: &Asked, data: &Data) -> CurveStep {
    let limits = curve.interval_at(step.day, asked.scale, asked.level);
    CurveStep {
        time: data.axis.time(step.day.count()),
        at_risk: step.at_risk,
        failed: step.failed,
        weight_at_risk: step.weights.map(|weights| weights.at_risk),
        weight_failed: step.weights.map(|weights| weights.failed),
        survival: step.survival,
        standard_error: curve.standard_error_at(step.day),
        lower: limits.map(|limits| limits.lower),
        upper: limits.map(|limits| limits.upper),
    }
}

/// Times by which parts of each group have failed.
pub fn quantiles(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupQuantile> {
    let time = |day: Days| data.axis.time(day.count());
    let mut all = Vec::new();
    for (place, label) in groups.labels.iter().enumerate() {
        let curve = groups.curve(place);
        for &part in &asked.failed_parts {
            let found = quantile(curve, Fraction::new(part), asked.scale, asked.level);
            all.push(GroupQuantile {
                group: label.clone(),
                failed_part: found.failed_part,
                time: found.value.map(time),
                flat_until: found.flat_until.map(time),
                lower: found.lower.map(time),
                upper: found.upper.map(time),
                method: found.method,
            });
        }
    }
    all
}

/// Restricted means of each group.
pub fn means(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupMean> {
    let until = asked.until.unwrap_or(0.0);
    let each = groups.labels.iter().zip(&groups.observations);
    each.map(|(label, observations)| GroupMean {
        group: label.clone(),
        until,
        mean: restricted_mean_on(observations, &data.axis, until, asked.variance, asked.level).map(|found| found.mean),
    })
    .collect()
}

/// An estimate and its limits as three cells.
pub fn estimate_cells<T: Copy>(estimate: &Known<Estimate<T>>, number: impl Fn(T) -> f64) -> Vec<String> {
    match estimate {
        Known::NotKnown(why) => vec![why_not_known(*why).to_owned(), String::new(), String::new()],
        Known::Known(estimate) => {
            let error = estimate.standard_error.map_or_else(String::new, |error| digits(error, 4));
            let limits = match estimate.interval {
                Known::Known(limits) => {
                    format!("{} to {}", digits(number(limits.lower), 5), digits(number(limits.upper), 5))
                }
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            };
            vec![digits(number(estimate.value), 5), error, limits]
        }
    }
}

/// Survival as a readable table.
pub fn survival_sections(asked: &Asked, all: &[GroupSurvival]) -> Vec<Section> {
    let interval = interval_head(asked.level);
    let mut section = Section::new("Survival (product-limit)", &["group", "time", "at risk", "survival", "s.e.", &interval]);
    for group in all {
        for at in &group.at {
            let mut cells = vec![group.group.clone(), digits(at.time, 6), at.at_risk.to_string()];
            cells.extend(estimate_cells(&at.estimate, Fraction::value));
            section.row(cells);
        }
    }
    section.note(format!("Intervals symmetric on {}.", super::text::scale(asked.scale)));
    vec![section]
}

/// Quantiles as a readable table.
pub fn quantile_sections(asked: &Asked, all: &[GroupQuantile]) -> Vec<Section> {
    let interval = interval_head(asked.level);
    let mut section = Section::new("Times by which a part has failed", &["group", "part", "time", &interval, "flat until"]);
    let shown = |time: &Known<f64>| match time {
        Known::Known(time) => digits(*time, 6),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    };
    for one in all {
        section.row(vec![
            one.group.clone(),
            digits(one.failed_part.value(), 4),
            shown(&one.time),
            format!("{} to {}", shown(&one.lower), shown(&one.upper)),
            one.flat_until.map_or_else(String::new, |time| digits(time, 6)),
        ]);
    }
    vec![section]
}

/// Means as a readable table.
pub fn mean_sections(asked: &Asked, all: &[GroupMean]) -> Vec<Section> {
    let interval = interval_head(asked.level);
    let mut section = Section::new("Restricted mean", &["group", "until", "mean", "s.e.", &interval]);
    for one in all {
        let mut cells = vec![one.group.clone(), digits(one.until, 6)];
        cells.extend(estimate_cells(&one.mean, |mean| mean));
        section.row(cells);
    }
    vec![section]
}
