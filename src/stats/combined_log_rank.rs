//! The largest of several weighted log-rank statistics: a test for differences of a kind not known beforehand.
//!
//! Definition.  The statistic is max |z_m| over the weightings m, z_m that of `log_rank_trend` (for two groups, that of the test
//!              itself). Without a difference the z are normal together, with correlations from the covariances of the weighted
//!              differences; p is the probability of a larger maximum.
//! Variance.    The covariance of weightings a and b has W_a·W_b in the place of W²; robust: the products of each cluster's sums
//!              of residuals.
//! Source.      Tarone RE. Biometrika 1981;68:79–85; Fleming TR, Harrington DP. Counting Processes and Survival Analysis, 1991,
//!              section 7.5 (from memory).
//! Decided.     One to four weightings, which covers those in use. Two-sided. Weightings that come to the same on these data (a
//!              correlation of 1) count once.
//! Cost.        One count and one pass for all weightings, and the probability of `normal_maximum`.
//! Not for.     Saying when the groups differ: the weighting that wins is no estimate.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compared::Compared;
use super::distribution::chi_square_upper_tail;
use super::log_rank_trend::trends;
use super::normal_maximum::{MOST_STATISTICS, largest_absolute_normal_tail};
use super::weighting::Weighting;
use crate::quantity::{Behind, Known, Variance, WhyNotKnown};

/// One to four weightings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "Vec<Weighting>", into = "Vec<Weighting>")]
#[schemars(with = "Vec<Weighting>")]
pub struct Weightings(Vec<Weighting>);

impl Weightings {
    /// These weightings; none unless they are one to four.
    pub fn new(weightings: Vec<Weighting>) -> Option<Self> {
        (1..=MOST_STATISTICS).contains(&weightings.len()).then_some(Self(weightings))
    }

    /// The weightings.
    pub fn list(&self) -> &[Weighting] {
        &self.0
    }
}

impl TryFrom<Vec<Weighting>> for Weightings {
    type Error = String;

    fn try_from(weightings: Vec<Weighting>) -> Result<Self, String> {
        let count = weightings.len();
        Self::new(weightings).ok_or_else(|| format!("one to {MOST_STATISTICS} weightings are combined; these are {count}"))
    }
}

impl From<Weightings> for Vec<Weighting> {
    fn from(weightings: Weightings) -> Self {
        weightings.0
    }
}

/// One of the statistics that are combined.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CombinedStatistic {
    /// Which failures weigh most.
    pub weighting: Weighting,
    /// The statistic, above 0 when groups with a higher score fail sooner.
    pub z: f64,
    /// Its own probability, as if it had been the only one.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
}

/// The result of a test that combines several weightings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CombinedLogRankTest {
    /// Each statistic, in the order of the weightings.
    pub statistics: Vec<CombinedStatistic>,
    /// Their correlations.
    pub correlation: Vec<Vec<f64>>,
    /// The largest |z|.
    pub largest: f64,
    /// The weighting that has it.
    pub weighting_of_largest: Weighting,
    /// Probability of a maximum this large or larger if all groups fail at the same pace; 0 when below about 1e-308.
    pub p_value: f64,
    /// Natural logarithm of that probability.
    pub ln_p_value: f64,
    /// The variance behind the statistics.
    pub variance: Variance,
    /// How many stand behind it, over all groups.
    pub behind: Behind,
}

/// Tests by the largest of several weighted statistics. `scores` holds one for each level; for two groups any two different ones.
///
/// Not known as `log_rank_trend` is for any of the weightings.
pub fn combined_log_rank(
    compared: &Compared<'_>,
    weightings: &Weightings,
    scores: &[f64],
    variance: Variance,
) -> Known<CombinedLogRankTest> {
    let trends = match trends(compared, weightings.list(), scores, variance) {
        Known::Known(trends) => trends,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let count = weightings.list().len();
    let z: Vec<f64> = (0..count).map(|m| trends.z(m)).collect();
    let deviation: Vec<f64> = (0..count).map(|m| trends.covariance.at(m, m).sqrt()).collect();
    let rho = |a: usize, b: usize| {
        let rho = trends.covariance.at(a, b) / (deviation[a] * deviation[b]);
        if a == b { 1.0 } else { rho.clamp(-1.0, 1.0) }
    };
    let correlation: Vec<Vec<f64>> = (0..count).map(|a| (0..count).map(|b| rho(a, b)).collect()).collect();
    let Some(winner) = (0..count).reduce(|a, b| if z[b].abs() > z[a].abs() { b } else { a }) else {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    };
    let largest = z[winner].abs();
    let Some(tail) = largest_absolute_normal_tail(&correlation, largest) else {
        return Known::NotKnown(WhyNotKnown::NotANumber);
    };
    let statistic = |(&weighting, &z): (&Weighting, &f64)| {
        let tail = chi_square_upper_tail(z * z, 1);
        CombinedStatistic { weighting, z, p_value: tail.p_value, ln_p_value: tail.ln_p_value }
    };
    Known::Known(CombinedLogRankTest {
        statistics: weightings.list().iter().zip(&z).map(statistic).collect(),
        correlation,
        largest,
        weighting_of_largest: weightings.list()[winner],
        p_value: tail.p_value,
        ln_p_value: tail.ln_p_value,
        variance,
        behind: trends.behind,
    })
}
