//! Which masses a likelihood of interval-censored times determines, and how far the others could move.
//!
//! Definition.  The probabilities of all classes are the same in every maximum (ℓ is strictly concave in them). So two places of the
//!              graph of a likelihood (see `innermost`) have a determined difference of survivals if they are connected by edges,
//!              and all masses are determined if all places are connected. Of those that are not, each connected piece can move as
//!              one, as far as no mass falls below 0.
//! Source.      Gentleman R, Geyer CJ. Biometrika 1994;81:618–623 (the rank of the incidence matrix; from memory). That the matrix is
//!              that of a graph, so that its rank is told by its pieces, follows from runs being intervals.
//! Method.      The largest survival at each place, whatever the maximum, is a shortest way in a graph of differences: S_a ≤ S_b + p
//!              for neighbours in order. The largest values are all reached in one and the same maximum, and so are the least.
//! Decided.     Innermost intervals without mass whose slope is within 1e-8 of the level of the others could hold mass in another maximum
//!              and are looked at too. With delayed entries ℓ isn't concave; then it is asked only whether the curvature at the
//!              maximum found sees every direction.
//! Cost.        O(edges) where all is connected; else O(pieces·masses) more.

use super::innermost::{Edge, Innermost};
use super::interval_ascent::Ascent;
use super::interval_step::{StepModel, nodes_of};

/// So near to the level of the others, an innermost interval without mass could hold some.
const AT_LEVEL: f64 = 1e-8;

/// The innermost intervals that hold mass in some maximum, and the survivals before each.
#[derive(Clone, Debug)]
pub(super) struct Determined {
    /// Those innermost intervals, rising.
    pub places: Vec<usize>,
    /// The least survival before each in any maximum, and 0 at the end.
    pub least: Vec<f64>,
    /// The largest.
    pub largest: Vec<f64>,
    /// Whether there is one maximum only (with delayed entries: only one near by).
    pub unique: bool,
}

/// What this maximum determines.
pub(super) fn determined(innermost: &Innermost, ascent: &Ascent) -> Determined {
    let level = AT_LEVEL.max(10.0 * ascent.gap);
    let places: Vec<usize> = (0..ascent.mass.len()).filter(|&j| ascent.mass[j] > 0.0 || ascent.excess[j] > -level).collect();
    let survival: Vec<f64> = places.iter().map(|&place| ascent.survival[place]).chain([0.0]).collect();
    let late = innermost.edges.last().is_some_and(|edge| edge.weight < 0.0);
    if late {
        let unique = StepModel::of(&innermost.edges, &ascent.survival, &places, false).sees_all();
        return Determined { places, least: survival.clone(), largest: survival, unique };
    }
    let piece = pieces(&places, &innermost.edges, innermost.len());
    let ground = piece[0];
    if piece.iter().all(|&of| of == ground) {
        return Determined { places, least: survival.clone(), largest: survival, unique: true };
    }
    let up = shifts(&piece, &survival, 1.0);
    let down = shifts(&piece, &survival, -1.0);
    let moved = |shift: &[f64], sign: f64| -> Vec<f64> {
        survival.iter().zip(&piece).map(|(survival, &piece)| (survival + sign * shift[piece]).clamp(0.0, 1.0)).collect()
    };
    let unique = up.iter().chain(&down).all(|&shift| shift < AT_LEVEL);
    Determined { least: moved(&down, -1.0), largest: moved(&up, 1.0), places, unique }
}

/// The connected piece of each place between the chosen innermost intervals; the first and the last are joined, for all masses sum to
/// one.
fn pieces(places: &[usize], edges: &[Edge], innermost: usize) -> Vec<usize> {
    let node = nodes_of(places, innermost);
    let mut parent: Vec<usize> = (0..=places.len()).collect();
    fn root(parent: &mut [usize], mut node: usize) -> usize {
        while parent[node] != node {
            parent[node] = parent[parent[node]];
            node = parent[node];
        }
        node
    }
    let mut join = |a: usize, b: usize| {
        let (a, b) = (root(&mut parent, a), root(&mut parent, b));
        parent[a.max(b)] = a.min(b);
    };
    join(0, places.len());
    edges.iter().for_each(|edge| join(node[edge.lo as usize], node[edge.hi as usize]));
    (0..=places.len()).map(|node| root(&mut parent, node)).collect()
}

/// How far each piece can move upwards (or downwards, as the sign tells), the ground staying where it is; by repeated relaxation.
fn shifts(piece: &[usize], survival: &[f64], sign: f64) -> Vec<f64> {
    let mut shift = vec![f64::INFINITY; piece.len()];
    shift[piece[0]] = 0.0;
    loop {
        let mut changed = false;
        for k in 0..piece.len() - 1 {
            let mass = survival[k] - survival[k + 1];
            // Upwards: the lower place may rise to the upper. Downwards: the upper may fall to the lower.
            let (free, held) = if sign > 0.0 { (piece[k + 1], piece[k]) } else { (piece[k], piece[k + 1]) };
            if free != held && shift[held] + mass < shift[free] {
                shift[free] = shift[held] + mass;
                changed = true;
            }
        }
        if !changed {
            return shift;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn innermost(edges: &[(u32, u32)], count: usize) -> Innermost {
        Innermost {
            left: (0..).take(count).collect(),
            right: (0..).take(count).collect(),
            edges: edges.iter().map(|&(lo, hi)| Edge { lo, hi, weight: 1.0 }).collect(),
            total: edges.len() as f64,
            net: edges.len() as f64,
            past_exhaustion: 0.0,
        }
    }

    #[test]
    fn a_piece_that_is_not_joined_moves_as_far_as_masses_let_it() {
        // By hand: runs 0–2, 1–3 and 2–4 on four points. Edges join places 0-2, 1-3 and 2-4, and 0 and 4 are joined: the pieces are
        // {0, 2, 4} and {1, 3}. At the maximum p0 + p1 = p2 + p3 = 1/2 and p1 + p2 is largest, so that p1 = p2 = 1/2: the second
        // piece can't move, for p0 and p3 would fall below 0.
        let graph = innermost(&[(0, 2), (1, 3), (2, 4)], 4);
        let found = determined(&graph, &Ascent::of(&graph, None));
        assert!(found.unique, "{found:?}");
        // Without the middle run, 1 and 3 are free to move between their neighbours.
        let graph = innermost(&[(0, 2), (2, 4)], 4);
        let ascent = Ascent {
            mass: vec![0.25; 4],
            survival: vec![1.0, 0.75, 0.5, 0.25, 0.0],
            excess: vec![0.0; 4],
            gap: 0.0,
            iterations: 0,
        };
        let found = determined(&graph, &ascent);
        assert!(!found.unique);
        assert_eq!((found.least, found.largest), (vec![1.0, 0.5, 0.5, 0.0, 0.0], vec![1.0, 1.0, 0.5, 0.5, 0.0]));
    }
}
