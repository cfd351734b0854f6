//! The actuarial life table: survival over intervals between given ticks (recall intervals, years).
//!
//! Definition.  Interval i is [c_{i−1}, c_i). Of those entered, w withdraw (censored or ended otherwise) and d fail in it:
//!              exposed n' = entered − w/2, q = d/n', p = 1 − q, cumulative survival at the end P = Π p.
//! Variance.    Of P: P²·Σ q/(n'·p) (Greenwood). With interval width b and midpoint hazard λ = 2q/(b(1 + p)):
//!              Var λ = λ²/(n'q)·(1 − (λb/2)²). Density f = P_{i−1}·q/b: Var f = f²·(Σ_{j<i} q_j/(n'_j·p_j) + p/(n'q)).
//! Source.      Cutler SJ, Ederer F. J Chronic Dis 1958;8:699–712; hazard and density: Gehan EA. J Chronic Dis 1969;21:629–644
//!              (both from memory).
//! Decided.     What lies on a cutpoint belongs to the interval that starts there, so what lies on the last cutpoint or after it
//!              is in place at its end. Late entries count half in the interval in which they join, as those who
//!              withdraw do: exposed = entered − w/2 + joined/2. With case weights, sums of weights take the place of counts.
//! Assumes.     Withdrawals are spread evenly over an interval.
//! Cost.        O(observations + ticks).
//! Not for.     Exact times and small groups: the product limit uses the times themselves.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::observation::Observations;
use super::weighted_life_table::WeightedLifeTable;
use crate::quantity::{Days, Fraction, Known, WhyNotKnown};

/// One interval of an actuarial life table. Counts are sums of case weights.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ActuarialInterval {
    /// First tick of the interval.
    pub from: Days,
    /// The tick that ends it (and starts the next).
    pub to: Days,
    /// In place at its start.
    pub entered: f64,
    /// Came under observation in it.
    pub joined: f64,
    /// Censored or ended otherwise in it.
    pub withdrawn: f64,
    /// Failed in it.
    pub failed: f64,
    /// entered − withdrawn/2 + joined/2.
    pub exposed: f64,
    /// Part of the exposed that failed; not known where nobody was exposed.
    pub failing: Known<Fraction>,
    /// Cumulative survival at its end.
    pub survival: Known<Fraction>,
    /// Standard error of that; not known before the first failure and once all have failed.
    pub survival_error: Known<f64>,
    /// Hazard at its midpoint, per unit of the axis.
    pub hazard: Known<f64>,
    /// Standard error of the hazard.
    pub hazard_error: Known<f64>,
    /// Density of failure at its midpoint, per unit of the axis.
    pub density: Known<f64>,
    /// Standard error of the density.
    pub density_error: Known<f64>,
}

/// Why the cutpoints of an actuarial table were refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CutpointError {
    /// There are fewer than two.
    TooFew,
    /// The first is not the time origin.
    NotFromOrigin,
    /// One isn't later than the one before it; its place, from 0.
    NotRising(usize),
}

impl fmt::Display for CutpointError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew => write!(f, "an actuarial table needs two cutpoints or more"),
            Self::NotFromOrigin => write!(f, "the first cutpoint is not the time origin, 0"),
            Self::NotRising(place) => write!(f, "cutpoint {} is not later than the one before it", place + 1),
        }
    }
}

impl std::error::Error for CutpointError {}

/// The actuarial table with intervals between the cutpoints, which rise from 0; ticks of `axis`.
///
/// # Errors
///
/// When there are fewer than two cutpoints, the first is not 0, or one doesn't rise.
pub fn actuarial_table(
    observations: &Observations,
    axis: &Axis,
    cutpoints: &[Days],
) -> Result<Vec<ActuarialInterval>, CutpointError> {
    if cutpoints.len() < 2 {
        return Err(CutpointError::TooFew);
    }
    if cutpoints[0] != Days::new(0) {
        return Err(CutpointError::NotFromOrigin);
    }
    if let Some(place) = cutpoints.windows(2).position(|pair| axis.time(pair[1].count()) <= axis.time(pair[0].count())) {
        return Err(CutpointError::NotRising(place + 1));
    }
    let table = WeightedLifeTable::count(observations);
    let at_risk = table.at_risk();
    let (mut survival, mut sum, mut failed_before) = (Known::Known(1.0), 0.0, false);
    let mut intervals = Vec::with_capacity(cutpoints.len() - 1);
    for pair in cutpoints.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let counts = Counts::between(&table, &at_risk, from, to);
        let width = axis.time(to.count()) - axis.time(from.count());
        let interval = estimate(counts, (from, to), width, &mut survival, &mut sum, &mut failed_before);
        intervals.push(interval);
    }
    Ok(intervals)
}

/// The sums of one interval.
#[derive(Clone, Copy)]
struct Counts {
    entered: f64,
    joined: f64,
    withdrawn: f64,
    failed: f64,
}

impl Counts {
    fn between(table: &WeightedLifeTable, at_risk: &[f64], from: Days, to: Days) -> Self {
        let place = |day: Days| usize::try_from(day.count()).unwrap_or(0).min(table.failed().len());
        let (start, end) = (place(from), place(to));
        let sum = |column: &[f64]| column[start..end].iter().sum::<f64>();
        Self {
            entered: at_risk.get(start).copied().unwrap_or(0.0),
            joined: sum(table.entered()),
            withdrawn: sum(table.competing()) + sum(table.censored()),
            failed: sum(table.failed()),
        }
    }
}

fn estimate(
    counts: Counts,
    (from, to): (Days, Days),
    width: f64,
    survival: &mut Known<f64>,
    sum: &mut f64,
    failed_before: &mut bool,
) -> ActuarialInterval {
    let Counts { entered, joined, withdrawn, failed } = counts;
    let exposed = entered - 0.5 * withdrawn + 0.5 * joined;
    let nobody = WhyNotKnown::PastLastFollowUp;
    let mut interval = ActuarialInterval {
        from,
        to,
        entered,
        joined,
        withdrawn,
        failed,
        exposed,
        failing: Known::NotKnown(nobody),
        survival: Known::NotKnown(nobody),
        survival_error: Known::NotKnown(nobody),
        hazard: Known::NotKnown(nobody),
        hazard_error: Known::NotKnown(nobody),
        density: Known::NotKnown(nobody),
        density_error: Known::NotKnown(nobody),
    };
    if exposed <= 0.0 {
        // Survival that has come down to 0 stays there; otherwise nothing is known any more.
        *survival = match *survival {
            Known::Known(value) if value <= 0.0 => Known::Known(value),
            _ => Known::NotKnown(nobody),
        };
        interval.survival = survival.map(Fraction::new);
        return interval;
    }
    // Late entries can bring more failures than the exposed of an interval; a part stays a part.
    let q = (failed / exposed).min(1.0);
    let p = 1.0 - q;
    interval.failing = Known::Known(Fraction::new(q));
    let hazard = 2.0 * q / (width * (1.0 + p));
    interval.hazard = Known::Known(hazard);
    let no_failures = Known::NotKnown(WhyNotKnown::NoFailures);
    interval.hazard_error = if failed > 0.0 {
        let half = 0.5 * hazard * width;
        Known::Known(hazard * libm::sqrt((1.0 - half * half).max(0.0) / (exposed * q)))
    } else {
        no_failures
    };
    let before = *survival;
    interval.density = before.map(|before| before * q / width);
    interval.density_error = match before {
        Known::Known(before) if failed > 0.0 && before > 0.0 => {
            Known::Known(before * q / width * libm::sqrt(*sum + p / (exposed * q)))
        }
        Known::Known(_) if failed > 0.0 => Known::NotKnown(WhyNotKnown::AllFailed),
        Known::Known(_) => no_failures,
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    *survival = before.map(|before| before * p);
    *failed_before |= failed > 0.0;
    interval.survival = survival.map(Fraction::new);
    if p > 0.0 {
        *sum += q / (exposed * p);
    }
    interval.survival_error = match *survival {
        Known::Known(_) if !*failed_before => no_failures,
        Known::Known(value) if value <= 0.0 => Known::NotKnown(WhyNotKnown::AllFailed),
        Known::Known(value) => Known::Known(value * libm::sqrt(*sum)),
        Known::NotKnown(why) => Known::NotKnown(why),
    };
    interval
}

#[cfg(test)]
mod tests {
    use super::super::ten_rows;
    use super::*;

    #[test]
    fn ten_rows_by_hand() {
        // By hand, cut at 0, 4, 8, 12. [0, 4): 10 entered, 1 withdrawn (3+), 1 failed (2): exposed 9.5, q = 2/19, P = 17/19.
        // [4, 8): 8 entered, 1 withdrawn (4+), 5 failed: exposed 7.5, q = 2/3, P = 17/57. [8, 12): 2 entered, 2 withdrawn.
        let cuts = [0, 4, 8, 12].map(Days::new);
        let table = actuarial_table(&ten_rows::pooled(), &Axis::Days, &cuts).expect("rising");
        let near = |known: Known<f64>, reference: f64| {
            let value = *known.known().expect("known");
            assert!((value - reference).abs() < 1e-15, "absolute: {value} against {reference}");
        };
        let value = |known: Known<Fraction>| known.map(Fraction::value);
        assert_eq!(
            table.iter().map(|row| (row.entered, row.withdrawn, row.failed, row.exposed)).collect::<Vec<_>>(),
            [(10.0, 1.0, 1.0, 9.5), (8.0, 1.0, 5.0, 7.5), (2.0, 2.0, 0.0, 1.0)]
        );
        near(value(table[0].survival), 17.0 / 19.0);
        near(value(table[1].survival), 17.0 / 57.0);
        near(value(table[2].survival), 17.0 / 57.0);
        // Σ q/(n'p): (2/19)/(9.5·17/19) = 4/323; + (2/3)/(7.5/3) = 4/15.
        near(table[0].survival_error, 17.0 / 19.0 * libm::sqrt(4.0 / 323.0));
        near(table[1].survival_error, 17.0 / 57.0 * libm::sqrt(4.0 / 323.0 + 4.0 / 15.0));
        // λ = 2·(2/3)/(4·4/3) = 1/4; its error (1/4)·√((1 − 1/4)/5). f = 17/19·(2/3)/4, error f·√(4/323 + (1/3)/5).
        near(table[1].hazard, 0.25);
        near(table[1].hazard_error, 0.25 * libm::sqrt(0.15));
        near(table[1].density, 17.0 / 114.0);
        near(table[1].density_error, 17.0 / 114.0 * libm::sqrt(4.0 / 323.0 + 1.0 / 15.0));
        assert_eq!(table[2].hazard_error, Known::NotKnown(WhyNotKnown::NoFailures));
    }

    #[test]
    fn after_the_last_follow_up_nothing_is_known_unless_all_have_failed() {
        let cuts = [0, 20, 40].map(Days::new);
        let table = actuarial_table(&ten_rows::pooled(), &Axis::Days, &cuts).expect("rising");
        assert_eq!(table[1].survival, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
        let table = actuarial_table(&ten_rows::all_fail(), &Axis::Days, &cuts).expect("rising");
        assert_eq!(table[1].survival, Known::Known(Fraction::new(0.0)));
        assert_eq!(table[0].survival_error, Known::NotKnown(WhyNotKnown::AllFailed));
        let none = actuarial_table(&Observations::default(), &Axis::Days, &cuts).expect("rising");
        assert_eq!(none[0].survival, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    }

    #[test]
    fn cutpoints_that_do_not_rise_from_the_origin_are_refused() {
        let refused = |cuts: &[i32]| {
            let cuts: Vec<Days> = cuts.iter().copied().map(Days::new).collect();
            actuarial_table(&ten_rows::pooled(), &Axis::Days, &cuts).err()
        };
        assert_eq!(refused(&[0]), Some(CutpointError::TooFew));
        assert_eq!(refused(&[1, 5]), Some(CutpointError::NotFromOrigin));
        assert_eq!(refused(&[0, 5, 5]), Some(CutpointError::NotRising(2)));
    }
}
