//! The whole review: records and protocol in, plain results out.

use std::fmt;
use std::sync::OnceLock;

use sha2::{Digest, Sha256};

use super::benchmark::benchmarks;
use super::caution::cautions;
use super::comparison::factor_review;
use super::course::{courses, failed, teeth, years};
use super::group::group_review;
use super::recall::recalls_and_criteria;
use super::score_tally::ScoreGroups;
use crate::cohort::follow_up::follow_under_all;
use crate::cohort::history::threads_for;
use crate::cohort::{FactorLevels, Histories, factor_levels};
use crate::finding::{FindingKind, Findings, Severity};
use crate::protocol::Protocol;
use crate::protocol::settings::months;
use crate::quantity::Day;
use crate::record::factors::{choices, known_factors};
use crate::result::{
    BETWEEN_VISITS_ROWS, CriterionReview, EndpointFlow, EndpointReview, FactorReview, FailedRestoration, GroupReview,
    NoticeCount, RecallReview, Review, ToothCount, Totals, YearReview,
};
use crate::stats::{Clustered, GroupingError};
use crate::table::{PlacementTable, TableError};
use crate::threads::in_turn;
use crate::wording::hexadecimal;

/// The layout of `results.json`.
const FORMAT: u32 = 1;

/// What a review needs.
pub struct ReviewRequest<'a> {
    /// Placements.
    pub placements: &'a PlacementTable,
    /// Restorations with their visits as they stood on the day of the review, checked.
    pub histories: &'a Histories,
    /// The protocol.
    pub protocol: &'a Protocol,
    /// Factors to compare.
    pub factors: &'a [String],
    /// What was found in single rows; only cautions.
    pub of_rows: &'a Findings,
    /// What was found where the rows up to the day of the review meet; only cautions.
    pub of_histories: &'a Findings,
    /// Whether there are records later than the day of the review.
    pub later_records: bool,
    /// SHA-256 over the record files.
    pub data_fingerprint: &'a str,
}

/// Why there is no review.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AnalysisError {
    /// A factor that the records don't have.
    UnknownFactor(String, Vec<String>),
    /// A table without the columns it should have: a fault of the program.
    Table(TableError),
    /// A level outside its list: a fault of the program.
    Grouping(GroupingError),
}

impl fmt::Display for AnalysisError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownFactor(name, own) => {
                write!(f, "there is no factor {name}; choose one of: {}", choices(&known_factors(), own))
            }
            Self::Table(error) => error.fmt(f),
            Self::Grouping(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for AnalysisError {}

impl From<TableError> for AnalysisError {
    fn from(error: TableError) -> Self {
        Self::Table(error)
    }
}

impl From<GroupingError> for AnalysisError {
    fn from(error: GroupingError) -> Self {
        Self::Grouping(error)
    }
}

/// Reviews the records.
///
/// # Errors
/// When a factor is not in the records.
pub fn review(request: &ReviewRequest<'_>) -> Result<Review, AnalysisError> {
    let ReviewRequest { placements, histories, protocol, .. } = *request;
    let threads = threads_for(histories.looks.len());
    let levels = |name: &String| -> Result<FactorLevels, AnalysisError> {
        factor_levels(name, &protocol.own_factors, placements, histories)?
            .ok_or_else(|| AnalysisError::UnknownFactor(name.clone(), protocol.own_factors.clone()))
    };
    let factors: Vec<FactorLevels> = in_turn(request.factors, threads, levels).into_iter().collect::<Result<_, _>>()?;
    let follow_ups = follow_under_all(histories, &protocol.endpoints, protocol.failure_day);
    let places = 0..follow_ups.len();
    // What takes longest first, so that no thread has much to do when the others are done.
    let mut tasks: Vec<Task> = Vec::new();
    tasks.extend(places.clone().flat_map(|one| (0..factors.len()).map(move |factor| Task::Levels(one, factor))));
    tasks.extend(places.clone().map(Task::All));
    // Done long before the recalls, which need them.
    tasks.push(Task::ScoreGroups);
    tasks.extend(places.clone().flat_map(|one| [Task::Teeth(one), Task::Years(one), Task::Failed(one)]));
    tasks.push(Task::Span);
    // All threads share in this one, so it is the last: whoever is done before has enough to do.
    tasks.push(Task::Recalls);
    let score_groups = OnceLock::new();
    let groups = || score_groups.get_or_init(|| ScoreGroups::new(&factors, histories.len()));
    let done = in_turn(&tasks, threads, |task| -> Result<Done, AnalysisError> {
        Ok(match *task {
            Task::Levels(one, factor) => Done::Levels(factor_review(&factors[factor], &follow_ups[one], protocol)?),
            Task::All(one) => {
                let clustered = Clustered::of(&follow_ups[one].observations);
                Done::All(Box::new(group_review(
                    "all",
                    "All",
                    &clustered,
                    &follow_ups[one].intervals(BETWEEN_VISITS_ROWS),
                    protocol,
                )))
            }
            Task::Teeth(one) => Done::Teeth(teeth(placements, histories, &follow_ups[one], protocol)?),
            Task::Years(one) => Done::Years(years(histories, &follow_ups[one], protocol)),
            Task::Failed(one) => Done::Failed(failed(placements, histories, &follow_ups[one], &factors, protocol)?),
            Task::Span => Done::Span(histories.span()),
            Task::ScoreGroups => {
                groups();
                Done::ScoreGroups
            }
            Task::Recalls => Done::Recalls(recalls_and_criteria(histories, groups(), &factors, protocol)),
        })
    });
    let mut parts: Vec<Parts> = places.map(|_| Parts::default()).collect();
    let (mut span_of_days, mut recalls, mut criteria) = (None, Vec::new(), Vec::new());
    for (task, done) in tasks.iter().zip(done) {
        match (done?, task.endpoint()) {
            (Done::Span(span), _) => span_of_days = span,
            (Done::Recalls(all), _) => (recalls, criteria) = all,
            (done, Some(endpoint)) => parts[endpoint].take(done),
            (_, None) => {}
        }
    }
    let mut endpoints = Vec::new();
    for ((endpoint, follow_up), parts) in protocol.endpoints.iter().zip(&follow_ups).zip(parts) {
        let Parts { all: Some(all), factors, teeth: (teeth, teeth_hidden), years, failed } = parts else { continue };
        endpoints.push(EndpointReview {
            teeth,
            teeth_hidden,
            years,
            failed,
            courses: courses(histories, follow_up, protocol),
            name: endpoint.name.clone(),
            title: endpoint.title.clone(),
            survival_title: endpoint.survival_title.clone(),
            definition: endpoint.definition.clone(),
            all: *all,
            flow: EndpointFlow {
                excluded: follow_up.excluded.clone(),
                analysed: follow_up.observations.len() as u64,
                never_seen: follow_up.never_seen,
                delayed_entries: follow_up.delayed,
                reported_failures: follow_up.reported_failures,
            },
            factors,
        });
    }
    let notices = |findings: &Findings| -> Vec<(FindingKind, u64)> {
        findings.by_kind().into_iter().filter(|(kind, _)| kind.severity() == Severity::Caution).collect()
    };
    let of_histories = notices(request.of_histories);
    let (mut flow, mut totals, mut found) = (histories.flow.clone(), Totals::default(), Vec::new());
    if let Some(headline) = follow_ups.first() {
        flow.excluded.extend(headline.excluded.iter().cloned());
        flow.analysed = headline.observations.len() as u64;
        flow.visits_used = histories.looks.len() as u64;
        totals = Totals {
            restorations: flow.analysed,
            patients: u64::from(headline.patients),
            visits: flow.visits_used,
            failures: endpoints.first().map_or(0, |endpoint| endpoint.all.behind.failures),
        };
        found = cautions(&endpoints, &recalls, headline, &of_histories, protocol);
    }
    Ok(Review {
        format: FORMAT,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        title: protocol.title.clone(),
        as_of: histories.as_of,
        first_day: span_of_days.map(|(first, _)| first),
        last_day: span_of_days.map(|(_, last)| last),
        protocol_fingerprint: hexadecimal(&Sha256::digest(protocol.canonical_text())),
        data_fingerprint: request.data_fingerprint.to_owned(),
        confidence_level: protocol.confidence_level,
        interval_method: protocol.interval_method.into(),
        variance: protocol.variance,
        failure_day: protocol.failure_day,
        headline_day: months(protocol.headline_months),
        least_at_risk: protocol.least_at_risk,
        totals,
        flow,
        endpoints,
        recalls,
        criteria,
        benchmarks: benchmarks(request.factors),
        cautions: found,
        notices: notice_counts(notices(request.of_rows), request.later_records)
            .chain(notice_counts(of_histories, false))
            .collect(),
    })
}

/// What is reviewed on whatever thread is free: of an endpoint, by its place, levels also by the place of their factor; or of all records.
enum Task {
    Levels(usize, usize),
    All(usize),
    Teeth(usize),
    Years(usize),
    Failed(usize),
    Span,
    ScoreGroups,
    Recalls,
}

impl Task {
    const fn endpoint(&self) -> Option<usize> {
        match *self {
            Self::Levels(one, _) | Self::All(one) | Self::Teeth(one) | Self::Years(one) | Self::Failed(one) => Some(one),
            Self::Span | Self::ScoreGroups | Self::Recalls => None,
        }
    }
}

/// What a task gives.
enum Done {
    Levels(FactorReview),
    All(Box<GroupReview>),
    Teeth((Vec<ToothCount>, u64)),
    Years(Vec<YearReview>),
    Failed(Vec<FailedRestoration>),
    Span(Option<(Day, Day)>),
    ScoreGroups,
    Recalls((Vec<RecallReview>, Vec<CriterionReview>)),
}

/// What the tasks of one endpoint gave.
#[derive(Default)]
struct Parts {
    all: Option<Box<GroupReview>>,
    /// In the order of the factors.
    factors: Vec<FactorReview>,
    teeth: (Vec<ToothCount>, u64),
    years: Vec<YearReview>,
    failed: Vec<FailedRestoration>,
}

impl Parts {
    /// Takes what a task gave, in the order of the tasks.
    fn take(&mut self, done: Done) {
        match done {
            Done::Levels(levels) => self.factors.push(levels),
            Done::All(all) => self.all = Some(all),
            Done::Teeth(teeth) => self.teeth = teeth,
            Done::Years(years) => self.years = years,
            Done::Failed(failed) => self.failed = failed,
            // These are of no endpoint.
            Done::Span(_) | Done::ScoreGroups | Done::Recalls(_) => {}
        }
    }
}

fn notice_counts(counts: Vec<(FindingKind, u64)>, over_all_records: bool) -> impl Iterator<Item = NoticeCount> {
    counts.into_iter().map(move |(kind, count)| NoticeCount {
        code: kind.code().to_owned(),
        title: kind.title().to_owned(),
        count,
        over_all_records,
    })
}
