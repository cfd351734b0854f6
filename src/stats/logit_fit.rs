//! A fitted logistic regression of two or more levels, as it is inside, and its coefficients in the units given.

use super::cox::Convergence;
use super::cox_tests::{CoefficientTest, RegressionTest, coefficient_test, reach};
use super::logistic::{FirthPenalty, LogisticCoefficient, LogisticOptions, LogisticProblem};
use super::logit_climb::{climb, refuse_collinear};
use super::logit_likelihood::{evaluate, scores_by_cluster};
use super::logit_penalty::Penalised;
use super::logit_rows::LogitRows;
use super::symmetric::Symmetric;
use crate::quantity::{ConfidenceInterval, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};

/// A fit, in the units of the columns inside.
pub(super) struct LogitFit {
    pub(super) beta: Vec<f64>,
    pub(super) inverse: Symmetric,
    pub(super) ln_likelihood: f64,
    /// Of the model of shares alone; penalised if the fit is.
    pub(super) ln_likelihood_of_shares: f64,
    pub(super) convergence: Convergence,
    /// The penalised maximum, where there is a penalty.
    pub(super) penalised: Option<Penalised>,
}

impl LogitFit {
    /// Fits rows, from the model of shares alone or from a point nearby.
    pub(super) fn of(rows: &LogitRows, penalty: FirthPenalty, near: Option<Vec<f64>>) -> Result<Self, LogisticProblem> {
        refuse_collinear(rows)?;
        let alone = rows.shares_alone();
        if penalty != FirthPenalty::Always {
            let of_shares = evaluate(rows, &alone).ln_likelihood;
            match climb(rows, near.unwrap_or_else(|| alone.clone()), of_shares) {
                Ok(settled) => {
                    return Ok(Self {
                        beta: settled.beta,
                        inverse: settled.root.inverse(),
                        ln_likelihood: settled.at.ln_likelihood,
                        ln_likelihood_of_shares: of_shares,
                        convergence: settled.convergence,
                        penalised: None,
                    });
                }
                Err(LogisticProblem::Separated { .. }) if penalty == FirthPenalty::IfSeparated => {}
                Err(problem) => return Err(problem),
            }
        }
        let (of_shares, _) = Penalised::at(rows, alone)?.climb(rows, |k| k % rows.width() > 0)?;
        // ln|I| in the units given differs by a constant.
        let units = rows.contrasts() as f64 * rows.scale.iter().map(|&scale| libm::log(scale)).sum::<f64>();
        let ln_likelihood_of_shares = of_shares.ln_likelihood + units;
        let (best, convergence) = of_shares.climb(rows, |_| false)?;
        Ok(Self {
            beta: best.beta.clone(),
            inverse: best.root.inverse(),
            ln_likelihood: best.ln_likelihood + units,
            ln_likelihood_of_shares,
            convergence,
            penalised: Some(best),
        })
    }

    /// The cluster-robust covariance.
    pub(super) fn robust(&self, rows: &LogitRows, clusters: &[u32]) -> Known<Symmetric> {
        if self.penalised.is_some() {
            return Known::NotKnown(WhyNotKnown::Separated);
        }
        if rows.behind.clusters < 2 {
            return Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        let mut squares = Symmetric::zero(rows.parameters());
        for sums in scores_by_cluster(rows, &self.beta, clusters).chunks_exact(rows.parameters()) {
            squares.add_square(1.0, sums);
        }
        Known::Known(squares.between(&self.inverse))
    }

    /// The test of all coefficients at once against shares alone.
    pub(super) fn likelihood_ratio_test(&self, rows: &LogitRows) -> RegressionTest {
        let statistic = (2.0 * (self.ln_likelihood - self.ln_likelihood_of_shares)).max(0.0);
        RegressionTest::of(statistic, rows.parameters() - rows.contrasts())
    }

    /// The coefficients in the units given, the constant of each level first.
    pub(super) fn in_units(&self, rows: &LogitRows) -> Vec<f64> {
        let mut units = self.beta.clone();
        for block in units.chunks_exact_mut(rows.width()) {
            for k in 1..rows.width() {
                block[k] /= rows.scale[k - 1];
                block[0] -= block[k] * rows.centre[k - 1];
            }
        }
        units
    }
}

/// A covariance of the parameters inside, for those in the units given.
pub(super) fn covariance_in_units(rows: &LogitRows, inside: &Symmetric) -> Symmetric {
    let (width, size) = (rows.width(), rows.parameters());
    // Parameter (a, 0) is that inside less Σ centre/scale of the others; (a, k) is that inside by the scale.
    let spread = |place: usize| -> Vec<(usize, f64)> {
        let base = place - place % width;
        if place > base {
            vec![(place, 1.0 / rows.scale[place - base - 1])]
        } else {
            let others = (1..width).map(|k| (base + k, -rows.centre[k - 1] / rows.scale[k - 1]));
            [(base, 1.0)].into_iter().chain(others).collect()
        }
    };
    let spreads: Vec<_> = (0..size).map(spread).collect();
    let mut units = Symmetric::zero(size);
    for row in 0..size {
        for column in 0..=row {
            let terms = spreads[row].iter().flat_map(|&(i, f)| spreads[column].iter().map(move |&(j, g)| (i, j, f * g)));
            units.add(row, column, terms.map(|(i, j, factor)| factor * inside.at(i, j)).sum());
        }
    }
    units
}

/// What coefficients are made of.
pub(super) struct Coefficients<'a> {
    pub(super) rows: &'a LogitRows,
    pub(super) fit: &'a LogitFit,
    pub(super) options: LogisticOptions,
    /// In the units given.
    pub(super) beta: Vec<f64>,
    pub(super) model_based: Symmetric,
    /// The covariance that is used.
    pub(super) used: Known<Symmetric>,
}

impl<'a> Coefficients<'a> {
    pub(super) fn of(rows: &'a LogitRows, fit: &'a LogitFit, options: LogisticOptions, clusters: &[u32]) -> Self {
        let model_based = covariance_in_units(rows, &fit.inverse);
        let used = match options.variance {
            _ if fit.penalised.is_some() => Known::Known(model_based.clone()),
            Variance::ModelBased => Known::Known(model_based.clone()),
            Variance::ClusterRobust => fit.robust(rows, clusters).map(|inside| covariance_in_units(rows, &inside)),
        };
        Self { rows, fit, options, beta: fit.in_units(rows), model_based, used }
    }

    /// The variance that stands behind errors: a penalised fit has the model-based one alone.
    pub(super) fn variance(&self) -> Variance {
        if self.fit.penalised.is_some() { Variance::ModelBased } else { self.options.variance }
    }

    /// Parameter (a, k) by its place.
    pub(super) fn estimate(&self, place: usize) -> Estimate<f64> {
        let value = self.beta[place];
        let error = self.error(place);
        let reach = reach(self.options.level, None);
        // The constant moves with the columns' means, so its profile is not that of one parameter inside: Wald's interval.
        let interval = match &self.fit.penalised {
            Some(best) if !place.is_multiple_of(self.rows.width()) => {
                let inside = libm::sqrt(self.fit.inverse.at(place, place));
                let scale = self.rows.scale[place % self.rows.width() - 1];
                let limit = |sign| best.limit(self.rows, place, sign, reach, inside).map(|limit| limit / scale);
                match (limit(-1.0), limit(1.0)) {
                    (Ok(lower), Ok(upper)) => Known::Known(ConfidenceInterval {
                        lower,
                        upper,
                        level: self.options.level,
                        method: IntervalMethod::ProfileLikelihood,
                    }),
                    (Err(problem), _) | (_, Err(problem)) => Known::NotKnown(problem.why()),
                }
            }
            _ => error.map(|error| ConfidenceInterval {
                lower: value - reach * error,
                upper: value + reach * error,
                level: self.options.level,
                method: IntervalMethod::Plain,
            }),
        };
        Estimate {
            value,
            standard_error: error.known().copied(),
            variance: self.variance(),
            interval,
            behind: self.rows.behind,
        }
    }

    fn error(&self, place: usize) -> Known<f64> {
        self.used.clone().map(|used| libm::sqrt(used.at(place, place)))
    }

    /// The coefficients of the covariates, of the a-th level but the reference.
    pub(super) fn of_level(&self, a: usize) -> Vec<LogisticCoefficient> {
        let base = a * self.rows.width();
        let one = |k: usize| {
            let place = base + k;
            let coefficient = self.estimate(place);
            let ratios = match coefficient.interval {
                Known::Known(interval) if libm::exp(interval.upper).is_finite() => Known::Known(ConfidenceInterval {
                    lower: libm::exp(interval.lower),
                    upper: libm::exp(interval.upper),
                    method: match interval.method {
                        IntervalMethod::Plain => IntervalMethod::Log,
                        other => other,
                    },
                    ..interval
                }),
                Known::Known(_) => Known::NotKnown(WhyNotKnown::AtBoundary),
                Known::NotKnown(why) => Known::NotKnown(why),
            };
            LogisticCoefficient {
                column: self.rows.names[k - 1].clone(),
                coefficient,
                odds_ratio: Estimate { value: libm::exp(coefficient.value), interval: ratios, ..coefficient },
                model_based_error: libm::sqrt(self.model_based.at(place, place)),
                test: self.test(place, coefficient.value),
            }
        };
        (1..self.rows.width()).map(one).collect()
    }

    fn test(&self, place: usize, value: f64) -> Known<CoefficientTest> {
        if let Some(best) = &self.fit.penalised {
            return match best.profile(self.rows, place, 0.0) {
                Ok(without) => {
                    let statistic = libm::sqrt((2.0 * (best.ln_likelihood - without.ln_likelihood)).max(0.0));
                    Known::Known(coefficient_test(libm::copysign(statistic, value), 1.0, None))
                }
                Err(problem) => Known::NotKnown(problem.why()),
            };
        }
        match self.error(place) {
            Known::Known(error) if error > 0.0 => Known::Known(coefficient_test(value, error, None)),
            Known::Known(_) => Known::NotKnown(WhyNotKnown::TooFewClusters),
            Known::NotKnown(why) => Known::NotKnown(why),
        }
    }

    /// Wald's test of a covariate's columns, for all levels at once.
    pub(super) fn test_of_term(&self, term: usize) -> Known<RegressionTest> {
        let width = self.rows.width();
        let of_term = |place: &usize| {
            let k = place % width;
            k > 0 && self.rows.design_columns[k - 1].term == term
        };
        let kept: Vec<usize> = (0..self.rows.parameters()).filter(of_term).collect();
        let part: Vec<f64> = kept.iter().map(|&place| self.beta[place]).collect();
        match &self.used {
            Known::Known(used) if !kept.is_empty() => RegressionTest::quadratic(&part, &used.only(&kept)),
            Known::Known(_) => Known::NotKnown(WhyNotKnown::Collinear),
            Known::NotKnown(why) => Known::NotKnown(*why),
        }
    }
}
