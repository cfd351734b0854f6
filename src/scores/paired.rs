//! Answers about several scores of the same subjects: pairs of examiners or occasions, and all of them at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{
    adjusted, adjustment_name, chi_squared_cells, interval, known, known_probability, limits, pairs, probability,
};
use super::data::ScoreData;
use crate::estimate::columns::{MISSING, Trouble};
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::{Known, WhyNotKnown};
use crate::stats::distribution::TailProbability;
use crate::stats::{
    ChiSquaredTest, ClusteredCodes, ClusteredShareContrast, FriedmanTest, Grouping, PairedShares, SignedRankTest,
    ZeroDifferences, clustered_share_contrast, cochran_q_test, friedman_test, paired_shares, signed_rank_test,
};
use crate::wording::count;

/// Subjects by examiners: who gave which score.
#[derive(Clone, Debug)]
pub struct Crossed {
    /// For each subject and examiner the score; [`MISSING`] if there is none.
    pub scores: Vec<Vec<u32>>,
    /// The cluster of each subject.
    pub clusters: Vec<u32>,
    /// Whether clusters of subjects are named, and subjects of one may share their fate.
    pub clustered: bool,
}

/// Who gave which score to which subject.
///
/// # Errors
/// When one examiner scored a subject twice, a subject lies in two clusters, or there are fewer than two examiners.
pub fn crossed(asked: &ScoresAsked, data: &ScoreData) -> Result<Crossed, Trouble> {
    let (Some(subjects), Some(examiners)) = (&data.subjects, &data.examiners) else {
        return Err(Trouble::Command(
            "Scores are compared within subjects.\nMend: name the columns with --subject and --examiner.".to_owned(),
        ));
    };
    let column = |role: &Option<String>| role.clone().unwrap_or_default();
    if let [only] = examiners.labels.as_slice() {
        return Err(Trouble::Command(format!(
            "Column {} holds nobody but {only}, so there is nothing to compare.\nMend: name another column with --examiner.",
            column(&asked.roles.examiner)
        )));
    }
    let clustered = asked.clustered && asked.roles.cluster.is_some();
    let mut row_of = vec![vec![None; examiners.labels.len()]; subjects.labels.len()];
    let mut first_of = vec![None; subjects.labels.len()];
    for (row, (&subject, &examiner)) in subjects.codes.iter().zip(&examiners.codes).enumerate() {
        let label = &subjects.labels[subject as usize];
        if let Some(earlier) = row_of[subject as usize][examiner as usize].replace(row) {
            let score = |row: usize| &data.levels[usize::from(data.scores.codes()[row])];
            return Err(Trouble::Table(format!(
                "rows {} and {}, column {}: “{label}” has two scores by {}: “{}” and “{}”.\nMend: keep one of them, or name what tells them apart with --subject or --examiner.",
                data.numbers[earlier],
                data.numbers[row],
                column(&asked.roles.subject),
                examiners.labels[examiner as usize],
                score(earlier),
                score(row)
            )));
        }
        let first: usize = *first_of[subject as usize].get_or_insert(row);
        if clustered && data.clusters[first] != data.clusters[row] {
            return Err(Trouble::Table(format!(
                "rows {} and {}, column {}: “{label}” lies in “{}” and in “{}”.\nMend: correct the one that is wrong, or name a column with --cluster that is the same for all scores of a subject.",
                data.numbers[first],
                data.numbers[row],
                column(&asked.roles.cluster),
                data.cluster_labels[data.clusters[first] as usize],
                data.cluster_labels[data.clusters[row] as usize]
            )));
        }
    }
    let score = |row: &Option<usize>| row.map_or(MISSING, |row| u32::from(data.scores.codes()[row]));
    Ok(Crossed {
        scores: row_of.iter().map(|rows| rows.iter().map(score).collect()).collect(),
        clusters: first_of.iter().map(|row| row.map_or(MISSING, |row| data.clusters[row])).collect(),
        clustered,
    })
}

/// Two examiners or occasions compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScorePair {
    /// The one.
    pub first: String,
    /// The other.
    pub second: String,
    /// Subjects with a score of both.
    pub subjects: u64,
    /// The share of the scores named (McNemar), each subject taken as independent; none where no scores are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares: Option<Known<PairedShares>>,
    /// The difference of those shares with subjects of a cluster sharing their fate, where clusters of subjects are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredShareContrast>>,
    /// Signed ranks of the first score less the second.
    pub signed_rank: Known<SignedRankTest>,
    /// The exact probability of the signed ranks, or that by the normal distribution, adjusted for the number of pairs.
    pub adjusted: Known<TailProbability>,
}

/// Scores of the same subjects compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairedAnswer {
    /// Subjects.
    pub subjects: u64,
    /// Those with a score of each examiner or occasion.
    pub complete: u64,
    /// Whether differences are of places in the order of scores, not of numbers.
    pub differences_of_places: bool,
    /// Every pair.
    pub pairs: Vec<ScorePair>,
    /// All at once, by ranks within the subject (Friedman), where there are more than two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub friedman: Option<Known<FriedmanTest>>,
    /// The share of the scores named, all at once (Cochran's Q), where there are more than two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cochran_q: Option<Known<ChiSquaredTest>>,
}

/// Scores of the same subjects compared.
///
/// # Errors
/// When one examiner scored a subject twice, a subject lies in two clusters, or there are fewer than two examiners.
pub fn paired_answer(asked: &ScoresAsked, data: &ScoreData) -> Result<PairedAnswer, Trouble> {
    let crossed = crossed(asked, data)?;
    let labels = data.examiners.as_ref().map_or(&[][..], |examiners| &examiners.labels);
    let any_named = !asked.share_of.is_empty();
    let mut found = Vec::new();
    for places in pairs(labels.len()) {
        found.push(score_pair(asked, data, &crossed, labels, places, any_named).map_err(Trouble::Command)?);
    }
    let choices: Vec<Known<TailProbability>> = found.iter().map(|pair: &ScorePair| first_choice(pair)).collect();
    for (pair, adjusted) in found.iter_mut().zip(adjusted(&choices, asked.adjustment)) {
        pair.adjusted = adjusted;
    }
    let complete: Vec<&Vec<u32>> = crossed.scores.iter().filter(|scores| !scores.contains(&MISSING)).collect();
    let values: Vec<Vec<f64>> =
        complete.iter().map(|scores| scores.iter().map(|&score| data.values[score as usize]).collect()).collect();
    let named: Vec<Vec<bool>> =
        complete.iter().map(|scores| scores.iter().map(|&score| data.named[score as usize]).collect()).collect();
    let several = labels.len() > 2;
    Ok(PairedAnswer {
        subjects: crossed.scores.len() as u64,
        complete: complete.len() as u64,
        differences_of_places: !data.numeric,
        pairs: found,
        friedman: several.then(|| friedman_test(&values)),
        cochran_q: (several && any_named).then(|| cochran_q_test(&named)),
    })
}

fn first_choice(pair: &ScorePair) -> Known<TailProbability> {
    pair.signed_rank.map(|test| test.exact.known().map_or(test.probability, |exact| exact.as_far_from_mean))
}

fn score_pair(
    asked: &ScoresAsked,
    data: &ScoreData,
    crossed: &Crossed,
    labels: &[String],
    places: [u16; 2],
    any_named: bool,
) -> Result<ScorePair, String> {
    let [first, second] = places.map(usize::from);
    let both: Vec<(usize, [usize; 2])> = crossed
        .scores
        .iter()
        .enumerate()
        .map(|(subject, scores)| (subject, [scores[first], scores[second]]))
        .filter(|(_, scores)| !scores.contains(&MISSING))
        .map(|(subject, scores)| (subject, scores.map(|score| score as usize)))
        .collect();
    let differences: Vec<f64> = both.iter().map(|(_, [one, other])| data.values[*one] - data.values[*other]).collect();
    let mut table = [[0; 2]; 2];
    for (_, scores) in &both {
        let [one, other] = scores.map(|score| usize::from(!data.named[score]));
        table[one][other] += 1;
    }
    let clustered = if any_named && crossed.clustered {
        let rows = Grouping::new(both.iter().flat_map(|_| [0, 1]).collect(), 2).map_err(|error| error.to_string())?;
        let named = both.iter().flat_map(|(_, scores)| scores.map(|score| u16::from(data.named[score])));
        let columns = Grouping::new(named.collect(), 2).map_err(|error| error.to_string())?;
        let of: Vec<u32> = both.iter().flat_map(|(subject, _)| [crossed.clusters[*subject]; 2]).collect();
        let codes = ClusteredCodes::new(&rows, &columns, &of).map_err(|error| error.to_string())?;
        Some(clustered_share_contrast(&codes, [0, 1], 1, asked.level))
    } else {
        None
    };
    Ok(ScorePair {
        first: labels[first].clone(),
        second: labels[second].clone(),
        subjects: both.len() as u64,
        shares: any_named.then(|| paired_shares(table, asked.level)),
        clustered,
        signed_rank: signed_rank_test(&differences, asked.zero_differences),
        adjusted: Known::NotKnown(WhyNotKnown::NoObservations),
    })
}

/// Paired scores as readable tables.
pub fn paired_sections(asked: &ScoresAsked, answer: &PairedAnswer) -> Vec<Section> {
    let head = interval_head(asked.level);
    let mut sections = Vec::new();
    let name = |pair: &ScorePair| format!("{} – {}", pair.first, pair.second);
    if answer.friedman.is_some() {
        let mut all = Section::new("All of them at once", &["test", "χ²", "d.f.", "p"]);
        match &answer.friedman {
            Some(Known::Known(found)) => {
                all.row(chi_squared_cells("ranks within the subject (Friedman)", &found.test));
                all.note(format!("Kendall's concordance {}.", digits(found.concordance, 4)));
            }
            Some(Known::NotKnown(why)) => all.note(format!("Friedman: {}.", why_not_known(*why))),
            None => {}
        }
        match &answer.cochran_q {
            Some(Known::Known(test)) => {
                all.row(chi_squared_cells(&format!("share of {} (Cochran's Q)", asked.share_of.join(", ")), test));
            }
            Some(Known::NotKnown(why)) => all.note(format!("Cochran's Q: {}.", why_not_known(*why))),
            None => {}
        }
        all.note(format!("{} of {} subjects have a score of each.", count(answer.complete), count(answer.subjects)));
        sections.push(all);
    }
    let mut shares = Section::new(
        format!("Share of {}, the first less the second", asked.share_of.join(", ")),
        &["pair", "subjects", "only the first", "only the second", "difference", &head, "χ²", "p, exact", "p, mid-p"],
    );
    let mut clustered = Section::new("The same by clusters of subjects", &["pair", "difference", &head, "p", "clusters"]);
    let mut ranks = Section::new(
        "Signed ranks, the first less the second",
        &["pair", "subjects", "differ", "ranks above 0", "expected", "z", "p, normal", "p, exact", "p, adjusted"],
    );
    for pair in &answer.pairs {
        match &pair.shares {
            None => {}
            Some(Known::NotKnown(why)) => shares.row(vec![name(pair), count(pair.subjects), why_not_known(*why).to_owned()]),
            Some(Known::Known(found)) => {
                let mut cells = vec![name(pair), count(pair.subjects)];
                let limits = limits(found.difference_interval.lower, found.difference_interval.upper);
                let tests = found.tests;
                match tests.known() {
                    Some(test) => {
                        cells.extend(test.discordant.map(count));
                        cells.extend([digits(found.difference, 4), limits, digits(test.chi_squared.statistic, 6)]);
                        cells.extend([probability(&test.exact), probability(&test.mid_p)]);
                    }
                    None => cells.extend([
                        "0".to_owned(),
                        "0".to_owned(),
                        digits(found.difference, 4),
                        limits,
                        known(&tests, |_| String::new()),
                    ]),
                }
                shares.row(cells);
            }
        }
        match &pair.clustered {
            None => {}
            Some(Known::NotKnown(why)) => clustered.row(vec![name(pair), why_not_known(*why).to_owned()]),
            Some(Known::Known(found)) => clustered.row(vec![
                name(pair),
                digits(found.difference, 4),
                interval(&found.plain),
                known_probability(&found.probability),
                count(found.behind.clusters),
            ]),
        }
        ranks.row(match &pair.signed_rank {
            Known::NotKnown(why) => vec![name(pair), count(pair.subjects), why_not_known(*why).to_owned()],
            Known::Known(test) => vec![
                name(pair),
                count(pair.subjects),
                count(test.pairs),
                digits(test.positive_ranks, 7),
                digits(test.expected, 7),
                digits(test.z, 5),
                probability(&test.probability),
                known_probability(&test.exact.map(|exact| exact.as_far_from_mean)),
                known_probability(&pair.adjusted),
            ],
        });
    }
    if !shares.rows.is_empty() {
        shares.note("Tests by McNemar; each subject taken as independent.");
        sections.push(shares);
    }
    if !clustered.rows.is_empty() {
        sections.push(clustered);
    }
    if answer.differences_of_places {
        ranks.note("Differences are of places in the order of scores: 1, 2, 3 and so on.");
    }
    let zeros = match asked.zero_differences {
        ZeroDifferences::Dropped => "dropped",
        ZeroDifferences::RankedThenDropped => "ranked with the others, and their ranks dropped",
    };
    ranks.note(format!(
        "Pairs without a difference are {zeros}. Adjusted by {} for {} pairs. Each subject taken as independent.",
        adjustment_name(asked.adjustment),
        answer.pairs.len()
    ));
    sections.push(ranks);
    sections
}
