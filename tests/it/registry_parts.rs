//! Records that are too many for memory are kept part by part. Whatever the parts, the same is kept, found, counted and said: builds
//! for tests take the rows of a part from outside, so that few rows make many parts.
#![cfg(debug_assertions)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use manebit::registry::{Manifest, Registry, verify};
use proptest::prelude::*;

use crate::registry_ground::{Ground, PLACEMENTS, VISITS, text_of};

/// All that a course of runs said and left, without what digests differ in.
#[derive(Debug, PartialEq)]
struct Outcome {
    said: Vec<String>,
    files: BTreeMap<String, String>,
    batches: Vec<String>,
    rows: Vec<String>,
}

/// Folders of record files.
type Folders<'a> = [(&'a str, &'a [(&'a str, &'a [u8])])];

/// Runs a course in a folder of its own, with so many rows a part.
fn course(files: &Folders<'_>, keyed: bool, runs: &[&[&str]], rows: &str) -> Outcome {
    let ground = Ground::bare();
    if keyed {
        fs::write(ground.path().join("key"), "0123456789abcdef".repeat(4)).expect("a key");
    }
    for (folder, files) in files {
        fs::create_dir_all(ground.path().join(folder)).expect("a folder");
        for (name, bytes) in *files {
            fs::write(ground.path().join(folder).join(name), bytes).expect("a file");
        }
    }
    let key: &[&str] = if keyed { &["--key-file", "key"] } else { &[] };
    if keyed {
        let key = manebit::registry::Key::read(&ground.path().join("key"), &ground.kept()).expect("a key");
        Registry::create(&ground.kept(), &manebit::registry::Pseudonyms::Keyed(key)).expect("started");
    } else {
        ground.good(&["init", "kept", "--without-key"]);
    }
    let mut said = Vec::new();
    for run in runs {
        let mut command = ground.command(run);
        command.args(["--into", "kept"]).args(key).env("MANEBIT_PART_ROWS", rows).env("MANEBIT_TODAY", "2026-01-02");
        let output = command.output().expect("it runs");
        said.push(format!("{:?} {}", output.status.code(), text_of(&output)));
    }
    let verdict = verify(&ground.kept()).expect("whole");
    assert!(verdict.damages.is_empty() && verdict.leftovers == 0, "{verdict:?}");
    let written = fs::read_dir(ground.path()).expect("a folder").flatten().filter(|entry| entry.path().is_file());
    let files = written
        .filter(|entry| !entry.file_name().to_string_lossy().ends_with(".xlsx"))
        .map(|entry| (entry.file_name().to_string_lossy().into_owned(), fs::read_to_string(entry.path()).expect("text")))
        .collect();
    let registry = Registry::open(&ground.kept()).expect("it opens");
    let kept = registry.read(None).expect("it reads");
    let rows = [kept.placements.0, kept.visits.0].iter().flat_map(|table| rows_in_order(table.frame())).collect();
    Outcome { said, files, batches: batches(registry.manifest()), rows }
}

/// Batches without digests and sizes.
fn batches(manifest: &Manifest) -> Vec<String> {
    let mut batches = manifest.batches.clone();
    for file in batches.iter_mut().flat_map(|batch| &mut batch.files) {
        file.name.clear();
        file.sha256.clear();
        file.bytes = 0;
    }
    batches.iter().map(|batch| format!("{batch:?}")).collect()
}

fn rows_in_order(frame: &polars::prelude::DataFrame) -> Vec<String> {
    (0..frame.height())
        .map(|row| {
            frame.columns().iter().map(|column| format!("{}|", column.get(row).expect("a row").str_value())).collect()
        })
        .collect()
}

/// The same from one part in memory, from parts of some rows, and from parts as small as they come.
fn same_in_parts(files: &Folders<'_>, keyed: bool, runs: &[&[&str]]) -> Outcome {
    let whole = course(files, keyed, runs, "1000000");
    for rows in ["150", "7"] {
        let parts = course(files, keyed, runs, rows);
        assert_eq!(parts.said, whole.said, "{rows} rows a part");
        assert_eq!(parts, whole, "{rows} rows a part");
    }
    whole
}

fn folder_of(path: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    let files = fs::read_dir(folder).expect("a folder").flatten().filter(|entry| entry.path().is_file());
    files.map(|entry| (entry.file_name().to_string_lossy().into_owned(), fs::read(entry.path()).expect("a file"))).collect()
}

#[test]
fn sample_data_come_out_the_same_in_parts() {
    let sample = folder_of("sample-data");
    let sample: Vec<(&str, &[u8])> = sample.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice())).collect();
    // Once more with one score corrected, in all rows of the table.
    let mended: Vec<(&str, Vec<u8>)> = sample
        .iter()
        .map(|(name, bytes)| {
            (
                *name,
                String::from_utf8_lossy(bytes)
                    .replacen(",1,1,1,1,1,1,2,2,in_place", ",1,1,2,1,1,1,2,2,in_place", 40)
                    .into_bytes(),
            )
        })
        .collect();
    let mended: Vec<(&str, &[u8])> = mended.iter().map(|(name, bytes)| (*name, bytes.as_slice())).collect();
    let outcome = same_in_parts(
        &[("sample", &sample), ("mended", &mended)],
        true,
        &[
            &["ingest", "sample", "--findings", "first.csv"],
            &["ingest", "sample"],
            &["ingest", "mended", "--findings", "differing.csv"],
            &["ingest", "mended", "--correct"],
        ],
    );
    assert_eq!(outcome.batches.len(), 2, "{:#?}", outcome.said);
    assert!(outcome.said[1].contains("Nothing new") && outcome.said[2].contains("kept-row-differs"), "{:#?}", outcome.said);
    assert!(outcome.said[3].contains("supersede"), "{:#?}", outcome.said);
}

#[test]
fn dirt_comes_out_the_same_in_parts() {
    let dirty = folder_of("tests/dirty/records");
    let dirty: Vec<(&str, &[u8])> = dirty.iter().map(|(name, bytes)| (name.as_str(), bytes.as_slice())).collect();
    let outcome = same_in_parts(
        &[("dirty", &dirty)],
        true,
        &[&["ingest", "dirty", "--findings", "found.csv"], &["ingest", "dirty", "--set-aside", "aside.csv"]],
    );
    assert!(outcome.files["found.csv"].lines().count() > 20);
}

/// Rows of two files that meet in every way: the same restoration twice, with another patient or the same; orphans; re-treatments of
/// one surface; the dead examined; names in two spellings; restorations that replace others.
fn meeting(dice: &[(u8, u8, u8, u8)]) -> (String, String) {
    let mut placements = PLACEMENTS.replace('\n', ",replaces_restoration\n");
    let mut visits = VISITS.replace('\n', ",outcome\n");
    for (row, &(a, b, c, d)) in dice.iter().enumerate() {
        let restoration = if d < 12 { usize::from(a % 20) } else { row };
        let patient = match (b % 9, c % 13) {
            (_, 0) => format!("p{}", restoration / 3),
            (0, _) => format!("P{}", b % 7),
            _ => format!("P{}", restoration / 3),
        };
        let operator = ["op", "Op", "other"][usize::from(c % 3)];
        let replaces = match c % 10 {
            0 => format!("R{}", b % 60),
            1 => "yes".to_owned(),
            _ => String::new(),
        };
        let tooth = 11 + a % 3;
        placements += &format!(
            "R{restoration},{patient},{tooth},facial,201{}-03-0{},{operator},self_etch,1.1,{replaces}\n",
            a % 4,
            1 + b % 9
        );
        for look in 0..c % 4 {
            let of = if b % 31 == 0 { format!("X{}", a % 5) } else { format!("R{restoration}") };
            let outcome = match d % 40 {
                0 => "patient_died",
                1 => "lost",
                _ => "",
            };
            let retention = if outcome == "lost" { "C" } else { "A" };
            let colour = if outcome == "lost" { "" } else { ["A", "B"][usize::from(d % 2)] };
            visits += &format!("{of},201{}-09-1{look},{operator},usphs_3,{retention},{colour},{outcome}\n", 5 + b % 5);
        }
    }
    (placements, visits)
}

fn meeting_in_parts(dice: &[(u8, u8, u8, u8)], keyed: bool) -> Outcome {
    let (earlier, later) = dice.split_at(dice.len() / 2);
    let ((p, v), (p2, v2)) = (meeting(earlier), meeting(later));

    let (name_p, name_v) = ("placements.csv", "visits.csv");
    let first: [(&str, &[u8]); 2] = [(name_p, p.as_bytes()), (name_v, v.as_bytes())];
    let second: [(&str, &[u8]); 2] = [(name_p, p2.as_bytes()), (name_v, v2.as_bytes())];
    same_in_parts(
        &[("first", &first), ("second", &second)],
        keyed,
        &[
            &["ingest", "first", "--findings", "stopped.csv"],
            &["ingest", "first", "--set-aside", "first-aside.csv", "--findings", "first.csv"],
            &["ingest", "second", "--set-aside", "second-aside.csv", "--findings", "second.csv"],
            &["ingest", "second", "--correct", "--set-aside", "third-aside.csv", "--findings", "third.csv"],
        ],
    )
}

#[test]
fn rows_that_meet_in_every_way_come_out_the_same_in_parts() {
    let mut dice = crate::registry_ground::Dice::new(77);
    let mut byte = || u8::try_from(dice.below(256)).expect("a byte");
    let rows: Vec<(u8, u8, u8, u8)> = (0..300).map(|_| (byte(), byte(), byte(), byte())).collect();
    let outcome = meeting_in_parts(&rows, true);
    let found: String = outcome.files.values().cloned().collect();
    for kind in [
        "placement-repeated",
        "restoration-unknown",
        "seen-after-death",
        "visits-differ",
        "spellings-differ",
        "replaced-unknown",
        "overlapping-placement",
        "own-work-scored",
        "kept-row-differs",
    ] {
        assert!(found.contains(kind), "{kind} is not among what was found");
    }
    assert!(!outcome.batches.is_empty() && !outcome.rows.is_empty(), "{:#?}", outcome.said);
}

/// Rows as one export gives them: patient after patient, restorations and their visits in rising order. Some come twice, some differ, some
/// patients are written in two ways or share a restoration, some visits belong to nothing that was placed.
fn in_order_in_parts(dice: &[(u8, u8, u8, u8)], keyed: bool) -> Outcome {
    let mut placements = PLACEMENTS.replace('\n', ",replaces_restoration\n");
    let mut visits = VISITS.to_owned();
    for (row, &(a, b, c, d)) in dice.iter().enumerate() {
        let letter = if a % 11 == 0 { "p" } else { "P" };
        let replaces = if b % 9 == 0 { format!("R{}", usize::from(b) / 3) } else { String::new() };
        let mut place = |patient: usize, height: u8| {
            placements += &format!(
                "R{row},{letter}{patient},1{},facial,201{}-03-01,op,self_etch,1.{height},{replaces}\n",
                1 + a % 3,
                a % 4
            );
        };
        place(row / 3, 1);
        match c % 17 {
            0 => place(row / 3, 1),
            1 => place(row / 3, 2),
            2 => place(row / 3 + 1, 1),
            _ => {}
        }
        for look in 0..d % 4 {
            let colour = if b % 7 == look { "B" } else { "A" };
            visits += &format!("R{row},201{}-09-1{look},op,usphs_3,A,{colour}\n", 5 + b % 5);
            if c % 13 == look {
                visits += &format!("R{row},201{}-09-1{look},op,usphs_3,A,A\n", 5 + b % 5);
            }
        }
        if d % 19 == 0 {
            visits += &format!("R{row}-x,2016-09-10,op,usphs_3,A,A\n");
        }
    }
    let files: [(&str, &[u8]); 2] = [("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())];
    same_in_parts(
        &[("records", &files)],
        keyed,
        &[
            &["ingest", "records", "--findings", "stopped.csv"],
            &["ingest", "records", "--set-aside", "aside.csv", "--findings", "found.csv"],
            &["ingest", "records", "--set-aside", "again.csv"],
        ],
    )
}

#[test]
fn rows_that_come_in_order_come_out_the_same_in_parts() {
    let mut dice = crate::registry_ground::Dice::new(78);
    let mut byte = || u8::try_from(dice.below(256)).expect("a byte");
    let rows: Vec<(u8, u8, u8, u8)> = (0..300).map(|_| (byte(), byte(), byte(), byte())).collect();
    for keyed in [true, false] {
        let outcome = in_order_in_parts(&rows, keyed);
        let found: String = outcome.files.values().cloned().collect();
        for kind in ["placement-repeated", "restoration-unknown", "visits-differ", "spellings-differ", "replaced-unknown"] {
            assert!(found.contains(kind), "{kind} is not among what was found");
        }
        assert!(!outcome.batches.is_empty() && !outcome.rows.is_empty(), "{:#?}", outcome.said);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 6, ..ProptestConfig::default() })]
    #[test]
    fn any_rows_come_out_the_same_in_parts(
        rows in prop::collection::vec((any::<u8>(), any::<u8>(), any::<u8>(), any::<u8>()), 2..60),
        keyed in any::<bool>(),
    ) {
        meeting_in_parts(&rows, keyed);
    }
}
