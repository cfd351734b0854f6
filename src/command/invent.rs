//! `invent`: an invented practice as record files.
#![expect(clippy::print_stderr, reason = "commands talk to people")]

use std::fs::{self, File};
use std::io::BufWriter;
use std::path::PathBuf;

use clap::Args;

use super::exit::Exit;
use super::say;
use crate::simulate::SimulatedPractice;
use crate::simulate::csv_text::write_records;
use crate::wording::counted;

/// Arguments of `invent`.
#[derive(Debug, Args)]
pub struct InventArguments {
    /// Folder to write placements.csv and visits.csv into.
    folder: PathBuf,
    /// How many restorations.
    #[arg(long, value_name = "COUNT", default_value_t = 600)]
    restorations: u64,
    /// Another seed makes another practice.
    #[arg(long, value_name = "NUMBER", default_value_t = SimulatedPractice::default().seed)]
    seed: u64,
}

/// Runs `invent`.
pub fn run(arguments: &InventArguments) -> Exit {
    let practice =
        SimulatedPractice { seed: arguments.seed, restorations: arguments.restorations, ..SimulatedPractice::default() };
    for name in ["placements.csv", "visits.csv"] {
        let path = arguments.folder.join(name);
        if path.exists() {
            eprintln!("{} is there already and is not written over. Mend: choose another folder.", path.display());
            return Exit::NotWritten;
        }
    }
    let file = |name: &str| File::create_new(arguments.folder.join(name)).map(BufWriter::new);
    let written = fs::create_dir_all(&arguments.folder)
        .and_then(|()| Ok((file("placements.csv")?, file("visits.csv")?)))
        .and_then(|(placements, visits)| write_records(&practice, placements, visits));
    match written {
        Ok((patients, placements, visits)) => {
            say(&format!(
                "Invented: {} in {}, {}, in {}.\n",
                counted(placements, "restoration", "restorations"),
                counted(patients, "patient", "patients"),
                counted(visits, "visit", "visits"),
                arguments.folder.display()
            ));
            Exit::Done
        }
        Err(error) => {
            eprintln!("{} can't be written: {error}. Mend: choose another folder.", arguments.folder.display());
            Exit::NotWritten
        }
    }
}
