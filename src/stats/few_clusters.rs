//! The interval of one survival where clusters are few: limits by Student's t, and how much the clusters matter.
//!
//! Formula.     The cluster-robust variance is a mean of squares over m clusters, so its root is compared with Student's t on
//!              m − 1 degrees of freedom instead of the normal distribution. Design effect: cluster-robust over model-based variance.
//! Source.      Design effect: Kish L. Survey Sampling, 1965; t on m − 1: common practice in surveys (both from memory).
//! Decided.     No correction factor on the variance itself. The t interval is wider than the normal one at any m, and by less
//!              than 1 % from some 200 clusters on.
//! Cost.        O(observations + ticks + clusters · ticks asked).
//! Not for.     Tests between groups: see `finite_clusters`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_quantile_upper;
use super::cluster_influence::{influences, survival_jumps};
use super::life_table::LifeTable;
use super::observation::Observations;
use super::product_limit::ProductLimit;
use super::survival_interval::{SurvivalIntervalMethod, survival_interval_by_student};
use crate::quantity::{Behind, ConfidenceLevel, Days, Estimate, Fraction, Known, Variance, WhyNotKnown};

/// Survival at a tick with what few clusters do to its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FewClustersSurvival {
    /// The tick.
    pub horizon: Days,
    /// Survival with its cluster-robust standard error and its interval by Student's t.
    pub survival: Estimate<Fraction>,
    /// Clusters less one.
    pub degrees_of_freedom: u64,
    /// The quantile of Student's distribution in place of the normal one; not known with fewer than two clusters.
    pub quantile: Known<f64>,
    /// Cluster-robust over model-based variance.
    pub design_effect: Known<f64>,
}

/// Survival at each horizon with intervals by Student's t on clusters − 1 degrees of freedom, and the design effect.
///
/// Not known without observations nor past the last tick at risk (unless all have failed by then).
pub fn survival_with_few_clusters(
    observations: &Observations,
    horizons: &[Days],
    method: SurvivalIntervalMethod,
    level: ConfidenceLevel,
) -> Vec<Known<FewClustersSurvival>> {
    let (table, curve) = (LifeTable::count(observations), ProductLimit::of(observations));
    let clusters = observations.clusters_present();
    let degrees_of_freedom = clusters.saturating_sub(1);
    let too_few = Known::NotKnown(WhyNotKnown::TooFewClusters);
    let quantile =
        if clusters < 2 { too_few } else { Known::Known(student_quantile_upper(level.tail(), degrees_of_freedom as f64)) };
    let days: Vec<i32> = horizons.iter().map(|day| day.count()).collect();
    let influences = influences(&survival_jumps(&curve), &days, observations);
    let at = |(h, &horizon): (usize, &Days)| {
        curve.survival_at(horizon).map(|value| {
            let failures = table.counts_at(Days::new(horizon.count().saturating_add(1))).failed_so_far;
            let greenwood = curve.ln_survival_variance_at(horizon);
            let robust = match greenwood {
                Known::NotKnown(why) => Known::NotKnown(why),
                Known::Known(_) if failures == 0 => Known::NotKnown(WhyNotKnown::NoFailures),
                Known::Known(_) if clusters < 2 => too_few,
                Known::Known(_) => Known::Known(influences.iter().skip(h).step_by(days.len()).map(|a| a * a).sum::<f64>()),
            };
            let interval = match robust {
                Known::NotKnown(why) => Known::NotKnown(why),
                Known::Known(variance) => {
                    let degrees_of_freedom = degrees_of_freedom as f64;
                    survival_interval_by_student(value, libm::sqrt(variance), degrees_of_freedom, method, level)
                }
            };
            let survival = Estimate {
                value,
                standard_error: robust.known().map(|&variance| value.value() * libm::sqrt(variance)),
                variance: Variance::ClusterRobust,
                interval,
                behind: Behind { observations: table.total(), clusters, failures },
            };
            let design_effect = match (robust, greenwood) {
                (Known::Known(robust), Known::Known(greenwood)) => Known::Known(robust / greenwood),
                (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
            };
            FewClustersSurvival { horizon, survival, degrees_of_freedom, quantile, design_effect }
        })
    };
    horizons.iter().enumerate().map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::super::observation::Ending;
    use super::super::ten_rows;
    use super::*;

    fn of(observations: &Observations, days: &[i32]) -> Vec<Known<FewClustersSurvival>> {
        let days: Vec<Days> = days.iter().copied().map(Days::new).collect();
        survival_with_few_clusters(observations, &days, SurvivalIntervalMethod::Plain, ConfidenceLevel::USUAL)
    }

    #[test]
    fn two_mouths_by_hand() {
        // By hand: mouth 0 fails on days 1 and 1, mouth 1 is censored twice on day 3: S = 1/2, A = ±(2/2 − 2·2/8) = ±1/2, σ² = 1/2;
        // Greenwood 2/(4·2) = 1/4; so the design effect is 2, the size of a mouth. t on 1 degree of freedom: 12.7062047 (tables).
        let mut observations = Observations::default();
        for (day, ending, mouth) in
            [(1, Ending::Failed, 0), (1, Ending::Failed, 0), (3, Ending::Censored, 1), (3, Ending::Censored, 1)]
        {
            observations.push(Days::new(0), Days::new(day), ending, mouth).expect("in order");
        }
        let found = *of(&observations, &[0, 2])[1].known().expect("known");
        assert!((found.design_effect.known().expect("known") - 2.0).abs() < 1e-15, "absolute");
        assert!((found.survival.standard_error.expect("known") - libm::sqrt(0.125)).abs() < 1e-15, "absolute");
        assert!((found.quantile.known().expect("known") - 12.706_204_7).abs() < 0.5e-7, "absolute");
        assert_eq!(found.survival.interval.known().expect("known").lower, Fraction::new(0.0));
    }

    #[test]
    fn the_reason_is_told_where_there_is_no_interval() {
        let found = of(&ten_rows::pooled(), &[1, 4, 11]);
        assert_eq!(found[0].known().expect("known").design_effect, Known::NotKnown(WhyNotKnown::NoFailures));
        // Each its own cluster: by hand, the design effect is 1.
        assert!((found[1].known().expect("known").design_effect.known().expect("known") - 1.0).abs() < 1e-14, "absolute");
        assert_eq!(found[2], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let found = of(&ten_rows::all_fail(), &[1, 3]);
        assert_eq!(found[0].known().expect("known").quantile, Known::NotKnown(WhyNotKnown::TooFewClusters));
        assert_eq!(found[1].known().expect("known").survival.interval, Known::NotKnown(WhyNotKnown::AllFailed));
    }
}
