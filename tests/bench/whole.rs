//! Whole steps on invented practices: reading and checking, keeping, reopening, reviewing. Each step runs in a process of its own
//! and tells its time, CPU time and peak memory. With several sizes it tells, too, with which power of the restorations CPU time grows.
//!
//! Before each step, another process writes to as much memory as most steps take and gives it back. The host of a virtual machine may have
//! lent that memory elsewhere, and finding it again (up to two seconds a gigabyte) is no work of the program.
//!
//!     MANEBIT_BENCH_RESTORATIONS=10000,100000,1000000 cargo bench --bench whole
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a benchmark that can't go on stops, and prints what it measured"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use manebit::analysis::comparison::factor_review;
use manebit::cohort::follow_up::follow_all;
use manebit::cohort::from_files::read_course;
use manebit::cohort::{Looks, factor_levels, lay_out};
use manebit::finding::Findings;
use manebit::intake::folder::read_pieces;
use manebit::intake::{IntakeRequest, Piece};
use manebit::protocol::Protocol;
use manebit::quantity::Day;
use manebit::registry::{Holds, Registry, RegistryError};

// That of the program, so that steps of the library take what they take there.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

const STEPS: &[(&str, &str)] = &[
    ("invent", "invented records written as CSV"),
    ("check-visits", "visits from CSV, every cell checked, nothing kept"),
    ("check", "the whole check of CSV, nothing kept"),
    ("curves", "CSV, every cell checked, to three curves and their rates"),
    ("review-csv", "the whole review from CSV"),
    ("ingest", "from CSV, checked, into a registry"),
    ("export", "from the registry into Parquet"),
    ("check-visits-parquet", "the same visits from Parquet, every cell checked"),
    ("ingest-parquet", "from Parquet, checked, into a registry"),
    ("reopen", "a registry opened, each row decoded and let go"),
    ("check-registry", "the whole check of the registry"),
    ("review", "the whole review from the registry"),
    ("compare", "etch strategies compared, from the registry"),
];

/// Bytes a restoration that are written to before each step.
const WRITTEN_BEFORE: usize = 400;

fn main() {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("whole");
    let restorations = std::env::var("MANEBIT_BENCH_RESTORATIONS").unwrap_or_else(|_| "100000".to_owned());
    if let Ok(step) = std::env::var("MANEBIT_BENCH_STEP") {
        let arguments: Vec<String> = std::env::args().skip(1).collect();
        match arguments.split_first() {
            Some((program, rest)) => watch(program, rest),
            None => run_step(&step, &folder),
        }
        return;
    }
    let mut grown: Vec<(f64, Vec<f64>)> = Vec::new();
    for size in restorations.split(',').map(str::trim) {
        let size_count: f64 = size.parse().expect("a number of restorations");
        grown.push((size_count, all_steps(&folder, size)));
        println!();
    }
    for pair in grown.windows(2) {
        let [(fewer, before), (more, after)] = pair else { continue };
        println!("from {fewer} to {more} restorations, CPU time grows with their number to the power of");
        for (((_, what), before), after) in STEPS.iter().zip(before).zip(after) {
            // Hundredths of a second tell nothing of growth.
            if *before >= 0.2 {
                println!("{what:<58} {:>8.2}", (after / before).ln() / (more / fewer).ln());
            }
        }
    }
}

/// Runs each step on so many restorations and prints what it took; hands back the CPU seconds of each.
fn all_steps(folder: &Path, restorations: &str) -> Vec<f64> {
    let _ = fs::remove_dir_all(folder);
    fs::create_dir_all(folder.join("visits")).expect("a folder");
    let mut cpu = Vec::new();
    println!("{restorations} restorations; {} logical CPUs", std::thread::available_parallelism().map_or(0, usize::from));
    println!("{:<58} {:>8} {:>8} {:>9} {:>12}", "step", "wall s", "CPU s", "peak MB", "rows");
    for (step, what) in STEPS {
        // Each in a process of its own; the program itself where people would run it.
        let this = std::env::current_exe().expect("a path");
        let program = Path::new(env!("CARGO_BIN_EXE_manebit"));
        let run = |program: &Path, arguments: &[&str]| {
            let output = Command::new(program)
                .args(arguments)
                .current_dir(folder)
                .env("MANEBIT_BENCH_STEP", step)
                .output()
                .expect("it runs");
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            String::from_utf8_lossy(&output.stdout).trim().to_owned()
        };
        let timed = |arguments: &[&str]| {
            // The program under a watcher of its own, which tells its CPU time and peak memory.
            let mut whole = vec![program.to_str().expect("a path")];
            whole.extend(arguments);
            run(&this, &whole)
        };
        let touched =
            Command::new(&this).env("MANEBIT_BENCH_STEP", "touch").env("MANEBIT_BENCH_SIZE", restorations).status();
        assert!(touched.expect("it runs").success(), "memory for {restorations}");
        let output = match *step {
            "invent" => {
                let output = timed(&["invent", "records", "--restorations", restorations]);
                fs::copy(folder.join("records/visits.csv"), folder.join("visits/visits.csv")).expect("copied");
                output
            }
            "ingest" => {
                run(program, &["init", "registry", "--without-key"]);
                timed(&["ingest", "records", "--into", "registry"])
            }
            "export" => {
                let output = timed(&["export", "registry", "--out", "parquet", "--form", "parquet"]);
                fs::create_dir_all(folder.join("visits-parquet")).expect("a folder");
                fs::copy(folder.join("parquet/visits.parquet"), folder.join("visits-parquet/visits.parquet"))
                    .expect("copied");
                output
            }
            "ingest-parquet" => {
                run(program, &["init", "registry-parquet", "--without-key"]);
                timed(&["ingest", "parquet", "--into", "registry-parquet"])
            }
            "check" => timed(&["check", "records"]),
            "check-registry" => timed(&["check", "registry"]),
            "review-csv" => timed(&["review", "records", "--out", "review-csv"]),
            "review" => timed(&["review", "registry", "--out", "review"]),
            "compare" => timed(&["compare", "registry", "--by", "etch_strategy", "--out", "comparison"]),
            _ => run(&this, &[]),
        };
        let parts: Vec<&str> = output.split_whitespace().collect();
        let part = |place: usize| parts.get(place).copied().unwrap_or("-");
        println!("{what:<58} {:>8} {:>8} {:>9} {:>12}", part(0), part(1), part(2), part(3));
        cpu.push(part(1).parse().unwrap_or(f64::NAN));
    }
    let size = |path: &Path| -> u64 {
        let entries = fs::read_dir(path).map(|entries| entries.flatten().collect::<Vec<_>>()).unwrap_or_default();
        entries.iter().filter_map(|entry| entry.metadata().ok()).map(|meta| meta.len()).sum()
    };
    println!(
        "on disk: CSV {} MB, registry {} MB",
        size(&folder.join("records")) >> 20,
        size(&folder.join("registry/batches")) >> 20
    );
    cpu
}

fn run_step(step: &str, folder: &Path) {
    let start = Instant::now();
    let mut findings = Findings::default();
    let today = Day::from_epoch(30_000);
    let mut rows = 0;
    match step {
        "touch" => {
            let restorations: usize =
                std::env::var("MANEBIT_BENCH_SIZE").ok().and_then(|size| size.parse().ok()).unwrap_or(0);
            let mut memory = vec![0_u8; restorations * WRITTEN_BEFORE];
            memory.iter_mut().step_by(4096).for_each(|byte| *byte = 1);
            std::hint::black_box(&memory);
            return;
        }
        "check-visits" | "check-visits-parquet" => {
            let records = folder.join(if step == "check-visits" { "visits" } else { "visits-parquet" });
            let request = IntakeRequest { records: &records, declaration: None, today, own_columns: &[], progress: None };
            let mut sink = |Piece { frame, .. }: Piece| {
                rows += frame.height();
                Ok(())
            };
            read_pieces(request, &mut findings, &mut sink).expect("read");
        }
        "curves" => rows = curves(&folder.join("records"), today),
        "reopen" => {
            let registry = Registry::open(&folder.join("registry")).expect("a registry");
            let newest = registry.manifest().revision;
            for holds in [Holds::Placements, Holds::Visits] {
                let take = |piece: usize| {
                    rows += piece;
                    Ok::<(), RegistryError>(())
                };
                registry.pieces(newest, holds, |piece| Ok(piece.height()), take).expect("kept");
            }
        }
        _ => {}
    }
    println!("{:.2} {:.2} {} {rows}", start.elapsed().as_secs_f64(), own_cpu(), peak_mb());
}

/// Reads records, checks every cell, lays visits out by restoration, and estimates the curve of each etch strategy with its annual rates.
fn curves(records: &Path, today: Day) -> usize {
    let protocol = Protocol::built_in();
    let request = IntakeRequest { records, declaration: None, today, own_columns: &[], progress: None };
    let needed = ["restoration_id", "patient_id", "placed_on", "entered_on", "etch_strategy"].map(str::to_owned);
    let mut findings = Findings::default();
    let read = read_course(request, Some(&needed), &mut findings).expect("read");
    let (intake, mut visits) = read.expect("files");
    assert!(!findings.any_error());
    let histories = lay_out(&intake.placements, &mut visits, today, Looks::Taken).expect("histories");
    let factor = factor_levels("etch_strategy", &[], &intake.placements, &histories).expect("a column").expect("a factor");
    let followed = follow_all(&histories, &protocol.endpoints[0], protocol.failure_day);
    let review = factor_review(&factor, &followed, &protocol).expect("a review");
    assert!(review.groups.iter().all(|group| !group.curve.is_empty()));
    review.groups.len()
}

/// Runs a program and tells its time, CPU time and peak memory.
fn watch(program: &str, arguments: &[String]) {
    let start = Instant::now();
    let mut child = Command::new(program).args(arguments).stdout(std::process::Stdio::null()).spawn().expect("it runs");
    let status_file = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    let status = loop {
        peak = peak.max(peak_of(&status_file));
        if let Some(status) = child.try_wait().expect("it ends") {
            break status;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    };
    assert!(status.success(), "{program} {arguments:?}");
    println!("{:.2} {:.2} {peak} -", start.elapsed().as_secs_f64(), ticks(15));
}

/// CPU seconds of this process so far, where the system tells them.
fn own_cpu() -> f64 {
    ticks(13)
}

fn ticks(from: usize) -> f64 {
    let stat = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or("").split_whitespace().collect();
    // Fields behind the name count from the third; a tick is a hundredth of a second.
    let field = |place: usize| fields.get(place - 2).and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0);
    (field(from) + field(from + 1)) / 100.0
}

fn peak_mb() -> u64 {
    peak_of("/proc/self/status")
}

fn peak_of(file: &str) -> u64 {
    let status = fs::read_to_string(file).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|text| text.parse::<u64>().ok()).unwrap_or(0) / 1024
}
