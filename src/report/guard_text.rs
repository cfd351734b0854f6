//! The words of each guard: what weakens a comparison, with the numbers that raised it.

use super::caution_text::{not_randomised, readings_part_numbers, recall_cut_text};
use crate::quantity::{Day, Fraction};
use crate::result::Guard;
use crate::wording::{Readers, p_value, percent, span};

/// From so many guards of one kind on, one sentence names all their levels.
const SEVERAL: usize = 3;

/// Guards as sentences, in their order; several of one kind as one. `factor` is what people read of the factor.
pub fn guard_texts<'a>(guards: impl Iterator<Item = &'a Guard>, factor: &str, readers: Readers) -> Vec<String> {
    let guards: Vec<&Guard> = guards.collect();
    let alike = guards.chunk_by(|one, other| std::mem::discriminant(*one) == std::mem::discriminant(*other));
    alike
        .flat_map(|alike| match several_text(alike, readers) {
            Some(text) if alike.len() >= SEVERAL => vec![text],
            _ => alike.iter().map(|guard| guard_text(guard, factor, readers)).collect(),
        })
        .collect()
}

/// Guards of one kind as one sentence; none where each needs its own.
fn several_text(alike: &[&Guard], readers: Readers) -> Option<String> {
    let parts: Vec<String> = alike.iter().map(|guard| part_of_several(guard, readers)).collect::<Option<_>>()?;
    let parts = parts.join("; ");
    Some(match alike.first()? {
        Guard::TooFew { least_failures, least_patients, .. } => format!(
            "Described, not tested, since the protocol asks for {least_failures} failures and {least_patients} patients in every level: {parts}."
        ),
        Guard::LowRecall { .. } => {
            format!("Of those due under 60 % were seen, and those who stayed away may have fared differently: {parts}.")
        }
        Guard::OnePeriod { .. } => format!(
            "Placed mostly at other times than the reference, so that what differs may be the calendar (materials, hands, recalls) and not the choice: {parts}."
        ),
        Guard::OneOperator { .. } => {
            format!("Placed by one operator only, so that what differs may be the hands and not the choice: {parts}.")
        }
        Guard::LittleOverlap { .. } => format!(
            "Some restorations had next to no chance of these, as they were, so that the adjusted numbers lean on few that are like them: {parts}."
        ),
        Guard::StillDifferent { .. } => {
            format!("Weighting left standardised differences between levels above 0.10: {parts}.")
        }
        _ => return None,
    })
}

fn part_of_several(guard: &Guard, readers: Readers) -> Option<String> {
    Some(match guard {
        Guard::TooFew { level, failures, patients, .. } => format!(
            "{level} ({} in {})",
            readers.counted(*failures, "failure", "failures"),
            readers.counted(*patients, "patient", "patients")
        ),
        Guard::LowRecall { level, months, share } => format!("{level} ({} at {months} months)", percent(*share)),
        Guard::OnePeriod { level, from, to, shared } => {
            format!("{level} ({}, {})", period(*from, *to, readers), shared_text(*shared))
        }
        Guard::OneOperator { level } | Guard::LittleOverlap { level } => level.clone(),
        Guard::StillDifferent { covariate, difference } => format!("{covariate} ({difference:.2})"),
        _ => return None,
    })
}

/// A difference of survival as failures of a hundred: `4.6 fewer would fail`.
fn failing(difference: f64) -> String {
    let word = if difference > 0.0 { "fewer" } else { "more" };
    format!("{:.1} {word} would fail", difference.abs() * 100.0)
}

/// From when to when, in years for others.
fn period(from: Day, to: Day, readers: Readers) -> String {
    match readers {
        Readers::Practice => format!("{from} to {to}"),
        Readers::Others => format!("{} to {}", from.year(), to.year()),
    }
}

/// How much of a level was placed while the reference was in use.
fn shared_text(shared: Fraction) -> String {
    if shared.value() > 0.0 {
        format!("only {} of it while the reference was in use", percent(shared))
    } else {
        "none of it while the reference was in use".to_owned()
    }
}

/// A guard as a sentence; `factor` is what people read of the factor.
pub fn guard_text(guard: &Guard, factor: &str, readers: Readers) -> String {
    match guard {
        Guard::NotRandomised { origin } => format!("{factor}: {}", not_randomised(*origin)),
        Guard::TooFew { level, failures, patients, least_failures, least_patients } => format!(
            "{level} has {} in {}; the protocol asks for {least_failures} failures and {least_patients} patients in every level. It is described, not tested.",
            readers.counted(*failures, "failure", "failures"),
            readers.counted(*patients, "patient", "patients")
        ),
        Guard::ManyComparisons { comparisons } => format!(
            "{comparisons} levels are held against the reference; their tests are corrected for that (Holm), their intervals are not."
        ),
        Guard::NotProportional { p_value: p } => format!(
            "The ratio of the hazards changes with time ({} for its staying the same): a hazard ratio averages over what changes, so the mean time without failure leads.",
            p_value(*p)
        ),
        Guard::RecallCut(cut) => recall_cut_text(cut, readers),
        Guard::ReadingsPart { level, part } => format!(
            "{level}: {}. Where most of those still followed were last seen at one recall, failures dated to the visit that found them make the curve wrong; its end is drawn only as far as both readings agree.",
            readings_part_numbers(part)
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
            "{level} was placed from {}; {}. What differs may be the calendar (materials, hands, recalls) and not the choice.",
            period(*from, *to, readers),
            shared_text(*shared)
        ),
        Guard::OneOperator { level } => {
            format!("{level} was placed by one operator only: what differs may be the hands and not the choice.")
        }
        Guard::OperatorsNotRanked => "Operators treat different patients and lesions, and take over each other's recalls. They are described side by side, in the order of their names, and are not ranked.".to_owned(),
        Guard::MissingLevels { missing } => {
            format!("{} without a value of the factor left out.", readers.counted(*missing, "restoration", "restorations"))
        }
        Guard::LevelsTogether { levels } => format!(
            "{} are put together as “all others”, those with the fewest restorations (of equals the last): what is told of them together is told of none of them alone.",
            readers.counted(*levels, "level", "levels")
        ),
        Guard::HiddenLevels { hidden } => format!(
            "{} of levels with few patients hidden and left out.",
            readers.counted(*hidden, "restoration", "restorations")
        ),
        Guard::MissingCovariates { left_out, of } => format!(
            "{} of {} left out of the adjusted numbers, since something that is adjusted for is not recorded.",
            readers.counted(*left_out, "restoration", "restorations"),
            readers.count(*of)
        ),
        // The reason may name how few there are.
        Guard::NotAdjusted { .. } if readers == Readers::Others => "Nothing is adjusted.".to_owned(),
        Guard::NotAdjusted { why } => format!("Nothing is adjusted: {why}."),
        Guard::LittleOverlap { level } => format!(
            "Some restorations had next to no chance of {level}, as they were: the adjusted numbers lean on few that are like them."
        ),
        Guard::WaysDisagree { level, day, weighting, regression } => format!(
            "{level}: the two ways of adjusting differ by as much as would matter. Of 100 fillings {} by {} than with the reference by weighting, {} by regression; rely on neither alone.",
            failing(*weighting),
            span(*day),
            failing(*regression)
        ),
        Guard::StillDifferent { covariate, difference } => format!(
            "{covariate}: weighting left a standardised difference of {difference:.2} between levels (above 0.10)."
        ),
        Guard::FewFailuresPerCoefficient { failures, coefficients } => format!(
            "{} for {} of the model of all together, fewer than ten for each: its lines are rough, and Firth's penalty is laid on them.",
            readers.counted(*failures, "failure", "failures"),
            readers.counted(*coefficients, "coefficient", "coefficients")
        ),
        Guard::ManyCompeting { competing, failures } => format!(
            "{} (such as teeth lost or fillings renewed for another fault) beside {}: survival tells how fillings would fare if nothing else ended them{}.",
            readers.counted(*competing, "other ending", "other endings"),
            readers.counted(*failures, "failure", "failures"),
            if readers == Readers::Practice { "; incidence stands beside it" } else { "" }
        ),
        Guard::FewClusters { clusters } => format!(
            "Only {} about the difference: the tests lean on a number of patients that is too small for their formula; rely on the p for few patients.",
            readers.counted(*clusters, "patient informs", "patients inform")
        ),
        Guard::FoundAtRecall => format!(
            "Failures are dated to the visit that found them, so curves come down late, the later the rarer the recalls{}.",
            if readers == Readers::Practice { "; the reading between visits stands beside" } else { "" }
        ),
        Guard::DelayedEntries { count } => format!(
            "{} already there when observation began and count only from then on.",
            readers.counted(*count, "restoration was", "restorations were")
        ),
    }
}
