//! Units side by side, each against limits that know how much it saw: operators, lots. Never a ranking.
//!
//! Definition.  Failures of each unit by those that a benchmark lets expect of its follow-up (1 is as expected), or its share around the
//!              overall one, with limits at 95 % and 99.8 %. A unit is told to lie within, or beyond on one side.
//! Dispersion.  A factor φ on the variance, at least 1. Within clusters: Σ (d_c − r·e_c)²·C/(C − 1) over the clusters of each unit (r its
//!              own ratio, C its clusters), summed over units, by the sum of their failures (shares: by Σ n·p(1 − p)). Between units: mean
//!              of z², z = 2(√O − √E) or 2√n·(asin √p − asin √π), the outer tenth on each side drawn in to the next (winsorised).
//! Source.      Spiegelhalter DJ. Stat Med 2005;24:1185–1202; Qual Saf Health Care 2005;14:347–351; by clusters: Cochran WG. Sampling
//!              Techniques, 3rd ed. 1977, 6.3 (all from memory).
//! In part.     An outcome that was followed for a part w of its time, without a failure, counts as w of one, as the actuarial table lets
//!              those withdrawn count in part (Cutler SJ, Ederer F. J Chronic Dis 1958;8:699–712, from memory). Leaving them out, while
//!              those who failed before they could be lost stay in, would raise every share.
//! Decided.     Units below the smallest size are described only: no limits are held against them and they tell nothing of the spread.
//!              The spread between units needs ten of them: fewer can't tell it from a real difference of one. Where it is known, and
//!              the larger factor is asked, the larger counts, for spread between units holds that within clusters. How many would lie
//!              beyond by chance is told beside how many were judged. Case weights do not count. A cluster treated by two units
//!              counts as one in each. Units stand in the order given.
//! Not for.     Saying who is best or worst; units whose cases differ in what the benchmark doesn't know.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::benchmark_hazard::BenchmarkHazard;
use super::funnel_limits::{ByChance, FunnelLimits};
use super::grouping::{Grouping, NO_GROUP};
use super::observation::{Ending, Observations};
use crate::quantity::{ConfidenceLevel, Days, Fraction, Known, WhyNotKnown};

/// Fewer units than this can't tell their spread from a difference of one.
const UNITS_FOR_SPREAD: usize = 10;
/// The part of the units drawn in on each side.
const WINSORISED: f64 = 0.1;

/// What widens the limits beyond chance.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FunnelSpread {
    /// Nothing.
    Chance,
    /// That failures of a cluster come together.
    WithinClusters,
    /// That units differ by more than chance anyhow.
    BetweenUnits,
    /// Whichever of the two is known and larger.
    #[default]
    Larger,
}

/// How a funnel is built.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FunnelOptions {
    /// Units with fewer observations are described only.
    pub smallest: u64,
    /// What widens the limits.
    pub spread: FunnelSpread,
    /// The level of the inner limits.
    pub inner: ConfidenceLevel,
    /// The level of the outer limits.
    pub outer: ConfidenceLevel,
}

impl FunnelOptions {
    /// Limits at 95 % and 99.8 %, widened by whichever spread is larger, for units with so many observations.
    pub fn usual(smallest: u64) -> Self {
        let outer = ConfidenceLevel::new(0.998).unwrap_or(ConfidenceLevel::USUAL);
        Self { smallest, spread: FunnelSpread::Larger, inner: ConfidenceLevel::USUAL, outer }
    }
}

/// Where a unit lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FunnelPlace {
    /// It saw too little, so it is only described.
    DescribedOnly,
    /// Beyond the outer limit: fewer failures than chance explains.
    FarBelow,
    /// Beyond the inner limit on that side.
    Below,
    /// Within the inner limits.
    Within,
    /// Beyond the inner limit: more failures.
    Above,
    /// Beyond the outer limit on that side.
    FarAbove,
}

/// One unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FunnelUnit {
    /// Its observations.
    pub observations: u64,
    /// Its clusters.
    pub clusters: u64,
    /// Its failures.
    pub observed: u64,
    /// Those expected.
    pub expected: f64,
    /// Observed by expected failures, or the share.
    pub value: Known<f64>,
    /// Inner limits of that value; none where it is described only.
    pub inner: Option<FunnelLimits>,
    /// Outer limits.
    pub outer: Option<FunnelLimits>,
    /// Where it lies.
    pub place: FunnelPlace,
}

/// How much more than chance spreads the units.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FunnelDispersion {
    /// The factor that clusters put on the variance, as estimated.
    pub within_clusters: Known<f64>,
    /// The factor that the spread between units shows, as estimated.
    pub between_units: Known<f64>,
    /// The factor on the variance behind the limits: at least 1.
    pub used: f64,
}

/// The limits at a size, to be drawn.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FunnelLimitsAt {
    /// Failures expected, or of how many.
    pub size: f64,
    /// Inner limits.
    pub inner: FunnelLimits,
    /// Outer limits.
    pub outer: FunnelLimits,
}

/// At how many sizes limits are computed to be drawn.
const DRAWN: u32 = 64;
/// By how much the largest of these sizes exceeds the smallest.
const SPAN: f64 = 500.0;

/// Units against their limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Funnel {
    /// The value that the limits lie around: 1 for observed by expected, or the share.
    pub target: f64,
    /// The units, in the order of the levels.
    pub units: Vec<FunnelUnit>,
    /// The limits at sizes from next to nothing to a little more than the largest unit's, each the same factor above the last; none where
    /// no unit is judged.
    pub limits: Vec<FunnelLimitsAt>,
    /// How much more than chance spreads them.
    pub dispersion: FunnelDispersion,
    /// How many units were judged.
    pub judged: u64,
    /// How many of these would lie beyond the inner limits by chance, at most.
    pub beyond_inner_by_chance: f64,
    /// How many would lie beyond the outer limits.
    pub beyond_outer_by_chance: f64,
}

/// What one unit brings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Brought {
    observations: u64,
    clusters: u64,
    observed: u64,
    expected: f64,
    /// Of shares: of how many outcomes, each as far as it was followed.
    whole: f64,
    /// Σ of squared residuals of clusters, with the factor for few; none with fewer than two clusters.
    squares: Option<f64>,
}

/// Observed by expected failures of each level of a grouping; days on the axis.
///
/// Follow-up past the benchmark's last day is left out. Not known without observations in any unit.
pub fn funnel_of_ratios(
    observations: &Observations,
    grouping: &Grouping,
    benchmark: &BenchmarkHazard,
    options: FunnelOptions,
) -> Known<Funnel> {
    let reach = benchmark.last_day().map_or(i32::MAX, Days::count);
    let mut cells = vec![Vec::new(); usize::from(grouping.levels())];
    for (i, &code) in grouping.codes().iter().take(observations.len()).enumerate() {
        let (entry, exit) = (observations.entry()[i], observations.exit()[i]);
        if code == NO_GROUP || entry > 0 && entry >= reach {
            continue;
        }
        let before = if entry > 0 { benchmark.cumulative_hazard(Days::new(entry)) } else { 0.0 };
        let expected = benchmark.cumulative_hazard(Days::new(exit.min(reach))) - before;
        let failed = observations.ending()[i] == Ending::Failed && exit <= reach;
        cells[usize::from(code)].push((observations.cluster()[i], u64::from(failed), expected));
    }
    let units: Vec<Brought> = cells.into_iter().map(brought).collect();
    let chance = |expected: f64| ByChance::Poisson { expected };
    let residual = |unit: &Brought| 2.0 * (libm::sqrt(unit.observed as f64) - libm::sqrt(unit.expected));
    let own_variance = |unit: &Brought| unit.observed as f64;
    funnel(&units, 1.0, options, |unit| unit.expected, chance, residual, own_variance)
}

/// Shares of each level of a grouping: of those with an outcome, how many have it (`true`). `parts` tells for how much of its time each was
/// followed; all of it where none are given.
///
/// The limits lie around `target`, or around the overall share where none is given. Not known without outcomes in any unit, nor where
/// that share is 0 or 1.
pub fn funnel_of_shares(
    outcomes: &[bool],
    parts: Option<&[Fraction]>,
    clusters: &[u32],
    grouping: &Grouping,
    target: Option<Fraction>,
    options: FunnelOptions,
) -> Known<Funnel> {
    let mut cells = vec![Vec::new(); usize::from(grouping.levels())];
    for (place, ((&outcome, &cluster), &code)) in outcomes.iter().zip(clusters).zip(grouping.codes()).enumerate() {
        if code != NO_GROUP {
            let part = parts.and_then(|parts| parts.get(place)).map_or(1.0, |part| part.value());
            cells[usize::from(code)].push((cluster, u64::from(outcome), part));
        }
    }
    // The squares of residuals around the unit's own share: with e = 1 for each followed all the time, r·e is that share.
    let mut units: Vec<Brought> = cells.into_iter().map(brought).collect();
    units.iter_mut().for_each(|unit| unit.whole = unit.expected);
    let whole: f64 = units.iter().map(|unit| unit.whole).sum();
    if whole <= 0.0 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let failed = units.iter().map(|unit| unit.observed).sum::<u64>() as f64;
    let share = target.map_or(failed / whole, Fraction::value);
    if !(share > 0.0 && share < 1.0) {
        return Known::NotKnown(WhyNotKnown::AtBoundary);
    }
    units.iter_mut().for_each(|unit| unit.expected = share * unit.whole);
    let own = |unit: &Brought| unit.observed as f64 / unit.whole;
    let chance = |whole: f64| ByChance::Binomial { whole, share };
    let angle = |share: f64| libm::asin(libm::sqrt(share));
    let residual = |unit: &Brought| 2.0 * libm::sqrt(unit.whole) * (angle(own(unit)) - angle(share));
    let own_variance = |unit: &Brought| unit.whole * own(unit) * (1.0 - own(unit));
    funnel(&units, share, options, |unit| unit.whole, chance, residual, own_variance)
}

/// Sums the cells of a unit by cluster.
fn brought(mut cells: Vec<(u32, u64, f64)>) -> Brought {
    cells.sort_by_key(|cell| cell.0);
    let observed: u64 = cells.iter().map(|cell| cell.1).sum();
    let expected: f64 = cells.iter().map(|cell| cell.2).sum();
    let ratio = if expected > 0.0 { observed as f64 / expected } else { 0.0 };
    let (mut clusters, mut squares) = (0, 0.0);
    for cluster in cells.chunk_by(|one, other| one.0 == other.0) {
        let residual: f64 = cluster.iter().map(|cell| cell.1 as f64 - ratio * cell.2).sum();
        clusters += 1;
        squares += residual * residual;
    }
    let few = clusters as f64 / (clusters as f64 - 1.0);
    Brought {
        observations: cells.len() as u64,
        clusters,
        observed,
        expected,
        whole: 0.0,
        squares: (clusters > 1).then_some(squares * few),
    }
}

fn funnel(
    units: &[Brought],
    target: f64,
    options: FunnelOptions,
    by: impl Fn(&Brought) -> f64,
    chance: impl Fn(f64) -> ByChance,
    residual: impl Fn(&Brought) -> f64,
    own_variance: impl Fn(&Brought) -> f64,
) -> Known<Funnel> {
    if units.iter().all(|unit| unit.observations == 0) {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let is_judged = |unit: &Brought| unit.observations >= options.smallest.max(1) && unit.expected > 0.0;
    let judged: Vec<&Brought> = units.iter().filter(|unit| is_judged(unit)).collect();
    let within_clusters = within_clusters(&judged, own_variance);
    let between_units = between_units(judged.iter().map(|unit| residual(unit)).collect());
    let known = |factor: &Known<f64>| factor.known().copied().unwrap_or(1.0);
    let used = match options.spread {
        FunnelSpread::Chance => 1.0,
        FunnelSpread::WithinClusters => known(&within_clusters),
        FunnelSpread::BetweenUnits => known(&between_units),
        FunnelSpread::Larger => known(&within_clusters).max(known(&between_units)),
    }
    .max(1.0);
    let unit = |unit: &Brought| {
        let unit_of = by(unit);
        let value = if unit_of > 0.0 {
            Known::Known(unit.observed as f64 / unit_of)
        } else {
            Known::NotKnown(WhyNotKnown::NoObservations)
        };
        let limits = |level| is_judged(unit).then(|| chance(unit_of).limits(used, level, unit_of));
        let place = if is_judged(unit) {
            let [fewer, more] = chance(unit_of).tails(unit.observed as f64, used).map(|tail| tail.p_value);
            let (inner, outer) = (options.inner.tail(), options.outer.tail());
            match () {
                () if more <= outer => FunnelPlace::FarAbove,
                () if fewer <= outer => FunnelPlace::FarBelow,
                () if more <= inner => FunnelPlace::Above,
                () if fewer <= inner => FunnelPlace::Below,
                () => FunnelPlace::Within,
            }
        } else {
            FunnelPlace::DescribedOnly
        };
        let Brought { observations, clusters, observed, expected, .. } = *unit;
        FunnelUnit {
            observations,
            clusters,
            observed,
            expected,
            value,
            inner: limits(options.inner),
            outer: limits(options.outer),
            place,
        }
    };
    let largest = units.iter().map(&by).fold(0.0, f64::max);
    let drawn = if judged.is_empty() { 0 } else { DRAWN };
    let limits_at = |place: u32| {
        let size = 1.06 * largest * libm::pow(SPAN, f64::from(place + 1) / f64::from(DRAWN) - 1.0);
        let limits = |level| chance(size).limits(used, level, size);
        FunnelLimitsAt { size, inner: limits(options.inner), outer: limits(options.outer) }
    };
    let count = judged.len() as f64;
    Known::Known(Funnel {
        target,
        units: units.iter().map(unit).collect(),
        limits: (0..drawn).map(limits_at).collect(),
        dispersion: FunnelDispersion { within_clusters, between_units, used },
        judged: judged.len() as u64,
        beyond_inner_by_chance: 2.0 * options.inner.tail() * count,
        beyond_outer_by_chance: 2.0 * options.outer.tail() * count,
    })
}

fn within_clusters(judged: &[&Brought], own_variance: impl Fn(&Brought) -> f64) -> Known<f64> {
    let (mut squares, mut variance, mut any) = (0.0, 0.0, false);
    for unit in judged {
        if let Some(of_unit) = unit.squares {
            any = true;
            squares += of_unit;
            variance += own_variance(unit);
        }
    }
    if !any {
        Known::NotKnown(WhyNotKnown::TooFewClusters)
    } else if variance > 0.0 {
        Known::Known(squares / variance)
    } else {
        Known::NotKnown(WhyNotKnown::NoFailures)
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a tenth of a number of units")]
fn between_units(mut residuals: Vec<f64>) -> Known<f64> {
    let count = residuals.len();
    if count < UNITS_FOR_SPREAD {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    residuals.sort_unstable_by(f64::total_cmp);
    let outer = libm::floor(WINSORISED * count as f64 * (1.0 + 1e-12)) as usize;
    let (lowest, highest) = (residuals[outer], residuals[count - 1 - outer]);
    let squares = residuals.iter().map(|z| z.clamp(lowest, highest)).map(|z| z * z).sum::<f64>();
    Known::Known(squares / count as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::AnnualRate;

    fn yearly(rate: f64) -> BenchmarkHazard {
        BenchmarkHazard::of_rate(AnnualRate::new(rate)).known().expect("above 0").clone()
    }

    /// Units with so many observations of ten days each, the first so many of them failed; each its own cluster.
    fn units(sizes: &[(u32, u32)]) -> (Observations, Grouping) {
        let (mut observations, mut codes) = (Observations::default(), Vec::new());
        for (code, &(size, failed)) in (0..).zip(sizes) {
            for i in 0..size {
                let ending = if i < failed { Ending::Failed } else { Ending::Censored };
                let cluster = u32::try_from(codes.len()).expect("few");
                observations.push(Days::new(0), Days::new(10), ending, cluster).expect("in order");
                codes.push(code);
            }
        }
        let levels = u16::try_from(sizes.len()).expect("few");
        (observations, Grouping::new(codes, levels).expect("levels"))
    }

    #[test]
    fn places_by_hand() {
        // Ten days at 0.01 a day: 0.1 expected of each. 40 observations: 4 expected; P(X ≥ 9) = 0.0214, P(X ≥ 8) = 0.0511,
        // P(X ≥ 12) = 0.00092, P(X ≤ 0) = 0.0183 (computed with scipy 1.17.1).
        let (observations, grouping) = units(&[(40, 8), (40, 9), (40, 12), (40, 0), (40, 1), (5, 5), (0, 0)]);
        let options = FunnelOptions { spread: FunnelSpread::Chance, ..FunnelOptions::usual(10) };
        let funnel = funnel_of_ratios(&observations, &grouping, &yearly(3.6525), options);
        let funnel = funnel.known().expect("units");
        use FunnelPlace::{Above, Below, DescribedOnly, FarAbove, Within};
        let places: Vec<_> = funnel.units.iter().map(|unit| unit.place).collect();
        assert_eq!(places, [Within, Above, FarAbove, Below, Within, DescribedOnly, DescribedOnly]);
        assert_eq!((funnel.judged, funnel.units[5].observed, funnel.units[5].inner), (5, 5, None));
        assert_eq!(funnel.units[6].value, Known::NotKnown(WhyNotKnown::NoObservations));
        assert!((funnel.units[0].value.known().expect("expected") - 2.0).abs() < 1e-12, "absolute");
        assert!(
            (funnel.beyond_inner_by_chance - 0.25).abs() < 1e-12 && (funnel.beyond_outer_by_chance - 0.01).abs() < 1e-12
        );
        assert_eq!(funnel.dispersion.between_units, Known::NotKnown(WhyNotKnown::TooFewGroups));
    }

    #[test]
    fn clusters_widen_the_limits() {
        // By hand, one unit of two mouths, 2 of 2 and 0 of 2 failed, each expecting 0.1: r = 5; residuals 2 − 1 and 0 − 1; squares 2,
        // times 2 for two clusters; by 2 failures: 2.
        let mut observations = Observations::default();
        for (mouth, ending) in [(0, Ending::Failed), (0, Ending::Failed), (1, Ending::Censored), (1, Ending::Censored)] {
            observations.push(Days::new(0), Days::new(10), ending, mouth).expect("in order");
        }
        let grouping = Grouping::new(vec![0; 4], 1).expect("level");
        let funnel = funnel_of_ratios(&observations, &grouping, &yearly(3.6525), FunnelOptions::usual(1));
        let dispersion = funnel.known().expect("a unit").dispersion;
        assert!((dispersion.within_clusters.known().expect("two") - 2.0).abs() < 1e-12, "absolute");
        assert!((dispersion.used - 2.0).abs() < 1e-12, "absolute");
    }

    #[test]
    fn outcomes_followed_in_part_count_in_part_by_hand() {
        // 2 failed, 6 followed all the time, 4 for half of it: 2 of 10, the limits of 2 of 10 around 0.1 of 10.
        let outcomes: Vec<bool> = (0..12).map(|place| place < 2).collect();
        let parts: Vec<Fraction> = (0..12).map(|place| Fraction::new(if place < 8 { 1.0 } else { 0.5 })).collect();
        let of = |outcomes: &[bool], parts: Option<&[Fraction]>| {
            let clusters: Vec<u32> = (0..).take(outcomes.len()).collect();
            let grouping = Grouping::new(vec![0; outcomes.len()], 1).expect("level");
            let options = FunnelOptions { spread: FunnelSpread::Chance, ..FunnelOptions::usual(1) };
            let funnel = funnel_of_shares(outcomes, parts, &clusters, &grouping, Some(Fraction::new(0.1)), options);
            funnel.known().expect("a unit").units[0]
        };
        let (found, ten) = (of(&outcomes, Some(&parts)), of(&outcomes[..10], None));
        assert_eq!((found.observations, found.observed, found.value), (12, 2, Known::Known(0.2)));
        assert_eq!((found.expected, found.inner, found.outer, found.place), (ten.expected, ten.inner, ten.outer, ten.place));
        assert_eq!(of(&outcomes, Some(&[Fraction::new(1.0); 12])), of(&outcomes, None));
    }

    #[test]
    fn the_spread_between_units_is_winsorised_by_hand() {
        // By hand: −5, 0, …, 0, 2 with ten units: one is drawn in on each side, to 0 and 1.
        let z = vec![2.0, -5.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0];
        assert_eq!(between_units(z), Known::Known(0.3));
    }

    #[test]
    fn shares_lie_around_the_overall_one() {
        let outcomes: Vec<bool> = (0..60).map(|i| if i < 30 { i % 10 == 0 } else { i % 2 == 0 }).collect();
        let clusters: Vec<u32> = (0..60).collect();
        let grouping = Grouping::new((0..60).map(|i| i / 30).collect(), 2).expect("levels");
        let options = FunnelOptions { spread: FunnelSpread::Chance, ..FunnelOptions::usual(5) };
        let funnel = funnel_of_shares(&outcomes, None, &clusters, &grouping, None, options);
        let funnel = funnel.known().expect("units");
        // By hand: 3 of 30 and 15 of 30 around 18 of 60. P(X ≤ 3 of 30 at 0.3) = 0.0093, P(X ≥ 15) = 0.0169 (computed with scipy 1.17.1).
        assert!((funnel.target - 0.3).abs() < 1e-15, "absolute");
        assert_eq!(funnel.units.iter().map(|unit| unit.place).collect::<Vec<_>>(), [FunnelPlace::Below, FunnelPlace::Above]);
        let none =
            funnel_of_shares(&[false; 4], None, &[0, 1, 2, 3], &Grouping::new(vec![0; 4], 1).expect("level"), None, options);
        assert_eq!(none, Known::NotKnown(WhyNotKnown::AtBoundary));
        let nobody = funnel_of_shares(&[], None, &[], &Grouping::default(), None, options);
        assert_eq!(nobody, Known::NotKnown(WhyNotKnown::NoObservations));
    }
}
