//! The count in one cell of a 2×2 table with given margins, for a given odds ratio.
//!
//! Formula.     P(X = k) ∝ C(c, k)·C(N − c, r − k)·ψ^k, with r of row 1, c of column 1, N in all and odds ratio ψ.
//! Source.      Fisher RA. J R Stat Soc 1935;98:39–54; noncentral: Cornfield J. Proc Third Berkeley Symp 1956;4:135–148 (both from memory).
//! Decided.     Logarithms of the weights are summed step by step away from the peak by the ratio of neighbours, so that no
//!              factorial of a large number has to cancel against another.
//! Cost.        One logarithm for each count possible; a tail is one pass over them.

use super::compensated_sum::CompensatedSum;
use super::exact_test::CountDistribution;

/// Logarithms of weights of all counts possible, for an odds ratio of 1.
pub(super) struct Hypergeometric {
    /// The lowest count possible.
    lowest: u64,
    /// ln of the weight of each count, the largest 0.
    ln_weights: Vec<f64>,
    peak: usize,
    ln_total: f64,
}

impl Hypergeometric {
    /// With so many in the first row, in the first column and in all.
    #[expect(clippy::cast_possible_truncation, reason = "counts of a table in memory")]
    pub(super) fn new(row: u64, column: u64, total: u64) -> Self {
        let lowest = (row + column).saturating_sub(total);
        let highest = row.min(column);
        let ln_ratio = |k: u64| {
            // ln of P(k + 1)/P(k).
            let (up, down) =
                ((row - k) as f64 * (column - k) as f64, (k + 1) as f64 * (total + k + 1 - row - column) as f64);
            libm::log(up / down)
        };
        let expected = (row as f64 + 1.0) * (column as f64 + 1.0) / (total as f64 + 2.0);
        let peak = (libm::floor(expected) as u64).clamp(lowest, highest);
        let mut ln_weights = vec![0.0; (highest - lowest + 1) as usize];
        let start = (peak - lowest) as usize;
        let mut sum = CompensatedSum::default();
        for k in peak..highest {
            sum.add(ln_ratio(k));
            ln_weights[(k + 1 - lowest) as usize] = sum.value();
        }
        let mut sum = CompensatedSum::default();
        for k in (lowest..peak).rev() {
            sum.add(-ln_ratio(k));
            ln_weights[(k - lowest) as usize] = sum.value();
        }
        let ln_total = ln_sum(&ln_weights);
        Self { lowest, ln_weights, peak: start, ln_total }
    }

    /// The place of a count among those possible.
    pub(super) fn place(&self, count: u64) -> f64 {
        (count - self.lowest) as f64
    }

    /// Expected count and its variance for this ln of the odds ratio; counts are places above the lowest.
    pub(super) fn moments(&self, ln_odds_ratio: f64) -> (f64, f64) {
        moments(&self.ln_weights, 0.0, ln_odds_ratio)
    }

    /// For this ln of the odds ratio: ln of the probability of the places from `from` to below `to`, and its derivative. `half`, one
    /// of these places, counts by half if there is one.
    pub(super) fn ln_part(&self, from: usize, to: usize, half: Option<usize>, ln_odds_ratio: f64) -> (f64, f64) {
        let tilted: Vec<f64> = self.ln_weights.iter().enumerate().map(|(k, w)| w + k as f64 * ln_odds_ratio).collect();
        let mut part = tilted[from..to].to_vec();
        if let Some(half) = half {
            part[half - from] -= std::f64::consts::LN_2;
        }
        let (inside, all) = (moments(&part, from as f64, 0.0).0, moments(&tilted, 0.0, 0.0).0);
        (ln_sum(&part) - ln_sum(&tilted), inside - all)
    }

    /// How many counts are possible.
    pub(super) fn possible(&self) -> usize {
        self.ln_weights.len()
    }
}

impl CountDistribution for Hypergeometric {
    #[expect(clippy::cast_possible_truncation, reason = "a place among those possible")]
    fn ln_probability(&self, count: f64) -> f64 {
        self.ln_weights[count as usize] - self.ln_total
    }

    #[expect(clippy::cast_possible_truncation, reason = "a place among those possible")]
    fn ln_at_most(&self, count: f64) -> f64 {
        (ln_sum(&self.ln_weights[..=count as usize]) - self.ln_total).min(0.0)
    }

    #[expect(clippy::cast_possible_truncation, reason = "a place among those possible")]
    fn ln_at_least(&self, count: f64) -> f64 {
        (ln_sum(&self.ln_weights[count as usize..]) - self.ln_total).min(0.0)
    }

    fn peak(&self) -> f64 {
        self.peak as f64
    }

    fn highest(&self) -> f64 {
        (self.ln_weights.len() - 1) as f64
    }
}

/// ln Σ e^w.
fn ln_sum(ln_weights: &[f64]) -> f64 {
    let largest = ln_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    largest + libm::log(ln_weights.iter().map(|w| libm::exp(w - largest)).sum())
}

/// Mean and variance of the places from `first` with these weights, tilted.
fn moments(ln_weights: &[f64], first: f64, tilt: f64) -> (f64, f64) {
    let largest = ln_weights.iter().enumerate().map(|(k, w)| w + k as f64 * tilt).fold(f64::NEG_INFINITY, f64::max);
    let weights = || ln_weights.iter().enumerate().map(|(k, w)| (k as f64, libm::exp(w + k as f64 * tilt - largest)));
    let (sum, sum_k) = weights().fold((0.0, 0.0), |(sum, sum_k), (k, weight)| (sum + weight, sum_k + k * weight));
    let mean = sum_k / sum;
    let squares: f64 = weights().map(|(k, weight)| weight * (k - mean) * (k - mean)).sum();
    (first + mean, squares / sum)
}
