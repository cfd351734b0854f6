//! A review or a comparison into a folder: its page, `charts/`, `tables/` (CSV, a workbook, Markdown), `results.json`, and `contents.txt`, which lists them.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::thread;

use rust_xlsxwriter::XlsxError;

use super::caution_text::STANDING_CAUTION;
use super::charts::chart_set;
use super::comparison_charts::{self, comparison_charts};
use super::comparison_methods::hand_out;
use super::comparison_page::comparison_page;
use super::comparison_tables::comparison_tables;
use super::page::page;
use super::sentence;
use super::tables::{Table, tables};
use super::tables_text::markdown;
use super::workbook::{About, workbook};
use crate::result::{Comparison, Review};
use crate::threads::{available, in_turn};

/// File name of the page.
pub const PAGE: &str = "review.html";
/// File name of a comparison's page.
pub const COMPARISON_PAGE: &str = "comparison.html";
/// File name of a comparison's hand-out.
pub const HAND_OUT: &str = "hand-out.md";
/// File name of the machine-readable results.
pub const RESULTS: &str = "results.json";
/// File that lists what was written, so that a later review or comparison replaces that and nothing else.
const LIST: &str = "contents.txt";
const CHARTS: &str = "charts";
const TABLES: &str = "tables";
/// All tables as one workbook.
const WORKBOOK: &str = "tables/tables.xlsx";
/// All tables as one Markdown file.
const MARKDOWN: &str = "tables/tables.md";

/// Files are written on so many threads at most; they wait for the disk more than for each other.
const MOST_THREADS: usize = 2;

/// A file's name inside the folder, and what it holds.
type Made = (String, Vec<u8>);

/// What is written into a folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// A review.
    Review,
    /// A comparison.
    Comparison,
}

impl Written {
    const fn word(self) -> &'static str {
        match self {
            Self::Review => "review",
            Self::Comparison => "comparison",
        }
    }

    /// Files at the top of the folder.
    const fn own(self) -> &'static [&'static str] {
        match self {
            Self::Review => &[PAGE, RESULTS],
            Self::Comparison => &[COMPARISON_PAGE, HAND_OUT, RESULTS],
        }
    }

    fn list_head(self) -> String {
        format!("Files of this manebit {}:", self.word())
    }
}

/// Why a folder was not written.
#[derive(Debug)]
pub enum FolderError {
    /// It holds other files, which are not to be mixed with a review or comparison.
    Foreign(PathBuf, Written),
    /// The system refused.
    Refused(PathBuf, Written, io::Error),
}

impl std::fmt::Display for FolderError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Foreign(path, written) => write!(
                f,
                "{} holds other files and no earlier {}. Mend: choose an empty or new folder with --out.",
                path.display(),
                written.word()
            ),
            Self::Refused(path, written, error)
                if error.kind() == io::ErrorKind::NotADirectory || error.kind() == io::ErrorKind::AlreadyExists =>
            {
                write!(
                    f,
                    "{} is a file, and a {} needs a folder. Mend: choose another name with --out.",
                    path.display(),
                    written.word()
                )
            }
            Self::Refused(path, _, error) => {
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
    let about = about_review(review);
    let (tables, (charts, page), texts, book) = beside_workbook(
        review,
        &review.title,
        || tables(review),
        &about,
        || {
            let charts = chart_set(review);
            let page = page(review, &charts);
            (charts, page)
        },
    );
    let mut files: Vec<Made> = Vec::new();
    for placed in charts.0 {
        files.push((format!("{CHARTS}/{}.svg", placed.drawing.name), placed.drawing.svg.into_bytes()));
    }
    files.extend(table_files(tables, book.map_err(not_packed(folder, Written::Review))?, texts.markdown));
    files.push((PAGE.to_owned(), page.into_bytes()));
    files.push((RESULTS.to_owned(), texts.results.into_bytes()));
    write_files(Written::Review, &files, folder)
}

/// Writes a comparison into a folder, as [`write_folder`] does a review.
///
/// # Errors
/// When the folder holds other files and no earlier comparison, or the system refuses to write.
pub fn write_comparison(comparison: &Comparison, folder: &Path) -> Result<Vec<PathBuf>, FolderError> {
    let (about, make) = (about_comparison(comparison), || comparison_tables(comparison));
    let (tables, (charts, page), texts, book) = beside_workbook(comparison, &comparison.title, make, &about, || {
        let charts = comparison_charts(comparison);
        let page = comparison_page(comparison, &charts);
        (charts, page)
    });
    let mut files: Vec<Made> = Vec::new();
    for drawing in charts.all() {
        files.push((format!("{CHARTS}/{}.svg", drawing.name), drawing.svg.clone().into_bytes()));
    }
    files.extend(table_files(tables, book.map_err(not_packed(folder, Written::Comparison))?, texts.markdown));
    files.push((COMPARISON_PAGE.to_owned(), page.into_bytes()));
    files.push((HAND_OUT.to_owned(), hand_out(comparison).into_bytes()));
    files.push((RESULTS.to_owned(), texts.results.into_bytes()));
    write_files(Written::Comparison, &files, folder)
}

/// What is told without a drawing.
struct Texts {
    results: String,
    markdown: String,
}

/// The tables, what `draw` gives, the results and the tables as text, and the tables as a workbook. Results are written out and drawn while
/// tables are made and packed, which takes as long.
fn beside_workbook<T: Send>(
    results: &(impl serde::Serialize + Sync),
    title: &str,
    tables: impl FnOnce() -> Vec<Table>,
    about: &About,
    draw: impl FnOnce() -> T + Send,
) -> (Vec<Table>, T, Texts, Result<Vec<u8>, XlsxError>) {
    thread::scope(|scope| {
        let others = scope.spawn(|| (json(results), draw()));
        let tables = tables();
        let (book, markdown) = (workbook(title, &tables, about), markdown(title, &tables, about));
        let (results, drawn) = others.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (tables, drawn, Texts { results, markdown }, book)
    })
}

fn not_packed(folder: &Path, written: Written) -> impl FnOnce(XlsxError) -> FolderError + use<> {
    let path = folder.join(WORKBOOK);
    move |error| FolderError::Refused(path, written, io::Error::other(error.to_string()))
}

/// Tables as CSV each, and all of them as a workbook and as Markdown.
fn table_files(tables: Vec<Table>, book: Vec<u8>, text: String) -> Vec<Made> {
    let mut files: Vec<Made> =
        tables.into_iter().map(|table| (format!("{TABLES}/{}", table.name), table.text.into_bytes())).collect();
    files.push((WORKBOOK.to_owned(), book));
    files.push((MARKDOWN.to_owned(), text.into_bytes()));
    files
}

fn about_review(review: &Review) -> Vec<(&'static str, String)> {
    let mut about = vec![("title", review.title.clone()), ("records as they stood on", review.as_of.to_string())];
    about.extend(
        review.endpoints.iter().map(|endpoint| ("endpoint", format!("{}: {}", endpoint.title, endpoint.definition))),
    );
    about.push(("intervals", sentence::interval_note(review)));
    about.push(("caution", STANDING_CAUTION.to_owned()));
    about
}

fn about_comparison(comparison: &Comparison) -> Vec<(&'static str, String)> {
    vec![
        ("title", comparison.title.clone()),
        ("records as they stood on", comparison.as_of.to_string()),
        ("endpoint", format!("{}: {}", comparison.endpoint.title, comparison.endpoint.definition)),
        ("intervals", comparison_charts::interval_note(comparison)),
        ("caution", STANDING_CAUTION.to_owned()),
    ]
}

fn json(results: &impl serde::Serialize) -> String {
    let mut json = serde_json::to_string(results).unwrap_or_default();
    json.push('\n');
    json
}

fn write_files(written: Written, files: &[Made], folder: &Path) -> Result<Vec<PathBuf>, FolderError> {
    fs::create_dir_all(folder).map_err(refused(folder, written))?;
    let earlier = listed(folder, written)?;
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    let list = format!("{}\n{}\n", written.list_head(), names.join("\n"));
    for part in [CHARTS, TABLES] {
        let part = folder.join(part);
        fs::create_dir_all(&part).map_err(refused(&part, written))?;
    }
    // The list names what is to be written before anything is, so that a run that stops half-way leaves no stray file.
    let write = |name: &str, text: &[u8]| {
        let path = folder.join(name);
        fs::write(&path, text).map_err(refused(&path, written))
    };
    write(LIST, union(&earlier, &list).as_bytes())?;
    // Of the largest practices some are tens of megabytes. If several are refused, the first of them is named.
    for done in in_turn(files, available().min(MOST_THREADS), |(name, text)| write(name, text)) {
        done?;
    }
    for old in earlier.iter().filter(|old| !names.contains(&old.as_str())) {
        let path = folder.join(old);
        if path.exists() {
            fs::remove_file(&path).map_err(refused(&path, written))?;
        }
    }
    write(LIST, list.as_bytes())?;
    Ok(files.iter().map(|(name, _)| folder.join(name)).collect())
}

fn refused(path: &Path, written: Written) -> impl FnOnce(io::Error) -> FolderError + use<> {
    let path = path.to_owned();
    move |error| FolderError::Refused(path, written, error)
}

fn union(earlier: &[String], list: &str) -> String {
    let old: Vec<&str> = earlier.iter().map(String::as_str).filter(|old| !list.lines().any(|line| line == *old)).collect();
    format!("{list}{}", old.iter().map(|name| format!("{name}\n")).collect::<String>())
}

/// The files of an earlier review or comparison in the folder, by its own list; none if the folder is empty. Names that it would not give
/// are passed over.
fn listed(folder: &Path, written: Written) -> Result<Vec<String>, FolderError> {
    if fs::read_dir(folder).map_err(refused(folder, written))?.next().is_none() {
        return Ok(Vec::new());
    }
    let list = fs::read_to_string(folder.join(LIST)).unwrap_or_default();
    let mut lines = list.lines();
    if lines.next() != Some(written.list_head().as_str()) {
        return Err(FolderError::Foreign(folder.to_owned(), written));
    }
    let own = |name: &str| {
        let plain = |part: &str| !part.is_empty() && !part.starts_with('.') && !part.contains(['/', '\\']);
        match name.split_once('/') {
            Some((part, file)) => [CHARTS, TABLES].contains(&part) && plain(file),
            None => written.own().contains(&name),
        }
    };
    Ok(lines.filter(|name| own(name)).map(str::to_owned).collect())
}
