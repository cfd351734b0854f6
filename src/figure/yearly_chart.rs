//! Failures per 100 filling-years in each calendar year, with what stands behind each.
//!
//! Purpose: to see whether failures become more or fewer over the years, and how little a single year can tell. Each point has its
//! exact limits; the rate of all years and a benchmark are lines with their names; failures and filling-years of each year stand
//! below, these as bars too. All axes begin at zero.

use super::Drawing;
use super::end_labels::{EndLabel, LEADER, draw_end_labels};
use super::palette::{Colour, INK, Marker, SOFT, STANDINGS, look};
use super::plane::{Plane, every, number, round_step};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, text_width, wrapped_to};
use crate::wording::{count, counted};

/// A rate with its limits, failures per 100 filling-years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateWithin {
    /// The rate.
    pub rate: f64,
    /// Its limits, if it has any.
    pub limits: Option<(f64, f64)>,
}

/// A calendar year.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct YearRate {
    /// The year.
    pub year: i32,
    /// Failures in it.
    pub failures: u64,
    /// Filling-years under observation in it.
    pub filling_years: f64,
    /// The rate; none where nothing was under observation.
    pub rate: Option<RateWithin>,
}

/// A rate to hold the years against.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedRate {
    /// What it is called.
    pub name: String,
    /// Failures per 100 filling-years.
    pub rate: f64,
}

/// What the chart needs.
pub struct YearlyChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// The years in order.
    pub years: &'a [YearRate],
    /// The rate of all years together.
    pub overall: Option<RateWithin>,
    /// What they are held against.
    pub benchmark: Option<&'a NamedRate>,
    /// How limits were made.
    pub footnote: &'a str,
}

const LABELS: f64 = 230.0;
const PLOT: f64 = 320.0;
const LEAST_PLOT: f64 = 130.0;
const ROW: f64 = 20.0;
/// Height of the highest bar of filling-years.
const BARS: f64 = 34.0;
const WORDS: [&str; 2] = ["Failures", "Filling-years"];
/// The dashes of the benchmark's line.
const DASHES: &[u8] = &[8, 5];

/// Reaches all rates, and limits as far as three times the highest, so that one wide interval doesn't flatten the rest.
fn reach(chart: &YearlyChart<'_>) -> f64 {
    let rates = || chart.years.iter().filter_map(|year| year.rate).chain(chart.overall);
    let benchmark = chart.benchmark.map_or(0.0, |benchmark| benchmark.rate);
    let highest = rates().map(|rate| rate.rate).fold(benchmark.max(0.5), f64::max);
    rates().filter_map(|rate| rate.limits).map(|limits| limits.1).fold(highest * 1.05, f64::max).min(highest * 3.0)
}

fn tenths(rate: f64) -> String {
    if rate > 0.0 && rate < 0.05 { "<0.1".to_owned() } else { format!("{rate:.1}") }
}

fn with_limits(rate: RateWithin) -> String {
    let limits = rate.limits.map_or_else(String::new, |(low, high)| format!(" ({} to {})", tenths(low), tenths(high)));
    format!("{}{limits}", tenths(rate.rate))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "years under observation, never negative")]
fn filling_years(year: &YearRate) -> String {
    if year.filling_years > 0.0 && year.filling_years < 9.95 {
        format!("{:.1}", year.filling_years)
    } else {
        count(year.filling_years.round() as u64)
    }
}

/// Which years get texts, and what they are called.
fn named_years(years: &[YearRate], x: impl Fn(i32) -> f64) -> (Vec<usize>, Vec<String>) {
    let places: Vec<f64> = years.iter().map(|year| x(year.year)).collect();
    let full: Vec<String> = years.iter().map(|year| year.year.to_string()).collect();
    let short: Vec<String> = years.iter().map(|year| format!("’{:02}", year.year.rem_euclid(100))).collect();
    let fitting = |names: &[String]| {
        let counts = |year: &YearRate| {
            let [failures, exposure] =
                [count(year.failures), filling_years(year)].map(|text| text_width(&text, SMALL, Weight::Regular));
            failures.max(exposure)
        };
        let widths: Vec<f64> =
            names.iter().zip(years).map(|(name, year)| text_width(name, TEXT, Weight::Regular).max(counts(year))).collect();
        every(&places, &widths)
    };
    let (of_full, of_short) = (fitting(&full), fitting(&short));
    if of_short.len() > of_full.len() { (of_short, short) } else { (of_full, full) }
}

/// The lines that years are held against: name, rate in words, rate, colour, dashes.
fn lines(chart: &YearlyChart<'_>) -> Vec<(String, String, f64, Colour, &'static [u8])> {
    let overall = chart.overall.map(|rate| ("All years".to_owned(), with_limits(rate), rate.rate, look(0).colour, &[][..]));
    let benchmark = chart.benchmark.map(|line| (line.name.clone(), tenths(line.rate), line.rate, look(1).colour, DASHES));
    overall.into_iter().chain(benchmark).collect()
}

/// Draws the chart on a page.
pub fn yearly_chart(chart: &YearlyChart<'_>) -> Drawing {
    yearly_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn yearly_chart_on(chart: &YearlyChart<'_>, stage: &Stage) -> Drawing {
    let narrow = stage.narrow();
    let definition = stage.first_sentence(chart.definition);
    let lines = lines(chart);
    let key = if narrow { ROW * many(lines.len()) + 6.0 } else { 0.0 };
    let top = stage.heading_height(chart.title, definition) + key + 34.0;
    let rows = if narrow { 4.0 } else { 2.0 } * ROW;
    let under = 34.0 + rows + BARS + 14.0;
    let words = WORDS.map(|word| text_width(word, SMALL, Weight::Bold)).into_iter().fold(0.0, f64::max);
    let (first, last) = (chart.years.first().map_or(0, |year| year.year), chart.years.last().map_or(0, |year| year.year));
    let numbers = chart.years.iter().flat_map(|year| [count(year.failures), filling_years(year)]);
    let widest = numbers.map(|text| text_width(&text, SMALL, Weight::Regular)).fold(0.0, f64::max);
    let left = if narrow { 72.0 } else { MARGIN + words + 14.0 + widest / 2.0 };
    let right = if narrow { stage.width - MARGIN } else { stage.width - LABELS };
    let reach = reach(chart);
    // The note is measured with all that it may say.
    let room = under + stage.paragraph_height(&note(chart, true, true)) + MARGIN;
    let bottom = top + stage.plot(PLOT, LEAST_PLOT, top + room);
    let step = round_step(reach, if bottom - top < 180.0 { 3.0 } else { 5.0 });
    let plane =
        Plane { left, right, top, bottom, across: (f64::from(first) - 0.5, f64::from(last) + 0.5), up: (0.0, reach) };
    let x = |year: i32| plane.x(f64::from(year));
    let (named, names) = named_years(chart.years, x);
    let cut = chart.years.iter().filter_map(|year| year.rate?.limits).any(|limits| limits.1 > reach);
    let note = note(chart, named.len() < chart.years.len(), cut);
    let content = bottom + under + stage.paragraph_height(&note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), content);
    sheet.heading(definition);
    plane.grid(&sheet, step, |value| number(value, step));
    plane.edges(&sheet);
    let title_at = (if narrow { MARGIN } else { left }, top - 18.0);
    sheet.text("Failures per 100 filling-years", title_at, TEXT, Weight::Bold, Anchor::Start, INK);
    if chart.years.is_empty() {
        let at = (plane.middle(), f64::midpoint(top, bottom));
        sheet.text("No year to draw.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    if let Some((low, high)) = chart.overall.and_then(|rate| rate.limits) {
        sheet.rectangle((left, plane.y(high)), (right, plane.y(low)), look(0).colour, 0.13);
    }
    for (name, said, rate, colour, dash) in &lines {
        sheet.open("rate", &format!("{name}: {said}"));
        sheet.line(&[(left, plane.y(*rate)), (right, plane.y(*rate))], *colour, 2.2, dash);
        sheet.close();
    }
    name_lines(&sheet, &plane, &lines, (stage, top - 34.0 - key));
    let slot = (right - left) / f64::from((last - first + 1).max(1));
    for year in chart.years {
        if let Some(rate) = year.rate {
            sheet.open("year", &format!("{}: {}", year.year, with_limits(rate)));
            point(&sheet, &plane, year, rate, (slot * 0.3).min(7.0));
            sheet.close();
        }
    }
    for place in named {
        plane.mark(&sheet, f64::from(chart.years[place].year), &names[place]);
        let year = &chart.years[place];
        for (row, text) in [count(year.failures), filling_years(year)].iter().enumerate() {
            let y = row_at(bottom, row, narrow);
            sheet.text(text, (x(year.year), y), SMALL, Weight::Regular, Anchor::Middle, INK);
        }
    }
    behind(&sheet, chart, &plane, (slot, narrow));
    sheet.paragraph(&note, bottom + under);
    sheet.finish()
}

/// The middle of a row of numbers; on a narrow stage its word stands a row above it.
fn row_at(bottom: f64, row: usize, narrow: bool) -> f64 {
    bottom + 36.0 + ROW * if narrow { 2.0 * many(row) + 1.5 } else { many(row) + 0.5 }
}

/// The words of the rows, and the bars of filling-years.
fn behind(sheet: &Sheet, chart: &YearlyChart<'_>, plane: &Plane, (slot, narrow): (f64, bool)) {
    for (row, word) in WORDS.iter().enumerate() {
        let y = row_at(plane.bottom, row, narrow) - if narrow { ROW } else { 0.0 };
        sheet.text(word, (MARGIN, y), SMALL, Weight::Bold, Anchor::Start, INK);
    }
    let base = row_at(plane.bottom, 1, narrow) + ROW / 2.0 + BARS;
    let most = chart.years.iter().map(|year| year.filling_years).fold(0.0, f64::max);
    for year in chart.years.iter().filter(|year| year.filling_years > 0.0) {
        let (x, half) = (plane.x(f64::from(year.year)), (slot * 0.32).min(20.0));
        let height = (BARS - 3.0) * year.filling_years / most;
        sheet.rectangle((x - half, base - height), (x + half, base), STANDINGS[1], 1.0);
    }
    sheet.line(&[(plane.left, base), (plane.right, base)], INK, 1.2, &[]);
}

/// Names the lines: beside their ends, or on a narrow stage above the plot.
fn name_lines(
    sheet: &Sheet,
    plane: &Plane,
    lines: &[(String, String, f64, Colour, &'static [u8])],
    (stage, from): (&Stage, f64),
) {
    let colours = [look(0).text, look(1).text];
    let colour = |dash: &[u8]| colours[usize::from(!dash.is_empty())];
    if stage.narrow() {
        for (place, (name, said, _, line, dash)) in lines.iter().enumerate() {
            let y = from + ROW * (many(place) + 0.5);
            sheet.line(&[(MARGIN, y), (MARGIN + 34.0, y)], *line, 2.2, dash);
            let tail = format!(": {said}");
            let room = stage.room() - 42.0 - text_width(&tail, TEXT, Weight::Regular);
            let text = format!("{}{tail}", fitted(name, room, TEXT, Weight::Regular));
            sheet.text(&text, (MARGIN + 42.0, y), TEXT, Weight::Regular, Anchor::Start, colour(dash));
        }
        return;
    }
    let labels: Vec<EndLabel> = lines
        .iter()
        .map(|(name, said, rate, _, dash)| EndLabel {
            end: (plane.right - 8.0, plane.y(*rate)),
            name: wrapped_to(name, LABELS - MARGIN - LEADER, TEXT, Weight::Bold, 3),
            below: vec![said.clone()],
            colour: colour(dash),
        })
        .collect();
    draw_end_labels(sheet, &labels, plane.right, (plane.top - 20.0, plane.bottom + 30.0));
}

/// A point with its limits: hollow where nothing failed; with an arrow where the upper limit is beyond the plot.
fn point(sheet: &Sheet, plane: &Plane, year: &YearRate, rate: RateWithin, half: f64) {
    let x = plane.x(f64::from(year.year));
    if let Some((low, high)) = rate.limits {
        let (from, to) = (plane.y(low), plane.y(high));
        sheet.line(&[(x, from), (x, to)], INK, 2.0, &[]);
        sheet.line(&[(x - half, from), (x + half, from)], INK, 2.0, &[]);
        if high > plane.up.1 {
            sheet.line(&[(x - half, to + half), (x, to), (x + half, to + half)], INK, 2.0, &[]);
        } else {
            sheet.line(&[(x - half, to), (x + half, to)], INK, 2.0, &[]);
        }
    }
    let marker = if year.failures > 0 { Marker::Disc } else { Marker::Ring };
    sheet.marker((x, plane.y(rate.rate)), marker, INK);
}

fn note(chart: &YearlyChart<'_>, thinned: bool, cut: bool) -> String {
    let mut note = "Points: the rate of each year with its limits, hollow where nothing failed.".to_owned();
    if cut {
        note.push_str(" Arrow: the limit is beyond the upper edge.");
    }
    if thinned {
        note.push_str(" Numbers do not stand at every year for want of room.");
    }
    format!("{note} {}", chart.footnote)
}

fn describe(chart: &YearlyChart<'_>) -> String {
    let year = |year: &YearRate| {
        let rate = year.rate.map_or_else(|| "no rate".to_owned(), with_limits);
        let failures = counted(year.failures, "failure", "failures");
        format!("{}: {rate}, {failures} in {} filling-years", year.year, filling_years(year))
    };
    let years: Vec<String> = chart.years.iter().map(year).collect();
    let years = if years.is_empty() { "No year to draw".to_owned() } else { years.join("; ") };
    format!("Failures per 100 filling-years by calendar year. {} {years}.", chart.definition)
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::{DEFINITION, LONG};
    use super::*;

    fn years(many: i32, scale: u64) -> Vec<YearRate> {
        (0..many)
            .map(|number| {
                let failures = scale * u64::from(number.unsigned_abs() % 4);
                let filling_years = scale as f64 * 40.0 + f64::from(number);
                let rate = 100.0 * failures as f64 / filling_years;
                let rate = RateWithin { rate, limits: Some((rate * 0.4, rate * 1.8 + 3.7)) };
                YearRate { year: 1990 + number, failures, filling_years, rate: Some(rate) }
            })
            .collect()
    }

    fn chart<'a>(years: &'a [YearRate], benchmark: Option<&'a NamedRate>) -> YearlyChart<'a> {
        YearlyChart {
            name: "yearly",
            title: "Failures year by year",
            definition: DEFINITION,
            years,
            overall: benchmark.map(|_| RateWithin { rate: 2.5, limits: Some((2.1, 3.0)) }),
            benchmark,
            footnote: "Exact Poisson limits, 95 %.",
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let benchmark = NamedRate { name: LONG.to_owned(), rate: 2.6 };
        for many in [0, 1, 4, 12, 60] {
            for scale in [0, 1, 50, 123_456] {
                for benchmark in [None, Some(&benchmark)] {
                    let mut years = years(many, scale);
                    if let Some(year) = years.get_mut(2) {
                        *year = YearRate { failures: 0, filling_years: 0.0, rate: None, ..*year };
                    }
                    let refused = refused(|stage| yearly_chart_on(&chart(&years, benchmark), stage));
                    assert!(refused.is_empty(), "{many} years of {scale}: {refused:?}");
                }
            }
        }
    }

    #[test]
    fn numbers_stand_at_every_year_only_where_there_is_room() {
        let said = "Numbers do not stand at every year";
        let (few, more) = (years(9, 50), years(60, 50));
        let svg = yearly_chart(&chart(&few, None)).svg;
        assert!(!svg.contains(said) && (1990..1999).all(|year| svg.contains(&format!(">{year}<"))));
        let svg = yearly_chart(&chart(&more, None)).svg;
        assert!(svg.contains(said) && svg.matches("class=\"year\"").count() == 60, "all are drawn none the less");
    }

    #[test]
    fn one_wide_interval_does_not_flatten_the_rest() {
        let mut all = years(5, 50);
        all[0].rate = Some(RateWithin { rate: 0.0, limits: Some((0.0, 369.0)) });
        let wide = chart(&all, None);
        assert!(reach(&wide) < 23.0, "{}", reach(&wide));
        assert!(yearly_chart(&wide).svg.contains("Arrow: the limit is beyond"));
        assert!(yearly_chart(&chart(&[], None)).svg.contains(">No year to draw.<"));
    }
}
