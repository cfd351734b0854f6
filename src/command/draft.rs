//! `draft`: a declaration of record files, drafted from what they show.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::fs::File;
use std::io::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::reading::{Stop, ended, fault, protocol, stop, today};
use super::say;
use crate::finding::{FindingKind, Findings, Severity};
use crate::intake::IntakeRequest;
use crate::intake::declaration::Declaration;
use crate::intake::draft::draft;
use crate::registry::Registry;
use crate::report::findings_text::findings_text;
use crate::wording::escape_terminal;

/// Arguments of `draft`.
#[derive(Debug, Args)]
pub struct DraftArguments {
    /// Folder with the record files, or one such file (.csv, .xlsx, .parquet, .jsonl).
    records: PathBuf,
    /// Write the draft into this new file instead of printing it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Protocol file, whose own_factors are columns too.
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
}

/// Runs `draft`.
pub fn run(arguments: &DraftArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &DraftArguments) -> Result<Exit, Stop> {
    let records = arguments.records.display().to_string();
    if Registry::is_one(&arguments.records) {
        let text = format!(
            "{} is a registry; its records need no declaration.\nMend: give the folder with the record files.\n",
            escape_terminal(&records)
        );
        return Err(Stop(Exit::Usage, text));
    }
    if let Some(path) = arguments.out.as_deref().filter(|path| path.symlink_metadata().is_ok()) {
        let text = format!(
            "{} is there already and is not written over. Mend: give another name with --out.\n",
            escape_terminal(&path.display().to_string())
        );
        return Err(Stop(Exit::NotWritten, text));
    }
    let protocol = protocol(arguments.protocol.as_deref())?;
    let request = IntakeRequest {
        records: &arguments.records,
        declaration: None,
        today: today(),
        own_columns: &protocol.own_factors,
        progress: None,
    };
    let mut findings = Findings::default();
    let Some(text) = draft(request, &mut findings) else { return Err(stop(&findings, "written")) };
    // A declaration with a mistake was not taken over; writing a draft in its place would lose what it says.
    if findings.by_kind().iter().any(|(kind, _)| *kind == FindingKind::DeclarationUnread) {
        return Err(stop(&findings, "written"));
    }
    if let Err((line, what)) = Declaration::read(&text, &protocol.own_factors) {
        return Err(fault(format!("the draft can't be read, line {}: {what}", line.unwrap_or(0))));
    }
    eprint!("{}", findings_text(&findings, Severity::Error));
    match &arguments.out {
        None => say(&text),
        Some(path) => {
            let shown = path.display().to_string();
            let shown = escape_terminal(&shown);
            File::create_new(path).and_then(|mut file| file.write_all(text.as_bytes())).map_err(|error| {
                Stop(Exit::NotWritten, format!("{shown} can't be written: {error}. Mend: choose another place.\n"))
            })?;
            say(&format!(
                "The draft is in {shown}. Read every line, correct it, and keep it as records.toml beside the record files; \
                 then run “manebit check”.\n"
            ));
        }
    }
    Ok(Exit::Done)
}
