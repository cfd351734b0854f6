//! The first group against each other one: survival at a time, and restricted means.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::comparison::two_groups;
use super::data::Data;
use super::groups::Groups;
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::{Fraction, Known};
use crate::stats::{Contrast, RestrictedMeanContrast, SurvivalContrast, restricted_mean_contrast, survival_contrast};

/// Survival of two groups at a time, compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurvivalContrasts {
    /// The one group.
    pub first: String,
    /// The other.
    pub second: String,
    /// The time.
    pub time: f64,
    /// Survival of the one.
    pub survival_of_first: Known<Fraction>,
    /// Survival of the other.
    pub survival_of_second: Known<Fraction>,
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
    /// The mean of the one.
    pub mean_of_first: Known<f64>,
    /// The mean of the other.
    pub mean_of_second: Known<f64>,
    /// Second less first.
    pub difference: Known<Contrast>,
    /// Second over first.
    pub ratio: Known<Contrast>,
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
        all.extend(survival_contrasts_of((&groups.labels[0], label), &asked.at, found));
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
        mean_contrast_of((&groups.labels[0], label), until, found)
    })
    .collect()
}

/// Contrasts of survival with the names of the groups and the times.
pub(super) fn survival_contrasts_of(
    (first, second): (&str, &str),
    times: &[f64],
    found: Vec<Known<SurvivalContrast>>,
) -> Vec<SurvivalContrasts> {
    let one = |(&time, found): (&f64, Known<SurvivalContrast>)| {
        let part = |take: &dyn Fn(&SurvivalContrast) -> Known<Contrast>| match &found {
            Known::Known(found) => take(found),
            Known::NotKnown(why) => Known::NotKnown(*why),
        };
        SurvivalContrasts {
            first: first.to_owned(),
            second: second.to_owned(),
            time,
            survival_of_first: found.map(|found| found.first),
            survival_of_second: found.map(|found| found.second),
            difference: part(&|found| Known::Known(found.difference)),
            ratio: part(&|found| found.ratio),
            complementary_log_log: part(&|found| found.complementary_log_log),
        }
    };
    times.iter().zip(found).map(one).collect()
}

/// A contrast of restricted means with the names of the groups.
pub(super) fn mean_contrast_of(
    (first, second): (&str, &str),
    until: f64,
    found: Known<RestrictedMeanContrast>,
) -> MeanContrasts {
    MeanContrasts {
        first: first.to_owned(),
        second: second.to_owned(),
        until,
        mean_of_first: found.map(|found| found.first),
        mean_of_second: found.map(|found| found.second),
        difference: found.map(|found| found.difference),
        ratio: match found {
            Known::Known(found) => found.ratio,
            Known::NotKnown(why) => Known::NotKnown(why),
        },
    }
}

pub(super) fn contrast_cells(contrast: &Known<Contrast>) -> Vec<String> {
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
