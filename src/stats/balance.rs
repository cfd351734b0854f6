//! Balance: do levels differ in what was known when they were chosen, before and after weighting?
//!
//! Definition.  Standardised mean difference of two levels a and b: (m_b − m_a)/√((s_a² + s_b²)/2), the m weighted or not; s² are the
//!              unweighted variances in both, so that a change says something of the means. A number: variance with n − 1; a level
//!              of a factor: as the share p of those who have it, with variance p·(1 − p). Of several levels: every pair.
//! Source.      Austin PC. Stat Med 2009;28:3083–3107; several levels: McCaffrey DF et al. Stat Med 2013;32:3388–3414 (largest of the pairs;
//!              both from memory).
//! Decided.     Every level of a factor has its difference, the reference too. A missing value is left out of its covariate's means and
//!              counted. Case weights count as so many rows (n is their sum). Without spread in either level the difference is 0
//!              where the means are equal, and not known (separated) where they are not.
//! Customary.   Below 0.1 in absolute value is called balanced.
//! Cost.        O(observations·columns).
//! Not for.     Covariates that were not recorded, and tests: balance is a property of these observations, not of a population.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cox_design::{ColumnName, CovariateValues, CoxDesign};
use super::grouping::{Grouping, NO_GROUP};
use crate::quantity::{Known, WhyNotKnown};

/// A covariate, or one level of it, among those of one level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LevelMean {
    /// The level.
    pub level: u16,
    /// Observations that have a value.
    pub observations: u64,
    /// Mean, or share.
    pub before: Known<f64>,
    /// The same after weighting.
    pub after: Known<f64>,
    /// Standard deviation before weighting.
    pub standard_deviation: Known<f64>,
}

/// The standardised difference of two levels, second less first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairDifference {
    /// One level.
    pub first: u16,
    /// The other.
    pub second: u16,
    /// Before weighting.
    pub before: Known<f64>,
    /// After weighting.
    pub after: Known<f64>,
}

/// How far one covariate, or one level of it, is balanced.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ColumnBalance {
    /// The covariate and its level.
    pub column: ColumnName,
    /// Observations without a value.
    pub missing: u64,
    /// Means of each level that somebody has.
    pub means: Vec<LevelMean>,
    /// Differences of each pair of them.
    pub pairs: Vec<PairDifference>,
    /// The largest of the pairs in absolute value, before weighting.
    pub largest_before: Known<f64>,
    /// After weighting.
    pub largest_after: Known<f64>,
}

/// The balance of each covariate, and of each level of a factor. `weights` are those from propensities (0 for those left out),
/// without case weights. An observation counts before weighting whether it has a weight or not.
///
/// Empty where the lengths differ.
pub fn balance(design: &CoxDesign, levels: &Grouping, case_weights: Option<&[f64]>, weights: &[f64]) -> Vec<ColumnBalance> {
    let n = levels.codes().len();
    if !design.fits(n) || weights.len() != n || case_weights.is_some_and(|case| case.len() != n) {
        return Vec::new();
    }
    let sample = Sample { codes: levels.codes(), levels: levels.levels(), case: case_weights, weights };
    let mut columns = Vec::new();
    for covariate in design.covariates() {
        match &covariate.values {
            CovariateValues::Number { values, missing } => {
                let value = |i: usize| (!missing.get(i).copied().unwrap_or(false)).then_some(values[i]);
                let name = ColumnName { covariate: covariate.name.clone(), level: None };
                columns.push(sample.column(name, Spread::OfNumber, value));
            }
            CovariateValues::Factor { codes, levels, .. } => {
                for (code, level) in (0_u16..).zip(levels) {
                    let value = |i: usize| {
                        let own = codes.codes()[i];
                        (own != NO_GROUP).then(|| f64::from(u8::from(own == code)))
                    };
                    let name = ColumnName { covariate: covariate.name.clone(), level: Some(level.clone()) };
                    columns.push(sample.column(name, Spread::OfShare, value));
                }
            }
        }
    }
    columns
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Spread {
    OfNumber,
    OfShare,
}

struct Sample<'a> {
    codes: &'a [u16],
    levels: u16,
    case: Option<&'a [f64]>,
    weights: &'a [f64],
}

/// Sums of one level, of values less the first one of all.
#[derive(Clone, Copy, Default)]
struct Sums {
    observations: u64,
    count: f64,
    sum: f64,
    squares: f64,
    weight: f64,
    weighted: f64,
}

impl Sample<'_> {
    fn column(&self, column: ColumnName, spread: Spread, value: impl Fn(usize) -> Option<f64>) -> ColumnBalance {
        let mut all = vec![Sums::default(); usize::from(self.levels)];
        let mut missing = 0;
        let mut origin = None;
        for (i, &code) in self.codes.iter().enumerate().filter(|&(_, &code)| code != NO_GROUP) {
            let Some(value) = value(i) else {
                missing += 1;
                continue;
            };
            // A share keeps its values, so that 0 and 1 are exact.
            let origin = *origin.get_or_insert(if spread == Spread::OfShare { 0.0 } else { value });
            let (from, case) = (value - origin, self.case.map_or(1.0, |case| case[i]));
            let sums = &mut all[usize::from(code)];
            sums.observations += 1;
            sums.count += case;
            sums.sum += case * from;
            sums.weight += case * self.weights[i];
            sums.weighted += case * self.weights[i] * from;
        }
        let origin = origin.unwrap_or(0.0);
        // Deviations in a pass of their own: the difference of two large sums would lose digits.
        for (i, &code) in self.codes.iter().enumerate().filter(|&(_, &code)| code != NO_GROUP) {
            if let Some(value) = value(i) {
                let sums = &mut all[usize::from(code)];
                let from = value - origin - sums.sum / sums.count;
                sums.squares += self.case.map_or(1.0, |case| case[i]) * from * from;
            }
        }
        let present: Vec<(u16, Sums)> = (0..self.levels).zip(all).filter(|(_, sums)| sums.count > 0.0).collect();
        let variance = |sums: &Sums| match spread {
            Spread::OfShare => {
                let share = sums.sum / sums.count;
                Known::Known(share * (1.0 - share))
            }
            Spread::OfNumber if sums.count > 1.0 => Known::Known(sums.squares / (sums.count - 1.0)),
            Spread::OfNumber => Known::NotKnown(WhyNotKnown::NoObservations),
        };
        let after = |sums: &Sums| {
            if sums.weight > 0.0 {
                Known::Known(sums.weighted / sums.weight)
            } else {
                Known::NotKnown(WhyNotKnown::NoObservations)
            }
        };
        let before = |sums: &Sums| Known::Known(sums.sum / sums.count);
        let means = present.iter().map(|(level, sums)| LevelMean {
            level: *level,
            observations: sums.observations,
            before: before(sums).map(|mean| origin + mean),
            after: after(sums).map(|mean| origin + mean),
            standard_deviation: variance(sums).map(libm::sqrt),
        });
        let mut pairs = Vec::new();
        for (place, (first, one)) in present.iter().enumerate() {
            for (second, other) in &present[place + 1..] {
                let pooled = match (variance(one), variance(other)) {
                    (Known::Known(a), Known::Known(b)) => Known::Known(libm::sqrt(0.5 * (a + b))),
                    (Known::NotKnown(why), _) | (_, Known::NotKnown(why)) => Known::NotKnown(why),
                };
                pairs.push(PairDifference {
                    first: *first,
                    second: *second,
                    before: standardised(before(one), before(other), pooled),
                    after: standardised(after(one), after(other), pooled),
                });
            }
        }
        ColumnBalance {
            column,
            missing,
            means: means.collect(),
            largest_before: largest(pairs.iter().map(|pair| pair.before)),
            largest_after: largest(pairs.iter().map(|pair| pair.after)),
            pairs,
        }
    }
}

fn standardised(first: Known<f64>, second: Known<f64>, deviation: Known<f64>) -> Known<f64> {
    match (first, second, deviation) {
        (Known::Known(first), Known::Known(second), Known::Known(deviation)) => {
            let difference = second - first;
            if deviation > 0.0 {
                Known::Known(difference / deviation)
            } else if difference.abs() <= 0.0 {
                Known::Known(0.0)
            } else {
                Known::NotKnown(WhyNotKnown::Separated)
            }
        }
        (Known::NotKnown(why), _, _) | (_, Known::NotKnown(why), _) | (_, _, Known::NotKnown(why)) => Known::NotKnown(why),
    }
}

/// The largest in absolute value; not known where one isn't.
fn largest(differences: impl Iterator<Item = Known<f64>>) -> Known<f64> {
    let mut largest = Known::NotKnown(WhyNotKnown::TooFewGroups);
    for difference in differences {
        largest = match (largest, difference) {
            (_, Known::NotKnown(why)) => return Known::NotKnown(why),
            (Known::Known(largest), Known::Known(other)) => Known::Known(f64::max(largest, other.abs())),
            (Known::NotKnown(_), Known::Known(first)) => Known::Known(first.abs()),
        };
    }
    largest
}

#[cfg(test)]
mod tests {
    use super::super::cox_design::Covariate;
    use super::*;

    #[test]
    fn two_levels_by_hand() {
        // By hand: x of level 0: 1, 3 (mean 2, variance 2); of level 1: 4, 8 (mean 6, variance 8): 4/√5. Weights 3 and 1 on 4 and 8: mean
        // 5: 3/√5. Factor level q: 1/2 and 0 of 1 (one missing): −1/2/√(1/8).
        let x = Covariate::number("x", vec![1.0, 3.0, 4.0, 8.0]);
        let codes = Grouping::new(vec![1, 0, 0, NO_GROUP], 2).expect("levels");
        let f = Covariate::factor("f", codes, vec!["p".into(), "q".into()], 0);
        let design = CoxDesign::new(vec![x, f]).expect("fits");
        let levels = Grouping::new(vec![0, 0, 1, 1], 2).expect("levels");
        let found = balance(&design, &levels, None, &[1.0, 1.0, 3.0, 1.0]);
        let near = |value: Known<f64>, exact: f64| {
            let value = *value.known().expect("known");
            assert!((value - exact).abs() < 1e-15, "absolute: {value} against {exact}");
        };
        near(found[0].pairs[0].before, 4.0 / libm::sqrt(5.0));
        near(found[0].pairs[0].after, 3.0 / libm::sqrt(5.0));
        near(found[2].pairs[0].before, -0.5 / libm::sqrt(0.125));
        near(found[2].largest_before, 0.5 / libm::sqrt(0.125));
        assert_eq!((found.len(), found[1].missing, found[0].missing), (3, 1, 0));
        assert_eq!(found[2].column.to_string(), "f: q");
    }

    #[test]
    fn without_spread_or_without_a_pair_it_is_said() {
        let design = CoxDesign::new(vec![
            Covariate::number("same", vec![2.0; 4]),
            Covariate::number("told", vec![0.0, 0.0, 1.0, 1.0]),
        ])
        .expect("fits");
        let levels = Grouping::new(vec![0, 0, 1, 1], 3).expect("levels");
        let found = balance(&design, &levels, None, &[1.0; 4]);
        assert_eq!(found[0].largest_before, Known::Known(0.0));
        assert_eq!(found[1].largest_after, Known::NotKnown(WhyNotKnown::Separated));
        let one = balance(&design, &Grouping::new(vec![0; 4], 1).expect("levels"), None, &[1.0; 4]);
        assert_eq!(one[0].largest_before, Known::NotKnown(WhyNotKnown::TooFewGroups));
        assert!(balance(&design, &levels, None, &[1.0; 3]).is_empty());
    }
}
