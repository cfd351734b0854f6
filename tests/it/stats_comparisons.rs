//! Published and independently computed values for the tests that compare groups, and what must hold of them for any data.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{Days, Known, Variance, WhyNotKnown};
use manebit::stats::{
    AdjustmentMethod, Compared, Ending, Exponent, Grouping, Observations, WeightedLogRankTest, Weighting, Weightings,
    adjusted_ln_p_values, combined_log_rank, equally_spaced_scores, largest_absolute_normal_tail, log_rank, log_rank_trend,
    pairwise_log_rank, weighted_log_rank, wild_bootstrap_log_rank,
};
use proptest::prelude::*;
use serde_json::Value;

fn fleming_harrington(rho: f64, gamma: f64) -> Weighting {
    let exponent = |value| Exponent::new(value).expect("not below 0");
    Weighting::FlemingHarrington { rho: exponent(rho), gamma: exponent(gamma) }
}

#[track_caller]
fn close(value: f64, reference: f64, part: f64) {
    assert!((value - reference).abs() <= part * reference.abs(), "relative: {value:?} against {reference:?}");
}

/// Ten printed digits.
#[track_caller]
fn printed(value: f64, reference: f64) {
    close(value, reference, 6e-10);
}

/// Lists such as `6, 6+` (a plus marks a censored time), one a group; times are multiplied by `scale` to make them whole.
fn listed(texts: &[&str], scale: f64) -> (Observations, Grouping) {
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for (code, text) in (0..).zip(texts) {
        for item in text.split(',').map(str::trim) {
            let time = item.trim_end_matches('+').parse::<f64>().expect("a time") * scale;
            let ending = if item.ends_with('+') { Ending::Censored } else { Ending::Failed };
            let cluster = u32::try_from(codes.len()).expect("few");
            observations.push(Days::new(0), Days::new(time.round() as i32), ending, cluster).expect("in order");
            codes.push(code);
        }
    }
    (observations, Grouping::new(codes, u16::try_from(texts.len()).expect("few")).expect("levels"))
}

fn known(test: Known<WeightedLogRankTest>) -> WeightedLogRankTest {
    match test {
        Known::Known(test) => test,
        Known::NotKnown(why) => panic!("not known: {why:?}"),
    }
}

/// χ² and p in ten printed digits.
type Printed = (Weighting, f64, f64);

#[track_caller]
fn agrees(texts: &[&str], scale: f64, expected: &[f64], tests: &[Printed]) {
    let (observations, grouping) = listed(texts, scale);
    let compared = Compared::new(&observations, &grouping);
    for &(weighting, chi_square, p_value) in tests {
        let test = known(weighted_log_rank(&compared, weighting, Variance::ModelBased));
        printed(test.chi_square, chi_square);
        printed(test.p_value, p_value);
        assert_eq!(test.degrees_of_freedom as usize, texts.len() - 1);
        for (group, &expected) in test.groups.iter().zip(expected) {
            printed(group.expected, expected);
        }
        assert_eq!(test.z.is_some(), texts.len() == 2);
    }
}

const FREIREICH: [&str; 2] = [
    "6, 6, 6, 6+, 7, 9+, 10, 10+, 11+, 13, 16, 17+, 19+, 20+, 22, 23, 25+, 32+, 32+, 34+, 35+",
    "1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23",
];

#[test]
fn ten_rows_by_hand() {
    // A: 2, 4, 4+, 6, 9+; B: 3+, 4, 7, 7, 10+. By hand: at risk 10 (5 of A), 8 (4), 5 (2), 4 (1); failing 1, 2, 1, 2.
    // Gehan: U_A = 10(1 − 1/2) + 8(1 − 1) + 5(1 − 2/5) + 4(0 − 1/2) = 6.
    // V = 100·1/4 + 64·2·6/7·1/4 + 25·6/25 + 16·2·2/3·3/16 = 25 + 192/7 + 6 + 4.
    let (observations, grouping) = listed(&["2, 4, 4+, 6, 9+", "3+, 4, 7, 7, 10+"], 1.0);
    let test = known(weighted_log_rank(&Compared::new(&observations, &grouping), Weighting::Gehan, Variance::ModelBased));
    let variance = 35.0 + 192.0 / 7.0;
    close(test.groups[0].weighted_difference, 6.0, 1e-14);
    close(test.covariance[0][0], variance, 1e-14);
    close(test.covariance[0][1], -variance, 1e-14);
    close(test.chi_square, 36.0 / variance, 1e-14);
    // A fails sooner, so the sign of B's difference is below 0.
    close(test.z.expect("two groups"), -6.0 / variance.sqrt(), 1e-14);
}

#[test]
fn remission_in_leukaemia() {
    // Freireich et al., Blood 1963;21:699–716; computed with R 4.2 survival 3.5 and NumPy. In print: log-rank 16.79, Gehan 13.46
    // (Kleinbaum & Klein; from memory).
    let tests = [
        (Weighting::LogRank, 16.792_940_99, 4.168_809_109e-05),
        (Weighting::Gehan, 13.457_852_05, 0.000_243_982_921_9),
        (Weighting::TaroneWare, 15.123_575_3, 0.000_100_697_884_4),
        (Weighting::PetoPeto, 14.084_139_87, 0.000_174_811_615_4),
        (Weighting::ModifiedPetoPeto, 13.911_285_45, 0.000_191_644_318_1),
        (fleming_harrington(1.0, 0.0), 14.457_150_82, 0.000_143_384_444_8),
        (fleming_harrington(0.0, 1.0), 13.048_448_62, 0.000_303_535_730_3),
        (fleming_harrington(1.0, 1.0), 12.741_495_71, 0.000_357_631_578_2),
        (fleming_harrington(0.5, 0.5), 13.780_019_57, 0.000_205_510_293_2),
    ];
    agrees(&FREIREICH, 1.0, &[19.250_500_95, 10.749_499_05], &tests);
}

#[test]
fn maintenance_in_leukaemia() {
    // Miller 1997; computed with R 4.2 survival 3.5.
    let texts = ["9, 13, 13+, 18, 23, 28+, 31, 34, 45+, 48, 161+", "5, 5, 8, 8, 12, 16+, 23, 27, 30, 33, 43, 45"];
    let tests = [
        (Weighting::LogRank, 3.396_388_699, 0.065_339_322_04),
        (Weighting::Gehan, 2.723_311_547, 0.098_892_651_37),
        (fleming_harrington(1.0, 0.0), 2.779_279_545, 0.095_491_115_41),
    ];
    agrees(&texts, 1.0, &[10.689_335_99, 7.310_664_008], &tests);
}

#[test]
fn catheters_of_dialysis() {
    // Klein & Moeschberger, example 7.2, in print (table 7.3, from memory): 2.53, 0.002, 0.40, 1.40, 1.28, 1.39, 9.67, 9.83, 9.28.
    let texts = [
        "0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 1.5+, 1.5+, 1.5+, 1.5+, 2.5, 2.5, \
         2.5+, 2.5+, 2.5+, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 3.5+, 3.5+, 4.5+, 4.5+, 4.5+, 5.5+, 5.5+, 5.5+, 5.5+, 5.5+, 6.5, 6.5+, \
         7.5+, 7.5+, 7.5+, 8.5+, 8.5+, 8.5+, 9.5+, 9.5+, 10.5+, 10.5+, 10.5+, 11.5+, 11.5+, 12.5+, 12.5+, 12.5+, 12.5+, 14.5+, 14.5+, \
         15.5, 16.5+, 16.5+, 18.5+, 19.5+, 19.5+, 19.5+, 20.5+, 22.5+, 24.5+, 25.5+, 26.5+, 26.5+, 28.5+",
        "1.5, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 4.5, 4.5, 4.5+, 5.5, 5.5+, 6.5+, 6.5+, 7.5+, 7.5+, 7.5+, 7.5+, 8.5, 8.5, 8.5+, 9.5, \
         9.5+, 10.5, 10.5+, 11.5, 11.5+, 12.5+, 12.5+, 13.5+, 14.5+, 14.5+, 15.5, 16.5, 18.5, 21.5+, 21.5+, 22.5+, 22.5+, 23.5, \
         25.5+, 26.5, 27.5+",
    ];
    let tests = [
        (Weighting::LogRank, 2.529_506_318, 0.111_735_169_7),
        (Weighting::Gehan, 0.002_084_308_54, 0.963_585_846_5),
        (Weighting::TaroneWare, 0.402_738_202_3, 0.525_678_512_7),
        (Weighting::PetoPeto, 1.399_160_019, 0.236_864_261_4),
        (Weighting::ModifiedPetoPeto, 1.275_908_836, 0.258_661_106_1),
        (fleming_harrington(1.0, 0.0), 1.386_522_782, 0.238_993_197_3),
        (fleming_harrington(0.0, 1.0), 9.668_035_005, 0.001_875_017_508),
        (fleming_harrington(1.0, 1.0), 9.834_062_861, 0.001_713_095_384),
        (fleming_harrington(0.5, 0.5), 9.284_859_274, 0.002_310_556_717),
    ];
    agrees(&texts, 2.0, &[14.963_551_62, 11.036_448_38], &tests);
}

const LARYNX: [&str; 4] = [
    "0.6, 1.3, 2.4, 2.5+, 3.2, 3.2+, 3.3, 3.3+, 3.5, 3.5, 4, 4, 4.3, 4.5+, 4.5+, 5.3, 5.5+, 5.9+, 5.9+, 6, 6.1+, 6.2+, 6.4, 6.5, \
     6.5+, 6.7+, 7+, 7.4, 7.4+, 8.1+, 8.1+, 9.6+, 10.7+",
    "0.2, 1.8, 2, 2.2+, 2.6+, 3.3+, 3.6, 3.6+, 4, 4.3+, 4.3+, 5+, 6.2, 7, 7.5+, 7.6+, 9.3+",
    "0.3, 0.3, 0.5, 0.7, 0.8, 1, 1.3, 1.6, 1.8, 1.9, 1.9, 3.2, 3.5, 3.7+, 4.5+, 4.8+, 4.8+, 5, 5+, 5.1+, 6.3, 6.4, 6.5+, 7.8, 8+, \
     9.3+, 10.1+",
    "0.1, 0.3, 0.4, 0.8, 0.8, 1, 1.5, 2, 2.3, 2.9+, 3.6, 3.8, 4.3+",
];

#[test]
fn stages_of_larynx_cancer_and_their_trend() {
    // Klein & Moeschberger, example 7.6; in print: log-rank 22.76 on 3, trend 3.72 (from memory). Computed with R 4.2 survival 3.5.
    let tests = [
        (Weighting::LogRank, 22.762_757_06, 4.525_211_22e-05, 3.718_958_531, 0.000_200_045_887_6),
        (Weighting::Gehan, 23.177_016_95, 3.709_339_58e-05, 4.224_765_259, 2.391_899_683e-05),
        (Weighting::TaroneWare, 23.140_664_87, 3.774_641_325e-05, 4.058_010_461, 4.949_255_154e-05),
        (fleming_harrington(1.0, 0.0), 23.101_794_53, 3.845_734_659e-05, 4.120_054_574, 3.787_826_693e-05),
    ];
    let (observations, grouping) = listed(&LARYNX, 10.0);
    let compared = Compared::new(&observations, &grouping);
    for (weighting, chi_square, p_value, z, trend_p) in tests {
        agrees(
            &LARYNX,
            10.0,
            &[22.566_039_84, 10.011_697_01, 14.084_547_72, 3.337_715_427],
            &[(weighting, chi_square, p_value)],
        );
        let trend = log_rank_trend(&compared, weighting, &equally_spaced_scores(4), Variance::ModelBased);
        let trend = trend.known().expect("four groups");
        printed(trend.z, z);
        printed(trend.p_value, trend_p);
        close(trend.chi_square, trend.difference * trend.difference / trend.difference_variance, 1e-12);
        // Scores far from 0 lose no digits: years of the calendar.
        let far = log_rank_trend(&compared, weighting, &[2001.0, 2002.0, 2003.0, 2004.0], Variance::ModelBased);
        close(far.known().expect("four groups").z, trend.z, 1e-12);
    }
}

#[test]
fn adjusted_probabilities() {
    // Computed with R 4.2 stats.
    let p: [f64; 7] = [0.01, 0.04, 0.03, 0.005, 0.2, 0.5, 0.8];
    let ln_p = p.map(f64::ln);
    for (method, expected) in [
        (AdjustmentMethod::Holm, [0.06, 0.16, 0.15, 0.035, 0.6, 1.0, 1.0]),
        (AdjustmentMethod::Hochberg, [0.06, 0.16, 0.15, 0.035, 0.6, 0.8, 0.8]),
        (AdjustmentMethod::BenjaminiHochberg, [0.035, 0.07, 0.07, 0.035, 0.28, 7.0 / 12.0, 0.8]),
    ] {
        for (adjusted, expected) in adjusted_ln_p_values(&ln_p, method).into_iter().zip(expected) {
            close(adjusted.exp(), expected, 1e-14);
        }
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn small(value: &Value) -> u32 {
    u32::try_from(value.as_u64().expect("a whole number")).expect("small")
}

fn weighting_named(name: &Value) -> Weighting {
    match name.as_str() {
        Some("log_rank") => Weighting::LogRank,
        Some("gehan") => Weighting::Gehan,
        Some("tarone_ware") => Weighting::TaroneWare,
        Some("peto_peto") => Weighting::PetoPeto,
        Some("modified_peto_peto") => Weighting::ModifiedPetoPeto,
        _ => fleming_harrington(number(&name[0]), number(&name[1])),
    }
}

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/comparisons.json")).expect("JSON")
}

/// Largest relative differences seen, by name.
#[derive(Default)]
struct Largest(std::collections::BTreeMap<&'static str, f64>);

impl Largest {
    #[track_caller]
    fn close(&mut self, what: &'static str, value: f64, reference: f64, scale: f64, allowed: f64) {
        let difference = (value - reference).abs() / scale;
        assert!(difference <= allowed, "{what}: {value:?} against {reference:?}");
        let largest = self.0.entry(what).or_default();
        *largest = largest.max(difference);
    }
}

#[test]
fn tests_agree_with_an_independent_program_at_full_precision() {
    let reference = reference();
    let mut largest = Largest::default();
    let mut compared_with_others = 0;
    for case in reference["cases"].as_array().expect("cases") {
        let (groups, strata) = (small(&case["groups"]), small(&case["strata"]));
        let (mut observations, mut codes, mut places) = (Observations::default(), Vec::new(), Vec::new());
        for row in case["rows"].as_array().expect("rows") {
            let days = |k: usize| Days::new(small(&row[k]) as i32);
            let ending = [Ending::Failed, Ending::Competing, Ending::Censored][small(&row[2]) as usize];
            observations.push_weighted(days(0), days(1), ending, small(&row[3]), number(&row[6])).expect("in order");
            codes.push(small(&row[4]) as u16);
            places.push(small(&row[5]) as u16);
        }
        let grouping = Grouping::new(codes, groups as u16).expect("levels");
        let strata = Grouping::new(places, strata as u16).expect("levels");
        for values in case["tests"].as_array().expect("tests") {
            let stratified = values["stratified"].as_bool().expect("said");
            let mut compared = Compared::new(&observations, &grouping);
            if stratified {
                compared = compared.within(&strata);
            }
            let weighting = weighting_named(&values["weighting"]);
            let model_based = known(weighted_log_rank(&compared, weighting, Variance::ModelBased));
            for (name, part) in [("survdiff", 1e-10), ("lifelines", 1e-10)] {
                if let Some(chi_square) = values[name].as_f64() {
                    largest.close(name, model_based.chi_square, chi_square, chi_square, part);
                    compared_with_others += 1;
                }
            }
            for (variance, name) in [(Variance::ModelBased, "model_based"), (Variance::ClusterRobust, "cluster_robust")] {
                let test = known(weighted_log_rank(&compared, weighting, variance));
                let expected = &values[name];
                let scale = number(&expected["covariance"][0][0]);
                for g in 0..groups as usize {
                    let group = test.groups[g];
                    largest.close("observed", group.observed, number(&values["observed"][g]), group.observed, 1e-13);
                    largest.close("expected", group.expected, number(&values["expected"][g]), group.expected, 1e-12);
                    let difference = number(&values["difference"][g]);
                    largest.close("difference", group.weighted_difference, difference, scale.sqrt(), 1e-12);
                    for h in 0..groups as usize {
                        let covariance = number(&expected["covariance"][g][h]);
                        largest.close("covariance", test.covariance[g][h], covariance, scale, 1e-11);
                    }
                }
                let chi_square = number(&expected["chi_square"]);
                largest.close("χ²", test.chi_square, chi_square, chi_square.max(0.01), 1e-10);
                let ln_p = number(&expected["ln_p_value"]);
                largest.close("ln p", test.ln_p_value, ln_p, ln_p.abs().max(0.1), 1e-10);
                let trend = log_rank_trend(&compared, weighting, &equally_spaced_scores(groups as u16), variance);
                let trend = trend.known().expect("groups");
                let (z, ln_p) = (number(&expected["trend_z"]), number(&expected["trend_ln_p_value"]));
                largest.close("trend z", trend.z, z, z.abs().max(0.1), 1e-10);
                largest.close("trend ln p", trend.ln_p_value, ln_p, ln_p.abs().max(0.1), 1e-10);
                if variance == Variance::ClusterRobust {
                    let few = test.finite_clusters.expect("robust");
                    let few = few.known().expect("clusters");
                    assert_eq!(few.informative_clusters, u64::from(small(&expected["informative_clusters"])));
                    largest.close("F", few.f_statistic, number(&expected["f_statistic"]), few.f_statistic.max(0.01), 1e-10);
                    let ln_p = number(&expected["f_ln_p_value"]);
                    largest.close("F ln p", few.ln_p_value, ln_p, ln_p.abs().max(0.1), 1e-10);
                    assert!(few.few);
                }
            }
        }
    }
    assert!(compared_with_others >= 12, "{compared_with_others}");
    println!("largest differences: {:?}", largest.0);
}

#[test]
fn the_largest_of_normal_numbers_agrees_with_integration_of_their_density() {
    let reference = reference();
    let mut largest = Largest::default();
    let matrix = |value: &Value| -> Vec<Vec<f64>> {
        let row = |row: &Value| row.as_array().expect("a row").iter().map(number).collect();
        value.as_array().expect("rows").iter().map(row).collect()
    };
    for case in reference["maxima"].as_array().expect("maxima") {
        let correlation = matrix(&case["correlation"]);
        let tail = largest_absolute_normal_tail(&correlation, number(&case["bound"])).expect("a correlation matrix");
        // ln p absolutely: a relative difference of p.
        let name = ["", "one", "two", "three", "four"][correlation.len()];
        largest.close(name, tail.ln_p_value, number(&case["ln_p_value"]), 1.0, 1e-9);
    }
    for case in reference["four"].as_array().expect("four") {
        let tail = largest_absolute_normal_tail(&matrix(&case["correlation"]), number(&case["bound"]));
        let p = tail.expect("a correlation matrix").p_value;
        // In four dimensions by products of Gauss and Legendre's rule; in three by nested integration that is asked for 1e-8.
        let (name, allowed) = if small(&case["rank"]) == 4 { ("four, general", 1e-10) } else { ("four, singular", 2e-8) };
        largest.close(name, p, number(&case["p_value"]), 1.0, allowed);
        // SciPy's lattice rule with 400,000 points is itself off by up to 9e-5 here, most where the matrix is singular.
        largest.close("lattice rule", p, number(&case["lattice"]), 1.0, 1e-4);
        let simulated = number(&case["simulated"]);
        assert!((p - simulated).abs() < 5.0 * (p * (1.0 - p) / 1e6).sqrt(), "five standard errors: {p} against {simulated}");
    }
    println!("largest differences: {:?}", largest.0);
}

#[test]
fn one_number_and_two_independent_ones_have_closed_forms() {
    // 2Φ̄(c), 1 − (1 − 2Φ̄(c))²; Φ̄(1.96) computed with mpmath at 50 digits.
    let tail = 2.0 * 0.024997895148220435;
    let one = largest_absolute_normal_tail(&[vec![1.0]], 1.96).expect("one");
    close(one.p_value, tail, 1e-13);
    let two = largest_absolute_normal_tail(&[vec![1.0, 0.0], vec![0.0, 1.0]], 1.96).expect("two");
    close(two.p_value, tail * (2.0 - tail), 1e-13);
    let same = largest_absolute_normal_tail(&[vec![1.0, -1.0], vec![-1.0, 1.0]], 1.96).expect("two that are one");
    close(same.p_value, tail, 1e-13);
    // Three in a plane, 60° apart: by Craig's form, p = 6/π·∫ from 0 to π/6 of 2·exp(−c²/(2cos²θ))/2 … = 12·T(c, tan 30°).
    let thirds = vec![vec![1.0, 0.5, -0.5], vec![0.5, 1.0, 0.5], vec![-0.5, 0.5, 1.0]];
    let t = |c: f64, end: f64| {
        let steps = 20_000;
        let width = end / f64::from(steps);
        let f = |x: f64| (-0.5 * c * c * (1.0 + x * x)).exp() / (1.0 + x * x);
        (0..steps).map(|k| f((f64::from(k) + 0.5) * width)).sum::<f64>() * width / (2.0 * std::f64::consts::PI)
    };
    let plane = largest_absolute_normal_tail(&thirds, 1.96).expect("three");
    close(plane.p_value, 12.0 * t(1.96, (1.0_f64 / 3.0).sqrt()), 1e-8);
    // What is no correlation matrix is refused.
    assert_eq!(largest_absolute_normal_tail(&[vec![1.0, 0.9], vec![0.8, 1.0]], 1.0), None);
    assert_eq!(largest_absolute_normal_tail(&[vec![1.0, 2.0], vec![2.0, 1.0]], 1.0), None);
    assert_eq!(largest_absolute_normal_tail(&[], 1.0), None);
    let impossible = vec![vec![1.0, 0.9, -0.9], vec![0.9, 1.0, 0.9], vec![-0.9, 0.9, 1.0]];
    assert_eq!(largest_absolute_normal_tail(&impossible, 1.0), None);
}

/// The usual four.
fn four() -> Weightings {
    let list =
        vec![Weighting::LogRank, fleming_harrington(1.0, 0.0), fleming_harrington(0.0, 1.0), fleming_harrington(1.0, 1.0)];
    Weightings::new(list).expect("four")
}

#[test]
fn a_combined_test_lies_between_its_smallest_probability_and_four_times_it() {
    let (observations, grouping) = listed(&FREIREICH, 1.0);
    let compared = Compared::new(&observations, &grouping);
    for variance in [Variance::ModelBased, Variance::ClusterRobust] {
        let test = combined_log_rank(&compared, &four(), &[1.0, 2.0], variance);
        let test = test.known().expect("two groups").clone();
        let smallest = test.statistics.iter().map(|one| one.ln_p_value).fold(0.0, f64::min);
        assert!(smallest < test.ln_p_value && test.ln_p_value < smallest + 4.0_f64.ln());
        for statistic in &test.statistics {
            let alone = known(weighted_log_rank(&compared, statistic.weighting, variance));
            close(statistic.z, alone.z.expect("two groups"), 1e-12);
            close(statistic.ln_p_value, alone.ln_p_value, 1e-12);
        }
        // One weighting, or one weighting twice, is that test itself.
        for list in [vec![Weighting::Gehan], vec![Weighting::Gehan, Weighting::Gehan]] {
            let one = combined_log_rank(&compared, &Weightings::new(list).expect("few"), &[1.0, 2.0], variance);
            let alone = known(weighted_log_rank(&compared, Weighting::Gehan, variance));
            close(one.known().expect("two groups").ln_p_value, alone.ln_p_value, 1e-12);
        }
    }
}

#[test]
fn a_probability_of_exp_minus_1900_stays_known() {
    // Two groups of 3,200, one failing on days 1 to 40, the other on days 41 to 80, 80 a day.
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for i in 0..6_400 {
        let group = u16::from(i >= 3_200);
        let day = 1 + i / 80;
        observations.push(Days::new(0), Days::new(day), Ending::Failed, i as u32).expect("in order");
        codes.push(group);
    }
    let grouping = Grouping::new(codes, 2).expect("levels");
    let compared = Compared::new(&observations, &grouping);
    let test = known(weighted_log_rank(&compared, Weighting::Gehan, Variance::ModelBased));
    assert!(test.p_value.to_bits() == 0 && test.ln_p_value < -1_900.0 && test.ln_p_value.is_finite(), "{test:?}");
    assert!(test.z.expect("two groups") < -60.0);
    let combined = combined_log_rank(&compared, &four(), &[1.0, 2.0], Variance::ModelBased);
    let combined = combined.known().expect("two groups");
    let smallest = combined.statistics.iter().map(|one| one.ln_p_value).fold(0.0, f64::min);
    assert!(smallest < -1_500.0);
    // So far out the four are exceeded one at a time: the bound of Bonferroni is reached to the last digit.
    let together = smallest + 4.0_f64.ln();
    assert!((combined.ln_p_value - together).abs() < 1e-8 && combined.ln_p_value <= together + 1e-9, "{combined:?}");
    let pairs = pairwise_log_rank(&compared, Weighting::Gehan, Variance::ModelBased, AdjustmentMethod::Holm);
    close(*pairs.pairs[0].adjusted_ln_p_value.known().expect("a pair"), test.ln_p_value, 1e-15);
}

#[test]
fn pairs_are_tests_of_two_groups_alone() {
    let (observations, grouping) = listed(&LARYNX, 10.0);
    let compared = Compared::new(&observations, &grouping);
    for variance in [Variance::ModelBased, Variance::ClusterRobust] {
        let tests = pairwise_log_rank(&compared, Weighting::PetoPeto, variance, AdjustmentMethod::Holm);
        assert_eq!((tests.compared, tests.pairs.len()), (6, 6));
        for pair in &tests.pairs {
            let texts = [LARYNX[usize::from(pair.first)], LARYNX[usize::from(pair.second)]];
            let (observations, grouping) = listed(&texts, 10.0);
            let alone = known(weighted_log_rank(&Compared::new(&observations, &grouping), Weighting::PetoPeto, variance));
            let test = pair.test.known().expect("both groups failed");
            close(test.chi_square, alone.chi_square, 1e-12);
            close(test.z.expect("two groups"), alone.z.expect("two groups"), 1e-12);
            assert_eq!((test.behind, test.groups.len()), (alone.behind, 2));
            let adjusted = *pair.adjusted_ln_p_value.known().expect("known");
            assert!(adjusted >= test.ln_p_value);
        }
    }
}

#[test]
fn strata_without_information_cost_nothing() {
    let (observations, grouping) = listed(&FREIREICH, 1.0);
    let plain = Compared::new(&observations, &grouping);
    // Stratum 1 holds all the data; 0 is empty, 2 holds one group alone, 3 only a censored pair.
    let mut all = observations.clone();
    let mut codes = grouping.codes().to_vec();
    let mut strata = vec![1; codes.len()];
    for (day, ending, group, stratum) in
        [(3, Ending::Failed, 0, 2), (5, Ending::Failed, 0, 2), (4, Ending::Censored, 0, 3), (9, Ending::Censored, 1, 3)]
    {
        let cluster = all.clusters();
        all.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        codes.push(group);
        strata.push(stratum);
    }
    let (grouping, strata) = (Grouping::new(codes, 2).expect("levels"), Grouping::new(strata, 5).expect("levels"));
    let within = Compared::new(&all, &grouping).within(&strata);
    for variance in [Variance::ModelBased, Variance::ClusterRobust] {
        for weighting in [Weighting::LogRank, Weighting::Gehan, Weighting::PetoPeto, fleming_harrington(0.0, 1.0)] {
            let (a, b) = (
                known(weighted_log_rank(&plain, weighting, variance)),
                known(weighted_log_rank(&within, weighting, variance)),
            );
            close(a.chi_square, b.chi_square, 1e-12);
            assert_eq!((a.informative_strata, b.informative_strata, b.degrees_of_freedom), (1, 1, 1));
            assert_eq!(
                a.finite_clusters.map(|few| few.map(|few| few.informative_clusters)),
                b.finite_clusters.map(|few| few.map(|few| few.informative_clusters))
            );
        }
    }
}

#[test]
fn what_cannot_be_compared_says_why() {
    let not_known = |rows: &[(i32, Ending, u32, u16)], weighting, variance| {
        let mut observations = Observations::default();
        for &(day, ending, cluster, _) in rows {
            observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
        }
        let grouping = Grouping::new(rows.iter().map(|row| row.3).collect(), 2).expect("levels");
        let compared = Compared::new(&observations, &grouping);
        let why = weighted_log_rank(&compared, weighting, variance).map(|_| ());
        assert_eq!(log_rank_trend(&compared, weighting, &[1.0, 2.0], variance).map(|_| ()), why);
        assert_eq!(
            wild_bootstrap_log_rank(&compared, weighting, 9, 1).known().is_some(),
            why.known().is_some() && variance == Variance::ClusterRobust
        );
        why
    };
    use Ending::{Censored, Failed};
    let (model, robust, plain) = (Variance::ModelBased, Variance::ClusterRobust, Weighting::LogRank);
    assert_eq!(not_known(&[], plain, robust), Known::NotKnown(WhyNotKnown::NoFailures));
    assert_eq!(not_known(&[(0, Failed, 0, 0)], plain, robust), Known::NotKnown(WhyNotKnown::TooFewGroups));
    assert_eq!(
        not_known(&[(3, Censored, 0, 0), (4, Censored, 1, 1)], plain, robust),
        Known::NotKnown(WhyNotKnown::NoFailures)
    );
    // All fail on one tick: nothing could have gone otherwise, given that so many failed.
    assert_eq!(
        not_known(&[(0, Failed, 0, 0), (0, Failed, 1, 1)], plain, robust),
        Known::NotKnown(WhyNotKnown::TooFewGroups)
    );
    let one_mouth = [(1, Failed, 0, 0), (2, Failed, 0, 1), (3, Censored, 0, 0), (3, Censored, 0, 1)];
    assert_eq!(not_known(&one_mouth, plain, robust), Known::NotKnown(WhyNotKnown::TooFewClusters));
    // The only failure is the first, which weighs nothing with (0, 1).
    let first = [(1, Failed, 0, 0), (2, Censored, 1, 1), (3, Censored, 2, 0)];
    let mut observations = Observations::default();
    for (day, ending, cluster, _) in first {
        observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
    }
    let grouping = Grouping::new(vec![0, 1, 0], 2).expect("levels");
    let compared = Compared::new(&observations, &grouping);
    for variance in [model, robust] {
        let late = weighted_log_rank(&compared, fleming_harrington(0.0, 1.0), variance);
        assert_eq!(late, Known::NotKnown(WhyNotKnown::NoFailures));
    }
    let trend = |scores: &[f64]| log_rank_trend(&compared, plain, scores, model).map(|_| ());
    assert_eq!(trend(&[1.0]), Known::NotKnown(WhyNotKnown::NotANumber));
    assert_eq!(trend(&[1.0, f64::NAN]), Known::NotKnown(WhyNotKnown::NotANumber));
    assert_eq!(trend(&[3.0, 3.0]), Known::NotKnown(WhyNotKnown::TooFewGroups));
}

#[test]
fn signs_of_clusters_are_all_tried_when_they_are_few_and_drawn_when_many() {
    // Five clusters: 16 patterns up to the sign of all. By hand from the residuals: the statistic's share among them.
    let mut rows = Vec::new();
    for (cluster, days) in (0_u32..).zip([[1, 9], [2, 8], [6, 4], [3, 7], [5, 10]]) {
        rows.extend((0_u16..).zip(days).map(|(group, day)| (0, day, Ending::Failed, cluster, group)));
    }
    let (observations, grouping) = (observations(&rows), grouping(&rows));
    let compared = Compared::new(&observations, &grouping);
    let test = wild_bootstrap_log_rank(&compared, Weighting::LogRank, 999, 7);
    let test = test.known().expect("five clusters").clone();
    assert!(test.all_patterns);
    assert_eq!((test.draws, test.informative_clusters), (16, 5));
    // By the definition: each cluster's residuals from a sum over all days.
    let mut residual = [0.0; 5];
    for day in 1..=10 {
        let at_risk: Vec<&Row> = rows.iter().filter(|row| row.1 >= day).collect();
        let n = at_risk.len() as f64;
        let d = at_risk.iter().filter(|row| row.1 == day).count() as f64;
        let share = at_risk.iter().filter(|row| row.4 == 1).count() as f64 / n;
        for row in &at_risk {
            let fails = f64::from(u8::from(row.1 == day));
            residual[row.3 as usize] += (fails - d / n) * (f64::from(row.4) - share);
        }
    }
    let total: f64 = residual.iter().sum();
    let as_large = (0..16_u32).filter(|pattern| {
        let sum: f64 =
            (0..5).map(|c| if pattern >> c & 1 == 1 { -residual[c as usize] } else { residual[c as usize] }).sum();
        sum.abs() >= total.abs() * (1.0 - 1e-9)
    });
    let as_large = as_large.count();
    assert_eq!(test.as_large, as_large as u64);
    close(test.p_value, as_large as f64 / 16.0, 1e-15);
    close(test.chi_square, total * total / residual.iter().map(|u| u * u).sum::<f64>(), 1e-12);

    // Leukaemia, 42 clusters: drawn, the same for a seed, near the F reference (three standard errors of the draws, and 0.003).
    let (observations, grouping) =
        listed(&["9, 13, 13+, 18, 23, 28+, 31, 34, 45+, 48, 161+", "5, 5, 8, 8, 12, 16+, 23, 27, 30, 33, 43, 45"], 1.0);
    let compared = Compared::new(&observations, &grouping);
    let drawn =
        |seed| wild_bootstrap_log_rank(&compared, Weighting::LogRank, 40_000, seed).known().expect("clusters").clone();
    let (first, again, other) = (drawn(1), drawn(1), drawn(2));
    assert_eq!(first, again);
    assert_ne!(first.as_large, other.as_large);
    let few =
        known(weighted_log_rank(&compared, Weighting::LogRank, Variance::ClusterRobust)).finite_clusters.expect("robust");
    let p = few.known().expect("clusters").p_value;
    let error = (p * (1.0 - p) / 40_000.0).sqrt();
    assert!((first.p_value - p).abs() < 3.0 * error + 0.003, "{} against {p}", first.p_value);
}

/// Entry, exit, ending, cluster, group.
type Row = (i32, i32, Ending, u32, u16);

fn observations(rows: &[Row]) -> Observations {
    let mut observations = Observations::default();
    for &(entry, exit, ending, cluster, _) in rows {
        observations.push(Days::new(entry), Days::new(exit), ending, cluster).expect("in order");
    }
    observations
}

fn grouping(rows: &[Row]) -> Grouping {
    let levels = rows.iter().map(|row| row.4 + 1).max().unwrap_or(0).max(2);
    Grouping::new(rows.iter().map(|row| row.4).collect(), levels).expect("levels")
}

fn ending() -> impl Strategy<Value = Ending> {
    prop_oneof![3 => Just(Ending::Failed), 1 => Just(Ending::Competing), 3 => Just(Ending::Censored)]
}

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let entry = prop_oneof![2 => Just(0), 1 => 1..15];
    let row = (entry, 1..20, ending(), 0_u32..9, 0_u16..3).prop_map(|(entry, length, ending, cluster, group)| {
        let exit = if entry == 0 { length - 1 } else { entry + length };
        (entry, exit, ending, cluster, group)
    });
    prop::collection::vec(row, 2..60)
}

fn weighting() -> impl Strategy<Value = Weighting> {
    prop_oneof![
        Just(Weighting::LogRank),
        Just(Weighting::Gehan),
        Just(Weighting::TaroneWare),
        Just(Weighting::PetoPeto),
        Just(Weighting::ModifiedPetoPeto),
        (0.0..3.0, 0.0..3.0).prop_map(|(rho, gamma)| fleming_harrington(rho, gamma)),
    ]
}

fn same(a: &Known<WeightedLogRankTest>, b: &Known<WeightedLogRankTest>) -> Result<(), TestCaseError> {
    match (a, b) {
        (Known::Known(a), Known::Known(b)) => {
            prop_assert_eq!(a.degrees_of_freedom, b.degrees_of_freedom);
            let nearly = (a.chi_square - b.chi_square).abs() <= 1e-8 * a.chi_square.max(1.0);
            prop_assert!(nearly, "{} against {}", a.chi_square, b.chi_square);
        }
        (Known::NotKnown(a), Known::NotKnown(b)) => prop_assert_eq!(a, b),
        _ => prop_assert!(false, "{:?} against {:?}", a, b),
    }
    Ok(())
}

const BOTH: [Variance; 2] = [Variance::ModelBased, Variance::ClusterRobust];

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_weight_of_one_gives_the_log_rank_test(rows in rows()) {
        let (observations, grouping) = (observations(&rows), grouping(&rows));
        let compared = Compared::new(&observations, &grouping);
        for variance in BOTH {
            match (weighted_log_rank(&compared, Weighting::LogRank, variance), log_rank(&observations, &grouping, variance)) {
                (Known::Known(a), Known::Known(b)) => {
                    prop_assert_eq!((a.behind, a.degrees_of_freedom), (b.behind, b.degrees_of_freedom));
                    // The robust variance is the same sum in another order: clusters of one record come first in the one, and each
                    // in its place in the other.
                    let largest = if variance == Variance::ModelBased { 0.0 } else { 1e-12 * a.chi_square };
                    prop_assert!((a.chi_square - b.chi_square).abs() <= largest, "{} against {}", a.chi_square, b.chi_square);
                }
                (a, b) => prop_assert_eq!(a.map(|_| ()), b.map(|_| ())),
            }
        }
    }

    #[test]
    fn a_record_split_at_a_tick_within_its_cluster_changes_nothing(rows in rows(), cuts in prop::collection::vec(1..30, 60), weighting in weighting()) {
        let mut split = Vec::new();
        for (&(entry, exit, ending, cluster, group), &cut) in rows.iter().zip(&cuts) {
            if entry < cut && cut < exit {
                split.push((entry, cut, Ending::Censored, cluster, group));
                split.push((cut, exit, ending, cluster, group));
            } else {
                split.push((entry, exit, ending, cluster, group));
            }
        }
        let (a, b, groups_a, groups_b) = (observations(&rows), observations(&split), grouping(&rows), grouping(&split));
        for variance in BOTH {
            same(&weighted_log_rank(&Compared::new(&a, &groups_a), weighting, variance),
                &weighted_log_rank(&Compared::new(&b, &groups_b), weighting, variance))?;
        }
    }

    #[test]
    fn a_weight_of_two_is_two_observations_of_one_cluster(rows in rows(), weighting in weighting()) {
        let doubled: Vec<Row> = rows.iter().flat_map(|&row| [row, row]).collect();
        let mut weighted = Observations::default();
        for &(entry, exit, ending, cluster, _) in &rows {
            weighted.push_weighted(Days::new(entry), Days::new(exit), ending, cluster, 2.0).expect("in order");
        }
        let (b, groups_a, groups_b) = (observations(&doubled), grouping(&rows), grouping(&doubled));
        for variance in BOTH {
            same(&weighted_log_rank(&Compared::new(&weighted, &groups_a), weighting, variance),
                &weighted_log_rank(&Compared::new(&b, &groups_b), weighting, variance))?;
        }
    }

    #[test]
    fn one_stratum_is_none_and_an_empty_level_changes_nothing(rows in rows(), weighting in weighting()) {
        let (observations, grouping) = (observations(&rows), grouping(&rows));
        let strata = Grouping::new(vec![2; rows.len()], 4).expect("levels");
        let spread = Grouping::new(rows.iter().map(|row| 2 * row.4 + 1).collect(), 7).expect("levels");
        let plain = Compared::new(&observations, &grouping);
        for variance in BOTH {
            let test = weighted_log_rank(&plain, weighting, variance);
            same(&test, &weighted_log_rank(&plain.within(&strata), weighting, variance))?;
            same(&test, &weighted_log_rank(&Compared::new(&observations, &spread), weighting, variance))?;
        }
    }

    #[test]
    fn groups_in_another_order_and_longer_days_give_the_same_test(
        rows in rows(), order in Just(vec![0_u16, 1, 2]).prop_shuffle(), weighting in weighting(), unit in 2..50
    ) {
        let renamed: Vec<Row> = rows.iter().map(|&(entry, exit, ending, cluster, group)|
            (unit * entry, unit * exit, ending, cluster, order[usize::from(group)])).collect();
        let (a, b) = (observations(&rows), observations(&renamed));
        let three = |rows: &[Row]| Grouping::new(rows.iter().map(|row| row.4).collect(), 3).expect("levels");
        let (groups_a, groups_b) = (three(&rows), three(&renamed));
        for variance in BOTH {
            let (a, b) = (weighted_log_rank(&Compared::new(&a, &groups_a), weighting, variance),
                weighted_log_rank(&Compared::new(&b, &groups_b), weighting, variance));
            same(&a, &b)?;
            if let (Known::Known(a), Known::Known(b)) = (a, b) {
                for (old, &new) in order.iter().enumerate() {
                    prop_assert!((a.groups[old].expected - b.groups[usize::from(new)].expected).abs() < 1e-12);
                }
            }
        }
    }

    #[test]
    fn in_each_its_own_stratum_pair_nothing_but_its_own_pair_counts(rows in rows(), weighting in weighting()) {
        // The sums of strata done apart are those done together.
        let (all, grouping) = (observations(&rows), grouping(&rows));
        let strata = Grouping::new((0..rows.len()).map(|i| (i % 3) as u16).collect(), 3).expect("levels");
        let together = weighted_log_rank(&Compared::new(&all, &grouping).within(&strata), weighting, Variance::ModelBased);
        let Known::Known(together) = together else { return Ok(()) };
        let mut apart = vec![0.0; together.groups.len()];
        for stratum in 0..3 {
            let part: Vec<Row> = rows.iter().skip(stratum).step_by(3).copied().collect();
            let levels = grouping.levels();
            let codes = Grouping::new(part.iter().map(|row| row.4).collect(), levels).expect("levels");
            if let Known::Known(test) = weighted_log_rank(&Compared::new(&observations(&part), &codes), weighting, Variance::ModelBased) {
                for (sum, group) in apart.iter_mut().zip(&test.groups) {
                    *sum += group.weighted_difference;
                }
            }
        }
        for (apart, group) in apart.iter().zip(&together.groups) {
            prop_assert!((apart - group.weighted_difference).abs() < 1e-10, "{} against {}", apart, group.weighted_difference);
        }
    }

    #[test]
    fn adjustment_never_lowers_a_probability_nor_changes_their_order(ln_p in prop::collection::vec(-2000.0..0.0_f64, 1..20)) {
        for method in [AdjustmentMethod::Holm, AdjustmentMethod::Hochberg, AdjustmentMethod::BenjaminiHochberg] {
            let adjusted = adjusted_ln_p_values(&ln_p, method);
            for (i, (a, p)) in adjusted.iter().zip(&ln_p).enumerate() {
                prop_assert!(*p <= *a && *a <= 0.0 && *a <= p + (ln_p.len() as f64).ln() + 1e-9);
                for (b, q) in adjusted.iter().zip(&ln_p).skip(i + 1) {
                    prop_assert!((p < q) <= (a <= b));
                }
            }
        }
    }
}

#[test]
fn no_group_at_all_is_nothing_to_compare() {
    let mut observations = manebit::stats::Observations::default();
    observations
        .push(manebit::quantity::Days::new(0), manebit::quantity::Days::new(5), manebit::stats::Ending::Failed, 0)
        .expect("in order");
    let nowhere = manebit::stats::Grouping::new(vec![u16::MAX], 0).expect("a grouping");
    for variance in [manebit::quantity::Variance::ModelBased, manebit::quantity::Variance::ClusterRobust] {
        let compared = manebit::stats::Compared::new(&observations, &nowhere);
        let test = manebit::stats::weighted_log_rank(&compared, manebit::stats::Weighting::LogRank, variance);
        assert!(test.known().is_none(), "{test:?}");
    }
}
