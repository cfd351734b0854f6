//! Which charts a review has, and where each belongs.

use crate::figure::Drawing;
use crate::figure::annual_failure_chart::{AnnualFailureChart, annual_failure_chart_on};
use crate::figure::criterion_chart::{CriterionChart, criterion_chart_on};
use crate::figure::recall_chart::{RecallChart, recall_chart_on};
use crate::figure::stage::Stage;
use crate::figure::survival_chart::{SurvivalChart, survival_chart_on};
use crate::figure::survival_scale::Scale;
use crate::record::{Coded, Criterion};
use crate::result::{AnnualFormula, CriterionReview, EndpointReview, FactorReview, Review};
use crate::wording::{Readers, span};

use super::course_charts::{mouth_on, timeline_on, yearly_on};
use super::sentence::{by_level_note, interval_note};

/// Most levels that one chart draws.
pub const MOST_LEVELS: usize = 8;

/// What a chart shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject {
    /// Survival of an endpoint by a factor, or `all`.
    Survival(String, String),
    /// Annual failure of an endpoint by a factor.
    Annual(String, String),
    /// A criterion.
    Criterion,
    /// Recalls.
    Recall,
    /// An endpoint year by year, tooth by tooth, and restoration by restoration.
    Course(String),
}

/// A chart with what it shows.
pub struct Placed {
    /// What it shows.
    pub subject: Subject,
    /// The drawing.
    pub drawing: Drawing,
}

/// All charts of a review.
pub struct ChartSet(pub Vec<Placed>);

impl ChartSet {
    /// The survival chart of an endpoint by a factor.
    pub fn survival(&self, endpoint: &str, factor: &str) -> Option<&Placed> {
        self.0.iter().find(|placed| placed.subject == Subject::Survival(endpoint.to_owned(), factor.to_owned()))
    }

    /// The annual failure charts of an endpoint by a factor.
    pub fn annual(&self, endpoint: &str, factor: &str) -> impl Iterator<Item = &Placed> {
        let subject = Subject::Annual(endpoint.to_owned(), factor.to_owned());
        self.0.iter().filter(move |placed| placed.subject == subject)
    }

    /// The criteria charts.
    pub fn criteria(&self) -> impl Iterator<Item = &Placed> {
        self.0.iter().filter(|placed| placed.subject == Subject::Criterion)
    }

    /// The charts of years, teeth and courses of an endpoint.
    pub fn courses(&self, endpoint: &str) -> impl Iterator<Item = &Placed> {
        let subject = Subject::Course(endpoint.to_owned());
        self.0.iter().filter(move |placed| placed.subject == subject)
    }

    /// The recall chart.
    pub fn recall(&self) -> Option<&Placed> {
        self.0.iter().find(|placed| placed.subject == Subject::Recall)
    }
}

/// Draws all charts of a review.
pub fn chart_set(review: &Review) -> ChartSet {
    let page = &Stage::default();
    let mut charts = Vec::new();
    for (place, endpoint) in review.endpoints.iter().enumerate() {
        charts.push(survival(review, endpoint, None, page));
        for factor in endpoint.factors.iter().filter(|factor| factor.groups.len() <= MOST_LEVELS) {
            charts.push(survival(review, endpoint, Some(factor), page));
            if place == 0 {
                charts.push(annual(review, endpoint, factor, AnnualFormula::Geometric, page));
                if review
                    .benchmarks
                    .iter()
                    .any(|benchmark| benchmark.factor == factor.factor && benchmark.formula == Some(AnnualFormula::Linear))
                {
                    charts.push(annual(review, endpoint, factor, AnnualFormula::Linear, page));
                }
            }
        }
    }
    let first_factor = review.endpoints.first().and_then(|endpoint| endpoint.factors.first());
    for criterion in [Criterion::MarginalStaining, Criterion::MarginalAdaptation, Criterion::Colour, Criterion::Sensitivity]
    {
        charts.extend(criterion_of(review, criterion, None, page));
        if let Some(factor) = first_factor.filter(|factor| factor.groups.len() <= MOST_LEVELS) {
            charts.extend(criterion_of(review, criterion, Some(factor), page));
        }
    }
    charts.push(Placed { subject: Subject::Recall, drawing: recalls_on(review, page) });
    if let Some(endpoint) = review.endpoints.first() {
        let mut course = |drawing: Drawing| charts.push(Placed { subject: Subject::Course(endpoint.name.clone()), drawing });
        if !endpoint.years.is_empty() {
            course(yearly_on(review, endpoint, page));
        }
        if !endpoint.teeth.is_empty() {
            course(mouth_on(endpoint, page));
        }
        if let Some(drawing) = timeline_on(endpoint, page) {
            course(drawing);
        }
    }
    ChartSet(charts)
}

/// The recalls on a stage.
pub fn recalls_on(review: &Review, stage: &Stage) -> Drawing {
    recall_chart_on(
        &RecallChart {
            name: "recalls",
            title: "Recalls: due, seen and scored",
            recalls: &review.recalls,
            footnote: &if stage.readers == Readers::Others {
                "Recalls whose window had closed; without those at which fewer than 5 restorations or patients were due, seen or scored.".to_owned()
            } else {
                format!("Recalls whose window had closed by {}.", review.as_of)
            },
        },
        stage,
    )
}

fn survival(review: &Review, endpoint: &EndpointReview, factor: Option<&FactorReview>, page: &Stage) -> Placed {
    let by = factor.map_or("all", |factor| factor.factor.as_str());
    let drawing = survival_on(review, endpoint, factor, Scale::Full, page);
    Placed { subject: Subject::Survival(endpoint.name.clone(), by.to_owned()), drawing }
}

fn annual(
    review: &Review,
    endpoint: &EndpointReview,
    factor: &FactorReview,
    formula: AnnualFormula,
    page: &Stage,
) -> Placed {
    let drawing = annual_failure_on(review, endpoint, factor, formula, page);
    Placed { subject: Subject::Annual(endpoint.name.clone(), factor.factor.clone()), drawing }
}

fn criterion_of(review: &Review, criterion: Criterion, factor: Option<&FactorReview>, page: &Stage) -> Option<Placed> {
    let drawing = criterion_on(review, criterion, factor, page)?;
    Some(Placed { subject: Subject::Criterion, drawing })
}

/// Survival or cumulative failure of an endpoint, of all or by a factor, on a stage.
pub fn survival_on(
    review: &Review,
    endpoint: &EndpointReview,
    factor: Option<&FactorReview>,
    scale: Scale,
    stage: &Stage,
) -> Drawing {
    let by = factor.map_or("all", |factor| factor.factor.as_str());
    let groups = factor.map_or(std::slice::from_ref(&endpoint.all), |factor| factor.groups.as_slice());
    let title = factor
        .map_or_else(|| endpoint.title.clone(), |factor| format!("{} by {}", endpoint.title, factor.label.to_lowercase()));
    survival_chart_on(
        &SurvivalChart {
            name: &format!("{}-{}-by-{by}", curve_name(scale), endpoint.name.replace('_', "-")),
            title: &title,
            definition: &endpoint.definition,
            survival_title: &endpoint.survival_title,
            groups,
            footnote: &if factor.is_some() { by_level_note(review) } else { interval_note(review) },
            least_at_risk: review.least_at_risk,
            scale,
        },
        stage,
    )
}

/// How files with curves begin.
pub const fn curve_name(scale: Scale) -> &'static str {
    match scale {
        Scale::Full | Scale::Zoomed => "survival",
        Scale::Failed => "cumulative-failure",
    }
}

/// Annual failure of an endpoint by a factor on a stage.
pub fn annual_failure_on(
    review: &Review,
    endpoint: &EndpointReview,
    factor: &FactorReview,
    formula: AnnualFormula,
    stage: &Stage,
) -> Drawing {
    let word = super::sentence::formula_word(formula);
    let benchmarks: Vec<_> = review
        .benchmarks
        .iter()
        .filter(|benchmark| benchmark.factor == factor.factor)
        .filter(|benchmark| benchmark.formula.map_or(formula == AnnualFormula::Geometric, |own| own == formula))
        .cloned()
        .collect();
    annual_failure_chart_on(
        &AnnualFailureChart {
            name: &format!("annual-failure-{}-by-{}-{word}", endpoint.name.replace('_', "-"), factor.factor),
            title: &format!(
                "Annual failure by {} ({word}, over {})",
                factor.label.to_lowercase(),
                span(review.headline_day)
            ),
            definition: &endpoint.definition,
            day: review.headline_day,
            formula,
            groups: &factor.groups,
            benchmarks: &benchmarks,
            footnote: &by_level_note(review),
        },
        stage,
    )
}

/// A criterion, of all or by a factor, on a stage; none where it was not scored.
pub fn criterion_on(review: &Review, criterion: Criterion, factor: Option<&FactorReview>, stage: &Stage) -> Option<Drawing> {
    let name = factor.map_or("all", |factor| factor.factor.as_str());
    let entries: Vec<&CriterionReview> = review
        .criteria
        .iter()
        .filter(|entry| entry.criterion == criterion && entry.scheme.is_none() && entry.factor == name)
        .collect();
    if entries.is_empty() {
        return None;
    }
    let by = factor.map_or_else(String::new, |factor| format!(" by {}", factor.label.to_lowercase()));
    Some(criterion_chart_on(
        &CriterionChart {
            name: &format!("criterion-{}-by-{name}", criterion.code().replace('_', "-")),
            title: &format!("{}{by}", criterion.label()),
            entries: &entries,
            footnote: "Of those due and scored at each recall; schemes pooled on ideal, acceptable, not acceptable as each scheme's own table says. Lost fillings are not in these shares of colour, staining and fit.",
        },
        stage,
    ))
}
