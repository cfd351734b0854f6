//! What a plan needs, or what it can find, by formula and by drawn trials.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::asked::{Compared, PlanAsked, WithinPatients};
use super::least_reached::least_reached;
use super::practice::PlannedPractice;
use super::sentence;
use crate::quantity::{AnnualRate, Fraction, Known, Variance, WhyNotKnown};
use crate::stats::{
    AssignmentUnit, Clustering, DetectableRatio, EventsFormula, ObservationsNeeded, PlannedShares, PowerTest, SharesFormula,
    SimulatedPlan, Weighting, design_effect, observations_needed, power_of_observations, power_of_shares, shares_needed,
};

/// All about a plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlanAnswers {
    /// The answer in a sentence.
    pub answer: String,
    /// What was asked, defaults filled in.
    pub asked: PlanAsked,
    /// How alike restorations of a patient are taken to be.
    pub within_patients: WithinPatients,
    /// How restorations share patients.
    pub clustering: Clustering,
    /// How many times as many restorations patients make necessary.
    pub design_effect: f64,
    /// Times to failure, by formula.
    pub times: Option<TimesPlan>,
    /// Shares, by formula.
    pub shares: Option<SharesPlan>,
    /// By drawn trials.
    pub simulated: Option<Simulated>,
    /// What is taken for granted.
    pub assumptions: Vec<String>,
    /// What to be careful about.
    pub cautions: Vec<String>,
}

/// Times to failure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimesPlan {
    /// The yearly hazard of the first group.
    pub hazard: AnnualRate,
    /// Hazard of the second group by that of the first, across patients.
    pub ratio: Option<f64>,
    /// Each formula.
    pub by_formula: Vec<TimesByFormula>,
}

/// Times to failure, by one formula.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimesByFormula {
    /// Which one.
    pub formula: EventsFormula,
    /// What is needed, where that is asked.
    pub needed: Option<Known<ObservationsNeeded>>,
    /// The chance to find the difference, where the number of restorations is given.
    pub power: Option<Known<Fraction>>,
    /// The ratios nearest to 1 that are found with the chance wanted, where the number of restorations is given.
    pub least_ratio: Option<DetectableRatio>,
}

/// Shares that failed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SharesPlan {
    /// The share not lost to recall by the end of the follow-up.
    pub still_followed: Fraction,
    /// Each formula.
    pub by_formula: Vec<SharesByFormula>,
}

/// Shares, by one formula.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SharesByFormula {
    /// Which one.
    pub formula: SharesFormula,
    /// Needed in the first group if all are independent and none is lost, not rounded; where it is asked.
    pub if_independent: Option<Known<f64>>,
    /// Needed in each group, rounded up: with patients and losses allowed for.
    pub needed: Option<Known<[u64; 2]>>,
    /// Patients, over both groups, rounded up; those who are in both count once.
    pub patients: Option<Known<u64>>,
    /// The chance to find the difference, where the number of restorations is given.
    pub power: Option<Known<Fraction>>,
}

/// What drawn trials say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Simulated {
    /// Restorations of a trial, at least.
    pub restorations: u64,
    /// Hazard of the second group by that of the first within a patient.
    pub ratio_within_patients: f64,
    /// Trials with the difference: power.
    pub with_difference: SimulatedPlan,
    /// Trials without any: how often a difference is found that isn't there.
    pub without_difference: SimulatedPlan,
}

impl PlanAnswers {
    /// Restorations over both groups, as given or as needed by the formula asked for.
    pub fn restorations(&self) -> Known<u64> {
        match (self.asked.restorations, self.by_times(), self.by_shares()) {
            (Some(given), _, _) => Known::Known(given),
            (None, Some(TimesByFormula { needed: Some(needed), .. }), _) => {
                needed.map(|needed| needed.observations[0] + needed.observations[1])
            }
            (None, _, Some(SharesByFormula { needed: Some(needed), .. })) => needed.map(|needed| needed[0] + needed[1]),
            _ => Known::NotKnown(WhyNotKnown::NoObservations),
        }
    }

    /// Patients over both groups.
    pub fn patients(&self) -> Known<u64> {
        self.restorations().map(|restorations| patients(restorations, self.clustering))
    }

    /// What the formula asked for says of times.
    pub fn by_times(&self) -> Option<&TimesByFormula> {
        let Compared::Times { formula, .. } = self.asked.compared else { return None };
        self.times.as_ref()?.by_formula.iter().find(|one| one.formula == formula)
    }

    /// What the formula asked for says of shares.
    pub fn by_shares(&self) -> Option<&SharesByFormula> {
        let Compared::Shares { formula, .. } = self.asked.compared else { return None };
        self.shares.as_ref()?.by_formula.iter().find(|one| one.formula == formula)
    }
}

/// A number that is whole but for rounding is whole.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole and above 0; saturates")]
fn up(value: f64) -> u64 {
    libm::ceil(value * (1.0 - 1e-12)) as u64
}

fn patients(restorations: u64, clustering: Clustering) -> u64 {
    up(restorations as f64 / clustering.mean_size)
}

/// Answers, or says why not and how to mend it.
///
/// # Errors
/// A sentence with how to mend it, where the plan can't be meant so.
pub fn answer(asked: &PlanAsked) -> Result<PlanAnswers, String> {
    let within = match asked.within_patients() {
        Known::Known(within) => within,
        Known::NotKnown(WhyNotKnown::OutOfReach) => {
            return Err(
                "No shared frailty makes restorations of a patient that much alike.\nMend: give a lower --correlation."
                    .to_owned(),
            );
        }
        Known::NotKnown(_) => {
            return Err(
                "With these numbers all would fail, or none, before the middle of the follow-up.\nMend: correct the failures expected of the first group, the ratio or the follow-up."
                    .to_owned(),
            );
        }
    };
    let clustering = asked
        .clustering(within.correlation)
        .ok_or("No patient has a restoration.\nMend: give a weight above 0 in --sizes.")?;
    let design_effect = match design_effect(clustering, asked.unit) {
        Known::Known(effect) => effect,
        Known::NotKnown(_) => {
            return Err(
                "With this correlation nothing would be left to chance.\nMend: give a --correlation below 1.".to_owned()
            );
        }
    };
    let mut answers = PlanAnswers {
        answer: String::new(),
        asked: asked.clone(),
        within_patients: within,
        clustering,
        design_effect,
        times: matches!(asked.compared, Compared::Times { .. }).then(|| times(asked, clustering)).transpose()?,
        shares: shares(asked, clustering, design_effect),
        simulated: None,
        assumptions: Vec::new(),
        cautions: Vec::new(),
    };
    let restorations = match answers.restorations() {
        Known::Known(restorations) => restorations,
        Known::NotKnown(_) => {
            return Err(
                "No number of restorations finds this difference with this chance.\nMend: give a ratio other than 1, a chance such as --power 0.8, and a follow-up in which some fail."
                    .to_owned(),
            );
        }
    };
    if let (Some(ratio), true) = (asked.ratio(), asked.trials > 0) {
        answers.simulated = Some(simulated(asked, restorations, ratio, within.frailty_variance)?);
    }
    answers.assumptions = sentence::assumptions(&answers);
    answers.cautions = sentence::cautions(&answers);
    answers.answer = sentence::answer(&answers);
    Ok(answers)
}

fn times(asked: &PlanAsked, clustering: Clustering) -> Result<TimesPlan, String> {
    let Known::Known(hazard) = asked.hazard() else {
        return Err("A hazard can't be had from these numbers.\nMend: give a share kept above 0 and below 1.".to_owned());
    };
    let ratio = asked.ratio();
    let first = asked.restorations.map(|all| all as f64 / (1.0 + asked.allocation));
    let by_formula = [EventsFormula::Schoenfeld, EventsFormula::Freedman].map(|formula| {
        let planned = |ratio: f64| asked.planned(formula, hazard, ratio, clustering);
        TimesByFormula {
            formula,
            needed: ratio.filter(|_| first.is_none()).map(|ratio| observations_needed(&planned(ratio), asked.power)),
            power: ratio.zip(first).map(|(ratio, first)| power_of_observations(&planned(ratio), first)),
            least_ratio: first.map(|first| {
                let power = |ratio: f64| power_of_observations(&planned(ratio), first);
                DetectableRatio {
                    below_one: least_ratio(&power, asked.power, -1.0),
                    above_one: least_ratio(&power, asked.power, 1.0),
                }
            }),
        }
    });
    Ok(TimesPlan { hazard, ratio, by_formula: by_formula.to_vec() })
}

/// The ratio nearest to 1, on one side of it, that is found with this chance.
fn least_ratio(power: &impl Fn(f64) -> Known<Fraction>, wanted: Fraction, side: f64) -> Known<f64> {
    // Beyond a thousandfold ratio nothing is looked for.
    let far = libm::log(1000.0);
    let reached = |log: f64| power(libm::exp(side * log)).map(|power| power.value() >= wanted.value());
    least_reached(far, reached).map(|log| libm::exp(side * log))
}

fn shares(asked: &PlanAsked, clustering: Clustering, design_effect: f64) -> Option<SharesPlan> {
    let Compared::Shares { first, second, .. } = asked.compared else { return None };
    let still = libm::exp(-asked.follow_up.loss.per_year() * asked.follow_up.further.count());
    let formulas = [SharesFormula::Pooled, SharesFormula::Unpooled, SharesFormula::ContinuityCorrected];
    let by_formula = formulas.map(|formula| {
        let planned = PlannedShares { first, second, allocation: asked.allocation, level: asked.level, formula };
        let if_independent = asked.restorations.is_none().then(|| shares_needed(&planned, asked.power));
        let needed = if_independent.map(|needed| {
            needed.map(|first| [first, first * asked.allocation].map(|group| up(group * design_effect / still)))
        });
        SharesByFormula {
            formula,
            if_independent,
            needed,
            patients: needed.map(|needed| needed.map(|needed| patients(needed[0] + needed[1], clustering))),
            power: asked
                .restorations
                .map(|all| power_of_shares(&planned, all as f64 / (1.0 + asked.allocation) * still / design_effect)),
        }
    });
    Some(SharesPlan { still_followed: Fraction::new(still), by_formula: by_formula.to_vec() })
}

/// The most restorations that are drawn in all, some minutes' work.
const MOST_DRAWN: u64 = 2_000_000_000;

fn simulated(asked: &PlanAsked, restorations: u64, ratio: f64, frailty_variance: f64) -> Result<Simulated, String> {
    // Twice: with the difference and without it.
    if restorations > 1 << 24 || restorations.saturating_mul(2 * asked.trials) > MOST_DRAWN {
        return Err(format!(
            "{} trials of {restorations} restorations would take too long to draw.\nMend: give fewer --trials, or --trials 0 for the formulas alone.",
            asked.trials
        ));
    }
    let tests = tests(asked);
    let power = |practice: &PlannedPractice| match practice.power(asked.trials, asked.level, &tests) {
        Known::Known(plan) => Ok(plan),
        Known::NotKnown(_) => {
            Err("Trials can't be drawn with numbers this extreme.\nMend: give --trials 0 for the formulas alone.".to_owned())
        }
    };
    let practice = asked.practice(restorations, ratio, frailty_variance);
    let without = PlannedPractice { hazard_ratio: 1.0, ..practice.clone() };
    Ok(Simulated {
        restorations,
        ratio_within_patients: practice.hazard_ratio,
        with_difference: power(&practice)?,
        without_difference: power(&without)?,
    })
}

/// The tests whose power is drawn; the first is the one that the analysis is to use.
pub fn tests(asked: &PlanAsked) -> Vec<PowerTest> {
    let one_each = asked.sizes.iter().skip(1).all(|&weight| weight <= 0.0);
    let mut tests = match asked.compared {
        Compared::Times { .. } => {
            let weighting = Weighting::LogRank;
            vec![
                PowerTest::LogRank { weighting, variance: Variance::ClusterRobust },
                PowerTest::FewClustersLogRank { weighting },
                PowerTest::LogRank { weighting, variance: Variance::ModelBased },
            ]
        }
        Compared::Shares { .. } => {
            let day = asked.last_common_day();
            [Variance::ClusterRobust, Variance::ModelBased].map(|variance| PowerTest::SurvivalAt { day, variance }).to_vec()
        }
    };
    if one_each && asked.unit != AssignmentUnit::WithinCluster {
        // Each restoration a patient of its own: nothing to be robust against.
        tests.retain(|test| {
            matches!(
                test,
                PowerTest::LogRank { variance: Variance::ModelBased, .. }
                    | PowerTest::SurvivalAt { variance: Variance::ModelBased, .. }
            )
        });
    }
    tests
}
