//! The survival curve of each level with its interval, and below it, aligned, how many were at risk, had failed, or had left.
//!
//! Purpose: to show how long fillings last, and how much is known at each age. Curves stop where fewer than the protocol's
//! minimum are at risk; labels stand at their ends; line patterns tell them apart without colour.

use super::Drawing;
use super::counts_table::CountsTable;
use super::palette::{INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many, spread};
use super::stage::Stage;
use super::survival_scale::{Scale, Upright, steps};
use super::text_width::{text_width, wrapped_to};
use super::time_axis::{last_day, mark_text, marks, whole_years};
use crate::quantity::{Days, Fraction};
use crate::result::GroupReview;
use crate::wording::{counted, percent, years};

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
    /// The levels; of more than eight, the first eight are drawn and the note says so.
    pub groups: &'a [GroupReview],
    /// How intervals were made.
    pub footnote: &'a str,
    /// Fewest at risk for a curve to be drawn.
    pub least_at_risk: u32,
    /// The vertical axis.
    pub scale: Scale,
}

/// Most levels that can be told apart.
const MOST: usize = 8;
/// Room for labels, where they stand at the right.
const LABELS: f64 = 214.0;
/// From the right edge of the plot to where labels begin.
const LEADER: f64 = 24.0;
/// Height of the plot where it may be chosen, and the least that a slide may leave of it.
const PLOT: f64 = 380.0;
const LEAST_PLOT: f64 = 150.0;

struct Frame {
    left: f64,
    right: f64,
    top: f64,
    plot: f64,
    last: Days,
    upright: Upright,
}

impl Frame {
    fn x(&self, day: Days) -> f64 {
        self.left + f64::from(day.count()) / f64::from(self.last.count().max(1)) * (self.right - self.left)
    }

    fn y(&self, survival: Fraction) -> f64 {
        self.top + self.plot * (1.0 - self.upright.height(survival))
    }

    fn bottom(&self) -> f64 {
        self.top + self.plot
    }

    fn middle(&self) -> f64 {
        (self.left + self.right) / 2.0
    }
}

/// Draws the chart on a page.
pub fn survival_chart(chart: &SurvivalChart<'_>) -> Drawing {
    survival_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn survival_chart_on(chart: &SurvivalChart<'_>, stage: &Stage) -> Drawing {
    let met: Vec<&GroupReview> = chart.groups.iter().filter(|group| group.behind.observations > 0).collect();
    let groups = &met[..met.len().min(MOST)];
    let table = CountsTable::new(groups, chart.least_at_risk, chart.scale, stage);
    let note = note(chart, &table, &met, stage);
    let definition = stage.first_sentence(chart.definition);
    let top = stage.heading_height(chart.title, definition) + 34.0;
    let below = 62.0 + table.height() + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let labels = Labels::new(groups, chart.scale, stage);
    let frame = Frame {
        left: if stage.narrow() {
            (MARGIN + table.words_width() + table.column_width(Days::new(0)) / 2.0 + 8.0).max(82.0)
        } else {
            (MARGIN + table.words_width() + 40.0).max(118.0)
        },
        right: if stage.narrow() { stage.width - MARGIN - 12.0 } else { stage.width - LABELS },
        top,
        plot: stage.plot(PLOT, LEAST_PLOT.max(labels.height() - 46.0), top + below),
        last: last_day(groups),
        upright: Upright::new(chart.scale, groups),
    };
    let width = |day: Days| text_width(&mark_text(day), TEXT, Weight::Regular).max(table.column_width(day));
    let marks = marks(groups, frame.last, |day| frame.x(day), width);
    let table_top = frame.bottom() + 62.0;
    let below = table_top + table.height();
    let height = below + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, groups), height);
    sheet.heading(definition);
    axes(&sheet, &frame, &marks, axis_title(chart));
    let drawn = |group: &&GroupReview| group.drawn_to_day.count() > 0;
    if !groups.iter().any(drawn) {
        let said = if groups.is_empty() {
            "No restorations to draw.".to_owned()
        } else {
            format!("Never {} at risk: no curve to draw.", chart.least_at_risk)
        };
        let at = (frame.middle(), frame.top + frame.plot / 2.0);
        sheet.text(&said, at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    for (place, group) in groups.iter().enumerate().filter(|(_, group)| drawn(group)) {
        sheet.open("band", &format!("{}: intervals", group.label));
        band(&sheet, &frame, group, place);
        sheet.close();
    }
    for (place, group) in groups.iter().enumerate().filter(|(_, group)| drawn(group)) {
        sheet.open("curve", &end_sentence(group, chart.scale));
        curve(&sheet, &frame, group, place);
        sheet.close();
    }
    labels.draw(&sheet, &frame);
    table.draw(&sheet, table_top, &marks, |day| frame.x(day));
    sheet.paragraph(&note, below + 10.0);
    sheet.finish()
}

fn note(chart: &SurvivalChart<'_>, table: &CountsTable<'_>, met: &[&GroupReview], stage: &Stage) -> String {
    let mut note = format!("{} Bands are pointwise intervals.", chart.footnote);
    if chart.scale == Scale::Failed {
        note.push_str(" Cumulative failure is 1 − survival: what ended otherwise counts as followed no further.");
    }
    if stage.terse {
        let without = met.iter().take(MOST).filter(|group| group.drawn_to_day.count() <= 0);
        for group in without {
            note.push_str(&format!(" {}.", end_sentence(group, chart.scale)));
        }
    } else {
        note.push_str(&format!(
            " A curve stops where fewer than {} restorations are at risk{}. {}",
            chart.least_at_risk,
            if met.iter().any(|group| group.drawn_to_day < group.enough_until) {
                ", or where failures dated to the visit that found them make it wrong"
            } else {
                ""
            },
            table.note()
        ));
    }
    if met.len() > MOST {
        let more = u64::try_from(met.len() - MOST).unwrap_or(u64::MAX);
        note.push_str(&format!(" Not drawn: {}.", counted(more, "more level", "more levels")));
    }
    if met.len() < chart.groups.len() && !met.is_empty() {
        let empty = chart.groups.iter().filter(|group| group.behind.observations == 0);
        let names: Vec<&str> = empty.map(|group| group.label.as_str()).collect();
        note.push_str(&format!(" Without restorations: {}.", names.join("; ")));
    }
    note
}

fn end_sentence(group: &GroupReview, scale: Scale) -> String {
    if group.drawn_to_day.count() <= 0 {
        return format!("{}: too few at risk for a curve", group.label);
    }
    let shown = scale.said(group.survival_on(group.drawn_to_day));
    format!("{}: {shown} after {} years", group.label, years(group.drawn_to_day))
}

fn describe(chart: &SurvivalChart<'_>, groups: &[&GroupReview]) -> String {
    let ends: Vec<String> = groups.iter().map(|group| end_sentence(group, chart.scale)).collect();
    let ends = if ends.is_empty() { "No restorations to draw".to_owned() } else { ends.join("; ") };
    let curves = if chart.scale == Scale::Failed { "Curves of cumulative failure" } else { "Survival curves" };
    format!("{curves} ({}). {} {ends}.", chart.survival_title, chart.definition)
}

fn axis_title<'a>(chart: &SurvivalChart<'a>) -> &'a str {
    if chart.scale == Scale::Failed { "Cumulative failure" } else { chart.survival_title }
}

fn axes(sheet: &Sheet, frame: &Frame, marks: &[Days], title: &str) {
    let (left, right, bottom) = (frame.left, frame.right, frame.bottom());
    frame.upright.draw(sheet, (left, right), (frame.top, bottom));
    for day in whole_years(frame.last) {
        sheet.line(&[(frame.x(day), bottom), (frame.x(day), bottom + 4.0)], INK, 1.0, &[]);
    }
    for &day in marks {
        let x = frame.x(day);
        sheet.line(&[(x, bottom), (x, bottom + 7.0)], INK, 1.6, &[]);
        sheet.text(&mark_text(day), (x, bottom + 18.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    }
    sheet.text("Years since placement", (frame.middle(), bottom + 39.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    let title = wrapped_to(title, right - left, TEXT, Weight::Bold, 1).into_iter().next().unwrap_or_default();
    sheet.text(&title, (left, frame.top - 20.0), TEXT, Weight::Bold, Anchor::Start, INK);
}

/// One area for each run of days with limits; where there are none, there is no band.
fn band(sheet: &Sheet, frame: &Frame, group: &GroupReview, place: usize) {
    let all: Vec<_> = steps(group).collect();
    let (mut upper, mut lower) = (Vec::<(f64, f64)>::new(), Vec::<(f64, f64)>::new());
    for (number, (day, _, limits)) in all.iter().enumerate() {
        let next = all.get(number + 1).map_or(group.drawn_to_day, |next| next.0);
        if let Some((low, high)) = limits {
            for x in [frame.x(*day), frame.x(next)] {
                upper.push((x, frame.y(*high)));
                lower.push((x, frame.y(*low)));
            }
        }
        if (limits.is_none() || number + 1 == all.len()) && !upper.is_empty() {
            upper.extend(lower.drain(..).rev());
            sheet.area(&upper, look(place).colour, 0.13);
            upper.clear();
        }
    }
}

fn curve(sheet: &Sheet, frame: &Frame, group: &GroupReview, place: usize) {
    let look = look(place);
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (day, survival, _) in steps(group) {
        if let Some(&(_, y)) = points.last() {
            points.push((frame.x(day), y));
        }
        points.push((frame.x(day), frame.y(survival)));
    }
    let Some(&(_, y)) = points.last() else { return };
    let end = (frame.x(group.drawn_to_day), y);
    points.push(end);
    sheet.line(&points, look.colour, 2.8, look.dash);
    sheet.marker(end, look.marker, look.colour);
}

/// The name of each level beside the end of its curve, moved apart where needed, with a dotted line to it; on a narrow stage the
/// table below names them.
struct Labels<'a> {
    drawn: Vec<(usize, &'a GroupReview)>,
    lines: Vec<Vec<String>>,
    heights: Vec<f64>,
    width: f64,
}

impl<'a> Labels<'a> {
    const LINE: f64 = 18.0;

    fn new(groups: &[&'a GroupReview], scale: Scale, stage: &Stage) -> Self {
        let most = match groups.len() {
            0..=4 => 3,
            5..=6 => 2,
            _ => 1,
        };
        let shown = |group: &&GroupReview| !stage.narrow() && group.drawn_to_day.count() > 0;
        let drawn: Vec<(usize, &GroupReview)> =
            groups.iter().copied().enumerate().filter(|(_, group)| shown(group)).collect();
        let lines: Vec<Vec<String>> = drawn
            .iter()
            .map(|(_, group)| {
                let mut lines = wrapped_to(&group.label, LABELS - MARGIN - LEADER, TEXT, Weight::Bold, most);
                let shown = percent(scale.shown(group.survival_on(group.drawn_to_day)));
                lines.push(format!("{shown} at {} years", years(group.drawn_to_day)));
                lines
            })
            .collect();
        let heights = lines.iter().map(|lines| Self::LINE * many(lines.len()) + 7.0).collect();
        Self { drawn, lines, heights, width: stage.width }
    }

    fn height(&self) -> f64 {
        self.heights.iter().sum()
    }

    fn draw(&self, sheet: &Sheet, frame: &Frame) {
        let ends: Vec<f64> = self.drawn.iter().map(|(_, group)| frame.y(group.survival_on(group.drawn_to_day))).collect();
        let places = spread(&ends, &self.heights, frame.top - 16.0, frame.bottom() + 30.0);
        let label = self.width - LABELS + LEADER;
        for (number, (place, group)) in self.drawn.iter().enumerate() {
            let (end, y) = (frame.x(group.drawn_to_day), places[number]);
            let leader = [(end + 8.0, ends[number]), (frame.right + 4.0, ends[number]), (label - 8.0, y), (label - 3.0, y)];
            sheet.line(&leader, SOFT, 1.0, &[1, 3]);
            for (line, text) in self.lines[number].iter().enumerate() {
                let middle = y - self.heights[number] / 2.0 + 3.5 + Self::LINE * (many(line) + 0.5);
                let last = line + 1 == self.lines[number].len();
                let (size, weight) = if last { (SMALL, Weight::Regular) } else { (TEXT, Weight::Bold) };
                sheet.text(text, (label, middle), size, weight, Anchor::Start, look(*place).text);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{check_texts, group, requests, survival};
    use super::*;

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        for (name, groups) in requests() {
            for scale in [Scale::Full, Scale::Zoomed, Scale::Failed] {
                check_texts(&survival(name, &groups, scale));
            }
        }
    }

    #[test]
    fn the_same_results_give_the_same_bytes() {
        let draw = || requests().iter().map(|(name, groups)| survival(name, groups, Scale::Full).svg).collect::<Vec<_>>();
        assert_eq!(draw(), draw());
    }

    #[test]
    fn an_axis_that_is_not_from_nought_to_all_says_so() {
        let groups = [group("All", 1240, 0.01, 3800)];
        let said = |scale| {
            let svg = survival("x", &groups, scale).svg;
            (svg.contains(">axis starts at 80 %<"), svg.contains(">axis ends at 15 %<"), svg.contains(">axis "))
        };
        assert_eq!(said(Scale::Full), (false, false, false));
        assert_eq!(said(Scale::Zoomed), (true, false, true));
        assert_eq!(said(Scale::Failed), (false, true, true));
    }

    #[test]
    fn cumulative_failure_goes_up_and_says_what_it_is() {
        let groups = [group("All", 1240, 0.01, 3800)];
        let ends = |scale| {
            let svg = survival("x", &groups, scale).svg;
            let curve =
                svg.split("class=\"curve\"").nth(1).and_then(|rest| rest.split("points=\"").nth(1)).expect("a curve");
            let points: Vec<f64> = curve
                .split('"')
                .next()
                .expect("points")
                .split(' ')
                .map(|point| point.split(',').nth(1).expect("y").parse().expect("a number"))
                .collect();
            (points[0], points[points.len() - 1], svg)
        };
        let (first, last, svg) = ends(Scale::Failed);
        assert!(first > last, "up the sheet: from {first} to {last}");
        let (first, last, _) = ends(Scale::Full);
        assert!(first < last);
        assert!(svg.contains(">Cumulative failure<") && !svg.contains(">Retained<"), "{svg}");
        assert!(svg.contains("failed after") && svg.contains("1 − survival"), "{svg}");
    }

    #[test]
    fn no_curve_goes_on_where_too_few_are_at_risk() {
        let tiny = survival("tiny", &[group("All", 3, 0.1, 800)], Scale::Full).svg;
        assert!(tiny.contains("Never 10 at risk: no curve to draw.") && !tiny.contains("class=\"curve\""));
        let nobody = survival("none", &[], Scale::Full).svg;
        assert!(nobody.contains(">No restorations to draw.<"));
    }

    #[test]
    fn more_levels_than_can_be_told_apart_are_counted() {
        let groups: Vec<GroupReview> = (0..11).map(|place| group(&format!("Level {place}"), 50, 0.02, 1500)).collect();
        let drawing = survival("many", &groups, Scale::Full);
        check_texts(&drawing);
        assert!(drawing.svg.contains("Not drawn: 3 more levels."), "{}", drawing.svg);
    }

    #[test]
    fn a_large_register_makes_no_large_file() {
        let svg = survival("huge", &[group("All", 12_345_678, 0.035, 3900)], Scale::Full).svg;
        assert!(svg.len() < 60_000, "{} bytes", svg.len());
    }
}
