//! Critical values of simultaneous bands: how far a Brownian bridge strays somewhere within a range.
//!
//! Definition.  B is the Brownian bridge on 0..1. Hall–Wellner: the h with P(|B(u)| ≤ h for all u in a..b) = level.
//!              Equal precision: the e with P(|B(u)| ≤ e·√(u(1 − u)) for all u in a..b) = level.
//! Formula.     Hall–Wellner: between a and b the bridge is Brownian motion killed at ±h, with the densities of its ends as
//!              weights. With T = b − a, c_m(v) = ∫ φ_v(x)·cos(mπx/(2h)) dx over −h..h (φ_v the normal density of variance v):
//!              P = √(2π)/h · Σ over odd m of exp(−m²π²T/(8h²))·c_m(a)·c_m(1 − b). For short ranges, where the series is
//!              slow, the double integral with the kernel by reflection at ±h instead.
//!              Equal precision: B(u)/√(u(1 − u)) is a stationary Ornstein–Uhlenbeck process X, dX = −X dτ + √2 dW, over a time
//!              T = ½·ln(b(1 − a)/(a(1 − b))). P = Σ_k exp(−λ_k·T)·(√φ, g_k)², with λ_k and g_k the eigenvalues and functions of
//!              −g'' + (x²/4 − ½)·g = λ·g, g(±e) = 0, found in the basis cos(mπx/(2e)), m odd, where the matrix is known in
//!              closed form. For short T, where too many k count, P is interpolated as a polynomial in √T, exact at T = 0.
//! Source.      Hall WJ, Wellner JA. Biometrika 1980;67:133–143; Nair VN. Technometrics 1984;26:265–275 (definitions; from
//!              memory). The solutions are worked out here.
//! Decided.     Printed equal-precision tables rest on an approximation of the tail and lie a little lower (2.8826 against 2.8873 on
//!              0.1..0.6 at 0.95); the exact value is taken.
//! Accuracy.    Within 1e-9 of values found by other means, for levels 0.9 to 0.99.
//! Cost.        Some ten evaluations of P; milliseconds.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

use super::distribution::{normal_quantile_upper, normal_upper_tail};
use crate::quantity::ConfidenceLevel;

use std::f64::consts::{FRAC_PI_2, PI};

/// Above this T/h² the series of the Hall–Wellner probability is short.
const SERIES_FROM: f64 = 0.02;

/// Below this √T the equal-precision probability is interpolated, from nodes between this and [`LAST_NODE`].
const FIRST_NODE: f64 = 0.15;
const LAST_NODE: f64 = 0.45;
const NODES: u32 = 11;

/// How many cosines the eigenfunctions are made of: errors of P below 1e-10 from √T = [`FIRST_NODE`] on.
const COSINES: u32 = 56;

/// The Hall–Wellner critical value for a range `from` ≤ `to` within 0..1; 0 for a range that is only an end.
pub fn hall_wellner_critical_value(from: f64, to: f64, level: ConfidenceLevel) -> f64 {
    let (a, b) = (from.clamp(0.0, 1.0), to.clamp(0.0, 1.0));
    let middle = 0.5_f64.clamp(a, b.max(a));
    let pointwise = libm::sqrt(middle * (1.0 - middle));
    if pointwise <= 0.0 {
        return 0.0;
    }
    if b - a < 1e-14 {
        return normal_quantile_upper(level.tail()) * pointwise;
    }
    pointwise * solve(level, |times| hall_wellner_probability(times * pointwise, a, b))
}

/// The equal-precision critical value for a range over which the variance of ln S grows `variance_ratio` times (1 or more);
/// for a range a..b within 0..1 that ratio is b(1 − a)/(a(1 − b)).
pub fn equal_precision_critical_value(variance_ratio: f64, level: ConfidenceLevel) -> f64 {
    let time = 0.5 * libm::log(variance_ratio.max(1.0));
    solve(level, |e| equal_precision_probability(e, time))
}

/// The x at which a probability that rises with x reaches the level; it is at most that of |Z| ≤ x.
///
/// Regula falsi (Illinois) on the normal scale, where the curve is nearly straight.
fn solve(level: ConfidenceLevel, probability: impl Fn(f64) -> f64) -> f64 {
    let z = normal_quantile_upper(level.tail());
    let excess = |x: f64| normal_quantile_upper(((1.0 - probability(x)) / 2.0).clamp(1e-300, 0.5)) - z;
    let (mut low, mut at_low) = (z, excess(z));
    if at_low >= 0.0 {
        return z;
    }
    let (mut high, mut at_high) = (low, at_low);
    while at_high < 0.0 {
        (low, at_low) = (high, at_high);
        high += 1.0;
        at_high = excess(high);
    }
    for _ in 0..60 {
        let x = (low * at_high - high * at_low) / (at_high - at_low);
        let at_x = excess(x);
        if at_x.abs() < 1e-11 || high - low < 1e-11 {
            return x;
        }
        if at_x < 0.0 {
            (low, at_low) = (x, at_x);
            at_high *= 0.5;
        } else {
            (high, at_high) = (x, at_x);
            at_low *= 0.5;
        }
    }
    0.5 * (low + high)
}

fn normal_density(x: f64, variance: f64) -> f64 {
    libm::exp(-0.5 * x * x / variance) / libm::sqrt(2.0 * PI * variance)
}

/// P(|B| ≤ h on a..b), a < b.
fn hall_wellner_probability(h: f64, a: f64, b: f64) -> f64 {
    if (b - a) / (h * h) >= SERIES_FROM { series_probability(h, a, b) } else { reflection_probability(h, a, b) }
}

fn series_probability(h: f64, a: f64, b: f64) -> f64 {
    let rule = Rule::of(20);
    let (from, to) = (CosineMoments::new(h, a, &rule), CosineMoments::new(h, 1.0 - b, &rule));
    let mut sum = 0.0;
    for k in 0..200_u32 {
        let m = f64::from(2 * k + 1);
        let decay = libm::exp(-m * m * PI * PI * (b - a) / (8.0 * h * h));
        sum += decay * from.moment(m) * to.moment(m);
        if decay < 1e-18 {
            break;
        }
    }
    libm::sqrt(2.0 * PI) / h * sum
}

/// The c_m of one end.
struct CosineMoments {
    /// π·x/(2h) at each node, and what it weighs.
    nodes: Vec<(f64, f64)>,
}

impl CosineMoments {
    fn new(h: f64, variance: f64, rule: &Rule) -> Self {
        let mut nodes = Vec::new();
        if variance <= 0.0 {
            nodes.push((0.0, 1.0));
        } else {
            rule.composite(0.0, h.min(9.0 * libm::sqrt(variance)), 8, |x, weight| {
                nodes.push((FRAC_PI_2 * x / h, 2.0 * weight * normal_density(x, variance)));
            });
        }
        Self { nodes }
    }

    fn moment(&self, m: f64) -> f64 {
        self.nodes.iter().map(|&(angle, weight)| weight * libm::cos(m * angle)).sum()
    }
}

/// The double integral over both ends; both variances at the ends are several times b − a here.
fn reflection_probability(h: f64, a: f64, b: f64) -> f64 {
    let (rule, scale) = (Rule::of(24), libm::sqrt(b - a));
    let reach = h.min(9.0 * libm::sqrt(a));
    let edge = (h - 10.0 * scale).clamp(0.0, reach);
    let mut sum = 0.0;
    let mut row = |x: f64, weight: f64| {
        let (low, high) = (((-h - x) / scale).max(-9.0), ((h - x) / scale).min(9.0));
        let mut inner = 0.0;
        rule.composite(low, high, 4, |u, weight| {
            let y = x + scale * u;
            let up = (2.0 * h - x - y) / scale;
            let down = (2.0 * h + x + y) / scale;
            let kernel = normal_density(u, 1.0) - normal_density(up, 1.0) - normal_density(down, 1.0);
            inner += weight * kernel * normal_density(y, 1.0 - b);
        });
        sum += weight * normal_density(x, a) * inner;
    };
    for (left, right, panels) in [(-reach, -edge, 3), (-edge, edge, 12), (edge, reach, 3)] {
        if right > left {
            rule.composite(left, right, panels, &mut row);
        }
    }
    libm::sqrt(2.0 * PI) * sum
}

/// P(|X| ≤ e for a time T).
fn equal_precision_probability(e: f64, time: f64) -> f64 {
    let root = libm::sqrt(time);
    if root >= FIRST_NODE {
        return eigen_probability(e, time);
    }
    // Newton's divided differences over √T, with the node 0 first.
    let mut nodes = vec![0.0];
    let mut differences = vec![1.0 - 2.0 * normal_upper_tail(e)];
    for k in 0..NODES {
        let place = 0.5 * (1.0 - libm::cos(PI * (f64::from(k) + 0.5) / f64::from(NODES)));
        let node = FIRST_NODE + (LAST_NODE - FIRST_NODE) * place;
        nodes.push(node);
        differences.push(eigen_probability(e, node * node));
    }
    for order in 1..nodes.len() {
        for i in (order..nodes.len()).rev() {
            differences[i] = (differences[i] - differences[i - 1]) / (nodes[i] - nodes[i - order]);
        }
    }
    nodes.iter().zip(&differences).rev().fold(0.0, |value, (node, difference)| value * (root - node) + difference)
}

fn eigen_probability(e: f64, time: f64) -> f64 {
    let size = COSINES as usize;
    let odd = |k: usize| 2.0 * k as f64 + 1.0;
    // ∫ x²·cos(jπx/e) dx over 0..e, times 2/e.
    let moment = |j: f64| {
        let sign = if libm::fmod(j.abs(), 2.0) < 0.5 { 1.0 } else { -1.0 };
        2.0 * e * e * sign / (j * j * PI * PI)
    };
    let operator = DMatrix::from_fn(size, size, |row, column| {
        let (m, n) = (odd(row), odd(column));
        let sum = moment(0.5 * (m + n));
        if row == column {
            let wave = m * PI / (2.0 * e);
            wave * wave - 0.5 + 0.25 * (e * e / 3.0 + sum)
        } else {
            0.25 * (moment(0.5 * (m - n)) + sum)
        }
    });
    let rule = Rule::of(20);
    let mut start = DVector::zeros(size);
    rule.composite(0.0, e, 8, |x, weight| {
        let root_density = libm::exp(-0.25 * x * x) / libm::sqrt(libm::sqrt(2.0 * PI));
        for (k, place) in start.iter_mut().enumerate() {
            *place += 2.0 * weight * root_density * libm::cos(odd(k) * FRAC_PI_2 * x / e) / libm::sqrt(e);
        }
    });
    let eigen = SymmetricEigen::new(operator);
    let mut terms: Vec<(f64, f64)> = Vec::with_capacity(size);
    for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
        let share = vector.dot(&start);
        terms.push((*value, share * share));
    }
    terms.sort_by(|a, b| b.0.total_cmp(&a.0));
    terms.iter().map(|(value, share)| share * libm::exp(-value * time)).sum()
}

/// A Gauss–Legendre rule on −1..1.
struct Rule {
    nodes: Vec<(f64, f64)>,
}

impl Rule {
    /// With so many nodes: the roots of the Legendre polynomial, by Newton's steps.
    fn of(count: u32) -> Self {
        let n = f64::from(count);
        let node = |i: u32| {
            let mut x = libm::cos(PI * (f64::from(i) + 0.75) / (n + 0.5));
            let mut slope = 1.0;
            for _ in 0..8 {
                let (mut before, mut value) = (1.0, x);
                for k in 2..=count {
                    let k = f64::from(k);
                    (before, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * before) / k);
                }
                slope = n * (x * value - before) / (x * x - 1.0);
                x -= value / slope;
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        };
        Self { nodes: (0..count).map(node).collect() }
    }

    /// Visits nodes and weights of the rule on each of `panels` equal parts of a range.
    fn composite(&self, from: f64, to: f64, panels: u32, mut visit: impl FnMut(f64, f64)) {
        let half = 0.5 * (to - from) / f64::from(panels);
        for panel in 0..panels {
            let centre = from + half * f64::from(2 * panel + 1);
            for &(x, weight) in &self.nodes {
                visit(centre + half * x, weight * half);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(value: f64) -> ConfidenceLevel {
        ConfidenceLevel::new(value).expect("between 0 and 1")
    }

    #[test]
    fn over_the_whole_range_the_hall_wellner_value_is_kolmogorovs() {
        // Kolmogorov: P = 1 − 2·Σ (−1)^(k−1)·exp(−2k²h²), summed here. In tables 1.224 at 0.90, 1.358 at 0.95, 1.628 at 0.99
        // (from memory).
        for (probability, printed) in [(0.9, 1.224), (0.95, 1.358), (0.99, 1.628)] {
            let h = hall_wellner_critical_value(0.0, 1.0, level(probability));
            assert!((h - printed).abs() < 0.5e-3, "absolute: {h}");
            let sum: f64 = (1..20)
                .map(|k| {
                    let k = f64::from(k);
                    let sign = if libm::fmod(k, 2.0) > 0.5 { 1.0 } else { -1.0 };
                    sign * libm::exp(-2.0 * k * k * h * h)
                })
                .sum();
            assert!((1.0 - 2.0 * sum - probability).abs() < 1e-11, "absolute");
        }
    }

    #[test]
    fn both_ways_to_the_hall_wellner_probability_agree() {
        for (h, a, b) in [(1.3, 0.48, 0.52), (0.8, 0.3, 0.31), (0.9, 0.7, 0.7162)] {
            let (series, reflection) = (series_probability(h, a, b), reflection_probability(h, a, b));
            assert!((series - reflection).abs() < 1e-11, "absolute: {series} against {reflection}");
        }
    }

    #[test]
    fn interpolated_and_summed_equal_precision_probabilities_agree() {
        for e in [2.0, 3.0, 4.5] {
            let (below, above) = (equal_precision_probability(e, 0.0224), eigen_probability(e, 0.0224));
            assert!((below - above).abs() < 2e-10, "absolute: {below} against {above}");
        }
    }

    #[test]
    fn a_range_of_one_point_gives_the_pointwise_quantile() {
        let z = 1.959_963_984_540_054;
        assert!((equal_precision_critical_value(1.0, level(0.95)) - z).abs() < 1e-10, "absolute");
        assert!((hall_wellner_critical_value(0.3, 0.3, level(0.95)) - z * libm::sqrt(0.21)).abs() < 1e-12, "absolute");
        let nearly = hall_wellner_critical_value(0.3, 0.3 + 1e-9, level(0.95));
        assert!((nearly - z * libm::sqrt(0.21)).abs() < 1e-4, "absolute: {nearly}");
    }
}
