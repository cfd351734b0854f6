//! For the Fine–Gray regression: the influence of each observation on the score and on the baseline.
//!
//! Formula.     Both are sums over endings by the cause of f(z, t): the score has f = z − z̄(t), the baseline Λ̂₀(h) at fixed
//!              coefficients f = [t ≤ h]/S₀(t). The influence is ∫ f(z_i, t)·w_i(t)·dM_i(t) with dM = dN − exp(βᵀz)·dΛ̂, and, through
//!              the weights, −Σ over ticks u of K(u)·dξ_i(u), where dξ_i is by how much ln ω moves on u and
//!              K(u) = Σ over those gone by another cause before u, and ticks t after it, of f·exp(βᵀz)·ω(t)/ω(T)·dΛ̂(t).
//! Source.      Fine JP, Gray RJ. J Am Stat Assoc 1999;94:496–509 (from memory); the derivative form worked out here.
//! Cost.        O(observations + ticks·strata) for each component.

use super::fine_gray_weights::{Records, SubdistributionWeights};
use crate::quantity::Variance;

/// Whose influences are summed before they are squared.
pub(super) struct Pieces {
    by_cluster: bool,
    clusters: usize,
    /// How many there are.
    pub(super) count: u64,
}

impl Pieces {
    pub(super) fn of(records: &Records, variance: Variance) -> Self {
        let by_cluster = variance == Variance::ClusterRobust;
        let count = if by_cluster { records.clusters_present() } else { records.exit.len() as u64 };
        Self { by_cluster, clusters: records.clusters, count }
    }

    /// Influences per unit of weight, summed by piece. By themselves, a weight of 2 counts as two observations.
    pub(super) fn sum(&self, records: &Records, mut influence: Vec<f64>) -> Vec<f64> {
        if !self.by_cluster {
            for (influence, weight) in influence.iter_mut().zip(&records.weight) {
                *influence *= libm::sqrt(*weight);
            }
            return influence;
        }
        let mut sums = vec![0.0; self.clusters];
        for ((influence, weight), &cluster) in influence.iter().zip(&records.weight).zip(&records.cluster) {
            sums[cluster as usize] += weight * influence;
        }
        sums
    }
}

/// What all influences at some coefficients share.
pub(super) struct AtCoefficients<'a> {
    records: &'a Records,
    weights: &'a SubdistributionWeights,
    /// exp(βᵀz) of each record.
    risk: Vec<f64>,
    /// The rise of the baseline on each tick.
    pub(super) hazard: Vec<f64>,
    /// S₀ on each tick with endings by the cause, 0 on others.
    risk_set: Vec<f64>,
    /// For each covariate, its mean over the risk set on such ticks.
    means: Vec<Vec<f64>>,
}

impl<'a> AtCoefficients<'a> {
    pub(super) fn of(records: &'a Records, weights: &'a SubdistributionWeights, beta: &[f64]) -> Self {
        let risk: Vec<f64> = (0..records.exit.len())
            .map(|i| libm::exp(beta.iter().zip(&records.columns).map(|(beta, column)| beta * column[i]).sum()))
            .collect();
        let ended = records.ended_by_cause();
        let mut at = Self { records, weights, risk, hazard: Vec::new(), risk_set: Vec::new(), means: Vec::new() };
        let sum = at.over_risk_sets(None);
        at.risk_set = sum.iter().zip(&ended).map(|(sum, ended)| if *ended > 0.0 { *sum } else { 0.0 }).collect();
        at.hazard =
            at.risk_set.iter().zip(&ended).map(|(sum, ended)| if *ended > 0.0 { ended / sum } else { 0.0 }).collect();
        let mean = |column: &Vec<f64>| -> Vec<f64> {
            let sums = at.over_risk_sets(Some(column));
            sums.iter().zip(&at.risk_set).map(|(sum, all)| if *all > 0.0 { sum / all } else { 0.0 }).collect()
        };
        at.means = records.columns.iter().map(mean).collect();
        at
    }

    /// Σ over the weighted risk set of w·exp(βᵀz)·z on each tick; without a column, z is 1.
    fn over_risk_sets(&self, column: Option<&[f64]>) -> Vec<f64> {
        let records = self.records;
        let ticks = self.records.ticks();
        let mut sum = vec![0.0; ticks + 1];
        for i in 0..records.exit.len() {
            let term = records.weight[i] * self.risk[i] * column.map_or(1.0, |column| column[i]);
            sum[records.exit[i] as usize] += term;
            if records.entry[i] > 0 {
                sum[records.entry[i] as usize] -= term;
            }
        }
        for tick in (0..ticks).rev() {
            sum[tick] += sum[tick + 1];
        }
        for stratum in 0..records.strata {
            let gone = self.gone_before(stratum, column);
            for tick in 0..ticks {
                sum[tick] += self.weights.at(stratum, tick).1 * gone[tick];
            }
        }
        sum.pop();
        sum
    }

    /// Σ over those of a stratum and epoch that ended by another cause before each tick of w·exp(βᵀz)·z/ω.
    fn gone_before(&self, stratum: usize, column: Option<&[f64]>) -> Vec<f64> {
        let (records, ticks) = (self.records, self.records.ticks());
        let mut on_tick = vec![0.0; ticks];
        for i in 0..records.exit.len() {
            if usize::from(records.stratum[i]) != stratum {
                continue;
            }
            if let Some((_, per_omega)) = self.weights.of_competing(records, i) {
                let value = column.map_or(1.0, |column| column[i]);
                on_tick[records.exit[i] as usize] += records.weight[i] * self.risk[i] * value * per_omega;
            }
        }
        let (mut so_far, mut epoch) = (0.0, 0);
        (0..ticks)
            .map(|tick| {
                let here = self.weights.at(stratum, tick).0;
                if here != epoch {
                    (so_far, epoch) = (0.0, here);
                }
                let before = so_far;
                so_far += on_tick[tick];
                before
            })
            .collect()
    }

    /// The influence of each record on the score of a covariate.
    pub(super) fn score_influence(&self, covariate: usize) -> Vec<f64> {
        let minus_mean: Vec<f64> = self.means[covariate].iter().map(|mean| -mean).collect();
        self.influence(Some(&self.records.columns[covariate]), &minus_mean)
    }

    /// The influence of each record on the baseline at a horizon while the coefficients stay.
    pub(super) fn baseline_influence(&self, horizon: i32) -> Vec<f64> {
        let within = |tick: usize| i32::try_from(tick).is_ok_and(|tick| tick <= horizon);
        let integrand: Vec<f64> = self
            .risk_set
            .iter()
            .enumerate()
            .map(|(tick, sum)| if *sum > 0.0 && within(tick) { 1.0 / sum } else { 0.0 })
            .collect();
        self.influence(None, &integrand)
    }

    /// The baseline at a horizon, and Σ z̄·dΛ̂ for each covariate.
    pub(super) fn baseline(&self, horizon: i32) -> (f64, Vec<f64>) {
        let within = usize::try_from(horizon).map_or(0, |horizon| (horizon + 1).min(self.hazard.len()));
        let hazard = &self.hazard[..within];
        let drift = self.means.iter().map(|mean| mean.iter().zip(hazard).map(|(mean, rise)| mean * rise).sum());
        (hazard.iter().sum(), drift.collect())
    }

    /// The influence of each record on Σ over endings by the cause of f(z, t) = z + g(t); without a column, f = g(t).
    fn influence(&self, column: Option<&[f64]>, g: &[f64]) -> Vec<f64> {
        let records = self.records;
        let value = |i: usize| column.map_or(0.0, |column| column[i]);
        let own = if column.is_some() { 1.0 } else { 0.0 };
        // Σ dΛ̂ and Σ g·dΛ̂ up to each tick.
        let (mut hazard, mut with_g) = (0.0, 0.0);
        let to: Vec<(f64, f64)> = self
            .hazard
            .iter()
            .zip(g)
            .map(|(rise, g)| {
                hazard += rise;
                with_g += g * rise;
                (hazard, with_g)
            })
            .collect();
        let through: Vec<ThroughWeights> =
            (0..records.strata).map(|stratum| self.through_weights(stratum, column, g)).collect();
        (0..records.exit.len())
            .map(|i| {
                let (from, exit) = (records.entry[i] as usize, records.exit[i] as usize);
                let through = &through[usize::from(records.stratum[i])];
                let stratum = usize::from(records.stratum[i]);
                let before = if from > 0 { to[from] } else { (0.0, 0.0) };
                let mut exposure = value(i) * (to[exit].0 - before.0) + (to[exit].1 - before.1);
                if let Some((_, per_omega)) = self.weights.of_competing(records, i) {
                    let (alone, with_g) = through.to_come[exit];
                    exposure += per_omega * (value(i) * alone + with_g);
                }
                let failed = if records.class[i] == 1 { own * value(i) + g[exit] } else { 0.0 };
                let moves = self.weights.moves(stratum, exit);
                let leaving = if records.class[i] == 0 { moves.censored } else { moves.ended };
                let mut moved = through.staying_before[exit] + through.k[exit] * leaving;
                if from > 0 {
                    // At risk from the tick after its entry.
                    moved += through.k[from] * self.weights.moves(stratum, from).entering
                        - through.staying_before.get(from + 1).copied().unwrap_or(0.0);
                }
                failed - self.risk[i] * exposure - moved
            })
            .collect()
    }

    fn through_weights(&self, stratum: usize, column: Option<&[f64]>, g: &[f64]) -> ThroughWeights {
        let ticks = self.records.ticks();
        let gone = self.gone_before(stratum, None);
        let gone_with_z = column.map_or_else(|| vec![0.0; ticks], |column| self.gone_before(stratum, Some(column)));
        let mut through = ThroughWeights {
            to_come: vec![(0.0, 0.0); ticks],
            k: vec![0.0; ticks],
            staying_before: Vec::with_capacity(ticks + 1),
        };
        let (mut alone, mut with_g, mut epoch) = (0.0, 0.0, u32::MAX);
        for tick in (0..ticks).rev() {
            let (here, omega) = self.weights.at(stratum, tick);
            if here != epoch {
                (alone, with_g, epoch) = (0.0, 0.0, here);
            }
            through.to_come[tick] = (alone, with_g);
            let rise = omega * self.hazard[tick];
            // Those gone by the end of the tick, for what comes after it; or those gone before it, for its own endings too.
            let same_epoch = tick + 1 < ticks && self.weights.at(stratum, tick + 1).0 == here;
            through.k[tick] = if self.weights.before_endings {
                gone_with_z[tick] * (alone + rise) + gone[tick] * (with_g + g[tick] * rise)
            } else if same_epoch {
                gone_with_z[tick + 1] * alone + gone[tick + 1] * with_g
            } else {
                0.0
            };
            alone += rise;
            with_g += g[tick] * rise;
        }
        let mut sum = 0.0;
        for (tick, k) in through.k.iter().enumerate() {
            through.staying_before.push(sum);
            sum += k * self.weights.moves(stratum, tick).staying;
        }
        through.staying_before.push(sum);
        through
    }
}

/// How the functional hangs on ω of one stratum.
struct ThroughWeights {
    /// Σ ω·dΛ̂ and Σ g·ω·dΛ̂ over later ticks of the epoch.
    to_come: Vec<(f64, f64)>,
    /// K on each tick.
    k: Vec<f64>,
    /// Σ K·(move of one that stays) over earlier ticks.
    staying_before: Vec<f64>,
}
