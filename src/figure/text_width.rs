//! How wide a text is, so that labels don't collide.
//!
//! Advance widths of DejaVu Sans 2.37 in 1/2048 em for the printable ASCII characters, read from its horizontal metrics
//! table; other characters count as the mean of the lower-case letters, wide signs as one em.

use super::sheet::Weight;

const REGULAR: [u16; 95] = [
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405, 1430, 1577, 1294, 1178, 1587, 1540,
    604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401, 2025, 1403, 1251, 1403, 799, 690, 799,
    1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298, 569, 569, 1186, 569, 1995, 1298, 1253, 1300, 1300, 842,
    1067, 803, 1298, 1212, 1675, 1212, 1212, 1075, 1303, 690, 1303, 1716,
];
const BOLD: [u16; 95] = [
    713, 934, 1067, 1716, 1425, 2052, 1786, 627, 936, 936, 1071, 1716, 778, 850, 778, 748, 1425, 1425, 1425, 1425, 1425,
    1425, 1425, 1425, 1425, 1425, 819, 819, 1716, 1716, 1716, 1188, 2048, 1585, 1561, 1503, 1700, 1399, 1399, 1681, 1714,
    762, 762, 1587, 1305, 2038, 1714, 1741, 1501, 1741, 1577, 1475, 1397, 1663, 1585, 2259, 1579, 1483, 1485, 936, 748, 936,
    1716, 1024, 1024, 1382, 1466, 1214, 1466, 1389, 891, 1466, 1458, 702, 702, 1362, 702, 2134, 1458, 1407, 1466, 1466,
    1010, 1219, 979, 1458, 1335, 1892, 1321, 1335, 1192, 1458, 748, 1458, 1716,
];
/// The width of a text in pixels, at a size in pixels.
pub fn text_width(text: &str, size: f64, weight: Weight) -> f64 {
    let table = match weight {
        Weight::Regular => &REGULAR,
        Weight::Bold => &BOLD,
    };
    let units: u32 = text
        .chars()
        .map(|c| match c {
            ' '..='~' => u32::from(table[c as usize - 32]),
            '\u{202f}' => 409,
            '–' | '°' => 1024,
            '—' | '…' => 2048,
            '×' | '≥' | '≤' | '−' | '→' => 1716,
            c if (c as u32) < 0x2000 => 1280,
            _ => 2048,
        })
        .sum();
    f64::from(units) / 2048.0 * size
}

/// A text broken into lines no wider than `width` pixels; a word that is wider alone is cut with `…`.
pub fn wrapped(text: &str, width: f64, size: f64, weight: Weight) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if text_width(&joined, size, weight) <= width {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        line = word.to_owned();
        while text_width(&line, size, weight) > width && line.chars().count() > 1 {
            let mut cut: Vec<char> = line.chars().filter(|&c| c != '…').collect();
            cut.pop();
            line = cut.into_iter().chain(['…']).collect();
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_asked() {
        let text = "Selective enamel etch with a Donaudampfschifffahrtsgesellschaftsadhesive in two layers";
        for width in [60.0, 120.0, 300.0] {
            for line in wrapped(text, width, 14.0, Weight::Bold) {
                assert!(text_width(&line, 14.0, Weight::Bold) <= width, "{line}");
            }
        }
    }
}
