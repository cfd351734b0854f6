//! The tables of a review as CSV: fractions, days and codes for machines, a reason where a number is not known. Text from the
//! records is defused for spreadsheets.

use crate::quantity::{ConfidenceInterval, Fraction, Known};
use crate::record::{Coded, Standing};
use crate::result::{AnnualFailure, CriterionReview, GroupReview, Review};
use crate::threads::{available, in_turn};
use crate::wording::{csv_cell, why_not_known};

use super::sentence::formula_word;

/// One table: file name and content.
pub struct Table {
    /// File name without folder.
    pub name: &'static str,
    /// CSV text.
    pub text: String,
    /// The same cells as they are, the header first.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Whether it has more rows than so many.
    pub(super) fn longer_than(&self, rows: usize) -> bool {
        self.rows.len().saturating_sub(1) > rows
    }

    /// The name without its ending.
    pub(super) fn title(&self) -> &'static str {
        self.name.strip_suffix(".csv").unwrap_or(self.name)
    }
}

/// A table under way.
pub(super) struct Writer(Vec<Vec<String>>);

impl Writer {
    pub(super) fn new(header: &[&str]) -> Self {
        Self(vec![header.iter().map(|&name| name.to_owned()).collect()])
    }

    pub(super) fn row(&mut self, cells: Vec<String>) {
        self.0.push(cells);
    }

    pub(super) fn finish(self, name: &'static str) -> Table {
        // Each cell with a separator or the line end, and some marks.
        let letters = self.0.iter().flatten().map(|cell| cell.len() + 1).sum::<usize>();
        let mut text = String::with_capacity(letters + letters / 16);
        for row in &self.0 {
            for (place, cell) in row.iter().enumerate() {
                if place > 0 {
                    text.push(',');
                }
                text.push_str(&csv_cell(cell));
            }
            text.push('\n');
        }
        Table { name, text, rows: self.0 }
    }
}

pub(super) fn number(value: f64) -> String {
    format!("{value}")
}

fn limits<T: Copy>(interval: &Known<ConfidenceInterval<T>>, value: impl Fn(T) -> f64) -> [String; 3] {
    match interval {
        Known::Known(interval) => [number(value(interval.lower)), number(value(interval.upper)), String::new()],
        Known::NotKnown(why) => [String::new(), String::new(), why_not_known(*why).to_owned()],
    }
}

/// Ends each row of a table with the definition of its endpoint, which stands in its first cell.
fn define(mut table: Writer, review: &Review) -> Writer {
    for (place, row) in table.0.iter_mut().enumerate() {
        let endpoint = review.endpoints.iter().find(|endpoint| row.first() == Some(&endpoint.name));
        row.push(if place == 0 {
            "definition".to_owned()
        } else {
            endpoint.map_or_else(String::new, |found| found.definition.clone())
        });
    }
    table
}

/// Restorations, patients and failures behind a group.
fn behind(group: &GroupReview) -> [String; 3] {
    [group.behind.observations, group.behind.clusters, group.behind.failures].map(|count| count.to_string())
}

/// A table with a row or more for each group: its columns after endpoint, factor and level.
fn group_table(columns: &[&str]) -> Writer {
    let mut header = vec!["endpoint", "factor", "level"];
    header.extend(columns);
    Writer::new(&header)
}

/// Every group of a review with its endpoint, factor and level.
fn groups(review: &Review) -> impl Iterator<Item = ([String; 3], &GroupReview)> {
    review.endpoints.iter().flat_map(|endpoint| {
        let key = |factor: &str, group: &GroupReview| [endpoint.name.clone(), factor.to_owned(), group.level.clone()];
        let all = std::iter::once((key("all", &endpoint.all), &endpoint.all));
        all.chain(
            endpoint
                .factors
                .iter()
                .flat_map(move |factor| factor.groups.iter().map(move |group| (key(&factor.factor, group), group))),
        )
    })
}

/// What makes the tables of a review, in their order.
const MAKERS: [fn(&Review) -> Table; 11] =
    [survival, annual_failure, curve, counts, tests, failed, recalls, criteria, scores, flow, definitions];
/// Where the longest table stands among them: that of the steps of curves.
const LONGEST: usize = 2;

/// All tables of a review, made on all threads, the longest one first.
pub fn tables(review: &Review) -> Vec<Table> {
    let mut makers = MAKERS;
    makers.rotate_left(LONGEST);
    let mut tables = in_turn(&makers, available(), |make| make(review));
    tables.rotate_right(LONGEST);
    tables
}

/// The restorations behind the numbers of failures.
fn failed(review: &Review) -> Table {
    let mut table = Writer::new(&["endpoint", "restoration_id", "tooth", "placed_on", "last_good_on", "failed_on", "day"]);
    for endpoint in &review.endpoints {
        for one in &endpoint.failed {
            table.row(vec![
                endpoint.name.clone(),
                one.restoration.clone(),
                one.tooth.to_string(),
                one.placed_on.to_string(),
                one.last_good_on.to_string(),
                one.failed_on.to_string(),
                one.after.count().to_string(),
            ]);
        }
    }
    define(table, review).finish("failed.csv")
}

fn survival(review: &Review) -> Table {
    let mut table = group_table(&[
        "restorations",
        "patients",
        "failures",
        "day",
        "months",
        "at_risk",
        "patients_at_risk",
        "few_at_risk",
        "survival",
        "standard_error",
        "lower",
        "upper",
        "interval_not_known",
        "survival_not_known",
        "model_based_standard_error",
        "between_visits_least",
        "between_visits_largest",
    ]);
    for (key, group) in groups(review) {
        for horizon in &group.horizons {
            let mut row = key.to_vec();
            row.extend(behind(group));
            row.extend([horizon.day.count().to_string(), horizon.months.to_string()]);
            row.extend([horizon.at_risk.to_string(), horizon.patients_at_risk.to_string()]);
            row.push(if horizon.few_at_risk { "yes" } else { "no" }.to_owned());
            match &horizon.survival {
                Known::Known(survival) => {
                    row.push(number(survival.value.value()));
                    row.push(survival.standard_error.map_or_else(String::new, number));
                    row.extend(limits(&survival.interval, |limit| limit.value()));
                    row.push(String::new());
                }
                Known::NotKnown(why) => {
                    row.extend(vec![String::new(); 5]);
                    row.push(why_not_known(*why).to_owned());
                }
            }
            row.push(horizon.model_based_standard_error.map_or_else(String::new, number));
            let between = horizon.between_visits.map(|range| [range.least, range.largest]);
            row.extend(between.map_or([const { String::new() }; 2], |ends| ends.map(|end| number(end.value()))));
            table.row(row);
        }
    }
    define(table, review).finish("survival.csv")
}

fn annual_failure(review: &Review) -> Table {
    let mut table = group_table(&[
        "restorations",
        "patients",
        "failures",
        "formula",
        "years",
        "rate_per_year",
        "standard_error",
        "lower",
        "upper",
        "not_known",
    ]);
    for (key, group) in groups(review) {
        let mut add = |formula: &str, years: f64, annual: &Known<AnnualFailure>| {
            let mut row = key.to_vec();
            row.extend(behind(group));
            row.extend([formula.to_owned(), number(years)]);
            match annual {
                Known::Known(annual) => {
                    row.push(number(annual.rate.value.per_year()));
                    row.push(annual.rate.standard_error.map_or_else(String::new, number));
                    row.extend(limits(&annual.rate.interval, |limit| limit.per_year()));
                }
                Known::NotKnown(why) => {
                    row.extend(vec![String::new(); 4]);
                    row.push(why_not_known(*why).to_owned());
                }
            }
            table.row(row);
        };
        for horizon in &group.horizons {
            let years = f64::from(horizon.months) / 12.0;
            add("geometric", years, &horizon.geometric);
            add("linear", years, &horizon.linear);
        }
        add(formula_word(crate::result::AnnualFormula::PersonTime), group.exposure_years.count(), &group.person_time);
    }
    define(table, review).finish("annual-failure.csv")
}

fn curve(review: &Review) -> Table {
    let mut table = group_table(&["day", "at_risk", "failed", "survival", "lower", "upper", "interval_not_known"]);
    for (key, group) in groups(review) {
        for point in &group.curve {
            let mut row = key.to_vec();
            row.extend([
                point.day.count().to_string(),
                point.at_risk.to_string(),
                point.failed.to_string(),
                number(point.survival.value()),
            ]);
            row.extend(limits(&point.interval, |limit| limit.value()));
            table.row(row);
        }
    }
    define(table, review).finish("curve.csv")
}

fn counts(review: &Review) -> Table {
    let mut table = group_table(&["day", "at_risk", "failed", "competing", "censored", "not_yet_entered"]);
    for (key, group) in groups(review) {
        for counts in &group.counts {
            let mut row = key.to_vec();
            row.push(counts.day.count().to_string());
            row.extend(
                [counts.at_risk, counts.failed, counts.competing, counts.censored, counts.not_yet_entered]
                    .map(|count| count.to_string()),
            );
            table.row(row);
        }
    }
    define(table, review).finish("at-risk.csv")
}

fn tests(review: &Review) -> Table {
    let mut table = Writer::new(&[
        "endpoint",
        "factor",
        "variance",
        "chi_square",
        "degrees_of_freedom",
        "p_value",
        "ln_p_value",
        "not_tested",
    ]);
    for endpoint in &review.endpoints {
        for factor in &endpoint.factors {
            for test in &factor.tests {
                let variance = match test.variance {
                    crate::quantity::Variance::ClusterRobust => "cluster_robust",
                    crate::quantity::Variance::ModelBased => "model_based",
                };
                table.row(vec![
                    endpoint.name.clone(),
                    factor.factor.clone(),
                    variance.to_owned(),
                    number(test.chi_square),
                    test.degrees_of_freedom.to_string(),
                    number(test.p_value),
                    number(test.ln_p_value),
                    String::new(),
                ]);
            }
            if let Some(why) = &factor.not_tested {
                let mut row = vec![endpoint.name.clone(), factor.factor.clone()];
                row.extend(vec![String::new(); 5]);
                row.push(why.clone());
                table.row(row);
            }
        }
    }
    define(table, review).finish("log-rank.csv")
}

fn recalls(review: &Review) -> Table {
    let mut table = Writer::new(&[
        "months",
        "opens_day",
        "closes_day",
        "due",
        "seen",
        "scored",
        "patients_due",
        "patients_seen",
        "share_seen",
        "lower",
        "upper",
    ]);
    for recall in &review.recalls {
        let mut row = vec![recall.months.to_string(), recall.opens.count().to_string(), recall.closes.count().to_string()];
        row.extend(
            [recall.due, recall.seen, recall.scored, recall.patients_due, recall.patients_seen]
                .map(|count| count.to_string()),
        );
        match &recall.share_seen {
            Known::Known((share, interval)) => {
                row.extend([number(share.value()), number(interval.lower.value()), number(interval.upper.value())]);
            }
            Known::NotKnown(_) => row.extend(vec![String::new(); 3]),
        }
        table.row(row);
    }
    table.finish("recalls.csv")
}

/// Scores of all schemes together on ideal, acceptable, unacceptable.
fn criteria(review: &Review) -> Table {
    let mut table = Writer::new(&[
        "criterion",
        "factor",
        "level",
        "months",
        "scored",
        "patients",
        "standing",
        "count",
        "share",
        "lower",
        "upper",
    ]);
    for entry in review.criteria.iter().filter(|entry| entry.scheme.is_none()) {
        for share in &entry.standings {
            let mut row = scored(entry, &[]);
            row.extend([standing_word(share.standing).to_owned()]);
            row.extend(counted_share(share.count, &share.share, &share.interval));
            table.row(row);
        }
    }
    table.finish("criteria.csv")
}

/// Scores of each scheme by themselves.
fn scores(review: &Review) -> Table {
    let mut table = Writer::new(&[
        "criterion",
        "factor",
        "level",
        "scheme",
        "months",
        "scored",
        "patients",
        "score",
        "standing",
        "count",
        "share",
        "lower",
        "upper",
    ]);
    for entry in &review.criteria {
        let Some(scheme) = entry.scheme else { continue };
        for score in &entry.scores {
            let mut row = scored(entry, &[scheme.code()]);
            row.extend([score.score.clone(), standing_word(score.standing).to_owned()]);
            row.extend(counted_share(score.count, &score.share, &score.interval));
            table.row(row);
        }
    }
    table.finish("scores.csv")
}

/// What was scored, in whom and when, with how many; `of` stands after the level.
fn scored(entry: &CriterionReview, of: &[&str]) -> Vec<String> {
    let mut row: Vec<String> = [entry.criterion.code(), &entry.factor, &entry.level].map(str::to_owned).to_vec();
    row.extend(of.iter().map(|&text| text.to_owned()));
    row.extend([entry.months.to_string(), entry.scored.to_string(), entry.patients.to_string()]);
    row
}

const fn standing_word(standing: Standing) -> &'static str {
    match standing {
        Standing::Ideal => "ideal",
        Standing::Acceptable => "acceptable",
        Standing::Unacceptable => "unacceptable",
    }
}

fn counted_share(count: u64, share: &Known<Fraction>, interval: &Known<ConfidenceInterval<Fraction>>) -> [String; 4] {
    let [lower, upper, _] = limits(interval, |limit: Fraction| limit.value());
    [count.to_string(), share.known().map_or_else(String::new, |share| number(share.value())), lower, upper]
}

fn flow(review: &Review) -> Table {
    let flow = &review.flow;
    let mut table = Writer::new(&["endpoint", "what", "step", "reason", "count"]);
    let mut add = |endpoint: &str, what: &str, step: &str, reason: &str, count: u64| {
        table.row(vec![endpoint.to_owned(), what.to_owned(), step.to_owned(), reason.to_owned(), count.to_string()]);
    };
    for endpoint in &review.endpoints {
        let name = &endpoint.name;
        add(name, "placements", "received", "", flow.received);
        for excluded in super::page::excluded_under(review, endpoint) {
            add(name, "placements", "excluded", &excluded.reason, excluded.count);
        }
        add(name, "placements", "analysed", "", endpoint.flow.analysed);
    }
    add("", "visits", "received", "", flow.visits_received);
    for excluded in &flow.visits_excluded {
        add("", "visits", "excluded", &excluded.reason, excluded.count);
    }
    add("", "visits", "used", "", flow.visits_used);
    define(table, review).finish("flow.csv")
}

fn definitions(review: &Review) -> Table {
    let mut table = Writer::new(&["endpoint", "title", "definition"]);
    for endpoint in &review.endpoints {
        table.row(vec![endpoint.name.clone(), endpoint.title.clone(), endpoint.definition.clone()]);
    }
    table.finish("definitions.csv")
}
