//! `check`: record files read and checked, nothing kept.

use std::fmt::Write as _;

use clap::Args;

use super::exit::Exit;
use super::reading::{Checked, ReadingArguments, SetAside, Stop, Stopped, Wanted, ended, read_checked, stop};
use super::say;
use crate::finding::{Findings, Severity};
use crate::intake::TableRead;
use crate::quantity::Fraction;
use crate::record::RecordKind;
use crate::report::findings_text::{findings_count, findings_text};
use crate::table::Filled;
use crate::wording::{count, counted, escape_terminal, percent};

/// Arguments of `check`.
#[derive(Debug, Args)]
pub struct CheckArguments {
    #[command(flatten)]
    reading: ReadingArguments,
}

/// Runs `check`.
pub fn run(arguments: &CheckArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &CheckArguments) -> Result<Exit, Stop> {
    match read_checked(&arguments.reading, Wanted::Check)? {
        Ok(checked) => {
            say(&passed(&checked));
            Ok(Exit::Done)
        }
        Err(Stopped { findings, intake }) => {
            if let Some(intake) = intake {
                say(&tables_text(&intake.tables));
            }
            Err(stop(&findings, "written"))
        }
    }
}

fn passed(checked: &Checked) -> String {
    let mut text = tables_text(&checked.intake.tables);
    let mut cautions = Findings::default();
    cautions.take_over(checked.of_rows.clone());
    cautions.take_over(checked.of_meeting.clone());
    text += &reckoning(checked);
    for (kind, filled) in [RecordKind::Placement, RecordKind::Visit].into_iter().zip(&checked.intake.filled) {
        text += &filled_text(kind, filled);
    }
    if cautions.total(Severity::Caution) > 0 {
        let _ = writeln!(text, "\n{}", findings_text(&cautions, Severity::Caution).trim_end());
        let _ = writeln!(text, "\nLet through: {}.", findings_count(&cautions, Severity::Caution));
    } else {
        text.push_str("Nothing odd was found.\n");
    }
    text
}

/// How far the columns are filled: a column that is empty in many rows can't be compared by, and empty never means perfect.
fn filled_text(kind: RecordKind, filled: &Filled) -> String {
    let rows = filled.rows();
    let (mut parts, mut never) = (Vec::new(), Vec::new());
    for column in kind.columns() {
        match filled.column(column.name).unwrap_or(0) {
            0 => never.push(column.name),
            filled if filled == rows => {}
            filled => parts.push(format!("{} {}", column.name, percent(Fraction::new(filled as f64 / rows as f64)))),
        }
    }
    let mut text = String::new();
    if rows > 0 && !parts.is_empty() {
        let _ = writeln!(text, "{} filled in part: {}", kind.label(), parts.join(", "));
    }
    if rows > 0 && !never.is_empty() {
        let _ = writeln!(text, "{} never filled: {}", kind.label(), never.join(", "));
    }
    text
}

/// What each table of each file was taken for.
pub fn tables_text(tables: &[TableRead]) -> String {
    let mut text = String::from("Read:\n");
    for table in tables {
        let name = escape_terminal(&table.name);
        let _ = match table.holds {
            None => writeln!(text, "  {name}: {}", table.said),
            Some(kind) => {
                let rows = counted(table.received, "row", "rows");
                let beside = match table.unfolded {
                    0 => String::new(),
                    visits => format!(", and {} beside each other in them", counted(visits, "visit", "visits")),
                };
                writeln!(text, "  {name}: {} ({}), {rows}{beside}", kind.label(), table.said)
            }
        };
    }
    text
}

/// received = kept + set aside + identical repeats, for placements and visits.
pub fn reckoning(checked: &Checked) -> String {
    let mut text = String::new();
    let repeats = |excluded: &[crate::result::Exclusion]| {
        excluded.iter().filter(|one| one.reason == "the same row again").map(|one| one.count).sum::<u64>()
    };
    let (histories, aside) = (&checked.made.histories, &checked.set_aside);
    let [placements, visits] = checked.intake.filled.each_ref().map(Filled::rows);
    for (kind, in_table, repeated, aside) in [
        (RecordKind::Placement, placements, repeats(&histories.flow.excluded), aside.placements),
        (RecordKind::Visit, visits, repeats(&histories.flow.visits_excluded), aside.visits),
    ] {
        let received: u64 = checked
            .intake
            .tables
            .iter()
            .map(|table| match (table.holds, kind) {
                (Some(RecordKind::Visit), RecordKind::Visit) | (Some(RecordKind::Placement), RecordKind::Placement) => {
                    table.received
                }
                (Some(RecordKind::Placement), RecordKind::Visit) => table.unfolded,
                _ => 0,
            })
            .sum();
        let kept = in_table - repeated;
        let _ = writeln!(
            text,
            "{} received = {} kept + {} set aside + {} identical",
            match kind {
                RecordKind::Placement => counted(received, "placement", "placements"),
                RecordKind::Visit => counted(received, "visit", "visits"),
            },
            count(kept),
            count(aside),
            count(repeated),
        );
    }
    text + &set_aside_text(&checked.set_aside)
}

/// Where the rows set aside are.
pub fn set_aside_text(set_aside: &SetAside) -> String {
    let mut text = String::new();
    if !set_aside.files.is_empty() {
        let _ = writeln!(
            text,
            "Set aside: {} and {}, for {}",
            counted(set_aside.placements, "placement", "placements"),
            counted(set_aside.visits, "visit", "visits"),
            findings_count(&set_aside.errors, Severity::Error)
        );
    }
    for file in &set_aside.files {
        let _ = writeln!(text, "  with the reasons in {}; mend them there and read that file again", file.display());
    }
    text
}
