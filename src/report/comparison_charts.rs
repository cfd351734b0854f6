//! Which charts a comparison has.

use crate::figure::Drawing;
use crate::figure::annual_failure_chart::{AnnualFailureChart, annual_failure_chart_on};
use crate::figure::balance_chart::{BalanceChart, BalanceLine, balance_chart_on};
use crate::figure::criterion_level_chart::{
    CriterionLevelChart, ShareAt, SharesAt, StandingPanel, criterion_level_chart_on,
};
use crate::figure::flow_chart::{FlowBranch, FlowChart, FlowStep, flow_chart_on};
use crate::figure::forest_chart::{ForestChart, ForestLine, Ratio, forest_chart_on};
use crate::figure::stage::Stage;
use crate::figure::survival_chart::{SurvivalChart, survival_chart_on};
use crate::figure::survival_scale::Scale;
use crate::quantity::{Estimate, Known};
use crate::record::{Coded, Criterion, Standing};
use crate::result::{AnnualFormula, Comparison, CriterionComparison, Exclusion, GroupReview, Together, TogetherLine};
use crate::wording::{count, counted, known, p_value, span};

use super::level_curve_charts::{between_visits_on, incidence_on};

/// The charts of a comparison.
pub struct ComparisonCharts {
    /// Survival by level.
    pub survival: Drawing,
    /// Annual failure by level.
    pub annual: Drawing,
    /// Survival with failures between visits.
    pub between_visits: Option<Drawing>,
    /// Failures and other endings counted together.
    pub incidence: Option<Drawing>,
    /// How levels differ.
    pub balance: Drawing,
    /// Criteria at each recall by level.
    pub criteria: Vec<Drawing>,
    /// What goes with failure.
    pub forest: Option<Drawing>,
    /// From records to results.
    pub flow: Drawing,
}

impl ComparisonCharts {
    /// All of them.
    pub fn all(&self) -> Vec<&Drawing> {
        let mut all = vec![&self.survival, &self.annual, &self.balance];
        all.extend(&self.between_visits);
        all.extend(&self.incidence);
        all.extend(&self.criteria);
        all.extend(&self.forest);
        all.push(&self.flow);
        all
    }
}

/// How intervals of the levels' curves were made.
pub fn interval_note(comparison: &Comparison) -> String {
    super::sentence::interval_note_of(comparison.confidence_level, comparison.interval_method, comparison.variance)
}

/// Draws the charts of a comparison.
pub fn comparison_charts(comparison: &Comparison) -> ComparisonCharts {
    let page = &Stage::default();
    ComparisonCharts {
        survival: survival_on(comparison, Scale::Full, page),
        annual: annual_failure_on(comparison, page),
        between_visits: between_visits_on(comparison, false, page),
        incidence: incidence_on(comparison, page),
        balance: balance_on(comparison, page),
        criteria: Criterion::ALL.into_iter().filter_map(|criterion| criterion_on(comparison, criterion, page)).collect(),
        forest: forest_on(comparison, page),
        flow: flow_on(comparison, page),
    }
}

fn groups(comparison: &Comparison) -> Vec<GroupReview> {
    comparison.levels.iter().map(|level| level.group.clone()).collect()
}

/// Survival or cumulative failure by level on a stage.
pub fn survival_on(comparison: &Comparison, scale: Scale, stage: &Stage) -> Drawing {
    survival_chart_on(
        &SurvivalChart {
            name: super::charts::curve_name(scale),
            title: &comparison.title,
            definition: &comparison.endpoint.definition,
            survival_title: &comparison.endpoint.survival_title,
            groups: &groups(comparison),
            footnote: &format!("{} Not adjusted.", interval_note(comparison)),
            least_at_risk: comparison.least_at_risk,
            scale,
        },
        stage,
    )
}

/// Annual failure by level on a stage.
pub fn annual_failure_on(comparison: &Comparison, stage: &Stage) -> Drawing {
    let word = super::sentence::formula_word(AnnualFormula::Geometric);
    annual_failure_chart_on(
        &AnnualFailureChart {
            name: "annual-failure",
            title: &format!(
                "Annual failure by {} ({word}, over {})",
                comparison.factor.label.to_lowercase(),
                span(comparison.headline_day)
            ),
            definition: &comparison.endpoint.definition,
            day: comparison.headline_day,
            formula: AnnualFormula::Geometric,
            groups: &groups(comparison),
            benchmarks: &[],
            footnote: &format!("{} Not adjusted.", interval_note(comparison)),
        },
        stage,
    )
}

/// The lines of the balance chart: one for each covariate or level of it; of factors with two levels the first, since the other says the
/// same.
pub fn balance_lines(comparison: &Comparison) -> Vec<BalanceLine> {
    let second_of_two = |place: usize| {
        let name = &comparison.balance[place].column.covariate;
        let same: Vec<usize> =
            (0..comparison.balance.len()).filter(|&other| comparison.balance[other].column.covariate == *name).collect();
        same.len() == 2 && same[1] == place
    };
    let adjusted_for = comparison.adjusted.computed().map(|adjusted| adjusted.adjusted_for.as_slice()).unwrap_or_default();
    comparison
        .balance
        .iter()
        .enumerate()
        .filter(|(place, _)| !second_of_two(*place))
        .map(|(_, column)| BalanceLine {
            label: match &column.column.level {
                Some(level) => format!("{}: {level}", column.column.covariate),
                None => column.column.covariate.clone(),
            },
            before: column.largest_before.known().map(|value| value.abs()),
            after: column
                .largest_after
                .known()
                .map(|value| value.abs())
                .filter(|_| adjusted_for.contains(&column.column.covariate)),
            missing: column.missing,
        })
        .collect()
}

/// How the levels differ, on a stage.
pub fn balance_on(comparison: &Comparison, stage: &Stage) -> Drawing {
    balance_chart_on(
        &BalanceChart {
            name: "balance",
            title: &format!("How the levels of {} differ", comparison.factor.label.to_lowercase()),
            definition: "Difference of means or shares in standard deviations, the largest between any two levels. The dashed line is at 0.1.",
            lines: &balance_lines(comparison),
            footnote: "After weighting is shown for what is adjusted for. Recalls kept come after the choice and are described only.",
        },
        stage,
    )
}

/// A criterion at each recall on a stage: the share that is ideal, and the share that is acceptable or better. None where it was not
/// scored.
pub fn criterion_on(comparison: &Comparison, criterion: Criterion, stage: &Stage) -> Option<Drawing> {
    let of = |standing: Standing| -> Vec<&CriterionComparison> {
        comparison.criteria.iter().filter(|one| one.criterion == criterion && one.standing == standing).collect()
    };
    let panel = |title: &str, recalls: Vec<&CriterionComparison>| StandingPanel {
        title: title.to_owned(),
        recalls: recalls
            .into_iter()
            .map(|one| SharesAt {
                months: one.months,
                shares: one
                    .shares
                    .iter()
                    .map(|share| {
                        share.known().map(|share| ShareAt {
                            share: share.value.value(),
                            limits: share.wilson.known().map(|limits| (limits.lower.value(), limits.upper.value())),
                            scored: share.behind.observations,
                        })
                    })
                    .collect(),
                test: match &one.corrected {
                    Known::Known(p) => p_value(*p).trim_start_matches("p ").trim_start_matches("= ").to_owned(),
                    Known::NotKnown(_) => "–".to_owned(),
                },
            })
            .collect(),
    };
    let panels = [panel("Acceptable or better", of(Standing::Acceptable)), panel("Ideal", of(Standing::Ideal))];
    if panels.iter().all(|panel| panel.recalls.is_empty()) {
        return None;
    }
    let levels: Vec<&str> = comparison.levels.iter().map(|level| level.group.label.as_str()).collect();
    Some(criterion_level_chart_on(
        &CriterionLevelChart {
            name: &format!("criterion-{}", criterion.code().replace('_', "-")),
            title: &format!("{} by {}", criterion.label(), comparison.factor.label.to_lowercase()),
            definition: if criterion.survives_loss() {
                "Share of those due and scored at each recall."
            } else {
                "Share of those due and scored at each recall; lost fillings are in none of these shares."
            },
            levels: &levels,
            panels: &panels,
            test: "p, corrected",
            footnote: &format!(
                "{}s (Wilson, for the effective number) and tests patient-clustered; p for the levels being alike, corrected for the number of criteria and recalls (Holm); – where it can't be tested. Not adjusted.",
                super::sentence::interval_word(comparison.confidence_level)
            ),
        },
        stage,
    ))
}

/// What a line of the models is called, and what it is held against with how many behind it.
pub fn line_label(line: &TogetherLine) -> (String, String) {
    let (against, behind) = line_against(line, &Stage::default());
    let held = if behind.is_empty() { against } else { format!("{against}; {behind}") };
    (line_name(line), held)
}

fn line_name(line: &TogetherLine) -> String {
    match (&line.level, &line.reference) {
        (Some(level), Some(_)) => format!("{}: {level}", line.covariate),
        _ => line.covariate.clone(),
    }
}

fn line_against(line: &TogetherLine, stage: &Stage) -> (String, String) {
    match (&line.level, &line.reference) {
        (Some(_), Some(reference)) => {
            (format!("against {reference}"), stage.counted(line.restorations, "restoration", "restorations"))
        }
        _ => ("for one more".to_owned(), String::new()),
    }
}

fn ratio(estimate: &Estimate<f64>) -> Ratio {
    Ratio { value: estimate.value, limits: estimate.interval.known().map(|limits| (limits.lower, limits.upper)) }
}

/// What goes with failure, on a stage; none where the models were not computed.
pub fn forest_on(comparison: &Comparison, stage: &Stage) -> Option<Drawing> {
    let together = comparison.together.computed()?;
    let lines = if together.hazards.is_empty() { &together.between_visits } else { &together.hazards };
    let lines: Vec<ForestLine> = lines
        .iter()
        .map(|line| {
            let (against, behind) = line_against(line, stage);
            let same = |other: &&TogetherLine| other.covariate == line.covariate && other.level == line.level;
            let of = |lines: &[TogetherLine]| lines.iter().find(same).map(|line| ratio(&line.hazard_ratio));
            let compared = line.covariate == comparison.factor.label;
            ForestLine {
                label: line_name(line),
                against,
                behind,
                compared,
                ratios: vec![of(&together.hazards), of(&together.between_visits)],
            }
        })
        .collect();
    let penalty = if together.penalised { ", Firth's penalty" } else { "" };
    Some(forest_chart_on(
        &ForestChart {
            name: "forest",
            title: &format!("What goes with {} here", comparison.endpoint.title.to_lowercase()),
            definition: &format!("Above 1: fails sooner. {}", comparison.endpoint.definition),
            models: &[&format!("day found (proportional hazards{penalty})"), "between visits (Weibull)"],
            lines: &lines,
            axis: "Hazard ratio",
            footnote: &together_note(comparison, together),
        },
        stage,
    ))
}

/// How many stand behind the models.
pub fn together_note(comparison: &Comparison, together: &Together) -> String {
    let silent = match together.silent_between_visits {
        0 => String::new(),
        silent => format!(
            " {} came under observation late and ended otherwise before a visit showed {} in place: nothing is told between visits.",
            counted(silent, "restoration", "restorations"),
            if silent == 1 { "it" } else { "them" }
        ),
    };
    format!(
        "{} and {} for {}: {:.1} failures for each coefficient. {}s: {}.{silent} Each line is for all others held fixed; what goes with failure need not make it.",
        counted(together.restorations, "restoration", "restorations"),
        counted(together.failures, "failure", "failures"),
        counted(together.coefficients, "coefficient", "coefficients"),
        together.failures as f64 / (together.coefficients.max(1)) as f64,
        super::sentence::interval_word(comparison.confidence_level),
        if together.penalised {
            "day found, by profile likelihood with Firth's penalty, taking every filling as independent; between visits, patient-clustered"
        } else {
            "patient-clustered"
        }
    )
}

/// The trunk of the flow diagram.
pub fn flow_steps(comparison: &Comparison) -> Vec<FlowStep> {
    let reasons = |all: &[Exclusion]| all.iter().map(|one| format!("{}: {}", count(one.count), one.reason)).collect();
    let compared: u64 = comparison.levels.iter().map(|level| level.group.behind.observations).sum();
    vec![
        FlowStep {
            text: format!("Restorations received: {}", count(comparison.flow.received)),
            left_out: reasons(&comparison.flow.excluded),
        },
        FlowStep {
            text: format!("Placed by {}: {}", comparison.as_of, count(placed(comparison))),
            left_out: reasons(&comparison.endpoint_flow.excluded),
        },
        FlowStep {
            text: format!(
                "Followed for {}: {}",
                comparison.endpoint.title.to_lowercase(),
                count(comparison.endpoint_flow.analysed)
            ),
            left_out: reasons(&comparison.not_compared),
        },
        FlowStep { text: format!("Compared: {}", count(compared)), left_out: Vec::new() },
    ]
}

fn placed(comparison: &Comparison) -> u64 {
    let excluded: u64 = comparison.flow.excluded.iter().map(|one| one.count).sum();
    comparison.flow.received.saturating_sub(excluded)
}

/// The levels of the flow diagram.
pub fn flow_branches(comparison: &Comparison) -> Vec<FlowBranch> {
    comparison
        .levels
        .iter()
        .map(|level| {
            let group = &level.group;
            let mut lines = vec![format!("in {}", counted(group.behind.clusters, "patient", "patients"))];
            lines.push("seen / due:".to_owned());
            for recall in level.recalls.iter().filter(|recall| recall.due > 0 && recall.months > 0) {
                let share = known(&recall.share_seen, |(share, _)| format!("{:.0} %", share.value() * 100.0));
                lines.push(format!("{} months: {}/{}, {share}", recall.months, count(recall.seen), count(recall.due)));
            }
            lines.push(format!("failed: {}", count(group.behind.failures)));
            lines.push(format!("ended otherwise: {}", count(group.competing)));
            lines.push(format!("followed without failure: {}", count(group.censored)));
            FlowBranch { title: format!("{}: {}", group.label, count(group.behind.observations)), lines }
        })
        .collect()
}

/// From records to results, on a stage.
pub fn flow_on(comparison: &Comparison, stage: &Stage) -> Drawing {
    flow_chart_on(
        &FlowChart {
            name: "flow",
            title: "From records to results",
            definition: &comparison.endpoint.definition,
            steps: &flow_steps(comparison),
            branches: &flow_branches(comparison),
        },
        stage,
    )
}
