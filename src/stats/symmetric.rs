//! Small symmetric matrices: covariances and information, their triangular roots and inverses.
//!
//! Formula.     M = L·Lᵀ with L lower triangular (Cholesky). M⁻¹v by two triangular solves; vᵀM⁻¹v = |L⁻¹v|²; ln|M| = 2·Σ ln L_jj.
//! Decided.     The lower triangle alone is kept, row after row: cell (i, j), j ≤ i, at i(i + 1)/2 + j. A pivot that falls below
//!              a given part of a given diagonal is rounding, not information; the elimination says which one it was.
//! Cost.        O(size³/3) for the root.
//! Not for.     Large or sparse matrices; covariances of differences between groups, which lack rank: see `covariance`.

/// A pivot below this part of its diagonal is rounding, not information.
pub(super) const NOTHING_LEFT: f64 = 1e-11;

/// A symmetric matrix by its lower triangle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Symmetric {
    size: usize,
    cells: Vec<f64>,
}

impl Symmetric {
    /// Zeros.
    pub(super) fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * (size + 1) / 2] }
    }

    /// From the lower triangle, row after row: (0, 0), (1, 0), (1, 1), (2, 0)…
    pub(super) fn of_triangle(size: usize, mut triangle: Vec<f64>) -> Self {
        triangle.resize(size * (size + 1) / 2, 0.0);
        Self { size, cells: triangle }
    }

    /// The lower triangle, row after row.
    pub(super) fn cells_mut(&mut self) -> &mut [f64] {
        &mut self.cells
    }

    fn place(row: usize, column: usize) -> usize {
        let (row, column) = if row >= column { (row, column) } else { (column, row) };
        row * (row + 1) / 2 + column
    }

    /// One cell.
    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[Self::place(row, column)]
    }

    /// Adds to one cell, and so to its mirror image.
    pub(super) fn add(&mut self, row: usize, column: usize, term: f64) {
        self.cells[Self::place(row, column)] += term;
    }

    /// Adds `factor`·v·vᵀ.
    pub(super) fn add_square(&mut self, factor: f64, vector: &[f64]) {
        let mut cells = self.cells.iter_mut();
        for (row, &v) in vector.iter().enumerate() {
            for (cell, &w) in cells.by_ref().take(row + 1).zip(vector) {
                *cell += factor * v * w;
            }
        }
    }

    /// Adds `factor`·(u·vᵀ + v·uᵀ).
    pub(super) fn add_cross(&mut self, factor: f64, left: &[f64], right: &[f64]) {
        let mut place = 0;
        for row in 0..self.size {
            for column in 0..=row {
                self.cells[place] += factor * (left[row] * right[column] + right[row] * left[column]);
                place += 1;
            }
        }
    }

    /// Adds another matrix of the same size.
    pub(super) fn add_all(&mut self, other: &Self) {
        for (cell, term) in self.cells.iter_mut().zip(&other.cells) {
            *cell += term;
        }
    }

    /// The diagonal.
    pub(super) fn diagonal(&self) -> Vec<f64> {
        (0..self.size).map(|j| self.at(j, j)).collect()
    }

    /// Cell (i, j) times factor i times factor j.
    pub(super) fn scaled(&self, factors: &[f64]) -> Self {
        let mut scaled = self.clone();
        for row in 0..self.size {
            for column in 0..=row {
                scaled.cells[Self::place(row, column)] *= factors[row] * factors[column];
            }
        }
        scaled
    }

    /// The rows and columns of these indices.
    pub(super) fn only(&self, kept: &[usize]) -> Self {
        let mut part = Self::zero(kept.len());
        for (row, &i) in kept.iter().enumerate() {
            for (column, &j) in kept.iter().enumerate().take(row + 1) {
                part.add(row, column, self.at(i, j));
            }
        }
        part
    }

    /// M·v.
    pub(super) fn times(&self, vector: &[f64]) -> Vec<f64> {
        (0..self.size).map(|row| (0..self.size).map(|column| self.at(row, column) * vector[column]).sum()).collect()
    }

    /// A·M·A for a symmetric A.
    pub(super) fn between(&self, outer: &Self) -> Self {
        let size = self.size;
        let half: Vec<Vec<f64>> =
            (0..size).map(|row| self.times(&(0..size).map(|k| outer.at(row, k)).collect::<Vec<_>>())).collect();
        let mut product = Self::zero(size);
        for (row, half) in half.iter().enumerate() {
            for column in 0..=row {
                let sum: f64 = half.iter().enumerate().map(|(k, half)| half * outer.at(k, column)).sum();
                product.add(row, column, sum);
            }
        }
        product
    }

    /// All rows in full.
    pub(super) fn rows(&self) -> Vec<Vec<f64>> {
        (0..self.size).map(|row| (0..self.size).map(|column| self.at(row, column)).collect()).collect()
    }

    /// The triangular root; or the first row whose pivot is not above `least` of its place in `against`.
    pub(super) fn root(&self, least: f64, against: &[f64]) -> Result<Root, usize> {
        let mut cells = self.cells.clone();
        for row in 0..self.size {
            for column in 0..=row {
                let mut rest = cells[Self::place(row, column)];
                for k in 0..column {
                    rest -= cells[Self::place(row, k)] * cells[Self::place(column, k)];
                }
                cells[Self::place(row, column)] = if row > column {
                    rest / cells[Self::place(column, column)]
                } else if rest > least * against[row] && rest > 0.0 && rest.is_finite() {
                    rest.sqrt()
                } else {
                    return Err(row);
                };
            }
        }
        Ok(Root { size: self.size, cells })
    }
}

/// The triangular root L of a positive matrix.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Root {
    size: usize,
    cells: Vec<f64>,
}

impl Root {
    fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * (row + 1) / 2 + column]
    }

    /// L⁻¹·v.
    pub(super) fn half_solve(&self, vector: &[f64]) -> Vec<f64> {
        let mut solved = vector.to_vec();
        for row in 0..self.size {
            for column in 0..row {
                solved[row] -= self.at(row, column) * solved[column];
            }
            solved[row] /= self.at(row, row);
        }
        solved
    }

    /// M⁻¹·v.
    pub(super) fn solve(&self, vector: &[f64]) -> Vec<f64> {
        let mut solved = self.half_solve(vector);
        for row in (0..self.size).rev() {
            for below in row + 1..self.size {
                solved[row] -= self.at(below, row) * solved[below];
            }
            solved[row] /= self.at(row, row);
        }
        solved
    }

    /// vᵀ·M⁻¹·v.
    pub(super) fn quadratic_form(&self, vector: &[f64]) -> f64 {
        self.half_solve(vector).iter().map(|v| v * v).sum()
    }

    /// ln|M|.
    pub(super) fn ln_determinant(&self) -> f64 {
        2.0 * (0..self.size).map(|j| libm::log(self.at(j, j))).sum::<f64>()
    }

    /// M⁻¹.
    pub(super) fn inverse(&self) -> Symmetric {
        let mut inverse = Symmetric::zero(self.size);
        let mut unit = vec![0.0; self.size];
        for column in 0..self.size {
            unit[column] = 1.0;
            let solved = self.solve(&unit);
            unit[column] = 0.0;
            for (row, &value) in solved.iter().enumerate().skip(column) {
                inverse.add(row, column, value);
            }
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn root_inverse_and_forms_by_hand() {
        // By hand: M = [[4, 2], [2, 5]], L = [[2, 0], [1, 2]], |M| = 16, M⁻¹ = [[5, −2], [−2, 4]]/16; v = (2, 5): vᵀM⁻¹v = 5.
        let mut matrix = Symmetric::zero(2);
        matrix.add(0, 0, 4.0);
        matrix.add(0, 1, 2.0);
        matrix.add(1, 1, 5.0);
        let root = matrix.root(0.0, &[1.0, 1.0]).expect("positive");
        assert_eq!(root.cells, [2.0, 1.0, 2.0]);
        assert_eq!(root.inverse().rows(), [[5.0 / 16.0, -0.125], [-0.125, 0.25]]);
        assert!((root.quadratic_form(&[2.0, 5.0]) - 5.0).abs() < 1e-15, "absolute");
        assert!((root.ln_determinant() - libm::log(16.0)).abs() < 1e-15, "absolute");
        assert_eq!(matrix.between(&root.inverse()).rows(), root.inverse().rows());
    }

    #[test]
    fn three_by_three_by_hand() {
        // By hand: M = [[4, 2, 0], [2, 5, 2], [0, 2, 5]], det 64.
        let matrix = Symmetric::of_triangle(3, vec![4.0, 2.0, 5.0, 0.0, 2.0, 5.0]);
        let root = matrix.root(NOTHING_LEFT, &matrix.diagonal()).expect("positive");
        let inverse = root.inverse();
        let exact = [[21.0, -10.0, 4.0], [-10.0, 20.0, -8.0], [4.0, -8.0, 16.0]];
        for (row, line) in exact.iter().enumerate() {
            for (column, cell) in line.iter().enumerate() {
                assert!((inverse.at(row, column) - cell / 64.0).abs() < 1e-15, "absolute: {row} {column}");
            }
        }
        let v = [1.0, 2.0, 3.0];
        let direct: f64 = inverse.times(&v).iter().zip(v).map(|(a, b)| a * b).sum();
        assert!((root.quadratic_form(&v) - direct).abs() < 1e-14, "absolute: {direct}");
    }

    #[test]
    fn the_row_without_information_is_named() {
        let mut matrix = Symmetric::zero(3);
        matrix.add_square(1.0, &[1.0, 2.0, 0.0]);
        matrix.add(2, 2, 1.0);
        assert_eq!(matrix.root(1e-12, &matrix.diagonal()), Err(1));
    }
}
