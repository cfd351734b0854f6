//! Watching over time, and funnels, against `tests/reference/watching.json`, which `make_watching.py` beside it makes with
//! general-purpose software (numpy, scipy, mpmath; versions in the file), and against a simulator of its own.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{AnnualRate, ConfidenceLevel, Day, Days, Fraction, Known};
use manebit::stats::{
    AfterSignal, BenchmarkHazard, BinaryOutcome, Ending, FunnelOptions, FunnelPlace, FunnelSpread, Grouping,
    HazardVarianceFormula, HighestSums, Observations, PeriodWatched, Replicates, Watched, average_run_length,
    binary_average_run_length, binary_cusum, cumulative_hazard, cusum, funnel_of_ratios, funnel_of_shares, ratio_limits,
    run_length_limit, share_limits,
};
use proptest::prelude::*;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde_json::Value;

/// The reference values.
pub fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/watching.json")).expect("reference values")
}

/// A number of the reference.
pub fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// A whole number of the reference.
pub fn whole(value: &Value) -> i32 {
    value.as_i64().expect("a whole number") as i32
}

/// A list of the reference.
pub fn list(value: &Value) -> &[Value] {
    value.as_array().expect("a list")
}

#[track_caller]
fn near(value: f64, reference: f64, relative: f64) {
    assert!((value / reference - 1.0).abs() <= relative, "{value:?} against {reference:?}");
}

/// Within `allowed` of the reference.
#[track_caller]
pub fn absolute(value: f64, reference: f64, allowed: f64) {
    assert!((value - reference).abs() <= allowed, "{value:?} against {reference:?}");
}

fn yearly(rate: f64) -> BenchmarkHazard {
    BenchmarkHazard::of_rate(AnnualRate::new(rate)).known().expect("above 0").clone()
}

fn reference_series() -> manebit::stats::FailureSeries {
    let file = reference();
    let series = &file["series"];
    let (mut observations, mut origins) = (Observations::default(), Vec::new());
    for row in list(&series["rows"]) {
        let ending = if row[3].as_bool().expect("yes or no") { Ending::Failed } else { Ending::Censored };
        let (entry, exit) = (Days::new(whole(&row[1])), Days::new(whole(&row[2])));
        observations.push(entry, exit, ending, whole(&row[4]) as u32).expect("in order");
        origins.push(Day::from_epoch(whole(&row[0])));
    }
    let points = [(20, 0.95), (50, 0.9), (120, 0.7)].map(|(day, left)| (Days::new(day), Fraction::new(left)));
    let benchmark = BenchmarkHazard::of_survival(&points);
    let day = |name: &str| Some(Day::from_epoch(whole(&series[name])));
    let period = PeriodWatched { first: day("first"), last: day("last") };
    let watched = Watched::new(&observations, &origins, benchmark.known().expect("it falls"), period);
    watched.known().expect("time").series()
}

#[test]
fn series_agree_with_plain_loops() {
    let (file, series) = (reference(), reference_series());
    let (observed, expected) = (list(&file["series"]["observed"]), list(&file["series"]["expected"]));
    assert_eq!((series.observed.len(), series.expected.len()), (observed.len(), expected.len()));
    assert!(series.failures() > 10 && series.past_benchmark == 0);
    for (day, (found, reference)) in series.observed.iter().zip(observed).enumerate() {
        assert_eq!(i64::from(*found), i64::from(whole(reference)), "day {day}");
    }
    for (found, reference) in series.expected.iter().zip(expected) {
        absolute(*found, number(reference), 1e-13);
    }
}

#[test]
fn paths_agree_with_plain_loops() {
    let (file, series) = (reference(), reference_series());
    let mut signals = 0;
    for path in list(&file["paths"]) {
        let after = if path["again"].as_bool().expect("yes or no") { AfterSignal::StartAgain } else { AfterSignal::GoOn };
        let found = cusum(&series, number(&path["ratio"]), Some(number(&path["limit"])), after);
        let found = found.known().expect("days");
        for point in &found.points {
            absolute(point.sum, number(&path["sums"][(point.day - series.first_day).count() as usize]), 1e-12);
        }
        let days: Vec<i32> = found.signals.iter().map(|&day| (day - series.first_day).count()).collect();
        assert_eq!(days, list(&path["signals"]).iter().map(whole).collect::<Vec<_>>());
        signals += days.len();
        absolute(found.expected, series.expected_failures(), 1e-12);
        assert_eq!(found.points.last().map(|point| point.observed), Some(series.failures()));
    }
    assert!(signals > 3, "the reference holds signals");
}

const SOME: Replicates = Replicates { count: 4000, seed: 17 };

/// Within four standard errors of the simulation.
#[test]
fn run_lengths_agree_with_the_delay_equation() {
    for row in list(&reference()["run_length"]) {
        let (ratio, limit, expected) = (number(&row["ratio"]), number(&row["limit"]), number(&row["run_length"]));
        let found = *average_run_length(ratio, limit, SOME).known().expect("in range");
        absolute(found.average_run_length, expected, 4.0 * found.standard_error);
        // The limit for that length is the limit again: the length grows about e-fold with each step of one in the limit.
        let back = *run_length_limit(ratio, expected, SOME).known().expect("in range");
        absolute(back.limit, limit, 5.0 * found.standard_error / expected);
    }
}

/// Brook D, Evans DA. Biometrika 1972;59:539–549: the chain, solved exactly. Within four standard errors of the simulation.
#[test]
fn run_lengths_of_single_outcomes_agree_with_the_markov_chain() {
    for row in list(&reference()["binary_run_length"]) {
        let (chance, limit) = (Fraction::new(number(&row["chance"])), number(&row["limit"]));
        let found = binary_average_run_length(&[chance, chance], number(&row["odds_ratio"]), limit, SOME);
        let found = *found.known().expect("in range");
        absolute(found.average_run_length, number(&row["run_length"]), 4.0 * found.standard_error);
    }
}

/// Within four standard errors of the simulation.
#[test]
fn false_alarms_agree_with_the_equation_of_no_alarm() {
    for row in list(&reference()["false_alarm"]) {
        let replicates = Replicates { count: 20_000, seed: 3 };
        let sums = HighestSums::of_independent(number(&row["ratio"]), number(&row["expected"]), replicates);
        let sums = sums.known().expect("in range");
        let chance = number(&row["chance"]);
        let found = sums.at(number(&row["limit"])).known().expect("in range").false_alarms.value();
        absolute(found, chance, 4.0 * (chance * (1.0 - chance) / 20_000.0).sqrt());
        // The limit for that chance is the same limit but for the draws; the sum's highest values lie on no grid.
        let limit = *sums.limit(Fraction::new(chance)).known().expect("in range");
        absolute(limit.limit, number(&row["limit"]), 0.06);
        assert!(limit.false_alarms.value() <= chance && limit.false_alarms.value() > chance - 2.0 / 20_000.0);
    }
}

/// Placed over two years and followed to the end of the fifth: `mouths` of so many restorations each, of one day.
fn practice(mouths: u32, size: u32) -> (Observations, Vec<Day>) {
    let (mut observations, mut origins) = (Observations::default(), Vec::new());
    for mouth in 0..mouths {
        let placed = (mouth * 730 / mouths) as i32;
        for one in 0..size {
            // What became of them in truth doesn't matter, but that some failed, whose follow-up would have gone on.
            let failed = (mouth + one) % 9 == 0;
            let exit = if failed { 300 } else { 1826 - placed };
            let ending = if failed { Ending::Failed } else { Ending::Censored };
            observations.push(Days::new(0), Days::new(exit), ending, mouth).expect("in order");
            origins.push(Day::from_epoch(placed));
        }
    }
    (observations, origins)
}

fn uniform(random: &mut ChaCha12Rng) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
}

/// The highest sum of one such practice, event by event in continuous time: no grid of days, and other draws. A frailty of variance 1
/// is an exponential number.
fn highest_by_events(random: &mut ChaCha12Rng, mouths: u32, size: u32, daily: f64, ratio: f64, frail: bool) -> f64 {
    // Times at which one comes under observation (+1), leaves (−1) or fails (−1, and the sum jumps).
    let mut events: Vec<(f64, f64, bool)> = Vec::new();
    for mouth in 0..mouths {
        let placed = f64::from(mouth * 730 / mouths);
        let frailty = if frail { -uniform(random).ln() } else { 1.0 };
        for _ in 0..size {
            let draw = -uniform(random).ln() / frailty;
            let hazard = if frail { draw.ln_1p() } else { draw };
            let (fails, ends) = (placed + hazard / daily, 1826.0);
            events.push((placed, 1.0, false));
            events.push((fails.min(ends), -1.0, fails < ends));
        }
    }
    events.sort_by(|one, other| one.0.total_cmp(&other.0));
    let (mut at_risk, mut now, mut sum, mut highest) = (0.0, 0.0, 0.0_f64, 0.0_f64);
    for (time, change, failed) in events {
        sum = (sum - (ratio - 1.0) * daily * at_risk * (time - now)).max(0.0);
        if failed {
            sum += ratio.ln();
        }
        highest = highest.max(sum);
        (at_risk, now) = (at_risk + change, time);
    }
    highest
}

/// A limit set for 10 % is exceeded by chance in 10 % of practices that another simulator makes; and where mouths share their fate, a
/// limit for independent failures is exceeded more often (some 16 % for mouths of ten). 3000 practices and 6000 replicates: the
/// difference of two shares near 0.1 has a standard error of 0.0067.
#[test]
fn limits_keep_their_false_alarms() {
    let (mouths, size, rate) = (30, 10, 0.05);
    let daily = rate / 365.25;
    let (observations, origins) = practice(mouths, size);
    let watched = Watched::new(&observations, &origins, &yearly(rate), PeriodWatched::default());
    let watched = watched.known().expect("time");
    let replicates = Replicates { count: 6000, seed: 8 };
    let wanted = Fraction::new(0.1);
    let limit = |variance| {
        let sums = HighestSums::of_clusters(watched, 2.0, variance, replicates);
        *sums.known().expect("in range").limit(wanted).known().expect("in range")
    };
    let (independent, frail) = (limit(0.0), limit(1.0));
    let beyond = |seed: u64, limit: f64, frail: bool| {
        let mut random = ChaCha12Rng::seed_from_u64(seed);
        let alarms = (0..3000).filter(|_| highest_by_events(&mut random, mouths, size, daily, 2.0, frail) > limit).count();
        alarms as f64 / 3000.0
    };
    let (kept, kept_by_frail) = (beyond(1001, independent.limit, false), beyond(1002, frail.limit, true));
    let inflated = beyond(1003, independent.limit, true);
    println!(
        "independent {:.3}: {kept:.4}; frail {:.3}: {kept_by_frail:.4}; inflated {inflated:.4}",
        independent.limit, frail.limit
    );
    absolute(kept, 0.1, 4.0 * 0.0067);
    absolute(kept_by_frail, 0.1, 4.0 * 0.0067);
    assert!(inflated > 0.13 && frail.limit > independent.limit, "{inflated}");
    // What the program says of that inflation agrees.
    let sums = HighestSums::of_clusters(watched, 2.0, 1.0, replicates);
    let told = sums.known().expect("in range").at(independent.limit).known().expect("in range").false_alarms.value();
    absolute(told, inflated, 4.0 * 0.0105);
    // By the number expected instead of by the calendar, the limit is nearly the same.
    let by_number = HighestSums::of_independent(2.0, independent.expected_failures, replicates);
    absolute(by_number.known().expect("in range").limit(wanted).known().expect("in range").limit, independent.limit, 0.2);
}

#[test]
fn limits_are_the_same_bytes_for_a_seed_and_others_for_another() {
    let (observations, origins) = practice(40, 2);
    let watched = Watched::new(&observations, &origins, &yearly(0.05), PeriodWatched::default());
    let watched = watched.known().expect("time");
    let sums = |seed| HighestSums::of_clusters(watched, 2.0, 0.5, Replicates { count: 500, seed });
    assert_eq!(sums(1), sums(1));
    assert_ne!(sums(1), sums(2));
}

#[test]
fn limits_of_ratios_agree_with_the_exact_distribution() {
    for row in list(&reference()["poisson_limits"]) {
        let (expected, level) = (number(&row["expected"]), ConfidenceLevel::new(number(&row["level"])).expect("a level"));
        let limits = *ratio_limits(expected, 1.0, level).known().expect("in range");
        let upper = *limits.upper.known().expect("always reached");
        near(upper, number(&row["upper"]), 1e-11);
        // The largest whole count within is scipy's quantile.
        assert_eq!((upper * expected).ceil() as i32 - 1, whole(&row["whole"][1]), "{row}");
        let lowest = match (limits.lower, row.get("lower")) {
            (Known::Known(lower), Some(reference)) => {
                near(lower, number(reference), 1e-11);
                (lower * expected).floor() as i32 + 1
            }
            (Known::NotKnown(_), None) => 0,
            other => panic!("{other:?}"),
        };
        assert_eq!(lowest, whole(&row["whole"][0]), "{row}");
    }
}

#[test]
fn limits_of_shares_agree_with_the_exact_distribution() {
    for row in list(&reference()["binomial_limits"]) {
        let (share, size) = (number(&row["share"]), number(&row["whole"]));
        let level = ConfidenceLevel::new(number(&row["level"])).expect("a level");
        let limits = *share_limits(Fraction::new(share), size, 1.0, level).known().expect("in range");
        let side = |found: Known<f64>, name: &str| match (found, row.get(name)) {
            (Known::Known(found), Some(reference)) => {
                near(found, number(reference), 1e-11);
                Some(found * size)
            }
            (Known::NotKnown(_), None) => None,
            other => panic!("{other:?}"),
        };
        let lowest = side(limits.lower, "lower").map_or(0, |count| count.floor() as i32 + 1);
        let highest = side(limits.upper, "upper").map_or(size as i32, |count| count.ceil() as i32 - 1);
        assert_eq!([lowest, highest], [whole(&row["counts"][0]), whole(&row["counts"][1])], "{row}");
    }
}

#[test]
fn the_spread_of_units_agrees_with_plain_sums() {
    let file = reference();
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for (code, unit) in (0..).zip(list(&file["units"]["units"])) {
        for cell in list(unit) {
            let ending = if cell[2].as_bool().expect("yes or no") { Ending::Failed } else { Ending::Censored };
            let cluster = u32::from(code) * 1000 + whole(&cell[0]) as u32;
            observations.push(Days::new(0), Days::new(whole(&cell[1])), ending, cluster).expect("in order");
            codes.push(code);
        }
    }
    let grouping = Grouping::new(codes, 14).expect("levels");
    let funnel = funnel_of_ratios(&observations, &grouping, &yearly(0.04), FunnelOptions::usual(10));
    let funnel = funnel.known().expect("units");
    near(*funnel.dispersion.within_clusters.known().expect("clusters"), number(&file["units"]["within"]), 1e-11);
    near(*funnel.dispersion.between_units.known().expect("units"), number(&file["units"]["between"]), 1e-11);
    near(funnel.dispersion.used, number(&file["units"]["between"]), 1e-11);
    assert_eq!(funnel.judged, 14);
}

fn observed() -> impl Strategy<Value = Vec<(i32, i32, i32, bool, u32)>> {
    prop::collection::vec((0..400_i32, 0..50_i32, 1..900_i32, prop::bool::weighted(0.3), 0..12_u32), 1..60)
}

fn placed(rows: &[(i32, i32, i32, bool, u32)], split: bool) -> (Observations, Vec<Day>) {
    let (mut observations, mut origins) = (Observations::default(), Vec::new());
    for &(origin, entry, length, failed, cluster) in rows {
        let ending = if failed { Ending::Failed } else { Ending::Censored };
        let (exit, middle) = (entry + length, entry + length / 2);
        let mut push = |from, to, ending| {
            observations.push(Days::new(from), Days::new(to), ending, cluster).expect("in order");
            origins.push(Day::from_epoch(origin));
        };
        if split && middle > entry && middle < exit {
            push(entry, middle, Ending::Censored);
            push(middle, exit, ending);
        } else {
            push(entry, exit, ending);
        }
    }
    (observations, origins)
}

proptest! {
    /// A record split at a day within its cluster is the same time and the same failure: on the calendar and in a funnel.
    #[test]
    fn a_split_record_changes_nothing(rows in observed(), rate in 0.01..0.3_f64) {
        let ((one, origins), (two, halves)) = (placed(&rows, false), placed(&rows, true));
        let series = |observations: &Observations, origins: &[Day]| {
            let watched = Watched::new(observations, origins, &yearly(rate), PeriodWatched::default());
            watched.known().expect("time").series()
        };
        let (whole, split) = (series(&one, &origins), series(&two, &halves));
        prop_assert_eq!(&whole.observed, &split.observed);
        for (one, other) in whole.expected.iter().zip(&split.expected) {
            prop_assert!((one - other).abs() < 1e-12);
        }
        let unit = |observations: &Observations| {
            let grouping = Grouping::new(vec![0; observations.len()], 1).expect("level");
            let funnel = funnel_of_ratios(observations, &grouping, &yearly(rate), FunnelOptions::usual(1));
            funnel.known().expect("a unit").clone()
        };
        let (one, two) = (unit(&one), unit(&two));
        prop_assert!((one.units[0].expected - two.units[0].expected).abs() < 1e-11 * one.units[0].expected);
        prop_assert!((one.dispersion.used - two.dispersion.used).abs() < 1e-9 * one.dispersion.used);
        // The days add up to what the funnel expects of all.
        prop_assert!((whole.expected_failures() - one.units[0].expected).abs() < 1e-11 * one.units[0].expected);
    }

    /// Held against themselves, as many are expected as were seen.
    #[test]
    fn an_internal_benchmark_expects_what_was_seen(rows in observed()) {
        let (observations, origins) = placed(&rows, false);
        let curve = cumulative_hazard(&observations, HazardVarianceFormula::Poisson);
        if let Known::Known(benchmark) = BenchmarkHazard::of_observations(&curve) {
            let watched = Watched::new(&observations, &origins, &benchmark, PeriodWatched::default());
            let series = watched.known().expect("time").series();
            let failures = series.failures() as f64;
            prop_assert!((series.expected_failures() - failures).abs() < 1e-10 * failures);
            prop_assert_eq!(series.past_benchmark, 0);
        }
    }

    /// Days later on the calendar change nothing but the days; the sum is never below 0 and its highest is that of its points.
    #[test]
    fn a_shifted_calendar_shifts_the_path(rows in observed(), shift in -9000..9000_i32, ratio in 0.3..4.0_f64, limit in 0.0..3.0_f64) {
        prop_assume!((ratio - 1.0).abs() > 0.01);
        let (observations, origins) = placed(&rows, false);
        let later: Vec<Day> = origins.iter().map(|&day| day + Days::new(shift)).collect();
        let path = |origins: &[Day]| {
            let watched = Watched::new(&observations, origins, &yearly(0.1), PeriodWatched::default());
            cusum(&watched.known().expect("time").series(), ratio, Some(limit), AfterSignal::StartAgain).known().expect("days").clone()
        };
        let (now, then) = (path(&origins), path(&later));
        prop_assert_eq!(now.highest.to_bits(), then.highest.to_bits());
        let moved: Vec<Day> = now.signals.iter().map(|&day| day + Days::new(shift)).collect();
        prop_assert_eq!(moved, then.signals);
        prop_assert!(now.points.iter().all(|point| point.sum >= 0.0 && point.sum <= now.highest));
        prop_assert_eq!(now.points.iter().filter(|point| point.signal).count(), now.signals.len());
        let last = now.points.last().expect("a last day");
        prop_assert!((last.excess - (now.observed as f64 - now.expected)).abs() < 1e-12);
    }

    /// Smooth limits and the exact test agree at every whole count, whatever the dispersion; the levels nest.
    #[test]
    fn a_unit_lies_beyond_exactly_when_its_point_does(size in 5..80_i32, failed in 0..30_u32, rate in 0.2..4.0_f64) {
        let (mut observations, mut outcomes, mut clusters) = (Observations::default(), Vec::new(), Vec::new());
        for i in 0..size.unsigned_abs() {
            let ending = if i < failed { Ending::Failed } else { Ending::Censored };
            observations.push(Days::new(0), Days::new(50), ending, i).expect("in order");
            outcomes.push(i < failed);
            clusters.push(i);
        }
        let grouping = Grouping::new(vec![0; outcomes.len()], 1).expect("level");
        let options = FunnelOptions { spread: FunnelSpread::WithinClusters, ..FunnelOptions::usual(1) };
        let target = Some(Fraction::new(rate / 5.0));
        for funnel in [
            funnel_of_ratios(&observations, &grouping, &yearly(rate), options),
            funnel_of_shares(&outcomes, None, &clusters, &grouping, target, options),
        ] {
            let unit = funnel.known().expect("a unit").units[0];
            let value = *unit.value.known().expect("expected");
            let sides = |limits: Option<manebit::stats::FunnelLimits>| {
                let limits = limits.expect("judged");
                // On a limit but for rounding either is right.
                let off = |limit: &f64| (value / limit - 1.0).abs() < 1e-9;
                let on = limits.upper.known().is_some_and(off) || limits.lower.known().is_some_and(off);
                (limits.upper.known().is_some_and(|&upper| value >= upper), limits.lower.known().is_some_and(|&lower| value <= lower), on)
            };
            let (inner, outer) = (sides(unit.inner), sides(unit.outer));
            prop_assume!(!inner.2 && !outer.2);
            let place = match (outer, inner) {
                ((true, _, _), _) => FunnelPlace::FarAbove,
                ((_, true, _), _) => FunnelPlace::FarBelow,
                (_, (true, _, _)) => FunnelPlace::Above,
                (_, (_, true, _)) => FunnelPlace::Below,
                _ => FunnelPlace::Within,
            };
            prop_assert_eq!(unit.place, place);
        }
    }

    /// Units stand in the order of the levels; in another order they are the same units.
    #[test]
    fn permuted_units_are_the_same_units(rows in observed(), seed in 0..1000_u32) {
        let (observations, _) = placed(&rows, false);
        let codes: Vec<u16> = (0..rows.len() as u32).map(|i| (i.wrapping_mul(2_654_435_761).wrapping_add(seed) >> 7) as u16 % 3).collect();
        let turned = codes.iter().map(|code| (code + 1) % 3).collect();
        let funnel = |codes: Vec<u16>| {
            let grouping = Grouping::new(codes, 3).expect("levels");
            funnel_of_ratios(&observations, &grouping, &yearly(0.1), FunnelOptions::usual(4)).known().expect("units").clone()
        };
        let (one, other) = (funnel(codes), funnel(turned));
        prop_assert!((one.dispersion.used - other.dispersion.used).abs() < 1e-12 * one.dispersion.used);
        for level in 0..3 {
            let (a, b) = (one.units[level], other.units[(level + 1) % 3]);
            prop_assert_eq!((a.observed, a.observations, a.clusters, a.place), (b.observed, b.observations, b.clusters, b.place));
        }
    }

    /// Outcomes in order: no jump without a failure for a ratio above 1, and the sum never goes below 0.
    #[test]
    fn outcomes_move_the_sum_their_way(cases in prop::collection::vec((0.01..0.6_f64, any::<bool>()), 1..60), ratio in 1.1..5.0_f64) {
        let outcomes: Vec<BinaryOutcome> =
            cases.iter().map(|&(chance, failed)| BinaryOutcome { expected: Fraction::new(chance), failed }).collect();
        let path = binary_cusum(&outcomes, ratio, None, AfterSignal::GoOn);
        let path = path.known().expect("outcomes");
        let mut before = 0.0;
        for (&sum, outcome) in path.sums.iter().zip(&outcomes) {
            prop_assert!(sum >= 0.0 && (sum > before) == outcome.failed || sum <= 0.0 && before <= 0.0);
            before = sum;
        }
    }
}
