//! Levels compared as they are: nothing adjusted.

use super::asked::Questions;
use super::compared::Compared;
use crate::quantity::{Days, Known, Variance, WhyNotKnown};
use crate::result::{
    BetweenVisits, BetweenVisitsCurve, Computed, Crude, CrudePair, IncidenceAt, IncidenceByLevel, IncidenceCurve,
    IncidencePoint, LEAST_RESAMPLED_FAILURES,
};
use crate::stats::{
    self, AdjustmentMethod, Axis, Covariate, CoxDesign, CoxOptions, Ending, GrayOptions, IncidenceInference,
    IncidenceVariance, IntervalQuantity, IntervalScores, LevelComparison, ObservationsByCause, SurvivalIntervalMethod,
    TimeScale, Weighting, cox_regression, cumulative_incidence, gray_test, incidence_at_horizons, interval_bootstrap,
    interval_score_test, interval_survival, pairwise_log_rank, proportionality, weighted_comparison, weighted_log_rank,
};
use crate::wording::{counted, why_not_known};

/// Competing events are told as incidence where they are at least this part of the failures.
pub const COMPETING_NOT_RARE: f64 = 0.1;

/// How time enters the test of proportional hazards: by how many had failed.
pub const PROPORTIONALITY_SCALE: TimeScale = TimeScale::Failed;

/// The levels that are described and not tested, each with its failures and patients; none if all may be tested.
pub fn too_small(rows: &Compared, asked: &Questions) -> Vec<(u16, u64, u64)> {
    let (endings, patients, codes) = (rows.observations.ending(), rows.observations.cluster(), rows.levels.codes());
    let clusters = patients.iter().max().map_or(0, |last| *last as usize + 1);
    (0..rows.levels.levels())
        .map(|level| {
            let (mut failures, mut seen) = (0, vec![false; clusters]);
            for place in (0..codes.len()).filter(|place| codes[*place] == level) {
                failures += u64::from(endings[place] == Ending::Failed);
                seen[patients[place] as usize] = true;
            }
            (level, failures, seen.into_iter().filter(|seen| *seen).count() as u64)
        })
        .filter(|(_, failures, patients)| *failures < asked.least_failures || *patients < asked.least_patients)
        .collect()
}

fn not_tested(rows: &Compared, small: &[(u16, u64, u64)], asked: &Questions) -> Option<String> {
    if rows.levels.levels() < 2 {
        return Some("there are fewer than two levels".to_owned());
    }
    let (level, failures, patients) = *small.first()?;
    Some(format!(
        "{} has {} in {}; the protocol asks for at least {} failures and {} patients in every level",
        rows.labels[usize::from(level)],
        counted(failures, "failure", "failures"),
        counted(patients, "patient", "patients"),
        asked.least_failures,
        asked.least_patients
    ))
}

/// Compares the levels as they are.
pub fn crude(rows: &Compared, asked: &Questions) -> Crude {
    let small = too_small(rows, asked);
    let refused = not_tested(rows, &small, asked);
    let compared = stats::Compared::new(&rows.observations, &rows.levels);
    let tested = |test: Known<_>| match test {
        Known::Known(test) => Computed::Computed(test),
        Known::NotKnown(why) => Computed::NotComputed(why_not_known(why).to_owned()),
    };
    let test = match &refused {
        Some(why) => Computed::NotComputed(why.clone()),
        None => tested(weighted_log_rank(&compared, Weighting::LogRank, Variance::ClusterRobust)),
    };
    let pairs = (refused.is_none() && rows.levels.levels() > 2)
        .then(|| pairwise_log_rank(&compared, Weighting::LogRank, Variance::ClusterRobust, AdjustmentMethod::Holm));
    let ones = vec![1.0; rows.observations.len()];
    let contrasts = rows
        .others()
        .map(|level| CrudePair { level, comparison: pair(rows, &ones, level, is_tested(&small, rows, level), asked) })
        .collect();
    let intervals = rows.intervals();
    let between_visits_test = match &refused {
        Some(why) => Computed::NotComputed(why.clone()),
        None => match interval_score_test(&intervals, &rows.levels, None, IntervalScores::LogRank) {
            Known::Known(test) => Computed::Computed(test),
            Known::NotKnown(why) => Computed::NotComputed(why_not_known(why).to_owned()),
        },
    };
    let (between_visits, between_visits_curves) = between_visits(rows, &intervals, asked);
    Crude {
        test,
        pairs,
        contrasts,
        proportionality: proportional(rows),
        proportionality_scale: PROPORTIONALITY_SCALE,
        between_visits,
        between_visits_curves,
        between_visits_test,
        incidence: incidence(rows, refused.is_none(), asked),
    }
}

/// Whether a level may be tested against the reference, given the levels that are too small.
pub fn is_tested(small: &[(u16, u64, u64)], rows: &Compared, level: u16) -> bool {
    !small.iter().any(|(small, ..)| *small == level || *small == rows.reference)
}

/// A level against the reference, with weights. Nothing is told of a day to which fewer than the protocol asks for are followed on either
/// side, nor of a mean up to there; and where levels are too small, no test.
pub fn pair(rows: &Compared, weights: &[f64], level: u16, tested: bool, asked: &Questions) -> stats::WeightedComparison {
    let means = asked.mean_horizons();
    let compared = LevelComparison {
        first: rows.reference,
        second: level,
        horizons: &asked.horizons,
        axis: &Axis::Days,
        mean_horizons: &means,
    };
    let mut found = weighted_comparison(&rows.observations, &rows.levels, weights, compared, asked.level);
    let followed = |days: &[Days]| -> Vec<bool> {
        let sides = [rows.reference, level].map(|level| at_risk(rows, level, days));
        (0..days.len()).map(|place| sides.iter().all(|side| side[place] >= asked.least_at_risk)).collect()
    };
    for (survival, followed) in found.survival.iter_mut().zip(followed(&asked.horizons)) {
        if !followed && survival.known().is_some() {
            *survival = Known::NotKnown(WhyNotKnown::TooFewToShow);
        }
    }
    for (mean, followed) in found.restricted_means.iter_mut().zip(followed(&[asked.mean_until])) {
        if !followed && mean.known().is_some() {
            *mean = Known::NotKnown(WhyNotKnown::TooFewToShow);
        }
    }
    if !tested {
        without_tests(&mut found);
    }
    found
}

/// How many of a level are at risk just before each of these days.
fn at_risk(rows: &Compared, level: u16, days: &[Days]) -> Vec<u64> {
    let mut counts = vec![0; days.len()];
    let (entry, exit) = (rows.observations.entry(), rows.observations.exit());
    for place in (0..exit.len()).filter(|place| rows.levels.codes()[*place] == level) {
        for (count, day) in counts.iter_mut().zip(days) {
            *count += u64::from(stats::is_at_risk(entry[place], exit[place], day.count()));
        }
    }
    counts
}

fn without_tests(found: &mut stats::WeightedComparison) {
    without_tests_of_contrasts(&mut found.survival, &mut found.restricted_means);
    if let Known::Known(ratio) = &mut found.hazard_ratio {
        ratio.coefficient.test = Known::NotKnown(WhyNotKnown::TooFewToShow);
        ratio.score_test = Known::NotKnown(WhyNotKnown::TooFewToShow);
    }
}

/// The same of contrasts alone.
pub fn without_tests_of_contrasts(
    survival: &mut [Known<stats::SurvivalContrast>],
    means: &mut [Known<stats::RestrictedMeanContrast>],
) {
    let no_test = |contrast: &mut stats::Contrast| contrast.test = Known::NotKnown(WhyNotKnown::TooFewToShow);
    for survival in survival {
        if let Known::Known(survival) = survival {
            no_test(&mut survival.difference);
            for contrast in [&mut survival.ratio, &mut survival.complementary_log_log] {
                if let Known::Known(contrast) = contrast {
                    no_test(contrast);
                }
            }
        }
    }
    for mean in means {
        if let Known::Known(mean) = mean {
            no_test(&mut mean.difference);
            if let Known::Known(ratio) = &mut mean.ratio {
                no_test(ratio);
            }
        }
    }
}

/// Whether hazards are proportional over the levels, by clusters.
fn proportional(rows: &Compared) -> Known<stats::RegressionTest> {
    let factor = Covariate::factor("level", rows.levels.clone(), rows.labels.clone(), rows.reference);
    let Ok(design) = CoxDesign::new(vec![factor]) else {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    };
    match cox_regression(&rows.observations, &design, None, CoxOptions::default()) {
        Ok(model) => match proportionality(&model, &Axis::Days, PROPORTIONALITY_SCALE, Variance::ClusterRobust) {
            Known::Known(test) => test.global,
            Known::NotKnown(why) => Known::NotKnown(why),
        },
        Err(problem) => Known::NotKnown(problem.why()),
    }
}

/// With more restorations than this, survival between visits is not resampled: its interval would be narrower than its line, and long in
/// coming.
const MOST_RESAMPLED: usize = 100_000;

fn between_visits(
    rows: &Compared,
    intervals: &stats::Intervals,
    asked: &Questions,
) -> (Vec<BetweenVisits>, Vec<BetweenVisitsCurve>) {
    let (mut found, mut curves) = (Vec::new(), Vec::new());
    for (level, intervals) in (0..rows.levels.levels()).zip(intervals.by_group(&rows.levels)) {
        let curve = interval_survival(&intervals);
        let days: Vec<Days> = asked.horizons.iter().copied().filter(|day| *day <= asked.headline).collect();
        let quantities: Vec<IntervalQuantity> = days.iter().map(|day| IntervalQuantity::Survival(*day)).collect();
        let of_level = |place: &usize| rows.levels.codes()[*place] == level;
        let failures =
            (0..rows.observations.len()).filter(of_level).filter(|place| rows.first_known_failed[*place].is_some());
        let enough = failures.count() as u64 >= LEAST_RESAMPLED_FAILURES;
        let mut resampled = if enough && rows.observations.len() <= MOST_RESAMPLED {
            interval_bootstrap(&intervals, &Axis::Days, &quantities, asked.resampling)
        } else {
            Vec::new()
        }
        .into_iter();
        for day in days {
            let survival = match &curve {
                Known::Known(curve) => curve.survival_at(day),
                Known::NotKnown(why) => Known::NotKnown(*why),
            };
            found.push(BetweenVisits { level, day, survival, resampled: resampled.next() });
        }
        if let Known::Known(curve) = curve {
            curves.push(BetweenVisitsCurve { level, intervals: curve.intervals });
        }
    }
    (found, curves)
}

fn incidence(rows: &Compared, tested: bool, asked: &Questions) -> Option<IncidenceByLevel> {
    let count = |wanted: Ending| rows.observations.ending().iter().filter(|ending| **ending == wanted).count() as f64;
    let (failed, competing) = (count(Ending::Failed), count(Ending::Competing));
    if competing < 1.0 || competing < COMPETING_NOT_RARE * failed {
        return None;
    }
    let inference = IncidenceInference {
        variance: IncidenceVariance::ClusterRobust,
        method: SurvivalIntervalMethod::ComplementaryLogLog,
        level: asked.level,
    };
    let (mut at, mut curves) = (Vec::new(), Vec::new());
    for (level, observations) in (0..rows.levels.levels()).zip(rows.observations.by_group(&rows.levels)) {
        let by_cause = ObservationsByCause::of_endings(&observations);
        let whole = cumulative_incidence(&by_cause, inference.variance);
        let points = |cause: u8| -> Vec<IncidencePoint> {
            let of_cause = whole.causes.iter().filter(|one| one.cause == cause).flat_map(|one| &one.steps);
            of_cause
                .map(|step| IncidencePoint {
                    day: step.day,
                    incidence: step.incidence,
                    interval: whole.interval_at(cause, step.day, inference.method, inference.level),
                })
                .collect()
        };
        curves.push(IncidenceCurve { level, failed: points(1), otherwise: points(2) });
        let failed = incidence_at_horizons(&by_cause, 1, &asked.horizons, inference);
        let otherwise = incidence_at_horizons(&by_cause, 2, &asked.horizons, inference);
        for ((day, failed), otherwise) in asked.horizons.iter().zip(failed).zip(otherwise) {
            at.push(IncidenceAt { level, day: *day, failed, otherwise });
        }
    }
    let by_cause = ObservationsByCause::of_endings(&rows.observations);
    let options = GrayOptions { variance: Variance::ClusterRobust, ..GrayOptions::default() };
    let test =
        if tested { gray_test(&by_cause, 1, &rows.levels, options) } else { Known::NotKnown(WhyNotKnown::TooFewToShow) };
    Some(IncidenceByLevel { test, at, curves })
}
