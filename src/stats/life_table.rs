//! The day-resolution life table: how many entered, failed, met a competing event or were censored on each day.
//!
//! Definition.  at_risk(0) = origin; at_risk(u+1) = at_risk(u) − failed(u) − competing(u) − censored(u) + entered(u).
//!              Those who enter on day e > 0 join the risk set on day e+1.
//! Identity.    Just before day t: at_risk + failed_so_far + competing_so_far + censored_so_far = entered_so_far, and
//!              entered_so_far + not_yet_entered = everybody ("so far" counts days before t).
//! Why.         Product-limit curves, log-rank tests, restricted means and person-time are functions of this table. It adds:
//!              the tables of two practices sum to that of both, exactly, and no patient is in it.
//! Cost.        O(observations + days): counted, not sorted, by two to four threads where there are many.

use std::ops::{Add, AddAssign, Range};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, Observations};
use crate::quantity::{DAYS_PER_YEAR, Days, Years};
use crate::threads::{available, even_parts, on_threads};

/// Counts for each day from the time origin to the last day of follow-up.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LifeTable {
    origin: u64,
    entered: Vec<u64>,
    failed: Vec<u64>,
    competing: Vec<u64>,
    censored: Vec<u64>,
}

/// Where everybody is just before the events of a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Counts {
    /// At risk on the day.
    pub at_risk: u64,
    /// Failed on an earlier day.
    pub failed_so_far: u64,
    /// Ended by a competing event on an earlier day.
    pub competing_so_far: u64,
    /// Censored on an earlier day.
    pub censored_so_far: u64,
    /// Came under observation in time to be at risk on the day or earlier.
    pub entered_so_far: u64,
    /// Will come under observation too late to be at risk on the day.
    pub not_yet_entered: u64,
}

impl LifeTable {
    /// The table of all observations.
    pub fn count(observations: &Observations) -> Self {
        Grid::count(observations, |_| 0, 1).into_tables().pop().unwrap_or_default()
    }

    /// The table of each level of a grouping. Observations without a group are in none of them, nor are those past the end of
    /// the grouping's codes.
    pub fn by_group(observations: &Observations, grouping: &Grouping) -> Vec<Self> {
        let codes = grouping.codes();
        if codes.len() >= observations.len() {
            Grid::count(observations, |i| codes[i], grouping.levels()).into_tables()
        } else {
            Grid::count(observations, |i| codes.get(i).copied().unwrap_or(NO_GROUP), grouping.levels()).into_tables()
        }
    }

    /// The same follow-up with being censored as the event, and whatever ended it otherwise as censoring: the table of how long
    /// restorations were followed.
    pub fn reversed(&self) -> Self {
        let ended = self.failed.iter().zip(&self.competing).map(|(failed, competing)| failed + competing).collect();
        Self { failed: self.censored.clone(), competing: vec![0; self.failed.len()], censored: ended, ..self.clone() }
    }

    /// How many were followed from the time origin.
    pub fn origin(&self) -> u64 {
        self.origin
    }

    /// How many came under observation on each day after the origin; they join the risk set on the day after.
    pub fn entered(&self) -> &[u64] {
        &self.entered
    }

    /// How many failed on each day.
    pub fn failed(&self) -> &[u64] {
        &self.failed
    }

    /// How many met a competing event on each day.
    pub fn competing(&self) -> &[u64] {
        &self.competing
    }

    /// How many were censored on each day.
    pub fn censored(&self) -> &[u64] {
        &self.censored
    }

    /// How many are at risk on each day from 0 to the last.
    pub fn at_risk(&self) -> impl Iterator<Item = u64> + '_ {
        let mut now = self.origin;
        (0..self.failed.len()).map(move |day| {
            let today = now;
            now = now + self.entered[day] - self.failed[day] - self.competing[day] - self.censored[day];
            today
        })
    }

    /// The last day on which anybody was at risk; none when there are no observations.
    pub fn last_day(&self) -> Option<Days> {
        self.failed.len().checked_sub(1).and_then(|day| i32::try_from(day).ok()).map(Days::new)
    }

    /// How many observations in all.
    pub fn total(&self) -> u64 {
        self.origin + self.entered.iter().sum::<u64>()
    }

    /// How many failed in all.
    pub fn failures(&self) -> u64 {
        self.failed.iter().sum()
    }

    /// Time under observation, summed over all, in days: the sum of exit − entry. One that ends on day 0 adds nothing.
    pub fn exposure(&self) -> u64 {
        let mut exits = 0;
        let mut entries = 0;
        for (day, weight) in (0_u64..).enumerate().take(self.failed.len()) {
            exits += weight * (self.failed[day] + self.competing[day] + self.censored[day]);
            entries += weight * self.entered[day];
        }
        exits - entries
    }

    /// The exposure in years of 365.25 days.
    pub fn exposure_years(&self) -> Years {
        Years::new(self.exposure() as f64 / DAYS_PER_YEAR)
    }

    /// Where everybody is just before the events of `day`; the last day's successor and later days have nobody at risk.
    pub fn counts_at(&self, day: Days) -> Counts {
        let before = usize::try_from(day.count()).unwrap_or(0).min(self.failed.len());
        let so_far = |column: &[u64]| column[..before].iter().sum::<u64>();
        let (failed, competing, censored) = (so_far(&self.failed), so_far(&self.competing), so_far(&self.censored));
        let entered = self.origin + so_far(&self.entered);
        Counts {
            at_risk: entered - failed - competing - censored,
            failed_so_far: failed,
            competing_so_far: competing,
            censored_so_far: censored,
            entered_so_far: entered,
            not_yet_entered: self.total() - entered,
        }
    }
}

/// Below this many observations a second thread costs more than it saves.
const WORTH_A_THREAD: usize = 200_000;

/// Counts of every level side by side, so that one pass over the columns fills them all. Counts are whole numbers, so parts
/// counted by any number of threads sum to the same.
struct Grid {
    /// Levels, and one more for those without a group.
    width: usize,
    days: usize,
    /// By day, level and ending: numbers of observations, of which there are fewer than 2³².
    ended: Vec<u32>,
    /// By day and level; empty where nobody entered late.
    entered: Vec<u32>,
}

impl Grid {
    fn count(observations: &Observations, code: impl Fn(usize) -> u16 + Sync, levels: u16) -> Self {
        let (n, width) = (observations.len(), usize::from(levels) + 1);
        let days = observations.days();
        let part = |range: Range<usize>| {
            let mut grid = Self { width, days, ended: Vec::new(), entered: Vec::new() };
            grid.ended.resize(days * width * 4, 0);
            if observations.any_entered_late() {
                grid.entered.resize(days * width, 0);
            }
            grid.add(observations, &code, range);
            grid
        };
        let threads = available().min(4);
        if threads < 2 || n < WORTH_A_THREAD || days * width * 4 * threads > n {
            return part(0..n);
        }
        let mut parts = on_threads(even_parts(n, threads), threads, part).into_iter();
        let mut sum = parts.next().unwrap_or_else(|| part(0..0));
        for part in parts {
            sum.ended.iter_mut().zip(&part.ended).for_each(|(sum, part)| *sum += part);
            sum.entered.iter_mut().zip(&part.entered).for_each(|(sum, part)| *sum += part);
        }
        sum
    }

    fn add(&mut self, observations: &Observations, code: &impl Fn(usize) -> u16, range: Range<usize>) {
        let column = |i: usize| usize::from(code(i)).min(self.width - 1);
        let (exit, ending) = (&observations.exit()[range.clone()], &observations.ending()[range.clone()]);
        for (i, (&exit, &ending)) in range.clone().zip(exit.iter().zip(ending)) {
            self.ended[(exit as usize * self.width + column(i)) * 4 + ending as usize] += 1;
        }
        if !self.entered.is_empty() {
            for (i, &entry) in range.clone().zip(&observations.entry()[range]) {
                if entry > 0 {
                    self.entered[entry as usize * self.width + column(i)] += 1;
                }
            }
        }
    }

    /// The table of each level, as far as its last ending.
    fn into_tables(self) -> Vec<LifeTable> {
        let table = |level: usize| {
            let ended = |day: usize, ending: Ending| self.ended[(day * self.width + level) * 4 + ending as usize];
            let endings = [Ending::Failed, Ending::Competing, Ending::Censored];
            let last = (0..self.days).rev().find(|&day| endings.iter().any(|&ending| ended(day, ending) > 0));
            let days = last.map_or(0, |last| last + 1);
            let column = |ending| (0..days).map(|day| u64::from(ended(day, ending))).collect::<Vec<u64>>();
            let [failed, competing, censored] = endings.map(column);
            let entered_on = |day: usize| self.entered.get(day * self.width + level).copied().unwrap_or(0);
            let entered: Vec<u64> = (0..days).map(|day| u64::from(entered_on(day))).collect();
            let total: u64 = failed.iter().chain(&competing).chain(&censored).sum();
            LifeTable { origin: total - entered.iter().sum::<u64>(), entered, failed, competing, censored }
        };
        (0..self.width - 1).map(table).collect()
    }
}

impl AddAssign<&LifeTable> for LifeTable {
    /// Adds the counts of another table day by day; the sum reaches as far as the longer of the two.
    fn add_assign(&mut self, other: &LifeTable) {
        fn add(sum: &mut Vec<u64>, part: &[u64]) {
            sum.resize(sum.len().max(part.len()), 0);
            for (sum, part) in sum.iter_mut().zip(part) {
                *sum += part;
            }
        }
        self.origin += other.origin;
        add(&mut self.entered, &other.entered);
        add(&mut self.failed, &other.failed);
        add(&mut self.competing, &other.competing);
        add(&mut self.censored, &other.censored);
    }
}

impl Add<&LifeTable> for LifeTable {
    type Output = LifeTable;

    fn add(mut self, other: &LifeTable) -> LifeTable {
        self += other;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_are_at_risk_as_counted_by_hand() {
        // By hand: 2, 4, 4+, 6, 9+ and 3+, 4, 7, 7, 10+.
        let table = LifeTable::count(&ten_rows::pooled());
        assert_eq!(table.at_risk().collect::<Vec<_>>(), [10, 10, 10, 9, 8, 5, 5, 4, 2, 2, 1]);
        assert_eq!(table.failed(), [0, 0, 1, 0, 2, 0, 1, 2, 0, 0, 0]);
        assert_eq!(table.exposure(), 2 + 4 + 4 + 6 + 9 + 3 + 4 + 7 + 7 + 10);
        let counts = table.counts_at(Days::new(5));
        assert_eq!((counts.at_risk, counts.failed_so_far, counts.censored_so_far, counts.not_yet_entered), (5, 3, 2, 0));
    }

    #[test]
    fn a_late_entry_joins_on_the_day_after() {
        let mut observations = Observations::default();
        observations.push(Days::new(0), Days::new(3), Ending::Censored, 0).expect("in order");
        observations.push(Days::new(1), Days::new(4), Ending::Failed, 1).expect("in order");
        let table = LifeTable::count(&observations);
        assert_eq!(table.at_risk().collect::<Vec<_>>(), [1, 1, 2, 2, 1]);
        assert_eq!(table.exposure(), 6);
        assert_eq!(table.counts_at(Days::new(1)).not_yet_entered, 1);
        assert_eq!(table.counts_at(Days::new(9)).at_risk, 0);
    }

    #[test]
    fn reversed_is_the_table_of_observations_with_their_endings_exchanged() {
        let (mut observations, mut exchanged) = (Observations::default(), Observations::default());
        let endings = [Ending::Failed, Ending::Censored, Ending::Competing];
        for (place, cluster) in (0_usize..30).zip(0_u32..) {
            let (entry, exit) = (i32::try_from(place % 3).unwrap_or(0), i32::try_from(5 + place * 7 % 11).unwrap_or(0));
            let other = if endings[place % 3] == Ending::Censored { Ending::Failed } else { Ending::Censored };
            observations.push(Days::new(entry), Days::new(exit), endings[place % 3], cluster).expect("in order");
            exchanged.push(Days::new(entry), Days::new(exit), other, cluster).expect("in order");
        }
        assert_eq!(LifeTable::count(&observations).reversed(), LifeTable::count(&exchanged));
    }

    #[test]
    fn tables_of_parts_sum_to_the_whole() {
        let (observations, grouping) = ten_rows::grouped();
        let parts = LifeTable::by_group(&observations, &grouping);
        assert_eq!(parts[0].clone() + &parts[1], LifeTable::count(&observations));
        assert_eq!(parts[1].clone() + &parts[0], LifeTable::count(&observations));
    }

    #[test]
    fn no_observations_make_a_table_of_no_days() {
        let table = LifeTable::count(&Observations::default());
        assert_eq!((table.last_day(), table.total(), table.exposure()), (None, 0, 0));
        assert_eq!(table.counts_at(Days::new(3)), Counts::default());
    }
}
