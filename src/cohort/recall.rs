//! Who was due, seen and scored at each recall, and with which scores.
//!
//! Windows serve recall tables only; survival uses the exact days.

use super::history::{Histories, threads_for};
use super::visit_rows::Look;
use crate::protocol::RecallWindow;
use crate::record::{Criterion, Scheme, Score};
use crate::threads::{in_turn, on_threads};

/// One restoration that was due at a recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Its place in the histories.
    pub restoration: u32,
    /// Whether it was examined within the window; a report, or the news that the patient is gone, is no examination.
    pub seen: bool,
    /// Whether anything was scored.
    pub scored: bool,
    /// Which of its visits is the first within the window, and how many are; [`MANY`] where a number doesn't fit.
    within: [u8; 2],
}

/// Stands for so many or more.
const MANY: u8 = u8::MAX;

/// A recall's window in days since placement, worked out once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WindowDays {
    /// First day.
    pub opens: i32,
    /// The day at which it is due.
    pub due: i32,
    /// Last day.
    pub closes: i32,
}

impl From<RecallWindow> for WindowDays {
    fn from(window: RecallWindow) -> Self {
        Self { opens: window.opens().count(), due: window.due().count(), closes: window.closes().count() }
    }
}

/// The visits of a restoration that was due within the recall's window.
pub fn visits_of(histories: &Histories, due: Due, window: WindowDays) -> &[Look] {
    let [from, length] = due.within;
    if from == MANY || length == MANY {
        let restoration = due.restoration as usize;
        return within(histories.looks(restoration), histories.placed[restoration], window);
    }
    let from = usize::from(from);
    histories.looks(due.restoration as usize).get(from..from + usize::from(length)).unwrap_or_default()
}

/// Those of a restoration's visits that are within a recall's window.
fn within(looks: &[Look], placed: i32, window: WindowDays) -> &[Look] {
    let (opens, closes) = (placed + window.opens, placed + window.closes);
    let from = looks.partition_point(|look| look.day < opens);
    &looks[from..looks.partition_point(|look| look.day <= closes)]
}

/// All restorations due at each of the recalls, with whether they were seen and scored. Windows come from early to late and share no day, as a
/// protocol checks.
///
/// Due is a restoration whose window has closed by the day of the review, that was under observation when the window opened and
/// had not ended before, and whose patient had not died or left by the due day (or was seen in the window before that).
pub fn due(histories: &Histories, windows: &[RecallWindow]) -> Vec<Vec<Due>> {
    let threads = threads_for(histories.looks.len());
    let recalls = Recalls::new(histories, windows);
    let runs = histories.runs(threads);
    let parts = in_turn(&runs, threads, |run| {
        let mut due = vec![Vec::new(); windows.len()];
        let mut found = recalls.nothing_found();
        for restoration in run.clone() {
            recalls.due(restoration, &mut found, |recall, one, _| due[recall].push(one));
        }
        due
    });
    let mut by_recall: Vec<Vec<Vec<Due>>> = windows.iter().map(|_| Vec::with_capacity(parts.len())).collect();
    for part in parts {
        by_recall.iter_mut().zip(part).for_each(|(parts, part)| parts.push(part));
    }
    on_threads(by_recall, threads, in_one)
}

/// Parts one behind the other; each goes as soon as it is taken over.
fn in_one(parts: Vec<Vec<Due>>) -> Vec<Due> {
    let mut all = Vec::with_capacity(parts.iter().map(Vec::len).sum());
    parts.into_iter().for_each(|part| all.extend(part));
    all
}

/// What a statement says of a recall, as bits.
type Said = u8;
const CLOSES: Said = 1;
const EXAMINED: Said = 2;
const SCORED: Said = 4;

/// What was found of a restoration within a stretch of days.
#[derive(Clone, Copy, Debug, Default)]
pub struct Found {
    visits: u32,
    said: Said,
}

/// The place of a day since placement: that of the placement is 1, all before are 0.
fn day_place(day: i32) -> usize {
    usize::try_from(day + 1).unwrap_or(0)
}

/// Recalls that restorations are held against.
///
/// Days since placement are cut into stretches: before the first window, within it, before the second one, and so on. Which stretch a visit is
/// in is looked up by its day, so that nothing is guessed that a processor could guess wrong.
pub struct Recalls<'a> {
    histories: &'a Histories,
    windows: Vec<WindowDays>,
    /// The stretch of each day by its [`day_place`], up to the day after the last window.
    stretches: Vec<u32>,
    /// By the number of the statement.
    said: Vec<Said>,
}

impl<'a> Recalls<'a> {
    /// These recalls of some restorations, from early to late and without a day in common.
    pub fn new(histories: &'a Histories, windows: &[RecallWindow]) -> Self {
        let said = histories.statements.bits_by_number(|statement| {
            [(statement.closes, CLOSES), (statement.examined, EXAMINED), (statement.scored, SCORED)]
        });
        let windows: Vec<WindowDays> = windows.iter().copied().map(WindowDays::from).collect();
        debug_assert!(windows.is_sorted_by(|one, next| one.closes < next.opens), "windows that share a day");
        let mut stretches = Vec::new();
        for (window, stretch) in windows.iter().zip((0..).step_by(2)) {
            stretches.resize(day_place(window.opens).max(stretches.len()), stretch);
            stretches.resize(day_place(window.closes + 1).max(stretches.len()), stretch + 1);
        }
        stretches.push(2 * u32::try_from(windows.len()).unwrap_or(0));
        Self { histories, windows, stretches, said }
    }

    /// Room for what is found of one restoration after the other.
    pub fn nothing_found(&self) -> Vec<Found> {
        vec![Found::default(); 2 * self.windows.len() + 1]
    }

    /// Tells each recall, by its place, at which a restoration was due, as [`due`] does, with the visits within its window. What was found of
    /// another restoration is written over.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "fewer than 2^32 restorations")]
    pub fn due(&self, restoration: usize, found: &mut [Found], mut take: impl FnMut(usize, Due, &'a [Look])) {
        let histories = self.histories;
        let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
        let until = histories.as_of.since_epoch() - placed;
        let gone = histories.gone[histories.patient[restoration] as usize].map(|gone| gone - placed);
        let looks = histories.looks(restoration);
        found.fill(Found::default());
        let last = self.stretches.len() - 1;
        for look in looks {
            let day = day_place(look.day - placed).min(last);
            let found = &mut found[self.stretches[day] as usize];
            found.visits += 1;
            found.said |= self.said[look.statement as usize];
        }
        let mut to = 0;
        for ((recall, window), found) in self.windows.iter().enumerate().zip(found.chunks_exact(2)) {
            let from = to + found[0].visits as usize;
            to = from + found[1].visits as usize;
            // It had ended, and so it had for all that open later; or this one has not closed, nor has any later one.
            if found[0].said & CLOSES != 0 || window.closes > until {
                return;
            }
            let (seen, scored) = (found[1].said & EXAMINED != 0, found[1].said & SCORED != 0);
            if entry <= window.opens && (seen || gone.is_none_or(|gone| gone > window.due)) {
                let within = [from, to - from].map(|number| u8::try_from(number).unwrap_or(MANY));
                take(recall, Due { restoration: restoration as u32, seen, scored, within }, &looks[from..to]);
            }
            // What ended it within this window.
            if found[1].said & CLOSES != 0 {
                return;
            }
        }
    }
}

/// The score of each criterion of a restoration that was due at a recall, in the order of [`Criterion::ALL`]: that of the scored visit nearest
/// to the due day (the earlier of two equally near; of two examiners on one day the worse). Lost restorations have no scores of colour,
/// staining and the like.
pub fn scores_of(histories: &Histories, due: Due, window: WindowDays) -> [Option<(Scheme, Score)>; 8] {
    Criterion::ALL.map(|criterion| nearest(histories, due, window, criterion))
}

/// A criterion's score at the visit that counts.
fn nearest(histories: &Histories, due: Due, window: WindowDays, criterion: Criterion) -> Option<(Scheme, Score)> {
    let placed = histories.placed[due.restoration as usize];
    let scored = visits_of(histories, due, window).iter().filter_map(|look| {
        let statement = histories.said(look);
        let (scheme, score, since) = (statement.stated.scheme?, statement.score(criterion)?, look.day - placed);
        Some(((since - window.due).abs(), since, scheme, score))
    });
    // The worse of two: by standing first, since two schemes may meet; then by place in the scheme, best first.
    let badness = |scheme: Scheme, score: Score| (scheme.standing(criterion, score), scheme.place(criterion, score));
    scored
        .min_by_key(|&(distance, since, scheme, score)| (distance, since, std::cmp::Reverse(badness(scheme, score))))
        .map(|(_, _, scheme, score)| (scheme, score))
}
