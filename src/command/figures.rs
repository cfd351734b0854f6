//! `figures`: charts for a talk or a paper, from a finished review or comparison, or from failures watched.

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;

use super::exit::Exit;
use super::figures_asked::{Figure, FigureAsked, Format, Spec, figures, spec};
use super::reading::{Stop, ended, progress};
use super::say;
use crate::figure::Drawing;
use crate::figure::picture::{pdf, png};
use crate::figure::preset::Preset;
use crate::figure::stage::Stage;
use crate::figure::survival_scale::Scale;
use crate::report::folder::RESULTS;
use crate::report::for_others::for_others;
use crate::report::offered::{NotResults, Results, draw, offered};
use crate::report::page_for_others::page_for_others;
use crate::wording::{LEAST_FOR_OTHERS, Readers, counted, escape_terminal, system_said};

/// What most journals' pages hold, millimetres.
const PAGE_HEIGHT: f64 = 235.0;

/// Arguments of `figures`.
#[derive(Debug, Args)]
pub struct FiguresArguments {
    /// Folder of a finished review or comparison, or the file that `watch --json` wrote.
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Folder to write the figures into; a figure of the same name is replaced.
    #[arg(long, value_name = "FOLDER", required_unless_present = "list")]
    out: Option<PathBuf>,
    /// List the charts that the results offer, and the presets; nothing is drawn.
    #[arg(long, conflicts_with_all = ["spec", "chart", "out"])]
    list: bool,
    /// In place of figures, write a page for people from outside your practice: findings, cautions and charts, with what is hidden as
    /// by --for-others. One of the same name is replaced.
    #[arg(long, conflicts_with_all = ["spec", "chart", "list", "decimal_comma"])]
    page: bool,
    /// File that says which figures are wanted (TOML, one [[figures]] each), in place of the options below.
    #[arg(long, value_name = "FILE", conflicts_with = "chart")]
    spec: Option<PathBuf>,
    /// The chart, as --list names it.
    #[arg(long, value_name = "CHART", required_unless_present_any = ["list", "spec", "page"], help_heading = "One figure")]
    chart: Option<String>,
    /// The endpoint [default: the first].
    #[arg(long, value_name = "NAME", requires = "chart", help_heading = "One figure")]
    endpoint: Option<String>,
    /// The factor whose levels are drawn, or all [default: the first that --list names].
    #[arg(long, value_name = "FACTOR", requires = "chart", help_heading = "One figure")]
    factor: Option<String>,
    /// The criterion [default: the first that was scored].
    #[arg(long, value_name = "CRITERION", requires = "chart", help_heading = "One figure")]
    criterion: Option<String>,
    /// For people from outside your practice. Numbers of restorations or patients from 1 to 4 are printed as <5, of the counts below
    /// curves only those at risk are, scores and recalls with fewer than 5 behind them are left out, and no date is printed. Curves,
    /// rates, ratios and other shares stay as they are, so that with patience a small number may be worked out; so do names of
    /// operators. A flow, teeth, years, courses, incidence, curves between visits and failures watched can't be drawn so.
    #[arg(long, conflicts_with = "list")]
    for_others: bool,
    /// Numbers with a decimal comma: 88,5 %.
    #[arg(long, conflicts_with = "list")]
    decimal_comma: bool,
    /// A title in your words.
    #[arg(long, value_name = "TEXT", requires = "chart", help_heading = "One figure")]
    title: Option<String>,
    /// A note in your words, printed below the chart.
    #[arg(long, value_name = "TEXT", requires = "chart", help_heading = "One figure")]
    note: Option<String>,
    /// What it is for [default: slide_light].
    #[arg(long, value_name = "PRESET", requires = "chart", help_heading = "One figure")]
    preset: Option<String>,
    /// Kinds of files, parted by commas [default: svg,png,pdf].
    #[arg(long, value_name = "FORMATS", value_delimiter = ',', requires = "chart", help_heading = "One figure")]
    formats: Option<Vec<String>>,
    /// Let the axis of survival start above 0 %, with a visible break. That of cumulative_failure ends above what is drawn, as it is.
    #[arg(long, requires = "chart", help_heading = "One figure")]
    shortened_axis: bool,
    /// Name of the files, without ending [default: from chart and preset].
    #[arg(long, value_name = "NAME", requires = "chart", help_heading = "One figure")]
    name: Option<String>,
}

/// Runs `figures`.
pub fn run(arguments: &FiguresArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn misused(text: impl std::fmt::Display) -> Stop {
    Stop(Exit::Usage, format!("{text}\n"))
}

fn try_run(arguments: &FiguresArguments) -> Result<(), Stop> {
    let results = read(&arguments.folder)?;
    let Some(out) = arguments.out.as_ref().filter(|_| !arguments.list) else {
        say(&list(&results));
        return Ok(());
    };
    if arguments.page {
        return write_page(results, out);
    }
    let spec = asked(arguments)?;
    let others = spec.for_others || arguments.for_others;
    let comma = spec.decimal_comma || arguments.decimal_comma;
    let results = if others { for_others(results) } else { results };
    let figures = figures(&results, &spec.figures, others)
        .map_err(|wrong| misused(format!("{}\nMend: correct this; nothing was written.", escaped(&wrong))))?;
    progress("drawing");
    let mut files: Vec<(String, Vec<u8>, &str)> = Vec::new();
    let mut tall = String::new();
    for figure in &figures {
        let (drawing, stage) = drawn(&results, figure, others, comma)?;
        let name = figure.name.clone().unwrap_or_else(|| format!("{}-{}", drawing.name, hyphens(figure.preset.name())));
        if let Some(high) = stage.height_of(&drawing).filter(|high| *high > PAGE_HEIGHT) {
            tall.push_str(&format!("{name} is {high:.0} mm high, more than a journal's page holds.\n"));
        }
        for format in &figure.formats {
            let file = format!("{name}.{}", format.name());
            if let Some((.., other)) = files.iter().find(|other| other.0.eq_ignore_ascii_case(&file)) {
                return Err(misused(format!(
                    "{} and {} would both be written as {file}.\nMend: give one of them a name of its own (name = \"…\"); nothing was written.",
                    escape_terminal(other),
                    escape_terminal(&figure.called)
                )));
            }
            files.push((file, made(&drawing, &stage, *format)?, &figure.called));
        }
    }
    progress("writing");
    let replaced = write(&files, out)?;
    let in_place = |name: &str| if replaced.iter().any(|one| one == name) { ", in place of one of this name" } else { "" };
    let names: Vec<String> = files.iter().map(|(name, ..)| format!("  {name}{}\n", in_place(name))).collect();
    let count = counted(u64::try_from(names.len()).unwrap_or(u64::MAX), "file", "files");
    say(&format!("{count} in {}:\n{}{tall}", out.display(), names.concat()));
    Ok(())
}

/// Writes the page for others.
fn write_page(results: Results, out: &Path) -> Result<(), Stop> {
    let name = format!("{}-for-others.html", results.what());
    progress("drawing");
    let Some(page) = page_for_others(results) else {
        return Err(misused(
            "Failures watched are the practice's own; there is no page of them for others.\nMend: name the folder of a review or a comparison; nothing was written.",
        ));
    };
    progress("writing");
    write(&[(name.clone(), page.into_bytes(), "the page")], out)?;
    say(&format!(
        "The page is {}. Read it before you pass it on: names of levels and the title are as the records and the protocol have them.\n",
        out.join(name).display()
    ));
    Ok(())
}

fn escaped(lines: &[String]) -> String {
    lines.iter().map(|line| escape_terminal(line).into_owned()).collect::<Vec<_>>().join("\n")
}

fn hyphens(name: &str) -> String {
    name.replace('_', "-")
}

fn read(folder: &Path) -> Result<Results, Stop> {
    let path = if folder.is_file() { folder.to_owned() } else { folder.join(RESULTS) };
    let text = fs::read_to_string(&path).map_err(|error| {
        misused(format!(
            "{} can't be read: {}.\nMend: name the folder that manebit review or manebit compare wrote, or the file of watch --json.",
            path.display(),
            system_said(&error)
        ))
    })?;
    Results::read(&text).map_err(|error| {
        let mend = match error {
            NotResults::OtherFormat(_) => "write the review or comparison again with this program",
            NotResults::NotJson(_) | NotResults::Unlike(..) => {
                "write the review or comparison again; results are not meant to be changed by hand"
            }
            NotResults::Neither => {
                "name the folder that manebit review or manebit compare wrote, or the file of watch --json"
            }
        };
        misused(format!("{} {}.\nMend: {mend}.", path.display(), escape_terminal(&error.to_string())))
    })
}

fn list(results: &Results) -> String {
    let mut text = format!("Charts of this {}:\n", results.what());
    for chart in offered(results) {
        text.push_str(&format!("  {}\n", escape_terminal(&chart.options())));
    }
    text.push_str("\nPresets:\n");
    for preset in Preset::ALL {
        text.push_str(&format!("  {:<16} {}\n", preset.name(), preset.what()));
    }
    text
}

fn asked(arguments: &FiguresArguments) -> Result<Spec, Stop> {
    let Some(path) = &arguments.spec else {
        let figure = FigureAsked {
            chart: arguments.chart.clone().unwrap_or_default(),
            endpoint: arguments.endpoint.clone(),
            factor: arguments.factor.clone(),
            criterion: arguments.criterion.clone(),
            title: arguments.title.clone(),
            note: arguments.note.clone(),
            preset: arguments.preset.clone(),
            formats: arguments.formats.clone(),
            shortened_axis: arguments.shortened_axis,
            name: arguments.name.clone(),
        };
        return Ok(Spec { for_others: false, decimal_comma: false, figures: vec![figure] });
    };
    let text = fs::read_to_string(path).map_err(|error| {
        misused(format!("{} can't be read: {}.\nMend: correct --spec, or the file.", path.display(), system_said(&error)))
    })?;
    spec(&text).map_err(|why| {
        misused(format!(
            "{} is no file of figures: {}\nMend: write one [[figures]] for each figure, with chart and what else it needs.",
            path.display(),
            escape_terminal(&why)
        ))
    })
}

/// The figure on the first of its preset's stages that holds it.
fn drawn(results: &Results, figure: &Figure, for_others: bool, decimal_comma: bool) -> Result<(Drawing, Stage), Stop> {
    let scale = if figure.shortened_axis { Scale::Zoomed } else { Scale::Full };
    let hidden =
        for_others.then(|| format!("Numbers from 1 to {} are printed as <{LEAST_FOR_OTHERS}.", LEAST_FOR_OTHERS - 1));
    let readers = if for_others { Readers::Others } else { Readers::Practice };
    let note = figure.note.iter().cloned().chain(hidden).reduce(|note, hidden| format!("{note} {hidden}"));
    let mut missing = 0.0;
    for stage in figure.preset.stages() {
        let stage = Stage { title: figure.title.clone(), note: note.clone(), readers, decimal_comma, ..stage };
        let Some(drawing) = draw(results, &figure.chart, scale, &stage) else {
            return Err(misused(format!("{}: the results hold nothing to draw.", escape_terminal(&figure.called))));
        };
        if stage.holds(&drawing) {
            return Ok((drawing, stage));
        }
        missing = stage.height.map_or(0.0, |height| drawing.needs / height);
    }
    Err(misused(format!(
        "{}: with texts that can be read from the back row it would take {missing:.1} slides of {}.\nMend: choose column or page_width, a factor with fewer levels, or a shorter title or note; nothing was written.",
        escape_terminal(&figure.called),
        figure.preset.name()
    )))
}

fn made(drawing: &Drawing, stage: &Stage, format: Format) -> Result<Vec<u8>, Stop> {
    let bytes = match format {
        Format::Svg => Ok(drawing.svg.clone().into_bytes()),
        Format::Png => png(drawing, stage),
        Format::Pdf => pdf(drawing, stage),
    };
    bytes.map_err(|error| Stop(Exit::NotWritten, format!("This is a fault of the program, not of your results: {error}\n")))
}

/// Writes files; tells which of them took the place of one that said something else.
fn write(files: &[(String, Vec<u8>, &str)], out: &Path) -> Result<Vec<String>, Stop> {
    let refused = |path: &Path, error: &std::io::Error| {
        Stop(
            Exit::NotWritten,
            format!("{} can't be written: {error}.\nMend: choose another folder with --out.\n", path.display()),
        )
    };
    fs::create_dir_all(out).map_err(|error| refused(out, &error))?;
    let mut replaced = Vec::new();
    for (name, bytes, _) in files {
        let path = out.join(name);
        if fs::read(&path).is_ok_and(|there| there != *bytes) {
            replaced.push(name.clone());
        }
        fs::write(&path, bytes).map_err(|error| refused(&path, &error))?;
    }
    Ok(replaced)
}
