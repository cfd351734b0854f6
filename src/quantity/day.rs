//! Calendar days, lengths in whole days, and years for showing.
//!
//! Follow-up is counted in whole days so that ties survive; years are days / 365.25 and exist for showing and for annual
//! rates (the mean Julian year; common practice).

use std::fmt;
use std::ops::{Add, Sub};
use std::str::FromStr;

use chrono::{Datelike, NaiveDate};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Days in a year, for turning whole days into years: 365.25.
pub const DAYS_PER_YEAR: f64 = 365.25;

/// Days from 0001-01-01 (day 1 of the common era) to 1970-01-01, as `chrono` counts them.
const EPOCH_FROM_COMMON_ERA: i32 = 719_163;

/// A calendar day, kept as whole days since 1970-01-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "String", into = "String")]
#[schemars(with = "NaiveDate")]
pub struct Day(i32);

impl Day {
    /// The day that lies `days` whole days after 1970-01-01 (before it when negative).
    pub const fn from_epoch(days: i32) -> Self {
        Self(days)
    }

    /// Whole days since 1970-01-01.
    pub const fn since_epoch(self) -> i32 {
        self.0
    }

    /// The day of a year, month and day of month in the Gregorian calendar; none if there is no such day.
    pub fn from_calendar(year: i32, month: u32, day: u32) -> Option<Self> {
        NaiveDate::from_ymd_opt(year, month, day).map(Self::from)
    }

    /// The calendar year.
    pub fn year(self) -> i32 {
        self.date().year()
    }

    /// The month, 1 to 12.
    pub fn month(self) -> u32 {
        self.date().month()
    }

    /// The day of the month, 1 to 31.
    pub fn day_of_month(self) -> u32 {
        self.date().day()
    }

    /// The same day as a `chrono` date.
    pub fn date(self) -> NaiveDate {
        NaiveDate::from_num_days_from_ce_opt(self.0.saturating_add(EPOCH_FROM_COMMON_ERA)).unwrap_or(NaiveDate::MAX)
    }

    /// Reads `YYYY-MM-DD` (ISO 8601, extended calendar date) from bytes without allocating; none if it is anything else.
    ///
    /// Days are counted by arithmetic on the proleptic Gregorian calendar (Fliegel & Van Flandern, Commun ACM 1968;11:657,
    /// in the form that starts the year in March), because a table of visits holds many millions of them.
    pub fn from_iso_bytes(text: &[u8]) -> Option<Self> {
        let [y0, y1, y2, y3, b'-', m0, m1, b'-', d0, d1] = text else { return None };
        let digit = |byte: &u8| byte.is_ascii_digit().then(|| i32::from(byte - b'0'));
        let year = digit(y0)? * 1000 + digit(y1)? * 100 + digit(y2)? * 10 + digit(y3)?;
        let month = digit(m0)? * 10 + digit(m1)?;
        let day = digit(d0)? * 10 + digit(d1)?;
        let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
        let length = match month {
            1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
            4 | 6 | 9 | 11 => 30,
            2 if leap => 29,
            2 => 28,
            _ => return None,
        };
        if year == 0 || day < 1 || day > length {
            return None;
        }
        let march_year = if month <= 2 { year - 1 } else { year };
        let march_month = (month + 9) % 12;
        let era_day = (153 * march_month + 2) / 5 + day - 1;
        let days = 365 * march_year + march_year / 4 - march_year / 100 + march_year / 400 + era_day;
        Some(Self(days - 719_468))
    }
}

/// Why a text is no day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayError;

impl fmt::Display for DayError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("not a day written as year-month-day, such as 2024-03-31")
    }
}

impl std::error::Error for DayError {}

impl From<NaiveDate> for Day {
    fn from(date: NaiveDate) -> Self {
        Self(date.num_days_from_ce() - EPOCH_FROM_COMMON_ERA)
    }
}

impl FromStr for Day {
    type Err = DayError;

    fn from_str(text: &str) -> Result<Self, DayError> {
        Self::from_iso_bytes(text.as_bytes()).ok_or(DayError)
    }
}

impl TryFrom<String> for Day {
    type Error = DayError;

    fn try_from(text: String) -> Result<Self, DayError> {
        text.parse()
    }
}

impl From<Day> for String {
    fn from(day: Day) -> Self {
        day.to_string()
    }
}

/// ISO 8601: `2024-03-31`.
impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let date = self.date();
        write!(f, "{:04}-{:02}-{:02}", date.year(), date.month(), date.day())
    }
}

impl Sub for Day {
    type Output = Days;

    fn sub(self, earlier: Self) -> Days {
        Days(self.0 - earlier.0)
    }
}

impl Add<Days> for Day {
    type Output = Self;

    fn add(self, length: Days) -> Self {
        Self(self.0 + length.0)
    }
}

impl Sub<Days> for Day {
    type Output = Self;

    fn sub(self, length: Days) -> Self {
        Self(self.0 - length.0)
    }
}

/// A length of time in whole days; negative when it points backwards.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Days(i32);

impl Days {
    /// A number of months as whole days: months × 365.25 / 12, rounded.
    #[expect(clippy::cast_possible_truncation, reason = "65535 months are below 2^31 days")]
    pub fn of_months(count: u16) -> Self {
        Self((f64::from(count) * DAYS_PER_YEAR / 12.0).round() as i32)
    }

    /// A length of `count` days.
    pub const fn new(count: i32) -> Self {
        Self(count)
    }

    /// How many days.
    pub const fn count(self) -> i32 {
        self.0
    }

    /// The same length in years of 365.25 days.
    pub fn years(self) -> Years {
        Years(f64::from(self.0) / DAYS_PER_YEAR)
    }
}

impl Add for Days {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

/// A length of time in years of 365.25 days; for showing and for annual rates, never for ordering events.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Years(f64);

impl Years {
    /// A length of `count` years.
    pub const fn new(count: f64) -> Self {
        Self(count)
    }

    /// How many years.
    pub const fn count(self) -> f64 {
        self.0
    }

    /// The whole number of days nearest to this length.
    #[expect(clippy::cast_possible_truncation, reason = "saturates; a follow-up is far below 2^31 days")]
    pub fn days(self) -> Days {
        Days((self.0 * DAYS_PER_YEAR).round() as i32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quick_reader_agrees_with_the_calendar_library_on_every_day_of_four_centuries() {
        let mut date = NaiveDate::from_ymd_opt(1799, 12, 31).expect("a day");
        for _ in 0..147_000 {
            let text = date.format("%Y-%m-%d").to_string();
            assert_eq!(Day::from_iso_bytes(text.as_bytes()), Some(Day::from(date)), "{text}");
            assert_eq!(Day::from(date).to_string(), text);
            date = date.succ_opt().expect("a next day");
        }
    }

    #[test]
    fn what_is_no_day_is_refused() {
        for text in
            ["", "2023-02-29", "2024-13-01", "2024-00-10", "2024-04-31", "24-04-03", "2024/04/03", "2024-4-3", "2024-04-0x"]
        {
            assert_eq!(text.parse::<Day>(), Err(DayError), "{text}");
        }
        assert!("2024-02-29".parse::<Day>().is_ok());
    }

    #[test]
    fn five_years_are_1826_days() {
        assert_eq!(Years::new(5.0).days(), Days::new(1826));
    }
}
