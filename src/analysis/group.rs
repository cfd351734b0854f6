//! Everything about one group of restorations under one endpoint, from its observations.

use super::bit_counts::BitCounts;
use super::readings::Readings;
use crate::protocol::settings::months;
use crate::protocol::{FailureDayReading, Protocol, SurvivalIntervals};
use crate::quantity::{Behind, Days, Estimate, Fraction, Known, Variance, WhyNotKnown, Years};
use crate::result::{
    AnnualFailure, AnnualFormula, Counts, CurvePoint, GroupReview, HorizonReview, QuantileReview, RestrictedMeanReview,
};
use crate::stats::{
    AnnualFailureRate, Clustered, Inference, Intervals, LifeTable, ProductLimit, SurvivalIntervalMethod,
    geometric_annual_failure_rate, interval_where_none_failed, linear_annual_failure_rate,
    person_time_annual_failure_rate_of, quantile, read_at_horizons, restricted_mean_of, with_cluster_robust_variance_of,
};

/// How the protocol wants survival's intervals.
pub fn inference(protocol: &Protocol) -> Inference {
    let method = match protocol.interval_method {
        SurvivalIntervals::Log => SurvivalIntervalMethod::Log,
        SurvivalIntervals::Plain => SurvivalIntervalMethod::Plain,
        SurvivalIntervals::ComplementaryLogLog => SurvivalIntervalMethod::ComplementaryLogLog,
    };
    Inference { variance: protocol.variance, method, level: protocol.confidence_level }
}

/// Reviews one group.
pub fn group_review(
    level: &str,
    label: &str,
    clustered: &Clustered,
    intervals: &Intervals,
    protocol: &Protocol,
) -> GroupReview {
    let inference = inference(protocol);
    let table = clustered.table();
    let model_based = ProductLimit::estimate(table);
    let curve = match inference.variance {
        Variance::ModelBased => model_based.clone(),
        Variance::ClusterRobust => with_cluster_robust_variance_of(model_based.clone(), clustered),
    };
    let behind = Behind { observations: table.total(), clusters: clustered.clusters(), failures: table.failures() };
    let person_time = person_time_annual_failure_rate_of(clustered, inference.variance, inference.level);
    let horizon_months = protocol.horizons();
    let horizon_days: Vec<Days> = horizon_months.iter().map(|&count| months(count)).collect();
    let mut survivals = read_at_horizons(&curve, table, behind.clusters, &horizon_days, inference);
    bound_where_none_failed(&mut survivals, clustered, &horizon_days, inference);
    // Where the last one followed fails the curve is at 0 for ever; of a time to which nobody was followed that tells nothing, unless all
    // have failed.
    let all_failed = table.failures() == table.total();
    let followed_to = |day: Days| all_failed || clustered.table().last_day().is_some_and(|last| last >= day);
    for (survival, _) in survivals.iter_mut().zip(&horizon_days).filter(|(_, day)| !followed_to(**day)) {
        *survival = Known::NotKnown(WhyNotKnown::PastLastFollowUp);
    }
    let readings = Readings::new(&curve, intervals);
    let drawn_to_day = drawn_to(table, protocol.least_at_risk);
    let horizons: Vec<HorizonReview> = horizon_months
        .iter()
        .zip(&horizon_days)
        .zip(survivals)
        .zip(clusters_at_risk(clustered, &horizon_days, Followed::AtRisk))
        .map(|(((&months, &day), survival), patients_at_risk)| {
            let years = Years::new(f64::from(months) / 12.0);
            // Nothing is left of survival once the last one followed fails: 1 − 0^(1/z) would be 100 % a year whatever the years.
            let spent = matches!(&survival, Known::Known(survival) if survival.value.value() <= 0.0);
            let annual = |rate: fn(&Estimate<Fraction>, Years) -> Known<AnnualFailureRate>| match &survival {
                Known::Known(survival) => rate(survival, years).map(annual_failure),
                Known::NotKnown(why) => Known::NotKnown(*why),
            };
            HorizonReview {
                months,
                day,
                at_risk: table.counts_at(day).at_risk,
                few_at_risk: table.counts_at(day).at_risk < u64::from(protocol.least_at_risk),
                patients_at_risk,
                between_visits: readings.between(day),
                survival,
                model_based_standard_error: model_based.standard_error_at(day).known().copied(),
                geometric: if spent {
                    Known::NotKnown(WhyNotKnown::AllFailed)
                } else {
                    annual(geometric_annual_failure_rate)
                },
                linear: annual(linear_annual_failure_rate),
            }
        })
        .collect();
    let day_found = protocol.failure_day == FailureDayReading::DayFound;
    let enough = horizons.iter().rev().filter(|horizon| !horizon.few_at_risk).map(|horizon| horizon.day);
    let readings_part = std::iter::once(drawn_to_day).chain(enough).find_map(|day| readings.part_on(day));
    let mut count_days = vec![Days::new(0)];
    count_days.extend(&horizon_days);
    let quantiles = [0.1, 0.25, 0.5].map(|failed| {
        let found = quantile(&curve, Fraction::new(failed), inference.method, inference.level);
        QuantileReview { failed: Fraction::new(failed), day: found.value, lower: found.lower, upper: found.upper }
    });
    GroupReview {
        level: level.to_owned(),
        label: label.to_owned(),
        behind,
        competing: table.competing().iter().sum(),
        censored: table.censored().iter().sum(),
        exposure_years: table.exposure_years(),
        median_follow_up_days: median_follow_up(table, inference),
        curve: curve_points(&curve, inference),
        enough_until: drawn_to_day,
        // Where the day is known there is nothing to be held against it.
        drawn_to_day: if day_found { readings.agree_until(drawn_to_day) } else { drawn_to_day },
        readings_part: if day_found { readings_part } else { None },
        counts: count_days.into_iter().map(|day| counts(table, day)).collect(),
        horizons,
        quantiles: quantiles.to_vec(),
        restricted_mean: match months(protocol.restricted_mean_months) {
            horizon if followed_to(horizon) => mean_in_place(model_based, clustered, horizon, inference),
            horizon => RestrictedMeanReview { horizon, mean: Known::NotKnown(WhyNotKnown::PastLastFollowUp) },
        },
        person_time: person_time.map(annual_failure),
    }
}

/// Gives limits to survival at horizons by which nobody had failed.
fn bound_where_none_failed(
    survivals: &mut [Known<Estimate<Fraction>>],
    clustered: &Clustered,
    days: &[Days],
    inference: Inference,
) {
    let none_failed = |survival: &Known<Estimate<Fraction>>| {
        survival.known().is_some_and(|survival| survival.interval == Known::NotKnown(WhyNotKnown::NoFailures))
    };
    if !survivals.iter().any(none_failed) {
        return;
    }
    let followed = clusters_at_risk(clustered, days, Followed::FromPlacement);
    for (survival, clusters) in survivals.iter_mut().zip(followed).filter(|(survival, _)| none_failed(survival)) {
        if let Known::Known(survival) = survival {
            survival.interval = interval_where_none_failed(clusters, inference.level);
        }
    }
}

/// A rate as a result.
pub fn annual_failure(rate: AnnualFailureRate) -> AnnualFailure {
    use crate::stats::AnnualFailureFormula as Formula;
    let formula = match rate.formula {
        Formula::Geometric => AnnualFormula::Geometric,
        Formula::Linear => AnnualFormula::Linear,
        Formula::PersonTime => AnnualFormula::PersonTime,
    };
    AnnualFailure { formula, years: rate.years, rate: rate.estimate }
}

fn counts(table: &LifeTable, day: Days) -> Counts {
    let counts = table.counts_at(day);
    Counts {
        day,
        at_risk: counts.at_risk,
        failed: counts.failed_so_far,
        competing: counts.competing_so_far,
        censored: counts.censored_so_far,
        not_yet_entered: counts.not_yet_entered,
    }
}

/// The last day on which at least so many are at risk; day 0 if there is none.
fn drawn_to(table: &LifeTable, least: u32) -> Days {
    let last = (0_i32..).zip(table.at_risk()).filter(|(_, at_risk)| *at_risk >= u64::from(least)).last();
    Days::new(last.map_or(0, |(day, _)| day))
}

fn curve_points(curve: &ProductLimit, inference: Inference) -> Vec<CurvePoint> {
    curve
        .steps()
        .iter()
        .map(|step| CurvePoint {
            day: step.day,
            survival: step.survival,
            interval: curve.interval_at(step.day, inference.method, inference.level),
            at_risk: step.at_risk,
            failed: step.failed,
        })
        .collect()
}

/// Which observations are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Followed {
    /// All at risk on the day.
    AtRisk,
    /// Those of them that were followed from placement.
    FromPlacement,
}

/// How many clusters have such an observation at risk on each of some days.
fn clusters_at_risk(clustered: &Clustered, days: &[Days], followed: Followed) -> Vec<u64> {
    let observations = clustered.several();
    let wanted = |entry: i32| followed == Followed::AtRisk || entry == 0;
    let mut all = Vec::with_capacity(days.len());
    // A bit for each day.
    for days in days.chunks(64) {
        let bits = AtRiskBits::new(days, observations.last_day().map_or(0, Days::count));
        let mut counts = BitCounts::ZERO;
        let rows = observations.entry().iter().zip(observations.exit()).zip(observations.cluster());
        if observations.in_order_of_clusters() {
            let (mut now, mut seen) = (None, 0);
            for ((&entry, &exit), &cluster) in rows {
                if now != Some(cluster) {
                    counts.add(std::mem::take(&mut seen));
                    now = Some(cluster);
                }
                seen |= if wanted(entry) { bits.of(entry, exit) } else { 0 };
            }
            counts.add(seen);
        } else {
            let mut seen = vec![0_u64; observations.clusters() as usize];
            for ((&entry, &exit), &cluster) in rows {
                seen[cluster as usize] |= if wanted(entry) { bits.of(entry, exit) } else { 0 };
            }
            seen.iter().for_each(|bits| counts.add(*bits));
        }
        all.extend(counts.counts().iter().take(days.len()).map(|count| u64::from(*count)));
    }
    // Those alone in their cluster were followed from the origin.
    for (exit, _, count) in clustered.alone() {
        let at_risk = all.iter_mut().zip(days).filter(|(_, day)| **day <= exit);
        at_risk.for_each(|(all, _)| *all += count);
    }
    all
}

/// On which of up to 64 days an observation is at risk, as bits.
struct AtRiskBits {
    /// For each day, which of those days it is, or has passed.
    passed: Vec<u64>,
}

impl AtRiskBits {
    fn new(days: &[Days], last: i32) -> Self {
        let bits = |day: i32| {
            let passed = days.iter().zip(0_u32..).map(|(of, place)| u64::from(of.count() <= day) << place);
            passed.fold(0, |all, bit| all | bit)
        };
        Self { passed: (0..=last).map(bits).collect() }
    }

    /// As [`is_at_risk`](crate::stats::is_at_risk) says for each day.
    fn of(&self, entry: i32, exit: i32) -> u64 {
        let before = if entry == 0 { 0 } else { self.passed[entry as usize] };
        self.passed[exit as usize] & !before
    }
}

/// Median follow-up by the reverse product-limit estimate: being censored is the event, failing is the censoring (Schemper &
/// Smith, Control Clin Trials 1996;17:343–346; from memory).
fn median_follow_up(table: &LifeTable, inference: Inference) -> Known<Days> {
    quantile(&ProductLimit::estimate(&table.reversed()), Fraction::new(0.5), inference.method, inference.level).value
}

fn mean_in_place(curve: ProductLimit, clustered: &Clustered, horizon: Days, inference: Inference) -> RestrictedMeanReview {
    let years = |days: f64| Years::new(days / crate::quantity::DAYS_PER_YEAR);
    let mean = restricted_mean_of(curve, clustered, horizon, inference).map(|mean| Estimate {
        value: years(mean.days.value),
        standard_error: mean.days.standard_error.map(|error| error / crate::quantity::DAYS_PER_YEAR),
        variance: mean.days.variance,
        interval: mean.days.interval.map(|interval| crate::quantity::ConfidenceInterval {
            lower: years(interval.lower),
            upper: years(interval.upper),
            level: interval.level,
            method: interval.method,
        }),
        behind: mean.days.behind,
    });
    RestrictedMeanReview { horizon, mean }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::{Ending, Observations, is_at_risk};

    #[test]
    fn clusters_at_risk_are_counted_in_any_order_of_clusters() {
        let days: Vec<Days> = (0..70).map(|place| Days::new(place * 37 % 211)).collect();
        for step in [1, 17] {
            let mut observations = Observations::default();
            for n in 0..400_u32 {
                let (entry, exit) = ((n * 7 % 90).saturating_sub(40).cast_signed(), (50 + n * 13 % 150).cast_signed());
                let cluster = if step == 1 { n / 3 } else { n * step % 131 };
                observations.push(Days::new(entry), Days::new(exit), Ending::Censored, cluster).expect("in order");
            }
            assert_eq!(observations.in_order_of_clusters(), step == 1);
            for followed in [Followed::AtRisk, Followed::FromPlacement] {
                for (day, count) in days.iter().zip(clusters_at_risk(&Clustered::of(&observations), &days, followed)) {
                    let rows = observations.entry().iter().zip(observations.exit()).zip(observations.cluster());
                    let at_risk = rows.filter(|((entry, exit), _)| {
                        is_at_risk(**entry, **exit, day.count()) && (followed == Followed::AtRisk || **entry == 0)
                    });
                    let clusters: std::collections::BTreeSet<u32> = at_risk.map(|(_, cluster)| *cluster).collect();
                    assert_eq!(count, clusters.len() as u64, "day {}", day.count());
                }
            }
        }
    }
}
