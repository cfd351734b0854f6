//! A plan in sentences: the answer, what is taken for granted, what to be careful about.

use super::answer::{PlanAnswers, Simulated};
use super::asked::{Compared, PlanAsked};
use crate::estimate::section::{digits, why_not_known};
use crate::quantity::{Fraction, Known};
use crate::stats::{AssignmentUnit, EventsFormula, SharesFormula};
use crate::wording::{count, counted, percent};

/// Below so many patients tests by the usual distribution find too much.
const FEW_PATIENTS: u64 = 50;
/// Below so many failures the formulas are rough.
const FEW_FAILURES: f64 = 20.0;

fn years(value: f64) -> String {
    let text = digits(value, 3);
    if text == "1" { "1 year".to_owned() } else { format!("{text} years") }
}

/// For how long they come and are followed.
fn followed(asked: &PlanAsked) -> String {
    let (accrual, further) = (asked.follow_up.accrual.count(), asked.follow_up.further.count());
    if accrual > 0.0 {
        format!("who come over {} and are followed for {} after the last of them", years(accrual), years(further))
    } else {
        format!("who come at once and are followed for {}", years(further))
    }
}

/// The difference, as what the second group does.
fn difference(asked: &PlanAsked) -> String {
    match asked.compared {
        Compared::Times { kept, horizon, ratio: Some(ratio), .. } => {
            let second = Fraction::new(libm::pow(kept.value(), ratio));
            format!(
                "restorations of the second group fail {} times as fast as those of the first ({} against {} in place after {})",
                digits(ratio, 3),
                percent(second),
                percent(kept),
                years(horizon.count())
            )
        }
        Compared::Times { ratio: None, .. } => "restorations of one group fail faster than those of the other".to_owned(),
        Compared::Shares { first, second, .. } => format!(
            "{} of the second group fail, not {} as in the first, within {}",
            percent(second),
            percent(first),
            years(asked.follow_up.further.count())
        ),
    }
}

/// The answer.
pub fn answer(answers: &PlanAnswers) -> String {
    let asked = &answers.asked;
    let (Known::Known(restorations), Known::Known(patients)) = (answers.restorations(), answers.patients()) else {
        return String::new();
    };
    let many = |all: u64| counted(all, "restoration", "restorations");
    let in_patients = format!("{} in about {}", many(restorations), counted(patients, "patient", "patients"));
    if asked.restorations.is_none() {
        let (each, seen) =
            match (answers.by_times().and_then(|one| one.needed), answers.by_shares().and_then(|one| one.needed)) {
                (Some(Known::Known(needed)), _) => {
                    let failures = counted(whole(needed.events), "failure", "failures");
                    (needed.observations, format!("; some {failures} will be seen"))
                }
                (_, Some(Known::Known(needed))) => (needed, String::new()),
                _ => return String::new(),
            };
        return format!(
            "To find with a chance of {} that {}, you need about {in_patients}, {}: {} in the first group and {} in the second{seen}.",
            percent(asked.power),
            difference(asked),
            followed(asked),
            count(each[0]),
            count(each[1]),
        );
    }
    let power = answers.by_times().and_then(|one| one.power).or_else(|| answers.by_shares().and_then(|one| one.power));
    if let Some(power) = power {
        let chance = match power {
            Known::Known(power) => percent(power),
            Known::NotKnown(why) => format!("that is not known ({})", why_not_known(why)),
        };
        return format!(
            "With {in_patients}, {}, you find that {} with a chance of {chance}.",
            followed(asked),
            difference(asked)
        );
    }
    let Some(least) = answers.by_times().and_then(|one| one.least_ratio) else { return String::new() };
    let side = |ratio: Known<f64>, word: &str| match ratio {
        Known::Known(ratio) => format!("{word} {} times as fast", digits(ratio, 3)),
        Known::NotKnown(_) => format!("{word} any number of times as fast (no ratio is found so)"),
    };
    format!(
        "With {in_patients}, {}, you find with a chance of {} that the second group fails {} as the first, or {}; smaller differences are more likely missed.",
        followed(asked),
        percent(asked.power),
        side(least.above_one, "at least"),
        side(least.below_one, "at most"),
    )
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rounded, above 0; saturates")]
fn whole(value: f64) -> u64 {
    libm::ceil(value) as u64
}

/// What is taken for granted.
pub fn assumptions(answers: &PlanAnswers) -> Vec<String> {
    let asked = &answers.asked;
    let mut all = Vec::new();
    match (asked.compared, &answers.times) {
        (Compared::Times { kept, horizon, ratio, formula }, Some(times)) => {
            all.push(format!(
                "In the first group {} are in place after {}: the formulas take {} failures in 100 restoration-years, always the same.",
                percent(kept),
                years(horizon.count()),
                digits(times.hazard.per_hundred_years(), 3)
            ));
            if ratio.is_some() {
                all.push(
                    "The ratio is that of the rates of failure, the same at all times, as seen across patients.".to_owned(),
                );
            }
            let name = match formula {
                EventsFormula::Schoenfeld => "Schoenfeld's",
                EventsFormula::Freedman => "Freedman's",
            };
            all.push(format!("The log-rank test is used; the answer is by {name} formula."));
        }
        (Compared::Shares { formula, .. }, _) => {
            let name = match formula {
                SharesFormula::Pooled => "of the pooled share",
                SharesFormula::Unpooled => "of each group's own share",
                SharesFormula::ContinuityCorrected => "of the pooled share, corrected for continuity",
            };
            all.push(format!("Shares are compared at the end of the follow-up, with the variance {name}."));
        }
        _ => {}
    }
    all.push(format!(
        "A difference counts as found below a two-sided level of {} %, in its true direction.",
        digits((1.0 - asked.level.value()) * 100.0, 3)
    ));
    all.push(format!(
        "{} of those still followed are lost to recall each year, whatever their restorations do.",
        percent(asked.lost_yearly)
    ));
    all.push(match asked.unit {
        AssignmentUnit::WholeCluster => "All restorations of a patient are in one group.".to_owned(),
        AssignmentUnit::WithinCluster => {
            "Each patient has restorations in both groups, in the proportion of the whole, and is compared with himself."
                .to_owned()
        }
        AssignmentUnit::Observation => "Each restoration is given its group by lot, whoever the patient is.".to_owned(),
    });
    if answers.clustering.mean_size > 1.0 {
        all.push(format!(
            "A patient has {} restorations on average; two of one patient fail together with a correlation of {} (frailty variance {}). That makes {} times as many restorations necessary as if each were a patient of its own.",
            digits(answers.clustering.mean_size, 3),
            digits(answers.within_patients.correlation, 3),
            digits(answers.within_patients.frailty_variance, 3),
            digits(answers.design_effect, 3)
        ));
    } else {
        all.push("Each patient has one restoration.".to_owned());
    }
    if let Some(months) = asked.recall_months {
        all.push(format!(
            "In drawn trials failures are found at recalls every {}; the formulas have them found at once.",
            counted(u64::from(months), "month", "months")
        ));
    }
    all
}

/// What to be careful about.
pub fn cautions(answers: &PlanAnswers) -> Vec<String> {
    let asked = &answers.asked;
    let mut all = Vec::new();
    if asked.unit == AssignmentUnit::WithinCluster {
        let whole: f64 = asked.sizes.iter().sum();
        if let Some(single) = asked.sizes.first().filter(|single| **single > 0.0) {
            all.push(format!(
                "{} of the patients have one restoration and can't be compared with themselves: the formulas promise too much. Trust the drawn trials.",
                percent(Fraction::new(single / whole))
            ));
        } else if (1_u32..).zip(&asked.sizes).any(|(size, &weight)| weight > 0.0 && splits_unevenly(size, asked.allocation))
        {
            all.push("Not all patients can be split in the stated proportion: the formulas promise a little too much. Trust the drawn trials.".to_owned());
        }
    }
    if let Known::Known(patients) = answers.patients()
        && patients < FEW_PATIENTS
    {
        all.push(format!(
            "{} are few: take a test that knows the number of patients, and more of them.",
            counted(patients, "patient", "patients")
        ));
    }
    if let Some(Known::Known(needed)) = answers.by_times().and_then(|one| one.needed)
        && needed.events < FEW_FAILURES
    {
        all.push("So few failures are needed that the formula is rough: trust the drawn trials.".to_owned());
    }
    if (asked.shape - 1.0).abs() > 0.0 && answers.times.is_some() {
        all.push(
            "The rate of failure changes with time, and the formulas take its mean over half the follow-up: trust the drawn trials."
                .to_owned(),
        );
    }
    if let (Some(Known::Known(told)), Some(simulated)) = (told_power(answers), &answers.simulated) {
        departure(told, simulated, &mut all);
    }
    all.push("A plan is no better than what it takes for granted. Try other failures of the first group, losses and correlations before you decide.".to_owned());
    all
}

fn splits_unevenly(size: u32, allocation: f64) -> bool {
    let second = f64::from(size) * allocation / (1.0 + allocation);
    (second - libm::round(second)).abs() > 1e-9 || second < 0.5
}

/// The chance that the formula tells of the number of restorations that trials are drawn for.
fn told_power(answers: &PlanAnswers) -> Option<Known<Fraction>> {
    let given = answers.by_times().and_then(|one| one.power).or_else(|| answers.by_shares().and_then(|one| one.power));
    Some(given.unwrap_or(Known::Known(answers.asked.power)))
}

/// Where trials and formula disagree by more than chance in drawing, and more than a plan can bear.
fn departure(told: Fraction, simulated: &Simulated, all: &mut Vec<String>) {
    let trials = simulated.with_difference.trials as f64;
    let error = |share: f64| libm::sqrt(share * (1.0 - share) / trials);
    if let Some(test) = simulated.with_difference.tests.first() {
        let off = test.power.value() - told.value();
        if off.abs() > 0.03 + 3.0 * error(told.value()) {
            all.push(format!(
                "The formula says {}, drawn trials {}: trust the trials, and change the number of restorations.",
                percent(told),
                percent(test.power)
            ));
        }
    }
    let level = 1.0 - simulated.without_difference.level.value();
    for (place, test) in simulated.without_difference.tests.iter().enumerate() {
        let size = test.power.value();
        if size > 1.3 * level && size > level + 3.0 * error(level) {
            all.push(format!(
                "Without a difference test {} of the drawn trials finds one in {} of trials, not {} %: {}.",
                place + 1,
                percent(test.power),
                digits(level * 100.0, 3),
                "don't use it for this plan"
            ));
        }
    }
}
