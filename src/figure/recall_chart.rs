//! Each recall: how many were due, seen, scored.
//!
//! Purpose: to see whether the results rest on those who came, or on nearly all.

use super::Drawing;
use super::palette::{GRID, INK, Paper, SOFT, STANDINGS};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::text_width;
use crate::quantity::Known;
use crate::result::RecallReview;
use crate::wording::{count, percent, percent_interval, why_not_known};

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

const LEFT: f64 = 128.0;
const BAR: f64 = 46.0;
const NOTE: &str = "Outline: due. Light: seen or reported within the window. Dark: scored. The share is seen of due, with Wilson's \
    interval (every restoration counted as independent).";

/// The same where light is dark.
const NOTE_ON_DARK: &str = "Outline: due. Wide bar: seen or reported within the window. Narrow bar: scored. The share is seen of due, \
    with Wilson's interval (every restoration counted as independent).";

/// The counts, and below them the share, in words.
fn words(recall: &RecallReview) -> [String; 2] {
    let counts = format!("{} due, {} seen, {} scored", count(recall.due), count(recall.seen), count(recall.scored));
    let share = match &recall.share_seen {
        Known::Known((share, limits)) => format!("{} seen ({})", percent(*share), percent_interval(limits)),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    };
    [counts, share]
}

/// Draws the chart on a page.
pub fn recall_chart(chart: &RecallChart<'_>) -> Drawing {
    recall_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
#[expect(clippy::cast_precision_loss, reason = "counts of restorations on a sheet of some hundred pixels")]
pub fn recall_chart_on(chart: &RecallChart<'_>, stage: &Stage) -> Drawing {
    let top = stage.heading_height(chart.title, chart.footnote) + 4.0;
    let narrow = stage.narrow();
    let (row, note) = (if narrow { BAR + 42.0 } else { BAR }, if stage.paper == Paper::Dark { NOTE_ON_DARK } else { NOTE });
    let bottom = top + row * many(chart.recalls.len().max(1));
    let height = bottom + 14.0 + stage.paragraph_height(note) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), height);
    sheet.heading(chart.footnote);
    let most = chart.recalls.iter().map(|recall| recall.due).max().unwrap_or(0);
    let widest = chart.recalls.iter().filter(|recall| recall.due > 0).flat_map(|recall| {
        let [counts, share] = words(recall);
        [text_width(&counts, SMALL, Weight::Regular), text_width(&share, TEXT, Weight::Bold)]
    });
    let widest = widest.fold(200.0, f64::max);
    let right = if narrow { stage.width - MARGIN } else { stage.width - MARGIN - widest.min(480.0) - 14.0 };
    let x = |number: u64| LEFT + (right - LEFT) * (number as f64 / most.max(1) as f64).min(1.0);
    if most == 0 {
        let said = "No recall has come due.";
        let middle = (stage.width / 2.0, top + BAR / 2.0);
        sheet.text(said, middle, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    for (number, recall) in chart.recalls.iter().enumerate().filter(|_| most > 0) {
        let y = top + row * many(number);
        let middle = y + BAR / 2.0;
        sheet.text(&when(recall.months), (LEFT - 12.0, middle), TEXT, Weight::Regular, Anchor::End, INK);
        if recall.due == 0 {
            sheet.text("none due yet", (LEFT + 6.0, middle), SMALL, Weight::Regular, Anchor::Start, SOFT);
            continue;
        }
        let [counts, share] = words(recall);
        sheet.open("recall", &format!("{}: {counts}", when(recall.months)));
        sheet.rectangle((LEFT, y + 9.0), (x(recall.due), y + BAR - 9.0), GRID, 0.35);
        sheet.rectangle((LEFT, y + 9.0), (x(recall.seen), y + BAR - 9.0), STANDINGS[1], 1.0);
        sheet.rectangle((LEFT, middle - 5.0), (x(recall.scored), middle + 5.0), INK, 1.0);
        sheet.outline((LEFT, y + 9.0), (x(recall.due), y + BAR - 9.0), INK, 1.2);
        sheet.close();
        let words = if narrow {
            (LEFT.min(stage.width - MARGIN - widest).max(MARGIN), middle + 32.0)
        } else {
            (right + 14.0, middle)
        };
        sheet.text(&share, (words.0, words.1 - 9.0), TEXT, Weight::Bold, Anchor::Start, INK);
        sheet.text(&counts, (words.0, words.1 + 10.0), SMALL, Weight::Regular, Anchor::Start, SOFT);
    }
    sheet.paragraph(note, bottom + 10.0);
    sheet.finish()
}

fn when(months: u16) -> String {
    match months {
        0 => "baseline".to_owned(),
        1 => "1 month".to_owned(),
        months => format!("{months} months"),
    }
}

fn describe(chart: &RecallChart<'_>) -> String {
    let parts: Vec<String> =
        chart.recalls.iter().map(|recall| format!("{}: {}", when(recall.months), words(recall)[0])).collect();
    let parts = if parts.is_empty() { "No recall has come due".to_owned() } else { parts.join("; ") };
    format!("Recalls. {parts}.")
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{check_texts, recall, recalls};

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        for due in [0, 1, 3, 1240, 12_345_678] {
            check_texts(&recall("x", &recalls(due)));
        }
        check_texts(&recall("x", &[]));
    }

    #[test]
    fn recalls_that_nobody_has_reached_say_so() {
        let svg = recall("x", &recalls(1240)).svg;
        assert_eq!(svg.matches(">none due yet<").count(), 1);
        assert!(recall("x", &recalls(0)).svg.contains(">No recall has come due.<"));
    }
}
