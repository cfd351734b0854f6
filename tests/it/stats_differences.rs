//! How often the interval of a difference of survivals holds the truth, and how often its test finds a difference that isn't there, by
//! simulation.
//!
//! Patients of two fillings each share a gamma frailty of mean 1 and variance θ = 0.7; either each patient has one level, or one filling of
//! each. Every filling is followed to day 100; survival is 1 − F at its marginal value (1 + θ·H)^(−1/θ).
//!
//! What `limits_from_both_sides_hold_their_level` printed, 2000 samples a row, Monte Carlo error 0.5 %; a plain interval is the difference
//! ± 1.96 standard errors and has none where nobody failed on one side:
//!
//! | patients | survival | levels | limits | hold | plain limits | hold | p below 0.05 |
//! | --- | --- | --- | --- | --- | --- | --- | --- |
//! | 20 | 0.95 and 0.95 | by patient | 100.0 % | 100.0 % | 40.0 % | 99.9 % | 0.0 % |
//! | 20 | 0.95 and 0.95 | in each mouth | 100.0 % | 99.8 % | 40.0 % | 100.0 % | 0.2 % |
//! | 20 | 0.97 and 0.85 | by patient | 100.0 % | 100.0 % | 44.2 % | 95.7 % | 1.3 % |
//! | 20 | 0.97 and 0.85 | in each mouth | 100.0 % | 99.3 % | 44.3 % | 96.2 % | 8.8 % |
//! | 20 | 0.9 and 0.8 | by patient | 100.0 % | 99.5 % | 85.8 % | 94.2 % | 2.6 % |
//! | 20 | 0.9 and 0.8 | in each mouth | 100.0 % | 98.6 % | 87.6 % | 95.3 % | 4.5 % |
//! | 20 | 0.7 and 0.7 | by patient | 100.0 % | 96.6 % | 99.8 % | 91.7 % | 3.4 % |
//! | 20 | 0.7 and 0.7 | in each mouth | 100.0 % | 96.9 % | 99.9 % | 93.3 % | 3.1 % |
//! | 40 | 0.95 and 0.95 | by patient | 100.0 % | 100.0 % | 75.5 % | 98.9 % | 0.1 % |
//! | 40 | 0.95 and 0.95 | in each mouth | 100.0 % | 99.3 % | 77.4 % | 98.7 % | 0.7 % |
//! | 40 | 0.97 and 0.85 | by patient | 100.0 % | 99.0 % | 69.0 % | 92.3 % | 13.9 % |
//! | 40 | 0.97 and 0.85 | in each mouth | 100.0 % | 98.9 % | 69.0 % | 93.7 % | 34.6 % |
//! | 40 | 0.9 and 0.8 | by patient | 100.0 % | 97.6 % | 98.2 % | 93.6 % | 14.4 % |
//! | 40 | 0.9 and 0.8 | in each mouth | 100.0 % | 97.5 % | 98.5 % | 94.5 % | 17.4 % |
//! | 40 | 0.7 and 0.7 | by patient | 100.0 % | 96.0 % | 100.0 % | 92.7 % | 4.0 % |
//! | 40 | 0.7 and 0.7 | in each mouth | 100.0 % | 97.0 % | 100.0 % | 93.8 % | 3.0 % |
//! | 120 | 0.95 and 0.95 | by patient | 100.0 % | 98.3 % | 99.3 % | 95.2 % | 1.6 % |
//! | 120 | 0.95 and 0.95 | in each mouth | 100.0 % | 97.5 % | 99.5 % | 95.2 % | 2.5 % |
//! | 120 | 0.97 and 0.85 | by patient | 100.0 % | 96.8 % | 97.5 % | 93.7 % | 88.5 % |
//! | 120 | 0.97 and 0.85 | in each mouth | 100.0 % | 97.2 % | 97.3 % | 94.9 % | 90.6 % |
//! | 120 | 0.9 and 0.8 | by patient | 100.0 % | 96.5 % | 100.0 % | 94.7 % | 50.8 % |
//! | 120 | 0.9 and 0.8 | in each mouth | 100.0 % | 96.0 % | 100.0 % | 93.9 % | 59.2 % |
//! | 120 | 0.7 and 0.7 | by patient | 100.0 % | 96.1 % | 100.0 % | 94.8 % | 3.9 % |
//! | 120 | 0.7 and 0.7 | in each mouth | 100.0 % | 96.2 % | 100.0 % | 94.6 % | 3.9 % |

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use manebit::quantity::{ConfidenceLevel, Days, Known, Variance};
use manebit::simulate::random::Stream;
use manebit::stats::{Ending, Observations, survival_contrast};

const FRAILTY_VARIANCE: f64 = 0.7;
const HORIZON: Days = Days::new(100);
const SAMPLES: u64 = 2000;

/// Two levels with these survivals at the horizon.
fn sample(patients: u32, survivals: [f64; 2], within: bool, random: &mut Stream) -> [Observations; 2] {
    let hazards = survivals.map(|survival| (survival.powf(-FRAILTY_VARIANCE) - 1.0) / FRAILTY_VARIANCE / 100.0);
    let mut levels = [Observations::default(), Observations::default()];
    for patient in 0..patients {
        let frailty = random.gamma_with_mean_one(FRAILTY_VARIANCE);
        for filling in 0..2 {
            let level = if within { filling } else { usize::from(patient >= patients / 2) };
            let life = (random.exponential() / (frailty * hazards[level])).ceil();
            let (exit, ending) = if life <= 100.0 { (life as i32, Ending::Failed) } else { (100, Ending::Censored) };
            levels[level].push(Days::new(0), Days::new(exit), ending, patient).expect("in order");
        }
    }
    levels
}

/// How many samples have an interval, how many of these hold the truth, and how many tests find a difference.
#[derive(Default)]
struct Counted {
    known: u64,
    held: u64,
    plain_known: u64,
    plain_held: u64,
    found: u64,
}

fn count(patients: u32, survivals: [f64; 2], within: bool) -> Counted {
    let (truth, mut counted) = (survivals[1] - survivals[0], Counted::default());
    let mut random = Stream::new(17, 1, u64::from(patients) + survivals[1].to_bits());
    for _ in 0..SAMPLES {
        let [first, second] = sample(patients, survivals, within, &mut random);
        let found = survival_contrast(&first, &second, &[HORIZON], Variance::ClusterRobust, ConfidenceLevel::USUAL);
        let difference = found[0].known().expect("followed so long").difference;
        let holds = |lower: f64, upper: f64| u64::from(lower <= truth && truth <= upper);
        if let Known::Known(limits) = difference.estimate.interval {
            counted.known += 1;
            counted.held += holds(limits.lower, limits.upper);
        }
        if let Some(error) = difference.estimate.standard_error {
            let reach = 1.959_963_984_540_054 * error;
            counted.plain_known += 1;
            counted.plain_held += holds(difference.estimate.value - reach, difference.estimate.value + reach);
        }
        counted.found += u64::from(difference.test.known().is_some_and(|test| test.p_value < 0.05));
    }
    counted
}

#[test]
fn limits_from_both_sides_hold_their_level() {
    println!("//! | patients | survival | levels | limits | hold | plain limits | hold | p below 0.05 |");
    println!("//! | --- | --- | --- | --- | --- | --- | --- | --- |");
    for patients in [20, 40, 120] {
        for survivals in [[0.95, 0.95], [0.97, 0.85], [0.9, 0.8], [0.7, 0.7]] {
            for within in [false, true] {
                let counted = count(patients, survivals, within);
                let of = |part: u64, whole: u64| 100.0 * part as f64 / whole.max(1) as f64;
                println!(
                    "//! | {patients} | {} and {} | {} | {:.1} % | {:.1} % | {:.1} % | {:.1} % | {:.1} % |",
                    survivals[0],
                    survivals[1],
                    if within { "in each mouth" } else { "by patient" },
                    of(counted.known, SAMPLES),
                    of(counted.held, counted.known),
                    of(counted.plain_known, SAMPLES),
                    of(counted.plain_held, counted.plain_known),
                    of(counted.found, SAMPLES)
                );
                assert_eq!(counted.known, SAMPLES, "limits always");
                // Three Monte Carlo errors below the level.
                let least = 0.95 - 3.0 * (0.95_f64 * 0.05 / SAMPLES as f64).sqrt();
                assert!(counted.held as f64 >= least * counted.known as f64, "{} of {}", counted.held, counted.known);
                if survivals[0].to_bits() == survivals[1].to_bits() {
                    assert!(counted.found as f64 <= (1.0 - least) * SAMPLES as f64, "{} tests", counted.found);
                }
            }
        }
    }
}
