//! A review into a folder: `review.html`, `charts/`, `tables/`, `results.json`, and `contents.txt`, which lists them.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::charts::chart_set;
use super::page::page;
use super::tables::tables;
use crate::result::Review;

/// File name of the page.
pub const PAGE: &str = "review.html";
/// File name of the machine-readable results.
pub const RESULTS: &str = "results.json";
/// File that lists what a review wrote, so that a later one replaces that and nothing else.
const LIST: &str = "contents.txt";
const LIST_HEAD: &str = "Files of this manebit review:";
const CHARTS: &str = "charts";
const TABLES: &str = "tables";

/// Why a folder was not written.
#[derive(Debug)]
pub enum FolderError {
    /// It holds other files, which are not to be mixed with a review.
    Foreign(PathBuf),
    /// The system refused.
    Refused(PathBuf, io::Error),
}

impl std::fmt::Display for FolderError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Foreign(path) => write!(
                f,
                "{} holds other files and no earlier review. Mend: choose an empty or new folder with --out.",
                path.display()
            ),
            Self::Refused(path, error)
                if error.kind() == io::ErrorKind::NotADirectory || error.kind() == io::ErrorKind::AlreadyExists =>
            {
                write!(f, "{} is a file, and a review needs a folder. Mend: choose another name with --out.", path.display())
            }
            Self::Refused(path, error) => {
                write!(f, "{} can't be written: {error}. Mend: choose another folder with --out.", path.display())
            }
        }
    }
}

impl std::error::Error for FolderError {}

/// Writes a review into a folder; an earlier review there is replaced: its own files, which it has listed, and no others.
///
/// # Errors
/// When the folder holds other files and no earlier review, or the system refuses to write.
pub fn write_folder(review: &Review, folder: &Path) -> Result<Vec<PathBuf>, FolderError> {
    fs::create_dir_all(folder).map_err(refused(folder))?;
    let earlier = listed(folder)?;
    let charts = chart_set(review);
    let mut files: Vec<(String, String)> = Vec::new();
    for placed in &charts.0 {
        files.push((format!("{CHARTS}/{}.svg", placed.drawing.name), placed.drawing.svg.clone()));
    }
    for table in tables(review) {
        files.push((format!("{TABLES}/{}", table.name), table.text));
    }
    files.push((PAGE.to_owned(), page(review, &charts)));
    let mut json = serde_json::to_string(review).unwrap_or_default();
    json.push('\n');
    files.push((RESULTS.to_owned(), json));
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    let list = format!("{LIST_HEAD}\n{}\n", names.join("\n"));
    for part in [CHARTS, TABLES] {
        let part = folder.join(part);
        fs::create_dir_all(&part).map_err(refused(&part))?;
    }
    // The list names what is to be written before anything is, so that a run that stops half-way leaves no stray file.
    write(folder, LIST, &union(&earlier, &list))?;
    for (name, text) in &files {
        write(folder, name, text)?;
    }
    for old in earlier.iter().filter(|old| !names.contains(&old.as_str())) {
        let path = folder.join(old);
        if path.exists() {
            fs::remove_file(&path).map_err(refused(&path))?;
        }
    }
    write(folder, LIST, &list)?;
    Ok(files.into_iter().map(|(name, _)| folder.join(name)).collect())
}

fn refused(path: &Path) -> impl FnOnce(io::Error) -> FolderError + use<> {
    let path = path.to_owned();
    move |error| FolderError::Refused(path, error)
}

fn write(folder: &Path, name: &str, text: &str) -> Result<(), FolderError> {
    let path = folder.join(name);
    fs::write(&path, text).map_err(refused(&path))
}

fn union(earlier: &[String], list: &str) -> String {
    let old: Vec<&str> = earlier.iter().map(String::as_str).filter(|old| !list.lines().any(|line| line == *old)).collect();
    format!("{list}{}", old.iter().map(|name| format!("{name}\n")).collect::<String>())
}

/// The files of an earlier review in the folder, by its own list; none if the folder is empty. Names that a review would not
/// give are passed over.
fn listed(folder: &Path) -> Result<Vec<String>, FolderError> {
    if fs::read_dir(folder).map_err(refused(folder))?.next().is_none() {
        return Ok(Vec::new());
    }
    let list = fs::read_to_string(folder.join(LIST)).unwrap_or_default();
    let mut lines = list.lines();
    if lines.next() != Some(LIST_HEAD) {
        return Err(FolderError::Foreign(folder.to_owned()));
    }
    let own = |name: &str| {
        let plain = |part: &str| !part.is_empty() && !part.starts_with('.') && !part.contains(['/', '\\']);
        match name.split_once('/') {
            Some((part, file)) => [CHARTS, TABLES].contains(&part) && plain(file),
            None => [PAGE, RESULTS].contains(&name),
        }
    };
    Ok(lines.filter(|name| own(name)).map(str::to_owned).collect())
}
