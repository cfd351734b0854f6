//! What the arguments of `plan` mean, or why they can't be meant so.

use super::answering::misused;
use super::plan::{EventsFormulaAsked, PlanArguments, SharesFormulaAsked, UnitAsked};
use super::reading::Stop;
use crate::planning::asked::{Compared, Likeness, PlanAsked};
use crate::quantity::{AnnualRate, ConfidenceLevel, Fraction, Known, Years};
use crate::stats::{AssignmentUnit, EventsFormula, FollowUpPlan, SharesFormula, hazard_of_yearly_share};

/// The longest of any time that is planned, in years.
const LONGEST: f64 = 100.0;

fn inside(option: &str, value: f64, such: &str) -> Result<Fraction, Stop> {
    if value > 0.0 && value < 1.0 {
        return Ok(Fraction::new(value));
    }
    Err(misused(format!("--{option} {value} does not lie between 0 and 1.\nMend: give a share such as --{option} {such}.")))
}

fn above_zero(option: &str, value: f64, most: f64, such: &str) -> Result<f64, Stop> {
    if value > 0.0 && value <= most {
        return Ok(value);
    }
    Err(misused(format!(
        "--{option} {value} is not above 0 and up to {most}.\nMend: give a number such as --{option} {such}."
    )))
}

fn from_zero(option: &str, value: f64, most: f64, such: &str) -> Result<f64, Stop> {
    if (0.0..=most).contains(&value) {
        return Ok(value);
    }
    Err(misused(format!("--{option} {value} is not from 0 to {most}.\nMend: give a number such as --{option} {such}.")))
}

/// What is asked.
///
/// # Errors
/// A sentence with how to mend it, when options contradict each other or are of no use.
pub(super) fn asked(arguments: &PlanArguments) -> Result<PlanAsked, Stop> {
    let further = Years::new(above_zero("follow", arguments.follow, LONGEST, "5")?);
    let accrual = Years::new(from_zero("coming", arguments.coming, LONGEST, "2")?);
    let lost_yearly = Fraction::new(from_zero("lost-yearly", arguments.lost_yearly, 0.99, "0.05")?);
    let Known::Known(loss) = hazard_of_yearly_share(lost_yearly) else {
        return Err(misused("--lost-yearly is no share.\nMend: give one such as --lost-yearly 0.05."));
    };
    let level = ConfidenceLevel::new(arguments.confidence)
        .ok_or_else(|| misused("A confidence level lies between 0 and 1.\nMend: give one such as --confidence 0.95."))?;
    let power = inside("power", arguments.power, "0.8")?;
    if power.value() <= level.tail() {
        return Err(misused(format!(
            "A chance of {} is had without any restoration at this level.\nMend: give one such as --power 0.8.",
            arguments.power
        )));
    }
    if arguments.restorations == Some(0) {
        return Err(misused("No restorations find nothing.\nMend: give a number above 0, or leave --restorations out."));
    }
    let sizes = sizes(arguments)?;
    Ok(PlanAsked {
        compared: compared(arguments, further, accrual)?,
        restorations: arguments.restorations,
        power,
        level,
        allocation: above_zero("allocation", arguments.allocation, 1000.0, "1")?,
        follow_up: FollowUpPlan { accrual, further, loss: AnnualRate::new(loss.per_year().abs()) },
        lost_yearly,
        likeness: likeness(arguments, &sizes)?,
        sizes,
        unit: match arguments.given_to {
            UnitAsked::WholePatients => AssignmentUnit::WholeCluster,
            UnitAsked::WithinPatients => AssignmentUnit::WithinCluster,
            UnitAsked::Restorations => AssignmentUnit::Observation,
        },
        shape: above_zero("shape", arguments.shape, 20.0, "1.5")?,
        recall_months: arguments.recall_months,
        trials: arguments.trials,
        seed: arguments.seed,
    })
}

fn compared(arguments: &PlanArguments, further: Years, accrual: Years) -> Result<Compared, Stop> {
    if let [first, second] = arguments.failed_shares[..] {
        let [first, second] = [inside("failed-shares", first, "0.1,0.05")?, inside("failed-shares", second, "0.1,0.05")?];
        if (first.value() - second.value()).abs() <= 0.0 {
            return Err(misused(
                "Equal shares are no difference to find.\nMend: give two that differ, such as --failed-shares 0.1,0.05.",
            ));
        }
        if arguments.formula.is_some() {
            return Err(misused("--formula is for times to failure.\nMend: leave it out, or name a --shares-formula."));
        }
        let formula = match arguments.shares_formula.unwrap_or_default() {
            SharesFormulaAsked::Pooled => SharesFormula::Pooled,
            SharesFormulaAsked::Unpooled => SharesFormula::Unpooled,
            SharesFormulaAsked::ContinuityCorrected => SharesFormula::ContinuityCorrected,
        };
        return Ok(Compared::Shares { first, second, formula });
    }
    if !arguments.failed_shares.is_empty() {
        return Err(misused(format!(
            "--failed-shares takes two shares, and there are {}.\nMend: give one for each group, such as --failed-shares 0.1,0.05.",
            arguments.failed_shares.len()
        )));
    }
    if arguments.shares_formula.is_some() {
        return Err(misused("--shares-formula is for shares.\nMend: leave it out, or give --failed-shares."));
    }
    let (kept, horizon) = match (arguments.kept, arguments.after_years, arguments.fail_yearly) {
        (Some(kept), Some(years), _) => {
            (inside("kept", kept, "0.9")?, Years::new(above_zero("after-years", years, LONGEST, "5")?))
        }
        (_, _, Some(yearly)) => {
            let yearly = inside("fail-yearly", yearly, "0.03")?;
            // In the middle of the follow-up, where the formulas look.
            let middle = further.count() + 0.5 * accrual.count();
            (Fraction::new(libm::exp(middle * libm::log1p(-yearly.value()))), Years::new(middle))
        }
        _ => {
            return Err(misused(
                "It isn't said how often restorations of the first group fail.\nMend: give --kept 0.9 --after-years 5 (in place after five years), --fail-yearly 0.03, or --failed-shares 0.1,0.05.",
            ));
        }
    };
    let ratio = match (arguments.ratio, arguments.kept_second) {
        (Some(ratio), _) => Some(above_zero("ratio", ratio, 1000.0, "1.5")?),
        (_, Some(second)) => Some(libm::log(inside("kept-second", second, "0.8")?.value()) / libm::log(kept.value())),
        _ => None,
    };
    if ratio.is_some_and(|ratio| (ratio - 1.0).abs() < 1e-9) {
        return Err(misused("Groups that fail equally fast show no difference to find.\nMend: give a ratio other than 1."));
    }
    if ratio.is_none() && arguments.restorations.is_none() {
        return Err(misused(
            "It isn't said which difference is to be found.\nMend: give --ratio 1.5 or --kept-second 0.8; or --restorations 400, to be told the least difference that so many find.",
        ));
    }
    let formula = match arguments.formula.unwrap_or_default() {
        EventsFormulaAsked::Schoenfeld => EventsFormula::Schoenfeld,
        EventsFormulaAsked::Freedman => EventsFormula::Freedman,
    };
    Ok(Compared::Times { kept, horizon, ratio, formula })
}

fn sizes(arguments: &PlanArguments) -> Result<Vec<f64>, Stop> {
    if arguments.sizes.is_empty() {
        return Ok(vec![1.0]);
    }
    let sound = arguments.sizes.iter().all(|size| *size >= 0.0 && size.is_finite());
    if !sound || arguments.sizes.iter().sum::<f64>() <= 0.0 || arguments.sizes.len() > 1000 {
        return Err(misused(
            "--sizes counts the patients with 1, 2, 3 and so on restorations.\nMend: give numbers of 0 or above, one of them above 0, such as --sizes 50,30,20.",
        ));
    }
    Ok(arguments.sizes.clone())
}

fn likeness(arguments: &PlanArguments, sizes: &[f64]) -> Result<Likeness, Stop> {
    let several = sizes.iter().skip(1).any(|&weight| weight > 0.0);
    match (arguments.correlation, arguments.frailty_variance) {
        (Some(_), _) | (_, Some(_)) if !several => Err(misused(
            "Each patient has one restoration, so that none can be alike.\nMend: say with --sizes how many have 1, 2, 3 and so on, or leave --correlation and --frailty-variance out.",
        )),
        (Some(correlation), _) => {
            if !(0.0..1.0).contains(&correlation) {
                return Err(misused(format!(
                    "--correlation {correlation} is not from 0 to below 1.\nMend: give a number such as --correlation 0.1."
                )));
            }
            Ok(Likeness::Correlation(correlation))
        }
        (_, Some(variance)) => Ok(Likeness::FrailtyVariance(from_zero("frailty-variance", variance, 100.0, "0.8")?)),
        _ if several => Err(misused(
            "It isn't said how alike restorations of a patient fare, and much hangs on that.\nMend: give --correlation, from earlier records or as a guess such as 0.1 (try 0 and 0.3, too), or --frailty-variance.",
        )),
        _ if arguments.given_to == UnitAsked::WithinPatients => Err(misused(
            "Patients with one restoration can't be compared with themselves.\nMend: say with --sizes how many have 1, 2, 3 and so on, such as --sizes 0,100 for pairs.",
        )),
        _ => Ok(Likeness::Correlation(0.0)),
    }
}
