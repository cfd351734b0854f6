//! How colours look, for the tests of the palette: their contrast, how far apart they are, and what colour-blind eyes see.
//!
//! Sources, from memory: relative luminance and contrast, WCAG 2.x (W3C 2018); linear light, sRGB (IEC 61966-2-1); L*a*b*, CIE 1976,
//! white point D65; CIEDE2000, Sharma G, Wu W, Dalal EN. Color Res Appl 2005;30:21–30; deuteranopes and protanopes, Machado GM,
//! Oliveira MM, Fernandes LAF. IEEE Trans Vis Comput Graph 2009;15:1291–1298 (severity 1.0), and Viénot F, Brettel H, Mollon JD. Color
//! Res Appl 1999;24:243–252.

use super::palette::Colour;

type Matrix = [[f64; 3]; 3];

const LUMINANCE: [f64; 3] = [0.2126, 0.7152, 0.0722];

fn linear((r, g, b): Colour) -> [f64; 3] {
    [r, g, b].map(|value| {
        let value = f64::from(value) / 255.0;
        if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
    })
}

fn dot(one: [f64; 3], other: [f64; 3]) -> f64 {
    one.iter().zip(other).map(|(one, other)| one * other).sum()
}

fn apply(matrix: Matrix, rgb: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| dot(row, rgb).clamp(0.0, 1.0))
}

/// CIE 1976 L*a*b* from linear light.
fn lab(rgb: [f64; 3]) -> [f64; 3] {
    let xyz = apply([[0.4124, 0.3576, 0.1805], LUMINANCE, [0.0193, 0.1192, 0.9505]], rgb);
    let f = |t: f64| if t > 0.008856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
    let [x, y, z] = [f(xyz[0] / 0.95047), f(xyz[1]), f(xyz[2] / 1.08883)];
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// The contrast ratio of two colours.
pub fn contrast(one: Colour, other: Colour) -> f64 {
    let (one, other) = (dot(LUMINANCE, linear(one)) + 0.05, dot(LUMINANCE, linear(other)) + 0.05);
    one.max(other) / one.min(other)
}

/// CIE L*, 0 to 100.
pub fn lightness(colour: Colour) -> f64 {
    lab(linear(colour))[0]
}

/// The difference of CIE 1976.
pub fn difference_1976(one: [f64; 3], other: [f64; 3]) -> f64 {
    one.iter().zip(other).map(|(one, other)| (one - other).powi(2)).sum::<f64>().sqrt()
}

/// The difference CIEDE2000 of two colours in L*a*b*, all factors 1. In the paper's letters, primes left out.
pub fn difference_2000(one: [f64; 3], other: [f64; 3]) -> f64 {
    let seventh = |c: f64| (c.powi(7) / (c.powi(7) + 25.0_f64.powi(7))).sqrt();
    let g = 0.5 * (1.0 - seventh(f64::midpoint(one[1].hypot(one[2]), other[1].hypot(other[2]))));
    let polar = |[l, a, b]: [f64; 3]| {
        let a = (1.0 + g) * a;
        (l, a.hypot(b), b.atan2(a).to_degrees().rem_euclid(360.0))
    };
    let ((l1, c1, h1), (l2, c2, h2)) = (polar(one), polar(other));
    let grey = c1 * c2 < 1e-12;
    // The hue's difference the short way round, and the middle of that way.
    let turn = if grey { 0.0 } else { (h2 - h1 + 180.0).rem_euclid(360.0) - 180.0 };
    let h = if grey { h1 + h2 } else { h1 + turn / 2.0 };
    let (dl, dc, dh) = (l2 - l1, c2 - c1, 2.0 * (c1 * c2).sqrt() * (turn / 2.0).to_radians().sin());
    let (l, c) = (f64::midpoint(l1, l2), f64::midpoint(c1, c2));
    let cosine = |degrees: f64| degrees.to_radians().cos();
    let t = 1.0 - 0.17 * cosine(h - 30.0) + 0.24 * cosine(2.0 * h) + 0.32 * cosine(3.0 * h + 6.0)
        - 0.20 * cosine(4.0 * h - 63.0);
    let (off, s_c, s_h) = ((l - 50.0).powi(2), 1.0 + 0.045 * c, 1.0 + 0.015 * c * t);
    let s_l = 1.0 + 0.015 * off / (20.0 + off).sqrt();
    let around = (h.rem_euclid(360.0) - 275.0) / 25.0;
    let r_t = -2.0 * seventh(c) * (60.0 * (-around * around).exp()).to_radians().sin();
    let (x, y, z) = (dl / s_l, dc / s_c, dh / s_h);
    (x * x + y * y + z * z + r_t * y * z).sqrt()
}

const USUAL: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
const MACHADO_DEUTERANOPE: Matrix =
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]];
const MACHADO_PROTANOPE: Matrix =
    [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]];
// Multiplied out: from linear light to cones, the missing cone made from the other two, and back.
const VIENOT_DEUTERANOPE: Matrix = [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]];
const VIENOT_PROTANOPE: Matrix = [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]];

/// What usual, deuteranope and protanope eyes see of a colour, in L*a*b*.
pub fn every_eye() -> impl Iterator<Item = (&'static str, impl Fn(Colour) -> [f64; 3])> {
    [
        ("usual eyes", USUAL),
        ("deuteranope, Machado", MACHADO_DEUTERANOPE),
        ("protanope, Machado", MACHADO_PROTANOPE),
        ("deuteranope, Viénot", VIENOT_DEUTERANOPE),
        ("protanope, Viénot", VIENOT_PROTANOPE),
    ]
    .into_iter()
    .map(|(name, matrix)| (name, move |colour| lab(apply(matrix, linear(colour)))))
}

/// Pairs of the table of test data in Sharma, Wu and Dalal 2005 (from memory), to its four digits.
#[test]
fn differences_are_those_of_the_published_table() {
    for (one, other, published) in [
        ([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485], 2.0425),
        ([50.0, 3.1571, -77.2803], [50.0, 0.0, -82.7485], 2.8615),
        ([50.0, -1.0, 2.0], [50.0, 0.0, 0.0], 2.3669),
        ([50.0, 2.49, -0.001], [50.0, -2.49, 0.0009], 7.1792),
        ([50.0, 2.5, 0.0], [50.0, 0.0, -2.5], 4.3065),
        ([50.0, 2.5, 0.0], [73.0, 25.0, -18.0], 27.1492),
    ] {
        let found = difference_2000(one, other);
        assert!((found - published).abs() < 5e-5, "{one:?} {other:?}: {found}, published {published}");
    }
}

/// A grey has no colour to lose: rows sum to 1. Red and green of one colour-blind line of confusion look alike.
#[test]
fn colour_blind_eyes_see_greys_as_they_are_and_lose_red_against_green() {
    for (name, eyes) in every_eye() {
        let grey = (0x80, 0x80, 0x80);
        assert!(difference_1976(eyes(grey), lab(linear(grey))) < 0.2, "{name}");
        // An olive green and a brown of its lightness.
        let apart = difference_1976(eyes((0x9a, 0x5a, 0x10)), eyes((0x66, 0x70, 0x10)));
        assert!((apart < 10.0) == (name != "usual eyes"), "{name}: {apart}");
    }
}

/// Black on white is 21 : 1, and #767676 is the lightest grey with 4.5 : 1 on white (as the guidance on WCAG 2 says; from memory).
#[test]
fn contrasts_are_those_of_the_guidelines() {
    let white = (0xff, 0xff, 0xff);
    assert!((contrast((0, 0, 0), white) - 21.0).abs() < 1e-9);
    assert!(contrast((0x76, 0x76, 0x76), white) >= 4.5 && contrast((0x77, 0x77, 0x77), white) < 4.5);
}
