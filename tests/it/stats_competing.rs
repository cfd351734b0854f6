//! Published and independently computed values for competing causes of ending, and what must hold whatever the data.
//!
//! The tables with ten printed digits are of the 35 transplant patients of Scrucca L, Santucci A, Aversa F. Bone Marrow Transplant
//! 2007;40:381–387, computed with general-purpose software (R cmprsk for Aalen's variance, Gray's test and the regression; exact
//! sums for the multinomial variance). `tests/reference/competing.json` holds values at full precision, made by the scripts
//! beside it, `tests/reference/competing_exact.json` those of exact sums with late entries, weights and clusters.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{Days, Known, Variance, WhyNotKnown};
use manebit::stats::{
    CensoringReading, CumulativeIncidence, Ending, FineGrayFit, FineGrayOptions, GrayOptions, Grouping,
    HazardVarianceFormula, IncidenceInference, IncidenceVariance, LifeTable, Observations, ObservationsByCause,
    ProductLimit, WeightInfluence, cause_specific_hazard, cumulative_incidence, cumulative_incidence_of_cause, fine_gray,
    gray_test, incidence_at_horizons, lost_bounds, tipping_point,
};
use proptest::prelude::*;
use serde_json::Value;

/// Group 0, then group 1: time and cause, 0 censored.
const TRANSPLANTS: [&str; 2] = [
    "13:2 1:1 72:0 7:2 8:2 9:2 5:2 1:2 22:2 0:2 0:1 35:0 4:2 14:2 26:2 3:2 12:1",
    "67:0 70:0 4:0 7:0 68:0 10:2 7:2 3:1 4:1 4:1 3:1 3:1 8:1 2:2 35:0 2:0 8:0 32:0",
];

/// Observations, codes and groups.
fn transplants() -> (Observations, Vec<u8>, Vec<u16>) {
    let (mut observations, mut codes, mut groups) = (Observations::default(), Vec::new(), Vec::new());
    for (group, text) in (0..).zip(TRANSPLANTS) {
        for item in text.split(' ') {
            let (time, cause) = item.split_once(':').expect("time and cause");
            let cluster = u32::try_from(codes.len()).expect("few");
            let exit = Days::new(time.parse().expect("a time"));
            observations.push(Days::new(0), exit, Ending::Censored, cluster).expect("in order");
            codes.push(cause.parse().expect("a cause"));
            groups.push(group);
        }
    }
    (observations, codes, groups)
}

#[track_caller]
fn ten_digits(value: f64, printed: f64) {
    let allowed = 0.5001 * 10.0_f64.powf(printed.abs().log10().floor() - 9.0);
    assert!((value - printed).abs() <= allowed, "{value:?} against {printed:?}, allowed {allowed:e}");
}

#[track_caller]
fn relative(value: f64, reference: f64, part: f64) {
    assert!((value - reference).abs() <= part * reference.abs(), "{value:?} against {reference:?}, relative {part:e}");
}

/// Of a group (2: all) and cause: at 5, 10, 20, 40, 60 the incidence, Aalen's variance, the multinomial variance.
const TABLES: [(u16, u8, [[f64; 3]; 5]); 6] = [
    (
        2,
        1,
        [
            [0.2049261084, 0.004921473976, 0.004775678755],
            [0.2377116364, 0.005597374213, 0.005417724719],
            [0.2728389878, 0.006337835444, 0.006098155534],
            [0.2728389878, 0.006337835444, 0.006098155534],
            [0.2728389878, 0.006337835444, 0.006098155534],
        ],
    ),
    (
        2,
        2,
        [
            [0.175791696, 0.004389515342, 0.004260610325],
            [0.3407601464, 0.007365345611, 0.007081546259],
            [0.4110148493, 0.008179797708, 0.007789295433],
            [0.4812695522, 0.008604776378, 0.0081030235],
            [0.4812695522, 0.008604776378, 0.0081030235],
        ],
    ),
    (
        0,
        1,
        [
            [0.1176470588, 0.006489811611, 0.006106248728],
            [0.1176470588, 0.006489811611, 0.006106248728],
            [0.1764705882, 0.009344168872, 0.008548748219],
            [0.1764705882, 0.009344168872, 0.008548748219],
            [0.1764705882, 0.009344168872, 0.008548748219],
        ],
    ),
    (
        0,
        2,
        [
            [0.2941176471, 0.01306141878, 0.01221249746],
            [0.4705882353, 0.01595494993, 0.01465499695],
            [0.5882352941, 0.01604647775, 0.0142479137],
            [0.7058823529, 0.01458490636, 0.01221249746],
            [0.7058823529, 0.01458490636, 0.01221249746],
        ],
    ),
    (
        1,
        1,
        [
            [0.2951388889, 0.01317537072, 0.01226187079],
            [0.3681857639, 0.01601104601, 0.01460508375],
            [0.3681857639, 0.01601104601, 0.01460508375],
            [0.3681857639, 0.01601104601, 0.01460508375],
            [0.3681857639, 0.01601104601, 0.01460508375],
        ],
    ),
    (
        1,
        2,
        [
            [0.05555555556, 0.003086419753, 0.002914951989],
            [0.2057074653, 0.01335837936, 0.01165257183],
            [0.2057074653, 0.01335837936, 0.01165257183],
            [0.2057074653, 0.01335837936, 0.01165257183],
            [0.2057074653, 0.01335837936, 0.01165257183],
        ],
    ),
];

#[test]
fn transplant_incidences_agree_to_every_printed_digit() {
    let (all, codes, groups) = transplants();
    for (group, cause, rows) in TABLES {
        let (mut observations, mut kept) = (Observations::default(), Vec::new());
        for i in (0..all.len()).filter(|&i| group == 2 || groups[i] == group) {
            let exit = Days::new(all.exit()[i]);
            observations.push(Days::new(0), exit, Ending::Censored, all.cluster()[i]).expect("in order");
            kept.push(codes[i]);
        }
        let by_cause = ObservationsByCause::new(&observations, &kept, 2).expect("codes");
        let robust = IncidenceInference::default();
        for (day, [incidence, aalen, multinomial]) in [5, 10, 20, 40, 60].map(Days::new).into_iter().zip(rows) {
            let of = |variance| {
                let curve = cumulative_incidence(&by_cause, variance);
                let value = curve.incidence_at(cause, day).known().expect("followed").value();
                ten_digits(value, incidence);
                *curve.variance_at(cause, day).known().expect("defined")
            };
            ten_digits(of(IncidenceVariance::Aalen), aalen);
            ten_digits(of(IncidenceVariance::Multinomial), multinomial);
            // Each observation its own cluster, nobody late: the jackknife is the multinomial form.
            ten_digits(of(IncidenceVariance::ClusterRobust), multinomial);
            let at = incidence_at_horizons(&by_cause, cause, &[day], robust);
            let error = at[0].known().expect("followed").standard_error.expect("known");
            ten_digits(error * error, multinomial);
        }
    }
}

#[test]
fn transplant_tests_of_gray_agree_to_every_printed_digit() {
    let (observations, codes, groups) = transplants();
    let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
    let grouping = Grouping::new(groups, 2).expect("levels");
    let options = GrayOptions { variance: Variance::ModelBased, ..GrayOptions::default() };
    for (cause, chi_square, p) in [(1, 1.301634544, 0.2539148712), (2, 7.082278025, 0.007784998015)] {
        let test = gray_test(&by_cause, cause, &grouping, options);
        let test = test.known().expect("two groups");
        ten_digits(test.chi_square, chi_square);
        ten_digits(test.p_value, p);
        assert_eq!(test.degrees_of_freedom, 1);
    }
}

#[test]
fn transplant_regressions_agree_to_every_printed_digit() {
    let (observations, codes, groups) = transplants();
    let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
    let column = vec![groups.iter().map(|&group| f64::from(group)).collect()];
    for (cause, coefficient, error, other_reading) in
        [(1, 0.7651702848, 0.6987902101, 0.7644565076), (2, -1.604466219, 0.6403130407, -1.602415684)]
    {
        let mut options = FineGrayOptions { variance: Variance::ModelBased, ..FineGrayOptions::default() };
        let fit = fine_gray(&by_cause, cause, &column, &options).expect("a fit");
        // The printed values come from an iteration that stopped at a score of 1e-6; carried on to 1e-12 the same software gives
        // 0.765170285721822, 0.698790210365800, −1.60446621866171 and 0.640313040765905, which competing.json is checked against.
        relative(fit.coefficients[0].coefficient, coefficient, 2e-9);
        relative(*fit.coefficients[0].standard_error.known().expect("known"), error, 2e-9);
        options.censoring = CensoringReading::EndingsFirst;
        let fit = fine_gray(&by_cause, cause, &column, &options).expect("a fit");
        relative(fit.coefficients[0].coefficient, other_reading, 2e-9);
    }
}

fn reference(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(items) => items.iter().map(number).collect(),
        one => vec![number(one)],
    }
}

/// Small whole numbers of a type.
fn whole<T: TryFrom<i64>>(value: &Value) -> Vec<T> {
    numbers(value).iter().map(|&value| T::try_from(value as i64).ok().expect("in range")).collect()
}

fn grouping(codes: Vec<u16>) -> Grouping {
    let levels = codes.iter().max().expect("some") + 1;
    Grouping::new(codes, levels).expect("levels")
}

#[test]
fn incidences_tests_and_regressions_agree_with_general_purpose_software() {
    // Computed with R 4.2.2, cmprsk 2.2.11 and survival 3.5.3 by tests/reference/make_competing.R.
    let all = reference(include_str!("../reference/competing.json"));
    let cases = all["cases"].as_object().expect("cases");
    assert_eq!(cases.len(), 3);
    for case in cases.values() {
        let codes: Vec<u8> = whole(&case["cause"]);
        let mut observations = Observations::default();
        for (cluster, time) in (0..).zip(whole::<i32>(&case["time"])) {
            observations.push(Days::new(0), Days::new(time), Ending::Censored, cluster).expect("in order");
        }
        let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
        let horizons: Vec<Days> = whole(&case["horizons"]).into_iter().map(Days::new).collect();
        for cause in 1..=2_u8 {
            let row = |key: &str| numbers(&case[key][usize::from(cause) - 1]);
            let (values, aalen, jackknife) = (row("incidence"), row("aalen_variance"), row("jackknife_error"));
            for (j, &day) in horizons.iter().enumerate() {
                let variance = |variance| {
                    let curve = cumulative_incidence(&by_cause, variance);
                    relative(curve.incidence_at(cause, day).known().expect("followed").value(), values[j], 1e-13);
                    *curve.variance_at(cause, day).known().expect("defined")
                };
                relative(variance(IncidenceVariance::Aalen), aalen[j], 1e-12);
                relative(variance(IncidenceVariance::Multinomial), jackknife[j] * jackknife[j], 1e-11);
                relative(variance(IncidenceVariance::ClusterRobust), jackknife[j] * jackknife[j], 1e-11);
            }
        }
        let groups = grouping(whole(&case["group"]));
        let strata = grouping(whole(&case["stratum"]));
        for gray in case["gray"].as_array().expect("tests") {
            let options = GrayOptions { rho: number(&gray["rho"]), strata: Some(&strata), variance: Variance::ModelBased };
            for cause in 1..=2_u8 {
                let test = gray_test(&by_cause, cause, &groups, options);
                let test = test.known().expect("groups");
                let at = |key: &str| number(&gray[key][usize::from(cause) - 1]);
                relative(test.chi_square, at("chi_square"), 1e-10);
                relative(test.p_value, at("p_value"), 1e-10);
                relative(test.ln_p_value, at("p_value").ln(), 1e-10);
                relative(f64::from(test.degrees_of_freedom), at("degrees_of_freedom"), 0.0);
            }
        }
        for regression in case["regression"].as_array().expect("regressions") {
            agrees_with_regression(&by_cause, regression, &horizons);
        }
    }
}

#[test]
fn a_last_tick_that_exhausts_the_groups_takes_nothing_off_the_variance_of_gray() {
    // By hand, score and variance; and what R cmprsk 2.2.11 (tests/reference/make_gray_exhausted.R) takes off that variance. On the
    // last tick d = 3, 4, 3 end by the cause and one group's S·Σh is less: 2, 2, 5/2. There a probability dF⁰/S above 1, and a
    // factor for ties of −1, −2, −1/3: 0 here, kept there. The term without it is (h₁h₂/Σh)²·dF⁰/h = 3/8, 1/2, 54/125.
    // The first two have one cause and nobody censored, so the score is that of the log-rank test with the exact variances 1/4
    // and 2/5: 45/128 and 5/9 are too careful, −3/128 and −4/9 can't be variances.
    let exact = [(-0.5, 45.0 / 128.0, 3.0 / 8.0), (-1.0, 5.0 / 9.0, 1.0), (-0.9, 117_681.0 / 175_000.0, 18.0 / 125.0)];
    let all = reference(include_str!("../reference/gray_exhausted.json"));
    let sets = all["sets"].as_array().expect("sets");
    assert_eq!(sets.len(), exact.len());
    for (set, (score, variance, taken_off)) in sets.iter().zip(exact) {
        let (times, mut codes): (Vec<i32>, Vec<u8>) = (whole(&set["time"]), whole(&set["cause"]));
        let mut observations = Observations::default();
        for (cluster, &time) in (0..).zip(&times) {
            observations.push(Days::new(0), Days::new(time), Ending::Censored, cluster).expect("in order");
        }
        let groups = grouping(whole(&set["group"]));
        let options = GrayOptions { variance: Variance::ModelBased, ..GrayOptions::default() };
        let test = |codes: &[u8]| {
            let by_cause = ObservationsByCause::new(&observations, codes, 2).expect("codes");
            gray_test(&by_cause, 1, &groups, options).known().cloned().expect("two groups")
        };
        let exhausted = test(&codes);
        relative(exhausted.groups[0].score, score, 1e-14);
        relative(exhausted.covariance[0][0], variance, 1e-14);
        relative(exhausted.chi_square, score * score / variance, 1e-14);
        relative(variance - score * score / number(&set["chi_square"]), taken_off, 1e-13);
        for (code, _) in codes.iter_mut().zip(&times).filter(|(_, time)| **time == 2) {
            *code = 0;
        }
        relative(test(&codes).chi_square, number(&set["chi_square_with_the_last_censored"]), 1e-14);
    }
}

#[test]
fn the_variance_of_gray_is_true_on_average_where_the_last_tick_exhausts_the_groups() {
    // Every outcome of two groups of 15 with its probability: on tick 1 each ends by cause 1 or 2 with probability 0.2 and 0.3, on
    // tick 2 everybody left by cause 1. The sums are those of tests/reference/make_gray_exhausted_exact.py; with factors for ties
    // below 0 the mean of V would be 2.20261, 15 % too low.
    const SIDE: u8 = 15;
    let power = |base: f64, times: u8| base.powi(i32::from(times));
    let factorial = |n: u8| (1..=n).map(f64::from).product::<f64>();
    let mut outcomes = Vec::new();
    for first in 0..=SIDE {
        for second in 0..=SIDE - first {
            let left = SIDE - first - second;
            let ways = factorial(SIDE) / (factorial(first) * factorial(second) * factorial(left));
            outcomes.push(([first, second, left], ways * power(0.2, first) * power(0.3, second) * power(0.5, left)));
        }
    }
    let rows = [(1, 1), (1, 2), (2, 1), (1, 1), (1, 2), (2, 1)];
    let groups = grouping(vec![0, 0, 0, 1, 1, 1]);
    let codes = rows.map(|row| row.1);
    let options = GrayOptions { variance: Variance::ModelBased, ..GrayOptions::default() };
    let (mut total, mut square, mut model) = (0.0, 0.0, 0.0);
    for (counts, part) in &outcomes {
        for (other_counts, other_part) in &outcomes {
            let mut observations = Observations::default();
            let mut kept = Vec::new();
            let mut members = Vec::new();
            for (i, &count) in counts.iter().chain(other_counts).enumerate().filter(|(_, count)| **count > 0) {
                let (exit, weight) = (Days::new(rows[i].0), f64::from(count));
                observations.push_weighted(Days::new(0), exit, Ending::Censored, 0, weight).expect("in order");
                kept.push(codes[i]);
                members.push(groups.codes()[i]);
            }
            let by_cause = ObservationsByCause::new(&observations, &kept, 2).expect("codes");
            let test = gray_test(&by_cause, 1, &Grouping::new(members, 2).expect("levels"), options);
            total += part * other_part;
            // Nothing known: nobody by the cause, or nothing to compare; score and variance are 0.
            if let Some(test) = test.known() {
                square += part * other_part * test.groups[0].score.powi(2);
                model += part * other_part * test.covariance[0][0];
            }
        }
    }
    relative(total, 1.0, 1e-12);
    relative(square, 2.594_023_36, 1e-8);
    relative(model, 2.617_710_67, 1e-8);
    relative(model, square, 0.01);
}

fn agrees_with_regression(by_cause: &ObservationsByCause<'_>, regression: &Value, horizons: &[Days]) {
    let columns: Vec<Vec<f64>> = regression["columns"].as_array().expect("columns").iter().map(numbers).collect();
    let options = FineGrayOptions { variance: Variance::ModelBased, horizons, ..FineGrayOptions::default() };
    let cause: Vec<u8> = whole(&regression["cause"]);
    let fit = fine_gray(by_cause, cause[0], &columns, &options).expect("a fit");
    for (ours, theirs) in fit.coefficients.iter().zip(numbers(&regression["coefficients"])) {
        relative(ours.coefficient, theirs, 1e-8);
    }
    let covariance = fit.covariance.known().expect("known");
    for (row, theirs) in regression["covariance"].as_array().expect("rows").iter().enumerate() {
        for (column, cell) in numbers(theirs).into_iter().enumerate() {
            let scale = (covariance[row][row] * covariance[column][column]).sqrt();
            assert!((covariance[row][column] - cell).abs() < 1e-8 * scale, "{} {cell}", covariance[row][column]);
        }
    }
    relative(fit.log_likelihood, number(&regression["log_likelihood"]), 1e-10);
    relative(fit.log_likelihood_at_zero, number(&regression["log_likelihood_at_zero"]), 1e-10);
    let predicted = fit.predicted_incidence(&numbers(&regression["predicted_at"]));
    for (ours, theirs) in predicted.iter().zip(numbers(&regression["predicted"])) {
        relative(ours.known().expect("followed").value.value(), theirs, 1e-8);
    }
}

/// Observations of an exact case, with causes, two covariates and strata.
fn exact_case(case: &Value) -> (Observations, Vec<u8>, Vec<Vec<f64>>, Grouping) {
    let (entry, exit): (Vec<i32>, Vec<i32>) = (whole(&case["entry"]), whole(&case["exit"]));
    let (cluster, weight): (Vec<u32>, Vec<f64>) = (whole(&case["cluster"]), numbers(&case["weight"]));
    let mut observations = Observations::default();
    for i in 0..entry.len() {
        let (entry, exit) = (Days::new(entry[i]), Days::new(exit[i]));
        observations.push_weighted(entry, exit, Ending::Censored, cluster[i], weight[i]).expect("in order");
    }
    let columns = vec![numbers(&case["x0"]), numbers(&case["x1"])];
    (observations, whole(&case["cause"]), columns, grouping(whole(&case["stratum"])))
}

#[test]
fn late_entries_weights_and_clusters_agree_with_exact_sums() {
    // Exact fractions, summed over every tick and observation by tests/reference/make_competing_exact.py.
    let all = reference(include_str!("../reference/competing_exact.json"));
    let cases = all["cases"].as_object().expect("cases");
    assert_eq!(cases.len(), 3);
    for case in cases.values() {
        let (observations, codes, columns, strata) = exact_case(case);
        let by_cause = ObservationsByCause::new(&observations, &codes, 3).expect("codes");
        let horizons: Vec<Days> = whole(&case["horizons"]).into_iter().map(Days::new).collect();
        let multinomial = cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
        let robust = cumulative_incidence(&by_cause, IncidenceVariance::ClusterRobust);
        for cause in 1..=3_u8 {
            let at = incidence_at_horizons(&by_cause, cause, &horizons, IncidenceInference::default());
            for (j, &day) in horizons.iter().enumerate() {
                let exact = numbers(&case["incidence"][usize::from(cause) - 1][j]);
                let value = multinomial.incidence_at(cause, day).known().expect("followed").value();
                relative(value, exact[0], 1e-13);
                relative(*multinomial.variance_at(cause, day).known().expect("defined"), exact[1], 1e-12);
                relative(*robust.variance_at(cause, day).known().expect("defined"), exact[2], 1e-10);
                let estimate = at[j].known().expect("followed");
                match estimate.standard_error {
                    Some(error) => relative(error * error, exact[2], 1e-12),
                    None => assert!(exact[0] <= 0.0, "no error without an ending"),
                }
            }
        }
        let hazard = cause_specific_hazard(&by_cause, 1, HazardVarianceFormula::ClusterRobust);
        for (j, &day) in horizons.iter().enumerate() {
            let exact = numbers(&case["hazard"][j]);
            match hazard.steps().iter().rfind(|step| step.day <= day) {
                Some(step) => {
                    relative(step.cumulative_hazard, exact[0], 1e-13);
                    relative(*step.variance.known().expect("defined"), exact[1], 1e-11);
                }
                None => assert!(exact[0] <= 0.0, "no step without an ending"),
            }
        }
        for regression in case["regression"].as_array().expect("regressions") {
            let first = regression["endings_first"].as_bool().expect("a choice");
            let options = FineGrayOptions {
                censoring: if first { CensoringReading::EndingsFirst } else { CensoringReading::EndingsAtRisk },
                censoring_strata: regression["by_stratum"].as_bool().expect("a choice").then_some(&strata),
                ..FineGrayOptions::default()
            };
            let fit = fine_gray(&by_cause, 1, &columns, &options).expect("a fit");
            for (ours, exact) in fit.coefficients.iter().zip(numbers(&regression["coefficients"])) {
                relative(ours.coefficient, exact, 1e-10);
            }
            relative(fit.log_likelihood, number(&regression["log_likelihood"]), 1e-11);
            for (row, exact) in regression["inverse_information"].as_array().expect("rows").iter().enumerate() {
                for (cell, exact) in fit.inverse_information[row].iter().zip(numbers(exact)) {
                    assert!((cell - exact).abs() < 1e-11, "absolute: {cell} {exact}");
                }
            }
        }
    }
}

#[test]
fn the_regression_variance_is_the_sum_of_squared_derivatives_in_the_case_weights() {
    // Two routes: influences in closed form, against central differences of the whole fit in each cluster's weight.
    let all = reference(include_str!("../reference/competing_exact.json"));
    for case in all["cases"].as_object().expect("cases").values() {
        let (observations, codes, columns, strata) = exact_case(case);
        for (censoring, strata) in [
            (CensoringReading::EndingsAtRisk, None),
            (CensoringReading::EndingsFirst, None),
            (CensoringReading::EndingsAtRisk, Some(&strata)),
            (CensoringReading::EndingsFirst, Some(&strata)),
        ] {
            let horizons = [Days::new(7), Days::new(25)];
            let options = FineGrayOptions {
                censoring,
                censoring_strata: strata,
                weight_influence: WeightInfluence::Derivative,
                horizons: &horizons,
                ..FineGrayOptions::default()
            };
            let away = [0.7, 1.0];
            // Both coefficients, and ln(−ln(1 − F)) of a prediction at each horizon.
            let values = |fit: &FineGrayFit| -> Vec<f64> {
                let predicted = fit.predicted_incidence(&away).into_iter().map(|estimate| {
                    let value = estimate.known().expect("followed").value.value();
                    (-(-value).ln_1p()).ln()
                });
                fit.coefficients.iter().map(|coefficient| coefficient.coefficient).chain(predicted).collect()
            };
            let moved = |cluster: u32, factor: f64| {
                let mut moved = Observations::default();
                for i in 0..observations.len() {
                    let weight = observations.weight_of(i) * if observations.cluster()[i] == cluster { factor } else { 1.0 };
                    let (entry, exit) = (Days::new(observations.entry()[i]), Days::new(observations.exit()[i]));
                    let pushed = moved.push_weighted(entry, exit, Ending::Censored, observations.cluster()[i], weight);
                    pushed.expect("in order");
                }
                let by_cause = ObservationsByCause::new(&moved, &codes, 3).expect("codes");
                values(&fine_gray(&by_cause, 1, &columns, &options).expect("a fit"))
            };
            let step = 1e-4;
            let mut slow = [0.0; 4];
            for cluster in 0..observations.clusters() {
                for ((slow, up), down) in slow.iter_mut().zip(moved(cluster, 1.0 + step)).zip(moved(cluster, 1.0 - step)) {
                    *slow += ((up - down) / (2.0 * step)).powi(2);
                }
            }
            let by_cause = ObservationsByCause::new(&observations, &codes, 3).expect("codes");
            let fit = fine_gray(&by_cause, 1, &columns, &options).expect("a fit");
            for (coefficient, slow) in fit.coefficients.iter().zip(slow) {
                let error = *coefficient.standard_error.known().expect("known");
                relative(error * error, slow, 1e-6);
            }
            for (estimate, slow) in fit.predicted_incidence(&away).iter().zip(&slow[2..]) {
                let estimate = estimate.known().expect("followed");
                let f = estimate.value.value();
                let error = estimate.standard_error.expect("known") / ((1.0 - f) * -(-f).ln_1p());
                relative(error * error, *slow, 1e-6);
            }
        }
    }
}

#[test]
fn a_regression_that_has_no_answer_says_why() {
    let (observations, codes, groups) = transplants();
    let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
    let x: Vec<f64> = groups.iter().map(|&group| f64::from(group)).collect();
    let ended: Vec<f64> = codes.iter().map(|&code| f64::from(u8::from(code == 1))).collect();
    let doubled: Vec<f64> = x.iter().map(|x| 3.0 - 2.0 * x).collect();
    let why = |cause: u8, columns: &[Vec<f64>]| {
        let failure = fine_gray(&by_cause, cause, columns, &FineGrayOptions::default()).expect_err("no fit");
        (failure.why, failure.covariate)
    };
    assert_eq!(why(1, &[x.clone(), vec![1e9; 35]]), (WhyNotKnown::Collinear, Some(1)));
    assert_eq!(why(1, &[x.clone(), doubled]), (WhyNotKnown::Collinear, Some(1)));
    assert_eq!(why(1, &[x.clone(), ended]), (WhyNotKnown::Separated, Some(1)));
    assert_eq!(why(1, &[x.clone(), vec![f64::NAN; 35]]), (WhyNotKnown::NotANumber, Some(1)));
    assert_eq!(why(1, &[x.clone(), vec![1.0; 34]]), (WhyNotKnown::NotANumber, Some(1)));
    assert_eq!(why(3, std::slice::from_ref(&x)), (WhyNotKnown::NoFailures, None));
    let none = Observations::default();
    let empty = ObservationsByCause::of_endings(&none);
    let failure = fine_gray(&empty, 1, &[Vec::new()], &FineGrayOptions::default()).expect_err("no fit");
    assert_eq!(failure.why, WhyNotKnown::NoObservations);
    let mut one_mouth = Observations::default();
    for &exit in observations.exit() {
        one_mouth.push(Days::new(0), Days::new(exit), Ending::Censored, 0).expect("in order");
    }
    let one_mouth = ObservationsByCause::new(&one_mouth, &codes, 2).expect("codes");
    let fit = fine_gray(&one_mouth, 1, &[x], &FineGrayOptions::default()).expect("a fit");
    assert_eq!(fit.covariance, Known::NotKnown(WhyNotKnown::TooFewClusters));
    assert_eq!(fit.wald, Known::NotKnown(WhyNotKnown::TooFewClusters));
}

#[test]
fn a_model_without_covariates_is_a_baseline_that_predicts() {
    let (observations, codes, _) = transplants();
    let by_cause = ObservationsByCause::new(&observations, &codes, 2).expect("codes");
    let horizons = [0, 20, 73].map(Days::new);
    let options = FineGrayOptions { horizons: &horizons, ..FineGrayOptions::default() };
    let fit = fine_gray(&by_cause, 2, &[], &options).expect("a baseline");
    let predicted = fit.predicted_incidence(&[]);
    let incidence = cumulative_incidence_of_cause(&by_cause, 2, IncidenceVariance::Multinomial);
    let at_20 = incidence.incidence_at(2, horizons[1]).known().expect("followed").value();
    // exp(−Σ) against Π(1 − …): near, and above none the same.
    let ours = predicted[1].known().expect("followed").value.value();
    assert!((ours - at_20).abs() < 0.02 && ours < at_20, "absolute: {ours} {at_20}");
    assert_eq!(predicted[2], Known::NotKnown(WhyNotKnown::PastLastFollowUp));
}

/// Entry, time from entry to exit, cause, cluster, group, covariate.
type Row = (i32, i32, u8, u32, u16, i8);

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let entry = prop_oneof![2 => Just(0), 1 => 1..15_i32];
    prop::collection::vec((entry, 1..=15_i32, 0..=3_u8, 0..8_u32, 0..3_u16, -3..=3_i8), 4..50)
}

fn of(rows: &[Row]) -> (Observations, Vec<u8>) {
    let mut observations = Observations::default();
    for &(entry, length, _, cluster, _, _) in rows {
        observations.push(Days::new(entry), Days::new(entry + length), Ending::Censored, cluster).expect("in order");
    }
    (observations, rows.iter().map(|row| row.2).collect())
}

/// Each record that reaches past `tick` as two.
fn split(rows: &[Row], tick: i32) -> Vec<Row> {
    let pieces = |&(entry, length, cause, cluster, group, x): &Row| {
        let exit = entry + length;
        if entry < tick && tick < exit {
            vec![(entry, tick - entry, 0, cluster, group, x), (tick, exit - tick, cause, cluster, group, x)]
        } else {
            vec![(entry, length, cause, cluster, group, x)]
        }
    };
    rows.iter().flat_map(pieces).collect()
}

fn near(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-10 * a.abs().max(b.abs()).max(scale)
}

fn same_curves(a: &CumulativeIncidence, b: &CumulativeIncidence) -> Result<(), TestCaseError> {
    for (a, b) in a.causes.iter().zip(&b.causes) {
        prop_assert_eq!(a.steps.len(), b.steps.len());
        for (a, b) in a.steps.iter().zip(&b.steps) {
            prop_assert!(a.day == b.day && near(a.incidence.value(), b.incidence.value(), 1.0));
            match (a.variance, b.variance) {
                (Known::Known(x), Known::Known(y)) => prop_assert!(near(x, y, 1e-2), "{} {}", x, y),
                (x, y) => prop_assert_eq!(x, y),
            }
        }
    }
    Ok(())
}

#[test]
fn where_one_alone_is_at_risk_no_covariate_tells_anything() {
    // Nobody from before is left on tick 10 but the one who ends on it by the cause. What the running sums keep of the others is
    // rounding, whatever the pieces in which they are summed.
    let rows: [Row; 7] = [
        (0, 3, 2, 0, 0, 1),
        (0, 1, 2, 0, 0, -1),
        (12, 1, 2, 0, 0, 3),
        (9, 1, 1, 0, 0, -2),
        (0, 1, 0, 0, 0, 1),
        (0, 1, 2, 0, 0, 3),
        (10, 1, 2, 0, 0, 0),
    ];
    for tick in 0..13 {
        let pieces = split(&rows, tick);
        let (observations, codes) = of(&pieces);
        let by_cause = ObservationsByCause::new(&observations, &codes, 3).expect("codes");
        let column: Vec<f64> = pieces.iter().map(|row| f64::from(row.5)).collect();
        let options = FineGrayOptions { censoring: CensoringReading::EndingsFirst, ..FineGrayOptions::default() };
        let failure = fine_gray(&by_cause, 1, &[column], &options).expect_err("no fit");
        assert_eq!((failure.why, failure.covariate), (WhyNotKnown::Collinear, Some(0)), "split at {tick}");
    }
}

proptest! {
    #[test]
    fn incidences_of_all_causes_and_the_event_free_part_sum_to_one(rows in rows()) {
        let (observations, codes) = of(&rows);
        let by_cause = ObservationsByCause::new(&observations, &codes, 3).expect("codes");
        let curve = cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
        for day in (0..=observations.last_day().expect("some").count()).map(Days::new) {
            let of_causes: f64 =
                (1..=3).map(|cause| curve.incidence_at(cause, day).known().expect("followed").value()).sum();
            let free = curve.event_free_at(day).known().expect("followed").value();
            prop_assert!((of_causes + free - 1.0).abs() < 1e-13, "{} {}", of_causes, free);
        }
    }

    #[test]
    fn a_split_within_a_cluster_changes_nothing(rows in rows(), tick in 1..25_i32) {
        let (whole, codes) = of(&rows);
        let pieces = split(&rows, tick);
        let (parts, part_codes) = of(&pieces);
        let whole = ObservationsByCause::new(&whole, &codes, 3).expect("codes");
        let parts = ObservationsByCause::new(&parts, &part_codes, 3).expect("codes");
        for variance in [IncidenceVariance::ClusterRobust, IncidenceVariance::Multinomial] {
            same_curves(&cumulative_incidence(&whole, variance), &cumulative_incidence(&parts, variance))?;
        }
        let groups = |rows: &[Row]| Grouping::new(rows.iter().map(|row| row.4).collect(), 3).expect("levels");
        let test = |by_cause, rows: &[Row]| {
            let options = GrayOptions { variance: Variance::ModelBased, ..GrayOptions::default() };
            gray_test(by_cause, 1, &groups(rows), options).known().map(|test| test.chi_square)
        };
        let (a, b) = (test(&whole, &rows), test(&parts, &pieces));
        prop_assert_eq!(a.is_some(), b.is_some());
        prop_assert!(a.zip(b).is_none_or(|(a, b)| near(a, b, 1.0)), "{:?} {:?}", a, b);
        let column = |rows: &[Row]| vec![rows.iter().map(|row| f64::from(row.5)).collect::<Vec<f64>>()];
        let fit = |by_cause, rows: &[Row]| {
            let options = FineGrayOptions {
                censoring: CensoringReading::EndingsFirst,
                weight_influence: WeightInfluence::Derivative,
                ..FineGrayOptions::default()
            };
            fine_gray(by_cause, 1, &column(rows), &options)
        };
        match (fit(&whole, &rows), fit(&parts, &pieces)) {
            (Ok(a), Ok(b)) => {
                let (a, b) = (&a.coefficients[0], &b.coefficients[0]);
                prop_assert!((a.coefficient - b.coefficient).abs() < 1e-8, "{:?} {:?}", a, b);
                if let (Known::Known(a), Known::Known(b)) = (a.standard_error, b.standard_error) {
                    prop_assert!((a - b).abs() < 1e-7 * a.max(1e-3), "{} {}", a, b);
                }
            }
            (a, b) => {
                // Where a coefficient runs away, rounding decides at which iteration that is seen.
                let no_maximum = |why| if why == WhyNotKnown::NotConverged { WhyNotKnown::Separated } else { why };
                let (a, b) = (a.err().map(|a| no_maximum(a.why)), b.err().map(|b| no_maximum(b.why)));
                prop_assert_eq!(a, b);
            }
        }
    }

    #[test]
    fn whole_weights_are_copies_and_weights_of_one_are_nothing(rows in rows(), weight in 2..4_usize) {
        let (observations, codes) = of(&rows);
        let (mut weighted, mut copied, mut copied_codes) = (Observations::default(), Observations::default(), Vec::new());
        for (i, &(entry, length, cause, cluster, _, _)) in rows.iter().enumerate() {
            let times = if i % 2 == 0 { weight } else { 1 };
            let (entry, exit) = (Days::new(entry), Days::new(entry + length));
            let as_weight = f64::from(u8::try_from(times).expect("small"));
            weighted.push_weighted(entry, exit, Ending::Censored, cluster, as_weight).expect("in order");
            for _ in 0..times {
                copied.push(entry, exit, Ending::Censored, cluster).expect("in order");
                copied_codes.push(cause);
            }
        }
        prop_assert_eq!(observations.len(), weighted.len());
        let weighted = ObservationsByCause::new(&weighted, &codes, 3).expect("codes");
        let copied = ObservationsByCause::new(&copied, &copied_codes, 3).expect("codes");
        // Copies lie in one cluster, so every variance agrees.
        for variance in [IncidenceVariance::ClusterRobust, IncidenceVariance::Multinomial, IncidenceVariance::Aalen] {
            same_curves(&cumulative_incidence(&weighted, variance), &cumulative_incidence(&copied, variance))?;
        }
    }

    #[test]
    fn permuted_groups_and_other_units_of_time_give_the_same_test(rows in rows(), rho in 0..2_u8) {
        let (observations, codes) = of(&rows);
        let mut slower = Observations::default();
        for &(entry, length, _, cluster, _, _) in &rows {
            let (entry, exit) = (Days::new(7 * entry), Days::new(7 * (entry + length)));
            slower.push(entry, exit, Ending::Censored, cluster).expect("in order");
        }
        let groups = Grouping::new(rows.iter().map(|row| row.4).collect(), 3).expect("levels");
        let permuted = Grouping::new(rows.iter().map(|row| (row.4 + 1) % 3).collect(), 3).expect("levels");
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let options = GrayOptions { rho: f64::from(rho), strata: None, variance };
            let test = |observations, groups: &Grouping| {
                gray_test(&ObservationsByCause::new(observations, &codes, 3).expect("codes"), 1, groups, options)
            };
            let one = test(&observations, &groups);
            for other in [test(&observations, &permuted), test(&slower, &groups)] {
                match (&one, &other) {
                    (Known::Known(a), Known::Known(b)) => {
                        prop_assert_eq!(a.degrees_of_freedom, b.degrees_of_freedom);
                        // A robust matrix may be nearly singular; its condition magnifies rounding.
                        let apart = (a.chi_square - b.chi_square).abs();
                        prop_assert!(apart <= 1e-7 * a.chi_square.max(1.0), "{} {}", a.chi_square, b.chi_square);
                    }
                    (a, b) => prop_assert_eq!(a.known().is_some(), b.known().is_some()),
                }
            }
        }
    }

    #[test]
    fn the_worst_case_lies_below_the_best_and_what_tips_lies_between(rows in rows(), part in 0.0..1.0_f64) {
        let (mut observations, mut lost) = (Observations::default(), Vec::new());
        for &(entry, length, cause, cluster, group, _) in &rows {
            let ending = match cause { 0 => Ending::Censored, 1 => Ending::Competing, _ => Ending::Failed };
            observations.push(Days::new(entry), Days::new(entry + length), ending, cluster).expect("in order");
            lost.push(group == 0);
        }
        let day = Days::new(18);
        if let Known::Known(bounds) = lost_bounds(&observations, &lost, &[day])[0] {
            prop_assert!(bounds.survival.worst <= bounds.survival.best);
            let threshold = bounds.survival.worst.value() + part * (bounds.survival.best.value() - bounds.survival.worst.value());
            let tip = tipping_point(&observations, &lost, day, manebit::quantity::Fraction::new(threshold));
            let tip = *tip.known().expect("followed");
            match (tip.latest_first, tip.earliest_first) {
                (Known::Known(latest), Known::Known(earliest)) => prop_assert!(latest.max(earliest) <= tip.lost),
                // Not even all of them: the value is that of the worst case itself, to rounding.
                _ => prop_assert!(threshold - bounds.survival.worst.value() < 1e-12),
            }
        }
    }

    #[test]
    fn without_late_entries_those_last_seen_latest_are_the_fewest_that_tip(
        rows in prop::collection::vec((0..12_i32, 0..=2_u8, any::<bool>()), 3..14),
        threshold in 0.05..0.95_f64,
    ) {
        let day = Days::new(12);
        let (mut observations, mut lost) = (Observations::default(), Vec::new());
        for (cluster, &(exit, cause, is_lost)) in (0..).zip(&rows) {
            let ending = [Ending::Censored, Ending::Failed, Ending::Competing][usize::from(cause)];
            observations.push(Days::new(0), Days::new(exit), ending, cluster).expect("in order");
            lost.push(is_lost);
        }
        let places: Vec<usize> = (0..rows.len()).filter(|&i| lost[i] && rows[i].1 == 0).collect();
        if !places.is_empty() {
            // The slow way: every choice of those that fail, through the product limit of what would then have been observed.
            let survival_with = |failing: u32| {
                let mut course = Observations::default();
                for (i, &(exit, _, _)) in rows.iter().enumerate() {
                    let (exit, ending) = match places.iter().position(|&place| place == i) {
                        Some(bit) if failing >> bit & 1 == 1 => (exit + 1, Ending::Failed),
                        Some(_) => (12, Ending::Censored),
                        None => (exit, observations.ending()[i]),
                    };
                    course.push(Days::new(0), Days::new(exit), ending, 0).expect("in order");
                }
                let curve = ProductLimit::estimate(&LifeTable::count(&course));
                curve.steps().last().map_or(1.0, |step| step.survival.value())
            };
            let choices = 0..1_u32 << places.len();
            let all: Vec<(u32, f64)> = choices.map(|failing| (failing.count_ones(), survival_with(failing))).collect();
            let fewest = all.iter().filter(|(_, s)| *s < threshold).map(|(count, _)| u64::from(*count)).min();
            let spared = all.iter().filter(|(_, s)| *s >= threshold).map(|(count, _)| u64::from(*count) + 1).max();
            let tip = tipping_point(&observations, &lost, day, manebit::quantity::Fraction::new(threshold));
            let tip = *tip.known().expect("some were lost");
            prop_assert_eq!(tip.latest_first.known().copied(), fewest);
            let enough = spared.unwrap_or(0);
            prop_assert_eq!(tip.earliest_first.known().copied(), (enough <= tip.lost).then_some(enough));
        }
    }
}
