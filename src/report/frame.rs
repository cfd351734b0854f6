//! What the pages share: the head with its policy, charts and tables in their wrappings, the words used, the data of curves that
//! the script reads. A page asks for nothing from anywhere; its one script and its style are named by their digests, so that no
//! other runs.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use super::caution_text::STANDING_CAUTION;
use super::sentence::interval_word;
use crate::figure::Drawing;
use crate::quantity::{ConfidenceLevel, Known};
use crate::result::GroupReview;
use crate::wording::{Readers, percent_number};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("page.js");
/// Most levels that a survival chart draws.
const MOST_DRAWN: usize = 8;

/// The curves of one chart, as the page's script reads them.
#[derive(Serialize)]
pub(super) struct ReadCurves {
    chart: String,
    interval: String,
    levels: Vec<ReadCurve>,
}

/// One curve: what holds from each day on, as people read it. Only where what is read changes.
#[derive(Serialize)]
struct ReadCurve {
    label: String,
    /// The last day drawn.
    last: i32,
    /// Day, survival and its limits in per cent.
    points: Vec<(i32, String, Option<String>, Option<String>)>,
    /// Day, and how many were at risk just before it, as its readers may know it.
    at_risk: Vec<(i32, String)>,
}

impl ReadCurves {
    /// The curves of a survival chart of these groups, in the order in which it draws them.
    pub(super) fn new(chart: &str, level: ConfidenceLevel, groups: &[GroupReview], readers: Readers) -> Self {
        let met = groups.iter().filter(|group| group.behind.observations > 0).take(MOST_DRAWN);
        let levels = met.filter(|group| group.drawn_to_day.count() > 0).map(|group| read_curve(group, readers)).collect();
        Self { chart: chart.to_owned(), interval: interval_word(level), levels }
    }
}

fn read_curve(group: &GroupReview, readers: Readers) -> ReadCurve {
    let mut points = vec![(0, "100.0".to_owned(), None, None)];
    let mut at_risk: Vec<(i32, u64)> = group.counts.iter().map(|counts| (counts.day.count(), counts.at_risk)).collect();
    for point in group.curve.iter().take_while(|point| point.day <= group.drawn_to_day) {
        let (lower, upper) = match &point.interval {
            Known::Known(limits) => (Some(percent_number(limits.lower)), Some(percent_number(limits.upper))),
            Known::NotKnown(_) => (None, None),
        };
        let read = (point.day.count(), percent_number(point.survival), lower, upper);
        let changed = points.last().is_none_or(|last| (&last.1, &last.2, &last.3) != (&read.1, &read.2, &read.3));
        if changed {
            at_risk.push((read.0, point.at_risk));
            points.push(read);
        }
    }
    at_risk.retain(|(day, _)| *day <= group.drawn_to_day.count());
    at_risk.sort_unstable();
    at_risk.dedup_by_key(|(day, _)| *day);
    let at_risk = at_risk.into_iter().map(|(day, at_risk)| (day, readers.count(at_risk))).collect();
    ReadCurve { label: group.label.clone(), last: group.drawn_to_day.count(), points, at_risk }
}

/// A whole page.
pub(super) fn framed(title: &str, curves: &[ReadCurves], body: &Markup) -> String {
    let policy = format!(
        "default-src 'none'; style-src '{}'; script-src '{}'; base-uri 'none'; form-action 'none'",
        digest(STYLE),
        digest(SCRIPT)
    );
    let page = html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main { (body) }
                script type="application/json" id="curves" { (PreEscaped(data(curves))) }
                script type="module" { (PreEscaped(SCRIPT)) }
            }
        }
    };
    let mut text = page.into_string();
    text.push('\n');
    text
}

/// JSON that can't end the element that it stands in.
fn data(curves: &[ReadCurves]) -> String {
    serde_json::to_string(curves).unwrap_or_else(|_| "[]".to_owned()).replace('<', "\\u003c")
}

/// A text's digest as a content-security policy names it.
fn digest(text: &str) -> String {
    format!("sha256-{}", base64(&Sha256::digest(text.as_bytes())))
}

/// Bytes in base 64 with padding (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for part in bytes.chunks(3) {
        let whole = (0..3).fold(0_u32, |whole, place| (whole << 8) | u32::from(part.get(place).copied().unwrap_or(0)));
        for place in 0..4 {
            let sign = (whole >> (18 - 6 * place)) & 63;
            let sign = SIGNS.get(sign as usize).copied().map_or('=', char::from);
            text.push(if place > part.len() { '=' } else { sign });
        }
    }
    text
}

/// The links to the parts of a page: where each is, and what it is called.
pub(super) fn contents<'a>(parts: impl Iterator<Item = (&'a str, &'a str)>) -> Markup {
    html! { nav aria-label="Contents" { ul { @for (id, title) in parts { li { a href={ "#" (id) } { (title) } } } } } }
}

/// The box with what results mean and what they don't: the standing caution, then those of these results.
pub(super) fn meaning(cautions: &[String], comparison: bool) -> Markup {
    html! {
        section.box id="meaning" aria-label="What this means and what it doesn't" {
            h2 { "What this means, and what it doesn't" }
            p { (STANDING_CAUTION) }
            @if !cautions.is_empty() { ul { @for caution in cautions { li { (caution) } } } }
            (words(comparison))
        }
    }
}

/// A chart; where it is wider than the screen it can be moved by keyboard too.
pub(super) fn chart(drawing: &Drawing) -> Markup {
    html! {
        figure tabindex="0" role="group" aria-label=(drawing.title) data-chart=(drawing.name) { (PreEscaped(&drawing.svg)) }
    }
}

/// A table in a part that can be moved sideways.
pub(super) fn scrolled(name: &str, table: &Markup) -> Markup {
    html! { div.scroll tabindex="0" role="group" aria-label=(name) { (table) } }
}

/// Words that the pages use, with what they mean.
const WORDS: &[(&str, &str)] = &[
    (
        "Survival",
        "The share that would still be without failure after so long, if nothing but failure ended them (product-limit estimate, Kaplan–Meier).",
    ),
    ("Interval", "The values that the records are compatible with, at the level given. A wide one means: little is known."),
    ("At risk", "Fillings still followed and without failure just before that day. The fewer, the less a number says."),
    ("Censored", "Followed up to a day and in place then; what came after is not known. It is no failure and no success."),
    (
        "Competing event",
        "An ending that is no failure and makes one impossible: the tooth was lost, the filling replaced for another reason.",
    ),
    (
        "Annual failure rate",
        "Failure as a yearly figure. Geometric: 1 − S^(1/z) from survival S at z years; linear: (1 − S)/z; person-time: failures divided by restoration-years. They differ, so compare only like with like.",
    ),
    ("Restoration-years", "The years of follow-up of all fillings added up."),
    (
        "Log-rank test, p",
        "How probable as large a difference between the curves would be if the levels were alike. A large p doesn't show that they are.",
    ),
    (
        "Patient-clustered",
        "Fillings of one mouth may share their fate, so they count for less than as many in different mouths.",
    ),
    ("Few", "Fewer at risk than the protocol asks for: the number rests on few."),
];

/// Words of comparisons.
const COMPARISON_WORDS: &[(&str, &str)] = &[
    ("Crude", "As the records are: levels may differ in lesions, patients and operators too."),
    (
        "By weighting",
        "Each filling is weighted by how rare its level is among fillings like it, so that all levels come to have the same mix.",
    ),
    (
        "By regression",
        "A model of what goes with failure, read as if all fillings had been of the one level and then of the other.",
    ),
    ("Hazard ratio", "How many times as fast one level fails as the other, at every time. 1 is no difference."),
    (
        "Between visits",
        "A failure found at a visit happened some time since the one before; this reading says no more than that (Turnbull).",
    ),
    ("Holm", "A correction of p for having looked at several things at once."),
];

/// The words used, each to be looked up on demand.
fn words(comparison: bool) -> Markup {
    let more = if comparison { COMPARISON_WORDS } else { &[] };
    html! {
        details id="words" { summary { "Words used here" } dl {
            @for (word, meaning) in WORDS.iter().chain(more) { dt { (word) } dd { (meaning) } }
        } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn base_64_is_that_of_the_standard() {
        let texts = ["", "f", "fo", "foo", "foob", "fooba", "foobar"];
        let coded = ["", "Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy"];
        assert_eq!(texts.map(|text| base64(text.as_bytes())), coded);
    }

    /// The digest of no text at all, from FIPS 180-4's example files (from memory), in base 64.
    #[test]
    fn a_digest_is_named_as_policies_name_it() {
        assert_eq!(digest(""), "sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=");
    }

    #[test]
    fn no_text_from_records_ends_the_data() {
        let curves = ReadCurves { chart: "</script><script>".to_owned(), interval: String::new(), levels: Vec::new() };
        assert!(!data(&[curves]).contains('<'));
    }
}
