//! Drawings as pictures: PNG and PDF, with the one bundled font, so that they look the same on every machine.
//!
//! No date and no name of a machine is written, so the same drawing gives the same bytes.

use std::sync::Arc;

use krilla::geom::Size;
use krilla::page::PageSettings;
use krilla_svg::{SurfaceExt as _, SvgSettings};
use resvg::{tiny_skia, usvg};

use super::Drawing;
use super::stage::{Outcome, Stage};

/// Dots per inch that journals ask for.
const DOTS_PER_INCH: f64 = 300.0;
const POINTS_PER_INCH: f64 = 72.0;
const MILLIMETRES_PER_INCH: f64 = 25.4;

/// Why there is no picture. A drawing of ours can always be read again, so this is a fault of the program.
#[derive(Debug)]
pub struct NoPicture(String);

impl std::fmt::Display for NoPicture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the drawing could not be made into a picture: {}", self.0)
    }
}

impl std::error::Error for NoPicture {}

fn tree(svg: &str) -> Result<usvg::Tree, NoPicture> {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    let options =
        usvg::Options { fontdb: Arc::new(fonts), font_family: "DejaVu Sans".to_owned(), ..usvg::Options::default() };
    usvg::Tree::from_str(svg, &options).map_err(|error| NoPicture(error.to_string()))
}

/// As a PNG: on a slide its pixels, in print 300 dots to the inch, which the file says.
///
/// # Errors
/// When the drawing can't be read again, or is too large for memory.
pub fn png(drawing: &Drawing, stage: &Stage) -> Result<Vec<u8>, NoPicture> {
    let tree = tree(&drawing.svg)?;
    let size = tree.size();
    let (wide, dots) = match stage.outcome {
        Outcome::Units => (f64::from(size.width()), None),
        Outcome::Pixels(wide, _) => (f64::from(wide), None),
        Outcome::Millimetres(wide) => (f64::from(wide) / MILLIMETRES_PER_INCH * DOTS_PER_INCH, Some(DOTS_PER_INCH)),
    };
    let wide = wide.round();
    let high = (wide * f64::from(size.height()) / f64::from(size.width())).round();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a picture of some thousand pixels")]
    let pixels = tiny_skia::Pixmap::new(wide as u32, high as u32);
    let mut pixels = pixels.ok_or_else(|| NoPicture(format!("{wide} × {high} pixels are too many")))?;
    #[expect(clippy::cast_possible_truncation, reason = "a scale")]
    let (across, down) = ((wide / f64::from(size.width())) as f32, (high / f64::from(size.height())) as f32);
    resvg::render(&tree, tiny_skia::Transform::from_scale(across, down), &mut pixels.as_mut());
    let bytes = pixels.encode_png().map_err(|error| NoPicture(error.to_string()))?;
    Ok(dots.map_or_else(|| bytes.clone(), |dots| with_dots(&bytes, dots)))
}

/// A PNG with the chunk that tells its pixels per metre (W3C, Portable Network Graphics, third edition, 11.3.4.3; from memory).
fn with_dots(png: &[u8], dots: f64) -> Vec<u8> {
    /// The signature's 8 bytes and the header chunk's 4 + 4 + 13 + 4.
    const HEADER: usize = 33;
    if png.len() < HEADER {
        return png.to_vec();
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some ten thousand pixels in a metre")]
    let per_metre = ((dots / MILLIMETRES_PER_INCH * 1000.0).round() as u32).to_be_bytes();
    let mut chunk = b"pHYs".to_vec();
    chunk.extend_from_slice(&per_metre);
    chunk.extend_from_slice(&per_metre);
    chunk.push(1);
    let mut bytes = png[..HEADER].to_vec();
    bytes.extend_from_slice(&9_u32.to_be_bytes());
    bytes.extend_from_slice(&chunk);
    bytes.extend_from_slice(&check_sum(&chunk).to_be_bytes());
    bytes.extend_from_slice(&png[HEADER..]);
    bytes
}

/// The cyclic redundancy check of a PNG's chunks (ISO 3309 polynomial, reflected; from memory).
fn check_sum(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |sum, byte| {
        (0..8).fold(sum ^ u32::from(*byte), |sum, _| if sum & 1 == 1 { (sum >> 1) ^ 0xedb8_8320 } else { sum >> 1 })
    })
}

/// As a PDF of one page: lines stay lines, text stays text, the font is embedded.
///
/// # Errors
/// When the drawing can't be read again.
pub fn pdf(drawing: &Drawing, stage: &Stage) -> Result<Vec<u8>, NoPicture> {
    let tree = tree(&drawing.svg)?;
    let size = tree.size();
    let wide = match stage.outcome {
        // A slide of 1920 pixels is as wide as a page of 13⅓ inches, which is what programs for talks take for 16:9.
        Outcome::Units | Outcome::Pixels(..) => 960.0,
        Outcome::Millimetres(wide) => f64::from(wide) / MILLIMETRES_PER_INCH * POINTS_PER_INCH,
    };
    #[expect(clippy::cast_possible_truncation, reason = "a page of some hundred points")]
    let (wide, high) = (wide as f32, (wide * f64::from(size.height()) / f64::from(size.width())) as f32);
    let no_size = || NoPicture("a page without a size".to_owned());
    let mut document = krilla::Document::new();
    let settings = PageSettings::from_wh(wide, high).ok_or_else(no_size)?;
    let mut page = document.start_page_with(settings);
    let mut surface = page.surface();
    let page_size = Size::from_wh(wide, high).ok_or_else(no_size)?;
    surface.draw_svg(&tree, page_size, SvgSettings::default()).ok_or_else(|| NoPicture("nothing was drawn".to_owned()))?;
    surface.finish();
    page.finish();
    document.set_metadata(krilla::metadata::Metadata::new().title(drawing.title.clone()).language("en".to_owned()));
    document.finish().map_err(|error| NoPicture(format!("{error:?}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of this sum over "123456789" is cbf43926 (from memory), and an end chunk's is ae426082 (as every PNG ends).
    #[test]
    fn chunks_are_summed_as_every_reader_sums_them() {
        assert_eq!(check_sum(b"123456789"), 0xcbf4_3926);
        assert_eq!(check_sum(b"IEND"), 0xae42_6082);
    }
}
