//! Do the columns of a table depend on its rows? Pearson's χ² and the likelihood ratio.
//!
//! Formula.     With counts n_ij, expected e_ij = row total · column total / N: X² = Σ (n_ij − e_ij)²/e_ij;
//!              G² = 2·Σ n_ij·ln(n_ij/e_ij); both by χ² with (rows − 1)·(columns − 1) degrees of freedom. With continuity
//!              correction (2×2 only): N·max(|n₁₁n₂₂ − n₁₂n₂₁| − N/2, 0)² / product of the four margins.
//!              Cramér's V = √(X² / (N·(min(rows, columns) − 1))).
//! Source.      Pearson K. Philos Mag 1900;50:157–175; Yates F. Suppl J R Stat Soc 1934;1:217–235; Agresti A. Categorical Data
//!              Analysis, 2nd ed. 2002, 3.2 (all from memory).
//! Decided.     Empty rows and columns take no part. The correction never takes the difference past zero.
//! Not for.     Restorations of one patient (see `clustered_table`); few expected in many cells (see `fisher_freeman_halton`).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::contingency_table::ContingencyTable;
use super::distribution::{TailProbability, chi_square_upper_tail};
use crate::quantity::Known;

/// A statistic that follows χ² where there is nothing to find, and its probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChiSquaredTest {
    /// The statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of one at least as large.
    pub probability: TailProbability,
}

impl ChiSquaredTest {
    pub(super) fn of(statistic: f64, degrees_of_freedom: u32) -> Self {
        Self { statistic, degrees_of_freedom, probability: chi_square_upper_tail(statistic, degrees_of_freedom) }
    }
}

/// Tests of independence, and how strong the association is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IndependenceTest {
    /// Pearson's χ².
    pub pearson: ChiSquaredTest,
    /// The same with continuity correction, for tables of two rows and two columns.
    pub continuity_corrected: Option<ChiSquaredTest>,
    /// The likelihood-ratio statistic.
    pub likelihood_ratio: ChiSquaredTest,
    /// Cramér's V: 0 without association, 1 where one factor tells the other.
    pub cramer_v: f64,
    /// The smallest expected count. χ² is doubtful when many are below 5.
    pub smallest_expected: f64,
    /// How many expected counts are below 5.
    pub expected_below_five: u64,
}

/// Tests whether columns depend on rows; each observation counts as independent.
///
/// Not known when all are in one row or one column.
pub fn independence_test(table: &ContingencyTable) -> Known<IndependenceTest> {
    table.varying().map(|table| test_of(&table))
}

#[expect(clippy::cast_possible_truncation, reason = "degrees of freedom of a table in memory")]
fn test_of(table: &ContingencyTable) -> IndependenceTest {
    let (row_totals, column_totals) = (table.row_totals(), table.column_totals());
    let total = table.total() as f64;
    let (mut pearson, mut ln_ratio, mut smallest, mut below_five) = (0.0, 0.0, f64::INFINITY, 0);
    for (row, &row_total) in row_totals.iter().enumerate() {
        for (&count, &column_total) in table.row(row).iter().zip(&column_totals) {
            let (count, expected) = (count as f64, row_total as f64 * column_total as f64 / total);
            pearson += (count - expected) * (count - expected) / expected;
            if count > 0.0 {
                // n·ln(n/e) − (n − e), whose parts taken away sum to nothing: all terms are positive, so none cancels.
                let excess = (count - expected) / expected;
                let ln = if excess.abs() < 0.5 { libm::log1p(excess) } else { libm::log(count / expected) };
                ln_ratio += count * ln - (count - expected);
            } else {
                ln_ratio += expected;
            }
            smallest = expected.min(smallest);
            below_five += u64::from(expected < 5.0);
        }
    }
    let freedom = ((table.rows() - 1) * (table.columns() - 1)) as u32;
    let fewer = table.rows().min(table.columns()) as f64;
    IndependenceTest {
        pearson: ChiSquaredTest::of(pearson, freedom),
        continuity_corrected: (freedom == 1).then(|| corrected(table)),
        likelihood_ratio: ChiSquaredTest::of(2.0 * ln_ratio.max(0.0), freedom),
        cramer_v: libm::sqrt(pearson / (total * (fewer - 1.0))).min(1.0),
        smallest_expected: smallest,
        expected_below_five: below_five,
    }
}

fn corrected(table: &ContingencyTable) -> ChiSquaredTest {
    let count = |row, column| table.at(row, column) as f64;
    let total = table.total() as f64;
    let reach = ((count(0, 0) * count(1, 1) - count(0, 1) * count(1, 0)).abs() - 0.5 * total).max(0.0);
    let share = |totals: Vec<u64>| totals[0] as f64 * (totals[1] as f64);
    ChiSquaredTest::of(total * (reach / share(table.row_totals())) * (reach / share(table.column_totals())), 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::WhyNotKnown;

    #[test]
    fn two_by_two_by_hand() {
        // By hand: [[3, 1], [1, 3]]: X² = 8·(9 − 1)²/4⁴ = 2; corrected 8·(8 − 4)²/256 = 0.5; V = √(2/8) = 0.5.
        let table = ContingencyTable::new(&[[3, 1], [1, 3]]).expect("a table");
        let test = *independence_test(&table).known().expect("both vary");
        assert!((test.pearson.statistic - 2.0).abs() < 1e-15, "absolute");
        assert!((test.continuity_corrected.expect("two by two").statistic - 0.5).abs() < 1e-15, "absolute");
        // G² = 2·(2·3·ln(3/2) + 2·ln(1/2)).
        let exact = 12.0 * 1.5_f64.ln() - 4.0 * 2.0_f64.ln();
        assert!((test.likelihood_ratio.statistic - exact).abs() < 1e-14, "absolute");
        assert!((test.cramer_v - 0.5).abs() < 1e-15, "absolute");
        assert_eq!(test.expected_below_five, 4);
    }

    #[test]
    fn the_correction_never_passes_zero() {
        let table = ContingencyTable::new(&[[2, 2], [3, 2]]).expect("a table");
        let test = *independence_test(&table).known().expect("both vary");
        assert!(test.continuity_corrected.expect("two by two").statistic <= 0.0);
        assert!(test.continuity_corrected.expect("two by two").probability.p_value >= 1.0);
    }

    #[test]
    fn one_column_tells_nothing() {
        let table = ContingencyTable::new(&[[5, 0], [7, 0]]).expect("a table");
        assert_eq!(independence_test(&table), Known::NotKnown(WhyNotKnown::NoVariation));
    }
}
