//! A small cohort as lines: each restoration from its placement to its end, with the recalls at which it was seen.
//!
//! Purpose: to show what the estimates are made of: who was seen when, when failures were found, and how much of the time to come is
//! not known yet. A line ends in a filled mark where the restoration failed, in a hollow one where it ended otherwise, and in an open
//! arrow where it was still in place when last heard of. Nothing says whose restoration it is.

use std::cmp::Reverse;

use super::Drawing;
use super::palette::{Colour, GRID, INK, SOFT, STANDINGS, WHITE, look};
use super::plane::{Plane, every};
use super::sheet::{Anchor, MARGIN, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{text_width, wrapped_to};
use super::time_axis::{mark_text, whole_years};
use crate::quantity::Days;
use crate::wording::{count, counted, years};

/// How a line ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineEnd {
    /// It failed, found on that day.
    Failed,
    /// It ended otherwise.
    Competing,
    /// It was still in place when last heard of.
    InPlace,
}

/// One restoration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimelineLine {
    /// Which of the levels it belongs to; past the last counts as the last.
    pub level: usize,
    /// From its placement to its end.
    pub length: Days,
    /// When it was seen, from its placement on.
    pub seen: Vec<Days>,
    /// How it ended.
    pub end: LineEnd,
}

/// How lines are sorted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimelineOrder {
    /// The longest first.
    Length,
    /// By level, each under its name, and within it the longest first.
    Level,
}

/// What the chart needs.
pub struct TimelineChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// The names of the levels; without any, all lines are one.
    pub levels: &'a [&'a str],
    /// The restorations in the order of their placement; of very many, the first are drawn and the chart says so.
    pub lines: &'a [TimelineLine],
    /// How they are sorted.
    pub order: TimelineOrder,
    /// What else is to be known.
    pub footnote: &'a str,
}

/// Most lines on a page, and on a slide.
const MOST: usize = 80;
const MOST_SPOKEN: usize = 40;
/// Distance of lines on a page, and the least and the most on a slide.
const PITCH: f64 = 13.0;
const LEAST_PITCH: f64 = 7.0;
const MOST_PITCH: f64 = 22.0;
/// Height of a line of a level's name.
const NAME: f64 = 19.0;
/// Height of the key.
const KEY: f64 = 24.0;

/// Lines drawn under one name.
struct Block<'a> {
    /// Its place among the levels; none where levels are not told apart.
    level: Option<usize>,
    name: Vec<String>,
    lines: Vec<&'a TimelineLine>,
}

fn blocks<'a>(chart: &TimelineChart<'a>, stage: &Stage) -> Vec<Block<'a>> {
    let most = if stage.terse { MOST_SPOKEN } else { MOST };
    let mut shown: Vec<&TimelineLine> = chart.lines.iter().take(most).collect();
    shown.sort_by_key(|line| Reverse(line.length));
    if chart.order == TimelineOrder::Length || chart.levels.is_empty() {
        return vec![Block { level: None, name: Vec::new(), lines: shown }];
    }
    let last = chart.levels.len() - 1;
    let block = |(level, name): (usize, &&str)| {
        let lines: Vec<&TimelineLine> = shown.iter().copied().filter(|line| line.level.min(last) == level).collect();
        let failed = lines.iter().filter(|line| line.end == LineEnd::Failed).count();
        let name = format!("{name}: {failed} of {} failed", lines.len());
        Block { level: Some(level), name: wrapped_to(&name, stage.room(), TEXT, Weight::Bold, 2), lines }
    };
    chart.levels.iter().enumerate().map(block).filter(|block| !block.lines.is_empty()).collect()
}

/// Draws the chart on a page.
pub fn timeline_chart(chart: &TimelineChart<'_>) -> Drawing {
    timeline_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn timeline_chart_on(chart: &TimelineChart<'_>, stage: &Stage) -> Drawing {
    let blocks = blocks(chart, stage);
    let drawn: usize = blocks.iter().map(|block| block.lines.len()).sum();
    let note = note(chart, drawn, stage);
    let definition = stage.first_sentence(chart.definition);
    let keys = keys(stage);
    let key_rows = keys.iter().map(|key| key.2).max().map_or(0.0, |row| many(row + 1));
    let top = stage.heading_height(chart.title, definition) + KEY * key_rows + 8.0;
    let below = 62.0 + stage.paragraph_height(&note) + MARGIN;
    let names: f64 = blocks.iter().map(|block| NAME * many(block.name.len()) + 6.0).sum();
    let rows = many(drawn.max(5));
    let pitch = ((stage.plot(names + rows * PITCH, names + rows * LEAST_PITCH, top + below) - names) / rows).min(MOST_PITCH);
    let bottom = top + names + rows * pitch;
    let longest = chart.lines.iter().take(drawn).map(|line| line.length).max().unwrap_or_default().max(Days::new(200));
    let plane = Plane {
        left: MARGIN + 12.0,
        right: stage.width - MARGIN - 16.0,
        top,
        bottom,
        across: (0.0, f64::from(longest.count())),
        up: (0.0, 1.0),
    };
    let content = bottom + 62.0 + stage.paragraph_height(&note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, drawn), content);
    sheet.heading(definition);
    for (sample, x, row, text) in &keys {
        let y = top - 8.0 - KEY * (key_rows - many(*row)) + KEY / 2.0;
        sample_of(&sheet, *sample, (*x, y));
        sheet.text(text, (x + SAMPLE + 8.0, y), TEXT, Weight::Regular, Anchor::Start, INK);
    }
    axis(&sheet, &plane, longest);
    if drawn == 0 {
        let at = (plane.middle(), f64::midpoint(top, bottom));
        sheet.text("No restorations to draw.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let mut y = top;
    for block in &blocks {
        let colour = block.level.map_or(INK, |level| look(level).colour);
        let named = NAME * many(block.name.len());
        if named > 0.0 {
            sheet.clear(y + 1.0, y + named + 2.0);
        }
        for (line, text) in block.name.iter().enumerate() {
            let ink = block.level.map_or(INK, |level| look(level).text);
            let middle = y + NAME * (many(line) + 0.5) + 2.0;
            sheet.text(text, (MARGIN, middle), TEXT, Weight::Bold, Anchor::Start, ink);
        }
        y += named + 3.0;
        for line in &block.lines {
            sheet.open("line", &said(line));
            draw_line(&sheet, &plane, line, y + pitch / 2.0, (pitch, colour));
            sheet.close();
            y += pitch;
        }
        y += 3.0;
    }
    sheet.paragraph(&note, bottom + 58.0);
    sheet.finish()
}

/// What the key shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sample {
    Seen,
    End(LineEnd),
}

/// Width of a sample in the key.
const SAMPLE: f64 = 34.0;

/// What each mark means, from left to right, on as many rows as needed.
fn keys(stage: &Stage) -> Vec<(Sample, f64, usize, &'static str)> {
    let all = [
        (Sample::Seen, "seen"),
        (Sample::End(LineEnd::Failed), "failed"),
        (Sample::End(LineEnd::Competing), "ended otherwise"),
        (Sample::End(LineEnd::InPlace), "in place when last heard of"),
    ];
    let (mut x, mut row, mut keys) = (MARGIN, 0, Vec::new());
    for (sample, text) in all {
        let width = SAMPLE + 8.0 + text_width(text, TEXT, Weight::Regular);
        if x > MARGIN && x + width > stage.width - MARGIN {
            (x, row) = (MARGIN, row + 1);
        }
        keys.push((sample, x, row, text));
        x += width + 26.0;
    }
    keys
}

fn sample_of(sheet: &Sheet, sample: Sample, (x, y): (f64, f64)) {
    sheet.line(&[(x, y), (x + SAMPLE - 6.0, y)], INK, 2.0, &[]);
    match sample {
        Sample::Seen => sheet.line(&[(x + SAMPLE / 2.0, y - 5.0), (x + SAMPLE / 2.0, y + 5.0)], INK, 1.6, &[]),
        Sample::End(end) => ending(sheet, end, (x + SAMPLE - 6.0, y), 5.0, INK),
    }
}

fn axis(sheet: &Sheet, plane: &Plane, longest: Days) {
    let days = whole_years(longest);
    let places: Vec<f64> = days.iter().map(|day| plane.x(f64::from(day.count()))).collect();
    let texts: Vec<String> = days.iter().copied().map(mark_text).collect();
    let widths: Vec<f64> = texts.iter().map(|text| text_width(text, TEXT, Weight::Regular)).collect();
    for x in &places {
        sheet.line(&[(*x, plane.top), (*x, plane.bottom)], GRID, 1.0, &[]);
    }
    sheet.line(&[(plane.left, plane.bottom), (plane.right, plane.bottom)], INK, 1.4, &[]);
    for place in every(&places, &widths) {
        plane.mark(sheet, f64::from(days[place].count()), &texts[place]);
    }
    let middle = (plane.middle(), plane.bottom + 39.0);
    sheet.text("Years since placement", middle, TEXT, Weight::Regular, Anchor::Middle, INK);
}

fn draw_line(sheet: &Sheet, plane: &Plane, line: &TimelineLine, y: f64, (pitch, colour): (f64, Colour)) {
    let x = |day: Days| plane.x(f64::from(day.count()));
    let end = (x(line.length), y);
    sheet.line(&[(plane.left, y), end], colour, (pitch * 0.2).clamp(1.4, 2.6), &[]);
    let tick = (pitch * 0.32).min(5.0);
    for day in line.seen.iter().filter(|day| (Days::new(1)..=line.length).contains(*day)) {
        sheet.line(&[(x(*day), y - tick), (x(*day), y + tick)], colour, 1.4, &[]);
    }
    ending(sheet, line.end, end, (pitch * 0.46).min(5.0), colour);
}

fn ending(sheet: &Sheet, end: LineEnd, (x, y): (f64, f64), r: f64, colour: Colour) {
    match end {
        LineEnd::Failed => sheet.rectangle((x - r, y - r), (x + r, y + r), STANDINGS[2], 1.0),
        LineEnd::Competing => {
            let corners = [(x, y - r), (x + r, y), (x, y + r), (x - r, y), (x, y - r), (x + r, y)];
            sheet.area(&corners[..4], WHITE, 1.0);
            sheet.line(&corners, colour, 1.5, &[]);
        }
        LineEnd::InPlace => sheet.line(&[(x, y - r), (x + r * 1.3, y), (x, y + r)], colour, 1.5, &[]),
    }
}

fn said(line: &TimelineLine) -> String {
    let end = match line.end {
        LineEnd::Failed => "failed",
        LineEnd::Competing => "ended otherwise",
        LineEnd::InPlace => "in place when last heard of",
    };
    let seen = u64::try_from(line.seen.len()).unwrap_or(u64::MAX);
    format!("{} years, {end}; seen {}", years(line.length), counted(seen, "time", "times"))
}

fn whole(number: usize) -> u64 {
    u64::try_from(number).unwrap_or(u64::MAX)
}

fn note(chart: &TimelineChart<'_>, drawn: usize, stage: &Stage) -> String {
    let mut note = if drawn < chart.lines.len() {
        format!("Drawn: the first {} placed of {}. ", count(whole(drawn)), count(whole(chart.lines.len())))
    } else {
        format!("{} drawn. ", counted(whole(drawn), "restoration", "restorations"))
    };
    if chart.order == TimelineOrder::Length && chart.levels.len() > 1 {
        note.push_str("Levels are not told apart. ");
    }
    note.push_str(stage.told("The longest stand first. A failure stands on the day on which it was found. "));
    note.push_str(stage.told(chart.footnote));
    note
}

fn describe(chart: &TimelineChart<'_>, drawn: usize) -> String {
    let shown = &chart.lines[..drawn];
    let ended = |end: LineEnd| count(whole(shown.iter().filter(|line| line.end == end).count()));
    format!(
        "A line for each of {}: {} failed, {} ended otherwise, {} in place when last heard of. {}",
        counted(whole(drawn), "restoration", "restorations"),
        ended(LineEnd::Failed),
        ended(LineEnd::Competing),
        ended(LineEnd::InPlace),
        chart.definition
    )
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::{DEFINITION, LONG};
    use super::*;

    fn cohort(many: i32, levels: usize) -> Vec<TimelineLine> {
        (0..many)
            .map(|number| {
                let length = 100 + (number * 337) % 3900;
                let place = usize::try_from(number).unwrap_or(0);
                TimelineLine {
                    level: place % levels.max(1),
                    length: Days::new(length),
                    seen: [183, 365, 731, 1096, 1826, 2922].into_iter().filter(|day| *day < length).map(Days::new).collect(),
                    end: [LineEnd::Failed, LineEnd::InPlace, LineEnd::InPlace, LineEnd::Competing][place % 4],
                }
            })
            .collect()
    }

    fn chart<'a>(lines: &'a [TimelineLine], levels: &'a [&'a str], order: TimelineOrder) -> TimelineChart<'a> {
        TimelineChart {
            name: "timeline",
            title: "Each filling from its placement on",
            definition: DEFINITION,
            levels,
            lines,
            order,
            footnote: "One practice.",
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let levels: [&[&str]; 4] = [&[], &["All"], &["Etch and rinse", LONG], &["A", "B", "C", "D", "E", "F", "G", LONG]];
        for many in [0, 1, 7, 40, 300] {
            for levels in levels {
                for order in [TimelineOrder::Length, TimelineOrder::Level] {
                    let lines = cohort(many, levels.len());
                    let refused = refused(|stage| timeline_chart_on(&chart(&lines, levels, order), stage));
                    assert!(
                        refused.is_empty() || (levels.len() > 2 && many >= 40),
                        "{many} of {}: {refused:?}",
                        levels.len()
                    );
                    assert!(refused.iter().all(|preset| preset.starts_with("slide")), "{refused:?}");
                }
            }
        }
    }

    #[test]
    fn of_very_many_the_first_placed_are_drawn_and_it_is_said() {
        let lines = cohort(412, 1);
        let chart = chart(&lines, &[], TimelineOrder::Length);
        let page = timeline_chart(&chart).svg;
        assert_eq!(page.matches("class=\"line\"").count(), 80);
        assert!(page.contains("Drawn: the first 80 placed of 412."));
        let spoken = timeline_chart_on(&chart, &Stage { terse: true, ..Stage::default() }).svg;
        assert_eq!(spoken.matches("class=\"line\"").count(), 40);
        let few = cohort(3, 1);
        assert!(timeline_chart(&TimelineChart { lines: &few, ..chart }).svg.contains(">3 restorations drawn. "));
    }

    #[test]
    fn the_longest_stand_first_and_levels_under_their_names() {
        let lines = cohort(9, 2);
        let levels = ["Etch and rinse", "Self-etch"];
        let sorted = |order| -> Vec<Vec<i32>> {
            let blocks = blocks(&chart(&lines, &levels, order), &Stage::default());
            blocks.iter().map(|block| block.lines.iter().map(|line| line.length.count()).collect()).collect()
        };
        assert_eq!(sorted(TimelineOrder::Length), [[2796, 2459, 2122, 1785, 1448, 1111, 774, 437, 100]]);
        assert_eq!(sorted(TimelineOrder::Level), [vec![2796, 2122, 1448, 774, 100], vec![2459, 1785, 1111, 437]]);
        let svg = timeline_chart(&chart(&lines, &levels, TimelineOrder::Level)).svg;
        assert!(svg.contains(">Etch and rinse: 3 of 5 failed<"), "numbers 0, 4 and 8");
        let unsorted = timeline_chart(&chart(&lines, &levels, TimelineOrder::Length)).svg;
        assert!(unsorted.contains("Levels are not told apart."));
    }
}
