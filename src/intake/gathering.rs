//! Rows of one kind of records, gathered column by column.

use polars::prelude::{Column as FrameColumn, DataFrame};

use super::cell_column::{CellAt, CellReader};
use super::phrase::{Roles, Said};
use super::phrases::Phrases;
use super::plan::{Feed, From, RecordKind};
use super::sheet::Row;
use super::tally::Tally;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::{AdhesiveClass, Cell, Coded, EtchStrategy};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, FoldedColumns, NO_CODE, RunColumn, TableError};

pub(super) struct Gathering {
    pub(super) feed: Feed,
    pub(super) rows: Vec<u32>,
    pub(super) roles: Roles,
    pub(super) placed_on: Option<usize>,
    /// Columns in the order in which a row's cells are read: the scheme before scores.
    order: Vec<usize>,
    phrases: Phrases,
    /// Which cells of the row that was read last gave no finding.
    clean: Vec<bool>,
    /// The column whose values are gathered run by run, if any.
    run_coded: Option<usize>,
    /// How many rows each run has.
    runs: Vec<u32>,
    /// Whether the last run has the id that its column remembers.
    run_goes_on: bool,
}

/// Rows as a piece of a table.
pub(super) struct Gathered {
    pub(super) frame: DataFrame,
    /// The columns that are folded, and the ids of restorations run by run, if they were to be folded.
    pub(super) folded: Option<(FoldedColumns, RunColumn)>,
}

impl Gathering {
    /// For rows of a feed. If it `folds`, columns may hold each form of their cells once, and ids are gathered run by run.
    pub(super) fn new(feed: Feed, folds: bool) -> Self {
        let (scheme, etch, adhesive) = (feed.place("scheme"), feed.place("etch_strategy"), feed.place("adhesive_class"));
        let roles = Roles { scheme, etch, adhesive };
        let order: Vec<usize> =
            scheme.into_iter().chain((0..feed.plans.len()).filter(|place| Some(*place) != scheme)).collect();
        Self {
            phrases: Phrases::new(&feed.plans, &order, roles, folds),
            clean: vec![false; feed.plans.len()],
            order,
            roles,
            run_coded: feed.place("restoration_id").filter(|_| folds),
            runs: Vec::new(),
            run_goes_on: false,
            placed_on: feed.place("placed_on"),
            rows: Vec::new(),
            feed,
        }
    }

    /// Whether a visit that stands beside others has anything in its own columns. Who looked and by which scheme makes no visit.
    pub(super) fn anything(&self, row: &Row<'_>) -> bool {
        self.feed.plans.iter().any(|plan| match plan.from {
            From::Cell(cell) => {
                !matches!(plan.name.as_str(), "restoration_id" | "scheme" | "examiner" | "source")
                    && !row.cell(cell).is_empty()
            }
            _ => false,
        })
    }

    /// Checks a row and adds it.
    pub(super) fn take(
        &mut self,
        row: &Row<'_>,
        placed: &dyn Fn() -> Option<Day>,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) {
        self.rows.push(u32::try_from(row.number).unwrap_or(u32::MAX));
        // The first number with a comma is named, so it is looked at by itself.
        let known =
            self.phrases.find(row, &mut self.feed.plans).filter(|said| said.commas == 0 || tally.first_comma.is_some());
        if let Some(said) = known {
            self.take_known(row, said, placed, reader, tally, findings);
            return;
        }
        self.phrases.pass_over(&mut self.feed.plans);
        let mut said = Said::NOTHING;
        for at in 0..self.order.len() {
            let (place, before) = (self.order[at], findings.noted());
            self.take_cell(place, row, &mut said, placed, reader, tally, findings);
            self.clean[place] = findings.noted() == before;
        }
        self.phrases.remember(row, &self.feed.plans, &self.clean, self.roles);
        self.judge_row(row.number, said.says, said.etch, said.adhesive, placed, reader, findings);
    }

    /// How many cells stand before those that are read together up to the end of rows of some width; none if there are no such. Only of
    /// visits: what the cells of placements say together hangs on their day.
    pub(super) fn head(&self, width: usize) -> Option<usize> {
        if self.feed.kind == RecordKind::Visit { self.phrases.head(width) } else { None }
    }

    /// Adds a row by its first cells if the bytes of all the others, which are read together, were met before. Whether they were.
    pub(super) fn take_head(
        &mut self,
        head: &Row<'_>,
        rest: &[u8],
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) -> bool {
        let Some(said) = self.phrases.find_rest(head, rest).filter(|said| said.commas == 0) else { return false };
        self.rows.push(u32::try_from(head.number).unwrap_or(u32::MAX));
        self.take_known(head, said, &|| None, reader, tally, findings);
        true
    }

    /// Adds a row whose phrases were found.
    fn take_known(
        &mut self,
        row: &Row<'_>,
        mut said: Said,
        placed: &dyn Fn() -> Option<Day>,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) {
        self.phrases.add(&mut self.feed.plans);
        tally.add(said);
        if let Some(etch) = self.roles.etch {
            self.feed.plans[etch].last_empty = said.etch_empty;
        }
        for at in 0..self.phrases.loose().len() {
            let place = self.phrases.loose()[at];
            if !self.take_usual(place, row, reader) {
                self.take_cell(place, row, &mut said, placed, reader, tally, findings);
            }
        }
        self.judge_row(row.number, said.says, said.etch, said.adhesive, placed, reader, findings);
    }

    /// Adds a cell that needs no second look. Whether it was one.
    #[inline]
    fn take_usual(&mut self, place: usize, row: &Row<'_>, reader: &CellReader<'_>) -> bool {
        let plan = &mut self.feed.plans[place];
        let From::Cell(cell) = plan.from else { return false };
        let bytes = row.cell(cell);
        if Some(place) == self.run_coded {
            let goes_on = self.run_goes_on && plan.last_id.as_bytes() == bytes;
            if let Some(rows) = self.runs.last_mut().filter(|_| goes_on) {
                *rows += 1;
            }
            return goes_on;
        }
        if bytes.is_empty() || !plan.take_likely(bytes, reader) {
            return false;
        }
        plan.last_empty = false;
        true
    }

    /// Checks a cell of a row and adds its value. The scheme's must come before those of scores, which mean nothing without it.
    #[expect(clippy::too_many_arguments, reason = "all that the cell's row and file tell")]
    fn take_cell(
        &mut self,
        place: usize,
        row: &Row<'_>,
        said: &mut Said,
        placed: &dyn Fn() -> Option<Day>,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) {
        if Some(place) == self.run_coded {
            self.runs.push(1);
            self.run_goes_on = false;
        }
        let plan = &mut self.feed.plans[place];
        if let From::MonthsAfterPlacement(months) = plan.from {
            plan.take_reckoned(row.number, months, placed(), reader, findings);
            return;
        }
        let constant = plan.constant();
        let bytes = plan.bytes(row, constant.as_deref());
        if plan.is_optional && bytes.is_empty() {
            plan.last_empty = true;
            plan.builder.push_none();
            return;
        }
        if plan.says {
            said.says = said.says || !bytes.is_empty();
            if said.scheme_unread && !bytes.is_empty() && matches!(plan.column.cell, Cell::Score(_)) {
                // The scheme itself is a finding; without it nothing can be said of its scores.
                plan.builder.push_none();
                return;
            }
        }
        let at = CellAt { bytes, row: row.number, may_break: row.may_break };
        let is_scheme = Some(place) == self.roles.scheme;
        let scheme = if is_scheme { NO_CODE } else { said.scheme };
        let code = plan.take(at, scheme, reader, tally, findings);
        if Some(place) == self.run_coded {
            self.run_goes_on = !bytes.is_empty() && plan.values.is_empty() && plan.last_id.as_bytes() == bytes;
        }
        if is_scheme {
            said.scheme = code;
            said.scheme_unread = code == NO_CODE && !bytes.is_empty();
        } else if Some(place) == self.roles.etch {
            said.etch = code;
        } else if Some(place) == self.roles.adhesive {
            said.adhesive = code;
        }
    }

    /// What the cells of a row say together.
    #[expect(clippy::too_many_arguments, reason = "what was seen of the row's cells")]
    pub(super) fn judge_row(
        &self,
        row: u64,
        says: bool,
        etch: u8,
        adhesive: u8,
        placed: &dyn Fn() -> Option<Day>,
        reader: &CellReader<'_>,
        findings: &mut Findings,
    ) {
        match self.feed.kind {
            RecordKind::Visit if !says => findings.note(
                FindingKind::NothingScored,
                Place::row(reader.name, row),
                None,
                "The visit has neither a score nor an outcome, so it says nothing.",
                "Score at least one criterion, or fill outcome (such as in_place).",
            ),
            RecordKind::Visit => {}
            RecordKind::Placement => self.check_technique(row, etch, adhesive, placed, reader, findings),
        }
    }

    /// What the technique's terms say of each other.
    fn check_technique(
        &self,
        row: u64,
        etch: u8,
        adhesive: u8,
        placed: &dyn Fn() -> Option<Day>,
        reader: &CellReader<'_>,
        findings: &mut Findings,
    ) {
        let Some(class) = AdhesiveClass::from_index(adhesive) else { return };
        let Some(etch_plan) = self.roles.etch.map(|place| &self.feed.plans[place]) else { return };
        let strategy = EtchStrategy::from_index(etch);
        let written = strategy.map(Coded::code);
        let place = || Place::cell(reader.name, row, &etch_plan.written);
        match (class, strategy) {
            (
                AdhesiveClass::ThreeStepEtchAndRinse | AdhesiveClass::TwoStepEtchAndRinse,
                Some(EtchStrategy::SelfEtch | EtchStrategy::SelectiveEnamelEtch),
            ) => findings.note(
                FindingKind::ContradictoryTechnique,
                place(),
                written,
                format!("A {} adhesive needs acid on enamel and dentine.", class.label().to_lowercase()),
                "Correct the etch strategy or the adhesive class.",
            ),
            (AdhesiveClass::TwoStepSelfEtch | AdhesiveClass::OneStepSelfEtch, Some(EtchStrategy::EtchAndRinse)) => findings
                .note(
                    FindingKind::OffLabelTechnique,
                    place(),
                    written,
                    format!("A {} adhesive is not made for etched dentine.", class.label().to_lowercase()),
                    "Check the etch strategy; leave it if it is right.",
                ),
            // A term that could not be read is a finding already.
            (AdhesiveClass::Universal, None) if etch_plan.last_empty => findings.note(
                FindingKind::EtchStrategyMissing,
                place(),
                None,
                "A universal adhesive says little without its etch strategy.",
                "Fill etch_strategy if it is known.",
            ),
            _ => {}
        }
        // Universal adhesives came into use about 2011 (common practice).
        if class == AdhesiveClass::Universal
            && let Some(day) = placed().filter(|day| day.year() < 2011)
        {
            findings.note(
                FindingKind::ImplausibleValue,
                Place::cell(reader.name, row, "placed_on"),
                Some(&day.to_string()),
                "Universal adhesives were hardly to be had before 2011.",
                "Check the day and the adhesive class; leave them if they are right.",
            );
        }
    }

    /// The rows so far; begins anew.
    pub(super) fn finish(&mut self, place: u32) -> Result<Gathered, TableError> {
        self.phrases.write(&mut self.feed.plans);
        let rows = std::mem::take(&mut self.rows);
        self.rows.reserve(rows.len() + rows.len() / 16);
        let folded = self.phrases.finish(&self.feed.plans, &self.order, self.roles);
        let (folded_plans, of_row) = folded.unwrap_or_default();
        let (mut columns, mut forms, mut ids) = (Vec::new(), Vec::new(), None);
        for (at, plan) in self.feed.plans.iter_mut().enumerate() {
            let next = ColumnBuilder::with_room(&plan.name, plan.column.cell, 0);
            let column: FrameColumn = std::mem::replace(&mut plan.builder, next).finish();
            // The rows that follow are likely to be as many.
            plan.builder = ColumnBuilder::with_room(&plan.name, plan.column.cell, column.len() + column.len() / 16);
            if Some(at) == self.run_coded {
                ids = Some(RunColumn { values: column, rows: std::mem::take(&mut self.runs) });
                self.run_goes_on = false;
            } else if folded_plans.contains(&at) {
                forms.push(column);
            } else {
                columns.push(column);
            }
        }
        columns.push(whole_numbers(FILE_COLUMN, vec![place; rows.len()]));
        columns.push(whole_numbers(ROW_COLUMN, rows));
        let mut frame = DataFrame::new_infer_height(columns)?;
        let folded = match ids {
            // Nothing is folded where no cells are read together.
            Some(ids) if folded_plans.is_empty() => {
                frame.hstack_mut(&[ids.unfolded()?])?;
                None
            }
            Some(ids) => Some((FoldedColumns { forms: DataFrame::new_infer_height(forms)?, of_row }, ids)),
            None => None,
        };
        Ok(Gathered { frame, folded })
    }
}
