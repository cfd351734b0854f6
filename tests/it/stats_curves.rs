//! Curves, hazards, bands and contrasts with case weights, late entries and clusters, against values computed independently.
//!
//! `tests/reference/curves.json` was computed with general-purpose software (R and its package survival; versions inside) by
//! `make_curves.R`; `critical_values.json` by `make_critical_values.py`.

use manebit::quantity::{ConfidenceLevel, Days, Fraction, Known, Variance, WhyNotKnown};
use manebit::stats::{
    Axis, BandShape, Ending, Grouping, HazardIntervalMethod, HazardVarianceFormula, Inference, LifeTable, Observations,
    ProductLimit, SurvivalIntervalMethod, actuarial_table, conditional_survival, confidence_band, cumulative_hazard,
    equal_precision_critical_value, hall_wellner_critical_value, quantile, restricted_mean, restricted_mean_contrast,
    restricted_mean_on, survival_at_horizons, survival_by_group, survival_contrast, survival_curve, survival_interval,
    survival_with_few_clusters,
};
use proptest::prelude::*;
use serde_json::Value;

const LEVEL: ConfidenceLevel = ConfidenceLevel::USUAL;

#[track_caller]
fn near(value: f64, reference: f64, relative: f64) {
    assert!((value - reference).abs() <= relative * reference.abs().max(1e-3), "{value:e} against {reference:e}");
}

fn curves() -> Value {
    serde_json::from_str(include_str!("../reference/curves.json")).expect("well formed")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Entry, exit, ending, cluster, group, weight.
type Row = (i32, i32, Ending, u32, u16, f64);

fn rows_of(set: &Value) -> Vec<Row> {
    let row = |row: &Value| {
        let whole = |i: usize| number(&row[i]) as i32;
        let ending = [Ending::Failed, Ending::Competing, Ending::Censored][whole(2) as usize];
        let small = |i: usize| u16::try_from(whole(i)).expect("small");
        (whole(0), whole(1), ending, u32::from(small(3)), small(4), number(&row[5]))
    };
    set["rows"].as_array().expect("rows").iter().map(row).collect()
}

fn observations(rows: &[Row]) -> Observations {
    let mut observations = Observations::default();
    for &(entry, exit, ending, cluster, _, weight) in rows {
        observations.push_weighted(Days::new(entry), Days::new(exit), ending, cluster, weight).expect("in order");
    }
    observations
}

fn grouping(rows: &[Row]) -> Grouping {
    Grouping::new(rows.iter().map(|row| row.4).collect(), 2).expect("two levels")
}

fn name_of(method: SurvivalIntervalMethod) -> String {
    serde_json::to_value(method).expect("a name").as_str().expect("a name").to_owned()
}

#[test]
fn curves_with_weights_late_entries_and_clusters() {
    for set in curves()["sets"].as_array().expect("sets") {
        let observations = observations(&rows_of(set));
        for (name, variance) in [("model_based", Variance::ModelBased), ("cluster_robust", Variance::ClusterRobust)] {
            let (curve, reference) = (survival_curve(&observations, variance), &set["pooled"][name]);
            let days = reference["day"].as_array().expect("days");
            let steps: Vec<_> = curve.steps().iter().filter(|step| !step.all_failed()).collect();
            assert_eq!(steps.len(), days.len());
            let level_days: Vec<Days> = days.iter().map(|day| Days::new(number(day) as i32)).collect();
            let inference = Inference { variance, ..Inference::default() };
            let read_directly = survival_at_horizons(&observations, &level_days, inference);
            for (j, step) in steps.into_iter().enumerate() {
                assert_eq!(step.day, level_days[j]);
                near(step.weight_at_risk(), number(&reference["at_risk"][j]), 1e-12);
                near(step.weight_failed(), number(&reference["failed"][j]), 1e-12);
                near(step.survival.value(), number(&reference["survival"][j]), 1e-12);
                let error = *curve.standard_error_at(step.day).known().expect("known");
                near(error, number(&reference["standard_error"][j]), 1e-10);
                near(read_directly[j].known().expect("known").standard_error.expect("known"), error, 1e-10);
                for method in SurvivalIntervalMethod::ALL {
                    let limits = curve.interval_at(step.day, method, LEVEL);
                    let (limits, reference) = (limits.known().expect("known"), &reference["limits"][&name_of(method)][j]);
                    near(limits.lower.value(), number(&reference[0]), 1e-10);
                    near(limits.upper.value(), number(&reference[1]), 1e-10);
                }
            }
            let formula = match variance {
                Variance::ModelBased => HazardVarianceFormula::Poisson,
                Variance::ClusterRobust => HazardVarianceFormula::ClusterRobust,
            };
            let hazard = cumulative_hazard(&observations, formula);
            for (j, &day) in level_days.iter().enumerate() {
                let found = hazard.at(day, HazardIntervalMethod::Plain, LEVEL);
                let found = found.known().expect("known");
                near(found.value, number(&reference["cumulative_hazard"][j]), 1e-12);
                near(found.standard_error.expect("known"), number(&reference["hazard_error"][j]), 1e-10);
            }
        }
    }
}

#[test]
fn contrasts_of_two_groups_whose_patients_overlap() {
    for set in curves()["sets"].as_array().expect("sets") {
        let rows = rows_of(set);
        let groups = observations(&rows).by_group(&grouping(&rows));
        for reference in set["contrasts"].as_array().expect("contrasts") {
            let horizon = Days::new(number(&reference["horizon"]) as i32);
            for (name, variance) in [("model", Variance::ModelBased), ("robust", Variance::ClusterRobust)] {
                let found = survival_contrast(&groups[0], &groups[1], &[horizon], variance, LEVEL);
                let found = found[0].known().expect("known");
                let (s1, s2) = (number(&reference["first"]), number(&reference["second"]));
                near(found.first.value(), s1, 1e-12);
                near(found.difference.estimate.value, s2 - s1, 1e-11);
                let (limits, both) = (found.difference.estimate.interval, &reference[format!("difference_{name}")]);
                let limits = limits.known().expect("known");
                near(limits.lower, number(&both["limits"][0]), 1e-10);
                near(limits.upper, number(&both["limits"][1]), 1e-10);
                near(found.difference.test.known().expect("known").ln_p_value, number(&both["ln_p"]), 1e-8);
                if s1 >= 1.0 || s2 >= 1.0 {
                    assert_eq!(found.difference.estimate.standard_error, None);
                    let ratio = found.ratio.known().expect("known");
                    assert_eq!(ratio.test, Known::NotKnown(WhyNotKnown::NoFailures));
                    continue;
                }
                let errors = &reference[name];
                let (ratio, loglog) = (found.ratio.known().expect("known"), found.complementary_log_log);
                let loglog = loglog.known().expect("known").estimate;
                near(found.difference.estimate.standard_error.expect("known"), number(&errors["difference"]), 1e-10);
                near(ratio.estimate.value, s2 / s1, 1e-11);
                near(ratio.estimate.standard_error.expect("known"), number(&errors["ratio"]), 1e-10);
                near(loglog.value, (s2.ln() / s1.ln()).ln(), 1e-10);
                near(loglog.standard_error.expect("known"), number(&errors["complementary_log_log"]), 1e-10);
            }
            if number(&reference["first"]) >= 1.0 {
                continue;
            }
            let end = f64::from(horizon.count());
            let means = restricted_mean_contrast(&groups[0], &groups[1], &Axis::Days, end, Variance::ClusterRobust, LEVEL);
            let means = means.known().expect("known");
            near(means.first, number(&reference["mean_first"]), 1e-12);
            near(means.second, number(&reference["mean_second"]), 1e-12);
            let error = |contrast: manebit::stats::Contrast| contrast.estimate.standard_error.expect("known");
            near(error(means.difference), number(&reference["mean_difference_error"]), 1e-9);
            near(error(*means.ratio.known().expect("known")), number(&reference["mean_ratio_error"]), 1e-9);
        }
        for reference in set["conditional"].as_array().expect("conditional") {
            let day = |name: &str| Days::new(number(&reference[name]) as i32);
            for (name, variance) in [("model", Variance::ModelBased), ("robust", Variance::ClusterRobust)] {
                let inference = Inference { variance, ..Inference::default() };
                let found = conditional_survival(&observations(&rows), day("given"), day("horizon"), inference);
                let survival = found.known().expect("known").survival;
                near(survival.value.value(), number(&reference["value"]), 1e-11);
                near(survival.standard_error.expect("known"), number(&reference[name]), 1e-9);
            }
        }
    }
}

#[test]
fn five_intervals_of_the_ten_rows() {
    // Ten rows by hand, pooled; computed with general-purpose software (R 4.2, survival 3.5), seven printed digits.
    // S, its variance; logit; arcsine of the square root.
    for (s, variance, logit, arcsine) in [
        (0.9, 0.009, [0.532_763_3, 0.986_118_3], [0.651_338_5, 0.999_859_5]),
        (0.675, 0.024_046_875, [0.341_962_5, 0.892_480_8], [0.356_383_0, 0.922_477_3]),
        (0.54, 0.029_97, [0.230_476_4, 0.821_465_6], [0.217_386_5, 0.844_779_3]),
        (0.27, 0.025_717_5, [0.069_829_52, 0.645_671_4], [0.036_567_76, 0.613_979_9]),
    ] {
        for (method, reference) in
            [(SurvivalIntervalMethod::Logit, logit), (SurvivalIntervalMethod::ArcsineSquareRoot, arcsine)]
        {
            let limits = survival_interval(Fraction::new(s), f64::sqrt(variance) / s, method, LEVEL);
            let limits = limits.known().expect("known");
            for (value, printed) in [limits.lower, limits.upper].into_iter().zip(reference) {
                assert!((value.value() - printed).abs() < 0.51e-7, "absolute: {} against {printed}", value.value());
            }
        }
    }
}

#[test]
fn critical_values_of_bands() {
    // Klein & Moeschberger, Survival Analysis, example 4.2, from tables C.3 and C.4 at a = 0.1..0.6: 2.8826 and 1.3211 (from
    // memory). The first is not the exact value but the root of an approximation of the tail (Miller & Siegmund 1982, from
    // memory): φ(e)·((e − 1/e)·ln(b(1 − a)/(a(1 − b))) + 4/e). The exact value covers a little more.
    let ratio: f64 = 0.6 * 0.9 / (0.1 * 0.4);
    let tail = |e: f64| (-0.5 * e * e).exp() / std::f64::consts::TAU.sqrt() * ((e - 1.0 / e) * ratio.ln() + 4.0 / e);
    assert!((tail(2.8826) - 0.05).abs() < 1e-5, "absolute");
    let exact = equal_precision_critical_value(ratio, LEVEL);
    assert!(exact > 2.8826 && (tail(exact) - 0.05).abs() < 1e-3, "absolute: {exact}");
    assert!((hall_wellner_critical_value(0.1, 0.6, LEVEL) - 1.3211).abs() < 0.5e-4, "absolute");
    let reference: Value = serde_json::from_str(include_str!("../reference/critical_values.json")).expect("well formed");
    for row in reference["hall_wellner"].as_array().expect("rows") {
        let level = ConfidenceLevel::new(number(&row[2])).expect("a level");
        let value = hall_wellner_critical_value(number(&row[0]), number(&row[1]), level);
        assert!((value - number(&row[3])).abs() < 1e-8, "absolute: {value} for {row}");
    }
    for row in reference["equal_precision"].as_array().expect("rows") {
        let level = ConfidenceLevel::new(number(&row[2])).expect("a level");
        let (a, b) = (number(&row[0]), number(&row[1]));
        let value = equal_precision_critical_value(b * (1.0 - a) / (a * (1.0 - b)), level);
        assert!((value - number(&row[3])).abs() < 1e-8, "absolute: {value} for {row}");
    }
}

fn ending() -> impl Strategy<Value = Ending> {
    prop_oneof![3 => Just(Ending::Failed), 1 => Just(Ending::Competing), 3 => Just(Ending::Censored)]
}

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let row = (prop_oneof![2 => Just(0), 1 => 1..20], 1..30, ending(), 0_u32..8, 0_u16..2, 1_u8..4);
    let row = row.prop_map(|(entry, length, ending, cluster, group, weight)| {
        (entry, entry + length, ending, cluster, group, f64::from(weight))
    });
    prop::collection::vec(row, 2..50)
}

/// Each row as many times as its weight says, with weight 1.
fn repeated(rows: &[Row]) -> Vec<Row> {
    rows.iter().flat_map(|&row| std::iter::repeat_n((row.0, row.1, row.2, row.3, row.4, 1.0), row.5 as usize)).collect()
}

/// Each row cut in two at `cut` within its cluster where it can be.
fn split(rows: &[Row], cut: i32) -> Vec<Row> {
    let mut parts = Vec::new();
    for &(entry, exit, ending, cluster, group, weight) in rows {
        if entry < cut && cut < exit {
            parts.push((entry, cut, Ending::Censored, cluster, group, weight));
            parts.push((cut, exit, ending, cluster, group, weight));
        } else {
            parts.push((entry, exit, ending, cluster, group, weight));
        }
    }
    parts
}

fn alike(a: Option<f64>, b: Option<f64>) -> Result<(), TestCaseError> {
    match (a, b) {
        (Some(a), Some(b)) => {
            prop_assert!((a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1e-3), "{a} against {b}");
        }
        (a, b) => prop_assert_eq!(a, b),
    }
    Ok(())
}

/// Everything that has to agree, as numbers; nothing where it is not known, or where a spread cancels to next to nothing.
fn summary(observations: &Observations, grouping: &Grouping, variance: Variance, robust_only: bool) -> Vec<Option<f64>> {
    let mut numbers = Vec::new();
    let inference = Inference { variance, ..Inference::default() };
    let spread = |error: Option<f64>| error.filter(|&error| error > 1e-6);
    let days = [5, 12, 25].map(Days::new);
    for estimate in survival_at_horizons(observations, &days, inference) {
        let estimate = estimate.known().copied();
        numbers.push(estimate.map(|estimate| estimate.value.value()));
        numbers.push(spread(estimate.and_then(|estimate| estimate.standard_error)));
    }
    let hazard = match variance {
        Variance::ModelBased => HazardVarianceFormula::Poisson,
        Variance::ClusterRobust => HazardVarianceFormula::ClusterRobust,
    };
    let hazard = cumulative_hazard(observations, hazard).at(days[1], HazardIntervalMethod::Log, LEVEL);
    numbers.push(hazard.known().map(|hazard| hazard.value));
    numbers.push(spread(hazard.known().and_then(|hazard| hazard.standard_error)));
    let mean = restricted_mean(observations, days[1], inference);
    numbers.push(mean.known().map(|mean| mean.days.value));
    numbers.push(spread(mean.known().and_then(|mean| mean.days.standard_error)));
    let conditional = conditional_survival(observations, days[0], days[1], inference);
    numbers.push(conditional.known().map(|found| found.survival.value.value()));
    numbers.push(spread(conditional.known().and_then(|found| found.survival.standard_error)));
    let groups = observations.by_group(grouping);
    let contrast = survival_contrast(&groups[0], &groups[1], &days[..1], variance, LEVEL);
    let difference = contrast[0].known().map(|contrast| contrast.difference.estimate);
    numbers.push(difference.map(|difference| difference.value));
    numbers.push(spread(difference.and_then(|difference| difference.standard_error)));
    if !robust_only {
        let table = actuarial_table(observations, &Axis::Days, &[0, 7, 14, 60].map(Days::new)).expect("rising");
        numbers.extend(table.iter().flat_map(|row| {
            [row.survival.known().map(|survival| survival.value()), row.hazard_error.known().copied(), Some(row.exposed)]
        }));
    }
    numbers
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_weight_of_two_is_two_observations(rows in rows()) {
        let copies = repeated(&rows);
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let weighted = summary(&observations(&rows), &grouping(&rows), variance, false);
            let repeated = summary(&observations(&copies), &grouping(&copies), variance, false);
            for (a, b) in weighted.into_iter().zip(repeated) {
                alike(a, b)?;
            }
        }
    }

    #[test]
    fn a_record_cut_in_two_within_its_cluster_changes_nothing(rows in rows(), cut in 1..40) {
        let parts = split(&rows, cut);
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let whole = summary(&observations(&rows), &grouping(&rows), variance, true);
            let cut = summary(&observations(&parts), &grouping(&parts), variance, true);
            for (a, b) in whole.into_iter().zip(cut) {
                alike(a, b)?;
            }
        }
    }

    #[test]
    fn groups_in_one_pass_are_the_groups_one_by_one(rows in rows(), weighted in any::<bool>()) {
        let rows: Vec<Row> = rows.into_iter().map(|row| (row.0, row.1, row.2, row.3, row.4, if weighted { row.5 } else { 1.0 })).collect();
        let (all, days) = (observations(&rows), [0, 3, 8, 15, 40].map(Days::new));
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let inference = Inference { variance, ..Inference::default() };
            let together = survival_by_group(&all, &grouping(&rows), &days, inference);
            for (group, alone) in together.iter().zip(all.by_group(&grouping(&rows))) {
                let curve = survival_curve(&alone, variance);
                prop_assert_eq!(&group.table, &LifeTable::count(&alone));
                prop_assert_eq!(group.clusters, alone.clusters_present());
                for (estimate, &day) in group.at_horizons.iter().zip(&days) {
                    prop_assert_eq!(estimate.map(|estimate| estimate.value), curve.survival_at(day));
                    let interval = curve.interval_at(day, inference.method, LEVEL);
                    let error = interval.known().and_then(|_| curve.standard_error_at(day).known().copied());
                    let large = |error: Option<f64>| error.filter(|&error| error > 1e-6);
                    alike(large(estimate.known().and_then(|estimate| estimate.standard_error)), large(error))?;
                }
            }
        }
    }

    #[test]
    fn another_unit_of_time_changes_times_alone(rows in rows()) {
        let all = observations(&rows);
        // Halves of a unit, listed: tick k stands for k/2, where every tick is listed.
        let last = all.last_day().expect("some").count();
        let halves = Axis::listing((0..=last).map(|tick| f64::from(tick) / 2.0));
        let mean = |axis: &Axis, horizon: f64| restricted_mean_on(&all, axis, horizon, Variance::ClusterRobust, LEVEL);
        let (days, units) = (mean(&Axis::Days, 10.0), mean(&halves, 5.0));
        alike(days.known().map(|mean| mean.mean.value), units.known().map(|mean| 2.0 * mean.mean.value))?;
        let error = |mean: Known<manebit::stats::RestrictedMeanTime>| mean.known().and_then(|mean| mean.mean.standard_error);
        alike(error(days).filter(|&error| error > 1e-5), error(units).map(|error| 2.0 * error).filter(|&error| error > 1e-5))?;
    }

    #[test]
    fn few_clusters_widen_the_interval_and_groups_swapped_turn_the_sign(rows in rows()) {
        let all = observations(&rows);
        let days = [Days::new(10)];
        let inference = Inference::default();
        let (usual, student) = (survival_at_horizons(&all, &days, inference), survival_with_few_clusters(&all, &days, inference.method, LEVEL));
        if let (Known::Known(usual), Known::Known(student)) = (usual[0], student[0])
            && let (Known::Known(usual), Known::Known(student)) = (usual.interval, student.survival.interval)
        {
            prop_assert!(student.lower.value() <= usual.lower.value() + 1e-12);
            prop_assert!(student.upper.value() >= usual.upper.value() - 1e-12);
        }
        let groups = all.by_group(&grouping(&rows));
        let contrast = |a: usize, b: usize| survival_contrast(&groups[a], &groups[b], &days, Variance::ClusterRobust, LEVEL)[0];
        if let (Known::Known(there), Known::Known(back)) = (contrast(0, 1), contrast(1, 0)) {
            alike(Some(there.difference.estimate.value), Some(-back.difference.estimate.value))?;
            let p = |contrast: manebit::stats::SurvivalContrast| contrast.difference.test.known().map(|test| test.chi_square).filter(|&chi| chi < 1e6);
            alike(p(there), p(back))?;
            // The test says what the interval says.
            if let (Known::Known(test), Known::Known(limits)) = (there.difference.test, there.difference.estimate.interval) {
                let inside = limits.lower <= 1e-9 && limits.upper >= -1e-9;
                let outside = limits.lower >= -1e-9 || limits.upper <= 1e-9;
                prop_assert!(if test.p_value > 0.05 { inside } else { outside }, "p {} with {limits:?}", test.p_value);
            }
        }
    }

    #[test]
    fn quantiles_of_weighted_curves_are_those_of_repeated_observations(rows in rows(), part in 1_u8..10) {
        let copies = repeated(&rows);
        let of = |rows: &[Row]| {
            let curve = ProductLimit::of(&observations(rows));
            let found = quantile(&curve, Fraction::new(f64::from(part) / 10.0), SurvivalIntervalMethod::Logit, LEVEL);
            (found.value, found.flat_until)
        };
        prop_assert_eq!(of(&rows), of(&copies));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_band_holds_the_pointwise_limits(rows in rows()) {
        let all = observations(&rows);
        let curve = ProductLimit::of(&all);
        for shape in [BandShape::EqualPrecision, BandShape::HallWellner] {
            let Known::Known(band) = confidence_band(&all, shape, SurvivalIntervalMethod::Plain, LEVEL, None) else { continue };
            prop_assert!(band.critical_value > 0.0 && band.time_from <= band.time_to);
            for point in &band.points {
                prop_assert!(point.limits.lower <= point.survival && point.survival <= point.limits.upper);
                let pointwise = curve.interval_at(point.day, SurvivalIntervalMethod::Plain, LEVEL);
                if let (BandShape::EqualPrecision, Known::Known(pointwise)) = (shape, pointwise) {
                    prop_assert!(point.limits.lower.value() <= pointwise.lower.value() + 1e-12);
                    prop_assert!(point.limits.upper.value() >= pointwise.upper.value() - 1e-12);
                }
            }
        }
    }
}
