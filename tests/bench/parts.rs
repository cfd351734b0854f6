//! Times of the parts, on invented records: `cargo bench`.

use manebit::quantity::{Days, Variance};
use manebit::simulate::SimulatedPractice;
use manebit::simulate::csv_text::write_records;
use manebit::stats::{Ending, Grouping, Inference, LifeTable, Observations, log_rank, survival_at_horizons};

fn main() {
    divan::main();
}

/// Sizes, in restorations.
const SIZES: [u64; 2] = [10_000, 100_000];

fn observations(restorations: u64) -> (Observations, Grouping) {
    let practice = SimulatedPractice { restorations, ..SimulatedPractice::default() };
    let (mut observations, mut codes) = (Observations::default(), Vec::new());
    for (cluster, patient) in (0_u32..).zip(practice.patients()) {
        for (placement, course) in patient.placements.iter().zip(&patient.courses) {
            let followed = practice.last_day - placement.placed_on;
            let (exit, ending) = course
                .loss
                .filter(|loss| *loss <= followed)
                .map_or((followed, Ending::Censored), |loss| (loss, Ending::Failed));
            if observations.push(Days::new(0), exit, ending, cluster).is_ok() {
                codes.push(placement.etch_strategy.map_or(u16::MAX, |etch| etch as u16));
            }
        }
    }
    let grouping = Grouping::new(codes, 3).unwrap_or_default();
    (observations, grouping)
}

#[divan::bench(args = SIZES)]
fn invent_records(restorations: u64) -> Option<(u64, u64, u64)> {
    let practice = SimulatedPractice { restorations, ..SimulatedPractice::default() };
    write_records(&practice, std::io::sink(), std::io::sink()).ok()
}

#[divan::bench(args = SIZES)]
fn life_tables_of_three_groups(bencher: divan::Bencher<'_, '_>, restorations: u64) {
    let (observations, grouping) = observations(restorations);
    bencher.bench(|| LifeTable::by_group(divan::black_box(&observations), &grouping));
}

#[divan::bench(args = SIZES)]
fn clustered_survival_at_three_horizons(bencher: divan::Bencher<'_, '_>, restorations: u64) {
    let (observations, _) = observations(restorations);
    let horizons = [365, 1096, 1826].map(Days::new);
    bencher.bench(|| survival_at_horizons(divan::black_box(&observations), &horizons, Inference::default()));
}

#[divan::bench(args = SIZES)]
fn clustered_log_rank(bencher: divan::Bencher<'_, '_>, restorations: u64) {
    let (observations, grouping) = observations(restorations);
    bencher.bench(|| log_rank(divan::black_box(&observations), &grouping, Variance::ClusterRobust));
}
