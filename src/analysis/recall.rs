//! Recalls and criteria scores, with Wilson's intervals.

use std::collections::BTreeMap;

use crate::cohort::recall::{ScoredAt, due, scores};
use crate::cohort::{FactorLevels, Histories};
use crate::protocol::Protocol;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};
use crate::record::{Criterion, Scheme, Standing};
use crate::result::{CriterionReview, LevelShare, RecallReview, ScoreCount};
use crate::stats::{NO_GROUP, wilson_interval};

/// Who was due, seen and scored at each recall of the protocol.
pub fn recall_reviews(histories: &Histories, protocol: &Protocol) -> Vec<RecallReview> {
    let patients = |places: &mut dyn Iterator<Item = u32>| {
        let mut all: Vec<u32> = places.map(|place| histories.patient[place as usize]).collect();
        all.sort_unstable();
        all.dedup();
        all.len() as u64
    };
    let review = |window: &crate::protocol::RecallWindow| {
        let due = due(histories, *window);
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
    protocol.recalls.iter().map(review).collect()
}

fn share(part: u64, whole: u64, level: ConfidenceLevel) -> (Known<Fraction>, Known<ConfidenceInterval<Fraction>>) {
    if whole == 0 {
        return (Known::NotKnown(WhyNotKnown::NoObservations), Known::NotKnown(WhyNotKnown::NoObservations));
    }
    (Known::Known(Fraction::new(part as f64 / whole as f64)), wilson_interval(part, whole, level))
}

/// Criteria scores at each recall: for everybody, then by level of each factor; pooled on "acceptable or not" first, then by
/// scheme.
pub fn criterion_reviews(histories: &Histories, factors: &[FactorLevels], protocol: &Protocol) -> Vec<CriterionReview> {
    let mut reviews = Vec::new();
    for criterion in Criterion::ALL {
        for window in &protocol.recalls {
            let scored = scores(histories, *window, criterion);
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
        let mut patients: Vec<u32> = scored.iter().map(|one| histories.patient[one.restoration as usize]).collect();
        patients.sort_unstable();
        patients.dedup();
        if (patients.len() as u64) < u64::from(protocol.smallest_cell) {
            return None;
        }
        let whole = scored.len() as u64;
        let hidden = |count: u64| count > 0 && count < u64::from(protocol.smallest_cell);
        let standing = |one: &ScoredAt| one.scheme.standing(self.criterion, one.score);
        let standings: Vec<LevelShare> = [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable]
            .into_iter()
            .map(|wanted| {
                let count = scored.iter().filter(|one| standing(one) == Some(wanted)).count() as u64;
                let (share, interval) = share(count, whole, protocol.confidence_level);
                LevelShare { standing: wanted, count, share, interval }
            })
            .collect();
        if standings.iter().any(|share| hidden(share.count)) {
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
            patients: patients.len() as u64,
            scores: if counts.iter().any(|count| hidden(count.count)) { Vec::new() } else { counts },
            standings,
        })
    }
}
