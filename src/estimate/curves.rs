//! Answers beyond the curve itself: bands, cumulative hazards, contrasts, conditional survival, the actuarial life table, and
//! what few clusters do.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::comparison::two_groups;
use super::data::Data;
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::{At, Groups, estimate_cells};
use super::text::scale;
use crate::quantity::{Days, Estimate, Fraction, Known, Variance};
use crate::stats::{
    ActuarialInterval, BandShape, Contrast, HazardIntervalMethod, HazardVarianceFormula, Inference, LifeTable,
    actuarial_table, conditional_survival, confidence_band, cumulative_hazard, restricted_mean_contrast, survival_contrast,
    survival_with_few_clusters,
};
use crate::wording::counted;

/// A point of a band.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BandStep {
    /// The time from which on these limits hold.
    pub time: f64,
    /// Survival.
    pub survival: Fraction,
    /// Lower limit.
    pub lower: Fraction,
    /// Upper limit.
    pub upper: Fraction,
}

/// A band around the curve of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupBand {
    /// The group.
    pub group: String,
    /// How its width changes along the curve.
    pub shape: BandShape,
    /// The band.
    pub band: Known<Band>,
}

/// A band that holds the whole curve at once over a range.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Band {
    /// Where it starts.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// The critical value.
    pub critical_value: f64,
    /// The limits.
    pub steps: Vec<BandStep>,
}

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

/// Survival of two groups at a time, compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurvivalContrasts {
    /// The one group.
    pub first: String,
    /// The other.
    pub second: String,
    /// The time.
    pub time: f64,
    /// Second less first.
    pub difference: Known<Contrast>,
    /// Second over first.
    pub ratio: Known<Contrast>,
    /// ln(−ln) of the second less that of the first.
    pub complementary_log_log: Known<Contrast>,
}

/// Restricted means of two groups, compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeanContrasts {
    /// The one group.
    pub first: String,
    /// The other.
    pub second: String,
    /// How far the means reach.
    pub until: f64,
    /// Second less first.
    pub difference: Known<Contrast>,
    /// Second over first.
    pub ratio: Known<Contrast>,
}

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

/// An interval of an actuarial life table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ActuarialRow {
    /// First time.
    pub from: f64,
    /// The time that ends it.
    pub to: f64,
    /// In place at its start.
    pub entered: f64,
    /// Came under observation in it.
    pub joined: f64,
    /// Censored or ended otherwise in it.
    pub withdrawn: f64,
    /// Failed in it.
    pub failed: f64,
    /// entered − withdrawn/2 + joined/2.
    pub exposed: f64,
    /// Part of the exposed that failed.
    pub failing: Known<Fraction>,
    /// Cumulative survival at its end.
    pub survival: Known<Fraction>,
    /// Standard error of that.
    pub survival_error: Known<f64>,
    /// Hazard at its midpoint, per unit of time.
    pub hazard: Known<f64>,
    /// Standard error of the hazard.
    pub hazard_error: Known<f64>,
    /// Density of failure at its midpoint, per unit of time.
    pub density: Known<f64>,
    /// Standard error of the density.
    pub density_error: Known<f64>,
}

/// The actuarial life table of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupActuarial {
    /// The group.
    pub group: String,
    /// Its intervals: from a time up to, not with, the next.
    pub intervals: Vec<ActuarialRow>,
    /// How many ended at the last cut point or later, and so are in none of them.
    pub later: u64,
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

/// Bands of both shapes around the curve of each group.
pub fn bands(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupBand> {
    let mut all = Vec::new();
    for (label, observations) in groups.labels.iter().zip(&groups.observations) {
        for shape in [BandShape::EqualPrecision, BandShape::HallWellner] {
            let band = confidence_band(observations, shape, asked.scale, asked.level, None).map(|band| Band {
                from: data.axis.time(band.from.count()),
                to: data.axis.time(band.to.count()),
                critical_value: band.critical_value,
                steps: band
                    .points
                    .iter()
                    .map(|point| BandStep {
                        time: data.axis.time(point.day.count()),
                        survival: point.survival,
                        lower: point.limits.lower,
                        upper: point.limits.upper,
                    })
                    .collect(),
            });
            all.push(GroupBand { group: label.clone(), shape, band });
        }
    }
    all
}

/// Cumulative hazard of each group.
pub fn hazards(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupHazard> {
    let formula = match asked.variance {
        Variance::ClusterRobust => HazardVarianceFormula::ClusterRobust,
        Variance::ModelBased => HazardVarianceFormula::Poisson,
    };
    let each = groups.labels.iter().zip(&groups.observations);
    each.map(|(label, observations)| {
        let hazard = cumulative_hazard(observations, formula);
        let table = LifeTable::count(observations);
        let at = asked.at.iter().map(|&time| At {
            time,
            at_risk: super::survival::at_risk(&table, data, time, data.tick(time)),
            estimate: hazard.at(data.tick(time), HazardIntervalMethod::Log, asked.level),
        });
        let point = |step: &crate::stats::HazardStep| HazardPoint {
            time: data.axis.time(step.day.count()),
            at_risk: step.at_risk,
            failed: step.failed,
            cumulative_hazard: step.cumulative_hazard,
            variance: step.variance,
        };
        let steps = asked.curves.then(|| hazard.steps().iter().map(point).collect());
        GroupHazard { group: label.clone(), at: at.collect(), steps }
    })
    .collect()
}

/// Survival of the first group against each other one, at each time.
///
/// # Errors
/// When there are fewer than two groups.
pub fn contrasts(asked: &Asked, data: &Data, groups: &Groups) -> Result<Vec<SurvivalContrasts>, String> {
    two_groups(data)?;
    let mut all = Vec::new();
    for (label, observations) in groups.labels.iter().zip(&groups.observations).skip(1) {
        let found =
            survival_contrast(&groups.observations[0], observations, &data.ticks(asked), asked.variance, asked.level);
        for (&time, found) in asked.at.iter().zip(found) {
            let part = |take: &dyn Fn(&crate::stats::SurvivalContrast) -> Known<Contrast>| match &found {
                Known::Known(found) => take(found),
                Known::NotKnown(why) => Known::NotKnown(*why),
            };
            all.push(SurvivalContrasts {
                first: groups.labels[0].clone(),
                second: label.clone(),
                time,
                difference: part(&|found| Known::Known(found.difference)),
                ratio: part(&|found| found.ratio),
                complementary_log_log: part(&|found| found.complementary_log_log),
            });
        }
    }
    Ok(all)
}

/// Restricted mean of the first group against each other one.
pub fn mean_contrasts(asked: &Asked, data: &Data, groups: &Groups) -> Vec<MeanContrasts> {
    let until = asked.until.unwrap_or(0.0);
    let each = groups.labels.iter().zip(&groups.observations).skip(1);
    each.map(|(label, observations)| {
        let first = &groups.observations[0];
        let found = restricted_mean_contrast(first, observations, &data.axis, until, asked.variance, asked.level);
        MeanContrasts {
            first: groups.labels[0].clone(),
            second: label.clone(),
            until,
            difference: found.map(|found| found.difference),
            ratio: match found {
                Known::Known(found) => found.ratio,
                Known::NotKnown(why) => Known::NotKnown(why),
            },
        }
    })
    .collect()
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

/// The actuarial life table of each group.
///
/// # Errors
/// When the cut points make no intervals.
pub fn life_tables(asked: &Asked, data: &Data, groups: &Groups) -> Result<Vec<GroupActuarial>, String> {
    let mut cuts: Vec<f64> = asked.cuts.iter().copied().filter(|cut| *cut > 0.0).collect();
    cuts.insert(0, 0.0);
    let mut cutpoints: Vec<Days> = cuts.iter().map(|&cut| data.tick(cut)).collect();
    cutpoints.dedup();
    let each = groups.labels.iter().zip(&groups.observations);
    each.map(|(label, observations)| {
        let found = actuarial_table(observations, &data.axis, &cutpoints)
            .map_err(|error| format!("No life table: {error}.\nMend: give rising times with --cuts."))?;
        let row = |interval: ActuarialInterval| ActuarialRow {
            from: data.axis.time(interval.from.count()),
            to: data.axis.time(interval.to.count()),
            entered: interval.entered,
            joined: interval.joined,
            withdrawn: interval.withdrawn,
            failed: interval.failed,
            exposed: interval.exposed,
            failing: interval.failing,
            survival: interval.survival,
            survival_error: interval.survival_error,
            hazard: interval.hazard,
            hazard_error: interval.hazard_error,
            density: interval.density,
            density_error: interval.density_error,
        };
        let last = cutpoints.last().map_or(0, |last| last.count());
        let later = observations.exit().iter().filter(|exit| **exit >= last).count() as u64;
        Ok(GroupActuarial { group: label.clone(), intervals: found.into_iter().map(row).collect(), later })
    })
    .collect()
}

/// Survival of each group by Student's t.
pub fn few_clusters(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupFewClusters> {
    let each = groups.labels.iter().zip(&groups.observations);
    each.map(|(label, observations)| {
        let found = survival_with_few_clusters(observations, &data.ticks(asked), asked.scale, asked.level);
        let table = LifeTable::count(observations);
        let at = asked.at.iter().zip(&found).map(|(&time, found)| At {
            time,
            at_risk: super::survival::at_risk(&table, data, time, data.tick(time)),
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

/// Bands as a readable table: at each of the times asked for.
pub fn band_sections(asked: &Asked, all: &[GroupBand]) -> Vec<Section> {
    let head = format!("{} % band", digits(asked.level.value() * 100.0, 4));
    let mut section = Section::new("Bands that hold the whole curve", &["group", "shape", "time", "survival", &head]);
    for one in all {
        let shape = match one.shape {
            BandShape::EqualPrecision => "equal precision (Nair)",
            BandShape::HallWellner => "Hall–Wellner",
        };
        match &one.band {
            Known::NotKnown(why) => section.row(vec![one.group.clone(), shape.to_owned(), why_not_known(*why).to_owned()]),
            Known::Known(band) => {
                for &time in asked.at.iter().filter(|time| (band.from..=band.to).contains(*time)) {
                    let after = band.steps.partition_point(|step| step.time <= time);
                    let Some(step) = after.checked_sub(1).and_then(|place| band.steps.get(place)) else { continue };
                    section.row(vec![
                        one.group.clone(),
                        shape.to_owned(),
                        digits(time, 6),
                        digits(step.survival.value(), 5),
                        format!("{} to {}", digits(step.lower.value(), 5), digits(step.upper.value(), 5)),
                    ]);
                }
                section.note(format!(
                    "{}, {shape}: from {} to {}, critical value {}.",
                    one.group,
                    digits(band.from, 6),
                    digits(band.to, 6),
                    digits(band.critical_value, 6)
                ));
            }
        }
    }
    section.note(format!("Symmetric on {}; every row taken as independent.", scale(asked.scale)));
    vec![section]
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
    section.note("Intervals symmetric on the logarithm.");
    vec![section]
}

fn contrast_cells(contrast: &Known<Contrast>) -> Vec<String> {
    match contrast {
        Known::NotKnown(why) => vec![why_not_known(*why).to_owned()],
        Known::Known(contrast) => {
            let mut cells = estimate_cells(&Known::Known(contrast.estimate), |value| value);
            cells.push(match contrast.test {
                Known::Known(test) => p_value(test.p_value, test.ln_p_value),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            });
            cells
        }
    }
}

/// Contrasts as readable tables.
pub fn contrast_sections(asked: &Asked, all: &[SurvivalContrasts]) -> Vec<Section> {
    let head = interval_head(asked.level);
    let table = |title: &str, take: &dyn Fn(&SurvivalContrasts) -> &Known<Contrast>| {
        let mut section = Section::new(title, &["groups", "time", "contrast", "s.e.", &head, "p"]);
        for one in all {
            let mut cells = vec![format!("{} against {}", one.second, one.first), digits(one.time, 6)];
            cells.extend(contrast_cells(take(one)));
            section.row(cells);
        }
        section
    };
    let mut ratio = table("Ratio of survival", &|one| &one.ratio);
    ratio.note("The standard error is that of the logarithm.");
    vec![table("Difference of survival", &|one| &one.difference), ratio]
}

/// Contrasts of means as a readable table.
pub fn mean_contrast_sections(asked: &Asked, all: &[MeanContrasts]) -> Vec<Section> {
    let mut section = Section::new(
        "Difference of restricted means",
        &["groups", "until", "difference", "s.e.", &interval_head(asked.level), "p"],
    );
    for one in all {
        let mut cells = vec![format!("{} less {}", one.second, one.first), digits(one.until, 6)];
        cells.extend(contrast_cells(&one.difference));
        section.row(cells);
    }
    if all.is_empty() { Vec::new() } else { vec![section] }
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

/// Actuarial life tables as readable tables.
pub fn life_table_sections(all: &[GroupActuarial]) -> Vec<Section> {
    let known = |value: Known<f64>| match value {
        Known::Known(value) => digits(value, 5),
        Known::NotKnown(why) => why_not_known(why).to_owned(),
    };
    all.iter()
        .map(|group| {
            let mut section = Section::new(
                format!("Actuarial life table: {}", group.group),
                &[
                    "from",
                    "to",
                    "entered",
                    "joined",
                    "withdrawn",
                    "exposed",
                    "failed",
                    "failing",
                    "survival",
                    "s.e.",
                    "hazard",
                ],
            );
            for row in &group.intervals {
                section.row(vec![
                    digits(row.from, 6),
                    digits(row.to, 6),
                    digits(row.entered, 7),
                    digits(row.joined, 7),
                    digits(row.withdrawn, 7),
                    digits(row.exposed, 7),
                    digits(row.failed, 7),
                    known(row.failing.map(Fraction::value)),
                    known(row.survival.map(Fraction::value)),
                    known(row.survival_error),
                    known(row.hazard),
                ]);
            }
            let later = counted(group.later, "row", "rows");
            section.note(format!("Each from a time up to, not with, the next; {later} ended at the last cut or later."));
            section
        })
        .collect()
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
