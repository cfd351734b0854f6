//! `watch` through the whole program, against `tests/reference/watching.json` (plain loops and equations, by general-purpose software;
//! see `stats_watching.rs`) and the engine called by itself, and what people read.

use std::fmt::Write as _;

use manebit::quantity::{AnnualRate, Day, Days, Fraction, Known};
use manebit::stats::{
    AfterSignal, BenchmarkHazard, Ending, FunnelOptions, FunnelSpread, Grouping, HighestSums, Observations, PeriodWatched,
    Replicates, Watched, funnel_of_ratios,
};
use manebit::watching::answer::WatchAnswers;
use manebit::watching::asked::{Benchmark, LimitAsked, WatchAsked, WatchRoles};
use manebit::watching::data::WatchData;
use manebit::watching::judged::judge;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde_json::Value;

use super::run::{Records, said};
use super::stats_watching::{absolute, list, number, reference, whole};

fn answers(records: &Records, arguments: &[&str]) -> WatchAnswers {
    let mut all = vec!["watch", "records/a.csv", "--json"];
    all.extend(arguments);
    let output = records.run(&all);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let value: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    super::generated::valid("watch.schema.json", &value).expect("keeps to its schema");
    serde_json::from_value(value).expect("answers")
}

fn table(text: &str) -> Records {
    Records::new(&[("a.csv", text.as_bytes())])
}

/// The reference's rows as a table with days of the calendar.
fn series() -> String {
    let mut text = "placed,from,ended,lost,mouth\n".to_owned();
    for row in list(&reference()["series"]["rows"]) {
        let origin = Day::from_epoch(whole(&row[0]));
        let (from, ended) = (origin + Days::new(whole(&row[1])), origin + Days::new(whole(&row[2])));
        let lost = if row[3].as_bool().expect("yes or no") { 1 } else { 0 };
        writeln!(text, "{origin},{from},{ended},{lost},m{}", row[4]).expect("written");
    }
    text
}

const SERIES: [&str; 8] = ["--placed", "placed", "--followed-from", "from", "--ended", "ended", "--cause", "lost"];

#[test]
fn paths_agree_with_plain_loops() {
    let (file, records) = (reference(), table(&series()));
    let day = |name: &str| Day::from_epoch(whole(&file["series"][name])).to_string();
    let kept =
        [(20, 0.95), (50, 0.9), (120, 0.7)].map(|(day, kept)| format!("{}={kept}", f64::from(day) / 365.25)).join(",");
    let (from, to) = (day("first"), day("last"));
    for path in list(&file["paths"]) {
        let (ratio, limit) = (path["ratio"].to_string(), path["limit"].to_string());
        let mut arguments = SERIES.to_vec();
        arguments.extend(["--benchmark-kept", &kept, "--from-day", &from, "--to-day", &to, "--replicates", "100"]);
        arguments.extend(["--look-for", &ratio, "--limit", &limit]);
        if !path["again"].as_bool().expect("yes or no") {
            arguments.push("--go-on");
        }
        let found = answers(&records, &arguments);
        let place = |day: Day| (day - found.first_day).count();
        assert_eq!((found.first_day.to_string(), found.last_day.to_string()), (from.clone(), to.clone()));
        for point in &found.path.points {
            absolute(point.sum, number(&path["sums"][place(point.day) as usize]), 1e-12);
        }
        let signals: Vec<i32> = found.path.signals.iter().map(|&day| place(day)).collect();
        assert_eq!(signals, list(&path["signals"]).iter().map(whole).collect::<Vec<_>>());
        let expected: f64 = list(&file["series"]["expected"]).iter().map(number).sum();
        absolute(found.path.expected, expected, 1e-11);
    }
}

/// One restoration followed for a century: as many failures are expected as the rate says. The reference solves an equation for the
/// probability of no alarm; four standard errors of the drawn courses are allowed.
#[test]
fn false_alarms_agree_with_the_equation_of_no_alarm() {
    let records = table("placed,days,lost\n1900-01-01,36525,0\n");
    for row in list(&reference()["false_alarm"]) {
        let (ratio, limit, chance) = (row["ratio"].to_string(), row["limit"].to_string(), number(&row["chance"]));
        let rate = (number(&row["expected"]) / 100.0).to_string();
        let mut arguments = vec!["--placed", "placed", "--days", "days", "--cause", "lost", "--benchmark-rate", &rate];
        arguments.extend(["--look-for", &ratio]);
        let given = answers(&records, &[&arguments[..], &["--limit", &limit]].concat());
        let error = (chance * (1.0 - chance) / 10_000.0).sqrt();
        absolute(given.limit.expected_failures, number(&row["expected"]), 1e-9);
        absolute(given.limit.false_alarms.value(), chance, 4.0 * error);
        let chance = chance.to_string();
        let set = answers(&records, &[&arguments[..], &["--false-alarms", &chance]].concat());
        // The distribution of the highest sum has about this density here; four standard errors of a quantile.
        absolute(set.limit.limit, number(&row["limit"]), 0.1);
        assert!(set.limit.interval.lower < set.limit.false_alarms && set.limit.false_alarms < set.limit.interval.upper);
    }
}

/// The reference solves the delay equation of the run length, which grows about e-fold with each step of one in the limit.
#[test]
fn run_lengths_agree_with_the_delay_equation() {
    let records = table("placed,days,lost\n2000-01-01,3652,0\n");
    for row in list(&reference()["run_length"]) {
        let (ratio, length) = (row["ratio"].to_string(), row["run_length"].to_string());
        let mut arguments = vec!["--placed", "placed", "--days", "days", "--cause", "lost", "--benchmark-rate", "1"];
        arguments.extend(["--look-for", &ratio, "--run-length", &length, "--replicates", "4000", "--seed", "17"]);
        let found = answers(&records, &arguments);
        let run = found.run_length.expect("asked");
        absolute(run.limit, number(&row["limit"]), 5.0 * run.standard_error / number(&row["run_length"]));
        assert!((found.limit.limit - run.limit).abs() <= 0.0, "the sum is held against it");
    }
}

/// The same rows as observations, made by hand.
fn by_hand() -> (Observations, Vec<Day>) {
    let (mut observations, mut origins) = (Observations::default(), Vec::new());
    let mut mouths: Vec<i32> = Vec::new();
    for row in list(&reference()["series"]["rows"]) {
        let mouth = whole(&row[4]);
        let cluster = mouths.iter().position(|known| *known == mouth).unwrap_or_else(|| {
            mouths.push(mouth);
            mouths.len() - 1
        });
        let ending = if row[3].as_bool().expect("yes or no") { Ending::Failed } else { Ending::Censored };
        let (entry, exit) = (Days::new(whole(&row[1])), Days::new(whole(&row[2])));
        observations.push(entry, exit, ending, cluster as u32).expect("in order");
        origins.push(Day::from_epoch(whole(&row[0])));
    }
    (observations, origins)
}

#[test]
fn limits_that_know_of_patients_are_those_of_the_engine() {
    let records = table(&series());
    let mut arguments = SERIES.to_vec();
    arguments.extend(["--cluster", "mouth", "--benchmark-rate", "2", "--frailty-variance", "0.9", "--look-for", "1.5"]);
    arguments.extend(["--false-alarms", "0.1", "--replicates", "500", "--seed", "4"]);
    let found = answers(&records, &arguments);
    let (observations, origins) = by_hand();
    let benchmark = BenchmarkHazard::of_rate(AnnualRate::new(2.0));
    let watched = Watched::new(&observations, &origins, benchmark.known().expect("a rate"), PeriodWatched::default());
    let watched = watched.known().expect("time");
    let replicates = Replicates { count: 500, seed: 4 };
    let sums = HighestSums::of_clusters(watched, 1.5, 0.9, replicates);
    let limit = sums.known().expect("drawn").limit(Fraction::new(0.1));
    assert_eq!(Known::Known(found.limit), limit);
    assert_eq!(found.behind, watched.behind());
}

#[test]
fn funnels_are_those_of_the_engine() {
    let file = reference();
    let mut text = "placed,days,lost,mouth,operator\n".to_owned();
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for (code, unit) in (0_u16..).zip(list(&file["units"]["units"])) {
        for cell in list(unit) {
            let (mouth, days, failed) = (whole(&cell[0]), whole(&cell[1]), cell[2].as_bool().expect("yes or no"));
            writeln!(text, "2015-03-01,{days},{},{code}-{mouth},op{code:02}", u8::from(failed)).expect("written");
            let ending = if failed { Ending::Failed } else { Ending::Censored };
            observations
                .push(Days::new(0), Days::new(days), ending, u32::from(code) * 1000 + mouth as u32)
                .expect("in order");
            codes.push(code);
        }
    }
    let records = table(&text);
    let grouping = Grouping::new(codes, 14).expect("levels");
    let benchmark = BenchmarkHazard::of_rate(AnnualRate::new(0.04));
    for (word, spread, smallest) in [
        ("chance", FunnelSpread::Chance, 10),
        ("within-patients", FunnelSpread::WithinClusters, 30),
        ("between-units", FunnelSpread::BetweenUnits, 10),
        ("larger", FunnelSpread::Larger, 10),
    ] {
        let least = smallest.to_string();
        let mut arguments = vec!["--placed", "placed", "--days", "days", "--cause", "lost", "--cluster", "mouth"];
        arguments.extend(["--unit", "operator", "--benchmark-rate", "0.04", "--smallest", &least, "--spread", word]);
        let found = answers(&records, &[&arguments[..], &["--replicates", "100"]].concat()).funnel.expect("units");
        let options = FunnelOptions { spread, ..FunnelOptions::usual(smallest) };
        let direct = funnel_of_ratios(&observations, &grouping, benchmark.known().expect("a rate"), options);
        assert_eq!(found.funnel, *direct.known().expect("units"));
        assert_eq!(found.names[3], "op03");
        if smallest == 10 {
            // By plain loops over clusters and units.
            absolute(
                *found.funnel.dispersion.within_clusters.known().expect("known"),
                number(&file["units"]["within"]),
                1e-11,
            );
            absolute(
                *found.funnel.dispersion.between_units.known().expect("known"),
                number(&file["units"]["between"]),
                1e-11,
            );
        }
    }
}

/// An invented practice: 150 restorations over four years by three operators and a beginner, by a plain rule.
fn practice() -> String {
    let mut text = "id,patient,operator,placed,ended,end\n".to_owned();
    let mut state = 2_024_u64;
    let mut next = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) % below) as i32
    };
    let (start, close) = ("2018-01-08".parse::<Day>().expect("a day"), "2023-12-29".parse::<Day>().expect("a day"));
    for id in 0..150 {
        let placed = start + Days::new(id * 9 + next(5));
        let operator = if id % 50 == 7 { "beginner" } else { ["Ahlers", "Brandt", "Cordes"][next(3) as usize] };
        let fate = Days::new(next(if id > 80 && operator == "Brandt" { 900 } else { 7000 }));
        let (ended, end) = match placed + fate {
            day if day < close => (day, if next(9) == 0 { "extracted" } else { "lost" }),
            _ => (close, "there"),
        };
        writeln!(text, "{id},p{},{operator},{placed},{ended},{end}", id / 2).expect("written");
    }
    text
}

#[test]
fn what_was_watched_is_told_in_words() {
    let records = table(&practice());
    let mut text = String::new();
    let columns =
        ["watch", "records/a.csv", "--placed", "placed", "--ended", "ended", "--cause", "end", "--failure", "lost"];
    for arguments in [
        &[
            "--unit",
            "operator",
            "--cluster",
            "patient",
            "--benchmark-rate",
            "0.05",
            "--frailty-variance",
            "0.5",
            "--replicates",
            "1000",
        ][..],
        &["--benchmark-kept", "1=0.95,4=0.7", "--false-alarms", "0.01", "--look-for", "3", "--go-on"],
        &[
            "--benchmark-rate",
            "0.5",
            "--look-for",
            "0.5",
            "--run-length",
            "30",
            "--from-day",
            "2020-01-01",
            "--to-day",
            "2021-12-31",
        ],
        &["--benchmark-rate", "0.08", "--look-for", "4", "--limit", "50"],
    ] {
        let mut all = columns.to_vec();
        all.extend(["--censored", "there"]);
        all.extend(arguments);
        let output = records.run(&all);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
        assert_eq!(records.run(&all).stdout, output.stdout, "the same bytes again");
    }
    insta::assert_snapshot!(text);
}

#[test]
fn what_is_wrong_is_said_with_its_place_and_how_to_mend_it() {
    let records = Records::new(&[
        ("a.csv", b"placed,ended,days,end,who\n2020-01-01,2021-01-01,366,1,a\n2020-02-01,2022-01-01,700,0,b\n" as &[u8]),
        ("days.csv", b"placed,ended,end\n03/04/2020,2021-01-01,1\n2020-05-01,2020-04-01,0\n2020-05-01,soon,1\n2020-05-01,2021-05-01,0\n"),
        ("lengths.csv", b"placed,days,end\n2020-01-01,12.5,1\n2020-01-01,-3,0\n2020-01-01,5e9,0\n"),
        ("words.csv", b"placed,days,end\n2020-01-01,long,1\n"),
        ("from.csv", b"placed,from,days,end\n2020-01-01,2019-12-01,30,1\n2020-01-01,2020-03-01,30,1\n2020-01-01,x,30,0\n"),
        ("gaps.csv", b"placed,days,end\n2020-01-01,300,1\n,30,0\n2020-01-01,,0\n2020-01-01,400,\n2020-01-01,20,0\n"),
        ("none.csv", b"placed,days,end\n"),
        ("far.csv", b"placed,days,end\n1020-01-01,300,1\n2020-01-01,300,0\n"),
    ]);
    let ended = ["--placed", "placed", "--ended", "ended", "--cause", "end", "--benchmark-rate", "0.05"];
    let days = ["--placed", "placed", "--days", "days", "--cause", "end", "--benchmark-rate", "0.05"];
    let mut text = String::new();
    for (code, file, columns, more) in [
        (1, "days.csv", &ended, &[][..]),
        (1, "lengths.csv", &days, &[]),
        (1, "words.csv", &days, &[]),
        (1, "from.csv", &days, &["--followed-from", "from"]),
        (1, "gaps.csv", &days, &[]),
        (0, "gaps.csv", &days, &["--leave-out-incomplete", "--replicates", "100"]),
        (1, "none.csv", &days, &[]),
        (1, "far.csv", &days, &[]),
        (1, "a.csv", &days, &["--from-day", "2030-01-01"]),
        (1, "a.csv", &days, &["--failure", "lost", "--censored", "there"]),
        (2, "a.csv", &days, &["--ended", "ended"]),
        (2, "a.csv", &days, &["--benchmark-kept", "5=0.9"]),
        (2, "a.csv", &days, &["--unit", "operator"]),
        (2, "a.csv", &days, &["--look-for", "1"]),
        (2, "a.csv", &days, &["--false-alarms", "5"]),
        (2, "a.csv", &days, &["--false-alarms", "0.001", "--replicates", "100"]),
        (2, "a.csv", &days, &["--false-alarms", "0.01", "--limit", "3"]),
        (2, "a.csv", &days, &["--limit", "-1"]),
        (2, "a.csv", &days, &["--run-length", "0"]),
        (2, "a.csv", &days, &["--frailty-variance", "1"]),
        (2, "a.csv", &days, &["--cluster", "who", "--frailty-variance", "-1"]),
        (2, "a.csv", &days, &["--from-day", "2021-01-01", "--to-day", "2020-01-01"]),
        (2, "a.csv", &days, &["--from-day", "1.1.2021"]),
        (2, "a.csv", &days, &["--smallest", "5"]),
        (2, "a.csv", &days, &["--unit", "who", "--inner", "0.999"]),
        (2, "a.csv", &days, &["--failure", "0"]),
    ] {
        let path = format!("records/{file}");
        let mut all = vec!["watch", path.as_str()];
        all.extend(columns);
        all.extend(more);
        let output = records.run(&all);
        assert_eq!(output.status.code(), Some(code), "{file} {more:?}: {}", String::from_utf8_lossy(&output.stderr));
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    for benchmark in [
        &["--benchmark-rate", "5e9"][..],
        &["--benchmark-kept", "5"],
        &["--benchmark-kept", "5=0.9,3=0.8"],
        &["--benchmark-kept", "3=0.8,5=0.9"],
        &["--benchmark-kept", "5=1"],
        &[],
    ] {
        let mut all = vec!["watch", "records/a.csv"];
        all.extend(&days[..6]);
        all.extend(benchmark);
        let output = records.run(&all);
        assert_eq!(output.status.code(), Some(2), "{benchmark:?}");
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}

/// By hand: of five, one failed within the year, two were followed longer (one of them failed later), one left before and counts in part,
/// and one was placed too late to be judged.
#[test]
fn each_restoration_is_judged_once() {
    let records = table(
        "placed,days,lost,hand\n2020-01-01,100,1,a\n2020-01-05,400,0,b\n2020-02-01,200,0,a\n2020-03-01,500,1,b\n2022-06-01,30,1,a\n",
    );
    let arguments = [
        "--placed",
        "placed",
        "--days",
        "days",
        "--cause",
        "lost",
        "--benchmark-rate",
        "0.1",
        "--judged-after",
        "1",
        "--limit",
        "0.5",
        "--unit",
        "hand",
        "--smallest",
        "1",
        "--spread",
        "chance",
        "--replicates",
        "100",
    ];
    let found = answers(&records, &arguments).judged.expect("judged");
    let chance = 1.0 - (-0.1_f64 * 365.0 / 365.25).exp();
    assert_eq!((found.after.count(), found.judged, found.in_part, found.not_judged), (365, 4, 1, 0));
    absolute(found.expected_share.value(), chance, 1e-15);
    assert_eq!(found.path.observed, 1);
    let to_200 = 1.0 - (-0.1_f64 * 200.0 / 365.25).exp();
    absolute(found.path.expected, 3.0 * chance + to_200, 1e-14);
    absolute(found.as_cases, 3.0 + to_200 / chance, 1e-14);
    let first = (2.0_f64 / (1.0 + chance)).ln();
    // It signals at the first, and starts again at 0.
    assert_eq!(found.path.sums.len(), 4);
    absolute(found.path.sums[0], first, 1e-14);
    assert_eq!(found.path.sums[1..], [0.0; 3]);
    let days: Vec<String> = found.signal_days.iter().map(ToString::to_string).collect();
    assert_eq!(days, ["2020-12-31"]);
    let funnel = found.funnel.expect("units").funnel;
    absolute(funnel.target, chance, 1e-15);
    let seen: Vec<(u64, u64)> = funnel.units.iter().map(|unit| (unit.observations, unit.observed)).collect();
    assert_eq!(seen, [(2, 1), (2, 0)]);
    absolute(*funnel.units[0].value.known().expect("two"), 1.0 / (1.0 + to_200 / chance), 1e-14);
    let mut text = said(&records, &records.run(&[&["watch", "records/a.csv"][..], &arguments].concat()));
    for more in
        [&["--judged-after", "0"][..], &["--judged-after", "2.9"], &["--judged-after", "9", "--benchmark-kept", "1=0.9"]]
    {
        let mut all = vec!["watch", "records/a.csv", "--placed", "placed", "--days", "days", "--cause", "lost"];
        if !more.contains(&"--benchmark-kept") {
            all.extend(["--benchmark-rate", "0.1"]);
        }
        all.extend(more);
        write!(text, "$ … {}\n{}\n", more.join(" "), said(&records, &records.run(&all))).expect("written");
    }
    insta::assert_snapshot!(text);
}

/// The limit of restorations judged once is that of the engine for the same chances and replicates, chances being those of each one's
/// follow-up.
#[test]
fn the_limit_of_those_judged_once_is_the_engines() {
    let records = table(&series());
    let mut arguments = SERIES.to_vec();
    arguments.extend(["--benchmark-rate", "2", "--judged-after", "0.1", "--replicates", "400", "--false-alarms", "0.1"]);
    let mut rows: Vec<&str> = arguments.clone();
    rows.retain(|argument| *argument != "--followed-from" && *argument != "from");
    let found = answers(&records, &rows).judged.expect("judged");
    let (share, after) = (found.expected_share, found.after.count());
    let rows: Vec<(i32, i32, bool)> = list(&reference()["series"]["rows"])
        .iter()
        .map(|row| (whole(&row[0]), whole(&row[2]), row[3].as_bool().expect("yes or no")))
        .collect();
    let last = rows.iter().map(|row| row.0 + row.1).max().expect("rows");
    let mut judged: Vec<&(i32, i32, bool)> = rows.iter().filter(|row| row.0 + after <= last).collect();
    judged.sort_by_key(|row| row.0);
    let chance = |row: &&(i32, i32, bool)| {
        let whole = row.1 >= after || row.2;
        if whole { share } else { Fraction::new(1.0 - (-2.0 * f64::from(row.1) / 365.25).exp()) }
    };
    let chances: Vec<Fraction> = judged.iter().map(chance).collect();
    assert_eq!(
        (found.judged, found.in_part),
        (chances.len() as u64, chances.iter().filter(|one| **one != share).count() as u64)
    );
    assert!(found.in_part > 0 && found.in_part < found.judged, "{} of {}", found.in_part, found.judged);
    let replicates = Replicates { count: 400, seed: 1 };
    let highest = manebit::stats::binary_highest_sums(&chances, 2.0, replicates);
    let limit = *highest.known().expect("drawn").limit(Fraction::new(0.1)).known().expect("a limit");
    assert_eq!(found.limit, limit);
    assert!(found.judged > 10, "{}", found.judged);
}

/// With the benchmark true, and a quarter of the patients lost to sight each year for reasons of their own, the sum of those judged once
/// signals no more often than it says, and as many fail as are expected. Left out, those lost made it signal in a fifth of such tables.
#[test]
fn those_lost_to_sight_raise_no_false_alarms() {
    let mut random = ChaCha12Rng::seed_from_u64(20_261_127);
    let tables = 200;
    let (mut signals, mut failed, mut expected, mut in_part) = (0, 0, 0.0, 0);
    for _ in 0..tables {
        let mut data = WatchData {
            received: 400,
            left_out: Vec::new(),
            observations: Observations::default(),
            origins: Vec::new(),
            units: None,
        };
        for cluster in 0..400 {
            let mut until = |yearly: f64| -(uniform(&mut random)).ln() / yearly * 365.25;
            let (fails, lost) = (until(0.03).ceil() as i32, until(0.25).ceil() as i32);
            let placed = (uniform(&mut random) * 1800.0) as i32;
            let exit = fails.min(lost).min(2922 - placed);
            let ending = if fails == exit { Ending::Failed } else { Ending::Censored };
            data.observations.push(Days::new(0), Days::new(exit), ending, cluster).expect("in order");
            data.origins.push(Day::from_epoch(15_000 + placed));
        }
        let asked = WatchAsked {
            roles: WatchRoles {
                placed: String::new(),
                ended: None,
                days: None,
                followed_from: None,
                cause: String::new(),
                failure: String::new(),
                censored: String::new(),
                cluster: None,
                unit: None,
            },
            benchmark: Benchmark::YearlyRate(AnnualRate::new(0.03)),
            ratio: 2.0,
            limit: LimitAsked::FalseAlarms(Fraction::new(0.05)),
            after_signal: AfterSignal::StartAgain,
            first: None,
            last: None,
            frailty_variance: None,
            replicates: Replicates { count: 500, seed: 1 },
            funnel: FunnelOptions::usual(1),
            judged_after: Some(Days::new(730)),
        };
        let benchmark = asked.benchmark.hazard();
        let found = judge(&asked, Days::new(730), &data, benchmark.known().expect("a rate")).expect("judged");
        signals += usize::from(!found.signal_days.is_empty());
        failed += found.path.observed;
        expected += found.path.expected;
        in_part += found.in_part;
    }
    let share = signals as f64 / f64::from(tables);
    println!("{signals} of {tables} signalled; {failed} failed, {expected:.0} expected; {in_part} in part");
    assert!(in_part > 10_000, "{in_part}");
    // Three standard errors of 200 tables at 5 %, and of some 2600 failures.
    assert!(share < 0.05 + 3.0 * (0.05_f64 * 0.95 / f64::from(tables)).sqrt(), "{share}");
    assert!((failed as f64 / expected - 1.0).abs() < 0.06, "{failed} failed, {expected} expected");
}

fn uniform(random: &mut ChaCha12Rng) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
}

/// Failures watched can be drawn for a talk from what `--json` wrote: the sum over the calendar, and the funnel where units were named.
#[test]
fn failures_watched_are_drawn() {
    let mut text = "placed,ended,lost,mouth,hand\n".to_owned();
    for row in 0..240 {
        let placed = Day::from_calendar(2015, 1, 1).expect("a day") + Days::new(5 * row);
        let lost = row % if row < 160 { 11 } else { 3 } == 0;
        let ended = placed + Days::new(if lost { 200 + row } else { 900 });
        writeln!(text, "{placed},{ended},{},m{},op-{}", u8::from(lost), row / 2, ["a", "b", "c"][(row % 3) as usize])
            .expect("written");
    }
    let records = table(&text);
    let asked = ["--placed", "placed", "--ended", "ended", "--cause", "lost", "--benchmark-rate", "0.03"];
    let mut all = vec!["watch", "records/a.csv", "--json", "--replicates", "200", "--cluster", "mouth", "--unit", "hand"];
    all.extend(asked);
    let output = records.run(&all);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    std::fs::write(records.path().join("watched.json"), &output.stdout).expect("a file");
    let listed = said(&records, &records.run(&["figures", "watched.json", "--list"]));
    assert!(listed.contains("Charts of this watch:\n  --chart cusum\n  --chart funnel\n"), "{listed}");
    for chart in ["cusum", "funnel"] {
        let output = records.run(&["figures", "watched.json", "--chart", chart, "--formats", "svg", "--out", "out"]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let svg = std::fs::read_to_string(records.path().join(format!("out/{chart}-slide-light.svg"))).expect("a figure");
        assert!(svg.contains("viewBox"));
        assert!(chart != "cusum" || svg.contains(">Failures watched against a benchmark<"));
    }
    let refused = records.run(&["figures", "watched.json", "--chart", "cusum", "--for-others", "--out", "out"]);
    assert_eq!(refused.status.code(), Some(2));
}
