//! Concordance (Harrell's C): of two, does the one with the higher score fail first?
//!
//! Definition.  A pair can be judged when one fails on a tick on which the other is at risk and does not fail. It is concordant if
//!              the one that fails has the higher score, tied if scores are equal. C = (concordant + tied/2) / all judged.
//! Variance.    Infinitesimal jackknife: the derivative of C in the case weight of i, w_i·(c_i + t_i/2 − C·n_i)/N, where c_i, t_i, n_i
//!              are weights of its pairs that are concordant, tied, all; summed by cluster and squared.
//! Source.      Harrell FE, Califf RM, Pryor DB, Lee KL, Rosati RA. JAMA 1982;247:2543–2546; counting in a tree: Newson R. Stata J
//!              2006;6:309–334 (all from memory).
//! Decided.     Two that fail on one tick are not judged. One censored on the tick of a failure outlived it. Strata are not compared
//!              with one another. The interval is symmetric on the logit.
//! Cost.        O(n·ln n): two sweeps over the ticks with running sums over the ranks of scores.
//! Not for.     Comparing models that were fitted to the same data.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox::{CoxModel, CoxProblem};
use super::cox_design::CoxDesign;
use super::cox_risk_sets::RiskSets;
use super::distribution::normal_quantile_upper;
use super::grouping::Grouping;
use super::observation::Observations;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};

/// How well a score orders failures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Concordance {
    /// C, 0 to 1; one half is no better than chance.
    pub concordance: Estimate<f64>,
    /// Weight of the pairs in which the one with the higher score failed first.
    pub concordant: f64,
    /// Weight of those in which the one with the lower score did.
    pub discordant: f64,
    /// Weight of those with equal scores.
    pub tied: f64,
}

/// The concordance of a score, a number for each observation: the higher, the sooner a failure is expected.
///
/// Not known without observations or failures, for scores that are no numbers (or of another length), and when no pair can be
/// judged.
pub fn concordance(
    observations: &Observations,
    score: &[f64],
    strata: Option<&Grouping>,
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<Concordance> {
    if score.len() != observations.len() || score.iter().any(|score| score.is_nan()) {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    }
    match RiskSets::build(observations, &CoxDesign::default(), strata).as_ref().map_err(CoxProblem::why) {
        Ok(sets) => {
            let of_rows: Vec<f64> = sets.observation.iter().map(|&row| score[row as usize]).collect();
            judge(observations, sets, &of_rows, variance, level)
        }
        Err(why) => Known::NotKnown(why),
    }
}

impl CoxModel<'_> {
    /// The concordance of the linear predictor with the failures that it was fitted to.
    pub fn concordance(&self) -> Known<Concordance> {
        let mut score = vec![0.0; self.sets.rows()];
        for (column, beta) in self.sets.columns.iter().zip(&self.beta) {
            score.iter_mut().zip(column).for_each(|(score, x)| *score += beta * x);
        }
        judge(self.observations, &self.sets, &score, self.options.variance, self.options.level)
    }
}

fn judge(
    observations: &Observations,
    sets: &RiskSets,
    score: &[f64],
    variance: Variance,
    level: ConfidenceLevel,
) -> Known<Concordance> {
    let mut pairs = vec![Pairs::default(); sets.rows()];
    let mut total = Pairs::default();
    for stratum in sets.stratum_starts.windows(2).filter(|stratum| stratum[0] < stratum[1]) {
        total.add(count_stratum(sets, score, stratum[0], stratum[1], &mut pairs));
    }
    let judged = total.all();
    if judged <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let value = (total.concordant + 0.5 * total.tied) / judged;
    let influence = |row: usize| {
        let own = &pairs[row];
        sets.weight_of(row) * (own.concordant + 0.5 * own.tied - value * own.all()) / judged
    };
    let squares: Known<f64> = match variance {
        Variance::ModelBased => Known::Known((0..sets.rows()).map(|row| influence(row) * influence(row)).sum()),
        Variance::ClusterRobust if sets.behind.clusters < 2 => Known::NotKnown(WhyNotKnown::TooFewClusters),
        Variance::ClusterRobust => {
            let mut sums = vec![0.0; observations.clusters() as usize];
            for (row, &observation) in sets.observation.iter().enumerate() {
                sums[observations.cluster()[observation as usize] as usize] += influence(row);
            }
            Known::Known(sums.iter().map(|sum| sum * sum).sum())
        }
    };
    let error = squares.map(libm::sqrt);
    let interval = match error {
        Known::NotKnown(why) => Known::NotKnown(why),
        Known::Known(_) if value <= 0.0 || value >= 1.0 => Known::NotKnown(WhyNotKnown::AtBoundary),
        Known::Known(error) => {
            let logit = libm::log(value / (1.0 - value));
            let reach = normal_quantile_upper(level.tail()) * error / (value * (1.0 - value));
            let back = |logit: f64| 1.0 / (1.0 + libm::exp(-logit));
            let (lower, upper) = (back(logit - reach), back(logit + reach));
            Known::Known(ConfidenceInterval { lower, upper, level, method: IntervalMethod::Logit })
        }
    };
    Known::Known(Concordance {
        concordance: Estimate { value, standard_error: error.known().copied(), variance, interval, behind: sets.behind },
        concordant: total.concordant,
        discordant: total.discordant,
        tied: total.tied,
    })
}

/// Weights of pairs.
#[derive(Clone, Copy, Debug, Default)]
struct Pairs {
    concordant: f64,
    discordant: f64,
    tied: f64,
}

impl Pairs {
    fn all(&self) -> f64 {
        self.concordant + self.discordant + self.tied
    }

    fn add(&mut self, other: Self) {
        self.concordant += other.concordant;
        self.discordant += other.discordant;
        self.tied += other.tied;
    }

    fn take(&mut self, other: Self) {
        self.concordant -= other.concordant;
        self.discordant -= other.discordant;
        self.tied -= other.tied;
    }
}

/// Fills the pairs of each row of a stratum; gives their sum, each pair once.
fn count_stratum(sets: &RiskSets, score: &[f64], first: usize, end: usize, pairs: &mut [Pairs]) -> Pairs {
    let base = sets.places[first].start;
    let rows = base..sets.places[end - 1].end;
    let mut order: Vec<usize> = rows.clone().collect();
    order.sort_unstable_by(|&a, &b| score[a].total_cmp(&score[b]));
    let mut rank = vec![0_usize; rows.len()];
    let mut ranks = 0;
    for (i, &row) in order.iter().enumerate() {
        if i == 0 || score[row] > score[order[i - 1]] {
            ranks += 1;
        }
        rank[row - base] = ranks - 1;
    }
    let rank = |row: usize| rank[row - base];
    let mut tree = WeightsByRank::new(ranks);
    let mut total = Pairs::default();
    // Backwards: who is at risk when somebody fails?
    for index in (first..end).rev() {
        let place = &sets.places[index];
        for row in place.failures_end..place.end {
            tree.add(rank(row), sets.weight_of(row));
        }
        for (row, own) in (place.start..).zip(&mut pairs[place.start..place.failures_end]) {
            let (below, equal, above) = tree.around(rank(row));
            own.add(Pairs { concordant: below, tied: equal, discordant: above });
            let w = sets.weight_of(row);
            total.add(Pairs { concordant: w * below, tied: w * equal, discordant: w * above });
        }
        for row in place.start..place.failures_end {
            tree.add(rank(row), sets.weight_of(row));
        }
        if let Some(late) = &sets.late {
            for &row in late.items(index) {
                tree.add(rank(row as usize), -sets.weight_of(row as usize));
            }
        }
    }
    // Forwards: who has failed while somebody was at risk?
    let mut tree = WeightsByRank::new(ranks);
    let survived = |tree: &WeightsByRank, row: usize| {
        let (below, equal, above) = tree.around(rank(row));
        Pairs { concordant: above, tied: equal, discordant: below }
    };
    for index in first..end {
        let place = &sets.places[index];
        if let Some(late) = &sets.late {
            for &row in late.items(index) {
                pairs[row as usize].take(survived(&tree, row as usize));
            }
        }
        for (row, own) in (place.start..).zip(&mut pairs[place.start..place.failures_end]) {
            own.add(survived(&tree, row));
        }
        for row in place.start..place.failures_end {
            tree.add(rank(row), sets.weight_of(row));
        }
        for (row, own) in (place.failures_end..).zip(&mut pairs[place.failures_end..place.end]) {
            own.add(survived(&tree, row));
        }
    }
    total
}

/// Weights by rank, with their running sums in a binary indexed tree (Fenwick 1994).
struct WeightsByRank {
    tree: Vec<f64>,
    single: Vec<f64>,
    total: f64,
}

impl WeightsByRank {
    fn new(ranks: usize) -> Self {
        Self { tree: vec![0.0; ranks + 1], single: vec![0.0; ranks], total: 0.0 }
    }

    fn add(&mut self, rank: usize, weight: f64) {
        self.single[rank] += weight;
        self.total += weight;
        let mut place = rank + 1;
        while place < self.tree.len() {
            self.tree[place] += weight;
            place += place & place.wrapping_neg();
        }
    }

    /// The weights below a rank, at it, and above it.
    fn around(&self, rank: usize) -> (f64, f64, f64) {
        let (mut below, mut place) = (0.0, rank);
        while place > 0 {
            below += self.tree[place];
            place &= place - 1;
        }
        let equal = self.single[rank];
        (below, equal, self.total - below - equal)
    }
}
