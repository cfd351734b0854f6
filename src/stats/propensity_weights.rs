//! Weights from propensities: levels weighted so that each looks like one and the same population.
//!
//! Definition.  An observation of level a with propensities e weighs h/e_a, where h says which population is meant:
//!              all (plain): h = 1;  all, stabilised: h = the share of level a;  those who might have had any level (overlap):
//!              h = 1/Σ_b 1/e_b, which for two levels makes 1 − e_a;  those of one level t: h = e_t.
//! Effective.   Kish's effective number of a level: (Σ w)²/Σ w²: so many observations of equal weight would tell as much.
//! Source.      Robins JM, Hernán MA, Brumback B. Epidemiology 2000;11:550–560 (stabilised); Li F, Morgan KL, Zaslavsky AM. J Am Stat
//!              Assoc 2018;113:390–400 and Li F, Li F. Ann Appl Stat 2019;13:2389–2415 (overlap); Crump RK et al. Biometrika
//!              2009;96:187–199 (range of propensities); Cole SR, Hernán MA. Am J Epidemiol 2008;168:656–664 (cut at quantiles); Kish L.
//!              Survey Sampling, 1965 (all from memory).
//! Decided.     Case weights count observations: shares, quantiles and effective numbers are those of as many rows. A quantile is the
//!              least weight that at least that part doesn't exceed (from above, the greatest that at least that part reaches), so it is
//!              always a weight that occurs. Leaving out by range of propensities changes the population that is meant, and propensities
//!              are not estimated anew. An observation whose weight has no bound (a propensity of 0) is left out and counted.
//! Cost.        O(observations·levels); with quantiles O(observations·ln observations).
//! Not for.     Levels that some had no chance of: overlap weights mean only those who had one.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::grouping::{Grouping, NO_GROUP};
use super::logistic::LogisticProblem;
use super::propensity::{Propensities, PropensityProblem};
use crate::quantity::{Known, WhyNotKnown};

/// Which population the weighted levels look like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeightedPopulation {
    /// All, by 1/e: each level stands for everybody.
    Plain,
    /// All, by the share of the level/e: each level keeps its size. The same estimates within a level, and steadier where levels
    /// are put together.
    #[default]
    Stabilised,
    /// Those who might have had any level, each the more the more evenly it might: the overlap of the levels.
    Overlap,
    /// Those of one level.
    OfLevel(u16),
}

/// What is done about large weights.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeightTrimming {
    /// Nothing.
    #[default]
    None,
    /// Weights beyond the quantiles at this part from either end are cut to them.
    CutAtQuantiles(f64),
    /// Observations with a propensity for any level below this are left out (with two levels, so are those above 1 less that).
    PropensitiesFrom(f64),
}

/// The weights of one level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LevelWeights {
    /// The level.
    pub level: u16,
    /// How many observations of it have a weight.
    pub observations: u64,
    /// Sum of the weights.
    pub sum: f64,
    /// Kish's effective number.
    pub effective: Known<f64>,
    /// The largest weight of an observation.
    pub largest: f64,
    /// The largest part of the sum that one row has.
    pub largest_part: Known<f64>,
}

/// Weights, a value for each observation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PropensityWeights {
    /// Which population they mean.
    pub population: WeightedPopulation,
    /// What was done about large ones.
    pub trimming: WeightTrimming,
    /// The weights, without case weights; 0 for those left out.
    pub values: Vec<f64>,
    /// Observations whose weight was cut.
    pub cut: u64,
    /// Observations left out because of a propensity.
    pub left_out: u64,
    /// A summary for each level.
    pub levels: Vec<LevelWeights>,
}

/// Weights for a population. Levels and case weights are those that the propensities were estimated from.
///
/// # Errors
///
/// When there is not a level, a case weight and a propensity for each observation.
pub fn propensity_weights(
    propensities: &Propensities,
    levels: &Grouping,
    case_weights: Option<&[f64]>,
    population: WeightedPopulation,
    trimming: WeightTrimming,
) -> Result<PropensityWeights, PropensityProblem> {
    let n = levels.codes().len();
    let fits = propensities.levels == levels.levels()
        && propensities.values.len() == n * usize::from(levels.levels())
        && case_weights.is_none_or(|weights| weights.len() == n);
    if fits {
        Ok(weights_from(&propensities.values, levels, case_weights, population, trimming))
    } else {
        Err(PropensityProblem::Regression(LogisticProblem::LengthsDiffer))
    }
}

/// The same from bare propensities, observation after observation. Those of case weight 0 take no part.
pub(super) fn weights_from(
    propensities: &[f64],
    levels: &Grouping,
    case_weights: Option<&[f64]>,
    population: WeightedPopulation,
    trimming: WeightTrimming,
) -> PropensityWeights {
    let count = usize::from(levels.levels());
    let codes = levels.codes();
    let case = |i: usize| case_weights.map_or(1.0, |weights| weights[i]);
    let mut sums = vec![0.0; count];
    for (i, &code) in codes.iter().enumerate().filter(|&(_, &code)| code != NO_GROUP) {
        sums[usize::from(code)] += case(i);
    }
    let all: f64 = sums.iter().sum();
    let (mut cut, mut left_out) = (0, 0);
    let mut values = vec![0.0; codes.len()];
    for (i, (&code, value)) in codes.iter().zip(&mut values).enumerate() {
        if code == NO_GROUP || case(i) <= 0.0 {
            continue;
        }
        let e = &propensities[i * count..(i + 1) * count];
        let own = e[usize::from(code)];
        // Levels that nobody has have no propensity.
        let others = || e.iter().zip(&sums).filter(|&(_, &sum)| sum > 0.0).map(|(e, _)| *e);
        let too_low = |least: f64| others().any(|e| e < least);
        let weight = match population {
            WeightedPopulation::Plain => 1.0 / own,
            WeightedPopulation::Stabilised => sums[usize::from(code)] / all / own,
            WeightedPopulation::Overlap => 1.0 / others().map(|e| own / e).sum::<f64>(),
            WeightedPopulation::OfLevel(level) if level == code => 1.0,
            WeightedPopulation::OfLevel(level) => e.get(usize::from(level)).copied().unwrap_or(0.0) / own,
        };
        let excluded = matches!(trimming, WeightTrimming::PropensitiesFrom(least) if too_low(least));
        if excluded || !(weight > 0.0 && weight.is_finite()) {
            left_out += 1;
        } else {
            *value = weight;
        }
    }
    if let WeightTrimming::CutAtQuantiles(part) = trimming
        && let Some((lower, upper)) = quantiles(&values, case, part)
    {
        for value in values.iter_mut().filter(|value| **value > 0.0) {
            let within = value.clamp(lower, upper);
            cut += u64::from(within.total_cmp(value).is_ne());
            *value = within;
        }
    }
    let summaries = (0..levels.levels()).map(|level| of_level(level, codes, &values, case)).collect();
    PropensityWeights { population, trimming, values, cut, left_out, levels: summaries }
}

fn of_level(level: u16, codes: &[u16], values: &[f64], case: impl Fn(usize) -> f64) -> LevelWeights {
    let (mut observations, mut sum, mut squares, mut largest, mut largest_row) = (0, 0.0, 0.0, 0.0_f64, 0.0_f64);
    for (i, (&code, &value)) in codes.iter().zip(values).enumerate() {
        if code == level && value > 0.0 {
            observations += 1;
            sum += case(i) * value;
            squares += case(i) * value * value;
            largest = largest.max(value);
            largest_row = largest_row.max(case(i) * value);
        }
    }
    let by = |value: f64, total: f64| {
        if total > 0.0 { Known::Known(value / total) } else { Known::NotKnown(WhyNotKnown::NoObservations) }
    };
    LevelWeights { level, observations, sum, effective: by(sum * sum, squares), largest, largest_part: by(largest_row, sum) }
}

/// The weights at a part from either end; none without weights, or for a part that is no share below one half.
fn quantiles(values: &[f64], case: impl Fn(usize) -> f64, part: f64) -> Option<(f64, f64)> {
    let mut sorted: Vec<(f64, f64)> =
        values.iter().enumerate().filter(|(_, value)| **value > 0.0).map(|(i, &value)| (value, case(i))).collect();
    if !(0.0..0.5).contains(&part) || sorted.is_empty() {
        return None;
    }
    sorted.sort_unstable_by(|one, other| one.0.total_cmp(&other.0).then(one.1.total_cmp(&other.1)));
    let total: f64 = sorted.iter().map(|(_, case)| case).sum();
    // A part that is reached but for rounding is reached.
    let target = part * total * (1.0 - 1e-12);
    let at = |mut rows: Box<dyn Iterator<Item = &(f64, f64)> + '_>| {
        let mut sum = 0.0;
        rows.find(|(_, case)| {
            sum += case;
            sum >= target
        })
        .map(|row| row.0)
    };
    Some((at(Box::new(sorted.iter()))?, at(Box::new(sorted.iter().rev()))?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three observations of two levels with propensities 1/4, 1/2, 4/5 for level 1.
    fn by_hand(population: WeightedPopulation, trimming: WeightTrimming) -> PropensityWeights {
        let levels = Grouping::new(vec![1, 0, 1], 2).expect("levels");
        weights_from(&[0.75, 0.25, 0.5, 0.5, 0.2, 0.8], &levels, Some(&[1.0, 1.0, 2.0]), population, trimming)
    }

    fn near(found: &[f64], exact: [f64; 3]) {
        for (value, exact) in found.iter().zip(exact) {
            assert!((value - exact).abs() < 1e-15, "absolute: {found:?} against {exact:?}");
        }
    }

    #[test]
    fn weights_by_hand() {
        let of = |population| by_hand(population, WeightTrimming::None);
        let plain = of(WeightedPopulation::Plain);
        near(&plain.values, [4.0, 2.0, 1.25]);
        near(&of(WeightedPopulation::Stabilised).values, [3.0, 0.5, 0.9375]);
        near(&of(WeightedPopulation::Overlap).values, [0.75, 0.5, 0.2]);
        near(&of(WeightedPopulation::OfLevel(1)).values, [1.0, 1.0, 1.0]);
        near(&of(WeightedPopulation::OfLevel(0)).values, [3.0, 1.0, 0.25]);
        // Level 1: 4 once, 1.25 twice: 6.5²/(16 + 3.125).
        let level = plain.levels[1];
        assert!((level.effective.known().expect("known") - 42.25 / 19.125).abs() < 1e-14, "absolute");
        assert!((level.largest_part.known().expect("known") - 4.0 / 6.5).abs() < 1e-15, "absolute");
        assert_eq!((level.observations, level.largest.to_bits()), (2, 4.0_f64.to_bits()));
    }

    #[test]
    fn trimming_is_counted() {
        let ranged = by_hand(WeightedPopulation::Plain, WeightTrimming::PropensitiesFrom(0.25));
        near(&ranged.values, [4.0, 2.0, 0.0]);
        assert_eq!((ranged.left_out, ranged.cut), (1, 0));
        // Of four rows 1.25, 1.25, 2, 4 one fourth lies at or below 1.25, and one fourth at or above 4; three tenths at 1.25 and 2.
        let none = by_hand(WeightedPopulation::Plain, WeightTrimming::CutAtQuantiles(0.25));
        assert_eq!(none.cut, 0);
        let cut = by_hand(WeightedPopulation::Plain, WeightTrimming::CutAtQuantiles(0.3));
        near(&cut.values, [2.0, 2.0, 1.25]);
        assert_eq!((cut.left_out, cut.cut), (0, 1));
    }

    #[test]
    fn no_chance_and_no_one_are_said() {
        let levels = Grouping::new(vec![1, 0], 3).expect("levels");
        let found = weights_from(
            &[1.0, 0.0, 0.0, 0.5, 0.5, 0.0],
            &levels,
            None,
            WeightedPopulation::Plain,
            WeightTrimming::PropensitiesFrom(0.0),
        );
        assert_eq!((found.left_out, found.values[0].to_bits()), (1, 0.0_f64.to_bits()));
        assert_eq!(found.levels[2].effective, Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
