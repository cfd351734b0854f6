//! One criterion at each recall as stacked bars: ideal, acceptable, not acceptable, of those scored.
//!
//! Purpose: to see whether margins and colour hold. A panel for each level; the darkest, hatched part is what nobody wants.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, STANDINGS, WHITE, look};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::{fitted, text_width, wrapped_to};
use crate::quantity::Known;
use crate::record::Standing;
use crate::result::{CriterionReview, LevelShare};
use crate::wording::{count, known, percent, percent_interval, why_not_known};

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

const BAR: f64 = 27.0;
const LINE: f64 = 21.0;
/// Room at the right for the share that is not acceptable with its interval.
const SHARES: f64 = 216.0;
const NAMES: [&str; 3] = ["ideal", "acceptable", "not acceptable"];

/// A level's name and its bar at each recall; none where it has no scores to show.
struct Panel<'a> {
    name: Vec<String>,
    bars: Vec<(u16, Option<&'a CriterionReview>)>,
}

impl Panel<'_> {
    fn height(&self) -> f64 {
        LINE * many(self.name.len()) + BAR * many(self.bars.len()) + 14.0
    }
}

/// A panel for each level in the order in which they are met; the name only where there are several.
fn panels<'a>(entries: &[&'a CriterionReview], stage: &Stage) -> Vec<Panel<'a>> {
    let mut months: Vec<u16> = entries.iter().map(|entry| entry.months).collect();
    months.sort_unstable();
    months.dedup();
    let mut levels: Vec<(&str, &str)> = Vec::new();
    for entry in entries {
        if !levels.iter().any(|level| level.0 == entry.level) {
            levels.push((&entry.level, &entry.level_label));
        }
    }
    let named = levels.len() > 1;
    let panel = |(level, label): &(&str, &str)| Panel {
        name: if named { wrapped_to(label, stage.room(), TEXT, Weight::Bold, 2) } else { Vec::new() },
        bars: months
            .iter()
            .map(|&at| (at, entries.iter().find(|entry| entry.level == *level && entry.months == at).copied()))
            .collect(),
    };
    levels.iter().map(panel).collect()
}

fn when(months: u16) -> String {
    match months {
        0 => "baseline".to_owned(),
        1 => "1 month".to_owned(),
        months => format!("{months} months"),
    }
}

fn scored(entry: &CriterionReview) -> String {
    format!("n = {}", count(entry.scored))
}

/// Draws the chart on a page.
pub fn criterion_chart(chart: &CriterionChart<'_>) -> Drawing {
    criterion_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn criterion_chart_on(chart: &CriterionChart<'_>, stage: &Stage) -> Drawing {
    let panels = panels(chart.entries, stage);
    let widest = |texts: &mut dyn Iterator<Item = String>| {
        texts.map(|text| text_width(&text, SMALL, Weight::Regular)).fold(0.0, f64::max)
    };
    let whens = MARGIN + widest(&mut chart.entries.iter().map(|entry| when(entry.months)));
    let left = whens + 14.0 + widest(&mut chart.entries.iter().map(|entry| scored(entry))) + 10.0;
    let right = stage.width - if stage.narrow() { 168.0 } else { SHARES };
    let columns = Columns { whens, left, right, width: stage.width };
    let key = stage.heading_height(chart.title, "") + 2.0;
    let top = key + if stage.narrow() { 54.0 } else { 34.0 };
    let bottom = top + panels.iter().map(Panel::height).sum::<f64>().max(60.0);
    let height = bottom + 38.0 + stage.paragraph_height(chart.footnote) + MARGIN;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), height);
    sheet.heading("");
    legend(&sheet, key);
    if panels.is_empty() {
        let middle = (stage.width / 2.0, top + 30.0);
        sheet.text("Nothing was scored.", middle, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    } else {
        let said = NAMES[2];
        let y = if stage.narrow() { key + 34.0 } else { key + 9.0 };
        sheet.text(said, (right + 12.0, y), SMALL, Weight::Bold, Anchor::Start, STANDINGS[2]);
        scale(&sheet, left, right, bottom);
    }
    let mut y = top;
    for (place, panel) in panels.iter().enumerate() {
        for (line, name) in panel.name.iter().enumerate() {
            let middle = (MARGIN, y + LINE * (many(line) + 0.45));
            sheet.text(name, middle, TEXT, Weight::Bold, Anchor::Start, look(place).text);
        }
        let first = y + LINE * many(panel.name.len());
        for (number, (months, entry)) in panel.bars.iter().enumerate() {
            columns.bar(&sheet, *months, *entry, first + BAR * many(number));
        }
        y += panel.height();
    }
    sheet.paragraph(chart.footnote, bottom + 32.0);
    sheet.finish()
}

fn scale(sheet: &Sheet, left: f64, right: f64, bottom: f64) {
    let each = if right - left < 260.0 { 2 } else { 1 };
    for step in (0..=4_u8).step_by(each) {
        let x = left + (right - left) * f64::from(step) / 4.0;
        sheet.line(&[(x, bottom), (x, bottom + 5.0)], INK, 1.2, &[]);
        sheet.text(&format!("{} %", step * 25), (x, bottom + 16.0), SMALL, Weight::Regular, Anchor::Middle, INK);
    }
    sheet.line(&[(left, bottom), (right, bottom)], INK, 1.2, &[]);
}

fn legend(sheet: &Sheet, y: f64) {
    let mut x = MARGIN;
    for (place, name) in NAMES.iter().enumerate() {
        sheet.rectangle((x, y), (x + 26.0, y + 18.0), STANDINGS[place], 1.0);
        if place == 2 {
            hatch(sheet, x, x + 26.0, y, y + 18.0);
        }
        sheet.outline((x, y), (x + 26.0, y + 18.0), SOFT, 0.8);
        sheet.text(name, (x + 34.0, y + 9.0), TEXT, Weight::Regular, Anchor::Start, INK);
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

/// Where the right edges of "when" and of "n" lie; bars begin at `left`.
struct Columns {
    whens: f64,
    left: f64,
    right: f64,
    width: f64,
}

impl Columns {
    fn bar(&self, sheet: &Sheet, months: u16, entry: Option<&CriterionReview>, top: f64) {
        let (left, right, y0, y1) = (self.left, self.right, top + 3.0, top + BAR - 3.0);
        let middle = top + BAR / 2.0;
        sheet.text(&when(months), (self.whens, middle), SMALL, Weight::Regular, Anchor::End, INK);
        let Some(entry) = entry else {
            let said =
                fitted("nothing scored, or too few to show", self.width - MARGIN - left - 6.0, SMALL, Weight::Regular);
            sheet.text(&said, (left + 6.0, middle), SMALL, Weight::Regular, Anchor::Start, SOFT);
            return;
        };
        sheet.text(&scored(entry), (left - 10.0, middle), SMALL, Weight::Regular, Anchor::End, SOFT);
        sheet.open("scores", &format!("{}, {}", entry.level_label, when(months)));
        let mut x = left;
        for (place, standing) in [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable].into_iter().enumerate() {
            let Some(part) = entry.standings.iter().find(|share| share.standing == standing) else { continue };
            let share = match part.share {
                Known::Known(share) => share,
                Known::NotKnown(why) => {
                    if place == 0 {
                        let at = (left + 6.0, middle);
                        sheet.text(why_not_known(why), at, SMALL, Weight::Regular, Anchor::Start, SOFT);
                    }
                    continue;
                }
            };
            let end = (x + (right - left) * share.value()).min(right);
            if end <= x {
                continue;
            }
            sheet.rectangle((x, y0), (end, y1), STANDINGS[place], 1.0);
            let text = format!("{:.0} %", share.value() * 100.0);
            if place == 2 {
                hatch(sheet, x, end, y0, y1);
            } else if text_width(&text, SMALL, Weight::Regular) + 10.0 < end - x {
                let at = (f64::midpoint(x, end), middle);
                sheet.text(&text, at, SMALL, Weight::Regular, Anchor::Middle, INK);
            }
            x = end;
        }
        sheet.outline((left, y0), (right, y1), if x > left { SOFT } else { GRID }, 0.8);
        sheet.close();
        if let Some(part) = bad(entry) {
            let limits = part.interval.known().map(|limits| format!(" ({})", percent_interval(limits))).unwrap_or_default();
            let text = format!("{}{limits}", known(&part.share, |share| percent(*share)));
            let text = fitted(&text, self.width - MARGIN - right - 12.0, SMALL, Weight::Regular);
            sheet.text(&text, (right + 12.0, middle), SMALL, Weight::Regular, Anchor::Start, STANDINGS[2]);
        }
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
                "{}, {}: {} not acceptable of {}",
                entry.level_label,
                when(entry.months),
                known(&part.share, |share| percent(*share)),
                entry.scored
            ))
        })
        .collect();
    format!("{}. Shares of scores at each recall. {}.", chart.title, parts.join("; "))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{LONG, check_texts, criterion, scores};

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let levels: Vec<String> = (0..8).map(|place| format!("{LONG}, variant {place}")).collect();
        let eight = scores(&levels.iter().map(String::as_str).collect::<Vec<_>>(), 1);
        for (name, entries) in [
            ("none", Vec::new()),
            ("one", scores(&["All"], 3)),
            ("huge", scores(&["All", LONG], 1_000_000)),
            ("eight", eight),
        ] {
            check_texts(&criterion(name, &entries));
        }
    }

    #[test]
    fn a_recall_that_one_level_lacks_is_said_and_not_left_out() {
        let svg = criterion("two", &scores(&["One", "Other"], 3)).svg;
        assert_eq!(svg.matches(">36 months<").count(), 2);
        assert_eq!(svg.matches(">nothing scored, or too few to show<").count(), 1);
    }

    #[test]
    fn bars_end_where_the_frame_ends() {
        let svg = criterion("one", &scores(&["All"], 3)).svg;
        let ends = svg.lines().filter(|line| line.starts_with("<rect")).filter_map(|line| {
            let number = |name: &str| line.split(&format!(" {name}=\"")).nth(1)?.split('"').next()?.parse::<f64>().ok();
            Some(number("x")? + number("width")?)
        });
        assert!(ends.filter(|end| *end < 960.0).all(|end| end <= 960.0 - super::SHARES + 0.05));
    }
}
