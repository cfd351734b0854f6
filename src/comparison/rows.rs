//! Cohort to the rows that are compared: which restorations, of which level, with what they may be adjusted for.

use super::compared::{Compared, ComparedCovariate};
use super::pooled::pooled;
use crate::cohort::meaning::replaced_elsewhere;
use crate::cohort::recall::Due;
use crate::cohort::{EndpointFollowUp, FactorLevels, Histories, factor_levels};
use crate::protocol::Protocol;
use crate::protocol::settings::USUAL_COVARIATES;
use crate::quantity::{DAYS_PER_YEAR, Days};
use crate::record::{Cell, PLACEMENT_COLUMNS, level_named, says_replaced};
use crate::stats::{Covariate, Grouping, NO_GROUP, Observations};
use crate::table::{PlacementTable, TableError};

/// Most levels that are held against each other: as many as a chart draws.
const MOST_LEVELS: usize = 8;

/// The rows, and what else of them is told.
pub struct ComparedRecords {
    /// The rows.
    pub rows: Compared,
    /// The codes of the levels.
    pub codes: Vec<String>,
    /// Each row's place in the histories.
    pub restoration: Vec<u32>,
    /// Restorations without a value of the factor.
    pub missing: u64,
    /// Restorations of levels that are hidden, having few patients.
    pub hidden: u64,
    /// How many levels are put together, having fewer restorations than those that stand apart.
    pub levels_together: u64,
}

impl ComparedRecords {
    /// The place of the level with a name, as [`level_named`] reads names.
    pub fn level_named(&self, name: &str) -> Option<usize> {
        named_of(&self.codes, &self.rows.labels, name)
    }
}

fn named_of(codes: &[String], labels: &[String], name: &str) -> Option<usize> {
    level_named(codes.iter().zip(labels).map(|(code, label)| (code.as_str(), label.as_str())), name)
}

/// What the rows are made from.
pub struct Source<'a> {
    /// Placements.
    pub placements: &'a PlacementTable,
    /// Restorations with their visits.
    pub histories: &'a Histories,
    /// One endpoint's follow-up.
    pub follow_up: &'a EndpointFollowUp,
    /// Who was due at each recall.
    pub due: &'a [Vec<Due>],
    /// The protocol.
    pub protocol: &'a Protocol,
}

impl Source<'_> {
    /// The rows of the levels of a factor; the reference is the level of this code or label, else the protocol's, else the one with
    /// most restorations. Of more than eight levels those with fewest restorations are put together.
    ///
    /// # Errors
    /// When a table lacks a column, which would be a fault of the program.
    pub fn rows(&self, factor: &FactorLevels, reference: Option<&str>) -> Result<ComparedRecords, TableError> {
        let of = |place: usize| factor.codes[self.follow_up.restoration[place] as usize];
        let observations = &self.follow_up.observations;
        let mut counts = vec![0_u64; factor.levels.len()];
        for place in 0..observations.len() {
            if let Some(count) = counts.get_mut(usize::from(of(place))) {
                *count += 1;
            }
        }
        let named = reference.or_else(|| self.protocol.reference_levels.get(&factor.name).map(String::as_str));
        let always = named.and_then(|name| factor.named(name));
        let pooled = pooled(&counts, 1, MOST_LEVELS, always);
        let mut every: Vec<(String, String)> = pooled.apart.iter().map(|&level| factor.levels[level].clone()).collect();
        if !pooled.together.is_empty() {
            every.push(("all_others".to_owned(), "all others".to_owned()));
        }
        let place_of = |place: usize| pooled.place.get(usize::from(of(place))).copied().unwrap_or(NO_GROUP);
        let mut sizes_of_every = vec![0_u64; every.len()];
        let mut patients = vec![std::collections::BTreeSet::new(); every.len()];
        for place in 0..observations.len() {
            if let Some(size) = sizes_of_every.get_mut(usize::from(place_of(place))) {
                *size += 1;
                patients[usize::from(place_of(place))].insert(observations.cluster()[place]);
            }
        }
        let mut number = vec![NO_GROUP; every.len()];
        let (mut codes, mut labels, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
        let mut reference = None;
        for (level, (code, label)) in every.into_iter().enumerate() {
            if patients[level].len() < self.protocol.smallest_cell as usize {
                continue;
            }
            if always.is_some() && pooled.apart.get(level).copied() == always {
                reference = Some(codes.len());
            }
            number[level] = u16::try_from(codes.len()).unwrap_or(NO_GROUP);
            codes.push(code);
            labels.push(label);
            sizes.push(sizes_of_every[level]);
        }
        let level_of = |place: usize| number.get(usize::from(place_of(place))).copied().unwrap_or(NO_GROUP);
        let kept: Vec<usize> = (0..observations.len()).filter(|&place| level_of(place) != NO_GROUP).collect();
        // Nothing is held against levels that were put together if that can be helped.
        let single = if pooled.together.is_empty() || sizes.len() < 2 { sizes.len() } else { sizes.len() - 1 };
        let largest = (0..single).fold(0, |best, level| if sizes[level] > sizes[best] { level } else { best });
        // Those put together may be named, too.
        let of_all = || named.and_then(|name| named_of(&codes, &labels, name));
        let reference = u16::try_from(reference.or_else(of_all).unwrap_or(largest)).unwrap_or(0);
        let mut rows = Observations::with_capacity(kept.len());
        for &place in &kept {
            // Every row was accepted once with the same days, so it is accepted again.
            let _ = rows.push(
                Days::new(observations.entry()[place]),
                Days::new(observations.exit()[place]),
                observations.ending()[place],
                observations.cluster()[place],
            );
        }
        let restoration: Vec<u32> = kept.iter().map(|&place| self.follow_up.restoration[place]).collect();
        let level_count = u16::try_from(codes.len()).unwrap_or(NO_GROUP - 1);
        let levels = Grouping::new(kept.iter().map(|&place| level_of(place)).collect(), level_count).unwrap_or_default();
        let missing = (0..observations.len()).filter(|&place| of(place) == NO_GROUP).count() as u64;
        Ok(ComparedRecords {
            hidden: observations.len() as u64 - missing - kept.len() as u64,
            missing,
            levels_together: pooled.together.len() as u64,
            codes,
            rows: Compared {
                observations: rows,
                last_known_good: kept.iter().map(|&place| self.follow_up.last_known_good(place)).collect(),
                first_known_failed: kept.iter().map(|&place| self.follow_up.first_known_failed(place)).collect(),
                levels,
                labels,
                reference,
                covariates: self.covariates(&factor.name, &restoration)?,
            },
            restoration,
        })
    }

    fn covariates(&self, factor: &str, restoration: &[u32]) -> Result<Vec<ComparedCovariate>, TableError> {
        let adjusted = |name: &str| self.protocol.adjust_for.iter().any(|wanted| wanted == name);
        let mut names: Vec<&str> = self.protocol.adjust_for.iter().map(String::as_str).collect();
        names.extend(USUAL_COVARIATES.into_iter().filter(|name| !adjusted(name)));
        let mut covariates = Vec::new();
        for name in names.into_iter().filter(|name| *name != factor) {
            let values = self.covariate(name, restoration)?;
            covariates.push(ComparedCovariate { values, adjusted: adjusted(name) });
        }
        covariates.push(ComparedCovariate { values: self.share_seen(restoration), adjusted: false });
        Ok(covariates)
    }

    fn covariate(&self, name: &str, restoration: &[u32]) -> Result<Covariate, TableError> {
        let row_of = |place: u32| self.histories.placement_row[place as usize] as usize;
        let table = &self.placements.0;
        match name {
            "placed_on" => {
                let placed = |place: u32| f64::from(self.histories.placed[place as usize]);
                let first = restoration.iter().map(|&place| placed(place)).fold(f64::INFINITY, f64::min);
                let years = restoration.iter().map(|&place| (placed(place) - first) / DAYS_PER_YEAR).collect();
                return Ok(Covariate::number("Years since the first placement", years));
            }
            "replaces_restoration" => {
                let texts = table.texts(name)?;
                // An id that no placement has may be a word of another language, so nothing is known then.
                let unknown = replaced_elsewhere(self.placements)?;
                let ids = table.text("restoration_id")?;
                let code = |place: &u32| {
                    let row = row_of(*place);
                    replaces(texts.get(row), ids.get(row), |text| !unknown.contains(text)).map_or(NO_GROUP, u16::from)
                };
                let codes = Grouping::new(restoration.iter().map(code).collect(), 2).unwrap_or_default();
                let levels = ["first filling", "replaces one"].map(str::to_owned).to_vec();
                return Ok(Covariate::factor("Replaces a filling", codes, levels, 0));
            }
            _ => {}
        }
        if let Some(column) = PLACEMENT_COLUMNS.iter().find(|column| column.name == name)
            && matches!(column.cell, Cell::Number { .. })
        {
            let numbers = table.numbers(name)?;
            return Ok(Covariate::number_with_gaps(
                column.label,
                restoration.iter().map(|&place| numbers[row_of(place)]).collect(),
            ));
        }
        let factor = factor_levels(name, &self.protocol.own_factors, self.placements, self.histories)?
            .ok_or_else(|| TableError::no_table(&format!("nothing is known of {name}")))?;
        let codes = restoration.iter().map(|&place| factor.codes[place as usize]).collect();
        let count = u16::try_from(factor.levels.len()).unwrap_or(NO_GROUP - 1);
        let grouping = Grouping::new(codes, count).unwrap_or_default();
        let labels = factor.levels.into_iter().map(|(_, label)| label).collect();
        Ok(Covariate::factor(factor.label, grouping, labels, 0))
    }

    /// Of the recalls at which each was due, the part at which it was seen.
    fn share_seen(&self, restoration: &[u32]) -> Covariate {
        let mut counts = vec![(0_u32, 0_u32); self.histories.len()];
        let after_placement = self.protocol.recalls.iter().zip(self.due).filter(|(recall, _)| recall.months > 0);
        for due in after_placement.flat_map(|(_, due)| due) {
            let (all, seen) = &mut counts[due.restoration as usize];
            *all += 1;
            *seen += u32::from(due.seen);
        }
        let share = |place: &u32| {
            let (all, seen) = counts[*place as usize];
            (all > 0).then(|| f64::from(seen) / f64::from(all))
        };
        Covariate::number_with_gaps("Recalls kept (share)", restoration.iter().map(share).collect())
    }
}

/// Whether a filling replaces another one, by its cell and its own id; none where that isn't known.
fn replaces(cell: Option<&str>, own: Option<&str>, is_placed: impl Fn(&str) -> bool) -> Option<bool> {
    let text = cell?;
    says_replaced(text).or_else(|| (cell != own && is_placed(text)).then_some(true))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_word_or_a_placement_tells_whether_a_filling_is_replaced() {
        let of = |cell| replaces(cell, Some("R2"), |id| ["R1", "R2"].contains(&id));
        assert_eq!([Some("yes"), Some("No"), Some("R1")].map(of), [Some(true), Some(false), Some(true)]);
        assert_eq!([None, Some("nein"), Some("R9"), Some("R2")].map(of), [None; 4]);
    }
}
