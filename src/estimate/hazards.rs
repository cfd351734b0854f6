//! The cumulative hazard of each group.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, interval_head};
use super::survival::{At, at_risk, estimate_cells};
use crate::quantity::{Estimate, Known};
use crate::stats::{CumulativeHazard, HazardIntervalMethod, HazardStep, HazardVarianceFormula, cumulative_hazard};

/// Cumulative hazard of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupHazard {
    /// The group.
    pub group: String,
    /// Cumulative hazard at each time asked for.
    pub at: Vec<At<Estimate<f64>>>,
    /// Its steps, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steps: Option<Vec<HazardPoint>>,
}

/// A step of a cumulative hazard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HazardPoint {
    /// The time.
    pub time: f64,
    /// How many are at risk.
    pub at_risk: u64,
    /// How many of them fail.
    pub failed: u64,
    /// Cumulative hazard.
    pub cumulative_hazard: f64,
    /// Its variance.
    pub variance: Known<f64>,
}

/// Cumulative hazard of each group.
pub fn hazards(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupHazard> {
    let each = groups.each();
    each.map(|(place, label, observations)| {
        let hazard = cumulative_hazard(observations, asked.hazard_variance);
        let at = asked.at.iter().map(|&time| At {
            time,
            at_risk: at_risk(groups.table(place), data, time),
            estimate: hazard.at(data.tick(time), asked.hazard_scale, asked.level),
        });
        let steps = asked.curves.then(|| points(&hazard, data));
        GroupHazard { group: label.clone(), at: at.collect(), steps }
    })
    .collect()
}

/// The steps of a cumulative hazard.
pub(super) fn points(hazard: &CumulativeHazard, data: &Data) -> Vec<HazardPoint> {
    let point = |step: &HazardStep| HazardPoint {
        time: data.axis.time(step.day.count()),
        at_risk: step.at_risk,
        failed: step.failed,
        cumulative_hazard: step.cumulative_hazard,
        variance: step.variance,
    };
    hazard.steps().iter().map(point).collect()
}

/// Cumulative hazards as a readable table.
pub fn hazard_sections(asked: &Asked, all: &[GroupHazard]) -> Vec<Section> {
    let mut section = Section::new(
        "Cumulative hazard (Nelson–Aalen)",
        &["group", "time", "at risk", "cumulative hazard", "s.e.", &interval_head(asked.level)],
    );
    for group in all {
        for at in &group.at {
            let mut cells = vec![group.group.clone(), digits(at.time, 6), at.at_risk.to_string()];
            cells.extend(estimate_cells(&at.estimate, |value| value));
            section.row(cells);
        }
    }
    section.note(match asked.hazard_scale {
        HazardIntervalMethod::Log => "Intervals symmetric on the logarithm.",
        HazardIntervalMethod::Plain => "Intervals symmetric on the hazard itself, cut at 0.",
    });
    if asked.hazard_variance == HazardVarianceFormula::Binomial {
        section.note("Variance binomial: of those at risk at a time so many fail, each independently.");
    }
    vec![section]
}
