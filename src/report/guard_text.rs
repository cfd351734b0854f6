//! The words of each guard: what weakens a comparison, with the numbers that raised it.

use super::caution_text::not_randomised;
use crate::result::Guard;
use crate::wording::{count, counted, p_value, percent, span};

/// A guard as a sentence; `factor` is what people read of the factor.
pub fn guard_text(guard: &Guard, factor: &str) -> String {
    match guard {
        Guard::NotRandomised { origin } => format!("{factor}: {}", not_randomised(*origin)),
        Guard::TooFew { level, failures, patients, least_failures, least_patients } => format!(
            "{level} has {} in {}; the protocol asks for {least_failures} failures and {least_patients} patients in every level. It is described, not tested.",
            counted(*failures, "failure", "failures"),
            counted(*patients, "patient", "patients")
        ),
        Guard::ManyComparisons { comparisons } => format!(
            "{comparisons} levels are held against the reference; their tests are corrected for that (Holm), their intervals are not."
        ),
        Guard::NotProportional { p_value: p } => format!(
            "The ratio of the hazards changes with time ({} for its staying the same): a hazard ratio averages over what changes, so the mean time without failure leads.",
            p_value(*p)
        ),
        Guard::LowRecall { level, months, share } => format!(
            "{level}: at {months} months {} of those due were seen, under 60 %; those who stayed away may have fared differently.",
            percent(*share)
        ),
        Guard::UnevenFollowUp { longest, longest_median, shortest, shortest_median } => format!(
            "{longest} was followed for {} (median), {shortest} for {}: late failures of the one have no counterpart in the other.",
            span(*longest_median),
            span(*shortest_median)
        ),
        Guard::OnePeriod { level, from, to, shared } => format!(
            "{level} was placed from {from} to {to}; {} while the reference was in use. What differs may be the calendar (materials, hands, recalls) and not the choice.",
            if shared.value() > 0.0 { format!("only {} of it", percent(*shared)) } else { "none of it".to_owned() }
        ),
        Guard::OneOperator { level } => {
            format!("{level} was placed by one operator only: what differs may be the hands and not the choice.")
        }
        Guard::OperatorsNotRanked => "Operators treat different patients and lesions, and take over each other's recalls. They are described side by side, in the order of their names, and are not ranked.".to_owned(),
        Guard::MissingLevels { missing } => {
            format!("{} without a value of the factor left out.", counted(*missing, "restoration", "restorations"))
        }
        Guard::HiddenLevels { hidden } => format!(
            "{} of levels with few patients hidden and left out.",
            counted(*hidden, "restoration", "restorations")
        ),
        Guard::MissingCovariates { left_out, of } => format!(
            "{} of {} left out of the adjusted numbers, since something that is adjusted for is not recorded.",
            counted(*left_out, "restoration", "restorations"),
            count(*of)
        ),
        Guard::NotAdjusted { why } => format!("Nothing is adjusted: {why}."),
        Guard::LittleOverlap { level } => format!(
            "Some restorations had next to no chance of {level}, as they were: the adjusted numbers lean on few that are like them."
        ),
        Guard::StillDifferent { covariate, difference } => format!(
            "{covariate}: weighting left a standardised difference of {difference:.2} between levels (above 0.10)."
        ),
        Guard::FewFailuresPerCoefficient { failures, coefficients } => format!(
            "{} for {} of the model of all together, fewer than ten for each: its lines are rough, and Firth's penalty is laid on them.",
            counted(*failures, "failure", "failures"),
            counted(*coefficients, "coefficient", "coefficients")
        ),
        Guard::ManyCompeting { competing, failures } => format!(
            "{} (such as teeth lost or fillings renewed for another fault) beside {}: survival tells how fillings would fare if nothing else ended them; incidence stands beside it.",
            counted(*competing, "other ending", "other endings"),
            counted(*failures, "failure", "failures")
        ),
        Guard::FewClusters { clusters } => format!(
            "Only {} about the difference: the tests lean on a number of patients that is too small for their formula; rely on the p for few patients.",
            counted(*clusters, "patient informs", "patients inform")
        ),
        Guard::FoundAtRecall => "Failures are dated to the visit that found them, so curves come down late, the later the rarer the recalls; the reading between visits stands beside.".to_owned(),
        Guard::DelayedEntries { count } => format!(
            "{} already there when observation began and count only from then on.",
            counted(*count, "restoration was", "restorations were")
        ),
    }
}
