//! Plans: failures and observations needed, against values in print (formulas of Schoenfeld, Freedman, Fleiss) and against
//! `tests/reference/planning.json`, which `make_planning.py` beside it makes with general-purpose software.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{AnnualRate, ConfidenceLevel, Days, Fraction, Known, Variance, Years};
use manebit::stats::{
    AssignmentUnit, Clustering, Ending, EventsFormula, FollowUpPlan, Grouping, Observations, PlannedComparison,
    PlannedFollowUp, PlannedShares, PowerTest, SharesFormula, SimulatedTrial, Weighting, correlation_of_frailty,
    detectable_ratio, events_needed, observations_needed, power_of_events, power_of_observations, power_of_shares,
    shares_needed, simulated_power,
};
use proptest::prelude::*;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/planning.json")).expect("reference values")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[track_caller]
fn near(value: f64, reference: f64, relative: f64) {
    assert!((value / reference - 1.0).abs() <= relative, "{value:?} against {reference:?}");
}

fn level(alpha: f64) -> ConfidenceLevel {
    ConfidenceLevel::new(1.0 - alpha).expect("a level")
}

/// Evaluated from the formulas of Schoenfeld 1981 and Freedman 1982, to ten digits.
#[test]
fn failures_needed_to_printed_digits() {
    for (ratio, alpha, power, allocation, schoenfeld, freedman) in [
        (0.5, 0.05, 0.8, 1.0, 65.34565926, 70.63991761),
        (0.7, 0.05, 0.9, 1.0, 330.377914, 337.4050294),
        (2.0, 0.05, 0.8, 2.0, 73.51386667, 98.11099668),
        (1.5, 0.01, 0.9, 0.5, 407.277655, 364.5449856),
        (0.8, 0.05, 0.8, 3.0, 840.6935616, 756.1087477),
        (0.65, 0.1, 0.8, 1.0, 133.2634932, 137.4041801),
    ] {
        for (formula, expected) in [(EventsFormula::Schoenfeld, schoenfeld), (EventsFormula::Freedman, freedman)] {
            let planned = PlannedComparison { allocation, level: level(alpha), formula };
            let found = *events_needed(planned, ratio, Fraction::new(power)).known().expect("a plan");
            near(found, expected, 1e-9);
        }
    }
}

/// Evaluated from the formulas of Fleiss 1981 and Fleiss, Tytun, Ury 1980, to ten digits.
#[test]
fn observations_for_two_shares_to_printed_digits() {
    for (first, second, alpha, power, allocation, expected) in [
        (0.9, 0.8, 0.05, 0.8, 1.0, [198.9634133, 196.2219934, 218.5057594]),
        (0.1, 0.05, 0.05, 0.9, 1.0, [581.0820538, 577.9082684, 620.4373473]),
        (0.3, 0.5, 0.05, 0.8, 2.0, [70.2776139, 65.73436778, 77.59638768]),
        (0.02, 0.05, 0.01, 0.8, 1.0, [875.1315339, 870.7319605, 940.6169427]),
        (0.95, 0.85, 0.05, 0.8, 1.0, [140.0950899, 137.3553954, 159.4680048]),
    ] {
        let formulas = [SharesFormula::Pooled, SharesFormula::Unpooled, SharesFormula::ContinuityCorrected];
        for (formula, expected) in formulas.into_iter().zip(expected) {
            let (first, second) = (Fraction::new(first), Fraction::new(second));
            let planned = PlannedShares { first, second, allocation, level: level(alpha), formula };
            near(*shares_needed(&planned, Fraction::new(power)).known().expect("a plan"), expected, 1e-9);
        }
    }
}

#[test]
fn shares_that_fail_agree_with_quadrature() {
    for row in reference()["failing_share"].as_array().expect("rows") {
        let plan = FollowUpPlan {
            accrual: Years::new(number(&row["accrual"])),
            further: Years::new(number(&row["further"])),
            loss: AnnualRate::new(number(&row["loss"])),
        };
        let (rate, shape) = (number(&row["rate"]), number(&row["shape"]));
        let expected = number(&row["share"]);
        let curve = |time: Years| Fraction::new((-(rate * time.count()).powf(shape)).exp());
        near(plan.failing_share_of_curve(curve).known().expect("a curve").value(), expected, 1e-6);
        if (shape - 1.0).abs() < 1e-12 {
            let hazard = AnnualRate::new(rate);
            near(plan.failing_share(hazard).known().expect("a plan").value(), expected, 1e-13);
            near(plan.mean_time(hazard).known().expect("a plan").count(), number(&row["mean_time"]), 1e-12);
        }
    }
}

#[test]
fn correlations_of_a_shared_frailty_agree_with_many_digits() {
    for row in reference()["frailty_correlation"].as_array().expect("rows") {
        let found = correlation_of_frailty(Fraction::new(number(&row["survival"])), number(&row["variance"]));
        near(*found.known().expect("in range"), number(&row["correlation"]), 1e-12);
    }
}

/// Uniform over 0 to 1, both excluded.
fn uniform(random: &mut ChaCha12Rng) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
}

/// Exponential times to failure at a yearly hazard of 0.1 and that times the ratio, all entered at once and followed for five years.
/// Pairs share a gamma frailty of variance 1 (an exponential number) where they are to be alike.
fn trial(seed: u64, index: u64, each: u32, ratio: f64, unit: AssignmentUnit, alike: bool) -> SimulatedTrial {
    let mut random = ChaCha12Rng::seed_from_u64(seed);
    random.set_stream(index);
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for pair in 0..each {
        let frailty = if alike { -uniform(&mut random).ln() } else { 1.0 };
        for member in 0..2_u16 {
            let code = if unit == AssignmentUnit::WithinCluster { member } else { u16::from(pair >= each / 2) };
            let hazard = 0.1 * if code == 1 { ratio } else { 1.0 };
            // With the frailty, survival averaged over pairs stays exponential: ln(1 + draw/frailty) takes the draw's place.
            let draw = -uniform(&mut random).ln();
            let draw = if alike { (draw / frailty).ln_1p() } else { draw };
            let day = (draw / hazard * 365.25).ceil();
            let (exit, ending) = if day <= 1826.0 { (day as i32, Ending::Failed) } else { (1826, Ending::Censored) };
            observations.push(Days::new(0), Days::new(exit), ending, pair).expect("in order");
            codes.push(code);
        }
    }
    SimulatedTrial { observations, grouping: Grouping::new(codes, 2).expect("two levels") }
}

const ROBUST: PowerTest = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ClusterRobust };
const MODEL: PowerTest = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ModelBased };

fn planned(each: u32, ratio: f64, correlation: f64, unit: AssignmentUnit) -> (f64, u32) {
    let plan = PlannedFollowUp {
        comparison: PlannedComparison::default(),
        hazard: AnnualRate::new(0.1),
        hazard_ratio: ratio,
        follow_up: FollowUpPlan { accrual: Years::new(0.0), further: Years::new(5.0), loss: AnnualRate::new(0.0) },
        clustering: Clustering { mean_size: 2.0, size_variation: 0.0, correlation },
        unit,
    };
    (power_of_observations(&plan, f64::from(each)).known().expect("a plan").value(), each)
}

/// 1000 trials of 300: the Monte Carlo error of a power near 0.8 is 0.013; four of them, and 0.015 for the formula's own error.
#[test]
fn the_formula_tells_the_power_of_independent_observations() {
    let (power, each) = planned(150, 1.6, 0.0, AssignmentUnit::Observation);
    let tests = [MODEL, PowerTest::SurvivalAt { day: Days::new(1826), variance: Variance::ModelBased }];
    let draw = |index| trial(11, index, each, 1.6, AssignmentUnit::Observation, false);
    let found = simulated_power(1000, ConfidenceLevel::USUAL, &tests, draw);
    let found = found.known().expect("trials");
    let simulated = found.tests[0].power.value();
    println!("formula {power:.4}, log-rank {simulated:.4}, survival at five years {:?}", found.tests[1].power);
    assert!((simulated - power).abs() < 4.0 * 0.013 + 0.015, "{simulated} against {power}");
    // Survival at one day tells less than all of the curve.
    assert!(found.tests[1].power.value() < simulated);
    assert!(found.tests[0].second_sooner == found.tests[0].rejected);
}

/// Whole pairs in one group: the robust test has the power that the design effect says; the test that ignores pairs rejects too often
/// where there is no difference. Within pairs: the robust test finds more than in independent observations.
#[test]
fn the_design_effect_tells_the_power_of_clustered_ones() {
    let correlation = |ratio: f64| {
        // Between the two groups' correlations of being failed by five years.
        let at = |hazard: f64| *correlation_of_frailty(Fraction::new((-5.0 * hazard).exp()), 1.0).known().expect("in range");
        0.5 * (at(0.1) + at(0.1 * ratio))
    };
    for (unit, seed) in [(AssignmentUnit::WholeCluster, 12), (AssignmentUnit::WithinCluster, 13)] {
        let (power, each) = planned(150, 1.6, correlation(1.6), unit);
        let draw = |index| trial(seed, index, each, 1.6, unit, true);
        let found = simulated_power(1000, ConfidenceLevel::USUAL, &[ROBUST, MODEL], draw);
        let simulated = found.known().expect("trials").tests[0].power.value();
        println!("{unit:?}: formula {power:.4}, simulated {simulated:.4}");
        assert!((simulated - power).abs() < 4.0 * 0.0145 + 0.03, "{unit:?}: {simulated} against {power}");
        let none = |index| trial(seed + 10, index, each, 1.0, unit, true);
        let size = simulated_power(1000, ConfidenceLevel::USUAL, &[ROBUST, MODEL], none);
        let size = &size.known().expect("trials").tests;
        println!("{unit:?}: size robust {:?}, model-based {:?}", size[0].power, size[1].power);
        // 5 % with a Monte Carlo error of 0.7 %: four of them.
        assert!((size[0].power.value() - 0.05).abs() < 0.028, "{unit:?}: {:?}", size[0].power);
        let model = size[1].power.value();
        if unit == AssignmentUnit::WholeCluster {
            assert!(model > 0.07, "{model}");
        } else {
            assert!(model < 0.04, "{model}");
        }
    }
}

proptest! {
    /// Exchanging the groups turns the ratio and the allocation round; Schoenfeld's formula knows no first group.
    #[test]
    fn exchanging_the_groups_changes_nothing(ratio in 0.2..5.0_f64, allocation in 0.2..5.0_f64, power in 0.1..0.99_f64) {
        prop_assume!((ratio - 1.0).abs() > 1e-3);
        for formula in [EventsFormula::Schoenfeld, EventsFormula::Freedman] {
            let one = PlannedComparison { allocation, formula, ..PlannedComparison::default() };
            let other = PlannedComparison { allocation: 1.0 / allocation, ..one };
            let power = Fraction::new(power);
            let (one, other) = (events_needed(one, ratio, power), events_needed(other, 1.0 / ratio, power));
            near(*one.known().expect("a plan"), *other.known().expect("a plan"), 1e-10);
        }
    }

    /// More failures, more power, and a smaller detectable ratio; the answers turn each other round.
    #[test]
    fn more_failures_tell_more(ratio in 1.05..5.0_f64, allocation in 0.2..5.0_f64, events in 20.0..500.0_f64, freedman: bool) {
        let formula = if freedman { EventsFormula::Freedman } else { EventsFormula::Schoenfeld };
        let planned = PlannedComparison { allocation, formula, ..PlannedComparison::default() };
        let power = |events| power_of_events(planned, ratio, events).known().expect("a plan").value();
        prop_assert!(power(events) <= power(events * 1.1));
        let detectable = |events| detectable_ratio(planned, events, Fraction::new(0.8)).above_one;
        if let (Known::Known(few), Known::Known(many)) = (detectable(events), detectable(events * 1.1)) {
            prop_assert!(1.0 < many && many < few);
            near(power_of_events(planned, few, events).known().expect("a plan").value(), 0.8, 1e-10);
        }
    }

    /// Longer follow-up shows more failures, loss fewer; the unit of time doesn't matter.
    #[test]
    fn follow_up_shows_failures(a in 0.0..10.0_f64, f in 0.0..10.0_f64, loss in 0.0..0.5_f64, hazard in 1e-4..1.0_f64) {
        let share = |a, f, loss, hazard| {
            let plan = FollowUpPlan { accrual: Years::new(a), further: Years::new(f), loss: AnnualRate::new(loss) };
            plan.failing_share(AnnualRate::new(hazard)).known().expect("a plan").value()
        };
        let usual = share(a, f, loss, hazard);
        prop_assert!((0.0..=1.0).contains(&usual));
        prop_assert!(share(a, f + 0.1, loss, hazard) > usual && share(a, f, loss + 0.01, hazard) <= usual);
        let scaled = share(a * 12.0, f * 12.0, loss / 12.0, hazard / 12.0);
        prop_assert!((scaled - usual).abs() <= 1e-13 * usual.max(1e-300), "{} against {}", scaled, usual);
    }

    /// The number needed has the power asked for.
    #[test]
    fn the_number_needed_has_the_power(ratio in 1.1..4.0_f64, allocation in 0.3..3.0_f64, power in 0.2..0.98_f64, rho in 0.0..0.5_f64) {
        let plan = PlannedFollowUp {
            comparison: PlannedComparison { allocation, ..PlannedComparison::default() },
            hazard: AnnualRate::new(0.04),
            hazard_ratio: ratio,
            follow_up: FollowUpPlan { accrual: Years::new(2.0), further: Years::new(5.0), loss: AnnualRate::new(0.03) },
            clustering: Clustering { mean_size: 1.6, size_variation: 0.6, correlation: rho },
            unit: AssignmentUnit::WholeCluster,
        };
        let needed = *observations_needed(&plan, Fraction::new(power)).known().expect("a plan");
        near(power_of_observations(&plan, needed.exact[0]).known().expect("a plan").value(), power, 1e-10);
        prop_assert!(needed.observations[0] as f64 >= needed.exact[0] * (1.0 - 1e-12));
        prop_assert!((needed.observations[0] as f64) < needed.exact[0] + 1.0);
        let shares = needed.failing_share.map(Fraction::value);
        near(needed.exact[0] * shares[0] + needed.exact[1] * shares[1], needed.events, 1e-12);
    }

    #[test]
    fn shares_exchange_with_their_complements(p in 0.01..0.99_f64, q in 0.01..0.99_f64, allocation in 0.3..3.0_f64) {
        prop_assume!((p - q).abs() > 0.01);
        for formula in [SharesFormula::Pooled, SharesFormula::Unpooled, SharesFormula::ContinuityCorrected] {
            let of = |p, q| PlannedShares {
                first: Fraction::new(p), second: Fraction::new(q), allocation, level: ConfidenceLevel::USUAL, formula,
            };
            let power = Fraction::new(0.8);
            let size = *shares_needed(&of(p, q), power).known().expect("a plan");
            near(size, *shares_needed(&of(1.0 - p, 1.0 - q), power).known().expect("a plan"), 1e-9);
            near(power_of_shares(&of(p, q), size).known().expect("a plan").value(), 0.8, 1e-9);
        }
    }
}
