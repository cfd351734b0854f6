//! What a look at the first rows of a table shows of each column: its distinct values, and what they prove.

use std::collections::HashSet;

use super::cell;
use super::declaration::DayOrder;
use super::empty_forms::EmptyForms;
use super::sheet::Sheet;
use crate::finding::Findings;
use crate::quantity::Day;
use crate::record::{Cell, Tooth, ToothNotation};

/// Rows looked at.
pub const ROWS: u64 = 5000;
/// A day far off, so that none lies after it.
const LAST: Day = Day::from_epoch(2_932_896);

/// The values of one column.
#[derive(Clone, Debug, Default)]
pub struct Sample {
    /// Distinct values, in the order in which they were met.
    pub values: Vec<String>,
    /// Filled cells.
    pub filled: u64,
    /// What most likely stands for empty cells.
    pub empty: Vec<String>,
}

/// Reads the first rows of a table: a sample a column, the rows read, and whether there are more. What is declared to stand for empty
/// cells, and what most likely does, is no value of a column.
pub fn sample(sheet: &mut Sheet, findings: &mut Findings) -> (Vec<Sample>, u64, bool) {
    let width = sheet.header.len();
    let declared = EmptyForms::new(&sheet.declared.empty, |_| false);
    let mut samples = vec![Sample::default(); width];
    let mut met: Vec<HashSet<String>> = vec![HashSet::new(); width];
    let mut rows = 0;
    while let Some(row) = sheet.next_row(findings) {
        if (0..row.width()).all(|place| row.cell(place).is_empty()) {
            continue;
        }
        if rows == ROWS {
            return (samples, rows, true);
        }
        rows += 1;
        for (place, (sample, met)) in samples.iter_mut().zip(&mut met).enumerate() {
            let text = row.text(place);
            if text.is_empty() || declared.hold(text.as_bytes()) {
                continue;
            }
            if cell::may_be_empty(text) {
                if !sample.empty.iter().any(|form| form.eq_ignore_ascii_case(text)) {
                    sample.empty.push(text.to_owned());
                }
                continue;
            }
            sample.filled += 1;
            if !met.contains(text) {
                met.insert(text.to_owned());
                sample.values.push(text.to_owned());
            }
        }
    }
    (samples, rows, false)
}

impl Sample {
    /// Whether at least half of the values are of the kind that a column holds. Texts, terms and scores may be anything.
    pub fn fits(&self, cell: Cell) -> bool {
        let good =
            |good: &dyn Fn(&str) -> bool| self.values.iter().filter(|value| good(value)).count() * 2 >= self.values.len();
        match cell {
            Cell::Day => good(&day_like),
            Cell::Number { .. } => good(&|text| number(text).is_some()),
            Cell::Grade { .. } => good(&|text| text.parse::<u8>().is_ok()),
            Cell::Tooth => good(&|text| text.chars().count() <= 3),
            Cell::Text | Cell::Term(_) | Cell::Score(_) => true,
        }
    }

    /// Whether most values look like the names of people, and differ as people do.
    pub fn looks_like_names(&self) -> bool {
        self.values.len() >= 3 && self.may_be_names()
    }

    /// The same of however few values.
    pub fn may_be_names(&self) -> bool {
        let named = self.values.iter().filter(|value| name_like(value)).count();
        named * 2 > self.values.len() && self.values.len() as u64 * 5 > self.filled
    }

    /// Whether any value tells who somebody is.
    pub fn tells_who(&self) -> bool {
        self.values.iter().any(|value| cell::tells_who(value).is_some())
    }

    /// Whether any value is refused as a patient's pseudonym.
    pub fn no_pseudonyms(&self) -> bool {
        self.values.iter().any(|value| cell::pseudonym(value).is_err())
    }

    /// Whether the values are sentences.
    pub fn is_free_text(&self) -> bool {
        self.values.iter().any(|value| value.chars().count() > 40 || value.split_whitespace().count() > 5)
    }

    /// Whether any value may be a remark, in which anything may stand.
    pub fn has_sentences(&self) -> bool {
        self.values.iter().any(|value| value.split_whitespace().count() > 3)
    }

    /// The first and last year, if all values are days.
    pub fn years(&self) -> Option<(String, String)> {
        let year = |text: &String| {
            let whole = text.split(|c: char| !c.is_ascii_digit()).find(|part| part.len() == 4).map(str::to_owned);
            whole.filter(|_| day_like(text) && serial(text).is_none())
        };
        let years: Option<Vec<String>> = self.values.iter().map(year).collect();
        let years = years?;
        Some((years.iter().min()?.clone(), years.iter().max()?.clone()))
    }
}

/// What the day columns prove.
#[derive(Clone, Debug, Default)]
pub struct DaySigns {
    /// A value that only day-month-year can be.
    pub day_first: Option<String>,
    /// A value that only month-day-year can be.
    pub month_first: Option<String>,
    /// A value that either can be.
    pub either: Option<String>,
    /// A value that no declaration makes readable.
    pub unreadable: Option<String>,
}

impl DaySigns {
    /// Takes one value in.
    pub fn take(&mut self, text: &str) {
        let reads = |order| cell::day(text, LAST, order).is_ok();
        if reads(None) {
            return;
        }
        let slot = match (reads(Some(DayOrder::DayMonthYear)), reads(Some(DayOrder::MonthDayYear))) {
            (true, true) => &mut self.either,
            (true, false) => &mut self.day_first,
            (false, true) => &mut self.month_first,
            (false, false) => &mut self.unreadable,
        };
        slot.get_or_insert_with(|| text.to_owned());
    }
}

/// What the teeth prove.
#[derive(Clone, Debug, Default)]
pub struct ToothSigns {
    /// A value that is a tooth in ISO 3950 only.
    pub iso: Option<String>,
    /// A value that is a tooth in Universal notation only.
    pub universal: Option<String>,
    /// Whether any value is a tooth in both.
    pub both: bool,
}

impl ToothSigns {
    /// Takes one value in.
    pub fn take(&mut self, text: &str) {
        let reads = |notation| Tooth::read(text, notation).is_some();
        match (reads(ToothNotation::Iso3950), reads(ToothNotation::Universal)) {
            (true, true) => self.both = true,
            (true, false) => drop(self.iso.get_or_insert_with(|| text.to_owned())),
            (false, true) => drop(self.universal.get_or_insert_with(|| text.to_owned())),
            (false, false) => {}
        }
    }
}

/// A plain number, whatever its decimal mark.
pub fn number(text: &str) -> Option<f64> {
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b',' | b'-'));
    text.replacen(',', ".", 1).parse::<f64>().ok().filter(|number| plain && number.is_finite())
}

fn serial(text: &str) -> Option<u32> {
    text.parse::<u32>().ok().filter(|serial| (20_000..70_000).contains(serial))
}

/// Whether a text is a day in whatever order, or was meant as one.
fn day_like(text: &str) -> bool {
    let mut signs = DaySigns::default();
    signs.take(text);
    if signs.unreadable.is_none() || serial(text).is_some() {
        return true;
    }
    let parts: Vec<&str> = text.split(['/', '.', '-', ' ']).filter(|part| !part.is_empty()).collect();
    parts.len() == 3
        && parts.iter().filter(|part| part.len() <= 4 && part.bytes().all(|byte| byte.is_ascii_digit())).count() >= 2
}

fn name_like(text: &str) -> bool {
    let words: Vec<&str> = text.split([' ', ',']).filter(|word| !word.is_empty()).collect();
    let name = |word: &&str| {
        word.starts_with(char::is_uppercase) && word.chars().all(|c| c.is_alphabetic() || matches!(c, '-' | '\'' | '.'))
    };
    (2..=4).contains(&words.len()) && words.iter().all(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: &[&str]) -> Sample {
        let values: Vec<String> = values.iter().map(|value| (*value).to_owned()).collect();
        Sample { filled: values.len() as u64, values, empty: Vec::new() }
    }

    #[test]
    fn a_number_over_twelve_tells_the_order_of_days() {
        let mut signs = DaySigns::default();
        for text in ["2024-01-31", "3 Apr 2022", "03/04/2022", "25/12/2020", "12/05/71"] {
            signs.take(text);
        }
        assert_eq!(signs.day_first.as_deref(), Some("25/12/2020"));
        assert_eq!(signs.either.as_deref(), Some("03/04/2022"));
        assert_eq!(signs.unreadable.as_deref(), Some("12/05/71"));
        assert_eq!(signs.month_first, None);
    }

    #[test]
    fn teeth_that_only_one_notation_has_tell_it() {
        let mut signs = ToothSigns::default();
        for text in ["11", "30", "UR6"] {
            signs.take(text);
        }
        assert!(signs.both && signs.universal.as_deref() == Some("30") && signs.iso.is_none());
    }

    #[test]
    fn names_of_people_are_told_from_terms() {
        assert!(of(&["Ann Berg", "Miller, Jon", "Eva Lund"]).looks_like_names());
        assert!(!Sample { filled: 400, ..of(&["Rubber Dam", "Cotton Rolls", "Rubber Dam And Cord"]) }.looks_like_names());
        assert_eq!(of(&["12/05/1948", "1951-01-01"]).years(), Some(("1948".to_owned(), "1951".to_owned())));
        assert_eq!(of(&["A1"]).years(), None);
    }
}
