//! One criterion by level at each recall: the share that is acceptable or better, and the share that is ideal, with intervals.
//!
//! Purpose: to show whether margins, colour or comfort of one level fall behind those of another over the years. Levels stand side by
//! side at each recall, told apart by marker and place; only recalls at which somebody was scored are drawn.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, WIDTH, Weight, heading_height, many, paragraph_height};
use super::text_width::{text_width, wrapped_to};

/// A share with its limits, and how many were scored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelShareAt {
    /// The share.
    pub share: f64,
    /// Its limits, where known.
    pub limits: Option<(f64, f64)>,
}

/// One recall.
#[derive(Clone, Debug, PartialEq)]
pub struct RecallShares {
    /// Months after placement.
    pub months: u16,
    /// The share of each level; none where nobody of it was scored, or too few to show.
    pub shares: Vec<Option<LevelShareAt>>,
}

/// One panel: a standing.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Its title.
    pub title: String,
    /// The recalls, in order.
    pub recalls: Vec<RecallShares>,
}

/// What the chart needs.
pub struct CriterionLevelChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What is drawn, printed below the title.
    pub definition: &'a str,
    /// What the levels are called.
    pub levels: &'a [String],
    /// The panels, one above the other.
    pub panels: &'a [Panel],
    /// How intervals were made.
    pub footnote: &'a str,
}

const PLOT: f64 = 190.0;
const LEFT: f64 = 84.0;
/// Most levels drawn.
const MOST: usize = 8;

/// Draws the chart.
pub fn criterion_level_chart(chart: &CriterionLevelChart<'_>) -> Drawing {
    let right = WIDTH - MARGIN;
    let levels = &chart.levels[..chart.levels.len().min(MOST)];
    let (key, key_height) = key_places(levels);
    let top = heading_height(chart.title, chart.definition) + key_height;
    let panel_height = PLOT + 84.0;
    let bottom = top + panel_height * many(chart.panels.len().max(1));
    let height = bottom + paragraph_height(chart.footnote) + MARGIN;
    let sheet = Sheet::new(chart.name, chart.title, &describe(chart), height);
    sheet.heading(chart.definition);
    for ((place, (x, y)), label) in key.iter().enumerate().zip(levels) {
        let y = heading_height(chart.title, chart.definition) + y;
        sheet.marker((x + 8.0, y), look(place).marker, look(place).colour);
        let shown = wrapped_to(label, right - MARGIN - 40.0, TEXT, Weight::Bold, 1);
        let text = shown.first().map_or("", String::as_str);
        sheet.text(text, (x + 24.0, y), TEXT, Weight::Bold, Anchor::Start, look(place).text);
    }
    for (number, panel) in chart.panels.iter().enumerate() {
        let top = top + panel_height * many(number) + 34.0;
        sheet.text(&panel.title, (MARGIN, top - 18.0), TEXT, Weight::Regular, Anchor::Start, INK);
        draw_panel(&sheet, panel, levels.len(), top, right);
    }
    sheet.paragraph(chart.footnote, bottom);
    sheet.finish()
}

/// Where the names of the levels stand, filling lines from left to right; and their height.
fn key_places(levels: &[String]) -> (Vec<(f64, f64)>, f64) {
    let (mut x, mut y) = (MARGIN, 12.0);
    let mut places = Vec::new();
    for label in levels {
        let width = 24.0 + text_width(label, TEXT, Weight::Bold) + 28.0;
        if x > MARGIN && x + width > WIDTH - MARGIN {
            x = MARGIN;
            y += 22.0;
        }
        places.push((x, y));
        x += width;
    }
    (places, y + 14.0)
}

fn draw_panel(sheet: &Sheet, panel: &Panel, levels: usize, top: f64, right: f64) {
    let y = |share: f64| top + PLOT * (1.0 - share.clamp(0.0, 1.0));
    for part in 0..=4 {
        let share = f64::from(part) / 4.0;
        sheet.line(&[(LEFT, y(share)), (right, y(share))], GRID, 1.0, &[]);
        let text = format!("{:.0} %", share * 100.0);
        sheet.text(&text, (LEFT - 10.0, y(share)), SMALL, Weight::Regular, Anchor::End, INK);
    }
    sheet.line(&[(LEFT, y(0.0)), (right, y(0.0))], INK, 1.4, &[]);
    if panel.recalls.is_empty() {
        let middle = ((LEFT + right) / 2.0, top + PLOT / 2.0);
        sheet.text("Nobody was scored.", middle, TEXT, Weight::Regular, Anchor::Middle, SOFT);
        return;
    }
    let room = (right - LEFT) / many(panel.recalls.len());
    let step = (room * 0.7 / many(levels.max(1))).min(26.0);
    for (place, recall) in panel.recalls.iter().enumerate() {
        let centre = LEFT + (many(place) + 0.5) * room;
        let text = format!("{}", recall.months);
        sheet.text(&text, (centre, y(0.0) + 16.0), SMALL, Weight::Regular, Anchor::Middle, INK);
        for (level, share) in recall.shares.iter().take(levels).enumerate() {
            let Some(share) = share else { continue };
            let x = centre + (many(level) - (many(levels) - 1.0) / 2.0) * step;
            let look = look(level);
            if let Some((lower, upper)) = share.limits {
                sheet.line(&[(x, y(lower)), (x, y(upper))], look.colour, 2.2, &[]);
            }
            sheet.open("share", &format!("{} months: {:.1} %", recall.months, share.share * 100.0));
            sheet.marker((x, y(share.share)), look.marker, look.colour);
            sheet.close();
        }
    }
    let middle = ((LEFT + right) / 2.0, y(0.0) + 36.0);
    sheet.text("Months since placement", middle, SMALL, Weight::Regular, Anchor::Middle, INK);
}

fn describe(chart: &CriterionLevelChart<'_>) -> String {
    let mut text = chart.definition.to_owned();
    for panel in chart.panels {
        text.push_str(&format!(" {}:", panel.title));
        for recall in &panel.recalls {
            for (level, share) in chart.levels.iter().zip(&recall.shares) {
                if let Some(share) = share {
                    text.push_str(&format!(" {level} at {} months {:.1} %;", recall.months, share.share * 100.0));
                }
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::fixture::check_texts;
    use super::*;

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let share = Some(LevelShareAt { share: 0.93, limits: Some((0.88, 0.97)) });
        let long = "A name of a level that somebody in the practice wrote out in full, with all its particulars and then some more words";
        for (levels, recalls) in [(2, 9), (8, 9), (3, 0), (1, 1)] {
            let names: Vec<String> =
                (0..levels).map(|level| if level == 1 { long.to_owned() } else { format!("Level {level}") }).collect();
            let recalls: Vec<RecallShares> =
                (0..recalls).map(|place| RecallShares { months: 12 * place, shares: vec![share; levels] }).collect();
            let panel = |title: &str| Panel { title: title.to_owned(), recalls: recalls.clone() };
            check_texts(&criterion_level_chart(&CriterionLevelChart {
                name: "criterion",
                title: "Marginal staining by etch strategy",
                definition: "Of those due and scored.",
                levels: &names,
                panels: &[panel("Acceptable or better"), panel("Ideal")],
                footnote: "95 % intervals.",
            }));
        }
    }
}
