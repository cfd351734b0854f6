//! e^(−r·Λ) for many relative risks r and many cumulative hazards Λ, by way of a few nodes between the least and the greatest risk.
//!
//! Formula.     e^(−r·Λ) = Σ_k ℓ_k(r)·e^(−ρ_k·Λ), but for the error below: ρ_k are the n Chebyshev points between the least risk a and the
//!              greatest b, ℓ_k Lagrange's polynomials on them, ℓ_k(r) = (λ_k/(r − ρ_k))/Σ_j (λ_j/(r − ρ_j)) with
//!              λ_k = (−1)^k·sin((2k + 1)·π/2n). So what sums over all pairs of a risk and a hazard sums over nodes first.
//! Error.       With z = Λ·(b − a)/2, e^(−r·Λ) has the Chebyshev coefficients 2·I_k(z)·e^(−Λ·(a + b)/2), signs apart, and the polynomial
//!              through n points differs from it by no more than twice the sum of those from n on. As I_k(z) ≤ e^z·(z/2)^k/k!, term by
//!              term of its series, that is e^(−a·Λ)·4·Σ (z/2)^k/k!; n is the least that keeps this below 1e-17·e^(−a·Λ).
//! Source.      Coefficients: Abramowitz & Stegun 1964, 9.6.34; series of I_k: 9.6.10; the polynomial through points: Berrut JP, Trefethen
//!              LN. SIAM Review 2004;46:501–517; its error by the coefficients: Trefethen LN. Approximation Theory and Approximation
//!              Practice, 2013, ch. 4 and 7 (all from memory).
//! Cost.        Nodes·(risks + hazards) rather than risks·hazards.
//! Not for.     Fewer hazards than nodes.

use std::f64::consts::PI;

/// The nodes.
pub(super) struct RiskNodes {
    /// ρ_k.
    points: Vec<f64>,
    /// λ_k.
    factors: Vec<f64>,
}

/// The error that is allowed, by e^(−a·Λ).
const ERROR: f64 = 1e-17;

impl RiskNodes {
    /// Nodes for risks from one to another, and hazards up to one; none where as many as `most` would be needed, or more.
    pub(super) fn fewer_than(most: usize, least: f64, greatest: f64, hazard: f64) -> Option<Self> {
        let count = nodes_needed(most, hazard * (greatest - least) / 2.0)?;
        let (middle, half) = (f64::midpoint(least, greatest), (greatest - least) / 2.0);
        let angle = |k: usize| (2 * k + 1) as f64 * PI / (2 * count) as f64;
        let sign = |k: usize| if k.is_multiple_of(2) { 1.0 } else { -1.0 };
        let points: Vec<f64> = (0..count).map(|k| middle + half * libm::cos(angle(k))).collect();
        if !points.is_sorted_by(|one, next| one > next) {
            // Risks a few roundings apart, which leave no room for points between them, are the same.
            return Some(Self { points: vec![least], factors: vec![1.0] });
        }
        Some(Self { points, factors: (0..count).map(|k| sign(k) * libm::sin(angle(k))).collect() })
    }

    /// ρ_k, in their order.
    pub(super) fn points(&self) -> &[f64] {
        &self.points
    }

    /// Puts ℓ_k(r) down for each node, in their order.
    pub(super) fn shares(&self, risk: f64, shares: &mut [f64]) {
        for ((share, point), factor) in shares.iter_mut().zip(&self.points).zip(&self.factors) {
            *share = factor / (risk - point);
        }
        let sum: f64 = shares.iter().sum();
        if sum.is_finite() {
            let scale = 1.0 / sum;
            shares.iter_mut().for_each(|share| *share *= scale);
        } else {
            // The risk is a node.
            shares
                .iter_mut()
                .zip(&self.points)
                .for_each(|(share, point)| *share = f64::from(u8::from(risk.total_cmp(point).is_eq())));
        }
    }
}

/// The least n for which 4·Σ_{k≥n} (z/2)^k/k! is small enough, if it is less than so many. From n + 1 > z/2 on, the sum is below its first
/// term by 1 − (z/2)/(n + 1).
fn nodes_needed(most: usize, z: f64) -> Option<usize> {
    let half = z / 2.0;
    let mut term = 1.0;
    for n in 1..most {
        term *= half / n as f64;
        let falls_by = half / (n + 1) as f64;
        if falls_by < 1.0 && 4.0 * term / (1.0 - falls_by) < ERROR {
            return Some(n);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_number_of_nodes_is_that_of_the_bound() {
        // By hand: z = 2, so Σ_{k≥n} 1/k!; 1/18! = 1.56e-16, 1/19! = 8.22e-18, 1/20! = 4.11e-19: four times that, and a little, is 1.7e-18.
        assert_eq!(nodes_needed(100, 2.0), Some(20));
        assert_eq!(nodes_needed(20, 2.0), None);
        assert_eq!(nodes_needed(100, 0.0), Some(1));
        assert_eq!(nodes_needed(100, f64::NAN), None);
        assert_eq!(nodes_needed(100, f64::INFINITY), None);
    }

    #[test]
    fn a_risk_that_is_a_node_is_that_node_alone() {
        let nodes = RiskNodes::fewer_than(50, 0.5, 3.0, 1.0).expect("nodes");
        let mut shares = vec![0.0; nodes.points().len()];
        nodes.shares(nodes.points()[3], &mut shares);
        assert_eq!((shares[3].to_bits(), shares.iter().filter(|share| **share != 0.0).count()), (1.0_f64.to_bits(), 1));
        // Everybody at the same risk.
        let nodes = RiskNodes::fewer_than(50, 2.0, 2.0, 5.0).expect("a node");
        let mut shares = [0.0];
        nodes.shares(2.0, &mut shares);
        assert_eq!((nodes.points(), shares), (&[2.0][..], [1.0]));
    }

    #[test]
    fn risks_a_few_roundings_apart_are_the_same() {
        for steps in 1..30 {
            let (least, greatest) = (0.7, (0..steps).fold(0.7_f64, |risk, _| risk.next_up()));
            let nodes = RiskNodes::fewer_than(50, least, greatest, 1.0).expect("nodes");
            let mut shares = vec![0.0; nodes.points().len()];
            for risk in [least, f64::midpoint(least, greatest), greatest] {
                nodes.shares(risk, &mut shares);
                let given: f64 = shares.iter().zip(nodes.points()).map(|(share, point)| share * (-point).exp()).sum();
                assert!((given - (-0.7_f64).exp()).abs() < 1e-14, "{steps} steps: {given}");
            }
        }
    }

    proptest! {
        /// Whatever the risks and hazards, what nodes give is e^(−r·Λ), within the rounding of some dozen numbers.
        #[test]
        fn nodes_give_the_exponential(least in 0.0..5.0_f64, width in 0.0..30.0_f64, most in 0.0..4.0_f64, at in 0.0..=1.0_f64, to in 0.0..=1.0_f64) {
            let nodes = RiskNodes::fewer_than(400, least, least + width, most).expect("nodes");
            let mut shares = vec![0.0; nodes.points().len()];
            let (risk, hazard) = (least + at * width, to * most);
            nodes.shares(risk, &mut shares);
            let given: f64 = shares.iter().zip(nodes.points()).map(|(share, point)| share * (-point * hazard).exp()).sum();
            let scale = (-least * hazard).exp();
            prop_assert!((given - (-risk * hazard).exp()).abs() < 2e-14 * scale, "{given}, {} nodes", nodes.points().len());
        }
    }
}
