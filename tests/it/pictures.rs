//! Every chart of the committed review is drawn again as a picture, to be looked at, and its texts are held apart.

use std::fs;
use std::path::Path;

use manebit::figure::sheet::Weight;
use manebit::figure::text_width::text_width;

use crate::picture::png;

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split(&format!(" {name}=\"")).nth(1)?.split('"').next()
}

/// The boxes of all texts of an SVG: what it says, left, right, top, bottom.
fn texts(svg: &str) -> Vec<(String, f64, f64, f64, f64)> {
    let number = |tag: &str, name: &str| attribute(tag, name).and_then(|text| text.parse::<f64>().ok()).expect("a number");
    svg.split("<text")
        .skip(1)
        .map(|tag| {
            let said = tag.split('>').nth(1).and_then(|rest| rest.split('<').next()).expect("a text").to_owned();
            let (x, y, size) = (number(tag, "x"), number(tag, "y"), number(tag, "font-size"));
            let head = tag.split('>').next().expect("a tag");
            let weight = if head.contains("font-weight") { Weight::Bold } else { Weight::Regular };
            let plain = said
                .replace("&lt;", "<")
                .replace("&gt;", ">")
                .replace("&amp;", "&")
                .replace("&#39;", "'")
                .replace("&quot;", "\"");
            let width = text_width(&plain, size, weight);
            let left = match attribute(tag, "text-anchor") {
                Some("middle") => x - width / 2.0,
                Some("end") => x - width,
                _ => x,
            };
            (said, left, left + width, y - 0.73 * size, y + 0.2 * size)
        })
        .collect()
}

/// Fails when two texts of a drawing overlap, one leaves the sheet, or one is too small for the back row.
pub fn check_texts(name: &str, svg: &str) {
    let found = texts(svg);
    let height: f64 = attribute(svg, "height").and_then(|text| text.parse().ok()).expect("a height");
    for (place, one) in found.iter().enumerate() {
        assert!(one.1 >= 0.0 && one.2 <= 960.0 && one.3 >= 0.0 && one.4 <= height, "{name}: “{}” leaves the sheet", one.0);
        assert!(one.4 - one.3 >= 0.93 * 13.0, "{name}: “{}” is too small", one.0);
        for other in &found[..place] {
            let apart = one.2 <= other.1 + 0.5 || other.2 <= one.1 + 0.5 || one.4 <= other.3 + 0.5 || other.4 <= one.3 + 0.5;
            assert!(apart, "{name}: “{}” and “{}” overlap", one.0, other.0);
        }
    }
}

#[test]
fn texts_of_the_committed_charts_keep_apart_and_pictures_are_made() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let pictures = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pictures");
    fs::create_dir_all(&pictures).expect("a folder");
    let mut seen = 0;
    let charts = |folder: &str| fs::read_dir(root.join(folder)).expect("the committed charts").flatten();
    let all = charts("reports/charts").map(|entry| ("", entry));
    for (before, entry) in all.chain(charts("reports/comparison/charts").map(|entry| ("comparison-", entry))) {
        let svg = fs::read_to_string(entry.path()).expect("a chart");
        let name = format!("{before}{}", entry.file_name().to_string_lossy());
        check_texts(&name, &svg);
        let picture = png(&svg);
        assert!(picture.len() > 5000, "{name} is nearly empty");
        fs::write(pictures.join(name.replace(".svg", ".png")), picture).expect("a picture");
        seen += 1;
    }
    assert!(seen >= 15, "{seen} charts");
}
