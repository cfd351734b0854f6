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
//!              factor in the robust variance.
//! Cost.        O(observations + days·groups² + clusters·groups²).
//! Not for.     Groups that differ in what else decides failure; curves that cross.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::bucket::Buckets;
use super::distribution::chi_square_upper_tail;
use super::grouping::{Grouping, NO_GROUP};
use super::life_table::LifeTable;
use super::observation::{Ending, Observations};
use crate::quantity::{Behind, Known, Variance, WhyNotKnown};

/// A pivot below this part of its variance is rounding, not information.
const NOTHING_LEFT: f64 = 1e-11;

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
    let comparison = Comparison::of(&LifeTable::by_group(observations, grouping));
    let in_group = |&(&code, _): &(&u16, &u32)| code != NO_GROUP;
    let mut seen = vec![false; observations.clusters() as usize];
    for (_, &cluster) in grouping.codes().iter().zip(observations.cluster()).filter(in_group) {
        seen[cluster as usize] = true;
    }
    let clusters = seen.iter().map(|&seen| u64::from(seen)).sum();
    match variance {
        Variance::ModelBased => comparison.test(None, clusters),
        Variance::ClusterRobust => {
            let robust = comparison.robust_covariance(observations, grouping);
            comparison.test(Some(&robust), clusters)
        }
    }
}

/// Compares groups of which only the life tables are known; each observation counts as a cluster.
///
/// Not known without failures, or with fewer than two groups at risk when some failed.
pub fn log_rank_of_tables(tables: &[LifeTable]) -> Known<LogRankTest> {
    let comparison = Comparison::of(tables);
    comparison.test(None, comparison.observations)
}

/// What the life tables say about the differences, and the shares of the risk set that the residuals need.
struct Comparison {
    observations: u64,
    groups: Vec<GroupFailures>,
    covariance: Matrix,
    /// For each day, how many days with failures lie on it or before.
    failure_days_to: Vec<usize>,
    /// For each day with failures, d/n.
    hazard: Vec<f64>,
    /// For each day with failures and each group, n_g/n.
    share: Vec<f64>,
}

impl Comparison {
    fn of(tables: &[LifeTable]) -> Self {
        let size = tables.len();
        let days = tables.iter().map(|table| table.failed().len()).max().unwrap_or(0);
        let mut at_risk: Vec<_> = tables.iter().map(LifeTable::at_risk).collect();
        let mut comparison = Self {
            observations: tables.iter().map(LifeTable::total).sum(),
            groups: tables.iter().map(|table| GroupFailures { observed: table.failures(), expected: 0.0 }).collect(),
            covariance: Matrix::zero(size),
            failure_days_to: Vec::with_capacity(days),
            hazard: Vec::new(),
            share: Vec::new(),
        };
        let mut now = vec![0; size];
        for day in 0..days {
            for (now, at_risk) in now.iter_mut().zip(&mut at_risk) {
                *now = at_risk.next().unwrap_or(0);
            }
            let failed: u64 = tables.iter().filter_map(|table| table.failed().get(day)).sum();
            if failed > 0 {
                comparison.add_day(&now, failed);
            }
            comparison.failure_days_to.push(comparison.hazard.len());
        }
        comparison
    }

    fn add_day(&mut self, at_risk: &[u64], failed: u64) {
        let all: u64 = at_risk.iter().sum();
        let (n, d) = (all as f64, failed as f64);
        let spread = if all > 1 { d * (n - d) / (n - 1.0) } else { 0.0 };
        let share = |g: usize| at_risk[g] as f64 / n;
        for g in 0..at_risk.len() {
            self.groups[g].expected += d * share(g);
            self.share.push(share(g));
            for h in 0..at_risk.len() {
                let own = if g == h { 1.0 } else { 0.0 };
                self.covariance.add(g, h, spread * share(g) * (own - share(h)));
            }
        }
        self.hazard.push(d / n);
    }

    /// Score residuals summed by cluster, squared, and summed.
    fn robust_covariance(&self, observations: &Observations, grouping: &Grouping) -> Matrix {
        let size = self.groups.len();
        let mut hazard_to = vec![0.0; self.hazard.len() + 1];
        let mut shared_to = vec![0.0; (self.hazard.len() + 1) * size];
        for (j, hazard) in self.hazard.iter().enumerate() {
            hazard_to[j + 1] = hazard_to[j] + hazard;
            for g in 0..size {
                shared_to[(j + 1) * size + g] = shared_to[j * size + g] + hazard * self.share[j * size + g];
            }
        }
        let keyed = observations.cluster().iter().copied().zip(0_u32..);
        let by_cluster = Buckets::fill(keyed, observations.clusters() as usize);
        let mut covariance = Matrix::zero(size);
        let mut score = vec![0.0; size];
        for cluster in 0..observations.clusters() as usize {
            score.fill(0.0);
            for i in by_cluster.items(cluster).iter().map(|&i| i as usize) {
                let Some(&group) = grouping.codes().get(i).filter(|&&code| code != NO_GROUP) else { continue };
                let own = usize::from(group);
                let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
                let before = if entry == 0 { 0 } else { self.failure_days_to[entry as usize] };
                let after = self.failure_days_to[exit as usize];
                score[own] -= hazard_to[after] - hazard_to[before];
                for (g, score) in score.iter_mut().enumerate() {
                    *score += shared_to[after * size + g] - shared_to[before * size + g];
                }
                if observations.ending()[i] == Ending::Failed {
                    score[own] += 1.0;
                    for (g, score) in score.iter_mut().enumerate() {
                        *score -= self.share[(after - 1) * size + g];
                    }
                }
            }
            for g in 0..size {
                for h in 0..size {
                    covariance.add(g, h, score[g] * score[h]);
                }
            }
        }
        covariance
    }

    fn test(&self, robust: Option<&Matrix>, clusters: u64) -> Known<LogRankTest> {
        if self.hazard.is_empty() {
            return Known::NotKnown(WhyNotKnown::NoFailures);
        }
        // A group without expected failures has no variance, and the elimination passes over it.
        let mut kept: Vec<usize> = (0..self.groups.len()).collect();
        let largest =
            kept.iter().copied().reduce(|a, b| if self.covariance.at(b, b) > self.covariance.at(a, a) { b } else { a });
        kept.retain(|&g| Some(g) != largest);
        let difference: Vec<f64> = kept.iter().map(|&g| self.groups[g].observed as f64 - self.groups[g].expected).collect();
        let (model_based, model_rank) = self.covariance.only(&kept).quadratic_form(&difference);
        if model_rank == 0 {
            return Known::NotKnown(WhyNotKnown::TooFewGroups);
        }
        let (chi_square, rank, variance) = match robust {
            None => (model_based, model_rank, Variance::ModelBased),
            Some(robust) => {
                let (chi_square, rank) = robust.only(&kept).quadratic_form(&difference);
                (chi_square, rank, Variance::ClusterRobust)
            }
        };
        if rank < model_rank || (robust.is_some() && clusters < 2) {
            return Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        let tail = chi_square_upper_tail(chi_square, rank);
        Known::Known(LogRankTest {
            groups: self.groups.clone(),
            chi_square,
            degrees_of_freedom: rank,
            p_value: tail.p_value,
            ln_p_value: tail.ln_p_value,
            variance,
            behind: Behind {
                observations: self.observations,
                clusters,
                failures: self.groups.iter().map(|group| group.observed).sum(),
            },
        })
    }
}

/// A square matrix, row after row.
struct Matrix {
    size: usize,
    cells: Vec<f64>,
}

impl Matrix {
    fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * self.size + column]
    }

    fn add(&mut self, row: usize, column: usize, term: f64) {
        self.cells[row * self.size + column] += term;
    }

    /// The rows and columns of these indices.
    fn only(&self, kept: &[usize]) -> Self {
        let cells = kept.iter().flat_map(|&row| kept.iter().map(move |&column| self.at(row, column))).collect();
        Self { size: kept.len(), cells }
    }

    /// vᵀ M⁻ v for a covariance matrix M by elimination, and the rank of M. Directions without variance are skipped.
    fn quadratic_form(mut self, vector: &[f64]) -> (f64, u32) {
        let diagonal: Vec<f64> = (0..self.size).map(|j| self.at(j, j)).collect();
        let mut vector = vector.to_vec();
        let (mut form, mut rank) = (0.0, 0);
        for j in 0..self.size {
            let pivot = self.at(j, j);
            if pivot <= NOTHING_LEFT * diagonal[j] {
                continue;
            }
            form += vector[j] * vector[j] / pivot;
            rank += 1;
            for row in j + 1..self.size {
                let factor = self.at(row, j) / pivot;
                vector[row] -= factor * vector[j];
                for column in j + 1..self.size {
                    let term = -factor * self.at(j, column);
                    self.add(row, column, term);
                }
            }
        }
        (form, rank)
    }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::Days;

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
