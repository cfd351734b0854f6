//! The plain way in: a table of times from any field through the whole program, against published values.

use std::fmt::Write as _;
use std::fs;

use manebit::estimate::answer::Answers;
use manebit::estimate::regression::Fitted;
use manebit::quantity::Known;
use serde_json::Value;

use super::run::{Records, said};

/// Weeks of remission under 6-MP and placebo (Freireich et al., Blood 1963;21:699–716), a plus for a censored one.
const TREATED: &str = "6,6,6,6+,7,9+,10,10+,11+,13,16,17+,19+,20+,22,23,25+,32+,32+,34+,35+";
const PLACEBO: &str = "1,1,2,2,3,4,4,5,5,8,8,8,8,11,11,12,12,15,17,22,23";

pub fn remission(divide: f64, separator: char, comma: bool) -> String {
    let mut text = format!("weeks{separator}relapse{separator}arm{separator}patient{separator}placebo\n");
    let mut patient = 0;
    for (arm, list) in [("6-MP", TREATED), ("placebo", PLACEBO)] {
        for item in list.split(',') {
            patient += 1;
            let relapse = u8::from(!item.ends_with('+'));
            let weeks: f64 = item.trim_end_matches('+').parse().expect("a time");
            let mut time = format!("{}", weeks / divide);
            if comma {
                time = time.replace('.', ",");
            }
            let placebo = u8::from(arm == "placebo");
            writeln!(text, "{time}{separator}{relapse}{separator}{arm}{separator}{patient}{separator}{placebo}")
                .expect("written");
        }
    }
    text
}

pub fn answers(records: &Records, arguments: &[&str]) -> Answers {
    let mut all = vec!["estimate"];
    all.extend(arguments);
    all.push("--json");
    let output = records.run(&all);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let value: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    super::generated::valid("estimate.schema.json", &value).expect("keeps to its schema");
    serde_json::from_value(value).expect("answers")
}

#[track_caller]
pub fn near(value: f64, reference: f64, digits: i32) {
    let allowed = 0.5001 * 10_f64.powf(reference.abs().log10().floor() + 1.0 - f64::from(digits));
    assert!((value - reference).abs() <= allowed, "{value} against {reference}");
}

const COLUMNS: [&str; 6] = ["--time", "weeks", "--cause", "relapse", "--group", "arm"];

#[test]
fn remission_times_give_the_published_numbers() {
    let records = Records::new(&[("remission.csv", remission(1.0, ',', false).as_bytes())]);
    let mut arguments = vec!["records/remission.csv"];
    arguments.extend(COLUMNS);
    arguments.extend(["--at", "6,10,23", "--until", "20", "--covariate", "placebo", "--scale", "log"]);
    arguments.extend(["--weighting", "log-rank,gehan,tarone-ware,peto-peto,modified-peto-peto,fleming-harrington:0:1"]);
    arguments.extend(["--want", "survival,quantiles,mean,tests,cox"]);
    let found = answers(&records, &arguments);
    // Kaplan–Meier of 6-MP at 6, 10 and 23 weeks: 0.857, 0.753, 0.448 (Kalbfleisch & Prentice; from memory); ten digits computed
    // with general-purpose software.
    let survival = found.survival.expect("survival");
    for (at, reference) in survival[0].at.iter().zip([0.857_142_857_1, 0.752_941_176_5, 0.448_179_271_7]) {
        near(at.estimate.known().expect("followed").value.value(), reference, 10);
    }
    // Medians 23 (16 to not reached) and 8 (4 to 12), by the log limits (a public teaching page).
    let medians: Vec<_> =
        found.quantiles.expect("quantiles").into_iter().filter(|one| (one.failed_part.value() - 0.5).abs() < 1e-9).collect();
    assert_eq!((medians[0].time, medians[0].lower), (Known::Known(23.0), Known::Known(16.0)));
    assert_eq!(
        (medians[1].time, medians[1].lower, medians[1].upper),
        (Known::Known(8.0), Known::Known(4.0), Known::Known(12.0))
    );
    // Restricted means to 20 weeks: 16.11652661 (1.251560196) and 8.428571429 (1.268082683), general-purpose software.
    let means = found.means.expect("means");
    for (one, (mean, error)) in means.iter().zip([(16.116_526_61, 1.251_560_196), (8.428_571_429, 1.268_082_683)]) {
        let estimate = one.mean.known().expect("known");
        near(estimate.value, mean, 10);
        near(estimate.standard_error.expect("error"), error, 10);
    }
    // χ² 16.79294099 (Kleinbaum & Klein: 16.793; from memory) and the others of the family, general-purpose software.
    let tests = found.tests.expect("tests");
    let references = [16.792_940_99, 13.457_852_05, 15.123_575_3, 14.084_139_87, 13.911_285_45, 13.048_448_62];
    for (test, reference) in tests.by_weighting.iter().zip(references) {
        near(test.known().expect("a test").chi_square, reference, 10);
    }
    // Cox, Efron: 1.57212515 (0.412396718); 1.572 (0.412) in print (from memory).
    let Some(Fitted::Fit(fit)) = found.proportional_hazards else { panic!("a fit") };
    near(fit.regression.coefficients[0].coefficient.value, 1.572_125_15, 9);
    near(fit.regression.coefficients[0].coefficient.standard_error.expect("error"), 0.412_396_718, 9);
}

#[test]
fn fractions_of_a_time_and_other_dialects_change_only_the_unit() {
    let records = Records::new(&[
        ("weeks.csv", remission(1.0, ',', false).as_bytes()),
        ("years.csv", remission(8.0, ';', true).as_bytes()),
    ]);
    let of = |file: &str, at: &str| {
        let mut arguments = vec![file];
        arguments.extend(COLUMNS);
        arguments.extend([
            "--at",
            at,
            "--want",
            "survival,quantiles,mean,tests,rates,hazard,contrasts,conditional,bands",
            "--until",
        ]);
        arguments.push(at.split(',').next_back().expect("a time"));
        answers(&records, &arguments)
    };
    let (weeks, eighths) = (of("records/weeks.csv", "8,20"), of("records/years.csv", "1,2.5"));
    for (week, eighth) in weeks.survival.expect("some").iter().zip(eighths.survival.expect("some")) {
        for (week, eighth) in week.at.iter().zip(&eighth.at) {
            assert_eq!(week.estimate, eighth.estimate, "the same curve, whatever the unit");
            assert_eq!(week.at_risk, eighth.at_risk);
        }
    }
    for (week, eighth) in weeks.quantiles.expect("some").iter().zip(eighths.quantiles.expect("some")) {
        assert_eq!(week.time.map(|time| time / 8.0), eighth.time);
        assert_eq!(week.upper.map(|time| time / 8.0), eighth.upper);
    }
    for (week, eighth) in weeks.means.expect("some").iter().zip(eighths.means.expect("some")) {
        let (week, eighth) = (week.mean.known().expect("known"), eighth.mean.known().expect("known"));
        assert!((week.value / 8.0 / eighth.value - 1.0).abs() < 1e-13, "relative");
    }
    let chi_square =
        |found: &Answers| found.tests.as_ref().expect("tests").by_weighting[0].known().expect("a test").chi_square;
    let other = of("records/years.csv", "1,2.5");
    assert_eq!(chi_square(&of("records/weeks.csv", "8,20")).to_bits(), chi_square(&other).to_bits());
}

#[test]
fn what_stands_where_nothing_was_entered_is_named_or_read_as_empty() {
    let rows = |none: &str| format!("days,ended,arm\n100,1,a\n200,{none},a\n300,1,{none}\n400,0,b\n{none},1,b\n");
    let records = Records::new(&[("na.csv", rows("n/a").as_bytes()), ("none.csv", rows("").as_bytes())]);
    let told = |file: &str, more: &[&str]| {
        let columns = [file, "--time", "days", "--cause", "ended", "--group", "arm", "--leave-out-incomplete"];
        said(&records, &records.run(&[&["estimate"], &columns[..], more].concat()))
    };
    // A time that is none stops the run; what is no number can be meant.
    let text = told("records/na.csv", &[]);
    assert!(text.starts_with("exit 1") && text.contains("or name with --empty what stands there"), "{text}");
    let name = |text: String| text.replace("none.csv", "na.csv");
    assert_eq!(told("records/na.csv", &["--empty", "N/A"]), name(told("records/none.csv", &[])));
    let rows = rows("n/a").replace("n/a,1,b\n", "500,1,b\n");
    let records = Records::new(&[("na.csv", rows.as_bytes())]);
    let output = records.run(&["estimate", "records/na.csv", "--time", "days", "--cause", "ended", "--group", "arm"]);
    let text = said(&records, &output);
    for column in ["ended", "arm"] {
        let doubt = format!(
            "Mind: “n/a” stands in 1 row of {column} and is taken as it stands. If nothing was entered there, give --empty n/a."
        );
        assert!(text.starts_with("exit 0") && text.contains(&doubt), "{doubt}: {text}");
    }
    // The points of a table that has commas for decimals.
    let records = Records::new(&[("p.csv", b"days;ended\n1.200;1\n2.300;0\n500;0\n" as &[u8])]);
    let of = |columns: &[&str]| said(&records, &records.run(&[&["estimate", "records/p.csv"], columns].concat()));
    let text = of(&["--time", "days", "--cause", "ended"]);
    assert!(text.contains("Mind: Every point in days has three digits behind it, as in 1.200; it is read as"), "{text}");
    let records = Records::new(&[("p.csv", b"days;ended\n1.200;1\n2.300;0\n350,5;0\n" as &[u8])]);
    let text = said(&records, &records.run(&["estimate", "records/p.csv", "--time", "days", "--cause", "ended"]));
    assert!(
        text.contains("Mind: Some numbers in days have a comma, some a point, as 1.200 has; both are read as"),
        "{text}"
    );
    let records = Records::new(&[("p.csv", b"days;ended\n1.25;1\n2.300;0\n" as &[u8])]);
    let text = said(&records, &records.run(&["estimate", "records/p.csv", "--time", "days", "--cause", "ended"]));
    assert!(text.starts_with("exit 0") && !text.contains("the mark of a decimal"), "{text}");
}

#[test]
fn every_question_is_answered_in_words() {
    let records = Records::new(&[("teeth.csv", teeth().as_bytes())]);
    let columns = ["--time", "years", "--cause", "end", "--failure", "lost", "--censored", "there", "--cluster", "mouth"];
    let mut arguments = vec!["estimate", "records/teeth.csv"];
    arguments.extend(columns);
    arguments.extend(["--group", "etch", "--stratum", "jaw", "--weight", "weight", "--entry", "from"]);
    arguments.extend([
        "--covariate",
        "depth",
        "--factor",
        "class",
        "--reference",
        "class=universal",
        "--profile",
        "depth=2,class=etch-and-rinse",
    ]);
    arguments.extend(["--at", "1,3,5", "--given", "1", "--until", "5", "--published-rate", "0.05", "--year", "1"]);
    arguments.extend(["--resamples", "200", "--residuals", "--curves", "--want"]);
    arguments.push(
        "survival,bands,hazard,quantiles,mean,contrasts,conditional,life-table,tests,pairs,incidence,fine-gray,cox,firth,frailty,rates,bootstrap",
    );
    let output = records.run(&arguments);
    insta::assert_snapshot!(said(&records, &output));
    arguments.push("--json");
    let output = records.run(&arguments);
    let value: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    super::generated::valid("estimate.schema.json", &value).expect("keeps to its schema");
    let again = records.run(&arguments);
    assert_eq!(output.stdout, again.stdout, "the same bytes again");
}

/// Invented teeth: 60 mouths of two to four, by a plain rule, so that every question has an answer.
pub fn teeth() -> String {
    let mut text = "mouth,from,years,end,etch,jaw,weight,depth,class\n".to_owned();
    let mut state = 12_345_u64;
    let mut next = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    for mouth in 0..60 {
        let prone = next(4);
        for _ in 0..2 + next(3) {
            let etch = ["rinse", "selective", "self"][next(3) as usize];
            let from = if next(5) == 0 { 0.5 } else { 0.0 };
            let years = from + 0.25 + f64::from(u32::try_from(next(26)).expect("few")) / 4.0;
            let end = match next(10) {
                0..=2 if prone < 2 || etch == "self" => "lost",
                3 => "extracted",
                _ => "there",
            };
            let jaw = if next(2) == 0 { "upper" } else { "lower" };
            let weight = if next(6) == 0 { 2.0 } else { 1.0 };
            let depth = 0.5 + f64::from(u32::try_from(next(6)).expect("few")) / 2.0;
            let class = ["universal", "etch-and-rinse", "self-etch"][next(3) as usize];
            writeln!(text, "m{mouth},{from},{years},{end},{etch},{jaw},{weight},{depth},{class}").expect("written");
        }
    }
    text
}

#[test]
fn what_is_wrong_is_said_with_its_place_and_how_to_mend_it() {
    let records = Records::new(&[
        ("a.csv", b"t,d,g\n1,1,a\nsoon,0,b\n3,x,a\n4.5.6,1,b\n" as &[u8]),
        ("b.csv", b"t,e,d,g\n5,6,1,a\n3,0,1,\n,0,1,b\n4,0,0,b\n"),
        ("c.csv", b"t,d,x,y\n1,1,1,2\n2,1,2,4\n3,0,3,6\n4,1,4,8\n5,0,5,10\n"),
        ("d.csv", b"t,d,x\n1,1,1\n2,1,1\n3,1,1\n4,0,0\n5,0,0\n6,1,0\n7,0,0\n"),
        ("e.csv", b"t,d\n1,1\n2\n"),
        ("f.csv", b"t,d\n"),
    ]);
    let mut text = String::new();
    for arguments in [
        &["records/a.csv", "--time", "t", "--cause", "d"][..],
        &["records/a.csv", "--time", "time"],
        &["records/b.csv", "--time", "t", "--entry", "e", "--cause", "d"],
        &["records/b.csv", "--time", "t", "--cause", "d", "--group", "g"],
        &["records/b.csv", "--time", "t", "--cause", "d", "--group", "g", "--leave-out-incomplete", "--want", "survival"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--covariate", "x,y", "--want", "cox"],
        &["records/d.csv", "--time", "t", "--cause", "d", "--covariate", "x", "--want", "cox,firth"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--want", "tests"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--want", "cox"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--want", "frailty", "--covariate", "x"],
        &["records/c.csv", "--time", "t", "--confidence", "95"],
        &["records/c.csv", "--time", "t", "--weighting", "wilcoxon"],
        &["records/c.csv", "--time", "t", "--factor", "x", "--reference", "x=9", "--want", "cox"],
        &["records/e.csv", "--time", "t", "--cause", "d"],
        &["records/f.csv", "--time", "t"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--failure", "lost", "--censored", "there"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--published-rate", "0.02"],
        &["records/c.csv", "--time", "t", "--cause", "d", "--covariate", "x,x", "--want", "cox"],
        &["records/none.csv", "--time", "t"],
    ] {
        let mut all = vec!["estimate"];
        all.extend(arguments);
        let output = records.run(&all);
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}

#[test]
fn parquet_and_the_written_file_say_the_same() {
    let records = Records::new(&[("remission.csv", remission(1.0, ',', false).as_bytes())]);
    let mut arguments = vec!["estimate", "records/remission.csv"];
    arguments.extend(COLUMNS);
    arguments.extend(["--at", "8", "--out", "out.json"]);
    let output = records.run(&arguments);
    assert!(output.status.success() && !output.stdout.is_empty());
    let written = fs::read_to_string(records.path().join("out.json")).expect("written");
    arguments.truncate(arguments.len() - 2);
    arguments.push("--json");
    assert_eq!(written.as_bytes(), records.run(&arguments).stdout);
}
