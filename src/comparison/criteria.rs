//! Criteria by level at each recall: the share that is ideal and the share that is acceptable or better, with patient-clustered
//! intervals and tests. Only retained restorations can be scored for colour, staining and fit.

use crate::protocol::Protocol;
use crate::quantity::{Known, WhyNotKnown};
use crate::record::{Criterion, Standing};
use crate::result::{CriterionComparison, CriterionContrast};
use crate::stats::{
    AdjustmentMethod, ClusteredCodes, Grouping, adjusted_ln_p_values, clustered_shares, contrast_of_clustered_shares,
};
use crate::threads::{available, in_turn};

/// One criterion at one recall, as columns: the level, the standing and the patient of each restoration scored.
#[derive(Clone, Debug, PartialEq)]
pub struct ScoredColumns {
    /// The criterion.
    pub criterion: Criterion,
    /// The recall, in months.
    pub months: u16,
    /// The level of each.
    pub levels: Grouping,
    /// How each stands.
    pub standings: Vec<Standing>,
    /// The patient of each, counted densely.
    pub patients: Vec<u32>,
}

/// Compares levels, and corrects the tests for their number.
pub fn criteria(scored: &[ScoredColumns], reference: u16, protocol: &Protocol) -> Vec<CriterionComparison> {
    let standings = [Standing::Ideal, Standing::Acceptable];
    let asked: Vec<_> = scored.iter().flat_map(|columns| standings.map(|least| (columns, least))).collect();
    let mut all = in_turn(&asked, available(), |(columns, least)| compared(columns, *least, reference, protocol));
    let places: Vec<usize> =
        all.iter().enumerate().filter(|(_, one)| one.probability.known().is_some()).map(|(place, _)| place).collect();
    let logs: Vec<f64> = places
        .iter()
        .filter_map(|&place| all[place].probability.known())
        .map(|probability| probability.ln_p_value)
        .collect();
    for (place, ln) in places.into_iter().zip(adjusted_ln_p_values(&logs, AdjustmentMethod::Holm)) {
        all[place].corrected = Known::Known(libm::exp(ln));
    }
    all
}

fn compared(columns: &ScoredColumns, least: Standing, reference: u16, protocol: &Protocol) -> CriterionComparison {
    let level = protocol.confidence_level;
    let standings: Vec<u16> = columns.standings.iter().map(|standing| u16::from(*standing <= least)).collect();
    let good = Grouping::new(standings, 2).unwrap_or_default();
    let none = || CriterionComparison {
        criterion: columns.criterion,
        months: columns.months,
        standing: least,
        shares: Vec::new(),
        contrasts: Vec::new(),
        probability: Known::NotKnown(WhyNotKnown::NoObservations),
        corrected: Known::NotKnown(WhyNotKnown::NoObservations),
    };
    let Ok(codes) = ClusteredCodes::new(&columns.levels, &good, &columns.patients) else { return none() };
    let found = clustered_shares(&codes, 1, level);
    let share = |row: u16| found.shares[usize::from(row)];
    let hidden = |row: u16| {
        let patients = share(row).known().map_or(0, |share| share.behind.clusters);
        patients < u64::from(protocol.smallest_cell)
    };
    let too_few = Known::NotKnown(WhyNotKnown::TooFewToShow);
    let levels = 0..codes.rows();
    let contrasts = levels.clone().filter(|row| *row != reference).map(|row| CriterionContrast {
        level: row,
        contrast: if hidden(row) || hidden(reference) {
            Known::NotKnown(WhyNotKnown::TooFewToShow)
        } else {
            contrast_of_clustered_shares(&codes, [reference, row], [share(reference), share(row)], 1, level)
        },
    });
    CriterionComparison {
        contrasts: contrasts.collect(),
        shares: levels.map(|row| if hidden(row) { too_few } else { share(row) }).collect(),
        probability: match found.test {
            Known::Known(test) => Known::Known(test.probability),
            Known::NotKnown(why) => Known::NotKnown(why),
        },
        corrected: Known::NotKnown(WhyNotKnown::NoObservations),
        ..none()
    }
}
