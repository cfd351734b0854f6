//! Who was due, seen and scored at each recall, and with which scores.
//!
//! Windows serve recall tables only; survival uses the exact days.

use super::history::Histories;
use crate::protocol::RecallWindow;
use crate::record::{Criterion, Scheme, Score};

/// One restoration that was due at a recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Its place in the histories.
    pub restoration: u32,
    /// Whether it was seen or reported within the window.
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

/// Whether a restoration is due: its window has closed by the day of the review, it was under observation when the window
/// opened, and it had not ended, nor its patient gone, before that.
fn is_due(histories: &Histories, restoration: usize, window: RecallWindow) -> bool {
    let placed = histories.placed[restoration];
    let opens = placed + window.opens().count();
    if placed + window.closes().count() > histories.as_of.since_epoch()
        || histories.entry[restoration] > window.closes().count()
    {
        return false;
    }
    !histories.looks(restoration).iter().any(|look| (look.closes() || look.patient_gone()) && look.day < opens)
}

/// All restorations due at a recall, with whether they were seen and scored.
#[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
pub fn due(histories: &Histories, window: RecallWindow) -> Vec<Due> {
    let within = |restoration: usize, day: i32| {
        (window.opens().count()..=window.closes().count()).contains(&(day - histories.placed[restoration]))
    };
    (0..histories.len())
        .filter(|&restoration| is_due(histories, restoration, window))
        .map(|restoration| {
            let mut looks = histories.looks(restoration).iter().filter(|look| within(restoration, look.day)).peekable();
            let seen = looks.peek().is_some();
            Due { restoration: restoration as u32, seen, scored: looks.any(|look| look.scored()) }
        })
        .collect()
}

/// All scores of a criterion at a recall, of every restoration seen within the window. Lost restorations have no scores of
/// colour, staining and the like, so they are not in those denominators.
#[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
pub fn scores(histories: &Histories, window: RecallWindow, criterion: Criterion) -> Vec<ScoredAt> {
    let mut found = Vec::new();
    for restoration in 0..histories.len() {
        let placed = histories.placed[restoration];
        let nearest = histories
            .looks(restoration)
            .iter()
            .filter_map(|look| {
                let since = look.day - placed;
                if !(window.opens().count()..=window.closes().count()).contains(&since) {
                    return None;
                }
                let (scheme, score) = (look.scheme?, look.score(criterion)?);
                let worst_first = u8::MAX - score.sign();
                Some(((since - window.due().count()).abs(), since, worst_first, scheme, score))
            })
            .min_by_key(|candidate| (candidate.0, candidate.1, candidate.2));
        if let Some((_, _, _, scheme, score)) = nearest {
            found.push(ScoredAt { restoration: restoration as u32, scheme, score });
        }
    }
    found
}
