//! The levels by which restorations are grouped.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::history::Histories;
use crate::record::{Arch, Cell, Coded, PLACEMENT_COLUMNS, Tooth, ToothType, known_factors, level_named, vocabulary::Term};
use crate::result::FactorOrigin;
use crate::stats::{Grouping, GroupingError, NO_GROUP};
use crate::table::{PlacementTable, TableError};

/// A factor's level of each restoration.
#[derive(Clone, Debug)]
pub struct FactorLevels {
    /// The factor's name.
    pub name: String,
    /// What people read.
    pub label: String,
    /// Whether it was chosen at the chair, or came with the patient, the tooth or the operator.
    pub origin: FactorOrigin,
    /// Code and label of each level that occurs.
    pub levels: Vec<(String, String)>,
    /// The level of each restoration of the histories; [`NO_GROUP`] where missing.
    pub codes: Vec<u16>,
}

impl FactorLevels {
    /// The grouping of those restorations that an endpoint analyses, and how many of them have no level.
    ///
    /// # Errors
    /// When a code names no level, which would be a fault of the program.
    pub fn grouping(&self, restorations: &[u32]) -> Result<(Grouping, u64), GroupingError> {
        let codes: Vec<u16> = restorations.iter().map(|&place| self.codes[place as usize]).collect();
        let missing = codes.iter().filter(|&&code| code == NO_GROUP).count() as u64;
        Ok((Grouping::new(codes, u16::try_from(self.levels.len()).unwrap_or(NO_GROUP - 1))?, missing))
    }

    /// The place of the level with a name, as [`level_named`] reads names.
    pub fn named(&self, name: &str) -> Option<usize> {
        level_named(self.levels.iter().map(|(code, label)| (code.as_str(), label.as_str())), name)
    }
}

/// Where a factor comes from. Columns of the practice's own may be either.
fn origin_of(name: &str) -> FactorOrigin {
    const CHOSEN: &[&str] = &[
        "isolation",
        "preparation",
        "cleanser",
        "etch_strategy",
        "adhesive_class",
        "drying",
        "composite_class",
        "shades",
        "adhesive_lot",
        "composite_lot",
    ];
    if CHOSEN.contains(&name) {
        FactorOrigin::ChosenAtChair
    } else if known_factors().contains(&name) {
        FactorOrigin::Given
    } else {
        FactorOrigin::Own
    }
}

/// The levels of a factor; none if it is neither a known factor nor one of the practice's own.
///
/// # Errors
/// When the table lacks a column, which would be a fault of the program.
pub fn factor_levels(
    name: &str,
    own: &[String],
    placements: &PlacementTable,
    histories: &Histories,
) -> Result<Option<FactorLevels>, TableError> {
    let table = &placements.0;
    let tooth_terms = |terms: &'static [Term], of: fn(Tooth) -> u8| -> Result<FactorLevels, TableError> {
        let codes =
            table.codes("tooth")?.into_iter().map(|iso| Tooth::from_iso(iso).map_or(u8::MAX, of)).collect::<Vec<_>>();
        Ok(of_terms(name, if name == "arch" { "Jaw" } else { "Kind of tooth" }, terms, &codes, histories))
    };
    match name {
        "tooth_type" => return tooth_terms(ToothType::TERMS, |tooth| tooth.tooth_type().index()).map(Some),
        "arch" => return tooth_terms(Arch::TERMS, |tooth| tooth.arch().index()).map(Some),
        _ => {}
    }
    if let Some(column) = PLACEMENT_COLUMNS.iter().find(|column| column.name == name) {
        return Ok(match column.cell {
            Cell::Term(terms) => Some(of_terms(name, column.label, terms, &table.codes(name)?, histories)),
            Cell::Grade { .. } => {
                let codes = table.codes(name)?;
                Some(of_texts(name, column.label, histories, |row| {
                    (codes[row] != u8::MAX).then(|| codes[row].to_string().into())
                }))
            }
            Cell::Text if known_factors().contains(&name) => {
                let texts = table.texts(name)?;
                Some(of_texts(name, column.label, histories, |row| texts.get(row).map(Cow::Borrowed)))
            }
            _ => None,
        });
    }
    if own.iter().any(|own| own == name) {
        let texts = table.texts(name)?;
        return Ok(Some(of_texts(name, name, histories, |row| texts.get(row).map(Cow::Borrowed))));
    }
    Ok(None)
}

#[expect(clippy::cast_possible_truncation, reason = "a vocabulary has fewer than 256 terms")]
fn of_terms(name: &str, label: &str, terms: &'static [Term], codes: &[u8], histories: &Histories) -> FactorLevels {
    let code = |place: usize| codes[histories.placement_row[place] as usize];
    let mut met = [false; 256];
    (0..histories.len()).for_each(|place| met[usize::from(code(place))] = true);
    let present: Vec<u8> = (0..=u8::MAX).take(terms.len()).filter(|code| met[usize::from(*code)]).collect();
    let mut number = [NO_GROUP; 256];
    for (level, &code) in present.iter().enumerate() {
        number[usize::from(code)] = level as u16;
    }
    FactorLevels {
        name: name.to_owned(),
        label: label.to_owned(),
        origin: origin_of(name),
        levels: present
            .iter()
            .map(|&code| (terms[usize::from(code)].code.to_owned(), terms[usize::from(code)].label.to_owned()))
            .collect(),
        codes: (0..histories.len()).map(|place| number[usize::from(code(place))]).collect(),
    }
}

/// Levels that are texts: each is numbered where it is met first, then they are put in order.
fn of_texts<'a>(
    name: &str,
    label: &str,
    histories: &Histories,
    text: impl Fn(usize) -> Option<Cow<'a, str>>,
) -> FactorLevels {
    let mut numbers: BTreeMap<Cow<'a, str>, usize> = BTreeMap::new();
    let mut last: Option<(Cow<'a, str>, usize)> = None;
    let met: Vec<Option<usize>> = histories
        .placement_row
        .iter()
        .map(|&row| {
            let text = text(row as usize)?;
            if let Some((known, number)) = &last
                && *known == text
            {
                return Some(*number);
            }
            let number = numbers.get(&text).copied().unwrap_or(numbers.len());
            if number == numbers.len() {
                numbers.insert(text.clone(), number);
            }
            last = Some((text, number));
            Some(number)
        })
        .collect();
    let mut code = vec![NO_GROUP; numbers.len()];
    for (level, &number) in numbers.values().enumerate() {
        code[number] = u16::try_from(level).unwrap_or(NO_GROUP);
    }
    FactorLevels {
        name: name.to_owned(),
        label: label.to_owned(),
        origin: origin_of(name),
        levels: numbers.keys().map(|level| (level.to_string(), level.to_string())).collect(),
        codes: met.into_iter().map(|number| number.map_or(NO_GROUP, |number| code[number])).collect(),
    }
}
