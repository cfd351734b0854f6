//! Rates, their ratios, exact probabilities and limits against published values and `tests/reference/rates.json`, which
//! `make_rates.py` beside it makes with general-purpose software (mpmath, scipy, statsmodels; versions in the file).

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{ConfidenceInterval, ConfidenceLevel, DAYS_PER_YEAR, Days, Known};
use manebit::stats::beta::{beta_quantile, beta_quantile_ln_odds, student_quantile_upper, student_two_sided};
use manebit::stats::distribution::Side;
use manebit::stats::{
    Axis, Ending, ExactRateRatio, Grouping, Observations, PersonTime, Rate, RateIntervalMethod, cluster_robust_rate_ratio,
    exact_rate_ratio, mid_p_poisson_interval, observed_by_expected, poisson_interval, rate,
};
use proptest::prelude::*;
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/rates.json")).expect("reference values")
}

fn rows<'a>(value: &'a Value, name: &str) -> &'a [Value] {
    value[name].as_array().expect("a list")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Within so much of the reference, relative to it, or to 1 where it is a logarithm near 0; gives the difference back.
#[track_caller]
fn near(value: f64, reference: f64, relative: f64, floor: f64) -> f64 {
    let difference = (value - reference).abs() / reference.abs().max(floor);
    assert!(difference <= relative, "{value:?} against {reference:?}: {difference:e}");
    difference
}

/// Half a unit in the last of so many printed digits.
#[track_caller]
fn printed(value: f64, reference: f64, digits: i32) {
    let magnitude = if reference.abs() > 0.0 { reference.abs().log10().floor() as i32 } else { 0 };
    let allowed = 0.5001 * 10.0_f64.powi(magnitude + 1 - digits);
    assert!((value - reference).abs() <= allowed, "{value:?} against {reference:?}");
}

/// A group with so many failures, each its own cluster, and so much time in all.
fn counted(failures: i32, time: i32) -> PersonTime {
    let mut observations = Observations::default();
    for cluster in 0..failures {
        let exit = if cluster == 0 { time - failures + 1 } else { 1 };
        let (entry, exit) = (Days::new(0), Days::new(exit));
        observations.push_weighted(entry, exit, Ending::Failed, cluster.unsigned_abs(), 1.0).expect("in order");
    }
    if failures == 0 {
        observations.push_weighted(Days::new(0), Days::new(time), Ending::Censored, 0, 1.0).expect("in order");
    }
    PersonTime::count(&observations, &Axis::Days)
}

#[test]
fn poisson_limits_in_print() {
    // Garwood F. Biometrika 1936;28:437–442: 10 → 4.80–18.39; 25 → 90 % 17.38–34.92, 95 % 16.18–36.90, 99 % 14.00–41.00 (as found
    // in calculators' documentation citing it); ten digits computed with general-purpose software.
    for (count, level, lower, upper) in [
        (0, 0.9, 0.0, 2.995_732_274),
        (0, 0.99, 0.0, 5.298_317_367),
        (1, 0.9, 0.051_293_294_39, 4.743_864_518),
        (10, 0.95, 4.795_388_696, 18.390_356_04),
        (25, 0.9, 17.382_125_84, 34.916_080_17),
        (25, 0.95, 16.178_681_85, 36.904_931_7),
        (25, 0.99, 13.995_374_43, 41.000_412_85),
        (75, 0.99, 54.571_124_05, 100.328_378_2),
        (100, 0.95, 81.363_991_25, 121.626_793_8),
    ] {
        let limits = poisson_interval(count, ConfidenceLevel::new(level).expect("a level"));
        printed(limits.lower, lower, 10);
        printed(limits.upper, upper, 10);
    }
}

#[test]
fn poisson_limits_agree_with_forty_digit_values() {
    let reference = reference();
    let mut largest = 0.0_f64;
    for row in rows(&reference, "poisson") {
        let level = ConfidenceLevel::new(number(&row["level"])).expect("a level");
        let count = row["count"].as_u64().expect("a count");
        for (limits, name) in [(poisson_interval(count, level), "exact"), (mid_p_poisson_interval(count, level), "mid_p")] {
            largest = largest.max(near(limits.lower, number(&row[name][0]), 1e-12, 1e-300));
            largest = largest.max(near(limits.upper, number(&row[name][1]), 1e-12, 1e-300));
        }
    }
    println!("Poisson limits: {largest:e}");
}

#[test]
fn beta_and_student_agree_with_forty_digit_values() {
    let reference = reference();
    let mut largest = [0.0_f64; 3];
    for row in rows(&reference, "beta_quantiles") {
        let (a, b, tail) = (number(&row["a"]), number(&row["b"]), number(&row["tail"]));
        for (side, name) in [(Side::Lower, "lower"), (Side::Upper, "upper")] {
            largest[0] = largest[0].max(near(beta_quantile(a, b, tail, side), number(&row[name]), 1e-12, 1e-300));
            let ln_odds = beta_quantile_ln_odds(a, b, tail, side);
            largest[0] = largest[0].max(near(ln_odds, number(&row[format!("{name}_ln_odds")]), 1e-12, 1.0));
        }
    }
    for row in rows(&reference["student"], "tails") {
        let tail = student_two_sided(number(&row["t"]), number(&row["degrees_of_freedom"]));
        largest[1] = largest[1].max(near(tail.ln_p_value, number(&row["ln_p"]), 1e-12, 1e-2));
    }
    for row in rows(&reference["student"], "quantiles") {
        let t = student_quantile_upper(number(&row["tail"]), number(&row["degrees_of_freedom"]));
        largest[2] = largest[2].max(near(t, number(&row["t"]), 1e-12, 1e-300));
    }
    println!("beta quantiles, Student tails and quantiles: {largest:?}");
}

fn exact(failures: [i32; 2], time: [i32; 2]) -> ExactRateRatio {
    let [first, second] = [0, 1].map(|group| counted(failures[group], time[group]));
    *exact_rate_ratio(&first, &second, ConfidenceLevel::USUAL).known().expect("failures")
}

#[test]
fn rate_ratios_of_four_pairs_to_ten_digits() {
    // Computed with general-purpose software: Clopper–Pearson limits and binomial sums.
    for (failures, time, ratio, lower, upper, small, twice, mid_p) in [
        (
            [11, 23],
            [800, 3011],
            1.800_054_348,
            0.792_205_085_8,
            3.843_862_74,
            0.136_634_447_1,
            0.165_859_825_6,
            0.121_649_121_3,
        ),
        (
            [3, 9],
            [100, 110],
            0.366_666_666_7,
            0.063_849_535_66,
            1.469_243_818,
            0.151_470_561_5,
            0.197_751_054_4,
            0.127_228_942_4,
        ),
        ([0, 5], [50, 60], 0.0, 0.0, 1.309_534_926, 0.067_686_633_43, 0.096_565_684_16, 0.048_282_842_08),
        (
            [41, 15],
            [28010, 19017],
            1.855_758_658,
            1.005_684_063,
            3.609_300_311,
            0.040_852_026_29,
            0.047_660_246_75,
            0.035_457_421_77,
        ),
    ] {
        let result = exact(failures, time);
        printed(*result.ratio.value.known().expect("a ratio"), ratio, 10);
        printed(*result.ratio.lower.known().expect("a limit"), lower, 10);
        printed(*result.ratio.upper.known().expect("a limit"), upper, 10);
        printed(result.probabilities.sum_of_small.expect("whole").p_value, small, 10);
        printed(result.probabilities.twice_smaller_tail.p_value, twice, 10);
        printed(result.probabilities.mid_p.p_value, mid_p, 10);
    }
}

fn agrees_with_probabilities(row: &Value, probabilities: manebit::stats::ExactProbabilities) -> f64 {
    let small = probabilities.sum_of_small.expect("whole").ln_p_value;
    [
        (small, "ln_sum_of_small"),
        (probabilities.twice_smaller_tail.ln_p_value, "ln_twice_smaller_tail"),
        (probabilities.mid_p.ln_p_value, "ln_mid_p"),
    ]
    .into_iter()
    .map(|(value, name)| near(value, number(&row[name]), 1e-10, 1e-2))
    .fold(0.0, f64::max)
}

#[test]
fn ratios_and_exact_probabilities_agree_with_forty_digit_values() {
    let reference = reference();
    let mut largest = [0.0_f64; 2];
    let whole = |value: &Value| i32::try_from(value.as_i64().expect("whole")).expect("small");
    for row in rows(&reference, "ratios") {
        let [failures, time] = ["failures", "time"].map(|name| [whole(&row[name][0]), whole(&row[name][1])]);
        // Days must be at least as many as failures, so that each has one; the time drops out but for its ratio.
        let scale = failures[0].max(failures[1]) + 1;
        let result = exact(failures, time.map(|time| time * scale));
        for (limit, reference) in [(result.ratio.lower, &row["lower"]), (result.ratio.upper, &row["upper"])] {
            match reference.as_f64() {
                Some(reference) => {
                    largest[0] = largest[0].max(near(*limit.known().expect("a limit"), reference, 1e-11, 1e-300));
                }
                None => assert!(limit.known().is_none()),
            }
        }
        largest[1] = largest[1].max(agrees_with_probabilities(row, result.probabilities));
    }
    for row in rows(&reference, "observed") {
        let observed = whole(&row["observed"]);
        let own = counted(observed, 10_000);
        let expected = number(&row["expected"]) / 10_000.0;
        let result = observed_by_expected(&own, expected, 1.0, RateIntervalMethod::Exact, ConfidenceLevel::USUAL);
        let result = result.known().expect("time");
        near(result.expected, number(&row["expected"]), 1e-14, 1e-300);
        largest[1] = largest[1].max(agrees_with_probabilities(row, result.probabilities));
        let limits = poisson_interval(observed.unsigned_abs().into(), ConfidenceLevel::USUAL);
        let by_expected = result.ratio.interval.known().expect("limits");
        near(by_expected.lower, limits.lower / result.expected, 1e-13, 1e-300);
        near(by_expected.upper, limits.upper / result.expected, 1e-13, 1e-300);
    }
    println!("limits of ratios, ln of exact probabilities: {largest:?}");
}

fn clustered(weighted: bool) -> (Observations, Grouping, Value) {
    let reference = reference()["clustered"].clone();
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for row in rows(&reference, "rows") {
        let whole = |place: usize| i32::try_from(row[place].as_i64().expect("whole")).expect("small");
        let ending = if whole(2) == 1 { Ending::Failed } else { Ending::Censored };
        let weight = if weighted { number(&row[5]) } else { 1.0 };
        observations
            .push_weighted(Days::new(whole(0)), Days::new(whole(1)), ending, whole(3).unsigned_abs(), weight)
            .expect("in order");
        codes.push(u16::try_from(whole(4)).expect("a level"));
    }
    let name = if weighted { "weighted" } else { "unweighted" };
    (observations, Grouping::new(codes, 2).expect("levels"), reference[name].clone())
}

#[test]
fn cluster_robust_limits_agree_with_a_poisson_regression() {
    for weighted in [false, true] {
        let (observations, grouping, reference) = clustered(weighted);
        let whole = PersonTime::count(&observations, &Axis::Days);
        let own = rate(&whole, DAYS_PER_YEAR, RateIntervalMethod::ClusterRobust, ConfidenceLevel::USUAL);
        let own = own.known().expect("a rate").estimate;
        near(own.value, number(&reference["rate"]), 1e-10, 1e-300);
        near(own.standard_error.expect("known") / own.value, number(&reference["ln_rate_deviation"]), 1e-10, 1e-300);
        let limits = own.interval.known().expect("limits");
        near(limits.lower, number(&reference["rate_limits"][0]), 1e-10, 1e-300);
        near(limits.upper, number(&reference["rate_limits"][1]), 1e-10, 1e-300);
        let groups = PersonTime::by_group(&observations, &grouping, &Axis::Days);
        let result = cluster_robust_rate_ratio(&groups[0], &groups[1], ConfidenceLevel::USUAL);
        let result = result.known().expect("a ratio");
        near(*result.ratio.value.known().expect("a ratio"), number(&reference["ratio"]), 1e-10, 1e-300);
        near(result.ratio.ln_standard_error.expect("known"), number(&reference["ln_ratio_deviation"]), 1e-10, 1e-300);
        near(*result.ratio.lower.known().expect("a limit"), number(&reference["ratio_limits"][0]), 1e-10, 1e-300);
        near(*result.ratio.upper.known().expect("a limit"), number(&reference["ratio_limits"][1]), 1e-10, 1e-300);
        assert_eq!(result.degrees_of_freedom, reference["ratio_degrees_of_freedom"].as_u64());
        near(result.probability.known().expect("spread").ln_p_value, number(&reference["ratio_ln_p"]), 1e-8, 1e-2);
    }
}

/// Entry, time from entry to exit, ending, cluster, group.
type Row = (i32, i32, Ending, u32, u16);

fn some_rows() -> impl Strategy<Value = Vec<Row>> {
    let ending = prop_oneof![3 => Just(Ending::Failed), 1 => Just(Ending::Competing), 2 => Just(Ending::Censored)];
    prop::collection::vec((prop_oneof![2 => Just(0), 1 => 1..30], 1..40, ending, 0..6_u32, 0..2_u16), 4..40)
}

fn by_group(rows: &[Row], axis: &Axis, weight: Option<f64>) -> Vec<PersonTime> {
    let mut observations = Observations::default();
    for &(entry, length, ending, cluster, _) in rows {
        let (entry, exit) = (Days::new(entry), Days::new(entry + length));
        observations.push_weighted(entry, exit, ending, cluster, weight.unwrap_or(1.0)).expect("in order");
    }
    PersonTime::by_group(&observations, &Grouping::new(rows.iter().map(|row| row.4).collect(), 2).expect("levels"), axis)
}

fn limits_of(rate: &Known<Rate>) -> Option<ConfidenceInterval<f64>> {
    rate.known().and_then(|rate| rate.estimate.interval.known().copied())
}

proptest! {
    #[test]
    fn a_record_split_within_its_cluster_changes_no_rate(rows in some_rows()) {
        let split: Vec<Row> = rows.iter().flat_map(|&(entry, length, ending, cluster, group)| {
            let first = length / 2;
            if first == 0 {
                vec![(entry, length, ending, cluster, group)]
            } else {
                vec![
                    (entry, first, Ending::Censored, cluster, group),
                    (entry + first, length - first, ending, cluster, group),
                ]
            }
        }).collect();
        let (whole, split) = (by_group(&rows, &Axis::Days, None), by_group(&split, &Axis::Days, None));
        let level = ConfidenceLevel::USUAL;
        for (whole, split) in whole.iter().zip(&split) {
            for method in [RateIntervalMethod::Exact, RateIntervalMethod::MidP, RateIntervalMethod::ClusterRobust] {
                let (whole, split) = (rate(whole, 7.0, method, level), rate(split, 7.0, method, level));
                prop_assert_eq!(limits_of(&whole), limits_of(&split));
            }
        }
        let ratio = |groups: &[PersonTime]| {
            cluster_robust_rate_ratio(&groups[0], &groups[1], level).map(|ratio| (ratio.ratio.lower, ratio.probability))
        };
        prop_assert_eq!(ratio(&whole), ratio(&split));
    }

    #[test]
    fn groups_the_other_way_round_give_the_inverse(rows in some_rows()) {
        let groups = by_group(&rows, &Axis::Days, None);
        let level = ConfidenceLevel::USUAL;
        if let (Known::Known(a), Known::Known(b)) =
            (exact_rate_ratio(&groups[0], &groups[1], level), exact_rate_ratio(&groups[1], &groups[0], level))
        {
            if let (Known::Known(lower), Known::Known(upper)) = (a.ratio.lower, b.ratio.upper) {
                prop_assert!((lower * upper - 1.0).abs() < 1e-11);
            }
            let (a, b) = (a.probabilities, b.probabilities);
            prop_assert!((a.mid_p.ln_p_value - b.mid_p.ln_p_value).abs() < 1e-11);
            let small = a.sum_of_small.zip(b.sum_of_small);
            prop_assert!(small.is_some_and(|(a, b)| (a.ln_p_value - b.ln_p_value).abs() < 1e-11));
        }
        if let (Known::Known(a), Known::Known(b)) = (
            cluster_robust_rate_ratio(&groups[0], &groups[1], level),
            cluster_robust_rate_ratio(&groups[1], &groups[0], level),
        ) && let (Known::Known(lower), Known::Known(upper)) = (a.ratio.lower, b.ratio.upper)
        {
            prop_assert!((lower * upper - 1.0).abs() < 1e-11);
        }
    }

    #[test]
    fn another_unit_of_time_or_weight_changes_only_the_scale(rows in some_rows()) {
        let level = ConfidenceLevel::USUAL;
        let days = by_group(&rows, &Axis::Days, None);
        let halves = by_group(&rows, &Axis::Listed((0..80).map(|tick| 0.5 * f64::from(tick)).collect()), None);
        let doubled = by_group(&rows, &Axis::Days, Some(2.0));
        for ((days, halves), doubled) in days.iter().zip(&halves).zip(&doubled) {
            let robust = |counted: &PersonTime, unit| limits_of(&rate(counted, unit, RateIntervalMethod::ClusterRobust, level));
            prop_assert_eq!(robust(days, 10.0), robust(halves, 5.0));
            prop_assert_eq!(robust(days, 10.0), robust(doubled, 10.0));
        }
    }
}
