//! Failures known only to lie between recalls, families of distributions, tables, propensities, plans and watching.

use std::hint::black_box;

use manebit::planning::PlannedPractice;
use manebit::quantity::{AnnualRate, ConfidenceLevel, Day, Days, Fraction, Known, Variance, Years};
use manebit::simulate::random::Stream;
use manebit::stats::{
    Axis, BenchmarkHazard, ContingencyTable, Covariate, CoxDesign, ExactWork, FirthPenalty, Grouping, HighestSums,
    IntervalQuantity, Intervals, LogTimeFamily, LogisticOptions, ParametricOptions, PeriodWatched, PowerTest, Replicates,
    Resampling, TimedBounds, Watched, Weighting, fisher_freeman_halton_test, interval_bootstrap, interval_survival,
    logistic_regression, parametric_regression, propensities,
};

use super::{best, report};

/// Failures over some ten years found at recalls at 6, 12, 24, 36 … months, three weeks early or late at most; one recall in ten
/// is missed, and some are lost to recall. Three to a cluster.
fn recalls(count: usize) -> Intervals {
    let mut random = Stream::new(7, 98, count as u64);
    let mut intervals = Intervals::with_capacity(count);
    for row in 0..count {
        let failing = 12.0 * 365.25 * random.exponential().powf(1.0 / 1.3);
        let lost = random.between(0, 3650).max(random.between(0, 3650));
        let (mut intact, mut found) = (0, None);
        for month in [6, 12, 24, 36, 48, 60, 72, 84, 96, 108, 120] {
            let day = (f64::from(month) * 30.4375) as i32 + random.between(-21, 21);
            if day > lost {
                break;
            }
            if random.happens(0.1) {
                continue;
            }
            if failing <= f64::from(day) {
                found = Some(Days::new(day));
                break;
            }
            intact = day;
        }
        intervals.push(Days::new(0), Days::new(intact), found, (row / 3) as u32).expect("in order");
    }
    intervals
}

/// A design of so many covariates, and the linear predictor they make.
fn covariates(count: usize, columns: usize) -> (CoxDesign, Vec<f64>) {
    let mut random = Stream::new(7, 97, count as u64);
    let mut predictor = vec![0.0; count];
    let column = |place: usize, random: &mut Stream, predictor: &mut [f64]| -> Vec<f64> {
        let one = |predictor: &mut f64| {
            let value = if place.is_multiple_of(2) { random.normal() } else { f64::from(u8::from(random.happens(0.4))) };
            *predictor += [0.3, -0.4, 0.2, 0.5, -0.1][place % 5] * value;
            value
        };
        predictor.iter_mut().map(one).collect()
    };
    let all = (0..columns)
        .map(|place| Covariate::number(format!("x{place}"), column(place, &mut random, &mut predictor)))
        .collect();
    (CoxDesign::new(all).expect("a design"), predictor)
}

/// Prints the times of all of them, the largest set of so many records.
pub fn run(most: usize) {
    let (million, hundred_thousand, ten_thousand) = (most / 10, most / 100, most / 1000);
    let curve = |count: usize, aim: f64| {
        let intervals = recalls(count);
        let Known::Known(curve) = interval_survival(&intervals) else { panic!("a curve") };
        assert!(curve.converged && curve.gap < 1e-9, "gap {}", curve.gap);
        report("interval-censored survival, gap below 1e-9", count, best(3, || interval_survival(&intervals)), aim);
    };
    curve(ten_thousand, 0.008);
    curve(hundred_thousand, 0.03);
    curve(most, 2.0);
    let intervals = recalls(ten_thousand);
    let five_years = [IntervalQuantity::Survival(Years::new(5.0).days())];
    let resampling = Resampling { replicates: 500, ..Resampling::default() };
    let bootstrap = || interval_bootstrap(&intervals, &Axis::Days, &five_years, resampling);
    report("the same, bootstrap of clusters, 500 resamples", ten_thousand, best(3, bootstrap), 1.0);

    let intervals = recalls(hundred_thousand);
    let (design, _) = covariates(hundred_thousand, 4);
    let lower: Vec<f64> = intervals.left().iter().map(|left| f64::from(*left)).collect();
    let upper: Vec<f64> =
        intervals.right().iter().map(|right| if *right == i32::MAX { f64::INFINITY } else { f64::from(*right) }).collect();
    let bounds = TimedBounds::of_columns(None, &lower, &upper, intervals.cluster(), None).expect("bounds");
    let options = ParametricOptions { family: LogTimeFamily::Weibull, ..ParametricOptions::default() };
    let fit = || parametric_regression(&bounds, &design, options).expect("a fit").regression;
    report("Weibull regression of intervals, four covariates, by cluster", hundred_thousand, best(3, fit), f64::INFINITY);

    // A table whose rows differ as those of a practice do, and one nearly even, the hardest kind: within the work that a command allows.
    for (what, cells) in [
        ("uneven", [[61, 8, 2, 0], [35, 30, 12, 1], [28, 19, 15, 6], [44, 12, 8, 3], [9, 4, 1, 2]]),
        ("nearly even", [[40, 22, 9, 2], [35, 30, 12, 1], [28, 19, 15, 6], [44, 12, 8, 3], [9, 4, 1, 0]]),
    ] {
        let table = ContingencyTable::new(&cells).expect("a table");
        let exact = || fisher_freeman_halton_test(&table, ExactWork::USUAL);
        let seconds = best(1, exact);
        println!("  (probability {:?})", exact().known().map(|tail| tail.p_value));
        report(&format!("Fisher–Freeman–Halton, 5 × 4 table, {what}"), 300, seconds, 0.1);
    }

    let (design, predictor) = covariates(million, 5);
    let mut random = Stream::new(7, 96, million as u64);
    let outcome: Vec<bool> = predictor.iter().map(|eta| random.happens(1.0 / (1.0 + (1.0 - eta).exp()))).collect();
    let clusters: Vec<u32> = (0..million).map(|row| (row / 5) as u32).collect();
    let options = LogisticOptions { variance: Variance::ClusterRobust, ..LogisticOptions::default() };
    let logistic = || logistic_regression(&outcome, &clusters, None, &design, options).expect("a fit");
    report("logistic regression, five covariates, by cluster", million, best(3, logistic), f64::INFINITY);
    let levels = Grouping::new((0..million).map(|row| (row % 3) as u16).collect(), 3).expect("levels");
    let choice = || propensities(&levels, &clusters, None, &design, FirthPenalty::Never).expect("a fit");
    report("propensities of three levels, five covariates", million, best(3, choice), f64::INFINITY);

    let plan = PlannedPractice::default();
    let test = PowerTest::LogRank { weighting: Weighting::LogRank, variance: Variance::ClusterRobust };
    let power = || plan.power(1000, ConfidenceLevel::USUAL, &[test]);
    report("power by simulation, 1000 practices, clustered log-rank test", 500, best(3, power), 2.0);

    let practice = PlannedPractice { restorations: 2000, accrual: Years::new(9.0), further: Years::new(1.0), ..plan };
    let trial = practice.trial(0);
    let exits = trial.observations.exit().iter();
    let origins: Vec<Day> = exits.map(|exit| Day::from_epoch(3652 - exit)).collect();
    let Known::Known(rate) = BenchmarkHazard::of_rate(AnnualRate::new(0.03)) else { panic!("a benchmark") };
    let Known::Known(watched) = Watched::new(&trial.observations, &origins, &rate, PeriodWatched::default()) else {
        panic!("a series")
    };
    let limit = || {
        let sums = HighestSums::of_clusters(&watched, 2.0, 0.8, Replicates::default());
        sums.known().map(|sums| black_box(sums.limit(Fraction::new(0.05))))
    };
    report("limit of a cumulative sum, frailty, 10 000 replicates", 2000, best(3, limit), f64::INFINITY);
}
