//! Covariates made ready for regression: as plain columns, as a design, and a profile of them.

use super::asked::Asked;
use super::columns::MISSING;
use super::data::{Covariate, Data};
use super::levels::Levels;
use crate::quantity::Days;
use crate::stats::{self, CoxDesign, Grouping, NO_GROUP, Observations, ProfileValue};

/// Covariates as plain columns, factors as indicators, for the rows that have all of them.
pub struct Terms {
    /// Names of the columns.
    pub names: Vec<String>,
    /// The columns.
    pub columns: Vec<Vec<f64>>,
    /// The rows.
    pub observations: Observations,
    /// Their causes.
    pub causes: Vec<u8>,
    /// Strata within each of which censoring is estimated, if asked for.
    pub censoring_strata: Option<Grouping>,
    /// How many rows lack a covariate.
    pub left_out: u64,
}

/// Covariates as plain columns.
///
/// # Errors
/// When there are none, or a reference level that doesn't occur.
pub fn terms(asked: &Asked, data: &Data) -> Result<Terms, String> {
    some_covariates(data)?;
    let rows = data.observations.len();
    let mut complete = vec![true; rows];
    for (_, covariate) in &data.covariates {
        match covariate {
            Covariate::Numbers(numbers) => {
                complete.iter_mut().zip(numbers).for_each(|(complete, number)| *complete &= !number.is_nan());
            }
            Covariate::Levels(levels) => {
                complete.iter_mut().zip(&levels.codes).for_each(|(complete, code)| *complete &= *code != MISSING);
            }
        }
    }
    let kept: Vec<usize> = (0..rows).filter(|&row| complete[row]).collect();
    let (mut names, mut columns) = (Vec::new(), Vec::new());
    for (name, covariate) in &data.covariates {
        match covariate {
            Covariate::Numbers(numbers) => {
                names.push(name.clone());
                columns.push(kept.iter().map(|&row| numbers[row]).collect());
            }
            Covariate::Levels(levels) => {
                let reference = reference(asked, name, levels)?;
                for (level, label) in (0_u32..).zip(&levels.labels).filter(|(level, _)| *level != reference) {
                    names.push(format!("{name}: {label}"));
                    columns.push(kept.iter().map(|&row| f64::from(u8::from(levels.codes[row] == level))).collect());
                }
            }
        }
    }
    let strata = data.censoring_strata.as_ref();
    Ok(Terms {
        names,
        columns,
        observations: observations_of(&data.observations, &kept)?,
        censoring_strata: strata.map(|strata| grouping_of_rows(strata, &kept)).transpose()?,
        causes: kept.iter().map(|&row| data.causes[row]).collect(),
        left_out: (rows - kept.len()) as u64,
    })
}

/// Some of the rows.
///
/// # Errors
/// Never for rows that are there, which have been pushed once.
pub fn observations_of(all: &Observations, kept: &[usize]) -> Result<Observations, String> {
    let mut observations = Observations::with_capacity(kept.len());
    for &row in kept {
        let (entry, exit) = (Days::new(all.entry()[row]), Days::new(all.exit()[row]));
        observations
            .push_weighted(entry, exit, all.ending()[row], all.cluster()[row], all.weight_of(row))
            .map_err(|error| error.to_string())?;
    }
    Ok(observations)
}

/// The groups of some of the rows.
///
/// # Errors
/// Never for codes that made a grouping before.
pub fn grouping_of_rows(all: &Grouping, kept: &[usize]) -> Result<Grouping, String> {
    let codes = kept.iter().map(|&row| all.codes()[row]).collect();
    Grouping::new(codes, all.levels()).map_err(|error| error.to_string())
}

fn some_covariates(data: &Data) -> Result<(), String> {
    if data.covariates.is_empty() {
        return Err("A regression needs covariates.\nMend: name their columns with --covariate and --factor.".to_owned());
    }
    Ok(())
}

/// The code of a factor's reference level.
fn reference(asked: &Asked, name: &str, levels: &Levels) -> Result<u32, String> {
    let wanted = asked.roles.factors.iter().find(|(factor, _)| factor == name).and_then(|(_, level)| level.as_ref());
    let Some(wanted) = wanted else { return Ok(0) };
    let place = levels.labels.iter().position(|label| label == wanted);
    place.and_then(|place| u32::try_from(place).ok()).ok_or_else(|| {
        format!(
            "{name} has no level {wanted}. It has: {}.\nMend: correct the level behind the colon of --factor.",
            levels.labels.join(", ")
        )
    })
}

/// The covariates as a design.
///
/// # Errors
/// When there are none, a reference level doesn't occur, or a factor has too many levels.
pub fn design(asked: &Asked, data: &Data) -> Result<CoxDesign, String> {
    some_covariates(data)?;
    let mut covariates = Vec::new();
    for (name, covariate) in &data.covariates {
        covariates.push(covariate_of(asked, name, covariate)?);
    }
    CoxDesign::new(covariates).map_err(|error| error.to_string())
}

/// A covariate of a design.
///
/// # Errors
/// When a reference level doesn't occur, or a factor has too many levels.
pub fn covariate_of(asked: &Asked, name: &str, covariate: &Covariate) -> Result<stats::Covariate, String> {
    Ok(match covariate {
        Covariate::Numbers(numbers) if numbers.iter().any(|number| number.is_nan()) => {
            let values = numbers.iter().map(|&number| (!number.is_nan()).then_some(number)).collect();
            stats::Covariate::number_with_gaps(name, values)
        }
        Covariate::Numbers(numbers) => stats::Covariate::number(name, numbers.clone()),
        Covariate::Levels(levels) => {
            let reference = u16::try_from(reference(asked, name, levels)?).unwrap_or(NO_GROUP);
            let codes = levels.codes.iter().map(|&code| u16::try_from(code).unwrap_or(NO_GROUP)).collect();
            let count = u16::try_from(levels.labels.len()).unwrap_or(NO_GROUP);
            let grouping = Grouping::new(codes, count).map_err(|error| error.to_string())?;
            stats::Covariate::factor(name, grouping, levels.labels.clone(), reference)
        }
    })
}

/// The profile that a prediction is asked for; none if there is none.
///
/// # Errors
/// When it names what is no covariate, leaves one out, or has a value that doesn't fit.
pub fn profile(asked: &Asked, data: &Data) -> Result<Option<Vec<ProfileValue>>, String> {
    if asked.profile.is_empty() {
        return Ok(None);
    }
    if let Some((name, _)) =
        asked.profile.iter().find(|(name, _)| !data.covariates.iter().any(|(covariate, _)| covariate == name))
    {
        return Err(format!(
            "--profile names {name}, which is no covariate.\nMend: name the columns given with --covariate and --factor."
        ));
    }
    let mut values = Vec::new();
    for (name, covariate) in &data.covariates {
        let given = asked.profile.iter().find(|(given, _)| given == name).map(|(_, value)| value);
        let Some(given) = given else {
            return Err(format!("--profile says nothing of {name}.\nMend: give a value for each covariate."));
        };
        values.push(match covariate {
            Covariate::Numbers(_) => {
                let number =
                    given.parse().map_err(|_| format!("“{given}” is no number for {name}.\nMend: correct --profile."))?;
                ProfileValue::Number(number)
            }
            Covariate::Levels(levels) => {
                let place =
                    levels.labels.iter().position(|label| label == given).and_then(|place| u16::try_from(place).ok());
                ProfileValue::Level(place.ok_or_else(|| {
                    format!("{name} has no level {given}. It has: {}.\nMend: correct --profile.", levels.labels.join(", "))
                })?)
            }
        });
    }
    Ok(Some(values))
}

/// A profile as a number for each of the plain columns of [`terms`].
///
/// # Errors
/// When a reference level doesn't occur.
pub fn profile_numbers(asked: &Asked, data: &Data, profile: &[ProfileValue]) -> Result<Vec<f64>, String> {
    let mut numbers = Vec::new();
    for ((name, covariate), value) in data.covariates.iter().zip(profile) {
        match (covariate, value) {
            (Covariate::Levels(levels), ProfileValue::Level(level)) => {
                let reference = reference(asked, name, levels)?;
                let others = (0_u32..).zip(&levels.labels).map(|(code, _)| code).filter(|code| *code != reference);
                numbers.extend(others.map(|code| f64::from(u8::from(code == u32::from(*level)))));
            }
            (_, ProfileValue::Number(number)) => numbers.push(*number),
            // A number is asked of a number and a level of a factor where the profile is read.
            (Covariate::Numbers(_), ProfileValue::Level(_)) => numbers.push(f64::NAN),
        }
    }
    Ok(numbers)
}
