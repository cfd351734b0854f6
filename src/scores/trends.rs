//! Answers about a share that rises or falls over ordered groups.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{chi_squared_cells, interval, known_probability, number, probability};
use super::data::ScoreData;
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::Known;
use crate::stats::{
    ClusteredCodes, ClusteredTrend, PermutationProbabilities, ScoredShare, ShareTrend, clustered_trend,
    equally_spaced_scores, exact_share_trend, share_trend,
};
use crate::wording::count;

/// The trend of the share of the scores named.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendAnswer {
    /// Each group's share and number.
    pub groups: Vec<ScoredShare>,
    /// Cochran–Armitage, each row taken as independent.
    pub trend: Known<ShareTrend>,
    /// Its exact probabilities.
    pub exact: Known<PermutationProbabilities>,
    /// With those of a cluster sharing their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredTrend>>,
}

/// The trend of the share of the scores named.
///
/// # Errors
/// When there are not as many numbers as groups.
pub fn trend_answer(asked: &mut ScoresAsked, data: &ScoreData) -> Result<TrendAnswer, String> {
    if asked.group_scores.is_empty() {
        asked.group_scores = equally_spaced_scores(data.grouping.levels());
    }
    if asked.group_scores.len() != data.groups.len() {
        return Err(format!(
            "There are {} groups and {} numbers for them.\nMend: give --group-scores one number for each group, in their order: {}.",
            data.groups.len(),
            asked.group_scores.len(),
            data.groups.join(", ")
        ));
    }
    let features = data.features();
    let codes = ClusteredCodes::new(&data.grouping, &features, &data.clusters).map_err(|error| error.to_string())?;
    let table = codes.table();
    let of =
        |(row, &score): (usize, &f64)| ScoredShare { part: table.at(row, 1), whole: table.row(row).iter().sum(), score };
    let groups: Vec<ScoredShare> = asked.group_scores.iter().enumerate().map(of).collect();
    Ok(TrendAnswer {
        trend: share_trend(&groups),
        exact: exact_share_trend(&groups),
        clustered: asked.clustered.then(|| clustered_trend(&codes, &asked.group_scores, 1, asked.level)),
        groups,
    })
}

/// The trend as readable tables.
pub fn trend_sections(asked: &ScoresAsked, answer: &TrendAnswer, labels: &[String]) -> Vec<Section> {
    let mut groups = Section::new(
        format!("Share of {} over the groups", asked.share_of.join(", ")),
        &["group", "number", "part", "of", "share"],
    );
    for (one, label) in answer.groups.iter().zip(labels) {
        let share = if one.whole > 0 { digits(one.part as f64 / one.whole as f64, 4) } else { String::new() };
        groups.row(vec![label.clone(), digits(one.score, 6), count(one.part), count(one.whole), share]);
    }
    let mut tests = Section::new("Does it rise or fall with the number?", &["test", "statistic", "d.f.", "p"]);
    match &answer.trend {
        Known::NotKnown(why) => tests.note(format!("No test: {}.", why_not_known(*why))),
        Known::Known(found) => {
            tests.row(chi_squared_cells("Cochran–Armitage", &found.test));
            tests.row(chi_squared_cells("the same, variance of permutations", &found.permutation_variance_test));
            tests.note(format!("The share changes by {} for one more; z {}.", digits(found.slope, 4), digits(found.z, 5)));
        }
    }
    let exact = match &answer.exact {
        Known::Known(exact) => probability(&exact.as_far_from_mean),
        Known::NotKnown(why) => why_not_known(*why).to_owned(),
    };
    tests.row(vec!["exact, given the totals".to_owned(), String::new(), String::new(), exact]);
    match &answer.clustered {
        None => {}
        Some(Known::NotKnown(why)) => tests.note(format!("By clusters: {}.", why_not_known(*why))),
        Some(Known::Known(found)) => {
            match &found.score_test {
                Known::Known(test) => tests.row(chi_squared_cells("by clusters, score test", test)),
                Known::NotKnown(why) => tests.note(format!("By clusters, no score test: {}.", why_not_known(*why))),
            }
            tests.row(vec![
                "by clusters, Student's t".to_owned(),
                String::new(),
                found.degrees_of_freedom.map_or_else(String::new, |freedom| freedom.to_string()),
                known_probability(&found.probability),
            ]);
            tests.note(format!(
                "By clusters the change has standard error {}, {} {}. The other tests take rows as independent.",
                number(&found.standard_error),
                interval_head(asked.level),
                interval(&found.interval)
            ));
        }
    }
    vec![groups, tests]
}
