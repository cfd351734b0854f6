//! Visits as they come: what a review needs of each, before they are laid out by restoration.
//!
//! Each visit finds its placement by the restoration's id as it comes, so that the texts of a piece can go before the next one is read.
//!
//! Cost.  40 bytes a visit.

use polars::prelude::DataFrame;

use super::event::{Look, decoded, is_reported};
use super::spelling::Spellings;
use super::text_rows::FirstRows;
use crate::record::{Cell, Score, VISIT_COLUMNS};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{PlacementTable, RecordTable, TableError, VisitTable};

/// Stands for the row of a placement that there is none of.
pub(super) const NEVER_PLACED: u32 = u32::MAX;
/// Stands for no examiner.
const NOBODY: u32 = u32::MAX;

/// Visits in the order of their rows, and which placements share an id, found on the way.
#[derive(Clone, Debug, Default)]
pub struct VisitRows {
    /// What each says.
    pub(super) looks: Vec<Look>,
    /// The row of its placement; [`NEVER_PLACED`] if there is none.
    pub(super) placement: Vec<u32>,
    /// Rows of placements that repeat an earlier one in every column, with that one, in the order of the rows.
    pub(super) repeats: Vec<(u32, u32)>,
    /// Rows of placements that have the id of an earlier one and differ from it, with the first of that id.
    pub(super) placed_again: Vec<(u32, u32)>,
    examiner: Vec<u32>,
    examiners: Spellings,
    /// The names of the files.
    files: Vec<String>,
    /// From which row on rows come from which file.
    file_runs: Vec<(u32, u32)>,
    row_in_file: Vec<u32>,
    /// The ids of restorations that were never placed, by row.
    unplaced: Vec<(u32, String)>,
}

impl VisitRows {
    /// The visits of a table.
    ///
    /// # Errors
    /// When a table lacks a column, which would be a fault of the program.
    pub fn of(placements: &PlacementTable, visits: &VisitTable) -> Result<Self, TableError> {
        let reader = VisitReader::new(placements)?;
        let VisitPiece { rows } = reader.read(visits.0.frame())?;
        let VisitReader { repeats, placed_again, .. } = reader;
        Ok(Self { repeats, placed_again, files: visits.0.files().to_vec(), ..rows })
    }

    /// Makes room for so many more rows at once, so that what there is needn't move while it grows; where there is not so much room,
    /// rows make their own as they come.
    pub fn make_room(&mut self, rows: usize) {
        let _ = self.looks.try_reserve_exact(rows);
        for numbers in [&mut self.placement, &mut self.examiner, &mut self.row_in_file] {
            let _ = numbers.try_reserve_exact(rows);
        }
    }

    /// For how many more rows there is room.
    pub fn room(&self) -> usize {
        self.looks.capacity() - self.looks.len()
    }

    /// Takes the visits that follow.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn take(&mut self, VisitPiece { rows }: VisitPiece) {
        let before = self.len() as u32;
        self.looks.extend(rows.looks.iter().map(|look| Look { row: look.row + before, ..*look }));
        self.placement.extend_from_slice(&rows.placement);
        self.row_in_file.extend_from_slice(&rows.row_in_file);
        let numbers = self.examiners.take_over(&rows.examiners);
        let number = |place: &u32| numbers.get(*place as usize).copied().unwrap_or(NOBODY);
        self.examiner.extend(rows.examiner.iter().map(number));
        for (row, file) in rows.file_runs {
            if self.file_runs.last().is_none_or(|(_, last)| *last != file) {
                self.file_runs.push((row + before, file));
            }
        }
        self.unplaced.extend(rows.unplaced.into_iter().map(|(row, id)| (row + before, id)));
    }

    /// The same with the names of the files that rows count.
    #[must_use]
    pub fn from_files(self, files: Vec<String>) -> Self {
        Self { files, ..self }
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.placement.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.placement.is_empty()
    }

    /// The last day of any.
    pub fn last_day(&self) -> Option<i32> {
        self.looks.iter().map(|look| look.day).max()
    }

    /// The names of the files that they came from.
    pub fn files(&self) -> &[String] {
        &self.files
    }

    /// The file of a row.
    pub fn file(&self, row: u32) -> &str {
        let run = self.file_runs.partition_point(|(from, _)| *from <= row).checked_sub(1);
        let place = run.and_then(|run| self.file_runs.get(run)).map(|(_, file)| *file as usize);
        place.and_then(|place| self.files.get(place)).map_or("", String::as_str)
    }

    /// The number of a row in its file, as a spreadsheet counts.
    pub fn row_in_file(&self, row: u32) -> u64 {
        self.row_in_file.get(row as usize).copied().map_or(0, u64::from)
    }

    /// Who looked.
    pub fn examiner(&self, row: u32) -> Option<&str> {
        let number = self.examiner.get(row as usize).copied().filter(|number| *number != NOBODY)?;
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
    rows: VisitRows,
}

impl<'a> VisitReader<'a> {
    /// For the visits of these placements.
    ///
    /// # Errors
    /// When the table lacks a column, which would be a fault of the program.
    pub fn new(placements: &'a PlacementTable) -> Result<Self, TableError> {
        Self::telling_repeats(placements, placements.0.frame())
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
            let mut same = true;
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
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn read(&self, piece: &DataFrame) -> Result<VisitPiece, TableError> {
        let mut rows = VisitRows::default();
        rows.make_room(piece.height());
        let table = RecordTable::new(piece.clone(), Vec::new());
        let columns = LookColumns::new(&table)?;
        let mut finder = Finder { reader: self, last: None };
        for (row, id) in (0_u32..).zip(table.text("restoration_id")?.iter()) {
            rows.looks.push(columns.look(row as usize, row));
            let placement = id.and_then(|id| finder.placement(id));
            if let (None, Some(id)) = (placement, id) {
                rows.unplaced.push((row, id.to_owned()));
            }
            rows.placement.push(placement.unwrap_or(NEVER_PLACED));
        }
        let origins = table.origins()?;
        for (row, examiner) in (0_u32..).zip(table.text("examiner")?.iter()) {
            let (file, row_in_file) = origins.place(row as usize);
            if rows.file_runs.last().is_none_or(|(_, last)| *last != file) {
                rows.file_runs.push((row, file));
            }
            rows.row_in_file.push(row_in_file);
            let number = examiner.map(|name| rows.examiners.add(name, (file, row_in_file)) as u32);
            rows.examiner.push(number.unwrap_or(NOBODY));
        }
        Ok(VisitPiece { rows })
    }
}

/// Finds the placements of visits that come one after the other.
struct Finder<'a, 'b> {
    reader: &'b VisitReader<'a>,
    /// The id met last, with its placement.
    last: Option<(String, Option<u32>)>,
}

impl Finder<'_, '_> {
    /// The placement with an id. Visits of a restoration mostly stand together, in the order of the placements: so the last one found and
    /// the one placed after it are tried before all others.
    fn placement(&mut self, id: &str) -> Option<u32> {
        if let Some((known, placement)) = &self.last
            && known == id
        {
            return *placement;
        }
        let VisitReader { ids, first_of_id, .. } = self.reader;
        let next = self.last.as_ref().and_then(|(_, placement)| *placement).map_or(0, |placement| placement + 1);
        let follows = |row: &u32| first_of_id.get(*row as usize) == Some(&true) && ids.text(*row) == id && !id.is_empty();
        let placement = Some(next).filter(follows).or_else(|| ids.find(id));
        let (known, found) = self.last.get_or_insert_default();
        known.clear();
        known.push_str(id);
        *found = placement;
        placement
    }
}

/// The columns of some visits, side by side.
struct LookColumns {
    day: Vec<i32>,
    happened: Vec<i32>,
    scheme: Vec<u8>,
    scores: Vec<Vec<u8>>,
    outcome: Vec<u8>,
    reason: Vec<u8>,
    source: Vec<u8>,
}

impl LookColumns {
    fn new(table: &RecordTable) -> Result<Self, TableError> {
        let criteria = VISIT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Score(_)));
        Ok(Self {
            day: table.days("visited_on")?,
            happened: table.days("outcome_on")?,
            scheme: table.codes("scheme")?,
            scores: criteria.map(|column| table.codes(column.name)).collect::<Result<_, _>>()?,
            outcome: table.codes("outcome")?,
            reason: table.codes("reason")?,
            source: table.codes("source")?,
        })
    }

    fn look(&self, at: usize, row: u32) -> Look {
        let mut scores = [None; 8];
        for (score, column) in scores.iter_mut().zip(&self.scores) {
            *score = Score::from_sign(column[at]);
        }
        Look {
            row,
            day: self.day[at],
            happened_on: self.happened[at],
            scheme: decoded(self.scheme[at]),
            scores,
            outcome: decoded(self.outcome[at]),
            reason: decoded(self.reason[at]),
            reported: is_reported(self.source[at]),
        }
    }
}
