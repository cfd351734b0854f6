//! `export`: what a registry keeps, or what record files hold, as record files.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::exit::Exit;
use super::reading::{ReadingArguments, Stop, Stopped, ended, progress, read_checked, stop};
use super::{check, say_line};
use crate::export::{ExportError, Form, write_export};
use crate::finding::Severity;
use crate::intake::cell;
use crate::record::{Cell, PLACEMENT_COLUMNS, VISIT_COLUMNS};
use crate::registry::Registry;
use crate::registry::identity::full;
use crate::report::findings_text::findings_count;
use crate::table::{PlacementTable, RecordTable, TableError, VisitTable};
use crate::wording::{counted, escape_terminal};

/// Arguments of `export`.
#[derive(Debug, Args)]
pub struct ExportArguments {
    #[command(flatten)]
    reading: ReadingArguments,
    /// Folder to write the record files into; nothing there is written over.
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// Form of the record files.
    #[arg(long, value_enum, default_value_t = FormName::Csv)]
    form: FormName,
}

/// The forms by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum FormName {
    /// Text in columns: placements.csv and visits.csv.
    Csv,
    /// A workbook with two sheets: records.xlsx.
    Xlsx,
    /// Typed columns, for statistics programs: placements.parquet and visits.parquet.
    Parquet,
    /// One JSON object a line: placements.jsonl and visits.jsonl.
    Jsonl,
}

impl From<FormName> for Form {
    fn from(name: FormName) -> Self {
        match name {
            FormName::Csv => Self::Csv,
            FormName::Xlsx => Self::Workbook,
            FormName::Parquet => Self::Parquet,
            FormName::Jsonl => Self::JsonLines,
        }
    }
}

impl From<ExportError> for Stop {
    fn from(error: ExportError) -> Self {
        Self(Exit::NotWritten, format!("{}\n", escape_terminal(&error.to_string())))
    }
}

/// Records to write.
struct Records {
    placements: PlacementTable,
    visits: VisitTable,
    own_columns: Vec<String>,
    from: String,
}

/// Runs `export`.
pub fn run(arguments: &ExportArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &ExportArguments) -> Result<Exit, Stop> {
    let source = &arguments.reading.records;
    let (out, folder) = (full(&arguments.out), full(source));
    if source.is_dir() && out.starts_with(&folder) {
        return Err(Stop(
            Exit::Usage,
            format!(
                "{} lies in {}, where the exported files would be taken for records or for parts of a registry. Mend: choose another folder with --out.\n",
                arguments.out.display(),
                source.display()
            ),
        ));
    }
    let records = if Registry::is_one(source) { kept(&arguments.reading)? } else { read(&arguments.reading)? };
    if records.placements.0.is_empty() && records.visits.0.is_empty() {
        return Err(Stop(
            Exit::Usage,
            format!("{} keeps no records, so nothing was written. Mend: see manebit history.\n", records.from),
        ));
    }
    progress("writing");
    let odd = odd_texts(&records)?;
    let files =
        write_export(&arguments.out, arguments.form.into(), &records.placements, &records.visits, &records.own_columns)?;
    let (placements, visits) = (records.placements.0.len() as u64, records.visits.0.len() as u64);
    say_line!("Exported from {}: {} and {}.", records.from, placements_text(placements), visits_text(visits));
    for file in files {
        let counts = match (file.placements as u64, file.visits as u64) {
            (placements, 0) => placements_text(placements),
            (0, visits) => visits_text(visits),
            (placements, visits) => format!("{} and {}", placements_text(placements), visits_text(visits)),
        };
        say_line!("  {}: {counts}", escape_terminal(&file.path.display().to_string()));
    }
    if !records.own_columns.is_empty() {
        say_line!(
            "Columns of the practice's own: {}. To read them in again, name them under own_factors in the protocol.",
            escape_terminal(&records.own_columns.join(", "))
        );
    }
    if let Some(odd) = odd {
        say_line!("{odd}");
    }
    say_line!(
        "Mind: these files hold the patients' records, with the pseudonyms or ids that stand in them. Keep them under the same care as \
         the registry, and remove them when they have done their work: the withdrawal of a patient doesn't reach them."
    );
    Ok(Exit::Done)
}

fn placements_text(count: u64) -> String {
    counted(count, "placement", "placements")
}

fn visits_text(count: u64) -> String {
    counted(count, "visit", "visits")
}

/// What a registry keeps.
fn kept(arguments: &ReadingArguments) -> Result<Records, Stop> {
    let given = [
        ("--protocol", arguments.protocol.is_some()),
        ("--declaration", arguments.declaration.is_some()),
        ("--set-aside", arguments.set_aside.is_some()),
    ];
    if let Some((option, _)) = given.into_iter().find(|(_, given)| *given) {
        return Err(Stop(
            Exit::Usage,
            format!(
                "{option} is for record files; {} is a registry, whose records are exported as they stand. Mend: leave {option} out.\n",
                arguments.records.display()
            ),
        ));
    }
    progress("reading records");
    let kept = Registry::open(&arguments.records)?.read(arguments.batch)?;
    Ok(Records {
        placements: kept.placements,
        visits: kept.visits,
        own_columns: kept.own_columns,
        from: format!("{}, batch {}", escape_terminal(&arguments.records.display().to_string()), kept.batch),
    })
}

/// What record files hold, checked.
fn read(arguments: &ReadingArguments) -> Result<Records, Stop> {
    let checked = match read_checked(arguments)? {
        Ok(checked) => checked,
        Err(Stopped { findings, .. }) => return Err(stop(&findings, "written")),
    };
    let aside = check::set_aside_text(&checked.set_aside);
    super::say(&aside);
    let mut found = checked.of_rows;
    found.take_over(checked.of_meeting);
    if found.total(Severity::Caution) > 0 {
        say_line!("Let through: {}.", findings_count(&found, Severity::Caution));
    }
    Ok(Records {
        placements: checked.intake.placements,
        visits: checked.intake.visits,
        own_columns: checked.protocol.own_factors,
        from: escape_terminal(&arguments.records.display().to_string()).into_owned(),
    })
}

/// A sentence on texts that are written as they stand, but would not be read in again; none if there are none.
fn odd_texts(records: &Records) -> Result<Option<String>, TableError> {
    let (mut count, mut first) = (0_u64, None);
    let mut look = |table: &RecordTable, kind: &str, name: &str| -> Result<(), TableError> {
        let ids = table.text("restoration_id")?;
        for (row, text) in table.text(name)?.iter().enumerate() {
            let Some(text) = text else { continue };
            if text.trim() != text || text.is_empty() || text.contains('\0') || cell::text(text, name).is_err() {
                count += 1;
                first.get_or_insert_with(|| {
                    let id = escape_terminal(ids.get(row).unwrap_or("")).into_owned();
                    format!("{name} of restoration {id} among the {kind}")
                });
            }
        }
        Ok(())
    };
    let texts = |columns: &'static [crate::record::Column]| {
        columns.iter().filter(|column| matches!(column.cell, Cell::Text)).map(|column| column.name)
    };
    let own = records.own_columns.iter().map(String::as_str);
    for name in texts(PLACEMENT_COLUMNS).chain(own) {
        look(&records.placements.0, "placements", name)?;
    }
    for name in texts(VISIT_COLUMNS) {
        look(&records.visits.0, "visits", name)?;
    }
    Ok(first.map(|first| {
        format!(
            "{} can't be read in again as {}, the first: {first}. Record files hold no line breaks, zero bytes, or spaces around such texts. \
             Mend: correct these records with manebit ingest --correct, and export again.",
            counted(count, "text", "texts"),
            if count == 1 { "it stands" } else { "they stand" },
        )
    }))
}
