//! `draft`: what record files show becomes a declaration that can be read as it is, and that holds once its few choices are made.

use std::fs;

use manebit::finding::Findings;
use manebit::intake::IntakeRequest;
use manebit::intake::declaration::Declaration;
use manebit::quantity::Day;
use proptest::prelude::*;
use rust_xlsxwriter::Workbook;

use crate::run::{PLACEMENTS, Records, VISITS, said};

const EXPORT: &str = "\
Filling no;Chart no;Tooth no;Date placed;Surface;Depth (mm);Etch;Bond;Isolation;Moon phase;Acid
1;C1;14;03/04/2020;buccal;1,5;total;universal;RD;full;37
2;C2;46;25/12/2020;b;2,0;selective;UA;dry towel;new;35
3;C3;11;05/06/2020;palatal;1,0;SE;bottle;RD;new;37
";

const RECALLS: &str = "\
Filling no;Recall date;Seen by;Retention;Colour;Margin;Result
1;03/04/2021;ex;0;0;1;
2;26/12/2021;ex;0;1;0;present
3;05/06/2021;ex;2;;;fell off
";

const WIDE: &str = "\
restoration_id,patient_id,tooth,placed_on,scheme,examiner,6m_retention,6m_colour,retention 12 months,12-month colour,12m date,recall 3 colour
R1,P1,14,2020-01-10,usphs_3,ex,A,A,A,B,2021-01-11,A
R2,P2,46,2020-01-10,usphs_3,ex2,A,,C,,2021-01-12,
R3,P3,15,2020-02-10,usphs_3,ex,A,B,,,,
";

fn drafted(files: &[(&str, &[u8])]) -> (Records, String) {
    let records = Records::new(files);
    let output = records.run(&["draft", "records"]);
    let text = String::from_utf8(output.stdout.clone()).expect("text");
    assert!(output.status.success(), "{}", said(&records, &output));
    Declaration::read(&text, &[]).unwrap_or_else(|(line, what)| panic!("line {line:?}: {what}\n{text}"));
    (records, text)
}

fn draft(files: &[(&str, &[u8])]) -> String {
    drafted(files).1
}

fn workbook() -> Vec<u8> {
    let mut book = Workbook::new();
    let sheets: [(&str, &[&[&str]]); 3] = [
        (
            "Fillings",
            &[&["Restoration", "Patient", "Tooth", "Placed on", "Cure (min)"], &["R1", "P1", "30", "2020-01-10", "0.5"]],
        ),
        ("Recalls", &[&["Restoration", "Visit date", "Scale", "Retention"], &["R1", "2021-01-10", "usphs_3", "yes"]]),
        ("Prices", &[&["Item", "Price"], &["Filling", "80"]]),
    ];
    for (name, rows) in sheets {
        let sheet = book.add_worksheet();
        sheet.set_name(name).expect("a name");
        for (row, cells) in rows.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                sheet.write(row as u32, column as u16, *cell).expect("a cell");
            }
        }
    }
    book.save_to_buffer().expect("a workbook")
}

#[test]
fn an_export_with_names_of_its_own() {
    insta::assert_snapshot!(draft(&[("export.csv", EXPORT.as_bytes()), ("recalls.csv", RECALLS.as_bytes())]));
}

#[test]
fn a_workbook_with_several_sheets() {
    insta::assert_snapshot!(draft(&[("practice.xlsx", &workbook())]));
}

#[test]
fn visits_beside_each_other() {
    insta::assert_snapshot!(draft(&[("wide.csv", WIDE.as_bytes())]));
}

#[test]
fn what_stands_for_empty_cells_is_proposed_where_it_can_be_nothing_else() {
    let header = "restoration_id,patient_id,tooth,placed_on,operator,sclerosis,lesion_depth_mm,moon\n";
    let of = |rows: &str| draft(&[("p.csv", format!("{header}{rows}").as_bytes())]);
    let text = of("R1,P1,46,2020-01-10,op,n/a,NA,new\nR2,P2,46,2020-01-10,op,2,n/a,full\n");
    let proposed = "\nempty = [\"n/a\", \"NA\"]  # stands in “sclerosis”, “lesion_depth_mm” where nothing was written\n";
    assert!(text.contains(proposed) && !text.contains("[files.values"), "{text}");
    // What stands among texts may be somebody's initials.
    let text = of("R1,P1,46,2020-01-10,NA,NA,1.5,\nR2,P2,46,2020-01-10,op,2,2,\n");
    let open = "\n# empty = [\"NA\"]  # stands in “operator”, “sclerosis”; leave it out if it is a code of yours\n";
    assert!(text.contains(open), "{text}");
    let text = of("R1,P1,46,2020-01-10,NA,--,1.5,\nR2,P2,46,2020-01-10,op,2,2,\n");
    assert!(
        text.contains(
            "\nempty = [\"--\"]  # stands in “sclerosis” where nothing was written\n# \"NA\" stands in “operator”; put it"
        ),
        "{text}"
    );
    // What is declared stays declared, whatever else is met.
    let declared = |lines: &str| format!("[[files]]\nname = \"p.csv\"\n{lines}");
    let with = |rows: &str, lines: &str| {
        draft(&[("p.csv", format!("{header}{rows}").as_bytes()), ("records.toml", declared(lines).as_bytes())])
    };
    let text = with("R1,P1,46,2020-01-10,?,?,1.5,\n", "empty = [\"?\"]\n");
    assert!(text.contains("\nempty = [\"?\"]  # as declared now\n") && !text.contains("[files.values"), "{text}");
    let text = with("R1,P1,46,2020-01-10,NA,?,1.5,\n", "empty = [\"?\"]\n");
    assert!(text.contains("\nempty = [\"?\"]  # as declared now\n# \"NA\" stands in “operator”"), "{text}");
    // A value of its column is none, and neither is what stands in a column that is left out.
    let text = with(
        "R1,P1,46,2020-01-10,op,NA,1.5,-\n",
        "[files.values.sclerosis]\nNA = \"1\"\n[files.columns]\nmoon = \"leave_out\"\n",
    );
    assert!(!text.contains("empty = ["), "{text}");
    // What stands in a column that may yet enter, too, may be a code of its own.
    let text = of("R1,P1,46,2020-01-10,op,1,-,-\nR2,P2,46,2020-01-10,op,1,1.5,+\n");
    assert!(text.contains("\n# empty = [\"-\"]  # stands in “lesion_depth_mm”, “moon”; leave it out"), "{text}");
    assert!(!of("R1,P1,46,2020-01-10,op,1,1.5,\n").contains("empty"));
}

#[test]
fn columns_that_tell_who_somebody_is() {
    let text = draft(&[(
        "people.csv",
        b"restoration_id,Patient,tooth,placed_on,DOB,Contact,Called,Born,Remarks\n\
          R1,Ann Berg,46,2020-01-10,1948-03-04,+44 20 7946 0958,Ann Berg,1948-03-04,Ann came late\n\
          R2,Eva Lund,47,2020-01-10,1950-03-04,eva@example.org,Eva Lund,1950-03-04,\n\
          R3,Jon Mill,48,2020-01-10,1951-03-04,,Jon Mill,1951-03-04,\n",
    )]);
    for told in ["Ann", "Eva", "Jon", "1948-", "7946", "@"] {
        assert!(!text.contains(told), "{told} in {text}");
    }
    insta::assert_snapshot!(text);
    // Nor where a coded column holds words about people, or a second column claims the patients.
    let text = draft(&[(
        "visits.csv",
        b"restoration_id,visited_on,outcome,Whom\nR1,2021-01-10,Mrs Miller moved,Ann Berg\nR2,2021-01-11,gone,Eva Lund\n",
    )]);
    assert!(
        !text.contains("Miller") && !text.contains("Ann") && text.contains("1 value is in no list and not shown"),
        "{text}"
    );
    // In other languages, and remarks under any name.
    let text = draft(&[(
        "b.csv",
        "restoration_id,patient_id,tooth,placed_on,Vorname,Geburtsdatum,Telefon,Versicherung,Bemerkung\n\
         R1,P1,46,2020-01-10,Eva,04.03.1948,0664123,AOK 12345,Zahn empfindlich seit Eva Lund\n"
            .as_bytes(),
    )]);
    for told in ["Eva", "1948", "0664", "AOK", "empfindlich"] {
        assert!(!text.contains(told), "{told} in {text}");
    }
    assert!(text.contains("\"Vorname\" = \"leave_out\"  # it looks as if it told who the patient is"), "{text}");
    let text = draft(&[("a.csv", b"patient_id,Chart no,tooth,placed_on\nP1,Ann Berg,46,2020-01-10\n")]);
    assert!(!text.contains("Ann") && text.contains("# \"Chart no\" = \"patient_id\""), "{text}");
}

#[test]
fn hostile_names_and_values() {
    let (_, text) = drafted(&[(
        "evil \"]\n[[files]].csv",
        "restoration_id,patient_id,\"tooth\"\"]\",\"a\n[[files]]\nname = \"\"x\"\"\",\u{1b}[31mred,'#,etch,placed_on,etch_strategy,,\n\
         R1,P1,14,x,\u{1b}[2J,#,1,2020-01-10,\"\"\" = \"\"x\n[[files]]\",,\n"
            .as_bytes(),
    )]);
    assert!(!text.contains('\u{1b}') && !text.contains('\r'));
    assert_eq!(text.lines().filter(|line| *line == "[[files]]").count(), 1, "{text}");
    insta::assert_snapshot!(text);
}

#[test]
fn records_with_their_own_names_need_no_entry() {
    let placements = format!("{PLACEMENTS}R1,P1,46,facial,2020-01-10,op,self_etch,universal\n");
    let visits = format!("{VISITS}R1,2020-07-10,ex,usphs_3,A,A,in_place,,\n");
    let text = draft(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    assert!(
        text.contains("“placements.csv”: columns and terms are the records' own") && !text.contains("[[files]]"),
        "{text}"
    );
}

/// Takes the marks away from lines, and changes what they say.
fn choose(draft: &str, choices: &[(&str, &str)]) -> String {
    choices.iter().fold(draft.to_owned(), |text, (line, chosen)| {
        assert!(text.contains(line), "{line} in {text}");
        text.replacen(line, chosen, 1)
    })
}

#[test]
fn a_draft_with_its_choices_made_reads_a_practice_export() {
    let (records, text) = drafted(&[("export.csv", EXPORT.as_bytes()), ("recalls.csv", RECALLS.as_bytes())]);
    let before = records.run(&["check", "records"]);
    assert_eq!(before.status.code(), Some(1), "{}", said(&records, &before));
    let text = choose(
        &text,
        &[
            ("# \"Moon phase\"", "\"Moon phase\""),
            ("# \"total\"", "\"total\""),
            ("# \"selective\"", "\"selective\""),
            ("# \"bottle\" = \"\"", "\"bottle\" = \"universal\""),
            ("# \"dry towel\" = \"\"", "\"dry towel\" = \"cotton_rolls\""),
            ("# \"Margin\" = \"marginal_staining\"", "\"Margin\" = \"marginal_adaptation\""),
            ("# \"fell off\" = \"lost\"", "\"fell off\" = \"lost\""),
            ("# scheme = \"usphs_3\"", "scheme = \"usphs_3\""),
        ],
    );
    fs::write(records.path().join("records/records.toml"), &text).expect("a file");
    let output = records.run(&["check", "records"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let review = records.review(&[]);
    assert_eq!((review.flow.received, review.flow.visits_received), (3, 3));
    // What was declared is taken over by the next draft.
    let output = records.run(&["draft", "records"]);
    let again = String::from_utf8(output.stdout).expect("text");
    let own = |text: &str| Declaration::read(text, &[]).expect("it reads");
    assert_eq!(own(&again), own(&text), "{again}");
}

#[test]
fn a_wide_draft_with_its_choices_made_reads_every_visit() {
    let (records, text) = drafted(&[("wide.csv", WIDE.as_bytes())]);
    let text = choose(
        &text,
        &[
            ("# \"examiner\"", "\"examiner\""),
            ("# [[files.visits]]", "[[files.visits]]"),
            ("# months_after_placement = 0", "months_after_placement = 24"),
            ("# colour = \"recall 3 colour\"", "colour = \"recall 3 colour\""),
        ],
    );
    fs::write(records.path().join("records/records.toml"), &text).expect("a file");
    let output = records.run(&["check", "records"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let review = records.review(&[]);
    assert_eq!((review.flow.received, review.flow.visits_received), (3, 6));
}

#[test]
fn the_order_of_days_and_the_notation_are_told_or_left_open() {
    let table = |teeth: [&str; 2], days: [&str; 2]| {
        let rows = format!(
            "restoration_id,patient_id,tooth,placed_on\nR1,P1,{},{}\nR2,P2,{},{}\n",
            teeth[0], days[0], teeth[1], days[1]
        );
        draft(&[("a.csv", rows.as_bytes())])
    };
    for (teeth, days, expected) in [
        (["11", "30"], ["2020-01-10", "2020-02-10"], "\ntooth_notation = \"universal\"  # “30”"),
        (["11", "A"], ["2020-01-10", "2020-02-10"], "\ntooth_notation = \"universal\"  # “A”"),
        (["11", "14"], ["2020-01-10", "2020-02-10"], "\n# tooth_notation = \"iso_3950\"  # or \"universal\"; can't be told"),
        (["30", "46"], ["2020-01-10", "2020-02-10"], "no notation fits: “46” is ISO 3950 only and “30” Universal only"),
        (["46", "46"], ["01/02/2020", "12/31/2020"], "\ndays = \"month_day_year\"  # “12/31/2020”"),
        (["46", "46"], ["01/02/2020", "31.12.2020"], "\ndays = \"day_month_year\"  # “31.12.2020”"),
        (
            ["46", "46"],
            ["01/02/2020", "11/12/2020"],
            "\n# days = \"day_month_year\"  # or \"month_day_year\"; can't be told",
        ),
        (["46", "46"], ["31/12/2020", "12/31/2020"], "no order fits"),
        (["46", "46"], ["01/02/20", "44654"], "“01/02/20” can be read in no order"),
    ] {
        let text = table(teeth, days);
        assert!(text.contains(expected), "{expected} in {text}");
    }
}

#[test]
fn two_claims_to_one_column_and_columns_of_one_name() {
    let text = draft(&[("a.csv", b"Patient,Chart no,tooth,Tooth no,Etch,Etch,date placed\nP1,C1,46,47,SE,SE,2020-01-10\n")]);
    for expected in [
        "\n\"Patient\" = \"patient_id\"",
        "\n# \"Chart no\" = \"patient_id\"  # “Patient” is patient_id already; take one of them",
        "\n# \"Tooth no\" = \"tooth\"  # “tooth” is tooth already; take one of them",
        "\n# \"Etch\" = \"leave_out\"  # two columns have this name",
        "\n# Not found, though every row needs it: restoration_id.",
    ] {
        assert!(text.contains(expected), "{expected} in {text}");
    }
    assert_eq!(text.matches("\"Etch\"").count(), 1, "{text}");
}

#[test]
fn only_the_first_rows_of_a_large_file_are_looked_at() {
    let rows: String = (0..6000).map(|row| format!("R{row};P{row};46;2020-01-10\n")).collect();
    let text = draft(&[("a.csv", format!("Filling;Patient;Tooth;Placed\n{rows}").as_bytes())]);
    assert!(text.contains("the first 5000 rows were looked at"), "{text}");
}

#[test]
fn files_that_cant_be_read_are_named() {
    let records =
        Records::new(&[("a.csv", b"Filling,Patient,Tooth,Placed\nR1,P1,46,2020-01-10\n"), ("b.csv", b"PK\x03\x04rest")]);
    let output = records.run(&["draft", "records"]);
    let text = said(&records, &output);
    assert!(output.status.success() && text.contains("# Could not be looked at: “b.csv”"), "{text}");
}

#[test]
fn a_draft_is_never_written_over() {
    let records = Records::new(&[("a.csv", b"Filling,Patient,Tooth,Placed\nR1,P1,46,2020-01-10\n")]);
    let first = records.run(&["draft", "records/a.csv", "--out", "draft.toml"]);
    assert!(first.status.success(), "{}", said(&records, &first));
    let kept = fs::read(records.path().join("draft.toml")).expect("a file");
    let second = records.run(&["draft", "records", "--out", "draft.toml"]);
    assert_eq!(second.status.code(), Some(3));
    assert_eq!(fs::read(records.path().join("draft.toml")).expect("a file"), kept);
    insta::assert_snapshot!("draft_written_and_not_written_over", said(&records, &first) + &said(&records, &second));
    let none = records.run(&["draft", "nowhere"]);
    assert_eq!(none.status.code(), Some(2), "{}", said(&records, &none));
}

#[test]
fn a_declaration_with_a_mistake_is_not_lost() {
    let records = Records::new(&[
        ("a.csv", b"Filling,Patient,Tooth,Placed\nR1,P1,46,2020-01-10\n"),
        ("records.toml", b"[[files]]\nname = \"a.csv\"\ndays = \"backwards\"\n"),
    ]);
    let output = records.run(&["draft", "records"]);
    let text = said(&records, &output);
    assert!(text.starts_with("exit 1") && text.contains("records.toml"), "{text}");
}

#[test]
fn a_row_that_is_a_placement_and_a_visit_is_left_open() {
    let text = draft(&[(
        "a.csv",
        b"Filling,Patient,Tooth,Date placed,Recall date,Retention,Under observation from\nR1,P1,46,2020-01-10,2021-01-10,A,2020-02-01\n",
    )]);
    for expected in [
        "\n# holds = \"placements\"  # or \"visits\"; can't be told: “Date placed” looks like placed_on, “Recall date” like visited_on",
        "\n# [[files.visits]]  # a visit in the same row\n# visited_on = \"Recall date\"",
        "\n\"Under observation from\" = \"entered_on\"",
    ] {
        assert!(text.contains(expected), "{expected} in {text}");
    }
}

/// A scheme that was seen in the first rows only, or is missing in some, is never written for all of them.
#[test]
fn a_constant_is_proposed_only_where_every_row_was_seen_to_have_it() {
    let wide = |rows: u32, blank: u32| {
        let rows: String = (0..rows)
            .map(|row| format!("R{row},P{row},46,2020-01-10,{},A,2020-07-10\n", if row == blank { "" } else { "usphs_3" }))
            .collect();
        let header = "restoration_id,patient_id,tooth,placed_on,scheme,6m retention,6m date\n";
        draft(&[("a.csv", format!("{header}{rows}").as_bytes())])
    };
    assert!(wide(20, 99).contains("\nscheme = \"usphs_3\""));
    for text in [wide(20, 7), wide(5001, 9999)] {
        assert!(text.contains("\n# scheme = \"usphs_3\"") && text.contains("\n# \"scheme\" = \"leave_out\""), "{text}");
    }
}

const HEADERS: &[&str] = &[
    "restoration_id",
    "Filling",
    "patient_id",
    "Patient",
    "tooth",
    "Tooth no",
    "placed_on",
    "Date",
    "visited_on",
    "Recall date",
    "6m date",
    "6m retention",
    "retention",
    "Retention 1 year",
    "recall 2 colour",
    "scheme",
    "Depth cm",
    "Cure (min)",
    "Etch",
    "DOB",
    "Notes",
    "",
    "\"]",
    "a\nb",
    "# x",
    "[files.values]",
    "Lot",
    "sensitivity",
    "outcome",
    "baseline caries",
    "\u{feff}x",
];
const CELLS: &[&str] = &[
    "",
    "R1",
    "14",
    "46",
    "30",
    "A",
    "b",
    "0",
    "1",
    "5",
    "1,5",
    "2.5",
    "2020-01-10",
    "03/04/2021",
    "25/12/2020",
    "44654",
    "usphs_3",
    "fdi_2010",
    "total etch",
    "\"\"\"",
    "x\ny",
    "\u{1b}[2J",
    "Ann Berg",
    "\\",
    "'",
    "#",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_a_file_holds_its_draft_can_be_read(
        header in prop::collection::vec(prop_oneof![4 => prop::sample::select(HEADERS).prop_map(str::to_owned), 1 => ".{0,12}"], 1..9),
        cells in prop::collection::vec(prop_oneof![4 => prop::sample::select(CELLS).prop_map(str::to_owned), 1 => ".{0,8}"], 0..40),
        separator in prop::sample::select(&b",;\t|"[..]),
    ) {
        let folder = tempfile::tempdir().expect("a folder");
        let mut writer = csv::WriterBuilder::new().delimiter(separator).from_path(folder.path().join("a.csv")).expect("a file");
        writer.write_record(&header).expect("a header");
        for row in cells.chunks_exact(header.len()) {
            writer.write_record(row).expect("a row");
        }
        writer.flush().expect("written");
        let request =
            IntakeRequest { records: folder.path(), declaration: None, today: Day::from_epoch(20_000), own_columns: &[], progress: None };
        if let Some(text) = manebit::intake::draft::draft(request, &mut Findings::default()) {
            let first = Declaration::read(&text, &[]);
            prop_assert!(first.is_ok(), "{:?}\n{}", first, text);
            // What it declares is taken over by the next draft.
            std::fs::write(folder.path().join("records.toml"), &text).expect("a file");
            let again = manebit::intake::draft::draft(request, &mut Findings::default()).expect("a draft");
            prop_assert!(Declaration::read(&again, &[]).is_ok(), "{}", again);
        }
    }
}

#[test]
fn help_of_draft() {
    let records = Records::new(&[]);
    insta::assert_snapshot!(said(&records, &records.run(&["draft", "--help"])));
}
