//! The cluster-robust variance of a survival curve: the infinitesimal jackknife, summed by cluster.
//!
//! Definition.  The influence of observation i on ln S(t), the derivative of ln S(t) in its case weight, is
//!              −A_i(t), A_i(t) = Σ over u ≤ t of (dN_i(u) − Y_i(u)·d(u)/n(u)) / (n(u) − d(u)),
//!              where dN_i(u) is 1 if it fails on day u, Y_i(u) is 1 while it is at risk, d failed and n at risk.
//!              A_c(t) is the sum of A_i(t) in cluster c, and σ²(t) = Σ over clusters of A_c(t)².
//! Formula.     With H(t) = Σ d/(n(n − d)), A_i(t) = [failed by t]/(n − d at its exit) − H(min(t, exit)) + H(entry). While m
//!              members of a cluster are at risk, A_c(t) = k − m·H(t) with a k that changes only when one enters or leaves. So
//!              σ² = Σk² − 2H·Σkm + H²·Σm² on every day, from three running sums.
//! Weights.     With case weights n and d are sums of weights, and A_i is taken w_i times.
//! Source.      Efron B. The Jackknife, the Bootstrap and Other Resampling Plans, 1982; clusters: Ying Z, Wei LJ. J Multivar
//!              Anal 1994;50:17–29 (both from memory).
//! Decided.     No small-sample factor. Running sums carry their rounding along (Neumaier), so that ten million changes
//!              leave no drift.
//! Check.       Without late entries, and each observation its own cluster, σ² is Greenwood's sum exactly. With late entries the
//!              two differ a little. A record split at a day within its cluster changes nothing.
//! Cost.        O(observations + days + clusters) for all days at once.
//! Not for.     Fewer than two clusters; and few clusters (say below 20) make it too small.

use super::bucket::Buckets;
use super::clustered::Clustered;
use super::compensated_sum::CompensatedSum;
use super::observation::{Ending, Observations};
use super::product_limit::{ProductLimit, Step};
use crate::quantity::{Days, Known, Variance, WhyNotKnown};
use crate::threads::{available, on_threads};

/// The most threads that are used: more of them mostly wait for memory.
const MOST_THREADS: usize = 2;

/// The same curve with cluster-robust variances. The observations are those that the curve was estimated from.
///
/// With fewer than two clusters, each variance is not known for that reason.
pub fn with_cluster_robust_variance(curve: ProductLimit, observations: &Observations) -> ProductLimit {
    with_cluster_robust_variance_of(curve, &Clustered::of(observations))
}

/// The same of observations that are parted already.
pub fn with_cluster_robust_variance_of(mut curve: ProductLimit, clustered: &Clustered) -> ProductLimit {
    curve.variance = Variance::ClusterRobust;
    if clustered.clusters() < 2 {
        for step in &mut curve.steps {
            step.ln_survival_variance = Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        return curve;
    }
    let variances = variance_at_each_jump(&survival_jumps(&curve), clustered);
    for (step, variance) in curve.steps.iter_mut().zip(variances) {
        let none = step.ln_survival_variance.known().is_some_and(|greenwood| vanishes(variance, *greenwood));
        step.ln_survival_variance = if none { Known::NotKnown(WhyNotKnown::NoSpread) } else { Known::Known(variance) };
    }
    curve
}

/// Whether a variance is nothing but rounding beside that of as many independent observations: the influences of each cluster cancel.
pub(super) fn vanishes(variance: f64, independent: f64) -> bool {
    variance <= ROUNDING * independent
}

/// So small a part of the variance of independent observations is rounding.
const ROUNDING: f64 = 1e-12;

/// The same for several curves, each with its observations, on up to two threads.
pub fn with_cluster_robust_variances(curves: Vec<(ProductLimit, &Observations)>) -> Vec<ProductLimit> {
    on_threads(curves, available().min(MOST_THREADS), |(curve, observations)| {
        with_cluster_robust_variance(curve, observations)
    })
}

/// What one day with failures does to influences: A_i(t) = Σ over u ≤ t of failure(u)·dN_i(u) − hazard(u)·Y_i(u).
#[derive(Clone, Copy)]
pub(super) struct Jump {
    /// The day.
    pub day: i32,
    /// Taken from each at risk.
    pub hazard: f64,
    /// Given to each that fails.
    pub failure: f64,
}

/// The jumps of −ln S, up to the day on which all have failed.
pub(super) fn survival_jumps(curve: &ProductLimit) -> Vec<Jump> {
    let jump = |step: &Step| {
        let (n, d) = (step.weight_at_risk(), step.weight_failed());
        Jump { day: step.day.count(), hazard: d / (n * (n - d)), failure: 1.0 / (n - d) }
    };
    curve.steps.iter().take_while(|step| !step.all_failed()).map(jump).collect()
}

/// The influence of each cluster on the area under the curve, with the sign turned; `areas` holds, for each step up to the
/// horizon, the area under the curve from its day to the horizon.
///
/// The influence of an observation is −Σ areas(u)·(dN_i(u) − Y_i(u)·d(u)/n(u)) / (n(u) − d(u)). Where all have failed the area
/// to come is 0, and the step has no influence.
pub(super) fn area_influences(curve: &ProductLimit, areas: &[f64], observations: &Observations) -> Vec<f64> {
    influences(&area_jumps(curve, areas), &[i32::MAX], observations)
}

/// The sum of their squares over all clusters.
pub(super) fn area_variance(curve: &ProductLimit, areas: &[f64], clustered: &Clustered) -> f64 {
    let jumps = area_jumps(curve, areas);
    let running = RunningJumps::new(&jumps, clustered.last_day());
    let square = |(day, failed, count): (Days, bool, u64)| {
        let influence = running.influence(0, day.count(), failed, i32::MAX);
        count as f64 * influence * influence
    };
    let alone: f64 = clustered.alone().map(square).sum();
    let several = clustered.several();
    if !several.in_order_of_clusters() {
        return alone + influences(&jumps, &[i32::MAX], several).iter().map(|influence| influence * influence).sum::<f64>();
    }
    // Where clusters come one after the other, nothing is held of them.
    let influence = |i: usize| {
        let failed = several.ending()[i] == Ending::Failed;
        several.weight_of(i) * running.influence(several.entry()[i], several.exit()[i], failed, i32::MAX)
    };
    let mut from = 0;
    let of_clusters = several.cluster().chunk_by(|one, other| one == other).map(|of_one| {
        let rows = from..from + of_one.len();
        from = rows.end;
        let sum: f64 = rows.map(influence).sum();
        sum * sum
    });
    alone + of_clusters.sum::<f64>()
}

fn area_jumps(curve: &ProductLimit, areas: &[f64]) -> Vec<Jump> {
    let jump = |(step, area): (&Step, &f64)| {
        let (n, d) = (step.weight_at_risk(), step.weight_failed());
        Jump { day: step.day.count(), hazard: area * (d / (n * (n - d))), failure: area / (n - d) }
    };
    curve.steps.iter().zip(areas).take_while(|(step, _)| !step.all_failed()).map(jump).collect()
}

/// A_c at each horizon, one cluster after the other; 0 for a cluster that is not there.
pub(super) fn influences(jumps: &[Jump], horizons: &[i32], observations: &Observations) -> Vec<f64> {
    let running = RunningJumps::new(jumps, observations.last_day().map_or(0, Days::count));
    let mut sums = vec![0.0; observations.clusters() as usize * horizons.len()];
    for i in 0..observations.len() {
        let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
        let (failed, weight) = (observations.ending()[i] == Ending::Failed, observations.weight_of(i));
        let first = observations.cluster()[i] as usize * horizons.len();
        for (place, &horizon) in sums[first..first + horizons.len()].iter_mut().zip(horizons) {
            *place += weight * running.influence(entry, exit, failed, horizon);
        }
    }
    sums
}

/// Hazards summed up to each day, and the failure of each day.
pub(super) struct RunningJumps {
    hazard: Vec<f64>,
    failure: Vec<f64>,
}

impl RunningJumps {
    /// For every day up to the last.
    pub fn new(jumps: &[Jump], last_day: i32) -> Self {
        let days = last_day as usize + 1;
        let (mut hazard, mut failure) = (vec![0.0; days], vec![0.0; days]);
        let (mut sum, mut next) = (0.0, jumps.iter().peekable());
        for day in 0..days {
            if let Some(jump) = next.next_if(|jump| jump.day as usize == day) {
                sum += jump.hazard;
                failure[day] = jump.failure;
            }
            hazard[day] = sum;
        }
        Self { hazard, failure }
    }

    /// A_i at a horizon, without its weight.
    #[inline]
    pub fn influence(&self, entry: i32, exit: i32, failed: bool, horizon: i32) -> f64 {
        if horizon < 0 {
            return 0.0;
        }
        let before = if entry == 0 { 0.0 } else { self.hazard[entry.min(horizon) as usize] };
        let change = before - self.hazard[exit.min(horizon) as usize];
        if failed && exit <= horizon { change + self.failure[exit as usize] } else { change }
    }
}

/// For each day, how many of the jumps lie on it or before.
fn jumps_up_to_each_day(jumps: &[Jump], last: i32) -> Vec<u32> {
    let mut next = jumps.iter().peekable();
    let mut count = 0;
    (0..=last)
        .map(|day| {
            if next.next_if(|jump| jump.day == day).is_some() {
                count += 1;
            }
            count
        })
        .collect()
}

/// Whether an observation that fails on its exit day does so on a jump; `after` jumps lie on that day or before.
fn fails_on_jump(jumps: &[Jump], after: u32, exit: i32, failed: bool) -> bool {
    let last = after.checked_sub(1).and_then(|last| jumps.get(last as usize));
    failed && last.is_some_and(|jump| jump.day == exit)
}

/// The three sums over clusters, Σk², Σkm, Σm², or what the entries and exits of one jump change in them.
#[derive(Clone, Copy, Default)]
struct Sums {
    k_squared: CompensatedSum,
    k_times_m: CompensatedSum,
    m_squared: CompensatedSum,
}

impl Sums {
    /// Puts so many clusters in, each with k and without a member left, which had one from the start and no k.
    fn leave_alone(&mut self, k: f64, clusters: f64) {
        self.k_squared.add(clusters * (k * k));
        self.m_squared.add(-clusters);
    }

    /// Takes a cluster's old k and m out, and puts the new ones in.
    fn replace(&mut self, (old_k, old_m): (f64, f64), (k, m): (f64, f64)) {
        self.k_squared.add(k * k - old_k * old_k);
        self.k_times_m.add(k * m - old_k * old_m);
        self.m_squared.add(m * m - old_m * old_m);
    }

    /// Adds what a jump changes.
    fn add(&mut self, change: &Self) {
        self.k_squared.add_sum(change.k_squared);
        self.k_times_m.add_sum(change.k_times_m);
        self.m_squared.add_sum(change.m_squared);
    }

    /// σ² where hazards have summed up to h.
    fn variance(&self, h: f64) -> f64 {
        let sum = self.k_squared.value() - 2.0 * h * self.k_times_m.value() + h * h * self.m_squared.value();
        sum.max(0.0)
    }
}

/// An entry or an exit: the jump that it is counted with (none at all: 0), what k gains besides what H brings, and how m changes.
#[derive(Clone, Copy)]
struct Passage {
    jump: u32,
    gained: f64,
    weight: f64,
}

/// What enters and leaves of one cluster.
#[derive(Default)]
struct OfCluster {
    /// The weight of those that are there before the first jump.
    from_start: f64,
    passages: Vec<Passage>,
}

/// Σ over clusters of A_c² at each jump. Between two jumps H doesn't change, so whoever enters or leaves there is counted with the
/// earlier one.
///
/// Clusters are gone through one after the other, each with its few entries and exits in order; what they change is put down by jump, so
/// that nothing is looked up all over memory but these sums. Those of one observation are counted already.
pub(super) fn variance_at_each_jump(jumps: &[Jump], clustered: &Clustered) -> Vec<f64> {
    let observations = clustered.several();
    let jumps_to = jumps_up_to_each_day(jumps, clustered.last_day());
    let hazard_to: Vec<f64> = std::iter::once(0.0)
        .chain(jumps.iter().scan(0.0, |sum, jump| {
            *sum += jump.hazard;
            Some(*sum)
        }))
        .collect();
    // What leaves on each day, by failure or not: the jump that it is counted with, and what k gains.
    let leaving = |day: i32, fails: bool| {
        let leaves = jumps_to[day as usize];
        let gained = if fails_on_jump(jumps, leaves, day, fails) { jumps[leaves as usize - 1].failure } else { 0.0 };
        (leaves, gained)
    };
    let leaving: Vec<[(u32, f64); 2]> =
        (0..=clustered.last_day()).map(|day| [leaving(day, false), leaving(day, true)]).collect();
    let mut changes = vec![Sums::default(); jumps.len() + 1];
    for (day, failed, count) in clustered.alone() {
        let (leaves, gained) = leaving[day.count() as usize][usize::from(failed)];
        changes[0].m_squared.add(count as f64);
        changes[leaves as usize].leave_alone(gained - hazard_to[leaves as usize], count as f64);
    }
    let mut of_cluster = OfCluster::default();
    let mut count = |of_cluster: &mut OfCluster| {
        let (mut k, mut m) = (0.0, of_cluster.from_start);
        changes[0].m_squared.add(m * m);
        if of_cluster.passages.len() > 1 {
            of_cluster.passages.sort_by_key(|passage| passage.jump);
        }
        for passage in of_cluster.passages.drain(..) {
            let old = (k, m);
            k += passage.gained + passage.weight * hazard_to[passage.jump as usize];
            m += passage.weight;
            changes[passage.jump as usize].replace(old, (k, m));
        }
        of_cluster.from_start = 0.0;
    };
    let add = |of_cluster: &mut OfCluster, i: usize| {
        let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
        let weight = observations.weight_of(i);
        let (leaves, gained) = leaving[exit as usize][usize::from(observations.ending()[i] == Ending::Failed)];
        let enters = if entry == 0 { 0 } else { jumps_to[entry as usize] };
        if enters == 0 {
            of_cluster.from_start += weight;
        } else {
            of_cluster.passages.push(Passage { jump: enters, gained: 0.0, weight });
        }
        of_cluster.passages.push(Passage { jump: leaves, gained: weight * gained, weight: -weight });
    };
    let cluster = observations.cluster();
    if observations.in_order_of_clusters() {
        let mut from = 0;
        for of_one in cluster.chunk_by(|one, other| one == other) {
            (from..from + of_one.len()).for_each(|i| add(&mut of_cluster, i));
            from += of_one.len();
            count(&mut of_cluster);
        }
    } else {
        let places = (0_u32..).zip(cluster).map(|(place, &cluster)| (cluster, place));
        let by_cluster = Buckets::fill(places, observations.clusters() as usize);
        for cluster in 0..observations.clusters() as usize {
            by_cluster.items(cluster).iter().for_each(|&place| add(&mut of_cluster, place as usize));
            count(&mut of_cluster);
        }
    }
    let mut sums = Sums::default();
    let mut variances = Vec::with_capacity(jumps.len());
    for (j, (change, &h)) in changes.iter().zip(&hazard_to).enumerate() {
        sums.add(change);
        if j > 0 {
            variances.push(sums.variance(h));
        }
    }
    variances
}

#[cfg(test)]
mod tests {
    use super::super::life_table::LifeTable;
    use super::super::ten_rows;
    use super::*;

    fn variances(observations: &Observations) -> Vec<f64> {
        let curve = ProductLimit::estimate(&LifeTable::count(observations));
        let curve = with_cluster_robust_variance(curve, observations);
        curve.steps().iter().filter_map(|step| step.ln_survival_variance.known().copied()).collect()
    }

    #[test]
    fn ten_rows_of_their_own_cluster_give_greenwoods_sums() {
        // By hand: 1/90; + 2/48; + 1/20; + 2/8.
        let mut sum = 0.0;
        let variances = variances(&ten_rows::pooled());
        assert_eq!(variances.len(), 4);
        for (variance, term) in variances.into_iter().zip([1.0 / 90.0, 2.0 / 48.0, 1.0 / 20.0, 2.0 / 8.0]) {
            sum += term;
            assert!((variance / sum - 1.0).abs() < 1e-13, "relative: {variance} against {sum}");
        }
    }

    #[test]
    fn copies_of_an_observation_in_its_cluster_change_nothing() {
        let single = ten_rows::pooled();
        let mut copied = Observations::default();
        for _ in 0..3 {
            for i in 0..single.len() {
                let exit = Days::new(single.exit()[i]);
                copied.push(Days::new(0), exit, single.ending()[i], single.cluster()[i]).expect("in order");
            }
        }
        for (copied, single) in variances(&copied).into_iter().zip(variances(&single)) {
            assert!((copied / single - 1.0).abs() < 1e-13, "relative: {copied} against {single}");
        }
    }

    #[test]
    fn two_mouths_by_hand() {
        // By hand: cluster 0 fails on day 1 and is censored on day 3; cluster 1 fails on days 2 and 4. At risk 4, 3, 1.
        // Day 1: n − d = 3, H = 1/12. A_0 = 1/3 − 2/12 = 1/6, A_1 = −1/6; σ² = 1/18.
        // Day 2: H = 1/12 + 1/6 = 1/4. A_0 = 1/3 − 1/12 − 1/4 = 0, A_1 = 1/2 − 1/4 − 1/4 = 0; σ² = 0.
        let mut observations = Observations::default();
        for (day, ending, cluster) in
            [(1, Ending::Failed, 0), (3, Ending::Censored, 0), (2, Ending::Failed, 1), (4, Ending::Failed, 1)]
        {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        let curve = with_cluster_robust_variance(ProductLimit::estimate(&LifeTable::count(&observations)), &observations);
        let variance = |day: i32| curve.ln_survival_variance_at(Days::new(day));
        assert!((*variance(1).known().expect("known") - 1.0 / 18.0).abs() < 1e-16, "absolute");
        // What is left of 0 is rounding.
        assert_eq!(variance(2), Known::NotKnown(WhyNotKnown::NoSpread));
    }

    #[test]
    fn one_mouth_has_no_robust_variance() {
        let observations = ten_rows::all_fail();
        let curve = with_cluster_robust_variance(ProductLimit::estimate(&LifeTable::count(&observations)), &observations);
        assert_eq!(curve.ln_survival_variance_at(Days::new(1)), Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
