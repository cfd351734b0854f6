//! What people read when something is wrong: one small run a kind of trouble, held by snapshots.

use crate::run::{PLACEMENTS, Records, VISITS, said};

const GOOD_PLACEMENT: &str = "R1,P1,14,facial,2020-01-10,op,self_etch,universal\n";
const GOOD_VISIT: &str = "R1,2020-07-10,ex,usphs_3,A,A,in_place,,\n";

/// Reviews these rows below the usual headers and gives what was said.
fn rows(placements: &str, visits: &str) -> String {
    let (placements, visits) = (format!("{PLACEMENTS}{placements}"), format!("{VISITS}{visits}"));
    files(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())])
}

fn files(files: &[(&str, &[u8])]) -> String {
    run(files, &["review", "records", "--out", "out"])
}

fn run(files: &[(&str, &[u8])], arguments: &[&str]) -> String {
    let records = Records::new(files);
    let output = records.run(arguments);
    let text = said(&records, &output);
    assert!(!text.contains("panicked") && !text.contains("fault of the program"), "{text}");
    if !output.status.success() {
        assert!(!records.path().join("out").exists(), "nothing is written when the review stops: {text}");
    }
    text
}

macro_rules! says {
    ($($(#[$doc:meta])* $name:ident: $text:expr;)+) => { $(
        $(#[$doc])* #[test]
        fn $name() {
            insta::assert_snapshot!(stringify!($name), $text);
        }
    )+ };
}

says! {
    missing_folder: run(&[], &["review", "no-such-folder"]);
    folder_is_a_file: run(&[("a.csv", b"x")], &["review", "records/a.csv"]);
    empty_folder: files(&[]);
    empty_file: files(&[("placements.csv", b"")]);
    header_without_rows: files(&[("placements.csv", PLACEMENTS.as_bytes())]);
    wrong_delimiter: files(&[("placements.csv", b"restoration_id;patient_id;tooth;placed_on\nR1;P1;14;2020-01-10\n")]);
    binary_file: files(&[("placements.csv", b"PK\x03\x04\x00\x00\x08\x00stuff")]);
    other_encoding: files(&[("placements.csv", b"restoration_id,patient_id,tooth,placed_on\nR\xe91,P1,14,2020-01-10\n")]);
    neither_kind: files(&[("things.csv", b"a,b\n1,2\n")]);
    missing_and_unknown_columns: files(&[("placements.csv", b"restoration_id,patient_id,placed_on,etchstrategy,patient name\nR1,P1,2020-01-10,x,y\n")]);
    short_and_long_rows: rows("R1,P1,14,facial,2020-01-10\nR2,P1,15,facial,2020-01-10,op,self_etch,universal,more\n", GOOD_VISIT);
    unclosed_quote: files(&[("placements.csv", format!("{PLACEMENTS}R1,\"P1,14,facial,2020-01-10,op,,\n{}", "x\n".repeat(1100)).as_bytes())]);
    bad_cells_all_at_once: rows(
        "R1,P1,99,facial,03/04/2022,op,etched,universal\nR2,,14,cheek,2062-01-01,op,self_etch,glue\n",
        "R1,2020-02-30,ex,usphs_9,A,A,,,\nR2,44654,ex,usphs_3,1,E,gone,,because\nR2,2021-01-01,ex,,A,,,,\n",
    );
    many_of_a_kind_are_counted: rows(&(1..=30).map(|n| format!("R{n},P{n},14,facial,1/2/2020,op,,\n")).collect::<String>(), "");
    universal_teeth_in_an_iso_file: rows("R1,P1,30,facial,2020-01-10,op,self_etch,universal\nR2,P1,11,facial,2020-01-10,op,self_etch,universal\n", "");
    two_files_with_the_same_restoration: files(&[
        ("clinic-a.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes()),
        ("clinic-b.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes()),
    ]);
    visit_without_placement_and_before_it: rows(GOOD_PLACEMENT, "R9,2020-07-10,ex,usphs_3,A,A,,,\nR1,2019-12-24,ex,usphs_3,A,A,,,\n");
    seen_in_place_after_a_loss: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,usphs_3,C,,,,\nR1,2021-01-10,ex,usphs_3,A,A,in_place,,\n");
    lost_but_scored_for_colour: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,usphs_3,C,A,in_place,,\n");
    outcome_at_an_impossible_time: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,usphs_3,C,,lost,2020-08-01,\n");
    lost_before_it_was_last_seen: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,usphs_3,A,A,,,\nR1,2020-12-10,ex,usphs_3,C,,lost,2020-03-01,\n");
    retreated_though_never_closed: rows("R1,P1,14,facial,2020-01-10,op,,\nR2,P1,14,facial,2022-01-10,op,,\n", GOOD_VISIT);
    repair_entered_as_a_placement: rows("R1,P1,14,facial,2020-01-10,op,,\nR2,P1,14,facial,2020-03-01,op,,\n", GOOD_VISIT);
    technique_that_contradicts_itself: rows("R1,P1,14,facial,2020-01-10,op,self_etch,three_step_etch_and_rinse\n", GOOD_VISIT);
    the_same_visit_with_other_scores: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,usphs_3,A,A,,,\nR1,2020-07-10,ex,usphs_3,A,B,,,\n");
    visit_that_says_nothing: rows(GOOD_PLACEMENT, "R1,2020-07-10,ex,,,,,,\n");
    control_characters_are_shown_not_obeyed: rows("R1,P1,\x1b[31m14,facial,2020-01-10,op,,\n", "");
    unknown_factor: run(
        &[("placements.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes())],
        &["review", "records", "--by", "moon_phase"],
    );
    protocol_with_a_mistake: run(
        &[("placements.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes()), ("p.toml", b"title = \"x\"\nconfidence_level = 95\n")],
        &["review", "records", "--protocol", "records/p.toml"],
    );
    protocol_that_is_no_text: run(
        &[("placements.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes()), ("p.toml", b"title = \"caf\xe9\"\n")],
        &["review", "records", "--protocol", "records/p.toml"],
    );
    /// Numbers on the command line have a point and no sign.
    number_with_a_comma: run(&[], &["plan", "--kept", "0,9"]);
    number_with_a_sign: run(&[], &["watch", "records", "--placed", "placed", "--days", "days", "--cause", "end", "--benchmark-rate", "3%"]);
    rate_in_per_cent: run(
        &[("a.csv", b"placed,days,end\n2020-01-10,365,1\n2020-01-10,700,0\n")],
        &["watch", "records/a.csv", "--placed", "placed", "--days", "days", "--cause", "end", "--benchmark-rate", "3"],
    );
    whole_number_in_words: run(&[], &["invent", "out", "--restorations", "many"]);
    folder_where_a_table_is_asked: run(
        &[("a.csv", b"x\n1\n")],
        &["estimate", "records", "--time", "x"],
    );
    missing_protocol: run(&[], &["review", "records", "--protocol", "nowhere.toml"]);
    a_day_before_everything: run(
        &[("placements.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes())],
        &["review", "records", "--as-of", "2001-01-01"],
    );
    bad_day_on_the_command_line: run(&[], &["review", "records", "--as-of", "yesterday"]);
    help: run(&[], &["--help"]);
    help_of_review: run(&[], &["review", "--help"]);
    /// Everything that is only odd is let through and counted.
    cautions_are_printed_on_demand: run(
        &[
            ("placements.csv", b"restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,etch_strategy,adhesive_class,aetiology\nR1,P1,14,2020-01-10,op,3.5,etch_and_rinse,one_step_self_etch,caries\nR2,P1,55,2020-01-10,op,1.5,,universal,abrasion\n"),
            ("visits.csv", format!("{VISITS}R1,2020-07-10,op,usphs_3,A,A,,,\nR1,2020-07-10,op,usphs_3,A,A,,,\nR2,2024-07-10,ex,fdi_2010,1,1,,,\nR2,2024-07-10,ex2,fdi_2010,1,2,,,\n").as_bytes()),
            ("notes.txt", b"hello"),
        ],
        &["review", "records", "--out", "out", "--cautions"],
    );
}

#[test]
fn a_folder_with_other_files_is_not_written_into() {
    let records = Records::new(&[("placements.csv", format!("{PLACEMENTS}{GOOD_PLACEMENT}").as_bytes())]);
    let output = records.run(&["review", "records", "--out", "records"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&output.stderr).contains("holds other files"));
}

/// Text that a spreadsheet would run, or a browser, or a terminal, is defused wherever it is printed.
#[test]
fn text_from_files_can_do_no_harm() {
    let header = "restoration_id,patient_id,tooth,placed_on,operator\n";
    let evil = "\"=HYPERLINK(\"\"x\"\")<script>alert(1)</script>\"";
    let placements: String = (1..=12).map(|n| format!("R{n},P{n},14,2020-01-10,{evil}\n")).collect();
    let records = Records::new(&[("placements.csv", format!("{header}{placements}").as_bytes())]);
    records.review(&["--by", "operator"]);
    let page = std::fs::read_to_string(records.path().join("out/review.html")).expect("the page");
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script>"));
    let chart =
        std::fs::read_to_string(records.path().join("out/charts/survival-retention-loss-by-operator.svg")).expect("a chart");
    assert!(!chart.contains("<script>"));
    let table = std::fs::read_to_string(records.path().join("out/tables/survival.csv")).expect("a table");
    assert!(table.contains("'=HYPERLINK") && !table.contains(",\"=HYPERLINK"));
}
