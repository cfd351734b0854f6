//! How often two examiners agree, in all and on each category, without an allowance for chance.
//!
//! Formula.     Agreement o = Σ n_ii/n, by Wilson's interval. On category i: 2·n_ii/(n_i· + n_·i); of the things that either put into i, both
//!              did a share q, and agreement is 2q/(1 + q), so the limits of q give those of it. With two categories: positive and
//!              negative agreement. Prevalence index (n₁₁ − n₂₂)/n, bias index (n₁₂ − n₂₁)/n. With every category equally likely by
//!              chance: (k·o − 1)/(k − 1).
//! Source.      Dice LR. Ecology 1945;26:297–302; Cicchetti DV, Feinstein AR. J Clin Epidemiol 1990;43:551–558; Byrt T, Bishop J, Carlin JB.
//!              J Clin Epidemiol 1993;46:423–429; Brennan RL, Prediger DJ. Educ Psychol Meas 1981;41:687–699 (all from memory).
//! Decided.     A category that neither used has no agreement. Categories count as given, used or not, in the last formula.
//! Not for.     Fillings of one patient: take the share that agree as in `clustered_share`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::contingency_table::ContingencyTable;
use super::share::wilson_interval;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};

/// How far two examiners agree.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Agreement {
    /// Things scored by both.
    pub scored: u64,
    /// Those scored alike.
    pub alike: u64,
    /// Share of those.
    pub share: Fraction,
    /// Its interval.
    pub interval: ConfidenceInterval<Fraction>,
    /// On each category.
    pub by_category: Vec<CategoryAgreement>,
    /// Agreement beyond that of categories equally likely by chance.
    pub beyond_equal_chance: Known<f64>,
    /// With two categories: how much more often both say the first than both the second.
    pub prevalence_index: Option<f64>,
    /// With two categories: how much more often only the first examiner says the first category than only the second does.
    pub bias_index: Option<f64>,
}

/// Agreement on one category.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CategoryAgreement {
    /// Things that both put into it.
    pub both: u64,
    /// Things that either did.
    pub either: u64,
    /// Of an examiner's scores in this category, how many the other one shares, on average.
    pub share: Known<Fraction>,
    /// Its interval.
    pub interval: Known<ConfidenceInterval<Fraction>>,
}

/// Agreement in a square table of categories by the first examiner as rows and by the second as columns.
///
/// Not known when nothing is scored by both. A table that is not square is read as if the categories missing were unused.
pub fn agreement(table: &ContingencyTable, level: ConfidenceLevel) -> Known<Agreement> {
    let scored = table.total();
    let categories = table.rows().max(table.columns());
    let both = |i: usize| if i < table.rows() && i < table.columns() { table.at(i, i) } else { 0 };
    let alike: u64 = (0..categories).map(both).sum();
    let (rows, columns) = (table.row_totals(), table.column_totals());
    let by_category = (0..categories)
        .map(|i| {
            let either = rows.get(i).unwrap_or(&0) + columns.get(i).unwrap_or(&0) - both(i);
            let doubled = |q: Fraction| Fraction::new(2.0 * q.value() / (1.0 + q.value()));
            let share = if either > 0 {
                Known::Known(doubled(Fraction::new(both(i) as f64 / either as f64)))
            } else {
                Known::NotKnown(WhyNotKnown::NoObservations)
            };
            let interval = wilson_interval(both(i), either, level).map(|limits| ConfidenceInterval {
                lower: doubled(limits.lower),
                upper: doubled(limits.upper),
                ..limits
            });
            CategoryAgreement { both: both(i), either, share, interval }
        })
        .collect();
    let share = alike as f64 / scored as f64;
    let k = categories as f64;
    let index = |one: u64, other: u64| (one as f64 - other as f64) / scored as f64;
    let two = table.rows() == 2 && table.columns() == 2;
    wilson_interval(alike, scored, level).map(|interval| Agreement {
        scored,
        alike,
        share: Fraction::new(share),
        interval,
        by_category,
        beyond_equal_chance: if categories > 1 {
            Known::Known((k * share - 1.0) / (k - 1.0))
        } else {
            Known::NotKnown(WhyNotKnown::NoVariation)
        },
        prevalence_index: two.then(|| index(table.at(0, 0), table.at(1, 1))),
        bias_index: two.then(|| index(table.at(0, 1), table.at(1, 0))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        // [[40, 5], [15, 40]]: 80 of 100; on the first 80/100, of either 40/60; prevalence 0, bias −0.1; (2·0.8 − 1)/1 = 0.6.
        let table = ContingencyTable::new(&[[40, 5], [15, 40]]).expect("a table");
        let agreement = agreement(&table, ConfidenceLevel::USUAL).known().cloned().expect("scored");
        assert_eq!(agreement.share, Fraction::new(0.8));
        let first = agreement.by_category[0];
        assert!((first.share.known().expect("used").value() - 0.8).abs() < 1e-15, "absolute");
        assert_eq!((first.both, first.either), (40, 60));
        assert!((agreement.bias_index.expect("two") + 0.1).abs() < 1e-15, "absolute");
        assert!((agreement.beyond_equal_chance.known().expect("two") - 0.6).abs() < 1e-15, "absolute");
    }

    #[test]
    fn unused_categories_and_nothing_scored() {
        let table = ContingencyTable::new(&[[4, 0, 0], [1, 2, 0], [0, 0, 0]]).expect("a table");
        let some = agreement(&table, ConfidenceLevel::USUAL).known().cloned().expect("scored");
        assert_eq!(some.by_category[2].share, Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(some.prevalence_index, None);
        let none = ContingencyTable::new(&[[0, 0], [0, 0]]).expect("a table");
        assert_eq!(agreement(&none, ConfidenceLevel::USUAL), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
