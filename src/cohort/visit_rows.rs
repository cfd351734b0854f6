//! Visits as they come: what a review needs of each, before they are laid out by restoration.
//!
//! Each visit finds its placement by the restoration's id as it comes, and what it states becomes a number, so that the texts and codes of a
//! piece can go before the next one is read.
//!
//! Cost.  10 bytes a visit (12 with more than 65 535 examiners), 8 for each that is of another restoration than the one before, and 12 or so
//!        for each that doesn't come from the row behind that of the visit before.

use std::ops::Range;

use polars::prelude::DataFrame;

use super::spelling::Spellings;
use super::statement::{Stated, Statements, decoded, is_reported};
use super::text_rows::FirstRows;
use crate::record::{Cell, Coded, Score};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::stated::{Codes, coded_columns};
use crate::table::text_hash::mixed;
use crate::table::text_order::TextOrder;
use crate::table::text_runs::{NO_MARK, TextRun, Texts};
use crate::table::{NO_DAY, Piece, PlacementTable, RecordTable, StatedRows, TableError, VisitTable};

/// Stands for the row of a placement that there is none of.
pub(super) const NEVER_PLACED: u32 = u32::MAX;
/// Stands for no examiner.
pub(super) const NOBODY: u32 = u32::MAX;

/// One visit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Day of the visit, since 1970-01-01.
    pub day: i32,
    /// What it states, by its number.
    pub statement: u32,
}

impl Look {
    /// A visit without a day.
    pub const EMPTY: Self = Self { day: NO_DAY, statement: 0 };
}

/// Neighbouring rows whose visits are of one restoration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OfPlacement {
    /// The first row.
    pub(super) row: u32,
    /// The row of the placement; [`NEVER_PLACED`] if there is none.
    pub(super) placement: u32,
}

/// A number for each row, in as few bytes as the highest takes; [`NOBODY`] among them.
#[derive(Clone, Debug)]
enum Numbers {
    Short(Vec<u16>),
    Long(Vec<u32>),
}

impl Numbers {
    fn make_room(&mut self, rows: usize) {
        let _ = match self {
            Self::Short(numbers) => numbers.try_reserve_exact(rows),
            Self::Long(numbers) => numbers.try_reserve_exact(rows),
        };
    }

    fn len(&self) -> usize {
        match self {
            Self::Short(numbers) => numbers.len(),
            Self::Long(numbers) => numbers.len(),
        }
    }

    fn get(&self, row: usize) -> u32 {
        match self {
            Self::Short(numbers) => numbers.get(row).map_or(NOBODY, |number| long(*number)),
            Self::Long(numbers) => numbers.get(row).copied().unwrap_or(NOBODY),
        }
    }

    /// Adds a number for each of some rows.
    fn add(&mut self, number: u32, rows: usize) {
        if let Self::Short(numbers) = self {
            if let Some(short) = short(number) {
                numbers.extend(std::iter::repeat_n(short, rows));
                return;
            }
            *self = Self::Long(numbers.iter().map(|number| long(*number)).collect());
        }
        if let Self::Long(numbers) = self {
            numbers.extend(std::iter::repeat_n(number, rows));
        }
    }

    /// Adds those of the rows that follow, each as another number; a number is its place among those.
    fn take_over(&mut self, rows: &Self, numbers: &[u32]) {
        match rows {
            Self::Short(rows) => self.add_numbered(rows.iter().map(|number| usize::from(*number)), numbers),
            Self::Long(rows) => self.add_numbered(rows.iter().map(|number| *number as usize), numbers),
        }
    }

    /// Adds a number for each row, given by its place among some; a place where there is none is [`NOBODY`]'s.
    fn add_numbered(&mut self, places: impl Iterator<Item = usize>, numbers: &[u32]) {
        let shorts: Option<Vec<u16>> = numbers.iter().map(|number| short(*number)).collect();
        match (self, shorts) {
            (Self::Short(own), Some(shorts)) => {
                own.extend(places.map(|place| shorts.get(place).copied().unwrap_or(u16::MAX)))
            }
            (own, _) => places.for_each(|place| own.add(numbers.get(place).copied().unwrap_or(NOBODY), 1)),
        }
    }
}

impl Default for Numbers {
    fn default() -> Self {
        Self::Short(Vec::new())
    }
}

/// A number in two bytes, of which the highest stands for [`NOBODY`].
fn short(number: u32) -> Option<u16> {
    if number == NOBODY { Some(u16::MAX) } else { u16::try_from(number).ok().filter(|number| *number != u16::MAX) }
}

fn long(number: u16) -> u32 {
    if number == u16::MAX { NOBODY } else { u32::from(number) }
}

/// Neighbouring rows that come from neighbouring rows of one file.
#[derive(Clone, Copy, Debug)]
struct Origin {
    /// The first row.
    row: u32,
    /// Its file.
    file: u32,
    /// Its number there.
    row_in_file: u32,
}

impl Origin {
    /// The number in its file of a row that belongs here.
    const fn row_in_file(&self, row: u32) -> u32 {
        self.row_in_file.saturating_add(row - self.row)
    }

    /// Whether others, which follow these, come after them in the files too.
    fn is_before(&self, next: &Self) -> bool {
        (self.file, self.row_in_file(next.row - 1)) < (next.file, next.row_in_file)
    }

    /// Adds a row; rows that go on where those before them ended are told together.
    fn add(self, origins: &mut Vec<Self>) {
        let goes_on = |last: &Self| last.file == self.file && last.row_in_file(self.row) == self.row_in_file;
        if !origins.last().is_some_and(goes_on) {
            origins.push(self);
        }
    }
}

/// Visits in the order of their rows, and which placements share an id, found on the way.
#[derive(Clone, Debug)]
pub struct VisitRows {
    /// One look each.
    pub(super) looks: Vec<Look>,
    /// What they state.
    pub(super) statements: Statements,
    /// The day the outcome happened, by row, of those that tell one.
    pub(super) happened: Vec<(u32, i32)>,
    /// How many there are. Their looks may be in histories already.
    pub(super) rows: usize,
    /// The last day of any; [`NO_DAY`] if none has one.
    pub(super) last: i32,
    /// Whether all have one.
    pub(super) all_dated: bool,
    /// Whether no visit is earlier than the one before it, if that is of the same restoration.
    pub(super) days_rise: bool,
    /// Whether any is of the day of the one before it, if that is of the same restoration.
    pub(super) any_same_day: bool,
    /// Which of them are of which placement, in the order of the rows; neighbours may be of the same.
    pub(super) placements: Vec<OfPlacement>,
    /// Rows of placements that repeat an earlier one in every column, with that one, in the order of the rows.
    pub(super) repeats: Vec<(u32, u32)>,
    /// Rows of placements that have the id of an earlier one and differ from it, with the first of that id.
    pub(super) placed_again: Vec<(u32, u32)>,
    /// The first row of each placement's patient, if that was told meanwhile.
    pub(super) patients: Option<Vec<u32>>,
    examiner: Numbers,
    examiners: Spellings,
    /// The names of the files.
    files: Vec<String>,
    /// Which rows come from where.
    origins: Vec<Origin>,
    /// The ids of restorations that were never placed, by row.
    unplaced: Vec<(u32, String)>,
}

impl Default for VisitRows {
    fn default() -> Self {
        Self {
            looks: Vec::new(),
            statements: Statements::default(),
            happened: Vec::new(),
            rows: 0,
            last: NO_DAY,
            all_dated: true,
            days_rise: true,
            any_same_day: false,
            placements: Vec::new(),
            repeats: Vec::new(),
            placed_again: Vec::new(),
            patients: None,
            examiner: Numbers::default(),
            examiners: Spellings::default(),
            files: Vec::new(),
            origins: Vec::new(),
            unplaced: Vec::new(),
        }
    }
}

impl VisitRows {
    /// The visits of a table.
    ///
    /// # Errors
    /// When a table lacks a column, which would be a fault of the program.
    pub fn of(placements: &PlacementTable, visits: &VisitTable) -> Result<Self, TableError> {
        let reader = VisitReader::new(placements)?;
        let mut rows = reader.begin();
        reader.read_into(&mut rows, visits.0.frame())?;
        Ok(rows.from_files(visits.0.files().to_vec()))
    }

    /// Makes room for so many more rows at once, so that what there is needn't move while it grows; where there is not so much room,
    /// rows make their own as they come.
    pub fn make_room(&mut self, rows: usize) {
        let _ = self.looks.try_reserve_exact(rows);
        self.examiner.make_room(rows);
    }

    /// The same for the placements that they are of, if each is met in one place.
    pub fn make_room_for_placements(&mut self, placements: usize) {
        let _ = self.placements.try_reserve_exact(placements);
    }

    /// For how many more rows there is room.
    pub fn room(&self) -> usize {
        self.looks.capacity() - self.looks.len()
    }

    /// Takes the visits that follow.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn take(&mut self, VisitPiece { rows, stated }: VisitPiece) {
        let before = self.len() as u32;
        let statements: Vec<u32> = stated.into_iter().map(|stated| self.statements.number(stated)).collect();
        let numbered = |look: &Look| Look { day: look.day, statement: statements[look.statement as usize] };
        self.looks.extend(rows.looks.iter().map(numbered));
        self.rows += rows.rows;
        self.last = self.last.max(rows.last);
        self.all_dated &= rows.all_dated;
        if let (Some(last), Some(first)) = (self.placements.last(), rows.placements.first())
            && last.placement == first.placement
        {
            self.compare_days(before as usize - 1..before as usize + 1);
        }
        self.days_rise &= rows.days_rise;
        self.any_same_day |= rows.any_same_day;
        self.happened.extend(rows.happened.iter().map(|(row, day)| (row + before, *day)));
        self.placements.extend(rows.placements.iter().map(|of| OfPlacement { row: of.row + before, ..*of }));
        let numbers = self.examiners.take_over(&rows.examiners);
        self.examiner.take_over(&rows.examiner, &numbers);
        for origin in rows.origins {
            Origin { row: origin.row + before, ..origin }.add(&mut self.origins);
        }
        self.unplaced.extend(rows.unplaced.into_iter().map(|(row, id)| (row + before, id)));
    }

    /// Watches how the days of neighbours of one restoration follow each other.
    #[inline]
    fn compare_days(&mut self, rows: Range<usize>) {
        for pair in self.looks[rows].windows(2) {
            self.days_rise &= pair[0].day <= pair[1].day;
            self.any_same_day |= pair[0].day == pair[1].day;
        }
    }

    /// The same with the first row of each placement's patient.
    #[must_use]
    pub fn of_patients(self, patients: Vec<u32>) -> Self {
        Self { patients: Some(patients), ..self }
    }

    /// The same with the names of the files that rows count.
    #[must_use]
    pub fn from_files(self, files: Vec<String>) -> Self {
        Self { files, ..self }
    }

    /// Hands over what they state, and when it happened. They are for laying out no more.
    pub(super) fn take_statements(&mut self) -> (Statements, Vec<(u32, i32)>) {
        (std::mem::take(&mut self.statements), std::mem::take(&mut self.happened))
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.rows
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.rows == 0
    }

    /// The last day of any.
    pub fn last_day(&self) -> Option<i32> {
        Some(self.last).filter(|day| *day != NO_DAY)
    }

    /// The names of the files that they came from.
    pub fn files(&self) -> &[String] {
        &self.files
    }

    fn origin(&self, row: u32) -> Option<&Origin> {
        self.origins[..self.origins.partition_point(|origin| origin.row <= row)].last()
    }

    /// The file of a row.
    pub fn file(&self, row: u32) -> &str {
        let file = self.origin(row).and_then(|origin| self.files.get(origin.file as usize));
        file.map_or("", String::as_str)
    }

    /// The number of a row in its file, as a spreadsheet counts.
    pub fn row_in_file(&self, row: u32) -> u64 {
        self.origin(row).map_or(0, |origin| u64::from(origin.row_in_file(row)))
    }

    /// Who looked, by number among the spellings of examiners; [`NOBODY`] if that is not told.
    pub(super) fn examiner_number(&self, row: u32) -> u32 {
        self.examiner.get(row as usize)
    }

    /// Who looked.
    pub fn examiner(&self, row: u32) -> Option<&str> {
        let number = Some(self.examiner_number(row)).filter(|number| *number != NOBODY)?;
        Some(self.examiners.text(number as usize))
    }

    /// All spellings of examiners.
    pub(super) fn examiners(&self) -> &Spellings {
        &self.examiners
    }

    /// The id of a restoration that was never placed.
    pub fn unplaced(&self, row: u32) -> Option<&str> {
        let at = self.unplaced.binary_search_by_key(&row, |(row, _)| *row).ok()?;
        Some(self.unplaced[at].1.as_str())
    }
}

/// Tells visits apart by the placements that they belong to, on any number of threads at once.
pub struct VisitReader<'a> {
    ids: FirstRows<'a>,
    /// Whether a placement is the first of its id, or has none.
    first_of_id: Vec<bool>,
    repeats: Vec<(u32, u32)>,
    placed_again: Vec<(u32, u32)>,
}

/// Some visits, read by themselves: rows count from the first of them, examiners from the first met in them.
pub struct VisitPiece {
    /// Statements are numbered as they stand in `stated`.
    rows: VisitRows,
    /// What is stated; the same may come twice.
    stated: Vec<Stated>,
}

impl<'a> VisitReader<'a> {
    /// For the visits of these placements.
    ///
    /// # Errors
    /// When the table lacks a column, which would be a fault of the program.
    pub fn new(placements: &'a PlacementTable) -> Result<Self, TableError> {
        Self::telling_repeats(placements, placements.0.frame())
    }

    /// The same where the ids of restorations are known to come each after the one before it, so that none comes twice.
    ///
    /// # Errors
    /// When the table lacks a column, which would be a fault of the program.
    pub(super) fn of_rising(placements: &'a PlacementTable, order: TextOrder) -> Result<Self, TableError> {
        let ids = FirstRows::of_rising(placements.0.text("restoration_id")?, order);
        Ok(Self { ids, first_of_id: vec![true; placements.0.len()], repeats: Vec::new(), placed_again: Vec::new() })
    }

    /// The same where the table of placements lacks some of the columns by which rows are told to be the same.
    ///
    /// # Errors
    /// When a table lacks a column, which would be a fault of the program.
    pub fn telling_repeats(placements: &'a PlacementTable, frame: &DataFrame) -> Result<Self, TableError> {
        let texts = placements.0.text("restoration_id")?;
        let mut reader = Self {
            ids: FirstRows::new(texts),
            first_of_id: vec![true; frame.height()],
            repeats: Vec::new(),
            placed_again: Vec::new(),
        };
        let columns: Vec<_> =
            frame.columns().iter().filter(|column| !matches!(column.name().as_str(), FILE_COLUMN | ROW_COLUMN)).collect();
        // Where all ids differ there is nothing to meet.
        let to_meet = if reader.ids.all_differ() { 0 } else { texts.len() };
        for (row, id) in (0_u32..).zip(texts.iter()).take(to_meet) {
            if id.is_none() {
                continue;
            }
            let earlier = reader.ids.meet(row);
            if earlier == row {
                continue;
            }
            reader.first_of_id[row as usize] = false;
            let mut same = placements.0.same_beside(earlier as usize, row as usize);
            for column in &columns {
                same = same && column.get(earlier as usize)? == column.get(row as usize)?;
            }
            let into = if same { &mut reader.repeats } else { &mut reader.placed_again };
            into.push((row, earlier));
        }
        Ok(reader)
    }

    /// No visits yet.
    pub fn begin(&self) -> VisitRows {
        VisitRows { repeats: self.repeats.clone(), placed_again: self.placed_again.clone(), ..VisitRows::default() }
    }

    /// Reads some visits.
    ///
    /// # Errors
    /// When they lack a column, which would be a fault of the program.
    pub fn read(&self, piece: &DataFrame) -> Result<VisitPiece, TableError> {
        self.read_stated(&Piece::whole(piece.clone()), &StatedRows::of_frame(piece)?)
    }

    /// The same with what they state beside their other columns.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn read_stated(&self, piece: &Piece, stated: &StatedRows) -> Result<VisitPiece, TableError> {
        let (mut rows, mut all) = (VisitRows::default(), Vec::with_capacity(stated.codes.len()));
        rows.make_room(piece.frame.height());
        let number = |stated: Stated| {
            all.push(stated);
            // Statements are no more than visits, and these fewer than 2^32.
            u32::try_from(all.len() - 1).unwrap_or(u32::MAX)
        };
        self.read_numbering(&mut rows, piece, stated, number)?;
        Ok(VisitPiece { rows, stated: all })
    }

    /// Reads the visits that follow others.
    ///
    /// # Errors
    /// When they lack a column, which would be a fault of the program.
    pub fn read_into(&self, rows: &mut VisitRows, piece: &DataFrame) -> Result<(), TableError> {
        let stated = StatedRows::of_frame(piece)?;
        let mut statements = std::mem::take(&mut rows.statements);
        let number = |stated: Stated| statements.number(stated);
        let read = self.read_numbering(rows, &Piece::whole(piece.clone()), &stated, number);
        rows.statements = statements;
        read
    }

    /// Reads the visits that follow others, where what they state is numbered so.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn read_numbering(
        &self,
        rows: &mut VisitRows,
        piece: &Piece,
        stated: &StatedRows,
        number: impl FnMut(Stated) -> u32,
    ) -> Result<(), TableError> {
        let before = rows.len() as u32;
        let table = RecordTable::of_piece(piece.clone(), Vec::new());
        looks(&table, stated, rows, number)?;
        let mut finder = Finder { reader: self, last: None };
        let mut row = before;
        table.texts("restoration_id")?.runs(|run| {
            let placement = run.text.and_then(|id| finder.placement(id, &run));
            if let (None, Some(id)) = (placement, run.text) {
                rows.unplaced.extend((row..row + run.rows as u32).map(|row| (row, id.to_owned())));
            }
            let placement = placement.unwrap_or(NEVER_PLACED);
            let goes_on = row > 0 && rows.placements.last().is_some_and(|last| last.placement == placement);
            let to = row + run.rows as u32;
            rows.compare_days((row - u32::from(goes_on)) as usize..to as usize);
            rows.placements.push(OfPlacement { row, placement });
            row = to;
        });
        rows.rows += table.len();
        let origins = table.origins()?;
        let mut at = 0;
        while at < table.len() {
            let (file, row_in_file) = origins.place(at);
            Origin { row: before + at as u32, file, row_in_file }.add(&mut rows.origins);
            at = origins.run_end(at);
        }
        // Of a spelling the first place is kept; where places rise, that is where it is met first.
        let these = rows.origins.partition_point(|origin| origin.row <= before).saturating_sub(1);
        let rising = rows.origins[these..].is_sorted_by(Origin::is_before);
        let examiners = table.texts("examiner")?;
        if let Texts::Numbered(names) = examiners
            && rising
        {
            let mut numbers = vec![NOBODY; names.listed().len()];
            for (at, name) in names.numbers().iter().enumerate() {
                let Some(number) = numbers.get_mut(*name as usize).filter(|number| **number == NOBODY) else { continue };
                *number = rows.examiners.add(names.text(*name).unwrap_or_default(), origins.place(at)) as u32;
            }
            rows.examiner.add_numbered(names.numbers().iter().map(|name| *name as usize), &numbers);
            return Ok(());
        }
        let mut recent = [(NO_MARK, NOBODY); RECENT];
        examiners.runs(|run| {
            let number = run.text.map_or(NOBODY, |name| {
                let recent = run.mark.filter(|_| rising).map(|mark| (mark, &mut recent[recent_slot(mark)]));
                match recent {
                    Some((mark, (known, number))) if *known == mark => *number,
                    other => {
                        let from = rows.examiner.len() - before as usize;
                        let places = (from..from + run.rows).map(|row| origins.place(row));
                        let number = rows.examiners.add(name, places.min().unwrap_or_default()) as u32;
                        if let Some((mark, slot)) = other {
                            *slot = (mark, number);
                        }
                        number
                    }
                }
            });
            rows.examiner.add(number, run.rows);
        });
        Ok(())
    }
}

/// How many examiners are remembered by their marks.
const RECENT: usize = 64;

#[expect(clippy::cast_possible_truncation, reason = "any bits will do")]
fn recent_slot(mark: u128) -> usize {
    (mixed((mark >> 64) as u64, mark as u64) >> 32) as usize % RECENT
}

/// Finds the placements of visits that come one after the other.
struct Finder<'a, 'b, 'c> {
    reader: &'b VisitReader<'a>,
    /// The id met last, with its placement.
    last: Option<(&'c str, Option<u32>)>,
}

impl<'c> Finder<'_, '_, 'c> {
    /// The placement with an id. Visits of a restoration mostly stand together, in the order of the placements: so the one placed after the last
    /// one found and that one are tried before all others.
    fn placement(&mut self, id: &'c str, run: &TextRun<'_>) -> Option<u32> {
        let VisitReader { ids, first_of_id, .. } = self.reader;
        let next = self.last.and_then(|(_, placement)| placement).map_or(0, |placement| placement + 1);
        let follows = |row: &u32| first_of_id.get(*row as usize) == Some(&true) && ids.has(*row, run) && !id.is_empty();
        let placement = match self.last {
            _ if follows(&next) => Some(next),
            Some((known, placement)) if known == id => placement,
            _ => ids.find(id),
        };
        self.last = Some((id, placement));
        placement
    }
}

/// Each row as a look.
#[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
fn looks(
    table: &RecordTable,
    stated_rows: &StatedRows,
    rows: &mut VisitRows,
    mut number: impl FnMut(Stated) -> u32,
) -> Result<(), TableError> {
    let (days, happened) = (table.days("visited_on")?, table.days("outcome_on")?);
    let VisitRows { looks, happened: told, last, all_dated, .. } = rows;
    let before = looks.len();
    if stated_rows.numbers.len() != table.len() {
        return Err(TableError::no_table("what its visits state is of other rows"));
    }
    let StatedRows { numbers, codes } = stated_rows;
    // The number here of each statement.
    let undated: Vec<u32> = codes.iter().map(|codes| number(stated(codes, false))).collect();
    looks.extend(days.iter().zip(numbers).map(|(day, number)| Look { day: *day, statement: undated[*number as usize] }));
    for day in days {
        *last = day.max(*last);
        *all_dated &= day != NO_DAY;
    }
    // The same with a day of its outcome, once it is met.
    let mut dated = vec![NO_STATEMENT; codes.len()];
    for (at, day) in happened.into_iter().enumerate().filter(|(_, day)| *day != NO_DAY) {
        let own = numbers[at] as usize;
        if dated[own] == NO_STATEMENT {
            dated[own] = number(stated(&codes[own], true));
        }
        looks[before + at].statement = dated[own];
        told.push(((before + at) as u32, day));
    }
    Ok(())
}

/// Stands for the number of a statement that was not met yet.
const NO_STATEMENT: u32 = u32::MAX;

/// What the codes of a visit state.
fn stated(codes: &Codes, dated: bool) -> Stated {
    let mut all = Stated { dated, ..Stated::NOTHING };
    for (column, &code) in coded_columns().zip(codes) {
        match (column.cell, column.name) {
            (Cell::Score(criterion), _) => all.scores[usize::from(criterion.index())] = Score::from_sign(code),
            (_, "scheme") => all.scheme = decoded(code),
            (_, "outcome") => all.outcome = decoded(code),
            (_, "reason") => all.reason = decoded(code),
            (_, "source") => all.reported = is_reported(code),
            _ => {}
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Findings;
    use crate::intake::folder::empty_frame;
    use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};
    use crate::table::ColumnBuilder;
    use crate::table::columns::whole_numbers;

    /// Rows of the only file, with the cells that `fill` adds; it tells whether it did.
    fn rows_of<T>(
        columns: &[crate::record::Column],
        rows: &[(T, u32)],
        fill: impl Fn(&str, &mut ColumnBuilder, &T) -> bool,
    ) -> DataFrame {
        let column = |column: &crate::record::Column| {
            let mut builder = ColumnBuilder::new(column.name, column.cell);
            for (cells, _) in rows {
                if !fill(column.name, &mut builder, cells) {
                    builder.push_none();
                }
            }
            builder.finish()
        };
        let mut all: Vec<_> = columns.iter().map(column).collect();
        all.push(whole_numbers(FILE_COLUMN, vec![0; rows.len()]));
        all.push(whole_numbers(ROW_COLUMN, rows.iter().map(|(_, row)| *row).collect()));
        DataFrame::new_infer_height(all).expect("columns")
    }

    /// Adds a text to the column with a name.
    fn fill_text(wanted: &str, name: &str, builder: &mut ColumnBuilder, text: &str) -> bool {
        match builder {
            ColumnBuilder::Text(texts) if name == wanted => texts.append_value(text),
            _ => return false,
        }
        true
    }

    /// Visits of nobody, by examiner and row in the only file.
    fn visits(rows: &[(&str, u32)]) -> DataFrame {
        rows_of(VISIT_COLUMNS, rows, |name, builder, examiner| fill_text("examiner", name, builder, examiner))
    }

    /// Visits of two restorations, by their days; in one piece, in pieces taken over, and in pieces read one behind the other.
    #[test]
    fn days_of_neighbours_are_watched_across_pieces() {
        let column = |columns: &[crate::record::Column], rows: &[(&str, i32)]| -> DataFrame {
            let rows: Vec<((&str, i32), u32)> = rows.iter().copied().zip(0..).collect();
            rows_of(columns, &rows, |name, builder, (id, day)| match builder {
                ColumnBuilder::Day(days) if name == "visited_on" => {
                    days.append_value(*day);
                    true
                }
                builder => fill_text("restoration_id", name, builder, id),
            })
        };
        let placements = column(PLACEMENT_COLUMNS, &[("A", 0), ("B", 0)]);
        let placements = PlacementTable(RecordTable::new(placements, Vec::new()));
        let reader = VisitReader::new(&placements).expect("columns");
        for (rows, rise, same) in [
            (&[("A", 3), ("A", 5), ("B", 1), ("B", 2)][..], true, false),
            (&[("A", 3), ("A", 3), ("B", 1)], true, true),
            (&[("A", 3), ("A", 2), ("B", 2)], false, false),
            (&[("A", 3), ("B", 3), ("A", 2)], true, false),
            (&[("A", 3)], true, false),
        ] {
            for cut in 0..rows.len() {
                let (one, other) = (column(VISIT_COLUMNS, &rows[..cut]), column(VISIT_COLUMNS, &rows[cut..]));
                let (mut taken, mut gone_on) = (reader.begin(), reader.begin());
                for piece in [&one, &other] {
                    taken.take(reader.read(piece).expect("columns"));
                    reader.read_into(&mut gone_on, piece).expect("columns");
                }
                for read in [taken, gone_on] {
                    assert_eq!((read.days_rise, read.any_same_day), (rise, same), "{rows:?} cut at {cut}");
                    assert!(read.all_dated && read.last_day() == rows.iter().map(|row| row.1).max());
                }
            }
        }
    }

    #[test]
    fn numbers_take_more_bytes_only_when_they_must() {
        let high = u32::from(u16::MAX);
        for (numbers, is_short) in [(vec![0, 5, NOBODY, high - 1], true), (vec![3, NOBODY, high], false), (vec![], true)] {
            // Added one by one and in runs; taken over, each as another number, into those that are there.
            let mut added = Numbers::default();
            numbers.iter().for_each(|number| added.add(*number, 2));
            let expected: Vec<u32> = numbers.iter().flat_map(|number| [*number, *number]).collect();
            let all = |numbers: &Numbers| (0..numbers.len()).map(|row| numbers.get(row)).collect::<Vec<_>>();
            assert_eq!((all(&added), matches!(added, Numbers::Short(_))), (expected, is_short));
            assert_eq!(added.get(added.len()), NOBODY, "no row");
            for others in [vec![7, 8, 9], vec![7, high + 4, 9]] {
                let mut rows = Numbers::default();
                [2, NOBODY, 1, 0].iter().for_each(|number| rows.add(*number, 1));
                let mut whole = added.clone();
                whole.take_over(&rows, &others);
                let renumbered = [others[2], NOBODY, others[1], others[0]];
                assert_eq!(all(&whole), [all(&added).as_slice(), &renumbered].concat());
            }
        }
    }

    #[test]
    fn the_first_spelling_is_that_of_the_first_row_even_where_rows_go_back() {
        // Two visits in each of three rows: those that stand first in their rows come first.
        let rows = [("A", 2), ("CD", 3), ("cd", 4), ("cd", 2), ("A", 3), ("A", 4)];
        let placements = PlacementTable(RecordTable::new(empty_frame(PLACEMENT_COLUMNS, &[]).expect("columns"), Vec::new()));
        let files = vec!["wide.csv".to_owned()];
        let reader = VisitReader::new(&placements).expect("columns");
        let whole =
            VisitRows::of(&placements, &VisitTable(RecordTable::new(visits(&rows), files.clone()))).expect("columns");
        // The same in pieces, and one behind the other.
        let (mut taken, mut gone_on) = (reader.begin(), reader.begin());
        for piece in [&rows[..2], &rows[2..4], &rows[4..]] {
            taken.take(reader.read(&visits(piece)).expect("columns"));
            reader.read_into(&mut gone_on, &visits(piece)).expect("columns");
        }
        for (read, origins) in [(whole, 2), (taken.from_files(files.clone()), 2), (gone_on.from_files(files.clone()), 2)] {
            assert_eq!(read.origins.len(), origins);
            for (row, (name, row_in_file)) in (0..).zip(rows) {
                assert_eq!((read.examiner(row), read.row_in_file(row)), (Some(name), u64::from(row_in_file)));
                assert_eq!(read.file(row), "wide.csv");
            }
            let mut findings = Findings::default();
            read.examiners().close(&files, "examiner", "examiners", &mut findings);
            let found: Vec<_> = findings.sorted().into_iter().map(|one| (one.place.row, one.what.as_str())).collect();
            let expected = "In wide.csv row 2 it is written cd; the two are counted as two examiners.";
            assert_eq!(found, [(Some(3), expected)]);
        }
    }
}
