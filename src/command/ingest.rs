//! `ingest`: checks record files, and keeps them in a registry.
#![expect(clippy::print_stdout, reason = "commands talk to people")]

use std::path::{Path, PathBuf};

use clap::Args;
use sha2::{Digest, Sha256};

use super::exit::Exit;
use super::keeping::{Stop, ended, pseudonyms, stopped, today};
use crate::cohort::{meaning, select};
use crate::finding::{FindingKind, Findings, KEPT_OF_A_KIND, Severity};
use crate::intake::{Intake, read_folder};
use crate::protocol::Protocol;
use crate::quantity::Day;
use crate::registry::{Batch, BatchKind, Counts, Incoming, Registry, RegistryError, SourceFile, Weighed, Writer, weigh};
use crate::report::findings_text::findings_count;
use crate::table::NO_DAY;
use crate::wording::{count, counted, escape_terminal, hexadecimal};

/// Arguments of `ingest`.
#[derive(Debug, Args)]
pub struct IngestArguments {
    /// Folder with the record files (.csv).
    records: PathBuf,
    /// Folder of the registry.
    #[arg(long, value_name = "REGISTRY")]
    into: PathBuf,
    /// Key file of the registry, if it has one.
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
    /// These records correct kept ones: a row for the same placement or visit takes the place of the kept one.
    #[arg(long)]
    correct: bool,
    /// Protocol file; without it the built-in protocol holds.
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
}

/// Runs `ingest`.
pub fn run(arguments: &IngestArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &IngestArguments) -> Result<Exit, Stop> {
    let protocol = protocol(arguments.protocol.as_deref())?;
    let registry = Registry::open(&arguments.into)?;
    let pseudonyms = pseudonyms(&registry.manifest().identity, arguments.key_file.as_deref(), &arguments.into)?;
    let today = today();
    let mut findings = Findings::default();
    let intake = read_folder(&arguments.records, today, &protocol.own_factors, &mut findings)?;
    // A folder with visits alone is good here: their placements may be kept already.
    let Some(intake) = intake else { return Err(stopped(&findings)) };
    let findings = without_missing_placements(findings, &intake);
    if findings.any_error() {
        return Err(stopped(&findings));
    }
    let sources = sources(&arguments.records, &intake)?;
    let repeats = |kind: &str| intake.files.iter().filter(|file| file.holds == kind).map(|file| file.identical).sum();
    let incoming = Incoming {
        repeats: (repeats("placements"), repeats("visits")),
        placements: intake.placements,
        visits: intake.visits,
        sources,
        own_columns: protocol.own_factors.clone(),
    };
    let mut writer = Writer::take(&arguments.into)?;
    let kept = writer.read()?;
    let mut found = findings;
    let weighed = weigh(&kept, writer.manifest(), &incoming, &pseudonyms, arguments.correct, &mut found)?;
    drop(kept);
    check_meaning(&weighed, &protocol, &mut found)?;
    if found.any_error() {
        return Err(stopped(&found));
    }
    let batch = writer.commit(&weighed, today)?;
    say(arguments, &weighed, batch.as_ref(), &of_files(&found, &incoming.sources));
    Ok(Exit::Done)
}

/// Rows that meet: new and kept ones together.
fn check_meaning(weighed: &Weighed, protocol: &Protocol, findings: &mut Findings) -> Result<(), Stop> {
    let mut last = NO_DAY;
    for days in [weighed.placements.0.days("placed_on")?, weighed.visits.0.days("visited_on")?] {
        last = days.into_iter().chain([last]).max().unwrap_or(last);
    }
    let last = Day::from_epoch(if last == NO_DAY { 0 } else { last });
    let mut histories = select(&weighed.placements, &weighed.visits, last)?;
    let mut met = Findings::default();
    meaning::check(&weighed.placements, &weighed.visits, &mut histories, protocol, &mut met)?;
    findings.take_over(met, None);
    Ok(())
}

/// Takes out the finding that a folder holds no placements, if it holds visits.
fn without_missing_placements(findings: Findings, intake: &Intake) -> Findings {
    let any_visits = intake.files.iter().any(|file| file.holds == "visits");
    let mut rest = Findings::default();
    rest.take_over(findings, any_visits.then_some(FindingKind::NoRecordFiles));
    rest
}

/// The findings in the new files alone; those in kept rows were said when they were accepted.
fn of_files(findings: &Findings, sources: &[SourceFile]) -> Findings {
    let mut rest = Findings::default();
    let of_source = |name: &str| sources.iter().any(|source| source.name == name);
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

/// Name and SHA-256 of each record file, held against what was read.
fn sources(folder: &Path, intake: &Intake) -> Result<Vec<SourceFile>, Stop> {
    let mut all = Sha256::new();
    let mut sources = Vec::new();
    for file in intake.files.iter().filter(|file| ["placements", "visits"].contains(&file.holds.as_str())) {
        let path = folder.join(&file.name);
        let bytes = std::fs::read(&path).map_err(|error| RegistryError::not_read(&path, &error))?;
        all.update((file.name.len() as u64).to_le_bytes());
        all.update(&file.name);
        all.update((bytes.len() as u64).to_le_bytes());
        all.update(&bytes);
        sources.push(SourceFile { name: file.name.clone(), sha256: hexadecimal(&Sha256::digest(&bytes)) });
    }
    if hexadecimal(&all.finalize()) != intake.fingerprint {
        let text = "A record file changed while it was read. Nothing was kept. Mend: save it, then run it again.\n";
        return Err(Stop(Exit::Usage, text.to_owned()));
    }
    Ok(sources)
}

fn protocol(path: Option<&Path>) -> Result<Protocol, Stop> {
    let Some(path) = path else { return Ok(Protocol::built_in()) };
    let name = path.display().to_string();
    let name = escape_terminal(&name);
    let text = std::fs::read_to_string(path).map_err(|error| {
        let mend = "Mend: check the path given with --protocol.";
        Stop(Exit::Usage, format!("{name}: the protocol can't be read: {error}.\n{mend}\n"))
    })?;
    Protocol::read(&text).map_err(|error| {
        let said = escape_terminal(&error.to_string()).into_owned();
        Stop(Exit::Usage, format!("{name}, {said}\nMend: correct the protocol; the README shows the built-in one.\n"))
    })
}

fn say(arguments: &IngestArguments, weighed: &Weighed, batch: Option<&Batch>, findings: &Findings) {
    let (placements, visits) = (weighed.placement_counts, weighed.visit_counts);
    match batch {
        None => println!("Nothing new: every row is kept in {} already.", arguments.into.display()),
        Some(batch) => println!(
            "Batch {} is kept in {}: {} and {}{}.",
            batch.number,
            arguments.into.display(),
            counted(placements.kept, "placement", "placements"),
            counted(visits.kept, "visit", "visits"),
            if batch.kind == BatchKind::Correction { ", as a correction" } else { "" },
        ),
    }
    println!("  placements: {}", balance(placements));
    println!("  visits: {}", balance(visits));
    for (name, batch) in &weighed.passed_over {
        println!("  {} was accepted in batch {batch} already; its rows are passed over", escape_terminal(name));
    }
    if findings.total(Severity::Caution) > 0 {
        println!("  let through: {}", findings_count(findings, Severity::Caution));
    }
}

fn balance(counts: Counts) -> String {
    let identical = counted(counts.identical, "identical repeat", "identical repeats");
    let mut text = format!("{} received = {} kept + {identical}", count(counts.received), count(counts.kept));
    if counts.superseding > 0 {
        text = format!("{text}; {} of the kept supersede earlier rows", count(counts.superseding));
    }
    text
}
