//! What the columns of the tables hold: how a number is shown where people read it, and what it means.

/// How a column's cells are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// As text.
    Text,
    /// Whole numbers.
    Count,
    /// Fractions, shown as per cent with one digit.
    Share,
    /// Rates per year, shown as per cent with two digits.
    Rate,
    /// Numbers with three digits.
    Number,
    /// Probabilities, with four digits.
    Probability,
}

/// A column with what it holds.
struct Column {
    name: &'static str,
    look: Look,
    meaning: &'static str,
}

const fn column(name: &'static str, look: Look, meaning: &'static str) -> Column {
    Column { name, look, meaning }
}

/// Columns that mean the same in every table, but for [`look`]'s exceptions.
const COLUMNS: &[Column] = &[
    column("endpoint", Look::Text, "The endpoint: what counts as a failure; see its definition."),
    column("title", Look::Text, "What people read."),
    column("definition", Look::Text, "What the endpoint counts as a failure, and what ends follow-up otherwise."),
    column("factor", Look::Text, "The column by which levels are told apart; all for everybody."),
    column("level", Look::Text, "The level's code; all for everybody."),
    column("label", Look::Text, "What people read."),
    column("reference", Look::Text, "The level that the others are held against, or whether it is this one."),
    column("other_level", Look::Text, "The second level of the pair."),
    column("way", Look::Text, "Crude; crude in the same restorations as adjusted; by weighting; by regression."),
    column("what", Look::Text, "What the row is about."),
    column("restorations", Look::Count, "Restorations behind the row."),
    column("patients", Look::Count, "Patients behind the row."),
    column("failures", Look::Count, "Failures over the whole follow-up."),
    column("ended_otherwise", Look::Count, "Ended by something that is no failure and makes one impossible."),
    column("years_at_risk", Look::Number, "Years of follow-up, all restorations added up."),
    column("operators", Look::Count, "Operators named; 0 where none is."),
    column("first_placed", Look::Text, "Day of the first placement."),
    column("last_placed", Look::Text, "Day of the last placement."),
    column("restoration_id", Look::Text, "The restoration's name in the records."),
    column("tooth", Look::Text, "The tooth, by ISO 3950."),
    column("placed_on", Look::Text, "The day it was placed."),
    column("last_good_on", Look::Text, "The last day it was known without the failure."),
    column("failed_on", Look::Text, "The day that counts as that of the failure."),
    column("day", Look::Count, "Days since placement."),
    column("months", Look::Count, "Months since placement."),
    column("opens_day", Look::Count, "First day of the recall's window, since placement."),
    column("closes_day", Look::Count, "Last day of the recall's window, since placement."),
    column("due", Look::Count, "Restorations whose window had closed."),
    column("seen", Look::Count, "Of these, seen within the window."),
    column("scored", Look::Count, "Of these, with a score."),
    column("patients_due", Look::Count, "Patients with a restoration due."),
    column("patients_seen", Look::Count, "Patients seen within the window."),
    column("share_seen", Look::Share, "Seen of due."),
    column("at_risk", Look::Count, "Followed and without failure just before the day."),
    column("patients_at_risk", Look::Count, "Patients with a restoration at risk."),
    column("few_at_risk", Look::Text, "Whether fewer are at risk than the protocol asks for."),
    column("failed", Look::Count, "Failed: on the day in a curve, before it in counts."),
    column("competing", Look::Count, "Ended before the day by something that is no failure."),
    column("censored", Look::Count, "Followed no further, and in place then, before the day."),
    column("not_yet_entered", Look::Count, "Came under observation only later."),
    column("survival", Look::Share, "Survival from the day on (product-limit, Kaplan–Meier)."),
    column(
        "between_visits_least",
        Look::Share,
        "Survival if failures came at some time between two visits (Turnbull): the least that it may be.",
    ),
    column("between_visits_largest", Look::Share, "The largest that it may be."),
    column("standard_error", Look::Number, "Standard error, by the protocol's variance."),
    column("model_based_standard_error", Look::Number, "Standard error if every filling were independent (Greenwood)."),
    column("lower", Look::Share, "Lower limit of the interval."),
    column("upper", Look::Share, "Upper limit of the interval."),
    column("interval_not_known", Look::Text, "Why there is no interval."),
    column("survival_not_known", Look::Text, "Why there is no survival."),
    column("not_known", Look::Text, "Why there is no number."),
    column("why_not", Look::Text, "Why there is no number, or no interval."),
    column("formula", Look::Text, "Formula of the annual failure rate: geometric, linear, person-time."),
    column("years", Look::Number, "Years of the formula; for person-time the restoration-years."),
    column("rate_per_year", Look::Rate, "Annual failure rate."),
    column("variance", Look::Text, "Whether fillings of one patient may share their fate."),
    column("chi_square", Look::Number, "The test's statistic."),
    column("degrees_of_freedom", Look::Count, "Its degrees of freedom."),
    column("p_value", Look::Probability, "Probability of as large a statistic if there were no difference."),
    column("ln_p_value", Look::Number, "Natural logarithm of p, for when p is too small for a number."),
    column("not_tested", Look::Text, "Why there is no test."),
    column("criterion", Look::Text, "What was scored."),
    column("scheme", Look::Text, "The scoring scheme, or pooled."),
    column("score", Look::Text, "The scheme's score."),
    column("standing", Look::Text, "Ideal, acceptable or unacceptable, as the scheme's own table says."),
    column("count", Look::Count, "How many."),
    column("share", Look::Share, "Share of those scored."),
    column("at_least", Look::Text, "The standing that counts: this or better."),
    column("step", Look::Text, "Received, excluded, analysed or used."),
    column("reason", Look::Text, "Why left out."),
    column("value", Look::Number, "Difference of the level less the reference, or their ratio."),
    column("p", Look::Probability, "Probability of as large a difference if there were none."),
    column("p_all_levels", Look::Probability, "Probability of as large a difference between any levels if there were none."),
    column("p_corrected", Look::Probability, "The same, corrected for how many were looked at (Holm)."),
    column("covariate", Look::Text, "What may differ between levels, or go with failure."),
    column("covariate_level", Look::Text, "Its level, where it has levels."),
    column("difference_before", Look::Number, "The level less the other level, in standard deviations, as the records are."),
    column("difference_after", Look::Number, "The same after weighting."),
    column("missing", Look::Count, "Restorations without it."),
    column("model", Look::Text, "The model: failures dated to the day found, or between visits."),
    column("against", Look::Text, "The level that it is held against."),
    column("hazard_ratio", Look::Number, "How many times as fast failure comes."),
];

/// How a table's column is shown; text where it is not known.
pub(super) fn look(table: &str, name: &str) -> Look {
    let limit = matches!(name, "lower" | "upper");
    match table {
        "annual-failure.csv" if limit => Look::Rate,
        "differences.csv" | "together.csv" if limit => Look::Number,
        _ => COLUMNS.iter().find(|column| column.name == name).map_or(Look::Text, |column| column.look),
    }
}

/// What a column holds.
pub(super) fn meaning(name: &str) -> Option<&'static str> {
    COLUMNS.iter().find(|column| column.name == name).map(|column| column.meaning)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_shown_as_what_they_limit() {
        assert_eq!(look("survival.csv", "lower"), Look::Share);
        assert_eq!(look("annual-failure.csv", "upper"), Look::Rate);
        assert_eq!(look("together.csv", "upper"), Look::Number);
    }

    #[test]
    fn no_column_is_named_twice() {
        let mut names: Vec<&str> = COLUMNS.iter().map(|column| column.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), COLUMNS.len());
    }
}
