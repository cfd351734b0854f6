//! How wide a text is, so that labels don't collide; and text broken or cut to a width.
//!
//! Widths are sums of the advance widths of DejaVu Sans (`advance`); kerning, which only ever pulls letters together by
//! a little, is not counted, so a text is never wider than measured where that font is there.

use super::advance::{BOLD, FIRST, REGULAR, SIGNS, UNITS_PER_EM, UNKNOWN};
use super::sheet::Weight;

fn advance(letter: char, weight: Weight) -> u16 {
    let table = match weight {
        Weight::Regular => &REGULAR,
        Weight::Bold => &BOLD,
    };
    let listed = u32::from(letter)
        .checked_sub(FIRST)
        .and_then(|place| usize::try_from(place).ok())
        .and_then(|place| table.get(place));
    if let Some(&units) = listed {
        return units;
    }
    SIGNS.iter().find(|sign| sign.0 == letter).map_or(UNKNOWN, |sign| match weight {
        Weight::Regular => sign.1,
        Weight::Bold => sign.2,
    })
}

/// The width of a text in pixels, at a size in pixels.
pub fn text_width(text: &str, size: f64, weight: Weight) -> f64 {
    let units: u32 = text.chars().map(|letter| u32::from(advance(letter, weight))).sum();
    f64::from(units) / UNITS_PER_EM * size
}

/// The parts of a text between which a line may end: not within a number whose thousands stand apart, nor before its per cent sign.
fn words(text: &str) -> Vec<String> {
    let parts = text.split(|letter: char| letter.is_whitespace() && !matches!(letter, '\u{a0}' | '\u{202f}'));
    let mut words: Vec<String> = Vec::new();
    for part in parts.filter(|part| !part.is_empty()) {
        match words.last_mut() {
            Some(number) if part.starts_with('%') && number.ends_with(|letter: char| letter.is_ascii_digit()) => {
                number.push(' ');
                number.push_str(part);
            }
            _ => words.push(part.to_owned()),
        }
    }
    words
}

/// A text on one line no wider than `width` pixels, cut with `…` where it is.
pub fn fitted(text: &str, width: f64, size: f64, weight: Weight) -> String {
    let mut kept = words(text).join(" ");
    if text_width(&kept, size, weight) <= width {
        return kept;
    }
    let room = width - text_width("…", size, weight);
    while !kept.is_empty() && text_width(kept.trim_end(), size, weight) > room {
        kept.pop();
    }
    format!("{}…", kept.trim_end())
}

/// A text broken into lines no wider than `width` pixels; a word that is wider alone is cut with `…`.
pub fn wrapped(text: &str, width: f64, size: f64, weight: Weight) -> Vec<String> {
    wrapped_to(text, width, size, weight, usize::MAX)
}

/// A text broken into at most `most` lines no wider than `width` pixels; what is left out is marked with `…`.
pub fn wrapped_to(text: &str, width: f64, size: f64, weight: Weight, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let words = words(text);
    let mut place = 0;
    while place < words.len() {
        if lines.len() + 1 >= most {
            lines.push(fitted(&words[place..].join(" "), width, size, weight));
            return lines;
        }
        let mut line = fitted(&words[place], width, size, weight);
        place += 1;
        while let Some(word) = words.get(place) {
            let joined = format!("{line} {word}");
            if text_width(&joined, size, weight) > width {
                break;
            }
            line = joined;
            place += 1;
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "Selective enamel etch with a Donaudampfschifffahrtsgesellschaftsadhesive in two layers";

    #[test]
    fn no_line_is_wider_than_asked() {
        for width in [60.0, 120.0, 300.0] {
            for line in wrapped(TEXT, width, 14.0, Weight::Bold) {
                assert!(text_width(&line, 14.0, Weight::Bold) <= width, "{line}");
            }
        }
    }

    #[test]
    fn no_line_ends_within_a_number_or_before_its_per_cent_sign() {
        let text = "of 12\u{202f}345 fillings 95 % intervals, 88.5 %; % alone";
        assert_eq!(words(text), ["of", "12\u{202f}345", "fillings", "95 %", "intervals,", "88.5 %;", "%", "alone"]);
        for width in [60.0, 90.0, 140.0] {
            let lines = wrapped(text, width, 14.0, Weight::Regular);
            assert!(
                lines.len() > 2 && lines.iter().all(|line| !line.ends_with("95") && !line.ends_with("88.5")),
                "{lines:?}"
            );
        }
    }

    #[test]
    fn what_is_left_out_is_marked() {
        let lines = wrapped_to(TEXT, 120.0, 14.0, Weight::Regular, 2);
        assert_eq!(lines.len(), 2);
        assert_eq!(lines[0], "Selective");
        assert!(lines[1].starts_with("enamel etch") && lines[1].ends_with('…'), "{lines:?}");
        assert_eq!(wrapped_to("in two layers", 120.0, 14.0, Weight::Regular, 2), ["in two layers"]);
        assert_eq!(fitted("", 10.0, 14.0, Weight::Regular), "");
    }

    /// Advance widths of the fonts' horizontal metrics tables (DejaVu fonts 2.37), looked up one by one: "é" 1260, "–" 1024, "n"
    /// 1298 regular; "n" 1458 bold; of 2048 to the em.
    #[test]
    fn widths_are_those_of_the_font() {
        let close = |text: &str, weight, units: f64| (text_width(text, 2048.0, weight) - units).abs() < 1e-9;
        assert!(close("é–n", Weight::Regular, 1260.0 + 1024.0 + 1298.0));
        assert!(close("nn", Weight::Bold, 2.0 * 1458.0));
        assert!(close("\u{4e00}", Weight::Regular, 2280.0), "a character without an entry counts as wide");
    }
}
