//! Answers where causes compete: cumulative incidence, Gray's test, bounds for those lost.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::groups::Groups;
use super::rates::{GroupAnnual, annual_section};
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::{At, at_risk, estimate_cells};
use crate::quantity::{Days, Estimate, Fraction, Known, Variance, Years};
use crate::stats::{
    AnnualFailureRate, CaseBounds, GrayOptions, GrayTest, HazardIntervalMethod, HazardVarianceFormula, IncidenceInference,
    IncidenceVariance, ObservationsByCause, cause_specific_hazard_at_horizons, cumulative_incidence_of_cause,
    geometric_annual_rate_of_incidence, gray_test, incidence_at_horizons, linear_annual_rate_of_incidence, lost_before,
    lost_bounds,
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

/// What those lost could do to the results of a group at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupBounds {
    /// The group.
    pub group: String,
    /// The time.
    pub time: f64,
    /// How many were last seen before the time, and before the last time of all.
    pub lost: Known<u64>,
    /// Survival in the best case, as observed, and in the worst case.
    pub survival: Known<CaseBounds>,
    /// Cumulative failure, likewise.
    pub cumulative_failure: Known<CaseBounds>,
}

/// All about competing causes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Incidences {
    /// Each group and cause.
    pub incidence: Vec<GroupIncidence>,
    /// Gray's test of each cause.
    pub tests: Vec<CauseTest>,
    /// Bounds for those lost: best and worst case.
    pub bounds: Vec<GroupBounds>,
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
    let (in_steps, hazard_variance) = match asked.variance {
        Variance::ClusterRobust => (IncidenceVariance::ClusterRobust, HazardVarianceFormula::ClusterRobust),
        Variance::ModelBased => (IncidenceVariance::Multinomial, HazardVarianceFormula::Poisson),
    };
    let inference = IncidenceInference { variance: in_steps, method: asked.scale, level: asked.level };
    let ticks = data.ticks(asked);
    let mut incidence = Vec::new();
    for (place, label, observations) in groups.each() {
        let codes = groups.codes(data, place);
        let by_cause = ObservationsByCause::new(observations, &codes, causes_of(data)).map_err(|error| error.to_string())?;
        for (code, cause) in (1_u8..).zip(&data.cause_labels) {
            let estimates = incidence_at_horizons(&by_cause, code, &ticks, inference);
            let method = HazardIntervalMethod::Log;
            let hazard = cause_specific_hazard_at_horizons(&by_cause, code, &ticks, hazard_variance, method, asked.level);
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
                hazard,
                steps,
            });
        }
    }
    let mut tests = Vec::new();
    if data.groups.labels.len() > 1 {
        let by_cause = ObservationsByCause::new(&data.observations, &data.causes, causes_of(data))
            .map_err(|error| error.to_string())?;
        for (code, cause) in (1_u8..).zip(&data.cause_labels) {
            let strata = data.strata.as_ref().map(|(_, strata)| strata);
            let options = GrayOptions { rho: 0.0, strata, variance: asked.variance };
            tests.push(CauseTest { cause: cause.clone(), test: gray_test(&by_cause, code, &data.grouping, options) });
        }
    }
    let closing = data.observations.last_day().unwrap_or(Days::new(0));
    let mut bounds = Vec::new();
    for (label, observations) in groups.labels.iter().zip(&groups.observations) {
        let lost = lost_before(observations, closing);
        for (&time, found) in asked.at.iter().zip(lost_bounds(observations, &lost, &ticks)) {
            bounds.push(GroupBounds {
                group: label.clone(),
                time,
                lost: found.map(|found| found.lost),
                survival: found.map(|found| found.survival),
                cumulative_failure: found.map(|found| found.cumulative_failure),
            });
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
    Ok(Incidences { incidence, tests, bounds, annual })
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
    let mut bounds =
        Section::new("What those lost could change", &["group", "time", "lost", "survival, worst", "as observed", "best"]);
    for one in &all.bounds {
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
        bounds.row(cells);
    }
    bounds.note("Lost: censored before the last time of all. Worst: they fail at once; best: they never fail.");
    let mut sections = vec![section];
    if !all.tests.is_empty() {
        sections.push(tests);
    }
    sections.push(bounds);
    sections.push(annual_section("Yearly failure rate from cumulative incidence", &head, &all.annual));
    sections
}
