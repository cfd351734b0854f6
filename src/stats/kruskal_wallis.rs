//! Do values of several groups differ in height? Ranks in one layout (Kruskal–Wallis).
//!
//! Formula.     H = 12/(N(N + 1))·Σ n_j·(R̄_j − (N + 1)/2)² / (1 − Σ(t³ − t)/(N³ − N)), R̄_j mean ranks, t tied at each value; by χ²
//!              with one degree of freedom less than there are groups.
//! Source.      Kruskal WH, Wallis WA. J Am Stat Assoc 1952;47:583–621 (from memory).
//! Decided.     Groups without observations take no part. All tied: nothing to compare.
//! Cost.        One pass over the table of groups by levels.
//! Not for.     Observations that come in clusters; ordered groups (see `share_trend` for shares).

use super::chi_squared_test::ChiSquaredTest;
use super::contingency_table::ContingencyTable;
use crate::quantity::{Known, WhyNotKnown};

/// Compares samples of values; ties are exact equality.
///
/// Not known with fewer than two samples that hold anything, when a value is not a number, or when all are tied.
pub fn kruskal_wallis_test<S: AsRef<[f64]>>(samples: &[S]) -> Known<ChiSquaredTest> {
    match ContingencyTable::of_samples(samples) {
        Known::Known((table, _)) => kruskal_wallis_test_of_table(&table),
        Known::NotKnown(why) => Known::NotKnown(why),
    }
}

/// The same for groups as rows and levels, in ascending order, as columns.
#[expect(clippy::cast_possible_truncation, reason = "degrees of freedom of a table in memory")]
pub fn kruskal_wallis_test_of_table(table: &ContingencyTable) -> Known<ChiSquaredTest> {
    let table = table.without_empty();
    if table.total() == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    if table.rows() < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    if table.columns() < 2 {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let total = table.total() as f64;
    let (mut below, mut centred, mut ties) = (0.0, Vec::new(), 0.0);
    for level in table.column_totals() {
        let level = level as f64;
        // Mean rank of the level less that of all.
        centred.push(below + 0.5 * (level + 1.0) - 0.5 * (total + 1.0));
        below += level;
        ties += level * (level - 1.0) * (level + 1.0);
    }
    let spread: f64 = (0..table.rows())
        .map(|row| {
            let (sum, size) = table
                .row(row)
                .iter()
                .zip(&centred)
                .fold((0.0, 0.0), |(sum, size), (&count, rank)| (sum + count as f64 * rank, size + count as f64));
            sum * sum / size
        })
        .sum();
    let all = total * (total - 1.0) * (total + 1.0);
    let statistic = 12.0 * (total - 1.0) * spread / (all - ties);
    Known::Known(ChiSquaredTest::of(statistic, (table.rows() - 1) as u32))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // Groups 1, 2 | 3, 4 | 5, 6: mean ranks 1½, 3½, 5½; H = 12/42·2·(4 + 0 + 4) = 32/7.
        let test = *kruskal_wallis_test(&[[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]).known().expect("three groups");
        assert!((test.statistic - 32.0 / 7.0).abs() < 1e-14, "absolute");
        assert_eq!(test.degrees_of_freedom, 2);
    }

    #[test]
    fn nothing_to_compare() {
        assert_eq!(kruskal_wallis_test(&[[1.0, 1.0], [1.0, 1.0]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(kruskal_wallis_test(&[vec![1.0, 2.0], vec![]]), Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert_eq!(kruskal_wallis_test::<[f64; 0]>(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
