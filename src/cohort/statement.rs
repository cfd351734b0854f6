//! What a visit states of a restoration, whatever the endpoint: its scores and its outcome, without the day and without who looked.
//!
//! Among millions of visits are only some thousand different statements. Each is kept, and weighed, once; visits name theirs by its
//! number.

use hashbrown::HashTable;

use super::event::Event;
use crate::record::{Coded, Criterion, Extent, Outcome, Reason, Scheme, Score, Source};
use crate::table::text_hash::mixed;

/// The codes of one visit, as its columns have them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stated {
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
    /// Whether a day is told on which the outcome happened.
    pub dated: bool,
}

impl Stated {
    /// Nothing.
    pub const NOTHING: Self =
        Self { scheme: None, scores: [None; 8], outcome: None, reason: None, reported: false, dated: false };

    /// The codes as one number, another one for each that differs.
    fn key(&self) -> (u64, u64) {
        let scores = self.scores.map(|score| score.map_or(0, Score::sign));
        let code = |index: Option<u8>| u64::from(index.unwrap_or(u8::MAX));
        let codes =
            [code(self.scheme.map(Coded::index)), code(self.outcome.map(Coded::index)), code(self.reason.map(Coded::index))];
        let others =
            codes.into_iter().fold(u64::from(self.reported) << 1 | u64::from(self.dated), |all, code| all << 8 | code);
        (others, u64::from_le_bytes(scores))
    }

    fn extent(&self) -> Option<Extent> {
        self.scheme?.extent(self.scores[usize::from(Criterion::Retention.index())]?)
    }

    fn outcome_event(&self) -> Option<Event> {
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
}

/// Outcomes after which the filling is in place.
pub(super) const KEEPING: [Outcome; 4] = [Outcome::InPlace, Outcome::Repaired, Outcome::Refurbished, Outcome::RootFilled];

/// What a visit states, and what follows from it.
#[derive(Clone, Copy, Debug)]
pub struct Statement {
    /// The codes.
    pub stated: Stated,
    /// How much of the filling is there, by the retention score.
    pub extent: Option<Extent>,
    /// What the outcome, read with its reason, says happened.
    pub outcome_event: Option<Event>,
    /// Whether it shows the filling, or part of it, in place: a retention score or an outcome says so. A recall at which neither
    /// was recorded doesn't.
    pub shows_in_place: bool,
    /// Whether nothing is left to follow after it.
    pub closes: bool,
    /// Whether the patient is gone.
    pub patient_gone: bool,
    /// Whether somebody looked at the restoration: not a report, and not the news that the patient is gone.
    pub examined: bool,
    /// Whether any criterion is scored.
    pub scored: bool,
}

impl Statement {
    fn new(stated: Stated) -> Self {
        let (extent, outcome_event) = (stated.extent(), stated.outcome_event());
        let patient_gone = matches!(stated.outcome, Some(Outcome::PatientDied | Outcome::LeftPractice));
        Self {
            stated,
            extent,
            outcome_event,
            shows_in_place: matches!(extent, Some(Extent::Whole | Extent::Partial))
                || stated.outcome.is_some_and(|outcome| KEEPING.contains(&outcome)),
            closes: extent == Some(Extent::Lost) || outcome_event.is_some_and(Event::closes),
            patient_gone,
            examined: !stated.reported && !patient_gone,
            scored: stated.scores.iter().any(Option::is_some),
        }
    }

    /// A criterion's score.
    pub fn score(&self, criterion: Criterion) -> Option<Score> {
        self.stated.scores[usize::from(criterion.index())]
    }

    /// Everything it says happened.
    pub fn events(&self) -> impl Iterator<Item = Event> {
        let by_score = match self.extent {
            Some(Extent::Lost) => Some(Event::CompleteLoss),
            Some(Extent::Partial) => Some(Event::PartialLoss),
            _ => None,
        };
        let by_outcome = self.outcome_event;
        by_score.into_iter().chain(by_outcome.filter(move |event| Some(*event) != by_score))
    }

    /// Whether it scores what only a filling that is there can be scored for.
    pub fn scores_a_filling(&self) -> bool {
        Criterion::ALL.iter().any(|criterion| !criterion.survives_loss() && self.score(*criterion).is_some())
    }
}

/// All different statements of some visits, numbered in the order of their first appearance.
#[derive(Clone, Debug, Default)]
pub struct Statements {
    all: Vec<Statement>,
    /// Their numbers, each with what stands for its codes.
    numbers: HashTable<((u64, u64), u32)>,
}

impl Statements {
    /// The number of a statement, which is added if it is new.
    pub fn number(&mut self, stated: Stated) -> u32 {
        let Self { all, numbers } = self;
        let key = stated.key();
        let hash = |(others, scores): (u64, u64)| mixed(others, scores);
        if let Some((_, number)) = numbers.find(hash(key), |(known, _)| *known == key) {
            return *number;
        }
        // Statements are no more than visits, and these fewer than 2^32.
        let number = u32::try_from(all.len()).unwrap_or(u32::MAX);
        all.push(Statement::new(stated));
        numbers.insert_unique(hash(key), (key, number), |(key, _)| hash(*key));
        number
    }

    /// The statement with a number.
    #[inline]
    pub fn get(&self, number: u32) -> &Statement {
        &self.all[number as usize]
    }

    /// What `of` tells of each, by its number: whoever goes through visits then looks at no more of each than that, which lies near.
    pub fn by_number<T>(&self, of: impl Fn(&Statement) -> T) -> Vec<T> {
        self.all.iter().map(of).collect()
    }

    /// The same of several things that may be so of each, as bits.
    pub fn bits_by_number<const BITS: usize>(&self, of: impl Fn(&Statement) -> [(bool, u8); BITS]) -> Vec<u8> {
        self.by_number(|statement| of(statement).into_iter().filter(|(is_so, _)| *is_so).fold(0, |all, (_, bit)| all | bit))
    }

    /// All, in the order of their numbers.
    pub fn iter(&self) -> impl Iterator<Item = &Statement> {
        self.all.iter()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_statement_has_one_number() {
        let lost = Stated { outcome: Some(Outcome::Lost), ..Stated::NOTHING };
        let gone = Stated { outcome: Some(Outcome::LeftPractice), ..Stated::NOTHING };
        let mut statements = Statements::default();
        assert_eq!([lost, gone, lost, Stated::NOTHING, gone].map(|stated| statements.number(stated)), [0, 1, 0, 2, 1]);
        assert!(statements.get(0).closes && !statements.get(1).closes && statements.get(1).patient_gone);
        assert_eq!(statements.get(2).stated, Stated::NOTHING);
        assert_eq!(statements.iter().count(), 3);
        assert_eq!(statements.by_number(|statement| statement.closes), [true, false, false]);
        let bits = statements.bits_by_number(|statement| [(statement.closes, 1), (statement.patient_gone, 4)]);
        assert_eq!(bits, [1, 4, 0]);
    }
}
