//! Units side by side, each against limits that know how much it saw: operators, lots. Never a ranking.
//!
//! Purpose: to see whether any unit differs by more than chance lets expect of one of its size. The limits are wide for small units
//! and narrow for large ones; most units lie within and are dots without a name. Only those beyond are named, in the order given,
//! and units that saw too little are rings that no limit is held against.

use super::Drawing;
use super::palette::{Colour, INK, Marker, SOFT, STANDINGS, WHITE, look};
use super::plane::{Plane, every, multiples, number, round_step};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight};
use super::stage::Stage;
use super::text_width::{fitted, text_width};
use crate::wording::counted;

/// Where a unit lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UnitPlace {
    /// It saw too little to be judged.
    DescribedOnly,
    /// Within the inner limits.
    Within,
    /// Beyond an inner limit.
    Beyond,
    /// Beyond an outer limit.
    FarBeyond,
}

/// A unit.
#[derive(Clone, Debug, PartialEq)]
pub struct FunnelDot {
    /// Its name.
    pub label: String,
    /// How much it saw: failures expected, or restorations.
    pub size: f64,
    /// Failures by those expected, or its share.
    pub value: f64,
    /// Where it lies.
    pub place: UnitPlace,
}

/// The limits at a size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitsAt {
    /// The size.
    pub size: f64,
    /// Inner limits, lower and upper.
    pub inner: (f64, f64),
    /// Outer limits.
    pub outer: (f64, f64),
}

/// What the chart needs.
pub struct FunnelChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// What is held against what, printed below the title.
    pub definition: &'a str,
    /// The units; those without a value are left out.
    pub units: &'a [FunnelDot],
    /// The limits by rising size, as finely as they are to be drawn.
    pub limits: &'a [LimitsAt],
    /// The value that the limits lie around.
    pub target: f64,
    /// What stands across: `Failures expected`.
    pub size_title: &'a str,
    /// What stands up: `Failures observed, by those expected`.
    pub value_title: &'a str,
    /// What the limits are called: `95 %`, `99.8 %`.
    pub limit_names: [&'a str; 2],
    /// Whether values are shares, shown in per cent.
    pub shares: bool,
    /// How limits were made, and how many lie beyond by chance.
    pub footnote: &'a str,
}

const PLOT: f64 = 400.0;
const LEAST_PLOT: f64 = 170.0;
/// The widest that a unit's name may be.
const NAME: f64 = 170.0;
const NARROW_NAME: f64 = 110.0;
/// The dashes of inner and outer limits.
const DASHES: [&[u8]; 2] = [&[7, 4], &[]];

/// A rectangle that is taken: its middle, and half its size.
type Taken = ((f64, f64), (f64, f64));

fn meet(one: &Taken, other: &Taken) -> bool {
    (one.0.0 - other.0.0).abs() < one.1.0 + other.1.0 && (one.0.1 - other.0.1).abs() < one.1.1 + other.1.1
}

/// A unit's value as text.
fn value_text(chart: &FunnelChart<'_>, value: f64) -> String {
    if chart.shares { format!("{:.1} %", value * 100.0) } else { format!("{value:.2}") }
}

/// How far up the plane goes: all units, and the outer limits as far as twice the highest of these and the target.
fn reach(chart: &FunnelChart<'_>) -> f64 {
    let highest = chart.units.iter().map(|unit| unit.value).fold(chart.target * 1.5, f64::max);
    let limits = chart.limits.iter().map(|limits| limits.outer.1).fold(highest, f64::max);
    (limits.min(highest * 1.5) * 1.04).max(1e-6)
}

/// Draws the chart on a page.
pub fn funnel_chart(chart: &FunnelChart<'_>) -> Drawing {
    funnel_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn funnel_chart_on(chart: &FunnelChart<'_>, stage: &Stage) -> Drawing {
    let definition = stage.first_sentence(chart.definition);
    let narrow = stage.narrow();
    let top = stage.heading_height(chart.title, definition) + 34.0;
    let (left, right) = (MARGIN + 58.0, stage.width - MARGIN - if narrow { 56.0 } else { 74.0 });
    let largest = chart.units.iter().map(|unit| unit.size).fold(0.0, f64::max);
    let largest = if largest > 0.0 { largest * 1.06 } else { 1.0 };
    let plane_of =
        |plot: f64| Plane { left, right, top, bottom: top + plot, across: (0.0, largest), up: (0.0, reach(chart)) };
    let below = |note: &str| 62.0 + stage.paragraph_height(note) + MARGIN;
    // Names that find no room are told in the note, which takes room in turn: so the plot is measured twice.
    let first = plane_of(stage.plot(PLOT, LEAST_PLOT, top + below(&note(chart, &[]))));
    let unnamed = places(chart, &first, narrow).1;
    let plane = plane_of(stage.plot(PLOT, LEAST_PLOT, top + below(&note(chart, &unnamed))));
    let (named, unnamed) = places(chart, &plane, narrow);
    let note = note(chart, &unnamed);
    let content = plane.bottom + below(&note);
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart), content);
    sheet.heading(definition);
    let step = round_step(plane.up.1, if plane.bottom - top < 200.0 { 3.0 } else { 6.0 });
    plane.grid(&sheet, step, |value| {
        if chart.shares { format!("{} %", number(value * 100.0, step * 100.0)) } else { number(value, step) }
    });
    axis(&sheet, &plane, chart, stage);
    limits(&sheet, &plane, chart);
    if chart.units.is_empty() {
        let at = (plane.middle(), f64::midpoint(plane.top, plane.bottom));
        sheet.text("No units to draw.", at, TEXT, Weight::Regular, Anchor::Middle, SOFT);
    }
    for unit in chart.units {
        sheet.open("unit", &format!("{}: {}", unit.label, value_text(chart, unit.value)));
        let at = (plane.x(unit.size), plane.y(unit.value));
        let (marker, colour) = shown(unit.place);
        sheet.marker(at, marker, colour);
        sheet.close();
    }
    for (text, (middle, half)) in &named {
        let (from, to) = ((middle.0 - half.0, middle.1 - half.1), (middle.0 + half.0, middle.1 + half.1));
        sheet.rectangle(from, to, WHITE, 0.8);
        sheet.text(text, *middle, SMALL, Weight::Bold, Anchor::Middle, INK);
    }
    sheet.paragraph(&note, plane.bottom + 58.0);
    sheet.finish()
}

/// Shapes differ besides colours: beyond the outer limits a square, beyond the inner ones a triangle.
const fn shown(place: UnitPlace) -> (Marker, Colour) {
    match place {
        UnitPlace::DescribedOnly => (Marker::Ring, SOFT),
        UnitPlace::Within => (Marker::Disc, SOFT),
        UnitPlace::Beyond => (Marker::Triangle, STANDINGS[2]),
        UnitPlace::FarBeyond => (Marker::Square, STANDINGS[2]),
    }
}

/// The names that find room beside their dots, and the units whose names don't.
fn places<'a>(chart: &FunnelChart<'a>, plane: &Plane, narrow: bool) -> (Vec<(String, Taken)>, Vec<&'a FunnelDot>) {
    let dot = |unit: &FunnelDot| (plane.x(unit.size), plane.y(unit.value));
    let mut taken: Vec<Taken> = chart.units.iter().map(|unit| (dot(unit), (7.0, 7.0))).collect();
    let (mut named, mut unnamed) = (Vec::new(), Vec::new());
    let beyond = |unit: &&FunnelDot| matches!(unit.place, UnitPlace::Beyond | UnitPlace::FarBeyond);
    for unit in chart.units.iter().filter(beyond) {
        let room = if narrow { NARROW_NAME } else { NAME };
        let text = format!("{} {}", fitted(&unit.label, room, SMALL, Weight::Bold), value_text(chart, unit.value));
        let half = (text_width(&text, SMALL, Weight::Bold) / 2.0 + 2.0, 9.0);
        let (x, y) = dot(unit);
        let beside = half.0 + 10.0;
        let tried = [
            (beside, 0.0),
            (-beside, 0.0),
            (0.0, -18.0),
            (0.0, 18.0),
            (beside, -14.0),
            (beside, 14.0),
            (-beside, -14.0),
            (-beside, 14.0),
        ];
        let free = |at: &(f64, f64)| {
            let inside = at.0 - half.0 > plane.left
                && at.0 + half.0 < plane.right
                && at.1 - half.1 > plane.top - 8.0
                && at.1 + half.1 < plane.bottom;
            inside && !taken.iter().any(|other| meet(&(*at, half), other))
        };
        match tried.into_iter().map(|(across, down)| (x + across, y + down)).find(free) {
            Some(at) => {
                taken.push((at, half));
                named.push((text, (at, half)));
            }
            None => unnamed.push(unit),
        }
    }
    (named, unnamed)
}

fn axis(sheet: &Sheet, plane: &Plane, chart: &FunnelChart<'_>, stage: &Stage) {
    plane.edges(sheet);
    let step = round_step(plane.across.1, if stage.narrow() { 5.0 } else { 8.0 });
    let values = multiples(plane.across, step);
    let texts: Vec<String> = values.iter().map(|value| number(*value, step)).collect();
    let widths: Vec<f64> = texts.iter().map(|text| text_width(text, TEXT, Weight::Regular)).collect();
    let places: Vec<f64> = values.iter().map(|value| plane.x(*value)).collect();
    for place in every(&places, &widths) {
        plane.mark(sheet, values[place], &texts[place]);
    }
    let title = fitted(chart.size_title, plane.right - plane.left, TEXT, Weight::Regular);
    let middle = plane.middle();
    sheet.text(&title, (middle, plane.bottom + 39.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    let title = fitted(chart.value_title, stage.room(), TEXT, Weight::Bold);
    sheet.text(&title, (MARGIN, plane.top - 20.0), TEXT, Weight::Bold, Anchor::Start, INK);
}

/// The limits as lines, inner ones dashed, and the target; each named at its right end.
fn limits(sheet: &Sheet, plane: &Plane, chart: &FunnelChart<'_>) {
    let target = plane.y(chart.target);
    sheet.line(&[(plane.left, target), (plane.right, target)], look(0).colour, 1.8, &[]);
    let mut ends = Vec::new();
    let inner = |limits: &LimitsAt| limits.inner;
    let outer = |limits: &LimitsAt| limits.outer;
    for (number, of) in [inner as fn(&LimitsAt) -> (f64, f64), outer].into_iter().enumerate() {
        for upper in [true, false] {
            let value = |limits: &LimitsAt| if upper { of(limits).1 } else { of(limits).0 };
            // What lies above the plane is cut away, where the line crosses the upper edge.
            let shown = chart.limits.iter().filter(|limits| limits.size <= plane.across.1 && limits.size >= 0.0);
            let mut points: Vec<(f64, f64)> = Vec::new();
            let mut before: Option<(f64, f64)> = None;
            for limits in shown {
                let (size, value) = (limits.size, value(limits));
                if value <= plane.up.1 {
                    if let Some((left, high)) = before.filter(|before| before.1 > plane.up.1) {
                        let part = (high - plane.up.1) / (high - value);
                        points.push((plane.x(left + part * (size - left)), plane.top));
                    }
                    points.push((plane.x(size), plane.y(value)));
                }
                before = Some((size, value));
            }
            sheet.line(&points, SOFT, 1.6, DASHES[number]);
            if let (Some(last), true) = (points.last(), upper) {
                ends.push((last.1, chart.limit_names[number]));
            }
        }
    }
    let places: Vec<f64> = ends.iter().map(|end| end.0).collect();
    let heights = vec![17.0; ends.len()];
    let spread = super::sheet::spread(&places, &heights, plane.top - 8.0, plane.bottom);
    for (y, end) in spread.iter().zip(&ends) {
        sheet.text(end.1, (plane.right + 6.0, *y), SMALL, Weight::Regular, Anchor::Start, SOFT);
    }
}

fn note(chart: &FunnelChart<'_>, unnamed: &[&FunnelDot]) -> String {
    let of = |place: UnitPlace| chart.units.iter().filter(|unit| unit.place == place).count();
    let units = |number: usize| counted(u64::try_from(number).unwrap_or(u64::MAX), "unit", "units");
    let beyond = of(UnitPlace::Beyond) + of(UnitPlace::FarBeyond);
    let mut note = match of(UnitPlace::Within) {
        0 => format!("No unit lies within the {} limits.", chart.limit_names[0]),
        within => format!("Dots: {} within the {} limits.", units(within), chart.limit_names[0]),
    };
    if chart.units.is_empty() {
        note.clear();
    }
    if beyond > 0 {
        note.push_str(&format!(
            " Triangles: beyond these; squares: beyond the {} limits. They are named in no order of merit.",
            chart.limit_names[1]
        ));
    }
    if of(UnitPlace::DescribedOnly) > 0 {
        note.push_str(&format!(" Rings: {} that saw too little to be judged.", units(of(UnitPlace::DescribedOnly))));
    }
    if !unnamed.is_empty() {
        let names: Vec<&str> = unnamed.iter().take(MOST_TOLD).map(|unit| unit.label.as_str()).collect();
        let more = unnamed.len().saturating_sub(MOST_TOLD);
        let more = if more > 0 { format!("; and {more} more") } else { String::new() };
        note.push_str(&format!(" Beyond, and without room for the name: {}{more}.", names.join("; ")));
    }
    format!("{note} {}", chart.footnote).trim().to_owned()
}

/// How many names the note tells at most.
const MOST_TOLD: usize = 6;

fn describe(chart: &FunnelChart<'_>) -> String {
    let beyond = chart.units.iter().filter(|unit| matches!(unit.place, UnitPlace::Beyond | UnitPlace::FarBeyond));
    let names: Vec<String> = beyond.map(|unit| format!("{} ({})", unit.label, value_text(chart, unit.value))).collect();
    let names = if names.is_empty() { "none".to_owned() } else { names.join("; ") };
    let units = counted(u64::try_from(chart.units.len()).unwrap_or(u64::MAX), "unit", "units");
    format!("{units} against limits by size. {} Beyond the limits: {names}.", chart.definition)
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::LONG;
    use super::*;

    fn limits(target: f64, largest: f64) -> Vec<LimitsAt> {
        (1..=60)
            .map(|step| {
                let size = largest * f64::from(step) / 60.0;
                let around = |wide: f64| ((target - wide / size.sqrt()).max(0.0), target + wide / size.sqrt());
                LimitsAt { size, inner: around(1.96), outer: around(3.09) }
            })
            .collect()
    }

    fn units(many: u32, label: &str, crowded: bool) -> Vec<FunnelDot> {
        (0..many)
            .map(|number| {
                let beyond = number % 5 == 0;
                let size = if crowded { 20.0 } else { 1.0 + f64::from(number * 7 % 31) };
                let place = match number % 10 {
                    0 => UnitPlace::FarBeyond,
                    5 => UnitPlace::Beyond,
                    3 => UnitPlace::DescribedOnly,
                    _ => UnitPlace::Within,
                };
                let value = if beyond { 2.4 } else { 0.6 + f64::from(number % 7) / 10.0 };
                FunnelDot { label: format!("{label} {number}"), size, value, place }
            })
            .collect()
    }

    fn chart<'a>(units: &'a [FunnelDot], limits: &'a [LimitsAt]) -> FunnelChart<'a> {
        FunnelChart {
            name: "funnel",
            title: "Operators against what is expected of their cases",
            definition: "Failures observed by those that the benchmark lets expect. At 1 as many failed as expected.",
            units,
            limits,
            target: 1.0,
            size_title: "Failures expected",
            value_title: "Failures observed, by those expected",
            limit_names: ["95 %", "99.8 %"],
            shares: false,
            footnote: "Exact Poisson limits.",
        }
    }

    #[test]
    fn texts_keep_apart_whatever_is_drawn() {
        let limits = limits(1.0, 33.0);
        for (many, label, crowded) in [
            (0, "", false),
            (1, LONG, false),
            (2, "Operator", true),
            (12, LONG, false),
            (40, "Lot", true),
            (400, "Lot", false),
        ] {
            let units = units(many, label, crowded);
            for limits in [&limits[..], &limits[..1], &[]] {
                let refused = refused(|stage| funnel_chart_on(&chart(&units, limits), stage));
                assert!(refused.is_empty(), "{many} units: {refused:?}");
            }
            let shares = FunnelChart { shares: true, target: 0.1, ..chart(&units, &[]) };
            assert!(refused(|stage| funnel_chart_on(&shares, stage)).is_empty());
        }
    }

    #[test]
    fn only_those_beyond_are_named_and_none_of_them_is_lost() {
        let limits = limits(1.0, 33.0);
        let units = units(40, "Lot", true);
        let chart = chart(&units, &limits);
        let plane =
            Plane { left: 80.0, right: 880.0, top: 100.0, bottom: 500.0, across: (0.0, 34.0), up: (0.0, reach(&chart)) };
        let (named, unnamed) = places(&chart, &plane, false);
        let beyond = units.iter().filter(|unit| matches!(unit.place, UnitPlace::Beyond | UnitPlace::FarBeyond)).count();
        assert_eq!((named.len() + unnamed.len(), beyond), (8, 8));
        assert!(!unnamed.is_empty(), "all eight lie on one spot");
        let told = note(&chart, &unnamed);
        assert!(unnamed.iter().take(MOST_TOLD).all(|unit| told.contains(&unit.label)), "{told}");
        let svg = funnel_chart(&chart).svg;
        assert!(svg.contains(">Lot 0 2.40<") && !svg.contains(">Lot 1 "), "one beyond, one within");
    }

    #[test]
    fn limits_that_go_past_the_upper_edge_are_cut_where_they_cross_it() {
        let one = [FunnelDot { label: "A".to_owned(), size: 30.0, value: 1.0, place: UnitPlace::Within }];
        let steep = [
            LimitsAt { size: 10.0, inner: (0.5, 3.0), outer: (0.0, 101.0) },
            LimitsAt { size: 30.0, inner: (0.8, 1.2), outer: (0.6, 1.4) },
        ];
        let chart = chart(&one, &steep);
        assert!(reach(&chart) < 2.5, "one unit sure of its place is not flattened: {}", reach(&chart));
        assert!(funnel_chart(&chart).svg.contains(">99.8 %<"));
        assert!(funnel_chart(&FunnelChart { units: &[], ..chart }).svg.contains(">No units to draw.<"));
    }
}
