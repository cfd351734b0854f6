//! The rules that choose what may be said of each level against the reference; they are written out in [`crate::result::verdict`].

use super::asked::Questions;
use super::compared::Compared;
use super::crude::{is_tested, too_small};
use super::published::agreement;
use crate::quantity::{DAYS_PER_YEAR, Days, Fraction, Known, WhyNotKnown};
use crate::result::{
    AdjustedPair, BetweenVisits, Computed, Needed, PublishedFinding, RegressionPair, Verdict, VerdictBasis, VerdictKind,
    VerdictMeasure, VerdictNumbers,
};
use crate::stats::{
    AdjustmentMethod, Contrast, Ending, LifeTable, PlannedComparison, RestrictedMeanContrast, SurvivalContrast,
    WeightedComparison, adjusted_ln_p_values, events_needed,
};

/// The power with which a relevant difference is to be found by those still needed.
const POWER: f64 = 0.8;

/// The present pace is that of so many years.
const PACE_YEARS: f64 = 3.0;

/// What the rules read.
pub struct Findings<'a> {
    /// The rows.
    pub rows: &'a Compared,
    /// The codes of the levels.
    pub codes: &'a [String],
    /// Each level against the reference without adjustment, on all rows.
    pub crude: &'a [(u16, WeightedComparison)],
    /// The same with adjustment.
    pub adjusted: Option<&'a [AdjustedPair]>,
    /// Whether hazards are not proportional.
    pub not_proportional: bool,
    /// Survival between visits of each level; none where failures are dated to days that are known.
    pub between_visits: &'a [BetweenVisits],
    /// What was published.
    pub published: &'a [PublishedFinding],
    /// The day each was placed.
    pub placed: &'a [i32],
}

/// One level's numbers by the way that leads.
struct Reading<'a> {
    level: u16,
    basis: VerdictBasis,
    leading: &'a WeightedComparison,
    crude: &'a WeightedComparison,
    regression: Option<&'a RegressionPair>,
    day: Option<(usize, Days)>,
    /// Whether the restricted mean leads: hazards are not proportional, and it is known.
    by_mean: bool,
}

impl Reading<'_> {
    /// A contrast of survival on the day read.
    fn on_day<'b>(&self, survival: &'b [Known<SurvivalContrast>]) -> Option<&'b SurvivalContrast> {
        survival.get(self.day?.0)?.known()
    }

    /// Mean time in place by the way that leads.
    fn mean(&self) -> Option<&RestrictedMeanContrast> {
        self.leading.restricted_means.first().and_then(Known::known)
    }

    /// The contrast that leads.
    fn lead(&self) -> Option<&Contrast> {
        if self.by_mean {
            self.mean().map(|mean| &mean.difference)
        } else {
            self.on_day(&self.leading.survival).map(|survival| &survival.difference)
        }
    }
}

/// The verdicts, in the order of the levels.
pub fn verdicts(found: &Findings<'_>, asked: &Questions) -> Vec<Verdict> {
    let small = too_small(found.rows, asked);
    let tables: Vec<LifeTable> = found.rows.observations.by_group(&found.rows.levels).iter().map(LifeTable::count).collect();
    let readings: Vec<Reading<'_>> = found
        .crude
        .iter()
        .map(|(level, crude)| {
            let adjusted = found.adjusted.and_then(|pairs| pairs.iter().find(|pair| pair.level == *level));
            let (basis, leading, on_same) = match adjusted {
                Some(pair) => (VerdictBasis::Weighted, &pair.weighted, &pair.crude),
                None => (VerdictBasis::Crude, crude, crude),
            };
            Reading {
                level: *level,
                basis,
                leading,
                crude: on_same,
                regression: adjusted.and_then(|pair| pair.regression.computed()),
                day: last_readable(
                    &[found.rows.reference, *level].map(|level| tables.get(usize::from(level))),
                    leading,
                    asked,
                ),
                by_mean: found.not_proportional
                    && leading.restricted_means.first().is_some_and(|mean| mean.known().is_some()),
            }
        })
        .collect();
    let tests: Vec<Option<(f64, f64)>> = readings
        .iter()
        .map(|reading| {
            let sides = [found.rows.reference, reading.level].map(|level| tables.get(usize::from(level)));
            let by = if reading.by_mean { Some(asked.mean_until) } else { reading.day.map(|(_, day)| day) };
            let may_be_tested =
                is_tested(&small, found.rows, reading.level) && by.is_some_and(|day| enough_failed(&sides, day, asked));
            let test = reading.lead().filter(|_| may_be_tested)?.test.known()?;
            Some((test.p_value, test.ln_p_value))
        })
        .collect();
    let logs: Vec<f64> = tests.iter().flatten().map(|(_, ln)| *ln).collect();
    let mut corrected = adjusted_ln_p_values(&logs, AdjustmentMethod::Holm).into_iter();
    readings
        .iter()
        .zip(tests)
        .map(|(reading, test)| {
            let corrected = test.and_then(|_| corrected.next());
            verdict(reading, test, corrected, found, asked)
        })
        .collect()
}

/// The latest horizon up to the headline's to which enough are followed on both sides, and where both are known.
fn last_readable(sides: &[Option<&LifeTable>; 2], pair: &WeightedComparison, asked: &Questions) -> Option<(usize, Days)> {
    let followed =
        |day: Days| sides.iter().all(|table| table.is_some_and(|table| table.counts_at(day).at_risk >= asked.least_at_risk));
    asked
        .horizons
        .iter()
        .copied()
        .enumerate()
        .filter(|(_, day)| *day <= asked.headline)
        .rfind(|(place, day)| followed(*day) && pair.survival.get(*place).is_some_and(|one| one.known().is_some()))
}

/// Whether as many have failed on both sides by a day as the protocol asks for; what failed later tells nothing of it.
fn enough_failed(sides: &[Option<&LifeTable>; 2], day: Days, asked: &Questions) -> bool {
    let failed = |table: &LifeTable| table.counts_at(Days::new(day.count().saturating_add(1))).failed_so_far;
    sides.iter().all(|table| table.is_some_and(|table| failed(table) >= asked.least_failures))
}

fn numbers(contrast: &Contrast, reference: f64, level: f64) -> Option<VerdictNumbers> {
    let interval = contrast.estimate.interval.known()?;
    let (lower, upper) = (interval.lower, interval.upper);
    Some(VerdictNumbers { reference, level, difference: contrast.estimate.value, lower, upper })
}

fn verdict(
    reading: &Reading<'_>,
    test: Option<(f64, f64)>,
    corrected: Option<f64>,
    found: &Findings<'_>,
    asked: &Questions,
) -> Verdict {
    let survival = reading
        .on_day(&reading.leading.survival)
        .and_then(|one| numbers(&one.difference, one.first.value(), one.second.value()));
    let difference_on_day =
        |survival: &[Known<SurvivalContrast>]| reading.on_day(survival).map(|one| one.difference.estimate.value);
    let regression_on_day = reading.regression.and_then(|regression| difference_on_day(&regression.survival));
    let regression_lead = if reading.by_mean {
        let mean = reading.regression.and_then(|regression| regression.restricted_mean.known());
        mean.map(|mean| mean.difference.estimate.value)
    } else {
        regression_on_day
    };
    let lead = reading.lead().map(|lead| lead.estimate.value);
    let moved = moved_between_visits(reading, found);
    let on_day = survival.filter(|_| !reading.by_mean);
    let kind = kind(lead, corrected, regression_lead, reading.basis, (survival, on_day, moved.unwrap_or(0.0)), asked);
    let code = |level: u16| found.codes.get(usize::from(level)).map_or("", String::as_str);
    Verdict {
        level: reading.level,
        kind,
        basis: reading.basis,
        measure: if reading.by_mean { VerdictMeasure::RestrictedMean } else { VerdictMeasure::SurvivalAtHorizon },
        day: reading.day.map(|(_, day)| day),
        survival,
        restricted_mean: reading.mean().and_then(|one| numbers(&one.difference, one.first, one.second)),
        crude_difference: difference_on_day(&reading.crude.survival),
        regression_difference: regression_on_day,
        moved_between_visits: moved,
        p_value: test.map_or(Known::NotKnown(WhyNotKnown::TooFewToShow), |(p, _)| Known::Known(p)),
        corrected_p_value: corrected.map_or(Known::NotKnown(WhyNotKnown::TooFewToShow), |ln| Known::Known(libm::exp(ln))),
        needed: needed(reading, kind, survival, found, asked),
        published: agreement(found.published, code(found.rows.reference), code(reading.level), kind, survival),
    }
}

/// By how much the reading between visits moves the difference of survival without adjustment on the day read.
fn moved_between_visits(reading: &Reading<'_>, found: &Findings<'_>) -> Option<f64> {
    let (_, day) = reading.day?;
    let (_, crude) = found.crude.iter().find(|(level, _)| *level == reading.level)?;
    let difference = reading.on_day(&crude.survival)?.difference.estimate.value;
    let between = |level: u16| {
        let at = found.between_visits.iter().find(|one| one.level == level && one.day == day)?;
        at.survival.known().copied()
    };
    let (reference, level) = (between(found.rows.reference)?, between(reading.level)?);
    let least = level.least.value() - reference.largest.value();
    let largest = level.largest.value() - reference.least.value();
    Some((least - difference).max(0.0) + (largest - difference).min(0.0))
}

/// The rules, on the leading difference, its corrected ln p, the difference by regression, the way, and survival's numbers: those on the
/// day, the same if they lead, and by how much the reading between visits moves them.
fn kind(
    lead: Option<f64>,
    corrected: Option<f64>,
    regression: Option<f64>,
    basis: VerdictBasis,
    (survival, on_day, moved): (Option<VerdictNumbers>, Option<VerdictNumbers>, f64),
    asked: &Questions,
) -> VerdictKind {
    let (Some(lead), Some(corrected)) = (lead, corrected) else { return VerdictKind::DescribedOnly };
    if libm::exp(corrected) < asked.alpha() {
        let same_side = regression.is_some_and(|regression| regression * lead > 0.0);
        // Moved, the interval must still lie on its side of none.
        let stays = |numbers: VerdictNumbers| {
            if numbers.difference < 0.0 { numbers.upper + moved < 0.0 } else { numbers.lower + moved > 0.0 }
        };
        return if basis != VerdictBasis::Crude && !same_side {
            VerdictKind::DependsOnAdjustment
        } else if on_day.is_some_and(|numbers| !stays(numbers)) {
            VerdictKind::DependsOnDating
        } else {
            VerdictKind::Differ
        };
    }
    let relevant = asked.relevant_difference;
    let within = |numbers: VerdictNumbers, moved: f64| numbers.lower + moved > -relevant && numbers.upper + moved < relevant;
    let excluded = survival.is_some_and(|numbers| within(numbers, 0.0) && within(numbers, moved));
    if excluded { VerdictKind::NoClearDifference } else { VerdictKind::TooLittleToTell }
}

/// How many more would settle it.
///
/// The relevant difference δ below the reference's survival S on the day is a hazard ratio ln(S − δ) / ln S; failures needed for it by
/// Schoenfeld's formula for the proportion of the two levels here, times the design effect, which is what clustering makes of the
/// variance of the crude log hazard ratio; restorations by the share failing on average of S and S − δ.
fn needed(
    reading: &Reading<'_>,
    kind: VerdictKind,
    survival: Option<VerdictNumbers>,
    found: &Findings<'_>,
    asked: &Questions,
) -> Option<Needed> {
    if !matches!(
        kind,
        VerdictKind::TooLittleToTell
            | VerdictKind::DescribedOnly
            | VerdictKind::DependsOnAdjustment
            | VerdictKind::DependsOnDating
    ) {
        return None;
    }
    let at = survival?.reference;
    let worse = at - asked.relevant_difference;
    if !(at < 1.0 && worse > 0.0) {
        return None;
    }
    let hazard_ratio = libm::log(worse) / libm::log(at);
    let count = |level: u16| found.rows.levels.codes().iter().filter(|&&code| code == level).count() as f64;
    let (of_reference, of_level) = (count(found.rows.reference), count(reading.level));
    let planned = PlannedComparison {
        allocation: of_level / of_reference.max(1.0),
        level: asked.level,
        ..PlannedComparison::default()
    };
    let independent = *events_needed(planned, hazard_ratio, Fraction::new(POWER)).known()?;
    let design_effect = reading
        .crude
        .hazard_ratio
        .known()
        .and_then(|ratio| {
            let error = ratio.coefficient.coefficient.standard_error?;
            Some((error / ratio.coefficient.model_based_error).powi(2))
        })
        .filter(|effect| effect.is_finite() && *effect > 0.0)
        .unwrap_or(1.0)
        .max(1.0);
    let failures = (independent * design_effect).ceil();
    let share = planned.allocation / (1.0 + planned.allocation);
    let failing = (1.0 - share) * (1.0 - at) + share * (1.0 - worse);
    let restorations = (failures / failing).ceil();
    let failures_so_far = found
        .rows
        .observations
        .ending()
        .iter()
        .zip(found.rows.levels.codes())
        .filter(|(ending, code)| **ending == Ending::Failed && (**code == reading.level || **code == found.rows.reference))
        .count() as u64;
    let so_far = of_reference + of_level;
    let pace = a_year(found, reading.level);
    let years = (restorations > so_far && pace > 0.0).then(|| (restorations - so_far) / pace);
    Some(Needed {
        hazard_ratio,
        design_effect,
        failures: whole(failures),
        failures_so_far,
        restorations: whole(restorations),
        restorations_so_far: whole(so_far),
        years,
    })
}

/// How many of the two levels were placed in a year, over the last three in which any of the rows was placed.
fn a_year(found: &Findings<'_>, level: u16) -> f64 {
    let Some(last) = found.placed.iter().max() else { return 0.0 };
    let of_pair = |code: u16| code == level || code == found.rows.reference;
    let recent = found
        .placed
        .iter()
        .zip(found.rows.levels.codes())
        .filter(|(day, code)| of_pair(**code) && f64::from(last - **day) < PACE_YEARS * DAYS_PER_YEAR)
        .count();
    recent as f64 / PACE_YEARS
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "counts above 0; what is too large saturates")]
fn whole(number: f64) -> u64 {
    number as u64
}

/// Whether an adjusted comparison was computed.
pub fn computed_pairs(adjusted: &Computed<crate::result::Adjusted>) -> Option<&[AdjustedPair]> {
    adjusted.computed().map(|adjusted| adjusted.pairs.as_slice())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::Protocol;

    #[test]
    fn each_rule_chooses_its_kind() {
        let asked = Questions::of(&Protocol::built_in());
        let (weighted, crude) = (VerdictBasis::Weighted, VerdictBasis::Crude);
        let told = |lead, p: Option<f64>, regression, basis, limits: Option<(f64, f64)>| {
            let numbers = limits.map(|(lower, upper)| VerdictNumbers {
                reference: 0.9,
                level: 0.9 + lower.midpoint(upper),
                difference: lower.midpoint(upper),
                lower,
                upper,
            });
            kind(lead, p.map(f64::ln), regression, basis, (numbers, numbers, 0.0), &asked)
        };
        // 1: nothing to read, or not tested.
        assert_eq!(told(None, Some(0.01), None, weighted, None), VerdictKind::DescribedOnly);
        assert_eq!(told(Some(-0.1), None, Some(-0.1), weighted, Some((-0.2, -0.01))), VerdictKind::DescribedOnly);
        // 2: below 1 − level, and the other way points to the same side; or there is no other way.
        assert_eq!(told(Some(-0.1), Some(0.049), Some(-0.02), weighted, Some((-0.2, -0.01))), VerdictKind::Differ);
        assert_eq!(told(Some(0.1), Some(0.049), None, crude, Some((0.01, 0.2))), VerdictKind::Differ);
        // 3: the other way points elsewhere, or could not be had.
        let depends = VerdictKind::DependsOnAdjustment;
        assert_eq!(told(Some(-0.1), Some(0.049), Some(0.02), weighted, Some((-0.2, -0.01))), depends);
        assert_eq!(told(Some(-0.1), Some(0.049), None, weighted, Some((-0.2, -0.01))), depends);
        // 4: moved by the reading between visits, the interval holds none; it doesn't matter where the mean leads.
        let numbers = |lower, upper| Some(VerdictNumbers { reference: 0.9, level: 0.8, difference: -0.1, lower, upper });
        let moved = |on_day, moved| {
            kind(Some(-0.1), Some(0.01_f64.ln()), Some(-0.1), weighted, (numbers(-0.2, -0.01), on_day, moved), &asked)
        };
        assert_eq!(moved(numbers(-0.2, -0.01), 0.009), VerdictKind::Differ);
        assert_eq!(moved(numbers(-0.2, -0.01), 0.01), VerdictKind::DependsOnDating);
        assert_eq!(moved(numbers(-0.2, -0.01), -0.05), VerdictKind::Differ);
        assert_eq!(moved(numbers(-0.15, -0.05), 0.2), VerdictKind::DependsOnDating, "turned round");
        assert_eq!(moved(None, 0.01), VerdictKind::Differ);
        // 5 and 6: the whole interval within ± 5 in 100, or not.
        let same = Some(0.01);
        assert_eq!(told(same, Some(0.051), same, weighted, Some((-0.049, 0.049))), VerdictKind::NoClearDifference);
        assert_eq!(told(same, Some(0.051), same, weighted, Some((-0.051, 0.02))), VerdictKind::TooLittleToTell);
        assert_eq!(told(same, Some(0.051), same, weighted, Some((-0.02, 0.051))), VerdictKind::TooLittleToTell);
        assert_eq!(told(same, Some(0.6), same, weighted, None), VerdictKind::TooLittleToTell);
        let narrow = numbers(-0.03, 0.04);
        assert_eq!(kind(same, Some(-0.5), same, weighted, (narrow, narrow, 0.009), &asked), VerdictKind::NoClearDifference);
        assert_eq!(kind(same, Some(-0.5), same, weighted, (narrow, narrow, 0.011), &asked), VerdictKind::TooLittleToTell);
    }
}
