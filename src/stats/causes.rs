//! Observations with the cause by which each ended: which of several competing endings it met, or none.
//!
//! Definition.  A code for each observation: 0 censored, 1..=K the cause. Causes exclude each other: whoever ended by one can't end
//!              by another any more.
//! Decided.     All causes of one tick act on the same risk set, that of the tick, and before its censorings. The endings kept in
//!              the observations themselves (failed, competing, censored) are not read here, only the codes;
//!              [`ObservationsByCause::of_endings`] makes codes of them: 1 failed, 2 any other ending.
//! Not for.     Cause-specific comparisons: for the log-rank test of one cause, count the endings by all others as censored
//!              (label them `Censored`, or leave them `Competing`) and give that to [`log_rank`](super::log_rank()). It compares
//!              cause-specific hazards, which is another question than that of [`gray_test`](super::gray_test).

use std::borrow::Cow;
use std::fmt;
use std::ops::AddAssign;

use super::observation::{Ending, Observations};

/// The code of a censored observation.
pub const CENSORED: u8 = 0;
/// The code that [`ObservationsByCause::of_endings`] gives to a failure.
pub const CAUSE_FAILED: u8 = 1;
/// The code that [`ObservationsByCause::of_endings`] gives to a competing ending.
pub const CAUSE_COMPETING: u8 = 2;

/// Observations and a code for each.
#[derive(Clone, Debug, PartialEq)]
pub struct ObservationsByCause<'a> {
    observations: &'a Observations,
    codes: Cow<'a, [u8]>,
    causes: u8,
}

/// Why codes don't fit the observations.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CauseError {
    /// There are not as many codes as observations.
    Length {
        /// How many codes.
        codes: usize,
        /// How many observations.
        observations: usize,
    },
    /// A code is larger than the number of causes.
    NoSuchCause {
        /// Place of the code, from 0.
        index: usize,
        /// The code.
        code: u8,
        /// How many causes there are.
        causes: u8,
    },
}

impl fmt::Display for CauseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length { codes, observations } => write!(f, "{codes} codes of causes for {observations} observations"),
            Self::NoSuchCause { index, code, causes } => {
                write!(f, "observation {index} ended by cause {code}, but there are only {causes} causes")
            }
        }
    }
}

impl std::error::Error for CauseError {}

impl<'a> ObservationsByCause<'a> {
    /// Codes 0 (censored) to `causes`, one for each observation.
    ///
    /// # Errors
    ///
    /// When there are not as many codes as observations, or a code is above `causes`.
    pub fn new(observations: &'a Observations, codes: &'a [u8], causes: u8) -> Result<Self, CauseError> {
        if codes.len() != observations.len() {
            return Err(CauseError::Length { codes: codes.len(), observations: observations.len() });
        }
        match codes.iter().position(|&code| code > causes) {
            Some(index) => Err(CauseError::NoSuchCause { index, code: codes[index], causes }),
            None => Ok(Self { observations, codes: Cow::Borrowed(codes), causes }),
        }
    }

    /// Two causes from the endings: [`CAUSE_FAILED`] and [`CAUSE_COMPETING`].
    pub fn of_endings(observations: &'a Observations) -> Self {
        let code = |ending: &Ending| match ending {
            Ending::Failed => CAUSE_FAILED,
            Ending::Competing => CAUSE_COMPETING,
            Ending::Censored => CENSORED,
        };
        Self { observations, codes: observations.ending().iter().map(code).collect(), causes: 2 }
    }

    /// The observations.
    pub fn observations(&self) -> &'a Observations {
        self.observations
    }

    /// The code of each.
    pub fn codes(&self) -> &[u8] {
        &self.codes
    }

    /// How many causes, also those by which nobody ended.
    pub fn causes(&self) -> u8 {
        self.causes
    }

    /// The observations with endings by this cause as failures, and all others as censorings.
    pub(super) fn failing_by(&self, cause: u8) -> Observations {
        let ending = |&code: &u8| if code == cause { Ending::Failed } else { Ending::Censored };
        self.observations.with_endings(self.codes.iter().map(ending).collect())
    }

    /// How many ended by this cause on a tick up to and including `tick` (records, not weights).
    pub(super) fn ended_by(&self, cause: u8, tick: i32) -> u64 {
        let ended = |(&code, &exit): (&u8, &i32)| u64::from(code == cause && exit <= tick);
        self.codes.iter().zip(self.observations.exit()).map(ended).sum()
    }
}

/// What is left of a risk set below this part of it is rounding of weights, not an observation.
const NOBODY: f64 = 1e-12;

/// What is `left` of a risk set of n; 0 where that is rounding.
pub(super) fn left_of(n: f64, left: f64) -> f64 {
    if left > NOBODY * n { left } else { 0.0 }
}

/// Sums of weights for each tick: who was at risk, and who ended on it in which way.
pub(super) struct EndingTable {
    /// At risk on each tick.
    pub(super) at_risk: Vec<f64>,
    /// Who came under observation on each tick, to be at risk from the next.
    pub(super) entered: Vec<f64>,
    /// Ended by any cause on each tick.
    pub(super) events: Vec<f64>,
    ticks: usize,
    ended: Vec<f64>,
}

impl EndingTable {
    /// Tables of so many cells. `cell` says in which one an observation counts, and `class` which class a code has: 0 for
    /// censored, and below `classes`.
    pub(super) fn count(
        by_cause: &ObservationsByCause<'_>,
        class: &[u8; 256],
        classes: usize,
        cells: usize,
        cell: impl Fn(usize) -> Option<usize>,
    ) -> Vec<Self> {
        let observations = by_cause.observations;
        let ticks = ticks_of(observations);
        let (ended, entered) = match observations.weights() {
            Some(weights) => tally(by_cause, class, classes, cells, cell, |i| weights[i]),
            None => {
                // Whole numbers of 32 bits take half the room of the tables, and are exact.
                let (ended, entered) = tally(by_cause, class, classes, cells, cell, |_| 1_u32);
                let wide = |counts: Vec<u32>| counts.into_iter().map(f64::from).collect::<Vec<f64>>();
                (wide(ended), wide(entered))
            }
        };
        let table = |cell: usize| {
            let ended = ended[cell * classes * ticks..(cell + 1) * classes * ticks].to_vec();
            Self::of(ended, entered[cell * ticks..(cell + 1) * ticks].to_vec(), classes)
        };
        (0..cells).map(table).collect()
    }

    /// The table of all observations, with a class for each cause.
    pub(super) fn of_all_causes(by_cause: &ObservationsByCause<'_>) -> Self {
        let mut own = [0; 256];
        for (code, class) in (0..=u8::MAX).zip(&mut own) {
            *class = code;
        }
        let classes = usize::from(by_cause.causes) + 1;
        Self::count(by_cause, &own, classes, 1, |_| Some(0)).swap_remove(0)
    }

    /// The table of all observations, with two causes: this one (class 1) and any other (class 2).
    pub(super) fn of_one_cause(by_cause: &ObservationsByCause<'_>, cause: u8) -> Self {
        Self::count(by_cause, &this_or_other(cause), 3, 1, |_| Some(0)).swap_remove(0)
    }

    fn of(ended: Vec<f64>, entered: Vec<f64>, classes: usize) -> Self {
        let ticks = entered.len();
        let mut events = vec![0.0; ticks];
        for class in 1..classes {
            for (sum, part) in events.iter_mut().zip(&ended[class * ticks..]) {
                *sum += part;
            }
        }
        // Summed from the end, so that without late entries rounding of weights can't leave anybody at risk who isn't there.
        let (mut later, mut to_come) = (0.0, 0.0);
        let mut at_risk = vec![0.0; ticks];
        for tick in (0..ticks).rev() {
            later += ended[tick] + events[tick];
            to_come += entered[tick];
            at_risk[tick] = f64::max(later - to_come, events[tick]);
        }
        Self { at_risk, entered, events, ticks, ended }
    }

    /// Who ended in this way on each tick; class 0 is censored.
    pub(super) fn ended(&self, class: usize) -> &[f64] {
        &self.ended[class * self.ticks..(class + 1) * self.ticks]
    }

    /// The ticks on which somebody ended by a cause, until nobody is left.
    pub(super) fn event_ticks(&self) -> Vec<EventTick> {
        let (mut survival, mut list) = (1.0, Vec::new());
        for tick in 0..self.ticks {
            let (n, d) = (self.at_risk[tick], self.events[tick]);
            if d <= 0.0 {
                continue;
            }
            let left = left_of(n, n - d);
            list.push(EventTick { tick, at_risk: n, events: d, left, survival_before: survival });
            survival *= left / n;
            if left <= 0.0 {
                break;
            }
        }
        list
    }
}

/// Sums of weights by cell, class and tick of exit; and by cell and tick of a late entry.
fn tally<T: Copy + Default + AddAssign>(
    by_cause: &ObservationsByCause<'_>,
    class: &[u8; 256],
    classes: usize,
    cells: usize,
    cell: impl Fn(usize) -> Option<usize>,
    weight: impl Fn(usize) -> T,
) -> (Vec<T>, Vec<T>) {
    let ticks = ticks_of(by_cause.observations);
    let mut ended = vec![T::default(); cells * classes * ticks];
    let mut entered = vec![T::default(); cells * ticks];
    let rows = by_cause.observations.entry().iter().zip(by_cause.observations.exit()).zip(by_cause.codes());
    for (i, ((&entry, &exit), &code)) in rows.enumerate() {
        let Some(cell) = cell(i) else { continue };
        ended[(cell * classes + usize::from(class[usize::from(code)])) * ticks + exit as usize] += weight(i);
        if entry > 0 {
            entered[cell * ticks + entry as usize] += weight(i);
        }
    }
    (ended, entered)
}

/// A tick on which somebody ended by a cause.
#[derive(Clone, Copy)]
pub(super) struct EventTick {
    pub(super) tick: usize,
    pub(super) at_risk: f64,
    pub(super) events: f64,
    /// At risk and not ended by a cause: 0 when all ended.
    pub(super) left: f64,
    /// The part of all that had not ended by any cause before this tick.
    pub(super) survival_before: f64,
}

impl EventTick {
    /// The part left after this tick.
    pub(super) fn survival(&self) -> f64 {
        self.survival_before * self.left / self.at_risk
    }

    /// Lays a value for each of these ticks out over all ticks, holding each until the next.
    pub(super) fn spread(list: &[Self], ticks: usize, before: f64, value: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut held = before;
        let mut next = 0;
        (0..ticks)
            .map(|tick| {
                if list.get(next).is_some_and(|event| event.tick == tick) {
                    held = value(next);
                    next += 1;
                }
                held
            })
            .collect()
    }
}

/// How many ticks the observations reach over, tick 0 included.
pub(super) fn ticks_of(observations: &Observations) -> usize {
    observations.last_day().map_or(0, |last| usize::try_from(last.count()).unwrap_or(0) + 1)
}

/// Classes of codes: 0 censored, 1 this cause, 2 any other.
pub(super) fn this_or_other(cause: u8) -> [u8; 256] {
    let mut class = [2; 256];
    class[usize::from(cause)] = 1;
    class[usize::from(CENSORED)] = 0;
    class
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn codes_must_fit() {
        let mut observations = Observations::default();
        for ending in [Ending::Failed, Ending::Competing, Ending::Censored] {
            observations.push(Days::new(0), Days::new(1), ending, 0).expect("in order");
        }
        assert_eq!(ObservationsByCause::of_endings(&observations).codes(), [1, 2, 0]);
        assert_eq!(
            ObservationsByCause::new(&observations, &[1, 2], 2),
            Err(CauseError::Length { codes: 2, observations: 3 })
        );
        let error = CauseError::NoSuchCause { index: 1, code: 3, causes: 2 };
        assert_eq!(ObservationsByCause::new(&observations, &[1, 3, 0], 2), Err(error));
        assert!(ObservationsByCause::new(&observations, &[1, 3, 0], 250).is_ok());
    }

    #[test]
    fn weights_that_are_no_whole_numbers_leave_nobody_behind() {
        let mut observations = Observations::default();
        for (exit, weight) in [(1, 0.1), (1, 0.2), (2, 0.3), (2, 0.7), (3, 0.1)] {
            observations.push_weighted(Days::new(0), Days::new(exit), Ending::Failed, 0, weight).expect("in order");
        }
        let table = EndingTable::of_one_cause(&ObservationsByCause::of_endings(&observations), CAUSE_FAILED);
        let last = table.event_ticks().pop().expect("events");
        assert!(last.tick == 3 && last.left <= 0.0 && last.survival() <= 0.0);
    }
}
