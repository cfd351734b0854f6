//! Scores at one recall counted: by criterion, by level of each factor, by scheme and by score, with the patients behind each count.
//!
//! Cost.  One pass over those due, patient by patient. The scores of a restoration are one word of bits, which is added to the counts of
//!        each group; which scores a patient had is remembered as bits, and counted once the next patient comes. The patients behind
//!        single scores are counted only where few are hidden.

use std::borrow::Cow;

use super::bit_counts::BitCounts;
use crate::cohort::recall::{Due, WindowDays, scores_of};
use crate::cohort::{FactorLevels, Histories};
use crate::record::{Coded, Criterion, Scheme, Score, Standing};
use crate::stats::NO_GROUP;

/// Restorations scored, and the patients behind them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    scored: u64,
    patients: u64,
}

impl Tally {
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
}

/// One criterion's scores of one group.
#[derive(Clone, Debug, Default)]
pub struct ScoreTally {
    /// In the order of the schemes; they are few, mostly one.
    by_scheme: Vec<(Scheme, SchemeTally)>,
    pooled: SchemeTally,
}

impl ScoreTally {
    /// Over all schemes.
    pub fn pooled(&self) -> SchemeTally {
        self.pooled
    }

    /// By scheme, in their order; only those met.
    pub fn by_scheme(&self) -> impl Iterator<Item = (Scheme, &SchemeTally)> {
        self.by_scheme.iter().map(|(scheme, tally)| (*scheme, tally))
    }
}

/// How many schemes there are.
const SCHEMES: usize = Scheme::TERMS.len();

fn scheme_at(place: usize) -> Option<Scheme> {
    Scheme::from_index(u8::try_from(place).ok()?)
}

/// Bits, or numbers, of one criterion among those of all.
const PLACES: usize = 8;
/// The place of a score that its scheme doesn't have; those that it has are before.
const NO_LEVEL: usize = 5;
/// The place of any score at all, after those of the three standings.
const ANY: usize = 3;
/// [`ANY`] of each criterion.
const ANY_OF_ALL: u64 = 0x0808_0808_0808_0808;

/// The bits of one restoration's scores, by scheme.
type Words = [u64; SCHEMES];

/// Scores of groups under schemes, counted as they come, patient by patient.
struct Counter {
    patients: Patients,
    /// By group, then scheme: how many restorations have each score.
    scored: Vec<BitCounts>,
    /// The same of patients; counted only if wanted.
    with_score: Vec<BitCounts>,
    /// By group, then scheme: how many patients stand so, or have any score.
    standing: Vec<BitCounts>,
    /// The same by group, over all schemes.
    standing_in_any: Vec<BitCounts>,
    /// What the patient under way shows, by group, then scheme: a bit for each score of each criterion.
    shown: Vec<u64>,
    /// Which of these are not empty.
    touched: Vec<usize>,
    patient: Option<u32>,
}

impl Counter {
    fn new(groups: usize, patients: Patients) -> Self {
        let zero = BitCounts::ZERO;
        let cells = groups * SCHEMES;
        Self {
            patients,
            scored: vec![zero.clone(); cells],
            with_score: vec![zero.clone(); cells],
            standing: vec![zero.clone(); cells],
            standing_in_any: vec![zero; groups],
            shown: vec![0; cells],
            touched: Vec::new(),
            patient: None,
        }
    }

    /// Begins a patient; scores that come belong to this one.
    fn begin(&mut self, patient: u32) {
        if self.patient != Some(patient) {
            self.close();
            self.patient = Some(patient);
        }
    }

    /// Adds a restoration's scores in some groups.
    fn add(&mut self, groups: &[usize], words: &Words) {
        for (scheme, &word) in words.iter().enumerate().filter(|(_, word)| **word != 0) {
            for group in groups {
                let cell = group * SCHEMES + scheme;
                self.scored[cell].add(word);
                if self.shown[cell] == 0 {
                    self.touched.push(cell);
                }
                self.shown[cell] |= word;
            }
        }
    }

    /// Counts what the patient under way shows.
    fn close(&mut self) {
        self.touched.sort_unstable();
        let wanted = if self.patients == Patients::Together { ANY_OF_ALL } else { u64::MAX };
        for of_group in self.touched.chunk_by(|one, other| one / SCHEMES == other / SCHEMES) {
            let mut in_any = 0;
            for &cell in of_group {
                let shown = std::mem::take(&mut self.shown[cell]);
                let stands = scheme_at(cell % SCHEMES).map_or(0, |scheme| stands(scheme, shown, wanted));
                self.standing[cell].add(stands);
                in_any |= stands;
                if self.patients == Patients::OfEachScore {
                    self.with_score[cell].add(shown);
                }
            }
            self.standing_in_any[of_group[0] / SCHEMES].add(in_any);
        }
        self.touched.clear();
    }

    /// By group, then criterion; none where nobody was scored.
    fn tallies(mut self) -> Vec<Option<Box<ScoreTally>>> {
        self.close();
        let groups = self.standing_in_any.len();
        let counted = |counts: Vec<BitCounts>| counts.into_iter().map(BitCounts::counts).collect();
        let counted = Counted {
            scored: counted(self.scored),
            with_score: counted(self.with_score),
            standing: counted(self.standing),
            standing_in_any: counted(self.standing_in_any),
        };
        (0..groups).flat_map(|group| Criterion::ALL.map(|criterion| counted.tally(group, criterion))).collect()
    }
}

/// What a counter came to.
struct Counted {
    scored: Vec<[u32; 64]>,
    with_score: Vec<[u32; 64]>,
    standing: Vec<[u32; 64]>,
    standing_in_any: Vec<[u32; 64]>,
}

impl Counted {
    fn tally(&self, group: usize, criterion: Criterion) -> Option<Box<ScoreTally>> {
        let mut tally = ScoreTally::default();
        let at = usize::from(criterion.index()) * PLACES;
        for (scheme, cell) in (0..SCHEMES).filter_map(scheme_at).zip(group * SCHEMES..) {
            let (scored, with_score) = (&self.scored[cell][at..], &self.with_score[cell][at..]);
            let scored_at_all: u64 = scored[..=NO_LEVEL].iter().map(|count| u64::from(*count)).sum();
            if scored_at_all == 0 {
                continue;
            }
            let mut of_scheme = SchemeTally::default();
            for (place, level) in scheme.levels(criterion).iter().enumerate() {
                let scored = u64::from(scored[place]);
                of_scheme.levels[place] = Tally { scored, patients: u64::from(with_score[place]) };
                of_scheme.standings[level.standing as usize].scored += scored;
            }
            of_scheme.all.scored = scored_at_all;
            set_patients(&mut of_scheme, &self.standing[cell][at..]);
            let pooled = &mut tally.pooled;
            pooled.all.scored += scored_at_all;
            pooled.standings.iter_mut().zip(of_scheme.standings).for_each(|(all, part)| all.scored += part.scored);
            tally.by_scheme.push((scheme, of_scheme));
        }
        set_patients(&mut tally.pooled, &self.standing_in_any[group][at..]);
        if let [(_, only)] = tally.by_scheme[..] {
            tally.pooled = only;
        }
        (!tally.by_scheme.is_empty()).then(|| Box::new(tally))
    }
}

/// How many patients stand so, and how many there are, into a tally.
fn set_patients(tally: &mut SchemeTally, counted: &[u32]) {
    for (standing, &count) in tally.standings.iter_mut().zip(counted) {
        standing.patients = u64::from(count);
    }
    tally.all.patients = u64::from(counted[ANY]);
}

/// The bits of some scores, each with its criterion and scheme.
fn words(scores: impl Iterator<Item = (Criterion, Scheme, Score)>) -> Words {
    let mut words = [0; SCHEMES];
    for (criterion, scheme, score) in scores {
        let level = scheme.place(criterion, score).unwrap_or(NO_LEVEL);
        words[usize::from(scheme.index())] |= 1 << (usize::from(criterion.index()) * PLACES + level);
    }
    words
}

/// The bits of scores as bits of how they stand and of any score at all, as far as wanted.
fn stands(scheme: Scheme, shown: u64, wanted: u64) -> u64 {
    if wanted == ANY_OF_ALL {
        // The high bit of each byte that is not zero, moved to its place.
        const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
        return ((((shown & LOW) + LOW) | shown) & !LOW) >> (PLACES - 1 - ANY);
    }
    let mut stands = 0;
    for criterion in Criterion::ALL {
        let at = usize::from(criterion.index()) * PLACES;
        let of_criterion = shown >> at & 0xff;
        if of_criterion == 0 {
            continue;
        }
        stands |= 1 << (at + ANY);
        for (place, level) in scheme.levels(criterion).iter().enumerate() {
            if of_criterion >> place & 1 == 1 {
                stands |= 1 << (at + level.standing as usize);
            }
        }
    }
    stands
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
    pub fn of(histories: &Histories, due: &[Due], window: WindowDays, factors: &[FactorLevels], patients: Patients) -> Self {
        let mut groups = 1;
        let begins: Vec<usize> = factors
            .iter()
            .map(|factor| {
                groups += factor.levels.len();
                groups - factor.levels.len()
            })
            .collect();
        let patient = |due: &Due| histories.patient[due.restoration as usize];
        let mut due = Cow::Borrowed(due);
        if !due.is_sorted_by_key(patient) {
            due.to_mut().sort_by_key(patient);
        }
        let mut counter = Counter::new(groups, patients);
        let mut of: Vec<usize> = Vec::new();
        for one in due.iter().filter(|due| due.scored) {
            of.clear();
            of.push(0);
            for (factor, begin) in factors.iter().zip(&begins) {
                let level = factor.codes[one.restoration as usize];
                if level != NO_GROUP {
                    of.push(begin + usize::from(level));
                }
            }
            counter.begin(patient(one));
            let scores = scores_of(histories, *one, window);
            let scores = Criterion::ALL.into_iter().zip(scores);
            let words =
                words(scores.filter_map(|(criterion, score)| score.map(|(scheme, score)| (criterion, scheme, score))));
            counter.add(&of, &words);
        }
        Self { begins, tallies: counter.tallies() }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Two schemes, patients with several restorations, a score that its scheme doesn't have: counted again by sets.
    #[test]
    fn patients_count_once_in_each_cell() {
        let schemes = [Scheme::UsphsThreeLevel, Scheme::Fdi2010];
        let strange = Scheme::UsphsFourLevel.levels(Criterion::Colour).last().expect("a level").score;
        let rows: Vec<(u32, Scheme, Score)> = (0..600_u32)
            .map(|n| {
                let scheme = schemes[(n * 7 / 5 % 3 % 2) as usize];
                let levels = scheme.levels(Criterion::Colour);
                let score = if n % 97 == 5 { strange } else { levels[(n * n % 11) as usize % levels.len()].score };
                (n / 4, scheme, score)
            })
            .collect();
        assert!(rows.iter().any(|row| row.1.standing(Criterion::Colour, row.2).is_none()), "some is in no scheme");
        let counted = |patients: Patients| {
            let mut counter = Counter::new(2, patients);
            for &(patient, scheme, score) in &rows {
                counter.begin(patient);
                let groups: &[usize] = if patient % 2 == 1 { &[0, 1] } else { &[0] };
                counter.add(groups, &words(std::iter::once((Criterion::Colour, scheme, score))));
            }
            counter.tallies()
        };
        let (each, together) = (counted(Patients::OfEachScore), counted(Patients::Together));
        let colour = usize::from(Criterion::Colour.index());
        for group in 0..2 {
            let tally = |tallies: &[Option<Box<ScoreTally>>]| {
                tallies[group * Criterion::ALL.len() + colour].clone().expect("scores of colour")
            };
            let (each, together) = (tally(&each), tally(&together));
            let rows: Vec<&(u32, Scheme, Score)> = rows.iter().filter(|row| group == 0 || row.0 % 2 == 1).collect();
            let of = |wanted: &dyn Fn(&(u32, Scheme, Score)) -> bool| {
                let these: Vec<u32> = rows.iter().filter(|row| wanted(row)).map(|row| row.0).collect();
                let patients: std::collections::BTreeSet<u32> = these.iter().copied().collect();
                Tally { scored: these.len() as u64, patients: patients.len() as u64 }
            };
            let stands = |row: &(u32, Scheme, Score)| row.1.standing(Criterion::Colour, row.2);
            assert_eq!(each.pooled().all, of(&|_| true));
            assert!(each.pooled().all.patients < each.pooled().all.scored, "some patient has two");
            for wanted in [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable] {
                assert_eq!(*each.pooled().standing(wanted), of(&|row| stands(row) == Some(wanted)));
                assert_eq!(together.pooled().standing(wanted).scored, each.pooled().standing(wanted).scored);
            }
            assert_eq!(together.pooled().all, each.pooled().all);
            assert_eq!(each.by_scheme().count(), 2);
            for ((scheme, one), (_, other)) in each.by_scheme().zip(together.by_scheme()) {
                assert_eq!(one.all, of(&|row| row.1 == scheme));
                assert_eq!(other.all, one.all);
                for wanted in [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable] {
                    assert_eq!(*one.standing(wanted), of(&|row| row.1 == scheme && stands(row) == Some(wanted)));
                }
                for ((level, part), without) in scheme.levels(Criterion::Colour).iter().zip(&one.levels).zip(&other.levels) {
                    assert_eq!(*part, of(&|row| row.1 == scheme && row.2 == level.score));
                    assert_eq!(without.scored, part.scored);
                }
            }
        }
        assert!(each.iter().filter(|tally| tally.is_some()).count() == 2, "nothing else was scored");
    }
}
