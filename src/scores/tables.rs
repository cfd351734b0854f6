//! Answers about the table of groups by scores: counts, chi-squared tests, exact and sampled exact tests, tests by clusters.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::ScoresAsked;
use super::cells::{chi_squared_cells, known, limits, probability};
use super::data::ScoreData;
use crate::estimate::section::{Section, digits, why_not_known};
use crate::quantity::{Known, WhyNotKnown};
use crate::stats::distribution::TailProbability;
use crate::stats::{
    ClusteredCodes, ClusteredIndependenceTest, ContingencyTable, ExactWork, FisherExactTest, IndependenceTest,
    SampledProbability, TableSampling, clustered_independence_test, fisher_exact_test, fisher_freeman_halton_test,
    independence_test, sampled_exact_test,
};
use crate::wording::count;

/// Groups by scores.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TableAnswer {
    /// Rows are groups, columns are scores in their order.
    pub counts: Vec<Vec<u64>>,
    /// Chi-squared tests, each row taken as independent.
    pub independence: Known<IndependenceTest>,
    /// The exact probability, given the totals.
    pub exact: Known<TailProbability>,
    /// The exact test of two groups by two scores, with its odds ratio.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub two_by_two: Option<Known<FisherExactTest>>,
    /// The exact probability from random tables, where the exact calculation would be too much work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sampled: Option<Known<SampledProbability>>,
    /// Tests that let those of a cluster share their fate, where clusters are named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clustered: Option<Known<ClusteredIndependenceTest>>,
}

/// The table of groups by scores.
///
/// # Errors
/// When codes don't fit the groups.
pub fn table_answer(asked: &ScoresAsked, data: &ScoreData) -> Result<TableAnswer, String> {
    let codes = ClusteredCodes::new(&data.grouping, &data.scores, &data.clusters).map_err(|error| error.to_string())?;
    let table = codes.table();
    Ok(TableAnswer {
        counts: (0..table.rows()).map(|row| table.row(row).to_vec()).collect(),
        clustered: asked.clustered.then(|| clustered_independence_test(&codes)),
        ..tests_of(&table, asked)
    })
}

fn tests_of(table: &ContingencyTable, asked: &ScoresAsked) -> TableAnswer {
    let exact = fisher_freeman_halton_test(table, ExactWork::steps(asked.exact_steps));
    let occurring = table.without_empty();
    let two_by_two = (occurring.rows() == 2 && occurring.columns() == 2).then(|| {
        let at = |row, column| occurring.at(row, column);
        fisher_exact_test([[at(0, 0), at(0, 1)], [at(1, 0), at(1, 1)]], asked.level)
    });
    let sampling =
        TableSampling { tables: asked.sampled_tables, seed: asked.seed, level: asked.level, ..TableSampling::default() };
    TableAnswer {
        counts: Vec::new(),
        independence: independence_test(table),
        sampled: matches!(exact, Known::NotKnown(WhyNotKnown::BeyondExactWork)).then(|| sampled_exact_test(table, sampling)),
        exact,
        two_by_two,
        clustered: None,
    }
}

/// The table as readable tables.
pub fn table_sections(answer: &TableAnswer, groups: &[String], levels: &[String], one_group: bool) -> Vec<Section> {
    let mut header = vec!["group"];
    header.extend(levels.iter().map(String::as_str));
    header.push("all");
    let mut counts = Section::new("Scores", &header);
    for (group, row) in groups.iter().zip(&answer.counts) {
        let total: u64 = row.iter().sum();
        let cells = row.iter().map(|one| count(*one)).chain([count(total)]);
        counts.row(std::iter::once(group.clone()).chain(cells).collect());
    }
    if one_group {
        return vec![counts];
    }
    let mut tests = Section::new("Does the score depend on the group?", &["test", "statistic", "d.f.", "p"]);
    match &answer.independence {
        Known::NotKnown(why) => tests.note(format!("No test: {}.", why_not_known(*why))),
        Known::Known(found) => {
            tests.row(chi_squared_cells("chi-squared", &found.pearson));
            if let Some(corrected) = &found.continuity_corrected {
                tests.row(chi_squared_cells("chi-squared, continuity correction", corrected));
            }
            tests.row(chi_squared_cells("likelihood ratio", &found.likelihood_ratio));
            tests.note(format!("Cramér's V {}.", digits(found.cramer_v, 4)));
            if found.expected_below_five > 0 {
                tests.note(format!(
                    "In {} of the cells fewer than 5 are expected, the least {}: rely on the exact test.",
                    found.expected_below_five,
                    digits(found.smallest_expected, 3)
                ));
            }
        }
    }
    let bare = |name: &str, p: String| vec![name.to_owned(), String::new(), String::new(), p];
    if answer.independence.known().is_some() {
        tests.row(bare("exact, given the totals", known(&answer.exact, probability)));
    }
    if let Some(Known::Known(found)) = &answer.sampled {
        tests.row(bare("exact, from random tables", format!("{:.4}", found.p_value)));
        tests.note(format!(
            "From {} random tables: the exact p lies between {}.",
            count(u64::from(found.tables)),
            limits(found.interval.lower.value(), found.interval.upper.value()).replace(" to ", " and ")
        ));
    }
    if let Some(Known::Known(found)) = &answer.two_by_two {
        tests.row(bare("exact, mid-p", probability(&found.two_sided.mid_p)));
        let shown = |value: &Known<f64>| known(value, |value| digits(*value, 4));
        tests.note(format!(
            "Odds ratio given the totals {}, exact limits {} to {}.",
            shown(&found.conditional_odds_ratio),
            shown(&found.exact_limits.lower),
            shown(&found.exact_limits.upper)
        ));
    }
    match &answer.clustered {
        None => {}
        Some(Known::NotKnown(why)) => tests.note(format!("By clusters: {}.", why_not_known(*why))),
        Some(Known::Known(found)) => {
            tests.row(chi_squared_cells("by clusters, first order", &found.first_order));
            for (name, test) in [("by clusters, second order", &found.second_order), ("by clusters, F", &found.f)] {
                let below = test.denominator_degrees_of_freedom.map_or_else(String::new, |f| format!(", {}", digits(f, 4)));
                tests.row(vec![
                    name.to_owned(),
                    digits(test.statistic, 6),
                    format!("{}{below}", digits(test.degrees_of_freedom, 4)),
                    probability(&test.probability),
                ]);
            }
            tests.note(format!(
                "By clusters (Rao–Scott): {} clusters, mean design effect {}. The other tests take rows as independent.",
                count(found.clusters),
                digits(found.mean_design_effect, 4)
            ));
        }
    }
    vec![counts, tests]
}
