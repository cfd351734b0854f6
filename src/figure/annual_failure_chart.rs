//! Annual failure of each level as a point with its interval, beside published rates of the same kind of technique.
//!
//! Purpose: to compare levels with each other and with the literature, without comparing unlike formulas: the formula and its
//! years stand in the title, each published rate names its own, and the sources are printed below.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, WHITE, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, WIDTH, Weight, heading_height, paragraph_height};
use super::text_width::wrapped;
use crate::quantity::{Days, Known};
use crate::result::{AnnualFailure, AnnualFormula, Benchmark, GroupReview};
use crate::wording::{counted, known, rate_interval, rate_number, why_not_known};

/// What the chart needs.
pub struct AnnualFailureChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title, with formula and years.
    pub title: &'a str,
    /// The endpoint's definition.
    pub definition: &'a str,
    /// The horizon.
    pub day: Days,
    /// Geometric or linear.
    pub formula: AnnualFormula,
    /// The levels.
    pub groups: &'a [GroupReview],
    /// Published rates.
    pub benchmarks: &'a [Benchmark],
    /// How intervals were made.
    pub footnote: &'a str,
}

const LEFT: f64 = 232.0;
const RIGHT: f64 = WIDTH - 316.0;
const BENCHMARK_ROW: f64 = 21.0;

fn annual<'a>(group: &'a GroupReview, chart: &AnnualFailureChart<'_>) -> Known<&'a AnnualFailure> {
    let Some(horizon) = group.horizon(chart.day) else { return Known::NotKnown(crate::quantity::WhyNotKnown::NotReached) };
    let rate = if chart.formula == AnnualFormula::Linear { &horizon.linear } else { &horizon.geometric };
    match rate {
        Known::Known(annual) => Known::Known(annual),
        Known::NotKnown(why) => Known::NotKnown(*why),
    }
}

/// How many stand behind a level, in lines that fit beside the axis.
fn behind(group: &GroupReview) -> Vec<String> {
    let text = format!(
        "{}, {}, {}",
        counted(group.behind.observations, "filling", "fillings"),
        counted(group.behind.clusters, "patient", "patients"),
        counted(group.behind.failures, "failure", "failures")
    );
    wrapped(&text, WIDTH - MARGIN - RIGHT - 16.0, SMALL, Weight::Regular)
}

/// The height from the top of a level down to its first published rate: room for the point, for those behind it, and for a
/// long name.
fn below_point(group: &GroupReview) -> f64 {
    let lines = |count: usize| f64::from(u16::try_from(count).unwrap_or(9));
    let names = wrapped(&group.label, LEFT - MARGIN - 14.0, TEXT, Weight::Bold).len().min(3);
    (26.0 + 18.0 * (lines(behind(group).len()) + 1.0)).max(18.0 + 20.0 * lines(names))
}

fn beside<'a>(group: &GroupReview, chart: &AnnualFailureChart<'a>) -> Vec<&'a Benchmark> {
    chart.benchmarks.iter().filter(|benchmark| benchmark.level == group.level).collect()
}

/// Draws the chart.
pub fn annual_failure_chart(chart: &AnnualFailureChart<'_>) -> Drawing {
    let top = heading_height(chart.title, chart.definition) + 6.0;
    let height = |group: &GroupReview| {
        below_point(group) + 4.0 + BENCHMARK_ROW * f64::from(u16::try_from(beside(group, chart).len()).unwrap_or(9))
    };
    let bottom = top + chart.groups.iter().map(height).sum::<f64>().max(80.0);
    let most = axis_end(chart);
    let x = |percent: f64| LEFT + (percent / most).min(1.0) * (RIGHT - LEFT);
    let note = note(chart);
    let sheet = Sheet::new(chart.name, chart.title, &describe(chart), bottom + 66.0 + paragraph_height(&note) + MARGIN);
    sheet.heading(chart.definition);
    let step = if most <= 6.0 {
        1.0
    } else if most <= 14.0 {
        2.0
    } else {
        5.0
    };
    let mut tick = 0.0;
    while tick <= most + 1e-9 {
        sheet.line(&[(x(tick), top), (x(tick), bottom)], GRID, 1.0, &[]);
        sheet.text(&format!("{tick:.0}"), (x(tick), bottom + 16.0), TEXT, Weight::Regular, Anchor::Middle, INK);
        tick += step;
    }
    sheet.line(&[(LEFT, bottom), (RIGHT, bottom)], INK, 1.4, &[]);
    sheet.text(
        "Annual failure, % a year",
        ((LEFT + RIGHT) / 2.0, bottom + 38.0),
        TEXT,
        Weight::Regular,
        Anchor::Middle,
        INK,
    );
    if chart.groups.is_empty() {
        sheet.text(
            "No restorations to draw.",
            ((LEFT + RIGHT) / 2.0, top + 40.0),
            TEXT,
            Weight::Regular,
            Anchor::Middle,
            SOFT,
        );
    }
    let mut y = top;
    for (place, group) in chart.groups.iter().enumerate() {
        level(&sheet, chart, group, place, y, &x, most);
        y += height(group);
        if place + 1 < chart.groups.len() {
            sheet.line(&[(MARGIN, y - 2.0), (WIDTH - MARGIN, y - 2.0)], GRID, 1.0, &[2, 4]);
        }
    }
    sheet.paragraph(&note, bottom + 58.0);
    sheet.finish()
}

/// The end of the axis: all points and intervals, but no further than four times the highest point, so that one wide interval
/// doesn't flatten the rest.
fn axis_end(chart: &AnnualFailureChart<'_>) -> f64 {
    let rates: Vec<&AnnualFailure> = chart.groups.iter().filter_map(|group| annual(group, chart).known().copied()).collect();
    let published =
        chart.benchmarks.iter().filter(|benchmark| chart.groups.iter().any(|group| group.level == benchmark.level));
    let points = rates
        .iter()
        .map(|rate| rate.rate.value.per_hundred_years())
        .chain(published.map(|benchmark| benchmark.percent_per_year));
    let highest = points.fold(1.0, f64::max);
    let upper = rates
        .iter()
        .filter_map(|rate| rate.rate.interval.known().map(|interval| interval.upper.per_hundred_years()))
        .fold(highest, f64::max);
    let end = upper.min(4.0 * highest) * 1.04;
    if end <= 6.0 { end.ceil() } else { (end / 2.0).ceil() * 2.0 }
}

fn level(
    sheet: &Sheet,
    chart: &AnnualFailureChart<'_>,
    group: &GroupReview,
    place: usize,
    top: f64,
    x: &dyn Fn(f64) -> f64,
    most: f64,
) {
    let colour = look(place).colour;
    let y = top + 24.0;
    let names = wrapped(&group.label, LEFT - MARGIN - 14.0, TEXT, Weight::Bold);
    for (number, line) in (0_u32..).zip(names.iter().take(3)) {
        sheet.text(line, (MARGIN, y + f64::from(number) * 19.0), TEXT, Weight::Bold, Anchor::Start, colour);
    }
    let beyond = RIGHT + 16.0;
    match annual(group, chart) {
        Known::Known(annual) => {
            let value = annual.rate.value.per_hundred_years();
            if let Known::Known(interval) = annual.rate.interval {
                let (lower, upper) = (interval.lower.per_hundred_years(), interval.upper.per_hundred_years());
                sheet.line(&[(x(lower), y), (x(upper), y)], colour, 3.0, &[]);
                for (end, cut) in [(lower, false), (upper, upper > most)] {
                    if cut {
                        sheet.line(&[(x(end) - 8.0, y - 6.0), (x(end), y), (x(end) - 8.0, y + 6.0)], colour, 2.2, &[]);
                    } else {
                        sheet.line(&[(x(end), y - 7.0), (x(end), y + 7.0)], colour, 2.2, &[]);
                    }
                }
            }
            diamond_or_square(sheet, (x(value), y), colour, true);
            let text = format!("{} ({})", rate_number(annual.rate.value), known(&annual.rate.interval, rate_interval));
            sheet.text(&text, (beyond, y), TEXT, Weight::Bold, Anchor::Start, colour);
        }
        Known::NotKnown(why) => sheet.text(why_not_known(why), (beyond, y), TEXT, Weight::Regular, Anchor::Start, SOFT),
    }
    for (number, line) in (1_u32..).zip(behind(group)) {
        sheet.text(&line, (beyond, y + 2.0 + 18.0 * f64::from(number)), SMALL, Weight::Regular, Anchor::Start, SOFT);
    }
    for (number, benchmark) in (0_u32..).zip(beside(group, chart)) {
        let y = top + below_point(group) + BENCHMARK_ROW * f64::from(number);
        let value = benchmark.percent_per_year;
        if let Some(deviation) = benchmark.standard_deviation {
            sheet.line(&[(x((value - deviation).max(0.0)), y), (x(value + deviation), y)], SOFT, 1.2, &[4, 3]);
        }
        diamond_or_square(sheet, (x(value), y), SOFT, false);
        let deviation = benchmark.standard_deviation.map_or_else(String::new, |deviation| format!(" (SD {deviation:.1})"));
        let text = format!("{value:.1}{deviation} published [{}], {}", source_number(chart, benchmark), benchmark.note);
        sheet.text(&text, (beyond, y), SMALL, Weight::Regular, Anchor::Start, SOFT);
    }
}

/// The practice's own point is a filled square, a published one a hollow diamond.
fn diamond_or_square(sheet: &Sheet, (x, y): (f64, f64), colour: super::palette::Colour, own: bool) {
    let r = if own { 6.5 } else { 6.0 };
    if own {
        sheet.rectangle((x - r, y - r), (x + r, y + r), colour, 1.0);
    } else {
        let corners = [(x, y - r), (x + r, y), (x, y + r), (x - r, y), (x, y - r)];
        sheet.area(&corners, WHITE, 1.0);
        sheet.line(&corners, colour, 1.6, &[]);
    }
}

fn sources<'a>(chart: &AnnualFailureChart<'a>) -> Vec<&'a Benchmark> {
    let mut sources: Vec<&Benchmark> = Vec::new();
    for benchmark in
        chart.benchmarks.iter().filter(|benchmark| chart.groups.iter().any(|group| group.level == benchmark.level))
    {
        if !sources.iter().any(|known| known.source == benchmark.source) {
            sources.push(benchmark);
        }
    }
    sources
}

fn source_number(chart: &AnnualFailureChart<'_>, benchmark: &Benchmark) -> usize {
    sources(chart).iter().position(|known| known.source == benchmark.source).map_or(0, |place| place + 1)
}

fn note(chart: &AnnualFailureChart<'_>) -> String {
    let mut note = format!("Squares: this practice, with intervals. {}", chart.footnote);
    for (number, source) in (1..).zip(sources(chart)) {
        let formula = match (source.formula, source.years) {
            (Some(AnnualFormula::Linear), Some(years)) => format!("linear formula, {:.0} years", years.count()),
            (Some(AnnualFormula::Linear), None) => "linear formula".to_owned(),
            (Some(AnnualFormula::Geometric), _) => "geometric formula".to_owned(),
            (Some(AnnualFormula::PersonTime), _) => "person-time".to_owned(),
            (None, _) => "average of trials, formula not stated, so only roughly comparable".to_owned(),
        };
        if number == 1 {
            note.push_str(" Diamonds: published");
        }
        note.push_str(&format!("{} [{number}] {} ({formula})", if number == 1 { "" } else { ";" }, source.source));
    }
    if !sources(chart).is_empty() {
        note.push('.');
    }
    note
}

fn describe(chart: &AnnualFailureChart<'_>) -> String {
    let levels: Vec<String> = chart
        .groups
        .iter()
        .map(|group| match annual(group, chart) {
            Known::Known(annual) => {
                format!(
                    "{}: {} % a year ({})",
                    group.label,
                    rate_number(annual.rate.value),
                    known(&annual.rate.interval, rate_interval)
                )
            }
            Known::NotKnown(why) => format!("{}: {}", group.label, why_not_known(why)),
        })
        .collect();
    format!("Annual failure rates with intervals. {} {}.", chart.definition, levels.join("; "))
}
