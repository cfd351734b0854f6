//! `export`: what a registry keeps, or what record files hold, as record files.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::exit::Exit;
use super::reading::{ReadingArguments, Stop, Stopped, Wanted, ended, read_checked, rows_done, stop};
use super::{check, say_line};
use crate::export::overview::OddTexts;
use crate::export::{ExportError, Form, Source, Step, Tables, Written, write_export};
use crate::finding::Severity;
use crate::intake::{Intake, cell};
use crate::record::RecordKind;
use crate::registry::identity::full;
use crate::registry::{Registry, RegistryError};
use crate::report::findings_text::findings_count;
use crate::table::RecordTable;
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

/// A registry's records as they stood after a batch.
struct OfRegistry<'a> {
    registry: &'a Registry,
    batch: u32,
    own_columns: Vec<String>,
}

/// Why a registry's records were not written.
enum Refused {
    Registry(RegistryError),
    Export(ExportError),
}

impl From<RegistryError> for Refused {
    fn from(error: RegistryError) -> Self {
        Self::Registry(error)
    }
}

impl From<ExportError> for Refused {
    fn from(error: ExportError) -> Self {
        Self::Export(error)
    }
}

impl Source for OfRegistry<'_> {
    type Error = Refused;

    fn own_columns(&self) -> &[String] {
        &self.own_columns
    }

    fn pieces<T: Send>(
        &self,
        kind: RecordKind,
        make: impl Fn(RecordTable) -> Result<T, Refused> + Sync,
        take: impl FnMut(T) -> Result<(), Refused>,
    ) -> Result<(), Refused> {
        self.registry.pieces(self.batch, kind.into(), |piece| make(RecordTable::new(piece, Vec::new())), take)
    }
}

/// What was exported, and of what.
struct Exports {
    written: Written,
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
    let Exports { written, own_columns, from } =
        if Registry::is_one(source) { of_registry(arguments)? } else { of_files(arguments)? };
    let (placements, visits) = written
        .files
        .iter()
        .fold((0, 0), |(placements, visits), file| (placements + file.placements as u64, visits + file.visits as u64));
    say_line!("Exported from {from}: {} and {}.", placements_text(placements), visits_text(visits));
    for file in written.files {
        let counts = match (file.placements as u64, file.visits as u64) {
            (placements, 0) => placements_text(placements),
            (0, visits) => visits_text(visits),
            (placements, visits) => format!("{} and {}", placements_text(placements), visits_text(visits)),
        };
        say_line!("  {}: {counts}", escape_terminal(&file.path.display().to_string()));
    }
    if !own_columns.is_empty() {
        say_line!(
            "Columns of the practice's own: {}. To read them in again, name them under own_factors in the protocol.",
            escape_terminal(&own_columns.join(", "))
        );
    }
    if let Some(odd) = odd_text(&written.odd) {
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

/// Writes what a registry keeps.
fn of_registry(asked: &ExportArguments) -> Result<Exports, Stop> {
    let arguments = &asked.reading;
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
    Registry::open(&arguments.records)?.steadily(arguments.batch, |registry, batch| {
        let source = OfRegistry { registry, batch, own_columns: registry.own_columns(batch) };
        let from = format!("{}, batch {batch}", escape_terminal(&arguments.records.display().to_string()));
        match write(asked, &source) {
            Ok(written) => Ok(Ok(Exports { written, own_columns: source.own_columns, from })),
            Err(Refused::Export(error)) => Ok(Err(not_exported(error, &from))),
            Err(Refused::Registry(error)) => Err(error),
        }
    })?
}

/// Writes what record files hold, checked.
fn of_files(asked: &ExportArguments) -> Result<Exports, Stop> {
    let arguments = &asked.reading;
    let checked = match read_checked(arguments, Wanted::Tables)? {
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
    // What was made of them takes as much memory as they do.
    drop(checked.made);
    let own_columns = checked.protocol.own_factors;
    let Intake { placements, visits, .. } = &checked.intake;
    let from = escape_terminal(&arguments.records.display().to_string()).into_owned();
    let written = write(asked, &Tables { placements, visits, own_columns: &own_columns });
    Ok(Exports { written: written.map_err(|error| not_exported(error, &from))?, own_columns, from })
}

fn write<S: Source>(arguments: &ExportArguments, source: &S) -> Result<Written, S::Error> {
    write_export(&arguments.out, arguments.form.into(), source, would_not_be_read, &|step| match step {
        Step::Seen(kind, rows) => rows_done(&format!("{} looked at", kind.label()), rows as u64),
        Step::Written(kind, rows) => rows_done(&format!("{} written", kind.label()), rows as u64),
    })
}

fn not_exported(error: ExportError, from: &str) -> Stop {
    match error {
        ExportError::NoRecords => {
            Stop(Exit::Usage, format!("{from} keeps no records, so nothing was written. Mend: see manebit history.\n"))
        }
        error => Stop(Exit::NotWritten, format!("{}\n", escape_terminal(&error.to_string()))),
    }
}

/// Whether a text in a column is written as it stands, but would not be read in again.
fn would_not_be_read(text: &str, column: &str) -> bool {
    text.trim() != text || text.is_empty() || text.contains('\0') || cell::text(text, column).is_err()
}

/// A sentence on such texts; none if there are none.
fn odd_text(odd: &OddTexts) -> Option<String> {
    let (name, restoration, kind) = odd.first.as_ref()?;
    Some(format!(
        "{} can't be read in again as {}, the first: {name} of restoration {} among the {}. Record files hold no line breaks, zero bytes, or spaces around such texts. \
         Mend: correct these records with manebit ingest --correct, and export again.",
        counted(odd.count, "text", "texts"),
        if odd.count == 1 { "it stands" } else { "they stand" },
        escape_terminal(restoration),
        kind.label(),
    ))
}
