//! The drawing library's extension point, writing SVG.
//!
//! The canvas counts tenths of a pixel. Text stays text. What the library has no word for (dash patterns, groups, opacity of
//! whole groups) is said through a [`Pen`] that is shared with the sheet.

use std::cell::RefCell;
use std::fmt::Write as _;
use std::rc::Rc;

use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontStyle,
};

use super::palette::Colour;
use crate::wording::escape_markup;

/// Canvas units in a pixel.
pub const UNITS: i32 = 10;

/// What is written so far, and how the next strokes look.
#[derive(Debug)]
pub struct Pen {
    /// SVG elements.
    pub body: String,
    /// Dash pattern of the next lines, pixels on and off.
    pub dash: Vec<u8>,
    /// What rings are filled with.
    pub paper: Colour,
}

/// Writes SVG elements.
pub struct SvgBackend {
    pen: Rc<RefCell<Pen>>,
    size: (u32, u32),
}

/// Writing to memory does not fail.
#[derive(Debug)]
pub struct Never;

impl std::fmt::Display for Never {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("writing to memory does not fail")
    }
}

impl std::error::Error for Never {}

type Drawn = Result<(), DrawingErrorKind<Never>>;

impl SvgBackend {
    /// A backend for a sheet of so many pixels.
    pub fn new(pen: Rc<RefCell<Pen>>, width: u32, height: u32) -> Self {
        Self { pen, size: (width * UNITS.unsigned_abs(), height * UNITS.unsigned_abs()) }
    }

    fn points(points: impl IntoIterator<Item = BackendCoord>) -> String {
        let mut text = String::new();
        for (x, y) in without_idle_points(points) {
            let _ = write!(text, "{}{},{}", if text.is_empty() { "" } else { " " }, tenths(x), tenths(y));
        }
        text
    }

    fn stroke<S: BackendStyle>(&self, style: &S) -> String {
        let mut text = format!(
            "stroke=\"{}\" stroke-width=\"{}\"",
            hex(style.color()),
            tenths(i32::try_from(style.stroke_width()).unwrap_or(10))
        );
        if style.color().alpha < 1.0 {
            let _ = write!(text, " stroke-opacity=\"{:.2}\"", style.color().alpha);
        }
        let dash = &self.pen.borrow().dash;
        if !dash.is_empty() {
            let pattern: Vec<String> = dash.iter().map(u8::to_string).collect();
            let _ = write!(text, " stroke-dasharray=\"{}\"", pattern.join(" "));
        }
        text
    }
}

/// Points without those that change nothing: repeated ones, and those in the middle of a level or upright run. A step curve
/// over ten years of days keeps only the steps that can be seen.
fn without_idle_points(points: impl IntoIterator<Item = BackendCoord>) -> Vec<BackendCoord> {
    let mut kept: Vec<BackendCoord> = Vec::new();
    for next in points {
        match kept[..] {
            [.., last] if last == next => continue,
            [.., before, last] if between(before.0, last.0, next.0) && before.1 == last.1 && last.1 == next.1 => {
                kept.pop();
            }
            [.., before, last] if between(before.1, last.1, next.1) && before.0 == last.0 && last.0 == next.0 => {
                kept.pop();
            }
            _ => {}
        }
        kept.push(next);
    }
    kept
}

fn between(one: i32, middle: i32, other: i32) -> bool {
    (one <= middle && middle <= other) || (other <= middle && middle <= one)
}

/// Canvas units as pixels with at most one digit.
pub fn tenths(units: i32) -> String {
    let (whole, part) = (units / UNITS, (units % UNITS).abs());
    let sign = if units < 0 && whole == 0 { "-" } else { "" };
    if part == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{part}") }
}

fn hex(colour: BackendColor) -> String {
    hex_of(colour.rgb)
}

fn hex_of((r, g, b): Colour) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn fill(colour: BackendColor) -> String {
    if colour.alpha < 1.0 {
        format!("fill=\"{}\" fill-opacity=\"{:.2}\"", hex(colour), colour.alpha)
    } else {
        format!("fill=\"{}\"", hex(colour))
    }
}

impl DrawingBackend for SvgBackend {
    type ErrorType = Never;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, colour: BackendColor) -> Drawn {
        let _ = writeln!(
            self.pen.borrow_mut().body,
            "<rect x=\"{}\" y=\"{}\" width=\"0.1\" height=\"0.1\" {}/>",
            tenths(x),
            tenths(y),
            fill(colour)
        );
        Ok(())
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Drawn {
        let stroke = self.stroke(style);
        let points = Self::points(path);
        let _ = writeln!(self.pen.borrow_mut().body, "<polyline points=\"{points}\" fill=\"none\" {stroke}/>");
        Ok(())
    }

    fn draw_rect<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S, filled: bool) -> Drawn {
        let look = if filled { fill(style.color()) } else { format!("fill=\"none\" {}", self.stroke(style)) };
        let (x, y) = (from.0.min(to.0), from.1.min(to.1));
        let (width, height) = ((from.0 - to.0).abs(), (from.1 - to.1).abs());
        let _ = writeln!(
            self.pen.borrow_mut().body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" {look}/>",
            tenths(x),
            tenths(y),
            tenths(width),
            tenths(height)
        );
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(&mut self, (x, y): BackendCoord, radius: u32, style: &S, filled: bool) -> Drawn {
        let look = if filled {
            fill(style.color())
        } else {
            format!("fill=\"{}\" {}", hex_of(self.pen.borrow().paper), self.stroke(style))
        };
        let radius = tenths(i32::try_from(radius).unwrap_or(UNITS));
        let (x, y) = (tenths(x), tenths(y));
        let _ = writeln!(self.pen.borrow_mut().body, "<circle cx=\"{x}\" cy=\"{y}\" r=\"{radius}\" {look}/>");
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, corners: I, style: &S) -> Drawn {
        let points = Self::points(corners);
        let _ = writeln!(self.pen.borrow_mut().body, "<polygon points=\"{points}\" {}/>", fill(style.color()));
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, (x, y): BackendCoord) -> Drawn {
        let anchor = match style.anchor().h_pos {
            HPos::Left => "start",
            HPos::Center => "middle",
            HPos::Right => "end",
        };
        let size = style.size();
        // Baselines by the font's usual proportions: x-height and ascent as parts of the size.
        let drop = match style.anchor().v_pos {
            VPos::Top => size * 0.76,
            VPos::Center => size * 0.36,
            VPos::Bottom => 0.0,
        };
        #[expect(clippy::cast_possible_truncation, reason = "a shift of some pixels")]
        let y = y + drop.round() as i32;
        let weight = if matches!(style.style(), FontStyle::Bold) { " font-weight=\"bold\"" } else { "" };
        let _ = writeln!(
            self.pen.borrow_mut().body,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\" font-size=\"{}\" {}{weight}>{}</text>",
            tenths(x),
            tenths(y),
            size / f64::from(UNITS),
            fill(style.color()),
            escape_markup(text)
        );
        Ok(())
    }

    fn estimate_text_size<S: BackendTextStyle>(&self, text: &str, style: &S) -> Result<(u32, u32), DrawingErrorKind<Never>> {
        let width = super::text_width::text_width(text, style.size(), super::sheet::Weight::Regular);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a text's size in canvas units")]
        Ok((width.ceil() as u32, style.size().ceil() as u32))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tenths_keep_their_sign() {
        assert_eq!([0, 5, 10, 123, -3, -12, -20].map(tenths), ["0", "0.5", "1", "12.3", "-0.3", "-1.2", "-2"]);
    }

    #[test]
    fn points_that_change_nothing_are_left_out_and_turns_are_kept() {
        let steps = [(0, 0), (5, 0), (5, 0), (9, 0), (9, 4), (9, 7), (12, 7)];
        assert_eq!(without_idle_points(steps), [(0, 0), (9, 0), (9, 7), (12, 7)]);
        let back = [(0, 0), (9, 0), (4, 0)];
        assert_eq!(without_idle_points(back), back, "a line that turns back keeps its end");
    }
}
