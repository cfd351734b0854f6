//! Answers as rates: failures by time followed, their ratios, yearly failure rates, and a published rate to hold them against.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::survival::{GroupSurvival, estimate_cells};
use crate::quantity::{AnnualRate, ConfidenceInterval, Known, Variance, Years};
use crate::stats::{
    AnnualFailureRate, ClusterRobustRateRatio, ExactRateRatio, ObservedByExpected, PersonTime, Rate, RateIntervalMethod,
    cluster_robust_rate_ratio, exact_rate_ratio, geometric_annual_failure_rate, linear_annual_failure_rate,
    observed_by_expected, rate,
};

/// Failures of a group by time followed, for a year.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupRate {
    /// The group.
    pub group: String,
    /// With an interval by clusters.
    pub cluster_robust: Known<Rate>,
    /// With exact limits, every row independent.
    pub exact: Known<Rate>,
    /// With mid-p limits, every row independent.
    pub mid_p: Known<Rate>,
    /// Against the published rate, if one is given; limits by clusters where these may share their fate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub against_published: Option<Known<ObservedByExpected>>,
}

/// Rates of two groups, compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RatePair {
    /// The group above the line.
    pub group: String,
    /// The group below the line.
    pub against: String,
    /// Exact, given the sum of failures; every row independent.
    pub exact: Known<ExactRateRatio>,
    /// By clusters.
    pub cluster_robust: Known<ClusterRobustRateRatio>,
}

/// Yearly failure rates of a group, from its survival at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupAnnual {
    /// The group.
    pub group: String,
    /// The time at which survival was read.
    pub time: f64,
    /// 1 − S^(1/z).
    pub geometric: Known<AnnualFailureRate>,
    /// (1 − S)/z.
    pub linear: Known<AnnualFailureRate>,
}

/// All rates.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rates {
    /// Each group.
    pub groups: Vec<GroupRate>,
    /// Each other group against the first.
    pub ratios: Vec<RatePair>,
    /// From the survival at each time.
    pub annual: Vec<GroupAnnual>,
}

/// All rates; `survival` is that of the groups at the times asked for.
pub fn rates(asked: &Asked, data: &Data, survival: &[GroupSurvival]) -> Rates {
    let counted = PersonTime::by_group(&data.observations, &data.grouping, &data.axis);
    let labels = &data.groups.labels;
    let of = |counted: &PersonTime, method| rate(counted, asked.year, method, asked.level);
    let usual = match asked.variance {
        Variance::ClusterRobust => RateIntervalMethod::ClusterRobust,
        Variance::ModelBased => RateIntervalMethod::Exact,
    };
    let groups = labels.iter().zip(&counted).map(|(label, counted)| GroupRate {
        group: label.clone(),
        cluster_robust: of(counted, RateIntervalMethod::ClusterRobust),
        exact: of(counted, RateIntervalMethod::Exact),
        mid_p: of(counted, RateIntervalMethod::MidP),
        against_published: asked
            .published_rate
            .map(|published| observed_by_expected(counted, published, asked.year, usual, asked.level)),
    });
    let ratios = labels.iter().zip(&counted).skip(1).map(|(label, other)| RatePair {
        group: label.clone(),
        against: labels[0].clone(),
        exact: exact_rate_ratio(other, &counted[0], asked.level),
        cluster_robust: cluster_robust_rate_ratio(other, &counted[0], asked.level),
    });
    let annual = survival.iter().flat_map(|group| {
        group.at.iter().map(|at| {
            let years = Years::new(at.time / asked.year);
            let from = |formula: fn(&_, Years) -> Known<AnnualFailureRate>| match &at.estimate {
                Known::Known(estimate) => formula(estimate, years),
                Known::NotKnown(why) => Known::NotKnown(*why),
            };
            GroupAnnual {
                group: group.group.clone(),
                time: at.time,
                geometric: from(geometric_annual_failure_rate),
                linear: from(linear_annual_failure_rate),
            }
        })
    });
    Rates { groups: groups.collect(), ratios: ratios.collect(), annual: annual.collect() }
}

/// Rates as readable tables.
pub fn rate_sections(asked: &Asked, rates: &Rates) -> Vec<Section> {
    let head = interval_head(asked.level);
    let mut section = Section::new(
        "Failures by time followed, a year",
        &["group", "failures", "years", "rate", "s.e.", &format!("{head}, clusters"), "exact", "mid-p"],
    );
    let limits = |limits: &Known<ConfidenceInterval<f64>>| match limits {
        Known::Known(limits) => format!("{} to {}", digits(limits.lower, 4), digits(limits.upper, 4)),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    };
    for one in &rates.groups {
        let mut cells = vec![one.group.clone()];
        match (&one.cluster_robust, &one.exact, &one.mid_p) {
            (Known::Known(robust), Known::Known(exact), Known::Known(mid_p)) => cells.extend([
                digits(robust.failures, 7),
                digits(robust.person_time, 7),
                digits(robust.estimate.value, 5),
                robust.estimate.standard_error.map_or_else(String::new, |error| digits(error, 4)),
                limits(&robust.estimate.interval),
                limits(&exact.estimate.interval),
                limits(&mid_p.estimate.interval),
            ]),
            (Known::NotKnown(why), ..) | (_, Known::NotKnown(why), _) | (.., Known::NotKnown(why)) => {
                cells.push(why_not_known(*why).to_owned());
            }
        }
        section.row(cells);
    }
    section.note("By clusters: symmetric on the logarithm, with Student's t for their number.");
    let mut ratios = Section::new(
        "Ratio of rates",
        &["groups", "ratio", &format!("{head}, exact"), "p, mid-p", &format!("{head}, clusters"), "p, clusters"],
    );
    for one in &rates.ratios {
        let mut cells = vec![format!("{} against {}", one.group, one.against)];
        let pair = |lower: &Known<f64>, upper: &Known<f64>| {
            let shown = |limit: &Known<f64>| match limit {
                Known::Known(limit) => digits(*limit, 4),
                Known::NotKnown(why) => why_not_known(*why).to_owned(),
            };
            format!("{} to {}", shown(lower), shown(upper))
        };
        match &one.exact {
            Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            Known::Known(exact) => {
                cells.push(match exact.ratio.value {
                    Known::Known(ratio) => digits(ratio, 5),
                    Known::NotKnown(why) => why_not_known(why).to_owned(),
                });
                cells.push(pair(&exact.ratio.lower, &exact.ratio.upper));
                cells.push(p_value(exact.probabilities.mid_p.p_value, exact.probabilities.mid_p.ln_p_value));
            }
        }
        if let Known::Known(robust) = &one.cluster_robust {
            cells.push(pair(&robust.ratio.lower, &robust.ratio.upper));
            cells.push(match robust.probability {
                Known::Known(p) => p_value(p.p_value, p.ln_p_value),
                Known::NotKnown(why) => why_not_known(why).to_owned(),
            });
        }
        ratios.row(cells);
    }
    let mut published = Section::new(
        "Failures observed, and expected by the published rate",
        &["group", "observed", "expected", "ratio", "s.e.", &head, "p, mid-p"],
    );
    for one in &rates.groups {
        let Some(found) = &one.against_published else { continue };
        let mut cells = vec![one.group.clone()];
        match found {
            Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            Known::Known(found) => {
                cells.extend([digits(found.observed, 7), digits(found.expected, 6)]);
                cells.extend(estimate_cells(&Known::Known(found.ratio), |ratio| ratio));
                cells.push(p_value(found.probabilities.mid_p.p_value, found.probabilities.mid_p.ln_p_value));
            }
        }
        published.row(cells);
    }
    let annual = annual_section("Yearly failure rate from survival", &head, &rates.annual);
    let mut sections = vec![section];
    if !rates.ratios.is_empty() {
        sections.push(ratios);
    }
    if asked.published_rate.is_some() {
        sections.push(published);
    }
    sections.push(annual);
    sections
}

/// Yearly failure rates as a readable table.
pub fn annual_section(title: &str, head: &str, all: &[GroupAnnual]) -> Section {
    let mut annual = Section::new(title, &["group", "time", "geometric", "s.e.", head, "linear", "s.e.", head]);
    for one in all {
        let mut cells = vec![one.group.clone(), digits(one.time, 6)];
        for found in [&one.geometric, &one.linear] {
            cells.extend(estimate_cells(&found.map(|found| found.estimate), AnnualRate::per_year));
        }
        annual.row(cells);
    }
    annual.note("Geometric: 1 − S^(1/z); linear: (1 − S)/z; z in years; S the part that has not failed.");
    annual
}
