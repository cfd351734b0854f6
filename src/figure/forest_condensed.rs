//! The forest on a slide that can't hold it in full: a row a line, one model.
//!
//! Purpose: to keep all lines that a listener can read in one picture. Names and what they are held against share a line; the other model
//! is in the note, with its numbers for what is compared. Where even so not all fit and nothing larger is left to try, the lines of what
//! is compared stay, then the others in their order, and how many are left out is said.

use super::Drawing;
use super::forest_chart::{Axis, ForestChart, ForestLine, describe, draw_ratio, numbers};
use super::palette::{GRID, INK, SOFT};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, text_width};
use crate::wording::counted;

/// Least height of a row.
const ROW: f64 = 19.0;
/// Most of the width that names may take.
const NAMES: f64 = 0.52;
const GAP: f64 = 8.0;

/// Draws the chart on a stage, a row a line.
pub fn condensed(chart: &ForestChart<'_>, stage: &Stage) -> Drawing {
    let has = |model: usize| chart.lines.iter().any(|line| line.ratios.get(model).is_some_and(Option::is_some));
    let model = (0..chart.models.len()).find(|&model| has(model)).unwrap_or(0);
    let note = format!("{}{}", chart.footnote, other(chart, model));
    let definition = stage.first_sentence(chart.definition);
    let top = stage.heading_height(chart.title, definition) + 4.0;
    let rest = 56.0 + stage.paragraph_height(&note) + MARGIN;
    let fit = rows_that_fit(stage, top + rest);
    let shown = if stage.selective { chosen(chart.lines, fit) } else { chart.lines.iter().collect() };
    let left_out = chart.lines.len() - shown.len();
    let rows = shown.len() + usize::from(left_out > 0);
    let height = ROW + stage.air(top + rest + ROW * many(rows), rows);
    let bottom = top + height * many(rows);
    let name = |line: &ForestLine| text_width(&line.label, TEXT, Weight::Bold);
    let words = |line: &ForestLine| name(line) + GAP + text_width(&line.against, SMALL, Weight::Regular);
    let room = shown.iter().map(|line| words(line)).fold(0.0, f64::max).min(stage.width * NAMES);
    let ratio = |line: &ForestLine| line.ratios.get(model).copied().flatten();
    let texts = shown.iter().map(|line| text_width(&numbers(ratio(line).as_ref()), SMALL, Weight::Regular));
    let right = stage.width - MARGIN - texts.fold(0.0, f64::max) - 16.0;
    let ratios: Vec<_> = shown.iter().filter_map(|line| ratio(line)).collect();
    let axis = Axis::new(ratios.iter(), MARGIN + room + 16.0, right);
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), bottom + rest);
    sheet.heading(definition);
    axis.draw(&sheet, top, bottom, &format!("{}, {}", chart.axis, chart.models[model]));
    for (place, line) in shown.iter().enumerate() {
        let y = top + height * (many(place) + 0.5);
        let label = fitted(&line.label, room, TEXT, Weight::Bold);
        sheet.text(&label, (MARGIN, y), TEXT, Weight::Bold, Anchor::Start, INK);
        let after = text_width(&label, TEXT, Weight::Bold) + GAP;
        if room - after > 40.0 {
            let against = fitted(&line.against, room - after, SMALL, Weight::Regular);
            sheet.text(&against, (MARGIN + after, y), SMALL, Weight::Regular, Anchor::Start, SOFT);
        }
        let ratio = ratio(line);
        let text = numbers(ratio.as_ref());
        if let Some(ratio) = &ratio {
            sheet.open("ratio", &format!("{}: {text}", line.label));
            draw_ratio(&sheet, &axis, ratio, y, model);
            sheet.close();
        }
        sheet.text(&text, (stage.width - MARGIN, y), SMALL, Weight::Regular, Anchor::End, INK);
        if place + 1 < rows {
            let below = top + height * many(place + 1);
            sheet.line(&[(MARGIN, below), (stage.width - MARGIN, below)], GRID, 0.8, &[]);
        }
    }
    if left_out > 0 {
        let left_out = u64::try_from(left_out).unwrap_or(u64::MAX);
        let said = format!("{} in the table", counted(left_out, "more line", "more lines"));
        sheet.text(&said, (MARGIN, bottom - height / 2.0), TEXT, Weight::Regular, Anchor::Start, INK);
    }
    sheet.paragraph(&note, bottom + 54.0);
    sheet.finish()
}

/// What the model that is not drawn says of what is compared.
fn other(chart: &ForestChart<'_>, drawn: usize) -> String {
    let Some((model, name)) = chart.models.iter().enumerate().find(|(model, _)| *model != drawn) else {
        return String::new();
    };
    let said = |line: &ForestLine| {
        let ratio = line.ratios.get(model).copied().flatten();
        format!("{} {}", line.label, numbers(ratio.as_ref()))
    };
    let lines: Vec<String> = chart.lines.iter().filter(|line| line.compared).map(said).collect();
    if lines.is_empty() {
        format!(" The other model, {name}, is in the table.")
    } else {
        format!(" By the other model, {name}: {}.", lines.join("; "))
    }
}

/// How many rows a stage of fixed height has room for beside the rest.
fn rows_that_fit(stage: &Stage, rest: f64) -> usize {
    let room = stage.height.map_or(f64::INFINITY, |height| height - rest - stage.note_height());
    (0..500).take_while(|rows| ROW * many(rows + 1) <= room).count()
}

/// The lines to draw in at most so many rows: those of what is compared, then the others in their order. One row is kept to say how many
/// are left out.
fn chosen(lines: &[ForestLine], rows: usize) -> Vec<&ForestLine> {
    if lines.len() <= rows {
        return lines.iter().collect();
    }
    let compared = lines.iter().filter(|line| line.compared).count();
    let mut others = rows.saturating_sub(compared + 1);
    let kept = |line: &&ForestLine| {
        let other = !line.compared && others > 0;
        others -= usize::from(other);
        line.compared || other
    };
    lines.iter().filter(kept).collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::check_texts;
    use super::super::forest_chart::{Ratio, forest_chart_on};
    use super::super::preset::Preset;
    use super::*;

    fn lines(number: usize, compared: usize) -> Vec<ForestLine> {
        let line = |place: usize| ForestLine {
            label: format!("Covariate {place}: a level with a name"),
            against: "against another one with a long name".to_owned(),
            behind: "210 restorations".to_owned(),
            compared: place + compared >= number,
            ratios: [1.5, 1.7].map(|value| Some(Ratio { value, limits: Some((value / 2.0, value * 30.0)) })).to_vec(),
        };
        (0..number).map(line).collect()
    }

    fn slide(lines: &[ForestLine]) -> Option<Drawing> {
        let chart = ForestChart {
            name: "forest",
            title: "What goes with loss of retention here",
            definition: "Above 1: fails sooner. Failure: the whole filling lost.",
            models: &["day found (proportional hazards)", "between visits (Weibull)"],
            lines,
            axis: "Hazard ratio",
            footnote: "95 % intervals. Each line is for all others held fixed.",
        };
        let drawn = |stage: Stage| {
            let drawing = forest_chart_on(&chart, &stage);
            stage.holds(&drawing).then_some(drawing)
        };
        Preset::SlideLight.stages().into_iter().find_map(drawn)
    }

    #[test]
    fn a_slide_holds_any_number_of_lines_and_says_what_it_left_out() {
        for (number, left_out) in [(3, 0), (8, 0), (15, 0), (40, 20), (90, 70)] {
            let drawing = slide(&lines(number, 2)).expect("a slide");
            check_texts(&drawing);
            let drawn = drawing.svg.matches("class=\"ratio\"").count();
            let rows = if drawing.svg.contains("By the other model") { number - left_out } else { 2 * number };
            assert_eq!(drawn, rows, "{number}");
            let said = format!(">{left_out} more lines in the table<");
            assert_eq!(drawing.svg.contains(&said), left_out > 0, "{number}");
            // What is compared comes last here, and stays.
            for place in [number - 2, number - 1] {
                assert!(drawing.svg.contains(&format!(">Covariate {place}: a level with a name<")), "{place} of {number}");
            }
        }
    }

    #[test]
    fn the_other_model_stands_in_the_note() {
        let svg = slide(&lines(15, 1)).expect("a slide").svg;
        let words: String =
            svg.split('>').filter_map(|part| part.split_once("</text")).map(|part| format!("{} ", part.0)).collect();
        let said = "By the other model, between visits (Weibull): Covariate 14: a level with a name 1.70 (0.85 to 51).";
        assert!(words.contains(said), "{words}");
        assert!(words.contains("Hazard ratio, day found (proportional hazards)"), "{words}");
    }

    #[test]
    fn more_compared_lines_than_fit_are_refused() {
        assert!(slide(&lines(60, 60)).is_none());
    }
}
