//! Random numbers for simulated limits: one stream for each replicate, the same whatever the number of threads.
//!
//! Formula.     Uniform: 53 bits in the middle of their step. Exponential: −ln U. Normal: Box–Muller, one of the pair. Gamma of shape
//!              a ≥ 1 by squeezing d·(1 + c·Z)³, d = a − 1/3, c = 1/√(9d); below 1, that of a + 1 times U^(1/a).
//! Source.      ChaCha with twelve rounds: Bernstein 2008; Box GEP, Muller ME. Ann Math Stat 1958;29:610–611; Marsaglia G, Tsang WW.
//!              ACM Trans Math Softw 2000;26:363–372 (all from memory).

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers.
pub(super) struct Draws(ChaCha12Rng);

impl Draws {
    /// The stream of one replicate.
    pub(super) fn new(seed: u64, replicate: u64) -> Self {
        let mut generator = ChaCha12Rng::seed_from_u64(seed);
        generator.set_stream(replicate);
        Self(generator)
    }

    /// Uniform over 0 to 1, both excluded.
    pub(super) fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// A place among so many, at least one.
    #[expect(clippy::cast_possible_truncation, reason = "the shifted product is below `among`")]
    pub(super) fn place(&mut self, among: usize) -> usize {
        ((u128::from(self.0.next_u64()) * among as u128) >> 64) as usize
    }

    /// Exponential with mean 1.
    pub(super) fn exponential(&mut self) -> f64 {
        -libm::log(self.uniform())
    }

    fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(2.0 * self.exponential());
        radius * libm::cos(2.0 * std::f64::consts::PI * self.uniform())
    }

    /// Gamma of this shape, above 0, and scale 1.
    pub(super) fn gamma(&mut self, shape: f64) -> f64 {
        let boosted = if shape < 1.0 { shape + 1.0 } else { shape };
        let d = boosted - 1.0 / 3.0;
        let c = 1.0 / libm::sqrt(9.0 * d);
        let drawn = loop {
            let x = self.normal();
            let v = 1.0 + c * x;
            if v > 0.0 {
                let v = v * v * v;
                if libm::log(self.uniform()) < 0.5 * x * x + d - d * v + d * libm::log(v) {
                    break d * v;
                }
            }
        };
        if shape < 1.0 { drawn * libm::pow(self.uniform(), 1.0 / shape) } else { drawn }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moments of 40 000 draws; tolerance four standard errors.
    #[test]
    fn gamma_numbers_have_their_moments() {
        for shape in [0.5, 1.0, 4.0] {
            let mut draws = Draws::new(3, 1);
            let values: Vec<f64> = (0..40_000).map(|_| draws.gamma(shape)).collect();
            let mean = values.iter().sum::<f64>() / 40_000.0;
            assert!((mean - shape).abs() < 4.0 * (shape / 40_000.0_f64).sqrt(), "{mean}");
            let spread = values.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>() / 40_000.0;
            let error = shape * ((2.0 + 6.0 / shape) / 40_000.0).sqrt();
            assert!((spread - shape).abs() < 4.0 * error, "{spread}");
        }
    }
}
