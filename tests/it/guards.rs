//! What must not slip through: half-read files, protocols that contradict themselves, folders of others, small cells.

use std::fs;

use manebit::protocol::Protocol;

use crate::run::{PLACEMENTS, Records, VISITS, said};

const TWO: &str = "R1,P1,14,facial,2020-01-10,op,self_etch,universal\nR2,P2,15,facial,2020-01-11,op,self_etch,universal\n";
const SEEN: &str = "R1,2021-01-10,ex,usphs_3,A,A,,,\nR2,2021-01-11,ex,usphs_3,C,,,,\n";

fn two(placements: &str, visits: &str) -> Records {
    Records::new(&[
        ("placements.csv", format!("{PLACEMENTS}{placements}").as_bytes()),
        ("visits.csv", format!("{VISITS}{visits}").as_bytes()),
    ])
}

fn refused(records: &Records, code: i32, parts: &[&str]) {
    let output = records.run(&["review", "records"]);
    let text = said(records, &output);
    assert_eq!(output.status.code(), Some(code), "{text}");
    for part in parts {
        assert!(text.contains(part), "{part}\n in {text}");
    }
}

#[test]
fn a_quotation_mark_left_open_can_hide_no_row() {
    // To the end of the file: the loss of R2 would vanish in the examiner of R1.
    let records = two(TWO, "R1,2021-01-10,\"ex,usphs_3,A,A,,,\nR2,2021-01-11,ex,usphs_3,C,,,,\n");
    refused(&records, 1, &["visits.csv, row 2", "unclosed-quote"]);
    // In the last column, closed by chance in a later row.
    let header = VISITS.replace("reason", "reason,examiner2").replace("examiner,", "").replace("examiner2", "examiner");
    let visits = format!("{header}R1,2021-01-10,usphs_3,A,A,,,,\"ex\nR2,2021-01-11,usphs_3,C,,,,,ex\"\n");
    let records =
        Records::new(&[("placements.csv", format!("{PLACEMENTS}{TWO}").as_bytes()), ("visits.csv", visits.as_bytes())]);
    refused(&records, 1, &["visits.csv, row 2", "what looks like whole rows"]);
}

#[test]
fn rows_are_counted_in_files_with_old_line_ends() {
    let records = two(TWO, SEEN);
    let wrong = format!("{PLACEMENTS}{}", TWO.replace("2020-01-11", "2020-13-11")).replace('\n', "\r");
    fs::write(records.path().join("records/placements.csv"), wrong).expect("a file");
    refused(&records, 1, &["placements.csv, row 3, column placed_on: 2020-13-11"]);
}

#[test]
fn a_visit_is_called_an_orphan_only_where_its_placement_was_read() {
    let broken = TWO.replace("R2,P2,15,facial", "R2,P2,15,facial,too,many");
    let records = two(&broken, &format!("{SEEN}R7,2021-01-10,ex,usphs_3,A,A,,,\n"));
    let text = said(&records, &records.run(&["review", "records"]));
    assert!(text.contains("column restoration_id: R7") && !text.contains("column restoration_id: R2"), "{text}");
}

#[test]
fn a_declaration_of_a_file_that_is_not_there_is_found() {
    let records = two(TWO, SEEN);
    fs::write(
        records.path().join("records/records.toml"),
        "[[files]]\nname = \"Placements.csv\"\ntooth_notation = \"universal\"\n",
    )
    .expect("a file");
    refused(&records, 1, &["records.toml: Placements.csv", "Record files here: placements.csv, visits.csv."]);
}

#[test]
fn the_fingerprint_of_the_records_holds_their_declaration() {
    let records = two(TWO, SEEN);
    let before = records.review(&[]).data_fingerprint;
    let notation = "[[files]]\nname = \"placements.csv\"\ntooth_notation = \"iso_3950\"\n";
    fs::write(records.path().join("records/records.toml"), notation).expect("a file");
    assert_ne!(records.review(&[]).data_fingerprint, before);
}

#[test]
fn a_protocol_that_contradicts_itself_is_refused_in_words() {
    let change = |from: &str, to: &str| {
        let text = Protocol::BUILT_IN_TEXT.replacen(from, to, 1);
        assert_ne!(text, Protocol::BUILT_IN_TEXT, "{from}");
        Protocol::read(&text).expect_err(to).to_string()
    };
    for (from, to, said) in [
        ("headline_months = 60", "headline_months = 0", "headline_months = 0: give a number of months from 1 to 1200"),
        ("months = 120, early", "months = 65535, early", "recall at 65535 months"),
        ("months = 18, early = 2", "months = 18, early = 3", "the recalls at 12 and 18 months share a day"),
        ("least_at_risk = 10", "least_at_risk = 0", "a curve needs at least 1"),
        ("own_factors = []", "own_factors = [\"lamp\", \"lamp\"]", "named twice"),
        ("own_factors = []", "own_factors = [\"Patient ID\"]", "have a column or factor of this name already"),
        ("own_factors = []", "own_factors = [\"arch\"]", "have a column or factor of this name already"),
        ("interval_method = \"complementary_log_log\"", "interval_method = \"wilson\"", "log, plain"),
        ("horizons_months = [6, 12,", "horizons_months = [6, 6, 12,", "each once"),
        (
            "factors = [\"etch",
            "factors = [\"moon_phase\", \"etch",
            "factors: there is no \"moon_phase\"; choose from: surface,",
        ),
        ("\"sclerosis\", \"cerv", "\"sclerosis\", \"sclerosis\", \"cerv", "adjust_for: \"sclerosis\" is named twice"),
        ("\"placed_on\"]", "\"plaecd_on\"]", "adjust_for: there is no \"plaecd_on\"; choose from: surface,"),
        ("reference_levels = {}", "reference_levels = { etch = \"self_etch\" }", "reference_levels: there is no \"etch\""),
        (
            "reference_levels = {}",
            "reference_levels = { arch = \"left\" }",
            "reference_levels: \"left\" is no level of arch; choose one of: maxilla, mandible",
        ),
    ] {
        let message = change(from, to);
        assert!(message.contains(said), "{message}");
    }
    let missing = change("title = \"Yearly review of cervical restorations\"\n", "");
    assert_eq!(missing, "the setting title is missing");
}

#[test]
fn a_column_that_tells_who_the_patient_is_never_enters_not_even_declared() {
    let records = two(TWO, SEEN);
    let named = PLACEMENTS.replace("operator", "patient name");
    fs::write(records.path().join("records/placements.csv"), format!("{named}{TWO}")).expect("a file");
    let protocol = Protocol::BUILT_IN_TEXT.replace("own_factors = []", "own_factors = [\"patient name\"]");
    fs::write(records.path().join("own.toml"), protocol).expect("a file");
    let text = said(&records, &records.run(&["review", "records", "--protocol", "own.toml"]));
    assert!(text.starts_with("exit 1") && text.contains("personal-data"), "{text}");
}

#[test]
fn a_declared_column_that_no_file_has_is_said_and_a_factor_named_twice_counts_once() {
    let records = two(TWO, SEEN);
    let protocol = Protocol::BUILT_IN_TEXT.replace("own_factors = []", "own_factors = [\"lamp\"]");
    fs::write(records.path().join("own.toml"), protocol).expect("a file");
    let review = records.review(&["--protocol", "own.toml", "--by", "lamp", "--by", "lamp", "--by", "shades"]);
    assert!(review.notices.iter().any(|notice| notice.code == "own-column-missing"));
    assert_eq!(review.endpoints[0].factors.len(), 2);
}

#[test]
fn a_review_replaces_its_own_files_and_no_others() {
    let records = two(TWO, SEEN);
    records.review(&["--by", "operator"]);
    let out = records.path().join("out");
    fs::write(out.join("charts/mine.svg"), "<svg/>").expect("a file");
    fs::write(out.join("notes.txt"), "mine").expect("a file");
    assert!(out.join("charts/survival-retention-loss-by-operator.svg").exists());
    records.review(&[]);
    assert!(out.join("charts/mine.svg").exists() && out.join("notes.txt").exists());
    assert!(!out.join("charts/survival-retention-loss-by-operator.svg").exists(), "the earlier review's own chart is gone");
    // A folder that merely holds a results.json is somebody else's.
    let other = records.path().join("other");
    fs::create_dir_all(other.join("charts")).expect("a folder");
    fs::write(other.join("results.json"), "{}").expect("a file");
    fs::write(other.join("charts/theirs.svg"), "<svg/>").expect("a file");
    let output = records.run(&["review", "records", "--out", "other"]);
    assert_eq!(output.status.code(), Some(3), "{}", said(&records, &output));
    assert!(other.join("charts/theirs.svg").exists());
    assert_eq!(fs::read_to_string(other.join("results.json")).expect("a file"), "{}");
    // A file where the folder should be.
    fs::write(records.path().join("taken"), "").expect("a file");
    let text = said(&records, &records.run(&["review", "records", "--out", "taken"]));
    assert!(text.contains("taken is a file, and a review needs a folder"), "{text}");
}

#[test]
fn invented_records_never_replace_real_ones() {
    let records = two(TWO, SEEN);
    let before = fs::read(records.path().join("records/placements.csv")).expect("a file");
    let output = records.run(&["invent", "records"]);
    assert_eq!(output.status.code(), Some(3), "{}", said(&records, &output));
    assert_eq!(fs::read(records.path().join("records/placements.csv")).expect("a file"), before);
}

#[test]
fn a_day_to_come_is_no_day_of_review() {
    let records = two(TWO, SEEN);
    let output = records.run(&["review", "records", "--as-of", "2999-01-01"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&records, &output).contains("2999-01-01 has not come yet"));
    let output = records.run(&["review", "records", "--as-of", "2022-01-01"]);
    assert!(said(&records, &output).contains("The last record used is of 2021-01-11"), "{}", said(&records, &output));
}

#[test]
fn cautions_of_an_earlier_day_are_those_of_that_day() {
    let own_work = "R1,2021-01-10,op,usphs_3,A,A,,,\nR1,2022-01-10,op,usphs_3,A,A,,,\nR2,2021-01-11,ex,usphs_3,A,A,,,\n";
    let count = |more: &[&str]| {
        let review = two(TWO, own_work).review(more);
        review.notices.iter().find(|notice| notice.code == "own-work-scored").map(|notice| notice.count)
    };
    assert_eq!(count(&[]), Some(2));
    assert_eq!(count(&["--as-of", "2021-06-01"]), Some(1));
}

#[test]
fn small_levels_are_hidden_by_patients_and_counted_apart() {
    let mut placements = String::new();
    let mut visits = String::new();
    for place in 0..12 {
        // Six fillings of one patient with self-etch; six patients with etch-and-rinse.
        let (patient, etch) = if place < 6 { (0, "self_etch") } else { (place, "etch_and_rinse") };
        let tooth = [11, 12, 13, 14, 15, 16, 21, 22, 23, 24, 25, 26][place];
        placements += &format!("R{place},P{patient},{tooth},facial,2020-01-10,op,{etch},universal\n");
        visits += &format!("R{place},2021-01-10,ex,usphs_3,A,A,,,\nR{place},2021-06-01,ex,usphs_3,A,A,,,\n");
    }
    let records = two(&placements, &visits);
    let protocol = Protocol::BUILT_IN_TEXT.replace("smallest_cell = 0", "smallest_cell = 5");
    fs::write(records.path().join("small.toml"), protocol).expect("a file");
    let review = records.review(&["--protocol", "small.toml", "--by", "etch_strategy"]);
    let factor = &review.endpoints[0].factors[0];
    assert_eq!((factor.groups.len(), factor.hidden, factor.missing), (1, 6, 0));
    let of_self_etch = review.criteria.iter().filter(|entry| entry.level == "self_etch").count();
    assert_eq!(of_self_etch, 0, "six fillings, but one patient");
}

#[test]
fn a_pipe_that_is_closed_early_is_no_fault() {
    use std::process::{Command, Stdio};
    let mut child = Command::new(env!("CARGO_BIN_EXE_manebit"))
        .arg("protocol")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it runs");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn rows_swallowed_by_a_column_that_is_left_out_are_found() {
    let check = |placements: &str, declaration: &str| {
        let records = Records::new(&[("placements.csv", placements.as_bytes()), ("records.toml", declaration.as_bytes())]);
        said(&records, &records.run(&["check", "records", "--set-aside", "aside.xlsx"]))
    };
    let notes = "[[files]]\nname = \"placements.csv\"\n[files.columns]\nNotes = \"leave_out\"\n";
    let text = check(
        "restoration_id,patient_id,tooth,placed_on,Notes\nR1,P1,41,2020-01-01,\"said 5\nR2,P2,42,2020-01-02,ok\nR3,P3,43,2020-01-03,\"fine\"\n",
        notes,
    );
    assert!(
        text.starts_with("exit 1") && text.contains("placements.csv, row 2") && text.contains("unclosed-quote"),
        "{text}"
    );
    let bars = "[[files]]\nname = \"placements.csv\"\nseparator = \"|\"\n";
    let text = check(
        "restoration_id|patient_id|tooth|placed_on|shades|operator\nR1|P1|41|2020-01-01|\"A2|o1\nR2|P2|42|2020-01-02|A3|o1\nR3|P3|43|2020-01-03|A3\"|o1\n",
        bars,
    );
    assert!(text.starts_with("exit 1") && text.contains("unclosed-quote"), "{text}");
    // A note that is closed, with a line break and a comma, is a note.
    let text = check("restoration_id,patient_id,tooth,placed_on,Notes\nR1,P1,41,2020-01-01,\"said 5,\nthen 6\"\n", notes);
    assert!(text.starts_with("exit 0") && text.contains("1 placement received = 1 kept"), "{text}");
}

#[test]
fn a_file_that_is_not_in_its_declared_encoding_is_refused() {
    let western = b"restoration_id,patient_id,tooth,placed_on,operator\nR\xe9,P1,41,2020-01-01,M\xfcller\n";
    for encoding in ["utf_8", "utf_16_le"] {
        let declaration = format!("[[files]]\nname = \"p.csv\"\nencoding = \"{encoding}\"\n");
        let records = Records::new(&[("p.csv", western), ("records.toml", declaration.as_bytes())]);
        let text = said(&records, &records.run(&["check", "records"]));
        assert!(text.starts_with("exit 1"), "{encoding}: {text}");
    }
    // White space that only Unicode knows fills no cell.
    let records = two("R1,\u{a0},14,facial,2020-01-10,op,self_etch,universal\n", SEEN);
    refused(&records, 1, &["placements.csv, row 2, column patient_id", "cell-missing"]);
}

#[test]
fn a_workbook_without_a_table_hides_nothing() {
    let records = two(TWO, &format!("{SEEN}R9,2021-01-10,ex,usphs_3,A,A,,,\n"));
    let mut book = rust_xlsxwriter::Workbook::new();
    book.add_worksheet();
    fs::write(records.path().join("records/empty.xlsx"), book.save_to_buffer().expect("a workbook")).expect("a file");
    refused(&records, 1, &["empty.xlsx", "file-empty"]);
}

#[test]
fn what_a_spreadsheet_could_not_reckon_is_no_value() {
    let mut book = rust_xlsxwriter::Workbook::new();
    let sheet = book.add_worksheet();
    let rows = [["restoration_id", "patient_id", "tooth", "placed_on"], ["R1", "#N/A", "41", "2020-01-10"]];
    for (row, cells) in (0..).zip(rows) {
        for (column, cell) in (0..).zip(cells) {
            sheet.write_string(row, column, cell).expect("a cell");
        }
    }
    let records = Records::new(&[("book.xlsx", &book.save_to_buffer().expect("a workbook"))]);
    refused(&records, 1, &["row 2, column patient_id: #N/A", "a spreadsheet's error, not a value"]);
}

#[test]
fn declarations_that_contradict_themselves_are_refused() {
    for (declaration, says) in [
        ("[[files]]\nname = \"p.csv\"\n[[files]]\nname = \"p.csv\"\n", "is declared twice"),
        (
            "[[files]]\nname = \"p.csv\"\n[files.values.etch_strategy]\nT = \"etch_and_rinse\"\nt = \"self_etch\"\n",
            "differ only in capitals",
        ),
        (
            "[[files]]\nname = \"p.csv\"\n[[files.visits]]\nvisited_on = \"d\"\nlesion_depth_mm = \"x\"\n",
            "lesion_depth_mm is no column of a visit",
        ),
    ] {
        let records =
            Records::new(&[("p.csv", format!("{PLACEMENTS}{TWO}").as_bytes()), ("records.toml", declaration.as_bytes())]);
        refused(&records, 1, &["declaration-unread", says]);
    }
    let entry = "[[files]]\nname = \"p.csv\"\nsheet = \"Fillings\"\ntooth_notation = \"universal\"\n";
    let records = Records::new(&[("p.csv", format!("{PLACEMENTS}{TWO}").as_bytes()), ("records.toml", entry.as_bytes())]);
    refused(&records, 1, &["p.csv: Fillings", "A sheet of this name is declared, and the file has none."]);
    // A file under another name than the declared one is told of it.
    let records = two(TWO, SEEN);
    fs::write(records.path().join("records/records.toml"), "[[files]]\nname = \"other.csv\"\n").expect("a file");
    let text = said(&records, &records.run(&["check", "records/placements.csv"]));
    assert!(text.contains("declaration-unused"), "{text}");
}
