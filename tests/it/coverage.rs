//! Intervals hold the truth about as often as they say: invented practices whose true survival is known.

use manebit::quantity::{Days, Fraction, Known, Variance};
use manebit::simulate::practice::{Endings, Observation};
use manebit::simulate::{SimulatedPractice, Truth};
use manebit::stats::{Ending, Inference, Observations, survival_at_horizons};

use crate::run::Records;

/// Practices in the simulation.
const PRACTICES: u64 = 400;

/// One practice observed without gaps: its observations, and the mean true survival of its techniques on a day.
fn practice(seed: u64, day: Days) -> (Observations, f64) {
    let practice = SimulatedPractice {
        seed,
        restorations: 250,
        truth: Truth { frailty_variance: 2.0, rate: 0.06, ..Truth::default() },
        observation: Observation::Continuous,
        endings: Endings::LossOnly,
        legacy_one_in: 0,
        ..SimulatedPractice::default()
    };
    let mut observations = Observations::with_capacity(260);
    let mut truth = 0.0;
    for (cluster, patient) in (0_u32..).zip(practice.patients()) {
        for (placement, course) in patient.placements.iter().zip(&patient.courses) {
            let followed = practice.last_day - placement.placed_on;
            let (exit, ending) = match course.loss {
                Some(loss) if loss <= followed => (loss, Ending::Failed),
                _ => (followed, Ending::Censored),
            };
            observations.push(Days::new(0), exit, ending, cluster).expect("an observation");
            truth += practice.truth.survival(day, course.ratio).value();
        }
    }
    let count = observations.len() as f64;
    (observations, truth / count)
}

/// At five and nine years (some censored by then), 400 practices of 250 restorations with strongly shared fate. The Monte Carlo
/// standard error of a coverage of 95 % is √(0.95 · 0.05 / 400) = 1.1 %; three of them are allowed for.
#[test]
fn clustered_intervals_of_survival_cover_at_the_stated_rate() {
    for day in [Days::new(1826), Days::new(3287)] {
        let mut covered = [0_u64; 2];
        for seed in 0..PRACTICES {
            let (observations, truth) = practice(seed, day);
            for (place, variance) in [Variance::ClusterRobust, Variance::ModelBased].into_iter().enumerate() {
                let inference = Inference { variance, ..Inference::default() };
                let estimates = survival_at_horizons(&observations, &[day], inference);
                let Known::Known(estimate) = estimates[0] else { panic!("survival is known") };
                let Known::Known(interval) = estimate.interval else { panic!("an interval is known") };
                covered[place] += u64::from((interval.lower..=interval.upper).contains(&Fraction::new(truth)));
            }
        }
        let rate = covered.map(|count| count as f64 / PRACTICES as f64);
        println!("day {}: clustered {:.3}, as if independent {:.3}; Monte Carlo error 0.011", day.count(), rate[0], rate[1]);
        let error = (0.95 * 0.05 / PRACTICES as f64).sqrt();
        assert!((rate[0] - 0.95).abs() <= 3.0 * error, "clustered intervals cover {}", rate[0]);
        assert!(rate[1] < rate[0], "taking fillings as independent claims too much: {} against {}", rate[1], rate[0]);
    }
}

/// Leaves only those rows of a record file whose restoration is kept.
fn keep_rows(records: &Records, file: &str, kept: &dyn Fn(&str) -> bool) {
    let path = records.path().join("records").join(file);
    let mut reader = csv::Reader::from_path(&path).expect("records");
    let mut rows = vec![reader.byte_headers().expect("a header").clone()];
    rows.extend(reader.byte_records().map(|row| row.expect("a row")).filter(|row| kept(&String::from_utf8_lossy(&row[0]))));
    let mut writer = csv::Writer::from_path(&path).expect("a file");
    rows.iter().for_each(|row| writer.write_byte_record(row).expect("a row"));
}

/// The whole way, through files: first restorations (those that replace a lost one sit in frailer mouths than the marginal
/// truth speaks of) out of 3000, seen at recalls with gaps. The estimate dates losses to the visit that found
/// them, so it may lie above the truth by what is lost between two visits, and by three standard errors either way.
#[test]
fn the_whole_program_finds_the_truth_behind_an_invented_practice() {
    let records = Records::new(&[]);
    assert!(records.run(&["invent", "records", "--restorations", "3000", "--seed", "11"]).status.success());
    let invented = SimulatedPractice { seed: 11, restorations: 3000, ..SimulatedPractice::default() };
    let (mut first, mut ratios) = (std::collections::HashSet::new(), Vec::new());
    for patient in invented.patients() {
        for (placement, course) in patient.placements.iter().zip(&patient.courses) {
            if !placement.replaces_restoration.as_ref().is_some_and(|of| of.starts_with('R')) {
                first.insert(placement.restoration_id.clone());
                ratios.push(course.ratio);
            }
        }
    }
    assert!(first.len() > 2500, "{} first restorations", first.len());
    keep_rows(&records, "placements.csv", &|id| first.contains(id));
    keep_rows(&records, "visits.csv", &|id| first.contains(id));
    let review = records.review(&[]);
    let truth = |day: Days| {
        ratios.iter().map(|&ratio| invented.truth.survival(day, ratio).value()).sum::<f64>() / ratios.len() as f64
    };
    for months in [24_u16, 36, 60, 96] {
        let horizon = review.endpoints[0].all.horizons.iter().find(|horizon| horizon.months == months).expect("a horizon");
        let Known::Known(survival) = horizon.survival else { panic!("survival is known") };
        let error = survival.standard_error.expect("an error");
        let late = truth(Days::new(horizon.day.count() - 300)) - truth(horizon.day);
        let found = survival.value.value();
        let expected = truth(horizon.day);
        assert!(
            found >= expected - 3.0 * error && found <= expected + late + 3.0 * error,
            "{months} months: {found} against {expected} (+{late})"
        );
    }
}
