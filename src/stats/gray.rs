//! Gray's test: does the incidence of a cause rise at the same pace in all groups?
//!
//! Definition.  For group i: n_i at risk, S_i the part that has met no cause, F_i the incidence of the cause, R_i = n_i·(1 − F_i)/S_i
//!              (all just before the tick): the risk set of the subdistribution hazard. With d_i ended by the cause, the score is
//!              z_i = Σ over ticks L·(d_i − d·R_i/ΣR), L = (1 − F⁰(t−))^ρ; F⁰ = Σ d/Σh with h_i = n_i/S_i is the common incidence.
//! Variance.    Model-based (Gray): with A_ir = L·([i = r] − h_i/Σh)·h_r, c_ir(t) = Σ over u ≤ t of A_ir·dF⁰/(1 − F⁰(u−)),
//!              x_r = (1 − F⁰)/S_r after the tick, and rest = c(∞) − c(t):
//!              V_ij = Σ over ticks and groups r of a_ir·a_jr·dF⁰/h_r + b_ir·b_jr·e_r/h_r²,
//!              a_ir = A_ir + (1 − x_r)·rest_ir, b_ir = x_r·rest_ir, with e_r ended by another cause, dF⁰ and e_r each
//!              with a factor for ties, 1 − (d − 1)/(S_r·Σh − 1) and 1 − (e_r − 1)/(n_r − 1).
//!              Cluster-robust: the derivative of z in the case weight of each observation (infinitesimal jackknife, L held
//!              fixed), summed by cluster. With D_ir = L·([i = r] − R_i/ΣR), C_ir the running sum of D_ir·h_r·d/ΣR:
//!              ψ_i = Σ D_ir·(dN₁ − Y·(1 − F_r)/S_r·d/ΣR) − (C_ir(∞) − C_ir)·((1 − F_r)·(dN − Y·d_r/n_r)/(n_r − d_r) − S_r·(dN₁ − Y·d₁/n_r)/n_r)
//!              for one in group r.
//! Source.      Gray RJ. Ann Stat 1988;16:1141–1154 (from memory); factors for ties and the sides of the limits as found to
//!              agree with general-purpose software on tied data; the cluster-robust form was worked out here.
//! Decided.     Strata add up. A group takes no part once its S is 0, nor from a tick on which it has nobody at risk; a group
//!              without a share in any tick costs no degree of freedom. One group, that with the largest variance, is left out of the
//!              solution. The test is for the cause named: the other is another test. Late entries are at risk as everywhere. With
//!              ρ > 0 early differences weigh more.
//!              A factor for ties is not below 0. That of the cause is (m − d)/(m − 1), m = S_r·Σh, from the binomial variance with
//!              d/m = dF⁰/S_r for the probability; it falls below 0 when d > m, where that probability would be above 1, and is
//!              then taken as 1, which leaves no variance. So it is mostly where the last tick exhausts groups of unlike S
//!              (n of 1 and 2, S of 1/2 and 1: m = 2, d = 3). R cmprsk 2.2.11 keeps the factor below 0, here −1, and takes that term
//!              off V: rows (group 0) 2, 2, (group 1) 1, 2, all by the cause, have V = 45/128 here and −3/128, hence χ² = −32/3,
//!              there; with the last tick censored both agree to all digits. Gray (1988; from memory) has no ties and so no factor. No variance
//!              has a part below 0; over all outcomes of 15 rows a side with everybody left ending on the second tick the mean of
//!              V is 1.01 of the true variance here and 0.85 there; with 6 a side, 1.32 (too careful) and 0.90.
//! Cost.        O(observations + ticks·groups³); cluster-robust O((observations + ticks·groups + clusters·groups)·groups) more.
//! Not for.     Which group has the higher rate among those still at risk: that is the log-rank test of the cause.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::bucket::Buckets;
use super::causes::{EndingTable, ObservationsByCause, this_or_other, ticks_of};
use super::covariance::Covariance;
use super::distribution::chi_square_upper_tail;
use super::gray_path::Path;
use super::grouping::{Grouping, NO_GROUP};
use crate::quantity::{Behind, Known, Variance, WhyNotKnown};

/// Options of Gray's test.
#[derive(Clone, Copy, Debug)]
pub struct GrayOptions<'a> {
    /// ρ, the power of 1 − F⁰ by which differences are weighted; 0 weights all alike.
    pub rho: f64,
    /// Within what the groups are compared; scores and variances of the strata add up.
    pub strata: Option<&'a Grouping>,
    /// The variance.
    pub variance: Variance,
}

impl Default for GrayOptions<'_> {
    /// ρ = 0, no strata, cluster-robust.
    fn default() -> Self {
        Self { rho: 0.0, strata: None, variance: Variance::ClusterRobust }
    }
}

/// One group of the test.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GrayGroup {
    /// Sum of the weights that ended by the cause.
    pub ended: f64,
    /// z: weighted endings by the cause above what the common pace would bring. All groups' scores sum to 0.
    pub score: f64,
}

/// The result of Gray's test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GrayTest {
    /// The code of the cause.
    pub cause: u8,
    /// The power of the weights.
    pub rho: f64,
    /// The groups, in the order of the levels.
    pub groups: Vec<GrayGroup>,
    /// Covariance of the scores, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: u32,
    /// Probability of a statistic this large or larger if the incidences are the same; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
    /// The variance behind the statistic.
    pub variance: Variance,
    /// How many stand behind it, over all groups; the failures are those by the cause.
    pub behind: Behind,
}

/// Compares the incidence of a cause between the levels of a grouping. Observations without a group or a stratum take no part.
///
/// Not known when nobody ended by the cause, with fewer than two groups that could have, when ρ is not a number, or, for the robust
/// variance, with fewer clusters than its rank needs.
pub fn gray_test(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    grouping: &Grouping,
    options: GrayOptions<'_>,
) -> Known<GrayTest> {
    if !options.rho.is_finite() {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    let size = usize::from(grouping.levels());
    let strata = options.strata.map_or(1, |strata| usize::from(strata.levels()));
    let cell = |i: usize| {
        let group = grouping.codes().get(i).copied().filter(|&code| code != NO_GROUP)?;
        let stratum = match options.strata {
            None => 0,
            Some(strata) => strata.codes().get(i).copied().filter(|&code| code != NO_GROUP)?,
        };
        Some(usize::from(stratum) * size + usize::from(group))
    };
    let tables = EndingTable::count(by_cause, &this_or_other(cause), 3, strata * size, cell);
    let mut groups = vec![GrayGroup::default(); size];
    let mut covariance = Covariance::zero(size);
    let mut paths = Vec::new();
    for tables in tables.chunks(size.max(1)) {
        let path = Path::of(tables, options.rho);
        for (group, (sum, table)) in groups.iter_mut().zip(tables).enumerate() {
            sum.ended += table.ended(1).iter().sum::<f64>();
            sum.score += path.score[group];
        }
        path.add_model_covariance(&mut covariance);
        paths.push(path);
    }
    let behind = behind(by_cause, cause, cell);
    if behind.failures == 0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let kept = covariance.all_but_the_largest();
    let scores: Vec<f64> = kept.iter().map(|&group| groups[group].score).collect();
    let (mut chi_square, rank) = covariance.only(&kept).quadratic_form(&scores);
    if rank == 0 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    if options.variance == Variance::ClusterRobust {
        covariance = robust_covariance(by_cause, cause, cell, size, &paths);
        let (robust, robust_rank) = covariance.only(&kept).quadratic_form(&scores);
        if robust_rank < rank || behind.clusters < 2 {
            return Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        chi_square = robust;
    }
    let tail = chi_square_upper_tail(chi_square, rank);
    Known::Known(GrayTest {
        cause,
        rho: options.rho,
        groups,
        covariance: covariance.rows(),
        chi_square,
        degrees_of_freedom: rank,
        p_value: tail.p_value,
        ln_p_value: tail.ln_p_value,
        variance: options.variance,
        behind,
    })
}

fn behind(by_cause: &ObservationsByCause<'_>, cause: u8, cell: impl Fn(usize) -> Option<usize>) -> Behind {
    let observations = by_cause.observations();
    let mut seen = vec![false; observations.clusters() as usize];
    let mut behind = Behind::default();
    for (i, &code) in by_cause.codes().iter().enumerate() {
        if cell(i).is_none() {
            continue;
        }
        behind.observations += 1;
        behind.failures += u64::from(code == cause);
        seen[observations.cluster()[i] as usize] = true;
    }
    behind.clusters = seen.into_iter().map(u64::from).sum();
    behind
}

fn robust_covariance(
    by_cause: &ObservationsByCause<'_>,
    cause: u8,
    cell: impl Fn(usize) -> Option<usize> + Copy,
    size: usize,
    paths: &[Path],
) -> Covariance {
    let observations = by_cause.observations();
    let (entry, exit, cluster) = (observations.entry(), observations.exit(), observations.cluster());
    let cells = paths.len() * size;
    let keyed = (0_u32..)
        .zip(0..exit.len())
        .filter_map(|(place, i)| cell(i).and_then(|cell| u32::try_from(cell).ok()).map(|cell| (cell, place)));
    let by_cell = Buckets::fill(keyed, cells);
    let ticks = ticks_of(observations);
    let mut scores = vec![0.0; observations.clusters() as usize * size];
    for cell in 0..cells {
        let members = by_cell.items(cell);
        if members.is_empty() {
            continue;
        }
        let path = &paths[cell / size];
        let rows = path.influences(cell % size);
        // drift_to: for each tick, the sum over ticks so far for one at risk; step_of: the tick's own place, if it has one.
        let mut drift_to = vec![0.0; ticks * size];
        let mut step_of = vec![None; ticks];
        let mut next = 0;
        let mut drift = vec![0.0; size];
        for tick in 0..ticks {
            if path.ticks.get(next).is_some_and(|at| at.tick == tick) {
                for (drift, row) in drift.iter_mut().zip(&rows[3 * size * next..]) {
                    *drift += row;
                }
                step_of[tick] = Some(next);
                next += 1;
            }
            drift_to[tick * size..(tick + 1) * size].copy_from_slice(&drift);
        }
        for i in members.iter().map(|&i| i as usize) {
            let weight = observations.weight_of(i);
            let (from, to, place) = (entry[i] as usize, exit[i] as usize, cluster[i] as usize);
            let score = &mut scores[place * size..(place + 1) * size];
            for (g, score) in score.iter_mut().enumerate() {
                let before = if from > 0 { drift_to[from * size + g] } else { 0.0 };
                *score += weight * (drift_to[to * size + g] - before);
            }
            let code = by_cause.codes()[i];
            if let Some(step) = step_of[to].filter(|_| code > 0) {
                let row = 3 * size * step + if code == cause { size } else { 2 * size };
                for (score, jump) in score.iter_mut().zip(&rows[row..row + size]) {
                    *score += weight * jump;
                }
            }
        }
    }
    let mut covariance = Covariance::zero(size);
    for score in scores.chunks(size) {
        covariance.add_square(1.0, score);
    }
    covariance
}

#[cfg(test)]
mod tests {
    use super::super::log_rank::log_rank;
    use super::super::observation::{Ending, Observations};
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::Days;

    const ROWS: [(i32, i32, u8, u16); 16] = [
        (0, 2, 1, 0),
        (0, 2, 2, 1),
        (0, 3, 1, 1),
        (1, 3, 0, 0),
        (0, 4, 2, 0),
        (2, 4, 1, 2),
        (0, 4, 1, 0),
        (0, 5, 2, 2),
        (0, 5, 1, 1),
        (3, 6, 1, 2),
        (0, 6, 2, 1),
        (0, 7, 0, 2),
        (0, 8, 1, 2),
        (0, 9, 1, 0),
        (0, 9, 2, 1),
        (0, 11, 0, 0),
    ];

    fn scores(changed: usize, weight: f64) -> Vec<f64> {
        let mut observations = Observations::default();
        for (i, &(entry, exit, _, _)) in ROWS.iter().enumerate() {
            let weight = if i == changed { weight } else { 1.0 };
            let pushed = observations.push_weighted(Days::new(entry), Days::new(exit), Ending::Censored, 0, weight);
            pushed.expect("in order");
        }
        let codes = ROWS.map(|row| row.2);
        let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
        let grouping = Grouping::new(ROWS.iter().map(|row| row.3).collect(), 3).expect("levels");
        let options = GrayOptions { variance: Variance::ModelBased, ..GrayOptions::default() };
        let test = gray_test(&by_cause, 1, &grouping, options);
        test.known().expect("three groups").groups.iter().map(|group| group.score).collect()
    }

    #[test]
    fn the_influence_is_the_derivative_of_the_score_in_the_case_weight() {
        // Each observation its own cluster: the robust covariance is then Σ ψψᵀ, with ψ from finite differences here.
        let mut observations = Observations::default();
        for (cluster, &(entry, exit, _, _)) in (0..).zip(&ROWS) {
            observations.push(Days::new(entry), Days::new(exit), Ending::Censored, cluster).expect("in order");
        }
        let codes = ROWS.map(|row| row.2);
        let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
        let grouping = Grouping::new(ROWS.iter().map(|row| row.3).collect(), 3).expect("levels");
        let test = gray_test(&by_cause, 1, &grouping, GrayOptions::default());
        let test = test.known().expect("three groups");
        let step = 1e-5;
        let derivative: Vec<Vec<f64>> = (0..ROWS.len())
            .map(|i| {
                let (up, down) = (scores(i, 1.0 + step), scores(i, 1.0 - step));
                up.iter().zip(down).map(|(up, down)| (up - down) / (2.0 * step)).collect()
            })
            .collect();
        for g in 0..3 {
            for h in 0..3 {
                let slow: f64 = derivative.iter().map(|psi| psi[g] * psi[h]).sum();
                assert!((test.covariance[g][h] - slow).abs() < 1e-8, "absolute: {} {slow}", test.covariance[g][h]);
            }
        }
    }

    #[test]
    fn without_competing_endings_and_censorings_the_score_is_that_of_the_log_rank_test() {
        // With nobody censored and one cause, R_i is everybody at risk.
        let (observations, grouping) = ten_rows::grouped();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let gray = gray_test(&by_cause, 1, &grouping, GrayOptions::default());
        let log_rank = log_rank(&observations, &grouping, Variance::ClusterRobust);
        let (gray, log_rank) = (gray.known().expect("groups"), log_rank.known().expect("groups"));
        assert!((gray.groups[0].score - 0.6).abs() < 1e-14, "absolute: 3 − 2.4");
        assert!((gray.chi_square - log_rank.chi_square).abs() < 1e-12, "absolute");
    }

    #[test]
    fn too_little_to_compare_is_said() {
        let (observations, grouping) = ten_rows::grouped();
        let by_cause = ObservationsByCause::of_endings(&observations);
        let one = Grouping::new(vec![0; 10], 1).expect("one level");
        let test = |cause, grouping: &Grouping, rho| {
            gray_test(&by_cause, cause, grouping, GrayOptions { rho, ..GrayOptions::default() })
        };
        assert_eq!(test(1, &one, 0.0), Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert_eq!(test(2, &grouping, 0.0), Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!(test(1, &grouping, f64::NAN), Known::NotKnown(WhyNotKnown::NotANumber));
        let nobody = Grouping::new(vec![NO_GROUP; 10], 0).expect("no level");
        assert_eq!(test(1, &nobody, 0.0), Known::NotKnown(WhyNotKnown::NoFailures));
    }
}
