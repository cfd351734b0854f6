//! How a value becomes text: percentages, counts, years, and text from files made safe to print. A leaf.
//!
//! Everything that came out of a file passes through one of the escapes before it is printed.

use std::borrow::Cow;

use unicode_normalization::UnicodeNormalization;

use crate::quantity::{AnnualRate, ConfidenceInterval, Days, Fraction, Known, WhyNotKnown};

/// A fraction as a percentage with one digit: `93.4 %`. Values that would round to 0 or 100 without being so say `<0.1 %`
/// or `>99.9 %`.
pub fn percent(fraction: Fraction) -> String {
    format!("{} %", percent_number(fraction))
}

/// The number of [`percent`] without its sign: `93.4`.
pub fn percent_number(fraction: Fraction) -> String {
    let value = fraction.value();
    if value > 0.0 && value < 0.0005 {
        "<0.1".to_owned()
    } else if (0.9995..1.0).contains(&value) {
        ">99.9".to_owned()
    } else {
        format!("{:.1}", value * 100.0)
    }
}

/// An interval of fractions: `91.2 to 95.1 %`.
pub fn percent_interval(interval: &ConfidenceInterval<Fraction>) -> String {
    format!("{} to {} %", percent_number(interval.lower), percent_number(interval.upper))
}

/// A rate as failures per 100 restoration-years, or per cent a year: `2.41`. A rate that would round to 0 without being so says
/// `<0.01`.
pub fn rate_number(rate: AnnualRate) -> String {
    let value = rate.per_hundred_years();
    if value > 0.0 && value < 0.005 { "<0.01".to_owned() } else { format!("{value:.2}") }
}

/// An interval of rates: `1.90 to 3.01`.
pub fn rate_interval(interval: &ConfidenceInterval<AnnualRate>) -> String {
    format!("{} to {}", rate_number(interval.lower), rate_number(interval.upper))
}

/// A text without what two spellings of one name may differ in: capitals, spaces, the form of letters and digits.
pub fn folded(text: &str) -> Cow<'_, str> {
    if text.bytes().all(|byte| byte.is_ascii_graphic() && !byte.is_ascii_uppercase()) {
        return Cow::Borrowed(text);
    }
    if text.is_ascii() {
        let mut kept = text.to_ascii_lowercase();
        kept.retain(|c| !c.is_whitespace());
        return Cow::Owned(kept);
    }
    Cow::Owned(text.nfkc().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect())
}

/// A length in days as years with one digit, `5.0`; with two where one would make it a whole number of years that it is not, `5.01`.
pub fn years(days: Days) -> String {
    let count = days.years().count();
    let (shown, closer) = (format!("{count:.1}"), format!("{count:.2}"));
    if shown.ends_with(".0") && !closer.ends_with(".00") { closer } else { shown }
}

/// A length in days as days or months where it is short, else years: `5 days`, `6 months`, `3 years`, `2.5 years`.
pub fn span(days: Days) -> String {
    if (1..15).contains(&days.count()) {
        return if days.count() == 1 { "1 day".to_owned() } else { format!("{} days", days.count()) };
    }
    let months = (f64::from(days.count()) / 30.4375).round();
    if months < 24.0 {
        return if (0.5..1.5).contains(&months) { format!("{months:.0} month") } else { format!("{months:.0} months") };
    }
    let count = days.years().count();
    if (count - count.round()).abs() < 0.04 { format!("{count:.0} years") } else { format!("{count:.1} years") }
}

/// A p-value: `p = 0.034`, `p < 0.001`, `p > 0.99`.
pub fn p_value(p: f64) -> String {
    if p < 0.001 {
        "p < 0.001".to_owned()
    } else if p > 0.99 {
        "p > 0.99".to_owned()
    } else if p < 0.1 {
        format!("p = {p:.3}")
    } else {
        format!("p = {p:.2}")
    }
}

/// A count with thin spaces between thousands: `12 345`.
pub fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3 * 3);
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) && digits.len() > 4 {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// A count with its noun, singular or plural: `1 patient`, `12 patients`.
pub fn counted(number: u64, singular: &str, plural: &str) -> String {
    format!("{} {}", count(number), if number == 1 { singular } else { plural })
}

/// The least number that people from outside the practice are told.
pub const LEAST_FOR_OTHERS: u64 = 5;

/// Who reads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Readers {
    /// The practice, which may know everything.
    #[default]
    Practice,
    /// People from outside, who are told `<5` for numbers from 1 to 4 and no day of the calendar.
    Others,
}

impl Readers {
    /// A number of restorations or patients as it is told.
    pub fn count(self, number: u64) -> String {
        if self.hides(number) { format!("<{LEAST_FOR_OTHERS}") } else { count(number) }
    }

    /// The same with its noun: `1 failure`, `<5 failures`.
    pub fn counted(self, number: u64, one: &str, several: &str) -> String {
        if self.hides(number) { format!("{} {several}", self.count(number)) } else { counted(number, one, several) }
    }

    /// Whether a number is not told.
    pub fn hides(self, number: u64) -> bool {
        self == Self::Others && (1..LEAST_FOR_OTHERS).contains(&number)
    }
}

/// Why a number is not known, in words.
pub const fn why_not_known(why: WhyNotKnown) -> &'static str {
    match why {
        WhyNotKnown::NotReached => "not reached",
        WhyNotKnown::PastLastFollowUp => "past the last follow-up",
        WhyNotKnown::NoObservations => "nothing to estimate from",
        WhyNotKnown::NoVariation => "only one level occurs, or all are tied",
        WhyNotKnown::BeyondExactWork => "the exact calculation would take too much work",
        WhyNotKnown::TooFewClusters => "too few patients",
        WhyNotKnown::NoSpread => "patients differ by nothing but rounding",
        WhyNotKnown::TooFewGroups => "fewer than two groups",
        WhyNotKnown::NoFailures => "no failure by then",
        WhyNotKnown::AtBoundary => "no limits at this end of the range",
        WhyNotKnown::TooFewToShow => "too few to show",
        WhyNotKnown::AllFailed => "the last one still followed failed",
        WhyNotKnown::Separated => "no finite value: the covariates tell who fails",
        WhyNotKnown::Collinear => "a covariate doesn't vary, or follows from the others",
        WhyNotKnown::NotConverged => "the iterations did not settle",
        WhyNotKnown::NotANumber => "a value is not a number",
        WhyNotKnown::OutOfReach => "no number does it",
        WhyNotKnown::OutsideItsRange => "a value lies outside its range",
    }
}

/// The text of a known value, or why it is not known.
pub fn known<T>(value: &Known<T>, text: impl FnOnce(&T) -> String) -> String {
    match value {
        Known::Known(value) => text(value),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    }
}

/// The text of an interval, or why there is none.
pub fn interval_text<T>(
    interval: &Known<ConfidenceInterval<T>>,
    text: impl FnOnce(&ConfidenceInterval<T>) -> String,
) -> String {
    match interval {
        Known::Known(interval) => text(interval),
        Known::NotKnown(why) => format!("no interval: {}", why_not_known(*why)),
    }
}

/// A digest as lower-case hexadecimal digits.
pub fn hexadecimal(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Text for HTML and SVG, between tags and in double-quoted attributes. Control characters, which XML forbids, become `�`.
pub fn escape_markup(text: &str) -> Cow<'_, str> {
    let plain = |c: char| !matches!(c, '&' | '<' | '>' | '"' | '\'') && (!c.is_control() || c == '\n' || c == '\t');
    if text.chars().all(plain) {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c if plain(c) => safe.push(c),
            _ => safe.push('\u{fffd}'),
        }
    }
    Cow::Owned(safe)
}

/// Text for a terminal: control characters (and those that reorder text) are shown, not obeyed.
pub fn escape_terminal(text: &str) -> Cow<'_, str> {
    let harmful = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    if !text.chars().any(harmful) {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '\n' => safe.push('⏎'),
            '\t' => safe.push('→'),
            c if harmful(c) => safe.push_str(&format!("\\u{{{:x}}}", u32::from(c))),
            c => safe.push(c),
        }
    }
    Cow::Owned(safe)
}

/// Text for a spreadsheet cell: what a spreadsheet would run as a formula gets an apostrophe in front. Numbers stay numbers.
/// A text that has such an apostrophe of its own gets another, so that [`unescape_spreadsheet`] gives every text back.
pub fn escape_spreadsheet(text: &str) -> Cow<'_, str> {
    let bare = text.trim_start_matches('\'');
    let escapes = if bare.len() < text.len() {
        bare.starts_with(FORMULA_SIGNS)
    } else {
        (text.starts_with(FORMULA_SIGNS) || text.starts_with(['\t', '\r'])) && text.parse::<f64>().is_err()
    };
    if escapes { Cow::Owned(format!("'{text}")) } else { Cow::Borrowed(text) }
}

/// Text as a cell of CSV: as [`escape_spreadsheet`] gives it, in quotation marks where its letters need them (RFC 4180).
pub fn csv_cell(text: &str) -> Cow<'_, str> {
    let cell = escape_spreadsheet(text);
    if cell.bytes().any(|byte| matches!(byte, b',' | b'"' | b'\n' | b'\r')) {
        return Cow::Owned(format!("\"{}\"", cell.replace('"', "\"\"")));
    }
    cell
}

/// What a spreadsheet cell stands for: without the apostrophe that keeps a formula from running. Other apostrophes stay.
pub fn unescape_spreadsheet(text: &str) -> &str {
    match text.strip_prefix('\'') {
        Some(rest) if rest.trim_start_matches('\'').starts_with(FORMULA_SIGNS) => rest,
        _ => text,
    }
}

/// What a formula begins with.
const FORMULA_SIGNS: [char; 4] = ['=', '+', '-', '@'];

/// A text cut to `most` characters, with `…` where something is left out.
pub fn shorten(text: &str, most: usize) -> Cow<'_, str> {
    if text.chars().count() <= most {
        return Cow::Borrowed(text);
    }
    let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
    short.push('…');
    Cow::Owned(short)
}

/// What is wrong with a settings file, in words of the one who wrote it, and in which line. What is missing at the top has no line.
pub fn settings_trouble(text: &str, error: &toml::de::Error) -> (Option<usize>, String) {
    let found = error.message();
    let place = error.span().filter(|span| span.start > 0 || !found.starts_with("missing field"));
    let line = place.map(|span| text[..span.start.min(text.len())].matches('\n').count() + 1);
    (line, in_words(found))
}

/// What the reader of such files found, in words; what isn't known here stays as it is, but for the marks around names.
fn in_words(found: &str) -> String {
    let names = |listed: &str| listed.replace('`', "");
    let told = |rest: &str| rest.rsplit_once(", expected ").map(|(what, wanted)| (names(what), names(wanted)));
    if let Some((what, wanted)) = found.strip_prefix("unknown field ").and_then(told) {
        return format!("there is no setting {what} here; there are: {}", one_of(&wanted));
    }
    if let Some((what, wanted)) = found.strip_prefix("unknown variant ").and_then(told) {
        return format!("{what} can't stand here; choose from: {}", one_of(&wanted));
    }
    if let Some((what, wanted)) = found.strip_prefix("invalid type: ").and_then(told) {
        return format!("{} stands here, where {} belongs", written(&what), kind_of_value(&wanted));
    }
    if let Some((what, wanted)) = found.strip_prefix("invalid value: ").and_then(told) {
        return format!("{} is out of reach; write {}", written(&what), kind_of_value(&wanted));
    }
    if let Some(name) = found.strip_prefix("missing field ") {
        return format!("the setting {} is missing", names(name));
    }
    if found == "duplicate key" {
        return "this setting stands here twice".to_owned();
    }
    names(found)
}

/// A list of names: `one of a, b` or `a or b`.
fn one_of(listed: &str) -> String {
    listed.strip_prefix("one of ").unwrap_or(listed).replace(" or ", ", ")
}

/// A value as written: `integer 5`, `string "a"`.
fn written(value: &str) -> String {
    let kinds = [
        ("integer ", "the whole number "),
        ("floating point ", "the number "),
        ("string ", "the text "),
        ("boolean ", ""),
        ("sequence", "a list"),
        ("map", "a table"),
        ("datetime", "a day"),
    ];
    let kind = kinds.iter().find_map(|(kind, words)| Some(format!("{words}{}", value.strip_prefix(kind)?)));
    kind.unwrap_or_else(|| value.to_owned())
}

fn kind_of_value(kind: &str) -> &str {
    match kind {
        "f32" | "f64" => "a number",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number (0 or more, not too large)",
        "i8" | "i16" | "i32" | "i64" => "a whole number (not too large)",
        "a boolean" => "true or false",
        "a string" => "a text in quotation marks",
        "a sequence" => "a list in square brackets",
        "a map" => "a table in curly brackets",
        other if other.starts_with("struct ") => "a table in curly brackets",
        other => other,
    }
}

/// What the system said, less the number of its error, which tells a reader nothing.
pub fn system_said(error: &std::io::Error) -> String {
    // Reading a text gives this kind of error for its bytes alone.
    if error.kind() == std::io::ErrorKind::InvalidData {
        return "it holds bytes that are no text in UTF-8; save it as UTF-8".to_owned();
    }
    without_error_numbers(&error.to_string()).into_owned()
}

/// The same for all errors of the system in a text.
pub fn without_error_numbers(text: &str) -> Cow<'_, str> {
    let mut rest = text;
    let mut kept: Option<String> = None;
    while let Some(at) = rest.find(" (os error ") {
        let after = &rest[at + " (os error ".len()..];
        let digits = after.bytes().take_while(u8::is_ascii_digit).count();
        let end = if digits > 0 && after[digits..].starts_with(')') { digits + 1 } else { 0 };
        let kept = kept.get_or_insert_default();
        // What only looks like one stays.
        kept.push_str(if end > 0 { &rest[..at] } else { &rest[..rest.len() - after.len()] });
        rest = &after[end..];
    }
    match kept {
        Some(kept) => Cow::Owned(kept + rest),
        None => Cow::Borrowed(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn years_seem_whole_only_where_they_are() {
        let shown = [1096, 1100, 1133, 1826, 1827, 0, 3, 365, 366].map(|days| years(Days::new(days)));
        assert_eq!(shown, ["3.0", "3.01", "3.1", "5.0", "5.0", "0.0", "0.01", "1.0", "1.0"]);
    }

    #[test]
    fn rounding_never_claims_certainty() {
        assert_eq!(percent(Fraction::new(0.934_4)), "93.4 %");
        assert_eq!(percent(Fraction::new(0.999_6)), ">99.9 %");
        assert_eq!(percent(Fraction::new(0.000_4)), "<0.1 %");
        assert_eq!(percent(Fraction::new(1.0)), "100.0 %");
        assert_eq!(percent(Fraction::new(0.0)), "0.0 %");
    }

    #[test]
    fn trouble_in_settings_is_told_in_words() {
        for (found, said) in [
            ("invalid type: string \"a\", expected f64", "the text \"a\" stands here, where a number belongs"),
            (
                "invalid type: integer `5`, expected a sequence",
                "the whole number 5 stands here, where a list in square brackets belongs",
            ),
            ("invalid type: boolean `true`, expected a string", "true stands here, where a text in quotation marks belongs"),
            (
                "invalid type: floating point `1.5`, expected struct Asked",
                "the number 1.5 stands here, where a table in curly brackets belongs",
            ),
            (
                "invalid type: string \"a, expected b\", expected a map",
                "the text \"a, expected b\" stands here, where a table in curly brackets belongs",
            ),
            (
                "invalid value: integer `-3`, expected u32",
                "the whole number -3 is out of reach; write a whole number (0 or more, not too large)",
            ),
            ("unknown field `x`, expected one of `a`, `b`", "there is no setting x here; there are: a, b"),
            ("unknown variant `x`, expected `a` or `b`", "x can't stand here; choose from: a, b"),
            ("missing field `title`", "the setting title is missing"),
            ("duplicate key", "this setting stands here twice"),
            ("unclosed array, expected `]`", "unclosed array, expected ]"),
        ] {
            assert_eq!(in_words(found), said);
        }
    }

    #[test]
    fn numbers_of_errors_of_the_system_are_left_out() {
        for (text, said) in [
            (
                "can't be read: No such file or directory (os error 2).\nMend",
                "can't be read: No such file or directory.\nMend",
            ),
            ("a (os error 13), b (os error 28)", "a, b"),
            ("a (os error x) b", "a (os error x) b"),
            ("a (os error 2", "a (os error 2"),
            ("nothing", "nothing"),
        ] {
            assert_eq!(without_error_numbers(text), said);
        }
    }

    #[test]
    fn text_from_files_is_made_safe() {
        assert_eq!(escape_markup("<script>\"a\" & 'b'\u{1}"), "&lt;script&gt;&quot;a&quot; &amp; &#39;b&#39;\u{fffd}");
        assert_eq!(escape_terminal("a\u{1b}[31mred\n"), "a\\u{1b}[31mred⏎");
        assert_eq!(escape_spreadsheet("=HYPERLINK(1)"), "'=HYPERLINK(1)");
        assert_eq!(escape_spreadsheet("-0.5"), "-0.5");
        assert_eq!(escape_spreadsheet("-2+3"), "'-2+3");
    }

    #[test]
    fn what_was_escaped_for_a_spreadsheet_comes_back() {
        for (text, escaped) in [
            ("=1+1", "'=1+1"),
            ("'=1+1", "''=1+1"),
            ("''@x", "'''@x"),
            ("-5", "-5"),
            ("'-5", "''-5"),
            ("-5a", "'-5a"),
            ("'007", "'007"),
            ("'", "'"),
            ("'tis", "'tis"),
            ("5'", "5'"),
        ] {
            assert_eq!(escape_spreadsheet(text), escaped);
            assert_eq!(unescape_spreadsheet(escaped), text);
        }
    }

    #[test]
    fn spans_are_said_in_the_unit_people_use() {
        assert_eq!(span(Days::new(183)), "6 months");
        assert_eq!(span(Days::new(548)), "18 months");
        assert_eq!(span(Days::new(731)), "2 years");
        assert_eq!(span(Days::new(1826)), "5 years");
        assert_eq!(span(Days::new(913)), "2.5 years");
    }

    #[test]
    fn thousands_are_parted_from_five_digits_on() {
        assert_eq!(count(1234), "1234");
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(counted(1, "patient", "patients"), "1 patient");
    }
}
