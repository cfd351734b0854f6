//! Answers about which group has the higher scores.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{adjusted, adjustment_name, chi_squared_cells, known_probability, pairs, probability, share_interval};
use super::data::ScoreData;
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::Known;
use crate::stats::distribution::TailProbability;
use crate::stats::{
    ChiSquaredTest, ClusteredCodes, ClusteredRankSum, PermutationProbabilities, RankSumTest, Superiority,
    clustered_rank_sum, exact_rank_sum_test_of_counts, kruskal_wallis_test_of_table, rank_sum_test_of_counts,
    superiority_of_counts,
};

/// The scores of two groups compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RankPair {
    /// The group.
    pub group: String,
    /// Against which one.
    pub against: String,
    /// Rank sum test by the normal distribution, each row taken as independent.
    pub rank_sum: Known<RankSumTest>,
    /// Its exact probabilities.
    pub exact: Known<PermutationProbabilities>,
    /// How often one of the group is higher than one of the other, each row taken as independent.
    pub superiority: Known<Superiority>,
    /// The same with those of a cluster sharing their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredRankSum>>,
    /// The probability adjusted for the number of pairs: that by clusters where they are named, else the exact one, else by the
    /// normal distribution.
    pub adjusted: Known<TailProbability>,
}

/// Which group has the higher scores.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RanksAnswer {
    /// All groups at once (Kruskal–Wallis), each row taken as independent.
    pub all_at_once: Known<ChiSquaredTest>,
    /// Every pair of groups.
    pub pairs: Vec<RankPair>,
}

impl RankPair {
    /// The probability that is adjusted.
    fn first_choice(&self) -> Known<TailProbability> {
        match (&self.clustered, &self.exact) {
            (Some(Known::Known(clustered)), _) => clustered.probability,
            (Some(Known::NotKnown(why)), _) => Known::NotKnown(*why),
            (None, Known::Known(exact)) => Known::Known(exact.as_far_from_mean),
            (None, Known::NotKnown(_)) => self.rank_sum.map(|test| test.probability),
        }
    }
}

/// Which group has the higher scores.
///
/// # Errors
/// When codes don't fit the groups.
pub fn ranks_answer(asked: &ScoresAsked, data: &ScoreData) -> Result<RanksAnswer, String> {
    let codes = ClusteredCodes::new(&data.grouping, &data.scores, &data.clusters).map_err(|error| error.to_string())?;
    let table = codes.table();
    let pair = |rows: [u16; 2]| {
        let [first, second] = rows.map(usize::from);
        let (one, other) = (table.row(first), table.row(second));
        RankPair {
            group: data.groups[first].clone(),
            against: data.groups[second].clone(),
            rank_sum: rank_sum_test_of_counts(one, other),
            exact: exact_rank_sum_test_of_counts(one, other),
            superiority: superiority_of_counts(one, other, asked.level),
            clustered: asked.clustered.then(|| clustered_rank_sum(&codes, rows, asked.level)),
            adjusted: Known::NotKnown(crate::quantity::WhyNotKnown::NoObservations),
        }
    };
    let mut found: Vec<RankPair> = pairs(data.groups.len()).map(pair).collect();
    let choices: Vec<Known<TailProbability>> = found.iter().map(RankPair::first_choice).collect();
    for (pair, adjusted) in found.iter_mut().zip(adjusted(&choices, asked.adjustment)) {
        pair.adjusted = adjusted;
    }
    Ok(RanksAnswer { all_at_once: kruskal_wallis_test_of_table(&table), pairs: found })
}

/// Ranks as readable tables.
pub fn rank_sections(asked: &ScoresAsked, answer: &RanksAnswer) -> Vec<Section> {
    let mut sections = Vec::new();
    if answer.pairs.len() > 1 {
        let mut all = Section::new("Do the groups differ in their ranks?", &["test", "statistic", "d.f.", "p"]);
        match &answer.all_at_once {
            Known::Known(test) => all.row(chi_squared_cells("all groups at once (Kruskal–Wallis)", test)),
            Known::NotKnown(why) => all.note(format!("No test: {}.", why_not_known(*why))),
        }
        if asked.clustered {
            all.note("This test takes rows as independent, though clusters are named; the pairs below do not.");
        }
        sections.push(all);
    }
    let head = interval_head(asked.level);
    let mut section = Section::new(
        "How often is one of the first group higher, ties by half?",
        &["groups", "superiority", &head, "z", "p, normal", "p, exact", "p, unequal spread"],
    );
    for pair in &answer.pairs {
        let mut cells = vec![format!("{} against {}", pair.group, pair.against)];
        match (&pair.superiority, &pair.rank_sum) {
            (Known::NotKnown(why), _) => cells.push(why_not_known(*why).to_owned()),
            (Known::Known(found), test) => {
                cells.extend([digits(found.value.value(), 4), share_interval(&found.interval)]);
                match test {
                    Known::Known(test) => cells.extend([digits(test.z, 5), probability(&test.probability)]),
                    Known::NotKnown(why) => cells.extend([String::new(), why_not_known(*why).to_owned()]),
                }
                cells.push(known_probability(&pair.exact.map(|exact| exact.as_far_from_mean)));
                cells.push(known_probability(&found.probability));
            }
        }
        section.row(cells);
    }
    section.note("0.5 is neither the higher. Each row taken as independent. z and the first two p: rank sum test, ties taken into account.");
    sections.push(section);
    if asked.clustered {
        let mut section =
            Section::new("The same by clusters", &["groups", "superiority", &head, "t", "d.f.", "p", "clusters"]);
        for pair in &answer.pairs {
            let mut cells = vec![format!("{} against {}", pair.group, pair.against)];
            match &pair.clustered {
                Some(Known::Known(found)) => cells.extend([
                    digits(found.superiority.value(), 4),
                    share_interval(&found.interval),
                    super::cells::number(&found.t),
                    found.degrees_of_freedom.map_or_else(String::new, |freedom| freedom.to_string()),
                    known_probability(&found.probability),
                    found.behind.clusters.to_string(),
                ]),
                Some(Known::NotKnown(why)) => cells.push(why_not_known(*why).to_owned()),
                None => {}
            }
            section.row(cells);
        }
        sections.push(section);
    }
    if answer.pairs.len() > 1 {
        let mut section = Section::new("p adjusted for the number of pairs", &["groups", "p"]);
        for pair in &answer.pairs {
            section.row(vec![format!("{} against {}", pair.group, pair.against), known_probability(&pair.adjusted)]);
        }
        section.note(format!("{}, for {} pairs.", adjustment_name(asked.adjustment), answer.pairs.len()));
        sections.push(section);
    }
    sections
}
