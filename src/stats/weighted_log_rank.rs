//! The weighted log-rank tests of two or more groups, within strata where there are any.
//!
//! Definition.  U_g = Σ over ticks W·(d_g − d·n_g/n), with W of the [`Weighting`]; the statistic is Uᵀ V⁻ U, χ² with as many degrees
//!              of freedom as V has rank. Within strata, U and V are the sums of those of the strata.
//! Variance.    Model-based: hypergeometric, V_gh = Σ W²·d(n − d)/(n − 1)·n_g/n·([g = h] − n_h/n). Cluster-robust: the squares of each
//!              cluster's sum of score residuals, summed; a cluster may lie in several strata.
//! Source.      Weights: see `weighting`. Strata: Mantel N, Haenszel W. J Natl Cancer Inst 1959;22:719–748; residuals: Lin DY, Wei LJ.
//!              J Am Stat Assoc 1989;84:1074–1078 (both from memory).
//! Decided.     Counts are sums of case weights: a weight of 2 is two identical observations for the estimate and the model-based
//!              variance; the robust variance takes the weight times the residual. A group nobody of which was at risk beside
//!              another when somebody failed costs no degree of freedom, nor does a stratum without information. Competing endings
//!              count as censored: the hazards of failure are compared. No continuity correction: it is meant for counts with
//!              fixed margins and would push the difference past zero. No small-sample factor; see `finite_clusters` instead.
//! Agrees.      With log-rank weights, with the score test of a Cox model only where that treats ties exactly; Breslow's or Efron's
//!              way differs when failures are tied.
//! Cost.        O(observations + rows·groups²); robust also O(observations·groups + clusters·groups²). The same bytes for any
//!              number of threads.
//! Not for.     Groups that differ in what else decides failure. Curves that cross: see `combined_log_rank`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::covariance::Covariance;
use super::distribution::chi_square_upper_tail;
use super::finite_clusters::{FiniteClusters, finite_clusters};
use super::risk_counts::RiskCounts;
use super::score_sums::{ClusterScores, ScoreSums};
use super::weighting::Weighting;
use crate::quantity::{Behind, Known, Variance, WhyNotKnown};

/// Failures of one group, as sums of case weights.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupDifference {
    /// How many failed.
    pub observed: f64,
    /// How many would have, had all groups of each stratum failed at the same pace.
    pub expected: f64,
    /// The sum of observed less expected, each tick with its weight.
    pub weighted_difference: f64,
}

/// The result of a weighted log-rank test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightedLogRankTest {
    /// Which failures weigh most.
    pub weighting: Weighting,
    /// Each group, in the order of the levels.
    pub groups: Vec<GroupDifference>,
    /// The covariance of the weighted differences, group by group.
    pub covariance: Vec<Vec<f64>>,
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// With two groups that can be compared: the square root of the statistic, above 0 when the later level fails sooner.
    pub z: Option<f64>,
    /// Probability of a statistic this large or larger if all groups fail at the same pace; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
    /// The variance behind the statistic.
    pub variance: Variance,
    /// With the robust variance: the test that knows how many clusters there are.
    pub finite_clusters: Option<Known<FiniteClusters>>,
    /// In how many strata groups could be compared; 1 without strata.
    pub informative_strata: u32,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// Compares the levels of a grouping with a weighting of the failures.
///
/// Not known without failures that weigh anything, with fewer than two groups at risk when some failed, or, for the robust
/// variance, with fewer clusters than its rank needs.
///
/// ```
/// use manebit::quantity::{Days, Variance};
/// use manebit::stats::{Compared, Ending, Grouping, Observations, Weighting, weighted_log_rank};
///
/// // Group A: 2, 4, 4+, 6, 9+. Group B: 3+, 4, 7, 7, 10+ ("+" marks a censored day).
/// let (mut observations, mut codes) = (Observations::default(), Vec::new());
/// for (code, days) in [(0, [2_i32, 4, -4, 6, -9]), (1, [-3, 4, 7, 7, -10])] {
///     for day in days {
///         let ending = if day < 0 { Ending::Censored } else { Ending::Failed };
///         observations.push(Days::new(0), Days::new(day.abs()), ending, codes.len() as u32)?;
///         codes.push(code);
///     }
/// }
/// let grouping = Grouping::new(codes, 2).expect("two levels");
/// let test = weighted_log_rank(&Compared::new(&observations, &grouping), Weighting::Gehan, Variance::ModelBased);
/// // Σ n·(d_A − d·n_A/n) = 10(1 − 5/10) + 8(1 − 2·4/8) + 5(1 − 2/5) + 4(0 − 2·1/4).
/// assert!((test.known().expect("two groups").groups[0].weighted_difference - 6.0).abs() < 1e-14);
/// # Ok::<(), manebit::stats::ObservationError>(())
/// ```
pub fn weighted_log_rank(compared: &Compared<'_>, weighting: Weighting, variance: Variance) -> Known<WeightedLogRankTest> {
    test_of(compared, RiskCounts::of(compared), &compared.all_groups(), weighting, variance)
}

/// As above for these groups alone, of which the counts are known already.
pub(super) fn test_of(
    compared: &Compared<'_>,
    counts: RiskCounts,
    groups: &[usize],
    weighting: Weighting,
    variance: Variance,
) -> Known<WeightedLogRankTest> {
    let column = compared.columns(groups);
    let sums = ScoreSums::of(counts, &[weighting]);
    let scores = match variance {
        Variance::ModelBased => None,
        Variance::ClusterRobust => Some(sums.by_cluster(compared, &column)),
    };
    let clusters = scores.as_ref().map_or_else(|| compared.clusters_present(&column), ClusterScores::present);
    let robust = scores.as_ref().map(ClusterScores::covariance);
    let covariance = robust.as_ref().unwrap_or(&sums.covariance);
    statistic(&sums, robust.as_ref(), clusters).map(|(chi_square, rank)| {
        let tail = chi_square_upper_tail(chi_square, rank);
        let groups: Vec<_> = (0..sums.observed.len())
            .map(|g| GroupDifference {
                observed: sums.observed[g],
                expected: sums.expected[g],
                weighted_difference: sums.difference[g],
            })
            .collect();
        let comparable: Vec<usize> = (0..groups.len()).filter(|&g| sums.covariance.at(g, g) > 0.0).collect();
        let z = match comparable[..] {
            [_, later] => Some(chi_square.sqrt().copysign(groups[later].weighted_difference)),
            _ => None,
        };
        WeightedLogRankTest {
            weighting,
            covariance: covariance.rows(),
            chi_square,
            degrees_of_freedom: rank,
            z,
            p_value: tail.p_value,
            ln_p_value: tail.ln_p_value,
            variance,
            finite_clusters: scores
                .as_ref()
                .map(|scores| finite_clusters(chi_square, rank, scores.informative(groups.len()))),
            informative_strata: sums.informative_strata,
            behind: Behind { observations: sums.observations(), clusters, failures: sums.failures() },
            groups,
        }
    })
}

/// The χ² statistic of the first weighting, and its degrees of freedom.
pub(super) fn statistic(sums: &ScoreSums, robust: Option<&Covariance>, clusters: u64) -> Known<(f64, u32)> {
    if sums.failures() == 0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    // A group without expected failures has no variance, and the elimination passes over it.
    let size = sums.observed.len();
    let model_based = sums.covariance.block(0, 0, size);
    let kept = model_based.all_but_the_largest();
    let difference: Vec<f64> = kept.iter().map(|&g| sums.difference[g]).collect();
    let (chi_square, model_rank) = model_based.only(&kept).quadratic_form(&difference);
    if model_rank == 0 {
        return Known::NotKnown(sums.why_nothing_to_compare());
    }
    let Some(robust) = robust else { return Known::Known((chi_square, model_rank)) };
    let (chi_square, rank) = robust.only(&kept).quadratic_form(&difference);
    if rank < model_rank || clusters < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    Known::Known((chi_square, rank))
}
