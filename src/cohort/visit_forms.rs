//! Visits some of whose columns are folded: what is the same in many rows is looked at once.

use polars::prelude::{Column, DataFrame, StringChunked};

use super::look_columns::LookColumns;
use super::visit_rows::{Look, NOBODY, VisitReader, VisitRows};
use crate::table::records::Origins;
use crate::table::{FoldedColumns, RecordTable, RunColumn, TableError};

impl VisitReader<'_> {
    /// Reads the visits that follow others, some of whose columns are folded.
    ///
    /// # Errors
    /// When they lack a column, which would be a fault of the program.
    pub fn read_folded(
        &self,
        rows: &mut VisitRows,
        piece: &DataFrame,
        folded: FoldedColumns,
        ids: RunColumn,
    ) -> Result<(), TableError> {
        let Some(forms) = told_by_forms(piece, &folded.forms)? else {
            let mut whole = piece.clone();
            whole.hstack_mut(folded.unfolded()?.columns())?;
            whole.hstack_mut(&[ids.unfolded()?])?;
            return self.read_into(rows, &whole);
        };
        let first = u32::try_from(rows.len()).unwrap_or(u32::MAX);
        let (table, forms) = (RecordTable::new(piece.clone(), Vec::new()), RecordTable::new(forms, Vec::new()));
        let columns = LookColumns::new(&forms)?;
        let told: Vec<_> = (0..forms.len()).map(|form| (columns.statement(form, rows), columns.happened(form))).collect();
        let days = table.days("visited_on")?;
        for ((row, day), form) in (first..).zip(days).zip(&folded.of_row) {
            let (statement, happened) = told[*form as usize];
            if let Some(happened) = happened {
                rows.happened.push((row, happened));
            }
            rows.looks.push(Look { row, day, statement });
        }
        self.place_runs(rows, ids.values.as_materialized_series().str()?, &ids.rows);
        let origins = table.origins()?;
        let rising = rows.come_from(&origins, first, piece.height());
        match forms.text("examiner") {
            Ok(names) => rows.looked_at_by_forms(names, &folded.of_row, &origins, rising),
            Err(_) => rows.looked_at_by(table.text("examiner")?, &origins, first, rising),
        }
        Ok(())
    }
}

impl VisitRows {
    /// Notes who looked in the rows that follow, whose forms tell it.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn looked_at_by_forms(&mut self, names: &StringChunked, of_row: &[u32], places: &Origins<'_>, rising: bool) {
        let mut numbers: Vec<u32> = Vec::with_capacity(names.len());
        let mut add = |form: usize, row: usize| {
            names.get(form).map_or(NOBODY, |name| self.examiners.add(name, places.place(row)) as u32)
        };
        for (row, form) in of_row.iter().enumerate() {
            // Forms come in the order in which rows have them first; where places rise, that is where a spelling is met first.
            if *form as usize == numbers.len() {
                numbers.push(add(*form as usize, row));
            } else if !rising {
                add(*form as usize, row);
            }
        }
        self.examiner.extend(of_row.iter().map(|form| numbers[*form as usize]));
    }
}

/// The forms with all columns that tell what a visit states; none if one of these differs from row to row for itself.
fn told_by_forms(piece: &DataFrame, forms: &DataFrame) -> Result<Option<DataFrame>, TableError> {
    let has = |name: &str| forms.column(name).is_ok();
    let mut all = forms.clone();
    let mut same: Vec<Column> = Vec::new();
    for name in LookColumns::names().chain(["outcome_on"]).filter(|name| !has(name)) {
        let column = piece.column(name)?;
        if column.is_empty() || !(column.null_count() == column.len() || is_one_code(column)) {
            return Ok(None);
        }
        same.push(column.new_from_index(0, forms.height()));
    }
    all.hstack_mut(&same)?;
    Ok(Some(all))
}

/// Whether a column is the same code throughout.
fn is_one_code(column: &Column) -> bool {
    column.null_count() == 0
        && column.as_materialized_series().u8().is_ok_and(|codes| {
            let first = codes.get(0);
            codes.iter().all(|code| code == first)
        })
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::path::Path;

    use crate::cohort::from_files::read_course;
    use crate::cohort::visit_rows::VisitRows;
    use crate::finding::{FindingKind, Findings};
    use crate::intake::IntakeRequest;
    use crate::quantity::Day;

    const ROWS: usize = 24_000;

    /// The same visits in both forms: as text, whose columns are folded, and as objects, whose cells are read one by one.
    fn write(folders: [&Path; 2], header: &[&str], row: &mut dyn FnMut(usize, &str) -> String) {
        let [mut text, mut objects] = [header.join(",") + "\n", String::new()];
        for at in 0..ROWS {
            let cells: Vec<String> = header.iter().map(|name| row(at, name)).collect();
            // Quotation marks in some rows.
            let quoted = |cell: &String| if at % 50 == 3 { format!("\"{cell}\"") } else { cell.clone() };
            writeln!(text, "{}", cells.iter().map(quoted).collect::<Vec<_>>().join(",")).expect("text");
            let named = header.iter().zip(&cells).map(|(name, cell)| format!("\"{name}\":\"{cell}\""));
            writeln!(objects, "{{{}}}", named.collect::<Vec<_>>().join(",")).expect("text");
        }
        let placements = (0..ROWS / 4).map(|at| format!("R{at},P{at},14,facial,2015-01-06,op-a\n"));
        let placements =
            format!("restoration_id,patient_id,tooth,surface,placed_on,operator\n{}", placements.collect::<String>());
        for (folder, name, visits) in [(folders[0], "v.csv", &text), (folders[1], "v.jsonl", &objects)] {
            std::fs::write(folder.join("p.csv"), &placements).expect("written");
            std::fs::write(folder.join(name), visits).expect("written");
        }
    }

    /// Each visit in words, and what was found, rows counted from the first below a header.
    fn read(folder: &Path, header_rows: u64) -> (Vec<String>, Vec<String>) {
        let today = Day::from_calendar(2026, 1, 1).expect("a day");
        let request = IntakeRequest { records: folder, declaration: None, today, own_columns: &[], progress: None };
        let mut findings = Findings::default();
        let (_, visits) = read_course(request, None, &mut findings).expect("tables").expect("files");
        visits.examiners().close(visits.files(), "examiner", "examiners", &mut findings);
        let found = findings.sorted().into_iter().map(|found| {
            let (row, what) = (found.place.row.map(|row| row - header_rows), &found.what);
            // The place of another row is named by its number in its file.
            let what = if found.kind == FindingKind::SpellingsDiffer { "" } else { what };
            format!("{:?} {row:?} {:?} {:?} {what}", found.kind, found.place.column, found.value)
        });
        (said(&visits, header_rows), found.collect())
    }

    fn said(visits: &VisitRows, header_rows: u64) -> Vec<String> {
        let happened: std::collections::BTreeMap<u32, i32> = visits.happened.iter().copied().collect();
        let word = |(row, look): (u32, &crate::cohort::Look)| {
            assert_eq!(look.row, row);
            let (at, stated) = (row as usize, visits.statements.get(look.statement).stated);
            let (who, happened) = (visits.examiner(row), happened.get(&row));
            let (placement, unplaced) = (visits.placement[at], visits.unplaced(row));
            let in_file = visits.row_in_file(row) - header_rows;
            format!("{} {stated:?} {happened:?} {placement} {unplaced:?} {who:?} {in_file}", look.day)
        };
        (0..).zip(&visits.looks).map(word).collect()
    }

    #[test]
    fn folded_visits_are_those_read_cell_by_cell() {
        let all = "restoration_id visited_on examiner source scheme retention colour caries outcome outcome_on reason";
        let apart = "scheme retention colour restoration_id examiner visited_on outcome reason caries outcome_on source";
        let last = "examiner scheme outcome retention colour caries outcome_on visited_on restoration_id";
        let few = "restoration_id visited_on outcome";
        for header in [all, apart, last, few] {
            let header: Vec<&str> = header.split(' ').collect();
            // Each number in turn by a linear congruential generator (constants: Knuth, TAOCP 2, 3.3.4, from memory).
            let mut state = 1_u64;
            let mut below = move |limit: usize| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                usize::try_from(state >> 33).expect("a number") % limit
            };
            let mut pick = |usual: &[&str], odd: &[&str]| -> String {
                let of = if below(60) == 0 { odd } else { usual };
                of[below(of.len())].to_owned()
            };
            let mut row = |at: usize, name: &str| match name {
                "restoration_id" => pick(&[&format!("R{}", at / 4)], &["", "R-unknown", "R7", "=R8"]),
                "visited_on" => pick(&["2020-01-06", "2021-03-04", "2022-12-31"], &["", "2020-02-30", "2031-01-01"]),
                "examiner" => pick(&["ex-1", "ex-2", "", "somebody else entirely"], &["Ex-1", "ex-3", "a@b.example"]),
                "source" => pick(&["", "examined"], &["reported_by_patient", "hearsay"]),
                "scheme" => pick(&["fdi_2010", "usphs_3"], &["", "fdi"]),
                "outcome" => pick(&["in_place", "in_place", "in_place", "replaced"], &["", "gone"]),
                "outcome_on" => pick(&["", "", "", "2020-01-05"], &[&format!("20{:02}-05-06", 10 + at % 16), "x"]),
                "reason" => pick(&["", "", "failure"], &["because"]),
                _ => pick(&["1", "2", "A", ""], &["9", "?"]),
            };
            let folders = [0, 1].map(|_| tempfile::tempdir().expect("a folder"));
            write([folders[0].path(), folders[1].path()], &header, &mut row);
            let (folded, whole) = (read(folders[0].path(), 1), read(folders[1].path(), 0));
            assert_eq!(folded.0.len(), ROWS);
            assert!(whole.1.len() > 800, "{} findings are few", whole.1.len());
            for (one, other) in folded.0.iter().zip(&whole.0).chain(folded.1.iter().zip(&whole.1)) {
                assert_eq!(one, other, "{header:?}");
            }
            assert_eq!((folded.0.len(), folded.1.len()), (whole.0.len(), whole.1.len()));
        }
    }
}
