//! Observations of a regression in the order of their risk sets, with covariates as contiguous columns in that order.
//!
//! Definition.  A place is a tick of a stratum on which somebody failed; places are numbered stratum by stratum, each in order of
//!              time. An observation is at risk on the places from its first (after entry) to its last (at or before exit).
//! Why.         A partial likelihood looks at risk sets where somebody failed and nowhere else. With the rows of one last place
//!              next to each other, sums over risk sets are running sums over places, whatever the number of ticks, and columns
//!              are read from front to back.
//! Decided.     Rows that are at risk on no place say nothing about coefficients and are not kept here; they count among those
//!              behind the result. Late rows stand at both ends of their place, so that the rest are one stretch.
//! Cost.        O(observations · columns + ticks); a stratum with few rows for its ticks is sorted instead of counted.

use super::bucket::Buckets;
use super::cox::CoxProblem;
use super::cox_design::{Column, ColumnName, CoxDesign};
use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, Observations};
use crate::quantity::Behind;
use crate::threads::{available, on_threads};

/// Rows of a block of work; blocks end where places end.
const BLOCK_ROWS: usize = 16_384;
/// From this many rows on, threads pay.
const MANY_ROWS: usize = 30_000;
/// The most threads that are used: past some eight, memory is what limits these passes.
const MOST_THREADS: usize = 8;

/// How many threads share the passes over so many rows.
pub(super) fn threads_for(rows: usize) -> usize {
    if rows < MANY_ROWS { 1 } else { available().min(MOST_THREADS) }
}

/// Rows whose last place this is: late failures, other failures, others, late others; failures are those on its very tick.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Place {
    pub(super) start: usize,
    pub(super) early_start: usize,
    pub(super) failures_end: usize,
    pub(super) early_end: usize,
    pub(super) end: usize,
    pub(super) tick: i32,
}

/// A block of work: places and the rows of them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block {
    pub(super) first_place: usize,
    pub(super) end_place: usize,
    pub(super) first_row: usize,
    pub(super) end_row: usize,
}

/// Observations in the order of their risk sets.
#[derive(Clone, Debug)]
pub(super) struct RiskSets {
    /// Covariates, moved by `centre` and divided by `scale`, in the order of `observation`.
    pub(super) columns: Vec<Vec<f64>>,
    pub(super) centre: Vec<f64>,
    pub(super) scale: Vec<f64>,
    pub(super) design_columns: Vec<Column>,
    pub(super) names: Vec<ColumnName>,
    pub(super) absent: Vec<ColumnName>,
    /// Case weights; empty when all are 1.
    pub(super) weight: Vec<f64>,
    /// Which observation each row is.
    pub(super) observation: Vec<u32>,
    /// The first place on which each row is at risk; empty when no row is late.
    pub(super) first_place: Vec<u32>,
    pub(super) places: Vec<Place>,
    /// Where the places of each stratum begin, and the end.
    pub(super) stratum_starts: Vec<usize>,
    /// Late rows by the place on which they are first at risk.
    pub(super) late: Option<Buckets<u32>>,
    pub(super) blocks: Vec<Block>,
    /// Which observations take part: all with covariates and a stratum.
    pub(super) complete: Vec<bool>,
    pub(super) behind: Behind,
    pub(super) left_out: u64,
}

impl RiskSets {
    pub(super) fn build(
        observations: &Observations,
        design: &CoxDesign,
        strata: Option<&Grouping>,
    ) -> Result<Self, CoxProblem> {
        let n = observations.len();
        if !design.fits(n) || strata.is_some_and(|strata| strata.codes().len() != n) {
            return Err(CoxProblem::LengthsDiffer);
        }
        let mut complete = vec![true; n];
        design.leave_out_incomplete(&mut complete);
        if let Some(strata) = strata {
            complete.iter_mut().zip(strata.codes()).for_each(|(complete, &code)| *complete &= code != NO_GROUP);
        }
        if let Some(covariate) = design.not_a_number(&complete) {
            return Err(CoxProblem::NotANumber { covariate: covariate.to_owned() });
        }
        let behind = behind(observations, &complete);
        let left_out = n as u64 - behind.observations;
        if behind.observations == 0 {
            return Err(CoxProblem::NoObservations);
        }
        if behind.failures == 0 {
            return Err(CoxProblem::NoFailures);
        }
        let (design_columns, absent) = design.columns(&complete);
        let names: Vec<ColumnName> = design_columns.iter().map(|&column| design.name(column)).collect();
        let (centre, scale): (Vec<f64>, Vec<f64>) =
            on_threads(design_columns.clone(), threads_for(n), |column| design.centre_and_scale(column, &complete))
                .into_iter()
                .unzip();
        let constant: Vec<ColumnName> =
            scale.iter().zip(&names).filter(|&(&scale, _)| scale <= 0.0).map(|(_, name)| name.clone()).collect();
        if !constant.is_empty() {
            return Err(CoxProblem::Collinear { columns: constant });
        }
        let spans = Spans::find(observations, &complete, strata);
        let (places, observation) = spans.sort(observations);
        let gathered = design_columns.iter().zip(&centre).zip(&scale).collect();
        let columns = on_threads(gathered, threads_for(n), |((&column, &centre), &scale)| {
            design.gather(column, &observation, centre, scale)
        });
        let weight = observations
            .weights()
            .map_or_else(Vec::new, |weights| observation.iter().map(|&row| weights[row as usize]).collect());
        let (first_place, late) = spans.late(&observation);
        Ok(Self {
            columns,
            centre,
            scale,
            design_columns,
            names,
            absent,
            weight,
            observation,
            first_place,
            blocks: blocks_of(&places),
            places,
            stratum_starts: spans.stratum_starts,
            late,
            complete,
            behind,
            left_out,
        })
    }

    /// The number of columns.
    pub(super) fn width(&self) -> usize {
        self.columns.len()
    }

    /// The number of rows.
    pub(super) fn rows(&self) -> usize {
        self.observation.len()
    }

    /// The case weight of a row.
    pub(super) fn weight_of(&self, row: usize) -> f64 {
        self.weight.get(row).copied().unwrap_or(1.0)
    }

    /// The covariates of a row.
    pub(super) fn row(&self, row: usize) -> impl Iterator<Item = f64> + '_ {
        self.columns.iter().map(move |column| column[row])
    }

    /// Sum of the case weights of failures on a place.
    pub(super) fn weight_failed(&self, place: &Place) -> f64 {
        if self.weight.is_empty() {
            (place.failures_end - place.start) as f64
        } else {
            self.weight[place.start..place.failures_end].iter().sum()
        }
    }
}

fn behind(observations: &Observations, complete: &[bool]) -> Behind {
    let mut seen = vec![false; observations.clusters() as usize];
    let mut behind = Behind::default();
    for ((&cluster, &ending), _) in
        observations.cluster().iter().zip(observations.ending()).zip(complete).filter(|&(_, &complete)| complete)
    {
        behind.observations += 1;
        behind.failures += u64::from(ending == Ending::Failed);
        behind.clusters += u64::from(!std::mem::replace(&mut seen[cluster as usize], true));
    }
    behind
}

fn blocks_of(places: &[Place]) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut first = 0;
    for (index, place) in places.iter().enumerate() {
        let first_row = places[first].start;
        if place.end - first_row >= BLOCK_ROWS || index + 1 == places.len() {
            blocks.push(Block { first_place: first, end_place: index + 1, first_row, end_row: place.end });
            first = index + 1;
        }
    }
    blocks
}

/// On which places each observation is at risk.
struct Spans {
    /// The first place of each observation at risk.
    first: Vec<u32>,
    /// One more than its last; the same as `first` when it is at risk on none.
    end: Vec<u32>,
    ticks: Vec<i32>,
    stratum_starts: Vec<usize>,
    any_late: bool,
}

impl Spans {
    fn find(observations: &Observations, complete: &[bool], strata: Option<&Grouping>) -> Self {
        let n = observations.len();
        let mut spans =
            Self { first: vec![0; n], end: vec![0; n], ticks: Vec::new(), stratum_starts: vec![0], any_late: false };
        match strata {
            None => {
                let rows = (0_u32..).zip(complete).filter(|&(_, &complete)| complete).map(|(row, _)| row);
                spans.add_stratum(observations, rows, n);
            }
            Some(strata) => {
                let keyed = strata.codes().iter().zip(0_u32..).zip(complete).filter(|&(_, &complete)| complete);
                let keyed = keyed.map(|((&code, row), _)| (u32::from(code), row));
                let by_stratum = Buckets::fill(keyed, usize::from(strata.levels()));
                for stratum in 0..usize::from(strata.levels()) {
                    let rows = by_stratum.items(stratum);
                    spans.add_stratum(observations, rows.iter().copied(), rows.len());
                }
            }
        }
        spans
    }

    fn add_stratum(&mut self, observations: &Observations, rows: impl Iterator<Item = u32> + Clone, size: usize) {
        let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
        let base = self.ticks.len();
        let failed = rows.clone().map(|row| row as usize).filter(|&row| ending[row] == Ending::Failed).map(|row| exit[row]);
        let last = failed.clone().max().unwrap_or(-1);
        let ticks = usize::try_from(last + 1).unwrap_or(0);
        let mut places_to: Vec<u32> = Vec::new();
        if size >= ticks / 16 {
            let mut seen = vec![0_u32; ticks];
            failed.for_each(|tick| seen[tick as usize] = 1);
            let mut count = 0;
            for (tick, seen) in (0..).zip(&mut seen) {
                if *seen == 1 {
                    self.ticks.push(tick);
                    count += 1;
                }
                *seen = count;
            }
            places_to = seen;
        } else {
            let mut sorted: Vec<i32> = failed.collect();
            sorted.sort_unstable();
            sorted.dedup();
            self.ticks.extend(sorted);
        }
        let here = &self.ticks[base..];
        let place_count = u32::try_from(here.len()).unwrap_or(u32::MAX);
        let start = u32::try_from(base).unwrap_or(u32::MAX);
        let up_to = |tick: i32| {
            if tick >= last {
                place_count
            } else if places_to.is_empty() {
                u32::try_from(here.partition_point(|&at| at <= tick)).unwrap_or(u32::MAX)
            } else {
                places_to[tick as usize]
            }
        };
        for row in rows.map(|row| row as usize) {
            let before = if entry[row] == 0 { 0 } else { up_to(entry[row]) };
            self.any_late |= before > 0;
            self.first[row] = start + before;
            self.end[row] = start + up_to(exit[row]);
        }
        self.stratum_starts.push(self.ticks.len());
    }

    /// The places, and the observations at risk in their order.
    fn sort(&self, observations: &Observations) -> (Vec<Place>, Vec<u32>) {
        let (exit, ending) = (observations.exit(), observations.ending());
        let stratum_first = self.stratum_first();
        let keyed = (0..observations.len()).filter(|&row| self.end[row] > self.first[row]).map(|row| {
            let place = self.end[row] - 1;
            let failed = ending[row] == Ending::Failed && exit[row] == self.ticks[place as usize];
            let late = self.any_late && self.first[row] > stratum_first[place as usize];
            let class = match (failed, late) {
                (true, true) => 0,
                (true, false) => 1,
                (false, false) => 2,
                (false, true) => 3,
            };
            (4 * place + class, u32::try_from(row).unwrap_or(u32::MAX))
        });
        let sorted = Buckets::fill(keyed, 4 * self.ticks.len());
        let starts = sorted.starts();
        let places = self
            .ticks
            .iter()
            .enumerate()
            .map(|(place, &tick)| Place {
                start: starts[4 * place],
                early_start: starts[4 * place + 1],
                failures_end: starts[4 * place + 2],
                early_end: starts[4 * place + 3],
                end: starts[4 * place + 4],
                tick,
            })
            .collect();
        (places, sorted.into_items())
    }

    /// The first place of the stratum of each place.
    fn stratum_first(&self) -> Vec<u32> {
        let mut first = Vec::with_capacity(self.ticks.len());
        for stratum in self.stratum_starts.windows(2) {
            first.resize(stratum[1], u32::try_from(stratum[0]).unwrap_or(u32::MAX));
        }
        first
    }

    fn late(&self, observation: &[u32]) -> (Vec<u32>, Option<Buckets<u32>>) {
        if !self.any_late {
            return (Vec::new(), None);
        }
        let stratum_first = self.stratum_first();
        let first: Vec<u32> = observation.iter().map(|&row| self.first[row as usize]).collect();
        let keyed = first.iter().copied().zip(0_u32..).filter(|&(place, _)| place > stratum_first[place as usize]);
        let late = Buckets::fill(keyed, self.ticks.len());
        (first, Some(late))
    }
}
