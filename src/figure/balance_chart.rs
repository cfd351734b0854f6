//! How far levels differ in what matters, before and after weighting: standardised differences.
//!
//! Purpose: to show at a glance whether like was compared with like. A ring is before, a disc after weighting; the line at 0.1 is where
//! a difference begins to be worth a word. How many values are missing stands beside.

use super::Drawing;
use super::palette::{GRID, INK, Marker, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::wrapped_to;

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct BalanceLine {
    /// What it is about.
    pub label: String,
    /// Largest standardised difference between two levels, before weighting.
    pub before: Option<f64>,
    /// After weighting; none where it was not weighted for.
    pub after: Option<f64>,
    /// Restorations without a value.
    pub missing: u64,
}

/// What the chart needs.
pub struct BalanceChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What is drawn, printed below the title.
    pub definition: &'a str,
    /// The lines.
    pub lines: &'a [BalanceLine],
    /// What else is to be known.
    pub footnote: &'a str,
}

/// From here on a difference is worth a word.
const WORTH: f64 = 0.1;
const LABELS: f64 = 330.0;
const MISSING: f64 = 120.0;

/// Draws the chart on a page.
pub fn balance_chart(chart: &BalanceChart<'_>) -> Drawing {
    balance_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn balance_chart_on(chart: &BalanceChart<'_>, stage: &Stage) -> Drawing {
    let narrow = stage.narrow();
    let left = if narrow { MARGIN + 12.0 } else { MARGIN + LABELS + 16.0 };
    let right = stage.width - MARGIN - if narrow { 12.0 } else { MISSING + 16.0 };
    let definition = stage.first_sentence(chart.definition);
    let largest = chart.lines.iter().flat_map(|line| [line.before, line.after]).flatten().fold(0.5, f64::max);
    let step = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 50.0, 100.0]
        .into_iter()
        .find(|step| largest <= if narrow { 5.0 } else { 8.0 } * step)
        .unwrap_or(1000.0);
    let most = (largest / step).ceil() * step;
    let x = |difference: f64| left + (difference / most).clamp(0.0, 1.0) * (right - left);
    let rows: Vec<(Vec<String>, f64)> = chart
        .lines
        .iter()
        .map(|line| {
            let room = if narrow { stage.room() - MISSING } else { LABELS };
            let label = wrapped_to(&line.label, room, TEXT, Weight::Regular, 2);
            let height = many(label.len()) * 19.0
                + match (narrow, stage.terse) {
                    (true, _) => 28.0,
                    (false, true) => 3.0,
                    (false, false) => 9.0,
                };
            (label, height)
        })
        .collect();
    let top = stage.heading_height(chart.title, definition) + 44.0;
    let body = rows.iter().map(|row| row.1).sum::<f64>().max(40.0);
    let air = stage.air(top + body + 60.0 + stage.paragraph_height(stage.told(chart.footnote)) + MARGIN, rows.len());
    let body = body + air * many(rows.len());
    let bottom = top + body;
    let height = bottom + 60.0 + stage.paragraph_height(stage.told(chart.footnote)) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), height);
    sheet.heading(definition);
    let key = top - 26.0;
    sheet.marker((MARGIN + 8.0, key), Marker::Ring, look(1).colour);
    sheet.text("before weighting", (MARGIN + 22.0, key), TEXT, Weight::Regular, Anchor::Start, look(1).text);
    sheet.marker((MARGIN + 188.0, key), Marker::Disc, look(0).colour);
    sheet.text("after", (MARGIN + 202.0, key), TEXT, Weight::Regular, Anchor::Start, look(0).text);
    sheet.text("missing", (stage.width - MARGIN, key), TEXT, Weight::Regular, Anchor::End, SOFT);
    let marks = (most / step).round();
    let mut mark = 0.0;
    while mark <= marks {
        let at = x(mark * step);
        sheet.line(&[(at, top), (at, bottom)], GRID, 1.0, &[]);
        sheet.text(
            &format!("{:.*}", usize::from(step < 1.0), mark * step),
            (at, bottom + 16.0),
            TEXT,
            Weight::Regular,
            Anchor::Middle,
            INK,
        );
        mark += 1.0;
    }
    sheet.line(&[(x(WORTH), top), (x(WORTH), bottom)], INK, 1.6, &[6, 4]);
    sheet.line(&[(left, bottom), (right, bottom)], INK, 1.4, &[]);
    let middle = (left + right) / 2.0;
    sheet.text("Standardised difference", (middle, bottom + 40.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    if rows.is_empty() {
        sheet.text("Nothing recorded to compare.", (middle, top + body / 2.0), TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let mut y = top;
    for (line, (label, height)) in chart.lines.iter().zip(&rows) {
        let height = height + air;
        let texts = many(label.len()) * 19.0;
        let first = if narrow { y + 4.0 } else { y + height / 2.0 - texts / 2.0 };
        let at = if narrow { first + texts + 9.0 } else { y + height / 2.0 };
        if narrow {
            sheet.clear(first, first + texts);
        }
        for (place, text) in label.iter().enumerate() {
            let place = (MARGIN, first + (many(place) + 0.5) * 19.0);
            sheet.text(text, place, TEXT, Weight::Regular, Anchor::Start, INK);
        }
        if let (Some(before), Some(after)) = (line.before, line.after) {
            sheet.line(&[(x(before), at), (x(after), at)], SOFT, 1.4, &[2, 3]);
        }
        for (value, marker, place) in [(line.before, Marker::Ring, 1), (line.after, Marker::Disc, 0)] {
            if let Some(value) = value {
                sheet.open("difference", &format!("{}: {value:.2}", line.label));
                sheet.marker((x(value), at), marker, look(place).colour);
                sheet.close();
            }
        }
        if line.before.is_none() {
            sheet.text("not estimable", (left + 8.0, at), SMALL, Weight::Regular, Anchor::Start, SOFT);
        }
        let missing = stage.count(line.missing);
        let beside = if narrow { first + 9.5 } else { at };
        sheet.text(&missing, (stage.width - MARGIN, beside), SMALL, Weight::Regular, Anchor::End, SOFT);
        y += height;
    }
    sheet.paragraph(stage.told(chart.footnote), bottom + 58.0);
    sheet.finish()
}

fn describe(chart: &BalanceChart<'_>) -> String {
    let number = |value: Option<f64>| value.map_or_else(|| "not estimable".to_owned(), |value| format!("{value:.2}"));
    let line = |line: &BalanceLine| format!("{}: {} before, {} after", line.label, number(line.before), number(line.after));
    let lines: Vec<String> = chart.lines.iter().map(line).collect();
    format!("{} {}.", chart.definition, lines.join("; "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::check_texts;
    use super::super::preset::Preset;
    use super::*;

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let line = |label: &str, before, after| BalanceLine { label: label.to_owned(), before, after, missing: 12_345 };
        let long = "Operator: a name that goes on and on until it fills two lines of the column and has to be cut somewhere";
        for largest in [0.2, 0.9, 3.0, 40.0] {
            let lines =
                [line("Lesion depth (mm)", Some(largest), Some(0.02)), line(long, Some(0.1), None), line("x", None, None)];
            for lines in [&lines[..], &[]] {
                let chart = BalanceChart {
                    name: "balance",
                    title: "How the levels differ",
                    definition: "Of all.",
                    lines,
                    footnote: "Note.",
                };
                check_texts(&balance_chart(&chart));
                for stage in Preset::ALL.into_iter().flat_map(Preset::stages) {
                    let drawing = balance_chart_on(&chart, &stage);
                    assert!(stage.holds(&drawing));
                    check_texts(&drawing);
                }
            }
        }
    }
}
