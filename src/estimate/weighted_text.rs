//! Weighted comparisons as readable tables.

use super::asked::{Asked, PopulationAsked};
use super::contrasts::{MeanContrasts, SurvivalContrasts, contrast_cells};
use super::regression_text::{column_name, known_text, limits_text};
use super::section::{Section, digits, interval_head, p_value, why_not_known};
use super::weighted::{ReweightedAt, Weighted, WeightedPair};
use crate::quantity::Known;
use crate::stats::{CoxCoefficient, EValue, PairDifference, ResampledEstimate, WeightTrimming};
use crate::wording::counted;

fn number(value: &Known<f64>) -> String {
    known_text(value, |value| digits(*value, 4))
}

/// All of it as readable tables; `labels` are those of the groups.
pub fn weighted_sections(asked: &Asked, all: &Weighted, labels: &[String]) -> Vec<Section> {
    let mut sections = vec![weights(asked, all), balanced(all, labels)];
    sections.push(survival(asked, "Weighted survival, compared", all, &|pair| Some(&pair.survival)));
    sections.push(means(asked, "Weighted restricted means, compared", all, &|pair| Some(&pair.restricted_mean)));
    if let Some(section) = sections.last_mut() {
        section.note("Errors are robust: they allow for the weights, and for clusters where these are named.");
    }
    let regressed = all.pairs.iter().any(|pair| pair.by_regression.is_some());
    if regressed {
        let title = "Survival adjusted by regression, compared";
        sections.push(survival(asked, title, all, &|pair| pair.by_regression.as_ref().map(|found| &found.survival)));
        let title = "Restricted means adjusted by regression, compared";
        sections.push(means(asked, title, all, &|pair| pair.by_regression.as_ref().map(|found| &found.restricted_mean)));
    }
    sections.push(ratios(asked, all));
    if all.pairs.iter().any(|pair| pair.resampled.is_some()) {
        sections.push(resampled(asked, all));
    }
    sections
}

fn weights(asked: &Asked, all: &Weighted) -> Section {
    let title = format!("Weights, adjusted for {}", all.adjusted_for.join(", "));
    let header = ["group", "rows", "sum", "effective number", "largest", "its part", "chances in common", "outside"];
    let mut section = Section::new(title, &header);
    for one in &all.groups {
        let weights = &one.weights;
        let overlap = one.overlap.as_ref();
        let common = overlap.map(|overlap| match overlap.common {
            Some((from, to)) => format!("{} to {}", digits(from, 3), digits(to, 3)),
            None => "none".to_owned(),
        });
        section.row(vec![
            one.group.clone(),
            weights.observations.to_string(),
            digits(weights.sum, 6),
            number(&weights.effective),
            digits(weights.largest, 4),
            number(&weights.largest_part),
            common.unwrap_or_default(),
            overlap.map_or_else(String::new, |overlap| overlap.outside.to_string()),
        ]);
        if let Some(overlap) = overlap.filter(|overlap| overlap.doubtful()) {
            section.note(format!(
                "{}: it is doubtful that each row had a chance of it ({} next to none).",
                one.group,
                counted(overlap.next_to_no_chance, "row had", "rows had")
            ));
        }
    }
    section.note(match &asked.population {
        PopulationAsked::Plain => "Each group is to look like all rows (plain weights).".to_owned(),
        PopulationAsked::Stabilised => "Each group is to look like all rows (stabilised weights).".to_owned(),
        PopulationAsked::Overlap => {
            "Each group is to look like those who might have been in any (overlap weights).".to_owned()
        }
        PopulationAsked::Level(group) => format!("Each group is to look like {group}."),
    });
    match all.trimming {
        WeightTrimming::None => {}
        WeightTrimming::CutAtQuantiles(_) => section.note(format!("{} cut.", counted(all.weights_cut, "weight", "weights"))),
        WeightTrimming::PropensitiesFrom(chance) => section.note(format!(
            "{} left out, with a chance of a group below {}.",
            counted(all.outside, "row", "rows"),
            digits(chance, 4)
        )),
    }
    if all.left_out > 0 {
        section.note(format!("{} left out because a covariate is missing.", counted(all.left_out, "row", "rows")));
    }
    if all.penalised {
        section.note("The covariates tell groups apart without error: chances are estimated with Firth's penalty.");
    }
    section
}

fn balanced(all: &Weighted, labels: &[String]) -> Section {
    let title = "Balance: standardised differences of the groups";
    let mut section = Section::new(title, &["covariate", "groups", "before", "after"]);
    let label = |level: u16| labels.get(usize::from(level)).map_or("", String::as_str);
    for column in &all.balance {
        let row = |pair: &PairDifference| {
            let groups = format!("{} less {}", label(pair.second), label(pair.first));
            vec![column_name(&column.column), groups, number(&pair.before), number(&pair.after)]
        };
        column.pairs.iter().map(row).for_each(|cells| section.row(cells));
    }
    section.note("Beyond 0.1 in either direction a covariate is commonly called unbalanced.");
    section
}

fn survival<'a>(
    asked: &Asked,
    title: &str,
    all: &'a Weighted,
    take: &dyn Fn(&'a WeightedPair) -> Option<&'a Vec<SurvivalContrasts>>,
) -> Section {
    let header = ["groups", "time", "first", "second", "difference", "s.e.", &interval_head(asked.level), "p"];
    let mut section = Section::new(title, &header);
    for one in all.pairs.iter().filter_map(take).flatten() {
        let part = |value: &Known<crate::quantity::Fraction>| known_text(value, |value| digits(value.value(), 5));
        let cells = vec![
            format!("{} less {}", one.second, one.first),
            digits(one.time, 6),
            part(&one.survival_of_first),
            part(&one.survival_of_second),
        ];
        section.row([cells, contrast_cells(&one.difference)].concat());
    }
    section
}

fn means<'a>(
    asked: &Asked,
    title: &str,
    all: &'a Weighted,
    take: &dyn Fn(&'a WeightedPair) -> Option<&'a MeanContrasts>,
) -> Section {
    let header = ["groups", "until", "first", "second", "difference", "s.e.", &interval_head(asked.level), "p"];
    let mut section = Section::new(title, &header);
    for one in all.pairs.iter().filter_map(take) {
        let cells = vec![
            format!("{} less {}", one.second, one.first),
            digits(one.until, 6),
            number(&one.mean_of_first),
            number(&one.mean_of_second),
        ];
        section.row([cells, contrast_cells(&one.difference)].concat());
    }
    section
}

fn ratios(asked: &Asked, all: &Weighted) -> Section {
    let header = ["groups", "by", "hazard ratio", &interval_head(asked.level), "p", "E-value", "E-value of the limit"];
    let mut section = Section::new("Hazard ratios", &header);
    let cells = |one: &CoxCoefficient, strength: &Known<EValue>| {
        vec![
            digits(one.hazard_ratio.value, 5),
            limits_text(&one.hazard_ratio.interval),
            known_text(&one.test, |test| p_value(test.p_value, test.ln_p_value)),
            known_text(strength, |found| digits(found.of_estimate, 4)),
            known_text(strength, |found| number(&found.of_limit)),
        ]
    };
    for pair in &all.pairs {
        let groups = format!("{} by {}", pair.second, pair.first);
        let weighted = match &pair.hazard_ratio {
            Known::Known(found) => cells(&found.coefficient, &pair.e_value),
            Known::NotKnown(why) => vec![why_not_known(*why).to_owned()],
        };
        section.row([vec![groups.clone(), "weights".to_owned()], weighted].concat());
        if let Some(found) = &pair.by_regression
            && let Some(one) = &found.hazard_ratio
        {
            section.row([vec![groups, "regression".to_owned()], cells(one, &found.e_value)].concat());
        }
    }
    if let Some(why) = &all.no_regression {
        section.note(format!("Regression has no fit: {why}"));
    }
    section.note(
        "E-value: how strongly, as a ratio of risks, something not measured would have to go with both group and failure to explain the ratio away.",
    );
    section
}

fn resampled(asked: &Asked, all: &Weighted) -> Section {
    let title = format!("Weighted comparisons from {} resamples of whole clusters", asked.resamples);
    let head = format!("{}, percentile", interval_head(asked.level));
    let mut section = Section::new(title, &["what", "at", "groups", "estimate", "s.e.", &head]);
    let (mut few, mut lost) = (false, Vec::new());
    let mut row = |what: &str, at: String, groups: &str, one: &ResampledEstimate| {
        let number = |value: &Known<f64>| value.known().map_or_else(|| "–".to_owned(), |value| digits(*value, 4));
        let limits = format!("{} to {}", number(&one.interval.lower), number(&one.interval.upper));
        let cells = vec![number(&one.value), number(&one.standard_error), limits];
        let all = one.not_estimated.iter().map(|lost| lost.replicates).sum::<u64>();
        if all > 0 {
            let at = if at.is_empty() { String::new() } else { format!(" at {at}") };
            let whose = counted(all, "resample has", "resamples have");
            lost.push(format!("{what}{at}, {groups}: {whose} no estimate."));
        }
        section.row([vec![what.to_owned(), at, groups.to_owned()], cells].concat());
        few |= one.few_clusters;
    };
    for pair in &all.pairs {
        let Some(found) = &pair.resampled else { continue };
        let groups = format!("{} less {}", pair.second, pair.first);
        let lists: [(&str, &Vec<ReweightedAt>); 2] =
            [("survival", &found.survival), ("restricted mean", &found.restricted_means)];
        for (what, list) in lists {
            for one in list {
                row(what, digits(one.time, 6), &pair.first, &one.first);
                row(what, digits(one.time, 6), &pair.second, &one.second);
                row(what, digits(one.time, 6), &groups, &one.difference);
            }
        }
        row("ln hazard ratio", String::new(), &groups, &found.ln_hazard_ratio);
    }
    section.note("Weights are found anew for each resample.");
    let some_lost = !lost.is_empty();
    lost.into_iter().for_each(|note| section.note(note));
    if some_lost && !asked.penalise_separated {
        section.note(
            "In a resample, covariates may tell groups apart without error: --penalise-separated estimates it all the same.",
        );
    }
    if few {
        section.note("Fewer than 20 clusters in a group: take these intervals with care.");
    }
    section
}
