//! The rows of a table that is columns already: each column is checked from top to bottom, then what its cells say together row by
//! row. What has the records' own type (days, numbers) is held to what is possible without becoming text.

use polars::prelude::{Column, DataFrame, DataType};

use super::cell::FIRST_DAY;
use super::cell_column::{CellAt, CellReader};
use super::gathering::Gathering;
use super::parquet_file::{cell_text, value_text};
use super::plan::{From, Plan};
use super::tally::Tally;
use crate::finding::Findings;
use crate::quantity::Day;
use crate::record::{Cell, Need, RecordKind};
use crate::table::{ColumnBuilder, NO_CODE, TableError};

/// Checks some rows of a table of columns, `before` of them having gone before, and gathers them.
///
/// # Errors
/// When the columns don't make a table, which would be a fault of the program.
pub(super) fn take_frame(
    gathering: &mut Gathering,
    piece: &DataFrame,
    before: u64,
    reader: &CellReader<'_>,
    tally: &mut Tally,
    findings: &mut Findings,
) -> Result<(), TableError> {
    let first_row = before + 1;
    let height = piece.height();
    gathering.rows.extend((first_row..).take(height).map(|row| u32::try_from(row).unwrap_or(u32::MAX)));
    let mut work = Work { piece, first_row, reader, tally, findings };
    let none = vec![NO_CODE; height];
    let mut says = vec![false; height];
    let mut schemes = none.clone();
    let mut unread = vec![false; height];
    if let Some(at) = gathering.roles.scheme {
        let plan = &mut gathering.feed.plans[at];
        work.column(plan, &none, &mut |row, filled, code| {
            schemes[row] = code;
            unread[row] = filled && code == NO_CODE;
        })?;
    }
    let (mut etch, mut adhesive) = (none.clone(), none.clone());
    let mut etch_empty = vec![true; height];
    for (at, plan) in gathering.feed.plans.iter_mut().enumerate() {
        if Some(at) == gathering.roles.scheme {
            continue;
        }
        let (is_etch, is_adhesive, tells) =
            (Some(at) == gathering.roles.etch, Some(at) == gathering.roles.adhesive, plan.says);
        // Where the scheme is a finding itself, nothing can be said of its scores.
        let passed_over = matches!(plan.column.cell, Cell::Score(_)).then_some(unread.as_slice());
        work.column_but(plan, &schemes, passed_over, &mut |row, filled, code| {
            if tells {
                says[row] = says[row] || filled;
            } else if is_etch {
                etch[row] = code;
                etch_empty[row] = !filled;
            } else if is_adhesive {
                adhesive[row] = code;
            }
        })?;
    }
    let placed_column = gathering.placed_on.and_then(|at| match gathering.feed.plans[at].from {
        From::Cell(cell) => piece.columns().get(cell),
        _ => None,
    });
    if gathering.feed.kind == RecordKind::Visit && says.iter().all(|says| *says) {
        return Ok(());
    }
    for row in 0..height {
        let placed = || {
            let text = cell_text(placed_column?, row);
            super::cell::day(text.trim(), reader.today, reader.days).ok()
        };
        if let Some(at) = gathering.roles.etch {
            gathering.feed.plans[at].last_empty = etch_empty[row];
        }
        gathering.judge_row(first_row + row as u64, says[row], etch[row], adhesive[row], &placed, reader, work.findings);
    }
    Ok(())
}

struct Work<'a, 'b> {
    piece: &'a DataFrame,
    first_row: u64,
    reader: &'a CellReader<'b>,
    tally: &'a mut Tally,
    findings: &'a mut Findings,
}

/// What is done with each cell: its row, whether it was filled, its code.
type Seen<'a> = dyn FnMut(usize, bool, u8) + 'a;

impl Work<'_, '_> {
    fn column(&mut self, plan: &mut Plan, schemes: &[u8], seen: &mut Seen<'_>) -> Result<(), TableError> {
        self.column_but(plan, schemes, None, seen)
    }

    /// Checks a column from top to bottom, but for the filled cells of rows that are passed over.
    fn column_but(
        &mut self,
        plan: &mut Plan,
        schemes: &[u8],
        passed_over: Option<&[bool]>,
        seen: &mut Seen<'_>,
    ) -> Result<(), TableError> {
        let constant = plan.constant();
        let column = match plan.from {
            From::Cell(cell) => self.piece.columns().get(cell),
            _ => None,
        };
        let Some(column) = column else {
            let bytes = constant.as_deref().unwrap_or("").as_bytes();
            for (row, &scheme) in schemes.iter().enumerate() {
                self.cell(plan, row, bytes, scheme, passed_over, seen);
            }
            return Ok(());
        };
        if self.typed(plan, column, seen)? {
            return Ok(());
        }
        let series = column.as_materialized_series();
        if series.dtype() == &DataType::String {
            for ((row, text), &scheme) in series.str()?.iter().enumerate().zip(schemes) {
                let text = text.unwrap_or("");
                self.cell(plan, row, text.as_bytes().trim_ascii(), scheme, passed_over, seen);
            }
        } else {
            for ((row, value), &scheme) in series.iter().enumerate().zip(schemes) {
                let text = value_text(&value);
                self.cell(plan, row, text.as_bytes().trim_ascii(), scheme, passed_over, seen);
            }
        }
        Ok(())
    }

    fn cell(
        &mut self,
        plan: &mut Plan,
        row: usize,
        bytes: &[u8],
        scheme: u8,
        passed_over: Option<&[bool]>,
        seen: &mut Seen<'_>,
    ) {
        let written = bytes;
        let bytes = if matches!(plan.from, From::Cell(_)) { plan.but_empty(bytes) } else { bytes };
        if bytes.is_empty() && !written.is_empty() {
            self.tally.emptied += 1;
            plan.take_emptied(written, self.first_row + row as u64, self.reader, self.findings);
            seen(row, false, NO_CODE);
            return;
        }
        if !bytes.is_empty() && passed_over.is_some_and(|rows| rows[row]) {
            plan.builder.push_none();
            seen(row, true, NO_CODE);
            return;
        }
        let at = CellAt { bytes, row: self.first_row + row as u64, may_break: true, is_declared: false };
        let code = plan.take(at, scheme, self.reader, self.tally, self.findings);
        seen(row, !bytes.is_empty(), code);
    }

    /// Days and numbers that need not become text; what is odd about them is told by the way of text.
    fn typed(&mut self, plan: &mut Plan, column: &Column, seen: &mut Seen<'_>) -> Result<bool, TableError> {
        // A number or a day, too, may stand for an empty cell, or for something else.
        let means_another = |form: &str| form.parse::<f64>().is_ok() || Day::from_iso_bytes(form.as_bytes()).is_some();
        if !plan.values.is_empty() || plan.empty.any(means_another) {
            return Ok(false);
        }
        let series = column.as_materialized_series();
        match (plan.column.cell, series.dtype()) {
            (Cell::Day, DataType::Date) => {
                let likely = FIRST_DAY..=self.reader.today.since_epoch();
                for (row, day) in series.date()?.physical().iter().enumerate() {
                    match (day, &mut plan.builder) {
                        (Some(day), ColumnBuilder::Day(builder)) if likely.contains(&day) => builder.append_value(day),
                        (Some(day), _) => {
                            let text = Day::from_epoch(day).to_string();
                            self.cell(plan, row, text.as_bytes(), NO_CODE, None, seen);
                        }
                        (None, _) => self.cell(plan, row, b"", NO_CODE, None, seen),
                    }
                }
                Ok(true)
            }
            (Cell::Number { plausible, .. }, DataType::Float64) => {
                for (row, number) in series.f64()?.iter().enumerate() {
                    let value = number.map(|number| number * plan.factor);
                    match (value, &mut plan.builder) {
                        (Some(value), ColumnBuilder::Number(builder)) if plausible.holds(value) => {
                            builder.append_value(value);
                        }
                        (Some(_), _) => {
                            let text = number.map_or_else(String::new, |number| format!("{number}"));
                            self.cell(plan, row, text.as_bytes(), NO_CODE, None, seen);
                        }
                        (None, ColumnBuilder::Number(builder)) if plan.column.need == Need::Optional => {
                            builder.append_null();
                        }
                        (None, _) => self.cell(plan, row, b"", NO_CODE, None, seen),
                    }
                }
                Ok(true)
            }
            _ => Ok(false),
        }
    }
}
