//! A review into a folder: `review.html`, `charts/`, `tables/`, `results.json`.

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
            Self::Refused(path, error) => {
                write!(f, "{} can't be written: {error}. Mend: choose another folder with --out.", path.display())
            }
        }
    }
}

impl std::error::Error for FolderError {}

/// Writes a review into a folder; an earlier review there is replaced.
///
/// # Errors
/// When the folder holds other files, or the system refuses to write.
pub fn write_folder(review: &Review, folder: &Path) -> Result<Vec<PathBuf>, FolderError> {
    make_room(folder)?;
    let charts = chart_set(review);
    let mut files: Vec<(PathBuf, String)> = Vec::new();
    for placed in &charts.0 {
        files.push((Path::new(CHARTS).join(format!("{}.svg", placed.drawing.name)), placed.drawing.svg.clone()));
    }
    for table in tables(review) {
        files.push((Path::new(TABLES).join(table.name), table.text));
    }
    files.push((PathBuf::from(PAGE), page(review, &charts)));
    let mut json = serde_json::to_string(review).unwrap_or_default();
    json.push('\n');
    files.push((PathBuf::from(RESULTS), json));
    for (name, text) in &files {
        let path = folder.join(name);
        fs::write(&path, text).map_err(|error| FolderError::Refused(path, error))?;
    }
    Ok(files.into_iter().map(|(name, _)| folder.join(name)).collect())
}

/// Makes the folder, or clears an earlier review out of it.
fn make_room(folder: &Path) -> Result<(), FolderError> {
    let refused = |path: &Path| {
        let path = path.to_owned();
        move |error| FolderError::Refused(path, error)
    };
    fs::create_dir_all(folder).map_err(refused(folder))?;
    let earlier = folder.join(RESULTS).exists();
    let foreign = fs::read_dir(folder).map_err(refused(folder))?.next().is_some();
    if foreign && !earlier {
        return Err(FolderError::Foreign(folder.to_owned()));
    }
    for (part, extension) in [(CHARTS, "svg"), (TABLES, "csv")] {
        let part = folder.join(part);
        fs::create_dir_all(&part).map_err(refused(&part))?;
        for entry in fs::read_dir(&part).map_err(refused(&part))?.flatten() {
            let path = entry.path();
            if path.extension().is_some_and(|found| found == extension) {
                fs::remove_file(&path).map_err(refused(&path))?;
            }
        }
    }
    Ok(())
}
