//! `template`: blank record files.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::fs::{self, File};
use std::io::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::say;
use crate::template::{TEMPLATE_NAMES, template_files};
use crate::wording::escape_terminal;

/// Arguments of `template`.
#[derive(Debug, Args)]
pub struct TemplateArguments {
    /// Folder to write placements.csv, visits.csv and records.xlsx into.
    folder: PathBuf,
}

/// Runs `template`.
pub fn run(arguments: &TemplateArguments) -> Exit {
    let folder = &arguments.folder;
    let shown = folder.display().to_string();
    let shown = escape_terminal(&shown);
    if let Some(name) = TEMPLATE_NAMES.into_iter().find(|name| folder.join(name).symlink_metadata().is_ok()) {
        eprintln!("{name} is in {shown} already and is not written over. Mend: choose another folder.");
        return Exit::NotWritten;
    }
    let files = match template_files() {
        Ok(files) => files,
        Err(error) => {
            eprintln!("This is a fault of the program: {error}.");
            return Exit::NotWritten;
        }
    };
    let written = fs::create_dir_all(folder)
        .and_then(|()| files.iter().try_for_each(|file| File::create_new(folder.join(file.name))?.write_all(&file.bytes)));
    if let Err(error) = written {
        eprintln!("{shown} can't be written: {error}. Mend: choose another folder.");
        return Exit::NotWritten;
    }
    say(&format!(
        "Blank record files are in {shown}: {}.\n\
         Fill in the workbook, or the two CSV files, and take what you don't use out of the folder: a file without rows stops a review.\n",
        TEMPLATE_NAMES.join(", ")
    ));
    Exit::Done
}
