//! Annual failure of each level as a point with its interval, beside published rates of the same kind of technique.
//!
//! Purpose: to compare levels with each other and with the literature, without comparing unlike formulas: the formula and its
//! years stand in the title, each published rate names its own, and the sources are printed below.

use super::Drawing;
use super::palette::{Colour, GRID, INK, SOFT, WHITE, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, wrapped, wrapped_to};
use crate::quantity::{Days, Known, WhyNotKnown, Years};
use crate::result::{AnnualFailure, AnnualFormula, Benchmark, GroupReview};
use crate::wording::{known, rate_interval, rate_number, why_not_known};

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

const LINE: f64 = 19.0;

/// Where things stand from left to right: name, axis, words beside each other, or on a narrow stage below each other.
struct Columns {
    narrow: bool,
    left: f64,
    right: f64,
    /// Where the values in words begin.
    words: f64,
    /// Their room.
    room: f64,
    /// The room of names.
    names: f64,
}

impl Columns {
    fn new(stage: &Stage) -> Self {
        let (narrow, width) = (stage.narrow(), stage.width);
        let (left, right) = if narrow { (MARGIN + 12.0, width - MARGIN - 12.0) } else { (232.0, width - 350.0) };
        let words = if narrow { MARGIN } else { right + 18.0 };
        let names = if narrow { stage.room() } else { left - MARGIN - 14.0 };
        Self { narrow, left, right, words, room: width - MARGIN - words, names }
    }

    /// Height of a published rate's row.
    const fn published(&self) -> f64 {
        if self.narrow { 40.0 } else { 22.0 }
    }
}

/// A level with all its texts broken into lines, so that its height is known before anything is drawn.
struct Block<'a> {
    group: &'a GroupReview,
    rate: Known<&'a AnnualFailure>,
    name: Vec<String>,
    value: Vec<String>,
    behind: Vec<String>,
    published: Vec<&'a Benchmark>,
}

impl<'a> Block<'a> {
    fn new(group: &'a GroupReview, chart: &AnnualFailureChart<'a>, columns: &Columns, stage: &Stage) -> Self {
        let rate = annual(group, chart.day, chart.formula);
        let value = match rate {
            Known::Known(rate) => {
                let limits = known(&rate.rate.interval, rate_interval);
                wrapped(&format!("{} ({limits}) % a year", rate_number(rate.rate.value)), columns.room, TEXT, Weight::Bold)
            }
            Known::NotKnown(why) => wrapped(why_not_known(why), columns.room, TEXT, Weight::Regular),
        };
        let behind = rate.known().map_or(group.behind, |rate| rate.rate.behind);
        let behind = [
            stage.counted(behind.observations, "restoration", "restorations"),
            stage.counted(behind.clusters, "patient", "patients"),
            stage.counted(behind.failures, "failure", "failures"),
        ];
        Self {
            group,
            rate,
            name: wrapped_to(&group.label, columns.names, TEXT, Weight::Bold, 4),
            value,
            behind: wrapped(&behind.join(", "), columns.room, SMALL, Weight::Regular),
            published: chart.benchmarks.iter().filter(|benchmark| benchmark.level == group.level).collect(),
        }
    }

    /// Where the first published rate stands, below the block's upper edge.
    fn own_height(&self, columns: &Columns) -> f64 {
        22.0 + LINE * many(self.value.len() + self.behind.len())
            + if columns.narrow { self.above(columns) + 6.0 } else { 0.0 }
    }

    /// Where the point stands below the middle of the first line of the name.
    fn above(&self, columns: &Columns) -> f64 {
        if columns.narrow { LINE * many(self.name.len()) } else { 0.0 }
    }

    fn height(&self, columns: &Columns) -> f64 {
        let right = self.own_height(columns) + columns.published() * many(self.published.len());
        right.max(22.0 + LINE * many(self.name.len())) + 8.0
    }
}

fn annual(group: &GroupReview, day: Days, formula: AnnualFormula) -> Known<&AnnualFailure> {
    let rate = match (formula, group.horizon(day)) {
        (AnnualFormula::PersonTime, _) => &group.person_time,
        (AnnualFormula::Linear, Some(horizon)) => &horizon.linear,
        (AnnualFormula::Geometric, Some(horizon)) => &horizon.geometric,
        (_, None) => return Known::NotKnown(WhyNotKnown::NoObservations),
    };
    match rate {
        Known::Known(annual) => Known::Known(annual),
        Known::NotKnown(why) => Known::NotKnown(*why),
    }
}

/// The horizontal axis: per cent a year.
struct Axis {
    left: f64,
    right: f64,
    end: f64,
    step: f64,
}

impl Axis {
    /// Reaches all points, and intervals and deviations as far as three times the highest point, so that one wide interval
    /// doesn't flatten the rest; what goes on further ends in an arrow.
    fn new(blocks: &[Block<'_>], columns: &Columns) -> Self {
        let (mut highest, mut reach): (f64, f64) = (1.0, 1.0);
        for block in blocks {
            if let Known::Known(rate) = block.rate {
                highest = highest.max(rate.rate.value.per_hundred_years());
                reach = reach.max(rate.rate.interval.known().map_or(0.0, |limits| limits.upper.per_hundred_years()));
            }
            for published in &block.published {
                highest = highest.max(published.percent_per_year);
                reach = reach.max(published.percent_per_year + published.standard_deviation.unwrap_or(0.0));
            }
        }
        let wanted = reach.clamp(highest * 1.05, highest * 3.0).min(1000.0);
        let steps = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
        let step = steps.into_iter().find(|step| wanted / step <= if columns.narrow { 6.0 } else { 8.0 }).unwrap_or(200.0);
        Self { left: columns.left, right: columns.right, end: (wanted / step).ceil() * step, step }
    }

    fn x(&self, percent: f64) -> f64 {
        self.left + (percent / self.end).clamp(0.0, 1.0) * (self.right - self.left)
    }

    fn draw(&self, sheet: &Sheet, top: f64, bottom: f64) {
        let mut number = 0_u32;
        while f64::from(number) * self.step <= self.end + 1e-9 && number <= 20 {
            let value = f64::from(number) * self.step;
            sheet.line(&[(self.x(value), top), (self.x(value), bottom)], GRID, 1.0, &[]);
            let text = if self.step < 1.0 { format!("{value:.1}") } else { format!("{value:.0}") };
            sheet.text(&text, (self.x(value), bottom + 16.0), TEXT, Weight::Regular, Anchor::Middle, INK);
            number += 1;
        }
        sheet.line(&[(self.left, bottom), (self.right, bottom)], INK, 1.4, &[]);
        let middle = ((self.left + self.right) / 2.0, bottom + 38.0);
        sheet.text("Annual failure, % a year", middle, TEXT, Weight::Regular, Anchor::Middle, INK);
    }

    /// A line from one value to another, with an arrow where it goes on past the axis.
    fn whisker(&self, sheet: &Sheet, (from, to): (f64, f64), y: f64, colour: Colour, width: f64, dash: &[u8]) {
        let (left, right) = (self.x(from), self.x(to));
        sheet.line(&[(left, y), (right, y)], colour, width, dash);
        let r = 3.0 + width;
        if to > self.end {
            sheet.line(&[(right - r, y - r), (right, y), (right - r, y + r)], colour, width.min(2.2), &[]);
        } else if dash.is_empty() {
            sheet.line(&[(right, y - 7.0), (right, y + 7.0)], colour, 2.2, &[]);
        }
        if dash.is_empty() {
            sheet.line(&[(left, y - 7.0), (left, y + 7.0)], colour, 2.2, &[]);
        }
    }
}

/// Draws the chart on a page.
pub fn annual_failure_chart(chart: &AnnualFailureChart<'_>) -> Drawing {
    annual_failure_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn annual_failure_chart_on(chart: &AnnualFailureChart<'_>, stage: &Stage) -> Drawing {
    let columns = Columns::new(stage);
    let definition = stage.first_sentence(chart.definition);
    let blocks: Vec<Block<'_>> = chart.groups.iter().map(|group| Block::new(group, chart, &columns, stage)).collect();
    let sources = sources(&blocks);
    let top = stage.heading_height(chart.title, definition) + 6.0;
    let axis = Axis::new(&blocks, &columns);
    let notes = notes(chart, &sources);
    let below: f64 = notes.iter().map(|note| stage.paragraph_height(note) + 3.0).sum();
    let body = blocks.iter().map(|block| block.height(&columns)).sum::<f64>().max(80.0);
    let air = stage.air(top + body + 58.0 + below + MARGIN, blocks.len());
    let bottom = top + body + air * many(blocks.len());
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, &blocks), bottom + 58.0 + below + MARGIN);
    sheet.heading(definition);
    axis.draw(&sheet, top, bottom);
    if blocks.is_empty() {
        let middle = ((axis.left + axis.right) / 2.0, top + 40.0);
        sheet.text("No restorations to draw.", middle, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let mut y = top;
    for (place, block) in blocks.iter().enumerate() {
        let y_own = y + air / 2.0;
        own(&sheet, &axis, &columns, block, place, y_own + 20.0);
        for (number, published) in block.published.iter().enumerate() {
            let middle = y_own + block.own_height(&columns) + columns.published() * many(number) + 11.0;
            benchmark(&sheet, &axis, &columns, published, source_number(&sources, published), middle);
        }
        y += block.height(&columns) + air;
        if place + 1 < blocks.len() {
            sheet.line(&[(MARGIN, y), (stage.width - MARGIN, y)], GRID, 1.0, &[]);
        }
    }
    let mut y = bottom + 58.0;
    for note in &notes {
        sheet.paragraph(note, y);
        y += stage.paragraph_height(note) + 3.0;
    }
    sheet.finish()
}

fn own(sheet: &Sheet, axis: &Axis, columns: &Columns, block: &Block<'_>, place: usize, y: f64) {
    let look = look(place);
    if columns.narrow {
        sheet.clear(y - LINE / 2.0, y + LINE * (many(block.name.len()) - 0.5));
        let words = y + block.above(columns) + LINE / 2.0 + 4.0;
        sheet.clear(words, words + LINE * many(block.value.len() + block.behind.len()));
    }
    for (line, name) in block.name.iter().enumerate() {
        sheet.text(name, (MARGIN, y + LINE * many(line)), TEXT, Weight::Bold, Anchor::Start, look.text);
    }
    let y = y + block.above(columns);
    let below = if columns.narrow { y + LINE + 4.0 } else { y };
    let (weight, colour) = match block.rate {
        Known::Known(_) => (Weight::Bold, look.text),
        Known::NotKnown(_) => (Weight::Regular, SOFT),
    };
    for (line, text) in block.value.iter().enumerate() {
        sheet.text(text, (columns.words, below + LINE * many(line)), TEXT, weight, Anchor::Start, colour);
    }
    for (line, text) in block.behind.iter().enumerate() {
        let middle = below + LINE * many(line + block.value.len());
        sheet.text(text, (columns.words, middle), SMALL, Weight::Regular, Anchor::Start, INK);
    }
    if let Known::Known(rate) = block.rate {
        sheet.open("own", &format!("{}: {}", block.group.label, block.value.join(" ")));
        if let Known::Known(limits) = rate.rate.interval {
            let ends = (limits.lower.per_hundred_years(), limits.upper.per_hundred_years());
            axis.whisker(sheet, ends, y, look.colour, 3.0, &[]);
        }
        let x = axis.x(rate.rate.value.per_hundred_years());
        sheet.rectangle((x - 6.5, y - 6.5), (x + 6.5, y + 6.5), look.colour, 1.0);
        sheet.close();
    }
}

fn benchmark(sheet: &Sheet, axis: &Axis, columns: &Columns, benchmark: &Benchmark, number: usize, y: f64) {
    let value = benchmark.percent_per_year;
    if let Some(deviation) = benchmark.standard_deviation {
        axis.whisker(sheet, (value - deviation, value + deviation), y, SOFT, 1.2, &[4, 3]);
    }
    let (x, r) = (axis.x(value), 6.0);
    let corners = [(x, y - r), (x + r, y), (x, y + r), (x - r, y), (x, y - r), (x + r, y)];
    sheet.area(&corners[..4], WHITE, 1.0);
    sheet.line(&corners, SOFT, 1.6, &[]);
    let deviation = benchmark.standard_deviation.map_or_else(String::new, |deviation| format!(" (SD {deviation:.1})"));
    let note = if benchmark.note.is_empty() { String::new() } else { format!(", {}", benchmark.note) };
    let text = fitted(&format!("{value:.1}{deviation} published [{number}]{note}"), columns.room, SMALL, Weight::Regular);
    let beside = if columns.narrow { y + LINE } else { y };
    if columns.narrow {
        sheet.clear(beside - LINE / 2.0, beside + LINE / 2.0);
    }
    sheet.text(&text, (columns.words, beside), SMALL, Weight::Regular, Anchor::Start, SOFT);
}

/// What makes two published rates comparable: the source, the formula, the years.
fn origin(benchmark: &Benchmark) -> (&str, Option<AnnualFormula>, Option<Days>) {
    (&benchmark.source, benchmark.formula, benchmark.years.map(Years::days))
}

/// Each source with its formula once, in the order in which they are met.
fn sources<'a>(blocks: &[Block<'a>]) -> Vec<&'a Benchmark> {
    let mut sources: Vec<&Benchmark> = Vec::new();
    for &benchmark in blocks.iter().flat_map(|block| &block.published) {
        if !sources.iter().any(|known| origin(known) == origin(benchmark)) {
            sources.push(benchmark);
        }
    }
    sources
}

fn source_number(sources: &[&Benchmark], benchmark: &Benchmark) -> usize {
    sources.iter().position(|known| origin(known) == origin(benchmark)).map_or(0, |place| place + 1)
}

const fn formula_text(formula: AnnualFormula) -> &'static str {
    match formula {
        AnnualFormula::Geometric => "geometric formula, 1 − S^(1/z)",
        AnnualFormula::Linear => "linear formula, (1 − S) / z",
        AnnualFormula::PersonTime => "failures by restoration-years",
    }
}

/// What stands below the chart, a paragraph each: the own points, the published ones, each source.
fn notes(chart: &AnnualFailureChart<'_>, sources: &[&Benchmark]) -> Vec<String> {
    let letters = match chart.formula {
        AnnualFormula::PersonTime => "",
        _ => " (S survival, z years)",
    };
    let formula = formula_text(chart.formula);
    let mut notes = vec![format!("Squares, with intervals: these records; {formula}{letters}. {}", chart.footnote)];
    if !sources.is_empty() {
        notes.push("Diamonds: published; dashed: one standard deviation (SD) between studies to each side.".to_owned());
    }
    for (number, source) in (1..).zip(sources) {
        let formula = source.formula.map_or("formula not stated in the source", formula_text);
        let years = source.years.map_or_else(String::new, |years| format!(", over {:.0} years", years.count()));
        notes.push(format!("[{number}] {}: {formula}{years}.", source.source));
    }
    notes
}

fn describe(chart: &AnnualFailureChart<'_>, blocks: &[Block<'_>]) -> String {
    let level = |block: &Block<'_>| format!("{}: {}", block.group.label, block.value.join(" "));
    let levels: Vec<String> = blocks.iter().map(level).collect();
    let levels = if levels.is_empty() { "No restorations to draw".to_owned() } else { levels.join("; ") };
    format!("Annual failure rates with intervals. {} {levels}.", chart.definition)
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{annual as draw, check_texts, group, requests};

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        for (name, groups) in requests() {
            check_texts(&draw(name, &groups));
        }
    }

    #[test]
    fn each_published_rate_names_its_source_and_the_source_its_formula() {
        let svg = draw("x", &[group("Self-etch", 400, 0.02, 3900)]).svg;
        for said in [
            ">3.1 (SD 2.0) published [1], all<",
            ">2.0 published [2], one system of the trial<",
            "2014;30:1089–1103: formula not stated in the source.",
            "2007;23:1101–1107: linear formula, (1 − S) / z, over 13 years.",
            "these records; geometric formula, 1 − S^(1/z) (S survival, z years).",
            ">400 restorations, 200 patients, ",
        ] {
            assert!(svg.contains(said), "{said} in {svg}");
        }
    }

    #[test]
    fn a_rate_that_is_not_known_says_why_and_has_no_point() {
        let svg = draw("x", &[group("Young", 400, 0.02, 800)]).svg;
        assert!(svg.contains(">past the last follow-up<") && !svg.contains("class=\"own\""), "{svg}");
    }
}
