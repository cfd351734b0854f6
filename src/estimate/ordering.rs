//! How well each covariate that is a number orders the failures by itself.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::covariates::{grouping_of_rows, observations_of};
use super::data::{Covariate, Data};
use super::regression::strata;
use super::section::{Section, digits, interval_head, why_not_known};
use super::survival::estimate_cells;
use crate::quantity::Known;
use crate::stats::{Concordance, concordance};

/// The concordance of a covariate with the failures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CovariateConcordance {
    /// The covariate.
    pub covariate: String,
    /// Rows left out because it is missing there.
    pub left_out: u64,
    /// How often, of two, the one with the higher value fails first.
    pub concordance: Known<Concordance>,
}

/// The concordance of each covariate that is a number.
///
/// # Errors
/// When there is none.
pub fn concordances(asked: &Asked, data: &Data) -> Result<Vec<CovariateConcordance>, String> {
    let mut all = Vec::new();
    for (name, covariate) in &data.covariates {
        let Covariate::Numbers(numbers) = covariate else { continue };
        let kept: Vec<usize> = (0..numbers.len()).filter(|&row| !numbers[row].is_nan()).collect();
        let score: Vec<f64> = kept.iter().map(|&row| numbers[row]).collect();
        let observations = observations_of(&data.observations, &kept)?;
        let strata = strata(data).map(|strata| grouping_of_rows(strata, &kept)).transpose()?;
        all.push(CovariateConcordance {
            covariate: name.clone(),
            left_out: (numbers.len() - kept.len()) as u64,
            concordance: concordance(&observations, &score, strata.as_ref(), asked.variance, asked.level),
        });
    }
    if all.is_empty() {
        return Err("A concordance needs a covariate that is a number.\nMend: name its column with --covariate.".to_owned());
    }
    Ok(all)
}

/// Concordances as a readable table.
pub fn concordance_sections(asked: &Asked, all: &[CovariateConcordance]) -> Vec<Section> {
    let mut section = Section::new(
        "How well each covariate orders the failures (Harrell's C)",
        &["covariate", "C", "s.e.", &interval_head(asked.level), "concordant", "discordant", "tied", "rows left out"],
    );
    for one in all {
        let mut cells = vec![one.covariate.clone()];
        match &one.concordance {
            Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            Known::Known(found) => {
                cells.extend(estimate_cells(&Known::Known(found.concordance), |value| value));
                cells.extend([found.concordant, found.discordant, found.tied].map(|weight| digits(weight, 7)));
                cells.push(one.left_out.to_string());
            }
        }
        section.row(cells);
    }
    section.note(
        "Above one half the one with the higher value fails first more often than not; below, the one with the lower.",
    );
    vec![section]
}
