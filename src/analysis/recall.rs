//! Recalls and criteria scores, with Wilson's intervals.

use std::collections::BTreeMap;

use crate::cohort::recall::{Due, ScoredAt, due, scores};
use crate::cohort::{FactorLevels, Histories};
use crate::protocol::{Protocol, RecallWindow};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};
use crate::record::{Criterion, Scheme, Standing};
use crate::result::{CriterionReview, LevelShare, RecallReview, ScoreCount};
use crate::stats::{NO_GROUP, wilson_interval};

/// Which restorations were due at each recall of the protocol.
pub fn due_at_recalls(histories: &Histories, protocol: &Protocol) -> Vec<Vec<Due>> {
    protocol.recalls.iter().map(|window| due(histories, *window)).collect()
}

/// Who was due, seen and scored at each recall of the protocol.
pub fn recall_reviews(histories: &Histories, due: &[Vec<Due>], protocol: &Protocol) -> Vec<RecallReview> {
    let patients = |places: &mut dyn Iterator<Item = u32>| {
        let mut all: Vec<u32> = places.map(|place| histories.patient[place as usize]).collect();
        all.sort_unstable();
        all.dedup();
        all.len() as u64
    };
    let review = |(window, due): (&RecallWindow, &Vec<Due>)| {
        let seen = due.iter().filter(|due| due.seen).count() as u64;
        RecallReview {
            months: window.months,
            opens: window.opens(),
            closes: window.closes(),
            due: due.len() as u64,
            seen,
            scored: due.iter().filter(|due| due.scored).count() as u64,
            patients_due: patients(&mut due.iter().map(|due| due.restoration)),
            patients_seen: patients(&mut due.iter().filter(|due| due.seen).map(|due| due.restoration)),
            share_seen: match share(seen, due.len() as u64, protocol.confidence_level) {
                (Known::Known(share), Known::Known(interval)) => Known::Known((share, interval)),
                (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
            },
        }
    };
    protocol.recalls.iter().zip(due).map(review).collect()
}

fn share(part: u64, whole: u64, level: ConfidenceLevel) -> (Known<Fraction>, Known<ConfidenceInterval<Fraction>>) {
    if whole == 0 {
        return (Known::NotKnown(WhyNotKnown::NoObservations), Known::NotKnown(WhyNotKnown::NoObservations));
    }
    (Known::Known(Fraction::new(part as f64 / whole as f64)), wilson_interval(part, whole, level))
}

/// Criteria scores at each recall, of those due: for everybody, then by level of each factor; pooled on "acceptable or not" first, then by
/// scheme.
pub fn criterion_reviews(
    histories: &Histories,
    due: &[Vec<Due>],
    factors: &[FactorLevels],
    protocol: &Protocol,
) -> Vec<CriterionReview> {
    let mut reviews = Vec::new();
    for criterion in Criterion::ALL {
        for (window, due) in protocol.recalls.iter().zip(due) {
            let scored = scores(histories, due, *window, criterion);
            let mut add = |factor: &str, level: &str, label: &str, part: &[ScoredAt]| {
                let cell = Cell { criterion, factor, level, label, months: window.months };
                cell.reviews(histories, part, protocol, &mut reviews);
            };
            add("all", "all", "All", &scored);
            for factor in factors {
                for (place, (level, label)) in factor.levels.iter().enumerate() {
                    let of_level = |scored: &&ScoredAt| {
                        let code = factor.codes[scored.restoration as usize];
                        code != NO_GROUP && usize::from(code) == place
                    };
                    let part: Vec<ScoredAt> = scored.iter().filter(of_level).copied().collect();
                    add(&factor.name, level, label, &part);
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
    fn reviews(&self, histories: &Histories, scored: &[ScoredAt], protocol: &Protocol, reviews: &mut Vec<CriterionReview>) {
        if scored.is_empty() {
            return;
        }
        let mut by_scheme: BTreeMap<Scheme, Vec<ScoredAt>> = BTreeMap::new();
        for one in scored {
            by_scheme.entry(one.scheme).or_default().push(*one);
        }
        reviews.extend(self.review(histories, None, scored, protocol));
        for (scheme, part) in &by_scheme {
            reviews.extend(self.review(histories, Some(*scheme), part, protocol));
        }
    }

    fn review(
        &self,
        histories: &Histories,
        scheme: Option<Scheme>,
        scored: &[ScoredAt],
        protocol: &Protocol,
    ) -> Option<CriterionReview> {
        let patients = |wanted: &dyn Fn(&ScoredAt) -> bool| {
            let of_wanted = scored.iter().filter(|one| wanted(one));
            let mut patients: Vec<u32> = of_wanted.map(|one| histories.patient[one.restoration as usize]).collect();
            patients.sort_unstable();
            patients.dedup();
            patients.len() as u64
        };
        let smallest = u64::from(protocol.smallest_cell);
        let behind = patients(&|_| true);
        if behind < smallest {
            return None;
        }
        let whole = scored.len() as u64;
        let hidden = |wanted: &dyn Fn(&ScoredAt) -> bool| smallest > 0 && (1..smallest).contains(&patients(wanted));
        let standing = |one: &ScoredAt| one.scheme.standing(self.criterion, one.score);
        let standings: Vec<LevelShare> = [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable]
            .into_iter()
            .map(|wanted| {
                let count = scored.iter().filter(|one| standing(one) == Some(wanted)).count() as u64;
                let (share, interval) = share(count, whole, protocol.confidence_level);
                LevelShare { standing: wanted, count, share, interval }
            })
            .collect();
        if standings.iter().any(|share| hidden(&|one| standing(one) == Some(share.standing))) {
            return None;
        }
        let levels = scheme.map_or(&[][..], |scheme| scheme.levels(self.criterion));
        let counts: Vec<ScoreCount> = levels
            .iter()
            .map(|level| {
                let count = scored.iter().filter(|one| one.score == level.score).count() as u64;
                let (share, interval) = share(count, whole, protocol.confidence_level);
                ScoreCount { score: level.score.to_string(), standing: level.standing, count, share, interval }
            })
            .collect();
        Some(CriterionReview {
            criterion: self.criterion,
            factor: self.factor.to_owned(),
            level: self.level.to_owned(),
            level_label: self.label.to_owned(),
            scheme,
            months: self.months,
            scored: whole,
            patients: behind,
            scores: if levels.iter().any(|level| hidden(&|one| one.score == level.score)) { Vec::new() } else { counts },
            standings,
        })
    }
}
