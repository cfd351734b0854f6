//! Failures over calendar time: observed less expected ones, and below it the watched sum with its limit and signals.
//!
//! Purpose: to see when more failures came than expected, and whether so many more that chance hardly explains it. The upper line
//! rises where more fail than expected and falls where fewer do; the lower sum signals beyond its limit. A signal is a filled mark
//! with its day, and says neither when the change came nor why.

use super::Drawing;
use super::palette::{GRID, INK, SOFT, STANDINGS, WHITE, look};
use super::plane::{Plane, every, number, round_step};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight};
use super::stage::Stage;
use super::text_width::{fitted, text_width};
use crate::quantity::Day;
use crate::wording::{count, counted};

/// The state at the end of a day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CusumMark {
    /// The day.
    pub day: Day,
    /// Failures so far.
    pub observed: u64,
    /// Failures expected so far.
    pub expected: f64,
    /// The watched sum; where it signalled, the highest it was that day.
    pub sum: f64,
    /// Whether it got beyond the limit on that day.
    pub signal: bool,
}

/// What the chart needs.
pub struct CusumChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What is watched and against what, printed below the title.
    pub definition: &'a str,
    /// What the watched sum looks for: `Sum that looks for twice the failures`.
    pub sum_title: &'a str,
    /// Days with failures or signals, and the first and last day, in order.
    pub marks: &'a [CusumMark],
    /// The limit; none if the path alone was asked.
    pub limit: Option<f64>,
    /// How much the sum falls for each failure expected (rises, if below 0): the ratio that is looked for, less 1.
    pub fall: f64,
    /// Whether the sum starts again at 0 after a signal.
    pub starts_again: bool,
    /// How the limit was set.
    pub footnote: &'a str,
}

const PLOT: f64 = 380.0;
const LEAST_PLOT: f64 = 190.0;
/// Between the panels, with the title of the lower one.
const GAP: f64 = 44.0;
const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

fn at(day: Day) -> f64 {
    f64::from(day.since_epoch())
}

/// `14 Mar 2024`.
fn day_text(day: Day) -> String {
    let month = usize::try_from(day.month()).ok().and_then(|month| MONTHS.get(month.wrapping_sub(1)));
    format!("{} {} {}", day.day_of_month(), month.copied().unwrap_or_default(), day.year())
}

#[expect(clippy::cast_precision_loss, reason = "failures of a practice")]
fn excess(mark: &CusumMark) -> f64 {
    mark.observed as f64 - mark.expected
}

/// Observed less expected: along with what is expected, and up at each failure.
#[expect(clippy::cast_precision_loss, reason = "failures of a practice")]
fn excess_path(marks: &[CusumMark]) -> Vec<(f64, f64)> {
    let (mut path, mut observed) = (Vec::new(), 0);
    for mark in marks {
        path.push((at(mark.day), observed as f64 - mark.expected));
        path.push((at(mark.day), excess(mark)));
        observed = mark.observed;
    }
    path
}

/// The watched sum: along with what is expected, never below 0, and by a jump at each failure.
fn sum_path(chart: &CusumChart<'_>) -> Vec<(f64, f64)> {
    let mut path: Vec<(f64, f64)> = Vec::new();
    let (mut sum, mut expected, mut since) = (0.0_f64, 0.0_f64, None);
    for mark in chart.marks {
        let moved = sum - chart.fall * (mark.expected - expected);
        if let (true, Some(since)) = (moved < 0.0 && sum > 0.0, since) {
            path.push((since + (at(mark.day) - since) * sum / (sum - moved), 0.0));
        }
        path.push((at(mark.day), moved.max(0.0)));
        path.push((at(mark.day), mark.sum));
        sum = mark.sum;
        if mark.signal && chart.starts_again {
            sum = 0.0;
            path.push((at(mark.day), 0.0));
        }
        (expected, since) = (mark.expected, Some(at(mark.day)));
    }
    path
}

/// Days to be marked: the first of years, or where there are few, of every third month.
fn calendar(first: Day, last: Day) -> Vec<(Day, String)> {
    let months: &[u32] = if (last - first).count() > 800 { &[1] } else { &[1, 4, 7, 10] };
    let mut marks = Vec::new();
    for year in first.year()..=last.year() {
        for &month in months {
            let day = Day::from_calendar(year, month, 1).filter(|day| (first..=last).contains(day));
            if let Some(day) = day {
                let text = if months.len() == 1 { year.to_string() } else { day_text(day)[2..].to_owned() };
                marks.push((day, text));
            }
        }
    }
    if marks.is_empty() { vec![(first, day_text(first))] } else { marks }
}

/// Draws the chart on a page.
pub fn cusum_chart(chart: &CusumChart<'_>) -> Drawing {
    cusum_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn cusum_chart_on(chart: &CusumChart<'_>, stage: &Stage) -> Drawing {
    let definition = stage.first_sentence(chart.definition);
    let note = note(chart);
    let top = stage.heading_height(chart.title, definition) + 34.0;
    let below = 40.0 + stage.paragraph_height(&note) + MARGIN;
    let plot = stage.plot(PLOT, LEAST_PLOT, top + GAP + below);
    let (above, sums) = (excess_path(chart.marks), sum_path(chart));
    let reach = |path: &[(f64, f64)]| {
        let (low, high) = path.iter().fold((0.0_f64, 0.0_f64), |(low, high), point| (low.min(point.1), high.max(point.1)));
        (low * 1.05, high * 1.05)
    };
    let (low, high) = reach(&above);
    let excess = (low.min(-0.5), high.max(0.5));
    let highest = reach(&sums).1.max(chart.limit.unwrap_or(0.0) * 1.3).max(0.5);
    let (first, last) = match chart.marks {
        [] => (Day::from_epoch(0), Day::from_epoch(1)),
        [first, ..] => (first.day, chart.marks.last().map_or(first.day, |last| last.day)),
    };
    let bounds = (at(first), at(last).max(at(first) + 1.0));
    let beside = chart.limit.filter(|_| !stage.narrow()).map(|limit| text_width(&limit_text(limit), SMALL, Weight::Bold));
    let (left, right) = (MARGIN + 54.0, stage.width - MARGIN - beside.map_or(14.0, |wide| wide + 12.0));
    let upper = Plane { left, right, top, bottom: top + plot * 0.5, across: bounds, up: excess };
    let lower_top = upper.bottom + GAP;
    let lower = Plane { left, right, top: lower_top, bottom: lower_top + plot * 0.5, across: bounds, up: (0.0, highest) };
    let content = lower.bottom + below;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), content);
    sheet.heading(definition);
    let most = if plot < 260.0 { 3.0 } else { 5.0 };
    for (plane, title, reach) in
        [(&upper, "Failures, observed less expected", excess.1 - excess.0), (&lower, chart.sum_title, highest)]
    {
        let step = round_step(reach, most);
        plane.grid(&sheet, step, |value| number(value, step));
        sheet.line(&[(left, plane.top), (left, plane.bottom)], INK, 1.4, &[]);
        let title = fitted(title, stage.room(), TEXT, Weight::Bold);
        sheet.text(&title, (MARGIN, plane.top - 20.0), TEXT, Weight::Bold, Anchor::Start, INK);
    }
    sheet.line(&[(left, upper.y(0.0)), (right, upper.y(0.0))], INK, 1.4, &[]);
    sheet.line(&[(left, lower.bottom), (right, lower.bottom)], INK, 1.4, &[]);
    if chart.marks.is_empty() {
        let at = (upper.middle(), upper.y(0.0) - 14.0);
        sheet.text("Nothing to watch yet.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
        sheet.paragraph(&note, lower.bottom + 40.0);
        return sheet.finish();
    }
    let days = calendar(first, last);
    let widths: Vec<f64> = days.iter().map(|day| text_width(&day.1, TEXT, Weight::Regular)).collect();
    let places: Vec<f64> = days.iter().map(|day| lower.x(at(day.0))).collect();
    for place in every(&places, &widths) {
        let half = widths[place] / 2.0;
        let (x, middle) = (places[place], places[place].clamp(MARGIN + half, stage.width - MARGIN - half));
        sheet.line(&[(x, upper.top), (x, upper.bottom)], GRID, 1.0, &[]);
        sheet.line(&[(x, lower.top), (x, lower.bottom)], GRID, 1.0, &[]);
        sheet.line(&[(x, lower.bottom), (x, lower.bottom + 7.0)], INK, 1.6, &[]);
        sheet.text(&days[place].1, (middle, lower.bottom + 18.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    }
    let drawn = |plane: &Plane, path: &[(f64, f64)]| -> Vec<(f64, f64)> {
        path.iter().map(|point| (plane.x(point.0), plane.y(point.1))).collect()
    };
    sheet.open("excess", "Observed less expected");
    sheet.line(&drawn(&upper, &above), look(0).colour, 2.4, &[]);
    sheet.close();
    sheet.open("sum", chart.sum_title);
    sheet.line(&drawn(&lower, &sums), look(0).colour, 2.4, &[]);
    sheet.close();
    limit(&sheet, chart, &lower, stage);
    signals(&sheet, chart, (&upper, &lower));
    sheet.paragraph(&note, lower.bottom + 40.0);
    sheet.finish()
}

fn limit_text(limit: f64) -> String {
    if limit < 100.0 { format!("limit {limit:.1}") } else { format!("limit {limit:.0}") }
}

/// The limit, named at its right end, or on a narrow stage on the line.
fn limit(sheet: &Sheet, chart: &CusumChart<'_>, plane: &Plane, stage: &Stage) {
    let Some(limit) = chart.limit else { return };
    let y = plane.y(limit);
    sheet.line(&[(plane.left, y), (plane.right, y)], look(1).colour, 2.0, &[8, 5]);
    let text = limit_text(limit);
    if stage.narrow() {
        let from = plane.left + 8.0;
        let wide = text_width(&text, SMALL, Weight::Bold);
        sheet.rectangle((from - 3.0, y - 8.0), (from + wide + 3.0, y + 8.0), WHITE, 1.0);
        sheet.text(&text, (from, y), SMALL, Weight::Bold, Anchor::Start, look(1).text);
    } else {
        sheet.text(&text, (plane.right + 8.0, y), SMALL, Weight::Bold, Anchor::Start, look(1).text);
    }
}

/// A filled mark in both panels at each signal, and its day where there is room.
fn signals(sheet: &Sheet, chart: &CusumChart<'_>, (upper, lower): (&Plane, &Plane)) {
    let signals: Vec<&CusumMark> = chart.marks.iter().filter(|mark| mark.signal).collect();
    for mark in &signals {
        sheet.open("signal", &format!("Signal on {}", day_text(mark.day)));
        for (plane, value) in [(upper, excess(mark)), (lower, mark.sum)] {
            let (x, y) = (plane.x(at(mark.day)), plane.y(value));
            let corners = [(x, y - 7.0), (x + 7.0, y), (x, y + 7.0), (x - 7.0, y)];
            sheet.area(&corners, STANDINGS[2], 1.0);
        }
        sheet.close();
    }
    // Days stand on one line below the upper edge of the upper panel, those that fit, the first among them.
    let y = upper.top + 1.0;
    let mut free = upper.left + 4.0;
    for mark in &signals {
        let text = day_text(mark.day);
        let wide = text_width(&text, SMALL, Weight::Bold);
        let x = upper.x(at(mark.day));
        // Where the mark itself is up there, the day stands to its left.
        let beside = (upper.y(excess(mark)) - y).abs() < 16.0;
        let wanted = if beside { x - wide - 14.0 } else { (x - wide / 2.0).min(upper.right - wide) };
        let from = wanted.max(upper.left + 4.0);
        if from >= free {
            if !beside {
                sheet.line(&[(x, y + 9.0), (x, upper.y(excess(mark)) - 7.0)], SOFT, 1.0, &[1, 3]);
            }
            sheet.rectangle((from - 3.0, y - 8.0), (from + wide + 3.0, y + 8.0), WHITE, 1.0);
            sheet.text(&text, (from, y), SMALL, Weight::Bold, Anchor::Start, STANDINGS[2]);
            free = from + wide + 12.0;
        }
    }
}

fn note(chart: &CusumChart<'_>) -> String {
    let signals = chart.marks.iter().filter(|mark| mark.signal).count();
    let totals = chart.marks.last().map_or_else(String::new, |last| {
        format!("{} observed, {:.1} expected. ", counted(last.observed, "failure", "failures"), last.expected)
    });
    let said = match (signals, chart.limit) {
        (0, None) => String::new(),
        (0, Some(_)) => "No signal so far, which is no proof that all is well. ".to_owned(),
        (number, _) => {
            let number = counted(u64::try_from(number).unwrap_or(u64::MAX), "signal", "signals");
            let again = if chart.starts_again { "; after each the sum starts again" } else { "" };
            format!("{number} (filled){again}. ")
        }
    };
    format!("{totals}{said}{}", chart.footnote)
}

fn describe(chart: &CusumChart<'_>) -> String {
    let Some(last) = chart.marks.last() else { return format!("Nothing to watch yet. {}", chart.definition) };
    let signals: Vec<String> = chart.marks.iter().filter(|mark| mark.signal).map(|mark| day_text(mark.day)).collect();
    let signals = if signals.is_empty() { "none".to_owned() } else { signals.join("; ") };
    format!(
        "Failures over calendar time: {} observed, {:.1} expected by {}. Signals: {signals}. {}",
        count(last.observed),
        last.expected,
        day_text(last.day),
        chart.definition
    )
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::LONG;
    use super::*;

    /// A failure every `apart` days, more than expected.
    fn marks(many: i32, apart: i32, limit: f64) -> Vec<CusumMark> {
        let (mut sum, mut marks) = (0.0_f64, Vec::new());
        for number in 0..many {
            sum = (sum - 0.5).max(0.0) + std::f64::consts::LN_2 * 1.2;
            let signal = sum > limit;
            marks.push(CusumMark {
                day: Day::from_epoch(16_000 + number * apart),
                observed: u64::from(number.unsigned_abs()) + 1,
                expected: f64::from(number + 1) * 0.5,
                sum,
                signal,
            });
            sum = if signal { 0.0 } else { sum };
        }
        marks
    }

    fn chart<'a>(marks: &'a [CusumMark], limit: Option<f64>) -> CusumChart<'a> {
        CusumChart {
            name: "cusum",
            title: "Failures watched since 2014",
            definition: "Failure: the whole filling lost. Expected: 2.6 % a year.",
            sum_title: LONG,
            marks,
            limit,
            fall: 1.0,
            starts_again: true,
            footnote: "Limit: 5 % false alarms over the time watched.",
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        for (many, apart) in [(0, 1), (1, 1), (2, 30), (12, 50), (60, 60), (900, 12)] {
            for limit in [None, Some(0.4), Some(3.1), Some(1e4)] {
                let marks = marks(many, apart, limit.unwrap_or(f64::INFINITY));
                let refused = refused(|stage| cusum_chart_on(&chart(&marks, limit), stage));
                assert!(refused.is_empty(), "{many} with {limit:?}: {refused:?}");
            }
        }
    }

    fn mark(day: i32, observed: u64, expected: f64, sum: f64, signal: bool) -> CusumMark {
        CusumMark { day: Day::from_epoch(day), observed, expected, sum, signal }
    }

    #[test]
    fn between_failures_the_lines_go_as_expectation_does_and_the_sum_never_below_nought() {
        // Ratio 2: the sum falls by 1 for each failure expected.
        let marks = [mark(0, 1, 0.0, 0.5, false), mark(10, 2, 1.0, 0.7, true), mark(20, 2, 1.2, 0.0, false)];
        let all = chart(&marks, Some(0.6));
        assert_eq!(excess_path(&marks)[..4], [(0.0, 0.0), (0.0, 1.0), (10.0, 0.0), (10.0, 1.0)]);
        let path = sum_path(&all);
        assert_eq!(path[..5], [(0.0, 0.0), (0.0, 0.5), (5.0, 0.0), (10.0, 0.0), (10.0, 0.7)], "at 0 half way");
        assert_eq!(path[5..7], [(10.0, 0.0), (20.0, 0.0)], "it started again");
        let on = sum_path(&CusumChart { starts_again: false, ..all });
        assert!((on[5].1 - 0.5).abs() < 1e-12, "absolute: it went on: {on:?}");
    }

    #[test]
    fn signals_are_marked_and_their_absence_is_no_proof() {
        let quiet = marks(5, 40, f64::INFINITY);
        assert!(cusum_chart(&chart(&quiet, Some(9.0))).svg.contains("No signal so far, which is no proof"));
        let loud = [mark(18_000, 2, 0.2, 1.2, true), mark(18_500, 2, 0.9, 0.0, false)];
        let svg = cusum_chart(&chart(&loud, Some(1.0))).svg;
        assert!(svg.contains(">14 Apr 2019<") && svg.matches("class=\"signal\"").count() == 1);
        assert!(svg.contains("1 signal (filled); after each the sum starts again."));
        assert!(cusum_chart(&chart(&[], None)).svg.contains(">Nothing to watch yet.<"));
    }
}
