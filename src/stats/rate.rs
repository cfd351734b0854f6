//! The failure rate: failures by time under observation.
//!
//! Definition.  λ = D/T, with D failures and T the person-time of all, times the unit of time that the rate is told for.
//! Interval.    Exact: Garwood's limits of D, by T. Mid-p: likewise with mid-p limits of D.
//!              Cluster-robust: ln λ ± t·σ with σ² = Σ over clusters of (d_c − λ·T_c)² / D², and t the quantile of Student's
//!              distribution with clusters − 1 degrees of freedom.
//! Source.      Garwood F. Biometrika 1936;28:437–442; mid-p: Cohen GR, Yang SY. Stat Med 1994;13:2189–2203; ratio estimator by
//!              clusters: Cochran WG. Sampling Techniques, 3rd ed. 1977, 6.3 and 6.9 (all from memory).
//! Decided.     Student's distribution whatever the number of clusters: with many it is the normal one, and so no number of
//!              clusters is the one where the limits jump. No factor for small samples in σ² besides. Without failures exact and
//!              mid-p limits are known and the cluster-robust ones are not. With case weights, D is a sum of weights.
//! Cost.        One pass over the clusters.
//! Not for.     Rates that change with time since the origin: one number hides the shape of the curve. Exact and mid-p limits are
//!              too narrow where observations of a cluster share their fate.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::beta::student_quantile_upper;
use super::clustered::Clustered;
use super::observation::Ending;
use super::person_time::PersonTime;
use super::poisson::{exact_limits, mid_p_limits};
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};

/// How the interval of a rate is built.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RateIntervalMethod {
    /// Symmetric on the logarithm of the rate; failures of a cluster may come together.
    #[default]
    ClusterRobust,
    /// Exact limits of the count, each observation independent.
    Exact,
    /// Limits of the count by the mid-p probability, each observation independent.
    MidP,
}

/// Failures by time under observation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rate {
    /// Failures, by their case weights.
    pub failures: f64,
    /// Time under observation of all, in units of the rate.
    pub person_time: f64,
    /// The rate for one observation in one unit of time. Its standard error is absent for exact and mid-p limits.
    pub estimate: Estimate<f64>,
}

/// The rate for one observation in one `unit`, a length of time as the axis counts it: 365.25 on the axis of days makes it a rate
/// a year.
///
/// Not known without time under observation.
pub fn rate(counted: &PersonTime, unit: f64, method: RateIntervalMethod, level: ConfidenceLevel) -> Known<Rate> {
    let (failures, person_time) = (counted.failures(), counted.time() / unit);
    if !(person_time > 0.0 && person_time.is_finite()) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let value = failures / person_time;
    let by_time = |limits: ConfidenceInterval<f64>| {
        Known::Known(ConfidenceInterval { lower: limits.lower / person_time, upper: limits.upper / person_time, ..limits })
    };
    let (standard_error, variance, interval) = match method {
        RateIntervalMethod::Exact => (None, Variance::ModelBased, by_time(exact_limits(failures, level))),
        RateIntervalMethod::MidP => (None, Variance::ModelBased, by_time(mid_p_limits(failures, level))),
        RateIntervalMethod::ClusterRobust => {
            let deviation = ln_rate_variance(counted).map(libm::sqrt);
            let interval = deviation.map(|deviation| limits_by_cluster(value, deviation, counted.behind().clusters, level));
            (deviation.known().map(|deviation| value * deviation), Variance::ClusterRobust, interval)
        }
    };
    let estimate = Estimate { value, standard_error, variance, interval, behind: counted.behind() };
    Known::Known(Rate { failures, person_time, estimate })
}

/// The limits of a rate λ, from the deviation of ln λ.
pub(super) fn limits_by_cluster(
    rate: f64,
    deviation: f64,
    clusters: u64,
    level: ConfidenceLevel,
) -> ConfidenceInterval<f64> {
    let reach = student_quantile_upper(level.tail(), clusters as f64 - 1.0) * deviation;
    ConfidenceInterval {
        lower: rate * libm::exp(-reach),
        upper: rate * libm::exp(reach),
        level,
        method: IntervalMethod::Log,
    }
}

/// [`ln_rate_variance`] of observations of weight 1 parted by their clusters; times in days.
pub(super) fn ln_rate_variance_of(group: &Clustered) -> Known<f64> {
    let (failures, time) = (group.table().failures() as f64, group.table().exposure() as f64);
    if group.clusters() < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    if failures <= 0.0 || time <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let rate = failures / time;
    let square = |failures: f64, days: f64| (failures - rate * days) * (failures - rate * days);
    let alone = group
        .alone()
        .map(|(exit, failed, count)| count as f64 * square(if failed { 1.0 } else { 0.0 }, f64::from(exit.count())));
    let several = group.several();
    let mut squares: f64 = alone.sum();
    if several.in_order_of_clusters() {
        let mut from = 0;
        for cluster in several.cluster().chunk_by(|one, other| one == other) {
            let rows = from..from + cluster.len();
            from = rows.end;
            let (mut failed, mut days) = (0, 0_i64);
            for i in rows {
                failed += u32::from(several.ending()[i] == Ending::Failed);
                days += i64::from(several.exit()[i] - several.entry()[i]);
            }
            squares += square(f64::from(failed), days as f64);
        }
    } else {
        let counted = PersonTime::count(several, &Axis::Days);
        let residuals = (0..counted.indices()).filter(|cluster| counted.has(*cluster));
        squares += residuals.map(|cluster| counted.residual(cluster, rate)).map(|one| one * one).sum::<f64>();
    }
    Known::Known(squares / (failures * failures))
}

/// The cluster-robust variance of ln λ. Not known without failures, or with fewer than two clusters.
pub(super) fn ln_rate_variance(counted: &PersonTime) -> Known<f64> {
    let failures = counted.failures();
    if counted.behind().clusters < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewClusters);
    }
    if failures <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoFailures);
    }
    let rate = failures / counted.time();
    let squares = (0..counted.indices()).map(|cluster| counted.residual(cluster, rate)).map(|residual| residual * residual);
    Known::Known(squares.sum::<f64>() / (failures * failures))
}

#[cfg(test)]
mod tests {
    use super::super::observation::Observations;
    use super::super::ten_rows;
    use super::*;
    use crate::quantity::Days;

    fn of(observations: &Observations, unit: f64, method: RateIntervalMethod) -> Known<Rate> {
        rate(&PersonTime::count(observations, &Axis::Days), unit, method, ConfidenceLevel::USUAL)
    }

    fn mouths(rows: &[(i32, Ending, u32)]) -> Observations {
        let mut observations = Observations::default();
        for &(day, ending, cluster) in rows {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        observations
    }

    #[test]
    fn three_mouths_by_hand() {
        // By hand: failures 2, 1, 0 in 10, 10, 20 days: λ = 3/40, residuals 5/4, 1/4, −3/2, σ² = (25 + 1 + 36)/16/9 = 31/72.
        let observations =
            mouths(&[(4, Ending::Failed, 0), (6, Ending::Failed, 0), (10, Ending::Failed, 1), (20, Ending::Censored, 2)]);
        let rate = *of(&observations, 10.0, RateIntervalMethod::ClusterRobust).known().expect("time");
        assert!((rate.estimate.value - 0.75).abs() < 1e-15 && (rate.person_time - 4.0).abs() < 1e-15, "absolute");
        let deviation = (31.0_f64 / 72.0).sqrt();
        assert!((rate.estimate.standard_error.expect("known") / (0.75 * deviation) - 1.0).abs() < 1e-14, "relative");
        // Student's 0.975 quantile with 2 degrees of freedom in closed form: 0.95·√(2/(1 − 0.95²)).
        let reach = 0.95 * (2.0_f64 / (1.0 - 0.95 * 0.95)).sqrt() * deviation;
        let limits = rate.estimate.interval.known().expect("limits");
        assert!((limits.lower / (0.75 * (-reach).exp()) - 1.0).abs() < 1e-12, "relative: {}", limits.lower);
        assert!((limits.upper / (0.75 * reach.exp()) - 1.0).abs() < 1e-12, "relative: {}", limits.upper);
    }

    #[test]
    fn without_failures_only_the_count_has_limits() {
        let none = mouths(&[(5, Ending::Censored, 0), (5, Ending::Competing, 1)]);
        let exact = *of(&none, 1.0, RateIntervalMethod::Exact).known().expect("time");
        // Closed form: −ln 0.025 failures in 10 days.
        assert!((exact.estimate.interval.known().expect("limits").upper + 0.025_f64.ln() / 10.0).abs() < 1e-14, "absolute");
        let robust = *of(&none, 1.0, RateIntervalMethod::ClusterRobust).known().expect("time");
        assert_eq!(robust.estimate.interval, Known::NotKnown(WhyNotKnown::NoFailures));
        assert_eq!((robust.estimate.value.to_bits(), robust.estimate.standard_error), (0, None));
    }

    #[test]
    fn parted_by_cluster_it_is_the_same() {
        // Mouths of one and of several fillings, some entered late; in order and mixed.
        for step in [1, 7] {
            let mut observations = Observations::default();
            for n in 0..300_i32 {
                let (entry, exit) = ((n % 9 - 6).max(0) * 11, 70 + n * 31 % 90);
                let ending = [Ending::Failed, Ending::Censored, Ending::Competing, Ending::Censored][n as usize % 4];
                let cluster =
                    if step == 1 { (n / 5 * 3 + (n % 5).min(2)).cast_unsigned() } else { (n * step % 110).cast_unsigned() };
                observations.push(Days::new(entry), Days::new(exit), ending, cluster).expect("in order");
            }
            assert_eq!(observations.in_order_of_clusters(), step == 1);
            let expected = *ln_rate_variance(&PersonTime::count(&observations, &Axis::Days)).known().expect("failures");
            let group = Clustered::of(&observations);
            assert_eq!(group.alone().next().is_some(), step == 1);
            let found = *ln_rate_variance_of(&group).known().expect("failures");
            assert!((found / expected - 1.0).abs() < 1e-13, "{found} {expected}");
        }
        let none = Clustered::of(&mouths(&[(5, Ending::Censored, 0), (5, Ending::Competing, 1)]));
        assert_eq!(ln_rate_variance_of(&none), Known::NotKnown(WhyNotKnown::NoFailures));
        let one = Clustered::of(&ten_rows::all_fail());
        assert_eq!(ln_rate_variance_of(&one), Known::NotKnown(WhyNotKnown::TooFewClusters));
    }

    #[test]
    fn one_mouth_or_no_time_is_said() {
        let one = *of(&ten_rows::all_fail(), 1.0, RateIntervalMethod::ClusterRobust).known().expect("time");
        assert_eq!(one.estimate.interval, Known::NotKnown(WhyNotKnown::TooFewClusters));
        for none in [Observations::default(), mouths(&[(0, Ending::Failed, 0)])] {
            assert_eq!(of(&none, 1.0, RateIntervalMethod::Exact), Known::NotKnown(WhyNotKnown::NoObservations));
        }
    }
}
