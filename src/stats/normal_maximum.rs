//! How large the largest of a few correlated standard normal numbers may be: P(max |Z_m| > c).
//!
//! Definition.  Z_m = a_m·Y with unit vectors a_m and independent standard normal Y of as many dimensions as the correlation matrix
//!              has rank. The event falls into parts, one for each m and sign, in which ±Z_m > c is the largest; by symmetry
//!              p = 2·Σ over m of P(X > c, T ∈ X·K_m), X = Z_m, T the part of Y across a_m, and K_m the cell of those t with
//!              |ρ_ml + b_l·t| ≤ 1 for all l: it has the origin inside, and edges at distances √((1 ∓ ρ)/(1 ± ρ)) from it.
//! Formula.     One dimension: 2Φ̄(c). Two: Owen's T(c, R) for either end R of the cell. Three: the cell is a polygon, and the part
//!              in a direction that leaves it at R is Φ̄(c) − Φ̄(c·q)/q, q = √(1 + R²). Four: the cell is a polyhedron; the part of a
//!              face at distance h, in a direction within the face that leaves it at R from the origin, is
//!              2·(T(c, h) − h/R·T(c, R)). What is left is one integral along each edge, over the hyperbolic angle
//!              v = arsinh(along/away), in which it changes smoothly however near to singular the correlations are.
//! Source.      Owen DB. Ann Math Stat 1956;27:1075–1090 for T (from memory). The reduction is worked out here: each step is an
//!              integral over the length of T, which has a closed form.
//! Decided.     All parts are above 0 and carry the factor φ(c) aside, so ln p keeps its digits in the far tail. Two numbers whose
//!              correlation is ±1 to within 1e-14 are one; directions with an eigenvalue below 1e-14 don't count, which moves p by at
//!              most some 1e-7 of itself and is what rounding of the correlations does too.
//! Accuracy.    1e-12 of p, and so of ln p absolutely, for c up to 30 against integrals of the density in one to four dimensions;
//!              the far tail has no limit of its own, as the factor e^(−c²/2) never becomes a number.
//! Cost.        Four numbers have up to 96 edges, of 16 points for each unit of v, with 32 exponentials a point: some milliseconds.
//! Not for.     More than four numbers; one-sided maxima.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

use super::distribution::{LN_SQRT_TWO_PI, TailProbability, normal_upper_tail};

/// The most numbers taken.
pub const MOST_STATISTICS: usize = 4;

/// An eigenvalue or a distance of a correlation from ±1 below this is rounding.
const SINGULAR: f64 = 1e-14;
const SQRT_TWO_PI: f64 = 2.506_628_274_631_000_7;

/// P(max |Z_m| > c) for standard normal Z with these correlations, row by row.
///
/// None unless there are one to four rows, square and symmetric with ones on the diagonal, without eigenvalues below 0, and c is
/// a number.
pub fn largest_absolute_normal_tail(correlation: &[Vec<f64>], c: f64) -> Option<TailProbability> {
    let unit_vectors = unit_vectors(correlation)?;
    if c.is_nan() {
        return None;
    }
    if c <= 0.0 {
        return Some(TailProbability { p_value: 1.0, ln_p_value: 0.0 });
    }
    if c.is_infinite() {
        return Some(TailProbability { p_value: 0.0, ln_p_value: f64::NEG_INFINITY });
    }
    let dimensions = unit_vectors.first()?.len();
    let integral = Integral { c, rule: gauss_legendre() };
    let parts: f64 = (0..unit_vectors.len())
        .map(|m| match dimensions {
            1 => mills_ratio(c),
            2 => integral.interval(&cell(&unit_vectors, m)),
            3 => integral.polygon(&cell(&unit_vectors, m)),
            _ => integral.polyhedron(&cell(&unit_vectors, m)),
        })
        .sum();
    let ln_p_value = (libm::log(2.0 * parts) - 0.5 * c * c - LN_SQRT_TWO_PI).min(0.0);
    Some(TailProbability { p_value: libm::exp(ln_p_value), ln_p_value })
}

/// A unit vector for each number that is not another one, plus or minus, with their correlations as products.
fn unit_vectors(correlation: &[Vec<f64>]) -> Option<Vec<DVector<f64>>> {
    let count = correlation.len();
    let in_order = |(r, row): (usize, &Vec<f64>)| {
        let symmetric = |(s, &rho): (usize, &f64)| {
            correlation[s].get(r).is_some_and(|&other| (rho - other).abs() <= 1e-12) && rho.abs() <= 1.0 + 1e-12
        };
        row.len() == count && (row[r] - 1.0).abs() <= 1e-12 && row.iter().enumerate().all(symmetric)
    };
    if count == 0 || count > MOST_STATISTICS || !correlation.iter().enumerate().all(in_order) {
        return None;
    }
    let mut kept: Vec<usize> = Vec::with_capacity(count);
    for (m, row) in correlation.iter().enumerate() {
        if kept.iter().all(|&l| 1.0 - row[l].abs() > SINGULAR) {
            kept.push(m);
        }
    }
    let matrix = DMatrix::from_fn(kept.len(), kept.len(), |r, s| correlation[kept[r]][kept[s]]);
    let eigen = SymmetricEigen::new(matrix);
    if eigen.eigenvalues.iter().any(|&value| value < -1e-12) {
        return None;
    }
    let axes: Vec<usize> = (0..kept.len()).filter(|&j| eigen.eigenvalues[j] > SINGULAR).collect();
    let vector = |m: usize| {
        let coordinate = |&j: &usize| eigen.eigenvectors[(m, j)] * eigen.eigenvalues[j].sqrt();
        DVector::from_iterator(axes.len(), axes.iter().map(coordinate)).normalize()
    };
    Some((0..kept.len()).map(vector).collect())
}

/// A half-space of points t with normal·t ≤ distance.
#[derive(Clone, Debug)]
struct HalfSpace {
    normal: DVector<f64>,
    distance: f64,
}

/// The half-spaces of the cell in which number `m` is the largest, one dimension down.
fn cell(unit_vectors: &[DVector<f64>], m: usize) -> Vec<HalfSpace> {
    let own = &unit_vectors[m];
    let across = basis_across(own);
    let mut sides = Vec::new();
    for (l, other) in unit_vectors.iter().enumerate() {
        if l == m {
            continue;
        }
        // 1 ∓ ρ from the difference and the sum of the vectors, so that neither loses digits.
        let (less, more) = (0.5 * (own - other).norm_squared(), 0.5 * (own + other).norm_squared());
        let normal = DVector::from_iterator(across.len(), across.iter().map(|axis| axis.dot(other))).normalize();
        sides.push(HalfSpace { normal: normal.clone(), distance: (less / more).sqrt() });
        sides.push(HalfSpace { normal: -normal, distance: (more / less).sqrt() });
    }
    sides
}

/// Unit vectors at right angles to this one and to each other.
fn basis_across(own: &DVector<f64>) -> Vec<DVector<f64>> {
    let size = own.len();
    let mut basis = vec![own.clone()];
    while basis.len() < size {
        let leftovers = (0..size).map(|j| {
            let mut axis = DVector::zeros(size);
            axis[j] = 1.0;
            // Twice, so that rounding leaves nothing of the others.
            for _ in 0..2 {
                for earlier in &basis {
                    axis -= earlier * earlier.dot(&axis);
                }
            }
            axis
        });
        let Some(longest) = leftovers.reduce(|a, b| if b.norm_squared() > a.norm_squared() { b } else { a }) else { break };
        basis.push(longest.normalize());
    }
    basis.split_off(1)
}

/// What part of a line, foot + u·direction, lies within all the half-spaces but those left out.
fn clipped(foot: &DVector<f64>, direction: &DVector<f64>, sides: &[HalfSpace], but: usize) -> Option<(f64, f64)> {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    for (_, side) in sides.iter().enumerate().filter(|&(k, _)| k != but) {
        let (slope, room) = (side.normal.dot(direction), side.distance - side.normal.dot(foot));
        if slope.abs() < 1e-15 {
            if room < 0.0 {
                return None;
            }
        } else if slope > 0.0 {
            high = high.min(room / slope);
        } else {
            low = low.max(room / slope);
        }
    }
    (low < high).then_some((low, high))
}

/// Parts of the probability, each divided by φ(c).
struct Integral {
    c: f64,
    rule: [(f64, f64); 16],
}

impl Integral {
    fn interval(&self, sides: &[HalfSpace]) -> f64 {
        let end = |sign: f64| {
            let outward = sides.iter().filter(|side| side.normal[0] * sign > 0.0);
            outward.map(|side| side.distance).fold(f64::INFINITY, f64::min)
        };
        self.owens_t(end(1.0)) + self.owens_t(end(-1.0))
    }

    fn polygon(&self, sides: &[HalfSpace]) -> f64 {
        let mut sum = 0.0;
        for (i, side) in sides.iter().enumerate() {
            let h = side.distance;
            let along = DVector::from_vec(vec![-side.normal[1], side.normal[0]]);
            if let Some((low, high)) = clipped(&(&side.normal * h), &along, sides, i) {
                sum += self.over_angles(low / h, high / h, |v| self.direction_of_three(h * libm::cosh(v)));
            }
        }
        sum / (2.0 * std::f64::consts::PI)
    }

    fn polyhedron(&self, sides: &[HalfSpace]) -> f64 {
        let mut sum = 0.0;
        for (i, side) in sides.iter().enumerate() {
            let h = side.distance;
            let within = basis_across(&side.normal);
            // The other half-spaces, as seen in the plane of this face from its point nearest to the origin.
            let mut edges = Vec::new();
            let mut empty = false;
            for (_, other) in sides.iter().enumerate().filter(|&(k, _)| k != i) {
                let normal = DVector::from_iterator(2, within.iter().map(|axis| axis.dot(&other.normal)));
                let (length, room) = (normal.norm(), other.distance - h * side.normal.dot(&other.normal));
                if length > 1e-15 {
                    edges.push(HalfSpace { normal: normal / length, distance: room / length });
                } else {
                    empty |= room < 0.0;
                }
            }
            if empty {
                continue;
            }
            let nearest = 2.0 * self.owens_t(h);
            for (j, edge) in edges.iter().enumerate() {
                let away = edge.distance.abs();
                let along = DVector::from_vec(vec![-edge.normal[1], edge.normal[0]]);
                let Some((low, high)) = clipped(&(&edge.normal * edge.distance), &along, &edges, j) else { continue };
                if away > 0.0 {
                    let part = self.over_angles(low / away, high / away, |v| {
                        let leaves = libm::hypot(h, away * libm::cosh(v));
                        nearest - 2.0 * h / leaves * self.owens_t(leaves)
                    });
                    sum += part.copysign(part * edge.distance);
                }
            }
        }
        sum / (4.0 * std::f64::consts::PI)
    }

    /// The integral of f over the angles whose tangents lie between these; f is given the hyperbolic angle.
    fn over_angles(&self, low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
        self.integrate(libm::asinh(low), libm::asinh(high), 1.0, |v| f(v) / libm::cosh(v))
    }

    /// (Φ̄(c) − Φ̄(c·q)/q)/φ(c), q = √(1 + R²).
    fn direction_of_three(&self, leaves: f64) -> f64 {
        let q = libm::hypot(1.0, leaves);
        mills_ratio(self.c) - libm::exp(-0.5 * (self.c * leaves) * (self.c * leaves)) * mills_ratio(self.c * q) / q
    }

    /// Owen's T(c, R)/φ(c): the integral of e^(−c²x²/2)/(1 + x²) from 0 to R, over √(2π).
    fn owens_t(&self, end: f64) -> f64 {
        let far = libm::asinh(end.min(9.5 / self.c)).min(45.0);
        let f = |s: f64| {
            let (rises, falls) = (libm::exp(s), libm::exp(-s));
            let x = 0.5 * self.c * (rises - falls);
            libm::exp(-0.5 * x * x) * 2.0 / (rises + falls)
        };
        self.integrate(0.0, far, (far / 2.0).min(1.0), f) / SQRT_TWO_PI
    }

    /// By panels no wider than `width`.
    fn integrate(&self, low: f64, high: f64, width: f64, f: impl Fn(f64) -> f64) -> f64 {
        let panels = ((high - low) / width).ceil().max(1.0);
        let half = 0.5 * (high - low) / panels;
        let (mut sum, mut panel) = (0.0, 0.0);
        while panel < panels {
            let middle = low + (2.0 * panel + 1.0) * half;
            sum += self.rule.iter().map(|(node, weight)| weight * f(middle + half * node)).sum::<f64>();
            panel += 1.0;
        }
        sum * half
    }
}

/// Φ̄(z)/φ(z), for z of 0 or above.
fn mills_ratio(z: f64) -> f64 {
    if z < 10.0 {
        return normal_upper_tail(z) * SQRT_TWO_PI * libm::exp(0.5 * z * z);
    }
    // 1/z·(1 − 1/z² + 1·3/z⁴ − …), which falls below 1e-17 before it turns.
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while f64::abs(term) > 1e-17 && k < 60.0 {
        term *= -k / (z * z);
        sum += term;
        k += 2.0;
    }
    sum / z
}

/// Nodes and weights of Gauss and Legendre's rule with 16 points on −1 to 1.
fn gauss_legendre() -> [(f64, f64); 16] {
    let mut rule = [(0.0, 0.0); 16];
    for (i, place) in (0_u8..).zip(&mut rule) {
        let mut x = libm::cos(std::f64::consts::PI * (f64::from(i) + 0.75) / 16.5);
        let mut slope = 1.0;
        for _ in 0..6 {
            let (mut before, mut now) = (1.0, x);
            for n in 2..=16_u8 {
                let n = f64::from(n);
                (before, now) = (now, ((2.0 * n - 1.0) * x * now - (n - 1.0) * before) / n);
            }
            slope = 16.0 * (x * now - before) / (x * x - 1.0);
            x -= now / slope;
        }
        *place = (x, 2.0 / ((1.0 - x * x) * slope * slope));
    }
    rule
}
