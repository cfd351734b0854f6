//! Interval-censored failures against published values, an independent optimum, and what must hold whatever the data.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{Days, Fraction, Known, WhyNotKnown};
use manebit::stats::{
    Axis, Ending, Grouping, IntervalQuantity, IntervalScores, IntervalSurvival, Intervals, LifeTable, Observations,
    ProductLimit, Resampling, ScoreBasis, interval_bootstrap, interval_permutation_test, interval_score_test,
    interval_survival,
};
use proptest::prelude::*;
use serde_json::Value;

const OPEN: i32 = 0;

/// Finkelstein DM, Wolfe RA. Biometrics 1985;41:933–945: breast cosmesis, months; (left, right], right 0 where open. The 94 rows of
/// Fay MP, Shaw PA. J Stat Softw 2010;36(2).
const RADIATION: [(i32, i32); 46] = [
    (0, 5),
    (0, 7),
    (0, 8),
    (4, 11),
    (5, 11),
    (5, 12),
    (6, 10),
    (7, 14),
    (7, 16),
    (11, 15),
    (11, 18),
    (15, 0),
    (17, 25),
    (17, 25),
    (17, 0),
    (18, 0),
    (19, 26),
    (19, 35),
    (22, 0),
    (24, 0),
    (24, 0),
    (25, 37),
    (26, 40),
    (27, 34),
    (32, 0),
    (33, 0),
    (34, 0),
    (36, 44),
    (36, 48),
    (36, 0),
    (36, 0),
    (37, 44),
    (37, 0),
    (37, 0),
    (37, 0),
    (38, 0),
    (40, 0),
    (45, 0),
    (46, 0),
    (46, 0),
    (46, 0),
    (46, 0),
    (46, 0),
    (46, 0),
    (46, 0),
    (46, 0),
];
const CHEMOTHERAPY: [(i32, i32); 48] = [
    (0, 5),
    (0, 22),
    (4, 8),
    (4, 9),
    (5, 8),
    (8, 12),
    (8, 21),
    (10, 17),
    (10, 35),
    (11, 13),
    (11, 17),
    (11, 20),
    (11, 0),
    (11, 0),
    (12, 20),
    (13, 39),
    (13, 0),
    (13, 0),
    (13, 0),
    (14, 17),
    (14, 19),
    (15, 22),
    (16, 20),
    (16, 24),
    (16, 24),
    (16, 60),
    (17, 23),
    (17, 26),
    (17, 27),
    (18, 24),
    (18, 25),
    (19, 32),
    (21, 0),
    (22, 32),
    (23, 0),
    (24, 30),
    (24, 31),
    (30, 34),
    (30, 36),
    (31, 0),
    (32, 0),
    (33, 40),
    (34, 0),
    (34, 0),
    (35, 39),
    (35, 0),
    (44, 48),
    (48, 0),
];

/// Entry, left, right (none where open), cluster, group, weight.
#[derive(Clone, Copy, Debug)]
struct Row {
    entry: i32,
    left: i32,
    right: Option<i32>,
    cluster: u32,
    group: u16,
    weight: f64,
}

fn intervals(rows: &[Row]) -> Intervals {
    let mut intervals = Intervals::with_capacity(rows.len());
    for row in rows {
        let right = row.right.map(Days::new);
        intervals
            .push_weighted(Days::new(row.entry), Days::new(row.left), right, row.cluster, row.weight)
            .expect("in order");
    }
    intervals
}

fn grouping(rows: &[Row], levels: u16) -> Grouping {
    Grouping::new(rows.iter().map(|row| row.group).collect(), levels).expect("levels")
}

fn curve(rows: &[Row]) -> IntervalSurvival {
    match interval_survival(&intervals(rows)) {
        Known::Known(curve) => curve,
        Known::NotKnown(why) => panic!("{why:?}"),
    }
}

fn cosmesis(group: u16, pairs: &[(i32, i32)], first: u32) -> Vec<Row> {
    let row = |(&(left, right), cluster): (&(i32, i32), u32)| Row {
        entry: 0,
        left,
        right: (right != OPEN).then_some(right),
        cluster,
        group,
        weight: 1.0,
    };
    pairs.iter().zip(first..).map(row).collect()
}

fn both() -> Vec<Row> {
    [cosmesis(0, &RADIATION, 0), cosmesis(1, &CHEMOTHERAPY, 46)].concat()
}

fn close(found: f64, wanted: f64, relative: f64, what: &str) {
    assert!((found - wanted).abs() <= relative * wanted.abs().max(1e-300), "{what}: {found} against {wanted}, relative");
}

#[test]
fn breast_cosmesis_masses_and_likelihoods() {
    // Four decimals published by Fay and Shaw, section 4.1; ten digits and likelihoods computed with a general-purpose statistics
    // system.
    type Published = (Vec<Row>, f64, Vec<(i32, i32, f64)>);
    let published: [Published; 3] = [
        (
            cosmesis(0, &RADIATION, 0),
            -58.060_021_954,
            vec![
                (4, 5, 0.046_346_773_99),
                (6, 7, 0.033_363_370_93),
                (7, 8, 0.088_667_368_06),
                (11, 12, 0.070_752_921_79),
                (24, 25, 0.092_645_836_59),
                (33, 34, 0.081_785_764_9),
                (38, 40, 0.120_879_827_4),
                (46, 48, 0.465_558_136_4),
            ],
        ),
        (
            cosmesis(1, &CHEMOTHERAPY, 0),
            -65.636_964_907_7,
            vec![
                (4, 5, 0.043_282_627_7),
                (5, 8, 0.043_282_627_7),
                (11, 12, 0.069_205_583_36),
                (16, 17, 0.145_397_715_3),
                (18, 19, 0.141_094_897_7),
                (19, 20, 0.115_745_925_7),
                (24, 25, 0.099_865_310_74),
                (30, 31, 0.070_881_376_54),
                (35, 36, 0.160_831_107_4),
                (44, 48, 0.055_206_413_9),
                (48, 60, 0.055_206_413_9),
            ],
        ),
        (
            both(),
            -136.963_803_874,
            vec![
                (4, 5, 0.044_949_096_61),
                (6, 7, 0.022_593_076_31),
                (7, 8, 0.056_038_288_7),
                (11, 12, 0.079_046_057_15),
                (16, 17, 0.060_545_559_12),
                (18, 19, 0.021_557_453_56),
                (19, 20, 0.144_071_672_7),
                (24, 25, 0.049_718_796_26),
                (30, 31, 0.091_125_704_56),
                (38, 39, 0.126_447_077_3),
                (46, 48, 0.186_858_178_6),
                (48, 60, 0.117_049_039_2),
            ],
        ),
    ];
    for (rows, ln_likelihood, masses) in published {
        let curve = curve(&rows);
        assert!(curve.converged && curve.gap < 1e-9 && curve.unique, "{curve:?}");
        close(curve.ln_likelihood, ln_likelihood, 1e-11, "ln likelihood");
        let holding: Vec<_> = curve.intervals.iter().filter(|interval| interval.mass > 0.0).collect();
        assert_eq!(holding.len(), masses.len());
        for (interval, (left, right, mass)) in holding.iter().zip(masses) {
            assert_eq!((interval.left.count(), interval.right), (left, Some(Days::new(right))));
            close(interval.mass, mass, 2e-9, "mass");
        }
    }
}

#[test]
fn breast_cosmesis_tests() {
    // U, Z and p of Fay and Shaw, section 4.2, with more digits computed with a general-purpose statistics system.
    let rows = both();
    for (scores, sum, z, p) in [
        (IntervalScores::LogRank, 9.141_846_169, 2.668_387_152, 0.007_621_637_712),
        (IntervalScores::ProportionalHazards, 9.944_182_437, 2.683_896_1, 0.007_276_971_721),
        (IntervalScores::Wilcoxon, 5.656_724_04, 2.167_150_63, 0.030_223_370_46),
    ] {
        let test = interval_score_test(&intervals(&rows), &grouping(&rows, 2), None, scores);
        let test = test.known().expect("two groups");
        close(test.groups[1].score_sum, sum, 1e-8, "sum of scores");
        let statistic = test.observations.known().expect("spread");
        close(statistic.chi_square.sqrt(), z, 1e-8, "Z");
        close(statistic.p_value, p, 1e-7, "p");
        close(statistic.ln_p_value, statistic.p_value.ln(), 1e-12, "ln p");
        // Each patient is a cluster, so permuting clusters is permuting records.
        let clusters = test.clusters.known().expect("spread");
        assert_eq!(clusters.basis, ScoreBasis::PermutedClusters);
        close(clusters.chi_square, statistic.chi_square, 1e-12, "by clusters");
        // The Monte Carlo probability agrees with the normal one within four of its errors and what the approximation costs.
        let drawn = interval_permutation_test(&intervals(&rows), &grouping(&rows, 2), None, scores, false, 20_000, 7);
        let drawn = drawn.known().expect("two groups");
        assert!((drawn.p_value - p).abs() < 4.0 * drawn.monte_carlo_error + 0.001, "absolute: {drawn:?}");
    }
}

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/intervals.json")).expect("tests/reference/make_intervals.py wrote it")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn whole(value: &Value) -> i32 {
    i32::try_from(value.as_i64().expect("whole")).expect("small")
}

fn cases() -> Vec<(String, Vec<Row>, Value)> {
    let reference = reference();
    let case = |case: &Value| {
        let row = |row: &Value| Row {
            entry: whole(&row[0]),
            left: whole(&row[1]),
            right: (!row[2].is_null()).then(|| whole(&row[2])),
            cluster: whole(&row[3]).unsigned_abs(),
            group: u16::try_from(whole(&row[4])).expect("a group"),
            weight: 1.0,
        };
        let rows = case["rows"].as_array().expect("rows").iter().map(row).collect();
        (case["name"].as_str().expect("a name").to_owned(), rows, case.clone())
    };
    reference["cases"].as_array().expect("cases").iter().map(case).collect()
}

#[test]
fn masses_likelihoods_and_tests_of_an_independent_optimum() {
    // tests/reference/make_intervals.py; versions are in the file.
    for (name, rows, wanted) in cases() {
        let curve = curve(&rows);
        assert!(curve.converged, "{name}: {curve:?}");
        assert_eq!(curve.innermost_intervals, wanted["innermost"].as_u64().expect("whole"), "{name}");
        close(curve.ln_likelihood, number(&wanted["ln_likelihood"]), 1e-12, &name);
        if !curve.unique {
            assert_eq!(name, "intervals", "only that one has masses that aren't unique");
            continue;
        }
        let holding: Vec<_> = curve.intervals.iter().filter(|interval| interval.mass > 0.0).collect();
        let masses = wanted["masses"].as_array().expect("masses");
        assert_eq!(holding.len(), masses.len(), "{name}");
        for (interval, wanted) in holding.iter().zip(masses) {
            assert_eq!(interval.left.count(), whole(&wanted[0]), "{name}");
            assert_eq!(interval.right.is_none(), wanted[1].is_null(), "{name}");
            assert!((interval.mass - number(&wanted[3])).abs() < 1e-8, "absolute, {name}: {interval:?} against {wanted}");
        }
        for (key, scores) in [
            ("log_rank", IntervalScores::LogRank),
            ("proportional_hazards", IntervalScores::ProportionalHazards),
            ("wilcoxon", IntervalScores::Wilcoxon),
        ] {
            let test = interval_score_test(&intervals(&rows), &grouping(&rows, 3), None, scores);
            let test = test.known().expect("three groups");
            let wanted = &wanted["tests"][key];
            for (group, sum) in test.groups.iter().zip(wanted["score_sums"].as_array().expect("sums")) {
                assert!((group.score_sum - number(sum)).abs() < 1e-7, "absolute, {name} {key}");
            }
            let statistic = test.observations.known().expect("spread");
            close(statistic.chi_square, number(&wanted["chi_square"]), 1e-7, &name);
            close(statistic.p_value, number(&wanted["p"]), 1e-7, &name);
            let robust = test.clusters.known().expect("enough clusters");
            assert_eq!(robust.basis, ScoreBasis::ClusterRobust);
            close(robust.chi_square, number(&wanted["robust_chi_square"]), 1e-7, &name);
        }
    }
}

#[test]
fn the_bootstrap_is_the_same_on_any_number_of_threads_and_holds_the_estimate() {
    let rows = both();
    let quantities = [
        IntervalQuantity::Survival(Days::new(20)),
        IntervalQuantity::RestrictedMean(Days::new(36)),
        IntervalQuantity::FailureTime(Fraction::new(0.3)),
    ];
    let run = |threads: usize| {
        let threads = std::num::NonZeroUsize::new(threads);
        let resampling = Resampling { replicates: 199, seed: 3, threads, ..Resampling::default() };
        interval_bootstrap(&intervals(&rows), &Axis::Days, &quantities, resampling)
    };
    let estimates = run(1);
    assert_eq!(estimates, run(2));
    assert_eq!(estimates, run(3));
    for estimate in &estimates {
        let (least, largest) = (estimate.least.known().expect("known"), estimate.largest.known().expect("known"));
        let lower = estimate.percentile.lower.known().expect("a limit");
        let upper = estimate.percentile.upper.known().expect("a limit");
        // A time is one of few ticks, so a limit may be the estimate itself.
        assert!(lower <= least && least <= largest && largest <= upper && lower < upper, "{estimate:?}");
        assert!(estimate.not_estimated.is_empty() && estimate.behind.clusters == 94 && !estimate.few_clusters);
    }
    // The standard error of a plain share of 94, √(0.74·0.26/94) = 0.045, is a guide: intervals make it larger, not by half.
    let error = estimates[0].standard_error_of_least.known().expect("spread");
    assert!((0.04..0.07).contains(error), "absolute: {error}");
    let one = interval_bootstrap(&intervals(&cosmesis(0, &[(1, 4)], 0)), &Axis::Days, &quantities, Resampling::default());
    assert_eq!(one[0].percentile.lower, Known::NotKnown(WhyNotKnown::TooFewClusters));
    let none = interval_bootstrap(&Intervals::default(), &Axis::Days, &quantities, Resampling::default());
    assert_eq!(none[0].least, Known::NotKnown(WhyNotKnown::NoObservations));
}

#[test]
fn nothing_is_known_of_no_records() {
    assert_eq!(interval_survival(&Intervals::default()), Known::NotKnown(WhyNotKnown::NoObservations));
}

fn row(late: bool) -> impl Strategy<Value = Row> {
    let entry = if late { prop_oneof![2 => Just(0), 1 => 1..15].boxed() } else { Just(0).boxed() };
    let kinds = prop_oneof![4 => Just(0), 1 => Just(1), 2 => Just(2)];
    (entry, 0..25, 1..20, kinds, 0..6_u32, 0..3_u16).prop_map(|(entry, more, length, kind, cluster, group)| {
        let left = entry + more;
        let exact = left + i32::from(left == entry && entry > 0);
        let (left, right) = match kind {
            0 => (left, Some(left + length)),
            1 => (exact, Some(exact)),
            _ => (left, None),
        };
        Row { entry, left, right, cluster, group, weight: 1.0 }
    })
}

fn rows(late: bool) -> impl Strategy<Value = Vec<Row>> {
    prop::collection::vec(row(late), 1..50)
}

/// ℓ with these masses on the innermost intervals of a curve, by the definition.
fn ln_likelihood(rows: &[Row], curve: &IntervalSurvival, masses: &[f64]) -> f64 {
    let holds = |row: &Row, k: usize| {
        let interval = curve.intervals[k];
        let (left, right) = (interval.left.count(), interval.right.map_or(i32::MAX, Days::count));
        let (exact, point) = (row.right == Some(row.left), left == right);
        let begins = left > row.left || (left == row.left && (!point || exact));
        begins && right <= row.right.unwrap_or(i32::MAX)
    };
    let after =
        |row: &Row, k: usize| row.entry == 0 || curve.intervals[k].right.is_none_or(|right| right.count() > row.entry);
    let sum = |of: &dyn Fn(usize) -> bool| (0..masses.len()).filter(|&k| of(k)).map(|k| masses[k]).sum::<f64>();
    rows.iter().map(|row| row.weight * (sum(&|k| holds(row, k)).ln() - sum(&|k| after(row, k)).ln())).sum()
}

proptest! {
    #[test]
    fn masses_sum_to_one_and_no_perturbation_is_likelier(rows in rows(false), shares in prop::collection::vec(0.0..1.0_f64, 60), part in 0.001..0.5_f64) {
        let curve = curve(&rows);
        prop_assert!(curve.converged, "{:?}", curve);
        let masses: Vec<f64> = curve.intervals.iter().map(|interval| interval.mass).collect();
        prop_assert!((masses.iter().sum::<f64>() - 1.0).abs() < 1e-12, "absolute");
        let best = ln_likelihood(&rows, &curve, &masses);
        prop_assert!((best - curve.ln_likelihood).abs() < 1e-9, "absolute: {} against {}", best, curve.ln_likelihood);
        let total: f64 = shares[..masses.len()].iter().sum();
        if total > 0.0 {
            let other: Vec<f64> =
                masses.iter().zip(&shares).map(|(mass, share)| (1.0 - part) * mass + part * share / total).collect();
            prop_assert!(ln_likelihood(&rows, &curve, &other) <= best + 1e-9);
        }
        for interval in &curve.intervals {
            prop_assert!(interval.least_after.value() <= interval.survival_after.value() + 1e-12);
            prop_assert!(interval.survival_after.value() <= interval.largest_after.value() + 1e-12);
        }
        // The ends of what isn't determined are maxima too: masses by the differences of the survivals.
        for end in [true, false] {
            let after: Vec<f64> = curve.intervals.iter()
                .map(|interval| if end { interval.least_after.value() } else { interval.largest_after.value() }).collect();
            let masses: Vec<f64> = (0..after.len()).map(|k| if k == 0 { 1.0 - after[0] } else { after[k - 1] - after[k] }).collect();
            prop_assert!(masses.iter().all(|&mass| mass > -1e-12), "{:?}", masses);
            let moved = ln_likelihood(&rows, &curve, &masses);
            prop_assert!((moved - best).abs() < 1e-6, "absolute: {} against {}", moved, best);
        }
    }

    #[test]
    fn with_delayed_entries_no_small_perturbation_is_likelier(rows in rows(true), shares in prop::collection::vec(0.0..1.0_f64, 60)) {
        let curve = curve(&rows);
        prop_assert!(curve.converged, "{:?}", curve);
        if curve.exhausted_at.is_none() {
            let masses: Vec<f64> = curve.intervals.iter().map(|interval| interval.mass).collect();
            let best = ln_likelihood(&rows, &curve, &masses);
            prop_assert!((best - curve.ln_likelihood).abs() < 1e-8, "absolute: {} against {}", best, curve.ln_likelihood);
            let total: f64 = shares[..masses.len()].iter().sum::<f64>().max(1e-9);
            let other: Vec<f64> = masses.iter().zip(&shares).map(|(mass, share)| 0.999 * mass + 0.001 * share / total).collect();
            // Not concave: a small step along a level direction may gain by its square.
            prop_assert!(ln_likelihood(&rows, &curve, &other) <= best + 2e-5 * rows.len() as f64);
        }
    }

    #[test]
    fn exact_and_right_censored_times_give_the_product_limit(late in any::<bool>(), drawn in prop::collection::vec((0..15, 0..30, any::<bool>(), 0..5_u8), 1..60)) {
        let mut observations = Observations::default();
        for (entry, length, failed, weight) in drawn {
            let entry = if late { entry } else { 0 };
            let exit = entry + length + i32::from(entry > 0 && length == 0);
            let ending = if failed { Ending::Failed } else { Ending::Censored };
            let weight = if weight == 0 { 2.5 } else { 1.0 };
            observations.push_weighted(Days::new(entry), Days::new(exit), ending, 0, weight).expect("in order");
        }
        let limit = ProductLimit::of(&observations);
        let Known::Known(curve) = interval_survival(&Intervals::of_observations(&observations)) else { panic!("there are some") };
        prop_assert!(curve.converged);
        let last = LifeTable::count(&observations).last_day().map_or(0, Days::count);
        let mut spent = false;
        for day in 0..=last {
            let wanted = limit.survival_at(Days::new(day));
            // Where the risk set ran out between, a product limit stays where it is and the likelihood says nothing.
            if spent || !curve.unique { break }
            if let (Known::Known(range), Known::Known(wanted)) = (curve.survival_at(Days::new(day)), wanted) {
                prop_assert!((range.least.value() - wanted.value()).abs() < 1e-10, "absolute: day {}: {:?} against {:?}", day, range, wanted);
                prop_assert!((range.largest.value() - wanted.value()).abs() < 1e-10, "absolute: day {}", day);
                spent = wanted.value() <= 0.0;
            }
        }
    }

    #[test]
    fn weights_order_and_the_unit_of_time_change_nothing(rows in rows(true), factor in 2..5) {
        let one = curve(&rows);
        let reversed: Vec<Row> = rows.iter().rev().copied().collect();
        prop_assert_eq!(&one, &curve(&reversed));
        let doubled: Vec<Row> = rows.iter().map(|row| Row { weight: 2.0, ..*row }).collect();
        let twice = [&rows[..], &rows[..]].concat();
        let scaled: Vec<Row> = rows.iter().map(|row| Row {
            entry: row.entry * factor, left: row.left * factor, right: row.right.map(|right| right * factor), ..*row
        }).collect();
        let (doubled, twice, scaled) = (curve(&doubled), curve(&twice), curve(&scaled));
        for (other, weight, unit) in [(&doubled, 2.0, 1), (&twice, 2.0, 1), (&scaled, 1.0, factor)] {
            prop_assert!((other.ln_likelihood - weight * one.ln_likelihood).abs() < 1e-8 * one.ln_likelihood.abs().max(1.0), "relative");
            prop_assert_eq!(one.unique, other.unique);
            if one.unique {
                prop_assert_eq!(one.intervals.len(), other.intervals.len());
                for (a, b) in one.intervals.iter().zip(&other.intervals) {
                    prop_assert_eq!(a.left.count() * unit, b.left.count());
                    prop_assert!((a.mass - b.mass).abs() < 1e-6, "absolute: {:?} {:?}", a, b);
                }
            }
        }
    }

    #[test]
    fn permuting_groups_permutes_results(rows in rows(false)) {
        let turned: Vec<Row> = rows.iter().map(|row| Row { group: (row.group + 1) % 3, ..*row }).collect();
        let test = |rows: &[Row]| interval_score_test(&intervals(rows), &grouping(rows, 3), None, IntervalScores::LogRank);
        match (test(&rows), test(&turned)) {
            (Known::Known(a), Known::Known(b)) => {
                for g in 0..3 {
                    prop_assert!((a.groups[g].score_sum - b.groups[(g + 1) % 3].score_sum).abs() < 1e-12, "absolute");
                }
                for (a, b) in [(a.observations, b.observations), (a.clusters, b.clusters)] {
                    match (a, b) {
                        (Known::Known(a), Known::Known(b)) => {
                            prop_assert_eq!((a.degrees_of_freedom, a.basis), (b.degrees_of_freedom, b.basis));
                            prop_assert!((a.chi_square - b.chi_square).abs() < 1e-7 * a.chi_square.max(1.0), "relative: {:?} {:?}", a, b);
                        }
                        (a, b) => prop_assert_eq!(a, b),
                    }
                }
            }
            (a, b) => prop_assert_eq!(a, b),
        }
    }
}

#[test]
fn the_same_data_in_two_strata_tell_twice_as_much() {
    // By algebra: sums of scores, and permutation variances, of equal strata add up, so that χ² doubles.
    let rows = both();
    let twice = [&rows[..], &rows[..]].concat();
    let strata = Grouping::new((0..twice.len()).map(|i| u16::from(i >= rows.len())).collect(), 2).expect("levels");
    let one = interval_score_test(&intervals(&rows), &grouping(&rows, 2), None, IntervalScores::LogRank);
    let two = interval_score_test(&intervals(&twice), &grouping(&twice, 2), Some(&strata), IntervalScores::LogRank);
    let (one, two) = (one.known().expect("two groups"), two.known().expect("two groups"));
    close(two.groups[1].score_sum, 2.0 * one.groups[1].score_sum, 1e-12, "sum of scores");
    let chi_square = |test: &manebit::stats::IntervalScoreTest| test.observations.known().expect("spread").chi_square;
    close(chi_square(two), 2.0 * chi_square(one), 1e-12, "statistic");
    // The clusters lie in both strata, where their scores are the same: the robust variance is four times as large, and U twice.
    let clusters = two.clusters.known().expect("clusters");
    assert_eq!(clusters.basis, ScoreBasis::ClusterRobust);
    assert!(clusters.chi_square < 0.6 * chi_square(two), "{clusters:?}");
}
