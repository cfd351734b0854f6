//! Lines of a draft: TOML that holds, TOML that is only proposed, and what is said beside it. Nothing out of a file can break a line.

use super::declaration::{DayOrder, Decimal, Destination, Encoding, Separator, Unit};
use super::draft_sample::Sample;
use crate::wording::{escape_terminal, shorten};

/// The lines so far.
#[derive(Default)]
pub struct Lines {
    /// The text.
    pub text: String,
    /// Whether any line asks for a look.
    pub asks: bool,
}

impl Lines {
    /// A line that holds, with what is said beside it.
    pub fn holds(&mut self, toml: &str, said: &str) {
        self.text += &format!("{toml}{}\n", beside(said));
    }

    /// A line that is proposed and holds until it is changed.
    pub fn proposes(&mut self, toml: &str, said: &str) {
        self.asks = true;
        self.holds(toml, said);
    }

    /// A line that holds only once its mark is taken away.
    pub fn leaves_open(&mut self, toml: &str, said: &str) {
        self.asks = true;
        self.text += &format!("# {toml}{}\n", beside(said));
    }

    /// Words alone.
    pub fn says(&mut self, said: &str) {
        self.text += &format!("# {said}\n");
    }

    /// An empty line.
    pub fn parts(&mut self) {
        self.text.push('\n');
    }
}

fn beside(said: &str) -> String {
    if said.is_empty() { String::new() } else { format!("  # {said}") }
}

/// A TOML string. Control characters, and those that reorder text on a screen, are written as their numbers.
pub fn toml_string(text: &str) -> String {
    let mut safe = String::with_capacity(text.len() + 2);
    safe.push('"');
    for c in text.chars() {
        match c {
            '"' => safe.push_str("\\\""),
            '\\' => safe.push_str("\\\\"),
            '\n' => safe.push_str("\\n"),
            '\r' => safe.push_str("\\r"),
            '\t' => safe.push_str("\\t"),
            c if escape_terminal(c.encode_utf8(&mut [0; 4])).len() != c.len_utf8() => {
                safe.push_str(&format!("\\U{:08X}", u32::from(c)));
            }
            c => safe.push(c),
        }
    }
    safe.push('"');
    safe
}

/// A text of a file as words say it: in quotation marks, short, on one line.
pub fn quoted(text: &str) -> String {
    format!("“{}”", shorten(&escape_terminal(text), 30))
}

/// Several texts of a file in words.
pub fn all_quoted<'a>(texts: impl IntoIterator<Item = &'a String>) -> String {
    texts.into_iter().map(|text| quoted(text)).collect::<Vec<_>>().join(", ")
}

/// Said in place of values that may be of people.
pub const HIDDEN: &str = "values not shown: they may tell who somebody is";

/// A few values of a column, unless they may tell who somebody is.
pub fn samples(sample: &Sample) -> String {
    if sample.values.is_empty() {
        "no values".to_owned()
    } else if sample.years().is_none() && (sample.tells_who() || sample.looks_like_names()) {
        HIDDEN.to_owned()
    } else if sample.is_free_text() {
        "free text, not shown".to_owned()
    } else {
        let more = if sample.values.len() > 3 { ", …" } else { "" };
        format!("values: {}{more}", all_quoted(sample.values.iter().take(3)))
    }
}

/// What a column becomes, as TOML.
pub fn destination(to: &Destination) -> String {
    match to {
        Destination::Name(column) => toml_string(column),
        Destination::Measured { column, unit } => {
            format!("{{ column = {}, unit = \"{}\" }}", toml_string(column), unit_code(*unit))
        }
    }
}

const fn unit_code(unit: Unit) -> &'static str {
    match unit {
        Unit::Mm => "mm",
        Unit::Cm => "cm",
        Unit::S => "s",
        Unit::Min => "min",
    }
}

/// How a declaration writes an order of days.
pub const fn day_order(order: DayOrder) -> &'static str {
    match order {
        DayOrder::YearMonthDay => "days = \"year_month_day\"",
        DayOrder::DayMonthYear => "days = \"day_month_year\"",
        DayOrder::MonthDayYear => "days = \"month_day_year\"",
    }
}

/// How a declaration writes a decimal mark.
pub const fn decimal(mark: Decimal) -> &'static str {
    match mark {
        Decimal::Point => "decimal = \"point\"",
        Decimal::Comma => "decimal = \"comma\"",
    }
}

/// How a declaration writes an encoding.
pub const fn encoding(encoding: Encoding) -> &'static str {
    match encoding {
        Encoding::Utf8 => "encoding = \"utf_8\"",
        Encoding::Utf16Le => "encoding = \"utf_16_le\"",
        Encoding::Utf16Be => "encoding = \"utf_16_be\"",
        Encoding::Windows1252 => "encoding = \"windows_1252\"",
    }
}

/// How a declaration writes a separator.
pub const fn separator(separator: Separator) -> &'static str {
    match separator {
        Separator::Comma => "separator = \",\"",
        Separator::Semicolon => "separator = \";\"",
        Separator::Tab => "separator = \"tab\"",
        Separator::Bar => "separator = \"|\"",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_text_survives_the_way_into_toml_and_back() {
        for text in
            ["", "a\"b", "\\", "x\ny\r\t", "\"]\n[[files]]", "\u{1b}[31m", "\u{202e}abc", "Zähne", "\u{85}", "\u{7f}"]
        {
            let line = format!("{} = {}", toml_string(text), toml_string(text));
            let read: toml::Table = toml::from_str(&line).expect(&line);
            assert_eq!(read.get(text).and_then(toml::Value::as_str), Some(text), "{line}");
            assert!(!line.contains(['\n', '\r', '\u{1b}', '\u{202e}']), "{line:?}");
            assert!(!quoted(text).contains(char::is_control));
        }
    }
}
