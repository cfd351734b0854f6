//! Random numbers drawn by (seed, purpose, place): the same whatever the size of the practice and the number of threads.
//!
//! Source. ChaCha with twelve rounds (Bernstein 2008, from memory); one stream for each purpose and place. Everything built on
//! it uses `libm`, so the bytes are the same on every platform.

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers.
pub struct Stream(ChaCha12Rng);

impl Stream {
    /// The stream of a seed for one purpose and place.
    pub fn new(seed: u64, purpose: u8, place: u64) -> Self {
        let mut generator = ChaCha12Rng::seed_from_u64(seed);
        generator.set_stream((place << 8) | u64::from(purpose));
        Self(generator)
    }

    /// Uniform over 0 (excluded) to 1 (excluded): 53 random bits in the middle of their step.
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// A whole number from 0 to `below` − 1, each equally often up to 2⁻⁶⁴ (multiply and shift; Lemire 2019, from memory).
    #[expect(clippy::cast_possible_truncation, reason = "the shifted product is below `below`")]
    pub fn index(&mut self, below: usize) -> usize {
        ((u128::from(self.0.next_u64()) * below as u128) >> 64) as usize
    }

    /// A whole number from `least` to `most`, both included.
    pub fn between(&mut self, least: i32, most: i32) -> i32 {
        least + i32::try_from(self.index(usize::try_from(most - least + 1).unwrap_or(1))).unwrap_or(0)
    }

    /// One of several choices with weights; the last where rounding leaves a gap.
    pub fn choose<T: Copy>(&mut self, choices: &[(T, f64)]) -> Option<T> {
        let total: f64 = choices.iter().map(|choice| choice.1).sum();
        let mut left = self.uniform() * total;
        for &(value, weight) in choices {
            left -= weight;
            if left < 0.0 {
                return Some(value);
            }
        }
        choices.last().map(|choice| choice.0)
    }

    /// Exponential with mean 1: −ln U.
    pub fn exponential(&mut self) -> f64 {
        -libm::log(self.uniform())
    }

    /// Standard normal (Box & Muller 1958; one of the pair).
    pub fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(2.0 * self.exponential());
        radius * libm::cos(2.0 * std::f64::consts::PI * self.uniform())
    }

    /// Gamma with mean 1 and this variance; 1 if the variance is 0. Marsaglia & Tsang 2000 for shape ≥ 1; below that, by the
    /// power of a uniform (from memory).
    pub fn gamma_with_mean_one(&mut self, variance: f64) -> f64 {
        if variance <= 0.0 {
            return 1.0;
        }
        let shape = 1.0 / variance;
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
        let drawn = if shape < 1.0 { drawn * libm::pow(self.uniform(), 1.0 / shape) } else { drawn };
        drawn / shape
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moments of 40 000 draws; tolerance four standard errors.
    #[test]
    fn drawn_numbers_have_their_moments() {
        let draws = 40_000;
        for variance in [0.25, 0.5, 2.0] {
            let mut stream = Stream::new(7, 1, 3);
            let values: Vec<f64> = (0..draws).map(|_| stream.gamma_with_mean_one(variance)).collect();
            let mean = values.iter().sum::<f64>() / f64::from(draws);
            assert!((mean - 1.0).abs() < 4.0 * (variance / f64::from(draws)).sqrt(), "{mean}");
            let spread = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / f64::from(draws);
            // Variance of the sample variance of a gamma: (kurtosis − 1)σ⁴/n with kurtosis 3 + 6·variance.
            let error = variance * ((2.0 + 6.0 * variance) / f64::from(draws)).sqrt();
            assert!((spread - variance).abs() < 4.0 * error, "{spread} against {variance}");
        }
    }

    /// First words of three streams, by an independent implementation of ChaCha with twelve rounds (D. J. Bernstein, "ChaCha, a
    /// variant of Salsa20", 2008) with a 64-bit block counter and the stream as 64-bit nonce, whose key is spread out from the
    /// seed by PCG32 as the trait of the generator documents (O'Neill 2014; both written out anew from memory).
    #[test]
    fn streams_are_those_of_the_published_generator() {
        assert_eq!(Stream::new(0, 1, 0).0.next_u64(), 0xa8b12566460960db);
        assert_eq!(Stream::new(20140106, 1, 17).0.next_u64(), 0x3a3dfd90a308c23f);
        assert_eq!(Stream::new(u64::MAX, 255, 1 << 40).0.next_u64(), 0x438e3d82bad0b3bc);
    }

    #[test]
    fn a_place_draws_the_same_whatever_came_before() {
        let first: Vec<usize> =
            (0..5).map(|_| 0).scan(Stream::new(1, 2, 9), |stream, _: i32| Some(stream.index(1000))).collect();
        let mut other = Stream::new(1, 2, 9);
        assert_eq!(first, (0..5).map(|_| other.index(1000)).collect::<Vec<_>>());
        assert_ne!(Stream::new(1, 2, 9).index(1 << 40), Stream::new(1, 3, 9).index(1 << 40));
    }
}
