//! One plot of the chart of a criterion by level: the shares at each recall with their intervals, and the names of the levels.
//!
//! Purpose: to set intervals of several levels beside each other, recall by recall. Names stand at the right, where the last shares are;
//! on a narrow stage above the plot, with the last share at the right edge.

use super::criterion_level_chart::{CriterionLevelChart, ShareAt, SharesAt, StandingPanel};
use super::palette::{GRID, INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many, spread};
use super::stage::Stage;
use super::text_width::{text_width, wrapped_to};
use crate::wording::count;

/// Height of a plot where it may be chosen, and the least that a slide may leave of it.
const PLOT: f64 = 200.0;
const LEAST_PLOT: f64 = 84.0;
/// Room at the right for the names of the levels, and from there to the plot.
const NAMES: f64 = 190.0;
const LEADERS: f64 = 24.0;
/// Height of a row of words.
const ROW: f64 = 19.0;
/// Height of a line of a name at the right.
const LINE: f64 = 17.0;
/// Room for the sample of a level's line, above a plot.
const SAMPLE: f64 = 42.0;

/// Where the plots of a chart stand. All have the same frame, one below the other.
pub struct Frame {
    left: f64,
    right: f64,
    label: f64,
    width: f64,
    slots: usize,
    stride: usize,
    levels: usize,
    /// Height of a plot; above it, for its title and names; below it, for the axis and the tests.
    plot: f64,
    above: f64,
    below: f64,
    narrow: bool,
    terse: bool,
}

/// What is said of a level whose last share shown is this: its name and, apart, the share.
struct Name {
    level: usize,
    recall: usize,
    at: ShareAt,
    lines: Vec<String>,
    last: String,
}

impl Frame {
    /// Frames for a chart of these levels; `rest` is the height of all but the plots.
    pub fn new(chart: &CriterionLevelChart<'_>, levels: &[&str], stage: &Stage, rest: f64) -> Self {
        let (narrow, terse) = (stage.narrow(), stage.terse);
        let (label, right) = if narrow {
            (MARGIN + SAMPLE, stage.width - MARGIN)
        } else {
            (stage.width - NAMES, stage.width - NAMES - LEADERS)
        };
        let test = MARGIN + text_width(chart.test, SMALL, Weight::Regular);
        let left = if narrow { test + 16.0 } else { test + 40.0 }.max(118.0);
        let slots = chart.panels.iter().map(|panel| panel.recalls.len()).max().unwrap_or(0).max(1);
        let recalls = || chart.panels.iter().flat_map(|panel| &panel.recalls);
        let tests = recalls().map(|recall| text_width(&recall.test, SMALL, Weight::Regular));
        let counts =
            recalls().flat_map(|recall| &recall.shares).map(|share| text_width(&scored(*share), SMALL, Weight::Regular));
        let widest = tests.chain(counts).fold(24.0, f64::max) + 8.0;
        let slot = (right - left) / many(slots);
        let stride = (1..=slots).find(|stride| slot * many(*stride) >= widest).unwrap_or(slots);
        let (above, below) = if terse { (28.0, 48.0) } else { (34.0, 72.0) };
        let mut frame = Self {
            left,
            right,
            label,
            width: stage.width,
            slots,
            stride,
            levels: levels.len().max(1),
            plot: PLOT,
            above,
            below,
            narrow,
            terse,
        };
        let words = chart.panels.iter().map(|panel| frame.words_height(&frame.names(panel, levels))).fold(0.0, f64::max);
        if narrow {
            frame.above += words + 12.0;
        }
        let panels = many(chart.panels.len().max(1));
        let least = if narrow { LEAST_PLOT } else { LEAST_PLOT.max(words + 12.0 - above - below) };
        let rest = rest + panels * (frame.above + frame.below);
        frame.plot = stage.plot(panels * PLOT, panels * least, rest) / panels;
        frame
    }

    /// Height of a plot with all that belongs to it.
    pub fn height(&self) -> f64 {
        self.above + self.plot + self.below
    }

    fn slot(&self) -> f64 {
        (self.right - self.left) / many(self.slots)
    }

    /// The middle of a recall.
    pub fn middle(&self, recall: usize) -> f64 {
        self.left + (many(recall) + 0.5) * self.slot()
    }

    /// Where a level's share of a recall stands: beside those of the others.
    fn x(&self, recall: usize, level: usize) -> f64 {
        let step = (self.slot() * 0.72 / many(self.levels)).min(15.0);
        self.middle(recall) + (many(level) - (many(self.levels) - 1.0) / 2.0) * step
    }

    /// Whether there is room for the numbers of a recall.
    pub fn is_marked(&self, recall: usize) -> bool {
        recall.is_multiple_of(self.stride)
    }

    fn names(&self, panel: &StandingPanel, levels: &[&str]) -> Vec<Name> {
        let shown = (0..levels.len()).filter_map(|level| Some((level, *points(panel, level).last()?)));
        let shown: Vec<(usize, (usize, ShareAt))> = shown.collect();
        let most = match (self.narrow, self.terse, shown.len()) {
            (true, ..) | (_, false, 0..=4) | (_, true, 0..=3) => 2,
            _ => 1,
        };
        let name = |&(level, (recall, at)): &(usize, (usize, ShareAt))| {
            let last = format!("{} at {} months", percent(at.share), panel.recalls[recall].months);
            let taken = if self.narrow { text_width(&last, SMALL, Weight::Regular) + 12.0 } else { 0.0 };
            let room = self.width - MARGIN - self.label - taken;
            Name { level, recall, at, lines: wrapped_to(levels[level], room, SMALL, Weight::Bold, most), last }
        };
        shown.iter().map(name).collect()
    }

    /// The height that names take, above each other.
    fn words_height(&self, names: &[Name]) -> f64 {
        if self.narrow {
            return ROW * many(names.iter().map(|name| name.lines.len()).sum::<usize>());
        }
        heights(names).iter().sum()
    }
}

fn heights(names: &[Name]) -> Vec<f64> {
    let air = if names.len() > 6 { 1.0 } else { 5.0 };
    names.iter().map(|name| LINE * many(name.lines.len() + 1) + air).collect()
}

/// How many were scored, or that they were few.
pub fn scored(share: Option<ShareAt>) -> String {
    share.map_or_else(|| "few".to_owned(), |share| count(share.scored))
}

/// A share in per cent.
pub fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// The shares of a level that are shown, each with the place of its recall.
pub fn points(panel: &StandingPanel, level: usize) -> Vec<(usize, ShareAt)> {
    let of_level = |recall: &SharesAt| recall.shares.get(level).copied().flatten();
    panel.recalls.iter().enumerate().filter_map(|(place, recall)| Some((place, of_level(recall)?))).collect()
}

/// What the shares of a level are, in words.
pub fn said(panel: &StandingPanel, level: usize) -> String {
    let parts: Vec<String> = points(panel, level)
        .iter()
        .map(|(recall, at)| {
            let limits = at.limits.map(|(lower, upper)| format!(" ({} to {})", percent(lower), percent(upper)));
            format!("{} months {}{}", panel.recalls[*recall].months, percent(at.share), limits.unwrap_or_default())
        })
        .collect();
    if parts.is_empty() { "too few to show".to_owned() } else { parts.join(", ") }
}

/// The highest multiple of 10 % that no share or limit of the panel is below, in per cent; nought where that is under a half.
fn floor(panel: &StandingPanel, levels: usize) -> u8 {
    let shown = panel.recalls.iter().flat_map(|recall| recall.shares.iter().take(levels)).flatten();
    let lowest = shown.map(|share| share.limits.map_or(share.share, |limits| limits.0)).fold(1.0, f64::min);
    (5..=9_u8).rev().map(|tenth| tenth * 10).find(|floor| f64::from(*floor) / 100.0 <= lowest).unwrap_or(0)
}

/// The vertical axis of one plot.
struct Axis {
    top: f64,
    plot: f64,
    floor: u8,
}

impl Axis {
    fn y(&self, share: f64) -> f64 {
        let lowest = f64::from(self.floor) / 100.0;
        self.top + self.plot * (1.0 - (share - lowest).clamp(0.0, 1.0 - lowest) / (1.0 - lowest))
    }

    /// Per cent from mark to mark; marks are wider apart where the plot is low.
    fn step(&self) -> usize {
        let steps = match self.floor {
            0 => [20, 50],
            1..80 => [10, 20],
            80..90 => [5, 10],
            _ => [2, 5],
        };
        let marks = usize::from(100 - self.floor) / steps[0];
        if self.plot < 20.0 * many(marks) { steps[1] } else { steps[0] }
    }
}

/// Draws a plot with its names, from a height down.
pub fn draw(
    sheet: &Sheet,
    frame: &Frame,
    chart: &CriterionLevelChart<'_>,
    panel: &StandingPanel,
    levels: &[&str],
    from: f64,
) {
    let names = frame.names(panel, levels);
    let axis = Axis { top: from + frame.above, plot: frame.plot, floor: floor(panel, levels.len()) };
    let (left, bottom) = (frame.left, axis.top + frame.plot);
    let title = if frame.narrow { from + 16.0 } else { axis.top - 18.0 };
    let start = if frame.narrow { MARGIN } else { left };
    sheet.text(&panel.title, (start, title), TEXT, Weight::Bold, Anchor::Start, INK);
    for value in (axis.floor..=100).step_by(axis.step()) {
        let at = axis.y(f64::from(value) / 100.0);
        sheet.line(&[(left, at), (frame.right, at)], GRID, 1.0, &[]);
        sheet.text(&format!("{value} %"), (left - 10.0, at), TEXT, Weight::Regular, Anchor::End, INK);
    }
    sheet.line(&[(left, bottom), (frame.right, bottom)], INK, 1.4, &[]);
    sheet.line(&[(left, axis.top), (left, bottom)], INK, 1.4, &[]);
    if axis.floor > 0 {
        let said = format!("axis starts at {} %", axis.floor);
        sheet.text(&said, (frame.right, title), SMALL, Weight::Bold, Anchor::End, INK);
    }
    below(sheet, frame, chart, panel, bottom);
    if names.is_empty() {
        let at = (f64::midpoint(left, frame.right), axis.top + frame.plot / 2.0);
        sheet.text("Too few were scored to show.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
        return;
    }
    for (level, label) in levels.iter().enumerate() {
        let look = look(level);
        let points = points(panel, level);
        let line: Vec<(f64, f64)> = points.iter().map(|(recall, at)| (frame.x(*recall, level), axis.y(at.share))).collect();
        sheet.open("shares", &format!("{}: {}", label, said(panel, level)));
        if line.len() > 1 {
            sheet.line(&line, look.colour, 1.4, look.dash);
        }
        for ((_, at), &(x, middle)) in points.iter().zip(&line) {
            if let Some((lower, upper)) = at.limits {
                sheet.line(&[(x, axis.y(lower)), (x, axis.y(upper))], look.colour, 2.4, &[]);
                for end in [axis.y(lower), axis.y(upper)] {
                    sheet.line(&[(x - 3.5, end), (x + 3.5, end)], look.colour, 2.0, &[]);
                }
            }
            sheet.marker((x, middle), look.marker, look.colour);
        }
        sheet.close();
    }
    if frame.narrow {
        names_above(sheet, frame, &names, from + 32.0);
    } else {
        names_beside(sheet, frame, &names, &axis);
    }
}

/// The recalls, what they count, and the tests.
fn below(sheet: &Sheet, frame: &Frame, chart: &CriterionLevelChart<'_>, panel: &StandingPanel, bottom: f64) {
    let tests = bottom + if frame.terse { 37.0 } else { 57.0 };
    for (recall, at) in panel.recalls.iter().enumerate() {
        let x = frame.middle(recall);
        sheet.line(&[(x, bottom), (x, bottom + 6.0)], INK, 1.4, &[]);
        if frame.is_marked(recall) {
            sheet.text(&at.months.to_string(), (x, bottom + 17.0), TEXT, Weight::Regular, Anchor::Middle, INK);
            sheet.text(&at.test, (x, tests), SMALL, Weight::Regular, Anchor::Middle, SOFT);
        }
    }
    if frame.terse {
        sheet.text("months", (MARGIN, bottom + 17.0), SMALL, Weight::Regular, Anchor::Start, INK);
    } else {
        let at = (f64::midpoint(frame.left, frame.right), bottom + 37.0);
        sheet.text("Months after placement", at, TEXT, Weight::Regular, Anchor::Middle, INK);
    }
    sheet.text(chart.test, (MARGIN, tests), SMALL, Weight::Regular, Anchor::Start, SOFT);
}

/// Names above the plot, each with a sample of its line and, at the right edge, its last share.
fn names_above(sheet: &Sheet, frame: &Frame, names: &[Name], from: f64) {
    let mut y = from + ROW / 2.0;
    for name in names {
        let look = look(name.level);
        sample(sheet, name.level, y);
        for (line, text) in name.lines.iter().enumerate() {
            let at = (frame.label, y + many(line) * ROW);
            sheet.text(text, at, SMALL, Weight::Bold, Anchor::Start, look.text);
        }
        sheet.text(&name.last, (frame.width - MARGIN, y), SMALL, Weight::Regular, Anchor::End, look.text);
        y += ROW * many(name.lines.len());
    }
}

/// A sample of a level's line at the left edge.
pub fn sample(sheet: &Sheet, level: usize, y: f64) {
    let look = look(level);
    sheet.line(&[(MARGIN, y), (MARGIN + 34.0, y)], look.colour, 2.6, look.dash);
    sheet.marker((MARGIN + 17.0, y), look.marker, look.colour);
}

/// Names at the right, moved apart where needed, with dotted lines to the last shares.
fn names_beside(sheet: &Sheet, frame: &Frame, names: &[Name], axis: &Axis) {
    let (heights, bottom) = (heights(names), axis.top + axis.plot);
    let air = if names.len() > 6 { 1.0 } else { 5.0 };
    let ends: Vec<f64> = names.iter().map(|name| axis.y(name.at.share)).collect();
    let places = spread(&ends, &heights, axis.top - frame.above + 6.0, bottom + frame.below - 6.0);
    for (number, name) in names.iter().enumerate() {
        let (x, place) = (frame.x(name.recall, name.level), places[number]);
        let leader = [
            (x + 8.0, ends[number]),
            (frame.right + 4.0, ends[number]),
            (frame.label - 8.0, place),
            (frame.label - 3.0, place),
        ];
        sheet.line(&leader, SOFT, 1.0, &[1, 3]);
        for (line, text) in name.lines.iter().chain([&name.last]).enumerate() {
            let middle = place - heights[number] / 2.0 + air / 2.0 + LINE * (many(line) + 0.5);
            let weight = if line == name.lines.len() { Weight::Regular } else { Weight::Bold };
            sheet.text(text, (frame.label, middle), SMALL, weight, Anchor::Start, look(name.level).text);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::standing_panel;
    use super::*;

    #[test]
    fn an_axis_holds_every_limit() {
        // 1 − 0.1·¾ − 0.001 − 0.05 is 0.874, the least limit drawn.
        assert_eq!(floor(&standing_panel("Ideal", 2, 4, 0.9), 2), 80);
        assert_eq!(floor(&standing_panel("Ideal", 2, 4, 0.02), 2), 0);
    }

    #[test]
    fn a_low_plot_has_fewer_marks() {
        let step = |plot: f64, floor: u8| Axis { top: 0.0, plot, floor }.step();
        assert_eq!([step(200.0, 0), step(90.0, 0)], [20, 50]);
        assert_eq!([step(200.0, 80), step(70.0, 80)], [5, 10]);
        assert_eq!([step(200.0, 50), step(90.0, 50)], [10, 20]);
    }
}
