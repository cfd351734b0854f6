//! The tables of a comparison as CSV: fractions, days and codes for machines.

use super::tables::{Table, Writer, number};
use crate::quantity::{Estimate, Known};
use crate::record::Coded;
use crate::result::{Comparison, Computed, TogetherLine};
use crate::stats::{Contrast, CoxCoefficient, WeightedComparison};
use crate::wording::why_not_known;

/// All tables.
pub fn comparison_tables(comparison: &Comparison) -> Vec<Table> {
    vec![
        levels(comparison),
        survival(comparison),
        differences(comparison),
        balance(comparison),
        criteria(comparison),
        together(comparison),
    ]
}

fn code(comparison: &Comparison, level: u16) -> String {
    comparison.levels.get(usize::from(level)).map_or_else(String::new, |level| level.group.level.clone())
}

fn levels(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&[
        "level",
        "label",
        "reference",
        "restorations",
        "patients",
        "failures",
        "ended_otherwise",
        "years_at_risk",
        "operators",
        "first_placed",
        "last_placed",
    ]);
    for (place, level) in comparison.levels.iter().enumerate() {
        let group = &level.group;
        writer.row(vec![
            group.level.clone(),
            group.label.clone(),
            if place == usize::from(comparison.reference) { "yes" } else { "no" }.to_owned(),
            group.behind.observations.to_string(),
            group.behind.clusters.to_string(),
            group.behind.failures.to_string(),
            group.competing.to_string(),
            number(group.exposure_years.count()),
            level.operators.to_string(),
            level.first_placed.to_string(),
            level.last_placed.to_string(),
        ]);
    }
    writer.finish("levels.csv")
}

fn survival(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&["level", "months", "at_risk", "survival", "lower", "upper", "why_not"]);
    for level in &comparison.levels {
        for horizon in &level.group.horizons {
            let mut row = vec![level.group.level.clone(), horizon.months.to_string(), horizon.at_risk.to_string()];
            row.extend(match &horizon.survival {
                Known::Known(survival) => {
                    let (lower, upper, why_not) = match &survival.interval {
                        Known::Known(limits) => (number(limits.lower.value()), number(limits.upper.value()), String::new()),
                        Known::NotKnown(why) => (String::new(), String::new(), why_not_known(*why).to_owned()),
                    };
                    [number(survival.value.value()), lower, upper, why_not]
                }
                Known::NotKnown(why) => [String::new(), String::new(), String::new(), why_not_known(*why).to_owned()],
            });
            writer.row(row);
        }
    }
    writer.finish("survival.csv")
}

fn limits(estimate: &Estimate<f64>) -> [String; 2] {
    match &estimate.interval {
        Known::Known(limits) => [number(limits.lower), number(limits.upper)],
        Known::NotKnown(_) => [String::new(), String::new()],
    }
}

fn contrast(row: &[String], what: &str, day: String, found: &Contrast) -> Vec<String> {
    let mut cells = row.to_vec();
    cells.extend([what.to_owned(), day, number(found.estimate.value)]);
    cells.extend(limits(&found.estimate));
    cells.push(found.test.known().map_or_else(String::new, |test| number(test.p_value)));
    cells
}

fn of_comparison(writer: &mut Writer, row: &[String], found: &WeightedComparison) {
    for one in found.survival.iter().filter_map(Known::known) {
        writer.row(contrast(row, "survival", one.horizon.count().to_string(), &one.difference));
    }
    for one in found.restricted_means.iter().filter_map(Known::known) {
        writer.row(contrast(row, "restricted_mean_days", number(one.horizon), &one.difference));
    }
    if let Known::Known(ratio) = &found.hazard_ratio {
        writer.row(hazard_ratio(row, &ratio.coefficient));
    }
}

fn hazard_ratio(row: &[String], found: &CoxCoefficient) -> Vec<String> {
    let mut cells = row.to_vec();
    cells.extend(["hazard_ratio".to_owned(), String::new(), number(found.hazard_ratio.value)]);
    cells.extend(limits(&found.hazard_ratio));
    cells.push(found.test.known().map_or_else(String::new, |test| number(test.p_value)));
    cells
}

fn differences(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&["level", "reference", "way", "what", "day", "value", "lower", "upper", "p"]);
    let row = |level: u16, way: &str| vec![code(comparison, level), code(comparison, comparison.reference), way.to_owned()];
    for pair in &comparison.crude.contrasts {
        of_comparison(&mut writer, &row(pair.level, "crude"), &pair.comparison);
    }
    if let Computed::Computed(adjusted) = &comparison.adjusted {
        for pair in &adjusted.pairs {
            of_comparison(&mut writer, &row(pair.level, "crude_same_restorations"), &pair.crude);
            of_comparison(&mut writer, &row(pair.level, "weighted"), &pair.weighted);
            if let Computed::Computed(regression) = &pair.regression {
                let start = row(pair.level, "regression");
                for one in regression.survival.iter().filter_map(Known::known) {
                    writer.row(contrast(&start, "survival", one.horizon.count().to_string(), &one.difference));
                }
                if let Known::Known(mean) = &regression.restricted_mean {
                    writer.row(contrast(&start, "restricted_mean_days", number(mean.horizon), &mean.difference));
                }
                writer.row(hazard_ratio(&start, &regression.hazard_ratio));
            }
        }
    }
    writer.finish("differences.csv")
}

fn balance(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&[
        "covariate",
        "covariate_level",
        "level",
        "other_level",
        "difference_before",
        "difference_after",
        "missing",
    ]);
    let value = |value: &Known<f64>| value.known().map_or_else(String::new, |value| number(*value));
    for column in &comparison.balance {
        for pair in &column.pairs {
            writer.row(vec![
                column.column.covariate.clone(),
                column.column.level.clone().unwrap_or_default(),
                code(comparison, pair.first),
                code(comparison, pair.second),
                value(&pair.before),
                value(&pair.after),
                column.missing.to_string(),
            ]);
        }
    }
    writer.finish("balance.csv")
}

fn criteria(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&[
        "criterion",
        "months",
        "at_least",
        "level",
        "scored",
        "patients",
        "share",
        "lower",
        "upper",
        "p_all_levels",
        "p_corrected",
    ]);
    for one in &comparison.criteria {
        for (level, share) in one.shares.iter().enumerate() {
            let Known::Known(share) = share else { continue };
            let (lower, upper) = match &share.wilson {
                Known::Known(limits) => (number(limits.lower.value()), number(limits.upper.value())),
                Known::NotKnown(_) => (String::new(), String::new()),
            };
            writer.row(vec![
                one.criterion.code().to_owned(),
                one.months.to_string(),
                one.standing.code().to_owned(),
                code(comparison, u16::try_from(level).unwrap_or(u16::MAX)),
                share.behind.observations.to_string(),
                share.behind.clusters.to_string(),
                number(share.value.value()),
                lower,
                upper,
                one.probability.known().map_or_else(String::new, |p| number(p.p_value)),
                one.corrected.known().map_or_else(String::new, |p| number(*p)),
            ]);
        }
    }
    writer.finish("criteria.csv")
}

fn together(comparison: &Comparison) -> Table {
    let mut writer = Writer::new(&[
        "model",
        "covariate",
        "covariate_level",
        "against",
        "restorations",
        "hazard_ratio",
        "lower",
        "upper",
        "p",
    ]);
    if let Computed::Computed(together) = &comparison.together {
        let mut all = |model: &str, lines: &[TogetherLine]| {
            for line in lines {
                let mut cells = vec![
                    model.to_owned(),
                    line.covariate.clone(),
                    line.level.clone().unwrap_or_default(),
                    line.reference.clone().unwrap_or_default(),
                    line.restorations.to_string(),
                    number(line.hazard_ratio.value),
                ];
                cells.extend(limits(&line.hazard_ratio));
                cells.push(line.p_value.known().map_or_else(String::new, |p| number(*p)));
                writer.row(cells);
            }
        };
        all("proportional_hazards_day_found", &together.hazards);
        all("weibull_between_visits", &together.between_visits);
    }
    writer.finish("together.csv")
}
