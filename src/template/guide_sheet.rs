//! The sheets that explain: what each column holds, and what each score of each scheme means.

use rust_xlsxwriter::{Worksheet, XlsxError};
use schemars::{JsonSchema, schema_for};

use super::workbook::write_table;
use crate::record::{Cell, Coded, Column, Need, PLACEMENT_COLUMNS, Placement, Scheme, Standing, VISIT_COLUMNS, Visit};

/// Fills the sheet of columns.
///
/// # Errors
/// When the library refuses, which would be a fault of the program.
pub fn fill_columns(sheet: &mut Worksheet) -> Result<(), XlsxError> {
    let header = [
        ("sheet", 12.0),
        ("column", 22.0),
        ("label", 26.0),
        ("filled", 24.0),
        ("what it holds", 60.0),
        ("written as", 60.0),
    ];
    let placements = rows("Placements", PLACEMENT_COLUMNS, description::<Placement>());
    let visits = rows("Visits", VISIT_COLUMNS, description::<Visit>());
    write_table(sheet, &header, placements.chain(visits))
}

fn rows(
    sheet: &'static str,
    columns: &'static [Column],
    description: impl Fn(&str) -> String,
) -> impl Iterator<Item = Vec<String>> {
    columns.iter().map(move |column| {
        let text = [sheet, column.name, column.label, filled(column)].map(str::to_owned);
        text.into_iter().chain([description(column.name), written_as(column)]).collect()
    })
}

/// Whether a column must be filled, in words.
pub(super) fn filled(column: &Column) -> &'static str {
    let says = matches!(column.cell, Cell::Score(_)) || column.name == "outcome";
    match column.need {
        Need::Required => "filled in every row",
        Need::Optional if says => "may be empty, but each visit has a score or an outcome",
        Need::Optional => "may be empty",
    }
}

/// What a column holds, in the words of the record type's own documentation.
pub(super) fn description<T: JsonSchema>() -> impl Fn(&str) -> String {
    let schema = schema_for!(T);
    move |column| {
        let said = schema.get("properties").and_then(|all| all.get(column)).and_then(|one| one.get("description"));
        said.and_then(|text| text.as_str()).unwrap_or_default().to_owned()
    }
}

/// How a cell of the column is written, with its range.
pub(super) fn written_as(column: &Column) -> String {
    match column.cell {
        Cell::Text => "text".to_owned(),
        Cell::Tooth => "two digits in ISO 3950 notation, such as 14".to_owned(),
        Cell::Day => "day as year-month-day, such as 2024-03-31; not in the future".to_owned(),
        Cell::Number { possible, plausible } if possible == plausible => {
            format!("number from {} to {}", possible.least, possible.most)
        }
        Cell::Number { possible, plausible } => {
            let (least, most) = (plausible.least, plausible.most);
            format!("number from {} to {}; usual are {least} to {most}", possible.least, possible.most)
        }
        Cell::Grade { possible } => format!("whole number from {} to {}", possible.least, possible.most),
        Cell::Term(terms) => {
            let codes: Vec<&str> = terms.iter().map(|term| term.code).collect();
            format!("one of: {}", codes.join(", "))
        }
        Cell::Score(_) => "score of the row's scheme: see the sheet Criteria".to_owned(),
    }
}

/// Fills the sheet of criteria: every scheme, criterion and level.
///
/// # Errors
/// When the library refuses, which would be a fault of the program.
pub fn fill_criteria(sheet: &mut Worksheet) -> Result<(), XlsxError> {
    let header = [
        ("scheme", 12.0),
        ("its name", 34.0),
        ("column", 22.0),
        ("what the scheme calls it", 44.0),
        ("score", 8.0),
        ("stands as", 16.0),
        ("meaning", 50.0),
    ];
    let levels = (0..).map_while(Scheme::from_index).flat_map(|scheme| {
        scheme.criteria().iter().flat_map(move |entry| {
            entry.levels.iter().map(move |level| {
                let text = [scheme.code(), scheme.label(), entry.criterion.code(), entry.property].map(str::to_owned);
                let of_level = [level.score.to_string(), standing(level.standing).to_owned(), level.meaning.to_owned()];
                text.into_iter().chain(of_level).collect()
            })
        })
    });
    write_table(sheet, &header, levels)
}

/// How a score stands, in a word or two.
const fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Ideal => "ideal",
        Standing::Acceptable => "acceptable",
        Standing::Unacceptable => "not acceptable",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_column_is_described() {
        let (of_placement, of_visit) = (description::<Placement>(), description::<Visit>());
        assert!(PLACEMENT_COLUMNS.iter().all(|column| of_placement(column.name).ends_with('.')));
        assert!(VISIT_COLUMNS.iter().all(|column| of_visit(column.name).ends_with('.')));
        assert_eq!(of_placement("lesion_depth_mm"), "Depth of the lesion, towards the pulp, in millimetres.");
    }

    #[test]
    fn ranges_are_said() {
        let said = |name: &str| PLACEMENT_COLUMNS.iter().find(|column| column.name == name).map(written_as);
        assert_eq!(said("lesion_depth_mm").as_deref(), Some("number from 0.2 to 5; usual are 0.2 to 3"));
        assert_eq!(said("sclerosis").as_deref(), Some("whole number from 1 to 4"));
        assert_eq!(said("surface").as_deref(), Some("one of: facial, lingual"));
    }
}
