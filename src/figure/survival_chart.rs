//! The survival curve of each level with its interval, and below it, aligned, how many were at risk, had failed, or had left.
//!
//! Purpose: to show how long fillings last, and how much is known at each age. Curves stop where fewer than the protocol's
//! minimum are at risk; labels stand at their ends; line patterns tell them apart without colour.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, WIDTH, Weight, heading_height, paragraph_height, spread};
use super::text_width::{text_width, wrapped};
use crate::quantity::{Days, Fraction, Known};
use crate::result::{Counts, GroupReview};
use crate::wording::{count, percent};

/// Where the vertical axis begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// At 0 %.
    Full,
    /// At a multiple of 10 % below everything drawn, with a visible break.
    Zoomed,
}

/// What the chart needs.
pub struct SurvivalChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// What the vertical axis counts, such as "Retained".
    pub survival_title: &'a str,
    /// The levels.
    pub groups: &'a [GroupReview],
    /// How intervals were made.
    pub footnote: &'a str,
    /// Fewest at risk for a curve to be drawn.
    pub least_at_risk: u32,
    /// Where the vertical axis begins.
    pub scale: Scale,
}

const LEFT: f64 = 118.0;
const RIGHT: f64 = WIDTH - 214.0;
const PLOT: f64 = 380.0;
const ROW: f64 = 19.0;

struct Frame {
    top: f64,
    last: f64,
    floor: f64,
}

impl Frame {
    fn x(&self, day: Days) -> f64 {
        LEFT + f64::from(day.count()) / self.last * (RIGHT - LEFT)
    }

    fn y(&self, survival: Fraction) -> f64 {
        self.top + PLOT * (1.0 - (survival.value() - self.floor).max(0.0) / (1.0 - self.floor))
    }

    fn bottom(&self) -> f64 {
        self.top + PLOT
    }
}

/// Draws the chart.
pub fn survival_chart(chart: &SurvivalChart<'_>) -> Drawing {
    let drawn: Vec<&GroupReview> = chart.groups.iter().filter(|group| group.behind.observations > 0).collect();
    let top = heading_height(chart.title, chart.definition) + 40.0;
    let last = drawn.iter().map(|group| group.drawn_to_day.count()).max().unwrap_or(0).max(400);
    let frame = Frame { top, last: f64::from(last) * 1.01, floor: floor(chart.scale, &drawn) };
    let ticks = ticks(&drawn, &frame);
    let rows = count_rows(&drawn);
    let block = ROW * (1.0 + f64::from(u16::try_from(rows.len()).unwrap_or(4))) + 6.0;
    let table = frame.bottom() + 62.0;
    let below = table + block * f64::from(u16::try_from(drawn.len()).unwrap_or(8));
    let note = format!(
        "{} Bands are pointwise intervals. A curve stops where fewer than {} restorations are at risk. At risk, just before each time; the counts of a column add up to all.",
        chart.footnote, chart.least_at_risk
    );
    let sheet =
        Sheet::new(chart.name, chart.title, &describe(chart, &drawn), below + paragraph_height(&note) + 2.0 * MARGIN);
    sheet.heading(chart.definition);
    if drawn.is_empty() {
        sheet.text(
            "No restorations to draw.",
            ((LEFT + RIGHT) / 2.0, frame.top + PLOT / 2.0),
            TEXT,
            Weight::Regular,
            Anchor::Middle,
            SOFT,
        );
    }
    axes(&sheet, &frame, &ticks, chart.survival_title);
    for (place, group) in drawn.iter().enumerate() {
        band(&sheet, &frame, group, place);
    }
    for (place, group) in drawn.iter().enumerate() {
        curve(&sheet, &frame, group, place);
    }
    labels(&sheet, &frame, &drawn);
    for (place, group) in (0_u32..).zip(&drawn) {
        counts(&sheet, &frame, group, place as usize, table + block * f64::from(place), &ticks, &rows);
    }
    sheet.paragraph(&note, below + MARGIN);
    sheet.finish()
}

fn describe(chart: &SurvivalChart<'_>, groups: &[&GroupReview]) -> String {
    let ends: Vec<String> = groups
        .iter()
        .map(|group| {
            format!(
                "{}: {} after {:.1} years",
                group.label,
                percent(group.survival_on(group.drawn_to_day)),
                group.drawn_to_day.years().count()
            )
        })
        .collect();
    format!("Survival curves ({}). {} {}.", chart.survival_title, chart.definition, ends.join("; "))
}

/// The lowest multiple of 10 % that everything drawn stays above, less one step; 0 for a full axis.
fn floor(scale: Scale, groups: &[&GroupReview]) -> f64 {
    if scale == Scale::Full {
        return 0.0;
    }
    let lowest = groups
        .iter()
        .flat_map(|group| group.curve.iter().take_while(|point| point.day <= group.drawn_to_day))
        .map(|point| point.interval.known().map_or(point.survival, |interval| interval.lower).value())
        .fold(1.0, f64::min);
    ((lowest * 10.0).floor() / 10.0).clamp(0.0, 0.9)
}

/// The days at which counts are known and there is room for them.
fn ticks(groups: &[&GroupReview], frame: &Frame) -> Vec<Days> {
    let mut ticks: Vec<Days> = Vec::new();
    let Some(first) = groups.first() else { return vec![Days::new(0)] };
    for counts in first.counts.iter().filter(|counts| f64::from(counts.day.count()) <= frame.last) {
        if ticks.last().is_none_or(|last| frame.x(counts.day) - frame.x(*last) >= 44.0) {
            ticks.push(counts.day);
        }
    }
    ticks
}

fn axes(sheet: &Sheet, frame: &Frame, ticks: &[Days], title: &str) {
    let bottom = frame.bottom();
    let mut step = 0;
    while step <= 10 {
        let share = f64::from(step) / 10.0;
        let wide = frame.floor <= 0.0 && step % 2 == 1;
        if share >= frame.floor - 1e-9 && !wide {
            let y = frame.y(Fraction::new(share));
            sheet.line(&[(LEFT, y), (RIGHT, y)], GRID, 1.0, &[]);
            sheet.text(&format!("{} %", step * 10), (LEFT - 10.0, y), TEXT, Weight::Regular, Anchor::End, INK);
        }
        step += 1;
    }
    sheet.line(&[(LEFT, bottom), (RIGHT, bottom)], INK, 1.4, &[]);
    if frame.floor > 0.0 {
        let (x, y) = (LEFT, bottom - 12.0);
        sheet.line(
            &[(x, frame.top), (x, y - 8.0), (x - 6.0, y - 4.0), (x + 6.0, y + 2.0), (x, y + 6.0), (x, bottom)],
            INK,
            1.4,
            &[],
        );
        let said = format!("axis starts at {:.0} %", frame.floor * 100.0);
        sheet.text(&said, (LEFT + 12.0, bottom - 12.0), SMALL, Weight::Regular, Anchor::Start, SOFT);
    } else {
        sheet.line(&[(LEFT, frame.top), (LEFT, bottom)], INK, 1.4, &[]);
    }
    for &day in ticks {
        let x = frame.x(day);
        sheet.line(&[(x, bottom), (x, bottom + 6.0)], INK, 1.4, &[]);
        let years = day.years().count();
        let text = if (years - years.round()).abs() < 0.02 { format!("{years:.0}") } else { format!("{years:.1}") };
        sheet.text(&text, (x, bottom + 17.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    }
    sheet.text("Years since placement", ((LEFT + RIGHT) / 2.0, bottom + 38.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    sheet.text(title, (LEFT - 10.0, frame.top - 17.0), TEXT, Weight::Bold, Anchor::Start, INK);
}

/// The drawn days and what holds from each on, starting with day 0.
fn steps(group: &GroupReview) -> impl Iterator<Item = (Days, Fraction, Option<(Fraction, Fraction)>)> + '_ {
    let start = (Days::new(0), Fraction::new(1.0), None);
    let points = group.curve.iter().take_while(|point| point.day <= group.drawn_to_day);
    std::iter::once(start).chain(points.map(|point| {
        let limits = match point.interval {
            Known::Known(interval) => Some((interval.lower, interval.upper)),
            Known::NotKnown(_) => None,
        };
        (point.day, point.survival, limits)
    }))
}

fn band(sheet: &Sheet, frame: &Frame, group: &GroupReview, place: usize) {
    let known: Vec<(f64, f64, f64)> = steps(group)
        .filter_map(|(day, _, limits)| limits.map(|(lower, upper)| (frame.x(day), frame.y(lower), frame.y(upper))))
        .collect();
    let end = frame.x(group.drawn_to_day);
    let edge = |height: fn(&(f64, f64, f64)) -> f64| {
        let mut points = Vec::new();
        for (number, step) in known.iter().enumerate() {
            points.push((step.0, height(step)));
            points.push((known.get(number + 1).map_or(end, |next| next.0), height(step)));
        }
        points
    };
    let mut corners = edge(|step| step.2);
    corners.extend(edge(|step| step.1).into_iter().rev());
    if corners.len() > 2 {
        sheet.area(&corners, look(place).colour, 0.13);
    }
}

fn curve(sheet: &Sheet, frame: &Frame, group: &GroupReview, place: usize) {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (day, survival, _) in steps(group) {
        if let Some(&(_, y)) = points.last() {
            points.push((frame.x(day), y));
        }
        points.push((frame.x(day), frame.y(survival)));
    }
    if let Some(&(_, y)) = points.last() {
        points.push((frame.x(group.drawn_to_day), y));
    }
    sheet.open(&format!(
        "{}: {} after {:.1} years",
        group.label,
        percent(group.survival_on(group.drawn_to_day)),
        group.drawn_to_day.years().count()
    ));
    sheet.line(&points, look(place).colour, 2.6, look(place).dash);
    sheet.close();
}

fn labels(sheet: &Sheet, frame: &Frame, groups: &[&GroupReview]) {
    let room = WIDTH - MARGIN - RIGHT - 24.0;
    let lines: Vec<Vec<String>> = groups
        .iter()
        .map(|group| {
            let mut lines = wrapped(&group.label, room, TEXT, Weight::Bold);
            lines.truncate(3);
            lines.push(format!(
                "{} at {:.1} years",
                percent(group.survival_on(group.drawn_to_day)),
                group.drawn_to_day.years().count()
            ));
            lines
        })
        .collect();
    let many = groups.len() > 5;
    let line_height = if many { 16.0 } else { 18.0 };
    let heights: Vec<f64> =
        lines.iter().map(|lines| line_height * f64::from(u16::try_from(lines.len()).unwrap_or(4)) + 5.0).collect();
    let ends: Vec<f64> = groups.iter().map(|group| frame.y(group.survival_on(group.drawn_to_day))).collect();
    let total: f64 = heights.iter().sum();
    let bottom = (frame.top - 14.0 + total).max(frame.bottom() + 30.0);
    let places = spread(&ends, &heights, frame.top - 14.0, bottom);
    for (place, group) in groups.iter().enumerate() {
        let colour = look(place).colour;
        let (end, y) = ((frame.x(group.drawn_to_day), ends[place]), places[place]);
        sheet.line(&[(end.0 + 3.0, end.1), (RIGHT + 8.0, y), (RIGHT + 18.0, y)], colour, 1.0, &[2, 2]);
        for (number, line) in (0_u32..).zip(&lines[place]) {
            let middle = y - heights[place] / 2.0 + line_height * (f64::from(number) + 0.5) + 2.5;
            let last = number as usize + 1 == lines[place].len();
            let (size, weight) = if last { (SMALL, Weight::Regular) } else { (TEXT, Weight::Bold) };
            sheet.text(line, (RIGHT + 22.0, middle), size, weight, Anchor::Start, colour);
        }
    }
}

type CountRow = (&'static str, fn(&Counts) -> u64);

/// The rows of the table below the axis; rows that are empty everywhere are left out.
fn count_rows(groups: &[&GroupReview]) -> Vec<CountRow> {
    let all: [CountRow; 5] = [
        ("at risk", |counts| counts.at_risk),
        ("failed", |counts| counts.failed),
        ("other end", |counts| counts.competing),
        ("censored", |counts| counts.censored),
        ("enter later", |counts| counts.not_yet_entered),
    ];
    let met = |row: &CountRow| groups.iter().any(|group| group.counts.iter().any(|counts| row.1(counts) > 0));
    all.into_iter().filter(|row| matches!(row.0, "at risk" | "failed" | "censored") || met(row)).collect()
}

fn counts(sheet: &Sheet, frame: &Frame, group: &GroupReview, place: usize, top: f64, ticks: &[Days], rows: &[CountRow]) {
    let colour = look(place).colour;
    let room = RIGHT - MARGIN - 60.0;
    let name = wrapped(&group.label, room, SMALL, Weight::Bold).into_iter().next().unwrap_or_default();
    sheet.line(&[(MARGIN, top + ROW / 2.0), (MARGIN + 34.0, top + ROW / 2.0)], colour, 2.6, look(place).dash);
    sheet.text(&name, (MARGIN + 42.0, top + ROW / 2.0), SMALL, Weight::Bold, Anchor::Start, colour);
    let behind = format!("{} restorations, {} patients", count(group.behind.observations), count(group.behind.clusters));
    let wide = text_width(&name, SMALL, Weight::Bold) + text_width(&behind, SMALL, Weight::Regular) + MARGIN + 70.0
        < WIDTH - MARGIN;
    if wide {
        sheet.text(&behind, (WIDTH - MARGIN, top + ROW / 2.0), SMALL, Weight::Regular, Anchor::End, SOFT);
    }
    for (number, row) in (1_u32..).zip(rows) {
        let y = top + ROW * (f64::from(number) + 0.5);
        sheet.text(row.0, (MARGIN, y), SMALL, Weight::Regular, Anchor::Start, INK);
        for counts in group.counts.iter().filter(|counts| ticks.contains(&counts.day)) {
            sheet.text(&count((row.1)(counts)), (frame.x(counts.day), y), SMALL, Weight::Regular, Anchor::Middle, INK);
        }
    }
}
