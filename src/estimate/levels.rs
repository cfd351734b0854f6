//! Columns of categories: their levels in order, and the causes among them.

use super::columns::MISSING;
use crate::stats::{Grouping, NO_GROUP};

/// Levels of a category with a code for each row.
#[derive(Clone, Debug, PartialEq)]
pub struct Levels {
    /// The labels, numbers by size and texts by letter.
    pub labels: Vec<String>,
    /// The level of each row.
    pub codes: Vec<u32>,
}

/// The levels of the rows kept; of all when none is left out.
pub fn pick(levels: Levels, kept: Option<&[u32]>) -> Levels {
    let Some(kept) = kept else { return levels };
    Levels { codes: kept.iter().map(|&row| levels.codes[row as usize]).collect(), labels: levels.labels }
}

/// The same levels with their labels in order; those that no row has left fall away.
pub fn in_order(levels: Levels) -> Levels {
    let mut used = vec![false; levels.labels.len()];
    for &code in levels.codes.iter().filter(|code| **code != MISSING) {
        used[code as usize] = true;
    }
    let mut order: Vec<usize> = (0..levels.labels.len()).filter(|&place| used[place]).collect();
    order.sort_by(|&a, &b| by_size_or_letter(&levels.labels[a], &levels.labels[b]));
    let mut to = vec![MISSING; levels.labels.len()];
    for (new, &old) in (0..).zip(&order) {
        to[old] = new;
    }
    let codes = levels.codes.iter().map(|&code| to.get(code as usize).copied().unwrap_or(MISSING)).collect();
    Levels { labels: order.into_iter().map(|old| levels.labels[old].clone()).collect(), codes }
}

/// Numbers by size, before texts by letter.
fn by_size_or_letter(a: &str, b: &str) -> std::cmp::Ordering {
    match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(x), Ok(y)) => x.total_cmp(&y).then_with(|| a.cmp(b)),
        (Ok(_), Err(_)) => std::cmp::Ordering::Less,
        (Err(_), Ok(_)) => std::cmp::Ordering::Greater,
        (Err(_), Err(_)) => a.cmp(b),
    }
}

/// The same for the estimators; `what` they are, for the message.
///
/// # Errors
/// When there are too many of them.
pub fn grouping_of(levels: &Levels, what: &str) -> Result<Grouping, String> {
    let count = u16::try_from(levels.labels.len()).ok().filter(|count| *count < NO_GROUP);
    let grouping = count.and_then(|count| {
        let codes = levels.codes.iter().map(|&code| u16::try_from(code).unwrap_or(NO_GROUP)).collect();
        Grouping::new(codes, count).ok()
    });
    grouping.ok_or_else(|| {
        format!(
            "The column of the {what} has {} different values.\nMend: check that it is a column of categories.",
            levels.labels.len()
        )
    })
}

/// For each label of the column of causes 0 if it means censored, 1 for the failure, 2 and more for competing causes; and the
/// causes in that order.
///
/// # Errors
/// When no row says what a failure is, or there are too many causes.
pub fn cause_places(cause: Option<&Levels>, failure: &str, censored: &[&str]) -> Result<(Vec<u8>, Vec<String>), String> {
    let Some(levels) = cause else {
        return Ok((Vec::new(), vec!["failure".to_owned()]));
    };
    let mut labels = vec![failure.to_owned()];
    let is_censored = |label: &str| censored.iter().any(|censored| same_value(label, censored));
    let mut others: Vec<&String> =
        levels.labels.iter().filter(|label| !same_value(label, failure) && !is_censored(label)).collect();
    let mut all: Vec<&str> = levels.labels.iter().map(String::as_str).collect();
    all.sort_by(|a, b| by_size_or_letter(a, b));
    all.truncate(20);
    if !others.is_empty() && !levels.labels.iter().any(|label| same_value(label, failure)) {
        return Err(format!(
            "No row has “{failure}”, which means a failure, in the column of causes. It holds: {}.\nMend: say with --failure and --censored what these mean.",
            all.join(", ")
        ));
    }
    others.sort_by(|a, b| by_size_or_letter(a, b));
    if others.len() > 200 {
        return Err(format!(
            "The column of causes has {} different values besides “{failure}” and “{}”.\nMend: check that it is the column of causes.",
            others.len(),
            censored.join("” and “")
        ));
    }
    labels.extend(others.into_iter().cloned());
    let place = |label: &String| {
        if is_censored(label) {
            return 0;
        }
        if same_value(label, failure) {
            return 1;
        }
        labels.iter().position(|known| known == label).and_then(|place| u8::try_from(place + 1).ok()).unwrap_or(0)
    };
    Ok((levels.labels.iter().map(place).collect(), labels))
}

/// Whether two cells say the same: the same text whatever its capitals, the same number, or both yes or no as programs write it.
pub fn same_value(a: &str, b: &str) -> bool {
    let number = |text: &str| match text.to_ascii_lowercase().as_str() {
        "true" => Some(1.0),
        "false" => Some(0.0),
        text => text.parse::<f64>().ok(),
    };
    a.eq_ignore_ascii_case(b) || matches!((number(a), number(b)), (Some(x), Some(y)) if x.total_cmp(&y).is_eq())
}

#[cfg(test)]
mod tests {
    use super::same_value;

    #[test]
    fn the_same_cause_may_be_written_in_several_ways() {
        for (a, b) in [("1", "1.0"), ("yes", "YES"), ("true", "1"), ("False", "0"), ("lost", "lost")] {
            assert!(same_value(a, b), "{a} {b}");
        }
        for (a, b) in [("1", "2"), ("yes", "no"), ("lost", "loss"), ("1", "10")] {
            assert!(!same_value(a, b), "{a} {b}");
        }
    }
}
