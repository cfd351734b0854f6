//! What the charts draw on: lines, areas, rectangles and text in pixels, through the drawing library.

use std::cell::RefCell;
use std::fmt::Write as _;
use std::rc::Rc;

use plotters::coord::Shift;
use plotters::prelude::{
    Color, DrawingArea, FontStyle, IntoDrawingArea, PathElement, Polygon, RGBColor, Rectangle, ShapeStyle, Text, TextStyle,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::Drawing;
use super::palette::{Colour, INK, SOFT, WHITE};
use super::svg_backend::{Pen, SvgBackend, UNITS};
use super::text_width::wrapped;
use crate::wording::escape_markup;

/// Width of every sheet, pixels.
pub const WIDTH: f64 = 960.0;
/// Room at the edges, pixels.
pub const MARGIN: f64 = 24.0;
/// Size of the title, pixels.
pub const TITLE: f64 = 21.0;
/// Size of most text, pixels.
pub const TEXT: f64 = 15.0;
/// Size of the smallest text, pixels.
pub const SMALL: f64 = 13.5;

/// How heavy a text is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Regular.
    Regular,
    /// Bold.
    Bold,
}

/// Which end of a text its place means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its left end.
    Start,
    /// Its middle.
    Middle,
    /// Its right end.
    End,
}

/// A sheet being drawn.
pub struct Sheet {
    name: String,
    title: String,
    description: String,
    height: f64,
    pen: Rc<RefCell<Pen>>,
    area: DrawingArea<SvgBackend, Shift>,
}

#[expect(clippy::cast_possible_truncation, reason = "places on a sheet of some thousand pixels")]
fn units(pixels: f64) -> i32 {
    (pixels * f64::from(UNITS)).round() as i32
}

fn at((x, y): (f64, f64)) -> (i32, i32) {
    (units(x), units(y))
}

const fn rgb((r, g, b): Colour) -> RGBColor {
    RGBColor(r, g, b)
}

impl Sheet {
    /// A white sheet of this height. The description is read by screen readers.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a sheet of some thousand pixels")]
    pub fn new(name: &str, title: &str, description: &str, height: f64) -> Self {
        let pen = Rc::new(RefCell::new(Pen::default()));
        let area = SvgBackend::new(Rc::clone(&pen), WIDTH as u32, height.ceil() as u32).into_drawing_area();
        let sheet = Self {
            name: name.to_owned(),
            title: title.to_owned(),
            description: description.to_owned(),
            height: height.ceil(),
            pen,
            area,
        };
        sheet.rectangle((0.0, 0.0), (WIDTH, sheet.height), WHITE, 1.0);
        sheet
    }

    fn dash(&self, pattern: &[u8]) {
        self.pen.borrow_mut().dash = pattern.to_vec();
    }

    /// A line through points.
    pub fn line(&self, points: &[(f64, f64)], colour: Colour, width: f64, dash: &[u8]) {
        self.dash(dash);
        let style = ShapeStyle { color: rgb(colour).to_rgba(), filled: false, stroke_width: units(width).unsigned_abs() };
        let _ = self.area.draw(&PathElement::new(points.iter().copied().map(at).collect::<Vec<_>>(), style));
        self.dash(&[]);
    }

    /// A filled area.
    pub fn area(&self, corners: &[(f64, f64)], colour: Colour, opacity: f64) {
        let _ = self
            .area
            .draw(&Polygon::new(corners.iter().copied().map(at).collect::<Vec<_>>(), rgb(colour).mix(opacity).filled()));
    }

    /// A filled rectangle.
    pub fn rectangle(&self, from: (f64, f64), to: (f64, f64), colour: Colour, opacity: f64) {
        let _ = self.area.draw(&Rectangle::new([at(from), at(to)], rgb(colour).mix(opacity).filled()));
    }

    /// An outlined rectangle.
    pub fn outline(&self, from: (f64, f64), to: (f64, f64), colour: Colour, width: f64) {
        let style = ShapeStyle { color: rgb(colour).to_rgba(), filled: false, stroke_width: units(width).unsigned_abs() };
        let _ = self.area.draw(&Rectangle::new([at(from), at(to)], style));
    }

    /// A line of text; `place` is its anchor on the middle of its height.
    pub fn text(&self, text: &str, place: (f64, f64), size: f64, weight: Weight, anchor: Anchor, colour: Colour) {
        let horizontal = match anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let font = (
            "DejaVu Sans",
            size * f64::from(UNITS),
            if weight == Weight::Bold { FontStyle::Bold } else { FontStyle::Normal },
        );
        let colour = rgb(colour);
        let style = TextStyle::from(font).pos(Pos::new(horizontal, VPos::Center)).color(&colour);
        let _ = self.area.draw(&Text::new(text.to_owned(), at(place), style));
    }

    /// Opens a group with a title of its own, which browsers show on pointing.
    pub fn open(&self, title: &str) {
        let _ = writeln!(self.pen.borrow_mut().body, "<g><title>{}</title>", escape_markup(title));
    }

    /// Closes a group.
    pub fn close(&self) {
        self.pen.borrow_mut().body.push_str("</g>\n");
    }

    /// The title and, wrapped below it, the definition.
    pub fn heading(&self, definition: &str) {
        let mut y = MARGIN + TITLE / 2.0;
        for line in wrapped(&self.title, WIDTH - 2.0 * MARGIN, TITLE, Weight::Bold) {
            self.text(&line, (MARGIN, y), TITLE, Weight::Bold, Anchor::Start, INK);
            y += TITLE * 1.3;
        }
        self.paragraph(definition, y + 2.0);
    }

    /// Small wrapped text from a height down.
    pub fn paragraph(&self, text: &str, from: f64) {
        for (place, line) in (0_u32..).zip(wrapped(text, WIDTH - 2.0 * MARGIN, SMALL, Weight::Regular)) {
            self.text(
                &line,
                (MARGIN, from + (f64::from(place) + 0.5) * SMALL * 1.35),
                SMALL,
                Weight::Regular,
                Anchor::Start,
                SOFT,
            );
        }
    }

    /// The finished drawing.
    pub fn finish(self) -> Drawing {
        let _ = self.area.present();
        let (name, title) = (escape_markup(&self.name).into_owned(), escape_markup(&self.title).into_owned());
        let pen = self.pen.borrow();
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{name}-title {name}-description\" font-family=\"DejaVu Sans, Verdana, sans-serif\">\n<title id=\"{name}-title\">{title}</title>\n<desc id=\"{name}-description\">{description}</desc>\n{body}</svg>\n",
            height = self.height,
            description = escape_markup(&self.description),
            body = pen.body,
        );
        drop(pen);
        Drawing { name: self.name, title: self.title, svg }
    }
}

/// The height that a heading with this title and definition takes, down to where a chart may begin.
pub fn heading_height(title: &str, definition: &str) -> f64 {
    let lines = |text: &str, size: f64, weight| {
        f64::from(u16::try_from(wrapped(text, WIDTH - 2.0 * MARGIN, size, weight).len()).unwrap_or(9))
    };
    MARGIN + lines(title, TITLE, Weight::Bold) * TITLE * 1.3 + paragraph_height(definition) + 12.0
}

/// The height that a small wrapped text takes.
pub fn paragraph_height(text: &str) -> f64 {
    f64::from(u16::try_from(wrapped(text, WIDTH - 2.0 * MARGIN, SMALL, Weight::Regular).len()).unwrap_or(9)) * SMALL * 1.35
}

/// Moves places apart so that neighbours (of heights `heights`) don't overlap and all stay between `top` and `bottom`.
pub fn spread(places: &[f64], heights: &[f64], top: f64, bottom: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..places.len()).collect();
    order.sort_by(|&a, &b| places[a].total_cmp(&places[b]).then(a.cmp(&b)));
    let mut moved = places.to_vec();
    let mut edge = top;
    for &place in &order {
        moved[place] = moved[place].max(edge + heights[place] / 2.0);
        edge = moved[place] + heights[place] / 2.0;
    }
    let mut edge = bottom;
    for &place in order.iter().rev() {
        moved[place] = moved[place].min(edge - heights[place] / 2.0);
        edge = moved[place] - heights[place] / 2.0;
    }
    moved
}
