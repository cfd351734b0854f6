//! `plan` through the whole program: the formulas to their printed digits, drawn trials against the engine called by itself, and what
//! people read.

use std::fmt::Write as _;

use manebit::planning::PlannedPractice;
use manebit::planning::answer::PlanAnswers;
use manebit::quantity::{AnnualRate, ConfidenceLevel, Fraction, Known, Variance, Years};
use manebit::simulate::truth::Truth;
use manebit::stats::{
    AssignmentUnit, Clustering, EventsFormula, FollowUpPlan, PlannedComparison, PlannedFollowUp, PowerTest, Weighting,
    correlation_of_frailty, observations_needed, power_of_observations,
};
use serde_json::Value;

use super::run::{Records, said};

fn answers(arguments: &[&str]) -> PlanAnswers {
    let mut all = vec!["plan", "--json"];
    all.extend(arguments);
    let output = Records::new(&[]).run(&all);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let value: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    super::generated::valid("plan.schema.json", &value).expect("keeps to its schema");
    serde_json::from_value(value).expect("answers")
}

#[track_caller]
fn near(value: f64, reference: f64, relative: f64) {
    assert!((value / reference - 1.0).abs() <= relative, "{value:?} against {reference:?}");
}

/// Evaluated from the formulas of Schoenfeld 1981 and Freedman 1982, to ten digits.
#[test]
fn failures_needed_are_those_of_the_formulas() {
    for (ratio, confidence, power, allocation, references) in [
        ("0.5", "0.95", "0.8", "1", [65.345_659_26, 70.639_917_61]),
        ("0.7", "0.95", "0.9", "1", [330.377_914, 337.405_029_4]),
        ("2", "0.95", "0.8", "2", [73.513_866_67, 98.110_996_68]),
        ("1.5", "0.99", "0.9", "0.5", [407.277_655, 364.544_985_6]),
        ("0.8", "0.95", "0.8", "3", [840.693_561_6, 756.108_747_7]),
        ("0.65", "0.9", "0.8", "1", [133.263_493_2, 137.404_180_1]),
    ] {
        let mut arguments = vec!["--fail-yearly", "0.05", "--follow", "5", "--trials", "0", "--ratio", ratio];
        arguments.extend(["--confidence", confidence, "--power", power, "--allocation", allocation]);
        let found = answers(&arguments);
        for (one, reference) in found.times.expect("times").by_formula.iter().zip(references) {
            let needed = one.needed.expect("asked");
            near(needed.known().expect("a plan").events_if_independent, reference, 1e-9);
        }
    }
}

/// Evaluated from the formulas of Fleiss 1981 and Fleiss, Tytun, Ury 1980, to ten digits.
#[test]
fn shares_need_what_the_formulas_say() {
    for (shares, confidence, power, allocation, references) in [
        ("0.9,0.8", "0.95", "0.8", "1", [198.963_413_3, 196.221_993_4, 218.505_759_4]),
        ("0.1,0.05", "0.95", "0.9", "1", [581.082_053_8, 577.908_268_4, 620.437_347_3]),
        ("0.3,0.5", "0.95", "0.8", "2", [70.277_613_9, 65.734_367_78, 77.596_387_68]),
        ("0.02,0.05", "0.99", "0.8", "1", [875.131_533_9, 870.731_960_5, 940.616_942_7]),
        ("0.95,0.85", "0.95", "0.8", "1", [140.095_089_9, 137.355_395_4, 159.468_004_8]),
    ] {
        let mut arguments = vec!["--failed-shares", shares, "--follow", "3", "--trials", "0", "--confidence", confidence];
        arguments.extend(["--power", power, "--allocation", allocation, "--lost-yearly", "0.1"]);
        let found = answers(&arguments).shares.expect("shares");
        near(found.still_followed.value(), 0.9_f64.powi(3), 1e-14);
        for (one, reference) in found.by_formula.iter().zip(references) {
            let first = *one.if_independent.expect("asked").known().expect("a plan");
            near(first, reference, 1e-8);
            let k: f64 = allocation.parse().expect("a number");
            let entered = [first, k * first].map(|group| (group / 0.9_f64.powi(3)).ceil() as u64);
            assert_eq!(one.needed, Some(Known::Known(entered)), "losses are made up for");
        }
    }
}

/// A plan with all there is, written down by hand.
fn plan(unit: AssignmentUnit, correlation: f64) -> PlannedFollowUp {
    // Half of the patients have one restoration, half two: mean 1.5, standard deviation 0.5.
    PlannedFollowUp {
        comparison: PlannedComparison { allocation: 2.0, ..PlannedComparison::default() },
        hazard: AnnualRate::new(-(0.85_f64.ln()) / 6.0),
        hazard_ratio: 1.8,
        follow_up: FollowUpPlan {
            accrual: Years::new(2.0),
            further: Years::new(4.0),
            loss: AnnualRate::new(-(0.97_f64.ln())),
        },
        clustering: Clustering { mean_size: 1.5, size_variation: 0.5 / 1.5, correlation },
        unit,
    }
}

const PLAN: [&str; 16] = [
    "--kept",
    "0.85",
    "--after-years",
    "6",
    "--ratio",
    "1.8",
    "--follow",
    "4",
    "--coming",
    "2",
    "--lost-yearly",
    "0.03",
    "--sizes",
    "10,10",
    "--allocation",
    "2",
];

#[test]
fn restorations_and_patients_are_those_of_the_engine() {
    for (word, unit) in [
        ("whole-patients", AssignmentUnit::WholeCluster),
        ("within-patients", AssignmentUnit::WithinCluster),
        ("restorations", AssignmentUnit::Observation),
    ] {
        let mut arguments = PLAN.to_vec();
        arguments.extend(["--correlation", "0.2", "--given-to", word, "--trials", "0"]);
        let planned = plan(unit, 0.2);
        let found = answers(&arguments);
        let needed = observations_needed(&planned, Fraction::new(0.8));
        let needed = needed.known().expect("a plan");
        let told = found.times.expect("times").by_formula[0].needed.expect("asked");
        let told = told.known().expect("a plan");
        assert_eq!((told.observations, told.clusters), (needed.observations, needed.clusters));
        near(told.events, needed.events, 1e-12);
        near(found.design_effect, needed.design_effect, 1e-12);
        arguments.extend(["--restorations", "600", "--formula", "freedman"]);
        let given = answers(&arguments).times.expect("times");
        let planned = PlannedFollowUp {
            comparison: PlannedComparison { formula: EventsFormula::Freedman, ..planned.comparison },
            ..planned
        };
        let power = *power_of_observations(&planned, 200.0).known().expect("a plan");
        near(given.by_formula[1].power.expect("asked").known().expect("a plan").value(), power.value(), 1e-12);
        // The least ratio is the one whose power is the power wanted.
        let least = given.by_formula[1].least_ratio.expect("asked");
        for ratio in [least.above_one, least.below_one] {
            let planned = PlannedFollowUp { hazard_ratio: *ratio.known().expect("found"), ..planned };
            near(power_of_observations(&planned, 200.0).known().expect("a plan").value(), 0.8, 1e-9);
        }
    }
}

#[test]
fn drawn_trials_are_those_of_the_engine() {
    let mut arguments = PLAN.to_vec();
    arguments.extend(["--frailty-variance", "0.8", "--trials", "60", "--seed", "9", "--restorations", "300"]);
    arguments.extend(["--shape", "1.3", "--recall-months", "12"]);
    let found = answers(&arguments);
    let simulated = found.simulated.expect("drawn");
    // Averaged over patients: 1 + θH = 0.85^(−θ) in the first group after 6 years, 0.85^(−1.8θ) in the second.
    let grown = |ratio: f64| 0.85_f64.powf(-0.8 * ratio) - 1.0;
    let within = grown(1.8) / grown(1.0);
    near(simulated.ratio_within_patients, within, 1e-12);
    let practice = PlannedPractice {
        seed: 9,
        restorations: 300,
        sizes: vec![10.0, 10.0],
        truth: Truth { shape: 1.3, rate: (grown(1.0) / 0.8).powf(1.0 / 1.3) / 6.0, frailty_variance: 0.8 },
        hazard_ratio: within,
        allocation: 2.0,
        accrual: Years::new(2.0),
        further: Years::new(4.0),
        loss: AnnualRate::new(-(0.97_f64.ln())),
        found: manebit::planning::FailureFound::AtRecalls(manebit::quantity::Days::of_months(12)),
        ..PlannedPractice::default()
    };
    let weighting = Weighting::LogRank;
    let tests = [
        PowerTest::LogRank { weighting, variance: Variance::ClusterRobust },
        PowerTest::FewClustersLogRank { weighting },
        PowerTest::LogRank { weighting, variance: Variance::ModelBased },
    ];
    let direct = practice.power(60, ConfidenceLevel::USUAL, &tests);
    assert_eq!(simulated.with_difference, *direct.known().expect("trials"));
    let none = PlannedPractice { hazard_ratio: 1.0, ..practice }.power(60, ConfidenceLevel::USUAL, &tests);
    assert_eq!(simulated.without_difference, *none.known().expect("trials"));
    // Of the hazards: through the middle of the follow-up, 5 years, on a Weibull curve of shape 1.3 that keeps 0.85 at 6.
    let middle = -(0.85_f64.ln()) * (5.0_f64 / 6.0).powf(1.3);
    near(found.times.expect("times").hazard.per_year(), middle / 5.0, 1e-12);
    let correlation = [1.0, 1.8]
        .map(|ratio: f64| *correlation_of_frailty(Fraction::new((-middle * ratio).exp()), 0.8).known().expect("inside"));
    near(found.within_patients.correlation, 0.5 * (correlation[0] + correlation[1]), 1e-12);
}

/// What the formula promises, drawn trials keep: within 3 standard errors of 400 trials and 0.03 for what the formula leaves out.
#[test]
fn drawn_trials_keep_what_the_formula_promises() {
    for arguments in [
        &["--kept", "0.8", "--after-years", "5", "--ratio", "1.8", "--sizes", "40,40,20", "--correlation", "0.15"][..],
        &[
            "--fail-yearly",
            "0.05",
            "--ratio",
            "0.5",
            "--sizes",
            "0,1",
            "--correlation",
            "0.2",
            "--given-to",
            "within-patients",
        ],
        &["--failed-shares", "0.2,0.1", "--coming", "0", "--lost-yearly", "0"],
    ] {
        let mut all = arguments.to_vec();
        all.extend(["--follow", "4", "--trials", "400"]);
        let found = answers(&all);
        let drawn = found.simulated.expect("drawn");
        let power = drawn.with_difference.tests[0].power.value();
        assert!((power - 0.8).abs() < 0.03 + 3.0 * 0.02, "{arguments:?}: {power}");
        let size = drawn.without_difference.tests[0].power.value();
        assert!(size < 0.05 + 3.0 * 0.011 + 0.01, "{arguments:?}: {size}");
    }
}

#[test]
fn a_plan_is_told_in_words() {
    let records = Records::new(&[]);
    let mut text = String::new();
    for arguments in [
        &[
            "--kept",
            "0.9",
            "--after-years",
            "5",
            "--kept-second",
            "0.8",
            "--follow",
            "4",
            "--sizes",
            "50,30,20",
            "--correlation",
            "0.1",
            "--trials",
            "200",
        ][..],
        &[
            "--fail-yearly",
            "0.04",
            "--restorations",
            "60",
            "--follow",
            "4",
            "--sizes",
            "10,90",
            "--correlation",
            "0.2",
            "--given-to",
            "within-patients",
        ],
        &[
            "--failed-shares",
            "0.1,0.2",
            "--follow",
            "2",
            "--coming",
            "0",
            "--lost-yearly",
            "0",
            "--trials",
            "200",
            "--seed",
            "2",
        ],
        &["--failed-shares", "0.1,0.2", "--follow", "2", "--restorations", "300", "--trials", "0"],
        &[
            "--fail-yearly",
            "0.04",
            "--ratio",
            "2",
            "--restorations",
            "200",
            "--follow",
            "4",
            "--shape",
            "1.5",
            "--recall-months",
            "12",
            "--trials",
            "200",
        ],
    ] {
        let mut all = vec!["plan"];
        all.extend(arguments);
        let output = records.run(&all);
        assert!(output.status.success());
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
        assert_eq!(records.run(&all).stdout, output.stdout, "the same bytes again");
    }
    insta::assert_snapshot!(text);
}

#[test]
fn what_a_plan_cannot_mean_is_said_with_how_to_mend_it() {
    let records = Records::new(&[]);
    let mut text = String::new();
    for arguments in [
        &["--follow", "4"][..],
        &["--follow", "4", "--fail-yearly", "0.04"],
        &["--follow", "4", "--fail-yearly", "4", "--ratio", "2"],
        &["--follow", "-1", "--fail-yearly", "0.04", "--ratio", "2"],
        &["--follow", "0", "--fail-yearly", "0.04", "--ratio", "2"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "1"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--power", "1.2"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--power", "0.02"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--confidence", "95"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--sizes", "1,1"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--sizes", "1,x"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--sizes", "0,0"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--correlation", "0.1"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--sizes", "1,1", "--correlation", "1"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--sizes", "1,1", "--correlation", "0.999"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--given-to", "within-patients"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--shares-formula", "pooled"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "2", "--restorations", "0"],
        &["--follow", "4", "--fail-yearly", "0.04", "--ratio", "1.001"],
        &["--follow", "4", "--kept", "0.9", "--ratio", "2"],
        &["--follow", "4", "--kept", "0.9", "--after-years", "5", "--kept-second", "0.9"],
        &["--follow", "4", "--kept", "0.9", "--after-years", "5", "--fail-yearly", "0.02"],
        &["--follow", "4", "--failed-shares", "0.1"],
        &["--follow", "4", "--failed-shares", "0.1,0.1"],
        &["--follow", "4", "--failed-shares", "0,0.1"],
        &["--follow", "4", "--failed-shares", "0.1,0.2", "--formula", "freedman"],
        &["--follow", "4", "--failed-shares", "0.1,0.2", "--ratio", "2"],
        &["--fail-yearly", "0.04", "--ratio", "2"],
    ] {
        let mut all = vec!["plan"];
        all.extend(arguments);
        let output = records.run(&all);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        writeln!(text, "$ manebit {}\n{}", all.join(" "), said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}
