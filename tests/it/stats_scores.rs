//! Tables, ranks and agreement against published values and `tests/reference/scores.json`, which `make_scores.py` beside it makes
//! (whole enumeration in fractions; scipy, statsmodels, mpmath; versions in the file), and what must hold whatever the data.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{ConfidenceLevel, Fraction, Known, WhyNotKnown};
use manebit::stats::{
    AgreementWeights, ClusteredCodes, ContingencyTable, Disagreement, ExactWork, Grouping, NO_SCORE,
    PermutationProbabilities, Ratings, Resampling, ScoredShare, TableSampling, ZeroDifferences, agreement,
    clopper_pearson_interval, clustered_independence_test, clustered_kappa, clustered_rank_sum, clustered_share,
    clustered_share_contrast, clustered_shares, clustered_trend, cochran_q_test, contrast_shares, exact_rank_sum_test,
    exact_share_trend, fisher_exact_test, fisher_freeman_halton_test, fleiss_kappa, friedman_test, independence_test, kappa,
    krippendorff_alpha, kruskal_wallis_test, kruskal_wallis_test_of_table, mcnemar_test, paired_shares, rank_sum_test,
    rank_sum_test_of_counts, sampled_exact_test, share_trend, signed_rank_test, superiority, superiority_of_counts,
    wilson_interval,
};
use proptest::prelude::*;
use serde_json::Value;

const USUAL: ConfidenceLevel = ConfidenceLevel::USUAL;

/// Twelve subjects scored three times, for Cochran's Q.
pub const SUBJECTS: [[u32; 3]; 12] = [
    [0, 0, 0],
    [1, 1, 0],
    [1, 1, 1],
    [1, 0, 0],
    [1, 1, 0],
    [1, 1, 1],
    [0, 1, 0],
    [1, 1, 0],
    [1, 0, 0],
    [0, 0, 0],
    [1, 1, 1],
    [1, 1, 0],
];

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/scores.json")).expect("reference values")
}

fn rows<'a>(value: &'a Value, name: &str) -> &'a [Value] {
    value[name].as_array().expect("a list")
}

#[track_caller]
fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn codes(value: &Value) -> Vec<u16> {
    value
        .as_array()
        .expect("a list")
        .iter()
        .map(|code| code.as_u64().and_then(|code| code.try_into().ok()).expect("a code"))
        .collect()
}

fn counts(value: &Value) -> Vec<Vec<u64>> {
    let row = |row: &Value| row.as_array().expect("a row").iter().map(|count| count.as_u64().expect("a count")).collect();
    value.as_array().expect("rows").iter().map(row).collect()
}

fn table(value: &Value) -> ContingencyTable {
    ContingencyTable::new(&counts(value)).expect("a table")
}

fn two_by_two(value: &Value) -> [[u64; 2]; 2] {
    let rows = counts(value);
    [[rows[0][0], rows[0][1]], [rows[1][0], rows[1][1]]]
}

#[track_caller]
fn known<T: Clone + std::fmt::Debug>(value: &Known<T>) -> T {
    value.known().cloned().unwrap_or_else(|| panic!("not known: {value:?}"))
}

/// Within so much of the reference, relative to it, or to `floor` where it is nearer 0.
#[track_caller]
fn near(value: f64, reference: f64, relative: f64, floor: f64) {
    let difference = (value - reference).abs() / reference.abs().max(floor);
    assert!(difference <= relative, "{value:?} against {reference:?}: {difference:e}");
}

/// Half a unit in the last of so many printed digits.
#[track_caller]
fn printed(value: f64, reference: f64, digits: i32) {
    let magnitude = if reference.abs() > 0.0 { reference.abs().log10().floor() as i32 } else { 0 };
    let allowed = 0.5001 * 10.0_f64.powi(magnitude + 1 - digits);
    assert!((value - reference).abs() <= allowed, "{value:?} against {reference:?}");
}

#[test]
fn fisher_tables() {
    // Tea tasting (Fisher 1935), from a published course output: 0.4857, 0.2429, conditional odds ratio 6.408309 there, limits by
    // general-purpose software at 40 digits.
    let tea = known(&fisher_exact_test([[3, 1], [1, 3]], USUAL));
    printed(tea.two_sided.sum_of_small.expect("whole").p_value, 0.4857142857, 10);
    printed(tea.at_least.p_value, 0.2428571429, 10);
    printed(known(&tea.conditional_odds_ratio), 6.408319658, 10);
    printed(known(&tea.exact_limits.lower), 0.2117355954, 10);
    printed(known(&tea.exact_limits.upper), 626.2435306, 10);
    let all = reference();
    for row in rows(&all, "fisher") {
        let test = known(&fisher_exact_test(two_by_two(&row["table"]), USUAL));
        near(test.at_least.ln_p_value, number(&row["ln_at_least"]), 1e-11, 1e-3);
        near(test.at_most.ln_p_value, number(&row["ln_at_most"]), 1e-11, 1e-3);
        near(test.two_sided.sum_of_small.expect("whole").ln_p_value, number(&row["ln_sum_of_small"]), 1e-11, 1e-3);
        near(test.two_sided.mid_p.ln_p_value, number(&row["ln_mid_p"]), 1e-11, 1e-3);
        let limits = [
            (test.conditional_odds_ratio, "odds_ratio"),
            (test.exact_limits.lower, "lower"),
            (test.exact_limits.upper, "upper"),
            (test.mid_p_limits.lower, "mid_p_lower"),
            (test.mid_p_limits.upper, "mid_p_upper"),
        ];
        for (value, name) in limits {
            match row[name].as_f64() {
                Some(reference) => near(known(&value), reference, 1e-10, 1e-300),
                None => assert_eq!(value, Known::NotKnown(WhyNotKnown::AtBoundary), "{name}"),
            }
        }
    }
}

#[test]
fn tables_of_any_size() {
    // Job satisfaction (Agresti 2002, table 2.8): exact 0.7827 from memory; other digits by general-purpose software.
    let job = ContingencyTable::new(&[[1, 2, 1, 0], [3, 3, 6, 1], [10, 10, 14, 9], [6, 7, 12, 11]]).expect("a table");
    printed(known(&fisher_freeman_halton_test(&job, ExactWork::USUAL)).p_value, 0.782684939, 9);
    let test = known(&independence_test(&job));
    printed(test.pearson.statistic, 5.965514589, 10);
    printed(test.pearson.probability.p_value, 0.7433647251, 10);
    printed(test.likelihood_ratio.statistic, 6.764053201, 10);
    assert_eq!(test.pearson.degrees_of_freedom, 9);
    let all = reference();
    for row in rows(&all, "freeman_halton") {
        match fisher_freeman_halton_test(&table(&row["table"]), ExactWork::USUAL) {
            Known::Known(p) => near(p.ln_p_value, number(&row["ln_p"]), 1e-11, 1e-2),
            // One row or column alone: the only table there is.
            why => {
                assert_eq!(why, Known::NotKnown(WhyNotKnown::NoVariation));
                assert!(number(&row["ln_p"]).abs() <= 0.0);
            }
        }
    }
    for row in rows(&all, "independence") {
        let test = known(&independence_test(&table(&row["table"])));
        near(test.pearson.statistic, number(&row["pearson"]), 1e-11, 1e-300);
        near(test.pearson.probability.p_value, number(&row["p"]), 1e-10, 1e-300);
        near(test.likelihood_ratio.statistic, number(&row["g"]), 1e-10, 1e-300);
        assert_eq!(u64::from(test.pearson.degrees_of_freedom), row["df"].as_u64().expect("a count"));
        match (test.continuity_corrected, row["corrected"].as_f64()) {
            (Some(corrected), Some(reference)) => near(corrected.statistic, reference, 1e-10, 1e-300),
            (corrected, reference) => assert!(corrected.is_none() && reference.is_none()),
        }
    }
}

#[test]
fn shares_and_their_contrasts() {
    // Newcombe RG. Stat Med 1998;17:857–872, table I (from memory): Wilson and exact limits; more digits computed.
    for (part, whole, wilson, exact) in [
        (81, 263, (0.25528852, 0.36620958), (0.25273675, 0.36762192)),
        (15, 148, (0.0623864, 0.16048724), (0.05784401, 0.16165049)),
        (0, 20, (0.0, 0.16112516), (0.0, 0.16843347)),
        (1, 29, (0.0061132143, 0.17175522), (0.00087264688, 0.1776443)),
    ] {
        for (limits, reference) in
            [(wilson_interval(part, whole, USUAL), wilson), (clopper_pearson_interval(part, whole, USUAL), exact)]
        {
            let limits = known(&limits);
            assert!((limits.lower.value() - reference.0).abs() <= 5.1e-9, "printed: {limits:?}");
            assert!((limits.upper.value() - reference.1).abs() <= 5.1e-9, "printed: {limits:?}");
        }
    }
    // Newcombe 1998b, 56/70 − 48/80: 0.0524–0.3339 (from memory); more digits computed.
    let published = known(&contrast_shares([[56, 14], [48, 32]], USUAL));
    printed(published.difference_interval.lower, 0.0524314724, 9);
    printed(published.difference_interval.upper, 0.333872654, 9);
    let all = reference();
    for row in rows(&all, "contrast") {
        let contrast = known(&contrast_shares(two_by_two(&row["table"]), USUAL));
        let newcombe = numbers(&row["newcombe"]);
        near(contrast.difference_interval.lower, newcombe[0], 1e-10, 1e-3);
        near(contrast.difference_interval.upper, newcombe[1], 1e-10, 1e-3);
        for (ratio, name) in [(contrast.risk_ratio, "risk_ratio"), (contrast.odds_ratio, "odds_ratio")] {
            match row.get(name) {
                Some(reference) => {
                    let (reference, interval) = (numbers(reference), known(&ratio.interval));
                    near(known(&ratio.value), reference[0], 1e-12, 1e-300);
                    near(interval.lower, reference[1], 1e-10, 1e-300);
                    near(interval.upper, reference[2], 1e-10, 1e-300);
                }
                None => assert!(ratio.interval.known().is_none()),
            }
        }
    }
}

#[track_caller]
fn same_permutations(exact: PermutationProbabilities, reference: &Value) {
    near(exact.at_most.p_value, number(&reference["at_most"]), 1e-12, 1e-300);
    near(exact.at_least.p_value, number(&reference["at_least"]), 1e-12, 1e-300);
    near(exact.as_far_from_mean.p_value, number(&reference["as_far"]), 1e-12, 1e-300);
}

#[test]
fn two_samples() {
    // Ordinal scores with ties; values computed with general-purpose software.
    let x = [1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 1.0, 4.0, 2.0, 1.0];
    let y = [2.0, 3.0, 3.0, 4.0, 2.0, 4.0, 3.0, 3.0, 1.0, 4.0, 5.0];
    let test = known(&rank_sum_test(&x, &y));
    printed(test.pairs_higher, 23.5, 10);
    printed(test.expected, 55.0, 10);
    printed(test.variance, 190.5357143, 10);
    printed(test.probability.p_value, 0.02248725641, 10);
    printed(test.continuity_corrected.p_value, 0.02471601936, 10);
    printed(known(&exact_rank_sum_test(&x, &y)).as_far_from_mean.p_value, 0.02362240443, 10);
    let all = reference();
    for row in rows(&all, "rank_sum") {
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let test = known(&rank_sum_test(&x, &y));
        near(test.pairs_higher, number(&row["u"]), 1e-14, 1e-300);
        near(test.probability.p_value, number(&row["p"]), 1e-11, 1e-300);
        near(test.continuity_corrected.p_value, number(&row["p_corrected"]), 1e-11, 1e-300);
        let exact = known(&exact_rank_sum_test(&x, &y));
        if row.get("at_most").is_some() {
            same_permutations(exact, row);
        } else {
            // Many: the exact probability lies near that of the normal distribution with correction.
            near(exact.as_far_from_mean.p_value, number(&row["p_corrected"]), 0.05, 1e-300);
        }
        let theta = known(&superiority(&x, &y, USUAL));
        let t = (theta.value.value() - 0.5) / known(&theta.standard_error);
        near(t, number(&row["bm"]), 1e-11, 1e-300);
        near(known(&theta.probability).p_value, number(&row["bm_p"]), 1e-10, 1e-300);
    }
}

#[test]
fn several_samples_and_pairs() {
    // Mucociliary clearance (Hollander & Wolfe): H = 0.771 (from memory).
    let lungs = [vec![2.9, 3.0, 2.5, 2.6, 3.2], vec![3.8, 2.7, 4.0, 2.4], vec![2.8, 3.4, 3.7, 2.2, 2.0]];
    let test = known(&kruskal_wallis_test(&lungs));
    printed(test.statistic, 0.7714285714, 10);
    printed(test.probability.p_value, 0.6799647736, 10);
    // Ordinal recalls; computed with general-purpose software.
    let recalls =
        [[1, 1, 2], [1, 2, 2], [2, 2, 3], [1, 1, 1], [2, 3, 3], [1, 2, 3], [1, 1, 2], [3, 3, 3], [1, 1, 2], [2, 2, 2]];
    let test = known(&friedman_test(&recalls.map(|block| block.map(f64::from)))).test;
    printed(test.statistic, 11.27272727, 10);
    printed(test.probability.p_value, 0.003565811446, 10);
    // Cochran's Q; two packages.
    let test = known(&cochran_q_test(&SUBJECTS.map(|subject| subject.map(|yes| yes == 1))));
    printed(test.statistic, 8.857142857, 10);
    printed(test.probability.p_value, 0.01193152254, 10);
    let all = reference();
    for row in rows(&all, "kruskal_wallis") {
        let samples: Vec<Vec<f64>> = rows(row, "samples").iter().map(numbers).collect();
        let test = known(&kruskal_wallis_test(&samples));
        near(test.statistic, number(&row["h"]), 1e-11, 1e-300);
        near(test.probability.p_value, number(&row["p"]), 1e-11, 1e-300);
    }
    for row in rows(&all, "friedman") {
        let blocks: Vec<Vec<f64>> = rows(row, "blocks").iter().map(numbers).collect();
        near(known(&friedman_test(&blocks)).test.statistic, number(&row["chi_squared"]), 1e-11, 1e-300);
    }
    for row in rows(&all, "cochran_q") {
        let subjects: Vec<Vec<bool>> =
            counts(&row["rows"]).iter().map(|row| row.iter().map(|&yes| yes == 1).collect()).collect();
        near(known(&cochran_q_test(&subjects)).statistic, number(&row["q"]), 1e-12, 1e-300);
    }
    for row in rows(&all, "signed_rank") {
        let differences = numbers(&row["d"]);
        for (zeros, name) in [(ZeroDifferences::Dropped, "dropped"), (ZeroDifferences::RankedThenDropped, "ranked")] {
            let (test, reference) = (known(&signed_rank_test(&differences, zeros)), &row[name]);
            near(test.positive_ranks, number(&reference["w"]), 1e-14, 1e-300);
            near(test.probability.p_value, number(&reference["p"]), 1e-11, 1e-300);
            near(test.continuity_corrected.p_value, number(&reference["p_corrected"]), 1e-11, 1e-300);
            same_permutations(known(&test.exact), reference);
        }
    }
}

#[test]
fn discordant_pairs() {
    // Agresti, approval ratings: z² = 17.36 (from memory); more digits computed.
    let test = known(&mcnemar_test([150, 86], USUAL));
    printed(test.chi_squared.statistic, 17.3559322, 9);
    printed(test.continuity_corrected.statistic, 16.81779661, 10);
    printed(test.exact.p_value, 3.71593614e-05, 9);
    printed(test.mid_p.p_value, 2.893389518e-05, 10);
    let test = known(&mcnemar_test([2, 9], USUAL));
    printed(test.chi_squared.statistic, 4.454545455, 10);
    printed(test.continuity_corrected.statistic, 3.272727273, 10);
    printed(test.exact.p_value, 0.0654296875, 9);
    printed(test.mid_p.p_value, 0.03857421875, 10);
    let all = reference();
    for row in rows(&all, "mcnemar") {
        let test = known(&known(&paired_shares(two_by_two(&row["table"]), USUAL)).tests);
        near(test.chi_squared.statistic, number(&row["chi_squared"]), 1e-13, 1e-12);
        near(test.exact.ln_p_value, number(&row["ln_exact"]), 1e-11, 1e-3);
        near(test.mid_p.ln_p_value, number(&row["ln_mid_p"]), 1e-11, 1e-3);
    }
}

#[test]
fn trends() {
    let groups = |x: &[u64], n: &[u64], s: &[f64]| -> Vec<ScoredShare> {
        x.iter().zip(n).zip(s).map(|((&part, &whole), &score)| ScoredShare { part, whole, score }).collect()
    };
    // In print: 4.7918 (a documentation example, N = 161); M² = 6.57 (Agresti, from memory); two-sided p 0.0078 with score 8 (Graubard
    // & Korn's data); 3.535, p = 0.0601 the (N − 1)/N version of the last. More digits computed.
    let malformed = [48, 38, 5, 1, 1];
    let births = [17114, 14502, 793, 127, 38];
    for (x, n, s, z, chi_squared, p, permutation) in [
        (
            [6, 7, 9, 14, 23],
            [32, 33, 32, 32, 32],
            [0.0, 1.0, 2.0, 3.0, 4.0],
            4.791812576,
            22.96146776,
            1.652812689e-06,
            22.81884995,
        ),
        (malformed, births, [0.0, 0.5, 1.5, 4.0, 7.0], 2.563227252, 6.570133945, 0.01037041457, 6.569932246),
        (malformed, births, [0.0, 0.5, 1.5, 4.0, 8.0], 2.66059882, 7.078786083, 0.007800183414, 7.078568769),
        (
            [17, 76, 34, 32, 20],
            [57, 271, 122, 85, 50],
            [1.0, 2.0, 3.0, 4.0, 5.0],
            1.88168918,
            3.540754168,
            0.05987822975,
            3.534701597,
        ),
    ] {
        let trend = known(&share_trend(&groups(&x, &n, &s)));
        printed(trend.z, z, 9);
        printed(trend.test.statistic, chi_squared, 10);
        printed(trend.test.probability.p_value, p, 10);
        printed(trend.permutation_variance_test.statistic, permutation, 10);
    }
    let all = reference();
    for row in rows(&all, "trend") {
        let whole = |name: &str| {
            row[name].as_array().expect("a list").iter().map(|n| n.as_u64().expect("a count")).collect::<Vec<u64>>()
        };
        let groups = groups(&whole("x"), &whole("n"), &numbers(&row["s"]));
        let trend = known(&share_trend(&groups));
        near(trend.test.statistic, number(&row["chi_squared"]), 1e-12, 1e-300);
        near(trend.permutation_variance_test.statistic, number(&row["permutation"]), 1e-12, 1e-300);
        near(trend.slope, number(&row["slope"]), 1e-12, 1e-300);
        near(trend.test.probability.p_value, number(&row["p"]), 1e-11, 1e-300);
        if row.get("at_most").is_some() {
            same_permutations(known(&exact_share_trend(&groups)), row);
        }
    }
}

#[test]
fn clusters() {
    let all = reference();
    for row in rows(&all, "clustered") {
        let levels = codes(&row["levels"]);
        let group = Grouping::new(codes(&row["rows"]), levels[0]).expect("levels");
        let score = Grouping::new(codes(&row["columns"]), levels[1]).expect("levels");
        let clusters: Vec<u32> = codes(&row["clusters"]).into_iter().map(u32::from).collect();
        let both = ClusteredCodes::new(&group, &score, &clusters).expect("lengths");
        let feature = levels[1] - 1;
        let share = known(&clustered_share(&both, 0, feature, USUAL));
        near(share.value.value(), number(&row["share"]["value"]), 1e-12, 1e-300);
        near(known(&share.standard_error), number(&row["share"]["error"]), 1e-11, 1e-300);
        let contrast = known(&clustered_share_contrast(&both, [0, 1], feature, USUAL));
        near(contrast.difference, number(&row["difference"]["value"]), 1e-11, 1e-3);
        near(known(&contrast.standard_error), number(&row["difference"]["error"]), 1e-11, 1e-300);
        near(known(&contrast.risk_ratio.value).ln(), number(&row["ratio"]["ln"]), 1e-10, 1e-3);
        near(known(&contrast.risk_ratio.ln_standard_error), number(&row["ratio"]["error"]), 1e-9, 1e-300);
        let scores: Vec<f64> = (0..levels[0]).map(f64::from).collect();
        let trend = known(&clustered_trend(&both, &scores, feature, USUAL));
        near(trend.slope, number(&row["trend"]["slope"]), 1e-11, 1e-3);
        near(known(&trend.standard_error), number(&row["trend"]["error"]), 1e-11, 1e-300);
        near(known(&trend.score_test).statistic, number(&row["trend"]["score"]), 1e-11, 1e-3);
        let test = known(&clustered_rank_sum(&both, [0, 1], USUAL));
        near(test.superiority.value(), number(&row["superiority"]["value"]), 1e-12, 1e-300);
        near(known(&test.standard_error), number(&row["superiority"]["error"]), 1e-11, 1e-300);
        let (test, reference) = (known(&clustered_independence_test(&both)), &row["rao_scott"]);
        near(test.pearson.statistic, number(&reference["x2"]), 1e-11, 1e-300);
        near(test.mean_design_effect, number(&reference["mean"]), 1e-11, 1e-300);
        near(test.f.statistic, number(&reference["f"]), 1e-11, 1e-300);
        near(test.f.degrees_of_freedom, number(&reference["nu"]), 1e-10, 1e-300);
        near(test.f.probability.p_value, number(&reference["f_p"]), 1e-10, 1e-300);
        near(test.first_order.probability.p_value, number(&reference["first_p"]), 1e-10, 1e-300);
        near(test.second_order.probability.p_value, number(&reference["second_p"]), 1e-10, 1e-300);
        let shares = clustered_shares(&both, feature, USUAL);
        near(known(&shares.test).statistic, number(&row["homogeneity"]), 1e-10, 1e-300);
    }
}

const WEIGHTS: [(AgreementWeights, &str); 3] = [
    (AgreementWeights::Unweighted, "unweighted"),
    (AgreementWeights::Linear, "linear"),
    (AgreementWeights::Quadratic, "quadratic"),
];

#[test]
fn kappas_in_print() {
    // The first: 0.3449, 0.0724, 0.2030–0.4868 in a published documentation (digits from memory); second: 0.4 (an encyclopedia's example,
    // from memory); others and further digits computed with general-purpose software. Kappa, error, error where it is 0, limits.
    let first: &[&[u64]] = &[&[10, 4, 1, 0], &[5, 10, 12, 2], &[2, 4, 12, 5], &[0, 2, 6, 13]];
    let second: &[&[u64]] = &[&[20, 5], &[10, 15]];
    let third: &[&[u64]] = &[&[88, 14, 18], &[10, 40, 10], &[2, 6, 12]];
    let half = [0.4, 0.1269960629, 0.1385640646, 0.1510922905, 0.6489077095];
    for (rows, values) in [
        (
            first,
            [
                [0.3448753463, 0.07239668737, 0.06118471913, 0.2029804464, 0.4867702461],
                [0.5081600715, 0.06550838103, 0.07389666803, 0.379766004, 0.6365541391],
                [0.6607228916, 0.06164283242, 0.1064951822, 0.5399051601, 0.781540623],
            ],
        ),
        (second, [half, half, half]),
        (
            third,
            [
                [0.4915254237, 0.05100181558, 0.05197893636, 0.3915637021, 0.5914871454],
                [0.4736842105, 0.05443230918, 0.05469634129, 0.3669988449, 0.5803695761],
                [0.4545454545, 0.06645368159, 0.06735866746, 0.324298632, 0.5847922771],
            ],
        ),
    ] {
        let table = ContingencyTable::new(rows).expect("a table");
        for ((weights, _), [value, error, null, lower, upper]) in WEIGHTS.into_iter().zip(values) {
            let kappa = known(&kappa(&table, weights, USUAL));
            let interval = known(&kappa.interval);
            printed(kappa.value, value, 9);
            printed(known(&kappa.standard_error), error, 9);
            printed(known(&kappa.null_standard_error), null, 9);
            printed(interval.lower, lower, 9);
            printed(interval.upper, upper, 9);
        }
    }
    // Fourteen examiners, ten things, five categories (an encyclopedia's example of Fleiss' kappa, from memory): 0.210.
    let counts = [
        [0, 0, 0, 0, 14],
        [0, 2, 6, 4, 2],
        [0, 0, 3, 5, 6],
        [0, 3, 9, 2, 0],
        [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0],
        [3, 2, 6, 3, 0],
        [2, 5, 3, 2, 2],
        [6, 5, 2, 1, 0],
        [0, 2, 2, 3, 7],
    ];
    printed(known(&fleiss_kappa(&from_counts(&counts.map(|row| row.to_vec())), USUAL)).value, 0.210, 3);
}

/// Ratings with these counts of each thing.
fn from_counts(counts: &[Vec<u64>]) -> Ratings {
    let scores: Vec<Vec<u16>> = counts
        .iter()
        .map(|row| (0..).zip(row).flat_map(|(category, &count)| (0..count).map(move |_| category)).collect())
        .collect();
    let examiners = scores.iter().map(Vec::len).max().unwrap_or(0);
    let columns: Vec<Vec<u16>> =
        (0..examiners).map(|e| scores.iter().map(|row| row.get(e).copied().unwrap_or(NO_SCORE)).collect()).collect();
    Ratings::new(&columns, counts[0].len().try_into().expect("few")).expect("scores")
}

#[test]
fn examiners() {
    let all = reference();
    for row in rows(&all, "kappa") {
        for (weights, name) in WEIGHTS {
            let (kappa, reference) = (known(&kappa(&table(&row["table"]), weights, USUAL)), &row[name]);
            near(kappa.value, number(&reference["kappa"]), 1e-11, 1e-2);
            near(known(&kappa.standard_error), number(&reference["error"]), 1e-10, 1e-300);
            near(known(&kappa.null_standard_error), number(&reference["null"]), 1e-10, 1e-300);
        }
    }
    for row in rows(&all, "clustered_kappa") {
        let levels = u16::try_from(row["categories"].as_u64().expect("a count")).expect("few");
        let first = Grouping::new(codes(&row["first"]), levels).expect("levels");
        let second = Grouping::new(codes(&row["second"]), levels).expect("levels");
        let clusters: Vec<u32> = codes(&row["clusters"]).into_iter().map(u32::from).collect();
        let both = ClusteredCodes::new(&first, &second, &clusters).expect("lengths");
        for (weights, name) in WEIGHTS {
            let kappa = known(&clustered_kappa(&both, weights, USUAL));
            near(kappa.value, number(&row[name]["kappa"]), 1e-11, 1e-2);
            near(known(&kappa.standard_error), number(&row[name]["error"]), 1e-10, 1e-300);
        }
    }
    for row in rows(&all, "krippendorff") {
        let score = |score: &Value| score.as_i64().and_then(|score| u16::try_from(score).ok()).unwrap_or(NO_SCORE);
        let examiners: Vec<Vec<u16>> = rows(row, "scores")
            .iter()
            .map(|scores| scores.as_array().expect("a list").iter().map(score).collect())
            .collect();
        let levels = u16::try_from(row["categories"].as_u64().expect("a count")).expect("few");
        let ratings = Ratings::new(&examiners, levels).expect("scores");
        let kinds =
            [(Disagreement::Nominal, "nominal"), (Disagreement::Ordinal, "ordinal"), (Disagreement::Interval, "interval")];
        for (disagreement, name) in kinds {
            let resampling = Resampling { replicates: 199, ..Resampling::default() };
            let alpha = known(&krippendorff_alpha(&ratings, &disagreement, None, resampling));
            near(alpha.value, number(&row[name]), 1e-12, 1e-2);
        }
    }
    for row in rows(&all, "fleiss") {
        near(known(&fleiss_kappa(&from_counts(&counts(&row["counts"])), USUAL)).value, number(&row["kappa"]), 1e-11, 1e-2);
    }
}

#[test]
fn far_tails_keep_their_logarithm() {
    // [[3000, 0], [0, 3000]]: p = 2/C(6000, 3000), by Stirling's series ln C = 4154.05…; worked out here term by term.
    let ln_choose: f64 = (1..=3000_u32).map(|k| (f64::from(3000 + k) / f64::from(k)).ln()).sum();
    let expected = std::f64::consts::LN_2 - ln_choose;
    let two = known(&fisher_exact_test([[3000, 0], [0, 3000]], USUAL)).two_sided.sum_of_small.expect("whole");
    near(two.ln_p_value, expected, 1e-12, 1.0);
    assert!(two.p_value <= 0.0);
    let table = ContingencyTable::new(&[[3000, 0], [0, 3000]]).expect("a table");
    near(known(&fisher_freeman_halton_test(&table, ExactWork::USUAL)).ln_p_value, expected, 1e-12, 1.0);
    // 2·½^4000.
    let pairs = known(&mcnemar_test([4000, 0], USUAL));
    near(pairs.exact.ln_p_value, -3999.0 * std::f64::consts::LN_2, 1e-12, 1.0);
}

/// A table with margins above 0 in at least two rows and columns.
fn any_table(most: u64) -> impl Strategy<Value = Vec<Vec<u64>>> {
    (2_usize..5, 2_usize..5).prop_flat_map(move |(rows, columns)| {
        prop::collection::vec(prop::collection::vec(prop_oneof![Just(0), 0..=most], columns), rows)
    })
}

fn shuffled(rows: &[Vec<u64>], by: usize) -> Vec<Vec<u64>> {
    let mut rows = rows.to_vec();
    let count = rows.len();
    rows.rotate_left(by % count);
    rows.iter_mut().for_each(|row| row.reverse());
    rows
}

/// The same but for rounding, of the numbers or of the terms of about 1 that they are made of; or the same reason.
fn alike(a: &Known<f64>, b: &Known<f64>, relative: f64) -> bool {
    match (a, b) {
        (Known::Known(a), Known::Known(b)) => (a - b).abs() <= (relative * a.abs().max(b.abs())).max(1e-12),
        (a, b) => a == b,
    }
}

type Record = (u16, u16, u32);

fn records() -> impl Strategy<Value = Vec<Record>> {
    prop::collection::vec((0_u16..3, 0_u16..4, 0_u32..9), 1..50)
}

fn split(records: &[Record]) -> (Grouping, Grouping, Vec<u32>) {
    (
        Grouping::new(records.iter().map(|record| record.0).collect(), 3).expect("levels"),
        Grouping::new(records.iter().map(|record| record.1).collect(), 4).expect("levels"),
        records.iter().map(|record| record.2).collect(),
    )
}

proptest! {
    #[test]
    fn rows_and_columns_may_be_exchanged_and_permuted(rows in any_table(6), by in 0_usize..4) {
        let of = |table: &ContingencyTable| {
            let test = independence_test(table);
            [
                fisher_freeman_halton_test(table, ExactWork::USUAL).map(|p| p.ln_p_value),
                test.map(|test| test.pearson.statistic),
                test.map(|test| test.likelihood_ratio.statistic),
                test.map(|test| test.cramer_v),
            ]
        };
        let table = ContingencyTable::new(&rows).expect("a table");
        let (one, turned) = (of(&table), of(&table.transposed()));
        let permuted = of(&ContingencyTable::new(&shuffled(&rows, by)).expect("a table"));
        for ((a, b), c) in one.iter().zip(&turned).zip(&permuted) {
            prop_assert!(alike(a, b, 1e-9) && alike(a, c, 1e-9), "{a:?} {b:?} {c:?}");
        }
        if let Known::Known(ln_p) = one[0] {
            prop_assert!(ln_p <= 0.0 && ln_p.is_finite());
        }
    }

    #[test]
    fn a_table_of_two_by_two_is_one_of_any_size(cells in prop::array::uniform4(0_u64..25)) {
        let [a, b, c, d] = cells;
        let table = ContingencyTable::new(&[[a, b], [c, d]]).expect("a table");
        let any = fisher_freeman_halton_test(&table, ExactWork::USUAL).map(|p| p.ln_p_value);
        let two = fisher_exact_test([[a, b], [c, d]], USUAL);
        let small = two.map(|test| test.two_sided.sum_of_small.expect("whole").ln_p_value);
        prop_assert!(alike(&any, &small, 1e-9), "{any:?} {small:?}");
        // Columns exchanged turn the odds ratio and its limits over.
        if let (Known::Known(test), Known::Known(turned)) = (two, fisher_exact_test([[b, a], [d, c]], USUAL)) {
            if let (Some(lower), Some(upper)) = (test.exact_limits.lower.known(), turned.exact_limits.upper.known()) {
                prop_assert!((lower * upper - 1.0).abs() < 1e-9, "{lower} {upper}");
            }
            prop_assert!((test.at_least.ln_p_value - turned.at_most.ln_p_value).abs() < 1e-10);
            if let (Some(lower), Some(ratio)) = (test.exact_limits.lower.known(), test.conditional_odds_ratio.known()) {
                let narrower = *test.mid_p_limits.lower.known().expect("as the exact one");
                prop_assert!(*lower <= narrower && narrower <= *ratio, "{lower} {narrower} {ratio}");
            }
        }
    }

    #[test]
    fn random_tables_agree_with_the_exact_probability(rows in any_table(5), seed in 0_u64..1000) {
        let table = ContingencyTable::new(&rows).expect("a table");
        let sampling = TableSampling { tables: 2000, seed, ..TableSampling::default() };
        match (fisher_freeman_halton_test(&table, ExactWork::USUAL), sampled_exact_test(&table, sampling)) {
            (Known::Known(exact), Known::Known(sampled)) => {
                // Six standard errors: one in five hundred million.
                let error = (exact.p_value * (1.0 - exact.p_value) / 2000.0).max(0.0).sqrt();
                prop_assert!((sampled.p_value - exact.p_value).abs() <= 6.0 * error + 5e-3, "{exact:?} {sampled:?}");
            }
            (exact, sampled) => prop_assert!(exact.known().is_none() && sampled.known().is_none()),
        }
    }

    #[test]
    fn samples_exchanged_turn_a_rank_sum_over(
        x in prop::collection::vec(0_u8..6, 0..9),
        y in prop::collection::vec(0_u8..6, 0..9),
        factor in 0.5_f64..3.0,
    ) {
        let values = |scores: &[u8]| scores.iter().map(|&score| f64::from(score)).collect::<Vec<f64>>();
        let (x, y) = (values(&x), values(&y));
        // An increasing change of the scale changes no rank.
        let stretched = |scores: &[f64]| scores.iter().map(|score| (factor * score).exp()).collect::<Vec<f64>>();
        match (rank_sum_test(&x, &y), rank_sum_test(&y, &x)) {
            (Known::Known(one), Known::Known(other)) => {
                prop_assert!((one.z + other.z).abs() < 1e-12);
                prop_assert!(one.continuity_corrected.p_value >= one.probability.p_value);
                prop_assert_eq!(known(&rank_sum_test(&stretched(&x), &stretched(&y))), one);
                let (exact, turned) = (known(&exact_rank_sum_test(&x, &y)), known(&exact_rank_sum_test(&y, &x)));
                prop_assert!((exact.at_most.p_value - turned.at_least.p_value).abs() < 1e-12);
                for p in [exact.at_most, exact.at_least, exact.as_far_from_mean, exact.twice_smaller_tail, exact.mid_p] {
                    prop_assert!(p.p_value > 0.0 && p.p_value <= 1.0, "{p:?}");
                }
                prop_assert!(exact.at_most.p_value + exact.at_least.p_value > 1.0 - 1e-12);
                // Two groups: Kruskal and Wallis's H is the square of z.
                let h = known(&kruskal_wallis_test(&[x.clone(), y.clone()])).statistic;
                prop_assert!((h - one.z * one.z).abs() < 1e-10 * h.max(1e-3), "{h} {}", one.z * one.z);
                let (theta, reverse) = (known(&superiority(&x, &y, USUAL)), known(&superiority(&y, &x, USUAL)));
                prop_assert!((theta.value.value() + reverse.value.value() - 1.0).abs() < 1e-12);
                prop_assert!((theta.value.value() - one.pairs_higher / (2.0 * one.expected)).abs() < 1e-12);
            }
            (one, other) => prop_assert_eq!(one, other),
        }
    }

    #[test]
    fn exact_trend_in_two_groups_is_fishers_test(cells in prop::array::uniform4(0_u64..15), score in 1_u32..40) {
        let [a, b, c, d] = cells;
        let groups = [
            ScoredShare { part: a, whole: a + b, score: 0.0 },
            ScoredShare { part: c, whole: c + d, score: f64::from(score) / 10.0 },
        ];
        if let (Known::Known(exact), Known::Known(fisher)) = (exact_share_trend(&groups), fisher_exact_test([[a, b], [c, d]], USUAL)) {
            prop_assert!((exact.at_most.ln_p_value - fisher.at_least.ln_p_value).abs() < 1e-9);
            prop_assert!((exact.at_least.ln_p_value - fisher.at_most.ln_p_value).abs() < 1e-9);
            let trend = known(&share_trend(&groups));
            let table = known(&independence_test(&ContingencyTable::new(&[[a, b], [c, d]]).expect("a table")));
            prop_assert!((trend.test.statistic - table.pearson.statistic).abs() < 1e-9 * table.pearson.statistic.max(1e-6));
        }
    }

    #[test]
    fn signs_exchanged_turn_a_signed_rank_over(differences in prop::collection::vec(-4_i8..5, 1..14)) {
        let values: Vec<f64> = differences.iter().map(|&d| f64::from(d)).collect();
        let turned: Vec<f64> = values.iter().map(|d| -d).collect();
        for zeros in [ZeroDifferences::Dropped, ZeroDifferences::RankedThenDropped] {
            match (signed_rank_test(&values, zeros), signed_rank_test(&turned, zeros)) {
                (Known::Known(one), Known::Known(other)) => {
                    prop_assert!((one.z + other.z).abs() < 1e-12);
                    let (exact, reverse) = (known(&one.exact), known(&other.exact));
                    prop_assert!((exact.at_most.p_value - reverse.at_least.p_value).abs() < 1e-12);
                    // Symmetric: both two-sided probabilities are the same.
                    prop_assert!((exact.as_far_from_mean.p_value - exact.twice_smaller_tail.p_value).abs() < 1e-12);
                }
                (one, other) => prop_assert_eq!(one, other),
            }
        }
    }

    #[test]
    fn discordant_pairs_exchanged_change_no_probability(b in 0_u64..60, c in 0_u64..60) {
        if let (Known::Known(one), Known::Known(other)) = (mcnemar_test([b, c], USUAL), mcnemar_test([c, b], USUAL)) {
            prop_assert_eq!(one.exact, other.exact);
            prop_assert!(one.mid_p.p_value <= one.exact.p_value && one.exact.p_value <= 1.0 && one.mid_p.p_value > 0.0);
            let subjects: Vec<[bool; 2]> =
                (0..b).map(|_| [true, false]).chain((0..c).map(|_| [false, true])).collect();
            let q = known(&cochran_q_test(&subjects)).statistic;
            prop_assert!((q - one.chi_squared.statistic).abs() < 1e-12 * q.max(1.0));
        }
    }

    #[test]
    fn examiners_exchanged_change_no_agreement(rows in any_table(12)) {
        let size = rows.len().min(rows[0].len());
        let square: Vec<Vec<u64>> = rows.iter().take(size).map(|row| row[..size].to_vec()).collect();
        let table = ContingencyTable::new(&square).expect("a table");
        let reversed: Vec<Vec<u64>> = square.iter().rev().map(|row| row.iter().rev().copied().collect()).collect();
        let reversed = ContingencyTable::new(&reversed).expect("a table");
        for (weights, _) in WEIGHTS {
            let of = |table: &ContingencyTable| {
                let kappa = kappa(table, weights, USUAL);
                let error = kappa.known().map_or(Known::NotKnown(WhyNotKnown::NoVariation), |kappa| kappa.standard_error);
                (kappa.map(|kappa| kappa.value), error)
            };
            let (one, turned, backwards) = (of(&table), of(&table.transposed()), of(&reversed));
            for other in [turned, backwards] {
                prop_assert!(alike(&one.0, &other.0, 1e-9) && alike(&one.1, &other.1, 1e-6), "{one:?} {other:?}");
            }
            if let Known::Known(value) = one.0 {
                prop_assert!((-1.0..=1.0).contains(&value), "{value}");
            }
        }
        if let Known::Known(both) = agreement(&table, USUAL) {
            prop_assert!(both.interval.lower <= both.share && both.share <= both.interval.upper);
            for category in &both.by_category {
                if let (Known::Known(share), Known::Known(limits)) = (category.share, category.interval) {
                    prop_assert!(limits.lower <= share && share <= limits.upper, "{category:?}");
                }
            }
        }
    }

    #[test]
    fn clusters_of_one_and_of_copies(records in records(), copies in 2_usize..4) {
        // Each record its own cluster, once and as several identical copies: the same standard errors and tests.
        let alone: Vec<Record> = (0..).zip(&records).map(|(place, record)| (record.0, record.1, place)).collect();
        let copied: Vec<Record> = alone.iter().flat_map(|&record| std::iter::repeat_n(record, copies)).collect();
        let of = |records: &[Record]| {
            let (groups, scores, clusters) = split(records);
            let codes = ClusteredCodes::new(&groups, &scores, &clusters).expect("lengths");
            let contrast = clustered_share_contrast(&codes, [0, 1], 3, USUAL);
            let ranks = clustered_rank_sum(&codes, [0, 1], USUAL);
            let trend = clustered_trend(&codes, &[0.0, 1.0, 2.0], 3, USUAL);
            let table = clustered_independence_test(&codes);
            let kappa = clustered_kappa(&codes, AgreementWeights::Linear, USUAL);
            let why = Known::NotKnown(WhyNotKnown::NotReached);
            [
                contrast.known().map_or(why, |contrast| contrast.standard_error),
                contrast.known().map_or(why, |contrast| contrast.risk_ratio.ln_standard_error),
                contrast.known().map_or(why, |contrast| contrast.hybrid.map(|limits| limits.lower)),
                ranks.known().map_or(why, |ranks| ranks.standard_error),
                trend.known().map_or(why, |trend| trend.standard_error),
                trend.known().map_or(why, |trend| trend.score_test.map(|test| test.statistic)),
                table.map(|table| table.f.statistic),
                kappa.known().map_or(why, |kappa| kappa.standard_error),
            ]
        };
        for (one, many) in of(&alone).iter().zip(&of(&copied)) {
            prop_assert!(alike(one, many, 1e-8), "{one:?} {many:?}");
        }
    }

    #[test]
    fn the_order_of_records_and_the_names_of_clusters_change_nothing(records in records(), by in 0_usize..50) {
        let mut other: Vec<Record> = records.iter().map(|&(row, column, cluster)| (row, column, 40 - 3 * cluster)).collect();
        let count = other.len();
        other.rotate_left(by % count);
        let of = |records: &[Record]| {
            let (groups, scores, clusters) = split(records);
            let codes = ClusteredCodes::new(&groups, &scores, &clusters).expect("lengths");
            let shares = clustered_shares(&codes, 2, USUAL);
            let why = Known::NotKnown(WhyNotKnown::NotReached);
            let share = |share: &Known<manebit::stats::ClusteredShare>| {
                share.known().map_or(why, |share| share.wilson.map(|limits| limits.lower.value()))
            };
            let kappa = clustered_kappa(&codes, AgreementWeights::Quadratic, USUAL);
            [
                share(&shares.shares[0]),
                share(&shares.shares[2]),
                shares.test.map(|test| test.statistic),
                clustered_independence_test(&codes).map(|test| test.second_order.statistic),
                clustered_rank_sum(&codes, [2, 1], USUAL).known().map_or(why, |test| test.standard_error),
                kappa.known().map_or(why, |kappa| kappa.standard_error),
            ]
        };
        for (one, other) in of(&records).iter().zip(&of(&other)) {
            prop_assert!(alike(one, other, 1e-8), "{one:?} {other:?}");
        }
    }

    #[test]
    fn groups_exchanged_turn_clustered_contrasts_over(records in records()) {
        let (groups, scores, clusters) = split(&records);
        let codes = ClusteredCodes::new(&groups, &scores, &clusters).expect("lengths");
        let of = |rows| (clustered_share_contrast(&codes, rows, 1, USUAL), clustered_rank_sum(&codes, rows, USUAL));
        let ((one, ranks), (other, turned)) = (of([0, 2]), of([2, 0]));
        if let (Known::Known(one), Known::Known(other)) = (one, other) {
            prop_assert!((one.difference + other.difference).abs() < 1e-15);
            prop_assert!(alike(&one.standard_error, &other.standard_error, 1e-10));
            prop_assert!(alike(&one.hybrid.map(|limits| limits.lower), &other.hybrid.map(|limits| -limits.upper), 1e-9));
            if let Known::Known(limits) = one.hybrid {
                prop_assert!(limits.lower <= one.difference + 1e-12 && one.difference <= limits.upper + 1e-12, "{limits:?}");
            }
        }
        if let (Known::Known(ranks), Known::Known(turned)) = (ranks, turned) {
            prop_assert!((ranks.superiority.value() + turned.superiority.value() - 1.0).abs() < 1e-12);
            prop_assert!(alike(&ranks.standard_error, &turned.standard_error, 1e-9));
            prop_assert!(alike(&ranks.interval.map(|l| l.lower.value()), &turned.interval.map(|l| 1.0 - l.upper.value()), 1e-9));
        }
    }

    #[test]
    fn without_clusters_superiority_differs_from_the_plain_one_by_factors_alone(records in records()) {
        let alone: Vec<Record> = (0..).zip(&records).map(|(place, record)| (record.0, record.1, place)).collect();
        let (groups, scores, clusters) = split(&alone);
        let codes = ClusteredCodes::new(&groups, &scores, &clusters).expect("lengths");
        let table = codes.table();
        if let (Known::Known(plain), Known::Known(robust)) =
            (superiority_of_counts(table.row(0), table.row(1), USUAL), clustered_rank_sum(&codes, [0, 1], USUAL))
        {
            prop_assert!((plain.value.value() - robust.superiority.value()).abs() < 1e-12);
            if let (Known::Known(a), Known::Known(b)) = (plain.standard_error, robust.standard_error) {
                let fewest = table.row_totals()[..2].iter().copied().min().expect("two") as f64;
                // m/(m − 1) instead of n/(n − 1) of each group.
                prop_assert!(b <= a * (1.0 + 1e-9) && a <= b * (fewest / (fewest - 1.0)).sqrt() * (1.0 + 1e-9), "{a} {b}");
            }
            let counts = rank_sum_test_of_counts(table.row(0), table.row(1));
            if let Known::Known(test) = counts {
                prop_assert!((test.pairs_higher / (2.0 * test.expected) - plain.value.value()).abs() < 1e-12);
            }
        }
        let _: Known<f64> = kruskal_wallis_test_of_table(&table).map(|test| test.statistic);
    }

    #[test]
    fn alpha_is_the_same_whoever_examined(scores in prop::collection::vec(prop::array::uniform3(prop_oneof![4 => 0_u16..4, 1 => Just(NO_SCORE)]), 1..20)) {
        let column = |place: usize| scores.iter().map(|row| row[place]).collect::<Vec<u16>>();
        let one = Ratings::new(&[column(0), column(1), column(2)], 4).expect("scores");
        let other = Ratings::new(&[column(2), column(0), column(1)], 4).expect("scores");
        // Categories in the opposite order are as far apart.
        let turned = |column: Vec<u16>| column.into_iter().map(|s| if s == NO_SCORE { s } else { 3 - s }).collect::<Vec<u16>>();
        let reversed = Ratings::new(&[turned(column(0)), turned(column(1)), turned(column(2))], 4).expect("scores");
        let resampling = Resampling { replicates: 39, ..Resampling::default() };
        for disagreement in [Disagreement::Nominal, Disagreement::Ordinal, Disagreement::Interval] {
            let of = |ratings: &Ratings| krippendorff_alpha(ratings, &disagreement, None, resampling);
            prop_assert_eq!(of(&one), of(&other));
            let value = |known: &Known<manebit::stats::KrippendorffAlpha>| known.clone().map(|alpha| alpha.value);
            prop_assert!(alike(&value(&of(&one)), &value(&of(&reversed)), 1e-9));
            if let Known::Known(value) = value(&of(&one)) {
                prop_assert!(value <= 1.0 + 1e-12);
            }
        }
        prop_assert_eq!(fleiss_kappa(&one, USUAL), fleiss_kappa(&other, USUAL));
    }

    #[test]
    fn shares_and_their_limits_lie_in_order(part in 0_u64..40, rest in 0_u64..40, other in 0_u64..40, more in 0_u64..40) {
        if let Known::Known(exact) = clopper_pearson_interval(part, part + rest, USUAL) {
            let share = Fraction::new(part as f64 / (part + rest) as f64);
            prop_assert!(exact.lower <= share && share <= exact.upper);
        }
        if let Known::Known(contrast) = contrast_shares([[part, rest], [other, more]], USUAL) {
            let limits = contrast.difference_interval;
            prop_assert!(limits.lower <= contrast.difference && contrast.difference <= limits.upper);
            let turned = known(&contrast_shares([[other, more], [part, rest]], USUAL)).difference_interval;
            prop_assert!((limits.lower + turned.upper).abs() < 1e-14);
        }
        if let Known::Known(paired) = paired_shares([[part, rest], [other, more]], USUAL) {
            let limits = paired.difference_interval;
            prop_assert!(limits.lower <= paired.difference + 1e-15 && paired.difference <= limits.upper + 1e-15);
        }
    }
}
