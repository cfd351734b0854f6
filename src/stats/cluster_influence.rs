//! The cluster-robust variance of a survival curve: the infinitesimal jackknife, summed by cluster.
//!
//! Definition.  The influence of observation i on ln S(t), the derivative of ln S(t) in its case weight, is
//!              −A_i(t), A_i(t) = Σ over u ≤ t of (dN_i(u) − Y_i(u)·d(u)/n(u)) / (n(u) − d(u)),
//!              where dN_i(u) is 1 if it fails on day u, Y_i(u) is 1 while it is at risk, d failed and n at risk.
//!              A_c(t) is the sum of A_i(t) in cluster c, and σ²(t) = Σ over clusters of A_c(t)².
//! Formula.     With H(t) = Σ d/(n(n − d)), A_i(t) = [failed by t]/(n − d at its exit) − H(min(t, exit)) + H(entry). While m
//!              members of a cluster are at risk, A_c(t) = k − m·H(t) with a k that changes only when one enters or leaves. So
//!              σ² = Σk² − 2H·Σkm + H²·Σm² on every day, from three running sums.
//! Source.      Efron B. The Jackknife, the Bootstrap and Other Resampling Plans, 1982; clusters: Ying Z, Wei LJ. J Multivar
//!              Anal 1994;50:17–29 (both from memory).
//! Decided.     No small-sample factor. Running sums carry their rounding along (Neumaier), so that ten million changes
//!              leave no drift.
//! Check.       Without late entries, and each observation its own cluster, σ² is Greenwood's sum exactly. With late entries the
//!              two differ a little. A record split at a day within its cluster changes nothing.
//! Cost.        O(observations + days + clusters) for all days at once.
//! Not for.     Fewer than two clusters; and few clusters (say below 20) make it too small.

use super::bucket::Buckets;
use super::observation::{Ending, Observations};
use super::product_limit::{ProductLimit, Step};
use crate::quantity::{Days, Known, Variance, WhyNotKnown};

/// The same curve with cluster-robust variances. The observations are those that the curve was estimated from.
///
/// With fewer than two clusters, each variance is not known for that reason.
pub fn with_cluster_robust_variance(mut curve: ProductLimit, observations: &Observations) -> ProductLimit {
    curve.variance = Variance::ClusterRobust;
    if observations.clusters_present() < 2 {
        for step in &mut curve.steps {
            step.ln_survival_variance = Known::NotKnown(WhyNotKnown::TooFewClusters);
        }
        return curve;
    }
    let defined = curve.steps.iter().take_while(|step| step.at_risk > step.failed).count();
    let variances = sweep(&curve.steps[..defined], observations);
    for (step, variance) in curve.steps.iter_mut().zip(variances) {
        step.ln_survival_variance = Known::Known(variance);
    }
    curve
}

/// The cluster-robust variance of the area under the curve up to `horizon`, in square days. `areas` holds, for each step up to
/// the horizon, the area under the curve from its day to the horizon.
///
/// The influence of an observation is −Σ areas(u)·(dN_i(u) − Y_i(u)·d(u)/n(u)) / (n(u) − d(u)).
pub(super) fn area_variance(curve: &ProductLimit, areas: &[f64], observations: &Observations) -> Known<f64> {
    if observations.clusters_present() < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    // Where all have failed the area to come is 0, and the step has no influence.
    let defined = curve.steps.iter().take_while(|step| step.at_risk > step.failed).count().min(areas.len());
    let steps = &curve.steps[..defined];
    let steps_to = steps_up_to_each_day(steps, observations);
    let mut sums = vec![0.0; defined + 1];
    for (j, step) in steps.iter().enumerate() {
        sums[j + 1] = sums[j] + areas[j] * hazard_increment(step);
    }
    let mut influence = vec![0.0; observations.clusters() as usize];
    for i in 0..observations.len() {
        let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
        let (before, after) = (steps_to[entry as usize] as usize, steps_to[exit as usize] as usize);
        let before = if entry == 0 { 0 } else { before };
        let mut change = sums[before] - sums[after];
        if let Some(step) = failure_step(steps, after, exit, observations.ending()[i]) {
            change += areas[after - 1] / (step.at_risk - step.failed) as f64;
        }
        influence[observations.cluster()[i] as usize] += change;
    }
    Known::Known(influence.iter().map(|influence| influence * influence).sum())
}

/// d / (n(n − d)).
fn hazard_increment(step: &Step) -> f64 {
    let (n, d) = (step.at_risk as f64, step.failed as f64);
    d / (n * (n - d))
}

/// For each day, how many of the steps lie on it or before.
fn steps_up_to_each_day(steps: &[Step], observations: &Observations) -> Vec<u32> {
    let last = observations.last_day().unwrap_or(Days::new(0)).count();
    let mut next = steps.iter().peekable();
    let mut count = 0;
    (0..=last)
        .map(|day| {
            if next.next_if(|step| step.day.count() == day).is_some() {
                count += 1;
            }
            count
        })
        .collect()
}

/// The step of an observation's own failure, if it failed on one; `after` steps lie on its exit day or before.
fn failure_step(steps: &[Step], after: usize, exit: i32, ending: Ending) -> Option<&Step> {
    let step = steps.get(after.checked_sub(1)?)?;
    (ending == Ending::Failed && step.day.count() == exit).then_some(step)
}

/// A sum that remembers what rounding took from it (Neumaier 1974).
#[derive(Clone, Copy, Default)]
struct CompensatedSum {
    sum: f64,
    lost: f64,
}

impl CompensatedSum {
    fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        self.lost += if self.sum.abs() >= term.abs() { (self.sum - sum) + term } else { (term - sum) + self.sum };
        self.sum = sum;
    }

    fn value(self) -> f64 {
        self.sum + self.lost
    }
}

/// The k and m of each cluster, with the three sums over clusters.
struct ClusterSums {
    clusters: Vec<(f64, u32)>,
    k_squared: CompensatedSum,
    k_times_m: CompensatedSum,
    m_squared: u64,
}

impl ClusterSums {
    fn new(clusters: usize) -> Self {
        Self {
            clusters: vec![(0.0, 0); clusters],
            k_squared: CompensatedSum::default(),
            k_times_m: CompensatedSum::default(),
            m_squared: 0,
        }
    }

    fn change(&mut self, cluster: u32, change: impl FnOnce(&mut (f64, u32))) {
        let place = &mut self.clusters[cluster as usize];
        let (old_k, old_m) = *place;
        change(place);
        let (k, m) = *place;
        self.k_squared.add(-old_k * old_k);
        self.k_squared.add(k * k);
        self.k_times_m.add(-old_k * f64::from(old_m));
        self.k_times_m.add(k * f64::from(m));
        self.m_squared = self.m_squared + u64::from(m) * u64::from(m) - u64::from(old_m) * u64::from(old_m);
    }

    fn variance(&self, h: f64) -> f64 {
        let sum = self.k_squared.value() - 2.0 * h * self.k_times_m.value() + h * h * self.m_squared as f64;
        sum.max(0.0)
    }
}

/// Whether an observation that leaves does so by a failure on a step.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
enum Leaving {
    #[default]
    Otherwise,
    OnStep,
}

/// σ² at each step. Between two steps H doesn't change, so whoever enters or leaves there is counted with the earlier one.
///
/// What the sweep needs of an observation is carried along into its bucket: looking it up again in the columns, all over
/// memory, took most of the time.
fn sweep(steps: &[Step], observations: &Observations) -> Vec<f64> {
    let (entry, exit, cluster) = (observations.entry(), observations.exit(), observations.cluster());
    let steps_to = steps_up_to_each_day(steps, observations);
    let mut sums = ClusterSums::new(observations.clusters() as usize);
    // While H is 0, entering changes m alone; that is done in the order of the records.
    let first_bucket = |day: i32| if day == 0 { 0 } else { steps_to[day as usize] };
    for (&day, &cluster) in entry.iter().zip(cluster) {
        if first_bucket(day) == 0 {
            sums.clusters[cluster as usize].1 += 1;
        }
    }
    sums.m_squared = sums.clusters.iter().map(|&(_, m)| u64::from(m) * u64::from(m)).sum();
    let late =
        entry.iter().zip(cluster).map(|(&day, &cluster)| (first_bucket(day), cluster)).filter(|&(bucket, _)| bucket > 0);
    let entries = Buckets::fill(late, steps.len() + 1);
    let leaving = exit.iter().zip(observations.ending()).zip(cluster).map(|((&day, &ending), &cluster)| {
        let bucket = steps_to[day as usize];
        let on_step = failure_step(steps, bucket as usize, day, ending).is_some();
        (bucket, (cluster, if on_step { Leaving::OnStep } else { Leaving::Otherwise }))
    });
    let exits = Buckets::fill(leaving, steps.len() + 1);
    let mut variances = Vec::with_capacity(steps.len());
    let mut h = 0.0;
    for j in 0..=steps.len() {
        let mut jump = 0.0;
        if let Some(step) = j.checked_sub(1).map(|j| &steps[j]) {
            h += hazard_increment(step);
            jump = 1.0 / (step.at_risk - step.failed) as f64;
        }
        for &cluster in entries.items(j) {
            sums.change(cluster, |(k, m)| {
                *k += h;
                *m += 1;
            });
        }
        for &(cluster, leaving) in exits.items(j) {
            let jump = if leaving == Leaving::OnStep { jump } else { 0.0 };
            sums.change(cluster, |(k, m)| {
                *k += jump - h;
                *m -= 1;
            });
        }
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
        let variances = variances(&observations);
        assert_eq!(variances.len(), 2, "on day 4 all have failed");
        assert!((variances[0] - 1.0 / 18.0).abs() < 1e-16 && variances[1].abs() < 1e-16, "absolute: {variances:?}");
    }

    #[test]
    fn one_mouth_has_no_robust_variance() {
        let observations = ten_rows::all_fail();
        let curve = with_cluster_robust_variance(ProductLimit::estimate(&LifeTable::count(&observations)), &observations);
        assert_eq!(curve.ln_survival_variance_at(Days::new(1)), Known::NotKnown(WhyNotKnown::TooFewClusters));
    }
}
