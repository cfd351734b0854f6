//! `figures` through the whole program, on the committed review and comparison: text sizes, collisions, contrast, sizes, messages.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use manebit::figure::preset::Preset;
use manebit::figure::sheet::Weight;
use manebit::figure::stage::Outcome;
use manebit::figure::text_width::text_width;
use manebit::report::offered::Kind;

const REVIEW: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports");
const COMPARISON: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/reports/comparison");

fn run(folder: &Path, arguments: &[&str]) -> Output {
    assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
        .arg("figures")
        .args(arguments)
        .current_dir(folder)
        .output()
        .expect("it runs")
}

fn said(output: &Output) -> String {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).replace(env!("CARGO_MANIFEST_DIR"), "[project]");
    format!("exit {}\n{}{}", output.status.code().unwrap_or(-1), text(&output.stdout), text(&output.stderr))
}

/// Draws what a file of figures asks for, all in one format.
fn draw(results: &str, spec: &str) -> (tempfile::TempDir, Vec<PathBuf>) {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("talk.toml"), spec).expect("a file");
    let output = run(folder.path(), &[results, "--spec", "talk.toml", "--out", "out"]);
    assert!(output.status.success(), "{}", said(&output));
    let mut files: Vec<PathBuf> =
        fs::read_dir(folder.path().join("out")).expect("figures").flatten().map(|entry| entry.path()).collect();
    files.sort();
    (folder, files)
}

/// A figure for each chart that the results offer, on a preset. What a slide can't hold is left out.
fn all(results: &str, preset: Preset, formats: &str) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let listed = said(&run(folder.path(), &[results, "--list"]));
    let mut spec = String::new();
    for line in listed.lines().filter_map(|line| line.trim().strip_prefix("--")) {
        let mut figure = format!("[[figures]]\npreset = \"{}\"\nformats = [{formats}]\n", preset.name());
        for option in line.split(" --") {
            let (name, value) = option.split_once(' ').expect("an option with its value");
            figure.push_str(&format!("{name} = \"{value}\"\n"));
        }
        let slide = preset.name().starts_with("slide");
        let long: &[&str] = if results == REVIEW { &["criterion", "annual_failure"] } else { &["annual_failure", "flow"] };
        let long = long.iter().any(|chart| line.starts_with(&format!("chart {chart}")));
        if !(slide && long) {
            spec.push_str(&figure);
        }
    }
    spec
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split(&format!(" {name}=\"")).nth(1)?.split('"').next()
}

fn number(tag: &str, name: &str) -> f64 {
    attribute(tag, name).and_then(|text| text.trim_end_matches("mm").parse().ok()).expect("a number")
}

/// Fails when texts overlap, leave the sheet, or come out smaller than the preset promises; tells how many texts there are.
fn check_texts(name: &str, svg: &str) -> usize {
    let sheet = attribute(svg, "viewBox").expect("a sheet");
    let sheet: Vec<f64> = sheet.split(' ').map(|text| text.parse().expect("a number")).collect();
    let millimetres = attribute(svg, "width").is_some_and(|width| width.ends_with("mm"));
    let (scale, least) = match (millimetres, number(svg, "width") / sheet[2]) {
        (true, scale) => (scale / 25.4 * 72.0, 7.0),
        (false, scale) => (scale, 24.0),
    };
    let mut boxes: Vec<(String, f64, f64, f64, f64)> = Vec::new();
    for tag in svg.split("<text").skip(1) {
        let (head, rest) = tag.split_once('>').expect("a tag");
        let text = rest.split('<').next().expect("a text");
        let text = text
            .replace("&lt;", "<")
            .replace("&gt;", ">")
            .replace("&#39;", "'")
            .replace("&quot;", "\"")
            .replace("&amp;", "&");
        let (x, y, size) = (number(head, "x"), number(head, "y"), number(head, "font-size"));
        assert!(size * scale >= least - 1e-9, "{name}: “{text}” is too small: {}", size * scale);
        let width = text_width(&text, size, if head.contains("font-weight") { Weight::Bold } else { Weight::Regular });
        let left = match attribute(head, "text-anchor") {
            Some("middle") => x - width / 2.0,
            Some("end") => x - width,
            _ => x,
        };
        let one = (text, left, left + width, y - 0.73 * size, y + 0.2 * size);
        let inside = one.1 >= 0.0 && one.2 <= sheet[2] && one.3 >= 0.0 && one.4 <= sheet[3];
        assert!(inside, "{name}: “{}” leaves the sheet", one.0);
        for other in &boxes {
            let apart = one.2 <= other.1 + 0.5 || other.2 <= one.1 + 0.5 || one.4 <= other.3 + 0.5 || other.4 <= one.3 + 0.5;
            assert!(apart, "{name}: “{}” and “{}” overlap", one.0, other.0);
        }
        boxes.push(one);
    }
    boxes.len()
}

/// Relative luminance of `#rrggbb` (WCAG 2, W3C 2018; from memory).
fn luminance(hex: &str) -> f64 {
    let part = |at: usize| {
        let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).expect("a colour")) / 255.0;
        if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

#[test]
fn on_every_preset_texts_are_large_enough_and_keep_apart() {
    for preset in Preset::ALL {
        for results in [REVIEW, COMPARISON] {
            let (_folder, files) = draw(results, &all(results, preset, "\"svg\""));
            assert!(files.len() >= 2, "{preset:?}: {files:?}");
            for file in files {
                let svg = fs::read_to_string(&file).expect("a figure");
                assert!(check_texts(&file.display().to_string(), &svg) > 5);
            }
        }
    }
}

#[test]
fn words_stand_out_from_dark_paper_and_grey_figures_hold_no_colour() {
    for (preset, paper) in
        [(Preset::SlideDark, "#141820"), (Preset::ColumnGrey, "#ffffff"), (Preset::PageWidthGrey, "#ffffff")]
    {
        let (_folder, files) = draw(COMPARISON, &all(COMPARISON, preset, "\"svg\""));
        for file in files {
            let svg = fs::read_to_string(&file).expect("a figure");
            let first = svg.split("<rect").nth(1).expect("the paper");
            assert_eq!(attribute(first, "fill"), Some(paper), "{}", file.display());
            for tag in svg.split("<text").skip(1) {
                let (one, other) = (luminance(attribute(tag, "fill").expect("a colour")), luminance(paper));
                let contrast = (one.max(other) + 0.05) / (one.min(other) + 0.05);
                assert!(contrast >= 4.5, "{}: {contrast} in {}", file.display(), &tag[..120]);
            }
            if preset != Preset::SlideDark {
                for colour in svg.split("=\"#").skip(1).map(|rest| &rest[..6]) {
                    assert!(colour[..2] == colour[2..4] && colour[2..4] == colour[4..], "{}: #{colour}", file.display());
                }
            }
        }
    }
}

#[test]
fn pictures_have_the_size_of_their_preset_and_pages_carry_their_font() {
    for preset in Preset::ALL {
        let spec = format!("[[figures]]\nchart = \"survival\"\nname = \"x\"\npreset = \"{}\"\n", preset.name());
        let (_folder, files) = draw(COMPARISON, &spec);
        let names: Vec<_> = files.iter().map(|file| file.file_name().expect("a name").to_string_lossy()).collect();
        assert_eq!(names, ["x.pdf", "x.png", "x.svg"]);
        let [page, picture] = [0, 1].map(|place| fs::read(&files[place]).expect("a file"));
        let size = |at: usize| u32::from_be_bytes(picture[at..at + 4].try_into().expect("four bytes"));
        let stage = &preset.stages()[0];
        match stage.outcome {
            Outcome::Pixels(wide, high) => assert_eq!((size(16), size(20)), (wide, high)),
            // 85 mm and 174 mm at 300 dots per inch.
            Outcome::Millimetres(wide) => {
                assert_eq!(size(16), if wide == 85 { 1004 } else { 2055 });
                let dots = picture.windows(4).position(|part| part == b"pHYs").expect("its dots");
                assert_eq!((size(dots + 4), picture[dots + 12]), (11_811, 1), "300 dots per inch are 11811 a metre");
            }
            Outcome::Units => panic!("a preset says how large it comes out"),
        }
        assert!(page.starts_with(b"%PDF-"));
        let has = |name: &[u8]| page.windows(name.len()).any(|part| part == name);
        assert!(has(b"DejaVuSans") && has(b"DejaVuSans-Bold") && has(b"/FontFile"), "{preset:?}: the font is embedded");
        assert!(has(b"/ToUnicode"), "{preset:?}: text can be copied");
        assert!(!has(b"/CreationDate") && !has(b"CreateDate"), "{preset:?}: no date");
    }
}

#[test]
fn the_same_results_give_the_same_bytes() {
    let spec =
        "[[figures]]\nchart = \"survival\"\npreset = \"slide_dark\"\n[[figures]]\nchart = \"forest\"\npreset = \"column\"\n";
    let bytes = || -> Vec<Vec<u8>> {
        let (_folder, files) = draw(COMPARISON, spec);
        files.iter().map(|file| fs::read(file).expect("a file")).collect()
    };
    let first = bytes();
    assert_eq!(first.len(), 6);
    assert!(first == bytes());
}

#[test]
fn the_speakers_words_are_printed_as_given() {
    let spec = "[[figures]]\nchart = \"survival\"\ntitle = \"Do they <last>?\"\nnote = \"One practice & ten years\"\nformats = [\"svg\"]\n";
    let (_folder, files) = draw(COMPARISON, spec);
    let svg = fs::read_to_string(&files[0]).expect("a figure");
    assert!(svg.contains(">Do they &lt;last&gt;?</text>") && svg.contains(">One practice &amp; ten years</text>"), "{svg}");
    assert!(svg.contains("Not adjusted."), "a listener is told what a crude curve is");
}

/// Whether a text holds a day of the calendar as this program writes it, such as 2026-01-31.
fn holds_a_date(text: &str) -> bool {
    text.as_bytes().windows(10).any(|window| {
        window
            .iter()
            .enumerate()
            .all(|(place, sign)| if [4, 7].contains(&place) { *sign == b'-' } else { sign.is_ascii_digit() })
    })
}

/// Texts of an SVG that are a number from 1 to 4.
fn small_numbers(svg: &str) -> usize {
    ["1", "2", "3", "4"].iter().map(|number| svg.matches(&format!(">{number}</text>")).count()).sum()
}

#[test]
fn figures_for_others_hold_no_small_count_and_no_date() {
    let shown = |results: &str, spec: &str| -> Vec<String> {
        let (_folder, files) = draw(results, spec);
        files.iter().map(|file| fs::read_to_string(file).expect("a figure")).collect()
    };
    let spec = |top: &str| format!("{top}[[figures]]\nchart = \"survival\"\npreset = \"page_width\"\nformats = [\"svg\"]\n");
    // Marks of the axis are numbers, too: years 1, 2 and 3.
    let marks = 3;
    let own = &shown(COMPARISON, &spec(""))[0];
    assert!(small_numbers(own) > marks && own.contains(">failed</text>") && !own.contains("&lt;5"), "it has some to hide");
    let others = &shown(COMPARISON, &spec("for_others = true\n"))[0];
    assert_eq!(small_numbers(others), marks);
    assert!(others.contains(">&lt;5</text>") && !others.contains(">failed</text>") && !others.contains(">censored</text>"));
    assert!(others.contains(">Numbers from 1 to 4 are printed as &lt;5.</text>"));

    let recalls = "[[figures]]\nchart = \"recalls\"\npreset = \"page_width\"\nformats = [\"svg\"]\n";
    assert!(holds_a_date(&shown(REVIEW, recalls)[0]));
    assert!(!holds_a_date(&shown(REVIEW, &format!("for_others = true\n{recalls}"))[0]));
    for results in [REVIEW, COMPARISON] {
        let listed = all(results, Preset::PageWidth, "\"svg\"");
        let in_house = |figure: &&str| {
            Kind::ALL.into_iter().any(|kind| kind.in_house() && figure.contains(&format!("chart = \"{}\"", kind.name())))
        };
        let listed: Vec<&str> = listed.split("[[figures]]").filter(|figure| !in_house(figure)).collect();
        assert!(listed.len() > 5, "some are for others");
        for svg in shown(results, &format!("for_others = true\n{}", listed.join("[[figures]]"))) {
            assert!(!holds_a_date(&svg));
            for small in 1..5 {
                for noun in ["restoration", "patient", "failure", "due", "seen", "scored"] {
                    assert!(
                        !svg.contains(&format!(">{small} {noun}")) && !svg.contains(&format!(", {small} {noun}")),
                        "{small} {noun}"
                    );
                }
            }
        }
    }
}

/// What is read of a page: neither style nor script nor where things lie in a drawing.
fn read_of(page: &str) -> String {
    let mut text = page.to_owned();
    for part in ["style", "script"] {
        while let Some(from) = text.find(&format!("<{part}")) {
            let end = text[from..].find(&format!("</{part}>")).expect("an end") + from;
            text.replace_range(from..end + part.len() + 3, " ");
        }
    }
    let mut read = String::new();
    let mut inside = false;
    for sign in text.chars() {
        match sign {
            '<' => inside = true,
            '>' => {
                inside = false;
                read.push(' ');
            }
            _ if !inside => read.push(sign),
            _ => {}
        }
    }
    read.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Numbers from 1 to 4 before a noun that is counted.
fn told_of_few(text: &str) -> Vec<String> {
    let words: Vec<&str> = text.split(' ').collect();
    let nouns = ["restoration", "restorations", "patient", "patients", "failure", "failures", "visit", "visits", "losses"];
    let few = |pair: &&[&str]| {
        ["1", "2", "3", "4"].contains(&pair[0]) && nouns.contains(&pair[1].trim_matches(|sign: char| !sign.is_alphabetic()))
    };
    words.windows(2).filter(few).map(|pair| pair.join(" ")).collect()
}

#[test]
fn the_page_for_others_tells_of_no_few_of_no_day_and_of_no_restoration() {
    let folder = tempfile::tempdir().expect("a folder");
    for (results, name) in [(REVIEW, "review"), (COMPARISON, "comparison")] {
        let output = run(folder.path(), &[results, "--page", "--out", "talk"]);
        assert!(output.status.success(), "{}", said(&output));
        let page = fs::read_to_string(folder.path().join(format!("talk/{name}-for-others.html"))).expect("a page");
        let own = Path::new(results).join(format!("{name}.html"));
        let own = fs::read_to_string(own).expect("the practice's own page");
        let few_in_cells = |page: &str| {
            ["1", "2", "3", "4"]
                .iter()
                .map(|few| page.matches(&format!("<td class=\"n\">{few}</td>")).count())
                .sum::<usize>()
                + small_numbers(page)
        };
        assert!(holds_a_date(&own) && few_in_cells(&own) > few_in_cells(&page), "the practice's own page has some to hide");
        assert_eq!(few_in_cells(&page), small_numbers(&page), "no cell of a table has any");
        assert!(!holds_a_date(&page), "no day, not even in the data of curves");
        let read = read_of(&page);
        assert_eq!(told_of_few(&read), [""; 0], "{name}");
        assert!(read.contains("&lt;5") && !read.contains("Which they are"));
        assert!(read.contains("no proof that one technique is better"), "the standing caution");
        assert!(!page.contains("data-chart=\"flow\"") && page.contains("data-chart=\"survival"));
        let data = page.split("id=\"curves\">").nth(1).and_then(|rest| rest.split("</script>").next()).expect("curves");
        let curves: serde_json::Value = serde_json::from_str(data).expect("JSON");
        let levels: Vec<&serde_json::Value> = curves
            .as_array()
            .expect("charts")
            .iter()
            .flat_map(|chart| chart["levels"].as_array().expect("levels"))
            .collect();
        assert!(levels.len() > 1);
        for at_risk in levels.iter().flat_map(|level| level["at_risk"].as_array().expect("counts")) {
            assert!(!["1", "2", "3", "4"].contains(&at_risk[1].as_str().expect("as it is told")), "{at_risk}");
        }
    }
    let output = run(folder.path(), &[REVIEW, "--page", "--chart", "survival", "--out", "talk"]);
    assert_eq!(output.status.code(), Some(2), "one or the other");
}

#[test]
fn a_page_for_others_tells_no_reason_that_names_how_few_there_are() {
    let folder = tempfile::tempdir().expect("a folder");
    // The committed comparison as if nothing could have been adjusted.
    let why = "Etch-and-rinse has 1 restoration with everything recorded that is adjusted for";
    let text = fs::read_to_string(Path::new(COMPARISON).join("results.json")).expect("results");
    let mut results: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    results["adjusted"] = serde_json::json!({"not_computed": why});
    results["guards"].as_array_mut().expect("guards").push(serde_json::json!({"guard": "not_adjusted", "why": why}));
    fs::write(folder.path().join("results.json"), results.to_string()).expect("written");
    let output = run(folder.path(), &["results.json", "--page", "--out", "talk"]);
    assert!(output.status.success(), "{}", said(&output));
    let page = fs::read_to_string(folder.path().join("talk/comparison-for-others.html")).expect("a page");
    let read = read_of(&page);
    assert_eq!(told_of_few(&read), [""; 0]);
    assert!(
        read.contains("Nothing is adjusted.") && read.contains("Nothing was adjusted. ") && !read.contains(why),
        "{read}"
    );
}

#[test]
fn the_option_and_the_file_mean_the_same_for_others() {
    let folder = tempfile::tempdir().expect("a folder");
    let options = ["--chart", "survival", "--preset", "column", "--formats", "svg", "--for-others", "--out", "out"];
    let output = run(folder.path(), &[&[COMPARISON], &options[..]].concat());
    assert!(output.status.success(), "{}", said(&output));
    let by_option = fs::read_to_string(folder.path().join("out/survival-column.svg")).expect("a figure");
    let spec = "for_others = true\n[[figures]]\nchart = \"survival\"\npreset = \"column\"\nformats = [\"svg\"]\n";
    let (_folder, files) = draw(COMPARISON, spec);
    assert!(by_option == fs::read_to_string(&files[0]).expect("a figure"));
}

#[test]
fn what_is_wrong_is_said_and_nothing_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut text = String::new();
    let long = format!("[[figures]]\nchart = \"survival\"\ntitle = \"{}\"\n", "A title without end ".repeat(60));
    for spec in [
        "",
        "[[figures]]\nchart = \"survival\"\ncolour = \"red\"\n",
        "[[figures]]\nchart = \"pie\"\n",
        "[[figures]]\nchart = \"recalls\"\n[[figures]]\nchart = \"survival\"\npreset = \"poster\"\n",
        "[[figures]]\nchart = \"survival\"\nendpoint = \"retention_loss\"\n",
        "[[figures]]\nchart = \"forest\"\nshortened_axis = true\n",
        "[[figures]]\nchart = \"cumulative_failure\"\nshortened_axis = true\n",
        "for_others = true\n[[figures]]\nchart = \"flow\"\npreset = \"column\"\n",
        "[[figures]]\nchart = \"survival\"\nname = \"../x\"\n",
        "[[figures]]\nchart = \"survival\"\nformats = [\"jpg\"]\n",
        "[[figures]]\nchart = \"survival\"\n[[figures]]\nchart = \"survival\"\ntitle = \"Again\"\n",
        &long,
    ] {
        fs::write(folder.path().join("talk.toml"), spec).expect("a file");
        let output = run(folder.path(), &[COMPARISON, "--spec", "talk.toml", "--out", "out"]);
        assert_eq!(output.status.code(), Some(2), "{spec}");
        text.push_str(&format!(
            "{}\n{}\n",
            spec.lines().map(|line| line.chars().take(60).collect::<String>()).collect::<Vec<_>>().join("\n"),
            said(&output)
        ));
    }
    for (name, results) in [
        ("none", None),
        ("other", Some("{\"a\": 1}")),
        ("cut", Some("{\"format\": 1,")),
        ("later", Some("{\"format\": 7, \"endpoints\": [], \"recalls\": []}")),
        ("unlike", Some("{\"format\": 1, \"verdicts\": [], \"levels\": []}")),
    ] {
        fs::create_dir_all(folder.path().join(name)).expect("a folder");
        if let Some(results) = results {
            fs::write(folder.path().join(name).join("results.json"), results).expect("a file");
        }
        let output = run(folder.path(), &[name, "--list"]);
        assert_eq!(output.status.code(), Some(2), "{name}");
        text.push_str(&format!("{}\n", said(&output)));
    }
    assert!(!folder.path().join("out").exists());
    insta::assert_snapshot!("wrong_figures", text);
    insta::assert_snapshot!("figures_offered", said(&run(folder.path(), &[COMPARISON, "--list"])));
}

#[test]
fn numbers_take_a_decimal_comma_where_that_is_asked_for_and_the_speakers_words_stay() {
    let spec = "decimal_comma = true\n[[figures]]\nchart = \"survival\"\nfactor = \"etch_strategy\"\ntitle = \"Part 2.5 of my talk\"\nnote = \"Since 1.5 years.\"\nformats = [\"svg\"]\n";
    let (_folder, files) = draw(REVIEW, spec);
    let svg = fs::read_to_string(&files[0]).expect("a figure");
    let mut numbers = 0;
    for tag in svg.split("<text").skip(1) {
        let text = tag.split_once('>').expect("a tag").1.split('<').next().expect("a text");
        if ["Part 2.5 of my talk", "Since 1.5 years."].contains(&text) {
            numbers += 100;
            continue;
        }
        let letters: Vec<char> = text.chars().collect();
        let between = |sign: char| {
            letters.windows(3).any(|three| three[1] == sign && three[0].is_ascii_digit() && three[2].is_ascii_digit())
        };
        assert!(!between('.'), "{text}");
        numbers += usize::from(between(','));
    }
    assert!(numbers > 201, "both of the speaker's texts and some numbers: {numbers}");
}
