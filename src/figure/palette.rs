//! Colours and line patterns that survive greyscale and colour blindness.
//!
//! Eight levels. Their lightness (CIE L*) goes from 14 to 62 in eight steps of 6.5 or more, dealt out so that neighbours, and
//! any two of the first four, lie 13 or more apart; to deuteranopes and protanopes any two differ by 25 or more (CIE 1976
//! L*a*b*). Each has a dash pattern and a marker of its own besides. Tests compute all of this.
//!
//! Charts name each colour as it is on white paper; a [`Paper`] says how it is shown.

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

/// The shape of a level's points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Marker {
    /// A disc.
    Disc,
    /// A square.
    Square,
    /// A triangle on its base.
    Triangle,
    /// A triangle on its tip.
    Wedge,
    /// A ring.
    Ring,
    /// A hollow square.
    Box,
    /// A hollow triangle on its base.
    Tent,
    /// A cross.
    Cross,
}

/// How a level is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// The colour of its lines and areas.
    pub colour: Colour,
    /// The same, dark enough to be read as text.
    pub text: Colour,
    /// Its dash pattern, pixels on and off; empty for a solid line.
    pub dash: &'static [u8],
    /// The shape of its points.
    pub marker: Marker,
}

const LOOKS: [Look; 8] = [
    Look { colour: (0x07, 0x05, 0x80), text: (0x07, 0x05, 0x80), dash: &[], marker: Marker::Disc },
    Look { colour: (0xa1, 0x4a, 0x27), text: (0xa1, 0x4a, 0x27), dash: &[10, 4], marker: Marker::Square },
    Look { colour: (0x5a, 0x32, 0x68), text: (0x5a, 0x32, 0x68), dash: &[3, 3], marker: Marker::Triangle },
    Look { colour: (0xc2, 0x68, 0x7d), text: (0xb7, 0x4b, 0x64), dash: &[12, 3, 3, 3], marker: Marker::Wedge },
    Look { colour: (0x5a, 0x1e, 0x24), text: (0x5a, 0x1e, 0x24), dash: &[20, 5], marker: Marker::Ring },
    Look { colour: (0x43, 0x6b, 0xe3), text: (0x3e, 0x67, 0xe2), dash: &[6, 2, 2, 2, 2, 2], marker: Marker::Box },
    Look { colour: (0x1e, 0x28, 0xf6), text: (0x1e, 0x28, 0xf6), dash: &[2, 5], marker: Marker::Tent },
    Look { colour: (0xde, 0x7c, 0x09), text: (0xa6, 0x5d, 0x07), dash: &[14, 3, 3, 3, 3, 3], marker: Marker::Cross },
];

/// What a chart is drawn on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// White, in colour.
    #[default]
    White,
    /// Dark, for a darkened room.
    Dark,
    /// White, in greys as light as the colours are.
    Grey,
}

/// Each colour on white paper, on dark paper, and as a grey of the same relative luminance.
const SHOWN: [(Colour, Colour, Colour); 18] = [
    (INK, (0xf2, 0xf4, 0xf8), (0x23, 0x23, 0x23)),
    (SOFT, (0xb4, 0xbd, 0xcc), (0x5b, 0x5b, 0x5b)),
    (GRID, (0x3b, 0x43, 0x51), (0xe0, 0xe0, 0xe0)),
    (WHITE, (0x14, 0x18, 0x20), (0xff, 0xff, 0xff)),
    (STANDINGS[0], (0x2c, 0x33, 0x40), (0xe7, 0xe7, 0xe7)),
    (STANDINGS[1], (0x3f, 0x5f, 0x8f), (0xa9, 0xa9, 0xa9)),
    (STANDINGS[2], (0xf0, 0x9a, 0x8a), (0x40, 0x40, 0x40)),
    (LOOKS[0].colour, (0x6e, 0xa0, 0xff), (0x23, 0x23, 0x23)),
    (LOOKS[1].colour, (0xff, 0xbe, 0x80), (0x64, 0x64, 0x64)),
    (LOOKS[2].colour, (0xb9, 0x8c, 0xd9), (0x42, 0x42, 0x42)),
    (LOOKS[3].colour, (0xff, 0xe0, 0xe8), (0x83, 0x83, 0x83)),
    (LOOKS[3].text, (0xff, 0xe0, 0xe8), (0x6f, 0x6f, 0x6f)),
    (LOOKS[4].colour, (0xe0, 0x6f, 0x6a), (0x32, 0x32, 0x32)),
    (LOOKS[5].colour, (0x5f, 0xd0, 0xd8), (0x73, 0x73, 0x73)),
    (LOOKS[5].text, (0x5f, 0xd0, 0xd8), (0x70, 0x70, 0x70)),
    (LOOKS[6].colour, (0x3f, 0xae, 0x6e), (0x52, 0x52, 0x52)),
    (LOOKS[7].colour, (0xf6, 0xf0, 0x7a), (0x94, 0x94, 0x94)),
    (LOOKS[7].text, (0xf6, 0xf0, 0x7a), (0x6f, 0x6f, 0x6f)),
];

impl Paper {
    /// How a colour of this palette is shown.
    pub fn shown(self, colour: Colour) -> Colour {
        let listed = SHOWN.iter().find(|(white, ..)| *white == colour);
        match (self, listed) {
            (Self::White, _) | (_, None) => colour,
            (Self::Dark, Some((_, dark, _))) => *dark,
            (Self::Grey, Some((.., grey))) => *grey,
        }
    }
}

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

    /// Contrast with white, by the relative luminance of WCAG 2 (W3C 2018; from memory).
    fn contrast(colour: Colour) -> f64 {
        1.05 / (apply([[0.2126, 0.7152, 0.0722]; 3], linear(colour))[0] + 0.05)
    }

    /// 3 : 1 for lines and 4.5 : 1 for text are WCAG 2's minimum contrasts (criteria 1.4.11 and 1.4.3; from memory).
    #[test]
    fn every_level_stands_out_from_white() {
        for look in LOOKS {
            assert!(contrast(look.colour) >= 3.0, "{look:?}: line {}", contrast(look.colour));
            assert!(contrast(look.text) >= 4.5, "{look:?}: text {}", contrast(look.text));
        }
        assert!(contrast(SOFT) >= 4.5 && contrast(STANDINGS[2]) >= 4.5);
    }

    fn between(one: Colour, other: Colour) -> f64 {
        let (one, other) = (contrast(one), contrast(other));
        one.max(other) / one.min(other)
    }

    #[test]
    fn every_level_stands_out_from_any_paper() {
        for paper in [Paper::White, Paper::Dark, Paper::Grey] {
            let on = |colour: Colour, ground: Colour| between(paper.shown(colour), paper.shown(ground));
            for look in LOOKS {
                assert!(on(look.colour, WHITE) >= 3.0, "{paper:?} {look:?}: line {}", on(look.colour, WHITE));
                assert!(on(look.text, WHITE) >= 4.5, "{paper:?} {look:?}: text {}", on(look.text, WHITE));
            }
            for text in [INK, SOFT, STANDINGS[2]] {
                assert!(on(text, WHITE) >= 4.5, "{paper:?} {text:?}: {}", on(text, WHITE));
            }
            for bar in [STANDINGS[0], STANDINGS[1]] {
                assert!(on(INK, bar) >= 4.5, "{paper:?} text on {bar:?}: {}", on(INK, bar));
            }
        }
    }

    #[test]
    fn on_dark_paper_levels_differ_and_on_grey_paper_no_colour_is_left() {
        for (place, one) in LOOKS.iter().enumerate() {
            for other in &LOOKS[..place] {
                let seen = |look: &Look| lab(linear(Paper::Dark.shown(look.colour)));
                assert!(distance(seen(one), seen(other)) >= 25.0, "{one:?} {other:?}");
            }
        }
        for (white, _, grey) in SHOWN {
            assert!(grey.0 == grey.1 && grey.1 == grey.2, "{grey:?}");
            let step = lab(linear(white))[0] - lab(linear(grey))[0];
            assert!(step.abs() < 0.6, "{white:?} is as light as {grey:?}: {step}");
        }
    }

    #[test]
    fn in_greyscale_all_eight_are_steps_of_their_own_and_the_first_four_are_large_ones() {
        for (place, one) in LOOKS.iter().enumerate() {
            for (earlier, other) in LOOKS[..place].iter().enumerate() {
                let step = (lab(linear(one.colour))[0] - lab(linear(other.colour))[0]).abs();
                assert!(step >= if place < 4 { 12.0 } else { 6.0 }, "{earlier} and {place}: {step}");
                assert!(step >= 13.0 || place - earlier > 1, "neighbours {earlier} and {place}: {step}");
            }
        }
    }

    #[test]
    fn to_colour_blind_eyes_all_differ() {
        for (place, one) in LOOKS.iter().enumerate() {
            for other in &LOOKS[..place] {
                assert!(one.dash != other.dash && one.marker != other.marker);
                for eyes in [DEUTERANOPE, PROTANOPE] {
                    let seen = |look: &Look| lab(apply(eyes, linear(look.colour)));
                    let apart = distance(seen(one), seen(other));
                    assert!(apart >= 25.0, "{one:?} {other:?}: {apart}");
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
