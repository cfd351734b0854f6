//! What spreadsheets and other programs write is read the same, whatever its dialect; and what a practice calls its columns and
//! terms is read as it declares them.

use std::fs;

use manebit::quantity::Known;
use manebit::result::Review;
use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

use crate::run::{Records, said};

const PLACEMENTS: &str = "restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,etch_strategy\n\
R1,P1,36,2020-01-10,Zoë,1.5,self_etch\nR2,P2,46,2020-02-11,op,2.25,etch_and_rinse\n";
const VISITS: &str = "restoration_id,visited_on,examiner,scheme,retention,colour\n\
R1,2021-01-12,ex,usphs_3,A,B\nR2,2021-02-13,ex,usphs_3,C,\n";

fn read(placements: (&str, Vec<u8>), visits: (&str, Vec<u8>)) -> (Review, String) {
    let records = Records::new(&[(placements.0, &placements.1), (visits.0, &visits.1)]);
    let review = records.review(&["--by", "operator"]);
    let output = records.run(&["check", "records"]);
    (review, String::from_utf8_lossy(&output.stdout).into_owned())
}

fn plain() -> Review {
    read(("p.csv", PLACEMENTS.into()), ("v.csv", VISITS.into())).0
}

/// The same but for what tells which bytes it came from.
fn same(mut one: Review, other: &Review, what: &str) {
    one.data_fingerprint.clone_from(&other.data_fingerprint);
    let (one, other) =
        (serde_json::to_string_pretty(&one).expect("text"), serde_json::to_string_pretty(other).expect("text"));
    let differing: Vec<_> = one.lines().zip(other.lines()).filter(|(one, other)| one != other).take(5).collect();
    assert!(one == other, "{what}: {differing:#?}");
}

fn utf16(text: &str, little: bool, mark: bool) -> Vec<u8> {
    let marked = if mark { format!("\u{feff}{text}") } else { text.to_owned() };
    marked.encode_utf16().flat_map(|unit| if little { unit.to_le_bytes() } else { unit.to_be_bytes() }).collect()
}

#[test]
fn text_in_every_dialect_is_read_the_same_and_said() {
    let expected = plain();
    let semicolons = |text: &str| text.replace(',', ";").replace("1.5", "1,5").replace("2.25", "2,25");
    let western = |text: &str| -> Vec<u8> { text.chars().map(|c| u8::try_from(u32::from(c)).expect("western")).collect() };
    let quoted = |text: &str| {
        let mut lines = text.lines();
        let head = lines.next().expect("a header");
        let body: String =
            lines.map(|line| format!("{line},\"a note,\r\nover two lines with \"\"marks\"\"\"\r\n")).collect();
        format!("{head},notes\r\n{body}")
    };
    let both = |change: &dyn Fn(&str) -> Vec<u8>| (change(PLACEMENTS), change(VISITS));
    type Bytes = (Vec<u8>, Vec<u8>);
    let dialects: Vec<(&str, &str, Bytes)> = vec![
        ("a mark in front", "CSV, UTF-8, commas", both(&|text| format!("\u{feff}{text}").into_bytes())),
        ("line ends of two signs", "CSV, UTF-8, commas", both(&|text| text.replace('\n', "\r\n").into_bytes())),
        ("old line ends", "CSV, UTF-8, commas", both(&|text| text.replace('\n', "\r").into_bytes())),
        ("semicolons", "CSV, UTF-8, semicolons, decimal commas", both(&|text| semicolons(text).into_bytes())),
        ("tabs", "CSV, UTF-8, tabs", both(&|text| text.replace(',', "\t").into_bytes())),
        ("UTF-16", "CSV, UTF-16, tabs", both(&|text| utf16(&text.replace(',', "\t"), true, true))),
        ("UTF-16, high byte first", "CSV, UTF-16, commas", both(&|text| utf16(text, false, true))),
        ("UTF-16 without a mark", "CSV, UTF-16, commas", both(&|text| utf16(text, true, false))),
        ("Windows-1252", "CSV, Windows-1252, semicolons, decimal commas", both(&|text| western(&semicolons(text)))),
    ];
    for (what, format, (placements, visits)) in dialects {
        let (review, check) = read(("p.csv", placements), ("v.csv", visits));
        same(review, &expected, what);
        assert!(check.contains(&format!("p.csv: placements ({format}), 2 rows")), "{what}: {check}");
    }
    let records = Records::new(&[
        ("p.csv", quoted(PLACEMENTS).as_bytes()),
        ("v.csv", VISITS.as_bytes()),
        ("records.toml", b"[[files]]\nname = \"p.csv\"\n[files.columns]\nnotes = \"leave_out\"\n"),
    ]);
    same(records.review(&["--by", "operator"]), &expected, "quoted line breaks");
}

#[test]
fn a_workbook_with_both_kinds_is_read_the_same() {
    let mut book = Workbook::new();
    let day = Format::new().set_num_format("dd.mm.yyyy");
    let sheet = book.add_worksheet();
    sheet.set_name("Placements").expect("a name");
    // A title over the table, merged; a blank row; the header only in row 3, from the second column on.
    sheet.merge_range(0, 1, 0, 7, "Fillings of an invented practice", &Format::new()).expect("merged");
    for (row, line) in (2..).zip(PLACEMENTS.lines()) {
        let row = if row > 2 { row + 1 } else { row };
        for (column, cell) in (1..).zip(line.split(',')) {
            let placed_on = column == 4 && row > 2;
            if placed_on {
                let parts: Vec<u16> = cell.split('-').map(|part| part.parse().expect("a number")).collect();
                let date = ExcelDateTime::from_ymd(parts[0], parts[1] as u8, parts[2] as u8).expect("a day");
                sheet.write_datetime_with_format(row, column, &date, &day).expect("a cell");
            } else if let Ok(number) = cell.parse::<f64>() {
                sheet.write_number(row, column, number).expect("a cell");
            } else {
                sheet.write_string(row, column, cell).expect("a cell");
            }
        }
    }
    let sheet = book.add_worksheet();
    sheet.set_name("Recalls").expect("a name");
    for (row, line) in (0..).zip(VISITS.lines()) {
        for (column, cell) in (0..).zip(line.split(',')) {
            // Days as text here.
            sheet.write_string(row, column, cell).expect("a cell");
        }
    }
    let sheet = book.add_worksheet();
    sheet.set_name("Notes").expect("a name");
    sheet.write_string(0, 0, "Nothing to see here").expect("a cell");
    let records = Records::new(&[("book.xlsx", &book.save_to_buffer().expect("a workbook"))]);
    same(records.review(&["--by", "operator"]), &plain(), "workbook");
    let check = String::from_utf8_lossy(&records.run(&["check", "records"]).stdout).into_owned();
    assert!(check.contains("book.xlsx: Placements: placements (workbook), 2 rows"), "{check}");
    assert!(check.contains("book.xlsx: Recalls: visits (workbook), 2 rows"), "{check}");
}

#[test]
fn a_bad_cell_of_a_workbook_is_told_by_sheet_row_and_column() {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    sheet.set_name("Fillings").expect("a name");
    for (row, line) in (0..).zip(PLACEMENTS.replace("2020-02-11", "03/04/2020").lines()) {
        for (column, cell) in (0..).zip(line.split(',')) {
            sheet.write_string(row, column, cell).expect("a cell");
        }
    }
    // One patient over two rows.
    sheet.merge_range(1, 1, 2, 1, "P1", &Format::new()).expect("merged");
    let records = Records::new(&[("book.xlsx", &book.save_to_buffer().expect("a workbook"))]);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.contains("book.xlsx: Fillings, row 3, column placed_on: 03/04/2020"), "{text}");
    let fixed = PLACEMENTS.replace("P2", "P1");
    let sheet = book.worksheet_from_index(0).expect("a sheet");
    sheet.write_string(2, 3, "2020-02-11").expect("a cell");
    let records = Records::new(&[("book.xlsx", &book.save_to_buffer().expect("a workbook"))]);
    let review = records.review(&["--by", "operator"]);
    assert!(review.notices.iter().any(|notice| notice.code == "merged-cells"));
    let plain = Records::new(&[("p.csv", fixed.as_bytes())]).review(&["--by", "operator"]);
    assert_eq!(review.totals, plain.totals);
}

/// The header and the rows of a text with commas.
fn cells_of(text: &str) -> (Vec<String>, Vec<Vec<String>>) {
    let mut rows = text.lines().map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>());
    let header = rows.next().expect("a header");
    (header, rows.collect())
}

/// The same records as objects, one a line; an empty cell is left out.
fn json_lines(text: &str) -> Vec<u8> {
    let (header, rows) = cells_of(text);
    let object = |row: &Vec<String>| {
        let fields = header.iter().zip(row).filter(|(_, cell)| !cell.is_empty()).map(|(name, cell)| {
            let value = cell.parse::<f64>().map_or_else(|_| format!("\"{cell}\""), |number| number.to_string());
            format!("\"{name}\": {value}")
        });
        format!("{{{}}}\n", fields.collect::<Vec<_>>().join(", "))
    };
    rows.iter().map(object).collect::<String>().into_bytes()
}

/// The same records as columns, of texts alone or with numbers in them.
fn parquet(text: &str, typed: bool) -> Vec<u8> {
    parquet_in_groups(text, typed, 1_000)
}

/// The same in groups of so many rows.
fn parquet_in_groups(text: &str, typed: bool, rows: usize) -> Vec<u8> {
    use polars::prelude::{Column, DataFrame, IntoColumn, NamedFrom, Series};
    let (header, lines) = cells_of(text);
    let columns: Vec<Column> = header
        .iter()
        .enumerate()
        .map(|(place, name)| {
            let cells: Vec<Option<&str>> =
                lines.iter().map(|line| line.get(place).map(String::as_str).filter(|cell| !cell.is_empty())).collect();
            let numbers: Option<Vec<Option<f64>>> = cells
                .iter()
                .map(|cell| cell.map(|cell| cell.parse().ok()).map_or(Some(None), |number| number.map(Some)))
                .collect();
            match numbers {
                Some(numbers) if typed && name == "lesion_depth_mm" => {
                    Series::new(name.as_str().into(), numbers).into_column()
                }
                _ => Series::new(name.as_str().into(), cells).into_column(),
            }
        })
        .collect();
    let mut frame = DataFrame::new_infer_height(columns).expect("a frame");
    let mut bytes = Vec::new();
    let writer = polars_io::parquet::write::ParquetWriter::new(&mut bytes).with_row_group_size(Some(rows));
    writer.finish(&mut frame).expect("written");
    bytes
}

#[test]
fn parquet_in_many_groups_says_what_one_group_says() {
    let mut placements =
        "restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,etch_strategy,adhesive_class\n".to_owned();
    let mut visits = "restoration_id,visited_on,examiner,scheme,retention,colour\n".to_owned();
    for row in 0..90 {
        let tooth = if row % 31 == 30 { "99" } else { "36" };
        let depth = if row % 23 == 22 { "97.5" } else { "1.5" };
        let etch = ["self_etch", "etch_and_rinse", "", "etched somehow"][if row == 77 { 3 } else { row % 3 }];
        placements.push_str(&format!("R{row},P{row},{tooth},2020-01-10,op,{depth},{etch},three_step_etch_and_rinse\n"));
        let day = if row % 17 == 16 { "2021-13-40" } else { "2021-01-12" };
        let score = ["A", "B", "C", "7"][if row % 29 == 28 { 3 } else { row % 3 }];
        visits.push_str(&format!("R{row},{day},ex,usphs_3,{score},A\n"));
    }
    let checked = |rows: usize| {
        let files = [parquet_in_groups(&placements, true, rows), parquet_in_groups(&visits, true, rows)];
        let records = Records::new(&[("p.parquet", &files[0]), ("v.parquet", &files[1])]);
        said(&records, &records.run(&["check", "records"]))
    };
    let expected = checked(1_000);
    for part in ["p.parquet, row 31, column tooth: 99", "v.parquet, row 17, column visited_on", "etched somehow"] {
        assert!(expected.starts_with("exit 1") && expected.contains(part), "{part}: {expected}");
    }
    for rows in [7, 30, 89] {
        assert_eq!(checked(rows), expected, "groups of {rows}");
    }
    // Groups without anything wrong give the same tables.
    let files = [parquet_in_groups(PLACEMENTS, true, 1), parquet_in_groups(VISITS, true, 1)];
    let [placements, visits] = files;
    same(read(("p.parquet", placements), ("v.parquet", visits)).0, &plain(), "Parquet in groups of a row");
}

#[test]
fn json_lines_and_parquet_are_read_the_same() {
    let expected = plain();
    let (review, check) = read(("p.jsonl", json_lines(PLACEMENTS)), ("v.jsonl", json_lines(VISITS)));
    same(review, &expected, "JSON lines");
    assert!(check.contains("p.jsonl: placements (JSON lines), 2 rows"), "{check}");
    for typed in [false, true] {
        let (review, check) = read(("p.parquet", parquet(PLACEMENTS, typed)), ("v.parquet", parquet(VISITS, typed)));
        same(review, &expected, "Parquet");
        assert!(check.contains("p.parquet: placements (Parquet), 2 rows"), "{check}");
    }
    let wrong = PLACEMENTS.replace("2.25", "9.75");
    let records = Records::new(&[("p.parquet", &parquet(&wrong, true))]);
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.contains("p.parquet, row 2, column lesion_depth_mm: 9.75"), "{text}");
}

/// What stands for an empty cell, put where nothing was written; it says nothing but what is declared.
#[test]
fn a_file_that_writes_something_where_nothing_was_entered_is_read_as_declared() {
    // Rows that say the same, so that the later ones are known again; -1 stands where a number was not taken.
    let mut placements =
        "restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,sclerosis,etch_strategy\n".to_owned();
    let mut visits = "restoration_id,visited_on,examiner,scheme,retention,colour,outcome,outcome_on\n".to_owned();
    for row in 0..40 {
        let depth = if row % 2 == 0 { "-1" } else { "1.5" };
        placements.push_str(&format!("R{row},P{row},36,2020-01-10,{},{depth},NA,self_etch\n", ["na", "op"][row % 2]));
        let (retention, outcome) = [("NA", "lost"), ("A", "N/A"), ("n/a", "in_place"), ("C", "NA")][row % 4];
        visits.push_str(&format!("R{row},2021-01-12,ex,usphs_3,{retention},NA,{outcome},NA\n"));
    }
    let emptied = |text: &str| {
        let cell =
            |cell: &str| if ["NA", "na", "N/A", "n/a", "-1"].contains(&cell) { String::new() } else { cell.to_owned() };
        let line = |line: &str| line.split(',').map(cell).collect::<Vec<_>>().join(",") + "\n";
        text.lines().map(line).collect::<String>()
    };
    let expected = read(("p.csv", emptied(&placements).into()), ("v.csv", emptied(&visits).into())).0;
    assert_eq!((expected.totals.restorations, expected.totals.visits), (40, 40));
    let written: [(&str, [Vec<u8>; 2]); 4] = [
        ("csv", [placements.clone().into(), visits.clone().into()]),
        ("jsonl", [json_lines(&placements), json_lines(&visits)]),
        ("parquet", [parquet(&placements, true), parquet(&visits, true)]),
        ("csv", [placements.replace(",NA,", ",\"NA\",").into(), visits.replace(",NA,", ",\" NA \",").into()]),
    ];
    for (ending, [placements, visits]) in &written {
        let (p, v) = (format!("p.{ending}"), format!("v.{ending}"));
        let of = |file: &str| format!("[[files]]\nname = \"{file}\"\nempty = [\"na\", \"N/A\", \"-1\"]\n");
        let declaration = of(&p) + &of(&v);
        let records = Records::new(&[(&p, placements), (&v, visits), ("records.toml", declaration.as_bytes())]);
        same(records.review(&["--by", "operator"]), &expected, ending);
        let text = said(&records, &records.run(&["check", "records"]));
        assert!(text.starts_with("exit 0") && !text.contains("may-be-empty"), "{ending}: {text}");
    }
    // Undeclared, each of them is named, and how to mend it.
    let [placements, visits] = &written[0].1;
    let records = Records::new(&[("p.csv", placements), ("v.csv", visits)]);
    let text = said(&records, &records.run(&["check", "records"]));
    for part in ["p.csv, row 2, column sclerosis: NA", "declare in records.toml: empty = [\"NA\"]"] {
        assert!(text.starts_with("exit 1") && text.contains(part), "{part}: {text}");
    }
    // Texts stay as they are, with a caution in every row.
    let texts = PLACEMENTS.replace("Zoë", "NA").replace("R2,P2,46,2020-02-11,op", "R2,P2,46,2020-02-11,NA");
    let records = Records::new(&[("p.csv", texts.as_bytes()), ("v.csv", VISITS.as_bytes())]);
    let text = said(&records, &records.run(&["check", "records"]));
    for part in ["p.csv, row 2, column operator: NA", "may-be-empty 2"] {
        assert!(text.starts_with("exit 0") && text.contains(part), "{part}: {text}");
    }
    let review = records.review(&["--by", "operator"]);
    assert_eq!(review.endpoints[0].factors[0].groups[0].level, "NA");
    // How many there were is said.
    let declaration =
        "[[files]]\nname = \"p.csv\"\nempty = [\"NA\", \"-1\"]\n[[files]]\nname = \"v.csv\"\nempty = [\"NA\", \"N/A\"]\n";
    let records = Records::new(&[("p.csv", placements), ("v.csv", visits), ("records.toml", declaration.as_bytes())]);
    let text = said(&records, &records.run(&["check", "records"]));
    for part in
        ["p.csv: placements (CSV, UTF-8, commas, 80 cells read as empty)", "v.csv: visits (CSV, UTF-8, commas, 120 cells"]
    {
        assert!(text.contains(part), "{part}: {text}");
    }
    // A value that is declared for its column means what is declared.
    let declaration = "[[files]]\nname = \"p.csv\"\nempty = [\"NA\", \"-1\"]\n[files.values.operator]\nNA = \"Nora\"\n\
        [[files]]\nname = \"v.csv\"\nempty = [\"NA\", \"N/A\"]\n";
    let records = Records::new(&[("p.csv", placements), ("v.csv", visits), ("records.toml", declaration.as_bytes())]);
    let review = records.review(&["--by", "operator"]);
    let levels: Vec<&str> = review.endpoints[0].factors[0].groups.iter().map(|group| group.level.as_str()).collect();
    assert_eq!(levels, ["Nora", "op"]);
}

#[test]
fn what_stands_for_empty_cells_is_known_beside_other_visits_and_in_rows_that_were_set_aside() {
    let wide = "restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,6m date,6m ret,12m date,12m ret\n\
R1,P1,36,2020-01-10,-,-,2020-07-11,A,-,-\nR2,P2,36,2020-01-10,op,1.5,NA\u{a0},-,2021-01-11,C\nR3,P3,99,2020-01-10,-,-,-,-,2021-01-11,-\n";
    let declaration = "[[files]]\nname = \"p.csv\"\nempty = [\"-\", \"na\"]\n[files.constants]\nscheme = \"usphs_3\"\nexaminer = \"ex\"\n\
[[files.visits]]\nvisited_on = \"6m date\"\nretention = \"6m ret\"\n[[files.visits]]\nvisited_on = \"12m date\"\nretention = \"12m ret\"\n";
    let records = Records::new(&[("p.csv", wide.as_bytes()), ("records.toml", declaration.as_bytes())]);
    let text = said(&records, &records.run(&["check", "records"]));
    // A day alone says nothing: what was not seen is no visit.
    for part in ["p.csv, row 4, column tooth: 99", "p.csv, row 4\n  The visit has neither a score nor an outcome"] {
        assert!(text.starts_with("exit 1") && text.contains(part), "{part}: {text}");
    }
    assert!(text.contains("2 errors"), "{text}");
    // As CSV, a dash has an apostrophe in front; mended, it comes back as what it was.
    let output = records.run(&["check", "records", "--set-aside", "aside.csv"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    let aside = fs::read_to_string(records.path().join("aside.csv")).expect("rows set aside");
    assert!(aside.contains("'-"), "{aside}");
    let mended = aside.replace(",99,", ",35,").replacen("2021-01-11,'-", "2021-01-11,A", 1);
    fs::write(records.path().join("records/aside.csv"), mended).expect("written");
    let left: String = wide.lines().filter(|line| !line.starts_with("R3")).map(|line| format!("{line}\n")).collect();
    fs::write(records.path().join("records/p.csv"), left).expect("written");
    let text = said(&records, &records.run(&["check", "records"]));
    assert!(text.starts_with("exit 0") && !text.contains("may-be-empty"), "{text}");
    assert!(text.contains("3 visits received = 3 kept"), "{text}");
    let review = records.review(&["--by", "operator"]);
    assert_eq!((review.totals.restorations, review.totals.visits), (3, 3));
    let levels: Vec<&str> = review.endpoints[0].factors[0].groups.iter().map(|group| group.level.as_str()).collect();
    assert_eq!(levels, ["op"]);
}

#[test]
fn a_text_that_may_stand_for_an_empty_cell_is_named_where_it_counts() {
    let check = |placements: &str, declaration: &str| {
        let records = Records::new(&[("p.csv", placements.as_bytes()), ("records.toml", declaration.as_bytes())]);
        said(&records, &records.run(&["check", "records"]))
    };
    let none = "[[files]]\nname = \"p.csv\"\n";
    // Of ids it would make one patient of many, and declaring it would leave them without.
    let text = check(&PLACEMENTS.replace(",P1,", ",NA,").replace(",P2,", ",NA,"), none);
    assert!(text.contains("p.csv, row 2, column patient_id: NA") && text.contains("may-be-empty 2"), "{text}");
    assert!(text.contains("Write the id; leave it if it is one.") && !text.contains("empty = ["), "{text}");
    // A cell that must be filled can't be declared empty.
    let text = check(&PLACEMENTS.replace(",36,", ",-,"), none);
    assert!(text.contains("column tooth: -") && !text.contains("empty = ["), "{text}");
    // What is declared means what is declared, and is no caution.
    let texts = PLACEMENTS.replace("Zoë", "NA");
    let text = check(&texts, &format!("{none}[files.values.operator]\nNA = \"NA\"\n"));
    assert!(text.starts_with("exit 0") && !text.contains("may-be-empty"), "{text}");
    let text = check(&PLACEMENTS.replace("1.5", "?"), &format!("{none}[files.values.lesion_depth_mm]\n\"?\" = \"\"\n"));
    assert!(text.starts_with("exit 0") && text.contains("1 cell read as empty"), "{text}");
    let text = check(&texts.replace("self_etch", "NA"), &format!("{none}[files.values.etch_strategy]\nNA = \"glue\"\n"));
    assert!(text.contains("column etch_strategy: NA") && !text.contains("empty = ["), "{text}");
}

#[test]
fn numbers_in_columns_stay_numbers_where_a_word_stands_for_empty_cells() {
    // A column of texts, in which nothing was written, and one of numbers.
    let placements =
        "restoration_id,patient_id,tooth,placed_on,lesion_height_mm,lesion_depth_mm\nR1,P1,36,2020-01-10,NA,1.5\n";
    let bytes = parquet(placements, true);
    let check = |empty: &str| {
        let declaration = format!("[[files]]\nname = \"p.parquet\"\nempty = [{empty}]\n");
        let records = Records::new(&[("p.parquet", &bytes), ("records.toml", declaration.as_bytes())]);
        said(&records, &records.run(&["check", "records"]))
    };
    let text = check("\"NA\"");
    assert!(text.contains("(Parquet, 1 cell read as empty)") && !text.contains("lesion_depth_mm, "), "{text}");
    let text = check("\"NA\", \"1.5\"");
    assert!(text.contains("(Parquet, 2 cells read as empty)") && text.contains("lesion_depth_mm, "), "{text}");
}

/// A practice's own export: its columns, terms, units, days, digits; several visits in a row.
#[test]
fn what_a_practice_calls_things_is_read_as_it_declares() {
    let export = "Chart;Pat;Zahn;Placed;Depth cm;Bond;Notes;6m date;6m ret;6m col;12m ret;12m col\n\
R1;P1;19;10/01/2020;0,15;total;free text;20/07/2020;1;2;1;2\n\
R2;P2;30;11/02/2020;0,2;none;;;;;3;\n";
    let declaration = r#"
[[files]]
name = "export.txt"
holds = "placements"
days = "day_month_year"
tooth_notation = "universal"
digits_from = 1
[files.columns]
"Chart" = "restoration_id"
"Pat" = "patient_id"
"Zahn" = "tooth"
"Placed" = "placed_on"
"Depth cm" = { column = "lesion_depth_mm", unit = "cm" }
"Bond" = "etch_strategy"
"Notes" = "leave_out"
[files.values.etch_strategy]
total = "etch_and_rinse"
none = "self_etch"
[files.constants]
operator = "op"
scheme = "usphs_3"
examiner = "ex"
[[files.visits]]
visited_on = "6m date"
retention = "6m ret"
colour = "6m col"
[[files.visits]]
months_after_placement = 12
retention = "12m ret"
colour = "12m col"
"#;
    let records = Records::new(&[("export.txt", export.as_bytes()), ("records.toml", declaration.as_bytes())]);
    let check = records.run(&["check", "records"]);
    let text = String::from_utf8_lossy(&check.stdout).into_owned();
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));
    assert!(
        text.contains("export.txt: placements (CSV, UTF-8, semicolons, decimal commas), 2 rows, and 3 visits beside"),
        "{text}"
    );
    assert!(text.contains("3 visits received = 3 kept"), "{text}");
    let review = records.review(&["--by", "etch_strategy", "--by", "tooth_type"]);
    assert_eq!((review.totals.restorations, review.totals.visits, review.totals.failures), (2, 3, 1));
    let levels: Vec<&str> = review.endpoints[0].factors[0].groups.iter().map(|group| group.level.as_str()).collect();
    assert_eq!(levels, ["etch_and_rinse", "self_etch"]);
    assert!(review.notices.iter().any(|notice| notice.code == "day-reckoned" && notice.count == 2));
    // R2 was lost at the visit reckoned 12 months after its placement.
    let lost = &review.endpoints[0].all.curve[0];
    assert_eq!(lost.day.count(), 365);
    assert!(matches!(review.endpoints[0].all.horizons[0].survival, Known::Known(_)));
    // The same through a declaration given by name, for the file alone.
    fs::rename(records.path().join("records/records.toml"), records.path().join("ours.toml")).expect("moved");
    let output = records.run(&["check", "records/export.txt", "--declaration", "ours.toml"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn a_declaration_that_makes_no_sense_is_refused_in_words() {
    for (lines, expected) in [
        ("[files.columns]\nZahn = \"teeth\"\n", "“Zahn” is to become \"teeth\", and the records have no such column"),
        ("[files.columns]\nZahn = { column = \"tooth\", unit = \"cm\" }\n", "tooth is not measured in this unit"),
        ("[files.values.moon]\nfull = \"x\"\n", "\"moon\" is no column of the records"),
        ("digits_from = 2\n", "digits count from 0 or from 1"),
        ("[[files.visits]]\nretention = \"ret\"\n", "needs either visited_on"),
        ("separator = \"x\"\n", "records.toml, row 3"),
        ("encoding = \"latin\"\n", "latin can't stand here; choose from: utf_8"),
        ("[files.columns]\nZahn = 5\n", "a column leads to the name of one of the records' columns in quotation marks"),
        ("[files.columns]\nMissing = \"operator\"\n", "p.csv, row 1, column Missing"),
    ] {
        let declaration = format!("[[files]]\nname = \"p.csv\"\n{lines}");
        let records = Records::new(&[("p.csv", PLACEMENTS.as_bytes()), ("records.toml", declaration.as_bytes())]);
        let text = said(&records, &records.run(&["check", "records"]));
        assert!(text.starts_with("exit 1") && text.contains(expected), "{expected}\n{text}");
    }
}

#[test]
fn bad_rows_are_set_aside_with_their_reasons_mended_and_read_again() {
    let placements = format!(
        "{PLACEMENTS}R3,P3,46,03/04/2020,op,1.5,self_etch\nR4,P4,46,2020-03-01,op,1.5,self_etch\nR5,P5,46\nR1,P1,36,2020-01-10,Zoë,1.5,self_etch\n"
    );
    // R3's visit loses its placement; R4 is seen after its loss.
    let visits = format!(
        "{VISITS}R3,2021-03-01,ex,usphs_3,A,A\nR4,2021-03-01,ex,usphs_3,C,\nR4,2022-03-01,ex,usphs_3,A,A\nR4,2022-09-01,ex,usphs_3,=1+1,A\n"
    );
    for ending in ["xlsx", "csv"] {
        let records = Records::new(&[("p.csv", placements.as_bytes()), ("v.csv", visits.as_bytes())]);
        let aside = format!("aside.{ending}");
        let output = records.run(&["check", "records", "--set-aside", &aside]);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{}", said(&records, &output));
        assert!(text.contains("6 placements received = 3 kept + 2 set aside + 1 identical"), "{text}");
        assert!(text.contains("6 visits received = 3 kept + 3 set aside + 0 identical"), "{text}");
        assert!(text.contains("Set aside: 2 placements and 3 visits"), "{text}");
        let review = records.review(&["--set-aside", &format!("again.{ending}")]);
        assert_eq!((review.totals.restorations, review.totals.failures), (3, 2));
        if ending == "csv" {
            let written = fs::read_to_string(records.path().join("aside-p.csv")).expect("a file");
            let mut lines = written.trim_start_matches('\u{feff}').lines();
            assert!(lines.next().expect("a header").ends_with(",set_aside_from p.csv,set_aside_because"), "{written}");
            assert!(written.contains(",row 4,") && written.contains("Day and month can't be told apart"), "{written}");
            let second = fs::read_to_string(records.path().join("aside-v.csv")).expect("a file");
            assert!(second.contains("'=1+1"), "a formula is defused: {second}");
            // Mended, the rows are read again beside the others.
            let mended = written.replace("03/04/2020", "2020-04-03").replace("R5,P5,46,,,,", "R5,P5,46,2020-05-01,,,");
            fs::write(records.path().join("records/mended.csv"), mended).expect("a file");
            let kept = "restoration_id,patient_id,tooth,placed_on,operator,lesion_depth_mm,etch_strategy\nR4,P4,46,2020-03-01,op,1.5,self_etch\n";
            fs::write(
                records.path().join("records/p.csv"),
                format!("{PLACEMENTS}{}", &kept[kept.find("R4").expect("R4")..]),
            )
            .expect("a file");
            fs::write(records.path().join("records/v.csv"), VISITS).expect("a file");
            let output = records.run(&["check", "records"]);
            assert!(output.status.success(), "{}", said(&records, &output));
            assert!(
                String::from_utf8_lossy(&output.stdout).contains("5 placements received = 5 kept"),
                "{}",
                said(&records, &output)
            );
        }
        let refused = records.run(&["check", "records", "--set-aside", &aside]);
        if ending == "xlsx" {
            assert_eq!(refused.status.code(), Some(3), "never written over");
        }
    }
    // What puts a whole file in doubt can't be set aside.
    let records =
        Records::new(&[("p.csv", PLACEMENTS.replace("R2,P2,46", "R2,P2,30").as_bytes()), ("v.csv", VISITS.as_bytes())]);
    let output = records.run(&["check", "records", "--set-aside", "aside.xlsx"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(!records.path().join("aside.xlsx").exists());
}

/// What was declared of a file holds for its rows that were set aside; columns left out stay out of them.
#[test]
fn rows_set_aside_are_read_as_is_declared_of_the_file_they_came_from() {
    let export = "Card;Pat;Zahn;Placed;Depth;Surname\nR1;P1;19;10/01/2020;1,5;Müller\nR2;P2;30;32/02/2020;2,5;Maier\n";
    let western: Vec<u8> = export.chars().map(|c| u8::try_from(u32::from(c)).expect("western")).collect();
    let declaration = "[[files]]\nname = \"export.csv\"\nencoding = \"windows_1252\"\nseparator = \";\"\ndays = \"day_month_year\"\n\
tooth_notation = \"universal\"\n[files.columns]\nCard = \"restoration_id\"\nPat = \"patient_id\"\nZahn = \"tooth\"\n\
Placed = \"placed_on\"\nDepth = \"lesion_depth_mm\"\nSurname = \"leave_out\"\n";
    for aside in ["aside.csv", "aside.xlsx"] {
        let records = Records::new(&[("export.csv", &western), ("records.toml", declaration.as_bytes())]);
        let output = records.run(&["check", "records", "--set-aside", aside]);
        assert!(output.status.success(), "{}", said(&records, &output));
        if aside == "aside.csv" {
            let written = fs::read_to_string(records.path().join(aside)).expect("a file");
            assert!(written.contains("R2;P2;30;32/02/2020;2,5;row 3;") && !written.contains("Maier"), "{written}");
            fs::write(records.path().join(aside), written.replace("32/02", "12/02")).expect("a file");
            fs::rename(records.path().join(aside), records.path().join("records").join(aside)).expect("moved");
            let output = records.run(&["check", "records", "--set-aside", "again.csv"]);
            let text = String::from_utf8_lossy(&output.stdout).into_owned();
            assert!(text.contains("aside.csv: placements (CSV, UTF-8, semicolons, decimal commas), 1 row"), "{text}");
            assert!(text.contains("3 placements received = 2 kept + 1 set aside + 0 identical"), "{text}");
        } else {
            let text = said(&records, &records.run(&["check", aside, "--declaration", "records/records.toml"]));
            assert!(text.contains("column Placed: 32/02/2020"), "{text}");
        }
    }
}

/// The blank workbook, filled in, is read as it is: its sheets of explanations hold no records.
#[test]
fn the_blank_workbook_is_read_when_it_is_filled_in() {
    let records = Records::new(&[]);
    assert!(records.run(&["template", "blank"]).status.success());
    let text = said(&records, &records.run(&["check", "blank/records.xlsx"]));
    for sheet in ["Columns", "Criteria", "Terms"] {
        assert!(text.contains(&format!("records.xlsx: {sheet}: a sheet without records")), "{text}");
    }
    assert!(text.contains("2 errors (file-empty 2)"), "{text}");
}

#[test]
fn findings_are_listed_in_a_file_that_is_no_record_file() {
    let wrong = PLACEMENTS.replace("2020-02-11", "=cmd");
    let records = Records::new(&[("p.csv", wrong.as_bytes()), ("v.csv", VISITS.as_bytes())]);
    for list in ["records/findings.csv", "findings.json"] {
        let output = records.run(&["check", "records", "--findings", list]);
        assert_eq!(output.status.code(), Some(1), "{}", said(&records, &output));
    }
    let text = fs::read_to_string(records.path().join("records/findings.csv")).expect("a list");
    assert!(text.contains("p.csv,3,placed_on,'=cmd,error,not-a-day,"), "{text}");
    fs::write(records.path().join("records/p.csv"), PLACEMENTS).expect("a file");
    let output = records.run(&["check", "records"]);
    assert!(output.status.success(), "{}", said(&records, &output));
    assert!(String::from_utf8_lossy(&output.stdout).contains("findings.csv: a list of findings"));
    let refused = records.run(&["check", "records", "--findings", "records/p.csv"]);
    assert_eq!(refused.status.code(), Some(3), "records are never written over");
    assert_eq!(fs::read_to_string(records.path().join("records/p.csv")).expect("a file"), PLACEMENTS);
}
