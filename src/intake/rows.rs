//! All rows of a table into the columns of the records, every cell checked, every finding with its row and column.
//!
//! A text is cut into stretches of whole rows, which are checked on as many threads as there are; what they give is put together in
//! their order.

use std::cell::RefCell;
use std::sync::Arc;

use polars::prelude::{Column as FrameColumn, DataFrame};

use super::cell::{self, Wrong};
use super::columns::take_frame;
use super::declaration::Decimal;
use super::phrases::{Phrases, Roles, Said};
use super::plan::{Feed, From, Plan, RecordKind, TablePlan, TextRole};
use super::sheet::{Row, Sheet, as_text, note_trouble};
use super::text_rows::TextRows;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::{Day, Days};
use crate::record::tooth::refutes;
use crate::record::{AdhesiveClass, Cell, Coded, EtchStrategy, Need, Scheme, ToothNotation};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, NO_CODE, TableError};
use crate::threads::{as_they_come, available};
use crate::wording::{counted, unescape_spreadsheet};

/// Rows gathered before they become a piece of a table.
const BATCH: usize = 250_000;

/// Told a table's name and how many of its rows were read.
pub type Progress = dyn Fn(&str, u64);

/// What is the same for all tables.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The table's place in the list of tables.
    pub place: u32,
    /// No day lies after this one.
    pub today: Day,
    /// Told how many rows were read, now and then.
    pub progress: Option<&'a Progress>,
}

/// What one table gave.
#[derive(Clone, Debug, Default)]
pub struct RowsRead {
    /// Rows met.
    pub received: u64,
    /// Visits that stood beside each other in its rows.
    pub unfolded: u64,
    /// Restorations named in rows that could not be told into cells; their visits are no orphans.
    pub unread_restorations: Vec<String>,
    /// How decimals are written, where any number has a mark.
    pub decimal: Option<Decimal>,
    /// Whether the table could not be read to its end.
    pub cut_short: bool,
}

/// Some checked rows, on their way to whoever takes them.
pub struct Piece {
    /// Which kind of records.
    pub kind: RecordKind,
    /// The rows.
    pub frame: DataFrame,
    /// How many more rows the table is likely to give; 0 where nothing tells.
    pub to_come: usize,
}

/// Where checked rows go, piece by piece.
pub type Sink<'a> = dyn FnMut(Piece) -> Result<(), TableError> + 'a;

/// A cell's bytes, trimmed, and where it stands.
#[derive(Clone, Copy)]
pub(super) struct CellAt<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) row: u64,
    pub(super) may_break: bool,
}

/// What is counted over a whole table.
#[derive(Default)]
pub(super) struct Tally {
    refuted: u64,
    first_refuting: Option<(u64, String, String)>,
    settling: u64,
    teeth: u64,
    commas: u64,
    points: u64,
    first_comma: Option<(u64, String, String)>,
}

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

/// Takes the rows of a table, or of a stretch of it.
struct RowTaker<'a> {
    feeds: Vec<Gathering>,
    reader: &'a CellReader<'a>,
    /// How many cells a row has.
    width: usize,
    id_cell: Option<usize>,
    placed_cell: Option<usize>,
    read: RowsRead,
    tally: Tally,
    /// Whether a row seemed to have swallowed others.
    swallowed: bool,
}

/// What a stretch of a table gave.
struct StretchRead {
    frames: Result<Vec<(RecordKind, DataFrame)>, TableError>,
    read: RowsRead,
    tally: Tally,
    findings: Findings,
    /// How many bytes it had.
    bytes: u64,
    /// Where they were.
    room: Vec<u8>,
}

/// Reads all rows of a table.
///
/// # Errors
/// When the columns don't make a table, which would be a fault of the program.
pub fn read_rows(
    sheet: &mut Sheet,
    plan: TablePlan,
    context: Context<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<RowsRead, TableError> {
    let name = sheet.name.clone();
    let reader = CellReader {
        name: &name,
        today: context.today,
        days: sheet.declared.days,
        notation: sheet.declared.tooth_notation.unwrap_or(ToothNotation::Iso3950),
        digits_from: sheet.declared.digits_from,
        commas: plan.commas,
    };
    let declared_notation = sheet.declared.tooth_notation.is_some();
    let width = sheet.header.len();
    let read = if sheet.in_columns() && plan.feeds.len() == 1 {
        columns_read(sheet, plan, context, &reader, findings, sink)?
    } else if let Some(text) = sheet.text() {
        let (read, tally, cut_short) = stretches_read(text, &plan, width, context, &reader, findings, sink)?;
        sheet.cut_short |= cut_short;
        (read, tally)
    } else {
        let mut taker = RowTaker::new(&plan, &reader, width);
        while let Some(row) = sheet.next_row(findings) {
            taker.take(&row, findings);
            if taker.gathered() >= BATCH {
                context.says(&name, taker.read.received);
                for (kind, frame) in taker.frames(context.place)? {
                    sink(Piece { kind, frame, to_come: 0 })?;
                }
            }
        }
        for (kind, frame) in taker.frames(context.place)? {
            sink(Piece { kind, frame, to_come: 0 })?;
        }
        taker.ended()
    };
    let (mut read, tally) = read;
    read.decimal = match (tally.commas, tally.points) {
        (0, 0) => None,
        (0, _) => Some(Decimal::Point),
        _ => Some(Decimal::Comma),
    };
    // Rows that were swallowed were never met, so they can't be set aside.
    read.cut_short |= sheet.cut_short;
    tally.close(&reader, declared_notation, findings);
    Ok(read)
}

/// Reads a table that is columns already.
fn columns_read(
    sheet: &mut Sheet,
    plan: TablePlan,
    context: Context<'_>,
    reader: &CellReader<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<(RowsRead, Tally), TableError> {
    let (mut read, mut tally) = (RowsRead::default(), Tally::default());
    for mut gathering in plan.feeds.into_iter().map(Gathering::new) {
        let kind = gathering.feed.kind;
        while let Some(frame) = sheet.next_piece(findings) {
            take_frame(&mut gathering, &frame, read.received, reader, &mut tally, findings)?;
            read.received += frame.height() as u64;
            sink(Piece { kind, frame: gathering.finish(context.place)?, to_come: 0 })?;
            context.says(reader.name, read.received);
        }
        sink(Piece { kind, frame: gathering.finish(context.place)?, to_come: 0 })?;
    }
    Ok((read, tally))
}

/// Reads a text stretch by stretch, on all threads.
fn stretches_read(
    text: &mut TextRows,
    plan: &TablePlan,
    width: usize,
    context: Context<'_>,
    reader: &CellReader<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<(RowsRead, Tally, bool), TableError> {
    let (mut read, mut tally, mut trouble) = (RowsRead::default(), Tally::default(), None);
    let none = findings.none_like();
    let mut bytes_read = 0;
    let length = text.length();
    // Bytes that were read make room for others.
    let spare = RefCell::new(Vec::new());
    let next = || match text.next_stretch(spare.borrow_mut().pop().unwrap_or_default()) {
        Ok(stretch) => stretch,
        Err(found) => {
            trouble = Some(found);
            None
        }
    };
    let work = |taker: &mut RowTaker<'_>, mut stretch: TextRows| {
        let (bytes, mut findings) = (stretch.held() as u64, none.none_like());
        loop {
            match stretch.next_row() {
                Ok(Some(row)) => taker.take(&Row::of_text(row), &mut findings),
                Ok(None) => break,
                Err(found) => {
                    note_trouble(reader.name, &found, &mut findings);
                    taker.read.cut_short = true;
                    break;
                }
            }
        }
        let frames = taker.frames(context.place);
        let (read, tally) = taker.ended();
        StretchRead { frames, read, tally, findings, bytes, room: stretch.into_room() }
    };
    let mut empty = true;
    let take = |stretch: StretchRead| -> Result<(), TableError> {
        empty = false;
        read.take_over(stretch.read);
        tally.take_over(stretch.tally);
        findings.take_over(stretch.findings);
        bytes_read += stretch.bytes;
        spare.borrow_mut().push(stretch.room);
        context.says(reader.name, read.received);
        for (kind, frame) in stretch.frames? {
            let to_come = likely(frame.height() as u64, stretch.bytes, length.saturating_sub(bytes_read));
            sink(Piece { kind, frame, to_come })?;
        }
        Ok(())
    };
    as_they_come(available().min(MOST_THREADS), next, || RowTaker::new(plan, reader, width), work, take)?;
    if empty {
        for (kind, frame) in RowTaker::new(plan, reader, width).frames(context.place)? {
            sink(Piece { kind, frame, to_come: 0 })?;
        }
    }
    let cut_short = trouble.is_some();
    if let Some(found) = trouble {
        note_trouble(reader.name, &found, findings);
    }
    Ok((read, tally, cut_short))
}

/// More threads than this only wait for the disk.
const MOST_THREADS: usize = 4;

/// How many rows so many bytes are likely to hold, where some others held so many.
#[expect(clippy::cast_possible_truncation, reason = "a guess, and files hold fewer than 2^32 rows")]
const fn likely(rows: u64, bytes: u64, to_come: u64) -> usize {
    match (rows * to_come).checked_div(bytes) {
        Some(rows) => rows as usize,
        None => 0,
    }
}

impl Context<'_> {
    /// Tells how far a table was read.
    fn says(&self, name: &str, rows: u64) {
        if let Some(progress) = self.progress {
            progress(name, rows);
        }
    }
}

impl RowsRead {
    /// Takes over what the rows that follow gave.
    fn take_over(&mut self, later: Self) {
        self.received += later.received;
        self.unfolded += later.unfolded;
        self.unread_restorations.extend(later.unread_restorations);
        self.cut_short |= later.cut_short;
    }
}

impl<'a> RowTaker<'a> {
    fn new(plan: &TablePlan, reader: &'a CellReader<'a>, width: usize) -> Self {
        let feeds: Vec<Gathering> = plan.feeds.iter().map(|feed| Gathering::new(feed.fresh())).collect();
        let cell_of = |place: Option<usize>| match feeds[0].feed.plans[place?].from {
            From::Cell(cell) => Some(cell),
            _ => None,
        };
        let (id_cell, placed_cell) = (cell_of(feeds[0].feed.place("restoration_id")), cell_of(feeds[0].placed_on));
        let (read, tally) = (RowsRead::default(), Tally::default());
        Self { feeds, reader, width, id_cell, placed_cell, read, tally, swallowed: false }
    }

    /// How many rows are gathered of a kind, at most.
    fn gathered(&self) -> usize {
        self.feeds.iter().map(|gathering| gathering.rows.len()).max().unwrap_or(0)
    }

    /// Checks a row and adds it.
    fn take(&mut self, row: &Row<'_>, findings: &mut Findings) {
        let (reader, width) = (self.reader, self.width);
        if (0..row.width()).all(|place| row.cell(place).is_empty()) {
            return;
        }
        self.read.received += 1;
        if row.swallows {
            findings.note(
                FindingKind::UnclosedQuote,
                Place::row(reader.name, row.number),
                None,
                "A cell of this row goes over several lines and holds what looks like whole rows: a quotation mark was left open.",
                "Close the quotation mark, or take it out.",
            );
            self.swallowed = true;
            return;
        }
        if row.width() != width {
            findings.note(
                FindingKind::RowLength,
                Place::row(reader.name, row.number),
                None,
                format!("The row has {} cells, the header {width}.", row.width()),
                "Put text that holds the separator into quotation marks, or fill up the row.",
            );
            self.read.unread_restorations.extend(self.id_cell.map(|cell| unescape_spreadsheet(row.text(cell)).to_owned()));
            return;
        }
        let placed = || cell::day(row.text(self.placed_cell?), reader.today, reader.days).ok();
        for gathering in &mut self.feeds {
            if gathering.feed.beside_others {
                if !gathering.anything(row) {
                    continue;
                }
                self.read.unfolded += 1;
            }
            gathering.take(row, &placed, reader, &mut self.tally, findings);
        }
    }

    /// The rows so far as pieces of tables; begins anew.
    fn frames(&mut self, place: u32) -> Result<Vec<(RecordKind, DataFrame)>, TableError> {
        self.feeds.iter_mut().map(|gathering| Ok((gathering.feed.kind, gathering.finish(place)?))).collect()
    }

    /// What was counted so far; begins anew.
    fn ended(&mut self) -> (RowsRead, Tally) {
        let mut read = std::mem::take(&mut self.read);
        read.cut_short |= std::mem::take(&mut self.swallowed);
        (read, std::mem::take(&mut self.tally))
    }
}

impl Tally {
    /// Counts what cells that were read before say again.
    fn add(&mut self, said: Said) {
        self.teeth += u64::from(said.teeth);
        self.settling += u64::from(said.settling);
        self.commas += u64::from(said.commas);
        self.points += u64::from(said.points);
    }

    /// Takes over what the rows that follow came to.
    fn take_over(&mut self, later: Self) {
        self.refuted += later.refuted;
        self.settling += later.settling;
        self.teeth += later.teeth;
        self.commas += later.commas;
        self.points += later.points;
        self.first_refuting = self.first_refuting.take().or(later.first_refuting);
        self.first_comma = self.first_comma.take().or(later.first_comma);
    }

    /// Says what only the whole table tells: the notation of its teeth, and its decimal marks.
    fn close(self, reader: &CellReader<'_>, declared_notation: bool, findings: &mut Findings) {
        if let Some((row, column, text)) = self.first_refuting {
            findings.note(
                FindingKind::NotationRefuted,
                Place::cell(reader.name, row, &column),
                Some(&text),
                format!(
                    "The file is taken as {}, but {} only in the other notation. Codes such as 11 mean different teeth in the two.",
                    reader.notation.label(),
                    counted(self.refuted, "of its teeth exists", "of its teeth exist")
                ),
                "Declare the file's notation in records.toml (tooth_notation = \"universal\" or \"iso_3950\"), or correct these teeth.",
            );
        } else if self.teeth > 0 && self.settling == 0 && !declared_notation {
            findings.note(
                FindingKind::NotationUnsettled,
                Place::file(reader.name),
                None,
                "Every tooth of this file could stand in either notation (11 to 18, 21 to 28, 31, 32); they are taken as ISO 3950.",
                "If they are Universal numbers, declare it in records.toml (tooth_notation = \"universal\"); declare iso_3950 to settle it.",
            );
        }
        if self.commas > 0
            && self.points > 0
            && let Some((row, column, text)) = self.first_comma
        {
            findings.note(
                FindingKind::DecimalMarksMixed,
                Place::cell(reader.name, row, &column),
                Some(&text),
                format!(
                    "{} numbers of this file have a comma, {} a point; one of them may part thousands.",
                    self.commas, self.points
                ),
                "Write all numbers with the same decimal mark.",
            );
        }
    }
}

/// What a cell needs to know of its file.
pub(super) struct CellReader<'a> {
    pub(super) name: &'a str,
    pub(super) today: Day,
    pub(super) days: Option<super::declaration::DayOrder>,
    notation: ToothNotation,
    digits_from: Option<u8>,
    commas: bool,
}

impl Gathering {
    fn new(feed: Feed) -> Self {
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
    fn anything(&self, row: &Row<'_>) -> bool {
        self.feed.plans.iter().any(|plan| match plan.from {
            From::Cell(cell) => {
                !matches!(plan.name.as_str(), "restoration_id" | "scheme" | "examiner" | "source")
                    && !row.cell(cell).is_empty()
            }
            _ => false,
        })
    }

    /// Checks a row and adds it.
    fn take(
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

impl Plan {
    /// What stands in every row, if the column is the same throughout.
    pub(super) fn constant(&self) -> Option<Arc<str>> {
        match &self.from {
            From::Constant(constant) => Some(Arc::clone(constant)),
            _ => None,
        }
    }

    /// The bytes of its cell in a row, trimmed.
    fn bytes<'a>(&self, row: &Row<'a>, constant: Option<&'a str>) -> &'a [u8] {
        match &self.from {
            From::Cell(cell) => row.cell(*cell),
            _ => constant.unwrap_or("").as_bytes(),
        }
    }

    /// Checks a cell, adds its value, and hands back its code if it has one.
    pub(super) fn take(
        &mut self,
        cell: CellAt<'_>,
        scheme: u8,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) -> u8 {
        let bytes = cell.bytes;
        self.last_empty = bytes.is_empty();
        if bytes.is_empty() {
            self.take_nothing(cell.row, reader, findings);
            return NO_CODE;
        }
        if self.take_likely(bytes, reader) {
            return NO_CODE;
        }
        // A code that was met in the same letters before needs no second look.
        let remembers = self.has_codes;
        if remembers && let Some(code) = self.met.find(scheme, bytes) {
            if let ColumnBuilder::Code(builder) = &mut self.builder {
                builder.append_value(code);
            }
            return code;
        }
        let before = if self.text.is_id() { findings.noted() } else { 0 };
        let given = as_text(bytes);
        if given.is_empty() {
            // White space that only Unicode knows.
            self.last_empty = true;
            self.take_nothing(cell.row, reader, findings);
            return NO_CODE;
        }
        let changed = if self.values.is_empty() { None } else { self.values.get(&given.to_lowercase()).cloned() };
        let text = changed.as_deref().unwrap_or(given);
        match self.push(text, scheme, cell, reader, tally, findings) {
            Ok(code) => {
                if remembers {
                    self.met.add(scheme, bytes, code);
                } else if self.text.is_id() && findings.noted() == before {
                    given.clone_into(&mut self.last_id);
                }
                code
            }
            Err(wrong) => {
                let place = Place::cell(reader.name, cell.row, &self.written);
                findings.note(wrong.kind, place, Some(given), wrong.what, wrong.mend);
                self.builder.push_none();
                NO_CODE
            }
        }
    }

    /// Adds a cell that is what most such cells are: a day as the records write it, or the id of the row before. False if it is not.
    #[inline]
    fn take_likely(&mut self, bytes: &[u8], reader: &CellReader<'_>) -> bool {
        if !self.values.is_empty() {
            return false;
        }
        match &mut self.builder {
            ColumnBuilder::Day(builder) => {
                let likely = cell::FIRST_DAY..=reader.today.since_epoch();
                let day = Day::from_iso_bytes(bytes).map(Day::since_epoch).filter(|day| likely.contains(day));
                day.is_some_and(|day| {
                    builder.append_value(day);
                    true
                })
            }
            ColumnBuilder::Text(builder) if self.text.is_id() && self.last_id.as_bytes() == bytes => {
                builder.append_value(unescape_spreadsheet(&self.last_id));
                true
            }
            _ => false,
        }
    }

    /// An empty cell; a finding if it must be filled.
    pub(super) fn take_nothing(&mut self, row: u64, reader: &CellReader<'_>, findings: &mut Findings) {
        if self.column.need == Need::Required {
            findings.note(
                FindingKind::CellMissing,
                Place::cell(reader.name, row, &self.written),
                None,
                "Every row must have a value here.",
                "Fill the cell.",
            );
        }
        self.builder.push_none();
    }

    /// A visit without a day of its own, at so many months after the placement.
    fn take_reckoned(
        &mut self,
        row: u64,
        months: u16,
        placed: Option<Day>,
        reader: &CellReader<'_>,
        findings: &mut Findings,
    ) {
        let day = placed.map(|placed| Day::from_epoch(placed.since_epoch() + Days::of_months(months).count()));
        let place = || Place::cell(reader.name, row, &self.written);
        match (day, &mut self.builder) {
            (Some(day), ColumnBuilder::Day(builder)) if day <= reader.today => {
                builder.append_value(day.since_epoch());
                findings.note(
                    FindingKind::DayReckoned,
                    place(),
                    Some(&day.to_string()),
                    format!("The file gives no day for this visit; it is taken as {months} months after the placement, as declared."),
                    "Give the column with the day (visited_on) if there is one; exact days make better curves.",
                );
            }
            (day, builder) => {
                builder.push_none();
                if let Some(day) = day {
                    findings.note(
                        FindingKind::FutureDay,
                        place(),
                        Some(&day.to_string()),
                        format!("{months} months after the placement have not passed yet (today is {}).", reader.today),
                        "Empty the cells of this visit, or correct the day of placement.",
                    );
                }
            }
        }
    }

    /// Reads a filled cell and adds its value; a caution is noted here, an error handed back.
    fn push(
        &mut self,
        text: &str,
        scheme: u8,
        at: CellAt<'_>,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) -> Result<u8, Wrong> {
        let written = &self.written;
        let place = || Place::cell(reader.name, at.row, written);
        match (&mut self.builder, self.column.cell) {
            (ColumnBuilder::Text(builder), _) => {
                // The apostrophe that keeps a spreadsheet from running a text as a formula is no part of it.
                let text = unescape_spreadsheet(text);
                let value = if at.may_break { cell::text(text, &self.name)? } else { text };
                cell::no_spreadsheet_error(value)?;
                match self.text {
                    TextRole::Patient => {
                        cell::pseudonym(value)?;
                        if cell::may_be_a_name(value) {
                            findings.note(
                                FindingKind::MayBeAName,
                                place(),
                                Some(text),
                                "A single word with a capital may be a surname.",
                                "Use a pseudonym that only the practice can trace; leave it if it is one.",
                            );
                        }
                    }
                    TextRole::Restoration | TextRole::Product => {}
                    TextRole::Other => {
                        // Few people and lots fill these columns: one that was seen needs no second look.
                        if self.met.find(NO_CODE, value.as_bytes()).is_none() {
                            if let Some(why) = cell::tells_who(value) {
                                return Err(Wrong {
                                    kind: FindingKind::PersonalData,
                                    what: format!("{why} Who somebody is must not enter."),
                                    mend: "Use a code, such as initials or a number.".to_owned(),
                                });
                            }
                            self.met.add(NO_CODE, value.as_bytes(), 0);
                        }
                    }
                }
                builder.append_value(value);
                Ok(NO_CODE)
            }
            (ColumnBuilder::Day(builder), _) => {
                let day = match cell::day(text, reader.today, reader.days) {
                    Err(wrong) if wrong.kind == FindingKind::NotADay => {
                        let Some(read) = cell::look_alike(text) else { return Err(wrong) };
                        let Ok(day) = cell::day(&read, reader.today, reader.days) else { return Err(wrong) };
                        looks_like(&read, text, place(), findings);
                        day
                    }
                    read => read?,
                };
                builder.append_value(day.since_epoch());
                Ok(NO_CODE)
            }
            (ColumnBuilder::Number(builder), Cell::Number { possible, plausible }) => {
                let read = |text: &str| cell::number(text, reader.commas, self.factor, possible, plausible);
                let number = match read(text) {
                    Err(wrong) if wrong.kind == FindingKind::NotANumber => {
                        let Some(like) = cell::look_alike(text) else { return Err(wrong) };
                        let Ok(number) = read(&like) else { return Err(wrong) };
                        looks_like(&like, text, place(), findings);
                        number
                    }
                    read => read?,
                };
                match number.mark {
                    Some(Decimal::Comma) => {
                        tally.commas += 1;
                        if tally.first_comma.is_none() {
                            tally.first_comma = Some((at.row, self.written.clone(), text.to_owned()));
                        }
                    }
                    Some(Decimal::Point) => tally.points += 1,
                    None => {}
                }
                if !number.plausible {
                    findings.note(
                        FindingKind::ImplausibleValue,
                        place(),
                        Some(text),
                        format!("Possible, but outside the usual {} to {}.", plausible.least, plausible.most),
                        "Check it against the notes of the visit; leave it if it is right.",
                    );
                }
                builder.append_value(number.value);
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Tooth) => {
                let like = || cell::look_alike(text).filter(|like| cell::tooth(like, reader.notation).is_ok());
                let read = match cell::tooth(text, reader.notation) {
                    Ok(tooth) => Ok(tooth),
                    Err(_) if refutes(text, reader.notation) => {
                        tally.refuted += 1;
                        if tally.first_refuting.is_none() {
                            tally.first_refuting = Some((at.row, self.written.clone(), text.to_owned()));
                        }
                        builder.append_null();
                        return Ok(NO_CODE);
                    }
                    Err(wrong) => match like() {
                        Some(like) => {
                            looks_like(&like, text, place(), findings);
                            cell::tooth(&like, reader.notation)
                        }
                        None => Err(wrong),
                    },
                };
                let tooth = read?;
                tally.teeth += 1;
                tally.settling += u64::from(settles(tooth.iso()));
                if tooth.is_primary() {
                    findings.note(
                        FindingKind::PrimaryTooth,
                        place(),
                        Some(text),
                        "This is a primary tooth; what is known of cervical restorations concerns permanent ones.",
                        "Check the number; leave it if it is right.",
                    );
                }
                builder.append_value(tooth.iso());
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Grade { possible }) => {
                builder.append_value(cell::grade(text, possible)?);
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Term(terms)) => {
                let code = cell::term(text, terms)?;
                builder.append_value(code);
                Ok(code)
            }
            (ColumnBuilder::Code(builder), Cell::Score(criterion)) => {
                let sign = cell::score(text, Scheme::from_index(scheme), criterion, reader.digits_from)?;
                builder.append_value(sign);
                Ok(sign)
            }
            (builder, _) => {
                builder.push_none();
                Ok(NO_CODE)
            }
        }
    }
}

/// Names a cell that was read with letters or signs taken for the digits they look like.
fn looks_like(read: &str, text: &str, place: Place, findings: &mut Findings) {
    findings.note(
        FindingKind::LookAlike,
        place,
        Some(text),
        format!("Read as {read}: a letter or sign that looks like a digit."),
        "Write it in plain digits.",
    );
}

/// Whether a tooth written as its ISO number could not be a Universal number, so that it settles the notation.
pub(super) const fn settles(iso: u8) -> bool {
    iso > 32
}
