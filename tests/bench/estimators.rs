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

mod further;

use std::fs;
use std::hint::black_box;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use manebit::quantity::{Days, Variance, Years};
use manebit::simulate::random::Stream;
use manebit::stats::{
    Axis, Compared, Covariate, CoxDesign, CoxOptions, Ending, FineGrayOptions, GrayOptions, Grouping, IncidenceVariance,
    Inference, Observations, ObservationsByCause, ResampledGroups, ResampledQuantity, ResampledStatistic, Resampling, Step,
    Weighting, cluster_bootstrap, cox_regression, cumulative_incidence, fine_gray, gray_test, survival_by_group,
    survival_interval, weighted_log_rank,
};

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

/// The most memory this process has held, where the system tells.
fn peak_mb() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|text| text.parse::<u64>().ok()).unwrap_or(0) / 1000
}

fn report(task: &str, records: usize, seconds: f64, aim: f64) {
    let shown = if aim.is_finite() { format!("{aim}") } else { String::new() };
    let verdict = if seconds <= aim { "" } else { "  missed" };
    println!("{task:<66} {records:>10} {seconds:>9.4} {shown:>7}{verdict}");
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
    let horizons = [1.0, 3.0, 5.0].map(|years| Years::new(years).days());
    let inference = |variance| Inference { variance, ..Inference::default() };
    let (model_based, clustered) = (inference(Variance::ModelBased), inference(Variance::ClusterRobust));

    let large = invent(most, 0, false);
    let (observations, grouping) = (&large.observations, &large.grouping);
    let curves = || {
        let all = survival_by_group(observations, grouping, &horizons, model_based);
        let limits = |step: &Step| {
            let deviation = step.ln_survival_variance.known().map_or(0.0, |variance| variance.sqrt());
            survival_interval(step.survival, deviation, model_based.method, model_based.level)
        };
        all.iter().map(|group| group.curve.steps().iter().map(limits).collect::<Vec<_>>()).collect::<Vec<_>>()
    };
    report("Kaplan–Meier with intervals at every step, three groups", most, best(3, curves), 0.05);
    let at_three = || survival_by_group(observations, grouping, &horizons, clustered);
    report("survival with clustered errors at three horizons, three groups", most, best(3, at_three), 0.3);
    let compared = Compared::new(observations, grouping);
    let test = |variance| best(3, || weighted_log_rank(&compared, Weighting::LogRank, variance));
    report("log-rank test, three groups", most, test(Variance::ModelBased), 0.05);
    report("log-rank test by clusters, three groups", most, test(Variance::ClusterRobust), 0.3);

    let columns = most * (2 * size_of::<i32>() + size_of::<Ending>() + size_of::<u32>() + size_of::<u16>());
    println!("peak memory so far {} MB; the columns themselves {} MB", peak_mb(), columns / 1_000_000);

    let (million, hundred_thousand) = (most / 10, most / 100);
    let causes = invent(million, 0, true);
    let by_cause = ObservationsByCause::of_endings(&causes.observations);
    let incidence = || cumulative_incidence(&by_cause, IncidenceVariance::Multinomial);
    report("Aalen–Johansen with variances, two causes", million, best(3, incidence), 0.01);
    let options = |variance| GrayOptions { variance, ..GrayOptions::default() };
    let gray = |variance| best(3, || gray_test(&by_cause, 1, &causes.grouping, options(variance)));
    report("Gray's test, three groups", million, gray(Variance::ModelBased), 0.05);
    report("Gray's test by clusters, three groups", million, gray(Variance::ClusterRobust), f64::INFINITY);

    let regression = invent(million, 6, false);
    let covariates = (1..).zip(&regression.covariates);
    let covariates = covariates.map(|(place, column)| Covariate::number(format!("x{place}"), column.clone())).collect();
    let design = CoxDesign::new(covariates).expect("a design");
    let fit = |variance| {
        let options = CoxOptions { variance, ..CoxOptions::default() };
        best(3, || cox_regression(&regression.observations, &design, None, options).expect("a fit").regression)
    };
    report("Cox regression (Efron), six covariates", million, fit(Variance::ModelBased), 0.4);
    report("the same with errors by cluster", million, fit(Variance::ClusterRobust), 0.5);

    let subdistribution = invent(hundred_thousand, 3, true);
    let by_cause = ObservationsByCause::of_endings(&subdistribution.observations);
    let options = FineGrayOptions { variance: Variance::ModelBased, ..FineGrayOptions::default() };
    let regress = || fine_gray(&by_cause, 1, &subdistribution.covariates, &options);
    report("Fine–Gray, three covariates", hundred_thousand, best(3, regress), 0.3);

    let resampled = invent(hundred_thousand, 0, false);
    let five_years = ResampledQuantity::Survival(horizons[2]);
    let statistics = [0, 1, 2].map(|group| ResampledStatistic { quantity: five_years, groups: ResampledGroups::One(group) });
    let resampling = Resampling { replicates: 1000, ..Resampling::default() };
    let bootstrap = || {
        let (observations, grouping) = (&resampled.observations, Some(&resampled.grouping));
        cluster_bootstrap(observations, grouping, &Axis::Days, &statistics, None, resampling)
    };
    report("cluster bootstrap, 1000 resamples, S(5 years), three groups", hundred_thousand, best(3, bootstrap), 0.3);

    further::run(most);

    if beside {
        println!();
        write_columns(&folder, "large", &large);
        write_columns(&folder, "causes", &causes);
        write_columns(&folder, "cox", &regression);
        write_columns(&folder, "subdistribution", &subdistribution);
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join("bench");
        for (program, script) in [("python3", "beside.py"), ("Rscript", "beside.R")] {
            let run = Command::new(program).arg(here.join(script)).arg(&folder).status();
            if !run.is_ok_and(|status| status.success()) {
                println!("{script} could not be run");
            }
        }
    }
}
