//! Estimators of survival over whole days. Nothing here knows a tooth, a file or a page.
//!
//! In reading order:
//!
//! - [`axis`](mod@axis): what the ticks of time stand for: whole days, or the times that occur
//! - [`observation`](mod@observation): what is followed: entry, exit, how it ended, its cluster
//! - [`grouping`](mod@grouping): which group each observation belongs to
//! - [`life_table`](mod@life_table): counts for each day; tables of parts sum to that of the whole
//! - [`product_limit`](mod@product_limit): the survival curve (Kaplan–Meier) with Greenwood's variance
//! - [`survival_interval`](mod@survival_interval): pointwise confidence limits of a survival
//! - [`cluster_influence`](mod@cluster_influence): the variance when observations of a cluster may share their fate
//! - [`cluster_cells`](mod@cluster_cells): observations summed by cluster, for resampling
//! - [`cluster_bootstrap`](mod@cluster_bootstrap): intervals from clusters resampled with replacement
//! - [`horizon`](mod@horizon): survival at the days that a report reads
//! - [`quantile`](mod@quantile): the day by which a part has failed; the median
//! - [`restricted_mean`](mod@restricted_mean): mean time in place up to a horizon
//! - [`log_rank`](mod@log_rank): do groups fail at the same pace?
//! - [`annual_failure_rate`](mod@annual_failure_rate): three formulas of the yearly failure rate
//! - [`person_time`](mod@person_time): failures and time under observation of each cluster
//! - [`rate`](mod@rate): failures by time under observation
//! - [`rate_ratio`](mod@rate_ratio): the ratio of two rates, exact or cluster-robust
//! - [`observed_expected`](mod@observed_expected): failures seen by those that a published rate lets expect
//! - [`poisson`](mod@poisson): exact and mid-p limits of a count
//! - [`exact_test`](mod@exact_test): two-sided probabilities of a count, three ways
//! - [`share`](mod@share): the interval of so many of so many
//! - [`beta`](mod@beta): the incomplete beta function; tails of the binomial and Student distributions
//! - [`distribution`](mod@distribution): tails and quantiles of the normal, gamma and χ² distributions
//!
//! ```
//! use manebit::quantity::{Days, Known};
//! use manebit::stats::{Ending, Inference, Observations, median, survival_at_horizons, survival_curve};
//!
//! // Five fillings in three mouths: failed on days 2, 4 and 6, still in place when last seen on days 4 and 9.
//! let mut observations = Observations::default();
//! for (exit, ending, mouth) in [
//!     (2, Ending::Failed, 0), (4, Ending::Failed, 0), (4, Ending::Censored, 1), (6, Ending::Failed, 2), (9, Ending::Censored, 2),
//! ] {
//!     observations.push(Days::new(0), Days::new(exit), ending, mouth)?;
//! }
//!
//! // 4/5 · 3/4 are left on day 5; the estimate knows that three mouths and two failures stand behind it.
//! let inference = Inference::default();
//! let estimates = survival_at_horizons(&observations, &[Days::new(5)], inference);
//! let estimate = estimates[0].known().expect("somebody was followed to day 5");
//! assert!((estimate.value.value() - 0.6).abs() < 1e-15);
//! assert_eq!((estimate.behind.clusters, estimate.behind.failures), (3, 2));
//!
//! // Half have failed by day 6.
//! let curve = survival_curve(&observations, inference.variance);
//! assert_eq!(median(&curve, inference).value, Known::Known(Days::new(6)));
//! # Ok::<(), manebit::stats::ObservationError>(())
//! ```

pub mod annual_failure_rate;
pub mod axis;
pub mod beta;
mod bucket;
pub mod cluster_bootstrap;
pub mod cluster_cells;
pub mod cluster_influence;
pub mod distribution;
pub mod exact_test;
pub mod grouping;
pub mod horizon;
pub mod life_table;
pub mod log_rank;
pub mod observation;
pub mod observed_expected;
pub mod person_time;
pub mod poisson;
pub mod product_limit;
pub mod quantile;
pub mod rate;
pub mod rate_ratio;
pub mod restricted_mean;
pub mod share;
pub mod survival_interval;

#[cfg(test)]
mod ten_rows;

pub use annual_failure_rate::{
    AnnualFailureFormula, AnnualFailureRate, geometric_annual_failure_rate, geometric_annual_rate_of_incidence,
    linear_annual_failure_rate, linear_annual_rate_of_incidence, person_time_annual_failure_rate,
    person_time_annual_failure_rate_by, person_time_over_years,
};
pub use axis::Axis;
pub use cluster_bootstrap::{
    BootstrapEstimate, BootstrapInterval, NotEstimated, ResampledGroups, ResampledQuantity, ResampledStatistic, Resampling,
    cluster_bootstrap, cluster_bootstrap_of,
};
pub use cluster_cells::{ClusterCells, TableContents, TickCurves, TickTable, TickTables};
pub use cluster_influence::with_cluster_robust_variance;
pub use exact_test::ExactProbabilities;
pub use grouping::{Grouping, GroupingError, NO_GROUP};
pub use horizon::{read_at_horizons, survival_at_horizons, survival_curve};
pub use life_table::{Counts, LifeTable};
pub use log_rank::{GroupFailures, LogRankTest, log_rank, log_rank_of_tables};
pub use observation::{Ending, LONGEST_FOLLOW_UP, ObservationError, Observations};
pub use observed_expected::{ObservedByExpected, observed_by_expected};
pub use person_time::PersonTime;
pub use poisson::{mid_p_poisson_interval, poisson_interval};
pub use product_limit::{ProductLimit, Step};
pub use quantile::{QuantileEstimate, median, quantile};
pub use rate::{Rate, RateIntervalMethod, rate};
pub use rate_ratio::{ClusterRobustRateRatio, ExactRateRatio, RateRatio, cluster_robust_rate_ratio, exact_rate_ratio};
pub use restricted_mean::{RestrictedMean, area_under_curve, restricted_mean};
pub use share::wilson_interval;
pub use survival_interval::{Inference, SurvivalIntervalMethod, survival_interval};
