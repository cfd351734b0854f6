//! Answers about differences between groups: tests, trend, their maximum, pairs.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::data::Data;
use super::section::{Section, digits, p_value, why_not_known};
use crate::quantity::{Known, Variance};
use crate::stats::{
    CombinedLogRankTest, Compared, Exponent, PairwiseTests, TrendTest, WeightedLogRankTest, Weighting, Weightings,
    WildBootstrapTest, combined_log_rank, equally_spaced_scores, log_rank_trend, pairwise_log_rank, weighted_log_rank,
    wild_bootstrap_log_rank,
};

/// Where more clusters than this carry information, the test by their signs is drawn only if asked for: it is meant for few, agrees with
/// the formula where they are many, and takes a draw for each of them each time.
pub const MANY_CLUSTERS: u64 = 10_000;

/// Tests of all groups at once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tests {
    /// Each weighting's test.
    pub by_weighting: Vec<Known<WeightedLogRankTest>>,
    /// Each weighting's test for trend over the groups in their order.
    pub trend: Vec<Known<TrendTest>>,
    /// The largest of up to four weightings' statistics.
    pub combined: Known<CombinedLogRankTest>,
    /// The first weighting's test by signs of clusters, where clusters may share their fate and are at most 10 000 or it was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_signs: Option<Known<WildBootstrapTest>>,
}

/// A weighting by its name; none if there is no such.
pub fn weighting(name: &str) -> Option<Weighting> {
    Some(match name {
        "log-rank" => Weighting::LogRank,
        "gehan" => Weighting::Gehan,
        "tarone-ware" => Weighting::TaroneWare,
        "peto-peto" => Weighting::PetoPeto,
        "modified-peto-peto" => Weighting::ModifiedPetoPeto,
        _ => {
            let (rho, gamma) = name.strip_prefix("fleming-harrington:")?.split_once(':')?;
            let exponent = |text: &str| text.parse().ok().and_then(Exponent::new);
            Weighting::FlemingHarrington { rho: exponent(rho)?, gamma: exponent(gamma)? }
        }
    })
}

/// A weighting in words.
pub fn weighting_name(weighting: Weighting) -> String {
    match weighting {
        Weighting::LogRank => "log-rank".to_owned(),
        Weighting::Gehan => "Gehan".to_owned(),
        Weighting::TaroneWare => "Tarone–Ware".to_owned(),
        Weighting::PetoPeto => "Peto–Peto".to_owned(),
        Weighting::ModifiedPetoPeto => "Peto–Peto, modified".to_owned(),
        Weighting::FlemingHarrington { rho, gamma } => {
            format!("Fleming–Harrington ({}, {})", digits(rho.value(), 4), digits(gamma.value(), 4))
        }
    }
}

fn compared(data: &Data) -> Compared<'_> {
    let compared = Compared::new(&data.observations, &data.grouping);
    match &data.strata {
        Some((_, strata)) => compared.within(strata),
        None => compared,
    }
}

fn scores(asked: &Asked, data: &Data) -> Vec<f64> {
    if asked.scores.is_empty() { equally_spaced_scores(data.grouping.levels()) } else { asked.scores.clone() }
}

/// All tests of the groups at once.
///
/// # Errors
/// When there are no groups, or not as many scores as groups.
pub fn tests(asked: &Asked, data: &Data) -> Result<Tests, String> {
    two_groups(data)?;
    let scores = scores(asked, data);
    if scores.len() != data.groups.labels.len() {
        return Err(format!(
            "There are {} groups and {} scores.\nMend: give one score for each group, in their order: {}.",
            data.groups.labels.len(),
            scores.len(),
            data.groups.labels.join(", ")
        ));
    }
    let compared = compared(data);
    let mut four: Vec<Weighting> = asked.weightings.iter().copied().take(4).collect();
    if four.len() < 2 {
        let (zero, one) = (Exponent::ZERO, Exponent::ONE);
        four = vec![Weighting::LogRank];
        for (rho, gamma) in [(one, zero), (zero, one), (one, one)] {
            four.push(Weighting::FlemingHarrington { rho, gamma });
        }
    }
    let combined = match Weightings::new(four) {
        Some(four) => combined_log_rank(&compared, &four, &scores, asked.variance),
        None => return Err("One to four weightings can be combined.".to_owned()),
    };
    let first = asked.weightings.first().copied().unwrap_or_default();
    let by_weighting: Vec<_> =
        asked.weightings.iter().map(|one| weighted_log_rank(&compared, *one, asked.variance)).collect();
    let draw_signs = asked.variance == Variance::ClusterRobust
        && (asked.draw_signs || informative_clusters(&by_weighting).is_none_or(|clusters| clusters <= MANY_CLUSTERS));
    Ok(Tests {
        by_weighting,
        trend: asked.weightings.iter().map(|one| log_rank_trend(&compared, *one, &scores, asked.variance)).collect(),
        combined,
        by_signs: draw_signs.then(|| wild_bootstrap_log_rank(&compared, first, asked.resamples, asked.seed)),
    })
}

/// How many clusters carry information about the difference, by the first weighting's test.
fn informative_clusters(tests: &[Known<WeightedLogRankTest>]) -> Option<u64> {
    match tests.first()? {
        Known::Known(WeightedLogRankTest { finite_clusters: Some(Known::Known(finite)), .. }) => {
            Some(finite.informative_clusters)
        }
        _ => None,
    }
}

/// Tests of every pair of groups.
///
/// # Errors
/// When there are no groups.
pub fn pairs(asked: &Asked, data: &Data) -> Result<PairwiseTests, String> {
    two_groups(data)?;
    let first = asked.weightings.first().copied().unwrap_or_default();
    Ok(pairwise_log_rank(&compared(data), first, asked.variance, asked.adjustment))
}

/// That there is something to compare.
///
/// # Errors
/// When there are fewer than two groups.
pub fn two_groups(data: &Data) -> Result<(), String> {
    if data.groups.labels.len() < 2 {
        return Err("A comparison needs at least two groups.\nMend: name their column with --group.".to_owned());
    }
    Ok(())
}

/// The tests as readable tables.
pub fn test_sections(asked: &Asked, tests: &Tests, groups: &[String]) -> Vec<Section> {
    let mut observed = Section::new(
        "Failures observed, and expected if all groups failed at the same pace",
        &["group", "observed", "expected"],
    );
    if let Some(Known::Known(test)) = tests.by_weighting.first() {
        for (label, group) in groups.iter().zip(&test.groups) {
            observed.row(vec![label.clone(), digits(group.observed, 7), digits(group.expected, 7)]);
        }
    }
    let finite = |test: &Known<WeightedLogRankTest>| {
        test.known().is_some_and(|test| matches!(test.finite_clusters, Some(Known::Known(_))))
    };
    let columns = ["weighting", "χ²", "df", "p", "p, few clusters"];
    let shown = if tests.by_weighting.iter().any(finite) { 5 } else { 4 };
    let mut section = Section::new("Tests of the groups", &columns[..shown]);
    let mut few = None;
    for (one, test) in asked.weightings.iter().zip(&tests.by_weighting) {
        let mut cells = vec![weighting_name(*one)];
        match test {
            Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            Known::Known(test) => {
                let p = p_value(test.p_value, test.ln_p_value);
                cells.extend([digits(test.chi_square, 6), test.degrees_of_freedom.to_string(), p]);
                if let Some(Known::Known(finite)) = &test.finite_clusters {
                    cells.push(p_value(finite.p_value, finite.ln_p_value));
                    few = few.or(finite.few.then_some(finite.informative_clusters));
                }
            }
        }
        section.row(cells);
    }
    if let Known::Known(combined) = &tests.combined {
        section.row(vec![
            if groups.len() > 2 {
                format!("largest trend of {}", combined.statistics.len())
            } else {
                format!("largest of {}", combined.statistics.len())
            },
            format!("|z| {}", digits(combined.largest, 5)),
            String::new(),
            p_value(combined.p_value, combined.ln_p_value),
        ]);
        let names: Vec<String> = combined.statistics.iter().map(|one| weighting_name(one.weighting)).collect();
        section.note(format!("Largest |z| of {}; its probability knows that they were all looked at.", names.join(", ")));
    }
    if let Some(Known::Known(signs)) = &tests.by_signs {
        section.row(vec![
            "signs of clusters".to_owned(),
            digits(signs.chi_square, 6),
            signs.degrees_of_freedom.to_string(),
            p_value(signs.p_value, libm::log(signs.p_value)),
        ]);
    }
    if let Some(clusters) = few {
        section.note(format!(
            "Only {clusters} clusters carry information about the difference: rely on the last column, or on signs of clusters."
        ));
    }
    if let (None, Variance::ClusterRobust, Some(clusters)) =
        (&tests.by_signs, asked.variance, informative_clusters(&tests.by_weighting))
    {
        section.note(format!(
            "{clusters} clusters carry information: many enough for the formula. The test by their signs is drawn with --draw-signs."
        ));
    }
    section.note(match asked.variance {
        Variance::ClusterRobust => "Variance by clusters.",
        Variance::ModelBased => "Variance as if all rows were independent.",
    });
    let scores = match tests.trend.first() {
        Some(Known::Known(test)) => test.scores.clone(),
        _ => (1..=groups.len()).map(|score| score as f64).collect(),
    };
    let order = groups.iter().zip(&scores).map(|(group, score)| format!("{group} {}", digits(*score, 6)));
    let mut trend = Section::new("Trend over the groups, if their order means anything", &["weighting", "z", "p"]);
    trend.note(format!("Scores: {}.", order.collect::<Vec<_>>().join(", ")));
    for (one, test) in asked.weightings.iter().zip(&tests.trend) {
        let mut cells = vec![weighting_name(*one)];
        match test {
            Known::NotKnown(why) => cells.push(why_not_known(*why).to_owned()),
            Known::Known(test) => cells.extend([digits(test.z, 6), p_value(test.p_value, test.ln_p_value)]),
        }
        trend.row(cells);
    }
    vec![observed, section, trend]
}

/// The pairs as a readable table.
pub fn pair_sections(pairs: &PairwiseTests, groups: &[String]) -> Vec<Section> {
    let mut section = Section::new("Every pair of groups", &["pair", "χ²", "p", "p, adjusted"]);
    let label = |level: u16| groups.get(usize::from(level)).map_or("", String::as_str);
    for pair in &pairs.pairs {
        let mut cells = vec![format!("{} – {}", label(pair.first), label(pair.second))];
        match (&pair.test, &pair.adjusted_p_value, &pair.adjusted_ln_p_value) {
            (Known::Known(test), Known::Known(adjusted), Known::Known(ln_adjusted)) => cells.extend([
                digits(test.chi_square, 6),
                p_value(test.p_value, test.ln_p_value),
                p_value(*adjusted, *ln_adjusted),
            ]),
            (Known::NotKnown(why), ..) => cells.push(why_not_known(*why).to_owned()),
            _ => {}
        }
        section.row(cells);
    }
    section.note(format!("Adjusted for {} comparisons.", pairs.compared));
    vec![section]
}

#[cfg(test)]
mod tests_of_names {
    use super::*;

    #[test]
    fn weightings_are_known_by_name() {
        assert_eq!(weighting("gehan"), Some(Weighting::Gehan));
        let found = weighting("fleming-harrington:0:1").map(weighting_name);
        assert_eq!(found.as_deref(), Some("Fleming–Harrington (0, 1)"));
        for name in ["fleming-harrington", "fleming-harrington:-1:0", "fleming-harrington:1", "wilcoxon"] {
            assert_eq!(weighting(name), None, "{name}");
        }
    }
}
