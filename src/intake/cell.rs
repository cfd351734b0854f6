//! One cell to one value, or what is wrong with it and how to mend it.

use std::borrow::Cow;

use unicode_normalization::UnicodeNormalization;

use super::declaration::{DayOrder, Decimal};
use crate::finding::FindingKind;
use crate::quantity::Day;
use crate::record::{Criterion, Range, Scheme, Term, Tooth, ToothNotation, find_term};
use crate::wording::shorten;

/// What is wrong with a cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wrong {
    /// The kind.
    pub kind: FindingKind,
    /// What is wrong, in a sentence.
    pub what: String,
    /// How to mend it, in a sentence.
    pub mend: String,
}

fn wrong(kind: FindingKind, what: impl Into<String>, mend: impl Into<String>) -> Wrong {
    Wrong { kind, what: what.into(), mend: mend.into() }
}

/// 1955-01-01, since 1970-01-01. Acid etching of enamel, without which no such filling is placed, was described in 1955 (Buonocore,
/// J Dent Res 1955;34:849; from memory).
pub(super) const FIRST_DAY: i32 = -5479;

/// Reads a day. Year-month-day is always taken, with or without a time behind it, and so is a month written as a word; day and
/// month in numbers only in the order that is declared. Everything else is said with what it may mean.
///
/// # Errors
/// When the text is no such day, or lies after `today` or before such fillings were placed.
pub fn day(text: &str, today: Day, order: Option<DayOrder>) -> Result<Day, Wrong> {
    let day = Day::from_iso_bytes(text.as_bytes()).map_or_else(|| other_day(text, order), Ok)?;
    if day > today {
        return Err(wrong(
            FindingKind::FutureDay,
            format!("This day has not come yet (today is {today})."),
            "Correct the year, month or day.",
        ));
    }
    if day.since_epoch() < FIRST_DAY {
        return Err(wrong(
            FindingKind::OutOfRange,
            format!("{day} lies before 1955, when adhesive fillings began."),
            "Correct the year.",
        ));
    }
    Ok(day)
}

fn other_day(text: &str, order: Option<DayOrder>) -> Result<Day, Wrong> {
    if let Some((date, time)) = text.split_once(['T', ' '])
        && time.starts_with(|c: char| c.is_ascii_digit())
        && time.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b':' | b'.' | b'Z' | b'+'))
        && let Some(day) = Day::from_iso_bytes(date.as_bytes())
    {
        return Ok(day);
    }
    let parts: Vec<&str> = text.split(['/', '.', '-', ' ', ',']).filter(|part| !part.is_empty()).collect();
    let [one, two, three] = parts[..] else { return Err(no_day(text)) };
    let calendar = |year: &str, month: u32, day: &str| {
        Day::from_calendar(year.parse().ok()?, month, day.parse().ok()?).filter(|_| year.len() == 4)
    };
    if let Some((month, date)) = month_word(two).map(|month| (month, one)).or(month_word(one).map(|month| (month, two))) {
        return calendar(three, month, date).ok_or_else(|| if short_year(three) { two_digits() } else { no_day(text) });
    }
    let number = |part: &str| part.parse::<u32>().ok().filter(|_| part.len() <= 2);
    let (Some(first), Some(second)) = (number(one), number(two)) else { return Err(no_day(text)) };
    if short_year(three) {
        return Err(two_digits());
    }
    let day_first = calendar(three, second, one);
    let month_first = calendar(three, first, two);
    match (order, day_first, month_first) {
        (Some(DayOrder::DayMonthYear), Some(day), _) | (Some(DayOrder::MonthDayYear), _, Some(day)) => Ok(day),
        (Some(DayOrder::DayMonthYear | DayOrder::MonthDayYear), _, Some(_) | None) => Err(wrong(
            FindingKind::NotADay,
            "There is no such day in the order that is declared.",
            "Correct it, or declare the other order (days in records.toml).",
        )),
        (_, Some(one), Some(other)) if one != other => Err(wrong(
            FindingKind::AmbiguousDate,
            format!("Day and month can't be told apart: {one} or {other}."),
            format!("Write it as year-month-day ({one} or {other}), or declare the file's order (days in records.toml)."),
        )),
        (_, Some(only), _) | (_, _, Some(only)) => Err(wrong(
            FindingKind::NotADay,
            "Days are written as year-month-day, unless another order is declared.",
            format!("Write {only}, or declare the file's order (days in records.toml)."),
        )),
        _ => Err(wrong(FindingKind::NotADay, "There is no such day.", "Write it as year-month-day, such as 2024-03-31.")),
    }
}

fn short_year(text: &str) -> bool {
    text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit())
}

fn two_digits() -> Wrong {
    wrong(FindingKind::NotADay, "The year has two digits, so its century is a guess.", "Write the year with four digits.")
}

fn month_word(text: &str) -> Option<u32> {
    const MONTHS: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let lower = text.to_lowercase();
    let place = MONTHS.iter().position(|month| lower.len() >= 3 && month.starts_with(&lower))?;
    u32::try_from(place + 1).ok()
}

fn no_day(text: &str) -> Wrong {
    let serial = text.split('.').next().unwrap_or("");
    if serial.len() == 5 && serial.parse::<u32>().is_ok_and(|serial| (20_000..70_000).contains(&serial)) {
        return wrong(
            FindingKind::NotADay,
            "This looks like a spreadsheet's inner number for a day.",
            "Format the column as a date, year-month-day, and export it again.",
        );
    }
    let what = if text.len() == 10 && text.as_bytes()[4] == b'-' {
        "There is no such day."
    } else {
        "Not a day written as year-month-day, nor in an order that is declared."
    };
    wrong(FindingKind::NotADay, what, "Write it as year-month-day, such as 2024-03-31.")
}

/// Whether a pseudonym is a single word with a capital, as a surname is.
pub fn may_be_a_name(text: &str) -> bool {
    text.chars().count() >= 4
        && text.chars().all(|c| c.is_alphabetic() || c == '-')
        && text.starts_with(char::is_uppercase)
        && text.chars().skip(1).any(char::is_lowercase)
}

/// What a text looks like when letters and signs that are easily taken for digits are read as these: O and o as 0, I and l as 1,
/// wide digits as digits; without spaces. None if nothing changes.
pub fn look_alike(text: &str) -> Option<String> {
    let read: String = text
        .nfkc()
        .filter(|c| !c.is_whitespace())
        .map(|c| match c {
            'O' | 'o' => '0',
            'I' | 'l' | '|' => '1',
            c => c,
        })
        .collect();
    (read != text && read.starts_with(|c: char| c.is_ascii_digit())).then_some(read)
}

/// Why a text may tell who somebody is: an address for mail, a telephone number, a title before a name. None if it doesn't look so.
pub fn tells_who(text: &str) -> Option<&'static str> {
    if text.contains('@') {
        return Some("It looks like an address for mail.");
    }
    let digits = text.bytes().filter(u8::is_ascii_digit).count();
    let phone = |c: char| c.is_ascii_digit() || matches!(c, ' ' | '+' | '-' | '/' | '(' | ')' | '.');
    if digits >= 7 && text.chars().all(phone) && text.contains([' ', '+']) {
        return Some("It looks like a telephone number.");
    }
    let word = text.split([' ', '.']).next().unwrap_or("").to_lowercase();
    let titled =
        matches!(word.as_str(), "mr" | "mrs" | "ms" | "miss" | "herr" | "frau" | "mme") && text.len() > word.len() + 1;
    titled.then_some("It looks like a person's name.")
}

/// Reads a patient's pseudonym.
///
/// # Errors
/// When it looks like a name, a birth date, a telephone number or an address for mail.
pub fn pseudonym(text: &str) -> Result<&str, Wrong> {
    let words = text.split([' ', ',']).filter(|word| word.chars().count() > 1 && word.chars().all(char::is_alphabetic));
    let iso = text.len() == 10 && Day::from_iso_bytes(text.as_bytes()).is_some();
    let other = text.len() >= 8 && text.contains(['/', '.']) && other_day(text, Some(DayOrder::DayMonthYear)).is_ok();
    let birth = iso || other || (text.contains('/') && other_day(text, Some(DayOrder::MonthDayYear)).is_ok());
    let why = match tells_who(text) {
        Some(why) => Some(why),
        None if birth => Some("It looks like a date of birth."),
        None if words.count() >= 2 => Some("It looks like a person's name."),
        None => None,
    };
    match why {
        Some(why) => Err(wrong(
            FindingKind::PersonalData,
            format!("{why} Who a patient is must not enter."),
            "Use a pseudonym, such as a number that only the practice can trace.",
        )),
        None => Ok(text),
    }
}

/// Reads a text. A line break in it may come from a quotation mark that was opened and closed only in a later row, which would
/// swallow the rows between. Shades and lots may go over several lines, but hold no separators then.
///
/// # Errors
/// When the text holds a line break where it may not.
pub fn text<'a>(text: &'a str, column: &str) -> Result<&'a str, Wrong> {
    let free = matches!(column, "shades" | "adhesive_lot" | "composite_lot") && !text.contains([',', ';', '\t', '|']);
    if !free && text.contains(['\n', '\r']) {
        return Err(wrong(
            FindingKind::UnclosedQuote,
            "The cell goes over several lines: a quotation mark may have been left open and swallowed the rows between.",
            "Close or take out the quotation mark; take the line break out if it was meant.",
        ));
    }
    Ok(text)
}

/// Refuses what a spreadsheet writes where a formula failed.
///
/// # Errors
/// When the text is such an error.
pub fn no_spreadsheet_error(text: &str) -> Result<(), Wrong> {
    const ERRORS: [&str; 8] = ["#N/A", "#NV", "#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NULL!", "#NUM!"];
    if text.starts_with('#') && ERRORS.contains(&text) {
        return Err(wrong(
            FindingKind::UnknownTerm,
            "This is a spreadsheet's error, not a value.",
            "Correct the formula, or write the value itself.",
        ));
    }
    Ok(())
}

/// Whether a text is one of those that programs write where nothing was entered (common practice). Words such as none are not
/// among them: they may be an answer.
pub fn may_be_empty(text: &str) -> bool {
    const FORMS: [&str; 12] = ["NA", "N/A", "N.A.", "NaN", "NULL", "k.A.", "k. A.", "-", "--", "–", "—", "."];
    text.len() <= 5 && FORMS.iter().any(|form| form.eq_ignore_ascii_case(text))
}

/// Reads a tooth in the notation of its file.
///
/// # Errors
/// When the notation has no such tooth.
pub fn tooth(text: &str, notation: ToothNotation) -> Result<Tooth, Wrong> {
    Tooth::read(text, notation).ok_or_else(|| match (in_quadrant_letters(text), notation) {
        (Some(tooth), _) => wrong(
            FindingKind::NotATooth,
            "A quadrant in letters is not read.",
            format!("Write {}.", if notation == ToothNotation::Iso3950 { tooth.to_string() } else { tooth.universal() }),
        ),
        (None, ToothNotation::Iso3950) => wrong(
            FindingKind::NotATooth,
            "No tooth has this number in ISO 3950 notation.",
            "Write 11–18, 21–28, 31–38 or 41–48 (primary teeth 51–55, 61–65, 71–75, 81–85).",
        ),
        (None, ToothNotation::Universal) => wrong(
            FindingKind::NotATooth,
            "No tooth has this number in Universal notation.",
            "Write 1–32, or A–T for primary teeth.",
        ),
    })
}

/// A number with what was seen of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NumberRead {
    /// The number in the records' unit.
    pub value: f64,
    /// Whether it lies in the usual range.
    pub plausible: bool,
    /// The decimal mark, if it has one.
    pub mark: Option<Decimal>,
}

/// The tooth that is meant by quadrant letters and position, such as UR6 for 16; none if it is no such thing.
fn in_quadrant_letters(text: &str) -> Option<Tooth> {
    let (quadrant, position) = text.split_at_checked(2)?;
    let quadrant = match quadrant.to_ascii_uppercase().as_str() {
        "UR" => 1,
        "UL" => 2,
        "LL" => 3,
        "LR" => 4,
        _ => return None,
    };
    Tooth::from_iso(quadrant * 10 + position.trim().parse::<u8>().ok().filter(|position| *position < 9)?)
}

/// Reads a number, multiplies it by `factor` into the records' unit, and holds it to what is possible. A comma is a decimal mark
/// only where `commas` says so.
///
/// # Errors
/// When the text is no number, or none that is possible.
pub fn number(text: &str, commas: bool, factor: f64, possible: Range, plausible: Range) -> Result<NumberRead, Wrong> {
    let plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b'-');
    let with_comma = commas && text.contains(',') && !text.contains('.');
    let with_point = if with_comma { Cow::Owned(text.replacen(',', ".", 1)) } else { Cow::Borrowed(text) };
    let Some(number) = with_point.parse::<f64>().ok().filter(|number| plain(&with_point) && number.is_finite()) else {
        let mend = if text.contains(',') {
            "Write the decimal mark as a point, such as 1.5, or declare it (decimal = \"comma\" in records.toml)."
        } else {
            "Write a plain number, without unit or words."
        };
        return Err(wrong(FindingKind::NotANumber, "Not a number.", mend));
    };
    let value = number * factor;
    if !possible.holds(value) {
        return Err(wrong(
            FindingKind::OutOfRange,
            format!("Possible are {} to {}.", possible.least, possible.most),
            "Correct the number, and check its unit.",
        ));
    }
    let mark = if text.contains(',') {
        Some(Decimal::Comma)
    } else if text.contains('.') {
        Some(Decimal::Point)
    } else {
        None
    };
    Ok(NumberRead { value, plausible: plausible.holds(value), mark })
}

/// Reads a whole number and holds it to what is possible.
///
/// # Errors
/// When the text is no whole number, or none that is possible.
pub fn grade(text: &str, possible: Range) -> Result<u8, Wrong> {
    let range = || format!("a whole number from {} to {}", possible.least, possible.most);
    match text.parse::<u8>() {
        Ok(number) if possible.holds(f64::from(number)) => Ok(number),
        Ok(_) => Err(wrong(FindingKind::OutOfRange, format!("Expected is {}.", range()), "Correct the number.")),
        Err(_) => Err(wrong(FindingKind::NotANumber, format!("Expected is {}.", range()), "Write the number alone.")),
    }
}

/// Reads a term of a closed list.
///
/// # Errors
/// When the text is not in the list.
pub fn term(text: &str, terms: &[Term]) -> Result<u8, Wrong> {
    find_term(terms, text).ok_or_else(|| {
        let codes: Vec<&str> = terms.iter().map(|term| term.code).collect();
        wrong(FindingKind::UnknownTerm, "This term is not in the table.", format!("Write one of: {}.", codes.join(", ")))
    })
}

/// Reads a score of the row's scheme. Digits stand for letters only where it is declared from which digit they count.
///
/// # Errors
/// When the row has no scheme, or its scheme has no such score here.
pub fn score(text: &str, scheme: Option<Scheme>, criterion: Criterion, digits_from: Option<u8>) -> Result<u8, Wrong> {
    use crate::record::Coded;
    let Some(scheme) = scheme else {
        return Err(wrong(
            FindingKind::SchemeMissing,
            "A score means nothing without its scheme, and this row has none.",
            "Fill the column scheme (usphs_2, usphs_3, usphs_4, fdi_2010 or fdi_2023), or declare it for the whole file.",
        ));
    };
    let digit = match text.as_bytes() {
        [digit @ b'0'..=b'9'] if scheme.has_letters() => Some(digit - b'0'),
        _ => None,
    };
    let read = match (digit, digits_from) {
        (Some(digit), Some(base)) => {
            let letter = digit.checked_sub(base).filter(|place| *place < 4).map(|place| char::from(b'A' + place));
            letter.and_then(|letter| scheme.read(criterion, letter.encode_utf8(&mut [0; 4])))
        }
        _ => scheme.read(criterion, text),
    };
    read.map(crate::record::Score::sign).ok_or_else(|| {
        let what = match (digit, digits_from) {
            (Some(digit @ 5..), _) => {
                format!("{} scores in letters, and has no {digit}; it may be an FDI score.", scheme.label())
            }
            (Some(_), None) => format!("{} scores in letters; a digit may count from 0 or from 1.", scheme.label()),
            (Some(_), Some(base)) => format!(
                "Digits count from {base} in this file, and {} has no such score for {}.",
                scheme.label(),
                criterion.label().to_lowercase()
            ),
            (None, _) => {
                format!("{} has no score {} for {}.", scheme.label(), shorten(text, 20), criterion.label().to_lowercase())
            }
        };
        let mend = if digit.is_some_and(|digit| digit < 5) && digits_from.is_none() {
            format!("Write one of: {}; or declare digits_from = 0 or 1 in records.toml.", scheme.choices(criterion))
        } else {
            format!("Write one of: {}; or correct the scheme.", scheme.choices(criterion))
        };
        wrong(FindingKind::ScoreOutsideScheme, what, mend)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn today() -> Day {
        Day::from_calendar(2026, 1, 1).expect("a day")
    }

    fn plain(text: &str) -> Result<Day, Wrong> {
        day(text, today(), None)
    }

    #[test]
    fn a_date_that_can_be_read_two_ways_is_not_guessed() {
        let ambiguous = plain("03/04/2022").expect_err("ambiguous");
        assert_eq!(ambiguous.kind, FindingKind::AmbiguousDate);
        assert_eq!(ambiguous.what, "Day and month can't be told apart: 2022-04-03 or 2022-03-04.");
        let clear = plain("13/04/2022").expect_err("other order");
        assert_eq!(clear.kind, FindingKind::NotADay);
        assert!(clear.mend.starts_with("Write 2022-04-13"), "{}", clear.mend);
        assert_eq!(plain("44654").expect_err("serial").kind, FindingKind::NotADay);
        assert_eq!(plain("2062-01-01").expect_err("future").kind, FindingKind::FutureDay);
        assert_eq!(Day::from_calendar(1955, 1, 1).map(Day::since_epoch), Some(FIRST_DAY));
        assert_eq!(plain("1922-04-03").expect_err("too early").kind, FindingKind::OutOfRange);
        assert!(plain("03/04/22").expect_err("two digits").what.contains("century"));
        assert!(plain("3 Apr 22").expect_err("two digits").what.contains("century"));
    }

    #[test]
    fn days_are_read_in_the_order_that_is_declared() {
        let third = Day::from_calendar(2022, 4, 3).expect("a day");
        for text in ["2022-04-03", "2022-04-03 14:30", "2022-04-03T00:00:00", "3 Apr 2022", "April 3, 2022"] {
            assert_eq!(plain(text), Ok(third), "{text}");
        }
        for text in ["03/04/2022", "3.4.2022", "03-04-2022"] {
            assert_eq!(day(text, today(), Some(DayOrder::DayMonthYear)), Ok(third), "{text}");
        }
        assert_eq!(day("4/3/2022", today(), Some(DayOrder::MonthDayYear)), Ok(third));
        assert_eq!(
            day("4/13/2022", today(), Some(DayOrder::DayMonthYear)).expect_err("no month").kind,
            FindingKind::NotADay
        );
    }

    #[test]
    fn numbers_are_plain_and_possible() {
        let (possible, plausible) = (Range { least: 0.2, most: 5.0 }, Range { least: 0.2, most: 3.0 });
        let read = |text: &str, commas: bool, factor: f64| number(text, commas, factor, possible, plausible);
        let value = |text: &str, commas: bool, factor: f64| read(text, commas, factor).map(|read| read.value);
        assert_eq!(value("1.5", false, 1.0), Ok(1.5));
        assert_eq!(value("1,5", true, 1.0), Ok(1.5));
        assert_eq!(value("0.15", false, 10.0), Ok(1.5));
        assert_eq!(read("3.5", false, 1.0).map(|read| read.plausible), Ok(false));
        assert_eq!(read("15", false, 1.0).expect_err("unit").kind, FindingKind::OutOfRange);
        for text in ["1,5", "NaN", "inf", "1e3", "two", "1.5 mm"] {
            assert_eq!(read(text, false, 1.0).expect_err(text).kind, FindingKind::NotANumber, "{text}");
        }
        assert_eq!(read("1,500.0", true, 1.0).expect_err("two marks").kind, FindingKind::NotANumber);
    }

    #[test]
    fn a_digit_is_taken_for_a_letter_only_where_declared() {
        let wrong = score("1", Some(Scheme::UsphsThreeLevel), Criterion::Colour, None).expect_err("a digit");
        assert_eq!(wrong.kind, FindingKind::ScoreOutsideScheme);
        assert!(wrong.what.contains("count from 0 or from 1"), "{}", wrong.what);
        let with = |text: &str, base: u8| score(text, Some(Scheme::UsphsThreeLevel), Criterion::Colour, Some(base));
        assert_eq!(with("0", 0), Ok(b'A'));
        assert_eq!(with("1", 1), Ok(b'A'));
        assert_eq!(with("3", 1), Ok(b'C'));
        assert_eq!(with("0", 1).expect_err("below its base").kind, FindingKind::ScoreOutsideScheme);
        assert_eq!(score("A", None, Criterion::Colour, None).expect_err("no scheme").kind, FindingKind::SchemeMissing);
    }

    #[test]
    fn what_tells_who_somebody_is_is_seen() {
        assert!(may_be_a_name("Miller") && !may_be_a_name("P17") && !may_be_a_name("ABCD"));
        for text in [
            "Mary Miller",
            "Miller, Mary",
            "1970-05-12",
            "12.05.1970",
            "5/12/1970",
            "mary@example.org",
            "+44 20 7946 0958",
            "Mrs Miller",
        ] {
            assert_eq!(pseudonym(text).expect_err(text).kind, FindingKind::PersonalData, "{text}");
        }
        for text in ["P1", "4711", "A-12", "patient 7", "20240331"] {
            assert_eq!(pseudonym(text), Ok(text));
        }
    }

    #[test]
    fn letters_that_look_like_digits_are_seen() {
        assert_eq!(look_alike("l4").as_deref(), Some("14"));
        assert_eq!(look_alike("1O").as_deref(), Some("10"));
        assert_eq!(look_alike("１４").as_deref(), Some("14"));
        assert_eq!(look_alike("14"), None);
        assert_eq!(look_alike("UR6"), None);
    }
}
