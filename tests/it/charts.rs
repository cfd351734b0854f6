//! Charts of odd sizes: none, one, eight levels with long names, three restorations or thirty thousand.

use manebit::analysis::group::group_review;
use manebit::figure::annual_failure_chart::{AnnualFailureChart, annual_failure_chart};
use manebit::figure::criterion_chart::{CriterionChart, criterion_chart};
use manebit::figure::recall_chart::{RecallChart, recall_chart};
use manebit::figure::survival_chart::{SurvivalChart, survival_chart};
use manebit::figure::survival_scale::Scale;
use manebit::protocol::Protocol;
use manebit::protocol::settings::months;
use manebit::quantity::Days;
use manebit::result::{AnnualFormula, GroupReview};
use manebit::stats::{Clustered, Ending, Intervals, Observations};

use crate::picture::png;
use crate::pictures::check_texts;

/// A group of so many, every `one_in`th of which fails.
fn group(label: &str, size: u32, one_in: u32) -> GroupReview {
    let mut observations = Observations::with_capacity(size as usize);
    let mut intervals = Intervals::with_capacity(size as usize);
    for one in 0..size {
        let days = Days::new(i32::try_from(u64::from(one) * 7919 % 4000).expect("a day"));
        let ending = if one % one_in == 0 { Ending::Failed } else { Ending::Censored };
        observations.push(Days::new(0), days, ending, one / 2).expect("an observation");
        // Each failure is known to the day.
        let failed = (ending == Ending::Failed).then_some(days);
        intervals.push(Days::new(0), days, failed, one / 2).expect("an interval");
    }
    group_review("level", label, &Clustered::of(&observations), &intervals, &Protocol::built_in())
}

fn draw(name: &str, groups: &[GroupReview]) {
    for scale in [Scale::Full, Scale::Zoomed, Scale::Failed] {
        let chart = SurvivalChart {
            name,
            title: "Loss of retention by a factor of the practice's own with quite a long name",
            definition: "Failure: the whole filling lost.",
            survival_title: "Retained",
            groups,
            footnote: "Product-limit estimate.",
            least_at_risk: 10,
            scale,
        };
        let drawing = survival_chart(&chart);
        check_texts(name, &drawing.svg);
        assert!(png(&drawing.svg).len() > 2000);
        assert!(drawing.svg.contains("role=\"img\"") && drawing.svg.contains("<desc"));
        assert!(!drawing.svg.contains("axis starts at 0 %"), "an axis from zero has no break");
    }
    let chart = AnnualFailureChart {
        name,
        title: "Annual failure (geometric, over 5 years)",
        definition: "Failure: the whole filling lost.",
        day: months(60),
        formula: AnnualFormula::Geometric,
        groups,
        benchmarks: &[],
        footnote: "Product-limit estimate.",
    };
    check_texts(name, &annual_failure_chart(&chart).svg);
}

#[test]
fn no_restorations_make_a_chart_that_says_so() {
    draw("none", &[]);
    let empty = survival_chart(&SurvivalChart {
        name: "none",
        title: "Loss of retention",
        definition: "",
        survival_title: "Retained",
        groups: &[],
        footnote: "",
        least_at_risk: 10,
        scale: Scale::Full,
    });
    assert!(empty.svg.contains("No restorations to draw."));
    check_texts("none", &criterion_chart(&CriterionChart { name: "none", title: "Colour", entries: &[], footnote: "" }).svg);
    check_texts("none", &recall_chart(&RecallChart { name: "none", title: "Recalls", recalls: &[], footnote: "" }).svg);
}

#[test]
fn few_and_many_restorations_are_drawn() {
    draw("three", &[group("All", 3, 2)]);
    draw("none-failed", &[group("All", 50, 1000)]);
    draw("all-failed", &[group("All", 50, 1)]);
    draw("thirty-thousand", &[group("All", 30_000, 9), group("Others", 30_000, 4)]);
}

#[test]
fn eight_levels_with_long_names_keep_apart() {
    let names = [
        "Three-step etch-and-rinse with a moist dentine surface",
        "Two-step etch-and-rinse",
        "Two-step self-etch, mild, rubbed in for thirty seconds",
        "One-step self-etch",
        "Universal adhesive",
        "Resin-modified glass-ionomer",
        "Conventional glass-ionomer, capsulated, with a conditioner",
        "Anotherverylongwordwithoutanyspaceinitthatmustbecutsomewhere",
    ];
    for count in 2..=8_usize {
        let groups: Vec<GroupReview> =
            names[..count].iter().zip(5..).map(|(name, one_in)| group(name, 300, one_in)).collect();
        draw(&format!("levels-{count}"), &groups);
    }
}
