//! One criterion at each recall by level: the share that is acceptable or better, and below it the share that is ideal, with intervals.
//!
//! Purpose: to see whether margins and colour hold better with one level than with another. Intervals stand beside each other, not on
//! each other; what cannot be told apart by eye is not told apart by the test printed below.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many, spread};
use super::stage::Stage;
use super::text_width::{text_width, wrapped_to};
use crate::wording::{count, counted};

/// A level's share at a recall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShareAt {
    /// The share.
    pub share: f64,
    /// Its limits, if it has any.
    pub limits: Option<(f64, f64)>,
    /// How many were scored.
    pub scored: u64,
}

/// A recall.
#[derive(Clone, Debug, PartialEq)]
pub struct SharesAt {
    /// The recall, in months.
    pub months: u16,
    /// The share of each level; none where too few were scored to show.
    pub shares: Vec<Option<ShareAt>>,
    /// Whether the levels are alike, as printed below the axis.
    pub test: String,
}

/// One standing: a plot of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct StandingPanel {
    /// What the share is of: `Ideal`.
    pub title: String,
    /// The recalls, in order.
    pub recalls: Vec<SharesAt>,
}

/// What the chart needs.
pub struct CriterionLevelChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// Who is in it, printed below the title.
    pub definition: &'a str,
    /// What the levels are called.
    pub levels: &'a [&'a str],
    /// The plots, one below the other.
    pub panels: &'a [StandingPanel],
    /// What the row of tests is called.
    pub test: &'a str,
    /// How intervals and tests were made.
    pub footnote: &'a str,
}

/// Most levels drawn.
const MOST: usize = 8;
const PLOT: f64 = 200.0;
/// Room at the right for the names of the levels, and from there to the plot.
const NAMES: f64 = 190.0;
const LEADERS: f64 = 24.0;
const ROW: f64 = 19.0;
/// Above a plot, for its title; below it, for the axis and the tests.
const ABOVE: f64 = 34.0;
const BELOW: f64 = 72.0;

struct Frame {
    left: f64,
    right: f64,
    label: f64,
    width: f64,
    slots: usize,
    stride: usize,
    levels: usize,
}

impl Frame {
    fn new(chart: &CriterionLevelChart<'_>, levels: usize, stage: &Stage) -> Self {
        let label = stage.width - NAMES;
        let right = label - LEADERS;
        let left = (MARGIN + text_width(chart.test, SMALL, Weight::Regular) + 40.0).max(118.0);
        let slots = chart.panels.iter().map(|panel| panel.recalls.len()).max().unwrap_or(0).max(1);
        let recalls = || chart.panels.iter().flat_map(|panel| &panel.recalls);
        let tests = recalls().map(|recall| text_width(&recall.test, SMALL, Weight::Regular));
        let counts =
            recalls().flat_map(|recall| &recall.shares).map(|share| text_width(&scored(*share), SMALL, Weight::Regular));
        let widest = tests.chain(counts).fold(24.0, f64::max) + 8.0;
        let slot = (right - left) / many(slots);
        let stride = (1..=slots).find(|stride| slot * many(*stride) >= widest).unwrap_or(slots);
        Self { left, right, label, width: stage.width, slots, stride, levels }
    }

    fn slot(&self) -> f64 {
        (self.right - self.left) / many(self.slots)
    }

    fn middle(&self, recall: usize) -> f64 {
        self.left + (many(recall) + 0.5) * self.slot()
    }

    /// Where a level's share of a recall stands: beside those of the others.
    fn x(&self, recall: usize, level: usize) -> f64 {
        let step = (self.slot() * 0.72 / many(self.levels)).min(15.0);
        self.middle(recall) + (many(level) - (many(self.levels) - 1.0) / 2.0) * step
    }

    fn is_marked(&self, recall: usize) -> bool {
        recall.is_multiple_of(self.stride)
    }
}

fn scored(share: Option<ShareAt>) -> String {
    share.map_or_else(|| "few".to_owned(), |share| count(share.scored))
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// The highest multiple of 10 % that no share or limit of the panel is below, in per cent; nought where that is under a half.
fn floor(panel: &StandingPanel, levels: usize) -> u8 {
    let shown = panel.recalls.iter().flat_map(|recall| recall.shares.iter().take(levels)).flatten();
    let lowest = shown.map(|share| share.limits.map_or(share.share, |limits| limits.0)).fold(1.0, f64::min);
    (5..=9_u8).rev().map(|tenth| tenth * 10).find(|floor| f64::from(*floor) / 100.0 <= lowest).unwrap_or(0)
}

/// Draws the chart on a page.
pub fn criterion_level_chart(chart: &CriterionLevelChart<'_>) -> Drawing {
    criterion_level_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn criterion_level_chart_on(chart: &CriterionLevelChart<'_>, stage: &Stage) -> Drawing {
    let levels = &chart.levels[..chart.levels.len().min(MOST)];
    let frame = Frame::new(chart, levels.len().max(1), stage);
    let top = stage.heading_height(chart.title, chart.definition) + 4.0;
    let table = top + many(chart.panels.len()) * (ABOVE + PLOT + BELOW) + 4.0;
    let names: Vec<Vec<String>> =
        levels.iter().map(|level| wrapped_to(level, stage.room() - 42.0, SMALL, Weight::Bold, 2)).collect();
    let rows: f64 = names.iter().map(|name| ROW * many(name.len() + 1) + 6.0).sum();
    let note = if chart.levels.len() > levels.len() {
        let more = u64::try_from(chart.levels.len() - levels.len()).unwrap_or(u64::MAX);
        format!("{} Not drawn: {}.", chart.footnote, counted(more, "more level", "more levels"))
    } else {
        chart.footnote.to_owned()
    };
    let below = table + rows;
    let sheet = Sheet::new(
        stage,
        chart.name,
        chart.title,
        &describe(chart, levels),
        below + 10.0 + stage.paragraph_height(&note) + MARGIN,
    );
    sheet.heading(chart.definition);
    for (place, panel) in chart.panels.iter().enumerate() {
        let top = top + many(place) * (ABOVE + PLOT + BELOW) + ABOVE;
        draw_panel(&sheet, &frame, chart, panel, levels, top);
    }
    let mut y = table;
    for (place, name) in names.iter().enumerate() {
        let look = look(place);
        let middle = y + ROW / 2.0;
        sheet.line(&[(MARGIN, middle), (MARGIN + 34.0, middle)], look.colour, 2.6, look.dash);
        sheet.marker((MARGIN + 17.0, middle), look.marker, look.colour);
        for (line, text) in name.iter().enumerate() {
            let at = (MARGIN + 42.0, middle + many(line) * ROW);
            sheet.text(text, at, SMALL, Weight::Bold, Anchor::Start, look.text);
        }
        let counts = y + many(name.len()) * ROW + ROW / 2.0;
        sheet.text("scored", (MARGIN, counts), SMALL, Weight::Regular, Anchor::Start, INK);
        let recalls = chart.panels.first().map_or(&[][..], |panel| panel.recalls.as_slice());
        for (recall, at) in recalls.iter().enumerate().filter(|(recall, _)| frame.is_marked(*recall)) {
            let text = scored(at.shares.get(place).copied().flatten());
            sheet.text(&text, (frame.middle(recall), counts), SMALL, Weight::Regular, Anchor::Middle, INK);
        }
        y += many(name.len() + 1) * ROW + 6.0;
    }
    sheet.paragraph(&note, below + 10.0);
    sheet.finish()
}

fn draw_panel(
    sheet: &Sheet,
    frame: &Frame,
    chart: &CriterionLevelChart<'_>,
    panel: &StandingPanel,
    levels: &[&str],
    top: f64,
) {
    let (left, bottom, middle) = (frame.left, top + PLOT, f64::midpoint(frame.left, frame.right));
    let floor = floor(panel, levels.len());
    let lowest = f64::from(floor) / 100.0;
    let y = |share: f64| top + PLOT * (1.0 - (share - lowest).clamp(0.0, 1.0 - lowest) / (1.0 - lowest));
    sheet.text(&panel.title, (left, top - 18.0), TEXT, Weight::Bold, Anchor::Start, INK);
    let step = match floor {
        0 => 20,
        1..80 => 10,
        80..90 => 5,
        _ => 2,
    };
    for value in (floor..=100).step_by(step) {
        let at = y(f64::from(value) / 100.0);
        sheet.line(&[(left, at), (frame.right, at)], GRID, 1.0, &[]);
        sheet.text(&format!("{value} %"), (left - 10.0, at), TEXT, Weight::Regular, Anchor::End, INK);
    }
    sheet.line(&[(left, bottom), (frame.right, bottom)], INK, 1.4, &[]);
    sheet.line(&[(left, top), (left, bottom)], INK, 1.4, &[]);
    if floor > 0 {
        let said = format!("axis starts at {floor} %");
        sheet.text(&said, (frame.right, top - 18.0), SMALL, Weight::Bold, Anchor::End, INK);
    }
    for (recall, at) in panel.recalls.iter().enumerate() {
        let x = frame.middle(recall);
        sheet.line(&[(x, bottom), (x, bottom + 6.0)], INK, 1.4, &[]);
        if frame.is_marked(recall) {
            sheet.text(&at.months.to_string(), (x, bottom + 17.0), TEXT, Weight::Regular, Anchor::Middle, INK);
            sheet.text(&at.test, (x, bottom + 57.0), SMALL, Weight::Regular, Anchor::Middle, SOFT);
        }
    }
    sheet.text("Months after placement", (middle, bottom + 37.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    sheet.text(chart.test, (MARGIN, bottom + 57.0), SMALL, Weight::Regular, Anchor::Start, SOFT);
    let points = |level: usize| -> Vec<(usize, ShareAt)> {
        let of_level = |recall: &SharesAt| recall.shares.get(level).copied().flatten();
        panel.recalls.iter().enumerate().filter_map(|(place, recall)| Some((place, of_level(recall)?))).collect()
    };
    if (0..levels.len()).all(|level| points(level).is_empty()) {
        let at = (middle, top + PLOT / 2.0);
        sheet.text("Too few were scored to show.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
        return;
    }
    for (level, label) in levels.iter().enumerate() {
        let look = look(level);
        let points = points(level);
        let line: Vec<(f64, f64)> = points.iter().map(|(recall, at)| (frame.x(*recall, level), y(at.share))).collect();
        sheet.open("shares", &format!("{}: {}", label, said(&points, panel)));
        if line.len() > 1 {
            sheet.line(&line, look.colour, 1.4, look.dash);
        }
        for ((_, at), &(x, middle)) in points.iter().zip(&line) {
            if let Some((lower, upper)) = at.limits {
                sheet.line(&[(x, y(lower)), (x, y(upper))], look.colour, 2.4, &[]);
                for end in [y(lower), y(upper)] {
                    sheet.line(&[(x - 3.5, end), (x + 3.5, end)], look.colour, 2.0, &[]);
                }
            }
            sheet.marker((x, middle), look.marker, look.colour);
        }
        sheet.close();
    }
    let last: Vec<(usize, usize, ShareAt)> =
        (0..levels.len()).filter_map(|level| points(level).last().map(|&(recall, at)| (level, recall, at))).collect();
    let most = if last.len() > 4 { 1 } else { 2 };
    let lines: Vec<Vec<String>> = last
        .iter()
        .map(|&(level, recall, at)| {
            let mut lines = wrapped_to(levels[level], frame.width - MARGIN - frame.label, SMALL, Weight::Bold, most);
            lines.push(format!("{} at {} months", percent(at.share), panel.recalls[recall].months));
            lines
        })
        .collect();
    let air = if last.len() > 6 { 1.0 } else { 5.0 };
    let heights: Vec<f64> = lines.iter().map(|lines| 17.0 * many(lines.len()) + air).collect();
    let ends: Vec<f64> = last.iter().map(|(_, _, at)| y(at.share)).collect();
    let places = spread(&ends, &heights, top - ABOVE + 6.0, bottom + BELOW - 6.0);
    for (number, &(level, recall, _)) in last.iter().enumerate() {
        let (x, place) = (frame.x(recall, level), places[number]);
        let leader = [
            (x + 8.0, ends[number]),
            (frame.right + 4.0, ends[number]),
            (frame.label - 8.0, place),
            (frame.label - 3.0, place),
        ];
        sheet.line(&leader, SOFT, 1.0, &[1, 3]);
        for (line, text) in lines[number].iter().enumerate() {
            let middle = place - heights[number] / 2.0 + air / 2.0 + 17.0 * (many(line) + 0.5);
            let weight = if line + 1 == lines[number].len() { Weight::Regular } else { Weight::Bold };
            sheet.text(text, (frame.label, middle), SMALL, weight, Anchor::Start, look(level).text);
        }
    }
}

fn said(points: &[(usize, ShareAt)], panel: &StandingPanel) -> String {
    let parts: Vec<String> = points
        .iter()
        .map(|(recall, at)| {
            let limits = at.limits.map(|(lower, upper)| format!(" ({} to {})", percent(lower), percent(upper)));
            format!("{} months {}{}", panel.recalls[*recall].months, percent(at.share), limits.unwrap_or_default())
        })
        .collect();
    if parts.is_empty() { "too few to show".to_owned() } else { parts.join(", ") }
}

fn describe(chart: &CriterionLevelChart<'_>, levels: &[&str]) -> String {
    let panels: Vec<String> = chart
        .panels
        .iter()
        .map(|panel| {
            let of_levels: Vec<String> = levels
                .iter()
                .enumerate()
                .map(|(level, label)| {
                    let points: Vec<(usize, ShareAt)> = panel
                        .recalls
                        .iter()
                        .enumerate()
                        .filter_map(|(place, recall)| Some((place, recall.shares.get(level).copied().flatten()?)))
                        .collect();
                    format!("{label}: {}", said(&points, panel))
                })
                .collect();
            format!("{}: {}", panel.title, of_levels.join("; "))
        })
        .collect();
    format!("{} {}.", chart.definition, panels.join(". "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{LONG, check_texts};
    use super::*;

    fn panel(title: &str, levels: usize, recalls: u16, lowest: f64) -> StandingPanel {
        let share = |recall: u16, level: usize| {
            let share = 1.0 - (1.0 - lowest) * f64::from(recall) / f64::from(recalls) - 0.001 * many(level);
            // The first level has no limits, the last recall of the second is hidden.
            let limits = (level > 0).then_some((share - 0.05, (share + 0.03).min(1.0)));
            (level != 1 || recall + 1 < recalls).then_some(ShareAt { share, limits, scored: 12_345 / u64::from(recall + 1) })
        };
        StandingPanel {
            title: title.to_owned(),
            recalls: (0..recalls)
                .map(|recall| SharesAt {
                    months: recall * 12,
                    shares: (0..levels).map(|level| share(recall, level)).collect(),
                    test: "< 0.001".to_owned(),
                })
                .collect(),
        }
    }

    fn drawn(levels: &[&str], panels: &[StandingPanel]) -> Drawing {
        criterion_level_chart(&CriterionLevelChart {
            name: "criterion",
            title: "Marginal staining by etch strategy",
            definition: "Of those due and scored.",
            levels,
            panels,
            test: "p, corrected",
            footnote: "95 % intervals.",
        })
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let names: Vec<String> = (0..11).map(|place| format!("{LONG}, variant {place}")).collect();
        for levels in [0, 1, 2, 4, 8, 11] {
            let names: Vec<&str> = names.iter().take(levels).map(String::as_str).collect();
            for recalls in [0, 1, 3, 9, 30] {
                for lowest in [0.05, 0.5, 0.97] {
                    check_texts(&drawn(
                        &names,
                        &[panel("Ideal", levels, recalls, lowest), panel("Acceptable or better", levels, recalls, 0.99)],
                    ));
                }
            }
        }
    }

    #[test]
    fn an_axis_that_does_not_start_at_nought_says_so_and_holds_every_limit() {
        let high = drawn(&["One", "Other"], &[panel("Ideal", 2, 4, 0.9)]).svg;
        assert!(high.contains(">axis starts at 80 %<"), "{high}");
        assert!(!drawn(&["One", "Other"], &[panel("Ideal", 2, 4, 0.02)]).svg.contains("axis starts"));
        // 1 − 0.1·¾ − 0.001 − 0.05 is 0.874, the least limit drawn.
        assert_eq!(floor(&panel("Ideal", 2, 4, 0.9), 2), 80);
    }

    #[test]
    fn what_is_hidden_is_called_few_and_has_no_point() {
        let svg = drawn(&["One", "Other"], &[panel("Ideal", 2, 3, 0.9)]).svg;
        assert_eq!(svg.matches(">few<").count(), 1);
        assert!(
            svg.contains("Other: 0 months 99.9 %")
                && !svg
                    .contains("Other: 0 months 99.9 % (94.9 % to 100.0 %), 12 months 96.6 % (91.6 % to 99.6 %), 24 months")
        );
        let none = drawn(&["One"], &[panel("Ideal", 1, 0, 0.9)]).svg;
        assert!(none.contains(">Too few were scored to show.<"));
    }

    #[test]
    fn levels_that_are_not_drawn_are_counted() {
        let names = ["a"; 10];
        assert!(drawn(&names, &[panel("Ideal", 10, 3, 0.9)]).svg.contains("Not drawn: 2 more levels."));
    }
}
