//! One criterion at each recall by level: the share that is acceptable or better, and below it the share that is ideal, with intervals.
//!
//! Purpose: to see whether margins and colour hold better with one level than with another. Intervals stand beside each other, not on
//! each other; what cannot be told apart by eye is not told apart by the test printed below.

use super::Drawing;
use super::criterion_level_panel::{Frame, draw, said, sample, scored};
use super::palette::{INK, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, Weight, many};
use super::stage::Stage;
use super::text_width::wrapped_to;
use crate::wording::counted;

/// A level's share at a recall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShareAt {
    /// The share.
    pub share: f64,
    /// Its limits, if it has any.
    pub limits: Option<(f64, f64)>,
    /// How many were scored.
    pub scored: u64,
}

/// A recall.
#[derive(Clone, Debug, PartialEq)]
pub struct SharesAt {
    /// The recall, in months.
    pub months: u16,
    /// The share of each level; none where too few were scored to show.
    pub shares: Vec<Option<ShareAt>>,
    /// Whether the levels are alike, as printed below the axis.
    pub test: String,
}

/// One standing: a plot of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct StandingPanel {
    /// What the share is of: `Ideal`.
    pub title: String,
    /// The recalls, in order.
    pub recalls: Vec<SharesAt>,
}

/// What the chart needs.
pub struct CriterionLevelChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// Who is in it, printed below the title.
    pub definition: &'a str,
    /// What the levels are called.
    pub levels: &'a [&'a str],
    /// The plots, one below the other.
    pub panels: &'a [StandingPanel],
    /// What the row of tests is called.
    pub test: &'a str,
    /// How intervals and tests were made.
    pub footnote: &'a str,
}

/// Most levels drawn.
const MOST: usize = 8;
/// Height of a row of words, and the air below those of a level.
const ROW: f64 = 19.0;
const AIR: f64 = 6.0;

/// Draws the chart on a page.
pub fn criterion_level_chart(chart: &CriterionLevelChart<'_>) -> Drawing {
    criterion_level_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn criterion_level_chart_on(chart: &CriterionLevelChart<'_>, stage: &Stage) -> Drawing {
    let levels = &chart.levels[..chart.levels.len().min(MOST)];
    let counts = Counts::new(levels, stage);
    let note = if chart.levels.len() > levels.len() {
        let more = u64::try_from(chart.levels.len() - levels.len()).unwrap_or(u64::MAX);
        format!("{} Not drawn: {}.", chart.footnote, counted(more, "more level", "more levels"))
    } else {
        chart.footnote.to_owned()
    };
    let top = stage.heading_height(chart.title, chart.definition) + if stage.terse { 0.0 } else { 4.0 };
    let after = counts.height() + stage.paragraph_height(&note) + MARGIN + if stage.terse { 2.0 } else { 14.0 };
    let frame = Frame::new(chart, levels, stage, top + after);
    let bottom = top + many(chart.panels.len()) * frame.height();
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, levels), bottom + after);
    sheet.heading(chart.definition);
    for (place, panel) in chart.panels.iter().enumerate() {
        draw(&sheet, &frame, chart, panel, levels, top + many(place) * frame.height());
    }
    counts.draw(&sheet, &frame, chart, bottom + 4.0);
    sheet.paragraph(&note, bottom + after - MARGIN - stage.paragraph_height(&note));
    sheet.finish()
}

/// How many were scored, a row for each level; its name above the row, or where names stand above the plots only the sample of its
/// line. Said aloud, it is left out.
struct Counts {
    names: Vec<Vec<String>>,
    narrow: bool,
    terse: bool,
}

impl Counts {
    fn new(levels: &[&str], stage: &Stage) -> Self {
        let names = levels.iter().map(|level| wrapped_to(level, stage.room() - 42.0, SMALL, Weight::Bold, 2)).collect();
        Self { names, narrow: stage.narrow(), terse: stage.terse }
    }

    fn height(&self) -> f64 {
        match (self.terse, self.narrow) {
            (true, _) => 0.0,
            (false, true) => ROW * many(self.names.len() + 1),
            (false, false) => self.names.iter().map(|name| ROW * many(name.len() + 1) + AIR).sum(),
        }
    }

    fn draw(&self, sheet: &Sheet, frame: &Frame, chart: &CriterionLevelChart<'_>, top: f64) {
        if self.terse {
            return;
        }
        let row = |level: usize, y: f64| {
            let recalls = chart.panels.first().map_or(&[][..], |panel| panel.recalls.as_slice());
            for (recall, at) in recalls.iter().enumerate().filter(|(recall, _)| frame.is_marked(*recall)) {
                let text = scored(at.shares.get(level).copied().flatten());
                sheet.text(&text, (frame.middle(recall), y), SMALL, Weight::Regular, Anchor::Middle, INK);
            }
        };
        let mut y = top + ROW / 2.0;
        if self.narrow {
            sheet.text("scored", (MARGIN, y), SMALL, Weight::Regular, Anchor::Start, INK);
            for level in 0..self.names.len() {
                y += ROW;
                sample(sheet, level, y);
                row(level, y);
            }
            return;
        }
        for (level, name) in self.names.iter().enumerate() {
            sample(sheet, level, y);
            for (line, text) in name.iter().enumerate() {
                let at = (MARGIN + 42.0, y + many(line) * ROW);
                sheet.text(text, at, SMALL, Weight::Bold, Anchor::Start, look(level).text);
            }
            y += many(name.len()) * ROW;
            sheet.text("scored", (MARGIN, y), SMALL, Weight::Regular, Anchor::Start, INK);
            row(level, y);
            y += ROW + AIR;
        }
    }
}

fn describe(chart: &CriterionLevelChart<'_>, levels: &[&str]) -> String {
    let panels: Vec<String> = chart
        .panels
        .iter()
        .map(|panel| {
            let of_levels: Vec<String> =
                levels.iter().enumerate().map(|(level, label)| format!("{label}: {}", said(panel, level))).collect();
            format!("{}: {}", panel.title, of_levels.join("; "))
        })
        .collect();
    format!("{} {}.", chart.definition, panels.join(". "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{LONG, check_texts, standing_panel as panel};
    use super::*;

    fn drawn(levels: &[&str], panels: &[StandingPanel]) -> Drawing {
        criterion_level_chart(&CriterionLevelChart {
            name: "criterion",
            title: "Marginal staining by etch strategy",
            definition: "Of those due and scored.",
            levels,
            panels,
            test: "p, corrected",
            footnote: "95 % intervals.",
        })
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let names: Vec<String> = (0..11).map(|place| format!("{LONG}, variant {place}")).collect();
        for levels in [0, 1, 2, 4, 8, 11] {
            let names: Vec<&str> = names.iter().take(levels).map(String::as_str).collect();
            for recalls in [0, 1, 3, 9, 30] {
                for lowest in [0.05, 0.5, 0.97] {
                    check_texts(&drawn(
                        &names,
                        &[panel("Ideal", levels, recalls, lowest), panel("Acceptable or better", levels, recalls, 0.99)],
                    ));
                }
            }
        }
    }

    #[test]
    fn an_axis_that_does_not_start_at_nought_says_so() {
        let high = drawn(&["One", "Other"], &[panel("Ideal", 2, 4, 0.9)]).svg;
        assert!(high.contains(">axis starts at 80 %<"), "{high}");
        assert!(!drawn(&["One", "Other"], &[panel("Ideal", 2, 4, 0.02)]).svg.contains("axis starts"));
    }

    #[test]
    fn what_is_hidden_is_called_few_and_has_no_point() {
        let svg = drawn(&["One", "Other"], &[panel("Ideal", 2, 3, 0.9)]).svg;
        assert_eq!(svg.matches(">few<").count(), 1);
        assert!(
            svg.contains("Other: 0 months 99.9 %")
                && !svg
                    .contains("Other: 0 months 99.9 % (94.9 % to 100.0 %), 12 months 96.6 % (91.6 % to 99.6 %), 24 months")
        );
        let none = drawn(&["One"], &[panel("Ideal", 1, 0, 0.9)]).svg;
        assert!(none.contains(">Too few were scored to show.<"));
    }

    #[test]
    fn levels_that_are_not_drawn_are_counted() {
        let names = ["a"; 10];
        assert!(drawn(&names, &[panel("Ideal", 10, 3, 0.9)]).svg.contains("Not drawn: 2 more levels."));
    }
}
