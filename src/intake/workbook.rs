//! The sheets of a workbook as grids of text: day cells become year-month-day, whole numbers lose their point, and a value
//! merged over several rows holds for each of them.

use std::io::{Read, Seek};

use calamine::{Data, Dimensions, ExcelDateTime, Range, Reader, Sheets, open_workbook_auto_from_rs};

use super::grid::Grid;

/// Reads all sheets that hold anything.
///
/// # Errors
/// A sentence when the workbook can't be read.
pub fn read_workbook<R: Read + Seek + Clone>(bytes: R, known: &dyn Fn(&str) -> bool) -> Result<Vec<Grid>, String> {
    let mut book = open_workbook_auto_from_rs(bytes).map_err(|error| error.to_string())?;
    let names = book.sheet_names();
    let mut grids = Vec::new();
    for name in names {
        let range = book.worksheet_range(&name).map_err(|error| format!("sheet {name}: {error}"))?;
        let merged = merged_cells(&mut book, &name);
        let formulas = book.worksheet_formula(&name).unwrap_or_default();
        if let Some(mut grid) = grid(&name, &range, &merged, known) {
            grid.unreckoned = unreckoned(&grid, &range, &formulas);
            grids.push(grid);
        }
    }
    Ok(grids)
}

/// Formulas without a value: the program that wrote them never reckoned them, and what they stand for is not known.
fn unreckoned(grid: &Grid, range: &Range<Data>, formulas: &Range<String>) -> Vec<(u64, String)> {
    let (Some((first_row, first_column)), Some((_, range_column))) = (formulas.start(), range.start()) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (row, column, formula) in formulas.used_cells() {
        let (Ok(row), Ok(column)) = (u32::try_from(row), u32::try_from(column)) else { continue };
        let (row, column) = (first_row + row, first_column + column);
        let empty = matches!(range.get_value((row, column)), None | Some(Data::Empty));
        if !formula.is_empty() && empty && u64::from(row) + 1 > grid.header_row {
            let name = column.checked_sub(range_column).and_then(|place| grid.header.get(place as usize));
            found.push((u64::from(row) + 1, name.cloned().unwrap_or_default()));
        }
    }
    found
}

fn merged_cells<R: Read + Seek>(book: &mut Sheets<R>, name: &str) -> Vec<Dimensions> {
    match book {
        Sheets::Xlsx(book) => book.merge_cells_by_sheet_name(name).unwrap_or_default(),
        _ => Vec::new(),
    }
}

/// The header is the first row with a column that is known; without one, the first row with two filled cells.
fn grid(name: &str, range: &Range<Data>, merged: &[Dimensions], known: &dyn Fn(&str) -> bool) -> Option<Grid> {
    let (first_row, first_column) = range.start()?;
    let mut rows: Vec<(u64, Vec<String>)> =
        range.rows().zip(u64::from(first_row) + 1..).map(|(row, number)| (number, row.iter().map(text).collect())).collect();
    let mut filled_down = Vec::new();
    for area in merged {
        let value = |row: u32, column: u32| range.get_value((row, column)).map(text).unwrap_or_default();
        let whole = value(area.start.0, area.start.1);
        for row in area.start.0..=area.end.0 {
            for column in area.start.1..=area.end.1 {
                let (Some(down), Some(right)) = (row.checked_sub(first_row), column.checked_sub(first_column)) else {
                    continue;
                };
                if let Some(cell) = rows.get_mut(down as usize).and_then(|row| row.1.get_mut(right as usize))
                    && *cell != whole
                {
                    filled_down.push(down as usize);
                    cell.clone_from(&whole);
                }
            }
        }
    }
    let filled = |row: &[String]| row.iter().filter(|cell| !cell.trim().is_empty()).count();
    let header = rows
        .iter()
        .position(|row| row.1.iter().filter(|cell| known(cell.trim())).count() >= 2)
        .or_else(|| rows.iter().position(|row| filled(&row.1) >= 2))?;
    // What is merged above the header is a title.
    let merged = filled_down.iter().any(|row| *row > header);
    let (header_row, mut names) = rows[header].clone();
    // Columns past the last name belong to nothing.
    let width = names.iter().rposition(|name| !name.trim().is_empty()).map_or(0, |last| last + 1);
    names.truncate(width);
    let body = rows
        .drain(header + 1..)
        .filter(|row| filled(&row.1) > 0)
        .map(|(number, mut cells)| {
            while cells.len() > width && cells.last().is_some_and(|cell| cell.trim().is_empty()) {
                cells.pop();
            }
            (number, cells)
        })
        .collect();
    Some(Grid { sheet: Some(name.to_owned()), header_row, header: names, rows: body, merged, unreckoned: Vec::new() })
}

fn text(cell: &Data) -> String {
    match cell {
        Data::Empty => String::new(),
        Data::String(text) | Data::DateTimeIso(text) | Data::DurationIso(text) => text.clone(),
        Data::Float(number) => format!("{number}"),
        Data::Int(number) => number.to_string(),
        Data::Bool(value) => if *value { "yes" } else { "no" }.to_owned(),
        Data::DateTime(day) => day_text(day),
        Data::Error(error) => format!("{error}"),
    }
}

fn day_text(day: &ExcelDateTime) -> String {
    if !day.is_datetime() {
        return format!("{}", day.as_f64());
    }
    let (year, month, date, ..) = day.to_ymd_hms_milli();
    format!("{year:04}-{month:02}-{date:02}")
}
