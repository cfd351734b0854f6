//! Symmetric matrices as small as the number of groups or covariates: covariances and informations.
//!
//! Formula.     Elimination without exchange of rows, which is stable for a matrix that has no negative direction.
//! Decided.     A pivot below 1e-11 of its diagonal is rounding: that direction has no variance.

/// A pivot below this part of its diagonal is rounding, not information.
const NOTHING_LEFT: f64 = 1e-11;

/// A symmetric matrix, row after row.
#[derive(Clone, Debug)]
pub(super) struct Symmetric {
    size: usize,
    cells: Vec<f64>,
}

impl Symmetric {
    pub(super) fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    /// From the lower triangle, row after row: (0, 0), (1, 0), (1, 1), (2, 0)…
    pub(super) fn of_triangle(size: usize, triangle: &[f64]) -> Self {
        let mut matrix = Self::zero(size);
        let mut next = triangle.iter();
        for row in 0..size {
            for (column, &cell) in (0..=row).zip(next.by_ref()) {
                matrix.cells[row * size + column] = cell;
                matrix.cells[column * size + row] = cell;
            }
        }
        matrix
    }

    pub(super) fn size(&self) -> usize {
        self.size
    }

    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * self.size + column]
    }

    pub(super) fn rows(&self) -> Vec<Vec<f64>> {
        (0..self.size).map(|row| self.cells[row * self.size..(row + 1) * self.size].to_vec()).collect()
    }

    /// Adds weight · v vᵀ.
    pub(super) fn add_square(&mut self, vector: &[f64], weight: f64) {
        for row in 0..self.size {
            let term = weight * vector[row];
            for (cell, value) in self.cells[row * self.size..].iter_mut().zip(vector) {
                *cell += term * value;
            }
        }
    }

    /// The rows and columns of these indices.
    pub(super) fn only(&self, kept: &[usize]) -> Self {
        let cells = kept.iter().flat_map(|&row| kept.iter().map(move |&column| self.at(row, column))).collect();
        Self { size: kept.len(), cells }
    }

    /// Row and column j multiplied by factor j.
    pub(super) fn scaled(&self, factors: &[f64]) -> Self {
        let mut scaled = self.clone();
        for row in 0..self.size {
            for column in 0..self.size {
                scaled.cells[row * self.size + column] *= factors[row] * factors[column];
            }
        }
        scaled
    }

    /// vᵀ M⁻ v for a covariance matrix M, and the rank of M. Directions without variance are skipped.
    pub(super) fn quadratic_form(&self, vector: &[f64]) -> (f64, u32) {
        let mut cells = self.cells.clone();
        let mut vector = vector.to_vec();
        let (mut form, mut rank) = (0.0, 0);
        for j in 0..self.size {
            let pivot = cells[j * self.size + j];
            if pivot <= NOTHING_LEFT * self.at(j, j) {
                continue;
            }
            form += vector[j] * vector[j] / pivot;
            rank += 1;
            for row in j + 1..self.size {
                let factor = cells[row * self.size + j] / pivot;
                vector[row] -= factor * vector[j];
                for column in j + 1..self.size {
                    cells[row * self.size + column] -= factor * cells[j * self.size + column];
                }
            }
        }
        (form, rank)
    }

    /// The inverse.
    ///
    /// # Errors
    ///
    /// The first index whose row is made up of those before it.
    pub(super) fn inverse(&self) -> Result<Self, usize> {
        let size = self.size;
        // Cholesky: M = L Lᵀ; then the columns of L⁻¹ by forward substitution, and M⁻¹ = L⁻ᵀ L⁻¹.
        let mut lower = vec![0.0; size * size];
        for row in 0..size {
            for column in 0..=row {
                let mut rest = self.at(row, column);
                for k in 0..column {
                    rest -= lower[row * size + k] * lower[column * size + k];
                }
                lower[row * size + column] = if column < row {
                    rest / lower[column * size + column]
                } else if rest > NOTHING_LEFT * self.at(row, row) {
                    libm::sqrt(rest)
                } else {
                    return Err(row);
                };
            }
        }
        let mut half = vec![0.0; size * size];
        for column in 0..size {
            for row in column..size {
                let mut rest = if row == column { 1.0 } else { 0.0 };
                for k in column..row {
                    rest -= lower[row * size + k] * half[k * size + column];
                }
                half[row * size + column] = rest / lower[row * size + row];
            }
        }
        let mut inverse = Self::zero(size);
        for k in 0..size {
            inverse.add_square(&half[k * size..(k + 1) * size], 1.0);
        }
        Ok(inverse)
    }

    /// M v.
    pub(super) fn times(&self, vector: &[f64]) -> Vec<f64> {
        (0..self.size).map(|row| (0..self.size).map(|column| self.at(row, column) * vector[column]).sum()).collect()
    }

    /// M N M, for the covariance N of a score and the inverse information M.
    pub(super) fn around(&self, meat: &Self) -> Self {
        let half: Vec<Vec<f64>> = (0..self.size).map(|row| meat.times(&self.times_row(row))).collect();
        let mut result = Self::zero(self.size);
        for (row, half) in half.iter().enumerate() {
            let line = self.times(half);
            result.cells[row * self.size..(row + 1) * self.size].copy_from_slice(&line);
        }
        for row in 0..self.size {
            for column in 0..row {
                let mean = 0.5 * (result.at(row, column) + result.at(column, row));
                result.cells[row * self.size + column] = mean;
                result.cells[column * self.size + row] = mean;
            }
        }
        result
    }

    fn times_row(&self, row: usize) -> Vec<f64> {
        self.cells[row * self.size..(row + 1) * self.size].to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_by_three_by_hand() {
        // By hand: M = [[4, 2, 0], [2, 5, 2], [0, 2, 5]], det 64.
        let matrix = Symmetric::of_triangle(3, &[4.0, 2.0, 5.0, 0.0, 2.0, 5.0]);
        let inverse = matrix.inverse().expect("regular");
        let exact = [[21.0, -10.0, 4.0], [-10.0, 20.0, -8.0], [4.0, -8.0, 16.0]];
        for (row, line) in exact.iter().enumerate() {
            for (column, cell) in line.iter().enumerate() {
                assert!((inverse.at(row, column) - cell / 64.0).abs() < 1e-16, "absolute: {row} {column}");
            }
        }
        let (form, rank) = matrix.quadratic_form(&[1.0, 2.0, 3.0]);
        let direct: f64 = inverse.times(&[1.0, 2.0, 3.0]).iter().zip([1.0, 2.0, 3.0]).map(|(a, b)| a * b).sum();
        assert!((form - direct).abs() < 1e-14 && rank == 3, "absolute: {form} {direct}");
        let back = inverse.around(&matrix);
        assert!((back.at(1, 2) - inverse.at(1, 2)).abs() < 1e-16, "absolute");
    }

    #[test]
    fn a_row_made_up_of_others_is_named() {
        let matrix = Symmetric::of_triangle(3, &[1.0, 0.0, 1.0, 1.0, 1.0, 2.0]);
        assert_eq!(matrix.inverse().map(|_| ()), Err(2));
        assert_eq!(matrix.quadratic_form(&[1.0, 1.0, 2.0]).1, 2);
    }
}
