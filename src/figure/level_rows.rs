//! Counts of each level below a chart, aligned with its axis of years.
//!
//! Purpose: to show at each mark what the lines above it rest on, and on a narrow stage, where no names stand beside the lines, to
//! name them.

use std::cmp::Reverse;

use super::palette::{INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{text_width, wrapped, wrapped_to};
use super::time_axis::mark_text;
use crate::quantity::{DAYS_PER_YEAR, Days};
use crate::wording::count;

const ROW: f64 = 19.0;
const AIR: f64 = 8.0;
/// Where names begin, right of the sample of their line.
const NAME: f64 = MARGIN + 42.0;
/// Room between columns.
const GAP: f64 = 9.0;

/// The counts of one level.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct LevelCounts<'a> {
    /// What it is called.
    pub label: &'a str,
    /// What is said of it beside its name.
    pub said: String,
    /// Each row: its word, and the counts by day.
    pub rows: Vec<(&'static str, Vec<(Days, u64)>)>,
}

/// The table, ready to be drawn.
pub(super) struct LevelRows<'a> {
    levels: Vec<LevelCounts<'a>>,
    /// The lines of each name, and of what is said of it.
    heads: Vec<(Vec<String>, Vec<String>)>,
    /// One row a level, named by the chart above.
    terse: bool,
}

impl<'a> LevelRows<'a> {
    /// The table of these levels, drawn in this order.
    pub fn new(levels: Vec<LevelCounts<'a>>, stage: &Stage) -> Self {
        let room = stage.width - MARGIN - NAME;
        let head = |level: &LevelCounts<'_>| {
            let name = wrapped_to(level.label, room, SMALL, Weight::Bold, 3);
            (name, wrapped(&level.said, room, SMALL, Weight::Regular))
        };
        Self { heads: levels.iter().map(head).collect(), terse: stage.terse && !stage.narrow(), levels }
    }

    fn rows<'b>(&self, level: &'b LevelCounts<'a>) -> &'b [(&'static str, Vec<(Days, u64)>)] {
        if self.terse { &level.rows[..level.rows.len().min(1)] } else { &level.rows }
    }

    fn all_rows(&self) -> impl Iterator<Item = &(&'static str, Vec<(Days, u64)>)> {
        self.levels.iter().flat_map(|level| self.rows(level))
    }

    /// The room that the words of the rows take at the left.
    pub fn words_width(&self) -> f64 {
        self.all_rows().map(|row| text_width(row.0, SMALL, Weight::Bold)).fold(0.0, f64::max)
    }

    /// The width of a day's column, of its counts or the mark above.
    fn column_width(&self, day: Days) -> f64 {
        let of_day = self.all_rows().flat_map(|row| &row.1).filter(|cell| cell.0 == day);
        let widest = of_day.map(|cell| text_width(&count(cell.1), SMALL, Weight::Regular)).fold(24.0, f64::max);
        widest.max(text_width(&mark_text(day), TEXT, Weight::Regular))
    }

    /// How far left of the axis's beginning the first column reaches.
    pub fn overhang(&self) -> f64 {
        self.column_width(Days::new(0)) / 2.0
    }

    /// The days up to `last` that get a mark and a column, as many as fit: the first and the last, whole years, others.
    pub fn marks(&self, last: Days, place: impl Fn(Days) -> f64) -> Vec<Days> {
        let mut days: Vec<Days> = self.all_rows().flat_map(|row| &row.1).map(|cell| cell.0).collect();
        days.push(Days::new(0));
        days.retain(|day| (Days::new(0)..=last).contains(day));
        days.sort_unstable();
        days.dedup();
        if days.len() == 1 {
            days = super::time_axis::whole_years(last);
        }
        let end = days.last().copied();
        let rank = |day: &Days| {
            let years = f64::from(day.count()) / DAYS_PER_YEAR;
            (day.count() != 0, Some(*day) != end, (years - years.round()).abs() >= 0.02, Reverse(*day))
        };
        days.sort_by_key(rank);
        let mut kept: Vec<Days> = Vec::new();
        for day in days {
            let width = self.column_width(day);
            let free =
                |other: &Days| (place(*other) - place(day)).abs() >= f64::midpoint(self.column_width(*other), width) + GAP;
            if kept.iter().all(free) {
                kept.push(day);
            }
        }
        kept.sort_unstable();
        kept
    }

    fn block(&self, place: usize) -> f64 {
        let (name, said) = &self.heads[place];
        ROW * many(name.len().max(1) + said.len() + self.rows(&self.levels[place]).len()) + AIR
    }

    /// Height of all.
    pub fn height(&self) -> f64 {
        if self.terse {
            return if self.levels.is_empty() { 0.0 } else { ROW * many(self.levels.len() + 1) };
        }
        (0..self.levels.len()).map(|place| self.block(place)).sum()
    }

    /// Draws it from a height down; `x` gives the pixel of a day.
    pub fn draw(&self, sheet: &Sheet, top: f64, marks: &[Days], x: impl Fn(Days) -> f64) {
        let mut y = top + ROW / 2.0;
        if let (true, Some(row)) = (self.terse, self.all_rows().next()) {
            sheet.text(row.0, (MARGIN, y), SMALL, Weight::Bold, Anchor::Start, INK);
            y += ROW;
        }
        for (place, level) in self.levels.iter().enumerate() {
            let look = look(place);
            sheet.line(&[(MARGIN, y), (MARGIN + 34.0, y)], look.colour, 2.6, look.dash);
            sheet.marker((MARGIN + 17.0, y), look.marker, look.colour);
            if !self.terse {
                let (name, said) = &self.heads[place];
                let named = name.iter().map(|line| (line, Weight::Bold, look.text));
                for (line, weight, colour) in named.chain(said.iter().map(|line| (line, Weight::Regular, SOFT))) {
                    sheet.text(line, (NAME, y), SMALL, weight, Anchor::Start, colour);
                    y += ROW;
                }
                if name.is_empty() && said.is_empty() {
                    y += ROW;
                }
            }
            for (word, cells) in self.rows(level) {
                if !self.terse {
                    sheet.text(word, (MARGIN, y), SMALL, Weight::Regular, Anchor::Start, INK);
                }
                let colour = if self.terse { look.text } else { INK };
                for (day, number) in cells.iter().filter(|cell| marks.contains(&cell.0)) {
                    sheet.text(&count(*number), (x(*day), y), SMALL, Weight::Regular, Anchor::Middle, colour);
                }
                y += ROW;
            }
            if self.terse && level.rows.is_empty() {
                y += ROW;
            }
            if !self.terse {
                y += AIR;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_there_is_little_room_the_first_the_last_and_whole_years_keep_their_columns() {
        let days = [0, 183, 365, 731, 1096, 1826].map(Days::new);
        let at_risk: Vec<(Days, u64)> = days.iter().map(|day| (*day, 12_345_678)).collect();
        let level = LevelCounts { label: "All", said: String::new(), rows: vec![("at risk", at_risk)] };
        let rows = LevelRows::new(vec![level], &Stage::default());
        let marks = |pixels: f64| rows.marks(Days::new(1826), |day| f64::from(day.count()) / 1826.0 * pixels);
        assert_eq!(marks(5000.0), days);
        assert_eq!(marks(420.0), [0, 365, 731, 1096, 1826].map(Days::new));
        assert_eq!(marks(270.0), [0, 1096, 1826].map(Days::new));
    }

    #[test]
    fn without_counts_whole_years_are_marked() {
        let rows = LevelRows::new(Vec::new(), &Stage::default());
        let marks = rows.marks(Days::new(800), |day| f64::from(day.count()));
        assert_eq!(marks, [0, 365, 731].map(Days::new));
    }
}
