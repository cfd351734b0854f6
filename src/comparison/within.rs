//! The comparison within patients who have restorations of several levels: what differs between mouths drops out.
//!
//! The proportional-hazards model with a stratum for each patient, and the log-rank test within patients. A patient informs only if a
//! restoration of one level failed while one of another level was at risk.

use super::asked::Questions;
use super::compared::{Compared, of_rows};
use crate::quantity::Variance;
use crate::result::{Computed, SharedPatients, WithinPatients};
use crate::stats::{
    self, Covariate, CoxDesign, CoxOptions, Ending, Grouping, NO_GROUP, Weighting, cox_regression, is_at_risk,
    weighted_log_rank,
};

/// Strata are counted in sixteen bits.
const MOST_PATIENTS: usize = NO_GROUP as usize - 1;

/// The places of each patient's restorations, for patients with several levels.
fn of_patients_with_several(rows: &Compared) -> Vec<Vec<u32>> {
    let clusters = rows.observations.clusters() as usize;
    let mut first = vec![NO_GROUP; clusters];
    let mut several = vec![false; clusters];
    for (&cluster, &level) in rows.observations.cluster().iter().zip(rows.levels.codes()) {
        let first = &mut first[cluster as usize];
        if *first == NO_GROUP {
            *first = level;
        } else if *first != level {
            several[cluster as usize] = true;
        }
    }
    let mut number = vec![usize::MAX; clusters];
    let mut patients: Vec<Vec<u32>> = Vec::new();
    for (row, &cluster) in (0..).zip(rows.observations.cluster()) {
        if several[cluster as usize] {
            let number = &mut number[cluster as usize];
            if *number == usize::MAX {
                *number = patients.len();
                patients.push(Vec::new());
            }
            patients[*number].push(row);
        }
    }
    patients
}

/// How many patients have restorations of several levels.
pub fn shared_patients(rows: &Compared) -> SharedPatients {
    let several = of_patients_with_several(rows);
    SharedPatients {
        patients: rows.observations.clusters_present(),
        in_several: several.len() as u64,
        restorations: several.iter().map(|places| places.len() as u64).sum(),
    }
}

/// Whether a restoration of the patient failed while one of another level was at risk.
fn informs(rows: &Compared, places: &[u32]) -> bool {
    let at = |row: u32| row as usize;
    places.iter().filter(|&&row| rows.observations.ending()[at(row)] == Ending::Failed).any(|&failed| {
        let day = rows.observations.exit()[at(failed)];
        places.iter().any(|&other| {
            let (entry, exit) = (rows.observations.entry()[at(other)], rows.observations.exit()[at(other)]);
            rows.levels.codes()[at(other)] != rows.levels.codes()[at(failed)] && is_at_risk(entry, exit, day)
        })
    })
}

/// Compares levels within patients.
pub fn within_patients(rows: &Compared, asked: &Questions) -> Computed<WithinPatients> {
    let patients = of_patients_with_several(rows);
    let informative: Vec<&Vec<u32>> = patients.iter().filter(|places| informs(rows, places)).collect();
    if patients.is_empty() {
        return Computed::NotComputed("no patient has restorations of more than one level".to_owned());
    }
    if informative.is_empty() {
        return Computed::NotComputed(
            "in no patient did a restoration of one level fail while one of another was at risk".to_owned(),
        );
    }
    if informative.len() > MOST_PATIENTS {
        return Computed::NotComputed(format!(
            "more than {MOST_PATIENTS} patients inform, which is more than this comparison is made for"
        ));
    }
    let mut chosen: Vec<(u32, u16)> =
        (0_u16..).zip(&informative).flat_map(|(stratum, places)| places.iter().map(move |&row| (row, stratum))).collect();
    chosen.sort_unstable();
    let (kept, strata): (Vec<u32>, Vec<u16>) = chosen.into_iter().unzip();
    let (some, _) = rows.only(&kept, &[]);
    let count = u16::try_from(informative.len()).unwrap_or(NO_GROUP - 1);
    let strata = Grouping::new(strata, count).unwrap_or_default();
    let all_places: Vec<u32> = patients.iter().flatten().copied().collect();
    let failed = |row: &&u32| rows.observations.ending()[**row as usize] == Ending::Failed;
    let factor = Covariate::factor("level", of_rows(&rows.levels, &kept), rows.labels.clone(), rows.reference);
    let options = CoxOptions { level: asked.level, ..CoxOptions::default() };
    let design = match CoxDesign::new(vec![factor]) {
        Ok(design) => design,
        Err(error) => return Computed::NotComputed(error.to_string()),
    };
    let hazard_ratios = match cox_regression(&some.observations, &design, Some(&strata), options) {
        Ok(model) => model.regression.coefficients,
        Err(problem) => return Computed::NotComputed(problem.to_string()),
    };
    let compared = stats::Compared::new(&some.observations, &some.levels).within(&strata);
    Computed::Computed(WithinPatients {
        patients: patients.len() as u64,
        restorations: all_places.len() as u64,
        failures: all_places.iter().filter(failed).count() as u64,
        informative_patients: informative.len() as u64,
        hazard_ratios,
        test: weighted_log_rank(&compared, Weighting::LogRank, Variance::ClusterRobust),
    })
}
