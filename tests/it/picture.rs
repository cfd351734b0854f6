//! SVG to PNG with one bundled font, so that charts can be looked at.

use std::sync::Arc;

use resvg::{tiny_skia, usvg};

/// A picture of an SVG, one pixel a pixel.
pub fn png(svg: &str) -> Vec<u8> {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    let options =
        usvg::Options { fontdb: Arc::new(fonts), font_family: "DejaVu Sans".to_owned(), ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).expect("an SVG that can be read");
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height()).expect("a picture");
    resvg::render(&tree, tiny_skia::Transform::default(), &mut pixels.as_mut());
    pixels.encode_png().expect("a PNG")
}
