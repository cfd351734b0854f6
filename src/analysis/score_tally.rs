//! Scores at one recall counted: by criterion, by level of each factor, by scheme and by score, with the patients behind each count.
//!
//! Cost.  One pass over those due. They are taken patient by patient, so that a patient counts anew in a cell if the last one counted there
//!        was another: nobody has to remember who was counted. The patients behind single scores are counted only where few are hidden.

use std::borrow::Cow;

use crate::cohort::recall::{Due, scores_of};
use crate::cohort::{FactorLevels, Histories};
use crate::protocol::RecallWindow;
use crate::record::{Coded, Criterion, Scheme, Score, Standing};
use crate::stats::NO_GROUP;

/// Restorations scored, and the patients behind them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    scored: u64,
    patients: u64,
    /// One more than the patient counted last.
    last: u64,
}

impl Tally {
    fn add(&mut self, patient: u32) {
        let patient = u64::from(patient) + 1;
        self.scored += 1;
        self.patients += u64::from(self.last != patient);
        self.last = patient;
    }

    /// Restorations.
    pub fn scored(&self) -> u64 {
        self.scored
    }

    /// Patients.
    pub fn patients(&self) -> u64 {
        self.patients
    }
}

/// Which patients are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Patients {
    /// Those behind a criterion's scores together.
    Together,
    /// Those behind each score and each standing, too.
    OfEachScore,
}

/// One criterion's scores of one group in one scheme, or in all of them.
#[derive(Clone, Copy, Debug, Default)]
pub struct SchemeTally {
    /// All.
    pub all: Tally,
    standings: [Tally; 3],
    /// By level of the scheme, best first.
    pub levels: [Tally; 5],
}

impl SchemeTally {
    /// Those that stand so.
    pub fn standing(&self, standing: Standing) -> &Tally {
        &self.standings[standing as usize]
    }

    fn add(&mut self, patient: u32, found: Option<(usize, Standing)>, patients: Patients) {
        self.all.add(patient);
        match (found, patients) {
            (None, _) => {}
            (Some((level, _)), Patients::Together) => self.levels[level].scored += 1,
            (Some((level, standing)), Patients::OfEachScore) => {
                self.standings[standing as usize].add(patient);
                self.levels[level].add(patient);
            }
        }
    }

    /// Sums the levels by how they stand.
    fn sum_standings(&mut self, scheme: Scheme, criterion: Criterion) {
        for (level, counted) in scheme.levels(criterion).iter().zip(self.levels) {
            self.standings[level.standing as usize].scored += counted.scored;
        }
    }
}

/// One criterion's scores of one group.
#[derive(Clone, Debug, Default)]
pub struct ScoreTally {
    /// In the order of the schemes; they are few, mostly one.
    by_scheme: Vec<(Scheme, SchemeTally)>,
    /// Over all schemes, once there is more than one.
    mixed: Option<SchemeTally>,
}

impl ScoreTally {
    /// Over all schemes.
    pub fn pooled(&self) -> SchemeTally {
        self.mixed.or_else(|| self.by_scheme.first().map(|(_, tally)| *tally)).unwrap_or_default()
    }

    /// By scheme, in their order; only those met.
    pub fn by_scheme(&self) -> impl Iterator<Item = (Scheme, &SchemeTally)> {
        self.by_scheme.iter().map(|(scheme, tally)| (*scheme, tally))
    }

    fn add(&mut self, patient: u32, scheme: Scheme, found: Option<(usize, Standing)>, patients: Patients) {
        let place = self.by_scheme.iter().position(|(known, _)| *known == scheme).unwrap_or_else(|| {
            if self.by_scheme.len() == 1 {
                self.mixed = Some(self.pooled());
            }
            let place = self.by_scheme.partition_point(|(known, _)| *known < scheme);
            self.by_scheme.insert(place, (scheme, SchemeTally::default()));
            place
        });
        self.by_scheme[place].1.add(patient, found, patients);
        if let Some(mixed) = &mut self.mixed {
            mixed.add(patient, found, patients);
        }
    }

    /// Sums the levels by how they stand, scheme by scheme and over all.
    fn sum_standings(&mut self, criterion: Criterion) {
        for (scheme, tally) in &mut self.by_scheme {
            tally.sum_standings(*scheme, criterion);
        }
        if let Some(mixed) = &mut self.mixed {
            for (_, tally) in &self.by_scheme {
                mixed.standings.iter_mut().zip(tally.standings).for_each(|(all, part)| all.scored += part.scored);
            }
        }
    }
}

/// All scores at one recall.
#[derive(Clone, Debug)]
pub struct RecallTally {
    /// Where each factor's levels begin among the groups; everybody is group 0.
    begins: Vec<usize>,
    /// By group, then criterion; none where nobody was scored.
    tallies: Vec<Option<Box<ScoreTally>>>,
}

impl RecallTally {
    /// Counts those due at a recall.
    pub fn of(
        histories: &Histories,
        due: &[Due],
        window: RecallWindow,
        factors: &[FactorLevels],
        patients: Patients,
    ) -> Self {
        let mut groups = 1;
        let begins = factors
            .iter()
            .map(|factor| {
                groups += factor.levels.len();
                groups - factor.levels.len()
            })
            .collect();
        let mut tally = Self { begins, tallies: vec![None; groups * Criterion::ALL.len()] };
        let patient = |due: &Due| histories.patient[due.restoration as usize];
        let mut due = Cow::Borrowed(due);
        if !due.is_sorted_by_key(patient) {
            due.to_mut().sort_by_key(patient);
        }
        let mut of: Vec<usize> = Vec::new();
        for one in due.iter().filter(|due| due.scored) {
            of.clear();
            of.push(0);
            for (factor, begin) in factors.iter().zip(&tally.begins) {
                let level = factor.codes[one.restoration as usize];
                if level != NO_GROUP {
                    of.push(begin + usize::from(level));
                }
            }
            let scores = scores_of(histories, one.restoration, window);
            for (criterion, score) in Criterion::ALL.into_iter().zip(scores) {
                let Some((scheme, score)) = score else { continue };
                let found = level_of(scheme, criterion, score);
                for &group in &of {
                    let cell = &mut tally.tallies[group * Criterion::ALL.len() + usize::from(criterion.index())];
                    cell.get_or_insert_default().add(patient(one), scheme, found, patients);
                }
            }
        }
        if patients == Patients::Together {
            for (place, cell) in tally.tallies.iter_mut().enumerate() {
                if let Some(cell) = cell {
                    cell.sum_standings(Criterion::ALL[place % Criterion::ALL.len()]);
                }
            }
        }
        tally
    }

    /// A criterion's scores of everybody; none if nobody was scored.
    pub fn all(&self, criterion: Criterion) -> Option<&ScoreTally> {
        self.group(0, criterion)
    }

    /// A criterion's scores of a level of a factor, both by their places; none if nobody was scored.
    pub fn level(&self, factor: usize, level: usize, criterion: Criterion) -> Option<&ScoreTally> {
        self.group(self.begins.get(factor)? + level, criterion)
    }

    fn group(&self, group: usize, criterion: Criterion) -> Option<&ScoreTally> {
        self.tallies.get(group * Criterion::ALL.len() + usize::from(criterion.index()))?.as_deref()
    }
}

/// The place of a score among the levels of its scheme, and how it stands; none if the scheme has no such score there.
fn level_of(scheme: Scheme, criterion: Criterion, score: Score) -> Option<(usize, Standing)> {
    let levels = scheme.levels(criterion).iter().enumerate();
    levels.into_iter().find(|(_, level)| level.score == score).map(|(place, level)| (place, level.standing))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two schemes, patients with several restorations: counted again by sets.
    #[test]
    fn patients_count_once_in_each_cell() {
        let schemes = [Scheme::UsphsThreeLevel, Scheme::Fdi2010];
        let rows: Vec<(u32, Scheme, Score)> = (0..600_u32)
            .map(|n| {
                let scheme = schemes[(n * 7 / 5 % 3 % 2) as usize];
                let levels = scheme.levels(Criterion::Colour);
                (n / 4, scheme, levels[(n * n % 11) as usize % levels.len()].score)
            })
            .collect();
        let (mut tally, mut together) = (ScoreTally::default(), ScoreTally::default());
        for &(patient, scheme, score) in &rows {
            tally.add(patient, scheme, level_of(scheme, Criterion::Colour, score), Patients::OfEachScore);
            together.add(patient, scheme, level_of(scheme, Criterion::Colour, score), Patients::Together);
        }
        together.sum_standings(Criterion::Colour);
        let held = |tally: &Tally, wanted: &dyn Fn(&(u32, Scheme, Score)) -> bool| {
            let these: Vec<u32> = rows.iter().filter(|row| wanted(row)).map(|row| row.0).collect();
            let patients: std::collections::BTreeSet<u32> = these.iter().copied().collect();
            assert_eq!((tally.scored(), tally.patients()), (these.len() as u64, patients.len() as u64));
            patients.len() < these.len()
        };
        let standing = |row: &(u32, Scheme, Score)| row.1.standing(Criterion::Colour, row.2);
        let scored = |tally: &SchemeTally| (tally.all.patients(), tally.standings.map(|one| one.scored()));
        assert_eq!(scored(&together.pooled()), scored(&tally.pooled()));
        for ((_, one), (_, other)) in together.by_scheme().zip(tally.by_scheme()) {
            assert_eq!(
                (scored(one), one.levels.map(|level| level.scored())),
                (scored(other), other.levels.map(|level| level.scored()))
            );
        }
        assert!(held(&tally.pooled().all, &|_| true), "some patient has two");
        let mut with_two = 0;
        for wanted in [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable] {
            with_two += u32::from(held(tally.pooled().standing(wanted), &|row| standing(row) == Some(wanted)));
        }
        for (scheme, of_scheme) in tally.by_scheme() {
            held(&of_scheme.all, &|row| row.1 == scheme);
            for (level, part) in scheme.levels(Criterion::Colour).iter().zip(&of_scheme.levels) {
                with_two += u32::from(held(part, &|row| row.1 == scheme && row.2 == level.score));
            }
        }
        assert!(with_two > 3, "in some cells a patient has two");
    }
}
