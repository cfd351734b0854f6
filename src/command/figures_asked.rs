//! What figures are asked for: by a file, or by the options of the command.

use serde::Deserialize;

use crate::figure::preset::Preset;
use crate::record::{Coded, Criterion};
use crate::report::offered::{Kind, Offered, Results, offered};
use crate::wording::settings_trouble;

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Scalable, text as text.
    Svg,
    /// Pixels.
    Png,
    /// A page with its font.
    Pdf,
}

impl Format {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Svg, Self::Png, Self::Pdf];

    /// Its name, which is the file's ending.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Svg => "svg",
            Self::Png => "png",
            Self::Pdf => "pdf",
        }
    }
}

/// A file of figures.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spec {
    /// Whether they are for people from outside the practice.
    #[serde(default)]
    pub for_others: bool,
    /// Numbers with a decimal comma.
    #[serde(default)]
    pub decimal_comma: bool,
    /// The figures.
    pub figures: Vec<FigureAsked>,
}

/// One figure, as it is asked for. What is left out is chosen: the first endpoint, all levels together, a light slide, each format.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FigureAsked {
    /// The kind of chart.
    pub chart: String,
    /// The endpoint, by its name.
    pub endpoint: Option<String>,
    /// The factor, or `all`.
    pub factor: Option<String>,
    /// The criterion, by its name.
    pub criterion: Option<String>,
    /// The speaker's title.
    pub title: Option<String>,
    /// The speaker's note.
    pub note: Option<String>,
    /// What it is for.
    pub preset: Option<String>,
    /// The kinds of files.
    pub formats: Option<Vec<String>>,
    /// Whether survival may start above 0 %, with a visible break.
    #[serde(default)]
    pub shortened_axis: bool,
    /// Name of the files, without ending.
    pub name: Option<String>,
}

/// One figure, found among what the results offer.
#[derive(Clone, Debug)]
pub struct Figure {
    /// How messages call it.
    pub called: String,
    /// The chart.
    pub chart: Offered,
    /// What it is for.
    pub preset: Preset,
    /// The kinds of files.
    pub formats: Vec<Format>,
    /// The speaker's title.
    pub title: Option<String>,
    /// The speaker's note.
    pub note: Option<String>,
    /// Whether survival may start above 0 %.
    pub shortened_axis: bool,
    /// Name of the files, without ending, where the speaker gave one.
    pub name: Option<String>,
}

/// The figures of a file.
///
/// # Errors
/// A sentence, when the text is no file of figures.
pub fn spec(text: &str) -> Result<Spec, String> {
    let spec: Spec = toml::from_str(text).map_err(|error| {
        let (line, what) = settings_trouble(text, &error);
        let line = line.map_or_else(String::new, |line| format!("line {line}: "));
        format!("{line}{what}.")
    })?;
    if spec.figures.is_empty() {
        return Err("it asks for no figure".to_owned());
    }
    Ok(spec)
}

/// All figures that are asked for.
///
/// # Errors
/// Everything that is wrong with them, a line each.
pub fn figures(results: &Results, asked: &[FigureAsked], for_others: bool) -> Result<Vec<Figure>, Vec<String>> {
    let several = asked.len() > 1;
    let (mut found, mut wrong) = (Vec::new(), Vec::new());
    for (number, asked) in (1..).zip(asked) {
        let called =
            if several { format!("Figure {number} ({})", asked.chart) } else { format!("The figure ({})", asked.chart) };
        match figure(results, asked, &called, for_others) {
            Ok(figure) => found.push(figure),
            Err(why) => wrong.push(format!("{called}: {why}")),
        }
    }
    if wrong.is_empty() { Ok(found) } else { Err(wrong) }
}

fn listed<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut all: Vec<&str> = Vec::new();
    for name in names.filter(|name| !name.is_empty()) {
        if !all.contains(&name) {
            all.push(name);
        }
    }
    all.join(", ")
}

fn figure(results: &Results, asked: &FigureAsked, called: &str, for_others: bool) -> Result<Figure, String> {
    let all = offered(results);
    let Some(kind) = Kind::ALL.into_iter().find(|kind| kind.name() == asked.chart) else {
        let names = listed(all.iter().map(|chart| chart.kind.name()));
        return Err(format!("there is no such chart; a {} offers {names}.", results.what()));
    };
    let mut left: Vec<Offered> = all.iter().filter(|chart| chart.kind == kind).cloned().collect();
    if left.is_empty() {
        let names = listed(all.iter().map(|chart| chart.kind.name()));
        return Err(format!("this {} has none; it offers {names}.", results.what()));
    }
    if for_others && kind.in_house() {
        return Err(
            "it shows dates, single restorations, or numbers that add up so that small ones could be worked out; leave it out of figures for others.".to_owned()
        );
    }
    let endpoint = |chart: &Offered| chart.endpoint.clone();
    let criterion = |chart: &Offered| chart.criterion.map(|criterion: Criterion| criterion.code().to_owned());
    let factor = |chart: &Offered| chart.factor.clone();
    keep(&mut left, "endpoint", asked.endpoint.as_deref(), endpoint)?;
    keep(&mut left, "criterion", asked.criterion.as_deref(), criterion)?;
    keep(&mut left, "factor", asked.factor.as_deref(), factor)?;
    let Some(chart) = left.into_iter().next() else { return Err("nothing is left to draw.".to_owned()) };
    let preset = asked.preset.as_deref().unwrap_or(Preset::SlideLight.name());
    let Some(preset) = Preset::named(preset) else {
        let names = listed(Preset::ALL.into_iter().map(Preset::name));
        return Err(format!("there is no preset “{preset}”; choose from {names}."));
    };
    if asked.shortened_axis && !matches!(kind, Kind::Survival | Kind::BetweenVisits) {
        return Err(
            "only the axis of survival can be shortened; that of cumulative_failure ends above what is drawn, as it is."
                .to_owned(),
        );
    }
    if let Some(name) = asked.name.as_deref().filter(|name| !plain(name)) {
        return Err(format!("“{name}” can't name a file; use letters without accents, digits, - and _."));
    }
    for (what, text) in [("title", &asked.title), ("note", &asked.note)] {
        if text.as_deref().is_some_and(|text| text.trim().is_empty()) {
            return Err(format!("its {what} is empty; leave it out instead."));
        }
    }
    Ok(Figure {
        called: called.to_owned(),
        chart,
        preset,
        formats: formats(asked.formats.as_deref())?,
        title: asked.title.clone(),
        note: asked.note.clone(),
        shortened_axis: asked.shortened_axis,
        name: asked.name.clone(),
    })
}

/// Keeps the charts that have this value, or, where none is asked for, those that have the first one's.
fn keep(
    left: &mut Vec<Offered>,
    what: &str,
    asked: Option<&str>,
    value: impl Fn(&Offered) -> Option<String>,
) -> Result<(), String> {
    let Some(wanted) = asked.map(str::to_owned).or_else(|| left.first().and_then(&value)) else { return Ok(()) };
    let names: Vec<String> = left.iter().filter_map(&value).collect();
    left.retain(|chart| value(chart).as_ref() == Some(&wanted));
    if left.is_empty() {
        let names = listed(names.iter().map(String::as_str));
        return Err(if names.is_empty() {
            format!("there is no {what} to choose here; leave “{wanted}” out.")
        } else {
            format!("there is no {what} “{wanted}” for it; choose from {names}.")
        });
    }
    Ok(())
}

fn plain(name: &str) -> bool {
    let sign = |letter: char| letter.is_ascii_alphanumeric() || letter == '-' || letter == '_';
    !name.is_empty() && name.len() <= 80 && name.chars().all(sign)
}

fn formats(asked: Option<&[String]>) -> Result<Vec<Format>, String> {
    let Some(asked) = asked else { return Ok(Format::ALL.to_vec()) };
    let mut formats = Vec::new();
    for name in asked {
        let Some(format) = Format::ALL.into_iter().find(|format| format.name() == name) else {
            return Err(format!("there is no format “{name}”; choose from svg, png, pdf."));
        };
        if !formats.contains(&format) {
            formats.push(format);
        }
    }
    if formats.is_empty() { Err("it asks for no format; choose from svg, png, pdf.".to_owned()) } else { Ok(formats) }
}
