//! All that is asked, answered. The document that is written as JSON; its schema is schemas/estimate.schema.json.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Asked, Want};
use super::bands::{self, GroupBand};
use super::causes::{self, Incidences};
use super::comparison::{self, Tests};
use super::contrasts::{self, MeanContrasts, SurvivalContrasts};
use super::curves::{self, GroupConditional, GroupFewClusters};
use super::data::{Data, LeftOut};
use super::groups::Groups;
use super::hazards::{self, GroupHazard};
use super::intervals::{self, IntervalAnswers};
use super::intervals_text;
use super::life_tables::{self, GroupActuarial};
use super::ordering::{self, CovariateConcordance};
use super::parametric::{self, ParametricAnswers};
use super::parametric_text;
use super::rates::{self, Rates};
use super::regression::{self, Fitted, ProportionalHazards};
use super::regression_text;
use super::resampling::{self, ResampledEstimate};
use super::section::Section;
use super::subdistribution::{self, SubdistributionRegression};
use super::survival::{self, GroupMean, GroupQuantile, GroupSurvival};
use super::weighted::{self, Weighted};
use super::weighted_text;
use crate::quantity::Variance;
use crate::stats::{FrailtyRegression, PairwiseTests, PenalisedRegression};

/// What was used of the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TableUsed {
    /// Rows received.
    pub rows: u64,
    /// Rows used.
    pub used: u64,
    /// Rows left out, by reason.
    pub left_out: Vec<LeftOut>,
    /// How many clusters.
    pub clusters: u64,
    /// Whether clusters were named; without, each row is its own.
    pub clusters_named: bool,
    /// The causes, the failure first.
    pub causes: Vec<String>,
}

/// What a group consists of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupUsed {
    /// The group.
    pub group: String,
    /// Rows.
    pub observations: u64,
    /// Clusters with a row in it.
    pub clusters: u64,
    /// Failures.
    pub failures: u64,
    /// Ended by a competing cause.
    pub competing: u64,
    /// Still followed when last seen.
    pub censored: u64,
    /// Time followed, summed; where only bounds are known, until last seen in place.
    pub followed: f64,
    /// The last time.
    pub last_time: Option<f64>,
}

/// The answers. What was not asked for is not there.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Answers {
    /// The version of the program.
    pub version: String,
    /// What was asked, with what was filled in where nothing was said.
    pub asked: Asked,
    /// What was used of the table.
    pub table: TableUsed,
    /// The groups.
    pub groups: Vec<GroupUsed>,
    /// Survival of each group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub survival: Option<Vec<GroupSurvival>>,
    /// Times by which parts have failed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quantiles: Option<Vec<GroupQuantile>>,
    /// Restricted means.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub means: Option<Vec<GroupMean>>,
    /// Bands that hold the whole curve of each group at once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bands: Option<Vec<GroupBand>>,
    /// Cumulative hazard of each group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hazards: Option<Vec<GroupHazard>>,
    /// Restricted means of the first group against each other one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_contrasts: Option<Vec<MeanContrasts>>,
    /// Survival of the first group against each other one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contrasts: Option<Vec<SurvivalContrasts>>,
    /// Survival of those that lasted to an earlier time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conditional: Option<Vec<GroupConditional>>,
    /// Actuarial life tables.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub life_tables: Option<Vec<GroupActuarial>>,
    /// Survival with intervals that know the number of clusters, where clusters may share their fate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub few_clusters: Option<Vec<GroupFewClusters>>,
    /// Tests of all groups at once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tests: Option<Tests>,
    /// Tests of every pair of groups.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairs: Option<PairwiseTests>,
    /// Competing causes: incidences, tests, bounds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incidences: Option<Incidences>,
    /// Regression of the subdistribution hazard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subdistribution: Option<SubdistributionRegression>,
    /// How well each covariate orders the failures by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub concordances: Option<Vec<CovariateConcordance>>,
    /// The names of the clusters, in the order of lists by cluster, where there is such a list.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cluster_names: Option<Vec<String>>,
    /// Proportional-hazards regression.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proportional_hazards: Option<Fitted<ProportionalHazards>>,
    /// The same with Firth's penalty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub penalised: Option<Fitted<PenalisedRegression>>,
    /// The same with a frailty shared by cluster.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frailty: Option<Fitted<FrailtyRegression>>,
    /// Regression of the time itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parametric: Option<ParametricAnswers>,
    /// Groups compared with weights, and adjusted by regression.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weighted: Option<Weighted>,
    /// Rates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rates: Option<Rates>,
    /// Curves and tests where failures are known only to lie between two times.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intervals: Option<IntervalAnswers>,
    /// Estimates from resampled clusters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resampled: Option<Vec<ResampledEstimate>>,
}

/// Answers; fills in how far restricted means reach where nothing was said of it.
///
/// # Errors
/// A sentence with how to mend it, when something asked for lacks what it needs.
pub fn answer(asked: &mut Asked, data: &Data) -> Result<Answers, String> {
    let wanted = asked.want.clone();
    let wants = |want: Want| wanted.contains(&want);
    let groups = Groups::of(asked, data);
    if asked.until.is_none() {
        let lasts = groups.counted.iter().filter_map(|group| group.table.last_day());
        asked.until = lasts.map(|day| data.axis.time(day.count())).min_by(f64::total_cmp);
    }
    let at_times = (wants(Want::Survival) || wants(Want::Rates)).then(|| survival::survival(asked, data, &groups));
    Ok(Answers {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        table: TableUsed {
            rows: data.received,
            used: data.observations.len() as u64,
            left_out: data.left_out.clone(),
            clusters: data.observations.clusters_present(),
            clusters_named: data.clustered,
            causes: data.cause_labels.clone(),
        },
        groups: (0..groups.labels.len()).map(|place| group_used(&groups, place, data)).collect(),
        quantiles: wants(Want::Quantiles).then(|| survival::quantiles(asked, data, &groups)),
        means: wants(Want::Mean).then(|| survival::means(asked, data, &groups)),
        bands: wants(Want::Bands).then(|| bands::bands(asked, data, &groups)),
        hazards: wants(Want::Hazard).then(|| hazards::hazards(asked, data, &groups)),
        mean_contrasts: wants(Want::Mean).then(|| contrasts::mean_contrasts(asked, data, &groups)),
        contrasts: wants(Want::Contrasts).then(|| contrasts::contrasts(asked, data, &groups)).transpose()?,
        conditional: wants(Want::Conditional).then(|| curves::conditional(asked, data, &groups)),
        life_tables: wants(Want::LifeTable).then(|| life_tables::life_tables(asked, data, &groups)).transpose()?,
        few_clusters: (wants(Want::Survival) && asked.variance == Variance::ClusterRobust)
            .then(|| curves::few_clusters(asked, data, &groups)),
        tests: wants(Want::Tests).then(|| comparison::tests(asked, data)).transpose()?,
        pairs: wants(Want::Pairs).then(|| comparison::pairs(asked, data)).transpose()?,
        incidences: wants(Want::Incidence).then(|| causes::incidences(asked, data, &groups)).transpose()?,
        subdistribution: wants(Want::FineGray).then(|| subdistribution::subdistribution(asked, data)).transpose()?,
        concordances: wants(Want::Concordance).then(|| ordering::concordances(asked, data)).transpose()?,
        cluster_names: asked.lists_clusters().then(|| data.cluster_labels.clone()),
        proportional_hazards: wants(Want::Cox).then(|| regression::proportional_hazards(asked, data)).transpose()?,
        penalised: wants(Want::Firth).then(|| regression::penalised(asked, data)).transpose()?,
        frailty: wants(Want::Frailty).then(|| regression::frailty(asked, data)).transpose()?,
        parametric: wants(Want::Parametric).then(|| parametric::parametric(asked, data)).transpose()?,
        weighted: wants(Want::Weighted).then(|| weighted::weighted(asked, data)).transpose()?,
        rates: at_times.as_ref().filter(|_| wants(Want::Rates)).map(|survival| rates::rates(asked, data, survival)),
        survival: at_times.filter(|_| wants(Want::Survival)),
        intervals: wants(Want::Intervals).then(|| intervals::intervals(asked, data)),
        resampled: (wants(Want::Bootstrap) && data.bounds.is_none()).then(|| resampling::resampled(asked, data)),
        asked: asked.clone(),
    })
}

fn group_used(groups: &Groups, place: usize, data: &Data) -> GroupUsed {
    let (counted, rows) = (&groups.counted[place], &groups.observations[place]);
    let time = |tick: &i32| data.axis.time(*tick);
    let between = data.bounds.as_ref().map(|bounds| bounds.by_group(&data.grouping));
    let lasts = between.as_ref().map_or(rows.exit(), |groups| groups[place].left());
    GroupUsed {
        group: groups.labels[place].clone(),
        observations: counted.table.total(),
        clusters: counted.clusters,
        failures: counted.table.failures(),
        competing: counted.table.competing().iter().sum(),
        censored: counted.table.censored().iter().sum(),
        followed: lasts.iter().zip(rows.entry()).map(|(exit, entry)| time(exit) - time(entry)).sum(),
        last_time: counted.table.last_day().map(|day| data.axis.time(day.count())),
    }
}

/// The answers as readable tables.
pub fn sections(answers: &Answers) -> Vec<Section> {
    let asked = &answers.asked;
    let mut sections = Vec::new();
    if let Some(all) = &answers.survival {
        sections.extend(survival::survival_sections(asked, all));
    }
    if let Some(all) = &answers.quantiles {
        sections.extend(survival::quantile_sections(asked, all));
    }
    if let Some(all) = &answers.means {
        sections.extend(survival::mean_sections(asked, all));
    }
    if let Some(all) = &answers.few_clusters {
        sections.extend(curves::few_cluster_sections(asked, all));
    }
    if let Some(all) = &answers.bands {
        sections.extend(bands::band_sections(asked, all));
    }
    if let Some(all) = &answers.hazards {
        sections.extend(hazards::hazard_sections(asked, all));
    }
    if let Some(all) = &answers.mean_contrasts {
        sections.extend(contrasts::mean_contrast_sections(asked, all));
    }
    if let Some(all) = &answers.contrasts {
        sections.extend(contrasts::contrast_sections(asked, all));
    }
    if let Some(all) = &answers.conditional {
        sections.extend(curves::conditional_sections(asked, all));
    }
    if let Some(all) = &answers.life_tables {
        sections.extend(life_tables::life_table_sections(all));
    }
    let labels: Vec<String> = answers.groups.iter().map(|group| group.group.clone()).collect();
    if let Some(tests) = &answers.tests {
        sections.extend(comparison::test_sections(asked, tests, &labels));
    }
    if let Some(pairs) = &answers.pairs {
        sections.extend(comparison::pair_sections(pairs, &labels));
    }
    if let Some(incidences) = &answers.incidences {
        sections.extend(causes::incidence_sections(asked, incidences));
    }
    if let Some(fit) = &answers.subdistribution {
        sections.extend(subdistribution::subdistribution_sections(asked, fit));
    }
    if let Some(all) = &answers.concordances {
        sections.extend(ordering::concordance_sections(asked, all));
    }
    if let Some(fit) = &answers.proportional_hazards {
        sections.extend(regression_text::regression_sections(asked, fit));
    }
    if let Some(fit) = &answers.penalised {
        sections.extend(regression_text::penalised_sections(asked, fit));
    }
    if let Some(fit) = &answers.frailty {
        sections.extend(regression_text::frailty_sections(asked, fit));
    }
    if let Some(all) = &answers.parametric {
        sections.extend(parametric_text::parametric_sections(asked, all));
    }
    if let Some(all) = &answers.weighted {
        sections.extend(weighted_text::weighted_sections(asked, all, &labels));
    }
    if let Some(all) = &answers.rates {
        sections.extend(rates::rate_sections(asked, all));
    }
    if let Some(all) = &answers.intervals {
        sections.extend(intervals_text::interval_sections(asked, all));
    }
    if let Some(all) = &answers.resampled {
        sections.extend(resampling::resampled_sections(asked, all));
    }
    sections
}
