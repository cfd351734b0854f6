//! Failures known only to lie between two times, through the whole program, against published values.

use std::fmt::Write as _;

use manebit::estimate::answer::Answers;
use manebit::quantity::{Days, Fraction, Known};
use manebit::stats::{
    Axis, Grouping, IntervalQuantity, IntervalScores, Intervals, Resampling, interval_bootstrap, interval_permutation_test,
};

use super::estimate::{answers, near};
use super::run::Records;

/// Months to retraction of the breast (Finkelstein & Wolfe, Biometrics 1985;41:933–945): last seen without, first seen with.
const RADIATION: &str = "0-5 0-7 0-8 4-11 5-11 5-12 6-10 7-14 7-16 11-15 11-18 15- 17-25 17-25 17- 18- 19-26 19-35 22- 24- 24- \
    25-37 26-40 27-34 32- 33- 34- 36-44 36-48 36- 36- 37-44 37- 37- 37- 38- 40- 45- 46- 46- 46- 46- 46- 46- 46- 46-";
const CHEMOTHERAPY: &str = "0-5 0-22 4-8 4-9 5-8 8-12 8-21 10-17 10-35 11-13 11-17 11-20 11- 11- 12-20 13-39 13- 13- 13- 14-17 \
    14-19 15-22 16-20 16-24 16-24 16-60 17-23 17-26 17-27 18-24 18-25 19-32 21- 22-32 23- 24-30 24-31 30-34 30-36 31- 32- 33-40 \
    34- 34- 35-39 35- 44-48 48-";

fn each() -> impl Iterator<Item = (u16, i32, Option<i32>)> {
    let of = |(arm, list): (u16, &'static str)| {
        list.split_whitespace().map(move |item| {
            let (after, by) = item.split_once('-').expect("two bounds");
            (arm, after.parse().expect("a month"), by.parse().ok())
        })
    };
    [(0, RADIATION), (1, CHEMOTHERAPY)].into_iter().flat_map(of)
}

/// As a table, with months divided; chemotherapy as a number, too. A first bound of 0 is left empty.
pub fn cosmesis(divide: f64) -> String {
    let mut text = "seen,retracted,arm,chemo,woman,home\n".to_owned();
    for (woman, (arm, after, by)) in each().enumerate() {
        let month = |month: i32| format!("{}", f64::from(month) / divide);
        let after = if after == 0 { String::new() } else { month(after) };
        let name = ["radiation", "with chemotherapy"][usize::from(arm)];
        let by = by.map_or_else(String::new, month);
        writeln!(text, "{after},{by},{name},{arm},{woman},{}", woman % 30).expect("written");
    }
    text
}

/// The same as intervals.
fn rows() -> (Intervals, Grouping) {
    let mut intervals = Intervals::default();
    let mut codes = Vec::new();
    for (woman, (arm, after, by)) in (0..).zip(each()) {
        intervals.push(Days::new(0), Days::new(after), by.map(Days::new), woman).expect("in order");
        // Groups stand in the order of their names: radiation, with chemotherapy.
        codes.push(arm);
    }
    (intervals, Grouping::new(codes, 2).expect("two groups"))
}

const COLUMNS: [&str; 7] = ["records/cosmesis.csv", "--after", "seen", "--by", "retracted", "--group", "arm"];

fn found(divide: f64, more: &[&str]) -> Answers {
    let records = Records::new(&[("cosmesis.csv", cosmesis(divide).as_bytes())]);
    answers(&records, &[&COLUMNS[..], more].concat())
}

#[test]
fn breast_cosmesis_gives_the_published_masses_and_tests() {
    let found = found(1.0, &["--at", "10,30", "--until", "40"]);
    assert_eq!((found.groups[0].observations, found.groups[1].observations), (46, 48));
    assert_eq!((found.groups[0].failures, found.groups[1].failures), (21, 35));
    let all = found.intervals.expect("intervals");
    // Masses and tests published to 4 to 7 digits (Fay & Shaw, J Stat Softw 2010;36(2), sections 4.1 and 4.2).
    let published = [
        &[0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656][..],
        &[0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608, 0.0552, 0.0552],
    ];
    for (group, (masses, ln_likelihood)) in all.groups.iter().zip(published.iter().zip([-58.060_021_954, -65.636_964_907_7]))
    {
        let curve = group.curve.known().expect("rows");
        let mut of_group = curve.masses.iter().filter(|mass| mass.mass > 1e-6);
        for &mass in *masses {
            assert!((of_group.next().expect("as many masses").mass - mass).abs() < 0.5001e-4, "{curve:?}");
        }
        assert!(of_group.next().is_none() && curve.converged);
        // Log-likelihoods: computed with general-purpose software.
        near(curve.ln_likelihood, ln_likelihood, 9);
    }
    let first = all.groups[0].curve.known().expect("rows");
    assert_eq!((first.masses[0].after, first.masses[0].by), (4.0, Some(5.0)));
    // At 10 months 1 − .0463 − .0334 − .0887 = .8316; half have failed in (38, 40], after which .4656 are left.
    let range = first.at[0].survival.known().expect("followed");
    assert!((range.least.value() - 0.8316).abs() < 2e-4 && (range.largest.value() - range.least.value()).abs() < 1e-9);
    assert_eq!((first.quantiles[1].after, first.quantiles[1].by), (Known::Known(38.0), Known::Known(40.0)));
    let mean = *first.restricted_mean.as_ref().and_then(Known::known).expect("followed");
    assert!(mean.least < mean.largest && mean.largest < 40.0);
    let expected = [
        (IntervalScores::LogRank, 9.141_846, 2.6684, 0.007_622),
        (IntervalScores::ProportionalHazards, 9.944_182, 2.6839, 0.007_277),
        (IntervalScores::Wilcoxon, 5.656_724, 2.1672, 0.030_22),
    ];
    for (one, (scores, sum, z, p)) in all.tests.iter().zip(expected) {
        let test = one.test.known().expect("two groups");
        assert_eq!(one.scores, scores);
        near((test.groups[1].score_sum - test.groups[1].expected).abs(), sum, 7);
        let statistic = test.observations.known().expect("a variance");
        near(statistic.chi_square.sqrt(), z, 5);
        near(statistic.p_value, p, 4);
    }
}

#[test]
fn fractions_of_time_give_the_same_curve_on_their_own_axis() {
    let months = found(1.0, &["--at", "10,30", "--until", "40"]).intervals.expect("intervals");
    let years = found(12.0, &["--at", "0.8333333333,2.5", "--until", "3.33333333333"]).intervals.expect("intervals");
    for (of_months, of_years) in months.groups.iter().zip(&years.groups) {
        let (a, b) = (of_months.curve.known().expect("rows"), of_years.curve.known().expect("rows"));
        assert_eq!(a.masses.len(), b.masses.len());
        for (a, b) in a.masses.iter().zip(&b.masses) {
            assert!((a.after / 12.0 - b.after).abs() < 1e-12 && (a.mass - b.mass).abs() < 1e-8);
        }
        let mean = |curve: &manebit::estimate::intervals::IntervalCurve| {
            *curve.restricted_mean.as_ref().and_then(Known::known).expect("followed")
        };
        assert!((mean(a).least / 12.0 - mean(b).least).abs() < 1e-7);
    }
}

#[test]
fn resamples_and_permutations_are_those_of_the_statistics() {
    let more = ["--at", "20", "--until", "40", "--want", "intervals,bootstrap", "--resamples", "200", "--seed", "5"];
    let found = found(1.0, &[&more[..], &["--permutations", "500"]].concat());
    assert!(found.resampled.is_none());
    let all = found.intervals.expect("intervals");
    let (intervals, grouping) = rows();
    let resampling = Resampling { replicates: 200, seed: 5, ..Resampling::default() };
    let quantities = [
        IntervalQuantity::Survival(Days::new(20)),
        IntervalQuantity::RestrictedMean(Days::new(40)),
        IntervalQuantity::FailureTime(Fraction::new(0.25)),
    ];
    for (group, part) in all.groups.iter().zip(intervals.by_group(&grouping)) {
        let direct = interval_bootstrap(&part, &Axis::Days, &quantities, resampling);
        let through = group.resampled.as_ref().expect("asked for");
        for (through, direct) in through.iter().zip(direct) {
            assert_eq!((through.least, through.largest), (direct.least, direct.largest));
            assert_eq!(through.percentile, direct.percentile);
        }
    }
    for one in &all.tests {
        let direct = interval_permutation_test(&intervals, &grouping, None, one.scores, false, 500, 5);
        assert_eq!(one.permuted, Some(direct));
    }
}

#[test]
fn exact_times_give_the_product_limit() {
    let records = Records::new(&[("remission.csv", super::estimate::remission(1.0, ',', false).as_bytes())]);
    let columns = ["records/remission.csv", "--time", "weeks", "--cause", "relapse", "--group", "arm"];
    let found = answers(&records, &[&columns[..], &["--want", "survival,intervals", "--at", "6,10,23"]].concat());
    let survival = found.survival.expect("survival");
    for (group, curve) in survival.iter().zip(found.intervals.expect("intervals").groups) {
        for (at, range) in group.at.iter().zip(&curve.curve.known().expect("rows").at) {
            let Known::Known(estimate) = at.estimate else { continue };
            let range = range.survival.known().expect("followed");
            assert!((estimate.value.value() - range.least.value()).abs() < 1e-8);
            assert!((estimate.value.value() - range.largest.value()).abs() < 1e-8);
        }
    }
}

#[test]
fn what_cannot_be_had_from_bounds_is_said_with_how_to_mend_it() {
    let text = "seen,retracted,arm\n3,5,a\n4,,b\n7,6,a\n,,b\n";
    let records = Records::new(&[("cosmesis.csv", text.as_bytes())]);
    let said = |more: &[&str]| {
        let output = records.run(&[&["estimate"], more].concat());
        assert!(!output.status.success());
        String::from_utf8(output.stderr).expect("text")
    };
    let refused = said(&[&COLUMNS[..], &["--want", "cox"]].concat());
    assert!(
        refused.contains("cox needs exact times") && refused.contains("Mend: name a column of exact times"),
        "{refused}"
    );
    let refused = said(&[&COLUMNS[..], &["--time", "seen"]].concat());
    assert!(refused.contains("Mend: give either the one or the two others"), "{refused}");
    let refused = said(&["records/cosmesis.csv", "--after", "seen"]);
    assert!(refused.contains("Mend: name both columns"), "{refused}");
    let refused = said(&["records/cosmesis.csv"]);
    assert!(refused.contains("Mend: name its column with --time"), "{refused}");
    let refused = said(&COLUMNS);
    assert!(refused.contains("row 4 (in place at 7, failed by 6)"), "{refused}");
    let records = Records::new(&[("cosmesis.csv", "seen,retracted,arm\n3,5,a\n,,b\n".as_bytes())]);
    let output = records.run(&[&["estimate"], &COLUMNS[..]].concat());
    let refused = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(refused.contains("1 row has no bound of the time, first row 3"), "{refused}");
}
