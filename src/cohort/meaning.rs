//! Rows that contradict each other, or the course of time, found and named.
//!
//! Intake has checked every cell by itself; here rows meet: visits with their placement, with each other, and placements on
//! the same surface. Whatever would change a number without being seen is an error; what is only odd is a caution.

use std::collections::HashSet;
use std::ops::Range;
use std::thread;

use polars::prelude::{StringChunked, UInt8Type};

use super::event::Event;
use super::history::{Histories, of_telling, threads_for};
use super::spelling::{Spellings, check_spellings};
use super::statement::{KEEPING, Statement};
use super::visit_rows::{NOBODY, VisitRows};
use crate::finding::{FindingKind, Findings, Place};
use crate::protocol::Protocol;
use crate::quantity::Day;
use crate::record::{Aetiology, Coded, Criterion, Extent, Outcome, Tooth, says_replaced};
use crate::result::Exclusion;
use crate::table::records::{InPlace, Origins};
use crate::table::text_runs::Texts;
use crate::table::{NO_DAY, PlacementTable, TableError};
use crate::threads::in_turn;

/// Finds what contradicts itself, and takes repeats of the same visit out of the histories (they are counted in the flow).
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
pub fn check(
    placements: &PlacementTable,
    visits: &VisitRows,
    histories: &mut Histories,
    protocol: &Protocol,
    findings: &mut Findings,
) -> Result<(), TableError> {
    let over_all = thread::scope(|scope| -> Result<OverAll, TableError> {
        let gathered = scope.spawn(|| {
            let mut over_all = OverAll::default();
            over_all.add(placements, visits).map(|()| over_all)
        });
        check_part(placements, visits, histories, protocol, None, findings)?;
        gathered.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    })?;
    over_all.close(placements.0.files(), visits.files(), findings);
    Ok(())
}

/// Finds what contradicts itself in a part of the records: all rows of some patients, all spellings of a patient among them.
/// `unknown` are the restorations named as replaced that were placed in no part; where there are no other parts they are found here. The rest
/// is for [`OverAll`].
///
/// # Errors
/// When a table lacks a column, which would be a fault of the program.
pub fn check_part(
    placements: &PlacementTable,
    visits: &VisitRows,
    histories: &mut Histories,
    protocol: &Protocol,
    unknown: Option<&HashSet<&str>>,
    findings: &mut Findings,
) -> Result<(), TableError> {
    drop_repeats(visits, histories, findings);
    let (histories, threads) = (&*histories, threads_for(histories.looks.len()));
    let seen = Seen::new(placements, visits, histories, protocol)?;
    seen.orphans(findings);
    let mut tasks = vec![Task::Surfaces, Task::Spellings, Task::Placements, Task::Replaced];
    tasks.extend(histories.runs(threads).into_iter().map(Task::Visits));
    let none = findings.none_like();
    let found = in_turn(&tasks, threads, |task| -> Result<Findings, TableError> {
        let mut findings = none.clone();
        match task {
            Task::Surfaces => check_same_surface(placements, histories, protocol, &mut findings)?,
            Task::Spellings => {
                check_spellings(&placements.0, "patient_id", &histories.patient_rows, "patients", &mut findings)?
            }
            Task::Placements => check_placements(placements, histories, &mut findings)?,
            Task::Replaced => match unknown {
                Some(unknown) => check_replaced(placements, unknown, &mut findings)?,
                None => check_replaced(placements, &replaced_elsewhere(placements)?, &mut findings)?,
            },
            Task::Visits(run) => seen.check_all(run.clone(), &mut findings),
        }
        Ok(findings)
    });
    for found in found {
        findings.take_over(found?);
    }
    Ok(())
}

/// One of the checks, or its share of the restorations.
enum Task {
    Surfaces,
    Spellings,
    Placements,
    Replaced,
    Visits(Range<usize>),
}

/// What only all records together tell, gathered part by part in any order.
#[derive(Clone, Debug, Default)]
pub struct OverAll {
    operators: Spellings,
    examiners: Spellings,
    placements: u64,
    visits: u64,
}

impl OverAll {
    /// Adds a part.
    ///
    /// # Errors
    /// When a table lacks a column, which would be a fault of the program.
    pub fn add(&mut self, placements: &PlacementTable, visits: &VisitRows) -> Result<(), TableError> {
        self.operators.add_column(&placements.0, "operator")?;
        self.examiners.take_over(visits.examiners());
        self.placements += placements.0.len() as u64;
        self.visits += visits.len() as u64;
        Ok(())
    }

    /// Takes over what other parts gave.
    pub fn take_over(&mut self, other: &Self) {
        self.operators.take_over(&other.operators);
        self.examiners.take_over(&other.examiners);
        self.placements += other.placements;
        self.visits += other.visits;
    }

    /// Names what was found; rows count the files of their kind in these lists.
    pub fn close(&self, placement_files: &[String], visit_files: &[String], findings: &mut Findings) {
        self.operators.close(placement_files, "operator", "operators", findings);
        self.examiners.close(visit_files, "examiner", "examiners", findings);
        if self.visits == 0 && self.placements > 0 {
            findings.note(
                FindingKind::NoVisits,
                Place::file("all files"),
                None,
                "There are placements and no visits, so nothing is known of how they fared.",
                "Add a file of visits (with a column visited_on).",
            );
        }
    }
}

/// Restorations that placements name as replaced, and that are not placed in the same table.
///
/// # Errors
/// When the table lacks a column, which would be a fault of the program.
pub fn replaced_elsewhere(placements: &PlacementTable) -> Result<HashSet<&str>, TableError> {
    let ids = placements.0.text("restoration_id")?;
    // Mostly the one replaced stands a few rows before, with the patient's others.
    let near = |row: usize, text: &str| (row.saturating_sub(8)..row).any(|earlier| ids.get(earlier) == Some(text));
    let named = placements.0.texts("replaces_restoration")?.filled();
    let elsewhere = named.filter(|(row, text)| says_replaced(text).is_none() && !near(*row, text));
    let mut elsewhere: HashSet<&str> = elsewhere.map(|(_, text)| text).collect();
    if !elsewhere.is_empty() {
        for id in ids.iter().flatten() {
            elsewhere.remove(id);
        }
    }
    Ok(elsewhere)
}

/// What a placement says it replaces: yes, no, or a restoration that was placed, and not itself.
fn check_replaced(placements: &PlacementTable, unknown: &HashSet<&str>, findings: &mut Findings) -> Result<(), TableError> {
    let table = &placements.0;
    let (replaced, ids, origins) = (table.texts("replaces_restoration")?, table.text("restoration_id")?, table.origins()?);
    // Where some rows name the restoration, 1 and 0 may be ids, too.
    let by_id = replaced.filled().any(|(_, text)| says_replaced(text).is_none() && !unknown.contains(text));
    for (row, text) in replaced.filled() {
        if by_id && matches!(text, "0" | "1") {
            findings.note(
                FindingKind::ReplacedUnknown,
                Place::cell(origins.file(row), origins.row(row), "replaces_restoration"),
                Some(text),
                format!("It is read as {}, but other rows name a restoration here, and this may be an id.", if text == "1" { "yes" } else { "no" }),
                "Write yes or no if that is meant; if it is an id, give that restoration another one (with ids_begin_with, declare the whole new id under files.values.replaces_restoration).",
            );
            continue;
        }
        let itself = ids.get(row) == Some(text);
        if itself || (says_replaced(text).is_none() && unknown.contains(text)) {
            findings.note(
                FindingKind::ReplacedUnknown,
                Place::cell(origins.file(row), origins.row(row), "replaces_restoration"),
                Some(text),
                if itself { "A restoration can't replace itself." } else { "No placement has this restoration." },
                "Write yes, no, or the id of the restoration that it replaces; other words for yes and no are declared in records.toml \
                 (files.values.replaces_restoration).",
            );
        }
    }
    Ok(())
}

/// The same visit twice: to the letter (dropped, counted), differing (an error), or by two examiners (a caution).
fn drop_repeats(visits: &VisitRows, histories: &mut Histories, findings: &mut Findings) {
    if histories.stand_in_place() && !visits.any_same_day {
        return;
    }
    let (shared, threads, none) = (&*histories, threads_for(histories.looks.len()), findings.none_like());
    let found = in_turn(&shared.runs(threads), threads, |run| {
        let (mut dropped, mut findings) = (Vec::new(), none.clone());
        for restoration in run.clone() {
            dropped.extend(repeats_of(shared, restoration, visits, &mut findings));
        }
        (dropped, findings)
    });
    let mut dropped: Vec<usize> = Vec::new();
    for (places, part) in found {
        dropped.extend(places);
        findings.take_over(part);
    }
    if dropped.is_empty() {
        return;
    }
    histories.drop_looks(&dropped);
    let count = dropped.len() as u64;
    histories.flow.visits_excluded.push(Exclusion { reason: "the same row again".to_owned(), count });
}

/// The visits of one restoration that repeat an earlier one to the letter, by their places among all.
fn repeats_of(histories: &Histories, restoration: usize, visits: &VisitRows, findings: &mut Findings) -> Vec<usize> {
    let (looks, places) = (&histories.looks, histories.places(restoration));
    let mut repeats = Vec::new();
    for later in places.clone().skip(1) {
        for earlier in (places.start..later).rev().take_while(|&earlier| looks[earlier].day == looks[later].day) {
            let (row, other_row) = (histories.row(earlier), histories.row(later));
            let place = Place::row(visits.file(other_row), visits.row_in_file(other_row));
            let where_first = said_of(visits, row);
            if visits.examiner(row) != visits.examiner(other_row) {
                findings.note(
                    FindingKind::TwoExaminers,
                    place,
                    visits.examiner(other_row),
                    format!("Another examiner looked on the same day ({where_first}); the worse finding counts."),
                    "Nothing to mend if both looked.",
                );
            } else if looks[earlier].statement == looks[later].statement
                && histories.happened(earlier) == histories.happened(later)
            {
                repeats.push(later);
                findings.note(
                    FindingKind::IdenticalRow,
                    place,
                    None,
                    format!("The visit repeats {where_first}; it is counted once."),
                    "Nothing to mend unless the export doubled rows.",
                );
                break;
            } else {
                findings.note(
                    FindingKind::VisitsDiffer,
                    place,
                    None,
                    format!("The same restoration, day and examiner as in {where_first}, but other scores."),
                    "Keep the row that is right, or correct the day or the examiner.",
                );
                break;
            }
        }
    }
    repeats
}

fn said_of(visits: &VisitRows, row: u32) -> String {
    format!("{} row {}", visits.file(row), visits.row_in_file(row))
}

fn said(origins: &Origins<'_>, row: u32) -> String {
    format!("{} row {}", origins.file(row as usize), origins.row(row as usize))
}

fn check_placements(placements: &PlacementTable, histories: &Histories, findings: &mut Findings) -> Result<(), TableError> {
    let table = &placements.0;
    let origins = table.origins()?;
    let place = |row: usize, column: &str| Place::cell(origins.file(row), origins.row(row), column);
    let ids = table.text("restoration_id")?;
    for &(row, earlier) in &histories.repeats {
        findings.note(
            FindingKind::IdenticalRow,
            Place::row(origins.file(row as usize), origins.row(row as usize)),
            None,
            format!("The row repeats {} to the letter; it is counted once.", said(&origins, earlier)),
            "Nothing to mend unless the export doubled rows.",
        );
    }
    for &(row, earlier) in &histories.placed_again {
        findings.note(
            FindingKind::PlacementRepeated,
            place(row as usize, "restoration_id"),
            ids.get(row as usize),
            format!("This restoration is placed already in {}.", said(&origins, earlier)),
            if origins.file(row as usize) == origins.file(earlier as usize) {
                "Give a re-treatment an id of its own; take out a row that was exported twice."
            } else {
                "Give a re-treatment an id of its own; take out a row that was exported twice. If the two files number alike, declare in \
                 records.toml what ids begin with (ids_begin_with)."
            },
        );
    }
    let (placed_on, entered_on) = (table.days_in_place("placed_on")?, table.days_in_place("entered_on")?);
    let aetiology = table.codes_in_place("aetiology")?;
    for row in 0..table.len() {
        let (placed, entered) = (placed_on.get(row), entered_on.get(row));
        if entered != NO_DAY && placed != NO_DAY && entered < placed {
            findings.note(
                FindingKind::EnteredBeforePlaced,
                place(row, "entered_on"),
                Some(&Day::from_epoch(entered).to_string()),
                format!("It can't come under observation before it was placed on {}.", Day::from_epoch(placed)),
                "Correct one of the two days; leave entered_on empty if it was followed from the start.",
            );
        }
        if Aetiology::from_index(aetiology.get(row)) == Some(Aetiology::Caries) {
            findings.note(
                FindingKind::CariousLesion,
                place(row, "aetiology"),
                Some("caries"),
                "A carious lesion is another kind of case than a worn one; it is analysed with the rest.",
                "Use --by aetiology to see it apart.",
            );
        }
    }
    Ok(())
}

/// What a restoration's visits are held against.
struct Seen<'a> {
    histories: &'a Histories,
    visits: &'a VisitRows,
    origins: Origins<'a>,
    operator: Texts<'a>,
    legacy_after_days: i32,
    /// By the number of an operator's name, where names have numbers, the number that an examiner of this name has.
    as_examiner: Vec<u32>,
    /// As [`deaths`] tells them.
    deaths: Vec<(u32, i32, u32)>,
    /// A bit for each patient who is said to have died.
    died: Vec<u64>,
    /// What matters of each statement, by its number, as bits.
    says: Vec<u8>,
}

/// It may contradict itself.
const ODD: u8 = 1;
const CLOSES: u8 = 2;
const SCORED: u8 = 4;

impl<'a> Seen<'a> {
    fn new(
        placements: &'a PlacementTable,
        visits: &'a VisitRows,
        histories: &'a Histories,
        protocol: &Protocol,
    ) -> Result<Self, TableError> {
        let says = histories.statements.bits_by_number(|statement| {
            let odd = statement.stated.dated || contradicted(statement).is_some() || says_lost(statement);
            [(odd, ODD), (statement.closes, CLOSES), (statement.scored, SCORED)]
        });
        let deaths = deaths(histories);
        let mut died = vec![0; (histories.patients as usize).div_ceil(64)];
        deaths.iter().for_each(|(patient, ..)| died[*patient as usize / 64] |= 1 << (patient % 64));
        let operator = placements.0.texts("operator")?;
        let as_examiner = match operator {
            Texts::Cells(_) => Vec::new(),
            Texts::Numbered(names) => {
                names.listed().values_iter().map(|name| visits.examiners().find(name).unwrap_or(NOBODY)).collect()
            }
        };
        Ok(Self {
            histories,
            visits,
            origins: placements.0.origins()?,
            operator,
            legacy_after_days: i32::try_from(protocol.legacy_after_days).unwrap_or(i32::MAX),
            as_examiner,
            deaths,
            died,
            says,
        })
    }

    fn place(&self, row: u32, column: &str) -> Place {
        Place::cell(self.visits.file(row), self.visits.row_in_file(row), column)
    }

    /// Visits whose restoration was never placed.
    fn orphans(&self, findings: &mut Findings) {
        for &row in &self.histories.orphans {
            findings.note(
                FindingKind::RestorationUnknown,
                self.place(row, "restoration_id"),
                self.visits.unplaced(row),
                "No placement has this restoration.",
                "Correct the id, or add its placement.",
            );
        }
    }

    /// What the visits of some restorations contradict.
    fn check_all(&self, restorations: Range<usize>, findings: &mut Findings) {
        // Neighbours mostly have the same operator.
        let mut operator = (None, NOBODY);
        for restoration in restorations {
            let row = self.histories.placement_row[restoration] as usize;
            if let Texts::Numbered(names) = self.operator {
                let number = names.numbers()[row];
                operator = (names.text(number), self.as_examiner.get(number as usize).copied().unwrap_or(NOBODY));
            } else if self.operator.get(row) != operator.0 {
                let own = self.operator.get(row);
                operator = (own, own.and_then(|own| self.visits.examiners().find(own)).unwrap_or(NOBODY));
            }
            self.check(restoration, operator, findings);
        }
    }

    /// What the visits of one restoration contradict: its placement, each other, or the patient's death. The operator is that of the
    /// restoration, with the number that an examiner of this name has.
    fn check(&self, restoration: usize, (own_operator, own_number): (Option<&str>, u32), findings: &mut Findings) {
        let histories = self.histories;
        let place = |row: u32, column: &str| self.place(row, column);
        let (placed, entry) = (histories.placed[restoration], histories.entry[restoration]);
        let patient = histories.patient[restoration];
        let died = if self.died[patient as usize / 64] >> (patient % 64) & 1 == 0 {
            None
        } else {
            let found = self.deaths.binary_search_by_key(&patient, |(patient, ..)| *patient);
            found.ok().map(|at| (self.deaths[at].1, self.deaths[at].2))
        };
        let looks = histories.looks(restoration);
        let all = looks.iter().fold(0, |all, look| all | self.says[look.statement as usize]);
        // Visits are in order of their days.
        let Some(waited) = looks.first().map(|look| look.day - placed) else { return };
        if waited > self.legacy_after_days && entry == 0 {
            self.legacy(restoration, waited, findings);
        }
        if all & (ODD | CLOSES) == 0 && died.is_none() && waited >= 0 {
            // Nothing there that could contradict anything.
            if own_number != NOBODY && all & SCORED != 0 {
                let places = histories.places(restoration);
                places.for_each(|at| self.check_own_work(at, own_operator, own_number, findings));
            }
            return;
        }
        let mut last_in_place: Option<i32> = None;
        let mut closed: Option<(i32, u32, Event)> = None;
        for at in histories.places(restoration) {
            let look = &histories.looks[at];
            // Rows are told of few.
            let row = || histories.row(at);
            let day = || Day::from_epoch(look.day).to_string();
            let statement = histories.said(look);
            if look.day < placed {
                findings.note(
                    FindingKind::VisitBeforePlacement,
                    place(row(), "visited_on"),
                    Some(&day()),
                    format!("The restoration was placed only on {}.", Day::from_epoch(placed)),
                    "Correct one of the two days.",
                );
                continue;
            }
            if self.says[look.statement as usize] & ODD != 0 {
                self.check_look(at, placed, findings);
            }
            if let Some((died_on, telling_row)) = died.filter(|&(died_on, _)| statement.examined && look.day > died_on) {
                findings.note(
                    FindingKind::SeenAfterDeath,
                    place(row(), "visited_on"),
                    Some(&day()),
                    format!(
                        "The patient is said to have died by {} ({}).",
                        Day::from_epoch(died_on),
                        said_of(self.visits, telling_row)
                    ),
                    "Correct the day or the outcome; source is reported if nobody looked.",
                );
            }
            if let Some((closed_on, closing_row, event)) = closed
                && look.day > closed_on
                && (statement.shows_in_place || statement.scores_a_filling())
            {
                findings.note(
                    FindingKind::VisitAfterLoss,
                    place(row(), "visited_on"),
                    Some(&day()),
                    format!(
                        "It was {} on {} ({}), but is seen in place here.",
                        closed_word(event),
                        Day::from_epoch(closed_on),
                        said_of(self.visits, closing_row)
                    ),
                    "Correct the earlier finding, or enter the re-treatment as a placement of its own and give it this visit.",
                );
            }
            if closed.is_none()
                && statement.closes
                && let Some(event) = statement.events().find(|event| event.closes())
            {
                let happened = histories.happened(at).unwrap_or(look.day);
                // On the day itself two examiners may differ; the graver finding counts.
                if last_in_place.is_some_and(|seen| seen > happened) {
                    findings.note(
                        FindingKind::OutcomeContradictsRetention,
                        place(row(), "outcome_on"),
                        Some(&Day::from_epoch(happened).to_string()),
                        format!(
                            "It is said to have happened then, but was seen in place on {}.",
                            Day::from_epoch(last_in_place.unwrap_or(0))
                        ),
                        "Correct the day, or leave outcome_on empty.",
                    );
                }
                closed = Some((look.day, row(), event));
                if statement.stated.reported {
                    findings.note(
                        FindingKind::LossReported,
                        place(row(), "source"),
                        None,
                        "The end of this restoration is known from a report, not from an examination.",
                        "Nothing to mend; reported ends are counted and said.",
                    );
                }
            }
            if statement.shows_in_place && look.day - placed >= entry {
                last_in_place = Some(look.day);
            }
            self.check_own_work(at, own_operator, own_number, findings);
        }
    }

    /// A restoration that was followed from its placement, and was first seen long after it.
    fn legacy(&self, restoration: usize, waited: i32, findings: &mut Findings) {
        let row = self.histories.placement_row[restoration] as usize;
        findings.note(
            FindingKind::LegacyUndeclared,
            Place::cell(self.origins.file(row), self.origins.row(row), "placed_on"),
            Some(&Day::from_epoch(self.histories.placed[restoration]).to_string()),
            format!("First seen {waited} days after placement. If its record began only then, early losses are missing."),
            "Fill entered_on with the day its record began.",
        );
    }

    /// Whether who placed the restoration scored it, too.
    fn check_own_work(&self, at: usize, own_operator: Option<&str>, own_number: u32, findings: &mut Findings) {
        let scored = self.says[self.histories.looks[at].statement as usize] & SCORED != 0;
        let row = self.histories.row(at);
        if own_number == NOBODY
            || !scored
            || self.visits.examiner_number(row) != own_number
            || findings.only_counted(FindingKind::OwnWorkScored, self.visits.file(row), self.visits.row_in_file(row))
        {
            return;
        }
        findings.note(
            FindingKind::OwnWorkScored,
            self.place(row, "examiner"),
            own_operator,
            "The operator scored own work; such scores tend to be kind.",
            "Nothing to mend; a second examiner would make the scores stronger.",
        );
    }

    /// What one visit contradicts by itself.
    fn check_look(&self, at: usize, placed: i32, findings: &mut Findings) {
        let (look, row) = (&self.histories.looks[at], self.histories.row(at));
        let statement = self.histories.said(look);
        if let Some(happened) = self.histories.happened(at)
            && (happened > look.day || happened < placed)
        {
            let what = if happened > look.day {
                "It happens after the visit that tells of it."
            } else {
                "It happens before the placement."
            };
            let text = Day::from_epoch(happened).to_string();
            findings.note(
                FindingKind::OutcomeAfterVisit,
                self.place(row, "outcome_on"),
                Some(&text),
                what,
                "Correct the day, or leave outcome_on empty.",
            );
        }
        if let Some(outcome) = contradicted(statement) {
            let written = statement.score(Criterion::Retention).map(|score| score.to_string());
            findings.note(
                FindingKind::OutcomeContradictsRetention,
                self.place(row, "outcome"),
                Some(outcome.code()),
                format!("Retention is scored {}, which says the opposite.", written.as_deref().unwrap_or("")),
                "Correct the outcome or the retention score.",
            );
        }
        if !says_lost(statement) {
            return;
        }
        let scored: Vec<&str> = Criterion::ALL
            .iter()
            .filter(|criterion| !criterion.survives_loss() && statement.score(**criterion).is_some())
            .map(|criterion| criterion.code())
            .collect();
        if !scored.is_empty() {
            findings.note(
                FindingKind::ScoredThoughLost,
                self.place(row, scored.first().copied().unwrap_or("")),
                None,
                format!("A lost filling can't be scored for {}.", scored.join(", ")),
                "Empty these cells, or correct the retention score.",
            );
        }
    }
}

/// The patients said to have died, in their order: by which day, and the row that says so first.
fn deaths(histories: &Histories) -> Vec<(u32, i32, u32)> {
    let says = histories.statements.by_number(|statement| statement.stated.outcome == Some(Outcome::PatientDied));
    let mut deaths = of_telling(histories, |look| says[look.statement as usize]);
    deaths.sort_unstable();
    deaths.dedup_by_key(|(patient, ..)| *patient);
    deaths
}

const fn closed_word(event: Event) -> &'static str {
    match event {
        Event::CompleteLoss => "lost",
        Event::ReplacedForFailure => "replaced",
        Event::Extracted => "extracted with its tooth",
        _ => "removed",
    }
}

/// The outcome that the retention score contradicts.
fn contradicted(statement: &Statement) -> Option<Outcome> {
    statement.stated.outcome.filter(|outcome| match statement.extent {
        Some(Extent::Lost) => KEEPING.contains(outcome),
        Some(Extent::Whole | Extent::Partial) => *outcome == Outcome::Lost,
        None => false,
    })
}

fn says_lost(statement: &Statement) -> bool {
    statement.extent == Some(Extent::Lost) || statement.stated.outcome == Some(Outcome::Lost)
}

/// A restoration by its tooth and surface, then by the day it was placed.
type Surfaced = (u8, u8, i32, u32);

/// Placements on the same surface of one tooth: the earlier must have ended by the day of the later.
fn check_same_surface(
    placements: &PlacementTable,
    histories: &Histories,
    protocol: &Protocol,
    findings: &mut Findings,
) -> Result<(), TableError> {
    let check = SameSurface::new(placements, histories, protocol)?;
    let mut of_patient: Vec<Surfaced> = Vec::new();
    let mut check_patient = |restorations: &mut dyn Iterator<Item = u32>| {
        of_patient.clear();
        of_patient.extend(restorations.filter_map(|restoration| check.surfaced(restoration)));
        of_patient.sort_unstable();
        for pair in of_patient.windows(2).filter(|pair| (pair[0].0, pair[0].1) == (pair[1].0, pair[1].1)) {
            check.follows(pair[0].3, pair[1].3, findings);
        }
    };
    if histories.patient.is_sorted() {
        let mut from = 0;
        for patient in histories.patient.chunk_by(|one, other| one == other) {
            let these = from..from + u32::try_from(patient.len()).unwrap_or(u32::MAX);
            from = these.end;
            if check.any_tooth_again(these.clone()) {
                check_patient(&mut these.clone());
            }
        }
        return Ok(());
    }
    let mut by_patient: Vec<(u32, u32)> = histories.patient.iter().copied().zip(0..).collect();
    by_patient.sort_unstable();
    for patient in by_patient.chunk_by(|one, other| one.0 == other.0) {
        check_patient(&mut patient.iter().map(|(_, restoration)| *restoration));
    }
    Ok(())
}

/// What placements on one surface are held against.
struct SameSurface<'a> {
    histories: &'a Histories,
    repair_within_days: i32,
    origins: Origins<'a>,
    teeth: InPlace<'a, UInt8Type>,
    surfaces: InPlace<'a, UInt8Type>,
    ids: &'a StringChunked,
    patients: &'a StringChunked,
    /// Whether nothing is left to follow after a statement, by its number.
    closes: Vec<bool>,
}

impl<'a> SameSurface<'a> {
    fn new(placements: &'a PlacementTable, histories: &'a Histories, protocol: &Protocol) -> Result<Self, TableError> {
        let table = &placements.0;
        Ok(Self {
            histories,
            repair_within_days: i32::try_from(protocol.repair_within_days).unwrap_or(i32::MAX),
            origins: table.origins()?,
            teeth: table.codes_in_place("tooth")?,
            surfaces: table.codes_in_place("surface")?,
            ids: table.text("restoration_id")?,
            patients: table.text("patient_id")?,
            closes: histories.statements.by_number(|statement| statement.closes),
        })
    }

    /// Whether any of some restorations was placed on the tooth of another one.
    fn any_tooth_again(&self, restorations: Range<u32>) -> bool {
        let (mut met, mut again) = ([0_u64; 4], restorations.len() > 256);
        for restoration in restorations {
            let tooth = self.teeth.get(self.histories.placement_row[restoration as usize] as usize);
            let (word, bit) = (usize::from(tooth >> 6), 1 << (tooth & 63));
            again |= met[word] & bit != 0;
            met[word] |= bit;
        }
        again
    }

    /// A restoration where it was placed; none where tooth or patient is not told: a patient who is not named is nobody's neighbour.
    fn surfaced(&self, restoration: u32) -> Option<Surfaced> {
        let row = self.histories.placement_row[restoration as usize] as usize;
        let tooth = Some(self.teeth.get(row)).filter(|tooth| Tooth::from_iso(*tooth).is_some())?;
        self.patients.get(row)?;
        Some((tooth, self.surfaces.get(row), self.histories.placed[restoration as usize], restoration))
    }

    /// Whether one restoration had ended by the day on which another was placed on the same surface.
    fn follows(&self, earlier: u32, later: u32, findings: &mut Findings) {
        let Self { histories, origins, ids, .. } = self;
        let (earlier, later) = (earlier as usize, later as usize);
        let placed = histories.placed[later];
        let closing = histories.places(earlier).find(|at| self.closes[histories.looks[*at].statement as usize]);
        let ended = closing.map(|at| histories.happened(at).unwrap_or(histories.looks[at].day));
        if ended.is_some_and(|ended| ended <= placed) {
            return;
        }
        let (row, earlier_row) = (histories.placement_row[later] as usize, histories.placement_row[earlier] as usize);
        let gap = placed - histories.placed[earlier];
        let short = gap <= self.repair_within_days;
        let kind = if short { FindingKind::RepairAsPlacement } else { FindingKind::OverlappingPlacement };
        let ending = match ended {
            Some(ended) => format!("ended only on {}", Day::from_epoch(ended)),
            None => "has no visit that says it was lost or replaced".to_owned(),
        };
        findings.note(
            kind,
            Place::cell(origins.file(row), origins.row(row), "restoration_id"),
            ids.get(row),
            format!(
                "Placed {gap} days after {} on the same surface of tooth {} (ISO 3950); that one ({}) {ending}.",
                ids.get(earlier_row).unwrap_or("another"),
                self.teeth.get(row),
                said(origins, histories.placement_row[earlier]),
            ),
            match (short, origins.file(row) == origins.file(earlier_row)) {
                (true, true) => "If it was a repair, enter it as a visit with outcome repaired; if not, close the earlier one with a visit.",
                (false, true) => "Close the earlier restoration with a visit (lost or replaced), or correct the tooth or surface.",
                // Two files may come from two sources.
                (true, false) => {
                    "If it was a repair, enter it as a visit with outcome repaired; if not, close the earlier one with a visit. If the two \
                     files number their patients alike, declare in records.toml what ids begin with (ids_begin_with)."
                }
                (false, false) => {
                    "Close the earlier restoration with a visit (lost or replaced), or correct the tooth or surface. If the two files number \
                     their patients alike, declare in records.toml what ids begin with (ids_begin_with)."
                }
            },
        );
    }
}
