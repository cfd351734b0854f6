//! What a review needs of record files, without holding whole tables: visits are taken as they come and let go.

use std::cell::OnceCell;

use polars::prelude::DataFrame;

use super::visit_rows::{VisitReader, VisitRows};
use crate::finding::Findings;
use crate::intake::folder::{empty_frame, read_placements_first, stack};
use crate::intake::{Intake, IntakeRequest, Piece};
use crate::record::{PLACEMENT_COLUMNS, RecordKind};
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::text_order::{Rising, TextOrder};
use crate::table::{PlacementTable, RecordTable, TableError};

/// Rows of placements from which on columns that nobody needs go as they come, if ids rose from row to row so far, so that none came twice.
/// Fewer don't take much.
const MANY: usize = 1 << 20;

/// Placements, of which only the columns that are needed stay (none named: all), and visits that
/// are taken as they come and let go.
///
/// # Errors
/// When columns don't make a table, which would be a fault of the program.
pub fn read_course(
    request: IntakeRequest<'_>,
    needed: Option<&[String]>,
    findings: &mut Findings,
) -> Result<Option<(Intake, VisitRows)>, TableError> {
    read_course_from(request, needed, MANY, findings)
}

fn read_course_from(
    request: IntakeRequest<'_>,
    needed: Option<&[String]>,
    many: usize,
    findings: &mut Findings,
) -> Result<Option<(Intake, VisitRows)>, TableError> {
    let mut placed = Placed::new(needed, many);
    let mut found = findings.none_like();
    let mut read = read_placed(request, &mut placed, &mut found);
    if placed.too_late {
        // Two rows are held against each other in all columns, and some are gone: so once more, with all of them.
        placed = Placed { watched: None, ..Placed::new(needed, many) };
        found = findings.none_like();
        read = read_placed(request, &mut placed, &mut found);
    }
    findings.take_over(found);
    read
}

fn read_placed(
    request: IntakeRequest<'_>,
    placed: &mut Placed<'_>,
    findings: &mut Findings,
) -> Result<Option<(Intake, VisitRows)>, TableError> {
    let placements = OnceCell::new();
    let begun = |placed: &mut Placed<'_>| -> Result<_, TableError> {
        let all = placed.pieces.take().map_or_else(|| empty_frame(PLACEMENT_COLUMNS, request.own_columns), Ok)?;
        let mut frame = placed.only_needed(&all)?;
        frame.rechunk_mut_par();
        let placements = placements.get_or_init(|| PlacementTable(RecordTable::new(frame, Vec::new())));
        // Two rows are the same only if they are in every column.
        let reader = match placed.order() {
            Some(order) => VisitReader::of_rising(placements, order)?,
            None => VisitReader::telling_repeats(placements, &all)?,
        };
        let visits = reader.begin();
        Ok((reader, visits))
    };
    let mut visits = None;
    let mut sink = |Piece { kind, frame, to_come }: Piece| {
        if kind == RecordKind::Placement {
            return placed.take(frame);
        }
        let (reader, visits) = match &mut visits {
            Some(visits) => visits,
            none => none.insert(begun(placed)?),
        };
        if visits.room() < frame.height() {
            visits.make_room(frame.height() + to_come + to_come / 20);
        }
        reader.read_into(visits, &frame)
    };
    let Some(read) = read_placements_first(request, findings, &mut sink)? else { return Ok(None) };
    let (_, visits) = match visits {
        Some(visits) => visits,
        None => begun(placed)?,
    };
    let visits = visits.from_files(read.sources.iter().map(|source| source.name.clone()).collect());
    let placements = placements.into_inner().map_or_else(DataFrame::empty, |PlacementTable(table)| table.into_frame());
    Ok(Some((read.with(placements, DataFrame::empty()), visits)))
}

/// Placements as they come.
struct Placed<'a> {
    needed: Option<&'a [String]>,
    /// From so many rows on.
    many: usize,
    pieces: Option<DataFrame>,
    rows: usize,
    /// The ids of restorations; none if they are not watched.
    watched: Option<Rising>,
    /// Whether columns that nobody needs go as they come.
    dropping: bool,
    /// Whether ids rose no more when some were gone already.
    too_late: bool,
}

impl<'a> Placed<'a> {
    fn new(needed: Option<&'a [String]>, many: usize) -> Self {
        Self { needed, many, pieces: None, rows: 0, watched: Some(Rising::new()), dropping: false, too_late: false }
    }

    /// In which order each id comes after the one before it, so that none comes twice; none if they don't.
    fn order(&self) -> Option<TextOrder> {
        self.watched.as_ref().filter(|_| self.rows > 0).and_then(Rising::strictly)
    }

    fn take(&mut self, piece: DataFrame) -> Result<(), TableError> {
        if let Some(watched) = &mut self.watched {
            watched.take(piece.column("restoration_id")?.as_materialized_series().str()?);
        }
        self.rows += piece.height();
        let rises = self.order().is_some();
        if self.dropping {
            self.too_late = !rises;
            let piece = self.only_needed(&piece)?;
            return if rises { stack(&mut self.pieces, piece) } else { Err(TableError::not_taken()) };
        }
        stack(&mut self.pieces, piece)?;
        if rises && self.rows >= self.many && self.needed.is_some() {
            self.dropping = true;
            self.pieces = self.pieces.take().map(|all| self.only_needed(&all)).transpose()?;
        }
        Ok(())
    }

    fn only_needed(&self, frame: &DataFrame) -> Result<DataFrame, TableError> {
        let is_needed = |name: &&str| {
            [FILE_COLUMN, ROW_COLUMN].contains(name)
                || self.needed.is_none_or(|needed| needed.iter().any(|needed| needed == name))
        };
        let names = frame.get_column_names().into_iter().map(|name| name.as_str());
        Ok(frame.select(names.filter(is_needed))?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::FindingKind;
    use crate::quantity::Day;

    /// Two files of placements, so that they come in pieces, and their visits.
    fn read(
        ids: &[&str],
        needed: Option<&[String]>,
        many: usize,
    ) -> (Vec<String>, usize, VisitRows, Vec<(FindingKind, u64)>) {
        let folder = tempfile::tempdir().expect("a folder");
        let half = ids.len() / 2;
        for (name, ids) in [("a.csv", &ids[..half]), ("b.csv", &ids[half..])] {
            let mut text = "restoration_id,patient_id,tooth,surface,placed_on,operator,cure_s\n".to_owned();
            for (row, id) in ids.iter().enumerate() {
                // Rows of one id differ in the last column alone; one of its cells is a finding.
                let cure = if row == 1 { "x" } else { "20" };
                text.push_str(&format!("{id},P-1,14,facial,2020-01-06,op-a,{cure}\n"));
            }
            std::fs::write(folder.path().join(name), text).expect("written");
        }
        let visits = ids.iter().map(|id| format!("{id},2021-01-11,fdi_2010,1\n"));
        let visits = format!("restoration_id,visited_on,scheme,retention\n{}", visits.collect::<String>());
        std::fs::write(folder.path().join("visits.csv"), visits).expect("written");
        let today = Day::from_epoch(30_000);
        let request = IntakeRequest { records: folder.path(), declaration: None, today, own_columns: &[], progress: None };
        let mut findings = Findings::default();
        let read = read_course_from(request, needed, many, &mut findings).expect("read").expect("files");
        let frame = read.0.placements.0.frame();
        let columns = frame.get_column_names().into_iter().map(|name| name.to_string()).collect();
        (columns, frame.height(), read.1, findings.by_kind())
    }

    #[test]
    fn columns_go_as_rows_come_only_while_no_id_can_come_twice() {
        let needed = ["restoration_id", "patient_id", "placed_on"].map(str::to_owned);
        let rising = ["R1", "R2", "R3", "R4", "R5", "R6"];
        let falling = ["R1", "R2", "R3", "R4", "R6", "R5"];
        let again = ["R1", "R2", "R3", "R3", "R4", "R5"];
        let unnamed = ["R1", "R2", "R3", "", "R5", "R6"];
        for (ids, placed_again) in [(rising, 0), (falling, 0), (again, 1), (unnamed, 0)] {
            let (columns, rows, whole, found) = read(&ids, Some(&needed), usize::MAX);
            assert_eq!((rows, whole.placed_again.len() + whole.repeats.len()), (6, placed_again), "{ids:?}");
            assert_eq!(columns.len(), 5, "those needed, and where rows came from");
            for many in [1, 4] {
                let (same_columns, rows, visits, same_found) = read(&ids, Some(&needed), many);
                assert_eq!((same_columns, rows, same_found), (columns.clone(), 6, found.clone()), "{ids:?} from {many} on");
                assert_eq!((&visits.placements, &visits.looks), (&whole.placements, &whole.looks));
                assert_eq!((&visits.placed_again, &visits.repeats), (&whole.placed_again, &whole.repeats));
            }
        }
    }
}
