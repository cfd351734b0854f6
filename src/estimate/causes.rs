//! Answers where causes compete: cumulative incidence, Gray's test, bounds for those lost.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::hazards::{HazardPoint, points};
use super::lost::{GroupBounds, GroupTipping, Lost, bounds, bounds_section, tipping, tipping_section};
use super::rates::{GroupAnnual, annual_section};
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::{At, at_risk, estimate_cells};
use crate::quantity::{Estimate, Fraction, Known, Years};
use crate::stats::{
    AnnualFailureRate, GrayOptions, GrayTest, IncidenceInference, IncidenceVariance, ObservationsByCause,
    cause_specific_hazard, cumulative_incidence, cumulative_incidence_of_cause, geometric_annual_rate_of_incidence,
    gray_test, incidence_at_horizons, linear_annual_rate_of_incidence,
};

/// Cumulative incidence of a cause in a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupIncidence {
    /// The group.
    pub group: String,
    /// The cause.
    pub cause: String,
    /// Cumulative incidence at each time asked for.
    pub at: Vec<At<Estimate<Fraction>>>,
    /// Cumulative cause-specific hazard at each time asked for.
    pub hazard: Vec<Known<Estimate<f64>>>,
    /// The steps of that hazard, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hazard_steps: Option<Vec<HazardPoint>>,
    /// The steps of the incidence, if asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steps: Option<Vec<IncidencePoint>>,
}

/// A step of a cumulative incidence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IncidencePoint {
    /// The time.
    pub time: f64,
    /// Sum of the weights at risk.
    pub at_risk: f64,
    /// Sum of the weights that ended by the cause.
    pub ended: f64,
    /// Cumulative incidence.
    pub incidence: Fraction,
    /// Its variance.
    pub variance: Known<f64>,
}

/// Gray's test of a cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CauseTest {
    /// The cause.
    pub cause: String,
    /// The test.
    pub test: Known<GrayTest>,
}

/// The part of a group that has met no cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupEventFree {
    /// The group.
    pub group: String,
    /// The part at each time asked for.
    pub at: Vec<At<Fraction>>,
}

/// All about competing causes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Incidences {
    /// Each group and cause.
    pub incidence: Vec<GroupIncidence>,
    /// Gray's test of each cause.
    pub tests: Vec<CauseTest>,
    /// The part of each group that has met no cause, where causes compete.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event_free: Option<Vec<GroupEventFree>>,
    /// Bounds for those lost: best and worst case.
    pub bounds: Vec<GroupBounds>,
    /// How many of those lost would tip a survival, where values are given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tipping: Vec<GroupTipping>,
    /// Yearly failure rates from the incidence of the failure.
    pub annual: Vec<GroupAnnual>,
}

/// How many causes there are.
pub fn causes_of(data: &Data) -> u8 {
    u8::try_from(data.cause_labels.len()).unwrap_or(u8::MAX)
}

/// Incidences, tests and bounds.
///
/// # Errors
/// When codes and rows don't fit together, which would be a fault of the program.
pub fn incidences(asked: &Asked, data: &Data, groups: &Groups) -> Result<Incidences, String> {
    let in_steps = asked.incidence_variance;
    let inference = IncidenceInference { variance: in_steps, method: asked.scale, level: asked.level };
    let ticks = data.ticks(asked);
    let (mut incidence, mut event_free) = (Vec::new(), Vec::new());
    for (place, label, observations) in groups.each() {
        let codes = groups.codes(data, place);
        let by_cause = ObservationsByCause::new(observations, &codes, causes_of(data)).map_err(|error| error.to_string())?;
        for (code, cause) in (1_u8..).zip(&data.cause_labels) {
            let estimates = incidence_at_horizons(&by_cause, code, &ticks, inference);
            let hazard = cause_specific_hazard(&by_cause, code, asked.hazard_variance);
            let at = asked.at.iter().zip(estimates);
            let steps = asked.curves.then(|| {
                let curve = cumulative_incidence_of_cause(&by_cause, code, in_steps);
                let steps = curve.causes.into_iter().flat_map(|cause| cause.steps);
                let point = |step: crate::stats::IncidenceStep| IncidencePoint {
                    time: data.axis.time(step.day.count()),
                    at_risk: step.at_risk,
                    ended: step.ended,
                    incidence: step.incidence,
                    variance: step.variance,
                };
                steps.map(point).collect()
            });
            incidence.push(GroupIncidence {
                group: label.clone(),
                cause: cause.clone(),
                at: at
                    .map(|(&time, estimate)| At { time, at_risk: at_risk(groups.table(place), data, time), estimate })
                    .collect(),
                hazard: ticks.iter().map(|&tick| hazard.at(tick, asked.hazard_scale, asked.level)).collect(),
                hazard_steps: asked.curves.then(|| points(&hazard, data)),
                steps,
            });
        }
        if data.cause_labels.len() > 1 {
            let all = cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
            let at = asked.at.iter().zip(&ticks).map(|(&time, &tick)| At {
                time,
                at_risk: at_risk(groups.table(place), data, time),
                estimate: all.event_free_at(tick),
            });
            event_free.push(GroupEventFree { group: label.clone(), at: at.collect() });
        }
    }
    let mut tests = Vec::new();
    if data.groups.labels.len() > 1 {
        let by_cause = ObservationsByCause::new(&data.observations, &data.causes, causes_of(data))
            .map_err(|error| error.to_string())?;
        for (code, cause) in (1_u8..).zip(&data.cause_labels) {
            let strata = data.strata.as_ref().map(|(_, strata)| strata);
            let options = GrayOptions { rho: asked.gray_exponent, strata, variance: asked.variance };
            tests.push(CauseTest { cause: cause.clone(), test: gray_test(&by_cause, code, &data.grouping, options) });
        }
    }
    let mut annual = Vec::new();
    let failure = data.cause_labels.first();
    for one in incidence.iter().filter(|one| Some(&one.cause) == failure) {
        for at in &one.at {
            let years = Years::new(at.time / asked.year);
            let from = |formula: fn(&Estimate<Fraction>, Years) -> Known<AnnualFailureRate>| match &at.estimate {
                Known::Known(estimate) => formula(estimate, years),
                Known::NotKnown(why) => Known::NotKnown(*why),
            };
            annual.push(GroupAnnual {
                group: one.group.clone(),
                time: at.time,
                geometric: from(geometric_annual_rate_of_incidence),
                linear: from(linear_annual_rate_of_incidence),
            });
        }
    }
    let lost = Lost::of(asked, data, groups);
    Ok(Incidences {
        incidence,
        tests,
        event_free: (!event_free.is_empty()).then_some(event_free),
        bounds: bounds(asked, data, groups, &lost),
        tipping: tipping(asked, data, groups, &lost),
        annual,
    })
}

/// Incidences as readable tables.
pub fn incidence_sections(asked: &Asked, all: &Incidences) -> Vec<Section> {
    let head = interval_head(asked.level);
    let mut section = Section::new(
        "Cumulative incidence (Aalen–Johansen)",
        &["group", "cause", "time", "at risk", "incidence", "s.e.", &head],
    );
    for one in &all.incidence {
        for at in &one.at {
            let mut cells = vec![one.group.clone(), one.cause.clone(), digits(at.time, 6), at.at_risk.to_string()];
            cells.extend(estimate_cells(&at.estimate, Fraction::value));
            section.row(cells);
        }
    }
    if asked.incidence_variance == IncidenceVariance::Aalen {
        section.note("Standard errors from the martingales of each cause (Aalen).");
    }
    let mut tests = Section::new("Gray's test", &["cause", "χ²", "df", "p"]);
    for one in &all.tests {
        tests.row(match &one.test {
            Known::NotKnown(why) => vec![one.cause.clone(), why_not_known(*why).to_owned()],
            Known::Known(test) => vec![
                one.cause.clone(),
                digits(test.chi_square, 6),
                test.degrees_of_freedom.to_string(),
                p_value(test.p_value, test.ln_p_value),
            ],
        });
    }
    if asked.gray_exponent.abs() > 0.0 {
        let exponent = digits(asked.gray_exponent, 6);
        tests.note(format!("Differences weighted by (1 − F)^{exponent}, F the common incidence just before."));
    }
    let mut event_free = Section::new("Part that has met no cause", &["group", "time", "at risk", "part"]);
    for group in all.event_free.iter().flatten() {
        for at in &group.at {
            let part = match at.estimate {
                Known::Known(part) => digits(part.value(), 5),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            };
            event_free.row(vec![group.group.clone(), digits(at.time, 6), at.at_risk.to_string(), part]);
        }
    }
    let mut sections = vec![section];
    if !all.tests.is_empty() {
        sections.push(tests);
    }
    if all.event_free.is_some() {
        sections.push(event_free);
    }
    sections.push(bounds_section(asked, &all.bounds));
    if !all.tipping.is_empty() {
        sections.push(tipping_section(&all.tipping));
    }
    sections.push(annual_section("Yearly failure rate from cumulative incidence", &head, &all.annual));
    sections
}
