//! How far two examiners agree beyond chance: Cohen's kappa, plain and weighted.
//!
//! Formula.     With shares p_ij of the table, margins p_i and q_j, weights w_ij: o = Σ w·p_ij, e = Σ w·p_i·q_j, κ = (o − e)/(1 − e).
//!              Weights: 1 where i = j, else 0; 1 − |i − j|/(k − 1); 1 − (i − j)²/(k − 1)². With w̄_ij = Σ_l w_il·q_l + Σ_l w_lj·p_l:
//!              variance Σ p_ij·(w_ij − w̄_ij(1 − κ) − κ + e(1 − κ))² / (n(1 − e)²);
//!              where κ = 0: Σ p_i·q_j·(w_ij − w̄_ij + e)² / (n(1 − e)²).
//! Source.      Cohen J. Educ Psychol Meas 1960;20:37–46; Psychol Bull 1968;70:213–220; Fleiss JL, Cohen J, Everitt BS. Psychol Bull
//!              1969;72:323–327 (all from memory).
//! Decided.     The interval rests on the variance without supposition, the test on that where κ = 0. Both examiners using one and the same
//!              category only: chance alone explains all, κ is not defined. Complete agreement has a κ of 1 without interval. Categories
//!              count by their place, also unused ones between others.
//! Cost.        One pass over the table.
//! Not for.     Fillings of one patient: see `clustered_kappa`. More than two examiners: see `krippendorff`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::contingency_table::ContingencyTable;
use super::distribution::{TailProbability, chi_square_upper_tail, normal_quantile_upper};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// How much a disagreement counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AgreementWeights {
    /// Every disagreement alike.
    #[default]
    Unweighted,
    /// By how many categories apart.
    Linear,
    /// By the square of how many categories apart.
    Quadratic,
}

impl AgreementWeights {
    /// The weight of categories `one` and `other` of so many.
    pub(super) fn weight(self, one: usize, other: usize, categories: usize) -> f64 {
        let apart = one.abs_diff(other) as f64 / (categories.max(2) - 1) as f64;
        match self {
            Self::Unweighted if one == other => 1.0,
            Self::Unweighted => 0.0,
            Self::Linear => 1.0 - apart,
            Self::Quadratic => (1.0 - apart) * (1.0 + apart),
        }
    }
}

/// Kappa of two examiners.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Kappa {
    /// Agreement beyond chance: 1 complete, 0 as by chance.
    pub value: f64,
    /// How disagreements count.
    pub weights: AgreementWeights,
    /// Weighted agreement seen.
    pub observed: f64,
    /// Weighted agreement expected by chance.
    pub expected: f64,
    /// Standard error; at the boundary with complete agreement.
    pub standard_error: Known<f64>,
    /// Limits by it.
    pub interval: Known<ConfidenceInterval<f64>>,
    /// Standard error where kappa is 0.
    pub null_standard_error: Known<f64>,
    /// Two-sided probability of one as far from 0.
    pub probability: Known<TailProbability>,
    /// Things scored by both.
    pub scored: u64,
}

/// Kappa of a square table of categories by the first examiner as rows and by the second as columns.
///
/// Not known when nothing is scored by both, or when both used one and the same category only. A table that is not square is read as if
/// the categories missing on one side were unused there.
pub fn kappa(table: &ContingencyTable, weights: AgreementWeights, level: ConfidenceLevel) -> Known<Kappa> {
    let shares = match Shares::of(table, weights) {
        Known::Known(shares) => shares,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let value = shares.kappa();
    let (mut squares, mut null_squares) = (0.0, 0.0);
    shares.each(|i, j, share| {
        let influence = shares.influence(i, j);
        squares += share * influence * influence;
        let null = shares.weight(i, j) - shares.by_row[i] - shares.by_column[j] + shares.expected;
        null_squares += shares.rows[i] * shares.columns[j] * null * null;
    });
    let error = |variance: f64| {
        if variance > 1e-28 { Known::Known(libm::sqrt(variance)) } else { Known::NotKnown(WhyNotKnown::AtBoundary) }
    };
    let standard_error = error(squares / shares.total);
    let null_standard_error = error(null_squares / shares.total / (shares.chance_left * shares.chance_left));
    let z = normal_quantile_upper(level.tail());
    Known::Known(Kappa {
        value,
        weights,
        observed: shares.observed,
        expected: shares.expected,
        standard_error,
        interval: standard_error.map(|error| ConfidenceInterval {
            lower: (value - z * error).max(-1.0),
            upper: (value + z * error).min(1.0),
            level,
            method: IntervalMethod::Plain,
        }),
        null_standard_error,
        probability: null_standard_error.map(|error| chi_square_upper_tail(value / error * (value / error), 1)),
        scored: table.total(),
    })
}

/// The value of kappa alone.
pub(super) fn kappa_value(table: &ContingencyTable, weights: AgreementWeights) -> Known<f64> {
    Shares::of(table, weights).map(|shares| shares.kappa())
}

struct Shares<'a> {
    table: &'a ContingencyTable,
    weights: AgreementWeights,
    categories: usize,
    total: f64,
    rows: Vec<f64>,
    columns: Vec<f64>,
    /// Mean weight of a row against the columns, and of a column against the rows.
    by_row: Vec<f64>,
    by_column: Vec<f64>,
    observed: f64,
    expected: f64,
    /// 1 − expected, without cancelling.
    chance_left: f64,
    /// 1 − observed, likewise.
    apart: f64,
}

impl<'a> Shares<'a> {
    fn of(table: &'a ContingencyTable, weights: AgreementWeights) -> Known<Self> {
        let total = table.total() as f64;
        if total <= 0.0 {
            return Known::NotKnown(WhyNotKnown::NoObservations);
        }
        let categories = table.rows().max(table.columns());
        let shares = |totals: Vec<u64>| {
            let mut shares: Vec<f64> = totals.into_iter().map(|count| count as f64 / total).collect();
            shares.resize(categories, 0.0);
            shares
        };
        let (rows, columns) = (shares(table.row_totals()), shares(table.column_totals()));
        let mean = |of: &dyn Fn(usize) -> f64, shares: &[f64]| -> f64 {
            shares.iter().enumerate().map(|(l, share)| of(l) * share).sum()
        };
        let weight = |i, j| weights.weight(i, j, categories);
        let by_row: Vec<f64> = (0..categories).map(|i| mean(&|l| weight(i, l), &columns)).collect();
        let by_column: Vec<f64> = (0..categories).map(|j| mean(&|l| weight(l, j), &rows)).collect();
        let (mut apart, mut chance_left) = (0.0, 0.0);
        for (i, p) in rows.iter().enumerate() {
            for (j, q) in columns.iter().enumerate() {
                let off = 1.0 - weight(i, j);
                chance_left += off * p * q;
                if i < table.rows() && j < table.columns() {
                    apart += off * table.at(i, j) as f64 / total;
                }
            }
        }
        if chance_left <= 0.0 {
            return Known::NotKnown(WhyNotKnown::NoVariation);
        }
        let (observed, expected) = (1.0 - apart, 1.0 - chance_left);
        Known::Known(Self {
            table,
            weights,
            categories,
            total,
            rows,
            columns,
            by_row,
            by_column,
            observed,
            expected,
            chance_left,
            apart,
        })
    }

    fn kappa(&self) -> f64 {
        1.0 - self.apart / self.chance_left
    }

    fn weight(&self, i: usize, j: usize) -> f64 {
        self.weights.weight(i, j, self.categories)
    }

    /// Of one thing in row i, column j on kappa, times n.
    fn influence(&self, i: usize, j: usize) -> f64 {
        let beyond = self.apart / self.chance_left;
        let seen = self.weight(i, j) - self.observed;
        (seen - beyond * (self.by_row[i] + self.by_column[j] - 2.0 * self.expected)) / self.chance_left
    }

    fn each(&self, mut visit: impl FnMut(usize, usize, f64)) {
        for i in 0..self.categories {
            for j in 0..self.categories {
                let inside = i < self.table.rows() && j < self.table.columns();
                visit(i, j, if inside { self.table.at(i, j) as f64 / self.total } else { 0.0 });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(rows: &[Vec<u64>], weights: AgreementWeights) -> Known<Kappa> {
        kappa(&ContingencyTable::new(rows).expect("a table"), weights, ConfidenceLevel::USUAL)
    }

    #[test]
    fn by_hand() {
        // 35 of 50 agree; by chance ½·0.6 + ½·0.4 = ½: κ = 0.4. Where κ = 0, Σ p_i·q_j·(w − w̄ + e)² = 0.24, by 50·¼ = 0.0192.
        let kappa = *of(&[vec![20, 5], vec![10, 15]], AgreementWeights::Unweighted).known().expect("defined");
        assert!((kappa.value - 0.4).abs() < 1e-15, "absolute");
        assert!((kappa.null_standard_error.known().expect("spread") - 0.0192_f64.sqrt()).abs() < 1e-15, "absolute");
    }

    #[test]
    fn ends() {
        for weights in [AgreementWeights::Unweighted, AgreementWeights::Linear, AgreementWeights::Quadratic] {
            assert_eq!(of(&[vec![7, 0], vec![0, 0]], weights), Known::NotKnown(WhyNotKnown::NoVariation));
            assert_eq!(of(&[vec![0, 0], vec![0, 0]], weights), Known::NotKnown(WhyNotKnown::NoObservations));
            let complete = *of(&[vec![7, 0, 0], vec![0, 2, 0], vec![0, 0, 3]], weights).known().expect("defined");
            assert_eq!((complete.value, complete.interval), (1.0, Known::NotKnown(WhyNotKnown::AtBoundary)));
            // One examiner uses one category: no agreement beyond chance.
            let flat = *of(&[vec![7, 4], vec![0, 0]], weights).known().expect("defined");
            assert!(flat.value.abs() < 1e-15, "absolute");
        }
    }
}
