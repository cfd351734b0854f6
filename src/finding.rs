//! What was noticed in the records, and where. A leaf.
//!
//! A finding is data: its kind, where it is, what is wrong, how to mend it. Terminal, CSV and page render it each in its way.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Stops the review.
    Error,
    /// Plausible but odd, or counted in a way that should be known.
    Caution,
}

/// Defines the kinds of findings: `Variant "code" Severity "what it is"`.
macro_rules! kinds {
    ($($variant:ident $code:literal $severity:ident $title:literal),+ $(,)?) => {
        /// What kind of thing was found; named for what was found, not for its cure.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        pub enum FindingKind { $(#[doc = $title] #[serde(rename = $code)] $variant),+ }

        impl FindingKind {
            /// Every kind, gravest first.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Its stable code.
            pub const fn code(self) -> &'static str { match self { $(Self::$variant => $code),+ } }

            /// How grave it is.
            pub const fn severity(self) -> Severity { match self { $(Self::$variant => Severity::$severity),+ } }

            /// Whether it puts a whole table in doubt, though one row shows it.
            pub const fn of_whole_table(self) -> bool {
                matches!(
                    self,
                    Self::NotationRefuted | Self::DecimalMarksMixed | Self::DeclarationUnread | Self::EntryUnsettled | Self::UnknownKind | Self::FileCutOff
                )
            }

            /// What it is, in a few words.
            pub const fn title(self) -> &'static str { match self { $(Self::$variant => $title),+ } }
        }
    };
}

kinds! {
    FolderMissing "folder-missing" Error "The folder can't be read",
    NoRecordFiles "no-record-files" Error "No record files in the folder",
    DeclarationUnread "declaration-unread" Error "The folder's declaration can't be read",
    EntryUnsettled "entry-unsettled" Error "Which entry of a declaration holds for a file",
    FileUnread "file-unread" Error "A file can't be read",
    FileEmpty "file-empty" Error "A file is empty",
    FileNotText "file-not-text" Error "A file is not text",
    FileCutOff "file-cut-off" Error "A file ends in the middle of a row",
    UnclosedQuote "unclosed-quote" Error "A quotation mark is never closed",
    UnknownKind "unknown-kind" Error "Neither placements nor visits",
    ColumnMissing "column-missing" Error "A column is missing",
    ColumnTwice "column-twice" Error "Two columns have the same name",
    ColumnUnknown "column-unknown" Error "A column that the records don't have",
    PersonalData "personal-data" Error "A column that looks like personal data",
    RowLength "row-length" Error "A row has too few or too many cells",
    DecimalMarksMixed "decimal-marks-mixed" Error "Both decimal commas and decimal points",
    NotationRefuted "notation-refuted" Error "The teeth are not in the declared notation",
    CellMissing "cell-missing" Error "A cell that must be filled is empty",
    NotADay "not-a-day" Error "Not a day",
    AmbiguousDate "ambiguous-date" Error "Day and month can't be told apart",
    FutureDay "future-day" Error "A day in the future",
    FormulaUnreckoned "formula-unreckoned" Error "A formula that was never reckoned",
    NotATooth "not-a-tooth" Error "Not a tooth in the declared notation",
    NotANumber "not-a-number" Error "Not a number",
    OutOfRange "out-of-range" Error "Outside what is possible",
    UnknownTerm "unknown-term" Error "A term that is not in the table",
    SchemeMissing "scheme-missing" Error "A score without its scheme",
    ScoreOutsideScheme "score-outside-scheme" Error "A score that its scheme doesn't have",
    NothingScored "nothing-scored" Error "A visit without a score or an outcome",
    PlacementRepeated "placement-repeated" Error "Two placements with the same restoration",
    RestorationUnknown "restoration-unknown" Error "A visit to a restoration that was never placed",
    EnteredBeforePlaced "entered-before-placed" Error "Under observation before it was placed",
    VisitBeforePlacement "visit-before-placement" Error "A visit before the placement",
    VisitAfterLoss "visit-after-loss" Error "A restoration seen in place after it was lost",
    SeenAfterDeath "seen-after-death" Error "A restoration examined after the patient's death",
    ScoredThoughLost "scored-though-lost" Error "A lost restoration scored for something it no longer has",
    OutcomeContradictsRetention "outcome-contradicts-retention" Error "Outcome and retention contradict each other",
    OutcomeAfterVisit "outcome-after-visit" Error "An outcome after the visit that tells of it, or before the placement",
    OverlappingPlacement "overlapping-placement" Error "Re-treated while the earlier restoration was never closed",
    ContradictoryTechnique "contradictory-technique" Error "Adhesive class and etch strategy contradict each other",
    VisitsDiffer "visits-differ" Error "Two different rows for the same visit",
    RepairAsPlacement "repair-as-placement" Error "A placement that may be a repair",
    OtherFilling "other-filling" Error "Another filling with the id of one already kept",
    KeptRowDiffers "kept-row-differs" Error "A row that differs from the one already kept",
    NotationUnsettled "notation-unsettled" Caution "Teeth that could be in either notation",
    DayReckoned "day-reckoned" Caution "A day of visit reckoned from the placement",
    MergedCells "merged-cells" Caution "Merged cells",
    DeclarationUnused "declaration-unused" Caution "A declaration that speaks of other files",
    MayBeAName "may-be-a-name" Caution "A pseudonym that may be a surname",
    PseudonymGiven "pseudonym-given" Caution "Ids that are pseudonyms of a registry already",
    MayBeEmpty "may-be-empty" Caution "A text that may stand for an empty cell",
    LookAlike "look-alike" Caution "A letter or sign read as the digit it looks like",
    IdenticalRow "identical-row" Caution "The same row twice",
    ImplausibleValue "implausible-value" Caution "Possible, but odd",
    PrimaryTooth "primary-tooth" Caution "A primary tooth",
    OffLabelTechnique "off-label-technique" Caution "A self-etch adhesive after etch-and-rinse",
    EtchStrategyMissing "etch-strategy-missing" Caution "A universal adhesive without its etch strategy",
    OwnWorkScored "own-work-scored" Caution "Examiner and operator are the same",
    TwoExaminers "two-examiners" Caution "One visit scored by two examiners",
    CariousLesion "carious-lesion" Caution "A carious lesion among worn ones",
    LossReported "loss-reported" Caution "A loss reported, not examined",
    ReplacedUnknown "replaced-unknown" Caution "The restoration that it replaces was never placed",
    SpellingsDiffer "spellings-differ" Caution "Two spellings of what may be the same",
    NoVisits "no-visits" Caution "No visits at all",
    OwnColumnMissing "own-column-missing" Caution "A declared column that no file has",
    LegacyUndeclared "legacy-undeclared" Caution "Placed long before the records begin",
}

/// Where something was found. Rows and columns are those that a spreadsheet shows: the header is row 1.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// The file's name.
    pub file: String,
    /// The row, where it concerns one.
    pub row: Option<u64>,
    /// The column's name, where it concerns one.
    pub column: Option<String>,
}

impl Place {
    /// A whole file.
    pub fn file(file: &str) -> Self {
        Self { file: file.to_owned(), row: None, column: None }
    }

    /// A row of a file.
    pub fn row(file: &str, row: u64) -> Self {
        Self { file: file.to_owned(), row: Some(row), column: None }
    }

    /// A cell.
    pub fn cell(file: &str, row: u64, column: &str) -> Self {
        Self { file: file.to_owned(), row: Some(row), column: Some(column.to_owned()) }
    }
}

/// One thing found.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What kind.
    pub kind: FindingKind,
    /// Where.
    pub place: Place,
    /// The value as written in the file, if it concerns one.
    pub value: Option<String>,
    /// What is wrong, in a sentence.
    pub what: String,
    /// How to mend it, in a sentence.
    pub mend: String,
}

/// All findings of a run: of a kind and file so many in full, those that come first in the file, and all of them counted. So the
/// order in which they are added, or taken over from parts, tells nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Findings {
    by_kind: BTreeMap<(FindingKind, String), OfAKind>,
    all_errors: bool,
    noted: u64,
}

/// The findings of one kind and file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct OfAKind {
    count: u64,
    kept: Vec<Finding>,
    /// Whether those kept were cut already, so that the first ones stand in their order.
    cut: bool,
}

impl OfAKind {
    /// Keeps a finding, unless so many come before it in the file.
    fn keep(&mut self, finding: Finding, all: bool) {
        if !all && self.cut && self.kept.get(KEPT - 1).is_some_and(|last| *last <= finding) {
            return;
        }
        self.kept.push(finding);
        if !all && self.kept.len() >= 2 * KEPT {
            self.kept.sort_unstable();
            self.kept.truncate(KEPT);
            self.cut = true;
        }
    }
}

/// How the column begins that stands behind rows set aside: the table they came from follows.
pub const SET_ASIDE_FROM: &str = "set_aside_from";
/// The column behind it, with the reasons.
pub const SET_ASIDE_BECAUSE: &str = "set_aside_because";

/// The columns of a list of findings as CSV; a file that has them is no record file.
pub const FINDING_COLUMNS: [&str; 8] = ["file", "row", "column", "value", "severity", "code", "what", "mend"];

/// How many findings of one kind and file are kept in full; the rest are counted.
pub const KEPT_OF_A_KIND: u64 = 1000;
const KEPT: usize = 1000;

impl Findings {
    /// None yet; every error is kept in full, however many there are.
    pub fn keeping_all_errors() -> Self {
        Self { all_errors: true, ..Self::default() }
    }

    /// None yet, kept as here.
    pub fn none_like(&self) -> Self {
        Self { all_errors: self.all_errors, ..Self::default() }
    }

    /// Adds a finding.
    pub fn add(&mut self, finding: Finding) {
        let all = self.keeps_all(finding.kind);
        let group = self.by_kind.entry((finding.kind, finding.place.file.clone())).or_default();
        group.count += 1;
        group.keep(finding, all);
        self.noted += 1;
    }

    /// How many there are.
    pub const fn noted(&self) -> u64 {
        self.noted
    }

    /// Whether findings of a kind are kept in full however many there are.
    fn keeps_all(&self, kind: FindingKind) -> bool {
        self.all_errors && kind.severity() == Severity::Error
    }

    /// The findings kept in full, kind by kind.
    fn kept(&self) -> impl Iterator<Item = &Finding> {
        self.by_kind.iter().flat_map(|((kind, _), group)| {
            let mut kept: Vec<&Finding> = group.kept.iter().collect();
            if kept.len() > KEPT && !self.keeps_all(*kind) {
                kept.sort_unstable();
                kept.truncate(KEPT);
            }
            kept
        })
    }

    /// Adds a finding from its parts.
    pub fn note(
        &mut self,
        kind: FindingKind,
        place: Place,
        value: Option<&str>,
        what: impl Into<String>,
        mend: impl Into<String>,
    ) {
        self.add(Finding { kind, place, value: value.map(str::to_owned), what: what.into(), mend: mend.into() });
    }

    /// Counts a finding in a row if so many before it in its file are kept that it would not be; tells whether it did. For those who may find
    /// one in every row.
    pub fn only_counted(&mut self, kind: FindingKind, file: &str, row: u64) -> bool {
        if self.keeps_all(kind) {
            return false;
        }
        let found = self.by_kind.iter_mut().find(|((other, of), _)| *other == kind && of == file);
        let Some((_, group)) = found.filter(|(_, group)| group.cut) else { return false };
        let comes_later = group.kept.get(KEPT - 1).is_some_and(|last| last.place.row < Some(row));
        group.count += u64::from(comes_later);
        self.noted += u64::from(comes_later);
        comes_later
    }

    /// Takes over the findings of another run.
    pub fn take_over(&mut self, other: Self) {
        for (key, found) in other.by_kind {
            let all = self.keeps_all(key.0);
            let group = self.by_kind.entry(key).or_default();
            group.count += found.count;
            self.noted += found.count;
            found.kept.into_iter().for_each(|finding| group.keep(finding, all));
        }
    }

    /// The findings kept in full, gravest kind first, then by file and row.
    pub fn sorted(&self) -> Vec<&Finding> {
        let mut sorted: Vec<&Finding> = self.kept().collect();
        sorted.sort_by_key(|finding| (finding.kind.severity(), *finding));
        sorted
    }

    /// The errors kept in full, by file and row; those that concern a whole file are not among them.
    pub fn errors_by_row(&self) -> BTreeMap<&str, BTreeMap<u64, Vec<&Finding>>> {
        let mut rows: BTreeMap<&str, BTreeMap<u64, Vec<&Finding>>> = BTreeMap::new();
        for finding in self.kept().filter(|finding| finding.kind.severity() == Severity::Error) {
            if let Some(row) = finding.place.row.filter(|_| !finding.kind.of_whole_table()) {
                rows.entry(&finding.place.file).or_default().entry(row).or_default().push(finding);
            }
        }
        rows
    }

    /// Those of some files alone.
    pub fn of_files(&self, of: impl Fn(&str) -> bool) -> Self {
        let these = self.by_kind.iter().filter(|((_, file), _)| of(file));
        Self::of(these.map(|(key, group)| (key.clone(), group.clone())).collect(), self.all_errors)
    }

    /// Errors and cautions apart.
    pub fn part(self) -> (Self, Self) {
        let all_errors = self.all_errors;
        let (errors, cautions) = self.by_kind.into_iter().partition(|((kind, _), _)| kind.severity() == Severity::Error);
        (Self::of(errors, all_errors), Self::of(cautions, all_errors))
    }

    fn of(by_kind: BTreeMap<(FindingKind, String), OfAKind>, all_errors: bool) -> Self {
        let noted = by_kind.values().map(|group| group.count).sum();
        Self { by_kind, all_errors, noted }
    }

    /// Whether any error concerns a whole file or table, so that setting rows aside can't mend it.
    pub fn any_of_whole_table(&self) -> bool {
        let whole = |finding: &Finding| finding.place.row.is_none() || finding.kind.of_whole_table();
        self.kept().any(|finding| finding.kind.severity() == Severity::Error && whole(finding))
    }

    /// How many of a kind there are in a file.
    pub fn count(&self, kind: FindingKind, file: &str) -> u64 {
        self.by_kind.get(&(kind, file.to_owned())).map_or(0, |group| group.count)
    }

    /// How many of each kind, over all files, gravest first.
    pub fn by_kind(&self) -> Vec<(FindingKind, u64)> {
        let mut totals = BTreeMap::new();
        for ((kind, _), group) in &self.by_kind {
            *totals.entry((kind.severity(), *kind)).or_insert(0) += group.count;
        }
        totals.into_iter().map(|((_, kind), count)| (kind, count)).collect()
    }

    /// How many findings of a severity there are.
    pub fn total(&self, severity: Severity) -> u64 {
        self.by_kind.iter().filter(|((kind, _), _)| kind.severity() == severity).map(|(_, group)| group.count).sum()
    }

    /// Whether any finding stops the review.
    pub fn any_error(&self) -> bool {
        self.total(Severity::Error) > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_and_named_in_lower_case_words() {
        let mut codes: Vec<&str> = FindingKind::ALL.iter().map(|kind| kind.code()).collect();
        assert!(codes.iter().all(|code| code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-')));
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), FindingKind::ALL.len());
    }

    #[test]
    fn more_than_are_kept_are_still_counted() {
        let mut findings = Findings::default();
        for row in 0..KEPT_OF_A_KIND + 5 {
            findings.note(FindingKind::NotADay, Place::row("a.csv", row), Some("x"), "no day", "write one");
        }
        assert_eq!(findings.count(FindingKind::NotADay, "a.csv"), KEPT_OF_A_KIND + 5);
        assert_eq!(findings.sorted().len(), 1000);
        assert!(findings.any_error());
    }

    #[test]
    fn the_first_of_a_file_are_kept_however_they_come() {
        let note = |findings: &mut Findings, row| {
            findings.note(FindingKind::NotADay, Place::row("a.csv", row), Some("x"), "no day", "write one");
        };
        let rows: Vec<u64> = (0..5 * KEPT_OF_A_KIND).map(|row| row * 3_571 % (5 * KEPT_OF_A_KIND)).collect();
        let mut whole = Findings::default();
        rows.iter().for_each(|row| note(&mut whole, *row));
        let mut parts = Findings::default();
        for some in rows.rchunks(1_300) {
            let mut part = Findings::default();
            some.iter().for_each(|row| note(&mut part, *row));
            parts.take_over(part);
        }
        let kept = |findings: &Findings| -> Vec<Option<u64>> {
            findings.sorted().iter().map(|finding| finding.place.row).collect()
        };
        assert_eq!(kept(&whole), (0..KEPT_OF_A_KIND).map(Some).collect::<Vec<_>>());
        assert_eq!(kept(&parts), kept(&whole));
        // Those that would not be kept, counted without their words.
        let mut counted = Findings::default();
        let only_counted = rows.iter().filter(|row| {
            let only = counted.only_counted(FindingKind::NotADay, "a.csv", **row);
            if !only {
                note(&mut counted, **row);
            }
            only
        });
        assert!(only_counted.count() > 1_000);
        assert_eq!((kept(&counted), counted.by_kind(), counted.noted()), (kept(&whole), whole.by_kind(), whole.noted()));
        assert!(!counted.only_counted(FindingKind::NotADay, "b.csv", 1_000_000), "another file");
        let mut all = Findings::keeping_all_errors();
        rows.iter().for_each(|row| note(&mut all, *row));
        assert!(!all.only_counted(FindingKind::NotADay, "a.csv", 1_000_000), "errors are all kept");
        assert_eq!(parts.count(FindingKind::NotADay, "a.csv"), 5 * KEPT_OF_A_KIND);
    }
}
