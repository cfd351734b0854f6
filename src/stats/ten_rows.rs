//! The smallest data that have a tie, a tie with a censoring, a lone failure and a lone censoring, unsorted; for tests.
//!
//! Group A: 2, 4, 4+, 6, 9+. Group B: 3+, 4, 7, 7, 10+ ("+" marks a censored day).

use super::grouping::Grouping;
use super::observation::{Ending, Observations};
use crate::quantity::Days;

const FAILED: Ending = Ending::Failed;
const CENSORED: Ending = Ending::Censored;

/// Rows from the origin by day and ending, each its own cluster.
pub fn each_alone(rows: &[(i32, Ending)]) -> Observations {
    let mut observations = Observations::default();
    for (cluster, &(day, ending)) in (0..).zip(rows) {
        observations.push(Days::new(0), Days::new(day), ending, cluster).expect("in order");
    }
    observations
}

/// All ten, each its own cluster, in two groups.
pub fn grouped() -> (Observations, Grouping) {
    let rows = [
        (6, FAILED, 0),
        (10, CENSORED, 1),
        (4, FAILED, 1),
        (2, FAILED, 0),
        (4, CENSORED, 0),
        (7, FAILED, 1),
        (3, CENSORED, 1),
        (9, CENSORED, 0),
        (7, FAILED, 1),
        (4, FAILED, 0),
    ];
    let observations = each_alone(&rows.map(|(day, ending, _)| (day, ending)));
    (observations, Grouping::new(rows.iter().map(|row| row.2).collect(), 2).expect("two levels"))
}

/// All ten together.
pub fn pooled() -> Observations {
    grouped().0
}

/// Three that fail on days 1, 2 and 3.
pub fn all_fail() -> Observations {
    let mut observations = Observations::default();
    for day in 1..=3 {
        observations.push(Days::new(0), Days::new(day), FAILED, 0).expect("in order");
    }
    observations
}
