//! A map of the mouth: where restorations sit, and where they failed.
//!
//! Purpose: to see at a glance which teeth carry the restorations and whether failures gather anywhere. At each tooth stands a disc
//! whose area goes with the restorations placed, and in it a dark one whose area goes, on the same scale, with those that failed.
//! Teeth are numbered as in ISO 3950; the patient's right is on the left.

use super::Drawing;
use super::palette::{Colour, GRID, INK, SOFT, STANDINGS, WHITE};
use super::sheet::{Anchor, MARGIN, SMALL, Sheet, TEXT, Weight, many};
use super::stage::Stage;
use super::text_width::text_width;
use crate::wording::{count, counted};

/// What a tooth has seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ToothCount {
    /// Its two-digit number by ISO 3950: quadrants 1 to 4, teeth 1 to 8.
    pub tooth: u8,
    /// Restorations placed.
    pub placed: u64,
    /// Of these, failed.
    pub failed: u64,
}

/// What the chart needs.
pub struct MouthChart<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// Title.
    pub title: &'a str,
    /// The endpoint's definition, printed below the title.
    pub definition: &'a str,
    /// The teeth in any order; counts of a tooth given twice are added up, teeth left out have none.
    pub teeth: &'a [ToothCount],
    /// What else is to be known.
    pub footnote: &'a str,
}

const ROW: f64 = 17.0;
/// Between the last teeth of the upper and the lower arch.
const BETWEEN: f64 = 34.0;
/// Height of both arches where it may be chosen, on a wide and on a narrow stage, and the least that a slide may leave of it.
const ARCHES: f64 = 560.0;
const NARROW_ARCHES: f64 = 540.0;
const LEAST_ARCHES: f64 = 270.0;
/// The widest that labels beside the arches may be.
const WIDEST_LABEL: f64 = 84.0;
const QUADRANTS: [&str; 4] = ["Upper right", "Upper left", "Lower left", "Lower right"];

#[expect(clippy::cast_precision_loss, reason = "counts of restorations, shown as areas")]
fn part(number: u64, of: u64) -> f64 {
    (number as f64 / of.max(1) as f64).min(1.0)
}

/// The teeth by quadrant and place, and how many restorations have another number.
fn sorted(teeth: &[ToothCount]) -> ([[ToothCount; 8]; 4], u64) {
    let tooth = |quadrant: u8, place: u8| ToothCount { tooth: (quadrant + 1) * 10 + place + 1, placed: 0, failed: 0 };
    let mut mouth = [0, 1, 2, 3].map(|quadrant| [0, 1, 2, 3, 4, 5, 6, 7].map(|place| tooth(quadrant, place)));
    let mut elsewhere = 0_u64;
    for count in teeth {
        let (quadrant, place) = (usize::from(count.tooth / 10), usize::from(count.tooth % 10));
        let known = quadrant.checked_sub(1).zip(place.checked_sub(1));
        match known.and_then(|(quadrant, place)| mouth.get_mut(quadrant)?.get_mut(place)) {
            Some(met) => {
                met.placed += count.placed;
                met.failed += count.failed.min(count.placed);
            }
            None => elsewhere += count.placed,
        }
    }
    (mouth, elsewhere)
}

/// A quarter of an ellipse, from the midline to the last tooth.
struct Arch {
    across: f64,
    up: f64,
    /// Length up to each of some hundred angles.
    lengths: Vec<f64>,
}

impl Arch {
    const PARTS: u32 = 256;

    fn new(across: f64, up: f64) -> Self {
        let mut arch = Self { across, up, lengths: vec![0.0] };
        for step in 1..=Self::PARTS {
            let ((x, y), (to_x, to_y)) = (arch.at(Self::angle(step - 1)), arch.at(Self::angle(step)));
            arch.lengths.push(arch.length() + (to_x - x).hypot(to_y - y));
        }
        arch
    }

    fn angle(step: u32) -> f64 {
        f64::from(step) / f64::from(Self::PARTS) * std::f64::consts::FRAC_PI_2
    }

    fn length(&self) -> f64 {
        self.lengths.last().copied().unwrap_or(0.0)
    }

    /// Away from the midline, and away from the line between the arches.
    fn at(&self, angle: f64) -> (f64, f64) {
        (self.across * angle.sin(), self.up * angle.cos())
    }

    /// Where the tooth at a place stands, and the direction outwards there: all teeth equally far from each other along the arch.
    fn tooth(&self, place: usize) -> ((f64, f64), (f64, f64)) {
        let along = self.length() * (many(place) + 0.5) / 8.0;
        let step = self.lengths.iter().take_while(|length| **length < along).count();
        let angle = Self::angle(u32::try_from(step).unwrap_or(Self::PARTS));
        let (x, y) = (angle.sin() / self.across, angle.cos() / self.up);
        let size = x.hypot(y);
        (self.at(angle), (x / size, y / size))
    }
}

/// A tooth on the sheet.
struct Spot {
    count: ToothCount,
    at: (f64, f64),
    outward: (f64, f64),
    /// Whether its counts are printed.
    counted: bool,
}

impl Spot {
    fn counts(&self) -> String {
        format!("{}/{}", count(self.count.failed), count(self.count.placed))
    }

    /// The middle of its label and half its size, outside of the largest disc.
    fn label(&self, largest: f64) -> ((f64, f64), (f64, f64)) {
        let width = text_width(&self.count.tooth.to_string(), SMALL, Weight::Bold);
        let counts = if self.counted { text_width(&self.counts(), SMALL, Weight::Regular) } else { 0.0 };
        let half = (width.max(counts) / 2.0, if self.counted { ROW } else { ROW / 2.0 });
        let away = largest + 4.0 + self.outward.0.abs() * half.0 + self.outward.1.abs() * half.1;
        ((self.at.0 + self.outward.0 * away, self.at.1 + self.outward.1 * away), half)
    }

    fn meets(&self, other: &Self, largest: f64) -> bool {
        let ((at, half), (to, other_half)) = (self.label(largest), other.label(largest));
        (at.0 - to.0).abs() < half.0 + other_half.0 + 4.0 && (at.1 - to.1).abs() < half.1 + other_half.1
    }
}

/// Takes counts away until no label meets another: of two, from the one with the wider counts.
fn make_room(spots: &mut [Spot], largest: f64) {
    loop {
        let crowded = (0..spots.len()).find_map(|one| {
            let other = (0..one).find(|other| spots[one].meets(&spots[*other], largest))?;
            let wider = spots[one].counts().len() >= spots[other].counts().len();
            [one, other].into_iter().filter(|place| spots[*place].counted).max_by_key(|place| (*place == one) == wider)
        });
        let Some(place) = crowded else { break };
        spots[place].counted = false;
    }
}

fn disc(sheet: &Sheet, (x, y): (f64, f64), radius: f64, fill: Colour, edge: Colour) {
    let corners: Vec<(f64, f64)> = (0..=48_u32)
        .map(|step| {
            let angle = f64::from(step) / 24.0 * std::f64::consts::PI;
            (x + radius * angle.cos(), y + radius * angle.sin())
        })
        .collect();
    sheet.area(&corners[..48], fill, 1.0);
    sheet.line(&corners, edge, 1.3, &[]);
}

/// A disc with so many placed and failed, of a sheet whose largest disc has this radius and count.
fn discs(sheet: &Sheet, at: (f64, f64), count: (u64, u64), (largest, most): (f64, u64)) {
    disc(sheet, at, (largest * part(count.0, most).sqrt()).max(1.2), STANDINGS[0], SOFT);
    if count.1 > 0 {
        disc(sheet, at, (largest * part(count.1, most).sqrt()).max(1.2), STANDINGS[2], STANDINGS[2]);
    }
}

/// A round number of restorations no larger than the most, and a part of it, to explain the discs by.
fn key(most: u64) -> (u64, u64) {
    let round = |limit: u64| {
        let powers = std::iter::successors(Some(1_u64), |power| power.checked_mul(10));
        let rounds = powers.flat_map(|power| [1, 2, 5].map(|digit| power.saturating_mul(digit)));
        rounds.take_while(|round| *round <= limit).last().unwrap_or(0)
    };
    (round(most), round(round(most) / 4))
}

/// Draws the chart on a page.
pub fn mouth_chart(chart: &MouthChart<'_>) -> Drawing {
    mouth_chart_on(chart, &Stage::default())
}

/// Draws the chart on a stage.
pub fn mouth_chart_on(chart: &MouthChart<'_>, stage: &Stage) -> Drawing {
    let (mouth, elsewhere) = sorted(chart.teeth);
    let most = mouth.iter().flatten().map(|tooth| tooth.placed).max().unwrap_or(0);
    let definition = stage.first_sentence(chart.definition);
    let top = stage.heading_height(chart.title, definition) + 6.0;
    // Whether counts find room shows only once the arches have a size; the note is measured as if some don't.
    let note_height = stage.paragraph_height(&note(chart, elsewhere, most > 0, stage));
    let key_height = if most > 0 { 52.0 } else { 0.0 };
    let below = 10.0 + key_height + note_height + MARGIN;
    let usual = if stage.narrow() { NARROW_ARCHES } else { ARCHES };
    let height = stage.plot(usual, LEAST_ARCHES, top + below);
    let widest = mouth
        .iter()
        .flatten()
        .map(|tooth| text_width(&format!("{}/{}", count(tooth.failed), count(tooth.placed)), SMALL, Weight::Regular));
    let widest = widest.fold(0.0, f64::max).min(WIDEST_LABEL);
    let guess = if stage.narrow() { 17.0 } else { 26.0 };
    let up = (height - BETWEEN) / 2.0 - guess - 4.0 - 2.0 * ROW;
    let across = (stage.room() / 2.0 - guess - 6.0 - widest).min(400.0);
    let arch = Arch::new(across, up);
    let largest = (arch.length() / 8.0 * 0.47).min(guess);
    let (middle, heights) = (stage.width / 2.0, [top + height / 2.0 - BETWEEN / 2.0, top + height / 2.0 + BETWEEN / 2.0]);
    let mut spots: Vec<Spot> = Vec::new();
    for (quadrant, teeth) in mouth.iter().enumerate() {
        let (right, upper) = (matches!(quadrant, 0 | 3), quadrant < 2);
        let (side, row) = (if right { -1.0 } else { 1.0 }, if upper { -1.0 } else { 1.0 });
        for (place, count) in teeth.iter().enumerate() {
            let ((x, y), (out, away)) = arch.tooth(place);
            let at = (middle + side * x, heights[usize::from(!upper)] + row * y);
            spots.push(Spot { count: *count, at, outward: (side * out, row * away), counted: count.placed > 0 });
        }
    }
    make_room(&mut spots, largest);
    let crowded = spots.iter().any(|spot| spot.count.placed > 0 && !spot.counted);
    let content = top + height + below;
    let sheet = Sheet::new(stage, chart.name, chart.title, &describe(chart, &mouth), content);
    sheet.heading(definition);
    for (side, row) in [(-1.0, 0), (1.0, 0), (-1.0, 1), (1.0, 1)] {
        let away = if row == 0 { -1.0 } else { 1.0 };
        let point = |step: u32| {
            let (x, y) = arch.at(Arch::angle(step * 4));
            (middle + side * x, heights[row] + away * y)
        };
        sheet.line(&(0..=Arch::PARTS / 4).map(point).collect::<Vec<_>>(), GRID, 2.0, &[]);
    }
    for spot in &spots {
        tooth(&sheet, spot, (largest, most));
    }
    let inside = across - largest - 8.0;
    totals(&sheet, &mouth, (middle, top + height / 2.0), (inside, up));
    if most > 0 {
        explain(&sheet, top + height + 10.0 + key_height / 2.0 - 4.0, (largest, most));
    }
    sheet.paragraph(&note(chart, elsewhere, crowded, stage), top + height + 10.0 + key_height);
    sheet.finish()
}

fn tooth(sheet: &Sheet, spot: &Spot, scale: (f64, u64)) {
    let ToothCount { tooth, placed, failed } = spot.count;
    let said = if placed == 0 { "none placed".to_owned() } else { format!("{} of {} failed", count(failed), count(placed)) };
    sheet.open("tooth", &format!("Tooth {tooth}: {said}"));
    if placed > 0 {
        discs(sheet, spot.at, (placed, failed), scale);
    } else {
        disc(sheet, spot.at, 2.0, WHITE, SOFT);
    }
    sheet.close();
    let ((x, y), _) = spot.label(scale.0);
    let first = if spot.counted { y - ROW / 2.0 } else { y };
    let colour = if placed > 0 { INK } else { SOFT };
    sheet.text(&tooth.to_string(), (x, first), SMALL, Weight::Bold, Anchor::Middle, colour);
    if spot.counted {
        sheet.text(&spot.counts(), (x, first + ROW), SMALL, Weight::Regular, Anchor::Middle, INK);
    }
}

/// Between the arches, whose side is where; within them, what each quadrant has seen, or where that is too narrow each arch.
fn totals(sheet: &Sheet, mouth: &[[ToothCount; 8]; 4], (x, y): (f64, f64), (inside, up): (f64, f64)) {
    let wide = |text: &str, size: f64| text_width(text, size, Weight::Regular);
    let whose = if wide("patient’s right", SMALL) < inside - 4.0 { "patient’s " } else { "" };
    for (side, anchor) in [("right", Anchor::Start), ("left", Anchor::End)] {
        let at = if anchor == Anchor::Start { x - inside } else { x + inside };
        sheet.text(&format!("{whose}{side}"), (at, y), SMALL, Weight::Regular, anchor, SOFT);
    }
    let said = |quadrants: &[usize]| {
        let teeth = || quadrants.iter().flat_map(|quadrant| &mouth[*quadrant]);
        let placed: u64 = teeth().map(|tooth| tooth.placed).sum();
        let failed: u64 = teeth().map(|tooth| tooth.failed).sum();
        if placed == 0 { "none".to_owned() } else { format!("{} of {}", count(failed), count(placed)) }
    };
    let quadrants = [0, 1, 2, 3].map(|quadrant| (QUADRANTS[quadrant], said(&[quadrant]), [-0.5, 0.5, 0.5, -0.5][quadrant]));
    let fits =
        quadrants.iter().all(|(name, said, _)| text_width(name, TEXT, Weight::Bold).max(wide(said, SMALL)) < inside - 8.0);
    let arches = [("Upper", said(&[0, 1]), 0.0), ("Lower", said(&[2, 3]), 0.0)];
    let shown = if fits { &quadrants[..] } else { &arches[..] };
    for (number, (name, said, side)) in shown.iter().enumerate() {
        let upper = number < shown.len() / 2;
        let middle = y + (BETWEEN / 2.0 + up * 0.22) * if upper { -1.0 } else { 1.0 };
        let x = x + side * inside;
        sheet.text(name, (x, middle - ROW / 2.0), TEXT, Weight::Bold, Anchor::Middle, INK);
        sheet.text(said, (x, middle + ROW / 2.0), SMALL, Weight::Regular, Anchor::Middle, INK);
    }
}

fn explain(sheet: &Sheet, y: f64, scale: (f64, u64)) {
    let (placed, failed) = key(scale.1);
    let x = MARGIN + scale.0;
    discs(sheet, (x, y), (placed, failed), scale);
    let said = if failed > 0 {
        format!("{} placed; inner disc: {} of them failed", count(placed), count(failed))
    } else {
        format!("{} placed; inner disc: failed", count(placed))
    };
    sheet.text(&said, (x + scale.0 + 10.0, y), TEXT, Weight::Regular, Anchor::Start, INK);
}

fn note(chart: &MouthChart<'_>, elsewhere: u64, crowded: bool, stage: &Stage) -> String {
    let mut note =
        "Areas go with numbers. At each tooth: its number, and failed/placed. Tooth numbers: ISO 3950.".to_owned();
    if chart.teeth.iter().all(|tooth| tooth.placed == 0) {
        note = "No restorations to draw. Tooth numbers: ISO 3950.".to_owned();
    }
    if crowded {
        note.push_str(" Where there is no room for counts, only the tooth’s number stands.");
    }
    if elsewhere > 0 {
        note.push_str(&format!(
            " Not on the map: {} with another tooth number.",
            counted(elsewhere, "restoration", "restorations")
        ));
    }
    format!("{note} {}", stage.told(chart.footnote))
}

fn describe(chart: &MouthChart<'_>, mouth: &[[ToothCount; 8]; 4]) -> String {
    let met: Vec<String> = mouth
        .iter()
        .flatten()
        .filter(|tooth| tooth.placed > 0)
        .map(|tooth| format!("{}: {} of {}", tooth.tooth, count(tooth.failed), count(tooth.placed)))
        .collect();
    let met = if met.is_empty() { "No restorations to draw".to_owned() } else { met.join("; ") };
    format!("Failed of placed by tooth. {} {met}.", chart.definition)
}

#[cfg(test)]
mod tests {
    use super::super::every_stage::refused;
    use super::super::fixture::DEFINITION;
    use super::*;

    fn full(scale: u64) -> Vec<ToothCount> {
        let mut teeth = Vec::new();
        for quadrant in 1..=4_u8 {
            for place in 1..=8_u8 {
                let placed = scale * u64::from(9 - place) + u64::from(quadrant);
                teeth.push(ToothCount { tooth: quadrant * 10 + place, placed, failed: placed / u64::from(place + 1) });
            }
        }
        teeth
    }

    fn chart<'a>(teeth: &'a [ToothCount]) -> MouthChart<'a> {
        MouthChart {
            name: "mouth",
            title: "Where fillings sit and fail",
            definition: DEFINITION,
            teeth,
            footnote: "One practice.",
        }
    }

    #[test]
    fn texts_keep_apart_and_every_tooth_has_its_number_whatever_is_drawn() {
        let one = vec![ToothCount { tooth: 34, placed: 1, failed: 1 }];
        for teeth in [Vec::new(), one, full(1), full(40), full(900), full(123_456)] {
            let refused = refused(|stage| {
                let drawing = mouth_chart_on(&chart(&teeth), stage);
                for number in full(1).iter().map(|tooth| tooth.tooth) {
                    assert_eq!(drawing.svg.matches(&format!(">{number}</text>")).count(), 1, "tooth {number}");
                }
                drawing
            });
            assert!(refused.is_empty(), "{refused:?}");
        }
    }

    #[test]
    fn areas_go_with_numbers_and_the_same_number_is_as_large_placed_or_failed() {
        let widths = |svg: &str| -> Vec<f64> {
            let xs = |points: &str| -> Vec<f64> {
                points.split(' ').filter_map(|point| point.split(',').next()?.parse().ok()).collect()
            };
            let polygons = svg.split("<polygon").skip(1).filter_map(|tag| tag.split("points=\"").nth(1)?.split('"').next());
            polygons
                .map(|points| {
                    let xs = xs(points);
                    xs.iter().copied().fold(f64::MIN, f64::max) - xs.iter().copied().fold(f64::MAX, f64::min)
                })
                .collect()
        };
        let teeth = [ToothCount { tooth: 11, placed: 400, failed: 100 }, ToothCount { tooth: 21, placed: 100, failed: 0 }];
        let drawing = mouth_chart(&chart(&teeth));
        let at = |number: u8| {
            let from = drawing.svg.find(&format!("Tooth {number}:")).expect("a tooth");
            let group = &drawing.svg[from..];
            widths(&group[..group.find("</g>").expect("its end")])
        };
        let (large, small) = (at(11), at(21));
        assert!((large[0] / small[0] - 2.0).abs() < 0.05 && (large[1] - small[0]).abs() < 0.3, "{large:?} {small:?}");
    }

    #[test]
    fn each_quadrant_stands_where_the_patient_has_it() {
        let place = |tooth: u8| {
            let svg = mouth_chart(&chart(&[])).svg;
            let tag = svg.split("<text").find(|tag| tag.contains(&format!(">{tooth}</text>"))).expect("a tooth").to_owned();
            let number = |name: &str| -> f64 {
                tag.split(&format!(" {name}=\""))
                    .nth(1)
                    .and_then(|rest| rest.split('"').next()?.parse().ok())
                    .expect("a place")
            };
            (number("x") < 480.0, number("y"))
        };
        let ys = [11, 18, 48, 41].map(|tooth| place(tooth).1);
        assert!(ys.windows(2).all(|pair| pair[0] < pair[1]), "front teeth outermost, upper above lower: {ys:?}");
        assert_eq!([16, 26, 36, 46].map(|tooth| place(tooth).0), [true, false, false, true]);
    }

    #[test]
    fn what_has_no_place_on_the_map_is_counted() {
        let strange = [55, 19, 10, 0, 99, 11].map(|tooth| ToothCount { tooth, placed: 2, failed: 1 });
        let (mouth, elsewhere) = sorted(&strange);
        assert_eq!((elsewhere, mouth[0][0].placed), (10, 2));
        assert!(note(&chart(&strange), elsewhere, false, &Stage::default()).contains("Not on the map: 10 restorations"));
        assert!(mouth_chart(&chart(&strange)).svg.contains(">1/2<"));
        assert!(mouth_chart(&chart(&[])).svg.contains(">No restorations to draw."));
    }

    #[test]
    fn the_key_is_a_round_number_within_the_largest_disc() {
        assert_eq!([1, 3, 7, 57, 400].map(key), [(1, 0), (2, 0), (5, 1), (50, 10), (200, 50)]);
    }
}
