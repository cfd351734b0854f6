//! `ingest`: checks record files, and keeps them in a registry.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::path::{Path, PathBuf};

use clap::Args;

use super::check::{set_aside_text, tables_text};
use super::exit::Exit;
use super::keeping::pseudonyms;
use super::reading::{ReadingArguments, Stop, Stopped, ended, last_day, read_judged, stop, today};
use super::say_line;
use crate::cohort::spelling::check_spellings;
use crate::cohort::{meaning, select};
use crate::finding::{FindingKind, Findings, KEPT_OF_A_KIND, Place, Severity};
use crate::intake::Intake;
use crate::protocol::Protocol;
use crate::registry::identity::is_pseudonym;
use crate::registry::{Batch, BatchKind, Counts, Incoming, Pseudonyms, Registry, SourceFile, Weighed, Writer, weigh};
use crate::report::findings_text::findings_count;
use crate::wording::{count, counted, escape_terminal};

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
    let kept = writer.read()?;
    // New and kept rows are judged together: a visit may belong to a restoration of an earlier batch.
    let judged = read_judged(&arguments.reading, |protocol, intake, findings| {
        let incoming = incoming(intake, protocol);
        let weighed = weigh(&kept, writer.manifest(), &incoming, &pseudonyms, arguments.correct, findings)?;
        // Pseudonyms tell no spellings apart, so ids are looked at before they are renamed.
        check_spellings(&intake.placements.0, "patient_id", "patients", findings)?;
        let given = intake.placements.0.text("patient_id")?.iter().flatten().filter(|id| is_pseudonym(id)).count();
        if given > 0 && matches!(pseudonyms, Pseudonyms::Keyed(_)) {
            findings.note(
                FindingKind::PseudonymGiven,
                Place::file(intake.sources.first().map_or("", |source| source.name.as_str())),
                None,
                format!(
                    "{} are pseudonyms of a registry already; they are kept as they are.",
                    counted(given as u64, "id", "ids")
                ),
                "Nothing to mend if this registry was started with the key that made them.",
            );
        }
        let last = last_day(&weighed.placements, &weighed.visits)?;
        let mut histories = select(&weighed.placements, &weighed.visits, last)?;
        meaning::check(&weighed.placements, &weighed.visits, &mut histories, protocol, findings)?;
        Ok(weighed)
    })?;
    let judged = match judged {
        Ok(judged) => judged,
        Err(Stopped { findings, intake }) => {
            if let Some(intake) = intake {
                eprint!("{}", tables_text(&intake));
            }
            return Err(Stop(Exit::Findings, stop(&findings, "kept").1));
        }
    };
    let batch = writer.commit(&judged.made, today())?;
    let mut found = judged.of_rows;
    found.take_over(judged.of_meeting);
    super::say(&tables_text(&judged.intake));
    let aside = (judged.set_aside.placements, judged.set_aside.visits);
    say(&arguments.into, &judged.made, batch.as_ref(), aside, &of_files(&found, &judged.intake));
    super::say(&set_aside_text(&judged.set_aside));
    Ok(Exit::Done)
}

fn incoming(intake: &Intake, protocol: &Protocol) -> Incoming {
    let source =
        |source: &crate::intake::folder::Source| SourceFile { name: source.name.clone(), sha256: source.digest.clone() };
    Incoming {
        placements: intake.placements.clone(),
        visits: intake.visits.clone(),
        sources: intake.sources.iter().map(source).collect(),
        own_columns: protocol.own_factors.clone(),
    }
}

/// The findings in the new files alone; those in kept rows were said when they were accepted.
fn of_files(findings: &Findings, intake: &Intake) -> Findings {
    let mut rest = Findings::default();
    let of_source = |name: &str| intake.sources.iter().any(|source| source.name == name);
    for finding in findings.sorted().into_iter().filter(|finding| of_source(&finding.place.file)) {
        let (kind, file) = (finding.kind, &finding.place.file);
        // Past a thousand of a kind and file, findings are only counted.
        let first = rest.count(kind, file) == 0;
        let uncounted = findings.count(kind, file).saturating_sub(KEPT_OF_A_KIND);
        for _ in 0..if first { 1 + uncounted } else { 1 } {
            rest.add(finding.clone());
        }
    }
    rest
}

fn say(into: &Path, weighed: &Weighed, batch: Option<&Batch>, aside: (u64, u64), findings: &Findings) {
    let (placements, visits) = (weighed.placement_counts, weighed.visit_counts);
    match batch {
        None => say_line!("Nothing new: every row is kept in {} already.", into.display()),
        Some(batch) => say_line!(
            "Batch {} is kept in {}: {} and {}{}.",
            batch.number,
            into.display(),
            counted(placements.kept, "placement", "placements"),
            counted(visits.kept, "visit", "visits"),
            if batch.kind == BatchKind::Correction { ", as a correction" } else { "" },
        ),
    }
    say_line!("  placements: {}", balance(placements, aside.0));
    say_line!("  visits: {}", balance(visits, aside.1));
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
            "  {} was accepted in batch {batch}, before a withdrawal; its rows are passed over, since those that left may be among them",
            escape_terminal(name)
        );
    }
    if findings.total(Severity::Caution) > 0 {
        say_line!("  let through: {}", findings_count(findings, Severity::Caution));
    }
}

fn balance(counts: Counts, aside: u64) -> String {
    let identical = counted(counts.identical, "identical repeat", "identical repeats");
    let mut text = format!("{} received = {} kept + {identical}", count(counts.received + aside), count(counts.kept));
    if aside > 0 {
        text = format!("{text} + {} set aside", count(aside));
    }
    if counts.superseding > 0 {
        text = format!("{text}; {} of the kept supersede earlier rows", count(counts.superseding));
    }
    text
}
