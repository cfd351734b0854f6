//! `compare`: record files to a comparison of the levels of one factor.

use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::reading::{ReadingArguments, Stop, ended, fault, name_of, progress, read_as_of};
use super::say;
use crate::comparison::{CompareError, CompareRequest, compare};
use crate::quantity::Day;
use crate::report::comparison_summary::comparison_summary;
use crate::report::folder::write_comparison;

/// Arguments of `compare`.
#[derive(Debug, Args)]
pub struct CompareArguments {
    #[command(flatten)]
    reading: ReadingArguments,
    /// The choice at the chair, or other factor, whose levels are compared [default: the protocol's first].
    #[arg(long, value_name = "FACTOR")]
    by: Option<String>,
    /// The endpoint, by its name in the protocol [default: the protocol's first].
    #[arg(long, value_name = "NAME")]
    endpoint: Option<String>,
    /// The level that the others are held against [default: as the protocol says, or the one with most restorations].
    #[arg(long, value_name = "LEVEL")]
    reference: Option<String>,
    /// Folder to write the comparison into [default: comparison-of-<name of the records' folder>-by-<the factor's name>].
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Compare the records as they stood on this day, year-month-day [default: the last day in the records].
    #[arg(long, value_name = "DATE")]
    as_of: Option<Day>,
}

/// Runs `compare`.
pub fn run(arguments: &CompareArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &CompareArguments) -> Result<(), Stop> {
    let (checked, _) = read_as_of(&arguments.reading, arguments.as_of, None)?;
    let Some(factor) = arguments.by.as_ref().or_else(|| checked.protocol.factors.first()) else {
        return Err(Stop(
            Exit::Usage,
            "There is no factor to compare by.\nMend: name one with --by, such as --by etch_strategy.\n".to_owned(),
        ));
    };
    progress("computing");
    let comparison = compare(&CompareRequest {
        placements: &checked.intake.placements,
        histories: &checked.made.histories,
        protocol: &checked.protocol,
        factor,
        endpoint: arguments.endpoint.as_deref(),
        reference: arguments.reference.as_deref(),
        data_fingerprint: &checked.intake.fingerprint,
    })
    .map_err(refused)?;
    let out = arguments
        .out
        .clone()
        .unwrap_or_else(|| format!("comparison-of-{}-by-{factor}", name_of(&arguments.reading.records)).into());
    progress("drawing");
    write_comparison(&comparison, &out).map_err(|error| Stop(Exit::NotWritten, format!("{error}\n")))?;
    say(&comparison_summary(&comparison, &out));
    Ok(())
}

fn refused(error: CompareError) -> Stop {
    let mend = match &error {
        CompareError::UnknownFactor(..) => "correct --by, or name the column under own_factors in the protocol",
        CompareError::UnknownEndpoint(..) => "correct --endpoint",
        CompareError::UnknownLevel(..) => "correct --reference",
        CompareError::UnknownReference(..) => "correct reference_levels in the protocol, or name a level with --reference",
        CompareError::NothingFollowed => "give a later --as-of, or records of restorations that are followed",
        CompareError::NothingToCompare(_) => "name another factor with --by, or record this one",
        CompareError::Table(_) => return fault(error),
    };
    let text = error.to_string();
    let mut letters = text.chars();
    let first = letters.next().map(|letter| letter.to_uppercase().collect::<String>()).unwrap_or_default();
    Stop(Exit::Usage, format!("{first}{}.\nMend: {mend}.\n", letters.as_str()))
}
