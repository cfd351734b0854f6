//! Do the columns of a table depend on its rows, where observations come in clusters? Pearson's χ² corrected (Rao and Scott).
//!
//! Formula.     h_ij = p_ij − p_i·p_j for all rows and columns but the last; X² = n·hᵀΩ⁻¹h with Ω = (diag p_i − p_i·p_iᵀ) ⊗ (diag p_j − p_j·p_jᵀ).
//!              Influence of an observation in row a, column b on h_ij: 1(a = i, b = j) − p_ij − p_j·(1(a = i) − p_i) − p_i·(1(b = j) − p_j), all
//!              by n; summed by cluster for the covariance V, see `clustered_codes`. Design effects δ: eigenvalues of n·Ω⁻¹V.
//!              First order: X²/δ̄ by χ² with k = (rows − 1)(columns − 1) degrees of freedom. Second order: X²/(δ̄(1 + a²)) by χ² with
//!              k/(1 + a²), a² = Σδ²/(k·δ̄²) − 1. F: X²/(k·δ̄) with ν = k/(1 + a²) and ν·(m − 1) degrees of freedom.
//! Source.      Rao JNK, Scott AJ. Ann Stat 1984;12:46–60; F: Thomas DR, Rao JNK. J Am Stat Assoc 1987;82:630–636 (both from memory).
//! Decided.     Clusters may lie in several rows; their covariance counts. Empty rows and columns take no part. The F version is the one to
//!              report: it holds its level with few clusters.
//! Cost.        O(observations·k) for the influences, O(k³) besides; only sums of δ and δ² are needed, no eigenvalue.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::beta_upper_tail;
use super::chi_squared_test::{ChiSquaredTest, independence_test};
use super::clustered_codes::ClusteredCodes;
use super::distribution::{TailProbability, incomplete_gamma};
use crate::quantity::{Known, WhyNotKnown};

/// Pearson's χ² and its corrections for clusters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredIndependenceTest {
    /// As if observations were independent.
    pub pearson: ChiSquaredTest,
    /// The mean design effect.
    pub mean_design_effect: f64,
    /// Squared coefficient of variation of the design effects.
    pub design_effect_variation: f64,
    /// By the mean design effect.
    pub first_order: ChiSquaredTest,
    /// By mean and variation of the design effects.
    pub second_order: FractionalTest,
    /// The same by the F distribution, which knows how many clusters there are.
    pub f: FractionalTest,
    /// How many clusters.
    pub clusters: u64,
}

/// A test whose degrees of freedom need not be whole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FractionalTest {
    /// The statistic.
    pub statistic: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Degrees of freedom of the denominator, for F.
    pub denominator_degrees_of_freedom: Option<f64>,
    /// Probability of one at least as large.
    pub probability: TailProbability,
}

/// Tests whether columns depend on rows.
///
/// Not known when all are in one row or one column, with fewer than two clusters, or when clusters don't differ at all.
pub fn clustered_independence_test(codes: &ClusteredCodes<'_>) -> Known<ClusteredIndependenceTest> {
    let table = codes.table();
    let pearson = match independence_test(&table) {
        Known::Known(test) => test.pearson,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let clusters = codes.clusters_in(|_| true);
    if clusters < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    let n = table.total() as f64;
    let shares = |totals: Vec<u64>| totals.into_iter().map(|total| total as f64 / n).collect::<Vec<f64>>();
    let (rows, columns) = (shares(table.row_totals()), shares(table.column_totals()));
    let used = |shares: &[f64]| (0..shares.len()).filter(|&place| shares[place] > 0.0).collect::<Vec<usize>>();
    let (used_rows, used_columns) = (used(&rows), used(&columns));
    let (Some((&last_row, own_rows)), Some((&last_column, own_columns))) =
        (used_rows.split_last(), used_columns.split_last())
    else {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    };
    let cells: Vec<(usize, usize)> =
        own_rows.iter().flat_map(|&row| own_columns.iter().map(move |&column| (row, column))).collect();
    let is = |holds: bool| if holds { 1.0 } else { 0.0 };
    let sums: Vec<Vec<f64>> = cells
        .iter()
        .map(|&(i, j)| {
            let (p_i, p_j, p_ij) = (rows[i], columns[j], table.at(i, j) as f64 / n);
            codes.sums(
                |_| true,
                |a, b| {
                    let (in_row, in_column) = (is(a == i), is(b == j));
                    (in_row * in_column - p_ij - p_j * (in_row - p_i) - p_i * (in_column - p_j)) / n
                },
            )
        })
        .collect();
    // Ω⁻¹ = (diag 1/p_i + 1/p_last) ⊗ (diag 1/p_j + 1/p_last).
    let inverse =
        |shares: &[f64], last: usize, one: usize, other: usize| is(one == other) / shares[one] + 1.0 / shares[last];
    // u_cᵀΩ⁻¹u_d over pairs of clusters sums to the traces; cheaper by columns of n·Ω⁻¹V.
    let size = cells.len();
    let factor = clusters as f64 / (clusters as f64 - 1.0);
    let covariance: Vec<Vec<f64>> = sums
        .iter()
        .map(|one| sums.iter().map(|other| factor * one.iter().zip(other).map(|(u, v)| u * v).sum::<f64>()).collect())
        .collect();
    let product: Vec<Vec<f64>> = (0..size)
        .map(|row| {
            (0..size)
                .map(|column| {
                    (0..size)
                        .map(|k| {
                            let ((i, j), (r, c)) = (cells[row], cells[k]);
                            inverse(&rows, last_row, i, r) * inverse(&columns, last_column, j, c) * covariance[k][column]
                        })
                        .sum::<f64>()
                        * n
                })
                .collect()
        })
        .collect();
    let trace: f64 = (0..size).map(|k| product[k][k]).sum();
    let squares: f64 = (0..size).map(|k| (0..size).map(|l| product[k][l] * product[l][k]).sum::<f64>()).sum();
    if trace <= 1e-12 {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    let k = size as f64;
    let mean = trace / k;
    let variation = (squares / (k * mean * mean) - 1.0).max(0.0);
    let freedom = k / (1.0 + variation);
    let denominator = freedom * (clusters as f64 - 1.0);
    let second = pearson.statistic / (mean * (1.0 + variation));
    let f = pearson.statistic / trace;
    Known::Known(ClusteredIndependenceTest {
        pearson,
        mean_design_effect: mean,
        design_effect_variation: variation,
        first_order: ChiSquaredTest::of(pearson.statistic / mean, pearson.degrees_of_freedom),
        second_order: FractionalTest {
            statistic: second,
            degrees_of_freedom: freedom,
            denominator_degrees_of_freedom: None,
            probability: chi_square_tail(second, freedom),
        },
        f: FractionalTest {
            statistic: f,
            degrees_of_freedom: freedom,
            denominator_degrees_of_freedom: Some(denominator),
            probability: f_tail(f, freedom, denominator),
        },
        clusters,
    })
}

fn chi_square_tail(statistic: f64, degrees_of_freedom: f64) -> TailProbability {
    if statistic <= 0.0 {
        return TailProbability { p_value: 1.0, ln_p_value: 0.0 };
    }
    let ln_p_value = incomplete_gamma(0.5 * degrees_of_freedom, 0.5 * statistic).ln_upper;
    TailProbability { p_value: libm::exp(ln_p_value), ln_p_value }
}

fn f_tail(f: f64, k: f64, m: f64) -> TailProbability {
    let below = k * f + m;
    beta_upper_tail(0.5 * k, 0.5 * m, k * f / below, m / below)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::ConfidenceLevel;
    use crate::stats::Grouping;
    use crate::stats::clustered_share_contrast::clustered_share_contrast;

    #[test]
    fn copies_of_each_observation_count_once_but_for_the_factor() {
        // Each of 40 observations three times in its own cluster: design effect 3·40/39 exactly.
        let base: Vec<(u16, u16)> = (0..40).map(|i| (i % 3, (i * i) % 4)).collect();
        let (mut rows, mut columns, mut clusters) = (Vec::new(), Vec::new(), Vec::new());
        for (cluster, &(row, column)) in (0..).zip(&base) {
            for _ in 0..3 {
                rows.push(row);
                columns.push(column);
                clusters.push(cluster);
            }
        }
        let (rows, columns) = (Grouping::new(rows, 3).expect("levels"), Grouping::new(columns, 4).expect("levels"));
        let codes = ClusteredCodes::new(&rows, &columns, &clusters).expect("lengths");
        let test = *clustered_independence_test(&codes).known().expect("both vary");
        let single: Vec<Vec<u64>> = codes.table().into();
        let single: Vec<Vec<u64>> = single.iter().map(|row| row.iter().map(|count| count / 3).collect()).collect();
        let table = crate::stats::ContingencyTable::new(&single).expect("a table");
        let plain = independence_test(&table).known().expect("both vary").pearson;
        assert!((test.pearson.statistic / plain.statistic - 3.0).abs() < 1e-12, "relative");
        assert!(test.first_order.statistic < plain.statistic * 1.5, "about that of the single ones");
    }

    #[test]
    fn one_cluster_tells_nothing() {
        let codes = Grouping::new(vec![0, 1, 0, 1], 2).expect("levels");
        let clustered = ClusteredCodes::new(&codes, &codes, &[3, 3, 3, 3]).expect("lengths");
        assert_eq!(clustered_independence_test(&clustered), Known::NotKnown(WhyNotKnown::TooFewClusters));
    }

    #[test]
    fn two_by_two_agrees_with_the_difference_of_shares_by_hand() {
        // Under h = 0, X²/δ is the squared score; here only that both see the same clusters: with h₁₁ = 0 both are nothing.
        let rows = Grouping::new(vec![0, 0, 1, 1, 0, 0, 1, 1], 2).expect("levels");
        let columns = Grouping::new(vec![0, 1, 0, 1, 1, 0, 1, 0], 2).expect("levels");
        let clusters = [0, 0, 0, 1, 1, 2, 2, 3];
        let codes = ClusteredCodes::new(&rows, &columns, &clusters).expect("lengths");
        let test = *clustered_independence_test(&codes).known().expect("both vary");
        assert!(test.f.statistic.abs() < 1e-15 && test.f.probability.p_value >= 1.0);
        let contrast = *clustered_share_contrast(&codes, [0, 1], 1, ConfidenceLevel::USUAL).known().expect("two rows");
        assert!(contrast.difference.abs() <= 0.0 && contrast.probability.known().expect("spread").p_value >= 1.0);
        assert_eq!(contrast.clusters_in_both, 3);
    }
}
