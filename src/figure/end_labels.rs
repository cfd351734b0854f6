//! Names beside the ends of lines, moved apart where needed, each with a dotted line to the end that it names.

use super::palette::{Colour, SOFT};
use super::sheet::{Anchor, SMALL, Sheet, TEXT, Weight, many, spread};

/// Height of a line of text.
const LINE: f64 = 18.0;
/// Air between two labels.
const AIR: f64 = 7.0;
/// From the plot's right edge to where labels begin.
pub(super) const LEADER: f64 = 24.0;

/// One of them.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct EndLabel {
    /// Where the line ends.
    pub end: (f64, f64),
    /// Its name, in bold, a line of text each.
    pub name: Vec<String>,
    /// What stands below the name.
    pub below: Vec<String>,
    /// The colour of the text.
    pub colour: Colour,
}

impl EndLabel {
    fn height(&self) -> f64 {
        height(self.name.len() + self.below.len())
    }
}

/// The height that a label of so many lines of text takes.
pub(super) fn height(lines: usize) -> f64 {
    LINE * many(lines) + AIR
}

/// Draws labels right of a plot that ends at `right`, between two heights.
pub(super) fn draw_end_labels(sheet: &Sheet, labels: &[EndLabel], right: f64, (top, bottom): (f64, f64)) {
    let ends: Vec<f64> = labels.iter().map(|label| label.end.1).collect();
    let heights: Vec<f64> = labels.iter().map(EndLabel::height).collect();
    let places = spread(&ends, &heights, top, bottom);
    let left = right + LEADER;
    for (label, y) in labels.iter().zip(places) {
        let (x, end) = label.end;
        sheet.line(&[(x + 8.0, end), (right + 4.0, end), (left - 8.0, y), (left - 3.0, y)], SOFT, 1.0, &[1, 3]);
        let named = label.name.iter().map(|text| (text, TEXT, Weight::Bold));
        let below = label.below.iter().map(|text| (text, SMALL, Weight::Regular));
        for (number, (text, size, weight)) in named.chain(below).enumerate() {
            let middle = y - label.height() / 2.0 + AIR / 2.0 + LINE * (many(number) + 0.5);
            sheet.text(text, (left, middle), size, weight, Anchor::Start, label.colour);
        }
    }
}
