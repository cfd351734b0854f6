//! What `estimate` can be told.

use std::path::PathBuf;

use clap::Args;

use super::answering::Cells;
use crate::estimate::asked::{TiesAsked, Want};
use crate::quantity::DAYS_PER_YEAR;

/// The scale of an interval, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum ScaleAsked {
    /// ln(−ln S).
    #[default]
    ComplementaryLogLog,
    /// ln S.
    Log,
    /// S itself.
    Plain,
    /// ln(S / (1 − S)).
    Logit,
    /// The arcsine of the square root of S.
    ArcsineSquareRoot,
}

/// An adjustment for the number of tests, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum AdjustmentAsked {
    /// Keeps the chance of any false difference.
    #[default]
    Holm,
    /// The same, a little less strictly.
    Hochberg,
    /// Keeps the share of false ones among the differences found.
    BenjaminiHochberg,
}

/// A variance of cumulative hazards, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum HazardVarianceAsked {
    /// Influences summed by cluster; without clusters, of each row.
    Clusters,
    /// Failures at a time as a Poisson count.
    Poisson,
    /// Failures at a time as a binomial count of those at risk, which allows for ties.
    Binomial,
}

/// The scale of an interval of a cumulative hazard, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum HazardScaleAsked {
    /// The logarithm of the hazard.
    Log,
    /// The hazard itself; limits are cut at 0.
    Plain,
}

/// A variance of cumulative incidences, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum IncidenceVarianceAsked {
    /// Influences summed by cluster; without clusters, of each row.
    Clusters,
    /// Multinomial at each time, carried on by the delta method.
    Multinomial,
    /// From the martingales of each cause.
    Aalen,
}

/// Who can be censored at a time at which others end, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum CensoringAsked {
    /// All at risk, also those that end then.
    EndingsAtRisk,
    /// Only those that don't end then: endings come first.
    EndingsFirst,
}

/// How estimated weights enter a variance, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum WeightInfluenceAsked {
    /// By the martingale of censoring.
    Martingale,
    /// By the derivative of the weights in each case weight.
    Derivative,
}

/// A family of distributions, as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
#[value(rename_all = "snake_case")]
pub enum FamilyAsked {
    /// The hazard never changes.
    Exponential,
    /// The hazard rises or falls with a power of time.
    Weibull,
    /// The odds of having failed rise with a power of time.
    #[value(alias = "log-logistic")]
    LogLogistic,
    /// The logarithm of time is normal.
    #[value(alias = "log-normal")]
    LogNormal,
}

/// Arguments of `estimate`.
#[derive(Debug, Args)]
pub struct EstimateArguments {
    /// Table with one row for each that was followed: .csv, .parquet, .xlsx or .jsonl.
    pub(super) table: PathBuf,
    /// Column with the time at which following ended.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) time: Option<String>,
    /// Instead of --time, where failures are only known to lie between two times: column with the time last seen in place
    /// (empty: since following began).
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) after: Option<String>,
    /// With --after: column with the time first seen to have failed (empty: not seen to fail; the same as --after: exactly then).
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) by: Option<String>,
    /// Column with the time at which following began [default: 0 for all].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) entry: Option<String>,
    /// Column that says how it ended [default: all failed].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) cause: Option<String>,
    #[command(flatten)]
    pub(super) cells: Cells,
    /// What stands in the column of causes for a failure.
    #[arg(long, value_name = "VALUE", default_value = "1", help_heading = "Columns")]
    pub(super) failure: String,
    /// What stands there for one that was still followed when last seen. Any other value is a competing cause.
    #[arg(long, value_name = "VALUE", default_value = "0", help_heading = "Columns")]
    pub(super) censored: String,
    /// What stands there for one that was lost to follow-up. It is censored, too [default: all censored before --closing were lost].
    #[arg(long, value_name = "VALUE", help_heading = "Columns")]
    pub(super) lost: Option<String>,
    /// Column of the groups to compare.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) group: Option<String>,
    /// Column of the strata within which groups are compared.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) stratum: Option<String>,
    /// Column of the clusters: rows of one cluster may share their fate.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) cluster: Option<String>,
    /// Column of the strata within which clusters are resampled; the same for all rows of a cluster.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) resample_within: Option<String>,
    /// Column of the strata within each of which censoring is estimated, for Fine–Gray regression.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) censoring_stratum: Option<String>,
    /// Column of case weights: how many such rows each stands for. With weights of another kind, such as those of sampling,
    /// name clusters, too, so that errors allow for them.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    pub(super) weight: Option<String>,
    /// Columns of covariates that are numbers, for regression. Groups take part in a regression only as a factor.
    #[arg(long, value_name = "COLUMN", value_delimiter = ',', help_heading = "Columns")]
    pub(super) covariate: Vec<String>,
    /// Columns of covariates that are categories.
    #[arg(long, value_name = "COLUMN", value_delimiter = ',', help_heading = "Columns")]
    pub(super) factor: Vec<String>,
    /// Reference level of a factor [default: the first in order].
    #[arg(long, value_name = "COLUMN=LEVEL", value_delimiter = ',', help_heading = "Columns")]
    pub(super) reference: Vec<String>,
    /// What to estimate, several with commas between [default: survival, quantiles, and tests if there are
    /// groups; intervals with --after and --by].
    #[arg(long, value_enum, value_name = "WHAT", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) want: Vec<Want>,
    /// Times at which survival and the like are read [default: eight, evenly spread].
    #[arg(long, value_name = "TIME", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) at: Vec<f64>,
    /// The earlier time of conditional survival.
    #[arg(long, value_name = "TIME", default_value_t = 0.0, help_heading = "What to estimate")]
    pub(super) given: f64,
    /// How far restricted means reach [default: the smallest last time of any group].
    #[arg(long, value_name = "TIME", help_heading = "What to estimate")]
    pub(super) until: Option<f64>,
    /// Cut points of the actuarial life table [default: the times of --at].
    #[arg(long, value_name = "TIME", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) cuts: Vec<f64>,
    /// Where the bands start [default: at the first failure].
    #[arg(long, value_name = "TIME", help_heading = "What to estimate")]
    pub(super) band_from: Option<f64>,
    /// Where the bands end [default: at the last failure that leaves somebody].
    #[arg(long, value_name = "TIME", help_heading = "What to estimate")]
    pub(super) band_to: Option<f64>,
    /// When following closed: those censored before were lost [default: the last time of all].
    #[arg(long, value_name = "TIME", help_heading = "What to estimate")]
    pub(super) closing: Option<f64>,
    /// Values of survival such as 0.9: how many of those lost would have to fail for survival to fall below them.
    #[arg(long, value_name = "SURVIVAL", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) tip_below: Vec<f64>,
    /// Parts that have failed, for the quantiles [default: 0.25, 0.5, 0.75].
    #[arg(long, value_name = "PART", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) failed_part: Vec<f64>,
    /// Scores of the groups in order, for the trend [default: 1, 2, 3 and so on].
    #[arg(
        long,
        value_name = "SCORE",
        value_delimiter = ',',
        allow_negative_numbers = true,
        help_heading = "What to estimate"
    )]
    pub(super) score: Vec<f64>,
    /// How tests weigh failures: log-rank, gehan, tarone-ware, peto-peto, modified-peto-peto, or fleming-harrington:RHO:GAMMA
    /// [default: log-rank].
    #[arg(long, value_name = "NAME", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) weighting: Vec<String>,
    /// How the tests of pairs are adjusted for their number.
    #[arg(long, value_enum, value_name = "METHOD", default_value_t = AdjustmentAsked::Holm, help_heading = "What to estimate")]
    pub(super) adjustment: AdjustmentAsked,
    /// A published yearly failure rate to hold the failures against, such as 0.02.
    #[arg(long, value_name = "RATE", help_heading = "What to estimate")]
    pub(super) published_rate: Option<f64>,
    /// What a regression's prediction is for: a value for each covariate.
    #[arg(long, value_name = "COLUMN=VALUE", value_delimiter = ',', help_heading = "What to estimate")]
    pub(super) profile: Vec<String>,
    /// How many permutations the score tests of intervals draw, at least 100 [default: none, the formula alone].
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u32).range(100..), help_heading = "How")]
    pub(super) permutations: Option<u32>,
    /// Test by drawing the signs of clusters even where there are more than 10000.
    #[arg(long, help_heading = "What to estimate")]
    pub(super) draw_signs: bool,
    /// Resample the ratios of the groups, too.
    #[arg(long, help_heading = "What to estimate")]
    pub(super) ratios: bool,
    /// List residuals and influences of the rows and clusters, too (in the JSON).
    #[arg(long, help_heading = "What to estimate")]
    pub(super) residuals: bool,
    /// List the steps of the curves, too (in the JSON).
    #[arg(long, help_heading = "What to estimate")]
    pub(super) curves: bool,
    /// Coverage of intervals.
    #[arg(long, value_name = "LEVEL", default_value_t = 0.95, help_heading = "How")]
    pub(super) confidence: f64,
    /// The scale on which intervals of survival are symmetric.
    #[arg(long, value_enum, value_name = "SCALE", default_value_t = ScaleAsked::ComplementaryLogLog, help_heading = "How")]
    pub(super) scale: ScaleAsked,
    /// Take all rows as independent, though clusters are named.
    #[arg(long, help_heading = "How")]
    pub(super) independent: bool,
    /// The variance of cumulative hazards [default: clusters where they are named, else poisson].
    #[arg(long, value_enum, value_name = "VARIANCE", help_heading = "How")]
    pub(super) hazard_variance: Option<HazardVarianceAsked>,
    /// The scale on which intervals of cumulative hazards are symmetric [default: log].
    #[arg(long, value_enum, value_name = "SCALE", help_heading = "How")]
    pub(super) hazard_scale: Option<HazardScaleAsked>,
    /// The variance of cumulative incidences [default: clusters where they are named, else multinomial].
    #[arg(long, value_enum, value_name = "VARIANCE", help_heading = "How")]
    pub(super) incidence_variance: Option<IncidenceVarianceAsked>,
    /// Exponent ρ of the weights of Gray's test: above 0 early differences weigh more, below 0 late ones [default: 0].
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, help_heading = "How")]
    pub(super) gray_exponent: Option<f64>,
    /// Who can be censored at a time at which others end, for Fine–Gray regression [default: endings-at-risk].
    #[arg(long, value_enum, value_name = "WHO", help_heading = "How")]
    pub(super) censoring_reading: Option<CensoringAsked>,
    /// How the estimated weights of Fine–Gray regression enter its variance [default: martingale].
    #[arg(long, value_enum, value_name = "HOW", help_heading = "How")]
    pub(super) weight_influence: Option<WeightInfluenceAsked>,
    /// Hold the coefficients of Cox and parametric regression against Student's t on clusters less one: more careful with few clusters.
    #[arg(long, help_heading = "How")]
    pub(super) student: bool,
    /// How ties are handled in regression.
    #[arg(long, value_enum, value_name = "TIES", default_value_t = TiesAsked::Efron, help_heading = "How")]
    pub(super) ties: TiesAsked,
    /// Family of distributions of a parametric regression [default: all are compared, and the best is fitted].
    #[arg(long, value_enum, value_name = "FAMILY", help_heading = "How")]
    pub(super) family: Option<FamilyAsked>,
    /// Units of time in a year, for yearly rates.
    #[arg(long, value_name = "NUMBER", default_value_t = DAYS_PER_YEAR, help_heading = "How")]
    pub(super) year: f64,
    /// How many times clusters are resampled, at least 100.
    #[arg(long, value_name = "NUMBER", default_value_t = 1000, value_parser = clap::value_parser!(u32).range(100..), help_heading = "How")]
    pub(super) resamples: u32,
    /// Where the random numbers start; the same number gives the same results.
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "How")]
    pub(super) seed: u64,
    /// Covariates that may have decided the group, for weighted comparisons; each also named with --covariate or --factor
    /// [default: all of those].
    #[arg(long, value_name = "COLUMN", value_delimiter = ',', help_heading = "Columns")]
    pub(super) adjust_for: Vec<String>,
    /// Which population the weighted groups are to look like: plain (all), stabilised (all, each group keeps its size),
    /// overlap (those who might have been in any group), or level=GROUP (those of one group) [default: stabilised].
    #[arg(long, value_name = "POPULATION", help_heading = "How")]
    pub(super) population: Option<String>,
    /// Cut weights beyond the quantiles at this part from either end to them, such as 0.01 [default: none are cut].
    #[arg(long, value_name = "PART", help_heading = "How")]
    pub(super) cut_weights: Option<f64>,
    /// Leave rows out whose chance of any group is below this, such as 0.05 [default: none are left out].
    #[arg(long, value_name = "CHANCE", help_heading = "How")]
    pub(super) least_chance: Option<f64>,
    /// Where covariates tell groups apart without error, estimate the chances with Firth's penalty instead of stopping.
    #[arg(long, help_heading = "How")]
    pub(super) penalise_separated: bool,
    /// Leave rows out that lack a time, cause, group, stratum of any kind, cluster or weight, and count them.
    #[arg(long, help_heading = "How")]
    pub(super) leave_out_incomplete: bool,
    /// Print the results as JSON, at full precision.
    #[arg(long, help_heading = "Results")]
    pub(super) json: bool,
    /// Write the JSON into this file, and the table to standard output.
    #[arg(long, value_name = "FILE", conflicts_with = "json", help_heading = "Results")]
    pub(super) out: Option<PathBuf>,
}
