//! One cell to one value, or what is wrong with it and how to mend it.

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

/// Reads a day. Only year-month-day is taken; everything else is said with what it may mean.
///
/// # Errors
/// When the text is no such day, or lies after `today`.
pub fn day(text: &str, today: Day) -> Result<Day, Wrong> {
    if let Some(day) = Day::from_iso_bytes(text.as_bytes()) {
        return if day > today {
            Err(wrong(
                FindingKind::FutureDay,
                format!("This day has not come yet (today is {today})."),
                "Correct the year, month or day.",
            ))
        } else {
            Ok(day)
        };
    }
    let numbers: Vec<u32> = text.split(['/', '.', '-', ' ']).map_while(|part| part.parse().ok()).collect();
    if let [first, second, year @ 1000..=9999] = numbers[..] {
        let said = |day: u32, month: u32| i32::try_from(year).ok().and_then(|year| Day::from_calendar(year, month, day));
        return Err(match (said(first, second), said(second, first)) {
            (Some(one), Some(other)) if one != other => wrong(
                FindingKind::AmbiguousDate,
                format!("Day and month can't be told apart: {one} or {other}."),
                format!("Write it as year-month-day: {one} or {other}."),
            ),
            (Some(only), _) | (None, Some(only)) => {
                wrong(FindingKind::NotADay, "Days are written as year-month-day.", format!("Write {only}."))
            }
            (None, None) => {
                wrong(FindingKind::NotADay, "There is no such day.", "Write it as year-month-day, such as 2024-03-31.")
            }
        });
    }
    if text.len() == 5 && text.parse::<u32>().is_ok_and(|serial| (20_000..70_000).contains(&serial)) {
        return Err(wrong(
            FindingKind::NotADay,
            "This looks like a spreadsheet's inner number for a day.",
            "Format the column as a date, year-month-day, and export it again.",
        ));
    }
    let what = if text.len() == 10 && text.as_bytes()[4] == b'-' {
        "There is no such day."
    } else {
        "Not a day written as year-month-day."
    };
    Err(wrong(FindingKind::NotADay, what, "Write it as year-month-day, such as 2024-03-31."))
}

/// Reads a text. A line break in it may come from a quotation mark that was opened and closed only in a later row, which would
/// swallow the rows between. Shades and lots may go over several lines, but hold no commas then.
///
/// # Errors
/// When the text holds a line break where it may not.
pub fn text<'a>(text: &'a str, column: &str) -> Result<&'a str, Wrong> {
    let free = matches!(column, "shades" | "adhesive_lot" | "composite_lot") && !text.contains(',');
    if !free && text.contains(['\n', '\r']) {
        return Err(wrong(
            FindingKind::UnclosedQuote,
            "The cell goes over several lines: a quotation mark may have been left open and swallowed the rows between.",
            "Close or take out the quotation mark; take the line break out if it was meant.",
        ));
    }
    Ok(text)
}

/// Reads a tooth in the notation of its file.
///
/// # Errors
/// When the notation has no such tooth.
pub fn tooth(text: &str, notation: ToothNotation) -> Result<Tooth, Wrong> {
    Tooth::read(text, notation).ok_or_else(|| match notation {
        ToothNotation::Iso3950 => wrong(
            FindingKind::NotATooth,
            "No tooth has this number in ISO 3950 notation.",
            "Write 11–18, 21–28, 31–38 or 41–48 (primary teeth 51–55, 61–65, 71–75, 81–85).",
        ),
        ToothNotation::Universal => wrong(
            FindingKind::NotATooth,
            "No tooth has this number in Universal notation.",
            "Write 1–32, or A–T for primary teeth.",
        ),
    })
}

/// Reads a number and holds it to what is possible; the second value is whether it is plausible.
///
/// # Errors
/// When the text is no number, or none that is possible.
pub fn number(text: &str, possible: Range, plausible: Range) -> Result<(f64, bool), Wrong> {
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b'-');
    let Some(number) = text.parse::<f64>().ok().filter(|number| plain && number.is_finite()) else {
        let mend = if text.contains(',') {
            "Write the decimal point as a point, such as 1.5."
        } else {
            "Write a plain number, without unit or words."
        };
        return Err(wrong(FindingKind::NotANumber, "Not a number.", mend));
    };
    if !possible.holds(number) {
        return Err(wrong(
            FindingKind::OutOfRange,
            format!("Possible are {} to {}.", possible.least, possible.most),
            "Correct the number, and check its unit.",
        ));
    }
    Ok((number, plausible.holds(number)))
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

/// Reads a score of the row's scheme.
///
/// # Errors
/// When the row has no scheme, or its scheme has no such score here.
pub fn score(text: &str, scheme: Option<Scheme>, criterion: Criterion) -> Result<u8, Wrong> {
    use crate::record::Coded;
    let Some(scheme) = scheme else {
        return Err(wrong(
            FindingKind::SchemeMissing,
            "A score means nothing without its scheme, and this row has none.",
            "Fill the column scheme: usphs_2, usphs_3, usphs_4, fdi_2010 or fdi_2023.",
        ));
    };
    scheme.read(criterion, text).map(crate::record::Score::sign).ok_or_else(|| {
        let digit_for_letter = scheme.has_letters() && text.bytes().all(|byte| byte.is_ascii_digit());
        let what = if digit_for_letter {
            format!("{} scores in letters; a digit may count from 0 or from 1.", scheme.label())
        } else {
            format!("{} has no score {} for {}.", scheme.label(), shorten(text, 20), criterion.label().to_lowercase())
        };
        wrong(
            FindingKind::ScoreOutsideScheme,
            what,
            format!("Write one of: {}; or correct the scheme.", scheme.choices(criterion)),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn today() -> Day {
        Day::from_calendar(2026, 1, 1).expect("a day")
    }

    #[test]
    fn a_date_that_can_be_read_two_ways_is_not_guessed() {
        let ambiguous = day("03/04/2022", today()).expect_err("ambiguous");
        assert_eq!(ambiguous.kind, FindingKind::AmbiguousDate);
        assert_eq!(ambiguous.what, "Day and month can't be told apart: 2022-04-03 or 2022-03-04.");
        let clear = day("13/04/2022", today()).expect_err("other order");
        assert_eq!((clear.kind, clear.mend.as_str()), (FindingKind::NotADay, "Write 2022-04-13."));
        assert_eq!(day("44654", today()).expect_err("serial").kind, FindingKind::NotADay);
        assert_eq!(day("2062-01-01", today()).expect_err("future").kind, FindingKind::FutureDay);
        assert!(day("2022-04-03", today()).is_ok());
    }

    #[test]
    fn numbers_are_plain_and_possible() {
        let (possible, plausible) = (Range { least: 0.2, most: 5.0 }, Range { least: 0.2, most: 3.0 });
        assert_eq!(number("1.5", possible, plausible), Ok((1.5, true)));
        assert_eq!(number("3.5", possible, plausible), Ok((3.5, false)));
        assert_eq!(number("15", possible, plausible).expect_err("unit").kind, FindingKind::OutOfRange);
        for text in ["1,5", "NaN", "inf", "1e3", "two"] {
            assert_eq!(number(text, possible, plausible).expect_err(text).kind, FindingKind::NotANumber, "{text}");
        }
    }

    #[test]
    fn a_digit_is_not_taken_for_a_letter() {
        let wrong = score("1", Some(Scheme::UsphsThreeLevel), Criterion::Colour).expect_err("a digit");
        assert_eq!(wrong.kind, FindingKind::ScoreOutsideScheme);
        assert!(wrong.what.contains("count from 0 or from 1"), "{}", wrong.what);
        assert_eq!(score("A", None, Criterion::Colour).expect_err("no scheme").kind, FindingKind::SchemeMissing);
    }
}
