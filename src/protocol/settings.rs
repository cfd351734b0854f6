//! The whole protocol as one TOML file, with a documented default built in.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use super::endpoint::{Endpoint, FailureDayReading};
use crate::quantity::{ConfidenceLevel, Days, IntervalMethod, Variance};
use crate::record::factors::{choices, known_covariates, known_factors, level_named, terms_of};
use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};
use crate::wording::settings_trouble;

/// What counts as failure and how results are computed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// Title of the review.
    pub title: String,
    /// Level of every interval.
    pub confidence_level: ConfidenceLevel,
    /// Interval method of survival.
    pub interval_method: SurvivalIntervals,
    /// Variance behind standard errors and intervals of survival.
    pub variance: Variance,
    /// Which day a failure is dated to.
    pub failure_day: FailureDayReading,
    /// Months at which survival is read.
    pub horizons_months: Vec<u16>,
    /// Months at which the headline is read.
    pub headline_months: u16,
    /// Months to which the restricted mean is taken.
    pub restricted_mean_months: u16,
    /// Fewest at risk for a curve to be drawn.
    pub least_at_risk: u32,
    /// Fewest failures in each level for a test.
    pub least_failures: u32,
    /// Fewest patients in each level for a test.
    pub least_patients: u32,
    /// Patients below which a share is hidden; 0 shows all.
    pub smallest_cell: u32,
    /// Factors compared by default.
    pub factors: Vec<String>,
    /// The practice's own columns.
    pub own_factors: Vec<String>,
    /// What a comparison is adjusted for: what may have decided the choice at the chair and goes with how long fillings last.
    #[serde(default = "usual_covariates")]
    pub adjust_for: Vec<String>,
    /// The smallest difference in survival at the headline's horizon that would matter, a fraction.
    #[serde(default = "usual_relevant_difference")]
    pub relevant_difference: f64,
    /// The level of a factor that others are compared with; the one with most restorations where none is named.
    #[serde(default)]
    pub reference_levels: BTreeMap<String, String>,
    /// Days between placement and first visit past which an undeclared legacy restoration is named.
    pub legacy_after_days: u32,
    /// Days within which a second placement may be a repair.
    pub repair_within_days: u32,
    /// Seed of everything random.
    pub seed: u64,
    /// The recall schedule.
    pub recalls: Vec<RecallWindow>,
    /// The endpoints; the first is the headline.
    pub endpoints: Vec<Endpoint>,
}

/// How intervals of survival are made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SurvivalIntervals {
    /// On the scale of log(−log S).
    ComplementaryLogLog,
    /// On the scale of log S.
    Log,
    /// On the scale of S.
    Plain,
}

impl From<SurvivalIntervals> for IntervalMethod {
    fn from(method: SurvivalIntervals) -> Self {
        match method {
            SurvivalIntervals::ComplementaryLogLog => Self::ComplementaryLogLog,
            SurvivalIntervals::Log => Self::Log,
            SurvivalIntervals::Plain => Self::Plain,
        }
    }
}

/// What goes with how long fillings last, by the trade's reviews: described in every comparison, and adjusted for where a protocol says
/// nothing.
pub const USUAL_COVARIATES: [&str; 8] = [
    "lesion_depth_mm",
    "sclerosis",
    "cervical_margin",
    "tooth_type",
    "arch",
    "replaces_restoration",
    "operator",
    "placed_on",
];

fn usual_covariates() -> Vec<String> {
    USUAL_COVARIATES.map(str::to_owned).to_vec()
}

/// Five restorations in a hundred.
const fn usual_relevant_difference() -> f64 {
    0.05
}

/// The longest time that a protocol may name: a hundred years.
const MOST_MONTHS: u16 = 1200;

/// One recall of the schedule with its window.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecallWindow {
    /// Months after placement at which it is due.
    pub months: u16,
    /// Months early that still count.
    pub early: u16,
    /// Months late that still count.
    pub late: u16,
}

impl RecallWindow {
    /// The day at which it is due, counted from placement.
    pub fn due(self) -> Days {
        months(self.months)
    }

    /// First day of the window, counted from placement.
    pub fn opens(self) -> Days {
        months(self.months.saturating_sub(self.early))
    }

    /// Last day of the window, counted from placement.
    pub fn closes(self) -> Days {
        months(self.months.saturating_add(self.late))
    }
}

/// A number of months as whole days: months × 365.25 / 12, rounded.
pub fn months(count: u16) -> Days {
    Days::of_months(count)
}

/// Why a protocol can't be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProtocolError {
    /// The line, where it concerns one.
    pub line: Option<usize>,
    /// What is wrong, in a sentence.
    pub what: String,
}

impl fmt::Display for ProtocolError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}: {}", self.what),
            None => f.write_str(&self.what),
        }
    }
}

impl std::error::Error for ProtocolError {}

impl Protocol {
    /// The text of the built-in protocol.
    pub const BUILT_IN_TEXT: &'static str = include_str!("built_in.toml");

    /// The built-in protocol.
    ///
    /// # Panics
    /// Never: a test reads the built-in text.
    #[expect(clippy::expect_used, reason = "the text is compiled in and read by a test")]
    pub fn built_in() -> Self {
        Self::read(Self::BUILT_IN_TEXT).expect("the built-in protocol reads")
    }

    /// Reads a protocol from TOML.
    ///
    /// # Errors
    /// When the text is no TOML, names an unknown key, misses one, or contradicts itself.
    pub fn read(text: &str) -> Result<Self, ProtocolError> {
        let protocol: Self = toml::from_str(text).map_err(|error| {
            let (line, what) = settings_trouble(text, &error);
            ProtocolError { line, what }
        })?;
        protocol.check()?;
        Ok(protocol)
    }

    fn check(&self) -> Result<(), ProtocolError> {
        let refuse = |what: String| Err(ProtocolError { line: None, what });
        if self.endpoints.is_empty() {
            return refuse("a protocol needs at least one [[endpoints]]".to_owned());
        }
        for (place, endpoint) in self.endpoints.iter().enumerate() {
            let word = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
            if endpoint.name.is_empty() || !endpoint.name.chars().all(word) {
                return refuse(format!("endpoint name {:?}: use lower-case letters, digits and underscores", endpoint.name));
            }
            if self.endpoints[..place].iter().any(|other| other.name == endpoint.name) {
                return refuse(format!("two endpoints are called {}", endpoint.name));
            }
            if endpoint.complete_loss == super::Consequence::None {
                return refuse(format!(
                    "endpoint {}: a complete loss ends the follow-up, so it is failure or competing",
                    endpoint.name
                ));
            }
        }
        if !(self.relevant_difference > 0.0 && self.relevant_difference < 1.0) {
            return refuse(format!(
                "relevant_difference = {}: give a fraction above 0 and below 1, such as 0.05 for five fillings in a hundred",
                self.relevant_difference
            ));
        }
        self.check_times()?;
        self.check_factors()
    }

    fn check_times(&self) -> Result<(), ProtocolError> {
        let refuse = |what: String| Err(ProtocolError { line: None, what });
        let named = [("headline_months", self.headline_months), ("restricted_mean_months", self.restricted_mean_months)];
        let horizons = self.horizons_months.iter().map(|&months| ("horizons_months", months));
        for (what, months) in named.into_iter().chain(horizons) {
            if !(1..=MOST_MONTHS).contains(&months) {
                return refuse(format!("{what} = {months}: give a number of months from 1 to {MOST_MONTHS}"));
            }
        }
        if !self.horizons_months.is_sorted_by(|one, next| one < next) {
            return refuse("horizons_months go from early to late, each once".to_owned());
        }
        if self.least_at_risk == 0 {
            return refuse("least_at_risk = 0: a curve needs at least 1 at risk".to_owned());
        }
        for recall in &self.recalls {
            if recall.months > MOST_MONTHS || recall.late > MOST_MONTHS || recall.early > recall.months {
                return refuse(format!(
                    "recall at {} months, {} early, {} late: give months up to {MOST_MONTHS}, and no window that opens before the placement",
                    recall.months, recall.early, recall.late
                ));
            }
        }
        for pair in self.recalls.windows(2) {
            if pair[0].months >= pair[1].months || pair[0].closes() >= pair[1].opens() {
                return refuse(format!(
                    "the recalls at {} and {} months share a day: a visit would count at both; recalls go from early to late, and a window closes before the next one opens",
                    pair[0].months, pair[1].months
                ));
            }
        }
        Ok(())
    }

    fn check_factors(&self) -> Result<(), ProtocolError> {
        let refuse = |what: String| Err(ProtocolError { line: None, what });
        for (place, name) in self.own_factors.iter().enumerate() {
            let plain = |c: char| c.is_alphanumeric() || matches!(c, '_' | '-' | ' ');
            if name.trim().is_empty() || name.trim() != name || !name.chars().all(plain) {
                return refuse(format!(
                    "own factor {name:?}: use letters, digits, spaces, _ and - only, since files are named after it"
                ));
            }
            let lower = name.to_lowercase().replace([' ', '-'], "_");
            let taken = PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS).any(|column| column.name == lower)
                || ["all", "tooth_type", "arch", "from_file", "from_row"].contains(&lower.as_str());
            if taken {
                return refuse(format!("own factor {name:?}: the records have a column or factor of this name already"));
            }
            if self.own_factors[..place].contains(name) {
                return refuse(format!("own factor {name:?} is named twice"));
            }
        }
        let (factors, covariates) = (known_factors(), known_covariates());
        for (what, names, known) in [("factors", &self.factors, &factors), ("adjust_for", &self.adjust_for, &covariates)] {
            for (place, name) in names.iter().enumerate() {
                if names[..place].contains(name) {
                    return refuse(format!("{what}: {name:?} is named twice"));
                }
                self.check_named(what, name, known)?;
            }
        }
        for (factor, level) in &self.reference_levels {
            self.check_named("reference_levels", factor, &factors)?;
            let Some(terms) = terms_of(factor) else { continue };
            if level_named(terms.iter().map(|term| (term.code, term.label)), level).is_none() {
                let codes: Vec<&str> = terms.iter().map(|term| term.code).collect();
                return refuse(format!(
                    "reference_levels: {level:?} is no level of {factor}; choose one of: {}",
                    codes.join(", ")
                ));
            }
        }
        Ok(())
    }

    fn check_named(&self, what: &str, name: &str, known: &[&str]) -> Result<(), ProtocolError> {
        if known.contains(&name) || self.own_factors.iter().any(|own| own == name) {
            return Ok(());
        }
        let choices = choices(known, &self.own_factors);
        let what = format!(
            "{what}: there is no {name:?}; choose from: {choices}. A column of the practice's own stands under own_factors, too"
        );
        Err(ProtocolError { line: None, what })
    }

    /// The horizons in months, the headline's among them, in order.
    pub fn horizons(&self) -> Vec<u16> {
        let mut all: Vec<u16> = self.horizons_months.clone();
        if !all.contains(&self.headline_months) {
            all.push(self.headline_months);
            all.sort_unstable();
        }
        all
    }

    /// A canonical text of everything that decides results, for the fingerprint.
    pub fn canonical_text(&self) -> String {
        toml::to_string(self).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_protocol_reads_and_says_itself_again() {
        let protocol = Protocol::built_in();
        assert_eq!(Protocol::read(&protocol.canonical_text()).as_ref(), Ok(&protocol));
        assert_eq!(protocol.endpoints.len(), 3);
        assert_eq!(months(60), Days::new(1826));
    }

    #[test]
    fn a_mistake_is_told_with_its_line() {
        let text = Protocol::BUILT_IN_TEXT.replacen("complete_loss = \"failure\"", "complete_loss = \"fail\"", 1);
        let error = Protocol::read(&text).expect_err("a mistake");
        assert!(error.line.is_some_and(|line| line > 40), "{error}");
        assert!(error.what.contains("fail"), "{error}");
    }
}
