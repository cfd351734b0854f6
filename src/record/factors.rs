//! The names by which restorations are grouped, compared and adjusted for one another.

use super::column::{Cell, PLACEMENT_COLUMNS};
use super::tooth::{Arch, ToothType};
use super::vocabulary::{Coded, Term};

/// The names that can be factors, without the practice's own.
pub fn known_factors() -> Vec<&'static str> {
    let coded = PLACEMENT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Term(_) | Cell::Grade { .. }));
    coded
        .map(|column| column.name)
        .chain(["operator", "tooth_type", "arch", "shades", "adhesive_lot", "composite_lot"])
        .collect()
}

/// What a comparison can be adjusted for, without the practice's own columns.
pub fn known_covariates() -> Vec<&'static str> {
    let numbers = PLACEMENT_COLUMNS.iter().filter(|column| matches!(column.cell, Cell::Number { .. }));
    let others = ["placed_on", "replaces_restoration"].into_iter().chain(numbers.map(|column| column.name));
    known_factors().into_iter().chain(others).collect()
}

/// Names to choose from, the practice's own after the others.
pub fn choices(known: &[&str], own: &[String]) -> String {
    let all: Vec<&str> = known.iter().copied().chain(own.iter().map(String::as_str)).collect();
    all.join(", ")
}

/// The terms that are the levels of a factor; none of a factor whose levels are numbers, or texts as they were written.
pub fn terms_of(factor: &str) -> Option<&'static [Term]> {
    match factor {
        "tooth_type" => return Some(ToothType::TERMS),
        "arch" => return Some(Arch::TERMS),
        _ => {}
    }
    match PLACEMENT_COLUMNS.iter().find(|column| column.name == factor)?.cell {
        Cell::Term(terms) => Some(terms),
        _ => None,
    }
}

/// The place of the level that a name stands for: the one with this code, else with this label, else with either in other letters of
/// upper or lower case.
pub fn level_named<'a>(levels: impl Iterator<Item = (&'a str, &'a str)> + Clone, name: &str) -> Option<usize> {
    let lower = name.to_lowercase();
    let by_code = levels.clone().position(|(code, _)| code == name);
    by_code
        .or_else(|| levels.clone().position(|(_, label)| label == name))
        .or_else(|| levels.clone().position(|(code, label)| code.to_lowercase() == lower || label.to_lowercase() == lower))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_is_named_by_its_code_or_label_in_any_case() {
        let levels = [("b", "A"), ("a", "Ä label"), ("B", "c")];
        let named = |name: &str| level_named(levels.into_iter(), name);
        assert_eq!(["a", "A", "B", "b"].map(named), [Some(1), Some(0), Some(2), Some(0)], "codes before labels");
        assert_eq!(["C", "ä LABEL", "d", ""].map(named), [Some(2), Some(1), None, None]);
    }

    #[test]
    fn every_name_is_there_once_and_coded_ones_have_terms() {
        let names = known_covariates();
        let different: std::collections::BTreeSet<&str> = names.iter().copied().collect();
        assert_eq!(different.len(), names.len());
        assert!(known_factors().iter().all(|name| names.contains(name)));
        let coded: Vec<&str> = names.iter().copied().filter(|name| terms_of(name).is_some()).collect();
        assert!(["etch_strategy", "arch", "tooth_type"].iter().all(|name| coded.contains(name)), "{coded:?}");
        assert!(["operator", "sclerosis", "placed_on", "lesion_depth_mm"].iter().all(|name| !coded.contains(name)));
    }
}
