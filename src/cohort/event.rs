//! What one visit says of a restoration, whatever the endpoint.

use crate::record::{Coded, Criterion, Extent, Outcome, Reason, Scheme, Score, Source};
use crate::table::NO_DAY;

/// One visit's codes, read from the columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Row in the table of visits.
    pub row: u32,
    /// Day of the visit, since 1970-01-01.
    pub day: i32,
    /// Day the outcome happened; [`NO_DAY`] where not known.
    pub happened_on: i32,
    /// Scheme of the scores.
    pub scheme: Option<Scheme>,
    /// Scores in the order of [`Criterion::ALL`].
    pub scores: [Option<Score>; 8],
    /// Outcome.
    pub outcome: Option<Outcome>,
    /// Reason.
    pub reason: Option<Reason>,
    /// Whether it was only reported.
    pub reported: bool,
}

/// What a visit says about how the restoration stands; the trade's table of findings, row by row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Event {
    /// The whole filling is lost.
    CompleteLoss,
    /// Renewed, or taken out with its tooth, because it failed otherwise than by loss; a renewal without a reason counts here.
    ReplacedForFailure,
    /// Removed or covered for another plan, though sound.
    RemovedForOtherReasons,
    /// The tooth was taken out, and not because the restoration failed.
    Extracted,
    /// Part of the filling is lost.
    PartialLoss,
    /// Mended.
    Repaired,
    /// Polished, resealed, recontoured.
    Refurbished,
    /// The tooth was root-filled, the restoration kept.
    RootFilled,
}

impl Event {
    /// Whether nothing is left to follow after it.
    pub const fn closes(self) -> bool {
        matches!(self, Self::CompleteLoss | Self::ReplacedForFailure | Self::RemovedForOtherReasons | Self::Extracted)
    }
}

impl Look {
    /// A visit that says nothing.
    pub const EMPTY: Self = Self {
        row: 0,
        day: NO_DAY,
        happened_on: NO_DAY,
        scheme: None,
        scores: [None; 8],
        outcome: None,
        reason: None,
        reported: false,
    };

    /// Day the outcome happened, where known.
    pub fn happened(&self) -> Option<i32> {
        (self.happened_on != NO_DAY).then_some(self.happened_on)
    }

    /// A criterion's score.
    pub fn score(&self, criterion: Criterion) -> Option<Score> {
        self.scores[usize::from(criterion.index())]
    }

    /// How much of the filling is there, by the retention score.
    pub fn extent(&self) -> Option<Extent> {
        self.scheme?.extent(self.score(Criterion::Retention)?)
    }

    /// Everything it says happened.
    pub fn events(&self) -> impl Iterator<Item = Event> {
        let by_score = match self.extent() {
            Some(Extent::Lost) => Some(Event::CompleteLoss),
            Some(Extent::Partial) => Some(Event::PartialLoss),
            _ => None,
        };
        let by_outcome = self.outcome_event();
        by_score.into_iter().chain(by_outcome.filter(move |event| Some(*event) != by_score))
    }

    /// What the outcome, read with its reason, says happened.
    pub fn outcome_event(&self) -> Option<Event> {
        let unrelated = self.reason == Some(Reason::Unrelated);
        let failure = self.reason == Some(Reason::Failure);
        match self.outcome {
            Some(Outcome::Lost) => Some(Event::CompleteLoss),
            Some(Outcome::Repaired) => Some(Event::Repaired),
            Some(Outcome::Refurbished) => Some(Event::Refurbished),
            Some(Outcome::Replaced) if unrelated => Some(Event::RemovedForOtherReasons),
            Some(Outcome::Replaced) => Some(Event::ReplacedForFailure),
            Some(Outcome::Crowned | Outcome::Extracted) if failure => Some(Event::ReplacedForFailure),
            Some(Outcome::Crowned) => Some(Event::RemovedForOtherReasons),
            Some(Outcome::Extracted) => Some(Event::Extracted),
            Some(Outcome::RootFilled) => Some(Event::RootFilled),
            Some(Outcome::InPlace | Outcome::PatientDied | Outcome::LeftPractice) | None => None,
        }
    }

    /// Whether it shows the filling, or part of it, in place: a retention score or an outcome says so. A recall at which neither
    /// was recorded doesn't.
    pub fn shows_in_place(&self) -> bool {
        matches!(self.extent(), Some(Extent::Whole | Extent::Partial))
            || matches!(
                self.outcome,
                Some(Outcome::InPlace | Outcome::Repaired | Outcome::Refurbished | Outcome::RootFilled)
            )
    }

    /// Whether nothing is left to follow after it.
    pub fn closes(&self) -> bool {
        self.extent() == Some(Extent::Lost) || self.outcome_event().is_some_and(Event::closes)
    }

    /// Whether the patient is gone.
    pub const fn patient_gone(&self) -> bool {
        matches!(self.outcome, Some(Outcome::PatientDied | Outcome::LeftPractice))
    }

    /// Whether somebody looked at the restoration: not a report, and not the news that the patient is gone.
    pub const fn examined(&self) -> bool {
        !self.reported && !self.patient_gone()
    }

    /// Whether any criterion is scored.
    pub fn scored(&self) -> bool {
        self.scores.iter().any(Option::is_some)
    }
}

/// Codes of one visit column as the vocabulary's value.
pub(super) fn decoded<T: Coded>(code: u8) -> Option<T> {
    T::from_index(code)
}

/// Whether a source code means "reported".
pub(super) fn is_reported(code: u8) -> bool {
    decoded::<Source>(code) == Some(Source::Reported)
}
