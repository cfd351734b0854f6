//! What may be said of a level against the reference, in words that the numbers bear and no more. Absolute numbers come first; no
//! sentence says that a choice causes anything.

use crate::quantity::{DAYS_PER_YEAR, Days, Known};
use crate::result::{
    Agreement, Comparison, Needed, PublishedDirection, Verdict, VerdictBasis, VerdictKind, VerdictMeasure, VerdictNumbers,
};
use crate::wording::{counted, p_value, span};

use super::sentence::interval_word;

/// The sentences of one verdict.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerdictText {
    /// The finding in one short sentence: a heading.
    pub finding: String,
    /// How many of 100, with the interval of the difference.
    pub absolute: Option<String>,
    /// What the ends of the interval would mean.
    pub ends: Option<String>,
    /// By which test, and how adjustment moved it.
    pub basis: String,
    /// What would settle it.
    pub needed: Option<String>,
    /// How it stands to what was published.
    pub published: Vec<String>,
}

/// The names of the level and of the reference.
fn names<'a>(comparison: &'a Comparison, verdict: &Verdict) -> (&'a str, &'a str) {
    let label = |level: u16| comparison.levels.get(usize::from(level)).map_or("", |level| level.group.label.as_str());
    (label(verdict.level), label(comparison.reference))
}

/// A verdict in words.
pub fn verdict_text(comparison: &Comparison, verdict: &Verdict) -> VerdictText {
    VerdictText {
        finding: finding(comparison, verdict),
        absolute: absolute(comparison, verdict),
        ends: ends(comparison, verdict),
        basis: basis(comparison, verdict),
        needed: verdict.needed.as_ref().map(|needed| needed_text(comparison, verdict, needed)),
        published: published(comparison, verdict),
    }
}

/// Names in the middle of a sentence: `lesion depth (mm), sclerosis (1–4) and calendar (years)`.
pub fn listed(names: &[String]) -> String {
    let small: Vec<String> = names
        .iter()
        .map(|name| {
            let mut letters = name.chars();
            let first = letters.next().map(|letter| letter.to_lowercase().collect::<String>()).unwrap_or_default();
            format!("{first}{}", letters.as_str())
        })
        .collect();
    match small.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => small.join(""),
    }
}

fn of_hundred(survival: f64) -> f64 {
    (1.0 - survival) * 100.0
}

fn whole(number: f64) -> String {
    let rounded = number.abs().round();
    if rounded < 0.5 && number.abs() > 1e-9 { "fewer than 1".to_owned() } else { format!("{rounded:.0}") }
}

/// A difference of survival as fillings of 100 that fail: `4 more`, `7 fewer`, `none more or fewer`.
fn more_or_fewer(difference: f64) -> String {
    let failing = -difference * 100.0;
    if failing.abs() < 0.5 {
        "about as many".to_owned()
    } else {
        format!("{} {}", whole(failing), if failing > 0.0 { "more" } else { "fewer" })
    }
}

fn days(count: f64) -> String {
    let years = count.abs() / DAYS_PER_YEAR;
    if years < 1.0 { format!("{:.1} months", years * 12.0) } else { format!("{years:.1} years") }
}

fn relevant(comparison: &Comparison) -> String {
    format!("{:.0} in 100", comparison.relevant_difference.value() * 100.0)
}

/// `within 5 years`.
fn within(day: Option<Days>) -> String {
    day.map_or_else(String::new, |day| format!(" within {}", span(day)))
}

fn finding(comparison: &Comparison, verdict: &Verdict) -> String {
    let (level, reference) = names(comparison, verdict);
    match verdict.kind {
        VerdictKind::DescribedOnly => format!("{level} and {reference}: too few to be compared; described, no more."),
        VerdictKind::TooLittleToTell => format!("{level} and {reference}: too little to tell."),
        VerdictKind::NoClearDifference => {
            format!("{level} and {reference}: no clear difference; one of {} or more is excluded.", relevant(comparison))
        }
        VerdictKind::DependsOnAdjustment => {
            format!("{level} and {reference}: the two ways of adjusting disagree; nothing can be said.")
        }
        VerdictKind::Differ => {
            let leading = match verdict.measure {
                VerdictMeasure::SurvivalAtHorizon => verdict.survival,
                VerdictMeasure::RestrictedMean => verdict.restricted_mean,
            };
            let more = leading.is_none_or(|numbers| numbers.difference < 0.0);
            format!(
                "{} fillings with {level} failed than with {reference}{}.",
                if more { "More" } else { "Fewer" },
                if verdict.basis == VerdictBasis::Crude { " (not adjusted)" } else { "" }
            )
        }
    }
}

fn absolute(comparison: &Comparison, verdict: &Verdict) -> Option<String> {
    let (level, reference) = names(comparison, verdict);
    let level_word = interval_word(comparison.confidence_level);
    let survival = verdict.survival.map(|numbers| {
        format!(
            "Of 100 such fillings with {level} about {} would fail{}, of 100 with {reference} about {}, if nothing else ended them: {} ({level_word}: {} to {}).",
            whole(of_hundred(numbers.level)),
            within(verdict.day),
            whole(of_hundred(numbers.reference)),
            more_or_fewer(numbers.difference),
            more_or_fewer(numbers.upper),
            more_or_fewer(numbers.lower)
        )
    });
    let mean = verdict.restricted_mean.map(|numbers| mean_sentence(comparison, verdict, &numbers));
    match verdict.measure {
        VerdictMeasure::SurvivalAtHorizon => survival,
        VerdictMeasure::RestrictedMean => {
            let both: Vec<String> = mean.into_iter().chain(survival).collect();
            (!both.is_empty()).then(|| both.join(" "))
        }
    }
}

fn mean_sentence(comparison: &Comparison, verdict: &Verdict, numbers: &VerdictNumbers) -> String {
    let (level, reference) = names(comparison, verdict);
    let signed = |days_more: f64| format!("{} {}", days(days_more), if days_more < 0.0 { "less" } else { "more" });
    format!(
        "In the first {} fillings with {level} did without failure for {:.2} years on average, with {reference} for {:.2}: {} ({}: {} to {}).",
        span(comparison.restricted_mean_day),
        numbers.level / DAYS_PER_YEAR,
        numbers.reference / DAYS_PER_YEAR,
        signed(numbers.difference),
        interval_word(comparison.confidence_level),
        signed(numbers.lower),
        signed(numbers.upper)
    )
}

fn ends(comparison: &Comparison, verdict: &Verdict) -> Option<String> {
    let numbers = verdict.survival?;
    let (level, reference) = names(comparison, verdict);
    let relevant_difference = comparison.relevant_difference.value();
    let meaning = |difference: f64| {
        if difference <= -relevant_difference {
            "a disadvantage that would matter"
        } else if difference >= relevant_difference {
            "an advantage that would matter"
        } else {
            "too small to matter"
        }
    };
    let (worst, best) = (meaning(numbers.lower), meaning(numbers.upper));
    let about = format!("(what matters is {}, by the protocol)", relevant(comparison));
    Some(if worst == best {
        format!("From one end of the interval to the other, {level} against {reference} is {worst} {about}.")
    } else {
        format!("At one end of the interval {level} against {reference} would be {worst}, at the other {best} {about}.")
    })
}

fn basis(comparison: &Comparison, verdict: &Verdict) -> String {
    let test = match (&verdict.p_value, &verdict.corrected_p_value) {
        (Known::Known(p), Known::Known(corrected)) if comparison.verdicts.len() > 1 => {
            format!("{}, corrected for the number of levels {}", p_value(*p), p_value(*corrected))
        }
        (Known::Known(p), _) => p_value(*p),
        _ => "not tested".to_owned(),
    };
    let measure = match verdict.measure {
        VerdictMeasure::SurvivalAtHorizon => "survival at that age",
        VerdictMeasure::RestrictedMean => "mean time without failure, since hazards are not proportional",
    };
    let way = match verdict.basis {
        VerdictBasis::Weighted => {
            let names = comparison.adjusted.computed().map(|adjusted| listed(&adjusted.adjusted_for)).unwrap_or_default();
            format!("adjusted by weighting for {names}")
        }
        VerdictBasis::Crude => "not adjusted".to_owned(),
    };
    let mut text = format!("By {measure}, {way}; fillings of one mouth may share their fate: {test}.");
    if verdict.basis == VerdictBasis::Weighted
        && let Some(crude) = verdict.crude_difference
    {
        text.push_str(&format!(" Without adjustment it would be {} of 100", more_or_fewer(crude)));
        match verdict.regression_difference {
            Some(regression) => text.push_str(&format!(", adjusted by regression instead {}.", more_or_fewer(regression))),
            None => text.push('.'),
        }
    }
    text
}

fn needed_text(comparison: &Comparison, verdict: &Verdict, needed: &Needed) -> String {
    let mut text = format!(
        "To find a difference of {} four times in five would take about {} in both levels together (so far {}), which is about {} followed to {} (so far {} of any follow-up).",
        relevant(comparison),
        counted(needed.failures, "failure", "failures"),
        needed.failures_so_far,
        counted(needed.restorations, "restoration", "restorations"),
        verdict.day.map_or_else(|| span(comparison.headline_day), span),
        needed.restorations_so_far
    );
    match needed.years {
        Some(years) if years > 100.0 => text.push_str(" At the present pace one practice will not get there."),
        Some(years) => text.push_str(&format!(
            " At the present pace that is some {} of placements, and the time to follow them.",
            if years < 1.5 { "12 more months".to_owned() } else { format!("{:.0} more years", years.ceil()) }
        )),
        None => text.push_str(" There are enough placements; following them longer is what is needed."),
    }
    text
}

fn published(comparison: &Comparison, verdict: &Verdict) -> Vec<String> {
    let label = |code: &String| {
        let level = comparison.levels.iter().find(|level| level.group.level == *code);
        level.map_or_else(|| code.clone(), |level| level.group.label.clone())
    };
    verdict
        .published
        .iter()
        .filter_map(|agreement| {
            let finding = comparison.published.iter().find(|finding| finding.key == agreement.key)?;
            let direction = match finding.direction {
                PublishedDirection::FirstBetter => format!("{} better retained", label(&finding.first)),
                PublishedDirection::SecondBetter => format!("{} better retained", label(&finding.second)),
                PublishedDirection::NoDifference => "no difference found".to_owned(),
            };
            let stands = match agreement.agreement {
                Agreement::SameWay => "These records point the same way",
                Agreement::OtherWay => "These records point another way",
                Agreement::OwnTooFew => "These records are too few to agree or disagree",
            };
            Some(format!("{stands}: {direction} ({}; {}).", finding.says, finding.source))
        })
        .collect()
}
