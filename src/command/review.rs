//! `review`: record files to a review.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;

use super::check::reckoning;
use super::exit::Exit;
use super::follow_up_file::{may_be_told, may_be_written, write_follow_up};
use super::reading::{Checked, ReadingArguments, Stop, ended, fault, name_of, progress, read_as_of};
use super::say;
use crate::analysis::{AnalysisError, ReviewRequest, review};
use crate::finding::Severity;
use crate::quantity::Day;
use crate::report::caution_text::{STANDING_CAUTION, caution_text};
use crate::report::findings_text::{findings_count, findings_text};
use crate::report::folder::{PAGE, write_folder};
use crate::report::sentence;
use crate::result::Review;
use crate::table::{RecordTable, VisitTable};
use crate::wording::{Readers, counted, escape_terminal, span};

/// Arguments of `review`.
#[derive(Debug, Args)]
pub struct ReviewArguments {
    #[command(flatten)]
    reading: ReadingArguments,
    /// Folder to write the review into [default: review-of-<name of the records' folder>].
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Review the records as they stood on this day, year-month-day [default: the last day in the records].
    #[arg(long, value_name = "DATE")]
    as_of: Option<Day>,
    /// Technique or other factor to compare; may be given more than once [default: as the protocol says].
    #[arg(long, value_name = "FACTOR")]
    by: Vec<String>,
    /// Write how long each restoration was followed and how that ended, too, a row for each, as watch and estimate take it: into this
    /// file (CSV). For the practice's own eyes.
    #[arg(long, value_name = "FILE")]
    follow_up: Option<PathBuf>,
    /// Print the findings that don't stop the review, too.
    #[arg(long)]
    cautions: bool,
}

/// Runs `review`.
pub fn run(arguments: &ReviewArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &ReviewArguments) -> Result<(), Stop> {
    if let Some(path) = &arguments.follow_up {
        may_be_written(path, &arguments.reading.records)?;
    }
    let (mut checked, as_of) = read_as_of(&arguments.reading, arguments.as_of, Some(&arguments.by))?;
    if arguments.follow_up.is_some() {
        may_be_told(&checked.protocol)?;
    }
    let set_aside = if checked.set_aside.files.is_empty() { String::new() } else { reckoning(&checked) };
    // What visits say is laid out by restoration now; their table is not read again, and what comes takes its room.
    checked.intake.visits = VisitTable(RecordTable::empty());
    if arguments.follow_up.is_none() {
        // Patients have numbers by now.
        checked.intake.placements.0.forget("patient_id");
    }
    progress("computing");
    let mut factors: Vec<String> = Vec::new();
    for name in if arguments.by.is_empty() { &checked.protocol.factors } else { &arguments.by } {
        if !factors.contains(name) {
            factors.push(name.clone());
        }
    }
    let review = review(&ReviewRequest {
        placements: &checked.intake.placements,
        histories: &checked.made.histories,
        protocol: &checked.protocol,
        factors: &factors,
        of_rows: &checked.of_rows,
        of_histories: &checked.of_meeting,
        later_records: as_of < checked.made.last_day,
        data_fingerprint: &checked.intake.fingerprint,
    })
    .map_err(|error| match error {
        AnalysisError::UnknownFactor(..) => {
            let mend = "correct --by, or factors in the protocol; a column of your own is named under own_factors there";
            Stop(Exit::Usage, format!("{error}.\nMend: {mend}.\n"))
        }
        _ => fault(error),
    })?;
    let out = arguments.out.clone().unwrap_or_else(|| format!("review-of-{}", name_of(&arguments.reading.records)).into());
    progress("drawing");
    write_folder(&review, &out).map_err(|error| Stop(Exit::NotWritten, format!("{error}\n")))?;
    if let Some(path) = &arguments.follow_up {
        let Checked { intake, made, protocol, .. } = &checked;
        write_follow_up(path, &intake.placements, &made.histories, protocol, &factors)?;
    }
    let summary = summary(&review, &checked, &set_aside, &out, arguments.cautions);
    say(&summary.unwrap_or_default());
    Ok(())
}

fn summary(
    review: &Review,
    checked: &Checked,
    set_aside: &str,
    out: &Path,
    cautions: bool,
) -> Result<String, std::fmt::Error> {
    let mut text = String::new();
    writeln!(text, "{}", escape_terminal(&review.title))?;
    writeln!(text, "Records as they stood on {}: {}.", review.as_of, sentence::totals(review, Readers::Practice))?;
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
    for table in checked.intake.tables.iter().filter(|table| table.holds.is_none()) {
        writeln!(text, "  {}: {}", escape_terminal(&table.name), table.said)?;
    }
    if flow.excluded.is_empty() && flow.visits_excluded.is_empty() && checked.set_aside.files.is_empty() {
        writeln!(
            text,
            "  rows: none ({} and {} received, all used)",
            counted(flow.received, "placement", "placements"),
            counted(flow.visits_received, "visit", "visits")
        )?;
    }
    for line in set_aside.lines() {
        writeln!(text, "  {line}")?;
    }
    let mut findings = checked.of_rows.clone();
    findings.take_over(checked.of_meeting.clone());
    if findings.total(Severity::Caution) > 0 {
        writeln!(text, "  let through: {}", findings_count(&findings, Severity::Caution))?;
        if cautions {
            write!(text, "\n{}", findings_text(&findings, Severity::Caution))?;
        } else {
            writeln!(text, "  (--cautions prints them)")?;
        }
    }
    writeln!(text)?;
    writeln!(text, "Mind:")?;
    for caution in &review.cautions {
        writeln!(text, "  - {}", escape_terminal(&caution_text(caution, Readers::Practice)))?;
    }
    writeln!(text, "  - {STANDING_CAUTION}")?;
    writeln!(text)?;
    writeln!(text, "The review is in {}; open {}.", out.display(), out.join(PAGE).display())?;
    Ok(text)
}
