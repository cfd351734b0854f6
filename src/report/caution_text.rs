//! The words of each caution.

use super::sentence::range_text;
use crate::result::{Caution, FactorOrigin, ReadingsPart, RecallCut};
use crate::wording::{Readers, percent, span};

/// That survival is read inside the window of a recall.
pub fn recall_cut_text(cut: &RecallCut, readers: Readers) -> String {
    format!(
        "Survival is read at {}, inside the window of the recall at {} months: {} found at that recall after the day and don't count in it, beside {} up to the day. So it looks better than that recall was; a day between two recalls (headline_months in the protocol) counts all that was found at the one before it.",
        span(cut.day),
        cut.months,
        readers.counted(cut.after, "failure was", "failures were"),
        readers.count(cut.before),
    )
}

/// A caution as a sentence, with the numbers that raised it as far as its readers may know them.
pub fn caution_text(caution: &Caution, readers: Readers) -> String {
    let counted = |number: u64, one: &str, several: &str| readers.counted(number, one, several);
    match caution {
        Caution::FewFailures { failures: 0 } => {
            "No failure so far. That is not proof of none to come: few fillings, or short follow-up, can look like this by chance.".to_owned()
        }
        Caution::FewFailures { failures } => format!(
            "Only {} behind the headline: its interval is what counts, not its middle.",
            counted(*failures, "failure stands", "failures stand")
        ),
        Caution::FewPatients { patients } => {
            format!("Only {} behind the headline: with so few mouths even the intervals are rough.", counted(*patients, "patient stands", "patients stand"))
        }
        Caution::ShortFollowUp { median: Some(median), horizon, at_risk } => format!(
            "Median follow-up, had none failed, is {} (reverse Kaplan–Meier); at {} {} still followed.",
            span(*median),
            span(*horizon),
            match at_risk {
                0 => "none was".to_owned(),
                more => format!("only {}", counted(*more, "restoration was", "restorations were")),
            }
        ),
        Caution::ShortFollowUp { median: None, horizon, at_risk } => {
            format!("Only {} still followed at {}: too few to say much about it.", counted(*at_risk, "restoration was", "restorations were"), span(*horizon))
        }
        Caution::RecallCut(cut) => recall_cut_text(cut, readers),
        Caution::ReadingsPart { factor, levels } => readings_part_text(factor.as_deref(), levels),
        Caution::LowRecall { months, share } => {
            format!("At {} months {} of those due were seen; those who stayed away may have fared differently.", months, percent(*share))
        }
        Caution::NotRandomised { factor, origin } => format!("{factor}: {}", not_randomised(*origin)),
        Caution::HiddenLevels { factor, hidden } => format!(
            "{factor}: levels with few patients are hidden ({}), and left out of that comparison.",
            counted(*hidden, "restoration", "restorations")
        ),
        Caution::MissingLevels { factor, missing } => {
            format!("{factor} is not known for {}, left out of that comparison.", counted(*missing, "restoration", "restorations"))
        }
        Caution::SmallLevel { factor, level, failures, patients } => format!(
            "{factor}, {level}: {} in {}; described, not tested.",
            counted(*failures, "failure", "failures"),
            counted(*patients, "patient", "patients")
        ),
        Caution::ManyCompeting { endpoint, competing, failures } => format!(
            "{endpoint}: {} (such as teeth lost or fillings renewed for another fault) beside {}. They leave the curve without counting as failure, so the curve tells how fillings would fare if nothing else ended them.",
            counted(*competing, "other ending", "other endings"),
            counted(*failures, "failure", "failures")
        ),
        Caution::DelayedEntries { count } => format!(
            "{} already there when observation began; they count only from then on, since early losses among their like were never recorded.",
            counted(*count, "restoration was", "restorations were")
        ),
        Caution::ReportedLosses { count } => {
            format!("{} known from a report only, not from an examination.", counted(*count, "loss is", "losses are"))
        }
        Caution::OwnWorkScored { count } => {
            format!("At {} the operator scored own work; such scores tend to be kind.", counted(*count, "visit", "visits"))
        }
        Caution::FoundAtRecall => {
            "Failures are dated to the visit that found them; they happened at some time since the visit before, so the curve comes down a little late.".to_owned()
        }
    }
}

/// Curves that part from the reading between visits.
fn readings_part_text(factor: Option<&str>, levels: &[(String, ReadingsPart)]) -> String {
    let one = |(label, part): &(String, ReadingsPart)| {
        let whose = if factor.is_some() { format!("{label}: ") } else { String::new() };
        format!("{whose}{}", readings_part_numbers(part))
    };
    format!(
        "{}Failures are dated to the visit that found them. Where most of those still followed were last seen at one recall, that makes the curve wrong: {}. A curve is not drawn beyond the day to which both agree at its end.",
        factor.map_or_else(String::new, |factor| format!("{factor}: ")),
        levels.iter().map(one).collect::<Vec<_>>().join("; ")
    )
}

/// Both readings on a day: `77.3 % after 13 months by the day found, 87.5 % if failures came between visits`.
pub fn readings_part_numbers(part: &ReadingsPart) -> String {
    format!(
        "{} after {} by the day found, {} if failures came between visits",
        percent(part.day_found),
        span(part.day),
        range_text(part.between_visits)
    )
}

/// Why a difference between levels proves little, by where the factor comes from.
pub const fn not_randomised(origin: FactorOrigin) -> &'static str {
    match origin {
        FactorOrigin::ChosenAtChair => {
            "chosen at the chair, not at random. Levels may differ in lesions, patients, years and operators, so a difference is not proof that the technique made it."
        }
        FactorOrigin::Given => {
            "not given by lot. Levels may differ in much else (technique, patients, years, operators), so a difference is not proof of what made it."
        }
        FactorOrigin::Own => {
            "not given by lot. Levels may differ in lesions, patients, technique, years and operators, so a difference is not proof of what made it."
        }
    }
}

/// The standing caution, shown wherever numbers are read.
pub const STANDING_CAUTION: &str = "These results describe a practice's past cases. They don't decide the treatment of any patient, and they are no proof that one technique is better. Local codes, the materials' instructions for use and the licensed practitioner's judgement come first.";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Days;

    #[test]
    fn a_cut_recall_tells_others_of_no_few() {
        let cut = RecallCut { months: 36, day: Days::of_months(36), before: 4, after: 3 };
        let text = |readers| recall_cut_text(&cut, readers);
        let own = text(Readers::Practice);
        assert!(
            own.starts_with("Survival is read at 3 years, inside the window of the recall at 36 months: 3 failures were"),
            "{own}"
        );
        assert!(own.contains("beside 4 up to the day"), "{own}");
        let others = text(Readers::Others);
        assert!(others.contains("<5 failures were") && others.contains("beside <5 up to the day"), "{others}");
    }
}
