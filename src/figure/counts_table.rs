//! The table below a survival chart: for each level, aligned with the axis, how many were at risk, had failed, or had left.
//!
//! Purpose: to show at each mark what the curve above it rests on. The rows of a column add up to all of the level.

use super::palette::{INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, Weight, many};
use super::stage::Stage;
use super::survival_scale::Scale;
use super::text_width::{text_width, wrapped, wrapped_to};
use crate::quantity::Days;
use crate::result::{Counts, GroupReview};
use crate::wording::{Readers, years};

/// Height of a row, pixels.
const ROW: f64 = 19.0;
/// Air below the rows of a level, pixels.
const AIR: f64 = 8.0;
/// Where names begin, right of the sample of their line.
const NAME: f64 = MARGIN + 42.0;

/// A row: its word, what it counts, and the sentence that explains it where it isn't plain.
type Row = (&'static str, fn(&Counts) -> u64, &'static str);

const ROWS: [Row; 5] = [
    ("at risk", |counts| counts.at_risk, ""),
    ("failed", |counts| counts.failed, ""),
    ("other end", |counts| counts.competing, "Other end: ended by a competing event, which is no failure."),
    ("censored", |counts| counts.censored, "Censored: not followed any further."),
    ("enter later", |counts| counts.not_yet_entered, "Enter later: came under observation only after that time."),
];

/// The table of some levels, ready to be drawn.
pub struct CountsTable<'a> {
    groups: &'a [&'a GroupReview],
    rows: Vec<Row>,
    names: Vec<Vec<String>>,
    behind: Vec<Vec<String>>,
    /// Whether how many stand behind a level stands below its name, not beside it.
    below: bool,
    /// One row for each level, named by the chart above: how many were at risk.
    terse: bool,
    stage: Stage,
}

impl<'a> CountsTable<'a> {
    /// The table of these levels. The rows `other end` and `enter later` are left out where they are empty everywhere.
    pub fn new(groups: &'a [&'a GroupReview], least_at_risk: u32, scale: Scale, stage: &Stage) -> Self {
        let met = |row: &Row| groups.iter().any(|group| group.counts.iter().any(|counts| row.1(counts) > 0));
        // The rows of a column add up, so that one hidden number could be worked out from the others.
        let only = stage.terse || stage.readers == Readers::Others;
        let shown = |row: &Row| match row.0 {
            "at risk" => true,
            "other end" | "enter later" => !only && met(row),
            _ => !only,
        };
        let rows = ROWS.into_iter().filter(shown).collect();
        let below = stage.narrow();
        let behind: Vec<Vec<String>> = groups
            .iter()
            .map(|group| {
                let restorations = stage.counted(group.behind.observations, "restoration", "restorations");
                let patients = stage.counted(group.behind.clusters, "patient", "patients");
                let none = group.drawn_to_day.count() <= 0;
                let too_few = if none { format!("; never {least_at_risk} at risk, so no curve") } else { String::new() };
                let ends = if below && !none {
                    format!("{} at {} years; ", scale.said(group.survival_on(group.drawn_to_day)), years(group.drawn_to_day))
                } else {
                    String::new()
                };
                let text = format!("{ends}{restorations}, {patients}{too_few}");
                if below { wrapped(&text, stage.width - MARGIN - NAME, SMALL, Weight::Regular) } else { vec![text] }
            })
            .collect();
        let names = groups
            .iter()
            .zip(&behind)
            .map(|(group, behind)| {
                let beside = behind.first().filter(|_| !below);
                let taken = beside.map_or(0.0, |text| text_width(text, SMALL, Weight::Regular) + 20.0);
                let room = stage.width - MARGIN - NAME - taken;
                wrapped_to(&group.label, room, SMALL, Weight::Bold, 4)
            })
            .collect();
        Self { groups, rows, names, behind, below, terse: stage.terse, stage: stage.clone() }
    }

    /// What explains the rows, a sentence each.
    pub fn note(&self) -> String {
        if self.stage.readers == Readers::Others {
            return "Counts are those just before each time.".to_owned();
        }
        let mut note = "Counts are those just before each time; a column adds up to all.".to_owned();
        for row in self.rows.iter().filter(|row| !row.2.is_empty()) {
            note.push(' ');
            note.push_str(row.2);
        }
        note
    }

    /// The room that the words of the rows take at the left, pixels.
    pub fn words_width(&self) -> f64 {
        self.rows.iter().map(|row| text_width(row.0, SMALL, Weight::Regular)).fold(0.0, f64::max)
    }

    /// The width of a day's column, pixels.
    pub fn column_width(&self, day: Days) -> f64 {
        let cell = |counts: &Counts, row: &Row| text_width(&self.stage.count(row.1(counts)), SMALL, Weight::Regular);
        let of_day = self.groups.iter().flat_map(|group| &group.counts).filter(|counts| counts.day == day);
        of_day.flat_map(|counts| self.rows.iter().map(move |row| cell(counts, row))).fold(24.0, f64::max)
    }

    fn block(&self, place: usize) -> f64 {
        ROW * many(self.head(place) + self.rows.len()) + AIR
    }

    /// How many lines stand above a level's rows.
    fn head(&self, place: usize) -> usize {
        self.names[place].len().max(1) + if self.below { self.behind[place].len() } else { 0 }
    }

    /// Height of all, pixels.
    pub fn height(&self) -> f64 {
        if self.terse {
            return ROW * many(self.groups.len() + 1);
        }
        (0..self.groups.len()).map(|place| self.block(place)).sum()
    }

    /// Draws the table from a height down; `x` gives the pixel of a day.
    pub fn draw(&self, sheet: &Sheet, top: f64, marks: &[Days], x: impl Fn(Days) -> f64) {
        if self.terse {
            self.draw_at_risk(sheet, top, marks, x);
            return;
        }
        let mut top = top;
        for (place, group) in self.groups.iter().enumerate() {
            let look = look(place);
            let middle = top + ROW / 2.0;
            sheet.line(&[(MARGIN, middle), (MARGIN + 34.0, middle)], look.colour, 2.6, look.dash);
            sheet.marker((MARGIN + 17.0, middle), look.marker, look.colour);
            for (line, name) in self.names[place].iter().enumerate() {
                let at = (NAME, middle + ROW * many(line));
                sheet.text(name, at, SMALL, Weight::Bold, Anchor::Start, look.text);
            }
            for (line, text) in self.behind[place].iter().enumerate() {
                let (at, anchor) = if self.below {
                    ((NAME, middle + ROW * many(self.names[place].len().max(1) + line)), Anchor::Start)
                } else {
                    ((self.stage.width - MARGIN, middle), Anchor::End)
                };
                sheet.text(text, at, SMALL, Weight::Regular, anchor, SOFT);
            }
            let first = middle + ROW * many(self.head(place));
            for (number, row) in self.rows.iter().enumerate() {
                let y = first + ROW * many(number);
                sheet.text(row.0, (MARGIN, y), SMALL, Weight::Regular, Anchor::Start, INK);
                for counts in group.counts.iter().filter(|counts| marks.contains(&counts.day)) {
                    let text = self.stage.count((row.1)(counts));
                    sheet.text(&text, (x(counts.day), y), SMALL, Weight::Regular, Anchor::Middle, INK);
                }
            }
            top += self.block(place);
        }
    }

    fn draw_at_risk(&self, sheet: &Sheet, top: f64, marks: &[Days], x: impl Fn(Days) -> f64) {
        sheet.text("at risk", (MARGIN, top + ROW / 2.0), SMALL, Weight::Bold, Anchor::Start, INK);
        for (place, group) in self.groups.iter().enumerate() {
            let (look, y) = (look(place), top + ROW * (many(place) + 1.5));
            sheet.line(&[(MARGIN, y), (MARGIN + 34.0, y)], look.colour, 2.6, look.dash);
            sheet.marker((MARGIN + 17.0, y), look.marker, look.colour);
            for counts in group.counts.iter().filter(|counts| marks.contains(&counts.day)) {
                let text = self.stage.count(counts.at_risk);
                sheet.text(&text, (x(counts.day), y), SMALL, Weight::Regular, Anchor::Middle, look.text);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::group;
    use super::*;

    #[test]
    fn rows_that_are_empty_everywhere_are_left_out_and_those_that_are_not_are_explained() {
        let mut group = group("All", 100, 0.02, 2000);
        for counts in &mut group.counts {
            counts.censored += counts.competing;
            counts.competing = 0;
        }
        let words = |group: &GroupReview| {
            let groups = [group];
            let table = CountsTable::new(&groups, 10, Scale::Full, &Stage::default());
            (table.rows.iter().map(|row| row.0).collect::<Vec<_>>(), table.note())
        };
        assert_eq!(words(&group).0, ["at risk", "failed", "censored"]);
        group.counts[1].competing = 1;
        group.counts[0].not_yet_entered = 2;
        let (rows, note) = words(&group);
        assert_eq!(rows, ["at risk", "failed", "other end", "censored", "enter later"]);
        assert!(note.contains("Other end:") && note.contains("Enter later:"), "{note}");
    }

    #[test]
    fn a_level_without_a_curve_says_why() {
        let group = group("Few", 3, 0.02, 2000);
        let table = [&group];
        let table = CountsTable::new(&table, 10, Scale::Full, &Stage::default());
        assert_eq!(table.behind, [["3 restorations, 2 patients; never 10 at risk, so no curve"]]);
    }
}
