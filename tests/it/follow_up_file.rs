//! What `review --follow-up` writes: by hand, refused where it would do harm, and read again by `estimate` and `watch`.

use std::fs;

use manebit::estimate::answer::Answers;
use manebit::quantity::Known;
use manebit::watching::answer::WatchAnswers;

use crate::run::{PLACEMENTS, Records, VISITS, said};

fn records(placements: &str, visits: &str) -> Records {
    Records::new(&[
        ("placements.csv", format!("{PLACEMENTS}{placements}").as_bytes()),
        ("visits.csv", format!("{VISITS}{visits}").as_bytes()),
    ])
}

/// One seen in place, one found lost, one repaired (a failure under one endpoint only), one never seen, one placed after the day of the review.
const PLACED: &str = "R1,P1,14,facial,2020-01-10,op-a,self_etch,universal\n\
    R2,P1,24,facial,2020-01-10,op-a,,universal\n\
    R3,=P2,15,facial,2020-02-01,op-b,etch_and_rinse,universal\n\
    R4,P3,16,facial,2020-02-01,op-b,self_etch,universal\n\
    R5,P3,17,facial,2023-02-01,op-b,self_etch,universal\n";
const SEEN: &str = "R1,2021-01-10,ex,usphs_3,A,A,,,\n\
    R2,2020-07-10,ex,usphs_3,A,A,,,\n\
    R2,2021-01-10,ex,usphs_3,C,,lost,,\n\
    R3,2020-08-01,ex,usphs_3,A,A,,,\n\
    R3,2021-02-01,ex,usphs_3,A,A,repaired,,\n\
    R3,2021-08-01,ex,usphs_3,A,A,,,\n";

#[test]
fn each_restoration_has_a_row() {
    let records = records(PLACED, SEEN);
    records.review(&["--as-of", "2022-01-01", "--follow-up", "follow-up.csv"]);
    let text = fs::read_to_string(records.path().join("follow-up.csv")).expect("written");
    let mut lines = text.strip_prefix('\u{feff}').expect("the mark of UTF-8").lines();
    let header: Vec<&str> = lines.next().expect("a header").split(',').collect();
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    assert_eq!(rows.len(), 4, "{text}");
    let cell = |row: usize, name: &str| rows[row][header.iter().position(|known| *known == name).expect(name)];
    let of = |row: usize, names: &[&str]| names.iter().map(|name| cell(row, name)).collect::<Vec<&str>>().join(" ");
    let own =
        ["restoration_id", "patient_id", "tooth", "placed_on", "followed_from", "entry_days", "operator", "etch_strategy"];
    assert_eq!(of(0, &own), "R1 P1 14 2020-01-10 2020-01-10 0 op-a self_etch");
    assert_eq!(of(2, &own), "R3 '=P2 15 2020-02-01 2020-02-01 0 op-b etch_and_rinse");
    assert_eq!(cell(1, "etch_strategy"), "");
    let loss = ["ended_on", "days", "ending", "last_in_place", "found"].map(|name| format!("retention_loss_{name}"));
    let loss: Vec<&str> = loss.iter().map(String::as_str).collect();
    // By hand: 2020 is a leap year.
    assert_eq!(of(0, &loss), "2021-01-10 366 0 366 ");
    assert_eq!(of(1, &loss), "2021-01-10 366 1 182 366");
    assert_eq!(of(2, &loss), "2021-08-01 547 0 547 ");
    assert_eq!(of(3, &loss), "2020-02-01 0 0 0 ");
    let any =
        ["any_intervention_days", "any_intervention_ending", "any_intervention_last_in_place", "any_intervention_found"];
    assert_eq!(of(2, &any), "366 1 182 366");
    // The same file may be written again.
    records.review(&["--as-of", "2022-01-01", "--follow-up", "follow-up.csv"]);
    assert_eq!(fs::read_to_string(records.path().join("follow-up.csv")).expect("written"), text);
}

#[test]
fn where_it_would_do_harm_it_is_refused() {
    let records = records(PLACED, SEEN);
    let hidden = manebit::protocol::Protocol::BUILT_IN_TEXT.replace("smallest_cell = 0", "smallest_cell = 5");
    fs::write(records.path().join("hidden.toml"), hidden).expect("written");
    fs::write(records.path().join("mine.csv"), "restoration_id,mine\n").expect("written");
    let mut text = String::new();
    for more in [
        &["--follow-up", "records/follow-up.csv"][..],
        &["--follow-up", "mine.csv"],
        &["--follow-up", "nowhere/follow-up.csv"],
        &["--follow-up", "follow-up.csv", "--protocol", "hidden.toml"],
    ] {
        let all = [&["review", "records", "--out", "out", "--as-of", "2022-01-01"][..], more].concat();
        text += &format!("$ … {}\n{}\n", more.join(" "), said(&records, &records.run(&all)));
        // What the system refuses is known only when the review is written.
        assert_eq!(records.path().join("out").exists(), more[1].starts_with("nowhere"), "{more:?}");
        let _ = fs::remove_dir_all(records.path().join("out"));
    }
    assert_eq!(fs::read_to_string(records.path().join("mine.csv")).expect("there"), "restoration_id,mine\n");
    insta::assert_snapshot!(text);
}

/// The engine that reads plain tables finds in the file what the review found in the records.
#[test]
fn estimates_from_it_are_those_of_the_review() {
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let read = |name: &str| fs::read(sample.join(name)).expect("the sample");
    let records = Records::new(&[("placements.csv", &read("placements.csv")), ("visits.csv", &read("visits.csv"))]);
    let review = records.review(&["--follow-up", "follow-up.csv"]);
    for endpoint in &review.endpoints {
        let (days, ending) = (format!("{}_days", endpoint.name), format!("{}_ending", endpoint.name));
        let output = records.run(&[
            "estimate",
            "follow-up.csv",
            "--time",
            &days,
            "--entry",
            "entry_days",
            "--cause",
            &ending,
            "--cluster",
            "patient_id",
            "--group",
            "etch_strategy",
            "--at",
            "1826",
            "--want",
            "survival",
            "--json",
        ]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let found: Answers = serde_json::from_slice(&output.stdout).expect("answers");
        let groups = &endpoint.factors.iter().find(|factor| factor.factor == "etch_strategy").expect("compared").groups;
        let survival = found.survival.expect("asked for");
        assert!(groups.len() > 1 && survival.len() == groups.len());
        for group in groups {
            let one = survival.iter().find(|one| one.group == group.level).expect("the same levels");
            let expected = group.horizons.iter().find(|horizon| horizon.day.count() == 1826).expect("five years");
            let (Known::Known(expected), Known::Known(found)) = (&expected.survival, &one.at[0].estimate) else {
                panic!("followed for five years");
            };
            assert_eq!(found.value, expected.value, "{} {}", endpoint.name, group.level);
            assert_eq!(found.behind, expected.behind);
            let error = |one: Option<f64>| one.expect("failures");
            assert!((error(found.standard_error) / error(expected.standard_error) - 1.0).abs() < 1e-12);
        }
    }
    let output = records.run(&[
        "watch",
        "follow-up.csv",
        "--placed",
        "placed_on",
        "--followed-from",
        "followed_from",
        "--ended",
        "retention_loss_ended_on",
        "--cause",
        "retention_loss_ending",
        "--benchmark-rate",
        "0.03",
        "--cluster",
        "patient_id",
        "--unit",
        "operator",
        "--replicates",
        "200",
        "--json",
    ]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: WatchAnswers = serde_json::from_slice(&output.stdout).expect("answers");
    assert_eq!(found.path.observed, review.endpoints[0].all.behind.failures);
}
