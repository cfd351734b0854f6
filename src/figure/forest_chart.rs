//! Ratios with their intervals, one line each, on a logarithmic axis: what goes with failure, and how sure that is.
//!
//! Purpose: to let the eye compare many ratios at once. Lines whose interval holds 1 say nothing sure; the numbers stand beside. Two
//! models are told apart by marker, line and place, not by colour alone.

use super::Drawing;
use super::forest_condensed::condensed;
use super::palette::{GRID, INK, Marker, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, text_width, wrapped_to};

/// A ratio with its limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// The ratio.
    pub value: f64,
    /// Its limits, if it has any.
    pub limits: Option<(f64, f64)>,
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct ForestLine {
    /// What is compared: `Etch strategy: self-etch`.
    pub label: String,
    /// What it is held against.
    pub against: String,
    /// How many stand behind it; empty where that is all.
    pub behind: String,
    /// Whether it is of what is compared, so that it is never left out.
    pub compared: bool,
    /// The ratio by each model, in the order of the models; none where a model has none.
    pub ratios: Vec<Option<Ratio>>,
}

impl ForestLine {
    fn held(&self) -> String {
        if self.behind.is_empty() { self.against.clone() } else { format!("{}; {}", self.against, self.behind) }
    }
}

/// What the chart needs.
pub struct ForestChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What a ratio above 1 means, printed below the title.
    pub definition: &'a str,
    /// What the models are called; one or two.
    pub models: &'a [&'a str],
    /// The lines.
    pub lines: &'a [ForestLine],
    /// What is printed below the axis.
    pub axis: &'a str,
    /// How intervals were made.
    pub footnote: &'a str,
}

const LABELS: f64 = 300.0;
const NUMBERS: f64 = 190.0;
/// Ratios that may be marked.
const MARKS: [f64; 13] = [0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0, 20.0, 50.0, 100.0];

/// The axis of ratios.
pub struct Axis {
    /// Its ends on the sheet.
    pub left: f64,
    /// The right one.
    pub right: f64,
    least: f64,
    most: f64,
}

impl Axis {
    /// From the mark below all limits to the one above, but no further than a hundredfold either way, and at least from ½ to 2.
    pub fn new<'a>(ratios: impl Iterator<Item = &'a Ratio>, left: f64, right: f64) -> Self {
        let (mut least, mut most) = (0.5_f64, 2.0_f64);
        for ratio in ratios {
            let (lower, upper) = ratio.limits.unwrap_or((ratio.value, ratio.value));
            least = least.min(lower).min(ratio.value);
            most = most.max(upper).max(ratio.value);
        }
        let least = MARKS.iter().rev().copied().find(|mark| *mark <= least).unwrap_or(MARKS[0]);
        let most = MARKS.iter().copied().find(|mark| *mark >= most).unwrap_or(MARKS[MARKS.len() - 1]);
        Self { left, right, least, most }
    }

    fn x(&self, ratio: f64) -> f64 {
        let (least, most) = (self.least.ln(), self.most.ln());
        let part = (ratio.max(1e-300).ln() - least) / (most - least);
        self.left + part.clamp(0.0, 1.0) * (self.right - self.left)
    }

    fn marks(&self) -> Vec<f64> {
        let all: Vec<f64> = MARKS.iter().copied().filter(|mark| (self.least..=self.most).contains(mark)).collect();
        let mut kept: Vec<f64> = Vec::new();
        for mark in all {
            let gap = kept.last().map_or(f64::INFINITY, |last| self.x(mark) - self.x(*last));
            if gap >= 34.0 {
                kept.push(mark);
            }
        }
        kept
    }
}

impl Axis {
    /// Draws it between two heights with its words below; gives its middle.
    pub fn draw(&self, sheet: &Sheet, top: f64, bottom: f64, words: &str) -> f64 {
        for mark in self.marks() {
            let x = self.x(mark);
            let one = (mark - 1.0).abs() < 1e-9;
            sheet.line(&[(x, top), (x, bottom)], if one { INK } else { GRID }, if one { 1.6 } else { 1.0 }, &[]);
            sheet.text(&mark_text(mark), (x, bottom + 16.0), TEXT, Weight::Regular, Anchor::Middle, INK);
        }
        sheet.line(&[(self.left, bottom), (self.right, bottom)], INK, 1.4, &[]);
        let middle = (self.left + self.right) / 2.0;
        sheet.text(words, (middle, bottom + 40.0), TEXT, Weight::Regular, Anchor::Middle, INK);
        middle
    }
}

fn number(ratio: f64) -> String {
    if ratio >= 100.0 {
        ">99".to_owned()
    } else if ratio < 0.01 {
        "<0.01".to_owned()
    } else if ratio >= 10.0 {
        format!("{ratio:.0}")
    } else {
        format!("{ratio:.2}")
    }
}

/// A ratio with its limits in words.
pub fn numbers(ratio: Option<&Ratio>) -> String {
    match ratio {
        None => "no estimate".to_owned(),
        Some(Ratio { value, limits: None }) => format!("{} (no limits)", number(*value)),
        Some(Ratio { value, limits: Some((lower, upper)) }) => {
            format!("{} ({} to {})", number(*value), number(*lower), number(*upper))
        }
    }
}

/// Draws the chart on a page.
pub fn forest_chart(chart: &ForestChart<'_>) -> Drawing {
    forest_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage. A slide that can't hold it is drawn condensed.
pub fn forest_chart_on(chart: &ForestChart<'_>, stage: &Stage) -> Drawing {
    let drawing = in_full(chart, stage);
    if stage.terse && !stage.narrow() && !stage.holds(&drawing) { condensed(chart, stage) } else { drawing }
}

fn in_full(chart: &ForestChart<'_>, stage: &Stage) -> Drawing {
    let (labels, words) = if stage.narrow() { (0.0, NUMBERS - 38.0) } else { (LABELS + 16.0, NUMBERS + 16.0) };
    let ratios = chart.lines.iter().flat_map(|line| line.ratios.iter().flatten());
    let axis = Axis::new(ratios, MARGIN + labels, stage.width - MARGIN - words);
    let definition = stage.first_sentence(chart.definition);
    let models = chart.models.len().clamp(1, 2);
    let line_height = 20.0;
    let rows: Vec<(Vec<String>, Vec<String>, f64)> = chart
        .lines
        .iter()
        .map(|line| {
            let room = if stage.narrow() { stage.room() } else { LABELS };
            let label = wrapped_to(&line.label, room, TEXT, Weight::Bold, 3);
            let against = wrapped_to(&line.held(), room, SMALL, Weight::Regular, 2);
            let (texts, ratios) = (many(label.len() + against.len()) * line_height, many(models) * 24.0);
            let height =
                if stage.narrow() { texts + ratios } else { texts.max(ratios) } + if stage.terse { 8.0 } else { 14.0 };
            (label, against, height)
        })
        .collect();
    let key = match (models > 1, stage.narrow()) {
        (true, true) => 52.0,
        (true, false) => 30.0,
        (false, _) => 0.0,
    };
    let top = stage.heading_height(chart.title, definition) + 14.0 + key;
    let body: f64 = rows.iter().map(|row| row.2).sum::<f64>().max(40.0);
    let air = stage.air(top + body + 62.0 + stage.paragraph_height(chart.footnote) + MARGIN, rows.len());
    let body = body + air * many(rows.len());
    let bottom = top + body;
    let height = bottom + 62.0 + stage.paragraph_height(chart.footnote) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), height);
    sheet.heading(definition);
    if models > 1 {
        let mut x = MARGIN;
        for (place, model) in chart.models.iter().take(2).enumerate() {
            let y = top - key + if stage.narrow() { 22.0 * many(place) } else { 0.0 };
            sheet.line(&[(x, y), (x + 30.0, y)], look(place).colour, 2.6, look(place).dash);
            sheet.marker((x + 15.0, y), marker(place), look(place).colour);
            let model = &fitted(model, stage.width - MARGIN - x - 40.0, TEXT, Weight::Regular);
            sheet.text(model, (x + 40.0, y), TEXT, Weight::Regular, Anchor::Start, look(place).text);
            if !stage.narrow() {
                x += 40.0 + text_width(model, TEXT, Weight::Regular) + 36.0;
            }
        }
    }
    let middle = axis.draw(&sheet, top, bottom, chart.axis);
    if rows.is_empty() {
        sheet.text("Nothing to draw.", (middle, top + body / 2.0), TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let mut y = top;
    for (line, (label, against, height)) in chart.lines.iter().zip(&rows) {
        let height = height + air;
        let texts = many(label.len() + against.len()) * line_height;
        let first = if stage.narrow() { y + 5.0 } else { y + height / 2.0 - texts / 2.0 };
        let centre = if stage.narrow() { y + 5.0 + texts + many(models) * 12.0 } else { y + height / 2.0 };
        if stage.narrow() {
            sheet.clear(y + 1.0, first + texts);
        }
        for (place, text) in label.iter().chain(against).enumerate() {
            let (size, weight, colour) =
                if place < label.len() { (TEXT, Weight::Bold, INK) } else { (SMALL, Weight::Regular, SOFT) };
            sheet.text(text, (MARGIN, first + (many(place) + 0.5) * line_height), size, weight, Anchor::Start, colour);
        }
        let step = 24.0;
        for model in 0..models {
            let at = centre + (many(model) - (many(models) - 1.0) / 2.0) * step;
            let ratio = line.ratios.get(model).and_then(Option::as_ref);
            if let Some(ratio) = ratio {
                sheet.open("ratio", &format!("{}: {}", line.label, numbers(Some(ratio))));
                draw_ratio(&sheet, &axis, ratio, at, model);
                sheet.close();
            }
            let text = numbers(ratio);
            sheet.text(&text, (stage.width - MARGIN, at), SMALL, Weight::Regular, Anchor::End, look(model).text);
        }
        y += height;
        sheet.line(&[(MARGIN, y), (stage.width - MARGIN, y)], GRID, 0.8, &[]);
    }
    sheet.paragraph(chart.footnote, bottom + 60.0);
    sheet.finish()
}

const fn marker(model: usize) -> Marker {
    if model == 0 { Marker::Disc } else { Marker::Box }
}

/// The interval as a line; where it goes past the axis it ends in an arrow.
pub fn draw_ratio(sheet: &Sheet, axis: &Axis, ratio: &Ratio, y: f64, model: usize) {
    let look = look(model);
    if let Some((lower, upper)) = ratio.limits {
        let (from, to) = (axis.x(lower), axis.x(upper));
        sheet.line(&[(from, y), (to, y)], look.colour, 2.6, look.dash);
        for (limit, x, away) in [(lower, from, -1.0), (upper, to, 1.0)] {
            if limit < axis.least || limit > axis.most {
                let tip = [(x, y), (x - away * 8.0, y - 5.0), (x - away * 8.0, y + 5.0)];
                sheet.area(&tip, look.colour, 1.0);
            } else {
                sheet.line(&[(x, y - 5.0), (x, y + 5.0)], look.colour, 2.0, &[]);
            }
        }
    }
    if (axis.least..=axis.most).contains(&ratio.value) {
        sheet.marker((axis.x(ratio.value), y), marker(model), look.colour);
    }
}

fn mark_text(mark: f64) -> String {
    let text = format!("{mark}");
    if (mark - 0.25).abs() < 1e-9 {
        "¼".to_owned()
    } else if (mark - 0.5).abs() < 1e-9 {
        "½".to_owned()
    } else {
        text
    }
}

/// All of it in words.
pub fn describe(chart: &ForestChart<'_>) -> String {
    let lines: Vec<String> = chart
        .lines
        .iter()
        .map(|line| {
            let ratios: Vec<String> = line.ratios.iter().map(|ratio| numbers(ratio.as_ref())).collect();
            format!("{} ({}): {}", line.label, line.held(), ratios.join("; "))
        })
        .collect();
    format!("{} {}.", chart.definition, lines.join(". "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::check_texts;
    use super::super::preset::Preset;
    use super::*;

    fn line(label: &str, ratio: Option<Ratio>) -> ForestLine {
        ForestLine {
            label: label.to_owned(),
            against: "against etch-and-rinse".to_owned(),
            behind: "210 restorations".to_owned(),
            compared: label == "Self-etch",
            ratios: vec![ratio, ratio],
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let wide = Some(Ratio { value: 3.0, limits: Some((1e-9, 1e9)) });
        let usual = Some(Ratio { value: 1.52, limits: Some((1.02, 2.28)) });
        let none: &[ForestLine] = &[];
        let long =
            "A name of a level that somebody in the practice wrote out in full, with all its particulars and then some";
        let cases = [vec![
            line("Self-etch", usual),
            line(long, wide),
            line("No limits", Some(Ratio { value: 0.02, limits: None })),
            line("None", None),
        ]];
        for lines in cases.iter().map(Vec::as_slice).chain([none]) {
            for models in
                [&["Proportional hazards"][..], &["Proportional hazards, day found", "Weibull, between visits"][..]]
            {
                let chart = ForestChart {
                    name: "forest",
                    title: "What goes with loss of retention",
                    definition: "Above 1: fails sooner.",
                    models,
                    lines,
                    axis: "Hazard ratio",
                    footnote: "95 % intervals.",
                };
                check_texts(&forest_chart(&chart));
                for stage in Preset::ALL.into_iter().flat_map(Preset::stages) {
                    let drawing = forest_chart_on(&chart, &stage);
                    if stage.holds(&drawing) {
                        check_texts(&drawing);
                    } else {
                        assert!(!lines.is_empty() && stage.width < 1000.0, "four lines fit on a slide");
                    }
                }
            }
        }
    }
}
