//! What is generated is what is committed: schemas, sample data, reports. With `MANEBIT_REWRITE=1` in the environment the same
//! tests write the files anew.

use std::fs;
use std::path::{Path, PathBuf};

use manebit::schema::schema_files;

use crate::run::Records;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rewriting() -> bool {
    std::env::var_os("MANEBIT_REWRITE").is_some_and(|value| value == "1")
}

fn compare(committed: &Path, made: impl AsRef<[u8]>) {
    let made = made.as_ref();
    if rewriting() {
        fs::create_dir_all(committed.parent().expect("a folder")).expect("a folder");
        fs::write(committed, made).expect("written");
    }
    let found = fs::read(committed).unwrap_or_else(|error| panic!("{}: {error}", committed.display()));
    assert!(
        found == made,
        "{} is not what is generated; look at the difference, then run with MANEBIT_REWRITE=1",
        committed.display()
    );
}

#[test]
fn schemas_are_those_of_the_types() {
    for file in schema_files() {
        compare(&root().join("schemas").join(file.name), &file.text);
    }
}

fn invented() -> Records {
    let records = Records::new(&[]);
    assert!(records.run(&["invent", "invented"]).status.success());
    records
}

#[test]
fn sample_data_are_what_the_generator_makes() {
    let records = invented();
    for name in ["placements.csv", "visits.csv"] {
        let made = fs::read_to_string(records.path().join("invented").join(name)).expect("made");
        compare(&root().join("sample-data").join(name), &made);
    }
}

fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder").flatten() {
        if entry.path().is_dir() { found.extend(files_below(&entry.path())) } else { found.push(entry.path()) }
    }
    found.sort();
    found
}

/// The review and the comparison of the sample data, on one thread and on three, are the committed ones to the byte.
#[test]
fn reports_are_those_of_the_sample_data_whatever_the_threads() {
    let records = Records::new(&[]);
    let sample = root().join("sample-data").display().to_string();
    let mut all = 0;
    for (command, more, committed) in [
        ("review", &[][..], root().join("reports")),
        ("compare", &["--by", "etch_strategy"][..], root().join("reports/comparison")),
    ] {
        for threads in ["1", "3"] {
            let out = records.path().join(format!("{command}-{threads}"));
            let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
                .args([command, &sample, "--out", &out.display().to_string()])
                .args(more)
                .env("MANEBIT_THREADS", threads)
                .env("POLARS_MAX_THREADS", threads)
                .env("RAYON_NUM_THREADS", threads)
                .output()
                .expect("it runs");
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            let made = files_below(&out);
            assert!(made.len() > 10, "{} files", made.len());
            for file in &made {
                let inside = file.strip_prefix(&out).expect("inside");
                compare(&committed.join(inside), fs::read(file).expect("made"));
            }
            all += if threads == "1" { made.len() } else { 0 };
        }
    }
    for (results, name) in [("reports", "review"), ("reports/comparison", "comparison")] {
        let output = records.run(&["figures", &root().join(results).display().to_string(), "--page", "--out", "others"]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let inside = format!("{name}-for-others.html");
        let made = fs::read(records.path().join("others").join(&inside)).expect("made");
        compare(&root().join("reports/for-others").join(inside), made);
        all += 1;
    }
    all += figures_for_a_talk(&records);
    if !rewriting() {
        let committed = files_below(&root().join("reports")).into_iter().filter(|file| !file.ends_with("README.md")).count();
        assert_eq!(committed, all, "reports/ holds a file that nothing makes");
    }
}

/// Some figures of each kind of results, as a speaker would ask for them; hands back how many files.
fn figures_for_a_talk(records: &Records) -> usize {
    fs::write(records.path().join("times.csv"), times()).expect("written");
    let watched = records.run(&[
        "watch",
        "times.csv",
        "--placed",
        "placed",
        "--days",
        "days",
        "--cause",
        "lost",
        "--cluster",
        "mouth",
        "--unit",
        "operator",
        "--benchmark-rate",
        "0.03",
        "--replicates",
        "2000",
        "--json",
    ]);
    assert!(watched.status.success(), "{}", String::from_utf8_lossy(&watched.stderr));
    fs::write(records.path().join("watched.json"), &watched.stdout).expect("written");
    let comparison = root().join("reports/comparison").display().to_string();
    let asked: [(&str, &str, &str, &str); 4] = [
        (&comparison, "survival", "slide_dark", "svg,png,pdf"),
        (&comparison, "forest", "column", "svg,pdf"),
        ("watched.json", "cusum", "slide_light", "svg"),
        ("watched.json", "funnel", "page_width_grey", "svg"),
    ];
    for (results, chart, preset, formats) in asked {
        let options = ["--chart", chart, "--preset", preset, "--formats", formats, "--out", "talk"];
        let output = records.run(&[&["figures", results], &options[..]].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    let made = files_below(&records.path().join("talk"));
    for file in &made {
        let name = file.file_name().expect("a name");
        compare(&root().join("reports/figures").join(name), fs::read(file).expect("made"));
    }
    made.len()
}

/// When each restoration of the sample data was placed, how long it was followed under loss of retention, and how that ended, as a table.
fn times() -> String {
    use manebit::cohort::follow_up::follow_all;
    use manebit::cohort::select;
    use manebit::finding::Findings;
    use manebit::intake::{IntakeRequest, read_records};
    use manebit::protocol::Protocol;
    use manebit::quantity::Day;
    use manebit::stats::Ending;
    let (sample, protocol) = (root().join("sample-data"), Protocol::built_in());
    let today = Day::from_calendar(2026, 1, 1).expect("a day");
    let request = IntakeRequest { records: &sample, declaration: None, today, own_columns: &[], progress: None };
    let intake = read_records(request, &mut Findings::default()).expect("read").expect("files");
    let histories = select(&intake.placements, &intake.visits, today).expect("laid out");
    let followed = follow_all(&histories, &protocol.endpoints[0], protocol.failure_day);
    let operators = intake.placements.0.text("operator").expect("operators");
    let mut table = "placed,days,lost,mouth,operator\n".to_owned();
    for (place, &restoration) in followed.restoration.iter().enumerate() {
        let restoration = restoration as usize;
        let lost = match followed.observations.ending()[place] {
            Ending::Failed => "1",
            Ending::Censored => "0",
            Ending::Competing => "2",
        };
        let Some(operator) = operators.get(histories.placement_row[restoration] as usize) else { continue };
        table.push_str(&format!(
            "{},{},{lost},m{},{operator}\n",
            Day::from_epoch(histories.placed[restoration]),
            followed.observations.exit()[place],
            followed.observations.cluster()[place],
        ));
    }
    table
}

pub fn valid(schema: &str, instance: &serde_json::Value) -> Result<(), String> {
    let mut schemas = boon::Schemas::new();
    let mut compiler = boon::Compiler::new();
    let text = fs::read_to_string(root().join("schemas").join(schema)).expect("a schema");
    let document = serde_json::from_str(&text).expect("JSON");
    compiler.add_resource("schema.json", document).expect("a schema");
    let compiled = compiler.compile("schema.json", &mut schemas).expect("a schema of draft 2020-12");
    schemas.validate(instance, compiled).map_err(|error| error.to_string())
}

#[test]
fn results_validate_against_their_schema() {
    let text = fs::read_to_string(root().join("reports/results.json")).expect("results");
    let mut results: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    valid("results.schema.json", &results).expect("valid");
    results["totals"]["restorations"] = serde_json::json!("many");
    assert!(valid("results.schema.json", &results).is_err(), "a wrong type is noticed");
}

#[test]
fn every_sample_row_validates_as_a_record() {
    use manebit::simulate::SimulatedPractice;
    for patient in SimulatedPractice::default().patients().take(40) {
        for placement in &patient.placements {
            valid("placement.schema.json", &serde_json::to_value(placement).expect("JSON")).expect("a valid placement");
        }
        for visit in patient.visits.iter().take(3) {
            valid("visit.schema.json", &serde_json::to_value(visit).expect("JSON")).expect("a valid visit");
        }
    }
    let wrong = serde_json::json!({"restoration_id": "R", "patient_id": "P", "tooth": "19", "placed_on": "2020-01-01"});
    assert!(valid("placement.schema.json", &wrong).is_err(), "19 is no ISO 3950 tooth");
}

/// The columns of files are the properties of the schemas, in the same order.
#[test]
fn columns_and_schemas_name_the_same_things() {
    use manebit::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};
    for (schema, columns) in [("placement.schema.json", PLACEMENT_COLUMNS), ("visit.schema.json", VISIT_COLUMNS)] {
        let text = fs::read_to_string(root().join("schemas").join(schema)).expect("a schema");
        let document: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let properties: Vec<&String> = document["properties"].as_object().expect("properties").keys().collect();
        assert_eq!(properties, columns.iter().map(|column| column.name).collect::<Vec<_>>());
    }
}
