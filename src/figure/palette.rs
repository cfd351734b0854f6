//! Colours and line patterns that survive greyscale and colour blindness.
//!
//! Eight levels: no two of the first four lie closer than 12 in lightness (CIE L*), all carry at least 3 : 1 contrast on white, and
//! each has a dash pattern of its own besides. A test computes this, also through the eyes of deuteranopes and protanopes.

/// A colour as red, green, blue.
pub type Colour = (u8, u8, u8);

/// Text and axes.
pub const INK: Colour = (0x1d, 0x23, 0x30);
/// Less important text.
pub const SOFT: Colour = (0x52, 0x5b, 0x6e);
/// Grid lines.
pub const GRID: Colour = (0xdd, 0xe0, 0xe7);
/// The sheet.
pub const WHITE: Colour = (0xff, 0xff, 0xff);
/// Scores that are ideal, acceptable, unacceptable.
pub const STANDINGS: [Colour; 3] = [(0xe3, 0xe8, 0xef), (0x8f, 0xab, 0xcf), (0x7a, 0x1c, 0x1c)];

/// How a level is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Its colour.
    pub colour: Colour,
    /// Its dash pattern, pixels on and off; empty for a solid line.
    pub dash: &'static [u8],
}

const LOOKS: [Look; 8] = [
    Look { colour: (0x3d, 0x1a, 0x48), dash: &[] },
    Look { colour: (0xc8, 0x80, 0x0e), dash: &[9, 4] },
    Look { colour: (0x0a, 0x56, 0x41), dash: &[3, 3] },
    Look { colour: (0xa9, 0x40, 0xae), dash: &[12, 3, 3, 3] },
    Look { colour: (0x00, 0x42, 0x0c), dash: &[16, 4] },
    Look { colour: (0x8b, 0x8f, 0x95), dash: &[6, 2, 2, 2, 2, 2] },
    Look { colour: (0x26, 0x0c, 0x0a), dash: &[2, 5] },
    Look { colour: (0x72, 0x61, 0x12), dash: &[12, 3, 3, 3, 3, 3] },
];

/// How the level at a place is drawn; past the eighth they come round again.
pub fn look(place: usize) -> Look {
    LOOKS[place % LOOKS.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear((r, g, b): Colour) -> [f64; 3] {
        [r, g, b].map(|value| {
            let value = f64::from(value) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        })
    }

    fn apply(matrix: [[f64; 3]; 3], rgb: [f64; 3]) -> [f64; 3] {
        matrix.map(|row| row.iter().zip(rgb).map(|(a, b)| a * b).sum::<f64>().clamp(0.0, 1.0))
    }

    /// CIE 1976 L*a*b* from linear sRGB, white point D65 (IEC 61966-2-1; from memory).
    fn lab(rgb: [f64; 3]) -> [f64; 3] {
        let xyz = apply([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], rgb);
        let f = |t: f64| if t > 0.008856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
        let [x, y, z] = [f(xyz[0] / 0.95047), f(xyz[1]), f(xyz[2] / 1.08883)];
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
        a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
    }

    /// Machado, Oliveira & Fernandes, IEEE Trans Vis Comput Graph 2009;15:1291–1298, severity 1.0 (from memory).
    const DEUTERANOPE: [[f64; 3]; 3] =
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]];
    const PROTANOPE: [[f64; 3]; 3] =
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]];

    #[test]
    fn every_level_stands_out_from_white() {
        for look in LOOKS {
            let luminance = apply([[0.2126, 0.7152, 0.0722]; 3], linear(look.colour))[0];
            assert!(1.05 / (luminance + 0.05) >= 3.0, "{look:?}");
        }
    }

    #[test]
    fn the_first_four_differ_in_greyscale_and_all_differ_to_colour_blind_eyes() {
        for (place, one) in LOOKS.iter().enumerate() {
            for other in &LOOKS[..place] {
                assert_ne!(one.dash, other.dash);
                let (a, b) = (linear(one.colour), linear(other.colour));
                if place < 4 {
                    assert!((lab(a)[0] - lab(b)[0]).abs() >= 12.0, "{one:?} {other:?} in greyscale");
                }
                for eyes in [DEUTERANOPE, PROTANOPE] {
                    let seen = distance(lab(apply(eyes, a)), lab(apply(eyes, b)));
                    assert!(seen >= 15.0, "{one:?} {other:?}: {seen}");
                }
            }
        }
    }

    #[test]
    fn standings_go_from_light_to_dark() {
        let lightness = STANDINGS.map(|colour| lab(linear(colour))[0]);
        assert!(lightness[0] - lightness[1] > 15.0 && lightness[1] - lightness[2] > 30.0, "{lightness:?}");
    }
}
