//! Visits as they come: what a review needs of each, before they are laid out by restoration.
//!
//! Each visit finds its placement by the restoration's id as it comes, so that the texts of a piece can go before the next one is read.
//!
//! Cost.  40 bytes a visit.

use polars::prelude::{DataFrame, Int32Type, UInt8Type};

use super::event::{Look, decoded, is_reported};
use super::spelling::Spellings;
use super::text_rows::FirstRows;
use crate::record::{Cell, Score, VISIT_COLUMNS};
use crate::table::records::{FILE_COLUMN, InPlace, ROW_COLUMN};
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
        let mut reader = VisitReader::new(placements)?;
        reader.make_room(visits.0.len());
        reader.add(visits.0.frame())?;
        Ok(reader.finish(visits.0.files().to_vec()))
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

/// Takes visits piece by piece.
pub struct VisitReader<'a> {
    ids: FirstRows<'a>,
    /// Whether a placement is the first of its id, or has none.
    first_of_id: Vec<bool>,
    rows: VisitRows,
    /// The id met last, with its placement.
    last: Option<(String, Option<u32>)>,
}

impl<'a> VisitReader<'a> {
    /// For the visits of these placements.
    ///
    /// # Errors
    /// When the table lacks a column, which would be a fault of the program.
    pub fn new(placements: &'a PlacementTable) -> Result<Self, TableError> {
        let frame = placements.0.frame();
        let texts = placements.0.text("restoration_id")?;
        let mut reader = Self {
            ids: FirstRows::new(texts),
            first_of_id: vec![true; frame.height()],
            rows: VisitRows::default(),
            last: None,
        };
        let columns: Vec<_> =
            frame.columns().iter().filter(|column| !matches!(column.name().as_str(), FILE_COLUMN | ROW_COLUMN)).collect();
        for (row, id) in (0_u32..).zip(texts.iter()) {
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
            let into = if same { &mut reader.rows.repeats } else { &mut reader.rows.placed_again };
            into.push((row, earlier));
        }
        Ok(reader)
    }

    /// Makes room for so many more rows at once, so that what there is needn't move while it grows; where there is not so much room,
    /// rows make their own as they come.
    pub fn make_room(&mut self, rows: usize) {
        let _ = self.rows.looks.try_reserve_exact(rows);
        for numbers in [&mut self.rows.placement, &mut self.rows.examiner, &mut self.rows.row_in_file] {
            let _ = numbers.try_reserve_exact(rows);
        }
    }

    /// Takes the next rows.
    ///
    /// # Errors
    /// When they lack a column, which would be a fault of the program.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn add(&mut self, piece: &DataFrame) -> Result<(), TableError> {
        let table = RecordTable::new(piece.clone(), Vec::new());
        let columns = LookColumns::new(&table)?;
        let before = self.rows.len();
        for (at, id) in table.text("restoration_id")?.iter().enumerate() {
            let row = (before + at) as u32;
            self.rows.looks.push(columns.look(at, row));
            let placement = id.and_then(|id| self.placement(id));
            if let (None, Some(id)) = (placement, id) {
                self.rows.unplaced.push((row, id.to_owned()));
            }
            self.rows.placement.push(placement.unwrap_or(NEVER_PLACED));
        }
        let origins = table.origins()?;
        for (at, examiner) in table.text("examiner")?.iter().enumerate() {
            let (file, row_in_file) = origins.place(at);
            if self.rows.file_runs.last().is_none_or(|(_, last)| *last != file) {
                self.rows.file_runs.push(((before + at) as u32, file));
            }
            self.rows.row_in_file.push(row_in_file);
            let number = examiner.map(|name| self.rows.examiners.add(name, (file, row_in_file)) as u32);
            self.rows.examiner.push(number.unwrap_or(NOBODY));
        }
        Ok(())
    }

    /// The placement with an id. Visits of a restoration mostly stand together, in the order of the placements: so the last one found and
    /// the one placed after it are tried before all others.
    fn placement(&mut self, id: &str) -> Option<u32> {
        if let Some((known, placement)) = &self.last
            && known == id
        {
            return *placement;
        }
        let next = self.last.as_ref().and_then(|(_, placement)| *placement).map_or(0, |placement| placement + 1);
        let follows =
            |row: &u32| self.first_of_id.get(*row as usize) == Some(&true) && self.ids.text(*row) == id && !id.is_empty();
        let placement = Some(next).filter(follows).or_else(|| self.ids.find(id));
        let (known, found) = self.last.get_or_insert_default();
        known.clear();
        known.push_str(id);
        *found = placement;
        placement
    }

    /// All that came, with the names of the files that rows count.
    pub fn finish(mut self, files: Vec<String>) -> VisitRows {
        self.rows.files = files;
        self.rows
    }
}

struct LookColumns<'a> {
    day: InPlace<'a, Int32Type>,
    happened: InPlace<'a, Int32Type>,
    scheme: InPlace<'a, UInt8Type>,
    scores: Vec<InPlace<'a, UInt8Type>>,
    outcome: InPlace<'a, UInt8Type>,
    reason: InPlace<'a, UInt8Type>,
    source: InPlace<'a, UInt8Type>,
}

impl<'a> LookColumns<'a> {
    fn new(table: &'a RecordTable) -> Result<Self, TableError> {
        let criteria = VISIT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Score(_)));
        Ok(Self {
            day: table.days_in_place("visited_on")?,
            happened: table.days_in_place("outcome_on")?,
            scheme: table.codes_in_place("scheme")?,
            scores: criteria.map(|column| table.codes_in_place(column.name)).collect::<Result<_, _>>()?,
            outcome: table.codes_in_place("outcome")?,
            reason: table.codes_in_place("reason")?,
            source: table.codes_in_place("source")?,
        })
    }

    fn look(&self, at: usize, row: u32) -> Look {
        let mut scores = [None; 8];
        for (score, column) in scores.iter_mut().zip(&self.scores) {
            *score = Score::from_sign(column.get(at));
        }
        Look {
            row,
            day: self.day.get(at),
            happened_on: self.happened.get(at),
            scheme: decoded(self.scheme.get(at)),
            scores,
            outcome: decoded(self.outcome.get(at)),
            reason: decoded(self.reason.get(at)),
            reported: is_reported(self.source.get(at)),
        }
    }
}
