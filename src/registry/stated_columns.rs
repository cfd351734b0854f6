//! The coded columns of visits as the one column that batch files have in their place, and back.

use polars::prelude::{Column, DataFrame, DataType, PolarsError, Schema};

use super::error::RegistryError;
use super::group_writer::Cells;
use super::manifest::Holds;
use crate::record::VISIT_COLUMNS;
use crate::table::stated::{KnownStatements, UnknownStatement, coded_columns_of, is_coded};
use crate::table::text_runs::Texts;
use crate::table::{Piece, STATED_COLUMN, StatedRows};

fn coded(name: &str) -> bool {
    VISIT_COLUMNS.iter().any(|column| is_coded(column) && column.name == name)
}

/// The shape of the file for visits of a shape: what each states stands at the place of the first coded column.
pub(super) fn together(schema: &Schema) -> Schema {
    let mut file = Schema::default();
    for (name, kind) in schema.iter() {
        if coded(name) {
            file.insert(STATED_COLUMN.into(), DataType::String);
        } else {
            file.insert(name.clone(), kind.clone());
        }
    }
    file
}

/// The columns of the file for visits, in the same order.
///
/// # Errors
/// When visits lack a coded column.
pub(super) fn cells(visits: &DataFrame) -> Result<Vec<Cells>, PolarsError> {
    let mut stated = Some(Cells::Stated(coded_columns_of(visits)?));
    let column = |column: &Column| if coded(column.name()) { stated.take() } else { Some(Cells::Column(column.clone())) };
    Ok(visits.columns().iter().filter_map(column).collect())
}

/// What rows of a batch file state, taken out of them where they are visits and the file has it in one column. A column of that name among
/// placements is the practice's own.
///
/// # Errors
/// When they state what this version doesn't know.
pub(super) fn taken_out(
    mut piece: Piece,
    holds: Holds,
    batch: u32,
    known: &KnownStatements,
) -> Result<(Piece, Option<StatedRows>), RegistryError> {
    let unknown = |UnknownStatement(what)| RegistryError::UnknownInBatch { batch, what };
    let stated = match piece.texts(STATED_COLUMN) {
        Ok(Texts::Cells(texts)) if holds == Holds::Visits => StatedRows::of_texts(texts),
        Ok(Texts::Numbered(texts)) if holds == Holds::Visits => StatedRows::of_numbered(texts, known),
        _ => return Ok((piece, None)),
    };
    let stated = stated.map_err(unknown)?;
    piece.drop_column(STATED_COLUMN)?;
    Ok((piece, Some(stated)))
}

/// Rows of a batch file with each coded column apart.
///
/// # Errors
/// As [`taken_out`].
pub(super) fn apart(frame: DataFrame, holds: Holds, batch: u32) -> Result<DataFrame, RegistryError> {
    let (piece, stated) = taken_out(Piece::whole(frame), holds, batch, &KnownStatements::default())?;
    put_back(piece.frame, stated.as_ref())
}

/// The same rows with the coded columns of what they state, if that is told apart.
///
/// # Errors
/// When what they state is of other rows.
pub(super) fn put_back(mut frame: DataFrame, stated: Option<&StatedRows>) -> Result<DataFrame, RegistryError> {
    for column in stated.into_iter().flat_map(StatedRows::columns) {
        frame.with_column(column)?;
    }
    Ok(frame)
}

#[cfg(test)]
mod tests {
    use polars::prelude::{IntoColumn, NewChunkedArray, StringChunked};

    use super::*;
    use crate::record::Cell;
    use crate::registry::reading::{empty_frame, shaped};
    use crate::table::ColumnBuilder;
    use crate::table::columns::whole_numbers;
    use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
    use crate::table::stated::coded_columns;

    /// Visits with this and that filled.
    fn visits() -> DataFrame {
        let mut columns: Vec<Column> = VISIT_COLUMNS
            .iter()
            .map(|column| {
                let mut builder = ColumnBuilder::new(column.name, column.cell);
                for row in 0..7_u8 {
                    match &mut builder {
                        ColumnBuilder::Text(texts) => texts.append_value(format!("R{row}")),
                        ColumnBuilder::Day(days) => days.append_value(i32::from(row)),
                        ColumnBuilder::Code(codes) if row % 3 > 0 => {
                            codes.append_value(if matches!(column.cell, Cell::Score(_)) { b'A' + row % 4 } else { row % 2 });
                        }
                        builder => builder.push_none(),
                    }
                }
                builder.finish()
            })
            .collect();
        columns.extend([FILE_COLUMN, ROW_COLUMN].map(|name| whole_numbers(name, (0..7).collect())));
        DataFrame::new_infer_height(columns).expect("columns")
    }

    #[test]
    fn coded_columns_stand_together_in_the_place_of_the_first() {
        let visits = visits();
        let schema = together(visits.schema());
        let names: Vec<&str> = schema.iter_names().map(|name| name.as_str()).collect();
        let expected = ["restoration_id", "visited_on", "examiner", STATED_COLUMN, "outcome_on", FILE_COLUMN, ROW_COLUMN];
        assert_eq!(names, expected);
        let named = |cells: Cells| match cells {
            Cells::Column(column) => column.name().to_string(),
            Cells::Stated(_) => STATED_COLUMN.to_owned(),
        };
        assert_eq!(cells(&visits).expect("all columns").into_iter().map(named).collect::<Vec<_>>(), expected);
        assert!(cells(&visits.drop("colour").expect("there")).is_err());
        let none = empty_frame(VISIT_COLUMNS, &[]).expect("columns");
        assert_eq!(together(none.schema()), schema, "whatever the rows");
        assert_eq!(crate::registry::reading::columns(Holds::Visits).len(), VISIT_COLUMNS.len());
    }

    #[test]
    fn columns_come_apart_as_they_were() {
        let visits = visits();
        let texts = StatedRows::of_frame(&visits).expect("codes").texts().expect("texts");
        let words = polars_arrow::array::Utf8ViewArray::clone(texts.values().as_any().downcast_ref().expect("texts"));
        let cell = |key: Option<&u32>| key.map(|key| words.value(*key as usize));
        let stated: Vec<Option<&str>> = texts.keys().iter().map(cell).collect();
        assert_eq!(stated[0], None, "nothing is an empty cell");
        let mut kept = visits.clone();
        for column in coded_columns() {
            kept.drop_in_place(column.name).expect("there");
        }
        let with = |stated: &[Option<&str>]| {
            let mut kept = kept.clone();
            kept.with_column(StringChunked::from_slice_options(STATED_COLUMN.into(), stated).into_column())
                .expect("as long");
            kept
        };
        let again = apart(with(&stated), Holds::Visits, 3).expect("known");
        assert!(shaped(&again, VISIT_COLUMNS, &[]).expect("columns").equals_missing(&visits));
        assert!(apart(visits.clone(), Holds::Visits, 3).expect("as it is").equals_missing(&visits));
        let own = apart(with(&stated), Holds::Placements, 3).expect("as it is");
        assert!(own.equals_missing(&with(&stated)), "a column of the practice's own");
        let unknown = apart(with(&[Some("outcome=vanished"); 7]), Holds::Visits, 3).expect_err("unknown").to_string();
        assert!(unknown.starts_with("Batch 3 holds the term vanished in the column outcome"), "{unknown}");
    }
}
