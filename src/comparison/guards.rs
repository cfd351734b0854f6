//! What weakens a comparison: the rules that raise each guard.

use super::asked::Questions;
use super::compared::Compared;
use super::crude::{COMPETING_NOT_RARE, is_tested, too_small};
use super::together::FEW_FAILURES_PER_COEFFICIENT;
use crate::analysis::recall_cut::recall_cut;
use crate::protocol::FailureDayReading;
use crate::quantity::{Days, Fraction, Known};
use crate::result::{Adjusted, AdjustedPair, ComparedLevel, Computed, Crude, FactorOrigin, Guard, RecallReview, Together};
use crate::stats::{ColumnBalance, Ending, SurvivalContrast};

/// Share seen below which a recall at the horizon is named (design of the comparison: three in five).
const LOW_RECALL: f64 = 0.6;
/// A recall at which fewer were due says nothing of who stays away.
const LEAST_DUE: u64 = 10;
/// Median follow-up of one level by that of another, from which follow-up is uneven.
const UNEVEN: f64 = 1.5;
/// A level shares its period with the reference if at least this part of it was placed while the reference was in use.
const SHARED_PERIOD: f64 = 0.5;
/// Standardised differences above this are told (Austin PC. Stat Med 2009;28:3083–3107; from memory).
pub const BALANCED: f64 = 0.1;
/// Chance of proportional hazards below which they are not.
pub const NOT_PROPORTIONAL: f64 = 0.05;

/// What the rules read.
pub struct Weighed<'a> {
    /// The rows.
    pub rows: &'a Compared,
    /// The factor's name.
    pub factor: &'a str,
    /// Where it comes from.
    pub origin: FactorOrigin,
    /// The levels.
    pub levels: &'a [ComparedLevel],
    /// Day each was placed.
    pub placed: &'a [i32],
    /// Without a value of the factor.
    pub missing: u64,
    /// Of hidden levels.
    pub hidden: u64,
    /// How many levels were put together.
    pub levels_together: u64,
    /// Without adjustment.
    pub crude: &'a Crude,
    /// With adjustment.
    pub adjusted: &'a Computed<Adjusted>,
    /// How levels differ.
    pub balance: &'a [ColumnBalance],
    /// All looked at together.
    pub together: &'a Computed<Together>,
    /// Which day a failure is dated to.
    pub failure_day: FailureDayReading,
    /// Under observation only from a later day on.
    pub delayed: u64,
}

/// Whether hazards are not proportional, with the probability.
pub fn not_proportional(crude: &Crude) -> Option<f64> {
    crude.proportionality.known().map(|test| test.p_value).filter(|p| *p < NOT_PROPORTIONAL)
}

/// The guards, gravest first.
pub fn guards(weighed: &Weighed<'_>, asked: &Questions) -> Vec<Guard> {
    let mut guards = vec![Guard::NotRandomised { origin: weighed.origin }];
    let small = too_small(weighed.rows, asked);
    let label = |level: u16| weighed.rows.labels.get(usize::from(level)).cloned().unwrap_or_default();
    for &(level, failures, patients) in &small {
        guards.push(Guard::TooFew {
            level: label(level),
            failures,
            patients,
            least_failures: u32::try_from(asked.least_failures).unwrap_or(u32::MAX),
            least_patients: u32::try_from(asked.least_patients).unwrap_or(u32::MAX),
        });
    }
    if weighed.factor == "operator" {
        guards.push(Guard::OperatorsNotRanked);
    }
    periods(weighed, &mut guards);
    for (level, compared) in weighed.levels.iter().enumerate() {
        if compared.operators == 1 && weighed.factor != "operator" && several_operators(weighed) {
            guards.push(Guard::OneOperator { level: label(u16::try_from(level).unwrap_or(u16::MAX)) });
        }
    }
    if let Some(p_value) = not_proportional(weighed.crude) {
        guards.push(Guard::NotProportional { p_value });
    }
    // Windows are the same in all levels.
    let recalls = weighed.levels.first().map_or(&[][..], |level| level.recalls.as_slice());
    let curves = weighed.levels.iter().map(|level| level.group.curve.as_slice());
    if weighed.failure_day == FailureDayReading::DayFound {
        guards.extend(recall_cut(curves, recalls, asked.headline).map(Guard::RecallCut));
    }
    for compared in weighed.levels {
        if let Some(part) = compared.group.readings_part {
            guards.push(Guard::ReadingsPart { level: compared.group.label.clone(), part });
        }
    }
    for (level, compared) in weighed.levels.iter().enumerate() {
        if let Some((months, share)) = low_recall(&compared.recalls, asked.headline) {
            guards.push(Guard::LowRecall { level: label(u16::try_from(level).unwrap_or(u16::MAX)), months, share });
        }
    }
    uneven(weighed, &mut guards);
    if let Computed::Computed(test) = &weighed.crude.test
        && let Some(Known::Known(finite)) = &test.finite_clusters
        && finite.few
    {
        guards.push(Guard::FewClusters { clusters: finite.informative_clusters });
    }
    adjustment(weighed, asked, &mut guards);
    let comparisons = weighed.rows.others().filter(|level| is_tested(&small, weighed.rows, *level)).count() as u64;
    if comparisons > 1 {
        guards.push(Guard::ManyComparisons { comparisons });
    }
    let count =
        |wanted: Ending| weighed.rows.observations.ending().iter().filter(|ending| **ending == wanted).count() as u64;
    let (failures, competing) = (count(Ending::Failed), count(Ending::Competing));
    if competing > 0 && competing as f64 >= COMPETING_NOT_RARE * failures as f64 {
        guards.push(Guard::ManyCompeting { competing, failures });
    }
    if weighed.missing > 0 {
        guards.push(Guard::MissingLevels { missing: weighed.missing });
    }
    if weighed.levels_together > 0 {
        guards.push(Guard::LevelsTogether { levels: weighed.levels_together });
    }
    if weighed.hidden > 0 {
        guards.push(Guard::HiddenLevels { hidden: weighed.hidden });
    }
    if weighed.delayed > 0 {
        guards.push(Guard::DelayedEntries { count: weighed.delayed });
    }
    if weighed.failure_day == FailureDayReading::DayFound {
        guards.push(Guard::FoundAtRecall);
    }
    guards
}

fn several_operators(weighed: &Weighed<'_>) -> bool {
    weighed.levels.iter().any(|level| level.operators > 1)
}

/// Levels that were placed mostly before or after the reference's time in use: from the first to the last day that a restoration of
/// the reference was placed, the earliest and the latest twentieth of them left aside.
fn periods(weighed: &Weighed<'_>, guards: &mut Vec<Guard>) {
    let days = |level: u16| -> Vec<i32> {
        let mut days: Vec<i32> = weighed
            .placed
            .iter()
            .zip(weighed.rows.levels.codes())
            .filter(|(_, code)| **code == level)
            .map(|(day, _)| *day)
            .collect();
        days.sort_unstable();
        days
    };
    let of_reference = days(weighed.rows.reference);
    let trimmed = of_reference.len() / 20;
    let (Some(&first), Some(&last)) =
        (of_reference.get(trimmed), of_reference.get(of_reference.len().saturating_sub(trimmed + 1)))
    else {
        return;
    };
    for level in weighed.rows.others() {
        let days = days(level);
        if days.is_empty() {
            continue;
        }
        let shared = days.iter().filter(|day| (first..=last).contains(*day)).count() as f64 / days.len() as f64;
        if shared < SHARED_PERIOD
            && let Some(compared) = weighed.levels.get(usize::from(level))
        {
            guards.push(Guard::OnePeriod {
                level: weighed.rows.labels[usize::from(level)].clone(),
                from: compared.first_placed,
                to: compared.last_placed,
                shared: Fraction::new(shared),
            });
        }
    }
}

/// The recall nearest to the horizon, if few were seen at it.
fn low_recall(recalls: &[RecallReview], headline: Days) -> Option<(u16, Fraction)> {
    let distance = |recall: &&RecallReview| (Days::of_months(recall.months).count() - headline.count()).abs();
    let nearest = recalls.iter().filter(|recall| recall.months > 0 && recall.due >= LEAST_DUE).min_by_key(distance)?;
    let (share, _) = *nearest.share_seen.known()?;
    (share.value() < LOW_RECALL).then_some((nearest.months, share))
}

fn uneven(weighed: &Weighed<'_>, guards: &mut Vec<Guard>) {
    let mut medians: Vec<(Days, String)> = weighed
        .levels
        .iter()
        .zip(&weighed.rows.labels)
        .filter_map(|(level, label)| Some((*level.group.median_follow_up_days.known()?, label.clone())))
        .collect();
    medians.sort();
    if let (Some((shortest_median, shortest)), Some((longest_median, longest))) = (medians.first(), medians.last())
        && f64::from(longest_median.count()) > UNEVEN * f64::from(shortest_median.count())
    {
        guards.push(Guard::UnevenFollowUp {
            longest: longest.clone(),
            longest_median: *longest_median,
            shortest: shortest.clone(),
            shortest_median: *shortest_median,
        });
    }
}

/// The latest horizon up to the headline's at which weighting and regression both tell, and what they tell: differences of survival.
fn both_ways(pair: &AdjustedPair, asked: &Questions) -> Option<(Days, f64, f64)> {
    let regression = &pair.regression.computed()?.survival;
    asked.horizons.iter().zip(&pair.weighted.survival).zip(regression).rev().find_map(|((day, weighted), regression)| {
        let value = |found: &Known<SurvivalContrast>| found.known().map(|one| one.difference.estimate.value);
        (*day <= asked.headline).then_some(())?;
        Some((*day, value(weighted)?, value(regression)?))
    })
}

fn adjustment(weighed: &Weighed<'_>, asked: &Questions, guards: &mut Vec<Guard>) {
    match weighed.adjusted {
        Computed::NotComputed(why) => guards.push(Guard::NotAdjusted { why: why.clone() }),
        Computed::Computed(adjusted) => {
            if adjusted.left_out > 0 {
                let of = adjusted.left_out + adjusted.restorations;
                guards.push(Guard::MissingCovariates { left_out: adjusted.left_out, of });
            }
            for pair in &adjusted.pairs {
                if let Some((day, weighting, regression)) = both_ways(pair, asked)
                    && (weighting - regression).abs() >= asked.relevant_difference
                {
                    let level = weighed.rows.labels.get(usize::from(pair.level)).cloned().unwrap_or_default();
                    guards.push(Guard::WaysDisagree { level, day, weighting, regression });
                }
            }
            for overlap in adjusted.overlap.iter().filter(|overlap| overlap.doubtful()) {
                let level = weighed.rows.labels.get(usize::from(overlap.level)).cloned().unwrap_or_default();
                guards.push(Guard::LittleOverlap { level });
            }
            for column in weighed.balance {
                let named = adjusted.adjusted_for.contains(&column.column.covariate);
                if let Some(difference) = column.largest_after.known().copied().filter(|left| named && *left > BALANCED) {
                    let covariate = match &column.column.level {
                        Some(level) => format!("{}: {level}", column.column.covariate),
                        None => column.column.covariate.clone(),
                    };
                    guards.push(Guard::StillDifferent { covariate, difference });
                }
            }
        }
    }
    if let Computed::Computed(together) = weighed.together
        && together.failures < FEW_FAILURES_PER_COEFFICIENT * together.coefficients
    {
        guards.push(Guard::FewFailuresPerCoefficient { failures: together.failures, coefficients: together.coefficients });
    }
}
