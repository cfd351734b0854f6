//! The log-rank test: do groups fail at the same pace?
//!
//! Definition.  On each day with failures, group g is expected to have d·n_g/n of the d failures. O − E sums the differences over
//!              days; the statistic is (O − E)ᵀ V⁻ (O − E), χ² with as many degrees of freedom as V has rank.
//! Variance.    Model-based: hypergeometric, V_gh = Σ d(n − d)/(n − 1) · n_g/n · ([g = h] − n_h/n).
//!              Cluster-robust: score residual of observation i in group j,
//!              U_ig = Σ (dN_i(u) − Y_i(u)·d(u)/n(u))·([g = j] − n_g(u)/n(u)), summed by cluster; V = Σ over clusters of U Uᵀ.
//! Source.      Mantel N. Cancer Chemother Rep 1966;50:163–170; Peto R, Peto J. J R Stat Soc A 1972;135:185–207; residuals:
//!              Lin DY, Wei LJ. J Am Stat Assoc 1989;84:1074–1078 (all from memory).
//! Decided.     A group from which nobody was at risk on a day with failures takes no part and costs no degree of freedom. One
//!              group is left out of the solution: that with the largest variance, so that rounding hurts least. No small-sample
//!              factor in the robust variance. Each observation counts once, whatever its case weight: see `weighted_log_rank`.
//! Agrees.      With the score test of a Cox model only where that treats ties exactly; Breslow's or Efron's way differs.
//! Cost.        O(observations + days·groups² + clusters·groups²).
//! Not for.     Groups that differ in what else decides failure; curves that cross.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::covariance::Covariance;
use super::distribution::chi_square_upper_tail;
use super::grouping::Grouping;
use super::life_table::LifeTable;
use super::observation::Observations;
use super::risk_counts::RiskCounts;
use super::score_sums::ScoreSums;
use super::weighted_log_rank::statistic;
use super::weighting::Weighting;
use crate::quantity::{Behind, Known, Variance};

/// Failures of one group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupFailures {
    /// How many failed.
    pub observed: u64,
    /// How many would have, had all groups failed at the same pace.
    pub expected: f64,
}

/// The result of a log-rank test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LogRankTest {
    /// Failures of each group, in the order of the levels.
    pub groups: Vec<GroupFailures>,
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of a statistic this large or larger if all groups fail at the same pace; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
    /// The variance behind the statistic.
    pub variance: Variance,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// Compares the levels of a grouping. Observations without a group take no part.
///
/// Not known without failures, with fewer than two groups at risk when some failed, or, for the robust variance, with fewer
/// clusters than its rank needs.
pub fn log_rank(observations: &Observations, grouping: &Grouping, variance: Variance) -> Known<LogRankTest> {
    let [test] = log_rank_under(observations, grouping, [variance]);
    test
}

/// The same under several variances at once, in their order.
pub fn log_rank_under<const N: usize>(
    observations: &Observations,
    grouping: &Grouping,
    variances: [Variance; N],
) -> [Known<LogRankTest>; N] {
    let compared = Compared::new(observations, grouping);
    let sums = ScoreSums::of(RiskCounts::of_tables(&LifeTable::by_group(observations, grouping)), &[Weighting::LogRank]);
    let column = compared.columns(&compared.all_groups());
    let robust = variances.contains(&Variance::ClusterRobust).then(|| sums.over_clusters(&compared, &column));
    let clusters = robust.as_ref().map_or_else(|| compared.clusters_present(&column), |(_, clusters)| *clusters);
    variances.map(|variance| match (variance, &robust) {
        (Variance::ClusterRobust, Some((covariance, _))) => test(&sums, Some(covariance), clusters),
        _ => test(&sums, None, clusters),
    })
}

/// Compares groups of which only the life tables are known; each observation counts as a cluster.
///
/// Not known without failures, or with fewer than two groups at risk when some failed.
pub fn log_rank_of_tables(tables: &[LifeTable]) -> Known<LogRankTest> {
    let sums = ScoreSums::of(RiskCounts::of_tables(tables), &[Weighting::LogRank]);
    test(&sums, None, sums.observations())
}

#[expect(clippy::cast_possible_truncation, reason = "every case weight is 1, so the sums of failures are counts")]
fn test(sums: &ScoreSums, robust: Option<&Covariance>, clusters: u64) -> Known<LogRankTest> {
    statistic(sums, robust, clusters).map(|(chi_square, rank)| {
        let tail = chi_square_upper_tail(chi_square, rank);
        let group = |(&observed, &expected): (&f64, &f64)| GroupFailures { observed: observed as u64, expected };
        LogRankTest {
            groups: sums.observed.iter().zip(&sums.expected).map(group).collect(),
            chi_square,
            degrees_of_freedom: rank,
            p_value: tail.p_value,
            ln_p_value: tail.ln_p_value,
            variance: if robust.is_some() { Variance::ClusterRobust } else { Variance::ModelBased },
            behind: Behind { observations: sums.observations(), clusters, failures: sums.failures() },
        }
    })
}

#[cfg(test)]
mod tests {
    use super::super::observation::Ending;
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::{Days, WhyNotKnown};

    #[test]
    fn ten_rows_by_hand() {
        // By hand: observed 3 and 3, expected 2.4 and 3.6. χ² 0.3080684597, p 0.5788678813 (computed with general-purpose software).
        let (observations, grouping) = ten_rows::grouped();
        let test = log_rank(&observations, &grouping, Variance::ModelBased);
        let test = test.known().expect("two groups");
        assert_eq!((test.groups[0].observed, test.groups[1].observed, test.degrees_of_freedom), (3, 3, 1));
        assert!((test.groups[0].expected - 2.4).abs() < 1e-15 && (test.groups[1].expected - 3.6).abs() < 1e-15, "absolute");
        assert!((test.chi_square - 0.308_068_459_7).abs() < 5.1e-11, "absolute: {}", test.chi_square);
        assert!((test.p_value - 0.578_867_881_3).abs() < 5.1e-11, "absolute: {}", test.p_value);
    }

    #[test]
    fn an_empty_group_costs_no_degree_of_freedom() {
        let (observations, grouping) = ten_rows::grouped();
        let spread = Grouping::new(grouping.codes().iter().map(|&code| 2 * code).collect(), 4).expect("below four");
        let two = log_rank(&observations, &grouping, Variance::ClusterRobust);
        let four = log_rank(&observations, &spread, Variance::ClusterRobust);
        let (two, four) = (two.known().expect("groups"), four.known().expect("groups"));
        assert_eq!((two.chi_square.to_bits(), two.degrees_of_freedom), (four.chi_square.to_bits(), four.degrees_of_freedom));
        assert_eq!(four.groups[1], GroupFailures::default());
    }

    #[test]
    fn a_robust_test_of_three_groups_needs_more_than_two_mouths() {
        // By hand: two mouths with the same course have the same residuals, so their matrix has rank 1, not 2.
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for mouth in 0..2 {
            for (day, group) in [(2, 0), (3, 1), (5, 2), (7, 0), (8, 1)] {
                observations.push(Days::new(0), Days::new(day), Ending::Failed, mouth).expect("in order");
                codes.push(group);
            }
        }
        let grouping = Grouping::new(codes, 3).expect("levels");
        assert!(
            log_rank(&observations, &grouping, Variance::ModelBased)
                .known()
                .is_some_and(|test| test.degrees_of_freedom == 2)
        );
        assert_eq!(
            log_rank(&observations, &grouping, Variance::ClusterRobust),
            Known::NotKnown(WhyNotKnown::TooFewClusters)
        );
    }

    #[test]
    fn too_little_to_compare_is_said() {
        let (observations, grouping) = ten_rows::grouped();
        let one = Grouping::new(vec![0; 10], 1).expect("one level");
        assert_eq!(log_rank(&observations, &one, Variance::ModelBased), Known::NotKnown(WhyNotKnown::TooFewGroups));
        let mut censored = Observations::default();
        let mut one_mouth = Observations::default();
        for i in 0..observations.len() {
            let exit = Days::new(observations.exit()[i]);
            censored.push(Days::new(0), exit, Ending::Censored, 0).expect("in order");
            one_mouth.push(Days::new(0), exit, observations.ending()[i], 7).expect("in order");
        }
        assert_eq!(log_rank(&censored, &grouping, Variance::ModelBased), Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(log_rank(&one_mouth, &grouping, Variance::ClusterRobust), Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
