//! The exact test of a table of any size by random tables with the same margins, where walking all of them takes too long.
//!
//! Definition.  As in `fisher_freeman_halton`; p is estimated by (h + 1)/(B + 1), h of B tables being no more probable than the one seen.
//! Interval.    Of the exact p: Clopper and Pearson's for h of B. Standard error √(p(1 − p)/B).
//! Method.      Cells are drawn one by one from the hypergeometric distribution that the margins left over give them, by inversion
//!              from the peak outwards.
//! Source.      Agresti A, Wackerly D, Boyett JM. Psychometrika 1979;44:75–83; adding one: Phipson B, Smyth GK. Stat Appl Genet Mol
//!              Biol 2010;9:39; drawing: after Patefield WM. Appl Stat 1981;30:91–97 (all from memory).
//! Decided.     Tables are drawn in blocks of 256, each block with its own stream of random numbers: threads change nothing.
//! Cost.        (rows − 1)·(columns − 1) draws a table, each some √(counts) steps; 100 000 tables of 5×4 with 300 counts: some
//!              0.1 s of processor time, shared among the threads.
//! Not for.     p far below 1/B: it says no more than that.

use std::num::NonZeroUsize;

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::contingency_table::ContingencyTable;
use super::fisher_freeman_halton::{EQUALLY_PROBABLE, ln_cells, ln_factorials, place};
use super::share::clopper_pearson_interval;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};
use crate::threads::{available, on_threads};

/// Tables drawn from one stream.
const BLOCK: u32 = 256;
/// The most counts for which logarithms of factorials are tabulated.
const LARGEST_TOTAL: u64 = 2_000_000;

/// How tables are drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TableSampling {
    /// How many tables.
    pub tables: u32,
    /// The seed of the random numbers: the same seed gives the same tables.
    pub seed: u64,
    /// The coverage of the interval of the probability.
    pub level: ConfidenceLevel,
    /// How many threads; as many as there are processors when none. The results don't depend on it.
    pub threads: Option<NonZeroUsize>,
}

impl Default for TableSampling {
    /// 100 000 tables: a probability of 0.05 to within 0.0014 at 95 %.
    fn default() -> Self {
        Self { tables: 100_000, seed: 1, level: ConfidenceLevel::USUAL, threads: None }
    }
}

/// A probability from random tables, with how well it is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SampledProbability {
    /// The estimate, (h + 1)/(B + 1).
    pub p_value: f64,
    /// Its Monte Carlo standard error.
    pub standard_error: f64,
    /// Limits of the exact probability.
    pub interval: ConfidenceInterval<Fraction>,
    /// Tables drawn.
    pub tables: u32,
    /// Those no more probable than the one seen.
    pub no_more_probable: u32,
    /// The seed.
    pub seed: u64,
}

/// Estimates the exact probability of `table`.
///
/// Not known when all are in one row or column, when no tables are asked for, or beyond two million counts.
pub fn sampled_exact_test(table: &ContingencyTable, sampling: TableSampling) -> Known<SampledProbability> {
    let table = match table.varying() {
        Known::Known(table) if table.total() > LARGEST_TOTAL => return Known::NotKnown(WhyNotKnown::BeyondExactWork),
        Known::Known(table) => table,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let urn = Urn::new(&table);
    let blocks: Vec<(u64, u32)> = (0..sampling.tables.div_ceil(BLOCK))
        .map(|block| (u64::from(block), BLOCK.min(sampling.tables - block * BLOCK)))
        .collect();
    let threads = sampling.threads.map_or_else(available, usize::from);
    let hits: u32 = on_threads(blocks, threads, |(block, tables)| urn.hits(sampling.seed, block, tables)).into_iter().sum();
    let (h, b) = (u64::from(hits), u64::from(sampling.tables));
    clopper_pearson_interval(h, b, sampling.level).map(|interval| {
        let p = (h + 1) as f64 / (b + 1) as f64;
        SampledProbability {
            p_value: p,
            standard_error: libm::sqrt(p * (1.0 - p) / b as f64),
            interval,
            tables: sampling.tables,
            no_more_probable: hits,
            seed: sampling.seed,
        }
    })
}

struct Urn {
    rows: Vec<u64>,
    columns: Vec<u64>,
    total: u64,
    ln_factorial: Vec<f64>,
    /// ln Π cells! of the table seen, less what counts as equal.
    bound: f64,
}

impl Urn {
    fn new(table: &ContingencyTable) -> Self {
        let ln_factorial = ln_factorials(table.total());
        let bound = ln_cells(table, &ln_factorial) - EQUALLY_PROBABLE;
        Self { rows: table.row_totals(), columns: table.column_totals(), total: table.total(), ln_factorial, bound }
    }

    /// How many tables of a block are no more probable than the one seen.
    fn hits(&self, seed: u64, block: u64, tables: u32) -> u32 {
        let mut key = *b"________tables drawn given both ";
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut random = ChaCha12Rng::from_seed(key);
        random.set_stream(block);
        let mut left = vec![0; self.columns.len()];
        (0..tables).map(|_| u32::from(self.draw(&mut random, &mut left) >= self.bound)).sum()
    }

    /// ln Π cells! of a random table.
    fn draw(&self, random: &mut ChaCha12Rng, left: &mut [u64]) -> f64 {
        left.copy_from_slice(&self.columns);
        let mut total = self.total;
        let mut ln = 0.0;
        let last = left.len() - 1;
        for &row in &self.rows[..self.rows.len() - 1] {
            let (mut amount, mut rest) = (row, total);
            for column in &mut left[..last] {
                let taken = self.hypergeometric(random, amount, *column, rest);
                rest -= *column;
                *column -= taken;
                amount -= taken;
                ln += self.ln_factorial[place(taken)];
            }
            left[last] -= amount;
            ln += self.ln_factorial[place(amount)];
            total -= row;
        }
        left.iter().fold(ln, |ln, &count| ln + self.ln_factorial[place(count)])
    }

    /// How many of `marked` among `total` are in a sample of `size`.
    #[expect(clippy::cast_possible_truncation, reason = "a count")]
    fn hypergeometric(&self, random: &mut ChaCha12Rng, size: u64, marked: u64, total: u64) -> u64 {
        let (lowest, highest) = ((size + marked).saturating_sub(total), size.min(marked));
        if lowest == highest {
            return lowest;
        }
        let f = |count: u64| self.ln_factorial[place(count)];
        let peak = ((size as f64 + 1.0) * (marked as f64 + 1.0) / (total as f64 + 2.0)) as u64;
        let peak = peak.clamp(lowest, highest);
        let others = total - marked;
        let at_peak = libm::exp(
            f(size) + f(total - size) + f(marked) + f(others)
                - f(total)
                - f(peak)
                - f(marked - peak)
                - f(size - peak)
                - f(others + peak - size),
        );
        let mut u = (random.next_u64() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64) - at_peak;
        if u < 0.0 {
            return peak;
        }
        let (mut up, mut p_up, mut down, mut p_down) = (peak, at_peak, peak, at_peak);
        loop {
            if up < highest {
                p_up *= (size - up) as f64 * (marked - up) as f64 / ((up + 1) as f64 * (others + up + 1 - size) as f64);
                up += 1;
                u -= p_up;
                if u < 0.0 {
                    return up;
                }
            }
            if down > lowest {
                p_down *=
                    down as f64 * (others + down - size) as f64 / ((size + 1 - down) as f64 * (marked + 1 - down) as f64);
                down -= 1;
                u -= p_down;
                if u < 0.0 {
                    return down;
                }
            }
            if up == highest && down == lowest {
                // What rounding left over.
                return peak;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn random_tables_come_near_the_exact_probability_whatever_the_threads() {
        // Exact: 0.782684939 (job satisfaction, Agresti). With 20 000 tables the standard error is 0.0029.
        let rows = [[1, 2, 1, 0], [3, 3, 6, 1], [10, 10, 14, 9], [6, 7, 12, 11]];
        let table = ContingencyTable::new(&rows).expect("a table");
        let sampled = |threads| {
            let sampling = TableSampling { tables: 20_000, threads: NonZeroUsize::new(threads), ..TableSampling::default() };
            *sampled_exact_test(&table, sampling).known().expect("sampled")
        };
        let one = sampled(1);
        assert!((one.p_value - 0.782_684_939).abs() < 4.0 * one.standard_error, "four standard errors: {}", one.p_value);
        assert!((one.standard_error - 0.0029).abs() < 1e-4, "absolute");
        assert_eq!(one, sampled(2));
        assert_eq!(one, sampled(7));
        let none = TableSampling { tables: 0, ..TableSampling::default() };
        assert_eq!(sampled_exact_test(&table, none), Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
