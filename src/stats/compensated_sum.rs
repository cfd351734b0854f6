//! A running sum that remembers what rounding took from it.
//!
//! Source.      Neumaier A. Z Angew Math Mech 1974;54:39–51 (from memory).

/// The sum so far, and what is missing to it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct CompensatedSum {
    sum: f64,
    lost: f64,
}

impl CompensatedSum {
    #[inline]
    pub(super) fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        self.lost += if self.sum.abs() >= term.abs() { (self.sum - sum) + term } else { (term - sum) + self.sum };
        self.sum = sum;
    }

    /// Takes one term out and puts another in.
    pub(super) fn replace(&mut self, old: f64, new: f64) {
        self.add(-old);
        self.add(new);
    }

    /// Adds another sum with what it is missing.
    pub(super) fn add_sum(&mut self, other: Self) {
        self.add(other.sum);
        self.lost += other.lost;
    }

    #[inline]
    pub(super) fn value(self) -> f64 {
        self.sum + self.lost
    }

    /// The difference of two sums.
    #[inline]
    pub(super) fn minus(self, other: Self) -> f64 {
        (self.sum - other.sum) + (self.lost - other.lost)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_large_term_hides_comes_back() {
        let mut sum = CompensatedSum::default();
        for term in [1.0, 1e100, 1.0, -1e100] {
            sum.add(term);
        }
        assert!((sum.value() - 2.0).abs() < 1e-15, "absolute");
    }
}
