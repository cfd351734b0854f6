//! One criterion at each recall as stacked bars: ideal, acceptable, not acceptable, of those scored.
//!
//! Purpose: to see whether margins and colour hold. A panel for each level; the darkest, hatched part is what nobody wants.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, STANDINGS, WHITE, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, WIDTH, Weight, heading_height, paragraph_height};
use super::text_width::{text_width, wrapped};
use crate::quantity::Known;
use crate::record::Standing;
use crate::result::{CriterionReview, LevelShare};
use crate::wording::{count, known, percent, percent_interval};

/// What the chart needs.
pub struct CriterionChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// Shares pooled over schemes, by level and recall.
    pub entries: &'a [&'a CriterionReview],
    /// What is shown.
    pub footnote: &'a str,
}

const LEFT: f64 = 196.0;
const RIGHT: f64 = WIDTH - 216.0;
const BAR: f64 = 27.0;
const HEAD: f64 = 30.0;

/// Draws the chart.
pub fn criterion_chart(chart: &CriterionChart<'_>) -> Drawing {
    let mut levels: Vec<(&str, &str)> = Vec::new();
    for entry in chart.entries {
        if !levels.iter().any(|level| level.0 == entry.level) {
            levels.push((&entry.level, &entry.level_label));
        }
    }
    let of_level = |level: &str| chart.entries.iter().filter(|entry| entry.level == level).copied().collect::<Vec<_>>();
    let key = heading_height(chart.title, "") + 8.0;
    let top = key + 30.0;
    let rows = |level: &str| f64::from(u16::try_from(of_level(level).len()).unwrap_or(99));
    let bottom = top + levels.iter().map(|level| HEAD + BAR * rows(level.0) + 10.0).sum::<f64>().max(60.0);
    let sheet =
        Sheet::new(chart.name, chart.title, &describe(chart), bottom + 44.0 + paragraph_height(chart.footnote) + MARGIN);
    sheet.heading("");
    legend(&sheet, key);
    if levels.is_empty() {
        sheet.text("Nothing was scored.", ((LEFT + RIGHT) / 2.0, top + 30.0), TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    let mut y = top;
    for (place, (level, label)) in levels.iter().enumerate() {
        if levels.len() > 1 {
            let name = wrapped(label, WIDTH - 2.0 * MARGIN, TEXT, Weight::Bold).into_iter().next().unwrap_or_default();
            sheet.text(&name, (MARGIN, y + HEAD / 2.0), TEXT, Weight::Bold, Anchor::Start, look(place).colour);
        }
        y += HEAD;
        for entry in of_level(level) {
            bar(&sheet, entry, y);
            y += BAR;
        }
        y += 10.0;
    }
    for step in 0..=4 {
        let x = LEFT + (RIGHT - LEFT) * f64::from(step) / 4.0;
        sheet.line(&[(x, bottom), (x, bottom + 5.0)], INK, 1.2, &[]);
        sheet.text(&format!("{} %", step * 25), (x, bottom + 16.0), SMALL, Weight::Regular, Anchor::Middle, INK);
    }
    sheet.line(&[(LEFT, bottom), (RIGHT, bottom)], INK, 1.2, &[]);
    sheet.paragraph(chart.footnote, bottom + 36.0);
    sheet.finish()
}

const NAMES: [&str; 3] = ["ideal", "acceptable", "not acceptable"];

fn legend(sheet: &Sheet, y: f64) {
    let mut x = LEFT;
    for (place, name) in NAMES.iter().enumerate() {
        sheet.rectangle((x, y), (x + 26.0, y + 16.0), STANDINGS[place], 1.0);
        if place == 2 {
            hatch(sheet, x, x + 26.0, y, y + 16.0);
        }
        sheet.outline((x, y), (x + 26.0, y + 16.0), SOFT, 0.8);
        sheet.text(name, (x + 34.0, y + 8.0), TEXT, Weight::Regular, Anchor::Start, INK);
        x += 34.0 + text_width(name, TEXT, Weight::Regular) + 30.0;
    }
}

/// White slanting lines, so that the part is told by more than its colour.
fn hatch(sheet: &Sheet, left: f64, right: f64, top: f64, bottom: f64) {
    let mut x = left - (bottom - top) + 6.0;
    while x < right {
        let from = x.max(left);
        let to = (x + (bottom - top)).min(right);
        if to > from {
            sheet.line(&[(from, bottom - (from - x)), (to, bottom - (to - x))], WHITE, 1.0, &[]);
        }
        x += 6.0;
    }
}

fn bar(sheet: &Sheet, entry: &CriterionReview, top: f64) {
    let (y0, y1) = (top + 3.0, top + BAR - 3.0);
    let middle = top + BAR / 2.0;
    let when = if entry.months == 0 { "baseline".to_owned() } else { format!("{} months", entry.months) };
    sheet.text(&when, (LEFT - 86.0, middle), SMALL, Weight::Regular, Anchor::End, INK);
    sheet.text(&format!("n = {}", count(entry.scored)), (LEFT - 10.0, middle), SMALL, Weight::Regular, Anchor::End, SOFT);
    sheet.rectangle((LEFT, y0), (RIGHT, y1), GRID, 0.4);
    let mut x = LEFT;
    for (place, standing) in [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable].into_iter().enumerate() {
        let Some(part) = entry.standings.iter().find(|share| share.standing == standing) else { continue };
        let Known::Known(share) = part.share else { continue };
        let width = (RIGHT - LEFT) * share.value();
        if width <= 0.0 {
            continue;
        }
        sheet.rectangle((x, y0), (x + width, y1), STANDINGS[place], 1.0);
        let text = format!("{:.0} %", share.value() * 100.0);
        if place == 2 {
            hatch(sheet, x, x + width, y0, y1);
        } else if text_width(&text, SMALL, Weight::Regular) + 10.0 < width {
            sheet.text(&text, (x + width / 2.0, middle), SMALL, Weight::Regular, Anchor::Middle, INK);
        }
        x += width;
    }
    if let Some(part) = bad(entry) {
        let text = format!("{} ({})", known(&part.share, |share| percent(*share)), known(&part.interval, percent_interval));
        sheet.text(&text, (RIGHT + 12.0, middle), SMALL, Weight::Regular, Anchor::Start, STANDINGS[2]);
    }
}

fn bad(entry: &CriterionReview) -> Option<&LevelShare> {
    entry.standings.iter().find(|share| share.standing == Standing::Unacceptable)
}

fn describe(chart: &CriterionChart<'_>) -> String {
    let parts: Vec<String> = chart
        .entries
        .iter()
        .filter_map(|entry| {
            let part = bad(entry)?;
            Some(format!(
                "{} at {} months: {} not acceptable of {}",
                entry.level_label,
                entry.months,
                known(&part.share, |share| percent(*share)),
                entry.scored
            ))
        })
        .collect();
    format!("{}. Shares of scores at each recall. {}.", chart.title, parts.join("; "))
}
