//! A readable table: a title, a header, rows, notes below. Columns are aligned, numbers to the right.

use std::fmt::Write as _;

use crate::quantity::{ConfidenceLevel, WhyNotKnown};
use crate::wording;

/// A table for reading.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Section {
    /// What it shows.
    pub title: String,
    /// Column heads; the first column is text, the others are aligned to the right.
    pub header: Vec<String>,
    /// Rows of cells.
    pub rows: Vec<Vec<String>>,
    /// What must be known to read it.
    pub notes: Vec<String>,
}

impl Section {
    /// A table without rows.
    pub fn new(title: impl Into<String>, header: &[&str]) -> Self {
        Self { title: title.into(), header: header.iter().map(|head| (*head).to_owned()).collect(), ..Self::default() }
    }

    /// Adds a row.
    pub fn row(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Adds a note.
    pub fn note(&mut self, note: impl Into<String>) {
        self.notes.push(note.into());
    }

    /// The table as text.
    pub fn text(&self) -> String {
        let mut text = String::new();
        let _ = writeln!(text, "{}", self.title);
        let columns = self.header.len().max(self.rows.iter().map(Vec::len).max().unwrap_or(0));
        let all = std::iter::once(&self.header).chain(&self.rows);
        let width_of = |place: usize| all.clone().filter_map(|row| row.get(place)).map(|cell| cell.chars().count()).max();
        let widths: Vec<usize> = (0..columns).map(|place| width_of(place).unwrap_or(0)).collect();
        for row in std::iter::once(&self.header).chain(&self.rows).filter(|row| !row.is_empty()) {
            let mut line = String::from(" ");
            for (place, cell) in row.iter().enumerate() {
                let gap = widths[place] - cell.chars().count();
                if place == 0 {
                    let _ = write!(line, " {cell}{}", " ".repeat(gap));
                } else {
                    let _ = write!(line, "  {}{cell}", " ".repeat(gap));
                }
            }
            let _ = writeln!(text, "{}", line.trim_end());
        }
        for note in &self.notes {
            let _ = writeln!(text, "  {note}");
        }
        text
    }
}

/// Why a number is not known, in words of any field.
pub const fn why_not_known(why: WhyNotKnown) -> &'static str {
    match why {
        WhyNotKnown::TooFewClusters => "too few clusters",
        WhyNotKnown::NoSpread => "no spread between clusters",
        WhyNotKnown::TooFewGroups => "no two groups that could be compared",
        WhyNotKnown::AllFailed => "nobody was left",
        WhyNotKnown::AtBoundary => "no limits at this end",
        other => wording::why_not_known(other),
    }
}

/// The head of a column of intervals: `95 % interval`.
pub fn interval_head(level: ConfidenceLevel) -> String {
    format!("{} % interval", digits(level.value() * 100.0, 4))
}

/// A number with up to so many significant digits, without needless zeros; very small and very large ones with an exponent.
pub fn digits(value: f64, significant: usize) -> String {
    if value.is_infinite() {
        return if value > 0.0 { "∞" } else { "−∞" }.to_owned();
    }
    let size = value.abs();
    if size > 0.0 && !(1e-4..1e7).contains(&size) {
        return format!("{value:.*e}", significant.saturating_sub(1)).replace('-', "−");
    }
    let magnitude = if size > 0.0 { size.log10().floor() } else { 0.0 };
    #[expect(clippy::cast_possible_truncation, reason = "between −4 and 7")]
    let places = usize::try_from(significant as i64 - 1 - magnitude as i64).unwrap_or(0);
    let text = format!("{value:.places$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.replace('-', "−") }
}

/// A p-value; below 0.0001 with its exponent, from its logarithm where it is too small for a number.
pub fn p_value(p: f64, ln_p: f64) -> String {
    if p >= 1e-4 {
        return format!("{p:.4}");
    }
    if p > 0.0 {
        return format!("{p:.2e}").replace('-', "−");
    }
    let exponent = (ln_p / std::f64::consts::LN_10).floor();
    let lead = libm::exp(ln_p - exponent * std::f64::consts::LN_10);
    format!("{lead:.2}e{exponent:.0}").replace('-', "−")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_the_digits_that_tell() {
        let shown = [0.0, 1.0, 0.123_456_78, 1234.5678, 0.000_012_345, 12_345_678.0, -0.5].map(|value| digits(value, 4));
        assert_eq!(shown, ["0", "1", "0.1235", "1235", "1.234e−5", "1.235e7", "−0.5"]);
    }

    #[test]
    fn a_p_value_too_small_for_a_number_is_shown_from_its_logarithm() {
        assert_eq!(p_value(0.041_23, -3.188), "0.0412");
        assert_eq!(p_value(2.5e-7, -15.2), "2.50e−7");
        // exp(−1900) = 10^(−825.16…), and 10^0.8415 = 6.9 (from the logarithms).
        assert!(p_value(0.0, -1900.0).ends_with("e−826"), "{}", p_value(0.0, -1900.0));
    }

    #[test]
    fn columns_are_aligned() {
        let mut section = Section::new("Survival", &["group", "at risk"]);
        section.row(vec!["a".to_owned(), "12".to_owned()]);
        section.row(vec!["longer".to_owned(), "1 234".to_owned()]);
        section.note("note");
        assert_eq!(section.text(), "Survival\n  group   at risk\n  a            12\n  longer    1 234\n  note\n");
    }
}
