//! A comparison as one self-contained HTML page: no network, charts inline. What may be said comes first; what weakens a
//! number stands beside it.

use maud::{Markup, html};

use super::comparison_charts::{ComparisonCharts, interval_note, line_label, together_note};
use super::comparison_methods::{methods, reporting_items};
use super::contrast_text::{difference_text, mean_difference_text, ratio_text};
use super::frame::{ReadCurves, chart, contents, framed, meaning, scrolled};
use super::guard_text::guard_texts;
use super::sentence::{interval_word, range_text};
use super::verdict_text::{VerdictText, listed, verdict_text};
use crate::quantity::{ConfidenceInterval, Fraction, Known, WhyNotKnown};
use crate::record::Coded;
use crate::result::{
    AdjustedPair, Comparison, Computed, GroupReview, Guard, LEAST_RESAMPLED_FAILURES, PublishedDirection, RegressionPair,
    TogetherLine, Weakens,
};
use crate::stats::{BootstrapInterval, SurvivalContrast, WeightedComparison};
use crate::wording::{
    Readers, count, counted, known, p_value, percent, percent_interval, rate_interval, rate_number, span, why_not_known,
};

/// The page of a comparison.
pub fn comparison_page(comparison: &Comparison, charts: &ComparisonCharts) -> String {
    let verdicts: Vec<VerdictText> = comparison.verdicts.iter().map(|verdict| verdict_text(comparison, verdict)).collect();
    let groups: Vec<GroupReview> = comparison.levels.iter().map(|level| level.group.clone()).collect();
    let curves = [ReadCurves::new(&charts.survival.name, comparison.confidence_level, &groups, Readers::Practice)];
    let body = html! {
        h1 { (comparison.title) }
        p.soft { "Records as they stood on " (comparison.as_of) ". " (comparison.endpoint.definition) }
        (opening(comparison, &verdicts))
        (contents(SECTIONS.iter().copied()))
        (meaning(&texts_of(comparison, |guard| guard.weakens() == Weakens::Everything), true))
        (compared_section(comparison, charts))
        div.more {
            (means_table(comparison))
            (crude_section(comparison, charts))
            (adjusted_section(comparison))
            (criteria_section(comparison, charts))
            (together_section(comparison, charts))
            (published_section(comparison))
            (methods_section(comparison, charts))
        }
    };
    framed(&format!("{}, {}", comparison.title, comparison.as_of), &curves, &body)
}

/// Charts of criteria that are open to the eye; the others are folded.
const FIRST: usize = 4;

const SECTIONS: &[(&str, &str)] = &[
    ("meaning", "What this means"),
    ("compared", "What is compared"),
    ("crude", "As it is"),
    ("adjusted", "Like with like"),
    ("criteria", "Criteria"),
    ("together", "All together"),
    ("published", "What was published"),
    ("methods", "How it was done"),
];

/// The chosen guards in words.
fn texts_of(comparison: &Comparison, chosen: impl Fn(&Guard) -> bool) -> Vec<String> {
    let chosen = comparison.guards.iter().filter(|guard| chosen(guard));
    guard_texts(chosen, &comparison.factor.label, Readers::Practice)
}

fn guards(comparison: &Comparison, chosen: impl Fn(&Guard) -> bool) -> Markup {
    let texts = texts_of(comparison, chosen);
    html! { @if !texts.is_empty() { ul { @for text in &texts { li { (text) } } } } }
}

/// The guards of some numbers in a box of its own, beside them.
fn beside(comparison: &Comparison, weakens: Weakens) -> Markup {
    beside_if(comparison, |guard| guard.weakens() == weakens)
}

fn beside_if(comparison: &Comparison, chosen: impl Fn(&Guard) -> bool) -> Markup {
    let any = comparison.guards.iter().any(&chosen);
    html! { @if any { div.box role="note" aria-label="What weakens these numbers" { p { strong { "What weakens these numbers" } } (guards(comparison, chosen)) } } }
}

fn opening(comparison: &Comparison, verdicts: &[VerdictText]) -> Markup {
    html! {
        @if verdicts.is_empty() { p.lead { strong { "There is only one level: nothing to compare." } } }
        @for text in verdicts { (verdict_section(text)) }
        @if comparison.verdicts.len() > 1 { p.soft { "Held against " (comparison.label(comparison.reference)) "." } }
    }
}

/// What may be said of one level, from the finding to what was published.
pub(super) fn verdict_section(text: &VerdictText) -> Markup {
    html! {
        section {
            p.lead { strong { (text.finding) } }
            @if let Some(absolute) = &text.absolute { p.lead { (absolute) } }
            @if let Some(ends) = &text.ends { p { (ends) } }
            p { (text.basis) }
            @if let Some(needed) = &text.needed { p { (needed) } }
            @for published in &text.published { p.soft { (published) } }
        }
    }
}

fn compared_section(comparison: &Comparison, charts: &ComparisonCharts) -> Markup {
    let shared = comparison.shared;
    html! {
        h2 id="compared" { "What is compared" }
        (scrolled("Levels", &html! { table {
            caption { "Levels of " (comparison.factor.label.to_lowercase()) "; the reference is " (comparison.label(comparison.reference)) }
            thead { tr { th scope="col" { "Level" } th.n scope="col" { "Restorations" } th.n scope="col" { "Patients" } th.n scope="col" { "Failures" } th.n scope="col" { "Ended otherwise" } th.n scope="col" { "Years at risk" } th.n scope="col" { "Median follow-up" } th.n scope="col" { "Operators" } th.n scope="col" { "Placed (middle half)" } } }
            tbody { @for level in &comparison.levels { @let group = &level.group; tr {
                th scope="row" { (group.label) }
                td.n { (count(group.behind.observations)) } td.n { (count(group.behind.clusters)) } td.n { (count(group.behind.failures)) } td.n { (count(group.competing)) }
                td.n { (format!("{:.0}", group.exposure_years.count())) }
                td.n { (known(&group.median_follow_up_days, |day| span(*day))) }
                td.n { @if level.operators == 0 { "not named" } @else { (count(level.operators)) } }
                td.n { (level.first_placed) " to " (level.last_placed) br; "(" (level.early_quarter) " to " (level.late_quarter) ")" }
            } } }
        } }))
        p {
            (counted(shared.in_several, "patient", "patients")) " of " (count(shared.patients)) " have restorations of more than one level ("
            (counted(shared.restorations, "restoration", "restorations")) ")."
        }
        (chart(&charts.balance))
    }
}

/// Means and shares behind the balance chart; in print they open the second part.
fn means_table(comparison: &Comparison) -> Markup {
    html! {
        details { summary { "Means and shares by level" } (scrolled("Means and shares", &html! { table {
            caption { "Before weighting, and after where weighted for" }
            thead { tr { th scope="col" { "What" } @for level in &comparison.levels { th.n scope="col" { (level.group.label) } } th.n scope="col" { "Missing" } } }
            tbody { @for column in &comparison.balance { tr {
                th scope="row" { (column.column.covariate) @if let Some(level) = &column.column.level { ": " (level) } }
                @for level in 0..comparison.levels.len() { td.n {
                    @if let Some(mean) = column.means.iter().find(|mean| usize::from(mean.level) == level) {
                        (known(&mean.before, |value| format!("{value:.2}"))) " → " (known(&mean.after, |value| format!("{value:.2}")))
                    } @else { "—" }
                } }
                td.n { (count(column.missing)) }
            } } }
        } })) }
    }
}

fn mean_text(comparison: &WeightedComparison) -> String {
    comparison.restricted_means.first().map_or_else(|| "not computed".to_owned(), mean_difference_text)
}

/// What the regression says, if there is one.
fn by_regression(pair: &AdjustedPair, text: impl FnOnce(&RegressionPair) -> String) -> String {
    pair.regression.computed().map_or_else(|| "not computed".to_owned(), text)
}

fn hazard_text(comparison: &WeightedComparison) -> String {
    known(&comparison.hazard_ratio, |ratio| ratio_text(&ratio.coefficient.hazard_ratio))
}

fn crude_section(comparison: &Comparison, charts: &ComparisonCharts) -> Markup {
    let crude = &comparison.crude;
    let level_word = interval_word(comparison.confidence_level);
    html! {
        h2 id="crude" { "As it is: nothing adjusted" }
        (beside_if(comparison, |guard| match guard.weakens() {
            Weakens::Survival | Weakens::Tests => true,
            // Of hazard ratios only what weakens those of two levels, not those of the model of all together.
            Weakens::HazardRatios => matches!(guard, Guard::NotProportional { .. }),
            _ => false,
        }))
        (chart(&charts.survival))
        @match &crude.test {
            Computed::Computed(test) => p {
                "Are the levels alike? " (p_value(test.p_value)) " (log-rank, χ² " (format!("{:.2}", test.chi_square)) ", " (counted(u64::from(test.degrees_of_freedom), "degree of freedom", "degrees of freedom"))
                "; fillings of one mouth may share their fate"
                @if let Some(Known::Known(finite)) = &test.finite_clusters { "; for this number of patients " (p_value(finite.p_value)) }
                "). Are hazards proportional? " (known(&crude.proportionality, |test| p_value(test.p_value))) "."
            },
            Computed::NotComputed(why) => p { "Not tested: " (why) "." },
        }
        (scrolled("Survival and differences", &html! { table {
            caption { "Survival after each time, and the level less the reference in per cent points; " (level_word) "s. " (interval_note(comparison)) }
            thead { tr { th scope="col" { "Level" } th.n scope="col" { "After" } th.n scope="col" { "At risk" } th.n scope="col" { "Survival" } th.n scope="col" { "Difference" } th.n scope="col" { "% a year, geometric" } } }
            tbody { @for (place, level) in comparison.levels.iter().enumerate() { @for (number, horizon) in level.group.horizons.iter().enumerate() { tr {
                @if number == 0 { th scope="rowgroup" rowspan=(level.group.horizons.len()) { (level.group.label) } }
                td.n data-sort=(horizon.day.count()) { (span(horizon.day)) }
                td.n { (count(horizon.at_risk)) @if horizon.few_at_risk { " few" } }
                td.n { @if horizon.few_at_risk { "too few followed" } @else { (known(&horizon.survival, |survival| format!("{} ({})", percent(survival.value), known(&survival.interval, percent_interval)))) } }
                td.n { (difference_at(comparison, place, number)) }
                td.n { @if !horizon.few_at_risk { (known(&horizon.geometric, |annual| format!("{} ({})", rate_number(annual.rate.value), known(&annual.rate.interval, rate_interval)))) } }
            } } } }
        } }))
        @if !crude.contrasts.is_empty() { (scrolled("Each level against the reference", &html! { table {
            caption { "Each level against " (comparison.label(comparison.reference)) "; " (level_word) "s, patient-clustered" }
            thead { tr {
                th scope="col" { "Level" }
                th.n scope="col" { "Mean time without failure up to " (span(comparison.restricted_mean_day)) ", difference in years" }
                th.n scope="col" { "Hazard ratio" }
            } }
            tbody { @for pair in &crude.contrasts { tr {
                th scope="row" { (comparison.label(pair.level)) }
                td.n { (mean_text(&pair.comparison)) } td.n { (hazard_text(&pair.comparison)) }
            } } }
        } })) }
        (chart(&charts.annual))
        @if let Some(pairs) = &crude.pairs {
            (scrolled("Every pair", &html! { table {
                caption { "Every pair by the log-rank test, corrected for their number (Holm)" }
                thead { tr { th scope="col" { "Pair" } th.n scope="col" { "p" } th.n scope="col" { "p, corrected" } } }
                tbody { @for pair in &pairs.pairs { tr {
                    td { (comparison.label(pair.first)) " – " (comparison.label(pair.second)) }
                    td.n { (known(&pair.test, |test| p_value(test.p_value))) }
                    td.n { (known(&pair.adjusted_p_value, |p| p_value(*p))) }
                } } }
            } }))
            p { "These tests look at whole curves, nothing adjusted, and are corrected for all pairs. “What may be said” rests on another test, against the reference only, and is corrected for that; so the two may differ." }
        }
        h3 { "Failures known only to lie between two visits" }
        p { "A failure found at a recall happened some time before. The first reading dates it to the visit that found it; the second (Turnbull) only says that it lies between that visit and the one before." }
        @if let Some(drawing) = &charts.between_visits { (chart(drawing)) }
        (scrolled("Survival by both readings", &html! { table {
            caption { "Survival by both readings. " (resampling_note(comparison)) }
            thead { tr { th scope="col" { "Level" } th.n scope="col" { "After" } th.n scope="col" { "Day found" } th.n scope="col" { "Between visits" } } }
            tbody { @for (place, one) in crude.between_visits.iter().enumerate() { tr {
                (first_of_level(comparison, &crude.between_visits, place, |one| one.level)) td.n data-sort=(one.day.count()) { (span(one.day)) }
                td.n { (found_at(comparison, one.level, one.day)) }
                td.n {
                    (known(&one.survival, |range| range_text(*range)))
                    @if let Some(resampled) = &one.resampled {
                        " (" (resampled_text(&resampled.percentile)) ")"
                    }
                }
            } } }
        } }))
        @match &crude.between_visits_test {
            Computed::Computed(test) => p {
                "Are the levels alike by that reading? "
                (known(&test.clusters, |statistic| format!("{} (generalised log-rank, χ² {:.2}; fillings of one mouth may share their fate)", p_value(statistic.p_value), statistic.chi_square))) "."
            },
            Computed::NotComputed(why) => p { "Not tested: " (why) "." },
        }
        @if let Some(incidence) = &crude.incidence {
            h3 { "With other endings counted" }
            p { "Cumulative incidence (Aalen–Johansen): how many had failed, and how many had ended otherwise. Gray's test of the failures: " (known(&incidence.test, |test| p_value(test.p_value))) "." }
            @if let Some(drawing) = &charts.incidence { (chart(drawing)) }
            (scrolled("Cumulative incidence", &html! { table {
                caption { "Cumulative incidence; " (level_word) "s, patient-clustered" }
                thead { tr { th scope="col" { "Level" } th.n scope="col" { "By" } th.n scope="col" { "Failed" } th.n scope="col" { "Ended otherwise" } } }
                tbody { @for (place, one) in incidence.at.iter().enumerate() { tr {
                    (first_of_level(comparison, &incidence.at, place, |one| one.level)) td.n data-sort=(one.day.count()) { (span(one.day)) }
                    @for part in [&one.failed, &one.otherwise] { td.n { (known(part, |part| format!("{} ({})", percent(part.value), none_by_then(&part.interval)))) } }
                } } }
            } }))
        }
    }
}

/// Limits of an incidence; where nothing had happened there are none.
fn none_by_then(interval: &Known<ConfidenceInterval<Fraction>>) -> String {
    match interval {
        Known::NotKnown(WhyNotKnown::NoFailures) => "none by then".to_owned(),
        interval => known(interval, percent_interval),
    }
}

/// The name of a level before its first row, over all of its rows.
fn first_of_level<T>(comparison: &Comparison, rows: &[T], place: usize, level: impl Fn(&T) -> u16) -> Markup {
    let of = level(&rows[place]);
    let begins = place == 0 || level(&rows[place - 1]) != of;
    let length = rows[place..].iter().take_while(|row| level(row) == of).count();
    html! { @if begins { th scope="rowgroup" rowspan=(length) { (comparison.label(of)) } } }
}

fn difference_at(comparison: &Comparison, level: usize, horizon: usize) -> String {
    if level == usize::from(comparison.reference) {
        return "reference".to_owned();
    }
    let pair = comparison.crude.contrasts.iter().find(|pair| usize::from(pair.level) == level);
    pair.and_then(|pair| pair.comparison.survival.get(horizon))
        .map_or_else(String::new, |found| known(found, |found| difference_text(&found.difference)))
}

fn found_at(comparison: &Comparison, level: u16, day: crate::quantity::Days) -> String {
    comparison
        .levels
        .get(usize::from(level))
        .and_then(|level| level.group.horizon(day))
        .map_or_else(String::new, |horizon| known(&horizon.survival, |survival| percent(survival.value)))
}

fn adjusted_section(comparison: &Comparison) -> Markup {
    html! {
        h2 id="adjusted" { "Like with like: adjusted for how levels differ" }
        (beside(comparison, Weakens::Adjusted))
        @match &comparison.adjusted {
            Computed::NotComputed(why) => p { "Not computed: " (why) "." },
            Computed::Computed(adjusted) => {
                p {
                    "Adjusted for " (listed(&adjusted.adjusted_for)) ". By weighting: each restoration is weighted by how rare its level is among restorations like it (inverse propensities, stabilised), so that all levels come to have the same mix. By regression: the proportional-hazards model with all of these, read as if all restorations had been of the one level and then of the other. Both rest on the "
                    (counted(adjusted.restorations, "restoration", "restorations")) " with all of it recorded, as do the crude numbers in this table."
                    @if adjusted.penalised { " Something recorded tells the levels apart without error; the propensities are penalised (Firth)." }
                    @for aside in &adjusted.set_aside { " Not adjusted for " (aside.label) ": " (aside.why) "." }
                }
                @for pair in &adjusted.pairs {
                    h3 { (comparison.label(pair.level)) " against " (comparison.label(comparison.reference)) }
                    (scrolled("Crude and adjusted", &html! { table {
                        caption { "The level less the reference; " (interval_word(comparison.confidence_level)) "s, patient-clustered" }
                        thead { tr { th scope="col" { "What" } th.n scope="col" { "Crude" } th.n scope="col" { "By weighting" } th.n scope="col" { "By regression" } } }
                        tbody {
                            @for (place, survival) in pair.weighted.survival.iter().enumerate() { @if let Known::Known(at) = survival { tr {
                                th scope="row" { "Survival after " (span(at.horizon)) ", per cent points" }
                                td.n { (pair.crude.survival.get(place).map_or_else(String::new, contrast_text)) }
                                td.n { (contrast_text(survival)) }
                                td.n { (by_regression(pair, |regression| regression.survival.get(place).map_or_else(String::new, contrast_text))) }
                            } } }
                            tr {
                                th scope="row" { "Mean time without failure up to " (span(comparison.restricted_mean_day)) ", years" }
                                td.n { (mean_text(&pair.crude)) } td.n { (mean_text(&pair.weighted)) }
                                td.n { (by_regression(pair, |regression| mean_difference_text(&regression.restricted_mean))) }
                            }
                            tr {
                                th scope="row" { "Hazard ratio" }
                                td.n { (hazard_text(&pair.crude)) } td.n { (hazard_text(&pair.weighted)) }
                                td.n { (by_regression(pair, |regression| ratio_text(&regression.hazard_ratio.hazard_ratio))) }
                            }
                        }
                    } }))
                    @if let Computed::NotComputed(why) = &pair.regression { p { "No regression: " (why) "." } }
                    p {
                        (known(&pair.e_value, |value| format!(
                            "To explain the weighted hazard ratio away, something not recorded would have to go with both the level and the failure by a risk ratio of {:.2} each (E-value); {}.",
                            value.of_estimate,
                            match &value.of_limit {
                                Known::Known(limit) if *limit > 1.0 => format!("to move its interval to no difference, by {limit:.2}"),
                                Known::Known(_) => "its interval holds no difference as it is".to_owned(),
                                Known::NotKnown(why) => format!("of its interval: {}", why_not_known(*why)),
                            }
                        )))
                    }
                }
            }
        }
        h3 { "Within patients" }
        @match &comparison.within_patients {
            Computed::NotComputed(why) => p { "Not computed: " (why) "." },
            Computed::Computed(within) => {
                p {
                    "In patients with more than one level, what a mouth has in common drops out. " (counted(within.patients, "patient", "patients")) " with " (counted(within.restorations, "restoration", "restorations")) " and " (counted(within.failures, "failure", "failures"))
                    "; " (counted(within.informative_patients, "patient informs", "patients inform")) ". Log-rank within patients: " (known(&within.test, |test| p_value(test.p_value))) "."
                }
                ul { @for one in &within.hazard_ratios { li {
                    (one.column.level.as_deref().unwrap_or("")) " against " (comparison.label(comparison.reference)) ": hazard ratio " (ratio_text(&one.hazard_ratio))
                } } }
            }
        }
    }
}

fn contrast_text(found: &Known<SurvivalContrast>) -> String {
    known(found, |found| difference_text(&found.difference))
}

fn criteria_section(comparison: &Comparison, charts: &ComparisonCharts) -> Markup {
    html! {
        h2 id="criteria" { "Criteria at each recall" }
        (beside(comparison, Weakens::Criteria))
        p { "Of those due and scored; a lost filling has no colour, staining or fit. Intervals (Wilson, for the effective number) and tests are patient-clustered; p is corrected for the number of criteria and recalls (Holm)." }
        @if comparison.criteria.is_empty() { p { "Nothing was scored within a recall's window." } }
        @for criterion in charts.criteria.iter().take(FIRST) { (chart(criterion)) }
        @if charts.criteria.len() > FIRST {
            details { summary { "The other criteria as charts" } @for criterion in charts.criteria.iter().skip(FIRST) { (chart(criterion)) } }
        }
        @if !comparison.criteria.is_empty() { details { summary { "All criteria as a table" } (scrolled("All criteria", &html! { table {
            caption { "Share of each level" }
            thead { tr { th scope="col" { "Criterion" } th.n scope="col" { "Month" } th scope="col" { "At least" } @for level in &comparison.levels { th.n scope="col" { (level.group.label) } } th.n scope="col" { "p" } th.n scope="col" { "p, corrected" } } }
            tbody { @for one in &comparison.criteria { tr {
                td { (one.criterion.label()) } td.n { (one.months) } td { (one.standing.label().to_lowercase()) }
                @for share in &one.shares { td.n { (known(share, |share| format!("{} ({}; {})", percent(share.value), known(&share.wilson, percent_interval), count(share.behind.observations)))) } }
                td.n { (known(&one.probability, |p| p_value(p.p_value))) }
                td.n { (known(&one.corrected, |p| p_value(*p))) }
            } } }
        } })) } }
    }
}

fn together_section(comparison: &Comparison, charts: &ComparisonCharts) -> Markup {
    html! {
        h2 id="together" { "What goes with " (comparison.endpoint.title.to_lowercase()) " here: all together" }
        (beside(comparison, Weakens::HazardRatios))
        @match &comparison.together {
            Computed::NotComputed(why) => p { "Not computed: " (why) "." },
            Computed::Computed(together) => {
                p { (together_note(comparison, together)) }
                @for why in [&together.no_hazards, &together.no_between_visits].into_iter().flatten() { p { "One model has no estimate: " (why) "." } }
                @if let Some(forest) = &charts.forest { (chart(forest)) }
                details { summary { "The same as a table" } (scrolled("Hazard ratios", &html! { table {
                    caption { "Hazard ratios" }
                    thead { tr { th scope="col" { "What" } th scope="col" { "Held against" } th.n scope="col" { "Day found" } th.n scope="col" { "p" } th.n scope="col" { "Between visits" } th.n scope="col" { "p" } } }
                    tbody { @for line in if together.hazards.is_empty() { &together.between_visits } else { &together.hazards } { @let (name, against) = line_label(line); tr {
                        th scope="row" { (name) } td { (against) }
                        @for lines in [&together.hazards, &together.between_visits] {
                            @let found = lines.iter().find(|other: &&TogetherLine| other.covariate == line.covariate && other.level == line.level);
                            td.n { (found.map_or_else(|| "no estimate".to_owned(), |found| ratio_text(&found.hazard_ratio))) }
                            td.n { (found.map_or_else(String::new, |found| known(&found.p_value, |p| p_value(*p)))) }
                        }
                    } } }
                } })) }
            }
        }
    }
}

fn published_section(comparison: &Comparison) -> Markup {
    html! {
        h2 id="published" { "What was published about these levels" }
        @if comparison.published.is_empty() { p { "Nothing in the table of sources is about two of these levels." } }
        @else {
            p { "Which level stands for which published class is in the first two columns. Trials and practices differ in lesions, hands and recalls; reviews disagree among themselves." }
            (scrolled("Published comparisons", &html! { table {
                caption { "Published comparisons" }
                thead { tr { th scope="col" { "Class" } th scope="col" { "Against" } th scope="col" { "About" } th scope="col" { "Better" } th scope="col" { "What it says" } th scope="col" { "Source" } } }
                tbody { @for finding in &comparison.published { tr {
                    td { (comparison.label_of(&finding.first)) } td { (comparison.label_of(&finding.second)) } td { (finding.outcome) }
                    td { (match finding.direction {
                        PublishedDirection::FirstBetter => comparison.label_of(&finding.first),
                        PublishedDirection::SecondBetter => comparison.label_of(&finding.second),
                        PublishedDirection::NoDifference => "no difference",
                    }) }
                    td { (finding.says) } td { (finding.source) }
                } } }
            } }))
        }
    }
}

fn methods_section(comparison: &Comparison, charts: &ComparisonCharts) -> Markup {
    html! {
        h2 id="methods" { "How it was done" }
        (chart(&charts.flow))
        p { (methods(comparison, Readers::Practice)) }
        details { summary { "Where the items are that a report of a cohort should have (STROBE)" } (scrolled("Items of a report", &html! { table {
            caption { "von Elm et al., Lancet 2007;370:1453–1457; the items that a program can fill" }
            thead { tr { th scope="col" { "Item" } th scope="col" { "Here" } } }
            tbody { @for (item, here) in reporting_items(comparison) { tr { th scope="row" { (item) } td { (here) } } } }
        } })) }
        p.soft {
            "Program " (comparison.program_version) "; protocol " code { (comparison.protocol_fingerprint) } "; records " code { (comparison.data_fingerprint) } "."
        }
    }
}

/// How limits between visits were found.
fn resampling_note(comparison: &Comparison) -> String {
    let resampled = comparison.crude.between_visits.iter().find_map(|one| one.resampled.as_ref());
    resampled.map_or_else(
        || format!("Between visits there are no limits: fewer than {LEAST_RESAMPLED_FAILURES} failures, or too many restorations for them to matter."),
        |resampled| {
            format!(
                "Limits between visits are percentiles of {} draws of whole patients with replacement (resampled); a level with fewer than {LEAST_RESAMPLED_FAILURES} failures has none.",
                count(resampled.replicates)
            )
        },
    )
}

/// Resampled limits in per cent; where neither is known, why.
fn resampled_text(limits: &BootstrapInterval) -> String {
    let percent =
        |limit: &Known<f64>| limit.known().map_or_else(|| "no limit".to_owned(), |limit| format!("{:.1} %", limit * 100.0));
    match (&limits.lower, &limits.upper) {
        (Known::NotKnown(_), Known::NotKnown(_)) => "no limits".to_owned(),
        (lower, upper) => format!("{} to {}, resampled", percent(lower), percent(upper)),
    }
}
