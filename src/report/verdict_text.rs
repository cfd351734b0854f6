//! What may be said of a level against the reference, in words that the numbers bear and no more. Absolute numbers come first; no
//! sentence says that a choice causes anything.

use crate::quantity::{DAYS_PER_YEAR, Days, Known};
use crate::result::{
    Agreement, Comparison, Needed, PublishedDirection, Verdict, VerdictBasis, VerdictKind, VerdictMeasure, VerdictNumbers,
};
use crate::wording::{count, counted, p_value, span};

use super::sentence::interval_word;

/// The endpoint that the published findings are about.
const RETENTION: &str = "retention_loss";

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

impl VerdictText {
    /// All but what was published, as sentences in their order.
    pub fn sentences(&self) -> impl Iterator<Item = &str> {
        [Some(&self.finding), self.absolute.as_ref(), self.ends.as_ref(), Some(&self.basis), self.needed.as_ref()]
            .into_iter()
            .flatten()
            .map(String::as_str)
    }
}

/// The names of the level and of the reference.
fn names<'a>(comparison: &'a Comparison, verdict: &Verdict) -> (&'a str, &'a str) {
    (comparison.label(verdict.level), comparison.label(comparison.reference))
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

/// Failures are counted in a hundred fillings, or in a thousand where fewer than two in a hundred fail of either.
fn counted_in(numbers: &VerdictNumbers) -> f64 {
    if numbers.reference.min(numbers.level) > 0.98 { 1000.0 } else { 100.0 }
}

/// How many fail: `about 12`, `fewer than 1`, `none`.
fn about(survival: f64, of: f64, decimals: usize) -> String {
    let failing = (1.0 - survival) * of;
    if failing < 1e-9 {
        "as far as seen none".to_owned()
    } else if failing < 0.5 {
        "fewer than 1".to_owned()
    } else {
        format!("about {failing:.decimals$}")
    }
}

/// One decimal where whole numbers would not add up: 6 and 14 with 9 between them.
fn decimals(numbers: &VerdictNumbers, of: f64) -> usize {
    let (level, reference) = ((1.0 - numbers.level) * of, (1.0 - numbers.reference) * of);
    let whole = level.round() - reference.round();
    let adds_up = (whole - (-numbers.difference * of).round()).abs() < 0.5;
    usize::from(!adds_up && level >= 0.5 && reference >= 0.5)
}

/// A number of fillings without its sign: whole, but with a digit more where it would round to none.
fn fillings(number: f64) -> String {
    let size = number.abs();
    if !(1e-9..0.5).contains(&size) {
        format!("{size:.0}")
    } else if size >= 0.05 {
        format!("{size:.1}")
    } else {
        "nearly 0".to_owned()
    }
}

/// A difference of survival as fillings that fail: `4 more`, `7 fewer`, `about as many`.
fn more_or_fewer(difference: f64, of: f64) -> String {
    let failing = -difference * of;
    if failing.abs() < 0.5 {
        "about as many".to_owned()
    } else {
        format!("{} {}", fillings(failing), if failing > 0.0 { "more" } else { "fewer" })
    }
}

/// Limits of a difference of survival as fillings that fail: `6 fewer to 13 more`, `2 to 22 more`, `3 to 9 fewer`.
fn range(numbers: &VerdictNumbers, of: f64) -> String {
    let (least, most) = (-numbers.upper * of, -numbers.lower * of);
    if least >= 0.0 {
        format!("{} to {} more", fillings(least), fillings(most))
    } else if most <= 0.0 {
        format!("{} to {} fewer", fillings(most), fillings(least))
    } else {
        format!("{} fewer to {} more", fillings(least), fillings(most))
    }
}

/// The reading between visits is told where it moves the difference by so much.
const MOVED: f64 = 0.01;

/// A difference of survival by another way: `4 more of 100`, `next to none`.
fn by_another_way(difference: f64, of: f64) -> String {
    if (difference * of).abs() < 0.5 {
        "next to none".to_owned()
    } else {
        format!("{} of {of}", more_or_fewer(difference, of))
    }
}

fn days(count: f64) -> String {
    let years = count.abs() / DAYS_PER_YEAR;
    if years < 1.0 { format!("{:.1} months", years * 12.0) } else { format!("{years:.1} years") }
}

fn relevant(comparison: &Comparison) -> String {
    let hundredths = comparison.relevant_difference.value() * 100.0;
    if (hundredths - hundredths.round()).abs() < 1e-9 {
        format!("{hundredths:.0} in 100")
    } else {
        format!("{:.0} in 1000", hundredths * 10.0)
    }
}

/// ` within 5 years`.
fn within(day: Option<Days>) -> String {
    day.map_or_else(String::new, |day| format!(" within {}", span(day)))
}

fn finding(comparison: &Comparison, verdict: &Verdict) -> String {
    let (level, reference) = names(comparison, verdict);
    match verdict.kind {
        VerdictKind::DescribedOnly => format!("{level} and {reference}: too few to be compared; described, no more."),
        VerdictKind::TooLittleToTell => format!("{level} and {reference}: too little to tell."),
        VerdictKind::NoClearDifference => format!(
            "{level} and {reference}: no clear difference; one of {} or more lies outside the {}.",
            relevant(comparison),
            interval_word(comparison.confidence_level)
        ),
        VerdictKind::DependsOnAdjustment => {
            let why = match verdict.regression_difference {
                Some(_) => "the two ways of adjusting disagree",
                None => "only one way of adjusting has an estimate",
            };
            format!("{level} and {reference}: {why}, so nothing can be said.")
        }
        VerdictKind::DependsOnDating => format!(
            "{level} and {reference}: it hangs on when failures between visits are taken to have happened, so nothing can be said."
        ),
        VerdictKind::Differ => {
            let like = match verdict.basis {
                VerdictBasis::Weighted => "like compared with like",
                VerdictBasis::Crude => "nothing adjusted",
            };
            match verdict.measure {
                VerdictMeasure::SurvivalAtHorizon => {
                    let worse = verdict.survival.is_none_or(|numbers| numbers.difference < 0.0);
                    let word = if worse { "More" } else { "Fewer" };
                    format!("{word} fillings with {level} than with {reference} failed{}, {like}.", within(verdict.day))
                }
                VerdictMeasure::RestrictedMean => {
                    let worse = verdict.restricted_mean.is_none_or(|numbers| numbers.difference < 0.0);
                    let word = if worse { "less long" } else { "longer" };
                    format!(
                        "Over the first {}, fillings with {level} went {word} without failure than those with {reference}, {like}.",
                        span(comparison.restricted_mean_day)
                    )
                }
            }
        }
    }
}

fn absolute(comparison: &Comparison, verdict: &Verdict) -> Option<String> {
    let (level, reference) = names(comparison, verdict);
    let survival = verdict.survival.map(|numbers| {
        let of = counted_in(&numbers);
        let decimals = decimals(&numbers, of);
        let difference = match decimals {
            0 => more_or_fewer(numbers.difference, of),
            _ => format!(
                "{:.1} {}",
                (numbers.difference * of).abs(),
                if numbers.difference < 0.0 { "more" } else { "fewer" }
            ),
        };
        let earlier = match verdict.day {
            Some(day) if day < comparison.headline_day => format!(
                " At {} fewer than {} were still followed on one side, so {} is read.",
                span(comparison.headline_day),
                comparison.least_at_risk,
                span(day)
            ),
            _ => String::new(),
        };
        format!(
            "Of {of} such fillings with {level} {} would fail{}, of {of} with {reference} {}, if nothing else ended them: {difference} ({}: {}).{earlier}",
            about(numbers.level, of, decimals),
            within(verdict.day),
            about(numbers.reference, of, decimals),
            interval_word(comparison.confidence_level),
            range(&numbers, of)
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
    let (lower, upper) = (numbers.lower, numbers.upper);
    let limits = if lower >= 0.0 {
        format!("{} to {} more", days(lower), days(upper))
    } else if upper <= 0.0 {
        format!("{} to {} less", days(upper), days(lower))
    } else {
        format!("{} to {}", signed(lower), signed(upper))
    };
    format!(
        "Over the first {}, fillings with {level} would go {:.2} years without failure on average, those with {reference} {:.2} years, if nothing else ended them: {} ({}: {limits}).",
        span(comparison.restricted_mean_day),
        numbers.level / DAYS_PER_YEAR,
        numbers.reference / DAYS_PER_YEAR,
        signed(numbers.difference),
        interval_word(comparison.confidence_level)
    )
}

/// What the ends of the interval of survival's difference would mean; nothing where it is only described.
fn ends(comparison: &Comparison, verdict: &Verdict) -> Option<String> {
    let numbers = verdict.survival.filter(|_| verdict.kind != VerdictKind::DescribedOnly)?;
    let (level, reference) = names(comparison, verdict);
    let matters = comparison.relevant_difference.value();
    let side = |difference: f64| match difference {
        difference if difference <= -matters => Some("worse"),
        difference if difference >= matters => Some("better"),
        _ => None,
    };
    let whose = match verdict.measure {
        VerdictMeasure::SurvivalAtHorizon => "the interval".to_owned(),
        VerdictMeasure::RestrictedMean => format!("the interval of failures{}", within(verdict.day)),
    };
    let about = format!("({} matters, by the protocol)", relevant(comparison));
    let (worst, best) = (side(numbers.lower), side(numbers.upper));
    let small = "the difference would be too small to matter";
    if worst == best {
        let all = worst.map_or_else(
            || small.to_owned(),
            |side| format!("{level} would fare {side} than {reference} by enough to matter"),
        );
        return Some(format!("From one end of {whose} to the other {all} {about}."));
    }
    let first = worst
        .map_or_else(|| small.to_owned(), |side| format!("{level} would fare {side} than {reference} by enough to matter"));
    let second = match (worst, best) {
        (_, None) => small.to_owned(),
        (Some(_), Some(side)) => format!("{side} by enough to matter"),
        (None, Some(side)) => format!("{level} would fare {side} than {reference} by enough to matter"),
    };
    Some(format!("At one end of {whose} {first}, at the other {second} {about}."))
}

/// By which measure and test, and how far adjustment moved the difference.
fn basis(comparison: &Comparison, verdict: &Verdict) -> String {
    let way = match verdict.basis {
        VerdictBasis::Weighted => {
            let names = comparison.adjusted.computed().map(|adjusted| listed(&adjusted.adjusted_for)).unwrap_or_default();
            format!("adjusted by weighting for {names}")
        }
        VerdictBasis::Crude => "not adjusted".to_owned(),
    };
    let mut text = match &verdict.p_value {
        Known::NotKnown(_) => {
            format!("Not tested: too little stands behind it, or there is no spread to go by; the numbers are {way}.")
        }
        Known::Known(p) => {
            let measure = match verdict.measure {
                VerdictMeasure::SurvivalAtHorizon => {
                    verdict.day.map_or_else(|| "survival".to_owned(), |day| format!("survival at {}", span(day)))
                }
                VerdictMeasure::RestrictedMean => "mean time without failure, since hazards are not proportional".to_owned(),
            };
            let corrected = match &verdict.corrected_p_value {
                Known::Known(corrected) if comparison.verdicts.len() > 1 => {
                    format!("; corrected for the number of levels, {}", p_value(*corrected))
                }
                _ => String::new(),
            };
            let alpha = 1.0 - comparison.confidence_level.value();
            let alone = match &verdict.corrected_p_value {
                Known::Known(corrected) if *p < alpha && *corrected >= alpha => {
                    " By itself that would count as a difference; with several levels looked at at once, one is seen by chance more easily, and so it doesn't."
                }
                _ => "",
            };
            format!("By {measure}, {way}; fillings of one mouth may share their fate: {}{corrected}.{alone}", p_value(*p))
        }
    };
    let (level, reference) = names(comparison, verdict);
    if let Some(moved) = verdict.moved_between_visits.filter(|moved| moved.abs() >= MOVED) {
        let of = verdict.survival.as_ref().map_or(100.0, counted_in);
        text.push_str(&format!(
            " If failures came between visits and not on the day they were found, the difference without adjustment would move by {} of {of} in favour of {}.",
            fillings(moved * of),
            if moved > 0.0 { level } else { reference }
        ));
    }
    if verdict.basis == VerdictBasis::Weighted
        && let Some(crude) = verdict.crude_difference
    {
        let of = verdict.survival.as_ref().map_or(100.0, counted_in);
        let left_out = comparison.adjusted.computed().is_some_and(|adjusted| adjusted.left_out > 0);
        let among = if left_out { ", in the restorations that have all of this recorded," } else { "" };
        text.push_str(&format!(" Without adjustment{among} the difference would be {}", by_another_way(crude, of)));
        match verdict.regression_difference {
            Some(regression) => {
                text.push_str(&format!(", by regression instead of weighting {}.", by_another_way(regression, of)));
                let apart = verdict.survival.map_or(0.0, |numbers| (numbers.difference - regression).abs());
                if apart >= comparison.relevant_difference.value() {
                    text.push_str(" The two ways of adjusting differ by as much as would matter: rely on neither alone.");
                }
            }
            None => text.push_str("; by regression there is no estimate (the page says why)."),
        }
    }
    text
}

fn needed_text(comparison: &Comparison, verdict: &Verdict, needed: &Needed) -> String {
    let mut text = format!(
        "To find that {} more fail than with {} four times in five would take about {} in both levels together (so far {}), which is about {} followed to {} (so far {} of any follow-up).",
        relevant(comparison),
        comparison.label(comparison.reference),
        counted(needed.failures, "failure", "failures"),
        count(needed.failures_so_far),
        counted(needed.restorations, "restoration", "restorations"),
        verdict.day.map_or_else(|| span(comparison.headline_day), span),
        count(needed.restorations_so_far)
    );
    match needed.years {
        Some(years) if years > 100.0 => text.push_str(" At the present pace one practice will not get there."),
        Some(years) => text.push_str(&format!(
            " At the present pace that is some {} of placements, and the time to follow them.",
            if years < 1.5 { "12 more months".to_owned() } else { format!("{:.0} more years", years.ceil()) }
        )),
        None if needed.failures_so_far >= needed.failures => {
            text.push_str(
                " There are that many already; a difference of that size would have been found four times in five.",
            );
        }
        None if needed.restorations > needed.restorations_so_far => {
            text.push_str(" Neither has been placed in the last three years.");
        }
        None => text.push_str(" There are enough placements; following them longer is what is needed."),
    }
    text
}

fn published(comparison: &Comparison, verdict: &Verdict) -> Vec<String> {
    let other = if comparison.endpoint.name == RETENTION {
        String::new()
    } else {
        format!(" (published of loss of retention, here {})", comparison.endpoint.title.to_lowercase())
    };
    verdict
        .published
        .iter()
        .filter_map(|agreement| {
            let finding = comparison.published.iter().find(|finding| finding.key == agreement.key)?;
            let direction = match finding.direction {
                PublishedDirection::FirstBetter => format!("{} better retained", comparison.label_of(&finding.first)),
                PublishedDirection::SecondBetter => format!("{} better retained", comparison.label_of(&finding.second)),
                PublishedDirection::NoDifference => "no difference found".to_owned(),
            };
            let stands = match agreement.agreement {
                Agreement::SameWay => "These records point the same way",
                Agreement::OtherWay => "These records point another way",
                Agreement::OwnTooFew => "These records are too few to agree or disagree",
            };
            Some(format!("{stands}{other}: {direction} ({}; {}).", finding.says, finding.source))
        })
        .collect()
}
