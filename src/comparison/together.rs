//! What goes with failure when the factor and all that is adjusted for are looked at together: the proportional-hazards model, and a
//! Weibull model of failures known only to lie between two visits.

use super::asked::Questions;
use super::compared::Compared;
use crate::quantity::{Estimate, Known, WhyNotKnown};
use crate::result::{Computed, Together, TogetherLine};
use crate::stats::{
    ColumnName, Covariate, CovariateValues, CoxDesign, CoxOptions, Ending, LogTimeFamily, NO_GROUP, ParametricOptions,
    TiesHandling, cox_regression, parametric_regression, penalised_cox_regression,
};

/// With fewer failures for each coefficient than this, Firth's penalty is laid on the proportional-hazards model (a rule of thumb of the
/// trade: ten events for each variable; from memory).
pub const FEW_FAILURES_PER_COEFFICIENT: u64 = 10;

/// Fits both models.
pub fn together(rows: &Compared, factor: &str, asked: &Questions) -> Computed<Together> {
    let (mut covariates, _) = rows.to_adjust_for();
    if rows.levels.levels() > 1 {
        covariates.insert(0, Covariate::factor(factor, rows.levels.clone(), rows.labels.clone(), rows.reference));
    }
    if covariates.is_empty() {
        return Computed::NotComputed("there is nothing that differs between restorations".to_owned());
    }
    let complete = rows.complete(&covariates);
    let kept: Vec<u32> = (0..).zip(&complete).filter(|(_, complete)| **complete).map(|(row, _)| row).collect();
    let (some, covariates) = rows.only(&kept, &covariates);
    let failures = some.observations.ending().iter().filter(|ending| **ending == Ending::Failed).count() as u64;
    let coefficients = covariates.iter().map(|covariate| levels_present(covariate).max(2) as u64 - 1).sum::<u64>();
    if failures == 0 {
        return Computed::NotComputed("no restoration that has everything recorded failed".to_owned());
    }
    let design = match CoxDesign::new(covariates.clone()) {
        Ok(design) => design,
        Err(error) => return Computed::NotComputed(error.to_string()),
    };
    let few = failures < FEW_FAILURES_PER_COEFFICIENT * coefficients;
    let line = |column: &ColumnName, ratio: Estimate<f64>, p_value: Known<f64>| {
        line(&some, &covariates, column, ratio, p_value, asked)
    };
    let robust = || {
        cox_regression(&some.observations, &design, None, CoxOptions { level: asked.level, ..CoxOptions::default() }).map(
            |model| {
                let lines = model.regression.coefficients.iter();
                lines.map(|one| line(&one.column, one.hazard_ratio, one.test.map(|test| test.p_value))).collect::<Vec<_>>()
            },
        )
    };
    let penalised = || {
        penalised_cox_regression(&some.observations, &design, None, TiesHandling::Efron, asked.level).map(|fit| {
            let lines = fit.coefficients.iter();
            lines.map(|one| line(&one.column, one.hazard_ratio, one.test.map(|test| test.p_value))).collect::<Vec<_>>()
        })
    };
    // Without an estimate otherwise, as when a level has no failures, the penalty gives one.
    let (penalty_used, hazards) = if few {
        (true, penalised())
    } else {
        match robust() {
            Ok(lines) => (false, Ok(lines)),
            Err(_) => (true, penalised()),
        }
    };
    let told = some.told_between_visits();
    let silent = (kept.len() - told.len()) as u64;
    let (telling, of_telling) = some.only(&told, &covariates);
    let between = telling.bounds().map_err(|refused| refused.why.to_string()).and_then(|bounds| {
        let design = CoxDesign::new(of_telling).map_err(|error| error.to_string())?;
        let options =
            ParametricOptions { family: LogTimeFamily::Weibull, level: asked.level, ..ParametricOptions::default() };
        parametric_regression(&bounds, &design, options).map_err(|problem| problem.to_string()).map(|model| {
            let lines = model.regression.coefficients.iter();
            lines
                .filter_map(|one| Some(line(&one.column, one.hazard_ratio?, one.test.map(|test| test.p_value))))
                .collect::<Vec<_>>()
        })
    });
    Computed::Computed(Together {
        covariates: covariates.iter().map(|covariate| covariate.name.clone()).collect(),
        restorations: kept.len() as u64,
        failures,
        coefficients,
        penalised: penalty_used,
        no_hazards: hazards.as_ref().err().map(ToString::to_string),
        hazards: hazards.unwrap_or_default(),
        family: LogTimeFamily::Weibull,
        silent_between_visits: silent,
        no_between_visits: between.as_ref().err().cloned(),
        between_visits: between.unwrap_or_default(),
    })
}

fn levels_present(covariate: &Covariate) -> usize {
    match &covariate.values {
        CovariateValues::Number { .. } => 2,
        CovariateValues::Factor { codes, levels, .. } => {
            (0..levels.len()).filter(|level| codes.codes().iter().any(|&code| usize::from(code) == *level)).count()
        }
    }
}

/// Whether as many failures and patients stand behind some rows as the protocol asks for before anything is tested.
fn enough(rows: &Compared, is_one: impl Fn(usize) -> bool, asked: &Questions) -> bool {
    let (endings, patients) = (rows.observations.ending(), rows.observations.cluster());
    let (mut failures, mut seen) = (0, std::collections::HashSet::new());
    for row in (0..endings.len()).filter(|row| is_one(*row)) {
        failures += u64::from(endings[row] == Ending::Failed);
        if (seen.len() as u64) < asked.least_patients {
            seen.insert(patients[row]);
        }
        if failures >= asked.least_failures && seen.len() as u64 >= asked.least_patients {
            return true;
        }
    }
    false
}

/// A line of a model. What the protocol calls too few failures or patients to be tested is not tested here either: those of a level or of
/// the one it is held against; of a number, all.
fn line(
    rows: &Compared,
    covariates: &[Covariate],
    column: &ColumnName,
    ratio: Estimate<f64>,
    p_value: Known<f64>,
    asked: &Questions,
) -> TogetherLine {
    let covariate = covariates.iter().find(|covariate| covariate.name == column.covariate);
    let (reference, restorations, tested) = match covariate.map(|covariate| &covariate.values) {
        Some(CovariateValues::Factor { codes, levels, reference }) => {
            let place = column.level.as_ref().and_then(|level| levels.iter().position(|known| known == level));
            let is_of = |place: Option<usize>, row: usize| {
                let code = codes.codes()[row];
                code != NO_GROUP && Some(usize::from(code)) == place
            };
            let count = (0..codes.codes().len()).filter(|row| is_of(place, *row)).count();
            let sides = [place, Some(usize::from(*reference))];
            let tested = sides.into_iter().all(|side| enough(rows, |row| is_of(side, row), asked));
            (levels.get(usize::from(*reference)).cloned(), count as u64, tested)
        }
        Some(CovariateValues::Number { values, .. }) => (None, values.len() as u64, enough(rows, |_| true, asked)),
        None => (None, 0, true),
    };
    let p_value = if tested { p_value } else { Known::NotKnown(WhyNotKnown::TooFewToShow) };
    TogetherLine {
        covariate: column.covariate.clone(),
        level: column.level.clone(),
        reference,
        restorations,
        hazard_ratio: ratio,
        p_value,
    }
}
