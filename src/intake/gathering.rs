//! Rows of one kind of records, gathered column by column.

use polars::prelude::{Column as FrameColumn, DataFrame};

use super::cell_column::{CellAt, CellReader};
use super::phrases::{Phrases, Roles, Said};
use super::plan::{Feed, From, Plan};
use super::sheet::Row;
use super::tally::Tally;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::{AdhesiveClass, Cell, Coded, EtchStrategy, RecordKind};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, NO_CODE, TableError};

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
}

impl Gathering {
    pub(super) fn new(feed: Feed) -> Self {
        let (scheme, etch, adhesive) = (feed.place("scheme"), feed.place("etch_strategy"), feed.place("adhesive_class"));
        let roles = Roles { scheme, etch, adhesive };
        let order: Vec<usize> =
            scheme.into_iter().chain((0..feed.plans.len()).filter(|place| Some(*place) != scheme)).collect();
        Self {
            phrases: Phrases::new(&feed.plans, &order, roles),
            clean: vec![false; feed.plans.len()],
            order,
            roles,
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
                    && !plan.but_empty(row.cell(cell)).is_empty()
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
        let known = self.phrases.find(row).filter(|said| said.commas == 0 || tally.first_comma.is_some());
        let mut said = known.unwrap_or(Said::NOTHING);
        if known.is_some() {
            self.phrases.add();
            tally.add(said);
            if let Some(etch) = self.roles.etch {
                self.feed.plans[etch].last_empty = said.etch_empty;
            }
            for at in 0..self.phrases.loose().len() {
                self.take_cell(self.phrases.loose()[at], row, &mut said, placed, reader, tally, findings);
            }
        } else {
            self.phrases.write(&mut self.feed.plans);
            for at in 0..self.order.len() {
                let (place, before) = (self.order[at], findings.noted());
                self.take_cell(place, row, &mut said, placed, reader, tally, findings);
                self.clean[place] = findings.noted() == before;
            }
            self.phrases.remember(row, &self.feed.plans, &self.clean, &self.order, self.roles);
        }
        self.judge_row(row.number, said.says, said.etch, said.adhesive, placed, reader, findings);
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
        let plan = &mut self.feed.plans[place];
        if let From::MonthsAfterPlacement(months) = plan.from {
            plan.take_reckoned(row.number, months, placed(), reader, findings);
            return;
        }
        let constant = plan.constant();
        let bytes = plan.bytes(row, constant.as_deref());
        if bytes.is_empty()
            && let From::Cell(cell) = plan.from
        {
            let written = row.cell(cell);
            tally.emptied += u64::from(!written.is_empty());
            if !written.is_empty() && !plan.is_optional {
                plan.take_emptied(written, row.number, reader, findings);
                return;
            }
        }
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
        let at = CellAt { bytes, row: row.number, may_break: row.may_break, is_declared: false };
        let is_scheme = Some(place) == self.roles.scheme;
        let scheme = if is_scheme { NO_CODE } else { said.scheme };
        let code = plan.take(at, scheme, reader, tally, findings);
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

    /// The rows so far as a piece of a table; begins anew.
    pub(super) fn finish(&mut self, place: u32) -> Result<DataFrame, TableError> {
        self.phrases.write(&mut self.feed.plans);
        let rows = std::mem::take(&mut self.rows);
        self.rows.reserve(rows.len() + rows.len() / 16);
        // The rows that follow are likely to be as many.
        let room = rows.len() + rows.len() / 16;
        let fresh = |plan: &mut Plan| {
            let next = ColumnBuilder::with_room(&plan.name, plan.column.cell, room);
            std::mem::replace(&mut plan.builder, next).finish()
        };
        let mut columns: Vec<FrameColumn> = self.feed.plans.iter_mut().map(fresh).collect();
        columns.push(whole_numbers(FILE_COLUMN, vec![place; rows.len()]));
        columns.push(whole_numbers(ROW_COLUMN, rows));
        Ok(DataFrame::new_infer_height(columns)?)
    }
}
