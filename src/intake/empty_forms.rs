//! What stands in a file's cells where nothing was written: `NA`, a dash, as declared for the file.

use super::sheet::as_text;
use crate::wording::unescape_spreadsheet;

/// The forms of empty cells, as one column reads them.
#[derive(Clone, Debug, Default)]
pub struct EmptyForms {
    /// In lower case, trimmed.
    forms: Vec<String>,
    /// Those that are numbers, by their value.
    numbers: Vec<f64>,
}

impl EmptyForms {
    /// The declared forms, but for those that mean something else here.
    pub fn new(declared: &[String], means_something: impl Fn(&str) -> bool) -> Self {
        let forms = declared.iter().map(|form| form.trim().to_lowercase());
        let forms: Vec<String> = forms.filter(|form| !form.is_empty() && !means_something(form)).collect();
        let numbers = forms.iter().filter_map(|form| number(form)).collect();
        Self { forms, numbers }
    }

    /// Whether a filled cell, trimmed, stands for an empty one. Neither capitals nor an apostrophe that keeps a spreadsheet from
    /// running a text matter.
    #[inline]
    pub fn hold(&self, bytes: &[u8]) -> bool {
        !self.forms.is_empty() && self.are(bytes)
    }

    fn are(&self, bytes: &[u8]) -> bool {
        let ascii = bytes.is_ascii() && bytes.first() != Some(&b'\'');
        if ascii {
            return self.forms.iter().any(|form| form.as_bytes().eq_ignore_ascii_case(bytes));
        }
        let text = unescape_spreadsheet(as_text(bytes)).to_lowercase();
        self.forms.contains(&text)
    }

    /// The same of a cell that holds a number, however it is written: `-9`, `-9.0`.
    pub fn hold_number(&self, bytes: &[u8]) -> bool {
        !self.numbers.is_empty()
            && std::str::from_utf8(bytes).ok().and_then(number).is_some_and(|value| self.are_number(value))
    }

    /// Whether a number stands for an empty cell.
    pub fn are_number(&self, value: f64) -> bool {
        self.numbers.contains(&value)
    }

    /// Whether any form is so.
    pub fn any(&self, is: impl Fn(&str) -> bool) -> bool {
        self.forms.iter().any(|form| is(form))
    }
}

/// A number with a point or a comma.
fn number(text: &str) -> Option<f64> {
    let digits = text.strip_prefix('-').unwrap_or(text);
    let plain = digits.bytes().all(|byte| byte.is_ascii_digit() || b".,".contains(&byte));
    text.replace(',', ".").parse().ok().filter(|_| plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_are_known_whatever_is_around_them() {
        let declared = ["NA", " - ", "Non renseigné", "", "0"].map(str::to_owned);
        let forms = EmptyForms::new(&declared, |form| form == "0");
        for held in ["na", "NA", "-", "'-", "NA\u{a0}", "NON RENSEIGNÉ"] {
            assert!(forms.hold(held.as_bytes()), "{held}");
        }
        for other in ["", "0", "N", "NAA", "'NA", "--", "\u{a0}"] {
            assert!(!forms.hold(other.as_bytes()), "{other}");
        }
    }

    #[test]
    fn numbers_are_known_however_they_are_written() {
        let forms = EmptyForms::new(&["-9".to_owned(), "NA".to_owned(), "99,5".to_owned()], |_| false);
        for held in ["-9", "-9.0", "-9,00", "99.5"] {
            assert!(forms.hold_number(held.as_bytes()), "{held}");
        }
        for other in ["9", "NA", "nan", "inf", "", "-9e0", "-9.1"] {
            assert!(!forms.hold_number(other.as_bytes()), "{other}");
        }
        assert!(forms.are_number(-9.0) && !forms.are_number(f64::NAN));
    }
}
