//! From records received to restorations compared and seen again: a flow diagram in the order that reports of cohorts are asked to keep.
//!
//! Purpose: to let a reader see who was left out, and why, before any result. Text is the drawing; nothing depends on colour.

use super::Drawing;
use super::palette::{INK, SOFT};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::wrapped;

/// A box of the trunk, with what leaves before the next one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FlowStep {
    /// What it holds: `Restorations received: 603`.
    pub text: String,
    /// What is left out after it.
    pub left_out: Vec<String>,
}

/// A branch below the trunk: one level.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FlowBranch {
    /// The level with its number.
    pub title: String,
    /// Its lines: seen at each recall, failed, …
    pub lines: Vec<String>,
}

/// What the chart needs.
pub struct FlowChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What is drawn, printed below the title.
    pub definition: &'a str,
    /// The trunk.
    pub steps: &'a [FlowStep],
    /// The levels; of more than four, two rows or more.
    pub branches: &'a [FlowBranch],
}

const PAD: f64 = 12.0;
const LINE: f64 = 20.0;
const GAP: f64 = 26.0;

/// Draws the chart on a page.
pub fn flow_chart(chart: &FlowChart<'_>) -> Drawing {
    flow_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn flow_chart_on(chart: &FlowChart<'_>, stage: &Stage) -> Drawing {
    let (trunk_width, aside_width) =
        if stage.narrow() { (stage.room() * 0.46, stage.room() * 0.48) } else { (430.0, 380.0) };
    let definition = stage.first_sentence(chart.definition);
    let trunk: Vec<Vec<String>> =
        chart.steps.iter().map(|step| wrapped(&step.text, trunk_width - 2.0 * PAD, TEXT, Weight::Bold)).collect();
    let asides: Vec<Vec<String>> = chart
        .steps
        .iter()
        .map(|step| {
            step.left_out.iter().flat_map(|text| wrapped(text, aside_width - 2.0 * PAD, SMALL, Weight::Regular)).collect()
        })
        .collect();
    let box_height = |lines: usize| many(lines) * LINE + 2.0 * PAD;
    let aside_height = |lines: usize| if lines == 0 { 0.0 } else { box_height(lines) };
    let in_row = chart.branches.len().clamp(1, if stage.narrow() { 1 } else { 4 });
    let width = (stage.room() - many(in_row - 1) * 16.0) / many(in_row);
    let branches: Vec<(Vec<String>, Vec<String>)> = chart
        .branches
        .iter()
        .map(|branch| {
            let title = wrapped(&branch.title, width - 2.0 * PAD, TEXT, Weight::Bold);
            let lines =
                branch.lines.iter().flat_map(|line| wrapped(line, width - 2.0 * PAD, SMALL, Weight::Regular)).collect();
            (title, lines)
        })
        .collect();
    let top = stage.heading_height(chart.title, definition) + 6.0;
    let mut height = top;
    for (lines, aside) in trunk.iter().zip(&asides) {
        height += box_height(lines.len()) + (aside_height(aside.len()) + 14.0).max(GAP);
    }
    let rows: Vec<f64> = branches
        .chunks(in_row)
        .map(|row| row.iter().map(|(title, lines)| box_height(title.len() + lines.len())).fold(0.0, f64::max))
        .collect();
    height += rows.iter().map(|row| row + GAP).sum::<f64>();
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), height + MARGIN - GAP.min(height));
    sheet.heading(definition);
    let middle = MARGIN + trunk_width / 2.0;
    let mut y = top;
    for (number, (lines, aside)) in trunk.iter().zip(&asides).enumerate() {
        let bottom = y + box_height(lines.len());
        boxed(&sheet, (MARGIN, y), trunk_width, bottom - y, lines, &[]);
        let next = bottom + (aside_height(aside.len()) + 14.0).max(GAP);
        // The last stem ends on the bar that the branches hang from.
        let last = number + 1 == trunk.len();
        let end = if last { next - GAP / 2.0 } else { next };
        if !(last && branches.is_empty()) {
            sheet.line(&[(middle, bottom), (middle, end)], INK, 1.6, &[]);
        }
        if !aside.is_empty() {
            let from = (stage.width - MARGIN - aside_width, bottom + 7.0);
            let half = from.1 + aside_height(aside.len()) / 2.0;
            boxed(&sheet, from, aside_width, aside_height(aside.len()), &[], aside);
            sheet.line(&[(middle, half), (from.0, half)], INK, 1.6, &[]);
        }
        y = next;
    }
    if !branches.is_empty() && !trunk.is_empty() {
        let centre = |place: usize| MARGIN + many(place) * (width + 16.0) + width / 2.0;
        let in_first = branches.len().min(in_row);
        let bar = y - GAP / 2.0;
        sheet.line(&[(middle.min(centre(0)), bar), (middle.max(centre(in_first - 1)), bar)], INK, 1.6, &[]);
        for place in 0..in_first {
            sheet.line(&[(centre(place), bar), (centre(place), y)], INK, 1.6, &[]);
        }
    }
    for (row, branches) in branches.chunks(in_row).enumerate() {
        for (place, (title, lines)) in branches.iter().enumerate() {
            boxed(&sheet, (MARGIN + many(place) * (width + 16.0), y), width, rows[row], title, lines);
        }
        y += rows[row] + GAP;
    }
    sheet.finish()
}

fn boxed(sheet: &Sheet, from: (f64, f64), width: f64, height: f64, title: &[String], lines: &[String]) {
    sheet.outline(from, (from.0 + width, from.1 + height), INK, 1.4);
    for (place, text) in title.iter().chain(lines).enumerate() {
        let (size, weight, colour) =
            if place < title.len() { (TEXT, Weight::Bold, INK) } else { (SMALL, Weight::Regular, SOFT) };
        let at = (from.0 + PAD, from.1 + PAD + (many(place) + 0.5) * LINE);
        sheet.text(text, at, size, weight, Anchor::Start, colour);
    }
}

fn describe(chart: &FlowChart<'_>) -> String {
    let step = |step: &FlowStep| {
        if step.left_out.is_empty() {
            step.text.clone()
        } else {
            format!("{} (left out: {})", step.text, step.left_out.join("; "))
        }
    };
    let steps: Vec<String> = chart.steps.iter().map(step).collect();
    let branches: Vec<String> =
        chart.branches.iter().map(|branch| format!("{}: {}", branch.title, branch.lines.join("; "))).collect();
    format!("{} {}. {}.", chart.definition, steps.join(". "), branches.join(". "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::check_texts;
    use super::super::preset::Preset;
    use super::*;

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let step = |text: &str, out: &[&str]| FlowStep {
            text: text.to_owned(),
            left_out: out.iter().map(|&text| text.to_owned()).collect(),
        };
        let branch = |title: &str| FlowBranch {
            title: title.to_owned(),
            lines: vec![
                "seen at 12 months: 80 of 95 due".to_owned(),
                "a line that is so long that it has to be broken somewhere in the middle of it".to_owned(),
            ],
        };
        let steps = [
            step(
                "Restorations received: 603",
                &["3: the same row again", "12: had ended, or was not seen in place again, when it came under observation"],
            ),
            step("Compared: 588", &[]),
        ];
        for count in [0, 1, 3, 8] {
            let branches: Vec<FlowBranch> = (0..count).map(|_| branch("A level with a rather long name: 196")).collect();
            for steps in [&steps[..], &[]] {
                let chart = FlowChart {
                    name: "flow",
                    title: "From records to results",
                    definition: "All.",
                    steps,
                    branches: &branches,
                };
                check_texts(&flow_chart(&chart));
                for stage in Preset::ALL.into_iter().flat_map(Preset::stages) {
                    let drawing = flow_chart_on(&chart, &stage);
                    if stage.holds(&drawing) {
                        check_texts(&drawing);
                    } else {
                        assert!(count > 3, "one row of branches fits on a slide: {}", drawing.needs);
                    }
                }
            }
        }
    }
}
