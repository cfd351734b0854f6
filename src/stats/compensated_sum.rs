//! A sum that remembers what rounding took from it.
//!
//! Source.      Neumaier A. ZAMM 1974;54:39–51 (from memory).

/// The sum so far, and what rounding has taken from it.
#[derive(Clone, Copy, Default)]
pub struct CompensatedSum {
    sum: f64,
    lost: f64,
}

impl CompensatedSum {
    /// Adds a term.
    pub fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        self.lost += if self.sum.abs() >= term.abs() { (self.sum - sum) + term } else { (term - sum) + self.sum };
        self.sum = sum;
    }

    /// The sum.
    pub fn value(self) -> f64 {
        self.sum + self.lost
    }
}
