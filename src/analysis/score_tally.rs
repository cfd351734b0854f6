//! Scores at one recall counted: by criterion, by level of each factor, by scheme and by score, with the patients behind each count.
//!
//! Cost.  One pass over those due, patient by patient. A patient with one restoration scored at one visit, as most are, is one more of a
//!        combination of levels with a statement. Patients with several, who show something of several combinations, are one more of those who
//!        show scores of the same criteria there, where it is not asked for which scores. Otherwise the scores of a restoration are one word
//!        of bits, which is added to the counts of its combination of levels; which scores the patient had is remembered as bits, and counted
//!        at the end. The patients behind single scores are counted only where few are hidden.

use hashbrown::HashTable;

use super::bit_counts::ManyBitCounts;
use super::combinations::Combinations;
use crate::cohort::recall::{Due, WindowDays, scores_of, visits_of};
use crate::cohort::{FactorLevels, Histories, Statement};
use crate::record::{Coded, Criterion, Scheme, Score, Standing};
use crate::table::text_hash::mixed;
use crate::threads::{available, on_threads};

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

/// Scores of one combination of levels under one scheme.
#[derive(Clone, Debug)]
struct Cell {
    combination: u32,
    scheme: u8,
    /// What the patient under way shows here: a bit for each score of each criterion.
    shown: u64,
}

/// Scores counted as they come, patient by patient.
pub struct Counter<'a> {
    patients: Patients,
    combinations: &'a Combinations,
    /// By combination, then scheme, the place of its cell; [`NO_CELL`] if nothing was scored there.
    cell_at: Vec<u32>,
    cells: Vec<Cell>,
    /// By cell: how many restorations have each score.
    scored: ManyBitCounts,
    /// How many patients who show nothing elsewhere stand so, or have any score.
    alone: ManyBitCounts,
    /// How many of them have each score; counted only if wanted.
    alone_with_score: ManyBitCounts,
    /// Cells that show something of the patient under way.
    touched: Vec<u32>,
    /// Patients who show something in several cells, by group, then scheme.
    several: Counted,
    /// What the patient under way shows, if in several cells, by group, then scheme.
    shown: Vec<u64>,
    /// Room for the places of what one patient shows there.
    by_group: Vec<usize>,
    /// Patients who show something in two to four cells, by what they show: which scores is not asked for.
    patterns: HashTable<(Pattern, u32)>,
    of_statements: &'a [SchemeWord],
    /// Patients with one restoration scored at one visit, by its combination, then the statement; empty where it would take too much.
    simple: Vec<u32>,
}

/// Numbers of a combination and a statement, in all counters, beyond which they take more room than they save time.
const MOST_SIMPLE: usize = 1 << 24;

/// Nothing was scored there.
const NO_CELL: u32 = u32::MAX;

impl<'a> Counter<'a> {
    /// One of so many that stand beside each other.
    fn new(combinations: &'a Combinations, patients: Patients, of_statements: &'a [SchemeWord], beside: usize) -> Self {
        let simple = combinations.count() * of_statements.len();
        Self {
            patients,
            combinations,
            of_statements,
            simple: vec![0; if simple <= MOST_SIMPLE / beside.max(1) { simple } else { 0 }],
            cell_at: vec![NO_CELL; combinations.count() * SCHEMES],
            cells: Vec::new(),
            scored: ManyBitCounts::default(),
            alone: ManyBitCounts::default(),
            alone_with_score: ManyBitCounts::default(),
            touched: Vec::new(),
            // Room for all groups is made for the first who shows something in several cells.
            several: Counted::none(0),
            shown: Vec::new(),
            by_group: Vec::new(),
            patterns: HashTable::new(),
        }
    }

    /// Adds the restorations of one patient that were due.
    pub fn add_patient(&mut self, histories: &Histories, due: &[Due], window: WindowDays) {
        let mut scored = due.iter().filter(|due| due.scored);
        let Some(first) = scored.next() else { return };
        if !self.simple.is_empty()
            && scored.next().is_none()
            && let [only] = visits_of(histories, *first, window)
        {
            self.add_simple_patient(self.combinations.of(first.restoration), only.statement);
            return;
        }
        due.iter().filter(|due| due.scored).for_each(|due| self.add_due(histories, *due, window));
        self.close();
    }

    /// Adds a restoration's scores under one scheme.
    #[expect(clippy::cast_possible_truncation, reason = "cells are fewer than restorations, and these fewer than 2^32")]
    fn add(&mut self, combination: usize, scheme: usize, word: u64) {
        if word == 0 {
            return;
        }
        let at = &mut self.cell_at[combination * SCHEMES + scheme];
        if *at == NO_CELL {
            *at = self.cells.len() as u32;
            self.cells.push(Cell { combination: combination as u32, scheme: scheme as u8, shown: 0 });
            [&mut self.scored, &mut self.alone, &mut self.alone_with_score].into_iter().for_each(ManyBitCounts::push);
        }
        self.scored.add(*at as usize, word);
        let cell = &mut self.cells[*at as usize];
        if cell.shown == 0 {
            self.touched.push(*at);
        }
        cell.shown |= word;
    }

    /// Adds what a restoration that was due shows within the recall's window.
    fn add_due(&mut self, histories: &Histories, due: Due, window: WindowDays) {
        let combination = self.combinations.of(due.restoration);
        if let [only] = visits_of(histories, due, window) {
            let SchemeWord { scheme, word } = self.of_statements[only.statement as usize];
            self.add(combination, usize::from(scheme), word);
            return;
        }
        let scores = Criterion::ALL.into_iter().zip(scores_of(histories, due, window));
        let scores = scores.filter_map(|(criterion, score)| score.map(|(scheme, score)| (criterion, scheme, score)));
        for (scheme, &word) in words(scores).iter().enumerate() {
            self.add(combination, scheme, word);
        }
    }

    /// Adds a patient with one restoration scored at one visit.
    fn add_simple_patient(&mut self, combination: usize, statement: u32) {
        self.simple[combination * self.of_statements.len() + statement as usize] += 1;
    }

    /// Which bits of standings are wanted.
    fn wanted(&self) -> u64 {
        if self.patients == Patients::OfEachScore { u64::MAX } else { ANY_OF_ALL }
    }

    /// Adds the simple ones to what a counter came to.
    fn add_simple(&self, counted: &mut Counted) {
        let wanted = self.wanted();
        for (combination, of_statements) in self.simple.chunks(self.of_statements.len().max(1)).enumerate() {
            let mut sums: [(Numbers, Numbers); SCHEMES] = [([0; 64], [0; 64]); SCHEMES];
            for (&count, of) in of_statements.iter().zip(self.of_statements).filter(|(count, _)| **count > 0) {
                let (scored, standing) = &mut sums[usize::from(of.scheme)];
                add_bits(scored, of.word, count);
                add_bits(standing, stands_at(usize::from(of.scheme), of.word, wanted), count);
            }
            for &group in self.combinations.groups(combination) {
                for (scheme, (scored, standing)) in sums.iter().enumerate().filter(|(_, (_, standing))| *standing != [0; 64])
                {
                    let at = group * SCHEMES + scheme;
                    add_all(&mut counted.scored[at], scored);
                    add_all(&mut counted.standing[at], standing);
                    add_all(&mut counted.standing_in_any[group], standing);
                    if self.patients == Patients::OfEachScore {
                        add_all(&mut counted.with_score[at], scored);
                    }
                }
            }
        }
    }

    /// Counts what the patient under way shows.
    fn close(&mut self) {
        let (each, wanted) = (self.patients == Patients::OfEachScore, self.wanted());
        if let [only] = self.touched[..] {
            let cell = &mut self.cells[only as usize];
            let shown = std::mem::take(&mut cell.shown);
            self.alone.add(only as usize, stands_at(usize::from(cell.scheme), shown, wanted));
            if each {
                self.alone_with_score.add(only as usize, shown);
            }
            self.touched.clear();
            return;
        }
        if let Some(pattern) = self.pattern() {
            self.touched.drain(..).for_each(|place| self.cells[place as usize].shown = 0);
            let hash = pattern.hash();
            match self.patterns.find_mut(hash, |(other, _)| *other == pattern) {
                Some((_, patients)) => *patients += 1,
                None => {
                    self.patterns.insert_unique(hash, (pattern, 1), |(pattern, _)| pattern.hash());
                }
            }
            return;
        }
        let shown: Vec<(u32, u64)> =
            self.touched.drain(..).map(|place| (place, std::mem::take(&mut self.cells[place as usize].shown))).collect();
        self.count_several(&shown, 1);
    }

    /// What the patient under way shows, as a pattern; none where scores are asked for, or in more cells than a pattern has room for.
    fn pattern(&self) -> Option<Pattern> {
        if self.patients == Patients::OfEachScore || self.touched.len() > Pattern::CELLS {
            return None;
        }
        let mut pattern = Pattern::NOTHING;
        for (own, &place) in pattern.0.iter_mut().zip(&self.touched) {
            let cell = &self.cells[place as usize];
            let any = stands_at(usize::from(cell.scheme), cell.shown, ANY_OF_ALL);
            *own = (place < Pattern::MOST_CELLS).then(|| place << 8 | u32::from(side_by_side(any)))?;
        }
        // The same cells may be met in another order.
        pattern.0.sort_unstable();
        Some(pattern)
    }

    /// Counts so many patients who show the same in several cells.
    fn count_several(&mut self, shown: &[(u32, u64)], patients: u32) {
        let (each, wanted) = (self.patients == Patients::OfEachScore, self.wanted());
        if self.shown.is_empty() {
            self.several = Counted::none(self.combinations.all_groups());
            self.shown = vec![0; self.combinations.all_groups() * SCHEMES];
        }
        let mut by_group = std::mem::take(&mut self.by_group);
        for &(place, shown) in shown {
            let cell = &self.cells[place as usize];
            for group in self.combinations.groups(cell.combination as usize) {
                let at = group * SCHEMES + usize::from(cell.scheme);
                if self.shown[at] == 0 {
                    by_group.push(at);
                }
                self.shown[at] |= shown;
            }
        }
        by_group.sort_unstable();
        for of_group in by_group.chunk_by(|one, other| one / SCHEMES == other / SCHEMES) {
            let mut in_any = 0;
            for &at in of_group {
                let shown = std::mem::take(&mut self.shown[at]);
                let stands = stands_at(at % SCHEMES, shown, wanted);
                add_bits(&mut self.several.standing[at], stands, patients);
                in_any |= stands;
                if each {
                    add_bits(&mut self.several.with_score[at], shown, patients);
                }
            }
            add_bits(&mut self.several.standing_in_any[of_group[0] / SCHEMES], in_any, patients);
        }
        by_group.clear();
        self.by_group = by_group;
    }

    /// What it came to.
    fn counted(mut self) -> Counted {
        self.close();
        for (pattern, patients) in std::mem::take(&mut self.patterns) {
            self.count_several(&pattern.cells().collect::<Vec<_>>(), patients);
        }
        let mut counted = match self.shown.is_empty() {
            true => Counted::none(self.combinations.all_groups()),
            false => std::mem::replace(&mut self.several, Counted::none(0)),
        };
        self.add_simple(&mut counted);
        let cells = self.cells.iter().zip(self.scored.counts()).zip(self.alone.counts());
        for (((cell, scored), alone), with_score) in cells.zip(self.alone_with_score.counts()) {
            for &group in self.combinations.groups(cell.combination as usize) {
                let at = group * SCHEMES + usize::from(cell.scheme);
                add_all(&mut counted.scored[at], &scored);
                add_all(&mut counted.standing[at], &alone);
                // Who shows nothing elsewhere shows nothing under another scheme.
                add_all(&mut counted.standing_in_any[group], &alone);
                add_all(&mut counted.with_score[at], &with_score);
            }
        }
        counted
    }
}

/// In which cells a patient shows any score of which criteria: the place of a cell, and a bit for each criterion; in their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Pattern([u32; Pattern::CELLS]);

impl Pattern {
    const CELLS: usize = 4;
    /// The highest place of a cell that has room, and that stands for none.
    const MOST_CELLS: u32 = u32::MAX >> 8;
    const NOTHING: Self = Self([u32::MAX; Self::CELLS]);

    fn hash(&self) -> u64 {
        let [one, two, three, four] = self.0.map(u64::from);
        mixed(one << 32 | two, three << 32 | four)
    }

    /// Each cell with the bits of any score.
    fn cells(&self) -> impl Iterator<Item = (u32, u64)> {
        self.0
            .into_iter()
            .filter(|cell| cell >> 8 != Self::MOST_CELLS)
            .map(|cell| (cell >> 8, spread(cell.to_le_bytes()[0])))
    }
}

/// The bits of any score of each criterion as bits side by side.
fn side_by_side(any: u64) -> u8 {
    // Each bit is moved to another place of the highest byte.
    ((any >> ANY).wrapping_mul(0x0102_0408_1020_4080) >> 56).to_le_bytes()[0]
}

/// Those bits each at its place again.
fn spread(bits: u8) -> u64 {
    let places = (0..Criterion::ALL.len()).filter(|place| bits >> place & 1 == 1);
    places.map(|place| 1 << (place * PLACES + ANY)).sum()
}

fn stands_at(scheme: usize, shown: u64, wanted: u64) -> u64 {
    scheme_at(scheme).map_or(0, |scheme| stands(scheme, shown, wanted))
}

/// A number for each place of each criterion.
type Numbers = [u32; PLACES * Criterion::ALL.len()];

/// Adds so many at the place of each bit.
fn add_bits(numbers: &mut Numbers, mut bits: u64, count: u32) {
    while bits != 0 {
        numbers[bits.trailing_zeros() as usize] += count;
        bits &= bits - 1;
    }
}

fn add_all(numbers: &mut Numbers, others: &Numbers) {
    numbers.iter_mut().zip(others).for_each(|(number, other)| *number += other);
}

/// What a counter came to.
struct Counted {
    /// By group, then scheme: how many restorations have each score.
    scored: Vec<Numbers>,
    /// The same of patients; counted only if wanted.
    with_score: Vec<Numbers>,
    /// By group, then scheme: how many patients stand so, or have any score.
    standing: Vec<Numbers>,
    /// The same by group, over all schemes.
    standing_in_any: Vec<Numbers>,
}

impl Counted {
    fn none(groups: usize) -> Self {
        let zero = || vec![[0; 64]; groups * SCHEMES];
        Self { scored: zero(), with_score: zero(), standing: zero(), standing_in_any: vec![[0; 64]; groups] }
    }

    /// Adds what came of other patients.
    fn add(&mut self, other: &Self) {
        let all = [
            (&mut self.scored, &other.scored),
            (&mut self.with_score, &other.with_score),
            (&mut self.standing, &other.standing),
            (&mut self.standing_in_any, &other.standing_in_any),
        ];
        for (own, other) in all {
            own.iter_mut().zip(other).for_each(|(own, other)| add_all(own, other));
        }
    }

    /// By group, then criterion; none where nobody was scored.
    fn tallies(&self) -> Vec<Option<Box<ScoreTally>>> {
        let groups = self.standing_in_any.len();
        (0..groups).flat_map(|group| Criterion::ALL.map(|criterion| self.tally(group, criterion))).collect()
    }

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

/// The scores of one visit as bits, with its scheme; none where it has no scheme.
#[derive(Clone, Copy)]
struct SchemeWord {
    scheme: u8,
    word: u64,
}

impl SchemeWord {
    fn of(statement: &Statement) -> Self {
        let Some(scheme) = statement.stated.scheme else { return Self { scheme: 0, word: 0 } };
        let scores =
            Criterion::ALL.into_iter().filter_map(|criterion| Some((criterion, scheme, statement.score(criterion)?)));
        Self { scheme: scheme.index(), word: words(scores)[usize::from(scheme.index())] }
    }
}

/// The groups whose scores are counted: everybody, and each level of each factor.
pub struct ScoreGroups {
    /// Where each factor's levels begin among the groups; everybody is group 0.
    begins: Vec<usize>,
    combinations: Combinations,
}

impl ScoreGroups {
    /// Those of some factors of so many restorations.
    pub fn new(factors: &[FactorLevels], restorations: usize) -> Self {
        let mut groups = 1;
        let begins: Vec<usize> = factors
            .iter()
            .map(|factor| {
                groups += factor.levels.len();
                groups - factor.levels.len()
            })
            .collect();
        let combinations = Combinations::new(factors, &begins, groups, restorations);
        Self { begins, combinations }
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

/// Counts scores at recalls, patient by patient, with any number of counters for patients of their own.
pub struct ScoreCounters<'a> {
    groups: &'a ScoreGroups,
    patients: Patients,
    of_statements: Vec<SchemeWord>,
}

impl<'a> ScoreCounters<'a> {
    /// For the scores of some restorations.
    pub fn new(histories: &Histories, groups: &'a ScoreGroups, patients: Patients) -> Self {
        Self { groups, patients, of_statements: histories.statements.iter().map(SchemeWord::of).collect() }
    }

    /// Counters for so many recalls, nothing counted yet.
    pub fn none_at_each(&self, recalls: usize) -> Vec<Counter<'_>> {
        let beside = recalls * available();
        let none = || Counter::new(&self.groups.combinations, self.patients, &self.of_statements, beside);
        std::iter::repeat_with(none).take(recalls).collect()
    }

    /// What counters of other patients came to together, recall by recall.
    pub fn tallies(&self, counters: Vec<Vec<Counter<'_>>>) -> Vec<RecallTally> {
        let threads = counters.len();
        let mut by_recall: Vec<Vec<Counter<'_>>> = Vec::new();
        for own in counters {
            by_recall.resize_with(by_recall.len().max(own.len()), Vec::new);
            by_recall.iter_mut().zip(own).for_each(|(recall, counter)| recall.push(counter));
        }
        let together = |mut all: Counted, other: Counted| {
            all.add(&other);
            all
        };
        // One recall after the other, so that what few of them come to is there at once.
        on_threads(by_recall, threads, |recall| {
            let counted = recall.into_iter().map(Counter::counted).reduce(together).unwrap_or_else(|| Counted::none(0));
            RecallTally { begins: self.groups.begins.clone(), tallies: counted.tallies() }
        })
    }
}

impl RecallTally {
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
    use crate::cohort::Statements;
    use crate::cohort::statement::Stated;
    use crate::result::FactorOrigin;
    use crate::stats::NO_GROUP;

    #[test]
    fn bits_side_by_side_are_spread_again() {
        for bits in 0..=u8::MAX {
            assert_eq!(side_by_side(spread(bits)), bits, "{bits:08b}");
            assert_eq!(spread(bits) & !ANY_OF_ALL, 0);
        }
    }

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
                // Four patients with one restoration, then one with four, and four more, then one with eight.
                (n / 20 * 10 + [0, 1, 2, 3, 4, 4, 4, 4, 5, 6, 7, 8, 9, 9, 9, 9, 9, 9, 9, 9][n as usize % 20], scheme, score)
            })
            .collect();
        assert!(rows.iter().any(|row| row.1.standing(Criterion::Colour, row.2).is_none()), "some is in no scheme");
        // Two levels of which one is told of no restoration, and a second factor that parts patients further; theirs are groups 1 to 4.
        let factor = |name: &str, code: &dyn Fn(usize) -> u16| FactorLevels {
            name: name.to_owned(),
            label: String::new(),
            origin: FactorOrigin::Own,
            levels: vec![(String::new(), String::new()); 2],
            codes: (0..rows.len()).map(code).collect(),
        };
        let odd = factor("odd", &|row| if rows[row].0 % 2 == 1 { 0 } else { NO_GROUP });
        let third = factor("third", &|row| if row % 3 == 1 { 1 } else { 0 });
        let groups = ScoreGroups::new(&[odd, third], rows.len());
        assert_eq!((groups.combinations.count(), groups.combinations.all_groups()), (4, 5));
        let mut statements = Statements::default();
        let number = |&(_, scheme, score): &(u32, Scheme, Score)| {
            let mut stated = Stated { scheme: Some(scheme), ..Stated::NOTHING };
            stated.scores[usize::from(Criterion::Colour.index())] = Some(score);
            statements.number(stated)
        };
        let statement_of: Vec<u32> = rows.iter().map(number).collect();
        let of_statements: Vec<SchemeWord> = statements.iter().map(SchemeWord::of).collect();
        let counted = |patients: Patients, simple: bool| {
            let mut counter = Counter::new(&groups.combinations, patients, if simple { &of_statements } else { &[] }, 1);
            let mut row = 0;
            for of_patient in rows.chunk_by(|one, other| one.0 == other.0) {
                if simple && of_patient.len() == 1 {
                    counter.add_simple_patient(groups.combinations.of(row), statement_of[row as usize]);
                    row += 1;
                    continue;
                }
                for _ in of_patient {
                    let SchemeWord { scheme, word } = of_statements[statement_of[row as usize] as usize];
                    counter.add(groups.combinations.of(row), usize::from(scheme), word);
                    row += 1;
                }
                counter.close();
            }
            counter.counted().tallies()
        };
        let (each, together) = (counted(Patients::OfEachScore, true), counted(Patients::Together, true));
        for (patients, simple) in [(Patients::OfEachScore, &each), (Patients::Together, &together)] {
            assert_eq!(format!("{simple:?}"), format!("{:?}", counted(patients, false)), "{patients:?}");
        }
        let colour = usize::from(Criterion::Colour.index());
        for group in [0, 1, 3, 4] {
            let tally = |tallies: &[Option<Box<ScoreTally>>]| {
                tallies[group * Criterion::ALL.len() + colour].clone().expect("scores of colour")
            };
            let (each, together) = (tally(&each), tally(&together));
            let is_in = |place: usize, row: &(u32, Scheme, Score)| match group {
                1 => row.0 % 2 == 1,
                3 => place % 3 != 1,
                4 => place % 3 == 1,
                _ => true,
            };
            let rows: Vec<&(u32, Scheme, Score)> =
                rows.iter().enumerate().filter(|(place, row)| is_in(*place, row)).map(|(_, row)| row).collect();
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
        assert!(each.iter().filter(|tally| tally.is_some()).count() == 4, "nothing else was scored");
    }
}
