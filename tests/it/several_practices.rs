//! Practices that count alike, told apart by what is put before their ids.

use std::fs;

use crate::run::{Records, said};

const PLACEMENTS: &str = "restoration_id,patient_id,tooth,surface,placed_on,operator,replaces_restoration\n\
    f1,17,14,buccal,2022-03-01,A,no\n\
    f2,17,15,buccal,2022-03-02,A,f1\n\
    f3,18,25,buccal,2022-03-03,\"B\",yes\n";
const VISITS: &str = "restoration_id,visited_on,examiner,outcome\n\
    f1,2023-03-01,B,in_place\n\
    f2,2023-03-01,B,in_place\n\
    f3,2023-03-01,B,lost\n";
const DECLARED: &str = "[[files]]\nname = \"north-*\"\nids_begin_with = \"n-\"\n\
    [[files]]\nname = \"south-*\"\nids_begin_with = \"s-\"\n";

fn two_practices(declared: &str) -> Records {
    let (placements, visits) = (PLACEMENTS.as_bytes(), VISITS.as_bytes());
    Records::new(&[
        ("north-p.csv", placements),
        ("north-v.csv", visits),
        ("south-p.csv", placements),
        ("south-v.csv", visits),
        ("records.toml", declared.as_bytes()),
    ])
}

/// The columns of a CSV file, by name.
fn column(path: &std::path::Path, name: &str) -> Vec<String> {
    let mut reader = csv::Reader::from_path(path).expect("a table");
    let place = reader.headers().expect("a header").iter().position(|header| header == name).expect("the column");
    reader.records().map(|row| row.expect("a row")[place].to_owned()).collect()
}

#[test]
fn ids_of_two_practices_stay_apart_from_csv_and_from_parquet() {
    let records = two_practices(DECLARED);
    let output = records.run(&["export", "records", "--out", "files", "--form", "csv"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let (placements, visits) = (records.path().join("files/placements.csv"), records.path().join("files/visits.csv"));
    let both = |ids: &[&str]| -> Vec<String> {
        ["n-", "s-"].iter().flat_map(|begin| ids.iter().map(move |id| format!("{begin}{id}"))).collect()
    };
    assert_eq!(column(&placements, "restoration_id"), both(&["f1", "f2", "f3"]));
    assert_eq!(column(&placements, "patient_id"), both(&["17", "17", "18"]));
    assert_eq!(column(&placements, "operator"), both(&["A", "A", "B"]));
    // Yes and no stay; an id is that of the same practice.
    assert_eq!(column(&placements, "replaces_restoration"), ["no", "n-f1", "yes", "no", "s-f1", "yes"]);
    assert_eq!(column(&visits, "restoration_id"), both(&["f1", "f2", "f3"]));
    assert_eq!(column(&visits, "examiner"), both(&["B", "B", "B"]));
    let review = records.review(&[]);
    assert_eq!((review.endpoints[0].all.behind.observations, review.endpoints[0].all.behind.clusters), (6, 4));

    // The same where the files are columns already.
    let one = Records::new(&[("p.csv", PLACEMENTS.as_bytes()), ("v.csv", VISITS.as_bytes())]);
    assert!(one.run(&["export", "records", "--out", "out", "--form", "parquet"]).status.success());
    let declared = "[[files]]\nname = \"*.parquet\"\nids_begin_with = \"n-\"\n";
    fs::write(one.path().join("out/records.toml"), declared).expect("written");
    let output = one.run(&["export", "out", "--out", "again", "--form", "csv"]);
    assert!(output.status.success(), "{}", said(&one, &output));
    let placements = one.path().join("again/placements.csv");
    assert_eq!(column(&placements, "restoration_id"), ["n-f1", "n-f2", "n-f3"]);
    assert_eq!(column(&placements, "replaces_restoration"), ["no", "n-f1", "yes"]);
    assert_eq!(column(&placements, "operator"), ["n-A", "n-A", "n-B"]);
}

#[test]
fn what_is_declared_of_a_value_stays_as_declared() {
    let declared =
        format!("{DECLARED}[files.values.operator]\n\"B\" = \"guest\"\n[files.constants]\nsource = \"examined\"\n");
    let records = two_practices(&declared);
    assert!(records.run(&["export", "records", "--out", "out", "--form", "csv"]).status.success());
    let operators = column(&records.path().join("out/placements.csv"), "operator");
    assert_eq!(operators, ["n-A", "n-A", "n-B", "s-A", "s-A", "guest"]);
    assert_eq!(column(&records.path().join("out/visits.csv"), "source")[3..], ["examined"; 3]);
}

#[test]
fn a_row_that_could_not_be_read_is_known_by_its_whole_id() {
    // The placement of n-f4 is too short; its visit is no orphan besides.
    let placements = format!("{PLACEMENTS}f4,19\n");
    let visits = format!("{VISITS}f4,2023-03-01,B,in_place\n");
    let declared = "[[files]]\nname = \"*.csv\"\nids_begin_with = \"n-\"\n";
    let files = [("p.csv", placements.as_bytes()), ("v.csv", visits.as_bytes()), ("records.toml", declared.as_bytes())];
    let records = Records::new(&files);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 1") && text.contains("The row has 2 cells, the header 7"), "{text}");
    assert!(!text.contains("n-f4"), "{text}");
}

#[test]
fn a_file_whose_entry_cannot_be_told_is_refused() {
    let two = format!("{DECLARED}[[files]]\nname = \"*-p.csv\"\n");
    let one = "[[files]]\nname = \"north-*\"\nids_begin_with = \"n-\"\n";
    let without = format!("{one}[[files]]\nname = \"south-*\"\nholds = \"placements\"\n");
    for (declared, expected) in [
        (two.as_str(), "Several entries in records.toml fit it: north-*, *-p.csv"),
        (one, "For others records.toml says what ids begin with"),
        (without.as_str(), "For others records.toml says what ids begin with"),
        ("[[files]]\nname = \"west.csv\"\n", "It declares a file that is not among the record files"),
        ("[[files]]\nname = \"*\"\nids_begin_with = \"n\"\n", "one of these three signs at its end"),
        ("[[files]]\nname = \"*-p.csv\"\n[files.constants]\noperator = \"Z\"\n", "the file has a column of it"),
        ("[[files]]\nname = \"*\"\n[files.constants]\npractice = \"Z\"\n", "given with --protocol"),
        ("[[files]]\nname = \"*\"\nids_begin_with = \"no rth\"\n", "ids_begin_with = \"no rth\": up to 16 letters"),
    ] {
        let records = two_practices(declared);
        let text = said(&records, &records.run(&["check", "records"]));
        assert!(text.starts_with("exit 1") && text.contains(expected), "{expected}\n{text}");
    }
    // An entry with the file's very name goes before one with an asterisk, and nothing may be put before ids.
    let named = format!(
        "{one}[[files]]\nname = \"south-*\"\nids_begin_with = \"\"\n[[files]]\nname = \"south-p.csv\"\nids_begin_with = \"\"\n"
    );
    let records = two_practices(&named);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 0"), "{text}");
}

#[test]
fn an_entry_may_fit_no_file_this_year() {
    let records = two_practices(&format!("{DECLARED}[[files]]\nname = \"west-*\"\nids_begin_with = \"w-\"\n"));
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 0") && text.contains("declaration-unused 1"), "{text}");
}

#[test]
fn rows_set_aside_keep_the_ids_of_the_file_they_came_from() {
    let records = two_practices(DECLARED);
    let file = records.path().join("records/south-p.csv");
    fs::write(&file, PLACEMENTS.replace("f3,18,25", "f3,18,99")).expect("written");
    let output = records.run(&["check", "records", "--set-aside", "north-aside.csv"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let aside = fs::read_dir(records.path()).expect("a folder").flatten().map(|entry| entry.path());
    let aside = aside.filter(|path| path.to_string_lossy().contains("north-aside")).collect::<Vec<_>>();
    assert!(!aside.is_empty());
    for path in &aside {
        let text = fs::read_to_string(path).expect("set aside").replace("f3,18,99", "f3,18,25");
        fs::write(records.path().join("records").join(path.file_name().expect("a name")), text).expect("mended");
    }
    fs::write(&file, PLACEMENTS.lines().take(3).map(|line| format!("{line}\n")).collect::<String>()).expect("written");
    fs::write(
        records.path().join("records/south-v.csv"),
        VISITS.lines().take(3).map(|line| format!("{line}\n")).collect::<String>(),
    )
    .expect("written");
    let output = records.run(&["export", "records", "--out", "files", "--form", "csv"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let ids = column(&records.path().join("files/placements.csv"), "restoration_id");
    assert!(ids.contains(&"s-f3".to_owned()) && ids.len() == 6, "{ids:?}");
}

#[test]
fn the_same_files_under_other_ids_are_refused() {
    let records = two_practices(DECLARED);
    for arguments in [&["init", "kept", "--without-key"][..], &["ingest", "records", "--into", "kept"]] {
        let output = records.run(arguments);
        assert!(output.status.success(), "{}", said(&records, &output));
    }
    fs::write(records.path().join("records/records.toml"), DECLARED.replace("n-", "north-").replace("s-", "south-"))
        .expect("written");
    let text = said(&records, &records.run(&["ingest", "records", "--into", "kept"]));
    assert!(text.starts_with("exit 1") && text.contains("every filling would be kept twice"), "{text}");
    fs::write(records.path().join("records/records.toml"), DECLARED).expect("written");
    let text = said(&records, &records.run(&["ingest", "records", "--into", "kept"]));
    assert!(text.starts_with("exit 0") && text.contains("Nothing new"), "{text}");
}

#[test]
fn one_and_nought_beside_ids_are_doubted() {
    let placements = PLACEMENTS.replace("\"B\",yes", "B,1");
    let records = Records::new(&[("p.csv", placements.as_bytes()), ("v.csv", VISITS.as_bytes())]);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 0") && text.contains("replaced-unknown 1"), "{text}");
    // Where no row names a restoration, they are yes and no.
    let records = Records::new(&[("p.csv", placements.replace(",f1\n", ",0\n").as_bytes()), ("v.csv", VISITS.as_bytes())]);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 0") && !text.contains("replaced-unknown"), "{text}");
}
