//! Recalls and criteria scores, with Wilson's intervals.

use super::score_tally::{Patients, RecallTally, SchemeTally, ScoreGroups, ScoreTally, Tally};
use crate::cohort::history::threads_for;
use crate::cohort::recall::{Due, WindowDays, due};
use crate::cohort::{FactorLevels, Histories};
use crate::protocol::{Protocol, RecallWindow};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};
use crate::record::{Criterion, Scheme, Standing};
use crate::result::{CriterionReview, LevelShare, RecallReview, ScoreCount};
use crate::stats::wilson_interval;
use crate::threads::in_turn;

/// Which restorations were due at each recall of the protocol.
pub fn due_at_recalls(histories: &Histories, protocol: &Protocol) -> Vec<Vec<Due>> {
    due(histories, &protocol.recalls)
}

/// Who was due, seen and scored at each recall of the protocol.
pub fn recall_reviews(histories: &Histories, due: &[Vec<Due>], protocol: &Protocol) -> Vec<RecallReview> {
    let patients = |places: &mut dyn Iterator<Item = u32>| {
        let mut met = vec![false; histories.patients as usize];
        places.map(|place| u64::from(!std::mem::replace(&mut met[histories.patient[place as usize] as usize], true))).sum()
    };
    let review = |&(window, due): &(&RecallWindow, &Vec<Due>)| {
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
    let recalls: Vec<_> = protocol.recalls.iter().zip(due).collect();
    in_turn(&recalls, threads_for(histories.looks.len()), review)
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
    let recalls: Vec<(RecallWindow, &[Due])> = protocol.recalls.iter().copied().zip(due.iter().map(Vec::as_slice)).collect();
    let threads = threads_for(histories.looks.len());
    let patients = if protocol.smallest_cell > 0 { Patients::OfEachScore } else { Patients::Together };
    let groups = ScoreGroups::new(factors, histories.len());
    // Early recalls have more restorations than late ones: the next largest goes to the hand that holds the fewest.
    let mut by_size: Vec<usize> = (0..recalls.len()).collect();
    by_size.sort_by_key(|place| std::cmp::Reverse(recalls[*place].1.len()));
    let mut hands: Vec<(usize, Vec<usize>)> = vec![(0, Vec::new()); threads.max(1)];
    for place in by_size {
        if let Some((restorations, hand)) = hands.iter_mut().min_by_key(|(restorations, _)| *restorations) {
            *restorations += recalls[place].1.len();
            hand.push(place);
        }
    }
    let dealt = in_turn(&hands, threads, |(_, hand)| {
        let these: Vec<(WindowDays, &[Due])> =
            hand.iter().map(|place| (recalls[*place].0.into(), recalls[*place].1)).collect();
        RecallTally::of_recalls(histories, &these, &groups, patients)
    });
    let places = hands.iter().flat_map(|(_, hand)| hand);
    let mut tallies: Vec<(usize, RecallTally)> = places.copied().zip(dealt.into_iter().flatten()).collect();
    tallies.sort_unstable_by_key(|(place, _)| *place);
    let mut reviews = Vec::new();
    for criterion in Criterion::ALL {
        for ((window, _), (_, tally)) in recalls.iter().zip(&tallies) {
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
