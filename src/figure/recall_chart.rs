//! Each recall: how many were due, seen, scored.
//!
//! Purpose: to see whether the results rest on those who came, or on nearly all.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, STANDINGS};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, WIDTH, Weight, heading_height, paragraph_height};
use crate::result::RecallReview;
use crate::wording::{count, known, percent, percent_interval};

/// What the chart needs.
pub struct RecallChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The recalls.
    pub recalls: &'a [RecallReview],
    /// What is shown.
    pub footnote: &'a str,
}

const LEFT: f64 = 120.0;
const RIGHT: f64 = WIDTH - 336.0;
const BAR: f64 = 36.0;

/// Draws the chart.
#[expect(clippy::cast_precision_loss, reason = "counts of restorations on a sheet of some hundred pixels")]
pub fn recall_chart(chart: &RecallChart<'_>) -> Drawing {
    let top = heading_height(chart.title, chart.footnote) + 4.0;
    let rows = f64::from(u16::try_from(chart.recalls.len()).unwrap_or(99)).max(1.0);
    let note = "Outline: due. Light: seen or reported within the window. Dark: scored. The share is seen of due, with Wilson's interval (every restoration counted as independent).";
    let bottom = top + rows * BAR;
    let sheet = Sheet::new(chart.name, chart.title, &describe(chart), bottom + 14.0 + paragraph_height(note) + MARGIN);
    sheet.heading(chart.footnote);
    let most = chart.recalls.iter().map(|recall| recall.due).max().unwrap_or(0).max(1) as f64;
    let x = |number: u64| LEFT + (RIGHT - LEFT) * number as f64 / most;
    if chart.recalls.iter().all(|recall| recall.due == 0) {
        sheet.text(
            "No recall has come due.",
            ((LEFT + RIGHT) / 2.0, top + BAR / 2.0),
            TEXT,
            Weight::Regular,
            Anchor::Middle,
            SOFT,
        );
    }
    for (number, recall) in (0_u32..).zip(chart.recalls) {
        let y = top + BAR * f64::from(number);
        let middle = y + BAR / 2.0;
        let when = if recall.months == 0 { "baseline".to_owned() } else { format!("{} months", recall.months) };
        sheet.text(&when, (LEFT - 10.0, middle), TEXT, Weight::Regular, Anchor::End, INK);
        if recall.due == 0 {
            sheet.text("none due yet", (LEFT + 6.0, middle), SMALL, Weight::Regular, Anchor::Start, SOFT);
            continue;
        }
        sheet.rectangle((LEFT, y + 6.0), (x(recall.due), y + BAR - 6.0), GRID, 0.5);
        sheet.rectangle((LEFT, y + 6.0), (x(recall.seen), y + BAR - 6.0), STANDINGS[1], 1.0);
        sheet.rectangle((LEFT, y + 13.0), (x(recall.scored), y + BAR - 13.0), INK, 1.0);
        sheet.outline((LEFT, y + 6.0), (x(recall.due), y + BAR - 6.0), INK, 1.2);
        let share =
            known(&recall.share_seen, |(share, interval)| format!("{} ({})", percent(*share), percent_interval(interval)));
        let text = format!("{} of {}: {share}", count(recall.seen), count(recall.due));
        sheet.text(&text, (RIGHT + 12.0, middle), TEXT, Weight::Regular, Anchor::Start, INK);
    }
    sheet.paragraph(note, bottom + 10.0);
    sheet.finish()
}

fn describe(chart: &RecallChart<'_>) -> String {
    let parts: Vec<String> = chart
        .recalls
        .iter()
        .map(|recall| {
            format!("{} months: {} due, {} seen, {} scored", recall.months, recall.due, recall.seen, recall.scored)
        })
        .collect();
    format!("Recalls. {}.", parts.join("; "))
}
