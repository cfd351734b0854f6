//! The plane that a chart's lines and points lie on: two axes of plain numbers, their marks, and what of them fits.

use super::palette::{GRID, INK};
use super::sheet::{Anchor, Sheet, TEXT, Weight};

/// Room between the texts of two marks, pixels.
const GAP: f64 = 10.0;

/// A rectangle of the sheet, and the values at its edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plane {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    /// The values at the left and right edge.
    pub across: (f64, f64),
    /// The values at the lower and upper edge.
    pub up: (f64, f64),
}

/// How far a value is along an axis, 0 to 1; values past an end lie on it.
fn along((from, to): (f64, f64), value: f64) -> f64 {
    if to > from { ((value - from) / (to - from)).clamp(0.0, 1.0) } else { 0.0 }
}

impl Plane {
    /// The pixel of a value across.
    pub fn x(&self, value: f64) -> f64 {
        self.left + along(self.across, value) * (self.right - self.left)
    }

    /// The pixel of a value up.
    pub fn y(&self, value: f64) -> f64 {
        self.bottom - along(self.up, value) * (self.bottom - self.top)
    }

    /// The middle from left to right.
    pub fn middle(&self) -> f64 {
        f64::midpoint(self.left, self.right)
    }

    /// A grid line and a number at each multiple of a step.
    pub fn grid(&self, sheet: &Sheet, step: f64, text: impl Fn(f64) -> String) {
        for value in multiples(self.up, step) {
            let y = self.y(value);
            sheet.line(&[(self.left, y), (self.right, y)], GRID, 1.0, &[]);
            sheet.text(&text(value), (self.left - 10.0, y), TEXT, Weight::Regular, Anchor::End, INK);
        }
    }

    /// The lines of the axes, the lower and the left edge.
    pub fn edges(&self, sheet: &Sheet) {
        let corners = [(self.left, self.top), (self.left, self.bottom), (self.right, self.bottom)];
        sheet.line(&corners, INK, 1.4, &[]);
    }

    /// A mark on the lower edge with a text below it.
    pub fn mark(&self, sheet: &Sheet, value: f64, text: &str) {
        let x = self.x(value);
        sheet.line(&[(x, self.bottom), (x, self.bottom + 7.0)], INK, 1.6, &[]);
        sheet.text(text, (x, self.bottom + 18.0), TEXT, Weight::Regular, Anchor::Middle, INK);
    }
}

/// The multiples of a step from one value to another.
pub(super) fn multiples((from, to): (f64, f64), step: f64) -> Vec<f64> {
    let first = (from / step - 1e-9).ceil();
    (0..200_u32).map(|number| (first + f64::from(number)) * step).take_while(|value| *value <= to + step * 1e-9).collect()
}

/// The least round number (1, 2 or 5 by a power of ten) of which no more than `most` reach so far.
pub(super) fn round_step(reach: f64, most: f64) -> f64 {
    let mut power = 1e-9;
    while power < 1e15 {
        for round in [1.0, 2.0, 5.0] {
            if power * round * most >= reach * (1.0 - 1e-9) {
                return power * round;
            }
        }
        power *= 10.0;
    }
    power
}

/// Which of some texts at these places, of these widths, to print: all, or every second, third and so on, the first among them.
pub(super) fn every(places: &[f64], widths: &[f64]) -> Vec<usize> {
    let fits = |step: usize| {
        let kept: Vec<usize> = (0..places.len()).step_by(step).collect();
        let apart = |pair: &[usize]| {
            (places[pair[1]] - places[pair[0]]).abs() >= f64::midpoint(widths[pair[0]], widths[pair[1]]) + GAP
        };
        kept.windows(2).all(apart).then_some(kept)
    };
    (1..=places.len()).find_map(fits).unwrap_or_default()
}

/// A number of an axis with as many digits as its step has.
pub(super) fn number(value: f64, step: f64) -> String {
    let digits = (0..9_i32).find(|digits| step * 10_f64.powi(*digits) >= 1.0 - 1e-9).unwrap_or(9);
    let text = format!("{value:.*}", usize::try_from(digits).unwrap_or(0));
    if text.trim_start_matches('-').chars().all(|digit| digit == '0' || digit == '.') {
        text.trim_start_matches('-').to_owned()
    } else {
        text.replace('-', "−")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close<const N: usize>(found: [f64; N], wanted: [f64; N]) {
        assert!(found.iter().zip(wanted).all(|(found, wanted)| (found - wanted).abs() < 1e-12), "{found:?}, not {wanted:?}");
    }

    #[test]
    fn values_past_an_end_lie_on_it() {
        let plane = Plane { left: 10.0, right: 110.0, top: 0.0, bottom: 50.0, across: (0.0, 4.0), up: (-1.0, 1.0) };
        close([-1.0, 0.0, 1.0, 9.0].map(|value| plane.x(value)), [10.0, 10.0, 35.0, 110.0]);
        close([-9.0, 0.0, 1.0].map(|value| plane.y(value)), [50.0, 25.0, 0.0]);
    }

    #[test]
    fn steps_are_round_and_no_more_than_asked() {
        close([0.07, 1.0, 23.0, 51.0, 900.0].map(|reach| round_step(reach, 5.0)), [0.02, 0.2, 5.0, 20.0, 200.0]);
        assert_eq!(multiples((-3.0, 4.0), 2.0), [-2.0, 0.0, 2.0, 4.0]);
        assert_eq!([number(0.4, 0.2), number(-0.0, 1.0), number(-2.0, 1.0)], ["0.4", "0", "−2"]);
    }

    #[test]
    fn where_there_is_no_room_for_all_every_second_is_kept() {
        let places = [0.0, 30.0, 60.0, 90.0];
        assert_eq!(every(&places, &[20.0; 4]), [0, 1, 2, 3]);
        assert_eq!(every(&places, &[21.0; 4]), [0, 2]);
        assert_eq!(every(&places, &[500.0; 4]), [0]);
        assert!(every(&[], &[]).is_empty());
    }
}
