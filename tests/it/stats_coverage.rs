//! How often intervals of survival hold the truth when restorations of a mouth share their fate, by simulation.
//!
//! Mouths of 4 to 8 restorations share a gamma frailty of mean 1 and variance θ; each fails at a constant hazard of 4.5 % a year
//! times the frailty and is followed for 2 to 10 years, evenly spread. Then survival at five years is (1 + θ·0.225)^(−1/θ), and
//! Kendall's τ between two restorations of a mouth is θ/(θ + 2): 0 for none, 0.2 for moderate (θ = 1/2), 0.5 for strong (θ = 2).
//!
//! What `table_of_coverage` printed, 1000 practices a row, Monte Carlo error 0.7 %:
//!
//! | mouths | sharing (Kendall's τ) | as if independent | clusters, normal | clusters, Student | clusters, Student and C/(C − 1) | bootstrap, percentile | bootstrap, corrected | without limits |
//! |---|---|---|---|---|---|---|---|---|
//! | 10 | none (0.0) | 95.4 % | 91.5 % | 95.3 % | 96.1 % | 89.5 % | 90.3 % | 0 to 0 |
//! | 10 | moderate (0.2) | 90.7 % | 90.0 % | 94.6 % | 95.2 % | 87.8 % | 89.3 % | 0 to 0 |
//! | 10 | strong (0.5) | 84.3 % | 89.6 % | 93.8 % | 95.3 % | 87.3 % | 89.8 % | 3 to 13 |
//! | 20 | none (0.0) | 95.9 % | 93.5 % | 95.0 % | 96.1 % | 93.6 % | 94.3 % | 0 to 0 |
//! | 20 | moderate (0.2) | 92.1 % | 94.6 % | 95.5 % | 95.8 % | 93.6 % | 93.8 % | 0 to 0 |
//! | 20 | strong (0.5) | 82.2 % | 93.3 % | 95.3 % | 95.8 % | 91.2 % | 93.3 % | 0 to 0 |
//! | 50 | none (0.0) | 95.3 % | 94.9 % | 95.3 % | 95.3 % | 94.5 % | 94.9 % | 0 to 0 |
//! | 50 | moderate (0.2) | 89.7 % | 93.9 % | 94.2 % | 94.5 % | 93.7 % | 94.1 % | 0 to 0 |
//! | 50 | strong (0.5) | 81.3 % | 94.3 % | 94.9 % | 95.2 % | 93.0 % | 93.9 % | 0 to 0 |
//! | 200 | none (0.0) | 96.5 % | 96.1 % | 96.1 % | 96.1 % | 96.1 % | 95.9 % | 0 to 0 |
//! | 200 | moderate (0.2) | 90.0 % | 95.2 % | 95.2 % | 95.2 % | 94.4 % | 94.6 % | 0 to 0 |
//! | 200 | strong (0.5) | 80.8 % | 94.2 % | 94.4 % | 94.4 % | 94.1 % | 94.0 % | 0 to 0 |

#![expect(clippy::expect_used, reason = "a test that cannot go on should say where")]

use std::fmt::Write as _;
use std::num::NonZeroUsize;

use manebit::quantity::{DAYS_PER_YEAR, Days, Known, Variance, Years};
use manebit::stats::beta::student_quantile_upper;
use manebit::stats::distribution::normal_quantile_upper;
use manebit::stats::{
    Axis, BootstrapInterval, Ending, Inference, Observations, ResampledGroups, ResampledQuantity, ResampledStatistic,
    Resampling, cluster_bootstrap, survival_curve,
};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

const HORIZON: Days = Days::new(1826);
const YEARLY_HAZARD: f64 = 0.045;
const METHODS: [&str; 6] = [
    "as if independent",
    "clusters, normal",
    "clusters, Student",
    "clusters, Student and C/(C − 1)",
    "bootstrap, percentile",
    "bootstrap, corrected",
];

#[derive(Clone, Copy)]
enum Sharing {
    None,
    Moderate,
    Strong,
}

impl Sharing {
    fn frailty_variance(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Moderate => 0.5,
            Self::Strong => 2.0,
        }
    }

    fn survival(self) -> f64 {
        let hazard = YEARLY_HAZARD * HORIZON.years().count();
        match self {
            Self::None => (-hazard).exp(),
            _ => (1.0 + self.frailty_variance() * hazard).powf(-1.0 / self.frailty_variance()),
        }
    }

    /// Gamma variates of shape 1/θ and scale θ: the sum of two exponentials, halved; the square of a normal variate.
    fn frailty(self, random: &mut ChaCha12Rng) -> f64 {
        match self {
            Self::None => 1.0,
            Self::Moderate => -0.5 * (uniform(random).ln() + uniform(random).ln()),
            Self::Strong => {
                let (radius, angle) = (-2.0 * uniform(random).ln(), std::f64::consts::TAU * uniform(random));
                radius * angle.cos() * angle.cos()
            }
        }
    }
}

/// Between 0 and 1, never at either end.
fn uniform(random: &mut ChaCha12Rng) -> f64 {
    (f64::from(random.next_u32()) + 0.5) / 4_294_967_296.0
}

fn practice(clusters: u32, sharing: Sharing, seed: u64) -> Observations {
    let mut random = ChaCha12Rng::seed_from_u64(seed);
    let mut observations = Observations::default();
    for cluster in 0..clusters {
        let hazard = YEARLY_HAZARD / DAYS_PER_YEAR * sharing.frailty(&mut random);
        for _ in 0..4 + random.next_u32() % 5 {
            // A failure within day t is one on day t, so survival to the horizon is that of the whole days before it.
            let failing = (-uniform(&mut random).ln() / hazard).ceil();
            let followed = Years::new(2.0 + 8.0 * uniform(&mut random)).days();
            let (exit, ending) = if failing <= f64::from(followed.count()) {
                (Years::new(failing / DAYS_PER_YEAR).days(), Ending::Failed)
            } else {
                (followed, Ending::Censored)
            };
            observations.push(Days::new(0), exit, ending, cluster).expect("in order");
        }
    }
    observations
}

/// The limits of each method, in their order, where it has any.
fn intervals(observations: &Observations, replicates: u32, seed: u64) -> [Option<(f64, f64)>; 6] {
    let limits = |variance: Variance, degrees_of_freedom: Option<f64>, factor: f64| {
        let curve = survival_curve(observations, variance);
        let survival = curve.survival_at(HORIZON).known()?.value();
        let deviation = (curve.ln_survival_variance_at(HORIZON).known()? * factor).sqrt();
        if survival >= 1.0 || deviation <= 0.0 {
            return None;
        }
        let tail = Inference::default().level.tail();
        let quantile =
            degrees_of_freedom.map_or_else(|| normal_quantile_upper(tail), |freedom| student_quantile_upper(tail, freedom));
        let reach = quantile * deviation;
        let spread = (-reach / survival.ln()).exp();
        Some((survival.powf(spread), survival.powf(1.0 / spread)))
    };
    let clusters = observations.clusters_present() as f64;
    let statistic = ResampledStatistic { quantity: ResampledQuantity::Survival(HORIZON), groups: ResampledGroups::One(0) };
    let resampling = Resampling { replicates, seed, threads: NonZeroUsize::new(1), ..Resampling::default() };
    let bootstrap = cluster_bootstrap(observations, None, &Axis::Days, &[statistic], None, resampling).remove(0);
    let both = |interval: BootstrapInterval| match (interval.lower, interval.upper) {
        (Known::Known(lower), Known::Known(upper)) => Some((lower, upper)),
        _ => None,
    };
    [
        limits(Variance::ModelBased, None, 1.0),
        limits(Variance::ClusterRobust, None, 1.0),
        limits(Variance::ClusterRobust, Some(clusters - 1.0), 1.0),
        limits(Variance::ClusterRobust, Some(clusters - 1.0), clusters / (clusters - 1.0)),
        both(bootstrap.percentile),
        both(bootstrap.bias_corrected),
    ]
}

/// How many of so many practices each method has limits for, and how many of those hold the truth.
fn covered(clusters: u32, sharing: Sharing, practices: u32, replicates: u32) -> [(u32, u32); 6] {
    let mut counts = [(0, 0); 6];
    let truth = sharing.survival();
    for index in 0..practices {
        let seed = u64::from(clusters) << 40 | u64::from(index) << 8 | u64::from(sharing.frailty_variance() > 1.0);
        let observations = practice(clusters, sharing, seed);
        for ((known, held), limits) in counts.iter_mut().zip(intervals(&observations, replicates, seed)) {
            if let Some((lower, upper)) = limits {
                *known += 1;
                *held += u32::from(lower <= truth && truth <= upper);
            }
        }
    }
    counts
}

fn part((known, held): (u32, u32)) -> f64 {
    f64::from(held) / f64::from(known)
}

/// The Monte Carlo standard error of a coverage of 95 % by so many practices.
fn monte_carlo_error(practices: u32) -> f64 {
    (0.95 * 0.05 / f64::from(practices)).sqrt()
}

/// With 200 mouths the robust limits and those of the bootstrap hold the truth as often as they say, within three Monte Carlo
/// errors (400 practices: 1.1 %); those that take restorations as independent do so only where nothing is shared.
#[test]
fn limits_by_clusters_hold_the_truth_where_fates_are_shared() {
    const PRACTICES: u32 = 400;
    let error = monte_carlo_error(PRACTICES);
    for sharing in [Sharing::None, Sharing::Strong] {
        let counts = covered(200, sharing, PRACTICES, 399);
        let parts = counts.map(part);
        println!("θ = {}: {parts:?}; Monte Carlo error {error:.4}", sharing.frailty_variance());
        for ((name, &(known, _)), part) in METHODS.iter().zip(&counts).zip(parts).skip(1) {
            assert_eq!(known, PRACTICES, "{name}");
            assert!((part - 0.95).abs() <= 3.0 * error, "{name}: {part}");
        }
        match sharing {
            Sharing::Strong => assert!(parts[0] < 0.95 - 6.0 * error, "as if independent: {}", parts[0]),
            _ => assert!((parts[0] - 0.95).abs() <= 3.0 * error, "as if independent: {}", parts[0]),
        }
    }
}

/// With 10 mouths Student's limits by clusters still hold the truth as often as they say, within three Monte Carlo errors (300
/// practices: 1.3 %), and more often than the normal ones, which lie within them.
#[test]
fn with_few_clusters_students_limits_are_the_better_ones() {
    const PRACTICES: u32 = 300;
    let parts = covered(10, Sharing::Moderate, PRACTICES, 99).map(part);
    println!("ten mouths: {parts:?}");
    assert!(parts[1] <= parts[2] && parts[2] <= parts[3], "{parts:?}");
    assert!((parts[3] - 0.95).abs() <= 3.0 * monte_carlo_error(PRACTICES), "{parts:?}");
}

#[test]
#[ignore = "a table of twelve simulations for whoever reads it; runs for minutes"]
fn table_of_coverage() {
    const PRACTICES: u32 = 1000;
    let mut table = format!("| mouths | sharing (Kendall's τ) | {} | without limits |\n|---|---|", METHODS.join(" | "));
    METHODS.iter().for_each(|_| table.push_str("---|"));
    table.push_str("---|\n");
    for clusters in [10, 20, 50, 200] {
        for (name, sharing) in [("none", Sharing::None), ("moderate", Sharing::Moderate), ("strong", Sharing::Strong)] {
            let counts = covered(clusters, sharing, PRACTICES, 999);
            let theta = sharing.frailty_variance();
            write!(table, "| {clusters} | {name} ({:.1}) |", theta / (theta + 2.0)).expect("a string");
            for count in counts {
                write!(table, " {:.1} % |", 100.0 * part(count)).expect("a string");
            }
            let without = counts.map(|(known, _)| PRACTICES - known);
            writeln!(table, " {} to {} |", without.iter().min().expect("six"), without.iter().max().expect("six"))
                .expect("a string");
        }
    }
    println!("{table}\nof {PRACTICES} practices each; Monte Carlo error {:.1} %", 100.0 * monte_carlo_error(PRACTICES));
}
