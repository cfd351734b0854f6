//! The rows that are compared: one endpoint's observations of one factor's levels, with what they may be adjusted for. Plain columns,
//! whoever made them.

use super::pooled::pooled;
use crate::cohort::push_between;
use crate::quantity::Days;
use crate::result::CovariateSetAside;
use crate::stats::{Covariate, CovariateValues, Grouping, Intervals, NO_GROUP, Observations, RefusedBounds, TimedBounds};

/// A factor that is adjusted for puts levels with fewer restorations than this together.
pub const LEAST_OF_LEVEL: u64 = 10;
/// Up to so many levels of a factor that is adjusted for are kept apart, the most frequent ones; the others are put together.
pub const MOST_LEVELS: usize = 20;
/// A covariate that is missing in more than this part is not adjusted for: too many restorations would be left out.
pub const MOST_MISSING: f64 = 0.3;
/// What rare levels that were put together are called.
pub const OTHERS: &str = "others";

/// What an adjustment may use.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedCovariate {
    /// Its values; named as people read it.
    pub values: Covariate,
    /// Whether the protocol adjusts for it; else it is only described.
    pub adjusted: bool,
}

/// The rows that are compared. All columns have the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Compared {
    /// One observation a restoration; the cluster is the patient.
    pub observations: Observations,
    /// The day last seen in place, in days since placement.
    pub last_known_good: Vec<i32>,
    /// The day first known to have failed.
    pub first_known_failed: Vec<Option<i32>>,
    /// The level of each.
    pub levels: Grouping,
    /// What people read of each level.
    pub labels: Vec<String>,
    /// The level that the others are compared with.
    pub reference: u16,
    /// What may be adjusted for, or described.
    pub covariates: Vec<ComparedCovariate>,
}

impl Compared {
    /// Levels other than the reference.
    pub fn others(&self) -> impl Iterator<Item = u16> + use<> {
        let reference = self.reference;
        (0..self.levels.levels()).filter(move |level| *level != reference)
    }

    /// Failures as known to lie between two visits.
    ///
    /// One that entered late and whose failure has no room after its entry is dated to the day that found it.
    pub fn intervals(&self) -> Intervals {
        let mut intervals = Intervals::with_capacity(self.observations.len());
        let (entry, exit, cluster) = (self.observations.entry(), self.observations.exit(), self.observations.cluster());
        for row in 0..self.observations.len() {
            let (good, failed) = (self.last_known_good[row], self.first_known_failed[row]);
            push_between(&mut intervals, entry[row], good, failed, exit[row], cluster[row]);
        }
        intervals
    }

    /// The rows that tell something of when failures came between visits: not those that came under observation late and ended otherwise
    /// before they were seen in place.
    pub fn told_between_visits(&self) -> Vec<u32> {
        let entry = self.observations.entry();
        let nothing =
            |row: usize| entry[row] > 0 && self.first_known_failed[row].is_none() && self.last_known_good[row] <= entry[row];
        (0..).zip(0..self.observations.len()).filter(|(_, row)| !nothing(*row)).map(|(place, _)| place).collect()
    }

    /// The same for parametric fits, in days. A failure of day 0 is taken to lie within the first day.
    ///
    /// # Errors
    /// When a row can't be read so.
    pub fn bounds(&self) -> Result<TimedBounds, RefusedBounds> {
        let rows = self.observations.len();
        let (mut entry, mut lower, mut upper) = (Vec::new(), Vec::new(), Vec::new());
        for row in 0..rows {
            let from = f64::from(self.observations.entry()[row]);
            entry.push(from);
            let good = f64::from(self.last_known_good[row]).max(from);
            let failed = self.first_known_failed[row].map_or(f64::INFINITY, |day| f64::from(day).max(from + 1.0).max(1.0));
            lower.push(good.min(failed));
            upper.push(failed);
        }
        TimedBounds::of_columns(Some(&entry), &lower, &upper, self.observations.cluster(), None)
    }

    /// The covariates that are adjusted for, on all rows; rare levels put together; and those set aside with the reason.
    pub fn to_adjust_for(&self) -> (Vec<Covariate>, Vec<CovariateSetAside>) {
        let given: Vec<&Covariate> =
            self.covariates.iter().filter(|covariate| covariate.adjusted).map(|covariate| &covariate.values).collect();
        let pooled: Vec<Covariate> = given.iter().map(|covariate| with_rare_levels_together(covariate)).collect();
        let mut why_not: Vec<Option<String>> =
            given.iter().zip(&pooled).map(|(covariate, pooled)| self.not_of_use(covariate, pooled)).collect();
        let finer = |place: usize| finer(&pooled, place, |other| why_not[other].is_none());
        let told: Vec<Option<usize>> = (0..given.len()).map(finer).collect();
        for (why, told) in why_not.iter_mut().zip(told) {
            *why = why.take().or_else(|| told.map(|finer| format!("told by {} already", given[finer].name)));
        }
        let (mut kept, mut aside) = (Vec::new(), Vec::new());
        for ((covariate, pooled), why) in given.into_iter().zip(pooled).zip(why_not) {
            match why {
                Some(why) => aside.push(CovariateSetAside { label: covariate.name.clone(), why }),
                None => kept.push(pooled),
            }
        }
        (kept, aside)
    }

    /// Why nothing can be adjusted for with this covariate, given with its rare levels put together, too; whatever the others are.
    fn not_of_use(&self, covariate: &Covariate, pooled: &Covariate) -> Option<String> {
        let rows = self.observations.len();
        let missing = missing_rows(covariate).into_iter().filter(|missing| *missing).count();
        if missing as f64 > MOST_MISSING * rows as f64 {
            Some(format!("recorded for {} of {rows} restorations only", rows - missing))
        } else if is_constant(pooled) {
            Some("the same for all, or all but a few".to_owned())
        } else if codes_of(covariate).is_some_and(|codes| is_told_by(&self.levels, codes)) {
            let why =
                "each of its levels stands beside one of the levels compared only, so that the two can't be told apart";
            Some(why.to_owned())
        } else {
            None
        }
    }

    /// Which rows have all these covariates.
    pub fn complete(&self, covariates: &[Covariate]) -> Vec<bool> {
        let mut complete = vec![true; self.observations.len()];
        for covariate in covariates {
            for (complete, missing) in complete.iter_mut().zip(missing_rows(covariate)) {
                *complete = *complete && !missing;
            }
        }
        complete
    }

    /// Some of the rows, with covariates of these rows only.
    pub fn only(&self, rows: &[u32], covariates: &[Covariate]) -> (Self, Vec<Covariate>) {
        let mut observations = Observations::with_capacity(rows.len());
        for &row in rows {
            let row = row as usize;
            let (entry, exit) = (self.observations.entry()[row], self.observations.exit()[row]);
            // Every row was accepted once with the same days, so it is accepted again.
            let _ = observations.push(
                Days::new(entry),
                Days::new(exit),
                self.observations.ending()[row],
                self.observations.cluster()[row],
            );
        }
        let some = Self {
            observations,
            last_known_good: rows.iter().map(|&row| self.last_known_good[row as usize]).collect(),
            first_known_failed: rows.iter().map(|&row| self.first_known_failed[row as usize]).collect(),
            levels: of_rows(&self.levels, rows),
            labels: self.labels.clone(),
            reference: self.reference,
            covariates: Vec::new(),
        };
        let covariates = covariates.iter().map(|covariate| covariate_of_rows(covariate, rows)).collect();
        (some, covariates)
    }
}

/// The codes of some rows.
pub fn of_rows(grouping: &Grouping, rows: &[u32]) -> Grouping {
    let codes = rows.iter().map(|&row| grouping.codes()[row as usize]).collect();
    // Codes of a grouping are in its range.
    Grouping::new(codes, grouping.levels()).unwrap_or_default()
}

fn covariate_of_rows(covariate: &Covariate, rows: &[u32]) -> Covariate {
    let values = match &covariate.values {
        CovariateValues::Number { values, missing } => CovariateValues::Number {
            values: rows.iter().map(|&row| values[row as usize]).collect(),
            missing: if missing.is_empty() { Vec::new() } else { rows.iter().map(|&row| missing[row as usize]).collect() },
        },
        CovariateValues::Factor { codes, levels, reference } => {
            CovariateValues::Factor { codes: of_rows(codes, rows), levels: levels.clone(), reference: *reference }
        }
    };
    Covariate { name: covariate.name.clone(), values }
}

/// Which rows have no value.
pub fn missing_rows(covariate: &Covariate) -> Vec<bool> {
    match &covariate.values {
        CovariateValues::Number { values, missing } if missing.is_empty() => vec![false; values.len()],
        CovariateValues::Number { missing, .. } => missing.clone(),
        CovariateValues::Factor { codes, .. } => codes.codes().iter().map(|&code| code == NO_GROUP).collect(),
    }
}

/// The levels of a factor; none of a number.
fn codes_of(covariate: &Covariate) -> Option<&Grouping> {
    match &covariate.values {
        CovariateValues::Factor { codes, .. } => Some(codes),
        CovariateValues::Number { .. } => None,
    }
}

/// Whether a level follows from another one: each level of `finer` stands beside one level of `coarser` only. Rows without either tell
/// nothing.
fn is_told_by(coarser: &Grouping, finer: &Grouping) -> bool {
    let mut beside = vec![NO_GROUP; usize::from(finer.levels())];
    coarser.codes().iter().zip(finer.codes()).filter(|(coarser, finer)| **coarser != NO_GROUP && **finer != NO_GROUP).all(
        |(&coarser, &finer)| {
            let known = &mut beside[usize::from(finer)];
            let same = *known == NO_GROUP || *known == coarser;
            *known = coarser;
            same
        },
    )
}

/// The place of another factor that is of use and tells the one at a place: each of its levels stands beside one level of that one only, and
/// it has more levels, or as many and stands first.
fn finer(all: &[Covariate], place: usize, of_use: impl Fn(usize) -> bool) -> Option<usize> {
    let told = |coarser: usize, finer: usize| match (codes_of(&all[coarser]), codes_of(&all[finer])) {
        (Some(coarser), Some(finer)) => is_told_by(coarser, finer),
        _ => false,
    };
    let is_finer = |other: usize| told(place, other) && (other < place || !told(other, place));
    (0..all.len()).find(|&other| other != place && of_use(other) && is_finer(other))
}

/// A factor with its rare levels put together, and the most frequent level as reference; numbers as they are.
fn with_rare_levels_together(covariate: &Covariate) -> Covariate {
    let CovariateValues::Factor { codes, levels, .. } = &covariate.values else { return covariate.clone() };
    let mut counts = vec![0_u64; levels.len()];
    for &code in codes.codes().iter().filter(|&&code| code != NO_GROUP) {
        counts[usize::from(code)] += 1;
    }
    let pooled = pooled(&counts, LEAST_OF_LEVEL, MOST_LEVELS + 1, None);
    let mut kept: Vec<(String, u64)> = pooled.apart.iter().map(|&level| (levels[level].clone(), counts[level])).collect();
    if !pooled.together.is_empty() {
        kept.push((OTHERS.to_owned(), pooled.together.iter().map(|&level| counts[level]).sum()));
    }
    let most = (0..kept.len()).fold(0, |best, level| if kept[level].1 > kept[best].1 { level } else { best });
    let codes = codes.codes().iter().map(|&code| pooled.place.get(usize::from(code)).copied().unwrap_or(NO_GROUP)).collect();
    let count = u16::try_from(kept.len()).unwrap_or(NO_GROUP - 1);
    let grouping = Grouping::new(codes, count).unwrap_or_default();
    let names = kept.into_iter().map(|(name, _)| name).collect();
    Covariate::factor(covariate.name.clone(), grouping, names, u16::try_from(most).unwrap_or(0))
}

/// Whether all rows with a value have the same, or all but fewer than [`LEAST_OF_LEVEL`].
fn is_constant(covariate: &Covariate) -> bool {
    match &covariate.values {
        CovariateValues::Number { values, missing } => {
            let mut present = values.iter().enumerate().filter(|(row, _)| !missing.get(*row).copied().unwrap_or(false));
            let first = present.next().map(|(_, value)| *value);
            present.all(|(_, value)| Some(*value) == first)
        }
        CovariateValues::Factor { codes, .. } => {
            let mut counts = std::collections::BTreeMap::new();
            for &code in codes.codes().iter().filter(|&&code| code != NO_GROUP) {
                *counts.entry(code).or_insert(0_u64) += 1;
            }
            counts.values().filter(|count| **count >= LEAST_OF_LEVEL).count() < 2
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Ending;

    fn factor(name: &str, codes: &[u16]) -> ComparedCovariate {
        let levels = codes.iter().filter(|code| **code != NO_GROUP).max().map_or(0, |most| most + 1);
        let codes = Grouping::new(codes.to_vec(), levels).expect("levels");
        let labels = (0..levels).map(|level| format!("{name} {level}")).collect();
        ComparedCovariate { values: Covariate::factor(name, codes, labels, 0), adjusted: true }
    }

    /// Forty rows of two levels in turn, adjusted for these.
    fn rows(covariates: Vec<ComparedCovariate>) -> Compared {
        let mut observations = Observations::default();
        for row in 0..40_u32 {
            observations.push(Days::new(0), Days::new(10), Ending::Censored, row).expect("in order");
        }
        Compared {
            observations,
            last_known_good: vec![10; 40],
            first_known_failed: vec![None; 40],
            levels: Grouping::new((0..40).map(|row| row % 2).collect(), 2).expect("levels"),
            labels: vec!["one".to_owned(), "other".to_owned()],
            reference: 0,
            covariates,
        }
    }

    #[test]
    fn what_lies_within_the_levels_compared_or_is_told_by_another_is_set_aside() {
        let of = |code: fn(u16) -> u16| (0..40).map(code).collect::<Vec<u16>>();
        // Two hands for each level compared; a jaw that says nothing; four benches in two rooms; a room named twice.
        let hands = factor("hand", &of(|row| row % 2 * 2 + row / 2 % 2));
        let jaw = factor("jaw", &of(|row| row / 10 % 2));
        // A hand that is set aside tells nothing of the wing it works in.
        let wing = factor("wing", &of(|row| [0, 0, 1, 0][usize::from(row % 2 * 2 + row / 2 % 2)]));
        let (room, bench) = (factor("room", &of(|row| row / 2 % 2)), factor("bench", &of(|row| row / 2 % 2 * 2 + row / 20)));
        let ward = factor("ward", &of(|row| 1 - row / 2 % 2));
        let told = |covariates: Vec<ComparedCovariate>| {
            let (kept, aside) = rows(covariates).to_adjust_for();
            let kept: Vec<String> = kept.into_iter().map(|covariate| covariate.name).collect();
            let aside: Vec<(String, String)> = aside.into_iter().map(|one| (one.label, one.why)).collect();
            (kept, aside)
        };
        let (kept, aside) = told(vec![hands.clone(), room.clone(), jaw.clone(), bench.clone()]);
        assert_eq!(kept, ["jaw", "bench"]);
        assert!(aside[0].0 == "hand" && aside[0].1.contains("can't be told apart"), "{aside:?}");
        assert_eq!(aside[1], ("room".to_owned(), "told by bench already".to_owned()));
        assert_eq!(told(vec![hands.clone(), wing.clone()]).0, ["wing"]);
        // Rare hands are put together, and then they tell the wing no more.
        let rare = of(|row| if row < 20 { row / 2 % 2 } else { row - 18 });
        let (rare, half) = (factor("rare", &rare), factor("half", &of(|row| row / 2 % 2)));
        assert_eq!(told(vec![rare, half]).0, ["rare", "half"]);
        // Of two that tell each other the first stays.
        let (kept, aside) = told(vec![room, ward, jaw]);
        assert_eq!(kept, ["room", "jaw"]);
        assert_eq!(aside, [("ward".to_owned(), "told by room already".to_owned())]);
        // Rows without a level don't matter, and one row that differs keeps both.
        let mut gaps: Vec<u16> = of(|row| row % 2 * 2 + row / 2 % 2);
        gaps[5] = NO_GROUP;
        assert!(told(vec![factor("hand", &gaps)]).0.is_empty());
        gaps[6] = 3;
        assert_eq!(told(vec![factor("hand", &gaps)]).0, ["hand"]);
    }
}
