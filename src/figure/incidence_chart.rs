//! The cumulative incidence of failure, and below it on the same scale that of competing endings, by level.
//!
//! Purpose: to show what part of all fillings failed by each age, and what part ended otherwise, so that neither hides the other.
//! A per cent is as high in one panel as in the other; both begin at zero. Names stand at the ends of the lines; line patterns and
//! markers tell them apart without colour.

use super::Drawing;
use super::end_labels::{EndLabel, LEADER, draw_end_labels, height};
use super::level_rows::{LevelCounts, LevelRows};
use super::palette::{INK, SOFT, look};
use super::plane::{Plane, number, round_step};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, text_width, wrapped_to};
use super::time_axis::{mark_text, whole_years};
use crate::quantity::{Days, Fraction};
use crate::wording::{counted, percent, years};

/// From a day on, what part has ended so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IncidenceStep {
    /// The day.
    pub day: Days,
    /// The part.
    pub estimate: Fraction,
    /// Its limits, if it has any.
    pub limits: Option<(Fraction, Fraction)>,
}

/// The counts at a recall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IncidenceCounts {
    /// The day.
    pub day: Days,
    /// At risk just before it.
    pub at_risk: u64,
    /// Failed before it.
    pub failed: u64,
    /// Ended otherwise before it.
    pub competing: u64,
}

/// One level.
#[derive(Clone, Debug, PartialEq)]
pub struct IncidenceLevel {
    /// What it is called.
    pub label: String,
    /// The steps of failure, by day; before the first it is 0.
    pub failed: Vec<IncidenceStep>,
    /// The steps of competing endings, by day.
    pub competing: Vec<IncidenceStep>,
    /// The last day to be drawn; 0 where too few are at risk for any.
    pub drawn_to: Days,
    /// Counts at the recalls, day 0 among them.
    pub counts: Vec<IncidenceCounts>,
}

/// What the chart needs.
pub struct IncidenceChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// What failure is called: `Lost`.
    pub failed_title: &'a str,
    /// What competing endings are called: `Renewed for another fault, or removed with the tooth`.
    pub competing_title: &'a str,
    /// The levels; of more than eight, the first eight are drawn and the note says so.
    pub levels: &'a [IncidenceLevel],
    /// How estimates and intervals were made.
    pub footnote: &'a str,
}

/// Most levels that can be told apart.
const MOST: usize = 8;
/// Room for labels, where they stand at the right.
const LABELS: f64 = 250.0;
/// Height of both panels where it may be chosen, and the least that a slide may leave of it.
const PLOT: f64 = 400.0;
const LEAST_PLOT: f64 = 170.0;
/// Between the panels, with the title of the lower one.
const GAP: f64 = 40.0;

/// Which of the two endings.
#[derive(Clone, Copy, PartialEq, Eq)]
enum End {
    Failed,
    Competing,
}

impl IncidenceLevel {
    fn drawn(&self) -> bool {
        self.drawn_to.count() > 0
    }

    /// The steps up to the last drawn day, from 0 on.
    fn steps(&self, end: End) -> Vec<IncidenceStep> {
        let start = IncidenceStep { day: Days::new(0), estimate: Fraction::new(0.0), limits: None };
        let steps = if end == End::Failed { &self.failed } else { &self.competing };
        std::iter::once(start).chain(steps.iter().copied().take_while(|step| step.day <= self.drawn_to)).collect()
    }

    fn at_end(&self, end: End) -> Fraction {
        self.steps(end).last().map_or(Fraction::new(0.0), |step| step.estimate)
    }

    fn on_one_line(&self, end: End) -> String {
        format!("{} {}", percent(self.at_end(end)), self.label)
    }

    fn sentence(&self) -> String {
        if !self.drawn() {
            return format!("{}: too few at risk to be drawn", self.label);
        }
        let (failed, competing) = (percent(self.at_end(End::Failed)), percent(self.at_end(End::Competing)));
        format!("{}: {failed} failed, {competing} ended otherwise by {} years", self.label, years(self.drawn_to))
    }
}

/// The room at the right that the widest name and part on one line take.
fn one_line_room(levels: &[IncidenceLevel]) -> f64 {
    let drawn = levels.iter().filter(|level| level.drawn());
    let width = |level: &IncidenceLevel| text_width(&level.on_one_line(End::Failed), TEXT, Weight::Bold);
    drawn.map(width).fold(0.0, f64::max) + MARGIN + LEADER + 2.0
}

/// How far the lines of an ending reach, and their bands as far as three times that, so that one wide band doesn't flatten the rest;
/// and whether a band goes on past it.
fn reach(levels: &[IncidenceLevel], end: End) -> (f64, bool) {
    let steps: Vec<IncidenceStep> = levels.iter().filter(|level| level.drawn()).flat_map(|level| level.steps(end)).collect();
    let highest = steps.iter().map(|step| step.estimate.value()).fold(0.005, f64::max);
    let upper = steps.iter().filter_map(|step| step.limits).map(|limits| limits.1.value()).fold(highest, f64::max);
    (upper.min(highest * 3.0), upper > highest * 3.0)
}

/// Shares out a height to two panels of these reaches, on one scale, neither lower than its least; and where each axis ends.
fn shared(total: f64, reaches: [f64; 2], least: [f64; 2]) -> ([f64; 2], [f64; 2]) {
    let upper = (total * reaches[0] / (reaches[0] + reaches[1])).max(least[0]).min(total - least[1]).max(least[0]);
    let heights = [upper, (total - upper).max(least[1])];
    let scale = (heights[0] / reaches[0]).min(heights[1] / reaches[1]);
    (heights, heights.map(|height| height / scale))
}

/// Draws the chart on a page.
pub fn incidence_chart(chart: &IncidenceChart<'_>) -> Drawing {
    incidence_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn incidence_chart_on(chart: &IncidenceChart<'_>, stage: &Stage) -> Drawing {
    let levels = &chart.levels[..chart.levels.len().min(MOST)];
    let narrow = stage.narrow();
    let table = LevelRows::new(levels.iter().map(|level| counts_of(level, narrow)).collect(), stage);
    let reaches = [reach(levels, End::Failed), reach(levels, End::Competing)];
    let note = note(chart, reaches.iter().any(|reach| reach.1), stage);
    let definition = stage.first_sentence(chart.definition);
    let drawn = levels.iter().filter(|level| level.drawn()).count();
    // Said aloud, one line must do to name each of many.
    let names = match (stage.terse && drawn > 2, drawn) {
        (true, _) => 0,
        (false, 0..=4) => 2,
        (false, _) => 1,
    };
    let labels = |lines: usize| if narrow { 0.0 } else { many(drawn) * height(lines) - 20.0 };
    let least = [labels(names + 1).max(90.0), labels(1).max(44.0)];
    let top = stage.heading_height(chart.title, definition) + 34.0;
    let below = 62.0 + table.height() + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let total = stage.plot(PLOT, LEAST_PLOT, top + GAP + below).max(least[0] + least[1]);
    let (heights, ends) = shared(total, reaches.map(|reach| reach.0 * 1.04), least);
    let last = last_day(levels);
    let left = (MARGIN + table.words_width() + table.overhang() + 10.0).max(82.0);
    let names_room = if names == 0 { one_line_room(levels).min(stage.width * 0.4).max(LABELS) } else { LABELS };
    let right = if narrow { stage.width - MARGIN - 12.0 } else { stage.width - names_room };
    let plane = |from: f64, number: usize| Plane {
        left,
        right,
        top: from,
        bottom: from + heights[number],
        across: (0.0, f64::from(last.count())),
        up: (0.0, ends[number]),
    };
    let upper = plane(top, 0);
    let lower = plane(upper.bottom + GAP, 1);
    let table_top = lower.bottom + 62.0;
    let content = table_top + table.height() + 10.0 + stage.paragraph_height(&note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, levels), content);
    sheet.heading(definition);
    let step = round_step(ends[0].max(ends[1]), if heights[0].max(heights[1]) < 140.0 { 3.0 } else { 5.0 });
    let x = |day: Days| upper.x(f64::from(day.count()));
    let marks = table.marks(last, x);
    for (plane, title) in [(&upper, chart.failed_title), (&lower, chart.competing_title)] {
        plane.grid(&sheet, step, |value| format!("{} %", number(value * 100.0, step * 100.0)));
        plane.edges(&sheet);
        let from = if narrow { MARGIN } else { left };
        let title = fitted(title, stage.width - MARGIN - from, TEXT, Weight::Bold);
        sheet.text(&title, (from, plane.top - 18.0), TEXT, Weight::Bold, Anchor::Start, INK);
    }
    for day in whole_years(last) {
        sheet.line(&[(x(day), lower.bottom), (x(day), lower.bottom + 4.0)], INK, 1.0, &[]);
    }
    for &day in &marks {
        lower.mark(&sheet, f64::from(day.count()), &mark_text(day));
    }
    let title_at = (lower.middle(), lower.bottom + 39.0);
    sheet.text("Years since placement", title_at, TEXT, Weight::Regular, Anchor::Middle, INK);
    if drawn == 0 {
        let said = if levels.is_empty() { "No restorations to draw." } else { "Too few at risk: nothing to draw." };
        let at = (upper.middle(), f64::midpoint(upper.top, upper.bottom));
        sheet.text(said, at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    for (plane, end) in [(&upper, End::Failed), (&lower, End::Competing)] {
        for (place, level) in levels.iter().enumerate().filter(|(_, level)| level.drawn()) {
            sheet.open("band", &format!("{}: intervals", level.label));
            band(&sheet, plane, level, end, place);
            sheet.close();
        }
        for (place, level) in levels.iter().enumerate().filter(|(_, level)| level.drawn()) {
            sheet.open("curve", &level.sentence());
            line(&sheet, plane, level, end, place);
            sheet.close();
        }
        let none = levels.iter().all(|level| level.at_end(end).value() <= 0.0);
        if none && drawn > 0 {
            let at = (plane.left + 12.0, plane.bottom - 18.0);
            sheet.text("None so far.", at, SMALL, Weight::Regular, Anchor::Start, SOFT);
        }
        if !narrow {
            let labels = end_labels(levels, plane, end, names, names_room - MARGIN - LEADER);
            draw_end_labels(&sheet, &labels, plane.right, (plane.top - 14.0, plane.bottom + 14.0));
        }
    }
    table.draw(&sheet, table_top, &marks, x);
    sheet.paragraph(&note, table_top + table.height() + 10.0);
    sheet.finish()
}

/// Where the longest line stops; without any, the last day with somebody at risk.
fn last_day(levels: &[IncidenceLevel]) -> Days {
    let followed =
        |level: &IncidenceLevel| level.counts.iter().filter(|counts| counts.at_risk > 0).map(|counts| counts.day).max();
    let drawn = levels.iter().map(|level| level.drawn_to).max().filter(|day| day.count() > 0);
    drawn.or_else(|| levels.iter().filter_map(followed).max()).unwrap_or_default().max(Days::new(200))
}

fn counts_of(level: &IncidenceLevel, narrow: bool) -> LevelCounts<'_> {
    let row = |word: &'static str, of: fn(&IncidenceCounts) -> u64| {
        (word, level.counts.iter().map(|counts| (counts.day, of(counts))).collect())
    };
    let said = match (level.drawn(), narrow) {
        (false, _) => "too few at risk to be drawn".to_owned(),
        (true, true) => {
            let (failed, competing) = (percent(level.at_end(End::Failed)), percent(level.at_end(End::Competing)));
            format!("{failed} failed, {competing} ended otherwise by {} years", years(level.drawn_to))
        }
        (true, false) => String::new(),
    };
    let rows = vec![
        row("at risk", |counts| counts.at_risk),
        row("failed", |counts| counts.failed),
        row("other end", |counts| counts.competing),
    ];
    LevelCounts { label: &level.label, said, rows }
}

fn note(chart: &IncidenceChart<'_>, cut: bool, stage: &Stage) -> String {
    let mut note = format!("{} Bands are pointwise intervals.", chart.footnote);
    if cut {
        note.push_str(" Where a band meets the upper edge it goes on beyond.");
    }
    if stage.terse {
        for level in chart.levels.iter().take(MOST).filter(|level| !level.drawn()) {
            note.push_str(&format!(" {}.", level.sentence()));
        }
    } else {
        note.push_str(
            " Both panels have one scale. Counts are those just before each time; other end: ended by a competing event.",
        );
    }
    if chart.levels.len() > MOST {
        let more = u64::try_from(chart.levels.len() - MOST).unwrap_or(u64::MAX);
        note.push_str(&format!(" Not drawn: {}.", counted(more, "more level", "more levels")));
    }
    note
}

fn describe(chart: &IncidenceChart<'_>, levels: &[IncidenceLevel]) -> String {
    let ends: Vec<String> = levels.iter().map(IncidenceLevel::sentence).collect();
    let ends = if ends.is_empty() { "No restorations to draw".to_owned() } else { ends.join("; ") };
    format!("Cumulative incidence of failure and of competing endings. {} {ends}.", chart.definition)
}

/// One area for each run of steps with limits.
fn band(sheet: &Sheet, plane: &Plane, level: &IncidenceLevel, end: End, place: usize) {
    let steps = level.steps(end);
    let (mut upper, mut lower) = (Vec::<(f64, f64)>::new(), Vec::<(f64, f64)>::new());
    for (number, step) in steps.iter().enumerate() {
        let next = steps.get(number + 1).map_or(level.drawn_to, |next| next.day);
        if let Some((low, high)) = step.limits {
            for day in [step.day, next] {
                let x = plane.x(f64::from(day.count()));
                upper.push((x, plane.y(high.value())));
                lower.push((x, plane.y(low.value())));
            }
        }
        if (step.limits.is_none() || number + 1 == steps.len()) && !upper.is_empty() {
            upper.extend(lower.drain(..).rev());
            sheet.area(&upper, look(place).colour, 0.13);
            upper.clear();
        }
    }
}

/// Where the line of an ending stops.
fn stop(level: &IncidenceLevel, plane: &Plane, end: End) -> (f64, f64) {
    (plane.x(f64::from(level.drawn_to.count())), plane.y(level.at_end(end).value()))
}

fn line(sheet: &Sheet, plane: &Plane, level: &IncidenceLevel, end: End, place: usize) {
    let look = look(place);
    let mut points: Vec<(f64, f64)> = Vec::new();
    for step in level.steps(end) {
        let x = plane.x(f64::from(step.day.count()));
        if let Some(&(_, y)) = points.last() {
            points.push((x, y));
        }
        points.push((x, plane.y(step.estimate.value())));
    }
    points.push(stop(level, plane, end));
    sheet.line(&points, look.colour, 2.8, look.dash);
    sheet.marker(stop(level, plane, end), look.marker, look.colour);
}

/// Above, the name in at most so many lines, and the part, or both on one line; below, where the names are known, the part and as much of the name as fits.
fn end_labels(levels: &[IncidenceLevel], plane: &Plane, end: End, names: usize, room: f64) -> Vec<EndLabel> {
    let drawn = levels.iter().enumerate().filter(|(_, level)| level.drawn());
    drawn
        .map(|(place, level)| {
            let part = percent(level.at_end(end));
            let short = level.on_one_line(end);
            let (name, below) = match (end, names) {
                (End::Failed, 0) => (vec![fitted(&short, room, TEXT, Weight::Bold)], Vec::new()),
                (End::Failed, _) => {
                    let name = wrapped_to(&level.label, room, TEXT, Weight::Bold, names);
                    (name, vec![format!("{part} by {} years", years(level.drawn_to))])
                }
                (End::Competing, _) => (Vec::new(), vec![fitted(&short, room, SMALL, Weight::Regular)]),
            };
            EndLabel { end: stop(level, plane, end), name, below, colour: look(place).text }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::{DEFINITION, LONG};
    use super::*;

    fn level(label: &str, total: u64, failing: f64, ending: f64, last: i32) -> IncidenceLevel {
        let steps = |yearly: f64, many: i32| {
            let step = |number: i32| {
                let day = last * number / many;
                let part = yearly * f64::from(day) / 365.25;
                let limits = Some((Fraction::new(part * 0.6), Fraction::new(part * 1.5 + 0.01)));
                IncidenceStep { day: Days::new(day), estimate: Fraction::new(part), limits }
            };
            if yearly > 0.0 { (1..=many).map(step).collect() } else { Vec::new() }
        };
        let count = |(number, day): (u64, i32)| IncidenceCounts {
            day: Days::new(day),
            at_risk: total.saturating_sub(total * number / 7),
            failed: total * number / 30,
            competing: total * number / 50,
        };
        IncidenceLevel {
            label: label.to_owned(),
            failed: steps(failing, 40),
            competing: steps(ending, 23),
            drawn_to: Days::new(last),
            counts: (0..).zip([0, 183, 365, 731, 1096, 1826, 2922]).map(count).collect(),
        }
    }

    fn chart<'a>(levels: &'a [IncidenceLevel]) -> IncidenceChart<'a> {
        IncidenceChart {
            name: "incidence",
            title: "Failure and other endings by adhesive class",
            definition: DEFINITION,
            failed_title: "Lost",
            competing_title: "Ended otherwise: renewed for another fault, or removed with the tooth",
            levels,
            footnote: "Aalen–Johansen estimate; 95 % intervals by complementary log–log.",
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let several = |many: i32, label: &str| -> Vec<IncidenceLevel> {
            (0..many)
                .map(|place| {
                    let yearly = 0.01 + 0.004 * f64::from(place);
                    level(&format!("{label} {place}"), 12_345_678, yearly, 0.03 - yearly / 2.0, 1500 + 200 * place)
                })
                .collect()
        };
        let mut cases = vec![
            Vec::new(),
            vec![level("All", 2, 0.1, 0.0, 0)],
            vec![level("All", 1240, 0.02, 0.01, 3000)],
            vec![level("All", 90, 0.0, 0.0, 3000)],
            vec![level("All", 90, 0.0, 0.1, 100), level(LONG, 90, 0.3, 0.001, 1000)],
        ];
        cases.extend((2..=4).map(|many| several(many, "Level")));
        for levels in &cases {
            let refused = refused(|stage| incidence_chart_on(&chart(levels), stage));
            assert!(refused.is_empty(), "{} levels: {refused:?}", levels.len());
        }
        for levels in [several(8, "Level"), several(11, LONG)] {
            let refused = refused(|stage| incidence_chart_on(&chart(&levels), stage));
            assert!(refused.iter().all(|preset| preset.starts_with("slide")), "{refused:?}");
        }
    }

    #[test]
    fn a_per_cent_is_as_high_in_both_panels_whatever_they_reach() {
        for (reaches, least) in [
            ([0.2, 0.1], [50.0, 50.0]),
            ([0.2, 0.001], [90.0, 44.0]),
            ([0.001, 0.4], [90.0, 44.0]),
            ([0.1, 0.1], [300.0, 300.0]),
        ] {
            let (heights, ends) = shared(400.0, reaches, least);
            assert!((heights[0] / ends[0] - heights[1] / ends[1]).abs() < 1e-9, "{heights:?} {ends:?}");
            assert!((0..2).all(|panel| ends[panel] >= reaches[panel] - 1e-12 && heights[panel] >= least[panel]));
        }
    }

    #[test]
    fn what_is_not_drawn_is_said() {
        let few = incidence_chart(&chart(&[level("Few", 2, 0.1, 0.0, 0)])).svg;
        assert!(few.contains(">Too few at risk: nothing to draw.<") && few.contains(">too few at risk to be drawn<"));
        assert!(!few.contains("class=\"curve\""));
        let all: Vec<IncidenceLevel> = (0..10).map(|place| level(&format!("L{place}"), 90, 0.02, 0.0, 900)).collect();
        let all = incidence_chart(&chart(&all)).svg;
        assert!(all.contains("Not drawn: 2 more levels.") && all.contains(">None so far.<"));
        assert!(incidence_chart(&chart(&[])).svg.contains(">No restorations to draw.<"));
    }
}
