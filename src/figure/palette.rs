//! Colours and line patterns that survive greyscale and colour blindness.
//!
//! Eight levels. On white their lightness (CIE L*) goes from 14 to 62 in eight steps of 6 or more, dealt out so that neighbours, and
//! any two of the first four, lie 12 or more apart; on dark paper from 54 to 99 in steps of 5 and 10. To usual eyes, deuteranopes and
//! protanopes any two differ by 8 or more (CIEDE2000). Each has a dash pattern and a marker of its own besides. Tests compute all
//! of this.
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
    (LOOKS[0].colour, (0x8c, 0x98, 0xef), (0x23, 0x23, 0x23)),
    (LOOKS[1].colour, (0xf7, 0xad, 0xad), (0x64, 0x64, 0x64)),
    (LOOKS[2].colour, (0x1d, 0x96, 0x26), (0x42, 0x42, 0x42)),
    (LOOKS[3].colour, (0xff, 0xfd, 0xf4), (0x83, 0x83, 0x83)),
    (LOOKS[3].text, (0xff, 0xfd, 0xf4), (0x6f, 0x6f, 0x6f)),
    (LOOKS[4].colour, (0xf0, 0x58, 0x9e), (0x32, 0x32, 0x32)),
    (LOOKS[5].colour, (0xa9, 0xd7, 0xe7), (0x73, 0x73, 0x73)),
    (LOOKS[5].text, (0xa9, 0xd7, 0xe7), (0x70, 0x70, 0x70)),
    (LOOKS[6].colour, (0x24, 0xc8, 0x68), (0x52, 0x52, 0x52)),
    (LOOKS[7].colour, (0x88, 0xfc, 0x6a), (0x94, 0x94, 0x94)),
    (LOOKS[7].text, (0x88, 0xfc, 0x6a), (0x6f, 0x6f, 0x6f)),
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
    use super::super::sight::{contrast, difference_1976, difference_2000, every_eye, lightness};
    use super::*;

    const PAPERS: [Paper; 3] = [Paper::White, Paper::Dark, Paper::Grey];

    /// Any two looks with their places, the earlier one first.
    fn pairs() -> impl Iterator<Item = ((usize, Look), (usize, Look))> {
        let looks = || LOOKS.into_iter().enumerate();
        looks().flat_map(move |other| looks().take(other.0).map(move |one| (one, other)))
    }

    /// 3 : 1 for lines and 4.5 : 1 for text are WCAG 2's minimum contrasts (criteria 1.4.11 and 1.4.3; from memory).
    #[test]
    fn every_level_and_all_text_stand_out_from_any_paper() {
        for paper in PAPERS {
            let on = |colour: Colour, ground: Colour| contrast(paper.shown(colour), paper.shown(ground));
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
    fn every_level_has_a_dash_and_a_marker_of_its_own() {
        for ((_, one), (_, other)) in pairs() {
            assert!(one.dash != other.dash && one.marker != other.marker, "{one:?} {other:?}");
        }
    }

    /// A CIEDE2000 difference of 1 is about what can just be seen side by side; 8 is told apart at a glance.
    #[test]
    fn to_usual_and_colour_blind_eyes_all_differ_on_light_and_dark() {
        for paper in [Paper::White, Paper::Dark] {
            for ((_, one), (_, other)) in pairs() {
                for (name, eyes) in every_eye() {
                    let seen = |look: Look| eyes(paper.shown(look.colour));
                    let apart = difference_2000(seen(one), seen(other));
                    assert!(apart >= 8.0, "{paper:?}, {name}: {one:?} {other:?}: {apart}");
                    let apart = difference_1976(seen(one), seen(other));
                    assert!(paper == Paper::Dark || apart >= 25.0, "{paper:?}, {name}: {one:?} {other:?}: {apart}");
                }
            }
        }
    }

    #[test]
    fn in_greyscale_all_eight_are_steps_of_their_own_and_the_first_four_are_large_ones() {
        for (paper, large, small) in [(Paper::White, 12.0, 6.0), (Paper::Grey, 12.0, 6.0), (Paper::Dark, 10.0, 5.0)] {
            for ((earlier, one), (place, other)) in pairs() {
                let step = (lightness(paper.shown(one.colour)) - lightness(paper.shown(other.colour))).abs();
                let least = if place < 4 || place - earlier == 1 { large } else { small };
                assert!(step >= least, "{paper:?}, {earlier} and {place}: {step}");
            }
        }
    }

    #[test]
    fn on_grey_paper_no_colour_is_left_and_all_is_as_light_as_it_was() {
        for (white, _, grey) in SHOWN {
            assert!(grey.0 == grey.1 && grey.1 == grey.2, "{grey:?}");
            let step = lightness(white) - lightness(grey);
            assert!(step.abs() < 0.6, "{white:?} is as light as {grey:?}: {step}");
        }
    }

    #[test]
    fn standings_go_away_from_the_paper() {
        for paper in PAPERS {
            let ground = lightness(paper.shown(WHITE));
            let away = STANDINGS.map(|colour| (lightness(paper.shown(colour)) - ground).abs());
            let steps = [away[0], away[1] - away[0], away[2] - away[1]];
            assert!(steps[0] > 5.0 && steps[1] > 15.0 && steps[2] > 30.0, "{paper:?}: {away:?}");
        }
    }
}
