//! `scores`: tables of scores through the whole program, against published values and against the estimators called by hand.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use manebit::quantity::{ConfidenceLevel, Known};
use manebit::scores::answer::ScoreAnswers;
use manebit::stats::{
    self, AgreementWeights, ClusteredCodes, ContingencyTable, Disagreement, ExactWork, Grouping, NO_SCORE, Ratings,
    Resampling, ScoredShare, TableSampling, ZeroDifferences,
};
use serde_json::Value;

use super::run::{Records, said};
use super::stats_scores::SUBJECTS;

fn answers(records: &Records, arguments: &[&str]) -> ScoreAnswers {
    let output = records.run(&[&["scores"], arguments, &["--json"]].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let value: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    super::generated::valid("scores.schema.json", &value).expect("keeps to its schema");
    serde_json::from_value(value).expect("answers")
}

/// The answers about one table with these rows.
fn of_csv(csv: &str, arguments: &[&str]) -> ScoreAnswers {
    let records = Records::new(&[("a.csv", csv.as_bytes())]);
    answers(&records, &[&["records/a.csv", "--score", "score"], arguments].concat())
}

/// Rows of a table of counts: groups are g0, g1 and so on, scores 0, 1 and so on.
fn rows_of(counts: &[&[u64]]) -> String {
    let mut csv = "group,score\n".to_owned();
    for (group, row) in counts.iter().enumerate() {
        for (score, &times) in row.iter().enumerate() {
            (0..times).for_each(|_| writeln!(csv, "g{group},{score}").expect("written"));
        }
    }
    csv
}

/// Rows of subjects scored by several, one column of scores each; an empty cell where one is missing.
fn scored(subjects: &[Vec<Option<u32>>]) -> String {
    let mut csv = "subject,by,score\n".to_owned();
    for (subject, scores) in subjects.iter().enumerate() {
        for (by, score) in scores.iter().enumerate().filter_map(|(by, score)| Some((by, (*score)?))) {
            writeln!(csv, "s{subject},e{by},{score}").expect("written");
        }
    }
    csv
}

const BY: [&str; 4] = ["--subject", "subject", "--examiner", "by"];

/// Subjects scored by two, from the table of the one's scores by the other's.
fn pairs_of(counts: &[&[u64]]) -> String {
    let mut subjects = Vec::new();
    for (one, row) in (0..).zip(counts) {
        for (other, &times) in (0..).zip(*row) {
            (0..times).for_each(|_| subjects.push(vec![Some(one), Some(other)]));
        }
    }
    scored(&subjects)
}

fn known<T: Clone + std::fmt::Debug>(value: &Known<T>) -> T {
    value.known().expect("known").clone()
}

/// Within half a unit of the last of so many digits.
#[track_caller]
fn near(value: f64, reference: f64, digits: i32) {
    let allowed = 0.5001 * 10_f64.powf(reference.abs().log10().floor() + 1.0 - f64::from(digits));
    assert!((value - reference).abs() <= allowed, "{value} against {reference}");
}

#[test]
fn tables_give_the_published_numbers() {
    // Tea tasting (Fisher 1935), a published course output: 0.4857 and 6.408309; ten digits computed with general-purpose software.
    let found = of_csv(&rows_of(&[&[3, 1], &[1, 3]]), &["--group", "group", "--want", "table"]).table.expect("a table");
    assert_eq!(found.counts, [[3, 1], [1, 3]]);
    let fisher = known(&found.two_by_two.expect("two by two"));
    near(fisher.two_sided.sum_of_small.expect("a sum").p_value, 17.0 / 35.0, 15);
    near(known(&found.exact).p_value, 17.0 / 35.0, 12);
    near(known(&fisher.conditional_odds_ratio), 6.408_319_658, 10);
    near(known(&fisher.exact_limits.lower), 0.211_735_595_4, 10);
    near(known(&fisher.exact_limits.upper), 626.243_530_6, 10);
    // Job satisfaction (Agresti 2002, table 2.8): exact 0.7827 (from memory); more digits computed with general-purpose software.
    let csv = rows_of(&[&[1, 2, 1, 0], &[3, 3, 6, 1], &[10, 10, 14, 9], &[6, 7, 12, 11]]);
    let found = of_csv(&csv, &["--group", "group", "--want", "table"]).table.expect("a table");
    near(known(&found.exact).p_value, 0.782_684_939, 9);
    let independence = known(&found.independence);
    near(independence.pearson.statistic, 5.965_514_589, 10);
    near(independence.pearson.probability.p_value, 0.743_364_725_1, 10);
    near(independence.likelihood_ratio.statistic, 6.764_053_201, 10);
    assert!(found.two_by_two.is_none() && found.sampled.is_none() && found.clustered.is_none());
}

#[test]
fn shares_and_trends_give_the_published_numbers() {
    // Newcombe 1998, table I (from memory): Wilson 0.2553–0.3662, 0.0624–0.1605, 0–0.1611, 0.0061–0.1718; exact 0.2527–0.3676,
    // 0.0578–0.1617, 0–0.1684, 0.0009–0.1776. More digits computed.
    let csv = rows_of(&[&[182, 81], &[133, 15], &[20, 0], &[28, 1]]);
    let found = of_csv(&csv, &["--group", "group", "--want", "shares"]);
    assert_eq!(found.asked.share_of, ["1"], "the last of two");
    let references = [
        [0.255_288_52, 0.366_209_58, 0.252_736_75, 0.367_621_92],
        [0.062_386_4, 0.160_487_24, 0.057_844_01, 0.161_650_49],
        [0.0, 0.161_125_16, 0.0, 0.168_433_47],
        [0.006_113_214_3, 0.171_755_22, 0.000_872_646_88, 0.177_644_3],
    ];
    for (one, [wilson_lower, wilson_upper, exact_lower, exact_upper]) in
        found.shares.expect("shares").groups.iter().zip(references)
    {
        let (wilson, exact) = (known(&one.wilson), known(&one.exact));
        for (limit, reference) in [
            (wilson.lower, wilson_lower),
            (wilson.upper, wilson_upper),
            (exact.lower, exact_lower),
            (exact.upper, exact_upper),
        ] {
            assert!((limit.value() - reference).abs() <= 6e-9, "{} against {reference}", limit.value());
        }
    }
    // Newcombe 1998b, 56/70 − 48/80: 0.0524–0.3339 (from memory); more digits computed.
    let csv = rows_of(&[&[14, 56], &[32, 48]]);
    let found = of_csv(&csv, &["--group", "group", "--want", "shares", "--share-of", "1"]).shares.expect("shares");
    let contrast = known(&found.pairs[0].independent);
    near(contrast.difference, 0.2, 14);
    near(contrast.difference_interval.lower, 0.052_431_472_4, 9);
    near(contrast.difference_interval.upper, 0.333_872_654, 9);
    // Cochran–Armitage 4.7918 (a documentation's example, N = 161); more digits computed. Numbers from 0 or from 1 are the same.
    let csv = rows_of(&[&[26, 6], &[26, 7], &[23, 9], &[18, 14], &[9, 23]]);
    for more in [&[][..], &["--group-scores", "0,1,2,3,4"]] {
        let trend = of_csv(&csv, &[&["--group", "group", "--want", "trend"], more].concat()).trend.expect("a trend");
        let trend = known(&trend.trend);
        near(trend.z, 4.791_812_576, 10);
        near(trend.test.probability.p_value, 1.652_812_689e-6, 10);
        near(trend.permutation_variance_test.statistic, 22.818_849_95, 10);
    }
    // 48 of 17 114 and so on with numbers 0, 0.5, 1.5, 4, 7: M² = 6.57 (Agresti, from memory); more digits computed.
    let csv = rows_of(&[&[17_066, 48], &[14_464, 38], &[788, 5], &[126, 1], &[37, 1]]);
    let trend = of_csv(&csv, &["--group", "group", "--want", "trend", "--group-scores", "0,0.5,1.5,4,7"]).trend;
    near(known(&trend.expect("a trend").trend).z, 2.563_227_252, 10);
}

#[test]
fn ranks_give_the_published_numbers() {
    // Scores with ties: U = 23.5, variance 190.5357143, p as computed with general-purpose software, exact by enumeration.
    let mut csv = "group,score\n".to_owned();
    for (group, scores) in [("x", "1,1,2,2,2,3,1,4,2,1"), ("y", "2,3,3,4,2,4,3,3,1,4,5")] {
        scores.split(',').for_each(|score| writeln!(csv, "{group},{score}").expect("written"));
    }
    let found = of_csv(&csv, &["--group", "group", "--want", "ranks"]).ranks.expect("ranks");
    let [pair] = found.pairs.as_slice() else { panic!("one pair") };
    let test = known(&pair.rank_sum);
    near(test.pairs_higher, 23.5, 14);
    near(test.variance, 190.535_714_3, 10);
    near(test.probability.p_value, 0.022_487_256_41, 10);
    near(test.continuity_corrected.p_value, 0.024_716_019_36, 10);
    near(known(&pair.exact).as_far_from_mean.p_value, 0.023_622_404_43, 10);
    assert_eq!(known(&pair.adjusted), known(&pair.exact).as_far_from_mean, "the only one needs no adjustment");
    near(known(&pair.superiority).value.value(), 23.5 / 110.0, 14);
    // Mucociliary clearance (Hollander & Wolfe; from memory): 0.771. Measurements, not codes.
    let mut csv = "group,score\n".to_owned();
    for (group, values) in [("a", "2.9,3.0,2.5,2.6,3.2"), ("b", "3.8,2.7,4.0,2.4"), ("c", "2.8,3.4,3.7,2.2,2.0")] {
        values.split(',').for_each(|value| writeln!(csv, "{group},{value}").expect("written"));
    }
    let found = of_csv(&csv, &["--group", "group", "--want", "ranks"]).ranks.expect("ranks");
    let test = known(&found.all_at_once);
    near(test.statistic, 0.771_428_571_4, 10);
    near(test.probability.p_value, 0.679_964_773_6, 10);
    assert_eq!(found.pairs.len(), 3);
}

#[test]
fn scores_of_the_same_subjects_give_the_published_numbers() {
    // McNemar: [[10, 2], [9, 15]], computed; exact 0.0654296875 = 2·67/2^11 by hand.
    let csv = pairs_of(&[&[15, 9], &[2, 10]]);
    let found = of_csv(&csv, &[&BY[..], &["--want", "paired"]].concat()).paired.expect("pairs");
    let shares = known(found.pairs[0].shares.as_ref().expect("two scores"));
    let tests = known(&shares.tests);
    assert_eq!(tests.discordant, [2, 9], "only the first has score 1, only the second has it");
    near(shares.difference, -7.0 / 36.0, 14);
    near(tests.chi_squared.statistic, 4.454_545_455, 10);
    near(tests.continuity_corrected.statistic, 3.272_727_273, 10);
    near(tests.exact.p_value, 0.065_429_687_5, 12);
    near(tests.mid_p.p_value, 0.038_574_218_75, 12);
    assert!(found.friedman.is_none() && found.cochran_q.is_none(), "only two");
    // Cochran's Q; two packages.
    let csv = scored(&SUBJECTS.map(|scores| scores.map(Some).to_vec()));
    let found = of_csv(&csv, &[&BY[..], &["--want", "paired", "--share-of", "1"]].concat()).paired.expect("pairs");
    let q = known(&found.cochran_q.expect("three"));
    near(q.statistic, 8.857_142_857, 10);
    near(q.probability.p_value, 0.011_931_522_54, 10);
    assert_eq!((found.pairs.len(), found.complete), (3, 12));
    // Friedman, ordinal scores; computed with general-purpose software. One more subject, not scored at the last recall, takes no part.
    let subjects =
        [[1, 1, 2], [1, 2, 2], [2, 2, 3], [1, 1, 1], [2, 3, 3], [1, 2, 3], [1, 1, 2], [3, 3, 3], [1, 1, 2], [2, 2, 2]];
    let mut subjects: Vec<Vec<Option<u32>>> = subjects.iter().map(|scores| scores.map(Some).to_vec()).collect();
    subjects.push(vec![Some(3), Some(1), None]);
    let csv = scored(&subjects);
    let found = of_csv(&csv, &[&BY[..], &["--want", "paired"]].concat()).paired.expect("pairs");
    assert_eq!((found.subjects, found.complete), (11, 10));
    let friedman = known(&found.friedman.expect("three"));
    near(friedman.test.statistic, 11.272_727_27, 10);
    near(friedman.test.probability.p_value, 0.003_565_811_446, 10);
    assert!(found.cochran_q.is_none() && found.pairs[0].shares.is_none(), "no scores are named");
    // Signed ranks are those of the estimator, whichever becomes of pairs without a difference.
    for (more, zeros) in [(&[][..], ZeroDifferences::Dropped), (&["--rank-equal-pairs"], ZeroDifferences::RankedThenDropped)]
    {
        let found = of_csv(&csv, &[&BY[..], &["--want", "paired"], more].concat()).paired.expect("pairs");
        for (pair, [first, second]) in found.pairs.iter().zip([[0, 1], [0, 2], [1, 2]]) {
            let of = |scores: &Vec<Option<u32>>| Some(f64::from(scores[first]?) - f64::from(scores[second]?));
            let differences: Vec<f64> = subjects.iter().filter_map(of).collect();
            assert_eq!(pair.signed_rank, stats::signed_rank_test(&differences, zeros));
            assert_eq!(pair.subjects, differences.len() as u64);
        }
    }
}

#[test]
fn agreement_gives_the_published_numbers() {
    // 0.3449 (0.0724; 0.2030–0.4868) in a published documentation (digits from memory); others and more digits computed with
    // general-purpose software.
    let counts: [&[u64]; 4] = [&[10, 4, 1, 0], &[5, 10, 12, 2], &[2, 4, 12, 5], &[0, 2, 6, 13]];
    let found = of_csv(&pairs_of(&counts), &BY).agreement.expect("agreement, without being asked");
    let [pair] = found.pairs.as_slice() else { panic!("one pair") };
    assert_eq!(pair.counts, counts);
    let references = [
        (
            AgreementWeights::Unweighted,
            0.344_875_346_3,
            0.072_396_687_37,
            0.061_184_719_13,
            [0.202_980_446_4, 0.486_770_246_1],
        ),
        (AgreementWeights::Linear, 0.508_160_071_5, 0.065_508_381_03, 0.073_896_668_03, [0.379_766_004, 0.636_554_139_1]),
        (AgreementWeights::Quadratic, 0.660_722_891_6, 0.061_642_832_42, 0.106_495_182_2, [0.539_905_160_1, 0.781_540_623]),
    ];
    for (kappa, (weights, value, error, null, [lower, upper])) in pair.kappa.iter().map(known).zip(references) {
        assert_eq!(kappa.weights, weights);
        near(kappa.value, value, 9);
        near(known(&kappa.standard_error), error, 9);
        near(known(&kappa.null_standard_error), null, 9);
        near(known(&kappa.interval).lower, lower, 9);
        near(known(&kappa.interval).upper, upper, 9);
    }
    // By hand: [[20, 5], [10, 15]]: 35 of 50 alike; 2·20 of 25 + 30 with the first score, 2·15 of 25 + 20 with the second; kappa 0.4.
    let found = of_csv(&pairs_of(&[&[20, 5], &[10, 15]]), &BY).agreement.expect("agreement");
    let agreement = known(&found.pairs[0].agreement);
    assert_eq!((agreement.alike, agreement.scored), (35, 50));
    near(known(&agreement.by_category[0].share).value(), 40.0 / 55.0, 14);
    near(known(&agreement.by_category[1].share).value(), 30.0 / 45.0, 14);
    near(known(&found.pairs[0].kappa[0]).value, 0.4, 12);
    // Fourteen examiners, ten things, five categories (an encyclopedia's example of Fleiss' kappa, from memory): 0.210.
    let things = [
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
    let of = |counts: &[usize; 5]| {
        (0..).zip(counts).flat_map(|(score, &times)| std::iter::repeat_n(Some(score), times)).collect()
    };
    let csv = scored(&things.iter().map(of).collect::<Vec<_>>());
    let found = of_csv(&csv, &[&BY[..], &["--resamples", "100"]].concat()).agreement.expect("agreement");
    near(known(&found.fleiss_kappa).value, 0.210, 3);
    assert_eq!(found.pairs.len(), 91, "all pairs of fourteen");
}

/// Invented fillings: 40 mouths of one to four, each filling scored by up to three examiners.
fn fillings() -> String {
    let mut text = "mouth,filling,etch,examiner,marginal\n".to_owned();
    let mut state = 2_026_u64;
    let mut next = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let mut filling = 0;
    for mouth in 0..40 {
        let prone = next(3);
        for _ in 0..1 + next(4) {
            filling += 1;
            let place = next(3);
            let etch = ["rinse", "selective", "self"][usize::try_from(place).expect("few")];
            let truth = (next(3) + prone + place) / 3;
            for examiner in ["Ana", "Ben", "Cleo"] {
                if next(12) == 0 {
                    continue;
                }
                let seen = if next(6) == 0 { next(3) } else { truth };
                let code = ["alpha", "bravo", "charlie"][usize::try_from(seen).expect("few")];
                writeln!(text, "m{mouth},f{filling},{etch},{examiner},{code}").expect("written");
            }
        }
    }
    text
}

/// Codes counted from 0, in order of letters.
fn coded(cells: &[&str]) -> Vec<u16> {
    let mut labels = cells.to_vec();
    labels.sort_unstable();
    labels.dedup();
    cells.iter().map(|cell| u16::try_from(labels.binary_search(cell).expect("there")).expect("few")).collect()
}

fn clusters_of(cells: &[&str]) -> Vec<u32> {
    let mut places = BTreeMap::new();
    let mut place = |cell| {
        let next = u32::try_from(places.len()).expect("few");
        *places.entry(cell).or_insert(next)
    };
    cells.iter().map(|cell| place(*cell)).collect()
}

/// One row of each filling, scored by Ana.
fn by_ana() -> (String, [Vec<String>; 3]) {
    let all = fillings();
    let mut columns = [Vec::new(), Vec::new(), Vec::new()];
    let mut csv = "mouth,etch,marginal\n".to_owned();
    for line in all.lines().filter(|line| line.contains(",Ana,")) {
        let cells: Vec<&str> = line.split(',').collect();
        for (column, place) in columns.iter_mut().zip([0, 2, 4]) {
            column.push(cells[place].to_owned());
        }
        writeln!(csv, "{},{},{}", cells[0], cells[2], cells[4]).expect("written");
    }
    (csv, columns)
}

#[test]
fn groups_of_clusters_are_compared_as_the_estimators_do() {
    let (csv, columns) = by_ana();
    let records = Records::new(&[("a.csv", csv.as_bytes())]);
    let [mouths, etch, marginal] = columns.each_ref().map(|column| column.iter().map(String::as_str).collect::<Vec<_>>());
    let level = ConfidenceLevel::new(0.9).expect("a level");
    let arguments = ["records/a.csv", "--score", "marginal", "--group", "etch", "--cluster", "mouth", "--confidence", "0.9"];
    let wants = ["--want", "table,shares,ranks,trend", "--share-of", "alpha,bravo", "--group-scores", "1,2,4"];
    let found = answers(&records, &[&arguments[..], &wants].concat());
    let groups = Grouping::new(coded(&etch), 3).expect("codes");
    let scores = Grouping::new(coded(&marginal), 3).expect("codes");
    let named = Grouping::new(coded(&marginal).iter().map(|code| u16::from(*code < 2)).collect(), 2).expect("codes");
    let clusters = clusters_of(&mouths);
    let codes = ClusteredCodes::new(&groups, &scores, &clusters).expect("as long");
    let shares = ClusteredCodes::new(&groups, &named, &clusters).expect("as long");
    assert_eq!(found.table_used.groups, ["rinse", "selective", "self"]);
    assert_eq!(found.table_used.levels, ["alpha", "bravo", "charlie"]);
    assert_eq!(found.table_used.clusters, u64::from(clusters.iter().max().expect("some") + 1));

    let table = found.table.expect("a table");
    let counted = codes.table();
    assert_eq!(table.independence, stats::independence_test(&counted));
    assert_eq!(table.exact, stats::fisher_freeman_halton_test(&counted, ExactWork::USUAL));
    assert_eq!(table.clustered, Some(stats::clustered_independence_test(&codes)));

    let told = found.shares.expect("shares");
    let clustered = stats::clustered_shares(&shares, 1, level);
    for (place, one) in told.groups.iter().enumerate() {
        assert_eq!(one.clustered, Some(clustered.shares[place]));
        assert_eq!(one.wilson, stats::wilson_interval(one.part, one.whole, level));
        assert_eq!(one.exact, stats::clopper_pearson_interval(one.part, one.whole, level));
    }
    assert_eq!(told.clustered_test, Some(clustered.test));
    assert_eq!(told.clusters_in_several_groups, Some(clustered.clusters_in_several_rows));
    let of_shares = shares.table();
    let count = |row: u16| [of_shares.at(row.into(), 1), of_shares.at(row.into(), 0)];
    let pairs = [[0, 1], [0, 2], [1, 2]];
    for (pair, rows) in told.pairs.iter().zip(pairs) {
        assert_eq!(pair.clustered, Some(stats::clustered_share_contrast(&shares, rows, 1, level)));
        assert_eq!(pair.independent, stats::contrast_shares(rows.map(count), level));
    }

    let ranks = found.ranks.expect("ranks");
    assert_eq!(ranks.all_at_once, stats::kruskal_wallis_test_of_table(&counted));
    let mut smallest: f64 = 1.0;
    for (pair, rows) in ranks.pairs.iter().zip(pairs) {
        let [one, other] = rows.map(|row| counted.row(row.into()));
        assert_eq!(pair.rank_sum, stats::rank_sum_test_of_counts(one, other));
        assert_eq!(pair.exact, stats::exact_rank_sum_test_of_counts(one, other));
        assert_eq!(pair.superiority, stats::superiority_of_counts(one, other, level));
        let clustered = stats::clustered_rank_sum(&codes, rows, level);
        smallest = smallest.min(known(&known(&clustered).probability).p_value);
        assert_eq!(pair.clustered, Some(clustered));
    }
    let least = ranks.pairs.iter().map(|pair| known(&pair.adjusted).p_value).fold(1.0, f64::min);
    near(least, (3.0 * smallest).min(1.0), 12);

    let trend = found.trend.expect("a trend");
    let of = |(row, score): (u16, f64)| {
        let [part, rest] = count(row);
        ScoredShare { part, whole: part + rest, score }
    };
    let scored: Vec<ScoredShare> = (0..).zip([1.0, 2.0, 4.0]).map(of).collect();
    assert_eq!(trend.trend, stats::share_trend(&scored));
    assert_eq!(trend.exact, stats::exact_share_trend(&scored));
    assert_eq!(trend.clustered, Some(stats::clustered_trend(&shares, &[1.0, 2.0, 4.0], 1, level)));

    // Taken as independent, nothing is told by clusters, and the exact probability is the one that is adjusted.
    let alone = answers(&records, &[&arguments[..], &["--independent", "--adjustment", "benjamini-hochberg"]].concat());
    assert_eq!(alone.table.expect("a table").clustered, None);
    let ranks = alone.ranks.expect("ranks");
    let most = ranks.pairs.iter().map(|pair| known(&pair.adjusted).p_value).fold(0.0, f64::max);
    let largest = ranks.pairs.iter().map(|pair| known(&pair.exact).as_far_from_mean.p_value).fold(0.0, f64::max);
    near(most, largest, 12);
}

#[test]
fn where_the_exact_test_takes_too_many_steps_random_tables_are_drawn() {
    let (csv, columns) = by_ana();
    let records = Records::new(&[("a.csv", csv.as_bytes())]);
    let arguments = ["records/a.csv", "--score", "marginal", "--group", "etch", "--want", "table", "--exact-steps", "1"];
    let found = answers(&records, &[&arguments[..], &["--sampled-tables", "5000", "--seed", "7"]].concat());
    let [_, etch, marginal] = columns.each_ref().map(|column| column.iter().map(String::as_str).collect::<Vec<_>>());
    let table = ContingencyTable::of_codes(&coded(&etch), 3, &coded(&marginal), 3).expect("codes");
    let sampling = TableSampling { tables: 5000, seed: 7, ..TableSampling::default() };
    let found = found.table.expect("a table");
    assert!(found.exact.known().is_none());
    assert_eq!(found.sampled, Some(stats::sampled_exact_test(&table, sampling)));
    let exact = known(&stats::fisher_freeman_halton_test(&table, ExactWork::USUAL)).p_value;
    let sampled = known(&found.sampled.expect("drawn"));
    assert!((sampled.p_value - exact).abs() < 5.0 * sampled.standard_error, "{} against {exact}", sampled.p_value);
}

#[test]
fn examiners_are_compared_as_the_estimators_do() {
    let csv = fillings();
    let records = Records::new(&[("a.csv", csv.as_bytes())]);
    let arguments =
        ["records/a.csv", "--score", "marginal", "--subject", "filling", "--examiner", "examiner", "--cluster", "mouth"];
    let wants = ["--want", "agreement,paired", "--share-of", "alpha", "--resamples", "200", "--seed", "3"];
    let found = answers(&records, &[&arguments[..], &wants].concat());
    let level = ConfidenceLevel::USUAL;
    // By hand: fillings in order of letters, as the program has them, so that the same ones are drawn.
    let mut of_filling: BTreeMap<&str, (&str, [u16; 3])> = BTreeMap::new();
    for line in csv.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let examiner = ["Ana", "Ben", "Cleo"].iter().position(|name| *name == cells[3]).expect("known");
        let score = ["alpha", "bravo", "charlie"].iter().position(|name| *name == cells[4]).expect("known");
        of_filling.entry(cells[1]).or_insert((cells[0], [NO_SCORE; 3])).1[examiner] = u16::try_from(score).expect("few");
    }
    let agreement = found.agreement.expect("agreement");
    let paired = found.paired.expect("pairs");
    assert_eq!(agreement.subjects, of_filling.len() as u64);
    let mouths: Vec<&str> = of_filling.values().map(|(mouth, _)| *mouth).collect();
    let clusters = clusters_of(&mouths);
    for ((pair, scores), [first, second]) in agreement.pairs.iter().zip(&paired.pairs).zip([[0, 1], [0, 2], [1, 2]]) {
        let both: Vec<(u32, u16, u16)> = of_filling
            .values()
            .zip(&clusters)
            .map(|((_, scores), cluster)| (*cluster, scores[first], scores[second]))
            .filter(|(_, one, other)| ![*one, *other].contains(&NO_SCORE))
            .collect();
        let one = Grouping::new(both.iter().map(|(_, one, _)| *one).collect(), 3).expect("codes");
        let other = Grouping::new(both.iter().map(|(_, _, other)| *other).collect(), 3).expect("codes");
        let of: Vec<u32> = both.iter().map(|(cluster, ..)| *cluster).collect();
        let codes = ClusteredCodes::new(&one, &other, &of).expect("as long");
        let table = codes.table();
        assert_eq!(pair.agreement, stats::agreement(&table, level));
        let weights = [AgreementWeights::Unweighted, AgreementWeights::Linear, AgreementWeights::Quadratic];
        let clustered = pair.clustered.as_ref().expect("clusters are named");
        for ((kappa, by_clusters), weights) in pair.kappa.iter().zip(clustered).zip(weights) {
            assert_eq!(*kappa, stats::kappa(&table, weights, level));
            let reference = known(&stats::clustered_kappa(&codes, weights, level));
            let found = known(by_clusters);
            near(found.value, reference.value, 13);
            near(known(&found.standard_error), known(&reference.standard_error), 12);
            assert_eq!(found.behind, reference.behind);
        }
        // The share of alpha, the first less the second, by mouths.
        let rows = Grouping::new(both.iter().flat_map(|_| [0, 1]).collect(), 2).expect("codes");
        let named = both.iter().flat_map(|(_, one, other)| [u16::from(*one == 0), u16::from(*other == 0)]).collect();
        let named = Grouping::new(named, 2).expect("codes");
        let twice: Vec<u32> = of.iter().flat_map(|cluster| [*cluster; 2]).collect();
        let codes = ClusteredCodes::new(&rows, &named, &twice).expect("as long");
        let reference = known(&stats::clustered_share_contrast(&codes, [0, 1], 1, level));
        let found = known(scores.clustered.as_ref().expect("clusters are named"));
        assert!((found.difference - reference.difference).abs() < 1e-14, "{}", found.difference);
        near(known(&found.standard_error), known(&reference.standard_error), 12);
        // Differences are of places, since the scores are no numbers.
        let differences: Vec<f64> = both.iter().map(|(_, one, other)| f64::from(*one) - f64::from(*other)).collect();
        assert_eq!(scores.signed_rank, stats::signed_rank_test(&differences, ZeroDifferences::Dropped));
    }
    assert!(paired.differences_of_places);
    let by_examiner: Vec<Vec<u16>> =
        (0..3).map(|examiner| of_filling.values().map(|(_, scores)| scores[examiner]).collect()).collect();
    let ratings = Ratings::new(&by_examiner, 3).expect("codes");
    assert_eq!(agreement.fleiss_kappa, stats::fleiss_kappa(&ratings, level));
    let resampling = Resampling { replicates: 200, seed: 3, level, ..Resampling::default() };
    for (alpha, apart) in
        agreement.krippendorff_alpha.iter().zip([Disagreement::Nominal, Disagreement::Ordinal, Disagreement::Interval])
    {
        let reference = known(&stats::krippendorff_alpha(&ratings, &apart, Some(&clusters), resampling));
        let found = known(alpha);
        near(found.value, reference.value, 13);
        assert_eq!((found.replicates, found.pairable, found.behind), (200, reference.pairable, reference.behind));
    }
}

#[test]
fn numbers_as_scores_are_as_far_apart_as_they_are() {
    // Scores 1, 2 and 10: alpha by distance takes the numbers, and the order is by size, not by letter.
    let subjects: Vec<Vec<Option<u32>>> =
        [[1, 1], [2, 1], [10, 10], [2, 2], [10, 2], [1, 1]].iter().map(|scores| scores.map(Some).to_vec()).collect();
    let found = of_csv(&scored(&subjects), &[&BY[..], &["--want", "agreement,paired", "--resamples", "100"]].concat());
    assert_eq!(found.table_used.levels, ["1", "2", "10"]);
    let codes = |by: usize| -> Vec<u16> {
        subjects
            .iter()
            .map(|scores| match scores[by] {
                Some(1) => 0,
                Some(2) => 1,
                _ => 2,
            })
            .collect()
    };
    let ratings = Ratings::new(&[codes(0), codes(1)], 3).expect("codes");
    let resampling = Resampling { replicates: 100, ..Resampling::default() };
    let reference = stats::krippendorff_alpha(&ratings, &Disagreement::IntervalOf(vec![1.0, 2.0, 10.0]), None, resampling);
    assert_eq!(found.agreement.expect("agreement").krippendorff_alpha[2], reference);
    let paired = found.paired.expect("pairs");
    assert!(!paired.differences_of_places);
    assert_eq!(
        paired.pairs[0].signed_rank,
        stats::signed_rank_test(&[0.0, 1.0, 0.0, 0.0, 8.0, 0.0], ZeroDifferences::Dropped)
    );
}

#[test]
fn rows_that_lack_a_cell_are_counted_or_stop_the_run() {
    let csv =
        "mouth,etch,marginal\nm1,rinse,alpha\nm1,rinse,\nm2,,bravo\nm3,self,bravo\nm4,self,\n,rinse,alpha\nm5,self,alpha\n";
    let records = Records::new(&[("a.csv", csv.as_bytes())]);
    let arguments = ["records/a.csv", "--score", "marginal", "--group", "etch", "--cluster", "mouth", "--want", "table"];
    let found = answers(&records, &[&arguments[..], &["--leave-out-incomplete"]].concat());
    let used = found.table_used;
    assert_eq!((used.rows, used.used, used.clusters), (7, 3, 3));
    let left: Vec<(&str, u64)> = used.left_out.iter().map(|left| (left.reason.as_str(), left.rows)).collect();
    assert_eq!(left, [("no score", 2), ("no group", 1), ("no cluster", 1)]);
    assert_eq!(found.table.expect("a table").counts, [[1, 0], [1, 1]]);
    let output = records.run(&[&["scores"], &arguments[..]].concat());
    assert_eq!(output.status.code(), Some(1));
}

#[test]
fn scores_that_are_named_keep_their_order_and_may_be_written_in_several_ways() {
    let csv = "group,score\na,Good\na,good\nb,poor\nb,fair\n";
    let found = of_csv(csv, &["--group", "group", "--levels", "poor,fair,good,excellent", "--want", "table,ranks"]);
    assert_eq!(found.table_used.levels, ["poor", "fair", "good", "excellent"]);
    assert_eq!(found.table.expect("a table").counts, [[0, 0, 2, 0], [1, 1, 0, 0]]);
    let ranks = found.ranks.expect("ranks");
    near(known(&ranks.pairs[0].superiority).value.value(), 1.0, 15);
}

#[test]
fn the_written_file_is_what_is_printed_as_json() {
    let records = Records::new(&[("a.csv", rows_of(&[&[3, 1], &[1, 3]]).as_bytes())]);
    let arguments = ["scores", "records/a.csv", "--score", "score", "--group", "group"];
    let printed = records.run(&[&arguments[..], &["--json"]].concat());
    let written = records.run(&[&arguments[..], &["--out", "answers.json"]].concat());
    assert!(written.status.success());
    assert_eq!(fs::read(records.path().join("answers.json")).expect("written"), printed.stdout);
    assert_eq!(records.run(&[&arguments[..], &["--out", "none/answers.json"]].concat()).status.code(), Some(3));
    let mut value: Value = serde_json::from_slice(&printed.stdout).expect("JSON");
    value["table_used"]["rows"] = serde_json::json!("many");
    assert!(super::generated::valid("scores.schema.json", &value).is_err(), "a wrong type is noticed");
}

#[test]
fn every_question_about_scores_is_answered_in_words() {
    let (csv, _) = by_ana();
    let records = Records::new(&[("groups.csv", csv.as_bytes()), ("examiners.csv", fillings().as_bytes())]);
    let mut text = String::new();
    for arguments in [
        &[
            "records/groups.csv",
            "--score",
            "marginal",
            "--group",
            "etch",
            "--cluster",
            "mouth",
            "--want",
            "table,shares,ranks,trend",
            "--share-of",
            "alpha",
        ][..],
        &[
            "records/groups.csv",
            "--score",
            "marginal",
            "--group",
            "etch",
            "--want",
            "table,shares,trend",
            "--share-of",
            "alpha",
            "--exact-steps",
            "1",
            "--sampled-tables",
            "1000",
        ],
        &["records/groups.csv", "--score", "marginal"],
        &[
            "records/examiners.csv",
            "--score",
            "marginal",
            "--subject",
            "filling",
            "--examiner",
            "examiner",
            "--want",
            "paired,agreement",
            "--share-of",
            "alpha",
            "--resamples",
            "200",
        ],
        &[
            "records/examiners.csv",
            "--score",
            "marginal",
            "--subject",
            "filling",
            "--examiner",
            "examiner",
            "--cluster",
            "mouth",
            "--want",
            "paired,agreement",
            "--share-of",
            "alpha",
            "--resamples",
            "200",
        ],
    ] {
        let all = [&["scores"], arguments].concat();
        let output = records.run(&all);
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}

#[test]
fn what_is_wrong_with_scores_is_said_with_its_place_and_how_to_mend_it() {
    let records = Records::new(&[
        ("a.csv", b"g,m,s\na,1,1\na,1,\nb,2,2\n,2,2\nb,,3\na,3,\n" as &[u8]),
        ("b.csv", b"g,s\na,alpha\na,bravo\nb,delta\nb,alpha\nb,delta\n"),
        ("c.csv", b"f,e,m,s\n1,Ana,p,1\n1,Ben,p,2\n2,Ana,q,1\n2,Ben,r,1\n1,Ana,p,3\n"),
        ("d.csv", b"f,e,m,s\n1,Ana,p,1\n1,Ben,p,2\n2,Ana,q,1\n2,Ben,r,1\n"),
        ("e.csv", b"g,s\n"),
        ("f.csv", b"g,s\na,1\na,2\na,3\n"),
        ("g.csv", b"g,s\na,1\na,1\nb,1\n"),
        (
            "h.csv",
            [b"g,s\n".to_vec(), (0..250).flat_map(|row| format!("a,{row}\n").into_bytes()).collect()].concat().as_slice(),
        ),
    ]);
    let mut text = String::new();
    for arguments in [
        &["records/a.csv", "--score", "s", "--group", "g", "--cluster", "m"][..],
        &["records/a.csv", "--score", "marginal"],
        &["records/b.csv", "--score", "s", "--group", "g", "--levels", "alpha,bravo,charlie"],
        &["records/b.csv", "--score", "s", "--levels", "alpha,bravo,alpha"],
        &["records/b.csv", "--score", "s", "--group", "g", "--want", "shares"],
        &["records/b.csv", "--score", "s", "--group", "g", "--want", "shares", "--share-of", "charlie"],
        &[
            "records/b.csv",
            "--score",
            "s",
            "--group",
            "g",
            "--want",
            "trend",
            "--share-of",
            "delta",
            "--group-scores",
            "1,2,3",
        ],
        &["records/b.csv", "--score", "s", "--group", "g", "--group-scores", "1,2"],
        &["records/b.csv", "--score", "s", "--want", "ranks"],
        &["records/b.csv", "--score", "s", "--want", "agreement"],
        &["records/b.csv", "--score", "s", "--want", "kappa"],
        &["records/b.csv", "--score", "s", "--independent"],
        &["records/b.csv", "--score", "s", "--confidence", "95"],
        &["records/c.csv", "--score", "s", "--subject", "f", "--examiner", "e"],
        &["records/c.csv", "--score", "s", "--subject", "f", "--examiner", "e", "--group", "m", "--want", "paired"],
        &["records/d.csv", "--score", "s", "--subject", "f", "--examiner", "e", "--cluster", "m"],
        &["records/d.csv", "--score", "s", "--subject", "e", "--examiner", "s"],
        &["records/e.csv", "--score", "s"],
        &["records/f.csv", "--score", "s", "--group", "g"],
        &["records/f.csv", "--score", "s", "--subject", "s", "--examiner", "g"],
        &["records/g.csv", "--score", "s", "--group", "g"],
        &["records/h.csv", "--score", "s"],
        &["records/none.csv", "--score", "s"],
    ] {
        let all = [&["scores"], arguments].concat();
        let output = records.run(&all);
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}
