//! The covariance of differences between groups, and the quadratic form behind a χ² statistic.
//!
//! Definition.  vᵀ·M⁻·v by elimination without exchange of rows, which is stable for a matrix that has no negative direction. The
//!              differences of all groups sum to 0, so that such a matrix never has its full rank.
//! Decided.     All cells are kept, row after row, because the block of one weighting against another isn't symmetric. Directions
//!              without variance are passed over and cost no degree of freedom. A pivot below 1e-11 of its variance is rounding,
//!              not information.
//! Cost.        O(size³).
//! Not for.     The information of a regression, which must have its full rank and be inverted: see `symmetric`.

use super::symmetric::NOTHING_LEFT;

/// A square matrix, row after row.
#[derive(Clone, Debug)]
pub(super) struct Covariance {
    size: usize,
    cells: Vec<f64>,
}

impl Covariance {
    pub(super) fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * self.size + column]
    }

    pub(super) fn add(&mut self, row: usize, column: usize, term: f64) {
        self.cells[row * self.size + column] += term;
    }

    /// Adds another of the same size.
    pub(super) fn add_all(&mut self, other: &Self) {
        self.cells.iter_mut().zip(&other.cells).for_each(|(cell, other)| *cell += other);
    }

    /// Adds `factor`·v·vᵀ.
    pub(super) fn add_square(&mut self, factor: f64, vector: &[f64]) {
        for (cells, &a) in self.cells.chunks_exact_mut(self.size.max(1)).zip(vector) {
            for (cell, &b) in cells.iter_mut().zip(vector) {
                *cell += factor * a * b;
            }
        }
    }

    /// The rows and columns of these indices.
    pub(super) fn only(&self, kept: &[usize]) -> Self {
        let cells = kept.iter().flat_map(|&row| kept.iter().map(move |&column| self.at(row, column))).collect();
        Self { size: kept.len(), cells }
    }

    /// The square block that starts at this row and column.
    pub(super) fn block(&self, row: usize, column: usize, size: usize) -> Self {
        let cells = (row..row + size).flat_map(|r| (column..column + size).map(move |c| self.at(r, c))).collect();
        Self { size, cells }
    }

    /// The sum of the cells, each weighted by the scores of its row and column.
    pub(super) fn contrast(&self, scores: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (row, &a) in scores.iter().enumerate() {
            for (column, &b) in scores.iter().enumerate() {
                sum += a * b * self.at(row, column);
            }
        }
        sum
    }

    /// The rows, for showing.
    pub(super) fn rows(&self) -> Vec<Vec<f64>> {
        self.cells.chunks(self.size.max(1)).map(<[f64]>::to_vec).collect()
    }

    /// The index of the largest variance.
    pub(super) fn largest_variance(&self) -> Option<usize> {
        (0..self.size).reduce(|a, b| if self.at(b, b) > self.at(a, a) { b } else { a })
    }

    /// The indices of all but the largest variance: the differences of all groups sum to 0, so that one of them tells nothing new.
    pub(super) fn all_but_the_largest(&self) -> Vec<usize> {
        let largest = self.largest_variance();
        (0..self.size).filter(|&index| Some(index) != largest).collect()
    }

    /// vᵀ M⁻ v for a covariance matrix M by elimination, and the rank of M. Directions without variance are skipped.
    pub(super) fn quadratic_form(self, vector: &[f64]) -> (f64, u32) {
        let mut vector = vector.to_vec();
        let (mut form, mut rank) = (0.0, 0);
        for step in self.elimination() {
            let value = vector[step.row];
            form += value * value / step.pivot;
            rank += 1;
            for (rest, factor) in vector.iter_mut().zip(&step.factors) {
                *rest -= factor * value;
            }
        }
        (form, rank)
    }

    /// The steps of the elimination, one for each direction with variance.
    pub(super) fn elimination(mut self) -> Vec<Elimination> {
        let diagonal: Vec<f64> = (0..self.size).map(|j| self.at(j, j)).collect();
        let mut steps = Vec::with_capacity(self.size);
        for (j, variance) in diagonal.into_iter().enumerate() {
            let pivot = self.at(j, j);
            if pivot <= NOTHING_LEFT * variance {
                continue;
            }
            let mut factors = vec![0.0; self.size];
            for (row, place) in factors.iter_mut().enumerate().skip(j + 1) {
                let factor = self.at(row, j) / pivot;
                *place = factor;
                for column in j + 1..self.size {
                    let term = -factor * self.at(j, column);
                    self.add(row, column, term);
                }
            }
            steps.push(Elimination { row: j, pivot, factors });
        }
        steps
    }
}

/// A step of an elimination: so many times this row is taken from each other.
pub(super) struct Elimination {
    pub row: usize,
    pub pivot: f64,
    pub factors: Vec<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_direction_without_variance_costs_no_degree_of_freedom() {
        // By hand: [[2, 1], [1, 2]] with (1, 1): 2/3. Bordered by zeros, the same.
        let mut matrix = Covariance::zero(3);
        for (row, column, term) in [(0, 0, 2.0), (0, 2, 1.0), (2, 0, 1.0), (2, 2, 2.0)] {
            matrix.add(row, column, term);
        }
        let (form, rank) = matrix.quadratic_form(&[1.0, 0.0, 1.0]);
        assert_eq!(rank, 2);
        assert!((form - 2.0 / 3.0).abs() < 1e-15, "absolute: {form}");
    }
}
