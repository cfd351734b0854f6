//! A comparison in words, as page, hand-out and folder: every kind of verdict and guard, names that want to be markup, parts that could not
//! be computed.

use std::fmt::Write as _;
use std::fs;

use manebit::figure::Drawing;
use manebit::quantity::{Day, Days, Fraction, Known, WhyNotKnown};
use manebit::report::comparison_charts::comparison_charts;
use manebit::report::comparison_methods::{hand_out, methods, reporting_items};
use manebit::report::comparison_page::comparison_page;
use manebit::report::comparison_summary::comparison_summary;
use manebit::report::comparison_tables::comparison_tables;
use manebit::report::folder::{FolderError, write_comparison};
use manebit::report::guard_text::{guard_text, guard_texts};
use manebit::report::verdict_text::{VerdictText, verdict_text};
use manebit::result::{
    Agreement, Comparison, Computed, FactorOrigin, Guard, Needed, PublishedAgreement, Verdict, VerdictBasis, VerdictKind,
    VerdictMeasure, VerdictNumbers, Weakens,
};
use manebit::wording::Readers;

use super::pictures::check_texts;

/// The comparison of the sample data, as `compare` wrote it.
fn sample() -> Comparison {
    serde_json::from_str(include_str!("../../reports/comparison/results.json")).expect("a comparison")
}

const fn numbers(reference: f64, difference: f64, lower: f64, upper: f64) -> VerdictNumbers {
    VerdictNumbers { reference, level: reference + difference, difference, lower, upper }
}

/// A verdict that was tested, by weighting, with survival at five years and regression pointing the same way.
fn told(kind: VerdictKind, survival: VerdictNumbers, p: f64) -> Verdict {
    Verdict {
        level: 2,
        kind,
        basis: VerdictBasis::Weighted,
        measure: VerdictMeasure::SurvivalAtHorizon,
        day: Some(Days::new(1826)),
        survival: Some(survival),
        restricted_mean: None,
        crude_difference: Some(survival.difference * 1.4),
        regression_difference: Some(survival.difference * 0.9),
        moved_between_visits: Some(0.001),
        p_value: Known::Known(p),
        corrected_p_value: Known::Known((2.0 * p).min(1.0)),
        needed: None,
        published: Vec::new(),
    }
}

const NEEDED: Needed = Needed {
    hazard_ratio: 1.5,
    design_effect: 1.3,
    failures: 240,
    failures_so_far: 48,
    restorations: 1700,
    restorations_so_far: 455,
    years: Some(12.2),
};

/// Every kind of verdict, by every way and measure.
fn every_verdict() -> Vec<(&'static str, Verdict)> {
    use VerdictKind::{DependsOnAdjustment, DescribedOnly, Differ, NoClearDifference, TooLittleToTell};
    let worse = numbers(0.88, -0.1, -0.17, -0.03);
    let differ = told(Differ, worse, 0.004);
    let depends = told(DependsOnAdjustment, worse, 0.004);
    let none = told(NoClearDifference, numbers(0.88, 0.004, -0.03, 0.04), 0.8);
    let open = Verdict { needed: Some(NEEDED), ..told(TooLittleToTell, numbers(0.88, -0.03, -0.13, 0.06), 0.48) };
    let small = Verdict {
        p_value: Known::NotKnown(WhyNotKnown::TooFewToShow),
        corrected_p_value: Known::NotKnown(WhyNotKnown::TooFewToShow),
        needed: Some(NEEDED),
        ..told(DescribedOnly, numbers(0.88, -0.03, -0.3, 0.2), 0.5)
    };
    let crude = |verdict: &Verdict| Verdict {
        basis: VerdictBasis::Crude,
        crude_difference: verdict.survival.map(|numbers| numbers.difference),
        regression_difference: None,
        ..verdict.clone()
    };
    let mean = |verdict: &Verdict, difference: f64| Verdict {
        measure: VerdictMeasure::RestrictedMean,
        restricted_mean: Some(VerdictNumbers {
            reference: 1700.0,
            level: 1700.0 + difference,
            difference,
            lower: difference - 40.0,
            upper: difference + 40.0,
        }),
        ..verdict.clone()
    };
    let needing = |needed: Needed| Verdict { needed: Some(needed), ..open.clone() };
    let published = |keys: [(&str, Agreement); 3]| Verdict {
        published: keys.map(|(key, agreement)| PublishedAgreement { key: key.to_owned(), agreement }).into(),
        ..differ.clone()
    };
    vec![
        ("described only", small.clone()),
        ("described only, no horizon", Verdict { survival: None, day: None, crude_difference: None, ..small }),
        ("differ, worse", differ.clone()),
        ("differ, better", told(Differ, numbers(0.8, 0.09, 0.02, 0.16), 0.02)),
        ("differ, better at every point of the interval", told(Differ, numbers(0.8, 0.12, 0.06, 0.18), 0.001)),
        ("differ, crude", crude(&differ)),
        ("differ, by the mean", mean(&differ, -75.0)),
        ("differ, by the mean, better", mean(&told(Differ, numbers(0.8, 0.01, -0.02, 0.04), 0.02), 75.0)),
        ("differ, rarely failing", told(Differ, numbers(0.995, -0.009, -0.0171, -0.0003), 0.04)),
        ("differ, none of the reference failed", told(Differ, numbers(1.0, -0.06, -0.1, -0.02), 0.01)),
        ("depends, ways disagree", Verdict { regression_difference: Some(0.02), needed: Some(NEEDED), ..depends.clone() }),
        ("depends, one way only", Verdict { regression_difference: None, ..depends }),
        (
            "depends, on dating",
            Verdict { moved_between_visits: Some(0.08), ..told(VerdictKind::DependsOnDating, worse, 0.004) },
        ),
        ("no clear difference", none.clone()),
        ("no clear difference, crude", crude(&none)),
        ("too little to tell", open.clone()),
        ("too little to tell, crude", crude(&open)),
        ("too little to tell, by the mean", mean(&open, -12.0)),
        ("too little to tell, by next year", needing(Needed { years: Some(0.4), ..NEEDED })),
        ("too little to tell, never", needing(Needed { years: Some(140.0), ..NEEDED })),
        ("too little to tell, enough placed", needing(Needed { years: None, restorations_so_far: 2000, ..NEEDED })),
        (
            "too little to tell, enough failed",
            needing(Needed { years: None, failures_so_far: 250, restorations_so_far: 2000, ..NEEDED }),
        ),
        (
            "published",
            published([
                ("etch-2017-retention", Agreement::OtherWay),
                ("etch-universal-2023-b", Agreement::SameWay),
                ("etch-universal-2023-a", Agreement::OwnTooFew),
            ]),
        ),
    ]
}

fn sentences(said: &VerdictText) -> String {
    let parts = [Some(&said.finding), said.absolute.as_ref(), said.ends.as_ref(), Some(&said.basis), said.needed.as_ref()];
    let all: Vec<&str> = parts.into_iter().flatten().chain(&said.published).map(String::as_str).collect();
    all.join("\n")
}

#[test]
fn every_verdict_is_said_in_words() {
    let comparison = sample();
    let mut text = String::new();
    for (name, verdict) in every_verdict() {
        writeln!(text, "# {name}\n{}\n", sentences(&verdict_text(&comparison, &verdict))).expect("written");
    }
    insta::assert_snapshot!(text);
}

/// Words that would say more than records can bear.
const CAUSES: [&str; 12] = [
    "cause",
    "because of",
    "due to",
    "leads to",
    "results in",
    "proves",
    "makes",
    "effect of",
    "should use",
    "recommend",
    "superior",
    "inferior",
];

#[test]
fn no_verdict_says_what_causes_what_and_absolute_numbers_come_first() {
    let comparison = sample();
    for (name, verdict) in every_verdict() {
        let said = verdict_text(&comparison, &verdict);
        let text = sentences(&said).to_lowercase();
        for word in CAUSES {
            assert!(!text.contains(word), "{name}: “{word}” in {text}");
        }
        if let Some(absolute) = &said.absolute {
            let mean = verdict.measure == VerdictMeasure::RestrictedMean && verdict.restricted_mean.is_some();
            let first = if mean { "Over the first" } else { "Of 100" };
            assert!(absolute.starts_with(first), "{name}: {absolute}");
            assert!(text.find("of 100").expect("absolute") < text.find("p = ").unwrap_or(usize::MAX), "{name}");
        }
        assert!(!said.finding.contains("p ="), "{name}: {}", said.finding);
    }
}

#[test]
fn each_kind_has_a_finding_of_its_own() {
    let comparison = sample();
    let finding = |name: &str| {
        let (_, verdict) = every_verdict().into_iter().find(|(other, _)| *other == name).expect("a verdict");
        verdict_text(&comparison, &verdict).finding
    };
    let names = [
        "described only",
        "differ, worse",
        "differ, better",
        "depends, ways disagree",
        "no clear difference",
        "too little to tell",
    ];
    let findings = names.map(finding);
    for (place, one) in findings.iter().enumerate() {
        assert!(!findings[..place].contains(one), "{one}");
    }
    // The numbers of the worse verdict: 12 of 100 against 22.
    let (_, worse) = &every_verdict()[2];
    let absolute = verdict_text(&comparison, worse).absolute.expect("numbers");
    assert!(absolute.contains("about 22 would fail within 5 years") && absolute.contains("about 12"), "{absolute}");
    assert!(absolute.contains("10 more (95 % interval: 3 to 17 more)"), "{absolute}");
}

#[test]
fn published_findings_of_another_endpoint_say_so() {
    let mut comparison = sample();
    comparison.endpoint.name = "clinical_failure".to_owned();
    comparison.endpoint.title = "Clinical failure".to_owned();
    let (_, verdict) = every_verdict().pop().expect("the last");
    for line in verdict_text(&comparison, &verdict).published {
        assert!(line.contains("(published of loss of retention, here clinical failure)"), "{line}");
    }
}

fn every_guard() -> Vec<Guard> {
    let level = || "Self-etch".to_owned();
    let day = |year: i32| Day::from_calendar(year, 3, 1).expect("a day");
    vec![
        Guard::NotRandomised { origin: FactorOrigin::ChosenAtChair },
        Guard::NotRandomised { origin: FactorOrigin::Given },
        Guard::NotRandomised { origin: FactorOrigin::Own },
        Guard::TooFew { level: level(), failures: 1, patients: 14, least_failures: 5, least_patients: 20 },
        Guard::ManyComparisons { comparisons: 3 },
        Guard::NotProportional { p_value: 0.0004 },
        Guard::LowRecall { level: level(), months: 60, share: Fraction::new(0.312) },
        Guard::UnevenFollowUp {
            longest: "Etch-and-rinse".to_owned(),
            longest_median: Days::new(3000),
            shortest: level(),
            shortest_median: Days::new(400),
        },
        Guard::OnePeriod { level: level(), from: day(2018), to: day(2020), shared: Fraction::new(0.0) },
        Guard::OneOperator { level: level() },
        Guard::OperatorsNotRanked,
        Guard::MissingLevels { missing: 1 },
        Guard::LevelsTogether { levels: 47 },
        Guard::HiddenLevels { hidden: 12 },
        Guard::MissingCovariates { left_out: 49, of: 12_345 },
        Guard::NotAdjusted { why: "the protocol names nothing to adjust for".to_owned() },
        Guard::LittleOverlap { level: level() },
        Guard::WaysDisagree { level: level(), day: Days::new(1826), weighting: 0.046, regression: -0.049 },
        Guard::StillDifferent { covariate: "Lesion depth (mm)".to_owned(), difference: 0.23 },
        Guard::FewFailuresPerCoefficient { failures: 20, coefficients: 4 },
        Guard::ManyCompeting { competing: 30, failures: 40 },
        Guard::FewClusters { clusters: 9 },
        Guard::FoundAtRecall,
        Guard::DelayedEntries { count: 11 },
    ]
}

#[test]
fn every_guard_is_said_in_words() {
    let mut text = String::new();
    for guard in every_guard() {
        let said = guard_text(&guard, "Etch strategy", Readers::Practice);
        assert!(said.ends_with('.') && !said.contains("NaN"), "{said}");
        writeln!(text, "{:?}: {said}", guard.weakens()).expect("written");
    }
    insta::assert_snapshot!(text);
}

/// Three levels or more with the same trouble are one sentence; two keep theirs.
#[test]
fn the_same_trouble_of_several_levels_is_one_sentence() {
    let names = ["AD16-3", "AD18-2", "AD20-1"];
    let few = |level: &&str| Guard::TooFew {
        level: (*level).to_owned(),
        failures: 1,
        patients: 14,
        least_failures: 5,
        least_patients: 20,
    };
    let period = |(level, shared): (&&str, f64)| Guard::OnePeriod {
        level: (*level).to_owned(),
        from: Day::from_calendar(2018, 3, 1).expect("a day"),
        to: Day::from_calendar(2019, 3, 1).expect("a day"),
        shared: Fraction::new(shared),
    };
    let low = |level: &&str| Guard::LowRecall { level: (*level).to_owned(), months: 60, share: Fraction::new(0.312) };
    let mut guards: Vec<Guard> = names.iter().map(few).collect();
    guards.extend(names.iter().zip([0.0, 0.04, 0.0]).map(period));
    guards.extend(names.iter().map(low));
    guards.extend(names.iter().map(|level| Guard::OneOperator { level: (*level).to_owned() }));
    guards.extend(names.iter().map(|level| Guard::LittleOverlap { level: (*level).to_owned() }));
    guards.extend(names.iter().map(|name| Guard::StillDifferent { covariate: (*name).to_owned(), difference: 0.23 }));
    let told = guard_texts(guards.iter(), "Adhesive lot", Readers::Practice);
    assert_eq!(told.len(), 6);
    assert!(told.iter().all(|text| names.iter().all(|name| text.contains(name))));
    insta::assert_snapshot!(told.join("\n"));
    let two = guard_texts(guards[..2].iter(), "Adhesive lot", Readers::Practice);
    assert_eq!(
        two,
        guards[..2].iter().map(|guard| guard_text(guard, "Adhesive lot", Readers::Practice)).collect::<Vec<_>>()
    );
}

fn page(comparison: &Comparison) -> String {
    comparison_page(comparison, &comparison_charts(comparison))
}

/// What stands between a heading and the next of its rank.
fn section<'a>(page: &'a str, id: &str) -> &'a str {
    let from = page.find(&format!("id=\"{id}\"")).unwrap_or_else(|| panic!("no section {id}"));
    let rest = &page[from..];
    &rest[..rest[10..].find("<h2 id=").map_or(rest.len(), |next| next + 10)]
}

#[test]
fn each_guard_stands_in_the_section_that_it_weakens() {
    let mut comparison = sample();
    comparison.guards = every_guard();
    let page = page(&comparison);
    for guard in &comparison.guards {
        let id = match guard.weakens() {
            Weakens::Everything => "meaning",
            Weakens::Tests | Weakens::Survival => "crude",
            Weakens::HazardRatios => "together",
            Weakens::Adjusted => "adjusted",
            Weakens::Criteria => "criteria",
        };
        let said = manebit::wording::escape_markup(&guard_text(guard, &comparison.factor.label, Readers::Practice))
            .replace("&#39;", "'");
        assert!(section(&page, id).contains(&said), "{said} in {id}");
    }
}

#[test]
fn a_page_needs_nothing_from_elsewhere_and_its_contents_lead_somewhere() {
    let page = page(&sample());
    for forbidden in ["src=", "@import", "url(", "onload", "onclick", "href=\"http", "<iframe", "<form", "<link"] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    assert!(page.contains("default-src 'none'"));
    let links: Vec<&str> = page.split("href=\"#").skip(1).map(|rest| rest.split('"').next().expect("an address")).collect();
    assert!(links.len() >= 8, "{links:?}");
    for link in links {
        assert_eq!(page.matches(&format!(" id=\"{link}\"")).count(), 1, "{link}");
    }
    // What may be said comes before anything else that has numbers.
    let first = page.find("Of 100 such fillings").expect("absolute numbers");
    assert!(first < page.find("<table").expect("a table") && first < page.find("<svg").expect("a chart"));
}

const HOSTILE: &str = "=1+1</td><script>alert('x')</script> | # *one* [two](http://three) `four` \u{202e}";

#[test]
fn names_from_records_are_text_and_nothing_else() {
    let mut comparison = sample();
    comparison.levels[2].group.label = HOSTILE.to_owned();
    comparison.levels[2].group.level = HOSTILE.to_owned();
    comparison.factor.label = HOSTILE.to_owned();
    comparison.title = HOSTILE.to_owned();
    let charts = comparison_charts(&comparison);
    let page = comparison_page(&comparison, &charts);
    // The page has scripts of its own: no more of them than with harmless names.
    let scripts = |page: &str| page.to_lowercase().matches("<script").count();
    let harmless = sample();
    assert_eq!(scripts(&page), scripts(&comparison_page(&harmless, &comparison_charts(&harmless))));
    assert!(page.contains("&lt;script&gt;") && !page.contains(HOSTILE));
    for drawing in charts.all() {
        assert!(!drawing.svg.contains("<script"), "{}", drawing.name);
    }
    let text = hand_out(&comparison);
    for sign in ["<", "*one", "[two", "`four"] {
        let bare = text.match_indices(sign).find(|(place, _)| !text[..*place].ends_with('\\'));
        assert!(bare.is_none(), "{sign}: {text}");
    }
    for table in comparison_tables(&comparison) {
        let begins = |cell: &str| cell.trim_start_matches('"').starts_with('=');
        assert!(!table.text.lines().any(|line| line.split(',').any(begins)), "{}: {}", table.name, table.text);
    }
    let terminal = comparison_summary(&comparison, std::path::Path::new("out"));
    assert!(!terminal.contains('\u{202e}'), "{terminal}");
}

#[test]
fn what_could_not_be_computed_says_why_wherever_it_would_stand() {
    let mut comparison = sample();
    let why = |part: &str| format!("of a reason that belongs to {part}");
    comparison.adjusted = Computed::NotComputed(why("adjustment"));
    comparison.within_patients = Computed::NotComputed(why("patients"));
    comparison.together = Computed::NotComputed(why("all together"));
    comparison.crude.test = Computed::NotComputed(why("the test"));
    comparison.crude.between_visits_test = Computed::NotComputed(why("visits"));
    comparison.crude.incidence = None;
    comparison.crude.pairs = None;
    comparison.criteria.clear();
    comparison.published.clear();
    comparison.verdicts.clear();
    let page = page(&comparison);
    for (id, part) in [
        ("adjusted", "adjustment"),
        ("adjusted", "patients"),
        ("together", "all together"),
        ("crude", "the test"),
        ("crude", "visits"),
    ] {
        assert!(section(&page, id).contains(&why(part)), "{part}");
    }
    assert!(section(&page, "criteria").contains("Nothing was scored"));
    assert!(methods(&comparison, Readers::Practice).contains(&why("adjustment")));
    assert!(comparison_charts(&comparison).criteria.is_empty() && comparison_charts(&comparison).forest.is_none());
}

#[test]
fn texts_of_all_charts_keep_apart_with_long_names_and_many_levels() {
    let short = sample();
    let mut long = sample();
    for (place, level) in long.levels.iter_mut().enumerate() {
        level.group.label =
            format!("Level {place}, written out by somebody in the practice with all of its particulars & then <some> more");
    }
    for exclusion in &mut long.flow.excluded {
        exclusion.reason.push_str(", which is a long story that the practice will have to tell in many words");
    }
    // Six levels: the same ones again.
    let mut many = long.clone();
    for place in 0..3 {
        let again = many.levels[place].clone();
        many.levels.push(again);
    }
    for one in &mut many.criteria {
        one.shares = [one.shares.as_slice(), one.shares.as_slice()].concat();
    }
    for comparison in [&short, &long, &many] {
        let charts = comparison_charts(comparison);
        for Drawing { name, svg, .. } in charts.all() {
            check_texts(name, svg);
        }
    }
}

#[test]
fn every_criterion_scored_has_a_chart_and_what_is_drawn_is_what_was_found() {
    let comparison = sample();
    let charts = comparison_charts(&comparison);
    let mut scored: Vec<_> = comparison.criteria.iter().map(|one| one.criterion).collect();
    scored.dedup();
    scored.sort_by_key(|criterion| format!("{criterion:?}"));
    scored.dedup();
    assert_eq!(charts.criteria.len(), scored.len());
    let staining = charts.criteria.iter().find(|chart| chart.name == "criterion-marginal-staining").expect("a chart");
    let one = comparison.criteria.iter().rfind(|one| {
        one.criterion == manebit::record::Criterion::MarginalStaining && one.standing == manebit::record::Standing::Ideal
    });
    let (one, share) = one.and_then(|one| Some((one, one.shares.iter().rev().find_map(Known::known)?))).expect("a share");
    let said = format!("{} months {:.1} %", one.months, share.value.value() * 100.0);
    assert!(staining.svg.contains(&said), "{said}");
}

#[test]
fn a_hand_out_has_the_numbers_of_every_level() {
    let comparison = sample();
    let text = hand_out(&comparison);
    let rows: Vec<&str> =
        text.lines().skip_while(|line| *line != "## What is compared").filter(|line| line.starts_with("| ")).collect();
    for (level, row) in comparison.levels.iter().zip(&rows[2..]) {
        let group = &level.group;
        let start = format!(
            "| {} | {} | {} | {} | ",
            group.label, group.behind.observations, group.behind.clusters, group.behind.failures
        );
        let survival =
            group.horizon(comparison.headline_day).and_then(|horizon| horizon.survival.known()).expect("followed");
        assert!(row.starts_with(&start), "{row}");
        assert!(row.contains(&format!("| {:.1} % (", survival.value.value() * 100.0)), "{row}");
    }
}

#[test]
fn the_items_of_a_report_carry_the_numbers_of_this_comparison() {
    let comparison = sample();
    let items = reporting_items(&comparison);
    let item = |start: &str| &items.iter().find(|(name, _)| name.starts_with(start)).unwrap_or_else(|| panic!("{start}")).1;
    for number in 3..=20 {
        assert!(items.iter().any(|(name, _)| name.starts_with(&number.to_string())), "item {number}");
    }
    for level in &comparison.levels {
        let failures = format!("{}: {} failures in", level.group.label, level.group.behind.failures);
        assert!(item("15").contains(&failures), "{}", item("15"));
        assert!(item("14c").contains(&level.group.label), "{}", item("14c"));
    }
    assert!(item("18").contains("too little to tell"), "{}", item("18"));
}

#[test]
fn a_folder_with_something_else_is_left_alone_and_an_earlier_comparison_is_replaced() {
    let root = std::env::temp_dir().join(format!("comparison-page-{}", std::process::id()));
    let _ = fs::remove_dir_all(&root);
    let (foreign, own, review) = (root.join("foreign"), root.join("own"), root.join("review"));
    fs::create_dir_all(&foreign).expect("a folder");
    fs::write(foreign.join("notes.txt"), "mine").expect("a file");
    let mut comparison = sample();
    let refused = write_comparison(&comparison, &foreign).expect_err("something else is there");
    assert!(matches!(refused, FolderError::Foreign(..)), "{refused}");
    assert!(refused.to_string().contains("no earlier comparison"), "{refused}");
    assert_eq!(fs::read_dir(&foreign).expect("a folder").count(), 1);
    // A review's folder is something else, too.
    fs::create_dir_all(&review).expect("a folder");
    fs::write(review.join("contents.txt"), "Files of this manebit review:\nreview.html\n").expect("a list");
    fs::write(review.join("review.html"), "the review").expect("a page");
    assert!(write_comparison(&comparison, &review).is_err());
    assert_eq!(fs::read_to_string(review.join("review.html")).expect("a page"), "the review");

    let written = write_comparison(&comparison, &own).expect("written");
    assert!(written.iter().all(|path| path.is_file()));
    for name in
        ["comparison.html", "hand-out.md", "results.json", "charts/flow.svg", "charts/forest.svg", "tables/levels.csv"]
    {
        assert!(own.join(name).is_file(), "{name}");
    }
    let text = fs::read_to_string(own.join("results.json")).expect("results");
    assert_eq!(serde_json::from_str::<Comparison>(&text).expect("a comparison"), comparison);
    fs::write(own.join("charts/mine.svg"), "mine").expect("a file");
    comparison.together = Computed::NotComputed("nothing".to_owned());
    write_comparison(&comparison, &own).expect("written again");
    assert!(!own.join("charts/forest.svg").exists(), "what is no more drawn is gone");
    assert!(own.join("charts/mine.svg").exists(), "what somebody else put there stays");
    fs::remove_dir_all(&root).expect("gone");
}
