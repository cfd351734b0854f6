//! Weighted graphs on a line of nodes, their Laplacian, and its triangular root within the skyline.
//!
//! Definition.  Nodes 1..size lie between two grounded nodes, 0 and size. An edge of weight h between nodes x and y adds
//!              h·(S_x − S_y)²/2 to an energy; its matrix has h on both diagonals and −h across.
//! Why.         Edges mostly join neighbours, so each row of the matrix starts late, and so does each row of its root.
//! Decided.     Weights may be negative; the root exists only for a matrix that is positive.
//! Cost.        O(Σ row length²) for the root, O(Σ row length) for the rest.

/// An edge of the graph.
#[derive(Clone, Copy, Debug)]
pub(super) struct Link {
    pub from: usize,
    pub to: usize,
    pub weight: f64,
}

/// The Laplacian of a graph.
#[derive(Clone, Debug)]
pub(super) struct Skyline {
    /// For each node the first one it is joined to, but for node 0.
    first: Vec<usize>,
    /// Where its row begins among the cells.
    start: Vec<usize>,
    /// The weights of edges between inner nodes; a row ends before the diagonal.
    across: Vec<f64>,
    /// The weight of the edge of each node to node 0.
    to_first: Vec<f64>,
    /// The weight of the edge of each node to the last.
    to_last: Vec<f64>,
}

impl Skyline {
    /// Of these edges, `from` below `to`, on `size + 1` nodes.
    pub(super) fn of(size: usize, links: impl Iterator<Item = Link> + Clone) -> Self {
        let mut first: Vec<usize> = (0..=size).collect();
        for link in links.clone() {
            if link.from > 0 && link.to < size {
                first[link.to] = first[link.to].min(link.from);
            }
        }
        let mut start = Vec::with_capacity(size + 1);
        let mut cells = 0;
        for (node, &first) in first.iter().enumerate() {
            start.push(cells);
            cells += node - first;
        }
        let mut graph =
            Self { first, start, across: vec![0.0; cells], to_first: vec![0.0; size + 1], to_last: vec![0.0; size + 1] };
        for link in links {
            if link.from == 0 {
                graph.to_first[link.to] += link.weight;
            } else if link.to == size {
                graph.to_last[link.from] += link.weight;
            } else {
                let place = graph.start[link.to] + link.from - graph.first[link.to];
                graph.across[place] += link.weight;
            }
        }
        graph
    }

    /// How many nodes there are but for node 0.
    pub(super) fn size(&self) -> usize {
        self.first.len() - 1
    }

    fn row(&self, node: usize) -> &[f64] {
        &self.across[self.start[node]..self.start[node] + node - self.first[node]]
    }

    /// All edges, those without weight too.
    pub(super) fn links(&self) -> impl Iterator<Item = Link> + Clone {
        let size = self.size();
        (1..size).flat_map(move |node| {
            let ground = [
                Link { from: 0, to: node, weight: self.to_first[node] },
                Link { from: node, to: size, weight: self.to_last[node] },
            ];
            let first = self.first[node];
            let across = self.row(node).iter().enumerate();
            ground.into_iter().chain(across.map(move |(k, &weight)| Link { from: first + k, to: node, weight }))
        })
    }

    /// The same graph with runs of nodes made one, as the block of each node tells; blocks rise from 0.
    pub(super) fn merged(&self, block: &[usize]) -> Self {
        let last = block.last().copied().unwrap_or(0);
        let links = self.links().filter_map(|link| {
            let (from, to) = (block[link.from], block[link.to]);
            (from != to).then_some(Link { from, to, weight: link.weight })
        });
        Self::of(last, links)
    }

    /// Half the derivative of twice the energy: for each node Σ h·(S_node − S_other).
    pub(super) fn pull(&self, potential: &[f64]) -> Vec<f64> {
        let size = self.size();
        let mut pull = vec![0.0; size + 1];
        for node in 1..size {
            let own = potential[node];
            let mut sum = self.to_first[node] * (own - potential[0]) + self.to_last[node] * (own - potential[size]);
            let first = self.first[node];
            for ((&weight, other), theirs) in self.row(node).iter().zip(&potential[first..node]).zip(&mut pull[first..node])
            {
                let flow = weight * (own - other);
                sum += flow;
                *theirs -= flow;
            }
            pull[node] += sum;
        }
        pull
    }

    /// The sum of the sizes of the weights at each node.
    pub(super) fn degree(&self) -> Vec<f64> {
        let mut degree = vec![0.0; self.size() + 1];
        for link in self.links() {
            degree[link.from] += link.weight.abs();
            degree[link.to] += link.weight.abs();
        }
        degree
    }

    /// The triangular root of the matrix of the inner nodes with `more` added to the diagonal; none unless each pivot is above
    /// `least` of the degree of its node.
    pub(super) fn root(&self, more: &[f64], least: f64) -> Option<SkylineRoot> {
        let size = self.size();
        let mut diagonal = vec![0.0; size.max(1)];
        let mut scale = vec![0.0; size.max(1)];
        for node in 1..size {
            let (a, b) = (self.to_first[node], self.to_last[node]);
            diagonal[node] += a + b + more[node];
            scale[node] += a.abs() + b.abs();
            let first = self.first[node];
            let (mut sum, mut size) = (0.0, 0.0);
            for ((&weight, theirs), scale) in
                self.row(node).iter().zip(&mut diagonal[first..node]).zip(&mut scale[first..node])
            {
                sum += weight;
                size += weight.abs();
                *theirs += weight;
                *scale += weight.abs();
            }
            diagonal[node] += sum;
            scale[node] += size;
        }
        let mut cells = self.across.clone();
        let mut inverse = vec![0.0; size.max(1)];
        for node in 1..size {
            let (first, start) = (self.first[node], self.start[node]);
            let (above, rest) = cells.split_at_mut(start);
            let own = &mut rest[..node - first];
            for column in first..node {
                let from = first.max(self.first[column]);
                let theirs =
                    &above[self.start[column] + from - self.first[column]..self.start[column] + column - self.first[column]];
                let product = dot(&own[from - first..column - first], theirs);
                let place = column - first;
                own[place] = (-own[place] - product) * inverse[column];
            }
            let pivot = diagonal[node] - dot(own, own);
            if !(pivot > least * scale[node] && pivot.is_finite()) {
                return None;
            }
            inverse[node] = 1.0 / pivot.sqrt();
        }
        Some(SkylineRoot { first: self.first.clone(), start: self.start.clone(), cells, inverse })
    }

    /// What the grounded nodes push into each inner node: Σ h·S over edges to them.
    pub(super) fn ground_push(&self, first: f64, last: f64) -> Vec<f64> {
        self.to_first.iter().zip(&self.to_last).map(|(a, b)| a * first + b * last).collect()
    }
}

/// Sums in eight lanes, so that they can run side by side.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (chunks, other) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = chunks.remainder().iter().zip(other.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in chunks.zip(other) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + e) + (b + f)) + ((c + g) + (d + h)) + rest
}

/// The triangular root of a Laplacian between grounded nodes.
pub(super) struct SkylineRoot {
    first: Vec<usize>,
    start: Vec<usize>,
    cells: Vec<f64>,
    /// One by each diagonal cell.
    inverse: Vec<f64>,
}

impl SkylineRoot {
    /// Solves for the inner nodes, whose right-hand sides are replaced.
    pub(super) fn solve(&self, sides: &mut [f64]) {
        let size = self.first.len() - 1;
        for node in 1..size {
            let first = self.first[node];
            let row = &self.cells[self.start[node]..self.start[node] + node - first];
            sides[node] = (sides[node] - dot(row, &sides[first..node])) * self.inverse[node];
        }
        for node in (1..size).rev() {
            let first = self.first[node];
            let row = &self.cells[self.start[node]..self.start[node] + node - first];
            let value = sides[node] * self.inverse[node];
            sides[node] = value;
            for (side, cell) in sides[first..node].iter_mut().zip(row) {
                *side -= cell * value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder() -> Skyline {
        // Four inner nodes; unit edges along the line, one of 2 from 1 to 4 and one of 3 from 2 to the last node, 5.
        let along = (0..5).map(|node| Link { from: node, to: node + 1, weight: 1.0 });
        let more = [Link { from: 1, to: 4, weight: 2.0 }, Link { from: 2, to: 5, weight: 3.0 }];
        Skyline::of(5, along.chain(more))
    }

    #[test]
    fn the_solution_balances_every_inner_node() {
        let graph = ladder();
        let root = graph.root(&[0.0; 6], 0.0).expect("positive");
        let mut potential = graph.ground_push(1.0, 0.0);
        root.solve(&mut potential);
        (potential[0], potential[5]) = (1.0, 0.0);
        let pull = graph.pull(&potential);
        assert!(pull[1..5].iter().all(|pull| pull.abs() < 1e-14), "absolute: {pull:?}");
        // The balance of node 1, written out.
        assert!((4.0 * potential[1] - 1.0 - potential[2] - 2.0 * potential[4]).abs() < 1e-14, "absolute");
    }

    #[test]
    fn nodes_made_one_share_their_edges() {
        let merged = ladder().merged(&[0, 1, 1, 2, 2, 3]);
        let mut links: Vec<(usize, usize, f64)> =
            merged.links().filter(|link| link.weight > 0.0).map(|link| (link.from, link.to, link.weight)).collect();
        links.sort_by_key(|link| (link.0, link.1));
        assert_eq!(links, [(0, 1, 1.0), (1, 2, 3.0), (1, 3, 3.0), (2, 3, 1.0)]);
    }

    #[test]
    fn a_matrix_that_is_not_positive_has_no_root() {
        let links = [(0, 1, 1.0), (1, 2, 1.0), (2, 3, -5.0)].map(|(from, to, weight)| Link { from, to, weight });
        assert!(Skyline::of(3, links.into_iter()).root(&[0.0; 4], 0.0).is_none());
    }
}
