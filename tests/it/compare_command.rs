//! `compare` through the whole program: open clustered data against general-purpose software, published trials, messages.

use std::fmt::Write as _;
use std::fs;

use manebit::quantity::Known;
use manebit::result::{Comparison, Computed, Guard, VerdictBasis, VerdictKind};
use manebit::stats::{CoxCoefficient, SurvivalContrast};

use super::run::{Records, said};
use super::trials::{Arm, all_recalled, records};

/// Compares the records; fails the test if the program does.
pub fn compared(records: &Records, more: &[&str]) -> Comparison {
    let mut arguments = vec!["compare", "records", "--out", "out"];
    arguments.extend(more);
    let output = records.run(&arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = fs::read_to_string(records.path().join("out/results.json")).expect("results");
    let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    super::generated::valid("comparison.schema.json", &value).expect("keeps to its schema");
    serde_json::from_value(value).expect("a comparison")
}

fn reference() -> serde_json::Value {
    serde_json::from_str(include_str!("../reference/retinopathy.json")).expect("reference values")
}

/// Within this part of the reference.
fn near(value: f64, reference: f64, relative: f64) {
    assert!((value - reference).abs() <= relative * reference.abs(), "{value} against {reference}");
}

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Eyes as restorations, patients as patients, losses of vision as losses; made of the rows of the reference file.
fn retinopathy(reference: &serde_json::Value) -> Records {
    let placed = manebit::quantity::Day::from_calendar(1975, 1, 1).expect("a day");
    let on = |days: &serde_json::Value| {
        placed + manebit::quantity::Days::new(i32::try_from(days.as_i64().expect("days")).expect("a few years"))
    };
    let mut placements = "restoration_id,patient_id,tooth,surface,placed_on,treatment,type,risk\n".to_owned();
    let mut visits = "restoration_id,visited_on,examiner,scheme,retention,outcome\n".to_owned();
    for row in reference["rows"].as_array().expect("rows") {
        let text = |name: &str| row[name].as_str().expect("text").to_owned();
        // The data name the treated eye of a patient in both rows; the other row is the other eye.
        let (id, treated_eye) = (row["id"].as_i64().expect("an id"), text("eye"));
        let eye = if (treated_eye == "left") == (row["trt"] == 1) { "left" } else { "right" };
        let tooth = if eye == "left" { 24 } else { 14 };
        let treatment = if row["trt"] == 1 { "laser" } else { "none" };
        writeln!(placements, "E{id}-{eye},P{id},{tooth},facial,{placed},{treatment},{},{}", text("type"), text("risk"))
            .expect("written");
        if row["status"] == 1 {
            writeln!(visits, "E{id}-{eye},{},ex,usphs_3,A,", on(&row["good"])).expect("written");
            writeln!(visits, "E{id}-{eye},{},ex,usphs_3,C,lost", on(&row["day"])).expect("written");
        } else {
            writeln!(visits, "E{id}-{eye},{},ex,usphs_3,A,", on(&row["day"])).expect("written");
        }
    }
    let protocol = manebit::protocol::Protocol::BUILT_IN_TEXT
        .replace("own_factors = []", "own_factors = [\"treatment\", \"type\", \"risk\"]")
        .replace("horizons_months = [6, 12, 24, 36, 60, 96, 120]", "horizons_months = [12, 24, 36, 60]")
        .replace(
            "adjust_for = [\"lesion_depth_mm\", \"sclerosis\", \"cervical_margin\", \"tooth_type\", \"arch\", \"replaces_restoration\", \"operator\", \"placed_on\"]",
            "adjust_for = [\"type\", \"risk\"]",
        )
        .replace("legacy_after_days = 1100", "legacy_after_days = 9000");
    Records::new(&[
        ("placements.csv", placements.as_bytes()),
        ("visits.csv", visits.as_bytes()),
        ("protocol.toml", protocol.as_bytes()),
    ])
}

/// Survival of both levels and their difference at each horizon with its error.
fn survival_is(found: &[Known<SurvivalContrast>], reference: &serde_json::Value, horizons: &[serde_json::Value]) {
    assert_eq!(found.len(), horizons.len());
    for (place, (found, horizon)) in found.iter().zip(horizons).enumerate() {
        let found = found.known().expect("followed so long");
        assert_eq!(i64::from(found.horizon.count()), horizon.as_i64().expect("days"));
        near(found.first.value(), number(&reference["curves"][0]["survival"][place]), 1e-10);
        near(found.second.value(), number(&reference["curves"][1]["survival"][place]), 1e-10);
        near(found.difference.estimate.value, number(&reference["difference"]["value"][place]), 1e-9);
        near(
            found.difference.estimate.standard_error.expect("an error"),
            number(&reference["difference"]["error"][place]),
            1e-9,
        );
    }
}

fn coefficient_is(found: &CoxCoefficient, reference: &serde_json::Value) {
    near(found.coefficient.value, number(&reference["coefficient"]), 1e-8);
    near(found.coefficient.standard_error.expect("an error"), number(&reference["error"]), 1e-8);
}

/// The diabetic retinopathy study (Huster WJ, Brookmeyer R, Self SG. Biometrics 1989;45:145–156; 197 patients, one of two eyes treated),
/// as distributed with R survival 3.5-3; reference values computed with it by tests/reference/make_retinopathy.R.
#[test]
fn open_clustered_data_give_the_numbers_of_general_purpose_software() {
    let reference = reference();
    let records = retinopathy(&reference);
    let comparison =
        compared(&records, &["--protocol", "records/protocol.toml", "--by", "treatment", "--reference", "none"]);
    assert_eq!((comparison.shared.patients, comparison.shared.in_several), (197, 197));
    let horizons = reference["horizons"].as_array().expect("horizons");
    let pair = &comparison.crude.contrasts[0].comparison;
    survival_is(&pair.survival, &reference["crude"], horizons);
    coefficient_is(&pair.hazard_ratio.known().expect("a ratio").coefficient, &reference["crude"]["cox"]);
    let Computed::Computed(adjusted) = &comparison.adjusted else { panic!("{:?}", comparison.adjusted) };
    assert_eq!((adjusted.left_out, adjusted.penalised), (0, false));
    let pair = &adjusted.pairs[0];
    survival_is(&pair.weighted.survival, &reference["weighted"], horizons);
    coefficient_is(&pair.weighted.hazard_ratio.known().expect("a ratio").coefficient, &reference["weighted"]["cox"]);
    coefficient_is(&pair.regression.computed().expect("a fit").hazard_ratio, &reference["regression"]);
    let within = comparison.within_patients.computed().expect("both eyes");
    near(within.hazard_ratios[0].coefficient.value, number(&reference["within"]["coefficient"]), 1e-8);
    near(within.hazard_ratios[0].model_based_error, number(&reference["within"]["model_error"]), 1e-8);
    let together = comparison.together.computed().expect("a model");
    assert!(!together.penalised);
    let (names, weibull) = (&reference["together"]["names"], &reference["weibull"]);
    for (place, name) in names.as_array().expect("names").iter().enumerate() {
        let name = name.as_str().expect("a name");
        let level = name.trim_start_matches("type").trim_start_matches("risk");
        let level = if level == "trt" { "laser" } else { level };
        let line = |lines: &[manebit::result::TogetherLine]| {
            lines.iter().find(|line| line.level.as_deref() == Some(level)).expect("a line").hazard_ratio
        };
        near(line(&together.hazards).value.ln(), number(&reference["together"]["coefficients"][place]), 1e-8);
        // The hazard ratio of a Weibull fit is exp(−coefficient / scale).
        let expected = -number(&weibull["coefficients"][place + 1]) / number(&weibull["scale"]);
        near(line(&together.between_visits).value.ln(), expected, 1e-7);
    }
}

/// Tuncer et al., Aust Dent J 2013 (doi 10.1111/adj.12028): 62 and 61 restorations, recall 100 %, 19 and 31 lost after 24 months: 69 and 49 % retained. With all
/// recalled, survival is the plain share, and its clustered error (each its own patient) that of a share, √(p(1 − p)/n).
#[test]
fn a_published_trial_gives_its_counts_and_the_errors_of_plain_shares() {
    let records = all_recalled();
    let comparison = compared(&records, &["--by", "etch_strategy", "--reference", "etch_and_rinse"]);
    let pair = &comparison.crude.contrasts[0].comparison;
    let at_24 = pair.survival.iter().filter_map(Known::known).find(|one| one.horizon.count() == 731).expect("24 months");
    let (first, second): (f64, f64) = (43.0 / 62.0, 30.0 / 61.0);
    near(at_24.first.value(), first, 1e-12);
    near(at_24.second.value(), second, 1e-12);
    near(at_24.difference.estimate.value, second - first, 1e-12);
    let error = (first * (1.0 - first) / 62.0 + second * (1.0 - second) / 61.0).sqrt();
    near(at_24.difference.estimate.standard_error.expect("an error"), error, 1e-10);
    let failures: Vec<u64> = comparison.levels.iter().map(|level| level.group.behind.failures).collect();
    assert_eq!(failures, [19, 31]);
    // The upper limit of the difference reaches 0 at z = 2.1304 (by scipy's brentq): p 0.0331; z = −0.2017 / 0.0867 would be
    // 0.020 (the paper: significant; Fisher p 0.028). Nothing was recorded to adjust for.
    let verdict = &comparison.verdicts[0];
    assert_eq!((verdict.kind, verdict.basis), (VerdictKind::Differ, VerdictBasis::Crude));
    assert!((verdict.p_value.known().expect("tested") - 0.0331).abs() < 0.00005, "{:?}", verdict.p_value);
    assert!(comparison.guards.iter().any(|guard| matches!(guard, Guard::NotAdjusted { .. })));
    // Nobody has both.
    assert_eq!((comparison.shared.patients, comparison.shared.in_several), (123, 0));
    assert!(comparison.within_patients.computed().is_none());
}

/// A level used after another, by one hand, in few patients, hardly recalled: each is named.
#[test]
fn what_weakens_a_comparison_is_named() {
    let mut placements = "restoration_id,patient_id,tooth,surface,placed_on,operator,etch_strategy\n".to_owned();
    let mut visits = "restoration_id,visited_on,examiner,scheme,retention,outcome\n".to_owned();
    for one in 0..120_u32 {
        let late = one >= 80;
        let (year, operator, etch) = if late {
            (2018, "op-c", "self_etch")
        } else {
            (2010 + one % 3, ["op-a", "op-b"][(one % 2) as usize], "etch_and_rinse")
        };
        writeln!(placements, "R{one},P{one},14,facial,{year}-03-01,{operator},{etch}").expect("written");
        // Of those placed early all come after five years; of those placed late one in four.
        writeln!(visits, "R{one},{}-03-01,ex,usphs_3,A,", year + 1).expect("written");
        if !late || one % 4 == 0 {
            let lost = if one % 10 == 0 { "C,lost" } else { "A," };
            writeln!(visits, "R{one},{}-03-01,ex,usphs_3,{lost}", year + 5).expect("written");
        }
    }
    writeln!(placements, "R120,P120,15,facial,2024-03-01,op-a,").expect("written");
    writeln!(visits, "R120,2025-03-01,ex,usphs_3,A,").expect("written");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    let comparison = compared(&records, &["--by", "etch_strategy"]);
    let named = |wanted: &dyn Fn(&Guard) -> bool| comparison.guards.iter().any(wanted);
    assert!(named(&|guard| matches!(guard, Guard::NotRandomised { .. })));
    assert!(named(&|guard| matches!(guard, Guard::TooFew { failures: 2, .. })), "{:?}", comparison.guards);
    assert!(named(&|guard| matches!(guard, Guard::OnePeriod { level, .. } if level == "Self-etch")));
    assert!(named(&|guard| matches!(guard, Guard::OneOperator { level } if level == "Self-etch")));
    assert!(named(&|guard| matches!(guard, Guard::LowRecall { level, months: 60, .. } if level == "Self-etch")));
    assert!(named(&|guard| matches!(guard, Guard::UnevenFollowUp { .. })));
    assert!(named(&|guard| matches!(guard, Guard::MissingLevels { missing: 1 })));
    assert!(named(&|guard| matches!(guard, Guard::FoundAtRecall)));
    assert_eq!(comparison.verdicts[0].kind, VerdictKind::DescribedOnly);
    assert!(matches!(comparison.crude.test, Computed::NotComputed(_)));
    // Operators are described side by side and never ranked.
    let by_operator = compared(&records, &["--by", "operator"]);
    assert!(by_operator.guards.iter().any(|guard| matches!(guard, Guard::OperatorsNotRanked)));
    let labels: Vec<&str> = by_operator.levels.iter().map(|level| level.group.label.as_str()).collect();
    assert_eq!(labels, ["op-a", "op-b", "op-c"]);
}

#[test]
fn the_sample_data_are_compared_in_words() {
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let read = |name: &str| fs::read(sample.join(name)).expect("the sample");
    let (placements, visits) = (read("placements.csv"), read("visits.csv"));
    let records = Records::new(&[("placements.csv", &placements), ("visits.csv", &visits)]);
    let output = records.run(&["compare", "records", "--out", "out"]);
    insta::assert_snapshot!(said(&records, &output));
    insta::assert_snapshot!("hand_out", fs::read_to_string(records.path().join("out/hand-out.md")).expect("a hand-out"));
    let list = fs::read_to_string(records.path().join("out/contents.txt")).expect("a list");
    insta::assert_snapshot!("contents", list);
    let page = fs::read_to_string(records.path().join("out/comparison.html")).expect("a page");
    // The data of the curves and the page's own script, and no other.
    assert!(page.matches("<script").count() == 2 && !page.contains("http://www.w3.org/1999/xlink"));
    // The same again, whatever the number of threads, to the byte.
    let again = assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
        .args(["compare", "records", "--out", "again"])
        .current_dir(records.path())
        .env("POLARS_MAX_THREADS", "1")
        .output()
        .expect("it runs");
    assert!(again.status.success());
    for name in list.lines().skip(1) {
        let bytes = |folder: &str| fs::read(records.path().join(folder).join(name)).expect("a file");
        assert!(bytes("out") == bytes("again"), "{name} differs");
    }
}

/// Lots are many and small: those with most restorations stand apart, the rest are taken together, and nobody is lost.
#[test]
fn many_levels_are_compared_by_putting_the_rare_ones_together() {
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let read = |name: &str| fs::read(sample.join(name)).expect("the sample");
    let (placements, visits) = (read("placements.csv"), read("visits.csv"));
    let records = Records::new(&[("placements.csv", &placements), ("visits.csv", &visits)]);
    let by_lot = compared(&records, &["--by", "adhesive_lot"]);
    let labels = |comparison: &Comparison| -> Vec<String> {
        comparison.levels.iter().map(|level| level.group.label.clone()).collect()
    };
    let restorations = |comparison: &Comparison| -> Vec<u64> {
        comparison.levels.iter().map(|level| level.group.behind.observations).collect()
    };
    let found = labels(&by_lot);
    assert_eq!((found.len(), found.last().map(String::as_str)), (8, Some("all others")));
    let counts = restorations(&by_lot);
    let left_out: u64 = by_lot.not_compared.iter().map(|one| one.count).sum();
    assert_eq!(counts.iter().sum::<u64>() + left_out, by_lot.endpoint_flow.analysed);
    // Counted from the records: no lot in "all others" has more restorations than one that stands apart.
    let text = String::from_utf8(placements).expect("text");
    let mut of_lot = std::collections::BTreeMap::new();
    let column = text.lines().next().and_then(|head| head.split(',').position(|name| name == "adhesive_lot"));
    let lots = text.lines().skip(1).filter_map(|line| line.split(',').nth(column?)).filter(|lot| !lot.is_empty());
    lots.for_each(|lot| *of_lot.entry(lot.to_owned()).or_insert(0_u64) += 1);
    let most_of_others = of_lot.iter().filter(|(lot, _)| !found.contains(lot)).map(|(_, count)| *count).max();
    let least_apart = found.iter().filter_map(|lot| of_lot.get(lot)).min().copied();
    assert!(most_of_others <= least_apart, "{most_of_others:?} {least_apart:?}");
    let together = u64::try_from(of_lot.len() - 7).expect("a count");
    assert!(by_lot.guards.contains(&Guard::LevelsTogether { levels: together }), "{:?}", by_lot.guards);
    assert_ne!(found[usize::from(by_lot.reference)], "all others");
    // Nothing is told of a day to which hardly any are followed, and nothing that is too small is tested.
    for pair in &by_lot.crude.contrasts {
        let sides = [by_lot.reference, pair.level].map(|level| &by_lot.levels[usize::from(level)].group);
        for contrast in pair.comparison.survival.iter().filter_map(Known::known) {
            let at_risk = sides.map(|group| group.horizon(contrast.horizon).expect("a horizon").at_risk);
            assert!(at_risk.iter().all(|count| *count >= u64::from(by_lot.least_at_risk)), "{at_risk:?}");
            assert!(contrast.difference.test.known().is_none());
        }
    }
    assert!(by_lot.crude.contrasts.iter().any(|pair| pair.comparison.survival.iter().any(|one| one.known().is_none())));
    // A lot that is asked for stands apart however rare it is, and the others can be asked for, too.
    let (rare, _) = of_lot.iter().min_by_key(|(_, count)| **count).expect("a lot");
    let against_rare = compared(&records, &["--by", "adhesive_lot", "--reference", rare]);
    assert_eq!(labels(&against_rare)[usize::from(against_rare.reference)], *rare);
    assert_eq!(restorations(&against_rare).iter().sum::<u64>(), counts.iter().sum::<u64>());
    for name in ["all_others", "All others"] {
        let against_others = compared(&records, &["--by", "adhesive_lot", "--reference", name]);
        assert_eq!(labels(&against_others)[usize::from(against_others.reference)], "all others");
    }
    assert_eq!(compared(&records, &["--by", "adhesive_lot", "--reference", &rare.to_lowercase()]), against_rare);
}

#[test]
fn what_cannot_be_compared_is_said_with_how_to_mend_it() {
    let records = records(&[
        Arm { etch: "etch_and_rinse", class: "two_step_etch_and_rinse", placed: 5, evaluated: 5, lost_in_all: &[(6, 1)] },
        Arm { etch: "self_etch", class: "one_step_self_etch", placed: 5, evaluated: 5, lost_in_all: &[(6, 2)] },
    ]);
    fs::write(
        records.path().join("protocol.toml"),
        manebit::protocol::Protocol::BUILT_IN_TEXT
            .replace("\"lesion_depth_mm\", \"sclerosis\"", "\"colour_of_walls\", \"sclerosis\""),
    )
    .expect("a protocol");
    fs::write(
        records.path().join("reference.toml"),
        manebit::protocol::Protocol::BUILT_IN_TEXT
            .replace("reference_levels = {}", "reference_levels = { etch_strategy = \"selective_enamel_etch\" }"),
    )
    .expect("a protocol");
    fs::create_dir(records.path().join("taken")).expect("a folder");
    fs::write(records.path().join("taken/notes.txt"), "mine").expect("a file");
    let mut text = String::new();
    for more in [
        "--by moon_phase",
        "--by isolation",
        "--by etch_strategy --reference laser",
        "--by etch_strategy --endpoint happiness",
        "--by etch_strategy --protocol protocol.toml",
        "--by etch_strategy --protocol reference.toml",
        "--by etch_strategy --as-of 2999-01-01",
        "--by etch_strategy --as-of 1999-01-01",
        "--by etch_strategy --out taken",
    ] {
        let mut all = vec!["compare", "records"];
        all.extend(more.split(' '));
        let output = records.run(&all);
        writeln!(text, "$ … {more}\n{}", said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}
