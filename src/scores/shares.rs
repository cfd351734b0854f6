//! Answers about the share of some scores in each group, and how shares differ.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{chi_squared_cells, interval, known, known_probability, pairs, share_interval};
use super::data::ScoreData;
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::{ConfidenceInterval, Fraction, Known};
use crate::stats::{
    ChiSquaredTest, ClusteredCodes, ClusteredShare, ClusteredShareContrast, IndependenceTest, ShareContrast, ShareRatio,
    clopper_pearson_interval, clustered_share_contrast, clustered_shares, contrast_shares, independence_test,
    wilson_interval,
};
use crate::wording::count;

/// The share of the scores named in a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GroupShare {
    /// The group.
    pub group: String,
    /// How many have one of the scores.
    pub part: u64,
    /// Of how many.
    pub whole: u64,
    /// Wilson's limits, each row taken as independent.
    pub wilson: Known<ConfidenceInterval<Fraction>>,
    /// Exact limits (Clopper–Pearson), each row taken as independent.
    pub exact: Known<ConfidenceInterval<Fraction>>,
    /// With those of a cluster sharing their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredShare>>,
}

/// The shares of two groups compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SharePair {
    /// The group.
    pub group: String,
    /// Against which one.
    pub against: String,
    /// Each row taken as independent.
    pub independent: Known<ShareContrast>,
    /// With those of a cluster sharing their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredShareContrast>>,
}

/// Shares of the scores named.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SharesAnswer {
    /// Of each group.
    pub groups: Vec<GroupShare>,
    /// Of every pair of groups.
    pub pairs: Vec<SharePair>,
    /// All groups at once, each row taken as independent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test: Option<Known<IndependenceTest>>,
    /// All groups at once with those of a cluster sharing their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered_test: Option<Known<ChiSquaredTest>>,
    /// Clusters that lie in several groups, which the test of all at once takes as independent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clusters_in_several_groups: Option<u64>,
}

/// Shares of the scores named.
///
/// # Errors
/// When codes don't fit the groups.
pub fn shares_answer(asked: &ScoresAsked, data: &ScoreData) -> Result<SharesAnswer, String> {
    let features = data.features();
    let codes = ClusteredCodes::new(&data.grouping, &features, &data.clusters).map_err(|error| error.to_string())?;
    let table = codes.table();
    let counts: Vec<[u64; 2]> = (0..table.rows()).map(|row| [table.at(row, 1), table.at(row, 0)]).collect();
    let clustered = asked.clustered.then(|| clustered_shares(&codes, 1, asked.level));
    let groups = counts.iter().zip(&data.groups).enumerate().map(|(place, ([part, rest], group))| GroupShare {
        group: group.clone(),
        part: *part,
        whole: part + rest,
        wilson: wilson_interval(*part, part + rest, asked.level),
        exact: clopper_pearson_interval(*part, part + rest, asked.level),
        clustered: clustered.as_ref().and_then(|all| all.shares.get(place).copied()),
    });
    let several = data.groups.len() > 1;
    let pair = |[first, second]: [u16; 2]| SharePair {
        group: data.groups[usize::from(first)].clone(),
        against: data.groups[usize::from(second)].clone(),
        independent: contrast_shares([counts[usize::from(first)], counts[usize::from(second)]], asked.level),
        clustered: asked.clustered.then(|| clustered_share_contrast(&codes, [first, second], 1, asked.level)),
    };
    Ok(SharesAnswer {
        groups: groups.collect(),
        pairs: pairs(data.groups.len()).map(pair).collect(),
        test: several.then(|| independence_test(&table)),
        clustered_test: clustered.as_ref().filter(|_| several).map(|all| all.test),
        clusters_in_several_groups: clustered.as_ref().map(|all| all.clusters_in_several_rows),
    })
}

/// A ratio and its limits.
fn ratio(ratio: &ShareRatio) -> [String; 2] {
    [known(&ratio.value, |value| digits(*value, 4)), interval(&ratio.interval)]
}

/// The shares as readable tables.
pub fn share_sections(asked: &ScoresAsked, answer: &SharesAnswer) -> Vec<Section> {
    let head = interval_head(asked.level);
    let title = format!("Share of {}", asked.share_of.join(", "));
    let mut header = vec!["group", "part", "of", "share"];
    let heads = [format!("{head}, Wilson"), format!("{head}, exact"), format!("{head}, clusters")];
    header.extend(heads.iter().take(if asked.clustered { 3 } else { 2 }).map(String::as_str));
    if asked.clustered {
        header.push("design effect");
    }
    let mut shares = Section::new(title, &header);
    for one in &answer.groups {
        let mut cells = vec![one.group.clone(), count(one.part), count(one.whole)];
        cells.push(if one.whole > 0 { digits(one.part as f64 / one.whole as f64, 4) } else { String::new() });
        cells.extend([share_interval(&one.wilson), share_interval(&one.exact)]);
        match &one.clustered {
            None => {}
            Some(Known::NotKnown(why)) => cells.push(why_not_known(*why).to_owned()),
            Some(Known::Known(found)) => {
                cells.extend([share_interval(&found.wilson), known(&found.design_effect, |effect| digits(*effect, 4))])
            }
        }
        shares.row(cells);
    }
    if asked.clustered {
        shares.note(
            "Clusters: Wilson's limits for as many independent rows as tell as much. The others take rows as independent.",
        );
    }
    let mut sections = vec![shares];
    if answer.pairs.is_empty() {
        return sections;
    }
    let last: &[&str] = if asked.clustered { &["p"] } else { &["odds ratio", &head] };
    let mut contrasts = Section::new("Shares compared", &[&["groups", "difference", &head, "ratio", &head], last].concat());
    for pair in &answer.pairs {
        let mut cells = vec![format!("{} against {}", pair.group, pair.against)];
        match (&pair.clustered, &pair.independent) {
            (Some(Known::Known(found)), _) => {
                cells.extend([digits(found.difference, 4), interval(&found.hybrid)]);
                cells.extend(ratio(&found.risk_ratio));
                cells.push(known_probability(&found.probability));
            }
            (None, Known::Known(found)) => {
                cells.extend([digits(found.difference, 4), interval(&Known::Known(found.difference_interval))]);
                cells.extend(ratio(&found.risk_ratio));
                cells.extend(ratio(&found.odds_ratio));
            }
            (Some(Known::NotKnown(why)), _) | (None, Known::NotKnown(why)) => cells.push(why_not_known(*why).to_owned()),
        }
        contrasts.row(cells);
    }
    contrasts.note(if asked.clustered {
        "Limits and p by clusters; the difference's are put together from those of both shares."
    } else {
        "Each row taken as independent; the difference's limits are put together from those of both shares."
    });
    let mut tests = Section::new("The same share in all groups?", &["test", "χ²", "d.f.", "p"]);
    match &answer.test {
        None => {}
        Some(Known::Known(test)) => tests.row(chi_squared_cells("rows independent", &test.pearson)),
        Some(Known::NotKnown(why)) => tests.note(format!("No test: {}.", why_not_known(*why))),
    }
    match &answer.clustered_test {
        None => {}
        Some(Known::Known(test)) => tests.row(chi_squared_cells("by clusters", test)),
        Some(Known::NotKnown(why)) => tests.note(format!("By clusters: {}.", why_not_known(*why))),
    }
    if let Some(several) = answer.clusters_in_several_groups.filter(|several| *several > 0) {
        tests.note(format!(
            "{} clusters lie in several groups, which this test takes as independent; the pairs above do not.",
            count(several)
        ));
    }
    sections.extend([contrasts, tests]);
    sections
}
