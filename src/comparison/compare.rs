//! The whole comparison: records and protocol in, plain results out.

use std::fmt;
use std::panic::resume_unwind;
use std::thread;

use sha2::{Digest, Sha256};

use super::adjusted::adjusted;
use super::asked::Questions;
use super::criteria::{ScoredColumns, criteria};
use super::crude::crude;
use super::guards::{Weighed, guards, not_proportional};
use super::published::published;
use super::rows::{ComparedRecords, Source};
use super::together::together;
use super::verdict::{Findings, computed_pairs, verdicts};
use super::within::{shared_patients, within_patients};
use crate::analysis::group::group_review;
use crate::analysis::recall::{recall_counts, recall_reviews};
use crate::cohort::follow_up::follow_all;
use crate::cohort::recall::{Due, WindowDays, due, scores_of};
use crate::cohort::{Histories, factor_levels};
use crate::protocol::{FailureDayReading, Protocol, RecallWindow};
use crate::quantity::{Day, Fraction};
use crate::record::Criterion;
use crate::record::factors::{choices, known_factors};
use crate::result::{
    BETWEEN_VISITS_ROWS, ComparedEndpoint, ComparedFactor, ComparedLevel, Comparison, EndpointFlow, Exclusion, Flow,
};
use crate::stats::{Clustered, Grouping, NO_GROUP};
use crate::table::{PlacementTable, TableError};
use crate::threads::{available, in_turn};
use crate::wording::hexadecimal;

/// The layout of the comparison's `results.json`.
const FORMAT: u32 = 1;

/// What a comparison needs.
pub struct CompareRequest<'a> {
    /// Placements.
    pub placements: &'a PlacementTable,
    /// Restorations with their visits as they stood on the day of the comparison, checked.
    pub histories: &'a Histories,
    /// The protocol.
    pub protocol: &'a Protocol,
    /// The factor.
    pub factor: &'a str,
    /// The endpoint's name; the protocol's first if none.
    pub endpoint: Option<&'a str>,
    /// The level that others are compared with, by code or label.
    pub reference: Option<&'a str>,
    /// SHA-256 over the record files.
    pub data_fingerprint: &'a str,
}

/// Why there is no comparison.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CompareError {
    /// A factor that the records don't have.
    UnknownFactor(String, Vec<String>),
    /// An endpoint that the protocol doesn't have, with those it has.
    UnknownEndpoint(String, Vec<String>),
    /// A level that nobody has, with those there are.
    UnknownLevel(String, Vec<String>),
    /// The protocol's reference level of the factor, which nobody has, with those there are.
    UnknownReference(String, String, Vec<String>),
    /// No restoration was under observation.
    NothingFollowed,
    /// No restoration has a value of the factor.
    NothingToCompare(String),
    /// A table without the columns it should have: a fault of the program.
    Table(TableError),
}

impl fmt::Display for CompareError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownFactor(name, own) => {
                write!(f, "there is no factor {name}; choose one of: {}", choices(&known_factors(), own))
            }
            Self::UnknownEndpoint(name, known) => {
                write!(f, "the protocol has no endpoint {name}; choose one of: {}", known.join(", "))
            }
            Self::UnknownLevel(name, known) => {
                write!(f, "no restoration is of the level {name}; there are: {}", known.join(", "))
            }
            Self::UnknownReference(factor, level, known) => write!(
                f,
                "the protocol holds {factor} against {level}, a level that no restoration is of; there are: {}",
                known.join(", ")
            ),
            Self::NothingFollowed => f.write_str("no restoration was under observation by then"),
            Self::NothingToCompare(name) => write!(f, "no restoration that is followed has a value of {name}"),
            Self::Table(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for CompareError {}

impl From<TableError> for CompareError {
    fn from(error: TableError) -> Self {
        Self::Table(error)
    }
}

/// Compares the levels of a factor.
///
/// # Errors
/// When factor, endpoint, covariate or reference is not in the records or the protocol.
pub fn compare(request: &CompareRequest<'_>) -> Result<Comparison, CompareError> {
    let CompareRequest { placements, histories, protocol, .. } = *request;
    let factor = factor_levels(request.factor, &protocol.own_factors, placements, histories)?
        .ok_or_else(|| CompareError::UnknownFactor(request.factor.to_owned(), protocol.own_factors.clone()))?;
    if request.reference.is_none()
        && let Some(named) = protocol.reference_levels.get(&factor.name).filter(|name| factor.named(name).is_none())
    {
        let known = factor.levels.iter().map(|(code, _)| code.clone()).collect();
        return Err(CompareError::UnknownReference(factor.name, named.clone(), known));
    }
    let endpoint = match request.endpoint {
        None => protocol.endpoints.first(),
        Some(name) => protocol.endpoints.iter().find(|endpoint| endpoint.name == name),
    }
    .ok_or_else(|| {
        let known = protocol.endpoints.iter().map(|endpoint| endpoint.name.clone()).collect();
        CompareError::UnknownEndpoint(request.endpoint.unwrap_or_default().to_owned(), known)
    })?;
    let follow_up = follow_all(histories, endpoint, protocol.failure_day);
    let due = due(histories, &protocol.recalls);
    let source = Source { placements, histories, follow_up: &follow_up, due: &due, protocol };
    let records = source.rows(&factor, request.reference)?;
    if follow_up.observations.is_empty() {
        return Err(CompareError::NothingFollowed);
    }
    if records.rows.observations.is_empty() {
        return Err(CompareError::NothingToCompare(factor.name));
    }
    if let Some(wanted) = request.reference
        && records.level_named(wanted).is_none()
    {
        return Err(CompareError::UnknownLevel(wanted.to_owned(), records.codes));
    }
    let asked = Questions::of(protocol);
    let rows = &records.rows;
    let placed: Vec<i32> = records.restoration.iter().map(|&place| histories.placed[place as usize]).collect();
    let level_of_restoration = level_of_restoration(&records, histories.len());
    // Adjusting takes as long as all the others, and neither knows of the other.
    let (with_adjustment, levels, crude, together) = thread::scope(|scope| {
        let adjusting = scope.spawn(|| adjusted(rows, &asked));
        let levels = levels(&records, &placed, &level_of_restoration, &source);
        let (crude, together) = (crude(rows, &asked), together(rows, &factor.label, &asked));
        (adjusting.join().unwrap_or_else(|panic| resume_unwind(panic)), levels, crude, together)
    });
    let levels = levels?;
    let published = published(&factor.name, &records.codes);
    let guards = guards(
        &Weighed {
            rows,
            factor: &factor.name,
            origin: factor.origin,
            levels: &levels,
            placed: &placed,
            missing: records.missing,
            hidden: records.hidden,
            levels_together: records.levels_together,
            crude: &crude,
            adjusted: &with_adjustment.adjusted,
            balance: &with_adjustment.balance,
            together: &together,
            failure_day: protocol.failure_day,
            delayed: follow_up.delayed,
        },
        &asked,
    );
    let pairs: Vec<_> = crude.contrasts.iter().map(|pair| (pair.level, pair.comparison.clone())).collect();
    let verdicts = verdicts(
        &Findings {
            rows,
            codes: &records.codes,
            crude: &pairs,
            adjusted: computed_pairs(&with_adjustment.adjusted),
            not_proportional: not_proportional(&crude).is_some(),
            between_visits: if protocol.failure_day == FailureDayReading::DayFound { &crude.between_visits } else { &[] },
            published: &published,
            placed: &placed,
        },
        &asked,
    );
    let scored = scored(&level_of_restoration, &source);
    let span_of_days = histories.span();
    let not_compared = [
        (records.missing, format!("no value of {} recorded", factor.label.to_lowercase())),
        (records.hidden, "of a level with fewer patients than the protocol shows".to_owned()),
    ];
    Ok(Comparison {
        format: FORMAT,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        title: format!("{} by {}", endpoint.title, factor.label.to_lowercase()),
        as_of: histories.as_of,
        first_day: span_of_days.map(|(first, _)| first),
        last_day: span_of_days.map(|(_, last)| last),
        protocol_fingerprint: hexadecimal(&Sha256::digest(protocol.canonical_text())),
        data_fingerprint: request.data_fingerprint.to_owned(),
        confidence_level: protocol.confidence_level,
        interval_method: protocol.interval_method.into(),
        variance: protocol.variance,
        failure_day: protocol.failure_day,
        headline_day: asked.headline,
        restricted_mean_day: asked.mean_until,
        least_at_risk: protocol.least_at_risk,
        relevant_difference: Fraction::new(protocol.relevant_difference),
        factor: ComparedFactor { name: factor.name.clone(), label: factor.label.clone(), origin: factor.origin },
        endpoint: ComparedEndpoint {
            name: endpoint.name.clone(),
            title: endpoint.title.clone(),
            survival_title: endpoint.survival_title.clone(),
            definition: endpoint.definition.clone(),
        },
        flow: Flow { analysed: histories.len() as u64, visits_used: histories.looks.len() as u64, ..histories.flow.clone() },
        endpoint_flow: EndpointFlow {
            excluded: follow_up.excluded.clone(),
            analysed: follow_up.observations.len() as u64,
            never_seen: follow_up.never_seen,
            delayed_entries: follow_up.delayed,
            reported_failures: follow_up.reported_failures,
        },
        not_compared: not_compared
            .into_iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, reason)| Exclusion { reason, count })
            .collect(),
        levels,
        reference: rows.reference,
        shared: shared_patients(rows),
        balance: with_adjustment.balance,
        crude,
        adjusted: with_adjustment.adjusted,
        within_patients: within_patients(rows, &asked),
        criteria: criteria(&scored, rows.reference, protocol),
        together,
        published,
        guards,
        verdicts,
    })
}

/// What each level is.
fn levels(
    records: &ComparedRecords,
    placed: &[i32],
    level_of_restoration: &Grouping,
    source: &Source<'_>,
) -> Result<Vec<ComparedLevel>, CompareError> {
    let rows = &records.rows;
    let operators = factor_levels("operator", &[], source.placements, source.histories)?;
    let (mut all, intervals) = (Vec::new(), rows.intervals().by_group(&rows.levels));
    let counts = recall_counts(source.histories, level_of_restoration, source.protocol);
    let thinned = |level: u16| {
        let intervals = &intervals[usize::from(level)];
        intervals.every(intervals.len().div_ceil(BETWEEN_VISITS_ROWS))
    };
    for (level, observations) in (0_u16..).zip(rows.observations.by_group(&rows.levels)) {
        let (code, label) = (&records.codes[usize::from(level)], &rows.labels[usize::from(level)]);
        let places = || (0..rows.observations.len()).filter(move |&row| rows.levels.codes()[row] == level);
        let mut days: Vec<i32> = places().map(|row| placed[row]).collect();
        days.sort_unstable();
        let day = |place: usize| Day::from_epoch(days.get(place).copied().unwrap_or(0));
        let mut names: Vec<u16> = operators
            .iter()
            .flat_map(|operators| places().map(|row| operators.codes[records.restoration[row] as usize]))
            .filter(|&code| code != NO_GROUP)
            .collect();
        names.sort_unstable();
        names.dedup();
        all.push(ComparedLevel {
            group: group_review(code, label, &Clustered::of(&observations), &thinned(level), source.protocol),
            operators: names.len() as u64,
            first_placed: day(0),
            last_placed: day(days.len().saturating_sub(1)),
            early_quarter: day(days.len() / 4),
            late_quarter: day(days.len().saturating_sub(1) * 3 / 4),
            recalls: recall_reviews(&counts[usize::from(level)], source.protocol),
        });
    }
    Ok(all)
}

fn level_of_restoration(records: &ComparedRecords, restorations: usize) -> Grouping {
    let mut levels = vec![NO_GROUP; restorations];
    for (&place, &level) in records.restoration.iter().zip(records.rows.levels.codes()) {
        levels[place as usize] = level;
    }
    Grouping::new(levels, records.rows.levels.levels()).unwrap_or_default()
}

/// Scores by level at each recall after placement, and at placement itself.
fn scored(level_of_restoration: &Grouping, source: &Source<'_>) -> Vec<ScoredColumns> {
    let levels = level_of_restoration.levels();
    let recalls: Vec<_> = source.protocol.recalls.iter().zip(source.due).collect();
    let by_criterion = |&(window, due): &(&RecallWindow, &Vec<Due>)| {
        let mut columns = Criterion::ALL.map(|_| (Vec::new(), Vec::new(), Vec::new()));
        for due in due.iter().filter(|due| due.scored) {
            let level = level_of_restoration.codes()[due.restoration as usize];
            if level == NO_GROUP {
                continue;
            }
            let patient = source.histories.patient[due.restoration as usize];
            let found = scores_of(source.histories, *due, WindowDays::from(*window));
            for ((criterion, columns), score) in Criterion::ALL.into_iter().zip(&mut columns).zip(found) {
                if let Some(standing) = score.and_then(|(scheme, score)| scheme.standing(criterion, score)) {
                    columns.0.push(level);
                    columns.1.push(standing);
                    columns.2.push(patient);
                }
            }
        }
        let columns = Criterion::ALL.into_iter().zip(columns);
        let named = columns.map(|(criterion, (levels_of, standings, patients))| ScoredColumns {
            criterion,
            months: window.months,
            levels: Grouping::new(levels_of, levels).unwrap_or_default(),
            standings,
            patients,
        });
        named.collect::<Vec<_>>()
    };
    let by_recall = in_turn(&recalls, available(), by_criterion);
    let mut all: Vec<ScoredColumns> = by_recall.into_iter().flatten().collect();
    all.retain(|columns| columns.criterion != Criterion::Retention && !columns.standings.is_empty());
    // Criterion by criterion, recalls in their order.
    all.sort_by_key(|columns| Criterion::ALL.iter().position(|criterion| *criterion == columns.criterion));
    all
}
