//! For the Fine–Gray regression: its records in columns, and the weights of those that ended by another cause.
//!
//! Definition.  ω(t) = Ĝ(t−)·Ĥ(t−) in each censoring stratum; one that ended by another cause on T has weight ω(t)/ω(T) on t > T. With
//!              n at risk on a tick, d ended by a cause, c censored, e entering after it, n₊ = n − d − c + e, a tick multiplies ω by
//!              (n − c)/n [or (n − d − c)/(n − d)] and by n₊/(n − d − c).
//! Decided.     Where all that are left on a tick are censored and others enter, each factor alone means nothing, but their product is
//!              n₊/(n − d), as if those who enter were those who left.
//! Epochs.      Where nobody is left to be censored and others enter, a new epoch begins: ω starts again at 1, and weights don't reach
//!              across. Under the reading of the paper so it is where endings emptied part of the risk set on that tick.

use super::causes::{EndingTable, ObservationsByCause, left_of, this_or_other};
use super::fine_gray::{CensoringReading, WeightInfluence};
use super::grouping::{Grouping, NO_GROUP};
use super::observation::count_clusters;

/// Those that take part, in columns.
pub(super) struct Records {
    pub(super) entry: Vec<i32>,
    pub(super) exit: Vec<i32>,
    /// 0 censored, 1 the cause, 2 another.
    pub(super) class: Vec<u8>,
    pub(super) weight: Vec<f64>,
    pub(super) cluster: Vec<u32>,
    pub(super) stratum: Vec<u16>,
    pub(super) strata: usize,
    pub(super) clusters: usize,
    /// Covariates, centred and scaled to a deviation of 1.
    pub(super) columns: Vec<Vec<f64>>,
    pub(super) centre: Vec<f64>,
    /// Deviations; 0 for one that doesn't vary.
    pub(super) scale: Vec<f64>,
    tables: Vec<EndingTable>,
}

impl Records {
    pub(super) fn of(
        by_cause: &ObservationsByCause<'_>,
        cause: u8,
        covariates: &[Vec<f64>],
        strata: Option<&Grouping>,
    ) -> Self {
        let observations = by_cause.observations();
        let stratum = |i: usize| match strata {
            None => Some(0),
            Some(strata) => strata.codes().get(i).copied().filter(|&code| code != NO_GROUP),
        };
        let taken: Vec<usize> = (0..observations.len()).filter(|&i| stratum(i).is_some()).collect();
        let class = this_or_other(cause);
        let levels = strata.map_or(1, |strata| usize::from(strata.levels()));
        let mut records = Self {
            entry: taken.iter().map(|&i| observations.entry()[i]).collect(),
            exit: taken.iter().map(|&i| observations.exit()[i]).collect(),
            class: taken.iter().map(|&i| class[usize::from(by_cause.codes()[i])]).collect(),
            weight: taken.iter().map(|&i| observations.weight_of(i)).collect(),
            cluster: taken.iter().map(|&i| observations.cluster()[i]).collect(),
            stratum: taken.iter().filter_map(|&i| stratum(i)).collect(),
            strata: levels,
            clusters: observations.clusters() as usize,
            columns: Vec::new(),
            centre: Vec::new(),
            scale: Vec::new(),
            tables: EndingTable::count(by_cause, &class, 3, levels, |i| stratum(i).map(usize::from)),
        };
        for column in covariates {
            records.add_column(taken.iter().map(|&i| column[i]).collect());
        }
        records
    }

    fn add_column(&mut self, mut column: Vec<f64>) {
        let total: f64 = self.weight.iter().sum();
        let mean =
            |values: &[f64]| values.iter().zip(&self.weight).map(|(value, weight)| weight * value).sum::<f64>() / total;
        let first = column.first().copied().unwrap_or(0.0);
        // From the first value on, so that a column of equal values varies by exactly nothing.
        column.iter_mut().for_each(|value| *value -= first);
        let shift = mean(&column);
        column.iter_mut().for_each(|value| *value -= shift);
        let largest = column.iter().fold(0.0, |largest, value| f64::max(largest, value.abs()));
        let squares: Vec<f64> = column.iter().map(|value| (value / largest) * (value / largest)).collect();
        let scale = if largest > 1e-13 * first.abs() { largest * libm::sqrt(mean(&squares)) } else { 0.0 };
        if scale > 0.0 {
            column.iter_mut().for_each(|value| *value /= scale);
        }
        self.columns.push(column);
        self.centre.push(first + shift);
        self.scale.push(scale);
    }

    /// The last tick on which anybody that takes part was at risk.
    pub(super) fn last_tick(&self) -> i32 {
        self.exit.iter().copied().max().unwrap_or(-1)
    }

    /// The weight that ended by the cause on each tick.
    pub(super) fn ended_by_cause(&self) -> Vec<f64> {
        let mut sum = vec![0.0; self.ticks()];
        for table in &self.tables {
            for (sum, part) in sum.iter_mut().zip(table.ended(1)) {
                *sum += part;
            }
        }
        sum
    }

    /// How many ticks there are.
    pub(super) fn ticks(&self) -> usize {
        self.tables.first().map_or(0, |table| table.at_risk.len())
    }

    /// How many records ended by the cause.
    pub(super) fn failures(&self) -> u64 {
        self.failures_to(i32::MAX)
    }

    /// How many did so up to a tick.
    pub(super) fn failures_to(&self, tick: i32) -> u64 {
        self.class.iter().zip(&self.exit).map(|(&class, &exit)| u64::from(class == 1 && exit <= tick)).sum()
    }

    pub(super) fn clusters_present(&self) -> u64 {
        count_clusters(self.cluster.iter().copied(), self.clusters)
    }
}

/// ω of each stratum and tick, and how ln ω moves with the case weight of one observation.
pub(super) struct SubdistributionWeights {
    ticks: usize,
    omega: Vec<f64>,
    epoch: Vec<u32>,
    /// How many epochs, over all strata.
    pub(super) epochs: usize,
    /// By how much ln ω after a tick moves for one that stays at risk through it, is censored on it, ends on it by a cause, or enters
    /// after it; for each stratum and tick.
    moves: Vec<Moves>,
    /// Whether ω is taken to move just before the endings of its tick (as in the paper of 1999) or after them.
    pub(super) before_endings: bool,
}

/// See [`SubdistributionWeights`].
#[derive(Clone, Copy, Default)]
pub(super) struct Moves {
    pub(super) staying: f64,
    pub(super) censored: f64,
    pub(super) ended: f64,
    pub(super) entering: f64,
}

impl SubdistributionWeights {
    pub(super) fn of(records: &Records, reading: CensoringReading, influence: WeightInfluence) -> Self {
        let ticks = records.ticks();
        let late = records.entry.iter().any(|&entry| entry > 0);
        let martingale = influence == WeightInfluence::Martingale && !late;
        let mut weights = Self {
            ticks,
            omega: Vec::with_capacity(ticks * records.tables.len()),
            epoch: Vec::with_capacity(ticks * records.tables.len()),
            epochs: 0,
            moves: Vec::with_capacity(ticks * records.tables.len()),
            before_endings: martingale,
        };
        let mut epoch = 0;
        for table in &records.tables {
            let mut omega = 1.0;
            for tick in 0..ticks {
                weights.omega.push(omega);
                weights.epoch.push(epoch);
                let tick = OneTick::of(table, tick, reading);
                weights.moves.push(if martingale { tick.martingale() } else { tick.derivative() });
                if tick.starts_anew() {
                    omega = 1.0;
                    epoch += 1;
                } else {
                    omega *= tick.factor();
                }
            }
            epoch += 1;
        }
        weights.epochs = epoch as usize;
        weights
    }

    /// The epoch of a stratum's tick, and its ω.
    pub(super) fn at(&self, stratum: usize, tick: usize) -> (u32, f64) {
        (self.epoch[stratum * self.ticks + tick], self.omega[stratum * self.ticks + tick])
    }

    /// How ln ω moves on a tick.
    pub(super) fn moves(&self, stratum: usize, tick: usize) -> Moves {
        self.moves[stratum * self.ticks + tick]
    }

    /// For a record that ended by another cause, its epoch and 1/ω on that tick.
    pub(super) fn of_competing(&self, records: &Records, i: usize) -> Option<(u32, f64)> {
        let (epoch, omega) = self.at(usize::from(records.stratum[i]), records.exit[i] as usize);
        (records.class[i] == 2 && omega > 0.0).then(|| (epoch, 1.0 / omega))
    }
}

/// The counts of one stratum's tick.
struct OneTick {
    /// At risk of being censored.
    exposed: f64,
    ended: f64,
    censored: f64,
    /// Left after endings and censorings.
    left: f64,
    entering: f64,
    /// At risk on the next tick.
    next: f64,
    endings_exposed: bool,
}

impl OneTick {
    fn of(table: &EndingTable, tick: usize, reading: CensoringReading) -> Self {
        let (n, d, censored) = (table.at_risk[tick], table.events[tick], table.ended(0)[tick]);
        let endings_exposed = reading == CensoringReading::EndingsAtRisk;
        let left = n - d - censored;
        let exposed = match reading {
            CensoringReading::EndingsAtRisk => n,
            CensoringReading::EndingsFirst if left_of(n, n - d) > 0.0 => n - d,
            CensoringReading::EndingsFirst => 0.0,
        };
        Self {
            exposed,
            ended: d,
            censored,
            left: left_of(n, left),
            entering: table.entered[tick],
            next: table.at_risk.get(tick + 1).copied().unwrap_or(0.0),
            endings_exposed,
        }
    }

    /// Whether others have taken the place of all that were left: then only the product of both factors means something.
    fn replaced(&self) -> bool {
        self.entering > 0.0 && self.left <= 0.0
    }

    /// Whether that product means nothing either.
    fn starts_anew(&self) -> bool {
        self.replaced() && (self.exposed <= 0.0 || (self.endings_exposed && self.ended > 0.0))
    }

    fn uncensored(&self) -> f64 {
        let rest = self.exposed - self.censored;
        left_of(self.exposed, rest)
    }

    fn factor(&self) -> f64 {
        if self.replaced() {
            return self.next / self.exposed;
        }
        let stay = if self.censored > 0.0 { self.uncensored() / self.exposed } else { 1.0 };
        let enter = if self.entering > 0.0 { self.next / self.left } else { 1.0 };
        stay * enter
    }

    /// −(dN − Y·c/n)/n.
    fn martingale(&self) -> Moves {
        if self.censored <= 0.0 {
            return Moves::default();
        }
        let staying = self.censored / (self.exposed * self.exposed);
        Moves {
            staying,
            censored: staying - 1.0 / self.exposed,
            ended: if self.endings_exposed { staying } else { 0.0 },
            entering: 0.0,
        }
    }

    fn derivative(&self) -> Moves {
        let mut moves = Moves::default();
        let rest = self.uncensored();
        if self.replaced() && !self.starts_anew() {
            moves.censored = -1.0 / self.exposed;
            moves.entering = 1.0 / self.next;
            return moves;
        }
        if self.starts_anew() || (self.censored > 0.0 && rest <= 0.0) {
            return moves;
        }
        if self.censored > 0.0 {
            moves.staying = 1.0 / rest - 1.0 / self.exposed;
            moves.censored = -1.0 / self.exposed;
            moves.ended = if self.endings_exposed { moves.staying } else { 0.0 };
        }
        if self.entering > 0.0 {
            moves.staying += 1.0 / self.next - 1.0 / self.left;
            moves.entering = 1.0 / self.next;
        }
        moves
    }
}
