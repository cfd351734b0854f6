//! Estimators of survival over whole days. Nothing here knows a tooth, a file or a page.
//!
//! In reading order; each file opens with its definition, formula, source and what was decided:
//!
//! What is followed, and how it is counted:
//!
//! - [`axis`](mod@axis): what the ticks of time stand for: whole days, or the times that occur
//! - [`observation`](mod@observation): what is followed: entry, exit, how it ended, its cluster
//! - [`grouping`](mod@grouping): which group each observation belongs to
//! - [`life_table`](mod@life_table): counts for each day; tables of parts sum to that of the whole
//! - [`timed_bounds`](mod@timed_bounds): bounds on times, exact, right-, left- or interval-censored, in real units
//! - [`weighted_life_table`](mod@weighted_life_table): the same with sums of case weights
//!
//! Survival:
//!
//! - [`product_limit`](mod@product_limit): the survival curve (Kaplan–Meier) with Greenwood's variance
//! - [`cluster_influence`](mod@cluster_influence): its variance when observations of a cluster may share their fate
//! - [`clustered`](mod@clustered): observations parted for sums over clusters: those alone in theirs are counted
//! - [`survival_interval`](mod@survival_interval): pointwise confidence limits of a survival
//! - [`horizon`](mod@horizon): survival at the days that a report reads
//! - [`group_survival`](mod@group_survival): the same for every group in one pass
//! - [`few_clusters`](mod@few_clusters): the same for few clusters: limits by Student's t, and the design effect
//! - [`confidence_band`](mod@confidence_band): limits that hold over a whole range of the curve at once
//! - [`band_critical_value`](mod@band_critical_value): how wide such a band must be
//! - [`conditional_survival`](mod@conditional_survival): survival of those still in place at a day
//! - [`quantile`](mod@quantile): the day by which a part has failed; the median
//! - [`restricted_mean`](mod@restricted_mean): mean time in place up to a horizon
//! - [`cumulative_hazard`](mod@cumulative_hazard): the cumulative hazard (Nelson–Aalen)
//! - [`actuarial`](mod@actuarial): the actuarial life table over recall intervals
//! - [`lost_bounds`](mod@lost_bounds): how far those lost to follow-up could move a survival
//!
//! Intervals from resampled clusters:
//!
//! - [`cluster_cells`](mod@cluster_cells): observations summed by cluster, for resampling
//! - [`cluster_bootstrap`](mod@cluster_bootstrap): intervals from clusters resampled with replacement
//!
//! Failures known only to lie between two recalls:
//!
//! - [`intervals`](mod@intervals): last seen in place, first seen to have failed
//! - [`interval_survival`](mod@interval_survival): the survival curve without a made-up day of failure (Turnbull)
//! - [`interval_reading`](mod@interval_reading): quantiles and the restricted mean, with both ends of what is not determined
//! - [`interval_bootstrap`](mod@interval_bootstrap): their limits from resampled clusters
//! - [`interval_scores`](mod@interval_scores): how early each failed, measured by the curve of all
//! - [`interval_score_test`](mod@interval_score_test): do groups fail at the same pace? (generalised log-rank tests)
//!
//! Groups compared:
//!
//! - [`survival_contrast`](mod@survival_contrast): survival of two groups at given days, compared
//! - `survival_difference`: the limits and the test of such a difference, from the limits of both
//! - [`restricted_mean_contrast`](mod@restricted_mean_contrast): mean time in place of two groups, compared
//! - [`log_rank`](mod@log_rank): do groups fail at the same pace?
//! - [`compared`](mod@compared): observations in groups, compared within strata
//! - [`weighting`](mod@weighting): early or late failures may weigh more in a comparison
//! - [`weighted_log_rank`](mod@weighted_log_rank): do groups differ, early or late, within strata?
//! - [`log_rank_trend`](mod@log_rank_trend): do ordered groups fail the sooner, the higher they rank?
//! - [`combined_log_rank`](mod@combined_log_rank): the largest of several weighted statistics
//! - [`normal_maximum`](mod@normal_maximum): how large the largest of correlated normal numbers may be
//! - [`pairwise`](mod@pairwise): each group against each other
//! - [`multiple_comparisons`](mod@multiple_comparisons): probabilities adjusted for the number of tests
//! - [`finite_clusters`](mod@finite_clusters): a robust test that knows how many clusters there are
//! - [`wild_bootstrap`](mod@wild_bootstrap): the same with the clusters' signs drawn at random
//!
//! Regression:
//!
//! - [`cox_design`](mod@cox_design): covariates by name, as columns
//! - [`cox`](mod@cox): proportional hazards (Cox): how covariates change the pace of failure
//! - [`cox_tests`](mod@cox_tests): tests of its coefficients
//! - [`cox_baseline`](mod@cox_baseline): its baseline hazard, and survival predicted for given covariates
//! - [`cox_adjusted`](mod@cox_adjusted): survival had everybody the same level of a factor
//! - [`cox_adjusted_contrast`](mod@cox_adjusted_contrast): two levels of it compared: had everybody the one, or the other
//! - [`cox_residuals`](mod@cox_residuals): where it fits badly, and who moves its coefficients
//! - [`proportionality`](mod@proportionality): do hazards stay proportional?
//! - [`concordance`](mod@concordance): does the one with the higher score fail first? (Harrell's C)
//! - [`firth`](mod@firth): finite estimates where failures are few or separated (Firth's penalty)
//! - [`frailty`](mod@frailty): how alike the fates of a cluster are (gamma frailty)
//!
//! Regression of a family of distributions:
//!
//! - [`log_time_family`](mod@log_time_family): exponential, Weibull, log-logistic and log-normal times
//! - [`parametric`](mod@parametric): how covariates stretch the time in place, of times known only within bounds too
//! - [`parametric_prediction`](mod@parametric_prediction): survival and quantiles that it predicts
//! - [`parametric_families`](mod@parametric_families): which family fits best?
//! - [`curve_distance`](mod@curve_distance): how far it lies from a curve without a family
//!
//! How levels were chosen:
//!
//! - [`logistic`](mod@logistic): how covariates change the odds of an outcome
//! - [`multinomial`](mod@multinomial): the same for several levels
//! - [`propensity`](mod@propensity): how likely each observation was to have each level
//! - [`propensity_weights`](mod@propensity_weights): levels weighted to look like one population
//! - [`balance`](mod@balance): do levels differ in what was known, before and after weighting?
//! - [`weighted_comparison`](mod@weighted_comparison): two levels compared with weights
//! - [`reweighted_bootstrap`](mod@reweighted_bootstrap): the same with intervals from resampled clusters, weights estimated anew
//! - [`cluster_resampling`](mod@cluster_resampling): what resampled clusters say of any analysis
//! - [`e_value`](mod@e_value): how strong something not recorded would have to be
//!
//! Causes that compete:
//!
//! - [`causes`](mod@causes): by which of several competing causes each observation ended
//! - [`cumulative_incidence`](mod@cumulative_incidence): how many end by each cause (Aalen–Johansen)
//! - [`incidence_interval`](mod@incidence_interval): pointwise confidence limits of a cumulative incidence
//! - [`cause_specific_hazard`](mod@cause_specific_hazard): the cumulative hazard of one cause
//! - [`gray`](mod@gray): does the incidence of a cause rise at the same pace in all groups? (Gray)
//! - [`fine_gray`](mod@fine_gray): regression of the subdistribution hazard of one cause (Fine–Gray)
//!
//! Planning a comparison:
//!
//! - [`events_needed`](mod@events_needed): failures that a comparison needs, and what so many can tell
//! - [`failing_share`](mod@failing_share): what part of those who enter will be seen to fail
//! - [`design_effect`](mod@design_effect): how many times as many clusters make necessary
//! - [`observations_needed`](mod@observations_needed): observations and clusters that bring so many failures
//! - [`shares_needed`](mod@shares_needed): observations for a comparison of two shares
//! - [`simulated_power`](mod@simulated_power): the power of a plan by simulated trials
//!
//! Rates and counts:
//!
//! - [`annual_failure_rate`](mod@annual_failure_rate): three formulas of the yearly failure rate
//! - [`person_time`](mod@person_time): failures and time under observation of each cluster
//! - [`rate`](mod@rate): failures by time under observation
//! - [`rate_ratio`](mod@rate_ratio): the ratio of two rates, exact or cluster-robust
//! - [`observed_expected`](mod@observed_expected): failures seen by those that a published rate lets expect
//! - [`benchmark_hazard`](mod@benchmark_hazard): a benchmark rate or curve, and how many failures it lets expect
//! - [`poisson`](mod@poisson): exact and mid-p limits of a count
//! - [`exact_test`](mod@exact_test): two-sided probabilities of a count, three ways
//! - [`share`](mod@share): the interval of so many of so many
//!
//! Tables:
//!
//! - [`contingency_table`](mod@contingency_table): counts by two factors
//! - [`chi_squared_test`](mod@chi_squared_test): do columns depend on rows? (Pearson, likelihood ratio)
//! - [`share_contrast`](mod@share_contrast): two shares: difference, ratio and odds ratio
//! - [`fisher_exact`](mod@fisher_exact): the exact test of two by two, and the odds ratio given the margins
//! - [`fisher_freeman_halton`](mod@fisher_freeman_halton): the exact test of a table of any size
//! - [`sampled_exact_test`](mod@sampled_exact_test): the same by random tables, where there are too many
//! - [`share_trend`](mod@share_trend): does a share rise along ordered groups? (Cochran–Armitage)
//! - [`mcnemar`](mod@mcnemar): two findings of the same subjects
//! - [`cochran_q`](mod@cochran_q): several findings of the same subjects
//!
//! Ranks:
//!
//! - [`rank_sum`](mod@rank_sum): are values of one sample higher? (Wilcoxon; Mann–Whitney)
//! - [`superiority`](mod@superiority): how often one of the first is higher than one of the second
//! - [`kruskal_wallis`](mod@kruskal_wallis): the same question for several samples
//! - [`signed_rank`](mod@signed_rank): do pairs differ more one way than the other? (Wilcoxon)
//! - [`friedman`](mod@friedman): several measurements of the same subjects
//! - [`exact_permutation`](mod@exact_permutation): exact probabilities of sums of scores, ties and all
//!
//! The same where observations come in clusters:
//!
//! - [`clustered_codes`](mod@clustered_codes): row, column and cluster of each observation
//! - [`clustered_share`](mod@clustered_share): a share, its design effect and interval
//! - [`clustered_share_contrast`](mod@clustered_share_contrast): two shares, also of the same clusters
//! - [`clustered_table`](mod@clustered_table): do columns depend on rows? (Rao–Scott)
//! - [`clustered_rank_sum`](mod@clustered_rank_sum): are scores of one group higher?
//! - [`clustered_trend`](mod@clustered_trend): does a share rise along ordered groups?
//!
//! Examiners:
//!
//! - [`agreement`](mod@agreement): how often two agree, in all and on each category
//! - [`kappa`](mod@kappa): how far beyond chance (Cohen), plain and weighted
//! - [`clustered_kappa`](mod@clustered_kappa): the same for fillings of the same patients
//! - [`ratings`](mod@ratings): scores by several examiners, some missing
//! - [`krippendorff`](mod@krippendorff): how far several agree, whatever is missing (alpha)
//! - [`fleiss_kappa`](mod@fleiss_kappa): the same where all scored all
//!
//! Watching over time:
//!
//! - [`watched`](mod@watched): failures and expected failures, day by day of the calendar
//! - [`cusum`](mod@cusum): do more come than a benchmark lets expect? (cumulative sums)
//! - [`cusum_limit`](mod@cusum_limit): how high such a sum may go by chance
//! - [`cusum_run_length`](mod@cusum_run_length): how long it runs before a false alarm
//! - [`cusum_binary`](mod@cusum_binary): the same for outcomes that come one by one
//! - [`funnel_limits`](mod@funnel_limits): between which numbers of failures a unit lies by chance
//! - [`funnel`](mod@funnel): units against limits that know how much each of them saw
//!
//! Distributions:
//!
//! - [`distribution`](mod@distribution): tails and quantiles of the normal, gamma and χ² distributions
//! - [`beta`](mod@beta): the same of the beta, binomial, F and Student distributions
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

pub mod actuarial;
pub mod agreement;
pub mod annual_failure_rate;
pub mod axis;
pub mod balance;
pub mod band_critical_value;
pub mod benchmark_hazard;
pub mod beta;
mod bootstrap_replicates;
mod bucket;
pub mod cause_specific_hazard;
pub mod causes;
pub mod chi_squared_test;
pub mod cluster_bootstrap;
pub mod cluster_cells;
pub mod cluster_influence;
pub mod cluster_resampling;
pub mod clustered;
pub mod clustered_codes;
pub mod clustered_kappa;
pub mod clustered_rank_sum;
pub mod clustered_share;
pub mod clustered_share_contrast;
pub mod clustered_table;
pub mod clustered_trend;
pub mod cochran_q;
pub mod combined_log_rank;
pub mod compared;
mod compensated_sum;
pub mod concordance;
pub mod conditional_survival;
pub mod confidence_band;
pub mod contingency_table;
mod covariance;
pub mod cox;
pub mod cox_adjusted;
pub mod cox_adjusted_contrast;
pub mod cox_baseline;
mod cox_climb;
pub mod cox_design;
mod cox_exact;
mod cox_influence;
mod cox_likelihood;
mod cox_mean_survival;
pub mod cox_residuals;
mod cox_risk_sets;
mod cox_scores;
mod cox_separation;
pub mod cox_tests;
pub mod cumulative_hazard;
pub mod cumulative_incidence;
pub mod curve_distance;
pub mod cusum;
pub mod cusum_binary;
pub mod cusum_limit;
pub mod cusum_run_length;
pub mod design_effect;
pub mod distribution;
pub mod e_value;
pub mod events_needed;
pub mod exact_permutation;
pub mod exact_test;
pub mod failing_share;
pub mod few_clusters;
pub mod fine_gray;
mod fine_gray_influence;
mod fine_gray_likelihood;
mod fine_gray_weights;
pub mod finite_clusters;
pub mod firth;
pub mod fisher_exact;
pub mod fisher_freeman_halton;
pub mod fleiss_kappa;
pub mod frailty;
pub mod friedman;
pub mod funnel;
pub mod funnel_limits;
pub mod gray;
mod gray_path;
pub mod group_survival;
pub mod grouping;
pub mod horizon;
mod hypergeometric;
mod incidence_influence;
pub mod incidence_interval;
mod innermost;
mod interval_ascent;
pub mod interval_bootstrap;
mod interval_classes;
pub mod interval_reading;
pub mod interval_score_test;
pub mod interval_scores;
mod interval_step;
pub mod interval_survival;
mod interval_unique;
pub mod intervals;
pub mod kappa;
pub mod krippendorff;
pub mod kruskal_wallis;
mod lanes;
pub mod life_table;
pub mod log_rank;
pub mod log_rank_trend;
pub mod log_time_family;
pub mod logistic;
mod logit_climb;
mod logit_fit;
mod logit_likelihood;
mod logit_penalty;
mod logit_rows;
pub mod lost_bounds;
pub mod mcnemar;
pub mod multinomial;
pub mod multiple_comparisons;
mod normal_hazard;
pub mod normal_maximum;
pub mod observation;
pub mod observations_needed;
pub mod observed_expected;
pub mod pairwise;
pub mod parametric;
mod parametric_climb;
pub mod parametric_families;
mod parametric_likelihood;
pub mod parametric_prediction;
pub mod person_time;
pub mod poisson;
pub mod product_limit;
pub mod propensity;
pub mod propensity_weights;
pub mod proportionality;
pub mod quantile;
mod random_draws;
pub mod rank_sum;
pub mod rate;
pub mod rate_ratio;
pub mod ratings;
pub mod restricted_mean;
pub mod restricted_mean_contrast;
pub mod reweighted_bootstrap;
mod risk_counts;
mod risk_nodes;
pub mod sampled_exact_test;
mod score_sums;
pub mod share;
pub mod share_contrast;
pub mod share_trend;
pub mod shares_needed;
pub mod signed_rank;
pub mod simulated_power;
mod skyline;
pub mod superiority;
pub mod survival_contrast;
mod survival_difference;
pub mod survival_interval;
mod symmetric;
#[cfg(test)]
mod ten_rows;
pub mod timed_bounds;
pub mod watched;
pub mod weighted_comparison;
pub mod weighted_life_table;
pub mod weighted_log_rank;
pub mod weighting;
pub mod wild_bootstrap;

pub use actuarial::{ActuarialInterval, CutpointError, actuarial_table};
pub use agreement::{Agreement, CategoryAgreement, agreement};
pub use annual_failure_rate::{
    AnnualFailureFormula, AnnualFailureRate, geometric_annual_failure_rate, geometric_annual_rate_of_incidence,
    linear_annual_failure_rate, linear_annual_rate_of_incidence, person_time_annual_failure_rate,
    person_time_annual_failure_rate_by, person_time_annual_failure_rate_of, person_time_over_years,
};
pub use axis::Axis;
pub use balance::{ColumnBalance, LevelMean, PairDifference, balance};
pub use band_critical_value::{equal_precision_critical_value, hall_wellner_critical_value};
pub use benchmark_hazard::BenchmarkHazard;
pub use cause_specific_hazard::{cause_specific_hazard, cause_specific_hazard_at_horizons};
pub use causes::{CAUSE_COMPETING, CAUSE_FAILED, CENSORED, CauseError, ObservationsByCause};
pub use chi_squared_test::{ChiSquaredTest, IndependenceTest, independence_test};
pub use cluster_bootstrap::{
    BootstrapEstimate, BootstrapInterval, NotEstimated, ResampledGroups, ResampledQuantity, ResampledStatistic, Resampling,
    cluster_bootstrap, cluster_bootstrap_of,
};
pub use cluster_cells::{ClusterCells, TableContents, TickCurves, TickTable, TickTables};
pub use cluster_influence::{with_cluster_robust_variance, with_cluster_robust_variance_of, with_cluster_robust_variances};
pub use cluster_resampling::ResampledEstimate;
pub use clustered::Clustered;
pub use clustered_codes::ClusteredCodes;
pub use clustered_kappa::{ClusteredKappa, clustered_kappa};
pub use clustered_rank_sum::{ClusteredRankSum, clustered_rank_sum};
pub use clustered_share::{ClusteredShare, ClusteredShares, clustered_share, clustered_shares};
pub use clustered_share_contrast::{ClusteredShareContrast, clustered_share_contrast, contrast_of_clustered_shares};
pub use clustered_table::{ClusteredIndependenceTest, FractionalTest, clustered_independence_test};
pub use clustered_trend::{ClusteredTrend, clustered_trend};
pub use cochran_q::cochran_q_test;
pub use combined_log_rank::{CombinedLogRankTest, CombinedStatistic, Weightings, combined_log_rank};
pub use compared::Compared;
pub use concordance::{Concordance, concordance};
pub use conditional_survival::{ConditionalSurvival, conditional_survival};
pub use confidence_band::{BandPoint, BandShape, ConfidenceBand, band_of_curve, confidence_band};
pub use contingency_table::{ContingencyTable, TableError};
pub use cox::{
    ClusterRobust, Convergence, CoxCoefficient, CoxModel, CoxOptions, CoxProblem, CoxRegression, TermTest, TiesHandling,
    cox_regression,
};
pub use cox_adjusted::AdjustedCurve;
pub use cox_adjusted_contrast::AdjustedContrasts;
pub use cox_baseline::{BaselineStep, ProfileValue};
pub use cox_design::{ColumnName, Covariate, CovariateValues, CoxDesign, DesignError};
pub use cox_residuals::SchoenfeldResidual;
pub use cox_tests::{CoefficientTest, ReferenceDistribution, RegressionTest};
pub use cumulative_hazard::{CumulativeHazard, HazardIntervalMethod, HazardStep, HazardVarianceFormula, cumulative_hazard};
pub use cumulative_incidence::{
    CauseIncidence, CumulativeIncidence, EventFreeStep, IncidenceStep, cumulative_incidence, cumulative_incidence_of_cause,
    incidence_at_horizons,
};
pub use curve_distance::{CurveDistance, SurvivalBetween, curve_distance};
pub use cusum::{AfterSignal, Cusum, CusumPoint, cusum};
pub use cusum_binary::{
    BinaryCusum, BinaryOutcome, binary_average_run_length, binary_cusum, binary_highest_sums, binary_run_length_limit,
};
pub use cusum_limit::{FalseAlarmLimit, HighestSums, Replicates};
pub use cusum_run_length::{RunLengthLimit, average_run_length, run_length_limit};
pub use design_effect::{AssignmentUnit, Clustering, correlation_of_frailty, design_effect};
pub use e_value::{EValue, EffectScale, e_value, e_value_of_risks};
pub use events_needed::{
    DetectableRatio, EventsFormula, PlannedComparison, detectable_ratio, events_needed, power_of_events,
};
pub use exact_permutation::PermutationProbabilities;
pub use exact_test::ExactProbabilities;
pub use failing_share::{FollowUpPlan, hazard_of_survival, hazard_of_yearly_share};
pub use few_clusters::{FewClustersSurvival, survival_with_few_clusters};
pub use fine_gray::{
    CensoringReading, FineGrayFailure, FineGrayFit, FineGrayOptions, SubdistributionBaseline, SubdistributionCoefficient,
    SubdistributionStep, WeightInfluence, fine_gray,
};
pub use finite_clusters::{FEW_CLUSTERS, FiniteClusters};
pub use firth::{PenalisedCoefficient, PenalisedRegression, penalised_cox_regression};
pub use fisher_exact::{FisherExactTest, OddsRatioLimits, fisher_exact_test};
pub use fisher_freeman_halton::{ExactWork, fisher_freeman_halton_test};
pub use fleiss_kappa::{FleissKappa, fleiss_kappa};
pub use frailty::{FrailtyCoefficient, FrailtyRegression, NoFrailtyTest, frailty_regression};
pub use friedman::{FriedmanTest, friedman_test};
pub use funnel::{
    Funnel, FunnelDispersion, FunnelLimitsAt, FunnelOptions, FunnelPlace, FunnelSpread, FunnelUnit, funnel_of_ratios,
    funnel_of_shares,
};
pub use funnel_limits::{FunnelLimits, ratio_limits, share_limits};
pub use gray::{GrayGroup, GrayOptions, GrayTest, gray_test};
pub use group_survival::{GroupSurvival, survival_by_group};
pub use grouping::{Grouping, GroupingError, NO_GROUP};
pub use horizon::{interval_where_none_failed, read_at_horizons, survival_at_horizons, survival_curve};
pub use incidence_interval::{IncidenceInference, IncidenceVariance, incidence_interval};
pub use interval_bootstrap::{IntervalBootstrapEstimate, IntervalQuantity, interval_bootstrap};
pub use interval_reading::{IntervalQuantile, RestrictedMeanRange};
pub use interval_score_test::{
    IntervalPermutationTest, IntervalScoreTest, ScoreBasis, ScoreStatistic, ScoredGroup, interval_permutation_test,
    interval_score_test,
};
pub use interval_scores::IntervalScores;
pub use interval_survival::{InnermostInterval, IntervalSurvival, SurvivalRange, interval_survival};
pub use intervals::{IntervalError, Intervals, NOT_SEEN_TO_FAIL};
pub use kappa::{AgreementWeights, Kappa, kappa};
pub use krippendorff::{Disagreement, KrippendorffAlpha, krippendorff_alpha};
pub use kruskal_wallis::{kruskal_wallis_test, kruskal_wallis_test_of_table};
pub use life_table::{Counts, LifeTable};
pub use log_rank::{GroupFailures, LogRankTest, log_rank, log_rank_of_tables, log_rank_under};
pub use log_rank_trend::{TrendTest, equally_spaced_scores, log_rank_trend};
pub use log_time_family::LogTimeFamily;
pub use logistic::{
    FirthPenalty, LogisticCoefficient, LogisticOptions, LogisticProblem, LogisticRegression, logistic_regression,
};
pub use lost_bounds::{CaseBounds, LostBounds, TippingPoint, lost_before, lost_bounds, tipping_point};
pub use mcnemar::{McNemarTest, PairedShares, mcnemar_test, paired_shares};
pub use multinomial::{MultinomialLevel, MultinomialRegression, multinomial_regression};
pub use multiple_comparisons::{AdjustmentMethod, adjusted_ln_p_values};
pub use normal_maximum::largest_absolute_normal_tail;
pub use observation::{Ending, LONGEST_FOLLOW_UP, ObservationError, Observations, is_at_risk};
pub use observations_needed::{ObservationsNeeded, PlannedFollowUp, observations_needed, power_of_observations};
pub use observed_expected::{ObservedByExpected, observed_by_expected};
pub use pairwise::{PairwiseTest, PairwiseTests, pairwise_log_rank};
pub use parametric::{
    InformationCriteria, ParametricCoefficient, ParametricModel, ParametricOptions, ParametricProblem, ParametricRegression,
    ParametricTermTests, Spread, parametric_regression,
};
pub use parametric_families::{ComparedFamily, FamilyComparison, FittedFamily, compare_families};
pub use parametric_prediction::PredictedQuantile;
pub use person_time::PersonTime;
pub use poisson::{mid_p_poisson_interval, poisson_interval};
pub use product_limit::{ProductLimit, Step, WeightSums};
pub use propensity::{NEXT_TO_NO_CHANCE, Propensities, PropensityOverlap, PropensityProblem, PropensityRange, propensities};
pub use propensity_weights::{LevelWeights, PropensityWeights, WeightTrimming, WeightedPopulation, propensity_weights};
pub use proportionality::{ProportionalityTest, TimeScale, proportionality};
pub use quantile::{QuantileEstimate, median, quantile};
pub use rank_sum::{
    RankSumTest, exact_rank_sum_test, exact_rank_sum_test_of_counts, rank_sum_test, rank_sum_test_of_counts,
};
pub use rate::{Rate, RateIntervalMethod, rate};
pub use rate_ratio::{ClusterRobustRateRatio, ExactRateRatio, RateRatio, cluster_robust_rate_ratio, exact_rate_ratio};
pub use ratings::{NO_SCORE, Ratings};
pub use restricted_mean::{
    RestrictedMean, RestrictedMeanTime, area_under_curve, restricted_mean, restricted_mean_of, restricted_mean_on,
};
pub use restricted_mean_contrast::{RestrictedMeanContrast, restricted_mean_contrast};
pub use reweighted_bootstrap::{
    ReweightedComparison, ReweightedMean, ReweightedSurvival, WeightingModel, reweighted_bootstrap,
};
pub use sampled_exact_test::{SampledProbability, TableSampling, sampled_exact_test};
pub use share::{clopper_pearson_interval, wilson_interval};
pub use share_contrast::{ShareContrast, ShareRatio, contrast_shares};
pub use share_trend::{ScoredShare, ShareTrend, exact_share_trend, share_trend};
pub use shares_needed::{PlannedShares, SharesFormula, power_of_shares, shares_needed};
pub use signed_rank::{SignedRankTest, ZeroDifferences, signed_rank_test};
pub use simulated_power::{PowerTest, SimulatedPlan, SimulatedPower, SimulatedTrial, simulated_power};
pub use superiority::{Superiority, superiority, superiority_of_counts};
pub use survival_contrast::{Contrast, ContrastTest, SurvivalContrast, survival_contrast};
pub use survival_interval::{Inference, SurvivalIntervalMethod, survival_interval, survival_interval_by_student};
pub use timed_bounds::{OriginFailures, RefusedBounds, TimedBounds, TimedBoundsError};
pub use watched::{FailureSeries, PeriodWatched, Watched};
pub use weighted_comparison::{
    LevelComparison, WeightedComparison, WeightedHazardRatio, weighted_by_level, weighted_comparison,
};
pub use weighted_life_table::WeightedLifeTable;
pub use weighted_log_rank::{GroupDifference, WeightedLogRankTest, weighted_log_rank};
pub use weighting::{Exponent, Weighting};
pub use wild_bootstrap::{WildBootstrapTest, wild_bootstrap_log_rank};
