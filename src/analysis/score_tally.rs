//! Scores at recalls counted: by criterion, by level of each factor, by scheme and by score, with the patients behind each count.
//!
//! Cost.  One pass over those due, patient by patient, all recalls at once. The scores of a restoration are one word of bits, which is added
//!        to the counts of its combination of levels. What a patient shows are words of bits, too, into which each restoration sets its
//!        own: where it is not asked for which scores, one word holds a bit for each criterion of eight groups. Nothing is looked up for a
//!        patient, whatever they show.

use super::bit_counts::ManyBitCounts;
use super::combinations::Combinations;
use crate::cohort::recall::{Due, WindowDays, scores_of};
use crate::cohort::{FactorLevels, Histories, Look, Statement, Statements};
use crate::record::{Coded, Criterion, Scheme, Score, Standing};
use crate::threads::on_threads;

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

/// The bits of one restoration's scores, by scheme.
type Words = [u64; SCHEMES];

/// Bits counted at some of many places, of which those are held where any came.
struct PlaceCounts {
    /// By place, where it is counted; [`NOT_COUNTED`] if nothing came.
    at: Vec<u32>,
    counts: ManyBitCounts,
}

/// Nothing came there.
const NOT_COUNTED: u32 = u32::MAX;

impl PlaceCounts {
    fn none(places: usize) -> Self {
        Self { at: vec![NOT_COUNTED; places], counts: ManyBitCounts::default() }
    }

    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "places are no more than restorations, and these fewer than 2^32")]
    fn add(&mut self, place: usize, word: u64) {
        let at = &mut self.at[place];
        if *at == NOT_COUNTED {
            *at = self.counts.push() as u32;
        }
        self.counts.add(*at as usize, word);
    }

    /// How often each bit came, by place.
    fn ended(self) -> Counts {
        Counts { at: self.at, counts: self.counts.counts() }
    }
}

/// The same when no more are counted.
struct Counts {
    at: Vec<u32>,
    counts: Vec<Numbers>,
}

impl Counts {
    fn of(&self, place: usize) -> &Numbers {
        self.counts.get(self.at[place] as usize).unwrap_or(&[0; 64])
    }
}

/// Where the groups of combinations have their bits among the words of what a patient shows.
struct Marks {
    /// How many words there are.
    words: usize,
    /// By combination, where its marks begin; one more at the end.
    begins: Vec<usize>,
    /// A word, and the bits in it that are those of the combination's groups.
    marks: Vec<(usize, u64)>,
}

impl Marks {
    /// Groups share a word eight by eight, unless each score of each of them is asked for.
    fn new(combinations: &Combinations, patients: Patients) -> Self {
        let (mut begins, mut marks) = (vec![0], Vec::<(usize, u64)>::new());
        for combination in 0..combinations.count() {
            for &group in combinations.groups(combination) {
                let (word, bits) = match patients {
                    Patients::OfEachScore => (group, u64::MAX),
                    Patients::Together => (group / PLACES, 0xff << (group % PLACES * PLACES)),
                };
                let begin = begins[combination];
                match marks[begin..].iter_mut().find(|(other, _)| *other == word) {
                    Some((_, all)) => *all |= bits,
                    None => marks.push((word, bits)),
                }
            }
            begins.push(marks.len());
        }
        let words = match patients {
            Patients::OfEachScore => combinations.all_groups(),
            Patients::Together => combinations.all_groups().div_ceil(PLACES),
        };
        Self { words, begins, marks }
    }

    fn of(&self, combination: usize) -> &[(usize, u64)] {
        &self.marks[self.begins[combination]..self.begins[combination + 1]]
    }
}

/// What the patient under way shows at a recall.
#[derive(Clone, Default)]
struct Shows {
    /// By scheme, then word.
    words: Vec<u64>,
    /// Those that aren't 0.
    touched: Vec<usize>,
}

/// Scores at all recalls counted as they come, patient by patient.
pub struct Counter<'a> {
    scores: &'a ScoreCounters<'a>,
    recalls: usize,
    /// How many restorations have each score, by combination, scheme, recall.
    scored: PlaceCounts,
    /// The patient under way, and what that patient shows by recall.
    patient: u32,
    shows: Vec<Shows>,
    /// How many patients show each bit, by recall, whether they show something under several schemes, scheme, word.
    showing: PlaceCounts,
    /// How many stand so; counted only if scores are asked for.
    standing: PlaceCounts,
    /// How many of those who show something under several schemes stand so, or show a bit, under any, by recall, word.
    in_any: PlaceCounts,
}

impl<'a> Counter<'a> {
    /// Nothing counted yet.
    fn new(scores: &'a ScoreCounters<'a>, recalls: usize) -> Self {
        let words = scores.marks.words;
        let each = scores.patients == Patients::OfEachScore;
        let shows = Shows { words: vec![0; SCHEMES * words], touched: Vec::new() };
        Self {
            scores,
            recalls,
            scored: PlaceCounts::none(scores.groups.combinations.count() * SCHEMES * recalls),
            patient: u32::MAX,
            shows: vec![shows; recalls],
            showing: PlaceCounts::none(recalls * 2 * SCHEMES * words),
            standing: PlaceCounts::none(if each { recalls * 2 * SCHEMES * words } else { 0 }),
            in_any: PlaceCounts::none(recalls * words),
        }
    }

    /// Adds a restoration of a patient that was due and scored at a recall, with its visits within the window. Those of one patient come one
    /// after the other.
    #[inline]
    pub fn add(
        &mut self,
        histories: &Histories,
        patient: u32,
        (recall, window): (usize, WindowDays),
        due: Due,
        visits: &[Look],
    ) {
        self.come_to(patient);
        let combination = self.scores.groups.combinations.of(due.restoration);
        let mut scored =
            visits.iter().map(|look| self.scores.of_statements[look.statement as usize]).filter(|of| of.are_any());
        match (scored.next(), scored.next()) {
            (Some(only), None) => self.add_scores(recall, combination, only),
            (None, _) => {}
            _ => match self.scores.nearest(visits, histories.placed[due.restoration as usize] + window.due) {
                Some(words) => self.add_words(recall, combination, words),
                None => self.add_words(recall, combination, words(scored_of(histories, due, window))),
            },
        }
    }

    /// Adds a restoration's scores under all schemes.
    fn add_words(&mut self, recall: usize, combination: usize, words: Words) {
        for (scheme, word) in words.into_iter().enumerate().filter(|(_, word)| *word != 0) {
            self.add_scores(recall, combination, Scores::of(scheme, word));
        }
    }

    /// Ends with the patient under way where another one comes.
    #[inline]
    fn come_to(&mut self, patient: u32) {
        if patient != self.patient {
            self.close();
            self.patient = patient;
        }
    }

    /// Adds a restoration's scores under one scheme, of which there are some.
    #[inline]
    fn add_scores(&mut self, recall: usize, combination: usize, scores: Scores) {
        let (scheme, shown) = (scores.scheme(), scores.shown(self.scores.patients));
        self.scored.add((combination * SCHEMES + scheme) * self.recalls + recall, scores.word());
        let marks = &self.scores.marks;
        let Shows { words, touched } = &mut self.shows[recall];
        for (place, bits) in marks.of(combination) {
            let at = scheme * marks.words + place;
            if words[at] == 0 {
                touched.push(at);
            }
            words[at] |= bits & shown;
        }
    }

    /// Counts what the patient under way shows.
    fn close(&mut self) {
        let each = self.scores.patients == Patients::OfEachScore;
        let of_scheme = self.scores.marks.words;
        for (recall, Shows { words, touched }) in self.shows.iter_mut().enumerate() {
            let Some(first) = touched.first() else { continue };
            let several = touched.iter().any(|at| at / of_scheme != first / of_scheme);
            let begin = (recall * 2 + usize::from(several)) * SCHEMES * of_scheme;
            if several {
                touched.sort_unstable_by_key(|at| at % of_scheme);
                for same in touched.chunk_by(|one, other| one % of_scheme == other % of_scheme) {
                    let stands = |at: &usize| if each { stands_at(at / of_scheme, words[*at]) } else { words[*at] };
                    let any = same.iter().map(stands).fold(0, |any, bits| any | bits);
                    self.in_any.add(recall * of_scheme + same[0] % of_scheme, any);
                }
            }
            for at in touched.drain(..) {
                let word = std::mem::take(&mut words[at]);
                self.showing.add(begin + at, word);
                if each {
                    self.standing.add(begin + at, stands_at(at / of_scheme, word));
                }
            }
        }
    }

    /// Ends with the patient under way.
    fn ended(mut self) -> Ended<'a> {
        self.close();
        Ended {
            scores: self.scores,
            recalls: self.recalls,
            scored: self.scored.ended(),
            showing: self.showing.ended(),
            standing: self.standing.ended(),
            in_any: self.in_any.ended(),
        }
    }
}

/// A counter that counts no more.
struct Ended<'a> {
    scores: &'a ScoreCounters<'a>,
    recalls: usize,
    scored: Counts,
    showing: Counts,
    standing: Counts,
    in_any: Counts,
}

impl Ended<'_> {
    /// What it came to at a recall.
    fn counted(&self, recall: usize) -> Counted {
        let combinations = &self.scores.groups.combinations;
        let mut counted = Counted::none(combinations.all_groups());
        for (combination, scheme) in (0..combinations.count()).flat_map(|one| (0..SCHEMES).map(move |scheme| (one, scheme)))
        {
            let scored = self.scored.of((combination * SCHEMES + scheme) * self.recalls + recall);
            if scored.iter().any(|count| *count > 0) {
                for &group in combinations.groups(combination) {
                    add_all(&mut counted.scored[group * SCHEMES + scheme], scored);
                }
            }
        }
        let words = self.scores.marks.words;
        for group in 0..combinations.all_groups() {
            for (several, scheme) in [0, 1].into_iter().flat_map(|several| (0..SCHEMES).map(move |scheme| (several, scheme)))
            {
                let begin = ((recall * 2 + several) * SCHEMES + scheme) * words;
                let (showing, standing) = (&self.showing, &self.standing);
                let (with_score, standing) = match self.scores.patients {
                    Patients::OfEachScore => (*showing.of(begin + group), *standing.of(begin + group)),
                    Patients::Together => ([0; 64], any_of_group(showing, begin, group)),
                };
                add_all(&mut counted.with_score[group * SCHEMES + scheme], &with_score);
                add_all(&mut counted.standing[group * SCHEMES + scheme], &standing);
                // Who shows nothing under another scheme stands so under any.
                if several == 0 {
                    add_all(&mut counted.standing_in_any[group], &standing);
                }
            }
            let in_any = match self.scores.patients {
                Patients::OfEachScore => *self.in_any.of(recall * words + group),
                Patients::Together => any_of_group(&self.in_any, recall * words, group),
            };
            add_all(&mut counted.standing_in_any[group], &in_any);
        }
        counted
    }
}

/// How many show any score of each criterion in a group that shares a word with others, where the words of a scheme begin at a place.
fn any_of_group(counts: &Counts, begin: usize, group: usize) -> Numbers {
    let of_word = counts.of(begin + group / PLACES);
    let mut numbers = [0; 64];
    for criterion in 0..Criterion::ALL.len() {
        numbers[criterion * PLACES + ANY] = of_word[group % PLACES * PLACES + criterion];
    }
    numbers
}

fn stands_at(scheme: usize, shown: u64) -> u64 {
    scheme_at(scheme).map_or(0, |scheme| stands(scheme, shown))
}

/// A number for each place of each criterion.
type Numbers = [u32; PLACES * Criterion::ALL.len()];

fn add_all(numbers: &mut Numbers, others: &Numbers) {
    numbers.iter_mut().zip(others).for_each(|(number, other)| *number += other);
}

/// What a counter came to at a recall.
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

/// The bits of scores as bits of how they stand and of any score at all.
fn stands(scheme: Scheme, shown: u64) -> u64 {
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

/// Scores under one scheme as bits, with the place of the scheme in bits that no score has; 0 where nothing is scored.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Scores(u64);

impl Scores {
    /// The places of a criterion's scores.
    const SCORES: u64 = 0x3f3f_3f3f_3f3f_3f3f;

    /// Of a scheme by its place.
    const fn of(scheme: usize, word: u64) -> Self {
        let scheme = scheme as u64;
        Self(if word == 0 { 0 } else { word | (scheme & 3) << 6 | (scheme >> 2 & 3) << 14 })
    }

    fn of_statement(statement: &Statement) -> Self {
        let Some(scheme) = statement.stated.scheme else { return Self(0) };
        let scores =
            Criterion::ALL.into_iter().filter_map(|criterion| Some((criterion, scheme, statement.score(criterion)?)));
        let scheme = usize::from(scheme.index());
        Self::of(scheme, words(scores)[scheme])
    }

    const fn are_any(self) -> bool {
        self.0 != 0
    }

    /// The place of the scheme.
    #[expect(clippy::cast_possible_truncation, reason = "four bits")]
    const fn scheme(self) -> usize {
        (self.0 >> 6 & 3 | (self.0 >> 14 & 3) << 2) as usize
    }

    const fn word(self) -> u64 {
        self.0 & Self::SCORES
    }

    /// The bits that a patient shows with them in each word.
    const fn shown(self, patients: Patients) -> u64 {
        match patients {
            Patients::OfEachScore => self.word(),
            Patients::Together => {
                // The lowest bit of each byte that has any, brought together in the highest byte, each at the place of its criterion.
                let any = whole_bytes(self.word()) & EACH_BYTE;
                let criteria = any.wrapping_mul(0x0102_0408_1020_4080) >> 56;
                // The same eight bits for each of eight groups.
                criteria * EACH_BYTE
            }
        }
    }
}

/// The lowest bit of each byte.
const EACH_BYTE: u64 = 0x0101_0101_0101_0101;

/// Each criterion's score of a restoration that was due, with its scheme, as [`scores_of`] tells them.
fn scored_of(histories: &Histories, due: Due, window: WindowDays) -> impl Iterator<Item = (Criterion, Scheme, Score)> {
    let scores = Criterion::ALL.into_iter().zip(scores_of(histories, due, window));
    scores.filter_map(|(criterion, score)| score.map(|(scheme, score)| (criterion, scheme, score)))
}

/// All bits of each byte that has any.
const fn whole_bytes(word: u64) -> u64 {
    const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
    // The highest bit of each byte that is not zero.
    let any = (((word & LOW) + LOW) | word) & !LOW;
    (any >> 7) * 0xff
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
    marks: Marks,
    of_statements: Vec<Scores>,
}

impl<'a> ScoreCounters<'a> {
    /// For the scores of some restorations.
    pub fn new(histories: &Histories, groups: &'a ScoreGroups, patients: Patients) -> Self {
        Self::of_statements(&histories.statements, groups, patients)
    }

    fn of_statements(statements: &Statements, groups: &'a ScoreGroups, patients: Patients) -> Self {
        let marks = Marks::new(&groups.combinations, patients);
        let of_statements = statements.by_number(Scores::of_statement);
        Self { groups, patients, marks, of_statements }
    }

    /// The bits of the scores that count of several visits, as [`scores_of`] tells them: of each criterion that of the visit nearest to the due
    /// day, the earlier of two equally near. None where two visits of one day are to be weighed against each other.
    fn nearest(&self, visits: &[Look], due: i32) -> Option<Words> {
        let scored = |look: &&Look| self.of_statements[look.statement as usize].are_any();
        let mut words = [0; SCHEMES];
        let (mut filled, mut last) = (0, None);
        let key = |look: &Look| ((look.day - due).abs(), look.day);
        // The next one each time: they are few.
        while let Some(next) =
            visits.iter().filter(scored).filter(|look| last.is_none_or(|last| key(look) > last)).min_by_key(|look| key(look))
        {
            if visits.iter().filter(scored).filter(|look| look.day == next.day).count() > 1 {
                return None;
            }
            let of = self.of_statements[next.statement as usize];
            words[of.scheme()] |= of.word() & !filled;
            filled |= whole_bytes(of.word());
            last = Some(key(next));
        }
        Some(words)
    }

    /// A counter for so many recalls, nothing counted yet.
    pub fn none_at_each(&self, recalls: usize) -> Counter<'_> {
        Counter::new(self, recalls)
    }

    /// What counters of other patients came to together, recall by recall.
    pub fn tallies(&self, counters: Vec<Counter<'_>>) -> Vec<RecallTally> {
        let threads = counters.len();
        let recalls = counters.first().map_or(0, |counter| counter.recalls);
        let ended = on_threads(counters, threads, Counter::ended);
        let together = |mut all: Counted, other: Counted| {
            all.add(&other);
            all
        };
        // One recall after the other on each thread, so that what few of them come to is there at once.
        on_threads((0..recalls).collect(), threads, |recall| {
            let counted = ended.iter().map(|ended| ended.counted(recall)).reduce(together);
            let tallies = counted.map_or_else(Vec::new, |counted| counted.tallies());
            RecallTally { begins: self.groups.begins.clone(), tallies }
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
    fn bytes_with_any_bit_are_whole() {
        for (word, whole) in [(0, 0), (1, 0xff), (0x8000_0000_0000_0140, 0xff00_0000_0000_ffff)] {
            assert_eq!(whole_bytes(word), whole, "{word:x}");
        }
    }

    /// A scheme goes with its scores, and what a patient shows is told of each criterion by itself.
    #[test]
    fn scores_keep_their_scheme() {
        const { assert!(SCHEMES <= 16 && NO_LEVEL < 6, "there are bits for them") }
        for (n, scheme) in (0..4_000_u64).zip((0..SCHEMES).cycle()) {
            let word = n.wrapping_mul(0x9e37_79b9_7f4a_7c15) & n.wrapping_mul(0xbf58_476d_1ce4_e5b9) & Scores::SCORES;
            let scores = Scores::of(scheme, word);
            assert_eq!(scores.are_any(), word != 0);
            assert_eq!((scores.word(), scores.scheme()), (word, if word == 0 { 0 } else { scheme }));
            assert_eq!(scores.shown(Patients::OfEachScore), word);
            let shown = scores.shown(Patients::Together).to_le_bytes();
            for (criterion, byte) in word.to_le_bytes().into_iter().enumerate() {
                assert!(shown.iter().all(|shown| u8::from(byte != 0) == shown >> criterion & 1), "{word:x}");
            }
        }
    }

    /// Of up to four visits around the due day, under two schemes, each with some criteria scored: found again criterion by criterion.
    #[test]
    fn the_nearest_visits_scores_count() {
        let schemes = [Scheme::UsphsThreeLevel, Scheme::Fdi2010];
        let mut statements = Statements::default();
        for n in 0..64_usize {
            let scheme = schemes[n % 2];
            let mut stated = Stated { scheme: (n % 7 > 0).then_some(scheme), ..Stated::NOTHING };
            for (place, criterion) in Criterion::ALL.into_iter().enumerate().filter(|(place, _)| n >> (place % 6) & 1 == 1) {
                let levels = scheme.levels(criterion);
                stated.scores[usize::from(criterion.index())] =
                    levels.get((n + place) % levels.len().max(1)).map(|level| level.score);
            }
            statements.number(stated);
        }
        let groups = ScoreGroups::new(&[], 1);
        let scores = ScoreCounters::of_statements(&statements, &groups, Patients::Together);
        let (mut weighed, kinds) = (0, u32::try_from(statements.iter().count()).expect("few"));
        for n in 0..4_000_u32 {
            let look = |visit: u32| Look {
                day: ((n * (visit + 3) * 7) % 11).cast_signed() + 95,
                statement: (n * 13 + visit * (n % 17 + 5)) % kinds,
            };
            let mut visits: Vec<Look> = (0..n % 5).map(look).collect();
            visits.sort_by_key(|look| look.day);
            let scored = |look: &&Look| scores.of_statements[look.statement as usize].are_any();
            let days: Vec<i32> = visits.iter().filter(scored).map(|look| look.day).collect();
            let found = scores.nearest(&visits, 100);
            if days.windows(2).any(|pair| pair[0] == pair[1]) {
                assert_eq!(found, None, "two of one day are weighed elsewhere");
                continue;
            }
            weighed += u32::from(days.len() > 1);
            let score_of = |criterion: Criterion| {
                let of = |look: &Look| {
                    let statement = statements.get(look.statement);
                    Some((criterion, statement.stated.scheme?, statement.score(criterion)?))
                };
                let nearest =
                    visits.iter().filter(|look| of(look).is_some()).min_by_key(|look| ((look.day - 100).abs(), look.day));
                nearest.and_then(of)
            };
            assert_eq!(found, Some(words(Criterion::ALL.into_iter().filter_map(score_of))), "{visits:?}");
        }
        assert!(weighed > 1_000, "{weighed}");
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
        let [each, together] = [Patients::OfEachScore, Patients::Together].map(|patients| {
            let scores = ScoreCounters::of_statements(&statements, &groups, patients);
            // At the second recall all are scored, at the first every other one.
            let counter = |is_taken: &dyn Fn(u32) -> bool| {
                let mut counter = Counter::new(&scores, 2);
                let taken = (0..).zip(&rows).zip(&statement_of).filter(|((_, row), _)| is_taken(row.0));
                for ((row, &(patient, ..)), statement) in taken {
                    for recall in row as usize % 2..2 {
                        counter.come_to(patient);
                        let own = scores.of_statements[*statement as usize];
                        counter.add_scores(recall, groups.combinations.of(row), own);
                    }
                }
                counter
            };
            let at_once = scores.tallies(vec![counter(&|_| true)]);
            // The same with other patients elsewhere.
            let parts = scores.tallies((0..3).map(|part| counter(&|patient| patient % 3 == part)).collect());
            assert_eq!(format!("{at_once:?}"), format!("{parts:?}"));
            let first = at_once[0].all(Criterion::Colour).expect("scores").pooled();
            assert_eq!(first.all.scored, rows.len() as u64 / 2);
            at_once[1].tallies.clone()
        });
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

    /// Several criteria in more groups than share a word, some scored under two schemes: patients counted again by sets.
    #[test]
    fn patients_are_told_by_criterion_in_many_groups() {
        let schemes = [Scheme::UsphsThreeLevel, Scheme::Fdi2010];
        let criteria = [Criterion::MarginalStaining, Criterion::Colour, Criterion::Sensitivity];
        // Restorations in the order of their patients, of whom each has one to five.
        let mut patients = Vec::new();
        for patient in 0..400_u32 {
            patients.extend((0..=patient * 7 % 5).map(|_| patient));
        }
        let scatter = |row: usize, of: usize| row.wrapping_mul(of).wrapping_mul(2_654_435_761) >> 9;
        let level = |row: usize| scatter(row, 3) % 19;
        let scheme = |row: usize| schemes[usize::from(scatter(row, 5) % 4 == 0)];
        let is_scored = |row: usize, criterion: usize| scatter(row, 7 + criterion) % 3 > 0;
        let factor = FactorLevels {
            name: "many".to_owned(),
            label: String::new(),
            origin: FactorOrigin::Own,
            levels: vec![(String::new(), String::new()); 19],
            codes: (0..patients.len()).map(|row| u16::try_from(level(row)).expect("few")).collect(),
        };
        let groups = ScoreGroups::new(&[factor], patients.len());
        let mut statements = Statements::default();
        let mut number = |row: usize| {
            let mut stated = Stated { scheme: Some(scheme(row)), ..Stated::NOTHING };
            for (place, criterion) in criteria.into_iter().enumerate().filter(|(place, _)| is_scored(row, *place)) {
                let levels = scheme(row).levels(criterion);
                stated.scores[usize::from(criterion.index())] = Some(levels[scatter(row, 11 + place) % levels.len()].score);
            }
            statements.number(stated)
        };
        let statement_of: Vec<u32> = (0..patients.len()).map(&mut number).collect();
        for counted in [Patients::Together, Patients::OfEachScore] {
            let scores = ScoreCounters::of_statements(&statements, &groups, counted);
            let mut counter = Counter::new(&scores, 1);
            for (row, (patient, statement)) in patients.iter().zip(&statement_of).enumerate() {
                counter.come_to(*patient);
                let own = scores.of_statements[*statement as usize];
                if own.are_any() {
                    counter.add_scores(0, groups.combinations.of(u32::try_from(row).expect("few")), own);
                }
            }
            let tallies = scores.tallies(vec![counter]);
            let mut told = 0;
            for (place, criterion) in criteria.into_iter().enumerate() {
                for group in 0..20 {
                    let of = |wanted: &dyn Fn(usize) -> bool| {
                        let is_in = |row: &usize| group == 0 || level(*row) + 1 == group;
                        let rows = (0..patients.len()).filter(is_in).filter(|row| is_scored(*row, place) && wanted(*row));
                        let these: Vec<u32> = rows.map(|row| patients[row]).collect();
                        let all: std::collections::BTreeSet<u32> = these.iter().copied().collect();
                        Tally { scored: these.len() as u64, patients: all.len() as u64 }
                    };
                    let tally = tallies[0].group(group, criterion).expect("scored");
                    assert_eq!(tally.pooled().all, of(&|_| true), "{criterion:?} in group {group}");
                    for (own, of_scheme) in tally.by_scheme() {
                        assert_eq!(of_scheme.all, of(&|row| scheme(row) == own), "{criterion:?} in group {group}, {own:?}");
                        told += 1;
                    }
                }
            }
            assert!(told > 100, "{told}");
        }
    }
}
