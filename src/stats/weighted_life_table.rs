//! The life table of weighted observations: sums of case weights on each tick, with the plain counts beside them.
//!
//! Definition.  As [`LifeTable`], with the sum of case weights in place of each count. A weight of 2 stands for
//!              two identical observations.
//! Formula.     at_risk(u) = what leaves on u or later, less what enters on u or later, summed from the last tick backwards: so
//!              the small risk sets at the end are sums of few terms, not the rest of a large one.
//! Decided.     Whether anybody is at risk, and whether all of them fail, is asked of the counts, never of a rounded sum.
//! Cost.        O(observations + ticks).
//! Not for.     Observations without weights: the integer table is exact, faster, and gives the same curve.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::compensated_sum::CompensatedSum;
use super::grouping::{Grouping, NO_GROUP};
use super::life_table::LifeTable;
use super::observation::{Ending, Observations};

/// Sums of case weights for each tick from the time origin to the last tick of follow-up, and the counts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WeightedLifeTable {
    counts: LifeTable,
    origin: f64,
    entered: Vec<f64>,
    failed: Vec<f64>,
    competing: Vec<f64>,
    censored: Vec<f64>,
}

impl WeightedLifeTable {
    /// A table of no weight beside these counts.
    fn beside(counts: LifeTable) -> Self {
        let zeros = vec![0.0; counts.failed().len()];
        Self {
            counts,
            origin: 0.0,
            entered: zeros.clone(),
            failed: zeros.clone(),
            competing: zeros.clone(),
            censored: zeros,
        }
    }

    /// Adds the weight of one observation; its ticks lie within the table.
    fn tally(&mut self, entry: i32, exit: i32, ending: Ending, weight: f64) {
        if entry == 0 {
            self.origin += weight;
        } else {
            self.entered[entry as usize] += weight;
        }
        let column = match ending {
            Ending::Failed => &mut self.failed,
            Ending::Competing => &mut self.competing,
            Ending::Censored => &mut self.censored,
        };
        column[exit as usize] += weight;
    }

    /// The table of all observations; those without a weight of their own weigh 1.
    pub fn count(observations: &Observations) -> Self {
        let mut table = Self::beside(LifeTable::count(observations));
        for i in 0..observations.len() {
            let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
            table.tally(entry, exit, observations.ending()[i], observations.weight_of(i));
        }
        table
    }

    /// The table of each level of a grouping; observations without a group are in none of them.
    pub fn by_group(observations: &Observations, grouping: &Grouping) -> Vec<Self> {
        let mut tables: Vec<Self> = LifeTable::by_group(observations, grouping).into_iter().map(Self::beside).collect();
        for (i, &code) in grouping.codes().iter().take(observations.len()).enumerate() {
            if code != NO_GROUP {
                let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
                tables[usize::from(code)].tally(entry, exit, observations.ending()[i], observations.weight_of(i));
            }
        }
        tables
    }

    /// The counts, each observation once whatever its weight.
    pub fn counts(&self) -> &LifeTable {
        &self.counts
    }

    /// Weight of those followed from the time origin.
    pub fn origin(&self) -> f64 {
        self.origin
    }

    /// Weight that came under observation on each tick after the origin.
    pub fn entered(&self) -> &[f64] {
        &self.entered
    }

    /// Weight that failed on each tick.
    pub fn failed(&self) -> &[f64] {
        &self.failed
    }

    /// Weight that met a competing event on each tick.
    pub fn competing(&self) -> &[f64] {
        &self.competing
    }

    /// Weight that was censored on each tick.
    pub fn censored(&self) -> &[f64] {
        &self.censored
    }

    /// Weight at risk on each tick from 0 to the last; 0 exactly where nobody is at risk.
    pub fn at_risk(&self) -> Vec<f64> {
        let mut at_risk: Vec<f64> = self.counts.at_risk().map(|count| count as f64).collect();
        let mut sum = CompensatedSum::default();
        for (tick, place) in at_risk.iter_mut().enumerate().rev() {
            for column in [&self.failed, &self.competing, &self.censored] {
                sum.add(column[tick]);
            }
            sum.add(-self.entered[tick]);
            if *place > 0.0 {
                *place = sum.value();
            }
        }
        at_risk
    }

    /// The sum of all case weights.
    pub fn total(&self) -> f64 {
        let mut sum = CompensatedSum::default();
        for &weight in self.entered.iter().chain([&self.origin]) {
            sum.add(weight);
        }
        sum.value()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn three_rows_by_hand() {
        // By hand: weight 0.5 fails on tick 1; weight 2 enters on tick 1 and is censored on 3; weight 0.25 competes on 2.
        let mut observations = Observations::default();
        for (entry, exit, ending, weight) in
            [(0, 1, Ending::Failed, 0.5), (1, 3, Ending::Censored, 2.0), (0, 2, Ending::Competing, 0.25)]
        {
            observations.push_weighted(Days::new(entry), Days::new(exit), ending, 0, weight).expect("in order");
        }
        let table = WeightedLifeTable::count(&observations);
        assert_eq!(table.at_risk(), [0.75, 0.75, 2.25, 2.0]);
        assert_eq!((table.origin(), table.total()), (0.75, 2.75));
        assert_eq!(table.counts().at_risk().collect::<Vec<_>>(), [2, 2, 2, 1]);
        let groups = WeightedLifeTable::by_group(&observations, &Grouping::new(vec![0, NO_GROUP, 0], 1).expect("levels"));
        assert_eq!(groups[0].at_risk(), [0.75, 0.75, 0.25]);
    }

    #[test]
    fn no_observations_make_a_table_of_no_ticks() {
        let table = WeightedLifeTable::count(&Observations::default());
        assert!(table.at_risk().is_empty() && table.total().abs() < f64::MIN_POSITIVE);
    }
}
