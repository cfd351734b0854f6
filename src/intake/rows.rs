//! All rows of a table into the columns of the records, every cell checked, every finding with its row and column.
//!
//! A text is cut into stretches of whole rows, which are checked on as many threads as there are; what they give is put together in
//! their order.

use std::cell::RefCell;

use polars::prelude::DataFrame;

use super::cell;
use super::cell_column::CellReader;
use super::columns::take_frame;
use super::declaration::Decimal;
use super::gathering::Gathering;
use super::plan::{From, TablePlan};
use super::sheet::{Row, Sheet, note_trouble};
use super::tally::Tally;
use super::text_rows::TextRows;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::{RecordKind, ToothNotation};
use crate::table::TableError;
use crate::threads::{as_they_come, available};
use crate::wording::unescape_spreadsheet;

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
    /// Filled cells that stand for empty ones, as declared.
    pub emptied: u64,
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

/// Takes the rows of a table, or of a stretch of it.
struct RowTaker<'a> {
    feeds: Vec<Gathering>,
    reader: &'a CellReader<'a>,
    /// How many cells a row has.
    width: usize,
    id_cell: Option<usize>,
    /// What is put before it.
    id_begin: String,
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
    read.emptied = tally.emptied;
    // Rows that were swallowed were never met, so they can't be set aside.
    read.cut_short |= sheet.cut_short;
    tally.close(&reader, declared_notation, findings);
    Ok(read)
}

/// Reads a table that is columns already, piece by piece, on all threads.
fn columns_read(
    sheet: &mut Sheet,
    plan: TablePlan,
    context: Context<'_>,
    reader: &CellReader<'_>,
    findings: &mut Findings,
    sink: &mut Sink<'_>,
) -> Result<(RowsRead, Tally), TableError> {
    let (mut read, mut tally) = (RowsRead::default(), Tally::default());
    let none = findings.none_like();
    for feed in plan.feeds {
        let kind = feed.kind;
        let (mut before, mut trouble) = (0, none.none_like());
        let next = || {
            let frame = sheet.next_piece(&mut trouble)?;
            let first = before;
            before += frame.height() as u64;
            Some((first, frame))
        };
        let work = |gathering: &mut Gathering, (before, frame): (u64, DataFrame)| {
            let (mut tally, mut findings) = (Tally::default(), none.none_like());
            let taken = take_frame(gathering, &frame, before, reader, &mut tally, &mut findings);
            let gathered = taken.and_then(|()| gathering.finish(context.place));
            (gathered, frame.height() as u64, tally, findings)
        };
        let take = |(frame, rows, of_piece, found): (Result<DataFrame, TableError>, u64, Tally, Findings)| {
            read.received += rows;
            tally.take_over(of_piece);
            findings.take_over(found);
            context.says(reader.name, read.received);
            sink(Piece { kind, frame: frame?, to_come: 0 })
        };
        as_they_come(available().min(MOST_THREADS), next, || Gathering::new(feed.fresh()), work, take)?;
        findings.take_over(trouble);
        if before == 0 {
            sink(Piece { kind, frame: Gathering::new(feed).finish(context.place)?, to_come: 0 })?;
        }
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
        let id = feeds[0].feed.place("restoration_id");
        let (id_cell, placed_cell) = (cell_of(id), cell_of(feeds[0].placed_on));
        let (read, tally) = (RowsRead::default(), Tally::default());
        let id_begin = id.map_or_else(String::new, |place| feeds[0].feed.plans[place].begin.clone());
        Self { feeds, reader, width, id_cell, id_begin, placed_cell, read, tally, swallowed: false }
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
            let (kind, what, mend) = if row.width() < width && row.unended {
                (
                    FindingKind::FileCutOff,
                    format!(
                        "The file ends in the middle of this row: it has {} of {width} cells, and the line has no end.",
                        row.width()
                    ),
                    "Export the file again, or ask for it again: what came after is missing. If this row was the last, complete it.",
                )
            } else {
                (
                    FindingKind::RowLength,
                    format!("The row has {} cells, the header {width}.", row.width()),
                    "Put text that holds the separator into quotation marks, or fill up the row.",
                )
            };
            findings.note(kind, Place::row(reader.name, row.number), None, what, mend);
            self.read
                .unread_restorations
                .extend(self.id_cell.map(|cell| format!("{}{}", self.id_begin, unescape_spreadsheet(row.text(cell)))));
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
