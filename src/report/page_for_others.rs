//! A finished review or comparison as a page for people from outside the practice: the findings, the cautions and the charts, without
//! small numbers, days of the calendar, or single restorations.

use maud::{Markup, html};

use super::caution_text::{caution_text, not_randomised};
use super::comparison_charts;
use super::comparison_methods::methods;
use super::comparison_page::verdict_section;
use super::for_others::for_others;
use super::frame::{ReadCurves, chart, contents, framed, meaning, scrolled};
use super::guard_text::guard_texts;
use super::offered::{Kind, Offered, Results, draw, offered};
use super::sentence;
use super::verdict_text::{VerdictText, verdict_text};
use crate::figure::Drawing;
use crate::figure::stage::Stage;
use crate::figure::survival_scale::Scale;
use crate::result::{Comparison, EndpointReview, GroupReview, Review, Verdict};
use crate::wording::{
    LEAST_FOR_OTHERS, Readers, interval_text, known, percent, percent_interval, rate_interval, rate_number, span,
};

/// What the page leaves out, said on it.
const LEFT_OUT: &str = "This page is for people from outside the practice. Numbers of restorations or patients from 1 to 4 are printed as <5, no day of the calendar is printed, and no single restoration is told of. Curves, rates and other shares stay as they are, so that with patience a small number may be worked out.";

/// The page of a review or a comparison for others; none of failures watched, which are the practice's own.
pub fn page_for_others(results: Results) -> Option<String> {
    let results = for_others(results);
    let charts = Charts::of(&results);
    match &results {
        Results::Review(review) => Some(of_review(review, &charts)),
        Results::Comparison(comparison) => Some(of_comparison(comparison, &charts)),
        Results::Watch(_) => None,
    }
}

/// Charts that others may see.
struct Charts(Vec<(Offered, Drawing)>);

impl Charts {
    fn of(results: &Results) -> Self {
        let stage = Stage { readers: Readers::Others, ..Stage::default() };
        // Cumulative failure is survival the other way up.
        let shown = |chart: &Offered| !chart.kind.in_house() && chart.kind != Kind::CumulativeFailure;
        let drawn = |chart: Offered| draw(results, &chart, Scale::Full, &stage).map(|drawing| (chart, drawing));
        Self(offered(results).into_iter().filter(shown).filter_map(drawn).collect())
    }

    /// The charts of a kind, of an endpoint and by a factor where the kind has such.
    fn shown(&self, kind: Kind, endpoint: Option<&str>, factor: Option<&str>) -> Markup {
        let wanted = |chart: &Offered| {
            chart.kind == kind && chart.endpoint.as_deref() == endpoint && chart.factor.as_deref() == factor
        };
        html! { @for (_, drawing) in self.0.iter().filter(|(chart, _)| wanted(chart)) { (chart(drawing)) } }
    }

    fn any(&self, kind: Kind) -> bool {
        self.0.iter().any(|(chart, _)| chart.kind == kind)
    }

    /// The curves of a survival chart, to be pointed at.
    fn curves(
        &self,
        review: &Review,
        endpoint: &EndpointReview,
        factor: &str,
        groups: &[GroupReview],
    ) -> Option<ReadCurves> {
        let wanted = |chart: &Offered| {
            chart.kind == Kind::Survival
                && chart.endpoint.as_deref() == Some(endpoint.name.as_str())
                && chart.factor.as_deref() == Some(factor)
        };
        let (_, drawing) = self.0.iter().find(|(chart, _)| wanted(chart))?;
        Some(ReadCurves::new(&drawing.name, review.confidence_level, groups, Readers::Others))
    }
}

/// Survival and annual failure of one level after so long.
fn outcome_cells(group: &GroupReview, day: crate::quantity::Days) -> Markup {
    html! {
        td.n { (Readers::Others.count(group.behind.observations)) } td.n { (Readers::Others.count(group.behind.clusters)) }
        @match group.horizon(day) {
            Some(horizon) if horizon.few_at_risk => { td.n { "too few followed so long" } td.n {} }
            Some(horizon) => {
                td.n { (known(&horizon.survival, |survival| format!("{} ({})", percent(survival.value), known(&survival.interval, percent_interval)))) }
                td.n { (known(&horizon.geometric, |annual| format!("{} ({})", rate_number(annual.rate.value), interval_text(&annual.rate.interval, rate_interval)))) }
            }
            None => { td.n { "not asked for" } td.n { "not asked for" } }
        }
    }
}

fn of_review(review: &Review, charts: &Charts) -> String {
    let mut curves = Vec::new();
    for endpoint in &review.endpoints {
        curves.extend(charts.curves(review, endpoint, "all", std::slice::from_ref(&endpoint.all)));
        for factor in &endpoint.factors {
            curves.extend(charts.curves(review, endpoint, &factor.factor, &factor.groups));
        }
    }
    let ids: Vec<String> = review.endpoints.iter().map(|endpoint| format!("endpoint-{}", endpoint.name)).collect();
    let endpoints = ids.iter().map(String::as_str).zip(review.endpoints.iter().map(|endpoint| endpoint.title.as_str()));
    let parts = [("meaning", "What this means")].into_iter().chain(endpoints);
    let criteria = charts.any(Kind::Criterion).then_some(("criteria", "Criteria"));
    let recalls = charts.any(Kind::Recalls).then_some(("recalls", "Recalls"));
    let parts = parts.chain(criteria).chain(recalls).chain([("method", "How it was computed")]);
    let cautions: Vec<String> = review.cautions.iter().map(|caution| caution_text(caution, Readers::Others)).collect();
    let body = html! {
        h1 { (review.title) }
        p.soft { (sentence::totals(review, Readers::Others)) ". " (LEFT_OUT) }
        @if let Some(endpoint) = review.endpoints.first() {
            p.lead { strong { (sentence::headline(review, endpoint)) } }
            @if let Some(natural) = sentence::natural_frequency(review, endpoint) { p.lead { (natural) } }
            p { (endpoint.title) ": " (sentence::annual_failure(review, &endpoint.all)) "." }
            p.soft { (endpoint.definition) }
        }
        (contents(parts))
        (meaning(&cautions, false))
        @for endpoint in &review.endpoints { (endpoint_section(review, endpoint, charts)) }
        @if charts.any(Kind::Criterion) {
            h2 id="criteria" { "Criteria at each recall" }
            p { "Of those scored within each recall's window. A lost filling can't be scored for colour, staining or fit. These intervals take every filling as independent." }
            (charts.shown(Kind::Criterion, None, Some("all")))
        }
        @if charts.any(Kind::Recalls) {
            h2 id="recalls" { "Recalls: " (sentence::recall_finding(review)) }
            (charts.shown(Kind::Recalls, None, None))
        }
        h2 id="method" { "How it was computed" }
        p { (sentence::interval_note(review)) " Failures are counted from placement. Patients who died, left or stayed away are censored at the last visit that showed the filling in place. The annual failure rate is geometric, 1 − S^(1/z) from survival S at z years: compare it only with rates made in the same way." }
        p.soft { "manebit " (review.program_version) "." }
    };
    framed(&review.title, &curves, &body)
}

fn endpoint_section(review: &Review, endpoint: &EndpointReview, charts: &Charts) -> Markup {
    let factors = endpoint.factors.iter().map(|factor| (factor.label.as_str(), factor.groups.as_slice()));
    let parts = std::iter::once(("All restorations", std::slice::from_ref(&endpoint.all))).chain(factors);
    html! {
        h2 id={ "endpoint-" (endpoint.name) } { (endpoint.title) ": " (sentence::headline(review, endpoint)) }
        p.soft { (endpoint.definition) }
        (charts.shown(Kind::Survival, Some(&endpoint.name), Some("all")))
        (scrolled(&format!("{}, by level", endpoint.title), &html! { table {
            caption { "After " (span(review.headline_day)) ", by level. Not adjusted: levels differ in more than their name." }
            thead { tr {
                th scope="col" { "Level" } th.n scope="col" { "Restorations" } th.n scope="col" { "Patients" }
                th.n scope="col" { "Survival (" (sentence::interval_word(review.confidence_level)) ")" }
                th.n scope="col" { "% a year, geometric" }
            } }
            tbody { @for (place, (label, groups)) in parts.enumerate() { @for group in groups { tr {
                th scope="row" { @if place == 0 { (label) } @else { (label) ": " (group.label) } }
                (outcome_cells(group, review.headline_day))
            } } } }
        } }))
        @for factor in &endpoint.factors {
            h3 { (endpoint.title) " by " (factor.label.to_lowercase()) (sentence::factor_finding(review, factor)) }
            (charts.shown(Kind::Survival, Some(&endpoint.name), Some(&factor.factor)))
            @for test in &factor.tests { p { (sentence::test(test)) "." } }
            @if factor.tests.is_empty() { p { "The levels are described, not tested." } }
            p.soft { (factor.label) ": " (not_randomised(factor.origin)) }
            (charts.shown(Kind::AnnualFailure, Some(&endpoint.name), Some(&factor.factor)))
        }
    }
}

fn of_comparison(comparison: &Comparison, charts: &Charts) -> String {
    let groups: Vec<GroupReview> = comparison.levels.iter().map(|level| level.group.clone()).collect();
    let survival = charts.0.iter().find(|(chart, _)| chart.kind == Kind::Survival);
    let curves: Vec<ReadCurves> = survival
        .map(|(_, drawing)| ReadCurves::new(&drawing.name, comparison.confidence_level, &groups, Readers::Others))
        .into_iter()
        .collect();
    let cautions = guard_texts(comparison.guards.iter(), &comparison.factor.label, Readers::Others);
    let shown = [
        (Kind::Survival, "survival", "Survival by level"),
        (Kind::AnnualFailure, "annual-failure", "Annual failure by level"),
        (Kind::Balance, "balance", "How the levels differ in other things"),
        (Kind::Criterion, "criteria", "Criteria at each recall"),
        (Kind::Forest, "together", "All together"),
    ];
    let shown: Vec<(Kind, &str, &str)> = shown.into_iter().filter(|(kind, ..)| charts.any(*kind)).collect();
    let parts = [("meaning", "What this means"), ("levels", "What is compared")].into_iter();
    let parts = parts.chain(shown.iter().map(|(_, id, title)| (*id, *title))).chain([("method", "How it was done")]);
    let body = html! {
        h1 { (comparison.title) }
        p.soft { (comparison.endpoint.definition) " " (LEFT_OUT) }
        @for verdict in &comparison.verdicts { (verdict_for_others(comparison, verdict)) }
        (contents(parts))
        (meaning(&cautions, true))
        h2 id="levels" { "What is compared" }
        (scrolled("Levels", &html! { table {
            caption { "Levels of " (comparison.factor.label.to_lowercase()) " after " (span(comparison.headline_day)) ", nothing adjusted; the reference is " (comparison.label(comparison.reference)) }
            thead { tr {
                th scope="col" { "Level" } th.n scope="col" { "Restorations" } th.n scope="col" { "Patients" }
                th.n scope="col" { (comparison.endpoint.survival_title) " (" (sentence::interval_word(comparison.confidence_level)) ")" }
                th.n scope="col" { "% a year, geometric" }
            } }
            tbody { @for group in &groups { tr { th scope="row" { (group.label) } (outcome_cells(group, comparison.headline_day)) } } }
        } }))
        @for (kind, id, title) in shown {
            h2 id=(id) { (title) }
            @for (_, drawing) in charts.0.iter().filter(|(chart, _)| chart.kind == kind) { (chart(drawing)) }
        }
        h2 id="method" { "How it was done" }
        p { (methods(comparison, Readers::Others)) }
        p.soft { (comparison_charts::interval_note(comparison)) " manebit " (comparison.program_version) "." }
    };
    framed(&comparison.title, &curves, &body)
}

fn verdict_for_others(comparison: &Comparison, verdict: &Verdict) -> Markup {
    let said = verdict_text(comparison, verdict);
    // How far the records are from settling it can only be told with how many failures there are.
    let told = verdict
        .needed
        .as_ref()
        .is_some_and(|needed| needed.failures_so_far >= LEAST_FOR_OTHERS && needed.restorations_so_far >= LEAST_FOR_OTHERS);
    let needed = said.needed.clone().filter(|_| told);
    verdict_section(&VerdictText { needed, ..said })
}
