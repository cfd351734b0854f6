//! The review as one self-contained HTML page: no network, charts inline. What a meeting needs comes first and is printed on the
//! first pages; the rest follows as a second part.

use maud::{Markup, html};

use super::caution_text::{caution_text, not_randomised};
use super::charts::{ChartSet, Placed};
use super::frame::{ReadCurves, chart, contents, framed, meaning, scrolled};
use super::sentence;
use crate::protocol::FailureDayReading;
use crate::quantity::{Known, Variance};
use crate::record::{Coded, Standing};
use crate::result::{BETWEEN_VISITS_ROWS, EndpointReview, Exclusion, FactorReview, GroupReview, Review};
use crate::wording::{
    Readers, count, counted, interval_text, known, percent, percent_interval, percent_number, rate_interval, rate_number,
    span, years,
};

/// The page of a review.
pub fn page(review: &Review, charts: &ChartSet) -> String {
    let headline = review.endpoints.first();
    let cautions: Vec<String> = review.cautions.iter().map(|caution| caution_text(caution, Readers::Practice)).collect();
    let body = html! {
        h1 { (review.title) }
        p.soft { "Records as they stood on " (review.as_of) ". " (sentence::totals(review, Readers::Practice)) "." }
        @if let Some(endpoint) = headline { (opening(review, endpoint)) }
        (contents_of(review))
        (meaning(&cautions, false))
        @if let Some(endpoint) = headline { (glance_section(review, endpoint, charts)) }
        (recall_section(review))
        div.more {
            @for endpoint in &review.endpoints { (endpoint_section(review, endpoint, charts)) }
            (criteria_section(review, charts))
            @if let Some(recall) = charts.recall() {
                h2 id="recall-chart" { "Recalls: due, seen and scored" }
                (drawing(Some(recall)))
            }
            (flow_section(review))
            (method_section(review))
        }
    };
    framed(&format!("{}, {}", review.title, review.as_of), &read_curves(review, charts), &body)
}

/// The curves of every survival chart on the page.
fn read_curves(review: &Review, charts: &ChartSet) -> Vec<ReadCurves> {
    let mut curves = Vec::new();
    for endpoint in &review.endpoints {
        let mut add = |factor: &str, groups: &[GroupReview]| {
            if let Some(placed) = charts.survival(&endpoint.name, factor) {
                curves.push(ReadCurves::new(&placed.drawing.name, review.confidence_level, groups, Readers::Practice));
            }
        };
        add("all", std::slice::from_ref(&endpoint.all));
        for factor in &endpoint.factors {
            add(&factor.factor, &factor.groups);
        }
    }
    curves
}

fn opening(review: &Review, endpoint: &EndpointReview) -> Markup {
    html! {
        p.lead { strong { (sentence::headline(review, endpoint)) } }
        @if let Some(natural) = sentence::natural_frequency(review, endpoint) { p.lead { (natural) } }
        p {
            (endpoint.title) ": " (sentence::annual_failure(review, &endpoint.all)) ". "
            @match &endpoint.all.person_time {
                Known::Known(annual) => {
                    (counted(endpoint.all.behind.failures, "failure", "failures")) " in " (if annual.years.count() < 100.0 { format!("{:.1}", annual.years.count()) } else { format!("{:.0}", annual.years.count()) }) " restoration-years: "
                    (rate_number(annual.rate.value)) " per 100 restoration-years (" (interval_text(&annual.rate.interval, rate_interval)) (sentence::person_time_limits(annual)) ")."
                },
                Known::NotKnown(_) => {},
            }
        }
        p.soft { (endpoint.definition) " " (sentence::interval_note(review)) }
    }
}

fn contents_of(review: &Review) -> Markup {
    let ids: Vec<String> = review.endpoints.iter().map(|endpoint| format!("endpoint-{}", endpoint.name)).collect();
    let glance = (!review.endpoints.is_empty()).then_some(("glance", "At a glance"));
    let parts = [("meaning", "What this means")].into_iter().chain(glance).chain([("recalls", "Recalls")]);
    let endpoints = ids.iter().map(String::as_str).zip(review.endpoints.iter().map(|endpoint| endpoint.title.as_str()));
    let rest = [("criteria", "Criteria"), ("flow", "From records to results"), ("method", "How it was computed")];
    contents(parts.chain(endpoints).chain(rest))
}

fn drawing(placed: Option<&Placed>) -> Markup {
    html! { @if let Some(placed) = placed { (chart(&placed.drawing)) } }
}

/// What a meeting needs of the first endpoint: its curve, and how every level did at the headline day.
fn glance_section(review: &Review, endpoint: &EndpointReview, charts: &ChartSet) -> Markup {
    let after = span(review.headline_day);
    let factors = endpoint.factors.iter().map(|factor| (factor.label.as_str(), factor.groups.as_slice()));
    let parts: Vec<(&str, &[GroupReview])> =
        std::iter::once(("All restorations", std::slice::from_ref(&endpoint.all))).chain(factors).collect();
    html! {
        h2 id="glance" { "At a glance: " (endpoint.title.to_lowercase()) ", " (sentence::annual_failure(review, &endpoint.all)) }
        (drawing(charts.survival(&endpoint.name, "all")))
        (scrolled("Annual failure", &html! { table {
            caption { "After " (after) ", by level. " (endpoint.definition) " Not adjusted: levels differ in more than their name." }
            thead { tr {
                th scope="col" { "Level" } th.n scope="col" { "Restorations" } th.n scope="col" { "Failures" }
                th.n scope="col" { "Survival (" (sentence::interval_word(review.confidence_level)) ")" }
                th.n scope="col" { "% a year, geometric" }
            } }
            tbody { @for (label, groups) in &parts { @for group in *groups { tr {
                th scope="row" { @if *label == "All restorations" { (label) } @else { (label) ": " (group.label) } }
                td.n { (count(group.behind.observations)) } td.n { (count(group.behind.failures)) }
                @match group.horizon(review.headline_day) {
                    Some(horizon) => {
                        td.n { (known(&horizon.survival, |survival| format!("{} ({})", percent(survival.value), known(&survival.interval, percent_interval)))) @if horizon.few_at_risk { " few" } }
                        td.n { (known(&horizon.geometric, annual_text)) }
                    }
                    None => { td.n { "not asked for" } td.n { "not asked for" } }
                }
            } } } }
        } }))
    }
}

fn endpoint_section(review: &Review, endpoint: &EndpointReview, charts: &ChartSet) -> Markup {
    html! {
        h2 id={ "endpoint-" (endpoint.name) } { (endpoint.title) ": " (sentence::headline(review, endpoint)) }
        p.soft { (endpoint.definition) }
        @if review.endpoints.first().is_some_and(|first| first.name == endpoint.name) {
            p { "The curve of all restorations stands " a href="#glance" { "at a glance" } "." }
        } @else { (drawing(charts.survival(&endpoint.name, "all"))) }
        (horizon_table(review, &format!("All restorations. {}", endpoint.definition), std::slice::from_ref(&endpoint.all)))
        (quantile_note(review, &endpoint.all))
        (failed_list(endpoint))
        @for factor in &endpoint.factors { (factor_section(review, endpoint, factor, charts)) }
        @if charts.courses(&endpoint.name).next().is_some() {
            h3 { (endpoint.title) ": year by year, tooth by tooth" }
            p { "These describe where and when failures were found. Years and teeth differ in how many fillings they hold and how old these are; no year and no tooth is ranked." }
            @for placed in charts.courses(&endpoint.name) { (drawing(Some(placed))) }
        }
    }
}

/// The restorations behind the number of failures, to be looked up in the records.
fn failed_list(endpoint: &EndpointReview) -> Markup {
    let all = endpoint.all.behind.failures;
    let listed = u64::try_from(endpoint.failed.len()).unwrap_or(u64::MAX);
    html! {
        @if listed > 0 {
            details {
                summary { @if listed == all { "Which they are: " (counted(all, "failure", "failures")) } @else { "Which they are: the latest " (count(listed)) " of " (counted(all, "failure", "failures")) } }
                (scrolled(&format!("{}: which restorations", endpoint.title), &html! { table {
                    caption { (endpoint.title) ": which restorations, the latest first. For the practice's own eyes." }
                    thead { tr {
                        th scope="col" { "Restoration" } th.n scope="col" { "Tooth" } th scope="col" { "Placed" } th scope="col" { "Last without it" } th scope="col" { "Failed (found)" } th.n scope="col" { "After" }
                        @for factor in &endpoint.factors { th scope="col" { (factor.label) } }
                    } }
                    tbody { @for one in &endpoint.failed { tr {
                        th scope="row" { (one.restoration) } td.n { (one.tooth) } td { (one.placed_on) } td { (one.last_good_on) } td { (one.failed_on) }
                        td.n data-sort=(one.after.count()) { (span(one.after)) }
                        @for level in &one.levels { td { (level) } }
                    } } }
                } }))
            }
        }
    }
}

fn quantile_note(review: &Review, group: &GroupReview) -> Markup {
    html! {
        p {
            "Mean time without failure within the first " (span(group.restricted_mean.horizon)) ": "
            (known(&group.restricted_mean.mean, |mean| {
                let interval = known(&mean.interval, |i| format!("{:.2} to {:.2}", i.lower.count(), i.upper.count()));
                format!("{:.2} years ({} {interval})", mean.value.count(), sentence::interval_word(review.confidence_level))
            }))
            ". "
            @for quantile in &group.quantiles {
                "Day by which " (percent_number(quantile.failed)) " % had failed: "
                (known(&quantile.day, |day| format!("{} years", years(*day))))
                @if let Known::Known(_) = quantile.day {
                    " (" (known(&quantile.lower, |day| years(*day))) " to " (known(&quantile.upper, |day| years(*day))) ")"
                }
                ". "
            }
            "Median follow-up: " (known(&group.median_follow_up_days, |day| format!("{} years", years(*day)))) "."
        }
    }
}

fn factor_section(review: &Review, endpoint: &EndpointReview, factor: &FactorReview, charts: &ChartSet) -> Markup {
    html! {
        h3 { (endpoint.title) " by " (factor.label.to_lowercase()) (sentence::factor_finding(review, factor)) }
        (drawing(charts.survival(&endpoint.name, &factor.factor)))
        (horizon_table(review, &format!("{} by {}. {}", endpoint.title, factor.label.to_lowercase(), endpoint.definition), &factor.groups))
        @for test in &factor.tests { p { (sentence::test(test)) "." } }
        @if let Some(why) = &factor.not_tested { p { "Not tested: " (why) "." } }
        p.soft {
            @if factor.missing > 0 { (counted(factor.missing, "restoration", "restorations")) " without a level left out. " }
            @if factor.hidden > 0 { (counted(factor.hidden, "restoration", "restorations")) " of levels with few patients are hidden. " }
            (factor.label) ": " (not_randomised(factor.origin))
        }
        @for placed in charts.annual(&endpoint.name, &factor.factor) { (drawing(Some(placed))) }
    }
}

fn horizon_table(review: &Review, caption: &str, groups: &[GroupReview]) -> Markup {
    html! {
        (scrolled(caption, &html! { table {
            caption { (caption) " “few”: fewer at risk than " (review.least_at_risk) ", so the number rests on few. Survival has failures on the day " (if review.failure_day == FailureDayReading::DayFound { "they were found" } else { "that the patient remembered, where recorded" }) "; beside it stands what it would be if they came at some time between two visits (Turnbull)" @if groups.iter().any(|group| group.behind.observations > BETWEEN_VISITS_ROWS as u64) { ", of " (count(BETWEEN_VISITS_ROWS as u64)) " of a group at most" } "." }
            thead { tr {
                th scope="col" { "Level" } th.n scope="col" { "Restorations, patients, failures" } th.n scope="col" { "After" } th.n scope="col" { "At risk (patients)" }
                th.n scope="col" { "Survival (" (sentence::interval_word(review.confidence_level)) ")" } th.n scope="col" { "Failures between visits" }
                th.n scope="col" { "% a year, geometric" } th.n scope="col" { "% a year, linear" } th.n scope="col" { "Per 100 restoration-years (all years)" }
            } }
            tbody { @for group in groups { @for (place, horizon) in group.horizons.iter().enumerate() { tr {
                @if place == 0 {
                    th scope="rowgroup" rowspan=(group.horizons.len()) { (group.label) }
                    td.n rowspan=(group.horizons.len()) { (count(group.behind.observations)) ", " (count(group.behind.clusters)) ", " (count(group.behind.failures)) }
                }
                td.n data-sort=(horizon.day.count()) { (span(horizon.day)) }
                td.n { (count(horizon.at_risk)) " (" (count(horizon.patients_at_risk)) ")" @if horizon.few_at_risk { " few" } }
                td.n { (known(&horizon.survival, |survival| format!("{} ({})", percent(survival.value), known(&survival.interval, percent_interval)))) }
                td.n { (sentence::between_visits(horizon)) }
                td.n { (known(&horizon.geometric, annual_text)) }
                td.n { (known(&horizon.linear, annual_text)) }
                @if place == 0 { td.n rowspan=(group.horizons.len()) { (known(&group.person_time, annual_text)) } }
            } } } }
        } }))
    }
}

fn annual_text(annual: &crate::result::AnnualFailure) -> String {
    format!("{} ({})", rate_number(annual.rate.value), known(&annual.rate.interval, rate_interval))
}

fn criteria_section(review: &Review, charts: &ChartSet) -> Markup {
    let pooled: Vec<_> = review.criteria.iter().filter(|entry| entry.scheme.is_none() && entry.factor == "all").collect();
    html! {
        h2 id="criteria" { "Criteria at each recall" }
        p {
            "Of those scored within each recall's window. A lost filling can't be scored for colour, staining or fit, so it is not in those shares. "
            "Different scoring schemes are pooled only on “acceptable or not”; each scheme's own scores stand in the tables. "
            "What counts of a filling is the scored visit nearest to the day it was due, and of two examiners on one day the worse score. "
            "These intervals take every filling as independent."
        }
        @for placed in charts.criteria() { (drawing(Some(placed))) }
        details { summary { "All criteria as a table" } (scrolled("All criteria", &html! { table {
            caption { "All restorations due and scored, schemes pooled on ideal, acceptable, not acceptable as each scheme's own table says" }
            thead { tr { th scope="col" { "Criterion" } th.n scope="col" { "Month" } th.n scope="col" { "Scored (patients)" } th.n scope="col" { "Ideal" } th.n scope="col" { "Acceptable" } th.n scope="col" { "Not acceptable (interval)" } } }
            tbody { @for entry in pooled { tr {
                td { (entry.criterion.label()) } td.n { (entry.months) } td.n { (count(entry.scored)) " (" (count(entry.patients)) ")" }
                @for share in &entry.standings { td.n {
                    (known(&share.share, |share| percent(*share)))
                    @if share.standing == Standing::Unacceptable { " (" (known(&share.interval, percent_interval)) ")" }
                } }
            } } }
        } })) }
    }
}

fn recall_section(review: &Review) -> Markup {
    html! {
        h2 id="recalls" { "Recalls: " (sentence::recall_finding(review)) }
        (scrolled("Recalls", &html! { table {
            caption { "Recalls whose window had closed by " (review.as_of) ". Due: under observation when the window opened, not ended before, and the patient not known to have died or left by the day it was due. Seen: examined within the window. Intervals by Wilson, every filling taken as independent" }
            thead { tr { th.n scope="col" { "Month" } th.n scope="col" { "Window (days)" } th.n scope="col" { "Due (patients)" } th.n scope="col" { "Seen (patients)" } th.n scope="col" { "Scored" } th.n scope="col" { "Seen of due" } } }
            tbody { @for recall in &review.recalls { tr {
                td.n { (recall.months) } td.n { (recall.opens.count()) "–" (recall.closes.count()) }
                td.n { (count(recall.due)) " (" (count(recall.patients_due)) ")" }
                td.n { (count(recall.seen)) " (" (count(recall.patients_seen)) ")" }
                td.n { (count(recall.scored)) }
                td.n { (known(&recall.share_seen, |(share, interval)| format!("{} ({})", percent(*share), percent_interval(interval)))) }
            } } }
        } }))
    }
}

fn flow_section(review: &Review) -> Markup {
    let flow = &review.flow;
    html! {
        h2 id="flow" { "From records to results" }
        @for endpoint in &review.endpoints {
            // What was left out before any endpoint, then what this endpoint leaves out.
            (flow_table(&format!("Placements: {}", endpoint.title), flow.received, &excluded_under(review, endpoint), &[
                ("Analysed", endpoint.flow.analysed),
                ("… of these never seen again after placement or entry", endpoint.flow.never_seen),
                ("… of these under observation only from a later day on", endpoint.flow.delayed_entries),
            ]))
        }
        (flow_table("Visits", flow.visits_received, &flow.visits_excluded, &[("Used", flow.visits_used)]))
        @if !review.notices.is_empty() {
            h3 { "Odd, but let through" }
            ul { @for notice in &review.notices { li {
                (notice.title) ": " (count(notice.count)) " (" code { (notice.code) } ")"
                @if notice.over_all_records { ", in all records, those after the day of the review too" }
            } } }
        }
    }
}

/// What is left out of the placements under an endpoint: what is left out of all, then what this one can't analyse.
pub(super) fn excluded_under(review: &Review, endpoint: &EndpointReview) -> Vec<Exclusion> {
    let of_first: &[Exclusion] = review.endpoints.first().map_or(&[], |first| &first.flow.excluded);
    let of_all = review.flow.excluded.iter().filter(|one| !of_first.contains(one));
    of_all.chain(&endpoint.flow.excluded).cloned().collect()
}

/// Received, less what was left out and why, and what remained; the first line of the rest is the row's heading.
fn flow_table(what: &str, received: u64, excluded: &[Exclusion], rest: &[(&str, u64)]) -> Markup {
    html! {
        (scrolled(what, &html! { table {
            caption { (what) ": from what was received to what was used" }
            thead { tr { th scope="col" { (what) } th.n scope="col" { "How many" } } }
            tbody {
                tr { td { "Received" } td.n { (count(received)) } }
                @for one in excluded { tr { td { "Left out: " (one.reason) } td.n { "−" (count(one.count)) } } }
                @for (place, (name, number)) in rest.iter().enumerate() { tr {
                    @if place == 0 { th scope="row" { (name) } } @else { td { (name) } }
                    td.n { (count(*number)) }
                } }
            }
        } }))
    }
}

fn method_section(review: &Review) -> Markup {
    html! {
        h2 id="method" { "How it was computed" }
        p { (sentence::interval_note(review)) " Follow-up counts whole days from placement; years are days divided by 365.25. Restorations that were already there when observation began are at risk only from then on. Patients who died, left or stayed away are censored at the last visit that showed the filling in place." }
        p { "Annual failure rate, three formulas: geometric 1 − S^(1/z) from survival S at z years; linear (1 − S)/z; person-time: failures divided by restoration-years" @if review.variance == Variance::ClusterRobust { ", with limits by patient, since fillings of one mouth may share their fate, or exact Poisson limits where these lie farther out" } @else { ", with exact Poisson limits" } ". They differ, the more the higher the loss: compare only like with like." }
        p { "Where none failed by a day, the lower limit of survival is the exact one of a share: of all patients with a filling that was followed from placement to that day, as many as these can be without a failure." }
        p { "The log-rank test compares whole curves. The patient-clustered form lets fillings of one mouth share their fate; the other takes each as independent and is shown beside it. Both leave competing events as censored. Each test stands by itself, whatever their number: of twenty factors without any effect one comes out below 0.05 by chance." }
        p { "Median follow-up is that by the reverse product-limit estimate: how long fillings would have been followed if none had failed; other endings count as the end of following." }
        h3 { "Endpoints" }
        ul { @for endpoint in &review.endpoints { li { strong { (endpoint.title) } ": " (endpoint.definition) } } }
        @if !review.benchmarks.is_empty() {
            h3 { "Published rates beside the practice's own" }
            ul { @for source in sources(review) { li { (source) } } }
        }
        p.soft {
            "manebit " (review.program_version) "; records " code { (review.data_fingerprint) } "; protocol " code { (review.protocol_fingerprint) } ". "
            @if let (Some(first), Some(last)) = (review.first_day, review.last_day) { "First day in the records " (first) ", last " (last) "." }
        }
    }
}

fn sources(review: &Review) -> Vec<&str> {
    let mut sources: Vec<&str> = review.benchmarks.iter().map(|benchmark| benchmark.source.as_str()).collect();
    sources.sort_unstable();
    sources.dedup();
    sources
}
