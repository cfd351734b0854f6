//! `review`: record files to a review.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::fmt::Write as _;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use chrono::Local;
use clap::Args;

use super::exit::Exit;
use super::say;
use crate::analysis::{AnalysisError, ReviewRequest, review};
use crate::cohort::{Histories, meaning, select};
use crate::finding::{FindingKind, Findings, Severity};
use crate::intake::{Intake, read_folder};
use crate::protocol::Protocol;
use crate::quantity::Day;
use crate::report::caution_text::{STANDING_CAUTION, caution_text};
use crate::report::findings_text::{findings_count, findings_text};
use crate::report::folder::{PAGE, write_folder};
use crate::report::sentence;
use crate::result::Review;
use crate::table::{NO_DAY, TableError};
use crate::wording::{counted, escape_terminal, span};

/// Arguments of `review`.
#[derive(Debug, Args)]
pub struct ReviewArguments {
    /// Folder with the record files (.csv).
    records: PathBuf,
    /// Folder to write the review into [default: review-of-<name of the records' folder>].
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Review the records as they stood on this day, year-month-day [default: the last day in the records].
    #[arg(long, value_name = "DATE")]
    as_of: Option<Day>,
    /// Protocol file; without it the built-in protocol holds.
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
    /// Technique or other factor to compare; may be given more than once [default: as the protocol says].
    #[arg(long, value_name = "FACTOR")]
    by: Vec<String>,
    /// Print the findings that don't stop the review, too.
    #[arg(long)]
    cautions: bool,
}

/// Why the run stops, said once.
struct Stop(Exit, String);

/// Runs `review`.
pub fn run(arguments: &ReviewArguments) -> Exit {
    match try_run(arguments) {
        Ok(()) => Exit::Done,
        Err(Stop(exit, message)) => {
            eprint!("{message}");
            exit
        }
    }
}

fn try_run(arguments: &ReviewArguments) -> Result<(), Stop> {
    let protocol = protocol(arguments.protocol.as_deref())?;
    let mut findings = Findings::default();
    let today = Day::from(Local::now().date_naive());
    if let Some(as_of) = arguments.as_of.filter(|as_of| *as_of > today) {
        return Err(Stop(
            Exit::Usage,
            format!("{as_of} has not come yet (today is {today}). Mend: give an earlier day with --as-of.\n"),
        ));
    }
    progress("reading records");
    let intake = read_folder(&arguments.records, today, &protocol.own_factors, &mut findings).map_err(fault)?;
    let Some(intake) = intake else { return Err(stopped(&findings)) };
    let last = last_day(&intake)?;
    let mut whole = select(&intake.placements, &intake.visits, last).map_err(fault)?;
    drop_unread(&mut whole, &intake).map_err(fault)?;
    let mut contradictions = Findings::default();
    meaning::check(&intake.placements, &intake.visits, &mut whole, &protocol, &mut contradictions).map_err(fault)?;
    if findings.any_error() || contradictions.any_error() {
        findings.take_over(contradictions);
        return Err(stopped(&findings));
    }
    let as_of = arguments.as_of.unwrap_or(last);
    let histories = if as_of == last {
        whole
    } else {
        let mut part = select(&intake.placements, &intake.visits, as_of).map_err(fault)?;
        let mut again = Findings::default();
        meaning::check(&intake.placements, &intake.visits, &mut part, &protocol, &mut again).map_err(fault)?;
        contradictions = again;
        part
    };
    if histories.is_empty() {
        return Err(Stop(
            Exit::Usage,
            format!("No restoration had been placed by {as_of}. Mend: give a later day with --as-of.\n"),
        ));
    }
    progress("computing");
    let mut factors: Vec<String> = Vec::new();
    for name in if arguments.by.is_empty() { &protocol.factors } else { &arguments.by } {
        if !factors.contains(name) {
            factors.push(name.clone());
        }
    }
    let identical = |kind: &str| intake.files.iter().filter(|file| file.holds == kind).map(|file| file.identical).sum();
    let review = review(&ReviewRequest {
        placements: &intake.placements,
        histories: &histories,
        protocol: &protocol,
        factors: &factors,
        of_rows: &findings,
        of_histories: &contradictions,
        later_records: as_of < last,
        identical: (identical("placements"), identical("visits")),
        data_fingerprint: &intake.fingerprint,
    })
    .map_err(|error| match error {
        AnalysisError::UnknownFactor(_) => Stop(
            Exit::Usage,
            format!("{error}.\nMend: correct --by, or name the column under own_factors in the protocol.\n"),
        ),
        _ => fault(error),
    })?;
    let out = arguments.out.clone().unwrap_or_else(|| default_out(&arguments.records));
    progress("drawing");
    write_folder(&review, &out).map_err(|error| Stop(Exit::NotWritten, format!("{error}\n")))?;
    findings.take_over(contradictions);
    let summary = summary(&review, &intake, &findings, &out, arguments.cautions);
    say(&summary.unwrap_or_default());
    Ok(())
}

/// Takes out visits whose placement may stand in a row or file that could not be read: that is a finding already, and they are
/// no orphans.
fn drop_unread(histories: &mut Histories, intake: &Intake) -> Result<(), TableError> {
    if intake.file_unread {
        histories.orphans.clear();
    }
    let ids = intake.visits.0.text("restoration_id")?;
    histories.orphans.retain(|&row| ids.get(row as usize).is_none_or(|id| !intake.unread_restorations.contains(id)));
    Ok(())
}

fn progress(step: &str) {
    if std::io::stderr().is_terminal() {
        eprintln!("… {step}");
    }
}

fn fault(error: impl std::fmt::Display) -> Stop {
    Stop(Exit::NotWritten, format!("This is a fault of the program, not of your records: {error}\n"))
}

fn stopped(findings: &Findings) -> Stop {
    let text = findings_text(findings, Severity::Error);
    let count = findings_count(findings, Severity::Error);
    // What isn't there is a slip of the command, not of the records.
    let missing = findings.by_kind().iter().any(|(kind, _)| *kind == FindingKind::FolderMissing);
    Stop(
        if missing { Exit::Usage } else { Exit::Findings },
        format!("{text}{count}. Nothing was written; mend these and run it again.\n"),
    )
}

fn protocol(path: Option<&Path>) -> Result<Protocol, Stop> {
    let Some(path) = path else { return Ok(Protocol::built_in()) };
    let name = path.display().to_string();
    let name = escape_terminal(&name);
    let text = std::fs::read_to_string(path).map_err(|error| {
        Stop(
            Exit::Usage,
            format!("{name}: the protocol can't be read: {error}.\nMend: check the path given with --protocol.\n"),
        )
    })?;
    Protocol::read(&text).map_err(|error| {
        let said = escape_terminal(&error.to_string()).into_owned();
        Stop(Exit::Usage, format!("{name}, {said}\nMend: correct it; “manebit protocol” prints the built-in one, with what each line may say.\n"))
    })
}

/// The last day in the records.
fn last_day(intake: &Intake) -> Result<Day, Stop> {
    let mut last = NO_DAY;
    for days in [intake.placements.0.days("placed_on"), intake.visits.0.days("visited_on")] {
        last = days.map_err(fault)?.into_iter().chain([last]).max().unwrap_or(last);
    }
    Ok(if last == NO_DAY { Day::from_epoch(0) } else { Day::from_epoch(last) })
}

fn default_out(records: &Path) -> PathBuf {
    let full = records.canonicalize().unwrap_or_else(|_| records.to_owned());
    let name = full.file_name().map_or_else(|| "records".to_owned(), |name| name.to_string_lossy().into_owned());
    PathBuf::from(format!("review-of-{name}"))
}

fn summary(
    review: &Review,
    intake: &Intake,
    findings: &Findings,
    out: &Path,
    cautions: bool,
) -> Result<String, std::fmt::Error> {
    let mut text = String::new();
    writeln!(text, "{}", escape_terminal(&review.title))?;
    writeln!(text, "Records as they stood on {}: {}.", review.as_of, sentence::totals(review))?;
    if let Some(last) = review.last_day.filter(|last| *last < review.as_of) {
        writeln!(
            text,
            "The last record used is of {last}; what happened between then and the day of the review is not known."
        )?;
    }
    if let Some(endpoint) = review.endpoints.first() {
        writeln!(text)?;
        writeln!(text, "{}", sentence::headline(review, endpoint))?;
        if let Some(natural) = sentence::natural_frequency(review, endpoint) {
            writeln!(text, "{natural}")?;
        }
        writeln!(text, "{}: {}.", endpoint.title, sentence::annual_failure(review, &endpoint.all))?;
        writeln!(text, "{}", endpoint.definition)?;
        for factor in &endpoint.factors {
            writeln!(text)?;
            writeln!(text, "By {} (geometric, over {}):", factor.label.to_lowercase(), span(review.headline_day))?;
            for group in &factor.groups {
                writeln!(
                    text,
                    "  {}: {}; {}",
                    escape_terminal(&group.label),
                    sentence::annual_failure_short(review, group),
                    sentence::behind(group)
                )?;
            }
            for test in factor.tests.iter().take(1) {
                writeln!(text, "  {}", sentence::test(test))?;
            }
            if let Some(why) = &factor.not_tested {
                writeln!(text, "  Not tested: {}", escape_terminal(why))?;
            }
        }
    }
    writeln!(text)?;
    writeln!(text, "Set aside:")?;
    let flow = &review.flow;
    for (what, excluded) in [(("placement", "placements"), &flow.excluded), (("visit", "visits"), &flow.visits_excluded)] {
        for one in excluded {
            writeln!(text, "  {}: {}", counted(one.count, what.0, what.1), one.reason)?;
        }
    }
    for file in intake.files.iter().filter(|file| file.holds == "not a record file") {
        writeln!(text, "  {}: {}", escape_terminal(&file.name), file.holds)?;
    }
    if flow.excluded.is_empty() && flow.visits_excluded.is_empty() {
        writeln!(
            text,
            "  rows: none ({} and {} received, all used)",
            counted(flow.received, "placement", "placements"),
            counted(flow.visits_received, "visit", "visits")
        )?;
    }
    if findings.total(Severity::Caution) > 0 {
        writeln!(text, "  let through: {}", findings_count(findings, Severity::Caution))?;
        if cautions {
            write!(text, "\n{}", findings_text(findings, Severity::Caution))?;
        } else {
            writeln!(text, "  (--cautions prints them)")?;
        }
    }
    writeln!(text)?;
    writeln!(text, "Mind:")?;
    for caution in &review.cautions {
        writeln!(text, "  - {}", escape_terminal(&caution_text(caution)))?;
    }
    writeln!(text, "  - {STANDING_CAUTION}")?;
    writeln!(text)?;
    writeln!(text, "The review is in {}; open {}.", out.display(), out.join(PAGE).display())?;
    Ok(text)
}
