//! `ingest`: checks record files, and keeps them in a registry.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::path::{Path, PathBuf};

use clap::Args;

use super::check::{set_aside_text, tables_text};
use super::exit::Exit;
use super::keeping::{balance, pseudonyms};
use super::reading::{ReadingArguments, Stop, Stopped, ended, read_judged, stop, today};
use super::say_line;
use super::staging::{StagedRecords, judge, part_rows, stage};
use crate::finding::{Findings, Severity};
use crate::intake::IntakeRequest;
use crate::protocol::Protocol;
use crate::registry::{Batch, BatchKind, Pseudonyms, Registry, Weighed, Writer};
use crate::report::findings_text::findings_count;
use crate::wording::{counted, escape_terminal};

/// Arguments of `ingest`.
#[derive(Debug, Args)]
pub struct IngestArguments {
    #[command(flatten)]
    reading: ReadingArguments,
    /// Folder of the registry.
    #[arg(long, value_name = "REGISTRY")]
    into: PathBuf,
    /// Key file of the registry, if it has one.
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
    /// These records correct kept ones: a row for the same placement or visit takes the place of the kept one.
    #[arg(long)]
    correct: bool,
}

/// Runs `ingest`.
pub fn run(arguments: &IngestArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &IngestArguments) -> Result<Exit, Stop> {
    if Registry::is_one(&arguments.reading.records) {
        return Err(Stop(
            Exit::Usage,
            format!(
                "{} is a registry itself. Mend: export it first, and give the folder of record files.\n",
                arguments.reading.records.display()
            ),
        ));
    }
    let registry = Registry::open(&arguments.into)?;
    let pseudonyms = pseudonyms(&registry.manifest().identity, arguments.key_file.as_deref(), &arguments.into)?;
    let mut writer = Writer::take(&arguments.into)?;
    writer.check_files()?;
    let rows = part_rows();
    let read = |protocol: &Protocol, request: IntakeRequest<'_>, findings: &mut Findings| {
        let staging = writer.stage(&pseudonyms, &protocol.own_factors, rows);
        let given = matches!(pseudonyms, Pseudonyms::Keyed(_)).then(|| writer.pair_sorter(rows));
        stage(request, staging, given, findings)
    };
    let judged = read_judged(&arguments.reading, read, |protocol, records: &StagedRecords, findings| {
        records.note_given(findings);
        let parts = writer.part(&records.staged, arguments.correct, rows)?;
        judge(&parts, protocol, findings)
    })?;
    let judged = match judged {
        Ok(judged) => judged,
        Err(Stopped { findings, intake }) => {
            if let Some(records) = intake {
                eprint!("{}", tables_text(&records.read.tables));
            }
            return Err(Stop(Exit::Findings, stop(&findings, "kept").1));
        }
    };
    let (weighed, StagedRecords { staged, read, .. }) = (judged.made, judged.intake);
    let weighed = weighed.beside([judged.set_aside.placements, judged.set_aside.visits]);
    if let Some((file, batch)) = writer.ids_changed_since(&staged, &weighed) {
        return Err(Stop(
            Exit::Findings,
            format!(
                "{}: the same file was accepted in batch {batch}, and none of its placements is of a restoration kept. Its ids are read \
                 differently now, so every filling would be kept twice.\nMend: let records.toml say what it said then, ids_begin_with above \
                 all. Nothing was kept.\n",
                escape_terminal(&file)
            ),
        ));
    }
    let batch = writer.commit(staged, &weighed, today())?;
    let mut found = judged.of_rows;
    found.take_over(judged.of_meeting);
    // The findings in the new files alone; those in kept rows were said when they were accepted.
    let of_files = found.of_files(|file| read.sources.iter().any(|source| source.name == file));
    super::say(&tables_text(&read.tables));
    say(&arguments.into, &weighed, batch.as_ref(), &of_files);
    super::say(&set_aside_text(&judged.set_aside));
    Ok(Exit::Done)
}

fn say(into: &Path, weighed: &Weighed, batch: Option<&Batch>, findings: &Findings) {
    let [placements, visits] = weighed.counts;
    match batch {
        None if weighed.passed_over.is_empty() => {
            say_line!("Nothing new: every row is kept in {} already.", into.display());
        }
        None => {
            say_line!("Nothing was kept in {}: some files are passed over, and the rest is kept already.", into.display())
        }
        Some(batch) => say_line!(
            "Batch {} is kept in {}: {} and {}{}.",
            batch.number,
            into.display(),
            counted(placements.kept, "placement", "placements"),
            counted(visits.kept, "visit", "visits"),
            if batch.kind == BatchKind::Correction { ", as a correction" } else { "" },
        ),
    }
    say_line!("  placements: {}", balance(placements));
    say_line!("  visits: {}", balance(visits));
    if batch.is_some_and(|batch| batch.kind == BatchKind::Correction) && placements.superseding + visits.superseding == 0 {
        say_line!("  Mind: nothing was superseded. A row for another day or another id stands beside the kept one.");
    }
    if !weighed.emptied.is_empty() {
        let emptied: Vec<String> = weighed.emptied.iter().map(|(column, cells)| format!("{column} {cells}")).collect();
        say_line!(
            "  Mind: cells that were filled are empty in the rows that take their place: {}. Give whole rows in a correction; the earlier batch still has them.",
            emptied.join(", ")
        );
    }
    for (name, batch) in &weighed.passed_over {
        say_line!(
            "  {} was accepted in batch {batch}, before a withdrawal; its rows are passed over, since those that left may be among them. Give rows that are to be corrected in a file of their own",
            escape_terminal(name)
        );
    }
    if findings.total(Severity::Caution) > 0 {
        say_line!("  let through: {}", findings_count(findings, Severity::Caution));
    }
}
