//! Covariates of a regression: numbers and factors, by name, as columns.
//!
//! Definition.  A number is a column of its own. A factor with levels 0..k is k − 1 indicator columns, one for each level but the
//!              reference, all of one term. Terms and columns keep the order of the covariates and of their levels.
//! Decided.     A row that lacks a covariate is left out of the fit and counted; nothing is put in its place. A value that is
//!              there but not a finite number is a mistake, and refuses the whole fit by name. A level that nobody has makes no
//!              column and costs no degree of freedom.
//! Cost.        Columns are kept as they came; indicators are made when rows are put in order.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::grouping::{Grouping, NO_GROUP};

/// The values of one covariate, a value for each observation.
#[derive(Clone, Debug, PartialEq)]
pub enum CovariateValues {
    /// Numbers; `missing` is empty when none is missing, else it marks those that are.
    Number {
        /// The values; where one is missing, anything.
        values: Vec<f64>,
        /// Which are missing.
        missing: Vec<bool>,
    },
    /// Codes of levels; [`NO_GROUP`] is a missing one.
    Factor {
        /// The codes.
        codes: Grouping,
        /// What each level is called.
        levels: Vec<String>,
        /// The level that the others are compared with.
        reference: u16,
    },
}

/// A covariate.
#[derive(Clone, Debug, PartialEq)]
pub struct Covariate {
    /// What it is called.
    pub name: String,
    /// Its values.
    pub values: CovariateValues,
}

impl Covariate {
    /// Numbers without gaps.
    pub fn number(name: impl Into<String>, values: Vec<f64>) -> Self {
        Self { name: name.into(), values: CovariateValues::Number { values, missing: Vec::new() } }
    }

    /// Numbers some of which are missing.
    pub fn number_with_gaps(name: impl Into<String>, values: Vec<Option<f64>>) -> Self {
        let missing = values.iter().map(Option::is_none).collect();
        let values = values.into_iter().map(Option::unwrap_or_default).collect();
        Self { name: name.into(), values: CovariateValues::Number { values, missing } }
    }

    /// Levels, one of which is the reference.
    pub fn factor(name: impl Into<String>, codes: Grouping, levels: Vec<String>, reference: u16) -> Self {
        Self { name: name.into(), values: CovariateValues::Factor { codes, levels, reference } }
    }

    fn len(&self) -> usize {
        match &self.values {
            CovariateValues::Number { values, .. } => values.len(),
            CovariateValues::Factor { codes, .. } => codes.codes().len(),
        }
    }
}

/// What a column of the regression stands for.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
pub struct ColumnName {
    /// The covariate.
    pub covariate: String,
    /// The level, for a factor.
    pub level: Option<String>,
}

impl fmt::Display for ColumnName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.level {
            Some(level) => write!(f, "{}: {level}", self.covariate),
            None => f.write_str(&self.covariate),
        }
    }
}

/// Why covariates make no design.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DesignError {
    /// This covariate has another number of values than the first.
    LengthsDiffer(String),
    /// This factor has not as many names as levels.
    LevelNames(String),
    /// The reference of this factor is none of its levels.
    Reference(String),
}

impl fmt::Display for DesignError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LengthsDiffer(name) => write!(f, "covariate {name} has another number of values than the first one"),
            Self::LevelNames(name) => write!(f, "factor {name} has not as many level names as levels"),
            Self::Reference(name) => write!(f, "the reference of factor {name} is none of its levels"),
        }
    }
}

impl std::error::Error for DesignError {}

/// Covariates that fit together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CoxDesign {
    covariates: Vec<Covariate>,
}

/// One column: the covariate it comes from, and the level it indicates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Column {
    pub(super) term: usize,
    pub(super) level: Option<u16>,
}

impl CoxDesign {
    /// A design of these covariates; of none, for a model without any.
    ///
    /// # Errors
    ///
    /// When covariates differ in length, a factor has not a name for each level, or its reference is no level of it.
    pub fn new(covariates: Vec<Covariate>) -> Result<Self, DesignError> {
        let length = covariates.first().map_or(0, Covariate::len);
        for covariate in &covariates {
            if covariate.len() != length {
                return Err(DesignError::LengthsDiffer(covariate.name.clone()));
            }
            match &covariate.values {
                CovariateValues::Number { values, missing } if !missing.is_empty() && missing.len() != values.len() => {
                    return Err(DesignError::LengthsDiffer(covariate.name.clone()));
                }
                CovariateValues::Factor { codes, levels, .. } if levels.len() != usize::from(codes.levels()) => {
                    return Err(DesignError::LevelNames(covariate.name.clone()));
                }
                CovariateValues::Factor { codes, reference, .. } if *reference >= codes.levels() => {
                    return Err(DesignError::Reference(covariate.name.clone()));
                }
                _ => {}
            }
        }
        Ok(Self { covariates })
    }

    /// The covariates; a term each.
    pub fn covariates(&self) -> &[Covariate] {
        &self.covariates
    }

    /// Whether there is a value for each of so many observations.
    pub(super) fn fits(&self, observations: usize) -> bool {
        self.covariates.iter().all(|covariate| covariate.len() == observations)
    }

    /// Unmarks the rows that lack a covariate.
    pub(super) fn leave_out_incomplete(&self, complete: &mut [bool]) {
        for covariate in &self.covariates {
            match &covariate.values {
                CovariateValues::Number { missing, .. } => {
                    complete.iter_mut().zip(missing).for_each(|(complete, &missing)| *complete &= !missing);
                }
                CovariateValues::Factor { codes, .. } => {
                    complete.iter_mut().zip(codes.codes()).for_each(|(complete, &code)| *complete &= code != NO_GROUP);
                }
            }
        }
    }

    /// The first covariate with a value that is no finite number among the complete rows.
    pub(super) fn not_a_number(&self, complete: &[bool]) -> Option<&str> {
        self.covariates.iter().find_map(|covariate| match &covariate.values {
            CovariateValues::Number { values, .. } => values
                .iter()
                .zip(complete)
                .any(|(value, &complete)| complete && !value.is_finite())
                .then_some(covariate.name.as_str()),
            CovariateValues::Factor { .. } => None,
        })
    }

    /// The columns, and the levels that nobody among the complete rows has.
    pub(super) fn columns(&self, complete: &[bool]) -> (Vec<Column>, Vec<ColumnName>) {
        let (mut columns, mut absent) = (Vec::new(), Vec::new());
        for (term, covariate) in self.covariates.iter().enumerate() {
            let CovariateValues::Factor { codes, levels, reference } = &covariate.values else {
                columns.push(Column { term, level: None });
                continue;
            };
            let mut present = vec![false; levels.len()];
            for (&code, _) in codes.codes().iter().zip(complete).filter(|&(_, &complete)| complete) {
                present[usize::from(code)] = true;
            }
            for ((level, name), present) in (0..).zip(levels).zip(present) {
                if level == *reference {
                    continue;
                }
                if present {
                    columns.push(Column { term, level: Some(level) });
                } else {
                    absent.push(ColumnName { covariate: covariate.name.clone(), level: Some(name.clone()) });
                }
            }
        }
        (columns, absent)
    }

    /// What a column is called.
    pub(super) fn name(&self, column: Column) -> ColumnName {
        let covariate = &self.covariates[column.term];
        let level = match (&covariate.values, column.level) {
            (CovariateValues::Factor { levels, .. }, Some(level)) => levels.get(usize::from(level)).cloned(),
            _ => None,
        };
        ColumnName { covariate: covariate.name.clone(), level }
    }

    /// Writes the values of a column for these rows, moved by `centre` and divided by `scale`.
    pub(super) fn gather(&self, column: Column, rows: &[u32], centre: f64, scale: f64) -> Vec<f64> {
        match (&self.covariates[column.term].values, column.level) {
            (CovariateValues::Number { values, .. }, _) => {
                rows.iter().map(|&row| (values[row as usize] - centre) / scale).collect()
            }
            (CovariateValues::Factor { codes, .. }, level) => {
                let codes = codes.codes();
                let (with, without) = ((1.0 - centre) / scale, -centre / scale);
                rows.iter().map(|&row| if Some(codes[row as usize]) == level { with } else { without }).collect()
            }
        }
    }

    /// The mean of a column over the complete rows, and the power of two next to its standard deviation (0 if it doesn't vary).
    ///
    /// Division by a power of two is exact, so scaling changes no digit of a result.
    pub(super) fn centre_and_scale(&self, column: Column, complete: &[bool]) -> (f64, f64) {
        match (&self.covariates[column.term].values, column.level) {
            (CovariateValues::Number { values, .. }, _) => {
                let first = values.iter().zip(complete).find(|&(_, &complete)| complete).map_or(0.0, |(&value, _)| value);
                let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
                for (&value, _) in values.iter().zip(complete).filter(|&(_, &complete)| complete) {
                    let from_first = value - first;
                    n += 1.0;
                    sum += from_first;
                    squares += from_first * from_first;
                }
                let mean = sum / f64::max(n, 1.0);
                let variance = squares / f64::max(n, 1.0) - mean * mean;
                let scale = if variance > squares * 1e-15 { power_of_two_near(variance.sqrt()) } else { 0.0 };
                (first + mean, scale)
            }
            (CovariateValues::Factor { codes, .. }, level) => {
                let (mut n, mut with) = (0_u64, 0_u64);
                for (&code, _) in codes.codes().iter().zip(complete).filter(|&(_, &complete)| complete) {
                    n += 1;
                    with += u64::from(Some(code) == level);
                }
                (with as f64 / f64::max(n as f64, 1.0), if with < n { 1.0 } else { 0.0 })
            }
        }
    }
}

fn power_of_two_near(value: f64) -> f64 {
    libm::exp2(libm::round(libm::log2(value)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn three_levels(codes: &[u16], reference: u16) -> Covariate {
        let names = ["a", "b", "c"].map(String::from).to_vec();
        Covariate::factor("f", Grouping::new(codes.to_vec(), 3).expect("levels"), names, reference)
    }

    #[test]
    fn a_factor_expands_to_indicators_but_for_its_reference_and_empty_levels() {
        let design =
            CoxDesign::new(vec![three_levels(&[0, 1, 0, NO_GROUP], 1), Covariate::number("x", vec![1.0, 2.0, 4.0, 7.0])])
                .expect("fits");
        let mut complete = vec![true; 4];
        design.leave_out_incomplete(&mut complete);
        assert_eq!(complete, [true, true, true, false]);
        let (columns, absent) = design.columns(&complete);
        let names: Vec<String> = columns.iter().map(|&column| design.name(column).to_string()).collect();
        assert_eq!(names, ["f: a", "x"]);
        assert_eq!(absent.iter().map(ColumnName::to_string).collect::<Vec<_>>(), ["f: c"]);
        assert_eq!(design.gather(columns[0], &[2, 1], 0.5, 1.0), [0.5, -0.5]);
        let (centre, scale) = design.centre_and_scale(columns[1], &complete);
        assert!((centre - 7.0 / 3.0).abs() < 1e-15, "absolute");
        assert_eq!(scale.to_bits(), 1.0_f64.to_bits());
    }

    #[test]
    fn what_does_not_fit_together_is_refused() {
        let x = Covariate::number("x", vec![1.0]);
        assert_eq!(CoxDesign::new(vec![x.clone(), three_levels(&[0, 1], 0)]), Err(DesignError::LengthsDiffer("f".into())));
        assert_eq!(CoxDesign::new(vec![three_levels(&[0], 3)]), Err(DesignError::Reference("f".into())));
        let nameless = Covariate::factor("g", Grouping::new(vec![0], 2).expect("levels"), vec!["one".into()], 0);
        assert_eq!(CoxDesign::new(vec![nameless]), Err(DesignError::LevelNames("g".into())));
        let infinite = Covariate::number("y", vec![f64::INFINITY]);
        assert_eq!(CoxDesign::new(vec![x, infinite]).expect("fits").not_a_number(&[true]), Some("y"));
    }
}
