//! Answers from resampled clusters: intervals that rest on no formula for the variance.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::{Fraction, Known};
use crate::stats::{
    BootstrapEstimate, BootstrapInterval, ResampledGroups, ResampledQuantity, ResampledStatistic, Resampling,
    cluster_bootstrap,
};

use crate::wording::counted;

/// What is resampled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Resampled {
    /// Survival at a time.
    Survival,
    /// Cumulative incidence of the failure at a time, other causes competing.
    CumulativeIncidence,
    /// Mean time without failure up to a time.
    RestrictedMean,
    /// The time by which a part has failed.
    FailureTime,
    /// Failures by time followed, a year.
    Rate,
}

/// An estimate with its resampled intervals.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResampledEstimate {
    /// What it is.
    pub quantity: Resampled,
    /// The time at which it is read, or the part that has failed.
    pub at: Option<f64>,
    /// The group.
    pub group: String,
    /// The group that is subtracted, for a difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub less: Option<String>,
    /// The group that it is divided by, for a ratio.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// The estimate.
    pub estimate: BootstrapEstimate,
}

/// Estimates of each group, and of each other group less the first.
pub fn resampled(asked: &Asked, data: &Data) -> Vec<ResampledEstimate> {
    let competing = data.cause_labels.len() > 1;
    let mut quantities = Vec::new();
    for &time in &asked.at {
        quantities.push((Resampled::Survival, Some(time), ResampledQuantity::Survival(data.tick(time))));
        if competing {
            quantities.push((
                Resampled::CumulativeIncidence,
                Some(time),
                ResampledQuantity::CumulativeIncidence(data.tick(time)),
            ));
        }
    }
    if let Some(until) = asked.until {
        quantities.push((Resampled::RestrictedMean, Some(until), ResampledQuantity::RestrictedMean(data.tick(until))));
    }
    for &part in &asked.failed_parts {
        quantities.push((Resampled::FailureTime, Some(part), ResampledQuantity::FailureTime(Fraction::new(part))));
    }
    quantities.push((Resampled::Rate, None, ResampledQuantity::Rate(asked.year)));
    let mut wanted = Vec::new();
    for &(name, at, quantity) in &quantities {
        for group in 0..data.grouping.levels() {
            wanted.push((name, at, ResampledStatistic { quantity, groups: ResampledGroups::One(group) }));
        }
        for group in 1..data.grouping.levels() {
            wanted.push((name, at, ResampledStatistic { quantity, groups: ResampledGroups::Difference(group, 0) }));
        }
        for group in (1..data.grouping.levels()).filter(|_| asked.ratios) {
            wanted.push((name, at, ResampledStatistic { quantity, groups: ResampledGroups::Ratio(group, 0) }));
        }
    }
    let statistics: Vec<ResampledStatistic> = wanted.iter().map(|wanted| wanted.2).collect();
    let resampling =
        Resampling { replicates: asked.resamples, seed: asked.seed, level: asked.level, ..Resampling::default() };
    let strata = data.resample_strata.as_deref();
    let estimates = cluster_bootstrap(&data.observations, Some(&data.grouping), &data.axis, &statistics, strata, resampling);
    let label = |group: u16| data.groups.labels.get(usize::from(group)).cloned().unwrap_or_default();
    wanted
        .into_iter()
        .zip(estimates)
        .map(|((quantity, at, statistic), estimate)| {
            let (group, less, by) = match statistic.groups {
                ResampledGroups::One(group) => (group, None, None),
                ResampledGroups::Difference(group, less) => (group, Some(less), None),
                ResampledGroups::Ratio(group, by) => (group, None, Some(by)),
            };
            ResampledEstimate { quantity, at, group: label(group), less: less.map(label), by: by.map(label), estimate }
        })
        .collect()
}

/// Resampled estimates as a readable table.
pub fn resampled_sections(asked: &Asked, all: &[ResampledEstimate]) -> Vec<Section> {
    let head = interval_head(asked.level);
    let mut section = Section::new(
        format!("From {} resamples of whole clusters", asked.resamples),
        &["what", "at", "group", "estimate", "s.e.", &format!("{head}, percentile"), "corrected (BCa)"],
    );
    let reasons = std::cell::RefCell::new(std::collections::BTreeSet::new());
    let number = |value: &Known<f64>| match value {
        Known::Known(value) => digits(*value, 5),
        Known::NotKnown(why) => {
            reasons.borrow_mut().insert(*why);
            "–".to_owned()
        }
    };
    let limits = |limits: &BootstrapInterval| format!("{} to {}", number(&limits.lower), number(&limits.upper));
    let mut few = false;
    for one in all {
        let what = match one.quantity {
            Resampled::Survival => "survival",
            Resampled::CumulativeIncidence => "cumulative incidence",
            Resampled::RestrictedMean => "restricted mean",
            Resampled::FailureTime => "time by which a part has failed",
            Resampled::Rate => "failures a year",
        };
        let group = match (&one.less, &one.by) {
            (Some(less), _) => format!("{} less {less}", one.group),
            (_, Some(by)) => format!("{} by {by}", one.group),
            _ => one.group.clone(),
        };
        section.row(vec![
            what.to_owned(),
            one.at.map_or_else(String::new, |at| digits(at, 6)),
            group.clone(),
            number(&one.estimate.value),
            number(&one.estimate.standard_error),
            limits(&one.estimate.percentile),
            limits(&one.estimate.bias_corrected),
        ]);
        few |= one.estimate.few_clusters;
        for lost in &one.estimate.not_estimated {
            section.note(format!(
                "{what}, {group}{}: {} no estimate ({}).",
                one.at.map_or_else(String::new, |at| format!(", {}", digits(at, 6))),
                counted(lost.replicates, "resample has", "resamples have"),
                why_not_known(lost.why)
            ));
        }
    }
    if !reasons.borrow().is_empty() {
        let all: Vec<&str> = reasons.borrow().iter().map(|why| why_not_known(*why)).collect();
        section.note(format!("–: {}.", all.join("; ")));
    }
    if let Some(column) = &asked.roles.resample_within {
        section.note(format!("Clusters are resampled within each {column}."));
    }
    if few {
        section.note("Fewer than 20 clusters in a group: take these intervals with care.");
    }
    vec![section]
}
