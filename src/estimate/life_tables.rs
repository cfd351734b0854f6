//! The actuarial life table of each group.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, why_not_known};
use crate::quantity::{Days, Fraction, Known};
use crate::stats::{ActuarialInterval, actuarial_table};
use crate::wording::counted;

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
