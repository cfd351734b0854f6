//! One Newton step of the likelihood of interval-censored times, on some innermost intervals whose masses must not fall below 0.
//!
//! Definition.  About the present masses the log-likelihood is replaced by its second-order model; the step goes to where the model is
//!              largest among masses ≥ 0 that sum to one.
//! Formula.     An edge x–y of weight w and probability P adds h = w/P² to a graph and w/P to what is pushed through it. In the
//!              survivals S at the places between innermost intervals the model's optimum solves the Laplacian of the graph; a mass
//!              held at 0 makes two places one.
//! Method.      Block principal pivoting: masses that come out below 0 are held there, those held where letting them go would raise
//!              the model are let go, all at once while their number falls, else one at a time. Portugal LF, Júdice JJ, Vicente LN.
//!              Math Comput 1994;63:625–643 (from memory).
//! Decided.     A hair (1e-10) of each node's degree ties it to its present value, so that directions which the likelihood does not
//!              see stay where they are. Edges of negative weight (delayed entries) take part in the model only where it stays
//!              concave; otherwise in its slope alone, which bounds the likelihood from below.
//! Cost.        A root of the graph's matrix within its skyline for each exchange; some five of them.

use super::innermost::Edge;
use super::skyline::{Link, Skyline};

/// How firmly a node is tied to its present value, as a part of its degree.
const TIED: f64 = 1e-10;
/// A pivot below this part of the degree of its node: the model is not concave, or does not see a direction.
const LEAST_PIVOT: f64 = 1e-13;
/// So often all masses that are out of place may be exchanged without their number falling.
const PATIENCE: u32 = 3;

/// The model on some innermost intervals.
pub(super) struct StepModel {
    graph: Skyline,
    /// Σ of the slopes at each node.
    sides: Vec<f64>,
    /// How firmly each is tied.
    tied: Vec<f64>,
    /// The present survival before each.
    present: Vec<f64>,
    /// The sum of the weights, against which slopes are measured.
    scale: f64,
}

impl StepModel {
    /// Of these edges, with the survival at each place, on the innermost intervals in `places` (rising), which hold all mass.
    pub(super) fn of(edges: &[Edge], survival: &[f64], places: &[usize], concave: bool) -> Self {
        let node = nodes_of(places, survival.len() - 1);
        let size = places.len();
        let mut sides = vec![0.0; size + 1];
        let mut scale = 0.0;
        for edge in edges {
            let (lo, hi) = (edge.lo as usize, edge.hi as usize);
            let in_model = if concave && edge.weight < 0.0 { 0.0 } else { 1.0 };
            let slope = edge.weight / (survival[lo] - survival[hi]) * (1.0 + in_model);
            sides[node[lo]] += slope;
            sides[node[hi]] -= slope;
            scale += edge.weight.abs();
        }
        let links = edges.iter().filter(|edge| !concave || edge.weight > 0.0).filter_map(|edge| {
            let (lo, hi) = (edge.lo as usize, edge.hi as usize);
            let probability = survival[lo] - survival[hi];
            let (from, to) = (node[lo], node[hi]);
            (from != to).then(|| Link { from, to, weight: edge.weight / (probability * probability) })
        });
        let graph = Skyline::of(size, links);
        let tied = graph.degree().iter().map(|degree| degree * TIED).collect();
        let present = (0..=size).map(|k| places.get(k).map_or(0.0, |&place| survival[place])).collect();
        Self { graph, sides, tied, present, scale }
    }

    /// The masses at which the model is largest; none when it has no largest value.
    pub(super) fn optimum(&self) -> Option<Vec<f64>> {
        let size = self.graph.size();
        let mut free = vec![true; size];
        let (mut fewest, mut patience) = (usize::MAX, PATIENCE);
        for _ in 0..20 + 10 * size {
            let survival = self.solve(&free)?;
            let slopes = self.slopes(&survival);
            let level = free.iter().position(|&free| free).map_or(0.0, |first| slopes[first]);
            let mass = |k: usize| survival[k] - survival[k + 1];
            let misplaced: Vec<usize> = (0..size)
                .filter(|&k| if free[k] { mass(k) < 0.0 } else { slopes[k] < level - 1e-12 * self.scale })
                .collect();
            let Some(&last) = misplaced.last() else {
                return Some((0..size).map(|k| if free[k] { mass(k) } else { 0.0 }).collect());
            };
            if misplaced.len() < fewest {
                (fewest, patience) = (misplaced.len(), PATIENCE);
            } else if patience > 0 {
                patience -= 1;
            } else {
                free[last] = !free[last];
                continue;
            }
            misplaced.iter().for_each(|&k| free[k] = !free[k]);
        }
        None
    }

    /// The survivals with the masses that are not free held at 0.
    fn solve(&self, free: &[bool]) -> Option<Vec<f64>> {
        let size = free.len();
        let mut block = Vec::with_capacity(size + 1);
        let mut blocks = 0;
        for &free in free {
            block.push(blocks);
            blocks += usize::from(free);
        }
        block.push(blocks);
        if blocks == 0 {
            return None;
        }
        let merged;
        let graph = if blocks == size {
            &self.graph
        } else {
            merged = self.graph.merged(&block);
            &merged
        };
        let mut sides = graph.ground_push(1.0, 0.0);
        let mut tied = vec![0.0; blocks + 1];
        for node in 1..size {
            sides[block[node]] += self.sides[node] + self.tied[node] * self.present[node];
            tied[block[node]] += self.tied[node];
        }
        graph.root(&tied, LEAST_PIVOT)?.solve(&mut sides);
        (sides[0], sides[blocks]) = (1.0, 0.0);
        Some(block.iter().map(|&block| sides[block]).collect())
    }

    /// The slope of the model's shortfall in each mass, but for what all have in common.
    fn slopes(&self, survival: &[f64]) -> Vec<f64> {
        let pull = self.graph.pull(survival);
        let mut sum = 0.0;
        (0..self.graph.size())
            .map(|k| {
                if k > 0 {
                    sum += pull[k] + self.tied[k] * (survival[k] - self.present[k]) - self.sides[k];
                }
                sum
            })
            .collect()
    }

    /// Whether the model sees every direction in which these masses could move.
    pub(super) fn sees_all(&self) -> bool {
        self.graph.root(&vec![0.0; self.graph.size() + 1], 1e-9).is_some()
    }
}

/// For each place between innermost intervals how many of the chosen ones lie before it.
pub(super) fn nodes_of(places: &[usize], innermost: usize) -> Vec<usize> {
    let mut nodes = Vec::with_capacity(innermost + 1);
    let mut chosen = places.iter().peekable();
    let mut before = 0;
    for place in 0..=innermost {
        nodes.push(before);
        if chosen.next_if(|&&next| next == place).is_some() {
            before += 1;
        }
    }
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_step_from_the_uniform_reaches_the_model_of_three_points() {
        // By hand: edges of weight 1, 2, 1 on three points of mass 1/3: the model's optimum has p = 1/3·(1, 1, 1) + slope: with
        // Σ w(3p − 2)²/2 least, p_j = (6 − c/w_j)/9 and Σ p = 1: c(1 + 1/2 + 1) = 9, c = 3.6; p = (4/15, 7/15, 4/15).
        let edges = [(0, 1, 1.0), (1, 2, 2.0), (2, 3, 1.0)].map(|(lo, hi, weight)| Edge { lo, hi, weight });
        let survival = [1.0, 2.0 / 3.0, 1.0 / 3.0, 0.0];
        let model = StepModel::of(&edges, &survival, &[0, 1, 2], true);
        let masses = model.optimum().expect("concave");
        for (mass, fifteenths) in masses.iter().zip([4.0, 7.0, 4.0]) {
            assert!((mass - fifteenths / 15.0).abs() < 1e-9, "absolute: {masses:?}");
        }
        assert!(model.sees_all());
    }

    #[test]
    fn a_mass_that_helps_nobody_is_held_at_nothing() {
        // Edges 0–1 and 2–3 on three points: the middle one is in no interval.
        let edges = [(0, 1, 1.0), (2, 3, 1.0)].map(|(lo, hi, weight)| Edge { lo, hi, weight });
        let masses = StepModel::of(&edges, &[1.0, 0.6, 0.4, 0.0], &[0, 1, 2], true).optimum().expect("concave");
        assert_eq!(masses[1].to_bits(), 0);
        assert!((masses[0] - 0.5).abs() < 1e-9, "absolute: {masses:?}");
    }
}
