//! Which charts a finished review or comparison offers for a talk or a paper, and each of them on any stage.

use super::charts::{self, MOST_LEVELS};
use super::comparison_charts;
use super::course_charts;
use super::level_curve_charts;
use super::watch_charts;
use crate::figure::Drawing;
use crate::figure::stage::Stage;
use crate::figure::survival_scale::Scale;
use crate::record::{Coded, Criterion};
use crate::result::{AnnualFormula, Comparison, EndpointReview, FactorReview, Review};
use crate::watching::answer::WatchAnswers;
use crate::wording::Readers;

/// The layout of results that this program reads.
const FORMAT: u64 = 1;

/// What a `results.json` holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Results {
    /// A review.
    Review(Box<Review>),
    /// A comparison.
    Comparison(Box<Comparison>),
    /// Failures watched against a benchmark.
    Watch(Box<WatchAnswers>),
}

/// Why results were not read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotResults {
    /// It is no JSON, or not all of it is there.
    NotJson(String),
    /// It is neither a review nor a comparison.
    Neither,
    /// It was written by a program that lays results out differently.
    OtherFormat(String),
    /// A field is missing or of another kind.
    Unlike(&'static str, String),
}

impl std::fmt::Display for NotResults {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotJson(why) => write!(f, "is no JSON, or only a part of it: {why}"),
            Self::Neither => f.write_str("holds neither a review nor a comparison, nor failures watched"),
            Self::OtherFormat(found) => {
                write!(f, "holds results of format {found}, and this program reads format {FORMAT}")
            }
            Self::Unlike(what, why) => write!(f, "looks like a {what} but can't be read as one: {why}"),
        }
    }
}

impl std::error::Error for NotResults {}

impl Results {
    /// Reads the text of a `results.json`.
    ///
    /// # Errors
    /// When it is neither a review nor a comparison of the format that this program writes.
    pub fn read(text: &str) -> Result<Self, NotResults> {
        let value: serde_json::Value = serde_json::from_str(text).map_err(|error| NotResults::NotJson(error.to_string()))?;
        let has = |name: &str| value.get(name).is_some();
        if has("path") && has("limit") && has("answer") {
            return serde_json::from_str(text)
                .map(|watch| Self::Watch(Box::new(watch)))
                .map_err(|error| NotResults::Unlike("watch", error.to_string()));
        }
        let what = if has("endpoints") && has("recalls") {
            "review"
        } else if has("verdicts") && has("levels") {
            "comparison"
        } else {
            return Err(NotResults::Neither);
        };
        match value.get("format") {
            Some(format) if format.as_u64() == Some(FORMAT) => {}
            Some(other) => return Err(NotResults::OtherFormat(other.to_string())),
            None => return Err(NotResults::Neither),
        }
        let unlike = |error: serde_json::Error| NotResults::Unlike(what, error.to_string());
        if what == "review" {
            serde_json::from_str(text).map(|review| Self::Review(Box::new(review))).map_err(unlike)
        } else {
            serde_json::from_str(text).map(|comparison| Self::Comparison(Box::new(comparison))).map_err(unlike)
        }
    }

    /// What it is.
    pub const fn what(&self) -> &'static str {
        match self {
            Self::Review(_) => "review",
            Self::Comparison(_) => "comparison",
            Self::Watch(_) => "watch",
        }
    }
}

/// A kind of chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Survival with its intervals and counts.
    Survival,
    /// 1 − survival, likewise.
    CumulativeFailure,
    /// Annual failure beside published rates.
    AnnualFailure,
    /// Scores of a criterion at each recall.
    Criterion,
    /// How many were due, seen and scored.
    Recalls,
    /// How the levels differ in what matters.
    Balance,
    /// What goes with failure.
    Forest,
    /// From records to results.
    Flow,
    /// Failures and other endings counted together.
    Incidence,
    /// Failures known only to lie between two visits.
    BetweenVisits,
    /// Where restorations sit.
    Mouth,
    /// Failures year by year.
    Yearly,
    /// The course of each restoration.
    Timeline,
    /// Failures watched over the calendar.
    Cusum,
    /// Units side by side.
    Funnel,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 15] = [
        Self::Survival,
        Self::CumulativeFailure,
        Self::AnnualFailure,
        Self::Criterion,
        Self::Recalls,
        Self::Balance,
        Self::Forest,
        Self::Flow,
        Self::Incidence,
        Self::BetweenVisits,
        Self::Mouth,
        Self::Yearly,
        Self::Timeline,
        Self::Cusum,
        Self::Funnel,
    ];

    /// Whether it shows dates, single restorations or numbers that add up, which are nothing for people from outside the practice.
    pub const fn in_house(self) -> bool {
        match self {
            Self::Survival
            | Self::CumulativeFailure
            | Self::AnnualFailure
            | Self::Criterion
            | Self::Recalls
            | Self::Balance
            | Self::Forest => false,
            Self::Flow
            | Self::Incidence
            | Self::BetweenVisits
            | Self::Mouth
            | Self::Yearly
            | Self::Timeline
            | Self::Cusum
            | Self::Funnel => true,
        }
    }

    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Survival => "survival",
            Self::CumulativeFailure => "cumulative_failure",
            Self::AnnualFailure => "annual_failure",
            Self::Criterion => "criterion",
            Self::Recalls => "recalls",
            Self::Balance => "balance",
            Self::Forest => "forest",
            Self::Flow => "flow",
            Self::Incidence => "incidence",
            Self::BetweenVisits => "between_visits",
            Self::Mouth => "mouth",
            Self::Yearly => "yearly",
            Self::Timeline => "timeline",
            Self::Cusum => "cusum",
            Self::Funnel => "funnel",
        }
    }
}

/// A chart that a result offers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offered {
    /// Its kind.
    pub kind: Kind,
    /// The endpoint, where there are several.
    pub endpoint: Option<String>,
    /// The factor whose levels it shows, or `all`, where there is a choice.
    pub factor: Option<String>,
    /// The criterion.
    pub criterion: Option<Criterion>,
}

impl Offered {
    const fn only(kind: Kind) -> Self {
        Self { kind, endpoint: None, factor: None, criterion: None }
    }

    fn of(kind: Kind, endpoint: &EndpointReview, factor: &str) -> Self {
        Self { endpoint: Some(endpoint.name.clone()), factor: Some(factor.to_owned()), ..Self::only(kind) }
    }

    /// How it is asked for, as options of the command.
    pub fn options(&self) -> String {
        let mut text = format!("--chart {}", self.kind.name());
        let criterion = self.criterion.map(|criterion| criterion.code().to_owned());
        for (option, value) in [("endpoint", &self.endpoint), ("criterion", &criterion), ("factor", &self.factor)] {
            if let Some(value) = value {
                text.push_str(&format!(" --{option} {value}"));
            }
        }
        text
    }
}

/// All charts that results offer, in the order of their pages.
pub fn offered(results: &Results) -> Vec<Offered> {
    match results {
        Results::Review(review) => of_review(review),
        Results::Comparison(comparison) => {
            let computed = comparison.together.computed().is_some();
            let scored = |criterion: &Criterion| comparison.criteria.iter().any(|one| one.criterion == *criterion);
            let criteria = Criterion::ALL.into_iter().filter(scored);
            let mut all: Vec<Offered> =
                [Kind::Survival, Kind::CumulativeFailure, Kind::AnnualFailure, Kind::Balance].map(Offered::only).to_vec();
            all.extend((!comparison.crude.between_visits_curves.is_empty()).then_some(Offered::only(Kind::BetweenVisits)));
            let counted = comparison.crude.incidence.as_ref().is_some_and(|incidence| !incidence.curves.is_empty());
            all.extend(counted.then_some(Offered::only(Kind::Incidence)));
            all.extend(criteria.map(|criterion| Offered { criterion: Some(criterion), ..Offered::only(Kind::Criterion) }));
            all.extend(computed.then_some(Offered::only(Kind::Forest)));
            all.push(Offered::only(Kind::Flow));
            all
        }
        Results::Watch(watch) => {
            let mut all = vec![Offered::only(Kind::Cusum)];
            all.extend(watch.funnel.is_some().then_some(Offered::only(Kind::Funnel)));
            all
        }
    }
}

fn few(factor: &&FactorReview) -> bool {
    factor.groups.len() <= MOST_LEVELS
}

fn of_review(review: &Review) -> Vec<Offered> {
    let mut all = Vec::new();
    for kind in [Kind::Survival, Kind::CumulativeFailure] {
        for endpoint in &review.endpoints {
            all.push(Offered::of(kind, endpoint, "all"));
            for factor in endpoint.factors.iter().filter(few) {
                all.push(Offered::of(kind, endpoint, &factor.factor));
            }
        }
    }
    for endpoint in &review.endpoints {
        for factor in endpoint.factors.iter().filter(few) {
            all.push(Offered::of(Kind::AnnualFailure, endpoint, &factor.factor));
        }
    }
    let mut met: Vec<(Criterion, &str)> = Vec::new();
    for entry in review.criteria.iter().filter(|entry| entry.scheme.is_none()) {
        let drawn = entry.factor == "all" || factor(review, None, &entry.factor).as_ref().is_some_and(few);
        let next = (entry.criterion, entry.factor.as_str());
        if drawn && !met.contains(&next) {
            met.push(next);
        }
    }
    for (criterion, factor) in met {
        let (criterion, factor) = (Some(criterion), Some(factor.to_owned()));
        all.push(Offered { criterion, factor, ..Offered::only(Kind::Criterion) });
    }
    all.push(Offered::only(Kind::Recalls));
    for endpoint in &review.endpoints {
        let only = |kind: Kind| Offered { endpoint: Some(endpoint.name.clone()), ..Offered::only(kind) };
        all.extend((!endpoint.years.is_empty()).then(|| only(Kind::Yearly)));
        all.extend((!endpoint.teeth.is_empty()).then(|| only(Kind::Mouth)));
        all.extend((!endpoint.courses.is_empty()).then(|| only(Kind::Timeline)));
    }
    all
}

fn endpoint<'a>(review: &'a Review, name: Option<&str>) -> Option<&'a EndpointReview> {
    match name {
        Some(name) => review.endpoints.iter().find(|endpoint| endpoint.name == name),
        None => review.endpoints.first(),
    }
}

fn factor<'a>(review: &'a Review, of: Option<&str>, name: &str) -> Option<&'a FactorReview> {
    endpoint(review, of)?.factors.iter().find(|factor| factor.factor == name)
}

/// Draws a chart that these results offer; none where they don't. The scale is that of survival.
pub fn draw(results: &Results, chart: &Offered, scale: Scale, stage: &Stage) -> Option<Drawing> {
    match results {
        Results::Review(review) => of_a_review(review, chart, scale, stage),
        Results::Comparison(comparison) => match chart.kind {
            Kind::Survival => Some(comparison_charts::survival_on(comparison, scale, stage)),
            Kind::CumulativeFailure => Some(comparison_charts::survival_on(comparison, Scale::Failed, stage)),
            Kind::AnnualFailure => Some(comparison_charts::annual_failure_on(comparison, stage)),
            Kind::Balance => Some(comparison_charts::balance_on(comparison, stage)),
            Kind::Forest => comparison_charts::forest_on(comparison, stage),
            Kind::Flow => Some(comparison_charts::flow_on(comparison, stage)),
            Kind::Criterion => comparison_charts::criterion_on(comparison, chart.criterion?, stage),
            Kind::Incidence => level_curve_charts::incidence_on(comparison, stage),
            Kind::BetweenVisits => level_curve_charts::between_visits_on(comparison, scale == Scale::Zoomed, stage),
            Kind::Recalls | Kind::Mouth | Kind::Yearly | Kind::Timeline | Kind::Cusum | Kind::Funnel => None,
        },
        Results::Watch(watch) => match chart.kind {
            Kind::Cusum => Some(watch_charts::cusum_on(watch, stage)),
            Kind::Funnel => watch_charts::funnel_on(watch, stage),
            _ => None,
        },
    }
}

fn of_a_review(review: &Review, chart: &Offered, scale: Scale, stage: &Stage) -> Option<Drawing> {
    let of = chart.endpoint.as_deref();
    let by = chart.factor.as_deref().and_then(|name| factor(review, of, name));
    match chart.kind {
        Kind::Survival => Some(charts::survival_on(review, endpoint(review, of)?, by, scale, stage)),
        Kind::CumulativeFailure => Some(charts::survival_on(review, endpoint(review, of)?, by, Scale::Failed, stage)),
        Kind::AnnualFailure => {
            Some(charts::annual_failure_on(review, endpoint(review, of)?, by?, AnnualFormula::Geometric, stage))
        }
        Kind::Criterion => charts::criterion_on(review, chart.criterion?, by, stage),
        // Without any recall the chart would say that none has come due.
        Kind::Recalls if stage.readers == Readers::Others && review.recalls.is_empty() => None,
        Kind::Recalls => Some(charts::recalls_on(review, stage)),
        Kind::Mouth => Some(course_charts::mouth_on(endpoint(review, of)?, stage)),
        Kind::Yearly => Some(course_charts::yearly_on(review, endpoint(review, of)?, stage)),
        Kind::Timeline => course_charts::timeline_on(endpoint(review, of)?, stage),
        Kind::Balance | Kind::Forest | Kind::Flow | Kind::Incidence | Kind::BetweenVisits | Kind::Cusum | Kind::Funnel => {
            None
        }
    }
}
