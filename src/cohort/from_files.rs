//! What a review needs of record files, without holding whole tables: visits are taken as they come and let go.

use std::cell::OnceCell;

use polars::prelude::DataFrame;

use super::visit_rows::{VisitReader, VisitRows};
use crate::finding::Findings;
use crate::intake::folder::{empty_frame, read_placements_first, stack};
use crate::intake::{Intake, IntakeRequest, Piece, RecordKind};
use crate::record::PLACEMENT_COLUMNS;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{PlacementTable, RecordTable, TableError};

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
    let mut pieces = None;
    let placements = OnceCell::new();
    let begun = |pieces: &mut Option<DataFrame>| -> Result<_, TableError> {
        let all = pieces.take().map_or_else(|| empty_frame(PLACEMENT_COLUMNS, request.own_columns), Ok)?;
        let is_needed = |name: &str| {
            [FILE_COLUMN, ROW_COLUMN].contains(&name)
                || needed.is_none_or(|needed| needed.iter().any(|needed| needed == name))
        };
        let names = all.get_column_names().into_iter().map(|name| name.as_str());
        let mut frame = all.select(names.filter(|name| is_needed(name)))?;
        frame.rechunk_mut_par();
        let placements = placements.get_or_init(|| PlacementTable(RecordTable::new(frame, Vec::new())));
        // Two rows are the same only if they are in every column.
        let reader = VisitReader::telling_repeats(placements, &all)?;
        let visits = reader.begin();
        Ok((reader, visits))
    };
    let mut visits = None;
    let mut sink = |Piece { kind, frame, to_come }: Piece| {
        if kind == RecordKind::Placement {
            return stack(&mut pieces, frame);
        }
        let (reader, visits) = match &mut visits {
            Some(visits) => visits,
            none => none.insert(begun(&mut pieces)?),
        };
        if visits.room() < frame.height() {
            visits.make_room(frame.height() + to_come + to_come / 20);
        }
        visits.take(reader.read(&frame)?);
        Ok(())
    };
    let Some(read) = read_placements_first(request, findings, &mut sink)? else { return Ok(None) };
    let (_, visits) = match visits {
        Some(visits) => visits,
        None => begun(&mut pieces)?,
    };
    let visits = visits.from_files(read.sources.iter().map(|source| source.name.clone()).collect());
    let placements = placements.into_inner().map_or_else(DataFrame::empty, |PlacementTable(table)| table.into_frame());
    Ok(Some((read.with(placements, DataFrame::empty()), visits)))
}
