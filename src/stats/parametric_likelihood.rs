//! The likelihood of a parametric model of ln T, with its slope, information and the scores of rows.
//!
//! Definition.  In α = 1/σ and γ = β/σ, a row has z = α·y − xγ with y = ln T moved to its mean. Then z is linear in (γ, α), every
//!              term of the log-likelihood is concave in z, and so the log-likelihood is concave (but for delayed entries, whose terms
//!              −ln S(z at entry) are convex).
//! Formula.     With g the term of a row (`log_time_family`): ∂/∂γ = −g_z·x; ∂/∂α = y·g_z + w·g_δ for an interval of ratio e^w, and
//!              1/α more for an exact time.
//! Source.      Burridge J. J R Stat Soc B 1981;43:41–45; Pratt JW. J Am Stat Assoc 1981;76:103–106 (from memory).
//! Decided.     Rows that say nothing (censored at 0) are not kept. Rows are cut into blocks by their number alone, and the sums of
//!              blocks are added in order, so any number of threads gives the same bytes.
//! Cost.        One pass of O(rows·columns²).

use super::log_time_family::{AtPoint, ErrorLaw};
use super::symmetric::Symmetric;
use super::timed_bounds::TimedBounds;
use crate::threads::on_threads;

/// Rows of a block of work.
const BLOCK_ROWS: usize = 4096;

/// What is known of a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Knowledge {
    /// Exactly when it failed.
    Exact,
    /// Later than `low`.
    Later,
    /// At or before `low` (its only bound).
    Before,
    /// Between `low` and `low + width`.
    Between,
}

/// The bounds of rows as logarithms.
#[derive(Clone, Debug)]
pub(super) struct LogTimes {
    pub(super) law: ErrorLaw,
    pub(super) knowledge: Vec<Knowledge>,
    /// Logarithm of the lower bound, or of the only one, less `centre`.
    pub(super) low: Vec<f64>,
    /// Logarithm of upper over lower bound, where both are known.
    pub(super) width: Vec<f64>,
    /// Logarithm of the entry less `centre`; empty when none is late, −∞ for those that are not.
    pub(super) entry: Vec<f64>,
    /// Case weights; empty when all are 1.
    pub(super) weight: Vec<f64>,
    /// Which row of the bounds each is.
    pub(super) row: Vec<u32>,
    /// What was taken from logarithms of times.
    pub(super) centre: f64,
    /// Σ weight·ln T over exact times: from densities of ln T to those of T.
    pub(super) ln_stretch: f64,
    /// The spread of `low`.
    pub(super) spread: f64,
    /// The largest bound known.
    pub(super) last_time: f64,
    pub(super) threads: usize,
}

impl LogTimes {
    /// The marked rows that say something.
    pub(super) fn of(bounds: &TimedBounds, complete: &[bool], law: ErrorLaw, threads: usize) -> Self {
        let (lower, upper, entry) = (bounds.lower(), bounds.upper(), bounds.entry());
        let says_something = |row: usize| upper[row].is_finite() || lower[row] > 0.0;
        let row: Vec<u32> = (0..)
            .zip(complete)
            .filter(|&(row, &complete)| complete && says_something(row as usize))
            .map(|(row, _)| row)
            .collect();
        let each = || row.iter().map(|&row| row as usize);
        let first_bound = |row: usize| libm::log(if lower[row] > 0.0 { lower[row] } else { upper[row] });
        let mut low: Vec<f64> = each().map(first_bound).collect();
        let weight: Vec<f64> = bounds.weights().map_or_else(Vec::new, |weights| each().map(|row| weights[row]).collect());
        let weight_of = |index: usize| weight.get(index).copied().unwrap_or(1.0);
        let total: f64 = (0..low.len()).map(weight_of).sum();
        let mean = |values: &[f64]| values.iter().enumerate().map(|(i, value)| weight_of(i) * value).sum::<f64>() / total;
        let rough = low.first().copied().unwrap_or(0.0);
        let centre = rough + mean(&low.iter().map(|low| low - rough).collect::<Vec<_>>());
        let knowledge: Vec<Knowledge> = each()
            .map(|row| match (lower[row] > 0.0, upper[row].is_finite()) {
                (_, false) => Knowledge::Later,
                (false, true) => Knowledge::Before,
                (true, true) if upper[row] > lower[row] => Knowledge::Between,
                (true, true) => Knowledge::Exact,
            })
            .collect();
        let exact = knowledge.iter().zip(&low).enumerate().filter(|(_, (knowledge, _))| **knowledge == Knowledge::Exact);
        let ln_stretch = exact.map(|(i, (_, low))| weight_of(i) * low).sum();
        low.iter_mut().for_each(|low| *low -= centre);
        let spread = libm::sqrt(mean(&low.iter().map(|low| low * low).collect::<Vec<_>>()));
        let width = each()
            .zip(&knowledge)
            .map(|(row, &knowledge)| match knowledge {
                // (upper − lower)/lower keeps the digits of a narrow interval; in a wide one there are none to lose.
                Knowledge::Between if upper[row] < 2.0 * lower[row] => libm::log1p((upper[row] - lower[row]) / lower[row]),
                Knowledge::Between => libm::log(upper[row]) - libm::log(lower[row]),
                _ => 0.0,
            })
            .collect();
        let any_late = each().any(|row| entry[row] > 0.0);
        let entry = if any_late {
            each().map(|row| if entry[row] > 0.0 { libm::log(entry[row]) - centre } else { f64::NEG_INFINITY }).collect()
        } else {
            Vec::new()
        };
        let last_time = each().map(|row| if upper[row].is_finite() { upper[row] } else { lower[row] }).fold(0.0, f64::max);
        Self { law, knowledge, low, width, entry, weight, row, centre, ln_stretch, spread, last_time, threads }
    }

    /// The number of rows.
    pub(super) fn len(&self) -> usize {
        self.low.len()
    }

    /// The case weight of a row.
    pub(super) fn weight_of(&self, row: usize) -> f64 {
        self.weight.get(row).copied().unwrap_or(1.0)
    }

    /// What a row says at this xγ and α.
    fn term(&self, row: usize, predictor: f64, alpha: f64) -> Term {
        let y = self.low[row];
        let z = alpha * y - predictor;
        let mut term = match self.knowledge[row] {
            Knowledge::Exact => {
                let mut term = Term::at(self.law.density(z), y);
                term.ln += libm::log(alpha);
                term.alpha += 1.0 / alpha;
                term.alpha_alpha -= 1.0 / (alpha * alpha);
                term
            }
            Knowledge::Later => Term::at(self.law.survival(z), y),
            Knowledge::Before => Term::at(self.law.failure(z), y),
            Knowledge::Between => {
                let at = self.law.between(z, alpha * self.width[row]);
                // Derivatives in δ came times δ = α·w; those in α are w times those in δ.
                let (d, zd, dd) = (at.width / alpha, at.z_width / alpha, at.width_width / (alpha * alpha));
                Term {
                    ln: at.ln,
                    z: at.z,
                    alpha: y * at.z + d,
                    z_z: at.z_z,
                    z_alpha: y * at.z_z + zd,
                    alpha_alpha: y * (y * at.z_z + 2.0 * zd) + dd,
                }
            }
        };
        if let Some(&entry) = self.entry.get(row)
            && entry > f64::NEG_INFINITY
        {
            term.take(&Term::at(self.law.survival(alpha * entry - predictor), entry));
        }
        term
    }
}

/// The logarithm that a row adds, and its derivatives in its z (by −xγ) and in α.
struct Term {
    ln: f64,
    z: f64,
    alpha: f64,
    z_z: f64,
    z_alpha: f64,
    alpha_alpha: f64,
}

impl Term {
    fn at(at: AtPoint, y: f64) -> Self {
        Self {
            ln: at.ln,
            z: at.first,
            alpha: y * at.first,
            z_z: at.second,
            z_alpha: y * at.second,
            alpha_alpha: y * y * at.second,
        }
    }

    fn take(&mut self, other: &Self) {
        self.ln -= other.ln;
        self.z -= other.z;
        self.alpha -= other.alpha;
        self.z_z -= other.z_z;
        self.z_alpha -= other.z_alpha;
        self.alpha_alpha -= other.alpha_alpha;
    }
}

/// Covariates, row after row, without the column of ones.
#[derive(Clone, Copy, Debug)]
pub(super) struct Covariates<'a> {
    pub(super) values: &'a [f64],
    pub(super) columns: usize,
}

impl<'a> Covariates<'a> {
    /// None at all.
    pub(super) const NONE: Self = Covariates { values: &[], columns: 0 };

    /// Those of a row.
    pub(super) fn of(&self, row: usize) -> &'a [f64] {
        &self.values[row * self.columns..(row + 1) * self.columns]
    }

    /// xγ of a row, with γ_0 for the column of ones.
    pub(super) fn predictor(&self, row: usize, point: &[f64]) -> f64 {
        point[0] + self.of(row).iter().zip(&point[1..]).map(|(x, gamma)| x * gamma).sum::<f64>()
    }
}

/// The log-likelihood of ln T at (γ, α), its slope, and minus its second derivatives.
#[derive(Clone, Debug)]
pub(super) struct Evaluation {
    pub(super) ln_likelihood: f64,
    pub(super) slope: Vec<f64>,
    pub(super) information: Symmetric,
}

/// Evaluates the likelihood at `point`: γ_0, γ of each column, α.
pub(super) fn evaluate(times: &LogTimes, x: Covariates, point: &[f64]) -> Evaluation {
    let size = x.columns + 2;
    let alpha = point[size - 1];
    let blocks: Vec<usize> = (0..times.len()).step_by(BLOCK_ROWS).collect();
    let sums = on_threads(blocks, times.threads, |start| {
        let mut sum = Evaluation { ln_likelihood: 0.0, slope: vec![0.0; size], information: Symmetric::zero(size) };
        let mut ones = vec![1.0; size - 1];
        for row in start..times.len().min(start + BLOCK_ROWS) {
            ones[1..].copy_from_slice(x.of(row));
            let term = times.term(row, x.predictor(row, point), alpha);
            let weight = times.weight_of(row);
            sum.ln_likelihood += weight * term.ln;
            let mut cells = sum.information.cells_mut().iter_mut();
            let (by_z, by_zz, by_za) = (-weight * term.z, -weight * term.z_z, weight * term.z_alpha);
            for (k, &v) in ones.iter().enumerate() {
                sum.slope[k] += by_z * v;
                let factor = by_zz * v;
                cells.by_ref().take(k + 1).zip(&ones).for_each(|(cell, &other)| *cell += factor * other);
            }
            cells.by_ref().take(size - 1).zip(&ones).for_each(|(cell, &v)| *cell += by_za * v);
            if let Some(last) = cells.next() {
                *last -= weight * term.alpha_alpha;
            }
            sum.slope[size - 1] += weight * term.alpha;
        }
        sum
    });
    let mut all = Evaluation { ln_likelihood: 0.0, slope: vec![0.0; size], information: Symmetric::zero(size) };
    for sum in sums {
        all.ln_likelihood += sum.ln_likelihood;
        all.slope.iter_mut().zip(&sum.slope).for_each(|(all, part)| *all += part);
        all.information.add_all(&sum.information);
    }
    all
}

/// What each row adds to the slope, times its weight, summed by cluster.
pub(super) fn scores_by_cluster(times: &LogTimes, x: Covariates, point: &[f64], cluster: &[u32], clusters: u32) -> Vec<f64> {
    let size = x.columns + 2;
    let alpha = point[size - 1];
    let mut sums = vec![0.0; clusters as usize * size];
    for (row, &of) in times.row.iter().enumerate() {
        let term = times.term(row, x.predictor(row, point), alpha);
        let weight = times.weight_of(row);
        let first = cluster[of as usize] as usize * size;
        let home = &mut sums[first..first + size];
        home[0] -= weight * term.z;
        home[1..].iter_mut().zip(x.of(row)).for_each(|(sum, x)| *sum -= weight * term.z * x);
        home[size - 1] += weight * term.alpha;
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> (LogTimes, Vec<f64>) {
        let mut bounds = TimedBounds::default();
        for (entry, lower, upper, weight) in [
            (0.0, 2.0, 2.0, 1.0),
            (0.0, 3.0, f64::INFINITY, 2.0),
            (0.0, 0.0, 4.0, 1.0),
            (0.5, 1.0, 1.25, 1.5),
            (1.0, 6.0, 6.0, 0.5),
            (0.0, 0.0, f64::INFINITY, 1.0),
        ] {
            bounds.push_weighted(entry, lower, upper, 0, weight).expect("in order");
        }
        (LogTimes::of(&bounds, &[true; 6], ErrorLaw::Logistic, 1), vec![0.3, -1.0, 0.5, 2.0, 0.1])
    }

    #[test]
    fn slope_and_information_agree_with_differences() {
        for law in [ErrorLaw::SmallestExtreme, ErrorLaw::Logistic, ErrorLaw::Normal] {
            let (mut times, values) = rows();
            times.law = law;
            assert_eq!(times.len(), 5, "the row censored at 0 says nothing");
            let x = Covariates { values: &values, columns: 1 };
            let point = [0.2, -0.4, 1.3];
            let at = evaluate(&times, x, &point);
            for k in 0..3 {
                let h = 1e-5;
                let moved = |by: f64| {
                    let mut point = point;
                    point[k] += by;
                    evaluate(&times, x, &point)
                };
                let (low, high) = (moved(-h), moved(h));
                let slope = (high.ln_likelihood - low.ln_likelihood) / (2.0 * h);
                assert!((at.slope[k] - slope).abs() < 1e-8, "absolute, {law:?} {k}: {} against {slope}", at.slope[k]);
                for j in 0..3 {
                    let second = -(high.slope[j] - low.slope[j]) / (2.0 * h);
                    let cell = at.information.at(k, j);
                    assert!((cell - second).abs() < 1e-8, "absolute, {law:?} {k} {j}: {cell} against {second}");
                }
            }
            let scores = scores_by_cluster(&times, x, &point, &[0; 6], 1);
            for (score, slope) in scores.iter().zip(&at.slope) {
                assert!((score - slope).abs() < 1e-13, "absolute: one cluster has all of the slope");
            }
        }
    }

    #[test]
    fn any_number_of_threads_gives_the_same_bytes() {
        let mut bounds = TimedBounds::default();
        let mut values = Vec::new();
        for i in 0..20_000_u32 {
            let time = 1.0 + f64::from(i * 7919 % 10_007) / 100.0;
            let upper = [time, f64::INFINITY, time * 1.5][i as usize % 3];
            bounds.push(time, upper, i).expect("in order");
            values.push(f64::from(i % 17) - 8.0);
        }
        let complete = vec![true; bounds.len()];
        let x = Covariates { values: &values, columns: 1 };
        let on = |threads| {
            let times = LogTimes::of(&bounds, &complete, ErrorLaw::Normal, threads);
            let at = evaluate(&times, x, &[0.1, 0.02, 0.9]);
            let mut bits: Vec<u64> = at.slope.iter().map(|slope| slope.to_bits()).collect();
            bits.extend(at.information.rows().concat().iter().map(|cell| cell.to_bits()));
            bits.push(at.ln_likelihood.to_bits());
            bits
        };
        let one = on(1);
        for threads in [2, 3, 7] {
            assert_eq!(on(threads), one, "{threads} threads");
        }
    }
}
