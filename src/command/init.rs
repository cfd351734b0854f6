//! `init`: starts a registry.

use std::path::PathBuf;

use clap::{ArgGroup, Args};

use super::exit::Exit;
use super::reading::{Stop, ended};
use super::say_line;
use crate::registry::{Key, Pseudonyms, Registry};

/// Arguments of `init`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("naming").required(true).args(["key_file", "without_key"])))]
pub struct InitArguments {
    /// Folder of the registry, new or empty.
    registry: PathBuf,
    /// File to write a fresh key into; with it, patient ids become pseudonyms on the way in. Keep it elsewhere than the registry.
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
    /// Keep patient ids as the files give them.
    #[arg(long)]
    without_key: bool,
}

/// Runs `init`.
pub fn run(arguments: &InitArguments) -> Exit {
    ended(try_run(arguments))
}

fn try_run(arguments: &InitArguments) -> Result<Exit, Stop> {
    Registry::check_startable(&arguments.registry)?;
    let key_was_there = arguments.key_file.as_ref().is_some_and(|path| path.exists());
    let pseudonyms = match &arguments.key_file {
        // The key of an earlier registry makes the same pseudonyms here.
        Some(path) if path.exists() => Pseudonyms::Keyed(Key::read(path, &arguments.registry)?),
        Some(path) => Pseudonyms::Keyed(Key::write_fresh(path, &arguments.registry)?),
        None => Pseudonyms::Plain,
    };
    if let Err(error) = Registry::create(&arguments.registry, &pseudonyms) {
        // A key without its registry is of no use, and would stand in the way of the next try.
        if let Some(path) = arguments.key_file.as_ref().filter(|_| !key_was_there) {
            let _ = std::fs::remove_file(path);
        }
        return Err(error.into());
    }
    say_line!("A registry is started in {}.", arguments.registry.display());
    match &arguments.key_file {
        Some(path) if key_was_there => {
            say_line!(
                "It takes the key in {}, and makes the same pseudonyms as the registry it was made for.",
                path.display()
            );
        }
        Some(path) => say_line!(
            "Its key is in {}. Keep it apart from the registry, with a copy in a second safe place: without it no further records can be added.",
            path.display()
        ),
        None => say_line!("It has no key: patient ids are kept as the files give them, so give pseudonyms."),
    }
    Ok(Exit::Done)
}
