//! What is exported is read in again cell by cell, in every form; exports are whole, new, and their owner's alone.

use std::fs;
use std::path::Path;

use manebit::export::{ExportError, Form, Source, Tables, Written, write_export};
use manebit::finding::{FindingKind, Findings, Severity};
use manebit::intake::{Intake, IntakeRequest, cell, read_records};
use manebit::quantity::Day;
use manebit::record::{Cell, Coded, Column, Criterion, PLACEMENT_COLUMNS, RecordKind, Scheme, Tooth, VISIT_COLUMNS};
use manebit::registry::Kept;
use manebit::table::{ColumnBuilder, PlacementTable, RecordTable, VisitTable};
use manebit::wording::escape_spreadsheet;
use polars::prelude::DataFrame;
use proptest::prelude::*;

use crate::registry_ground::{Ground, PLACEMENTS, VISITS, copy_folder, files_below, rows_of, text_of};

const FORMS: [(&str, Form); 4] =
    [("csv", Form::Csv), ("xlsx", Form::Workbook), ("parquet", Form::Parquet), ("jsonl", Form::JsonLines)];

/// Own columns of the ugly registry.
const OWN: [&str; 2] = ["chair", "-Nächste Stufe"];

/// The rows of a table in their order, cell by cell, without where they came from.
fn cells(table: &RecordTable) -> Vec<String> {
    let frame: DataFrame = table.frame().drop_many(["from_file", "from_row"]);
    let names: Vec<String> = frame.get_column_names().iter().map(|name| name.to_string()).collect();
    (0..frame.height())
        .map(|row| {
            names
                .iter()
                .map(|name| format!("{name}={:?}|", frame.column(name).expect("it").get(row).expect("a row")))
                // How the table engine holds a text is no part of it.
                .map(|cell| cell.replace("=StringOwned(", "=String("))
                .collect()
        })
        .collect()
}

/// Writes tables without columns of the practice's own.
fn written(out: &Path, form: Form, placements: &PlacementTable, visits: &VisitTable) -> Result<Written, ExportError> {
    write_export(out, form, &Tables { placements, visits, own_columns: &[] }, |_, _| false, &|_| ())
}

/// Exports in every form, reads each into a new registry, and holds the tables and a second export against the first ones.
fn round_trips(ground: &Ground, protocol: Option<&str>) {
    let kept = ground.read(None);
    let own: Vec<&str> = protocol.iter().flat_map(|protocol| ["--protocol", protocol]).collect();
    for (form, _) in FORMS {
        ground.good(&["export", "kept", "--out", &format!("out-{form}"), "--form", form]);
        let fresh = format!("fresh-{form}");
        ground.good(&["init", &fresh, "--without-key"]);
        let out = format!("out-{form}");
        ground.good(&[&["ingest", &out, "--into", &fresh][..], &own].concat());
        let again: Kept = manebit::registry::Registry::open(&ground.path().join(&fresh))
            .and_then(|registry| registry.read(None))
            .unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(cells(&kept.placements.0), cells(&again.placements.0), "{form}");
        assert_eq!(cells(&kept.visits.0), cells(&again.visits.0), "{form}");
        ground.good(&["export", &fresh, "--out", &format!("again-{form}"), "--form", form]);
        let files = files_below(&ground.path().join(format!("out-{form}")));
        assert_eq!(files.len(), if form == "xlsx" { 1 } else { 2 });
        for file in files {
            let other = ground.path().join(format!("again-{form}")).join(file.file_name().expect("a name"));
            assert!(fs::read(&file).expect("it") == fs::read(other).expect("it"), "{} differs", file.display());
        }
    }
    println!("{} placements and {} visits came back from four forms", kept.placements.0.len(), kept.visits.0.len());
}

#[test]
fn an_invented_practice_comes_back_in_every_form() {
    let ground = Ground::new();
    ground.good(&["invent", "invented", "--restorations", "300"]);
    ground.ingest("invented");
    round_trips(&ground, None);
}

/// Texts that tempt a form to change them.
const TEXTS: [&str; 31] = [
    "a,b",
    "say \"so\"",
    "\"",
    "007",
    "1e5",
    "Ünïcödé 歯 🦷",
    "=1+1",
    "'=1+1",
    "''=1+1",
    "-5",
    "'-5",
    "-5a",
    "+x",
    "'0012",
    "'",
    "TRUE",
    "2024-03-31",
    "44654",
    "_x000D_",
    "a;b\tc",
    "<b>&amp;",
    "null",
    "\u{feff}mark",
    "{\"a\":1}",
    "con\u{1}trol\u{b}led",
    "no\u{fffe}sign\u{ffff}",
    "next\u{85}line",
    "line\u{2028}parted",
    "a  b",
    "_xD83D__xDCF7_",
    "\\n",
];

/// A text as record files give it: intake takes one apostrophe off.
fn given(text: &str) -> String {
    escape_spreadsheet(text).into_owned()
}

/// A registry with every term, scheme, score and extreme, own columns, a correction and a withdrawal.
fn ugly() -> Ground {
    let ground = Ground::bare();
    ground.good(&["init", "kept", "--without-key"]);
    let protocol = ground.good(&["protocol"]);
    let own = protocol.replace("own_factors = []", &format!("own_factors = {OWN:?}"));
    assert_ne!(own, protocol);
    fs::write(ground.path().join("p.toml"), own).expect("written");
    let teeth: Vec<u8> = (0..=u8::MAX).filter(|number| Tooth::from_iso(*number).is_some()).collect();
    let most = PLACEMENT_COLUMNS
        .iter()
        .map(|column| if let Cell::Term(terms) = column.cell { terms.len() } else { 0 })
        .max()
        .expect("columns");
    let numbers = ["least", "most", "0.30000000000000004", "1.1", "3"];
    let count = most.max(teeth.len()).max(TEXTS.len());
    let (mut placements, mut visits) = (String::new(), String::new());
    let ids: Vec<String> = (0..count).map(|n| if n < TEXTS.len() { TEXTS[n].to_owned() } else { format!("r{n}") }).collect();
    for (n, id) in ids.iter().enumerate() {
        let mut row = serde_json::Map::new();
        for column in PLACEMENT_COLUMNS {
            let value = match column.cell {
                Cell::Tooth => teeth[n % teeth.len()].to_string(),
                Cell::Term(terms) => match column.name {
                    // These two speak of each other.
                    "etch_strategy" => ["etch_and_rinse", "self_etch", "selective_enamel_etch"][n % 3].to_owned(),
                    "adhesive_class" if n % 3 != 0 => "universal".to_owned(),
                    "adhesive_class" => match terms[n / 3 % terms.len()].code {
                        code if code.contains("self_etch") => "universal".to_owned(),
                        code => code.to_owned(),
                    },
                    _ => terms[n % terms.len()].code.to_owned(),
                },
                Cell::Day if column.name == "entered_on" => "2015-03-01".to_owned(),
                Cell::Day => ["1955-01-01", "2000-02-29", "2012-12-31"][n % 3].to_owned(),
                Cell::Number { possible, .. } => match numbers[n % numbers.len()] {
                    "least" => possible.least.to_string(),
                    "most" => possible.most.to_string(),
                    number if possible.holds(number.parse().expect("a number")) => number.to_owned(),
                    _ => format!("{}", (possible.least + possible.most) / 3.0),
                },
                Cell::Grade { .. } => (1 + n % 4).to_string(),
                Cell::Text => given(&match column.name {
                    "restoration_id" => id.clone(),
                    "patient_id" => format!("{}-{n}", TEXTS[n % TEXTS.len()].replace('@', "")),
                    "shades" if n % 2 == 0 => format!("A2\n{n}\r\nB1"),
                    "replaces_restoration" => ids[(n + 1) % ids.len()].clone(),
                    _ => TEXTS[(n + column.name.len()) % TEXTS.len()].to_owned(),
                }),
                Cell::Score(_) => unreachable!("placements have no scores"),
            };
            row.insert(column.name.to_owned(), value.into());
        }
        for (place, own) in OWN.iter().enumerate() {
            if (n + place) % 3 != 0 {
                row.insert((*own).to_owned(), given(TEXTS[(n * 7 + place) % TEXTS.len()]).into());
            }
        }
        placements += &format!("{}\n", serde_json::Value::Object(row));
    }
    // Tiny numbers, and a row with nothing but what must be there.
    placements += "{\"restoration_id\":\"tiny\",\"patient_id\":\"t\",\"tooth\":41,\"placed_on\":\"2012-01-01\",\
        \"etch_dentine_s\":\"0.0000001\",\"preop_sensitivity\":\"-0\"}\n";
    placements += "{\"restoration_id\":\"bare\",\"patient_id\":\"t\",\"tooth\":\"42\",\"placed_on\":\"2012-01-01\"}\n";
    let mut n = 0_usize;
    let day = |days: usize| Day::from_epoch(i32::try_from(days).expect("a day")).to_string();
    for scheme in (0..).map_while(Scheme::from_index) {
        for criterion in Criterion::ALL.into_iter().filter(|criterion| *criterion != Criterion::Retention) {
            for level in scheme.levels(criterion) {
                let id = given(&ids[n % ids.len()]);
                visits += &format!(
                    "{}\n",
                    serde_json::json!({
                        "restoration_id": id, "visited_on": day(17_000 + n), "examiner": given(TEXTS[n % TEXTS.len()]),
                        "scheme": scheme.code(), criterion_column(criterion): level.score.to_string(), "source": "examined", "retention": scheme.levels(Criterion::Retention)[0].score.to_string(),
                    })
                );
                n += 1;
            }
        }
    }
    for column in VISIT_COLUMNS {
        let (Cell::Term(terms), true) = (column.cell, ["outcome", "source", "reason"].contains(&column.name)) else {
            continue;
        };
        for term in terms {
            visits += &format!(
                "{}\n",
                serde_json::json!({
                    "restoration_id": given(&ids[n % ids.len()]), "visited_on": day(18_000 + n),
                    "outcome": if column.name == "outcome" { term.code } else { "refurbished" },
                    "outcome_on": day(17_999 + n),
                    column.name: term.code,
                })
            );
            n += 1;
        }
    }
    ground.files("ugly", &[("placements.jsonl", placements), ("visits.jsonl", visits)]);
    ground.good(&["ingest", "ugly", "--into", "kept", "--protocol", "p.toml"]);
    ground.files(
        "corrected",
        &[(
            "placements.csv",
            format!(
                "{PLACEMENTS}bare,t,42,lingual,2012-02-01,\"'=op\",self_etch,0.7\nnew,w,43,facial,2012-02-01,op,self_etch,0.7\n"
            ),
        )],
    );
    ground.good(&["ingest", "corrected", "--into", "kept", "--correct"]);
    ground.good(&["withdraw", "w", "--from", "kept"]);
    ground
}

fn criterion_column(criterion: Criterion) -> &'static str {
    let of = |column: &&Column| matches!(column.cell, Cell::Score(one) if one == criterion);
    VISIT_COLUMNS.iter().find(of).expect("a column").name
}

#[test]
fn an_ugly_registry_comes_back_in_every_form() {
    let ground = ugly();
    let kept = ground.read(None);
    for table in [&kept.placements.0, &kept.visits.0] {
        let names = table.frame().get_column_names();
        let empty: Vec<_> =
            names.iter().filter(|name| table.frame().column(name).expect("it").null_count() == table.len()).collect();
        assert!(empty.is_empty(), "every column is filled: {empty:?}");
    }
    assert_eq!(kept.own_columns, OWN);
    let operators = kept.placements.0.text("operator").expect("it");
    let ids = kept.placements.0.text("restoration_id").expect("it");
    let bare = ids.iter().position(|id| id == Some("bare")).expect("it is there");
    assert_eq!(operators.get(bare), Some("=op"), "the apostrophe is taken off");
    for text in TEXTS {
        assert!(ids.iter().any(|id| id == Some(text)), "{text}");
    }
    round_trips(&ground, Some("p.toml"));
    let csv = fs::read_to_string(ground.path().join("out-csv/placements.csv")).expect("it");
    for formula in ["=1+1", "+x", "-5a", "=op"] {
        for before in ["\n", ",", ",\""] {
            assert!(!csv.contains(&format!("{before}{formula}")), "{formula} would run");
        }
        assert!(csv.contains(&format!("'{formula}")), "{formula}");
    }
    assert!(csv.starts_with("\u{feff}restoration_id,patient_id,tooth,"));
    let said = ground.good(&["export", "kept", "--out", "said"]);
    assert!(said.contains("chair, -Nächste Stufe. To read them in again, name them under own_factors"), "{said}");
    assert!(said.contains("pseudonyms or ids") && !said.contains("read in again as"), "{said}");
}

#[test]
fn an_earlier_batch_is_exported_as_it_stood() {
    let ground = Ground::new();
    for part in ["a", "b"] {
        ground.part(part, 4);
        ground.ingest(part);
    }
    let said = ground.good(&["export", "kept", "--out", "first", "--batch", "1"]);
    assert!(said.contains("kept, batch 1: 4 placements and 8 visits"), "{said}");
    let text = fs::read_to_string(ground.path().join("first/placements.csv")).expect("it");
    assert!(text.contains("a-3,") && !text.contains("b-0"));
    assert!(!text.contains("aetiology"), "columns without any value are left out");
    let output = ground.run(&["export", "kept", "--out", "third", "--batch", "3"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text_of(&output).contains("There is no batch 3"));
    let output = ground.run(&["export", "kept", "--out", "none", "--batch", "0"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text_of(&output).contains("keeps no records"), "{}", text_of(&output));
    assert!(!ground.path().join("third").exists() && !ground.path().join("none").exists());
}

#[test]
fn placements_without_visits_make_one_file() {
    let ground = Ground::new();
    ground.files("a", &[("p.csv", format!("{PLACEMENTS}r,p,44,facial,2015-03-01,op,,\n"))]);
    ground.ingest("a");
    round_trips_placements(&ground);
    assert!(!ground.path().join("out-csv/visits.csv").exists());
}

fn round_trips_placements(ground: &Ground) {
    for (form, _) in FORMS {
        let said = ground.good(&["export", "kept", "--out", &format!("out-{form}"), "--form", form]);
        assert!(said.contains(": 1 placement\n"), "{said}");
        ground.good(&["check", &format!("out-{form}")]);
    }
}

#[test]
fn record_files_are_turned_into_another_form() {
    let ground = Ground::new();
    ground.part("a", 4);
    let said = ground.good(&["export", "a", "--out", "turned", "--form", "parquet"]);
    assert!(said.contains("a: 4 placements and 8 visits") && said.contains("placements.parquet: 4 placements"), "{said}");
    ground.ingest("turned");
    let kept = ground.read(None);
    ground.good(&["init", "other", "--without-key"]);
    ground.good(&["ingest", "a", "--into", "other"]);
    let other = manebit::registry::Registry::open(&ground.path().join("other")).expect("it").read(None).expect("it");
    assert_eq!(cells(&kept.placements.0), cells(&other.placements.0));
    assert_eq!(rows_of(kept.visits.0.frame()).len(), 8);
    ground.files("bad", &[("visits.csv", format!("{VISITS}x,2015-09-10,ex,usphs_3,E,A\n"))]);
    let output = ground.run(&["export", "bad", "--out", "worse"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(!ground.path().join("worse").exists());
    let output = ground.run(&["export", "kept", "--out", "o", "--protocol", "p.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text_of(&output).contains("leave --protocol out"), "{}", text_of(&output));
}

#[test]
fn nothing_is_written_over_nor_into_the_source() {
    let ground = Ground::new();
    ground.part("a", 2);
    ground.ingest("a");
    fs::create_dir(ground.path().join("out")).expect("made");
    fs::write(ground.path().join("out/visits.csv"), "mine").expect("written");
    let output = ground.run(&["export", "kept", "--out", "out"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(text_of(&output).contains("visits.csv is there already and is not written over"), "{}", text_of(&output));
    assert_eq!(files_below(&ground.path().join("out")).len(), 1);
    assert_eq!(fs::read(ground.path().join("out/visits.csv")).expect("it"), b"mine");
    for out in ["kept", "kept/batches/new", "a"] {
        let source = if out == "a" { "a" } else { "kept" };
        let before = files_below(&ground.path().join(source));
        let output = ground.run(&["export", source, "--out", out, "--form", "jsonl"]);
        assert_eq!(output.status.code(), Some(2), "{}", text_of(&output));
        assert_eq!(files_below(&ground.path().join(source)), before);
    }
    // Beside another file of another name there is room.
    ground.good(&["export", "kept", "--out", "out", "--form", "xlsx"]);
}

#[cfg(unix)]
#[test]
fn exported_files_are_the_owners_alone() {
    use std::os::unix::fs::PermissionsExt;
    let ground = Ground::new();
    ground.part("a", 2);
    ground.ingest("a");
    for (form, _) in FORMS {
        ground.good(&["export", "kept", "--out", "out/deep", "--form", form]);
    }
    let mode = |path: &Path| fs::metadata(path).expect("it").permissions().mode() & 0o777;
    assert_eq!(mode(&ground.path().join("out/deep")), 0o700);
    for file in files_below(&ground.path().join("out")) {
        assert_eq!(mode(&file), 0o600, "{}", file.display());
    }
}

#[test]
fn a_folder_that_cant_be_made_is_a_sentence() {
    let ground = Ground::new();
    ground.part("a", 2);
    ground.ingest("a");
    fs::write(ground.path().join("file"), "x").expect("written");
    for (form, _) in FORMS {
        let output = ground.run(&["export", "kept", "--out", "file/deep", "--form", form]);
        assert_eq!(output.status.code(), Some(3));
        assert!(
            text_of(&output).contains("can't be written") && text_of(&output).contains("Mend: "),
            "{}",
            text_of(&output)
        );
    }
}

#[cfg(unix)]
#[test]
fn a_full_disk_leaves_nothing_behind() {
    let ground = Ground::new();
    ground.part("a", 2000);
    ground.ingest("a");
    let mut refused = 0;
    for (form, _) in FORMS {
        // Files may grow to so many blocks; then the system refuses.
        let script =
            format!("trap '' XFSZ; ulimit -f 8; exec {} export kept --out out --form {form}", env!("CARGO_BIN_EXE_manebit"));
        let output =
            std::process::Command::new("bash").args(["-c", &script]).current_dir(ground.path()).output().expect("it runs");
        let text = text_of(&output);
        assert_eq!(output.status.code(), Some(3), "{form}: {text}");
        assert!(text.contains("can't be written: ") && text.contains("Mend: check free space"), "{text}");
        assert!(!ground.path().join("out").exists(), "{form}");
        refused += 1;
    }
    assert_eq!(refused, 4);
}

/// So many rows without any value.
fn empty_table(rows: usize, kind: RecordKind) -> RecordTable {
    let columns = kind.columns().iter().map(|column| {
        let mut empty = ColumnBuilder::new(column.name, column.cell);
        (0..rows).for_each(|_| empty.push_none());
        empty.finish()
    });
    RecordTable::new(DataFrame::new(rows, columns.collect()).expect("a frame"), Vec::new())
}

#[test]
fn more_rows_than_a_sheet_holds_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("out");
    let placements = PlacementTable(empty_table(1, RecordKind::Placement));
    let visits = VisitTable(empty_table(1_048_576, RecordKind::Visit));
    let error = written(&out, Form::Workbook, &placements, &visits).expect_err("too many").to_string();
    assert!(error.contains("there are 1048576 visits") && error.contains("--form csv or --form parquet"), "{error}");
    assert!(!out.exists());
}

#[test]
fn a_text_longer_than_a_cell_holds_is_refused() {
    let ground = Ground::new();
    let shades = |letters: usize| "A".repeat(letters);
    for (name, letters) in [("fits", 32_767), ("long", 32_768)] {
        let row = format!("{name},p-{name},44,2015-03-01,{}\n", shades(letters));
        ground.files(name, &[("p.csv", format!("restoration_id,patient_id,tooth,placed_on,shades\n{row}"))]);
        ground.ingest(name);
    }
    ground.good(&["export", "kept", "--out", "fits-out", "--form", "xlsx", "--batch", "1"]);
    ground.good(&["check", "fits-out"]);
    let output = ground.run(&["export", "kept", "--out", "out", "--form", "xlsx"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(text_of(&output).contains("a text among the placements, column shades, is longer"), "{}", text_of(&output));
    assert!(!ground.path().join("out").exists());
    ground.good(&["export", "kept", "--out", "out", "--form", "csv"]);
    ground.good(&["check", "out"]);
}

#[test]
fn texts_that_no_record_file_holds_are_said() {
    let ground = Ground::new();
    // A lone carriage return outside quotation marks gets in, and would not again.
    ground.files("a", &[("p.csv", format!("{PLACEMENTS}r\rx,p,44,facial,2015-03-01,op,,\n"))]);
    ground.ingest("a");
    let said = ground.good(&["export", "kept", "--out", "out"]);
    assert!(
        said.contains("1 text can't be read in again as it stands, the first: restoration_id of restoration r"),
        "{said}"
    );
}

#[test]
fn help_and_words_of_export() {
    let ground = Ground::new();
    ground.part("a", 3);
    ground.ingest("a");
    insta::assert_snapshot!("help_of_export", ground.good(&["export", "--help"]));
    insta::assert_snapshot!("an_export", ground.good(&["export", "kept", "--out", "out", "--form", "xlsx"]));
}

/// Text of a column as intake may have taken it.
fn any_text(column: &'static str) -> impl Strategy<Value = String> {
    let texts = if ["shades", "adhesive_lot", "composite_lot"].contains(&column) {
        "[a-z0-9'\"=+é歯 \n-]{1,9}"
    } else {
        "[a-z0-9',;\"=+é歯<&_x-]{1,9}"
    };
    texts.prop_filter("as intake takes them", move |text| {
        let good = cell::text(text, column).is_ok() && cell::tells_who(text).is_none() && cell::pseudonym(text).is_ok();
        good && text.trim() == text
    })
}

/// A cell as intake writes it in JSON lines, that is, with the apostrophe that it takes off.
fn any_cell(column: &'static Column) -> BoxedStrategy<Option<String>> {
    let value = match column.cell {
        Cell::Text => any_text(column.name).prop_map(|text| given(&text)).boxed(),
        Cell::Tooth => (0..=u8::MAX).prop_filter_map("a tooth", Tooth::from_iso).prop_map(|tooth| tooth.to_string()).boxed(),
        Cell::Day => (-5_000..20_000).prop_map(|day| Day::from_epoch(day).to_string()).boxed(),
        Cell::Number { possible, .. } => (possible.least..possible.most).prop_map(|number| number.to_string()).boxed(),
        Cell::Grade { .. } => (1..5_u8).prop_map(|grade| grade.to_string()).boxed(),
        Cell::Term(terms) => (0..terms.len()).prop_map(move |place| terms[place].code.to_owned()).boxed(),
        // B is a score of every criterion in the scheme with the most letters.
        Cell::Score(_) => proptest::sample::select(vec!["A", "B"]).prop_map(str::to_owned).boxed(),
    };
    let always = column.need == manebit::record::Need::Required || column.name == "outcome";
    match column.name {
        "scheme" => Just(Some("usphs_4".to_owned())).boxed(),
        _ if always => value.prop_map(Some).boxed(),
        _ => proptest::option::of(value).boxed(),
    }
}

fn any_rows(columns: &'static [Column]) -> impl Strategy<Value = String> {
    let cells: Vec<BoxedStrategy<Option<String>>> = columns.iter().map(any_cell).collect();
    proptest::collection::vec(cells, 1..12).prop_map(move |rows| {
        rows.into_iter()
            .map(|row| {
                let cells =
                    columns.iter().zip(row).filter_map(|(column, cell)| Some((column.name.to_owned(), cell?.into())));
                format!("{}\n", serde_json::Value::Object(cells.collect()))
            })
            .collect()
    })
}

fn intake(folder: &Path) -> Intake {
    let mut findings = Findings::default();
    let request = IntakeRequest {
        records: folder,
        declaration: None,
        today: Day::from_epoch(25_000),
        own_columns: &[],
        progress: None,
    };
    let intake = read_records(request, &mut findings).expect("read").expect("files");
    let wrong: Vec<_> = findings
        .sorted()
        .into_iter()
        .filter(|found| found.kind.severity() == Severity::Error && found.kind != FindingKind::ContradictoryTechnique)
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    intake
}

/// Tables that come in pieces cut at some rows, and not at all from one asking on; counts how often they were asked for.
struct Cut<'a> {
    tables: Tables<'a>,
    cuts: &'a [usize],
    asked: std::cell::Cell<usize>,
    fails_from: usize,
}

impl<'a> Cut<'a> {
    fn of(placements: &'a PlacementTable, visits: &'a VisitTable, cuts: &'a [usize]) -> Self {
        let tables = Tables { placements, visits, own_columns: &[] };
        Self { tables, cuts, asked: std::cell::Cell::new(0), fails_from: usize::MAX }
    }
}

impl Source for Cut<'_> {
    type Error = ExportError;

    fn own_columns(&self) -> &[String] {
        self.tables.own_columns()
    }

    fn pieces<T: Send>(
        &self,
        kind: RecordKind,
        make: impl Fn(RecordTable) -> Result<T, ExportError> + Sync,
        mut take: impl FnMut(T) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        self.asked.set(self.asked.get() + 1);
        if self.asked.get() >= self.fails_from {
            return Err(ExportError::Fault("a file went".to_owned()));
        }
        let table = self.tables.table(kind);
        let mut ends: Vec<usize> = self.cuts.iter().map(|cut| *cut % (table.len() + 1)).collect();
        ends.extend([0, table.len()]);
        ends.sort_unstable();
        ends.windows(2).try_for_each(|ends| take(make(table.rows(ends[0], ends[1] - ends[0]))?))
    }
}

/// Placements P1 to P4 of which the cells of some columns are given.
fn placements_with(columns: &[(&str, [&str; 4])]) -> PlacementTable {
    let columns = RecordKind::Placement.columns().iter().map(|column| {
        let mut builder = ColumnBuilder::new(column.name, column.cell);
        for row in 0..4 {
            let given = columns.iter().find(|(name, _)| *name == column.name).map(|(_, cells)| cells[row]);
            match (&mut builder, given) {
                (ColumnBuilder::Text(texts), Some(text)) => texts.append_value(text),
                (ColumnBuilder::Text(texts), None) if column.name == "restoration_id" => {
                    texts.append_value(format!("P{}", row + 1));
                }
                (builder, _) => builder.push_none(),
            }
        }
        builder.finish()
    });
    PlacementTable(RecordTable::new(DataFrame::new(4, columns.collect()).expect("a frame"), Vec::new()))
}

#[test]
fn the_first_odd_text_is_that_of_the_first_column_however_rows_come() {
    let placements = placements_with(&[
        ("adhesive_lot", ["odd", "", "", "odd"]),
        ("operator", ["op-a", "op-a", "odd", "odd"]),
        ("patient_id", ["p-1", "p-2", "p-3", "p-4"]),
    ]);
    let visits = VisitTable(empty_table(0, RecordKind::Visit));
    for cuts in [&[][..], &[1], &[1, 2, 3], &[2, 2]] {
        let folder = tempfile::tempdir().expect("a folder");
        let source = Cut::of(&placements, &visits, cuts);
        let is_odd = |text: &str, column: &str| text == "odd" || (text.is_empty() && column == "adhesive_lot");
        let written = write_export(folder.path(), Form::Csv, &source, is_odd, &|_| ()).expect("written");
        assert_eq!(written.odd.count, 6);
        assert_eq!(written.odd.first, Some(("operator".to_owned(), "P3".to_owned(), RecordKind::Placement)), "{cuts:?}");
    }
}

#[test]
fn what_ends_an_export_on_the_way_leaves_nothing_and_it_can_begin_again() {
    let placements = placements_with(&[("operator", ["op-a"; 4])]);
    let visits = VisitTable(empty_table(0, RecordKind::Visit));
    for (_, form) in FORMS {
        for there in [false, true] {
            let folder = tempfile::tempdir().expect("a folder");
            let out = folder.path().join("out");
            if there {
                fs::create_dir(&out).expect("a folder");
                fs::write(out.join("notes.txt"), "mine").expect("written");
            }
            let kept = || files_below(folder.path());
            let before = kept();
            // Placements are asked for twice; visits once, since there are none to write.
            for fails_from in [1, 2, 3] {
                let source = Cut { fails_from, ..Cut::of(&placements, &visits, &[2]) };
                let error = write_export(&out, form, &source, |_, _| false, &|_| ()).expect_err("it fails");
                assert!(error.to_string().contains("a file went"), "{error}");
                assert_eq!((kept(), out.exists()), (before.clone(), there), "{form:?} at {fails_from}");
            }
            let source = Cut::of(&placements, &visits, &[2]);
            let written = write_export(&out, form, &source, |_, _| false, &|_| ()).expect("written");
            assert_eq!((source.asked.get(), written.files.len(), written.files[0].placements), (3, 1, 4));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    /// Random tables are read back as they are, from every form.
    #[test]
    fn random_tables_come_back(
        placements in any_rows(PLACEMENT_COLUMNS),
        visits in any_rows(VISIT_COLUMNS),
        cuts in prop::collection::vec(0_usize..100, 0..5),
    ) {
        let ground = Ground::bare();
        ground.files("given", &[("placements.jsonl", placements), ("visits.jsonl", visits)]);
        let given = intake(&ground.path().join("given"));
        for (name, form) in FORMS {
            let out = ground.path().join(name);
            written(&out, form, &given.placements, &given.visits).expect("written");
            // In other pieces it is the same bytes.
            let cut = ground.path().join(format!("{name}-cut"));
            let source = Cut::of(&given.placements, &given.visits, &cuts);
            write_export(&cut, form, &source, |_, _| false, &|_| ()).expect("written");
            for file in form.file_names() {
                prop_assert_eq!(fs::read(out.join(file)).expect("it"), fs::read(cut.join(file)).expect("it"), "{}", file);
            }
            let read = intake(&out);
            prop_assert_eq!(cells(&given.placements.0), cells(&read.placements.0), "{}", name);
            prop_assert_eq!(cells(&given.visits.0), cells(&read.visits.0), "{}", name);
        }
    }
}

/// The committed registry of the first format can be exported, whatever later versions write.
#[test]
fn the_committed_registry_is_exported() {
    let ground = Ground::bare();
    copy_folder(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/registry-format-1"), &ground.kept());
    round_trips(&ground, None);
}
