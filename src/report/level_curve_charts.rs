//! Charts of a comparison's other curves: with other endings counted, and with failures known only to lie between two visits.

use crate::figure::Drawing;
use crate::figure::between_visits_chart::{BetweenVisitsChart, BetweenVisitsLevel, FailingStretch, between_visits_chart_on};
use crate::figure::incidence_chart::{IncidenceChart, IncidenceCounts, IncidenceLevel, IncidenceStep, incidence_chart_on};
use crate::figure::stage::Stage;
use crate::result::{ComparedLevel, Comparison, IncidencePoint};

use super::sentence::interval_word;

fn level(comparison: &Comparison, place: u16) -> Option<&ComparedLevel> {
    comparison.levels.get(usize::from(place))
}

/// Cumulative incidence of failure and of other endings by level, on a stage; none where other endings are rare.
pub fn incidence_on(comparison: &Comparison, stage: &Stage) -> Option<Drawing> {
    let incidence = comparison.crude.incidence.as_ref().filter(|incidence| !incidence.curves.is_empty())?;
    let steps = |points: &[IncidencePoint]| -> Vec<IncidenceStep> {
        points
            .iter()
            .map(|point| IncidenceStep {
                day: point.day,
                estimate: point.incidence,
                limits: point.interval.known().map(|limits| (limits.lower, limits.upper)),
            })
            .collect()
    };
    let levels: Vec<IncidenceLevel> = incidence
        .curves
        .iter()
        .filter_map(|curve| {
            let group = &level(comparison, curve.level)?.group;
            let counts = group.counts.iter().map(|counts| IncidenceCounts {
                day: counts.day,
                at_risk: counts.at_risk,
                failed: counts.failed,
                competing: counts.competing,
            });
            Some(IncidenceLevel {
                label: group.label.clone(),
                failed: steps(&curve.failed),
                competing: steps(&curve.otherwise),
                drawn_to: group.drawn_to_day,
                counts: counts.collect(),
            })
        })
        .collect();
    Some(incidence_chart_on(
        &IncidenceChart {
            name: "incidence",
            title: &format!("{}, other endings counted", comparison.title),
            definition: &comparison.endpoint.definition,
            failed_title: "Failed",
            competing_title: "Ended otherwise",
            levels: &levels,
            footnote: &format!(
                "Ended otherwise: a tooth lost, or a filling renewed for another fault. Aalen–Johansen estimate; {}s complementary log–log, patient-clustered. Not adjusted.",
                interval_word(comparison.confidence_level)
            ),
        },
        stage,
    ))
}

/// Survival with failures known only to lie between two visits, by level, on a stage; none where there is no curve. The axis may begin
/// above 0 % where it is to be shortened.
pub fn between_visits_on(comparison: &Comparison, shortened: bool, stage: &Stage) -> Option<Drawing> {
    if comparison.crude.between_visits_curves.is_empty() {
        return None;
    }
    let levels: Vec<BetweenVisitsLevel> = comparison
        .crude
        .between_visits_curves
        .iter()
        .filter_map(|curve| {
            let group = &level(comparison, curve.level)?.group;
            Some(BetweenVisitsLevel {
                label: group.label.clone(),
                stretches: curve
                    .intervals
                    .iter()
                    .map(|one| FailingStretch { left: one.left, right: one.right, mass: one.mass })
                    .collect(),
                day_found: group.curve.iter().map(|point| (point.day, point.survival)).collect(),
                // To show how the readings part is what it is for.
                drawn_to: group.enough_until.max(group.drawn_to_day),
                at_risk: group.counts.iter().map(|counts| (counts.day, counts.at_risk)).collect(),
            })
        })
        .collect();
    Some(between_visits_chart_on(
        &BetweenVisitsChart {
            name: "between-visits",
            title: &format!("{}, failures between visits", comparison.title),
            definition: &comparison.endpoint.definition,
            survival_title: &comparison.endpoint.survival_title,
            levels: &levels,
            footnote: "Nonparametric maximum-likelihood estimate (Turnbull). Not adjusted.",
            shortened,
        },
        stage,
    ))
}
