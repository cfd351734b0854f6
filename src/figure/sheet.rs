//! What the charts draw on: lines, areas, rectangles and text in pixels, through the drawing library.

use std::cell::RefCell;
use std::fmt::Write as _;
use std::rc::Rc;

use plotters::coord::Shift;
use plotters::prelude::{
    Circle, Color, DrawingArea, FontStyle, IntoDrawingArea, PathElement, Polygon, RGBColor, Rectangle, ShapeStyle, Text,
    TextStyle,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::Drawing;
use super::palette::{Colour, INK, Marker, SOFT, WHITE};
use super::stage::{Outcome, Stage};
use super::svg_backend::{Pen, SvgBackend, UNITS};
use super::text_width::wrapped;
use crate::wording::escape_markup;

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
    stage: Stage,
    needs: f64,
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

/// A name as an id: what could end an attribute or part a list of ids becomes a hyphen.
fn id(name: &str) -> String {
    name.chars().map(|letter| if letter.is_ascii_alphanumeric() || letter == '_' { letter } else { '-' }).collect()
}

const fn rgb((r, g, b): Colour) -> RGBColor {
    RGBColor(r, g, b)
}

impl Sheet {
    /// An empty sheet whose content takes this height. The description is read by screen readers.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a sheet of some thousand pixels")]
    pub fn new(stage: &Stage, name: &str, title: &str, description: &str, content: f64) -> Self {
        let needs = (content + stage.note_height()).ceil();
        let height = stage.height.unwrap_or(needs);
        let pen = Rc::new(RefCell::new(Pen { body: String::new(), dash: Vec::new(), paper: stage.paper.shown(WHITE) }));
        let area = SvgBackend::new(Rc::clone(&pen), stage.width.ceil() as u32, height.ceil() as u32).into_drawing_area();
        let sheet = Self {
            stage: stage.clone(),
            needs,
            name: name.to_owned(),
            title: stage.title(title).to_owned(),
            description: description.to_owned(),
            height,
            pen,
            area,
        };
        sheet.rectangle((0.0, 0.0), (stage.width, height), WHITE, 1.0);
        sheet
    }

    fn shown(&self, colour: Colour) -> RGBColor {
        rgb(self.stage.paper.shown(colour))
    }

    fn dash(&self, pattern: &[u8]) {
        self.pen.borrow_mut().dash = pattern.to_vec();
    }

    /// A line through points.
    pub fn line(&self, points: &[(f64, f64)], colour: Colour, width: f64, dash: &[u8]) {
        // Drawing into memory can't fail; so here and below, what the library returns says nothing.
        self.dash(dash);
        let style =
            ShapeStyle { color: self.shown(colour).to_rgba(), filled: false, stroke_width: units(width).unsigned_abs() };
        let _ = self.area.draw(&PathElement::new(points.iter().copied().map(at).collect::<Vec<_>>(), style));
        self.dash(&[]);
    }

    /// A filled area.
    pub fn area(&self, corners: &[(f64, f64)], colour: Colour, opacity: f64) {
        let _ = self.area.draw(&Polygon::new(
            corners.iter().copied().map(at).collect::<Vec<_>>(),
            self.shown(colour).mix(opacity).filled(),
        ));
    }

    /// A filled rectangle.
    pub fn rectangle(&self, from: (f64, f64), to: (f64, f64), colour: Colour, opacity: f64) {
        let _ = self.area.draw(&Rectangle::new([at(from), at(to)], self.shown(colour).mix(opacity).filled()));
    }

    /// Clears a strip from edge to edge for words, so that no grid line runs through them.
    pub fn clear(&self, top: f64, bottom: f64) {
        self.rectangle((MARGIN, top), (self.stage.width - MARGIN, bottom), WHITE, 1.0);
    }

    /// An outlined rectangle.
    pub fn outline(&self, from: (f64, f64), to: (f64, f64), colour: Colour, width: f64) {
        let style =
            ShapeStyle { color: self.shown(colour).to_rgba(), filled: false, stroke_width: units(width).unsigned_abs() };
        let _ = self.area.draw(&Rectangle::new([at(from), at(to)], style));
    }

    /// A level's point.
    pub fn marker(&self, (x, y): (f64, f64), marker: Marker, colour: Colour) {
        let r = 5.5;
        let circle = |filled: bool| {
            let style = ShapeStyle { color: self.shown(colour).to_rgba(), filled, stroke_width: units(2.0).unsigned_abs() };
            let _ = self.area.draw(&Circle::new(at((x, y)), units(r), style));
        };
        let square = [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)];
        let triangle = [(x, y - r * 1.2), (x + r * 1.1, y + r * 0.8), (x - r * 1.1, y + r * 0.8)];
        let wedge = triangle.map(|(corner, height)| (corner, 2.0 * y - height));
        let hollow = |corners: &[(f64, f64)]| {
            self.area(corners, WHITE, 1.0);
            let closed: Vec<(f64, f64)> = corners.iter().chain(corners.iter().take(2)).copied().collect();
            self.line(&closed, colour, 2.0, &[]);
        };
        match marker {
            Marker::Disc => circle(true),
            Marker::Square => self.area(&square, colour, 1.0),
            Marker::Triangle => self.area(&triangle, colour, 1.0),
            Marker::Wedge => self.area(&wedge, colour, 1.0),
            Marker::Ring => circle(false),
            Marker::Box => hollow(&square),
            Marker::Tent => hollow(&triangle),
            Marker::Cross => {
                self.line(&[(x - r, y - r), (x + r, y + r)], colour, 2.4, &[]);
                self.line(&[(x - r, y + r), (x + r, y - r)], colour, 2.4, &[]);
            }
        }
    }

    /// A line of text; `place` is its anchor on the middle of its height.
    pub fn text(&self, text: &str, place: (f64, f64), size: f64, weight: Weight, anchor: Anchor, colour: Colour) {
        self.text_as_it_is(&self.stage.written(text), place, size, weight, anchor, colour);
    }

    /// The same, whatever the stage does with numbers: for what the speaker wrote.
    fn text_as_it_is(&self, text: &str, place: (f64, f64), size: f64, weight: Weight, anchor: Anchor, colour: Colour) {
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
        let colour = self.shown(colour);
        let style = TextStyle::from(font).pos(Pos::new(horizontal, VPos::Center)).color(&colour);
        let _ = self.area.draw(&Text::new(text.to_owned(), at(place), style));
    }

    /// Opens a group of a class with a title of its own, which browsers show on pointing.
    pub fn open(&self, class: &'static str, title: &str) {
        let _ = writeln!(
            self.pen.borrow_mut().body,
            "<g class=\"{class}\"><title>{}</title>",
            escape_markup(&self.stage.written(title))
        );
    }

    /// Closes a group.
    pub fn close(&self) {
        self.pen.borrow_mut().body.push_str("</g>\n");
    }

    /// The title and, wrapped below it, the definition; their height is [`Stage::heading_height`].
    pub fn heading(&self, definition: &str) {
        let mut y = MARGIN;
        for line in wrapped(&self.title, self.stage.room(), TITLE, Weight::Bold) {
            let written = if self.stage.title.is_some() { line.as_str().into() } else { self.stage.written(&line) };
            self.text_as_it_is(&written, (MARGIN, y + TITLE * 0.65), TITLE, Weight::Bold, Anchor::Start, INK);
            y += TITLE * 1.3;
        }
        self.paragraph(definition, y + 4.0);
    }

    /// Small wrapped text from a height down.
    pub fn paragraph(&self, text: &str, from: f64) {
        self.lines(&self.stage.written(text), from, SOFT);
    }

    fn lines(&self, text: &str, from: f64, colour: Colour) {
        for (place, line) in wrapped(text, self.stage.room(), SMALL, Weight::Regular).iter().enumerate() {
            self.text_as_it_is(
                line,
                (MARGIN, from + (many(place) + 0.5) * SMALL * 1.35),
                SMALL,
                Weight::Regular,
                Anchor::Start,
                colour,
            );
        }
    }

    /// The finished drawing.
    pub fn finish(self) -> Drawing {
        if let Some(note) = &self.stage.note {
            self.lines(note, self.height - MARGIN - self.stage.note_height() + 6.0, INK);
        }
        let _ = self.area.present();
        let (name, title) = (id(&self.name), escape_markup(&self.title));
        let (width, height) = (self.stage.width, self.height);
        let size = match self.stage.outcome {
            Outcome::Units => format!("width=\"{width}\" height=\"{height}\""),
            Outcome::Pixels(wide, high) => format!("width=\"{wide}\" height=\"{high}\""),
            Outcome::Millimetres(wide) => {
                format!("width=\"{wide}mm\" height=\"{:.2}mm\"", f64::from(wide) * height / width)
            }
        };
        let pen = self.pen.borrow();
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" {size} viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{name}-title {name}-description\" font-family=\"DejaVu Sans, Verdana, sans-serif\">\n<title id=\"{name}-title\">{title}</title>\n<desc id=\"{name}-description\">{description}</desc>\n{body}</svg>\n",
            description = escape_markup(&self.stage.written(&self.description)),
            body = pen.body,
        );
        drop(pen);
        Drawing { name: self.name, title: self.title, svg, needs: self.needs }
    }
}

/// A number of lines or rows as a factor of heights.
pub fn many(number: usize) -> f64 {
    f64::from(u32::try_from(number).unwrap_or(u32::MAX))
}

/// Moves places apart so that neighbours (of heights `heights`) don't overlap and all stay between `top` and `bottom`.
///
/// Places that collide form a block around the mean of where its members want to be, and blocks that collide are merged (the
/// pool-adjacent-violators way), so labels are moved as little as may be and keep their order.
pub fn spread(places: &[f64], heights: &[f64], top: f64, bottom: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..places.len()).collect();
    order.sort_by(|&a, &b| places[a].total_cmp(&places[b]).then(a.cmp(&b)));
    // A block: its members as a range of `order`, the sum of where each wants the block's upper edge, and its height.
    let mut blocks: Vec<(usize, usize, f64, f64)> = Vec::new();
    let edge = |block: &(usize, usize, f64, f64)| (block.2 / many(block.1 - block.0)).min(bottom - block.3).max(top);
    for (rank, &place) in order.iter().enumerate() {
        let mut block = (rank, rank + 1, places[place] - heights[place] / 2.0, heights[place]);
        while let Some(above) = blocks.pop_if(|above| edge(above) + above.3 > edge(&block)) {
            let wanted = above.2 + block.2 - above.3 * many(block.1 - block.0);
            block = (above.0, block.1, wanted, above.3 + block.3);
        }
        blocks.push(block);
    }
    let mut moved = places.to_vec();
    for block in &blocks {
        let mut y = edge(block);
        for &place in &order[block.0..block.1] {
            moved[place] = y + heights[place] / 2.0;
            y += heights[place];
        }
    }
    moved
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_moved_apart_no_more_than_needed_and_stay_in_order() {
        assert_eq!(spread(&[50.0, 10.0], &[10.0, 10.0], 0.0, 100.0), [50.0, 10.0]);
        assert_eq!(spread(&[50.0, 50.0], &[10.0, 10.0], 0.0, 100.0), [45.0, 55.0]);
        assert_eq!(spread(&[2.0, 1.0, 99.0], &[10.0, 10.0, 10.0], 0.0, 100.0), [15.0, 5.0, 95.0]);
        assert_eq!(spread(&[50.0, 50.0, 56.0], &[10.0, 10.0, 10.0], 0.0, 100.0), [42.0, 52.0, 62.0]);
    }

    #[test]
    fn text_from_files_can_not_end_a_tag_or_an_id() {
        let sheet = Sheet::new(&Stage::default(), "a b\"<c>", "T & <t>", "D \"d\"", 50.0);
        sheet.text("<script>", (0.0, 20.0), TEXT, Weight::Regular, Anchor::Start, INK);
        let drawing = sheet.finish();
        assert!(drawing.svg.contains("aria-labelledby=\"a-b--c--title a-b--c--description\""), "{}", drawing.svg);
        assert!(drawing.svg.contains("<title id=\"a-b--c--title\">T &amp; &lt;t&gt;</title>"));
        assert!(drawing.svg.contains(">&lt;script&gt;</text>"));
    }
}
