//! What must hold of the survival estimators whatever the data.

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{Days, Estimate, Fraction, Known, Variance};
use manebit::stats::{
    Ending, Grouping, Inference, LifeTable, LogRankTest, Observations, ProductLimit, log_rank, restricted_mean,
    survival_at_horizons, survival_curve,
};
use proptest::prelude::*;

/// Entry, time from entry to exit, ending, cluster, group.
type Row = (i32, i32, Ending, u32, u16);

const LAST: i32 = 60;
const CLUSTERS: u32 = 8;
const GROUPS: u16 = 3;

fn ending() -> impl Strategy<Value = Ending> {
    prop_oneof![3 => Just(Ending::Failed), 1 => Just(Ending::Competing), 3 => Just(Ending::Censored)]
}

fn rows(late: bool) -> impl Strategy<Value = Vec<Row>> {
    let entry = if late { prop_oneof![2 => Just(0), 1 => 1..LAST / 2].boxed() } else { Just(0).boxed() };
    prop::collection::vec((entry, 1..=LAST / 2, ending(), 0..CLUSTERS, 0..GROUPS), 2..60)
}

fn observations(rows: &[Row]) -> Observations {
    let mut observations = Observations::with_capacity(rows.len());
    for &(entry, length, ending, cluster, _) in rows {
        observations.push(Days::new(entry), Days::new(entry + length), ending, cluster).expect("in order");
    }
    observations
}

fn grouping(rows: &[Row]) -> Grouping {
    Grouping::new(rows.iter().map(|row| row.4).collect(), GROUPS).expect("levels")
}

/// Equal within 1e-12 of the larger, or of `scale` where both are next to nothing.
fn equal(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-12 * a.abs().max(b.abs()).max(scale)
}

fn same_curve(a: &ProductLimit, b: &ProductLimit) -> Result<(), TestCaseError> {
    prop_assert_eq!(a.steps().len(), b.steps().len());
    prop_assert_eq!(a.last_day_at_risk(), b.last_day_at_risk());
    for (a, b) in a.steps().iter().zip(b.steps()) {
        prop_assert_eq!((a.day, a.at_risk, a.failed, a.survival), (b.day, b.at_risk, b.failed, b.survival));
        match (a.ln_survival_variance, b.ln_survival_variance) {
            (Known::Known(x), Known::Known(y)) => {
                // The variance is a sum of squares that may cancel to nothing; n/(n(n − d)) bounds one of its terms.
                prop_assert!(equal(x, y, 1.0 / (a.at_risk - a.failed) as f64), "{} against {}", x, y);
            }
            (a, b) => prop_assert_eq!(a, b),
        }
    }
    Ok(())
}

/// The influence of each observation on ln S by the definition, summed by cluster: the slow and obvious way.
fn slow_robust_variance(observations: &Observations, curve: &ProductLimit, day: Days) -> f64 {
    let mut clusters = vec![0.0; observations.clusters() as usize];
    for i in 0..observations.len() {
        let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
        for step in curve.steps().iter().take_while(|step| step.day <= day) {
            let (u, n, d) = (step.day.count(), step.at_risk as f64, step.failed as f64);
            let at_risk = (entry == 0 || u > entry) && u <= exit;
            let failed = u == exit && observations.ending()[i] == Ending::Failed;
            let residual = f64::from(u8::from(failed)) - f64::from(u8::from(at_risk)) * d / n;
            clusters[observations.cluster()[i] as usize] += residual / (n - d);
        }
    }
    clusters.iter().map(|sum| sum * sum).sum()
}

/// ln S(day) with case weights, by the definition.
fn weighted_ln_survival(observations: &Observations, weights: &[f64], day: i32) -> f64 {
    let mut ln_survival = 0.0;
    for u in 0..=day {
        let (mut at_risk, mut failed) = (0.0, 0.0);
        for (i, weight) in weights.iter().enumerate() {
            let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
            if (entry == 0 || u > entry) && u <= exit {
                at_risk += weight;
                if u == exit && observations.ending()[i] == Ending::Failed {
                    failed += weight;
                }
            }
        }
        if failed > 0.0 {
            ln_survival += (1.0 - failed / at_risk).ln();
        }
    }
    ln_survival
}

fn horizons() -> Vec<Days> {
    (0..=LAST).map(Days::new).collect()
}

fn same_test(a: &Known<LogRankTest>, b: &Known<LogRankTest>) -> Result<(), TestCaseError> {
    match (a, b) {
        (Known::Known(a), Known::Known(b)) => {
            prop_assert_eq!(a.degrees_of_freedom, b.degrees_of_freedom);
            // The robust matrix may be nearly singular; its condition magnifies rounding.
            prop_assert!(
                (a.chi_square - b.chi_square).abs() <= 1e-8 * a.chi_square.max(1.0),
                "{} {}",
                a.chi_square,
                b.chi_square
            );
        }
        (Known::NotKnown(a), Known::NotKnown(b)) => prop_assert_eq!(a, b),
        (a, b) => prop_assert!(false, "{:?} against {:?}", a, b),
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn survival_stays_between_nought_and_one_and_never_rises(rows in rows(true)) {
        let mut before = 1.0;
        for estimate in survival_at_horizons(&observations(&rows), &horizons(), Inference::default()) {
            let Some(&Estimate { value, interval, .. }) = estimate.known() else { continue };
            let value = value.value();
            prop_assert!((0.0..=before).contains(&value));
            if let Some(interval) = interval.known() {
                prop_assert!(interval.lower.value() <= value + 1e-15 && value <= interval.upper.value() + 1e-15);
            }
            before = value;
        }
    }

    #[test]
    fn counts_add_up_on_every_day(rows in rows(true), day in -3..LAST + 5) {
        let table = LifeTable::count(&observations(&rows));
        let counts = table.counts_at(Days::new(day));
        let so_far = counts.at_risk + counts.failed_so_far + counts.competing_so_far + counts.censored_so_far;
        prop_assert_eq!(so_far, counts.entered_so_far);
        prop_assert_eq!(so_far + counts.not_yet_entered, rows.len() as u64);
        let by_definition = rows.iter().filter(|row| (row.0 == 0 || day > row.0) && day <= row.0 + row.1).count() as u64;
        prop_assert_eq!(counts.at_risk, if day < 0 { table.origin() } else { by_definition });
        prop_assert_eq!(table.exposure(), rows.iter().map(|row| row.1 as u64).sum::<u64>());
        prop_assert_eq!(table.at_risk().nth(usize::try_from(day).unwrap_or(usize::MAX)).unwrap_or(0), if day < 0 { 0 } else { by_definition });
    }

    #[test]
    fn life_tables_of_parts_sum_to_that_of_the_whole(rows in rows(true), cut in 0_usize..60) {
        let (left, right) = rows.split_at(cut.min(rows.len()));
        let sum = LifeTable::count(&observations(left)) + &LifeTable::count(&observations(right));
        let whole = LifeTable::count(&observations(&rows));
        prop_assert_eq!(&sum, &whole);
        let mut groups = LifeTable::default();
        for table in LifeTable::by_group(&observations(&rows), &grouping(&rows)) {
            groups += &table;
        }
        prop_assert_eq!(&groups, &whole);
    }

    #[test]
    fn the_order_of_records_changes_nothing(
        (rows, shuffled) in rows(true).prop_flat_map(|rows| (Just(rows.clone()), Just(rows).prop_shuffle()))
    ) {
        let (a, b) = (observations(&rows), observations(&shuffled));
        prop_assert_eq!(LifeTable::count(&a), LifeTable::count(&b));
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            same_curve(&survival_curve(&a, variance), &survival_curve(&b, variance))?;
            same_test(&log_rank(&a, &grouping(&rows), variance), &log_rank(&b, &grouping(&shuffled), variance))?;
        }
    }

    #[test]
    fn a_record_split_at_a_day_changes_neither_curve_nor_robust_variance(rows in rows(true), cuts in prop::collection::vec(1..LAST, 60)) {
        let mut split = Vec::new();
        for (&(entry, length, ending, cluster, group), &cut) in rows.iter().zip(&cuts) {
            let exit = entry + length;
            if entry < cut && cut < exit {
                split.push((entry, cut - entry, Ending::Censored, cluster, group));
                split.push((cut, exit - cut, ending, cluster, group));
            } else {
                split.push((entry, length, ending, cluster, group));
            }
        }
        let (a, b) = (observations(&rows), observations(&split));
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            same_curve(&survival_curve(&a, variance), &survival_curve(&b, variance))?;
            same_test(&log_rank(&a, &grouping(&rows), variance), &log_rank(&b, &grouping(&split), variance))?;
        }
    }

    #[test]
    fn groups_in_another_order_give_the_same_test(rows in rows(true), order in Just(vec![0_u16, 1, 2]).prop_shuffle()) {
        let observations = observations(&rows);
        let renamed = Grouping::new(rows.iter().map(|row| order[usize::from(row.4)]).collect(), GROUPS).expect("levels");
        for variance in [Variance::ModelBased, Variance::ClusterRobust] {
            let (a, b) = (log_rank(&observations, &grouping(&rows), variance), log_rank(&observations, &renamed, variance));
            same_test(&a, &b)?;
            if let (Known::Known(a), Known::Known(b)) = (a, b) {
                for (old, &new) in order.iter().enumerate() {
                    prop_assert_eq!(a.groups[old].observed, b.groups[usize::from(new)].observed);
                    prop_assert!(equal(a.groups[old].expected, b.groups[usize::from(new)].expected, 1.0));
                }
            }
        }
    }

    #[test]
    fn each_observation_its_own_cluster_gives_greenwood(rows in rows(false)) {
        let own: Vec<Row> = (0..).zip(&rows).map(|(i, row)| (row.0, row.1, row.2, i, row.4)).collect();
        let observations = observations(&own);
        let (greenwood, robust) =
            (survival_curve(&observations, Variance::ModelBased), survival_curve(&observations, Variance::ClusterRobust));
        same_curve(&greenwood, &robust)?;
        let mean = |variance| restricted_mean(&observations, Days::new(LAST / 4), Inference { variance, ..Inference::default() });
        if let (Known::Known(a), Known::Known(b)) = (mean(Variance::ModelBased), mean(Variance::ClusterRobust))
            && let (Some(a), Some(b)) = (a.days.standard_error, b.days.standard_error)
        {
            prop_assert!(equal(a, b, 1e-3), "{} against {}", a, b);
        }
    }

    #[test]
    fn copies_within_a_cluster_change_nothing(rows in rows(true), copies in 2_usize..5) {
        let single: Vec<Row> = (0..).zip(&rows).map(|(i, row)| (row.0, row.1, row.2, i, row.4)).collect();
        let copied: Vec<Row> = single.iter().flat_map(|&row| std::iter::repeat_n(row, copies)).collect();
        let (a, b) = (observations(&single), observations(&copied));
        let (a, b) = (survival_curve(&a, Variance::ClusterRobust), survival_curve(&b, Variance::ClusterRobust));
        for (a, b) in a.steps().iter().zip(b.steps()) {
            if let (Known::Known(x), Known::Known(y)) = (a.ln_survival_variance, b.ln_survival_variance) {
                prop_assert!(equal(x, y, 1.0 / (a.at_risk - a.failed) as f64), "{} against {}", x, y);
            }
        }
    }

    #[test]
    fn the_running_sums_agree_with_the_definition(rows in rows(true)) {
        let observations = observations(&rows);
        let curve = survival_curve(&observations, Variance::ClusterRobust);
        for step in curve.steps() {
            if let Known::Known(variance) = step.ln_survival_variance {
                let slow = slow_robust_variance(&observations, &curve, step.day);
                prop_assert!(equal(variance, slow, 1.0 / (step.at_risk - step.failed) as f64), "{} against {}", variance, slow);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn influence_is_the_derivative_in_the_case_weights(rows in rows(true), day in 1..LAST) {
        // Central differences in the weight of a whole cluster; accurate to some 1e-7, so the tolerance is 1e-6 absolute at n = 60.
        let observations = observations(&rows);
        let curve = survival_curve(&observations, Variance::ClusterRobust);
        let survival = curve.survival_at(Days::new(day)).map(Fraction::value);
        let (Known::Known(variance), Some(true)) =
            (curve.ln_survival_variance_at(Days::new(day)), survival.known().map(|&survival| survival > 0.0)) else { return Ok(()) };
        let mut sum = 0.0;
        for cluster in 0..observations.clusters() {
            let shifted = |by: f64| {
                let weights: Vec<f64> = observations.cluster().iter().map(|&c| if c == cluster { 1.0 + by } else { 1.0 }).collect();
                weighted_ln_survival(&observations, &weights, day)
            };
            let derivative = (shifted(1e-5) - shifted(-1e-5)) / 2e-5;
            sum += derivative * derivative;
        }
        prop_assert!((variance - sum).abs() <= 1e-6 * sum.max(1.0), "{} against {}", variance, sum);
    }
}
