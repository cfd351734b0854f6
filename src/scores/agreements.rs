//! Answers about how far examiners agree: every pair of them, and all at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{interval, known_probability, limits, number, pairs, probability, share_interval};
use super::data::ScoreData;
use super::paired::{Crossed, crossed};
use crate::estimate::columns::{MISSING, Trouble};
use crate::estimate::section::{Section, digits, interval_head, why_not_known};
use crate::quantity::Known;
use crate::stats::{
    Agreement, AgreementWeights, ClusteredCodes, ClusteredKappa, Disagreement, FleissKappa, Grouping, Kappa,
    KrippendorffAlpha, NO_SCORE, Ratings, Resampling, agreement, clustered_kappa, fleiss_kappa, kappa, krippendorff_alpha,
};
use crate::wording::count;

/// How two examiners agree.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ExaminerPair {
    /// The one.
    pub first: String,
    /// The other.
    pub second: String,
    /// Rows are scores by the first, columns by the second.
    pub counts: Vec<Vec<u64>>,
    /// Share alike, of all and by score.
    pub agreement: Known<Agreement>,
    /// Kappa: plain, linear, quadratic.
    pub kappa: Vec<Known<Kappa>>,
    /// Kappa with subjects of a cluster sharing their fate, where clusters of subjects are named: plain, linear, quadratic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Vec<Known<ClusteredKappa>>>,
}

/// How examiners agree.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AgreementAnswer {
    /// Subjects.
    pub subjects: u64,
    /// Every pair of examiners.
    pub pairs: Vec<ExaminerPair>,
    /// Fleiss' kappa of all examiners.
    pub fleiss_kappa: Known<FleissKappa>,
    /// Krippendorff's alpha of all examiners: any two scores alike, ordered scores, and scores as far apart as their numbers or places.
    pub krippendorff_alpha: Vec<Known<KrippendorffAlpha>>,
}

const WEIGHTS: [AgreementWeights; 3] = [AgreementWeights::Unweighted, AgreementWeights::Linear, AgreementWeights::Quadratic];

/// How examiners agree.
///
/// # Errors
/// When one examiner scored a subject twice, a subject lies in two clusters, or there are fewer than two examiners.
pub fn agreement_answer(asked: &ScoresAsked, data: &ScoreData) -> Result<AgreementAnswer, Trouble> {
    let crossed = crossed(asked, data)?;
    let labels = data.examiners.as_ref().map_or(&[][..], |examiners| &examiners.labels);
    let mut found = Vec::new();
    for places in pairs(labels.len()) {
        found.push(examiner_pair(asked, data, &crossed, labels, places).map_err(Trouble::Command)?);
    }
    let code = |score: u32| u16::try_from(score).unwrap_or(NO_SCORE);
    let by_examiner: Vec<Vec<u16>> =
        (0..labels.len()).map(|examiner| crossed.scores.iter().map(|scores| code(scores[examiner])).collect()).collect();
    let ratings = Ratings::new(&by_examiner, data.scores.levels()).map_err(|error| Trouble::Command(error.to_string()))?;
    let resampling =
        Resampling { replicates: asked.resamples, seed: asked.seed, level: asked.level, ..Resampling::default() };
    let apart = if data.numeric { Disagreement::IntervalOf(data.values.clone()) } else { Disagreement::Interval };
    let of_subjects = crossed.clustered.then_some(crossed.clusters.as_slice());
    Ok(AgreementAnswer {
        subjects: crossed.scores.len() as u64,
        pairs: found,
        fleiss_kappa: fleiss_kappa(&ratings, asked.level),
        krippendorff_alpha: [Disagreement::Nominal, Disagreement::Ordinal, apart]
            .iter()
            .map(|apart| krippendorff_alpha(&ratings, apart, of_subjects, resampling))
            .collect(),
    })
}

fn examiner_pair(
    asked: &ScoresAsked,
    data: &ScoreData,
    crossed: &Crossed,
    labels: &[String],
    places: [u16; 2],
) -> Result<ExaminerPair, String> {
    let [first, second] = places.map(usize::from);
    let mut codes = [Vec::new(), Vec::new()];
    let mut of = Vec::new();
    for (scores, &cluster) in crossed.scores.iter().zip(&crossed.clusters) {
        if scores[first] != MISSING && scores[second] != MISSING {
            codes[0].push(u16::try_from(scores[first]).unwrap_or(NO_SCORE));
            codes[1].push(u16::try_from(scores[second]).unwrap_or(NO_SCORE));
            of.push(cluster);
        }
    }
    let levels = data.scores.levels();
    let [one, other] = codes.map(|codes| Grouping::new(codes, levels));
    let (one, other) = (one.map_err(|error| error.to_string())?, other.map_err(|error| error.to_string())?);
    let both = ClusteredCodes::new(&one, &other, &of).map_err(|error| error.to_string())?;
    let table = both.table();
    Ok(ExaminerPair {
        first: labels[first].clone(),
        second: labels[second].clone(),
        counts: (0..table.rows()).map(|row| table.row(row).to_vec()).collect(),
        agreement: agreement(&table, asked.level),
        kappa: WEIGHTS.iter().map(|&weights| kappa(&table, weights, asked.level)).collect(),
        clustered: crossed
            .clustered
            .then(|| WEIGHTS.iter().map(|&weights| clustered_kappa(&both, weights, asked.level)).collect()),
    })
}

const fn weights_name(weights: AgreementWeights) -> &'static str {
    match weights {
        AgreementWeights::Unweighted => "plain",
        AgreementWeights::Linear => "linear",
        AgreementWeights::Quadratic => "quadratic",
    }
}

/// Agreement as readable tables.
pub fn agreement_sections(asked: &ScoresAsked, answer: &AgreementAnswer, levels: &[String]) -> Vec<Section> {
    let head = interval_head(asked.level);
    let mut sections = Vec::new();
    for pair in &answer.pairs {
        sections.extend(pair_sections(pair, levels, &head));
    }
    let mut all = Section::new("All examiners", &["measure", "value", &head, "p"]);
    let fleiss = |cells: [String; 3]| std::iter::once("Fleiss' kappa".to_owned()).chain(cells).collect();
    all.row(match &answer.fleiss_kappa {
        Known::Known(found) => fleiss([digits(found.value, 4), interval(&found.interval), probability(&found.probability)]),
        Known::NotKnown(why) => fleiss([why_not_known(*why).to_owned(), String::new(), String::new()]),
    });
    if let Known::Known(found) = &answer.fleiss_kappa
        && found.left_out > 0
    {
        all.note(format!(
            "Fleiss' kappa: {} subjects with as many scores as most, {} others left out.",
            count(found.things),
            count(found.left_out)
        ));
    }
    for (name, found) in ["any two alike", "ordered", "by distance"].iter().zip(&answer.krippendorff_alpha) {
        let name = format!("Krippendorff's alpha, {name}");
        all.row(match found {
            Known::NotKnown(why) => vec![name, why_not_known(*why).to_owned()],
            Known::Known(found) => {
                let shown = match (&found.interval.lower, &found.interval.upper) {
                    (Known::Known(lower), Known::Known(upper)) => limits(*lower, *upper),
                    (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => why_not_known(*why).to_owned(),
                };
                vec![name, digits(found.value, 4), shown]
            }
        });
    }
    if let Some(Known::Known(found)) = answer.krippendorff_alpha.first() {
        all.note(format!(
            "Limits of alpha from {} resamples of {} {}.",
            count(u64::from(found.replicates)),
            count(found.behind.clusters),
            if asked.clustered && asked.roles.cluster.is_some() { "clusters" } else { "subjects" }
        ));
    }
    sections.push(all);
    sections
}

fn pair_sections(pair: &ExaminerPair, levels: &[String], head: &str) -> Vec<Section> {
    let title = format!("{} (rows) and {} (columns)", pair.first, pair.second);
    let mut header = vec!["score"];
    header.extend(levels.iter().map(String::as_str));
    header.extend(["alike, of those with it", head]);
    let mut table = Section::new(title, &header);
    for (place, (label, row)) in levels.iter().zip(&pair.counts).enumerate() {
        let mut cells = vec![label.clone()];
        cells.extend(row.iter().map(|one| count(*one)));
        if let Some(found) = pair.agreement.known().and_then(|found| found.by_category.get(place)) {
            cells.extend([number(&found.share.map(|share| share.value())), share_interval(&found.interval)]);
        }
        table.row(cells);
    }
    match &pair.agreement {
        Known::NotKnown(why) => table.note(format!("No agreement: {}.", why_not_known(*why))),
        Known::Known(found) => {
            table.note(format!(
                "Alike: {} of {}, {} % ({head} {}).",
                count(found.alike),
                count(found.scored),
                digits(found.share.value() * 100.0, 4),
                limits(found.interval.lower.value() * 100.0, found.interval.upper.value() * 100.0)
            ));
            if levels.len() == 2 {
                table.note("With two scores, the shares of those with it are the negative and the positive agreement.");
            }
        }
    }
    let mut kappas = Section::new("Kappa", &["weights", "kappa", "s.e.", head, "p of none"]);
    for (&weights, found) in WEIGHTS.iter().zip(&pair.kappa) {
        let name = weights_name(weights).to_owned();
        kappas.row(match found {
            Known::NotKnown(why) => vec![name, why_not_known(*why).to_owned()],
            Known::Known(found) => vec![
                name,
                digits(found.value, 4),
                number(&found.standard_error),
                interval(&found.interval),
                known_probability(&found.probability),
            ],
        });
    }
    for (&weights, found) in WEIGHTS.iter().zip(pair.clustered.iter().flatten()) {
        let name = format!("{}, by clusters", weights_name(weights));
        kappas.row(match found {
            Known::NotKnown(why) => vec![name, why_not_known(*why).to_owned()],
            Known::Known(found) => {
                vec![name, digits(found.value, 4), number(&found.standard_error), interval(&found.interval)]
            }
        });
    }
    if levels.len() > 2 {
        kappas.note("Linear and quadratic weights count scores by their places in order: a pair further apart agrees less.");
    }
    vec![table, kappas]
}
