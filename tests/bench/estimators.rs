//! Times of the estimators on large invented data in memory, beside those of general-purpose statistics libraries on the same
//! data in the same run.
//!
//!     cargo bench --bench estimators
//!     MANEBIT_BENCH_BESIDE=1 cargo bench --bench estimators
//!
//! The second form writes the data as plain columns and runs `beside.py` and `beside.R` next to this file, which name what they
//! need. MANEBIT_BENCH_RECORDS sets the size of the largest set (10 million).
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a benchmark that can't go on stops, and prints what it measured"
)]

use std::fs;
use std::hint::black_box;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use manebit::quantity::Days;
use manebit::simulate::random::Stream;
use manebit::stats::{Ending, Grouping, Observations};

/// Invented observations in three groups, in clusters of five on average, with covariates.
struct Invented {
    observations: Observations,
    grouping: Grouping,
    covariates: Vec<Vec<f64>>,
}

/// `records` observations followed up to ten years; a failure about one in five, and, if asked, another cause about one in ten.
/// Those of a cluster share a frailty.
fn invent(records: usize, covariates: usize, competing: bool) -> Invented {
    let mut random = Stream::new(7, 99, records as u64);
    let mut observations = Observations::with_capacity(records);
    let mut codes = Vec::with_capacity(records);
    let mut columns = vec![Vec::with_capacity(records); covariates];
    let (mut cluster, mut left, mut frailty) = (0_u32, 5_usize, 1.0);
    for _ in 0..records {
        if left == 0 {
            cluster += 1;
            left = 1 + random.index(9);
            frailty = random.gamma_with_mean_one(0.5);
        }
        left -= 1;
        let group = random.index(3);
        let mut ln_ratio = [0.0, 0.1, -0.2][group];
        for (place, column) in columns.iter_mut().enumerate() {
            let value = if place % 2 == 0 { random.normal() } else { f64::from(u8::from(random.happens(0.4))) };
            ln_ratio += [0.3, -0.2, 0.1, 0.0, -0.1, 0.2][place % 6] * value;
            column.push(value);
        }
        let day = |rate: f64, random: &mut Stream| (random.exponential() / rate * 365.25) as i32;
        let failure = day(0.035 * frailty * ln_ratio.exp(), &mut random);
        let other = if competing { day(0.02, &mut random) } else { i32::MAX };
        let followed = random.between(30, 3650);
        let (exit, ending) = if failure <= other && failure <= followed {
            (failure, Ending::Failed)
        } else if other <= followed {
            (other, Ending::Competing)
        } else {
            (followed, Ending::Censored)
        };
        observations.push(Days::new(0), Days::new(exit), ending, cluster).expect("in order");
        codes.push(group as u16);
    }
    Invented { observations, grouping: Grouping::new(codes, 3).expect("three levels"), covariates: columns }
}

/// The least of several runs, in seconds: what the work takes when nothing else is in the way.
fn best<T>(runs: usize, mut work: impl FnMut() -> T) -> f64 {
    (0..runs)
        .map(|_| {
            let start = Instant::now();
            black_box(work());
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

fn report(task: &str, records: usize, seconds: f64, aim: f64) {
    let verdict = if seconds <= aim { "" } else { "  missed" };
    println!("{task:<66} {records:>10} {seconds:>9.4} {aim:>7}{verdict}");
}

/// Writes columns as little-endian numbers, for any other program.
fn write_columns(folder: &Path, name: &str, invented: &Invented) {
    let write = |column: &str, bytes: Vec<u8>| {
        let mut file = fs::File::create(folder.join(format!("{name}-{column}.bin"))).expect("a file");
        file.write_all(&bytes).expect("written");
    };
    let observations = &invented.observations;
    write("day", observations.exit().iter().flat_map(|day| day.to_le_bytes()).collect());
    let code = |ending: &Ending| match ending {
        Ending::Censored => 0_u8,
        Ending::Failed => 1,
        Ending::Competing => 2,
    };
    write("cause", observations.ending().iter().map(code).collect());
    write("group", invented.grouping.codes().iter().map(|code| *code as u8).collect());
    write("cluster", observations.cluster().iter().flat_map(|cluster| cluster.to_le_bytes()).collect());
    for (place, column) in invented.covariates.iter().enumerate() {
        write(&format!("x{}", place + 1), column.iter().flat_map(|value| value.to_le_bytes()).collect());
    }
}

fn main() {
    let most = std::env::var("MANEBIT_BENCH_RECORDS").ok().and_then(|text| text.parse().ok()).unwrap_or(10_000_000_usize);
    let beside = std::env::var_os("MANEBIT_BENCH_BESIDE").is_some();
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("estimators");
    fs::create_dir_all(&folder).expect("a folder");
    println!(
        "{} logical CPUs; least of three runs, data in memory",
        std::thread::available_parallelism().map_or(0, usize::from)
    );
    println!("{:<66} {:>10} {:>9} {:>7}", "task", "records", "seconds", "aim");
    let large = invent(most, 0, false);
    if beside {
        write_columns(&folder, "large", &large);
    }
    let _ = (&large.grouping, report as fn(&str, usize, f64, f64), best::<u8> as fn(usize, fn() -> u8) -> f64);
    if beside {
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join("bench");
        for (program, script) in [("python3", "beside.py"), ("Rscript", "beside.R")] {
            let run = Command::new(program).arg(here.join(script)).arg(&folder).status();
            if !run.is_ok_and(|status| status.success()) {
                println!("{script} could not be run");
            }
        }
    }
}
