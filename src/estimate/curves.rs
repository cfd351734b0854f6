//! Survival read otherwise: of those that lasted to an earlier time, and with limits that know how few clusters there are.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, interval_head, why_not_known};
use super::survival::{At, at_risk, estimate_cells};
use crate::quantity::{Estimate, Fraction, Known};
use crate::stats::{Inference, conditional_survival, survival_with_few_clusters};

/// Survival of a group from an earlier time on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupConditional {
    /// The group.
    pub group: String,
    /// The earlier time, up to which it lasted.
    pub given: f64,
    /// Survival to each later time asked for.
    pub at: Vec<At<Estimate<Fraction>>>,
}

/// Survival of a group with intervals that know how few clusters there are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupFewClusters {
    /// The group.
    pub group: String,
    /// Clusters less one.
    pub degrees_of_freedom: u64,
    /// Survival, by Student's t, at each time asked for.
    pub at: Vec<At<Estimate<Fraction>>>,
    /// Cluster-robust over model-based variance, at each time asked for.
    pub design_effect: Vec<Known<f64>>,
}

fn inference(asked: &Asked) -> Inference {
    Inference { variance: asked.variance, method: asked.scale, level: asked.level }
}

/// Survival of each group from the earlier time on.
pub fn conditional(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupConditional> {
    let given = data.tick(asked.given);
    let each = groups.labels.iter().zip(&groups.observations);
    each.map(|(label, observations)| {
        let later = asked.at.iter().filter(|time| **time > asked.given);
        let at = later.map(|&time| {
            let found = conditional_survival(observations, given, data.tick(time), inference(asked));
            let at_risk = found.known().map_or(0, |found| found.at_risk_after);
            At { time, at_risk, estimate: found.map(|found| found.survival) }
        });
        GroupConditional { group: label.clone(), given: asked.given, at: at.collect() }
    })
    .collect()
}

/// Survival of each group by Student's t.
pub fn few_clusters(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupFewClusters> {
    let each = groups.each();
    each.map(|(place, label, observations)| {
        let found = survival_with_few_clusters(observations, &data.ticks(asked), asked.scale, asked.level);
        let at = asked.at.iter().zip(&found).map(|(&time, found)| At {
            time,
            at_risk: at_risk(groups.table(place), data, time),
            estimate: found.map(|found| found.survival),
        });
        let effect = |found: &Known<crate::stats::FewClustersSurvival>| match found {
            Known::Known(found) => found.design_effect,
            Known::NotKnown(why) => Known::NotKnown(*why),
        };
        GroupFewClusters {
            group: label.clone(),
            degrees_of_freedom: observations.clusters_present().saturating_sub(1),
            at: at.collect(),
            design_effect: found.iter().map(effect).collect(),
        }
    })
    .collect()
}

/// Conditional survival as a readable table.
pub fn conditional_sections(asked: &Asked, all: &[GroupConditional]) -> Vec<Section> {
    let title = format!("Survival of those that lasted to {}", digits(asked.given, 6));
    let mut section =
        Section::new(title, &["group", "to", "still at risk then", "survival", "s.e.", &interval_head(asked.level)]);
    for group in all {
        for at in &group.at {
            let mut cells = vec![group.group.clone(), digits(at.time, 6), at.at_risk.to_string()];
            cells.extend(estimate_cells(&at.estimate, Fraction::value));
            section.row(cells);
        }
    }
    section.note("Times up to the earlier one are left out.");
    vec![section]
}

/// Survival by Student's t as a readable table.
pub fn few_cluster_sections(asked: &Asked, all: &[GroupFewClusters]) -> Vec<Section> {
    let mut section = Section::new(
        "Survival, with intervals that know the number of clusters",
        &["group", "time", "at risk", "survival", "s.e.", &interval_head(asked.level), "design effect"],
    );
    for group in all {
        for (at, effect) in group.at.iter().zip(&group.design_effect) {
            let mut cells = vec![group.group.clone(), digits(at.time, 6), at.at_risk.to_string()];
            cells.extend(estimate_cells(&at.estimate, Fraction::value));
            cells.push(match effect {
                Known::Known(effect) => digits(*effect, 4),
                Known::NotKnown(why) => why_not_known(*why).to_owned(),
            });
            section.row(cells);
        }
    }
    section.note("Student's t on clusters less one; design effect: variance by clusters over that of independent rows.");
    vec![section]
}
