//! Observations in clusters, each in a row and a column of a table: what a group is, and what was found.
//!
//! Definition.  For an estimate that is a smooth function of the table of all, the influence of an observation depends on its cell
//!              alone; influences summed by cluster, u_c, give the variance m/(m − 1)·Σ u_c², m clusters.
//! Source.      Ultimate clusters: Hansen MH, Hurwitz WN, Madow WG. Sample Survey Methods and Theory, 1953; linearisation: Binder DA.
//!              Int Stat Rev 1983;51:279–292 (both from memory). The factor m/(m − 1) is that of survey sampling.
//! Decided.     An observation with [`super::grouping::NO_GROUP`] in either code takes no part, nor does its cluster unless
//!              another one does. Clusters may lie in several rows.
//! Cost.        One pass over the observations for each estimate.

use super::contingency_table::{ContingencyTable, TableError};
use super::grouping::{Grouping, NO_GROUP};

/// Columns of codes: row, column and cluster of each observation.
#[derive(Clone, Copy, Debug)]
pub struct ClusteredCodes<'a> {
    rows: &'a Grouping,
    columns: &'a Grouping,
    clusters: &'a [u32],
    /// One more than the last cluster.
    cluster_end: usize,
}

impl<'a> ClusteredCodes<'a> {
    /// Observation i is in row `rows[i]` and column `columns[i]` and belongs to cluster `clusters[i]`; clusters count from 0.
    ///
    /// # Errors
    ///
    /// When the three are of different lengths.
    pub fn new(rows: &'a Grouping, columns: &'a Grouping, clusters: &'a [u32]) -> Result<Self, TableError> {
        if rows.codes().len() == clusters.len() && columns.codes().len() == clusters.len() {
            let cluster_end = clusters.iter().max().map_or(0, |&cluster| cluster as usize + 1);
            Ok(Self { rows, columns, clusters, cluster_end })
        } else {
            Err(TableError::UnequalLengths)
        }
    }

    /// How many rows, also empty ones.
    pub fn rows(&self) -> u16 {
        self.rows.levels()
    }

    /// How many columns, also empty ones.
    pub fn columns(&self) -> u16 {
        self.columns.levels()
    }

    /// The table of all.
    pub fn table(&self) -> ContingencyTable {
        let (rows, columns) = (usize::from(self.rows()), usize::from(self.columns()));
        let mut counts = vec![vec![0_u64; columns]; rows];
        self.each().for_each(|(row, column, _)| counts[row][column] += 1);
        ContingencyTable::new(&counts).unwrap_or_else(|_| unreachable!("as many as there are observations in memory"))
    }

    /// Row, column and cluster of each observation that has both.
    pub(super) fn each(&self) -> impl Iterator<Item = (usize, usize, usize)> {
        let codes = self.rows.codes().iter().zip(self.columns.codes()).zip(self.clusters);
        codes
            .filter(|((row, column), _)| **row != NO_GROUP && **column != NO_GROUP)
            .map(|((&row, &column), &cluster)| (usize::from(row), usize::from(column), cluster as usize))
    }

    /// Those with a row for which `kept` holds: the sums by cluster of what `influence` says of each cell, for clusters that have any.
    pub(super) fn sums(&self, kept: impl Fn(usize) -> bool, influence: impl Fn(usize, usize) -> f64) -> Vec<f64> {
        // Looked up by cell, without asking of each observation whether it is kept: which ones are is not to be foreseen.
        let (rows, columns) = (usize::from(self.rows()), usize::from(self.columns()));
        let kept: Vec<bool> = (0..rows).map(kept).collect();
        let of_cell = |cell: usize| if kept[cell / columns] { influence(cell / columns, cell % columns) } else { 0.0 };
        let influences: Vec<f64> = (0..rows * columns).map(of_cell).collect();
        let mut sums = vec![0.0; self.cluster_end];
        let mut present = vec![false; self.cluster_end];
        for (row, column, cluster) in self.each() {
            sums[cluster] += influences[row * columns + column];
            present[cluster] |= kept[row];
        }
        let mut present = present.into_iter();
        sums.retain(|_| present.next().unwrap_or(false));
        sums
    }

    /// How many clusters there are in these rows.
    pub(super) fn clusters_in(&self, kept: impl Fn(usize) -> bool) -> u64 {
        self.sums(kept, |_, _| 0.0).len() as u64
    }

    /// How many clusters lie in more than one row.
    pub fn clusters_in_several_rows(&self) -> u64 {
        let mut place: Vec<Option<usize>> = vec![None; self.cluster_end];
        let mut several = vec![false; place.len()];
        for (row, _, cluster) in self.each() {
            match place[cluster] {
                Some(first) => several[cluster] |= first != row,
                None => place[cluster] = Some(row),
            }
        }
        several.into_iter().filter(|&several| several).count() as u64
    }
}

/// m/(m − 1)·Σ u·v over the clusters; 0 with fewer than two.
pub(super) fn covariance(one: &[f64], other: &[f64]) -> f64 {
    let clusters = one.len() as f64;
    if clusters < 2.0 {
        return 0.0;
    }
    clusters / (clusters - 1.0) * one.iter().zip(other).map(|(u, v)| u * v).sum::<f64>()
}

/// m/(m − 1)·Σ u².
pub(super) fn variance(sums: &[f64]) -> f64 {
    covariance(sums, sums)
}

/// A variance that is nothing but rounding, by the sum of squares of what went into it, is none.
pub(super) fn vanishes(variance: f64, scale: f64) -> bool {
    variance <= 1e-26 * scale * scale
}
