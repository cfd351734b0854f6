//! Recalls and criteria scores, with Wilson's intervals.

use super::patient_by_patient::patient_by_patient;
use super::score_tally::{Counter, Patients, RecallTally, SchemeTally, ScoreCounters, ScoreGroups, ScoreTally, Tally};
use crate::cohort::recall::{Due, WindowDays};
use crate::cohort::{FactorLevels, Histories, Look};
use crate::protocol::{Protocol, RecallWindow};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};
use crate::record::{Criterion, Scheme, Standing};
use crate::result::{CriterionReview, LevelShare, RecallReview, ScoreCount};
use crate::stats::{Grouping, wilson_interval};

/// Restorations, and the patients behind them, at one recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecallCount {
    due: u64,
    seen: u64,
    scored: u64,
    patients_due: u64,
    patients_seen: u64,
    /// The patients of whom a restoration was due, and seen, last: each counts once.
    last_due: u32,
    last_seen: u32,
}

/// Stands for no patient.
const NOBODY: u32 = u32::MAX;

impl RecallCount {
    const NONE: Self =
        Self { due: 0, seen: 0, scored: 0, patients_due: 0, patients_seen: 0, last_due: NOBODY, last_seen: NOBODY };

    /// Adds a restoration of a patient that was due. Those of one patient come one after the other.
    #[inline]
    fn add_due(&mut self, patient: u32, due: Due) {
        self.due += 1;
        self.patients_due += u64::from(self.last_due != patient);
        self.last_due = patient;
        self.scored += u64::from(due.scored);
        self.seen += u64::from(due.seen);
        self.patients_seen += u64::from(due.seen && self.last_seen != patient);
        self.last_seen = if due.seen { patient } else { self.last_seen };
    }

    /// Adds those of other patients.
    fn add(&mut self, other: &Self) {
        self.due += other.due;
        self.seen += other.seen;
        self.scored += other.scored;
        self.patients_due += other.patients_due;
        self.patients_seen += other.patients_seen;
    }
}

/// Counts of other patients added place by place.
fn add_counts(mut all: Vec<RecallCount>, others: Vec<RecallCount>) -> Vec<RecallCount> {
    all.iter_mut().zip(others).for_each(|(all, other)| all.add(&other));
    all
}

/// Who was due, seen and scored at each recall of the protocol, by level; `levels` tells that of each restoration.
pub fn recall_counts(histories: &Histories, levels: &Grouping, protocol: &Protocol) -> Vec<Vec<RecallCount>> {
    let count = usize::from(levels.levels());
    let recalls = protocol.recalls.len();
    // By level, then recall.
    let state = || vec![RecallCount::NONE; count * recalls];
    let counted = patient_by_patient(histories, &protocol.recalls, state, |counts, recall, patient, due, _| {
        let level = usize::from(levels.codes()[due.restoration as usize]);
        if level < count {
            counts[level * recalls + recall].add_due(patient, due);
        }
    });
    let all = counted.into_iter().reduce(add_counts).unwrap_or_default();
    if recalls == 0 { vec![Vec::new(); count] } else { all.chunks(recalls).map(<[_]>::to_vec).collect() }
}

/// What each recall of the protocol came to.
pub fn recall_reviews(counts: &[RecallCount], protocol: &Protocol) -> Vec<RecallReview> {
    let review = |(window, count): (&RecallWindow, &RecallCount)| RecallReview {
        months: window.months,
        opens: window.opens(),
        closes: window.closes(),
        due: count.due,
        seen: count.seen,
        scored: count.scored,
        patients_due: count.patients_due,
        patients_seen: count.patients_seen,
        share_seen: match share(count.seen, count.due, protocol.confidence_level) {
            (Known::Known(share), Known::Known(interval)) => Known::Known((share, interval)),
            (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
        },
    };
    protocol.recalls.iter().zip(counts).map(review).collect()
}

fn share(part: u64, whole: u64, level: ConfidenceLevel) -> (Known<Fraction>, Known<ConfidenceInterval<Fraction>>) {
    if whole == 0 {
        return (Known::NotKnown(WhyNotKnown::NoObservations), Known::NotKnown(WhyNotKnown::NoObservations));
    }
    (Known::Known(Fraction::new(part as f64 / whole as f64)), wilson_interval(part, whole, level))
}

/// Recalls and criteria scores at each of them, of those due: for everybody, then by level of each factor, whose groups are given; pooled on
/// "acceptable or not" first, then by scheme.
pub fn recalls_and_criteria(
    histories: &Histories,
    groups: &ScoreGroups,
    factors: &[FactorLevels],
    protocol: &Protocol,
) -> (Vec<RecallReview>, Vec<CriterionReview>) {
    let patients = if protocol.smallest_cell > 0 { Patients::OfEachScore } else { Patients::Together };
    let scores = ScoreCounters::new(histories, groups, patients);
    let windows: Vec<WindowDays> = protocol.recalls.iter().map(|window| WindowDays::from(*window)).collect();
    let state = || (vec![RecallCount::NONE; windows.len()], scores.none_at_each(windows.len()));
    type State<'a> = (Vec<RecallCount>, Counter<'a>);
    let take = |(counts, counter): &mut State<'_>, recall: usize, patient: u32, due: Due, visits: &[Look]| {
        counts[recall].add_due(patient, due);
        if due.scored {
            counter.add(histories, patient, (recall, windows[recall]), due, visits);
        }
    };
    let counted = patient_by_patient(histories, &protocol.recalls, state, take);
    let (counts, counters): (Vec<_>, Vec<_>) = counted.into_iter().unzip();
    let counts = counts.into_iter().reduce(add_counts).unwrap_or_default();
    let tallies = scores.tallies(counters);
    (recall_reviews(&counts, protocol), criterion_reviews(&tallies, factors, protocol))
}

fn criterion_reviews(tallies: &[RecallTally], factors: &[FactorLevels], protocol: &Protocol) -> Vec<CriterionReview> {
    let mut reviews = Vec::new();
    for criterion in Criterion::ALL {
        for (window, tally) in protocol.recalls.iter().zip(tallies) {
            let mut add = |factor: &str, level: &str, label: &str, tally: Option<&ScoreTally>| {
                if let Some(tally) = tally {
                    Cell { criterion, factor, level, label, months: window.months }.reviews(tally, protocol, &mut reviews);
                }
            };
            add("all", "all", "All", tally.all(criterion));
            for (number, factor) in factors.iter().enumerate() {
                for (place, (level, label)) in factor.levels.iter().enumerate() {
                    add(&factor.name, level, label, tally.level(number, place, criterion));
                }
            }
        }
    }
    reviews
}

struct Cell<'a> {
    criterion: Criterion,
    factor: &'a str,
    level: &'a str,
    label: &'a str,
    months: u16,
}

impl Cell<'_> {
    fn reviews(&self, tally: &ScoreTally, protocol: &Protocol, reviews: &mut Vec<CriterionReview>) {
        reviews.extend(self.review(None, &tally.pooled(), protocol));
        for (scheme, of_scheme) in tally.by_scheme() {
            reviews.extend(self.review(Some(scheme), of_scheme, protocol));
        }
    }

    fn review(&self, scheme: Option<Scheme>, tally: &SchemeTally, protocol: &Protocol) -> Option<CriterionReview> {
        let smallest = u64::from(protocol.smallest_cell);
        if tally.all.patients() < smallest {
            return None;
        }
        let whole = tally.all.scored();
        let hidden = |part: &Tally| smallest > 0 && (1..smallest).contains(&part.patients());
        let shown = |count: u64| share(count, whole, protocol.confidence_level);
        let standings = [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable];
        if standings.iter().any(|standing| hidden(tally.standing(*standing))) {
            return None;
        }
        let standings = standings.map(|standing| {
            let count = tally.standing(standing).scored();
            let (share, interval) = shown(count);
            LevelShare { standing, count, share, interval }
        });
        let levels = scheme.map_or(&[][..], |scheme| scheme.levels(self.criterion));
        let counts = levels.iter().zip(&tally.levels).map(|(level, part)| {
            let (share, interval) = shown(part.scored());
            ScoreCount { score: level.score.to_string(), standing: level.standing, count: part.scored(), share, interval }
        });
        let any_hidden = levels.iter().zip(&tally.levels).any(|(_, part)| hidden(part));
        Some(CriterionReview {
            criterion: self.criterion,
            factor: self.factor.to_owned(),
            level: self.level.to_owned(),
            level_label: self.label.to_owned(),
            scheme,
            months: self.months,
            scored: whole,
            patients: tally.all.patients(),
            scores: if any_hidden { Vec::new() } else { counts.collect() },
            standings: standings.to_vec(),
        })
    }
}
