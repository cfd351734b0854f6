//! The mean of what is read from the survival of everybody in a stratum: one place, or an area over many.
//!
//! Definition.  Of an observation with the relative risk r, V = k + Σ_m c_m·exp(−r·Λ0(m)) over places m, and −dV/dr = Σ_m c_m·Λ0(m)·exp(−r·Λ0(m)).
//!              Of a place, G(m) = Σ_i w_i·r_i·exp(−r_i·Λ0(m)).
//! Formula.     Where there are many places and observations, all three by way of `risk_nodes`: V and its slope are read at the nodes, then at
//!              each r; of G, Σ_i w_i·r_i·ℓ_k(r_i) is summed first, then read at each place.
//! Source.      As in `cox_adjusted_contrast`.
//! Cost.        Observations·places, or by nodes nodes·(observations + places).

use super::risk_nodes::RiskNodes;

/// How V is read in one stratum.
pub(super) struct Reading {
    /// The first place of the stratum.
    pub(super) first: usize,
    /// k.
    pub(super) constant: f64,
    /// The places whose c is not 0, counted from the first on, with c.
    pub(super) places: Vec<(usize, f64)>,
}

/// Λ0 and A after each place of a reading.
pub(super) struct Sums {
    pub(super) hazard: Vec<f64>,
    pub(super) means: Vec<f64>,
}

impl Reading {
    /// Of each place from the first to the last one read, c·G of it and of those that come after, from G of the places read.
    pub(super) fn summed_from_each_place(&self, g: &[f64]) -> Vec<f64> {
        let mut from_here = vec![0.0; self.places.last().map_or(0, |(last, _)| last + 1)];
        self.places.iter().zip(g).for_each(|(&(place, factor), g)| from_here[place] = factor * g);
        let mut sum = 0.0;
        for of_place in from_here.iter_mut().rev() {
            sum += *of_place;
            *of_place = sum;
        }
        from_here
    }
}

/// V of the observations of one stratum, and G of its places, place by place or by way of nodes between the risks.
pub(super) struct Means<'a> {
    reading: &'a Reading,
    hazard: &'a [f64],
    by: Option<ByNodes>,
    /// G of each place read; by nodes, Σ w·r·ℓ of each node.
    sums: Vec<f64>,
}

/// What is read at the nodes.
struct ByNodes {
    nodes: RiskNodes,
    /// Σ_m c_m·exp(−ρ·Λ0(m)) of each.
    values: Vec<f64>,
    /// Σ_m c_m·Λ0(m)·exp(−ρ·Λ0(m)) of each.
    by_hazard: Vec<f64>,
    /// ℓ of each at the risk that was read last.
    shares: Vec<f64>,
}

impl<'a> Means<'a> {
    pub(super) fn of(reading: &'a Reading, sums: &'a Sums) -> Self {
        Self { reading, hazard: &sums.hazard, by: None, sums: vec![0.0; reading.places.len()] }
    }

    /// Goes by nodes where there are fewer than both places and observations.
    pub(super) fn choose_nodes(&mut self, (observations, least, greatest): (usize, f64, f64)) {
        let most = observations.min(self.reading.places.len());
        let last = self.hazard.last().copied().unwrap_or(0.0);
        let Some(nodes) = RiskNodes::fewer_than(most, least, greatest, last) else { return };
        let (values, by_hazard) = nodes.points().iter().map(|point| self.place_by_place(*point, |_, _| ())).unzip();
        let shares = vec![0.0; nodes.points().len()];
        self.sums.clone_from(&shares);
        self.by = Some(ByNodes { nodes, values, by_hazard, shares });
    }

    /// Σ_m c_m·exp(−r·Λ0(m)) and Σ_m c_m·Λ0(m)·exp(−r·Λ0(m)); `each` is given the place among those read, and exp(−r·Λ0(m)).
    fn place_by_place(&self, risk: f64, mut each: impl FnMut(usize, f64)) -> (f64, f64) {
        let (mut value, mut by_hazard) = (0.0, 0.0);
        for (at, ((_, factor), hazard)) in self.reading.places.iter().zip(self.hazard).enumerate() {
            let survival = libm::exp(-risk * hazard);
            value += factor * survival;
            by_hazard += factor * survival * hazard;
            each(at, survival);
        }
        (value, by_hazard)
    }

    /// V at a risk, and −dV/dr; an observation of this weight is added to G.
    pub(super) fn at(&mut self, risk: f64, weight: f64) -> (f64, f64) {
        let constant = self.reading.constant;
        let Some(by) = &mut self.by else {
            let mut sums = std::mem::take(&mut self.sums);
            let (value, by_hazard) = self.place_by_place(risk, |at, survival| sums[at] += weight * survival * risk);
            self.sums = sums;
            return (constant + value, by_hazard);
        };
        by.nodes.shares(risk, &mut by.shares);
        let (mut value, mut by_hazard) = (0.0, 0.0);
        for (((share, sum), at_node), by_hazard_at_node) in
            by.shares.iter().zip(&mut self.sums).zip(&by.values).zip(&by.by_hazard)
        {
            value += share * at_node;
            by_hazard += share * by_hazard_at_node;
            *sum += weight * risk * share;
        }
        (constant + value, by_hazard)
    }

    /// G of each place read.
    pub(super) fn into_sums(self) -> Vec<f64> {
        let Some(by) = &self.by else { return self.sums };
        let of_place = |hazard: &f64| {
            let nodes = self.sums.iter().zip(by.nodes.points());
            nodes.map(|(sum, point)| sum * libm::exp(-point * hazard)).sum()
        };
        self.hazard.iter().map(of_place).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_give_what_places_give() {
        // A hundred places, hazards up to 1.2; risks from 0.05 to 6, of any weights.
        let places: Vec<(usize, f64)> = (0..100).map(|place| (place, 1.0 + (place % 7) as f64)).collect();
        let reading = Reading { first: 0, constant: 12.5, places };
        let hazard: Vec<f64> = (1..=100).map(|place| 1.2 * f64::from(place) / 100.0).collect();
        let sums = Sums { hazard, means: Vec::new() };
        let risks: Vec<f64> = (0..400).map(|i| 0.05 + 5.95 * (f64::from(i) * 0.618).fract()).collect();
        let (mut by_places, mut by_nodes) = (Means::of(&reading, &sums), Means::of(&reading, &sums));
        let least = risks.iter().copied().fold(f64::INFINITY, f64::min);
        let greatest = risks.iter().copied().fold(0.0, f64::max);
        by_nodes.choose_nodes((risks.len(), least, greatest));
        assert!(by_nodes.by.as_ref().is_some_and(|by| (15..40).contains(&by.shares.len())), "some dozen nodes");
        let close = |one: f64, other: f64| assert!((one / other - 1.0).abs() < 1e-13, "relative: {one} {other}");
        for (i, &risk) in risks.iter().enumerate() {
            let weight = 0.5 + (i % 3) as f64;
            let (one, other) = (by_places.at(risk, weight), by_nodes.at(risk, weight));
            close(one.0, other.0);
            close(one.1, other.1);
        }
        let (by_places, by_nodes) = (by_places.into_sums(), by_nodes.into_sums());
        assert_eq!((by_places.len(), by_nodes.len()), (100, 100));
        by_places.iter().zip(&by_nodes).for_each(|(one, other)| close(*one, *other));
        // Fewer observations or places than nodes are read place by place.
        let mut few = Means::of(&reading, &sums);
        few.choose_nodes((5, least, greatest));
        assert!(few.by.is_none());
    }
}
