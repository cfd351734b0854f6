//! Who was due, seen and scored at each recall, and with which scores.
//!
//! Windows serve recall tables only; survival uses the exact days.

use super::event::Look;
use super::history::Histories;
use crate::protocol::RecallWindow;
use crate::record::{Criterion, Scheme, Score};

/// One restoration that was due at a recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Its place in the histories.
    pub restoration: u32,
    /// Whether it was examined within the window; a report, or the news that the patient is gone, is no examination.
    pub seen: bool,
    /// Whether anything was scored.
    pub scored: bool,
}

/// One criterion's score of one restoration at a recall: that of the scored visit nearest to the due day (the earlier of two
/// equally near; of two examiners on one day the worse).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ScoredAt {
    /// Its place in the histories.
    pub restoration: u32,
    /// The scheme.
    pub scheme: Scheme,
    /// The score.
    pub score: Score,
}

/// The visits of a restoration within a recall's window.
fn within(histories: &Histories, restoration: usize, window: RecallWindow) -> impl Iterator<Item = &Look> {
    let placed = histories.placed[restoration];
    let days = window.opens().count()..=window.closes().count();
    histories.looks(restoration).iter().filter(move |look| days.contains(&(look.day - placed)))
}

/// All restorations due at a recall, with whether they were seen and scored.
///
/// Due is a restoration whose window has closed by the day of the review, that was under observation when the window opened and
/// had not ended before, and whose patient had not died or left by the due day (or was seen in the window before that).
#[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
pub fn due(histories: &Histories, window: RecallWindow) -> Vec<Due> {
    let mut all = Vec::new();
    for restoration in 0..histories.len() {
        let placed = histories.placed[restoration];
        let opens = placed + window.opens().count();
        if placed + window.closes().count() > histories.as_of.since_epoch()
            || histories.entry[restoration] > window.opens().count()
            || histories.looks(restoration).iter().any(|look| look.closes() && look.day < opens)
        {
            continue;
        }
        let seen = within(histories, restoration, window).any(Look::examined);
        let gone = histories.gone[histories.patient[restoration] as usize];
        if !seen && gone.is_some_and(|gone| gone <= placed + window.due().count()) {
            continue;
        }
        let scored = within(histories, restoration, window).any(Look::scored);
        all.push(Due { restoration: restoration as u32, seen, scored });
    }
    all
}

/// All scores of a criterion at a recall, of the restorations that were due. Lost restorations have no scores of colour,
/// staining and the like, so they are not in those denominators.
pub fn scores(histories: &Histories, due: &[Due], window: RecallWindow, criterion: Criterion) -> Vec<ScoredAt> {
    let nearest = |restoration: u32| {
        let placed = histories.placed[restoration as usize];
        let scored = within(histories, restoration as usize, window).filter_map(|look| {
            let (scheme, score, since) = (look.scheme?, look.score(criterion)?, look.day - placed);
            Some(((since - window.due().count()).abs(), since, scheme, score))
        });
        // The worse of two: by standing first, since two schemes may meet; then by place in the scheme, best first.
        let badness = |scheme: Scheme, score: Score| {
            let place = scheme.levels(criterion).iter().position(|level| level.score == score);
            (scheme.standing(criterion, score), place)
        };
        scored.min_by_key(|&(distance, since, scheme, score)| (distance, since, std::cmp::Reverse(badness(scheme, score))))
    };
    due.iter()
        .filter_map(|due| {
            let (_, _, scheme, score) = nearest(due.restoration)?;
            Some(ScoredAt { restoration: due.restoration, scheme, score })
        })
        .collect()
}
