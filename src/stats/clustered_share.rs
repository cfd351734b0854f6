//! A share where observations come in clusters: how many restorations have a feature, patients having several.
//!
//! Formula.     p = x/n over all; variance v = m/(m − 1)·Σ (x_c − p·n_c)²/n²; design effect d = v/(p(1 − p)/n).
//! Interval.    Wilson's with n/max(d, 1) in place of n and Student's quantile (m − 1 degrees of freedom) in place of the normal; and
//!              p ± t·√v, cut at 0 and 1.
//! Test.        That groups have the same share (Rao and Scott 1992): χ² = Σ (x̃ − ñ·p̃)²/(ñ·p̃(1 − p̃)), x̃ = x/d, ñ = n/d by group,
//!              p̃ = Σx̃/Σñ, with one degree of freedom less than there are groups.
//! Source.      Rao JNK, Scott AJ. Biometrics 1992;48:577–585; effective sizes in Wilson's interval: Kott PS, Carr DA. J Off Stat
//!              1997;13:337–348, Student's quantile in it after Korn EL, Graubard BI. Surv Methodol 1998;24:193–201 (all from memory).
//! Decided.     Where all or none have the feature the design effect can't be seen; the effective size is then n²/Σn_c², which is
//!              right when every cluster is of one mind and on the safe side otherwise. A design effect below 1 makes no interval
//!              narrower than that of independent observations.
//! Cost.        One pass.
//! Not for.     The test: groups that share clusters (their number is told): see `clustered_table`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_quantile_upper;
use super::chi_squared_test::ChiSquaredTest;
use super::clustered_codes::{ClusteredCodes, vanishes, variance};
use super::contingency_table::ContingencyTable;
use super::share::wilson_limits;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Fraction, IntervalMethod, Known, WhyNotKnown};

/// A share with clusters taken into account.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredShare {
    /// The share.
    pub value: Fraction,
    /// Standard error; at the boundary where all or none have the feature.
    pub standard_error: Known<f64>,
    /// Variance by that of as many independent observations.
    pub design_effect: Known<f64>,
    /// How many independent observations would tell as much.
    pub effective_size: f64,
    /// Wilson's limits for the effective size.
    pub wilson: Known<ConfidenceInterval<Fraction>>,
    /// Limits by the standard error.
    pub plain: Known<ConfidenceInterval<Fraction>>,
    /// How many stand behind it; failures are those with the feature.
    pub behind: Behind,
}

/// The shares of several groups and the test that they are the same.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredShares {
    /// The share in each row, or why there is none.
    pub shares: Vec<Known<ClusteredShare>>,
    /// Clusters that lie in several rows, which the test takes as independent.
    pub clusters_in_several_rows: u64,
    /// The test of the same share in all rows that have any.
    pub test: Known<ChiSquaredTest>,
}

/// The share with column `feature` in a row.
///
/// Not known without observations. With one cluster there is a share but no limits.
pub fn clustered_share(codes: &ClusteredCodes<'_>, row: u16, feature: u16, level: ConfidenceLevel) -> Known<ClusteredShare> {
    share_of(codes, &codes.table(), usize::from(row), usize::from(feature), level)
}

/// The same where all are counted already.
fn share_of(
    codes: &ClusteredCodes<'_>,
    table: &ContingencyTable,
    row: usize,
    feature: usize,
    level: ConfidenceLevel,
) -> Known<ClusteredShare> {
    let count = |column: usize| if row < table.rows() && column < table.columns() { table.at(row, column) } else { 0 };
    let (part, whole) = (count(feature), (0..table.columns()).map(count).sum());
    if whole == 0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let (x, n) = (part as f64, whole as f64);
    let p = x / n;
    let sums = codes.sums(|at| at == row, |_, column| if column == feature { (n - x) / n / n } else { -x / n / n });
    let behind = Behind { observations: whole, clusters: sums.len() as u64, failures: part };
    let mut share = ClusteredShare {
        value: Fraction::new(p),
        standard_error: Known::NotKnown(WhyNotKnown::TooFewClusters),
        design_effect: Known::NotKnown(WhyNotKnown::TooFewClusters),
        effective_size: 1.0,
        wilson: Known::NotKnown(WhyNotKnown::TooFewClusters),
        plain: Known::NotKnown(WhyNotKnown::TooFewClusters),
        behind,
    };
    if behind.clusters < 2 {
        return Known::Known(share);
    }
    let t = student_quantile_upper(level.tail(), behind.clusters as f64 - 1.0);
    let limits = |(lower, upper): (f64, f64), method| {
        Known::Known(ConfidenceInterval { lower: Fraction::new(lower), upper: Fraction::new(upper), level, method })
    };
    if part == 0 || part == whole {
        let squares: f64 = codes.sums(|at| at == row, |_, _| 1.0).iter().map(|size| size * size).sum();
        share.effective_size = n * n / squares;
        share.standard_error = Known::NotKnown(WhyNotKnown::AtBoundary);
        share.design_effect = Known::NotKnown(WhyNotKnown::AtBoundary);
        share.plain = Known::NotKnown(WhyNotKnown::AtBoundary);
    } else {
        let v = variance(&sums);
        let effect = v / (p * (1.0 - p) / n);
        share.effective_size = n / effect.max(1.0);
        share.design_effect = Known::Known(effect);
        if vanishes(v, 1.0) {
            // Every cluster has the same share.
            share.standard_error = Known::NotKnown(WhyNotKnown::AtBoundary);
            share.plain = Known::NotKnown(WhyNotKnown::AtBoundary);
        } else {
            let error = libm::sqrt(v);
            share.standard_error = Known::Known(error);
            share.plain = limits((p - t * error, p + t * error), IntervalMethod::Plain);
        }
    }
    share.wilson = limits(wilson_limits(p, share.effective_size, t), IntervalMethod::Wilson);
    Known::Known(share)
}

/// The share with column `feature` in every row, and the test that they are the same.
///
/// The test is not known with fewer than two rows that have any, nor where a row has no design effect.
pub fn clustered_shares(codes: &ClusteredCodes<'_>, feature: u16, level: ConfidenceLevel) -> ClusteredShares {
    let table = codes.table();
    let share = |row| share_of(codes, &table, row, usize::from(feature), level);
    let shares: Vec<Known<ClusteredShare>> = (0..table.rows()).map(share).collect();
    let test = homogeneity(&shares);
    ClusteredShares { shares, clusters_in_several_rows: codes.clusters_in_several_rows(), test }
}

#[expect(clippy::cast_possible_truncation, reason = "degrees of freedom of a table in memory")]
fn homogeneity(shares: &[Known<ClusteredShare>]) -> Known<ChiSquaredTest> {
    let mut effective = Vec::new();
    for share in shares.iter().filter_map(Known::known) {
        match share.design_effect {
            Known::Known(effect) if vanishes(effect, 1.0) => return Known::NotKnown(WhyNotKnown::AtBoundary),
            Known::Known(effect) => {
                effective.push((share.behind.failures as f64 / effect, share.behind.observations as f64 / effect));
            }
            Known::NotKnown(why) => return Known::NotKnown(why),
        }
    }
    if effective.len() < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    let (x, n) = effective.iter().fold((0.0, 0.0), |(x, n), group| (x + group.0, n + group.1));
    let p = x / n;
    let statistic = effective.iter().map(|(x, n)| (x - n * p) * (x - n * p) / (n * p * (1.0 - p))).sum();
    Known::Known(ChiSquaredTest::of(statistic, effective.len() as u32 - 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Grouping;

    fn share(rows: &[(u16, u32)]) -> ClusteredShare {
        let one = Grouping::new(vec![0; rows.len()], 1).expect("levels");
        let found = Grouping::new(rows.iter().map(|row| row.0).collect(), 2).expect("levels");
        let clusters: Vec<u32> = rows.iter().map(|row| row.1).collect();
        let codes = ClusteredCodes::new(&one, &found, &clusters).expect("lengths");
        *clustered_share(&codes, 0, 1, ConfidenceLevel::USUAL).known().expect("some")
    }

    #[test]
    fn by_hand() {
        // Mouths with 2 of 2, 0 of 2, 1 of 1: p = 3/5; residuals 0.8, −1.2, 0.4, squares 2.24; v = 3/2·2.24/25 = 0.1344;
        // p(1 − p)/n = 0.048; d = 2.8.
        let share = share(&[(1, 0), (1, 0), (0, 3), (0, 3), (1, 7)]);
        assert!((share.standard_error.known().expect("spread") - 0.1344_f64.sqrt()).abs() < 1e-15, "absolute");
        assert!((share.design_effect.known().expect("spread") - 2.8).abs() < 1e-14, "absolute");
        assert_eq!((share.behind.clusters, share.behind.failures), (3, 3));
    }

    #[test]
    fn ends_and_single_clusters() {
        // None of 2 + 1: effective size 9/5; the lower limit is exactly 0.
        let none = share(&[(0, 0), (0, 0), (0, 1)]);
        assert!((none.effective_size - 1.8).abs() < 1e-15, "absolute");
        assert_eq!(none.wilson.known().expect("limits").lower, Fraction::new(0.0));
        assert_eq!(none.plain, Known::NotKnown(WhyNotKnown::AtBoundary));
        // Rows and columns that there are not.
        let one = Grouping::new(vec![0, 0], 1).expect("levels");
        let codes = ClusteredCodes::new(&one, &one, &[0, 1]).expect("lengths");
        let nowhere = clustered_share(&codes, 1, 0, ConfidenceLevel::USUAL);
        assert_eq!(nowhere, Known::NotKnown(WhyNotKnown::NoObservations));
        let absent = clustered_share(&codes, 0, 1, ConfidenceLevel::USUAL);
        assert_eq!(absent.known().map(|share| (share.behind.failures, share.behind.observations)), Some((0, 2)));
        let single = share(&[(0, 4), (1, 4)]);
        assert_eq!(single.wilson, Known::NotKnown(WhyNotKnown::TooFewClusters));
        let alike = share(&[(0, 0), (1, 0), (0, 1), (1, 1)]);
        assert_eq!(alike.standard_error, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert!((alike.effective_size - 4.0).abs() < 1e-15, "absolute");
    }
}
