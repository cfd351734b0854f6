//! Bands that hold the whole curve of a group at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, why_not_known};
use super::text::scale;
use crate::quantity::{Days, Fraction, Known};
use crate::stats::{BandShape, ProductLimit, band_of_curve};

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

/// Bands of both shapes around the curve of each group.
pub fn bands(asked: &Asked, data: &Data, groups: &Groups) -> Vec<GroupBand> {
    let mut all = Vec::new();
    for (place, label, observations) in groups.each() {
        let curve = &groups.counted[place].curve;
        let total = observations.weights().map_or(observations.len() as f64, |weights| weights.iter().sum());
        let range = range(asked, data, curve);
        for shape in [BandShape::EqualPrecision, BandShape::HallWellner] {
            let band = band_of_curve(curve, total, shape, asked.scale, asked.level, range).map(|band| Band {
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

/// The range asked for; an end that was not given is that of the band without a range.
fn range(asked: &Asked, data: &Data, curve: &ProductLimit) -> Option<(Days, Days)> {
    if asked.band_from.is_none() && asked.band_to.is_none() {
        return None;
    }
    let last = curve.steps().iter().take_while(|step| !step.all_failed()).last();
    let tick = |time: Option<f64>, otherwise: Days| time.map_or(otherwise, |time| data.tick(time));
    let to = tick(asked.band_to, last.map_or(Days::new(0), |step| step.day));
    Some((tick(asked.band_from, Days::new(0)), to))
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
