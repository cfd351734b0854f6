//! What a practice may call the records' columns: one visible table of plain words, and how a header is held against it.

use super::declaration::Unit;
use crate::record::{Column, RecordKind};

/// The records' column with other names for it. The column's own name and label count without being listed; capitals, order of
/// words, plurals, punctuation and small words don't matter.
pub const OTHER_NAMES: &[(&str, &[&str])] = &[
    (
        "restoration_id",
        &["restoration no", "restoration code", "filling", "filling id", "filling no", "case id", "record id"],
    ),
    (
        "patient_id",
        &["patient", "patient no", "chart", "chart no", "chart id", "file no", "pseudonym", "subject", "participant"],
    ),
    ("tooth", &["tooth no", "tooth number", "teeth", "tooth code"]),
    ("surface", &["tooth surface", "side", "aspect"]),
    (
        "placed_on",
        &[
            "date placed",
            "placement date",
            "placed",
            "date of placement",
            "filling date",
            "treatment date",
            "date done",
            "date",
            "day",
        ],
    ),
    ("entered_on", &["entry date", "date entered", "first seen", "observed from", "under observation since"]),
    ("operator", &["dentist", "provider", "clinician", "placed by", "done by"]),
    ("aetiology", &["etiology", "cause", "cause of lesion", "lesion type", "origin"]),
    ("lesion_height_mm", &["height", "lesion height"]),
    ("lesion_width_mm", &["width", "lesion width"]),
    ("lesion_depth_mm", &["depth", "lesion depth", "cavity depth"]),
    ("sclerosis", &["sclerosis grade", "dentine sclerosis", "dentin sclerosis"]),
    ("cervical_margin", &["gingival margin", "margin location"]),
    ("replaces_restoration", &["replaces", "replacement of", "replaces filling", "earlier filling"]),
    ("preop_sensitivity", &["preop sensitivity", "sensitivity before", "preoperative sensitivity", "pre op sensitivity"]),
    ("isolation", &["field isolation", "moisture control", "dry field"]),
    ("preparation", &["prep", "surface preparation", "cavity preparation", "roughening"]),
    ("cleanser", &["cavity cleanser", "cleaning", "cleaned with", "disinfection"]),
    ("etch_strategy", &["etch", "etching", "etch mode", "etching mode", "etch technique", "etching strategy", "acid etch"]),
    ("acid_percent", &["acid", "acid concentration", "phosphoric acid"]),
    ("etch_enamel_s", &["etch enamel", "enamel etch", "enamel etch time", "enamel etching time"]),
    ("etch_dentine_s", &["etch dentine", "dentine etch", "dentin etch", "dentine etch time", "dentin etch time"]),
    ("adhesive_class", &["adhesive", "adhesive type", "bond", "bond type", "bonding", "bonding agent", "bonding class"]),
    ("application_s", &["application", "application time", "rub time", "rubbing time", "adhesive time", "scrub time"]),
    ("drying", &["air drying", "air thinning", "solvent drying"]),
    ("cure_s", &["cure", "cure time", "curing", "curing time", "light cure", "light cure time"]),
    ("composite_class", &["composite", "composite type", "material", "filling material", "resin", "resin type"]),
    ("shades", &["shade"]),
    ("adhesive_lot", &["bond lot", "adhesive batch", "bond batch"]),
    ("composite_lot", &["material lot", "composite batch", "resin lot"]),
    (
        "visited_on",
        &[
            "recall date",
            "visit date",
            "date seen",
            "visited",
            "seen on",
            "recalled on",
            "review date",
            "recall",
            "visit",
            "exam date",
            "examination date",
            "date of recall",
            "date",
            "day",
        ],
    ),
    ("examiner", &["examined by", "seen by", "evaluator", "assessor"]),
    ("source", &["how known", "known from"]),
    ("scheme", &["scoring scheme", "scale", "criteria"]),
    ("retention", &["retained", "retention rate", "loss of retention"]),
    (
        "marginal_staining",
        &[
            "staining",
            "margin staining",
            "marginal discolouration",
            "marginal discoloration",
            "discolouration",
            "discoloration",
        ],
    ),
    ("marginal_adaptation", &["adaptation", "margin adaptation", "marginal integrity"]),
    ("colour", &["color", "color match", "shade match"]),
    ("sensitivity", &["postoperative sensitivity", "post op sensitivity", "hypersensitivity", "postop sensitivity"]),
    ("caries", &["secondary caries", "recurrent caries", "recurrence of caries"]),
    ("surface_texture", &["texture", "lustre", "luster", "surface lustre", "surface roughness", "roughness"]),
    ("anatomic_form", &["form", "contour", "anatomical form", "anatomy"]),
    ("outcome", &["result", "fate", "status", "event"]),
    ("outcome_on", &["outcome date", "event date", "date of event", "failure date", "date lost", "happened"]),
    ("reason", &["failure reason", "reason of failure", "why", "cause of failure"]),
];

/// Names of columns of free text, which the records don't have.
const FREE_TEXT: &[&str] = &["note", "comment", "remark", "memo", "annotation", "free text"];

/// Small words that don't tell one column from another.
const SMALL: &[&str] = &[
    "of", "the", "a", "an", "at", "in", "for", "and", "used", "value", "code", "number", "no", "nr", "id", "score", "usphs",
    "fdi",
];

/// A recall that a header names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Recall {
    /// So many months after the placement; 0 is the baseline.
    Months(u16),
    /// The first, the second, and so on.
    Numbered(u16),
}

/// A header taken into words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    words: Vec<String>,
    /// The unit that it names.
    pub unit: Option<Unit>,
    /// The recall that it names.
    pub recall: Option<Recall>,
}

/// Columns that a header may mean.
#[derive(Clone, Debug, Default)]
pub struct Match {
    /// The one it means by its whole name.
    pub near: Option<Column>,
    /// Those it shares words with, or means equally well.
    pub alike: Vec<Column>,
}

impl Header {
    /// Takes a header into words, with its unit and its recall apart.
    pub fn read(written: &str) -> Self {
        let mut words = words(written);
        let recall = take_recall(&mut words);
        let unit = words.last().filter(|_| words.len() > 1).and_then(|word| match word.as_str() {
            "mm" | "millimetre" | "millimeter" => Some(Unit::Mm),
            "cm" | "centimetre" | "centimeter" => Some(Unit::Cm),
            "s" | "sec" | "second" => Some(Unit::S),
            "min" | "minute" => Some(Unit::Min),
            _ => None,
        });
        if unit.is_some() {
            words.pop();
        }
        Self { words, unit, recall }
    }

    /// Whether nothing is left beside the recall.
    pub fn is_bare(&self) -> bool {
        self.words.is_empty()
    }

    /// Whether the column holds free text, by its name.
    pub fn is_free_text(&self) -> bool {
        let own = plain(&self.words);
        own.iter().any(|word| FREE_TEXT.contains(&word.as_str())) || own == ["free", "text"]
    }

    /// The columns of a kind that it may mean.
    pub fn find(&self, kind: RecordKind) -> Match {
        let own = plain(&self.words);
        let mut found = Match::default();
        if own.is_empty() {
            return found;
        }
        let (mut same, mut alike): (Vec<Column>, Vec<(usize, Column)>) = (Vec::new(), Vec::new());
        for column in kind.columns() {
            let listed =
                OTHER_NAMES.iter().filter(|(name, _)| *name == column.name).flat_map(|(_, names)| names.iter().copied());
            let mut most = 0;
            let mut equal = false;
            for name in listed.chain([column.name, column.label]) {
                let mut words = words(name);
                if column.name.ends_with("_mm") || column.name.ends_with("_s") {
                    words.retain(|word| word != "mm" && word != "s");
                }
                let words = plain(&words);
                equal |= words == own;
                if !words.is_empty() && words.iter().all(|word| own.contains(word)) {
                    most = most.max(words.len() + 1);
                } else if own.iter().all(|word| words.contains(word)) {
                    most = most.max(1);
                }
            }
            if equal {
                same.push(*column);
            } else if most > 0 {
                alike.push((most, *column));
            }
        }
        match same[..] {
            [only] => found.near = Some(only),
            [] => {
                let most = alike.iter().map(|(count, _)| *count).max().unwrap_or(0);
                found.alike = alike.into_iter().filter(|(count, _)| *count == most).map(|(_, column)| column).collect();
            }
            _ => found.alike = same,
        }
        found
    }
}

/// The words of a text that tell something, sorted.
pub fn telling_words(text: &str) -> Vec<String> {
    plain(&words(text))
}

/// Without small words, sorted, each once.
fn plain(words: &[String]) -> Vec<String> {
    let mut plain: Vec<String> = words.iter().filter(|word| !SMALL.contains(&word.as_str())).cloned().collect();
    plain.sort();
    plain.dedup();
    plain
}

/// Lower-case words in the singular: parted at signs, before capitals, and between digits and letters.
fn words(text: &str) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut before = ' ';
    for c in text.chars() {
        let sort = |c: char| (c.is_alphabetic(), c.is_numeric());
        if c == '%' {
            found.push("percent".to_owned());
        } else if c.is_alphanumeric() {
            let goes_on =
                before.is_alphanumeric() && sort(before) == sort(c) && !(before.is_lowercase() && c.is_uppercase());
            match found.last_mut().filter(|_| goes_on) {
                Some(word) => word.extend(c.to_lowercase()),
                None => found.push(c.to_lowercase().collect()),
            }
        }
        before = c;
    }
    for word in &mut found {
        let keeps = ["ss", "us", "is"].iter().any(|end| word.ends_with(end));
        if word.len() > 3 && word.ends_with('s') && !keeps {
            word.pop();
        }
    }
    found
}

/// Takes the recall, and the words that only say that it is one, out of a header's words.
fn take_recall(words: &mut Vec<String>) -> Option<Recall> {
    let per = |word: &str| match word {
        "m" | "mo" | "mos" | "mon" | "mth" | "month" => Some(1),
        "y" | "yr" | "yrs" | "year" => Some(12),
        _ => None,
    };
    let number = |word: &str| word.parse::<u16>().ok().filter(|number| (1..=600).contains(number));
    let numbered = |word: &str| matches!(word, "recall" | "visit" | "review" | "check" | "recheck" | "exam");
    let mut found = None;
    for place in 0..words.len() {
        let next = words.get(place + 1).map_or("", String::as_str);
        let word = words[place].as_str();
        let (recall, taken) = match (number(word), per(word), number(next)) {
            (Some(count), ..) if per(next).is_some() => {
                (per(next).map(|months| Recall::Months(count.saturating_mul(months))), 2)
            }
            (None, Some(months), Some(count)) => (Some(Recall::Months(count.saturating_mul(months))), 2),
            (None, None, Some(count)) if numbered(word) => (Some(Recall::Numbered(count)), 2),
            _ if word == "baseline" => (Some(Recall::Months(0)), 1),
            _ => (None, 0),
        };
        if recall.is_some() {
            found = recall;
            words.drain(place..place + taken);
            break;
        }
    }
    if found.is_some() {
        words.retain(|word| !numbered(word) && !matches!(word.as_str(), "at" | "after" | "follow" | "up" | "followup"));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};

    fn near(written: &str, kind: RecordKind) -> Option<&'static str> {
        Header::read(written).find(kind).near.map(|column| column.name)
    }

    #[test]
    fn every_name_in_the_table_means_one_column_of_its_kind() {
        for (name, others) in OTHER_NAMES {
            let kinds = [RecordKind::Placement, RecordKind::Visit];
            let of: Vec<RecordKind> =
                kinds.into_iter().filter(|kind| kind.columns().iter().any(|column| column.name == *name)).collect();
            assert!(!of.is_empty(), "{name}");
            for kind in of {
                for other in *others {
                    assert_eq!(near(other, kind), Some(*name), "{other}");
                }
            }
        }
        for (kind, columns) in [(RecordKind::Placement, PLACEMENT_COLUMNS), (RecordKind::Visit, VISIT_COLUMNS)] {
            for column in columns {
                assert_eq!(near(column.name, kind), Some(column.name));
                assert_eq!(near(column.label, kind), Some(column.name));
            }
        }
    }

    #[test]
    fn units_and_recalls_stand_apart_from_the_name() {
        let depth = Header::read("Depth (cm)");
        assert_eq!(
            (depth.unit, depth.find(RecordKind::Placement).near.map(|c| c.name)),
            (Some(Unit::Cm), Some("lesion_depth_mm"))
        );
        for (written, recall, column) in [
            ("6m_retention", Recall::Months(6), "retention"),
            ("retention 12 months", Recall::Months(12), "retention"),
            ("24m date", Recall::Months(24), "visited_on"),
            ("12-month colour", Recall::Months(12), "colour"),
            ("Year 2 Staining", Recall::Months(24), "marginal_staining"),
            ("recall 3 date", Recall::Numbered(3), "visited_on"),
            ("Baseline Color", Recall::Months(0), "colour"),
        ] {
            let header = Header::read(written);
            assert_eq!(header.recall, Some(recall), "{written}");
            assert_eq!(header.find(RecordKind::Visit).near.map(|column| column.name), Some(column), "{written}");
        }
        assert_eq!(Header::read("cure 20 s").recall, None);
    }

    #[test]
    fn a_shared_word_is_no_name() {
        assert_eq!(near("Patient age", RecordKind::Placement), None);
        assert_eq!(near("toothNo", RecordKind::Placement), Some("tooth"));
        let both = Header::read("tooth shade").find(RecordKind::Placement);
        assert!(both.near.is_none() && both.alike.len() == 2);
        let part: Vec<&str> = Header::read("Lot no").find(RecordKind::Placement).alike.iter().map(|c| c.name).collect();
        assert_eq!(part, ["adhesive_lot", "composite_lot"]);
        assert!(Header::read("Clinical notes").is_free_text());
    }
}
