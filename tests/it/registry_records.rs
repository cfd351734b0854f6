//! What goes into a registry comes out of it: round trip, repeats, corrections, as of a batch, keys, withdrawal.

use std::fs;
use std::path::Path;

use manebit::finding::Findings;
use manebit::intake::{IntakeRequest, read_records};
use manebit::quantity::Day;
use manebit::registry::manifest::FORMAT;
use manebit::registry::{Registry, verify};

use crate::registry_ground::{Ground, PLACEMENTS, VISITS, copy_folder, files_below, rows_of, state_of, text_of};

#[test]
fn what_was_read_is_what_is_kept() {
    let ground = Ground::new();
    ground.good(&["invent", "invented", "--restorations", "300"]);
    ground.ingest("invented");
    let mut findings = Findings::default();
    let folder = ground.path().join("invented");
    let request = IntakeRequest {
        records: &folder,
        declaration: None,
        today: Day::from_epoch(25_000),
        own_columns: &[],
        progress: None,
    };
    let read = read_records(request, &mut findings).expect("read").expect("files");
    let kept = ground.read(None);
    assert_eq!(rows_of(read.placements.0.frame()), rows_of(kept.placements.0.frame()));
    assert_eq!(rows_of(read.visits.0.frame()), rows_of(kept.visits.0.frame()));
    let origins = kept.placements.0.origins().expect("origins");
    assert_eq!((origins.file(0), origins.row(0)), ("batch 1: placements.csv", 2));
    println!("{} placements and {} visits came back cell by cell", kept.placements.0.len(), kept.visits.0.len());
}

#[test]
fn repeats_are_counted_and_nothing_is_doubled() {
    let ground = Ground::new();
    ground.part("a", 6);
    let first = ground.ingest("a");
    assert!(first.contains("6 received = 6 kept + 0 identical"), "{first}");
    let state = ground.state();
    let again = ground.ingest("a");
    assert!(again.contains("Nothing new"), "{again}");
    assert_eq!(ground.state(), state);

    // The same rows in other files, with two more, one of them twice.
    let placements = fs::read_to_string(ground.path().join("a/placements.csv")).expect("it");
    let more = "n-1,n-P,21,facial,2015-04-01,op,,\n";
    let more = format!("{more}{more}n-2,n-P,22,facial,2015-04-01,op,,\n");
    ground.files("b", &[("export.csv", format!("{placements}{more}"))]);
    let grown = ground.ingest("b");
    assert!(grown.contains("9 received = 2 kept + 7 identical"), "{grown}");
    assert!(grown.contains("0 received = 0 kept"), "{grown}");
    let state = ground.state();
    assert_eq!((state.batch, state.placements, state.visits), (2, 8, 12));
    // A known file beside a new one.
    ground.files(
        "c",
        &[("placements.csv", placements), ("z.csv", format!("{PLACEMENTS}n-3,n-P,23,facial,2015-04-01,op,,\n"))],
    );
    let mixed = ground.ingest("c");
    assert!(mixed.contains("7 received = 1 kept + 6 identical"), "{mixed}");
    assert_eq!(ground.state().placements, 9);
}

#[test]
fn a_later_visit_finds_its_placement_in_an_earlier_batch() {
    let ground = Ground::new();
    ground.part("a", 2);
    ground.ingest("a");
    ground.files("later", &[("visits.csv", format!("{VISITS}a-0,2017-03-11,ex,usphs_3,A,A\n"))]);
    assert!(ground.ingest("later").contains("0 placements and 1 visit"));
    ground.files("orphan", &[("visits.csv", format!("{VISITS}a-9,2017-03-11,ex,usphs_3,A,A\n"))]);
    let state = ground.state();
    let output = ground.run(&["ingest", "orphan", "--into", "kept"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(text_of(&output).contains("restoration-unknown"), "{}", text_of(&output));
    // New and kept rows are held against each other, and the kept one is named with its batch.
    ground.files("early", &[("visits.csv", format!("{VISITS}a-0,2014-03-11,ex,usphs_3,A,A\n"))]);
    assert!(text_of(&ground.run(&["ingest", "early", "--into", "kept"])).contains("visit-before-placement"));
    ground.files("same", &[("placements.csv", format!("{PLACEMENTS}x-1,a-P0,11,facial,2018-03-01,op,,\n"))]);
    let text = text_of(&ground.run(&["ingest", "same", "--into", "kept"]));
    assert!(text.contains("overlapping-placement") && text.contains("batch 1: placements.csv row 2"), "{text}");
    assert_eq!(ground.state(), state);
}

#[test]
fn corrections_supersede_and_earlier_states_stay_readable() {
    let ground = Ground::new();
    ground.part("a", 4);
    ground.ingest("a");
    let corrected = format!(
        "{PLACEMENTS}a-1,a-P0,12,facial,2015-03-02,op,etch_and_rinse,2.5\na-2,a-P1,11,facial,2015-03-03,op,self_etch,1.2\n"
    );
    let visits = format!("{VISITS}a-0,2015-09-10,ex,usphs_3,A,C\na-0,2018-09-10,ex,usphs_3,A,A\n");
    ground.files("b", &[("corrected.csv", corrected), ("visits.csv", visits)]);
    let refused = ground.run(&["ingest", "b", "--into", "kept"]);
    let text = text_of(&refused);
    assert_eq!(refused.status.code(), Some(1));
    assert!(text.contains("corrected.csv, row 2: a-1") && text.contains("batch 1: placements.csv row 3"), "{text}");
    assert!(
        text.contains("another lesion_depth_mm (2.5 here, 1.1 there), etch_strategy (etch_and_rinse here, self_etch there)")
            && text.contains("visits.csv, row 2: a-0, 2015-09-10, ex"),
        "{text}"
    );
    assert_eq!(ground.state().batch, 1);

    let said = ground.good(&["ingest", "b", "--into", "kept", "--correct"]);
    assert!(said.contains("2 received = 1 kept + 1 identical repeat; 1 of the kept"), "{said}");
    assert!(said.contains("2 received = 2 kept + 0 identical repeats; 1 of the kept"), "{said}");
    let now = ground.read(None);
    assert_eq!((now.placements.0.len(), now.visits.0.len()), (4, 9));
    let depth = |kept: &manebit::registry::Kept| {
        let ids = kept.placements.0.text("restoration_id").expect("ids");
        let row = ids.iter().position(|id| id == Some("a-1")).expect("it stands once");
        kept.placements.0.frame().column("lesion_depth_mm").expect("it").f64().expect("numbers").get(row)
    };
    assert_eq!(depth(&now), Some(2.5));
    let then = ground.read(Some(1));
    assert_eq!((then.placements.0.len(), then.visits.0.len(), depth(&then)), (4, 8, Some(1.1)));
    assert_eq!(state_of(&ground.read(Some(0))).placements, 0);
    let error = Registry::open(&ground.kept()).expect("it").read(Some(3)).expect_err("no batch 3");
    assert!(error.to_string().contains("no batch 3; the newest is 2"), "{error}");

    // A correction of the correction, by the file of the first batch.
    ground.good(&["ingest", "a", "--into", "kept", "--correct"]);
    assert_eq!(depth(&ground.read(None)), Some(1.1));
    assert_eq!(depth(&ground.read(Some(2))), Some(2.5));
    assert_eq!(ground.state().placements, 4);
}

#[test]
fn own_columns_may_come_later() {
    let ground = Ground::new();
    ground.part("a", 2);
    ground.ingest("a");
    let protocol = manebit::protocol::Protocol::built_in();
    assert!(protocol.own_factors.is_empty());
    let text = include_str!("../../src/protocol/built_in.toml");
    let text = text.lines().filter(|line| !line.starts_with("own_factors")).collect::<Vec<_>>().join("\n");
    fs::write(ground.path().join("p.toml"), format!("own_factors = [\"chair\"]\n{text}")).expect("written");
    let header = PLACEMENTS.trim_end();
    ground.files("b", &[("placements.csv", format!("{header},chair\nb-1,b-P,11,facial,2015-03-01,op,,,left\n"))]);
    ground.good(&["ingest", "b", "--into", "kept", "--protocol", "p.toml"]);
    let kept = ground.read(None);
    let chairs: Vec<Option<&str>> = kept.placements.0.text("chair").expect("chairs").iter().collect();
    assert_eq!(chairs, [None, None, Some("left")]);
    // A file without the column says nothing of it.
    ground.files("c", &[("placements.csv", format!("{PLACEMENTS}b-1,b-P,11,facial,2015-03-01,op,,\n"))]);
    assert!(ground.ingest("c").contains("Nothing new"));
    assert!(ground.read(Some(1)).placements.0.text("chair").is_err());
    ground.state();
}

#[test]
fn keys_make_pseudonyms_and_a_wrong_key_is_refused() {
    let ground = Ground::bare();
    let inside = ground.run(&["init", "kept", "--key-file", "kept/key"]);
    assert_eq!(inside.status.code(), Some(2));
    assert!(!ground.kept().exists(), "nothing is started");
    ground.good(&["init", "kept", "--key-file", "key"]);
    ground.good(&["init", "other", "--key-file", "other-key"]);
    ground.part("a", 4);
    // A registry started with the key of another one makes the same pseudonyms, and takes those of an export as they are.
    assert!(ground.good(&["init", "third", "--key-file", "key"]).contains("makes the same pseudonyms"));
    ground.good(&["ingest", "a", "--into", "kept", "--key-file", "key"]);
    ground.good(&["export", "kept", "--out", "exported"]);
    assert!(ground.good(&["ingest", "exported", "--into", "third", "--key-file", "key"]).contains("pseudonym-given 1"));
    let third = Registry::open(&ground.path().join("third")).expect("a registry").read(None).expect("kept");
    assert_eq!(rows_of(third.placements.0.frame()).len(), rows_of(ground.read(None).placements.0.frame()).len());
    assert_eq!(
        third.placements.0.text("patient_id").expect("ids").get(0),
        ground.read(None).placements.0.text("patient_id").expect("ids").get(0)
    );
    let not_a_key = ground.run(&["init", "fourth", "--key-file", "a/visits.csv"]);
    assert!(text_of(&not_a_key).contains("holds no key"), "{}", text_of(&not_a_key));
    let with = |key: &str| ground.run(&["ingest", "a", "--into", "kept", "--key-file", key]);
    for (output, says) in [
        (with("other-key"), "not the key of the registry"),
        (ground.run(&["ingest", "a", "--into", "kept"]), "its key is needed"),
        (with("a/visits.csv"), "holds no key"),
        (with("nowhere"), "can't be read"),
    ] {
        assert_eq!(output.status.code(), Some(2));
        assert!(text_of(&output).contains(says), "{}", text_of(&output));
    }
    assert!(with("key").status.success());
    for (path, bytes) in ground.bytes() {
        assert!(!bytes.windows(4).any(|four| four == b"a-P0"), "{} holds a patient's id", path.display());
    }
    let kept = ground.read(None);
    let names: Vec<&str> = kept.placements.0.text("patient_id").expect("names").iter().flatten().collect();
    assert!(names.iter().all(|name| name.starts_with("px-") && name.len() == 35), "{names:?}");
    assert_eq!(names[0], names[1], "one patient, one pseudonym");
    // Without passing over by file, the same rows are recognised through their pseudonyms.
    let visits = fs::read_to_string(ground.path().join("a/placements.csv")).expect("it");
    ground.files("b", &[("p.csv", format!("{visits}\n"))]);
    assert!(ground.good(&["ingest", "b", "--into", "kept", "--key-file", "key"]).contains("4 identical"));
    let plain = Ground::new();
    plain.part("a", 1);
    fs::copy(ground.path().join("key"), plain.path().join("key")).expect("copied");
    let output = plain.run(&["ingest", "a", "--into", "kept", "--key-file", "key"]);
    assert!(text_of(&output).contains("started without a key"), "{}", text_of(&output));
    assert!(ground.run(&["withdraw", "a-P0", "--from", "kept"]).status.code() == Some(2));
    ground.good(&["withdraw", "a-P0", "--from", "kept", "--key-file", "key"]);
    let left = ground.read(None);
    let pseudonym = left.placements.0.text("patient_id").expect("names").get(0).expect("one is left");
    ground.good(&["withdraw", pseudonym, "--from", "kept"]);
    assert_eq!(ground.state().placements, 0);
}

#[test]
fn a_withdrawn_patient_is_in_no_file_and_no_earlier_state() {
    let ground = Ground::new();
    for part in ["a", "b"] {
        ground.part(part, 4);
        ground.ingest(part);
    }
    ground.files(
        "c",
        &[
            (
                "placements.csv",
                format!(
                    "{PLACEMENTS}a-0,a-P0,11,facial,2015-03-01,op,etch_and_rinse,\nc-0,a-P0,21,facial,2015-03-01,op,,\n"
                ),
            ),
            ("visits.csv", format!("{VISITS}a-1,2019-03-01,ex,usphs_3,A,A\n")),
        ],
    );
    ground.good(&["ingest", "c", "--into", "kept", "--correct"]);
    let before = ground.bytes();
    assert_eq!(ground.run(&["withdraw", "nobody", "--from", "kept"]).status.code(), Some(2));
    assert_eq!(ground.bytes(), before, "nothing is changed by a patient who isn't there");
    let said = ground.good(&["withdraw", "a-P0", "--from", "kept"]);
    assert!(said.contains("4 placements and 5 visits left"), "{said}");
    let state = ground.state();
    assert_eq!((state.batch, state.placements, state.visits), (4, 6, 12));
    for as_of in 0..=4 {
        let kept = ground.read(Some(as_of));
        assert!(rows_of(kept.placements.0.frame()).iter().all(|row| !row.contains("a-P0")));
        assert!(rows_of(kept.visits.0.frame()).iter().all(|row| !row.contains("a-0|") && !row.contains("a-1|")));
    }
    for (path, bytes) in ground.bytes() {
        assert!(!bytes.windows(4).any(|four| four == b"a-P0"), "{} holds the id", path.display());
    }
    let history = ground.good(&["history", "kept"]);
    assert!(history.contains("a patient withdrew; 4 placements and 5 visits were removed"), "{history}");
    // Earlier manifests bring nothing back.
    for earlier in 1..=3 {
        let numbered = ground.kept().join(format!("manifests/00000{earlier}.json"));
        fs::copy(&numbered, ground.kept().join("manifest.json")).expect("copied");
        let error = Registry::open(&ground.kept()).expect_err("an earlier one");
        assert!(error.to_string().contains("it is an earlier one than"), "{error}");
        // Not even alone, without any trace of the later ones: its files are gone.
        let alone = Ground::bare();
        copy_folder(&ground.kept(), &alone.kept());
        fs::remove_dir_all(alone.kept().join("manifests")).expect("removed");
        let error = Registry::open(&alone.kept()).expect("whole").read(None).expect_err("its files are gone");
        assert!(error.to_string().contains("is missing"), "{error}");
    }
    fs::copy(ground.kept().join("manifests/000004.json"), ground.kept().join("manifest.json")).expect("copied");
    assert_eq!(ground.state(), state);
    // The files from before can't bring the patient back either, not even as a correction.
    for more in [&[][..], &["--correct"]] {
        let said = ground.good(&[&["ingest", "a", "--into", "kept"], more].concat());
        assert!(said.contains("Nothing was kept"), "{said}");
    }
    assert_eq!(ground.state(), state);
}

#[cfg(unix)]
#[test]
fn files_and_folders_are_the_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let ground = Ground::bare();
    ground.good(&["init", "kept", "--key-file", "key"]);
    ground.part("a", 4);
    ground.good(&["ingest", "a", "--into", "kept", "--key-file", "key"]);
    ground.good(&["withdraw", "a-P0", "--from", "kept", "--key-file", "key"]);
    let mode = |path: &Path| fs::metadata(path).expect("it").permissions().mode() & 0o777;
    for folder in [ground.kept(), ground.kept().join("batches"), ground.kept().join("manifests")] {
        assert_eq!(mode(&folder), 0o700, "{}", folder.display());
    }
    for file in files_below(&ground.kept()).into_iter().chain([ground.path().join("key")]) {
        assert_eq!(mode(&file), 0o600, "{}", file.display());
    }
}

#[test]
fn a_newer_format_is_refused_plainly() {
    let ground = Ground::new();
    let text = fs::read_to_string(ground.kept().join("manifest.json")).expect("it");
    let (_, body) = text.split_once("\"registry\": ").expect("a body");
    let body = body.trim_end_matches("\n}\n").replace("\"format\": 2", "\"format\": 3, \"more\": true");
    let sealed = manebit::registry::durable::digest(body.as_bytes());
    let text = format!("{{\n\"sha256\": \"{sealed}\",\n\"registry\": {body}\n}}\n");
    fs::write(ground.kept().join("manifest.json"), text).expect("written");
    let output = ground.run(&["verify", "kept"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text_of(&output).contains("has format 3; this version reads formats up to 2"), "{}", text_of(&output));
}

fn fixture(format: u32) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/fixtures/registry-format-{format}"))
}

/// Makes the committed registry anew, where it is wanted; only for a new format, since older ones must stay readable.
fn make_fixture(format: u32) {
    let ground = Ground::new();
    ground.part("a", 6);
    ground.part("b", 4);
    ground.files(
        "c",
        &[
            ("corrected.csv", format!("{PLACEMENTS}a-5,a-P2,12,facial,2015-03-06,op,etch_and_rinse,2.5\n")),
            ("visits.csv", format!("{VISITS}a-5,2017-09-10,ex,usphs_3,B,A\n")),
        ],
    );
    for (day, arguments) in [
        ("2020-01-15", &["ingest", "a", "--into", "kept"][..]),
        ("2021-01-15", &["ingest", "b", "--into", "kept"]),
        ("2022-01-15", &["ingest", "c", "--into", "kept", "--correct"]),
        ("2023-01-15", &["withdraw", "a-P0", "--from", "kept"]),
    ] {
        let output = ground.command(arguments).env("MANEBIT_TODAY", day).output().expect("it runs");
        assert!(output.status.success(), "{}", text_of(&output));
    }
    fs::remove_file(ground.kept().join("lock")).expect("removed");
    copy_folder(&ground.kept(), &fixture(format));
}

/// A registry written by any format reads for good.
#[test]
fn the_committed_registries_read_and_grow() {
    let rewriting = std::env::var_os("MANEBIT_REWRITE").is_some_and(|value| value == "1");
    if !fixture(FORMAT).exists() && rewriting {
        make_fixture(FORMAT);
    }
    (1..=FORMAT).for_each(reads_and_grows);
    let rows = |format| fs::read_to_string(fixture(format).with_extension("rows.txt")).expect("rows");
    assert!((2..=FORMAT).all(|format| rows(format) == rows(1)), "the same records, whatever the format");
}

/// A practice may call a column of its own what the registry calls what visits state.
#[test]
fn a_practice_may_have_a_column_of_that_name() {
    for rows in ["3", "1000"] {
        let ground = Ground::new();
        let built_in = ground.good(&["protocol"]);
        let protocol = built_in.replace("own_factors = []", "own_factors = [\"stated\"]");
        assert_ne!(protocol, built_in);
        ground.files("own", &[("p.toml", protocol)]);
        let placed = |n: u32| format!("R{n},P{n},1{},2020-01-10,{}\n", 1 + n, if n == 2 { "" } else { "Boston" });
        let visits = |n: u32| format!("R{n},2021-01-10,usphs_3,A\nR{n},2022-01-10,usphs_3,B\n");
        let all = |row: &dyn Fn(u32) -> String| (0..6).map(row).collect::<String>();
        ground.files(
            "a",
            &[
                ("placements.csv", format!("restoration_id,patient_id,tooth,placed_on,stated\n{}", all(&placed))),
                ("visits.csv", format!("restoration_id,visited_on,scheme,retention\n{}", all(&visits))),
            ],
        );
        let ingest = ["ingest", "a", "--into", "kept", "--protocol", "own/p.toml"];
        let output = ground.command(&ingest).env("MANEBIT_PART_ROWS", rows).output().expect("it runs");
        assert!(output.status.success(), "{}", text_of(&output));
        let kept = ground.read(None);
        let own = kept.placements.0.text("stated").expect("the column");
        assert_eq!(
            own.iter().collect::<Vec<_>>(),
            [Some("Boston"), Some("Boston"), None, Some("Boston"), Some("Boston"), Some("Boston")]
        );
        ground.good(&["review", "kept", "--out", "out", "--by", "stated", "--protocol", "own/p.toml"]);
        let results = fs::read_to_string(ground.path().join("out/results.json")).expect("results");
        assert!(results.contains("Boston"));
        ground.good(&["export", "kept", "--out", "files"]);
        assert!(fs::read_to_string(ground.path().join("files/placements.csv")).expect("exported").contains("Boston"));
    }
}

fn reads_and_grows(format: u32) {
    let fixture = fixture(format);
    let verdict = verify(&fixture).expect("whole");
    assert!(verdict.damages.is_empty(), "{:?}", verdict.damages);
    let registry = Registry::open(&fixture).expect("it opens");
    let manifest = fs::read_to_string(fixture.join("manifest.json")).expect("a manifest");
    assert!(manifest.contains(&format!("\"format\": {format},")), "written by format {format}");
    let counts: Vec<(usize, usize)> = (0..=4)
        .map(|batch| {
            registry.read(Some(batch)).map(|kept| (kept.placements.0.len(), kept.visits.0.len())).expect("it reads")
        })
        .collect();
    assert_eq!(counts, [(0, 0), (4, 8), (8, 16), (8, 17), (8, 17)]);
    let kept = registry.read(None).expect("it reads");
    let expected = fs::read_to_string(fixture.with_extension("rows.txt")).unwrap_or_default();
    let rows = format!("{}\n{}\n", rows_of(kept.placements.0.frame()).join("\n"), rows_of(kept.visits.0.frame()).join("\n"));
    if expected.is_empty() && std::env::var_os("MANEBIT_REWRITE").is_some_and(|value| value == "1") {
        fs::write(fixture.with_extension("rows.txt"), &rows).expect("written");
    } else {
        assert_eq!(rows, expected, "cell by cell as it was written");
    }
    let ground = Ground::bare();
    copy_folder(&fixture, &ground.kept());
    ground.part("n", 3);
    assert!(ground.ingest("n").contains("Batch 5 is kept"));
    assert_eq!(ground.state().placements, 11);
    // Rows of its earlier batches leave, and the others stay as they were kept.
    let before = ground.read(None);
    ground.good(&["withdraw", "b-P0", "--from", "kept"]);
    let after = ground.read(None);
    let of_others = |rows: Vec<String>| -> Vec<String> {
        rows.into_iter().filter(|row| !row.contains("b-0") && !row.contains("b-1")).collect()
    };
    for (before, after) in [(&before.placements.0, &after.placements.0), (&before.visits.0, &after.visits.0)] {
        assert!(after.len() < before.len());
        assert_eq!(of_others(rows_of(before.frame())), rows_of(after.frame()), "format {format}");
    }
    // Its corrections stand in a review, which reads visits piece by piece, as they do in what is exported.
    ground.good(&["export", "kept", "--out", "files"]);
    let [kept, exported] = ["kept", "files"].map(|records| -> serde_json::Value {
        let out = format!("review-of-{records}");
        ground.good(&["review", records, "--out", &out]);
        let text = fs::read_to_string(ground.path().join(out).join("results.json")).expect("results");
        serde_json::from_str(&text).expect("results read")
    });
    for part in ["endpoints", "recalls", "criteria", "totals"] {
        assert!(kept[part].to_string().len() > 50, "{part}");
        assert_eq!(kept[part], exported[part], "{part}, format {format}");
    }
}

#[test]
fn manifests_validate_against_their_schema() {
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas/registry-manifest.schema.json");
    let read = |path: &Path| -> serde_json::Value {
        serde_json::from_str(&fs::read_to_string(path).expect("a file")).expect("JSON")
    };
    let (mut schemas, mut compiler) = (boon::Schemas::new(), boon::Compiler::new());
    compiler.add_resource("schema.json", read(&schema)).expect("a schema");
    let compiled = compiler.compile("schema.json", &mut schemas).expect("a schema of draft 2020-12");
    let mut manifest = read(&fixture(FORMAT).join("manifest.json"));
    assert!(schemas.validate(&manifest, compiled).is_ok());
    manifest["registry"]["batches"][0]["kind"] = serde_json::json!("something");
    assert!(schemas.validate(&manifest, compiled).is_err(), "a wrong kind is noticed");
}

/// A row that was set aside, or a column that was left out, comes in later though the file's bytes are the same.
#[test]
fn the_same_file_is_looked_at_again_row_by_row() {
    let ground = Ground::bare();
    ground.good(&["init", "kept", "--without-key"]);
    let placements = "restoration_id,patient_id,tooth,placed_on\nR1,P1,41,2020-01-10\n";
    let visits = "restoration_id,visited_on,scheme,retention\nR1,2021-01-10,usphs_3,A\nR9,2021-01-10,usphs_3,C\n";
    ground.files("a", &[("placements.csv", placements.to_owned()), ("visits.csv", visits.to_owned())]);
    let first = ground.good(&["ingest", "a", "--into", "kept", "--set-aside", "aside.csv"]);
    assert!(first.contains("visits: 2 received = 1 kept + 0 identical repeats + 1 set aside"), "{first}");
    ground
        .files("a", &[("placements.csv", format!("{placements}R9,P9,42,2020-01-10\n")), ("visits.csv", visits.to_owned())]);
    let second = ground.good(&["ingest", "a", "--into", "kept"]);
    assert!(second.contains("visits: 2 received = 1 kept + 1 identical repeat"), "{second}");
    assert_eq!(ground.read(None).visits.0.len(), 2);
}

/// A correction without a column empties that column in the rows it supersedes; that is said.
#[test]
fn a_correction_tells_which_cells_it_empties() {
    let ground = Ground::bare();
    ground.good(&["init", "kept", "--without-key"]);
    let whole = "restoration_id,patient_id,tooth,placed_on,operator\nR1,P1,41,2020-01-10,op\n";
    ground.files("a", &[("placements.csv", whole.to_owned())]);
    ground.good(&["ingest", "a", "--into", "kept"]);
    let part = "restoration_id,patient_id,tooth,placed_on\nR1,P1,42,2020-01-10\n";
    ground.files("b", &[("placements.csv", part.to_owned())]);
    let said = ground.good(&["ingest", "b", "--into", "kept", "--correct"]);
    assert!(said.contains("empty in the rows that take their place: operator 1."), "{said}");
}
