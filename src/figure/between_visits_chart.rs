//! Survival of failures known only to lie between two visits, by level, and what of it the visits leave open.
//!
//! Purpose: to show the estimate that the visits allow without pretending to know more. Where a level's curve is determined it is a
//! line; between the ends of an innermost interval anything from the survival before it to that after it fits the visits equally,
//! so a shaded box stands there instead. The steps on the days on which failures were found stand beside, thin.

use super::Drawing;
use super::end_labels::{EndLabel, LEADER, draw_end_labels, height};
use super::level_rows::{LevelCounts, LevelRows};
use super::palette::{INK, SOFT, look};
use super::plane::{Plane, number};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, wrapped_to};
use super::time_axis::{mark_text, whole_years};
use crate::quantity::{Days, Fraction};
use crate::wording::{counted, percent, percent_number, years};

/// An innermost interval with the part that fails in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FailingStretch {
    /// Failure lies after this day; exactly on it where `right` is the same.
    pub left: Days,
    /// Failure lies at or before this day; none where nobody was seen failed since.
    pub right: Option<Days>,
    /// The part that fails in it.
    pub mass: f64,
}

/// One level.
#[derive(Clone, Debug, PartialEq)]
pub struct BetweenVisitsLevel {
    /// What it is called.
    pub label: String,
    /// The innermost intervals, by day.
    pub stretches: Vec<FailingStretch>,
    /// Steps on the days on which failures were found, by day; empty where these are not to be drawn.
    pub day_found: Vec<(Days, Fraction)>,
    /// The last day to be drawn; 0 where too few are at risk for any.
    pub drawn_to: Days,
    /// How many were at risk at the recalls, day 0 among them.
    pub at_risk: Vec<(Days, u64)>,
}

/// What the chart needs.
pub struct BetweenVisitsChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// What the vertical axis counts, such as "Retained".
    pub survival_title: &'a str,
    /// The levels; of more than eight, the first eight are drawn and the note says so.
    pub levels: &'a [BetweenVisitsLevel],
    /// How estimates were made.
    pub footnote: &'a str,
    /// Whether the vertical axis may begin above 0 %, which the chart then says.
    pub shortened: bool,
}

/// Most levels that can be told apart.
const MOST: usize = 8;
const LABELS: f64 = 250.0;
const PLOT: f64 = 380.0;
const LEAST_PLOT: f64 = 150.0;

/// A piece of a level's curve.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Piece {
    /// Known: this survival from one day to another.
    Level(Days, Days, f64),
    /// Known: a fall on one day, from one survival to another.
    Fall(Days, f64, f64),
    /// Not known where between two days survival goes from one value to another; whether it goes on past the last drawn day.
    Open(Days, Days, (f64, f64), bool),
}

impl BetweenVisitsLevel {
    fn drawn(&self) -> bool {
        self.drawn_to.count() > 0
    }

    /// Its curve up to the last drawn day.
    fn pieces(&self) -> Vec<Piece> {
        let (mut pieces, mut day, mut survival) = (Vec::new(), Days::new(0), 1.0_f64);
        for stretch in self.stretches.iter().filter(|stretch| stretch.mass > 0.0) {
            if stretch.left > self.drawn_to || (stretch.left == self.drawn_to && stretch.right != Some(stretch.left)) {
                break;
            }
            let after = (survival - stretch.mass).max(0.0);
            if stretch.left > day {
                pieces.push(Piece::Level(day, stretch.left, survival));
            }
            if stretch.right == Some(stretch.left) {
                pieces.push(Piece::Fall(stretch.left, survival, after));
                day = stretch.left;
            } else {
                let right = stretch.right.unwrap_or(self.drawn_to);
                let on = stretch.right.is_none() || right > self.drawn_to;
                day = right.min(self.drawn_to);
                pieces.push(Piece::Open(stretch.left, day, (survival, after), on));
            }
            survival = after;
        }
        if day < self.drawn_to {
            pieces.push(Piece::Level(day, self.drawn_to, survival));
        }
        pieces
    }

    /// The least and the largest that survival may be on the last drawn day.
    fn at_end(&self) -> (f64, f64) {
        match self.pieces().last() {
            Some(&Piece::Open(_, _, (before, after), true)) => (after, before),
            Some(&Piece::Open(_, _, (_, after), false)) => (after, after),
            Some(&Piece::Level(_, _, survival) | &Piece::Fall(_, _, survival)) => (survival, survival),
            None => (1.0, 1.0),
        }
    }

    fn part(&self) -> String {
        let (least, largest) = self.at_end();
        let (least, largest) = (Fraction::new(least), Fraction::new(largest));
        if (largest.value() - least.value()).abs() < 1e-9 {
            percent(largest)
        } else {
            format!("{} to {}", percent_number(least), percent(largest))
        }
    }

    fn sentence(&self) -> String {
        if self.drawn() {
            format!("{}: {} at {} years", self.label, self.part(), years(self.drawn_to))
        } else {
            format!("{}: too few at risk to be drawn", self.label)
        }
    }
}

/// The highest multiple of 10 % that nothing drawn lies below; boxes that go on past the last drawn day may be cut by it.
fn floor(levels: &[BetweenVisitsLevel]) -> f64 {
    let mut lowest = 1.0_f64;
    for level in levels.iter().filter(|level| level.drawn()) {
        for piece in level.pieces() {
            lowest = lowest.min(match piece {
                Piece::Level(_, _, survival) => survival,
                Piece::Fall(_, _, after) | Piece::Open(_, _, (_, after), false) => after,
                Piece::Open(_, _, (before, _), true) => before,
            });
        }
        let found = level.day_found.iter().take_while(|step| step.0 <= level.drawn_to).last();
        lowest = lowest.min(found.map_or(1.0, |step| step.1.value()));
    }
    ((lowest * 10.0).floor() / 10.0).clamp(0.0, 0.9)
}

/// Draws the chart on a page.
pub fn between_visits_chart(chart: &BetweenVisitsChart<'_>) -> Drawing {
    between_visits_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn between_visits_chart_on(chart: &BetweenVisitsChart<'_>, stage: &Stage) -> Drawing {
    let levels = &chart.levels[..chart.levels.len().min(MOST)];
    let narrow = stage.narrow();
    let table = LevelRows::new(levels.iter().map(|level| counts_of(level, narrow)).collect(), stage);
    let note = note(chart, levels, stage);
    let definition = stage.first_sentence(chart.definition);
    let drawn = levels.iter().filter(|level| level.drawn()).count();
    let names = if drawn > 4 { 1 } else { 2 };
    let labels = if narrow { 0.0 } else { many(drawn) * height(names + 1) - 46.0 };
    let top = stage.heading_height(chart.title, definition) + 34.0;
    let below = 62.0 + table.height() + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let last = last_day(levels);
    let left = (MARGIN + table.words_width() + table.overhang() + 10.0).max(82.0);
    let right = if narrow { stage.width - MARGIN - 12.0 } else { stage.width - LABELS };
    let floor = if chart.shortened { floor(levels) } else { 0.0 };
    let bottom = top + stage.plot(PLOT, LEAST_PLOT.max(labels), top + below);
    let plane = Plane { left, right, top, bottom, across: (0.0, f64::from(last.count())), up: (floor, 1.0) };
    let table_top = bottom + 62.0;
    let content = table_top + table.height() + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, levels), content);
    sheet.heading(definition);
    let x = |day: Days| plane.x(f64::from(day.count()));
    let marks = table.marks(last, x);
    axes(&sheet, &plane, chart.survival_title, last);
    for &day in &marks {
        plane.mark(&sheet, f64::from(day.count()), &mark_text(day));
    }
    if drawn == 0 {
        let said = if levels.is_empty() { "No restorations to draw." } else { "Too few at risk: no curve to draw." };
        let at = (plane.middle(), f64::midpoint(top, bottom));
        sheet.text(said, at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let shown = || levels.iter().enumerate().filter(|(_, level)| level.drawn());
    for (place, level) in shown() {
        sheet.open("open", &format!("{}: not determined by the visits", level.label));
        boxes(&sheet, &plane, level, place);
        sheet.close();
    }
    for (place, level) in shown() {
        sheet.open("found", &format!("{}: on the days found", level.label));
        day_found(&sheet, &plane, level, place);
        sheet.close();
        sheet.open("curve", &level.sentence());
        lines(&sheet, &plane, level, place);
        sheet.close();
    }
    if !narrow {
        let room = LABELS - MARGIN - LEADER;
        let labels: Vec<EndLabel> = shown()
            .map(|(place, level)| EndLabel {
                end: end(level, &plane),
                name: wrapped_to(&level.label, room, TEXT, Weight::Bold, names),
                below: vec![format!("{} at {} years", level.part(), years(level.drawn_to))],
                colour: look(place).text,
            })
            .collect();
        draw_end_labels(&sheet, &labels, right, (top - 16.0, bottom + 30.0));
    }
    table.draw(&sheet, table_top, &marks, x);
    sheet.paragraph(&note, table_top + table.height() + 10.0);
    sheet.finish()
}

fn axes(sheet: &Sheet, plane: &Plane, title: &str, last: Days) {
    let floor = plane.up.0;
    let step = if floor >= 0.8 {
        0.05
    } else if floor > 0.0 {
        0.1
    } else {
        0.2
    };
    plane.grid(sheet, step, |value| format!("{} %", number(value * 100.0, 1.0)));
    let (left, bottom) = (plane.left, plane.bottom);
    if floor > 0.0 {
        let y = bottom - 20.0;
        let zig_zag = [(left, y), (left - 7.0, y + 4.0), (left + 7.0, y + 9.0), (left, y + 13.0)];
        sheet.line(&[(left, plane.top), (left, y)], INK, 1.4, &[]);
        sheet.line(&zig_zag, INK, 1.8, &[]);
        sheet.line(&[(left, y + 13.0), (left, bottom), (plane.right, bottom)], INK, 1.4, &[]);
        let said = format!("axis starts at {} %", number(floor * 100.0, 1.0));
        sheet.text(&said, (left + 14.0, bottom - 13.0), SMALL, Weight::Bold, Anchor::Start, INK);
    } else {
        plane.edges(sheet);
    }
    for day in whole_years(last) {
        let x = plane.x(f64::from(day.count()));
        sheet.line(&[(x, bottom), (x, bottom + 4.0)], INK, 1.0, &[]);
    }
    let middle = (plane.middle(), bottom + 39.0);
    sheet.text("Years since placement", middle, TEXT, Weight::Regular, Anchor::Middle, INK);
    let title = fitted(title, plane.right - left, TEXT, Weight::Bold);
    sheet.text(&title, (left, plane.top - 20.0), TEXT, Weight::Bold, Anchor::Start, INK);
}

fn last_day(levels: &[BetweenVisitsLevel]) -> Days {
    let followed = |level: &BetweenVisitsLevel| level.at_risk.iter().filter(|cell| cell.1 > 0).map(|cell| cell.0).max();
    let drawn = levels.iter().map(|level| level.drawn_to).max().filter(|day| day.count() > 0);
    drawn.or_else(|| levels.iter().filter_map(followed).max()).unwrap_or_default().max(Days::new(200))
}

fn counts_of(level: &BetweenVisitsLevel, narrow: bool) -> LevelCounts<'_> {
    let said = match (level.drawn(), narrow) {
        (false, _) => "too few at risk to be drawn".to_owned(),
        (true, true) => format!("{} at {} years", level.part(), years(level.drawn_to)),
        (true, false) => String::new(),
    };
    LevelCounts { label: &level.label, said, rows: vec![("at risk", level.at_risk.clone())] }
}

fn note(chart: &BetweenVisitsChart<'_>, levels: &[BetweenVisitsLevel], stage: &Stage) -> String {
    let mut note =
        "Shaded: the visits do not tell where within a box the curve falls; any way down from its upper left to its lower right \
         corner fits them equally."
            .to_owned();
    let drawn = || levels.iter().filter(|level| level.drawn());
    let on = |level: &BetweenVisitsLevel| matches!(level.pieces().last(), Some(Piece::Open(.., true)));
    if drawn().any(on) {
        note.push_str(" A box without a right side goes on past the last day drawn.");
    }
    if drawn().any(|level| !level.day_found.is_empty()) {
        note.push_str(" Thin: as if each failure came on the day on which it was found.");
    }
    note.push(' ');
    note.push_str(stage.told(chart.footnote));
    if stage.terse {
        for level in levels.iter().filter(|level| !level.drawn()) {
            note.push_str(&format!(" {}.", level.sentence()));
        }
    }
    if chart.levels.len() > MOST {
        let more = u64::try_from(chart.levels.len() - MOST).unwrap_or(u64::MAX);
        note.push_str(&format!(" Not drawn: {}.", counted(more, "more level", "more levels")));
    }
    note
}

fn describe(chart: &BetweenVisitsChart<'_>, levels: &[BetweenVisitsLevel]) -> String {
    let ends: Vec<String> = levels.iter().map(BetweenVisitsLevel::sentence).collect();
    let ends = if ends.is_empty() { "No restorations to draw".to_owned() } else { ends.join("; ") };
    format!("Survival of failures known to lie between visits ({}). {} {ends}.", chart.survival_title, chart.definition)
}

fn boxes(sheet: &Sheet, plane: &Plane, level: &BetweenVisitsLevel, place: usize) {
    for piece in level.pieces() {
        if let Piece::Open(from, to, (before, after), on) = piece {
            let [left, right] = [from, to].map(|day| plane.x(f64::from(day.count())));
            let [top, bottom] = [before, after].map(|value| plane.y(value));
            sheet.rectangle((left, top), (right, bottom), look(place).colour, if on { 0.12 } else { 0.24 });
            // Two sides only, those that hold: survival no higher than before, and no lower than after.
            sheet.line(&[(left, bottom), (left, top), (right, top)], look(place).colour, 0.9, &[]);
            let side = if on { right } else { left };
            sheet.line(&[(side, bottom), (right, bottom)], look(place).colour, 0.9, &[]);
            if !on {
                sheet.line(&[(right, top), (right, bottom)], look(place).colour, 0.9, &[]);
            }
        }
    }
}

fn lines(sheet: &Sheet, plane: &Plane, level: &BetweenVisitsLevel, place: usize) {
    let look = look(place);
    let x = |day: Days| plane.x(f64::from(day.count()));
    for piece in level.pieces() {
        match piece {
            Piece::Level(from, to, survival) => {
                let y = plane.y(survival);
                sheet.line(&[(x(from), y), (x(to), y)], look.colour, 2.8, &[]);
            }
            Piece::Fall(day, before, after) => {
                sheet.line(&[(x(day), plane.y(before)), (x(day), plane.y(after))], look.colour, 2.8, &[]);
            }
            Piece::Open(..) => {}
        }
    }
    sheet.marker(end(level, plane), look.marker, look.colour);
}

/// Where its marker stands: at the end of its curve, or in the middle of what it may be there.
fn end(level: &BetweenVisitsLevel, plane: &Plane) -> (f64, f64) {
    let (least, largest) = level.at_end();
    (plane.x(f64::from(level.drawn_to.count())), f64::midpoint(plane.y(least), plane.y(largest)))
}

fn day_found(sheet: &Sheet, plane: &Plane, level: &BetweenVisitsLevel, place: usize) {
    let mut points = vec![(plane.x(0.0), plane.y(1.0))];
    for (day, survival) in level.day_found.iter().take_while(|step| step.0 <= level.drawn_to) {
        let x = plane.x(f64::from(day.count()));
        points.push((x, points.last().map_or(plane.top, |last| last.1)));
        points.push((x, plane.y(survival.value())));
    }
    if !level.day_found.is_empty() {
        let y = points.last().map_or(plane.top, |last| last.1);
        points.push((plane.x(f64::from(level.drawn_to.count())), y));
        sheet.line(&points, look(place).text, 1.1, look(place).dash);
    }
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::{DEFINITION, LONG};
    use super::*;

    fn stretch(left: i32, right: Option<i32>, mass: f64) -> FailingStretch {
        FailingStretch { left: Days::new(left), right: right.map(Days::new), mass }
    }

    fn level(label: &str, mass: f64, last: i32) -> BetweenVisitsLevel {
        let recalls = [0, 183, 365, 731, 1096, 1826, 2922];
        let mut stretches: Vec<FailingStretch> =
            recalls.windows(2).map(|ends| stretch(ends[0] + 40, Some(ends[1] - 20), mass)).collect();
        stretches.push(stretch(2922, None, (1.0 - 6.0 * mass).max(0.0)));
        let found = (1..=6).map(|number| (Days::new(recalls[number]), Fraction::new(1.0 - mass * number as f64)));
        BetweenVisitsLevel {
            label: label.to_owned(),
            stretches,
            day_found: found.collect(),
            drawn_to: Days::new(last),
            at_risk: (0..).zip(recalls).map(|(number, day)| (Days::new(day), 700 - 100 * number)).collect(),
        }
    }

    fn chart<'a>(levels: &'a [BetweenVisitsLevel], shortened: bool) -> BetweenVisitsChart<'a> {
        BetweenVisitsChart {
            name: "between-visits",
            title: "Loss of retention between visits, by adhesive class",
            definition: DEFINITION,
            survival_title: "Retained",
            levels,
            footnote: "Nonparametric maximum likelihood estimate of interval-censored failures.",
            shortened,
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let several = |many: i32, label: &str| -> Vec<BetweenVisitsLevel> {
            (0..many)
                .map(|place| level(&format!("{label} {place}"), 0.01 + 0.01 * f64::from(place), 1500 + 300 * place))
                .collect()
        };
        let bare = BetweenVisitsLevel { stretches: Vec::new(), day_found: Vec::new(), ..level("None failed", 0.0, 900) };
        let mut cases = vec![Vec::new(), vec![level("Few", 0.1, 0)], vec![level("All", 0.02, 3300)], vec![bare]];
        cases.extend([several(2, LONG), several(4, "Level")]);
        for shortened in [false, true] {
            for levels in &cases {
                let refused = refused(|stage| between_visits_chart_on(&chart(levels, shortened), stage));
                assert!(refused.is_empty(), "{} levels: {refused:?}", levels.len());
            }
            for levels in [several(8, "Level"), several(11, LONG)] {
                let refused = refused(|stage| between_visits_chart_on(&chart(&levels, shortened), stage));
                assert!(refused.iter().all(|preset| preset.starts_with("slide")), "{refused:?}");
            }
        }
    }

    #[test]
    fn the_curve_is_drawn_where_it_is_known_and_a_box_stands_where_it_is_not() {
        let all = BetweenVisitsLevel {
            stretches: vec![stretch(100, Some(100), 0.25), stretch(200, Some(300), 0.25), stretch(500, None, 0.5)],
            ..level("All", 0.1, 600)
        };
        let days = Days::new;
        assert_eq!(
            all.pieces(),
            [
                Piece::Level(days(0), days(100), 1.0),
                Piece::Fall(days(100), 1.0, 0.75),
                Piece::Level(days(100), days(200), 0.75),
                Piece::Open(days(200), days(300), (0.75, 0.5), false),
                Piece::Level(days(300), days(500), 0.5),
                Piece::Open(days(500), days(600), (0.5, 0.0), true),
            ]
        );
        assert_eq!(all.part(), "0.0 to 50.0 %");
        // An interval that the last drawn day cuts goes on, and one that begins on it is not reached.
        let cut = BetweenVisitsLevel { drawn_to: days(250), ..all.clone() };
        assert_eq!(cut.pieces().last(), Some(&Piece::Open(days(200), days(250), (0.75, 0.5), true)));
        assert_eq!(BetweenVisitsLevel { drawn_to: days(200), ..all.clone() }.part(), "75.0 %");
        let svg = between_visits_chart(&chart(&[all], false)).svg;
        assert!(svg.contains("A box without a right side goes on"));
    }

    #[test]
    fn a_shortened_axis_says_so() {
        let levels = [level("All", 0.01, 2900)];
        let zoomed = between_visits_chart(&chart(&levels, true)).svg;
        assert!(zoomed.contains(">axis starts at 90 %<"), "94 % at the end");
        assert!(!between_visits_chart(&chart(&levels, false)).svg.contains("axis starts"));
        assert!(between_visits_chart(&chart(&[], true)).svg.contains(">No restorations to draw.<"));
    }
}
