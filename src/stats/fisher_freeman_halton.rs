//! The exact test of a table of any size, given its margins (Fisher–Freeman–Halton).
//!
//! Definition.  p = Σ of the probabilities of all tables with these margins that are no more probable than the one seen.
//!              P(table) = Π row totals! · Π column totals! / (N! · Π cells!).
//! Method.      The columns are filled in turn, the smallest first. What matters for the columns to come is only how much of each row
//!              is left, and of that only the sorted amounts, since rows may be exchanged (nodes of a network). Ways that lead to
//!              the same node with the same Π 1/cells! are counted together. For each node it is bounded what the columns to come can
//!              make of it: ways that then stay at or below the table seen, whatever comes, are summed at once
//!              (Σ Π 1/cells! = n! / (Π rows left! · Π columns to come!)); ways that stay above it are dropped; only the others go
//!              on. The last two columns are not walked: for each filling of the one, which fixes the other, the ways so far that
//!              keep the whole at or below the table seen are found in their sorted order, with sums from below at hand. All of it
//!              with logarithms relative to the table seen, so that p far below 1e-308 has its logarithm.
//! Bounds.      Largest: Lagrange's multipliers ln r for rows left and ln(c/n) for columns to come, under which each cell is best at
//!              ⌊rc/n⌋; any multipliers bound the whole from above. Smallest: every column to come, or every row left, as uneven as it
//!              can be. Neither need be reached by a table; then a way goes on that could have been decided, and nothing else.
//! Source.      Freeman GH, Halton JH. Biometrika 1951;38:141–149; the network and the use of bounds: Mehta CR, Patel NR. J Am Stat
//!              Assoc 1983;78:427–434 (idea, from memory; the bounds are our own, and so are exchange of rows and the halving).
//! Decided.     Equally probable: logarithms that differ by less than 1e-7, as in `exact_test`; ways are counted together when
//!              theirs differ by less than 1e-10. Empty rows and columns take no part.
//!              Work is counted (fillings looked at, ways extended), not timed; beyond the allowance the answer is not known, with
//!              that reason, and [`sampled_exact_test`](super::sampled_exact_test::sampled_exact_test) is there.
//! Cost.        About 0.13 µs a unit of work. The nearer p is to 1, the more is decided early. Measured, processor time: scores of 300
//!              fillings, most of them in the best category, 4×5 0.04 s where p is 0.96, 0.34 s where it is 0.006; 5×4 0.2 s where it
//!              is 0.97, 1.0 s where it is 0.63; spread evenly, 3×3 with 300 0.01 s, 4×4 with 104 0.01 s, 5×4 with 100 0.03 s (p 0.91)
//!              to 0.22 s (p 0.30), with 150 0.16 s (p 0.90).
//! Not fast.    0.1 s for every 5×4 table with a few hundred is missed, by a factor of 2 to 10 where p is large, and by more where 300 are
//!              spread evenly or p is far below 0.01: these are beyond the usual allowance, and random tables are there for them. A column
//!              of 60 goes into four rows of 75 in 39 711 ways, from each of hundreds to thousands of nodes that are still open, and each
//!              is looked at, at 0.1 µs: the bounds save ways, not looks.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compensated_sum::CompensatedSum;
use super::contingency_table::ContingencyTable;
use super::distribution::TailProbability;
use crate::quantity::{Known, WhyNotKnown};

/// Two tables whose logarithms of probability are nearer than this are equally probable.
pub(super) const EQUALLY_PROBABLE: f64 = 1e-7;
/// Ways whose logarithms are nearer than this are the same.
const SAME_WAY: f64 = 1e-10;
/// The most counts for which logarithms of factorials are tabulated.
const LARGEST_TOTAL: u64 = 2_000_000;

/// What an exact calculation may cost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct ExactWork(u64);

impl ExactWork {
    /// Ten million steps: some 1.3 s of processor time.
    pub const USUAL: Self = Self(10_000_000);

    /// So many steps of about 0.13 µs.
    pub const fn steps(steps: u64) -> Self {
        Self(steps)
    }
}

impl Default for ExactWork {
    fn default() -> Self {
        Self::USUAL
    }
}

/// The exact probability of a table at most as probable as the one seen.
///
/// Not known when all are in one row or column, or when the work would be more than allowed.
pub fn fisher_freeman_halton_test(table: &ContingencyTable, allowance: ExactWork) -> Known<TailProbability> {
    let table = match table.varying() {
        Known::Known(table) if table.total() > LARGEST_TOTAL => return Known::NotKnown(WhyNotKnown::BeyondExactWork),
        Known::Known(table) => table,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    // The nodes are amounts left in the rows: the fewer rows, the fewer nodes.
    let table = if table.rows() <= table.columns() { table } else { table.transposed() };
    match Network::new(&table, allowance).and_then(|mut network| network.probability()) {
        Some(probability) => Known::Known(probability),
        None => Known::NotKnown(WhyNotKnown::BeyondExactWork),
    }
}

/// ln n! for n up to `largest`.
#[expect(clippy::cast_possible_truncation, reason = "bounded by the largest total")]
pub(super) fn ln_factorials(largest: u64) -> Vec<f64> {
    let mut table = Vec::with_capacity(largest as usize + 1);
    let mut sum = CompensatedSum::default();
    table.push(0.0);
    for n in 1..=largest {
        sum.add(libm::log(n as f64));
        table.push(sum.value());
    }
    table
}

/// ln Π cells!.
pub(super) fn ln_cells(table: &ContingencyTable, ln_factorial: &[f64]) -> f64 {
    let mut sum = CompensatedSum::default();
    for row in 0..table.rows() {
        for &count in table.row(row) {
            sum.add(ln_factorial[place(count)]);
        }
    }
    sum.value()
}

#[expect(clippy::cast_possible_truncation, reason = "a count below the largest total")]
pub(super) fn place(count: u64) -> usize {
    count as usize
}

/// Ways to one node with the same product: the node, ln Π 1/cells! and how many.
#[derive(Clone, Copy)]
struct Way {
    node: u128,
    ln: f64,
    count: f64,
}

struct Network {
    /// Bits that hold an amount left in a row.
    bits: u32,
    /// Amounts, descending.
    rows: Vec<usize>,
    /// Column totals, ascending.
    columns: Vec<usize>,
    ln_factorial: Vec<f64>,
    /// ln n; of 0 it is 0.
    ln: Vec<f64>,
    /// ln Π 1/cells! of the table seen.
    ln_seen: f64,
    /// ln P of the table seen.
    ln_probability: f64,
    allowance: u64,
    /// Σ of Π 1/cells! of the tables already known to be no more probable than the one seen, by that of the one seen.
    decided: CompensatedSum,
}

/// The columns to come after one, and what they can make of amounts left in the rows.
struct Outlook<'a> {
    network: &'a Network,
    columns: &'a [usize],
    /// Each column's part of them all, and its logarithm.
    parts: Vec<(f64, f64)>,
    /// Σ c ln(c/n) over them.
    multipliers: f64,
    /// ln n! − Σ ln c!.
    arrangements: f64,
}

impl<'a> Outlook<'a> {
    fn new(network: &'a Network, columns: &'a [usize]) -> Self {
        let total: usize = columns.iter().sum();
        let part = |&column: &usize| (column as f64 / total as f64, network.ln[column] - network.ln[total]);
        let parts: Vec<(f64, f64)> = columns.iter().map(part).collect();
        Self {
            network,
            columns,
            multipliers: columns.iter().zip(&parts).map(|(&column, (_, ln))| column as f64 * ln).sum(),
            arrangements: columns.iter().fold(network.ln_factorial[total], |ln, &column| ln - network.ln_factorial[column]),
            parts,
        }
    }

    /// ln Π 1/cells! is at most this: by Lagrange's multipliers ln r and ln(c/n), under which each cell on its own is best at ⌊rc/n⌋.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of an amount")]
    fn at_most(&self, left: &[usize]) -> f64 {
        let mut bound = -self.multipliers;
        for &row in left {
            let (amount, ln_row) = (row as f64, self.network.ln[row]);
            bound -= amount * ln_row;
            for (part, ln_part) in &self.parts {
                let cell = (amount * part) as usize;
                bound += cell as f64 * (ln_row + ln_part) - self.network.ln_factorial[cell];
            }
        }
        bound
    }

    /// It is at least this: rows or columns each as unevenly as they can be. Amounts descend.
    fn at_least(&self, left: &[usize]) -> f64 {
        let unevenly = |total: usize, into: &mut dyn Iterator<Item = &usize>| {
            let mut rest = total;
            into.fold(0.0, |ln, &room| {
                let most = rest.min(room);
                rest -= most;
                ln - self.network.ln_factorial[most]
            })
        };
        let by_columns: f64 = self.columns.iter().map(|&column| unevenly(column, &mut left.iter())).sum();
        let by_rows: f64 = left.iter().map(|&row| unevenly(row, &mut self.columns.iter().rev())).sum();
        f64::max(by_columns, by_rows)
    }

    /// ln of its sum over all ways to fill them.
    fn all(&self, left: &[usize]) -> f64 {
        left.iter().fold(self.arrangements, |ln, &row| ln - self.network.ln_factorial[row])
    }
}

impl Network {
    fn new(table: &ContingencyTable, allowance: ExactWork) -> Option<Self> {
        let ln_factorial = ln_factorials(table.total());
        let mut rows: Vec<usize> = table.row_totals().into_iter().map(place).collect();
        let mut columns: Vec<usize> = table.column_totals().into_iter().map(place).collect();
        rows.sort_unstable_by(|a, b| b.cmp(a));
        columns.sort_unstable();
        let bits = usize::BITS - rows[0].leading_zeros();
        if bits as usize * rows.len() > 128 {
            return None;
        }
        let ln_seen = -ln_cells(table, &ln_factorial);
        let mut sum = CompensatedSum::default();
        for &total in rows.iter().chain(&columns) {
            sum.add(ln_factorial[total]);
        }
        sum.add(-ln_factorial[place(table.total())]);
        sum.add(ln_seen);
        let ln = (0..=table.total()).map(|n| if n > 0 { libm::log(n as f64) } else { 0.0 }).collect();
        Some(Self {
            bits,
            rows,
            columns,
            ln_factorial,
            ln,
            ln_seen,
            ln_probability: sum.value(),
            allowance: allowance.0,
            decided: CompensatedSum::default(),
        })
    }

    /// The probability, or none when it takes more than allowed.
    fn probability(&mut self) -> Option<TailProbability> {
        let walked = self.columns.len() - 2;
        let mut ways = vec![Way { node: self.node(&self.rows), ln: 0.0, count: 1.0 }];
        for column in 0..walked {
            ways = self.step(&ways, column)?;
        }
        let (last_but_one, last) = (self.columns[walked], self.columns[walked + 1]);
        let mut sum = self.decided;
        for ways in ways.chunk_by(|one, next| one.node == next.node) {
            sum.add(self.finish(ways, last_but_one.min(last))?);
        }
        let ln_p_value = (self.ln_probability + libm::log(sum.value())).min(0.0);
        Some(TailProbability { p_value: libm::exp(ln_p_value), ln_p_value })
    }

    /// Every way extended by every filling of a column, the same ones counted together, by node and in ascending order. Those that
    /// the columns to come can't take across the table seen are decided here.
    fn step(&mut self, ways: &[Way], column: usize) -> Option<Vec<Way>> {
        let bound = self.ln_seen + EQUALLY_PROBABLE;
        let (mut decided, mut allowance) = (self.decided, self.allowance);
        let outlook = Outlook::new(self, &self.columns[column + 1..]);
        let (mut next, mut fillings) = (Vec::new(), Vec::new());
        for ways in ways.chunk_by(|one, next| one.node == next.node) {
            let left = self.left(ways[0].node);
            let ln_sums = ln_sums(ways);
            let most = ways.last().map_or(0.0, |way| way.ln);
            let decide = |count: usize, ln: f64, left: &[usize]| {
                libm::exp(ln_sums[count - 1] + ln + outlook.all(left) - self.ln_seen)
            };
            fillings.clear();
            self.fill(&left, self.columns[column], &mut allowance, &mut |rest, ln| {
                if most + ln + outlook.at_most(rest) <= bound {
                    decided.add(decide(ways.len(), ln, rest));
                } else {
                    let mut sorted = rest.to_vec();
                    sorted.sort_unstable_by(|a, b| b.cmp(a));
                    fillings.push(Way { node: self.node(&sorted), ln, count: 1.0 });
                }
            })?;
            // Fillings that lead to the same node with the same product are one with a count.
            fillings.sort_unstable_by(order);
            merge(&mut fillings);
            for filling in &fillings {
                let left = self.left(filling.node);
                let (at_most, at_least) = (outlook.at_most(&left), outlook.at_least(&left));
                let below = ways.partition_point(|way| way.ln + filling.ln + at_most <= bound);
                let open = ways.partition_point(|way| way.ln + filling.ln + at_least <= bound).max(below);
                if below > 0 {
                    decided.add(filling.count * decide(below, filling.ln, &left));
                }
                allowance = allowance.checked_sub((open - below) as u64)?;
                next.extend(ways[below..open].iter().map(|way| Way {
                    node: filling.node,
                    ln: way.ln + filling.ln,
                    count: way.count * filling.count,
                }));
            }
        }
        next.sort_unstable_by(order);
        merge(&mut next);
        (self.decided, self.allowance) = (decided, allowance);
        Some(next)
    }

    /// Every filling of a column from what is left: what it leaves, and its ln Π 1/cells!.
    fn fill(&self, left: &[usize], column: usize, allowance: &mut u64, each: &mut impl FnMut(&[usize], f64)) -> Option<()> {
        let capacity: Vec<usize> = (0..left.len()).map(|row| left[row + 1..].iter().sum()).collect();
        self.fill_row(0, column, 0.0, &capacity, &mut left.to_vec(), allowance, each)
    }

    /// Fills the rows from `row` on with `amount`; `rest` is what is left in each, `capacity` what the rows after it can take.
    #[expect(clippy::too_many_arguments, reason = "a recursion, and all of it changes or is shared")]
    fn fill_row(
        &self,
        row: usize,
        amount: usize,
        ln: f64,
        capacity: &[usize],
        rest: &mut [usize],
        allowance: &mut u64,
        each: &mut impl FnMut(&[usize], f64),
    ) -> Option<()> {
        let here = rest[row];
        if row + 1 == rest.len() {
            *allowance = allowance.checked_sub(1)?;
            rest[row] = here - amount;
            each(rest, ln - self.ln_factorial[amount]);
            rest[row] = here;
            return Some(());
        }
        for taken in amount.saturating_sub(capacity[row])..=amount.min(here) {
            rest[row] = here - taken;
            self.fill_row(row + 1, amount - taken, ln - self.ln_factorial[taken], capacity, rest, allowance, each)?;
        }
        rest[row] = here;
        Some(())
    }

    /// Of the ways to one node, in ascending order: Σ over what the last two columns may be of the products, by that of the table
    /// seen, where the whole is no more than it.
    fn finish(&mut self, ways: &[Way], column: usize) -> Option<f64> {
        let left = self.left(ways[0].node);
        let ln_sums = ln_sums(ways);
        let bound = self.ln_seen + EQUALLY_PROBABLE;
        let mut total = CompensatedSum::default();
        let mut allowance = self.allowance;
        self.fill(&left, column, &mut allowance, &mut |rest, ln| {
            let ln = rest.iter().fold(ln, |ln, &other| ln - self.ln_factorial[other]);
            let below = ways.partition_point(|way| way.ln + ln <= bound);
            if below > 0 {
                total.add(libm::exp(ln_sums[below - 1] + ln - self.ln_seen));
            }
        })?;
        self.allowance = allowance;
        Some(total.value())
    }

    /// Amounts as one number.
    fn node(&self, left: &[usize]) -> u128 {
        left.iter().fold(0, |node, &amount| (node << self.bits) | amount as u128)
    }

    /// The amounts of a node.
    #[expect(clippy::cast_possible_truncation, reason = "masked to the bits of an amount")]
    fn left(&self, node: u128) -> Vec<usize> {
        let mask = (1_u128 << self.bits) - 1;
        (0..self.rows.len() as u32).rev().map(|row| ((node >> (row * self.bits)) & mask) as usize).collect()
    }
}

fn order(one: &Way, other: &Way) -> std::cmp::Ordering {
    one.node.cmp(&other.node).then(one.ln.total_cmp(&other.ln))
}

/// ln of the sum of the products of the ways up to each, in ascending order.
fn ln_sums(ways: &[Way]) -> Vec<f64> {
    let (mut largest, mut sum) = (f64::NEG_INFINITY, 0.0);
    let up_to = |way: &Way| {
        sum = sum * libm::exp(largest - way.ln) + way.count;
        largest = way.ln;
        largest + libm::log(sum)
    };
    ways.iter().map(up_to).collect()
}

/// Counts neighbours together that are the same.
fn merge(ways: &mut Vec<Way>) {
    ways.dedup_by(|later, kept| {
        let same = later.node == kept.node && later.ln - kept.ln < SAME_WAY;
        if same {
            kept.count += later.count;
        }
        same
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn p(rows: &[Vec<u64>]) -> f64 {
        let table = ContingencyTable::new(rows).expect("a table");
        fisher_freeman_halton_test(&table, ExactWork::USUAL).known().expect("within the allowance").p_value
    }

    #[test]
    fn by_hand() {
        // Two by two: the tea tasting, 34/70. Two by three with margins (2, 2), (2, 1, 1): of 6 ways, [2 0 0] and [0 1 1] have one
        // each, [1 1 0] and [1 0 1] two each; all ways no more probable than a pair's: 1/6 + 1/6.
        assert!((p(&[vec![3, 1], vec![1, 3]]) * 70.0 / 34.0 - 1.0).abs() < 1e-14, "relative");
        assert!((p(&[vec![2, 0, 0], vec![0, 1, 1]]) * 3.0 - 1.0).abs() < 1e-14, "relative");
        assert!((p(&[vec![1, 1, 0], vec![1, 0, 1]]) - 1.0).abs() < 1e-14, "relative");
    }

    #[test]
    fn job_satisfaction_in_print() {
        // Agresti, Categorical Data Analysis: 0.7827 (from memory).
        let rows = [vec![1, 2, 1, 0], vec![3, 3, 6, 1], vec![10, 10, 14, 9], vec![6, 7, 12, 11]];
        assert!((p(&rows) - 0.782_684_939).abs() < 5e-10, "printed");
    }

    /// All tables with these row totals and columns left, each row by row.
    fn tables_with(rows: &[u64], columns: &[u64], so_far: &mut Vec<Vec<u64>>, each: &mut impl FnMut(&[Vec<u64>])) {
        let Some((&row, later)) = rows.split_first() else {
            return each(so_far);
        };
        let mut fillings = vec![Vec::new()];
        for &column in columns {
            let longer = |filling: &Vec<u64>| {
                let left = row - filling.iter().sum::<u64>();
                (0..=left.min(column)).map(|cell| [filling.as_slice(), &[cell]].concat()).collect::<Vec<_>>()
            };
            fillings = fillings.iter().flat_map(longer).collect();
        }
        for filling in fillings.into_iter().filter(|filling| filling.iter().sum::<u64>() == row) {
            let left: Vec<u64> = columns.iter().zip(&filling).map(|(column, cell)| column - cell).collect();
            so_far.push(filling);
            tables_with(later, &left, so_far, each);
            so_far.pop();
        }
    }

    #[test]
    fn each_table_of_some_margins_has_the_sum_of_all_no_more_probable() {
        for (rows, columns) in
            [(&[4, 5, 6][..], &[1, 2, 4, 8][..]), (&[1, 1, 9, 3], &[3, 3, 4, 4]), (&[2, 3, 4, 2], &[1, 4, 2, 2, 2])]
        {
            let ln_factorial = ln_factorials(20);
            let mut all = Vec::new();
            tables_with(rows, columns, &mut Vec::new(), &mut |table| {
                let ln: f64 = table.iter().flatten().map(|&cell| -ln_factorial[place(cell)]).sum();
                all.push((ln, table.to_vec()));
            });
            let sum = |below: f64| all.iter().filter(|(ln, _)| *ln <= below).map(|(ln, _)| libm::exp(*ln)).sum::<f64>();
            let whole = sum(f64::INFINITY);
            for (ln, table) in all.iter().step_by(1 + all.len() / 300) {
                let expected = sum(ln + EQUALLY_PROBABLE) / whole;
                assert!((p(table) / expected - 1.0).abs() < 1e-11, "relative: {table:?}");
            }
        }
    }

    #[test]
    fn beyond_the_allowance_it_says_so() {
        let table =
            ContingencyTable::new(&[[15, 12, 20, 16, 13], [15, 18, 12, 10, 20], [10, 15, 13, 17, 17], [20, 15, 15, 17, 10]]);
        let table = table.expect("a table");
        let answer = fisher_freeman_halton_test(&table, ExactWork::steps(100_000));
        assert_eq!(answer, Known::NotKnown(WhyNotKnown::BeyondExactWork));
        let table = ContingencyTable::new(&[[4, 0], [3, 0]]).expect("a table");
        assert_eq!(fisher_freeman_halton_test(&table, ExactWork::USUAL), Known::NotKnown(WhyNotKnown::NoVariation));
    }
}
