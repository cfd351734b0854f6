//! How many of each group are at risk, and how many fail, on each tick with failures of each stratum.
//!
//! Definition.  A row for each tick of a stratum on which somebody fails. An observation is at risk on the rows after those at or
//!              before its entry, up to those at or before its exit. Counts are sums of case weights.
//! Decided.     A sum of weights over nobody is 0 exactly, and where all of a group fail together its two counts are the same
//!              number, whatever rounding made of the sums.
//! Cost.        O(observations + ticks·strata) on a grid of ticks; where the strata are many and small, sorting their failures and
//!              looking ticks up instead: O(observations · ln ticks).

use super::compared::Compared;
use super::life_table::LifeTable;
use super::observation::Ending;

/// Counts of each stratum's rows, one stratum after the other. Each stratum has one row of zeros at its end.
#[derive(Clone, Debug)]
pub(super) struct RiskCounts {
    /// How many groups.
    pub size: usize,
    /// Where the rows of each stratum start, and where the last one's end.
    pub starts: Vec<usize>,
    /// For each row and group, how many are at risk.
    pub at_risk: Vec<f64>,
    /// For each row and group, how many fail.
    pub failed: Vec<f64>,
    /// How many observations of each group take part.
    pub observations: Vec<u64>,
    /// How many of them fail.
    pub failures: Vec<u64>,
    places: Places,
}

/// Where in the rows a tick lies.
#[derive(Clone, Debug)]
enum Places {
    /// For each stratum and tick, the row after those on that tick or before.
    Grid { ticks: usize, after: Vec<u32> },
    /// The tick of each row.
    Listed(Vec<i32>),
}

impl RiskCounts {
    /// Counts those that take part in a comparison.
    pub(super) fn of(compared: &Compared<'_>) -> Self {
        if compared.strata.is_none() && compared.observations.weights().is_none() {
            Self::of_tables(&LifeTable::by_group(compared.observations, compared.grouping))
        } else {
            Self::of_records(compared)
        }
    }

    /// The counts of groups of which the life tables are known; one stratum, every case weight 1.
    #[expect(clippy::cast_possible_truncation, reason = "an axis has fewer than 2^31 ticks")]
    pub(super) fn of_tables(tables: &[LifeTable]) -> Self {
        let size = tables.len();
        let ticks = tables.iter().map(|table| table.failed().len()).max().unwrap_or(0);
        let mut columns: Vec<_> = tables.iter().map(LifeTable::at_risk).collect();
        let (mut at_risk, mut failed, mut after) = (Vec::new(), Vec::new(), Vec::with_capacity(ticks));
        let mut now = vec![0; size];
        for tick in 0..ticks {
            for (now, column) in now.iter_mut().zip(&mut columns) {
                *now = column.next().unwrap_or(0);
            }
            let fail = |table: &LifeTable| table.failed().get(tick).copied().unwrap_or(0);
            if tables.iter().any(|table| fail(table) > 0) {
                at_risk.extend(now.iter().map(|&now| now as f64));
                failed.extend(tables.iter().map(|table| fail(table) as f64));
            }
            after.push((at_risk.len() / size) as u32);
        }
        at_risk.resize(at_risk.len() + size, 0.0);
        failed.resize(at_risk.len(), 0.0);
        Self {
            size,
            starts: vec![0, at_risk.len().checked_div(size).unwrap_or(0)],
            at_risk,
            failed,
            observations: tables.iter().map(LifeTable::total).collect(),
            failures: tables.iter().map(LifeTable::failures).collect(),
            places: Places::Grid { ticks, after },
        }
    }

    fn of_records(compared: &Compared<'_>) -> Self {
        let (starts, places) = rows_of(compared);
        let size = usize::from(compared.grouping.levels());
        let cells = starts.last().copied().unwrap_or(0) * size;
        let mut counts = Self {
            size,
            starts,
            at_risk: vec![0.0; cells],
            failed: vec![0.0; cells],
            observations: vec![0; size],
            failures: vec![0; size],
            places,
        };
        // Changes of the counts at risk, told from the end: +w up to the row of the exit, −w up to that of the entry.
        // Where every weight is 1 the sums are exact, and the heads need no counting beside them.
        let observations = compared.observations;
        let weighted = observations.weights().is_some();
        let mut heads_at_risk = vec![0_i64; if weighted { cells } else { 0 }];
        let mut heads_failed = heads_at_risk.clone();
        let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
        compared.each(|i, group, stratum| {
            let weight = observations.weight_of(i);
            counts.observations[group] += 1;
            let after = counts.after(stratum, exit[i]) * size + group;
            counts.at_risk[after] += weight;
            if weighted {
                heads_at_risk[after] += 1;
            }
            if entry[i] > 0 {
                let before = counts.after(stratum, entry[i]) * size + group;
                counts.at_risk[before] -= weight;
                if weighted {
                    heads_at_risk[before] -= 1;
                }
            }
            if ending[i] == Ending::Failed {
                counts.failures[group] += 1;
                counts.failed[after - size] += weight;
                if weighted {
                    heads_failed[after - size] += 1;
                }
            }
        });
        let (mut weight_now, mut heads_now) = (vec![0.0; size], vec![0; size]);
        for stratum in 0..counts.starts.len() - 1 {
            weight_now.fill(0.0);
            heads_now.fill(0);
            for row in (counts.starts[stratum]..counts.starts[stratum + 1]).rev() {
                for g in 0..size {
                    let cell = row * size + g;
                    let change = counts.at_risk[cell];
                    counts.at_risk[cell] = match weighted.then(|| (heads_now[g], heads_failed[cell])) {
                        Some((0, _)) => 0.0,
                        Some((at_risk, failed)) if at_risk == failed => counts.failed[cell],
                        _ => weight_now[g],
                    };
                    weight_now[g] += change;
                    if weighted {
                        heads_now[g] += heads_at_risk[cell];
                    }
                }
            }
        }
        counts
    }

    /// The row after those of a stratum that lie on this tick or before.
    #[inline]
    pub(super) fn after(&self, stratum: usize, tick: i32) -> usize {
        match &self.places {
            Places::Grid { ticks, after } => after[stratum * ticks + (tick as usize).min(ticks - 1)] as usize,
            Places::Listed(listed) => {
                let start = self.starts[stratum];
                start + listed[start..self.starts[stratum + 1] - 1].partition_point(|&row| row <= tick)
            }
        }
    }

    /// The first row on which an observation with this entry can be at risk.
    #[inline]
    pub(super) fn first(&self, stratum: usize, entry: i32) -> usize {
        if entry == 0 { self.starts[stratum] } else { self.after(stratum, entry) }
    }

    /// The counts of these groups alone, also on rows where none of them fails.
    pub(super) fn only(&self, groups: &[usize]) -> Self {
        let cells = |cells: &[f64]| cells.chunks(self.size).flat_map(|row| groups.iter().map(|&g| row[g])).collect();
        let totals = |totals: &[u64]| groups.iter().map(|&g| totals[g]).collect();
        Self {
            size: groups.len(),
            starts: self.starts.clone(),
            at_risk: cells(&self.at_risk),
            failed: cells(&self.failed),
            observations: totals(&self.observations),
            failures: totals(&self.failures),
            places: self.places.clone(),
        }
    }
}

/// Finds the ticks with failures of each stratum.
#[expect(clippy::cast_possible_truncation, reason = "rows are at most as many as failures and strata, fewer than 2^32")]
fn rows_of(compared: &Compared<'_>) -> (Vec<usize>, Places) {
    let (exit, ending) = (compared.observations.exit(), compared.observations.ending());
    let strata = compared.strata.map_or(1, |strata| usize::from(strata.levels()));
    let mut last = 0;
    compared.each(|i, _, _| {
        if ending[i] == Ending::Failed {
            last = exit[i].max(last);
        }
    });
    let ticks = last as usize + 1;
    let mut starts = Vec::with_capacity(strata + 1);
    starts.push(0);
    if strata.saturating_mul(ticks) <= 4 * exit.len() + (1 << 20) {
        let mut after = vec![0_u32; strata * ticks];
        compared.each(|i, _, stratum| {
            if ending[i] == Ending::Failed {
                after[stratum * ticks + exit[i] as usize] = 1;
            }
        });
        let mut rows = 0;
        for column in after.chunks_mut(ticks) {
            for place in column {
                rows += *place;
                *place = rows;
            }
            rows += 1;
            starts.push(rows as usize);
        }
        return (starts, Places::Grid { ticks, after });
    }
    let mut failures = Vec::new();
    compared.each(|i, _, stratum| {
        if ending[i] == Ending::Failed {
            failures.push((stratum as u32, exit[i]));
        }
    });
    failures.sort_unstable();
    failures.dedup();
    let mut listed = Vec::with_capacity(failures.len() + strata);
    let mut next = failures.into_iter().peekable();
    for stratum in 0..strata as u32 {
        while let Some((_, tick)) = next.next_if(|failure| failure.0 == stratum) {
            listed.push(tick);
        }
        listed.push(i32::MAX);
        starts.push(listed.len());
    }
    (starts, Places::Listed(listed))
}

#[cfg(test)]
mod tests {
    use super::super::grouping::Grouping;
    use super::super::observation::Observations;
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn records_and_tables_give_the_same_rows() {
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for (i, (entry, exit, failed)) in
            [(0, 3, true), (1, 4, false), (2, 3, true), (0, 0, true), (3, 9, true), (4, 9, true), (0, 9, false)]
                .into_iter()
                .enumerate()
        {
            let ending = if failed { Ending::Failed } else { Ending::Censored };
            observations.push(Days::new(entry), Days::new(exit), ending, 0).expect("in order");
            codes.push(u16::from(i % 2 == 0));
        }
        let grouping = Grouping::new(codes, 2).expect("two levels");
        let compared = Compared { observations: &observations, grouping: &grouping, strata: None };
        let (tables, records) = (RiskCounts::of(&compared), RiskCounts::of_records(&compared));
        assert_eq!((&tables.starts, &tables.at_risk, &tables.failed), (&records.starts, &records.at_risk, &records.failed));
        // By hand: rows of ticks 0, 3 and 9; group 1 holds observations 0, 2, 4, 6.
        assert_eq!(tables.at_risk, [1.0, 2.0, 1.0, 3.0, 1.0, 2.0, 0.0, 0.0]);
        assert_eq!(tables.failed, [1.0, 0.0, 0.0, 2.0, 1.0, 1.0, 0.0, 0.0]);
    }

    #[test]
    fn rounding_leaves_nobody_at_risk_where_there_is_nobody() {
        // On tick 5 all of group 0 fail, and of group 1 nobody is at risk yet: those who enter then leave at other times, so that
        // the sums of their weights going in and coming out are rounded differently.
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for (entry, exit, weight, group) in [
            (0, 5, 0.1, 0),
            (0, 5, 0.2, 0),
            (5, 9, 0.7, 0),
            (5, 10, 0.1, 0),
            (5, 11, 0.3, 0),
            (5, 9, 0.7, 1),
            (5, 10, 0.1, 1),
            (5, 11, 0.3, 1),
        ] {
            observations.push_weighted(Days::new(entry), Days::new(exit), Ending::Failed, 0, weight).expect("in order");
            codes.push(group);
        }
        let grouping = Grouping::new(codes, 2).expect("two levels");
        let counts = RiskCounts::of(&Compared::new(&observations, &grouping));
        assert!(((-0.7 - 0.1 - 0.3) + (0.3 + 0.1 + 0.7_f64)).abs() > 0.0, "the sums differ");
        assert_eq!((counts.at_risk[0].to_bits(), counts.at_risk[1].to_bits()), (counts.failed[0].to_bits(), 0));
        assert!(counts.failed[0] > 0.29);
    }

    #[test]
    fn a_listed_place_is_that_of_the_grid() {
        // Ten strata with failures far apart: more cells than the grid is built for.
        let (mut observations, mut strata) = (Observations::default(), Vec::new());
        for i in 0..40_u16 {
            let exit = Days::new(110_000 - 2_500 * i32::from(i));
            let ending = if i % 3 == 0 { Ending::Censored } else { Ending::Failed };
            observations.push_weighted(Days::new(0), exit, ending, 0, 1.0).expect("in order");
            strata.push(i % 10);
        }
        let grouping = Grouping::new(vec![0; 40], 1).expect("one level");
        let strata = Grouping::new(strata, 10).expect("levels");
        let counts = RiskCounts::of(&Compared { observations: &observations, grouping: &grouping, strata: Some(&strata) });
        assert!(matches!(counts.places, Places::Listed(_)));
        for stratum in 0..10 {
            let mut one = Observations::default();
            for i in (stratum..40).step_by(10) {
                one.push_weighted(Days::new(0), Days::new(observations.exit()[i]), observations.ending()[i], 0, 1.0)
                    .expect("in order");
            }
            let grouping = Grouping::new(vec![0; 4], 1).expect("one level");
            let alone = RiskCounts::of(&Compared { observations: &one, grouping: &grouping, strata: None });
            let rows = counts.starts[stratum]..counts.starts[stratum + 1];
            assert_eq!((&counts.at_risk[rows.clone()], &counts.failed[rows]), (&alone.at_risk[..], &alone.failed[..]));
        }
    }
}
